package grouping

import (
	"cmp"
	"fmt"
	"slices"

	"spindlebook/internal/pm/visits/crew"
)

// repair moves what a day cannot take.
type repair struct {
	*planner
	on []int   // day of each unit; -1: none
	at [][]int // units of each day, less those that a person put over its limits
}

// repair gives the units their days one by one, the gravest and least patient
// first, and closes the visits that this opened in vain.
func (p *planner) repair(planned []int) *repair {
	r := &repair{p, slices.Clone(planned), make([][]int, len(p.days))}
	going := slices.Clone(p.locked) // days with a visit
	for _, i := range planned {
		going[i] = true
	}
	queue := make([]int, len(p.units))
	for k := range queue {
		queue[k] = k
	}
	slices.SortStableFunc(queue, func(a, b int) int {
		u, v := p.units[a], p.units[b]
		return cmp.Or(sooner(u.pinned, v.pinned), cmp.Compare(u.grave, v.grave), cmp.Compare(u.hi, v.hi))
	})
	moved := false
	for len(queue) > 0 {
		k := queue[0]
		queue = queue[1:]
		u, first := p.units[k], r.on[k]
		lack := r.lack(first, k)
		if lack == "" {
			r.at[first] = append(r.at[first], k)
			continue
		}
		moved, r.on[k] = true, -1
		others := r.others(u, first, going)
		if slices.ContainsFunc(others, func(i int) bool { return r.put(k, i) }) ||
			!u.pinned && r.makeRoom(k, append([]int{first}, others...), func(x int) []int { return r.others(r.units[x], r.on[x], going) }) {
			going[r.on[k]] = true
			r.later(u, r.on[k], lack)
		}
		switch t := u.tasks[0]; {
		case r.on[k] >= 0:
		case len(u.tasks) > 1: // rather apart than not at all
			queue = append(r.split(k, first), queue...)
		case u.pinned:
			r.on[k] = first
			p.conflict(t, OverLimits, p.days[first].Date, "stays on %s as decided, beyond what the day can take: %s", p.days[first].Date.Words(), lack)
		case u.open:
			p.conflict(t, NoRoom, 0, "is late and finds no room from %s on: %s", p.days[first].Date.Words(), lack)
		case u.lo == u.hi:
			p.conflict(t, NoRoom, 0, "can only be done on %s, which cannot take it: %s", p.days[first].Date.Words(), lack)
		default:
			p.conflict(t, NoRoom, 0, "finds no room from %s to %s; on %s: %s", p.days[u.lo].Date.Words(), p.days[u.hi].Date.Words(), p.days[first].Date.Words(), lack)
		}
	}
	if moved {
		r.close()
	}
	return r
}

// lack tells what is lacking to do a unit on a day beside those that are there.
func (r *repair) lack(day, k int) string {
	_, lack := r.fill(day, with(r.at[day], k))
	return lack
}

// with gives the units and one more.
func with(units []int, k int) []int { return append(slices.Clone(units), k) }

func sooner(a, b bool) int {
	switch {
	case a == b:
		return 0
	case a:
		return -1
	}
	return 1
}

// split takes the tasks of a pair apart, each with its own window, and gives the
// units to place now.
func (r *repair) split(k, first int) (units []int) {
	u := r.units[k]
	for n, t := range u.tasks {
		alone := &unit{window: u.own[n], tasks: []*Task{t}, own: u.own[n : n+1]}
		r.weigh(alone)
		if n == 0 {
			r.units[k], r.on[k] = alone, first
			units = append(units, k)
			continue
		}
		units = append(units, len(r.units))
		r.units, r.on = append(r.units, alone), append(r.on, first)
	}
	return units
}

// others gives the days of a unit's window but one: those with a visit first, and
// of either the cheapest first.
func (r *repair) others(u *unit, but int, going []bool) (days []int) {
	for i := u.lo; i <= u.hi; i++ {
		if i != but {
			days = append(days, i)
		}
	}
	slices.SortStableFunc(days, func(i, j int) int {
		return cmp.Or(sooner(going[i], going[j]), cmp.Compare(u.waste[i-u.lo], u.waste[j-u.lo]), cmp.Compare(u.late[i-u.lo], u.late[j-u.lo]), j-i)
	})
	for i := u.hi + 1; u.open && i < len(r.days); i++ {
		days = append(days, i)
	}
	return days
}

