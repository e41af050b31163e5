-- +goose Up
-- Going there: who, with which van, on which day, for which tasks; what people
-- decided about it, and what became of it.

-- By what visits are planned: one row.
create table planning_rule (
  id            uuid constraint planning_rule_pk primary key constraint planning_rule_single check (id = '00000000-0000-7000-8000-00000000000b'),
  -- of each visit, whatever is done: signing in, locking out, restoring, handing over
  site_minutes  integer not null constraint planning_rule_site_minutes_real check (site_minutes between 0 and 480),
  -- what one person can work in a day, travel and all
  day_minutes   integer not null constraint planning_rule_day_minutes_real check (day_minutes between 60 and 1440),
  -- road kilometres for one as the crow flies, and how fast they are driven
  road_factor   double precision not null constraint planning_rule_road_factor_real check (road_factor between 1 and 10),
  speed_km_h    double precision not null constraint planning_rule_speed_real check (speed_km_h between 1 and 200),
  distances     text not null constraint planning_rule_distances_known check (distances in ('km', 'miles')),
  working_days  smallint[] not null constraint planning_rule_working_days_iso check (cardinality(working_days) between 1 and 7 and working_days <@ '{1,2,3,4,5,6,7}'),
  closed        date[] not null default '{}' constraint planning_rule_closed_bounded check (cardinality(closed) <= 400),
  -- where the vans start
  latitude      double precision constraint planning_rule_latitude_on_earth check (latitude between -90 and 90),
  longitude     double precision constraint planning_rule_longitude_on_earth check (longitude between -180 and 180),
  -- the second of a pair takes so much of the time of the first
  twin_percent  integer not null constraint planning_rule_twin_real check (twin_percent between 1 and 100),
  -- the chance of no second trip for parts that is aimed at
  target_percent integer not null constraint planning_rule_target_real check (target_percent between 1 and 99),
  version       integer not null default 1,
  constraint planning_rule_place_whole check ((latitude is null) = (longitude is null))
);
-- Common practice, no source; a distributor sets its own.
insert into planning_rule (id, site_minutes, day_minutes, road_factor, speed_km_h, distances, working_days, twin_percent, target_percent)
values ('00000000-0000-7000-8000-00000000000b', 45, 480, 1.3, 55, 'miles', '{1,2,3,4,5}', 70, 95);

-- What a trip costs us stands apart: row security hides rows, not columns.
create table planning_cost (
  id           uuid constraint planning_cost_pk primary key constraint planning_cost_single check (id = '00000000-0000-7000-8000-00000000000b'),
  -- of one person's hour, and of a trip as such
  hour_minor   bigint not null constraint planning_cost_hour_real check (hour_minor between 0 and 100000000),
  trip_minor   bigint not null constraint planning_cost_trip_real check (trip_minor between 0 and 100000000),
  currency     text not null constraint planning_cost_currency_form check (currency ~ '^[A-Z]{3}$'),
  version      integer not null default 1
);
insert into planning_cost (id, hour_minor, trip_minor, currency) values ('00000000-0000-7000-8000-00000000000b', 12800, 9500, 'USD');

-- One trip to one site, on a local date, within hours.
create sequence visit_number_seq;
create table visit (
  id          uuid constraint visit_pk primary key,
  number      bigint not null constraint visit_number_uq unique default nextval('visit_number_seq'),
  site_id     uuid not null constraint visit_site_fk references site,
  state       text not null constraint visit_state_known check (state in ('proposed', 'planned', 'under_way', 'closed', 'abandoned')),
  origin      text not null constraint visit_origin_known check (origin in ('hand', 'grouping', 'after')),
  -- the site's operating day in which it starts
  on_date     date not null,
  starts_at   timestamptz not null,
  ends_at     timestamptz not null,
  -- a person has decided the day: no proposal moves it
  locked      boolean not null default false,
  van_id      uuid constraint visit_van_fk references location,
  made_at     timestamptz not null,
  made_by     uuid not null constraint visit_maker_fk references actor,
  began_at    timestamptz,
  ended_at    timestamptz,
  ended_by    uuid constraint visit_ender_fk references actor,
  reason      text constraint visit_reason_known check (reason in
                ('no_access', 'weather', 'part_missing', 'part_wrong', 'people', 'unsafe', 'line_needed', 'called_away', 'van', 'other')),
  ended_why   text not null default '',
  -- where what was left is taken up
  next_id     uuid constraint visit_next_fk references visit,
  -- the chance of no second trip for parts that was said when they left, in ten thousandths
  said_chance integer constraint visit_said_chance_real check (said_chance between 0 and 10000),
  version     integer not null default 1,
  constraint visit_site_uq unique (id, site_id),
  constraint visit_hours_real check (starts_at < ends_at and ends_at <= starts_at + interval '24 hours'),
  constraint visit_end_whole check ((state in ('closed', 'abandoned')) = (ended_at is not null) and (ended_at is null) = (ended_by is null)),
  constraint visit_abandoned_why check ((state = 'abandoned') = (reason is not null) and (state <> 'abandoned' or btrim(ended_why) <> '')),
  constraint visit_next_is_another check (next_id <> id),
  constraint visit_one_van exclude using gist (van_id with =, tstzrange(starts_at, ends_at) with &&) where (state in ('planned', 'under_way') and van_id is not null)
);
create index visit_site_ix on visit (site_id, on_date, starts_at, id);
create index visit_day_ix on visit (on_date, starts_at, id) where state in ('proposed', 'planned', 'under_way');
create index visit_next_ix on visit (next_id) where next_id is not null;

