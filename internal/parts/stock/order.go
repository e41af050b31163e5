package stock

import (
	"context"
	"encoding/csv"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/fault"
	"spindlebook/internal/parts/amount"
	"spindlebook/internal/pgdb"
)

// Order is what a supplier is asked for.
type Order struct {
	ID         uuid.UUID
	Number     string // our own
	SupplierID uuid.UUID
	Supplier   string // its code
	LocationID uuid.UUID
	Location   string // where it goes
	State      string // draft, sent, closed or cancelled
	Note       string
	MadeAt     time.Time
	MadeBy     string
	SentAt     *time.Time
	EndedAt    *time.Time
	EndedWhy   string
	Open       int // lines of which something is still to come
	Late       int // of them promised for a day that has passed
	Version    int
	Lines      []OrderLine `gorm:"-" db:"-"`
}

// OrderLine is a part of an order, in units of measure.
type OrderLine struct {
	ID              uuid.UUID
	OrderID         uuid.UUID
	Ordinal         int
	PartID          uuid.UUID
	PartNumber      string
	PartDescription string
	SupplierNumber  string // the supplier's own number
	MeasuredIn      string
	Tracking        string
	Pack            amount.Amount
	BoughtIn        string
	Amount          amount.Amount
	Received        amount.Amount
	Cancelled       amount.Amount
	NeededOn        *string
	PromisedOn      *string // the last promise
	Slips           int     // how often it was put off
	PriceMinor      *int64  // of one unit of measure; nil also where the actor may not see it
	Currency        *string
}

// ToCome gives what of a line is still to come.
func (l OrderLine) ToCome() amount.Amount { return max(0, l.Amount-l.Cancelled-l.Received) }

const orderLines = `
select l.id, l.order_id, l.ordinal, l.part_id, p.number as part_number, p.description as part_description, coalesce(sp.number, '') as supplier_number, p.measured_in, p.tracking, p.pack, p.bought_in,
       l.amount, coalesce(r.n, 0) as received, l.cancelled, to_char(l.needed_on, 'YYYY-MM-DD') as needed_on, to_char(pr.last, 'YYYY-MM-DD') as promised_on, coalesce(pr.slips, 0) as slips,
       c.price_minor, c.currency
  from supplier_order_line as l
  join supplier_order as o on o.id = l.order_id
  join part as p on p.id = l.part_id
  left join supplier_part as sp on sp.supplier_id = o.supplier_id and sp.part_id = l.part_id
  left join supplier_order_price as c on c.line_id = l.id
  left join lateral (select sum(case when m.kind = 'receive' then m.amount else -m.amount end) as n from stock_movement as m
                      where m.order_line_id = l.id and m.kind in ('receive', 'supplier_return')) as r on true
  left join lateral (select (array_agg(promised_on order by told_at desc, id desc))[1] as last,
                            count(*) filter (where promised_on > was) as slips
                       from (select promised_on, told_at, id, lag(promised_on) over (order by told_at, id) as was from supplier_order_promise where line_id = l.id) as s) as pr on true`

const orders = `
select o.id, o.number, o.supplier_id, s.code as supplier, o.location_id, l.code as location, o.state, o.note, o.made_at, coalesce(a.name, '') as made_by, o.sent_at, o.ended_at, o.ended_why,
       coalesce(n.open, 0) as open, coalesce(n.late, 0) as late, o.version
  from supplier_order as o
  join supplier as s on s.id = o.supplier_id
  join location as l on l.id = o.location_id
  left join actor as a on a.id = o.made_by
  left join lateral (
    select count(*) as open, count(*) filter (where p.last < cast(@today as date)) as late
      from supplier_order_line as ol
      left join lateral (select promised_on as last from supplier_order_promise where line_id = ol.id order by told_at desc, id desc limit 1) as p on true
     where ol.order_id = o.id and o.state = 'sent'
       and ol.amount - ol.cancelled > coalesce((select sum(case when m.kind = 'receive' then m.amount else -m.amount end) from stock_movement as m
                                                 where m.order_line_id = ol.id and m.kind in ('receive', 'supplier_return')), 0)) as n on true`

