// Package meters keeps the counters of sites and what was read on them: run
// hours, vehicles and cycles, joined into totals that never fall, whatever
// happened to the counter. It says how much each had done at any instant, and how
// much each unit has, wherever it was.
//
// Readings are facts and are only added and marked; totals and use are derived.
// A reading that does not fit is kept, and moves nothing until somebody says
// what is behind it. Take is the one way in for readings, whoever sends them.
//
// Functions that write take the transaction, the actor and the time; functions
// that read take the database and the actor, as in package assets.
package meters

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
)

// Meter is a cumulative counter as it is now.
type Meter struct {
	ID          uuid.UUID
	SiteID      uuid.UUID
	Code        string
	Kind        string
	Unit        Unit
	Counts      string // what it counts, in words
	MostPerHour *int   // nil takes what the line is rated for
	Version     int
	CreatedAt   time.Time
	From        time.Time
	Until       *time.Time
	// What it belongs to now; both nil where it belongs to nothing.
	LineID      *uuid.UUID
	PositionID  *uuid.UUID
	IsPrimary   bool // the meter of its unit for that thing
	PlacedSince *time.Time
	// The counter that is in it now.
	Shows    *string // the unit on its face: h, min, s, vehicles or cycles
	Modulus  *int64  // where it rolls over to zero
	Digits   *int    // its wheels before the point
	Decimals *int    // and after it
	Serial   *string
	// The last reading that counts, and the total that it stands for; nil where
	// there is none.
	LatestAt  *time.Time // of any reading
	LastAt    *time.Time
	LastValue *int64
	LastTotal *int64
	GrewAt    *time.Time // since when it stands at that value
	// Set while nobody has followed what moved, from ChangedFrom on.
	ChangedAt   *time.Time
	ChangedFrom *time.Time
}

// Kinds of meters.
var Kinds = []string{"entrance_counter", "wash_counter", "point_of_sale", "package_counter", "hour_meter", "run_timer", "drive_hours", "pump_hours", "cycle_counter", "computed"}

// Counter describes what is in a meter: its face and where it rolls over.
type Counter struct {
	Shows    string // "" is h, vehicles or cycles
	Modulus  string // in what it shows; "" follows from Digits, or is unknown
	Digits   *int   // wheels before the point; nil is unknown
	Decimals int    // wheels after it
	Serial   string
}

// read checks a counter and gives its modulus as an amount.
func (c *Counter) read(u Unit) (modulus *int64, bad *fault.Error) {
	if c.Shows == "" {
		c.Shows = u.shownAs()
	}
	s, known := scales[c.Shows]
	switch {
	case !known || s.of != u:
		return nil, fault.Field("shows", c.Shows, "is one of %s", u.unitsOf())
	case c.Decimals < 0 || c.Decimals > s.decimals:
		return nil, fault.Field("decimals", c.Decimals, "lies between 0 and %d where it shows %s", s.decimals, c.Shows)
	case c.Digits != nil && (*c.Digits < 1 || *c.Digits > 12):
		return nil, fault.Field("digits", *c.Digits, "lies between 1 and 12")
	}
	text := c.Modulus
	if text == "" {
		if c.Digits == nil {
			return nil, nil
		}
		text = "1" + strings.Repeat("0", *c.Digits)
	}
	n, wrong := u.read(text, c.Shows)
	if wrong == "" && n == 0 {
		wrong = "must be above 0"
	}
	if wrong != "" {
		return nil, fault.Field("modulus", text, "%s", wrong)
	}
	return &n, nil
}

// Thing is what a meter belongs to: a line, or a position, which may be shared equipment.
type Thing struct {
	LineID     *uuid.UUID
	PositionID *uuid.UUID
	Primary    bool
}

// NewMeter is what it takes to add a meter.
type NewMeter struct {
	SiteID uuid.UUID
	From   *time.Time // since when it is there; nil is now
	Edit
	Unit Unit
	Thing
}

// Edit is what of a meter can be given and changed.
type Edit struct {
	Code        string
	Kind        string
	Counts      string
	MostPerHour *int
	Counter
}

func (e Edit) check(u Unit) (*int64, error) {
	var bad *fault.Error
	if !slices.Contains(Kinds, e.Kind) {
		bad = fault.Field("kind", e.Kind, "is one of %s", strings.Join(Kinds, ", "))
	}
	modulus, wrong := e.Counter.read(u)
	return modulus, fault.Collect(bad, wrong)
}

const mine = `(@everywhere or site_id = any (@sites))`

const meterNow = `select * from meter_now`

func oneInTx(tx *gorm.DB, id uuid.UUID) (Meter, error) {
	return pgdb.One[Meter](tx, "meter", id.String(), meterNow+` where id = @id`, map[string]any{"id": id})
}

