package due

import (
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"spindlebook/internal/calendar"
	"spindlebook/internal/fault"
	"spindlebook/internal/usage"
)

func made(t testing.TB, p Plan) *Schedule {
	t.Helper()
	s, err := New(p)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func days(n int) Every { return Every{Period: calendar.Period{Days: n}} }

// Each fault names its field; several are told at once.
func TestFaultsNameTheirField(t *testing.T) {
	good := Plan{Triggers: []Trigger{days(30)}, Basis: Floating, Criticality: B}
	for field, spoil := range map[string]func(*Plan){
		"basis":              func(p *Plan) { p.Basis = "sometimes" },
		"criticality":        func(p *Plan) { p.Criticality = "D" },
		"triggers":           func(p *Plan) { p.Triggers = nil },
		"triggers[0].every":  func(p *Plan) { p.Triggers[0] = nil },
		"triggers[1].amount": func(p *Plan) { p.Triggers = append(p.Triggers, AfterUse{Vehicles, math.NaN()}) },
		"triggers[1].unit":   func(p *Plan) { p.Triggers = append(p.Triggers, AfterUse{Days, 3}) },
		"triggers[1].check":  func(p *Plan) { p.Triggers = append(p.Triggers, OnCrossing{}) },
		"triggers[1].season": func(p *Plan) { p.Triggers = append(p.Triggers, OncePerSeason{}) },
		"early.days":         func(p *Plan) { p.Early = Tolerance{Days: -1} },
		"late.percent":       func(p *Plan) { p.Late = Tolerance{Percent: math.NaN()} },
		"late":               func(p *Plan) { p.Late = Tolerance{Days: 1, Percent: 1} },
		"early":              func(p *Plan) { p.Early, p.Late = Tolerance{Percent: 50}, Tolerance{Percent: 50} },
	} {
		p := good
		p.Triggers = []Trigger{days(30)}
		spoil(&p)
		_, err := New(p)
		f, ok := errors.AsType[*fault.Error](err)
		if !ok || f.Kind != fault.Invalid || f.Field != field || f.Msg == "" {
			t.Errorf("%s: %v", field, err)
		}
	}
	many := good
	many.Triggers = nil
	for range mostTriggers + 1 {
		many.Triggers = append(many.Triggers, OnCrossing{"CK-1"})
	}
	if _, err := New(many); err == nil || !strings.Contains(err.Error(), "at most 8") {
		t.Error(err)
	}
	_, err := New(Plan{Basis: "x", Criticality: "S", Early: Tolerance{Days: -1}, Triggers: []Trigger{days(0)}})
	if f, ok := errors.AsType[*fault.Error](err); !ok || len(f.Parts) != 3 {
		t.Errorf("three faults are told as %v", err)
	}
}

func TestAScheduleNeverChanges(t *testing.T) {
	p := Plan{Triggers: []Trigger{days(30)}, Basis: Floating, Criticality: B}
	s := made(t, p)
	p.Triggers[0] = days(1)
	s.Plan().Triggers[0] = days(2)
	if got := s.Plan().Triggers[0]; got != days(30) {
		t.Errorf("the schedule became %v", got)
	}
	if !s.Backstop() || made(t, Plan{Triggers: []Trigger{AfterUse{RunHours, 100}}, Basis: Floating, Criticality: B}).Backstop() {
		t.Error("only a trigger by the calendar is a backstop")
	}
}

func TestOverridesReplaceIntervals(t *testing.T) {
	until := calendar.On(2026, 6, 30)
	grid := made(t, Plan{Triggers: []Trigger{Every{calendar.Period{Months: 1}, calendar.On(2026, 1, 31)}, AfterUse{Vehicles, 8000}}, Basis: Fixed, Criticality: S})
	o, err := grid.Override([]Trigger{days(14), AfterUse{Vehicles, 4000}}, until, "worn")
	if err != nil {
		t.Fatal(err)
	}
	if got := o.schedule.Plan().Triggers; got[0] != (Every{calendar.Period{Days: 14}, calendar.On(2026, 1, 31)}) || got[1] != (AfterUse{Vehicles, 4000}) {
		t.Errorf("the grid is lost: %v", got)
	}
	for name, c := range map[string]struct {
		with  []Trigger
		field string
	}{
		"nothing":               {nil, "triggers"},
		"no trigger":            {[]Trigger{nil}, "triggers[0]"},
		"more use":              {[]Trigger{AfterUse{Vehicles, 8001}}, "triggers[0].amount"},
		"an interval of nought": {[]Trigger{days(0)}, "triggers[0].every"},
	} {
		_, err := grid.Override(c.with, until, "worn")
		if f, ok := errors.AsType[*fault.Error](err); !ok || f.Field != c.field {
			t.Errorf("%s: %v", name, err)
		}
	}
	wide := made(t, Plan{Triggers: []Trigger{days(30), AfterUse{Vehicles, 8000}}, Basis: Floating, Criticality: B, Early: Tolerance{Days: 5}, Late: Tolerance{Days: 2}})
	_, err = wide.Override([]Trigger{AfterUse{Vehicles, 4000}, days(7)}, until, "worn")
	if f, ok := errors.AsType[*fault.Error](err); !ok || f.Field != "triggers[1]" || !strings.Contains(f.Msg, "must be longer than the window of the plan: 5 days early and 2 late") {
		t.Errorf("as long as the window: %v", err)
	}
	check := made(t, Plan{Triggers: []Trigger{OnCrossing{"CK-1"}}, Basis: Floating, Criticality: B})
	if _, err := check.Override([]Trigger{OnCrossing{"CK-1"}}, until, "worn"); err == nil {
		t.Error("a check has no interval")
	}
}

// A site whose doors stay shut has no operating day.
func TestASiteThatNeverWorks(t *testing.T) {
	site := &Site{Place: place, Closed: func(calendar.Date) bool { return true }}
	a := Assignment{Schedule: made(t, Plan{Triggers: []Trigger{EachOperatingDay{}}, Basis: Fixed, Criticality: B}), Since: first}
	if r := Judge(&a, site, first); r.Due != 0 || r.State != NotDue {
		t.Errorf("%+v", r)
	}
	if all := Ahead(a, site, first, site.Day(first)+30); len(all) != 0 {
		t.Errorf("expected: %v", all)
	}
}

// Blackouts move the plan, not the due day; a window without an allowed hour is a
// conflict.
func TestRoomInTheWindow(t *testing.T) {
	site := &Site{Place: place}
	a := Assignment{Schedule: made(t, Plan{Triggers: []Trigger{days(30)}, Basis: Floating, Criticality: B, Early: Tolerance{Days: 3}, Late: Tolerance{Days: 2}}),
		Since: first, Mark: &Mark{At: first, Done: true}}
	now := first.AddDate(0, 0, 5)
	r := Judge(&a, site, now) // due on Wednesday 4 February, from Sunday to Friday
	var tuesdays calendar.Hours
	tuesdays.Weekly = []calendar.Weekly{{Day: time.Tuesday, Starts: 19 * time.Hour, Length: 12 * time.Hour}}
	if got := r.Room(site, tuesdays, 4*time.Hour, now); len(got) != 1 || got[0].String() != "2026-02-03" {
		t.Errorf("room on %v", got)
	}
	tuesdays.Barred = []calendar.Span{{From: site.Start(calendar.On(2026, 2, 1)), To: site.Start(calendar.On(2026, 2, 8))}}
	if got := r.Room(site, tuesdays, 4*time.Hour, now); got != nil || r.Due.String() != "2026-02-04" {
		t.Errorf("in the blackout room on %v, due %s", got, r.Due)
	}
	if got := r.Room(site, calendar.Hours{Weekly: tuesdays.Weekly}, time.Hour, first.AddDate(0, 0, 30)); got != nil {
		t.Errorf("after its day: %v", got)
	}
	if got := (Answer{}).Room(site, tuesdays, time.Hour, now); got != nil {
		t.Errorf("with no due day: %v", got)
	}
}

// What a bar shows: how far each interval has run.
func TestPartsOfAnExplanation(t *testing.T) {
	last := usage.Point{At: first.AddDate(0, 0, 9), Total: 90}
	rate := usage.Rate{PerDay: 10, Basis: usage.Measured, Readings: 20}
	a := Assignment{Schedule: made(t, Plan{Triggers: []Trigger{days(30), AfterUse{Vehicles, 200}}, Basis: Floating, Criticality: B}), Since: first,
		Mark: &Mark{At: first, Done: true, Totals: []Total{{Unit: Vehicles}}}, Drivers: []Driver{{Vehicles, last, rate.Outlook(tables[0], last)}}}
	e := Explain(&a, &Site{Place: place}, first.AddDate(0, 0, 12))
	if len(e.Parts) != 2 || e.Governs != 1 || e.Due.String() != "2026-01-25" || e.Grade != usage.Extrapolated {
		t.Fatalf("%+v", e)
	}
	if p := e.Parts[0]; p.Unit != Days || p.Used != 12 || p.Of != 30 || p.Left() != 18 || p.Trigger != "every 30 days" {
		t.Errorf("by the calendar: %+v", p)
	}
	if p := e.Parts[1]; p.Unit != Vehicles || p.Used != 90 || p.Of != 200 || p.Left() != 110 || p.Trigger != "every 200 vehicles" {
		t.Errorf("by use: %+v", p)
	}
}

// A draft of the plan beside the one in force.
func TestADraftIsLookedAtAhead(t *testing.T) {
	site := &Site{Place: place}
	a := Assignment{Schedule: made(t, Plan{Triggers: []Trigger{days(30)}, Basis: Floating, Criticality: B}), Since: first, Mark: &Mark{At: first, Done: true}}
	until := site.Day(first) + 365
	today := Ahead(a, site, first, until)
	a.Schedule = made(t, Plan{Triggers: []Trigger{days(45)}, Basis: Floating, Criticality: B})
	draft := Ahead(a, site, first, until)
	if len(today) != 12 || len(draft) != 8 {
		t.Errorf("%d times a year, and %d by the draft", len(today), len(draft))
	}
	if far := Ahead(a, site, first, until+100000); far[len(far)-1].Due > site.Day(first)+Horizon {
		t.Errorf("looks as far as %s", far[len(far)-1].Due)
	}
}

// Use that is steady comes at steady times, and the busy months bring it sooner.
func TestUseAheadFollowsTheSeason(t *testing.T) {
	site := &Site{Place: place}
	gaps := func(profile int) (least, most calendar.Date) {
		last := usage.Point{At: first}
		rate := usage.Rate{PerDay: 285, Basis: usage.Measured, Readings: 20}
		a := Assignment{Schedule: made(t, Plan{Triggers: []Trigger{AfterUse{Vehicles, 8000}}, Basis: Floating, Criticality: B}), Since: first,
			Mark: &Mark{At: first, Done: true, Totals: []Total{{Unit: Vehicles}}}, Drivers: []Driver{{Vehicles, last, rate.Outlook(tables[profile], last)}}}
		all := Ahead(a, site, first, site.Day(first)+365)
		if n := len(all); n < 12 || n > 14 { // 104,000 vehicles a year
			t.Fatalf("%d a year", n)
		}
		least = 1000
		for i := 1; i < len(all); i++ {
			gap := all[i].Due - all[i-1].Due
			least, most = min(least, gap), max(most, gap)
		}
		return least, most
	}
	if least, most := gaps(0); least < 28 || most > 29 {
		t.Errorf("steady use falls due every %d to %d days", least, most)
	}
	if least, most := gaps(1); least > 22 || most < 38 {
		t.Errorf("in a snow belt every %d to %d days", least, most)
	}
}

// In words, and the figures that people read.
func TestWords(t *testing.T) {
	for v, want := range map[float64]string{83600: "83,600", 12.25: "12.2", 7: "7", 1234567.8: "1,234,568", 0: "0", -1500: "-1,500", 999.6: "1,000"} {
		if got := figure(v); got != want {
			t.Errorf("%v reads %s, want %s", v, got, want)
		}
	}
	for _, c := range []struct {
		t    Trigger
		want string
	}{
		{Every{Period: calendar.Period{Months: 1}}, "every month"}, {Every{Period: calendar.Period{Months: 14, Days: 1}}, "every 1 year, 2 months and 1 day"},
		{days(1095), "every 1,095 days"}, {OnCrossing{"CK-1"}, "when check CK-1 crosses its limit"}, {EachOperatingDay{}, "each operating day"},
	} {
		if got := c.t.words(); got != c.want {
			t.Errorf("%q, want %q", got, c.want)
		}
	}
	for s := NotDue; s <= Late; s++ {
		if s.String() == "" {
			t.Error("a state without words")
		}
	}
}

// A counter that stands still, of a parked brush or a unit in stock, has no
// outlook; what it had reached before is said all the same.
func TestACounterThatStandsStillIsExplained(t *testing.T) {
	s := made(t, Plan{Triggers: []Trigger{AfterUse{RunHours, 500}}, Basis: Floating, Criticality: B})
	site := &Site{Place: place}
	held := first.AddDate(0, 0, -20)
	a := Assignment{Schedule: s, Since: first.AddDate(-1, 0, 0), Parked: true, Mark: &Mark{At: first.AddDate(-1, 0, 0), Done: true, Totals: []Total{{Unit: RunHours}}},
		Drivers: []Driver{{Unit: RunHours, Last: usage.Point{At: held, Total: 600}}}}
	e := Explain(&a, site, first)
	if e.State != Late || !strings.Contains(e.Says, "by what it had counted on 16 December 2025") && !strings.Contains(e.Says, "by what it had counted on 16 December") {
		t.Errorf("%s: %s", e.State, e.Says)
	}
	a.Parked, a.Drivers[0].Last.Total = false, 100 // not reached, and nobody knows how it goes on
	if e = Explain(&a, site, first); e.State != Unknown || !strings.Contains(e.Says, "run hours: by what it had counted on 16 December") {
		t.Errorf("%s: %s", e.State, e.Says)
	}
}
