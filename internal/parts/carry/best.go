package carry

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"spindlebook/internal/fault"
)

// Offer is a part of which more could be taken.
type Offer struct {
	Part string
	Step int64 // taken at once: a pack; 0: 1
	Most int64 // that there is
	Cost int64 // of carrying one step: space, weight, what it is missed for elsewhere, in minor units
}

// Addition is more of a part.
type Addition struct {
	Part   string
	Amount int64
	Cost   int64
	Chance float64 // of no second trip, with this and all additions before it
}

// Advice is what to take as well.
type Advice struct {
	Before, After Answer
	Add           []Addition // the one that brings most for its cost first
	Cost          int64
	Reached       bool // the target
	Exact         bool // nothing cheaper reaches it
}

// Best finds the cheapest additions with which the chance of no second trip is at
// least target. Where the offers do not suffice, it finds those that come nearest.
// The fault names what in its input breaks a rule.
func Best(lines []Line, carried map[string]int64, offers []Offer, target float64) (Advice, error) {
	faults := []*fault.Error{}
	if !(target >= 0 && target <= 1) {
		faults = append(faults, fault.Field("target", target, "is a chance from 0 to 1"))
	}
	offered := map[string]Offer{}
	for i, o := range offers {
		_, twice := offered[o.Part]
		switch field := fmt.Sprintf("offers[%d].", i); {
		case o.Part == "" || twice:
			faults = append(faults, fault.Field(field+"part", o.Part, "names each part once"))
		case o.Step < 0 || o.Step > most:
			faults = append(faults, fault.Field(field+"step", o.Step, "is a whole number from 0 to %d", int64(most)))
		case o.Most < 0 || o.Most > most:
			faults = append(faults, fault.Field(field+"most", o.Most, "is a whole number from 0 to %d", int64(most)))
		case o.Cost < 0 || o.Cost > math.MaxInt32:
			faults = append(faults, fault.Field(field+"cost", o.Cost, "is a whole number from 0 to %d", math.MaxInt32))
		}
		o.Step = max(o.Step, 1)
		offered[o.Part] = o
	}
	if err := fault.Collect(faults...); err != nil {
		return Advice{}, err
	}
	if err := check(lines, carried); err != nil {
		return Advice{}, err
	}
	return pack(lines, carried).best(offered, target), nil
}

// choice is additions to a group, or to several, with what they come to. Ways
// that cost more and bring no more are never kept.
type choice struct {
	cost   int64
	chance float64
	added  []int64 // by place in the group, or by part for several
}

// best joins the choices of the groups.
func (k *kit) best(offered map[string]Offer, target float64) Advice {
	a := Advice{Before: k.answer(nil)}
	// If all groups are as good as this, the target is reached.
	each, picked, exact := k.pick(offered, target, math.Pow(target, 1/float64(max(len(k.groups), 1))))
	if !exact && !reaches(product(each, picked), target) {
		each, picked, _ = k.pick(offered, target, 1) // some are worse, so that others must be better
	}
	a.Exact = exact && a.Before.Error == 0
	added := map[int]int64{}
	for i, g := range k.groups {
		for place, p := range g.parts {
			if n := each[i][picked[i]].added[place]; n > 0 {
				added[p] = n
			}
		}
	}
	a.Add = k.ranked(added, offered)
	for _, x := range a.Add {
		a.Cost += x.Cost
	}
	a.After = k.answer(added)
	a.Reached = reaches(a.After.Chance, target)
	return a
}

// pick chooses additions for each group. Those that cannot be tried in all ways stop
// where they are good enough.
func (k *kit) pick(offered map[string]Offer, target, enough float64) (each [][]choice, picked []int, exact bool) {
	all := true
	for _, g := range k.groups {
		choices, exact := k.choices(g, offered, enough)
		all = all && exact
		each = append(each, choices)
	}
	picked, exact = join(each, target, k.joins)
	return each, picked, exact && all
}

// product gives the chance of what was picked.
func product(each [][]choice, picked []int) float64 {
	p := 1.0
	for i, c := range each {
		p *= c[picked[i]].chance
	}
	return p
}

// reaches allows for what binary fractions take away.
func reaches(p, target float64) bool { return p >= target-1e-12 }

// choices gives what may be added to a group, the cheapest first, each better
// than the one before. All ways are tried; where they are too many, step by step.
func (k *kit) choices(g *group, offered map[string]Offer, enough float64) ([]choice, bool) {
	options, ways, exact := make([][]int64, len(g.parts)), 1, true
	for i, p := range g.parts {
		options[i] = steps(offered[k.parts[p]], k.free[p], k.worst[p], g.unit[i])
		ways = min(ways*len(options[i]), k.tries+1)
		exact = exact && len(options[i]) < mostSteps
	}
	if ways > k.tries {
		return k.climb(g, options, offered, enough), false
	}
	var all []choice
	for way := range ways {
		added := make([]int64, len(g.parts))
		for i, o := range options {
			added[i], way = o[way%len(o)], way/len(o)
		}
		all = append(all, k.choice(g, added, offered))
	}
	return frontier(all), exact
}

