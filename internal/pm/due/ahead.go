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
	for day := today; ; {
		c := considerOn(&a, site, day, today)
		r := c.answer()
		if r.Due == 0 || r.Due > until {
			return all
		}
		all = append(all, Occurrence{r.Due, r.Earliest, r.Latest, r.Governs, r.Low, r.High, r.Grade})
		last := day
		if len(all) == 1 {
			last--
		}
		day = max(r.Due, last+1) // at most one a day
		if day > until || c.schedule.plan.Basis == OneOff {
			return all
		}
		at := site.Start(day).Add(12 * time.Hour)
		if len(all) == 1 && day == today {
			at = now
		}
		if r.Governs >= 0 && r.Due == day && site.Day(c.found[r.Governs].when.Likely) == day {
			at = c.found[r.Governs].when.Likely
		}
		a.Mark = c.expected(at, r.Governs)
		a.Crossings, a.Skipped = nil, 0
	}
}

// expected is the mark that a completion at an instant will leave.
func (c *considered) expected(at time.Time, governs int) *Mark {
	m := &Mark{At: at, Done: true, Totals: make([]Total, len(c.a.Drivers))}
	for i := range c.a.Drivers {
		d := &c.a.Drivers[i]
		b := d.Outlook.At(at)
		m.Totals[i] = Total{d.Unit, b.Likely, b.Grade}
	}
	day := c.site.Day(at)
	for i, t := range c.schedule.plan.Triggers {
		if c.schedule.plan.grid(t) {
			_, every := t.(Every)
			open := c.found[i].due
			m.Settled = max(c.settle(t, day, every || open != 0 && open < day), c.settled(t))
			if i == governs {
				m.Settled = max(m.Settled, open)
			}
		}
	}
	return m
}
