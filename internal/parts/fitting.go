package parts

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/assets/supply"
	"spindlebook/internal/condition"
	"spindlebook/internal/fault"
	"spindlebook/internal/parts/fit"
	"spindlebook/internal/pgdb"
)

// Rules lists the rules of fit, by class.
func Rules(ctx context.Context, db *pgdb.DB, who access.Actor) ([]fit.Rule, error) {
	return pgdb.Read[fit.Rule](ctx, db, who.ID, `
select class, how, fact, against, condition, work, coalesce(work_minutes, 0) as minutes, work_by as by, why from fit_rule order by class, how desc, fact, against`, nil)
}

// SetRules makes the rules of a class those given.
func SetRules(tx *gorm.DB, who access.Actor, class string, rules []fit.Rule) error {
	if err := who.Must(access.KeepCatalogue); err != nil {
		return err
	}
	if len(rules) > 50 {
		return fault.Field("rules", len(rules), "takes at most 50 rules a class")
	}
	var kinds []fit.Kind
	if err := tx.Raw(`select code, name, look from fact_kind`).Scan(&kinds).Error; err != nil {
		return err
	}
	type row struct {
		ID        uuid.UUID `json:"id"`
		How       string    `json:"how"`
		Fact      string    `json:"fact"`
		Against   string    `json:"against"`
		Condition string    `json:"condition"`
		Work      string    `json:"work"`
		Minutes   *int      `json:"minutes"`
		By        string    `json:"by"`
		Why       string    `json:"why"`
	}
	rows := make([]row, len(rules))
	for i := range rules {
		rules[i].Class = class
		r := rules[i]
		rows[i] = row{pgdb.NewID(), r.How, r.Fact, r.Against, r.Condition, r.Work, nil, r.By, r.Why}
		if r.Minutes != 0 {
			rows[i].Minutes = &r.Minutes
		}
	}
	if _, err := fit.NewBook(rules, kinds); err != nil {
		return err
	}
	doc, err := json.Marshal(rows)
	if err != nil {
		return err
	}
	v := map[string]any{"class": class, "rows": string(doc)}
	if err := tx.Exec(`delete from fit_rule where class = @class`, v).Error; err != nil {
		return err
	}
	return tx.Exec(`
insert into fit_rule (id, class, how, fact, against, condition, work, work_minutes, work_by, why)
select id, @class, how, fact, against, condition, work, minutes, by, why
  from jsonb_to_recordset(cast(@rows as jsonb)) as r(id uuid, how text, fact text, against text, condition text, work text, minutes int, by text, why text)`, v).Error
}

// readBook reads the rules and what can be known, together.
func readBook(ctx context.Context, db *pgdb.DB, who access.Actor) (fit.Book, error) {
	type row struct {
		Rules []fit.Rule
		Kinds []fit.Kind
	}
	r, err := pgdb.ReadOne[row](ctx, db, who.ID, "book", "", `
select (select coalesce(jsonb_agg(jsonb_build_object('Class', class, 'How', how, 'Fact', fact, 'Against', against, 'Condition', condition, 'Work', work,
                                                     'Minutes', coalesce(work_minutes, 0), 'By', work_by, 'Why', why) order by class, how desc, fact, against), '[]') from fit_rule) as rules,
       (select jsonb_agg(jsonb_build_object('Code', code, 'Name', name, 'Look', look)) from fact_kind) as kinds`, nil)
	if err != nil {
		return fit.Book{}, err
	}
	return fit.NewBook(r.Rules, r.Kinds)
}

// staleAfter is how long a fact is worth its word, as in the findings of a site.
const staleAfter = 3 * 365 * 24 * time.Hour

// seen is a fact with what its word is worth.
type seen struct {
	Value  string
	How    string
	SeenAt *time.Time
}

func (s seen) known(now time.Time) fit.Known {
	k := fit.Known{Value: s.Value}
	switch {
	case s.How == "assumed":
		k.Stale = "nobody has seen it, it was assumed"
	case s.How == "told":
		k.Stale = "it was told, nobody has looked"
	case s.SeenAt != nil && now.Sub(*s.SeenAt) > staleAfter:
		k.Stale = "it was last seen in " + s.SeenAt.Format("January 2006")
	}
	return k
}

