-- +goose Up
-- What can be had, what fits where, and what work takes.

-- Search looks for pieces of words. It is a trusted extension: the owner of the
-- database may create it.
create extension if not exists pg_trgm;

insert into capability (code, meaning) values ('keep_catalogue', 'add and edit parts, kits, suppliers and what fits where');
insert into role_capability (role, capability) values ('manager', 'keep_catalogue'), ('system', 'keep_catalogue'), ('parts_clerk', 'keep_catalogue');

-- What is consumed is of a class too, although it fills no slot.
insert into component_class (code, name) values
  ('section', 'Media section'), ('flange', 'Companion flange'), ('gearbox_part', 'Gearbox part'), ('seal', 'Seal'), ('key', 'Key'), ('fastener', 'Fastener'), ('bearing', 'Bearing'), ('belt', 'Belt'),
  ('electrical', 'Electrical part'), ('air_part', 'Air part'), ('hose', 'Hose or tube'), ('filter', 'Filter'), ('conveyor_part', 'Conveyor part'),
  ('pump_part', 'Pump part'), ('control', 'Control part'), ('lubricant', 'Lubricant'), ('chemical', 'Chemical'), ('consumable', 'Consumable'), ('kit', 'Kit');

-- How somebody finds a fact out where nobody knows it.
alter table fact_kind add look text not null default '';
insert into fact_kind (code, name, takes, choices) values
  ('for_kind',      'Kinds of position it is for', 'text',   '{}'),
  ('for_side',      'Sides of the line it is for', 'text',   '{}'),
  ('cylinder_bore', 'Cylinder bore',               'length', '{}'),
  ('stroke',        'Stroke',                      'length', '{}'),
  ('port_thread',   'Port thread',                 'text',   '{}'),
  ('thread',        'Thread',                      'text',   '{}'),
  ('grade',         'Grade',                       'text',   '{}'),
  ('material',      'Material',                    'text',   '{}'),
  ('device',        'Device',                      'text',   '{}'),
  ('oil',           'Gear oil',                    'choice', '{mineral,PAO,PG}'),
  ('power',         'Power',                       'text',   '{}'),
  ('rpm',           'Revolutions a minute',        'text',   '{}'),
  ('density',       'Density',                     'text',   '{}');
update fact_kind as k set look = l.look
  from (values
    ('hub_fixing',            'look under the cap: four clamp screws, or three bolts through a flange'),
    ('bore',                  'measure the shaft with a caliper at the bottom nut; 1-3/8 in is 34.9 mm, so tell it from 35 mm'),
    ('frame_standard',        'read the frame off the motor''s nameplate: 56C or 145TC is NEMA, a number with L or S and B5 is IEC'),
    ('frame_size',            'read the frame off the motor''s nameplate'),
    ('gearmotor_orientation', 'look from the motor''s fan end at where the junction box stands against the vent'),
    ('media',                 'look at the brush'),
    ('media_colour',          'look at the brush'),
    ('media_pattern',         'count the sections from the bottom up, long leaf A and short leaf B'),
    ('sensor_output',         'read the label of the sensor, or ask for the panel''s drawing'),
    ('valve_coil',            'read the voltage off the coil'),
    ('drive',                 'look whether a motor or an oil motor turns it'),
    ('plate_volts',           'read the voltages off the nameplate and photograph it'),
    ('plate_hertz',           'read the frequency off the nameplate'),
    ('plate_phases',          'read the phases off the nameplate'),
    ('leads',                 'count the motor''s own leads in the junction box, isolated and proved dead by a qualified person'),
    ('winding',               'a qualified person tells by the diagram in the junction box, or by the resistance between the leads'),
    ('link_setting',          'a qualified person looks at the links in the junction box, isolated and proved dead'),
    ('cylinder_bore',         'read the label of the cylinder; 2-1/2 in and 63 mm look alike'),
    ('port_thread',           'compare with a thread gauge: NPT tapers, G does not'),
    ('device',                'look what it is: photo_eye or tyre_switch'),
    ('oil',                   'read the label at the filler plug, or the record of the last change')) as l(code, look)
 where l.code = k.code;