// later amends the conflicts of work that is late and has to wait even longer.
func (r *repair) later(u *unit, day int, lack string) {
	for i := range r.conflicts {
		c := &r.conflicts[i]
		if u.open && day > u.hi && slices.ContainsFunc(u.tasks, func(t *Task) bool { return t.ID == c.Task }) {
			c.Placed = r.days[day].Date
			c.Says += fmt.Sprintf(", which cannot take it: %s; put on %s", lack, c.Placed.Words())
		}
	}
}

// fill tries to do units on a day, in that order, and tells who does each task, or
// what is lacking for the last.
func (r *repair) fill(day int, units []int) (who map[string][]string, lack string) {
	room := r.days[day].Room
	if room == nil {
		return nil, ""
	}
	team, down := crew.NewTeam(room.People, r.days[day].Date), map[string]int{}
	who = map[string][]string{}
	for _, k := range units {
		for n, t := range r.units[k].tasks {
			names, lack := team.Take(t.hands(n > 0))
			if lack != "" {
				return nil, lack
			}
			who[t.ID] = names
			if left := room.Down - down[t.Line]; t.Down > left {
				return nil, fmt.Sprintf("needs %s down for %d minutes, %d are left", cmp.Or(t.Line, "the line"), t.Down, left)
			}
			down[t.Line] += t.Down
		}
	}
	return who, ""
}

// hands gives who is needed for how long, less what the first of a pair has saved.
func (t *Task) hands(second bool) []crew.Hand {
	if !second || t.Second == 0 {
		return t.Hands
	}
	hands := slices.Clone(t.Hands)
	for i := range hands {
		hands[i].Minutes = (hands[i].Minutes*t.Second + 99) / 100
	}
	return hands
}

// close gives up visits whose tasks find room on others, where that throws away
// less than the trip costs.
func (r *repair) close() {
	for again := true; again; {
		again = false
		for i := range r.at {
			if len(r.at[i]) == 0 || r.locked[i] {
				continue
			}
			on, at, before := slices.Clone(r.on), slices.Clone(r.at), r.wasted()
			if r.empty(i) && r.wasted()-before <= r.site.Trip.Cost {
				again = true
				continue
			}
			r.on, r.at = on, at
		}
	}
}

func (r *repair) wasted() (sum int64) {
	for k, u := range r.units {
		if i := r.on[k]; i >= 0 && i <= u.hi {
			sum += u.waste[i-u.lo]
		}
	}
	return sum
}

// empty moves all units of a day to other visits, or reports false half way.
func (r *repair) empty(day int) bool {
	for _, k := range slices.Clone(r.at[day]) {
		if !r.move(k, day) {
			return false
		}
	}
	return true
}

// move puts a unit on another visit; where none has room, another unit makes room
// by moving on itself.
func (r *repair) move(k, day int) bool {
	visits := r.visits(r.units[k], day)
	for _, i := range visits {
		if r.put(k, i) {
			return true
		}
	}
	return r.makeRoom(k, visits, func(x int) []int { return r.visits(r.units[x], day) })
}

// makeRoom puts a unit on one of the days by moving another on from there.
func (r *repair) makeRoom(k int, days []int, to func(x int) []int) bool {
	for _, i := range days {
		for n, x := range r.at[i] {
			if r.units[x].pinned || r.units[x].open {
				continue
			}
			rest := with(slices.Delete(slices.Clone(r.at[i]), n, n+1), k)
			if _, lack := r.fill(i, rest); lack != "" {
				continue
			}
			for _, j := range to(x) {
				if j != i && r.put(x, j) {
					r.take(k)
					r.at[i], r.on[k] = rest, i
					return true
				}
			}
		}
	}
	return false
}

// visits gives the days on which there is a visit inside a unit's window, but one.
func (r *repair) visits(u *unit, but int) (days []int) {
	for i := u.hi; i >= u.lo; i-- {
		if i != but && (len(r.at[i]) > 0 || r.locked[i]) {
			days = append(days, i)
		}
	}
	return days
}

// put moves a unit to a day, if there is room.
func (r *repair) put(k, day int) bool {
	if r.lack(day, k) != "" {
		return false
	}
	r.take(k)
	r.at[day], r.on[k] = with(r.at[day], k), day
	return true
}

// take takes a unit off its day, if it has one.
func (r *repair) take(k int) {
	if i := r.on[k]; i >= 0 {
		r.at[i] = slices.DeleteFunc(slices.Clone(r.at[i]), func(x int) bool { return x == k })
	}
}
