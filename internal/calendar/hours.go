package calendar

import (
	"slices"
	"time"
)

// Span is from one instant up to another, which is not part of it.
type Span struct{ From, To time.Time }

// Weekly is a stretch of each week by the wall clock. It may run over midnight.
type Weekly struct {
	Day    time.Weekday
	Starts time.Duration // since midnight
	Length time.Duration // at most 24 h
}

// Hours are those in which something is allowed: some of each week, less what is
// barred (blackouts).
type Hours struct {
	Weekly []Weekly
	Barred []Span
}

// On gives the free stretches that begin in an operating day, in order. One that
// runs on over the turn of the day is not cut there.
func (h Hours) On(p Place, d Date) []Span {
	start, end := p.Start(d), p.Start(d+1)
	var free []Span
	for date := d - 1; date <= d+1; date++ {
		for _, w := range h.Weekly {
			if w.Day != date.Weekday() {
				continue
			}
			from := Local(date, w.Starts, p.Zone)
			if from.Before(start) || !from.Before(end) {
				continue
			}
			to := Local(date+Date((w.Starts+w.Length)/(24*time.Hour)), (w.Starts+w.Length)%(24*time.Hour), p.Zone)
			free = append(free, less(Span{from, to}, h.Barred)...)
		}
	}
	slices.SortFunc(free, func(a, b Span) int { return a.From.Compare(b.From) })
	return free
}

// less takes the barred spans out of one.
func less(s Span, barred []Span) []Span {
	rest := []Span{s}
	for _, b := range barred {
		var next []Span
		for _, r := range rest {
			if !b.From.Before(r.To) || !r.From.Before(b.To) {
				next = append(next, r)
				continue
			}
			if r.From.Before(b.From) {
				next = append(next, Span{r.From, b.From})
			}
			if b.To.Before(r.To) {
				next = append(next, Span{b.To, r.To})
			}
		}
		rest = next
	}
	return rest
}

// Days gives the operating days, from one to another, in which a free stretch of
// that length begins. None is a conflict that a person must see.
func (h Hours) Days(p Place, from, to Date, need time.Duration) []Date {
	var days []Date
	for d := from; d <= to; d++ {
		if slices.ContainsFunc(h.On(p, d), func(s Span) bool { return s.To.Sub(s.From) >= need }) {
			days = append(days, d)
		}
	}
	return days
}