// place is a position as it is read for fit and for conditions.
type place struct {
	ID       uuid.UUID
	Code     string
	Name     string
	Kind     string
	LineSide string
	SiteID   uuid.UUID
	Volts    float64
	Phases   int
	Hertz    int
	HighLeg  bool
	Facts    map[string]seen
	Held     map[string]string // what is known of the units in it
	Slots    map[string]string // their classes, by code
}

const places = `
with asked as (
  select p.* from position as p where p.id = any (cast(@positions as uuid[])) and (@everywhere or p.site_id = any (@sites))
),
told as (
  select f.position_id, jsonb_object_agg(f.fact, jsonb_build_object('Value', f.value, 'How', f.how, 'SeenAt', f.seen_at)) as facts
    from asked as a
    join position_fact as f on f.position_id = a.id and f.withdrawn_at is null and f.during @> cast(@now as timestamptz)
group by f.position_id
),
-- Row by row through the indexes: what row-level security leaves the planner cannot
-- estimate, and it would go through all stays.
fitted as (
  select a.id as position_id, st.unit_id, s.ordinal
    from asked as a
   cross join lateral (select o.id, o.ordinal from slot as o where o.position_id = a.id offset 0) as s
   cross join lateral (select y.unit_id from stay as y where y.slot_id = s.id and y.during @> cast(@now as timestamptz) offset 0) as st
),
inside as (
  select * from fitted
   union all
  select f.position_id, st.unit_id, f.ordinal + 100
    from fitted as f
   cross join lateral (select o.id from slot as o where o.unit_id = f.unit_id offset 0) as s
   cross join lateral (select y.unit_id from stay as y where y.slot_id = s.id and y.during @> cast(@now as timestamptz) offset 0) as st
),
said as (
  select i.position_id, i.ordinal * 2 as rank, f.fact, f.value
    from inside as i
   cross join lateral (select o.fact, o.value from unit_fact as o where o.unit_id = i.unit_id and o.withdrawn_at is null and o.during @> cast(@now as timestamptz) offset 0) as f
   union all
  select i.position_id, i.ordinal * 2 + 1, f.fact, f.value
    from inside as i
   cross join lateral (select o.part_id from unit as o where o.id = i.unit_id offset 0) as u
   cross join lateral (select o.fact, o.value from part_fact as o where o.part_id = u.part_id offset 0) as f
),
held as (
  select b.position_id, jsonb_object_agg(b.fact, b.value) as facts
    from (select distinct on (position_id, fact) position_id, fact, value from said order by position_id, fact, rank) as b
group by b.position_id
)
select a.id, a.code, a.name, a.kind, a.line_side, a.site_id, coalesce(e.volts, 0) as volts, coalesce(e.phases, 0) as phases, coalesce(e.hertz, 0) as hertz,
       coalesce(e.high_leg, false) as high_leg, coalesce(t.facts, '{}') as facts, coalesce(h.facts, '{}') as held,
       coalesce(k.classes, '{}') as slots
  from asked as a
  left join supply as e on e.id = a.supply_id and e.during @> cast(@now as timestamptz)
  left join told as t on t.position_id = a.id
  left join held as h on h.position_id = a.id
  left join (select o.kind, jsonb_object_agg(k.code, k.class) as classes
               from (select distinct kind from asked) as o join slot_kind as k on k.holder_is = 'unit' or k.holder = o.kind
           group by o.kind) as k on k.kind = a.kind`

func readPlaces(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, positions []uuid.UUID) (map[uuid.UUID]place, error) {
	rows, err := pgdb.Read[place](ctx, db, who.ID, places, who.Scope(map[string]any{"positions": positions, "now": now}))
	all := make(map[uuid.UUID]place, len(rows))
	for _, r := range rows {
		all[r.ID] = r
	}
	return all, err
}

func (p place) position(now time.Time) fit.Position {
	at := fit.Position{Kind: p.Kind, LineSide: p.LineSide, Facts: make(map[string]fit.Known, len(p.Facts)),
		Feed: supply.Feed{Volts: p.Volts, Phases: p.Phases, Hertz: float64(p.Hertz), HighLeg: p.HighLeg}}
	for f, s := range p.Facts {
		k := s.known(now)
		k.Value = spelled(f, k.Value)
		at.Facts[f] = k
	}
	return at
}

