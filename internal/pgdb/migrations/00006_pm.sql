-- +goose Up
-- What work there is, when it falls due at each thing, and what was done.

insert into capability (code, meaning) values
  ('do_rounds', 'record the rounds and checks that a site''s own staff do');
insert into role_capability (role, capability)
select unnest(array['manager', 'system', 'technician', 'site_staff']), 'do_rounds';

create table skill (
  code text constraint skill_pk primary key,
  name text not null
);
insert into skill (code, name) values
  ('OP', 'Site staff'), ('T1', 'Technician'), ('T2', 'Senior technician'), ('EL', 'Licensed electrician'),
  ('VT', 'Licensed hauler'), ('CI', 'Authorised inspector'), ('WH', 'Warehouse');

-- A piece of work as it is done, or a block of steps that several share. What is
-- in it stands in versions; a published one never changes.
create table procedure (
  id         uuid constraint procedure_pk primary key,
  code       text not null constraint procedure_code_uq unique
             constraint procedure_code_form check (code ~ '^[A-Z0-9][A-Z0-9-]{0,23}$'),
  title      text not null constraint procedure_title_given check (btrim(title) <> ''),
  is_block   boolean not null,
  created_at timestamptz not null,
  version    integer not null default 1
);

create table procedure_version (
  id           uuid constraint procedure_version_pk primary key,
  procedure_id uuid not null constraint procedure_version_procedure_fk references procedure,
  number       integer not null constraint procedure_version_number_real check (number > 0),
  change       text not null default '',
  people       smallint not null constraint procedure_version_people_real check (people between 1 and 20),
  skills       text[] not null,
  minutes_low     integer not null,
  minutes_typical integer not null,
  minutes_high    integer not null,
  line_state   text not null constraint procedure_version_line_state_known check (line_state in
                 ('running', 'line_down', 'closed_hours', 'position_parked', 'station_stopped', 'not_applicable')),
  energies     text[] not null constraint procedure_version_energies_known check
                 (energies <@ array['electrical', 'air', 'gravity', 'hydraulic', 'water', 'chemical']),
  isolation    text not null default '',
  caution      text not null default '',
  created_at   timestamptz not null,
  created_by   uuid not null constraint procedure_version_actor_fk references actor,
  published_at timestamptz,
  published_by uuid constraint procedure_version_publisher_fk references actor,
  version      integer not null default 1,
  constraint procedure_version_number_uq unique (procedure_id, number),
  constraint procedure_version_minutes_real check (0 < minutes_low and minutes_low <= minutes_typical and minutes_typical <= minutes_high and minutes_high <= 10080),
  constraint procedure_version_published_whole check ((published_at is null) = (published_by is null))
);
comment on column procedure_version.skills is 'All that must be among those who do it; one code may stand there for several people.';
comment on column procedure_version.isolation is 'In words, beside the energies; the site''s own energy-control procedure comes first.';

-- Ways to do the same work, of which one is chosen when it is planned. Conditions
-- name it as the fact method.
create table procedure_option (
  version_id uuid not null constraint procedure_option_version_fk references procedure_version,
  code       text not null constraint procedure_option_code_form check (code ~ '^[a-z][a-z0-9_]{0,31}$'),
  ordinal    integer not null,
  title      text not null constraint procedure_option_title_given check (btrim(title) <> ''),
  people     smallint not null constraint procedure_option_people_real check (people between 1 and 20),
  minutes_low     integer not null,
  minutes_typical integer not null,
  minutes_high    integer not null,
  constraint procedure_option_pk primary key (version_id, code),
  constraint procedure_option_minutes_real check (0 < minutes_low and minutes_low <= minutes_typical and minutes_typical <= minutes_high and minutes_high <= 10080)
);
comment on table procedure_option is 'The first by ordinal is taken where nobody chose.';

create table procedure_step (
  id         uuid constraint procedure_step_pk primary key,
  version_id uuid not null constraint procedure_step_version_fk references procedure_version,
  seq        integer not null constraint procedure_step_seq_real check (seq > 0),
  phase      text not null default '',
  kind       text not null constraint procedure_step_kind_known check (kind in
               ('do', 'measure', 'choose', 'pass_fail', 'photo', 'note', 'isolate', 'prove_dead', 'test', 'restore', 'hold', 'include')),
  says       text not null default '',
  -- nobody goes on before it is done
  hold       boolean not null default false,
  skills     text[] not null default '{}',
  condition  text not null default '',
  minutes    integer constraint procedure_step_minutes_real check (minutes between 0 and 1440),
  records    text not null default '',
  if_not     text not null default '',
  check_code text,
  includes_id uuid constraint procedure_step_includes_fk references procedure_version,
  constraint procedure_step_seq_uq unique (version_id, seq),
  constraint procedure_step_includes_whole check ((kind = 'include') = (includes_id is not null)),
  constraint procedure_step_says_something check (kind = 'include' or btrim(says) <> '')
);
create index procedure_step_includes_ix on procedure_step (includes_id) where includes_id is not null;