-- Amounts are counted in the unit of measure; a part is bought by the pack.
alter table part
  add measured_in  text not null default 'ea' constraint part_measured_in_known check (measured_in in ('ea', 'set', 'ft', 'm', 'L', 'mL', 'g', 'kg')),
  add bought_in    text not null default 'ea' constraint part_bought_in_form check (bought_in ~ '^[A-Za-z]{1,16}$'),
  add pack         numeric(12,3) not null default 1 constraint part_pack_real check (pack > 0 and pack <= 1000000),
  add container    numeric(12,3) constraint part_container_real check (container > 0 and container <= 1000000),
  add tracking     text not null default 'unit' constraint part_tracking_known check (tracking in ('unit', 'lot', 'lot_expiry', 'kit', 'bulk', 'none')),
  add shelf_months integer constraint part_shelf_months_real check (shelf_months between 1 and 600),
  add open_months  integer constraint part_open_months_real check (open_months between 1 and 600),
  add repairable   boolean not null default false,
  add weight_kg    double precision constraint part_weight_real check (weight_kg > 0 and weight_kg <= 100000),
  add weight_typed text,
  add hazard       text not null default '',
  add abc          text constraint part_abc_known check (abc in ('A', 'B', 'C')),
  add constraint part_counted_whole check (tracking not in ('unit', 'kit') or measured_in in ('ea', 'set')),
  add constraint part_weight_whole check ((weight_kg is null) = (weight_typed is null));
comment on column part.tracking is
  'unit: each one by its tag; lot: by lot; lot_expiry: by lot, each with a last day; kit: bags with a number; bulk: roughly, as screws in a bin; none: counted.';
comment on column part.pack is 'How many units of measure one buying unit holds: a box of 50, a pail of 18.9 L.';
comment on column part.container is 'What one container holds that is opened and used up bit by bit; null where there is none.';

-- Old numbers never disappear: they are on old boxes and in people's heads.
create table part_alias (
  id      uuid constraint part_alias_pk primary key,
  part_id uuid not null constraint part_alias_part_fk references part,
  number  text not null constraint part_alias_number_given check (btrim(number) <> '' and length(number) <= 64),
  kind    text not null constraint part_alias_kind_known check (kind in ('old', 'maker', 'supplier', 'other')),
  constraint part_alias_once unique (part_id, number)
);

-- What a part costs us stands apart: row security hides rows, not columns.
create table part_cost (
  id          uuid constraint part_cost_pk primary key,
  part_id     uuid not null constraint part_cost_part_fk references part,
  price_minor bigint not null constraint part_cost_price_real check (price_minor >= 0),
  core_minor  bigint not null default 0 constraint part_cost_core_real check (core_minor >= 0),
  currency    text not null constraint part_cost_currency_form check (currency ~ '^[A-Z]{3}$'),
  during      tstzrange not null constraint part_cost_during_real check (not isempty(during) and lower_inc(during) and not upper_inc(during)),
  recorded_at timestamptz not null,
  recorded_by uuid not null constraint part_cost_actor_fk references actor,
  constraint part_cost_one_at_a_time exclude using gist (part_id with =, during with &&)
);
comment on column part_cost.price_minor is 'Of one buying unit, in minor units of the currency; core_minor is the deposit on one exchange unit.';

create table supplier (
  id           uuid constraint supplier_pk primary key,
  code         text not null constraint supplier_code_uq unique
               constraint supplier_code_form check (code ~ '^[A-Z0-9][A-Z0-9-]{0,15}$'),
  name         text not null constraint supplier_name_given check (btrim(name) <> ''),
  working_days smallint[] not null default '{1,2,3,4,5}'
               constraint supplier_working_days_iso check (cardinality(working_days) between 1 and 7 and working_days <@ '{1,2,3,4,5,6,7}'),
  closed       date[] not null default '{}' constraint supplier_closed_bounded check (cardinality(closed) <= 400),
  created_at   timestamptz not null,
  version      integer not null default 1
);
comment on column supplier.working_days is 'ISO weekdays; closed lists single days on which they do not work either.';

