-- +goose Up
-- Meters, what was read on them, and how much a thing has done by any instant.

insert into capability (code, meaning) values
  ('explain_readings', 'say what is behind a reading that does not fit, correct it or void it');
insert into role_capability (role, capability)
select unnest(array['manager', 'system', 'technician', 'owner', 'site_staff']), 'explain_readings';

-- +goose StatementBegin
-- by site, the spans in which an actor of narrower scope may do this there
create function actor_spans_to(wanted text) returns jsonb
language plpgsql stable security definer set search_path = public, pg_temp
as $$
begin
  return (
  select coalesce(jsonb_object_agg(site_id, spans), '{}')
    from (select coalesce(o.site_id, g.site_id) as site_id, range_agg(coalesce(o.during, tstzrange(null, null)))::text as spans
            from actor_grants() as g
            join role_capability as c on c.role = g.role and c.capability = wanted
            left join ownership as o on o.customer_id = g.customer_id and (g.site_id is null or g.site_id = o.site_id)
             and lower(o.during) <= now()
           where g.scope = 'customer' and o.site_id is not null
              or g.scope = 'site'
        group by 1) as s);
end $$;
-- +goose StatementEnd

-- When no stop is wanted is said by whoever approves dates: an owner for the own sites in the own time.
create policy blackout_added on blackout for insert to spindlebook_app
  with check ((select actor_may('approve')) or cast((select actor_spans_to('approve')) ->> site_id::text as tstzmultirange) @> during);
create policy blackout_edited on blackout for update to spindlebook_app
  using ((select actor_may('approve')) or cast((select actor_spans_to('approve')) ->> site_id::text as tstzmultirange) @> during);

-- A cumulative counter. Amounts everywhere below are whole: seconds of running,
-- vehicles, or cycles. A tenth of an hour is 360 seconds and so exact.
create table meter (
  id      uuid constraint meter_pk primary key,
  site_id uuid not null constraint meter_site_fk references site,
  code    text not null constraint meter_code_uq unique
          constraint meter_code_form check (code ~ '^[A-Z0-9][A-Z0-9/-]{0,31}$'),
  kind    text not null constraint meter_kind_known check (kind in
            ('entrance_counter', 'wash_counter', 'point_of_sale', 'package_counter', 'hour_meter', 'run_timer', 'drive_hours', 'pump_hours', 'cycle_counter', 'computed')),
  unit    text not null constraint meter_unit_known check (unit in ('hours', 'vehicles', 'cycles')),
  counts  text not null default '',
  -- null takes what the line is rated for
  most_per_hour integer constraint meter_most_real check (most_per_hour between 1 and 100000),
  during  tstzrange not null constraint meter_during_real check (not isempty(during) and lower_inc(during) and not upper_inc(during)),
  created_at timestamptz not null,
  version integer not null default 1,
  constraint meter_site_uq unique (id, site_id),
  constraint meter_unit_uq unique (id, unit)
);
comment on column meter.counts is 'What it counts, in words: vehicles at the tyre switch, contactor K14.';
create index meter_site_ix on meter (site_id, code);

-- What a meter belongs to over a time: outputs of a panel get reassigned.
create table meter_place (
  id          uuid constraint meter_place_pk primary key,
  meter_id    uuid not null,
  site_id     uuid not null,
  unit        text not null,
  line_id     uuid,
  position_id uuid,
  is_primary  boolean not null,
  during      tstzrange not null constraint meter_place_during_real check (not isempty(during) and not upper_inc(during)),
  recorded_at timestamptz not null,
  recorded_by uuid not null constraint meter_place_actor_fk references actor,
  constraint meter_place_meter_fk foreign key (meter_id, site_id) references meter (id, site_id),
  constraint meter_place_unit_fk foreign key (meter_id, unit) references meter (id, unit),
  constraint meter_place_line_fk foreign key (line_id, site_id) references line (id, site_id),
  constraint meter_place_position_fk foreign key (position_id, site_id) references position (id, site_id),
  constraint meter_place_one_thing check ((line_id is null) <> (position_id is null)),
  constraint meter_place_one_at_a_time exclude using gist (meter_id with =, during with &&),
  constraint meter_place_one_primary exclude using gist ((coalesce(position_id, line_id)) with =, unit with =, during with &&) where (is_primary)
);
create index meter_place_line_ix on meter_place (line_id) where line_id is not null;
create index meter_place_position_ix on meter_place (position_id) where position_id is not null;
create index meter_place_site_ix on meter_place (site_id);

