-- +goose Up
-- What went wrong: who saw it and when, what it was, and what came of it.

-- What failures look like, by the kind of position at which they are seen. Modes
-- and mechanisms follow ISO 14224; what is said of each is common practice, no source.
create table failure_mode (
  code      text constraint failure_mode_pk primary key,
  about     text not null,
  name      text not null,
  mechanism text not null,
  sign      text not null,
  kinds     text[] not null default '{}'
);
comment on column failure_mode.mechanism is 'What usually has happened to the material; a finding may say otherwise.';
comment on column failure_mode.kinds is 'Kinds of position at which it is seen.';

create sequence failure_number_seq;

-- A fault as it was reported. Each of its times may be unknown.
create table failure (
  id          uuid constraint failure_pk primary key,
  number      bigint not null constraint failure_number_uq unique default nextval('failure_number_seq'),
  site_id     uuid not null constraint failure_site_fk references site,
  line_id     uuid,
  position_id uuid,
  unit_id     uuid constraint failure_unit_fk references unit,
  says        text not null constraint failure_said check (btrim(says) <> '') constraint failure_says_short check (char_length(says) <= 2000),
  detected    text not null constraint failure_detected_known check (detected in ('operator', 'customer', 'alarm', 'inspection', 'technician')),
  before      text not null constraint failure_before_known check (before in ('up', 'degraded', 'down', 'unknown')),
  line_effect text not null constraint failure_line_effect_known check (line_effect in ('none', 'degraded', 'parked', 'down')),
  -- somebody can be hurt as long as it stands
  danger      boolean not null,
  noticed_at  timestamptz,
  reported_at timestamptz,
  stopped_at  timestamptz,
  restored_at timestamptz,
  -- by whom it was told, where somebody took it down for another
  caller      text not null default '' constraint failure_caller_short check (char_length(caller) <= 200),
  payer       text not null constraint failure_payer_known check (payer in ('not_said', 'agreement', 'distributor', 'customer', 'supplier', 'insurer')),
  vehicles_lost integer constraint failure_vehicles_real check (vehicles_lost between 0 and 100000),
  remedy      text not null default '' constraint failure_remedy_short check (char_length(remedy) <= 2000),
  caused_by_id uuid,
  withdrawn_at  timestamptz,
  withdrawn_why text constraint failure_withdrawn_reason_given check (btrim(withdrawn_why) <> ''),
  created_at  timestamptz not null,
  created_by  uuid not null constraint failure_actor_fk references actor,
  version     integer not null default 1,
  constraint failure_line_fk foreign key (line_id, site_id) references line (id, site_id),
  constraint failure_position_fk foreign key (position_id, site_id) references position (id, site_id),
  constraint failure_site_uq unique (id, site_id),
  constraint failure_cause_fk foreign key (caused_by_id, site_id) references failure (id, site_id),
  constraint failure_not_its_own_cause check (caused_by_id <> id),
  constraint failure_unit_has_a_position check (unit_id is null or position_id is not null),
  -- A brush may stand before anybody notices, and may be reported after it runs again.
  constraint failure_noticed_then_reported check (noticed_at <= reported_at),
  constraint failure_stopped_then_restored check (stopped_at <= restored_at),
  constraint failure_noticed_then_restored check (noticed_at <= restored_at),
  constraint failure_withdrawal_whole check ((withdrawn_at is null) = (withdrawn_why is null))
);
comment on column failure.before is 'In which state the thing was until then.';
comment on column failure.line_effect is 'down: the line does not wash; parked: it washes without this brush; degraded: it washes worse; none: it is not felt.';
create index failure_site_ix on failure (site_id, number);
create index failure_position_ix on failure (position_id, number) where position_id is not null;
create index failure_open_ix on failure (number) where restored_at is null and withdrawn_at is null;
create index failure_standing_ix on failure (danger, number) where restored_at is null and withdrawn_at is null;

