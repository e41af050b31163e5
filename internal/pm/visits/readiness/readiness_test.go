package readiness

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"spindlebook/internal/calendar"
	"spindlebook/internal/fault"
	"spindlebook/internal/pm/due"
	"spindlebook/internal/pm/visits/crew"
)

var (
	today = calendar.On(2026, 5, 11) // a Monday
	visit = calendar.On(2026, 5, 18)
)

func weekdays(d calendar.Date) bool {
	return d.Weekday() != time.Saturday && d.Weekday() != time.Sunday
}

func person(name string, minutes int, skills ...string) crew.Person {
	p := crew.Person{Name: name, Minutes: minutes}
	for _, s := range skills {
		p.Skills = append(p.Skills, crew.Skill{Name: s})
	}
	return p
}

func judged(t testing.TB, v Visit) Answer {
	t.Helper()
	if v.Today == 0 {
		v.Today, v.Day, v.Works = today, visit, weekdays
	}
	for i := range v.Jobs {
		if v.Jobs[i].Criticality == "" {
			v.Jobs[i].Criticality = due.B
		}
	}
	a, err := Judge(v)
	if err != nil {
		t.Fatal(err)
	}
	return a
}

// of makes a need of an amount that plainly any of the items serves.
func of(what string, amount int64, items ...int) Need {
	n := Need{What: what, Amount: amount}
	for _, i := range items {
		n.Candidates = append(n.Candidates, Candidate{Item: i})
	}
	return n
}

// The check before driving out, of our own trade notes: a 208 V site, one gearmotor
// standing in the wrong orientation and two spoken for or turned otherwise, a foam
// set that is short of a section, an electrician from one to three.
func TestTheCheckBeforeDrivingOut(t *testing.T) {
	day := calendar.On(2026, 5, 17)
	turn := func(from string) []Work {
		return []Work{{"turn the gearbox from " + from + " to O3", crew.Hand{Skill: "T2", Minutes: 35}}}
	}
	v := Visit{Day: day, Today: day - 1, Items: []Item{
		{Name: "gearmotor no. 1", Amount: 1, Place: Warehouse, Where: "the warehouse", SetAside: "UMB 19 May"},
		{Name: "gearmotor no. 2", Amount: 1, Place: Warehouse, Where: "the warehouse"},
		{Name: "gearmotor no. 3", Amount: 1, Place: Warehouse, Where: "the warehouse"},
		{Name: "swap kit 1-3/8", Amount: 2, Place: OwnVan, Where: "van V2"},
		{Name: "shaft", Amount: 1, Place: Warehouse, Where: "the warehouse"},
		{Name: "box kits", Amount: 2, Place: OwnVan, Where: "van V2"},
		{Name: "box kit of gasket lot 7", Amount: 1, Place: OwnVan, Where: "van V2", Expires: day + 11},
		{Name: "box kits of the warehouse", Amount: 5, Place: Warehouse, Where: "the warehouse"},
		{Name: "foam set low red", Amount: 1, Place: Warehouse, Where: "the warehouse"},
		{Name: "gearmotor 230/460 V", Amount: 1, Place: OwnVan, Where: "van V2"},
	}, Jobs: []Job{
		{Name: "J01 SBL-D", Criticality: due.A, Hands: []crew.Hand{{Skill: "T2", Minutes: 180}, {Skill: "EL", Minutes: 60}}, Gear: []string{"a hoist for 500 lb"}, Needs: []Need{
			{What: "gearmotor 1.5 hp, O3", Amount: 1, Candidates: []Candidate{{Item: 0}, {Item: 1, Work: append(turn("O9"), Work{"set its links", crew.Hand{Skill: "T2", Minutes: 20}})},
				{Item: 2, Work: turn("O12")}, {Item: 9, Against: []string{"a 230 V mark does not suit 208 V"}}}},
			of("swap kit", 1, 3),
			{What: "shaft", Amount: 1, IfFound: true, Candidates: []Candidate{{Item: 4}}},
		}},
		{Name: "PM-018", Criticality: due.B, Hands: []crew.Hand{{Skill: "EL", Minutes: 60}}, Needs: []Need{of("box kit", 4, 5, 6, 7)}},
		{Name: "J02 SBL-P", Criticality: due.B, Hands: []crew.Hand{{Skill: "T1", Minutes: 100}, {Skill: "T1", Minutes: 100}}, Needs: []Need{
			{What: "foam set low red", Amount: 1, Lead: &Lead{Days: 14}, Candidates: []Candidate{{Item: 8, Against: []string{"8 A and 7 B: one B short"}}}}}},
	},
		Crew:  []crew.Person{person("Ana", 480, "T1", "T2"), person("Ben", 480, "T1"), person("Eva", 120, "EL")},
		Bench: []crew.Person{person("Dana", 60, "T2")}, Gear: []string{"a hoist for 500 lb"}}
	a := judged(t, v)
	want := "PM-018 goes; " +
		"J01 SBL-D goes after 35 minutes at the bench by Dana (turn the gearbox from O12 to O3); " +
		"J02 SBL-P does not go: foam set low red: 0 of 1 there; foam set low red in the warehouse: 8 A and 7 B: one B short; " +
		"ordered today it is here for a visit on 31 May 2026 or later"
	if a.Says != want || a.Verdict != NoGo {
		t.Errorf("%s\nwant %s", a.Says, want)
	}
	j01, pm18 := a.Jobs[0], a.Jobs[1]
	if j01.Verdict != AfterWork || !j01.Verdict.Ready() || len(j01.Against)+len(j01.Notes) > 0 || !slices.Equal(j01.Who, []string{"Ana", "Eva"}) {
		t.Errorf("%+v", j01)
	}
	if l := j01.Lines[2]; l.Short != 0 || l.Taken[0].Item != 4 {
		t.Errorf("the shaft: %+v", l)
	}
	// From the own van first, and the lot that expires first.
	if got := pm18.Lines[0].Taken; !slices.Equal(got, []Taken{{6, 1}, {5, 2}, {7, 1}}) {
		t.Errorf("%v", got)
	}
	if !slices.Equal(pm18.Notes, []string{"box kit of gasket lot 7 may be used until 28 May 2026"}) {
		t.Errorf("%q", pm18.Notes)
	}

	v.Bench[0].Minutes = 30 // Dana leaves at three
	if a := judged(t, v); a.Jobs[0].Verdict != NoGo || !strings.Contains(a.Says, "J01 SBL-D does not go: turn the gearbox from O12 to O3 for gearmotor 1.5 hp, O3 before leaving: needs 35 minutes of T2, 30 are left") {
		t.Error(a.Says)
	}
}

