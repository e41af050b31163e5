package stock

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/fault"
	"spindlebook/internal/parts/amount"
	"spindlebook/internal/pgdb"
)

// Line is a part at a place with what can be said of it in one line.
type Line struct {
	LocationID      uuid.UUID
	Location        string // its code
	LocationKind    string
	PartID          uuid.UUID
	PartNumber      string
	PartDescription string
	MeasuredIn      string
	OnHand          amount.Amount
	SetAside        amount.Amount
	Expired         amount.Amount // of what is on hand
	ExpiresFirst    *string       // of what has not expired
	Claimed         amount.Amount // open claims of the part that name this place
	Least           *amount.Amount
	Most            *amount.Amount
	Elsewhere       amount.Amount // usable at other places of ours
	OnOrder         amount.Amount
	Promised        *string // the next day on which some of it is promised
	Lots            Lots
}

// Free gives what is neither set aside, nor claimed here, nor expired.
func (l Line) Free() amount.Amount { return max(0, l.OnHand-l.SetAside-l.Expired-l.Claimed) }

// Low tells whether there is less than the place should hold.
func (l Line) Low() bool { return l.Least != nil && l.OnHand-l.Expired < *l.Least }

// Key gives the place of a line in the list.
func (l Line) Key() string { return l.Location + " " + l.PartNumber }

// Lot is what of a line is of one lot and owner, or one unit.
type Lot struct {
	Lot        string        `json:"lot"`
	LotID      *uuid.UUID    `json:"lot_id"`
	ExpiresOn  *string       `json:"expires_on"`
	Owner      string        `json:"owner"`
	CustomerID *uuid.UUID    `json:"customer_id"`
	Customer   string        `json:"customer"` // its code
	UnitID     *uuid.UUID    `json:"unit_id"`
	Tag        string        `json:"tag"`
	Serial     string        `json:"serial"`
	Prepared   string        `json:"prepared"` // of a unit: its orientation and links
	OnHand     amount.Amount `json:"on_hand"`
	SetAside   amount.Amount `json:"set_aside"`
	For        string        `json:"for"` // what it is set aside for
}

// Lots reads the lots of a line from a document column.
type Lots []Lot

// Scan reads the column.
func (l *Lots) Scan(src any) error {
	switch src := src.(type) {
	case string:
		return json.Unmarshal([]byte(src), l)
	case []byte:
		return json.Unmarshal(src, l)
	}
	return fmt.Errorf("lots came as %T", src)
}

