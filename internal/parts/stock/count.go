package stock

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/fault"
	"spindlebook/internal/parts/amount"
	"spindlebook/internal/pgdb"
)

// Count is a place that is being counted, or was.
type Count struct {
	ID         uuid.UUID
	Number     int64
	LocationID uuid.UUID
	Location   string // its code
	Blind      bool   // nobody who counts is told what is expected
	State      string // open, posted or cancelled
	OpenedAt   time.Time
	OpenedBy   string
	Version    int
	Lines      []CountLine `gorm:"-" db:"-"`
}

// CountLine is a part and lot of a count.
type CountLine struct {
	ID              uuid.UUID
	PartID          uuid.UUID
	PartNumber      string
	PartDescription string
	MeasuredIn      string
	Tracking        string
	Abc             string
	Pack            amount.Amount
	LotID           *uuid.UUID
	Lot             string
	Owner           string
	OwnerCustomerID *uuid.UUID
	BalanceID       *uuid.UUID
	First           *amount.Amount
	FirstTags       assets.Texts
	FirstAt         *time.Time
	FirstBy         *uuid.UUID
	Second          *amount.Amount
	SecondTags      assets.Texts
	SecondAt        *time.Time
	// As it stands on record at the instant of the count; nil in a blind count that is
	// open, where nothing is told.
	Expected *amount.Amount
	// It differs by more than it may: a second person must count it.
	Again bool `gorm:"-" db:"-"`
}

// seen gives what holds: the second count where there is one.
func (l CountLine) seen() (*amount.Amount, assets.Texts, *time.Time) {
	if l.Second != nil {
		return l.Second, l.SecondTags, l.SecondAt
	}
	return l.First, l.FirstTags, l.FirstAt
}

// tolerated tells whether a difference needs no second look: of what lies loose in a bin
// one in twenty or one pack may be miscounted, of everything else nothing (common
// practice, no source).
func (l CountLine) tolerated(counted, expected amount.Amount) bool {
	d := max(counted-expected, expected-counted)
	return d == 0 || l.Tracking == "bulk" && l.Abc != "A" && d <= max(expected/20, l.Pack)
}

const countLines = `
select l.id, l.part_id, p.number as part_number, p.description as part_description, p.measured_in, p.tracking, coalesce(p.abc, '') as abc, p.pack, l.lot_id, coalesce(lt.code, '') as lot,
       l.owner, l.owner_customer_id, l.balance_id, l.first, l.first_tags, l.first_at, l.first_by, l.second, l.second_tags, l.second_at,
       case when c.state = 'posted' then l.expected
            when p.tracking = 'unit' then (select count(*) from stay as s join unit as u on u.id = s.unit_id
                                            where s.location_id = c.location_id and u.part_id = l.part_id and u.owner = l.owner and u.owner_customer_id is not distinct from l.owner_customer_id
                                              and s.during @> coalesce(l.second_at, l.first_at, cast(@now as timestamptz)))
            else coalesce((select b.on_hand from stock_balance as b where b.id = l.balance_id), 0)
                 - coalesce((select sum(m.amount) from stock_movement as m where m.to_balance_id = l.balance_id and m.at > coalesce(l.second_at, l.first_at)), 0)
                 + coalesce((select sum(m.amount) from stock_movement as m where m.from_balance_id = l.balance_id and m.at > coalesce(l.second_at, l.first_at)), 0) end as expected
  from stock_count_line as l
  join stock_count as c on c.id = l.count_id
  join part as p on p.id = l.part_id
  left join lot as lt on lt.id = l.lot_id
 where l.count_id = @count
order by p.number, lt.code, l.owner, l.id`

const counts = `
select c.id, c.number, c.location_id, l.code as location, c.blind, c.state, c.opened_at, coalesce(a.name, '') as opened_by, c.version
  from stock_count as c
  join location as l on l.id = c.location_id
  left join actor as a on a.id = c.opened_by`

