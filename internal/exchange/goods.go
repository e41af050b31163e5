package exchange

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/fault"
	"spindlebook/internal/measure"
	"spindlebook/internal/money"
	"spindlebook/internal/parts"
	"spindlebook/internal/parts/amount"
	"spindlebook/internal/parts/stock"
	"spindlebook/internal/pgdb"
)

// MaxGoods bounds a list about stock in rows.
const MaxGoods = 20_000

// goodsKind is a list about stock: its columns in the order in which exports write them, and
// the query that gives it.
type goodsKind struct {
	name   string
	heads  []head // only name, also and need are used
	right  access.Capability
	query  string
	number []string // columns that hold numbers
}

var goodsKinds = []goodsKind{
	{"catalogue", []head{needed(text("part", "part number", "number")), text("description"), text("measured in", "unit", "counted in"), text("bought in"), text("pack"), text("container"), text("tracking", "told apart"),
		text("shelf months", "keeps closed"), text("open months", "keeps open"), text("repairable"), text("hazard", "mind"), text("abc", "class by value")}, access.KeepCatalogue, `
select p.number, p.description, p.measured_in, p.bought_in, trim_scale(p.pack)::text, trim_scale(p.container)::text, p.tracking, p.shelf_months::text, p.open_months::text, ` + yesText("p.repairable") + `, p.hazard, p.abc
  from part as p
order by p.number`, []string{"pack", "container", "shelf months", "open months"}},
	{"stock", []head{needed(text("location", "place")), needed(text("part", "part number")), text("description"), text("lot", "batch"), text("owner"), text("owner customer"), needed(text("amount", "counted", "on hand", "quantity")),
		text("last day", "expires", "expires on")}, access.MoveStock, `
select l.code, p.number, p.description, lt.code, b.owner, c.code, trim_scale(b.on_hand)::text, to_char(lt.expires_on, 'YYYY-MM-DD')
  from stock_balance as b
  join location as l on l.id = b.location_id and l.kind <> 'unexplained'
  join part as p on p.id = b.part_id and p.tracking not in ('unit', 'kit')
  left join lot as lt on lt.id = b.lot_id
  left join customer as c on c.id = b.owner_customer_id
 where b.on_hand <> 0 and (@everywhere or b.site_id = any (@sites))
order by l.code, p.number, lt.code, b.owner, c.code`, []string{"amount"}},
	{"orders", []head{needed(text("order", "order number")), needed(text("supplier")), needed(text("location", "place", "goes to")), needed(text("part", "part number")), text("description"), needed(text("amount", "quantity")), text("needed on"), text("price"), text("currency"),
		text("sure"), text("note"), text("state"), text("received")}, access.MoveStock, `
select o.number, s.code, l.code, p.number, p.description, trim_scale(ol.amount)::text, to_char(ol.needed_on, 'YYYY-MM-DD'), ` + money.SQL("pr.price_minor", "pr.currency") + `, pr.currency, 'yes', o.note, o.state,
       trim_scale(coalesce((select sum(case when m.kind = 'receive' then m.amount else -m.amount end) from stock_movement as m where m.order_line_id = ol.id and m.kind in ('receive', 'supplier_return')), 0))::text
  from supplier_order as o
  join supplier as s on s.id = o.supplier_id
  join location as l on l.id = o.location_id
  join supplier_order_line as ol on ol.order_id = o.id
  join part as p on p.id = ol.part_id
  left join supplier_order_price as pr on pr.line_id = ol.id
 where @everywhere
order by o.number, ol.ordinal`, []string{"amount", "price", "received"}},
}

// GoodsKinds names the lists about stock.
func GoodsKinds() []string {
	names := make([]string, len(goodsKinds))
	for i, k := range goodsKinds {
		names[i] = k.name
	}
	return names
}

func goodsKindOf(name string) (goodsKind, error) {
	i := slices.IndexFunc(goodsKinds, func(k goodsKind) bool { return k.name == name })
	if i < 0 {
		return goodsKind{}, fault.Missing("kind of list", name)
	}
	return goodsKinds[i], nil
}

func (k goodsKind) exported() exported {
	e := exported{kind: k.name, query: k.query, numbers: k.number}
	for _, h := range k.heads {
		e.heads = append(e.heads, h.name)
	}
	return e
}

