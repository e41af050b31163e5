package due

import (
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"spindlebook/internal/calendar"
	"spindlebook/internal/usage"
)

var ny, _ = time.LoadLocation("America/New_York")

var place = calendar.Place{Zone: ny, Turns: 3 * time.Hour}

// tables are the days of a site, once: flat, and of a snow belt.
var tables = func() []*usage.Calendar {
	snow, err := usage.TradeProfile("snowbelt", "medium")
	if err != nil {
		panic(err)
	}
	var all []*usage.Calendar
	for _, p := range []usage.Profile{flat(), snow} {
		c, err := usage.NewCalendar(p, usage.Place{Zone: ny, Turns: 3 * time.Hour}, time.Date(2020, 1, 1, 0, 0, 0, 0, time.UTC), time.Date(2036, 1, 1, 0, 0, 0, 0, time.UTC))
		if err != nil {
			panic(err)
		}
		all = append(all, c)
	}
	return all
}()

// someTrigger draws one for a basis.
func someTrigger(t *rapid.T, b Basis) Trigger {
	kinds := []string{"every", "use", "check"}
	if b != OneOff {
		kinds = append(kinds, "dates", "season")
	}
	switch rapid.SampledFrom(kinds).Draw(t, "trigger") {
	case "every":
		if rapid.Bool().Draw(t, "months") {
			return Every{Period: calendar.Period{Months: rapid.IntRange(1, 36).Draw(t, "months")}}
		}
		return Every{Period: calendar.Period{Days: rapid.IntRange(1, 800).Draw(t, "days")}}
	case "use":
		return AfterUse{rapid.SampledFrom([]Unit{Vehicles, RunHours}).Draw(t, "unit"), float64(rapid.IntRange(2000, 100000).Draw(t, "amount"))}
	case "dates":
		rule := rapid.SampledFrom([]string{"FREQ=MONTHLY;BYMONTHDAY=-1", "FREQ=YEARLY;BYMONTH=4,10;BYMONTHDAY=15", "FREQ=WEEKLY;INTERVAL=6", "FREQ=YEARLY;COUNT=3"}).Draw(t, "rule")
		return OnDates{rule, calendar.On(2024, 1, 1) + calendar.Date(rapid.IntRange(0, 1000).Draw(t, "from"))}
	case "season":
		s, _ := calendar.ParseSeason(rapid.SampledFrom([]string{"10-01/11-15", "11-15/03-15", "02-29/04-30"}).Draw(t, "season"), "")
		return OncePerSeason{s}
	}
	return OnCrossing{"CK-1"}
}

func somePlan(t *rapid.T) Plan {
	p := Plan{Basis: rapid.SampledFrom([]Basis{Floating, Floating, Fixed, OneOff}).Draw(t, "basis"), Criticality: rapid.SampledFrom([]Criticality{S, A, B, C}).Draw(t, "criticality")}
	if rapid.IntRange(0, 9).Draw(t, "daily") == 0 {
		return Plan{Basis: Fixed, Criticality: p.Criticality, Triggers: []Trigger{EachOperatingDay{}}}
	}
	for range rapid.IntRange(1, 3).Draw(t, "triggers") {
		p.Triggers = append(p.Triggers, someTrigger(t, p.Basis))
	}
	window := func(name string) Tolerance {
		switch rapid.IntRange(0, 2).Draw(t, name) {
		case 0:
			return Tolerance{}
		case 1:
			return Tolerance{Days: rapid.IntRange(0, 20).Draw(t, name+" days")}
		}
		return Tolerance{Percent: float64(rapid.IntRange(1, 30).Draw(t, name+" percent"))}
	}
	p.Early = window("early")
	if p.Criticality != S {
		p.Late = window("late")
	}
	return p
}

var first = calendar.Local(calendar.On(2026, 1, 5), 8*time.Hour, ny)

