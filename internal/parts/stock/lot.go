package stock

import (
	"context"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/calendar"
	"spindlebook/internal/fault"
	"spindlebook/internal/parts/amount"
	"spindlebook/internal/pgdb"
)

type lotRow struct {
	ID        uuid.UUID `json:"id"`
	PartID    uuid.UUID `json:"part_id"`
	Code      string    `json:"code"`
	ExpiresOn *string   `json:"expires_on"`

	said bool // by the supplier; otherwise it follows from the shelf life
}

const lotRows = `jsonb_to_recordset(cast(@rows as jsonb)) as r(id uuid, part_id uuid, code text, expires_on date)`

// newLots records the lots that arrive for the first time. A lot has one last day,
// however often some of it comes.
func newLots(tx *gorm.DB, who access.Actor, now time.Time, in []Moving, of []known) error {
	var rows []lotRow
	for i, m := range in {
		k := &of[i]
		if m.From != nil || !byLot(k.Tracking) || m.UnitID != nil {
			continue
		}
		last, bad := date(m.ExpiresOn, item(k.Place, "expires_on"))
		if bad != nil {
			return bad
		}
		if k.LotID != nil {
			if last != nil && (k.ExpiresOn == nil || *k.ExpiresOn != *last) {
				return conflict(item(k.Place, "expires_on"), *last, "differs from the last day of lot %s on record, %s", k.LotCode, val(k.ExpiresOn))
			}
			continue
		}
		code := strings.TrimSpace(m.Lot)
		if j := slices.IndexFunc(rows, func(r lotRow) bool { return r.PartID == m.PartID && r.Code == code }); j >= 0 {
			switch r := &rows[j]; {
			case last == nil: // what the other line says holds
			case !r.said:
				r.ExpiresOn, r.said = last, true
			case *r.ExpiresOn != *last:
				return conflict(item(k.Place, "expires_on"), *last, "differs from the last day of lot %s in this list, %s", code, *r.ExpiresOn)
			}
			continue
		}
		said := last != nil
		if last == nil && k.ShelfMonths != nil {
			d := calendar.DateOf(m.at(now).UTC()).AddMonths(*k.ShelfMonths).String()
			last = &d
		}
		if last == nil && k.Tracking == "lot_expiry" {
			return fault.Field(item(k.Place, "expires_on"), "", "is needed: each lot of %s has a last day", k.Number)
		}
		rows = append(rows, lotRow{pgdb.NewID(), m.PartID, code, last, said})
	}
	if len(rows) == 0 {
		return nil
	}
	text, err := doc(rows)
	if err != nil {
		return err
	}
	v := map[string]any{"rows": text, "now": now, "who": who.ID}
	err = tx.Exec(`
insert into lot (id, part_id, code, expires_on, recorded_at, recorded_by)
select distinct on (part_id, code) id, part_id, code, expires_on, @now, @who from `+lotRows+` order by part_id, code
on conflict (part_id, code) do nothing`, v).Error
	if err != nil {
		return err
	}
	var found []struct {
		ID, PartID uuid.UUID
		Code       string
		ExpiresOn  *string
	}
	err = tx.Raw(`
select l.id, l.part_id, l.code, to_char(l.expires_on, 'YYYY-MM-DD') as expires_on
  from lot as l join `+lotRows+` on r.part_id = l.part_id and r.code = l.code`, v).Scan(&found).Error
	if err != nil {
		return err
	}
	for i, m := range in {
		for _, l := range found {
			if of[i].LotID == nil && m.From == nil && l.PartID == m.PartID && l.Code == strings.TrimSpace(m.Lot) {
				id := l.ID
				of[i].LotID, of[i].ExpiresOn = &id, l.ExpiresOn
			}
		}
	}
	return nil
}

// onShelf is a lot of a part at a place, with what of it may be taken.
type onShelf struct {
	Place           int
	BalanceID       uuid.UUID
	LotID           *uuid.UUID
	Code            string
	ExpiresOn       *string
	Owner           string
	OwnerCustomerID *uuid.UUID
	OnHand, Aside   amount.Amount
	CountedAt       *time.Time
}

// What expires first stands first.
const shelf = `
select r.place, h.id as balance_id, h.lot_id, coalesce(l.code, '') as code, to_char(l.expires_on, 'YYYY-MM-DD') as expires_on, h.owner, h.owner_customer_id, h.on_hand, h.counted_at,
       coalesce((select sum(c.amount) from stock_claim as c where c.balance_id = h.id and c.state = 'set_aside'), 0) as aside
  from ` + lineRows + `
  join stock_balance as h on h.location_id = r.from_id and h.part_id = r.part_id
  left join lot as l on l.id = h.lot_id
 where h.on_hand > 0 or h.counted_at >= r.at
order by r.place, l.expires_on nulls last, l.code, h.id`

// onShelves reads what lies at the places of some lines, and holds it.
func onShelves(tx *gorm.DB, now time.Time, in []Moving, which func(i int) bool) ([]onShelf, error) {
	var rows []lineRow
	for i, m := range in {
		if which(i) {
			rows = append(rows, lineRow{Place: i, PartID: m.PartID, FromID: m.From, At: m.at(now)})
		}
	}
	if len(rows) == 0 {
		return nil, nil
	}
	text, err := doc(rows)
	if err != nil {
		return nil, err
	}
	if err := tx.Exec(`select stock_hold(cast(? as jsonb))`, text).Error; err != nil {
		return nil, err
	}
	var found []onShelf
	err = tx.Raw(shelf, map[string]any{"rows": text}).Scan(&found).Error
	return found, err
}

