package draw

import (
	"math"
	"strconv"
	"strings"
	"time"
)

// Count is what a counter has shown over time, and what it is expected to show.
type Count struct {
	ID    string
	Title string // stands for the drawing where it is heard
	Unit  string // what is counted: "vehicles"
	Now   time.Time
	Zone  *time.Location // whose months stand along the foot
	Seen  []Seen         // by time; totals, not the figures on the wheels
	Turns []Event        // where the figures began anew or were explained
	Ahead []Reach        // by time
}

// Seen is a total that a reading gives.
type Seen struct {
	At    time.Time
	Total float64
	Open  bool // not explained yet, so it counts nowhere
}

// Event is something that happened to the counter itself.
type Event struct {
	At  time.Time
	Say string // "rolled over"
}

// Reach is where the total will stand with 10, 50 and 90 % probability at most.
type Reach struct {
	At                time.Time
	Low, Likely, High float64
}

const (
	countHigh = 300.0
	countLeft = 64.0 // room for the figures
	countFoot = 34.0 // and for the months
)

// frame turns time and total into a place in the drawing.
type frame struct {
	from, until time.Time
	low, high   float64
	x0, x1      float64
	y0, y1      float64
}

func (f frame) x(t time.Time) float64 {
	return f.x0 + (f.x1-f.x0)*float64(t.Sub(f.from))/float64(f.until.Sub(f.from))
}

func (f frame) y(total float64) float64 { return f.y1 - (f.y1-f.y0)*(total-f.low)/(f.high-f.low) }

// Counter draws readings as points, the forecast as a fan: its middle a broken
// line, its four fifths hatched. width is in pixels: a phone has some 350.
func Counter(c Count, width float64) string {
	p := &pen{id: c.ID, width: width, height: countHigh}
	p.f(`<svg class="counter" viewBox="0 0 %v %v" width="%v" height="%v" role="img" aria-labelledby="%v-t" xmlns="http://www.w3.org/2000/svg">`, p.width, p.height, p.width, p.height, p.id)
	p.f("\n<title id=\"%v-t\">%v</title>\n", p.id, c.Title)
	p.f(`<defs><pattern id="%v-h" width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(45)"><rect class="faint" width="1.4" height="6"/></pattern></defs>`+"\n", p.id)
	if len(c.Seen)+len(c.Ahead) == 0 {
		p.text("word", "middle", width/2, countHigh/2, "no reading yet")
		p.WriteString("</svg>")
		return p.String()
	}
	f := c.frame(width)
	p.figures(f, c.Unit)
	p.months(f, c.Zone)
	p.fan(f, c.Ahead)
	p.events(f, c.Turns)
	if x := f.x(c.Now); x >= f.x0 && x <= f.x1 {
		p.f(`<path class="today" d="M%v %vV%v"/>`, x, f.y0-6, f.y1)
		anchor, at := "middle", x
		for _, e := range c.Turns {
			if d := x - f.x(e.At); d > -30 && d < 30 { // the number stands there
				anchor, at = "start", max(x, f.x(e.At))+9
			}
		}
		if at+34 > width {
			anchor, at = "middle", x
		}
		p.text("word", anchor, at, f.y0-10, "today")
	}
	p.seen(f, c.Seen)
	p.WriteString("</svg>")
	return p.String()
}

func (c Count) frame(width float64) frame {
	f := frame{x0: countLeft, x1: width - 14, y0: 28, y1: countHigh - countFoot, low: math.Inf(1), high: math.Inf(-1)}
	reach := func(at time.Time, low, high float64) {
		if f.from.IsZero() || at.Before(f.from) {
			f.from = at
		}
		if at.After(f.until) {
			f.until = at
		}
		f.low, f.high = min(f.low, low), max(f.high, high)
	}
	for _, s := range c.Seen {
		reach(s.At, s.Total, s.Total)
	}
	for _, r := range c.Ahead {
		reach(r.At, r.Low, r.High)
	}
	if c.Now.After(f.until) {
		f.until = c.Now
	}
	if f.until.Sub(f.from) < 24*time.Hour {
		f.from, f.until = f.from.Add(-24*time.Hour), f.until.Add(24*time.Hour)
	}
	step := round(max(f.high-f.low, 1) / 4)
	f.low, f.high = math.Floor(f.low/step)*step, math.Ceil(f.high/step)*step
	if f.high == f.low {
		f.high += step
	}
	return f
}

