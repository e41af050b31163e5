package stock

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
	"spindlebook/internal/parts/amount"
	"spindlebook/internal/pgdb"
)

// Claim is a promise that a piece of work gets a part on its day.
type Claim struct {
	ID          uuid.UUID
	PartID      uuid.UUID
	PartNumber  string
	MeasuredIn  string
	Amount      amount.Amount
	NeededOn    string
	SiteID      *uuid.UUID
	PositionID  *uuid.UUID
	TaskID      *uuid.UUID
	VisitID     *uuid.UUID // of one that was made for a visit, and ends with it
	Purpose     string
	Criticality string
	LocationID  *uuid.UUID // where it shall come from, or lies set aside
	Location    string
	State       string // open, set_aside, used, released or taken
	Lot         string
	UnitID      *uuid.UUID
	Tag         string
	MadeAt      time.Time
	MadeBy      string
	EndedAt     *time.Time
	EndedWhy    string
	TakenByID   *uuid.UUID
	Version     int
}

const claims = `
select c.id, c.part_id, p.number as part_number, p.measured_in, c.amount, to_char(c.needed_on, 'YYYY-MM-DD') as needed_on, c.site_id, c.position_id, c.task_id, c.visit_id, c.purpose, c.criticality,
       coalesce(b.location_id, st.location_id, c.location_id) as location_id, coalesce(l.code, '') as location, c.state, coalesce(lt.code, '') as lot, c.unit_id, coalesce(u.tag, '') as tag,
       c.made_at, coalesce(a.name, '') as made_by, c.ended_at, c.ended_why, c.taken_by_id, c.version
  from stock_claim as c
  join part as p on p.id = c.part_id
  left join stock_balance as b on b.id = c.balance_id
  left join lot as lt on lt.id = b.lot_id
  left join unit as u on u.id = c.unit_id
  left join stay as st on st.unit_id = c.unit_id and upper_inf(st.during)
  left join location as l on l.id = coalesce(b.location_id, st.location_id, c.location_id)
  left join actor as a on a.id = c.made_by`

// Claiming asks for a claim.
type Claiming struct {
	PartID      uuid.UUID
	Amount      amount.Amount
	NeededOn    string // the day of use
	SiteID      *uuid.UUID
	PositionID  *uuid.UUID
	TaskID      *uuid.UUID
	VisitID     *uuid.UUID
	Purpose     string // for what, as people say it: "J01 UMB SBL-D"
	Criticality string // S, A, B or C
	LocationID  *uuid.UUID
}

// graver lists the criticalities, the gravest first.
var graver = []string{"S", "A", "B", "C"}

func mayClaim(who access.Actor) error {
	if who.May(access.MoveStock) {
		return nil
	}
	return who.Must(access.Plan)
}

// What lies where it may be promised: neither in quarantine nor on its way, and set aside
// for nobody.
const promisable = `
select s.part_id, s.location_id, l.code as location, l.site_id, s.owner_customer_id, to_char(s.expires_on, 'YYYY-MM-DD') as expires_on,
       s.on_hand - coalesce((select sum(c.amount) from stock_claim as c where c.state = 'set_aside' and (c.balance_id = s.balance_id or c.unit_id = s.unit_id)), 0) as n
  from stock_now as s
  join location as l on l.id = s.location_id and l.kind in ('warehouse', 'van', 'site_shelf', 'bench')
 where s.part_id = any (cast(@parts as uuid[])) and s.on_hand > 0
   and not exists (select from part_succession as w where w.part_id = s.part_id and w.kind = 'withdrawn' and w.during @> cast(@now as timestamptz))
order by l.code, s.expires_on nulls last, s.balance_id, s.unit_id`

const openClaims = `
select c.id, c.part_id, c.site_id, (select o.customer_id from ownership as o where o.site_id = c.site_id and o.during @> cast(@now as timestamptz)) as customer_id,
       c.location_id, to_char(c.needed_on, 'YYYY-MM-DD') as needed_on, c.amount as n
  from stock_claim as c
 where c.part_id = any (cast(@parts as uuid[])) and c.state = 'open'
order by c.made_at, c.id`

