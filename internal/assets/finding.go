package assets

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"spindlebook/internal/access"
	"spindlebook/internal/assets/supply"
	"spindlebook/internal/pgdb"
)

// Finding is something about a site that does not agree, or that nobody knows.
type Finding struct {
	Kind       string // mismatch, wrong_links, serial_twice, twins_differ, unknown_fact, unknown_unit or stale_fact
	Rank       int    // by what it blocks; 1 comes first
	PositionID *uuid.UUID
	Position   string
	UnitID     *uuid.UUID
	Tag        string
	Fact       string // the code of the fact it is about
	FactName   string
	Says       string // one sentence
	Blocks     string // what cannot be done until it is closed
	Close      string // look, measure, photograph: how to close it
}

// staleAfter is how long a fact is worth its word. A fact that somebody assumed
// or was told is stale at once.
const staleAfter = 3 * 365 * 24 * time.Hour

// asOf is the instant as of which somebody is told how a site is: now or, where
// the site is theirs no longer, the last moment when it was.
func asOf(of string) string {
	return `least(cast(@now as timestamptz), upper(cast((select actor_spans()) ->> ` + of + `.site_id::text as tstzmultirange)) - interval '1 microsecond')`
}

// A required fact against what is fitted, also inside a gearmotor: by the unit's
// own facts, or else by what the catalogue says of its part. How a gearmotor
// stands is told by its own facts alone: the catalogue says how it arrives, and
// it is turned before it is fitted. A media set carries its own pattern.
var mismatches = `
with here as (
  select s.position_id, s.name as slot, s.class, s.ordinal, 0 as depth, st.unit_id, n.at
    from slot as s
    join lateral (select ` + asOf("s") + ` as at) as n on true
    join stay as st on st.slot_id = s.id and st.during @> n.at
   where s.site_id = @site and (@everywhere or s.site_id = any (@sites))
),
every as (
  select * from here
   union all
  select h.position_id, s.name, s.class, h.ordinal, 1, st.unit_id, h.at
    from here as h
    join slot as s on s.unit_id = h.unit_id
    join stay as st on st.slot_id = s.id and st.during @> h.at
),
compared as (
  select e.position_id, po.code as position, u.id as unit_id, u.tag, c.fact, k.name as fact_name, e.slot, e.ordinal, e.depth,
         r.value as required, r.value_mm as required_mm,
         coalesce(case when c.fact = 'media_pattern' then u.pattern end, uf.value, pf.value) as "is",
         coalesce(uf.value_mm, pf.value_mm) as is_mm
    from every as e
    join position as po on po.id = e.position_id
    join unit as u on u.id = e.unit_id
    join fact_of_class as c on c.class = e.class
    join fact_kind as k on k.code = c.fact
    join position_fact as r on r.position_id = e.position_id and r.fact = c.fact and r.withdrawn_at is null and r.during @> e.at
    left join unit_fact as uf on uf.unit_id = u.id and uf.fact = c.fact and uf.withdrawn_at is null and uf.during @> e.at
    left join part_fact as pf on pf.part_id = u.part_id and pf.fact = c.fact and c.fact <> 'gearmotor_orientation'
)
select position_id, position, unit_id, tag, fact, fact_name, slot, required, "is"
  from compared
 where "is" is not null
   and case when required_mm is null then lower(required) <> lower("is") else abs(required_mm - is_mm) > 0.02 end
order by position, ordinal, depth, fact_name`

// One serial, or two that look alike, on two units of one class, of which one is at this site.
var serialsTwice = `
select s.position_id, po.code as position, u.id as unit_id, u.tag, u.serial, string_agg(o.tag || case when upper(o.serial) = upper(u.serial) then '' else ', ' || o.serial end, ', ' order by o.tag) as others,
       bool_or(upper(o.serial) = upper(u.serial)) as same
  from slot as s
  join position as po on po.id = s.position_id
  join stay as st on st.slot_id = s.id and st.during @> ` + asOf("s") + `
  join unit as u on u.id = st.unit_id
  join part as p on p.id = u.part_id
  join unit as o on o.serial_read = u.serial_read and o.id <> u.id
  join part as op on op.id = o.part_id and op.class = p.class
 where s.site_id = @site and (@everywhere or s.site_id = any (@sites))
group by s.position_id, po.code, u.id, u.tag, u.serial
order by po.code`