-- What is looked at and between which limits it may lie. A number equal to a
-- limit is within it. Of options the last is the one that is not acceptable.
create table procedure_check (
  id         uuid constraint procedure_check_pk primary key,
  version_id uuid not null constraint procedure_check_version_fk references procedure_version,
  seq        integer not null constraint procedure_check_seq_real check (seq > 0),
  code       text not null constraint procedure_check_code_form check (code ~ '^[A-Z0-9][A-Z0-9-]{0,23}$'),
  prompt     text not null constraint procedure_check_prompt_given check (btrim(prompt) <> ''),
  kind       text not null constraint procedure_check_kind_known check (kind in ('number', 'choice', 'pass_fail', 'photo', 'date', 'meter')),
  unit       text not null default '',
  warn_low   double precision,
  warn_high  double precision,
  fail_low   double precision,
  fail_high  double precision,
  options    text[] not null default '{}',
  -- whether the work counts as done without an answer
  required   boolean not null default true,
  condition  text not null default '',
  -- other checks that the same look answers
  answers    text[] not null default '{}',
  on_warn    text not null default '',
  warn_raises uuid constraint procedure_check_warn_fk references procedure,
  warn_days  integer constraint procedure_check_warn_days_real check (warn_days between 0 and 366),
  on_fail    text not null default '',
  fail_raises uuid constraint procedure_check_fail_fk references procedure,
  fail_days  integer constraint procedure_check_fail_days_real check (fail_days between 0 and 366),
  -- what a failed check makes of the next interval
  fail_interval_percent smallint constraint procedure_check_interval_real check (fail_interval_percent between 1 and 99),
  constraint procedure_check_seq_uq unique (version_id, seq),
  constraint procedure_check_code_uq unique (version_id, code),
  constraint procedure_check_limits_fit check (kind = 'number' or num_nonnulls(warn_low, warn_high, fail_low, fail_high) = 0),
  constraint procedure_check_limits_in_order check (fail_low <= warn_low and warn_high <= fail_high and warn_low <= warn_high and fail_low <= fail_high),
  constraint procedure_check_options_fit check ((kind in ('choice', 'pass_fail')) = (cardinality(options) > 1) and (kind <> 'pass_fail' or cardinality(options) = 2))
);
comment on column procedure_check.fail_days is 'Within how many days what a failure raises is due; null raises nothing.';

-- What doing this does as well, at the same thing.
create table procedure_cover (
  version_id uuid not null constraint procedure_cover_version_fk references procedure_version,
  covers_id  uuid not null constraint procedure_cover_procedure_fk references procedure,
  constraint procedure_cover_pk primary key (version_id, covers_id)
);
create index procedure_cover_covers_ix on procedure_cover (covers_id);

-- Work that falls due at things by itself.
create table plan (
  id           uuid constraint plan_pk primary key,
  code         text not null constraint plan_code_uq unique
               constraint plan_code_form check (code ~ '^[A-Z0-9][A-Z0-9-]{0,23}$'),
  title        text not null constraint plan_title_given check (btrim(title) <> ''),
  procedure_id uuid not null constraint plan_procedure_fk references procedure,
  created_at   timestamptz not null,
  ended_at     timestamptz,
  version      integer not null default 1
);
create index plan_procedure_ix on plan (procedure_id);

