package usage_test

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"spindlebook/internal/fault"
	"spindlebook/internal/usage"
)

// noon gives local noon, days after 1 January 2026.
func noon(z *time.Location, days int) time.Time { return time.Date(2026, 1, 1+days, 12, 0, 0, 0, z) }

func readings(z *time.Location, pairs ...float64) (h usage.History) {
	for i := 0; i < len(pairs); i += 2 {
		h.Points = append(h.Points, usage.Point{At: noon(z, int(pairs[i])), Total: pairs[i+1]})
	}
	return h
}

// By hand: 100, 180, 260, 340 on days 0, 10, 20, 30 are 8 a day; 500 are reached
// on day 50 exactly, 20 February. From day 60 on the same crosses the change to
// summer time: a day is one of the calendar, not 24 hours.
func TestForecastByHand(t *testing.T) {
	t.Parallel()
	z := zone(t, "America/Chicago")
	c := over(t, flat(0), usage.Place{Zone: z, Turns: 3 * time.Hour})
	for _, first := range []int{0, 60} {
		d := float64(first)
		h := readings(z, d, 100, d+10, 180, d+20, 260, d+30, 340)
		r := measure(t, h, c, noon(z, first+31))
		if math.Abs(r.PerDay-8) > 1e-9 || r.Increments != 3 || r.Readings != 4 || r.Basis != usage.Measured || r.Grade != usage.Read || math.Abs(r.Window-30) > 0.05 {
			t.Errorf("rate: %+v", r)
		}
		o := r.Outlook(c, h.Points[3])
		f := o.Forecast(500 - 340)
		if want := noon(z, first+50); f.Likely.Sub(want).Abs() > time.Hour || f.Early.Sub(want).Abs() > time.Hour || f.Late.Sub(want).Abs() > time.Hour {
			t.Errorf("500 from day %d on: %+v, want %v", first, f, want)
		}
		if f.Grade != usage.Extrapolated {
			t.Errorf("grade %v", f.Grade)
		}
		if b := o.At(noon(z, first+40)); math.Abs(b.Likely-420) > 0.5 {
			t.Errorf("day 40: %+v, want 420", b)
		}
	}
	// without a change of the clock it is exact
	h := readings(z, 0, 100, 10, 180, 20, 260, 30, 340)
	r := measure(t, h, c, noon(z, 31))
	o := r.Outlook(c, h.Points[3])
	if f := o.Forecast(160); !f.Likely.Equal(noon(z, 50)) || f.Likely.In(z).Format(time.DateOnly) != "2026-02-20" {
		t.Errorf("500: %v, want %v", f.Likely, noon(z, 50))
	}
}

// Two points give their slope exactly.
func TestTwoIncrementsOfOne(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		d, m := rapid.Float64Range(0.1, 400).Draw(t, "days"), rapid.Float64Range(0, 1e6).Draw(t, "units")
		if perDay, w, s2 := usage.Slope([]float64{d}, []float64{m}); perDay != m/d || w != d || s2 != 0 {
			t.Fatalf("%v %v %v", perDay, w, s2)
		}
	})
}

func TestTooFewReadings(t *testing.T) {
	t.Parallel()
	z := time.UTC
	c := calendar(t, trade(t, "mild_wet", "small"))
	now := noon(z, 400)
	program := []usage.Break{{At: noon(z, 350), Why: "new program"}}
	of := func(g usage.Grade) usage.History {
		h := readings(z, 100, 0, 200, 800, 300, 1600)
		for i := range h.Points {
			h.Points[i].Grade = g
		}
		return h
	}
	for _, x := range []struct {
		name   string
		h      usage.History
		basis  usage.Basis
		perDay float64
		found  int
	}{
		{"none", usage.History{Planned: 12}, usage.Planned, 12, 0},
		{"none and no plan", usage.History{}, usage.Nothing, 0, 0},
		{"two", readings(z, 300, 10, 390, 20), usage.Nothing, 0, 2},
		{"three, but one longer ago than 400 days", readings(z, -5, 0, 300, 10, 390, 20), usage.Nothing, 0, 2},
		{"three on one day", readings(z, 390, 0, 390, 10, 390, 20), usage.Nothing, 0, 3},
		{"three, one of the future", readings(z, 300, 0, 390, 10, 401, 20), usage.Nothing, 0, 2},
		{"three, but two before a new program", usage.History{Points: readings(z, 300, 0, 340, 10, 390, 20).Points, Breaks: program, Planned: 7}, usage.Planned, 7, 1},
		{"interpolated ones are no readings", of(usage.Interpolated), usage.Nothing, 0, 0},
		{"nor are extrapolated ones", of(usage.Extrapolated), usage.Nothing, 0, 0},
	} {
		r := measure(t, x.h, c, now)
		if r.Basis != x.basis || r.PerDay != x.perDay || r.Grade != usage.Default || r.Readings != x.found || r.T != 0 {
			t.Errorf("%s: %+v", x.name, r)
		}
	}
	if r := measure(t, of(usage.Computed), c, now); r.Basis != usage.Measured || r.Grade != usage.Computed {
		t.Errorf("computed from another meter: %+v", r)
	}
}