// Filter narrows a list of meters; a nil field does not.
type Filter struct {
	SiteID     *uuid.UUID
	LineID     *uuid.UUID
	PositionID *uuid.UUID
	Unit       *string
}

const meterList = meterNow + `
 where ` + mine + `
   and (cast(@site as uuid) is null or site_id = @site)
   and (cast(@line as uuid) is null or line_id = @line)
   and (cast(@position as uuid) is null or position_id = @position)
   and (cast(@unit as text) is null or unit = @unit)
   and code > @after
order by code
   limit @limit`

// List lists meters by code.
func List(ctx context.Context, db *pgdb.DB, who access.Actor, f Filter, p access.Page) ([]Meter, error) {
	return pgdb.Read[Meter](ctx, db, who.ID, meterList, who.Scope(map[string]any{"site": f.SiteID, "line": f.LineID, "position": f.PositionID, "unit": f.Unit,
		"after": p.After, "limit": p.Limit}))
}

// One gives a meter.
func One(ctx context.Context, db *pgdb.DB, who access.Actor, id uuid.UUID) (Meter, error) {
	return pgdb.ReadOne[Meter](ctx, db, who.ID, "meter", id.String(), meterNow+` where id = @id and `+mine, who.Scope(map[string]any{"id": id}))
}

// Add adds a meter to a line or a position.
func Add(tx *gorm.DB, who access.Actor, now time.Time, in NewMeter) (Meter, error) {
	if err := who.Must(access.KeepRegister); err != nil {
		return Meter{}, err
	}
	if !slices.Contains([]Unit{Hours, Vehicles, Cycles}, in.Unit) {
		return Meter{}, fault.Field("unit", in.Unit, "is hours, vehicles or cycles")
	}
	modulus, err := in.check(in.Unit)
	if err != nil {
		return Meter{}, err
	}
	if in.Counter.Shows == "" {
		in.Counter.Shows = in.Unit.shownAs()
	}
	from := now
	if in.From != nil {
		from = *in.From
	}
	id := pgdb.NewID()
	v := map[string]any{"id": id, "site": in.SiteID, "code": in.Code, "kind": in.Kind, "unit": string(in.Unit), "counts": strings.TrimSpace(in.Counts), "most": in.MostPerHour,
		"from": from, "now": now, "who": who.ID, "segment": pgdb.NewID(), "place": pgdb.NewID(), "shows": in.Shows, "modulus": modulus, "digits": in.Digits,
		"decimals": in.Decimals, "serial": strings.TrimSpace(in.Serial), "line": in.LineID, "position": in.PositionID, "primary": in.Primary}
	r := tx.Exec(`
insert into meter (id, site_id, code, kind, unit, counts, most_per_hour, during, created_at)
values (@id, @site, @code, @kind, @unit, @counts, @most, tstzrange(@from, null), @now)
on conflict (code) do nothing`, v)
	if r.Error != nil {
		return Meter{}, r.Error
	}
	if r.RowsAffected == 0 {
		return Meter{}, taken(tx, in.Code)
	}
	err = tx.Exec(`
with state as (insert into meter_state (meter_id, site_id) values (@id, @site))
insert into meter_segment (id, meter_id, site_id, during, how, start_value, base, shows, modulus, digits, decimals, serial, recorded_at, recorded_by)
values (@segment, @id, @site, '(,)', 'first', 0, 0, @shows, @modulus, @digits, @decimals, @serial, @now, @who)`, v).Error
	if err == nil {
		err = tx.Exec(`
insert into meter_place (id, meter_id, site_id, unit, line_id, position_id, is_primary, during, recorded_at, recorded_by)
values (@place, @id, @site, @unit, @line, @position, @primary, tstzrange(@from, null), @now, @who)`, v).Error
	}
	if err != nil {
		return Meter{}, err
	}
	return oneInTx(tx, id)
}

func taken(tx *gorm.DB, code string) error {
	id, err := pgdb.ID(tx, `select id from meter where code = ?`, code)
	if err != nil {
		return err
	}
	return fault.Taken("code", fault.Ref{Kind: "meter", ID: id.String(), Code: code})
}