-- What accepting a proposal saves, as it was said then. It tells of our costs and
-- so stands apart.
create table visit_saving (
  id        uuid constraint visit_saving_pk primary key,
  visit_id  uuid not null,
  site_id   uuid not null,
  says      text not null constraint visit_saving_says_something check (btrim(says) <> ''),
  said_at   timestamptz not null,
  constraint visit_saving_visit_fk foreign key (visit_id, site_id) references visit (id, site_id)
);
create index visit_saving_visit_ix on visit_saving (visit_id);

-- Who goes, and when: somebody may be there for a part of it only.
create table visit_person (
  id        uuid constraint visit_person_pk primary key,
  visit_id  uuid not null,
  site_id   uuid not null,
  person_id uuid not null constraint visit_person_person_fk references actor,
  during    tstzrange not null constraint visit_person_during_real check (not isempty(during) and not lower_inf(during) and not upper_inf(during)),
  -- of a visit that is planned or under way: nobody is in two places
  booked    boolean not null,
  constraint visit_person_uq unique (visit_id, person_id),
  constraint visit_person_visit_fk foreign key (visit_id, site_id) references visit (id, site_id),
  constraint visit_person_one_place exclude using gist (person_id with =, during with &&) where (booked)
);
create index visit_person_person_ix on visit_person (person_id, lower(during));

create table visit_task (
  id        uuid constraint visit_task_pk primary key,
  visit_id  uuid not null,
  site_id   uuid not null,
  task_id   uuid not null constraint visit_task_task_fk references task,
  ordinal   integer not null,
  -- the way of doing it that was chosen; empty is the first that its procedure has
  method    text not null default '',
  added_at  timestamptz not null,
  added_by  uuid not null constraint visit_task_adder_fk references actor,
  ended_at  timestamptz,
  ended_how text constraint visit_task_ended_how_known check (ended_how in ('done', 'left', 'moved', 'dropped')),
  open_for  uuid generated always as (case when ended_at is null then task_id end) stored,
  constraint visit_task_one_visit_uq unique (open_for),
  constraint visit_task_visit_fk foreign key (visit_id, site_id) references visit (id, site_id),
  constraint visit_task_end_whole check ((ended_at is null) = (ended_how is null))
);
create index visit_task_visit_ix on visit_task (visit_id, ordinal);
comment on column visit_task.ended_how is 'left: not done when the visit ended; moved to another visit; dropped from it.';

-- What was recorded on a visit knows it.
alter table isolation_entry add constraint isolation_entry_visit_fk foreign key (visit_id, site_id) references visit (id, site_id);
alter table isolation_lock add constraint isolation_lock_visit_fk foreign key (visit_id, site_id) references visit (id, site_id);
alter table job_record add constraint job_record_visit_fk foreign key (visit_id, site_id) references visit (id, site_id);
alter table record_entry add constraint record_entry_visit_fk foreign key (visit_id, site_id) references visit (id, site_id);
alter table stock_claim add constraint stock_claim_visit_fk foreign key (visit_id) references visit;
create index stock_claim_visit_ix on stock_claim (visit_id) where visit_id is not null;
create index isolation_entry_visit_ix on isolation_entry (visit_id) where visit_id is not null;
create index isolation_lock_visit_ix on isolation_lock (visit_id) where visit_id is not null;
create index record_entry_visit_ix on record_entry (visit_id) where visit_id is not null;

-- What a person's phone says of a trip. What its clock said, how far that was off, and
-- when it arrived stay side by side; whatever arrives is kept.
create table visit_entry (
  id          uuid constraint visit_entry_pk primary key,
  visit_id    uuid not null,
  site_id     uuid not null,
  person_id   uuid not null constraint visit_entry_person_fk references actor,
  act         text not null constraint visit_entry_act_known check (act in ('left', 'arrived', 'started', 'finished')),
  note        text not null default '',
  done_at     timestamptz not null,
  offset_ms   bigint,
  at          timestamptz not null,
  received_at timestamptz not null,
  recorded_by uuid not null constraint visit_entry_actor_fk references actor,
  constraint visit_entry_visit_fk foreign key (visit_id, site_id) references visit (id, site_id),
  constraint visit_entry_not_ahead check (at <= received_at)
);
create index visit_entry_visit_ix on visit_entry (visit_id, at, id);
comment on column visit_entry.id is 'Chosen by whoever sends it: the same entry again is no new one.';
comment on column visit_entry.offset_ms is 'How much later it was than the phone''s clock said, where that is known.';

