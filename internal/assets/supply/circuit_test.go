package supply

import (
	"fmt"
	"maps"
	"math"
	"math/cmplx"
	"slices"
	"testing"
)

// The circuit of a motor, solved from its coils alone. It knows no table, so
// that it can judge one.
//
// Six equal coils: 1-4 and 7-10 of the first phase, 2-5 and 8-11 of the second,
// 3-6 and 9-12 of the third. Inside a nine-lead wye 10, 11 and 12 are joined;
// inside a nine-lead delta 1-12, 2-10 and 3-11. A six-lead motor has 1-4, 2-5
// and 3-6.
type motor struct {
	coils  [][2]int
	inside [][]int
	phases []int // of each coil
}

var (
	sixLead    = motor{coils: [][2]int{{1, 4}, {2, 5}, {3, 6}}, phases: []int{0, 1, 2}}
	twelveLead = motor{coils: [][2]int{{1, 4}, {7, 10}, {2, 5}, {8, 11}, {3, 6}, {9, 12}}, phases: []int{0, 0, 1, 1, 2, 2}}
	nineWye    = motor{coils: twelveLead.coils, phases: twelveLead.phases, inside: [][]int{{10, 11, 12}}}
	nineDelta  = motor{coils: twelveLead.coils, phases: twelveLead.phases, inside: [][]int{{1, 12}, {2, 10}, {3, 11}}}
)

// nodes numbers what is joined alike: 12 leads, then L1 to L3.
func (m motor) nodes(c Connection) (of [16]int) {
	for i := range of {
		of[i] = i
	}
	join := func(all ...int) {
		for _, x := range all[1:] {
			from, to := of[x], of[all[0]]
			for i := range of {
				if of[i] == from {
					of[i] = to
				}
			}
		}
	}
	for _, j := range slices.Concat(m.inside, c.Joined) {
		join(j...)
	}
	for l, leads := range c.Lines {
		join(append([]int{13 + l}, leads...)...)
	}
	return of
}

// solve gives the voltage across each coil, by Kirchhoff's current law at every
// node that no line holds. Each coil is one unit of admittance.
func (m motor) solve(t testing.TB, c Connection, line float64) []complex128 {
	t.Helper()
	of := m.nodes(c)
	fixed := map[int]complex128{}
	for l := range 3 {
		fixed[of[13+l]] = cmplx.Rect(line/math.Sqrt(3), -float64(l)*2*math.Pi/3)
	}
	if len(fixed) != 3 {
		t.Fatal("two lines are joined: a dead short")
	}
	var free []int
	index := map[int]int{}
	for _, coil := range m.coils {
		for _, end := range coil {
			n := of[end]
			if _, held := fixed[n]; !held {
				if _, seen := index[n]; !seen {
					index[n] = len(free)
					free = append(free, n)
				}
			}
		}
	}
	size := len(free)
	a := make([][]complex128, size)
	for i := range a {
		a[i] = make([]complex128, size+1)
		a[i][i] = 1e-12 // what is connected to nothing rests at the middle
	}
	for _, coil := range m.coils {
		for _, way := range [][2]int{{coil[0], coil[1]}, {coil[1], coil[0]}} {
			i, ok := index[of[way[0]]]
			if !ok {
				continue
			}
			a[i][i]++
			if j, ok := index[of[way[1]]]; ok {
				a[i][j]--
			} else {
				a[i][size] += fixed[of[way[1]]]
			}
		}
	}
	for i := range size { // Gauss and Jordan
		p := i
		for r := i; r < size; r++ {
			if cmplx.Abs(a[r][i]) > cmplx.Abs(a[p][i]) {
				p = r
			}
		}
		a[i], a[p] = a[p], a[i]
		for r := range size {
			if r != i {
				f := a[r][i] / a[i][i]
				for k := i; k <= size; k++ {
					a[r][k] -= f * a[i][k]
				}
			}
		}
	}
	at := func(end int) complex128 {
		if v, held := fixed[of[end]]; held {
			return v
		}
		i := index[of[end]]
		return a[i][size] / a[i][i]
	}
	out := make([]complex128, len(m.coils))
	for i, coil := range m.coils {
		out[i] = at(coil[0]) - at(coil[1])
	}
	return out
}

