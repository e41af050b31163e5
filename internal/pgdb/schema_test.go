package pgdb_test

import (
	"maps"
	"slices"
	"strings"
	"testing"

	"gorm.io/gorm"

	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgtest"
)

// Tables whose rows need no hiding from anybody who can ask.
var withoutRowSecurity = map[string]string{
	"capability":      "reference: the same for everybody",
	"role":            "reference: the same for everybody",
	"role_capability": "reference: the same for everybody",
	"position_kind":   "reference: the same for everybody",
	"fact_kind":       "reference: the same for everybody",
	"component_class": "reference: the same for everybody",
	"failure_mode":    "reference: the same for everybody",
	"fact_of_class":   "reference: the same for everybody",
	"slot_kind":       "reference: the same for everybody",
	"skill":           "reference: the same for everybody",
	"sessions":        "the session library states no actor; it finds a row only by the hash of a token",
	"failed_entry":    "written before anybody is known; names and addresses that failed, kept for a day",
	"schema_version":  "the number of the schema",
}

// Tables that the service changes without the trail telling of it.
var withoutTrail = map[string]string{
	"kept_answer":         "answers for retries: the work itself is in the trail",
	"sessions":            "comes and goes with each browser",
	"failed_entry":        "kept for a day to slow down guessing",
	"reading":             "each row says itself who saw what and when; how it is marked later is in the trail, by a trigger for updates",
	"usage_profile":       "learnt from readings, and learnt anew each night",
	"assignment":          "appears and ends with plans and the register, and what it stands at is worked out; what people do to it stands in tables of its own",
	"assignment_driver":   "worked out from readings, and worked out anew with each",
	"assignment_stale":    "a mark of what is to be worked out",
	"completion":          "each row says itself who recorded what and when, and is never changed",
	"completion_person":   "a part of a completion",
	"completion_position": "a part of a completion",
	"check_answer":        "a part of a completion",
	"meter_state":         "worked out from readings, and worked out anew with each",
	"isolation_entry":     "each row says itself who declared what and when, and is never changed",
	"isolation_lock":      "worked out from entries, and worked out anew with each",
	"record_procedure":    "each row says itself who added what and when, and is never changed",
	"record_step":         "a part of a job record, written when that is opened",
	"record_entry":        "each row says itself who recorded what and when, and is never changed",
	"visit_entry":         "each row says itself who recorded what and when, and is never changed",
	"digest_day":          "each row says itself when the letter of a day was sent",
	"van_tick":            "each row says itself who recorded what and when, and is never changed",
}

func TestEveryTableIsUnderRowSecurity(t *testing.T) {
	t.Parallel()
	_, owner := pgtest.DSN(t)
	without := ask(t, connect(t, owner), `
		select relname from pg_class
		 where relnamespace = 'public'::regnamespace and relkind in ('r', 'p') and not relrowsecurity order by 1`)
	if want := slices.Sorted(maps.Keys(withoutRowSecurity)); !slices.Equal(without, want) {
		t.Errorf("without row-level security stand\n%v, and the list has\n%v", without, want)
	}
}

// The program itself can tell of what is not guarded, for whoever runs it.
func TestUnguardedTellsOfTablesAndViews(t *testing.T) {
	t.Parallel()
	service, owner := pgtest.DSN(t)
	db := pgtest.Open(t, service)
	if got, err := db.Unguarded(ctx); err != nil || len(got) != 0 {
		t.Errorf("unguarded are %v, %v", got, err)
	}
	run(t, connect(t, owner), `create table loot (id int)`, `create view peephole as select 1 as one`, `alter view ownership_now reset (security_invoker)`)
	got, err := db.Unguarded(ctx)
	want := []string{"table loot is not guarded by row-level security", "view ownership_now asks with its owner's rights", "view peephole asks with its owner's rights"}
	if err != nil || !slices.Equal(got, want) {
		t.Errorf("unguarded are %q, %v, want %q", got, err, want)
	}
	db.Close()
	if _, err := db.Unguarded(ctx); err == nil {
		t.Error("a closed pool answers")
	}
}

func TestEveryPolicyIsForTheServiceOnly(t *testing.T) {
	t.Parallel()
	_, owner := pgtest.DSN(t)
	conn := connect(t, owner)
	if others := ask(t, conn, `select polrelid::regclass, polname from pg_policy where polroles <> array['spindlebook_app'::regrole::oid]`); len(others) > 0 {
		t.Errorf("policies for others than the service: %v", others)
	}
	// a policy that lets one write without looking at the actor would be a hole
	if open := ask(t, conn, `select polrelid::regclass, polname from pg_policy
		where coalesce(pg_get_expr(polqual, polrelid), '') || coalesce(pg_get_expr(polwithcheck, polrelid), '') !~ '(actor_|current_actor|position)'`); len(open) > 0 {
		t.Errorf("policies that do not look at the actor: %v", open)
	}
}

func TestEveryChangeReachesTheTrail(t *testing.T) {
	t.Parallel()
	_, owner := pgtest.DSN(t)
	conn := connect(t, owner)
	// 1 row, 4 insert, 8 delete, 16 update; bit 2 would be "before"
	traced := ask(t, conn, `
		select relname from pg_trigger join pg_class as c on c.oid = tgrelid
		 where tgfoid = 'write_trail'::regproc and tgenabled = 'O' and tgtype = 1 + 4 + 8 + 16 and tgqual is null order by 1`)
	changed := ask(t, conn, `
		select c.relname from pg_class as c
		 where c.relnamespace = 'public'::regnamespace and c.relkind in ('r', 'p')
		   and (has_any_column_privilege('spindlebook_app', c.oid, 'insert, update') or has_table_privilege('spindlebook_app', c.oid, 'delete'))
		order by 1`)
	if len(changed) < 20 {
		t.Fatalf("the service changes %v: the question is wrong", changed)
	}
	for _, table := range changed {
		_, excepted := withoutTrail[table]
		if has := slices.Contains(traced, table); has == excepted {
			t.Errorf("table %s: has the trail's trigger: %v; is on the list of those without: %v", table, has, excepted)
		}
	}
	for table := range withoutTrail {
		if !slices.Contains(changed, table) {
			t.Errorf("the list names %s, which the service does not change", table)
		}
	}
}

func TestViewsAskWithTheRightsOfTheirReader(t *testing.T) {
	t.Parallel()
	_, owner := pgtest.DSN(t)
	conn := connect(t, owner)
	all := ask(t, conn, `select relname from pg_class where relnamespace = 'public'::regnamespace and relkind in ('v', 'm')`)
	invoker := ask(t, conn, `select relname from pg_class where relnamespace = 'public'::regnamespace and relkind = 'v' and reloptions @> '{security_invoker=true}'`)
	if len(all) == 0 || len(all) != len(invoker) {
		t.Errorf("of the views %v only %v ask as their reader", all, invoker)
	}
}

