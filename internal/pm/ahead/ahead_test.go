package ahead

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"spindlebook/internal/calendar"
	"spindlebook/internal/fault"
	"spindlebook/internal/pm/due"
)

var site = &due.Site{Place: place}

var today = site.Day(now)

func made(t interface{ Fatal(...any) }, p due.Plan) *due.Schedule {
	s, err := due.New(p)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// every is floating work of so many days with a window of as many days late.
func every(t interface{ Fatal(...any) }, n, late int) *due.Schedule {
	return made(t, due.Plan{Triggers: []due.Trigger{due.Every{Period: calendar.Period{Days: n}}}, Basis: due.Floating, Criticality: due.B, Late: due.Tolerance{Days: late}})
}

// done is an assignment that was done so many days ago.
func done(s *due.Schedule, ago int) due.Assignment {
	at := now.AddDate(0, 0, -ago)
	return due.Assignment{Schedule: s, Since: at, Mark: &due.Mark{At: at, Done: true}}
}

func programme(t interface{ Fatal(...any) }, kinds ...Kind) *Programme {
	p, err := New(kinds)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// expected tells what is planned ("3 on day 30") and what is covered.
func expected(p *Programme, works []Work, days int) (planned, covered []string) {
	p.Each(works, site, now, today+calendar.Date(days), func(e *Expected) {
		s := fmt.Sprintf("%s on day %d", p.kinds[e.Work.Kind].Name, e.Done-today)
		if e.Covered {
			covered = append(covered, s)
		} else {
			planned = append(planned, s)
		}
	})
	return planned, covered
}

func TestFaultsNameTheirField(t *testing.T) {
	once := made(t, due.Plan{Triggers: []due.Trigger{due.Every{Period: calendar.Period{Days: 7}}}, Basis: due.OneOff, Criticality: due.B})
	for field, kinds := range map[string][]Kind{
		"kinds[0].minutes":          {{Minutes: -1}},
		"kinds[1].minutes":          {{}, {Minutes: math.NaN()}},
		"kinds[0].covers[1]":        {{Covers: []int{1, 2}}, {}},
		"kinds[0].then[0].kind":     {{Then: []Then{{1, once}}}},
		"kinds[0].then[0].schedule": {{Then: []Then{{0, every(t, 7, 0)}}}},
		"kinds[1].covers":           {{}, {Name: "oil", Covers: []int{2}}, {Covers: []int{1}}},
		"kinds[0].covers":           {{Covers: []int{0}}},
	} {
		_, err := New(kinds)
		if f, ok := errors.AsType[*fault.Error](err); !ok || f.Field != field || f.Msg == "" {
			t.Errorf("%s: %v", field, err)
		}
	}
	if _, err := New([]Kind{{Then: []Then{{0, once}}}}); err != nil {
		t.Errorf("work that gives rise to itself is asked for again each time: %v", err)
	}
}

// The annual service answers the monthly inspection, and that the weekly look: so
// the service answers the look too.
func TestCoverageIsTransitive(t *testing.T) {
	p := programme(t, Kind{Name: "look"}, Kind{Name: "inspection", Covers: []int{0}}, Kind{Name: "service", Covers: []int{1}})
	works := []Work{{Assignment: done(every(t, 7, 2), 5), Kind: 0, Places: []int{0}}, {Assignment: done(every(t, 365, 0), 362), Kind: 2, Places: []int{0}}}
	planned, covered := expected(p, works, 10)
	if want := []string{"service on day 3", "look on day 10"}; !slices.Equal(planned, want) {
		t.Errorf("planned %v", planned)
	}
	if want := []string{"look on day 3"}; !slices.Equal(covered, want) {
		t.Errorf("covered %v", covered)
	}
}

// A look at a line is answered only on a day on which every position is looked
// at, whatever the jobs are.
func TestALineWideLookNeedsEveryPosition(t *testing.T) {
	p := programme(t, Kind{Name: "look"}, Kind{Name: "inspection", Covers: []int{0}}, Kind{Name: "foam set", Covers: []int{0}})
	works := []Work{{Assignment: done(every(t, 7, 3), 5), Kind: 0, Places: []int{0, 1, 2}}}
	for place := range 3 {
		works = append(works, Work{Assignment: done(every(t, 30, 0), 26), Kind: 1, Places: []int{place}})
	}
	if planned, covered := expected(p, works, 5); len(planned) != 3 || !slices.Equal(covered, []string{"look on day 4"}) {
		t.Errorf("planned %v, covered %v", planned, covered)
	}
	works[3].Kind = 2 // a foam set at the last position, on the same day
	if _, covered := expected(p, works, 5); !slices.Equal(covered, []string{"look on day 4"}) {
		t.Errorf("covered %v", covered)
	}
	works[3].Assignment = done(every(t, 30, 0), 27) // a day earlier
	if planned, covered := expected(p, works, 5); len(planned) != 4 || len(covered) != 0 {
		t.Errorf("planned %v, covered %v", planned, covered)
	}
}

// Where the larger work falls due by the end of the smaller one's late window only
// the larger is planned; where it moves away, the smaller comes back by itself.
// Coverage never runs backwards.
func TestOnlyTheLargerIsPlanned(t *testing.T) {
	p := programme(t, Kind{Name: "monthly"}, Kind{Name: "annual", Covers: []int{0}})
	for ago, want := range map[int][]string{
		358: {"annual on day 7"},                     // on the last day of the window of day 5 and 2 later
		357: {"annual on day 8", "monthly on day 5"}, // a day beyond
		364: {"annual on day 1"},                     // before the window of the monthly opens: it counts on from there
	} {
		works := []Work{{Assignment: done(every(t, 30, 2), 25), Kind: 0, Places: []int{0}}, {Assignment: done(every(t, 365, 2), ago), Kind: 1, Places: []int{0}}}
		if planned, _ := expected(p, works, 30); !slices.Equal(planned, want) {
			t.Errorf("%d days ago: %v", ago, planned)
		}
	}
	// Safety work waits for nothing.
	s := made(t, due.Plan{Triggers: []due.Trigger{due.Every{Period: calendar.Period{Days: 30}}}, Basis: due.Floating, Criticality: due.S})
	works := []Work{{Assignment: done(s, 25), Kind: 0, Places: []int{0}}, {Assignment: done(every(t, 365, 2), 359), Kind: 1, Places: []int{0}}}
	if planned, covered := expected(p, works, 10); len(planned) != 2 || len(covered) != 0 {
		t.Errorf("planned %v, covered %v", planned, covered)
	}
}

// A foam set asks for its bolts to be turned a week later, each time. Where the
// follow-up comes before the job by what covers what, it is expected all the same.
func TestJobsGiveRiseToOthers(t *testing.T) {
	once := made(t, due.Plan{Triggers: []due.Trigger{due.Every{Period: calendar.Period{Days: 7}}}, Basis: due.OneOff, Criticality: due.B})
	for _, back := range []bool{false, true} {
		kinds := []Kind{{Name: "bolts"}, {Name: "foam", Then: []Then{{0, once}}}}
		if back { // the bolts' check answers a foam set: nonsense, but nothing loops
			kinds[0].Covers = []int{1}
		}
		works := []Work{{Assignment: done(every(t, 20, 0), 15), Kind: 1, Places: []int{0}}}
		planned, _ := expected(programme(t, kinds...), works, 40)
		slices.Sort(planned)
		if want := []string{"bolts on day 12", "bolts on day 32", "foam on day 25", "foam on day 5"}; !slices.Equal(planned, want) {
			t.Errorf("%v: %v", back, planned)
		}
	}
}

// What nobody can tell a day for is counted, not hidden.
func TestUndatedWorkIsCounted(t *testing.T) {
	p := programme(t, Kind{Minutes: 60, Crew: []string{"T1"}})
	works := []Work{{Assignment: due.Assignment{Schedule: every(t, 30, 0), Since: now}, Places: []int{0}}, {Assignment: done(every(t, 30, 0), 1), Places: []int{0}}, {Assignment: done(every(t, 3000, 0), 1), Places: []int{0}}}
	if w := p.Weeks(works, site, now, today+100); w.Undated != 1 || w.Total().Jobs != 3 {
		t.Errorf("%d without a day, %d jobs", w.Undated, w.Total().Jobs)
	}
}

// A week holds the jobs, their hours, those of each person and of the line, by
// criticality and skill.
func TestWeeksSumTheirWork(t *testing.T) {
	p := programme(t, Kind{Minutes: 90, Crew: []string{"T2", "T1"}, LineDown: true}, Kind{Minutes: 30, Crew: []string{"T1"}}, Kind{Minutes: 10, Crew: []string{"OP"}, Covers: []int{1}})
	if got := p.Skills(); !slices.Equal(got, []string{"OP", "T1", "T2"}) {
		t.Fatalf("skills %v", got)
	}
	s := made(t, due.Plan{Triggers: []due.Trigger{due.Every{Period: calendar.Period{Days: 100}}}, Basis: due.Floating, Criticality: due.S})
	works := []Work{
		{Assignment: done(s, 140), Places: []int{0}},                       // late: today, Thursday
		{Assignment: done(every(t, 9, 0), 8), Kind: 1, Places: []int{1}},   // on Friday, and 9 days on
		{Assignment: done(every(t, 10, 0), 11), Kind: 2, Places: []int{2}}, // late too, and 10 days on
		{Assignment: done(every(t, 30, 0), 25), Kind: 2, Places: []int{1}}, // on Tuesday, and answers what is at place 1
	}
	w := p.Weeks(works, site, now, today+10)
	monday := calendar.On(2025, 12, 29)
	want := []Week{
		{Monday: monday, Load: Load{3, 1.5 + .5 + 1./6, 3 + .5 + 1./6, 1.5}, Of: [4]Load{{1, 1.5, 3, 1.5}, {}, {2, .5 + 1./6, .5 + 1./6, 0}, {}}, Skills: []float64{1. / 6, 2, 1.5}},
		{Monday: monday + 7, Load: Load{2, 2. / 6, 2. / 6, 0}, Of: [4]Load{{}, {}, {2, 2. / 6, 2. / 6, 0}, {}}, Skills: []float64{2. / 6, 0, 0}, Covered: 1},
	}
	if len(w.Weeks) != 2 {
		t.Fatalf("%d weeks", len(w.Weeks))
	}
	for i := range w.Weeks {
		near(t, fmt.Sprint("week ", i), w.Weeks[i], want[i])
	}
	sum := w.Total()
	if sum.Jobs != 5 || sum.Covered != 1 || sum.Monday != monday || math.Abs(sum.PersonHours-(sum.Skills[0]+sum.Skills[1]+sum.Skills[2])) > 1e-9 {
		t.Errorf("total %+v", sum)
	}
}

func near(t interface{ Errorf(string, ...any) }, what string, got, want Week) {
	flat := func(w Week) (all []float64) {
		all = append(all, float64(w.Monday), float64(w.Covered))
		for _, l := range append(w.Of[:], w.Load) {
			all = append(all, float64(l.Jobs), l.Hours, l.PersonHours, l.DownHours)
		}
		return append(all, w.Skills...)
	}
	g, x := flat(got), flat(want)
	for i := range x {
		if len(g) != len(x) || math.Abs(g[i]-x[i]) > 1e-6 {
			t.Errorf("%s: %+v, not %+v", what, got, want)
			return
		}
	}
}

// A draft is seen beside what holds, and changes nothing.
func TestWhatIf(t *testing.T) {
	p := programme(t, Kind{Minutes: 60, Crew: []string{"T1"}})
	old := every(t, 30, 0)
	works := []Work{{Assignment: done(old, 0), Plan: 7, Places: []int{0}}, {Assignment: done(old, 0), Plan: 8, Places: []int{1}}}
	today, then := p.WhatIf(works, site, now, today+300, 7, every(t, 100, 0))
	if a, b := today.Total().Jobs, then.Total().Jobs; a != 20 || b != 13 || works[0].Schedule != old {
		t.Errorf("%d jobs, under the draft %d", a, b)
	}
}

// some draws a site whose kinds cover only kinds before them.
func some(t *rapid.T) (*Programme, []Work) {
	kinds := make([]Kind, rapid.IntRange(1, 6).Draw(t, "kinds"))
	for i := range kinds {
		kinds[i] = Kind{Name: fmt.Sprint(i), Minutes: float64(10 * (i + 1)), Crew: []string{"T1", "T2"}[:1+i%2], LineDown: i%3 == 0}
		for c := range i {
			if rapid.Bool().Draw(t, "covers") {
				kinds[i].Covers = append(kinds[i].Covers, c)
			}
		}
		if rapid.IntRange(0, 3).Draw(t, "gives rise") == 0 {
			kinds[i].Then = []Then{{rapid.IntRange(0, len(kinds)-1).Draw(t, "to"), made(t, due.Plan{Triggers: []due.Trigger{due.Every{Period: calendar.Period{Days: 30}}}, Basis: due.OneOff, Criticality: due.B})}}
		}
	}
	drivers := []due.Driver{driver(due.Vehicles, 104000)}
	works := make([]Work, rapid.IntRange(0, 12).Draw(t, "works"))
	for i := range works {
		plan := due.Plan{Triggers: []due.Trigger{due.Every{Period: calendar.Period{Days: rapid.IntRange(5, 400).Draw(t, "days")}}}, Basis: rapid.SampledFrom([]due.Basis{due.Floating, due.Fixed}).Draw(t, "basis"), Criticality: due.B}
		if rapid.Bool().Draw(t, "used") {
			plan.Triggers = append(plan.Triggers, due.AfterUse{Unit: due.Vehicles, Amount: float64(rapid.IntRange(3000, 90000).Draw(t, "vehicles"))})
		}
		plan.Late.Days = rapid.IntRange(0, 4).Draw(t, "late")
		a := done(made(t, plan), rapid.IntRange(0, 300).Draw(t, "ago"))
		a.Drivers = drivers
		a.Mark.Totals = []due.Total{{Unit: due.Vehicles, Value: drivers[0].Last.Total - 284*today.UTC().Sub(a.Mark.At).Hours()/24}}
		works[i] = Work{Assignment: a, Kind: rapid.IntRange(0, len(kinds)-1).Draw(t, "kind"), Places: span(0, rapid.IntRange(1, 3).Draw(t, "places"))}
		if rapid.Bool().Draw(t, "one") {
			works[i].Places = works[i].Places[len(works[i].Places)-1:]
		}
	}
	return programme(t, kinds...), works
}

// What is covered has larger work that is planned on that day at each of its
// places, and what is planned has none by the end of its window, since it was
// done before.
func TestCoveredMeansSomebodyIsThere(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p, works := some(t)
		type spot struct {
			kind, place int
			day         calendar.Date
		}
		there, order := map[spot]bool{}, []Expected{}
		p.Each(works, site, now, today+400, func(e *Expected) {
			order = append(order, *e)
			for _, place := range e.Work.Places {
				there[spot{e.Work.Kind, place, e.Done}] = there[spot{e.Work.Kind, place, e.Done}] || !e.Covered
			}
		})
		answered := func(e *Expected, d calendar.Date) bool {
			for _, place := range e.Work.Places {
				if !slices.ContainsFunc(p.larger[e.Work.Kind], func(k int) bool { return there[spot{k, place, d}] }) {
					return false
				}
			}
			return true
		}
		ring := slices.ContainsFunc(p.kinds, func(k Kind) bool { return len(k.Then) > 0 })
		last := map[*Work]calendar.Date{}
		for _, e := range order {
			from := today
			if d, ok := last[e.Work]; ok {
				from = d + 1
			} else if e.Born {
				from = site.Day(e.Work.Since) + 1
			}
			last[e.Work] = e.Done
			if e.Covered {
				if !answered(&e, e.Done) {
					t.Fatalf("%s is covered on %s by nobody", p.kinds[e.Work.Kind].Name, e.Done)
				}
				continue
			}
			if e.Work.Schedule.Plan().Basis == due.Fixed {
				from = max(from, e.Earliest)
			}
			for d := from; !ring && d <= max(e.Latest, e.Done); d++ {
				if answered(&e, d) {
					t.Fatalf("%s is planned on %s although larger work comes on %s", p.kinds[e.Work.Kind].Name, e.Done, d)
				}
			}
		}
	})
}

