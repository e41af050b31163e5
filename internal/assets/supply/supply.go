// Package supply tells whether a motor suits what feeds its position, and how
// its leads are then joined. It decides from the nameplate and the feed alone.
// It is strict: where a fact is missing it says which one and how to get it, and
// gives no connection.
//
// A plate marked 208-230 has two marks, 208 and 230 V. All voltages of a feed,
// nominal and nominal ±5 %, must lie within ±10 % of one of them. Where a range
// is so wide that a feed lies between its ends and suits neither, it cannot be
// told: some makers mean every voltage between, others mean the two.
package supply

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Limits, in percent.
const (
	// A motor works at its rated load within ±10 % of a marked voltage, at rated
	// frequency (NEMA MG 1).
	voltageLimit = 10.0
	// Within ±5 % of a marked frequency, and both deviations together at most
	// 10 % (NEMA MG 1, 12.44, from memory).
	frequencyLimit = 5.0
	// A supply keeps within ±5 % of its nominal voltage, range A of ANSI C84.1
	// (from memory).
	serviceRange = 5.0
)

// slack forgives what binary fractions add: 253 V is ten percent above 230 V.
const slack = 1e-9

// Feed is what a position is fed with. What is not known is zero.
type Feed struct {
	Volts    float64 // nominal, line to line
	Phases   int
	Hertz    float64
	HighLeg  bool      // a delta supply with one leg at a higher voltage to earth
	Measured *Measured // nil where nobody measured
}

// Measured is the three voltages from line to line, not from line to neutral.
type Measured struct{ AB, BC, CA float64 }

func (m Measured) readable() bool {
	for _, v := range []float64{m.AB, m.BC, m.CA} {
		if math.IsNaN(v) || math.IsInf(v, 0) || v < 0 {
			return false
		}
	}
	return m.average() > 0
}

func (m Measured) average() float64 { return (m.AB + m.BC + m.CA) / 3 }

// Verdict is the short answer.
type Verdict string

// CannotTell is never to be shown or used as Suits.
const (
	Suits      Verdict = "suits"
	DoesNot    Verdict = "does not suit"
	CannotTell Verdict = "cannot tell"
)

// Answer is everything that can be said about a motor at a feed.
type Answer struct {
	Verdict    Verdict
	Reasons    []Reason    // why it does not suit, every one
	Missing    []Missing   // what must be known first
	Deviations []Deviation // every judged voltage against every mark, with the number
	Mark       float64     // the nameplate voltage it is judged by: the one it suits, else the nearest; 0 where there is none
	Unbalance  *Unbalance  // where three voltages were measured
	Connection *Connection // only where the motor suits
	Start      *Connection // only under a wye-delta starter, while it runs up
	Findings   []Finding   // what is not right though the motor may suit
	Notes      []string
	Reverse    string // what to do where it turns the wrong way; "" where no connection is given
	Cautions   []Caution
}

// Reason is one thing that speaks against the motor.
type Reason struct {
	Code string // voltage, measured, phases, frequency or unbalance
	Says string
}

// Missing is a fact without which nobody can tell.
type Missing struct {
	Fact string // voltages, phases, hertz, leads, winding, diagram, range, supply_volts, supply_phases, supply_hertz, measured
	Says string // why it is needed
	How  string // how to get it
}

// Finding is something to act on that does not decide the verdict.
type Finding struct {
	Code string // links, unbalance, service
	Says string
}

// Deviation is how far a voltage of the feed lies from a mark.
type Deviation struct {
	Mark    float64
	Point   string // nominal −5 %, nominal, nominal +5 %, A-B, B-C, C-A
	Volts   float64
	Percent float64 // of the mark
	Within  bool
}

func known(v float64) bool { return v > 0 && !math.IsInf(v, 0) }