-- One run of a counter. The total of a value in it is base + value - start, so
-- that a reading that comes late changes no other row.
create table meter_segment (
  id            uuid constraint meter_segment_pk primary key,
  meter_id      uuid not null,
  site_id       uuid not null,
  during        tstzrange not null constraint meter_segment_during_real check (not isempty(during) and not upper_inc(during)),
  -- when it was said to begin; where readings before that fit it, it began with them
  said_at       timestamptz,
  how           text not null constraint meter_segment_how_known check (how in
                  ('first', 'rolled_over', 'replaced', 'reset', 'controller_reset', 'unit_changed', 'unreliable')),
  start_value   bigint not null constraint meter_segment_start_real check (start_value >= 0),
  previous_last bigint constraint meter_segment_last_real check (previous_last >= 0),
  base          bigint not null,
  shows         text not null constraint meter_segment_shows_known check (shows in ('h', 'min', 's', 'vehicles', 'cycles')),
  modulus       bigint constraint meter_segment_modulus_real check (modulus > 0),
  digits        smallint constraint meter_segment_digits_real check (digits between 1 and 15),
  decimals      smallint not null default 0 constraint meter_segment_decimals_real check (decimals between 0 and 2),
  serial        text not null default '',
  reason        text not null default '',
  recorded_at   timestamptz not null,
  recorded_by   uuid not null constraint meter_segment_actor_fk references actor,
  constraint meter_segment_meter_fk foreign key (meter_id, site_id) references meter (id, site_id),
  constraint meter_segment_value_below_modulus check (start_value < modulus),
  constraint meter_segment_one_at_a_time exclude using gist (meter_id with =, during with &&)
);
comment on column meter_segment.previous_last is 'The last value of the run before; null is the greatest that was read in it.';
create index meter_segment_site_ix on meter_segment (site_id);

-- What somebody or something saw. nth is 0 for the reading that stands at its
-- instant and counts those that were voided or superseded there. The key keeps
-- the instant, so that the table can be cut by time when it is large.
create table reading (
  id          uuid not null,
  meter_id    uuid not null,
  site_id     uuid not null,
  at          timestamptz not null,
  nth         integer not null default 0,
  value       bigint not null constraint reading_value_real check (value >= 0),
  typed       text not null,
  source      text not null constraint reading_source_known check (source in ('eye', 'photo', 'controller', 'gateway', 'estimate', 'computed')),
  state       text not null constraint reading_state_known check (state in ('counts', 'doubtful', 'quarantined', 'voided', 'superseded')),
  doubt       text constraint reading_doubt_known check (doubt in ('falls', 'too_fast', 'above_next', 'below_next', 'ratio', 'time', 'unreliable')),
  received_at timestamptz not null,
  recorded_by uuid not null,
  constraint reading_one_at_an_instant primary key (meter_id, at, nth),
  constraint reading_doubt_named check ((state in ('doubtful', 'quarantined')) <= (doubt is not null)),
  constraint reading_stands_first check ((nth = 0) = (state not in ('voided', 'superseded')))
);
create index reading_id_ix on reading (id);
-- A foreign key looks each row's meter up by itself, which is half the cost of
-- taking readings. This looks once for all rows of a statement. No meter is ever deleted.
-- +goose StatementBegin
create function readings_have_meters() returns trigger
language plpgsql security definer set search_path = public, pg_temp
as $$
begin
  if exists (select from (select distinct meter_id, site_id from added) as r
              where not exists (select from meter as m where m.id = r.meter_id and m.site_id = r.site_id)) then
    raise foreign_key_violation using message = 'a reading names no meter of its site', constraint = 'reading_meter_fk';
  end if;
  return null;
end $$;
-- +goose StatementEnd
create trigger reading_meter after insert on reading referencing new table as added for each statement execute function readings_have_meters();
create index reading_doubt_ix on reading (site_id, received_at, id) where state in ('doubtful', 'quarantined');

-- What was said of a reading: its state on the row follows.
create table reading_act (
  id          uuid constraint reading_act_pk primary key,
  reading_id  uuid not null,
  meter_id    uuid not null,
  site_id     uuid not null,
  at          timestamptz not null,
  act         text not null constraint reading_act_known check (act in
                ('rolled_over', 'reset', 'controller_reset', 'replaced', 'unit_changed', 'mistyped', 'wrong_meter', 'as_seen', 'voided')),
  by_reading  uuid,
  segment_id  uuid constraint reading_act_segment_fk references meter_segment on delete set null,
  reason      text not null default '',
  recorded_at timestamptz not null,
  recorded_by uuid not null constraint reading_act_actor_fk references actor,
  constraint reading_act_meter_fk foreign key (meter_id, site_id) references meter (id, site_id),
  constraint reading_act_reason_given check (act <> 'voided' or btrim(reason) <> '')
);
create index reading_act_reading_ix on reading_act (reading_id);
create index reading_act_by_ix on reading_act (by_reading) where by_reading is not null;
create index reading_act_site_ix on reading_act (site_id);
comment on column reading_act.at is 'When the reading was seen, for the scope.';