// Twins are worked on together, so what they require and hold should agree.
var twinsDiffer = `
select l.id as position_id, l.code as position, r.code as other, k.code as fact, k.name as fact_name, fl.value as ours, fr.value as theirs
  from twin as t
  join lateral (select ` + asOf("t") + ` as at) as n on true
  join position as l on l.id = t.left_id
  join position as r on r.id = t.right_id
  join position_fact as fl on fl.position_id = l.id and fl.withdrawn_at is null and fl.during @> n.at
  join position_fact as fr on fr.position_id = r.id and fr.fact = fl.fact and fr.withdrawn_at is null and fr.during @> n.at
  join fact_kind as k on k.code = fl.fact
 where t.site_id = @site and (@everywhere or t.site_id = any (@sites))
   and fl.fact = any (cast(@alike as text[]))
   and case when fl.value_mm is null then fl.value <> fr.value else abs(fl.value_mm - fr.value_mm) > 0.02 end
order by l.code, k.name`

// alike is what both of a pair have the same; orientation and turning are handed.
var alike = []string{"bore", "drive", "frame_size", "frame_standard", "hub_fixing", "media", "media_colour", "media_pattern", "sensor_output", "valve_coil"}

// live is how the positions of a site stood, those that were retired left out.
var live = `
  select p.id, p.code, p.kind, k.duty, k.turns, c.state, n.at
    from position as p
    join position_kind as k on k.code = p.kind
    join lateral (select ` + asOf("p") + ` as at) as n on true
    join lateral (select c.state from position_state as c where c.position_id = p.id and c.during @> n.at limit 1) as c on true
   where p.site_id = @site and (@everywhere or p.site_id = any (@sites))
     and c.state in ('in_service', 'parked', 'empty')`

// What nobody knows of brushes that are not retired, and what is old news.
var unknowns = `
with live as (` + live + `
),
wanted as (
  select l.id, l.code, l.at, w.fact
    from live as l
    join lateral (select unnest(cast(@of_brush as text[])) as fact
                   union all
                  select unnest(cast(@to_turn as text[])) where l.turns = 'recorded') as w on true
   where l.duty = 'brush'
)
select w.id as position_id, w.code as position, w.fact, k.name as fact_name, f.value, f.how, w.at - f.seen_at as age
  from wanted as w
  join fact_kind as k on k.code = w.fact
  left join position_fact as f on f.position_id = w.id and f.fact = w.fact and f.withdrawn_at is null and f.during @> w.at
 where f.id is null or f.how in ('assumed', 'told') or f.seen_at is null or f.seen_at < w.at - cast(@stale as interval)
order by w.code, k.name`

var unknownUnits = `
with live as (` + live + `
)
select s.position_id, p.code as position, s.name as slot, s.class
  from live as p
  join slot as s on s.position_id = p.id
 where p.state in ('in_service', 'parked')
   and p.kind <> 'conveyor' -- one drive turns all of it: at which of its places it stands the kind does not tell
   and not (s.class = 'gearmotor' and exists (select from position_fact as f where f.position_id = p.id and f.fact = 'drive' and f.value = 'hydraulic'
                                                and f.withdrawn_at is null and f.during @> p.at))
   and not exists (select from stay as st where st.slot_id = s.id and st.during @> p.at)
order by p.code, s.ordinal`