func TestOneTubeServesTwoJobsTwoMotorsAreTwo(t *testing.T) {
	v := Visit{Items: []Item{{Name: "anti-seize, opened in April", Amount: 40, Expires: visit}, {Name: "motor", Amount: 1, Place: Warehouse, Where: "the warehouse"}},
		Jobs: []Job{
			{Name: "left", Needs: []Need{of("anti-seize", 25, 0), of("motor", 1, 1)}},
			{Name: "right", Needs: []Need{of("anti-seize", 15, 0), of("motor", 1, 1)}},
		}}
	a := judged(t, v)
	if want := "left goes; right does not go: motor: 0 of 1 there; motor in the warehouse: taken by left"; a.Says != want {
		t.Error(a.Says)
	}
	v.Items[1].Amount = 2
	if a := judged(t, v); a.Verdict != Go || a.Says != "left and right go" {
		t.Error(a.Says)
	}
	v.Items[0].Amount = 39
	v.Jobs[1].Needs[0].Unit = "g"
	if a := judged(t, v); a.Says != "left goes; right does not go: anti-seize: 14 of 15 g there; anti-seize, opened in April in a place without a name: taken by left" {
		t.Error(a.Says)
	}
	v.Jobs[1].Criticality = due.S
	if a := judged(t, v); !strings.HasPrefix(a.Says, "right goes; left does not go: anti-seize: 24 of 25 there") {
		t.Error(a.Says)
	}
	v.Items[0].Expires-- // until the day before
	if a := judged(t, v); a.Jobs[0].Verdict != NoGo || a.Jobs[1].Verdict != NoGo || !strings.Contains(a.Says, "may be used until 17 May 2026 only") {
		t.Error(a.Says)
	}
}