// spelled writes patterns out, as they are compared.
func spelled(fact, value string) string {
	if fact == "media_pattern" {
		if whole, ok := assets.SpellPattern(value); ok {
			return whole
		}
	}
	return value
}

// What conditions can ask beside the facts: of the position, of what feeds it,
// and the way in which the work is done.
var asked = []string{"kind", "line_side", "supply_volts", "supply_phases", "supply_hertz", "method"}

// known gives what conditions are judged by. What the position requires goes
// before what is known of the units in it.
func (p place) known(method string) condition.Facts {
	all := condition.Facts{}
	for f, v := range p.Held {
		all[f] = v
	}
	for f, s := range p.Facts {
		all[f] = s.Value
	}
	all["kind"], all["line_side"] = p.Kind, p.LineSide
	if p.Volts > 0 {
		all["supply_volts"] = fmt.Sprint(p.Volts)
	}
	if p.Phases > 0 {
		all["supply_phases"] = fmt.Sprint(p.Phases)
	}
	if p.Hertz > 0 {
		all["supply_hertz"] = fmt.Sprint(p.Hertz)
	}
	if method != "" {
		all["method"] = method
	}
	return all
}

// item is a part as it is read for lists.
type item struct {
	ID          uuid.UUID
	Number      string
	Description string
	Class       string
	MeasuredIn  string
	Tracking    string
	Hazard      string
	Facts       map[string]string
}

const items = `
select p.id, p.number, p.description, p.class, p.measured_in, p.tracking, p.hazard,
       coalesce((select jsonb_object_agg(f.fact, f.value) from part_fact as f where f.part_id = p.id), '{}') as facts
  from part as p`

func (i item) candidate() fit.Candidate {
	c := fit.Candidate{Class: i.Class, Facts: make(map[string]fit.Known, len(i.Facts))}
	for f, v := range i.Facts {
		c.Facts[f] = fit.Known{Value: spelled(f, v)}
	}
	return c
}

// PartFit is whether a part fits a position as it arrives.
type PartFit struct {
	PartID      uuid.UUID
	Number      string
	Description string
	FollowedBy  string
	Withdrawn   bool
	fit.Answer
}

// mostOfClass bounds how many parts, or units in stock, of one class are tried.
const mostOfClass = 500

// FitsAt tells of every part of a class whether it fits a position as it arrives:
// those that fit first. It fails where there are more parts than it tries.
func FitsAt(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, position uuid.UUID, class string) ([]PartFit, error) {
	at, b, err := atPlace(ctx, db, who, now, position)
	if err != nil {
		return nil, err
	}
	type row struct {
		item
		FollowedBy string
		Withdrawn  bool
	}
	rows, err := pgdb.Read[row](ctx, db, who.ID, `
select i.*, coalesce(n.numbers, '') as followed_by, coalesce(n.withdrawn, false) as withdrawn
  from (`+items+` where p.class = @class) as i
  left join lateral (
    select string_agg(o.number, ' and ' order by o.number) as numbers, bool_or(s.kind = 'withdrawn') as withdrawn
      from part_succession as s
      left join part_succession_to as t on t.succession_id = s.id
      left join part as o on o.id = t.part_id
     where s.part_id = i.id and upper_inf(s.during) and s.only_where = '') as n on true
order by i.number
   limit @limit`, map[string]any{"class": class, "limit": mostOfClass + 1})
	if err != nil {
		return nil, err
	}
	if len(rows) > mostOfClass {
		return nil, fault.Field("class", class, "has more than %d parts; ask for one part", mostOfClass)
	}
	m := mixing{}
	if class == "media_set" || class == "section" {
		if m, err = readMixing(ctx, db, who, now, []uuid.UUID{position}, nil); err != nil {
			return nil, err
		}
	}
	all := make([]PartFit, len(rows))
	for i, r := range rows {
		c := r.candidate()
		if r.Withdrawn {
			c.Never = []string{"It was withdrawn from use."}
		}
		m.tell(&c, r.ID, r.Number, nil, position)
		all[i] = PartFit{r.ID, r.Number, r.Description, r.FollowedBy, r.Withdrawn, b.Judge(at.position(now), c)}
	}
	sortByVerdict(all, func(f PartFit) fit.Answer { return f.Answer })
	return all, nil
}

