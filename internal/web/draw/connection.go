package draw

import (
	"fmt"
	"strconv"
	"strings"
)

// Hookup is where each lead of a motor goes.
type Hookup struct {
	ID     string
	Title  string // stands in the picture and is read out: "Nine leads, low, 230 V"; there is room for some 35 letters
	Lines  [3][]int
	Joined [][]int
	Open   []int
	Also   map[int]string // another name of a lead, such as U1
}

// Distances of the drawing. A column is a phase: what stands on L1 hangs under
// L1, lead 4 is the other end of the coil that begins with lead 1, and so on.
const (
	column   = 104.0
	firstCol = 46.0
	step     = 34.0 // between two leads on one line
	hookDot  = 7.0

	pairAfter = 34.0 // below a pair, so that its lower name is not taken for one of a bar
	barRoom   = 52.0 // of a bar with the names above it
)

// Leads draws a lead diagram: the three lines arriving with the leads that stand
// on each, below them what is joined with each other, and what stays open. It is
// legible in black on white and in white on black, and without a style sheet.
func Leads(h Hookup) string {
	p := &pen{id: h.ID}
	deepest := 0
	for _, on := range h.Lines {
		deepest = max(deepest, len(on))
	}
	linesAt := 84.0
	joinsAt := linesAt + float64(deepest-1)*step + 46
	pairs, bars := split(h.Joined)
	openAt := joinsAt + 10
	if len(h.Joined) > 0 {
		openAt += 14
	}
	if len(pairs) > 0 {
		openAt += step + pairAfter
	}
	openAt += float64(len(bars)) * barRoom
	p.width, p.height = 320, openAt
	if len(h.Open) > 0 {
		openAt += 14
		p.height = openAt + 10 + step*float64((len(h.Open)+2)/3)
	}

	p.f(`<svg class="leads" viewBox="0 0 %v %v" width="%v" height="%v" role="img" aria-labelledby="%v-t %v-d" fill="currentColor" stroke="none" font-family="sans-serif" xmlns="http://www.w3.org/2000/svg">`,
		p.width, p.height, p.width, p.height, p.id, p.id)
	p.f("\n<title id=\"%v-t\">%v</title>\n<desc id=\"%v-d\">%v</desc>\n", p.id, h.Title, p.id, h.describe())
	p.say("leads-title", "start", 10, 20, 15, true, h.Title)
	p.WriteString("\n")
	for i, on := range h.Lines {
		x := firstCol + float64(i)*column
		p.say("leads-line", "middle", x, 46, 17, true, "L"+strconv.Itoa(i+1))
		if len(on) == 0 {
			continue
		}
		p.wire(x, 52, x, linesAt+float64(len(on)-1)*step)
		p.f(`<path class="leads-tip" d="M%v %v %v %v %v %vz"/>`, x, linesAt-hookDot-1, x-5.5, linesAt-hookDot-12, x+5.5, linesAt-hookDot-12)
		for k, lead := range on {
			p.lead(h, lead, x, linesAt+float64(k)*step, false)
		}
		p.WriteString("\n")
	}

	y := joinsAt
	if len(h.Joined) > 0 {
		p.f(`<line class="leads-rule" x1="10" y1="%v" x2="310" y2="%v" stroke="currentColor" stroke-width="1" stroke-dasharray="2 4"/>`, y-16, y-16)
		p.say("leads-word", "start", 10, y+2, 13, false, "joined with each other, not to a line")
		y += 24
	} else {
		p.say("leads-word", "start", 10, y, 13, false, "no other joins")
	}
	for i, pair := range pairs {
		x := firstCol + float64(i)*column
		p.wire(x, y, x, y+step)
		p.lead(h, pair[0], x, y, false)
		p.lead(h, pair[1], x, y+step, false)
		p.WriteString("\n")
	}
	if len(pairs) > 0 {
		y += step + pairAfter
	}
	for _, bar := range bars {
		y += 20
		p.wire(firstCol, y, firstCol+float64(len(bar)-1)*column, y)
		for i, lead := range bar {
			p.lead(h, lead, firstCol+float64(i)*column, y, true)
		}
		p.WriteString("\n")
		y += barRoom - 20
	}
	if len(h.Open) > 0 {
		p.say("leads-word", "start", 10, openAt, 13, false, "open, each insulated by itself")
		for i, lead := range h.Open {
			p.lead(h, lead, firstCol+float64(i%3)*column, openAt+24+34*float64(i/3), false)
		}
	}
	p.WriteString("</svg>")
	return p.String()
}

// split parts the joins into up to three pairs, which hang under the lines, and
// the rest, which lies across.
func split(joined [][]int) (pairs, bars [][]int) {
	for _, j := range joined {
		if len(j) == 2 && len(pairs) < 3 {
			pairs = append(pairs, j)
		} else {
			bars = append(bars, j)
		}
	}
	return pairs, bars
}

func (p *pen) wire(x1, y1, x2, y2 float64) {
	p.f(`<line class="leads-wire" x1="%v" y1="%v" x2="%v" y2="%v" stroke="currentColor" stroke-width="4"/>`, x1, y1, x2, y2)
}

func (p *pen) say(class, anchor string, x, y, size float64, bold bool, words string) {
	weight := ""
	if bold {
		weight = ` font-weight="700"`
	}
	p.f(`<text class="%v" x="%v" y="%v" font-size="%v" text-anchor="%v"`, class, x, y, size, anchor)
	p.WriteString(weight)
	p.f(`>%v</text>`, words)
}

// lead draws a terminal with its name. On a bar the name stands above it, so
// that the bar does not run through it.
func (p *pen) lead(h Hookup, lead int, x, y float64, onBar bool) {
	open := ""
	for _, o := range h.Open {
		if o == lead {
			open = ` fill="none" stroke="currentColor" stroke-width="2"`
		}
	}
	p.f(`<circle class="leads-dot" cx="%v" cy="%v" r="%v"`, x, y, hookDot)
	p.WriteString(open + "/>")
	nx, ny, anchor := x+12, y+5.5, "start"
	if onBar {
		nx, ny, anchor = x, y-13, "middle"
	}
	p.say("leads-name", anchor, nx, ny, 16, true, "T"+strconv.Itoa(lead))
	if also := h.Also[lead]; also != "" {
		if onBar {
			nx -= 12
		}
		p.say("leads-also", "start", nx+28, ny, 13, false, also)
	}
}

// describe says the same in words.
func (h Hookup) describe() string {
	name := func(leads []int, glue string) string {
		var s []string
		for _, l := range leads {
			n := "T" + strconv.Itoa(l)
			if also := h.Also[l]; also != "" {
				n += " (" + also + ")"
			}
			s = append(s, n)
		}
		return strings.Join(s, glue)
	}
	var parts []string
	for i, on := range h.Lines {
		if len(on) > 0 {
			parts = append(parts, fmt.Sprintf("L%d to %s.", i+1, name(on, ", ")))
		}
	}
	var joins []string
	for _, j := range h.Joined {
		joins = append(joins, name(j, " with "))
	}
	if len(joins) > 0 {
		parts = append(parts, "Joined with each other and not to a line: "+strings.Join(joins, "; ")+".")
	} else {
		parts = append(parts, "No other joins.")
	}
	if len(h.Open) > 0 {
		parts = append(parts, "Open, each insulated by itself: "+name(h.Open, ", ")+".")
	}
	return strings.Join(parts, " ")
}
