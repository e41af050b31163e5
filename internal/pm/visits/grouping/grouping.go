package grouping

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"spindlebook/internal/calendar"
	"spindlebook/internal/pm/due"
	"spindlebook/internal/pm/visits/crew"
)

// Task is work to be done at the site once, with its window.
type Task struct {
	ID                    string // or a name by which a person knows it
	Earliest, Due, Latest calendar.Date
	Criticality           due.Criticality
	Parts                 calendar.Date // first day on which its parts can be there; zero: any
	Interval              int           // days expected between two; 0 on a fixed grid, where being early wastes nothing
	Worth                 int64         // parts and labour of doing it once, in minor units
	Pair                  string        // tasks of one pair are done together; "" for none
	Second                int           // percent of its minutes when done after another of its pair; 0: all
	Hands                 []crew.Hand
	Line                  string // the line that it needs down, and the minutes
	Down                  int
}

// waste is the worth of the life that is thrown away by doing the task on a day.
func (t *Task) waste(d calendar.Date) int64 {
	if early := int64(t.Due - d); early > 0 && t.Interval > 0 {
		between := int64(t.Interval)
		return (t.Worth*min(early, between) + between/2) / between
	}
	return 0
}

// last is the last day on which the task is on time.
func (t *Task) last() calendar.Date {
	if t.Criticality == due.S {
		return min(t.Latest, t.Due)
	}
	return t.Latest
}

// Room is what a day can take.
type Room struct {
	People []crew.Person
	Down   int // minutes for which each line may be down; jobs that need one down follow one another
}

// Day is one on which work at the site is allowed.
type Day struct {
	Date calendar.Date
	Room *Room // nil: not known yet, and nothing is held against it
}

// Locked is a visit that a person has decided, with the tasks put on it.
type Locked struct {
	Date  calendar.Date
	Tasks []string
}

// Trip is what going there takes, whatever is done: driving both ways, signing in,
// locking out, restoring, handing over.
type Trip struct {
	Cost     int64  // in minor units, for all who go
	Currency string // ISO 4217
	Minutes  int    // of each who goes
}

// Site is what a proposal is made from.
type Site struct {
	Days   []Day // in order
	Trip   Trip
	Locked []Locked
	Tasks  []Task
}

// Placed is a task on a visit.
type Placed struct {
	Task  string
	Early int   // days before it is due
	Late  int   // days after
	Waste int64 // of life thrown away, in minor units
	Who   []string
}

// Visit is a proposed or locked trip.
type Visit struct {
	Date   calendar.Date
	Locked bool
	Tasks  []Placed
}

// Why says what stands in a task's way.
type Why string

// The reasons of conflicts.
const (
	Late        Why = "late"          // its window has closed before the first day
	PartsLate   Why = "parts late"    // its parts cannot be there inside its window
	NoDay       Why = "no day"        // no allowed day inside its window
	OutOfWindow Why = "out of window" // a person has put it on a day outside its window
	OverLimits  Why = "over limits"   // a person's visit holds more than the day can take
	NoRoom      Why = "no room"       // no day inside its window has people, minutes and line-down time left
)

// Conflict is a task that cannot be where it belongs.
type Conflict struct {
	Task   string
	Why    Why
	Placed calendar.Date // where it is put nevertheless; zero: nowhere
	Says   string
}

// Offer is the other of a pair that is not due with its twin and could be done
// with it.
type Offer struct {
	Task  string
	With  string // the twin
	Date  calendar.Date
	Left  int   // percent of its life that would be thrown away
	Waste int64 // the same in minor units
	Says  string
}

// Cost is what a way of working comes to.
type Cost struct {
	Trips   int
	Money   int64 // trips and life thrown away, in minor units
	Wasted  int64 // of that, life thrown away
	Minutes int   // of people, on the trips and at work
}

// Proposal is when to go, what is done then, and what it is good for.
type Proposal struct {
	Visits          []Visit
	Conflicts       []Conflict
	Offers          []Offer
	Alone, Together Cost // each task on its own date, and as proposed
	Says            string
}

// window is the first and last of the days on which a task may be done.
type window struct {
	lo, hi int
	pinned bool // a person has put it there
	open   bool // late already: if not on the only day, then on any later one
}