func atPlace(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, position uuid.UUID) (place, fit.Book, error) {
	found, err := readPlaces(ctx, db, who, now, []uuid.UUID{position})
	if err != nil {
		return place{}, fit.Book{}, err
	}
	at, ok := found[position]
	if !ok {
		return place{}, fit.Book{}, fault.Missing("position", position.String())
	}
	b, err := readBook(ctx, db, who)
	return at, b, err
}

// UnitFit is whether a unit in stock fits a position.
type UnitFit struct {
	UnitID      uuid.UUID
	Tag         string
	Serial      *string
	PartID      uuid.UUID
	PartNumber  string
	LocationID  uuid.UUID
	Location    string // its code
	LocationSay string // its name
	Kind        string // of the location
	fit.Answer
}

// Opening is a place that something of a class may go into.
type Opening struct {
	PositionID uuid.UUID
	Class      string
}

// asked in one go: openings, each with its number
const openings = `unnest(cast(@positions as uuid[]), cast(@classes as text[])) with ordinality as a(position_id, class, n)`

const stocked = `
select x.* from ` + openings + `
 cross join lateral (
select a.n, u.id as unit_id, u.tag, u.serial, p.id as part_id, p.number as part_number, p.class, l.id as location_id, l.code as location, l.name as location_say, l.kind,
       u.pattern, coalesce(uf.facts, '{}') as own, coalesce(pf.facts, '{}') as facts,
       exists (select from part_succession as s where s.part_id = p.id and s.kind = 'withdrawn' and upper_inf(s.during) and s.only_where = '') as withdrawn
  from position as po
  join part as p on p.class = a.class
  join unit as u on u.part_id = p.id
  join stay as st on st.unit_id = u.id and st.during @> cast(@now as timestamptz)
  join location as l on l.id = st.location_id and l.kind in ('warehouse', 'van', 'site_shelf', 'bench')
  left join lateral (select jsonb_object_agg(f.fact, jsonb_build_object('Value', f.value, 'How', f.how, 'SeenAt', f.seen_at)) as facts
                       from unit_fact as f where f.unit_id = u.id and f.withdrawn_at is null and f.during @> cast(@now as timestamptz)) as uf on true
  left join lateral (select jsonb_object_agg(f.fact, f.value) as facts from part_fact as f where f.part_id = p.id) as pf on true
 where po.id = a.position_id
   and (@everywhere or l.site_id = any (@sites))
   and (l.site_id is null or l.site_id = po.site_id)
   and (u.owner <> 'customer' or u.owner_customer_id = (select o.customer_id from ownership_now as o where o.site_id = po.site_id))
order by l.code, u.tag
   limit @limit) as x
order by x.n, x.location, x.tag`

// How a unit stands is told by its own facts alone: the catalogue says how it arrives.
var prepared = []string{"gearmotor_orientation", "link_setting"}

// besides finds what must never be on one brush with what stays fitted at a position when
// some slots are emptied.
const besides = `
select a.n, case when i.part_id = f.part_id then i.other_id else i.part_id end as part_id, string_agg(distinct p.number, ', ') as stays
  from ` + openings + `
 cross join lateral (select u.part_id
                       from slot as s
                       join stay as st on st.slot_id = s.id and upper_inf(st.during)
                       join unit as u on u.id = st.unit_id
                      where s.position_id = a.position_id and s.class <> a.class and s.id <> all (cast(@out as uuid[]))) as f
  join part_interchange as i on f.part_id in (i.part_id, i.other_id)
  join part as p on p.id = f.part_id
 where i.kind = 'never_mix' and i.during @> cast(@now as timestamptz)
group by 1, 2`

// UnitsFor tells of the units of a class in stock whether they fit a position, those that do
// first; what is of that class there now is taken as coming out. What lies in quarantine, with a
// supplier or in the scrap is not asked, nor what belongs to another customer or lies on another
// site's shelf. It fails where there are more than it tries.
func UnitsFor(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, position uuid.UUID, class string) ([]UnitFit, error) {
	o := Opening{position, class}
	all, err := UnitsForAll(ctx, db, who, now, []Opening{o}, nil)
	if len(all[o]) > mostOfClass {
		return nil, fault.Field("class", class, "has more than %d units in stock; ask what a position's work takes, or of one part", mostOfClass)
	}
	return all[o], err
}