// Without covers all is what each assignment expects by itself; with them there
// is never more to do at floating work; the order of the work does not matter; and
// two sites together are their sum.
func TestTheSumsHold(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p, works := some(t)
		until := today + calendar.Date(rapid.IntRange(0, 732).Draw(t, "until"))
		w := p.Weeks(works, site, now, until)
		bare := slices.Clone(p.kinds)
		for i := range bare {
			bare[i].Covers, bare[i].Then = nil, nil
		}
		alone, jobs := programme(t, bare...).Weeks(works, site, now, until), 0
		for _, x := range works {
			for _, o := range due.Ahead(x.Assignment, site, now, until) {
				if o.Done <= alone.Weeks[len(alone.Weeks)-1].Monday+6 {
					jobs++
				}
			}
		}
		if got := alone.Total().Jobs; got != jobs {
			t.Fatalf("%d jobs, each by itself %d", got, jobs)
		}
		floats := !slices.ContainsFunc(works, func(x Work) bool { return x.Schedule.Plan().Basis == due.Fixed })
		born := slices.ContainsFunc(p.kinds, func(k Kind) bool { return len(k.Then) > 0 })
		if got := w.Total().Jobs; floats && !born && got > jobs {
			t.Fatalf("larger work makes %d jobs of %d", got, jobs)
		}
		mixed := slices.Clone(works)
		rand.New(rand.NewPCG(1, 2)).Shuffle(len(mixed), func(i, j int) { mixed[i], mixed[j] = mixed[j], mixed[i] })
		again := p.Weeks(mixed, site, now, until)
		both := p.Weeks(nil, site, now, until)
		both.Add(w)
		both.Add(again)
		for i := range w.Weeks {
			near(t, "in another order", again.Weeks[i], w.Weeks[i])
			double := w.Weeks[i]
			double.Skills = slices.Clone(double.Skills)
			double.join(&again.Weeks[i])
			near(t, "two sites", both.Weeks[i], double)
		}
		if both.Undated != 2*w.Undated {
			t.Fatalf("%d without a day, of %d twice", both.Undated, w.Undated)
		}
	})
}

