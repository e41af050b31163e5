package pm

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets/meters"
	"spindlebook/internal/condition"
	"spindlebook/internal/pgdb"
)

// inStock stands for what is at no site.
var inStock = uuid.Nil

// Everything at sites that a plan may be for, and the units in stock where the nil
// site is among them. Kinds of a line or a site are those of its positions.
const thingsAt = `
with at as (
  select id from unnest(cast(@sites as uuid[])) as s(id)
),
place as (
  select p.id, p.site_id, p.line_id, p.kind, p.duty, p.line_side, p.state, lower(o.during) as since, p.supply_id
    from position_now as p
    join position as o on o.id = p.id
   where p.site_id in (select id from at) and o.during @> cast(@now as timestamptz) and p.state is distinct from 'retired'
),
fitted as ( -- the units of positions, by themselves and inside another
  select st.unit_id, s.position_id, lower(st.during) as since, st.recorded_at
    from slot as s
    join stay as st on st.slot_id = s.id and st.during @> cast(@now as timestamptz)
   where s.site_id in (select id from at)
),
inside as materialized ( -- looked at once, not once for each position
  select * from fitted
   union all
  select st.unit_id, f.position_id, greatest(lower(st.during), f.since), st.recorded_at
    from fitted as f
    join slot as s on s.unit_id = f.unit_id
    join stay as st on st.slot_id = s.id and st.during @> cast(@now as timestamptz)
),
stocked as (
  select st.unit_id, l.site_id, lower(st.during) as since, st.recorded_at
    from location as l
    join stay as st on st.location_id = l.id and upper_inf(st.during)
   where coalesce(l.site_id, '00000000-0000-0000-0000-000000000000') in (select id from at) and l.kind <> 'scrap'
)
select 'site' as what, s.id, s.id as site_id, cast(null as uuid) as line_id, cast(null as uuid) as position_id,
       array(select distinct p.kind from place as p where p.site_id = s.id)::text[] as kinds, '' as class, false as fitted, false as parked,
       coalesce((select min(lower(o.during)) from ownership as o where o.site_id = s.id), s.created_at) as since, true as since_known,
       jsonb_build_object('climate', s.climate, 'size', s.size)::text as facts
  from site as s
 where s.id in (select id from at)
 union all
select 'line', l.id, l.site_id, l.id, null, array(select distinct p.kind from place as p where p.line_id = l.id)::text[], '', false, false, lower(l.during), true,
       jsonb_build_object('climate', s.climate, 'size', s.size)::text
  from line as l
  join site as s on s.id = l.site_id
 where l.site_id in (select id from at) and l.during @> cast(@now as timestamptz)
 union all
select 'position', p.id, p.site_id, p.line_id, p.id, array[p.kind], '', false, p.state in ('parked', 'empty'), p.since, true,
       (jsonb_build_object('climate', s.climate, 'size', s.size, 'kind', p.kind, 'duty', p.duty, 'line_side', p.line_side)
        || coalesce((select jsonb_object_agg(f.fact, f.value) from position_fact as f where f.position_id = p.id and f.withdrawn_at is null and f.during @> cast(@now as timestamptz)), '{}')
        || coalesce((select jsonb_build_object('volts', u.volts::text, 'phases', u.phases::text, 'hertz', u.hertz::text) from supply as u where u.id = p.supply_id), '{}'))::text
  from place as p
  join site as s on s.id = p.site_id
 union all
select 'unit', u.id, p.site_id, p.line_id, p.id, array[p.kind], a.class, true, p.state in ('parked', 'empty'), coalesce(i.since, i.recorded_at), i.since is not null,
       (jsonb_build_object('climate', s.climate, 'size', s.size, 'kind', p.kind, 'duty', p.duty, 'line_side', p.line_side, 'class', a.class)
        || coalesce((select jsonb_object_agg(f.fact, f.value) from part_fact as f where f.part_id = u.part_id), '{}')
        || coalesce((select jsonb_object_agg(f.fact, f.value) from unit_fact as f where f.unit_id = u.id and f.withdrawn_at is null and f.during @> cast(@now as timestamptz)), '{}'))::text
  from inside as i
  join place as p on p.id = i.position_id
  join site as s on s.id = p.site_id
  join unit as u on u.id = i.unit_id
  join part as a on a.id = u.part_id
 where @units
 union all
select 'unit', u.id, k.site_id, null, null, '{}', a.class, false, true, coalesce(k.since, k.recorded_at), k.since is not null,
       (jsonb_build_object('class', a.class)
        || coalesce((select jsonb_object_agg(f.fact, f.value) from part_fact as f where f.part_id = u.part_id), '{}')
        || coalesce((select jsonb_object_agg(f.fact, f.value) from unit_fact as f where f.unit_id = u.id and f.withdrawn_at is null and f.during @> cast(@now as timestamptz)), '{}'))::text
  from stocked as k
  join unit as u on u.id = k.unit_id
  join part as a on a.id = u.part_id
 where @units`

