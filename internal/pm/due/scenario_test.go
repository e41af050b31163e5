package due

import (
	"bufio"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"spindlebook/internal/calendar"
	"spindlebook/internal/usage"
)

var update = flag.Bool("update", false, "rewrite what the texts in testdata expect; read them before you commit")

// A text in testdata holds scenarios as a planner would tell them. A line is a
// command; the lines below it, set in, are what it answers. The commands:
//
//	plan floating B early 7d late 10%     begins a scenario: basis, criticality, window
//	when every P30D [from 2026-01-31]     a trigger; also: every 8000 vehicles,
//	                                      each operating day, once 10-01/11-15,
//	                                      on FREQ=MONTHLY from 2026-01-05, check CK-1201
//	site America/Chicago turns 02:30      zone and turn of the day
//	closed Sunday                         a weekday, or 2026-12-25
//	since 2026-01-05                      the assignment begins; also: grid 2026-01-31
//	installed 2026-01-05 vehicles 0       in service, with totals
//	run vehicles 345 a day spread 80 [snowbelt]   how a counter runs
//	read 2026-12-19 vehicles 83600 [extrapolated]
//	done 2026-03-02 22:30 vehicles 92000  totals may be missing
//	found 2026-03-02 CK-1201 pressure drop 7 psi, limit 6
//	skip 2026-03-20 until 2026-04-01      also: park, unpark
//	instead P45D until 2026-06-30 two screws were loose
//	on 2026-03-05 [08:00]                 how it stands
//	ahead 2026-03-05 until 2026-12-31     what is expected
type teller struct {
	plan     Plan
	schedule *Schedule
	a        Assignment
	site     Site
	weekdays []time.Weekday
	dates    []calendar.Date
	rates    map[Unit]usage.Rate
	profile  usage.Profile
	now      time.Time
}

func flat() usage.Profile {
	var p usage.Profile
	for i := range p.Month {
		p.Month[i] = 1
	}
	for i := range p.Weekday {
		p.Weekday[i] = 1
	}
	return p
}

func (s *teller) begin() {
	z, _ := time.LoadLocation("America/New_York")
	*s = teller{rates: map[Unit]usage.Rate{}, profile: flat(), site: Site{Place: calendar.Place{Zone: z, Turns: 3 * time.Hour}}}
	s.site.Closed = func(d calendar.Date) bool {
		return slices.Contains(s.weekdays, d.Weekday()) || slices.Contains(s.dates, d)
	}
}

