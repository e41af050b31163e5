-- +goose Up
-- What is fitted where: parts, units, slots and stays.

create table component_class (
  code text constraint component_class_pk primary key,
  name text not null
);
insert into component_class (code, name) values
  ('gearmotor', 'Gearmotor'), ('motor', 'Motor'), ('gearbox', 'Gearbox'), ('shaft', 'Shaft'), ('hub', 'Hub'),
  ('media_set', 'Media set'), ('cap', 'Cap'), ('cover', 'Frame cover'), ('cylinder', 'Air cylinder'), ('valve', 'Air valve'),
  ('pivot', 'Arm pivot set'), ('sensor', 'Arm sensor'), ('blower', 'Blower'), ('pump', 'Pump'), ('compressor', 'Compressor'), ('drive', 'Conveyor drive');

create table part (
  id          uuid constraint part_pk primary key,
  number      text not null constraint part_number_uq unique
              constraint part_number_form check (number ~ '^[A-Z0-9][A-Z0-9./-]{0,31}$'),
  description text not null constraint part_description_given check (btrim(description) <> ''),
  class       text not null constraint part_class_fk references component_class,
  created_at  timestamptz not null,
  version     integer not null default 1
);
create index part_class_ix on part (class, number);

-- What every unit of a part is, by its catalogue; a unit may differ.
create table part_fact (
  part_id  uuid not null constraint part_fact_part_fk references part,
  fact     text not null constraint part_fact_kind_fk references fact_kind,
  value    text not null constraint part_fact_value_given check (btrim(value) <> ''),
  value_mm double precision,
  constraint part_fact_pk primary key (part_id, fact)
);

insert into fact_kind (code, name, takes, choices) values
  ('plate_volts',   'Volts on the nameplate',   'text',   '{}'),
  ('plate_hertz',   'Hertz on the nameplate',   'choice', '{50,60,50/60}'),
  ('plate_phases',  'Phases on the nameplate',  'choice', '{1,3}'),
  ('leads',         'Leads',                    'choice', '{3,6,9,12}'),
  ('winding',       'Winding',                  'choice', '{wye,delta}'),
  ('link_setting',  'Links are set for',        'choice', '{low,high,star,delta}');

-- Which facts decide whether a unit of a class fits a position.
create table fact_of_class (
  class text not null constraint fact_of_class_class_fk references component_class,
  fact  text not null constraint fact_of_class_fact_fk references fact_kind,
  constraint fact_of_class_pk primary key (class, fact)
);
insert into fact_of_class (class, fact) values
  ('gearmotor', 'bore'), ('gearmotor', 'frame_standard'), ('gearmotor', 'frame_size'), ('gearmotor', 'gearmotor_orientation'),
  ('motor', 'frame_standard'), ('motor', 'frame_size'), ('gearbox', 'bore'), ('gearbox', 'frame_standard'), ('gearbox', 'frame_size'),
  ('shaft', 'bore'), ('hub', 'hub_fixing'), ('hub', 'bore'),
  ('media_set', 'media'), ('media_set', 'media_colour'), ('media_set', 'media_pattern'),
  ('sensor', 'sensor_output'), ('valve', 'valve_coil');

create table location (
  id      uuid constraint location_pk primary key,
  code    text not null constraint location_code_uq unique
          constraint location_code_form check (code ~ '^[A-Z0-9][A-Z0-9-]{0,23}$'),
  name    text not null constraint location_name_given check (btrim(name) <> ''),
  kind    text not null constraint location_kind_known check (kind in
            ('warehouse', 'van', 'site_shelf', 'bench', 'quarantine', 'returns', 'in_transit', 'supplier', 'unexplained', 'scrap')),
  site_id uuid constraint location_site_fk references site,
  created_at timestamptz not null,
  version integer not null default 1,
  constraint location_shelf_has_a_site check ((kind = 'site_shelf') = (site_id is not null)),
  constraint location_site_uq unique (id, site_id)
);

-- as people read a plate: no case, and neither O from 0 nor I from 1
create function serial_as_read(serial text) returns text
language sql immutable parallel safe
return translate(upper(serial), 'OI', '01');