create table supplier_part (
  id          uuid constraint supplier_part_pk primary key,
  supplier_id uuid not null constraint supplier_part_supplier_fk references supplier,
  part_id     uuid not null constraint supplier_part_part_fk references part,
  number      text not null default '',
  -- working days from order to delivery that suffice in 10, 50 and 90 of 100 cases
  lead_10     integer not null constraint supplier_part_lead_real check (lead_10 >= 0),
  lead_50     integer not null,
  lead_90     integer not null,
  preferred   boolean not null default false,
  version     integer not null default 1,
  constraint supplier_part_uq unique (supplier_id, part_id),
  constraint supplier_part_lead_rises check (lead_10 <= lead_50 and lead_50 <= lead_90 and lead_90 <= 730),
  constraint supplier_part_one_preferred exclude using gist (part_id with =) where (preferred)
);
create index supplier_part_part_ix on supplier_part (part_id);

-- What follows a part. A chain is followed link by link; no ring is ever recorded.
create table part_succession (
  id          uuid constraint part_succession_pk primary key,
  part_id     uuid not null constraint part_succession_part_fk references part,
  kind        text not null constraint part_succession_kind_known check (kind in ('replaced', 'withdrawn')),
  -- conditions as internal/condition reads them: where the succession holds, and where the old stock may be used up
  only_where  text not null default '',
  use_up_where text not null default '',
  note        text not null default '',
  during      tstzrange not null constraint part_succession_during_real check (not isempty(during) and lower_inc(during) and not upper_inc(during)),
  recorded_at timestamptz not null,
  recorded_by uuid not null constraint part_succession_actor_fk references actor,
  constraint part_succession_one_at_a_time exclude using gist (part_id with =, only_where with =, during with &&)
);
comment on column part_succession.kind is 'replaced: use the old up where that is allowed, buy the new; withdrawn: the old is not issued any more and goes to quarantine.';
create table part_succession_to (
  succession_id uuid not null constraint part_succession_to_succession_fk references part_succession,
  part_id       uuid not null constraint part_succession_to_part_fk references part,
  amount        numeric(12,3) not null constraint part_succession_to_amount_real check (amount > 0),
  constraint part_succession_to_pk primary key (succession_id, part_id)
);
create index part_succession_to_part_ix on part_succession_to (part_id);

-- What goes for what, and what must not.
create table part_interchange (
  id          uuid constraint part_interchange_pk primary key,
  part_id     uuid not null constraint part_interchange_part_fk references part,
  other_id    uuid not null constraint part_interchange_other_fk references part,
  kind        text not null constraint part_interchange_kind_known check (kind in ('either', 'instead', 'conversion', 'never_mix', 'lookalike')),
  only_where  text not null default '',
  via_part_id uuid constraint part_interchange_via_fk references part,
  note        text not null default '',
  during      tstzrange not null constraint part_interchange_during_real check (not isempty(during) and lower_inc(during) and not upper_inc(during)),
  recorded_at timestamptz not null,
  recorded_by uuid not null constraint part_interchange_actor_fk references actor,
  constraint part_interchange_two_parts check (part_id <> other_id),
  constraint part_interchange_conversion_by_kit check ((kind = 'conversion') = (via_part_id is not null)),
  constraint part_interchange_one_at_a_time exclude using gist (part_id with =, other_id with =, kind with =, during with &&)
);
comment on column part_interchange.kind is
  'either: one for the other, both ways; instead: the other may be used for this part; conversion: by the kit named in via_part_id alone; never_mix: not on one brush; lookalike: not interchangeable, though it looks so.';
create index part_interchange_other_ix on part_interchange (other_id);

