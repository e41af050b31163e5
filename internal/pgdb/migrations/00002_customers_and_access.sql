-- +goose Up
-- People and programs, what they may do and where.

create table customer (
  id         uuid constraint customer_pk primary key,
  code       text not null constraint customer_code_uq unique
             constraint customer_code_form check (code ~ '^[A-Z0-9][A-Z0-9-]{0,15}$'),
  name       text not null constraint customer_name_given check (btrim(name) <> ''),
  -- some customers refuse a bill without the number of their order
  needs_order_number boolean not null default false,
  created_at timestamptz not null,
  version    integer not null default 1
);

create table site (
  id          uuid constraint site_pk primary key,
  code        text not null constraint site_code_uq unique
              constraint site_code_form check (code ~ '^[A-Z0-9][A-Z0-9-]{0,15}$'),
  name        text not null constraint site_name_given check (btrim(name) <> ''),
  address     text not null default '',
  latitude    double precision constraint site_latitude_on_earth check (latitude between -90 and 90),
  longitude   double precision constraint site_longitude_on_earth check (longitude between -180 and 180),
  zone        text not null,
  currency    text not null constraint site_currency_form check (currency ~ '^[A-Z]{3}$'),
  climate     text not null constraint site_climate_known check (climate in ('snowbelt', 'mild_wet', 'warm_dry')),
  size        text not null constraint site_size_known check (size in ('small', 'medium', 'large')),
  -- the side of the vehicle on which the driver sits: words on labels only
  driver_side text not null constraint site_driver_side_known check (driver_side in ('left', 'right')),
  -- the local hour at which one operating day ends and the next begins
  day_turns_at time not null default '03:00',
  created_at  timestamptz not null,
  version     integer not null default 1,
  constraint site_place_whole check ((latitude is null) = (longitude is null))
);
comment on table site is
  'What stays when a site is sold. What an owner arranges (hours, blackouts, supplies) is dated and stands apart, so that each owner sees only the own time.';

create table ownership (
  id          uuid constraint ownership_pk primary key,
  site_id     uuid not null constraint ownership_site_fk references site,
  customer_id uuid not null constraint ownership_customer_fk references customer,
  during      tstzrange not null constraint ownership_during_real check (not isempty(during) and lower_inc(during) and not upper_inc(during)),
  constraint ownership_one_at_a_time exclude using gist (site_id with =, during with &&)
);
create index ownership_customer_ix on ownership (customer_id, site_id);

create table actor (
  id          uuid constraint actor_pk primary key,
  kind        text not null constraint actor_kind_known check (kind in ('person', 'program', 'system')),
  name        text not null constraint actor_name_given check (btrim(name) <> ''),
  -- the organisation a person belongs to; null is the distributor
  customer_id uuid constraint actor_customer_fk references customer,
  disabled_at timestamptz,
  created_at  timestamptz not null,
  version     integer not null default 1
);
comment on table actor is 'Whoever can act: a person, a program with tokens, or the system itself.';

create table person (
  actor_id uuid constraint person_pk primary key constraint person_actor_fk references actor,
  login    text not null constraint person_login_uq unique
           constraint person_login_form check (login = lower(login) and login ~ '^[^\s]{3,254}$')
);

create table credential (
  actor_id      uuid constraint credential_pk primary key constraint credential_actor_fk references actor,
  password_hash text not null,
  -- counts up at each new password; a signed-in browser of an older count is out
  epoch         integer not null default 1,
  changed_at    timestamptz not null
);

create table program_token (
  id          uuid constraint program_token_pk primary key,
  actor_id    uuid not null constraint program_token_actor_fk references actor,
  secret_hash bytea not null constraint program_token_secret_uq unique,
  created_at  timestamptz not null,
  expires_at  timestamptz not null,
  revoked_at  timestamptz,
  constraint program_token_ends_after_start check (expires_at > created_at)
);
create index program_token_actor_ix on program_token (actor_id);

create table entry_link (
  id          uuid constraint entry_link_pk primary key,
  secret_hash bytea not null constraint entry_link_secret_uq unique,
  purpose     text not null constraint entry_link_purpose_known check (purpose in ('first_person', 'choose_password', 'demo')),
  actor_id    uuid constraint entry_link_actor_fk references actor,
  created_at  timestamptz not null,
  expires_at  timestamptz not null,
  used_at     timestamptz,
  constraint entry_link_names_someone check ((purpose = 'first_person') = (actor_id is null))
);
comment on table entry_link is 'Secret addresses that let somebody in: the first person, somebody choosing a password, a demo visitor.';

