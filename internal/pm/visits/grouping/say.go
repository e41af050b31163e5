package grouping

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"spindlebook/internal/calendar"
	"spindlebook/internal/money"
)

// propose puts what was found in order and tells what it is good for.
func (p *planner) propose(on []int, r *repair) Proposal {
	var out Proposal
	together, alone := map[int][]*Task{}, map[int][]*Task{}
	for i, locked := range p.locked {
		if locked {
			together[i], alone[i] = nil, nil
		}
	}
	for k, u := range p.units {
		i := on[k]
		if i < 0 {
			continue
		}
		together[i] = append(together[i], u.tasks...)
		for n, t := range u.tasks {
			a := p.own(t, u.own[n])
			alone[a] = append(alone[a], t)
			out.Together.work(t, p.days[i].Date, n > 0)
			out.Alone.work(t, p.days[a].Date, false)
		}
	}
	out.Together.trips(together, p.site.Trip)
	out.Alone.trips(alone, p.site.Trip)
	for i, d := range p.days {
		tasks, going := together[i]
		if !going {
			continue
		}
		v := Visit{Date: d.Date, Locked: p.locked[i]}
		var who map[string][]string
		if r != nil {
			who, _ = r.fill(i, r.at[i])
		}
		for _, t := range tasks {
			v.Tasks = append(v.Tasks, Placed{t.ID, max(int(t.Due-d.Date), 0), max(int(d.Date-t.Due), 0), t.waste(d.Date), who[t.ID]})
		}
		out.Visits = append(out.Visits, v)
	}
	out.Conflicts = p.conflicts
	out.Offers = p.offers(out.Visits)
	out.Says = p.says(&out)
	return out
}

// own gives the day on which a task would be done by itself: the last in its
// window that is not after its due day, or else the first after.
func (p *planner) own(t *Task, w window) int {
	i, _ := p.at(t.Due + 1)
	return min(max(i-1, w.lo), w.hi)
}

// work adds a task done on a day.
func (c *Cost) work(t *Task, d calendar.Date, second bool) {
	c.Wasted += t.waste(d)
	for _, h := range t.hands(second) {
		c.Minutes += h.Minutes
	}
}

// trips adds the trips to what was added to c as work.
func (c *Cost) trips(days map[int][]*Task, trip Trip) {
	c.Trips = len(days)
	c.Money = int64(c.Trips)*trip.Cost + c.Wasted
	for _, tasks := range days {
		people := 1
		for _, t := range tasks {
			people = max(people, len(t.Hands))
		}
		c.Minutes += people * trip.Minutes
	}
}

// nearlyWorn is the percent of life left under which a set is renewed with its
// twin (common practice, no source).
const nearlyWorn = 20

// offers finds those of a pair that are due too late to be planned with their
// twin, and worth a thought: less is thrown away than a trip costs, or little is left.
func (p *planner) offers(visits []Visit) (offers []Offer) {
	task := map[string]*Task{}
	for i := range p.site.Tasks {
		task[p.site.Tasks[i].ID] = &p.site.Tasks[i]
	}
	planned := map[string]calendar.Date{}
	for _, v := range visits {
		for _, x := range v.Tasks {
			planned[x.Task] = v.Date
		}
	}
	for i := range p.site.Tasks {
		t := &p.site.Tasks[i]
		if t.Pair == "" {
			continue
		}
		best := Offer{}
		for _, v := range visits {
			for _, x := range v.Tasks {
				twin, then := task[x.Task], planned[t.ID]
				if twin.Pair == t.Pair && twin != t && v.Date < t.Due && v.Date >= t.Parts && (then == 0 || then > v.Date) {
					best = Offer{Task: t.ID, With: twin.ID, Date: v.Date} // the last is the cheapest
				}
			}
		}
		if best.Task == "" {
			continue
		}
		if best.Waste = t.waste(best.Date); t.Interval > 0 {
			best.Left = min(int(t.Due-best.Date)*100/t.Interval, 100)
		}
		if best.Waste < p.site.Trip.Cost || best.Left < nearlyWorn {
			best.Says = fmt.Sprintf("%s is due on %s and could be done on %s with %s; that throws away %d %% of its life, %s",
				t.ID, t.Due.Words(), best.Date.Words(), best.With, best.Left, money.Money(best.Waste, p.site.Trip.Currency))
			offers = append(offers, best)
		}
	}
	return offers
}

// says tells in one sentence what grouping saves.
func (p *planner) says(o *Proposal) string {
	a, b := o.Alone, o.Together
	var s string
	switch saved := a.Money - b.Money; {
	case b.Trips == 0:
		s = "nothing to go for"
	case a.Trips == b.Trips && saved <= 0:
		s = trips(b.Trips) + ", as many as with each on its own date"
	case saved < 0:
		s = fmt.Sprintf("%s instead of %d with each on its own date, %s dearer for want of room on those dates", trips(b.Trips), a.Trips, money.Money(-saved, p.site.Trip.Currency))
	default:
		s = fmt.Sprintf("%s instead of %d with each on its own date saves %s and %s of people's time", trips(b.Trips), a.Trips, money.Money(saved, p.site.Trip.Currency), hours(a.Minutes-b.Minutes))
		if more := b.Wasted - a.Wasted; more > 0 {
			s += fmt.Sprintf(", after %s of life that is thrown away", money.Money(more, p.site.Trip.Currency))
		}
	}
	var left []string
	for _, c := range o.Conflicts {
		if c.Placed == 0 {
			left = append(left, c.Task)
		}
	}
	slices.Sort(left)
	if left = slices.Compact(left); len(left) > 0 {
		s += "; without a day: " + strings.Join(left, ", ")
	}
	return s
}

func trips(n int) string {
	if n == 1 {
		return "1 trip"
	}
	return strconv.Itoa(n) + " trips"
}

// hours writes minutes as "9 h 30 min".
func hours(minutes int) string {
	if minutes < 0 {
		return "-" + hours(-minutes)
	}
	h, m := minutes/60, minutes%60
	switch {
	case h == 0:
		return fmt.Sprintf("%d min", m)
	case m == 0:
		return fmt.Sprintf("%d h", h)
	}
	return fmt.Sprintf("%d h %d min", h, m)
}
