package usage

import (
	"fmt"
	"math"
	"sort"
	"sync"
	"time"

	"gonum.org/v1/gonum/stat/distuv"

	"spindlebook/internal/fault"
)

// Grade says where a total comes from; the greater, the weaker. What is made of
// several carries the weakest.
type Grade uint8

// The grades, the best first.
const (
	Read         Grade = iota // somebody or something saw it
	Interpolated              // lies between two readings
	Extrapolated              // carried on from the last reading
	Computed                  // from another meter
	Default                   // from a plan's rate
)

// String gives the grade's word.
func (g Grade) String() string {
	return [...]string{"read", "interpolated", "extrapolated", "computed", "default"}[min(g, Default)]
}

// Point is a meter's total at an instant. Totals join segments over roll-overs,
// replacements and resets, so they never fall.
type Point struct {
	At    time.Time
	Total float64 // in the meter's unit: hours, vehicles or cycles
	Grade Grade
	Daily bool // taken each operating day; only such show what a weekday does
}

// Break is a regime change: what was counted before it says nothing of the rate
// after it.
type Break struct {
	At  time.Time
	Why string // "new program", "new site", "position rebuilt": goes into the sentence
}

// History is what is known of a meter.
type History struct {
	Points  []Point // by time, totals never falling
	Breaks  []Break
	Planned float64 // units a day by the plan, for want of readings; 0 where there is none
}

// Basis says what a rate rests on.
type Basis uint8

// The bases of a rate.
const (
	Nothing  Basis = iota // too few readings and no rate planned
	Planned               // the plan's default rate
	Measured              // readings
)

// String gives the basis's word.
func (b Basis) String() string {
	return [...]string{"nothing", "planned", "measured"}[min(b, Measured)]
}

// Rate is how fast a meter runs. It is plain data: with the last reading and a
// Calendar it gives every forecast, without the readings.
type Rate struct {
	PerDay float64 // units per operational day, of which a mean day is one
	Basis  Basis
	Grade  Grade // the weakest used; Default where it is not measured

	// The readings of the window it was measured on.
	From, To   time.Time
	Window     float64 // operational days
	Readings   int     // in the window; where there are too few, those that were found
	Increments int     // stretches between readings that the variance is taken of: n, at most 16

	// What makes its forecasts wide. Without a second increment there is no
	// range, and T is 0.
	Sigma float64 // units: one standard deviation of what a mean day adds
	Kappa float64 // drift of the level, see Profile
	T     float64 // 90 % quantile of Student's t with n−1 degrees of freedom

	// What weakens it.
	Cut    *Break  // the regime change at which the window begins
	Middle float64 // units per operational day by the middle of the slopes between readings, where that is far off; else 0
}

// The rule of the window.
const (
	window      = 365 * 24 * time.Hour
	within      = 400 * 24 * time.Hour // in which there must be
	fewReadings = 3
)

// apart is the least part of an operational day between two readings that both
// count: closer ones tell of the hour of the day, not of the rate.
const apart = 0.2

// Measure learns a meter's rate as of now; readings after it are ignored. It
// fails where the points are not in order or fall.
func Measure(h History, c *Calendar, now time.Time) (Rate, error) {
	if err := h.check(); err != nil {
		return Rate{}, err
	}
	points, cut := h.recent(now)
	r := Rate{Kappa: c.profile.Kappa, Cut: cut, Readings: len(points)}
	if len(points) < fewReadings {
		return r.planned(h.Planned), nil
	}
	inc := join(increments(points, c))
	if len(inc) == 0 {
		return r.planned(h.Planned), nil // all on one day, or on days that are closed
	}
	r.Basis, r.From, r.To, r.Increments = Measured, points[0].At, points[len(points)-1].At, len(inc)
	for _, p := range points {
		r.Grade = max(r.Grade, p.Grade)
	}
	var s2 float64
	r.PerDay, r.Window, s2 = slope(inc)
	if len(inc) > 1 && r.PerDay > 0 {
		r.Sigma = math.Sqrt(s2)
		r.T = student90(len(inc))
		r.Middle = farOff(inc, r)
	}
	return r, nil
}

func (r Rate) planned(perDay float64) Rate {
	r.Grade = Default
	if perDay > 0 {
		r.Basis, r.PerDay = Planned, perDay
	}
	return r
}

func (h History) check() error {
	for i, p := range h.Points {
		field, value, rule := "", "", ""
		switch {
		case !finite(p.Total):
			field, value, rule = "total", fmt.Sprint(p.Total), "must be a finite number"
		case i > 0 && p.At.Before(h.Points[i-1].At):
			field, value, rule = "at", p.At.Format(time.RFC3339), "must not come before the point ahead of it"
		case i > 0 && p.Total < h.Points[i-1].Total:
			field, value, rule = "total", fmt.Sprint(p.Total), "must not fall below the total before it"
		default:
			continue
		}
		return fault.Field(fmt.Sprintf("points[%d].%s", i, field), value, "%s", rule)
	}
	if !finite(h.Planned) || h.Planned < 0 {
		return fault.Field("planned", h.Planned, "must be a finite number of units a day, zero or more")
	}
	return nil
}

