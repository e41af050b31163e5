package meters

import (
	"cmp"
	"context"
	"math"
	"slices"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
)

// Used is how much of one kind a unit has done.
type Used struct {
	Amount int64
	Grade  Grade
	// Known is false where no meter of that kind ever stood where the unit was,
	// and it brought nothing with it: then Amount says nothing.
	Known bool
}

// Use is what a unit has done up to an instant, wherever it was: what it brought
// with it, and what its positions' meters counted while it was there and they
// were in service.
type Use struct {
	UnitID                  uuid.UUID
	Hours, Vehicles, Cycles Used
	Days                    int // calendar days fitted, in service or not
	// StartKnown tells whether it is known what it had done before this record
	// began. Where not, its use is at least this.
	StartKnown bool
	// Spells are its times in positions, each with what it did there, in their order.
	Spells []*Spell
}

// Spell is a time of a unit in one position, up to the instant that was asked for.
type Spell struct {
	PositionID              uuid.UUID
	From, Until             time.Time // From is when it was recorded where nobody knows
	Hours, Vehicles, Cycles Used
}

// of gives the share of a kind.
func (u *Use) of(unit Unit) *Used { return ofKind(unit, &u.Hours, &u.Vehicles, &u.Cycles) }

func (s *Spell) of(unit Unit) *Used { return ofKind(unit, &s.Hours, &s.Vehicles, &s.Cycles) }

func ofKind(unit Unit, hours, vehicles, cycles *Used) *Used {
	switch unit {
	case Hours:
		return hours
	case Vehicles:
		return vehicles
	}
	return cycles
}

// add adds what was counted between two totals, known no better than floor.
func (u *Used) add(from, until Total, by float64, floor Grade) {
	u.Amount += share(until.Amount-from.Amount, by)
	u.Grade = weaker(u.Grade, weaker(floor, weaker(from.Grade, until.Grade)))
	u.Known = true
}

// occupancy is a unit in a position, by itself or inside another, over a time.
type occupancy struct {
	UnitID     uuid.UUID
	PositionID uuid.UUID
	LineID     *uuid.UUID
	Zone       string
	From       *time.Time
	Until      *time.Time
	Precision  string
	RecordedAt time.Time
}

const occupancies = `
with inside as (
  select st.unit_id, s.position_id, st.during, st.from_precision, st.recorded_at
    from stay as st
    join slot as s on s.id = st.slot_id
   where st.unit_id = any (@units) and s.position_id is not null
   union all
  select st.unit_id, hs.position_id, st.during * h.during, case when lower(h.during) > lower(st.during) then h.from_precision else st.from_precision end,
         greatest(st.recorded_at, h.recorded_at)
    from stay as st
    join slot as s on s.id = st.slot_id
    join stay as h on h.unit_id = s.unit_id and h.during && st.during
    join slot as hs on hs.id = h.slot_id
   where st.unit_id = any (@units) and hs.position_id is not null
)
select i.unit_id, i.position_id, p.line_id, w.zone, lower(i.during) as "from", upper(i.during) as until, i.from_precision as precision, i.recorded_at
  from inside as i
  join position as p on p.id = i.position_id
  join site as w on w.id = p.site_id
order by i.unit_id, i.during`

// dated is a row that holds over a time at a position or a line.
type dated struct {
	OfID  uuid.UUID
	Kind  string // in_service, share, or the unit of a meter
	Meter *uuid.UUID
	Share float64
	From  *time.Time
	Until *time.Time
}

const datedOfPositions = `
select s.position_id as of_id, s.state as kind, cast(null as uuid) as meter, 0::float8 as share, lower(s.during) as "from", upper(s.during) as until
  from position_state as s where s.position_id = any (@positions) and s.state = 'in_service'
 union all
select s.position_id, 'share', null, s.share::float8, lower(s.during), upper(s.during)
  from position_share as s where s.position_id = any (@positions)
 union all
select p.position_id, p.unit, p.meter_id, 0, lower(p.during), upper(p.during)
  from meter_place as p where p.position_id = any (@positions) and p.is_primary
 union all
select p.line_id, p.unit, p.meter_id, 0, lower(p.during), upper(p.during)
  from meter_place as p where p.line_id = any (@lines) and p.is_primary`

