package route

import (
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"slices"
	"strconv"
	"testing"
	"time"

	"pgregory.net/rapid"

	"spindlebook/internal/calendar"
	"spindlebook/internal/fault"
)

func near(got, want, rel float64) bool { return math.Abs(got-want) <= rel*math.Abs(want) }

func TestGreatCircles(t *testing.T) {
	lax, jfk := Point{33 + 57./60, -(118 + 24./60)}, Point{40 + 38./60, -(73 + 47./60)}
	// E. Williams, Aviation Formulary: 0.623585 radians, 2144 nautical miles.
	got := lax.Kilometres(jfk)
	if rad := got / radius; math.Abs(rad-0.623585) > 5e-7 || !near(rad, 0.6235846455, 1e-9) {
		t.Errorf("LAX to JFK: %.10f radians", rad)
	}
	if nm := got / radius * 180 * 60 / math.Pi; math.Round(nm) != 2144 || !near(nm, 2143.7261, 1e-7) {
		t.Errorf("LAX to JFK: %.4f nautical miles", nm)
	}
	if !near(got, 3972.8633, 1e-7) {
		t.Errorf("LAX to JFK: %.4f km", got)
	}
	// A widely published example, on a sphere of 6372.8 km (from memory, confirmed).
	if got := (Point{36.12, -86.67}).Kilometres(Point{33.94, -118.40}) * 6372.8 / radius; !near(got, 2887.2599506071, 1e-9) {
		t.Errorf("%.10f km", got)
	}
	for _, c := range []struct {
		name     string
		from, to Point
		km       float64
	}{
		{"a degree on the equator", Point{0, 0}, Point{0, 1}, 111.1950802},
		{"over the date line", Point{0, 179.5}, Point{0, -179.5}, 111.1950802},
		{"antipodes", Point{0, 0}, Point{0, 180}, 20015.114442},
		{"from pole to pole", Point{90, 12}, Point{-90, 77}, 20015.114442},
		{"the same place", lax, lax, 0},
	} {
		if got := c.from.Kilometres(c.to); !near(got, c.km, 1e-9) {
			t.Errorf("%s: %.9f km, want %.9f", c.name, got, c.km)
		}
	}
}

func TestDistancesAreAMetric(t *testing.T) {
	point := rapid.Custom(func(t *rapid.T) Point {
		return Point{rapid.Float64Range(-90, 90).Draw(t, "latitude"), rapid.Float64Range(-180, 180).Draw(t, "longitude")}
	})
	rapid.Check(t, func(t *rapid.T) {
		a, b, c := point.Draw(t, "a"), point.Draw(t, "b"), point.Draw(t, "c")
		ab := a.Kilometres(b)
		if ab < 0 || ab > math.Pi*radius*(1+1e-12) || math.IsNaN(ab) || math.Abs(ab-b.Kilometres(a)) > 1e-6 || ab > a.Kilometres(c)+c.Kilometres(b)+1e-6 {
			t.Fatalf("%v %v %v: %g", a, b, c, ab)
		}
	})
}

