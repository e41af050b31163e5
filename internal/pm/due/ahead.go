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
}

// Horizon is how far ahead work is expected, in days.
const Horizon = 2 * 366

// Ahead gives every occurrence that is expected from now until a day, at most
// Horizon days on, if each is done on the day it falls due and those that are late
// today. The first is what Judge gives now. To look at a draft plan, give the
// assignment its Schedule.
func Ahead(a Assignment, site *Site, now time.Time, until calendar.Date) []Occurrence {
	today := site.Day(now)
	until = min(until, today+Horizon)
	var all []Occurrence
	var c considered
	done := Mark{Done: true, Totals: make([]Total, 0, len(a.Drivers))}
	for day := today; ; {
		c.considerOn(&a, site, day, today)
		r := c.verdict()
		if r.Due == 0 || r.Due > until {
			return all
		}
		all = append(all, Occurrence{r.Due, r.Earliest, r.Latest, r.Governs, r.Low, r.High, r.Grade})
		next := max(r.Due, day)
		if len(all) > 1 {
			next = max(r.Due, day+1) // at most one a day
		}
		if next > until || c.schedule.plan.Basis == OneOff {
			return all
		}
		at := site.Start(next).Add(12 * time.Hour)
		if next == today {
			at = now
		} else if r.Governs >= 0 && site.Day(c.found[r.Governs].when.Likely) == next {
			at = c.found[r.Governs].when.Likely
		}
		c.expect(&done, at, next)
		a.Mark, a.Crossings, a.Skipped = &done, nil, 0
		day = next
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
