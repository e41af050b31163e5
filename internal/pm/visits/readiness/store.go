package readiness

import (
	"cmp"
	"slices"
)

// edge is that a need may take of an item.
type edge struct {
	need, item int
	fit        *Candidate
	flow       int64 // what it takes
}

// tier is what is tried in one go: what a need may take, and what needs that make
// room for it may change to.
type tier struct{ own, others func(*store, *edge) bool }

func (s *store) plain(e *edge) bool   { return len(e.fit.Work)+len(e.fit.Missing) == 0 }
func (s *store) certain(e *edge) bool { return len(e.fit.Missing) == 0 }
func (s *store) whatever(*edge) bool  { return true }
func (s *store) here(e *edge) bool    { return s.items[e.item].Place != OnOrder }

func (s *store) plainHere(e *edge) bool   { return s.plain(e) && s.here(e) }
func (s *store) certainHere(e *edge) bool { return s.certain(e) && s.here(e) }

// The tiers, the better first: as it is, after work, on order; and where all that
// fails what nobody can tell.
var (
	withWork = []tier{{(*store).plainHere, (*store).plainHere}, {(*store).certainHere, (*store).certainHere}, {(*store).certain, (*store).certain}}
	asItIs   = []tier{{(*store).plainHere, (*store).plainHere}, {(*store).plain, (*store).plain}}
	inDoubt  = []tier{{(*store).whatever, (*store).plain}}
	// What is only needed if something is found makes nobody wait or work.
	spare     = []tier{{(*store).plainHere, (*store).plainHere}, {(*store).certain, (*store).plainHere}}
	spareAsIs = []tier{{(*store).plainHere, (*store).plainHere}, {(*store).plain, (*store).plainHere}}
)

// store shares the items out among the needs, one after another. A need that has been
// filled stays so, but may change to other items where that makes room.
type store struct {
	items []Item
	first []int // id of each job's first need
	edges []edge
	of    [][]int // edges by need, the preferred first
	at    [][]int // edges by item
	spare []int64 // by item
	log   []change
}

// change is what an edge took more, for undoing.
type change struct {
	edge int
	more int64
}

// newStore gathers what may serve what.
func newStore(j *judge) *store {
	v := j.visit
	s := &store{items: v.Items, at: make([][]int, len(v.Items))}
	for i := range v.Items {
		s.spare = append(s.spare, v.Items[i].Amount)
	}
	for i := range v.Jobs {
		s.first = append(s.first, len(s.of))
		for k := range v.Jobs[i].Needs {
			need := len(s.of)
			s.of = append(s.of, nil)
			for m := range v.Jobs[i].Needs[k].Candidates {
				c := &v.Jobs[i].Needs[k].Candidates[m]
				if len(c.Against) > 0 || j.unusable(&v.Items[c.Item]) != "" {
					continue
				}
				s.of[need] = append(s.of[need], len(s.edges))
				s.at[c.Item] = append(s.at[c.Item], len(s.edges))
				s.edges = append(s.edges, edge{need: need, item: c.Item, fit: c})
			}
			slices.SortStableFunc(s.of[need], func(a, b int) int { return s.prefer(&s.edges[a], &s.edges[b]) })
		}
	}
	return s
}

// prefer tells which of two items is taken rather: less work, the nearer place, what
// expires sooner; what keeps has the zero date and comes last.
func (s *store) prefer(a, b *edge) int {
	x, y := &s.items[a.item], &s.items[b.item]
	return cmp.Or(cmp.Compare(minutes(a.fit), minutes(b.fit)), cmp.Compare(x.Place, y.Place), cmp.Compare(uint32(x.Expires-1), uint32(y.Expires-1)))
}

func minutes(c *Candidate) (sum int) {
	for _, w := range c.Work {
		sum += w.Hand.Minutes
	}
	return sum
}

// id gives the number of a job's need.
func (s *store) id(job, need int) int { return s.first[job] + need }

func (s *store) mark() int { return len(s.log) }

// undo takes back what was changed since a mark.
func (s *store) undo(mark int) {
	for i := len(s.log) - 1; i >= mark; i-- {
		s.add(s.log[i].edge, -s.log[i].more)
	}
	s.log = s.log[:mark]
}

func (s *store) add(e int, more int64) {
	s.edges[e].flow += more
	s.spare[s.edges[e].item] -= more
}

// taken gives the edges by which a need takes something.
func (s *store) taken(need int) (all []*edge) {
	for _, e := range s.of[need] {
		if s.edges[e].flow > 0 {
			all = append(all, &s.edges[e])
		}
	}
	return all
}

// fill gives a need as much as can be had, and tells how much it has.
func (s *store) fill(need int, amount int64, tiers []tier) (got int64) {
	for _, e := range s.taken(need) {
		got += e.flow
	}
	for _, t := range tiers {
		for got < amount {
			path, most := s.path(need, t)
			if path == nil {
				break
			}
			more := min(amount-got, most)
			got += more
			for i, e := range path { // takes, gives back, takes, ...
				sign := more
				if i%2 == 1 {
					sign = -more
				}
				s.add(e, sign)
				s.log = append(s.log, change{e, sign})
			}
		}
	}
	return got
}

// path finds the shortest way to an item with something to spare: along an edge to
// an item, and from there back along one by which another need takes of it. It gives
// the edges and how much can go that way.
func (s *store) path(need int, t tier) (path []int, most int64) {
	by := make([]int, len(s.items)) // the edge by which each item was reached, plus 1
	from := map[int]int{need: -1}   // the edge back by which each need was reached
	for queue := []int{need}; len(queue) > 0; queue = queue[1:] {
		n := queue[0]
		may := t.others
		if n == need {
			may = t.own
		}
		for _, e := range s.of[n] {
			x := &s.edges[e]
			if by[x.item] != 0 || !may(s, x) {
				continue
			}
			by[x.item] = e + 1
			if s.spare[x.item] > 0 {
				return s.walk(x.item, by, from)
			}
			for _, b := range s.at[x.item] {
				if y := &s.edges[b]; y.flow > 0 {
					if _, seen := from[y.need]; !seen {
						from[y.need] = b
						queue = append(queue, y.need)
					}
				}
			}
		}
	}
	return nil, 0
}

// walk goes back from an item to the need from which it was reached.
func (s *store) walk(item int, by []int, from map[int]int) (path []int, most int64) {
	most = s.spare[item]
	for {
		e := by[item] - 1
		path = append(path, e)
		back := from[s.edges[e].need]
		if back < 0 {
			slices.Reverse(path)
			return path, most
		}
		path, most = append(path, back), min(most, s.edges[back].flow)
		item = s.edges[back].item
	}
}