// mostSteps bounds the additions of one part that are looked at.
const mostSteps = 256

// steps gives the additions of a part that make a difference: none, and those
// with which one more of its needs may fit.
func steps(o Offer, free, worst, unit int64) []int64 {
	all := []int64{0}
	for fits := free; o.Step > 0 && len(all) < mostSteps; { // a step of 0: not offered
		next := int64(0)
		if fits >= 0 {
			next = (fits/unit + 1) * unit
		}
		n := (next - free + o.Step - 1) / o.Step * o.Step
		if next > worst || n > o.Most {
			break
		}
		all, fits = append(all, n), free+n
	}
	return all
}

func (k *kit) choice(g *group, added []int64, offered map[string]Offer) choice {
	c := choice{added: added}
	free := make([]int64, len(added))
	for i, p := range g.parts {
		free[i] = k.free[p] + added[i]
		if o := offered[k.parts[p]]; added[i] > 0 {
			c.cost += added[i] / o.Step * o.Cost
		}
	}
	c.chance, _ = g.chance(free, k.states)
	return c
}

// frontier keeps the choices that no other beats in both cost and chance.
func frontier(all []choice) []choice {
	slices.SortStableFunc(all, func(a, b choice) int { return cmp.Or(cmp.Compare(a.cost, b.cost), cmp.Compare(b.chance, a.chance)) })
	kept := all[:1]
	for _, c := range all[1:] {
		if c.chance > kept[len(kept)-1].chance {
			kept = append(kept, c)
		}
	}
	return kept
}

// climb adds step by step what brings most for its cost. Where nothing brings
// anything by itself, one step of everything is taken. It ends where the chance is
// enough.
func (k *kit) climb(g *group, options [][]int64, offered map[string]Offer, enough float64) []choice {
	at := make([]int, len(options))
	choose := func(at []int) choice {
		added := make([]int64, len(at))
		for i, n := range at {
			added[i] = options[i][n]
		}
		return k.choice(g, added, offered)
	}
	now := choose(at)
	all := []choice{now}
	for !reaches(now.chance, enough) {
		next := make([]int, len(at)) // a step of each, where there is one
		for i := range at {
			next[i] = min(at[i]+1, len(options[i])-1)
		}
		to, most := next, 0.0
		suffice, more := k.singly(g, at, next, options)
		for i, n := range more {
			if n == 0 {
				continue
			}
			o := offered[k.parts[g.parts[i]]]
			packs := (options[i][next[i]] - options[i][at[i]]) / o.Step
			if brings := gain(choice{chance: suffice}, choice{cost: packs * o.Cost, chance: suffice + n}); brings > most {
				to, most = slices.Clone(at), brings
				to[i] = next[i]
			}
		}
		if slices.Equal(to, at) {
			break
		}
		at, now = to, choose(to)
		all = append(all, now)
	}
	return frontier(all)
}

// singly tells how many draws suffice, and how many more with the next step of each
// part alone: dice are good enough to choose a step by.
func (k *kit) singly(g *group, at, next []int, options [][]int64) (suffice float64, more []float64) {
	free, with := make([]int64, len(at)), make([]int64, len(at))
	for i, p := range g.parts {
		free[i], with[i] = k.free[p]+options[i][at[i]], k.free[p]+options[i][next[i]]
	}
	enough, gained := g.count(free, with)
	for _, n := range gained {
		more = append(more, float64(n))
	}
	return float64(enough), more
}

// gain is what a step brings for its cost: by how much it multiplies the chance, as
// a logarithm, so that gains of groups add up.
func gain(from, to choice) float64 {
	const least = 1e-300
	return (math.Log(max(to.chance, least)) - math.Log(max(from.chance, least))) / max(float64(to.cost-from.cost), 1e-9)
}

