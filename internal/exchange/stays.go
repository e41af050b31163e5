package exchange

// Stays are a line of time twice over: of their unit, and of their slot.

// placesOfStays turns names into keys and dates into instants of their site's zone.
const placesOfStays = `
create temp table places_stays on commit drop as
select s.*, u.id as unit_id, pt.class, uf.k is not null as f_unit, p.id as position_id, pf.k is not null as f_position, h.id as holder_id, hf.k is not null as f_holder,
       l.id as location_id, lf.k is not null as f_location, sl.id as slot_id, sl.class as slot_class, coalesce(sl.n, 0) as slots, coalesce(sl.site_id, l.site_id) as site_id,
       concat_ws(', ', coalesce(s.position, s.holder, s.location), lower(sl.name)) as label,
       ` + "coalesce(s.from_at, s.from_local at time zone coalesce(own.zone, home.z)) as f, coalesce(s.until_at, s.until_local at time zone coalesce(own.zone, home.z)) as u" + `,
       case when s.until_at is null and s.until_prec in ('day', 'month', 'year') then (s.until_local + cast('1 ' || s.until_prec as interval)) at time zone coalesce(own.zone, home.z) end as u_last,
       case when s.from_local is null then 'unknown' else coalesce(s.from_precision, s.from_prec) end as w_from_precision,
       case when s.until_local is not null then coalesce(s.until_precision, s.until_prec) end as w_until_precision
  from stage_stays as s
 cross join (select ` + homeZone + ` as z) as home
  left join unit as u on u.tag = s.unit_tag
  left join part as pt on pt.id = u.part_id
  left join (select distinct unit_tag as k from stage_units) as uf on uf.k = s.unit_tag
  left join position as p on p.code = s.position
  left join (select distinct position as k from stage_positions) as pf on pf.k = s.position
  left join unit as h on h.tag = s.holder
  left join (select distinct unit_tag as k from stage_units) as hf on hf.k = s.holder
  left join location as l on l.code = s.location
  left join (select distinct location as k from stage_locations) as lf on lf.k = s.location
  left join lateral (
    select (array_agg(x.id))[1] as id, min(x.class) as class, min(x.name) as name, count(*) as n, (array_agg(x.site_id))[1] as site_id
      from (select x.* from slot as x where x.position_id = p.id union all select x.* from slot as x where x.unit_id = h.id) as x
     where case when s.slot is null then x.class = pt.class else lower(x.code) = lower(s.slot) or lower(x.name) = lower(s.slot) end) as sl on p.id is not null or h.id is not null
  left join site as own on own.id = coalesce(sl.site_id, l.site_id)`

// A unit that leaves one place and comes to another on one day did so at one
// instant. Where only one of the two has a site, its zone says when that day began.
var oneInstant = []string{`
update places_stays as a set f = b.u from places_stays as b
 where a.unit_id = b.unit_id and a.site_id is null and b.site_id is not null and a.from_local = b.until_local and a.from_at is null and b.until_at is null`, `
update places_stays as a set u = b.f from places_stays as b
 where a.unit_id = b.unit_id and a.site_id is null and b.site_id is not null and a.until_local = b.from_local and a.until_at is null and b.from_at is null`, `
update places_stays as a set u = b.f from places_stays as b
 where a.unit_id = b.unit_id and a.site_id <> b.site_id and a.until_local = b.from_local and a.until_at is null and b.from_at is null and b.f < a.u`}

// A year in which a unit both came and went ends it at the end of that year.
const sameSpan = `
update places_stays set u = least(u_last, @now) where u <= f and f < u_last`

// What is recorded of the same unit in the same place since the same time. What
// says less than the record (no beginning) is the stay that is recorded.
const readyStays = `
create temp table ready_stays on commit drop as
select distinct on (r.sheet, r.row) r.*, t.id as old, upper(t.during) as had, t.ended_for, t.remark as remark_now,
       t.id is not null and coalesce(r.u is null or upper(t.during) = r.u
         or t.until_precision = r.w_until_precision and upper(t.during) between r.u and r.u_last, false) as same,
       lower(t.during) as began
  from places_stays as r
  left join stay as t on t.unit_id = r.unit_id and (t.slot_id = r.slot_id or t.location_id = r.location_id)
        and (lower(t.during) = r.f or r.f is null and (lower_inf(t.during) or r.u is null and upper_inf(t.during)))
order by r.sheet, r.row, lower_inf(t.during) desc`