// promises builds the network of some parts with the claims that are open.
func promises(tx *gorm.DB, now time.Time, parts []uuid.UUID, but *uuid.UUID) (*network, error) {
	v := map[string]any{"parts": ids(parts), "now": now}
	var there []lying
	if err := tx.Raw(promisable, v).Scan(&there).Error; err != nil {
		return nil, err
	}
	var wants []wanting
	if err := tx.Raw(openClaims, v).Scan(&wants).Error; err != nil {
		return nil, err
	}
	n := newNetwork(there)
	for _, w := range wants {
		if but == nil || w.ID != *but {
			n.add(w)
		}
	}
	return n, nil
}

// successors gives what is claimed instead of parts that have been replaced without
// conditions, down to the end of each chain, with how many of each.
const successors = `
with recursive chain as (
  select p.id as part_id, p.id as now_id, cast(1 as numeric) as n, 0 as depth
    from part as p where p.id = any (cast(@parts as uuid[]))
   union all
  select c.part_id, t.part_id, c.n * t.amount, c.depth + 1
    from chain as c
    join part_succession as s on s.part_id = c.now_id and s.kind = 'replaced' and s.only_where = '' and s.during @> cast(@now as timestamptz)
    join part_succession_to as t on t.succession_id = s.id
   where c.depth < 20
)
select c.part_id, c.now_id, c.n
  from chain as c
 where not exists (select from part_succession as s join part_succession_to as t on t.succession_id = s.id
                    where s.part_id = c.now_id and s.kind = 'replaced' and s.only_where = '' and s.during @> cast(@now as timestamptz))
order by c.part_id, c.now_id`

// Promise claims parts for work, all or none. What is promised stays promised: somebody who
// comes later, also in the same instant, is told who has it and for when. A part that has
// been replaced is claimed as what came after it; claims of before keep the old one.
func Promise(tx *gorm.DB, who access.Actor, now time.Time, in []Claiming) ([]Claim, error) {
	if err := mayClaim(who); err != nil {
		return nil, err
	}
	made, err := promise(tx, who, now, in, nil, false)
	if err != nil || len(made) == 0 {
		return []Claim{}, err
	}
	return claimsInTx(tx, made)
}

// PromiseFree claims of what is asked for that which is free, and leaves the rest.
func PromiseFree(tx *gorm.DB, who access.Actor, now time.Time, in []Claiming) error {
	if err := mayClaim(who); err != nil {
		return err
	}
	_, err := promise(tx, who, now, in, nil, true)
	return err
}

// HeldFor lists what is held for visits, and what other visits held for tasks that are on
// them now.
func HeldFor(tx *gorm.DB, visits, tasks []uuid.UUID) ([]Claim, error) {
	var all []Claim
	err := tx.Raw(claims+` where (c.visit_id = any (cast(@visits as uuid[])) or c.visit_id is not null and c.task_id = any (cast(@tasks as uuid[]))) and c.state in ('open', 'set_aside') order by c.id`,
		map[string]any{"visits": ids(visits), "tasks": ids(tasks)}).Scan(&all).Error
	return all, err
}

// Release gives back claims that are held, whoever has made them, for one reason.
func Release(tx *gorm.DB, who access.Actor, now time.Time, of []uuid.UUID, why string) error {
	if err := mayClaim(who); err != nil {
		return err
	}
	return tx.Exec(`
update stock_claim set state = 'released', balance_id = null, unit_id = null, ended_at = @now, ended_by = @who, ended_why = @why, version = version + 1
 where id = any (cast(@ids as uuid[])) and state in ('open', 'set_aside')`, map[string]any{"ids": ids(of), "now": now, "who": who.ID, "why": why}).Error
}

