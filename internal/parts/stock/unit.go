package stock

import (
	"fmt"
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

// NewUnit is a unit that arrives.
type NewUnit struct {
	PartID   uuid.UUID
	Tag      string // "" takes the next of our labels
	Serial   string
	Lot      string
	Pattern  string
	Owner    Owner
	To       uuid.UUID
	Damaged  bool
	At       *time.Time
	Reason   string
	Document string

	orderLine *uuid.UUID
}

// sameSerial finds units of the part that carry the serial already.
const sameSerial = `
select r.place, u.id, u.tag, coalesce(l.code, coalesce(po.code, h.tag) || ', ' || lower(s.name), 'nowhere on record') as place_name
  from jsonb_to_recordset(cast(@rows as jsonb)) as r(place int, part_id uuid, serial text)
  join unit as u on u.part_id = r.part_id and u.serial_read = serial_as_read(r.serial)
  left join stay as st on st.unit_id = u.id and upper_inf(st.during)
  left join location as l on l.id = st.location_id
  left join slot as s on s.id = st.slot_id
  left join position as po on po.id = s.position_id
  left join unit as h on h.id = s.unit_id
order by r.place, u.tag`

// ReceiveUnits records units that arrive, each with its stay and movement, all or none. A
// serial of that part which is on record already is refused: somebody has received
// it, or it is read wrong.
func ReceiveUnits(tx *gorm.DB, who access.Actor, now time.Time, in []NewUnit) ([]Movement, error) {
	if err := who.Must(access.MoveStock); err != nil {
		return nil, err
	}
	lines := make([]Moving, len(in))
	var parts []uuid.UUID
	serials, units := make([]map[string]any, 0, len(in)), make([]assets.NewUnit, len(in))
	for i, u := range in {
		to := u.To
		lines[i] = Moving{Kind: "receive", PartID: u.PartID, Amount: amount.One, To: &to, Owner: u.Owner, At: u.At, Reason: u.Reason, Document: u.Document, orderLine: u.orderLine}
		parts = append(parts, u.PartID)
		if s := strings.TrimSpace(u.Serial); s != "" {
			serials = append(serials, map[string]any{"place": i, "part_id": u.PartID, "serial": s})
		}
		units[i] = assets.NewUnit{Tag: strings.ToUpper(strings.TrimSpace(u.Tag)), UnitEdit: assets.UnitEdit{PartID: u.PartID, Serial: u.Serial, Owner: u.Owner.kind(), OwnerCustomerID: u.Owner.CustomerID, Lot: u.Lot, Pattern: u.Pattern}}
	}
	of, err := look(tx, now, lines)
	if err != nil {
		return nil, err
	}
	var bad []*fault.Error
	blame := func(i int, f *fault.Error) {
		if f != nil {
			f.Field = item(i, f.Field)
			bad = append(bad, f)
		}
	}
	for i, k := range of {
		switch at := lines[i].at(now); {
		case !k.PartKnown:
			blame(i, fault.Field("part_id", in[i].PartID, "names no part"))
		case k.Tracking != "unit":
			blame(i, fault.Field("part_id", k.Number, "is not kept by unit: receive an amount"))
		case !k.ToKnown:
			blame(i, fault.Field("to_id", in[i].To, "names no location"))
		case k.ToKind == "scrap" || k.ToKind == "unexplained" || k.ToKind == "supplier":
			blame(i, fault.Field("to_id", k.ToCode, "is no place to receive at"))
		case in[i].Owner.kind() == Customers && k.ToOwner != nil && *k.ToOwner != val(in[i].Owner.CustomerID):
			blame(i, conflict("to_id", k.ToCode, "is the shelf of another customer than its owner"))
		case in[i].Damaged && k.ToKind != "quarantine":
			blame(i, fault.Field("to_id", k.ToCode, "is not a quarantine, where what arrives damaged goes"))
		case at.After(now):
			blame(i, fault.Field("at", stamp(at), "must not lie ahead: what is moved is recorded when it is done"))
		}
	}
	// two who receive the same box take turns
	if err := lock(tx, "serial of", parts); err != nil {
		return nil, err
	}
	if len(serials) > 0 {
		text, err := doc(serials)
		if err != nil {
			return nil, err
		}
		var same []struct {
			Place     int
			ID        uuid.UUID
			Tag       string
			PlaceName string
		}
		if err := tx.Raw(sameSerial, map[string]any{"rows": text}).Scan(&same).Error; err != nil {
			return nil, err
		}
		for _, s := range same {
			f := conflict("serial", in[s.Place].Serial, "is on record: %s, in %s", s.Tag, s.PlaceName)
			f.Existing = &fault.Ref{Kind: "unit", ID: s.ID.String(), Code: s.Tag}
			blame(s.Place, f)
		}
		seen := map[string]int{}
		for _, s := range serials {
			i, key := s["place"].(int), fmt.Sprint(s["part_id"], strings.ToUpper(s["serial"].(string)))
			if j, twice := seen[key]; twice {
				blame(i, fault.Field("serial", in[i].Serial, "is that of items[%d] too", j))
			}
			seen[key] = i
		}
	}
	if err := fault.Collect(bad...); err != nil {
		return nil, err
	}
	added, err := assets.AddUnits(tx, stocker(who), now, units)
	if err != nil {
		return nil, err
	}
	for i, u := range added {
		id := u.ID
		lines[i].UnitID, of[i].Tag, of[i].Place = &id, u.Tag, i
	}
	done, err := carryOut(tx, who, now, lines, of)
	if err != nil {
		return nil, err
	}
	var noted []noting
	for i, u := range in {
		if u.Damaged {
			at := u.To
			noted = append(noted, noting{Discrepancy: Discrepancy{ID: pgdb.NewID(), Kind: "received_damaged", LocationID: &at, PartID: u.PartID, UnitID: done[i].UnitID, Amount: amount.One,
				MovementID: &done[i].ID, Says: fmt.Sprintf("%s (%s) arrived damaged: %s", of[i].Tag, of[i].Number, cmpOr(strings.TrimSpace(u.Reason), "no word how"))}})
		}
	}
	return done, note(tx, who, now, noted)
}

func cmpOr(a, b string) string {
	if a == "" {
		return b
	}
	return a
}

// Preparing is what was done to a unit at the bench.
type Preparing struct {
	UnitID      uuid.UUID
	Orientation string // of the gearbox; "" leaves it
	Links       string // what the links are set for; "" leaves them
	At          *time.Time
	Remark      string
}

// Prepare records that a unit in stock was turned or its links set: a movement that stays
// where it is, and facts of the unit from then on.
func Prepare(tx *gorm.DB, who access.Actor, now time.Time, in []Preparing) ([]Movement, error) {
	if err := who.Must(access.MoveStock); err != nil {
		return nil, err
	}
	lines := make([]Moving, len(in))
	var facts []assets.FactOf
	var of []int
	for i, p := range in {
		u := p.UnitID
		lines[i] = Moving{Kind: "prepare", UnitID: &u, Amount: amount.One, At: p.At}
		at, says := lines[i].at(now), []string{}
		for _, f := range [][3]string{{"gearmotor_orientation", p.Orientation, "turned to "}, {"link_setting", p.Links, "links set for "}} {
			if value := strings.TrimSpace(f[1]); value != "" {
				facts, of = append(facts, assets.FactOf{OfID: u, NewFact: assets.NewFact{Fact: f[0], Value: value, From: &at, SeenAt: &at, SeenBy: who.Name, How: "seen"}}), append(of, i)
				says = append(says, f[2]+value)
			}
		}
		if len(says) == 0 {
			return nil, fault.Field(item(i, "orientation"), "", "or links says what was done at the bench")
		}
		lines[i].Reason = strings.Join(append(says, strings.TrimSpace(p.Remark)), ", ")
		lines[i].Reason = strings.TrimSuffix(lines[i].Reason, ", ")
	}
	known, err := look(tx, now, lines)
	if err != nil {
		return nil, err
	}
	var bad []*fault.Error
	for i, k := range known {
		switch {
		case k.UnitPart == nil:
			bad = append(bad, fault.Field(item(i, "unit_id"), *lines[i].UnitID, "names no unit"))
		case k.UnitAt == nil:
			bad = append(bad, conflict(item(i, "unit_id"), k.Tag, "lies in no stock: on record it is in %s", cmpOr(k.UnitWhere, "no place")))
		default:
			lines[i].PartID, lines[i].From, lines[i].To, lines[i].Owner = *k.UnitPart, k.UnitAt, k.UnitAt, Owner{k.UnitOwner, k.UnitCustomer}
			known[i].Place = i
		}
	}
	if err := fault.Collect(bad...); err != nil {
		return nil, err
	}
	if _, err := assets.RecordAllOfUnits(tx, stocker(who), now, facts); err != nil {
		return nil, placed(err, of)
	}
	return carryOut(tx, who, now, lines, known)
}

// WriteOff takes everything out of a place that is lost, such as a van that was stolen:
// all of it goes to scrap, and the units are listed with their serials.
func WriteOff(tx *gorm.DB, who access.Actor, now time.Time, location, scrap uuid.UUID, reason string) ([]Movement, []LostUnit, error) {
	if err := who.Must(access.MoveStock); err != nil {
		return nil, nil, err
	}
	if strings.TrimSpace(reason) == "" {
		return nil, nil, fault.Field("reason", "", "is needed: what became of it")
	}
	var all []struct {
		PartID          uuid.UUID
		Lot             string
		UnitID          *uuid.UUID
		Owner           string
		OwnerCustomerID *uuid.UUID
		OnHand          amount.Amount
	}
	err := tx.Raw(`
select part_id, case when unit_id is null then coalesce(lot, '') else '' end as lot, unit_id, owner, owner_customer_id, on_hand
  from stock_now where location_id = ? order by part_id, lot, unit_id`, location).Scan(&all).Error
	if err != nil {
		return nil, nil, err
	}
	// what was set aside there is lost for the work it was meant for: the claims are open again
	err = tx.Exec(`
update stock_claim as c set state = 'open', balance_id = null, unit_id = null, version = c.version + 1
 where c.state = 'set_aside'
   and (c.balance_id in (select id from stock_balance where location_id = @at)
        or c.unit_id in (select unit_id from stay where location_id = @at and upper_inf(during)))`, map[string]any{"at": location}).Error
	if err != nil {
		return nil, nil, err
	}
	lines := make([]Moving, len(all))
	var units []uuid.UUID
	for i, a := range all {
		from, to := location, scrap
		lines[i] = Moving{Kind: "write_off", PartID: a.PartID, Lot: a.Lot, UnitID: a.UnitID, Amount: a.OnHand, From: &from, To: &to, Owner: Owner{a.Owner, a.OwnerCustomerID}, Reason: reason}
		if a.UnitID != nil {
			units = append(units, *a.UnitID)
		}
	}
	done, err := Move(tx, who, now, lines)
	if err != nil {
		return nil, nil, err
	}
	var lost []LostUnit
	err = tx.Raw(`select u.tag, coalesce(u.serial, '') as serial, p.number as part_number from unit as u join part as p on p.id = u.part_id
where u.id = any (cast(? as uuid[])) order by u.tag`, ids(units)).Scan(&lost).Error
	return done, lost, err
}

// LostUnit is a unit that was written off.
type LostUnit struct{ Tag, Serial, PartNumber string }