// columns finds the columns of a row of heads; nil where it is none.
func (k goodsKind) columns(cells []string) map[string]int {
	place := map[string]int{}
	for i, c := range cells {
		for _, h := range k.heads {
			for _, a := range append([]string{h.name}, h.also...) {
				if _, twice := place[h.name]; !twice && squeeze(a) == squeeze(trim(c)) {
					place[h.name] = i
				}
			}
		}
	}
	for _, h := range k.heads {
		if _, there := place[h.name]; h.need && !there {
			return nil
		}
	}
	return place
}

// GoodsDone is what an import of a list about stock did, or would do.
type GoodsDone struct {
	DryRun                          bool
	Kind                            string
	Rows, Added, Changed, Unchanged int
	Notes                           []string
}

// goodsRow is a row of a list, by column.
type goodsRow struct {
	number int
	cells  map[string]string
}

type goods struct {
	tx    *gorm.DB
	who   access.Actor
	now   time.Time
	kind  goodsKind
	order order
	place map[string]int
	rows  []goodsRow
	said  *sayings
	bad   map[int]bool // rows of which something was said
	done  GoodsDone

	parts, locations, suppliers, customers map[string]goodsThing
}

// goodsThing is something that a row names.
type goodsThing struct {
	ID      uuid.UUID
	Code    string
	Is      string // tracking of a part, kind of a place
	Version int
}

// ImportGoods brings a list about stock in, all of it or nothing: how parts are counted and
// kept, what was counted where, or orders to draft. Rows that break a rule are told by
// number and column. The same list again changes nothing.
func ImportGoods(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, up *Upload, o Options) (GoodsDone, error) {
	k, err := goodsKindOf(o.Kind)
	if err != nil {
		return GoodsDone{}, err
	}
	if err := who.Must(k.right); err != nil {
		return GoodsDone{}, err
	}
	if o.Dates != "" && o.Dates != DayFirst && o.Dates != MonthFirst {
		return GoodsDone{}, fault.Field("dates", o.Dates, "is %s or %s", DayFirst, MonthFirst)
	}
	now = now.UTC().Truncate(time.Microsecond)
	work := func(tx *gorm.DB) (GoodsDone, error) {
		g := &goods{tx: tx, who: who, now: now, kind: k, order: order{told: o.Dates}, said: newSayings(), bad: map[int]bool{}, done: GoodsDone{DryRun: o.DryRun, Kind: k.name, Notes: []string{}}}
		if err := g.read(up); err != nil {
			return GoodsDone{}, err
		}
		if err := g.run(); err != nil {
			return GoodsDone{}, err
		}
		return g.done, g.said.fault()
	}
	if !o.DryRun {
		return pgdb.Once(ctx, db, who.ID, now, pgdb.Request{Key: o.Key, Act: "importStock", Body: map[string]string{"sum": up.sum, "kind": o.Kind, "dates": o.Dates}}, work)
	}
	var done GoodsDone
	err = db.InTx(ctx, who.ID, func(tx *gorm.DB) (err error) {
		if done, err = work(tx); err != nil {
			return err
		}
		return errDry
	})
	if errors.Is(err, errDry) {
		err = nil
	}
	return done, err
}

func (g *goods) read(up *Upload) error {
	names := make([]string, 0, len(g.kind.heads))
	for _, h := range g.kind.heads {
		if h.need {
			names = append(names, h.name)
		}
	}
	l := listing{up: up, columns: g.kind.columns, what: g.kind.name + ": " + strings.Join(names, ", "), most: MaxGoods, headed: goOn, begun: func(place map[string]int) { g.place = place }}
	err := l.each(func(number int, cells []cell) error {
		r := goodsRow{number, map[string]string{}}
		for name, i := range g.place {
			if i >= len(cells) {
				continue
			}
			t := strings.TrimPrefix(trim(cells[i].text), "'") // what kept it from being a formula
			switch {
			case !utf8.ValidString(t) || strings.ContainsRune(t, 0):
				g.blame(number, name, "", "not_text", "holds characters that are no text")
			case utf8.RuneCountInString(t) > 500:
				g.blame(number, name, shortened(t), "too_long", "takes at most 500 characters")
			default:
				r.cells[name] = t
			}
		}
		for _, h := range g.kind.heads {
			if h.need && r.cells[h.name] == "" {
				g.blame(number, h.name, "", "needed", "is needed in every row")
			}
		}
		g.rows = append(g.rows, r)
		return nil
	})
	g.done.Rows, g.done.Notes = len(g.rows), append(g.done.Notes, l.notes...)
	return err
}