-- One physical thing. Our own tag is on it; the maker's serial is text and may
-- be missing, unreadable or repeat.
create sequence unit_tag_seq;
create table unit (
  id      uuid constraint unit_pk primary key,
  tag     text not null constraint unit_tag_uq unique
          constraint unit_tag_form check (tag ~ '^[A-Z0-9][A-Z0-9-]{0,23}$'),
  part_id uuid not null constraint unit_part_fk references part,
  serial  text constraint unit_serial_given check (serial <> ''),
  -- A column and no index of the expression: under row security only what is told of a column
  -- without calling a function is looked up.
  serial_read text generated always as (serial_as_read(serial)) stored,
  owner   text not null constraint unit_owner_known check (owner in ('distributor', 'consignment', 'customer')),
  owner_customer_id uuid constraint unit_owner_customer_fk references customer,
  lot     text not null default '',
  -- of a media set, the order of its sections from the bottom up
  pattern text constraint unit_pattern_form check (pattern ~ '^[AB]+$'),
  -- what it had done before this record began; null is unknown
  start_hours    double precision constraint unit_start_hours_real check (start_hours >= 0),
  start_vehicles bigint constraint unit_start_vehicles_real check (start_vehicles >= 0),
  start_days     integer constraint unit_start_days_real check (start_days >= 0),
  created_at timestamptz not null,
  version    integer not null default 1,
  constraint unit_owner_whole check ((owner = 'customer') = (owner_customer_id is not null))
);
create index unit_serial_ix on unit (serial_read);
create index unit_part_ix on unit (part_id);

-- Sections of a media set that were replaced one by one.
create table section_replaced (
  id          uuid constraint section_replaced_pk primary key,
  unit_id     uuid not null constraint section_replaced_unit_fk references unit,
  section     integer not null constraint section_replaced_real check (section > 0),
  lot         text not null default '',
  at          timestamptz not null,
  recorded_by uuid not null constraint section_replaced_actor_fk references actor
);
create index section_replaced_unit_ix on section_replaced (unit_id, section, at);

create table unit_fact (
  id          uuid constraint unit_fact_pk primary key,
  unit_id     uuid not null constraint unit_fact_unit_fk references unit,
  fact        text not null constraint unit_fact_kind_fk references fact_kind,
  value       text not null constraint unit_fact_value_given check (btrim(value) <> ''),
  value_mm    double precision,
  during      tstzrange not null constraint unit_fact_during_real check (not isempty(during) and lower_inc(during) and not upper_inc(during)),
  seen_at     timestamptz,
  seen_by     text not null default '',
  how         text not null constraint unit_fact_how_known check (how in ('measured', 'read_off_plate', 'seen', 'told', 'drawing', 'assumed')),
  recorded_at timestamptz not null,
  recorded_by uuid not null constraint unit_fact_actor_fk references actor,
  withdrawn_at timestamptz,
  withdrawn_why text,
  constraint unit_fact_withdrawal_whole check ((withdrawn_at is null) = (withdrawn_why is null)),
  constraint unit_fact_one_at_a_time exclude using gist (unit_id with =, fact with =, during with &&) where (withdrawn_at is null)
);
create index unit_fact_unit_ix on unit_fact (unit_id, fact, lower(during));

-- What a position of a kind, or a unit of a class, consists of.
create table slot_kind (
  holder    text not null,
  holder_is text not null constraint slot_kind_holder_known check (holder_is in ('position', 'unit')),
  code      text not null,
  name      text not null,
  class     text not null constraint slot_kind_class_fk references component_class,
  ordinal   integer not null,
  constraint slot_kind_pk primary key (holder_is, holder, code)
);
insert into slot_kind (holder_is, holder, code, name, class, ordinal)
select 'position', k.code, s.code, s.name, s.class, s.ordinal
  from position_kind as k,
       (values ('gearmotor', 'Gearmotor', 'gearmotor', 1), ('shaft', 'Shaft', 'shaft', 2), ('hub', 'Hub', 'hub', 3),
               ('media', 'Media set', 'media_set', 4), ('cap', 'Cap', 'cap', 5), ('cylinder', 'Arm cylinder', 'cylinder', 6),
               ('valve', 'Arm valve', 'valve', 7), ('sensor', 'Arm sensor', 'sensor', 8)) as s(code, name, class, ordinal)
 where k.duty = 'brush'
 union all
select 'position', 'wraparound', 'pivot', 'Arm pivot', 'pivot', 9
 union all