// Judge gives the answer for a motor at a feed, with the links as they are set
// now where somebody recorded that.
func Judge(n Nameplate, f Feed, links Links) Answer {
	a := Answer{Cautions: cautions(f)}
	a.phases(n, f)
	ratings, off := a.frequency(n, f)
	rating, set := a.voltage(n, ratings, off, f)
	if rating != nil && n.Phases != 1 {
		run, start, missing := n.connect(*rating, set)
		if missing != nil {
			a.Missing = append(a.Missing, *missing)
		} else {
			a.Connection, a.Start = &run, start
		}
	}
	if n.Phases == 1 {
		a.Missing = append(a.Missing, Missing{"diagram", "The leads of single-phase motors follow no table that is known here.", ownDiagram})
	}
	switch {
	case len(a.Reasons) > 0:
		a.Verdict = DoesNot
	case len(a.Missing) > 0:
		a.Verdict = CannotTell
	default:
		a.Verdict = Suits
	}
	if a.Verdict != Suits { // nobody must be shown how to join leads that do not belong here
		a.Connection, a.Start = nil, nil
		return a
	}
	a.remark(n, *rating, links)
	return a
}

func (a *Answer) reason(code, format string, args ...any) {
	a.Reasons = append(a.Reasons, Reason{code, fmt.Sprintf(format, args...)})
}

func (a *Answer) miss(fact, says, how string) {
	a.Missing = append(a.Missing, Missing{fact, says, how})
}

func (a *Answer) phases(n Nameplate, f Feed) {
	if n.Phases == 0 {
		a.miss("phases", "The phases of the motor are not known.", "read the plate: PH or a figure before ~")
	}
	if f.Phases == 0 {
		a.miss("supply_phases", "The phases of the supply are not known.", "ask the site's electrician or read the panel's plate")
	}
	switch {
	case n.Phases == 0 || f.Phases == 0 || n.Phases == f.Phases:
	case n.Phases == 1:
		a.reason("phases", "The motor is for one phase; three lines come to this position. A single-phase motor takes another starter and another overload.")
	default:
		a.reason("phases", "The motor is for three phases and the supply has one. It does not start on one phase.")
	}
}

// frequency gives the ratings that hold at the feed's frequency, with their
// deviation from it in percent. Where none does, or it is not known, all are
// given, so that the voltages are judged all the same.
func (a *Answer) frequency(n Nameplate, f Feed) (held []Rating, off []float64) {
	marked := false
	var all []string
	for _, r := range n.Ratings {
		best := math.Inf(1)
		for _, h := range r.Hertz {
			marked = true
			if d := 100 * (f.Hertz - float64(h)) / float64(h); math.Abs(d) < math.Abs(best) {
				best = d
			}
		}
		if len(r.Hertz) > 0 {
			all = append(all, hertzText(r.Hertz))
		}
		if math.Abs(best) <= frequencyLimit+slack {
			held, off = append(held, r), append(off, best)
		}
	}
	if !marked {
		a.miss("hertz", "The frequency of the motor is not known.", "read the plate: HZ")
	}
	if !known(f.Hertz) {
		a.miss("supply_hertz", "The frequency of the supply is not known.", "it is that of the public supply, 50 or 60 Hz; behind a generator measure it")
	}
	if marked && known(f.Hertz) && len(held) == 0 {
		a.reason("frequency", "The supply has %s Hz; the plate marks %s Hz, and the limit is ±5 %%.", volts(f.Hertz), strings.Join(all, " and "))
	}
	if len(held) == 0 {
		return n.Ratings, make([]float64, len(n.Ratings))
	}
	return held, off
}

type point struct {
	name     string
	volts    float64
	measured bool
}