create table plan_version (
  id            uuid constraint plan_version_pk primary key,
  plan_id       uuid not null constraint plan_version_plan_fk references plan,
  number        integer not null constraint plan_version_number_real check (number > 0),
  change        text not null default '',
  applies_to    text not null constraint plan_version_applies_to_known check (applies_to in ('site', 'line', 'position', 'unit')),
  -- kinds of positions: of the position itself, of one that the line or site has, or of that in which the unit is
  kinds         text[] not null default '{}',
  classes       text[] not null default '{}',
  units_in      text constraint plan_version_units_in_known check (units_in in ('fitted', 'stock', 'anywhere')),
  condition     text not null default '',
  triggers      jsonb not null,
  basis         text not null constraint plan_version_basis_known check (basis in ('floating', 'fixed', 'one_off')),
  early_days    integer not null default 0,
  early_percent double precision not null default 0,
  late_days     integer not null default 0,
  late_percent  double precision not null default 0,
  criticality   text not null constraint plan_version_criticality_known check (criticality in ('S', 'A', 'B', 'C')),
  -- one-off work ends with the unit of this class that was in the position
  tied_to       text constraint plan_version_tied_to_fk references component_class,
  created_at    timestamptz not null,
  created_by    uuid not null constraint plan_version_actor_fk references actor,
  published_at  timestamptz,
  published_by  uuid constraint plan_version_publisher_fk references actor,
  version       integer not null default 1,
  constraint plan_version_number_uq unique (plan_id, number),
  constraint plan_version_published_whole check ((published_at is null) = (published_by is null)),
  constraint plan_version_units_fit check ((applies_to = 'unit') = (units_in is not null) and (applies_to = 'unit' or cardinality(classes) = 0))
);
comment on column plan_version.triggers is 'A list of {"kind", ...} as the interface writes it; checked by package due.';

-- One-off plans that are born where a procedure was done.
create table procedure_follow_up (
  version_id uuid not null constraint procedure_follow_up_version_fk references procedure_version,
  plan_id    uuid not null constraint procedure_follow_up_plan_fk references plan,
  condition  text not null default '',
  constraint procedure_follow_up_pk primary key (version_id, plan_id)
);

-- A plan bound to one thing. It appears and ends with the plan and the register;
-- how it stands is worked out and kept, so that nobody has to ask all of them.
create table assignment (
  id          uuid constraint assignment_pk primary key,
  plan_id     uuid not null constraint assignment_plan_fk references plan,
  -- where the thing is now; a unit in stock is at no site
  site_id     uuid constraint assignment_site_fk references site,
  line_id     uuid,
  position_id uuid,
  unit_id     uuid constraint assignment_unit_fk references unit,
  thing_id    uuid not null,
  since       timestamptz not null,
  since_known boolean not null default true,
  ended_at    timestamptz,
  ended_why   text constraint assignment_ended_why_known check (ended_why in ('plan', 'thing', 'done', 'replaced')),
  alive_thing uuid generated always as (case when ended_at is null then thing_id end) stored,
  tied_unit_id uuid,
  born_of     uuid,
  -- what it counts from
  grid_from   date,
  mark_at     timestamptz,
  mark_done   boolean not null default false,
  mark_settled date,
  mark_completion_id uuid,
  skipped_until date,
  parked      boolean not null default false,
  -- the answer
  state       text not null default 'unknown' constraint assignment_state_known check (state in ('not due', 'coming', 'unknown', 'in window', 'late')),
  governs     smallint not null default -1,
  due_on      date,
  earliest_on date,
  latest_on   date,
  low_on      date,
  high_on     date,
  grade       smallint not null default 0,
  missed      integer not null default 0,
  next_on     date,
  gaps        smallint not null default 0,
  opens_at    timestamptz,
  due_at      timestamptz,
  late_at     timestamptz,
  next_check_at timestamptz,
  judged_at   timestamptz,
  -- while its window is open, why it is due
  says        text not null default '',
  -- the task that is open for it
  task_id     uuid,
  -- 1 is to be judged again, 2 its counters are to be added up anew too
  changed     smallint not null default 2,
  revision    integer not null default 1,
  constraint assignment_alive_uq unique (plan_id, alive_thing),
  constraint assignment_line_fk foreign key (line_id, site_id) references line (id, site_id),
  constraint assignment_position_fk foreign key (position_id, site_id) references position (id, site_id),
  constraint assignment_ended_whole check ((ended_at is null) = (ended_why is null))
);
create index assignment_site_ix on assignment (site_id, due_on, id) where ended_at is null;
create index assignment_position_ix on assignment (position_id) where ended_at is null and position_id is not null;
create index assignment_unit_ix on assignment (unit_id) where ended_at is null and unit_id is not null;
create index assignment_changed_ix on assignment (id) where changed > 0 and ended_at is null;
create index assignment_check_ix on assignment (next_check_at) where ended_at is null;
create index assignment_opens_ix on assignment (opens_at) where task_id is null and ended_at is null;
create index assignment_tied_ix on assignment (tied_unit_id) where tied_unit_id is not null and ended_at is null;
comment on column assignment.alive_thing is 'With the plan it makes one living assignment of a plan at a thing the last word.';

