package exchange

import (
	"fmt"
	"strings"
)

// The statements of an import. Each kind of sheet has a staging table, stage_KIND;
// a step makes ready_KIND of it, in which names have become keys and every row
// knows what it would change, looks for what does not hold, and applies the rest.

// whole makes the temporary tables; they go with the transaction.
func stageTables() []string {
	all := []string{`create temp table import_said (sheet smallint, row integer, col text, value text, rule text, says text, level smallint) on commit drop`}
	for _, k := range kinds {
		cols := make([]string, 0, 40)
		for _, c := range k.staging() {
			cols = append(cols, c.name+" "+c.is)
		}
		all = append(all, fmt.Sprintf("create temp table stage_%s (%s) on commit drop", k.name, strings.Join(cols, ", ")))
	}
	return all
}

// Levels of what is said of a row.
const (
	anError = iota
	aWarning
	silent // it builds on another row that is wrong: that one was told
)

// check finds rows that do not hold. All but rule and level are SQL over the row r.
type check struct {
	when   string
	column string // the head that is to blame, "" for the row
	value  string
	rule   string
	says   string
	level  int
	any    bool // also of a row in which another cell could not be read
}

// alone tells whether a check looks at one cell only, so that it may be made even
// where another cell of the row could not be read.
func (c check) alone() bool {
	return c.any || strings.HasPrefix(c.rule, "names_no_") || c.rule == "range" || c.rule == "pattern_length" || c.level == silent
}

func lit(s string) string { return "'" + strings.ReplaceAll(s, "'", "''") + "'" }

// sayAll puts what the checks find among the sayings.
func sayAll(from string, checks []check) string {
	var all []string
	for _, c := range checks {
		value := c.value
		if value == "" {
			value = "''"
		}
		sound := "not r.bad and "
		if c.alone() {
			sound = ""
		}
		all = append(all, fmt.Sprintf("select r.sheet, r.row, %s, cast(%s as text), %s, %s, %d from %s as r where %s(%s)",
			lit(c.column), value, lit(c.rule), c.says, c.level, from, sound, c.when))
	}
	return "insert into import_said (sheet, row, col, value, rule, says, level)\n" + strings.Join(all, "\nunion all\n")
}

// markBad sets aside the rows of a step of which something was said.
func markBad(kind string) string {
	return fmt.Sprintf(`update ready_%s as r set bad = true from import_said as f where f.sheet = r.sheet and f.row = r.row and f.level <> %d and not r.bad`, kind, aWarning)
}

// instant gives a date as typed in a zone; z is SQL for the name of the zone.
func instant(column, z string) string {
	return fmt.Sprintf("coalesce(s.%[1]s_at, s.%[1]s_local at time zone %[2]s)", column, z)
}

// homeZone is the zone of what belongs to no site: the one in which most sites are.
const homeZone = `coalesce((select zone from site group by zone order by count(*) desc, zone limit 1), 'UTC')`

// ref is a name that stands for a recorded thing.
type ref struct {
	column string // of the staging table
	table  string // where the thing is
	key    string // its code there
	kind   string // the kind of sheet in which it may be new
	staged string // its code in that sheet's staging table
	what   string
}

func (r ref) join() string {
	return fmt.Sprintf(`
  left join %[2]s as %[1]s_ on %[1]s_.%[3]s = s.%[1]s
  left join (select distinct %[5]s as k from stage_%[4]s) as %[1]s_f on %[1]s_f.k = s.%[1]s`, r.column, r.table, r.key, r.kind, r.staged)
}

func (r ref) columns() string {
	return fmt.Sprintf("%[1]s_.id as r_%[1]s, %[1]s_f.k is not null as f_%[1]s", r.column)
}

func (r ref) checks() []check {
	c := check{when: fmt.Sprintf("r.%[1]s is not null and r.r_%[1]s is null and not r.f_%[1]s and not r.derived", r.column), column: strings.ReplaceAll(r.column, "_", " "),
		value: "r." + r.column, rule: "names_no_" + r.what, says: lit("names no " + r.what)}
	s := check{when: fmt.Sprintf("r.%[1]s is not null and r.r_%[1]s is null and (r.f_%[1]s or r.derived)", r.column), rule: "follows", says: "''", level: silent}
	return []check{c, s}
}

// attr is a column of a recorded thing that a sheet can give.
type attr struct {
	column string // of the table
	is     string // SQL over s and the refs: what the sheet says; null says nothing
	fresh  string // for a new one of which nothing is said; "" leaves it unknown
	need   string // the head to blame where a new one lacks it
	fixed  string // the head to blame where it would change: it cannot
	own    string // SQL that gives the value to keep by itself, where is alone does not
}

func (a attr) wanted() string {
	if a.own != "" {
		return a.own
	}
	parts := []string{a.is, "t." + a.column}
	if a.fresh != "" {
		parts = append(parts, a.fresh)
	}
	return "coalesce(" + strings.Join(parts, ", ") + ")"
}

// thing is a kind of sheet whose rows are known again by a code.
type thing struct {
	kind, table, code, key string // key is the code's column in the staging table
	refs                   []ref
	joins                  string // more joins
	extra                  string // more columns of ready
	same                   string // what else must be as recorded for a row to change nothing
	attrs                  []attr
	checks                 []check
	into, values           string // more columns of a new row, and their SQL over r
}

