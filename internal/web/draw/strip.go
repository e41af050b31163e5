// Package draw makes the drawings of the pages: from plain data to SVG, without
// a database, a clock or a request. Colours are left to the style sheet; what a
// drawing says, it says by shape, pattern and word.
package draw

import (
	"fmt"
	"html"
	"math"
	"slices"
	"strconv"
	"strings"
)

// Strip is a wash line seen from above, with vehicles travelling along it.
type Strip struct {
	ID     string  // sets the drawing's own ids apart from others in the page
	Title  string  // "Line UMB-1, seen from above"
	Length float64 // of the conveyor in metres; 0 where nobody recorded it
	InFeet bool    // the scale counts feet, not metres
	Left   string  // what the left of travel is called here: "driver side"
	Right  string
	Items  []Item
}

// Item is one position on the line.
type Item struct {
	Href  string
	Label string // short: it has 44 px
	Says  string // the whole sentence, for those who hear the drawing
	Side  string // left, right or centre in the direction of travel
	Along float64
	Brush bool // a rotating brush is a circle, anything else a small block
	State string
	Word  string // the state in a word; "" where it is in service
	Turn  Turn
	Spent *float64 // share of the interval of its next planned work that is used up; nil where nobody knows
	Late  bool     // that work is late
}

// Turn is how a brush must turn as it shows in a plan from above.
type Turn int

// Of a brush that turns about a standing axis one sees clockwise or not; of one
// that lies across the line one sees the upper side move with the travel or
// against it.
const (
	Unknown Turn = iota
	Clockwise
	CounterClockwise
	WithTravel
	AgainstTravel
)

const (
	apart  = 44.0 // least distance between neighbours: the size of a fingertip
	near   = 25.0 // between small blocks on the lane of a desk's drawing, where a pointer hits them
	radius = 18.0
	around = 20.4 // the arc of its interval, within what a fingertip hits
	hole   = 11.0 // the disc within a brush where its arrow stands
	margin = 40.0
)

// Across draws the strip with travel from left to right, for a desk and paper.
func Across(s Strip) string { return draw(s, false) }

// Upright draws the strip with travel upwards, for a phone: what is left of
// travel stays left.
func Upright(s Strip) string { return draw(s, true) }

type pen struct {
	strings.Builder
	upright       bool
	lane          float64 // width of the band on which vehicles travel
	width, height float64
	middle        float64 // of the lane, across the travel
	start         float64 // where along the drawing the entrance lies
	scale         float64 // px a metre
	id            string
}

// at turns a place along and across the line into one on the page. across is
// negative to the left of travel.
func (p *pen) at(along, across float64) (x, y float64) {
	if p.upright {
		return p.middle + across, p.height - along
	}
	return along, p.middle + across
}

func (p *pen) f(format string, args ...any) {
	for i, a := range args {
		switch v := a.(type) {
		case float64:
			args[i] = num(v)
		case string:
			args[i] = html.EscapeString(v)
		}
	}
	fmt.Fprintf(p, format, args...)
}

// num writes a coordinate in tenths of a pixel.
func num(v float64) string {
	v = math.Round(v*10) / 10
	if v == 0 {
		v = 0 // no "-0"
	}
	return strconv.FormatFloat(v, 'f', -1, 64)
}

// spread moves neighbours apart until each has its room, as little as possible
// in the sum of squares, and keeps their order.
func spread(at, room []float64) []float64 {
	type block struct {
		sum float64
		n   int
	}
	var blocks []block
	need := make([]float64, len(at)) // from the first to each
	for i, v := range at {
		if i > 0 {
			need[i] = need[i-1] + (room[i-1]+room[i])/2
		}
		b := block{v - need[i], 1}
		for len(blocks) > 0 {
			last := blocks[len(blocks)-1]
			if last.sum/float64(last.n) <= b.sum/float64(b.n) {
				break
			}
			b.sum, b.n = b.sum+last.sum, b.n+last.n
			blocks = blocks[:len(blocks)-1]
		}
		blocks = append(blocks, b)
	}
	out := make([]float64, 0, len(at))
	for _, b := range blocks {
		for range b.n {
			out = append(out, b.sum/float64(b.n)+need[len(out)])
		}
	}
	return out
}

// reach gives the stretch of the line that the drawing covers, in metres.
func (s Strip) reach() (from, to float64) {
	to = s.Length
	for _, it := range s.Items {
		from, to = min(from, it.Along), max(to, it.Along)
	}
	return from, max(to, from+1)
}