-- named and shaped as the session library expects; it holds hashes of the tokens
create table sessions (
  token  text constraint sessions_pk primary key,
  data   bytea not null,
  expiry timestamptz not null
);
create index sessions_expiry_ix on sessions (expiry);

create table failed_entry (
  id      bigint generated always as identity constraint failed_entry_pk primary key,
  login   text not null,
  address text not null,
  at      timestamptz not null
);
create index failed_entry_login_ix on failed_entry (login, at);
create index failed_entry_address_ix on failed_entry (address, at);

-- Rights are capabilities; a role is a bundle of them that may be given in one kind of scope.
create table capability (
  code    text constraint capability_pk primary key,
  meaning text not null
);
create table role (
  code  text constraint role_pk primary key,
  name  text not null,
  scope text not null constraint role_scope_known check (scope in ('distributor', 'customer', 'site')),
  constraint role_code_scope_uq unique (code, scope)
);
create table role_capability (
  role       text not null constraint role_capability_role_fk references role,
  capability text not null constraint role_capability_capability_fk references capability,
  constraint role_capability_pk primary key (role, capability)
);

create table role_grant (
  id          uuid constraint role_grant_pk primary key,
  actor_id    uuid not null constraint role_grant_actor_fk references actor,
  role        text not null,
  scope       text not null,
  customer_id uuid constraint role_grant_customer_fk references customer,
  site_id     uuid constraint role_grant_site_fk references site,
  granted_at  timestamptz not null,
  ends_at     timestamptz,
  constraint role_grant_role_fk foreign key (role, scope) references role (code, scope),
  constraint role_grant_scope_fits check (case scope
    when 'distributor' then customer_id is null and site_id is null
    when 'customer' then customer_id is not null
    else site_id is not null and customer_id is null end),
  constraint role_grant_ends_after_start check (ends_at > granted_at)
);
comment on column role_grant.site_id is
  'With a customer: only this one of the customer''s sites, and only while it is theirs. Alone: this site, whoever owns it.';
create index role_grant_actor_ix on role_grant (actor_id);

insert into capability (code, meaning) values
  ('see_internal',  'read what the distributor keeps to itself: internal notes, where a unit was before'),
  ('see_price',     'see prices and charges'),
  ('see_cost',      'see the distributor''s own cost and margin'),
  ('keep_register', 'add and edit customers, sites, lines, positions and isolation points'),
  ('record_work',   'record facts, states and work done at a site'),
  ('read_counters', 'enter counter readings'),
  ('report_fault',  'report a fault'),
  ('plan',          'plan work and visits'),
  ('move_stock',    'receive, count and move stock'),
  ('approve',       'approve dates and charges for a site'),
  ('administer',    'manage people, tokens and roles, and read the audit trail');

insert into role (code, name, scope) values
  ('manager',     'Service manager', 'distributor'),
  ('parts_clerk', 'Parts clerk',     'distributor'),
  ('technician',  'Technician',      'distributor'),
  ('owner',       'Site owner',      'customer'),
  ('site_staff',  'Site staff',      'customer'),
  ('gateway',     'Counter gateway', 'site'),
  ('system',      'The system',      'distributor');

insert into role_capability (role, capability)
select 'manager', code from capability union all
select 'system', code from capability union all
select 'parts_clerk', unnest(array['see_internal', 'see_price', 'see_cost', 'move_stock']) union all
select 'technician', unnest(array['see_internal', 'record_work', 'read_counters', 'report_fault', 'move_stock']) union all
select 'owner', unnest(array['see_price', 'read_counters', 'report_fault', 'approve']) union all
select 'site_staff', unnest(array['read_counters', 'report_fault']) union all
select 'gateway', unnest(array['read_counters']);

insert into actor (id, kind, name, created_at)
values ('00000000-0000-7000-8000-000000000001', 'system', 'spindlebook', '2026-01-01T00:00Z');
insert into role_grant (id, actor_id, role, scope, granted_at)
values ('00000000-0000-7000-8000-000000000002', '00000000-0000-7000-8000-000000000001', 'system', 'distributor', '2026-01-01T00:00Z');

