package assets

import (
	"context"
	"fmt"
	"strings"
	"time"

	"github.com/google/uuid"

	"spindlebook/internal/access"
	"spindlebook/internal/assets/supply"
	"spindlebook/internal/pgdb"
)

// Candidate is a unit in stock that could go into a slot.
type Candidate struct {
	SlotID          uuid.UUID
	ID              uuid.UUID
	Tag             string
	Serial          string
	PartNumber      string
	PartDescription string
	LocationCode    string
	Differs         string // where it is not as the position requires; "" where nothing known differs
}

// What lies in quarantine, with a supplier or in the scrap is not offered, nor
// is what belongs to another customer or lies on another site's shelf.
const candidates = `
select s.id as slot_id, u.id, u.tag, coalesce(u.serial, '') as serial, p.number as part_number, p.description as part_description,
       l.code as location_code, coalesce(d.differs, '') as differs
  from slot as s
  join part as p on p.class = s.class
  join unit as u on u.part_id = p.id
  join stay as st on st.unit_id = u.id and st.during @> cast(@now as timestamptz)
  join location as l on l.id = st.location_id and l.kind in ('warehouse', 'van', 'site_shelf', 'bench')
  left join lateral (
    select string_agg(lower(k.name) || ' ' || coalesce(uf.value, pf.value) || ' instead of ' || r.value, ', ' order by k.name) as differs
      from position_fact as r
      join fact_of_class as c on c.class = s.class and c.fact = r.fact
      join fact_kind as k on k.code = r.fact
      left join unit_fact as uf on uf.unit_id = u.id and uf.fact = r.fact and uf.withdrawn_at is null and uf.during @> cast(@now as timestamptz)
      left join part_fact as pf on pf.part_id = p.id and pf.fact = r.fact
     where r.position_id = s.position_id and r.withdrawn_at is null and r.during @> cast(@now as timestamptz)
       and case when r.value_mm is null then r.value <> coalesce(uf.value, pf.value)
                else abs(r.value_mm - coalesce(uf.value_mm, pf.value_mm)) > 0.02 end) as d on true
 where s.id = any (cast(@slots as uuid[]))
   and (@everywhere or l.site_id = any (@sites))
   and (l.site_id is null or l.site_id = s.site_id)
   and (u.owner <> 'customer' or u.owner_customer_id = (select o.customer_id from ownership_now as o where o.site_id = s.site_id))
order by s.id, d.differs is not null, l.code, u.tag
   limit @limit`

// StockFor lists the units in stock that could go into some slots, those that
// are as the position requires first.
func StockFor(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, slots []uuid.UUID, limit int) ([]Candidate, error) {
	return pgdb.Read[Candidate](ctx, db, who.ID, candidates, args(who, map[string]any{"slots": slots, "now": now, "limit": limit}))
}

// Inside is a slot of a unit with what is in it.
type Inside struct {
	SlotID          uuid.UUID
	Slot            string
	Class           string
	UnitID          *uuid.UUID
	Tag             *string
	Serial          *string
	PartNumber      *string
	PartDescription *string
	Since           *time.Time
	SincePrecision  *string
}

// FittedInUnit gives the slots of a unit, such as the motor and the gearbox of
// a gearmotor, with what is in them.
func FittedInUnit(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, unit uuid.UUID) ([]Inside, error) {
	return pgdb.Read[Inside](ctx, db, who.ID, `
select s.id as slot_id, s.name as slot, s.class, u.id as unit_id, u.tag, u.serial, p.number as part_number, p.description as part_description,
       lower(st.during) as since, st.from_precision as since_precision
  from slot as s
  join unit as h on h.id = s.unit_id and `+unitMine("h")+`
  left join stay as st on st.slot_id = s.id and st.during @> cast(@now as timestamptz)
  left join unit as u on u.id = st.unit_id and `+unitMine("u")+`
  left join part as p on p.id = u.part_id
 where s.unit_id = @unit
order by s.ordinal`, args(who, map[string]any{"unit": unit, "now": now}))
}

// SlotsAt finds the slots that take a class, by the code of their position or
// the tag of the unit that they belong to.
func SlotsAt(ctx context.Context, db *pgdb.DB, who access.Actor, text, class string) ([]uuid.UUID, error) {
	found, err := pgdb.Read[struct{ ID uuid.UUID }](ctx, db, who.ID, `
select s.id
  from slot as s
  join position as p on p.id = s.position_id
 where (@everywhere or p.site_id = any (@sites)) and p.code = upper(@text) and s.class = @class
 union all
select s.id
  from slot as s
  join unit as u on u.id = s.unit_id
 where `+unitMine("u")+` and u.tag = upper(@text) and s.class = @class`, args(who, map[string]any{"text": strings.TrimSpace(text), "class": class}))
	ids := make([]uuid.UUID, len(found))
	for i, f := range found {
		ids[i] = f.ID
	}
	return ids, err
}