// The page is cut first; only what it shows is looked up.
const lines = `
with listed as (
  select l.id as location_id, l.code as location, l.kind as location_kind, p.id as part_id, p.number as part_number, p.description as part_description, p.measured_in
    from (select location_id, part_id from stock_now union select location_id, part_id from stock_level where least > 0) as s
    join location as l on l.id = s.location_id and (@everywhere or l.site_id = any (@sites))
    join part as p on p.id = s.part_id
   where (cast(@location as uuid) is null or s.location_id = @location)
     and (cast(@part as uuid) is null or s.part_id = @part)
     and (not @short or coalesce((select sum(n.on_hand) from stock_now as n where n.location_id = s.location_id and n.part_id = s.part_id and (n.expires_on is null or n.expires_on >= cast(@today as date))), 0)
                        < (select v.least from stock_level as v where v.location_id = s.location_id and v.part_id = s.part_id))
     and (cast(@expires as date) is null or exists (select from stock_now as n where n.location_id = s.location_id and n.part_id = s.part_id and n.expires_on <= cast(@expires as date)))
     and (not @withdrawn or exists (select from stock_now as n where n.location_id = s.location_id and n.part_id = s.part_id)
                            and exists (select from part_succession as w where w.part_id = s.part_id and w.kind = 'withdrawn' and w.during @> cast(@now as timestamptz)))
     and l.code || ' ' || p.number > @after
order by l.code || ' ' || p.number
   limit @limit
),
there as (
  select s.location_id, s.part_id, coalesce(s.lot, '') as lot, s.lot_id, s.expires_on, s.owner, s.owner_customer_id, coalesce(cu.code, '') as customer, s.unit_id, coalesce(u.tag, '') as tag, coalesce(u.serial, '') as serial,
         coalesce((select string_agg(f.value, ', ' order by f.fact) from unit_fact as f where f.unit_id = s.unit_id and f.fact in ('gearmotor_orientation', 'link_setting')
                     and f.withdrawn_at is null and upper_inf(f.during)), '') as prepared,
         s.on_hand, coalesce(c.n, 0) as set_aside, coalesce(c.what, '') as what
    from stock_now as s
    left join customer as cu on cu.id = s.owner_customer_id
    left join unit as u on u.id = s.unit_id
    left join lateral (select sum(c.amount) as n, string_agg(c.purpose, ', ' order by c.needed_on) as what
                         from stock_claim as c where c.state = 'set_aside' and (c.balance_id = s.balance_id or c.unit_id = s.unit_id)) as c on true
   where s.part_id = any (array(select part_id from listed)) and s.location_id = any (array(select location_id from listed))
),
elsewhere as (
  select s.part_id, l.id as location_id, sum(s.on_hand) as n
    from stock_now as s
    join location as l on l.id = s.location_id and l.kind in ('warehouse', 'van', 'bench')
   where s.part_id = any (array(select part_id from listed)) and (s.expires_on is null or s.expires_on >= cast(@today as date)) and s.owner <> 'customer'
group by s.part_id, l.id
),
coming as (
  select ol.part_id, sum(ol.amount - ol.cancelled - coalesce(r.n, 0)) as n, min(p.promised_on) as promised
    from supplier_order_line as ol
    join supplier_order as o on o.id = ol.order_id and o.state = 'sent'
    left join lateral (select sum(case when m.kind = 'receive' then m.amount else -m.amount end) as n from stock_movement as m
                        where m.order_line_id = ol.id and m.kind in ('receive', 'supplier_return')) as r on true
    left join lateral (select promised_on from supplier_order_promise where line_id = ol.id order by told_at desc, id desc limit 1) as p on true
   where ol.part_id = any (array(select part_id from listed)) and ol.amount - ol.cancelled > coalesce(r.n, 0)
group by ol.part_id
)
select i.location_id, i.location, i.location_kind, i.part_id, i.part_number, i.part_description, i.measured_in,
       coalesce(t.on_hand, 0) as on_hand, coalesce(t.set_aside, 0) as set_aside, coalesce(t.expired, 0) as expired, to_char(t.first, 'YYYY-MM-DD') as expires_first,
       coalesce((select sum(c.amount) from stock_claim as c where c.part_id = i.part_id and c.location_id = i.location_id and c.state = 'open'), 0) as claimed,
       v.least, v.most, coalesce((select sum(e.n) from elsewhere as e where e.part_id = i.part_id and e.location_id <> i.location_id), 0) as elsewhere,
       coalesce(k.n, 0) as on_order, to_char(k.promised, 'YYYY-MM-DD') as promised, coalesce(t.lots, '[]') as lots
  from listed as i
  left join stock_level as v on v.location_id = i.location_id and v.part_id = i.part_id
  left join coming as k on k.part_id = i.part_id
  left join lateral (
    select sum(t.on_hand) as on_hand, sum(t.set_aside) as set_aside, sum(t.on_hand) filter (where t.expires_on < cast(@today as date)) as expired,
           min(t.expires_on) filter (where t.expires_on >= cast(@today as date)) as first,
           jsonb_agg(jsonb_build_object('lot', t.lot, 'lot_id', t.lot_id, 'expires_on', t.expires_on, 'owner', t.owner, 'customer_id', t.owner_customer_id, 'customer', t.customer, 'unit_id', t.unit_id, 'tag', t.tag,
             'serial', t.serial, 'prepared', t.prepared, 'on_hand', t.on_hand, 'set_aside', t.set_aside, 'for', t.what) order by t.expires_on nulls last, t.lot, t.tag, t.owner) as lots
      from there as t where t.location_id = i.location_id and t.part_id = i.part_id) as t on true
order by i.location || ' ' || i.part_number`

