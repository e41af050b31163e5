package usage_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"spindlebook/internal/fault"
	"spindlebook/internal/usage"
)

// The first profiles are the trade's: shares of the seasons and the week as in
// its statistics (2012-2015: winter 32, spring 25, summer 25, fall 18 % of the
// year in the snow belt; Friday 20, Saturday 25, Sunday and Monday 12 % of the
// week), all factors with mean 1, and nobody at night.
func TestTradeProfiles(t *testing.T) {
	t.Parallel()
	for _, climate := range usage.Climates {
		for _, size := range usage.Sizes {
			p := trade(t, climate, size)
			month, week, day := 0.0, 0.0, 0.0
			for _, f := range p.Month {
				month += f / 12
			}
			for _, f := range p.Weekday {
				week += f / 7
			}
			for _, f := range p.Hour {
				day += f
			}
			if math.Abs(month-1) > 0.001 || math.Abs(week-1) > 0.001 || math.Abs(day-1) > 0.011 {
				t.Errorf("%s %s: means of months %.4f, of weekdays %.4f, sum of hours %.4f", climate, size, month, week, day)
			}
			if p.Kappa <= 0 || p.Meters != 0 || p.Hour[3] != 0 || p.Hour[12] != 0.11 {
				t.Errorf("%s %s: %+v", climate, size, p)
			}
		}
	}
	p := trade(t, "snowbelt", "medium")
	for i, want := range []float64{0.32, 0.25, 0.25, 0.18} {
		got := (p.Month[(11+3*i)%12] + p.Month[(12+3*i)%12] + p.Month[(13+3*i)%12]) / 12
		if math.Abs(got-want) > 0.03 {
			t.Errorf("season %d: %.3f of the year, want %.2f", i, got, want)
		}
	}
	for day, want := range map[time.Weekday]float64{time.Friday: 0.20, time.Saturday: 0.25, time.Sunday: 0.12, time.Monday: 0.12} {
		if got := p.Weekday[day] / 7; math.Abs(got-want) > 0.001 {
			t.Errorf("%v: %.3f of the week, want %.2f", day, got, want)
		}
	}
	for field, given := range map[string][2]string{"climate": {"hot", "small"}, "size": {"snowbelt", "huge"}} {
		if _, err := usage.TradeProfile(given[0], given[1]); fault.KindOf(err) != fault.Invalid || !strings.HasPrefix(err.Error(), field+": is one of ") {
			t.Errorf("%v: %v", given, err)
		}
	}
}

// over lays another profile over the days of a town.
func (w town) over(t testing.TB, p usage.Profile) town {
	t.Helper()
	closed := func(d time.Time) bool { return d.Month() == time.December && d.Day() == 25 || d.YearDay() == 1 }
	c, err := usage.NewCalendar(p, usage.Place{Zone: time.UTC, Turns: 3 * time.Hour, Closed: closed}, w.from, w.from.AddDate(8, 0, 0))
	if err != nil {
		t.Fatal(err)
	}
	w.calendar = c
	return w
}

// From sites of the snow belt and a flat start the trade's factors come back,
// though the weather and their growth hide them.
func TestLearnFindsTheFactors(t *testing.T) {
	t.Parallel()
	want, sites := trade(t, "snowbelt", "medium"), washes(t, "snowbelt", "medium", 300, 20, 4)
	base := flat(0.07)
	base.Hour = want.Hour
	for _, every := range []int{1, 30} {
		got := usage.Learn(base, sites.over(t, base).read(every))
		if got.Meters != 20 || math.Abs(got.Years-80) > 4 || got.Kappa != 0.07 || got.Hour != base.Hour {
			t.Errorf("learnt from %d meters and %.1f years, kappa %v", got.Meters, got.Years, got.Kappa)
		}
		for i, f := range got.Month {
			// readings by the month fall anywhere in it: what they show is blurred
			if tolerance := map[int]float64{1: 0.08, 30: 0.15}[every]; math.Abs(f-want.Month[i]) > tolerance {
				t.Errorf("read every %d days: %v %.3f, want %.2f", every, time.Month(i+1), f, want.Month[i])
			}
		}
		for i, f := range got.Weekday {
			if every == 1 && math.Abs(f-want.Weekday[i]) > 0.05 { // the best Saturdays are cut at what the line can do
				t.Errorf("%v %.3f, want %.2f", time.Weekday(i), f, want.Weekday[i])
			}
			if every > 1 && f != 1 {
				t.Errorf("%v %.3f, learnt from readings by the month", time.Weekday(i), f)
			}
		}
	}
}