func (t thing) ready() string {
	var cols, joins []string
	for _, r := range t.refs {
		cols = append(cols, r.columns())
		joins = append(joins, r.join())
	}
	var now, want []string
	for _, a := range t.attrs {
		cols = append(cols, a.wanted()+" as w_"+a.column)
		if a.fixed != "" {
			cols = append(cols, fmt.Sprintf("t.id is not null and %s is not null and %s is distinct from t.%s as x_%s", a.is, a.is, a.column, a.column))
		}
		now = append(now, "t."+a.column)
		want = append(want, a.wanted())
	}
	if t.extra != "" {
		cols = append(cols, t.extra)
	}
	same := fmt.Sprintf("t.id is not null and (%s) is not distinct from (%s)", strings.Join(want, ", "), strings.Join(now, ", "))
	if t.same != "" {
		same += " and " + t.same
	}
	return fmt.Sprintf(`
create temp table ready_%s on commit drop as
select s.*, t.id as old, %s, %s as same,
       row_number() over (partition by s.%s order by s.sheet, s.row) as nth, first_value(s.row) over (partition by s.%s order by s.sheet, s.row) as first_row
  from stage_%s as s
  left join %s as t on t.%s = s.%s%s%s`,
		t.kind, strings.Join(cols, ", "), same, t.key, t.key, t.kind, t.table, t.code, t.key, strings.Join(joins, ""), t.joins)
}

func (t thing) find() string {
	head := strings.ReplaceAll(t.key, "_", " ")
	all := []check{{when: "r.nth > 1 and r." + t.key + " is not null", column: head, value: "r." + t.key, rule: "twice", any: true, says: "format('stands in this file already, in row %s', r.first_row)"}}
	for _, r := range t.refs {
		all = append(all, r.checks()...)
	}
	for _, a := range t.attrs {
		if a.need != "" {
			all = append(all, check{when: "r.old is null and r.w_" + a.column + " is null" + unlessRef(t.refs, a.need), column: a.need, rule: "needed", says: lit("is needed: " + head + " is not on record yet")})
		}
		if a.fixed != "" {
			all = append(all, check{when: "r.x_" + a.column, column: a.fixed, value: "r." + strings.ReplaceAll(a.fixed, " ", "_"), rule: "cannot_change", says: lit("is recorded otherwise and cannot be changed by an import")})
		}
	}
	return sayAll("ready_"+t.kind, append(all, t.checks...))
}

// unlessRef keeps "is needed" from being said of a name that names nothing.
func unlessRef(refs []ref, head string) string {
	for _, r := range refs {
		if strings.ReplaceAll(r.column, "_", " ") == head {
			return " and r." + r.column + " is null"
		}
	}
	return ""
}

func (t thing) apply() []string {
	var cols, from, set []string
	for _, a := range t.attrs {
		cols = append(cols, a.column)
		from = append(from, "r.w_"+a.column)
		if a.fixed == "" {
			set = append(set, a.column+" = r.w_"+a.column)
		}
	}
	into, values := "", ""
	if t.into != "" {
		into, values = ", "+t.into, ", "+t.values
	}
	return []string{
		fmt.Sprintf(`insert into %s (id, %s, %s, created_at%s) select r.new_id, r.%s, %s, @now%s from ready_%s as r where not r.bad and r.old is null`,
			t.table, t.code, strings.Join(cols, ", "), into, t.key, strings.Join(from, ", "), values, t.kind),
		fmt.Sprintf(`update %s as t set %s, version = version + 1 from ready_%s as r where t.id = r.old and not r.bad and not r.same`,
			t.table, strings.Join(set, ", "), t.kind),
	}
}

// counted gives what a step did, by sheet.
func counted(kind string) string {
	return fmt.Sprintf(`
select sheet, count(*) filter (where old is null) as added, count(*) filter (where old is not null and not same) as changed,
       count(*) filter (where same) as unchanged
  from ready_%s
group by sheet
order by sheet`, kind)
}

