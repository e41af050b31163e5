// Package carry tells how likely what is in the van suffices for a day, and what more to
// take. It knows no database and no clock.
//
// # Chance of no second trip for parts
//
// It is the chance that for every part the day's summed need is at most what is
// carried. Lines that are always needed are certain. Lines that are needed if something is found
// belong to a cause at a position: those of one cause occur together, and causes
// are independent. Where lines of one cause differ in their chances, the
// less likely ones occur only with the more likely: each keeps its own chance, and a
// cause is still one event. Two jobs that both list a part are added up; a part that one
// of them would save the other is for the caller to know.
//
// Parts of which enough is carried whatever happens play no role. The others fall into
// groups that share no cause and so are independent; each is computed exactly by
// adding one cause after another to the distribution of the sums, where sums that nobody
// will add to again are forgotten. A group that grows beyond all bounds is
// simulated from a fixed seed, and the answer says its error.
//
// # What more to take
//
// The repair-kit problem (Smith, Chambers and Shlifer, Optimal inventories based on
// job completion rate for repairs requiring multiple items, Management Science 26,
// 1980; from memory): the cheapest additions that reach a target. For each group all
// additions are tried and the best of each cost kept; these are joined
// over the groups. That is exact. Where there are too many, steps are taken by gain per
// cost of carrying.
package carry

import (
	"cmp"
	"fmt"
	"math"
	"math/bits"
	"math/rand/v2"
	"slices"
	"strings"

	"spindlebook/internal/fault"
)

// Line is what one job needs of a part, or may need.
type Line struct {
	Part   string
	Need   int64   // in the smallest unit in which the part is counted
	Chance float64 // 1: always; less: if found
	Cause  string  // position and cause; lines of the same one occur together. "": of its own
}

// Short is a part that may not suffice, with the chance of that.
type Short struct {
	Part   string
	Chance float64
}

// Answer is the chance of no second trip for parts.
type Answer struct {
	Chance float64
	Error  float64 // half the width of its 95 % interval, where it was simulated; 0: exact
	Short  []Short // the likeliest first
}

// Chance tells how likely what is carried, by part, suffices for all lines. The
// fault names what in its input breaks a rule.
func Chance(lines []Line, carried map[string]int64) (Answer, error) {
	if err := check(lines, carried); err != nil {
		return Answer{}, err
	}
	return pack(lines, carried).answer(nil), nil
}

// most bounds needs and amounts, so that sums of them do not overflow.
const most = 1_000_000_000_000

func check(lines []Line, carried map[string]int64) error {
	var faults []*fault.Error
	for i, l := range lines {
		switch field := fmt.Sprintf("lines[%d].", i); {
		case l.Part == "":
			faults = append(faults, fault.Field(field+"part", "", "names a part"))
		case l.Need < 0 || l.Need > most:
			faults = append(faults, fault.Field(field+"need", l.Need, "is a whole number from 0 to %d", int64(most)))
		case !(l.Chance >= 0 && l.Chance <= 1):
			faults = append(faults, fault.Field(field+"chance", l.Chance, "is from 0 to 1"))
		}
	}
	for part, n := range carried {
		if n < 0 || n > most {
			faults = append(faults, fault.Field("carried."+part, n, "is a whole number from 0 to %d", int64(most)))
		}
	}
	slices.SortFunc(faults, func(a, b *fault.Error) int { return strings.Compare(a.Field, b.Field) })
	return fault.Collect(faults...)
}

// need is an amount of a part, by its index.
type need struct {
	part   int
	amount int64
}

// outcome is one of the things that a cause can bring about.
type outcome struct {
	chance float64
	needs  []need
}

// cause is an event at a position; its outcomes exclude one another, and one occurs.
type cause []outcome

// group is parts that causes tie together, and these causes.
type group struct {
	parts  []int
	causes []cause   // in the order in which they are added up
	closes [][]int   // after each, places in parts to which nothing is added any more
	unit   []int64   // of each part: what divides all its needs
	large  bool      // some load took more states than are allowed
	drawn  [][]int64 // by draw, what is needed of each part
	spare  [2][]state
}