// say carries out one line and gives what it answers.
func (s *teller) say(line string) (out []string) {
	w := strings.Fields(line)
	bad := func() []string { return []string{"not understood"} }
	if len(w) < 1 {
		return nil
	}
	if w[0] != "plan" && s.rates == nil {
		return bad()
	}
	switch w[0] {
	case "plan":
		s.begin()
		if len(w) != 7 || w[3] != "early" || w[5] != "late" {
			return bad()
		}
		s.plan = Plan{Basis: Basis(w[1]), Criticality: Criticality(w[2]), Early: tolerance(w[4]), Late: tolerance(w[6])}
	case "when":
		t := s.trigger(w[1:])
		if t == nil {
			return bad()
		}
		s.plan.Triggers = append(s.plan.Triggers, t)
	case "site":
		z, err := time.LoadLocation(word(w, 1))
		turns, ok := clock(word(w, 3))
		if err != nil || !ok {
			return bad()
		}
		s.site.Place = calendar.Place{Zone: z, Turns: turns}
	case "closed":
		for d := time.Sunday; d <= time.Saturday; d++ {
			if d.String() == word(w, 1) {
				s.weekdays = append(s.weekdays, d)
			}
		}
		if d := date(word(w, 1)); d != 0 {
			s.dates = append(s.dates, d)
		}
	case "since":
		s.a.Since = s.at(w[1:])
	case "grid":
		s.a.Grid = date(word(w, 1))
	case "installed":
		s.a.Since = s.at(w[1:])
		s.a.Mark = &Mark{At: s.a.Since, Totals: totals(w)}
	case "run":
		perDay, _ := strconv.ParseFloat(word(w, 2), 64)
		spread, _ := strconv.ParseFloat(word(w, 6), 64)
		if word(w, 7) != "" {
			s.profile, _ = usage.TradeProfile(word(w, 7), "medium")
		}
		r := usage.Rate{PerDay: perDay, Basis: usage.Measured, Window: 365, Readings: 24, To: time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)}
		r.From = r.To.AddDate(-1, 0, 0)
		if spread > 0 {
			r.Sigma, r.T, r.Kappa = spread, 1.3, 0.05
		}
		if word(w, 6) == "assumed" {
			r.Basis, r.Grade, r.Readings = usage.Planned, usage.Default, 1
		}
		s.rates[Unit(word(w, 1))] = r
	case "read":
		p := usage.Point{At: s.at(w[1:])}
		for _, t := range totals(w) {
			p.Total = t.Value
			for g := usage.Read; g <= usage.Default; g++ {
				if w[len(w)-1] == g.String() {
					p.Grade = g
				}
			}
			s.drive(t.Unit, p)
		}
	case "done":
		if !s.check(&out) {
			return out
		}
		var o Outcome
		s.a, o = Complete(s.a, &s.site, s.at(w[1:]), totals(w))
		if o != Counted {
			out = append(out, string(o))
		}
	case "found":
		at := s.at(w[1:])
		i := strings.Index(line, word(w, 2))
		if len(w) < 4 || i < 0 {
			return bad()
		}
		s.a.Crossings = append(s.a.Crossings, Crossing{Check: w[2], At: at, Says: strings.TrimSpace(line[i+len(w[2]):])})
	case "park", "unpark":
		s.a.Parked = w[0] == "park"
	case "skip":
		if !s.check(&out) {
			return out
		}
		a, err := Skip(s.a, &s.site, date(word(w, 3)), s.at(w[1:]))
		if err != nil {
			return []string{"refused: " + err.Error()}
		}
		s.a = a
	case "instead":
		if !s.check(&out) {
			return out
		}
		i := slices.Index(w, "until")
		if i < 0 || len(w) < i+2 {
			return bad()
		}
		o, err := s.schedule.Override([]Trigger{s.trigger(append([]string{"every"}, w[1:i]...))}, date(w[i+1]), strings.Join(w[i+2:], " "))
		if err != nil {
			return []string{"refused: " + err.Error()}
		}
		s.a.Override = o
	case "on":
		if !s.check(&out) {
			return out
		}
		s.now = s.at(w[1:])
		e := Explain(&s.a, &s.site, s.now)
		out = append(out, e.State.String()+": "+e.Says)
		if e.Due != 0 {
			out = append(out, fmt.Sprintf("due %s, window %s to %s", e.Due, e.Earliest, e.Latest))
		}
		if !e.NextCheckAt.IsZero() {
			out = append(out, "look again "+e.NextCheckAt.Format("2006-01-02 15:04"))
		}
	case "ahead":
		if !s.check(&out) {
			return out
		}
		for _, o := range Ahead(s.a, &s.site, s.at(w[1:]), date(word(w, 3))) {
			out = append(out, o.Due.String())
		}
		out = []string{strings.Join(out, " ")}
	default:
		return bad()
	}
	return out
}

// check makes the schedule once the plan is told.
func (s *teller) check(out *[]string) bool {
	if s.schedule == nil {
		schedule, err := New(s.plan)
		if err != nil {
			*out = []string{"refused: " + err.Error()}
			return false
		}
		s.schedule, s.a.Schedule = schedule, schedule
	}
	return true
}

func (s *teller) trigger(w []string) Trigger {
	text := strings.Join(w, " ")
	switch {
	case text == "each operating day":
		return EachOperatingDay{}
	case word(w, 0) == "every" && len(w) == 3 && w[2] != "":
		amount, err := strconv.ParseFloat(w[1], 64)
		if err != nil {
			return nil
		}
		return AfterUse{Unit(w[2]), amount}
	case word(w, 0) == "every":
		p, _ := calendar.ParsePeriod(word(w, 1), "every")
		return Every{Period: p, From: date(word(w, 3))}
	case word(w, 0) == "once":
		season, _ := calendar.ParseSeason(word(w, 1), "season")
		return OncePerSeason{season}
	case word(w, 0) == "on":
		return OnDates{Rule: word(w, 1), From: date(word(w, 3))}
	case word(w, 0) == "check":
		return OnCrossing{word(w, 1)}
	}
	return nil
}

