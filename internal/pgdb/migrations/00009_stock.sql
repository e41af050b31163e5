-- +goose Up
-- Where everything is: the ledger, lots, claims, kits, suppliers' orders, cores and warranty.

-- A lot is what was made together. The bag of a kit is a lot of one: its number
-- is its code, and its shortest-lived line is its last day.
create table lot (
  id          uuid constraint lot_pk primary key,
  part_id     uuid not null constraint lot_part_fk references part,
  code        text not null constraint lot_code_form check (btrim(code) = code and length(code) between 1 and 64),
  expires_on  date,
  recorded_at timestamptz not null,
  recorded_by uuid not null constraint lot_actor_fk references actor,
  constraint lot_code_uq unique (part_id, code),
  constraint lot_of_part_uq unique (id, part_id)
);
create index lot_code_ix on lot (code);
comment on column lot.expires_on is 'The last day on which it may be used, closed; null does not expire.';

-- An inspection may give more time; that is a decision with a name to it.
create table lot_extension (
  id          uuid constraint lot_extension_pk primary key,
  lot_id      uuid not null constraint lot_extension_lot_fk references lot,
  was         date not null,
  until       date not null,
  reason      text not null constraint lot_extension_reason_given check (btrim(reason) <> ''),
  -- what shows it, such as the number of a report
  evidence    text not null constraint lot_extension_evidence_given check (btrim(evidence) <> ''),
  decided_at  timestamptz not null,
  decided_by  uuid not null constraint lot_extension_actor_fk references actor,
  constraint lot_extension_later check (until > was)
);
create index lot_extension_lot_ix on lot_extension (lot_id, decided_at);

-- How much of a part, lot and owner is at a place. The key is made from these
-- five, so that whoever moves something can name the row before it is there.
-- Units have no balance: their stays say where each is.
create table stock_balance (
  id          uuid constraint stock_balance_pk primary key,
  location_id uuid not null constraint stock_balance_location_fk references location,
  site_id     uuid,
  part_id     uuid not null constraint stock_balance_part_fk references part,
  lot_id      uuid,
  owner       text not null constraint stock_balance_owner_known check (owner in ('distributor', 'consignment', 'customer')),
  owner_customer_id uuid constraint stock_balance_customer_fk references customer,
  on_hand     numeric(16,3) not null,
  -- of the place called unexplained: what was used and is not on record makes it negative
  below_zero  boolean not null,
  -- instant up to which a count has settled it
  counted_at  timestamptz,
  constraint stock_balance_lot_fk foreign key (lot_id, part_id) references lot (id, part_id),
  constraint stock_balance_shelf_fk foreign key (location_id, site_id) references location (id, site_id),
  constraint stock_balance_owner_whole check ((owner = 'customer') = (owner_customer_id is not null)),
  constraint stock_balance_not_below_zero check (on_hand >= 0 or below_zero),
  constraint stock_balance_once unique nulls not distinct (location_id, part_id, lot_id, owner, owner_customer_id)
) with (fillfactor = 70);
create index stock_balance_part_ix on stock_balance (part_id, location_id);
create index stock_balance_site_ix on stock_balance (site_id) where site_id is not null;
create index stock_balance_lot_ix on stock_balance (lot_id) where lot_id is not null;

-- What happened, and nothing else: it is added to and never changed. From and to
-- are empty where the thing came from outside of this record or left it.
-- It has no foreign keys: they would lock the few rows of parts and places that
-- everybody moves. Only stock_post writes here, and the balances that it has locked
-- have them all.
create table stock_movement (
  id          uuid constraint stock_movement_pk primary key,
  act_id      uuid not null,
  kind        text not null constraint stock_movement_kind_known check (kind in
                ('receive', 'put_away', 'pick', 'load', 'transfer_out', 'transfer_in', 'move', 'issue', 'job_return', 'supplier_return', 'core_out', 'core_in', 'warranty_out', 'replacement_in', 'count', 'explain', 'scrap', 'expire', 'quarantine', 'release', 'write_off', 'convert', 'kit_build', 'kit_break', 'prepare', 'consign_in', 'consign_out', 'sale')),
  part_id     uuid not null,
  lot_id      uuid,
  owner       text not null,
  owner_customer_id uuid,
  amount      numeric(16,3) not null constraint stock_movement_amount_real check (amount > 0),
  from_id     uuid,
  to_id       uuid,
  from_balance_id uuid,
  to_balance_id   uuid,
  from_site_id uuid,
  to_site_id   uuid,
  unit_id     uuid,
  stay_id     uuid,
  at          timestamptz not null,
  recorded_at timestamptz not null,
  recorded_by uuid not null,
  reason      text not null default '',
  document    text not null default '',
  task_id     uuid,
  order_line_id uuid,
  count_line_id uuid,
  constraint stock_movement_goes_somewhere check (num_nonnulls(from_id, to_id) > 0),
  constraint stock_movement_of_balances check (unit_id is not null
    or ((from_id is null) = (from_balance_id is null) and (to_id is null) = (to_balance_id is null)))
);
comment on column stock_movement.at is 'When it was done; a van without signal tells of it later.';
create index stock_movement_part_ix on stock_movement (part_id, id);
create index stock_movement_from_ix on stock_movement (from_balance_id, at) where from_balance_id is not null;
create index stock_movement_to_ix on stock_movement (to_balance_id, at) where to_balance_id is not null;
create index stock_movement_unit_ix on stock_movement (unit_id, id) where unit_id is not null;
create index stock_movement_order_ix on stock_movement (order_line_id) where order_line_id is not null;
create index stock_movement_task_ix on stock_movement (task_id) where task_id is not null;