func countInTx(tx *gorm.DB, now time.Time, id uuid.UUID) (Count, error) {
	c, err := pgdb.One[Count](tx, "count", id.String(), counts+` where c.id = @id`, map[string]any{"id": id})
	if err != nil {
		return c, err
	}
	err = tx.Raw(countLines, map[string]any{"count": id, "now": now}).Scan(&c.Lines).Error
	c.judge()
	return c, err
}

func (c *Count) judge() {
	for i := range c.Lines {
		l := &c.Lines[i]
		if l.First != nil && l.Second == nil && l.Expected != nil && c.State == "open" {
			l.Again = !l.tolerated(*l.First, *l.Expected)
		}
	}
}

// told gives a count as whoever counts may see it: of a blind one neither what is expected
// nor, of a line that is counted again, what the first has seen.
func (c Count) told() Count {
	if c.Blind && c.State == "open" {
		for i := range c.Lines {
			l := &c.Lines[i]
			if l.Expected = nil; l.Again {
				l.First, l.FirstTags = nil, nil
			}
		}
	}
	return c
}

// OpenCount begins to count a place: everything there, or some parts. A blind one never
// tells what is expected.
func OpenCount(tx *gorm.DB, who access.Actor, now time.Time, location uuid.UUID, blind bool, parts []uuid.UUID) (Count, error) {
	if err := who.Must(access.MoveStock); err != nil {
		return Count{}, err
	}
	of, err := look(tx, now, []Moving{{From: &location}})
	if err != nil {
		return Count{}, err
	}
	switch {
	case !of[0].FromKnown:
		return Count{}, fault.Field("location_id", location, "names no location")
	case of[0].FromKind == "unexplained":
		return Count{}, fault.Field("location_id", of[0].FromCode, "holds what nobody can explain; there is nothing to count")
	}
	id := pgdb.NewID()
	err = tx.Exec(`insert into stock_count (id, location_id, blind, opened_at, opened_by) values (?, ?, ?, ?, ?)`, id, location, blind, now, who.ID).Error
	if err != nil {
		return Count{}, err
	}
	// also what was asked for and is not there on record: that, too, is counted
	err = tx.Exec(`
insert into stock_count_line (id, count_id, balance_id, part_id, lot_id, owner, owner_customer_id)
select gen_random_uuid(), cast(@count as uuid), s.balance_id, s.part_id, s.lot_id, s.owner, s.owner_customer_id
  from (select distinct balance_id, part_id, case when unit_id is null then lot_id end as lot_id, owner, owner_customer_id from stock_now
         where location_id = @location and (cardinality(cast(@parts as uuid[])) = 0 or part_id = any (cast(@parts as uuid[])))) as s
 union all
select gen_random_uuid(), cast(@count as uuid), null, p.id, null, 'distributor', null
  from part as p
 where p.id = any (cast(@parts as uuid[])) and not exists (select from stock_now as s where s.location_id = @location and s.part_id = p.id)`,
		map[string]any{"count": id, "location": location, "parts": ids(parts)}).Error
	if err != nil {
		return Count{}, err
	}
	c, err := countInTx(tx, now, id)
	return c.told(), err
}

// Counted is what somebody saw of one line.
type Counted struct {
	LineID *uuid.UUID
	// Or of something that is not on the list.
	PartID uuid.UUID
	Lot    string
	Owner  Owner

	Amount amount.Amount
	Tags   []string   // of units: each one that was scanned; the amount follows
	At     *time.Time // when it was seen; nil is now
}