// works holds the coils against what a motor needs: every coil the same voltage,
// those of one phase in step, the phases 120 degrees apart in the order of the
// lines.
func (m motor) works(t *testing.T, c Connection, line, want float64) {
	t.Helper()
	v := m.solve(t, c, line)
	for i, coil := range v {
		if math.Abs(cmplx.Abs(coil)-want) > 0.005 {
			t.Errorf("coil %v has %.2f V, want %.2f", m.coils[i], cmplx.Abs(coil), want)
		}
		turned := coil / v[0]
		expect := cmplx.Rect(1, -float64(m.phases[i])*2*math.Pi/3)
		if cmplx.Abs(turned/complex(cmplx.Abs(turned), 0)-expect) > 1e-6 {
			t.Errorf("coil %v stands at %.1f degrees", m.coils[i], cmplx.Phase(turned)*180/math.Pi)
		}
	}
}

func motorOf(leads int, w Winding) motor {
	switch {
	case leads == 6:
		return sixLead
	case leads == 9 && w == Wye:
		return nineWye
	case leads == 9:
		return nineDelta
	}
	return twelveLead
}

// 132.79 V is 230 V over the root of three; checked to 0.01 V as printed.
func TestEveryRowAsACircuit(t *testing.T) {
	for _, row := range rows(t) {
		if row.leads == 3 {
			continue
		}
		t.Run(row.name, func(t *testing.T) {
			line := 230.0
			if row.setting == High {
				line = 460
			}
			want := 230.0
			if row.winding == Wye {
				want = 132.79
			}
			motorOf(row.leads, row.winding).works(t, row.table(), line, want)
		})
	}
}

func c(lines [3][]int, joined ...[]int) Connection { return Connection{Lines: lines, Joined: joined} }

// Published guides that are wrong, and rows used where they do not belong.
func TestWhatWrongConnectionsWouldDo(t *testing.T) {
	magnitudes := func(v []complex128) map[string]int {
		m := map[string]int{}
		for _, x := range v {
			m[fmt.Sprintf("%.1f", cmplx.Abs(x))]++
		}
		return m
	}
	high := nineLeads(High, Unknown)
	for _, x := range []struct {
		name string
		m    motor
		c    Connection
		line float64
		want map[string]int
	}{
		{"a delta motor by the low table of wye", nineDelta, nineLeads(Low, Wye), 230, map[string]int{"132.8": 3, "230.0": 3}},
		{"the high connection on a low supply", nineWye, high, 230, map[string]int{"66.4": 6}},
		{"the low connection on a high supply", nineWye, nineLeads(Low, Wye), 460, map[string]int{"265.6": 6}},
		{"the low connection of delta on a high supply", nineDelta, nineLeads(Low, Delta), 460, map[string]int{"460.0": 6}},
	} {
		if got := magnitudes(x.m.solve(t, x.c, x.line)); !maps.Equal(got, x.want) {
			t.Errorf("%s: %v, want %v", x.name, got, x.want)
		}
	}

	// Join 1-7, 2-8, 3-9 and feed 4, 5, 6: the two coils of a phase stand 180
	// degrees apart.
	v := nineWye.solve(t, c([3][]int{{4}, {5}, {6}}, []int{1, 7}, []int{2, 8}, []int{3, 9}), 230)
	for i := 0; i < 6; i += 2 {
		if cmplx.Abs(v[i]+v[i+1]) > 1e-6 || cmplx.Abs(v[i]) < 60 {
			t.Errorf("phase %d: %.1f and %.1f are not opposed", i/2, v[i], v[i+1])
		}
	}

	// One list prints the six-lead delta, 1-6, 2-4, 3-5, for the high row of wye:
	// half of the coils get nothing.
	wrong := c([3][]int{{1, 6}, {2, 4}, {3, 5}})
	idle := 0
	for _, x := range nineWye.solve(t, wrong, 460) {
		if cmplx.Abs(x) < 1e-6 {
			idle++
		}
	}
	if idle != 3 {
		t.Errorf("%d coils idle", idle)
	}
}

