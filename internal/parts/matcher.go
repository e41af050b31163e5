package parts

import (
	"context"
	"time"

	"github.com/google/uuid"

	"spindlebook/internal/access"
	"spindlebook/internal/parts/fit"
	"spindlebook/internal/pgdb"
)

// Matcher judges what lies in stock against many positions, without asking the
// database for each.
type Matcher struct {
	now    time.Time
	book   fit.Book
	mix    mixing
	places map[uuid.UUID]place
	at     map[uuid.UUID]fit.Position // the same, as fit asks of them
}

// NewMatcher reads the rules of fit and what is known of some positions, in a number of
// statements that does not grow with them.
func NewMatcher(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, positions []uuid.UUID) (*Matcher, error) {
	m := &Matcher{now: now}
	var err error
	if m.places, err = readPlaces(ctx, db, who, now, positions); err != nil {
		return nil, err
	}
	m.at = make(map[uuid.UUID]fit.Position, len(m.places))
	for id, p := range m.places {
		m.at[id] = p.position(now)
	}
	if m.book, err = readBook(ctx, db, who); err != nil {
		return nil, err
	}
	m.mix, err = readMixing(ctx, db, who, now, positions, nil)
	return m, err
}

// Learn reads of which sections some media sets are that Judge will be asked of; they matter
// only where parts must never be on one brush together.
func (m *Matcher) Learn(ctx context.Context, db *pgdb.DB, who access.Actor, units []uuid.UUID) error {
	if !m.mix.tells("media_set") || len(units) == 0 {
		return nil
	}
	return m.mix.read(ctx, db, who, m.now, []uuid.UUID{}, units)
}

// Has tells whether there are rules for a class.
func (m *Matcher) Has(class string) bool { return m.book.Has(class) }

// Judges tells whether anything can speak against what is of a class: a rule of fit, or
// sections that must never be on one brush together.
func (m *Matcher) Judges(class string) bool { return m.book.Has(class) || m.mix.tells(class) }

// Mixed tells why a media set that is made by its recipe of now is not to be used.
func (m *Matcher) Mixed(part uuid.UUID) []string {
	never, _ := m.mix.never.Mixed(m.mix.kits[part])
	return never
}

// Word is a fact as somebody recorded it of a unit.
type Word struct {
	Value  string
	How    string
	SeenAt *time.Time
}

// Lying is a unit, or pieces of a part, as they lie in stock.
type Lying struct {
	PartID    uuid.UUID
	Number    string // of the part
	UnitID    *uuid.UUID
	Class     string
	Part      map[string]string // facts of the part
	Unit      map[string]Word   // of the unit; nil for pieces
	Pattern   string            // of a media set
	Withdrawn bool
}

// Judge tells whether what lies there fits a position. How a unit is prepared is told by
// its own facts alone: the catalogue says how it arrives.
func (m *Matcher) Judge(position uuid.UUID, l Lying) fit.Answer {
	c := item{Class: l.Class, Facts: l.Part}.candidate()
	if l.Unit != nil {
		for _, f := range prepared {
			delete(c.Facts, f)
		}
		for f, w := range l.Unit {
			k := seen(w).known(m.now)
			k.Value = spelled(f, k.Value)
			c.Facts[f] = k
		}
	}
	if l.Pattern != "" {
		c.Facts["media_pattern"] = fit.Known{Value: spelled("media_pattern", l.Pattern)}
	}
	if l.Withdrawn {
		c.Never = []string{"Its part was withdrawn from use."}
	}
	m.mix.tell(&c, l.PartID, l.Number, l.UnitID, position)
	return m.weigh(position, c)
}

// weigh holds a candidate against the rules of its class. Where there are none, what speaks
// against it by itself is told all the same.
func (m *Matcher) weigh(position uuid.UUID, c fit.Candidate) fit.Answer {
	a := fit.Answer{Reasons: c.Never, Missing: c.Unsure}
	switch {
	case m.book.Has(c.Class):
		return m.book.Judge(m.at[position], c)
	case len(a.Reasons) > 0:
		a.Verdict = fit.DoesNotFit
	case len(a.Missing) > 0:
		a.Verdict = fit.CannotTell
	default:
		a.Verdict = fit.Fits
	}
	return a
}