// join picks one choice of each group, so that the target is reached at least cost,
// or as nearly as can be. What costs more than steps by gain per cost, or cannot reach the
// target with the best that is to come, is not followed.
func join(each [][]choice, target float64, most int) (picked []int, exact bool) {
	greedy := ascend(each, target)
	switch p := product(each, greedy); {
	case p == 0:
		return make([]int, len(each)), true // of nothing that helps, the cheapest
	case !reaches(p, target):
		return greedy, true // nothing does: the best of each comes nearest
	}
	enough := int64(0)
	for i, n := range greedy {
		enough += each[i][n].cost
	}
	ahead := make([]float64, len(each)+1) // the chance at best of the groups from there on
	ahead[len(each)] = 1
	for i := len(each) - 1; i >= 0; i-- {
		ahead[i] = ahead[i+1] * each[i][len(each[i])-1].chance
	}
	// each way is told by what it goes on from
	type way struct {
		cost       int64
		chance     float64
		from, pick int
	}
	all, levels := []way{{chance: 1}}, [][]way{}
	for i, choices := range each {
		if len(all)*len(choices) > most {
			return greedy, false
		}
		next := make([]way, 0, len(all)*len(choices))
		for from, a := range all {
			for pick, c := range choices {
				if a.cost+c.cost > enough {
					break // they come by cost
				}
				if w := (way{a.cost + c.cost, a.chance * c.chance, from, pick}); w.chance*ahead[i+1] >= target-2e-12 {
					next = append(next, w)
				}
			}
		}
		slices.SortStableFunc(next, func(a, b way) int { return cmp.Or(cmp.Compare(a.cost, b.cost), cmp.Compare(b.chance, a.chance)) })
		kept := next[:0]
		for _, w := range next {
			if len(kept) == 0 || w.chance > kept[len(kept)-1].chance {
				kept = append(kept, w)
			}
		}
		all, levels = kept, append(levels, kept)
	}
	at := slices.IndexFunc(all, func(w way) bool { return reaches(w.chance, target) })
	if at < 0 {
		return greedy, true // within a hair of the target
	}
	picked = make([]int, len(each))
	for i := len(each) - 1; i >= 0; i-- {
		picked[i], at = levels[i][at].pick, levels[i][at].from
	}
	return picked, true
}

// ascend takes the steps of all groups by gain per cost until the target, and then
// takes back what turned out not to be needed.
func ascend(each [][]choice, target float64) []int {
	picked := make([]int, len(each))
	chance := func() float64 { return product(each, picked) }
	for !reaches(chance(), target) {
		group, to, best := -1, 0, 0.0
		for i, c := range each {
			for n := picked[i] + 1; n < len(c); n++ {
				if g := gain(c[picked[i]], c[n]); group < 0 || g > best {
					group, to, best = i, n, g
				}
			}
		}
		if group < 0 {
			break
		}
		picked[group] = to
	}
	if !reaches(chance(), target) {
		return picked
	}
	for i := range each {
		for ; picked[i] > 0; picked[i]-- {
			picked[i]--
			enough := reaches(chance(), target)
			picked[i]++
			if !enough {
				break
			}
		}
	}
	return picked
}

// ranked puts additions in the order in which they bring most for their cost.
func (k *kit) ranked(added map[int]int64, offered map[string]Offer) (ranked []Addition) {
	so, p := map[int]int64{}, k.only(nil)
	for len(so) < len(added) {
		best, brings, then := -1, 0.0, 0.0
		for part := range k.parts {
			n := added[part]
			if n == 0 || so[part] > 0 {
				continue
			}
			so[part] = n
			with := k.only(so)
			delete(so, part)
			o := offered[k.parts[part]]
			if g := gain(choice{chance: p}, choice{cost: n / o.Step * o.Cost, chance: with}); best < 0 || g > brings {
				best, brings, then = part, g, with
			}
		}
		o := offered[k.parts[best]]
		so[best], p = added[best], then
		ranked = append(ranked, Addition{k.parts[best], added[best], added[best] / o.Step * o.Cost, then})
	}
	return ranked
}

// only gives the chance without the rest of the answer.
func (k *kit) only(added map[int]int64) float64 {
	p := 1.0
	for _, g := range k.groups {
		q, _ := g.chance(k.load(g, added), k.states)
		p *= q
	}
	return p
}

// Says tells the chance, and what would raise it: "93 % chance of no second trip
// for parts; 98 % with 1 more MW-20110". write says an amount of a part; nil: "1
// more MW-20110".
func (a Advice) Says(write func(part string, amount int64) string) string {
	if write == nil {
		write = func(part string, amount int64) string { return fmt.Sprintf("%d more %s", amount, part) }
	}
	s := Percent(a.Before.Chance) + " chance of no second trip for parts"
	if a.Before.Error > 0 {
		s += fmt.Sprintf(", give or take %.1g %%", 100*a.Before.Error)
	}
	if len(a.Add) == 0 {
		return s
	}
	var more []string
	for _, x := range a.Add {
		more = append(more, write(x.Part, x.Amount))
	}
	if n := len(more) - 1; n > 0 {
		more = []string{strings.Join(more[:n], ", "), more[n]}
	}
	return fmt.Sprintf("%s; %s with %s", s, Percent(a.After.Chance), strings.Join(more, " and "))
}