-- A container that was opened and is used up bit by bit.
create table open_container (
  id          uuid constraint open_container_pk primary key,
  location_id uuid not null constraint open_container_location_fk references location,
  part_id     uuid not null constraint open_container_part_fk references part,
  lot_id      uuid constraint open_container_lot_fk references lot,
  opened_on   date not null,
  -- the earlier of its lot's last day and that of an open one
  expires_on  date,
  level       text not null constraint open_container_level_known check (level in ('full', 'three_quarters', 'half', 'quarter', 'low', 'empty')),
  level_at    timestamptz not null,
  recorded_at timestamptz not null,
  recorded_by uuid not null constraint open_container_actor_fk references actor,
  emptied_at  timestamptz,
  version     integer not null default 1,
  constraint open_container_empty_whole check ((level = 'empty') = (emptied_at is not null)),
  constraint open_container_one_open exclude using btree (location_id with =, part_id with =, (coalesce(lot_id, '00000000-0000-0000-0000-000000000000')) with =) where (emptied_at is null)
);

-- A count of a place: what somebody saw, and when.
create sequence stock_count_seq;
create table stock_count (
  id          uuid constraint stock_count_pk primary key,
  number      bigint not null constraint stock_count_number_uq unique default nextval('stock_count_seq'),
  location_id uuid not null constraint stock_count_location_fk references location,
  -- nobody who counts is shown what is expected
  blind       boolean not null,
  state       text not null default 'open' constraint stock_count_state_known check (state in ('open', 'posted', 'cancelled')),
  opened_at   timestamptz not null,
  opened_by   uuid not null constraint stock_count_opener_fk references actor,
  ended_at    timestamptz,
  ended_by    uuid constraint stock_count_ender_fk references actor,
  version     integer not null default 1,
  constraint stock_count_end_whole check ((state = 'open') = (ended_at is null) and (ended_at is null) = (ended_by is null))
);
create index stock_count_location_ix on stock_count (location_id, opened_at);
create table stock_count_line (
  id          uuid constraint stock_count_line_pk primary key,
  count_id    uuid not null constraint stock_count_line_count_fk references stock_count,
  balance_id  uuid constraint stock_count_line_balance_fk references stock_balance,
  part_id     uuid not null constraint stock_count_line_part_fk references part,
  lot_id      uuid constraint stock_count_line_lot_fk references lot,
  owner       text not null,
  owner_customer_id uuid,
  -- pieces, or for units the tags that were seen
  first       numeric(16,3) constraint stock_count_line_first_real check (first >= 0),
  first_tags  text[] not null default '{}',
  first_at    timestamptz,
  first_by    uuid constraint stock_count_line_first_by_fk references actor,
  second      numeric(16,3) constraint stock_count_line_second_real check (second >= 0),
  second_tags text[] not null default '{}',
  second_at   timestamptz,
  second_by   uuid constraint stock_count_line_second_by_fk references actor,
  -- as it stood on record at the instant of the count, when it was posted
  expected    numeric(16,3),
  constraint stock_count_line_by_two check (second_by <> first_by),
  constraint stock_count_line_first_whole check ((first is null) = (first_at is null) and (first_at is null) = (first_by is null)),
  constraint stock_count_line_second_whole check ((second is null) = (second_at is null) and (second_at is null) = (second_by is null) and (second is null or first is not null)),
  constraint stock_count_line_once unique nulls not distinct (count_id, part_id, lot_id, owner, owner_customer_id)
);
create index stock_count_line_balance_ix on stock_count_line (balance_id, first_at) where balance_id is not null;

-- What record and shelf disagree about, until somebody has settled it.
create table stock_discrepancy (
  id          uuid constraint stock_discrepancy_pk primary key,
  kind        text not null constraint stock_discrepancy_kind_known check (kind in
                ('used_not_on_record', 'used_expired', 'used_set_aside', 'counted_short', 'counted_over', 'unit_missing', 'unit_elsewhere', 'unit_unknown', 'received_short', 'received_damaged')),
  location_id uuid constraint stock_discrepancy_location_fk references location,
  site_id     uuid,
  part_id     uuid not null constraint stock_discrepancy_part_fk references part,
  lot_id      uuid constraint stock_discrepancy_lot_fk references lot,
  unit_id     uuid constraint stock_discrepancy_unit_fk references unit,
  amount      numeric(16,3) not null,
  says        text not null,
  movement_id uuid constraint stock_discrepancy_movement_fk references stock_movement,
  task_id     uuid,
  noticed_at  timestamptz not null,
  noticed_by  uuid not null constraint stock_discrepancy_noticer_fk references actor,
  settled_at  timestamptz,
  settled_by  uuid constraint stock_discrepancy_settler_fk references actor,
  settled_how text not null default '',
  constraint stock_discrepancy_settled_whole check ((settled_at is null) = (settled_by is null) and (settled_at is null) = (settled_how = ''))
);
create index stock_discrepancy_open_ix on stock_discrepancy (noticed_at, id) where settled_at is null;
create index stock_discrepancy_part_ix on stock_discrepancy (part_id) where settled_at is null;

