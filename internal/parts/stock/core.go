package stock

import (
	"context"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
)

// Core is an old unit for which a supplier gives a deposit back, if it comes in time,
// whole and drained.
type Core struct {
	ID            uuid.UUID
	PartID        uuid.UUID
	PartNumber    string
	SupplierID    uuid.UUID
	Supplier      string
	BoughtUnitID  *uuid.UUID // the exchange unit that was bought
	UnitID        *uuid.UUID // the old one, once it is known which
	Tag           string
	State         string
	Drained       bool
	CountedFrom   string // purchase or shipment
	PaidOn        string
	DeadlineOn    string
	DaysLeft      int    // below 0: too late
	DepositMinor  *int64 // nil where the actor may not see it
	CreditedMinor *int64
	Currency      *string
	Version       int
}

const cores = `
select c.id, c.part_id, p.number as part_number, c.supplier_id, s.code as supplier, c.bought_unit_id, c.unit_id, coalesce(u.tag, '') as tag, c.state, c.drained, c.counted_from,
       to_char(c.paid_on, 'YYYY-MM-DD') as paid_on, to_char(c.deadline_on, 'YYYY-MM-DD') as deadline_on, c.deadline_on - cast(@today as date) as days_left,
       d.deposit_minor, d.credited_minor, d.currency, c.version
  from core as c
  join part as p on p.id = c.part_id
  join supplier as s on s.id = c.supplier_id
  left join unit as u on u.id = c.unit_id
  left join core_deposit as d on d.core_id = c.id`

// coreSteps says which state may follow which. What is closed stays closed.
var coreSteps = map[string][]string{
	"deposit_paid":    {"removed", "lost"},
	"removed":         {"at_site", "on_van", "in_returns", "lost"},
	"at_site":         {"on_van", "in_returns", "lost"},
	"on_van":          {"in_returns", "at_site", "lost"},
	"in_returns":      {"boxed", "lost"},
	"boxed":           {"shipped", "in_returns", "lost"},
	"shipped":         {"received", "credited", "partly_credited", "refused", "lost"},
	"received":        {"credited", "partly_credited", "refused"},
	"credited":        {},
	"partly_credited": {},
	"refused":         {},
	"lost":            {},
}

// NewCore is a deposit that was paid.
type NewCore struct {
	PartID       uuid.UUID
	SupplierID   uuid.UUID
	BoughtUnitID *uuid.UUID
	OrderLineID  *uuid.UUID
	CountedFrom  string // purchase or shipment
	PaidOn       string
	DeadlineOn   string
	DepositMinor *int64
	Currency     string
}

// AddCore notes a deposit.
func AddCore(tx *gorm.DB, who access.Actor, now time.Time, in NewCore) (Core, error) {
	if err := who.Must(access.MoveStock); err != nil {
		return Core{}, err
	}
	paid, a := date(in.PaidOn, "paid_on")
	deadline, b := date(in.DeadlineOn, "deadline_on")
	switch {
	case a != nil || b != nil:
		return Core{}, fault.Collect(a, b)
	case paid == nil:
		return Core{}, fault.Field("paid_on", "", "is needed")
	case deadline == nil:
		return Core{}, fault.Field("deadline_on", "", "is needed: the last day on which the old one may come back")
	case in.CountedFrom != "purchase" && in.CountedFrom != "shipment":
		return Core{}, fault.Field("counted_from", in.CountedFrom, "is purchase or shipment")
	case in.DepositMinor != nil && !who.May(access.SeeCost):
		return Core{}, fault.Field("deposit_minor", "", "is given by somebody who sees cost")
	}
	id := pgdb.NewID()
	err := tx.Exec(`
insert into core (id, part_id, supplier_id, bought_unit_id, order_line_id, state, counted_from, paid_on, deadline_on)
values (@id, @part, @supplier, @bought, @line, 'deposit_paid', @from, cast(@paid as date), cast(@deadline as date))`,
		map[string]any{"id": id, "part": in.PartID, "supplier": in.SupplierID, "bought": in.BoughtUnitID, "line": in.OrderLineID, "from": in.CountedFrom, "paid": *paid, "deadline": *deadline}).Error
	if err != nil {
		return Core{}, err
	}
	if in.DepositMinor != nil {
		err = tx.Exec(`insert into core_deposit (core_id, deposit_minor, currency) values (?, ?, ?)`, id, *in.DepositMinor, strings.ToUpper(in.Currency)).Error
		if err != nil {
			return Core{}, err
		}
	}
	if err := coreEvent(tx, who, now, id, "deposit_paid", ""); err != nil {
		return Core{}, err
	}
	return coreInTx(tx, now, id)
}

func coreInTx(tx *gorm.DB, now time.Time, id uuid.UUID) (Core, error) {
	return pgdb.One[Core](tx, "core", id.String(), cores+` where c.id = @id`, map[string]any{"id": id, "today": day(now)})
}