-- The counter that drives an assignment's use in a unit, and what that use was up
-- to an instant: use = carried + share * (total - from_total).
create table assignment_driver (
  assignment_id uuid not null constraint assignment_driver_assignment_fk references assignment on delete cascade,
  unit        text not null constraint assignment_driver_unit_known check (unit in ('hours', 'vehicles', 'cycles')),
  meter_id    uuid,
  share       double precision not null default 1,
  carried     double precision not null default 0,
  from_at     timestamptz not null,
  from_total  bigint not null default 0,
  grade       smallint not null,
  -- while the position is parked or the unit is in stock, its use stands still
  held_at     timestamptz,
  -- the meters that counted before, where there were others or it stands still
  earlier     uuid[],
  constraint assignment_driver_pk primary key (assignment_id, unit)
);
create index assignment_driver_meter_ix on assignment_driver (meter_id) where meter_id is not null;
create index assignment_driver_earlier_ix on assignment_driver using gin (earlier) where earlier is not null;

-- Sites where the register has changed since assignments were held against it;
-- the nil site stands for units in stock. Triggers fill it, whoever writes; rows are
-- only added and taken away, so that writers never wait for each other.
create table assignment_stale (
  id      bigint generated always as identity constraint assignment_stale_pk primary key,
  site_id uuid not null
);

create table assignment_override (
  id            uuid constraint assignment_override_pk primary key,
  assignment_id uuid not null constraint assignment_override_assignment_fk references assignment,
  site_id       uuid,
  triggers      jsonb not null,
  until         date not null,
  reason        text not null constraint assignment_override_reason_given check (btrim(reason) <> ''),
  answer_id     uuid,
  made_at       timestamptz not null,
  made_by       uuid not null constraint assignment_override_actor_fk references actor,
  withdrawn_at  timestamptz,
  withdrawn_by  uuid constraint assignment_override_withdrawer_fk references actor,
  constraint assignment_override_withdrawal_whole check ((withdrawn_at is null) = (withdrawn_by is null))
);
create index assignment_override_assignment_ix on assignment_override (assignment_id, made_at);
create index assignment_override_site_ix on assignment_override (site_id);

-- Work that is to be done. One is open for an assignment at a time.
create sequence task_number_seq;
create table task (
  id           uuid constraint task_pk primary key default gen_random_uuid(),
  number       bigint not null constraint task_number_uq unique default nextval('task_number_seq'),
  site_id      uuid constraint task_site_fk references site,
  line_id      uuid,
  position_id  uuid,
  unit_id      uuid constraint task_unit_fk references unit,
  assignment_id uuid constraint task_assignment_fk references assignment,
  procedure_id uuid constraint task_procedure_fk references procedure,
  origin       text not null constraint task_origin_known check (origin in ('plan', 'check', 'fault', 'hand')),
  -- the answer of a check that gave rise to it
  answer_id    uuid,
  title        text not null constraint task_title_given check (btrim(title) <> ''),
  says         text not null default '',
  criticality  text not null constraint task_criticality_known check (criticality in ('S', 'A', 'B', 'C')),
  due_on       date not null,
  earliest_on  date not null,
  latest_on    date not null,
  missed       integer not null default 0,
  planned_on   date,
  state        text not null default 'open' constraint task_state_known check (state in ('open', 'done', 'covered', 'skipped', 'missed', 'cancelled', 'gone')),
  raised_at    timestamptz not null,
  raised_by    uuid not null constraint task_raiser_fk references actor,
  ended_at     timestamptz,
  ended_by     uuid constraint task_ender_fk references actor,
  ended_why    text not null default '',
  skipped_until date,
  open_for     uuid generated always as (case when state = 'open' then assignment_id end) stored,
  version      integer not null default 1,
  constraint task_one_open_uq unique (open_for),
  constraint task_line_fk foreign key (line_id, site_id) references line (id, site_id),
  constraint task_position_fk foreign key (position_id, site_id) references position (id, site_id),
  constraint task_window_real check (earliest_on <= due_on and due_on <= latest_on),
  constraint task_end_whole check ((state = 'open') = (ended_at is null) and (ended_at is null) = (ended_by is null)),
  constraint task_skip_whole check ((state = 'skipped') = (skipped_until is not null)),
  constraint task_reason_given check (state not in ('skipped', 'cancelled') or btrim(ended_why) <> '')
);
create index task_site_ix on task (site_id, due_on, id) where state = 'open';
create index task_line_ix on task (line_id, due_on) where line_id is not null;
create index task_open_ix on task (due_on, id) where state = 'open';
create index task_position_ix on task (position_id, raised_at) where position_id is not null;
create index task_assignment_ix on task (assignment_id, raised_at) where assignment_id is not null;
create index task_answer_ix on task (answer_id) where answer_id is not null;
comment on column task.due_on is 'The first day on which it fell due; missed counts the dates that came after it.';
comment on column task.state is 'gone: the thing or the plan it was for has ended.';

