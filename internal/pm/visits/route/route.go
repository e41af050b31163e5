// Package route puts a day's visits in order: from the warehouse to sites while
// they are open, and back. It knows no database and no clock.
//
// Distances are great circles times a factor for roads that wind, and times are
// those at an even speed: good enough to put few stops in order, not to promise an
// arrival. The order is exact for these figures. It serves as many stops as can be
// served; of such orders it is the one that is back soonest, and of those
// the shortest.
package route

import (
	"cmp"
	"fmt"
	"math"
	"math/bits"
	"slices"
	"strings"
	"time"

	"spindlebook/internal/calendar"
	"spindlebook/internal/fault"
)

// Point is a place on the earth, in degrees north and east.
type Point struct{ Latitude, Longitude float64 }

// radius is the earth's mean radius in kilometres (IUGG).
const radius = 6371.0088

// Kilometres gives the great-circle distance, by the haversine formula, on a
// sphere of the earth's mean radius.
func (p Point) Kilometres(q Point) float64 {
	const degree = math.Pi / 180
	sin2 := func(x float64) float64 { s := math.Sin(x * degree / 2); return s * s }
	h := sin2(q.Latitude-p.Latitude) + math.Cos(p.Latitude*degree)*math.Cos(q.Latitude*degree)*sin2(q.Longitude-p.Longitude)
	return 2 * radius * math.Atan2(math.Sqrt(h), math.Sqrt(max(1-h, 0)))
}

// check names what is no place on the earth.
func (p Point) check(field string) *fault.Error {
	switch {
	case !(math.Abs(p.Latitude) <= 90):
		return fault.Field(field+".latitude", p.Latitude, "is from -90 to 90 degrees")
	case !(math.Abs(p.Longitude) <= 180):
		return fault.Field(field+".longitude", p.Longitude, "is from -180 to 180 degrees")
	}
	return nil
}

// Stop is a visit on the way.
type Stop struct {
	Name string
	At   Point
	Open []calendar.Span // when work there is allowed, in order; the stay fits into one of them. None: any time
	Stay time.Duration
}

// Roads turns great circles into driving.
type Roads struct {
	Factor float64 // road kilometres for one as the crow flies, from 1
	Speed  float64 // kilometres an hour
}

// Day is what is to be put in order.
type Day struct {
	Warehouse Point
	Roads     Roads
	Leave     time.Time // not before
	Back      time.Time // not after; zero: whenever
	Stops     []Stop
}

// Most is the greatest number of stops of a day.
const Most = 10

// Leg is the drive to a stop and the stay there.
type Leg struct {
	Stop                          string
	Kilometres                    float64
	Leaves, Arrives, Starts, Ends time.Time
}

// Left is a stop that cannot be served that day, and why.
type Left struct{ Stop, Says string }

// Plan is a day in order.
type Plan struct {
	Legs       []Leg
	Left       []Left
	Kilometres float64 // on the road, with the way home
	Driving    time.Duration
	Out, Back  time.Time
}

// Order finds the day's order. The fault names what in its input breaks a rule.
func Order(d Day) (Plan, error) {
	if err := d.check(); err != nil {
		return Plan{}, err
	}
	points := []Point{d.Warehouse}
	for _, s := range d.Stops {
		points = append(points, s.At)
	}
	r := roads{open: d.earliest}
	for _, a := range points {
		var km []float64
		var drive []time.Duration
		for _, b := range points {
			x := a.Kilometres(b) * d.Roads.Factor
			km, drive = append(km, x), append(drive, time.Duration(x/d.Roads.Speed*float64(time.Hour)).Round(time.Second))
		}
		r.km, r.drive = append(r.km, km), append(r.drive, drive)
	}
	limit := time.Duration(math.MaxInt64)
	if !d.Back.IsZero() {
		limit = d.Back.Sub(d.Leave)
	}
	return d.tell(&r, r.best(limit), limit), nil
}