// FactKindsOfClass lists what is worth recording about a unit of a class: what
// decides whether it fits, and of what has a motor also its nameplate.
func FactKindsOfClass(ctx context.Context, db *pgdb.DB, who access.Actor, class string) ([]FactKind, error) {
	return pgdb.Read[FactKind](ctx, db, who.ID, `
select k.code, k.name, k.takes, k.choices
  from fact_kind as k
 where k.code in (select fact from fact_of_class where class = @class)
    or @class in ('gearmotor', 'motor') and k.code in ('plate_volts', 'plate_hertz', 'plate_phases', 'leads', 'winding', 'link_setting')
order by k.name`, map[string]any{"class": class})
}

// LocationOverview is a location with how many units lie there.
type LocationOverview struct {
	Location
	SiteCode string
	Units    int
}

// LocationOverviews lists the locations by code, each with its count of units.
func LocationOverviews(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, p Page) ([]LocationOverview, error) {
	return pgdb.Read[LocationOverview](ctx, db, who.ID, `
select l.id, l.code, l.name, l.kind, l.site_id, l.version, l.created_at, coalesce(s.code, '') as site_code,
       (select count(*) from stay as st where st.location_id = l.id and st.during @> cast(@now as timestamptz)) as units
  from location as l
  left join site as s on s.id = l.site_id
 where (@everywhere or l.site_id = any (@sites))
   and l.code > @after
order by l.code
   limit @limit`, pageArgs(who, p, map[string]any{"now": now}))
}

// The questions of Findings, asked of many sites at once and only counted. Two
// ways to write one pattern are told apart afterwards, as there.
var findingCounts = func() string {
	all := []string{`select f.position_id, f.fact, f.required, f."is" from (` + manySites(mismatches) + `) as f`}
	for _, q := range []string{serialsTwice, twinsDiffer, unknowns, unknownUnits} {
		all = append(all, `select f.position_id, '', '', '' from (`+manySites(q)+`) as f`)
	}
	return `
select p.site_id, f.fact, f.required, f."is", count(*) as n
  from (` + strings.Join(all, " union all ") + `) as f
  join position as p on p.id = f.position_id
group by p.site_id, f.fact, f.required, f."is"`
}()

// manySites makes a question about one site one about some.
func manySites(q string) string {
	return strings.ReplaceAll(q, "= @site and", "= any (cast(@wanted as uuid[])) and")
}

// CountFindings gives how many findings some sites have, in a number of
// statements that does not grow with them; a site without any is left out.
func CountFindings(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, wanted []uuid.UUID) (map[uuid.UUID]int, error) {
	a := args(who, map[string]any{"wanted": wanted, "now": now, "stale": staleAfter, "alike": alike, "of_brush": wantedOfBrush, "to_turn": wantedToTurn})
	type count struct {
		SiteID             uuid.UUID
		Fact, Required, Is string
		N                  int
	}
	found, err := pgdb.Read[count](ctx, db, who.ID, findingCounts, a)
	if err != nil {
		return nil, err
	}
	counts := map[uuid.UUID]int{}
	for _, f := range found {
		if f.Fact != "media_pattern" || !samePattern(f.Required, f.Is) {
			counts[f.SiteID] += f.N
		}
	}
	motors, err := pgdb.Read[plated](ctx, db, who.ID, fmt.Sprintf(plates, manySites(sitePlates)), a)
	if err != nil {
		return nil, err
	}
	sites, err := pgdb.Read[struct{ ID, SiteID uuid.UUID }](ctx, db, who.ID, `select id, site_id from position where site_id = any (cast(@wanted as uuid[]))`, a)
	if err != nil {
		return nil, err
	}
	siteOf := map[uuid.UUID]uuid.UUID{}
	for _, s := range sites {
		siteOf[s.ID] = s.SiteID
	}
	for _, m := range motors {
		c := m.judge()
		if c.Verdict == supply.DoesNot {
			counts[siteOf[m.PositionID]]++
		}
		for _, f := range c.Findings {
			if f.Code == "links" {
				counts[siteOf[m.PositionID]]++
			}
		}
	}
	return counts, nil
}

// NamesOfUnits looks up units, parts, locations and slots by id, with the words
// by which people know them, as far as the actor sees them.
func NamesOfUnits(ctx context.Context, db *pgdb.DB, who access.Actor, ids []uuid.UUID) ([]Named, error) {
	return pgdb.Read[Named](ctx, db, who.ID, `
select u.id, 'unit' as kind, u.tag as code, p.description as name, '' as zone from unit as u join part as p on p.id = u.part_id
 where u.id = any (@ids) and `+unitMine("u")+`
 union all
select id, 'part', number, description, '' from part where id = any (@ids)
 union all
select id, 'location', code, name, '' from location where id = any (@ids) and `+mine+`
 union all
select s.id, 'slot', coalesce(p.code, h.tag), lower(s.name), ''
  from slot as s left join position as p on p.id = s.position_id left join unit as h on h.id = s.unit_id
 where s.id = any (@ids) and (@everywhere or s.site_id = any (@sites) or h.id is not null and `+unitMine("h")+`)`, args(who, map[string]any{"ids": ids}))
}