// room is how much of the line an item takes on the page.
func room(it Item, upright bool) float64 {
	if !upright && !it.Brush && it.Side == "centre" {
		return near
	}
	return apart
}

// wanted gives the scale at which no two neighbours would have to move, as far
// as they do not stand at the same place.
func wanted(sides map[string][]Item, upright bool) float64 {
	most := 0.0
	for _, items := range sides {
		for i := 1; i < len(items); i++ {
			if d := items[i].Along - items[i-1].Along; d > 0.3 {
				most = max(most, (room(items[i], upright)+room(items[i-1], upright))/2/d)
			}
		}
	}
	return most
}

func draw(s Strip, upright bool) string {
	sides := map[string][]Item{}
	for _, it := range s.Items {
		sides[it.Side] = append(sides[it.Side], it)
	}
	for _, items := range sides {
		slices.SortStableFunc(items, func(a, b Item) int { return int(math.Copysign(1, a.Along-b.Along)) * b2i(a.Along != b.Along) })
	}
	from, to := s.reach()
	least, most := 1020.0, 1080.0
	if upright {
		least, most = 620, 1800
	}
	scale := min(max(wanted(sides, upright), least/(to-from)), most/(to-from))
	placed, low, high := place(sides, from, to, scale, upright)
	for range 4 { // what was moved apart may need more than the page has
		if long := high - low; upright || long <= most {
			break
		}
		scale *= most / (high - low)
		placed, low, high = place(sides, from, to, scale, upright)
	}
	p := &pen{upright: upright, scale: scale, start: margin - low, id: s.ID + "a"}
	along := high - low + 2*margin
	p.width, p.height, p.middle, p.lane = along, 290, 145, 120
	if upright {
		p.width, p.height, p.middle, p.id, p.lane = 350, along, 175, s.ID+"u", 96
	}

	p.f(`<svg class="strip %v" viewBox="0 0 %v %v" width="%v" height="%v" role="group" aria-labelledby="%v-t %v-d" xmlns="http://www.w3.org/2000/svg">`,
		map[bool]string{false: "across", true: "upright"}[upright], p.width, p.height, p.width, p.height, p.id, p.id)
	p.f("\n<title id=\"%v-t\">%v</title>\n<desc id=\"%v-d\">%v</desc>\n", p.id, s.Title, p.id, s.describe())
	p.patterns()
	p.band(s)
	for _, side := range []string{"left", "right", "centre"} {
		for i, it := range sides[side] {
			p.item(it, placed[side][i])
		}
	}
	p.WriteString("</svg>")
	return p.String()
}

// place gives where along the drawing each item goes. Where things stand too
// close for the scale they are moved apart, and a line leads to the true place.
func place(sides map[string][]Item, from, to, scale float64, upright bool) (placed map[string][]float64, low, high float64) {
	placed = map[string][]float64{}
	low, high = from*scale, to*scale
	for side, items := range sides {
		want, rooms := make([]float64, len(items)), make([]float64, len(items))
		for i, it := range items {
			want[i], rooms[i] = it.Along*scale, room(it, upright)
		}
		placed[side] = spread(want, rooms)
		if n := len(items); n > 0 {
			low, high = min(low, placed[side][0]), max(high, placed[side][n-1])
		}
	}
	return placed, low, high
}

func b2i(b bool) int {
	if b {
		return 1
	}
	return 0
}

// describe says in two sentences what the drawing shows.
func (s Strip) describe() string {
	count := map[string]int{}
	var order []string
	for _, it := range s.Items {
		w := it.Word
		if w == "" {
			w = "in service"
		}
		if count[w]++; count[w] == 1 {
			order = append(order, w)
		}
	}
	var parts []string
	for _, w := range order {
		parts = append(parts, fmt.Sprintf("%d %s", count[w], w))
	}
	if len(parts) == 0 {
		parts = []string{"none yet"}
	}
	return fmt.Sprintf("Plan of the line from above, in the direction of travel; left of travel is the %s, right the %s. Positions: %s.",
		s.Left, s.Right, strings.Join(parts, ", ")) + s.describeArcs()
}

// describeArcs says in a sentence what the arcs show, where there are some.
func (s Strip) describeArcs() string {
	arcs, late := 0, 0
	for _, it := range s.Items {
		if it.Brush && it.Spent != nil {
			arcs, late = arcs+1, late+b2i(it.Late)
		}
	}
	switch {
	case arcs == 0:
		return ""
	case late == 0:
		return " The arc around a brush fills as the interval of its next planned work is used up; at none of them it is late."
	}
	return fmt.Sprintf(" The arc around a brush fills as the interval of its next planned work is used up; it is full and broken where that is late, at %d of %d.", late, arcs)
}