// EndFor ends what is held for tasks that are done: what they took of a part is used, the rest
// is given back.
func EndFor(tx *gorm.DB, who access.Actor, now time.Time, tasks []uuid.UUID) error {
	if !who.May(access.MoveStock) {
		if err := who.Must(access.RecordWork); err != nil {
			return err
		}
	}
	return tx.Exec(`
update stock_claim as c
   set state = case when exists (select from stock_movement as m where m.task_id = c.task_id and m.part_id = c.part_id and m.kind = 'issue') then 'used' else 'released' end,
       balance_id = null, unit_id = null, ended_at = @now, ended_by = @who, ended_why = 'the work is done', version = c.version + 1
 where c.task_id = any (cast(@tasks as uuid[])) and c.state in ('open', 'set_aside')`, map[string]any{"tasks": ids(tasks), "now": now, "who": who.ID}).Error
}

func claimsInTx(tx *gorm.DB, of []uuid.UUID) ([]Claim, error) {
	var all []Claim
	err := tx.Raw(claims+` where c.id = any (cast(@ids as uuid[])) order by array_position(cast(@ids as uuid[]), c.id)`, map[string]any{"ids": ids(of)}).Scan(&all).Error
	return all, err
}

type claimRow struct {
	ID          uuid.UUID     `json:"id"`
	PartID      uuid.UUID     `json:"part_id"`
	Amount      amount.Amount `json:"amount"`
	NeededOn    string        `json:"needed_on"`
	SiteID      *uuid.UUID    `json:"site_id"`
	PositionID  *uuid.UUID    `json:"position_id"`
	TaskID      *uuid.UUID    `json:"task_id"`
	VisitID     *uuid.UUID    `json:"visit_id"`
	Purpose     string        `json:"purpose"`
	Criticality string        `json:"criticality"`
	LocationID  *uuid.UUID    `json:"location_id"`
	place       int
}