-- A kit is made by its latest recipe; bags made by an earlier one stay what they were.
create table kit_recipe (
  id      uuid constraint kit_recipe_pk primary key,
  kit_id  uuid not null constraint kit_recipe_kit_fk references part,
  number  integer not null constraint kit_recipe_number_real check (number > 0),
  -- of a media set: its sections from the bottom up, as AABBx4
  pattern text constraint kit_recipe_pattern_form check (pattern ~ '^[AB]{1,100}(x[1-9][0-9]?)?$'),
  note    text not null default '',
  made_at timestamptz not null,
  made_by uuid not null constraint kit_recipe_actor_fk references actor,
  constraint kit_recipe_number_uq unique (kit_id, number)
);
create table kit_line (
  recipe_id uuid not null constraint kit_line_recipe_fk references kit_recipe,
  ordinal   integer not null,
  part_id   uuid not null constraint kit_line_part_fk references part,
  amount    numeric(12,3) not null constraint kit_line_amount_real check (amount > 0 and amount <= 1000000),
  optional  boolean not null default false,
  condition text not null default '',
  letter    text constraint kit_line_letter_known check (letter in ('A', 'B')),
  note      text not null default '',
  constraint kit_line_pk primary key (recipe_id, ordinal),
  constraint kit_line_part_uq unique (recipe_id, part_id)
);
comment on column kit_line.letter is 'Which section of the pattern it is.';
create index kit_line_part_ix on kit_line (part_id);

-- What a procedure takes, by part, by slot or in words.
create table requirement_line (
  id         uuid constraint requirement_line_pk primary key,
  version_id uuid not null constraint requirement_line_version_fk references procedure_version,
  ordinal    integer not null,
  need       text not null constraint requirement_line_need_known check (need in ('always', 'if_found', 'consumable', 'tool', 'protective')),
  part_id    uuid constraint requirement_line_part_fk references part,
  slot       text constraint requirement_line_slot_known check (slot ~ '^[a-z_]{1,32}$'),
  item       text constraint requirement_line_item_given check (btrim(item) <> ''),
  amount     numeric(12,3) not null constraint requirement_line_amount_real check (amount > 0 and amount <= 1000000),
  chance     double precision constraint requirement_line_chance_real check (chance > 0 and chance < 1),
  -- lines of one cause occur together
  cause      text not null default '',
  condition  text not null default '',
  rule_group text not null default '',
  -- of the always-lines of one group exactly one is taken
  one_of     boolean not null default false,
  why        text not null default '',
  return_if_unused boolean not null default false,
  constraint requirement_line_ordinal_uq unique (version_id, ordinal),
  constraint requirement_line_names_one check (num_nonnulls(part_id, slot, item) = 1),
  constraint requirement_line_chance_if_found check ((need = 'if_found') = (chance is not null) and (need = 'if_found' or cause = '')),
  constraint requirement_line_one_of_a_group check (not one_of or rule_group <> '')
);
create index requirement_line_part_ix on requirement_line (part_id);
create trigger requirement_line_frozen before insert or update or delete on requirement_line for each row execute function keep_published();

-- Which facts of a candidate and of a position must agree, and what can be done where they do not.
create table fit_rule (
  id        uuid constraint fit_rule_pk primary key default gen_random_uuid(),
  class     text not null constraint fit_rule_class_fk references component_class,
  how       text not null constraint fit_rule_how_known check (how in ('same', 'pattern', 'supply', 'links', 'never')),
  -- of the candidate and of the position; a position also has kind and line_side
  fact      text not null constraint fit_rule_fact_given check (fact ~ '^[a-z_]{1,32}$'),
  against   text not null constraint fit_rule_against_given check (against ~ '^[a-z_]{1,32}$'),
  condition text not null default '',
  work      text not null default '',
  work_minutes integer constraint fit_rule_work_minutes_real check (work_minutes between 1 and 1440),
  work_by   text not null default '',
  why       text not null default '',
  constraint fit_rule_uq unique (class, how, fact, against),
  constraint fit_rule_work_whole check ((work = '') = (work_minutes is null) and (work = '') = (work_by = ''))
);
comment on column fit_rule.work_by is 'Code of the procedure by which the work is done; works of one procedure are done in one go.';
-- Rules of our reference design, which is invented; a distributor edits them. Minutes: common practice, no source.
insert into fit_rule (class, how, fact, against, condition, work, work_minutes, work_by, why)
select c.class, r.how, r.fact, r.against, r.condition, r.work, r.minutes, r.by, r.why
  from (values ('gearmotor'), ('motor'), ('gearbox')) as c(class)
  join (values
    ('same',   'frame_standard',        'frame_standard',        '', '', null, '', 'inch and metric frames never interchange', '{gearmotor,motor,gearbox}'),
    ('same',   'frame_size',            'frame_size',            '', '', null, '', 'a frame may bolt up and still have another shaft', '{gearmotor,motor,gearbox}'),
    ('same',   'bore',                  'bore',                  '', '', null, '', 'the shaft must fill the hollow bore', '{gearmotor,gearbox}'),
    ('supply', 'plate_volts',           'supply',                '', '', null, '', 'the nameplate must suit the supply', '{gearmotor,motor}'),
    ('same',   'gearmotor_orientation', 'gearmotor_orientation', '', 'turn the gearbox', 35, 'J09', 'the vent must be on top and the cable must reach', '{gearmotor}'),
    ('links',  'link_setting',          'supply',                '', 'set the links', 10, 'J09', 'wrong links stall a motor or burn it', '{gearmotor,motor}')
  ) as r(how, fact, against, condition, work, minutes, by, why, classes) on c.class = any (cast(r.classes as text[]));