-- How much a place should hold: buy or fill up at the least, and never buy beyond the most.
create table stock_level (
  location_id uuid not null constraint stock_level_location_fk references location,
  part_id     uuid not null constraint stock_level_part_fk references part,
  least       numeric(16,3) not null constraint stock_level_least_real check (least >= 0),
  most        numeric(16,3) constraint stock_level_most_real check (most >= least),
  constraint stock_level_pk primary key (location_id, part_id)
);
create index stock_level_part_ix on stock_level (part_id);

-- A claim is a promise that a task gets its part on its day. Once picked, it holds
-- the very lot or unit.
create table stock_claim (
  id          uuid constraint stock_claim_pk primary key,
  part_id     uuid not null constraint stock_claim_part_fk references part,
  amount      numeric(16,3) not null constraint stock_claim_amount_real check (amount > 0),
  needed_on   date not null,
  site_id     uuid constraint stock_claim_site_fk references site,
  position_id uuid,
  task_id     uuid constraint stock_claim_task_fk references task,
  -- of one that was made for a visit when it was planned, and ends with it
  visit_id    uuid,
  -- for what, as people say it
  purpose     text not null constraint stock_claim_purpose_given check (btrim(purpose) <> ''),
  criticality text not null constraint stock_claim_criticality_known check (criticality in ('S', 'A', 'B', 'C')),
  -- where it shall come from; null is any place of ours
  location_id uuid constraint stock_claim_location_fk references location,
  state       text not null default 'open' constraint stock_claim_state_known check (state in ('open', 'set_aside', 'used', 'released', 'taken')),
  balance_id  uuid constraint stock_claim_balance_fk references stock_balance,
  unit_id     uuid constraint stock_claim_unit_fk references unit,
  made_at     timestamptz not null,
  made_by     uuid not null constraint stock_claim_maker_fk references actor,
  ended_at    timestamptz,
  ended_by    uuid constraint stock_claim_ender_fk references actor,
  ended_why   text not null default '',
  taken_by_id uuid constraint stock_claim_taken_by_fk references stock_claim,
  version     integer not null default 1,
  constraint stock_claim_position_fk foreign key (position_id, site_id) references position (id, site_id),
  constraint stock_claim_holds_one check ((state = 'set_aside') <= (num_nonnulls(balance_id, unit_id) = 1)),
  constraint stock_claim_end_whole check ((state in ('open', 'set_aside')) = (ended_at is null) and (ended_at is null) = (ended_by is null)),
  constraint stock_claim_taken_whole check ((state = 'taken') = (taken_by_id is not null) and (state <> 'taken' or btrim(ended_why) <> '')),
  constraint stock_claim_unit_once exclude using btree (unit_id with =) where (state = 'set_aside')
);
create index stock_claim_part_ix on stock_claim (part_id, needed_on) where state in ('open', 'set_aside');
create index stock_claim_balance_ix on stock_claim (balance_id) where state = 'set_aside';
create index stock_claim_task_ix on stock_claim (task_id) where task_id is not null;
create index stock_claim_day_ix on stock_claim (needed_on, id) where state in ('open', 'set_aside');

-- What is in the bag of a kit.
create sequence kit_bag_seq;
create table kit_bag (
  lot_id    uuid constraint kit_bag_pk primary key constraint kit_bag_lot_fk references lot,
  kit_id    uuid not null constraint kit_bag_kit_fk references part,
  recipe_id uuid constraint kit_bag_recipe_fk references kit_recipe,
  seal      text not null default '',
  state     text not null default 'sealed' constraint kit_bag_state_known check (state in ('sealed', 'opened')),
  built_at  timestamptz not null,
  built_by  uuid not null constraint kit_bag_builder_fk references actor,
  opened_at timestamptz,
  opened_by uuid constraint kit_bag_opener_fk references actor,
  opened_for text not null default '',
  version   integer not null default 1,
  constraint kit_bag_opened_whole check ((state = 'opened') = (opened_at is not null) and (opened_at is null) = (opened_by is null))
);
create index kit_bag_kit_ix on kit_bag (kit_id, built_at);
create table kit_bag_line (
  bag_id   uuid not null constraint kit_bag_line_bag_fk references kit_bag,
  ordinal  integer not null,
  part_id  uuid not null constraint kit_bag_line_part_fk references part,
  lot_id   uuid constraint kit_bag_line_lot_fk references lot,
  amount   numeric(16,3) not null constraint kit_bag_line_amount_real check (amount > 0),
  optional boolean not null,
  used     numeric(16,3) not null default 0 constraint kit_bag_line_used_real check (used between 0 and amount),
  constraint kit_bag_line_pk primary key (bag_id, ordinal)
);
create index kit_bag_line_part_ix on kit_bag_line (part_id);