-- What is left behind when people go: the owner of the site is told, too.
create table visit_left (
  id          uuid constraint visit_left_pk primary key,
  visit_id    uuid not null,
  site_id     uuid not null,
  kind        text not null constraint visit_left_kind_known check (kind in ('out_of_service', 'lock_on', 'in_parts', 'parts_there', 'other')),
  position_id uuid,
  says        text not null constraint visit_left_says_something check (btrim(says) <> ''),
  constraint visit_left_visit_fk foreign key (visit_id, site_id) references visit (id, site_id),
  constraint visit_left_position_fk foreign key (position_id, site_id) references position (id, site_id)
);
create index visit_left_visit_ix on visit_left (visit_id);
comment on column visit_left.kind is 'in_parts: the assembly is taken apart; parts_there: parts that belong to us lie at the site.';

-- For want of which parts people had to come again.
create table visit_want (
  id       uuid constraint visit_want_pk primary key,
  visit_id uuid not null,
  site_id  uuid not null,
  task_id  uuid constraint visit_want_task_fk references task,
  part_id  uuid not null constraint visit_want_part_fk references part,
  amount   numeric(12,3) not null constraint visit_want_amount_real check (amount > 0),
  says     text not null default '',
  constraint visit_want_visit_fk foreign key (visit_id, site_id) references visit (id, site_id)
);
create index visit_want_visit_ix on visit_want (visit_id);
create index visit_want_part_ix on visit_want (part_id);

-- What a person decided against or after what the program said, and why.
create table visit_decision (
  id         uuid constraint visit_decision_pk primary key,
  visit_id   uuid not null,
  site_id    uuid not null,
  task_id    uuid constraint visit_decision_task_fk references task,
  decision   text not null constraint visit_decision_known check (decision in ('go', 'go_without', 'wait', 'move')),
  -- what was said when it was decided
  verdict    text not null,
  said       text not null default '',
  reason     text not null constraint visit_decision_reason_given check (btrim(reason) <> ''),
  decided_at timestamptz not null,
  decided_by uuid not null constraint visit_decision_actor_fk references actor,
  constraint visit_decision_visit_fk foreign key (visit_id, site_id) references visit (id, site_id)
);
create index visit_decision_visit_ix on visit_decision (visit_id, decided_at);
comment on column visit_decision.task_id is 'Null decides about the whole visit.';

-- What people do not want to be proposed again for a while.
create table planning_choice (
  id            uuid constraint planning_choice_pk primary key,
  site_id       uuid not null constraint planning_choice_site_fk references site,
  assignment_id uuid constraint planning_choice_assignment_fk references assignment,
  task_id       uuid constraint planning_choice_task_fk references task,
  until         date not null,
  reason        text not null constraint planning_choice_reason_given check (btrim(reason) <> ''),
  chosen_at     timestamptz not null,
  chosen_by     uuid not null constraint planning_choice_actor_fk references actor,
  withdrawn_at  timestamptz,
  withdrawn_by  uuid constraint planning_choice_withdrawer_fk references actor,
  constraint planning_choice_of_one check (num_nonnulls(assignment_id, task_id) = 1),
  constraint planning_choice_withdrawal_whole check ((withdrawn_at is null) = (withdrawn_by is null))
);
create index planning_choice_site_ix on planning_choice (site_id, until) where withdrawn_at is null;
create index planning_choice_assignment_ix on planning_choice (assignment_id) where assignment_id is not null;
create index planning_choice_task_ix on planning_choice (task_id) where task_id is not null;

-- What was ticked off when a van was loaded. Rows are only added; the last of an item holds.
create table van_tick (
  id          uuid constraint van_tick_pk primary key,
  van_id      uuid not null constraint van_tick_van_fk references location,
  on_date     date not null,
  item        text not null constraint van_tick_item_given check (btrim(item) <> ''),
  ticked      boolean not null,
  note        text not null default '',
  at          timestamptz not null,
  recorded_at timestamptz not null,
  recorded_by uuid not null constraint van_tick_actor_fk references actor
);
create index van_tick_van_ix on van_tick (van_id, on_date);
comment on column van_tick.item is 'The key of a line of the van check: a part, or a tool in words.';