// blocks says what cannot be prepared while a fact is unknown, and how much of
// the work that is: 1 is the most.
var blocks = map[string]struct {
	rank int
	what string
}{
	"turning":               {1, "the rotation test after any work on it"},
	"turning_seen_from":     {1, "the rotation test after any work on it"},
	"gearmotor_orientation": {2, "choosing and preparing a gearmotor"},
	"bore":                  {2, "choosing a gearmotor, a shaft or a hub"},
	"frame_standard":        {2, "choosing a gearmotor"},
	"hub_fixing":            {3, "choosing hub screws and media"},
	"media_pattern":         {4, "ordering a media set"},
	"media":                 {4, "ordering a media set"},
	"media_colour":          {5, "ordering a media set in the right colour"},
}

// howToSee says what to do at the position to learn a fact.
var howToSee = map[string]string{
	"turning":               "look which way it turns in a test run, from where you note",
	"turning_seen_from":     "note from where the turning is seen",
	"gearmotor_orientation": "photograph the junction box from the fan's end of the motor",
	"bore":                  "measure the shaft at the hub with a caliper; 1-3/8 in is not 35 mm",
	"frame_standard":        "photograph the motor's nameplate",
	"hub_fixing":            "look whether four screws clamp the hub or three bolts hold a flange",
	"media_pattern":         "count the sections from the bottom up, long leaf A and short leaf B",
	"media":                 "look whether it is foam or cloth",
	"media_colour":          "photograph the media in daylight",
}

// Findings lists what does not agree at a site or is not known, the worst first,
// in a number of statements that does not grow with the site. Whoever sold the
// site is told how it was when it was handed over.
func Findings(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, site uuid.UUID) ([]Finding, error) {
	if _, err := OneSite(ctx, db, who, site); err != nil {
		return nil, err
	}
	a := args(who, map[string]any{"site": site, "now": now, "stale": staleAfter, "alike": alike, "of_brush": wantedOfBrush, "to_turn": wantedToTurn})
	type row struct {
		PositionID                          *uuid.UUID
		Position                            string
		UnitID                              *uuid.UUID
		Tag, Fact, FactName, Slot, Class    string
		Required, Is, Serial, Others, Other string
		Ours, Theirs                        string
		Value, How                          *string
		Age                                 *time.Duration // since it was seen
		Same                                bool
	}
	var all []Finding
	for _, q := range []struct {
		sql string
		say func(r row) Finding
	}{
		{mismatches, func(r row) Finding {
			return Finding{Kind: "mismatch", Rank: 1, Says: fmt.Sprintf("%s: the %s that is fitted, %s, is %s in %s; the position requires %s.",
				r.Position, strings.ToLower(r.Slot), r.Tag, r.Is, strings.ToLower(r.FactName), r.Required),
				Blocks: "trusting what is fitted", Close: "look at the unit; correct its facts or those of the position, or exchange it"}
		}},
		{serialsTwice, func(r row) Finding {
			return Finding{Kind: "serial_twice", Rank: 3, Says: fmt.Sprintf("%s: the serial %s of %s %s that of %s.", r.Position, r.Serial, r.Tag, alsoOrAlike(r.Same), r.Others),
				Blocks: "warranty and history of either", Close: "photograph the nameplate and compare letter by letter: O and 0, I and 1"}
		}},
		{twinsDiffer, func(r row) Finding {
			return Finding{Kind: "twins_differ", Rank: 3, Says: fmt.Sprintf("%s requires %s in %s, its twin %s requires %s.", r.Position, r.Ours, strings.ToLower(r.FactName), r.Other, r.Theirs),
				Blocks: "working on both with one set of parts", Close: "look at both"}
		}},
		{unknowns, func(r row) Finding {
			f := Finding{Kind: "unknown_fact", Rank: blocks[r.Fact].rank, Blocks: blocks[r.Fact].what, Close: howToSee[r.Fact],
				Says: fmt.Sprintf("%s: nobody has recorded its %s.", r.Position, strings.ToLower(r.FactName))}
			if r.Value != nil {
				f.Kind, f.Rank = "stale_fact", f.Rank+5
				switch {
				case val(r.How) == "assumed", val(r.How) == "told":
					f.Says = fmt.Sprintf("%s: its %s, %s, was only %s.", r.Position, strings.ToLower(r.FactName), *r.Value, *r.How)
				case r.Age == nil:
					f.Says = fmt.Sprintf("%s: its %s, %s, was recorded without saying when it was seen.", r.Position, strings.ToLower(r.FactName), *r.Value)
				default:
					f.Says = fmt.Sprintf("%s: its %s, %s, was last seen %d years ago.", r.Position, strings.ToLower(r.FactName), *r.Value, int(r.Age.Hours()/24/365))
				}
			}
			return f
		}},
		{unknownUnits, func(r row) Finding {
			return Finding{Kind: "unknown_unit", Rank: 6, Says: fmt.Sprintf("%s: what is fitted as %s is not on record.", r.Position, strings.ToLower(r.Slot)),
				Blocks: "its age and its history", Close: "read the nameplate, or give it a label of ours, and photograph it"}
		}},
	} {
		rows, err := pgdb.ReadSome[row](ctx, db, who.ID, q.sql, a)
		if err != nil {
			return nil, err
		}
		for _, r := range rows {
			if r.Fact == "media_pattern" && samePattern(r.Required, r.Is) {
				continue // AABBx2 and AABBAABB say the same
			}
			f := q.say(r)
			f.PositionID, f.Position, f.UnitID, f.Tag, f.Fact, f.FactName = r.PositionID, r.Position, r.UnitID, r.Tag, r.Fact, r.FactName
			all = append(all, f)
		}
	}
	wrong, err := wrongLinks(ctx, db, who, a)
	if err != nil {
		return nil, err
	}
	all = append(wrong, all...)
	slices.SortStableFunc(all, func(a, b Finding) int {
		return cmp.Or(cmp.Compare(a.Rank, b.Rank), strings.Compare(a.Position, b.Position))
	})
	return all, nil
}