-- What the actor of this transaction may see and do. They run as their owner,
-- so that the policies which use them do not call themselves; each is asked
-- once a statement where it stands in a scalar subquery. In PL/pgSQL, since that
-- keeps their plans as long as the connection lives: an SQL function that cannot
-- be inlined is planned anew in each statement, and a page asks a dozen times.

-- +goose StatementBegin
create function actor_grants() returns setof role_grant
language plpgsql stable security definer set search_path = public, pg_temp rows 2
as $$
begin
  return query
  select g.*
    from role_grant as g
    join actor as a on a.id = g.actor_id
   where g.actor_id = current_actor()
     and a.disabled_at is null
     and (g.ends_at is null or g.ends_at > now());
end $$;

-- sees every site: one of the distributor's own people or programs
create function actor_sees_all() returns boolean
language plpgsql stable security definer set search_path = public, pg_temp
as $$
begin
  return exists (select from actor_grants() where scope = 'distributor');
end $$;

-- may do this everywhere
create function actor_may(wanted text) returns boolean
language plpgsql stable security definer set search_path = public, pg_temp
as $$
begin
  return exists (
    select from actor_grants() as g
      join role_capability as c on c.role = g.role
     where g.scope = 'distributor' and c.capability = wanted);
end $$;

-- the sites of a narrower scope, each with the span in which it is theirs to see
create function actor_sites() returns table (site_id uuid, during tstzrange)
language plpgsql stable security definer set search_path = public, pg_temp rows 3
as $$
begin
  return query
  select coalesce(o.site_id, g.site_id), coalesce(o.during, tstzrange(null, null))
    from actor_grants() as g
    left join ownership as o on o.customer_id = g.customer_id and (g.site_id is null or g.site_id = o.site_id)
     and lower(o.during) <= now() -- a sale that is only agreed opens nothing yet
   where g.scope = 'customer' and o.site_id is not null
      or g.scope = 'site';
end $$;

create function actor_site_ids() returns uuid[]
language plpgsql stable security definer set search_path = public, pg_temp
as $$
begin
  return (select coalesce(array_agg(distinct site_id), '{}') from actor_sites());
end $$;

create function actor_customer_ids() returns uuid[]
language plpgsql stable security definer set search_path = public, pg_temp
as $$
begin
  return (select coalesce(array_agg(distinct customer_id), '{}') from actor_grants() where scope = 'customer');
end $$;

-- whether somebody is left who can sign in and manages people for good; a manager
-- who steps down asks it too, and sees the others no longer
create function some_manager() returns boolean
language sql stable security definer set search_path = public, pg_temp
as $$
  select exists (
    select from role_grant as g
      join actor as a on a.id = g.actor_id
      join credential as c on c.actor_id = a.id
     where g.role = 'manager' and g.ends_at is null and a.kind = 'person' and a.disabled_at is null)
$$;

-- by site, the spans that are the actor's to see: asked once a statement, where a
-- function of the row would be asked for each row
create function actor_spans() returns jsonb
language plpgsql stable security definer set search_path = public, pg_temp
as $$
begin
  return (
  select coalesce(jsonb_object_agg(site_id, spans), '{}')
    from (select site_id, range_agg(during)::text as spans from actor_sites() group by site_id) as s);
end $$;
-- +goose StatementEnd

-- Row-level security. Policies name the service role; the owner of the tables,
-- who migrates and backs up, is not bound by them.
alter table customer enable row level security;
create policy customer_seen on customer for select to spindlebook_app
  using ((select actor_sees_all()) or id = any ((select actor_customer_ids())::uuid[]));
create policy customer_added on customer for insert to spindlebook_app
  with check ((select actor_may('keep_register')));
create policy customer_edited on customer for update to spindlebook_app
  using ((select actor_may('keep_register')));

alter table site enable row level security;
create policy site_seen on site for select to spindlebook_app
  using ((select actor_sees_all()) or id = any ((select actor_site_ids())::uuid[]));
create policy site_added on site for insert to spindlebook_app
  with check ((select actor_may('keep_register')));
create policy site_edited on site for update to spindlebook_app
  using ((select actor_may('keep_register')));