// The window is the last 365 days of readings, and ends at the last regime change.
func TestTheWindow(t *testing.T) {
	t.Parallel()
	z := time.UTC
	c := calendar(t, flat(0))
	var h usage.History
	for i := range 27 { // every 30 days: 1 a day, from day 600 on 3 a day
		day := 30 * i
		h.Points = append(h.Points, usage.Point{At: noon(z, day), Total: float64(day + 2*max(day-600, 0))})
	}
	last, now := h.Points[26], noon(z, 790)
	r := measure(t, h, c, now)
	if !r.From.Equal(noon(z, 420)) || !r.To.Equal(last.At) || r.Readings != 13 || r.Increments != 12 || r.Cut != nil {
		t.Errorf("a year: %+v", r)
	}
	if want := (360.0 + 2*180) / 360; math.Abs(r.PerDay-want) > 1e-9 {
		t.Errorf("%v a day over both regimes, want %v", r.PerDay, want)
	}
	h.Breaks = []usage.Break{{At: noon(z, 10), Why: "new site"}, {At: noon(z, 600), Why: "new program"}, {At: noon(z, 800), Why: "to come"}}
	r = measure(t, h, c, now)
	if !r.From.Equal(noon(z, 600)) || r.Readings != 7 || math.Abs(r.PerDay-3) > 1e-9 || r.Cut == nil || r.Cut.Why != "new program" {
		t.Errorf("cut at the new program: %+v", r)
	}
	h.Breaks = []usage.Break{{At: noon(z, 400), Why: "new site"}} // within 400 days, and the year is shorter
	if r = measure(t, h, c, now); !r.From.Equal(noon(z, 420)) || r.Cut != nil {
		t.Errorf("cut by the year: %+v", r)
	}
	// readings so far apart that a year holds two of them: the 400 days count
	r = measure(t, readings(z, 0, 0, 190, 190, 380, 380), c, noon(z, 390))
	if r.Basis != usage.Measured || r.Readings != 3 || math.Abs(r.PerDay-1) > 1e-9 {
		t.Errorf("three in 380 days: %+v", r)
	}
}

// The slope hangs on the first and the last reading: one that stands apart from
// all others is told, and one in the middle moves nothing.
func TestAReadingThatStandsApart(t *testing.T) {
	t.Parallel()
	c := calendar(t, flat(0))
	for wrong, told := range map[int]bool{0: true, 5: false, 9: true, -1: false} {
		var h usage.History
		for i := range 10 {
			total := 1000 + 80*float64(i)
			switch {
			case i == wrong && i == 0:
				total -= 400
			case i == wrong:
				total += 79 // or it would fall
			}
			if i == wrong && i == 9 {
				total += 400
			}
			h.Points = append(h.Points, usage.Point{At: noon(time.UTC, 10*i), Total: total})
		}
		r := measure(t, h, c, noon(time.UTC, 90))
		if told != (r.Middle != 0) || told && math.Abs(r.Middle-8) > 0.4 {
			t.Errorf("reading %d wrong: %+v", wrong, r)
		}
	}
	// daily readings are thinned out before all pairs are compared
	var h usage.History
	for i := range 300 {
		h.Points = append(h.Points, usage.Point{At: noon(time.UTC, i), Total: 8 * float64(i)})
	}
	h.Points[299].Total += 500
	if r := measure(t, h, c, noon(time.UTC, 300)); math.Abs(r.Middle-8) > 0.1 || math.Abs(r.PerDay-8-500.0/299) > 1e-9 {
		t.Errorf("of 300: %+v", r)
	}
}