func promise(tx *gorm.DB, who access.Actor, now time.Time, in []Claiming, but *uuid.UUID, some bool) ([]uuid.UUID, error) {
	if len(in) == 0 {
		return nil, nil
	}
	parts := make([]uuid.UUID, len(in))
	sites := make([]Used, len(in))
	for i, c := range in {
		parts[i], sites[i] = c.PartID, Used{SiteID: c.SiteID}
	}
	var chain []struct {
		PartID, NowID uuid.UUID
		N             amount.Amount
	}
	if err := tx.Raw(successors, map[string]any{"parts": ids(parts), "now": now}).Scan(&chain).Error; err != nil {
		return nil, err
	}
	var rows []claimRow
	var bad []*fault.Error
	blame := func(i int, f *fault.Error) {
		if f != nil {
			f.Field = item(i, f.Field)
			bad = append(bad, f)
		}
	}
	for i, c := range in {
		on, f := date(c.NeededOn, "needed_on")
		blame(i, f)
		known := false
		for _, s := range chain {
			if s.PartID != c.PartID {
				continue
			}
			known = true
			n, exact := s.N.Times(c.Amount)
			if !exact || n <= 0 || n > amount.Most {
				blame(i, fault.Field("amount", c.Amount, "lies above 0 and at most at %s", amount.Most))
				continue
			}
			rows = append(rows, claimRow{pgdb.NewID(), s.NowID, n, val(on), c.SiteID, c.PositionID, c.TaskID, c.VisitID, strings.TrimSpace(c.Purpose), c.Criticality, c.LocationID, i})
		}
		switch {
		case !known:
			blame(i, fault.Field("part_id", c.PartID, "names no part"))
		case f == nil && on == nil:
			blame(i, fault.Field("needed_on", "", "is needed: the day of use"))
		case on != nil && *on < day(now.AddDate(0, 0, -1)):
			blame(i, fault.Field("needed_on", *on, "must not lie in the past"))
		case strings.TrimSpace(c.Purpose) == "":
			blame(i, fault.Field("purpose", "", "must not be blank"))
		case !slices.Contains(graver, c.Criticality):
			blame(i, fault.Field("criticality", c.Criticality, "is S, A, B or C"))
		}
	}
	if err := fault.Collect(bad...); err != nil {
		return nil, err
	}
	parts = nil
	for _, r := range rows {
		parts = append(parts, r.PartID)
	}
	if err := lock(tx, "claim of", parts); err != nil {
		return nil, err
	}
	type named struct {
		ID                 uuid.UUID
		Number, MeasuredIn string
	}
	var names []named
	if err := tx.Raw(`select id, number, measured_in from part where id = any (cast(? as uuid[]))`, ids(parts)).Scan(&names).Error; err != nil {
		return nil, err
	}
	owners, err := ownersOf(tx, now, sites)
	if err != nil {
		return nil, err
	}
	net, err := promises(tx, now, parts, but)
	if err != nil {
		return nil, err
	}
	granted := rows[:0:0]
	for _, r := range rows {
		w := wanting{ID: r.ID, PartID: r.PartID, SiteID: r.SiteID, LocationID: r.LocationID, NeededOn: r.NeededOn, N: r.Amount}
		if r.SiteID != nil {
			if c, ok := owners[*r.SiteID]; ok {
				w.CustomerID = &c
			}
		}
		i := slices.IndexFunc(names, func(n named) bool { return n.ID == r.PartID })
		if InPieces(names[i].MeasuredIn) && !r.Amount.Whole() {
			blame(r.place, fault.Field("amount", r.Amount, "is a whole number: %s is counted in %s", names[i].Number, names[i].MeasuredIn))
			continue
		}
		got := net.add(w)
		if some && got < r.Amount { // what is free of it, in whole pieces where it is counted in those
			if InPieces(names[i].MeasuredIn) {
				got -= got % amount.One
			}
			if r.Amount = got; got <= 0 {
				continue
			}
		}
		granted = append(granted, r)
		if got < r.Amount {
			f, err := heldBy(tx, now, r, got, names[i].Number, names[i].MeasuredIn, net)
			if err != nil {
				return nil, err
			}
			blame(r.place, f)
		}
	}
	if err := fault.Collect(bad...); err != nil {
		return nil, err
	}
	if rows = granted; len(rows) == 0 {
		return nil, nil
	}
	text, err := doc(rows)
	if err != nil {
		return nil, err
	}
	err = tx.Exec(`
insert into stock_claim (id, part_id, amount, needed_on, site_id, position_id, task_id, visit_id, purpose, criticality, location_id, made_at, made_by)
select id, part_id, amount, needed_on, site_id, position_id, task_id, visit_id, purpose, criticality, location_id, @now, @who
  from jsonb_to_recordset(cast(@rows as jsonb)) as r(id uuid, part_id uuid, amount numeric, needed_on date, site_id uuid, position_id uuid, task_id uuid, visit_id uuid, purpose text, criticality text,
       location_id uuid)`, map[string]any{"rows": text, "now": now, "who": who.ID}).Error
	made := make([]uuid.UUID, len(rows))
	for i, r := range rows {
		made[i] = r.ID
	}
	return made, err
}

// heldBy says who has what somebody asks for, for when, and where there is more.
func heldBy(tx *gorm.DB, now time.Time, r claimRow, got amount.Amount, number, unit string, net *network) (*fault.Error, error) {
	var held []struct {
		ID                uuid.UUID
		Purpose, NeededOn string
		MadeBy            string
		Amount            amount.Amount
	}
	err := tx.Raw(`
select c.id, c.purpose, to_char(c.needed_on, 'FMDD FMMonth YYYY') as needed_on, coalesce(a.name, 'somebody') as made_by, c.amount
  from stock_claim as c left join actor as a on a.id = c.made_by
 where c.part_id = ? and c.state in ('open', 'set_aside') order by c.needed_on, c.made_at limit 3`, r.PartID).Scan(&held).Error
	if err != nil {
		return nil, err
	}
	f := conflict("amount", r.Amount, "is more than is free of %s on %s: %s of %s", number, r.NeededOn, got, counted(r.Amount, unit))
	for i, h := range held {
		if i == 0 {
			f.Existing = &fault.Ref{Kind: "claim", ID: h.ID.String(), Code: h.Purpose}
		}
		f.Msg += fmt.Sprintf("; %s for %s on %s, by %s", counted(h.Amount, unit), h.Purpose, h.NeededOn, h.MadeBy)
	}
	elsewhere, err := whereSome(tx, r.NeededOn, []uuid.UUID{r.PartID})
	if err != nil {
		return nil, err
	}
	f.Msg += "; on record: " + cmpOr(elsewhere[r.PartID], "none anywhere")
	coming, err := onTheirWay(tx, r.PartID)
	if err != nil {
		return nil, err
	}
	if coming != "" {
		f.Msg += "; on order: " + coming
	}
	return f, nil
}

