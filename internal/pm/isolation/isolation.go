// Package isolation keeps what people declare when they isolate a machine, test
// it and give it back: who put which lock on which point, how it was proved, who
// took it off again.
//
// # Entries and what follows from them
//
// An entry is one thing that one person declares about one point. Entries are only
// added. They may arrive late, twice and in any order; the same entries give the
// same answer in whatever order they came, since Follow puts them in the order in
// which they were done. An entry that contradicts those before it is kept and
// marked, and the mark stands until a manager has looked.
//
// A lock is one person's lock on one point. It is on until that person has
// declared that it is off, whichever visit it was put on in, and whoever works
// behind that point sees it.
//
// The order of control and release is that of 29 CFR 1910.147 (d), (e) and (f). The
// site's own energy-control procedure, local codes and licensed practice come
// first. What is kept here is what people said: it tells nobody that a machine may
// be touched, and no permission to work waits for an answer of this program.
package isolation

import (
	"time"

	"github.com/google/uuid"
)

// Act is what an entry declares.
type Act string

// The acts of applying control, in the order in which they count: 29 CFR 1910.147
// (c)(9) and (d)(1) to (d)(6).
const (
	Prepared Act = "prepared"  // the energies, their hazards and the way to control them are known
	Told     Act = "told"      // those whom it affects were told
	ShutDown Act = "shut_down" // stopped in the orderly way
	Isolated Act = "isolated"  // the isolating device was operated
	Locked   Act = "locked"    // somebody's own lock and tag are on
	Relieved Act = "relieved"  // stored energy let out, held or blocked
	Proved   Act = "proved"    // tried and measured: how, and with what
)

// The acts of a test, of leaving with a lock on, and of release: 29 CFR 1910.147
// (f)(1), (f)(4) and (e).
const (
	Clear      Act = "clear"        // people counted and out of the way, tools out
	OffForTest Act = "off_for_test" // a lock taken off by its owner, for a test only
	BackOn     Act = "back_on"      // and put on again by its owner
	LeftOn     Act = "left_on"      // its owner leaves and the lock stays: until when, handed to whom
	Inspected  Act = "inspected"    // guards back, tools counted, nothing left in the machine
	Unlocked   Act = "unlocked"     // a lock taken off for good
	ToldAfter  Act = "told_after"   // those whom it affects were told that locks are off
	Restored   Act = "restored"     // the energy is on again
)

// rank puts entries of the same instant into the order in which they count.
var rank = map[Act]int{Prepared: 1, Told: 2, ShutDown: 3, Isolated: 4, BackOn: 5, Locked: 6, Relieved: 7, Proved: 8, LeftOn: 9,
	Inspected: 10, Clear: 11, OffForTest: 12, Unlocked: 13, ToldAfter: 14, Restored: 15}

// Acts lists all acts in that order.
var Acts = []Act{Prepared, Told, ShutDown, Isolated, BackOn, Locked, Relieved, Proved, LeftOn, Inspected, Clear, OffForTest, Unlocked, ToldAfter, Restored}

// OfALock tells whether the act is about one lock.
func (a Act) OfALock() bool {
	return a == Locked || a == OffForTest || a == BackOn || a == LeftOn || a == Unlocked
}

// Stage is how far the isolation of a point has come by what was declared.
type Stage string

// The stages. Work stands in Proved and nowhere else; in Test only what is tested.
const (
	InService Stage = "in_service" // nothing is declared, or the energy was put on again
	Isolating Stage = "isolating"
	Proven    Stage = "proved"
	Test      Stage = "test" // from the first lock off for a test until all are on again
	Restoring Stage = "restoring"
)

// Person is who declares something: an account, or a name told by one.
type Person struct {
	ID   *uuid.UUID // nil for somebody without an account
	Name string
	By   uuid.UUID // who recorded it
}

// same tells whether two entries are of one person. Somebody without an account
// is told apart by the name and by who records for them.
func (p Person) same(q Person) bool {
	if p.ID != nil || q.ID != nil {
		return p.ID != nil && q.ID != nil && *p.ID == *q.ID
	}
	return p.Name == q.Name && p.By == q.By
}

// Same tells whether two entries are of one person.
func Same(p, q Person) bool { return p.same(q) }

// AnothersLock is what must be known before somebody takes another's lock off:
// 29 CFR 1910.147 (e)(3)(i) to (iii). Each says how it was done.
type AnothersLock struct {
	NotHere string `json:"not_here"` // that the owner is not at the site
	Tried   string `json:"tried"`    // what was done to reach the owner
	Knows   string `json:"knows"`    // how the owner gets to know before working there again
}

func (a AnothersLock) whole() bool { return a.NotHere != "" && a.Tried != "" && a.Knows != "" }

// Entry is one thing that one person declared about one point.
type Entry struct {
	ID       uuid.UUID
	PointID  uuid.UUID
	Act      Act
	LockID   uuid.UUID // of acts of a lock
	Person   Person
	At       time.Time // when it was done, by the server's clock as far as the phone's was known
	Early    bool      // the phone's clock ran ahead: At is when it arrived
	VisitID  *uuid.UUID
	RecordID *uuid.UUID

	How        string // of proved: what was tried and measured
	Instrument string // of proved: with what
	Anothers   AnothersLock
	Until      *time.Time // of left_on
	HandedTo   string     // of left_on
	Note       string

	PointVersion int
	DoneAt       time.Time // as the phone's clock said
	ReceivedAt   time.Time
}

// Mark is a contradiction in which an entry stands. It blocks signing off what was
// done behind the point until a manager has looked.
type Mark struct {
	EntryID uuid.UUID
	Code    string
	Says    string
}

// Lock is one person's lock on one point.
type Lock struct {
	ID       uuid.UUID
	Owner    Person
	VisitID  *uuid.UUID
	RecordID *uuid.UUID
	OnAt     time.Time
	OffAt    *time.Time // while it is off for a test
	Until    *time.Time // when its owner, who left it on, comes back
	HandedTo string
}

// Proof is how the absence of energy was proved.
type Proof struct {
	At         time.Time
	By         Person
	How        string
	Instrument string
}

// Point is how a point stands by what was declared up to an instant.
type Point struct {
	Stage Stage
	Since time.Time
	Locks []Lock // those that are on, or off for a test only
	Proof *Proof // while it holds
	Done  []Act  // what counts towards the next stage
	Next  []Act  // what comes next, the first before the others
	Marks []Mark
	Spans []Span
}

// Span is a time in which a point was in one stage, with those whose locks were on.
type Span struct {
	From   time.Time
	Stage  Stage
	Owners []Person
}

// At gives how the point stood at an instant.
func (p Point) At(t time.Time) Span {
	s := Span{Stage: InService}
	for _, o := range p.Spans {
		if o.From.After(t) {
			break
		}
		s = o
	}
	return s
}

// Locked tells whether the person's own lock was on in that time.
func (s Span) Locked(p Person) bool {
	for _, o := range s.Owners {
		if o.same(p) {
			return true
		}
	}
	return false
}