insert into fit_rule (class, how, fact, against, condition, why) values
  ('gearmotor', 'never',   'drive',         'drive',         'kind = tyre_brush & drive = hydraulic', 'an oil motor turns it'),
  ('shaft',     'same',    'bore',          'bore',          '', 'the shaft must fill the hollow bore'),
  ('shaft',     'same',    'for_kind',      'kind',          '', 'shafts differ in length by the kind of brush'),
  ('hub',       'same',    'hub_fixing',    'hub_fixing',    '', 'the other fixing needs a conversion'),
  ('hub',       'same',    'bore',          'bore',          '', 'the hub must grip the shaft'),
  ('media_set', 'same',    'media',         'media',         '', 'a site has one kind of media on a brush'),
  ('media_set', 'same',    'media_colour',  'media_colour',  'kind in (side_brush_low, side_brush_high, wraparound, top_brush)', 'both of a pair are of one colour'),
  ('media_set', 'pattern', 'media_pattern', 'media_pattern', '', 'a letter short leaves a gap'),
  ('cap',       'same',    'for_kind',      'kind',          '', 'caps differ by the kind of brush'),
  ('cover',     'same',    'for_kind',      'kind',          '', 'covers differ by the kind of brush'),
  ('cover',     'same',    'for_side',      'line_side',     'kind = wraparound', 'covers of wraparounds are handed'),
  ('cylinder',  'same',    'cylinder_bore', 'cylinder_bore', '', 'inch and metric bodies look alike'),
  ('cylinder',  'same',    'port_thread',   'port_thread',   '', 'inch and metric ports look alike and must not be forced'),
  ('valve',     'same',    'valve_coil',    'valve_coil',    '', 'the coil must suit the panel'),
  ('sensor',    'same',    'sensor_output', 'sensor_output', '', 'PNP and NPN look alike'),
  ('pivot',     'same',    'for_kind',      'kind',          '', 'only wraparounds turn on a pivot');

-- What usually lies at a place is whose, who drives with it, and which supplier it is.
alter table location
  add owner       text not null default 'distributor' constraint location_owner_known check (owner in ('distributor', 'consignment', 'customer')),
  add supplier_id uuid constraint location_supplier_fk references supplier,
  add constraint location_customers_at_a_site check (owner = 'distributor' or kind = 'site_shelf'),
  add constraint location_supplier_has_a_kind check (supplier_id is null or kind = 'supplier');
create table location_holder (
  id          uuid constraint location_holder_pk primary key,
  location_id uuid not null constraint location_holder_location_fk references location,
  actor_id    uuid not null constraint location_holder_actor_fk references actor,
  during      tstzrange not null constraint location_holder_during_real check (not isempty(during) and lower_inc(during) and not upper_inc(during)),
  constraint location_holder_one_person exclude using gist (location_id with =, during with &&),
  constraint location_holder_one_place exclude using gist (actor_id with =, during with &&)
);
comment on table location_holder is 'Who drives which van: the stock stays with the van when people swap.';