var stayChecks = []check{
	{when: "r.unit_tag is not null and r.unit_id is null and not r.f_unit", column: "unit tag", value: "r.unit_tag", rule: "names_no_unit", says: "'names no unit'"},
	{when: "r.unit_id is null and r.f_unit", rule: "follows", says: "''", level: silent},
	{when: "num_nonnulls(r.position, r.holder, r.location) <> 1", column: "position", value: "concat_ws(', ', r.position, r.holder, r.location)", rule: "one_place",
		says: "'a unit is in a position, in another unit or at a location: fill in one of these columns'"},
	{when: "r.position is not null and r.position_id is null and not r.f_position", column: "position", value: "r.position", rule: "names_no_position", says: "'names no position'"},
	{when: "r.position is not null and r.position_id is null and r.f_position", rule: "follows", says: "''", level: silent},
	{when: "r.holder is not null and r.holder_id is null and not r.f_holder", column: "holder", value: "r.holder", rule: "names_no_unit", says: "'names no unit'"},
	{when: "r.holder is not null and r.holder_id is null and r.f_holder", rule: "follows", says: "''", level: silent},
	{when: "r.location is not null and r.location_id is null and not r.f_location", column: "location", value: "r.location", rule: "names_no_location", says: "'names no location'"},
	{when: "r.location is not null and r.location_id is null and r.f_location", rule: "follows", says: "''", level: silent},
	{when: "r.unit_id is not null and (r.position_id is not null or r.holder_id is not null) and r.slots = 0 and r.slot is not null", column: "slot", value: "r.slot", rule: "names_no_slot", says: "format('names no slot of %s', coalesce(r.position, r.holder))"},
	{when: "r.unit_id is not null and (r.position_id is not null or r.holder_id is not null) and r.slots = 0 and r.slot is null", column: "position", value: "coalesce(r.position, r.holder)", rule: "no_such_slot", says: "format('has no slot that takes a %s', replace(r.class, '_', ' '))"},
	{when: "r.slots > 1", column: "slot", value: "r.slot", rule: "slot_unclear", says: "format('is needed: several slots of %s take it', coalesce(r.position, r.holder))"},
	{when: "r.slots = 1 and r.class <> r.slot_class", column: "slot", value: "r.unit_tag", rule: "class_of_slot", says: "format('is a %s; this slot takes a %s', replace(r.class, '_', ' '), replace(r.slot_class, '_', ' '))"},
	{when: "r.holder_id = r.unit_id", column: "holder", value: "r.holder", rule: "inside_itself", says: "'is the unit itself'"},
	{when: "r.f > @now", column: "from", value: "r.from_typed", rule: "lies_ahead", says: "'must not lie ahead: a fitting is recorded when it is done'"},
	{when: "r.u > @now", column: "until", value: "r.until_typed", rule: "lies_ahead", says: "'must not lie ahead: a removal is recorded when it is done'"},
	{when: "r.u <= r.f", column: "until", value: "r.until_typed", rule: "ends_before_it_begins", says: "format('lies before the fitting, %s', r.from_typed)"},
	{when: "r.f is not null and r.from_precision is not null and r.from_prec = 'unknown'", column: "from precision", value: "r.from_precision", rule: "precision", says: "'goes with a time'"},
	{when: "r.until_prec = 'unknown'", column: "until", rule: "end_unknown", says: "'is not known: give at least the year, or leave it blank where the unit is still there'"},
	{when: "r.old is not null and r.u is not null and r.had is not null and not r.same", column: "until", value: "r.until_typed", rule: "cannot_change", says: "'another end is recorded, and an import does not rewrite it'"},
	{when: "r.ended_for is not null and r.reason is not null and r.reason <> r.ended_for", column: "reason", value: "r.reason", rule: "cannot_change", says: "format('is recorded as %s, and an import does not rewrite it', r.ended_for)"},
	{when: "r.u is null and r.had is null and r.reason is not null and r.until_prec is distinct from 'unknown'", column: "until", rule: "needed", says: "'is needed where a reason is given'"},
	{when: "r.old is not null and r.remark is not null and r.remark <> r.remark_now", column: "remark", value: "r.remark", rule: "remark_kept", says: "'differs from the remark on record, which was kept'", level: aWarning},
}

