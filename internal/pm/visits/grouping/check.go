package grouping

import (
	"fmt"
	"math"
	"slices"

	"spindlebook/internal/calendar"
	"spindlebook/internal/fault"
	"spindlebook/internal/money"
)

// most bounds money and minutes, so that no sum of them overflows.
const most = math.MaxInt32

// check names what in the input breaks a rule.
func (s *Site) check() error {
	var faults []*fault.Error
	bad := func(field string, value any, format string, args ...any) {
		faults = append(faults, fault.Field(field, value, format, args...))
	}
	upTo := func(field string, v, most int64) {
		if v < 0 || v > most {
			bad(field, v, "is a whole number from 0 to %d", most)
		}
	}
	upTo("trip.cost", s.Trip.Cost, most)
	upTo("trip.minutes", int64(s.Trip.Minutes), most)
	if !money.Is(s.Trip.Currency) {
		bad("trip.currency", s.Trip.Currency, "is a currency of ISO 4217 such as USD")
	}
	for i, d := range s.Days {
		if d.Date <= 0 || i > 0 && d.Date <= s.Days[i-1].Date {
			bad(fmt.Sprintf("days[%d]", i), d.Date, "days are given once each, in order")
		}
	}
	known := map[string]bool{}
	for i := range s.Tasks {
		t, field := &s.Tasks[i], func(name string) string { return fmt.Sprintf("tasks[%d].%s", i, name) }
		if t.ID == "" || known[t.ID] {
			bad(field("id"), t.ID, "names each task once")
		}
		known[t.ID] = true
		if t.Earliest <= 0 || t.Earliest > t.Due || t.Due > t.Latest {
			bad(field("due"), t.Due, "lies from the earliest day (%s) to the latest (%s)", t.Earliest, t.Latest)
		}
		if !slices.Contains(graver, t.Criticality) {
			bad(field("criticality"), t.Criticality, "is S, A, B or C")
		}
		upTo(field("interval"), int64(t.Interval), most)
		upTo(field("worth"), t.Worth, most)
		upTo(field("down"), int64(t.Down), most)
		upTo(field("second"), int64(t.Second), 100)
		for k, h := range t.Hands {
			upTo(fmt.Sprintf("tasks[%d].hands[%d].minutes", i, k), int64(h.Minutes), most)
		}
	}
	decided, dates := map[string]bool{}, map[calendar.Date]bool{}
	for i, l := range s.Locked {
		if l.Date <= 0 || dates[l.Date] {
			bad(fmt.Sprintf("locked[%d].date", i), l.Date, "names each day once")
		}
		dates[l.Date] = true
		for k, id := range l.Tasks {
			if !known[id] || decided[id] {
				bad(fmt.Sprintf("locked[%d].tasks[%d]", i, k), id, "is one of the tasks, on one locked visit")
			}
			decided[id] = true
		}
	}
	return fault.Collect(faults...)
}