var things = map[string]thing{
	"customers": {kind: "customers", table: "customer", code: "code", key: "customer", attrs: []attr{
		{column: "name", is: "s.name", need: "name"},
		{column: "needs_order_number", is: "s.needs_order_number", fresh: "false"},
	}},
	"sites": {kind: "sites", table: "site", code: "code", key: "site",
		refs: []ref{{"customer", "customer", "code", "customers", "customer", "customer"}},
		joins: `
  left join (select distinct site as k from stage_owners) as owners_f on owners_f.k = s.site`,
		extra: "owners_f.k is not null as owner_given",
		attrs: []attr{
			{column: "name", is: "s.name", need: "name"}, {column: "address", is: "s.address", fresh: "''"},
			{column: "latitude", is: "s.latitude"}, {column: "longitude", is: "s.longitude"},
			{column: "zone", is: "s.zone", need: "zone"}, {column: "currency", is: "s.currency", need: "currency"},
			{column: "climate", is: "s.climate", need: "climate"}, {column: "size", is: "s.size", need: "size"},
			{column: "driver_side", is: "s.driver_side", need: "driver side"},
			{column: "day_turns_at", is: "cast(s.day_turns_at as time)", fresh: "time '03:00'"},
		},
		checks: []check{
			{when: "r.w_latitude not between -90 and 90", column: "latitude", value: "r.latitude", rule: "range", says: "'lies between -90 and 90 degrees'"},
			{when: "r.w_longitude not between -180 and 180", column: "longitude", value: "r.longitude", rule: "range", says: "'lies between -180 and 180 degrees'"},
			{when: "(r.w_latitude is null) <> (r.w_longitude is null)", column: "latitude", value: "r.latitude", rule: "half_a_place", says: "'is given together with longitude or not at all'"},
			{when: "r.old is null and r.customer is null and not r.owner_given", column: "customer", rule: "needed", says: "'is needed: the site is not on record yet'"},
		}},
	"lines": {kind: "lines", table: "line", code: "code", key: "line",
		refs: []ref{{"site", "site", "code", "sites", "site", "site"}},
		joins: `
  left join site as own_site on own_site.id = t.site_id`,
		extra: instant("since", "coalesce(site_.zone, own_site.zone)") + " as since, lower(t.during) as recorded_since",
		attrs: []attr{
			{column: "site_id", is: "site_.id", need: "site", fixed: "site"},
			{column: "name", is: "s.name", fresh: "''"},
			{column: "length_m", is: "s.length_si"}, {column: "length_typed", is: "s.length_typed"},
			{column: "speed_m_min", is: "s.speed_si"}, {column: "speed_typed", is: "s.speed_typed"},
			{column: "vehicles_per_hour_max", is: "s.vehicles_per_hour"},
		},
		checks: []check{
			{when: "r.w_length_m <= 0 or r.w_length_m >= 1000", column: "length", value: "r.length_typed", rule: "range", says: "'lies above 0 and below 1000 m'"},
			{when: "r.w_speed_m_min <= 0 or r.w_speed_m_min >= 100", column: "speed", value: "r.speed_typed", rule: "range", says: "'lies above 0 and below 100 m/min'"},
			{when: "r.w_vehicles_per_hour_max not between 1 and 1000", column: "vehicles per hour", value: "r.vehicles_per_hour", rule: "range", says: "'lies between 1 and 1000'"},
			sinceStays,
		},
		into: "during", values: "tstzrange(coalesce(r.since, @now), null)"},
	"positions": {kind: "positions", table: "position", code: "code", key: "position",
		refs: []ref{{"site", "site", "code", "sites", "site", "site"}, {"line", "line", "code", "lines", "line", "line"}},
		joins: `
  left join site as own_site on own_site.id = coalesce(site_.id, line_.site_id, t.site_id)
  left join lateral (
    select e.id from supply as e where e.site_id = own_site.id and e.code = s.supply
     order by e.id is not distinct from t.supply_id desc, e.during @> cast(@now as timestamptz) desc, lower(e.during) desc limit 1) as supply_ on s.supply is not null
  left join (select distinct site as k, supply as c from stage_supplies) as supply_f on supply_f.k = own_site.code and supply_f.c = s.supply
  left join twin as tl on tl.left_id = t.id
  left join twin as tr on tr.right_id = t.id
  left join position as tw on tw.id = coalesce(tl.right_id, tr.left_id)
  left join lateral (select state from position_state as ps where ps.position_id = t.id order by lower(ps.during) limit 1) as first_ on t.id is not null and s.first_state is not null
  left join (select position as k, from_typed as f, min(state) as state from stage_states group by 1, 2) as state_f on state_f.k = s.position and state_f.f is not distinct from s.since_typed`,
		extra: instant("since", "own_site.zone") + ` as since, lower(t.during) as recorded_since, supply_f.k is not null as f_supply, tw.code as twin_now,
       t.line_id as now_line, t.kind as now_kind, t.line_side as now_side, first_.state as first_now, coalesce(s.first_state, state_f.state, 'in_service') as begins_as,
       line_.site_id as line_site`,
		same: `(s.aliases is null or s.aliases = array(select a.alias from position_alias as a where a.position_id = t.id order by a.alias collate "C"))
       and (s.twin is null or s.twin is not distinct from tw.code)`,
		attrs: []attr{
			{column: "site_id", is: "coalesce(site_.id, line_.site_id)", fixed: "site"},
			{column: "line_id", is: "line_.id"},
			{column: "name", is: "s.name", need: "name"},
			{column: "kind", is: "s.kind", need: "kind"},
			{column: "line_side", is: "coalesce(s.side, case when t.id is null and s.line is null then 'centre' end)", need: "side"},
			{column: "along_m", is: "s.along_si"}, {column: "along_typed", is: "s.along_typed"},
			{column: "supply_id", is: "supply_.id"},
		},
		checks: []check{
			{when: "r.old is null and r.w_site_id is null and r.site is null and r.line is null", column: "site", rule: "needed", says: "'is needed, or a line: the position is not on record yet'"},
			{when: "r.r_line is not null and r.line_site <> r.w_site_id", column: "line", value: "r.line", rule: "line_of_another_site", says: "'names a line of another site'"},
			{when: "r.supply is not null and r.w_site_id is not null and r.w_supply_id is null and not r.f_supply", column: "supply", value: "r.supply", rule: "names_no_supply", says: "'names no supply of this site'"},
			{when: "r.supply is not null and r.w_supply_id is null and r.f_supply", rule: "follows", says: "''", level: silent},
			{when: "r.w_line_id is null and r.line is null and r.w_line_side <> 'centre'", column: "side", value: "r.side", rule: "side_off_line", says: "'is centre for shared equipment, which stands on no line'"},
			{when: "r.w_along_m not between -100 and 1000", column: "along", value: "r.along_typed", rule: "range", says: "'lies between -100 and 1000 m'"},
			{when: "r.twin_now is not null and (r.w_line_id, r.w_kind, r.w_line_side) is distinct from (r.now_line, r.now_kind, r.now_side)", column: "twin", value: "r.twin_now", rule: "twin_stays",
				says: "'is its twin; part the pair before changing line, kind or side of one of it'"},
			{when: "r.twin is not null and r.twin_now is not null and r.twin <> r.twin_now", column: "twin", value: "r.twin", rule: "twin_stays", says: "format('differs from the twin on record, %s; part that pair first', r.twin_now)"},
			{when: "r.twin = r.position", column: "twin", value: "r.twin", rule: "twin_of_itself", says: "'is the position itself'"},
			{when: "r.old is not null and r.first_state is not null and r.first_state <> r.first_now", column: "first state", value: "r.first_state", rule: "cannot_change", says: "format('is recorded as %s', r.first_now)"},
			sinceStays,
		},
		into: "during", values: "tstzrange(coalesce(r.since, @now), null)"},
	"parts": {kind: "parts", table: "part", code: "number", key: "part", attrs: []attr{
		{column: "description", is: "s.description", need: "description"},
		{column: "class", is: "s.class", need: "class"},
	}},
	"locations": {kind: "locations", table: "location", code: "code", key: "location",
		refs: []ref{{"site", "site", "code", "sites", "site", "site"}},
		attrs: []attr{
			{column: "name", is: "s.name", need: "name"},
			{column: "kind", is: "s.kind", need: "kind", fixed: "kind"},
			{column: "site_id", is: "site_.id", fixed: "site"},
		},
		checks: []check{
			{when: "(r.w_kind = 'site_shelf') <> (r.w_site_id is not null) and (r.site is null or r.r_site is not null)", column: "site", value: "r.site", rule: "shelf_has_a_site", says: "'is given for a site shelf and for nothing else'"},
		}},
	"units": {kind: "units", table: "unit", code: "tag", key: "unit_tag",
		refs: []ref{{"part", "part", "number", "parts", "part", "part"}, {"owner_customer", "customer", "code", "customers", "customer", "customer"}},
		joins: `
  left join part as part_now on part_now.id = t.part_id
  left join part_fact as pf on pf.part_id = coalesce(part_.id, t.part_id) and pf.fact = 'media_pattern'`,
		extra: `coalesce(part_.class, part_now.class) as class, part_now.class as class_now, pf.value as part_pattern,
       case when pf.value ~ '^[AB]+(x[1-9][0-9]{0,2})$' then repeat(split_part(pf.value, 'x', 1), cast(split_part(pf.value, 'x', 2) as integer))
            when pf.value ~ '^[AB]+$' then pf.value end as whole_pattern`,
		attrs: []attr{
			{column: "part_id", is: "part_.id", need: "part"},
			{column: "serial", is: "s.serial"},
			{column: "owner", is: "coalesce(s.owner, case when s.owner_customer is not null then 'customer' end)", fresh: "'distributor'"},
			{column: "owner_customer_id", is: "owner_customer_.id", own: `case when coalesce(s.owner, case when s.owner_customer is not null then 'customer' end, t.owner) = 'customer'
            then coalesce(owner_customer_.id, t.owner_customer_id) end`},
			{column: "lot", is: "s.lot", fresh: "''"},
			{column: "pattern", is: "s.pattern"},
			{column: "start_hours", is: "s.start_hours"}, {column: "start_vehicles", is: "s.start_vehicles"}, {column: "start_days", is: "s.start_days"},
		},
		checks: []check{
			{when: "(r.w_owner = 'customer') <> (r.w_owner_customer_id is not null) and r.owner_customer is null", column: "owner customer", value: "r.owner", rule: "owner_whole", says: "'is given where the owner is a customer, and only there'"},
			{when: "r.w_owner <> 'customer' and r.owner_customer is not null", column: "owner customer", value: "r.owner_customer", rule: "owner_whole", says: "'is given where the owner is a customer, and only there'"},
			{when: "r.pattern is not null and r.class <> 'media_set'", column: "pattern", value: "r.pattern", rule: "pattern_of_no_set", says: "format('belongs to a media set; this part is a %s', replace(r.class, '_', ' '))"},
			{when: "r.pattern is not null and r.class = 'media_set' and length(r.pattern) <> length(r.whole_pattern)", column: "pattern", value: "r.pattern", rule: "pattern_length",
				says: "format('has %s sections; a set of this part has %s: %s', length(r.pattern), length(r.whole_pattern), r.whole_pattern)"},
			{when: "r.class_now is not null and r.class <> r.class_now", column: "part", value: "r.part", rule: "class_stays", says: "format('is of another class; this unit is a %s', replace(r.class_now, '_', ' '))"},
			{when: "r.start_hours < 0", column: "start hours", value: "r.start_hours", rule: "range", says: "'is not below 0; what is unknown is left blank'"},
			{when: "r.start_vehicles < 0", column: "start vehicles", value: "r.start_vehicles", rule: "range", says: "'is not below 0; what is unknown is left blank'"},
			{when: "r.start_days < 0 or r.start_days > 100000", column: "start days", value: "r.start_days", rule: "range", says: "'lies between 0 and 100000; what is unknown is left blank'"},
		}},
}

