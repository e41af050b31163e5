package isolation

import (
	"bytes"
	"fmt"
	"slices"

	"github.com/google/uuid"
)

// before says which acts must count before another one does, and by which
// paragraph of 29 CFR 1910.147.
var before = map[Act]struct {
	needs []Act
	rule  string
}{
	ShutDown:   {[]Act{Prepared}, "(d)(2)"},
	Isolated:   {[]Act{ShutDown}, "(d)(3)"},
	Locked:     {[]Act{Told, Isolated}, "(c)(9), (d)(4)"},
	BackOn:     {[]Act{Isolated}, "(f)(1)"},
	Relieved:   {[]Act{Isolated, Locked}, "(d)(5)"},
	Proved:     {[]Act{Relieved}, "(d)(6)"},
	OffForTest: {[]Act{Clear}, "(f)(1)"},
	Unlocked:   {[]Act{Inspected, Clear}, "(e)(1), (e)(2)"},
	ToldAfter:  {nil, "(e)(2)(ii)"},
	Restored:   {[]Act{ToldAfter}, "(e)(2)(ii)"},
}

// words name acts in a sentence.
var words = map[Act]string{
	Prepared: "knowing the energies and how to control them", Told: "telling those whom it affects", ShutDown: "shutting down", Isolated: "operating the isolating device",
	Locked: "an own lock", Relieved: "letting stored energy out", Proved: "proving", Clear: "clearing people and tools", OffForTest: "taking a lock off for a test",
	BackOn: "putting the lock back on", LeftOn: "leaving a lock on", Inspected: "looking over the machine", Unlocked: "taking a lock off",
	ToldAfter: "telling those whom it affects that locks are off", Restored: "putting the energy back",
}

// follower is a point while its entries are followed.
type follower struct {
	Point
	counts map[Act]bool
	off    map[uuid.UUID]Lock // locks taken off, so that a second time is known
}

// Follow gives how a point stands after its entries, in whatever order they come.
func Follow(entries []Entry) Point {
	sorted := slices.Clone(entries)
	slices.SortStableFunc(sorted, func(a, b Entry) int {
		if c := a.At.Compare(b.At); c != 0 {
			return c
		}
		if c := rank[a.Act] - rank[b.Act]; c != 0 {
			return c
		}
		return bytes.Compare(a.ID[:], b.ID[:])
	})
	f := follower{Point: Point{Stage: InService}, counts: map[Act]bool{}, off: map[uuid.UUID]Lock{}}
	for _, e := range sorted {
		f.take(e)
		f.keep(e)
	}
	for _, a := range Acts {
		if f.counts[a] {
			f.Done = append(f.Done, a)
		}
	}
	f.Next = f.next()
	return f.Point
}

// keep adds to the spans where the stage or the locks have changed.
func (f *follower) keep(e Entry) {
	s := Span{From: e.At, Stage: f.Stage}
	for _, l := range f.Locks {
		if l.OffAt == nil {
			s.Owners = append(s.Owners, l.Owner)
		}
	}
	if n := len(f.Spans); n > 0 && f.Spans[n-1].From.Equal(e.At) {
		f.Spans = f.Spans[:n-1]
	}
	f.Spans = append(f.Spans, s)
}

func (f *follower) mark(e Entry, code, format string, args ...any) {
	f.Marks = append(f.Marks, Mark{EntryID: e.ID, Code: code, Says: fmt.Sprintf(format, args...)})
}

func (f *follower) enter(s Stage, e Entry) {
	if f.Stage != s {
		f.Stage, f.Since = s, e.At
	}
}

// lost forgets what was declared of these acts: they must be done anew.
func (f *follower) lost(acts ...Act) {
	for _, a := range acts {
		delete(f.counts, a)
	}
	if !f.counts[Proved] {
		f.Proof = nil
	}
}

// order marks an entry before which something is missing.
func (f *follower) order(e Entry) bool {
	rule := before[e.Act]
	for _, a := range rule.needs {
		if !f.counts[a] {
			f.mark(e, "order", "%s comes before %s (29 CFR 1910.147 %s), and nobody had declared it", words[a], words[e.Act], rule.rule)
			return false
		}
	}
	return true
}

func (f *follower) lock(id uuid.UUID) int {
	return slices.IndexFunc(f.Locks, func(l Lock) bool { return l.ID == id })
}

func (f *follower) take(e Entry) {
	if e.Early {
		f.mark(e, "clock", "the phone's clock said %s, after it had arrived; its time of arrival is taken", e.DoneAt.UTC().Format("15:04:05"))
	}
	switch e.Act {
	case Prepared, Told, ShutDown, Isolated, Relieved:
		if len(f.Locks) == 0 && f.Stage != Isolating { // a new isolation begins
			f.counts, f.Proof = map[Act]bool{}, nil
		}
		switch {
		case e.Act == Relieved && f.Stage == Test:
			f.mark(e, "order", "a test was going on: locks are put back on before %s (29 CFR 1910.147 (f)(1), (d)(5))", words[Relieved])
		case f.order(e):
			f.counts[e.Act] = true
		}
		if f.Stage == InService || f.Stage == Restoring && len(f.Locks) == 0 {
			f.enter(Isolating, e)
		}
	case Locked:
		f.locked(e)
	case Proved:
		f.proved(e)
	case Clear:
		f.counts[Clear] = true
	case OffForTest, BackOn, LeftOn, Unlocked:
		f.ofALock(e)
	case Inspected:
		f.counts[Inspected] = true
	case ToldAfter:
		if len(f.Locks) > 0 {
			f.mark(e, "order", "%s comes after the last lock is off (29 CFR 1910.147 (e)(2)(ii)); on is still that of %s", words[ToldAfter], owners(f.Locks))
			return
		}
		f.counts[ToldAfter] = true
	case Restored:
		f.restored(e)
	}
}