// The motor that fits both is left to the job that can take no other.
func TestNoneGoesWithoutWhileThereIsEnough(t *testing.T) {
	v := Visit{Items: []Item{{Name: "fits both", Amount: 1, Place: OwnVan}, {Name: "fits one", Amount: 1, Place: Warehouse}},
		Jobs: []Job{{Name: "either", Criticality: due.A, Needs: []Need{of("motor of either", 1, 0, 1)}}, {Name: "only", Needs: []Need{of("motor", 1, 0)}}}}
	a := judged(t, v)
	if a.Verdict != Go || a.Jobs[0].Lines[0].Taken[0].Item != 1 {
		t.Errorf("%+v", a)
	}
	// Also where that takes work, if the bench has time for it.
	v.Jobs[0].Needs[0].Candidates[1].Work = []Work{{"turn it", crew.Hand{Skill: "T2", Minutes: 35}}}
	if a := judged(t, v); a.Says != "either goes; only does not go: turn it for motor of either before leaving: needs 1 person and has 0" {
		t.Error(a.Says)
	}
	v.Bench = []crew.Person{person("Dana", 60, "T2")}
	if a := judged(t, v); a.Says != "only goes; either goes after 35 minutes at the bench by Dana (turn it)" {
		t.Error(a.Says)
	}
}

// One makes room with what it has, and not with more.
func TestRoomIsMadeOnce(t *testing.T) {
	v := Visit{Items: []Item{{Name: "the one", Amount: 1}, {Name: "the others", Amount: 5, Place: Warehouse}},
		Jobs: []Job{{Name: "either", Criticality: due.A, Needs: []Need{of("screw", 1, 0, 1)}}, {Name: "only", Needs: []Need{of("screw", 2, 0)}}}}
	if a := judged(t, v); a.Says != "either goes; only does not go: screw: 1 of 2 there" || a.Jobs[0].Lines[0].Taken[0].Item != 0 {
		t.Errorf("%+v", a)
	}
}

// A job that cannot go leaves its parts to the others.
func TestWhatDoesNotGoHoldsNothingBack(t *testing.T) {
	v := Visit{Items: []Item{{Name: "motor", Amount: 1}},
		Crew: []crew.Person{person("Ana", 100, "T1")},
		Jobs: []Job{
			{Name: "grave", Criticality: due.S, Gear: []string{"a hoist"}, Hands: []crew.Hand{{Skill: "T1", Minutes: 90}}, Needs: []Need{of("motor", 1, 0)}},
			{Name: "light", Hands: []crew.Hand{{Skill: "T1", Minutes: 80}}, Needs: []Need{of("motor", 1, 0)}},
		}}
	a := judged(t, v)
	if a.Says != "light goes; grave does not go: needs a hoist, which does not go along" || !slices.Equal(a.Jobs[1].Who, []string{"Ana"}) {
		t.Errorf("%+v", a)
	}
	if l := a.Jobs[0].Lines[0]; l.Short != 0 {
		t.Errorf("its motor was there: %+v", l)
	}
	spare := of("shaft", 1, 1)
	spare.IfFound = true
	v.Items = append(v.Items, Item{Name: "shaft", Amount: 1})
	v.Jobs[0].Needs, v.Jobs[1].Needs = append(v.Jobs[0].Needs, spare), append(v.Jobs[1].Needs, spare)
	if a := judged(t, v); a.Jobs[1].Lines[1].Short != 0 {
		t.Errorf("its shaft went to the job that does not go: %+v", a)
	}
	v.Gear = []string{"a hoist"}
	a = judged(t, v)
	if a.Says != "grave goes; light does not go: needs 80 minutes of T1, 10 are left; motor: 0 of 1 there; motor in a place without a name: taken by grave" {
		t.Error(a.Says)
	}
}

