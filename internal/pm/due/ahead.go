package due

import (
	"time"

	"spindlebook/internal/calendar"
	"spindlebook/internal/usage"
)

// Occurrence is one time at which work is expected.
type Occurrence struct {
	Due, Earliest, Latest calendar.Date
	Governs               int // as in Answer
	Low, High             calendar.Date
	Grade                 usage.Grade
	// Done is the day on which it is expected to be done: on the day it falls due,
	// today where it is late, or where Covered with larger work that answers it.
	Done    calendar.Date
	Covered bool
}

// Horizon is how far ahead work is expected, in days.
const Horizon = 2 * 366

// Ahead gives every occurrence that is expected from now until a day, at most
// Horizon days on, if each is done on the day it falls due and those that are late
// today. The first is what Judge gives now. To look at a draft plan, give the
// assignment its Schedule.
func Ahead(a Assignment, site *Site, now time.Time, until calendar.Date) []Occurrence {
	var all []Occurrence
	AheadWith(a, site, now, until, nil, func(o *Occurrence, _ *Mark) { all = append(all, *o) })
	return all
}

// AheadWith gives what Ahead does where larger work that answers this is expected
// on some days, in order. What would fall due by the end of its late window waits
// for the larger work and counts from there; so does a floating interval whose
// window is not open yet. Each occurrence is given with the mark that it leaves;
// both hold until the next. A mark after now is that of a job which is expected.
// AheadWith tells whether the assignment has a day at all, near or far.
func AheadWith(a Assignment, site *Site, now time.Time, until calendar.Date, larger []calendar.Date, take func(*Occurrence, *Mark)) bool {
	today := site.Day(now)
	until = min(until, today+Horizon)
	base, day, least := a.base(site), today, today
	if a.Mark != nil && a.Mark.At.After(now) {
		day, least = base, base+1
	}
	var c considered
	var o Occurrence
	var left Mark
	done := Mark{Done: true, Totals: make([]Total, 0, len(a.Drivers))}
	for first := true; ; first = false {
		c.considerOn(&a, site, base, day, today)
		r := c.verdict()
		if r.Due == 0 || r.Due > until {
			return !first || r.Due != 0
		}
		p := &c.schedule.plan
		o = Occurrence{r.Due, r.Earliest, r.Latest, r.Governs, r.Low, r.High, r.Grade, max(r.Due, least), false}
		from := least
		if p.Basis == Fixed {
			from = max(from, r.Earliest) // before, it would be extra work
		}
		for len(larger) > 0 && larger[0] < from {
			larger = larger[1:]
		}
		if len(larger) > 0 && larger[0] <= max(r.Latest, o.Done) {
			o.Done, o.Covered = larger[0], true
			if o.Done != day {
				c.considerOn(&a, site, base, o.Done, today)
			}
		}
		next := o.Done
		at := site.Start(next).Add(12 * time.Hour)
		if next == today {
			at = now
		} else if !o.Covered && r.Governs >= 0 {
			if likely := c.found[r.Governs].when.Likely; !likely.IsZero() && site.Day(likely) == next {
				at = likely
			}
		}
		c.expect(&done, at, next)
		left = done
		take(&o, &left)
		if next > until || p.Basis == OneOff {
			return true
		}
		a.Mark, a.Crossings, a.Skipped = &done, nil, 0
		base, day, least = next, next, next+1 // at most one a day
	}
}

// expect makes the mark that a completion on a day, at an instant, will leave.
func (c *considered) expect(m *Mark, at time.Time, day calendar.Date) {
	settled := calendar.Date(0)
	for i, t := range c.schedule.plan.Triggers {
		if c.schedule.plan.grid(t) {
			settled = c.settledBy(t, &c.found[i], day)
		}
	}
	m.At, m.Settled, m.Totals = at, settled, m.Totals[:0]
	for i := range c.a.Drivers {
		b := c.a.Drivers[i].Outlook.At(at)
		m.Totals = append(m.Totals, Total{c.a.Drivers[i].Unit, b.Likely, b.Grade})
	}
}
