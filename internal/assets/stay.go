package assets

import (
	"context"
	"fmt"
	"time"

	"github.com/google/uuid"

	"spindlebook/internal/access"
	"spindlebook/internal/pgdb"
)

// Stay is a unit in a place over a time.
type Stay struct {
	ID             uuid.UUID
	UnitID         uuid.UUID
	Tag            string
	Serial         *string
	PartNumber     string
	From           *time.Time // nil is unknown
	FromPrecision  string     // instant, day, month, year or unknown
	Until          *time.Time // nil while it lasts
	UntilPrecision *string
	EndedFor       *string
	Remark         string
	SiteID         *uuid.UUID
	PositionID     *uuid.UUID
	PositionCode   *string
	SlotID         *uuid.UUID
	Slot           *string
	HolderID       *uuid.UUID
	HolderTag      *string
	LocationID     *uuid.UUID
	LocationCode   *string
	LocationName   *string
	RecordedAt     time.Time
	RecordedBy     string
}

// Reasons why a stay ends, as the record writes them.
var Reasons = []string{"failed", "limit_reached", "age", "precaution", "moved", "conversion", "impact", "loan_ended", "robbed", "fitted"}

// Precisions with which an instant may be known.
var Precisions = []string{"instant", "day", "month", "year", "unknown"}

const stays = `
select st.id, st.unit_id, u.tag, u.serial, p.number as part_number, lower(st.during) as "from", st.from_precision, upper(st.during) as until,
       st.until_precision, st.ended_for, st.remark, st.site_id, po.id as position_id, po.code as position_code, s.id as slot_id, s.name as slot,
       h.id as holder_id, h.tag as holder_tag, l.id as location_id, l.code as location_code, l.name as location_name,
       st.recorded_at, coalesce(a.name, '') as recorded_by
  from stay as st
  join unit as u on u.id = st.unit_id
  join part as p on p.id = u.part_id
  left join slot as s on s.id = st.slot_id
  left join position as po on po.id = s.position_id
  left join unit as h on h.id = s.unit_id
  left join location as l on l.id = st.location_id
  left join actor as a on a.id = st.recorded_by`

// UnitHistory lists everywhere a unit has been, the latest first. An owner sees
// the time at the own sites.
func UnitHistory(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, unit uuid.UUID) ([]Stay, error) {
	if _, err := OneUnit(ctx, db, who, now, unit); err != nil {
		return nil, err
	}
	return pgdb.Read[Stay](ctx, db, who.ID, stays+`
 where st.unit_id = @unit
   and (@everywhere or st.site_id = any (@sites)
        or exists (select from stay as o where o.unit_id = s.unit_id and o.during && st.during and o.site_id = any (@sites)))
order by lower(st.during) desc nulls last, st.id desc`, args(who, map[string]any{"unit": unit}))
}

// PositionHistory lists every unit that was in a position, by slot, the latest first.
func PositionHistory(ctx context.Context, db *pgdb.DB, who access.Actor, position uuid.UUID) ([]Stay, error) {
	if _, err := OnePosition(ctx, db, who, position); err != nil {
		return nil, err
	}
	return pgdb.Read[Stay](ctx, db, who.ID, stays+` where s.position_id = @position order by s.ordinal, lower(st.during) desc nulls last, st.id desc`,
		map[string]any{"position": position})
}

// Fitted is a slot of a position with what is in it.
type Fitted struct {
	SlotID       uuid.UUID
	PositionID   uuid.UUID
	PositionCode string
	SiteID       uuid.UUID
	SlotCode     string
	Slot         string
	Class        string
	Ordinal      int
	Depth        int // 1 for a slot of a unit that is fitted here
	// The unit; nil where the slot is empty, or nobody knows what is in it.
	UnitID          *uuid.UUID
	Tag             *string
	Serial          *string
	PartID          *uuid.UUID
	PartNumber      *string
	PartDescription *string
	Pattern         *string
	Lot             *string
	Since           *time.Time // nil with a unit: unknown
	SincePrecision  *string
}

// Both levels in one statement: the position's own slots, and the slots of the
// units in them.
const fitted = `
with own as (
  select s.id as slot_id, s.position_id, s.site_id, s.code as slot_code, s.name as slot, s.class, s.ordinal, 0 as depth, s.ordinal as under, st.*
    from slot as s
    left join lateral (select st.unit_id, lower(st.during) as since, st.from_precision as since_precision
                         from stay as st where st.slot_id = s.id and st.during @> cast(@at as timestamptz)) as st on true
   where s.%s and (@everywhere or s.site_id = any (@sites))
),
every as (
  select * from own
   union all
  select s.id, o.position_id, o.site_id, s.code, s.name, s.class, s.ordinal, 1, o.ordinal, st.*
    from own as o
    join slot as s on s.unit_id = o.unit_id
    left join lateral (select st.unit_id, lower(st.during) as since, st.from_precision as since_precision
                         from stay as st where st.slot_id = s.id and st.during @> cast(@at as timestamptz)) as st on true
)
select e.slot_id, e.position_id, p.code as position_code, e.site_id, e.slot_code, e.slot, e.class, e.ordinal, e.depth, e.unit_id, u.tag, u.serial,
       u.part_id, c.number as part_number, c.description as part_description, u.pattern, u.lot, e.since, e.since_precision
  from every as e
  join position as p on p.id = e.position_id
  left join unit as u on u.id = e.unit_id
  left join part as c on c.id = u.part_id
order by p.code, e.under, e.depth, e.ordinal`

// FittedAtPosition gives a position's slots with what was in them at an instant.
func FittedAtPosition(ctx context.Context, db *pgdb.DB, who access.Actor, position uuid.UUID, asOf time.Time) ([]Fitted, error) {
	if _, err := OnePosition(ctx, db, who, position); err != nil {
		return nil, err
	}
	return pgdb.Read[Fitted](ctx, db, who.ID, fmt.Sprintf(fitted, "position_id = @position"), args(who, map[string]any{"position": position, "at": asOf}))
}

// FittedAtSite gives all slots of a site with what was in them at an instant.
func FittedAtSite(ctx context.Context, db *pgdb.DB, who access.Actor, site uuid.UUID, asOf time.Time) ([]Fitted, error) {
	if _, err := OneSite(ctx, db, who, site); err != nil {
		return nil, err
	}
	return pgdb.Read[Fitted](ctx, db, who.ID, fmt.Sprintf(fitted, "site_id = @site"), args(who, map[string]any{"site": site, "at": asOf}))
}

// Place is where a unit goes: a slot or a location.
type Place struct {
	SlotID     *uuid.UUID
	LocationID *uuid.UUID
}

// Putting says that a unit went to a place.
type Putting struct {
	UnitID uuid.UUID
	Place
	From      *time.Time // nil is unknown: only for a unit whose first stay this is
	Precision string     // "" is instant, or unknown where From is nil
	// Why its stay before ended; "" is fitted for a unit from stock and moved between locations.
	Reason string
	Remark string
}
