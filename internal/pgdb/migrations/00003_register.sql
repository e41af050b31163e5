-- +goose Up
-- The register: what a site arranges, its lines, its positions, what they require, and where they are isolated.

create table supply (
  id       uuid constraint supply_pk primary key,
  site_id  uuid not null constraint supply_site_fk references site,
  code     text not null constraint supply_code_form check (code ~ '^[A-Za-z0-9][A-Za-z0-9 ._-]{0,31}$'),
  volts    double precision not null constraint supply_volts_real check (volts between 1 and 1000),
  phases   smallint not null constraint supply_phases_known check (phases in (1, 3)),
  hertz    smallint not null constraint supply_hertz_known check (hertz in (50, 60)),
  -- a delta supply with one leg at a higher voltage to earth: matters to the electrician
  high_leg boolean not null default false,
  during   tstzrange not null constraint supply_during_real check (not isempty(during) and lower_inc(during) and not upper_inc(during)),
  constraint supply_site_uq unique (id, site_id),
  constraint supply_one_of_a_code exclude using gist (site_id with =, code with =, during with &&)
);

create table weekly_hours (
  id       uuid constraint weekly_hours_pk primary key,
  site_id  uuid not null constraint weekly_hours_site_fk references site,
  kind     text not null constraint weekly_hours_kind_known check (kind in ('open', 'line_may_be_down')),
  weekday  smallint not null constraint weekly_hours_weekday_iso check (weekday between 1 and 7),
  starts   time not null,
  minutes  integer not null constraint weekly_hours_within_a_day check (minutes between 1 and 1440),
  during   tstzrange not null constraint weekly_hours_during_real check (not isempty(during) and lower_inc(during) and not upper_inc(during))
);
comment on column weekly_hours.minutes is 'Length, so that a span over midnight needs no second row; 1440 is round the clock.';
create index weekly_hours_site_ix on weekly_hours (site_id, weekday);

create table line (
  id         uuid constraint line_pk primary key,
  site_id    uuid not null constraint line_site_fk references site,
  code       text not null constraint line_code_uq unique
             constraint line_code_form check (code ~ '^[A-Z0-9][A-Z0-9-]{0,23}$'),
  name       text not null default '',
  -- SI beside the value and unit as somebody typed them
  length_m   double precision constraint line_length_real check (length_m > 0 and length_m < 1000),
  length_typed text,
  speed_m_min double precision constraint line_speed_real check (speed_m_min > 0 and speed_m_min < 100),
  speed_typed text,
  vehicles_per_hour_max integer constraint line_vehicles_real check (vehicles_per_hour_max between 1 and 1000),
  during     tstzrange not null constraint line_during_real check (not isempty(during) and lower_inc(during) and not upper_inc(during)),
  created_at timestamptz not null,
  version    integer not null default 1,
  constraint line_site_uq unique (id, site_id)
);
create index line_site_ix on line (site_id, code);

create table blackout (
  id        uuid constraint blackout_pk primary key,
  site_id   uuid not null constraint blackout_site_fk references site,
  line_id   uuid,
  during    tstzrange not null constraint blackout_during_real check (not isempty(during) and lower_inc(during) and not upper_inc(during) and not upper_inf(during)),
  reason    text not null constraint blackout_reason_given check (btrim(reason) <> ''),
  withdrawn_at timestamptz,
  constraint blackout_line_fk foreign key (line_id, site_id) references line (id, site_id)
);
create index blackout_site_ix on blackout (site_id, lower(during));

create table position_kind (
  code     text constraint position_kind_pk primary key,
  name     text not null,
  duty     text not null constraint position_kind_duty_known check (duty in ('brush', 'fixed', 'shared')),
  -- how its direction of turning is known: by the rule of its side, or recorded for each one
  turns    text not null constraint position_kind_turns_known check (turns in ('with_the_side', 'against_the_side', 'recorded', 'not'))
);
comment on column position_kind.turns is
  'with_the_side: seen from above, left clockwise and right counter-clockwise; against_the_side: the other way round.';