// span is a stretch of time, from included.
type span struct{ from, until time.Time }

// cut gives what two stretches share; ok is false where that is nothing.
func (s span) cut(from, until *time.Time) (span, bool) {
	if from != nil && from.After(s.from) {
		s.from = *from
	}
	if until != nil && until.Before(s.until) {
		s.until = *until
	}
	return s, s.from.Before(s.until)
}

// stretch is a part of a time in a position that one meter counted.
type stretch struct {
	span
	meter *uuid.UUID // nil where none did
	share float64
}

// split lays dated rows over a stretch: each row that holds in it gives a part,
// and so do the gaps between them, with a nil row.
func split(s span, rows []dated) []struct {
	span
	row *dated
} {
	var out []struct {
		span
		row *dated
	}
	at := s.from
	for i := range rows { // in the order of their beginnings; they do not overlap
		part, ok := s.cut(rows[i].From, rows[i].Until)
		if !ok {
			continue
		}
		if at.Before(part.from) {
			out = append(out, struct {
				span
				row *dated
			}{span{at, part.from}, nil})
		}
		out = append(out, struct {
			span
			row *dated
		}{part, &rows[i]})
		at = part.until
	}
	if at.Before(s.until) {
		out = append(out, struct {
			span
			row *dated
		}{span{at, s.until}, nil})
	}
	return out
}

type of struct {
	id   uuid.UUID
	kind string
}

// counters gives which meters counted in a stretch: the position's own, or else
// its line's, which counts every vehicle and so goes by the share that the brush
// washes.
func counters(s span, position uuid.UUID, line *uuid.UUID, unit Unit, rows map[of][]dated) []stretch {
	var out []stretch
	for _, own := range split(s, rows[of{position, string(unit)}]) {
		if own.row != nil {
			out = append(out, stretch{own.span, own.row.Meter, 1})
			continue
		}
		if line == nil {
			out = append(out, stretch{own.span, nil, 0})
			continue
		}
		for _, theirs := range split(own.span, rows[of{*line, string(unit)}]) {
			if theirs.row == nil {
				out = append(out, stretch{theirs.span, nil, 0})
				continue
			}
			for _, part := range split(theirs.span, rows[of{position, "share"}]) {
				by := 1.0
				if part.row != nil {
					by = part.row.Share
				}
				out = append(out, stretch{part.span, theirs.row.Meter, by})
			}
		}
	}
	return out
}

type brought struct {
	ID            uuid.UUID
	StartHours    *float64
	StartVehicles *int64
	StartDays     *int
}