var sinceStays = check{when: "r.since <> r.recorded_since", column: "since", value: "r.since_typed", rule: "cannot_change",
	says: `format('is recorded as %s and cannot be changed by an import', to_char(r.recorded_since at time zone 'UTC', 'YYYY-MM-DD"T"HH24:MI:SS"Z"'))`}

// Of new positions: their first state; of all: their aliases.
const firstStates = `
insert into position_state (id, position_id, site_id, state, during)
select gen_random_uuid(), r.new_id, r.w_site_id, r.begins_as, tstzrange(coalesce(r.since, @now), null) from ready_positions as r where not r.bad and r.old is null`

const oldAliases = `
delete from position_alias as a using ready_positions as r
 where a.position_id = r.old and r.aliases is not null and not r.bad and not r.same and a.alias <> all (r.aliases)`

const newAliases = `
insert into position_alias (position_id, site_id, alias)
select coalesce(r.old, r.new_id), r.w_site_id, a from ready_positions as r, unnest(r.aliases) as a where not r.bad and not r.same
on conflict on constraint position_alias_pk do nothing`

// what is said of twins, once the positions of the file are there
const pairs = `
create temp table ready_pairs on commit drop as
select r.sheet, r.row, r.bad, r.twin, p.id, q.id as other, p.line_id = q.line_id and p.kind = q.kind and p.line_side in ('left', 'right') and q.line_side in ('left', 'right')
       and p.line_side <> q.line_side as fits,
       case p.line_side when 'left' then p.id else q.id end as left_id, case p.line_side when 'left' then q.id else p.id end as right_id, p.site_id, p.line_id, p.kind,
       exists (select from twin as t where (t.left_id in (p.id, q.id) or t.right_id in (p.id, q.id))
                 and (t.left_id, t.right_id) not in ((p.id, q.id), (q.id, p.id))) as taken,
       (select count(distinct o.position) from ready_positions as o where o.twin = r.twin) > 1 as claimed,
       f.twin is distinct from r.position and f.twin is not null as contradicts, f.position is not null as in_file
  from ready_positions as r
  join position as p on p.code = r.position
  left join position as q on q.code = r.twin
  left join ready_positions as f on f.position = r.twin
 where r.twin is not null and not r.bad`