insert into position_kind (code, name, duty, turns) values
  ('tyre_brush',      'Tyre brush',      'brush',  'recorded'),
  ('rocker',          'Rocker brush',    'brush',  'with_the_side'),
  ('side_brush_low',  'Low side brush',  'brush',  'with_the_side'),
  ('side_brush_high', 'High side brush', 'brush',  'with_the_side'),
  ('wraparound',      'Wraparound',      'brush',  'against_the_side'),
  ('top_brush',       'Top brush',       'brush',  'recorded'),
  ('entrance',        'Entrance',        'fixed',  'not'),
  ('arch',            'Arch',            'fixed',  'not'),
  ('applicator',      'Applicator',      'fixed',  'not'),
  ('wheel_spray',     'Wheel spray',     'fixed',  'not'),
  ('blower',          'Blower',          'fixed',  'not'),
  ('conveyor',        'Conveyor',        'fixed',  'not'),
  ('pump_room',       'Pump room',       'shared', 'not'),
  ('compressed_air',  'Compressed air',  'shared', 'not'),
  ('reclaim',         'Reclaim',         'shared', 'not'),
  ('power_unit',      'Hydraulic power unit', 'shared', 'not'),
  ('motor_control',   'Motor control centre', 'shared', 'not');

create table position (
  id          uuid constraint position_pk primary key,
  site_id     uuid not null constraint position_site_fk references site,
  line_id     uuid,
  code        text not null constraint position_code_uq unique
              constraint position_code_form check (code ~ '^[A-Z0-9][A-Z0-9/-]{0,31}$'),
  name        text not null constraint position_name_given check (btrim(name) <> ''),
  kind        text not null constraint position_kind_fk references position_kind,
  -- left or right in the direction of travel; driver and passenger are words on a label
  line_side   text not null constraint position_line_side_known check (line_side in ('left', 'right', 'centre')),
  along_m     double precision constraint position_along_real check (along_m between -100 and 1000),
  along_typed text,
  supply_id   uuid,
  during      tstzrange not null constraint position_during_real check (not isempty(during) and lower_inc(during) and not upper_inc(during)),
  created_at  timestamptz not null,
  version     integer not null default 1,
  constraint position_line_fk foreign key (line_id, site_id) references line (id, site_id),
  constraint position_supply_fk foreign key (supply_id, site_id) references supply (id, site_id),
  constraint position_off_line_has_no_side check (line_id is not null or line_side = 'centre'),
  constraint position_site_uq unique (id, site_id),
  constraint position_twin_uq unique (id, line_id, kind, line_side)
);
comment on table position is 'A place with a duty. It stays when everything in it is swapped; it is retired, never deleted.';
create index position_site_ix on position (site_id, code);
create index position_line_ix on position (line_id, along_m);

create table position_alias (
  position_id uuid not null,
  site_id     uuid not null,
  alias       text not null constraint position_alias_given check (btrim(alias) <> '')
              constraint position_alias_short check (char_length(alias) <= 100),
  constraint position_alias_pk primary key (position_id, alias),
  constraint position_alias_position_fk foreign key (position_id, site_id) references position (id, site_id)
);

create table position_state (
  id          uuid constraint position_state_pk primary key,
  position_id uuid not null,
  site_id     uuid not null,
  state       text not null constraint position_state_known check (state in ('in_service', 'parked', 'empty', 'retired')),
  reason      text not null default '',
  during      tstzrange not null constraint position_state_during_real check (not isempty(during) and lower_inc(during) and not upper_inc(during)),
  constraint position_state_position_fk foreign key (position_id, site_id) references position (id, site_id),
  -- Hashes, so that the tree splits well: keys made in one instant share their
  -- beginning, and its pages would overlap more the more there are. Two of them tell
  -- all keys apart; the key itself in the tree would have the planner look states
  -- up by it there, which reads all of the tree.
  constraint position_state_one_at_a_time exclude using gist (uuid_hash_extended(position_id, 0) with =, uuid_hash_extended(position_id, 1) with =, during with &&)
);
create index position_state_position_ix on position_state (position_id, lower(during));
create index position_state_stopped_ix on position_state (state) where state in ('parked', 'empty');