// kit is what is carried against what may be needed.
type kit struct {
	parts  []string
	free   []int64 // carried, less what is always needed; may be below 0
	worst  []int64 // of each part: what is needed if everything is found
	groups []*group
	bounds
}

// bounds are of what is done exactly: states of a distribution, additions to one
// group, and to all groups together.
type bounds struct{ states, tries, joins int }

var usual = bounds{states: 1 << 13, tries: 1 << 12, joins: 1 << 14}

// draws is how often dice are thrown for what has too many states.
const draws = 40_000

// pack turns lines into groups. Only what may be short is kept.
func pack(lines []Line, carried map[string]int64) *kit {
	k := &kit{bounds: usual}
	for _, l := range lines {
		k.parts = append(k.parts, l.Part)
	}
	slices.Sort(k.parts)
	k.parts = slices.Compact(k.parts)
	index := map[string]int{}
	k.worst = make([]int64, len(k.parts))
	for i, p := range k.parts {
		index[p] = i
		k.free = append(k.free, carried[p])
	}
	events := map[string][]Line{}
	var names []string
	for i, l := range lines {
		switch l.Chance {
		case 0:
			continue
		case 1:
			k.free[index[l.Part]] -= l.Need
			continue
		}
		name := l.Cause
		if name == "" {
			name = fmt.Sprint("\x00", i)
		}
		if len(events[name]) == 0 {
			names = append(names, name)
		}
		events[name] = append(events[name], l)
		k.worst[index[l.Part]] += l.Need
	}
	var causes []cause
	for _, n := range names {
		if c := k.cause(events[n], index); len(c) > 1 {
			causes = append(causes, c)
		}
	}
	k.group(causes)
	return k
}

// scarce tells whether a part may be short.
func (k *kit) scarce(part int) bool { return k.worst[part] > k.free[part] }

// cause turns the lines of one into outcomes: none of them, the likeliest, the two
// likeliest, and so on.
func (k *kit) cause(lines []Line, index map[string]int) cause {
	slices.SortStableFunc(lines, func(a, b Line) int { return cmp.Compare(b.Chance, a.Chance) })
	sums := map[int]int64{}
	c := cause{{chance: 1 - lines[0].Chance}}
	for i, l := range lines {
		if p := index[l.Part]; k.scarce(p) && l.Need > 0 {
			sums[p] += l.Need
		}
		next := 0.0
		if i+1 < len(lines) {
			next = lines[i+1].Chance
		}
		if l.Chance == next {
			continue
		}
		o := outcome{chance: l.Chance - next}
		for p, n := range sums {
			o.needs = append(o.needs, need{p, n})
		}
		slices.SortFunc(o.needs, func(a, b need) int { return a.part - b.part })
		if last := &c[len(c)-1]; slices.Equal(last.needs, o.needs) {
			last.chance += o.chance // it makes no difference
			continue
		}
		c = append(c, o)
	}
	return c
}

// group joins scarce parts that share causes, in the order of the parts.
func (k *kit) group(causes []cause) {
	root := make([]int, len(k.parts))
	for i := range root {
		root[i] = i
	}
	find := func(p int) int {
		for root[p] != p {
			p = root[p]
		}
		return p
	}
	for _, c := range causes {
		needs := c[len(c)-1].needs // of everything that it can bring about
		for _, n := range needs[1:] {
			a, b := find(needs[0].part), find(n.part)
			root[max(a, b)] = min(a, b)
		}
	}
	of := map[int]*group{}
	for p := range k.parts {
		if !k.scarce(p) {
			continue
		}
		g := of[find(p)]
		if g == nil {
			g = &group{}
			of[find(p)] = g
			k.groups = append(k.groups, g)
		}
		g.parts, g.unit = append(g.parts, p), append(g.unit, 0)
	}
	for _, c := range causes {
		g := of[find(c[len(c)-1].needs[0].part)]
		g.causes = append(g.causes, c)
	}
	for _, g := range k.groups {
		g.order()
	}
}

