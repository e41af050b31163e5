package supply

import (
	"math"
	"slices"
)

// Setting is what the links or splices in the junction box are set for.
type Setting string

// A motor for one voltage has no setting. Of a six-lead motor for two voltages
// low is delta and high is wye.
const (
	Low  Setting = "low"
	High Setting = "high"
)

// Connection says where each lead of a motor goes.
type Connection struct {
	Setting Setting
	Winding Winding  // how the coils then stand; Unknown where it makes no difference
	Lines   [3][]int // the leads on L1, L2 and L3
	Joined  [][]int  // leads joined with each other and with nothing else
	Open    []int    // leads that stay open, each insulated by itself
}

// Leads lists every lead of the connection in rising order.
func (c Connection) Leads() []int {
	var all []int
	for _, line := range c.Lines {
		all = append(all, line...)
	}
	for _, j := range c.Joined {
		all = append(all, j...)
	}
	all = append(all, c.Open...)
	slices.Sort(all)
	return all
}

// The tables below follow the terminal markings of NEMA MG 1 part 2. Published
// diagrams contradict each other, so the tests solve the circuit of each row.

func three(lines [3][]int, s Setting, w Winding, joined ...[]int) Connection {
	return Connection{Setting: s, Winding: w, Lines: lines, Joined: joined}
}

func single() [3][]int { return [3][]int{{1}, {2}, {3}} }

// sixLeads gives the star or delta of three coils whose ends all come out.
func sixLeads(s Setting, w Winding) Connection {
	if w == Wye {
		return three(single(), s, Wye, []int{4, 5, 6})
	}
	return three([3][]int{{1, 6}, {2, 4}, {3, 5}}, s, Delta)
}

// nineLeads needs the winding for low only: high is joined alike for both.
func nineLeads(s Setting, w Winding) Connection {
	switch {
	case s == High:
		return three(single(), High, Unknown, []int{4, 7}, []int{5, 8}, []int{6, 9})
	case w == Wye:
		return three([3][]int{{1, 7}, {2, 8}, {3, 9}}, Low, Wye, []int{4, 5, 6})
	}
	return three([3][]int{{1, 6, 7}, {2, 4, 8}, {3, 5, 9}}, Low, Delta)
}

func twelveLeads(s Setting, w Winding) Connection {
	switch {
	case s == High && w == Wye:
		return three(single(), High, Wye, []int{4, 7}, []int{5, 8}, []int{6, 9}, []int{10, 11, 12})
	case s == High:
		return three([3][]int{{1, 12}, {2, 10}, {3, 11}}, High, Delta, []int{4, 7}, []int{5, 8}, []int{6, 9})
	case w == Wye:
		return three([3][]int{{1, 7}, {2, 8}, {3, 9}}, Low, Wye, []int{4, 5, 6}, []int{10, 11, 12})
	}
	return three([3][]int{{1, 6, 7, 12}, {2, 4, 8, 10}, {3, 5, 9, 11}}, Low, Delta)
}

// IECMark gives the other name of a lead of a six-lead motor, U1 for lead 1, or
// "" where there is none. (IEC 60034-8, from memory.)
func IECMark(lead int) string {
	if lead < 1 || lead > 6 {
		return ""
	}
	return []string{"U1", "V1", "W1", "U2", "V2", "W2"}[lead-1]
}

// shape is what the marked voltages of a rating say about how the leads can be
// joined.
type shape int

const (
	odd    shape = iota // nothing that the tables know
	one                 // one voltage
	twice               // two, 2:1: coils of a phase side by side or one after the other
	root3               // two, 1.73:1: delta or star
	fourth              // four, 1 : 1.73 : 2 : 3.46: both at once
)

// Voltages on plates are rounded, so that 460 to 230, 480 to 230 and 440 to 220
// are all "twice". The bands stay far apart from each other.
func double(low float64, high []float64) bool {
	r := high[len(high)-1] / low
	return r >= 1.9 && r <= 2.15
}

func star(low, high []float64) bool {
	r := high[len(high)-1] / low[len(low)-1]
	return r >= 1.65 && r <= 1.8
}

func (r Rating) shape() shape {
	s := r.Sets
	switch {
	case len(s) == 1:
		return one
	case len(s) == 2 && double(s[0][len(s[0])-1], s[1]):
		return twice
	case len(s) == 2 && star(s[0], s[1]):
		return root3
	case len(s) == 4 && star(s[0], s[1]) && double(s[0][len(s[0])-1], s[2]) && star(s[2], s[3]):
		return fourth
	}
	return odd
}

const ownDiagram = "read the diagram on this motor or in the lid of its junction box and keep a photo; the maker has it by the model on the plate"

