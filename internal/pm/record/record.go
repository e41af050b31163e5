// Package record keeps the record of a job: the card that somebody works down, and
// what was declared on it.
//
// # Opening, entries, signing off
//
// Open resolves the steps of a procedure's version for one position, blocks in their
// places and conditions judged, together with the way in which it must turn, the
// connection of its motor and the points where it is isolated, and keeps all of it
// as it was then.
//
// What is declared on the card are entries. They are only added, each under the key
// that its phone chose, and may arrive late, twice and in any order. Follow gives how
// the card stands after them. An entry that contradicts the card (behind a hold that
// was not met, work while something was tested, two phones on one step) is kept and
// marked, and the mark stands in the way of signing off until a manager has looked.
//
// SignOff is the completion: in one transaction it takes readings, swaps units,
// takes what was used out of stock, and records the work as done at the time of the
// last of it, so that what recurs counts from there. Whether a card may be signed off
// is about the record only. Nothing here tells anybody that a machine may be touched.
package record

import (
	"time"

	"github.com/google/uuid"

	"spindlebook/internal/assets"
	"spindlebook/internal/pm/isolation"
)

// Step is one step of a card as it was when the card was opened.
type Step struct {
	ID        uuid.UUID `json:"id"`
	Ordinal   float64   `json:"ordinal"`
	Procedure int       `json:"procedure_ordinal"` // the procedure that it came with, by its place in the card
	Label     string    `json:"label"`             // such as "BLK-IN 4"
	Phase     string    `json:"phase"`
	Kind      string    `json:"kind"`
	Says      string    `json:"says"`
	Hold      bool      `json:"hold"`
	Skills    []string  `json:"skills"`  // each of another person
	Needs     []string  `json:"needs"`   // energies that must be isolated and proved meanwhile
	Unsure    []string  `json:"unsure"`  // the facts that would tell whether it applies; empty where it does
	Records   []string  `json:"records"` // names of what is written down
	IfNot     string    `json:"if_not"`
	Check     string    `json:"check_code"`
}

// What is written down under these names is held against what the card says.
const (
	DirectionSeen = "direction_seen" // clockwise or counter_clockwise, seen from where the card says
	SecondCheck   = "second_check"   // by somebody else than the step before
	LinksSet      = "links_set"      // low, high, star or delta
)

// Outcomes of a step.
const (
	DoneWell    = "done"
	NotOK       = "not_ok"       // looked at, and not as it must be
	NotPossible = "not_possible" // could not be done, with a reason
)

// Acts of entries.
const (
	OfStep   = "step"
	OfCheck  = "check"
	Reading  = "reading"  // a counter
	Swap     = "swap"     // a unit out of a slot, another in
	PartMove = "part"     // taken, used, returned or left on site
	Exchange = "exchange" // two supply leads
	Note     = "note"
	Arrived  = "arrived"
	Left     = "left" // the site: what stays behind and how it stands
)

var acts = []string{OfStep, OfCheck, Reading, Swap, PartMove, Exchange, Note, Arrived, Left}

// Said is what an entry says, by its act.
type Said struct {
	Values map[string]string `json:"values,omitempty"` // of a step, by the names that it records
	// of a check, or of a step that answers one
	Check string `json:"check,omitempty"`
	Found string `json:"found,omitempty"`
	Left  string `json:"left,omitempty"`
	Unit  string `json:"unit,omitempty"`
	// of a reading
	MeterID *uuid.UUID `json:"meter_id,omitempty"`
	Value   string     `json:"value,omitempty"`
	// of a swap
	SlotID *uuid.UUID `json:"slot_id,omitempty"`
	In     *uuid.UUID `json:"in,omitempty"`     // nil leaves the slot empty
	To     *uuid.UUID `json:"to,omitempty"`     // where the old unit goes
	Reason string     `json:"reason,omitempty"` // why it comes out
	// of a part; of a swap the place from which the new unit was taken
	PartID *uuid.UUID `json:"part_id,omitempty"`
	From   *uuid.UUID `json:"from,omitempty"`
	Did    string     `json:"did,omitempty"` // taken, used, returned or left_on_site
	Amount string     `json:"amount,omitempty"`
	Lot    string     `json:"lot,omitempty"`
	// of an exchange
	Leads string `json:"leads,omitempty"` // which two, such as L1-L2
	Where string `json:"where,omitempty"` // motor box or starter

	Early bool `json:"early,omitempty"`
}

// Named are the names of what an entry says by id, as they are now: the tag of the unit that
// went in, the slot, the number of the part, the counter, the places. "" is what it does not say.
type Named struct{ Unit, Slot, Part, Counter, From, To string }