// EnterCount notes what somebody saw. What differs by more than it may is marked to be
// counted again, by another person.
func EnterCount(tx *gorm.DB, who access.Actor, now time.Time, id uuid.UUID, in []Counted) (Count, error) {
	if err := who.Must(access.MoveStock); err != nil {
		return Count{}, err
	}
	if err := tx.Exec(`select from stock_count where id = ? for update`, id).Error; err != nil {
		return Count{}, err
	}
	c, err := countInTx(tx, now, id)
	if err != nil {
		return c, err
	}
	if c.State != "open" {
		return c, conflict("state", c.State, "is not open: what was counted is posted")
	}
	type row struct {
		ID        uuid.UUID     `json:"id"`
		Second    bool          `json:"second"`
		N         amount.Amount `json:"n"`
		Tags      []string      `json:"tags"`
		At        time.Time     `json:"at"`
		BalanceID *uuid.UUID    `json:"balance_id"`
		PartID    uuid.UUID     `json:"part_id"`
		LotID     *uuid.UUID    `json:"lot_id"`
		Owner     string        `json:"owner"`
		Customer  *uuid.UUID    `json:"customer"`
		Fresh     bool          `json:"fresh"`
	}
	var rows []row
	var bad []*fault.Error
	of, err := look(tx, now, newToCount(in))
	if err != nil {
		return c, err
	}
	seen := map[uuid.UUID]bool{}
	for i, n := range in {
		r := row{N: n.Amount, At: now, Tags: []string{}}
		if n.At != nil {
			r.At = *n.At
		}
		var unit, number, tracking string
		if n.LineID != nil {
			j := slices.IndexFunc(c.Lines, func(l CountLine) bool { return l.ID == *n.LineID })
			if j < 0 {
				bad = append(bad, fault.Field(item(i, "line_id"), *n.LineID, "names no line of this count"))
				continue
			}
			l := c.Lines[j]
			r.ID, r.BalanceID, r.PartID, r.LotID, r.Owner, r.Customer = l.ID, l.BalanceID, l.PartID, l.LotID, l.Owner, l.OwnerCustomerID
			r.Second = l.First != nil && l.Again && *l.FirstBy != who.ID
			unit, number, tracking = l.MeasuredIn, l.PartNumber, l.Tracking
			switch {
			case l.Second != nil:
				bad = append(bad, conflict(item(i, "line_id"), number, "has been counted twice"))
			case l.First != nil && !l.Again && *l.FirstBy != who.ID:
				bad = append(bad, conflict(item(i, "line_id"), number, "has been counted by somebody else already"))
			case l.First != nil && l.Again && *l.FirstBy == who.ID:
				bad = append(bad, conflict(item(i, "line_id"), number, "is counted again by a second person, not by the first"))
			case l.First != nil && l.FirstAt != nil && r.At.Before(*l.FirstAt):
				bad = append(bad, fault.Field(item(i, "at"), stamp(r.At), "must not lie before the first count"))
			}
		} else {
			k := of[i]
			number, unit, tracking = k.Number, k.MeasuredIn, k.Tracking
			r.ID, r.Fresh, r.PartID, r.LotID, r.Owner, r.Customer = pgdb.NewID(), true, n.PartID, k.LotID, n.Owner.kind(), n.Owner.CustomerID
			f := n.Owner.check()
			switch {
			case f != nil:
				f.Field = item(i, f.Field)
				bad = append(bad, f)
			case number == "":
				bad = append(bad, fault.Field(item(i, "part_id"), n.PartID, "names no part"))
			case n.Lot != "" && k.LotID == nil || n.Lot == "" && byLot(tracking):
				bad = append(bad, fault.Field(item(i, "lot"), n.Lot, "names no lot of %s; receive it first", k.Number))
			case slices.ContainsFunc(c.Lines, func(l CountLine) bool {
				return l.PartID == r.PartID && val(l.LotID) == val(r.LotID) && l.Owner == r.Owner && val(l.OwnerCustomerID) == val(r.Customer)
			}):
				bad = append(bad, fault.Field(item(i, "part_id"), k.Number, "stands on the list already"))
			case slices.ContainsFunc(rows, func(o row) bool {
				return o.Fresh && o.PartID == r.PartID && val(o.LotID) == val(r.LotID) && o.Owner == r.Owner && val(o.Customer) == val(r.Customer)
			}):
				bad = append(bad, fault.Field(item(i, "part_id"), k.Number, "stands in this list twice"))
			}
		}
		if tracking == "unit" {
			for _, t := range n.Tags {
				if t = strings.ToUpper(strings.TrimSpace(t)); t != "" && !slices.Contains(r.Tags, t) { // a second beep is no second unit
					r.Tags = append(r.Tags, t)
				}
			}
			r.N = amount.Of(int64(len(r.Tags)))
		} else if r.BalanceID == nil {
			b := balanceID(c.LocationID, r.PartID, r.LotID, Owner{r.Owner, r.Customer})
			r.BalanceID = &b
		}
		switch {
		case seen[r.ID]:
			bad = append(bad, fault.Field(item(i, "line_id"), number, "stands in this list twice"))
		case r.N < 0 || r.N > amount.Most:
			bad = append(bad, fault.Field(item(i, "amount"), r.N, "lies between 0 and %s", amount.Most))
		case InPieces(unit) && !r.N.Whole():
			bad = append(bad, fault.Field(item(i, "amount"), r.N, "is a whole number: %s is counted in %s", number, unit))
		case r.At.After(now) || r.At.Before(c.OpenedAt.AddDate(0, 0, -7)):
			bad = append(bad, fault.Field(item(i, "at"), stamp(r.At), "lies within the week before the count was opened and now"))
		}
		seen[r.ID] = true
		rows = append(rows, r)
	}
	if err := fault.Collect(bad...); err != nil {
		return c, err
	}
	text, err := doc(rows)
	if err != nil {
		return c, err
	}
	v := map[string]any{"rows": text, "who": who.ID, "count": id}
	const of2 = `jsonb_to_recordset(cast(@rows as jsonb)) as r(id uuid, second boolean, n numeric, tags jsonb, at timestamptz, balance_id uuid, part_id uuid, lot_id uuid, owner text, customer uuid, fresh boolean)`
	const tags = `coalesce((select array_agg(t) from jsonb_array_elements_text(r.tags) as t), '{}')`
	// a line that counts something new has its balance from the first movement on; until then it names none
	for _, q := range []string{
		`insert into stock_count_line (id, count_id, part_id, lot_id, owner, owner_customer_id, first, first_tags, first_at, first_by)
select r.id, cast(@count as uuid), r.part_id, r.lot_id, r.owner, r.customer, r.n, ` + tags + `, r.at, cast(@who as uuid) from ` + of2 + ` where r.fresh`,
		`update stock_count_line as l set first = r.n, first_tags = ` + tags + `, first_at = r.at, first_by = @who from ` + of2 + ` where l.id = r.id and not r.fresh and not r.second`,
		`update stock_count_line as l set second = r.n, second_tags = ` + tags + `, second_at = r.at, second_by = @who from ` + of2 + ` where l.id = r.id and r.second`,
		`update stock_count_line as l set balance_id = r.balance_id from ` + of2 + ` where l.id = r.id and l.balance_id is null and exists (select from stock_balance as b where b.id = r.balance_id)`,
	} {
		if err := tx.Exec(q, v).Error; err != nil {
			return c, err
		}
	}
	c, err = countInTx(tx, now, id)
	return c.told(), err
}

