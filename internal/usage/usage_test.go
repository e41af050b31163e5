package usage_test

import (
	"testing"
	"time"

	"spindlebook/internal/usage"
)

// start is the first instant of most tests, a Thursday.
var start = time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)

func zone(t testing.TB, name string) *time.Location {
	t.Helper()
	z, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return z
}

// flat is a profile without seasons: every day and hour alike.
func flat(kappa float64) usage.Profile {
	p := usage.Profile{Kappa: kappa}
	for i := range p.Month {
		p.Month[i] = 1
	}
	for i := range p.Weekday {
		p.Weekday[i] = 1
	}
	return p
}

func trade(t testing.TB, climate, size string) usage.Profile {
	t.Helper()
	p, err := usage.TradeProfile(climate, size)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// calendar lays a profile over the years around start, in UTC.
func calendar(t testing.TB, p usage.Profile) *usage.Calendar {
	t.Helper()
	return over(t, p, usage.Place{Zone: time.UTC})
}

func over(t testing.TB, p usage.Profile, at usage.Place) *usage.Calendar {
	t.Helper()
	c, err := usage.NewCalendar(p, at, start.AddDate(-2, 0, 0), start.AddDate(5, 0, 0))
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func measure(t testing.TB, h usage.History, c *usage.Calendar, now time.Time) usage.Rate {
	t.Helper()
	r, err := usage.Measure(h, c, now)
	if err != nil {
		t.Fatal(err)
	}
	return r
}
