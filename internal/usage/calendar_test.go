package usage_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"spindlebook/internal/fault"
	"spindlebook/internal/usage"
)

func TestAWeekAndAYearAreWhatTheFactorsSay(t *testing.T) {
	t.Parallel()
	p := trade(t, "snowbelt", "medium")
	c := over(t, p, usage.Place{Zone: zone(t, "America/Chicago"), Turns: 3 * time.Hour})
	at := func(month time.Month, day, hour int) time.Time {
		return time.Date(2026, month, day, hour, 0, 0, 0, zone(t, "America/Chicago"))
	}
	for _, x := range []struct {
		what     string
		from, to time.Time
		want     float64
	}{
		{"a week of February", at(2, 2, 3), at(2, 9, 3), 7 * 1.44},
		{"the last Saturday of it", at(2, 7, 3), at(2, 8, 3), 1.44 * 1.75},
		{"what comes in its night belongs to it", at(2, 7, 4), at(2, 8, 2), 1.44 * 1.75},
		{"nobody comes at night", at(2, 7, 20), at(2, 8, 8), 0},
		{"a tenth of a Monday from 11 to 12", at(2, 2, 11), at(2, 2, 12), 0.1 * 1.44 * 0.84},
		{"half of that until half past", at(2, 2, 11), at(2, 2, 11).Add(30 * time.Minute), 0.05 * 1.44 * 0.84},
		{"backwards", at(2, 9, 3), at(2, 2, 3), -7 * 1.44},
	} {
		if got := c.Days(x.from, x.to); math.Abs(got-x.want) > 1e-9 {
			t.Errorf("%s: %.6f operational days, want %.6f", x.what, got, x.want)
		}
	}
	year := c.Days(at(1, 1, 3), time.Date(2027, 1, 1, 3, 0, 0, 0, zone(t, "America/Chicago")))
	if math.Abs(year-365) > 4 {
		t.Errorf("a year has %.1f operational days", year)
	}
}

// A day is one of the calendar, of 23, 24 or 25 hours, and not 24 hours: in
// Chicago the clock went forward on 8 March 2026 and goes back on 1 November; in
// Lord Howe by half an hour; in Santiago midnight itself is skipped.
func TestDaysOfOtherLengths(t *testing.T) {
	t.Parallel()
	for _, x := range []struct {
		zone     string
		turns    time.Duration
		from, to time.Time // local dates
	}{
		{"America/Chicago", 0, time.Date(2026, 3, 8, 0, 0, 0, 0, time.UTC), time.Date(2026, 3, 9, 0, 0, 0, 0, time.UTC)},
		{"America/Chicago", 0, time.Date(2026, 11, 1, 0, 0, 0, 0, time.UTC), time.Date(2026, 11, 2, 0, 0, 0, 0, time.UTC)},
		{"America/Chicago", 3 * time.Hour, time.Date(2026, 3, 7, 0, 0, 0, 0, time.UTC), time.Date(2026, 3, 9, 0, 0, 0, 0, time.UTC)},
		{"Australia/Lord_Howe", 0, time.Date(2026, 4, 5, 0, 0, 0, 0, time.UTC), time.Date(2026, 4, 6, 0, 0, 0, 0, time.UTC)},
		{"America/Santiago", 0, time.Date(2026, 9, 5, 0, 0, 0, 0, time.UTC), time.Date(2026, 9, 7, 0, 0, 0, 0, time.UTC)},
	} {
		z := zone(t, x.zone)
		c := over(t, flat(0), usage.Place{Zone: z, Turns: x.turns})
		local := func(d time.Time) time.Time {
			return time.Date(d.Year(), d.Month(), d.Day(), int(x.turns.Hours()), 0, 0, 0, z)
		}
		want := x.to.Sub(x.from).Hours() / 24
		if got := c.Days(local(x.from), local(x.to)); math.Abs(got-want) > 1e-9 {
			t.Errorf("%s from %s: %v days, want %v", x.zone, x.from.Format(time.DateOnly), got, want)
		}
	}
}