// Two readings on a day at different values are both kept: the newest is where
// forecasts start, and the noise of an hour is not taken for that of a day.
func TestTwoReadingsOnADay(t *testing.T) {
	t.Parallel()
	c := calendar(t, flat(0))
	h := readings(time.UTC, 0, 0, 10, 80, 20, 160, 30, 240)
	once := measure(t, h, c, noon(time.UTC, 31))
	h.Points = append(h.Points, usage.Point{At: noon(time.UTC, 30).Add(6 * time.Hour), Total: 246})
	twice := measure(t, h, c, noon(time.UTC, 31))
	if twice.Readings != 5 || twice.Increments != 3 || math.Abs(twice.PerDay-246/30.25) > 1e-9 || twice.Sigma > 1 || once.Sigma > 1e-6 {
		t.Errorf("%+v\n%+v", once, twice)
	}
	h.Points = append(h.Points, usage.Point{At: noon(time.UTC, 40), Total: 326})
	if r := measure(t, h, c, noon(time.UTC, 41)); r.Readings != 6 || r.Increments != 4 || math.Abs(r.PerDay-8.15) > 1e-9 {
		t.Errorf("%+v", r)
	}
}

// A winter closure has no operational time; readings in it do not divide by it.
func TestReadingsWhileClosed(t *testing.T) {
	t.Parallel()
	shut := func(d time.Time) bool { return d.Month() == time.January }
	c := over(t, flat(0), usage.Place{Zone: time.UTC, Closed: shut})
	h := readings(time.UTC, -60, 0, -30, 300, 5, 580, 15, 583, 25, 585, 35, 625)
	r := measure(t, h, c, noon(time.UTC, 36))
	if r.Readings != 6 || r.Increments != 3 || math.Abs(r.PerDay-625.0/64) > 1e-9 {
		t.Errorf("%+v", r)
	}
	if r := measure(t, readings(time.UTC, 5, 580, 15, 583, 25, 585), c, noon(time.UTC, 36)); r.Basis != usage.Nothing {
		t.Errorf("all readings while closed: %+v", r)
	}
	a, b := h.Points[3], h.Points[4] // two tests of the motor, counted on closed days
	if p := usage.Interpolate(c, a, b, noon(time.UTC, 20)); p.Total != 584 || p.Grade != usage.Interpolated {
		t.Errorf("between readings while closed: %+v", p)
	}
}

