package stock

import (
	"bytes"
	"encoding/json"
	"fmt"
	"maps"
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

// Moving is one line of what is done with stock.
type Moving struct {
	Kind   string
	PartID uuid.UUID
	Lot    string // code; "" of a part that is kept by lot takes what expires first
	UnitID *uuid.UUID
	Amount amount.Amount // 1 for a unit
	From   *uuid.UUID    // location; nil: from outside of this record
	To     *uuid.UUID    // nil: out of it
	Owner  Owner
	At     *time.Time // when it was done; nil is now
	Reason string
	// Of what is received: the last day on which a lot may be used, where the supplier says
	// one. Otherwise it follows from the shelf life and the day.
	ExpiresOn string
	// Somebody has looked at an amount that is asked about, such as 1 where boxes of 50 come.
	Sure     bool
	Document string
	TaskID   *uuid.UUID
	ClaimID  *uuid.UUID // what was set aside and is moved or used now

	orderLine *uuid.UUID
	countLine *uuid.UUID
	stay      *uuid.UUID
}

// Movement is what was written of it. One line may become several movements, one for
// each lot.
type Movement struct {
	ID         uuid.UUID
	ActID      uuid.UUID // of all that was recorded together
	Kind       string
	PartID     uuid.UUID
	PartNumber string
	MeasuredIn string
	LotID      *uuid.UUID
	Lot        string
	UnitID     *uuid.UUID
	Owner      Owner
	Amount     amount.Amount
	FromID     *uuid.UUID
	ToID       *uuid.UUID
	At         time.Time

	place int // of the line it came from
}

// rule says where a kind of movement begins and ends.
type rule struct {
	from, to bool
	into     []string // kinds of place that it may go to; nil is any
	keeps    bool     // what is expired or withdrawn may go this way
}

// The kinds that people choose between. Others are written by the functions that do them.
var rules = map[string]rule{
	"receive":         {to: true, into: []string{"warehouse", "van", "site_shelf", "bench", "quarantine"}},
	"put_away":        {from: true, to: true},
	"pick":            {from: true, to: true},
	"load":            {from: true, to: true, into: []string{"van"}},
	"transfer_out":    {from: true, to: true, into: []string{"in_transit"}},
	"transfer_in":     {from: true, to: true},
	"move":            {from: true, to: true},
	"issue":           {from: true},
	"job_return":      {to: true},
	"supplier_return": {from: true, keeps: true},
	"core_out":        {from: true, keeps: true},
	"core_in":         {to: true, into: []string{"returns", "bench", "van", "quarantine", "warehouse"}},
	"warranty_out":    {from: true, to: true, into: []string{"supplier"}, keeps: true},
	"replacement_in":  {to: true},
	"scrap":           {from: true, to: true, into: []string{"scrap"}, keeps: true},
	"expire":          {from: true, to: true, into: []string{"quarantine"}, keeps: true},
	"quarantine":      {from: true, to: true, into: []string{"quarantine"}, keeps: true},
	"release":         {from: true, to: true},
	"write_off":       {from: true, to: true, into: []string{"scrap"}, keeps: true},
	"consign_in":      {to: true},
	"consign_out":     {from: true},
	"sale":            {from: true},
}

// Kinds lists the kinds that a person may record.
func Kinds() []string {
	all := make([]string, 0, len(rules))
	for k := range rules {
		all = append(all, k)
	}
	slices.Sort(all)
	return all
}

// known is what is known of a line, its part, its lot and its places.
type known struct {
	Place                int
	PartKnown            bool
	Number, MeasuredIn   string
	Tracking             string
	Pack                 amount.Amount
	Container            *amount.Amount
	ShelfMonths          *int
	OpenMonths           *int
	Withdrawn            string // what is to be used instead; "-" where nothing is named
	LotID                *uuid.UUID
	LotCode              string
	ExpiresOn            *string
	FromKnown, ToKnown   bool
	FromKind, ToKind     string
	FromCode, ToCode     string
	FromSite, ToSite     *uuid.UUID
	FromOwner, ToOwner   *uuid.UUID // customer whose shelf it is
	UnitPart             *uuid.UUID
	Tag                  string
	UnitAt               *uuid.UUID
	UnitWhere            string
	UnitOwner            string
	UnitCustomer         *uuid.UUID
	WarrantyOpen         bool
	HeldFor              string
	ClaimState           string
	ClaimBalance         *uuid.UUID
	ClaimPart, ClaimUnit *uuid.UUID
	ClaimAmount          *amount.Amount
}

type lineRow struct {
	Place   int        `json:"place"`
	PartID  uuid.UUID  `json:"part_id"`
	Lot     string     `json:"lot"`
	UnitID  *uuid.UUID `json:"unit_id"`
	FromID  *uuid.UUID `json:"from_id"`
	ToID    *uuid.UUID `json:"to_id"`
	At      time.Time  `json:"at"`
	ClaimID *uuid.UUID `json:"claim_id"`
}

const lineRows = `jsonb_to_recordset(cast(@rows as jsonb)) as r(place int, part_id uuid, lot text, unit_id uuid, from_id uuid, to_id uuid, at timestamptz, claim_id uuid)`

const lookUp = `select * from stock_look(cast(@rows as jsonb))`

// where each unit is, and what holds it
const lookUpUnits = `
select r.place, u.part_id as unit_part, coalesce(u.tag, '') as tag, coalesce(u.owner, '') as unit_owner, u.owner_customer_id as unit_customer,
       st.location_id as unit_at, coalesce(sl.code, coalesce(po.code, h.tag) || ', ' || lower(s.name), '') as unit_where,
       exists (select from warranty as w where w.unit_id = u.id and w.state = 'claimed') as warranty_open,
       coalesce((select c.purpose from stock_claim as c where c.unit_id = u.id and c.state = 'set_aside' and c.id is distinct from r.claim_id), '') as held_for
  from ` + lineRows + `
  left join unit as u on u.id = r.unit_id
  left join stay as st on st.unit_id = u.id and upper_inf(st.during)
  left join location as sl on sl.id = st.location_id
  left join slot as s on s.id = st.slot_id
  left join position as po on po.id = s.position_id
  left join unit as h on h.id = s.unit_id
 where r.unit_id is not null
order by r.place`

// look finds out what is known of some lines.
func look(tx *gorm.DB, now time.Time, in []Moving) ([]known, error) {
	rows, units := make([]lineRow, len(in)), false
	for i, m := range in {
		rows[i] = lineRow{i, m.PartID, strings.TrimSpace(m.Lot), m.UnitID, m.From, m.To, m.at(now), m.ClaimID}
		units = units || m.UnitID != nil
	}
	text, err := doc(rows)
	if err != nil {
		return nil, err
	}
	var all []known
	if err := tx.Raw(lookUp, map[string]any{"rows": text}).Scan(&all).Error; err != nil || !units {
		return all, err
	}
	var of []known
	if err := tx.Raw(lookUpUnits, map[string]any{"rows": text}).Scan(&of).Error; err != nil {
		return nil, err
	}
	for _, u := range of {
		k := &all[u.Place]
		k.UnitPart, k.Tag, k.UnitOwner, k.UnitCustomer, k.UnitAt, k.UnitWhere, k.WarrantyOpen, k.HeldFor = u.UnitPart, u.Tag, u.UnitOwner, u.UnitCustomer, u.UnitAt, u.UnitWhere, u.WarrantyOpen, u.HeldFor
	}
	return all, nil
}

func (m Moving) at(now time.Time) time.Time {
	if m.At == nil {
		return now
	}
	return *m.At
}

func byLot(tracking string) bool {
	return tracking == "lot" || tracking == "lot_expiry" || tracking == "kit"
}

func conflict(field string, value any, format string, args ...any) *fault.Error {
	f := fault.Field(field, value, format, args...)
	f.Kind = fault.Conflict
	return f
}

// sound refuses what cannot be, whoever says it: facts of a finished job, too.
func (m Moving) sound(k known, now time.Time) *fault.Error {
	switch {
	case m.at(now).After(now):
		return fault.Field("at", stamp(m.at(now)), "must not lie ahead: what is moved is recorded when it is done")
	case m.at(now).Before(now.AddDate(-20, 0, 0)):
		return fault.Field("at", stamp(m.at(now)), "must not lie more than 20 years back")
	case !k.PartKnown:
		return fault.Field("part_id", m.PartID, "names no part")
	case m.From != nil && !k.FromKnown:
		return fault.Field("from_id", *m.From, "names no location")
	case m.To != nil && !k.ToKnown:
		return fault.Field("to_id", *m.To, "names no location")
	case (k.Tracking == "unit") != (m.UnitID != nil):
		if m.UnitID == nil {
			return fault.Field("unit_id", "", "is needed: %s is kept by unit, each with its tag", k.Number)
		}
		return fault.Field("unit_id", *m.UnitID, "is for parts that are kept by unit; %s is not", k.Number)
	case m.Amount <= 0 || m.Amount > amount.Most:
		return fault.Field("amount", m.Amount, "lies above 0 and at most at %s", amount.Most)
	case m.UnitID != nil && m.Amount != amount.One:
		return fault.Field("amount", m.Amount, "is 1 for a unit")
	case InPieces(k.MeasuredIn) && !m.Amount.Whole():
		return fault.Field("amount", m.Amount, "is a whole number: %s is counted in %s", k.Number, k.MeasuredIn)
	case m.Lot != "" && !byLot(k.Tracking):
		return fault.Field("lot", m.Lot, "is for parts that are kept by lot; %s is not", k.Number)
	case m.UnitID != nil && k.UnitPart == nil:
		return fault.Field("unit_id", *m.UnitID, "names no unit")
	case m.UnitID != nil && *k.UnitPart != m.PartID:
		return fault.Field("unit_id", k.Tag, "is not a %s", k.Number)
	case m.ClaimID != nil && (k.ClaimState != "set_aside" || k.ClaimPart == nil || *k.ClaimPart != m.PartID):
		return fault.Field("claim_id", *m.ClaimID, "names nothing of this part that is set aside")
	case m.ClaimID != nil && val(k.ClaimAmount) != m.Amount:
		return fault.Field("amount", m.Amount, "is all that was set aside: %s", counted(*k.ClaimAmount, k.MeasuredIn))
	}
	return nil
}

// refuse says what speaks against doing it as planned; nil where nothing does.
func (m Moving) refuse(k known, now time.Time) *fault.Error {
	r, ok := rules[m.Kind]
	on := day(m.at(now))
	switch {
	case !ok:
		return fault.Field("kind", m.Kind, "is one of %s", strings.Join(Kinds(), ", "))
	case r.from != (m.From != nil):
		if r.from {
			return fault.Field("from_id", "", "is needed: %s begins at a place", words(m.Kind))
		}
		return fault.Field("from_id", *m.From, "is not given for %s: it comes from outside", words(m.Kind))
	case r.to != (m.To != nil):
		if r.to {
			return fault.Field("to_id", "", "is needed: %s ends at a place", words(m.Kind))
		}
		return fault.Field("to_id", *m.To, "is not given for %s: it leaves this record", words(m.Kind))
	}
	if bad := m.sound(k, now); bad != nil {
		return bad
	}
	if m.UnitID == nil {
		if bad := m.Owner.check(); bad != nil {
			return bad
		}
	}
	owner, customer := m.Owner.kind(), m.Owner.CustomerID
	if m.UnitID != nil {
		owner, customer = k.UnitOwner, k.UnitCustomer
	}
	switch {
	case m.From != nil && m.To != nil && *m.From == *m.To:
		// the second beep of a scanner; Move takes it as done
		return nil
	case r.into != nil && m.To != nil && !slices.Contains(r.into, k.ToKind):
		return fault.Field("to_id", k.ToCode, "is a %s; %s goes to a %s", words(k.ToKind), words(m.Kind), words(strings.Join(r.into, " or ")))
	case k.FromKind == "unexplained" || k.ToKind == "unexplained":
		return fault.Field("to_id", k.ToCode, "holds what nobody can explain; settle the discrepancy instead")
	case k.FromKind == "scrap":
		return fault.Field("from_id", k.FromCode, "is scrap, which stays scrap")
	case owner == Customers && k.ToKind == "site_shelf" && k.ToOwner != nil && *k.ToOwner != *customer:
		return conflict("to_id", k.ToCode, "is the shelf of another customer than its owner")
	case k.FromKind == "in_transit" && m.Kind != "transfer_in" && !r.keeps:
		return fault.Field("kind", m.Kind, "is not possible from %s: what is on its way arrives by transfer_in", k.FromCode)
	case m.Kind == "release" && k.FromKind != "quarantine":
		return fault.Field("from_id", k.FromCode, "is not a quarantine")
	case k.FromKind == "quarantine" && m.Kind != "release" && !r.keeps && k.ToKind != "quarantine":
		return conflict("from_id", k.FromCode, "is a quarantine: release it with a reason, or scrap it")
	case m.From != nil && m.Kind != "expire" && (k.ToKind == "scrap" || k.ToKind == "quarantine") && k.FromKind != k.ToKind && strings.TrimSpace(m.Reason) == "":
		return fault.Field("reason", "", "is needed for what goes to %s: why it is not used", k.ToCode)
	case slices.Contains([]string{"scrap", "write_off", "release", "quarantine", "supplier_return", "sale", "core_in", "job_return"}, m.Kind) && strings.TrimSpace(m.Reason) == "":
		return fault.Field("reason", "", "is needed for %s", words(m.Kind))
	case m.From != nil && !r.keeps && k.ToKind != "quarantine" && k.ToKind != "returns" && k.ExpiresOn != nil && *k.ExpiresOn < on:
		return conflict("lot", k.LotCode, "might be used until %s; put it in quarantine", *k.ExpiresOn)
	case k.Withdrawn != "" && !r.keeps && k.ToKind != "quarantine" && k.ToKind != "returns":
		instead := ""
		if k.Withdrawn != "-" {
			instead = ", use " + k.Withdrawn + " instead"
		}
		return conflict("part_id", k.Number, "is withdrawn: put it in quarantine%s", instead)
	case m.From != nil && m.Lot != "" && k.LotID == nil:
		return fault.Field("lot", m.Lot, "is no lot of %s on record", k.Number)
	case m.From == nil && byLot(k.Tracking) && m.Lot == "":
		return fault.Field("lot", "", "is needed: %s is kept by lot", k.Number)
	case m.Kind == "receive" && !m.Sure && k.Pack > amount.One && m.Amount < k.Pack && m.Amount.Whole() && m.Amount <= amount.Of(9) && InPieces(k.MeasuredIn):
		all, _ := m.Amount.Times(k.Pack)
		return fault.Field("amount", m.Amount, "is less than one pack of %s: is it %s, or %s packs, which are %s? Say that you are sure, or give the other",
			k.Pack, counted(m.Amount, k.MeasuredIn), m.Amount, counted(all, k.MeasuredIn))
	case m.UnitID != nil && m.From != nil && (k.UnitAt == nil || *k.UnitAt != *m.From):
		where := k.UnitWhere
		if where == "" {
			where = "nowhere on record"
		}
		f := conflict("unit_id", k.Tag, "is not in %s: on record it is in %s", k.FromCode, where)
		f.Existing = &fault.Ref{Kind: "unit", ID: m.UnitID.String(), Code: k.Tag}
		return f
	case m.UnitID != nil && m.From == nil && k.UnitWhere != "":
		return conflict("unit_id", k.Tag, "is on record in %s already", k.UnitWhere)
	case k.HeldFor != "" && !r.keeps:
		return conflict("unit_id", k.Tag, "is set aside for %s", k.HeldFor)
	case k.WarrantyOpen && slices.Contains([]string{"scrap", "core_out", "write_off", "sale"}, m.Kind):
		return conflict("unit_id", k.Tag, "is claimed under warranty: until that is decided it is neither scrap nor core")
	}
	return nil
}

// Move does what some lines say, all or none, in a number of statements that does not grow
// with them. What falls short is refused, and the fault says where there is some.
func Move(tx *gorm.DB, who access.Actor, now time.Time, in []Moving) ([]Movement, error) {
	if err := who.Must(access.MoveStock); err != nil {
		return nil, err
	}
	all, err := look(tx, now, in)
	if err != nil {
		return nil, err
	}
	var bad []*fault.Error
	var kept []Moving
	var of []known
	units := map[uuid.UUID]int{}
	for i, m := range in {
		k := all[i]
		if f := m.refuse(k, now); f != nil {
			f.Field = item(i, f.Field)
			bad = append(bad, f)
			continue
		}
		if m.UnitID != nil {
			if j, twice := units[*m.UnitID]; twice {
				bad = append(bad, fault.Field(item(i, "unit_id"), k.Tag, "stands in items[%d] too", j))
			}
			units[*m.UnitID] = i
			m.Owner = Owner{k.UnitOwner, k.UnitCustomer}
		}
		if m.From != nil && m.To != nil && *m.From == *m.To {
			continue
		}
		k.Place = i
		kept, of = append(kept, m), append(of, k)
	}
	if err := fault.Collect(bad...); err != nil {
		return nil, err
	}
	return carryOut(tx, who, now, kept, of)
}

// carryOut writes lines that nothing speaks against.
func carryOut(tx *gorm.DB, who access.Actor, now time.Time, in []Moving, of []known) ([]Movement, error) {
	if len(in) == 0 {
		return []Movement{}, nil
	}
	if err := newLots(tx, who, now, in, of); err != nil {
		return nil, err
	}
	in, of, err := firstExpired(tx, now, in, of)
	if err != nil {
		return nil, err
	}
	if err := moveUnits(tx, who, now, in, of); err != nil {
		return nil, err
	}
	done, short, err := post(tx, now, in, of, false)
	if err != nil {
		return nil, err
	}
	if len(short) > 0 {
		return nil, tellShort(tx, now, in, of, short)
	}
	if err := openContainers(tx, who, now, in, of); err != nil {
		return nil, err
	}
	return done, followClaims(tx, who, now, in, done)
}

// moveUnits writes the stays of the units among some lines.
func moveUnits(tx *gorm.DB, who access.Actor, now time.Time, in []Moving, of []known) error {
	var puts []assets.Putting
	var at, places []int
	var gone []uuid.UUID
	var until []string
	for i, m := range in {
		if m.UnitID == nil || m.Kind == "prepare" || m.stay != nil {
			continue
		}
		when := m.at(now)
		if m.To == nil { // it leaves our stock; its tag stays known
			gone, until = append(gone, *m.UnitID), append(until, when.UTC().Format(time.RFC3339Nano))
			continue
		}
		puts, at = append(puts, assets.Putting{UnitID: *m.UnitID, Place: assets.Place{LocationID: m.To}, From: &when, Remark: m.Reason}), append(at, i)
		places = append(places, of[i].Place)
	}
	if len(gone) > 0 {
		if err := lock(tx, "unit", gone); err != nil {
			return err
		}
		r := tx.Exec(`
update stay as st set during = tstzrange(lower(st.during), r.at), until_precision = 'instant', ended_for = 'moved'
  from unnest(cast(? as uuid[]), cast(? as timestamptz[])) as r(unit_id, at)
 where st.unit_id = r.unit_id and upper_inf(st.during) and st.location_id is not null and (lower_inf(st.during) or lower(st.during) < r.at)`, ids(gone), "{"+strings.Join(until, ",")+"}")
		if r.Error != nil {
			return r.Error
		}
		if r.RowsAffected != int64(len(gone)) {
			return conflict("unit_id", "", "came to where it is later than this, or has been moved in this instant")
		}
	}
	if len(puts) == 0 {
		return nil
	}
	stays, err := assets.PutAll(tx, stocker(who), now, puts)
	if err != nil {
		return placed(err, places)
	}
	for j, i := range at {
		in[i].stay = &stays[j].ID
	}
	return nil
}

type postRow struct {
	ID              uuid.UUID     `json:"id"`
	ActID           uuid.UUID     `json:"act_id"`
	Place           int           `json:"place"`
	Kind            string        `json:"kind"`
	PartID          uuid.UUID     `json:"part_id"`
	LotID           *uuid.UUID    `json:"lot_id"`
	Owner           string        `json:"owner"`
	OwnerCustomerID *uuid.UUID    `json:"owner_customer_id"`
	Amount          amount.Amount `json:"amount"`
	FromID          *uuid.UUID    `json:"from_id"`
	ToID            *uuid.UUID    `json:"to_id"`
	FromBalanceID   *uuid.UUID    `json:"from_balance_id"`
	ToBalanceID     *uuid.UUID    `json:"to_balance_id"`
	FromSiteID      *uuid.UUID    `json:"from_site_id"`
	ToSiteID        *uuid.UUID    `json:"to_site_id"`
	UnitID          *uuid.UUID    `json:"unit_id"`
	StayID          *uuid.UUID    `json:"stay_id"`
	At              time.Time     `json:"at"`
	RecordedAt      time.Time     `json:"recorded_at"`
	Reason          string        `json:"reason"`
	Document        string        `json:"document"`
	TaskID          *uuid.UUID    `json:"task_id"`
	ClaimID         *uuid.UUID    `json:"claim_id"`
	OrderLineID     *uuid.UUID    `json:"order_line_id"`
	CountLineID     *uuid.UUID    `json:"count_line_id"`
}

// shortage is a balance that does not have what is wanted of it.
type shortage struct {
	BalanceID uuid.UUID     `json:"balance_id"`
	OnHand    amount.Amount `json:"on_hand"`
	Aside     amount.Amount `json:"aside"`
	Wanted    amount.Amount `json:"wanted"`
}

type late struct {
	Place     int       `json:"place"`
	BalanceID uuid.UUID `json:"balance_id"`
	Into      bool      `json:"into"`
	CountedAt time.Time `json:"counted_at"`
}

type posted struct {
	Short []shortage `json:"short"`
	Late  []late     `json:"late"`
}

// post writes movements and balances, or tells what is short and writes nothing. What was
// done before a count that has seen it already is set off at the instant of that count:
// the count now reads as it would have with the late movement known.
func post(tx *gorm.DB, now time.Time, in []Moving, of []known, overAside bool) ([]Movement, []shortage, error) {
	act := pgdb.NewID()
	rows, done := make([]postRow, len(in)), make([]Movement, len(in))
	for i, m := range in {
		k := of[i]
		r := postRow{ID: pgdb.NewID(), ActID: act, Place: i, Kind: m.Kind, PartID: m.PartID, LotID: k.LotID, Owner: m.Owner.kind(), OwnerCustomerID: m.Owner.CustomerID,
			Amount: m.Amount, FromID: m.From, ToID: m.To, FromSiteID: k.FromSite, ToSiteID: k.ToSite, UnitID: m.UnitID, StayID: m.stay, At: m.at(now), RecordedAt: now,
			Reason: strings.TrimSpace(m.Reason), Document: strings.TrimSpace(m.Document), TaskID: m.TaskID, ClaimID: m.ClaimID, OrderLineID: m.orderLine, CountLineID: m.countLine}
		if m.UnitID == nil {
			if m.From != nil {
				id := balanceID(*m.From, m.PartID, k.LotID, m.Owner)
				r.FromBalanceID = &id
			}
			if m.To != nil {
				id := balanceID(*m.To, m.PartID, k.LotID, m.Owner)
				r.ToBalanceID = &id
			}
		}
		rows[i] = r
		done[i] = Movement{ID: r.ID, ActID: act, Kind: r.Kind, PartID: r.PartID, PartNumber: k.Number, MeasuredIn: k.MeasuredIn, LotID: r.LotID, Lot: k.LotCode, UnitID: r.UnitID,
			Owner: m.Owner, Amount: r.Amount, FromID: r.FromID, ToID: r.ToID, At: r.At, place: k.Place}
		done[i].Owner.Kind = r.Owner
	}
	said, err := callPost(tx, rows, false, overAside)
	if err != nil || len(said.Late) == 0 {
		return done, said.Short, err
	}
	nowhere, err := unexplained(tx)
	if err != nil {
		return nil, nil, err
	}
	for _, l := range said.Late {
		r := rows[l.Place]
		back := r
		back.ID, back.Kind, back.At, back.ClaimID, back.StayID = pgdb.NewID(), "count", l.CountedAt, nil, nil
		back.Reason = "recorded late: the count of " + stamp(l.CountedAt) + " had seen it"
		there := balanceID(nowhere, r.PartID, r.LotID, Owner{r.Owner, r.OwnerCustomerID})
		if l.Into {
			back.FromID, back.FromBalanceID, back.FromSiteID = r.ToID, r.ToBalanceID, r.ToSiteID
			back.ToID, back.ToBalanceID, back.ToSiteID = &nowhere, &there, nil
		} else {
			back.ToID, back.ToBalanceID, back.ToSiteID = r.FromID, r.FromBalanceID, r.FromSiteID
			back.FromID, back.FromBalanceID, back.FromSiteID = &nowhere, &there, nil
		}
		rows = append(rows, back)
	}
	said, err = callPost(tx, rows, true, overAside)
	return done, said.Short, err
}

func callPost(tx *gorm.DB, rows []postRow, lateSettled, overAside bool) (posted, error) {
	var said posted
	by := map[uuid.UUID]amount.Amount{}
	for _, r := range rows {
		if r.FromBalanceID != nil {
			by[*r.FromBalanceID] -= r.Amount
		}
		if r.ToBalanceID != nil {
			by[*r.ToBalanceID] += r.Amount
		}
	}
	keys := slices.SortedFunc(maps.Keys(by), func(a, b uuid.UUID) int { return bytes.Compare(a[:], b[:]) })
	deltas := make([]string, len(keys))
	for i, k := range keys {
		deltas[i] = by[k].String()
	}
	text, err := doc(rows)
	if err != nil {
		return said, err
	}
	var answer string
	err = tx.Raw(`select stock_post(cast(? as uuid[]), cast(? as numeric[]), cast(? as jsonb), ?, ?)::text`, ids(keys), "{"+strings.Join(deltas, ",")+"}", text, lateSettled, overAside).Scan(&answer).Error
	if err != nil {
		return said, err
	}
	return said, json.Unmarshal([]byte(answer), &said)
}

// unexplained gives the place for what nobody can explain.
func unexplained(tx *gorm.DB) (uuid.UUID, error) {
	return pgdb.ID(tx, `select unexplained_location() as id`)
}

// where tells where else there is some of some parts.
const where = `
select n.part_id, string_agg(n.says, ', ' order by n.n desc, n.says) as says
  from (select b.part_id, sum(b.on_hand) as n, trim_scale(sum(b.on_hand)) || ' in ' || l.code as says
          from stock_now as b
          join location as l on l.id = b.location_id and l.kind in ('warehouse', 'van', 'site_shelf', 'bench')
         where b.part_id = any (cast(@parts as uuid[])) and (b.expires_on is null or b.expires_on >= cast(@on as date))
      group by b.part_id, l.code
        having sum(b.on_hand) > 0) as n
group by n.part_id`

func whereSome(tx *gorm.DB, on string, parts []uuid.UUID) (map[uuid.UUID]string, error) {
	var found []struct {
		PartID uuid.UUID
		Says   string
	}
	if err := tx.Raw(where, map[string]any{"parts": ids(parts), "on": on}).Scan(&found).Error; err != nil {
		return nil, err
	}
	all := map[uuid.UUID]string{}
	for _, f := range found {
		all[f.PartID] = f.Says
	}
	return all, nil
}

// tellShort says what is short, and where there is some.
func tellShort(tx *gorm.DB, now time.Time, in []Moving, of []known, short []shortage) error {
	var parts []uuid.UUID
	for _, m := range in {
		parts = append(parts, m.PartID)
	}
	elsewhere, err := whereSome(tx, day(now), parts)
	if err != nil {
		return err
	}
	var bad []*fault.Error
	for _, s := range short {
		for i, m := range in {
			if m.From == nil || m.UnitID != nil || balanceID(*m.From, m.PartID, of[i].LotID, m.Owner) != s.BalanceID {
				continue
			}
			bad = append(bad, lacking(of[i], m, s.OnHand, s.Aside, s.Wanted, elsewhere[m.PartID]))
			break
		}
	}
	return fault.Collect(bad...)
}

func lacking(k known, m Moving, onHand, aside, wanted amount.Amount, elsewhere string) *fault.Error {
	says := fmt.Sprintf("is more than there is: %s of %s %s", max(0, onHand-aside), counted(wanted, k.MeasuredIn), "in "+k.FromCode)
	if k.LotCode != "" {
		says += " of lot " + k.LotCode
	}
	if aside > 0 {
		says += fmt.Sprintf(", and %s set aside for others", aside)
	}
	if elsewhere == "" {
		elsewhere = "none anywhere"
	}
	return conflict(item(k.Place, "amount"), m.Amount, "%s; on record: %s", says, elsewhere)
}

// InPieces tells whether what is measured in a unit is counted, in whole pieces.
func InPieces(unit string) bool { return unit == "ea" || unit == "set" }