// UseOf gives what units have done up to an instant, in the order of their ids
// in the list and in a number of statements that does not grow with it. Whoever
// sees only a part of where a unit was gets what it did there.
func UseOf(ctx context.Context, db *pgdb.DB, who access.Actor, scale Scale, units []uuid.UUID, at time.Time) ([]Use, error) {
	start, err := pgdb.Read[brought](ctx, db, who.ID, `select id, start_hours, start_vehicles, start_days from unit where id = any (@units)`, map[string]any{"units": units})
	if err != nil {
		return nil, err
	}
	if len(start) == 0 {
		return []Use{}, nil
	}
	in, err := pgdb.Read[occupancy](ctx, db, who.ID, occupancies, map[string]any{"units": units})
	if err != nil {
		return nil, err
	}
	rows, err := datedRows(ctx, db, who, in)
	if err != nil {
		return nil, err
	}
	byID := make(map[uuid.UUID]*Use, len(start))
	out := make([]Use, 0, len(start))
	for _, b := range start {
		out = append(out, b.use())
	}
	order := make(map[uuid.UUID]int, len(units))
	for i, id := range units {
		order[id] = i
	}
	slices.SortFunc(out, func(a, b Use) int { return cmp.Compare(order[a.UnitID], order[b.UnitID]) })
	for i := range out {
		byID[out[i].UnitID] = &out[i]
	}
	type part struct {
		use   *Used
		spell *Used
		floor Grade // how well the ends of the stay are known
		stretch
	}
	var parts []part
	asks := map[Ask]bool{}
	fitted := map[uuid.UUID]float64{}
	zones := map[string]Days{}
	for _, o := range in {
		stay, floor, ok := o.span(at)
		u := byID[o.UnitID]
		if !ok || u == nil {
			continue
		}
		if zones[o.Zone] == nil {
			if zones[o.Zone], err = calendarDays(Site{Zone: o.Zone}); err != nil {
				return nil, err
			}
		}
		fitted[o.UnitID] += zones[o.Zone].Days(stay.from, stay.until)
		spell := &Spell{PositionID: o.PositionID, From: stay.from, Until: stay.until, Hours: Used{Grade: Seen}, Vehicles: Used{Grade: Seen}, Cycles: Used{Grade: Seen}}
		u.Spells = append(u.Spells, spell)
		for _, s := range split(stay, rows[of{o.PositionID, "in_service"}]) {
			if s.row == nil {
				continue // parked or empty: nothing turns
			}
			for _, unit := range []Unit{Hours, Vehicles, Cycles} {
				for _, c := range counters(s.span, o.PositionID, o.LineID, unit, rows) {
					parts = append(parts, part{u.of(unit), spell.of(unit), floor, c})
					if c.meter != nil {
						asks[Ask{*c.meter, c.from}], asks[Ask{*c.meter, c.until}] = true, true
					}
				}
			}
		}
	}
	list := make([]Ask, 0, len(asks))
	for a := range asks {
		list = append(list, a)
	}
	totals, err := Totals(ctx, db, who, scale, list)
	if err != nil {
		return nil, err
	}
	for _, p := range parts {
		if p.meter == nil {
			p.use.Grade, p.spell.Grade = Default, Default
			continue
		}
		from, until := totals[Ask{*p.meter, p.from}], totals[Ask{*p.meter, p.until}]
		p.use.add(from, until, p.share, p.floor)
		p.spell.add(from, until, p.share, p.floor)
	}
	for i := range out {
		out[i].Days += int(math.Floor(fitted[out[i].UnitID] + 1e-9))
		all := []*Used{&out[i].Hours, &out[i].Vehicles, &out[i].Cycles}
		for _, s := range out[i].Spells {
			all = append(all, &s.Hours, &s.Vehicles, &s.Cycles)
		}
		for _, u := range all {
			if !u.Known {
				u.Grade = Default
			}
		}
	}
	return out, nil
}

// use is what a unit had done before this record began.
func (b brought) use() Use {
	u := Use{UnitID: b.ID, Hours: Used{Grade: Seen}, Vehicles: Used{Grade: Seen}, Cycles: Used{Grade: Seen},
		StartKnown: b.StartHours != nil && b.StartVehicles != nil}
	if b.StartHours != nil {
		u.Hours.Amount, u.Hours.Known = int64(math.Round(*b.StartHours*3600)), true
	}
	if b.StartVehicles != nil {
		u.Vehicles.Amount, u.Vehicles.Known = *b.StartVehicles, true
	}
	if b.StartDays != nil {
		u.Days = *b.StartDays
	}
	return u
}

// span gives the time of a stay up to an instant, and how well its beginning is
// known. Where it is not, the unit was there at least since that was recorded.
func (o occupancy) span(at time.Time) (span, Grade, bool) {
	floor := map[string]Grade{"instant": Seen, "day": Interpolated, "month": Extrapolated, "year": Extrapolated}[o.Precision]
	s := span{o.RecordedAt, at}
	if o.From == nil {
		floor = Default
	} else {
		s.from = *o.From
	}
	s, ok := s.cut(nil, o.Until)
	return s, floor, ok
}