func TestWhereThereIsNoDate(t *testing.T) {
	t.Parallel()
	c := calendar(t, flat(0.05))
	still := readings(time.UTC, 0, 40, 10, 40, 20, 40)
	r := measure(t, still, c, noon(time.UTC, 30))
	o := r.Outlook(c, still.Points[2])
	if f := o.Forecast(1); r.Basis != usage.Measured || !f.Likely.IsZero() || !f.Early.IsZero() || !f.Late.IsZero() || f.Reached {
		t.Errorf("it stands still: %+v", f)
	}
	if b := o.At(noon(time.UTC, 100)); b.Low != 40 || b.High != 40 || b.Likely != 40 {
		t.Errorf("it stands still: %+v", b)
	}
	if f := o.Forecast(0); !f.Reached || !f.Likely.Equal(noon(time.UTC, 20)) || !f.Early.IsZero() {
		t.Errorf("limit passed: %+v", f)
	}
	if f := o.Forecast(-5); !f.Reached {
		t.Errorf("limit passed by five: %+v", f)
	}
	// 3 readings, of which one jumps: the rate might as well be nothing
	wild := readings(time.UTC, 0, 0, 10, 0, 20, 100)
	o = measure(t, wild, c, noon(time.UTC, 20)).Outlook(c, wild.Points[2])
	f := o.Forecast(50)
	if !f.Likely.Equal(noon(time.UTC, 30)) || f.Early.IsZero() || f.Early.After(f.Likely) || !f.Late.IsZero() {
		t.Errorf("no latest date: %+v", f)
	}
	if f := o.Forecast(1e300); !f.Likely.IsZero() || !f.Late.IsZero() {
		t.Errorf("never: %+v", f)
	}
	// readings of two days: a rate, but no range
	two := readings(time.UTC, 0, 0, 0, 1, 10, 80)
	two.Points[1].At = two.Points[1].At.Add(time.Hour)
	r = measure(t, two, c, noon(time.UTC, 20))
	o = r.Outlook(c, two.Points[2])
	if f := o.Forecast(80); r.Increments != 1 || !f.Likely.Equal(noon(time.UTC, 20)) || !f.Early.IsZero() || !f.Late.IsZero() {
		t.Errorf("readings of two days: %+v %+v", r, f)
	}
	// a planned rate has no range either
	o = usage.Rate{PerDay: 8, Basis: usage.Planned, Grade: usage.Default}.Outlook(c, usage.Point{At: noon(time.UTC, 0)})
	if f := o.Forecast(80); !f.Likely.Equal(noon(time.UTC, 10)) || !f.Early.IsZero() || f.Grade != usage.Default {
		t.Errorf("planned: %+v", f)
	}
	if b := o.At(noon(time.UTC, 5)); b.Likely != 40 || b.Low != 40 || b.High != 40 || b.Grade != usage.Default {
		t.Errorf("planned: %+v", b)
	}
}

func TestWhatIsNoHistoryIsRefused(t *testing.T) {
	t.Parallel()
	c := calendar(t, flat(0))
	for field, h := range map[string]usage.History{
		"points[1].total": readings(time.UTC, 0, 10, 1, 9, 2, 11),
		"points[2].at":    readings(time.UTC, 0, 10, 2, 10, 1, 11),
		"points[0].total": readings(time.UTC, 0, math.NaN()),
		"planned":         {Planned: -1},
	} {
		if _, err := usage.Measure(h, c, noon(time.UTC, 9)); fault.KindOf(err) != fault.Invalid || !strings.HasPrefix(err.Error(), field+":") {
			t.Errorf("%s: %v", field, err)
		}
	}
}

// Between a Monday and the Monday after, a straight line gives Thursday evening
// 4/7 of the week's vehicles; the trade's week gives it 3.01/7.
func TestInterpolateByTheDaysAndHours(t *testing.T) {
	t.Parallel()
	z := zone(t, "America/Chicago")
	c := over(t, trade(t, "snowbelt", "medium"), usage.Place{Zone: z, Turns: 3 * time.Hour})
	at := func(day, hour int) time.Time { return time.Date(2026, 2, day, hour, 0, 0, 0, z) }
	a, b := usage.Point{At: at(2, 3), Total: 1000}, usage.Point{At: at(9, 3), Total: 1700}
	for _, x := range []struct {
		at   time.Time
		want float64
	}{
		{at(5, 22), 1000 + 100*(0.84+0.72+0.72+0.73)},
		{at(6, 2), 1000 + 100*(0.84+0.72+0.72+0.73)},
		{at(6, 14), 1000 + 100*(0.84+0.72+0.72+0.73+1.4*0.5)}, // half of Friday is over at two
		{at(1, 0), 1000}, {at(2, 3), 1000}, {at(9, 3), 1700}, {at(20, 0), 1700},
	} {
		if got := usage.Interpolate(c, a, b, x.at); math.Abs(got.Total-x.want) > 1e-6 {
			t.Errorf("%v: %v, want %v", x.at, got.Total, x.want)
		}
	}
	a.Grade = usage.Computed
	if p := usage.Interpolate(c, a, b, at(5, 0)); p.Grade != usage.Computed {
		t.Errorf("grade %v: the weaker of the neighbours' counts", p.Grade)
	}
}