// someWorld draws an assignment of an allowed plan, with what is known about it.
func someWorld(t *rapid.T) Assignment {
	s, err := New(somePlan(t))
	if err != nil {
		t.Skip("refused, which is another test's matter")
	}
	a := Assignment{Schedule: s, Since: first.AddDate(0, 0, -rapid.IntRange(0, 700).Draw(t, "since"))}
	if rapid.IntRange(0, 5).Draw(t, "marked") > 0 {
		a.Mark = &Mark{At: a.Since.Add(time.Duration(rapid.IntRange(0, 700*24).Draw(t, "mark")) * time.Hour), Done: rapid.Bool().Draw(t, "done")}
		if a.Mark.At.After(first) {
			a.Mark.At = first
		}
	}
	for _, u := range []Unit{Vehicles, RunHours} {
		if rapid.IntRange(0, 5).Draw(t, "metered") == 0 {
			continue
		}
		base := float64(rapid.IntRange(0, 50000).Draw(t, "base"))
		if a.Mark != nil && rapid.IntRange(0, 5).Draw(t, "total") > 0 {
			a.Mark.Totals = append(a.Mark.Totals, Total{Unit: u, Value: base})
		}
		a.Drivers = append(a.Drivers, someDriver(t, u, base))
	}
	if rapid.IntRange(0, 5).Draw(t, "crossed") == 0 {
		a.Crossings = []Crossing{{"CK-1", first.AddDate(0, 0, -rapid.IntRange(0, 100).Draw(t, "found")), "worn"}}
	}
	a.Parked = rapid.IntRange(0, 9).Draw(t, "parked") == 0
	if rapid.IntRange(0, 9).Draw(t, "skipped") == 0 {
		a.Skipped = place.Day(first) + calendar.Date(rapid.IntRange(-50, 100).Draw(t, "until"))
	}
	return a
}

func someDriver(t *rapid.T, u Unit, base float64) Driver {
	last := usage.Point{At: first.Add(-time.Duration(rapid.IntRange(0, 90*24).Draw(t, "read")) * time.Hour), Total: base + float64(rapid.IntRange(0, 50000).Draw(t, "more"))}
	r := usage.Rate{PerDay: float64(rapid.IntRange(0, 500).Draw(t, "rate")), Basis: usage.Measured, Window: 300, T: 1.3, Kappa: 0.05, Readings: 20}
	r.Sigma = r.PerDay * rapid.Float64Range(0, 2).Draw(t, "sigma")
	return Driver{Unit: u, Last: last, Outlook: r.Outlook(rapid.SampledFrom(tables).Draw(t, "profile"), last)}
}

func world(t *rapid.T) (Assignment, *Site) {
	site := &Site{Place: place}
	if rapid.Bool().Draw(t, "sundays") {
		site.Closed = func(d calendar.Date) bool { return d.Weekday() == time.Sunday }
	}
	return someWorld(t), site
}

// Whichever comes first: the due day is the least of what the triggers give alone.
func TestTheFirstTriggerGoverns(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, site := world(t)
		p := a.Schedule.Plan()
		all := Judge(&a, site, first)
		if p.Criticality == S || p.Basis == Fixed {
			return // alone, their triggers are other plans
		}
		var least, earliest, latest calendar.Date
		for _, trigger := range p.Triggers {
			// A backstop beside it, a lifetime away, so that it stays the same kind of plan.
			alone := p
			alone.Triggers = []Trigger{trigger}
			s, err := New(alone)
			if err != nil {
				t.Fatal(err)
			}
			s.backstop = a.Schedule.backstop
			b := a
			b.Schedule = s
			r := Judge(&b, site, first)
			if r.Due == 0 {
				continue
			}
			if least == 0 || r.Due < least {
				least = r.Due
			}
			if earliest == 0 || r.Earliest < earliest {
				earliest = r.Earliest
			}
			if latest == 0 || r.Latest < latest {
				latest = r.Latest
			}
		}
		if all.Due != least || all.Earliest != earliest || all.Latest != latest {
			t.Fatalf("due %s in %s..%s, alone %s in %s..%s", all.Due, all.Earliest, all.Latest, least, earliest, latest)
		}
	})
}