func coreEvent(tx *gorm.DB, who access.Actor, now time.Time, id uuid.UUID, state, note string) error {
	return tx.Exec(`insert into core_event (id, core_id, state, at, note, recorded_by) values (?, ?, ?, ?, ?, ?)`, pgdb.NewID(), id, state, now, strings.TrimSpace(note), who.ID).Error
}

// CoreStep is what happened to a core.
type CoreStep struct {
	State         string
	UnitID        *uuid.UUID // with removed: which one came off
	Drained       bool       // with boxed: it was drained; a core that was not is refused
	CreditedMinor *int64     // with credited or partly_credited
	Note          string
}

// StepCore moves a core on. It is not boxed before it is drained, nor while a warranty claim on
// the same unit is open.
func StepCore(tx *gorm.DB, who access.Actor, now time.Time, id uuid.UUID, version int, in CoreStep) (Core, error) {
	if err := who.Must(access.MoveStock); err != nil {
		return Core{}, err
	}
	if err := bump(tx, "core", "core", id, version); err != nil {
		return Core{}, err
	}
	was, err := coreInTx(tx, now, id)
	if err != nil {
		return was, err
	}
	next, unit := coreSteps[was.State], was.UnitID
	if in.UnitID != nil {
		unit = in.UnitID
	}
	switch {
	case !slices.Contains(next, in.State):
		if len(next) == 0 {
			return was, conflict("state", in.State, "cannot follow: it ended as %s", words(was.State))
		}
		return was, conflict("state", in.State, "cannot follow %s; %s can", words(was.State), words(strings.Join(next, ", ")))
	case in.State == "removed" && unit == nil:
		return was, fault.Field("unit_id", "", "is needed: which unit came off")
	case in.State == "boxed" && !in.Drained:
		return was, conflict("drained", false, "must be so: a core that is not drained is refused, and the deposit is lost")
	case slices.Contains([]string{"refused", "lost"}, in.State) && strings.TrimSpace(in.Note) == "":
		return was, fault.Field("note", "", "is needed: why the deposit is lost")
	case in.CreditedMinor != nil && !who.May(access.SeeCost):
		return was, fault.Field("credited_minor", "", "is given by somebody who sees cost")
	}
	if in.UnitID != nil {
		var other []struct{ Tag, Number, Class string }
		err := tx.Raw(`
select u.tag, p.number, p.class from unit as u join part as p on p.id = u.part_id
 where u.id = ? and p.class <> (select o.class from part as o where o.id = ?)`, *in.UnitID, was.PartID).Scan(&other).Error
		if err != nil {
			return was, err
		}
		if len(other) > 0 {
			return was, fault.Field("unit_id", other[0].Tag, "is no such thing as %s: it is %s, %s", was.PartNumber, other[0].Number, strings.ReplaceAll(other[0].Class, "_", " "))
		}
	}
	if unit != nil && slices.Contains([]string{"boxed", "shipped"}, in.State) {
		claimed, err := pgdb.ID(tx, `select id from warranty where unit_id = ? and state = 'claimed' limit 1`, *unit)
		if err != nil {
			return was, err
		}
		if claimed != uuid.Nil {
			return was, conflict("state", in.State, "is not possible: the unit is claimed under warranty, and until that is decided it is no core")
		}
	}
	err = tx.Exec(`update core set state = ?, drained = drained or ?, unit_id = ? where id = ?`, in.State, in.Drained, unit, id).Error
	if err != nil {
		return was, err
	}
	if in.CreditedMinor != nil {
		if err := tx.Exec(`update core_deposit set credited_minor = ? where core_id = ?`, *in.CreditedMinor, id).Error; err != nil {
			return was, err
		}
	}
	if err := coreEvent(tx, who, now, id, in.State, in.Note); err != nil {
		return was, err
	}
	return coreInTx(tx, now, id)
}

// CameOff says that an exchange unit went in where an old one came off, and where that is now.
type CameOff struct {
	In, Out    uuid.UUID
	LocationID uuid.UUID
}

// FollowCores moves on the cores of exchange units that have been fitted: the unit that came
// off is the core, and it lies where it was brought.
func FollowCores(tx *gorm.DB, who access.Actor, now time.Time, in []CameOff) error {
	if err := who.Must(access.RecordWork); err != nil {
		return err
	}
	if len(in) == 0 {
		return nil
	}
	rows := make([]map[string]any, len(in))
	for i, o := range in {
		rows[i] = map[string]any{"bought": o.In, "old": o.Out, "location": o.LocationID}
	}
	text, err := doc(rows)
	if err != nil {
		return err
	}
	return tx.Exec(`
with moved as (
  update core as c
     set unit_id = r.old, state = case l.kind when 'returns' then 'in_returns' when 'van' then 'on_van' when 'site_shelf' then 'at_site' else 'removed' end, version = c.version + 1
    from jsonb_to_recordset(cast(@rows as jsonb)) as r(bought uuid, old uuid, location uuid)
    join location as l on l.id = r.location
   where c.bought_unit_id = r.bought and c.state = 'deposit_paid'
  returning c.id, c.state
)
insert into core_event (id, core_id, state, at, note, recorded_by)
select gen_random_uuid(), m.id, e.state, @now, '', @who
  from moved as m cross join lateral (select 'removed' as state union select m.state) as e`, map[string]any{"rows": text, "now": now, "who": who.ID}).Error
}

