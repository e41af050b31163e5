package record

import (
	"bytes"
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"spindlebook/internal/pm/isolation"
)

// held gives until when somebody has shown a skill; the zero time is never.
type held map[uuid.UUID]map[string]time.Time

// above tells which skills include another: who may do more may do less (common
// practice, no source).
var above = map[string][]string{"OP": {"OP", "T1", "T2"}, "T1": {"T1", "T2"}}

func (h held) has(p isolation.Person, skill string, at time.Time) bool {
	if p.ID == nil {
		return false
	}
	one := above[skill]
	if one == nil {
		one = []string{skill}
	}
	day := at.UTC().Truncate(24 * time.Hour)
	for _, s := range one {
		if until, ok := h[*p.ID][s]; ok && !until.Before(day) {
			return true
		}
	}
	return false
}

// suit tells whether the skills can be shared out among the people, each to another.
func (h held) suit(people []isolation.Person, skills []string, at time.Time) bool {
	if len(skills) == 0 {
		return true
	}
	for i, p := range people {
		if h.has(p, skills[0], at) && h.suit(slices.Delete(slices.Clone(people), i, i+1), skills[1:], at) {
			return true
		}
	}
	return false
}

func seen(looked []isolation.Look, entry uuid.UUID, code string) *isolation.Look {
	for i, l := range looked {
		if l.EntryID == entry && l.Mark == code {
			return &looked[i]
		}
	}
	return nil
}

// follower is a card while its entries are followed.
type follower struct {
	*Card
	looked  []isolation.Look
	place   map[uuid.UUID]int // of each step
	crew    []isolation.Person
	wrongAt *time.Time // since when it turns the wrong way
	swaps   int        // exchanges of leads since then
}

// follow works out how a card stands. The card comes with its head, what was
// resolved, its steps, entries and the isolation of its points.
func follow(c *Card, h held, looked []isolation.Look) {
	slices.SortStableFunc(c.Entries, func(a, b Entry) int {
		return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.Made, b.Made), bytes.Compare(a.ID[:], b.ID[:]))
	})
	slices.SortStableFunc(c.Steps, func(a, b StepNow) int { return cmp.Compare(a.Ordinal, b.Ordinal) })
	c.held = h
	f := follower{Card: c, looked: looked, place: map[uuid.UUID]int{}}
	for i := range c.Steps {
		c.Steps[i].State, c.Steps[i].Answers, c.Steps[i].Behind = "open", nil, ""
		f.place[c.Steps[i].ID] = i
	}
	for _, e := range c.Entries {
		f.take(e)
	}
	f.behind()
	f.blocks()
}

func (f *follower) mark(e Entry, code, format string, args ...any) {
	f.Marks = append(f.Marks, Mark{EntryID: e.ID, Code: code, Says: fmt.Sprintf(format, args...), Looked: seen(f.looked, e.ID, code)})
}

// met tells whether a hold is met by what has been declared so far.
func (f *follower) met(i int) bool {
	s := f.Steps[i]
	if n := len(s.Answers); n > 0 && s.State == NotPossible {
		// of a step of which nobody could tell whether it applies, whoever stands there says so
		return len(s.Unsure) > 0 || seen(f.looked, s.Answers[n-1].ID, "hold_not_possible") != nil
	}
	return s.State == DoneWell
}

func (f *follower) take(e Entry) {
	if e.Said.Early {
		f.mark(e, "clock", "the phone's clock said %s, after it had arrived; its time of arrival is taken", e.DoneAt.UTC().Format("2 Jan 15:04:05"))
	}
	if f.EndedAt != nil && e.ReceivedAt.After(*f.EndedAt) {
		f.mark(e, "late", "it arrived on %s, after the card had been closed on %s", e.ReceivedAt.UTC().Format("2 Jan 15:04"), f.EndedAt.UTC().Format("2 Jan 15:04"))
	}
	for _, p := range e.people() {
		if !slices.ContainsFunc(f.crew, func(o isolation.Person) bool { return isolation.Same(o, p) }) {
			f.crew = append(f.crew, p)
		}
	}
	switch e.Act {
	case OfStep:
		f.step(e)
	case Exchange:
		f.exchange(e)
	}
}