-- +goose StatementBegin
do $$
declare t text;
begin
  foreach t in array array['planning_rule', 'planning_cost', 'visit', 'visit_person', 'visit_task', 'visit_entry', 'visit_left', 'visit_want', 'visit_decision', 'visit_saving', 'planning_choice', 'van_tick'] loop
    execute format('alter table %s enable row level security', t);
  end loop;
  foreach t in array array['planning_rule', 'planning_cost', 'visit', 'visit_person', 'visit_task', 'visit_left', 'visit_want', 'visit_decision', 'visit_saving', 'planning_choice'] loop
    execute format('create trigger %1$s_trail after insert or update or delete on %1$s for each row execute function write_trail()', t);
  end loop;
  -- what is seen by those who have the site
  foreach t in array array['visit_person', 'visit_task', 'visit_left'] loop
    execute format('create policy %1$s_seen on %1$s for select to spindlebook_app using (
      (select actor_sees_all()) or exists (select from visit as v where v.id = visit_id))', t);
  end loop;
  foreach t in array array['planning_rule', 'visit_entry', 'visit_want', 'visit_decision', 'planning_choice', 'van_tick'] loop
    execute format('create policy %1$s_seen on %1$s for select to spindlebook_app using ((select actor_sees_all()))', t);
  end loop;
  foreach t in array array['visit', 'visit_person', 'visit_task', 'visit_decision', 'planning_choice'] loop
    execute format('create policy %1$s_added on %1$s for insert to spindlebook_app with check ((select actor_may(''plan'')) or (select actor_may(''record_work'')))', t);
  end loop;
  foreach t in array array['visit_entry', 'visit_left', 'visit_want', 'van_tick'] loop
    execute format('create policy %1$s_added on %1$s for insert to spindlebook_app with check ((select actor_may(''record_work'')))', t);
  end loop;
  foreach t in array array['visit', 'visit_person', 'visit_task'] loop
    execute format('create policy %1$s_edited on %1$s for update to spindlebook_app using ((select actor_may(''plan'')) or (select actor_may(''record_work'')))', t);
  end loop;
end $$;
-- +goose StatementEnd
-- a proposal is ours until somebody has planned it
create policy visit_seen on visit for select to spindlebook_app
  using ((select actor_sees_all())
         or (state <> 'proposed' and cast((select actor_spans()) ->> site_id::text as tstzmultirange) @> starts_at));
create policy visit_person_dropped on visit_person for delete to spindlebook_app using ((select actor_may('plan')));
create policy planning_rule_edited on planning_rule for update to spindlebook_app using ((select actor_may('plan')));
create policy visit_saving_seen on visit_saving for select to spindlebook_app using ((select actor_may('see_cost')));
create policy visit_saving_added on visit_saving for insert to spindlebook_app with check ((select actor_may('see_cost')) and (select actor_may('plan')));
create policy planning_cost_seen on planning_cost for select to spindlebook_app using ((select actor_may('see_cost')));
create policy planning_cost_edited on planning_cost for update to spindlebook_app using ((select actor_may('see_cost')) and (select actor_may('plan')));
create policy planning_choice_edited on planning_choice for update to spindlebook_app using ((select actor_may('plan')));

-- The read interface: which visit a task is on, and which visits are to come.
create view visit_now with (security_invoker = true) as
  select v.id, v.number, v.site_id, v.state, v.on_date, v.starts_at, v.ends_at, v.van_id, v.locked, v.version
    from visit as v
   where v.state in ('proposed', 'planned', 'under_way');
create view visit_task_now with (security_invoker = true) as
  select t.id, t.visit_id, t.site_id, t.task_id, t.ordinal, t.method, v.number, v.state, v.on_date, v.starts_at
    from visit_task as t
    join visit as v on v.id = t.visit_id
   where t.ended_at is null;

grant select on visit_now, visit_task_now to spindlebook_app;
grant select, update (site_minutes, day_minutes, road_factor, speed_km_h, distances, working_days, closed, latitude, longitude, twin_percent, target_percent, version) on planning_rule to spindlebook_app;
grant select, update (hour_minor, trip_minor, currency, version) on planning_cost to spindlebook_app;
grant select, insert, update (state, on_date, starts_at, ends_at, locked, van_id, began_at, ended_at, ended_by, reason, ended_why, next_id, said_chance, version) on visit to spindlebook_app;
grant select, insert, update (during, booked), delete on visit_person to spindlebook_app;
grant select, insert, update (ordinal, method, ended_at, ended_how) on visit_task to spindlebook_app;
grant select, insert on visit_entry, visit_left, visit_want, visit_decision, visit_saving, van_tick to spindlebook_app;
grant select, insert, update (withdrawn_at, withdrawn_by) on planning_choice to spindlebook_app;
grant usage on sequence visit_number_seq to spindlebook_app;