func TestWhereFrom(t *testing.T) {
	places := []Item{{Name: "ordered", Amount: 1, Place: OnOrder, Arrives: visit - 3, Where: "order 12"}, {Name: "in the other van", Amount: 1, Place: OtherVan},
		{Name: "in the warehouse", Amount: 1, Place: Warehouse}, {Name: "on the shelf", Amount: 1, Place: SiteShelf}, {Name: "in the van", Amount: 1, Place: OwnVan}}
	v := Visit{Shelf: true, Jobs: []Job{{Name: "job", Needs: []Need{of("part", 1, 0, 1, 2, 3, 4)}}}, Items: places}
	for n := 4; n >= 0; n-- {
		a := judged(t, v)
		if a.Verdict != Go || a.Jobs[0].Lines[0].Taken[0].Item != n {
			t.Errorf("not %s: %+v", places[n].Name, a.Jobs[0])
		}
		v.Items = slices.Clone(places)
		for i := n; i < 5; i++ {
			v.Items[i].Amount = 0
		}
		if n == 0 && !slices.Equal(a.Jobs[0].Notes, []string{"ordered is on order, expected on 15 May 2026: not here yet"}) {
			t.Errorf("%q", a.Jobs[0].Notes)
		}
	}
	if a := judged(t, v); a.Says != "job does not go: part: 0 of 1 there" {
		t.Error(a.Says)
	}
	v.Items = []Item{{Name: "ordered", Amount: 1, Place: OnOrder, Arrives: today - 1, Where: "order 12"}}
	v.Jobs[0].Needs[0] = of("part", 1, 0)
	if a := judged(t, v); a.Says != "job does not go: part: 0 of 1 there; ordered in order 12: was expected on 10 May 2026 and is not here" {
		t.Error(a.Says)
	}
	// Friday is the staging day of a visit on Monday.
	v.Items = []Item{{Name: "ordered", Amount: 1, Place: OnOrder, Arrives: visit - 2, Where: "order 12"}, {Name: "on the shelf", Amount: 1, Place: SiteShelf, Where: "the shelf"}}
	v.Jobs[0].Needs[0], v.Shelf = of("part", 1, 0, 1), false
	if a := judged(t, v); a.Says != "job does not go: part: 0 of 1 there; ordered in order 12: expected on 16 May 2026, too late to be put ready; on the shelf in the shelf: on the site's shelf, which may not be used" {
		t.Error(a.Says)
	}
}

// With no time at the bench, what is on order and fits as it is will do.
func TestWithoutABench(t *testing.T) {
	v := Visit{Items: []Item{{Name: "to be turned", Amount: 1}, {Name: "ordered", Amount: 1, Place: OnOrder, Arrives: visit - 4}},
		Jobs: []Job{{Name: "job", Needs: []Need{{What: "motor", Amount: 1, Candidates: []Candidate{{Item: 0, Work: []Work{{"turn it", crew.Hand{Skill: "T2", Minutes: 35}}}}, {Item: 1}}},
			{What: "spare", Amount: 1, IfFound: true, Candidates: []Candidate{{Item: 0, Work: []Work{{"turn it", crew.Hand{Skill: "T2", Minutes: 35}}}}}}}}}}
	a := judged(t, v)
	if a.Verdict != Go || a.Jobs[0].Lines[0].Taken[0].Item != 1 || a.Jobs[0].Lines[1].Short != 1 {
		t.Errorf("%+v", a)
	}
	v.Bench = []crew.Person{person("Dana", 35, "T2")}
	if a := judged(t, v); a.Verdict != AfterWork || a.Jobs[0].Lines[0].Taken[0].Item != 0 || len(a.Jobs[0].Notes) > 1 {
		t.Errorf("%+v", a)
	}
	// where it is known how long an order takes, that way is told as well
	v.Jobs[0].Needs[0].Lead = &Lead{Days: 3}
	if a := judged(t, v); !slices.ContainsFunc(a.Jobs[0].Notes, func(s string) bool {
		return strings.HasPrefix(s, "Another motor instead of the work at the bench: ordered by ")
	}) {
		t.Errorf("the notes are %q", a.Jobs[0].Notes)
	}
}