var pairChecks = []check{
	{when: "r.other is null and not r.in_file", column: "twin", value: "r.twin", rule: "names_no_position", says: "'names no position'"},
	{when: "not coalesce(r.fits, r.other is null)", column: "twin", value: "r.twin", rule: "no_twins", says: "'twins stand on one line, are of one kind, and one is left and one right'"},
	{when: "r.fits and (r.taken or r.claimed or r.contradicts)", column: "twin", value: "r.twin", rule: "twin_taken", says: "'has another twin'"},
}

const newPairs = `
insert into twin (left_id, right_id, site_id, line_id, kind)
select distinct r.left_id, r.right_id, r.site_id, r.line_id, r.kind from ready_pairs as r where r.fits
on conflict on constraint twin_pk do nothing`

// timeline is a kind of sheet whose rows follow one another in time: each holds
// until its end, or until the next begins.
type timeline struct {
	kind, stage, table string
	keys               []string // columns of the table that tell one line of time from another
	columns            string   // SQL over s and joins: each key as k_NAME, the zone as z, and more
	joins              string
	where              string
	refs               []ref
	vals               []attr
	replace            bool   // a row with other values takes the place of the one recorded
	live               string // SQL over t: what counts of what is recorded
	until              bool   // the sheet may give the end
	ahead              bool   // the beginning may lie ahead
	checks             []check
	into, values       string
}

func (l timeline) on(a, b string) string {
	var all []string
	for _, k := range l.keys {
		all = append(all, fmt.Sprintf("%s.%s = %s.k_%s", a, k, b, k))
	}
	return strings.Join(all, " and ")
}

func (l timeline) keyList(prefix string) string {
	var all []string
	for _, k := range l.keys {
		all = append(all, prefix+k)
	}
	return strings.Join(all, ", ")
}

func (l timeline) ready() string {
	var cols, joins, says, wanted, recorded []string
	for _, r := range l.refs {
		cols = append(cols, r.columns())
		joins = append(joins, r.join())
	}
	for _, v := range l.vals {
		says = append(says, fmt.Sprintf("%s as i_%s", v.is, v.column))
		parts := "c.i_" + v.column + ", t." + v.column
		if v.fresh != "" {
			parts += ", " + v.fresh
		}
		wanted = append(wanted, fmt.Sprintf("coalesce(%s) as w_%s", parts, v.column))
		recorded = append(recorded, fmt.Sprintf("(c.i_%[1]s is null or c.i_%[1]s is not distinct from t.%[1]s)", v.column))
	}
	until := "cast(null as timestamptz)"
	if l.until {
		until = instant("until", "z.z")
	}
	cols = append(cols, says...)
	// what nobody dated is the value that holds now, if it is the same, or else begins now
	return fmt.Sprintf(`
create temp table ready_%[1]s on commit drop as
with r as (
  select s.*, %[2]s, %[3]s, %[4]s as until_i, %[5]s as from_i
    from stage_%[6]s as s%[7]s%[8]s
),
c as (
  select r.*, coalesce(r.from_i, (select lower(t.during) from %[9]s as t where %[10]s and %[11]s and t.during @> cast(@now as timestamptz) and %[12]s), @now) as f
    from r
),
d as (
  select c.*, t.id as old, upper(t.during) as had, t.id is not null and %[13]s as same, %[14]s
    from c
    left join %[9]s as t on %[15]s and %[11]s and lower(t.during) = c.f
)
select d.*, row_number() over (partition by %[16]s, d.f order by d.sheet, d.row) as nth,
       first_value(d.row) over (partition by %[16]s, d.f order by d.sheet, d.row) as first_row
  from d`,
		l.kind, l.columns, strings.Join(cols, ", "), until, instant("from", "z.z"), l.stage, l.joinsWith(joins), l.where, l.table,
		l.on("t", "r"), l.liveOr(), strings.ReplaceAll(strings.Join(recorded, " and "), "c.i_", "r.i_"), strings.Join(recorded, " and "), strings.Join(wanted, ", "),
		l.on("t", "c"), l.keyList("d.k_"))
}