-- Brushes are worked on in pairs. The keys make a pair of two things that are
-- not a pair impossible: same line, same kind, one left and one right.
create table twin (
  left_id    uuid constraint twin_pk primary key,
  right_id   uuid not null constraint twin_right_uq unique,
  site_id    uuid not null,
  line_id    uuid not null,
  kind       text not null,
  left_side  text not null generated always as ('left') stored,
  right_side text not null generated always as ('right') stored,
  constraint twin_left_fk foreign key (left_id, line_id, kind, left_side) references position (id, line_id, kind, line_side),
  constraint twin_right_fk foreign key (right_id, line_id, kind, right_side) references position (id, line_id, kind, line_side),
  constraint twin_site_fk foreign key (left_id, site_id) references position (id, site_id)
);

create table fact_kind (
  code     text constraint fact_kind_pk primary key,
  name     text not null,
  takes    text not null constraint fact_kind_takes_known check (takes in ('choice', 'length', 'text')),
  choices  text[] not null default '{}',
  constraint fact_kind_choices_fit check ((takes = 'choice') = (cardinality(choices) > 0))
);
insert into fact_kind (code, name, takes, choices) values
  ('hub_fixing',             'Hub fixing',             'choice', '{clamp4,flange3}'),
  ('bore',                   'Bore',                   'length', '{}'),
  ('frame_standard',         'Frame standard',         'choice', '{NEMA,IEC}'),
  ('frame_size',             'Frame size',             'text',   '{}'),
  ('gearmotor_orientation',  'Gearmotor orientation',  'choice', '{O12,O3,O6,O9}'),
  ('media',                  'Media',                  'choice', '{foam,cloth}'),
  ('media_colour',           'Media colour',           'text',   '{}'),
  ('media_pattern',          'Media pattern',          'text',   '{}'),
  ('sensor_output',          'Sensor output',          'choice', '{PNP,NPN}'),
  ('valve_coil',             'Valve coil',             'choice', '{24VDC,120VAC}'),
  ('drive',                  'Drive',                  'choice', '{electric,hydraulic}'),
  ('turning',                'Direction of turning',   'choice', '{clockwise,counter_clockwise}'),
  ('turning_seen_from',      'Turning is seen from',   'choice', '{above,left,right,entrance,exit}');

create table position_fact (
  id          uuid constraint position_fact_pk primary key,
  position_id uuid not null,
  site_id     uuid not null,
  fact        text not null constraint position_fact_kind_fk references fact_kind,
  -- what is compared: a choice, a text, or millimetres
  value       text not null constraint position_fact_value_given check (btrim(value) <> ''),
  value_mm    double precision,
  during      tstzrange not null constraint position_fact_during_real check (not isempty(during) and lower_inc(during) and not upper_inc(during)),
  seen_at     timestamptz,
  seen_by     text not null default '',
  how         text not null constraint position_fact_how_known check (how in ('measured', 'read_off_plate', 'seen', 'told', 'drawing', 'assumed')),
  recorded_at timestamptz not null,
  recorded_by uuid not null constraint position_fact_actor_fk references actor,
  withdrawn_at timestamptz,
  withdrawn_why text,
  constraint position_fact_position_fk foreign key (position_id, site_id) references position (id, site_id),
  constraint position_fact_withdrawal_whole check ((withdrawn_at is null) = (withdrawn_why is null)),
  constraint position_fact_one_at_a_time exclude using gist (position_id with =, fact with =, during with &&) where (withdrawn_at is null)
);
create index position_fact_position_ix on position_fact (position_id, fact, lower(during));
create index position_fact_site_ix on position_fact (site_id);