func TestCannotTell(t *testing.T) {
	missing := []Missing{{"its link setting is not known", "open the box and look"}}
	v := Visit{Items: []Item{{Name: "motor no. 7", Amount: 1}, {Name: "motor no. 8", Amount: 1, Place: Warehouse}},
		Jobs: []Job{{Name: "job", Needs: []Need{{What: "motor", Amount: 1, Candidates: []Candidate{{Item: 0, Missing: missing}, {Item: 1}}}}}}}
	if a := judged(t, v); a.Verdict != Go || a.Jobs[0].Lines[0].Taken[0].Item != 1 {
		t.Errorf("what fits for certain comes first: %+v", a)
	}
	v.Items[1].SetAside = "DUN 20 May"
	a := judged(t, v)
	if a.Verdict != CannotTell || a.Verdict.Ready() || a.Says != "nobody can tell whether job goes: motor no. 7: its link setting is not known (open the box and look)" {
		t.Errorf("%+v", a)
	}
	// One that nobody can tell of does not keep the one that fits it for certain waiting.
	v.Jobs = append(v.Jobs, Job{Name: "sure", Needs: []Need{of("motor", 1, 0)}})
	v.Items[0].Amount = 1
	if a := judged(t, v); a.Jobs[0].Verdict != CannotTell || a.Jobs[1].Verdict != NoGo {
		t.Errorf("the first has it: %+v", a)
	}
	v.Jobs = v.Jobs[:1]
	v.Jobs[0].Needs = []Need{of("motor", 1, 0)}
	v.Jobs[0].Needs[0].Unsure = []Missing{{"the hub design is not known", "see the photo"}}
	v.Jobs[0].Missing = []Missing{{"the supply is not known", ""}}
	if a := judged(t, v); a.Says != "nobody can tell whether job goes: the supply is not known (ask), the hub design is not known (see the photo)" {
		t.Error(a.Says)
	}
	v.Jobs[0].Missing, v.Jobs[0].Needs[0].IfFound = nil, true
	v.Jobs[0].Needs[0].Amount = 2
	if a := judged(t, v); a.Verdict != Go || !slices.Equal(a.Jobs[0].Notes, []string{"motor, if found: 1 of 2 there", "motor, if found: nobody can tell whether it applies: the hub design is not known (see the photo)"}) {
		t.Errorf("%+v", a)
	}
	if a := judged(t, Visit{}); a.Verdict != Go || a.Says != "nothing to do" {
		t.Errorf("%+v", a)
	}
	if NoGo.String() != "no-go" || CannotTell.String() != "cannot tell" || NoGo.Ready() {
		t.Error(NoGo)
	}
}

// A motor of doubtful fit that needs work all the same.
func TestWorkOnWhatNobodyCanTell(t *testing.T) {
	v := Visit{Items: []Item{{Name: "motor", Amount: 1}}, Jobs: []Job{{Name: "job", Needs: []Need{{What: "motor", Amount: 1, Candidates: []Candidate{
		{Item: 0, Work: []Work{{"turn it", crew.Hand{Skill: "T2", Minutes: 35}}}, Missing: []Missing{{"voltage", "read the plate"}}}}}}}}}
	if a := judged(t, v); a.Says != "job does not go: turn it for motor before leaving: needs 1 person and has 0" {
		t.Error(a.Says)
	}
	v.Bench = []crew.Person{person("Dana", 35, "T2")}
	if a := judged(t, v); a.Verdict != CannotTell || len(a.Jobs[0].Work) != 1 {
		t.Errorf("%+v", a)
	}
}

func TestEvidenceOnTheDayOfTheVisit(t *testing.T) {
	v := Visit{Crew: []crew.Person{{Name: "Eva", Minutes: 120, Skills: []crew.Skill{{Name: "EL", Until: visit - 1}}}}, Jobs: []Job{{Name: "J10", Hands: []crew.Hand{{Skill: "EL", Minutes: 20}}}}}
	if a := judged(t, v); a.Says != "J10 does not go: Eva's evidence of EL ended on 17 May 2026" {
		t.Error(a.Says)
	}
}