// Helper is somebody who did it together with the person who declares it.
type Helper struct {
	ID   *uuid.UUID `json:"id,omitempty"` // nil for somebody without an account
	Name string     `json:"name"`
}

// Picture gives a picture of where the work of a card is done: at its position, on its
// whole line or at its site.
func (c Card) Picture(caption string, content []byte) assets.NewPhoto {
	in := assets.NewPhoto{Caption: caption, Content: content}
	switch {
	case c.PositionID != nil:
		in.PositionID = c.PositionID
	case c.LineID != nil:
		in.LineID = c.LineID
	default:
		in.SiteID = &c.SiteID
	}
	return in
}

// Entry is one thing that was declared on a card.
type Entry struct {
	ID          uuid.UUID
	StepID      *uuid.UUID
	VisitID     *uuid.UUID
	Act         string
	Outcome     string
	Said        Said
	Named       Named
	Note        string
	Person      isolation.Person
	Others      []Helper
	PhotoIDs    []uuid.UUID
	VersionSeen int // of the card, when it was declared
	Made        int // the version of the card that it made
	DoneAt      time.Time
	At          time.Time
	ReceivedAt  time.Time
}

// people gives everybody who did it.
func (e Entry) people() []isolation.Person {
	all := []isolation.Person{e.Person}
	for _, o := range e.Others {
		all = append(all, isolation.Person{ID: o.ID, Name: o.Name, By: e.Person.By})
	}
	return all
}

// Check is what is looked at in a step, as the procedure's version says it.
type Check struct {
	Code    string
	Prompt  string
	Kind    string
	Unit    string
	Options []string
}

// Procedure is one procedure of a card.
type Procedure struct {
	Ordinal   int
	VersionID uuid.UUID
	Code      string
	Number    int
	Title     string
	TaskID    uuid.UUID
	Why       string // it was added; "" of the first
	AddedAt   time.Time
	AddedBy   string
}

// Head is a card without its steps.
type Head struct {
	ID           uuid.UUID
	Number       int64
	SiteID       uuid.UUID
	Site         string
	SiteName     string
	Zone         string
	LineID       *uuid.UUID
	PositionID   *uuid.UUID
	Position     string
	PositionName string
	TaskID       uuid.UUID
	VisitID      *uuid.UUID // the visit under way that it is worked on, else that which it was opened on
	Title        string
	Method       string
	People       int
	Skills       assets.Texts
	Energies     assets.Texts
	State        string // open, signed or abandoned
	OpenedAt     time.Time
	OpenedBy     string
	EndedAt      *time.Time
	EndedBy      string
	EndedWhy     string
	Unseen       int // entries that contradict something and that no manager has looked at
	Version      int
}

// Point is where an energy is isolated, as it was known when the card was opened.
type Point struct {
	ID        uuid.UUID `json:"id"`
	Code      string    `json:"code"`
	Energy    string    `json:"energy"`
	Version   int       `json:"version"`
	Place     string    `json:"place"`
	Isolate   string    `json:"isolate"`
	Prove     string    `json:"prove"`
	Restore   string    `json:"restore"`
	Lockable  bool      `json:"lockable"`
	Positions []string  `json:"positions"` // every one behind it
}

// Frozen is what was resolved when the card was opened.
type Frozen struct {
	Facts      map[string]string
	Turning    assets.Turning
	Connection assets.Connection
	Points     []Point
}

// Mark is a contradiction in which an entry stands.
type Mark struct {
	EntryID uuid.UUID
	Code    string
	Says    string
	Looked  *isolation.Look // what a manager found; nil while nobody has looked
}

// Block is one thing that stands in the way of signing off.
type Block struct {
	Code    string
	StepID  *uuid.UUID
	EntryID *uuid.UUID
	Says    string
}

// StepNow is a step with what was declared on it.
type StepNow struct {
	Step
	State   string  // open, done, not_ok, not_possible
	Answers []Entry // the latest last
	Behind  string  // the label of the first hold before it that is not met; "" where none is
}

// Card is a card with everything that follows from its entries.
type Card struct {
	Head
	Frozen
	Procedures []Procedure
	Steps      []StepNow
	Entries    []Entry // all, in the order in which they were done
	Checks     map[string]Check
	Isolation  map[uuid.UUID]isolation.Point
	Marks      []Mark
	Blocks     []Block
	// Turned tells how the last test of rotation came out: "", right, opposite or unknown.
	Turned string
	// LinksFor is the link setting that suits the supply, "" where nobody can tell.
	LinksFor string

	held held
}