func TestFunctionsThatRunAsTheOwnerFixTheirPath(t *testing.T) {
	t.Parallel()
	_, owner := pgtest.DSN(t)
	loose := ask(t, connect(t, owner), `
		select proname from pg_proc
		 where pronamespace = 'public'::regnamespace and prosecdef and not coalesce(proconfig @> '{"search_path=public, pg_temp"}', false)`)
	if len(loose) > 0 {
		t.Errorf("could be led astray by a search path: %v", loose)
	}
}

func TestTheServiceOwnsNothingAndIsNobody(t *testing.T) {
	t.Parallel()
	service, owner := pgtest.DSN(t)
	conn := connect(t, superuser(t, owner))
	if owned := ask(t, conn, `select classid::regclass::text, objid::text from pg_shdepend where refobjid = 'spindlebook_app'::regrole and deptype = 'o'`); len(owned) > 0 {
		t.Errorf("owns %v", owned)
	}
	if strong := ask(t, conn, `select rolname from pg_roles where rolname = 'spindlebook_app'
		and (rolsuper or rolbypassrls or rolcreatedb or rolcreaterole or rolreplication)`); len(strong) > 0 {
		t.Error("the role may more than serve")
	}
	if member := ask(t, conn, `select roleid::regrole::text from pg_auth_members where member = 'spindlebook_app'::regrole`); len(member) > 0 {
		t.Errorf("is a member of %v", member)
	}
	db := pgtest.Open(t, service)
	for _, ddl := range []string{
		`create table loot (id int)`,
		`create view loot as select 1`,
		`create function loot() returns int language sql as 'select 1'`,
		`create function public.current_actor(int) returns uuid language sql as 'select null::uuid'`,
		`create schema loot`,
		`create extension pgcrypto`,
		`create role loot`,
		`alter table customer add column loot int`,
		`alter table customer disable row level security`,
		`alter table customer disable trigger customer_trail`,
		`alter role spindlebook_app bypassrls`,
		`create policy loot on customer using (true)`,
		`drop policy customer_seen on customer`,
		`drop trigger customer_trail on customer`,
		`drop table customer`,
		`drop function actor_sees_all()`,
		`truncate failed_entry`,
		`truncate customer cascade`,
		`create trigger loot before insert on customer for each row execute function write_trail()`,
		`create index loot on customer (name)`,
		`grant select on customer to public`,
		`set role spindlebook_owner`,
		`set session_replication_role = replica`,
	} {
		err := db.InTx(ctx, system, func(tx *gorm.DB) error { return tx.Exec(ddl).Error })
		// a grant that the grantor may not give is only a warning, so look at the outcome
		if strings.HasPrefix(ddl, "grant") && err == nil {
			if given := ask(t, conn, `select 1::text where has_table_privilege('public', 'customer', 'select')`); len(given) > 0 {
				t.Errorf("the service role may %q", ddl)
			}
			continue
		}
		if sqlState(err) != "42501" {
			t.Errorf("the service role may %q: %v", ddl, err)
		}
	}
}