// patterns are the fills by which states differ without colour, and the arrows
// that many brushes share.
func (p *pen) patterns() {
	p.f(`<defs><pattern id="%v-hatch" width="5" height="5" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">`+
		`<rect class="ground" width="5" height="5"/><rect class="mark" width="2" height="5"/></pattern>`, p.id)
	for _, t := range []Turn{Unknown, Clockwise, CounterClockwise, WithTravel, AgainstTravel} {
		p.f(`<g id="%v-%v">`, p.id, int(t))
		p.turn(t, 0, 0)
		p.WriteString("</g>")
	}
	p.WriteString("</defs>\n")
}

func (p *pen) line(class string, a1, c1, a2, c2 float64) {
	x1, y1 := p.at(a1, c1)
	x2, y2 := p.at(a2, c2)
	p.f(`<line class="%v" x1="%v" y1="%v" x2="%v" y2="%v"/>`, class, x1, y1, x2, y2)
}

func (p *pen) text(class, anchor string, x, y float64, say string) {
	p.f(`<text class="%v" x="%v" y="%v" text-anchor="%v">%v</text>`, class, x, y, anchor, say)
}

// band draws the lane with its scale, its ends and the direction of travel.
func (p *pen) band(s Strip) {
	total := p.width
	if p.upright {
		total = p.height
	}
	x, y := p.at(0, -p.lane/2)
	w, h := total, p.lane
	if p.upright {
		x, y, w, h = p.middle-p.lane/2, 0, p.lane, total
	}
	p.f(`<rect class="lane" x="%v" y="%v" width="%v" height="%v"/>`, x, y, w, h)
	p.line("edge", 0, -p.lane/2, total, -p.lane/2)
	p.line("edge", 0, p.lane/2, total, p.lane/2)

	// direction of travel: a broken middle line with heads
	p.line("travel", 8, 0, total-14, 0)
	for _, a := range []float64{total - 8, 24} {
		ax, ay := p.at(a, 0)
		bx, by := p.at(a-11, -5)
		cx, cy := p.at(a-11, 5)
		p.f(`<path class="head" d="M%v %v %v %v %v %vz"/>`, ax, ay, bx, by, cx, cy)
	}
	p.WriteString("\n")

	unit, step := 1.0, 5.0
	name := "m"
	if s.InFeet {
		unit, step, name = 0.3048, 10, "ft"
	}
	_, to := s.reach()
	for v := 0.0; v*unit <= to+0.01; v += step {
		a := p.start + v*unit*p.scale
		p.line("tick", a, p.lane/2-5, a, p.lane/2)
		say := num(v)
		if v == 0 {
			say = "0 " + name
		}
		if p.upright {
			p.text("scale", "end", p.middle+p.lane/2-8, p.height-a+3, say)
		} else {
			p.text("scale", "middle", a, p.middle+p.lane/2-8, say)
		}
	}
	p.WriteString("\n")
	ends := []struct {
		at  float64
		say string
	}{{p.start, "entrance"}}
	if s.Length > 0 {
		ends = append(ends, struct {
			at  float64
			say string
		}{p.start + s.Length*p.scale, "exit"})
	}
	for _, e := range ends {
		p.line("end", e.at, -p.lane/2, e.at, p.lane/2)
		if p.upright {
			p.text("endword", "start", p.middle-p.lane/2+4, p.height-e.at-5, e.say)
		} else {
			p.text("endword", "middle", e.at, p.middle-p.lane/2-6, e.say)
		}
	}
	if p.upright {
		p.text("side", "start", 4, p.height-8, "left · "+s.Left)
		p.text("side", "end", p.width-4, p.height-8, "right · "+s.Right)
	} else {
		p.text("side", "start", 4, 14, "left · "+s.Left)
		p.text("side", "start", 4, p.height-6, "right · "+s.Right)
	}
	p.WriteString("\n")
}