select 'position', h, c, n, c, 1 from (values ('blower', 'blower', 'Blower'), ('compressed_air', 'compressor', 'Compressor'), ('conveyor', 'drive', 'Conveyor drive'), ('pump_room', 'pump', 'Pump')) as o(h, c, n)
 union all
select 'unit', 'gearmotor', c, n, c, o from (values ('motor', 'Motor', 1), ('gearbox', 'Gearbox', 2)) as i(c, n, o);

create table slot (
  id          uuid constraint slot_pk primary key default gen_random_uuid(),
  site_id     uuid,
  position_id uuid,
  unit_id     uuid constraint slot_unit_fk references unit,
  code        text not null,
  name        text not null,
  class       text not null constraint slot_class_fk references component_class,
  ordinal     integer not null,
  constraint slot_position_fk foreign key (position_id, site_id) references position (id, site_id),
  constraint slot_in_one_thing check ((position_id is null) <> (unit_id is null) and (position_id is null) = (site_id is null)),
  constraint slot_position_uq unique (position_id, code),
  constraint slot_unit_uq unique (unit_id, code)
);

create index slot_site_ix on slot (site_id);

-- A place gets its slots with the place: nobody can forget them.
-- +goose StatementBegin
create function position_slots() returns trigger
language plpgsql security definer set search_path = public, pg_temp
as $$
begin
  insert into slot (site_id, position_id, code, name, class, ordinal)
  select p.site_id, p.id, k.code, k.name, k.class, k.ordinal
    from added as p
    join slot_kind as k on k.holder_is = 'position' and k.holder = p.kind;
  return null;
end $$;
create function unit_slots() returns trigger
language plpgsql security definer set search_path = public, pg_temp
as $$
begin
  insert into slot (unit_id, code, name, class, ordinal)
  select u.id, k.code, k.name, k.class, k.ordinal
    from added as u
    join part as p on p.id = u.part_id
    join slot_kind as k on k.holder_is = 'unit' and k.holder = p.class;
  return null;
end $$;
-- +goose StatementEnd
create trigger position_slots after insert on position referencing new table as added for each statement execute function position_slots();
create trigger unit_slots after insert on unit referencing new table as added for each statement execute function unit_slots();
insert into slot (site_id, position_id, code, name, class, ordinal)
select p.site_id, p.id, k.code, k.name, k.class, k.ordinal
  from position as p join slot_kind as k on k.holder_is = 'position' and k.holder = p.kind;

-- A unit in a place over a time. The first constraint is the heart of the
-- record: whether slot or stock location, a unit is in one place at any instant.
create table stay (
  id          uuid constraint stay_pk primary key,
  unit_id     uuid not null constraint stay_unit_fk references unit,
  slot_id     uuid constraint stay_slot_fk references slot,
  location_id uuid constraint stay_location_fk references location,
  -- of the position's slot or the site's shelf, for the scope
  site_id     uuid constraint stay_site_fk references site,
  -- an open beginning is an unknown one
  during      tstzrange not null constraint stay_during_real check (not isempty(during) and not upper_inc(during)),
  from_precision  text not null constraint stay_from_precision_known check (from_precision in ('instant', 'day', 'month', 'year', 'unknown')),
  until_precision text constraint stay_until_precision_known check (until_precision in ('instant', 'day', 'month', 'year')),
  ended_for   text constraint stay_ended_for_known check (ended_for in
                ('failed', 'limit_reached', 'age', 'precaution', 'moved', 'conversion', 'impact', 'loan_ended', 'robbed', 'fitted')),
  remark      text not null default '',
  recorded_at timestamptz not null,
  recorded_by uuid not null constraint stay_actor_fk references actor,
  constraint stay_in_one_thing check ((slot_id is null) <> (location_id is null)),
  constraint stay_start_precision check ((from_precision = 'unknown') = lower_inf(during)),
  constraint stay_end_whole check (upper_inf(during) = (ended_for is null) and upper_inf(during) = (until_precision is null)),
  constraint stay_unit_in_one_place exclude using gist (unit_id with =, during with &&),
  constraint stay_slot_holds_one exclude using gist (slot_id with =, during with &&) where (slot_id is not null)
);
comment on column stay.ended_for is 'fitted: it left a stock location for a slot.';
create index stay_site_ix on stay (site_id, unit_id);
create index stay_location_ix on stay (location_id) where upper_inf(during);