func newToCount(in []Counted) []Moving {
	all := make([]Moving, len(in))
	for i, n := range in {
		all[i] = Moving{PartID: n.PartID, Lot: n.Lot}
	}
	return all
}

// PostCount makes the record what was seen, at the instant at which it was seen: what was
// moved since stays moved. Differences go to unexplained or come from there, and each
// leaves a discrepancy. A unit that was not seen goes to unexplained; one that was
// seen and is on record elsewhere comes here.
func PostCount(tx *gorm.DB, who access.Actor, now time.Time, id uuid.UUID, version int) (Count, []Discrepancy, error) {
	if err := who.Must(access.MoveStock); err != nil {
		return Count{}, nil, err
	}
	if err := bump(tx, "count", "stock_count", id, version); err != nil {
		return Count{}, nil, err
	}
	held, err := pgdb.One[struct{ LocationID uuid.UUID }](tx, "count", id.String(), `select location_id from stock_count where id = @id`, map[string]any{"id": id})
	if err != nil {
		return Count{}, nil, err
	}
	var hold []lineRow
	if err := tx.Raw(`select distinct part_id from stock_count_line where count_id = ?`, id).Scan(&hold).Error; err != nil {
		return Count{}, nil, err
	}
	for i := range hold {
		hold[i].FromID = &held.LocationID
	}
	text, err := doc(hold)
	if err != nil {
		return Count{}, nil, err
	}
	if err := tx.Exec(`select stock_hold(cast(? as jsonb))`, text).Error; err != nil {
		return Count{}, nil, err
	}
	c, err := countInTx(tx, now, id)
	if err != nil {
		return c, nil, err
	}
	if c.State != "open" {
		return c, nil, conflict("state", c.State, "is not open")
	}
	var bad []*fault.Error
	countedSome := false
	for i, l := range c.Lines {
		countedSome = countedSome || l.First != nil
		if l.Again {
			bad = append(bad, conflict(fmt.Sprintf("lines[%d]", i), l.PartNumber, "must be counted again by a second person before it is posted"))
		}
	}
	if !countedSome {
		bad = append(bad, conflict("lines", "", "have not been counted"))
	}
	if err := fault.Collect(bad...); err != nil {
		return c, nil, err
	}
	p := posting{tx: tx, who: who, now: now, count: &c}
	if p.nowhere, err = unexplained(tx); err != nil {
		return c, nil, err
	}
	if err := p.settledLater(); err != nil {
		return c, nil, err
	}
	if err := p.pieces(); err != nil {
		return c, nil, err
	}
	if err := p.units(); err != nil {
		return c, nil, err
	}
	done, short, err := post(tx, now, p.lines, p.of, true)
	if err != nil {
		return c, nil, err
	}
	if len(short) > 0 {
		return c, nil, fmt.Errorf("post count %d: the balances were held and are short all the same: %v", c.Number, short)
	}
	for i := range p.noted {
		if j := p.noted[i].line; j >= 0 {
			p.noted[i].MovementID = &done[j].ID
		}
	}
	if err := note(tx, who, now, p.noted); err != nil {
		return c, nil, err
	}
	expected, err := doc(p.expected)
	if err != nil {
		return c, nil, err
	}
	for _, q := range []string{
		`update stock_count_line as l set expected = r.n, balance_id = coalesce(l.balance_id, (select b.id from stock_balance as b where b.id = r.balance_id))
  from jsonb_to_recordset(cast(@rows as jsonb)) as r(id uuid, n numeric, balance_id uuid) where l.id = r.id`,
		`update stock_count set state = 'posted', ended_at = @now, ended_by = @who where id = @count`,
		`select stock_counted(@count)`,
	} {
		if err := tx.Exec(q, map[string]any{"rows": expected, "now": now, "who": who.ID, "count": id}).Error; err != nil {
			return c, nil, err
		}
	}
	if err := settleExplained(tx, who, now, p.parts); err != nil {
		return c, nil, err
	}
	all := make([]Discrepancy, len(p.noted))
	for i, n := range p.noted {
		all[i] = n.Discrepancy
	}
	c, err = countInTx(tx, now, id)
	return c, all, err
}