// mayChange is everything the service may change, by table. An update names its
// columns: what identifies a row or has happened cannot be rewritten.
var mayChange = map[string]string{
	"customer":            "insert update(code name needs_order_number version)",
	"site":                "insert update(address climate code currency day_turns_at driver_side latitude longitude name size version zone)",
	"ownership":           "insert update(during)",
	"actor":               "insert update(disabled_at name version)",
	"person":              "insert",
	"credential":          "insert update(changed_at epoch password_hash)",
	"role_grant":          "insert update(ends_at)",
	"program_token":       "insert update(revoked_at)",
	"entry_link":          "insert update(used_at) delete",
	"person_preference":   "insert update(digest digest_hour email units zone)",
	"digest_day":          "insert update(claimed_at ended_at fault state tries)",
	"calendar_address":    "insert update(changed_at content_hash read_at revoked_at)",
	"sessions":            "insert update(data expiry token) delete",
	"failed_entry":        "insert delete",
	"kept_answer":         "insert update(actor_id answer fingerprint kept_at key) delete",
	"line":                "insert update(code length_m length_typed name speed_m_min speed_typed vehicles_per_hour_max version)",
	"position":            "insert update(along_m along_typed code during kind line_id line_side name supply_id version)",
	"supply":              "insert update(during)",
	"weekly_hours":        "insert update(during)",
	"blackout":            "insert update(withdrawn_at)",
	"position_state":      "insert update(during)",
	"position_fact":       "insert update(during withdrawn_at withdrawn_why)",
	"position_alias":      "insert delete",
	"twin":                "insert delete",
	"isolation_point":     "insert update(during)",
	"isolation_version":   "insert update(during)",
	"position_isolation":  "insert delete",
	"site_note":           "insert",
	"part":                "insert update(abc bought_in class container description hazard measured_in number open_months pack repairable shelf_months tracking version weight_kg weight_typed)",
	"part_fact":           "insert delete",
	"location":            "insert update(kind name owner version)",
	"unit":                "insert update(lot owner owner_customer_id part_id pattern serial start_days start_hours start_vehicles version)",
	"section_replaced":    "insert",
	"unit_fact":           "insert update(during withdrawn_at withdrawn_why)",
	"stay":                "insert update(during ended_for until_precision)",
	"photo":               "insert update(withdrawn_at withdrawn_why)",
	"meter":               "insert update(code counts during kind most_per_hour version)",
	"meter_place":         "insert update(during)",
	"meter_segment":       "insert update(base decimals digits during modulus shows) delete",
	"reading":             "insert update(doubt nth state)",
	"reading_act":         "insert",
	"meter_state":         "insert update(changed_at changed_from)",
	"meter_formula":       "insert update(during)",
	"meter_formula_term":  "insert",
	"position_share":      "insert update(during)",
	"regime_change":       "insert update(withdrawn_at)",
	"usage_profile":       "insert update(computed_at factor meters years)",
	"assignment":          "insert update(born_of changed due_at due_on earliest_on ended_at ended_why gaps governs grade grid_from high_on judged_at late_at latest_on line_id low_on mark_at mark_completion_id mark_done mark_settled missed next_check_at next_on opens_at parked position_id revision says since since_known site_id skipped_until state task_id tied_unit_id)",
	"assignment_driver":   "insert delete",
	"assignment_override": "insert update(withdrawn_at withdrawn_by)",
	"assignment_stale":    "insert update(site_id) delete",
	"check_answer":        "insert",
	"completion":          "insert",
	"completion_person":   "insert",
	"completion_position": "insert",
	"plan":                "insert update(code ended_at title version)",
	"plan_version":        "insert update(applies_to basis change classes condition criticality early_days early_percent kinds late_days late_percent published_at published_by tied_to triggers units_in version)",
	"procedure":           "insert update(code title version)",
	"procedure_check":     "insert delete",
	"procedure_cover":     "insert delete",
	"procedure_follow_up": "insert delete",
	"procedure_option":    "insert delete",
	"procedure_step":      "insert delete",
	"procedure_version":   "insert update(caution change energies isolation line_state minutes_high minutes_low minutes_typical people published_at published_by skills version)",
	"task":                "insert update(due_on earliest_on ended_at ended_by ended_why latest_on missed planned_on procedure_id skipped_until state version)",
	"task_note":           "insert",
	"failure":             "insert update(before caller caused_by_id danger detected line_effect line_id noticed_at payer position_id remedy reported_at restored_at says stopped_at unit_id vehicles_lost version withdrawn_at withdrawn_why)",
	"failure_finding":     "insert",
	"failure_task":        "insert",
	"part_alias":          "insert delete",
	"part_cost":           "insert update(during)",
	"supplier":            "insert update(closed name version working_days)",
	"supplier_part":       "insert update(lead_10 lead_50 lead_90 number preferred version)",
	"part_succession":     "insert update(during)",
	"part_succession_to":  "insert",
	"part_interchange":    "insert update(during)",
	"kit_recipe":          "insert",
	"kit_line":            "insert",
	"requirement_line":    "insert delete",
	"fit_rule":            "insert delete",
	"location_holder":     "insert update(during)",
	"skill_evidence":      "insert update(withdrawn_at withdrawn_why)",
	"isolation_entry":     "insert",
	"isolation_lock":      "insert update(handed_to left_until locked_at off_at person person_id record_id recorded_by removed_at visit_id)",
	"job_record":          "insert update(completion_id ended_at ended_by ended_why state unseen version visit_id)",
	"record_procedure":    "insert",
	"record_step":         "insert",
	"record_entry":        "insert",
	"entry_look":          "insert",

	"core":                   "insert update(drained state unit_id version)",
	"core_deposit":           "insert update(credited_minor)",
	"core_event":             "insert",
	"kit_bag":                "insert update(opened_at opened_by opened_for state version)",
	"kit_bag_line":           "insert update(used)",
	"lot":                    "insert update(expires_on)",
	"lot_extension":          "insert",
	"open_container":         "insert update(emptied_at level level_at version)",
	"stock_claim":            "insert update(balance_id ended_at ended_by ended_why location_id state taken_by_id unit_id version)",
	"stock_count":            "insert update(ended_at ended_by state version)",
	"stock_count_line":       "insert update(balance_id expected first first_at first_by first_tags second second_at second_by second_tags)",
	"stock_discrepancy":      "insert update(settled_at settled_by settled_how)",
	"stock_level":            "insert update(least most) delete",
	"supplier_order":         "insert update(ended_at ended_why note sent_at state version)",
	"supplier_order_line":    "insert update(cancelled) delete",
	"supplier_order_price":   "insert",
	"supplier_order_promise": "insert",
	"warranty":               "insert update(authority claimed_at state version)",
	"warranty_event":         "insert",
	"planning_rule":          "update(closed day_minutes distances latitude longitude road_factor site_minutes speed_km_h target_percent twin_percent version working_days)",
	"planning_cost":          "update(currency hour_minor trip_minor version)",
	"visit":                  "insert update(began_at ended_at ended_by ended_why ends_at locked next_id on_date reason said_chance starts_at state van_id version)",
	"visit_person":           "insert update(booked during) delete",
	"visit_task":             "insert update(ended_at ended_how method ordinal)",
	"visit_entry":            "insert",
	"visit_left":             "insert",
	"visit_want":             "insert",
	"visit_decision":         "insert",
	"visit_saving":           "insert",
	"planning_choice":        "insert update(withdrawn_at withdrawn_by)",
	"van_tick":               "insert",
}

func TestTheServiceChangesWhatItMustAndNoMore(t *testing.T) {
	t.Parallel()
	_, owner := pgtest.DSN(t)
	has := map[string]string{}
	for _, row := range ask(t, connect(t, owner), `
		select c.relname,
		       concat_ws(' ', case when has_any_column_privilege('spindlebook_app', c.oid, 'insert') then 'insert' end,
		         (select 'update(' || string_agg(a.attname, ' ' order by a.attname) || ')' from pg_attribute as a
		           where a.attrelid = c.oid and a.attnum > 0 and not a.attisdropped and has_column_privilege('spindlebook_app', c.oid, a.attnum, 'update')),
		         case when has_table_privilege('spindlebook_app', c.oid, 'delete') then 'delete' end,
		         case when has_table_privilege('spindlebook_app', c.oid, 'truncate') then 'truncate' end,
		         case when has_table_privilege('spindlebook_app', c.oid, 'trigger') then 'trigger' end)
		  from pg_class as c
		 where c.relnamespace = 'public'::regnamespace and c.relkind in ('r', 'p', 'v', 'm', 'f')`) {
		table, may, _ := strings.Cut(row, " ")
		if may != "" {
			has[table] = may
		}
	}
	for table := range maps.Keys(has) {
		if mayChange[table] != has[table] {
			t.Errorf("%s: the service may %q, expected %q", table, has[table], mayChange[table])
		}
	}
	for table, may := range mayChange {
		if has[table] == "" {
			t.Errorf("%s: the service may nothing, expected %q", table, may)
		}
	}
}