-- What the distributor's people tell each other about a task.
create table task_note (
  id         uuid constraint task_note_pk primary key,
  task_id    uuid not null constraint task_note_task_fk references task,
  site_id    uuid,
  body       text not null constraint task_note_body_given check (btrim(body) <> ''),
  written_at timestamptz not null,
  written_by uuid not null constraint task_note_actor_fk references actor
);
create index task_note_task_ix on task_note (task_id, written_at);

-- One thing that was done, or was covered by what was done. Rows are only added.
create table completion (
  id            uuid constraint completion_pk primary key,
  -- what was recorded together
  record_id     uuid not null,
  site_id       uuid constraint completion_site_fk references site,
  line_id       uuid,
  position_id   uuid,
  unit_id       uuid constraint completion_unit_fk references unit,
  assignment_id uuid constraint completion_assignment_fk references assignment,
  task_id       uuid constraint completion_task_fk references task,
  procedure_version_id uuid constraint completion_procedure_version_fk references procedure_version,
  covered_by    uuid constraint completion_covered_by_fk references completion,
  done_at       timestamptz not null,
  done_on       date not null,
  outcome       text not null constraint completion_outcome_known check (outcome in ('counted', 'extra', 'older', 'ended')),
  minutes       integer constraint completion_minutes_real check (minutes between 0 and 10080),
  remark        text not null default '',
  -- by what it was judged when it was done
  due_on        date,
  latest_on     date,
  says          text not null default '',
  recorded_at   timestamptz not null,
  recorded_by   uuid not null constraint completion_actor_fk references actor
);
create index completion_assignment_ix on completion (assignment_id, done_at desc) where assignment_id is not null;
create index completion_site_ix on completion (site_id, done_on, id);
create index completion_line_ix on completion (line_id, done_on) where line_id is not null;
create index completion_position_ix on completion (position_id, done_at) where position_id is not null;
create index completion_task_ix on completion (task_id) where task_id is not null;
create index completion_record_ix on completion (record_id);
create index completion_covered_ix on completion (covered_by) where covered_by is not null;
comment on column completion.done_on is 'The site''s operating day.';

-- Who did it, each with the skills for which they stand.
create table completion_person (
  completion_id uuid not null constraint completion_person_completion_fk references completion,
  ordinal   smallint not null,
  actor_id  uuid constraint completion_person_actor_fk references actor,
  name      text not null constraint completion_person_name_given check (btrim(name) <> ''),
  skills    text[] not null,
  constraint completion_person_pk primary key (completion_id, ordinal)
);

-- Of what was done at a line or a site, the positions at which it really was.
create table completion_position (
  completion_id uuid not null constraint completion_position_completion_fk references completion,
  position_id   uuid not null,
  site_id       uuid not null,
  constraint completion_position_pk primary key (completion_id, position_id),
  constraint completion_position_position_fk foreign key (position_id, site_id) references position (id, site_id)
);

create table check_answer (
  id            uuid constraint check_answer_pk primary key,
  completion_id uuid not null constraint check_answer_completion_fk references completion,
  check_id      uuid not null constraint check_answer_check_fk references procedure_check,
  code          text not null,
  site_id       uuid,
  position_id   uuid,
  thing_id      uuid not null,
  at            timestamptz not null,
  -- numbers in the check's unit, beside what was typed
  found         double precision,
  found_typed   text not null default '',
  left_at       double precision,
  left_typed    text not null default '',
  not_possible  text constraint check_answer_reason_given check (btrim(not_possible) <> ''),
  photo_id      uuid constraint check_answer_photo_fk references photo,
  note          text not null default '',
  verdict       text not null constraint check_answer_verdict_known check (verdict in ('good', 'warn', 'fail', 'not judged')),
  says          text not null default '',
  task_id       uuid constraint check_answer_task_fk references task,
  constraint check_answer_said check ((not_possible is not null) <> (found_typed <> '' or photo_id is not null))
);
create index check_answer_completion_ix on check_answer (completion_id);
create index check_answer_thing_ix on check_answer (thing_id, code, at);
create index check_answer_site_ix on check_answer (site_id);
-- what was raised at a thing: few answers raise work
create index check_answer_raised_ix on check_answer (thing_id) where task_id is not null;
create index check_answer_raised_at_ix on check_answer (position_id) where task_id is not null;
comment on column check_answer.task_id is 'What it raised, or what was open for the same check already.';

