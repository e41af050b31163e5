package draw

import "time"

// Timeline is what was where and what happened at one place, over the years.
type Timeline struct {
	ID    string
	Title string // stands for the drawing where it is heard
	Now   time.Time
	Zone  *time.Location // whose months stand along the foot
	Rows  []TimelineRow
}

// TimelineRow is one thing over time: a slot with what was fitted in it, the state,
// the work that was done.
type TimelineRow struct {
	Name  string
	Spans []Stretch
	Marks []Mark
}

// Stretch is something that lasted.
type Stretch struct {
	From  *time.Time // nil is not known: it began before the record
	Until *time.Time // nil while it lasts
	Label string     // shown where there is room
	Says  string     // the whole sentence, for those who rest on it
	Kind  string     // "" is as it should be; "parked" is hatched, "empty" is hollow
	Bad   bool       // it ended because it failed
}

// Mark is something that happened.
type Mark struct {
	At   time.Time
	Says string
	Kind string // "" work that was done; "fault"
}

const (
	timeRow  = 40.0 // with the name above the bar
	timeBar  = 15.0
	timeFoot = 34.0
	timeEdge = 6.0
	// letter width in px, for what fits into a bar
	timeLetter = 6.4
)

// Times draws the timeline, each thing in a row of its own, the latest to the right. What
// began before the record has an open edge, what ended by failing a barred one.
func Times(t Timeline, width float64) string {
	p := &pen{id: t.ID, width: width, height: timeRow*float64(len(t.Rows)) + timeFoot}
	p.f(`<svg class="times" viewBox="0 0 %v %v" width="%v" height="%v" role="img" aria-labelledby="%v-t" xmlns="http://www.w3.org/2000/svg">`, p.width, p.height, p.width, p.height, p.id)
	p.f("\n<title id=\"%v-t\">%v</title>\n", p.id, t.Title)
	p.f(`<defs><pattern id="%v-h" width="5" height="5" patternUnits="userSpaceOnUse" patternTransform="rotate(45)"><rect class="ground" width="5" height="5"/><rect class="warnmark" width="2" height="5"/></pattern></defs>`+"\n", p.id)
	f := frame{from: t.began(), until: t.Now, x0: timeEdge, x1: width - timeEdge, y1: timeRow * float64(len(t.Rows))}
	for i, row := range t.Rows {
		y := timeRow * float64(i)
		p.text("row", "start", timeEdge, y+13, short(row.Name, int((width-2*timeEdge)/timeLetter)))
		p.f(`<path class="rule" d="M%v %vH%v"/>`+"\n", f.x0, y+18+timeBar/2, f.x1)
		for _, s := range row.Spans {
			p.stretch(f, s, y+18)
		}
		for _, m := range row.Marks {
			p.mark(f, m, y+18)
		}
	}
	p.months(f, t.Zone)
	p.WriteString("</svg>")
	return p.String()
}

// began is where the drawing begins: at the first thing of which the time is known, and a
// quarter of a year ago at the latest.
func (t Timeline) began() time.Time {
	from := t.Now.AddDate(0, -3, 0)
	at := func(x *time.Time) {
		if x != nil && x.Before(from) {
			from = *x
		}
	}
	for _, r := range t.Rows {
		for _, s := range r.Spans {
			at(s.From)
			at(s.Until)
		}
		for _, m := range r.Marks {
			at(&m.At)
		}
	}
	return from.Add(-t.Now.Sub(from) / 40) // so that what comes first is not cut off
}

func (p *pen) stretch(f frame, s Stretch, y float64) {
	x0, x1 := f.x0, f.x1
	if s.From != nil {
		x0 = max(f.x(*s.From), f.x0)
	}
	if s.Until != nil {
		x1 = min(f.x(*s.Until), f.x1)
	}
	x1 = max(x1, x0+3) // what lasted an hour is seen as well
	p.f(`<g class="span"><title>%v</title><rect class="bar %v"`, s.Says, s.Kind)
	if s.Kind == "parked" {
		p.f(` fill="url(#%v-h)"`, p.id)
	}
	p.f(` x="%v" y="%v" width="%v" height="%v"/>`, x0, y, x1-x0, timeBar)
	if s.From == nil { // nobody knows since when
		p.f(`<path class="open" d="M%v %vl-4 %vl4 %v"/>`, x0, y, timeBar/2, timeBar/2)
	}
	if s.Bad {
		p.f(`<path class="bad" d="M%v %vv%vM%v %vv%v"/>`, x1-1.5, y-3, timeBar+6, x1-5, y-3, timeBar+6)
	}
	if room := int((x1 - x0 - 8) / timeLetter); s.Label != "" && room >= 3 && len([]rune(s.Label)) <= room {
		class := "on"
		if s.Kind != "" {
			class = "off"
		}
		p.text(class, "start", x0+5, y+11.5, s.Label)
	}
	p.WriteString("</g>\n")
}

func (p *pen) mark(f frame, m Mark, y float64) {
	x, c := f.x(m.At), y+timeBar/2
	if x < f.x0 || x > f.x1 {
		return
	}
	p.f(`<g class="mark %v"><title>%v</title>`, m.Kind, m.Says)
	if m.Kind == "fault" {
		p.f(`<path class="fault" d="M%v %vl5.5 10h-11z"/>`, x, c-5.5)
	} else {
		p.f(`<circle class="work" cx="%v" cy="%v" r="4"/>`, x, c)
	}
	p.WriteString("</g>\n")
}