// burma14 of G. Reinelt, TSPLIB, ORSA J. on Computing 3 (1991) 376-384: the
// shortest round trip is 3323. Coordinates are degrees and minutes, and the distance
// is the library's own.
func TestShortestRoundTripOfTSPLIB(t *testing.T) {
	f, err := os.Open("testdata/tsplib-burma14.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var x, y []float64
	radians := func(s string) float64 {
		v, err := strconv.ParseFloat(s, 64)
		if err != nil {
			t.Fatal(err)
		}
		return 3.141592 * (math.Trunc(v) + 5*(v-math.Trunc(v))/3) / 180
	}
	for _, row := range rows[1:] {
		x, y = append(x, radians(row[1])), append(y, radians(row[2]))
	}
	r := roads{open: func(_ int, there time.Duration) (time.Duration, time.Duration, bool) { return there, there, true }}
	for i := range x {
		var km []float64
		var drive []time.Duration
		for j := range x {
			q1, q2, q3 := math.Cos(y[i]-y[j]), math.Cos(x[i]-x[j]), math.Cos(x[i]+x[j])
			d := math.Trunc(6378.388*math.Acos(0.5*((1+q1)*q2-(1-q1)*q3)) + 1)
			km, drive = append(km, d), append(drive, time.Duration(d)*time.Minute)
		}
		r.km, r.drive = append(r.km, km), append(r.drive, drive)
	}
	for _, c := range [][3]int{{1, 2, 153}, {1, 3, 510}, {1, 5, 966}, {4, 10, 1070}} {
		if got := r.km[c[0]-1][c[1]-1]; got != float64(c[2]) {
			t.Errorf("from %d to %d: %g, want %d", c[0], c[1], got, c[2])
		}
	}
	tour := 0.0
	published := []int{1, 10, 9, 11, 8, 13, 7, 12, 6, 5, 4, 3, 14, 2, 1}
	for i := range published[1:] {
		tour += r.km[published[i]-1][published[i+1]-1]
	}
	w := r.best(math.MaxInt64)
	if got := w.km + r.km[w.last][0]; got != 3323 || tour != 3323 {
		t.Errorf("round trip of %g, the published one of %g", got, tour)
	}
	for i := range r.km { // the same without the way home
		r.km[i][0], r.drive[i][0] = 0, 0
	}
	if w := r.best(math.MaxInt64); w.km != 2880 {
		t.Errorf("one way: %g, want 2880", w.km)
	}
}

var (
	ny, _ = time.LoadLocation("America/New_York")
	six   = calendar.Local(calendar.On(2026, 5, 18), 6*time.Hour, ny)
)

func after(hours float64) time.Time { return six.Add(time.Duration(hours * float64(time.Hour))) }

// someDay draws one with sites within an hour or two.
func someDay(t *rapid.T) Day {
	d := Day{Warehouse: Point{43, -77}, Roads: Roads{1.3, 60}, Leave: six}
	if rapid.Bool().Draw(t, "in time") {
		d.Back = after(float64(rapid.IntRange(1, 12).Draw(t, "back")))
	}
	for i := range rapid.IntRange(0, 5).Draw(t, "stops") {
		s := Stop{Name: fmt.Sprint("stop ", i), Stay: time.Duration(rapid.IntRange(0, 180).Draw(t, "stay")) * time.Minute,
			At: Point{43 + rapid.Float64Range(-0.5, 0.5).Draw(t, "north"), -77 + rapid.Float64Range(-0.5, 0.5).Draw(t, "east")}}
		at := 0.0
		for range rapid.IntRange(0, 2).Draw(t, "spans") {
			from := at + rapid.Float64Range(0, 5).Draw(t, "opens")
			at = from + rapid.Float64Range(0, 6).Draw(t, "for")
			s.Open = append(s.Open, calendar.Span{From: after(from), To: after(at)})
		}
		d.Stops = append(d.Stops, s)
	}
	return d
}

// Every order of every part of the stops, driven through by hand.
func exhaustive(d Day) (served int, back time.Time, km float64) {
	back = d.Leave
	var visit func(at Point, now time.Time, driven float64, left []Stop, done int)
	drive := func(a, b Point) (float64, time.Duration) {
		km := a.Kilometres(b) * d.Roads.Factor
		return km, time.Duration(km / d.Roads.Speed * float64(time.Hour)).Round(time.Second)
	}
	visit = func(at Point, now time.Time, driven float64, left []Stop, done int) {
		k, home := drive(at, d.Warehouse)
		if h := now.Add(home); done > 0 && (d.Back.IsZero() || !h.After(d.Back)) {
			if done > served || done == served && (h.Before(back) || h.Equal(back) && driven+k < km) {
				served, back, km = done, h, driven+k
			}
		}
		for i, s := range left {
			k, way := drive(at, s.At)
			start := now.Add(way)
			fits := len(s.Open) == 0
			for _, o := range s.Open {
				begin := start
				if begin.Before(o.From) {
					begin = o.From
				}
				if !begin.Add(s.Stay).After(o.To) {
					start, fits = begin, true
					break
				}
			}
			if fits {
				visit(s.At, start.Add(s.Stay), driven+k, slices.Delete(slices.Clone(left), i, i+1), done+1)
			}
		}
	}
	visit(d.Warehouse, d.Leave, 0, d.Stops, 0)
	return served, back, km
}

func TestOrderIsTheBest(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := someDay(t)
		p, err := Order(d)
		if err != nil {
			t.Fatal(err)
		}
		served, back, km := exhaustive(d)
		if len(p.Legs) != served || !p.Back.Equal(back) || math.Abs(p.Kilometres-km) > 1e-6 || len(p.Left)+served != len(d.Stops) {
			t.Fatalf("%s; want %d stops, back %s, %g km", p.Says(Kilometres), served, back, km)
		}
		now, driving := p.Out, time.Duration(0)
		for i, l := range p.Legs {
			s := d.Stops[slices.IndexFunc(d.Stops, func(s Stop) bool { return s.Name == l.Stop })]
			driving += l.Arrives.Sub(l.Leaves)
			if !l.Leaves.Equal(now) || l.Starts.Before(l.Arrives) || l.Ends.Sub(l.Starts) != s.Stay || i == 0 && !l.Starts.Equal(l.Arrives) {
				t.Fatalf("%+v", l)
			}
			if len(s.Open) > 0 && !slices.ContainsFunc(s.Open, func(o calendar.Span) bool { return !l.Starts.Before(o.From) && !l.Ends.After(o.To) }) {
				t.Fatalf("%s is closed: %+v", s.Name, l)
			}
			now = l.Ends
		}
		if driving += p.Back.Sub(now); driving != p.Driving || p.Out.Before(d.Leave) {
			t.Fatalf("%s on the road, said %s", driving, p.Driving)
		}
	})
}