func (g *goods) blame(row int, column, value, rule, says string) {
	g.bad[row] = true
	place := 0
	if i, there := g.place[column]; there {
		place = i + 1
	}
	g.said.err(saying{sheet: g.kind.name, row: row, place: place, column: column, value: value, rule: rule, says: says})
}

func (g *goods) run() error {
	for _, s := range []struct {
		into                *map[string]goodsThing
		column, table, code string
		is                  string
	}{{&g.parts, "part", "part", "number", "tracking"}, {&g.locations, "location", "location", "code", "kind"}, {&g.suppliers, "supplier", "supplier", "code", "''"}, {&g.customers, "owner customer", "customer", "code", "''"}} {
		if err := g.find(s.into, s.column, s.table, s.code, s.is); err != nil {
			return err
		}
	}
	switch g.kind.name {
	case "catalogue":
		return g.catalogue()
	case "stock":
		return g.stock()
	}
	return g.orders()
}

// find looks up what the rows name in a column, in one statement.
func (g *goods) find(into *map[string]goodsThing, column, table, code, is string) error {
	*into = map[string]goodsThing{}
	if _, there := g.place[column]; !there {
		return nil
	}
	names := []string{}
	for _, r := range g.rows {
		if t := strings.ToUpper(r.cells[column]); t != "" {
			names = append(names, t)
		}
	}
	text, err := json.Marshal(names)
	if err != nil {
		return err
	}
	var found []goodsThing
	err = g.tx.Raw(`select id, `+code+` as code, `+is+` as is, version from `+table+` where upper(`+code+`) in (select jsonb_array_elements_text(cast(? as jsonb)))`, string(text)).Scan(&found).Error
	for _, f := range found {
		(*into)[strings.ToUpper(f.Code)] = f
	}
	for _, r := range g.rows {
		if t := r.cells[column]; t != "" {
			if _, there := (*into)[strings.ToUpper(t)]; !there {
				g.blame(r.number, column, t, "unknown", "names no "+table+" on record")
			}
		}
	}
	return err
}

// amount reads a number of a row; false where it is none.
func (g *goods) amount(r goodsRow, column string) (amount.Amount, bool) {
	n, bad := amount.Parse(plainNumber(r.cells[column]))
	if bad != nil {
		g.blame(r.number, column, r.cells[column], "number", bad.Msg)
	}
	return n, bad == nil
}

// date reads a day of a row as YYYY-MM-DD.
func (g *goods) date(r goodsRow, column string) string {
	t := r.cells[column]
	if t == "" {
		return ""
	}
	w, wrong := readDate(t, g.order, g.now)
	if wrong == "" && w.precision != "day" {
		wrong = "must name the day"
	}
	if wrong != "" {
		g.blame(r.number, column, t, "date", wrong)
		return ""
	}
	return w.local.Format(time.DateOnly)
}

func (g *goods) yes(r goodsRow, column string) bool {
	switch strings.ToLower(r.cells[column]) {
	case "", "no", "n", "false", "0":
		return false
	case "yes", "y", "true", "1", "x":
		return true
	}
	g.blame(r.number, column, r.cells[column], "yes", "is yes or no")
	return false
}

// aboutRows tells whether what was sent is to blame, and not whoever sent it or the machine.
func aboutRows(f *fault.Error) bool { return f.Kind == fault.Invalid || f.Kind == fault.Conflict }

// told puts a fault of a feature at the row and column that it is about: of returns the row for
// the place in the list that the feature was given.
func (g *goods) told(err error, of []goodsRow, columns map[string]string) error {
	f, ok := errors.AsType[*fault.Error](err)
	if !ok || !aboutRows(f) {
		return err
	}
	all := f.Parts
	if f.Field != "" || len(all) == 0 {
		all = []fault.Part{{Field: f.Field, Value: f.Value, Msg: f.Msg}}
	}
	for _, p := range all {
		at, column := 0, p.Field
		if head, rest, found := strings.Cut(p.Field, "]."); found {
			_, _ = fmt.Sscanf(head[strings.IndexByte(head, '[')+1:], "%d", &at) // 0 where it is none
			column = rest
		}
		if to, known := columns[column]; known {
			column = to
		} else {
			column = strings.ReplaceAll(column, "_", " ")
		}
		r := of[min(max(at, 0), len(of)-1)]
		value := fmt.Sprint(p.Value)
		if c, there := r.cells[column]; there {
			value = c
		}
		g.blame(r.number, column, value, "refused", p.Msg)
	}
	return nil
}