-- Orders to suppliers.
create sequence supplier_order_seq;
create table supplier_order (
  id          uuid constraint supplier_order_pk primary key,
  number      text not null constraint supplier_order_number_uq unique,
  supplier_id uuid not null constraint supplier_order_supplier_fk references supplier,
  location_id uuid not null constraint supplier_order_location_fk references location,
  state       text not null default 'draft' constraint supplier_order_state_known check (state in ('draft', 'sent', 'closed', 'cancelled')),
  note        text not null default '',
  made_at     timestamptz not null,
  made_by     uuid not null constraint supplier_order_maker_fk references actor,
  sent_at     timestamptz,
  ended_at    timestamptz,
  ended_why   text not null default '',
  version     integer not null default 1,
  constraint supplier_order_sent_whole check (state = 'draft' or state = 'cancelled' or sent_at is not null),
  constraint supplier_order_end_whole check ((state in ('closed', 'cancelled')) = (ended_at is not null))
);
create index supplier_order_open_ix on supplier_order (number) where state in ('draft', 'sent');
create table supplier_order_line (
  id          uuid constraint supplier_order_line_pk primary key,
  order_id    uuid not null constraint supplier_order_line_order_fk references supplier_order,
  ordinal     integer not null,
  part_id     uuid not null constraint supplier_order_line_part_fk references part,
  amount      numeric(16,3) not null constraint supplier_order_line_amount_real check (amount > 0),
  cancelled   numeric(16,3) not null default 0 constraint supplier_order_line_cancelled_real check (cancelled between 0 and amount),
  needed_on   date,
  constraint supplier_order_line_ordinal_uq unique (order_id, ordinal)
);
create index supplier_order_line_part_ix on supplier_order_line (part_id);
-- What it costs stands apart: row security hides rows, not columns.
create table supplier_order_price (
  line_id     uuid constraint supplier_order_price_pk primary key constraint supplier_order_price_line_fk references supplier_order_line,
  price_minor bigint not null constraint supplier_order_price_real check (price_minor >= 0),
  currency    text not null constraint supplier_order_price_currency_form check (currency ~ '^[A-Z]{3}$')
);
comment on column supplier_order_price.price_minor is 'Of one unit of measure, as it was when the line was written: a later price does not change it.';
-- For when it is promised; each change is kept, so that one sees how often it slipped.
create table supplier_order_promise (
  id          uuid constraint supplier_order_promise_pk primary key,
  line_id     uuid not null constraint supplier_order_promise_line_fk references supplier_order_line,
  promised_on date not null,
  told_at     timestamptz not null,
  told_by     uuid not null constraint supplier_order_promise_actor_fk references actor
);
create index supplier_order_promise_line_ix on supplier_order_promise (line_id, told_at);

-- An old unit for which a supplier gives a deposit back.
create table core (
  id          uuid constraint core_pk primary key,
  part_id     uuid not null constraint core_part_fk references part,
  supplier_id uuid not null constraint core_supplier_fk references supplier,
  bought_unit_id uuid constraint core_bought_unit_fk references unit,
  unit_id     uuid constraint core_unit_fk references unit,
  order_line_id uuid constraint core_order_line_fk references supplier_order_line,
  state       text not null constraint core_state_known check (state in
                ('deposit_paid', 'removed', 'at_site', 'on_van', 'in_returns', 'boxed', 'shipped', 'received', 'credited', 'partly_credited', 'refused', 'lost')),
  drained     boolean not null default false,
  -- the supplier counts it from the purchase or from the shipment of the exchange unit
  counted_from text not null constraint core_counted_from_known check (counted_from in ('purchase', 'shipment')),
  paid_on     date not null,
  deadline_on date not null,
  version     integer not null default 1,
  constraint core_deadline_later check (deadline_on >= paid_on),
  constraint core_boxed_drained check (state not in ('boxed', 'shipped') or drained)
);
create index core_open_ix on core (deadline_on, id) where state not in ('credited', 'partly_credited', 'refused', 'lost');
create index core_unit_ix on core (unit_id) where unit_id is not null;
create table core_deposit (
  core_id        uuid constraint core_deposit_pk primary key constraint core_deposit_core_fk references core,
  deposit_minor  bigint not null constraint core_deposit_real check (deposit_minor >= 0),
  credited_minor bigint constraint core_deposit_credit_real check (credited_minor between 0 and deposit_minor),
  currency       text not null constraint core_deposit_currency_form check (currency ~ '^[A-Z]{3}$')
);
create table core_event (
  id          uuid constraint core_event_pk primary key,
  core_id     uuid not null constraint core_event_core_fk references core,
  state       text not null,
  at          timestamptz not null,
  note        text not null default '',
  recorded_by uuid not null constraint core_event_actor_fk references actor
);
create index core_event_core_ix on core_event (core_id, at);