// points are the voltages to be judged.
func (a *Answer) points(f Feed) []point {
	var all []point
	if known(f.Volts) {
		all = append(all, point{"nominal −5 %", f.Volts * 0.95, false}, point{"nominal", f.Volts, false}, point{"nominal +5 %", f.Volts * 1.05, false})
	} else {
		a.miss("supply_volts", "The nominal voltage of the supply is not known.", "ask the site's electrician or read the panel's plate; the three voltages from line to line, measured, confirm it")
	}
	m := f.Measured
	if m == nil {
		return all
	}
	if !m.readable() {
		a.miss("measured", "The measured voltages cannot be right.", "a qualified person measures A-B, B-C and C-A again, line to line")
		return all
	}
	u, _ := UnbalanceOf(*m)
	a.Unbalance = &u
	switch {
	case !u.Run:
		says := fmt.Sprintf("The measured voltages are %.1f %% out of balance. Above 5 %% do not run a motor: look for a lost phase first.", u.Percent)
		if f.HighLeg {
			says += " Were they taken line to line? To earth a high leg always differs."
		}
		a.reason("unbalance", "%s", says)
	case known(f.Volts) && math.Abs(m.average()/f.Volts-1)*100 > voltageLimit+slack:
		says := fmt.Sprintf("The supply is recorded as %s V, and %s V were measured on average: one of them is wrong.", volts(f.Volts), volts(m.average()))
		if r := m.average() / f.Volts * math.Sqrt(3); r > 0.95 && r < 1.05 {
			says += " They look as if taken from line to neutral."
		}
		a.miss("supply_volts", says, "a qualified person measures A-B, B-C and C-A, line to line; then correct the record of the supply")
	default:
		if u.Percent > 1+slack {
			a.finding("unbalance", "The measured voltages are %.1f %% out of balance: load the motor to %.0f %% of its power at most. The currents differ 6 to 10 times as much. Look for single-phase loads.", u.Percent, 100*u.Derate)
		}
		if d := (m.average()/f.Volts - 1) * 100; known(f.Volts) && math.Abs(d) > serviceRange+slack {
			a.finding("service", "The measured voltages lie %s from the nominal %s V on average; a supply keeps within ±5 %%. Is its record right?", percent(d), volts(f.Volts))
		}
	}
	return append(all, point{"A-B", m.AB, true}, point{"B-C", m.BC, true}, point{"C-A", m.CA, true})
}

func (a *Answer) finding(code, format string, args ...any) {
	a.Findings = append(a.Findings, Finding{code, fmt.Sprintf(format, args...)})
}

// voltage finds the mark that covers all voltages of the feed and with it the
// rating and the set that the links must be for. It gives none where no mark
// does, or where a fact is missing.
func (a *Answer) voltage(n Nameplate, ratings []Rating, off []float64, f Feed) (*Rating, int) {
	points := a.points(f)
	doubt := false
	for _, m := range a.Missing {
		doubt = doubt || m.Fact == "supply_volts" && known(f.Volts)
	}
	var best struct {
		rating, set int
		worst, far  float64
		fits        bool
		from        int // where its deviations begin
	}
	best.worst = math.Inf(1)
	marks := 0
	for i, r := range ratings {
		limit := voltageLimit - math.Abs(off[i])
		for s, set := range r.Sets {
			for _, mark := range set {
				marks++
				from, worst, fits := len(a.Deviations), 0.0, true
				for _, p := range points {
					d := Deviation{Mark: mark, Point: p.name, Volts: p.volts, Percent: 100 * (p.volts - mark) / mark}
					d.Within = math.Abs(d.Percent) <= limit+slack
					worst, fits = max(worst, math.Abs(d.Percent)), fits && d.Within
					a.Deviations = append(a.Deviations, d)
				}
				if len(points) > 0 && (fits && !best.fits || fits == best.fits && worst < best.worst) {
					best.rating, best.set, best.worst, best.far, best.fits, best.from = i, s, worst, math.Abs(off[i]), fits, from
					a.Mark = mark
				}
			}
		}
	}
	if marks == 0 {
		a.miss("voltages", "The voltages of the motor are not known.", "read the plate: V or VOLTS, with slashes and dashes as they stand")
		return nil, 0
	}
	if len(points) == 0 || doubt {
		return nil, 0
	}
	if best.fits {
		return &ratings[best.rating], best.set
	}
	if lo, hi, ok := between(ratings[best.rating], points); ok {
		a.miss("range", fmt.Sprintf("The supply lies between the ends of the range %s-%s V and is not within ±10 %% of either.", volts(lo), volts(hi)),
			"ask the maker whether the plate means every voltage between, or these two")
		return nil, 0
	}
	a.blame(a.Deviations[best.from:best.from+len(points)], points, best.far)
	return nil, 0
}

// between finds a range of the plate in which all voltages lie, with the usual
// tolerance at its ends.
func between(r Rating, points []point) (lo, hi float64, ok bool) {
	for _, set := range r.Sets {
		lo, hi = set[0], set[len(set)-1]
		in := hi > lo
		for _, p := range points {
			in = in && p.volts >= lo*(1-voltageLimit/100) && p.volts <= hi*(1+voltageLimit/100)
		}
		if in {
			return lo, hi, true
		}
	}
	return 0, 0, false
}

