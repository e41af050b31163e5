-- +goose Up
-- What people declare when they isolate, work and restore: entries that are only
-- added, whatever order they arrive in, and what is worked out from them.

insert into skill (code, name) values ('AU', 'Authorised to isolate');

-- What shows that somebody has a skill, and until when.
create table skill_evidence (
  id          uuid constraint skill_evidence_pk primary key,
  actor_id    uuid not null constraint skill_evidence_actor_fk references actor,
  skill       text not null constraint skill_evidence_skill_fk references skill,
  evidence    text not null constraint skill_evidence_given check (btrim(evidence) <> ''),
  issued_on   date not null,
  expires_on  date,
  recorded_at timestamptz not null,
  recorded_by uuid not null constraint skill_evidence_recorder_fk references actor,
  withdrawn_at  timestamptz,
  withdrawn_why text,
  constraint skill_evidence_in_order check (expires_on >= issued_on),
  constraint skill_evidence_withdrawal_whole check ((withdrawn_at is null) = (withdrawn_why is null) and btrim(withdrawn_why) <> '')
);
create index skill_evidence_actor_ix on skill_evidence (actor_id, skill);
comment on column skill_evidence.expires_on is 'The last day on which it holds; null is for good.';

-- One thing that one person declares about one isolation point. What the phone's
-- clock said, how far that clock was off, and when it arrived stay side by side.
create table isolation_entry (
  id            uuid constraint isolation_entry_pk primary key,
  site_id       uuid not null,
  point_id      uuid not null,
  -- the version of the point that the person saw
  point_version integer not null,
  visit_id      uuid,
  record_id     uuid,
  act           text not null constraint isolation_entry_act_known check (act in
                  ('prepared', 'told', 'shut_down', 'isolated', 'locked', 'relieved', 'proved',
                   'clear', 'off_for_test', 'back_on', 'left_on', 'inspected', 'unlocked', 'told_after', 'restored')),
  lock_id       uuid,
  -- who declares it; somebody without an account has a name only
  person_id     uuid constraint isolation_entry_person_fk references actor,
  person        text not null constraint isolation_entry_person_given check (btrim(person) <> ''),
  how           text not null default '',
  instrument    text not null default '',
  said          jsonb not null default '{}',
  note          text not null default '',
  done_at       timestamptz not null,
  offset_ms     bigint,
  at            timestamptz not null,
  received_at   timestamptz not null,
  recorded_by   uuid not null constraint isolation_entry_actor_fk references actor,
  constraint isolation_entry_point_fk foreign key (point_id, site_id) references isolation_point (id, site_id),
  constraint isolation_entry_lock_named check ((act in ('locked', 'off_for_test', 'back_on', 'left_on', 'unlocked')) = (lock_id is not null)),
  constraint isolation_entry_proof_whole check (act <> 'proved' or (btrim(how) <> '' and btrim(instrument) <> '')),
  constraint isolation_entry_not_ahead check (at <= received_at)
);
create index isolation_entry_point_ix on isolation_entry (point_id, at, id);
create index isolation_entry_lock_ix on isolation_entry (lock_id) where lock_id is not null;
create index isolation_entry_record_ix on isolation_entry (record_id) where record_id is not null;
create index isolation_entry_site_ix on isolation_entry (site_id, at);
comment on column isolation_entry.id is 'Chosen by whoever sends it: the same entry again is no new one.';
comment on column isolation_entry.offset_ms is 'How much later it was than the phone''s clock said, where that is known.';

-- How each lock stands, worked out from its entries.
create table isolation_lock (
  id         uuid constraint isolation_lock_pk primary key,
  site_id    uuid not null,
  point_id   uuid not null,
  visit_id   uuid,
  record_id  uuid,
  person_id  uuid,
  person     text not null,
  recorded_by uuid not null,
  locked_at  timestamptz,
  -- while it is off for a test
  off_at     timestamptz,
  removed_at timestamptz,
  left_until timestamptz,
  handed_to  text not null default '',
  constraint isolation_lock_point_fk foreign key (point_id, site_id) references isolation_point (id, site_id)
);
create index isolation_lock_open_ix on isolation_lock (locked_at, id) where removed_at is null and locked_at is not null;
create index isolation_lock_point_ix on isolation_lock (point_id) where removed_at is null;
create index isolation_lock_site_ix on isolation_lock (site_id);