-- Two clocks may run on one unit: the supplier's to us and ours to the site.
create table warranty (
  id          uuid constraint warranty_pk primary key,
  unit_id     uuid not null constraint warranty_unit_fk references unit,
  giver       text not null constraint warranty_giver_known check (giver in ('supplier', 'distributor')),
  supplier_id uuid constraint warranty_supplier_fk references supplier,
  covers      text not null default '',
  starts_on   date not null,
  ends_on     date not null,
  state       text not null default 'running' constraint warranty_state_known check (state in ('running', 'claimed', 'accepted', 'refused', 'lost', 'ended')),
  authority   text not null default '',
  claimed_at  timestamptz,
  version     integer not null default 1,
  constraint warranty_ends_later check (ends_on >= starts_on),
  constraint warranty_giver_whole check ((giver = 'supplier') = (supplier_id is not null)),
  constraint warranty_claim_whole check (state in ('running', 'ended') or claimed_at is not null),
  constraint warranty_one_of_a_giver exclude using gist (unit_id with =, giver with =, daterange(starts_on, ends_on, '[]') with &&)
);
create index warranty_open_ix on warranty (ends_on, id) where state in ('running', 'claimed');
create table warranty_event (
  id          uuid constraint warranty_event_pk primary key,
  warranty_id uuid not null constraint warranty_event_warranty_fk references warranty,
  state       text not null,
  at          timestamptz not null,
  note        text not null default '',
  recorded_by uuid not null constraint warranty_event_actor_fk references actor
);
create index warranty_event_warranty_ix on warranty_event (warranty_id, at);

-- The one way into the ledger. It is given what each balance changes by, in the order
-- of their keys, and the movements that say why. The balances are locked in that
-- order, looked at, and changed; what falls short, or was done before a count that has
-- settled it, is told instead, and nothing is written. Few and plain statements: many
-- people wait here for the same rows.
-- +goose StatementBegin
create function stock_mover() returns void
language plpgsql stable security definer set search_path = public, pg_temp
as $$
begin
  if not exists (select from role_grant as g join actor as a on a.id = g.actor_id and a.disabled_at is null
                   join role_capability as c on c.role = g.role and c.capability in ('move_stock', 'record_work')
                  where g.actor_id = current_actor() and g.scope = 'distributor' and (g.ends_at is null or g.ends_at > now())) then
    raise insufficient_privilege using message = 'row-level security: the actor may not move stock';
  end if;
end $$;

create function stock_post(ids uuid[], deltas numeric[], wanted jsonb, late_settled boolean, over_aside boolean) returns jsonb
language plpgsql security definer set search_path = public, pg_temp
as $$
declare
  held    integer := 0;
  counted boolean := false;
  b       record;
  told    jsonb;