// TakeClaim makes a claim by taking another one for it. The work must be graver than the
// one that loses, and the loser is told why.
func TakeClaim(tx *gorm.DB, who access.Actor, now time.Time, loser uuid.UUID, version int, in Claiming, reason string) (Claim, error) {
	if err := mayClaim(who); err != nil {
		return Claim{}, err
	}
	if strings.TrimSpace(reason) == "" {
		return Claim{}, fault.Field("reason", "", "is needed: the loser is told it")
	}
	if err := bump(tx, "claim", "stock_claim", loser, version); err != nil {
		return Claim{}, err
	}
	was, err := pgdb.One[Claim](tx, "claim", loser.String(), claims+` where c.id = @id`, map[string]any{"id": loser})
	if err != nil {
		return Claim{}, err
	}
	switch {
	case was.State != "open" && was.State != "set_aside":
		return Claim{}, conflict("state", was.State, "is not held any more")
	case was.PartID != in.PartID:
		return Claim{}, fault.Field("part_id", in.PartID, "is another part than %s", was.PartNumber)
	case slices.Index(graver, in.Criticality) < 0 || slices.Index(graver, in.Criticality) >= slices.Index(graver, was.Criticality):
		return Claim{}, conflict("criticality", in.Criticality, "is not graver than %s of %s, which holds it", was.Criticality, was.Purpose)
	}
	// it lies open for the moment, so that what was set aside counts as there
	err = tx.Exec(`update stock_claim set state = 'open', balance_id = null, unit_id = null where id = ?`, loser).Error
	if err != nil {
		return Claim{}, err
	}
	made, err := promise(tx, who, now, []Claiming{in}, &loser, false)
	if err != nil {
		return Claim{}, err
	}
	why := fmt.Sprintf("taken for %s: %s", strings.TrimSpace(in.Purpose), strings.TrimSpace(reason))
	err = tx.Exec(`update stock_claim set state = 'taken', ended_at = ?, ended_by = ?, ended_why = ?, taken_by_id = ? where id = ?`, now, who.ID, why, made[0], loser).Error
	if err != nil {
		return Claim{}, err
	}
	all, err := claimsInTx(tx, made)
	if err != nil {
		return Claim{}, err
	}
	return all[0], nil
}

// ReleaseClaim gives back what was claimed.
func ReleaseClaim(tx *gorm.DB, who access.Actor, now time.Time, id uuid.UUID, version int, why string) (Claim, error) {
	if err := mayClaim(who); err != nil {
		return Claim{}, err
	}
	if err := bump(tx, "claim", "stock_claim", id, version); err != nil {
		return Claim{}, err
	}
	r := tx.Exec(`update stock_claim set state = 'released', balance_id = null, unit_id = null, ended_at = ?, ended_by = ?, ended_why = ? where id = ? and state in ('open', 'set_aside')`,
		now, who.ID, strings.TrimSpace(why), id)
	if r.Error != nil {
		return Claim{}, r.Error
	}
	if r.RowsAffected == 0 {
		return Claim{}, conflict("state", "", "is not held any more")
	}
	return pgdb.One[Claim](tx, "claim", id.String(), claims+` where c.id = @id`, map[string]any{"id": id})
}

