package readiness

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"spindlebook/internal/calendar"
	"spindlebook/internal/fault"
	"spindlebook/internal/pm/due"
	"spindlebook/internal/pm/visits/crew"
)

// Place is where an item is, in the order in which a visit is filled.
type Place uint8

// The places.
const (
	OwnVan Place = iota
	SiteShelf
	Warehouse
	OtherVan
	OnOrder
)

// Item is stock of one part, lot and place: whatever is alike for the visit.
type Item struct {
	Name     string // as a person would know it: "MW-10110 no. 4711"
	Amount   int64  // in the smallest unit in which the part is counted
	Place    Place
	Where    string        // the name of the place: "van V2"
	Expires  calendar.Date // last day on which it may be used, opened or not; zero: keeps
	Arrives  calendar.Date // when what is on order is expected
	SetAside string        // for which other visit; "": free
}

// Work is what must be done to an item at the bench before it fits.
type Work struct {
	What string // "turn the gearbox to O3"
	Hand crew.Hand
}

// Missing is a fact that nobody knows, and how to get it.
type Missing struct{ Fact, How string }

// Candidate is an item that may serve a need, and how it fits.
type Candidate struct {
	Item    int       // index among the visit's items
	Work    []Work    // fits only after this
	Against []string  // why it does not fit
	Missing []Missing // why nobody can tell whether it fits
}

// Need is a line of a job.
type Need struct {
	What       string // "gearmotor for SBL-D"
	Amount     int64  // in the smallest unit in which the part is counted
	Unit       string // what it is told in; "": pieces
	Per        int64  // so many of the smallest make one of that; 0: one
	Candidates []Candidate
	IfFound    bool      // only needed if something is found
	Unsure     []Missing // why nobody can tell whether the line applies
	Lead       *Lead     // of who supplies it; nil: not known
}

// Job is one task of the visit.
type Job struct {
	Name        string
	Criticality due.Criticality
	Needs       []Need
	Hands       []crew.Hand
	Gear        []string  // lifting gear and special tools
	Missing     []Missing // facts without which the job itself is not known
}

// Visit is what is judged.
type Visit struct {
	Day   calendar.Date
	Today calendar.Date
	Works Works // our own working days
	Shelf bool  // what stands on the site's shelf may be used
	Items []Item
	Jobs  []Job
	Crew  []crew.Person // who goes
	Bench []crew.Person // who can prepare parts before, with the minutes that they have
	Gear  []string      // what goes along
}

// Verdict says whether something can go.
type Verdict uint8

// The verdicts, the best first.
const (
	Go Verdict = iota
	AfterWork
	CannotTell
	NoGo
)

// String gives the verdict in words.
func (v Verdict) String() string {
	return [...]string{"go", "go after work", "cannot tell", "no-go"}[min(v, NoGo)]
}

// Ready tells whether it can go, if need be after work. Cannot tell is not ready.
func (v Verdict) Ready() bool { return v <= AfterWork }

// Taken is what a need takes of an item.
type Taken struct {
	Item   int
	Amount int64
}

// Line is how a need is met.
type Line struct {
	What    string
	Taken   []Taken
	Short   int64         // of the amount
	OrderBy calendar.Date // last day on which an order still arrives; zero where it is not short or that is not known
}

// Prepared is work at the bench before leaving.
type Prepared struct {
	Item    int
	What    string
	Minutes int
	Who     string
}

// Judgement is what is said of one job.
type Judgement struct {
	Job     string
	Verdict Verdict
	Against []string   // every reason why it does not go
	Missing []Missing  // what nobody knows
	Work    []Prepared // before leaving
	Lines   []Line     // of a job that does not go: what was there for it
	Who     []string   // who does it, in the order of its hands
	Notes   []string   // what a person should know all the same
}

// Answer is what is said of the visit.
type Answer struct {
	Verdict Verdict // the worst of its jobs
	Jobs    []Judgement
	Says    string
}