// LineFilter narrows a list of lines; a nil field does not.
type LineFilter struct {
	LocationID *uuid.UUID
	PartID     *uuid.UUID
	Short      bool    // where less lies than should
	Expires    *string // by that day, or has expired
	Withdrawn  bool    // what is not issued any more and still lies there
}

// Lines lists what lies where, by place and part number; also what should lie there and
// does not. A customer sees the own shelves, without what is claimed, elsewhere or on order.
func Lines(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, f LineFilter, p Page) ([]Line, error) {
	return pgdb.Read[Line](ctx, db, who.ID, lines, pageArgs(who, p, map[string]any{"location": f.LocationID, "part": f.PartID, "today": day(now), "now": now,
		"short": f.Short, "expires": f.Expires, "withdrawn": f.Withdrawn}))
}

// Entry is a movement as the ledger shows it.
type Entry struct {
	ID         uuid.UUID
	ActID      uuid.UUID
	Kind       string
	PartID     uuid.UUID
	PartNumber string
	MeasuredIn string
	Lot        string
	UnitID     *uuid.UUID
	Tag        string
	Owner      string
	Amount     amount.Amount
	FromID     *uuid.UUID
	From       string // code of the place; "" from outside, or not the actor's to see
	ToID       *uuid.UUID
	To         string
	At         time.Time
	RecordedAt time.Time
	RecordedBy string
	Reason     string
	Document   string
	TaskID     *uuid.UUID
}

const entries = `
select m.id, m.act_id, m.kind, m.part_id, p.number as part_number, p.measured_in, coalesce(lt.code, '') as lot, m.unit_id, coalesce(u.tag, '') as tag, m.owner, m.amount,
       f.id as from_id, coalesce(f.code, '') as "from", t.id as to_id, coalesce(t.code, '') as "to", m.at, m.recorded_at, coalesce(a.name, '') as recorded_by, m.reason, m.document, m.task_id
  from stock_movement as m
  join part as p on p.id = m.part_id
  left join lot as lt on lt.id = m.lot_id
  left join unit as u on u.id = m.unit_id
  left join location as f on f.id = m.from_id
  left join location as t on t.id = m.to_id
  left join actor as a on a.id = m.recorded_by`

// EntryFilter narrows the ledger; a nil field does not.
type EntryFilter struct {
	PartID     *uuid.UUID
	LocationID *uuid.UUID
	UnitID     *uuid.UUID
	TaskID     *uuid.UUID
}

// Entries lists the ledger, the latest recorded first. A customer sees what came to and left the
// own shelves in the own time.
func Entries(ctx context.Context, db *pgdb.DB, who access.Actor, f EntryFilter, p Page) ([]Entry, error) {
	after := p.After
	if after == "" {
		after = "ffffffff-ffff-ffff-ffff-ffffffffffff"
	}
	p.After = after
	return pgdb.Read[Entry](ctx, db, who.ID, entries+`
 where (@everywhere or m.from_site_id = any (@sites) or m.to_site_id = any (@sites))
   and (cast(@part as uuid) is null or m.part_id = @part)
   and (cast(@location as uuid) is null or m.from_id = @location or m.to_id = @location)
   and (cast(@unit as uuid) is null or m.unit_id = @unit)
   and (cast(@task as uuid) is null or m.task_id = @task)
   and m.id < cast(@after as uuid)
order by m.id desc
   limit @limit`, pageArgs(who, p, map[string]any{"part": f.PartID, "location": f.LocationID, "unit": f.UnitID, "task": f.TaskID}))
}

// Doubt is a discrepancy as it is listed.
type Doubt struct {
	ID         uuid.UUID
	Kind       string
	LocationID *uuid.UUID
	Location   string
	PartID     uuid.UUID
	PartNumber string
	MeasuredIn string
	Lot        string
	UnitID     *uuid.UUID
	Tag        string
	Amount     amount.Amount
	Says       string
	TaskID     *uuid.UUID
	NoticedAt  time.Time
	NoticedBy  string
	SettledAt  *time.Time
	SettledHow string
}

