package isolation

// What is followed of a point begins where it was last given back before the time
// in question, and in any case before every lock that is on.
const followed = `
select e.id, e.point_id, e.act, e.lock_id, e.person_id, e.person, e.how, e.instrument, cast(e.said as text) as said, e.note, e.point_version,
       e.done_at, e.at, e.received_at, e.recorded_by, e.visit_id, e.record_id
  from unnest(cast(@points as uuid[])) as p(id)
  join isolation_entry as e on e.point_id = p.id
   and e.at > coalesce((
         select max(r.at)
           from isolation_entry as r
          where r.point_id = p.id and r.act = 'restored'
            and r.at < least(@from, (select min(l.locked_at) from isolation_lock as l where l.point_id = p.id and l.removed_at is null))), '-infinity')
order by e.point_id, e.at, e.id`

// of a point, the latest first, for whoever looks into what happened
const history = `
select e.id, e.point_id, e.act, e.lock_id, e.person_id, e.person, e.how, e.instrument, cast(e.said as text) as said, e.note, e.point_version,
       e.done_at, e.at, e.received_at, e.recorded_by, e.visit_id, e.record_id
  from isolation_entry as e
 where e.point_id = @point
   and (cast(@after as uuid) is null or (e.at, e.id) < (select a.at, a.id from isolation_entry as a where a.id = cast(@after as uuid)))
order by e.at desc, e.id desc
 limit @limit`

// takeTurns makes those who write about the same points go one after the other,
// so that what is worked out of their entries sees them all.
const takeTurns = `
select count(pg_advisory_xact_lock(hashtextextended(p.id, 10)))
  from (select distinct id from unnest(cast(@points as text[])) as t(id) order by id) as p`

const addEntries = `
insert into isolation_entry (id, site_id, point_id, point_version, visit_id, record_id, act, lock_id, person_id, person, how, instrument, said, note,
                             done_at, offset_ms, at, received_at, recorded_by)
select r.id, r.site_id, r.point_id, r.point_version, r.visit_id, r.record_id, r.act, r.lock_id, r.person_id, r.person, r.how, r.instrument, r.said, r.note,
       r.done_at, r.offset_ms, r.at, @now, @who
  from jsonb_to_recordset(cast(@rows as jsonb)) as r(id uuid, site_id uuid, point_id uuid, point_version integer, visit_id uuid, record_id uuid, act text, lock_id uuid,
       person_id uuid, person text, how text, instrument text, said jsonb, note text, done_at timestamptz, offset_ms bigint, at timestamptz)
order by r.id
on conflict on constraint isolation_entry_pk do nothing`

// workOutLocks makes the row of each lock anew from its entries. A lock is taken
// for that of whoever put it on.
const workOutLocks = `
with told as (
  select e.lock_id, min(e.at) filter (where e.act = 'locked') as locked_at,
         max(e.at) filter (where e.act in ('locked', 'back_on')) as last_on,
         max(e.at) filter (where e.act = 'off_for_test') as off_at,
         max(e.at) filter (where e.act = 'unlocked') as removed_at
    from isolation_entry as e
   where e.lock_id = any (cast(@locks as uuid[]))
group by e.lock_id
),
owned as ( -- by who put it on, or else by who was the first to speak of it
  select distinct on (e.lock_id) e.lock_id, e.site_id, e.point_id, e.visit_id, e.record_id, e.person_id, e.person, e.recorded_by
    from isolation_entry as e
   where e.lock_id = any (cast(@locks as uuid[]))
order by e.lock_id, e.act <> 'locked', e.at, e.id
),
left_on as (
  select distinct on (e.lock_id) e.lock_id, cast(e.said ->> 'until' as timestamptz) as until, coalesce(e.said ->> 'handed_to', '') as handed_to
    from isolation_entry as e
   where e.lock_id = any (cast(@locks as uuid[])) and e.act = 'left_on'
order by e.lock_id, e.at desc, e.id
)
insert into isolation_lock (id, site_id, point_id, visit_id, record_id, person_id, person, recorded_by, locked_at, off_at, removed_at, left_until, handed_to)
select o.lock_id, o.site_id, o.point_id, o.visit_id, o.record_id, o.person_id, o.person, o.recorded_by, t.locked_at,
       case when t.off_at > t.last_on then t.off_at end,
       case when t.removed_at >= coalesce(t.last_on, t.removed_at) then t.removed_at end,
       l.until, coalesce(l.handed_to, '')
  from owned as o
  join told as t on t.lock_id = o.lock_id
  left join left_on as l on l.lock_id = o.lock_id
on conflict on constraint isolation_lock_pk do update
   set visit_id = excluded.visit_id, record_id = excluded.record_id, person_id = excluded.person_id, person = excluded.person, recorded_by = excluded.recorded_by,
       locked_at = excluded.locked_at, off_at = excluded.off_at, removed_at = excluded.removed_at, left_until = excluded.left_until, handed_to = excluded.handed_to`

const locks = `
select l.id, l.site_id, s.code as site, s.name as site_name, s.zone, l.point_id, i.code as point, i.energy, coalesce(v.place, '') as place, coalesce(v.number, 1) as point_version,
       coalesce((select array_agg(p.code order by p.code) from position_isolation as pi join position as p on p.id = pi.position_id where pi.point_id = l.point_id), '{}') as positions,
       l.visit_id, l.record_id, l.person_id, l.person, l.locked_at, l.off_at, l.left_until, l.handed_to, l.removed_at
  from isolation_lock as l
  join site as s on s.id = l.site_id
  join isolation_point as i on i.id = l.point_id
  left join isolation_version as v on v.point_id = l.point_id and v.during @> cast(@now as timestamptz)
 where l.locked_at is not null and (@everywhere or l.site_id = any (@sites))`

// Those that are on, the oldest first.
const openLocks = locks + `
   and l.removed_at is null
   and (cast(@site as uuid) is null or l.site_id = @site)
   and (cast(@after as uuid) is null or (l.locked_at, l.id) > (select a.locked_at, a.id from isolation_lock as a where a.id = cast(@after as uuid)))
order by l.locked_at, l.id
 limit @limit`