// What each coil would get with wrong links, against the circuit.
func TestLinksAgainstTheCircuit(t *testing.T) {
	settings := []Setting{Low, High}
	windings := []Winding{Wye, Delta}
	volts := func(m motor, c Connection) float64 { return cmplx.Abs(m.solve(t, c, 460)[0]) }
	for _, need := range settings {
		for _, is := range settings {
			for _, w := range windings {
				m := motorOf(9, w)
				want := volts(m, nineLeads(is, w)) / volts(m, nineLeads(need, w))
				if got := (Links{Setting: is}).against(nineLeads(need, w), 9); math.Abs(got-want) > 1e-6 {
					t.Errorf("nine leads, %s, %s for %s: %v, the circuit says %v", w, is, need, got, want)
				}
				for _, v := range windings {
					want := volts(twelveLead, twelveLeads(is, w)) / volts(twelveLead, twelveLeads(need, v))
					if got := (Links{is, w}).against(twelveLeads(need, v), 12); math.Abs(got-want) > 1e-6 {
						t.Errorf("twelve leads, %s %s for %s %s: %v, the circuit says %v", is, w, need, v, got, want)
					}
				}
			}
		}
	}
	for _, is := range windings {
		for _, need := range windings {
			want := volts(sixLead, sixLeads("", is)) / volts(sixLead, sixLeads("", need))
			if got := (Links{Winding: is}).against(sixLeads("", need), 6); math.Abs(got-want) > 1e-6 {
				t.Errorf("six leads, %s for %s: %v, the circuit says %v", is, need, got, want)
			}
		}
	}
}

// groups gives which leads an ohmmeter finds together, all leads free.
func (m motor) groups(leads int) string {
	of := m.nodes(Connection{})
	for range m.coils {
		for _, coil := range m.coils {
			from, to := of[coil[1]], of[coil[0]]
			for i := range of {
				if of[i] == from {
					of[i] = to
				}
			}
		}
	}
	by := map[int][]int{}
	for l := 1; l <= leads; l++ {
		by[of[l]] = append(by[of[l]], l)
	}
	all := slices.SortedFunc(maps.Values(by), slices.Compare)
	s := ""
	for _, g := range all {
		s += fmt.Sprint(g)
	}
	return s
}

// Source for the pairs of wye: text of NEMA lists; those of delta follow from
// the joins inside.
func TestWhatAnOhmmeterFinds(t *testing.T) {
	for _, x := range []struct {
		m     motor
		leads int
		want  string
	}{
		{nineWye, 9, "[1 4][2 5][3 6][7 8 9]"},
		{nineDelta, 9, "[1 4 9][2 5 7][3 6 8]"},
		{sixLead, 6, "[1 4][2 5][3 6]"},
		{twelveLead, 12, "[1 4][2 5][3 6][7 10][8 11][9 12]"},
	} {
		if got := x.m.groups(x.leads); got != x.want {
			t.Errorf("%s, want %s", got, x.want)
		}
	}
	n := plate(t, Plate{Voltages: "230/460", Phases: "3", Hertz: "60", Leads: "9"})
	how := Judge(n, Feed{Volts: 240, Phases: 3, Hertz: 60}, Links{}).Missing[0].How
	mustContain(t, how, "1-4, 2-5, 3-6 and 7-8-9 is wye", "1-4-9, 2-5-7 and 3-6-8 is delta")
}

// Swapping two lines turns the field the other way; swapping twice does not.
func TestReversingAsACircuit(t *testing.T) {
	order := func(c Connection) float64 {
		v := nineWye.solve(t, c, 230)
		return math.Round(cmplx.Phase(v[2]/v[0]) * 180 / math.Pi)
	}
	low := nineLeads(Low, Wye)
	swaps := []Swap{L1L2, L2L3, L1L3}
	for _, a := range swaps {
		if order(low.After(a)) != -order(low) || !Reverses(a) {
			t.Errorf("%s does not reverse", a)
		}
		for _, b := range swaps {
			if order(low.After(a, b)) != order(low) || Reverses(a, b) {
				t.Errorf("%s and %s do not restore", a, b)
			}
		}
	}
}