func (g *goods) catalogue() error {
	var was []parts.Stocking
	ids := make([]string, 0, len(g.rows))
	for _, t := range g.parts {
		ids = append(ids, t.ID.String())
	}
	slices.Sort(ids)
	err := g.tx.Raw(`
select p.id as part_id, p.version, p.measured_in, p.bought_in, p.pack, p.container, p.tracking, p.shelf_months, p.open_months, p.repairable, p.weight_kg, p.weight_typed, p.hazard, p.abc,
       coalesce((select jsonb_agg(jsonb_build_object('Number', a.number, 'Kind', a.kind) order by a.number) from part_alias as a where a.part_id = p.id), '[]') as aliases
  from part as p where p.id = any (cast(? as uuid[]))`, "{"+strings.Join(ids, ",")+"}").Scan(&was).Error
	if err != nil {
		return err
	}
	by := map[uuid.UUID]parts.Stocking{}
	for _, w := range was {
		by[w.PartID] = w
	}
	seen := map[uuid.UUID]int{}
	var all []parts.Restocking
	var rows []goodsRow
	for _, r := range g.rows {
		if g.bad[r.number] {
			continue
		}
		t := g.parts[strings.ToUpper(r.cells["part"])]
		if row, twice := seen[t.ID]; twice {
			g.blame(r.number, "part", r.cells["part"], "twice", fmt.Sprintf("stands in row %d too", row))
			continue
		}
		seen[t.ID] = r.number
		in, changed, ok := g.stocking(r, by[t.ID])
		switch {
		case !ok:
		case !changed:
			g.done.Unchanged++
		default:
			all, rows = append(all, parts.Restocking{PartID: t.ID, Version: t.Version, StockingEdit: in}), append(rows, r)
		}
	}
	set := func(some []parts.Restocking) error {
		return g.tx.Transaction(func(tx *gorm.DB) error { return pgdb.Explained(parts.SetStockings(tx, g.who, some)) })
	}
	err = set(all)
	if err == nil {
		g.done.Changed += len(all)
		return nil
	}
	f, ok := errors.AsType[*fault.Error](err)
	switch {
	case !ok || !aboutRows(f):
		return err
	case f.Field == "" && len(f.Parts) > 0 || strings.HasPrefix(f.Field, "items["):
		return g.told(err, rows, nil)
	}
	// a rule of the database names no row: each is tried by itself
	for i := range all {
		if err := set(all[i : i+1]); err == nil {
			g.done.Changed++
		} else if err := g.told(err, rows[i:i+1], nil); err != nil {
			return err
		}
	}
	return nil
}

// stocking reads how a part is counted and kept; a blank cell says nothing.
func (g *goods) stocking(r goodsRow, was parts.Stocking) (in parts.StockingEdit, changed, ok bool) {
	errors := g.said.errors
	in = parts.StockingEdit{MeasuredIn: was.MeasuredIn, BoughtIn: was.BoughtIn, Pack: was.Pack, Container: was.Container, Tracking: was.Tracking, ShelfMonths: was.ShelfMonths, OpenMonths: was.OpenMonths,
		Repairable: was.Repairable, Hazard: was.Hazard, ABC: was.ABC, Aliases: was.Aliases, Weight: typedWeight(was.WeightTyped)}
	for column, into := range map[string]*string{"measured in": &in.MeasuredIn, "bought in": &in.BoughtIn, "hazard": &in.Hazard, "tracking": &in.Tracking} {
		if t := r.cells[column]; t != "" && t != *into {
			*into, changed = t, true
		}
	}
	if t := r.cells["pack"]; t != "" {
		if n, ok := g.amount(r, "pack"); ok && n != in.Pack {
			in.Pack, changed = n, true
		}
	}
	if t := r.cells["container"]; t != "" {
		if n, ok := g.amount(r, "container"); ok && (in.Container == nil || n != *in.Container) {
			in.Container, changed = &n, true
		}
	}
	for column, into := range map[string]**int{"shelf months": &in.ShelfMonths, "open months": &in.OpenMonths} {
		t := r.cells[column]
		if t == "" {
			continue
		}
		n, err := strconv.Atoi(t)
		if err != nil {
			g.blame(r.number, column, t, "whole", "is a whole number of months")
		} else if *into == nil || **into != n {
			*into, changed = &n, true
		}
	}
	if r.cells["repairable"] != "" {
		if y := g.yes(r, "repairable"); y != in.Repairable {
			in.Repairable, changed = y, true
		}
	}
	if t := strings.ToUpper(r.cells["abc"]); t != "" && (in.ABC == nil || *in.ABC != t) {
		in.ABC, changed = &t, true
	}
	return in, changed, g.said.errors == errors
}