func (p *pen) item(it Item, placed float64) {
	off := map[string]float64{"left": -1, "right": 1}[it.Side]
	a := p.start + placed
	across := off * (p.lane/2 + 26)
	x, y := p.at(a, across)

	p.f(`<a href="%v" class="spot %v"><title>%v</title>`, it.Href, it.State, it.Says)
	if off != 0 { // the arm reaches to the true place on the edge of the lane
		tx, ty := p.at(p.start+it.Along*p.scale, off*p.lane/2)
		p.f(`<line class="arm" x1="%v" y1="%v" x2="%v" y2="%v"/>`, tx, ty, x, y)
	}
	if off == 0 && math.Abs(placed-it.Along*p.scale) > 2 { // moved: a line leads to the true place
		side := 1.0
		if p.upright {
			side = -1
		}
		tx, ty := p.at(p.start+it.Along*p.scale, side*p.lane/2)
		bx, by := p.at(a, side*12)
		p.f(`<line class="arm thin" x1="%v" y1="%v" x2="%v" y2="%v"/>`, tx, ty, bx, by)
	}
	if r := room(it, p.upright); r < apart {
		p.f(`<rect class="touch" x="%v" y="%v" width="%v" height="80"/>`, x-r/2, y-62, r)
	} else {
		p.f(`<circle class="touch" cx="%v" cy="%v" r="22"/>`, x, y)
	}
	fill := map[string]string{"in_service": "", "parked": fmt.Sprintf(` fill="url(#%s-hatch)"`, p.id)}[it.State]
	if it.State != "in_service" && fill == "" {
		fill = ` fill="#fff"`
	}
	dash := ""
	if it.State != "in_service" && it.State != "parked" {
		dash = ` stroke-dasharray="4 3"`
	}
	if it.Brush {
		fmt.Fprintf(p, `<circle class="body" cx="%s" cy="%s" r="%s"%s%s/>`, num(x), num(y), num(radius-1), fill, dash)
		p.f(`<use href="#%v-%v" x="%v" y="%v"/>`, p.id, int(it.Turn), x, y)
		if it.Spent != nil {
			p.spent(*it.Spent, it.Late, x, y)
		}
	} else {
		w, h := 13.0, 24.0
		if p.upright {
			w, h = h, w
		}
		fmt.Fprintf(p, `<rect class="body" x="%s" y="%s" width="%s" height="%s"%s%s/>`, num(x-w/2), num(y-h/2), num(w), num(h), fill, dash)
	}

	// hidden from those who hear the drawing: the sentence says it whole
	p.WriteString(`<g aria-hidden="true">`)
	label := short(it.Label, 7)
	if it.Word == "" && it.Brush && it.Late {
		it.Word = "late"
	}
	switch {
	case p.upright && off != 0:
		lx, anchor := x+off*25, map[float64]string{-1: "end", 1: "start"}[off]
		ly := y + 4
		if it.Word != "" {
			ly = y - 3
			p.text("word", anchor, lx, y+11, it.Word)
		}
		p.text("label", anchor, lx, ly, short(it.Label, 10))
	case p.upright:
		below := 18.0
		if it.Brush {
			below = 29
		}
		p.text("label onlane", "middle", x, y+below, short(it.Label, 11))
		if it.Word != "" {
			p.text("word", "end", x-23, y+4, it.Word)
		}
	case off != 0:
		ly := y + off*33 + 4
		p.text("label", "middle", x, ly, label)
		if it.Word != "" {
			p.text("word", "middle", x, ly+off*13, it.Word)
		}
	case it.Brush:
		p.text("label onlane", "middle", x, y-23, label)
		if it.Word != "" {
			p.text("word onlane", "middle", x, y-34, it.Word)
		}
	default: // small blocks stand close, so that their names stand upright
		p.f(`<text class="label" transform="translate(%v %v) rotate(-90)">%v</text>`, x+4, y-15, label)
		if it.Word != "" {
			p.f(`<text class="word" text-anchor="end" transform="translate(%v %v) rotate(-90)">%v</text>`, x+4, y+15, it.Word)
		}
	}
	p.WriteString("</g>")
	p.WriteString("</a>\n")
}

// short keeps a label within its room. Codes differ at their ends, so the
// beginning goes; the whole name stands in the title.
func short(s string, most int) string {
	r := []rune(s)
	if len(r) <= most {
		return s
	}
	return "…" + string(r[len(r)-most+1:])
}

// turn draws the arrow within a brush.
func (p *pen) turn(t Turn, x, y float64) {
	p.f(`<circle class="hole" cx="%v" cy="%v" r="%v"/>`, x, y, hole)
	switch t {
	case Clockwise, CounterClockwise:
		p.WriteString(arc(x, y, 6.2, 4.6, t == Clockwise))
	case WithTravel, AgainstTravel:
		d := map[Turn]float64{WithTravel: 1, AgainstTravel: -1}[t]
		dx, dy := d, 0.0
		if p.upright {
			dx, dy = 0, -d
		}
		p.WriteString(straight(x-7*dx, y-7*dy, x+8*dx, y+8*dy, 4.6))
	default:
		p.text("doubt", "middle", x, y+4.5, "?")
	}
}

