package stock

import (
	"encoding/json"
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

// Used is what a finished job has used: a fact, whatever the record says.
type Used struct {
	PartID uuid.UUID
	Lot    string // "" takes what expires first
	Owner  Owner  // of no kind it is whosever lies there, the customer's own first
	UnitID *uuid.UUID
	Amount amount.Amount
	From   uuid.UUID // where it was taken from, as the person says
	// Of a unit: the slot that it was put into. A swap may have done that already.
	SlotID  *uuid.UUID
	At      *time.Time // nil is now
	SiteID  *uuid.UUID // where it was used: a customer's own stock serves that customer alone
	TaskID  *uuid.UUID
	ClaimID *uuid.UUID
	Remark  string
}

// Outcome is what became of one line.
type Outcome struct {
	Movements     []Movement
	Discrepancies []Discrepancy
	// How much of it the customer is to be billed for: not what was the customer's own.
	Billed amount.Amount
}

// Use posts what finished jobs have used. Nothing of it is refused because the record
// disagrees: what is not where somebody took it from comes out of unexplained, what
// was set aside for others or has expired is used all the same, and each of these leaves a
// discrepancy for the parts clerk. Only what cannot be is refused: no such part, a
// fraction of a piece, a time that lies ahead. It is one number of statements, however
// many lines.
func Use(tx *gorm.DB, who access.Actor, now time.Time, in []Used) ([]Outcome, error) {
	if !who.May(access.MoveStock) {
		if err := who.Must(access.RecordWork); err != nil {
			return nil, err
		}
	}
	if len(in) == 0 {
		return []Outcome{}, nil
	}
	lines := make([]Moving, len(in))
	for i, u := range in {
		from := u.From
		lines[i] = Moving{Kind: "issue", PartID: u.PartID, Lot: strings.TrimSpace(u.Lot), UnitID: u.UnitID, Amount: u.Amount, Owner: u.Owner, From: &from, At: u.At, TaskID: u.TaskID,
			ClaimID: u.ClaimID, Reason: strings.TrimSpace(u.Remark)}
	}
	of, err := look(tx, now, lines)
	if err != nil {
		return nil, err
	}
	customers, err := ownersOf(tx, now, in)
	if err != nil {
		return nil, err
	}
	var bad []*fault.Error
	for i := range lines {
		if k := of[i]; k.ClaimState != "set_aside" || k.ClaimPart == nil || *k.ClaimPart != lines[i].PartID || val(k.ClaimAmount) != lines[i].Amount {
			lines[i].ClaimID = nil // the claim may have gone meanwhile; the use has not
		}
		f := lines[i].sound(of[i], now)
		if o := in[i].Owner; f == nil && o.Kind != "" {
			if f = o.check(); f == nil && o.CustomerID != nil && customers[val(in[i].SiteID)] != *o.CustomerID {
				f = fault.Field("site_id", val(in[i].SiteID), "is no site of the customer whose own it is; what is a customer's serves that customer alone")
			}
		}
		if f != nil {
			f.Field = item(i, f.Field)
			bad = append(bad, f)
		}
	}
	if err := fault.Collect(bad...); err != nil {
		return nil, err
	}
	nowhere, err := unexplained(tx)
	if err != nil {
		return nil, err
	}
	found, err := onShelves(tx, now, lines, func(i int) bool { return in[i].UnitID == nil })
	if err != nil {
		return nil, err
	}
	c := chooser{now: now, nowhere: nowhere, found: found, left: map[uuid.UUID]amount.Amount{}, aside: map[uuid.UUID]amount.Amount{}}
	for _, f := range found {
		c.left[f.BalanceID], c.aside[f.BalanceID] = f.OnHand, f.Aside
	}
	out := make([]Outcome, len(in))
	for i := range lines {
		of[i].Place = i
		if in[i].UnitID != nil {
			c.unit(i, in[i], lines[i], of[i])
			continue
		}
		c.pieces(i, lines[i], of[i], customers[val(in[i].SiteID)])
	}
	if err := putUsed(tx, who, now, in, c.lines); err != nil {
		return nil, err
	}
	done, short, err := post(tx, now, c.lines, c.of, true)
	if err != nil {
		return nil, err
	}
	if len(short) > 0 {
		return nil, fmt.Errorf("use: the balances were held and are short all the same: %v", short)
	}
	if err := openContainers(tx, who, now, c.lines, c.of); err != nil {
		return nil, err
	}
	if err := followClaims(tx, who, now, c.lines, done); err != nil {
		return nil, err
	}
	for i := range c.noted {
		c.noted[i].MovementID = &done[c.noted[i].line].ID
	}
	if err := note(tx, who, now, c.noted); err != nil {
		return nil, err
	}
	if err := settleExplained(tx, who, now, c.parts()); err != nil {
		return nil, err
	}
	for j, m := range done {
		o := &out[m.place]
		o.Movements = append(o.Movements, m)
		if c.lines[j].Owner.kind() != Customers {
			o.Billed += m.Amount
		}
	}
	for _, d := range c.noted {
		o := &out[d.place]
		o.Discrepancies = append(o.Discrepancies, d.Discrepancy)
	}
	return out, nil
}

// ownersOf gives the customers to whom sites belong.
func ownersOf(tx *gorm.DB, now time.Time, in []Used) (map[uuid.UUID]uuid.UUID, error) {
	var sites []uuid.UUID
	for _, u := range in {
		if u.SiteID != nil {
			sites = append(sites, *u.SiteID)
		}
	}
	all := map[uuid.UUID]uuid.UUID{}
	if len(sites) == 0 {
		return all, nil
	}
	var found []struct{ SiteID, CustomerID uuid.UUID }
	err := tx.Raw(`select site_id, customer_id from ownership where site_id = any (cast(? as uuid[])) and during @> cast(? as timestamptz)`, ids(sites), now).Scan(&found).Error
	for _, f := range found {
		all[f.SiteID] = f.CustomerID
	}
	return all, err
}

// chooser shares out what lies at the places among the lines.
type chooser struct {
	now     time.Time
	nowhere uuid.UUID
	found   []onShelf
	left    map[uuid.UUID]amount.Amount
	aside   map[uuid.UUID]amount.Amount
	lines   []Moving
	of      []known
	noted   []noting
}

func (c *chooser) parts() (all []uuid.UUID) {
	for _, l := range c.lines {
		all = append(all, l.PartID)
	}
	return all
}

func (c *chooser) add(m Moving, k known) { c.lines, c.of = append(c.lines, m), append(c.of, k) }

func (c *chooser) doubt(place int, kind string, m Moving, k known, format string, args ...any) {
	at := *m.From
	c.noted = append(c.noted, noting{Discrepancy: Discrepancy{ID: pgdb.NewID(), Kind: kind, LocationID: &at, SiteID: k.FromSite, PartID: m.PartID, LotID: k.LotID, UnitID: m.UnitID,
		Amount: m.Amount, TaskID: m.TaskID, Says: fmt.Sprintf(format, args...)}, place: place, line: len(c.lines)})
}

// tiers, in which order what lies there is used: what was set aside for this very job;
// what is free and good; what was set aside for others; what has expired.
const (
	ownClaim = iota
	free
	others
	expired
	tierCount
)

// pieces takes what a line has used from its place.
func (c *chooser) pieces(place int, m Moving, k known, customer uuid.UUID) {
	wanted, on := m.Amount, day(m.at(c.now))
	take := func(f onShelf, n amount.Amount) {
		part, pk := m, k
		part.Amount, part.Owner = n, Owner{f.Owner, f.OwnerCustomerID}
		pk.LotID, pk.LotCode, pk.ExpiresOn = f.LotID, f.Code, f.ExpiresOn
		wanted -= n
		c.add(part, pk)
	}
	for tier := range tierCount {
		for _, owner := range []string{Customers, Own, Consigned} {
			for _, f := range c.found {
				if m.Owner.Kind != "" && (f.Owner != m.Owner.Kind || val(f.OwnerCustomerID) != val(m.Owner.CustomerID)) {
					continue
				}
				if f.Place != place || f.Owner != owner || wanted == 0 || m.Lot != "" && m.Lot != f.Code || owner == Customers && *f.OwnerCustomerID != customer {
					continue
				}
				// a count has seen already that it was gone: it is set off against that count
				if tier == free && f.CountedAt != nil && !m.at(c.now).After(*f.CountedAt) {
					take(f, wanted)
					continue
				}
				old := f.ExpiresOn != nil && *f.ExpiresOn < on
				var n amount.Amount
				switch {
				case tier == ownClaim && m.ClaimID != nil && k.ClaimBalance != nil && *k.ClaimBalance == f.BalanceID:
					n = min(wanted, c.left[f.BalanceID])
					c.aside[f.BalanceID] -= min(n, c.aside[f.BalanceID])
				case tier == free && !old:
					n = min(wanted, c.left[f.BalanceID]-c.aside[f.BalanceID])
				case tier == others && !old, tier == expired && old:
					n = min(wanted, c.left[f.BalanceID])
				}
				if n <= 0 {
					continue
				}
				c.left[f.BalanceID] -= n
				lk := k
				lk.LotID = f.LotID
				of := m
				of.Amount = n
				if tier == others {
					c.doubt(place, "used_set_aside", of, lk, "%s of %s in %s were set aside for other work and have been used", counted(n, k.MeasuredIn), k.Number, k.FromCode)
				}
				if tier == expired {
					c.doubt(place, "used_expired", of, lk, "%s of %s, lot %s, might be used until %s and were used on %s", counted(n, k.MeasuredIn), k.Number, f.Code, *f.ExpiresOn, on)
				}
				take(f, n)
			}
		}
	}
	if wanted == 0 {
		return
	}
	rest, rk := m, k
	rest.Amount, rest.ClaimID = wanted, nil
	c.doubt(place, "used_not_on_record", rest, rk, "%s of %s were taken from %s, where the record has none left", counted(wanted, k.MeasuredIn), k.Number, k.FromCode)
	nowhere := c.nowhere
	rest.From, rk.FromSite, rk.FromKind = &nowhere, nil, "unexplained"
	c.add(rest, rk)
}

// unit notes that a unit was used, and where the record had it instead.
func (c *chooser) unit(place int, u Used, m Moving, k known) {
	m.Owner = Owner{k.UnitOwner, k.UnitCustomer}
	if k.UnitAt == nil && k.UnitWhere == "" || k.UnitAt != nil && *k.UnitAt != u.From {
		at := k.UnitWhere
		if at == "" {
			at = "nowhere"
		}
		c.doubt(place, "unit_elsewhere", m, k, "%s was taken from %s; the record had it in %s", k.Tag, k.FromCode, at)
	}
	c.add(m, k)
}

// putUsed writes the stays of used units: into the slot that is named, or out of stock.
// Where a swap has moved one already nothing is left to do.
func putUsed(tx *gorm.DB, who access.Actor, now time.Time, in []Used, lines []Moving) error {
	var puts []assets.Putting
	var of []int
	for j, m := range lines {
		if m.UnitID == nil {
			continue
		}
		for i, u := range in {
			if u.UnitID != nil && *u.UnitID == *m.UnitID && u.SlotID != nil {
				at := m.at(now)
				puts, of = append(puts, assets.Putting{UnitID: *m.UnitID, Place: assets.Place{SlotID: u.SlotID}, From: &at, Reason: "fitted", Remark: m.Reason}), append(of, i)
			}
		}
		lines[j].stay = &uuid.Nil
	}
	if len(puts) > 0 {
		if _, err := assets.PutAll(tx, stocker(who), now, puts); err != nil {
			return placed(err, of)
		}
	}
	var gone []uuid.UUID
	var at []string
	for j, m := range lines {
		if m.UnitID == nil {
			continue
		}
		lines[j].stay = nil
		if !slices.ContainsFunc(in, func(u Used) bool { return u.UnitID != nil && *u.UnitID == *m.UnitID && u.SlotID != nil }) {
			gone, at = append(gone, *m.UnitID), append(at, m.at(now).UTC().Format(time.RFC3339Nano))
		}
	}
	if len(gone) == 0 {
		return nil
	}
	return tx.Exec(`
update stay as st set during = tstzrange(lower(st.during), greatest(r.at, lower(st.during) + interval '1 microsecond')), until_precision = 'instant', ended_for = 'moved'
  from unnest(cast(? as uuid[]), cast(? as timestamptz[])) as r(unit_id, at)
 where st.unit_id = r.unit_id and upper_inf(st.during) and st.location_id is not null`, ids(gone), "{"+strings.Join(at, ",")+"}").Error
}

// Discrepancy is what record and shelf disagree about.
type Discrepancy struct {
	ID         uuid.UUID     `json:"id"`
	Kind       string        `json:"kind"`
	LocationID *uuid.UUID    `json:"location_id"`
	SiteID     *uuid.UUID    `json:"site_id"`
	PartID     uuid.UUID     `json:"part_id"`
	LotID      *uuid.UUID    `json:"lot_id"`
	UnitID     *uuid.UUID    `json:"unit_id"`
	Amount     amount.Amount `json:"amount"`
	Says       string        `json:"says"`
	MovementID *uuid.UUID    `json:"movement_id"`
	TaskID     *uuid.UUID    `json:"task_id"`
}

type noting struct {
	Discrepancy
	place, line int
}

// MarshalJSON writes the discrepancy alone.
func (n noting) MarshalJSON() ([]byte, error) { return json.Marshal(n.Discrepancy) }

// note writes discrepancies down.
func note(tx *gorm.DB, who access.Actor, now time.Time, all []noting) error {
	if len(all) == 0 {
		return nil
	}
	text, err := doc(all)
	if err != nil {
		return err
	}
	return tx.Exec(`
insert into stock_discrepancy (id, kind, location_id, site_id, part_id, lot_id, unit_id, amount, says, movement_id, task_id, noticed_at, noticed_by)
select id, kind, location_id, site_id, part_id, lot_id, unit_id, amount, says, movement_id, task_id, @now, @who
  from jsonb_to_recordset(cast(@rows as jsonb)) as r(id uuid, kind text, location_id uuid, site_id uuid, part_id uuid, lot_id uuid, unit_id uuid, amount numeric, says text,
       movement_id uuid, task_id uuid)`, map[string]any{"rows": text, "now": now, "who": who.ID}).Error
}

// settleExplained closes what has explained itself: when what was used without record and
// what was counted short of a part make up for each other, nothing of it is unexplained.
func settleExplained(tx *gorm.DB, who access.Actor, now time.Time, parts []uuid.UUID) error {
	return tx.Exec(`select stock_settle(cast(? as uuid[]), ?, ?)`, ids(parts), now, "what was missing and what was too much make up for each other").Error
}

// Settling says how a discrepancy ends.
type Settling struct {
	How     string     // in a person's words
	FoundAt *uuid.UUID // where the missing ones were found; nil: they are gone for good, or never were
}

// Settle ends a discrepancy: what is missing was found at a place, or is written off; what
// was used without record is taken as having been there.
func Settle(tx *gorm.DB, who access.Actor, now time.Time, id uuid.UUID, in Settling) error {
	if err := who.Must(access.MoveStock); err != nil {
		return err
	}
	how := strings.TrimSpace(in.How)
	if how == "" {
		return fault.Field("how", "", "is needed: what it was")
	}
	d, err := pgdb.One[struct {
		Kind    string
		PartID  uuid.UUID
		LotID   *uuid.UUID
		Lot     string
		UnitID  *uuid.UUID
		Amount  amount.Amount
		Settled bool
	}](tx, "discrepancy", id.String(), `
select d.kind, d.part_id, d.lot_id, coalesce(l.code, '') as lot, d.unit_id, d.amount, d.settled_at is not null as settled
  from stock_discrepancy as d left join lot as l on l.id = d.lot_id where d.id = @id for update of d`, map[string]any{"id": id})
	if err != nil {
		return err
	}
	if d.Settled {
		return conflict("id", id, "is settled already")
	}
	nowhere, err := unexplained(tx)
	if err != nil {
		return err
	}
	if slices.Contains([]string{"used_not_on_record", "counted_short", "counted_over"}, d.Kind) {
		line := Moving{Kind: "explain", PartID: d.PartID, Lot: d.Lot, From: &nowhere, To: in.FoundAt, Reason: how}
		of, err := look(tx, now, []Moving{line})
		if err != nil {
			return err
		}
		if in.FoundAt != nil && !of[0].ToKnown {
			return fault.Field("found_at", *in.FoundAt, "names no location")
		}
		var open []struct {
			OnHand          amount.Amount
			Owner           string
			OwnerCustomerID *uuid.UUID
		}
		err = tx.Raw(`select on_hand, owner, owner_customer_id from stock_balance
where location_id = ? and part_id = ? and lot_id is not distinct from cast(? as uuid) and on_hand <> 0 order by abs(on_hand) desc`, nowhere, d.PartID, d.LotID).Scan(&open).Error
		if err != nil {
			return err
		}
		left := d.Amount
		var lines []Moving
		var all []known
		for _, b := range open {
			m, k := line, of[0]
			m.Owner = Owner{b.Owner, b.OwnerCustomerID}
			short := b.OnHand > 0
			if left == 0 || short == (d.Kind == "used_not_on_record" || d.Kind == "counted_over") {
				continue
			}
			m.Amount = min(left, max(b.OnHand, -b.OnHand))
			if !short { // it must have been there all along
				m.From, m.To = in.FoundAt, &nowhere
				k.FromSite, k.ToSite = k.ToSite, nil
			}
			left -= m.Amount
			lines, all = append(lines, m), append(all, k)
		}
		if len(lines) > 0 {
			_, short, err := post(tx, now, lines, all, false)
			if err != nil {
				return err
			}
			if len(short) > 0 {
				return tellShort(tx, now, lines, all, short)
			}
		}
	}
	if d.UnitID != nil && in.FoundAt != nil {
		if _, err := assets.PutAll(tx, stocker(who), now, []assets.Putting{{UnitID: *d.UnitID, Place: assets.Place{LocationID: in.FoundAt}, From: &now, Remark: how}}); err != nil {
			return err
		}
	}
	return tx.Exec(`update stock_discrepancy set settled_at = ?, settled_by = ?, settled_how = ? where id = ?`, now, who.ID, how, id).Error
}
