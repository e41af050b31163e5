package calendar

import (
	"testing"
	"time"
)

// A line may be down at night from Tuesday to Thursday, 19:00 to 07:00.
func nights() Hours {
	var h Hours
	for _, d := range []time.Weekday{time.Tuesday, time.Wednesday, time.Thursday} {
		h.Weekly = append(h.Weekly, Weekly{d, 19 * time.Hour, 12 * time.Hour})
	}
	return h
}

func TestHoursRunOverTheTurnOfTheDay(t *testing.T) {
	ny := Place{zone(t, "America/New_York"), 3 * time.Hour}
	h := nights()
	got := h.On(ny, day(t, "2026-06-16")) // a Tuesday
	if len(got) != 1 || got[0].From.Format("02 15:04") != "16 19:00" || got[0].To.Format("02 15:04") != "17 07:00" {
		t.Errorf("Tuesday night: %v", got)
	}
	if got := h.On(ny, day(t, "2026-06-19")); got != nil {
		t.Errorf("on Friday: %v", got)
	}
	early := Hours{Weekly: []Weekly{{time.Sunday, 90 * time.Minute, time.Hour}}}
	if got := early.On(ny, day(t, "2026-06-13")); len(got) != 1 {
		t.Errorf("01:30 on Sunday belongs to Saturday's operating day: %v", got)
	}
}

func TestHoursLessBlackouts(t *testing.T) {
	ny := Place{zone(t, "America/New_York"), 3 * time.Hour}
	h := nights()
	at := func(d string, hour int) time.Time { return Local(day(t, d), time.Duration(hour)*time.Hour, ny.Zone) }
	h.Barred = []Span{
		{at("2026-06-16", 22), at("2026-06-16", 23)},                                              // in the middle of Tuesday night
		{at("2026-06-17", 12), at("2026-06-17", 20)}, {at("2026-06-18", 5), at("2026-06-18", 12)}, // both ends of Wednesday night
		{at("2026-06-18", 12), at("2026-06-19", 12)}, {at("2026-06-01", 0), at("2026-06-02", 0)}, // all of Thursday night; long before
	}
	if got := h.On(ny, day(t, "2026-06-16")); len(got) != 2 || got[0].To.Hour() != 22 || got[1].From.Hour() != 23 {
		t.Errorf("Tuesday: %v", got)
	}
	if got := h.On(ny, day(t, "2026-06-17")); len(got) != 1 || got[0].To.Sub(got[0].From) != 9*time.Hour {
		t.Errorf("Wednesday: %v", got)
	}
	from, to := day(t, "2026-06-15"), day(t, "2026-06-21")
	for need, want := range map[time.Duration]int{3 * time.Hour: 2, 9 * time.Hour: 1, 10 * time.Hour: 0} {
		if got := h.Days(ny, from, to, need); len(got) != want {
			t.Errorf("%s are free on %v, want %d days", need, got, want)
		}
	}
}

// The night on which the clocks go forward is an hour shorter.
func TestHoursByTheWallClock(t *testing.T) {
	ny := Place{zone(t, "America/New_York"), 3 * time.Hour}
	h := Hours{Weekly: []Weekly{{time.Saturday, 22 * time.Hour, 8 * time.Hour}}}
	if got := h.On(ny, day(t, "2026-03-07"))[0]; got.To.Sub(got.From) != 7*time.Hour || got.To.Hour() != 6 {
		t.Errorf("in spring: %v", got)
	}
	if got := h.On(ny, day(t, "2026-10-31"))[0]; got.To.Sub(got.From) != 9*time.Hour {
		t.Errorf("in autumn: %v", got)
	}
}