// The grants above, tried out where it would hurt most.
func TestWhatHappenedCannotBeUnsaid(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	if err := db.InTx(ctx, system, addCustomer("HAD")); err != nil {
		t.Fatal(err)
	}
	for _, q := range []string{
		`update trail set act = 'delete'`,
		`update trail set actor_id = gen_random_uuid()`,
		`delete from trail`,
		`insert into trail (actor_id, entity, act) values (current_actor(), 'customer', 'insert')`,
		`select setval('trail_id_seq', 1)`,
		`update isolation_version set prove = 'trust me'`,
		`update isolation_version set checked_on = '2030-01-01'`,
		`delete from isolation_version`,
		`update position_fact set value = 'clamp4'`,
		`update position_fact set recorded_by = current_actor()`,
		`delete from position_fact`,
		`update isolation_entry set at = now()`,
		`delete from isolation_entry`,
		`update record_entry set outcome = 'done'`,
		`delete from record_entry`,
		`delete from entry_look`,
		`update site_note set body = ''`,
		`delete from site_note`,
		`update stay set unit_id = gen_random_uuid()`,
		`update stay set slot_id = null, location_id = null`,
		`update stay set recorded_by = current_actor()`,
		`delete from stay`,
		`update unit set tag = 'SB1'`,
		`delete from unit`,
		`update unit_fact set value = 'O3'`,
		`delete from unit_fact`,
		`update section_replaced set lot = ''`,
		`delete from section_replaced`,
		`update photo set content = ''`,
		`delete from photo`,
		`update location set code = 'X'`,
		`update part_cost set price_minor = 1`,
		`delete from part_cost`,
		`update part_succession set part_id = gen_random_uuid()`,
		`delete from part_succession`,
		`delete from part_succession_to`,
		`update part_interchange set kind = 'either'`,
		`delete from part_interchange`,
		`update kit_recipe set number = 1`,
		`delete from kit_recipe`,
		`update kit_line set amount = 1`,
		`delete from kit_line`,
		`update requirement_line set amount = 1`,
		`update location_holder set actor_id = current_actor()`,
		`insert into part_words (part_id, words) values (gen_random_uuid(), '')`,
		`select write_part_words('{}')`,
		`update location set site_id = gen_random_uuid()`,
		`update reading set value = 0`,
		`update reading set at = now()`,
		`update reading set typed = ''`,
		`update reading set recorded_by = current_actor()`,
		`delete from reading`,
		`update reading_act set reason = ''`,
		`delete from reading_act`,
		`update meter set unit = 'hours'`,
		`update meter set site_id = gen_random_uuid()`,
		`delete from meter`,
		`update meter_segment set start_value = 0`,
		`update meter_place set meter_id = gen_random_uuid()`,
		`update meter_formula set ratio = 1`,
		`update meter_formula_term set weight = 2`,
		`update position_share set share = 1`,
		`update meter_state set last_total = 0`,
		`update procedure set is_block = true`,
		`delete from procedure_version`,
		`update procedure_step set says = ''`,
		`update procedure_check set fail_low = 0`,
		`update plan set procedure_id = gen_random_uuid()`,
		`delete from plan_version`,
		`delete from assignment`,
		`update assignment set plan_id = gen_random_uuid()`,
		`update assignment set thing_id = gen_random_uuid()`,
		`update assignment_override set reason = 'x'`,
		`delete from task`,
		`update task set origin = 'hand'`,
		`update task_note set body = 'x'`,
		`update completion set done_at = now()`,
		`delete from completion`,
		`update completion_person set name = 'x'`,
		`delete from completion_position`,
		`update check_answer set verdict = 'good'`,
		`delete from check_answer`,
		`update failure set site_id = gen_random_uuid()`,
		`update failure set created_by = current_actor()`,
		`delete from failure`,
		`update failure_finding set cause = 'unknown'`,
		`delete from failure_finding`,
		`update failure_task set temporary = ''`,
		`delete from location`,
		`delete from part`,
		`insert into slot (position_id, code, name, class, ordinal) values (gen_random_uuid(), 'x', 'x', 'hub', 1)`,
		`update slot set class = 'hub'`,
		`delete from slot`,
		`update ownership set customer_id = gen_random_uuid()`,
		`delete from ownership`,
		`update line set site_id = gen_random_uuid()`,
		`update position set site_id = gen_random_uuid()`,
		`delete from position`,
		`delete from position_state`,
		`update position_state set state = 'parked'`,
		`update role_grant set role = 'manager'`,
		`delete from role_grant`,
		`update person set login = 'somebody.else'`,
		`delete from actor`,
		`delete from site`,
		`delete from customer`,
		`insert into capability (code, meaning) values ('fly', 'fly')`,
		`insert into role_capability (role, capability) values ('owner', 'see_cost')`,
		`delete from role_capability`,
		`insert into schema_version (version_id, is_applied) values (99, true)`,
	} {
		err := db.InTx(ctx, system, func(tx *gorm.DB) error { return tx.Exec(q).Error })
		if sqlState(err) != "42501" {
			t.Errorf("the service role may %q: %v", q, err)
		}
	}
	if err := db.InTx(ctx, system, func(tx *gorm.DB) error { return tx.Exec(`select write_trail()`).Error }); err == nil {
		t.Error("the trail's function can be called by hand")
	}
}

func TestTheTrailTellsWhoDidWhat(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	asked := pgdb.WithRequestID(ctx, "req-7")
	if err := db.InTx(asked, system, addCustomer("HAD")); err != nil {
		t.Fatal(err)
	}
	err := db.InTx(ctx, system, func(tx *gorm.DB) error {
		if err := tx.Exec(`update customer set name = name`).Error; err != nil { // changes nothing, so it is nothing to tell
			return err
		}
		return tx.Exec(`update customer set name = 'Hadrelle', version = version + 1`).Error
	})
	if err != nil {
		t.Fatal(err)
	}
	type row struct {
		Act, Entity string
		RequestID   *string
		Was, Is     *string
		Right       bool
	}
	got, err := pgdb.Read[row](ctx, db, system, `
		select t.act, t.entity, t.request_id, t.before ->> 'name' as was, t.after ->> 'name' as "is",
		       t.actor_id = current_actor() and t.entity_id = c.id as right
		  from trail as t, customer as c where t.entity = 'customer' order by t.id`, nil)
	if err != nil {
		t.Fatal(err)
	}
	if len(got) != 2 || !got[0].Right || !got[1].Right {
		t.Fatalf("the trail holds %+v", got)
	}
	if a := got[0]; a.Act != "insert" || a.RequestID == nil || *a.RequestID != "req-7" || a.Was != nil || *a.Is != "Hadrelle Wash Group" {
		t.Errorf("of the insert the trail tells %+v", a)
	}
	if b := got[1]; b.Act != "update" || b.RequestID != nil || *b.Was != "Hadrelle Wash Group" || *b.Is != "Hadrelle" {
		t.Errorf("of the update the trail tells %+v", b)
	}
}