// blame says of each voltage that lies too far from the nearest mark.
func (a *Answer) blame(ds []Deviation, points []point, off float64) {
	limit := "±10 %"
	if off > slack {
		limit = fmt.Sprintf("±10 %% together with the frequency, which is %.1f %% off", off)
	}
	var nominal []string
	for i, d := range ds {
		switch {
		case d.Within:
		case points[i].measured:
			a.reason("measured", "%s V measured %s is %s from the nearest mark, %s V; the limit is %s.", volts(d.Volts), d.Point, percent(d.Percent), volts(d.Mark), limit)
		default:
			nominal = append(nominal, fmt.Sprintf("%s at %s (%s V)", percent(d.Percent), d.Point, volts(d.Volts)))
		}
	}
	if len(nominal) == 0 {
		return
	}
	says := fmt.Sprintf("The nearest mark is %s V; the supply is off it by %s. The limit is %s.", volts(ds[0].Mark), strings.Join(nominal, ", "), limit)
	if want := wanted[points[1].volts]; want != "" && off <= slack {
		says += fmt.Sprintf(" Plates for %s V are marked %s.", volts(points[1].volts), want)
	}
	a.reason("voltage", "%s", says)
}

// wanted names the usual marks for a nominal voltage (ANSI C84.1, NEMA MG 1).
var wanted = map[float64]string{208: "200, 208 or 208-230", 240: "230", 480: "460", 600: "575"}

// remark adds to a motor that suits what else must be known about it.
func (a *Answer) remark(n Nameplate, r Rating, links Links) {
	c := *a.Connection
	if n.Leads == 9 && c.Setting == High {
		a.Notes = append(a.Notes, "Wye or delta does not matter here: the high connection of nine leads is the same for both.")
	}
	if a.Start != nil {
		a.Notes = append(a.Notes, "It runs in delta. Only where a wye-delta starter is fitted, the starter makes the wye while it runs up.")
	}
	if c.Setting == Low {
		times := "twice"
		if r.shape() == root3 {
			times = "1.7 times"
		}
		a.Notes = append(a.Notes, "On low it draws about "+times+" the current of high: compare the overload setting, the cable and the starter.")
	}
	a.Reverse = "Turns the wrong way? Isolate, prove dead, swap lines L1 and L3 with all that stands on them, and leave the joins alone. " +
		"Any two lines do. A second swap undoes the first."

	x := links.against(c, n.Leads)
	if math.Abs(x-1) < 1e-6 {
		return
	}
	need := string(c.Setting)
	if n.Leads != 9 && c.Winding != Unknown {
		need = strings.TrimSpace(need + " " + string(c.Winding))
	}
	set := strings.TrimSpace(string(links.Setting) + " " + string(links.Winding))
	if n.Leads == 9 {
		set = string(links.Setting)
	}
	would := "the winding burns"
	switch { // torque goes with the square of the voltage
	case x < 1:
		would = fmt.Sprintf("it has %s of its torque and may hum and stall", fraction(x*x))
	case x < 1.3: // low wye where high delta is needed, 1.15
		would = "it runs hot and may burn"
	}
	a.finding("links", "The links are set for %s and this supply needs %s. Each coil would get %.2f times its voltage: %s. Set them before it is connected.", set, need, x, would)
}

// fraction says a part in the words of the trade.
func fraction(part float64) string {
	for _, w := range []struct {
		part float64
		word string
	}{{1.0 / 12, "about a twelfth"}, {1.0 / 4, "about a quarter"}, {1.0 / 3, "about a third"}, {3.0 / 4, "about three quarters"}} {
		if math.Abs(part-w.part) < 0.01 {
			return w.word
		}
	}
	return fmt.Sprintf("about %.0f %%", 100*part)
}

// volts writes a voltage or a frequency with at most one decimal.
func volts(v float64) string {
	return strconv.FormatFloat(math.Round(v*10)/10, 'f', -1, 64)
}

// percent writes a deviation with its sign. It takes more decimals where one
// would round it onto the limit that it breaks.
func percent(p float64) string {
	sign := "+"
	if p < 0 {
		sign = "−"
	}
	p = math.Abs(p)
	decimals := 1
	for p > voltageLimit+slack && decimals < 6 && math.Round(p*math.Pow10(decimals)) <= voltageLimit*math.Pow10(decimals) {
		decimals++
	}
	return sign + strconv.FormatFloat(p, 'f', decimals, 64) + " %"
}
