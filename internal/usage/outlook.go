package usage

import (
	"math"
	"time"

	"gonum.org/v1/gonum/stat/distuv"
)

// Outlook looks ahead from a meter's last reading.
type Outlook struct {
	rate     Rate
	last     Point
	calendar *Calendar
	origin   float64 // operational time of the last reading
}

// Outlook gives the view from a meter's last reading, of which d is counted in
// forecasts, over a site's days.
func (r Rate) Outlook(c *Calendar, last Point) Outlook {
	return Outlook{rate: r, last: last, calendar: c, origin: c.at(last.At)}
}

// Given tells an outlook that Rate.Outlook gave from the zero value, which stands
// for a counter that stands still.
func (o *Outlook) Given() bool { return o.calendar != nil }

// Forecast is when a meter will have run so much more.
type Forecast struct {
	// Reached says that the last reading already stands there; Likely is then its
	// instant, and there is no range.
	Reached bool
	// The dates by which it will have run so much with 10, 50 and 90 %
	// probability, in UTC. One is zero where there is none: all where nothing is
	// known or nothing runs, Early and Late where one increment gives no range,
	// Late where the readings do not rule out that it stands still, and what lies
	// more than a century beyond the calendar. They may lie before now: then it has
	// probably passed unseen.
	Early, Likely, Late time.Time
	Grade               Grade // the weakest used
}

// Forecast tells when the meter will have run d units more than its last reading.
// It allocates nothing and takes time that grows with the logarithm of the days
// in the calendar.
func (o *Outlook) Forecast(d float64) Forecast {
	f := Forecast{Grade: o.last.Grade}
	if d <= 0 {
		f.Reached, f.Likely = true, o.last.At
		return f
	}
	f.Grade = max(f.Grade, Extrapolated, o.rate.Grade)
	if !(o.rate.PerDay > 0) {
		return f
	}
	f.Likely = o.after(d / o.rate.PerDay)
	if o.rate.T == 0 {
		return f
	}
	early, late := o.rate.limits(d)
	f.Early, f.Late = o.after(early), o.after(late)
	return f
}

// after gives the instant so many operational days after the last reading, zero
// for never. A meter read at night has counted no more by closing time before.
func (o *Outlook) after(days float64) time.Time {
	t := o.calendar.when(o.origin + days)
	if !t.IsZero() && t.Before(o.last.At) {
		return o.last.At
	}
	return t
}

// limits gives the operational days that solve rτ ± √q(τ) = d, with
//
//	q(τ) = noise·τ + (level + wander·d/r)·τ².
//
// late is infinite where there is no such date.
func (r *Rate) limits(d float64) (early, late float64) {
	// Squared, aτ² − bτ + d² = 0. Its roots lie one on each side of d/r. Written by
	// the unit of d, so that nothing overflows, and so that nothing cancels: what
	// is under the root is never below zero.
	noise, level, wander := r.spread()
	noise, level = noise/d, level+wander*d/r.PerDay
	b := 2*r.PerDay + noise
	root := math.Sqrt(noise*(4*r.PerDay+noise) + 4*level)
	early = 2 * d / (b + root)
	a := r.PerDay*r.PerDay - level
	if a <= 0 {
		return early, math.Inf(1)
	}
	return early, d * (b + root) / (2 * a)
}

// spread gives what the square of the half width q(τ) is made of: the scatter of
// the days, the error of the rate, and the drift of the level. A level that
// wanders has, between the means of two stretches that follow each other, a
// variance that grows with the length of both, here κ² for a year. The scatter is
// known from few increments, so its quantile is Student's; the drift is known
// from many meters, so its quantile is the normal one.
func (r *Rate) spread() (noise, level, wander float64) {
	own, drift := r.T*r.Sigma, normal90*r.Kappa*r.PerDay
	wander = drift * drift / 365
	return own * own, own*own/r.Window + wander*r.Window, wander
}

// normal90 is the 90 % quantile of the normal distribution.
var normal90 = distuv.UnitNormal.Quantile(0.9)

// Band is what a meter will show at an instant: its total with 10, 50 and 90 %
// probability not above Low, Likely and High. Low and High equal Likely where no
// range is known.
type Band struct {
	At                time.Time
	Low, Likely, High float64
	Grade             Grade
}

// At tells the total at an instant after the last reading, and before it the
// last reading's own; so it does too where there is no rate, and its grade is then
// Default. A counter never falls, so Low is not below the last reading either.
func (o *Outlook) At(t time.Time) Band {
	days := o.calendar.at(t) - o.origin
	if !t.After(o.last.At) {
		return Band{t, o.last.Total, o.last.Total, o.last.Total, o.last.Grade}
	}
	// the inverse of limits: d for which they are so many days
	more := max(o.rate.PerDay, 0) * days
	low, high := more, more
	if o.rate.T > 0 {
		noise, level, wander := o.rate.spread()
		shift := wander * days * days / (2 * o.rate.PerDay)
		off := math.Sqrt(days*(noise+days*(level+days*wander)) + shift*shift)
		low, high = max(more+shift-off, 0), more+shift+off
	}
	return Band{t, o.last.Total + low, o.last.Total + more, o.last.Total + high,
		max(o.last.Grade, Extrapolated, o.rate.Grade)}
}

// Fan gives n bands, evenly from the last reading until an instant, for a plot.
func (o *Outlook) Fan(until time.Time, n int) []Band {
	fan := make([]Band, 0, max(n, 0))
	for i := range n {
		part := float64(i) / float64(max(n-1, 1))
		fan = append(fan, o.At(o.last.At.Add(time.Duration(part*float64(until.Sub(o.last.At))))))
	}
	return fan
}

// Interpolate gives the total at an instant between two readings of a meter, as
// its site's days and hours share out what it counted between them. Outside them
// it gives the nearer one.
func Interpolate(c *Calendar, a, b Point, at time.Time) Point {
	switch {
	case !at.After(a.At):
		return a
	case !at.Before(b.At):
		return b
	}
	share := c.Days(a.At, at) / c.Days(a.At, b.At)
	if !finite(share) { // counted on days that were closed
		share = float64(at.Sub(a.At)) / float64(b.At.Sub(a.At))
	}
	return Point{At: at, Total: a.Total + share*(b.Total-a.Total), Grade: max(a.Grade, b.Grade, Interpolated)}
}