// typedWeight reads a weight back as it was typed.
func typedWeight(text *string) *measure.Typed {
	if text == nil {
		return nil
	}
	m, ok := measure.Parse(*text)
	if !ok {
		return nil
	}
	return &measure.Typed{Value: m.Value, Unit: m.Unit}
}

type shelfKey struct {
	location, part uuid.UUID
	lot, owner     string
	customer       uuid.UUID
}

// stock takes what was counted: what is on record with another amount goes through a count,
// as if somebody had entered it; what lies nowhere on record is received.
func (g *goods) stock() error {
	var there []struct {
		LocationID, PartID uuid.UUID
		Lot, Owner         string
		OwnerCustomerID    *uuid.UUID
		OnHand             amount.Amount
	}
	var places []string
	for _, t := range g.locations {
		places = append(places, t.ID.String())
	}
	err := g.tx.Raw(`
select b.location_id, b.part_id, coalesce(l.code, '') as lot, b.owner, b.owner_customer_id, b.on_hand
  from stock_balance as b left join lot as l on l.id = b.lot_id
 where b.location_id = any (cast(? as uuid[]))`, "{"+strings.Join(places, ",")+"}").Scan(&there).Error
	if err != nil {
		return err
	}
	on := map[shelfKey]amount.Amount{}
	for _, t := range there {
		k := shelfKey{t.LocationID, t.PartID, t.Lot, t.Owner, uuid.Nil}
		if t.OwnerCustomerID != nil {
			k.customer = *t.OwnerCustomerID
		}
		on[k] = t.OnHand
	}
	lots, err := g.lots()
	if err != nil {
		return err
	}
	waits, err := g.waiting(places)
	if err != nil {
		return err
	}
	told := map[int64]int{} // rows that wait, by count
	seen := map[shelfKey]int{}
	var fresh []stock.Moving
	var freshRows []goodsRow
	type differing struct {
		row goodsRow
		key shelfKey
		n   amount.Amount
	}
	differ := map[uuid.UUID][]differing{}
	var order []uuid.UUID
	for _, r := range g.rows {
		if g.bad[r.number] {
			continue
		}
		part, at := g.parts[strings.ToUpper(r.cells["part"])], g.locations[strings.ToUpper(r.cells["location"])]
		n, ok := g.amount(r, "amount")
		last := g.date(r, "last day")
		k := shelfKey{at.ID, part.ID, r.cells["lot"], strings.ToLower(strings.ReplaceAll(r.cells["owner"], " ", "_")), uuid.Nil}
		if k.owner == "" {
			k.owner = stock.Own
		}
		owner := stock.Owner{Kind: k.owner}
		if c, named := g.customers[strings.ToUpper(r.cells["owner customer"])]; named {
			k.customer, owner.CustomerID = c.ID, &c.ID
		}
		had, known := on[k]
		lot, lotKnown := lots[lotKey{part.ID, k.lot}]
		entered, waiting := waits[k]
		switch row, twice := seen[k]; {
		case !ok:
		case last != "" && part.Is != "lot" && part.Is != "lot_expiry":
			g.blame(r.number, "last day", r.cells["last day"], "no_lot", "is for parts that are kept by lot")
		case last != "" && lotKnown && lot != last:
			g.blame(r.number, "last day", r.cells["last day"], "last_day", fmt.Sprintf("differs from the last day of lot %s on record, %s; a lot is given more time after somebody has inspected it", k.lot, cmp.Or(lot, "none")))
		case part.Is == "unit":
			g.blame(r.number, "part", r.cells["part"], "by_unit", "is kept by unit: bring its units in, each with its tag")
		case part.Is == "kit":
			g.blame(r.number, "part", r.cells["part"], "by_bag", "lies in numbered bags: they are packed, not counted in")
		case twice:
			g.blame(r.number, "part", r.cells["part"], "twice", fmt.Sprintf("stands in row %d too, at the same place and of the same lot and owner", row))
		case n < 0:
			g.blame(r.number, "amount", r.cells["amount"], "negative", "must not be negative")
		case known && n == had, !known && n == 0:
			g.done.Unchanged++
		case waiting && entered.n == n:
			g.done.Unchanged++
			told[entered.count]++
		case known:
			if len(differ[at.ID]) == 0 {
				order = append(order, at.ID)
			}
			differ[at.ID] = append(differ[at.ID], differing{r, k, n})
		default:
			to := at.ID
			fresh = append(fresh, stock.Moving{Kind: "receive", PartID: part.ID, Lot: k.lot, Amount: n, To: &to, Owner: owner, ExpiresOn: last, Sure: true, Document: "counted in from a list"})
			freshRows = append(freshRows, r)
		}
		seen[k] = r.number
	}
	if g.said.errors > 0 {
		return nil
	}
	for _, count := range slices.Sorted(maps.Keys(told)) {
		g.done.Notes = append(g.done.Notes, fmt.Sprintf("Count %d is open and has %s already: a second person counts them before the record changes.", count, rowsOf(told[count])))
	}
	if len(fresh) > 0 {
		err := g.tx.Transaction(func(tx *gorm.DB) error {
			_, err := stock.Move(tx, g.who, g.now, fresh)
			return pgdb.Explained(err)
		})
		if err != nil {
			return g.told(err, freshRows, map[string]string{"part_id": "part", "to_id": "location", "expires_on": "last day", "owner_customer_id": "owner customer"})
		}
		g.done.Added = len(fresh)
	}
	for _, at := range order {
		var of []uuid.UUID
		for _, d := range differ[at] {
			of = append(of, d.key.part)
		}
		c, err := stock.OpenCount(g.tx, g.who, g.now, at, false, of)
		if err != nil {
			return g.told(err, []goodsRow{differ[at][0].row}, map[string]string{"location_id": "location"})
		}
		lines := make(map[shelfKey]int, len(c.Lines))
		for i, l := range c.Lines {
			k := shelfKey{at, l.PartID, l.Lot, l.Owner, uuid.Nil}
			if l.OwnerCustomerID != nil {
				k.customer = *l.OwnerCustomerID
			}
			lines[k] = i
		}
		var seen []stock.Counted
		var rows []goodsRow
		for _, d := range differ[at] {
			i, listed := lines[d.key]
			n := stock.Counted{PartID: d.key.part, Lot: d.key.lot, Owner: stock.Owner{Kind: d.key.owner}, Amount: d.n}
			if d.key.customer != uuid.Nil {
				id := d.key.customer
				n.Owner.CustomerID = &id
			}
			if listed {
				id := c.Lines[i].ID
				n.LineID = &id
			}
			seen, rows = append(seen, n), append(rows, d.row)
		}
		if c, err = stock.EnterCount(g.tx, g.who, g.now, c.ID, seen); err != nil {
			return g.told(err, rows, map[string]string{"part_id": "part", "line_id": "part"})
		}
		g.done.Changed += len(rows)
		again := 0
		for _, l := range c.Lines {
			if l.Again {
				again++
			}
		}
		if again > 0 {
			which, stays := fmt.Sprintf("Count %d of %s", c.Number, c.Location), "stays"
			if g.done.DryRun { // its number is taken back with it
				which, stays = "A count of "+c.Location, "would stay"
			}
			g.done.Notes = append(g.done.Notes, fmt.Sprintf("%s %s open: %d of its lines differ by more than they may, and a second person counts them again before the record changes.", which, stays, again))
			continue
		}
		if _, _, err := stock.PostCount(g.tx, g.who, g.now, c.ID, c.Version); err != nil {
			return g.told(err, rows, map[string]string{"lines": "part"})
		}
	}
	return nil
}