func (f *follower) step(e Entry) {
	i, there := f.place[*e.StepID]
	if !there {
		return // the database holds that it is a step of this card
	}
	s := &f.Steps[i]
	for _, o := range s.Answers {
		first, second := o, e
		if first.Made > second.Made {
			first, second = e, o
		}
		if !isolation.Same(o.Person, e.Person) && second.VersionSeen < first.Made {
			f.mark(e, "two_phones", "%s had answered this step too, and neither knew of the other", o.Person.Name)
			break
		}
	}
	for j := range i {
		if f.Steps[j].Hold && !f.met(j) {
			f.mark(e, "behind_hold", "%s is a hold point and was not met: %s", f.Steps[j].Label, f.Steps[j].Says)
			break
		}
	}
	state := e.Outcome
	if e.Outcome == DoneWell {
		f.hands(e, s.Step)
		f.energies(e, s.Step)
		if slices.Contains(s.Records, SecondCheck) && i > 0 {
			if before := f.Steps[i-1].Answers; len(before) > 0 && isolation.Same(before[len(before)-1].Person, e.Person) {
				f.mark(e, "second_person", "%s did the step before too; somebody else must look", e.Person.Name)
			}
		}
		if set := e.Said.Values[LinksSet]; set != "" && f.LinksFor != "" && set != f.LinksFor {
			f.mark(e, "links", "the links are set %s, and the supply with this motor's plate asks for %s", set, f.LinksFor)
		}
		// what comes off stands as it stood; only what goes on is held against the position
		if is := e.Said.Values[MediaOrder]; is != "" && s.Phase != "remove" && !ordered(f.Facts["media_pattern"], is) {
			f.mark(e, "media_order", "the sections stand %s from the bottom, and this position asks for %s", is, f.Facts["media_pattern"])
		}
		if saw := e.Said.Values[DirectionSeen]; saw != "" && !f.turned(e, saw) {
			state = NotOK
		}
	}
	if e.Outcome == NotPossible && s.Hold && len(s.Unsure) == 0 {
		f.mark(e, "hold_not_possible", "a hold point was not possible: %s", e.Note)
	}
	s.State, s.Answers = state, append(s.Answers, e)
}

// hands holds those who did a step against the people and skills that it takes.
func (f *follower) hands(e Entry, s Step) {
	people := e.people()
	switch {
	case len(people) < len(s.Skills):
		f.mark(e, "hands", "it takes %d people (%s), and %d did it", len(s.Skills), strings.Join(s.Skills, " and "), len(people))
	case !f.held.suit(people, s.Skills, e.At):
		f.mark(e, "skill", "nobody who did it has shown what it takes: %s", strings.Join(s.Skills, " and "))
	}
}

// energies holds a step against the isolation as it stood when it was done.
func (f *follower) energies(e Entry, s Step) {
	switch s.Kind {
	case "isolate":
		for _, p := range f.Points {
			if at := f.Isolation[p.ID].At(e.At); at.Locked(e.Person) {
				return
			}
		}
		if len(f.Points) > 0 {
			f.mark(e, "not_locked", "no lock of %s was on at any point of this position", e.Person.Name)
		}
		return
	case "prove_dead":
		for _, p := range f.Points {
			if slices.Contains(f.Energies, p.Energy) && f.Isolation[p.ID].At(e.At).Stage != isolation.Proven {
				f.mark(e, "not_proved", "%s (%s) was not isolated and proved then", p.Code, p.Energy)
				return
			}
		}
		return
	}
	for _, energy := range s.Needs {
		known := false
		for _, p := range f.Points {
			if p.Energy != energy {
				continue
			}
			known = true
			at := f.Isolation[p.ID].At(e.At)
			switch at.Stage {
			case isolation.Proven:
			case isolation.Test:
				f.mark(e, "in_test", "%s was under test then, locks were off: no work is done in a test", p.Code)
				return
			default:
				f.mark(e, "not_isolated", "%s (%s) was not isolated and proved then", p.Code, energy)
				return
			}
			for _, who := range e.people() {
				if !at.Locked(who) {
					f.mark(e, "no_own_lock", "%s had no own lock on %s then", who.Name, p.Code)
					return
				}
			}
		}
		if !known {
			f.mark(e, "no_point", "no isolation point for %s is recorded at this position", energy)
			return
		}
	}
}