-- What is known of a meter now, so that a new reading is judged without looking
-- at others, and the mark by which due dates learn that something moved.
create table meter_state (
  meter_id   uuid constraint meter_state_pk primary key,
  site_id    uuid not null,
  latest_at  timestamptz,
  last_at    timestamptz,
  last_value bigint,
  last_total bigint,
  grew_at    timestamptz,
  usual      double precision,
  usual_at   timestamptz,
  changed_at timestamptz,
  changed_from timestamptz,
  constraint meter_state_meter_fk foreign key (meter_id, site_id) references meter (id, site_id)
);
comment on column meter_state.latest_at is 'The latest instant of any reading, also of one that does not count.';
comment on column meter_state.usual is 'Of run hours: seconds a vehicle, the median over eight stretches of the 60 days before usual_at.';
comment on column meter_state.changed_at is 'Set when totals from changed_from on have moved; whoever has followed clears it.';
create index meter_state_changed_ix on meter_state (changed_at) where changed_at is not null;
create index meter_state_site_ix on meter_state (site_id, last_at);

-- A derived meter: a weighted sum of others times a ratio, over a time.
create table meter_formula (
  id          uuid constraint meter_formula_pk primary key,
  meter_id    uuid not null,
  site_id     uuid not null,
  during      tstzrange not null constraint meter_formula_during_real check (not isempty(during) and lower_inc(during) and not upper_inc(during)),
  -- units of this meter for one of the sum: seconds a vehicle, or 1
  ratio       numeric(14, 6) not null constraint meter_formula_ratio_real check (ratio > 0 and ratio < 1000000),
  learnt_from uuid constraint meter_formula_learnt_fk references meter,
  learnt_n    integer,
  recorded_at timestamptz not null,
  recorded_by uuid not null constraint meter_formula_actor_fk references actor,
  constraint meter_formula_meter_fk foreign key (meter_id, site_id) references meter (id, site_id),
  constraint meter_formula_one_at_a_time exclude using gist (meter_id with =, during with &&)
);
create index meter_formula_site_ix on meter_formula (site_id);
create table meter_formula_term (
  formula_id uuid not null constraint meter_formula_term_formula_fk references meter_formula,
  source_id  uuid not null,
  site_id    uuid not null,
  weight     numeric(9, 4) not null constraint meter_formula_term_weight_real check (weight > 0 and weight <= 1000),
  constraint meter_formula_term_pk primary key (formula_id, source_id),
  constraint meter_formula_term_source_fk foreign key (source_id, site_id) references meter (id, site_id)
);
create index meter_formula_term_site_ix on meter_formula_term (site_id);

-- Which share of the vehicles on the line a brush washes.
create table position_share (
  id          uuid constraint position_share_pk primary key,
  position_id uuid not null,
  site_id     uuid not null,
  share       numeric(5, 4) not null constraint position_share_real check (share between 0 and 1),
  reason      text not null default '',
  during      tstzrange not null constraint position_share_during_real check (not isempty(during) and lower_inc(during) and not upper_inc(during)),
  recorded_at timestamptz not null,
  recorded_by uuid not null constraint position_share_actor_fk references actor,
  constraint position_share_position_fk foreign key (position_id, site_id) references position (id, site_id),
  constraint position_share_one_at_a_time exclude using gist (position_id with =, during with &&)
);
create index position_share_site_ix on position_share (site_id);

-- From when on the past says little about the future: a rebuild, a competitor.
create table regime_change (
  id          uuid constraint regime_change_pk primary key,
  site_id     uuid not null constraint regime_change_site_fk references site,
  meter_id    uuid,
  at          timestamptz not null,
  reason      text not null constraint regime_change_reason_given check (btrim(reason) <> ''),
  withdrawn_at timestamptz,
  recorded_at timestamptz not null,
  recorded_by uuid not null constraint regime_change_actor_fk references actor,
  constraint regime_change_meter_fk foreign key (meter_id, site_id) references meter (id, site_id)
);
comment on column regime_change.meter_id is 'Null for every meter of the site.';
create index regime_change_site_ix on regime_change (site_id, at);

