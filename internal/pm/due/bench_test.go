package due

import (
	"testing"
	"time"

	"spindlebook/internal/calendar"
)

// many are assignments as a programme of 46 tasks gives them, with counters.
func many(b *testing.B, n int) ([]Assignment, *Site, time.Time) {
	now := calendar.Local(calendar.On(2026, 10, 5), 8*time.Hour, ny)
	drivers := line1(now)
	var schedules []*Schedule
	for _, x := range programme(b) {
		s, err := New(x.plan(b))
		if err != nil {
			b.Fatal(err)
		}
		schedules = append(schedules, s)
	}
	all := make([]Assignment, n)
	for i := range all {
		at := now.AddDate(0, 0, -(i*7)%60)
		all[i] = Assignment{Schedule: schedules[i%len(schedules)], Since: commissioned, Drivers: drivers,
			Mark: &Mark{At: at, Done: true, Totals: []Total{{Unit: Vehicles, Value: drivers[0].Last.Total - 100}, {Unit: RunHours, Value: drivers[1].Last.Total - 5}, {Unit: Cycles, Value: drivers[2].Last.Total - 200}}}}
	}
	return all, &Site{Place: place}, now
}

// BenchmarkJudge tells what is due, with bands, for 100,000 assignments.
func BenchmarkJudge(b *testing.B) {
	all, site, now := many(b, 100_000)
	b.ReportAllocs()
	for b.Loop() {
		for i := range all {
			Judge(&all[i], site, now)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(len(all)), "ns/assignment")
}

// BenchmarkExplain tells it in words for a page of 50.
func BenchmarkExplain(b *testing.B) {
	all, site, now := many(b, 50)
	b.ReportAllocs()
	for b.Loop() {
		for i := range all {
			Explain(&all[i], site, now)
		}
	}
}

// BenchmarkAhead looks two years ahead for one tunnel of 200 assignments.
func BenchmarkAhead(b *testing.B) {
	all, site, now := many(b, 200)
	until, n := site.Day(now)+Horizon, 0
	b.ReportAllocs()
	for b.Loop() {
		n = 0
		for i := range all {
			n += len(Ahead(all[i], site, now, until))
		}
	}
	b.ReportMetric(float64(n), "occurrences")
}
