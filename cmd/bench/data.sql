-- Fills an empty migrated database with bench.sites sites, run by the owner.
-- A tenth as many customers own them, every tenth site was sold once, and each
-- has two lines and 50 positions: 16 pairs of brushes, fixed equipment, and what
-- the lines share. The same number of sites gives the same rows.

-- as a release would: one transaction, and no trail of what nobody did
alter table customer disable trigger user;
alter table site disable trigger user;
alter table ownership disable trigger user;
alter table line disable trigger user;
alter table position disable trigger user;
alter table position_alias disable trigger user;
alter table position_state disable trigger user;
alter table twin disable trigger user;

-- Made as the program makes its keys: the first 48 bits are milliseconds, here
-- one more for each row. (Keys that differ in their last bits only would leave an
-- index that mixes them with spans unable to tell them apart.) kind keeps tables apart.
create function pg_temp.key(kind integer, n bigint) returns uuid
language sql immutable
as $$ select cast(lpad(to_hex(1704067200000 + n), 12, '0') || '7' || lpad(to_hex(kind), 3, '0') || '8000000000000000' as uuid) $$;

create temp table made on commit drop as
select n, 'S' || lpad(n::text, 5, '0') as code, pg_temp.key(2, n) as id, 1 + (n - 1) / 10 as customer
  from generate_series(1, current_setting('bench.sites')::integer) as n;

insert into customer (id, code, name, created_at)
select distinct pg_temp.key(1, customer), 'C' || lpad(customer::text, 5, '0'), 'Customer ' || customer, timestamptz '2024-01-01Z'
  from made
order by 1;

insert into site (id, code, name, zone, currency, climate, size, driver_side, created_at)
select id, code, 'Site ' || n, 'America/Chicago', 'USD', (array['snowbelt', 'mild_wet', 'warm_dry'])[1 + n % 3],
       (array['small', 'medium', 'large'])[1 + n % 3], 'left', timestamptz '2024-01-01Z'
  from made
order by n;

insert into ownership (id, site_id, customer_id, during)
select pg_temp.key(3, n), id, pg_temp.key(1, customer),
       tstzrange(case when n % 10 = 0 then timestamptz '2025-01-01Z' else timestamptz '2024-01-01Z' end, null)
  from made
 union all
select pg_temp.key(4, n), id, pg_temp.key(1, 1 + customer % (select max(customer) from made)), tstzrange(timestamptz '2024-01-01Z', timestamptz '2025-01-01Z')
  from made
 where n % 10 = 0
   and (select max(customer) from made) > 1;

insert into line (id, site_id, code, name, length_m, length_typed, during, created_at)
select pg_temp.key(5, n * 2 + l), id, code || '-' || l, 'Line ' || l, 40, '40 m', tstzrange(timestamptz '2024-01-01Z', null), timestamptz '2024-01-01Z'
  from made, generate_series(1, 2) as l
order by n, l;

-- k counts the positions of a site; those of one pair follow each other on one line
create temp table placed on commit drop as
select m.n, k, m.id as site_id, m.code as site, pg_temp.key(6, m.n * 50 + k) as id,
       case when k <= 44 then 1 + (k - 1) / 22 end as line, -- null is shared
       case when k <= 44 then (k - 1) % 22 end as slot
  from made as m, generate_series(1, 50) as k;

insert into position (id, site_id, line_id, code, name, kind, line_side, along_m, along_typed, during, created_at)
select id, site_id, pg_temp.key(5, n * 2 + line), site || '-' || coalesce(line::text, '0') || '/P' || lpad(k::text, 2, '0'), 'Position ' || k,
       case when line is null then (array['pump_room', 'compressed_air', 'reclaim', 'power_unit', 'motor_control', 'pump_room'])[k - 44]
            when slot < 16 then (array['tyre_brush', 'rocker', 'side_brush_low', 'side_brush_high', 'wraparound', 'side_brush_low', 'wraparound', 'rocker'])[1 + slot / 2]
            else (array['entrance', 'arch', 'applicator', 'wheel_spray', 'blower', 'conveyor'])[slot - 15] end,
       case when slot < 16 then (array['left', 'right'])[1 + slot % 2] else 'centre' end,
       case when line is not null then 1 + slot end, (1 + slot) || ' m',
       tstzrange(timestamptz '2024-01-01Z', null), timestamptz '2024-01-01Z'
  from placed
order by n, k;

-- a tenth of them was parked before
insert into position_state (id, position_id, site_id, state, during)
select pg_temp.key(7, n * 50 + k), id, site_id, 'in_service',
       tstzrange(case when k % 10 = 0 then timestamptz '2025-06-01Z' else timestamptz '2024-01-01Z' end, null)
  from placed
 union all
select pg_temp.key(8, n * 50 + k), id, site_id, 'parked', tstzrange(timestamptz '2024-01-01Z', timestamptz '2025-06-01Z')
  from placed
 where k % 10 = 0;

insert into position_alias (position_id, site_id, alias)
select id, site_id, 'number ' || k
  from placed
 where k % 5 = 0;

insert into twin (left_id, right_id, site_id, line_id, kind)
select l.id, r.id, l.site_id, p.line_id, p.kind
  from placed as l
  join placed as r on r.n = l.n and r.k = l.k + 1
  join position as p on p.id = l.id
 where l.slot < 16 and l.slot % 2 = 0;

alter table customer enable trigger user;
alter table site enable trigger user;
alter table ownership enable trigger user;
alter table line enable trigger user;
alter table position enable trigger user;
alter table position_alias enable trigger user;
alter table position_state enable trigger user;
alter table twin enable trigger user;