-- How use of one kind spreads over the year, the week and the day, as it was
-- learnt: pooled by climate and size, or a site's own. Run hours sway less than
-- vehicles do. Where nothing was learnt the trade's figures serve.
create table usage_profile (
  id      uuid constraint usage_profile_pk primary key default gen_random_uuid(),
  site_id uuid constraint usage_profile_site_fk references site,
  climate text constraint usage_profile_climate_known check (climate in ('snowbelt', 'mild_wet', 'warm_dry')),
  size    text constraint usage_profile_size_known check (size in ('small', 'medium', 'large')),
  unit    text not null constraint usage_profile_unit_known check (unit in ('hours', 'vehicles', 'cycles')),
  part    text not null constraint usage_profile_part_known check (part in ('month', 'weekday', 'hour', 'kappa')),
  ordinal smallint not null,
  factor  double precision not null constraint usage_profile_factor_real check (factor >= 0 and factor < 1000),
  meters  integer not null default 0 constraint usage_profile_meters_real check (meters >= 0),
  years   double precision not null default 0 constraint usage_profile_years_real check (years >= 0),
  computed_at timestamptz not null,
  constraint usage_profile_of_one check ((site_id is null) = (climate is not null) and (climate is null) = (size is null)),
  constraint usage_profile_ordinal_real check (ordinal between 0 and case part when 'month' then 12 when 'weekday' then 7 when 'hour' then 23 else 0 end),
  constraint usage_profile_pooled_uq unique (climate, size, unit, part, ordinal),
  constraint usage_profile_site_uq unique (site_id, unit, part, ordinal)
);
comment on column usage_profile.ordinal is 'Month 1 to 12, ISO weekday 1 (Monday) to 7, hour 0 to 23; 0 for kappa, how far the level drifts.';
comment on column usage_profile.years is 'How many years of readings stand behind the factor.';
-- what counts, with the total that each reading stands for
create view meter_point with (security_invoker = true) as
  select r.meter_id, r.site_id, r.id as reading_id, r.at, g.base + r.value - g.start_value as total, r.source
    from reading as r
    join meter_segment as g on g.meter_id = r.meter_id and g.during @> r.at
   where r.state = 'counts';

-- +goose StatementBegin
-- Taking readings needs the whole of a meter, also what an owner of today may
-- not see of yesterday's: these run as their owner and keep to the actor's sites.
create function may_at_sites(wanted text) returns table (everywhere boolean, sites uuid[], spans jsonb)
language plpgsql stable security definer set search_path = public, pg_temp
as $$
begin
  spans := actor_spans_to(wanted);
  return query select actor_may(wanted), array(select jsonb_object_keys(spans)::uuid), spans;
end $$;

-- Gives what readings of meters are judged by, and locks the meters in their order for whoever writes. To plan
-- it costs more than to do it, so the plan is kept, and only the way by the indexes is left open to it.
create function meters_to_take(wanted uuid[], codes text[], locking boolean) returns table (
  id uuid, site_id uuid, code text, kind text, unit text, most_per_hour integer, open_minutes integer, companion_id uuid,
  latest_at timestamptz, last_at timestamptz, last_value bigint, grew_at timestamptz, spans jsonb, segments jsonb)
language plpgsql volatile security definer set search_path = public, pg_temp set plan_cache_mode = force_generic_plan set enable_seqscan = off set enable_hashjoin = off set enable_mergejoin = off
as $$
declare
  ids uuid[];
  may record;
begin
  select * into may from may_at_sites('read_counters');
  ids := array(select m.id from meter as m
                where (m.id = any (wanted) or m.code = any (codes)) and (may.everywhere or m.site_id = any (may.sites)));
  if locking then
    perform from meter_state as s where s.meter_id = any (ids) order by s.meter_id for update;
  end if;
  return query
  select m.id, m.site_id, m.code, m.kind, m.unit, coalesce(m.most_per_hour, case m.unit when 'vehicles' then l.vehicles_per_hour_max end),
         (select max(d.minutes)::integer
            from (select least(sum(h.minutes), 1440) as minutes from weekly_hours as h
                   where h.site_id = m.site_id and h.kind = 'open' and h.during @> now() group by h.weekday) as d),
         case m.unit when 'hours' then c.meter_id end,
         s.latest_at, s.last_at, s.last_value, s.grew_at,
         case when not may.everywhere then
           (select jsonb_agg(jsonb_build_array(floor(extract(epoch from lower(r)) * 1000000)::bigint, floor(extract(epoch from upper(r)) * 1000000)::bigint))
              from unnest(cast(may.spans ->> m.site_id::text as tstzmultirange)) as r) end,
         (select jsonb_agg(jsonb_build_object('id', g.id, 'from', floor(extract(epoch from lower(g.during)) * 1000000)::bigint, 'how', g.how, 'start', g.start_value,
                   'previous_last', g.previous_last, 'base', g.base, 'shows', g.shows, 'modulus', g.modulus, 'decimals', g.decimals) order by g.during)
            from meter_segment as g where g.meter_id = m.id)
    from unnest(ids) as w(id)
    join meter as m on m.id = w.id
    join meter_state as s on s.meter_id = m.id
    left join meter_place as p on p.meter_id = m.id and p.during @> now()
    left join position as o on o.id = p.position_id
    left join line as l on l.id = coalesce(p.line_id, o.line_id)
    left join meter_place as c on c.line_id = l.id and c.unit = 'vehicles' and c.is_primary and c.during @> now() and c.meter_id <> m.id