func (d *Day) check() error {
	var faults []*fault.Error
	bad := func(field string, value any, format string, args ...any) {
		faults = append(faults, fault.Field(field, value, format, args...))
	}
	if len(d.Stops) > Most {
		bad("stops", len(d.Stops), "are at most %d a day", Most)
	}
	faults = append(faults, d.Warehouse.check("warehouse"))
	if !(d.Roads.Factor >= 1 && d.Roads.Factor <= 10) {
		bad("roads.factor", d.Roads.Factor, "is road kilometres for one as the crow flies, from 1 to 10")
	}
	if !(d.Roads.Speed >= 1 && d.Roads.Speed <= 200) {
		bad("roads.speed", d.Roads.Speed, "is in kilometres an hour, from 1 to 200")
	}
	if !d.Back.IsZero() && d.Back.Before(d.Leave) {
		bad("back", d.Back, "is not before leaving")
	}
	for i, s := range d.Stops {
		faults = append(faults, s.At.check(fmt.Sprintf("stops[%d].at", i)))
		if s.Stay < 0 || s.Stay > 7*24*time.Hour {
			bad(fmt.Sprintf("stops[%d].stay", i), s.Stay, "is from nothing to a week")
		}
		for k, o := range s.Open {
			if o.To.Before(o.From) || k > 0 && o.From.Before(s.Open[k-1].To) {
				bad(fmt.Sprintf("stops[%d].open[%d]", i, k), o.From, "opens before it closes, each after the one before")
			}
		}
	}
	return fault.Collect(faults...)
}

// earliest tells when a stay can start for somebody who is there after so long.
func (d *Day) earliest(stop int, there time.Duration) (starts, ends time.Duration, ok bool) {
	s := &d.Stops[stop]
	if len(s.Open) == 0 {
		return there, there + s.Stay, true
	}
	for _, o := range s.Open {
		starts = max(there, o.From.Sub(d.Leave))
		if starts+s.Stay <= o.To.Sub(d.Leave) {
			return starts, starts + s.Stay, true
		}
	}
	return 0, 0, false
}

// roads is the bare problem: place 0 is the warehouse, and place k+1 is stop k.
type roads struct {
	km    [][]float64
	drive [][]time.Duration
	open  func(stop int, there time.Duration) (starts, ends time.Duration, ok bool)
}

// way is one way to have served some stops, the last of them just now.
type way struct {
	ends time.Duration
	km   float64
	last int // place
	from *way
}

// best runs over all sets of stops, the smaller first, and keeps for each set and
// last stop the ways that no other beats in both time and distance (Held and Karp's
// program; being somewhere sooner never makes anything later). It gives the
// way that serves most, nil where that is none.
func (r *roads) best(limit time.Duration) *way {
	n := len(r.km) - 1
	ways := make([][]*way, n<<n) // by set and last stop
	var best *way
	served, back, km := 0, time.Duration(0), 0.0
	extend := func(set int, w *way) {
		place := 0
		if w != nil {
			place = w.last
		}
		for k := range n {
			if set&(1<<k) != 0 {
				continue
			}
			next := &way{last: k + 1, from: w, km: r.km[place][k+1]}
			there := r.drive[place][k+1]
			if w != nil {
				there, next.km = there+w.ends, next.km+w.km
			}
			var ok bool
			if _, next.ends, ok = r.open(k, there); !ok || next.ends+r.drive[k+1][0] > limit {
				continue
			}
			at := (set|1<<k)*n + k
			ways[at] = keep(ways[at], next)
		}
	}
	if n > 0 {
		extend(0, nil)
	}
	for set := 1; set < 1<<n; set++ {
		for k := range n {
			for _, w := range ways[set*n+k] {
				home, all, size := w.ends+r.drive[k+1][0], w.km+r.km[k+1][0], bits.OnesCount(uint(set))
				if best == nil || cmp.Or(cmp.Compare(served, size), cmp.Compare(home, back), cmp.Compare(all, km)) < 0 {
					best, served, back, km = w, size, home, all
				}
				extend(set, w)
			}
		}
	}
	return best
}

// keep adds a way, unless another is at least as good, and drops those that it beats.
func keep(ways []*way, w *way) []*way {
	beats := func(a, b *way) bool { return a.ends <= b.ends && a.km <= b.km }
	if slices.ContainsFunc(ways, func(o *way) bool { return beats(o, w) }) {
		return ways
	}
	return append(slices.DeleteFunc(ways, func(o *way) bool { return beats(w, o) }), w)
}