create table photo (
  id          uuid constraint photo_pk primary key,
  site_id     uuid constraint photo_site_fk references site,
  position_id uuid,
  line_id     uuid,
  unit_id     uuid constraint photo_unit_fk references unit,
  caption     text not null default '',
  media_type  text not null constraint photo_type_known check (media_type in ('image/jpeg', 'image/png')),
  width       integer not null constraint photo_width_real check (width between 1 and 2000),
  height      integer not null constraint photo_height_real check (height between 1 and 2000),
  sha256      bytea not null,
  content     bytea not null constraint photo_size_bounded check (octet_length(content) between 1 and 1048576),
  taken_at    timestamptz not null,
  recorded_at timestamptz not null,
  recorded_by uuid not null constraint photo_actor_fk references actor,
  withdrawn_at timestamptz,
  withdrawn_why text,
  constraint photo_withdrawal_whole check ((withdrawn_at is null) = (withdrawn_why is null)),
  constraint photo_position_fk foreign key (position_id, site_id) references position (id, site_id),
  constraint photo_line_fk foreign key (line_id, site_id) references line (id, site_id),
  -- one thing, or else the site as such
  constraint photo_of_something check (num_nonnulls(position_id, line_id, unit_id) = 1 or num_nonnulls(position_id, line_id, unit_id) = 0 and site_id is not null)
);
create index photo_position_ix on photo (position_id, taken_at);
create index photo_line_ix on photo (line_id, taken_at);
create index photo_unit_ix on photo (unit_id, taken_at);

-- whether a unit was at one of the actor's sites, by itself or inside another
-- unit, in the actor's own time and within a span
-- +goose StatementBegin
create function actor_sees_unit(wanted uuid, span tstzrange default '(,)') returns boolean
language sql stable security definer set search_path = public, pg_temp
as $$
  select exists (
    select from stay as s
     cross join (select actor_spans() as spans) as mine
      left join slot as inner_slot on inner_slot.id = s.slot_id and inner_slot.unit_id is not null
      left join stay as o on o.unit_id = inner_slot.unit_id and o.during && s.during
     where s.unit_id = wanted
       and (cast(mine.spans ->> s.site_id::text as tstzmultirange) && (s.during * span)
          or cast(mine.spans ->> o.site_id::text as tstzmultirange) && (o.during * s.during * span)))
$$;

-- whether the unit that has this slot was there: then so was what is inside it
create function actor_sees_inside(wanted uuid, span tstzrange) returns boolean
language sql stable security definer set search_path = public, pg_temp
as $$ select coalesce((select actor_sees_unit(s.unit_id, span) from slot as s where s.id = wanted and s.unit_id is not null), false) $$;
-- +goose StatementEnd

-- The catalogue is the same for everybody; who may see prices comes with them.
alter table part enable row level security;
create policy part_seen on part for select to spindlebook_app using ((select current_actor()) is not null);
create policy part_kept on part for insert to spindlebook_app with check ((select actor_may('keep_register')));
create policy part_edited on part for update to spindlebook_app using ((select actor_may('keep_register')));
alter table part_fact enable row level security;
create policy part_fact_seen on part_fact for select to spindlebook_app using ((select current_actor()) is not null);
create policy part_fact_kept on part_fact for all to spindlebook_app
  using ((select actor_may('keep_register'))) with check ((select actor_may('keep_register')));

alter table location enable row level security;
-- A shelf is not dated: it is seen by whoever had the site since it was recorded, or when something lay there.
create policy location_seen on location for select to spindlebook_app
  using ((select actor_sees_all())
         or (site_id = any ((select actor_site_ids())::uuid[])
             and (cast((select actor_spans()) ->> site_id::text as tstzmultirange) && tstzrange(created_at, null)
                  or exists (select from stay as s where s.site_id = location.site_id and s.location_id = location.id))));
create policy location_added on location for insert to spindlebook_app with check ((select actor_may('keep_register')));
create policy location_edited on location for update to spindlebook_app using ((select actor_may('keep_register')));

