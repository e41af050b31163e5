package draw

// View is a brush and how it must turn, as somebody sees it from one place.
type View struct {
	ID        string
	Title     string
	Clockwise bool
	From      string // above, left or right of travel
	Side      string // on which side of travel it stands: left, right or centre
	Words     string // "clockwise"
	LeftWord  string // "left · driver side"
	RightWord string
}

// Turning draws which way a brush must turn. It always shows the viewpoint and
// the direction of travel, since a direction without them says nothing.
func Turning(v View) string {
	p := &pen{id: v.ID}
	p.width, p.height = 320, 210
	p.f(`<svg class="turning" viewBox="0 0 320 210" width="320" height="210" role="img" aria-labelledby="%v-t" xmlns="http://www.w3.org/2000/svg">`, p.id)
	p.f("\n<title id=\"%v-t\">%v</title>\n", p.id, v.Title)
	if v.From == "above" {
		p.fromAbove(v)
	} else {
		p.fromSide(v)
	}
	p.WriteString("</svg>")
	return p.String()
}

func (p *pen) big(x, y, r float64, clockwise bool) {
	p.f(`<circle class="body" cx="%v" cy="%v" r="%v"/>`, x, y, r)
	p.WriteString(arc(x, y, r*0.62, r*0.3, clockwise))
	p.f(`<circle class="tip" cx="%v" cy="%v" r="2.5"/>`, x, y)
	p.WriteString("\n")
}

// fromAbove is a plan: travel from left to right, as on the strip.
func (p *pen) fromAbove(v View) {
	p.text("side", "start", 6, 15, v.LeftWord)
	p.text("side", "start", 6, 203, v.RightWord)
	top, brush := 66.0, 105.0
	switch v.Side {
	case "left":
		top, brush = 104, 62
	case "right":
		top, brush = 28, 146
	}
	p.f(`<rect class="lane" x="0" y="%v" width="320" height="78"/>`, top)
	p.f(`<rect class="car" x="30" y="%v" width="128" height="50" rx="13"/>`, top+14)
	p.f(`<path class="car" d="M124 %vv32"/>`, top+23)
	p.text("word", "middle", 88, top+43, "vehicle")
	p.WriteString(straight(170, top+39, 304, top+39, 12))
	p.text("word", "middle", 236, top+31, "travel")
	p.WriteString("\n")
	p.big(94, brush, 36, v.Clockwise)
	p.text("from", "start", 142, brush+map[string]float64{"left": -14, "right": 26}[v.Side]-3, v.Words)
	p.text("word", "start", 142, brush+map[string]float64{"left": -14, "right": 26}[v.Side]+13, "seen from above")
}

// fromSide is a view from beside the line. From the left of travel vehicles go
// to the left, from the right to the right.
func (p *pen) fromSide(v View) {
	p.line("edge", 0, 178, 320, 178)
	p.f(`<path class="car" d="M40 176v-34q0-10 12-12l22-4 16-24h76l16 24 34 5q12 2 12 12v33z"/>`)
	p.f(`<circle class="car" cx="78" cy="172" r="13"/><circle class="car" cx="192" cy="172" r="13"/>`)
	p.text("word", "middle", 134, 150, "vehicle")
	x0, x1, say := 20.0, 110.0, "seen from the right of travel"
	if v.From == "left" {
		x0, x1, say = 110, 20, "seen from the left of travel"
	}
	p.WriteString(straight(x0, 198, x1, 198, 12))
	p.text("word", "start", 120, 202, "travel")
	p.WriteString("\n")
	p.big(118, 56, 42, v.Clockwise)
	p.text("from", "start", 172, 40, v.Words)
	p.text("word", "start", 172, 56, "seen from the")
	p.text("word", "start", 172, 70, say[len("seen from the "):])
}