func TestFanOpensFromTheLastReading(t *testing.T) {
	t.Parallel()
	c := calendar(t, flat(0.05))
	h := readings(time.UTC, 0, 0, 10, 70, 20, 160, 30, 240)
	o := measure(t, h, c, noon(time.UTC, 31)).Outlook(c, h.Points[3])
	fan := o.Fan(noon(time.UTC, 130), 11)
	if len(fan) != 11 || fan[0].Low != 240 || fan[0].High != 240 || fan[0].Grade != usage.Read || !fan[10].At.Equal(noon(time.UTC, 130)) {
		t.Fatalf("%+v", fan)
	}
	for i := 1; i < len(fan); i++ {
		a, b := fan[i-1], fan[i]
		if b.Low < 240 || b.Low > b.Likely || b.Likely > b.High || b.Likely <= a.Likely || b.High-b.Low <= a.High-a.Low || b.Grade != usage.Extrapolated {
			t.Errorf("%d: %+v after %+v", i, b, a)
		}
	}
	if len(o.Fan(noon(time.UTC, 130), 0)) != 0 || len(o.Fan(noon(time.UTC, 130), 1)) != 1 {
		t.Error("fans of none and of one")
	}
}

// drawHistory draws a meter that is read now and then, and its last reading.
func drawHistory(t *rapid.T) usage.History {
	var h usage.History
	n := rapid.IntRange(3, 14).Draw(t, "readings")
	at, total := start.Add(time.Duration(rapid.IntRange(0, 86400).Draw(t, "second"))*time.Second), rapid.Float64Range(0, 1e6).Draw(t, "total")
	for range n {
		h.Points = append(h.Points, usage.Point{At: at, Total: total})
		at = at.Add(time.Duration(rapid.IntRange(86400, 40*86400).Draw(t, "seconds")) * time.Second)
		total += rapid.Float64Range(0, 20000).Draw(t, "more")
	}
	return h
}

var never = time.Date(9999, 1, 1, 0, 0, 0, 0, time.UTC)

// The more to run the later, the limits in order, and the totals of the fan give
// back the dates of the forecasts.
func TestForecasts(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		c, h := drawCalendar(t), drawHistory(t)
		last := h.Points[len(h.Points)-1]
		r, err := usage.Measure(h, c, last.At)
		if err != nil {
			t.Fatal(err)
		}
		o := r.Outlook(c, last)
		d := rapid.Float64Range(0.001, 1e5).Draw(t, "d")
		more := d + rapid.Float64Range(0, 1e5).Draw(t, "more")
		f, g := o.Forecast(d), o.Forecast(more)
		if !(r.PerDay > 0) {
			if !f.Likely.IsZero() {
				t.Fatalf("no rate, but %+v", f)
			}
			return
		}
		or := func(t time.Time) time.Time {
			if t.IsZero() {
				return never
			}
			return t
		}
		if f.Early.IsZero() != (r.Increments < 2) && f.Early != f.Likely {
			t.Fatalf("%d increments, but %+v", r.Increments, f)
		}
		if f.Likely.Before(last.At) && !f.Likely.IsZero() || r.Increments > 1 && (or(f.Early).Before(last.At) || or(f.Early).After(or(f.Likely)) || or(f.Late).Before(or(f.Likely))) {
			t.Fatalf("out of order: %+v", f)
		}
		if or(g.Likely).Before(or(f.Likely)) || or(g.Early).Before(or(f.Early)) || or(g.Late).Before(or(f.Late)) {
			t.Fatalf("%v units: %+v, but %v: %+v", d, f, more, g)
		}
		if f.Likely.IsZero() {
			return
		}
		tolerance := 1e-3 + 1e-6*more + r.PerDay*20e-5*30 // two seconds of the busiest day
		if b := o.At(f.Likely); math.Abs(b.Likely-last.Total-d) > tolerance {
			t.Fatalf("at %v: %+v, want %v", f.Likely, b, last.Total+d)
		}
		if !f.Late.IsZero() {
			if b := o.At(f.Late); b.Low < last.Total+d-tolerance-1e-6*b.Low {
				t.Fatalf("late %v: %+v, want no less than %v", f.Late, b, last.Total+d)
			}
			if b := o.At(f.Early); b.High < last.Total+d-tolerance {
				t.Fatalf("early %v: %+v, want no less than %v", f.Early, b, last.Total+d)
			}
		}
	})
}