func alsoOrAlike(same bool) string {
	if same {
		return "is also"
	}
	return "looks like"
}

// samePattern tells whether two patterns are of the same sections in the same order.
func samePattern(a, b string) bool {
	x, ok := SpellPattern(a)
	y, also := SpellPattern(b)
	return ok && also && x == y
}

// wrongLinks finds the gearmotors of a site that do not suit what feeds them, or
// whose links are set for another voltage: both come before everything else,
// since the one burns and the other stalls. What cannot be told is no finding.
func wrongLinks(ctx context.Context, db *pgdb.DB, who access.Actor, a map[string]any) ([]Finding, error) {
	motors, err := pgdb.Read[plated](ctx, db, who.ID, fmt.Sprintf(plates, sitePlates), a)
	if err != nil {
		return nil, err
	}
	var found []Finding
	for _, m := range motors {
		f := Finding{Kind: "wrong_links", Rank: 1, PositionID: &m.PositionID, Position: m.Position, UnitID: m.UnitID, Tag: m.Tag, Blocks: "switching it on",
			Fact: "link_setting", FactName: "Links are set for"}
		c := m.judge()
		if c.Verdict == supply.DoesNot {
			says := make([]string, len(c.Reasons))
			for i, r := range c.Reasons {
				says[i] = r.Says
			}
			f.Fact, f.FactName = "plate_volts", "Volts on the nameplate"
			f.Says = fmt.Sprintf("%s: the motor of %s does not suit its supply. %s", m.Position, m.Tag, strings.Join(says, " "))
			f.Close = "isolate it; a qualified person reads its plate, and it is exchanged"
			found = append(found, f)
		}
		for _, x := range c.Findings {
			if x.Code == "links" {
				f.Says, f.Close = fmt.Sprintf("%s, %s: %s", m.Position, m.Tag, x.Says), "isolate it; a qualified person opens the junction box, photographs the links and sets them"
				found = append(found, f)
			}
		}
	}
	return found, nil
}
