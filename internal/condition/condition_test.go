package condition

import (
	"encoding/csv"
	"maps"
	"os"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func parse(t testing.TB, text string) Condition {
	t.Helper()
	c, f := Parse(text, "condition")
	if f != nil {
		t.Fatalf("%q: %v", text, f)
	}
	return c
}

func TestEveryClauseIsJudgedByWhatIsKnown(t *testing.T) {
	known := Facts{"bore": "1.375 in", "kind": "rocker", "hub_fixing": "clamp4", "media_colour": "Blue"}
	for text, want := range map[string]string{
		"":                               "holds",
		"kind = rocker":                  "holds",
		"kind=top_brush":                 "fails: kind = top_brush",
		"kind != rocker":                 "fails: kind != rocker",
		"kind in (top_brush,rocker)":     "holds",
		"kind not in (top_brush,tyre)":   "holds",
		"kind not in (top_brush,rocker)": "fails: kind not in (top_brush, rocker)",
		"bore = 1.375in":                 "holds",
		"bore = 34.925 mm":               "holds",
		"bore = 35mm":                    "fails: bore = 35mm",
		"media_colour = blue":            "holds",
		"oil = PAO":                      "cannot tell: oil",
		"oil != PAO":                     "cannot tell: oil",
		"oil = PAO & coil = 24VDC":       "cannot tell: oil, coil",
		"oil = PAO & kind = rocker":      "cannot tell: oil",
		"oil = PAO & kind = top_brush":   "fails: kind = top_brush", // one failure settles it
		"kind = rocker & bore = 35mm & hub_fixing = flange3": "fails: bore = 35mm; hub_fixing = flange3",
	} {
		a := parse(t, text).Judge(known)
		got := a.Verdict.String()
		if a.Missing != nil {
			got += ": " + strings.Join(a.Missing, ", ")
		}
		for i, c := range a.Failed {
			got += map[bool]string{true: ": ", false: "; "}[i == 0] + c.String()
		}
		if got != want {
			t.Errorf("%q: %s, want %s", text, got, want)
		}
	}
}

func TestWhatIsNoConditionIsRefused(t *testing.T) {
	for text, want := range map[string]string{
		"kind":                          "begins with no fact",
		"= rocker":                      "begins with no fact",
		"Kind = rocker":                 "begins with no fact",
		"kind =":                        "lacks a value",
		"kind = rocker &":               "a clause is empty",
		"kind in rocker":                "is no comparison",
		"kind in (rocker":               "is no comparison",
		"kind in (rocker,)":             "lacks a value",
		"kind in (rocker,Rocker)":       "gives Rocker twice",
		"bore in (1.375 in, 34.925 mm)": "gives 34.925 mm twice",
		"kind == rocker":                "has a sign in a value",
		"kind = rocker, top":            "gives several values",
		"kind > rocker":                 "is no comparison",
		"kind like rocker":              "is no comparison",
		"kind = a & kind = b":           "is asked twice",
		"kind = a\x00b":                 "has a sign in a value",
		"kind in (" + strings.Repeat("a,", 50) + "b)":         "gives 51 values",
		"kind = " + strings.Repeat("a", 1000):                 "is too long",
		"kind = rocker or kind = top & kind in (a) & b = (c)": "has a sign in a value",
	} {
		c, f := Parse(text, "lines[3].condition")
		if f == nil {
			t.Errorf("%q was taken as %q", text, c)
		} else if !strings.Contains(f.Msg, want) || f.Field != "lines[3].condition" {
			t.Errorf("%q: %s: %s", text, f.Field, f.Msg)
		}
	}
}

// Bore 1-3/8 in is 34.925 mm and never 35 mm; the inch is 25.4 mm exactly (NIST
// SP 811, appendix B.8).
func TestInchAndMetricNeverInterchange(t *testing.T) {
	for _, p := range []struct {
		a, b  string
		alike bool
	}{
		{"1.375in", "1.375 in", true}, {"1.375in", "34.925mm", true}, {"1.375 in", "35 mm", false}, {"1.4375in", "36.5125 mm", true},
		{"35mm", "3.5 cm", true}, {"0.035 m", "35mm", true}, {"24VDC", "24vdc", true}, {"24VDC", "24 VDC", false},
		{"56C", "56c", true}, {"sky  blue", "Sky blue", true}, {"35", "35 mm", false}, {"1.2.3 mm", "1.2.3 mm", true}, {"", "", true},
	} {
		if Alike(p.a, p.b) != p.alike || Alike(p.b, p.a) != p.alike {
			t.Errorf("%q and %q: alike %v", p.a, p.b, !p.alike)
		}
	}
}

// All 152 part lines and 115 steps of our own data.
func TestTheConditionsOfTheJobs(t *testing.T) {
	given := 0
	for file, rows := range map[string]int{"job_parts.csv": 152, "job_steps.csv": 115} {
		f, err := os.Open("testdata/" + file)
		if err != nil {
			t.Fatal(err)
		}
		all, err := csv.NewReader(f).ReadAll()
		f.Close()
		if err != nil {
			t.Fatal(err)
		}
		if len(all)-1 != rows {
			t.Fatalf("%s has %d rows", file, len(all)-1)
		}
		col := slices.Index(all[0], "condition")
		for _, row := range all[1:] {
			c := parse(t, row[col])
			if row[col] == "" {
				continue
			}
			given++
			if parse(t, c.String()).String() != c.String() || len(c.Facts()) == 0 {
				t.Errorf("%q comes back as %q", row[col], c)
			}
			// each is settled by facts made from itself, and open without them
			known := Facts{}
			for _, clause := range c.Clauses() {
				known[clause.Fact] = clause.Values[0]
			}
			if a := c.Judge(known); a.Verdict != Holds {
				t.Errorf("%q: %v", row[col], a)
			}
			if a := c.Judge(nil); a.Verdict != CannotTell || !slices.Equal(a.Missing, c.Facts()) {
				t.Errorf("%q: %v", row[col], a)
			}
		}
	}
	if given < 60 {
		t.Errorf("only %d conditions", given)
	}
}

func anyCondition() *rapid.Generator[Condition] {
	return rapid.Custom(func(t *rapid.T) Condition {
		var c Condition
		for _, fact := range rapid.SliceOfNDistinct(rapid.SampledFrom([]string{"a", "b", "c", "d"}), 0, 4, rapid.ID[string]).Draw(t, "facts") {
			c.clauses = append(c.clauses, Clause{Fact: fact, Not: rapid.Bool().Draw(t, "not"),
				Values: rapid.SliceOfNDistinct(rapid.SampledFrom([]string{"x", "y", "35 mm", "1.375in"}), 1, 3, rapid.ID[string]).Draw(t, "values")})
		}
		return c
	})
}

var values = rapid.SampledFrom([]string{"x", "Y", "3.5 cm", "34.925 mm", "z"})

func TestAConditionComesBackAsWritten(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := anyCondition().Draw(t, "condition")
		back, f := Parse(c.String(), "condition")
		if f != nil || back.String() != c.String() || !slices.EqualFunc(back.clauses, c.clauses, func(a, b Clause) bool {
			return a.Fact == b.Fact && a.Not == b.Not && slices.Equal(a.Values, b.Values)
		}) {
			t.Fatalf("%q came back as %q: %v", c, back, f)
		}
	})
}