// A look ahead leaves what it was given alone.
func TestNothingIsChanged(t *testing.T) {
	p, works, _ := reference(t)
	before := slices.Clone(works)
	marks := make([]due.Mark, len(works))
	for i := range works {
		marks[i] = *works[i].Mark
		marks[i].Totals = slices.Clone(works[i].Mark.Totals)
	}
	p.Weeks(works, site, now, today+due.Horizon)
	for i := range works {
		if !reflect.DeepEqual(*works[i].Mark, marks[i]) || works[i].Mark != before[i].Mark {
			t.Fatalf("work %d was changed", i)
		}
	}
}

// BenchmarkWeeks looks two years ahead for 500 sites of about 200 assignments
// each, site by site.
func BenchmarkWeeks(b *testing.B) {
	p, works, _ := reference(b)
	for i := range 200 - len(works) { // a second line of it
		w := works[i]
		w.Places = slices.Clone(w.Places)
		for k := range w.Places {
			w.Places[k] += 32
		}
		works = append(works, w)
	}
	b.ReportAllocs()
	var jobs int
	for b.Loop() {
		sum := p.Weeks(nil, site, now, today+due.Horizon)
		for range 500 {
			sum.Add(p.Weeks(works, site, now, today+due.Horizon))
		}
		jobs = sum.Total().Jobs
	}
	b.ReportMetric(float64(jobs), "jobs")
	b.ReportMetric(float64(b.Elapsed().Milliseconds())/float64(b.N)/float64(500*len(works))*1e5, "ms/100k")
}
