package draw

import "strconv"

// Media is a set of media sections stacked on a hub.
type Media struct {
	ID       string
	Title    string       // stands for the drawing where it is heard
	Pattern  string       // A for a long leaf, B for a shortLeaf one, from the bottom up
	Replaced map[int]bool // sections that were replaced by themselves, counted from 1
}

const (
	cell      = 19.0
	cellsRow  = 16
	longLeaf  = 34.0
	shortLeaf = 20.0
)

// Sections draws a media set as rows of cells, the bottom of the stack first: a
// long leaf stands higher than a shortLeaf one, and a section that was replaced is
// hatched.
func Sections(m Media) string {
	p := &pen{id: m.ID}
	rows := (len(m.Pattern) + cellsRow - 1) / cellsRow
	p.width, p.height = 6+cell*float64(min(len(m.Pattern), cellsRow)), float64(rows)*(longLeaf+24)+2
	p.f(`<svg class="sections" viewBox="0 0 %v %v" width="%v" height="%v" role="img" aria-labelledby="%v-t" xmlns="http://www.w3.org/2000/svg">`, p.width, p.height, p.width, p.height, p.id)
	p.f("\n<title id=\"%v-t\">%v</title>\n", p.id, m.Title)
	p.f(`<defs><pattern id="%v-h" width="5" height="5" patternUnits="userSpaceOnUse" patternTransform="rotate(45)"><rect class="ground" width="5" height="5"/><rect class="mark" width="1.6" height="5"/></pattern></defs>`, p.id)
	for i := range len(m.Pattern) {
		x, base := 3+cell*float64(i%cellsRow), float64(i/cellsRow)*(longLeaf+24)+longLeaf+2
		high := longLeaf
		if m.Pattern[i] == 'B' {
			high = shortLeaf
		}
		if m.Replaced[i+1] {
			p.f(`<rect class="cell new" fill="url(#%v-h)" x="%v" y="%v" width="%v" height="%v"/>`, p.id, x+1, base-high, cell-2, high)
		} else {
			p.f(`<rect class="cell" x="%v" y="%v" width="%v" height="%v"/>`, x+1, base-high, cell-2, high)
		}
		p.text("leaf", "middle", x+cell/2, base-5, m.Pattern[i:i+1])
		if i%4 == 0 || i == len(m.Pattern)-1 || m.Replaced[i+1] {
			p.text("scale", "middle", x+cell/2, base+13, strconv.Itoa(i+1))
		}
		p.WriteString("\n")
	}
	p.WriteString("</svg>")
	return p.String()
}