// Until when to order: the visit's day, less a staging day of ours, less the lead
// time in the supplier's working days.
func TestOrderBy(t *testing.T) {
	monday := calendar.On(2026, 5, 18)
	holiday := func(d calendar.Date) bool { return weekdays(d) && d != calendar.On(2026, 5, 13) }
	for _, c := range []struct {
		name  string
		visit calendar.Date
		lead  Lead
		want  string
		at    time.Weekday
	}{
		{"staged on Friday, three days before that", monday, Lead{3, weekdays}, "2026-05-12", time.Tuesday},
		{"over a holiday of theirs", monday, Lead{3, holiday}, "2026-05-11", time.Monday},
		{"over the counter", monday, Lead{0, weekdays}, "2026-05-15", time.Friday},
		{"a supplier who works every day", monday, Lead{3, nil}, "2026-05-12", time.Tuesday},
		{"midweek", monday + 3, Lead{4, weekdays}, "2026-05-14", time.Thursday},
		{"three weeks", monday, Lead{15, weekdays}, "2026-04-24", time.Friday},
	} {
		if got := OrderBy(c.visit, weekdays, c.lead); got.String() != c.want || got.Weekday() != c.at {
			t.Errorf("%s: %s, want %s", c.name, got, c.want)
		}
	}
	never := func(calendar.Date) bool { return false }
	if OrderBy(monday, weekdays, Lead{1, never}) != 0 || Possible(monday, weekdays, Lead{1, never}) != 0 || Possible(monday, never, Lead{1, weekdays}) != 0 {
		t.Error("a supplier who never works delivers")
	}
	v := Visit{Jobs: []Job{{Name: "job", Needs: []Need{{What: "motor", Amount: 1, Lead: &Lead{4, weekdays}}}}}}
	a := judged(t, v)
	if a.Says != "job does not go: motor: 0 of 1 there; ordered by 11 May 2026 it is here in time" || a.Jobs[0].Lines[0].OrderBy != today {
		t.Error(a.Says)
	}
	v.Jobs[0].Needs[0].Lead = &Lead{5, weekdays}
	if a := judged(t, v); a.Says != "job does not go: motor: 0 of 1 there; ordered today it is here for a visit on 19 May 2026 or later" {
		t.Error(a.Says)
	}
	v.Jobs[0].Needs[0].Lead = &Lead{5, never}
	if a := judged(t, v); a.Says != "job does not go: motor: 0 of 1 there; no order is known to arrive" {
		t.Error(a.Says)
	}
}

// An order of a day suffices for a visit exactly if the day is not after the last
// day to order for it.
func TestOrderingBothWaysAgrees(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		works := func(name string) Works {
			bits := rapid.IntRange(1, 127).Draw(t, name)
			return func(d calendar.Date) bool { return bits>>d.Weekday()&1 == 1 }
		}
		ours, l := works("ours"), Lead{rapid.IntRange(0, 40).Draw(t, "lead"), works("theirs")}
		from := today + calendar.Date(rapid.IntRange(0, 20).Draw(t, "today"))
		first := Possible(from, ours, l)
		for v := from + 1; v < first+20; v++ {
			if in := OrderBy(v, ours, l) >= from; in != (v >= first) {
				t.Fatalf("for %s the last day to order is %s, and from %s it is here by %s", v, OrderBy(v, ours, l), from, first)
			}
		}
	})
}