// firstExpired chooses lots for lines that name none: at each place what expires first
// goes first, and nothing that has expired.
func firstExpired(tx *gorm.DB, now time.Time, in []Moving, of []known) ([]Moving, []known, error) {
	open := func(i int) bool {
		return in[i].From != nil && in[i].Lot == "" && byLot(of[i].Tracking) && in[i].UnitID == nil
	}
	found, err := onShelves(tx, now, in, open)
	if err != nil {
		return nil, nil, err
	}
	var lines []Moving
	var all []known
	left := map[uuid.UUID]amount.Amount{}
	for _, f := range found {
		left[f.BalanceID] = f.OnHand - f.Aside
	}
	for i, m := range in {
		if !open(i) {
			lines, all = append(lines, m), append(all, of[i])
			continue
		}
		wanted, there := m.Amount, amount.Amount(0)
		for _, f := range found {
			own := m.ClaimID != nil && of[i].ClaimBalance != nil && *of[i].ClaimBalance == f.BalanceID
			if f.Place != i || f.Owner != m.Owner.kind() || val(f.OwnerCustomerID) != val(m.Owner.CustomerID) || wanted == 0 ||
				f.ExpiresOn != nil && *f.ExpiresOn < day(m.at(now)) && !rules[m.Kind].keeps || m.ClaimID != nil && !own {
				continue
			}
			can := left[f.BalanceID]
			if own {
				can = f.OnHand
			}
			take := min(wanted, max(0, can))
			if take == 0 {
				continue
			}
			there, wanted = there+take, wanted-take
			left[f.BalanceID] -= take
			part, k := m, of[i]
			part.Amount, part.Lot = take, f.Code
			k.LotID, k.LotCode, k.ExpiresOn = f.LotID, f.Code, f.ExpiresOn
			lines, all = append(lines, part), append(all, k)
		}
		if wanted > 0 {
			elsewhere, err := whereSome(tx, day(m.at(now)), []uuid.UUID{m.PartID})
			if err != nil {
				return nil, nil, err
			}
			return nil, nil, lacking(of[i], m, there, 0, m.Amount, elsewhere[m.PartID])
		}
	}
	return lines, all, nil
}

// ExtendLot gives a lot more time after somebody has inspected it.
func ExtendLot(tx *gorm.DB, who access.Actor, now time.Time, lot uuid.UUID, in Extending) (Extension, error) {
	if err := who.Must(access.MoveStock); err != nil {
		return Extension{}, err
	}
	last, bad := date(in.Until, "until")
	if bad == nil && last == nil {
		bad = fault.Field("until", "", "is needed: the new last day")
	}
	if bad == nil && strings.TrimSpace(in.Reason) == "" {
		bad = fault.Field("reason", "", "is needed: what was inspected")
	}
	if bad == nil && strings.TrimSpace(in.Evidence) == "" {
		bad = fault.Field("evidence", "", "is needed: what shows it, such as the number of the report")
	}
	if bad != nil {
		return Extension{}, bad
	}
	found, err := pgdb.One[struct{ Was *string }](tx, "lot", lot.String(), `select to_char(expires_on, 'YYYY-MM-DD') as was from lot where id = @id for update`, map[string]any{"id": lot})
	was := found.Was
	switch {
	case err != nil:
		return Extension{}, err
	case was == nil:
		return Extension{}, conflict("until", in.Until, "is not needed: the lot does not expire")
	case *last <= *was:
		return Extension{}, fault.Field("until", in.Until, "lies after %s, its last day until now", *was)
	}
	v := map[string]any{"id": pgdb.NewID(), "lot": lot, "was": *was, "until": *last, "reason": strings.TrimSpace(in.Reason), "evidence": strings.TrimSpace(in.Evidence), "now": now, "who": who.ID}
	err = tx.Exec(`insert into lot_extension (id, lot_id, was, until, reason, evidence, decided_at, decided_by) values (@id, @lot, cast(@was as date), cast(@until as date), @reason, @evidence, @now, @who)`, v).Error
	if err != nil {
		return Extension{}, err
	}
	if err := tx.Exec(`update lot set expires_on = cast(@until as date) where id = @lot`, v).Error; err != nil {
		return Extension{}, err
	}
	return pgdb.One[Extension](tx, "extension", "", extensions+` where x.id = @id`, v)
}

// Extending gives a lot more time.
type Extending struct {
	Until    string // the new last day
	Reason   string // what the inspection found
	Evidence string // what shows it, such as the number of the report
}

// Extension is more time that a lot was given.
type Extension struct {
	ID         uuid.UUID
	LotID      uuid.UUID
	Lot        string // its code
	Was, Until string
	Reason     string
	Evidence   string
	DecidedAt  time.Time
	DecidedBy  string
}

const extensions = `
select x.id, x.lot_id, l.code as lot, to_char(x.was, 'YYYY-MM-DD') as was, to_char(x.until, 'YYYY-MM-DD') as until, x.reason, x.evidence, x.decided_at, coalesce(a.name, '') as decided_by
  from lot_extension as x
  join lot as l on l.id = x.lot_id
  left join actor as a on a.id = x.decided_by`

// Extensions lists what more time some lots were given, the latest first.
func Extensions(ctx context.Context, db *pgdb.DB, who access.Actor, lots []uuid.UUID) ([]Extension, error) {
	return pgdb.Read[Extension](ctx, db, who.ID, extensions+` where @everywhere and x.lot_id = any (cast(@lots as uuid[])) order by x.decided_at desc, x.id limit 1000`, who.Scope(map[string]any{"lots": lots}))
}
