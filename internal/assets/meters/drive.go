package meters

import (
	"context"
	"slices"
	"time"

	"github.com/google/uuid"

	"spindlebook/internal/access"
	"spindlebook/internal/pgdb"
)

// Drive asks what counted for a thing since an instant: a unit wherever it was, or
// else a position, or else a line.
type Drive struct {
	UnitID     *uuid.UUID
	PositionID *uuid.UUID
	LineID     *uuid.UUID // of the position too, where it stands on one
	Unit       Unit
	Since      time.Time
}

// Leg is a stretch of time in which one meter counted for a thing, of what it
// counted the share given.
type Leg struct {
	MeterID     uuid.UUID
	Share       float64
	From, Until time.Time
}

// Driven is what counted for a thing, in the order of time. Where nothing turns
// any more, because the position is parked or the unit is in stock, Held is since
// when; otherwise the last leg goes on.
type Driven struct {
	Legs []Leg
	Held *time.Time
	// Gaps tells that some of the time in service was counted by no meter.
	Gaps bool
}

// Meanwhile is how far past its own instant whoever asks looks: what was written while
// it read began after that, and clocks of phones are ahead by up to 5 minutes.
const Meanwhile = 10 * time.Minute

// Drives gives what counted for things up to now, and what counts for them from here on,
// in the order in which they were asked for and in at most two statements.
func Drives(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, asks []Drive) ([]Driven, error) {
	var units []uuid.UUID
	seen := map[uuid.UUID]bool{}
	for _, a := range asks {
		if a.UnitID != nil && !seen[*a.UnitID] {
			seen[*a.UnitID] = true
			units = append(units, *a.UnitID)
		}
	}
	var in []occupancy
	if len(units) > 0 {
		var err error
		if in, err = pgdb.Read[occupancy](ctx, db, who.ID, occupancies, map[string]any{"units": units}); err != nil {
			return nil, err
		}
	}
	stays := map[uuid.UUID][]occupancy{}
	for _, o := range in {
		stays[o.UnitID] = append(stays[o.UnitID], o)
	}
	places := slices.Clone(in)
	for _, a := range asks {
		switch {
		case a.UnitID != nil:
		case a.PositionID != nil:
			places = append(places, occupancy{PositionID: *a.PositionID, LineID: a.LineID})
		case a.LineID != nil:
			places = append(places, occupancy{LineID: a.LineID})
		}
	}
	if len(places) == 0 {
		return make([]Driven, len(asks)), nil
	}
	rows, err := datedRows(ctx, db, who, places)
	if err != nil {
		return nil, err
	}
	out := make([]Driven, len(asks))
	end := now.Add(Meanwhile)
	for i, a := range asks {
		d := &out[i]
		if !a.Since.Before(end) {
			a.Since = end.Add(-time.Microsecond) // so that there is a leg to go on with
		}
		all := span{a.Since, end}
		switch {
		case a.UnitID != nil:
			for _, o := range stays[*a.UnitID] {
				if s, _, ok := o.span(end); ok {
					if s, ok = s.cut(&all.from, &all.until); ok {
						d.at(s, o.PositionID, o.LineID, a.Unit, rows)
					}
				}
			}
		case a.PositionID != nil:
			d.at(all, *a.PositionID, a.LineID, a.Unit, rows)
		case a.LineID != nil:
			for _, s := range split(all, rows[of{*a.LineID, string(a.Unit)}]) {
				if s.row != nil {
					d.add(Leg{*s.row.Meter, 1, s.from, s.until})
				} else {
					d.Gaps = true
				}
			}
		}
		if n := len(d.Legs); n > 0 && d.Legs[n-1].Until.Before(end) {
			d.Held = &d.Legs[n-1].Until
		} else if n > 0 {
			d.Legs[n-1].Until = later(d.Legs[n-1].From, now)
		}
	}
	return out, nil
}

// at adds what counted at a position while it was in service.
func (d *Driven) at(s span, position uuid.UUID, line *uuid.UUID, unit Unit, rows map[of][]dated) {
	for _, in := range split(s, rows[of{position, "in_service"}]) {
		if in.row == nil {
			continue // parked or empty: nothing turns
		}
		for _, c := range counters(in.span, position, line, unit, rows) {
			if c.meter != nil {
				d.add(Leg{*c.meter, c.share, c.from, c.until})
			} else {
				d.Gaps = true
			}
		}
	}
}

// add joins a leg to the one before it where nothing but a row's border parts them.
func (d *Driven) add(l Leg) {
	if n := len(d.Legs); n > 0 {
		if last := &d.Legs[n-1]; last.MeterID == l.MeterID && last.Share == l.Share && last.Until.Equal(l.From) {
			last.Until = l.Until
			return
		}
	}
	d.Legs = append(d.Legs, l)
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}