// someVisit draws a small one. Without doubts and work it is plain.
func someVisit(t *rapid.T, plain bool) Visit {
	v := Visit{Day: visit, Today: today, Works: weekdays, Shelf: rapid.Bool().Draw(t, "shelf"), Bench: []crew.Person{person("Dana", rapid.IntRange(0, 100).Draw(t, "bench"), "T2")},
		Crew: []crew.Person{person("Ana", 200, "T1"), person("Ben", 200, "T1", "T2")}, Gear: []string{"hoist"}}
	for i := range 5 - rapid.IntRange(0, 4).Draw(t, "items") {
		x := Item{Name: fmt.Sprint("item ", i), Amount: 1 + rapid.Int64Range(-1, 3).Draw(t, "amount"), Place: Place(rapid.IntRange(0, 4).Draw(t, "place"))}
		if x.Place == OnOrder {
			x.Arrives = visit - calendar.Date(rapid.IntRange(0, 6).Draw(t, "arrives"))
		}
		if rapid.IntRange(0, 4).Draw(t, "lasts") == 0 {
			x.Expires = visit + calendar.Date(rapid.IntRange(-3, 3).Draw(t, "expires"))
		}
		if rapid.IntRange(0, 8).Draw(t, "free") == 0 {
			x.SetAside = "another"
		}
		v.Items = append(v.Items, x)
	}
	for i := range 4 - rapid.IntRange(0, 3).Draw(t, "jobs") {
		job := Job{Name: fmt.Sprint("job ", i), Criticality: rapid.SampledFrom(graver).Draw(t, "criticality")}
		for k := range rapid.IntRange(1, 3).Draw(t, "needs") {
			n := Need{What: fmt.Sprint("need ", k), Amount: rapid.Int64Range(1, 2).Draw(t, "amount"), IfFound: !plain && rapid.IntRange(0, 3).Draw(t, "if found") == 0}
			for m := range v.Items {
				if rapid.IntRange(0, 2).Draw(t, "candidate") == 0 {
					continue
				}
				c := Candidate{Item: m}
				if rapid.IntRange(0, 5).Draw(t, "against") == 0 {
					c.Against = []string{"too long"}
				}
				if !plain && rapid.IntRange(0, 3).Draw(t, "work") == 0 {
					c.Work = []Work{{"turn it", crew.Hand{Skill: "T2", Minutes: 35}}}
				}
				if !plain && rapid.IntRange(0, 3).Draw(t, "doubt") == 0 {
					c.Missing = []Missing{{"its bore", "measure it"}}
				}
				n.Candidates = append(n.Candidates, c)
			}
			job.Needs = append(job.Needs, n)
		}
		if !plain {
			job.Hands = []crew.Hand{{Skill: "T1", Minutes: rapid.IntRange(1, 150).Draw(t, "minutes")}}
		}
		v.Jobs = append(v.Jobs, job)
	}
	return v
}

// Whatever is judged: nothing is taken twice or unfit, and a job that is ready has
// everything for certain.
func TestReadyMeansThatEverythingIsThere(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := someVisit(t, false)
		a, err := Judge(v)
		if err != nil {
			t.Fatal(err)
		}
		left := []int64{}
		for _, x := range v.Items {
			left = append(left, x.Amount)
		}
		bench := map[string]int{}
		worst := Go
		for i, j := range a.Jobs {
			worst = max(worst, j.Verdict)
			if (j.Verdict == NoGo) != (len(j.Against) > 0) || (j.Verdict == CannotTell) != (len(j.Missing) > 0 && j.Verdict != NoGo) || (j.Verdict == AfterWork) != (len(j.Work) > 0 && j.Verdict < CannotTell) {
				t.Fatalf("%+v", j)
			}
			if j.Verdict == NoGo {
				continue
			}
			for _, w := range j.Work {
				bench[w.Who] += w.Minutes
			}
			works := 0
			for k, l := range j.Lines {
				need := v.Jobs[i].Needs[k]
				sum := l.Short
				for _, take := range l.Taken {
					x := v.Items[take.Item]
					sum += take.Amount
					left[take.Item] -= take.Amount
					c := need.Candidates[slices.IndexFunc(need.Candidates, func(c Candidate) bool { return c.Item == take.Item })]
					works += len(c.Work)
					if take.Amount <= 0 || len(c.Against) > 0 || x.SetAside != "" || x.Expires != 0 && x.Expires < visit || x.Place == SiteShelf && !v.Shelf || x.Place == OnOrder && x.Arrives > visit-3 {
						t.Fatalf("%s takes %+v", need.What, x)
					}
					if len(c.Missing) > 0 && (need.IfFound || j.Verdict.Ready()) {
						t.Fatalf("%s is ready with an item of which nobody can tell", j.Job)
					}
				}
				if sum != need.Amount || l.Short > 0 && !need.IfFound {
					t.Fatalf("%s goes with %+v", j.Job, l)
				}
			}
			if works != len(j.Work) {
				t.Fatalf("%+v: %d works", j, works)
			}
		}
		for _, n := range left {
			if n < 0 {
				t.Fatal("taken twice")
			}
		}
		if bench["Dana"] > v.Bench[0].Minutes || a.Verdict != worst {
			t.Fatalf("%+v", a)
		}
	})
}