// Assignments that may be touched: those at these sites, and those of units that
// are there now and were elsewhere. One-off ones tell whether their unit is still there.
const assignedAt = `
select a.id, a.plan_id, a.thing_id, a.unit_id is not null as of_unit, a.site_id, a.line_id, a.position_id, a.parked, a.tied_unit_id,
       a.tied_unit_id is not null and not exists (
         select from stay as st
           join slot as s on s.id = st.slot_id
           left join stay as h on h.unit_id = s.unit_id and h.during @> cast(@now as timestamptz)
           left join slot as hs on hs.id = h.slot_id
          where st.unit_id = a.tied_unit_id and st.during @> cast(@now as timestamptz) and a.position_id in (s.position_id, hs.position_id)) as gone,
       exists (select from position as p where p.id = a.position_id and (not p.during @> cast(@now as timestamptz)
               or exists (select from position_state as z where z.position_id = p.id and z.state = 'retired' and z.during @> cast(@now as timestamptz)))) as retired
  from assignment as a
 where a.ended_at is null and (a.site_id = any (@sites) or a.site_id is null and @stock or a.unit_id = any (@there))`

type assignedRow struct {
	ID, PlanID, ThingID        uuid.UUID
	OfUnit                     bool
	SiteID, LineID, PositionID *uuid.UUID
	Parked                     bool
	TiedUnitID                 *uuid.UUID
	Gone, Retired              bool
}

// Matched says what holding plans against the register did.
type Matched struct {
	Sites, Appeared, Ended, Followed int
	// Unclear counts things of which a plan cannot tell whether it is for them.
	Unclear int
}

func (m *Matched) add(o Matched) {
	m.Sites += o.Sites
	m.Appeared += o.Appeared
	m.Ended += o.Ended
	m.Followed += o.Followed
	m.Unclear += o.Unclear
}

// sitesAtOnce bounds how much one transaction holds against the register.
const sitesAtOnce = 25

// takeStale takes the marks of some sites: whoever changes the register meanwhile
// adds marks of their own.
const takeStale = `
with few as (
  select distinct site_id from (select site_id from assignment_stale order by id limit 5000) as s order by site_id limit @most
),
taken as (
  delete from assignment_stale
   where id in (select t.id from assignment_stale as t where t.site_id in (select site_id from few) order by t.id for update skip locked)
returning site_id
)
select distinct site_id from taken order by site_id`

// Match holds plans against the register where it has changed: assignments appear
// at the things that a plan fits, follow units that moved, and end with their
// thing or plan. done is true when no mark is left.
func Match(ctx context.Context, db *pgdb.DB, now time.Time) (m Matched, done bool, err error) {
	plans, err := programmeNow(ctx, db)
	if err != nil {
		return m, false, err
	}
	err = db.InTx(ctx, access.System.ID, func(tx *gorm.DB) error {
		m = Matched{}
		rows, err := read[struct{ SiteID uuid.UUID }](tx, takeStale, map[string]any{"most": sitesAtOnce})
		if err != nil || len(rows) == 0 {
			done = err == nil
			return err
		}
		sites := make([]uuid.UUID, len(rows))
		for i, r := range rows {
			sites[i] = r.SiteID
		}
		m, err = match(tx, now, plans, sites)
		return err
	})
	return m, done, err
}