// unit is one task, or those of a pair, that stay together.
type unit struct {
	window
	tasks []*Task
	own   []window // of each task
	waste []int64  // on lo, lo+1, ... hi
	late  []int    // days past due, likewise, and before
	early []int
	grave int // 0 for S
}

// planner is one proposal under way.
type planner struct {
	site      *Site
	days      []Day
	locked    []bool // by day
	units     []*unit
	conflicts []Conflict
}

// Propose plans the visits of one site. The fault names what in its input breaks
// a rule.
func Propose(s Site) (Proposal, error) {
	if err := s.check(); err != nil {
		return Proposal{}, err
	}
	p := planner{site: &s, days: slices.Clone(s.Days)}
	for _, l := range s.Locked {
		if i, known := p.at(l.Date); !known {
			p.days = slices.Insert(p.days, i, Day{Date: l.Date})
		}
	}
	p.locked = make([]bool, len(p.days))
	for _, l := range s.Locked {
		i, _ := p.at(l.Date)
		p.locked[i] = true
	}
	p.units = p.gather()
	on := p.plan()
	if slices.ContainsFunc(p.days, func(d Day) bool { return d.Room != nil }) {
		r := p.repair(on)
		return p.propose(r.on, r), nil
	}
	return p.propose(on, nil), nil
}

// at gives the index of the first day that is not before d, and whether it is d.
func (p *planner) at(d calendar.Date) (int, bool) {
	return slices.BinarySearchFunc(p.days, d, func(a Day, d calendar.Date) int { return cmp.Compare(a.Date, d) })
}

// gather finds the days of each task and joins those of a pair.
func (p *planner) gather() []*unit {
	pinned := map[string]calendar.Date{}
	for _, l := range p.site.Locked {
		for _, id := range l.Tasks {
			pinned[id] = l.Date
		}
	}
	var units []*unit
	pairs := map[string][]*unit{}
	for i := range p.site.Tasks {
		t := &p.site.Tasks[i]
		w, ok := p.window(t, pinned[t.ID])
		if ok && (t.Pair == "" || !join(pairs[t.Pair], t, w)) {
			u := &unit{window: w, tasks: []*Task{t}, own: []window{w}}
			units = append(units, u)
			pairs[t.Pair] = append(pairs[t.Pair], u)
		}
	}
	for _, u := range units {
		p.weigh(u)
	}
	return units
}

// join adds a task to the first of its pair whose window meets its own.
func join(pair []*unit, t *Task, w window) bool {
	for _, u := range pair {
		if lo, hi := max(u.lo, w.lo), min(u.hi, w.hi); lo <= hi {
			u.window = window{lo, hi, u.pinned || w.pinned, u.open && w.open}
			u.tasks, u.own = append(u.tasks, t), append(u.own, w)
			return true
		}
	}
	return false
}

// weigh tells what each day of a unit costs.
func (p *planner) weigh(u *unit) {
	u.grave = len(graver)
	days := u.hi - u.lo + 1
	u.waste, u.late, u.early = make([]int64, days), make([]int, days), make([]int, days)
	for _, t := range u.tasks {
		u.grave = min(u.grave, slices.Index(graver, t.Criticality))
		for i := range u.waste {
			d := p.days[u.lo+i].Date
			u.waste[i] += t.waste(d)
			u.late[i] += max(int(d-t.Due), 0)
			u.early[i] += max(int(t.Due-d), 0)
		}
	}
}

// graver lists the criticalities, the gravest first.
var graver = []due.Criticality{due.S, due.A, due.B, due.C}