// Constraints that no request can break, so that nobody needs words for them.
var noWordsFor = map[string]string{
	"part_alias_part_fk":                   "the program has just made or found the part",
	"part_cost_actor_fk":                   "whoever records is known",
	"part_succession_actor_fk":             "whoever records is known",
	"part_interchange_actor_fk":            "whoever records is known",
	"kit_recipe_actor_fk":                  "whoever records is known",
	"part_succession_to_succession_fk":     "the program has just made the succession",
	"kit_line_recipe_fk":                   "the program has just made the recipe",
	"kit_line_pk":                          "the program counts",
	"kit_recipe_number_real":               "the program counts",
	"part_words_pk":                        "triggers write it",
	"part_words_part_fk":                   "triggers write it",
	"part_weight_whole":                    "both are written together",
	"location_holder_location_fk":          "the program found the place before",
	"actor_kind_known":                     "the program chooses the kind",
	"entry_link_purpose_known":             "the program chooses the purpose",
	"entry_link_names_someone":             "the program chooses the purpose",
	"isolation_point_during_real":          "its end is never given",
	"isolation_version_number_real":        "the program counts",
	"position_fact_withdrawal_whole":       "both are written together",
	"trail_act_known":                      "written by triggers only",
	"credential_actor_fk":                  "the program found the person before",
	"entry_link_actor_fk":                  "the program found the person before",
	"person_actor_fk":                      "the program made the actor before",
	"program_token_actor_fk":               "the program found the account before",
	"role_grant_actor_fk":                  "the program found the account before",
	"isolation_version_actor_fk":           "whoever records is known",
	"position_fact_actor_fk":               "whoever records is known",
	"site_note_actor_fk":                   "whoever writes is known",
	"isolation_version_point_fk":           "the program found the point before",
	"position_alias_position_fk":           "the program found the position before",
	"position_fact_position_fk":            "the program found the position before",
	"position_isolation_position_fk":       "the program found the position before",
	"position_state_position_fk":           "the program found the position before",
	"twin_site_fk":                         "the program takes the site from the position",
	"entry_link_secret_uq":                 "256 random bits",
	"program_token_secret_uq":              "256 random bits",
	"isolation_point_site_uq":              "there for foreign keys; the id alone is unique",
	"line_site_uq":                         "there for foreign keys; the id alone is unique",
	"position_site_uq":                     "there for foreign keys; the id alone is unique",
	"position_twin_uq":                     "there for foreign keys; the id alone is unique",
	"supply_site_uq":                       "there for foreign keys; the id alone is unique",
	"kept_answer_pk":                       "meets on conflict do nothing",
	"credential_pk":                        "meets on conflict do update",
	"role_code_scope_uq":                   "reference table",
	"role_scope_known":                     "reference table",
	"role_capability_pk":                   "reference table",
	"role_capability_role_fk":              "reference table",
	"role_capability_capability_fk":        "reference table",
	"capability_pk":                        "reference table",
	"role_pk":                              "reference table",
	"fact_kind_pk":                         "reference table",
	"fact_kind_takes_known":                "reference table",
	"fact_kind_choices_fit":                "reference table",
	"position_kind_pk":                     "reference table",
	"position_kind_duty_known":             "reference table",
	"position_kind_turns_known":            "reference table",
	"sessions_pk":                          "the session library's own",
	"person_pk":                            "the program has just made the actor",
	"schema_version_pkey":                  "the migrating library's own",
	"component_class_pk":                   "reference table",
	"fact_of_class_class_fk":               "reference table",
	"fact_of_class_fact_fk":                "reference table",
	"fact_of_class_pk":                     "reference table",
	"slot_kind_class_fk":                   "reference table",
	"slot_kind_holder_known":               "reference table",
	"slot_kind_pk":                         "reference table",
	"location_site_uq":                     "there for foreign keys; the id alone is unique",
	"location_shelf_has_a_site":            "the program looks at it before, to say more",
	"part_fact_kind_fk":                    "the program looks at it before, to say more",
	"part_fact_value_given":                "the program looks at it before, to say more",
	"unit_owner_known":                     "the program looks at it before, to say more",
	"unit_owner_whole":                     "the program looks at it before, to say more",
	"unit_pattern_form":                    "the program looks at it before, to say more",
	"unit_start_days_real":                 "the program looks at it before, to say more",
	"unit_start_hours_real":                "the program looks at it before, to say more",
	"unit_start_vehicles_real":             "the program looks at it before, to say more",
	"unit_fact_value_given":                "the program looks at it before, to say more",
	"stay_ended_for_known":                 "the program looks at it before, to say more",
	"stay_from_precision_known":            "the program looks at it before, to say more",
	"stay_until_precision_known":           "the program looks at it before, to say more",
	"stay_in_one_thing":                    "the program looks at it before, to say more",
	"stay_start_precision":                 "the program looks at it before, to say more",
	"section_replaced_real":                "the program looks at it before, to say more",
	"photo_withdrawal_whole":               "both are written together",
	"photo_of_something":                   "the program looks at it before, to say more",
	"photo_type_known":                     "the program looks at it before, to say more",
	"photo_width_real":                     "the program looks at it before, to say more",
	"photo_height_real":                    "the program looks at it before, to say more",
	"photo_size_bounded":                   "the program looks at it before, to say more",
	"part_fact_part_fk":                    "the program has just made or found the part",
	"unit_serial_given":                    "a blank serial is none",
	"photo_actor_fk":                       "whoever records is known",
	"section_replaced_actor_fk":            "whoever records is known",
	"stay_actor_fk":                        "whoever records is known",
	"unit_fact_actor_fk":                   "whoever records is known",
	"photo_unit_fk":                        "the program found the unit before",
	"section_replaced_unit_fk":             "the program found the unit before",
	"stay_unit_fk":                         "the program found the unit before",
	"unit_fact_unit_fk":                    "the program found the unit before",
	"photo_position_fk":                    "the program found the position before",
	"photo_line_fk":                        "the program found the line before",
	"photo_site_fk":                        "the program takes the site from the place",
	"stay_site_fk":                         "the program takes the site from the place",
	"stay_slot_fk":                         "the program found the place before",
	"stay_location_fk":                     "the program found the place before",
	"slot_class_fk":                        "a trigger makes the slots",
	"slot_in_one_thing":                    "a trigger makes the slots",
	"slot_position_fk":                     "a trigger makes the slots",
	"slot_position_uq":                     "a trigger makes the slots",
	"slot_unit_fk":                         "a trigger makes the slots",
	"slot_unit_uq":                         "a trigger makes the slots",
	"stay_end_whole":                       "all of an end are written together",
	"unit_fact_withdrawal_whole":           "both are written together",
	"meter_formula_meter_fk":               "the program found or made the meter before",
	"meter_formula_term_formula_fk":        "the program has just made the formula",
	"meter_kind_known":                     "the program looks at it before, to say more",
	"meter_unit_known":                     "the program looks at it before, to say more",
	"meter_place_actor_fk":                 "whoever records is known",
	"meter_place_meter_fk":                 "the program found or made the meter before",
	"meter_place_unit_fk":                  "the program found or made the meter before",
	"meter_segment_actor_fk":               "whoever records is known",
	"meter_segment_decimals_real":          "the program looks at it before, to say more",
	"meter_segment_digits_real":            "the program looks at it before, to say more",
	"meter_segment_during_real":            "the program looks at it before, to say more",
	"meter_segment_how_known":              "the program looks at it before, to say more",
	"meter_segment_last_real":              "the program looks at it before, to say more",
	"meter_segment_meter_fk":               "the program found or made the meter before",
	"meter_segment_modulus_real":           "the program looks at it before, to say more",
	"meter_segment_shows_known":            "the program looks at it before, to say more",
	"meter_segment_start_real":             "the program looks at it before, to say more",
	"meter_site_uq":                        "there for foreign keys; the id alone is unique",
	"meter_unit_uq":                        "there for foreign keys; the id alone is unique",
	"meter_state_meter_fk":                 "the program found or made the meter before",
	"meter_state_pk":                       "the program found or made the meter before",
	"position_share_actor_fk":              "whoever records is known",
	"position_share_during_real":           "the program looks at it before, to say more",
	"reading_act_actor_fk":                 "whoever records is known",
	"reading_act_known":                    "the program looks at it before, to say more",
	"reading_act_meter_fk":                 "the program found or made the meter before",
	"reading_act_segment_fk":               "the program has just made the run",
	"reading_doubt_known":                  "the program looks at it before, to say more",
	"reading_doubt_named":                  "the program looks at it before, to say more",
	"reading_one_at_an_instant":            "the meter is locked, and what stands there was looked at",
	"reading_source_known":                 "the program looks at it before, to say more",
	"reading_stands_first":                 "both are written together",
	"reading_state_known":                  "the program looks at it before, to say more",
	"reading_value_real":                   "the program looks at it before, to say more",
	"regime_change_actor_fk":               "whoever records is known",
	"usage_profile_pooled_uq":              "what was learnt before is replaced",
	"usage_profile_unit_known":             "the program writes only units of meters",
	"usage_profile_site_uq":                "what was learnt before is replaced",
	"meter_formula_actor_fk":               "whoever records is known",
	"meter_formula_during_real":            "the program looks at it before, to say more",
	"assignment_alive_uq":                  "the program found or made it before",
	"assignment_driver_assignment_fk":      "the program found or made it before",
	"assignment_driver_pk":                 "the program found or made it before",
	"assignment_driver_unit_known":         "the program looks at it before, to say more",
	"assignment_ended_whole":               "both are written together",
	"assignment_ended_why_known":           "the program looks at it before, to say more",
	"assignment_line_fk":                   "the program found or made it before",
	"assignment_override_actor_fk":         "whoever records is known",
	"assignment_override_assignment_fk":    "the program found or made it before",
	"assignment_override_withdrawal_whole": "both are written together",
	"assignment_override_withdrawer_fk":    "whoever records is known",
	"assignment_plan_fk":                   "the program found or made it before",
	"assignment_position_fk":               "the program found or made it before",
	"assignment_site_fk":                   "the program found or made it before",
	"assignment_state_known":               "the program looks at it before, to say more",
	"assignment_unit_fk":                   "the program found or made it before",
	"check_answer_check_fk":                "the program found or made it before",
	"check_answer_completion_fk":           "the program found or made it before",
	"check_answer_said":                    "the program looks at it before, to say more",
	"check_answer_task_fk":                 "the program found or made it before",
	"check_answer_verdict_known":           "the program looks at it before, to say more",
	"completion_actor_fk":                  "whoever records is known",
	"completion_assignment_fk":             "the program found or made it before",
	"completion_covered_by_fk":             "the program found or made it before",
	"completion_outcome_known":             "the program looks at it before, to say more",
	"completion_person_completion_fk":      "the program found or made it before",
	"completion_person_pk":                 "the program found or made it before",
	"completion_position_completion_fk":    "the program found or made it before",
	"completion_procedure_version_fk":      "the program found or made it before",
	"completion_site_fk":                   "the program found or made it before",
	"completion_task_fk":                   "the program found or made it before",
	"completion_unit_fk":                   "the program found or made it before",
	"plan_version_actor_fk":                "whoever records is known",
	"plan_version_basis_known":             "the program looks at it before, to say more",
	"plan_version_criticality_known":       "the program looks at it before, to say more",
	"plan_version_number_real":             "the program counts",
	"plan_version_plan_fk":                 "the program found or made it before",
	"plan_version_published_whole":         "both are written together",
	"plan_version_publisher_fk":            "whoever records is known",
	"procedure_check_seq_real":             "the program counts",
	"procedure_check_seq_uq":               "the program counts",
	"procedure_check_version_fk":           "the program found or made it before",
	"procedure_cover_version_fk":           "the program found or made it before",
	"procedure_follow_up_version_fk":       "the program found or made it before",
	"procedure_option_version_fk":          "the program found or made it before",
	"procedure_step_seq_real":              "the program counts",
	"procedure_step_seq_uq":                "the program counts",
	"procedure_step_version_fk":            "the program found or made it before",
	"procedure_version_actor_fk":           "whoever records is known",
	"procedure_version_number_real":        "the program counts",
	"procedure_version_procedure_fk":       "the program found or made it before",
	"procedure_version_published_whole":    "both are written together",
	"procedure_version_publisher_fk":       "whoever records is known",
	"skill_pk":                             "reference table",
	"task_assignment_fk":                   "the program found or made it before",
	"task_end_whole":                       "both are written together",
	"task_ender_fk":                        "whoever records is known",
	"task_note_actor_fk":                   "whoever records is known",
	"task_note_task_fk":                    "the program found or made it before",
	"task_number_uq":                       "the program counts",
	"task_origin_known":                    "the program looks at it before, to say more",
	"task_raiser_fk":                       "whoever records is known",
	"task_skip_whole":                      "both are written together",
	"task_state_known":                     "the program looks at it before, to say more",
	"entry_look_actor_fk":                  "whoever records is known",
	"entry_look_pk":                        "what was looked at is looked at once",
	"entry_look_site_fk":                   "the program found or made it before",
	"isolation_entry_actor_fk":             "whoever records is known",
	"isolation_entry_person_fk":            "whoever records is known",
	"isolation_entry_not_ahead":            "the program keeps to when it arrived",
	"isolation_lock_point_fk":              "the program found or made it before",
	"job_record_end_whole":                 "both are written together",
	"isolation_lock_visit_fk":              "its entry was held to the same",
	"job_record_ender_fk":                  "whoever records is known",
	"job_record_number_uq":                 "the program counts",
	"job_record_opener_fk":                 "whoever records is known",
	"job_record_site_fk":                   "the program found or made it before",
	"job_record_site_uq":                   "there for foreign keys; the id alone is unique",
	"job_record_state_known":               "the program looks at it before, to say more",
	"record_entry_actor_fk":                "whoever records is known",
	"record_entry_person_fk":               "whoever records is known",
	"record_entry_not_ahead":               "the program keeps to when it arrived",
	"record_entry_record_fk":               "the program found or made it before",
	"record_procedure_actor_fk":            "whoever records is known",
	"record_procedure_pk":                  "the program counts",
	"record_procedure_record_fk":           "the program found or made it before",
	"record_procedure_task_fk":             "the program found or made it before",
	"record_procedure_version_fk":          "the program found or made it before",
	"record_step_ordinal_uq":               "the program counts",
	"record_step_record_fk":                "the program found or made it before",
	"record_step_record_uq":                "there for foreign keys; the id alone is unique",
	"skill_evidence_recorder_fk":           "whoever records is known",
	"skill_evidence_withdrawal_whole":      "the program looks at it before, to say more",
	"failure_actor_fk":                     "whoever records is known",
	"failure_number_uq":                    "the program counts",
	"failure_site_uq":                      "there for foreign keys; the id alone is unique",
	"failure_withdrawal_whole":             "both are written together",
	"failure_mode_pk":                      "reference table",
	"failure_finding_actor_fk":             "whoever records is known",
	"failure_finding_failure_fk":           "the program found or made it before",
	"failure_task_actor_fk":                "whoever records is known",
	"failure_task_failure_fk":              "the program found or made it before",
	"failure_task_once_uq":                 "the program found or made it before",
	"failure_task_task_fk":                 "the program found or made it before",
	"failure_task_why_known":               "the program looks at it before, to say more",

	"core_boxed_drained":                 "the program looks at it before, to say more",
	"core_counted_from_known":            "the program looks at it before, to say more",
	"core_deposit_core_fk":               "the program found or made it before",
	"core_deposit_pk":                    "the program has just made what it belongs to",
	"core_event_actor_fk":                "whoever records is known",
	"core_event_core_fk":                 "the program found or made it before",
	"core_state_known":                   "the program looks at it before, to say more",
	"kit_bag_builder_fk":                 "whoever records is known",
	"kit_bag_kit_fk":                     "the program found or made it before",
	"kit_bag_line_amount_real":           "the program looks at it before, to say more",
	"kit_bag_line_bag_fk":                "the program found or made it before",
	"kit_bag_line_lot_fk":                "the program found or made it before",
	"kit_bag_line_part_fk":               "the program found or made it before",
	"kit_bag_line_pk":                    "the program has just made what it belongs to",
	"kit_bag_line_used_real":             "the program looks at it before, to say more",
	"kit_bag_lot_fk":                     "the program found or made it before",
	"kit_bag_opened_whole":               "all of it are written together",
	"kit_bag_opener_fk":                  "whoever records is known",
	"kit_bag_pk":                         "the program has just made what it belongs to",
	"kit_bag_recipe_fk":                  "the program found or made it before",
	"kit_bag_state_known":                "the program looks at it before, to say more",
	"lot_actor_fk":                       "whoever records is known",
	"lot_code_uq":                        "meets on conflict do nothing",
	"lot_extension_actor_fk":             "whoever records is known",
	"lot_extension_later":                "the program looks at it before, to say more",
	"lot_extension_lot_fk":               "the program found or made it before",
	"lot_extension_reason_given":         "the program looks at it before, to say more",
	"lot_of_part_uq":                     "there for foreign keys; the id alone is unique",
	"lot_part_fk":                        "the program found or made it before",
	"open_container_actor_fk":            "whoever records is known",
	"open_container_empty_whole":         "all of it are written together",
	"open_container_level_known":         "the program looks at it before, to say more",
	"open_container_location_fk":         "the program found or made it before",
	"open_container_lot_fk":              "the program found or made it before",
	"open_container_one_open":            "meets on conflict do nothing",
	"open_container_part_fk":             "the program found or made it before",
	"stock_balance_customer_fk":          "the program found or made it before",
	"stock_balance_location_fk":          "the program found or made it before",
	"stock_balance_lot_fk":               "the program found or made it before",
	"stock_balance_once":                 "meets on conflict do nothing",
	"stock_balance_owner_known":          "the program looks at it before, to say more",
	"stock_balance_owner_whole":          "all of it are written together",
	"stock_balance_part_fk":              "the program found or made it before",
	"stock_balance_shelf_fk":             "the program found or made it before",
	"stock_claim_amount_real":            "the program looks at it before, to say more",
	"stock_claim_balance_fk":             "the program found or made it before",
	"stock_claim_end_whole":              "all of it are written together",
	"stock_claim_ender_fk":               "whoever records is known",
	"stock_claim_holds_one":              "all of it are written together",
	"stock_claim_maker_fk":               "whoever records is known",
	"stock_claim_state_known":            "the program looks at it before, to say more",
	"stock_claim_taken_by_fk":            "the program found or made it before",
	"stock_claim_taken_whole":            "all of it are written together",
	"stock_claim_unit_fk":                "the program found or made it before",
	"stock_claim_visit_fk":               "the program claims for a visit that it has locked",
	"stock_count_end_whole":              "all of it are written together",
	"stock_count_ender_fk":               "whoever records is known",
	"stock_count_line_balance_fk":        "the program found or made it before",
	"stock_count_line_count_fk":          "the program found or made it before",
	"stock_count_line_first_by_fk":       "whoever records is known",
	"stock_count_line_first_real":        "the program looks at it before, to say more",
	"stock_count_line_first_whole":       "all of it are written together",
	"stock_count_line_lot_fk":            "the program found or made it before",
	"stock_count_line_once":              "the program looks at it before, to say more",
	"stock_count_line_part_fk":           "the program found or made it before",
	"stock_count_line_second_by_fk":      "whoever records is known",
	"stock_count_line_second_real":       "the program looks at it before, to say more",
	"stock_count_line_second_whole":      "all of it are written together",
	"stock_count_location_fk":            "the program found or made it before",
	"stock_count_number_uq":              "the program counts",
	"stock_count_opener_fk":              "whoever records is known",
	"stock_count_state_known":            "the program looks at it before, to say more",
	"stock_discrepancy_kind_known":       "the program looks at it before, to say more",
	"stock_discrepancy_location_fk":      "the program found or made it before",
	"stock_discrepancy_lot_fk":           "the program found or made it before",
	"stock_discrepancy_movement_fk":      "the program found or made it before",
	"stock_discrepancy_noticer_fk":       "whoever records is known",
	"stock_discrepancy_part_fk":          "the program found or made it before",
	"stock_discrepancy_settled_whole":    "all of it are written together",
	"stock_discrepancy_settler_fk":       "whoever records is known",
	"stock_discrepancy_unit_fk":          "the program found or made it before",
	"stock_level_pk":                     "the program has just made what it belongs to",
	"stock_movement_amount_real":         "the program looks at it before, to say more",
	"stock_movement_goes_somewhere":      "the program looks at it before, to say more",
	"stock_movement_of_balances":         "the program looks at it before, to say more",
	"supplier_order_end_whole":           "all of it are written together",
	"supplier_order_line_amount_real":    "the program looks at it before, to say more",
	"supplier_order_line_cancelled_real": "the program looks at it before, to say more",
	"supplier_order_line_order_fk":       "the program found or made it before",
	"supplier_order_line_ordinal_uq":     "the program looks at it before, to say more",
	"supplier_order_maker_fk":            "whoever records is known",
	"supplier_order_number_uq":           "the program counts",
	"supplier_order_price_line_fk":       "the program found or made it before",
	"supplier_order_price_pk":            "the program has just made what it belongs to",
	"supplier_order_promise_actor_fk":    "whoever records is known",
	"supplier_order_promise_line_fk":     "the program found or made it before",
	"supplier_order_sent_whole":          "all of it are written together",
	"supplier_order_state_known":         "the program looks at it before, to say more",
	"warranty_claim_whole":               "all of it are written together",
	"warranty_event_actor_fk":            "whoever records is known",
	"warranty_event_warranty_fk":         "the program found or made it before",
	"warranty_giver_known":               "the program looks at it before, to say more",
	"warranty_giver_whole":               "all of it are written together",
	"warranty_state_known":               "the program looks at it before, to say more",
	"stock_movement_kind_known":          "the program looks at it before, to say more",
	"planning_choice_actor_fk":           "whoever records is known",
	"planning_choice_withdrawal_whole":   "both are written together",
	"planning_choice_withdrawer_fk":      "whoever records is known",
	"planning_cost_single":               "the one row is there from the start",
	"planning_rule_single":               "the one row is there from the start",
	"van_tick_actor_fk":                  "whoever records is known",
	"digest_day_actor_fk":                "the program found it before",
	"digest_day_pk":                      "a day that is taken is passed over",
	"digest_day_state_known":             "the program writes it",
	"person_preference_actor_fk":         "whoever chooses is known",
	"person_preference_pk":               "choosing again replaces it",
	"calendar_address_actor_fk":          "whoever makes it is known",
	"calendar_address_content_whole":     "both are written together",
	"calendar_address_secret_uq":         "of 256 random bits no two are the same",
	"visit_decision_actor_fk":            "whoever records is known",
	"visit_decision_visit_fk":            "the program found or made it before",
	"visit_end_whole":                    "both are written together",
	"visit_ender_fk":                     "whoever records is known",
	"visit_entry_actor_fk":               "whoever records is known",
	"visit_entry_not_ahead":              "the program keeps to when it arrived",
	"visit_entry_visit_fk":               "the program found or made it before",
	"visit_left_visit_fk":                "the program found or made it before",
	"visit_maker_fk":                     "whoever records is known",
	"visit_number_uq":                    "the program counts",
	"visit_origin_known":                 "the program looks at it before, to say more",
	"visit_person_visit_fk":              "the program found or made it before",
	"visit_said_chance_real":             "a chance lies between 0 and 1",
	"visit_saving_says_something":        "a proposal says something",
	"visit_saving_visit_fk":              "the program found or made it before",
	"visit_site_uq":                      "there for foreign keys; the id alone is unique",
	"visit_state_known":                  "the program looks at it before, to say more",
	"visit_task_adder_fk":                "whoever records is known",
	"visit_task_end_whole":               "both are written together",
	"visit_task_ended_how_known":         "the program looks at it before, to say more",
	"visit_task_visit_fk":                "the program found or made it before",
	"visit_want_visit_fk":                "the program found or made it before",
}

