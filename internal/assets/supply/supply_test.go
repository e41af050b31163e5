package supply

import (
	"fmt"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func plate(t testing.TB, p Plate) Nameplate {
	t.Helper()
	n, err := Read(p)
	if err != nil {
		t.Fatalf("%+v: %v", p, err)
	}
	return n
}

func mustContain(t *testing.T, s string, parts ...string) {
	t.Helper()
	for _, p := range parts {
		if !strings.Contains(s, p) {
			t.Errorf("%q does not say %q", s, p)
		}
	}
}

func near(t *testing.T, name string, got, want, tolerance float64) {
	t.Helper()
	if math.Abs(got-want) > tolerance {
		t.Errorf("%s: %v, want %v ± %v", name, got, want, tolerance)
	}
}

type row struct {
	name    string
	leads   int
	setting Setting
	winding Winding
	lines   string
	joined  string
}

// table gives the row as this package has it.
func (r row) table() Connection {
	switch r.leads {
	case 3:
		return three(single(), "", Unknown)
	case 6:
		return sixLeads(r.setting, r.winding)
	case 9:
		return nineLeads(r.setting, r.winding)
	}
	return twelveLeads(r.setting, r.winding)
}

func rows(t testing.TB) []row {
	t.Helper()
	text, err := os.ReadFile("testdata/connections.txt")
	if err != nil {
		t.Fatal(err)
	}
	var all []row
	for line := range strings.Lines(string(text)) {
		if line[0] == '#' {
			continue
		}
		f := strings.Split(strings.TrimSpace(line)+" ", "|")
		for i := range f {
			f[i] = strings.TrimSpace(f[i])
		}
		leads, err := strconv.Atoi(f[0])
		if err != nil || len(f) != 7 {
			t.Fatalf("%q", line)
		}
		all = append(all, row{strings.Join(f[:3], " "), leads, Setting(f[1]), Winding(f[2]), strings.ReplaceAll(strings.Join(f[3:6], " / "), ",", " "), f[6]})
	}
	if len(all) != 11 {
		t.Fatalf("%d rows", len(all))
	}
	return all
}

func lines(c Connection) string {
	s := make([]string, 3)
	for i, l := range c.Lines {
		s[i] = strings.Trim(fmt.Sprint(l), "[]")
	}
	return strings.Join(s, " / ")
}

func joined(c Connection) string {
	var s []string
	for _, j := range c.Joined {
		s = append(s, strings.ReplaceAll(strings.Trim(fmt.Sprint(j), "[]"), " ", "-"))
	}
	return strings.Join(s, " ")
}

func TestTheTables(t *testing.T) {
	for _, r := range rows(t) {
		c := r.table()
		if lines(c) != r.lines || joined(c) != r.joined || len(c.Open) != 0 {
			t.Errorf("%s: lines %s, joined %s", r.name, lines(c), joined(c))
		}
		once(t, c, r.leads)
	}
	// The high connection of wye and delta is the same.
	if a, b := nineLeads(High, Wye), nineLeads(High, Delta); lines(a) != lines(b) || joined(a) != joined(b) || a.Winding != Unknown {
		t.Error("high differs between wye and delta")
	}
}

type failer interface {
	Helper()
	Fatalf(format string, args ...any)
}

// once demands that each lead is named once and none is forgotten.
func once(t failer, c Connection, leads int) {
	t.Helper()
	got := c.Leads()
	for i := range leads {
		if len(got) != leads || got[i] != i+1 {
			t.Fatalf("%d leads: %v", leads, got)
		}
	}
}

// scenario is one case of testdata/answers.txt.
type scenario struct {
	name  string
	plate Plate
	feed  Feed
	links Links
	want  map[string]string
}

func scenarios(t testing.TB) []scenario {
	t.Helper()
	text, err := os.ReadFile("testdata/answers.txt")
	if err != nil {
		t.Fatal(err)
	}
	var all []scenario
	for line := range strings.Lines(string(text)) {
		line = strings.TrimSpace(line)
		if line == "" || line[0] == '#' {
			continue
		}
		word, rest, _ := strings.Cut(line, " ")
		if word == "case" {
			all = append(all, scenario{name: rest, want: map[string]string{}})
			continue
		}
		s := &all[len(all)-1]
		switch word {
		case "plate":
			f := strings.Split(rest, "|")
			for i := range f {
				f[i] = strings.TrimSpace(f[i])
			}
			s.plate = Plate{f[0], f[1], f[2], f[3], f[4]}
		case "feed":
			f := strings.Fields(rest)
			num := func(i int) float64 {
				v, err := strconv.ParseFloat(f[i], 64)
				if err != nil {
					t.Fatalf("%q: %v", line, err)
				}
				return v
			}
			s.feed = Feed{Volts: num(0), Phases: int(num(1)), Hertz: num(2), HighLeg: slices.Contains(f, "highleg")}
			if i := slices.Index(f, "measured"); i > 0 {
				s.feed.Measured = &Measured{num(i + 1), num(i + 2), num(i + 3)}
			}
		case "links":
			for _, w := range strings.Fields(rest) {
				if w == string(Low) || w == string(High) {
					s.links.Setting = Setting(w)
				} else {
					s.links.Winding = Winding(w)
				}
			}
		case "verdict", "mark", "setting", "winding", "lines", "joined", "start", "reasons", "missing", "findings", "notes", "says":
			s.want[word] = rest
		default:
			t.Fatalf("%q is not understood", line)
		}
	}
	return all
}

func codes[T any](all []T, code func(T) string) string {
	var s []string
	for _, x := range all {
		s = append(s, code(x))
	}
	return strings.Join(s, " ")
}

func TestAnswers(t *testing.T) {
	for _, s := range scenarios(t) {
		t.Run(s.name, func(t *testing.T) {
			n := plate(t, s.plate)
			a := Judge(n, s.feed, s.links)
			got := map[string]string{"verdict": string(a.Verdict), "reasons": codes(a.Reasons, func(r Reason) string { return r.Code }),
				"missing": codes(a.Missing, func(m Missing) string { return m.Fact }), "findings": codes(a.Findings, func(f Finding) string { return f.Code })}
			if a.Mark != 0 {
				got["mark"] = strconv.FormatFloat(a.Mark, 'f', -1, 64)
			}
			if c := a.Connection; c != nil {
				got["setting"], got["winding"], got["lines"], got["joined"] = string(c.Setting), string(c.Winding), lines(*c), joined(*c)
				once(t, *c, n.Leads)
			}
			if c := a.Start; c != nil {
				got["start"] = lines(*c) + " join " + joined(*c)
				once(t, *c, n.Leads)
			}
			for _, key := range []string{"verdict", "mark", "setting", "winding", "lines", "joined", "start", "reasons", "missing", "findings"} {
				if got[key] != s.want[key] {
					t.Errorf("%s %q, want %q", key, got[key], s.want[key])
				}
			}
			mustContain(t, strings.Join(a.Notes, " "), s.want["notes"])
			mustContain(t, codes(a.Findings, func(f Finding) string { return f.Says }), s.want["says"])
			sound(t, n, s.feed, a)
			if t.Failed() {
				t.Logf("%+v", a)
			}
		})
	}
}

// said is every sentence of an answer.
func said(a Answer) []string {
	s := slices.Concat(a.Notes, []string{a.Reverse})
	for _, r := range a.Reasons {
		s = append(s, r.Says)
	}
	for _, m := range a.Missing {
		s = append(s, m.Says, m.How)
	}
	for _, f := range a.Findings {
		s = append(s, f.Says)
	}
	for _, c := range a.Cautions {
		s = append(s, c.Says)
	}
	return s
}

// sound holds what must be true of any answer.
func sound(t failer, n Nameplate, f Feed, a Answer) {
	t.Helper()
	var have []string
	for _, c := range a.Cautions {
		have = append(have, c.Code)
	}
	want := []string{"person", "isolate", "diagram", "second"}
	if f.HighLeg {
		want = append(want, "high_leg")
	}
	if !slices.Equal(have, want) {
		t.Fatalf("cautions %v", have)
	}
	if (a.Verdict == Suits) != (a.Connection != nil) || a.Connection == nil && (a.Start != nil || a.Reverse != "") {
		t.Fatalf("%s with connection %v", a.Verdict, a.Connection)
	}
	if (a.Verdict == DoesNot) != (len(a.Reasons) > 0) || a.Verdict == CannotTell && len(a.Missing) == 0 {
		t.Fatalf("%s without a reason: %+v", a.Verdict, a)
	}
	for _, s := range said(a) {
		for _, w := range []string{"ensure", "make sure", "should", " safe", "%!"} {
			if strings.Contains(strings.ToLower(s), w) {
				t.Fatalf("%q says %q", s, w)
			}
		}
	}
	for _, d := range a.Deviations {
		if math.Abs(d.Percent-100*(d.Volts/d.Mark-1)) > 1e-9 {
			t.Fatalf("%+v", d)
		}
		if a.Verdict == Suits && d.Mark == a.Mark && math.Abs(d.Percent) > 10+1e-9 {
			t.Fatalf("suits by %v V in spite of %+v", a.Mark, d)
		}
	}
	if a.Connection != nil {
		once(t, *a.Connection, n.Leads)
	}
}

// Deviations of the supply at nominal: ANSI C84.1 and NEMA MG 1, as printed to
// the digits given.
func TestDeviations(t *testing.T) {
	for _, x := range []struct {
		mark, nominal float64
		point         string
		want          float64
		within        bool
		tolerance     float64
	}{
		{200, 208, "nominal", 4.0, true, 0.005},
		{230, 240, "nominal", 4.35, true, 0.005},
		{460, 480, "nominal", 4.35, true, 0.005},
		{575, 600, "nominal", 4.35, true, 0.005},
		{230, 208, "nominal", -9.565, true, 0.0005},
		{230, 208, "nominal −5 %", -14.087, false, 0.0005},
		{460, 480, "nominal +5 %", 9.565, true, 0.0005},
		{460, 480, "nominal −5 %", -0.870, true, 0.0005},
		{208, 240, "nominal", 15.385, false, 0.0005},
	} {
		n := Nameplate{Ratings: []Rating{{Sets: [][]float64{{x.mark}}, Hertz: []int{60}}}, Phases: 3, Leads: 3}
		a := Judge(n, Feed{Volts: x.nominal, Phases: 3, Hertz: 60}, Links{})
		i := slices.IndexFunc(a.Deviations, func(d Deviation) bool { return d.Point == x.point })
		d := a.Deviations[i]
		near(t, fmt.Sprintf("%v on %v, %s", x.mark, x.nominal, x.point), d.Percent, x.want, x.tolerance)
		if d.Within != x.within || d.Mark != x.mark {
			t.Errorf("%+v", d)
		}
	}
}

// The reader is told the number and what the plate must say instead.
func TestTheReasonGivesTheNumber(t *testing.T) {
	n := plate(t, Plate{"230/460", "3", "60", "9", "wye"})
	a := Judge(n, Feed{Volts: 208, Phases: 3, Hertz: 60}, Links{})
	mustContain(t, a.Reasons[0].Says, "230 V", "−14.1 %", "197.6 V", "±10 %", "200, 208 or 208-230")
	a = Judge(n, Feed{Volts: 400, Phases: 3, Hertz: 50}, Links{})
	mustContain(t, a.Reasons[0].Says, "50 Hz", "60 Hz", "±5 %")
	mustContain(t, a.Reasons[1].Says, "−17.4 % at nominal −5 % (380 V), −13.0 % at nominal (400 V)")

	single := plate(t, Plate{"460", "3", "60", "3", ""})
	mustContain(t, Judge(single, Feed{Volts: 480, Phases: 3, Hertz: 58}, Links{}).Reasons[0].Says, "together with the frequency", "3.3 %")
	if s := Judge(single, Feed{Volts: 480, Phases: 3, Hertz: 58}, Links{}).Reasons[0].Says; strings.Contains(s, "are marked") {
		t.Error("it asks for the mark that is there: " + s)
	}
	neutral := Judge(single, Feed{Volts: 480, Phases: 3, Hertz: 60, Measured: &Measured{277, 277, 277}}, Links{})
	mustContain(t, neutral.Missing[0].Says, "line to neutral")
	earth := Judge(single, Feed{Volts: 240, Phases: 3, Hertz: 60, HighLeg: true, Measured: &Measured{120, 208, 120}}, Links{})
	mustContain(t, earth.Reasons[0].Says, "line to line", "high leg")
	derate := Judge(single, Feed{Volts: 460, Phases: 3, Hertz: 60, Measured: &Measured{460, 467, 450}}, Links{})
	mustContain(t, derate.Findings[0].Says, "2.0 %", "95 %", "6 to 10 times")
	twelve := plate(t, Plate{"230/460", "3", "60", "12", ""})
	mustContain(t, Judge(twelve, Feed{Volts: 480, Phases: 3, Hertz: 60}, Links{}).Missing[0].How, "an ohmmeter does not tell")
}

// A deviation beyond the limit is never written as the limit.
func TestPercentKeepsItsSide(t *testing.T) {
	for p, want := range map[float64]string{10: "+10.0 %", 10.004: "+10.004 %", -10.04: "−10.04 %", -9.565: "−9.6 %", 0: "+0.0 %", 14.087: "+14.1 %"} {
		if got := percent(p); got != want {
			t.Errorf("%v: %s, want %s", p, got, want)
		}
	}
	// Exactly ten percent is within.
	n := Nameplate{Ratings: []Rating{{Sets: [][]float64{{230}}, Hertz: []int{60}}}, Phases: 3, Leads: 3}
	f := Feed{Volts: 230, Phases: 3, Hertz: 60, Measured: &Measured{253, 253, 253}}
	if a := Judge(n, f, Links{}); a.Verdict != Suits {
		t.Errorf("%+v", a)
	}
	f.Measured = &Measured{253.01, 253.01, 253.01}
	if a := Judge(n, f, Links{}); a.Verdict == Suits {
		t.Errorf("%+v", a)
	}
}

func TestHighLeg(t *testing.T) {
	a := Judge(Nameplate{}, Feed{Volts: 240, HighLeg: true}, Links{})
	mustContain(t, a.Cautions[4].Says, "about 208 V to earth", "120 V", "do not take its reading")
	mustContain(t, Judge(Nameplate{}, Feed{HighLeg: true}, Links{}).Cautions[4].Says, "higher to earth")
}

func TestFraction(t *testing.T) {
	for part, want := range map[float64]string{0.25: "about a quarter", 1.0 / 3: "about a third", 0.5: "about 50 %", 0.75: "about three quarters"} {
		if got := fraction(part); got != want {
			t.Errorf("%v: %s", part, got)
		}
	}
}

// Marks of the terminals (IEC 60034-8, from memory): delta is U1-W2, V1-U2, W1-V2.
func TestIECMarks(t *testing.T) {
	var got []string
	for _, line := range sixLeads("", Delta).Lines {
		got = append(got, IECMark(line[0])+"-"+IECMark(line[1]))
	}
	if s := strings.Join(got, " "); s != "U1-W2 V1-U2 W1-V2" || IECMark(0) != "" || IECMark(7) != "" {
		t.Error(s)
	}
}

func TestSwapsOfNoLine(t *testing.T) {
	if c := nineLeads(Low, Wye); lines(c.After("L1-L4")) != lines(c) || Reverses("L1-L4") {
		t.Error("a swap that is none did something")
	}
}

var someMarks = []float64{115, 190, 200, 208, 220, 230, 240, 265, 380, 400, 415, 440, 460, 480, 575, 690}

func drawPlate(t *rapid.T) Nameplate {
	mark := rapid.SampledFrom(someMarks)
	low := mark.Draw(t, "low")
	r := Rating{Hertz: rapid.SampledFrom([][]int{nil, {50}, {60}, {50, 60}}).Draw(t, "hertz")}
	switch rapid.IntRange(0, 4).Draw(t, "sets") {
	case 0:
		r.Sets = [][]float64{{low}}
	case 1:
		r.Sets = [][]float64{{low}, {2 * low}}
	case 2:
		r.Sets = [][]float64{{low, math.Round(low * 1.1)}, {math.Round(low * 2.2)}}
	case 3:
		r.Sets = [][]float64{{low}, {math.Round(low * math.Sqrt(3))}}
	case 4:
		r.Sets = [][]float64{{low}, {math.Round(low * math.Sqrt(3))}, {2 * low}, {math.Round(2 * low * math.Sqrt(3))}}
	}
	return Nameplate{Ratings: []Rating{r}, Phases: rapid.SampledFrom([]int{0, 1, 3, 3, 3}).Draw(t, "phases"),
		Leads:   rapid.SampledFrom([]int{0, 3, 6, 9, 12}).Draw(t, "leads"),
		Winding: rapid.SampledFrom([]Winding{Unknown, Wye, Delta}).Draw(t, "winding")}
}

func drawFeed(t *rapid.T) Feed {
	f := Feed{Volts: rapid.OneOf(rapid.SampledFrom([]float64{0, 120, 208, 230, 240, 400, 460, 480, 600}), rapid.Float64Range(50, 800)).Draw(t, "volts"),
		Phases:  rapid.SampledFrom([]int{0, 1, 3, 3, 3}).Draw(t, "phases"),
		Hertz:   rapid.OneOf(rapid.SampledFrom([]float64{0, 50, 60}), rapid.Float64Range(45, 65)).Draw(t, "hertz"),
		HighLeg: rapid.Bool().Draw(t, "highleg")}
	if rapid.Bool().Draw(t, "measured") {
		v := rapid.Float64Range(0.85, 1.15)
		f.Measured = &Measured{f.Volts * v.Draw(t, "AB"), f.Volts * v.Draw(t, "BC"), f.Volts * v.Draw(t, "CA")}
	}
	return f
}

func TestAnyAnswerIsSound(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n, f := drawPlate(t), drawFeed(t)
		l := Links{rapid.SampledFrom([]Setting{"", Low, High}).Draw(t, "set"), rapid.SampledFrom([]Winding{Unknown, Wye, Delta}).Draw(t, "as")}
		a := Judge(n, f, l)
		sound(t, n, f, a)
		if a.Verdict != Suits {
			return
		}
		// What suits does so by one mark of the plate, and nothing was assumed.
		if n.Phases != f.Phases || n.Leads == 0 || len(n.Ratings[0].Hertz) == 0 || f.Volts < 0.9*a.Mark/0.95-1e-9 || f.Volts > 1.1*a.Mark/1.05+1e-9 {
			t.Fatalf("%+v at %+v suits", n, f)
		}
		// Links as the answer wants them are no finding.
		for _, found := range Judge(n, f, Links{a.Connection.Setting, a.Connection.Winding}).Findings {
			if found.Code == "links" {
				t.Fatal(found.Says)
			}
		}
	})
}

func TestSwapsComeInPairs(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		swap := rapid.SampledFrom([]Swap{L1L2, L2L3, L1L3})
		s := rapid.SliceOf(swap).Draw(t, "swaps")
		c := twelveLeads(High, Delta)
		once(t, c.After(s...), 12)
		if Reverses(s...) != (len(s)%2 == 1) {
			t.Fatal("an even number of swaps does nothing")
		}
		one := swap.Draw(t, "one")
		if got := c.After(one, one); lines(got) != lines(c) || joined(got) != joined(c) {
			t.Fatal("swapped twice and not restored")
		}
	})
}

// An answer is the reader's: what they change in it must not reach the tables.
func TestTablesAreNotShared(t *testing.T) {
	c := nineLeads(High, Unknown)
	c.Lines[0][0], c.Joined[0][0] = 99, 99
	once(t, nineLeads(High, Unknown), 9)
}