// spansOfStays puts rows and record in one order, for each unit and each slot
// that the file speaks of.
const spansOfStays = `
create temp table spans_stays on commit drop as
with x as (
  select r.sheet, r.row, r.unit_id, r.slot_id, coalesce(r.began, r.f, '-infinity') as lo, coalesce(r.u, r.had, 'infinity') as hi, r.label, r.unit_tag as tag,
         case when r.had is null and r.u is not null then coalesce(r.reason, '') end as reason
    from ready_stays as r where not r.bad
   union all
  select null, null, t.unit_id, t.slot_id, coalesce(lower(t.during), '-infinity'), coalesce(upper(t.during), 'infinity'),
         coalesce(l.code, concat_ws(', ', coalesce(p.code, h.tag), lower(sl.name))), u.tag, null
    from stay as t
    join unit as u on u.id = t.unit_id
    left join location as l on l.id = t.location_id
    left join slot as sl on sl.id = t.slot_id
    left join position as p on p.id = sl.position_id
    left join unit as h on h.id = sl.unit_id
   where (t.unit_id in (select unit_id from ready_stays where not bad) or t.slot_id in (select slot_id from ready_stays where not bad))
     and not exists (select from ready_stays as r where r.old = t.id and not r.bad)
)
select x.*, lag(hi) over u as u_hi, lag(row) over u as u_row, lag(sheet) over u as u_sheet, lag(label) over u as u_label,
       lag(hi) over s as s_hi, lag(row) over s as s_row, lag(sheet) over s as s_sheet, lag(tag) over s as s_tag,
       lead(slot_id is not null) over u as to_slot
  from x
window u as (partition by unit_id order by lo, hi), s as (partition by slot_id order by lo, hi)`

const unitTwice = `
insert into import_said (sheet, row, col, value, rule, says, level)
select coalesce(x.sheet, x.u_sheet), coalesce(x.row, x.u_row), 'unit tag', x.tag, 'unit_in_two_places',
       case when x.row is null then format('is in %s by the record in that time', x.label)
            when x.u_row is null then format('is in %s by the record in that time; a row with its end and the reason closes that', x.u_label)
            else format('is in %s by row %s in that time', x.u_label, x.u_row) end, 0
  from spans_stays as x
 where x.u_hi > x.lo and coalesce(x.row, x.u_row) is not null`

const slotTwice = `
insert into import_said (sheet, row, col, value, rule, says, level)
select coalesce(x.sheet, x.s_sheet), coalesce(x.row, x.s_row), 'slot', x.label, 'slot_holds_another',
       case when x.row is null then format('holds %s by the record in that time', x.tag)
            when x.s_row is null then format('holds %s by the record in that time', x.s_tag)
            else format('holds %s by row %s in that time', x.s_tag, x.s_row) end, 0
  from spans_stays as x
 where x.slot_id is not null and x.s_hi > x.lo and coalesce(x.row, x.s_row) is not null`

const noReason = `
insert into import_said (sheet, row, col, value, rule, says, level)
select x.sheet, x.row, 'reason', '', 'needed', 'is needed: why it came out', 0
  from spans_stays as x
 where x.reason = '' and x.slot_id is not null`

const endStays = `
update stay as t set during = tstzrange(lower(t.during), r.u), until_precision = r.w_until_precision,
       ended_for = coalesce(r.reason, case when x.to_slot then 'fitted' else 'moved' end)
  from ready_stays as r
  join spans_stays as x on x.sheet = r.sheet and x.row = r.row
 where t.id = r.old and not r.bad and r.u is not null and r.had is null`

const newStays = `
insert into stay (id, unit_id, slot_id, location_id, site_id, during, from_precision, until_precision, ended_for, remark, recorded_at, recorded_by)
select r.new_id, r.unit_id, r.slot_id, r.location_id, r.site_id, tstzrange(r.f, r.u), r.w_from_precision, r.w_until_precision,
       case when r.u is not null then coalesce(r.reason, case when x.to_slot then 'fitted' else 'moved' end) end, coalesce(r.remark, ''), @now, @who
  from ready_stays as r
  join spans_stays as x on x.sheet = r.sheet and x.row = r.row
 where not r.bad and r.old is null`