// tell turns a way into the day's plan.
func (d *Day) tell(r *roads, w *way, limit time.Duration) Plan {
	var order []int
	for ; w != nil; w = w.from {
		order = append(order, w.last-1)
	}
	slices.Reverse(order)
	p := Plan{Out: d.Leave, Back: d.Leave}
	place, now := 0, time.Duration(0)
	for i, k := range order {
		drive := r.drive[place][k+1]
		starts, ends, _ := r.open(k, now+drive)
		if i == 0 { // no need to wait at the gate
			now = starts - drive
			p.Out = d.Leave.Add(now)
		}
		p.Legs = append(p.Legs, Leg{d.Stops[k].Name, r.km[place][k+1], d.Leave.Add(now), d.Leave.Add(now + drive), d.Leave.Add(starts), d.Leave.Add(ends)})
		p.Kilometres, p.Driving = p.Kilometres+r.km[place][k+1], p.Driving+drive
		place, now = k+1, ends
	}
	if place > 0 {
		p.Kilometres, p.Driving = p.Kilometres+r.km[place][0], p.Driving+r.drive[place][0]
		p.Back = d.Leave.Add(now + r.drive[place][0])
	}
	for k := range d.Stops {
		if !slices.Contains(order, k) {
			p.Left = append(p.Left, Left{d.Stops[k].Name, d.why(r, k, limit)})
		}
	}
	return p
}

// why tells what keeps a stop out of the day.
func (d *Day) why(r *roads, k int, limit time.Duration) string {
	there := r.drive[0][k+1]
	_, ends, open := r.open(k, there)
	switch {
	case !open:
		var hours []string
		for _, o := range d.Stops[k].Open {
			hours = append(hours, clock(o.From, d.Leave)+" to "+clock(o.To, d.Leave))
		}
		return fmt.Sprintf("open %s, and a stay of %s from %s on does not fit", strings.Join(hours, " and "), span(d.Stops[k].Stay), clock(d.Leave.Add(there), d.Leave))
	case ends+r.drive[k+1][0] > limit:
		return fmt.Sprintf("nobody could be back from there before %s, which is after %s", clock(d.Leave.Add(ends+r.drive[k+1][0]), d.Leave), clock(d.Back, d.Leave))
	}
	return "does not fit beside the others"
}

// clock writes a time, to the minute, as at the place of another, with its day where that differs.
func clock(t, at time.Time) string {
	t = t.Round(time.Minute).In(at.Location())
	if t.YearDay() != at.YearDay() || t.Year() != at.Year() {
		return t.Format("15:04 on 2 January")
	}
	return t.Format("15:04")
}

// span writes "3 h 10 min".
func span(d time.Duration) string {
	m := int(d.Round(time.Minute) / time.Minute)
	switch {
	case m < 60:
		return fmt.Sprintf("%d min", m)
	case m%60 == 0:
		return fmt.Sprintf("%d h", m/60)
	}
	return fmt.Sprintf("%d h %d min", m/60, m%60)
}

// Unit is what a distance is told in.
type Unit string

// The units of distance.
const (
	Kilometres Unit = "km"
	Miles      Unit = "miles"
)

// mile is the international mile in kilometres, exactly (NIST SP 811, appendix B.8).
const mile = 1.609344

// Of writes a distance without decimals, which it would not deserve.
func (u Unit) Of(km float64) string {
	if u == Miles {
		km /= mile
	}
	return fmt.Sprintf("%.0f %s", km, u)
}

// Says tells the day in one sentence.
func (p Plan) Says(u Unit) string {
	if len(p.Legs) == 0 && len(p.Left) == 0 {
		return "nowhere to go"
	}
	var parts []string
	if len(p.Legs) > 0 {
		var names []string
		for _, l := range p.Legs {
			names = append(names, l.Stop)
		}
		parts = append(parts, fmt.Sprintf("%s: about %s and %s on the road, out at %s, back about %s",
			strings.Join(names, ", then "), u.Of(p.Kilometres), span(p.Driving), clock(p.Out, p.Out), clock(p.Back, p.Out)))
	}
	for _, l := range p.Left {
		parts = append(parts, "without "+l.Stop+": "+l.Says)
	}
	return strings.Join(parts, "; ")
}