-- What somebody holds for mode, mechanism and cause. The last one counts; none is
-- ever changed, so that what was thought before can be read.
create table failure_finding (
  id         uuid constraint failure_finding_pk primary key,
  failure_id uuid not null,
  site_id    uuid not null,
  mode       text constraint failure_finding_mode_fk references failure_mode,
  mechanism  text not null constraint failure_finding_mechanism_known check (mechanism in
               ('unknown', 'wear', 'corrosion', 'leakage', 'looseness', 'fatigue', 'breakage', 'deformation', 'vibration', 'sticking', 'overheating', 'overload',
                'contamination', 'blockage', 'moisture', 'ageing', 'electrical', 'faulty_signal', 'out_of_adjustment', 'installation', 'impact', 'hidden', 'no_fault_found')),
  cause      text not null constraint failure_finding_cause_known check (cause in
               ('unknown', 'expected_wear', 'design', 'material', 'fabrication', 'installation', 'maintenance', 'operation', 'beyond_design', 'vehicle_or_vandalism', 'other_failure', 'weather', 'no_cause_found')),
  note       text not null default '' constraint failure_finding_note_short check (char_length(note) <= 2000),
  found_at   timestamptz not null,
  found_by   uuid not null constraint failure_finding_actor_fk references actor,
  constraint failure_finding_failure_fk foreign key (failure_id, site_id) references failure (id, site_id)
);
create index failure_finding_failure_ix on failure_finding (failure_id, found_at, id);

-- The work that it gave rise to.
create table failure_task (
  id         uuid constraint failure_task_pk primary key,
  failure_id uuid not null,
  site_id    uuid not null,
  task_id    uuid not null constraint failure_task_task_fk references task,
  why        text not null constraint failure_task_why_known check (why in ('corrective', 'follow_up')),
  -- what holds meanwhile, where the task is to make it last
  temporary  text not null default '' constraint failure_task_temporary_short check (char_length(temporary) <= 2000),
  made_at    timestamptz not null,
  made_by    uuid not null constraint failure_task_actor_fk references actor,
  constraint failure_task_failure_fk foreign key (failure_id, site_id) references failure (id, site_id),
  constraint failure_task_temporary_said check ((why = 'follow_up') = (btrim(temporary) <> '')),
  constraint failure_task_once_uq unique (task_id)
);
create index failure_task_failure_ix on failure_task (failure_id, made_at);

alter table failure enable row level security;
alter table failure_finding enable row level security;
alter table failure_task enable row level security;
create trigger failure_trail after insert or update or delete on failure for each row execute function write_trail();
create trigger failure_finding_trail after insert or update or delete on failure_finding for each row execute function write_trail();
create trigger failure_task_trail after insert or update or delete on failure_task for each row execute function write_trail();

-- An owner sees what was reported in the own time.
create policy failure_seen on failure for select to spindlebook_app
  using ((select actor_sees_all()) or cast((select actor_spans()) ->> site_id::text as tstzmultirange) @> created_at);
create policy failure_added on failure for insert to spindlebook_app
  with check ((select actor_may('report_fault')) or cast((select actor_spans_to('report_fault')) ->> site_id::text as tstzmultirange) @> created_at);
create policy failure_edited on failure for update to spindlebook_app
  using ((select actor_may('report_fault')) or cast((select actor_spans_to('report_fault')) ->> site_id::text as tstzmultirange) @> created_at);
create policy failure_finding_seen on failure_finding for select to spindlebook_app
  using ((select actor_sees_all()) or cast((select actor_spans()) ->> site_id::text as tstzmultirange) @> found_at);
create policy failure_finding_added on failure_finding for insert to spindlebook_app
  with check ((select actor_may('report_fault')) or cast((select actor_spans_to('report_fault')) ->> site_id::text as tstzmultirange) @> found_at);
create policy failure_task_seen on failure_task for select to spindlebook_app
  using ((select actor_sees_all()) or cast((select actor_spans()) ->> site_id::text as tstzmultirange) @> made_at);
create policy failure_task_added on failure_task for insert to spindlebook_app
  with check ((select actor_may('report_fault')) or cast((select actor_spans_to('report_fault')) ->> site_id::text as tstzmultirange) @> made_at);

grant select on failure_mode to spindlebook_app;
grant usage on sequence failure_number_seq to spindlebook_app;
grant select, insert, update (line_id, position_id, unit_id, says, detected, before, line_effect, danger, noticed_at, reported_at, stopped_at, restored_at, caller, payer,
  vehicles_lost, remedy, caused_by_id, withdrawn_at, withdrawn_why, version) on failure to spindlebook_app;
grant select, insert on failure_finding, failure_task to spindlebook_app;