func (l timeline) joinsWith(refs []string) string { return strings.Join(refs, "") + l.joins }

func (l timeline) liveOr() string {
	if l.live == "" {
		return "true"
	}
	return l.live
}

func (l timeline) find() string {
	from := "from"
	all := []check{
		{when: "r.nth > 1 and " + l.notNull(), column: from, value: "r.from_typed", rule: "twice", says: "format('stands in this file already, in row %s', r.first_row)"},
	}
	if l.until {
		all = append(all, check{when: "r.until_i <= r.f", column: "until", value: "r.until_typed", rule: "ends_before_it_begins", says: "'must lie after its beginning'"})
	}
	if !l.ahead {
		all = append(all, check{when: "r.f > @now", column: from, value: "r.from_typed", rule: "lies_ahead", says: "'must not lie ahead: it is recorded when it has come'"})
	}
	if !l.replace {
		all = append(all, check{when: "r.old is not null and not r.same", column: from, value: "r.from_typed", rule: "cannot_change", says: "'something else is recorded from that time on, and an import does not rewrite it'"})
	}
	for _, r := range l.refs {
		all = append(all, r.checks()...)
	}
	for _, v := range l.vals {
		if v.need != "" {
			all = append(all, check{when: "r.w_" + v.column + " is null" + unlessRef(l.refs, v.need), column: v.need, rule: "needed", says: lit("is needed")})
		}
	}
	return sayAll("ready_"+l.kind, append(all, l.checks...))
}

func (l timeline) notNull() string {
	var all []string
	for _, k := range l.keys {
		all = append(all, "r.k_"+k+" is not null")
	}
	return strings.Join(all, " and ")
}

// spans puts the rows of the file and what is recorded in one order of time.
func (l timeline) spans() string {
	return fmt.Sprintf(`
create temp table spans_%[1]s on commit drop as
select x.*, lead(x.lo) over w as nxt, lead(x.sheet) over w as next_sheet, lead(x.row) over w as next_row, lead(x.bad) over w as next_bad,
       cast(null as timestamptz) as hi
  from (
    select %[2]s, r.f as lo, r.until_i as u, r.had, r.sheet, r.row, r.bad, r.old as id, r.same
      from ready_%[1]s as r where not r.bad
     union all
    select %[3]s, lower(t.during), null, upper(t.during), null, null, null, t.id, true
      from %[4]s as t
     where %[5]s and (%[6]s) in (select %[2]s from ready_%[1]s as r where not r.bad)
       and not exists (select from ready_%[1]s as r where r.old = t.id and not r.bad)
  ) as x
window w as (partition by %[7]s order by x.lo)`,
		l.kind, l.keyList("r.k_"), l.keyList("t."), l.table, l.liveOr(), l.keyList("t."), l.keyList("x.k_"))
}

func (l timeline) overlaps() []string {
	first := fmt.Sprintf(`
insert into import_said (sheet, row, col, value, rule, says, level)
select x.sheet, x.row, 'until', to_char(x.u at time zone 'UTC', 'YYYY-MM-DD"T"HH24:MI"Z"'), 'overlaps', 'lies after the beginning of what follows', 0
  from spans_%[1]s as x where x.u > x.nxt`, l.kind)
	if l.replace {
		return []string{first}
	}
	return []string{first, fmt.Sprintf(`
insert into import_said (sheet, row, col, value, rule, says, level)
select x.next_sheet, x.next_row, 'from', to_char(x.nxt at time zone 'UTC', 'YYYY-MM-DD"T"HH24:MI"Z"'), 'overlaps',
       format('lies within what is recorded until %%s', to_char(x.had at time zone 'UTC', 'YYYY-MM-DD"T"HH24:MI"Z"')), 0
  from spans_%[1]s as x where x.u is null and x.had > x.nxt and x.next_row is not null`, l.kind)}
}

func (l timeline) apply() []string {
	var cols, from []string
	for _, k := range l.keys {
		cols, from = append(cols, k), append(from, "r.k_"+k)
	}
	for _, v := range l.vals {
		cols, from = append(cols, v.column), append(from, "r.w_"+v.column)
	}
	into, values := "", ""
	if l.into != "" {
		into, values = ", "+l.into, ", "+l.values
	}
	again := "r.old is null"
	all := []string{fmt.Sprintf(`update spans_%s set hi = least(coalesce(u, had, nxt), nxt)`, l.kind)}
	if l.replace {
		again = "(r.old is null or not r.same)"
		all = append(all, fmt.Sprintf(`
update %s as t set withdrawn_at = @now, withdrawn_why = 'replaced by an import' from ready_%s as r where t.id = r.old and not r.bad and not r.same`, l.table, l.kind))
	}
	return append(all,
		fmt.Sprintf(`
update %[1]s as t set during = tstzrange(lower(t.during), x.hi)
  from spans_%[2]s as x where t.id = x.id and x.same and upper(t.during) is distinct from x.hi`, l.table, l.kind),
		fmt.Sprintf(`
insert into %[1]s (id, %[2]s, during%[3]s)
select r.new_id, %[4]s, tstzrange(r.f, x.hi)%[5]s
  from ready_%[6]s as r
  join spans_%[6]s as x on x.sheet = r.sheet and x.row = r.row
 where not r.bad and %[7]s`, l.table, strings.Join(cols, ", "), into, strings.Join(from, ", "), values, l.kind, again),
		// an end that was set is a change too
		fmt.Sprintf(`
update ready_%[1]s as r set same = false from spans_%[1]s as x where x.sheet = r.sheet and x.row = r.row and r.same and r.had is distinct from x.hi`, l.kind))
}