// A job goes exactly if there is some way to supply it beside those that go before
// it, by trying them all.
func TestWhoGoesIsFoundByTryingAllWays(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := someVisit(t, true)
		a, err := Judge(v)
		if err != nil {
			t.Fatal(err)
		}
		order := []int{0, 1, 2, 3}[:len(v.Jobs)]
		slices.SortStableFunc(order, func(x, y int) int {
			return strings.Index("SABC", string(v.Jobs[x].Criticality)) - strings.Index("SABC", string(v.Jobs[y].Criticality))
		})
		var needs []Need
		for _, i := range order {
			with := slices.Clone(needs)
			for _, n := range v.Jobs[i].Needs {
				for range n.Amount {
					with = append(with, n)
				}
			}
			left := []int64{}
			for _, x := range v.Items {
				left = append(left, x.Amount)
			}
			can := supplied(v, with, left)
			if can != a.Jobs[i].Verdict.Ready() {
				t.Fatalf("%s can go: %v, is said to: %s", v.Jobs[i].Name, can, a.Jobs[i].Verdict)
			}
			if can {
				needs = with
			}
		}
	})
}

func supplied(v Visit, needs []Need, left []int64) bool {
	if len(needs) == 0 {
		return true
	}
	for _, c := range needs[0].Candidates {
		x := v.Items[c.Item]
		if left[c.Item] == 0 || len(c.Against) > 0 || x.SetAside != "" || x.Place == SiteShelf && !v.Shelf || x.Expires != 0 && x.Expires < v.Day || x.Place == OnOrder && x.Arrives > visit-3 {
			continue
		}
		left[c.Item]--
		if supplied(v, needs[1:], left) {
			return true
		}
		left[c.Item]++
	}
	return false
}

func TestBadInputIsNamed(t *testing.T) {
	_, err := Judge(Visit{Day: today, Today: visit, Items: []Item{{Amount: -1}, {Place: OnOrder}, {Place: 9}},
		Jobs: []Job{{Needs: []Need{{Amount: -1, Lead: &Lead{Days: -1}, Candidates: []Candidate{{Item: 3}, {Item: 0}, {Item: 0}, {Item: 1, Work: []Work{{Hand: crew.Hand{Minutes: -1}}}}}}}, Hands: []crew.Hand{{Minutes: -1}}}}})
	f, ok := err.(*fault.Error)
	if !ok {
		t.Fatal(err)
	}
	var fields []string
	for _, p := range f.Parts {
		fields = append(fields, p.Field)
	}
	if want := []string{"day", "items[0].amount", "items[1].place", "items[2].place", "jobs[0].criticality", "jobs[0].hands[0].minutes", "jobs[0].needs[0].amount", "jobs[0].needs[0].lead.days", "jobs[0].needs[0].candidates[0].item", "jobs[0].needs[0].candidates[2].item", "jobs[0].needs[0].candidates[3].work[0].minutes"}; !slices.Equal(fields, want) {
		t.Errorf("%v", fields)
	}
}

// BenchmarkJudge judges 20 visits of 6 tasks with 12 lines each, over a van and a
// warehouse of 100 items.
func BenchmarkJudge(b *testing.B) {
	var v Visit
	v.Day, v.Today, v.Works = visit, today, weekdays
	for i := range 200 {
		v.Items = append(v.Items, Item{Name: fmt.Sprint("item ", i), Amount: 3, Place: Place(i % 3), Expires: visit + calendar.Date(i%7)})
	}
	v.Crew, v.Shelf = []crew.Person{person("Ana", 2000, "T1"), person("Ben", 2000, "T1", "T2")}, true
	for i := range 6 {
		job := Job{Name: fmt.Sprint("job ", i), Criticality: graver[i%4], Hands: []crew.Hand{{Skill: "T1", Minutes: 60}}}
		for k := range 12 {
			n := Need{What: fmt.Sprint("need ", k), Amount: 1, IfFound: k > 6}
			for m := range 6 {
				n.Candidates = append(n.Candidates, Candidate{Item: (k*16 + m*5) % 200})
			}
			job.Needs = append(job.Needs, n)
		}
		v.Jobs = append(v.Jobs, job)
	}
	b.ReportAllocs()
	for b.Loop() {
		for range 20 {
			if _, err := Judge(v); err != nil {
				b.Fatal(err)
			}
		}
	}
}