-- As in migration 1, and for rows that have no id of their own what they belong to.
-- +goose StatementBegin
create or replace function write_trail() returns trigger
language plpgsql security definer set search_path = public, pg_temp
as $$
declare
  was jsonb := case when tg_op <> 'INSERT' then to_jsonb(old) - array['password_hash', 'secret_hash', 'content'] end;
  is_ jsonb := case when tg_op <> 'DELETE' then to_jsonb(new) - array['password_hash', 'secret_hash', 'content'] end;
  it  jsonb := coalesce(is_, was);
begin
  if was = is_ then
    return null;
  end if;
  insert into trail (actor_id, request_id, entity, entity_id, site_id, act, before, after)
  values (current_actor(), nullif(current_setting('spindlebook.request', true), ''), tg_table_name,
          coalesce(it ->> 'id', it ->> 'actor_id', it ->> 'version_id', it ->> 'position_id', it ->> 'left_id', it ->> 'part_id')::uuid,
          case when tg_table_name = 'site' then it ->> 'id' else it ->> 'site_id' end::uuid,
          lower(tg_op), was, is_);
  return null;
end $$;

-- A published version never changes, whoever tries.
create function keep_published() returns trigger
language plpgsql security definer set search_path = public, pg_temp
as $$
declare
  it jsonb := to_jsonb(case when tg_op = 'DELETE' then old else new end);
begin
  if tg_table_name in ('procedure_version', 'plan_version') then
    if old.published_at is not null then
      raise check_violation using message = 'a published version never changes';
    end if;
  elsif exists (select from procedure_version as v where v.id = (it ->> 'version_id')::uuid and v.published_at is not null) then
    raise check_violation using message = 'a published version never changes';
  end if;
  return case when tg_op = 'DELETE' then old else new end;
end $$;

-- marks the sites whose assignments are to be held against the register again
create function mark_assignments() returns trigger
language plpgsql security definer set search_path = public, pg_temp
as $$
declare
  stock constant uuid := '00000000-0000-0000-0000-000000000000';
begin
  case tg_table_name
  when 'site' then
    insert into assignment_stale (site_id) select distinct c.id from changed as c;
  when 'unit' then
    insert into assignment_stale (site_id) select distinct coalesce(s.site_id, stock) from changed as c join stay as s on s.unit_id = c.id and upper_inf(s.during);
  when 'unit_fact' then
    insert into assignment_stale (site_id) select distinct coalesce(s.site_id, stock) from changed as c join stay as s on s.unit_id = c.unit_id and upper_inf(s.during);
  else
    insert into assignment_stale (site_id) select distinct coalesce(c.site_id, stock) from changed as c;
  end case;
  return null;
end $$;

do $$
declare t text;
begin
  foreach t in array array['procedure_version', 'plan_version'] loop
    execute format('create trigger %1$s_frozen before update or delete on %1$s for each row execute function keep_published()', t);
  end loop;
  foreach t in array array['procedure_option', 'procedure_step', 'procedure_check', 'procedure_cover', 'procedure_follow_up'] loop
    execute format('create trigger %1$s_frozen before insert or update or delete on %1$s for each row execute function keep_published()', t);
  end loop;
  foreach t in array array['site', 'line', 'position', 'position_state', 'position_fact', 'position_share', 'stay', 'unit', 'unit_fact', 'meter_place', 'weekly_hours', 'supply'] loop
    if t <> 'unit' then -- one that has just been made is nowhere yet
      execute format('create trigger %1$s_marks_added after insert on %1$s referencing new table as changed for each statement execute function mark_assignments()', t);
    end if;
    execute format('create trigger %1$s_marks_changed after update on %1$s referencing new table as changed for each statement execute function mark_assignments()', t);
  end loop;
  foreach t in array array['procedure', 'procedure_version', 'procedure_option', 'procedure_step', 'procedure_check', 'procedure_cover', 'procedure_follow_up',
                           'plan', 'plan_version', 'assignment', 'assignment_driver', 'assignment_stale', 'assignment_override', 'task', 'task_note',
                           'completion', 'completion_person', 'completion_position', 'check_answer'] loop
    execute format('alter table %s enable row level security', t);
  end loop;
  -- the programme is trailed as what people write; assignments and what they stand at are worked out
  foreach t in array array['procedure', 'procedure_version', 'procedure_option', 'procedure_step', 'procedure_check', 'procedure_cover', 'procedure_follow_up',
                           'plan', 'plan_version', 'assignment_override', 'task', 'task_note'] loop
    execute format('create trigger %1$s_trail after insert or update or delete on %1$s for each row execute function write_trail()', t);
  end loop;
  -- the programme is for everybody who is at work; what is not yet published, for the distributor's people
  foreach t in array array['procedure', 'plan'] loop
    execute format('create policy %1$s_seen on %1$s for select to spindlebook_app using ((select current_actor()) is not null)', t);
  end loop;
  foreach t in array array['procedure_version', 'plan_version'] loop
    execute format('create policy %1$s_seen on %1$s for select to spindlebook_app using (published_at is not null or (select actor_sees_all()))', t);
  end loop;
  foreach t in array array['procedure_option', 'procedure_step', 'procedure_check', 'procedure_cover', 'procedure_follow_up'] loop
    execute format('create policy %1$s_seen on %1$s for select to spindlebook_app using (
      (select actor_sees_all()) or exists (select from procedure_version as v where v.id = version_id))', t);
    execute format('create policy %1$s_dropped on %1$s for delete to spindlebook_app using ((select actor_may(''plan'')))', t);
  end loop;
  foreach t in array array['procedure', 'procedure_version', 'procedure_option', 'procedure_step', 'procedure_check', 'procedure_cover', 'procedure_follow_up', 'plan', 'plan_version'] loop
    execute format('create policy %1$s_added on %1$s for insert to spindlebook_app with check ((select actor_may(''plan'')))', t);
  end loop;
  foreach t in array array['procedure', 'procedure_version', 'plan', 'plan_version'] loop
    execute format('create policy %1$s_edited on %1$s for update to spindlebook_app using ((select actor_may(''plan'')))', t);
  end loop;