// onTheirWay says what of a part is to come, and when.
func onTheirWay(tx *gorm.DB, part uuid.UUID) (string, error) {
	var said *string
	err := tx.Raw(`
select string_agg(s.says, ', ') as says
  from (select trim_scale(l.amount - l.cancelled - coalesce(r.n, 0)) || coalesce(' on ' || to_char(p.promised_on, 'FMDD FMMonth YYYY'), ' without a day') || ' (' || o.number || ')' as says
          from supplier_order_line as l
          join supplier_order as o on o.id = l.order_id and o.state = 'sent'
          left join lateral (select sum(case when m.kind = 'receive' then m.amount else -m.amount end) as n from stock_movement as m
                              where m.order_line_id = l.id and m.kind in ('receive', 'supplier_return')) as r on true
          left join lateral (select promised_on from supplier_order_promise where line_id = l.id order by told_at desc, id desc limit 1) as p on true
         where l.part_id = ? and l.amount - l.cancelled > coalesce(r.n, 0)
      order by p.promised_on nulls last, o.number limit 3) as s`, part).Scan(&said).Error
	return val(said), err
}

// NewOrder is what it takes to draft an order.
type NewOrder struct {
	SupplierID uuid.UUID
	LocationID uuid.UUID
	Note       string
	Lines      []NewOrderLine
}

// NewOrderLine asks for an amount of a part, in units of measure.
type NewOrderLine struct {
	PartID     uuid.UUID
	Amount     amount.Amount
	NeededOn   string
	PriceMinor *int64 // of one unit of measure; only somebody who sees cost may give it
	Currency   string
	Sure       bool // it is no whole number of packs, and that is meant
}

// DraftOrder writes an order that is not sent yet.
func DraftOrder(tx *gorm.DB, who access.Actor, now time.Time, in NewOrder) (Order, error) {
	if err := who.Must(access.MoveStock); err != nil {
		return Order{}, err
	}
	if len(in.Lines) == 0 || len(in.Lines) > 200 {
		return Order{}, fault.Field("lines", len(in.Lines), "names 1 to 200 parts")
	}
	lines := make([]Moving, len(in.Lines))
	for i, l := range in.Lines {
		lines[i] = Moving{PartID: l.PartID, To: &in.LocationID}
	}
	of, err := look(tx, now, lines)
	if err != nil {
		return Order{}, err
	}
	id := pgdb.NewID()
	rows := make([]map[string]any, len(in.Lines))
	var bad []*fault.Error
	priced := false
	for i, l := range in.Lines {
		k, at := of[i], func(field string) string { return fmt.Sprintf("lines[%d].%s", i, field) }
		needed, f := date(l.NeededOn, at("needed_on"))
		bad = append(bad, f)
		switch {
		case !k.PartKnown:
			bad = append(bad, fault.Field(at("part_id"), l.PartID, "names no part"))
		case !k.ToKnown:
			bad = append(bad, fault.Field("location_id", in.LocationID, "names no location"))
		case k.Withdrawn != "":
			bad = append(bad, conflict(at("part_id"), k.Number, "is withdrawn"))
		case l.Amount <= 0 || l.Amount > amount.Most:
			bad = append(bad, fault.Field(at("amount"), l.Amount, "lies above 0 and at most at %s", amount.Most))
		case InPieces(k.MeasuredIn) && !l.Amount.Whole():
			bad = append(bad, fault.Field(at("amount"), l.Amount, "is a whole number: %s is counted in %s", k.Number, k.MeasuredIn))
		case l.Amount%k.Pack != 0 && !l.Sure:
			up, _ := ((l.Amount + k.Pack - 1) / k.Pack * amount.One).Times(k.Pack)
			bad = append(bad, fault.Field(at("amount"), l.Amount, "is no whole number of packs of %s; order %s, or say that you are sure", k.Pack, up))
		case l.PriceMinor != nil && !who.May(access.SeeCost):
			bad = append(bad, fault.Field(at("price_minor"), "", "is given by somebody who sees cost"))
		case l.PriceMinor != nil && *l.PriceMinor < 0:
			bad = append(bad, fault.Field(at("price_minor"), *l.PriceMinor, "must not be negative"))
		}
		priced = priced || l.PriceMinor != nil
		rows[i] = map[string]any{"id": pgdb.NewID(), "ordinal": i + 1, "part_id": l.PartID, "amount": l.Amount, "needed_on": needed, "price": l.PriceMinor, "currency": strings.ToUpper(l.Currency)}
	}
	if err := fault.Collect(bad...); err != nil {
		return Order{}, err
	}
	text, err := doc(rows)
	if err != nil {
		return Order{}, err
	}
	v := map[string]any{"id": id, "supplier": in.SupplierID, "location": in.LocationID, "note": strings.TrimSpace(in.Note), "now": now, "who": who.ID, "rows": text}
	err = tx.Exec(`insert into supplier_order (id, number, supplier_id, location_id, note, made_at, made_by)
values (@id, 'PO-' || lpad(nextval('supplier_order_seq')::text, 6, '0'), @supplier, @location, @note, @now, @who)`, v).Error
	if err != nil {
		return Order{}, err
	}
	err = tx.Exec(`insert into supplier_order_line (id, order_id, ordinal, part_id, amount, needed_on)
select id, @id, ordinal, part_id, amount, needed_on from jsonb_to_recordset(cast(@rows as jsonb)) as r(id uuid, ordinal int, part_id uuid, amount numeric, needed_on date)`, v).Error
	if err != nil {
		return Order{}, err
	}
	if priced {
		err = tx.Exec(`insert into supplier_order_price (line_id, price_minor, currency)
select id, price, currency from jsonb_to_recordset(cast(@rows as jsonb)) as r(id uuid, price bigint, currency text) where price is not null`, v).Error
		if err != nil {
			return Order{}, err
		}
	}
	return orderInTx(tx, now, id)
}