func TestTheWindowHoldsTheDueDay(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, site := world(t)
		r := Judge(&a, site, first)
		if r.Due == 0 {
			if r.State != Unknown && r.State != NotDue || !r.OpensAt.IsZero() || !r.DueAt.IsZero() || !r.LateAt.IsZero() {
				t.Fatalf("no due day and yet %+v", r)
			}
			return
		}
		if r.Earliest > r.Due || r.Due > r.Latest {
			t.Fatalf("due %s, window %s to %s", r.Due, r.Earliest, r.Latest)
		}
		if a.Mark != nil && (r.Due < site.Day(a.Mark.At) || r.Earliest < site.Day(a.Mark.At)) {
			t.Fatalf("counts from %s, due %s, from %s on", site.Day(a.Mark.At), r.Due, r.Earliest)
		}
		if site.Day(r.DueAt) != r.Due || site.Day(r.OpensAt) != r.Earliest || site.Day(r.LateAt) != r.Latest+1 {
			t.Fatalf("instants and days differ: %+v", r)
		}
		if a.Schedule.plan.Criticality == S && a.Schedule.plan.Triggers[0] != (EachOperatingDay{}) && r.Latest > r.Due {
			t.Fatalf("safety work with a late window: %+v", r)
		}
	})
}

// Without anything new a state only gets worse, and nothing at all changes before
// the time at which the answer says to look again.
func TestNothingChangesBeforeTheNextCheck(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, site := world(t)
		daily := a.Schedule.plan.Triggers[0] == EachOperatingDay{}
		now := first
		r := Judge(&a, site, now)
		for range 400 {
			now = now.Add(time.Duration(rapid.IntRange(1, 3*24).Draw(t, "step")) * time.Hour)
			next := Judge(&a, site, now)
			if (r.NextCheckAt.IsZero() || now.Before(r.NextCheckAt)) && next != r {
				t.Fatalf("at %s, before %s:\n%+v\nwas\n%+v", now, r.NextCheckAt, next, r)
			}
			if !daily && next.State < r.State {
				t.Fatalf("at %s %s becomes %s: %+v", now, r.State, next.State, next)
			}
			if r.State >= Coming && r.State != Unknown && !daily && next.Due < r.Due {
				t.Fatalf("due %s becomes %s", r.Due, next.Due)
			}
			if !next.NextCheckAt.IsZero() && !next.NextCheckAt.After(now) {
				t.Fatalf("at %s: look again at %s", now, next.NextCheckAt)
			}
			r = next
		}
	})
}

// Going from one look to the next sees all that looking each day sees.
func TestTheChecksSeeEveryChange(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, site := world(t)
		var daily, checked []Answer
		end := first.AddDate(3, 0, 0)
		for now := first; now.Before(end); now = now.AddDate(0, 0, 1) {
			daily = append(daily, Judge(&a, site, now))
		}
		for now := first; !now.IsZero() && now.Before(end); {
			r := Judge(&a, site, now)
			checked, now = append(checked, r), r.NextCheckAt
		}
		daily = slices.Compact(daily)
		checked = slices.Compact(checked)
		if len(daily) > len(checked) {
			t.Fatalf("%d answers by the day, %d by the checks", len(daily), len(checked))
		}
	})
}

// More use at the same reading never postpones anything.
func TestMoreUseNeverPostpones(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, site := world(t)
		if len(a.Drivers) == 0 {
			return
		}
		more := a
		more.Drivers = slices.Clone(a.Drivers)
		d := &more.Drivers[0]
		d.Last.Total += rapid.Float64Range(0, 1e5).Draw(t, "more use")
		r := usage.Rate{PerDay: 100, Basis: usage.Measured, Window: 300, Readings: 20}
		a.Drivers = slices.Clone(a.Drivers)
		a.Drivers[0].Outlook = r.Outlook(tables[0], a.Drivers[0].Last)
		d.Outlook = r.Outlook(tables[0], d.Last)
		before := Judge(&a, site, first)
		after := Judge(&more, site, first)
		if before.Due != 0 && (after.Due == 0 || after.Due > before.Due || after.Latest > before.Latest || after.Earliest > before.Earliest) {
			t.Fatalf("was %+v\nwith more use %+v", before, after)
		}
	})
}