// Judge judges a visit. The fault names what in its input breaks a rule.
func Judge(v Visit) (Answer, error) {
	if err := v.check(); err != nil {
		return Answer{}, err
	}
	j := judge{visit: &v, staging: Staging(v.Day, v.Works), team: crew.NewTeam(v.Crew, v.Day), out: make([]Judgement, len(v.Jobs))}
	j.store = newStore(&j)
	order := make([]int, len(v.Jobs))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int {
		return cmp.Compare(slices.Index(graver, v.Jobs[a].Criticality), slices.Index(graver, v.Jobs[b].Criticality))
	})
	for _, i := range order {
		j.job(i)
	}
	for _, i := range j.going {
		j.ifFound(i)
	}
	return j.answer(), nil
}

var graver = []due.Criticality{due.S, due.A, due.B, due.C}

func (v *Visit) check() error {
	var faults []*fault.Error
	bad := func(field string, value any, format string, args ...any) {
		faults = append(faults, fault.Field(field, value, format, args...))
	}
	if v.Today <= 0 || v.Day < v.Today {
		bad("day", v.Day, "is today (%s) or later", v.Today)
	}
	minutes := func(field string, h crew.Hand) {
		if h.Minutes < 0 || h.Minutes > 100_000 {
			bad(field+".minutes", h.Minutes, "is a whole number from 0 to 100000")
		}
	}
	const most = 1_000_000_000_000
	for i, x := range v.Items {
		if x.Amount < 0 || x.Amount > most {
			bad(fmt.Sprintf("items[%d].amount", i), x.Amount, "is a whole number from 0 to %d", int64(most))
		}
		if x.Place > OnOrder || x.Place == OnOrder && x.Arrives <= 0 {
			bad(fmt.Sprintf("items[%d].place", i), x.Place, "is one of the places, and what is on order has a day on which it is expected")
		}
	}
	for i := range v.Jobs {
		job := &v.Jobs[i]
		if !slices.Contains(graver, job.Criticality) {
			bad(fmt.Sprintf("jobs[%d].criticality", i), job.Criticality, "is S, A, B or C")
		}
		for k, h := range job.Hands {
			minutes(fmt.Sprintf("jobs[%d].hands[%d]", i, k), h)
		}
		for k := range job.Needs {
			n, field := &job.Needs[k], fmt.Sprintf("jobs[%d].needs[%d]", i, k)
			if n.Amount < 0 || n.Amount > most {
				bad(field+".amount", n.Amount, "is a whole number from 0 to %d", int64(most))
			}
			if n.Lead != nil && (n.Lead.Days < 0 || n.Lead.Days > 1000) {
				bad(field+".lead.days", n.Lead.Days, "is a number of working days from 0 to 1000")
			}
			seen := map[int]bool{}
			for m, c := range n.Candidates {
				if c.Item < 0 || c.Item >= len(v.Items) || seen[c.Item] {
					bad(fmt.Sprintf("%s.candidates[%d].item", field, m), c.Item, "is one of the items, once")
				}
				seen[c.Item] = true
				for w := range c.Work {
					minutes(fmt.Sprintf("%s.candidates[%d].work[%d]", field, m, w), c.Work[w].Hand)
				}
			}
		}
	}
	return fault.Collect(faults...)
}

// judge is one judgement under way.
type judge struct {
	visit   *Visit
	staging calendar.Date
	store   *store
	team    *crew.Team
	out     []Judgement
	going   []int // jobs that hold their parts, in the order in which they got them
}

// unusable says why an item cannot be used on this visit, whatever it fits; ""
// where it can.
func (j *judge) unusable(x *Item) string {
	switch {
	case x.SetAside != "":
		return "set aside for " + x.SetAside
	case x.Place == SiteShelf && !j.visit.Shelf:
		return "on the site's shelf, which may not be used"
	case x.Expires != 0 && x.Expires < j.visit.Day:
		return "may be used until " + x.Expires.Words() + " only"
	case x.Place == OnOrder && x.Arrives < j.visit.Today:
		return "was expected on " + x.Arrives.Words() + " and is not here"
	case x.Place == OnOrder && x.Arrives > j.staging:
		return "expected on " + x.Arrives.Words() + ", too late to be put ready"
	}
	return ""
}