// Whatever is learnt later never turns a verdict round: it only settles open ones,
// and the facts named as missing suffice to settle it.
func TestKnowingMoreOnlySettles(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := anyCondition().Draw(t, "condition")
		known := Facts(rapid.MapOfN(rapid.SampledFrom([]string{"a", "b", "c", "d"}), values, 0, 4).Draw(t, "known"))
		before := c.Judge(known)
		more := maps.Clone(known)
		if more == nil {
			more = Facts{}
		}
		for _, f := range []string{"a", "b", "c", "d"} {
			if _, ok := more[f]; !ok {
				more[f] = values.Draw(t, f)
			}
		}
		after := c.Judge(more)
		if after.Verdict == CannotTell {
			t.Fatalf("%q is open although all is known", c)
		}
		if before.Verdict != CannotTell && after.Verdict != before.Verdict {
			t.Fatalf("%q: %v, then %v", c, before.Verdict, after.Verdict)
		}
		if (before.Verdict == CannotTell) != (len(before.Missing) > 0) || (before.Verdict == Fails) != (len(before.Failed) > 0) {
			t.Fatalf("%q: %+v", c, before)
		}
		for _, m := range before.Missing {
			known[m] = more[m]
		}
		if c.Judge(known).Verdict != after.Verdict {
			t.Fatalf("%q: the missing facts do not settle it", c)
		}
	})
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{"", "kind = rocker", "bore in (1.375in,35 mm) & kind != top_brush", "a not in (b)", "a = b & a = b", "a=é", "a in ()", "&", "a=\xff"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		c, bad := Parse(text, "condition")
		if bad != nil {
			return
		}
		back, bad := Parse(c.String(), "condition")
		if len(c.String()) <= longest && (bad != nil || back.String() != c.String()) {
			t.Errorf("%q is written %q and comes back as %q: %v", text, c, back, bad)
		}
		known := Facts{}
		for _, clause := range c.Clauses() {
			known[clause.Fact] = clause.Values[0]
			if clause.Not {
				known[clause.Fact] = "somethingelse"
			}
		}
		_ = c.Judge(known)
	})
}