begin
  perform stock_mover();
  for round in 1 .. 2 loop
    held := 0;
    for b in select i.counted_at from stock_balance as i where i.id = any (ids) order by i.id for no key update loop
      held := held + 1;
      counted := counted or b.counted_at is not null;
    end loop;
    exit when held = cardinality(ids);
    insert into stock_balance (id, location_id, site_id, part_id, lot_id, owner, owner_customer_id, on_hand, below_zero)
    select distinct on (e.id) e.id, e.location_id, l.site_id, r.part_id, r.lot_id, r.owner, r.owner_customer_id, 0, l.kind = 'unexplained'
      from jsonb_to_recordset(wanted) as r(part_id uuid, lot_id uuid, owner text, owner_customer_id uuid, from_id uuid, to_id uuid, from_balance_id uuid, to_balance_id uuid),
   lateral (values (r.from_balance_id, r.from_id), (r.to_balance_id, r.to_id)) as e(id, location_id)
      join location as l on l.id = e.location_id
     where e.id is not null
  order by e.id
    on conflict (id) do nothing;
  end loop;

  if counted and not late_settled then
    select jsonb_agg(jsonb_build_object('place', r.place, 'balance_id', i.id, 'into', i.id = r.to_balance_id, 'counted_at',
             (select min(coalesce(l.second_at, l.first_at)) from stock_count_line as l join stock_count as c on c.id = l.count_id and c.state = 'posted'
               where l.balance_id = i.id and coalesce(l.second_at, l.first_at) >= r.at))) into told
      from jsonb_to_recordset(wanted) as r(place int, kind text, at timestamptz, from_balance_id uuid, to_balance_id uuid)
      join stock_balance as i on i.id in (r.from_balance_id, r.to_balance_id) and r.at <= i.counted_at
     where r.kind not in ('count', 'explain');
    if told is not null then
      return jsonb_build_object('late', told);
    end if;
  end if;

  -- what is set aside is not there for others; a row that names the claim takes it
  select jsonb_agg(jsonb_build_object('balance_id', i.id, 'on_hand', i.on_hand, 'aside', a.n, 'wanted', -d.delta)) into told
    from unnest(ids, deltas) as d(id, delta)
    join stock_balance as i on i.id = d.id
   cross join lateral (
    select coalesce(sum(c.amount), 0) as n
      from stock_claim as c
     where c.balance_id = d.id and c.state = 'set_aside'
       and c.id not in (select r.claim_id from jsonb_to_recordset(wanted) as r(claim_id uuid) where r.claim_id is not null)) as a
   where d.delta < 0 and not i.below_zero and i.on_hand + d.delta < case when over_aside then 0 else a.n end;
  if told is not null then
    return jsonb_build_object('short', told);
  end if;

  update stock_balance as i set on_hand = i.on_hand + d.delta
    from unnest(ids, deltas) as d(id, delta)
   where i.id = d.id;

  insert into stock_movement (id, act_id, kind, part_id, lot_id, owner, owner_customer_id, amount, from_id, to_id, from_balance_id, to_balance_id, from_site_id, to_site_id,
         unit_id, stay_id, at, recorded_at, recorded_by, reason, document, task_id, order_line_id, count_line_id)
  select r.id, r.act_id, r.kind, r.part_id, r.lot_id, r.owner, r.owner_customer_id, r.amount, r.from_id, r.to_id, r.from_balance_id, r.to_balance_id, r.from_site_id, r.to_site_id,
         r.unit_id, r.stay_id, r.at, r.recorded_at, current_actor(), coalesce(r.reason, ''), coalesce(r.document, ''), r.task_id, r.order_line_id, r.count_line_id
    from jsonb_to_recordset(wanted) as r(id uuid, act_id uuid, kind text, part_id uuid, lot_id uuid, owner text, owner_customer_id uuid, amount numeric,
         from_id uuid, to_id uuid, from_balance_id uuid, to_balance_id uuid, from_site_id uuid, to_site_id uuid, unit_id uuid, stay_id uuid, at timestamptz, recorded_at timestamptz,
         reason text, document text, task_id uuid, order_line_id uuid, count_line_id uuid);
  return '{}';
end $$;

-- What must be known of lines before they are posted, for those who may post them. A
-- function keeps its plan, and asks once who asks.
create function stock_look(wanted jsonb) returns table (place int, part_known boolean, number text, measured_in text, tracking text, pack numeric, container numeric,
  shelf_months int, open_months int, withdrawn text, lot_id uuid, lot_code text, expires_on text, from_known boolean, from_kind text, from_code text, from_site uuid,
  to_known boolean, to_kind text, to_code text, to_site uuid, from_owner uuid, to_owner uuid, claim_state text, claim_balance uuid, claim_part uuid, claim_unit uuid, claim_amount numeric)
language plpgsql stable security definer set search_path = public, pg_temp rows 5
as $$
begin
  perform stock_mover();
  return query
  select r.place, p.id is not null, coalesce(p.number, ''), coalesce(p.measured_in, ''), coalesce(p.tracking, ''), coalesce(p.pack, 1), p.container, p.shelf_months, p.open_months,
         coalesce((select coalesce((select string_agg(n.number, ' and ' order by n.number) from part_succession_to as st join part as n on n.id = st.part_id where st.succession_id = s.id), '-')
                     from part_succession as s where s.part_id = p.id and s.kind = 'withdrawn' and s.during @> r.at limit 1), ''),
         l.id, coalesce(l.code, r.lot, ''), to_char(l.expires_on, 'YYYY-MM-DD'),
         f.id is not null, coalesce(f.kind, ''), coalesce(f.code, ''), f.site_id, t.id is not null, coalesce(t.kind, ''), coalesce(t.code, ''), t.site_id,
         case when f.site_id is not null then (select o.customer_id from ownership as o where o.site_id = f.site_id and o.during @> r.at) end,
         case when t.site_id is not null then (select o.customer_id from ownership as o where o.site_id = t.site_id and o.during @> r.at) end,
         c.state, c.balance_id, c.part_id, c.unit_id, c.amount
    from jsonb_to_recordset(wanted) as r(place int, part_id uuid, lot text, from_id uuid, to_id uuid, at timestamptz, claim_id uuid)
    left join part as p on p.id = r.part_id
    left join lot as l on l.part_id = r.part_id and l.code = nullif(r.lot, '')
    left join location as f on f.id = r.from_id
    left join location as t on t.id = r.to_id
    left join stock_claim as c on c.id = r.claim_id
order by r.place;
end $$;

-- Holds all balances of some parts at their places, so that what is chosen from them is there.
create function stock_hold(wanted jsonb) returns void
language plpgsql security definer set search_path = public, pg_temp
as $$
begin
  perform stock_mover();
  perform from stock_balance as b
    where (b.location_id, b.part_id) in (select r.from_id, r.part_id from jsonb_to_recordset(wanted) as r(from_id uuid, part_id uuid))
 order by b.id
      for no key update;