func orderInTx(tx *gorm.DB, now time.Time, id uuid.UUID) (Order, error) {
	o, err := pgdb.One[Order](tx, "order", id.String(), orders+` where o.id = @id`, map[string]any{"id": id, "today": day(now)})
	if err != nil {
		return o, err
	}
	return o, tx.Raw(orderLines+` where l.order_id = ? order by l.ordinal`, id).Scan(&o.Lines).Error
}

// step changes the state of an order that is still at the version seen.
func step(tx *gorm.DB, who access.Actor, now time.Time, id uuid.UUID, version int, from []string, set string, args map[string]any) (Order, error) {
	if err := who.Must(access.MoveStock); err != nil {
		return Order{}, err
	}
	if err := bump(tx, "order", "supplier_order", id, version); err != nil {
		return Order{}, err
	}
	was, err := orderInTx(tx, now, id)
	if err != nil {
		return was, err
	}
	if !slices.Contains(from, was.State) {
		return was, conflict("state", was.State, "is not %s", strings.Join(from, " or "))
	}
	args["id"], args["now"] = id, now
	if err := tx.Exec(`update supplier_order set `+set+` where id = @id`, args).Error; err != nil {
		return was, err
	}
	return orderInTx(tx, now, id)
}

// SendOrder notes that an order has gone to the supplier; with the day that they promise, if
// they do.
func SendOrder(tx *gorm.DB, who access.Actor, now time.Time, id uuid.UUID, version int, promised string) (Order, error) {
	on, bad := date(promised, "promised_on")
	if bad != nil {
		return Order{}, bad
	}
	o, err := step(tx, who, now, id, version, []string{"draft"}, `state = 'sent', sent_at = @now`, map[string]any{})
	if err != nil || on == nil {
		return o, err
	}
	all := make([]Promised, len(o.Lines))
	for i, l := range o.Lines {
		all[i] = Promised{l.ID, *on}
	}
	return PromiseOrder(tx, who, now, id, all)
}