// UnitsForAll answers as UnitsFor does for many openings at once, in a number of statements that
// does not grow with them, where other slots are emptied as well. Of each opening it judges
// some 500 units, by place and tag: whoever shows them shows the others without an answer.
func UnitsForAll(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, asked []Opening, out []uuid.UUID) (map[Opening][]UnitFit, error) {
	positions, classes := make([]uuid.UUID, len(asked)), make([]string, len(asked))
	for i, o := range asked {
		positions[i], classes[i] = o.PositionID, o.Class
	}
	at, err := readPlaces(ctx, db, who, now, positions)
	if err != nil {
		return nil, err
	}
	for _, p := range positions {
		if _, ok := at[p]; !ok {
			return nil, fault.Missing("position", p.String())
		}
	}
	b, err := readBook(ctx, db, who)
	if err != nil {
		return nil, err
	}
	type row struct {
		N                                             int
		UnitID, PartID, LocationID                    uuid.UUID
		Tag, PartNumber, Class, Location, LocationSay string
		Kind                                          string
		Serial, Pattern                               *string
		Own                                           map[string]seen
		Facts                                         map[string]string
		Withdrawn                                     bool
	}
	if out == nil {
		out = []uuid.UUID{}
	}
	args := map[string]any{"positions": positions, "classes": classes, "now": now, "limit": mostOfClass + 1, "out": out}
	rows, err := pgdb.Read[row](ctx, db, who.ID, stocked, who.Scope(args))
	if err != nil {
		return nil, err
	}
	mixed, err := pgdb.Read[struct {
		N      int
		PartID uuid.UUID
		Stays  string
	}](ctx, db, who.ID, besides, args)
	if err != nil {
		return nil, err
	}
	m := mixing{}
	if slices.Contains(classes, "media_set") {
		units := []uuid.UUID{}
		for _, r := range rows {
			if r.Class == "media_set" {
				units = append(units, r.UnitID)
			}
		}
		if m, err = readMixing(ctx, db, who, now, positions, units); err != nil {
			return nil, err
		}
	}
	type beside struct {
		n    int
		part uuid.UUID
	}
	never := map[beside]string{}
	for _, m := range mixed {
		never[beside{m.N, m.PartID}] = m.Stays
	}
	all := make(map[Opening][]UnitFit, len(asked))
	for _, r := range rows {
		c := item{Class: r.Class, Facts: r.Facts}.candidate()
		for _, f := range prepared {
			delete(c.Facts, f)
		}
		for f, s := range r.Own {
			k := s.known(now)
			k.Value = spelled(f, k.Value)
			c.Facts[f] = k
		}
		if r.Pattern != nil {
			c.Facts["media_pattern"] = fit.Known{Value: *r.Pattern}
		}
		if r.Withdrawn {
			c.Never = []string{"Its part was withdrawn from use."}
		}
		if stays, bad := never[beside{r.N, r.PartID}]; bad {
			c.Never = append(c.Never, "It must never be on one brush with "+stays+", which stays there.")
		}
		o := asked[r.N-1]
		m.tell(&c, r.PartID, r.PartNumber, &r.UnitID, o.PositionID)
		all[o] = append(all[o], UnitFit{r.UnitID, r.Tag, r.Serial, r.PartID, r.PartNumber, r.LocationID, r.Location, r.LocationSay, r.Kind, b.Judge(at[o.PositionID].position(now), c)})
	}
	for o := range all {
		sortByVerdict(all[o], func(f UnitFit) fit.Answer { return f.Answer })
	}
	return all, nil
}

// FactsOf gives what conditions may ask about work at a position: its facts, what it
// is and holds, what feeds it, and the method chosen.
func FactsOf(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, position uuid.UUID, method string) (condition.Facts, error) {
	found, err := readPlaces(ctx, db, who, now, []uuid.UUID{position})
	if err != nil {
		return nil, err
	}
	at, ok := found[position]
	if !ok {
		return nil, fault.Missing("position", position.String())
	}
	return at.known(method), nil
}