type lotKey struct {
	part uuid.UUID
	code string
}

// lots reads the last days of the lots on record of the parts that the list names; "" of one
// that does not expire.
func (g *goods) lots() (map[lotKey]string, error) {
	of := make([]string, 0, len(g.parts))
	for _, t := range g.parts {
		of = append(of, t.ID.String())
	}
	var found []struct {
		PartID    uuid.UUID
		Code      string
		ExpiresOn string
	}
	err := g.tx.Raw(`select part_id, code, coalesce(to_char(expires_on, 'YYYY-MM-DD'), '') as expires_on from lot where part_id = any (cast(? as uuid[]))`, "{"+strings.Join(of, ",")+"}").Scan(&found).Error
	all := make(map[lotKey]string, len(found))
	for _, f := range found {
		all[lotKey{f.PartID, f.Code}] = f.ExpiresOn
	}
	return all, err
}

// enteredRow is what an open count has of a row already.
type enteredRow struct {
	count int64
	n     amount.Amount
}

// waiting reads what was counted at some places and waits for a second person, so that the
// same list again opens no other count.
func (g *goods) waiting(places []string) (map[shelfKey]enteredRow, error) {
	var found []struct {
		Number             int64
		LocationID, PartID uuid.UUID
		Lot, Owner         string
		OwnerCustomerID    *uuid.UUID
		N                  amount.Amount
	}
	err := g.tx.Raw(`
select c.number, c.location_id, l.part_id, coalesce(lt.code, '') as lot, l.owner, l.owner_customer_id, coalesce(l.second, l.first) as n
  from stock_count as c
  join stock_count_line as l on l.count_id = c.id and l.first is not null
  left join lot as lt on lt.id = l.lot_id
 where c.state = 'open' and c.location_id = any (cast(? as uuid[]))
order by c.number`, "{"+strings.Join(places, ",")+"}").Scan(&found).Error
	all := make(map[shelfKey]enteredRow, len(found))
	for _, f := range found {
		k := shelfKey{f.LocationID, f.PartID, f.Lot, f.Owner, uuid.Nil}
		if f.OwnerCustomerID != nil {
			k.customer = *f.OwnerCustomerID
		}
		all[k] = enteredRow{f.Number, f.N}
	}
	return all, err
}