func TestEveryConstraintThatARequestCanBreakHasWords(t *testing.T) {
	t.Parallel()
	_, owner := pgtest.DSN(t)
	conn := connect(t, owner)
	known := map[string]bool{}
	// a key that is the id alone is made by the program or the database
	for _, row := range ask(t, conn, `
		select c.conname, (c.contype = 'p' and c.conkey = array[a.attnum])::text
		  from pg_constraint as c
		  left join pg_attribute as a on a.attrelid = c.conrelid and a.attname = 'id'
		 where c.connamespace = 'public'::regnamespace and c.conrelid <> 0 and c.contype in ('u', 'f', 'c', 'x', 'p')`) {
		name, ownKey, _ := strings.Cut(row, " ")
		known[name] = true
		_, told := pgdb.Meaning[name]
		_, excepted := noWordsFor[name]
		switch {
		case told && excepted:
			t.Errorf("%s has words and is on the list of those without", name)
		case !told && !excepted && ownKey != "true":
			t.Errorf("%s has no words and no reason why not", name)
		}
	}
	for name := range pgdb.Meaning {
		if !known[name] {
			t.Errorf("there are words for %s, which the schema does not have", name)
		}
	}
	for name := range noWordsFor {
		if !known[name] {
			t.Errorf("the list of those without words names %s, which the schema does not have", name)
		}
	}
	// A unique index that is no constraint would have a name that is not looked for above.
	if bare := ask(t, conn, `
		select indexrelid::regclass from pg_index as i join pg_class as c on c.oid = i.indrelid
		 where i.indisunique and c.relnamespace = 'public'::regnamespace
		   and not exists (select from pg_constraint as k where k.conindid = i.indexrelid)`); len(bare) > 0 {
		t.Errorf("unique indexes without a constraint: %v", bare)
	}
}

func TestTheWordsSayWhatWouldBeAccepted(t *testing.T) {
	t.Parallel()
	for name, f := range pgdb.Meaning {
		if f.Msg == "" {
			t.Errorf("%s: no words", name)
		}
		if f.Field == "" && !strings.HasPrefix(f.Msg, "no such ") {
			t.Errorf("%s: names no field", name)
		}
	}
}