// turned follows the tests of rotation; false where it turned the wrong way.
func (f *follower) turned(e Entry, saw string) bool {
	if !f.Turning.Known {
		f.Turned = "unknown"
		f.mark(e, "rotation_unknown", "it was seen to turn %s, and nobody has recorded which way it must turn", way(saw))
		return true
	}
	if (saw == "clockwise") != f.Turning.Clockwise {
		f.Turned, f.swaps = "opposite", 0
		at := e.At
		f.wrongAt = &at
		return false
	}
	if f.wrongAt != nil && f.swaps%2 == 0 {
		// two exchanges of two leads turn it back as it was (checks of three-phase motors: any two of three, an odd number)
		f.mark(e, "rotation_unexplained", "it turned the wrong way before, and between the tests %s is declared", exchanges(f.swaps))
	}
	f.Turned, f.wrongAt = "right", nil
	return true
}

func exchanges(n int) string {
	if n == 0 {
		return "no exchange of two leads"
	}
	return fmt.Sprintf("an even number of exchanges of two leads (%d), which changes nothing,", n)
}

func way(saw string) string { return strings.ReplaceAll(saw, "_", "-") }

func (f *follower) exchange(e Entry) {
	f.swaps++
	f.hands(e, Step{Skills: []string{"EL"}})
	f.energies(e, Step{Needs: []string{"electrical"}})
}

// behind names for each step the first hold before it that is not met now.
func (f *follower) behind() {
	first := ""
	for i := range f.Steps {
		f.Steps[i].Behind = first
		if first == "" && f.Steps[i].Hold && !f.met(i) {
			first = f.Steps[i].Label
		}
	}
}

func (f *follower) block(code string, step, entry *uuid.UUID, format string, args ...any) {
	f.Blocks = append(f.Blocks, Block{code, step, entry, fmt.Sprintf(format, args...)})
}

func (f *follower) blocks() {
	for i, s := range f.Steps {
		if s.Hold && !f.met(i) {
			f.block("hold", &f.Steps[i].ID, nil, "%s is a hold point and is not met: %s", s.Label, s.Says)
		}
	}
	if f.Turned == "opposite" {
		f.block("rotation", nil, nil, "it was last seen to turn the wrong way: isolate, let a qualified person exchange two supply leads, prove, and test again")
	}
	for _, m := range f.Marks {
		if m.Looked == nil {
			f.block("mark", nil, &m.EntryID, "out of order, for a manager to look at: %s", m.Says)
		}
	}
	for _, p := range f.Points {
		now := f.Isolation[p.ID]
		for _, m := range now.Marks {
			if seen(f.looked, m.EntryID, m.Code) == nil {
				f.block("isolation", nil, &m.EntryID, "at %s, for a manager to look at: %s", p.Code, m.Says)
			}
		}
		for _, l := range now.Locks {
			if slices.ContainsFunc(f.crew, func(o isolation.Person) bool { return isolation.Same(o, l.Owner) }) {
				f.block("lock", nil, nil, "the lock of %s is on at %s", l.Owner.Name, p.Code)
			}
		}
	}
	if len(f.crew) < f.People {
		f.block("people", nil, nil, "people needed: %d; so far %d declared something or are named", f.People, len(f.crew))
	}
	f.Unseen = 0
	for _, b := range f.Blocks {
		if b.EntryID != nil {
			f.Unseen++
		}
	}
}

// lastWork gives when the last of the work was done.
func (c *Card) lastWork() (at time.Time) {
	for _, e := range c.Entries {
		if e.Act != Note && e.At.After(at) {
			at = e.At
		}
	}
	return at
}
