package draw

import "rsc.io/qr"

// Code draws a text as a QR code (ISO/IEC 18004) that stands a quarter of damage,
// with the quiet zone of four modules that scanners ask for; width is in pixels. A text too
// long for one gives nothing.
func Code(text, title, id string, width float64) string {
	c, err := qr.Encode(text, qr.Q)
	if err != nil {
		return ""
	}
	const quiet = 4
	size := float64(c.Size + 2*quiet)
	p := &pen{id: id, width: width, height: width}
	p.f(`<svg class="qr" viewBox="0 0 %v %v" width="%v" height="%v" role="img" aria-labelledby="%v-t" xmlns="http://www.w3.org/2000/svg">`, size, size, width, width, id)
	p.f("\n<title id=\"%v-t\">%v</title>\n", id, title)
	p.f(`<rect class="qr-ground" width="%v" height="%v"/><path class="qr-ink" d="`, size, size)
	for y := range c.Size {
		for x := 0; x < c.Size; x++ {
			if !c.Black(x, y) {
				continue
			}
			from := x
			for x+1 < c.Size && c.Black(x+1, y) {
				x++
			}
			p.f("M%d %dh%dv1h-%dz", from+quiet, y+quiet, x-from+1, x-from+1)
		}
	}
	p.f(`"/></svg>`)
	return p.String()
}