type expectedRow struct {
	ID        uuid.UUID     `json:"id"`
	N         amount.Amount `json:"n"`
	BalanceID *uuid.UUID    `json:"balance_id"`
}

// posting is a count on its way into the ledger.
type posting struct {
	tx       *gorm.DB
	who      access.Actor
	now      time.Time
	count    *Count
	nowhere  uuid.UUID
	lines    []Moving
	of       []known
	noted    []noting
	expected []expectedRow
	parts    []uuid.UUID
}

// settledLater refuses a count of something that another count has settled since.
func (p *posting) settledLater() error {
	var later []struct{ Number string }
	err := p.tx.Raw(`
select p.number
  from stock_count_line as l
  join part as p on p.id = l.part_id
  join stock_balance as b on b.id = l.balance_id and b.counted_at >= coalesce(l.second_at, l.first_at)
 where l.count_id = ? order by p.number`, p.count.ID).Scan(&later).Error
	if err != nil || len(later) == 0 {
		return err
	}
	return conflict("lines", later[0].Number, "has been settled by a later count; cancel this one, or count it again")
}

func (p *posting) noting(l CountLine, kind string, n amount.Amount, unit *uuid.UUID, line int, format string, args ...any) {
	at := p.count.LocationID
	p.noted = append(p.noted, noting{Discrepancy: Discrepancy{ID: pgdb.NewID(), Kind: kind, LocationID: &at, PartID: l.PartID, LotID: l.LotID, UnitID: unit, Amount: n, Says: fmt.Sprintf(format, args...)}, line: line})
}