end $$;

-- What nobody can explain has a place, too; it is there from the first time on.
create function unexplained_location() returns uuid
language plpgsql security definer set search_path = public, pg_temp
as $$
begin
  perform stock_mover();
  insert into location (id, code, name, kind, created_at)
  select gen_random_uuid(), 'UNEXPLAINED', 'Unexplained', 'unexplained', now()
   where not exists (select from location where kind = 'unexplained')
  on conflict on constraint location_code_uq do nothing;
  return (select id from location where kind = 'unexplained' order by created_at, id limit 1);
end $$;

-- Closes what has explained itself of some parts: nothing of them is unexplained any more.
create function stock_settle(parts uuid[], at timestamptz, how text) returns void
language plpgsql security definer set search_path = public, pg_temp
as $$
begin
  perform stock_mover();
  update stock_discrepancy as d set settled_at = at, settled_by = current_actor(), settled_how = how
   where d.part_id = any (parts) and d.settled_at is null and d.kind in ('used_not_on_record', 'counted_short', 'counted_over')
     and not exists (select from stock_balance as b join location as l on l.id = b.location_id and l.kind = 'unexplained'
                      where b.part_id = d.part_id
                     having sum(b.on_hand) <> 0);
end $$;

-- A posted count settles its balances up to the instant at which they were seen.
create function stock_counted(posted uuid) returns void
language plpgsql security definer set search_path = public, pg_temp
as $$
begin
  if not actor_may('move_stock') then
    raise insufficient_privilege using message = 'row-level security: the actor may not move stock';
  end if;
  update stock_balance as b set counted_at = greatest(b.counted_at, l.at)
    from (select balance_id, coalesce(second_at, first_at) as at from stock_count_line where count_id = posted and balance_id is not null) as l
   where b.id = l.balance_id;
end $$;
-- +goose StatementEnd
revoke execute on function stock_mover(), stock_post(uuid[], numeric[], jsonb, boolean, boolean), stock_look(jsonb), stock_counted(uuid), stock_hold(jsonb), stock_settle(uuid[], timestamptz, text), unexplained_location() from public;
grant execute on function stock_post(uuid[], numeric[], jsonb, boolean, boolean), stock_look(jsonb), stock_counted(uuid), stock_hold(jsonb), stock_settle(uuid[], timestamptz, text), unexplained_location() to spindlebook_app;

-- Everything that lies somewhere, pieces and units alike.
create view stock_now with (security_invoker = true) as
  select b.id as balance_id, b.location_id, b.site_id, b.part_id, b.lot_id, lt.code as lot, lt.expires_on, b.owner, b.owner_customer_id, cast(null as uuid) as unit_id, b.on_hand
    from stock_balance as b
    left join lot as lt on lt.id = b.lot_id
   where b.on_hand <> 0
   union all
  select null, st.location_id, st.site_id, u.part_id, null, nullif(u.lot, ''), null, u.owner, u.owner_customer_id, u.id, 1
    from stay as st
    join unit as u on u.id = st.unit_id
   where st.location_id is not null and upper_inf(st.during);

-- Who sees what: our own people everything, a customer the own shelf while it is theirs.
-- +goose StatementBegin
do $$
declare t text;
begin
  foreach t in array array['lot', 'lot_extension', 'stock_balance', 'stock_movement', 'open_container', 'stock_count', 'stock_count_line', 'stock_discrepancy', 'stock_level',
                           'stock_claim', 'kit_bag', 'kit_bag_line', 'supplier_order', 'supplier_order_line', 'supplier_order_price', 'supplier_order_promise',
                           'core', 'core_deposit', 'core_event', 'warranty', 'warranty_event'] loop
    execute format('alter table %1$s enable row level security', t);
  end loop;
  foreach t in array array['lot_extension', 'open_container', 'stock_count', 'stock_count_line', 'stock_discrepancy', 'stock_level', 'stock_claim', 'kit_bag', 'kit_bag_line', 'supplier_order',
                           'supplier_order_line', 'supplier_order_promise', 'core', 'core_event', 'warranty', 'warranty_event'] loop
    execute format('create policy %1$s_seen on %1$s for select to spindlebook_app using ((select actor_sees_all()))', t);
  end loop;
  foreach t in array array['lot', 'lot_extension', 'open_container', 'stock_count', 'stock_count_line', 'stock_level', 'kit_bag', 'kit_bag_line', 'supplier_order', 'supplier_order_line',
                           'supplier_order_promise', 'core', 'core_event', 'warranty', 'warranty_event'] loop
    execute format('create policy %1$s_added on %1$s for insert to spindlebook_app with check ((select actor_may(''move_stock'')))', t);
    execute format('create policy %1$s_edited on %1$s for update to spindlebook_app using ((select actor_may(''move_stock'')))', t);
  end loop;
  foreach t in array array['supplier_order_price', 'core_deposit'] loop
    execute format('create policy %1$s_kept on %1$s for all to spindlebook_app using ((select actor_may(''see_cost''))) with check ((select actor_may(''see_cost'')))', t);
  end loop;
  foreach t in array array['lot', 'lot_extension', 'open_container', 'stock_count', 'stock_count_line', 'stock_discrepancy', 'stock_level', 'stock_claim', 'kit_bag', 'kit_bag_line',
                           'supplier_order', 'supplier_order_line', 'supplier_order_price', 'supplier_order_promise', 'core', 'core_deposit', 'core_event', 'warranty', 'warranty_event'] loop
    execute format('create trigger %1$s_trail after insert or update or delete on %1$s for each row execute function write_trail()', t);
  end loop;