-- What search looks through: kept by triggers, so that nothing can be forgotten.
create table part_words (
  part_id uuid constraint part_words_pk primary key constraint part_words_part_fk references part,
  number  text not null,
  -- numbers as they are compared: letters and digits only, in capitals
  bare    text not null,
  old     text[] not null,
  words   text not null
);
create index part_words_ix on part_words using gin (words gin_trgm_ops);
-- +goose StatementBegin
create function write_part_words(wanted uuid[]) returns void
language sql security definer set search_path = public, pg_temp
as $$
  insert into part_words (part_id, number, bare, old, words)
  select p.id, p.number, regexp_replace(p.number, '[^A-Z0-9]', '', 'g'),
         array(select upper(regexp_replace(a.number, '[^A-Za-z0-9]', '', 'g')) from part_alias as a where a.part_id = p.id), lower(concat_ws(' ', p.number, regexp_replace(p.number, '[^A-Za-z0-9]', '', 'g'), p.description, a.numbers, f.facts))
    from part as p
    left join lateral (select string_agg(a.number || ' ' || regexp_replace(a.number, '[^A-Za-z0-9]', '', 'g'), ' ' order by a.number) as numbers
                         from part_alias as a where a.part_id = p.id) as a on true
    left join lateral (select string_agg(f.value || case when f.value_mm is null then ''
                                           else ' ' || replace(f.value, ' ', '') || ' ' || round(f.value_mm::numeric, 3) || ' mm' end, ' ' order by f.fact) as facts
                         from part_fact as f where f.part_id = p.id) as f on true
   where p.id = any (wanted)
  on conflict (part_id) do update set number = excluded.number, bare = excluded.bare, old = excluded.old, words = excluded.words
   where part_words.words <> excluded.words or part_words.number <> excluded.number
$$;
create function keep_words_of_part() returns trigger
language plpgsql security definer set search_path = public, pg_temp
as $$
begin
  if exists (select from kept) then
    perform write_part_words(array(select distinct id from kept));
  end if;
  return null;
end $$;
create function keep_words_of_others() returns trigger
language plpgsql security definer set search_path = public, pg_temp
as $$
begin
  if exists (select from kept) then -- most statements touch no fact and no alias
    perform write_part_words(array(select distinct part_id from kept));
  end if;
  return null;