// Cores lists cores by deadline; open ones only, or all.
func Cores(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, open bool, p Page) ([]Core, error) {
	return pgdb.Read[Core](ctx, db, who.ID, cores+`
 where @everywhere and (not @open or c.state not in ('credited', 'partly_credited', 'refused', 'lost'))
   and to_char(c.deadline_on, 'YYYY-MM-DD') || ' ' || c.id > @after
order by to_char(c.deadline_on, 'YYYY-MM-DD') || ' ' || c.id
   limit @limit`, pageArgs(who, p, map[string]any{"open": open, "today": day(now)}))
}

// Stake is what of one currency is out as deposits that can still come back.
type Stake struct {
	Currency string
	Minor    int64
}

// AtStake sums up the deposits of cores whose days run and that nothing has become of yet; for
// those who see cost.
func AtStake(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time) ([]Stake, error) {
	return pgdb.Read[Stake](ctx, db, who.ID, `
select d.currency, sum(d.deposit_minor)::bigint as minor
  from core as c
  join core_deposit as d on d.core_id = c.id
 where @everywhere and c.deadline_on >= cast(@today as date) and c.state not in ('credited', 'partly_credited', 'refused', 'lost')
group by d.currency
order by d.currency`, who.Scope(map[string]any{"today": day(now)}))
}

// OneCore gives a core.
func OneCore(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, id uuid.UUID) (Core, error) {
	return pgdb.ReadOne[Core](ctx, db, who.ID, "core", id.String(), cores+` where @everywhere and c.id = @id`, who.Scope(map[string]any{"id": id, "today": day(now)}))
}

// Next lists what may happen to a core.
func (c Core) Next() []string { return coreSteps[c.State] }

// Key gives the place of a core in the list.
func (c Core) Key() string { return c.DeadlineOn + " " + c.ID.String() }

// Warranty is a clock that runs on a unit: the supplier's to us, or ours to the site. Both may run.
type Warranty struct {
	ID         uuid.UUID
	UnitID     uuid.UUID
	Tag        string
	Serial     string
	PartNumber string
	Giver      string // supplier or distributor
	SupplierID *uuid.UUID
	Supplier   string
	Covers     string
	StartsOn   string
	EndsOn     string
	DaysLeft   int
	State      string // running, claimed, accepted, refused, lost or ended
	Authority  string // the supplier's number of the return
	ClaimedAt  *time.Time
	Version    int
}

const warranties = `
select w.id, w.unit_id, u.tag, coalesce(u.serial, '') as serial, p.number as part_number, w.giver, w.supplier_id, coalesce(s.code, '') as supplier, w.covers,
       to_char(w.starts_on, 'YYYY-MM-DD') as starts_on, to_char(w.ends_on, 'YYYY-MM-DD') as ends_on, w.ends_on - cast(@today as date) as days_left, w.state, w.authority, w.claimed_at, w.version
  from warranty as w
  join unit as u on u.id = w.unit_id
  join part as p on p.id = u.part_id
  left join supplier as s on s.id = w.supplier_id`

// NewWarranty starts a clock.
type NewWarranty struct {
	UnitID     uuid.UUID
	Giver      string
	SupplierID *uuid.UUID
	Covers     string
	StartsOn   string
	EndsOn     string
}

// AddWarranty notes until when somebody stands for a unit.
func AddWarranty(tx *gorm.DB, who access.Actor, now time.Time, in NewWarranty) (Warranty, error) {
	if err := who.Must(access.MoveStock); err != nil {
		return Warranty{}, err
	}
	from, a := date(in.StartsOn, "starts_on")
	until, b := date(in.EndsOn, "ends_on")
	switch {
	case a != nil || b != nil:
		return Warranty{}, fault.Collect(a, b)
	case from == nil || until == nil:
		return Warranty{}, fault.Field("ends_on", in.EndsOn, "and starts_on are needed")
	case in.Giver != "supplier" && in.Giver != "distributor":
		return Warranty{}, fault.Field("giver", in.Giver, "is supplier or distributor")
	case (in.Giver == "supplier") != (in.SupplierID != nil):
		return Warranty{}, fault.Field("supplier_id", in.Giver, "is given where a supplier stands for it, and only there")
	}
	id := pgdb.NewID()
	err := tx.Exec(`
insert into warranty (id, unit_id, giver, supplier_id, covers, starts_on, ends_on) values (@id, @unit, @giver, @supplier, @covers, cast(@from as date), cast(@until as date))`,
		map[string]any{"id": id, "unit": in.UnitID, "giver": in.Giver, "supplier": in.SupplierID, "covers": strings.TrimSpace(in.Covers), "from": *from, "until": *until}).Error
	if err != nil {
		return Warranty{}, err
	}
	if err := warrantyEvent(tx, who, now, id, "running", ""); err != nil {
		return Warranty{}, err
	}
	return warrantyInTx(tx, now, id)
}