// A site's own month counts y/(y+2) after y years, a weekday n/(n+16) after n
// weeks. So a site that is shut on Sundays by its own habit, and busy in May, is
// believed slowly.
func TestOwnFactorsCountByTheYearsSeen(t *testing.T) {
	t.Parallel()
	pool := flat(0)
	from := time.Date(2023, 1, 1, 0, 0, 0, 0, time.UTC)
	c := calendarFrom(t, pool, from, 5)
	for _, years := range []int{1, 2, 4} {
		perDay := make([]float64, years*365+1)
		for i := range perDay {
			day := from.AddDate(0, 0, i)
			perDay[i] = 100
			if day.Month() == time.May {
				perDay[i] = 200
			}
			if day.Weekday() == time.Sunday {
				perDay[i] /= 2
			}
		}
		own := usage.Learn(pool, []usage.Meter{{History: history(perDay, from, 0, time.UTC, 1), Calendar: c}})
		y := float64(years)
		if got, want := own.Month[4]/own.Month[0], 1+y/(y+2)*0.92; math.Abs(got-want) > 0.08 {
			t.Errorf("%d years: May is %.3f times January, want about %.3f", years, got, want)
		}
		w := 52.1 * y
		if got, want := own.Weekday[0]/own.Weekday[3], 1-w/(w+16)*0.5; math.Abs(got-want) > 0.03 {
			t.Errorf("%d years: Sunday is %.3f times Wednesday, want about %.3f", years, got, want)
		}
	}
}

// A half year seen in winter says nothing of summer.
func TestUnseenMonthsKeepTheBase(t *testing.T) {
	t.Parallel()
	base := trade(t, "snowbelt", "small")
	from := time.Date(2023, 1, 1, 0, 0, 0, 0, time.UTC)
	c := calendarFrom(t, base, from, 3)
	perDay := make([]float64, 90)
	for i := range perDay {
		perDay[i] = 100 * base.Weekday[from.AddDate(0, 0, i).Weekday()] // January to March alike
	}
	own := usage.Learn(base, []usage.Meter{{History: history(perDay, from, 0, time.UTC, 1), Calendar: c}})
	if got, want := own.Month[6]/own.Month[7], base.Month[6]/base.Month[7]; math.Abs(got-want) > 1e-9 {
		t.Errorf("July over August: %v, want %v", got, want)
	}
	if own.Month[1] >= base.Month[1] || own.Month[0] <= base.Month[0] {
		t.Errorf("January %.3f of %.3f, February %.3f of %.3f: want them nearer", own.Month[0], base.Month[0], own.Month[1], base.Month[1])
	}
	for name, meters := range map[string][]usage.Meter{
		"no meter":         nil,
		"no reading":       {{Calendar: c}},
		"one reading":      {{Calendar: c, History: readings(time.UTC, 0, 5)}},
		"standing still":   {{Calendar: c, History: readings(time.UTC, -900, 5, -800, 5, -700, 5)}},
		"long before":      {{Calendar: c, History: readings(time.UTC, -9000, 5, -8000, 9)}},
		"only made-up one": {{Calendar: c, History: usage.History{Points: []usage.Point{{At: from, Grade: usage.Default}, {At: from.AddDate(1, 0, 0), Total: 9, Grade: usage.Extrapolated}}}}},
	} {
		got := usage.Learn(base, meters)
		got.Meters, got.Years = 0, 0
		for i := range got.Month {
			if math.Abs(got.Month[i]-base.Month[i]) > 1e-9 {
				t.Errorf("%s: %v, want the base", name, got.Month)
				break
			}
		}
		if got.Weekday != base.Weekday {
			t.Errorf("%s: %v, want the base", name, got.Weekday)
		}
	}
}

// A level that changes with the regime is no season.
func TestLearnKeepsRegimesApart(t *testing.T) {
	t.Parallel()
	base := flat(0)
	from := time.Date(2023, 1, 1, 0, 0, 0, 0, time.UTC)
	c := calendarFrom(t, base, from, 3)
	perDay := make([]float64, 365)
	for i := range perDay {
		perDay[i] = 100
		if i >= 181 { // from July on
			perDay[i] = 300
		}
	}
	h := history(perDay, from, 0, time.UTC, 1)
	together := usage.Learn(base, []usage.Meter{{History: h, Calendar: c}})
	h.Breaks = []usage.Break{{At: from.AddDate(0, 0, 181).Add(-time.Minute), Why: "second line"}}
	apart := usage.Learn(base, []usage.Meter{{History: h, Calendar: c}})
	if together.Month[11] < 1.1 {
		t.Errorf("without the change told, December is %.3f", together.Month[11])
	}
	for i, f := range apart.Month {
		if math.Abs(f-1) > 0.01 {
			t.Errorf("with the change told, %v is %.3f", time.Month(i+1), f)
		}
	}
}

func calendarFrom(t testing.TB, p usage.Profile, from time.Time, years int) *usage.Calendar {
	t.Helper()
	c, err := usage.NewCalendar(p, usage.Place{Zone: time.UTC}, from, from.AddDate(years, 0, 0))
	if err != nil {
		t.Fatal(err)
	}
	return c
}