end $$;
-- +goose StatementEnd
create trigger part_words_added after insert on part referencing new table as kept for each statement execute function keep_words_of_part();
create trigger part_words_edited after update on part referencing new table as kept for each statement execute function keep_words_of_part();
create trigger part_words_of_fact after insert on part_fact referencing new table as kept for each statement execute function keep_words_of_others();
create trigger part_words_without_fact after delete on part_fact referencing old table as kept for each statement execute function keep_words_of_others();
create trigger part_words_of_alias after insert on part_alias referencing new table as kept for each statement execute function keep_words_of_others();
create trigger part_words_without_alias after delete on part_alias referencing old table as kept for each statement execute function keep_words_of_others();
-- +goose StatementBegin
-- Parts of whose words all tokens are pieces, the nearest first. It runs as its
-- owner: below row-level security a pattern reaches no index.
create function parts_with(tokens text[], number text, most integer) returns table (part_id uuid, by text, near integer)
language plpgsql stable security definer set search_path = public, pg_temp set plan_cache_mode = force_custom_plan
as $$
declare
  patterns text[] := array(select '%' || replace(replace(replace(t, '\', '\\'), '%', '\%'), '_', '\_') || '%' from unnest(tokens) as t);
  -- the longest goes to the index, which knows no "like all"
  longest text := (select t from unnest(patterns) as t order by length(t) desc limit 1);
begin
  perform current_actor();
  return query
  select w.part_id,
         case when w.bare = parts_with.number or starts_with(w.bare, parts_with.number) and parts_with.number <> '' then 'number'
              when parts_with.number = any (w.old) then 'old number' else 'words' end,
         case when w.bare = parts_with.number then 0 when parts_with.number = any (w.old) then 1
              when starts_with(w.bare, parts_with.number) and parts_with.number <> '' then 2 else 3 end
    from part_words as w
   where w.words like longest and w.words like all (patterns)
  order by 3, w.number
     limit most;
end $$;
-- +goose StatementEnd
revoke execute on function write_part_words(uuid[]) from public;
select write_part_words(array(select id from part));

-- The catalogue is the same for everybody; what it costs and who supplies it is not.
alter policy part_kept on part with check ((select actor_may('keep_catalogue')));
alter policy part_edited on part using ((select actor_may('keep_catalogue')));
alter policy part_fact_kept on part_fact using ((select actor_may('keep_catalogue'))) with check ((select actor_may('keep_catalogue')));
-- +goose StatementBegin
do $$
declare t text;
begin
  foreach t in array array['part_alias', 'part_succession', 'part_succession_to', 'part_interchange', 'kit_recipe', 'kit_line', 'fit_rule', 'part_words'] loop
    execute format('alter table %1$s enable row level security', t);
    execute format('create policy %1$s_seen on %1$s for select to spindlebook_app using ((select current_actor()) is not null)', t);
  end loop;
  foreach t in array array['part_alias', 'part_succession', 'part_succession_to', 'part_interchange', 'kit_recipe', 'kit_line', 'fit_rule'] loop
    execute format('create policy %1$s_kept on %1$s for all to spindlebook_app using ((select actor_may(''keep_catalogue''))) with check ((select actor_may(''keep_catalogue'')))', t);
  end loop;
  foreach t in array array['supplier', 'supplier_part'] loop
    execute format('alter table %1$s enable row level security', t);
    execute format('create policy %1$s_seen on %1$s for select to spindlebook_app using ((select actor_sees_all()))', t);
    execute format('create policy %1$s_kept on %1$s for all to spindlebook_app using ((select actor_may(''keep_catalogue''))) with check ((select actor_may(''keep_catalogue'')))', t);
  end loop;
end $$;
-- +goose StatementEnd
alter table part_cost enable row level security;
create policy part_cost_kept on part_cost for all to spindlebook_app
  using ((select actor_may('see_cost'))) with check ((select actor_may('see_cost')) and (select actor_may('keep_catalogue')));
alter table requirement_line enable row level security;
create policy requirement_line_seen on requirement_line for select to spindlebook_app
  using ((select actor_sees_all()) or exists (select from procedure_version as v where v.id = version_id));
create policy requirement_line_kept on requirement_line for all to spindlebook_app using ((select actor_may('plan'))) with check ((select actor_may('plan')));
alter table location_holder enable row level security;
create policy location_holder_seen on location_holder for select to spindlebook_app using ((select actor_sees_all()));
create policy location_holder_kept on location_holder for all to spindlebook_app
  using ((select actor_may('keep_register'))) with check ((select actor_may('keep_register')));

-- +goose StatementBegin
do $$
declare t text;
begin
  foreach t in array array['part_alias', 'part_cost', 'supplier', 'supplier_part', 'part_succession', 'part_succession_to', 'part_interchange', 'kit_recipe', 'kit_line',
                           'requirement_line', 'fit_rule', 'location_holder'] loop
    execute format('create trigger %1$s_trail after insert or update or delete on %1$s for each row execute function write_trail()', t);
  end loop;
end $$;
-- +goose StatementEnd

create view kit_now with (security_invoker = true) as
  select distinct on (kit_id) id as recipe_id, kit_id, number, pattern, made_at from kit_recipe order by kit_id, number desc;

grant update (measured_in, bought_in, pack, container, tracking, shelf_months, open_months, repairable, weight_kg, weight_typed, hazard, abc) on part to spindlebook_app;
grant select, insert, delete on part_alias to spindlebook_app;
grant select, insert, update (during) on part_cost to spindlebook_app;
grant select, insert, update (name, working_days, closed, version) on supplier to spindlebook_app;
grant select, insert, update (number, lead_10, lead_50, lead_90, preferred, version) on supplier_part to spindlebook_app;
grant select, insert, update (during) on part_succession to spindlebook_app;
grant select, insert on part_succession_to to spindlebook_app;
grant select, insert, update (during) on part_interchange to spindlebook_app;
grant select, insert on kit_recipe, kit_line to spindlebook_app;
grant select, insert, delete on requirement_line to spindlebook_app;
grant select, insert, delete on fit_rule to spindlebook_app;
grant update (owner) on location to spindlebook_app;
grant select, insert, update (during) on location_holder to spindlebook_app;
grant select on part_words, kit_now to spindlebook_app;