// A night's two sites: the nearer one opens later, so the farther one comes first.
func TestADayInWords(t *testing.T) {
	d := Day{Warehouse: Point{43, -77}, Roads: Roads{1.3, 65}, Leave: six, Back: after(9), Stops: []Stop{
		{"Umberlea", Point{43.1, -77}, []calendar.Span{{From: after(5), To: after(8)}}, 2 * time.Hour},
		{"Ferrowick", Point{43.5, -77}, []calendar.Span{{From: after(2), To: after(5)}}, 90 * time.Minute},
		{"Pellhaven", Point{43.2, -77}, []calendar.Span{{From: after(-5), To: after(1)}}, 3 * time.Hour},
		{"Vannick Falls", Point{46.5, -77}, nil, time.Hour},
		{"Kestlebrook", Point{43, -77.1}, nil, 5 * time.Hour},
	}}
	p, err := Order(d)
	if err != nil {
		t.Fatal(err)
	}
	want := "Ferrowick, then Umberlea: about 145 km and 2 h 13 min on the road, out at 06:53, back about 13:13; " +
		"without Pellhaven: open 01:00 to 07:00, and a stay of 3 h from 06:27 on does not fit; " +
		"without Vannick Falls: nobody could be back from there before 22:34, which is after 15:00; " +
		"without Kestlebrook: does not fit beside the others"
	if got := p.Says(Kilometres); got != want {
		t.Errorf("%s\nwant %s", got, want)
	}
	d.Stops = d.Stops[:2]
	p, _ = Order(d)
	if got := p.Says(Miles); got != "Ferrowick, then Umberlea: about 90 miles and 2 h 13 min on the road, out at 06:53, back about 13:13" {
		t.Error(got)
	}
	d.Leave, d.Back, d.Stops = after(16), time.Time{}, d.Stops[:1]
	d.Stops[0].Open = nil
	d.Stops[0].Stay = 12 * time.Hour
	p, _ = Order(d)
	if got := p.Says(Kilometres); got != "Umberlea: about 29 km and 27 min on the road, out at 22:00, back about 10:27 on 19 May" {
		t.Error(got)
	}
	if p, _ := Order(Day{Roads: Roads{1, 60}}); p.Says(Miles) != "nowhere to go" {
		t.Error(p.Says(Miles))
	}
}

func TestBadInputIsNamed(t *testing.T) {
	nan := math.NaN()
	d := Day{Warehouse: Point{91, 0}, Leave: six, Back: after(-1), Stops: make([]Stop, 11)}
	d.Stops[0] = Stop{At: Point{nan, 0}, Stay: -1, Open: []calendar.Span{{From: after(2), To: after(1)}, {From: after(0), To: after(3)}}}
	d.Stops[1].At.Longitude = 181
	_, err := Order(d)
	f, ok := err.(*fault.Error)
	if !ok {
		t.Fatal(err)
	}
	var fields []string
	for _, p := range f.Parts {
		fields = append(fields, p.Field)
	}
	if want := []string{"stops", "warehouse.latitude", "roads.factor", "roads.speed", "back", "stops[0].at.latitude", "stops[0].stay", "stops[0].open[0]", "stops[0].open[1]", "stops[1].at.longitude"}; !slices.Equal(fields, want) {
		t.Errorf("%v", fields)
	}
}

// BenchmarkOrder puts days of eight stops in order, each open for three hours.
func BenchmarkOrder(b *testing.B) {
	d := Day{Warehouse: Point{43, -77}, Roads: Roads{1.3, 65}, Leave: six}
	for i := range 8 {
		d.Stops = append(d.Stops, Stop{Name: fmt.Sprint(i), At: Point{43 + float64(i*7%5)/10, -77 + float64(i*3%8)/10}, Stay: 40 * time.Minute,
			Open: []calendar.Span{{From: after(float64(i * 5 % 8)), To: after(float64(i*5%8) + 6)}}})
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Order(d); err != nil {
			b.Fatal(err)
		}
	}
}