end $$;
-- +goose StatementEnd

-- What falls due is told to whoever has the site now, what ended to whoever had it then; what is in stock, to the distributor's people.
create policy assignment_seen on assignment for select to spindlebook_app
  using ((select actor_sees_all()) or cast((select actor_spans()) ->> site_id::text as tstzmultirange) @> coalesce(ended_at, now()));
create policy assignment_added on assignment for insert to spindlebook_app with check ((select actor_may('plan')) or (select actor_may('record_work')));
create policy assignment_edited on assignment for update to spindlebook_app
  using ((select actor_may('record_work')) or (select actor_may('plan')) or cast((select actor_spans_to('do_rounds')) ->> site_id::text as tstzmultirange) @> now());
create policy assignment_driver_seen on assignment_driver for select to spindlebook_app
  using ((select actor_sees_all()) or exists (select from assignment as a where a.id = assignment_id));
create policy assignment_driver_kept on assignment_driver for all to spindlebook_app
  using ((select actor_may('plan'))) with check ((select actor_may('plan')));
create policy assignment_stale_kept on assignment_stale for all to spindlebook_app
  using ((select actor_may('plan'))) with check ((select actor_may('plan')));
create policy assignment_override_seen on assignment_override for select to spindlebook_app
  using ((select actor_sees_all()) or cast((select actor_spans()) ->> site_id::text as tstzmultirange) @> made_at);
create policy assignment_override_added on assignment_override for insert to spindlebook_app
  with check ((select actor_may('plan')) or (select actor_may('record_work')) or cast((select actor_spans_to('do_rounds')) ->> site_id::text as tstzmultirange) @> made_at);
create policy assignment_override_edited on assignment_override for update to spindlebook_app using ((select actor_may('plan')));

create policy task_seen on task for select to spindlebook_app
  using ((select actor_sees_all()) or cast((select actor_spans()) ->> site_id::text as tstzmultirange) @> coalesce(ended_at, now()));
create policy task_added on task for insert to spindlebook_app
  with check ((select actor_may('plan')) or (select actor_may('record_work')) or (select actor_may('report_fault'))
              or cast((select actor_spans_to('report_fault')) ->> site_id::text as tstzmultirange) @> raised_at);
create policy task_edited on task for update to spindlebook_app
  using ((select actor_may('plan')) or (select actor_may('record_work')) or cast((select actor_spans_to('do_rounds')) ->> site_id::text as tstzmultirange) @> now());
create policy task_note_seen on task_note for select to spindlebook_app using ((select actor_may('see_internal')));
create policy task_note_added on task_note for insert to spindlebook_app with check ((select actor_may('see_internal')));

create policy completion_seen on completion for select to spindlebook_app
  using ((select actor_sees_all()) or cast((select actor_spans()) ->> site_id::text as tstzmultirange) @> done_at);
