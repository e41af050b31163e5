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
	m.book, err = readBook(ctx, db, who)
	return m, err
}

// Has tells whether there are rules for a class; what has none is not judged.
func (m *Matcher) Has(class string) bool { return m.book.Has(class) }

// Word is a fact as somebody recorded it of a unit.
type Word struct {
	Value  string
	How    string
	SeenAt *time.Time
}

// Lying is a unit, or pieces of a part, as they lie in stock.
type Lying struct {
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
	return m.book.Judge(m.at[position], c)
}
