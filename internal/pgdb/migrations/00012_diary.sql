-- +goose Up
-- What people take with them: the calendars that their own programs read.

-- when what others read of a visit changed last; its version counts the changes
alter table visit add column changed_at timestamptz not null default now();
-- +goose StatementBegin
create function note_change() returns trigger
language plpgsql set search_path = public, pg_temp
as $$
begin
  new.changed_at := now();
  return new;
end $$;
-- +goose StatementEnd
create trigger visit_changed before update on visit for each row execute function note_change();

-- the same of a task, which stands in calendars by itself while it is on no visit
alter table task add column changed_at timestamptz not null default now();
create trigger task_changed before update on task for each row when (new.version <> old.version) execute function note_change();

create table calendar_address (
  id           uuid constraint calendar_address_pk primary key,
  actor_id     uuid not null constraint calendar_address_actor_fk references actor,
  shows        text not null constraint calendar_address_shows_known check (shows in ('all', 'site', 'person')),
  site_id      uuid constraint calendar_address_site_fk references site,
  person_id    uuid constraint calendar_address_person_fk references actor,
  -- also what falls due and is on no visit yet
  with_due     boolean not null,
  secret_hash  bytea not null constraint calendar_address_secret_uq unique,
  made_at      timestamptz not null,
  revoked_at   timestamptz,
  -- what was read last, so that whoever asks again is told when it changed
  content_hash bytea,
  changed_at   timestamptz,
  read_at      timestamptz,
  constraint calendar_address_of_one check ((shows = 'site') = (site_id is not null) and (shows = 'person') = (person_id is not null)),
  constraint calendar_address_content_whole check ((content_hash is null) = (changed_at is null))
);
create index calendar_address_actor_ix on calendar_address (actor_id, made_at);
comment on table calendar_address is 'Secret addresses at which a calendar program reads visits, with the rights that their maker has at that time.';

alter table calendar_address enable row level security;
create policy calendar_address_own on calendar_address to spindlebook_app
  using ((select actor_may('administer')) or actor_id = (select current_actor()));
create trigger calendar_address_trail after insert or update of revoked_at or delete on calendar_address for each row execute function write_trail();
grant select, insert, update (revoked_at, content_hash, changed_at, read_at) on calendar_address to spindlebook_app;

-- How somebody wants to be told, and in which units.
create table person_preference (
  actor_id    uuid constraint person_preference_pk primary key constraint person_preference_actor_fk references actor,
  email       text not null default '',
  -- a letter each day about what presses
  digest      boolean not null,
  digest_hour smallint not null constraint person_preference_hour_real check (digest_hour between 0 and 23),
  zone        text not null,
  units       text not null default 'as_entered' constraint person_preference_units_known check (units in ('as_entered', 'metric', 'us')),
  constraint person_preference_digest_goes_somewhere check (not digest or email <> '')
);
create index person_preference_digest_ix on person_preference (digest_hour) where digest;

-- One row for a person and a day of theirs: who writes it sends the letter.
create table digest_day (
  actor_id   uuid not null constraint digest_day_actor_fk references actor,
  on_date    date not null,
  state      text not null constraint digest_day_state_known check (state in ('claimed', 'sent', 'nothing', 'failed')),
  tries      integer not null,
  claimed_at timestamptz not null,
  ended_at   timestamptz,
  fault      text not null default '',
  constraint digest_day_pk primary key (actor_id, on_date)
);
comment on column digest_day.state is 'nothing: there was nothing to tell; failed: the mail server did not take it.';

alter table person_preference enable row level security;
create policy person_preference_own on person_preference to spindlebook_app
  using ((select actor_may('administer')) or actor_id = (select current_actor()));
create trigger person_preference_trail after insert or update or delete on person_preference for each row execute function write_trail();
grant select, insert, update (email, digest, digest_hour, zone, units) on person_preference to spindlebook_app;
alter table digest_day enable row level security;
create policy digest_day_kept on digest_day to spindlebook_app using ((select actor_may('administer')));
grant select, insert, update (state, tries, claimed_at, ended_at, fault) on digest_day to spindlebook_app;