// recent gives the points that the rate rests on: seen, within 400 days, after
// the last regime change, and then the last 365 days of those.
func (h History) recent(now time.Time) ([]Point, *Break) {
	from := now.Add(-within)
	var cut *Break
	for _, b := range h.Breaks {
		if b.At.After(from) && !b.At.After(now) {
			from, cut = b.At, &b
		}
	}
	first := sort.Search(len(h.Points), func(i int) bool { return !h.Points[i].At.Before(from) })
	points := make([]Point, 0, len(h.Points)-first)
	for _, p := range h.Points[first:] {
		if p.At.After(now) {
			break
		}
		if p.Grade == Read || p.Grade == Computed { // what was made from a rate tells nothing of the rate
			points = append(points, p)
		}
	}
	if len(points) == 0 {
		return nil, cut
	}
	edge := points[len(points)-1].At.Add(-window)
	late := points[sort.Search(len(points), func(i int) bool { return !points[i].At.Before(edge) }):]
	switch {
	case len(late) < fewReadings:
		late = points // few readings, far apart: the 400 days count
	case cut != nil && cut.At.Before(edge):
		cut = nil // the year cuts later than the change
	}
	return late, cut
}

// increment is what a meter counted over a stretch of operational time.
type increment struct {
	days, units float64
	lasted      time.Duration // by the clock
}

// increments are those between readings of different operating days.
func increments(points []Point, c *Calendar) []increment {
	inc := make([]increment, 0, len(points)-1)
	from, at, day := points[0], c.at(points[0].At), c.number(points[0].At)
	for i, p := range points[1:] {
		to, on := c.at(p.At), c.number(p.At)
		last := i == len(points)-2
		switch {
		case on > day && to-at >= apart:
			inc = append(inc, increment{to - at, p.Total - from.Total, p.At.Sub(from.At)})
			from, at, day = p, to, on
		case last && len(inc) > 0:
			// the newest reading always counts: it belongs to the stretch before
			inc[len(inc)-1].add(increment{to - at, p.Total - from.Total, p.At.Sub(from.At)})
		}
	}
	return inc
}

func (i *increment) add(more increment) {
	i.days += more.days
	i.units += more.units
	i.lasted += more.lasted
}

// most is how many increments there are at most: enough for a variance, and each
// of some weeks in a window of a year. Single days do not vary by themselves: a
// dry day after rain makes up for it, and a good month is good on all its days.
const most = 16

// join joins increments of frequent readings to about a sixteenth of the window.
func join(inc []increment) []increment {
	if len(inc) <= most {
		return inc
	}
	var all increment
	for _, i := range inc {
		all.add(i)
	}
	var out []increment
	var now increment
	for _, i := range inc {
		if now.add(i); now.lasted >= all.lasted/most {
			out, now = append(out, now), increment{}
		}
	}
	out[len(out)-1].add(now)
	return out
}

// number counts operating days, also beyond the table.
func (c *Calendar) number(t time.Time) int {
	unix, last := t.Unix(), len(c.start)-1
	switch {
	case unix < c.start[0]:
		return int((unix-c.start[0]+1)/daySeconds) - 1
	case unix >= c.start[last]:
		return last + int((unix-c.start[last])/daySeconds)
	}
	return c.index(unix)
}

// slope fits increments through the origin: units a day, the days in all, and
// the variance of what a day adds, for which there must be two.
func slope(inc []increment) (perDay, days, s2 float64) {
	units := 0.0
	for _, i := range inc {
		days += i.days
		units += i.units
	}
	perDay = units / days
	if len(inc) < 2 {
		return perDay, days, 0
	}
	for _, i := range inc {
		off := i.units - perDay*i.days
		s2 += off * off / i.days
	}
	return perDay, days, s2 / float64(len(inc)-1)
}

// student90 is the 90 % quantile of Student's t with n−1 degrees of freedom, for n
// increments from 2 up to most.
func student90(n int) float64 { return studentTable()[n] }

var studentTable = sync.OnceValue(func() (t [most + 1]float64) {
	for n := 2; n <= most; n++ {
		t[n] = distuv.StudentsT{Sigma: 1, Nu: float64(n - 1)}.Quantile(0.9)
	}
	return t
})

// The slope from end to end hangs on two readings. It is held against the middle
// of the slopes of all pairs, which one wrong reading cannot move (Sen, JASA 63,
// 1968).
const (
	farSlope = 0.1 // told when they differ by more than this share
	farPairs = 6   // increments that it takes for a middle
)

func farOff(inc []increment, r Rate) float64 {
	if len(inc) < farPairs {
		return 0
	}
	x, y := make([]float64, len(inc)+1), make([]float64, len(inc)+1)
	for i, step := range inc {
		x[i+1], y[i+1] = x[i]+step.days, y[i]+step.units
	}
	if m := theilSen(x, y); math.Abs(m-r.PerDay) > farSlope*r.PerDay {
		return m
	}
	return 0
}

// theilSen is the median of the slopes of all pairs of points with different x;
// with an even number of slopes the mean of the middle two, without any not a
// number.
func theilSen(x, y []float64) float64 {
	slopes := make([]float64, 0, len(x)*(len(x)-1)/2)
	for i := range x {
		for j := range i {
			if x[i] != x[j] {
				slopes = append(slopes, (y[i]-y[j])/(x[i]-x[j]))
			}
		}
	}
	if len(slopes) == 0 {
		return math.NaN()
	}
	sort.Float64s(slopes)
	n := len(slopes)
	return (slopes[(n-1)/2] + slopes[n/2]) / 2
}