// round gives the least of 1, 2, 5, 10 ... that is not below v.
func round(v float64) float64 {
	ten := math.Pow(10, math.Floor(math.Log10(v)))
	for _, m := range []float64{1, 2, 5} {
		if v <= m*ten {
			return m * ten
		}
	}
	return 10 * ten
}

func (p *pen) figures(f frame, unit string) {
	step := round((f.high - f.low) / 5)
	for v := f.low; v <= f.high+step/1e3; v += step {
		p.f(`<path class="tick" d="M%v %vH%v"/>`, f.x0, f.y(v), f.x1)
		p.text("scale", "end", f.x0-6, f.y(v)+3.5, grouped(v))
	}
	p.text("word", "start", 4, 14, unit)
	p.WriteString("\n")
}

// grouped writes a total with its thousands apart, in tenths where it is small.
func grouped(v float64) string {
	if v = math.Round(v*10) / 10; math.Abs(v) < 1000 {
		return num(v)
	}
	s := strconv.FormatFloat(math.Round(v), 'f', 0, 64)
	for i := len(s) - 3; i > 0 && s[i-1] != '-'; i -= 3 {
		s = s[:i] + "," + s[i:]
	}
	return s
}

// months marks the beginnings of months, as many as have room to be named.
func (p *pen) months(f frame, zone *time.Location) {
	from := f.from.In(zone)
	total := f.until.Sub(f.from).Hours() / 24 / 30.44
	every := 1
	for _, every = range []int{1, 2, 3, 6, 12, 24, 60} {
		if total/float64(every) <= (f.x1-f.x0)/58 {
			break
		}
	}
	for t := time.Date(from.Year(), from.Month()+1, 1, 0, 0, 0, 0, zone); !t.After(f.until); t = t.AddDate(0, 1, 0) {
		if (int(t.Month())-1+12*t.Year())%every != 0 {
			continue
		}
		x := f.x(t)
		p.f(`<path class="tick" d="M%v %vv5"/>`, x, f.y1)
		p.text("scale", "middle", x, f.y1+16, t.Format("Jan"))
		p.text("scale", "middle", x, f.y1+28, t.Format("2006"))
	}
	p.f("<path class=\"edge\" d=\"M%v %vH%v\"/>\n", f.x0, f.y1, f.x1)
}

func (p *pen) fan(f frame, ahead []Reach) {
	if len(ahead) < 2 {
		return
	}
	var band, likely strings.Builder
	for i, r := range ahead {
		at := num(f.x(r.At)) + " "
		band.WriteString(letter(i) + at + num(f.y(r.High)))
		likely.WriteString(letter(i) + at + num(f.y(r.Likely)))
	}
	for i := len(ahead) - 1; i >= 0; i-- {
		band.WriteString("L" + num(f.x(ahead[i].At)) + " " + num(f.y(ahead[i].Low)))
	}
	p.f("<path class=\"band\" fill=\"url(#%v-h)\" d=\"%vZ\"/><path class=\"likely\" d=\"%v\"/>\n", p.id, band.String(), likely.String())
}

func letter(i int) string {
	if i == 0 {
		return "M"
	}
	return "L"
}

// events stand as numbers on dotted lines; what they are is said in the table.
func (p *pen) events(f frame, turns []Event) {
	last := math.Inf(-1)
	for i, e := range turns {
		x := f.x(e.At)
		if x < f.x0 || x > f.x1 {
			continue
		}
		p.f(`<g class="event"><title>%v</title><path class="end" d="M%v %vV%v"/>`, e.Say, x, f.y0, f.y1)
		if x-last >= 14 {
			p.text("number", "middle", x, f.y0-4, strconv.Itoa(i+1))
			last = x
		}
		p.WriteString("</g>\n")
	}
}

func (p *pen) seen(f frame, seen []Seen) {
	var line strings.Builder
	n := 0
	for _, s := range seen {
		if !s.Open {
			line.WriteString(letter(n) + num(f.x(s.At)) + " " + num(f.y(s.Total)))
			n++
		}
	}
	if n > 1 {
		p.f("<path class=\"run\" d=\"%v\"/>\n", line.String())
	}
	dot := 2.6
	if len(seen) > 150 {
		dot = 1.5
	}
	for _, s := range seen {
		class, r := "dot", dot
		if s.Open {
			class, r = "dot open", 4
		}
		p.f(`<circle class="%v" cx="%v" cy="%v" r="%v"/>`, class, f.x(s.At), f.y(s.Total), r)
	}
	p.WriteString("\n")
}