// Aside says what is put aside for a claim.
type Aside struct {
	LocationID uuid.UUID
	Lot        string     // "" of a part by lot takes what expires first and still serves on the day
	UnitID     *uuid.UUID // of a part by unit
	Owner      Owner
}

// SetAside picks what a claim was made for: from then on it holds the very lot or unit. Where
// no lot has all of it, the claim is split by lots.
func SetAside(tx *gorm.DB, who access.Actor, now time.Time, id uuid.UUID, version int, in Aside) ([]Claim, error) {
	if err := who.Must(access.MoveStock); err != nil {
		return nil, err
	}
	if err := bump(tx, "claim", "stock_claim", id, version); err != nil {
		return nil, err
	}
	c, err := pgdb.One[Claim](tx, "claim", id.String(), claims+` where c.id = @id`, map[string]any{"id": id})
	if err != nil {
		return nil, err
	}
	if c.State != "open" {
		return nil, conflict("state", c.State, "is not open")
	}
	m := Moving{Kind: "pick", PartID: c.PartID, Lot: strings.TrimSpace(in.Lot), UnitID: in.UnitID, Amount: c.Amount, From: &in.LocationID, Owner: in.Owner}
	of, err := look(tx, now, []Moving{m})
	if err != nil {
		return nil, err
	}
	k := of[0]
	customers, err := ownersOf(tx, now, []Used{{SiteID: c.SiteID}})
	if err != nil {
		return nil, err
	}
	customer := customers[val(c.SiteID)]
	if f := m.sound(k, now); f != nil {
		return nil, f
	}
	switch {
	case !slices.Contains([]string{"warehouse", "van", "site_shelf", "bench"}, k.FromKind):
		return nil, conflict("location_id", k.FromCode, "is a %s, from which nothing is picked", words(k.FromKind))
	case k.FromKind == "site_shelf" && val(k.FromSite) != val(c.SiteID):
		return nil, conflict("location_id", k.FromCode, "is the shelf of another site")
	case in.Owner.kind() == Customers && *in.Owner.CustomerID != customer:
		return nil, conflict("owner_customer_id", *in.Owner.CustomerID, "is another customer than the one it is for")
	case k.Withdrawn != "":
		return nil, conflict("part_id", k.Number, "is withdrawn")
	}
	if in.UnitID != nil {
		switch {
		case k.UnitAt == nil || *k.UnitAt != in.LocationID:
			return nil, conflict("unit_id", k.Tag, "is not in %s: on record it is in %s", k.FromCode, cmpOr(k.UnitWhere, "no place"))
		case k.HeldFor != "":
			return nil, conflict("unit_id", k.Tag, "is set aside for %s", k.HeldFor)
		case k.UnitOwner == Customers && val(k.UnitCustomer) != customer:
			return nil, conflict("unit_id", k.Tag, "belongs to another customer than the one it is for")
		}
		if err := tx.Exec(`update stock_claim set state = 'set_aside', unit_id = ? where id = ?`, *in.UnitID, id).Error; err != nil {
			return nil, err
		}
		return claimsInTx(tx, []uuid.UUID{id})
	}
	found, err := onShelves(tx, now, []Moving{m}, func(int) bool { return true })
	if err != nil {
		return nil, err
	}
	type piece struct {
		balance uuid.UUID
		n       amount.Amount
	}
	var pieces []piece
	wanted := c.Amount
	for _, f := range found {
		n := min(wanted, f.OnHand-f.Aside)
		if n <= 0 || f.Owner != in.Owner.kind() || val(f.OwnerCustomerID) != val(in.Owner.CustomerID) || m.Lot != "" && f.Code != m.Lot || f.ExpiresOn != nil && *f.ExpiresOn < c.NeededOn {
			continue
		}
		wanted -= n
		pieces = append(pieces, piece{f.BalanceID, n})
	}
	if wanted > 0 {
		elsewhere, err := whereSome(tx, c.NeededOn, []uuid.UUID{c.PartID})
		if err != nil {
			return nil, err
		}
		f := lacking(k, m, c.Amount-wanted, 0, c.Amount, elsewhere[c.PartID])
		f.Field = "location_id"
		return nil, f
	}
	if len(pieces) == 1 {
		if err := tx.Exec(`update stock_claim set state = 'set_aside', balance_id = ? where id = ?`, pieces[0].balance, id).Error; err != nil {
			return nil, err
		}
		return claimsInTx(tx, []uuid.UUID{id})
	}
	made := make([]uuid.UUID, len(pieces))
	rows := make([]map[string]any, len(pieces))
	for i, p := range pieces {
		made[i] = pgdb.NewID()
		rows[i] = map[string]any{"id": made[i], "amount": p.n, "balance_id": p.balance}
	}
	text, err := doc(rows)
	if err != nil {
		return nil, err
	}
	err = tx.Exec(`
insert into stock_claim (id, part_id, amount, needed_on, site_id, position_id, task_id, visit_id, purpose, criticality, location_id, state, balance_id, made_at, made_by)
select r.id, c.part_id, r.amount, c.needed_on, c.site_id, c.position_id, c.task_id, c.visit_id, c.purpose, c.criticality, c.location_id, 'set_aside', r.balance_id, c.made_at, c.made_by
  from stock_claim as c, jsonb_to_recordset(cast(@rows as jsonb)) as r(id uuid, amount numeric, balance_id uuid) where c.id = @id`, map[string]any{"rows": text, "id": id}).Error
	if err != nil {
		return nil, err
	}
	err = tx.Exec(`update stock_claim set state = 'released', ended_at = ?, ended_by = ?, ended_why = 'split by lots' where id = ?`, now, who.ID, id).Error
	if err != nil {
		return nil, err
	}
	return claimsInTx(tx, made)
}

