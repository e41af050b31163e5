-- Fills the slots of every brush of data.sql with units, run after it in the same
-- transaction: a site has 32 brushes and 264 units at them. The gearmotors were
-- exchanged once, each with that of the next brush of its site, so that each has
-- three stays before the one that lasts: in the warehouse, at the next brush, on
-- the bench.

alter table part disable trigger user;
alter table location disable trigger user;
alter table unit disable trigger user;
alter table stay disable trigger user;

insert into part (id, number, description, class, created_at)
select pg_temp.key(10, row_number() over (order by code)), upper(replace(code, '_', '-')), name, code, timestamptz '2024-01-01Z'
  from component_class
order by code;

insert into location (id, code, name, kind, created_at)
values (pg_temp.key(11, 1), 'WH', 'Warehouse', 'warehouse', timestamptz '2024-01-01Z'),
       (pg_temp.key(11, 2), 'BENCH', 'Bench', 'bench', timestamptz '2024-01-01Z');

-- what the trigger would have made; keys in the order of sites, as it would give them in years
insert into slot (id, site_id, position_id, code, name, class, ordinal)
select pg_temp.key(12, p.n * 1000 + p.k * 10 + s.ordinal), p.site_id, p.id, s.code, s.name, s.class, s.ordinal
  from placed as p
  join position as o on o.id = p.id
  join slot_kind as s on s.holder_is = 'position' and s.holder = o.kind
order by 1;

-- beside counts the brushes of a site, so that the next one can be told
create temp table fitted on commit drop as
select row_number() over (order by p.n, p.k, s.ordinal) as u, p.n, s.id as slot_id, s.site_id, s.class,
       case when s.class = 'gearmotor' then row_number() over (partition by p.n, s.class order by p.k) end as beside
  from placed as p
  join position as o on o.id = p.id
  join position_kind as kind on kind.code = o.kind and kind.duty = 'brush'
  join slot as s on s.position_id = p.id;

insert into unit (id, tag, part_id, serial, owner, start_hours, created_at)
select pg_temp.key(13, f.u), 'U-' || lpad(f.u::text, 7, '0'), p.id, lpad(f.u::text, 8, '0'), 'distributor', 0, timestamptz '2024-01-01Z'
  from fitted as f
  join part as p on p.class = f.class
order by f.u;

insert into slot (id, unit_id, code, name, class, ordinal)
select pg_temp.key(14, f.u * 10 + s.ordinal), pg_temp.key(13, f.u), s.code, s.name, s.class, s.ordinal
  from fitted as f
  join slot_kind as s on s.holder_is = 'unit' and s.holder = f.class
order by 1;

insert into stay (id, unit_id, slot_id, location_id, site_id, during, from_precision, until_precision, ended_for, recorded_at, recorded_by)
select pg_temp.key(15, f.u * 10), pg_temp.key(13, f.u), f.slot_id, null, f.site_id,
       tstzrange(case when f.beside is null then timestamptz '2024-02-01Z' else timestamptz '2025-02-01Z' end, null),
       'day', null, null, timestamptz '2025-02-01Z', (select id from actor where kind = 'system')
  from fitted as f
 union all
select pg_temp.key(15, f.u * 10 + e.nth), pg_temp.key(13, f.u), case when e.nth = 2 then t.slot_id end,
       case e.nth when 1 then pg_temp.key(11, 1) when 3 then pg_temp.key(11, 2) end, case when e.nth = 2 then f.site_id end,
       tstzrange(e.since, e.until), 'day', 'day', e.why, e.until, (select id from actor where kind = 'system')
  from fitted as f
  join fitted as t on t.n = f.n and t.beside = 1 + f.beside % 32
 cross join (values (1, timestamptz '2024-01-01Z', timestamptz '2024-02-01Z', 'fitted'),
                    (2, timestamptz '2024-02-01Z', timestamptz '2025-01-01Z', 'precaution'),
                    (3, timestamptz '2025-01-01Z', timestamptz '2025-02-01Z', 'fitted')) as e(nth, since, until, why);

alter table part enable trigger user;
alter table location enable trigger user;
alter table unit enable trigger user;
alter table stay enable trigger user;