order by m.id;
end $$;

-- What stands at an instant of a meter, and what counts next to it. A plan that
-- was kept while the table was small would read all of it for each row, so only
-- the way by the index is left open.
create function reading_neighbours(meters uuid[], ats timestamptz[]) returns table (
  n integer, same_id uuid, same_value bigint, same_state text, before_at timestamptz, before_value bigint, after_at timestamptz, after_value bigint)
language plpgsql stable security definer set search_path = public, pg_temp set plan_cache_mode = force_generic_plan set enable_seqscan = off set enable_bitmapscan = off set enable_hashjoin = off set enable_mergejoin = off set enable_sort = off set jit = off
as $$
declare
  may record;
begin
  select * into may from may_at_sites('read_counters');
  return query
  select u.n::integer, s.id, s.value, s.state, b.at, b.value, a.at, a.value
    from unnest(meters, ats) with ordinality as u(meter_id, at, n)
    join meter as m on m.id = u.meter_id and (may.everywhere or m.site_id = any (may.sites))
    left join lateral (select r.id, r.value, r.state from reading as r where r.meter_id = u.meter_id and r.at = u.at and r.nth = 0) as s on true
    left join lateral (select r.at, r.value from reading as r
                        where r.meter_id = u.meter_id and r.at < u.at and r.state = 'counts' order by r.at desc limit 1) as b on true
    left join lateral (select r.at, r.value from reading as r
                        where r.meter_id = u.meter_id and r.at > u.at and r.state = 'counts' order by r.at limit 1) as a on true;
end $$;

-- what a counter stood at, on a straight line between its readings; null beyond
-- them. In PL/pgSQL, which keeps its plan.
create function total_between(meter uuid, wanted timestamptz) returns double precision
language plpgsql stable security definer set search_path = public, pg_temp set plan_cache_mode = force_generic_plan set enable_seqscan = off set enable_bitmapscan = off set enable_hashjoin = off set enable_mergejoin = off set enable_sort = off set jit = off
as $$
declare
  a record;
  b record;
begin
  select p.at, p.total into a from meter_point as p where p.meter_id = meter and p.at >= wanted order by p.at limit 1;
  if a.at is null or a.at = wanted then
    return a.total;
  end if;
  select p.at, p.total into b from meter_point as p where p.meter_id = meter and p.at < wanted order by p.at desc limit 1;
  return b.total + (a.total - b.total) * extract(epoch from wanted - b.at) / extract(epoch from a.at - b.at);
end $$;

-- Run hours beside vehicles: what a meter grew for each vehicle since a reading
-- at least 20 hours before, and what is usual, looked at once a day.
create function hours_per_vehicle(meters uuid[], companions uuid[], ats timestamptz[], totals bigint[]) returns table (n integer, vehicles double precision, per_vehicle double precision, usual double precision)
language plpgsql volatile security definer set search_path = public, pg_temp set plan_cache_mode = force_generic_plan set enable_seqscan = off set enable_bitmapscan = off set enable_hashjoin = off set enable_mergejoin = off set enable_sort = off set jit = off
as $$
#variable_conflict use_column
declare
  may record;