// ClaimFilter narrows a list of claims; a nil field does not.
type ClaimFilter struct {
	PartID     *uuid.UUID
	LocationID *uuid.UUID // where it lies aside, or shall come from
	TaskID     *uuid.UUID
	SiteID     *uuid.UUID
	Until      *string // needed by that day
	State      *string
	Held       bool // only those that hold something
}

// Claims lists claims by the day of use; the key of a page is the day and the id.
func Claims(ctx context.Context, db *pgdb.DB, who access.Actor, f ClaimFilter, p Page) ([]Claim, error) {
	return pgdb.Read[Claim](ctx, db, who.ID, claims+`
 where @everywhere
   and (cast(@part as uuid) is null or c.part_id = @part)
   and (cast(@location as uuid) is null or coalesce(b.location_id, st.location_id, c.location_id) = @location)
   and (cast(@task as uuid) is null or c.task_id = @task)
   and (cast(@site as uuid) is null or c.site_id = @site)
   and (cast(@until as text) is null or c.needed_on <= cast(@until as date))
   and (cast(@state as text) is null or c.state = @state)
   and (not @held or c.state in ('open', 'set_aside'))
   and to_char(c.needed_on, 'YYYY-MM-DD') || ' ' || c.id > @after
order by to_char(c.needed_on, 'YYYY-MM-DD') || ' ' || c.id
   limit @limit`, pageArgs(who, p, map[string]any{"part": f.PartID, "location": f.LocationID, "task": f.TaskID, "site": f.SiteID, "until": f.Until, "state": f.State, "held": f.Held}))
}

// OneClaim gives a claim.
func OneClaim(ctx context.Context, db *pgdb.DB, who access.Actor, id uuid.UUID) (Claim, error) {
	return pgdb.ReadOne[Claim](ctx, db, who.ID, "claim", id.String(), claims+` where @everywhere and c.id = @id`, who.Scope(map[string]any{"id": id}))
}

// Key gives the place of a claim in the list.
func (c Claim) Key() string { return c.NeededOn + " " + c.ID.String() }