func warrantyInTx(tx *gorm.DB, now time.Time, id uuid.UUID) (Warranty, error) {
	return pgdb.One[Warranty](tx, "warranty", id.String(), warranties+` where w.id = @id`, map[string]any{"id": id, "today": day(now)})
}

func warrantyEvent(tx *gorm.DB, who access.Actor, now time.Time, id uuid.UUID, state, note string) error {
	return tx.Exec(`insert into warranty_event (id, warranty_id, state, at, note, recorded_by) values (?, ?, ?, ?, ?, ?)`, pgdb.NewID(), id, state, now, strings.TrimSpace(note), who.ID).Error
}

// WarrantyStep is what happened to a claim.
type WarrantyStep struct {
	State     string // claimed, accepted, refused, lost or ended
	Authority string // with claimed: the supplier's number, which comes first
	Note      string
}

var warrantySteps = map[string][]string{"running": {"claimed", "ended"}, "claimed": {"accepted", "refused", "lost"}}

// StepWarranty moves a warranty on. A unit under an open claim is neither scrap nor core; a refused
// one may be a core again.
func StepWarranty(tx *gorm.DB, who access.Actor, now time.Time, id uuid.UUID, version int, in WarrantyStep) (Warranty, error) {
	if err := who.Must(access.MoveStock); err != nil {
		return Warranty{}, err
	}
	if err := bump(tx, "warranty", "warranty", id, version); err != nil {
		return Warranty{}, err
	}
	was, err := warrantyInTx(tx, now, id)
	if err != nil {
		return was, err
	}
	switch next := warrantySteps[was.State]; {
	case len(next) == 0:
		return was, conflict("state", in.State, "cannot follow: it ended as %s", was.State)
	case !slices.Contains(next, in.State):
		return was, conflict("state", in.State, "cannot follow %s; %s can", was.State, strings.Join(next, ", "))
	case in.State == "claimed" && was.DaysLeft < 0:
		return was, conflict("state", in.State, "comes too late: it ended on %s", was.EndsOn)
	case in.State == "claimed" && was.Giver == "supplier" && strings.TrimSpace(in.Authority) == "":
		return was, fault.Field("authority", "", "is needed: the supplier's number of the return comes first")
	case slices.Contains([]string{"refused", "lost"}, in.State) && strings.TrimSpace(in.Note) == "":
		return was, fault.Field("note", "", "is needed: why, and by whom")
	}
	err = tx.Exec(`update warranty set state = ?, authority = case when ? <> '' then ? else authority end, claimed_at = coalesce(claimed_at, case when ? = 'claimed' then cast(? as timestamptz) end) where id = ?`,
		in.State, strings.TrimSpace(in.Authority), strings.TrimSpace(in.Authority), in.State, now, id).Error
	if err != nil {
		return was, err
	}
	if err := warrantyEvent(tx, who, now, id, in.State, in.Note); err != nil {
		return was, err
	}
	return warrantyInTx(tx, now, id)
}

// Warranties lists warranties by their end; those that run or are claimed, or all.
func Warranties(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, open bool, p Page) ([]Warranty, error) {
	return pgdb.Read[Warranty](ctx, db, who.ID, warranties+`
 where @everywhere and (not @open or w.state in ('running', 'claimed'))
   and to_char(w.ends_on, 'YYYY-MM-DD') || ' ' || w.id > @after
order by to_char(w.ends_on, 'YYYY-MM-DD') || ' ' || w.id
   limit @limit`, pageArgs(who, p, map[string]any{"open": open, "today": day(now)}))
}

// OneWarranty gives a warranty.
func OneWarranty(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, id uuid.UUID) (Warranty, error) {
	return pgdb.ReadOne[Warranty](ctx, db, who.ID, "warranty", id.String(), warranties+` where @everywhere and w.id = @id`, who.Scope(map[string]any{"id": id, "today": day(now)}))
}

// Next lists what may happen to a warranty.
func (w Warranty) Next() []string { return warrantySteps[w.State] }

// Key gives the place of a warranty in the list.
func (w Warranty) Key() string { return w.EndsOn + " " + w.ID.String() }