begin
  select * into may from may_at_sites('read_counters');
  update meter_state as s
     set usual = m.median, usual_at = u.at
    from unnest(meters, companions, ats) as u(meter_id, companion_id, at)
   cross join lateral (
     select percentile_cont(0.5) within group (order by grew / vehicles) as median
       from (select total - lag(total) over w as grew, counted - lag(counted) over w as vehicles
               from (select p.at, p.total, total_between(u.companion_id, p.at) as counted
                       from generate_series(0, 7) as k
                      cross join lateral (select p.at, p.total from meter_point as p
                                           where p.meter_id = u.meter_id and p.at <= u.at - k * interval '180 hours' and p.at > u.at - (k + 1) * interval '180 hours'
                                        order by p.at desc limit 1) as p) as few
             window w as (order by at)) as pairs
      where vehicles >= 50
     having count(*) >= 3) as m
   where s.meter_id = u.meter_id and (s.usual_at is null or abs(extract(epoch from u.at - s.usual_at)) > 86400)
     and (may.everywhere or s.site_id = any (may.sites));
  return query
  select u.n::integer, v.vehicles, (u.total - b.total) / nullif(v.vehicles, 0), s.usual
    from unnest(meters, companions, ats, totals) with ordinality as u(meter_id, companion_id, at, total, n)
    join meter_state as s on s.meter_id = u.meter_id and s.usual is not null and (may.everywhere or s.site_id = any (may.sites))
    join lateral (select p.at, p.total from meter_point as p
                   where p.meter_id = u.meter_id and p.at <= u.at - interval '20 hours' order by p.at desc limit 1) as b on true
   cross join lateral (select total_between(u.companion_id, u.at) - total_between(u.companion_id, b.at) as vehicles) as v
   where v.vehicles >= 50;
end $$;

-- keeps what a batch of readings made of its meters
create function settle_meters(meters uuid[], latest timestamptz[], lasts timestamptz[], counted bigint[], totals bigint[], grew timestamptz[], moved timestamptz[], at timestamptz)
returns void
language plpgsql volatile security definer set search_path = public, pg_temp set plan_cache_mode = force_generic_plan set enable_seqscan = off set enable_hashjoin = off set enable_mergejoin = off
as $$
declare
  may record;
begin
  select * into may from may_at_sites('read_counters');
  update meter_state as s
     set latest_at = u.latest_at, last_at = u.last_at, last_value = u.last_value, last_total = u.last_total, grew_at = u.grew_at,
         changed_at = case when u.moved is null then s.changed_at else at end,
         changed_from = case when u.moved is null then s.changed_from when s.changed_at is null then u.moved else least(s.changed_from, u.moved) end
    from unnest(meters, latest, lasts, counted, totals, grew, moved) as u(meter_id, latest_at, last_at, last_value, last_total, grew_at, moved)
   where s.meter_id = u.meter_id and (may.everywhere or s.site_id = any (may.sites));
end $$;

-- A reading seen before the first one of a run that it fits: the run began earlier.
create function begin_segments_earlier(wanted uuid[], ats timestamptz[]) returns void
language plpgsql volatile security definer set search_path = public, pg_temp set plan_cache_mode = force_generic_plan set enable_seqscan = off set enable_hashjoin = off set enable_mergejoin = off
as $$
declare
  may record;
begin
  select * into may from may_at_sites('read_counters');
  update meter_segment as g
     set during = tstzrange(lower(g.during), u.at)
    from unnest(wanted, ats) as u(id, at)
    join meter_segment as n on n.id = u.id
   where g.meter_id = n.meter_id and upper(g.during) = lower(n.during) and (may.everywhere or g.site_id = any (may.sites));
  update meter_segment as g
     set during = tstzrange(u.at, upper(g.during))
    from unnest(wanted, ats) as u(id, at)
   where g.id = u.id and (may.everywhere or g.site_id = any (may.sites));
end $$;

-- Where such a reading does not count any more the run begins again with the next
-- one, or when it was said to.
create function begin_segments_as_said(wanted uuid[]) returns void
language plpgsql volatile security definer set search_path = public, pg_temp set plan_cache_mode = force_generic_plan set enable_seqscan = off set enable_hashjoin = off set enable_mergejoin = off
as $$
declare
  may record;
  g record;
begin
  select * into may from may_at_sites('read_counters');
  for g in
    select n.id, n.meter_id, lower(n.during) as began,
           coalesce((select min(r.at) from reading as r where r.meter_id = n.meter_id and r.state = 'counts' and r.at >= lower(n.during) and r.at < n.said_at), n.said_at) as at
      from meter_segment as n
     where n.meter_id = any (wanted) and lower(n.during) < n.said_at and (may.everywhere or n.site_id = any (may.sites))
  loop
    update meter_segment as o set during = tstzrange(g.at, upper(o.during)) where o.id = g.id;
    update meter_segment as o set during = tstzrange(lower(o.during), g.at) where o.meter_id = g.meter_id and upper(o.during) = g.began;
  end loop;
end $$;