create table isolation_point (
  id      uuid constraint isolation_point_pk primary key,
  site_id uuid not null constraint isolation_point_site_fk references site,
  code    text not null constraint isolation_point_code_form check (code ~ '^[A-Z0-9][A-Z0-9/-]{0,31}$'),
  energy  text not null constraint isolation_point_energy_known check (energy in ('electrical', 'air', 'gravity', 'hydraulic', 'water', 'chemical')),
  during  tstzrange not null constraint isolation_point_during_real check (not isempty(during) and lower_inc(during) and not upper_inc(during)),
  constraint isolation_point_code_uq unique (site_id, code),
  constraint isolation_point_site_uq unique (id, site_id)
);

create table isolation_version (
  id         uuid constraint isolation_version_pk primary key,
  point_id   uuid not null,
  site_id    uuid not null,
  number     integer not null constraint isolation_version_number_real check (number > 0),
  place      text not null constraint isolation_version_place_given check (btrim(place) <> ''),
  isolate    text not null constraint isolation_version_isolate_given check (btrim(isolate) <> ''),
  prove      text not null constraint isolation_version_prove_given check (btrim(prove) <> ''),
  restore    text not null constraint isolation_version_restore_given check (btrim(restore) <> ''),
  lockable   boolean not null,
  in_sight   boolean not null,
  checked_on date not null,
  checked_by text not null constraint isolation_version_checked_by_given check (btrim(checked_by) <> ''),
  during     tstzrange not null constraint isolation_version_during_real check (not isempty(during) and lower_inc(during) and not upper_inc(during)),
  recorded_at timestamptz not null,
  recorded_by uuid not null constraint isolation_version_actor_fk references actor,
  constraint isolation_version_number_uq unique (point_id, number),
  constraint isolation_version_one_at_a_time exclude using gist (point_id with =, during with &&),
  constraint isolation_version_point_fk foreign key (point_id, site_id) references isolation_point (id, site_id)
);
create index isolation_version_site_ix on isolation_version (site_id);
comment on table isolation_version is 'How a point is isolated, proved and restored, as of one check. A row is closed by the next one and never edited.';

create table position_isolation (
  position_id uuid not null,
  point_id    uuid not null,
  site_id     uuid not null,
  constraint position_isolation_pk primary key (position_id, point_id),
  constraint position_isolation_position_fk foreign key (position_id, site_id) references position (id, site_id),
  constraint position_isolation_point_fk foreign key (point_id, site_id) references isolation_point (id, site_id)
);
create index position_isolation_point_ix on position_isolation (point_id);
create index position_isolation_site_ix on position_isolation (site_id);

-- What the distributor's people tell each other. A table of its own, since row
-- security hides rows and not columns.
create table site_note (
  id         uuid constraint site_note_pk primary key,
  site_id    uuid not null constraint site_note_site_fk references site,
  body       text not null constraint site_note_body_given check (btrim(body) <> ''),
  written_at timestamptz not null,
  written_by uuid not null constraint site_note_actor_fk references actor
);
create index site_note_site_ix on site_note (site_id, written_at desc, id);

-- The read interface of the register. Views ask with the rights of whoever reads.
create view position_now with (security_invoker = true) as
  select p.id, p.site_id, p.line_id, p.code, p.name, p.kind, k.name as kind_name, k.duty, k.turns,
         p.line_side, p.along_m, p.along_typed, p.supply_id, p.version, p.created_at,
         lower(p.during) as "from", upper(p.during) as until,
         s.state, s.since as state_since, s.reason as state_reason,
         case p.line_side when 'left' then tl.right_id else tr.left_id end as twin_id,
         array(select a.alias from position_alias as a where a.position_id = p.id order by a.alias) as aliases
    from position as p
    join position_kind as k on k.code = p.kind
    -- One position at a time, back from the last that has begun in
    -- position_state_position_ix: under row-level security the planner has no
    -- statistics of spans and would read the whole table for what holds now.
    left join lateral (
      select c.state, lower(c.during) as since, c.reason
        from position_state as c
       where c.position_id = p.id and lower(c.during) <= now() and c.during @> now()
       order by lower(c.during) desc
       limit 1) as s on true
    left join twin as tl on tl.left_id = p.id
    left join twin as tr on tr.right_id = p.id;

