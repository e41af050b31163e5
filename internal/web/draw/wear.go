package draw

import "math"

// Wear is the age of one due thing against its interval, on the scale of days:
// day 0 is when the interval began. A field that is NaN is not known.
type Wear struct {
	ID               string
	Title            string  // stands for the drawing where it is heard
	Today            float64 // days since the interval began
	Due              float64
	Earliest, Latest float64 // of the window in which the work counts as on time
	Low, High        float64 // due with 10 and with 90 % probability
	Late             bool    // past the window: the part of the bar beyond it is hatched
}

const (
	wearHigh = 34.0
	wearBar  = 10.0 // height of the bar itself
	wearTop  = 13.0
)

// WearBar draws the interval as a bar that fills up to today, the window as a
// bracket under it, the range of the due day as a whisker over it. The same
// drawing stands everywhere where a due thing is shown; width is in pixels.
func WearBar(w Wear, width float64) string {
	p := &pen{id: w.ID, width: width, height: wearHigh}
	p.f(`<svg class="wear" viewBox="0 0 %v %v" width="%v" height="%v" role="img" aria-labelledby="%v-t" xmlns="http://www.w3.org/2000/svg">`, p.width, p.height, p.width, p.height, p.id)
	p.f("\n<title id=\"%v-t\">%v</title>\n", p.id, w.Title)
	p.f(`<defs><pattern id="%v-h" width="5" height="5" patternUnits="userSpaceOnUse" patternTransform="rotate(45)"><rect class="ground" width="5" height="5"/><rect class="warnmark" width="2" height="5"/></pattern></defs>`+"\n", p.id)
	far := 1.0
	for _, v := range []float64{w.Today, w.Due, w.Latest, w.High} {
		if known(v) {
			far = max(far, v)
		}
	}
	const edge = 3.0
	x := func(days float64) float64 { return edge + (width-2*edge)*min(max(days, 0), far*1.04)/(far*1.04) }
	if known(w.Due) {
		p.f(`<rect class="track" x="%v" y="%v" width="%v" height="%v"/>`, x(0), wearTop, x(w.Due)-x(0), wearBar)
		p.f(`<rect class="used" x="%v" y="%v" width="%v" height="%v"/>`, x(0), wearTop, x(min(w.Today, w.Due))-x(0), wearBar)
	} else { // nobody knows how much of it is used up
		p.f(`<rect class="track open" x="%v" y="%v" width="%v" height="%v"/>`, x(0), wearTop, width-2*edge, wearBar)
	}
	if over := w.Today; known(w.Due) && over > w.Due {
		p.WriteString(`<rect class="over"`)
		if w.Late {
			p.f(` fill="url(#%v-h)"`, p.id)
		}
		p.f(` x="%v" y="%v" width="%v" height="%v"/>`, x(w.Due), wearTop, x(over)-x(w.Due), wearBar)
	}
	p.WriteString("\n")
	if known(w.Earliest) && known(w.Latest) {
		a, b, y := x(w.Earliest), x(w.Latest), wearTop+wearBar+3
		p.f(`<path class="window" d="M%v %vv4H%vv-4"/>`, a, y, b)
	}
	if known(w.Low) {
		y, b := wearTop-5, x(far*1.04)
		if known(w.High) {
			b = x(w.High)
		}
		p.f(`<path class="whisker" d="M%v %vH%vM%v %vv6"/>`, x(w.Low), y, b, x(w.Low), y-3)
		if known(w.High) {
			p.f(`<path class="whisker" d="M%v %vv6"/>`, b, y-3)
		} else { // no latest day: the whisker runs out as an arrow
			p.f(`<path class="whisker" d="M%v %vl5 3l-5 3"/>`, b-5, y-3)
		}
	}
	if known(w.Due) {
		p.f(`<path class="due" d="M%v %vv%v"/>`, x(w.Due), wearTop-4, wearBar+8)
	}
	p.f(`<path class="today" d="M%v %vv%v"/>`, x(w.Today), wearTop-6, wearBar+12)
	p.f(`<circle class="today-head" cx="%v" cy="%v" r="2.6"/>`, x(w.Today), wearTop-7.5)
	p.WriteString("\n</svg>")
	return p.String()
}

func known(v float64) bool { return !math.IsNaN(v) }