-- Joins the runs of meters anew: each begins with the total at which the one
-- before it ended, by its stated last value or the greatest that was read in it.
create function rebase_meters(wanted uuid[], moved timestamptz, at timestamptz) returns void
language plpgsql volatile security definer set search_path = public, pg_temp set plan_cache_mode = force_generic_plan set enable_seqscan = off set enable_hashjoin = off set enable_mergejoin = off
as $$
declare
  may record;
begin
  select * into may from may_at_sites('read_counters');
  with run as (
    select g.id, g.meter_id, g.during, g.base,
           coalesce(lead(g.previous_last) over w, l.value, g.start_value) - g.start_value as grew
      from meter_segment as g
      left join lateral (select r.value from reading as r
                          where r.meter_id = g.meter_id and r.state = 'counts' and r.at < coalesce(upper(g.during), 'infinity') and r.at >= coalesce(lower(g.during), '-infinity')
                       order by r.at desc limit 1) as l on true
     where g.meter_id = any (wanted) and (may.everywhere or g.site_id = any (may.sites))
    window w as (partition by g.meter_id order by g.during)
  ),
  fresh as (
    select r.id, r.base, coalesce(sum(greatest(r.grew, 0)) over (partition by r.meter_id order by r.during rows between unbounded preceding and 1 preceding), 0)::bigint as joined
      from run as r
  )
  update meter_segment as g set base = f.joined from fresh as f where g.id = f.id and f.base <> f.joined;
  update meter_state as s
     set last_at = l.at, last_value = l.value, last_total = g.base + l.value - g.start_value, latest_at = coalesce(a.at, l.at),
         changed_at = coalesce(rebase_meters.at, s.changed_at),
         changed_from = case when moved is null then s.changed_from when s.changed_at is null then moved else least(s.changed_from, moved) end,
         grew_at = (select min(r.at) from reading as r where r.meter_id = s.meter_id and r.state = 'counts' and r.value = l.value and r.at >= coalesce(lower(g.during), '-infinity'))
    from unnest(wanted) as u(id)
    left join lateral (select r.at, r.value from reading as r where r.meter_id = u.id and r.state = 'counts' order by r.at desc limit 1) as l on true
    left join lateral (select r.at from reading as r where r.meter_id = u.id and r.nth = 0 and r.doubt is distinct from 'time' order by r.at desc limit 1) as a on true
    left join meter_segment as g on g.meter_id = u.id and g.during @> l.at
   where s.meter_id = u.id and (may.everywhere or s.site_id = any (may.sites));
end $$;
-- +goose StatementEnd

-- Row-level security.
-- +goose StatementBegin
do $$
declare t text;
begin
  foreach t in array array['meter', 'meter_place', 'meter_segment', 'meter_formula', 'position_share'] loop
    execute format('create policy %1$s_seen on %1$s for select to spindlebook_app using (
      (select actor_sees_all()) or cast((select actor_spans()) ->> site_id::text as tstzmultirange) && during)', t);
  end loop;
  foreach t in array array['meter', 'meter_place', 'meter_formula'] loop
    execute format('create policy %1$s_added on %1$s for insert to spindlebook_app with check ((select actor_may(''keep_register'')))', t);
    execute format('create policy %1$s_edited on %1$s for update to spindlebook_app using ((select actor_may(''keep_register'')))', t);
  end loop;
  foreach t in array array['position_share', 'regime_change'] loop
    execute format('create policy %1$s_added on %1$s for insert to spindlebook_app with check ((select actor_may(''record_work'')))', t);
    execute format('create policy %1$s_edited on %1$s for update to spindlebook_app using ((select actor_may(''record_work'')))', t);
  end loop;
  foreach t in array array['meter', 'meter_place', 'meter_segment', 'reading', 'reading_act', 'meter_state', 'meter_formula', 'meter_formula_term',
                           'position_share', 'regime_change', 'usage_profile'] loop
    execute format('alter table %s enable row level security', t);
  end loop;
  foreach t in array array['meter', 'meter_place', 'meter_segment', 'reading_act', 'meter_formula', 'meter_formula_term', 'position_share', 'regime_change'] loop
    execute format('create trigger %1$s_trail after insert or update or delete on %1$s for each row execute function write_trail()', t);
  end loop;
end $$;
-- +goose StatementEnd

-- A reading is itself a record of who saw what and when; the trail tells how it was marked.
create trigger reading_trail after update on reading for each row execute function write_trail();

create policy meter_segment_added on meter_segment for insert to spindlebook_app
  with check ((select actor_may('explain_readings')) or cast((select actor_spans_to('explain_readings')) ->> site_id::text as tstzmultirange) && during);