create policy completion_added on completion for insert to spindlebook_app
  with check ((select actor_may('record_work')) or cast((select actor_spans_to('do_rounds')) ->> site_id::text as tstzmultirange) @> done_at);
create policy check_answer_seen on check_answer for select to spindlebook_app
  using ((select actor_sees_all()) or cast((select actor_spans()) ->> site_id::text as tstzmultirange) @> at);
create policy check_answer_added on check_answer for insert to spindlebook_app
  with check ((select actor_may('record_work')) or cast((select actor_spans_to('do_rounds')) ->> site_id::text as tstzmultirange) @> at);
-- +goose StatementBegin
do $$
declare t text;
begin
  foreach t in array array['completion_person', 'completion_position'] loop
    execute format('create policy %1$s_seen on %1$s for select to spindlebook_app using (
      (select actor_sees_all()) or exists (select from completion as c where c.id = completion_id))', t);
    execute format('create policy %1$s_added on %1$s for insert to spindlebook_app with check (
      (select actor_may(''record_work'')) or exists (select from completion as c where c.id = completion_id and c.recorded_by = (select current_actor())))', t);
  end loop;
end $$;
-- +goose StatementEnd

-- The read interface.
create view procedure_now with (security_invoker = true) as
  select p.id, p.code, p.title, p.is_block, p.version, v.id as version_id, v.number, v.people, v.skills,
         v.minutes_low, v.minutes_typical, v.minutes_high, v.line_state, v.energies, v.isolation, v.caution, v.published_at
    from procedure as p
    left join lateral (select w.* from procedure_version as w where w.procedure_id = p.id and w.published_at is not null order by w.number desc limit 1) as v on true;

create view plan_now with (security_invoker = true) as
  select p.id, p.code, p.title, p.procedure_id, p.ended_at, p.version, v.id as version_id, v.number, v.applies_to, v.kinds, v.classes, v.units_in, v.condition,
         v.triggers, v.basis, v.early_days, v.early_percent, v.late_days, v.late_percent, v.criticality, v.tied_to, v.published_at
    from plan as p
    left join lateral (select w.* from plan_version as w where w.plan_id = p.id and w.published_at is not null order by w.number desc limit 1) as v on true;

create view due_now with (security_invoker = true) as
  select a.id, a.plan_id, a.site_id, a.line_id, a.position_id, a.unit_id, a.thing_id, a.since, a.mark_at, a.mark_done, a.skipped_until, a.parked,
         a.state, a.governs, a.due_on, a.earliest_on, a.latest_on, a.low_on, a.high_on, a.grade, a.missed, a.next_on, a.gaps,
         a.opens_at, a.due_at, a.late_at, a.says, a.task_id, a.judged_at, a.revision
    from assignment as a
   where a.ended_at is null;

grant select on skill, procedure_now, plan_now, due_now to spindlebook_app;
grant select, insert, update (code, title, version) on procedure to spindlebook_app;
grant select, insert, update (change, people, skills, minutes_low, minutes_typical, minutes_high, line_state, energies, isolation, caution, published_at, published_by, version)
  on procedure_version to spindlebook_app;
grant select, insert, delete on procedure_option, procedure_step, procedure_check, procedure_cover, procedure_follow_up to spindlebook_app;
grant select, insert, update (code, title, ended_at, version) on plan to spindlebook_app;
grant select, insert, update (change, applies_to, kinds, classes, units_in, condition, triggers, basis, early_days, early_percent, late_days, late_percent, criticality, tied_to,
  published_at, published_by, version) on plan_version to spindlebook_app;
grant select, insert, update (site_id, line_id, position_id, since, since_known, ended_at, ended_why, tied_unit_id, born_of, grid_from, mark_at, mark_done, mark_settled, mark_completion_id, skipped_until,
  parked, state, governs, due_on, earliest_on, latest_on, low_on, high_on, grade, missed, next_on, gaps, opens_at, due_at, late_at, next_check_at, judged_at, says, task_id, changed, revision)
  on assignment to spindlebook_app;
grant select, insert, delete on assignment_driver to spindlebook_app;
grant select, insert, update (site_id), delete on assignment_stale to spindlebook_app;
grant select, insert, update (withdrawn_at, withdrawn_by) on assignment_override to spindlebook_app;
grant select, insert, update (procedure_id, due_on, earliest_on, latest_on, missed, planned_on, state, ended_at, ended_by, ended_why, skipped_until, version) on task to spindlebook_app;
grant usage on sequence task_number_seq to spindlebook_app;
grant select, insert on task_note, completion, completion_person, completion_position, check_answer to spindlebook_app;