var timelines = map[string]timeline{
	"owners": {kind: "owners", stage: "owners", table: "ownership", keys: []string{"site_id"}, until: true, ahead: true,
		refs:    []ref{{"site", "site", "code", "sites", "site", "site"}, {"customer", "customer", "code", "customers", "customer", "customer"}},
		columns: "site_.id as k_site_id",
		joins: `
 cross join lateral (select coalesce(site_.zone, 'UTC') as z) as z`,
		// a site's row says who owns it; where a row of owners says the same, that one counts
		where: `
   where not (s.derived and exists (select from stage_owners as o where o.site = s.site and o.customer = s.customer and not o.derived
                                       and (s.from_typed is null or o.from_typed is not distinct from s.from_typed)))`,
		vals: []attr{{column: "customer_id", is: "customer_.id", need: "customer"}},
		checks: []check{{when: "r.derived and r.from_i is null and r.old is null and exists (select from ownership as o where o.site_id = r.k_site_id)", column: "customer", value: "r.customer", rule: "another_owner",
			says: "'does not own the site by what is recorded; say since when in owned since, or in a sheet of owners'"}}},
	"supplies": {kind: "supplies", stage: "supplies", table: "supply", keys: []string{"site_id", "code"}, until: true, ahead: true,
		refs:    []ref{{"site", "site", "code", "sites", "site", "site"}},
		columns: "site_.id as k_site_id, s.supply as k_code",
		joins: `
 cross join lateral (select coalesce(site_.zone, 'UTC') as z) as z`,
		vals: []attr{{column: "volts", is: "s.volts", need: "volts"}, {column: "phases", is: "cast(least(greatest(s.phases, -1), 999) as smallint)", need: "phases"}, {column: "hertz", is: "cast(least(greatest(s.hertz, -1), 999) as smallint)", need: "hertz"},
			{column: "high_leg", is: "s.high_leg", fresh: "false"}},
		checks: []check{
			{when: "r.volts not between 1 and 1000", column: "volts", value: "r.volts", rule: "range", says: "'lies between 1 and 1000'"},
			{when: "r.phases not in (1, 3)", column: "phases", value: "r.phases", rule: "range", says: "'is 1 or 3'"},
			{when: "r.hertz not in (50, 60)", column: "hertz", value: "r.hertz", rule: "range", says: "'is 50 or 60'"},
		}},
	"states": {kind: "states", stage: "states", table: "position_state", keys: []string{"position_id"},
		refs:    []ref{{"position", "position", "code", "positions", "position", "position"}},
		columns: "position_.id as k_position_id, position_.site_id, lower(position_.during) as position_since",
		joins: `
  left join site as own_site on own_site.id = position_.site_id
 cross join lateral (select coalesce(own_site.zone, 'UTC') as z) as z`,
		vals: []attr{{column: "state", is: "s.state", need: "state"}, {column: "reason", is: "s.reason", fresh: "''"}},
		checks: []check{
			{when: "r.f < r.position_since", column: "from", value: "r.from_typed", rule: "before_the_position", says: "'lies before the position began'"},
			{when: `r.old is null and (exists (select from position_state as t where t.position_id = r.k_position_id and t.state = 'retired' and lower(t.during) < r.f)
                 or exists (select from ready_states as o where o.k_position_id = r.k_position_id and o.state = 'retired' and o.f < r.f))`, column: "state", value: "r.state", rule: "retired_stays", says: "'the position is retired before; add a new one'"},
		},
		into: "site_id", values: "r.site_id"},
	"facts_of_positions": {kind: "facts_of_positions", stage: "facts", table: "position_fact", keys: []string{"position_id", "fact"}, until: true, replace: true, live: "t.withdrawn_at is null",
		refs:    []ref{{"position", "position", "code", "positions", "position", "position"}},
		columns: "position_.id as k_position_id, s.fact as k_fact, position_.site_id, " + instant("seen_on", "z.z") + " as seen",
		joins: `
  left join site as own_site on own_site.id = position_.site_id
 cross join lateral (select coalesce(own_site.zone, 'UTC') as z) as z`,
		where: `
   where s.position is not null and s.unit_tag is null and s.part is null`,
		vals: factVals, checks: factChecks, into: "site_id, recorded_at, recorded_by", values: "r.site_id, @now, @who"},
	"facts_of_units": {kind: "facts_of_units", stage: "facts", table: "unit_fact", keys: []string{"unit_id", "fact"}, until: true, replace: true, live: "t.withdrawn_at is null",
		refs:    []ref{{"unit_tag", "unit", "tag", "units", "unit_tag", "unit"}},
		columns: "unit_tag_.id as k_unit_id, s.fact as k_fact, " + instant("seen_on", "z.z") + " as seen",
		joins: `
 cross join (select ` + homeZone + ` as z) as z`,
		where: `
   where s.unit_tag is not null and s.position is null and s.part is null`,
		vals: factVals, checks: factChecks, into: "recorded_at, recorded_by", values: "@now, @who"},
}