// On a day of 23 or 25 hours the hours of use are spread over the day as it is,
// longer or shorter by a 24th. So at no hour of the clock is such a day's use off
// by more than six hundredths, which is ten vehicles or so twice a year, and its
// end is exact.
func TestHoursOfDaysOfOtherLengths(t *testing.T) {
	t.Parallel()
	p := trade(t, "snowbelt", "medium")
	for _, date := range []time.Time{time.Date(2026, 3, 7, 0, 0, 0, 0, time.UTC), time.Date(2026, 10, 31, 0, 0, 0, 0, time.UTC)} { // the days that turn while the clock does
		z := zone(t, "America/Chicago")
		c := over(t, p, usage.Place{Zone: z, Turns: 3 * time.Hour})
		at := func(days, hour int) time.Time {
			return time.Date(date.Year(), date.Month(), date.Day()+days, hour, 0, 0, 0, z)
		}
		all := c.Days(at(0, 3), at(1, 3))
		if hours := at(1, 3).Sub(at(0, 3)).Hours(); hours != 23 && hours != 25 {
			t.Fatalf("%s has %v hours", date.Format(time.DateOnly), hours)
		}
		if usual := p.Month[date.Month()-1] * p.Weekday[date.Weekday()]; math.Abs(all-usual) > 1e-9 {
			t.Errorf("%s counts %v, not %v", date.Format(time.DateOnly), all, usual)
		}
		worst, gone := 0.0, 0.0
		for h := 3; h <= 23; h++ {
			worst = max(worst, math.Abs(c.Days(at(0, 3), at(0, h))/all-gone))
			gone += p.Hour[h]
		}
		if worst > 0.06 || worst == 0 {
			t.Errorf("%s is off by %.3f of its use", date.Format(time.DateOnly), worst)
		}
	}
}

func TestClosedDaysHaveNoUse(t *testing.T) {
	t.Parallel()
	closed := func(d time.Time) bool { return d.Month() == 12 && d.Day() == 25 || d.Weekday() == time.Sunday }
	c := over(t, flat(0), usage.Place{Zone: time.UTC, Closed: closed})
	day := func(month time.Month, d int) time.Time { return time.Date(2026, month, d, 0, 0, 0, 0, time.UTC) }
	if got := c.Days(day(12, 21), day(12, 28)); got != 5 { // Monday to Sunday with Christmas
		t.Errorf("Christmas week: %v days, want 5", got)
	}
	// 10 a day from Thursday evening: the 11th comes on Saturday, not at Christmas
	o := usage.Rate{PerDay: 10, Basis: usage.Measured}.Outlook(c, usage.Point{At: day(12, 24).Add(24 * time.Hour)})
	if f := o.Forecast(1); !f.Likely.After(day(12, 26)) || f.Likely.After(day(12, 27)) {
		t.Errorf("one more: %v, want 26 December", f.Likely)
	}
	if f := o.Forecast(10.1); f.Likely.Before(day(12, 28)) {
		t.Errorf("more than Saturday has: %v, want Monday 28 December", f.Likely)
	}
	if f := o.Forecast(10); f.Likely.After(day(12, 27)) {
		t.Errorf("all of Saturday: %v, want no later than its end", f.Likely)
	}
}

func TestBeyondTheTableADayIsADay(t *testing.T) {
	t.Parallel()
	from := start.AddDate(0, 0, 0)
	c, err := usage.NewCalendar(trade(t, "snowbelt", "small"), usage.Place{Zone: time.UTC}, from, from.AddDate(0, 0, 6))
	if err != nil {
		t.Fatal(err)
	}
	for _, x := range []struct{ from, to time.Time }{
		{from.AddDate(-1, 0, 0), from}, {from.AddDate(0, 0, 7), from.AddDate(3, 0, 0)},
	} {
		if got, want := c.Days(x.from, x.to), x.to.Sub(x.from).Hours()/24; math.Abs(got-want) > 1e-9 {
			t.Errorf("%v to %v: %v days, want %v", x.from, x.to, got, want)
		}
	}
	o := usage.Rate{PerDay: 2, Basis: usage.Measured}.Outlook(c, usage.Point{At: from.AddDate(0, 0, 7)})
	if f := o.Forecast(1000); !f.Likely.Equal(from.AddDate(0, 0, 507)) {
		t.Errorf("500 days on: %v", f.Likely)
	}
	o = usage.Rate{PerDay: 2, Basis: usage.Measured}.Outlook(c, usage.Point{At: from.AddDate(0, 0, -100)})
	if f := o.Forecast(100); !f.Likely.Equal(from.AddDate(0, 0, -50)) {
		t.Errorf("before the table: %v", f.Likely)
	}
}