// job supplies one job and judges it.
func (j *judge) job(i int) {
	job, out := &j.visit.Jobs[i], &j.out[i]
	out.Job, out.Missing = job.Name, slices.Clone(job.Missing)
	for _, g := range job.Gear {
		if !slices.Contains(j.visit.Gear, g) {
			out.Against = append(out.Against, "needs "+g+", which does not go along")
		}
	}
	team, mark := j.team.Clone(), j.store.mark()
	who, lack := team.Take(job.Hands)
	if lack != "" {
		out.Against = append(out.Against, lack)
	}
	j.going = append(j.going, i)
	for _, k := range j.supply(i) {
		need := &job.Needs[k]
		if got := j.store.fill(j.store.id(i, k), need.Amount, inDoubt); got < need.Amount {
			out.Against = append(out.Against, j.why(i, k, got))
		}
	}
	if _, lack := j.bench(); lack != "" {
		out.Against = append(out.Against, lack)
	}
	for k := range job.Needs {
		if need := &job.Needs[k]; !need.IfFound {
			out.Missing = append(out.Missing, need.Unsure...)
			out.Missing = append(out.Missing, j.doubts(i, k)...)
		}
	}
	if len(out.Against) > 0 {
		out.Lines = j.lines(i)
		j.store.undo(mark)
		j.going = j.going[:len(j.going)-1]
		return
	}
	j.team, out.Who = team, who
}

// supply fills the always-lines of a job with what fits for certain: where the
// bench has no time for that, with what needs no work. It gives the lines that are short.
func (j *judge) supply(i int) (short []int) {
	mark := j.store.mark()
	short = j.fill(i, withWork)
	if _, lack := j.bench(); lack == "" {
		return short
	}
	j.store.undo(mark)
	if len(j.fill(i, asItIs)) > 0 {
		j.store.undo(mark)
		return j.fill(i, withWork) // not possible, for a reason that is told
	}
	return nil
}

func (j *judge) fill(i int, tiers []tier) (short []int) {
	for k := range j.visit.Jobs[i].Needs {
		need := &j.visit.Jobs[i].Needs[k]
		if need.IfFound {
			continue
		}
		mark := j.store.mark()
		if j.store.fill(j.store.id(i, k), need.Amount, tiers) < need.Amount {
			j.store.undo(mark)
			short = append(short, k)
		}
	}
	return short
}

// ifFound supplies what a job may need with what is left.
func (j *judge) ifFound(i int) {
	for k := range j.visit.Jobs[i].Needs {
		need := &j.visit.Jobs[i].Needs[k]
		if !need.IfFound {
			continue
		}
		mark, id := j.store.mark(), j.store.id(i, k)
		j.store.fill(id, need.Amount, spare)
		if _, lack := j.bench(); lack != "" {
			j.store.undo(mark)
			j.store.fill(id, need.Amount, spareAsIs)
		}
	}
}

// bench shares out the work on everything that is taken, by job.
func (j *judge) bench() (work map[int][]Prepared, lack string) {
	team := crew.NewTeam(j.visit.Bench, j.visit.Day)
	work = map[int][]Prepared{}
	for _, i := range j.going {
		for k := range j.visit.Jobs[i].Needs {
			for _, e := range j.store.taken(j.store.id(i, k)) {
				for _, w := range e.fit.Work {
					who, lack := team.Take([]crew.Hand{w.Hand})
					if lack != "" {
						return nil, fmt.Sprintf("%s for %s before leaving: %s", w.What, j.visit.Jobs[i].Needs[k].What, lack)
					}
					work[i] = append(work[i], Prepared{e.item, w.What, w.Hand.Minutes, who[0]})
				}
			}
		}
	}
	return work, ""
}

// doubts gives what is not known about what a line has taken.
func (j *judge) doubts(i, k int) (all []Missing) {
	for _, e := range j.store.taken(j.store.id(i, k)) {
		for _, m := range e.fit.Missing {
			all = append(all, Missing{j.visit.Items[e.item].Name + ": " + m.Fact, m.How})
		}
	}
	return all
}

// why tells why a line is short: what stands against each item, and what an order
// could do.
func (j *judge) why(i, k int, got int64) string {
	need := &j.visit.Jobs[i].Needs[k]
	s := fmt.Sprintf("%s: %s of %s there", need.What, need.bare(got), need.amount())
	for _, c := range need.Candidates {
		x := &j.visit.Items[c.Item]
		against := slices.Clone(c.Against)
		if u := j.unusable(x); u != "" {
			against = append(against, u)
		}
		if len(against) == 0 {
			if by := j.holders(c.Item, i); len(by) > 0 {
				against = append(against, "taken by "+strings.Join(by, " and "))
			} else {
				continue // all of it is counted
			}
		}
		s += fmt.Sprintf("; %s in %s: %s", x.Name, cmp.Or(x.Where, "a place without a name"), strings.Join(against, ", "))
	}
	if need.Lead != nil {
		s += "; " + j.order(need.Lead)
	}
	return s
}