// Vehicles or thousands of vehicles: the days are the same.
func TestTheUnitOfCountingDoesNotMatter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		amount := float64(rapid.IntRange(100, 100000).Draw(t, "amount"))
		used := float64(rapid.IntRange(0, 120000).Draw(t, "used"))
		rate := float64(rapid.IntRange(1, 500).Draw(t, "rate"))
		by := float64(int64(1) << rapid.IntRange(0, 12).Draw(t, "scale"))
		judge := func(k float64) Answer {
			s, err := New(Plan{Basis: Floating, Criticality: B, Early: Tolerance{Percent: 10}, Late: Tolerance{Percent: 15}, Triggers: []Trigger{AfterUse{Vehicles, amount * k}}})
			if err != nil {
				t.Fatal(err)
			}
			last := usage.Point{At: first.AddDate(0, 0, -3), Total: used * k}
			r := usage.Rate{PerDay: rate * k, Sigma: 2 * rate * k, Basis: usage.Measured, Window: 300, T: 1.3, Kappa: 0.05}
			a := Assignment{Schedule: s, Since: first, Mark: &Mark{At: first.AddDate(0, -2, 0), Done: true, Totals: []Total{{Unit: Vehicles}}}, Drivers: []Driver{{Vehicles, last, r.Outlook(tables[1], last)}}}
			return Judge(&a, &Site{Place: place}, first)
		}
		if one, other := judge(1), judge(by); one != other {
			t.Fatalf("%+v\ntimes %v\n%+v", one, by, other)
		}
	})
}

// Where larger work is expected on some days, nothing is planned that it answers by
// the end of the late window; a day on which it does not come answers nothing; and
// each mark is the one that Complete makes.
func TestLargerWorkAnswersSmaller(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, site := world(t)
		if a.Mark != nil && a.Mark.At.Equal(first) {
			t.Skip("done at this moment; nothing more is done at the same")
		}
		today := site.Day(first)
		until := today + calendar.Date(rapid.IntRange(0, 750).Draw(t, "until"))
		var larger []calendar.Date
		for d := today; d <= until; d += calendar.Date(rapid.IntRange(1, 200).Draw(t, "gap")) {
			larger = append(larger, d)
		}
		fixed := a.Schedule.plan.Basis == Fixed
		from, now := today, a
		dated := AheadWith(a, site, first, until, larger, func(o *Occurrence, left *Mark) {
			var answers calendar.Date
			for _, d := range larger {
				if answers == 0 && d >= from && (!fixed || d >= o.Earliest) {
					answers = d
				}
			}
			switch {
			case o.Covered && o.Done != answers:
				t.Fatalf("%+v is answered on %s", o, answers)
			case !o.Covered && o.Done != max(o.Due, from):
				t.Fatalf("%+v is planned on another day than it falls due", o)
			case o.Covered != (answers != 0 && answers <= max(o.Latest, o.Due, from)):
				t.Fatalf("%+v, larger work on %s", o, answers)
			}
			next, outcome := Complete(now, site, left.At, slices.Clone(left.Totals))
			if outcome != Counted && outcome != Ended || next.Mark.Settled != left.Settled {
				t.Fatalf("%+v leaves %+v; a completion (%s) leaves %+v", o, left, outcome, next.Mark)
			}
			now, from = next, o.Done+1
		})
		if r := Judge(&a, site, first); dated != (r.Due != 0) {
			t.Fatalf("dated %v, due %v", dated, r.Due)
		}
	})
}