// Hours in minutes, vehicles in thousands: nothing else changes.
func TestUnitsDoNotMatter(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		c, h := drawCalendar(t), drawHistory(t)
		scale := rapid.SampledFrom([]float64{1.0 / 3600, 1.0 / 60, 10, 1000}).Draw(t, "scale")
		scaled := usage.History{Points: make([]usage.Point, len(h.Points))}
		for i, p := range h.Points {
			p.Total *= scale
			scaled.Points[i] = p
		}
		last := len(h.Points) - 1
		now := h.Points[last].At
		a, err := usage.Measure(h, c, now)
		if err != nil {
			t.Fatal(err)
		}
		b, err := usage.Measure(scaled, c, now)
		if err != nil {
			t.Fatal(err)
		}
		d := rapid.Float64Range(1, 1e5).Draw(t, "d")
		ao, bo := a.Outlook(c, h.Points[last]), b.Outlook(c, scaled.Points[last])
		f, g := ao.Forecast(d), bo.Forecast(d*scale)
		// what lies beyond ten lifetimes hangs on the last binary digit
		far := start.AddDate(1000, 0, 0)
		for _, p := range [][2]time.Time{{f.Early, g.Early}, {f.Likely, g.Likely}, {f.Late, g.Late}} {
			if p[0].Before(far) && p[1].Before(far) && p[0].IsZero() == p[1].IsZero() && !alike(c, p[0], p[1]) {
				t.Fatalf("%+v\nscaled by %v: %+v", f, scale, g)
			}
		}
		if (f.Likely.IsZero() != g.Likely.IsZero()) || (f.Early.IsZero() != g.Early.IsZero()) {
			t.Fatalf("%+v\nscaled by %v: %+v", f, scale, g)
		}
	})
}

// alike says whether two instants are so many operational days, give or take
// rounding: at night a hair's breadth of use is hours.
func alike(c *usage.Calendar, a, b time.Time) bool {
	return a.Sub(b).Abs() <= 2*time.Second || math.Abs(c.Days(a, b)) <= 1e-6+1e-7*math.Abs(c.Days(start, a))
}

// A total between two readings lies between theirs, never falls, and splitting at
// one more reading that it would have shown changes nothing.
func TestInterpolation(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		c := drawCalendar(t)
		at := []time.Time{drawInstant(t, "1"), drawInstant(t, "2"), drawInstant(t, "3"), drawInstant(t, "4")}
		for i := range at {
			for j := range i {
				if at[i].Before(at[j]) {
					at[i], at[j] = at[j], at[i]
				}
			}
		}
		from := rapid.Float64Range(0, 1e6).Draw(t, "from")
		a, b := usage.Point{At: at[0], Total: from}, usage.Point{At: at[3], Total: from + rapid.Float64Range(0, 1e6).Draw(t, "units")}
		x, y := usage.Interpolate(c, a, b, at[1]), usage.Interpolate(c, a, b, at[2])
		if x.Total < a.Total-1e-6 || y.Total < x.Total-1e-6 || b.Total < y.Total-1e-6 {
			t.Fatalf("%v %v %v %v", a.Total, x.Total, y.Total, b.Total)
		}
		if c.Days(a.At, x.At) == 0 && c.Days(a.At, b.At) > 0 && x.Total != a.Total && x.At.Before(b.At) {
			t.Fatalf("use in the night: %v %v", a, x)
		}
		if z := usage.Interpolate(c, x, b, at[2]); c.Days(x.At, b.At) > 1e-3 && math.Abs(z.Total-y.Total) > 1e-3 {
			t.Fatalf("split at %v: %v, whole: %v", x.At, z.Total, y.Total)
		}
	})
}

func TestWordsOfGradesAndBases(t *testing.T) {
	t.Parallel()
	got := fmt.Sprint(usage.Read, usage.Interpolated, usage.Extrapolated, usage.Computed, usage.Default, usage.Nothing, usage.Planned, usage.Measured)
	if want := "read interpolated extrapolated computed default nothing planned measured"; got != want {
		t.Errorf("%s, want %s", got, want)
	}
}