func rowsOf(n int) string {
	if n == 1 {
		return "one of these rows"
	}
	return fmt.Sprintf("%d of these rows", n)
}

// drafted is a line of an order on record that a label of the list names.
type drafted struct {
	Label, Number          string
	SupplierID, LocationID uuid.UUID
	PartID                 uuid.UUID
	Amount                 amount.Amount
	NeededOn               *string
	PriceMinor             *int64
	Currency               *string
}

// is tells whether a row says what stands on record; a blank cell says nothing.
func (d drafted) is(l stock.NewOrderLine) bool {
	return d.PartID == l.PartID && d.Amount == l.Amount && (l.NeededOn == "" || d.NeededOn != nil && *d.NeededOn == l.NeededOn) &&
		(l.PriceMinor == nil || d.PriceMinor != nil && *d.PriceMinor == *l.PriceMinor && strings.EqualFold(l.Currency, *d.Currency))
}

// onOrder reads the lines of the orders that labels name: by number, or as what was drafted
// from a list with that label.
func (g *goods) onOrder(labels []string) (map[string][]drafted, error) {
	text, err := json.Marshal(labels)
	if err != nil {
		return nil, err
	}
	var found []drafted
	err = g.tx.Raw(`
select n.label, o.number, o.supplier_id, o.location_id, l.part_id, l.amount, to_char(l.needed_on, 'YYYY-MM-DD') as needed_on, p.price_minor, p.currency
  from jsonb_array_elements_text(cast(? as jsonb)) as n(label)
  join supplier_order as o on o.number = n.label or o.note = n.label or starts_with(o.note, n.label || ': ')
  join supplier_order_line as l on l.order_id = o.id
  left join supplier_order_price as p on p.line_id = l.id
order by o.number, l.ordinal`, string(text)).Scan(&found).Error
	all := map[string][]drafted{}
	for _, f := range found {
		all[f.Label] = append(all[f.Label], f)
	}
	return all, err
}

// same holds rows against the order that was drafted under their label. What differs is
// refused: an order is changed at the order.
func (g *goods) same(label string, rows []goodsRow, lines []stock.NewOrderLine, there []drafted) {
	number := there[0].Number
	for i, r := range rows {
		supplier, location := g.suppliers[strings.ToUpper(r.cells["supplier"])].ID, g.locations[strings.ToUpper(r.cells["location"])].ID
		at := slices.IndexFunc(there, func(d drafted) bool { return d.is(lines[i]) && d.SupplierID == supplier && d.LocationID == location })
		if at >= 0 {
			there = slices.Delete(there, at, at+1)
			g.done.Unchanged++
			continue
		}
		column, says := "part", "stands on no line of it that is left"
		if n := slices.IndexFunc(there, func(d drafted) bool { return d.PartID == lines[i].PartID }); n >= 0 {
			d := there[n]
			switch {
			case d.SupplierID != supplier:
				column, says = "supplier", "is of another supplier"
			case d.LocationID != location:
				column, says = "location", "goes elsewhere"
			case d.Amount != lines[i].Amount:
				column, says = "amount", "is of "+d.Amount.String()
			case lines[i].NeededOn != "" && (d.NeededOn == nil || *d.NeededOn != lines[i].NeededOn):
				column, says = "needed on", "is needed on another day"
			default:
				column, says = "price", "has another price"
			}
		}
		g.blame(r.number, column, r.cells[column], "on_record", fmt.Sprintf("differs from order %s, which is on record as %s: it %s. Change it there, or draft this under another label", number, label, says))
	}
}