func owners(locks []Lock) string {
	s := ""
	for i, l := range locks {
		if i > 0 {
			s += ", "
		}
		s += l.Owner.Name
	}
	return s
}

func (f *follower) locked(e Entry) {
	if f.Stage == InService || f.Stage == Restoring && len(f.Locks) == 0 {
		f.enter(Isolating, e)
	}
	counts := f.order(e)
	i := f.lock(e.LockID)
	switch {
	case i < 0:
		// a lock that hangs there hangs there, whatever was forgotten before
		f.Locks = append(f.Locks, Lock{ID: e.LockID, Owner: e.Person, VisitID: e.VisitID, RecordID: e.RecordID, OnAt: e.At})
		delete(f.off, e.LockID)
		if f.Stage == Restoring {
			f.enter(Isolating, e)
			f.lost(Proved, Relieved)
		}
	case !f.Locks[i].Owner.same(e.Person):
		f.mark(e, "anothers_lock", "this is the lock of %s", f.Locks[i].Owner.Name)
		return
	}
	if counts {
		f.counts[Locked] = true
	}
	// who works on comes back to a machine that may have been left: new work needs a new end
	f.lost(Inspected, Clear, ToldAfter)
}

func (f *follower) proved(e Entry) {
	switch {
	case len(f.Locks) == 0:
		f.mark(e, "order", "%s comes after an own lock (29 CFR 1910.147 (d)(4), (d)(6)), and none was on", words[Proved])
		return
	case f.Stage == Test:
		f.mark(e, "order", "a test was going on: locks are put back on before %s (29 CFR 1910.147 (f)(1))", words[Proved])
		return
	case !f.order(e):
		return
	}
	f.counts[Proved] = true
	f.Proof = &Proof{At: e.At, By: e.Person, How: e.How, Instrument: e.Instrument}
	f.enter(Proven, e)
}

func (f *follower) ofALock(e Entry) {
	i := f.lock(e.LockID)
	if i < 0 {
		if l, was := f.off[e.LockID]; was {
			f.mark(e, "lock_off", "the lock of %s had been taken off", l.Owner.Name)
		} else {
			f.mark(e, "no_lock", "nobody had declared such a lock before")
		}
		return
	}
	l := &f.Locks[i]
	own := l.Owner.same(e.Person)
	if !own && e.Act != Unlocked {
		f.mark(e, "anothers_lock", "the lock is that of %s, and each takes off and puts on the own lock (29 CFR 1910.147 (e)(3), (f)(1))", l.Owner.Name)
		return
	}
	switch e.Act {
	case LeftOn:
		l.Until, l.HandedTo = e.Until, e.HandedTo
	case OffForTest:
		f.order(e)
		at := e.At
		l.OffAt = &at
		// what was proved does not hold in a test and after it
		f.lost(Proved, Relieved, Isolated, Inspected)
		f.enter(Test, e)
	case BackOn:
		if l.OffAt == nil {
			f.mark(e, "order", "the lock was on already")
			return
		}
		f.order(e)
		l.OffAt = nil
		if !slices.ContainsFunc(f.Locks, func(o Lock) bool { return o.OffAt != nil }) {
			f.enter(Isolating, e)
			f.lost(Clear)
		}
	case Unlocked:
		f.order(e)
		if !own {
			says := "taken off by %s for %s: the owner is not there (%s), was looked for (%s), and will know before working there again (%s)"
			if !e.Anothers.whole() {
				says = "taken off by %s, and the three confirmations of 29 CFR 1910.147 (e)(3) for the lock of %s are not whole: %s; %s; %s"
			}
			f.mark(e, "anothers_lock", says, e.Person.Name, l.Owner.Name, e.Anothers.NotHere, e.Anothers.Tried, e.Anothers.Knows)
		}
		f.off[l.ID] = *l
		f.Locks = slices.Delete(f.Locks, i, i+1)
		if len(f.Locks) == 0 {
			f.lost(Proved, Relieved, Isolated, Locked, ToldAfter)
			f.enter(Restoring, e)
		}
	}
}

func (f *follower) restored(e Entry) {
	if len(f.Locks) > 0 {
		f.mark(e, "locks_on", "the energy is declared to be on while the lock of %s is on", owners(f.Locks))
		return
	}
	f.order(e)
	f.counts, f.Proof = map[Act]bool{}, nil
	f.enter(InService, e)
}

// next names what may come next, so that a page offers that first.
func (f *follower) next() []Act {
	first := func(acts ...Act) (open []Act) {
		for _, a := range acts {
			if !f.counts[a] {
				open = append(open, a)
			}
		}
		return open
	}
	switch f.Stage {
	case Proven:
		return []Act{Inspected, Clear, OffForTest, Unlocked, Locked, LeftOn}
	case Test:
		return append(first(Isolated), BackOn, Inspected, Unlocked)
	case Restoring:
		if f.counts[ToldAfter] {
			return []Act{Restored}
		}
		return []Act{ToldAfter, Restored}
	default:
		return first(Prepared, Told, ShutDown, Isolated, Locked, Relieved, Proved)
	}
}