const doubts = `
select d.id, d.kind, d.location_id, coalesce(l.code, '') as location, d.part_id, p.number as part_number, p.measured_in, coalesce(lt.code, '') as lot, d.unit_id, coalesce(u.tag, '') as tag,
       d.amount, d.says, d.task_id, d.noticed_at, coalesce(a.name, '') as noticed_by, d.settled_at, d.settled_how
  from stock_discrepancy as d
  join part as p on p.id = d.part_id
  left join location as l on l.id = d.location_id
  left join lot as lt on lt.id = d.lot_id
  left join unit as u on u.id = d.unit_id
  left join actor as a on a.id = d.noticed_by`

// Doubts lists discrepancies, the oldest first; those that are open, or all.
func Doubts(ctx context.Context, db *pgdb.DB, who access.Actor, open bool, p Page) ([]Doubt, error) {
	return pgdb.Read[Doubt](ctx, db, who.ID, doubts+`
 where @everywhere and (not @open or d.settled_at is null) and (@after = '' or d.id > cast(nullif(@after, '') as uuid))
order by d.id
   limit @limit`, pageArgs(who, p, map[string]any{"open": open}))
}

// OneDoubt gives a discrepancy.
func OneDoubt(ctx context.Context, db *pgdb.DB, who access.Actor, id uuid.UUID) (Doubt, error) {
	return pgdb.ReadOne[Doubt](ctx, db, who.ID, "discrepancy", id.String(), doubts+` where @everywhere and d.id = @id`, who.Scope(map[string]any{"id": id}))
}

// Counts lists counts, the latest first; their lines come with OneCount.
func Counts(ctx context.Context, db *pgdb.DB, who access.Actor, open bool, p Page) ([]Count, error) {
	return pgdb.ReadSome[Count](ctx, db, who.ID, counts+`
 where @everywhere and (not @open or c.state = 'open') and (@after = '' or c.number < cast(nullif(@after, '') as bigint))
order by c.number desc
   limit @limit`, pageArgs(who, p, map[string]any{"open": open}))
}

// OneCount gives a count with its lines; of an open blind one without what is expected.
func OneCount(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, id uuid.UUID) (Count, error) {
	found, err := pgdb.ReadSome[Count](ctx, db, who.ID, counts+` where @everywhere and c.id = @id`, who.Scope(map[string]any{"id": id}))
	if err == nil && len(found) == 0 {
		err = fault.Missing("count", id.String())
	}
	if err != nil {
		return Count{}, err
	}
	c := found[0]
	c.Lines, err = pgdb.ReadSome[CountLine](ctx, db, who.ID, countLines, map[string]any{"count": id, "now": now})
	c.judge()
	return c.told(), err
}

// Level is how much a place should hold.
type Level struct {
	LocationID uuid.UUID      `json:"location_id"`
	PartID     uuid.UUID      `json:"part_id"`
	Least      amount.Amount  `json:"least"`
	Most       *amount.Amount `json:"most"` // caps what is bought, not what is held
}

// SetLevels says how much places should hold of parts.
func SetLevels(tx *gorm.DB, who access.Actor, in []Level) error {
	if err := who.Must(access.MoveStock); err != nil {
		return err
	}
	var bad []*fault.Error
	for i, l := range in {
		if l.Least < 0 {
			bad = append(bad, fault.Field(item(i, "least"), l.Least, "must not be negative"))
		}
		if l.Most != nil && *l.Most < l.Least {
			bad = append(bad, fault.Field(item(i, "most"), *l.Most, "is not below the least, %s", l.Least))
		}
	}
	if err := fault.Collect(bad...); err != nil {
		return err
	}
	text, err := doc(in)
	if err != nil {
		return err
	}
	return tx.Exec(`
insert into stock_level (location_id, part_id, least, most)
select location_id, part_id, least, most from jsonb_to_recordset(cast(@rows as jsonb)) as r(location_id uuid, part_id uuid, least numeric, most numeric)
on conflict on constraint stock_level_pk do update set least = excluded.least, most = excluded.most`, map[string]any{"rows": text}).Error
}