// orders drafts one order for each that the list names; one that was drafted from it is there already.
func (g *goods) orders() error {
	type group struct {
		label string
		rows  []goodsRow
	}
	var groups []*group
	var labels []string
	by := map[string]*group{}
	for _, r := range g.rows {
		label := r.cells["order"]
		o, there := by[label]
		if !there {
			o = &group{label: label}
			by[label], groups, labels = o, append(groups, o), append(labels, label)
		}
		o.rows = append(o.rows, r)
	}
	known, err := g.onOrder(labels)
	if err != nil {
		return err
	}
	for _, o := range groups {
		first := o.rows[0]
		in := stock.NewOrder{SupplierID: g.suppliers[strings.ToUpper(first.cells["supplier"])].ID, LocationID: g.locations[strings.ToUpper(first.cells["location"])].ID, Note: o.label}
		if note := first.cells["note"]; note != "" {
			in.Note += ": " + note
		}
		errors := g.said.errors
		for _, r := range o.rows {
			for _, column := range []string{"supplier", "location"} {
				if !strings.EqualFold(r.cells[column], first.cells[column]) {
					g.blame(r.number, column, r.cells[column], "one_order", "is another than in the first row of order "+o.label)
				}
			}
			n, _ := g.amount(r, "amount")
			in.Lines = append(in.Lines, stock.NewOrderLine{PartID: g.parts[strings.ToUpper(r.cells["part"])].ID, Amount: n, NeededOn: g.date(r, "needed on"), Sure: g.yes(r, "sure"),
				PriceMinor: g.price(r), Currency: strings.ToUpper(r.cells["currency"])})
		}
		if g.said.errors > errors || slices.ContainsFunc(o.rows, func(r goodsRow) bool { return g.bad[r.number] }) {
			continue
		}
		if there := known[o.label]; len(there) > 0 {
			g.same(o.label, o.rows, in.Lines, there)
			continue
		}
		err := g.tx.Transaction(func(tx *gorm.DB) error {
			_, err := stock.DraftOrder(tx, g.who, g.now, in)
			return pgdb.Explained(err)
		})
		if err == nil {
			g.done.Added += len(o.rows)
		} else if err := g.told(err, o.rows, map[string]string{"part_id": "part", "price_minor": "price", "location_id": "location", "supplier_id": "supplier"}); err != nil {
			return err
		}
	}
	return nil
}

// price reads a price of a row in minor units of the row's currency; nil where none stands.
func (g *goods) price(r goodsRow) *int64 {
	if r.cells["price"] == "" {
		return nil
	}
	code := strings.ToUpper(r.cells["currency"])
	if !currencies.MatchString(code) {
		g.blame(r.number, "currency", r.cells["currency"], "currency", "is needed beside a price: three letters, such as USD")
		return nil
	}
	n, bad := money.Minor(plainNumber(r.cells["price"]), code)
	if bad != nil {
		g.blame(r.number, "price", r.cells["price"], "number", bad.Msg)
		return nil
	}
	return &n
}

var currencies = regexp.MustCompile(`^[A-Z]{3}$`)

// ExportGoodsCSV writes a list about stock as far as the actor sees it.
func ExportGoodsCSV(ctx context.Context, db *pgdb.DB, who access.Actor, kind string, w io.Writer) error {
	k, err := goodsKindOf(kind)
	if err != nil {
		return err
	}
	return k.exported().csv(ctx, db, who, w)
}

// ExportGoods writes the lists about stock as one workbook, as of one instant.
func ExportGoods(ctx context.Context, db *pgdb.DB, who access.Actor, w io.Writer) error {
	all := make([]exported, len(goodsKinds))
	for i, k := range goodsKinds {
		all[i] = k.exported()
	}
	return writeBook(ctx, db, who, all, w)
}