// Promised is a day that a supplier has named.
type Promised struct {
	LineID uuid.UUID
	On     string
}

// PromiseOrder notes for when lines are promised. Each change is kept.
func PromiseOrder(tx *gorm.DB, who access.Actor, now time.Time, id uuid.UUID, in []Promised) (Order, error) {
	if err := who.Must(access.MoveStock); err != nil {
		return Order{}, err
	}
	o, err := orderInTx(tx, now, id)
	if err != nil {
		return o, err
	}
	if o.State != "sent" {
		return o, conflict("state", o.State, "is not sent")
	}
	rows := make([]map[string]any, len(in))
	for i, p := range in {
		on, bad := date(p.On, item(i, "on"))
		if bad == nil && on == nil {
			bad = fault.Field(item(i, "on"), "", "is needed")
		}
		if bad == nil && !slices.ContainsFunc(o.Lines, func(l OrderLine) bool { return l.ID == p.LineID }) {
			bad = fault.Field(item(i, "line_id"), p.LineID, "names no line of this order")
		}
		if bad != nil {
			return o, bad
		}
		rows[i] = map[string]any{"id": pgdb.NewID(), "line_id": p.LineID, "on": *on}
	}
	text, err := doc(rows)
	if err != nil {
		return o, err
	}
	err = tx.Exec(`insert into supplier_order_promise (id, line_id, promised_on, told_at, told_by)
select id, line_id, "on", @now, @who from jsonb_to_recordset(cast(@rows as jsonb)) as r(id uuid, line_id uuid, "on" date)`, map[string]any{"rows": text, "now": now, "who": who.ID}).Error
	if err != nil {
		return o, err
	}
	return orderInTx(tx, now, id)
}

// CancelOrder ends an order of which nothing has come. CloseOrder ends one of which the rest
// does not come.
func CancelOrder(tx *gorm.DB, who access.Actor, now time.Time, id uuid.UUID, version int, why string) (Order, error) {
	if strings.TrimSpace(why) == "" {
		return Order{}, fault.Field("why", "", "is needed")
	}
	o, err := step(tx, who, now, id, version, []string{"draft", "sent"}, `state = 'cancelled', ended_at = @now, ended_why = @why`, map[string]any{"why": strings.TrimSpace(why)})
	if err != nil {
		return o, err
	}
	for _, l := range o.Lines {
		if l.Received > 0 {
			return o, conflict("state", o.State, "is not possible: some of it has come; close the order, and the rest is cancelled")
		}
	}
	return o, nil
}

// CloseOrder ends an order: what has not come will not.
func CloseOrder(tx *gorm.DB, who access.Actor, now time.Time, id uuid.UUID, version int, why string) (Order, error) {
	o, err := step(tx, who, now, id, version, []string{"sent"}, `state = 'closed', ended_at = @now, ended_why = @why`, map[string]any{"why": strings.TrimSpace(why)})
	if err != nil {
		return o, err
	}
	var short []string
	for _, l := range o.Lines {
		if n := l.ToCome(); n > 0 {
			short = append(short, fmt.Sprintf("('%s', %s)", l.ID, n))
		}
	}
	if len(short) == 0 {
		return o, nil
	}
	if strings.TrimSpace(why) == "" {
		return o, fault.Field("why", "", "is needed: not everything has come")
	}
	err = tx.Exec(`update supplier_order_line as l set cancelled = l.cancelled + r.n from (values ` + strings.Join(short, ", ") + `) as r(id, n) where l.id = cast(r.id as uuid)`).Error
	if err != nil {
		return o, err
	}
	return orderInTx(tx, now, id)
}

// Arrival is what has come for a line of an order.
type Arrival struct {
	LineID    uuid.UUID
	Amount    amount.Amount
	To        *uuid.UUID // nil is where the order goes
	Lot       string
	ExpiresOn string
	Units     []ArrivedUnit // of a part by unit: one for each; the amount follows
	Damaged   bool          // it goes to a quarantine, and the supplier is told
	// It is more than was ordered, or is counted in other units than it seems: somebody has looked.
	Sure   bool
	Reason string
}