func (p *posting) pieces() error {
	of, err := look(p.tx, p.now, []Moving{{From: &p.count.LocationID, To: &p.nowhere}})
	if err != nil {
		return err
	}
	for _, l := range p.count.Lines {
		n, _, at := l.seen()
		if n == nil || l.Tracking == "unit" {
			continue
		}
		owner := Owner{l.Owner, l.OwnerCustomerID}
		b := balanceID(p.count.LocationID, l.PartID, l.LotID, owner)
		p.expected, p.parts = append(p.expected, expectedRow{l.ID, val(l.Expected), &b}), append(p.parts, l.PartID)
		d := *n - val(l.Expected)
		if d == 0 {
			continue
		}
		here, nowhere, line := p.count.LocationID, p.nowhere, l.ID
		m := Moving{Kind: "count", PartID: l.PartID, Lot: l.Lot, Amount: max(d, -d), Owner: owner, At: at, Reason: fmt.Sprintf("count %d", p.count.Number), countLine: &line}
		k := known{PartKnown: true, Number: l.PartNumber, MeasuredIn: l.MeasuredIn, Tracking: l.Tracking, LotID: l.LotID, LotCode: l.Lot}
		lot := ""
		if l.Lot != "" {
			lot = ", lot " + l.Lot
		}
		if d < 0 {
			m.From, m.To, k.FromSite = &here, &nowhere, of[0].FromSite
			p.noting(l, "counted_short", -d, nil, len(p.lines), "%s%s in %s: %s counted, %s expected", l.PartNumber, lot, p.count.Location, counted(*n, l.MeasuredIn), val(l.Expected))
		} else {
			m.From, m.To, k.ToSite = &nowhere, &here, of[0].FromSite
			p.noting(l, "counted_over", d, nil, len(p.lines), "%s%s in %s: %s counted, %s expected", l.PartNumber, lot, p.count.Location, counted(*n, l.MeasuredIn), val(l.Expected))
		}
		p.lines, p.of = append(p.lines, m), append(p.of, k)
	}
	return nil
}

// seenUnit is a unit that is here on record, or was seen here.
type seenUnit struct {
	ID, PartID      uuid.UUID
	Tag             string
	Owner           string
	OwnerCustomerID *uuid.UUID
	LocationID      *uuid.UUID
	Since           *time.Time
	Place           string
}