// laid keeps the tables of days that were laid out, by site and profile.
var laid = map[string]*usage.Calendar{}

func (s *teller) drive(u Unit, p usage.Point) {
	key := fmt.Sprint(s.site.Zone, s.site.Turns, s.profile.Month)
	c := laid[key]
	if c == nil {
		var err error
		from, to := time.Date(2024, 1, 1, 0, 0, 0, 0, time.UTC), time.Date(2030, 1, 1, 0, 0, 0, 0, time.UTC)
		if c, err = usage.NewCalendar(s.profile, usage.Place{Zone: s.site.Zone, Turns: s.site.Turns}, from, to); err != nil {
			return
		}
		laid[key] = c
	}
	r := s.rates[u]
	d := Driver{Unit: u, Last: p, Outlook: r.Outlook(c, p)}
	s.a.Drivers = append(slices.DeleteFunc(s.a.Drivers, func(o Driver) bool { return o.Unit == u }), d)
}

// at reads "2026-03-05", at noon, or with a time of day.
func (s *teller) at(w []string) time.Time {
	d := date(word(w, 0))
	c, ok := clock(word(w, 1))
	if !ok {
		c = 12 * time.Hour
	}
	return calendar.Local(d, c, s.site.Zone)
}

func totals(w []string) (out []Total) {
	for i := range len(w) - 1 {
		if v, err := strconv.ParseFloat(w[i+1], 64); err == nil && (w[i] == string(Vehicles) || w[i] == string(RunHours) || w[i] == string(Cycles)) {
			out = append(out, Total{Unit: Unit(w[i]), Value: v})
		}
	}
	return out
}

func word(w []string, i int) string {
	if i < len(w) {
		return w[i]
	}
	return ""
}

func date(s string) calendar.Date {
	d, _ := calendar.ParseDate(s, "")
	return d
}

func clock(s string) (time.Duration, bool) {
	t, err := time.Parse("15:04", s)
	return time.Duration(t.Hour())*time.Hour + time.Duration(t.Minute())*time.Minute, err == nil
}

func tolerance(s string) Tolerance {
	if p, ok := strings.CutSuffix(s, "%"); ok {
		v, _ := strconv.ParseFloat(p, 64)
		return Tolerance{Percent: v}
	}
	n, _ := strconv.Atoi(strings.TrimSuffix(s, "d"))
	return Tolerance{Days: n}
}

func TestScenarios(t *testing.T) {
	files, err := filepath.Glob("testdata/*.txt")
	if err != nil || len(files) == 0 {
		t.Fatal("no scenarios", err)
	}
	for _, name := range files {
		t.Run(strings.TrimSuffix(filepath.Base(name), ".txt"), func(t *testing.T) {
			text, err := os.ReadFile(name)
			if err != nil {
				t.Fatal(err)
			}
			got := tell(string(text))
			if *update {
				if err := os.WriteFile(name, []byte(got), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			if got != string(text) {
				want := strings.Split(string(text), "\n")
				for i, line := range strings.Split(got, "\n") {
					if i >= len(want) || line != want[i] {
						t.Fatalf("%s:%d\n got %s\nwant %s", name, i+1, line, word(want, i))
					}
				}
				t.Fatalf("%s is longer than what is told", name)
			}
		})
	}
}

func scenarios(t testing.TB, name string) string {
	text, err := os.ReadFile("testdata/" + name + ".txt")
	if err != nil {
		t.Fatal(err)
	}
	return string(text)
}

// tell carries out a text and writes it with its answers.
func tell(text string) string {
	var s teller
	var out strings.Builder
	lines := bufio.NewScanner(strings.NewReader(text))
	for lines.Scan() {
		line := lines.Text()
		if strings.HasPrefix(line, "  ") {
			continue // an answer
		}
		out.WriteString(line + "\n")
		if strings.HasPrefix(line, "#") {
			continue
		}
		for _, answer := range s.say(line) {
			out.WriteString("  " + answer + "\n")
		}
	}
	return out.String()
}