alter table unit enable row level security;
create policy unit_seen on unit for select to spindlebook_app using ((select actor_sees_all()) or actor_sees_unit(id));
create policy unit_added on unit for insert to spindlebook_app with check ((select actor_may('record_work')));
create policy unit_edited on unit for update to spindlebook_app using ((select actor_may('record_work')));

-- What was done to a unit and what was noted of it is seen where that was in one's own time.
alter table section_replaced enable row level security;
create policy section_replaced_seen on section_replaced for select to spindlebook_app using ((select actor_sees_all()) or actor_sees_unit(unit_id, tstzrange(at, at, '[]')));
create policy section_replaced_added on section_replaced for insert to spindlebook_app with check ((select actor_may('record_work')));

alter table unit_fact enable row level security;
create policy unit_fact_seen on unit_fact for select to spindlebook_app using ((select actor_sees_all()) or actor_sees_unit(unit_id, during));
create policy unit_fact_added on unit_fact for insert to spindlebook_app with check ((select actor_may('record_work')));
create policy unit_fact_edited on unit_fact for update to spindlebook_app using ((select actor_may('record_work')));

alter table slot enable row level security;
-- Each slot is asked about by itself: a list of all that somebody sees takes as long as there are positions and units.
create policy slot_seen on slot for select to spindlebook_app
  using ((select actor_sees_all())
         or (site_id = any ((select actor_site_ids())::uuid[]) and exists (select from position as p where p.id = position_id))
         or (unit_id is not null and actor_sees_unit(unit_id)));

-- An owner sees a unit's time at the own sites, and not where it was before.
alter table stay enable row level security;
create policy stay_seen on stay for select to spindlebook_app
  using ((select actor_sees_all())
         or (site_id = any ((select actor_site_ids())::uuid[]) and cast((select actor_spans()) ->> site_id::text as tstzmultirange) && during)
         or (site_id is null and slot_id is not null and actor_sees_inside(slot_id, during)));
create policy stay_added on stay for insert to spindlebook_app with check ((select actor_may('record_work')));
create policy stay_edited on stay for update to spindlebook_app using ((select actor_may('record_work')));

alter table photo enable row level security;
create policy photo_seen on photo for select to spindlebook_app
  using ((select actor_sees_all())
         or (site_id = any ((select actor_site_ids())::uuid[]) and cast((select actor_spans()) ->> site_id::text as tstzmultirange) @> taken_at));
create policy photo_added on photo for insert to spindlebook_app with check ((select actor_may('record_work')));
create policy photo_edited on photo for update to spindlebook_app using ((select actor_may('record_work')));

-- +goose StatementBegin
do $$
declare t text;
begin
  foreach t in array array['part', 'part_fact', 'location', 'unit', 'section_replaced', 'unit_fact', 'stay', 'photo'] loop
    execute format('create trigger %1$s_trail after insert or update or delete on %1$s for each row execute function write_trail()', t);
  end loop;
end $$;
-- +goose StatementEnd

create view fitted_now with (security_invoker = true) as
  select s.id as slot_id, s.site_id, s.position_id, s.code as slot, s.name as slot_name, s.class, s.ordinal,
         st.id as stay_id, st.unit_id, lower(st.during) as since, st.from_precision as since_precision,
         u.tag, u.serial, u.part_id, p.number as part_number, p.description as part_description, u.lot, u.pattern
    from slot as s
    left join stay as st on st.slot_id = s.id and st.during @> now()
    left join unit as u on u.id = st.unit_id
    left join part as p on p.id = u.part_id
   where s.position_id is not null;

grant select on component_class, fact_of_class, slot_kind, slot, fitted_now to spindlebook_app;
grant select, insert, update (number, description, class, version) on part to spindlebook_app;
grant select, insert, delete on part_fact to spindlebook_app;
grant select, insert, update (name, kind, version) on location to spindlebook_app;
grant select, insert, update (serial, part_id, owner, owner_customer_id, lot, pattern, start_hours, start_vehicles, start_days, version) on unit to spindlebook_app;
grant select, insert on section_replaced to spindlebook_app;
grant select, insert, update (withdrawn_at, withdrawn_why) on photo to spindlebook_app;
grant select, insert, update (during, withdrawn_at, withdrawn_why) on unit_fact to spindlebook_app;
grant select, insert, update (during, until_precision, ended_for) on stay to spindlebook_app;
grant usage on sequence unit_tag_seq to spindlebook_app;