-- kinds stands for a group of kinds of position, written out below
insert into failure_mode (code, kinds, about, name, mechanism, sign)
select code, case kind
         when 'brush' then array['tyre_brush', 'rocker', 'side_brush_low', 'side_brush_high', 'wraparound', 'top_brush']
         when 'arm' then array['tyre_brush', 'rocker', 'side_brush_low', 'side_brush_high', 'wraparound']
         when 'pump' then array['pump_room', 'wheel_spray', 'arch', 'applicator']
         else array[kind] end, about, name, mechanism, sign
  from (values
  ('FM-001', 'brush', 'Foam set', 'tips worn short', 'wear', 'a stripe stays dirty low on the doors; the arm leans in further'),
  ('FM-002', 'brush', 'Foam set', 'leaf torn or gone', 'breakage', 'a thump once a turn; pieces of foam in the pit'),
  ('FM-003', 'brush', 'Foam set', 'loaded with grit or wax', 'contamination', 'squeaking, grey streaks on paint'),
  ('FM-004', 'brush', 'Foam set', 'stack loose on the hub', 'looseness', 'gaps between sections, a rattling cap'),
  ('FM-005', 'top_brush', 'Cloth curtain', 'frayed and shortened', 'wear', 'heavy dragging cloth, marks on the floor'),
  ('FM-006', 'brush', 'Cap screw', 'loose or lost', 'looseness', 'an edge of the cap lifts'),
  ('FM-007', 'brush', 'Compression bolt', 'seized or sheared', 'corrosion', 'the head twists, the bolt does not turn'),
  ('FM-008', 'brush', 'Clamp hub', 'screws have lost tension', 'looseness', 'the hub creeps down, its marks do not meet'),
  ('FM-009', 'brush', 'Flange hub', 'bolt holes worn oval', 'wear', 'a clunk at start, brown dust at the flange'),
  ('FM-010', 'brush', 'Hub', 'cracked', 'fatigue', 'a line of rust, the brush wobbles'),
  ('FM-011', 'brush', 'Key and keyway', 'fretted and loose', 'wear', 'a clunk at start and stop, brown powder at the shaft'),
  ('FM-012', 'brush', 'Shaft in its bore', 'seized', 'corrosion', 'the gearbox will not come off'),
  ('FM-013', 'brush', 'Shaft', 'bent', 'deformation', 'the rim runs out, foam worn on one side'),
  ('FM-014', 'brush', 'Shaft', 'cracked', 'fatigue', 'a hair of rust at keyway or thread'),
  ('FM-015', 'brush', 'Retaining nut', 'galled or stripped', 'wear', 'the nut binds before it seats'),
  ('FM-016', 'brush', 'Spacer washers', 'missing, mixed up or dished', 'deformation', 'the shaft sits low, the hub rubs'),
  ('FM-017', 'brush', 'Output seal', 'leaks', 'leakage', 'oil on frame, foam or floor'),
  ('FM-018', 'brush', 'Gear oil', 'spent or watery', 'contamination', 'milky or dark oil, a burnt smell'),
  ('FM-019', 'brush', 'Breather', 'blocked, or its transport plug left in', 'blockage', 'a seal leaks soon after an exchange'),
  ('FM-020', 'brush', 'Gearbox', 'wrong oil for how it is mounted', 'installation', 'noise from the upper bearing, heat'),
  ('FM-021', 'brush', 'Gears', 'pitted or worn', 'wear', 'a growl under load, metal in the oil'),
  ('FM-022', 'brush', 'Output bearing', 'worn', 'wear', 'the shaft moves sideways, a new seal leaks again'),
  ('FM-023', 'brush', 'Motor bearings', 'worn or rusted', 'wear', 'a whine, a hot end bell'),
  ('FM-024', 'brush', 'Winding', 'insulation low', 'moisture', 'it trips at start, somebody felt a tingle'),
  ('FM-025', 'brush', 'Winding', 'burnt out', 'overload', 'a smell, a dead motor, blown fuses'),
  ('FM-026', 'brush', 'Junction box', 'water in it', 'moisture', 'a trail of rust, trips for no reason'),
  ('FM-027', 'brush', 'Terminals', 'loose or hot', 'looseness', 'a discoloured lug'),
  ('FM-028', 'brush', 'Motor cable at the arm', 'chafed or broken', 'fatigue', 'it trips at one angle of the arm'),
  ('FM-029', 'motor_control', 'Overload relay', 'set for another motor', 'installation', 'it trips when busy, or does not when it should'),
  ('FM-030', 'brush', 'Gearmotor', 'turns the wrong way', 'installation', 'it pulls at mirrors, washes poorly'),
  ('FM-031', 'brush', 'Frame bolts and welds', 'loose or cracked', 'fatigue', 'the gearmotor rocks'),
  ('FM-032', 'brush', 'Frame cover', 'loose or cracked', 'breakage', 'it flaps or rubs on foam'),
  ('FM-033', 'wraparound', 'Arm pivot bearings', 'worn', 'wear', 'the arm sags, swings slowly or in jerks'),
  ('FM-034', 'wraparound', 'Arm pivot', 'stiff or seized', 'corrosion', 'the arm hesitates, then slams'),
  ('FM-035', 'top_brush', 'End bearings', 'washed out', 'contamination', 'a rumble, rusty water'),
  ('FM-036', 'arm', 'Air cylinder', 'rod seal leaks', 'leakage', 'hissing, a slow arm'),
  ('FM-037', 'arm', 'Air cylinder', 'piston seal lets air by', 'leakage', 'the arm drifts or pushes weakly'),
  ('FM-038', 'arm', 'Cylinder rod', 'bent or pitted', 'corrosion', 'the arm sticks in mid-stroke'),
  ('FM-039', 'arm', 'Clevis and pin', 'worn', 'wear', 'a clunk when the arm reverses'),
  ('FM-040', 'arm', 'Bumper or cushion', 'failed', 'breakage', 'the arm slams'),
  ('FM-041', 'arm', 'Arm regulator', 'creeps', 'wear', 'arm pressure has risen by morning'),
  ('FM-042', 'arm', 'Solenoid valve', 'sticks, or its coil is burnt', 'contamination', 'the arm comes late or not at all'),
  ('FM-043', 'compressed_air', 'Filter element', 'clogged', 'contamination', 'all arms slow when busy'),
  ('FM-044', 'compressed_air', 'Condensate', 'reaches the arms', 'contamination', 'water at exhausts, frozen valves'),
  ('FM-045', 'arm', 'Tube or fitting', 'cracked or leaking', 'ageing', 'hissing, low pressure at the end of the line'),
  ('FM-046', 'arm', 'Swivel', 'leaks', 'leakage', 'a drip at the arm, weak soap'),
  ('FM-047', 'arm', 'Arm sensor', 'gap wrong or target bent', 'looseness', 'a late retract, a fault on the panel'),
  ('FM-048', 'arm', 'Arm sensor', 'dead or stuck on', 'breakage', 'its lamp does not follow the target'),
  ('FM-049', 'entrance', 'Photo-eye', 'dirty or out of line', 'contamination', 'vehicles merged or split'),
  ('FM-050', 'entrance', 'Tyre switch', 'worn', 'wear', 'vehicles missed'),
  ('FM-051', 'conveyor', 'Chain', 'stretched', 'wear', 'jerky travel, a slack loop'),
  ('FM-052', 'conveyor', 'Roller', 'flat or seized', 'wear', 'a thump, a vehicle jumps its roller'),
  ('FM-053', 'conveyor', 'Drive sprocket', 'teeth hooked', 'wear', 'the chain climbs'),
  ('FM-054', 'conveyor', 'Take-up', 'out of adjustment', 'wear', 'a slack loop at the exit'),
  ('FM-055', 'conveyor', 'Gear unit', 'failed', 'wear', 'noise, oil, heat'),
  ('FM-056', 'pump', 'Pump packing', 'leaks', 'leakage', 'drips, pressure that pulses'),
  ('FM-057', 'pump', 'Nozzle', 'worn or blocked', 'wear', 'a wide or weak fan'),
  ('FM-058', 'blower', 'Bearing or wheel', 'rumbles or shakes', 'wear', 'noise, vibration, heat'),
  ('FM-059', 'blower', 'V-belt', 'slack or cracked', 'wear', 'a squeal, dust'),
  ('FM-060', 'compressed_air', 'Compressor', 'hot, weak or passing oil', 'wear', 'long runs, oil in the bowls'),
  ('FM-061', 'reclaim', 'Vault', 'full of sludge', 'contamination', 'a smell, cloudy rinse'),
  ('FM-062', 'power_unit', 'Hydraulic oil', 'dirty or hot', 'contamination', 'a slow conveyor, noise'),
  ('FM-063', 'motor_control', 'Controller battery', 'low', 'ageing', 'totals back at zero'),
  ('FM-064', 'motor_control', 'Emergency stop', 'does not stop', 'hidden', 'nothing, until it is tried'),
  ('FM-065', 'motor_control', 'Brush contactor', 'pitted or welded', 'wear', 'a brush runs on when it is off'),
  ('FM-066', 'top_brush', 'Lift belt or cable', 'frayed', 'wear', 'it lifts unevenly'),
  ('FM-067', 'rocker', 'Lower bearing', 'packed with dirt', 'contamination', 'a squeal, it stops'),
  ('FM-068', 'tyre_brush', 'Motor and bearing', 'eaten by water and acid', 'corrosion', 'noise, rust')) as m (code, kind, about, name, mechanism, sign);

-- Pump rooms hold pumps of several kinds, and each has work of its own.
insert into fact_kind (code, name, takes, choices) values
  ('pumps', 'What is pumped', 'choice', '{high_pressure,chemicals,treated_water,several}');
