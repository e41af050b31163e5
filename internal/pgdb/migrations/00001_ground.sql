-- +goose Up
-- What every table stands on: who acts, what they changed, and answers kept for retries.

-- Exclusion constraints that mix an id with a span need it. It is a trusted
-- extension: the owner of the database may create it.
create extension if not exists btree_gist;

-- The actor of the transaction that is under way. It fails loudly where a
-- transaction forgot to say who asks.
-- +goose StatementBegin
create function current_actor() returns uuid
language sql stable parallel safe
as $$ select current_setting('spindlebook.actor')::uuid $$;
-- +goose StatementEnd

create table trail (
  id         bigint generated always as identity constraint trail_pk primary key,
  at         timestamptz not null default clock_timestamp(),
  actor_id   uuid not null,
  request_id text,
  entity     text not null,
  entity_id  uuid,
  site_id    uuid,
  act        text not null constraint trail_act_known check (act in ('insert', 'update', 'delete')),
  before     jsonb,
  after      jsonb
);
comment on table trail is
  'Every change of every recorded thing, written by triggers. The service may read it and nothing else: what happened cannot be unsaid.';
create index trail_entity_ix on trail (entity_id, id);
create index trail_site_ix on trail (site_id, id);

-- Runs as its owner, so that the service needs no right to write the trail.
-- Secrets never reach it, nor the content of a picture.
-- +goose StatementBegin
create function write_trail() returns trigger
language plpgsql security definer set search_path = public, pg_temp
as $$
declare
  was jsonb := case when tg_op <> 'INSERT' then to_jsonb(old) - array['password_hash', 'secret_hash', 'content', 'serial_read'] end;
  is_ jsonb := case when tg_op <> 'DELETE' then to_jsonb(new) - array['password_hash', 'secret_hash', 'content', 'serial_read'] end;
  it  jsonb := coalesce(is_, was);
begin
  if was = is_ then
    return null;
  end if;
  insert into trail (actor_id, request_id, entity, entity_id, site_id, act, before, after)
  values (current_actor(), nullif(current_setting('spindlebook.request', true), ''), tg_table_name,
          coalesce(it ->> 'id', it ->> 'actor_id', it ->> 'position_id', it ->> 'left_id', it ->> 'part_id')::uuid,
          case when tg_table_name = 'site' then it ->> 'id' else it ->> 'site_id' end::uuid,
          lower(tg_op), was, is_);
  return null;
end $$;
-- +goose StatementEnd

create table kept_answer (
  actor_id    uuid not null,
  key         text not null,
  fingerprint bytea not null,
  answer      jsonb,
  kept_at     timestamptz not null,
  constraint kept_answer_pk primary key (actor_id, key)
);
comment on table kept_answer is
  'The answer to each retry-safe request, written in the transaction that did the work: the same request again gets the same answer and does nothing.';
create index kept_answer_kept_at_ix on kept_answer (kept_at);

grant usage on schema public to spindlebook_app;
grant select on schema_version to spindlebook_app;
grant select on trail to spindlebook_app;
grant select, insert, update, delete on kept_answer to spindlebook_app;

alter table kept_answer enable row level security;
create policy own_answers on kept_answer to spindlebook_app
  using (actor_id = (select current_actor())) with check (actor_id = (select current_actor()));

-- Housekeeping reaches the answers of everybody, so it runs as its owner.
-- +goose StatementBegin
create function forget_answers(before timestamptz) returns void
language sql security definer set search_path = public, pg_temp
as $$ delete from kept_answer where kept_at < before $$;
-- +goose StatementEnd
revoke execute on function forget_answers(timestamptz) from public;
grant execute on function forget_answers(timestamptz) to spindlebook_app;

-- Who has written much at once need not wait for the autovacuum: until the tables
-- are counted anew they are taken for as small as they were. Only the owner may count.
-- +goose StatementBegin
create function count_anew() returns void
language plpgsql security definer set search_path = public, pg_temp
as $$
begin
  execute (select 'analyze ' || string_agg(oid::regclass::text, ', ' order by oid) from pg_class
            where relnamespace = 'public'::regnamespace and relkind = 'r' and pg_has_role(relowner, 'usage'));
end $$;
-- +goose StatementEnd
revoke execute on function count_anew() from public;
grant execute on function count_anew() to spindlebook_app;
