package web

import (
	"html/template"
	"strconv"
	"strings"

	"spindlebook/internal/assets"
	"spindlebook/internal/assets/supply"
	"spindlebook/internal/web/draw"
)

// leadCard says whether a motor suits the supply and how its leads are joined.
type leadCard struct {
	assets.Connection
	State   string // of the mark beside the verdict
	Lines   []pair
	Joined  []string
	Open    string
	Setting string
	Drawing template.HTML
	Fix     []fix
}

// Word is the verdict as it begins a sentence.
func (l leadCard) Word() string {
	return strings.ToUpper(string(l.Verdict[:1])) + string(l.Verdict[1:])
}

// fix is a gap with the fact that closes it; no fact where it is not the unit's.
type fix struct {
	Says, How string
	Fact      string
}

// factOfGap names the fact of a unit that answers a gap.
var factOfGap = map[string]string{"voltages": "plate_volts", "range": "plate_volts", "phases": "plate_phases", "hertz": "plate_hertz", "leads": "leads", "winding": "winding"}

var numerals = map[int]string{3: "Three", 6: "Six", 9: "Nine", 12: "Twelve"}

func leadCardOf(c assets.Connection) *leadCard {
	l := &leadCard{Connection: c, State: map[supply.Verdict]string{supply.Suits: "yes", supply.DoesNot: "no"}[c.Verdict]}
	for _, m := range c.Missing {
		l.Fix = append(l.Fix, fix{m.Says, sentence(m.How), factOfGap[m.Fact]})
	}
	a := c.Answer.Connection
	if a == nil {
		return l
	}
	also := map[int]string{}
	if n := len(a.Leads()); n == 6 { // the other marks are for six leads only
		for _, lead := range a.Leads() {
			also[lead] = supply.IECMark(lead)
		}
	}
	name := func(lead int) string {
		s := "T" + strconv.Itoa(lead)
		if also[lead] != "" {
			s += " (" + also[lead] + ")"
		}
		return s
	}
	list := func(leads []int, glue string) string {
		var all []string
		for _, n := range leads {
			all = append(all, name(n))
		}
		return strings.Join(all, glue)
	}
	for i, on := range a.Lines {
		l.Lines = append(l.Lines, pair{"L" + strconv.Itoa(i+1), list(on, " and ")})
	}
	for _, j := range a.Joined {
		l.Joined = append(l.Joined, list(j, " with "))
	}
	l.Open = list(a.Open, ", ")
	var set []string
	for _, w := range []string{string(a.Setting), string(a.Winding)} {
		if w != "" {
			set = append(set, w)
		}
	}
	l.Setting = strings.Join(set, ", ")
	title := numerals[len(a.Leads())] + " leads"
	if l.Setting != "" {
		title += ", " + l.Setting
	}
	if c.Mark > 0 {
		title += ", " + strconv.FormatFloat(c.Mark, 'f', -1, 64) + " V"
	}
	l.Drawing = template.HTML(draw.Leads(draw.Hookup{ID: "leads", Title: title, Lines: a.Lines, Joined: a.Joined, Open: a.Open, Also: also}))
	return l
}