// holders names the other jobs that take of an item.
func (j *judge) holders(item, but int) (names []string) {
	for _, i := range j.going {
		for k := range j.visit.Jobs[i].Needs {
			if i != but && slices.ContainsFunc(j.store.taken(j.store.id(i, k)), func(e *edge) bool { return e.item == item }) {
				names = append(names, j.visit.Jobs[i].Name)
				break
			}
		}
	}
	return names
}

// order tells until when an order helps, or which visit it would still help.
func (j *judge) order(l *Lead) string {
	v := j.visit
	if by := OrderBy(v.Day, v.Works, *l); by >= v.Today {
		return "ordered by " + by.Words() + " it is here in time"
	}
	if d := Possible(v.Today, v.Works, *l); d != 0 {
		return "ordered today it is here for a visit on " + d.Words() + " or later"
	}
	return "no order is known to arrive"
}

// lines tells how a job's needs are met.
func (j *judge) lines(i int) (all []Line) {
	for k := range j.visit.Jobs[i].Needs {
		need := &j.visit.Jobs[i].Needs[k]
		l := Line{What: need.What, Short: need.Amount}
		for _, e := range j.store.taken(j.store.id(i, k)) {
			l.Taken = append(l.Taken, Taken{e.item, e.flow})
			l.Short -= e.flow
		}
		if l.Short > 0 && need.Lead != nil {
			l.OrderBy = OrderBy(j.visit.Day, j.visit.Works, *need.Lead)
		}
		all = append(all, l)
	}
	return all
}

// soon is within how many days after the visit something expires that is worth a
// word (common practice, no source).
const soon = 14

// notes tells what stops nothing and should be known.
func (j *judge) notes(i int, lines []Line) (notes []string) {
	for k, l := range lines {
		need := &j.visit.Jobs[i].Needs[k]
		if need.Lead != nil && l.Short <= 0 && slices.ContainsFunc(l.Taken, func(t Taken) bool {
			return slices.ContainsFunc(need.Candidates, func(c Candidate) bool { return c.Item == t.Item && len(c.Work) > 0 })
		}) { // whoever has no hand for the bench has another way
			notes = append(notes, "Another "+need.What+" instead of the work at the bench: "+j.order(need.Lead))
		}
		if need.IfFound {
			for _, m := range need.Unsure {
				notes = append(notes, fmt.Sprintf("%s, if found: nobody can tell whether it applies: %s (%s)", need.What, m.Fact, m.How))
			}
			if l.Short > 0 {
				notes = append(notes, fmt.Sprintf("%s, if found: %s of %s there", need.What, need.bare(need.Amount-l.Short), need.amount()))
			}
		}
		for _, t := range l.Taken {
			x := &j.visit.Items[t.Item]
			if x.Place == OnOrder {
				notes = append(notes, x.Name+" is on order, expected on "+x.Arrives.Words()+": not here yet")
			}
			if x.Expires != 0 && x.Expires <= j.visit.Day+soon {
				notes = append(notes, x.Name+" may be used until "+x.Expires.Words())
			}
		}
	}
	slices.Sort(notes)
	return slices.Compact(notes)
}

// answer puts everything together, now that what is taken stands.
func (j *judge) answer() Answer {
	work, _ := j.bench()
	var a Answer
	for i := range j.out {
		out := &j.out[i]
		if len(out.Against) > 0 {
			out.Verdict = NoGo
		} else {
			out.Work, out.Lines = work[i], j.lines(i)
			out.Notes = j.notes(i, out.Lines)
			switch {
			case len(out.Missing) > 0:
				out.Verdict = CannotTell
			case len(out.Work) > 0:
				out.Verdict = AfterWork
			}
		}
		a.Verdict = max(a.Verdict, out.Verdict)
	}
	a.Jobs = j.out
	a.Says = says(a.Jobs)
	return a
}