end $$;
-- +goose StatementEnd
create policy lot_seen on lot for select to spindlebook_app
  using ((select actor_sees_all()) or exists (select from stock_balance as b where b.lot_id = lot.id));
create policy stock_balance_seen on stock_balance for select to spindlebook_app
  using ((select actor_sees_all())
         or (site_id = any ((select actor_site_ids())::uuid[]) and cast((select actor_spans()) ->> site_id::text as tstzmultirange) @> now()));
create policy stock_movement_seen on stock_movement for select to spindlebook_app
  using ((select actor_sees_all())
         or (from_site_id = any ((select actor_site_ids())::uuid[]) and cast((select actor_spans()) ->> from_site_id::text as tstzmultirange) @> at)
         or (to_site_id = any ((select actor_site_ids())::uuid[]) and cast((select actor_spans()) ->> to_site_id::text as tstzmultirange) @> at));
-- whoever records work or moves stock finds out what is not on record
create policy stock_discrepancy_added on stock_discrepancy for insert to spindlebook_app with check ((select actor_may('move_stock')) or (select actor_may('record_work')));
create policy stock_discrepancy_edited on stock_discrepancy for update to spindlebook_app using ((select actor_may('move_stock')));
create policy stock_claim_added on stock_claim for insert to spindlebook_app with check ((select actor_may('move_stock')) or (select actor_may('plan')));
create policy stock_claim_edited on stock_claim for update to spindlebook_app using ((select actor_may('move_stock')) or (select actor_may('plan')) or (select actor_may('record_work')));
-- whoever swaps a unit says which one came off
create policy core_came_off on core for update to spindlebook_app using ((select actor_may('record_work')));
create policy core_event_came_off on core_event for insert to spindlebook_app with check ((select actor_may('record_work')));
create policy open_container_used on open_container for all to spindlebook_app using ((select actor_may('record_work'))) with check ((select actor_may('record_work')));

-- Who moves stock also moves and prepares the units that lie in it.
create policy unit_received on unit for insert to spindlebook_app with check ((select actor_may('move_stock')));
create policy stay_in_stock on stay for insert to spindlebook_app with check ((select actor_may('move_stock')) and location_id is not null);
create policy stay_from_stock on stay for update to spindlebook_app using ((select actor_may('move_stock')) and location_id is not null);
create policy unit_fact_prepared on unit_fact for insert to spindlebook_app with check ((select actor_may('move_stock')) and fact in ('gearmotor_orientation', 'link_setting'));
create policy unit_fact_prepared_before on unit_fact for update to spindlebook_app using ((select actor_may('move_stock')) and fact in ('gearmotor_orientation', 'link_setting'));

grant select on stock_balance, stock_movement, stock_now to spindlebook_app;
grant select, insert, update (expires_on) on lot to spindlebook_app;
grant select, insert on lot_extension, kit_bag_line, supplier_order_price, supplier_order_promise, core_event, warranty_event to spindlebook_app;
grant select, insert, update (level, level_at, emptied_at, version) on open_container to spindlebook_app;
grant select, insert, update (state, ended_at, ended_by, version) on stock_count to spindlebook_app;
grant select, insert, update (first, first_tags, first_at, first_by, second, second_tags, second_at, second_by, expected, balance_id) on stock_count_line to spindlebook_app;
grant select, insert, update (settled_at, settled_by, settled_how) on stock_discrepancy to spindlebook_app;
grant select, insert, delete, update (least, most) on stock_level to spindlebook_app;
grant select, insert, update (state, location_id, balance_id, unit_id, ended_at, ended_by, ended_why, taken_by_id, version) on stock_claim to spindlebook_app;
grant select, insert, update (state, opened_at, opened_by, opened_for, version) on kit_bag to spindlebook_app;
grant update (used) on kit_bag_line to spindlebook_app;
grant select, insert, update (state, note, sent_at, ended_at, ended_why, version) on supplier_order to spindlebook_app;
grant select, insert, delete, update (cancelled) on supplier_order_line to spindlebook_app;
grant select, insert, update (state, drained, unit_id, version) on core to spindlebook_app;
grant select, insert, update (credited_minor) on core_deposit to spindlebook_app;
grant select, insert, update (state, authority, claimed_at, version) on warranty to spindlebook_app;
grant usage on sequence stock_count_seq, kit_bag_seq, supplier_order_seq to spindlebook_app;