// spent draws how much of an interval is used up: from the top clockwise, as on a clock, over
// a thin ring that is the whole of it. What is late is full and broken.
func (p *pen) spent(share float64, late bool, x, y float64) {
	p.f(`<circle class="interval" cx="%v" cy="%v" r="%v"/>`, x, y, around)
	switch share = min(max(share, 0), 1); {
	case late:
		p.f(`<circle class="spent late" cx="%v" cy="%v" r="%v" stroke-dasharray="7 3.7"/>`, x, y, around)
	case share == 1:
		p.f(`<circle class="spent" cx="%v" cy="%v" r="%v"/>`, x, y, around)
	case share > 0:
		a := 2 * math.Pi * share
		p.f(`<path class="spent" d="M%v %vA%v %v 0 %v 1 %v %v"/>`, x, y-around, around, around, b2i(share > .5), x+around*math.Sin(a), y-around*math.Cos(a))
	}
}

// arc draws three quarters of a turn with a head, about x and y.
func arc(x, y, r, head float64, clockwise bool) string {
	d, sweep := 1.0, 1
	if !clockwise {
		d, sweep = -1, 0
	}
	// from lower left over the top to lower right, or the mirror of it
	a0, a1 := math.Pi/2+d*math.Pi/4, math.Pi/2-d*math.Pi/4+d*2*math.Pi
	x0, y0 := x+r*math.Cos(a0), y+r*math.Sin(a0)
	x1, y1 := x+r*math.Cos(a1), y+r*math.Sin(a1)
	tx, ty := -math.Sin(a1)*d, math.Cos(a1)*d // tangent at the end
	px, py := -ty, tx
	tip := head * 0.9
	return fmt.Sprintf(`<path class="arrow" d="M%s %sA%s %s 0 1 %d %s %s" /><path class="tip" d="M%s %s %s %s %s %sz"/>`,
		num(x0), num(y0), num(r), num(r), sweep, num(x1), num(y1),
		num(x1+tx*tip), num(y1+ty*tip), num(x1+px*head*0.75), num(y1+py*head*0.75), num(x1-px*head*0.75), num(y1-py*head*0.75))
}

// straight draws an arrow from one point to another.
func straight(x0, y0, x1, y1, head float64) string {
	l := math.Hypot(x1-x0, y1-y0)
	dx, dy := (x1-x0)/l, (y1-y0)/l
	bx, by := x1-dx*head, y1-dy*head
	return fmt.Sprintf(`<path class="arrow" d="M%s %s %s %s" /><path class="tip" d="M%s %s %s %s %s %sz"/>`,
		num(x0), num(y0), num(bx), num(by), num(x1), num(y1), num(bx-dy*head*0.75), num(by+dx*head*0.75), num(bx+dy*head*0.75), num(by-dx*head*0.75))
}

// Mini draws a line as a row of dots for a list: what is in service is solid,
// what is parked is barred, what is empty is hollow.
func Mini(s Strip, says string) string {
	var p pen
	const w, h, pad = 320.0, 34.0, 8.0
	from, to := s.reach()
	p.f(`<svg class="mini" viewBox="0 0 %v %v" width="%v" height="%v" role="img" aria-label="%v" xmlns="http://www.w3.org/2000/svg">`, w, h, w, h, says)
	p.f(`<rect class="lane" x="0" y="12" width="%v" height="10"/>`, w)
	for _, it := range s.Items {
		x := pad + (it.Along-from)/(to-from)*(w-2*pad)
		y := map[string]float64{"left": 5, "right": 29}[it.Side]
		if y == 0 {
			y = 17
		}
		switch {
		case !it.Brush && it.State == "in_service":
			p.f(`<path class="fixed" d="M%v %vv5"/>`, x, y-2.5)
		case it.State == "in_service":
			p.f(`<circle class="on" cx="%v" cy="%v" r="4"/>`, x, y)
		case it.State == "parked":
			p.f(`<circle class="off" cx="%v" cy="%v" r="4" fill="#fff" stroke="#000"/><path class="bar" d="M%v %v %v %v"/>`, x, y, x-3, y+3, x+3, y-3)
		default:
			p.f(`<circle class="off" cx="%v" cy="%v" r="4" fill="#fff"/>`, x, y)
		}
	}
	p.WriteString("</svg>")
	return p.String()
}