var factVals = []attr{
	{column: "value", is: "s.value", need: "value"}, {column: "value_mm", is: "s.value_mm"},
	{column: "how", is: "s.how", fresh: "'told'"}, {column: "seen_at", is: instant("seen_on", "z.z")}, {column: "seen_by", is: "s.seen_by", fresh: "''"},
}

var factChecks = []check{
	{when: "r.seen > @now", column: "seen on", value: "r.seen_on_typed", rule: "lies_ahead", says: "'must not lie ahead'"},
}

// of the facts of a sheet: each is of one thing
var oneSubject = []check{
	{when: "num_nonnulls(r.position, r.unit_tag, r.part) <> 1", column: "position", value: "concat_ws(', ', r.position, r.unit_tag, r.part)", rule: "one_thing",
		says: "'a fact is of one position, one unit or one part: fill in one of these columns'"},
	{when: "r.value is null", column: "value", rule: "needed", says: "'is needed; what is unknown is left out'"},
	{when: "r.part is not null and num_nonnulls(r.from_typed, r.until_typed, r.seen_on_typed, r.seen_by, r.how) > 0", column: "part", value: "r.part", rule: "part_is_not_dated",
		says: "'what a part is holds for all of its units at all times: leave the dates and how it is known blank'"},
}

const factsOfParts = `
create temp table ready_facts_of_parts on commit drop as
select s.*, p.id as part_id, f.k is not null as f_part, case when t.part_id is not null then p.id end as old, t.part_id is not null and t.value = s.value as same,
       row_number() over (partition by s.part, s.fact order by s.sheet, s.row) as nth, first_value(s.row) over (partition by s.part, s.fact order by s.sheet, s.row) as first_row
  from stage_facts as s
  left join part as p on p.number = s.part
  left join (select distinct part as k from stage_parts) as f on f.k = s.part
  left join part_fact as t on t.part_id = p.id and t.fact = s.fact
 where s.part is not null and s.position is null and s.unit_tag is null`

var factsOfPartsChecks = []check{
	{when: "r.part_id is null and not r.f_part", column: "part", value: "r.part", rule: "names_no_part", says: "'names no part'"},
	{when: "r.part_id is null and r.f_part", rule: "follows", says: "''", level: silent},
	{when: "r.nth > 1", column: "fact", value: "r.fact", rule: "twice", says: "format('stands in this file already, in row %s', r.first_row)"},
}

var factsOfPartsApply = []string{
	`delete from part_fact as t using ready_facts_of_parts as r where t.part_id = r.part_id and t.fact = r.fact and not r.bad and not r.same`,
	`insert into part_fact (part_id, fact, value, value_mm) select r.part_id, r.fact, r.value, r.value_mm from ready_facts_of_parts as r where not r.bad and not r.same`,
}

// a retired position's own time ends
const retire = `
update position as p set during = tstzrange(lower(p.during), r.f), version = version + 1
  from ready_states as r where p.id = r.k_position_id and not r.bad and r.old is null and r.state = 'retired' and upper_inf(p.during)`

// A bore in the units of the other standard than the frame's is the usual
// mistake: 35 mm is not 1-3/8 in.
func boreWarning(kind, frame string) string {
	return fmt.Sprintf(`
insert into import_said (sheet, row, col, value, rule, says, level)
select r.sheet, r.row, 'value', r.w_value, 'bore_against_frame',
       case when f.value = 'NEMA' then format('is metric while the frame is NEMA, whose shafts are in inches: %%s in is %%s mm; it was kept as typed',
              round(cast(r.w_value_mm / 25.4 * 8 as numeric)) / 8, round(round(cast(r.w_value_mm / 25.4 * 8 as numeric)) / 8 * 25.4, 3))
            else format('is in inches while the frame is IEC, whose shafts are metric: it is %%s mm; it was kept as typed', round(cast(r.w_value_mm as numeric), 3)) end, %d
  from ready_%s as r
  join lateral (%s) as f on true
 where not r.bad and r.k_fact = 'bore'
   and (f.value = 'NEMA' and r.w_value ~ ' (mm|cm|m)$' or f.value = 'IEC' and r.w_value ~ ' (in|ft)$')`, aWarning, kind, frame)
}

const frameOfPosition = `select t.value from position_fact as t where t.position_id = r.k_position_id and t.fact = 'frame_standard' and t.withdrawn_at is null and t.during @> cast(@now as timestamptz)`

const frameOfUnit = `
  select coalesce((select t.value from unit_fact as t where t.unit_id = r.k_unit_id and t.fact = 'frame_standard' and t.withdrawn_at is null and t.during @> cast(@now as timestamptz)),
                  (select p.value from part_fact as p join unit as u on u.part_id = p.part_id where u.id = r.k_unit_id and p.fact = 'frame_standard')) as value`

const boreOfPart = `
insert into import_said (sheet, row, col, value, rule, says, level)
select r.sheet, r.row, 'value', r.value, 'bore_against_frame',
       case when f.value = 'NEMA' then 'is metric while the frame is NEMA, whose shafts are in inches; it was kept as typed'
            else 'is in inches while the frame is IEC, whose shafts are metric; it was kept as typed' end, 1
  from ready_facts_of_parts as r
  join part_fact as f on f.part_id = r.part_id and f.fact = 'frame_standard'
 where not r.bad and r.fact = 'bore' and (f.value = 'NEMA' and r.value ~ ' (mm|cm|m)$' or f.value = 'IEC' and r.value ~ ' (in|ft)$')`