// What is expected begins with what is due, and goes on day after day.
func TestAheadBeginsWithWhatIsDue(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, site := world(t)
		until := site.Day(first) + calendar.Date(rapid.IntRange(0, 900).Draw(t, "until"))
		before := a
		all := Ahead(a, site, first, until)
		if a.Mark != before.Mark {
			t.Fatal("the assignment was changed")
		}
		r := Judge(&a, site, first)
		if r.Due == 0 || r.Due > min(until, site.Day(first)+Horizon) {
			if len(all) > 0 {
				t.Fatalf("nothing is due and yet %v", all)
			}
			return
		}
		if len(all) == 0 || all[0] != (Occurrence{r.Due, r.Earliest, r.Latest, r.Governs, r.Low, r.High, r.Grade, max(r.Due, site.Day(first)), false}) {
			t.Fatalf("due %+v, expected %+v", r, all)
		}
		if a.Schedule.plan.Basis == OneOff && len(all) > 1 {
			t.Fatalf("once, and yet %d times", len(all))
		}
		work := site.Day(first) - 1
		for i, o := range all {
			if o.Due > until || o.Done != max(o.Due, work+1) {
				t.Fatalf("%d of %+v", i, all)
			}
			work = o.Done
		}
		if len(all) > Horizon+1 {
			t.Fatalf("%d occurrences", len(all))
		}
	})
}

// What is expected is what happens, if work is done on its days and nothing else
// is learnt.
func TestAheadIsWhatJudgeSaysLater(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, site := world(t)
		a.Drivers = nil // by the calendar; a forecast would go on from a new reading
		a.Parked = false
		all := Ahead(a, site, first, site.Day(first)+500)
		now := first
		for i, o := range all {
			r := Judge(&a, site, now)
			if r.Due != o.Due || r.Earliest != o.Earliest || r.Latest != o.Latest {
				t.Fatalf("occurrence %d is %+v, and then %+v", i, o, r)
			}
			if day := site.Day(now); r.Due > day {
				now = site.Start(r.Due).Add(12 * time.Hour)
			} else if i > 0 {
				now = site.Start(day + 1).Add(12 * time.Hour)
			}
			var outcome Outcome
			if a, outcome = Complete(a, site, now, nil); outcome != Counted && outcome != Ended {
				t.Fatalf("occurrence %d on %s: %s", i, now, outcome)
			}
		}
	})
}

// Whatever is completed, the answer after it is not late, and its day lies ahead;
// completing the same again changes nothing.
func TestACompletionSettlesWhatWasDue(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, site := world(t)
		at := first.Add(time.Duration(rapid.IntRange(1, 400*24).Draw(t, "at")) * time.Hour)
		var now []Total
		for i := range a.Drivers {
			now = append(now, Total{Unit: a.Drivers[i].Unit, Value: a.Drivers[i].Outlook.At(at).Likely})
		}
		before := Judge(&a, site, at)
		b, outcome := Complete(a, site, at, now)
		if b.Schedule.plan.Basis == Fixed && outcome == Extra {
			if before.State >= InWindow {
				t.Fatalf("extra, and yet %s", before.State)
			}
			if Judge(&b, site, at) != before {
				t.Fatal("extra work moved something")
			}
			return
		}
		if r := Judge(&b, site, at); r.State >= InWindow && r.Due <= site.Day(at) && outcome == Counted {
			t.Fatalf("done at %s and yet %+v", at, r)
		}
		again, outcome := Complete(b, site, at, now)
		if outcome != Older || again.Mark != b.Mark {
			t.Fatalf("the same again: %s", outcome)
		}
		if _, outcome := Complete(b, site, at.Add(-time.Hour), now); outcome != Older {
			t.Fatalf("an hour before: %s", outcome)
		}
	})
}

// No text that somebody can write makes the program fail or run on, and what was
// told is told the same again.
func FuzzScenario(f *testing.F) {
	for _, name := range []string{"use", "calendar", "day", "safety", "refused"} {
		for one := range strings.SplitSeq(scenarios(f, name), "\n\n") {
			f.Add(one)
		}
	}
	f.Fuzz(func(t *testing.T, text string) {
		if len(text) > 2000 || strings.ContainsAny(text, "\r\x00") {
			return
		}
		once := tell(text)
		if again := tell(once); again != once {
			t.Fatalf("%q\nis told again as\n%q", once, again)
		}
	})
}