-- Work on one thing as it is recorded: what applied when it was opened, kept as it was.
create sequence job_record_number_seq;
create table job_record (
  id           uuid constraint job_record_pk primary key,
  number       bigint not null constraint job_record_number_uq unique default nextval('job_record_number_seq'),
  site_id      uuid not null constraint job_record_site_fk references site,
  line_id      uuid,
  position_id  uuid,
  task_id      uuid not null constraint job_record_task_fk references task,
  visit_id     uuid,
  procedure_version_id uuid not null constraint job_record_procedure_fk references procedure_version,
  method       text not null default '',
  title        text not null,
  people       smallint not null,
  skills       text[] not null,
  energies     text[] not null,
  facts        jsonb not null,
  turning      jsonb not null,
  connection   jsonb not null,
  points       jsonb not null,
  state        text not null default 'open' constraint job_record_state_known check (state in ('open', 'signed', 'abandoned')),
  opened_at    timestamptz not null,
  opened_by    uuid not null constraint job_record_opener_fk references actor,
  ended_at     timestamptz,
  ended_by     uuid constraint job_record_ender_fk references actor,
  ended_why    text not null default '',
  completion_id uuid,
  -- entries that contradict something and that no manager has looked at
  unseen       integer not null default 0,
  version      integer not null default 1,
  open_for     uuid generated always as (case when state = 'open' then task_id end) stored,
  constraint job_record_one_open_uq unique (open_for),
  constraint job_record_site_uq unique (id, site_id),
  constraint job_record_line_fk foreign key (line_id, site_id) references line (id, site_id),
  constraint job_record_position_fk foreign key (position_id, site_id) references position (id, site_id),
  constraint job_record_end_whole check ((state = 'open') = (ended_at is null) and (ended_at is null) = (ended_by is null)),
  constraint job_record_reason_given check (state <> 'abandoned' or btrim(ended_why) <> '')
);
create index job_record_site_ix on job_record (site_id, opened_at desc, id);
create index job_record_position_ix on job_record (position_id, opened_at desc) where position_id is not null;
create index job_record_open_ix on job_record (opened_at, id) where state = 'open';
create index job_record_visit_ix on job_record (visit_id) where visit_id is not null;
comment on column job_record.points is 'Where the energies are isolated, with the versions that held when it was opened.';

-- The procedures that a record is of: the one it was opened for, and those added on site.
create table record_procedure (
  record_id  uuid not null,
  site_id    uuid not null,
  ordinal    smallint not null,
  procedure_version_id uuid not null constraint record_procedure_version_fk references procedure_version,
  code       text not null,
  number     integer not null,
  title      text not null,
  task_id    uuid not null constraint record_procedure_task_fk references task,
  why        text not null default '',
  added_at   timestamptz not null,
  added_by   uuid not null constraint record_procedure_actor_fk references actor,
  constraint record_procedure_pk primary key (record_id, ordinal),
  constraint record_procedure_record_fk foreign key (record_id, site_id) references job_record (id, site_id)
);

create table record_step (
  id         uuid constraint record_step_pk primary key,
  record_id  uuid not null,
  site_id    uuid not null,
  ordinal    double precision not null,
  procedure_ordinal smallint not null,
  label      text not null,
  phase      text not null,
  kind       text not null,
  says       text not null,
  hold       boolean not null,
  skills     text[] not null,
  needs      text[] not null,
  -- what is not known about whether it applies; empty where it does
  unsure     text[] not null,
  records    text[] not null,
  if_not     text not null,
  check_code text not null,
  constraint record_step_ordinal_uq unique (record_id, ordinal),
  constraint record_step_record_uq unique (id, record_id),
  constraint record_step_record_fk foreign key (record_id, site_id) references job_record (id, site_id)
);
comment on column record_step.needs is 'The energies that must be isolated and proved while it is done.';

create table record_entry (
  id          uuid constraint record_entry_pk primary key,
  record_id   uuid not null,
  site_id     uuid not null,
  step_id     uuid,
  visit_id    uuid,
  act         text not null constraint record_entry_act_known check (act in ('step', 'check', 'reading', 'swap', 'part', 'exchange', 'note', 'arrived', 'left')),
  outcome     text not null default '' constraint record_entry_outcome_known check (outcome in ('', 'done', 'not_ok', 'not_possible')),
  said        jsonb not null default '{}',
  note        text not null default '',
  person_id   uuid constraint record_entry_person_fk references actor,
  person      text not null constraint record_entry_person_given check (btrim(person) <> ''),
  -- those who did it together with that person
  others      jsonb not null default '[]',
  photo_ids   uuid[] not null default '{}',
  version_seen integer not null,
  -- the version of the record that this entry made
  made        integer not null,
  done_at     timestamptz not null,
  offset_ms   bigint,
  at          timestamptz not null,
  received_at timestamptz not null,
  recorded_by uuid not null constraint record_entry_actor_fk references actor,
  constraint record_entry_record_fk foreign key (record_id, site_id) references job_record (id, site_id),
  constraint record_entry_step_fk foreign key (step_id, record_id) references record_step (id, record_id),
  constraint record_entry_step_answered check ((act = 'step') = (outcome <> '') and (act <> 'step' or step_id is not null)),
  constraint record_entry_reason_given check (outcome not in ('not_ok', 'not_possible') or btrim(note) <> ''),
  constraint record_entry_not_ahead check (at <= received_at)
);
create index record_entry_record_ix on record_entry (record_id, at, id);
create index record_entry_step_ix on record_entry (step_id) where step_id is not null;
create index record_entry_site_ix on record_entry (site_id);

