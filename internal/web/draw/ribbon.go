package draw

import "fmt"

// Ribbon is the work ahead: weeks across, sites down.
type Ribbon struct {
	ID    string
	Title string   // stands for the drawing where it is heard
	Weeks []string // "30 Nov"
	Rows  []RibbonRow
}

// RibbonRow is a site and its weeks.
type RibbonRow struct {
	Name  string
	Href  string
	Cells []RibbonCell // one for each week
}

// RibbonCell is what a week at a site takes.
type RibbonCell struct {
	Hours float64
	Says  string // the whole sentence, for those who hear it or rest on it
	Parts string // "" not looked at, "there", "missing", "unknown"
	Grave bool   // safety or legal work falls in it
}

const (
	ribbonName = 150.0
	ribbonRow  = 34.0
	ribbonHead = 30.0
)

// Weeks draws the ribbon: the higher a bar the more hours; a filled bar has its
// parts, a hatched one lacks some, an outlined one was not looked at. A mark in
// the corner says that safety or legal work is among it.
func Weeks(r Ribbon, width float64) string {
	p := &pen{id: r.ID, width: width, height: ribbonHead + ribbonRow*float64(len(r.Rows)) + 6}
	p.f(`<svg class="ribbon" viewBox="0 0 %v %v" width="%v" height="%v" role="group" aria-labelledby="%v-t" xmlns="http://www.w3.org/2000/svg">`, p.width, p.height, p.width, p.height, p.id)
	p.f("\n<title id=\"%v-t\">%v</title>\n", p.id, r.Title)
	p.f(`<defs><pattern id="%v-h" width="5" height="5" patternUnits="userSpaceOnUse" patternTransform="rotate(45)"><rect class="ground" width="5" height="5"/><rect class="warnmark" width="2" height="5"/></pattern></defs>`+"\n", p.id)
	if len(r.Weeks) == 0 || len(r.Rows) == 0 {
		p.WriteString("</svg>")
		return p.String()
	}
	step, most := (width-ribbonName-6)/float64(len(r.Weeks)), 0.0
	for _, row := range r.Rows {
		for _, c := range row.Cells {
			most = max(most, c.Hours)
		}
	}
	for i, w := range r.Weeks {
		p.text("scale", "middle", ribbonName+step*(float64(i)+.5), 18, w)
	}
	p.WriteString("\n")
	for j, row := range r.Rows {
		y := ribbonHead + ribbonRow*float64(j)
		p.f(`<path class="tick" d="M0 %vH%v"/>`, y, width)
		p.f(`<a class="site" href="%v"><text x="2" y="%v">%v</text></a>`, row.Href, y+ribbonRow/2+4, row.Name)
		for i, c := range row.Cells {
			if i >= len(r.Weeks) || c.Hours <= 0 {
				continue
			}
			high := max((ribbonRow-16)*c.Hours/most, 2)
			x, base := ribbonName+step*float64(i)+3, y+ribbonRow-2
			p.f(`<g class="week"><title>%v</title><rect class="bar %v"`, c.Says, c.Parts)
			if c.Parts == "missing" {
				p.f(` fill="url(#%v-h)"`, p.id)
			}
			p.f(` x="%v" y="%v" width="%v" height="%v"/>`, x, base-high, step-6, high)
			p.text("hours", "middle", x+step/2-3, base-high-3, hours(c.Hours))
			if c.Grave {
				p.f(`<path class="grave" d="M%v %vh7l-3.5 6z"/>`, x, base-high-10)
			}
			p.WriteString("</g>")
		}
		p.WriteString("\n")
	}
	p.WriteString("</svg>")
	return p.String()
}

// hours writes hours as briefly as they are worth saying.
func hours(h float64) string {
	if h < 9.95 {
		return num(h)
	}
	return fmt.Sprintf("%.0f", h)
}