// Change edits a meter of the version that was read. What it says of the counter
// is said of the one that is in it now; a new counter is Join.
func Change(tx *gorm.DB, who access.Actor, now time.Time, id uuid.UUID, version int, e Edit) (Meter, error) {
	if err := who.Must(access.KeepRegister); err != nil {
		return Meter{}, err
	}
	m, err := oneInTx(tx, id)
	if err != nil {
		return Meter{}, err
	}
	modulus, err := e.check(m.Unit)
	if err != nil {
		return Meter{}, err
	}
	if e.Shows == "" {
		e.Shows = m.Unit.shownAs()
	}
	other, err := pgdb.ID(tx, `select id from meter where code = ? and id <> ?`, e.Code, id)
	if err != nil {
		return Meter{}, err
	}
	if other != uuid.Nil {
		return Meter{}, fault.Taken("code", fault.Ref{Kind: "meter", ID: other.String(), Code: e.Code})
	}
	v := map[string]any{"id": id, "version": version, "code": e.Code, "kind": e.Kind, "counts": strings.TrimSpace(e.Counts), "most": e.MostPerHour,
		"shows": e.Shows, "modulus": modulus, "digits": e.Digits, "decimals": e.Decimals, "now": now}
	r := tx.Exec(`update meter set code = @code, kind = @kind, counts = @counts, most_per_hour = @most, version = version + 1 where id = @id and version = @version`, v)
	if r.Error != nil {
		return Meter{}, r.Error
	}
	if r.RowsAffected == 0 {
		return Meter{}, fault.Outdated("meter", version, m.Version)
	}
	if m.LastValue != nil && modulus != nil && *m.LastValue >= *modulus {
		return Meter{}, fault.Field("modulus", m.Unit.Format(*modulus), "must lie above %s, which was read on it", m.Unit.say(*m.LastValue))
	}
	err = tx.Exec(`update meter_segment set shows = @shows, modulus = @modulus, digits = @digits, decimals = @decimals where meter_id = @id and upper_inf(during)`, v).Error
	if err != nil {
		return Meter{}, err
	}
	return oneInTx(tx, id)
}

// Placement is a meter's belonging to a thing over a time.
type Placement struct {
	ID         uuid.UUID
	MeterID    uuid.UUID
	LineID     *uuid.UUID
	PositionID *uuid.UUID
	Code       string // of the thing
	IsPrimary  bool
	From       *time.Time
	Until      *time.Time
}

const placements = `
select p.id, p.meter_id, p.line_id, p.position_id, coalesce(l.code, o.code, '') as code, p.is_primary, lower(p.during) as "from", upper(p.during) as until
  from meter_place as p
  left join line as l on l.id = p.line_id
  left join position as o on o.id = p.position_id
 where p.meter_id = @meter
order by p.during`

// Placements lists what a meter has belonged to.
func Placements(ctx context.Context, db *pgdb.DB, who access.Actor, meter uuid.UUID) ([]Placement, error) {
	if _, err := One(ctx, db, who, meter); err != nil {
		return nil, err
	}
	return pgdb.Read[Placement](ctx, db, who.ID, placements, map[string]any{"meter": meter})
}

// Place says that from an instant on a meter belongs to another thing of its
// site: the output of a panel was reassigned. What it counted before stays with
// the thing of that time.
func Place(tx *gorm.DB, who access.Actor, now time.Time, meter uuid.UUID, from time.Time, to Thing) ([]Placement, error) {
	if err := who.Must(access.KeepRegister); err != nil {
		return nil, err
	}
	m, err := oneInTx(tx, meter)
	if err != nil {
		return nil, err
	}
	if from.After(now) {
		return nil, fault.Field("from", from.UTC().Format(time.RFC3339), "must not lie ahead: it is recorded when it is done")
	}
	v := map[string]any{"meter": meter, "from": from, "id": pgdb.NewID(), "site": m.SiteID, "unit": string(m.Unit), "line": to.LineID, "position": to.PositionID,
		"primary": to.Primary, "now": now, "who": who.ID}
	var later int64
	if err := tx.Raw(`select count(*) from meter_place where meter_id = @meter and lower(during) >= @from`, v).Scan(&later).Error; err != nil {
		return nil, err
	}
	if later > 0 {
		return nil, &fault.Error{Kind: fault.Conflict, Field: "from", Value: from.UTC().Format(time.RFC3339), Msg: "must lie after the meter came to what it belongs to now"}
	}
	if err := tx.Exec(`update meter_place set during = tstzrange(lower(during), @from) where meter_id = @meter and during @> cast(@from as timestamptz)`, v).Error; err != nil {
		return nil, err
	}
	if err := tx.Exec(`
insert into meter_place (id, meter_id, site_id, unit, line_id, position_id, is_primary, during, recorded_at, recorded_by)
values (@id, @meter, @site, @unit, @line, @position, @primary, tstzrange(@from, null), @now, @who)`, v).Error; err != nil {
		return nil, err
	}
	var all []Placement
	return all, tx.Raw(placements, v).Scan(&all).Error
}

// stamp writes an instant for a fault.
func stamp(t time.Time) string { return t.UTC().Format(time.RFC3339) }

func conflict(field, value, format string, args ...any) *fault.Error {
	return &fault.Error{Kind: fault.Conflict, Field: field, Value: value, Msg: fmt.Sprintf(format, args...)}
}