create policy meter_segment_edited on meter_segment for update to spindlebook_app
  using ((select actor_may('explain_readings')) or cast((select actor_spans_to('explain_readings')) ->> site_id::text as tstzmultirange) && during);
create policy meter_segment_undone on meter_segment for delete to spindlebook_app
  using ((select actor_may('explain_readings')) or cast((select actor_spans_to('explain_readings')) ->> site_id::text as tstzmultirange) && during);

create policy reading_seen on reading for select to spindlebook_app
  using ((select actor_sees_all()) or cast((select actor_spans()) ->> site_id::text as tstzmultirange) @> at);
create policy reading_taken on reading for insert to spindlebook_app
  with check ((select actor_may('read_counters')) or cast((select actor_spans_to('read_counters')) ->> site_id::text as tstzmultirange) @> at);
create policy reading_marked on reading for update to spindlebook_app
  using ((select actor_may('explain_readings')) or cast((select actor_spans_to('explain_readings')) ->> site_id::text as tstzmultirange) @> at);

create policy reading_act_seen on reading_act for select to spindlebook_app
  using ((select actor_sees_all()) or cast((select actor_spans()) ->> site_id::text as tstzmultirange) @> at);
create policy reading_act_added on reading_act for insert to spindlebook_app
  with check ((select actor_may('explain_readings')) or cast((select actor_spans_to('explain_readings')) ->> site_id::text as tstzmultirange) @> at);

-- what is known now is the owner's of now, except what was last seen in another's time
create policy meter_state_seen on meter_state for select to spindlebook_app
  using ((select actor_sees_all()) or cast((select actor_spans()) ->> site_id::text as tstzmultirange) @> coalesce(last_at, now()));
create policy meter_state_added on meter_state for insert to spindlebook_app with check ((select actor_may('keep_register')));
create policy meter_state_followed on meter_state for update to spindlebook_app using ((select actor_may('plan')));

create policy meter_formula_term_seen on meter_formula_term for select to spindlebook_app
  using ((select actor_sees_all()) or exists (select from meter_formula as f where f.id = formula_id));
create policy meter_formula_term_added on meter_formula_term for insert to spindlebook_app with check ((select actor_may('keep_register')));

create policy regime_change_seen on regime_change for select to spindlebook_app
  using ((select actor_sees_all()) or cast((select actor_spans()) ->> site_id::text as tstzmultirange) @> at);

create policy usage_profile_seen on usage_profile for select to spindlebook_app
  using ((select current_actor()) is not null and (site_id is null or (select actor_sees_all()) or site_id = any ((select actor_site_ids())::uuid[])));
create policy usage_profile_kept on usage_profile for insert to spindlebook_app with check ((select actor_may('plan')));
create policy usage_profile_edited on usage_profile for update to spindlebook_app using ((select actor_may('plan')));

-- The read interface.
create view meter_now with (security_invoker = true) as
  select m.id, m.site_id, m.code, m.kind, m.unit, m.counts, m.most_per_hour, m.version, m.created_at, lower(m.during) as "from", upper(m.during) as until,
         p.line_id, p.position_id, coalesce(p.is_primary, false) as is_primary, lower(p.during) as placed_since,
         g.shows, g.modulus, g.digits, g.decimals, g.serial,
         s.latest_at, s.last_at, s.last_value, s.last_total, s.grew_at, s.changed_at, s.changed_from
    from meter as m
    left join lateral (select c.line_id, c.position_id, c.is_primary, c.during from meter_place as c where c.meter_id = m.id and c.during @> now() limit 1) as p on true
    left join lateral (select c.shows, c.modulus, c.digits, c.decimals, c.serial from meter_segment as c where c.meter_id = m.id and c.during @> now() limit 1) as g on true
    left join meter_state as s on s.meter_id = m.id;

grant select, insert, update (code, kind, counts, most_per_hour, during, version) on meter to spindlebook_app;
grant select, insert, update (during) on meter_place, meter_formula, position_share to spindlebook_app;
grant select, insert, update (during, base, shows, modulus, digits, decimals), delete on meter_segment to spindlebook_app;
grant select, insert, update (state, doubt, nth) on reading to spindlebook_app;
grant select, insert on reading_act, meter_formula_term to spindlebook_app;
grant select, insert, update (changed_at, changed_from) on meter_state to spindlebook_app;
grant select, insert, update (withdrawn_at) on regime_change to spindlebook_app;
grant select, insert, update (factor, meters, years, computed_at) on usage_profile to spindlebook_app;
grant select on meter_now, meter_point to spindlebook_app;