func TestWhatIsNoCalendarIsRefused(t *testing.T) {
	t.Parallel()
	good := flat(0.05)
	for _, c := range []struct {
		field    string
		profile  func(*usage.Profile)
		place    usage.Place
		from, to time.Time
	}{
		{"zone", nil, usage.Place{}, start, start.AddDate(1, 0, 0)},
		{"turns", nil, usage.Place{Zone: time.UTC, Turns: -time.Hour}, start, start.AddDate(1, 0, 0)},
		{"turns", nil, usage.Place{Zone: time.UTC, Turns: 25 * time.Hour}, start, start.AddDate(1, 0, 0)},
		{"to", nil, usage.Place{Zone: time.UTC}, start, start.AddDate(0, 0, -2)},
		{"to", nil, usage.Place{Zone: time.UTC}, start, start.AddDate(101, 0, 0)},
		{"profile.month[2]", func(p *usage.Profile) { p.Month[2] = -1 }, usage.Place{Zone: time.UTC}, start, start},
		{"profile.weekday[6]", func(p *usage.Profile) { p.Weekday[6] = math.NaN() }, usage.Place{Zone: time.UTC}, start, start},
		{"profile.hour[23]", func(p *usage.Profile) { p.Hour[23] = math.Inf(1) }, usage.Place{Zone: time.UTC}, start, start},
		{"profile.kappa", func(p *usage.Profile) { p.Kappa = -0.1 }, usage.Place{Zone: time.UTC}, start, start},
		{"profile", func(p *usage.Profile) { *p = usage.Profile{} }, usage.Place{Zone: time.UTC}, start, start},
	} {
		p := good
		if c.profile != nil {
			c.profile(&p)
		}
		_, err := usage.NewCalendar(p, c.place, c.from, c.to)
		if fault.KindOf(err) != fault.Invalid || !strings.HasPrefix(err.Error(), c.field+":") {
			t.Errorf("%s: %v", c.field, err)
		}
	}
	if c, err := usage.NewCalendar(good, usage.Place{Zone: time.UTC}, start, start); err != nil || c.Days(start, start.AddDate(0, 0, 1)) != 1 {
		t.Errorf("a table of one day: %v", err)
	}
}

// drawPlace draws a site: zones that skip and repeat hours, days that turn at
// any minute, days that are closed.
func drawPlace(t *rapid.T) usage.Place {
	z, err := time.LoadLocation(rapid.SampledFrom([]string{"UTC", "America/Chicago", "Australia/Lord_Howe", "America/Santiago", "Asia/Kathmandu"}).Draw(t, "zone"))
	if err != nil {
		t.Fatal(err)
	}
	shut := rapid.IntRange(0, 9).Draw(t, "every how many days it is closed")
	return usage.Place{
		Zone:   z,
		Turns:  time.Duration(rapid.IntRange(0, 24*60).Draw(t, "turns")) * time.Minute,
		Closed: func(d time.Time) bool { return shut > 1 && d.YearDay()%shut == 0 },
	}
}

func drawProfile(t *rapid.T) usage.Profile {
	p := usage.Profile{Kappa: rapid.Float64Range(0, 0.2).Draw(t, "kappa")}
	for i := range p.Month {
		p.Month[i] = rapid.Float64Range(0.2, 3).Draw(t, "month")
	}
	for i := range p.Weekday {
		p.Weekday[i] = rapid.Float64Range(0.2, 3).Draw(t, "weekday")
	}
	if rapid.Bool().Draw(t, "by the hour") {
		for i := range p.Hour {
			p.Hour[i] = rapid.SampledFrom([]float64{0, 0.1, 1}).Draw(t, "share")
		}
	}
	return p
}

func drawInstant(t *rapid.T, what string) time.Time {
	return start.Add(time.Duration(rapid.Int64Range(-3*365*86400, 6*365*86400).Draw(t, what)) * time.Second)
}

func drawCalendar(t *rapid.T) *usage.Calendar {
	c, err := usage.NewCalendar(drawProfile(t), drawPlace(t), start.AddDate(-2, 0, 0), start.AddDate(5, 0, 0))
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// Operational time never runs backwards, adds up over splits, and the instant at
// which so many days have gone by is the first by which they have.
func TestOperationalTime(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		c := drawCalendar(t)
		a, b, m := drawInstant(t, "a"), drawInstant(t, "b"), drawInstant(t, "m")
		if b.Before(a) {
			a, b = b, a
		}
		d := c.Days(a, b)
		if d < 0 {
			t.Fatalf("%v to %v: %v days", a, b, d)
		}
		if off := c.Days(a, m) + c.Days(m, b) - d; math.Abs(off) > 1e-6 {
			t.Fatalf("split at %v: off by %v", m, off)
		}
		reach := usage.Rate{PerDay: 1, Basis: usage.Measured}.Outlook(c, usage.Point{At: a})
		switch f := reach.Forecast(d); {
		case d == 0:
		case f.Likely.After(b):
			t.Fatalf("%v days from %v: %v, but they have gone by at %v", d, a, f.Likely, b)
		case c.Days(a, f.Likely) < d-1e-6:
			t.Fatalf("%v days from %v: %v, but only %v have gone by then", d, a, f.Likely, c.Days(a, f.Likely))
		}
	})
}