// datedRows reads what holds at the positions where units were, and at their lines.
func datedRows(ctx context.Context, db *pgdb.DB, who access.Actor, in []occupancy) (map[of][]dated, error) {
	positions, lines := map[uuid.UUID]bool{}, map[uuid.UUID]bool{}
	for _, o := range in {
		positions[o.PositionID] = true
		if o.LineID != nil {
			lines[*o.LineID] = true
		}
	}
	keys := func(m map[uuid.UUID]bool) []uuid.UUID {
		all := make([]uuid.UUID, 0, len(m))
		for id := range m {
			all = append(all, id)
		}
		return all
	}
	found, err := pgdb.Read[dated](ctx, db, who.ID, datedOfPositions, map[string]any{"positions": keys(positions), "lines": keys(lines)})
	if err != nil {
		return nil, err
	}
	rows := map[of][]dated{}
	for _, d := range found {
		k := of{d.OfID, d.Kind}
		rows[k] = append(rows[k], d)
	}
	for _, all := range rows {
		slices.SortFunc(all, func(a, b dated) int {
			switch {
			case a.From == nil && b.From == nil:
				return 0
			case a.From == nil:
				return -1
			case b.From == nil:
				return 1
			}
			return a.From.Compare(*b.From)
		})
	}
	return rows, nil
}

// UseOfOne gives what one unit has done.
func UseOfOne(ctx context.Context, db *pgdb.DB, who access.Actor, scale Scale, unit uuid.UUID, at time.Time) (Use, error) {
	all, err := UseOf(ctx, db, who, scale, []uuid.UUID{unit}, at)
	if err == nil && len(all) == 0 {
		err = fault.Missing("unit", unit.String())
	}
	if err != nil {
		return Use{}, err
	}
	return all[0], nil
}

// Share is the share of the line's vehicles that a brush washes, over a time.
// Where none is recorded it washes all.
type Share struct {
	ID         uuid.UUID
	PositionID uuid.UUID
	Share      float64
	Reason     string
	From       time.Time
	Until      *time.Time
}

const shares = `
select id, position_id, share::float8 as share, reason, lower(during) as "from", upper(during) as until
  from position_share where position_id = @position
order by during`

// Shares lists the shares of a position.
func Shares(ctx context.Context, db *pgdb.DB, who access.Actor, position uuid.UUID) ([]Share, error) {
	known, err := pgdb.Read[struct{ ID uuid.UUID }](ctx, db, who.ID, `select id from position where id = @position and `+mine, who.Scope(map[string]any{"position": position}))
	if err == nil && len(known) == 0 {
		err = fault.Missing("position", position.String())
	}
	if err != nil {
		return nil, err
	}
	return pgdb.Read[Share](ctx, db, who.ID, shares, map[string]any{"position": position})
}

// SetShare says which share of the vehicles a brush washes from an instant on.
func SetShare(tx *gorm.DB, who access.Actor, now time.Time, position uuid.UUID, share float64, from time.Time, reason string) ([]Share, error) {
	if err := who.Must(access.RecordWork); err != nil {
		return nil, err
	}
	if !(share >= 0 && share <= 1) {
		return nil, fault.Field("share", share, "lies between 0 (no vehicle) and 1 (every vehicle)")
	}
	if from.After(now) {
		return nil, fault.Field("from", stamp(from), "must not lie ahead")
	}
	site, err := pgdb.ID(tx, `select site_id as id from position where id = ?`, position)
	if err != nil {
		return nil, err
	}
	if site == uuid.Nil {
		return nil, fault.Missing("position", position.String())
	}
	v := map[string]any{"id": pgdb.NewID(), "position": position, "site": site, "share": share, "from": from, "reason": reason, "now": now, "who": who.ID}
	var later int64
	if err := tx.Raw(`select count(*) from position_share where position_id = @position and lower(during) >= @from`, v).Scan(&later).Error; err != nil {
		return nil, err
	}
	if later > 0 {
		return nil, conflict("from", stamp(from), "must lie after the share that holds now began")
	}
	if err := tx.Exec(`update position_share set during = tstzrange(lower(during), @from) where position_id = @position and during @> cast(@from as timestamptz)`, v).Error; err != nil {
		return nil, err
	}
	if err := tx.Exec(`
insert into position_share (id, position_id, site_id, share, reason, during, recorded_at, recorded_by)
values (@id, @position, @site, cast(cast(@share as float8) as numeric), @reason, tstzrange(@from, null), @now, @who)`, v).Error; err != nil {
		return nil, err
	}
	var all []Share
	return all, tx.Raw(shares, v).Scan(&all).Error
}