// ArrivedUnit is one unit of an arrival.
type ArrivedUnit struct {
	Tag    string // "" takes the next of our labels
	Serial string
}

// ReceiveOrder takes in what has come of an order, in part or in full. More than was ordered is
// asked about; one where boxes of fifty were ordered, too.
func ReceiveOrder(tx *gorm.DB, who access.Actor, now time.Time, id uuid.UUID, document string, in []Arrival) (Order, []Movement, error) {
	if err := who.Must(access.MoveStock); err != nil {
		return Order{}, nil, err
	}
	if err := lock(tx, "order", []uuid.UUID{id}); err != nil {
		return Order{}, nil, err
	}
	o, err := orderInTx(tx, now, id)
	if err != nil {
		return o, nil, err
	}
	if o.State != "sent" {
		return o, nil, conflict("state", o.State, "is not sent: nothing of it can come")
	}
	var lines []Moving
	var places []int
	var units []NewUnit
	var unitPlaces []int
	var bad []*fault.Error
	blame := func(f *fault.Error) { bad = append(bad, f) }
	come := map[uuid.UUID]amount.Amount{}
	var damaged []noting
	for i, a := range in {
		j := slices.IndexFunc(o.Lines, func(l OrderLine) bool { return l.ID == a.LineID })
		if j < 0 {
			blame(fault.Field(item(i, "line_id"), a.LineID, "names no line of this order"))
			continue
		}
		l, n, to := o.Lines[j], a.Amount, o.LocationID
		if a.To != nil {
			to = *a.To
		}
		if l.Tracking == "unit" {
			n = amount.Of(int64(len(a.Units)))
		} else if len(a.Units) > 0 {
			blame(fault.Field(item(i, "units"), len(a.Units), "are given for parts that are kept by unit; %s is not", l.PartNumber))
		}
		left := l.ToCome() - come[l.ID]
		come[l.ID] += n
		switch packs, whole := n.Times(l.Pack); {
		case n <= 0:
			blame(fault.Field(item(i, "amount"), n, "lies above 0"))
		case !a.Sure && l.Pack > amount.One && n < l.Pack && whole && packs <= left && n.Whole():
			blame(fault.Field(item(i, "amount"), n, "is less than one %s of %s: is it %s, or %s packs, which are %s? Say that you are sure, or give the other",
				l.BoughtIn, l.Pack, counted(n, l.MeasuredIn), n, counted(packs, l.MeasuredIn)))
		case n > left && !a.Sure:
			blame(conflict(item(i, "amount"), n, "is more than is still to come of %s: %s; say that you are sure, or send the rest back", l.PartNumber, counted(left, l.MeasuredIn)))
		case a.Damaged && strings.TrimSpace(a.Reason) == "":
			blame(fault.Field(item(i, "reason"), "", "is needed: what is damaged"))
		}
		line := l.ID
		for _, u := range a.Units {
			units = append(units, NewUnit{PartID: l.PartID, Tag: u.Tag, Serial: u.Serial, Lot: a.Lot, To: to, Damaged: a.Damaged, Reason: a.Reason, Document: cmpOr(document, o.Number), orderLine: &line})
			unitPlaces = append(unitPlaces, i)
		}
		if l.Tracking != "unit" {
			lines = append(lines, Moving{Kind: "receive", PartID: l.PartID, Lot: a.Lot, ExpiresOn: a.ExpiresOn, Amount: n, To: &to, Reason: a.Reason, Document: cmpOr(document, o.Number), Sure: true, orderLine: &line})
			places = append(places, i)
			if a.Damaged {
				damaged = append(damaged, noting{Discrepancy: Discrepancy{ID: pgdb.NewID(), Kind: "received_damaged", LocationID: &to, PartID: l.PartID, Amount: n,
					Says: fmt.Sprintf("%s of %s arrived damaged with %s: %s", counted(n, l.MeasuredIn), l.PartNumber, o.Number, strings.TrimSpace(a.Reason))}})
			}
		}
	}
	if err := fault.Collect(bad...); err != nil {
		return o, nil, err
	}
	var done []Movement
	if len(lines) > 0 {
		if done, err = Move(tx, who, now, lines); err != nil {
			return o, nil, placed(err, places)
		}
	}
	if len(units) > 0 {
		more, err := ReceiveUnits(tx, who, now, units)
		if err != nil {
			return o, nil, placed(err, unitPlaces)
		}
		done = append(done, more...)
	}
	if err := note(tx, who, now, damaged); err != nil {
		return o, nil, err
	}
	if o, err = orderInTx(tx, now, id); err != nil {
		return o, nil, err
	}
	if !slices.ContainsFunc(o.Lines, func(l OrderLine) bool { return l.ToCome() > 0 }) {
		err = tx.Exec(`update supplier_order set state = 'closed', ended_at = ?, ended_why = 'all of it has come', version = version + 1 where id = ?`, now, id).Error
		if err != nil {
			return o, nil, err
		}
		o, err = orderInTx(tx, now, id)
	}
	return o, done, err
}

