package due

import (
	"slices"
	"time"

	"spindlebook/internal/calendar"
	"spindlebook/internal/fault"
)

// Outcome says what a completion did to an assignment.
type Outcome string

// The outcomes. Each completion is kept; only Counted and Ended move anything.
const (
	Counted Outcome = "counted" // the assignment counts from it
	Extra   Outcome = "extra"   // before the window of a fixed plan opened: its grid stays
	Older   Outcome = "older"   // not after the one that counts: history only
	Ended   Outcome = "ended"   // one-off work is done
)

// Complete gives the assignment after its work was done at an instant, with the
// totals at that moment. One completion answers every trigger, and what crossed a
// limit before it is cleared. The assignment that was given is left alone.
func Complete(a Assignment, site *Site, at time.Time, totals []Total) (Assignment, Outcome) {
	if a.Mark != nil && (at.Before(a.Mark.At) || a.Mark.Done && at.Equal(a.Mark.At)) {
		return a, Older
	}
	var c considered
	c.consider(&a, site, site.Day(at))
	p := &c.schedule.plan
	mark := &Mark{At: at, Done: true, Totals: totals}
	for i, t := range p.Triggers {
		if !p.grid(t) {
			continue
		}
		if r := c.verdict(); p.Basis == Fixed && r.Due != 0 && c.today < r.Earliest {
			return a, Extra
		}
		mark.Settled = c.settledBy(t, &c.found[i], c.today)
	}
	a.Mark, a.Skipped = mark, 0
	a.Crossings = slices.DeleteFunc(slices.Clone(a.Crossings), func(x Crossing) bool { return !x.At.After(at) })
	if p.Basis == OneOff {
		return a, Ended
	}
	return a, Counted
}

// settledBy gives the day up to which a completion that counts settles a grid. Where
// it is late, the date that was open passed by; on a grid of intervals use or a
// check may have asked for it sooner: then the next date is settled if it is near.
func (c *considered) settledBy(t Trigger, f *found, day calendar.Date) calendar.Date {
	_, every := t.(Every)
	return max(c.settle(t, day, every || f.due != 0 && f.due < day), c.settled(t))
}

// mostSkip is how long work may be put off by one skip.
const mostSkip = 366

// Skip puts the work off until a day. It is no completion: the assignment goes on
// counting from where it did, and is due on that day at the earliest.
func Skip(a Assignment, site *Site, until calendar.Date, now time.Time) (Assignment, error) {
	today := site.Day(now)
	switch {
	case a.Schedule.plan.Criticality == S:
		return a, fault.Field("until", until, "work of criticality S (safety, legal) cannot be skipped; it stays on top until it is done")
	case until <= today || until > today+mostSkip:
		return a, fault.Field("until", until, "is a day from %s to %s", today+1, today+mostSkip)
	}
	a.Skipped = until
	return a, nil
}