-- That a manager has looked at an entry which contradicts something.
create table entry_look (
  entry_id  uuid not null,
  mark      text not null,
  site_id   uuid not null constraint entry_look_site_fk references site,
  record_id uuid,
  remark    text not null constraint entry_look_remark_given check (btrim(remark) <> ''),
  looked_at timestamptz not null,
  looked_by uuid not null constraint entry_look_actor_fk references actor,
  constraint entry_look_pk primary key (entry_id, mark)
);
create index entry_look_record_ix on entry_look (record_id) where record_id is not null;
create index entry_look_site_ix on entry_look (site_id);

-- +goose StatementBegin
do $$
declare t text;
begin
  foreach t in array array['skill_evidence', 'isolation_entry', 'isolation_lock', 'job_record', 'record_procedure', 'record_step', 'record_entry', 'entry_look'] loop
    execute format('alter table %s enable row level security', t);
  end loop;
  foreach t in array array['skill_evidence', 'job_record', 'entry_look'] loop
    execute format('create trigger %1$s_trail after insert or update or delete on %1$s for each row execute function write_trail()', t);
  end loop;
  -- who has locked what is for everybody at the site, in their time
  execute 'create policy isolation_entry_seen on isolation_entry for select to spindlebook_app
    using ((select actor_sees_all()) or cast((select actor_spans()) ->> site_id::text as tstzmultirange) @> at)';
  execute 'create policy isolation_entry_added on isolation_entry for insert to spindlebook_app
    with check ((select actor_may(''record_work'')) or cast((select actor_spans_to(''do_rounds'')) ->> site_id::text as tstzmultirange) @> at)';
  execute 'create policy isolation_lock_seen on isolation_lock for select to spindlebook_app
    using ((select actor_sees_all()) or cast((select actor_spans()) ->> site_id::text as tstzmultirange) && tstzrange(coalesce(locked_at, removed_at), removed_at, ''[]''))';
  execute 'create policy isolation_lock_kept on isolation_lock for insert to spindlebook_app
    with check ((select actor_may(''record_work'')) or cast((select actor_spans_to(''do_rounds'')) ->> site_id::text as tstzmultirange) @> now())';
  execute 'create policy isolation_lock_edited on isolation_lock for update to spindlebook_app
    using ((select actor_may(''record_work'')) or cast((select actor_spans_to(''do_rounds'')) ->> site_id::text as tstzmultirange) @> now())';
  -- the card itself is the distributor's: what was done reaches others as completions
  foreach t in array array['job_record', 'record_procedure', 'record_step', 'record_entry'] loop
    execute format('create policy %1$s_seen on %1$s for select to spindlebook_app using ((select actor_sees_all()))', t);
    execute format('create policy %1$s_added on %1$s for insert to spindlebook_app with check ((select actor_may(''record_work'')))', t);
  end loop;
end $$;
-- +goose StatementEnd
create policy job_record_edited on job_record for update to spindlebook_app using ((select actor_may('record_work')));
create policy entry_look_seen on entry_look for select to spindlebook_app using ((select actor_sees_all()));
create policy entry_look_added on entry_look for insert to spindlebook_app with check ((select actor_may('plan')));
create policy skill_evidence_seen on skill_evidence for select to spindlebook_app
  using ((select actor_sees_all()) or actor_id = (select current_actor()));
create policy skill_evidence_added on skill_evidence for insert to spindlebook_app with check ((select actor_may('administer')));
create policy skill_evidence_edited on skill_evidence for update to spindlebook_app using ((select actor_may('administer')));

-- The read interface: who has which skill, and which locks are on.
create view skill_now with (security_invoker = true) as
  select e.actor_id, e.skill, max(coalesce(e.expires_on, 'infinity')) as holds_until
    from skill_evidence as e
   where e.withdrawn_at is null
group by e.actor_id, e.skill;
create view lock_now with (security_invoker = true) as
  select l.id, l.site_id, l.point_id, l.visit_id, l.record_id, l.person_id, l.person, l.recorded_by, l.locked_at, l.off_at, l.left_until, l.handed_to
    from isolation_lock as l
   where l.removed_at is null and l.locked_at is not null;

grant select on skill_now, lock_now to spindlebook_app;
grant select, insert, update (withdrawn_at, withdrawn_why) on skill_evidence to spindlebook_app;
grant select, insert on isolation_entry, record_procedure, record_step, record_entry, entry_look to spindlebook_app;
grant select, insert, update (visit_id, record_id, person_id, person, recorded_by, locked_at, off_at, removed_at, left_until, handed_to) on isolation_lock to spindlebook_app;
grant select, insert, update (visit_id, state, ended_at, ended_by, ended_why, completion_id, unseen, version) on job_record to spindlebook_app;
grant usage on sequence job_record_number_seq to spindlebook_app;