// window finds the days of a task. Where its window holds none it becomes the
// first day that is possible after it, and a conflict; false where there is none.
func (p *planner) window(t *Task, decided calendar.Date) (w window, ok bool) {
	if decided != 0 {
		if decided < t.Earliest || decided > t.last() || decided < t.Parts {
			p.conflict(t, OutOfWindow, decided, "stays on %s as decided, although %s", decided.Words(), t.outside(decided))
		}
		i, _ := p.at(decided)
		return window{lo: i, hi: i, pinned: true}, true
	}
	last := t.last()
	lo, _ := p.at(max(t.Earliest, t.Parts))
	hi, _ := p.at(last + 1)
	if hi--; lo <= hi {
		return window{lo: lo, hi: hi}, true
	}
	var day calendar.Date
	then := "and no later day is known"
	if lo < len(p.days) {
		day = p.days[lo].Date
		then = "the first day that is possible is " + day.Words()
	}
	switch {
	case t.Parts > last:
		p.conflict(t, PartsLate, day, "should be done by %s, but its parts cannot be there before %s; %s", last.Words(), t.Parts.Words(), then)
	case len(p.days) > 0 && last < p.days[0].Date:
		p.conflict(t, Late, day, "should have been done by %s; %s", last.Words(), then)
	default:
		p.conflict(t, NoDay, day, "no day from %s to %s is allowed; %s", max(t.Earliest, t.Parts).Words(), last.Words(), then)
	}
	return window{lo: lo, hi: lo, open: true}, day != 0
}

func (t *Task) outside(d calendar.Date) string {
	switch {
	case d > t.last() && t.Criticality == due.S:
		return "it is safety or legal work and due by " + t.last().Words()
	case d > t.last():
		return "its window closes on " + t.last().Words()
	case d < t.Parts:
		return "its parts cannot be there before " + t.Parts.Words()
	}
	return "its window opens on " + t.Earliest.Words()
}

func (p *planner) conflict(t *Task, why Why, placed calendar.Date, format string, args ...any) {
	p.conflicts = append(p.conflicts, Conflict{t.ID, why, placed, t.ID + ": " + fmt.Sprintf(format, args...)})
}

// price is what the program minimises, the first figure first.
type price struct {
	money              int64
	trips, late, early int
}

func (a price) plus(b price) price {
	return price{a.money + b.money, a.trips + b.trips, a.late + b.late, a.early + b.early}
}

func (a price) less(b price) bool {
	return cmp.Or(cmp.Compare(a.money, b.money), cmp.Compare(a.trips, b.trips), cmp.Compare(a.late, b.late), cmp.Compare(a.early, b.early)) < 0
}

// plan gives each unit its day as if there were no limits.
//
// best[i+1] is the least price of all visits up to one on day i, without what that
// one's own tasks cost: which have it as their last is known by the next visit. The
// days -1 and n are before the first visit and after the last.
func (p *planner) plan() (on []int) {
	n := len(p.days)
	opening, closing := make([][]*unit, n), make([][]*unit, n)
	for _, u := range p.units {
		opening[u.lo] = append(opening[u.lo], u)
		closing[u.hi] = append(closing[u.hi], u)
	}
	// The visit after one on day i comes by must[i+1], or a window would close untouched.
	must := make([]int, n+1)
	must[n] = n
	for i := n - 1; i >= 0; i-- {
		must[i] = must[i+1]
		if p.locked[i] {
			must[i] = i
		}
		for _, u := range opening[i] {
			must[i] = min(must[i], u.hi)
		}
	}
	best, from := make([]price, n+2), make([]int, n+2)
	for i := range best[1:] {
		best[i+1].money = math.MaxInt64
	}
	for i := -1; i < n; i++ {
		so := best[i+1]
		if so.money == math.MaxInt64 {
			continue
		}
		for j := i + 1; j <= must[i+1]; j++ {
			if i >= 0 { // what closes before day j has its last visit on day i
				for _, u := range closing[j-1] {
					if u.lo <= i {
						so = so.plus(price{u.waste[i-u.lo], 0, u.late[i-u.lo], u.early[i-u.lo]})
					}
				}
			}
			step := so
			if j < n && !p.locked[j] {
				step = so.plus(price{money: p.site.Trip.Cost, trips: 1})
			}
			if step.less(best[j+1]) {
				best[j+1], from[j+1] = step, i
			}
		}
	}
	on = make([]int, len(p.units))
	for i := range on {
		on[i] = -1
	}
	for i := from[n+1]; i >= 0; i = from[i+1] {
		for k, u := range p.units {
			if on[k] < 0 && u.lo <= i && i <= u.hi {
				on[k] = i
			}
		}
	}
	return on
}