alter table ownership enable row level security;
-- one's own spans of the sites in scope; a sale that is only agreed shows nothing to the buyer yet
create policy ownership_seen on ownership for select to spindlebook_app
  using ((select actor_sees_all()) or (customer_id = any ((select actor_customer_ids())::uuid[])
         and site_id = any ((select actor_site_ids())::uuid[]) and lower(during) <= now()));
create policy ownership_added on ownership for insert to spindlebook_app
  with check ((select actor_may('keep_register')));
create policy ownership_edited on ownership for update to spindlebook_app
  using ((select actor_may('keep_register')));

-- One sees oneself, the distributor's people, and those of one's own organisation.
alter table actor enable row level security;
create policy actor_seen on actor for select to spindlebook_app
  using (customer_id is null or (select actor_sees_all()) or id = (select current_actor())
         or customer_id = any ((select actor_customer_ids())::uuid[]));
create policy actor_added on actor for insert to spindlebook_app
  with check ((select actor_may('administer')));
create policy actor_edited on actor for update to spindlebook_app
  using ((select actor_may('administer')));

alter table person enable row level security;
create policy person_seen on person for select to spindlebook_app
  using ((select actor_may('administer')) or actor_id = (select current_actor()));
create policy person_added on person for insert to spindlebook_app
  with check ((select actor_may('administer')));
create policy person_edited on person for update to spindlebook_app
  using ((select actor_may('administer')));

alter table role_grant enable row level security;
create policy role_grant_seen on role_grant for select to spindlebook_app
  using ((select actor_may('administer')) or actor_id = (select current_actor()));
create policy role_grant_added on role_grant for insert to spindlebook_app
  with check ((select actor_may('administer')));
create policy role_grant_edited on role_grant for update to spindlebook_app
  using ((select actor_may('administer')));

alter table program_token enable row level security;
create policy program_token_seen on program_token for select to spindlebook_app
  using ((select actor_may('administer')));
create policy program_token_added on program_token for insert to spindlebook_app
  with check ((select actor_may('administer')));
create policy program_token_edited on program_token for update to spindlebook_app
  using ((select actor_may('administer')));

alter table credential enable row level security;
create policy credential_own on credential to spindlebook_app
  using ((select actor_may('administer')) or actor_id = (select current_actor()));

alter table entry_link enable row level security;
create policy entry_link_kept on entry_link to spindlebook_app
  using ((select actor_may('administer')));

alter table trail enable row level security;
create policy trail_seen on trail for select to spindlebook_app
  using ((select actor_may('administer')));

-- What identifies a row stays as it was; what happened is only ended.
grant select, insert, update (code, name, needs_order_number, version) on customer to spindlebook_app;
grant select, insert, update (code, name, address, latitude, longitude, zone, currency, climate, size, driver_side, day_turns_at, version)
  on site to spindlebook_app;
grant select, insert, update (during) on ownership to spindlebook_app;
grant select, insert, update (name, disabled_at, version) on actor to spindlebook_app;
grant select, insert on person to spindlebook_app;
grant select, insert, update (password_hash, epoch, changed_at) on credential to spindlebook_app;
grant select, insert, update (ends_at) on role_grant to spindlebook_app;
grant select, insert, update (revoked_at) on program_token to spindlebook_app;
grant select, insert, update (used_at), delete on entry_link to spindlebook_app;
grant select, insert, update, delete on sessions to spindlebook_app;
grant select, insert, delete on failed_entry to spindlebook_app;
grant select on capability, role, role_capability to spindlebook_app;

create trigger customer_trail after insert or update or delete on customer for each row execute function write_trail();
create trigger site_trail after insert or update or delete on site for each row execute function write_trail();
create trigger ownership_trail after insert or update or delete on ownership for each row execute function write_trail();
create trigger actor_trail after insert or update or delete on actor for each row execute function write_trail();
create trigger person_trail after insert or update or delete on person for each row execute function write_trail();
create trigger credential_trail after insert or update or delete on credential for each row execute function write_trail();
create trigger program_token_trail after insert or update or delete on program_token for each row execute function write_trail();
create trigger entry_link_trail after insert or update or delete on entry_link for each row execute function write_trail();
create trigger role_grant_trail after insert or update or delete on role_grant for each row execute function write_trail();