// order names the parts by their places, and puts the causes in an order in which
// few parts are under way at a time: next comes the one that begins the fewest.
func (g *group) order() {
	place, left := map[int]int{}, make([]int, len(g.parts)) // causes to come
	for i, p := range g.parts {
		place[p] = i
	}
	for _, c := range g.causes {
		for i := range c {
			for j := range c[i].needs {
				n := &c[i].needs[j]
				n.part = place[n.part]
				g.unit[n.part] = gcd(g.unit[n.part], n.amount)
			}
		}
		for _, n := range c[len(c)-1].needs {
			left[n.part]++
		}
	}
	begun := make([]bool, len(g.parts))
	rest := g.causes
	g.causes = nil
	for len(rest) > 0 {
		next, fewest := 0, math.MaxInt
		for i, c := range rest {
			begins := 0
			for _, n := range c[len(c)-1].needs {
				if !begun[n.part] {
					begins++
				}
			}
			if begins < fewest {
				next, fewest = i, begins
			}
		}
		c := rest[next]
		rest = slices.Delete(rest, next, next+1)
		var closes []int
		for _, n := range c[len(c)-1].needs {
			begun[n.part] = true
			if left[n.part]--; left[n.part] == 0 {
				closes = append(closes, n.part)
			}
		}
		g.causes, g.closes = append(g.causes, c), append(g.closes, closes)
	}
	for i := range g.unit {
		g.unit[i] = max(g.unit[i], 1)
	}
}

func gcd(a, b int64) int64 {
	for b != 0 {
		a, b = b, a%b
	}
	return a
}

// chance tells how likely a group's needs are at most free, which is by its own
// places, and with which standard error.
func (g *group) chance(free []int64, states int) (p, deviation float64) {
	for _, f := range free {
		if f < 0 {
			return 0, 0
		}
	}
	if !g.large {
		if p, ok := g.exact(free, states); ok {
			return p, 0
		}
		g.large = true
	}
	p = g.simulated(free)
	return p, math.Sqrt(max(p*(1-p), 1./draws) / draws)
}

// state is sums of needs that still suffice, and their probability. The sums stand
// in one number, each in bits of its own.
type state struct {
	sums   uint64
	chance float64
}

// exact adds up cause after cause; false where that takes more states than allowed.
func (g *group) exact(free []int64, states int) (float64, bool) {
	shift, limit, mask, used := make([]int, len(free)), make([]uint64, len(free)), make([]uint64, len(free)), 0
	for i, f := range free {
		limit[i] = uint64(f / g.unit[i])
		width := bits.Len64(limit[i])
		shift[i], mask[i] = used, 1<<width-1
		if used += width; used > 63 {
			return 0, false
		}
	}
	now := append(g.spare[1][:0], state{0, 1})
	for i, c := range g.causes {
		next := g.spare[i%2][:0]
		for _, s := range now {
		outcomes:
			for _, o := range c {
				sums := s.sums
				for _, n := range o.needs {
					more := uint64(n.amount / g.unit[n.part])
					if sums>>shift[n.part]&mask[n.part]+more > limit[n.part] {
						continue outcomes // short, whatever comes
					}
					sums += more << shift[n.part]
				}
				for _, p := range g.closes[i] {
					sums &^= mask[p] << shift[p]
				}
				next = append(next, state{sums, s.chance * o.chance})
			}
		}
		g.spare[i%2] = next
		if now = merge(next); len(now) > states {
			return 0, false
		}
	}
	if len(now) == 0 {
		return 0, true
	}
	return min(now[0].chance, 1), true // every part is closed, so one state is left
}

// merge adds up the probabilities of equal sums, in one order whatever came first.
func merge(all []state) []state {
	slices.SortFunc(all, func(a, b state) int {
		if a.sums != b.sums {
			return cmp.Compare(a.sums, b.sums)
		}
		return cmp.Compare(a.chance, b.chance)
	})
	n := 0
	for i := range all {
		if n > 0 && all[n-1].sums == all[i].sums {
			all[n-1].chance += all[i].chance
			continue
		}
		all[n] = all[i]
		n++
	}
	return all[:n]
}