// connect finds the connection for one set of the rating's voltages. start is
// what a wye-delta starter makes while the motor runs up, where there can be
// one. Where a fact is missing it says which.
func (n Nameplate) connect(r Rating, set int) (run Connection, start *Connection, missing *Missing) {
	sh := r.shape()
	level := []Setting{Low, High}
	needDiagram := &Missing{Fact: "diagram", Says: "The plate's voltages and its number of leads do not belong to a connection that is known here.", How: ownDiagram}
	switch {
	case n.Leads == 0:
		return run, nil, &Missing{Fact: "leads", Says: "How many leads the motor has is not known.", How: "count the leads in the junction box and read the numbers on them"}
	case n.Leads == 3 && sh == one:
		return three(single(), "", Unknown), nil, nil

	case n.Leads == 6 && sh == root3:
		run = sixLeads(level[set], []Winding{Delta, Wye}[set])
	case n.Leads == 6 && sh == one && n.Winding == Unknown:
		return run, nil, &Missing{Fact: "winding", Says: "Six leads and one voltage: it runs in wye or in delta, and only one of them is right.",
			How: "an ohmmeter does not tell, it finds the pairs 1-4, 2-5 and 3-6 either way; " + ownDiagram}
	case n.Leads == 6 && sh == one:
		run = sixLeads("", n.Winding)

	case n.Leads == 9 && sh == twice && set == 0 && n.Winding == Unknown:
		return run, nil, &Missing{Fact: "winding", Says: "The low connection of nine leads differs between wye and delta, and the wrong one can burn it.",
			How: "isolated and with all nine leads free, find with an ohmmeter which leads belong together: 1-4, 2-5, 3-6 and 7-8-9 is wye; 1-4-9, 2-5-7 and 3-6-8 is delta"}
	case n.Leads == 9 && sh == twice:
		return nineLeads(level[set], n.Winding), nil, nil

	case n.Leads == 12 && sh == twice && n.Winding == Unknown:
		return run, nil, &Missing{Fact: "winding", Says: "Twelve leads can run in wye or in delta, and only one of them is right.",
			How: "an ohmmeter does not tell, it finds the same six pairs either way; the plate says delta run, wye start or a sign; " + ownDiagram}
	case n.Leads == 12 && sh == twice:
		run = twelveLeads(level[set], n.Winding)
	case n.Leads == 12 && sh == fourth:
		run = twelveLeads(level[set/2], []Winding{Delta, Wye}[set%2])

	default:
		return run, nil, needDiagram
	}
	if run.Winding == Delta {
		s := sixLeads("", Wye) // low and high name what it runs on
		if n.Leads == 12 {
			s = twelveLeads(run.Setting, Wye)
		}
		start = &s
	}
	return run, start, nil
}

// Swap is an exchange of two supply lines.
type Swap string

// Any one of them reverses a three-phase motor.
const (
	L1L2 Swap = "L1-L2"
	L2L3 Swap = "L2-L3"
	L1L3 Swap = "L1-L3" // the usual one (common practice, no source)
)

var swapped = map[Swap][2]int{L1L2: {0, 1}, L2L3: {1, 2}, L1L3: {0, 2}}

// After gives the connection once the swaps are made, one after the other. What
// stands on a line moves as a whole; what is joined stays.
func (c Connection) After(swaps ...Swap) Connection {
	for _, s := range swaps {
		if p, ok := swapped[s]; ok {
			c.Lines[p[0]], c.Lines[p[1]] = c.Lines[p[1]], c.Lines[p[0]]
		}
	}
	return c
}

// Reverses tells whether the motor turns the other way after the swaps. An even
// number of swaps does nothing, whichever lines they were.
func Reverses(swaps ...Swap) bool {
	back := false
	for _, s := range swaps {
		if _, ok := swapped[s]; ok {
			back = !back
		}
	}
	return back
}

// Links is how the links of a unit are set now. What is not known stays empty.
type Links struct {
	Setting Setting
	Winding Winding // of six and twelve leads, where links make it
}

// share is the part of the line voltage that each coil gets.
func share(s Setting, w Winding) float64 {
	v := 1.0
	if w == Wye {
		v /= math.Sqrt(3)
	}
	if s == High {
		v /= 2
	}
	return v
}

// against compares how the links are set with the connection that is needed. It
// gives what each coil would get as a multiple of its own voltage, 1 where the
// links are right or nothing can be compared.
func (l Links) against(need Connection, leads int) float64 {
	switch leads {
	case 6: // links make the star or the delta; low and high are names for them
		if need.Setting != "" && l.Winding == Unknown {
			l.Winding = map[Setting]Winding{Low: Delta, High: Wye}[l.Setting]
		}
		l.Setting, need.Setting = "", ""
	case 9: // wye or delta is inside the motor
		l.Winding, need.Winding = Unknown, Unknown
	case 12:
	default:
		return 1
	}
	if l.Setting == "" {
		l.Setting = need.Setting
	}
	if l.Winding == Unknown {
		l.Winding = need.Winding
	}
	return share(l.Setting, l.Winding) / share(need.Setting, need.Winding)
}