create view ownership_now with (security_invoker = true) as
  select o.site_id, c.id as customer_id, c.code as customer_code, c.name as customer_name, lower(o.during) as since
    from ownership as o
    join customer as c on c.id = o.customer_id
   where o.during @> now();

-- +goose StatementBegin
do $$
declare t text;
begin
  -- what is dated is seen in one's own time only; what is only kept is edited by whoever keeps the register
  foreach t in array array['supply', 'weekly_hours', 'line', 'blackout', 'position', 'position_state', 'position_fact', 'isolation_point', 'isolation_version'] loop
    execute format('create policy %1$s_seen on %1$s for select to spindlebook_app using (
      (select actor_sees_all()) or cast((select actor_spans()) ->> site_id::text as tstzmultirange) && during)', t);
  end loop;
  foreach t in array array['supply', 'weekly_hours', 'line', 'position', 'isolation_point', 'isolation_version'] loop
    execute format('create policy %1$s_added on %1$s for insert to spindlebook_app with check ((select actor_may(''keep_register'')))', t);
    execute format('create policy %1$s_edited on %1$s for update to spindlebook_app using ((select actor_may(''keep_register'')))', t);
  end loop;
  foreach t in array array['position_state', 'position_fact'] loop
    execute format('create policy %1$s_added on %1$s for insert to spindlebook_app with check ((select actor_may(''record_work'')))', t);
    execute format('create policy %1$s_edited on %1$s for update to spindlebook_app using ((select actor_may(''record_work'')))', t);
  end loop;
  foreach t in array array['supply', 'weekly_hours', 'line', 'blackout', 'position', 'position_alias', 'position_state', 'twin',
                           'position_fact', 'isolation_point', 'isolation_version', 'position_isolation', 'site_note'] loop
    execute format('alter table %s enable row level security', t);
    execute format('create trigger %1$s_trail after insert or update or delete on %1$s for each row execute function write_trail()', t);
  end loop;
end $$;
-- +goose StatementEnd

-- What hangs on a position or a point is seen where that is seen. Each row looks
-- its own position up: a list of all that are seen would be made anew for a page.
create policy position_alias_seen on position_alias for select to spindlebook_app
  using ((select actor_sees_all()) or exists (select from position as p where p.id = position_id));
create policy position_alias_kept on position_alias for all to spindlebook_app
  using ((select actor_may('keep_register'))) with check ((select actor_may('keep_register')));
create policy twin_seen on twin for select to spindlebook_app
  using ((select actor_sees_all()) or exists (select from position as p where p.id = left_id));
create policy twin_kept on twin for all to spindlebook_app
  using ((select actor_may('keep_register'))) with check ((select actor_may('keep_register')));
create policy position_isolation_seen on position_isolation for select to spindlebook_app
  using ((select actor_sees_all()) or exists (select from position as p where p.id = position_id));
create policy position_isolation_kept on position_isolation for all to spindlebook_app
  using ((select actor_may('keep_register'))) with check ((select actor_may('keep_register')));
create policy site_note_seen on site_note for select to spindlebook_app
  using ((select actor_may('see_internal')));
create policy site_note_added on site_note for insert to spindlebook_app
  with check ((select actor_may('see_internal')));

-- What is dated is closed, never edited: an update may only touch the end of its span.
grant select, insert, update (code, name, length_m, length_typed, speed_m_min, speed_typed, vehicles_per_hour_max, version) on line to spindlebook_app;
grant select, insert, update (line_id, code, name, kind, line_side, along_m, along_typed, supply_id, during, version) on position to spindlebook_app;
grant select, insert, update (during) on supply, weekly_hours, position_state, isolation_point, isolation_version to spindlebook_app;
grant select, insert, update (withdrawn_at) on blackout to spindlebook_app;
grant select, insert, update (during, withdrawn_at, withdrawn_why) on position_fact to spindlebook_app;
grant select, insert, delete on position_alias, twin, position_isolation to spindlebook_app;
grant select, insert on site_note to spindlebook_app;
grant select on position_kind, fact_kind, position_now, ownership_now to spindlebook_app;