// simulated counts how often what was drawn suffices.
func (g *group) simulated(free []int64) float64 {
	enough, _ := g.count(free, free)
	return float64(enough) / draws
}

// count gives how many draws suffice, and for each part how many more would if it
// alone had more. The draws are the same for every load, so that more never seems worse.
func (g *group) count(free, more []int64) (enough int, gained []int) {
	if g.drawn == nil {
		g.draw()
	}
	gained = make([]int, len(free))
	for _, sums := range g.drawn {
		short := -1
		for i, n := range sums {
			if n > more[i] || n > free[i] && short >= 0 {
				short = len(sums) // whichever one had more
				break
			}
			if n > free[i] {
				short = i
			}
		}
		switch {
		case short < 0:
			enough++
		case short < len(sums):
			gained[short]++
		}
	}
	return enough, gained
}

// draw throws the dice for every cause, from a fixed seed.
func (g *group) draw() {
	r := rand.New(rand.NewPCG(19800101, 26))
	for range draws {
		sums := make([]int64, len(g.parts))
		for _, c := range g.causes {
			u, i := r.Float64(), 0
			for u >= c[i].chance && i < len(c)-1 {
				u -= c[i].chance
				i++
			}
			for _, n := range c[i].needs {
				sums[n.part] += n.amount
			}
		}
		g.drawn = append(g.drawn, sums)
	}
}

// load gives what a group has free, with what is added by part.
func (k *kit) load(g *group, added map[int]int64) []int64 {
	free := make([]int64, len(g.parts))
	for i, p := range g.parts {
		free[i] = k.free[p] + added[p]
	}
	return free
}

// answer multiplies what the groups say.
func (k *kit) answer(added map[int]int64) Answer {
	a, variance := Answer{Chance: 1}, 0.0
	for _, g := range k.groups {
		free := k.load(g, added)
		p, deviation := g.chance(free, k.states)
		if a.Chance *= p; p > 0 {
			variance += deviation / p * deviation / p
		} else if deviation > 0 {
			a.Error = 3. / draws // rule of three
		}
		for i := range g.parts {
			enough := p
			if len(g.parts) > 1 {
				enough = g.alone(i, free[i], k.states)
			}
			if short := 1 - enough; short > 0 {
				a.Short = append(a.Short, Short{k.parts[g.parts[i]], short})
			}
		}
	}
	if a.Chance > 0 {
		a.Error = 1.96 * a.Chance * math.Sqrt(variance)
	}
	slices.SortStableFunc(a.Short, func(a, b Short) int { return cmp.Compare(b.Chance, a.Chance) })
	return a
}

// alone tells how likely one part of a group suffices, whatever the others do.
func (g *group) alone(part int, free int64, states int) float64 {
	one := &group{parts: g.parts[part : part+1], unit: g.unit[part : part+1]}
	for _, c := range g.causes {
		var d cause
		for _, o := range c {
			p := outcome{chance: o.chance}
			for _, n := range o.needs {
				if n.part == part {
					p.needs = []need{{0, n.amount}}
				}
			}
			d = append(d, p)
		}
		if len(d[len(d)-1].needs) > 0 {
			one.causes, one.closes = append(one.causes, d), append(one.closes, nil)
		}
	}
	if n := len(one.closes); n > 0 {
		one.closes[n-1] = []int{0}
	}
	p, _ := one.chance([]int64{free}, states)
	return p
}

// Percent writes a chance, rounded down: "93 %", "99.8 %". What is not certain is
// never 100 %, and what is not impossible never 0.
func Percent(p float64) string {
	const hair = 1e-9 // what binary fractions take away
	switch {
	case p >= 1:
		return "100 %"
	case p >= 0.999:
		return "over 99.9 %"
	case p >= 0.99:
		return fmt.Sprintf("%.1f %%", math.Floor(p*1000+hair)/10)
	case p <= 0:
		return "0 %"
	case p < 0.01:
		return "under 1 %"
	}
	return fmt.Sprintf("%.0f %%", math.Floor(p*100+hair))
}