// units holds the tags that were seen against the stays: the same number of other units
// is a difference, too.
func (p *posting) units() error {
	var parts []uuid.UUID
	var tags []string
	for _, l := range p.count.Lines {
		if n, seen, _ := l.seen(); n != nil && l.Tracking == "unit" {
			parts, tags = append(parts, l.PartID), append(tags, seen...)
		}
	}
	if len(parts) == 0 {
		return nil
	}
	var found []seenUnit
	err := p.tx.Raw(`
select u.id, u.part_id, u.tag, u.owner, u.owner_customer_id, st.location_id, lower(st.during) as since, coalesce(l.code, coalesce(po.code, h.tag) || ', ' || lower(s.name), 'no place') as place
  from unit as u
  left join stay as st on st.unit_id = u.id and upper_inf(st.during)
  left join location as l on l.id = st.location_id
  left join slot as s on s.id = st.slot_id
  left join position as po on po.id = s.position_id
  left join unit as h on h.id = s.unit_id
 where u.tag = any (cast(@tags as text[])) or st.location_id = @here and u.part_id = any (cast(@parts as uuid[]))
order by u.tag`, map[string]any{"tags": assets.Texts(tags), "here": p.count.LocationID, "parts": ids(parts)}).Scan(&found).Error
	if err != nil {
		return err
	}
	var puts []assets.Putting
	var moved []int
	for _, l := range p.count.Lines {
		n, seen, at := l.seen()
		if n == nil || l.Tracking != "unit" {
			continue
		}
		p.expected = append(p.expected, expectedRow{l.ID, val(l.Expected), nil})
		for _, u := range found {
			here := u.LocationID != nil && *u.LocationID == p.count.LocationID
			listed := slices.Contains(seen, u.Tag)
			same := u.PartID == l.PartID && u.Owner == l.Owner && val(u.OwnerCustomerID) == val(l.OwnerCustomerID)
			to, kind := p.nowhere, "unit_missing"
			switch {
			case here && same && !listed && (u.Since == nil || !u.Since.After(*at)): // what came after the count is no concern of it
			case listed && !here && (u.Since == nil || !u.Since.After(*at)):
				to, kind = p.count.LocationID, "unit_elsewhere"
			default:
				continue
			}
			id := u.ID
			if kind == "unit_missing" {
				p.noting(l, kind, amount.One, &id, len(p.lines), "%s (%s) was not seen in %s", u.Tag, l.PartNumber, p.count.Location)
			} else {
				p.noting(l, kind, amount.One, &id, len(p.lines), "%s was seen in %s; the record had it in %s", u.Tag, p.count.Location, u.Place)
			}
			reason := "moved"
			puts, moved = append(puts, assets.Putting{UnitID: id, Place: assets.Place{LocationID: &to}, From: at, Reason: reason, Remark: fmt.Sprintf("count %d", p.count.Number)}), append(moved, len(p.lines))
			line := l.ID
			p.lines = append(p.lines, Moving{Kind: "count", PartID: u.PartID, UnitID: &id, Amount: amount.One, From: u.LocationID, To: &to, Owner: Owner{u.Owner, u.OwnerCustomerID}, At: at,
				Reason: fmt.Sprintf("count %d", p.count.Number), countLine: &line})
			p.of = append(p.of, known{Number: l.PartNumber, MeasuredIn: l.MeasuredIn})
		}
		for _, t := range seen {
			if !slices.ContainsFunc(found, func(u seenUnit) bool { return u.Tag == t }) {
				p.noting(l, "unit_unknown", amount.One, nil, -1, "%s was seen in %s; no unit of that tag is on record", t, p.count.Location)
			}
		}
	}
	if len(puts) == 0 {
		return nil
	}
	stays, err := assets.PutAll(p.tx, stocker(p.who), p.now, puts)
	if err != nil {
		return err
	}
	for j, i := range moved {
		p.lines[i].stay = &stays[j].ID
	}
	return nil
}

// CancelCount ends a count without a trace in the ledger.
func CancelCount(tx *gorm.DB, who access.Actor, now time.Time, id uuid.UUID, version int) (Count, error) {
	if err := who.Must(access.MoveStock); err != nil {
		return Count{}, err
	}
	if err := bump(tx, "count", "stock_count", id, version); err != nil {
		return Count{}, err
	}
	r := tx.Exec(`update stock_count set state = 'cancelled', ended_at = ?, ended_by = ? where id = ? and state = 'open'`, now, who.ID, id)
	if r.Error != nil {
		return Count{}, r.Error
	}
	if r.RowsAffected == 0 {
		return Count{}, conflict("state", "", "is not open")
	}
	return countInTx(tx, now, id)
}