type thingRow struct {
	What                       string
	ID                         uuid.UUID
	SiteID, LineID, PositionID *uuid.UUID
	Kinds                      texts
	Class                      string
	Fitted, Parked             bool
	Since                      time.Time
	SinceKnown                 bool
	Facts                      string
}

func (r *thingRow) thing() (thing, error) {
	t := thing{what: r.What, id: r.ID, site: r.SiteID, line: r.LineID, position: r.PositionID, kinds: r.Kinds, class: r.Class, fitted: r.Fitted, parked: r.Parked, facts: condition.Facts{}}
	if err := json.Unmarshal([]byte(r.Facts), &t.facts); err != nil {
		return t, fmt.Errorf("the facts of a thing: %w", err)
	}
	return t, nil
}

func match(tx *gorm.DB, now time.Time, plans programme, sites []uuid.UUID) (Matched, error) {
	m := Matched{Sites: len(sites)}
	units, stock := false, false
	by := map[string][]*live{}
	for _, p := range plans {
		by[p.AppliesTo] = append(by[p.AppliesTo], p)
		units = units || p.AppliesTo == "unit"
	}
	for _, s := range sites {
		stock = stock || s == inStock
	}
	until := now.Add(meters.Meanwhile) // what began while this was on its way is marked as looked at too
	rows, err := read[thingRow](tx, thingsAt, map[string]any{"sites": &sites, "now": until, "units": units})
	if err != nil {
		return m, err
	}
	type key struct{ plan, thing uuid.UUID }
	wanted := map[key]*thingRow{}
	there := []uuid.UUID{}
	for i := range rows {
		r := &rows[i]
		t, err := r.thing()
		if err != nil {
			return m, err
		}
		if r.What == "unit" {
			there = append(there, r.ID)
		}
		for _, p := range by[r.What] {
			fits, missing := p.fits(&t)
			if fits {
				wanted[key{p.ID, r.ID}] = r
			}
			if len(missing) > 0 {
				m.Unclear++
			}
		}
	}
	have, err := read[assignedRow](tx, assignedAt, map[string]any{"sites": &sites, "stock": stock, "there": &there, "now": until})
	if err != nil {
		return m, err
	}
	type moved struct {
		ID       uuid.UUID  `json:"id"`
		Site     *uuid.UUID `json:"site_id"`
		Line     *uuid.UUID `json:"line_id"`
		Position *uuid.UUID `json:"position_id"`
		Parked   bool       `json:"parked"`
	}
	type ended struct {
		ID  uuid.UUID `json:"id"`
		Why string    `json:"why"`
	}
	var follow []moved
	var end []ended
	places := map[uuid.UUID]*thingRow{}
	for i := range rows {
		places[rows[i].ID] = &rows[i]
	}
	for i := range have {
		a := &have[i]
		p := plans[a.PlanID]
		k := key{a.PlanID, a.ThingID}
		r := wanted[k]
		delete(wanted, k)
		switch {
		case p == nil:
			end = append(end, ended{a.ID, "plan"})
			continue
		case p.oneOff():
			r = places[a.ThingID]
			switch {
			case a.Gone:
				end = append(end, ended{a.ID, "replaced"})
				continue
			case a.Retired:
				end = append(end, ended{a.ID, "thing"})
				continue
			case r == nil:
				continue
			}
		case r == nil:
			why := "plan"
			if places[a.ThingID] == nil {
				why = "thing"
			}
			end = append(end, ended{a.ID, why})
			continue
		}
		if !same(a.SiteID, r.SiteID) || !same(a.LineID, r.LineID) || !same(a.PositionID, r.PositionID) || a.Parked != r.Parked {
			follow = append(follow, moved{a.ID, r.SiteID, r.LineID, r.PositionID, r.Parked})
		}
	}
	type fresh struct {
		ID         uuid.UUID  `json:"id"`
		Plan       uuid.UUID  `json:"plan_id"`
		Site       *uuid.UUID `json:"site_id"`
		Line       *uuid.UUID `json:"line_id"`
		Position   *uuid.UUID `json:"position_id"`
		Unit       *uuid.UUID `json:"unit_id"`
		Thing      uuid.UUID  `json:"thing_id"`
		Since      time.Time  `json:"since"`
		SinceKnown bool       `json:"since_known"`
		Parked     bool       `json:"parked"`
	}
	var appear []fresh
	for k, r := range wanted {
		f := fresh{ID: pgdb.NewID(), Plan: k.plan, Site: r.SiteID, Line: r.LineID, Position: r.PositionID, Thing: k.thing, Since: r.Since, SinceKnown: r.SinceKnown, Parked: r.Parked}
		if r.What == "unit" {
			f.Unit = &r.ID
		}
		appear = append(appear, f)
	}
	m.Appeared, m.Ended, m.Followed = len(appear), len(end), len(follow)
	if len(appear) > 0 {
		if err := tx.Exec(`
insert into assignment (id, plan_id, site_id, line_id, position_id, unit_id, thing_id, since, since_known, parked)
select r.* from jsonb_to_recordset(cast(@rows as jsonb)) as r(id uuid, plan_id uuid, site_id uuid, line_id uuid, position_id uuid, unit_id uuid, thing_id uuid, since timestamptz, since_known boolean, parked boolean)
order by r.plan_id, r.thing_id
on conflict on constraint assignment_alive_uq do nothing`, map[string]any{"rows": document(appear)}).Error; err != nil {
			return m, err
		}
	}
	if len(end) > 0 {
		ids, whys := make([]uuid.UUID, len(end)), make([]string, len(end))
		for i, e := range end {
			ids[i], whys[i] = e.ID, e.Why
		}
		if err := endAssignments(tx, now, ids, whys); err != nil {
			return m, err
		}
	}
	if len(follow) > 0 {
		if err := tx.Exec(`
update assignment as a
   set site_id = r.site_id, line_id = r.line_id, position_id = r.position_id, parked = r.parked, changed = 2, revision = a.revision + 1
  from jsonb_to_recordset(cast(@rows as jsonb)) as r(id uuid, site_id uuid, line_id uuid, position_id uuid, parked boolean)
 where a.id = r.id and a.ended_at is null`, map[string]any{"rows": document(follow)}).Error; err != nil {
			return m, err
		}
	}
	if err := tx.Exec(`
select from assignment as a where a.ended_at is null and (a.site_id = any (@sites) or a.site_id is null and @stock) order by a.id for update`, map[string]any{"sites": &sites, "stock": stock}).Error; err != nil {
		return m, err
	}
	// what stays may go by another meter, another week or another zone from now on
	return m, tx.Exec(`
update assignment as a set changed = 2, revision = a.revision + 1
 where a.ended_at is null and a.changed < 2 and (a.site_id = any (@sites) or a.site_id is null and @stock)`, map[string]any{"sites": &sites, "stock": stock}).Error
}

func same(a, b *uuid.UUID) bool { return zero(a) == zero(b) && (a == nil) == (b == nil) }

// endAssignments ends assignments, and the tasks that were open for them.
func endAssignments(tx *gorm.DB, now time.Time, ids []uuid.UUID, whys []string) error {
	v := map[string]any{"ids": &ids, "whys": &whys, "now": now, "who": access.System.ID}
	if err := tx.Exec(`
update assignment as a set ended_at = @now, ended_why = r.why, task_id = null, revision = a.revision + 1
  from unnest(cast(@ids as uuid[]), cast(@whys as text[])) as r(id, why)
 where a.id = r.id and a.ended_at is null`, v).Error; err != nil {
		return err
	}
	return tx.Exec(`
update task set state = 'gone', ended_at = @now, ended_by = @who, version = version + 1,
       ended_why = 'what it was for has ended: the plan, the thing or the unit'
 where open_for = any (@ids)`, v).Error
}