// OrderFilter narrows a list of orders; a nil field does not.
type OrderFilter struct {
	State      *string
	SupplierID *uuid.UUID
	PartID     *uuid.UUID
	Open       bool // drafts and what is sent
	Late       bool // something of it is promised for a day that has passed
}

// Orders lists orders by number, the latest first; their lines come with OneOrder.
func Orders(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, f OrderFilter, p Page) ([]Order, error) {
	return pgdb.ReadSome[Order](ctx, db, who.ID, orders+`
 where @everywhere
   and (cast(@state as text) is null or o.state = @state)
   and (cast(@supplier as uuid) is null or o.supplier_id = @supplier)
   and (cast(@part as uuid) is null or exists (select from supplier_order_line as ol where ol.order_id = o.id and ol.part_id = @part))
   and (not @open or o.state in ('draft', 'sent'))
   and (not @late or n.late > 0)
   and (@after = '' or o.number < @after)
order by o.number desc
   limit @limit`, pageArgs(who, p, map[string]any{"state": f.State, "supplier": f.SupplierID, "part": f.PartID, "open": f.Open, "late": f.Late, "today": day(now)}))
}

// OneOrder gives an order with its lines.
func OneOrder(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, id uuid.UUID) (Order, error) {
	found, err := pgdb.ReadSome[Order](ctx, db, who.ID, orders+` where @everywhere and o.id = @id`, who.Scope(map[string]any{"id": id, "today": day(now)}))
	if err == nil && len(found) == 0 {
		err = fault.Missing("order", id.String())
	}
	if err != nil {
		return Order{}, err
	}
	found[0].Lines, err = pgdb.Read[OrderLine](ctx, db, who.ID, orderLines+` where l.order_id = @id order by l.ordinal`, map[string]any{"id": id})
	return found[0], err
}

// CSV writes an order as the supplier gets it: without prices that are ours to know.
func (o Order) CSV() (string, error) {
	var b strings.Builder
	w := csv.NewWriter(&b)
	rows := [][]string{{"order", "line", "your number", "our number", "description", "packs", "pack", "amount", "unit", "needed on"}}
	for _, l := range o.Lines {
		packs := ""
		if l.Amount%l.Pack == 0 {
			packs = fmt.Sprint(int64(l.Amount / l.Pack))
		}
		rows = append(rows, []string{o.Number, fmt.Sprint(l.Ordinal), plain(l.SupplierNumber), plain(l.PartNumber), plain(l.PartDescription), packs, l.Pack.String() + " " + l.MeasuredIn + " a " + l.BoughtIn,
			l.Amount.String(), l.MeasuredIn, val(l.NeededOn)})
	}
	err := w.WriteAll(rows)
	return b.String(), err
}

// plain keeps a cell from being taken for a formula by a spreadsheet.
func plain(s string) string {
	if s != "" && strings.ContainsRune("=+-@\t\r", rune(s[0])) {
		return "'" + s
	}
	return s
}
