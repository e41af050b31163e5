package visits

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"spindlebook/internal/access"
	"spindlebook/internal/calendar"
	"spindlebook/internal/fault"
	"spindlebook/internal/parts"
	"spindlebook/internal/parts/amount"
	"spindlebook/internal/parts/fit"
	"spindlebook/internal/parts/kit"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pm/due"
	"spindlebook/internal/pm/visits/crew"
	"spindlebook/internal/pm/visits/readiness"
)

// lot is what lies at one place and is alike: a unit, or pieces of one part, lot and owner.
type lot struct {
	UnitID, BalanceID *uuid.UUID
	PartID            uuid.UUID
	Number            string
	Class             string
	MeasuredIn        string
	Tracking          string
	Container         *amount.Amount
	Tag, Lot          string
	Expires           *time.Time
	OpenExpires       *time.Time // of the container that is open
	OpenLevel         string
	OnHand            amount.Amount
	LocationID        uuid.UUID
	Location          string
	Kind              string
	SiteID            *uuid.UUID
	OwnerCustomerID   *uuid.UUID
	PartFacts         map[string]string
	UnitFacts         map[string]parts.Word
	Pattern           string
	Withdrawn         bool
	Opened            bool // bag of a kit
	Aside             []claim
}

// claim is what is promised to a task.
type claim struct {
	TaskID     *uuid.UUID
	PartID     uuid.UUID
	LocationID *uuid.UUID
	Amount     amount.Amount
	Purpose    string
	NeededOn   string
}

func (c claim) name() string { return c.Purpose + " on " + c.NeededOn }

// What lies where that could be used: of some parts, and every unit of some classes.
const lying = `
select s.unit_id, s.balance_id, s.part_id, p.number, p.class, p.measured_in, p.tracking, p.container, coalesce(u.tag, '') as tag, coalesce(s.lot, '') as lot, s.expires_on as expires,
       o.expires_on as open_expires, coalesce(o.level, '') as open_level, s.on_hand, l.id as location_id, l.code as location, l.kind, l.site_id, s.owner_customer_id,
       coalesce((select jsonb_object_agg(f.fact, f.value) from part_fact as f where f.part_id = p.id), '{}') as part_facts,
       case when s.unit_id is not null then coalesce((select jsonb_object_agg(f.fact, jsonb_build_object('Value', f.value, 'How', f.how, 'SeenAt', f.seen_at))
          from unit_fact as f where f.unit_id = s.unit_id and f.withdrawn_at is null and f.during @> cast(@now as timestamptz)), '{}') end as unit_facts,
       coalesce(u.pattern, '') as pattern,
       exists (select from part_succession as w where w.part_id = p.id and w.kind = 'withdrawn' and upper_inf(w.during) and w.only_where = '') as withdrawn,
       coalesce(b.state = 'opened', false) as opened,
       coalesce((select jsonb_agg(jsonb_build_object('TaskID', c.task_id, 'PartID', c.part_id, 'Amount', c.amount, 'Purpose', c.purpose, 'NeededOn', c.needed_on) order by c.needed_on)
          from stock_claim as c where c.state = 'set_aside' and (c.balance_id = s.balance_id or c.unit_id = s.unit_id)), '[]') as aside
  from part as p
  join stock_now as s on s.part_id = p.id
  join location as l on l.id = s.location_id and l.kind in ('warehouse', 'van', 'site_shelf', 'bench')
  left join unit as u on u.id = s.unit_id
  left join kit_bag as b on b.lot_id = s.lot_id
  left join open_container as o on o.location_id = s.location_id and o.part_id = s.part_id and o.lot_id is not distinct from s.lot_id and o.emptied_at is null
 where (p.id = any (cast(@parts as uuid[])) or p.tracking = 'unit' and p.class = any (cast(@classes as text[]))) and s.on_hand > 0
order by p.number, l.code, s.expires_on nulls last, u.tag, s.lot`

const promised = `
select c.task_id, c.part_id, c.location_id, c.amount, c.purpose, to_char(c.needed_on, 'YYYY-MM-DD') as needed_on
  from stock_claim as c where c.state = 'open' and c.part_id = any (cast(@parts as uuid[])) order by c.needed_on, c.id`

// What suppliers owe us, with the day of their last promise.
const ordered = `
select l.part_id, p.number, o.number as order_number, l.amount - l.cancelled - coalesce(r.received, 0) as owed, d.promised_on
  from supplier_order_line as l
  join supplier_order as o on o.id = l.order_id and o.state = 'sent'
  join part as p on p.id = l.part_id
  join lateral (select d.promised_on from supplier_order_promise as d where d.line_id = l.id order by d.told_at desc limit 1) as d on true
  left join lateral (select sum(m.amount) as received from stock_movement as m where m.order_line_id = l.id and m.kind = 'receive') as r on true
 where l.part_id = any (cast(@parts as uuid[])) and l.amount - l.cancelled > coalesce(r.received, 0)
order by d.promised_on, o.number`

const leads = `
select s.part_id, s.lead_90, u.working_days, u.closed
  from supplier_part as s join supplier as u on u.id = s.supplier_id
 where s.part_id = any (cast(@parts as uuid[])) and s.preferred`

// Parts that go instead of some, and what kits are made of.
const instead = `
select p.id as part_id,
       coalesce((select jsonb_agg(i.it) from (
          select i.other_id as it from part_interchange as i where i.part_id = p.id and i.kind in ('either', 'instead') and i.only_where = '' and upper_inf(i.during)
           union
          select i.part_id from part_interchange as i where i.other_id = p.id and i.kind = 'either' and i.only_where = '' and upper_inf(i.during)) as i), '[]') as others,
       coalesce((select jsonb_agg(jsonb_build_object('PartID', q.part_id, 'Number', n.number, 'Amount', q.amount, 'Optional', q.optional) order by q.ordinal)
          from kit_now as k join kit_line as q on q.recipe_id = k.recipe_id join part as n on n.id = q.part_id where k.kit_id = p.id), '[]') as recipe,
       p.tracking, p.class, p.number, p.measured_in, coalesce(p.weight_kg, 0) as weight_kg,
       coalesce((select jsonb_object_agg(f.fact, f.value) from part_fact as f where f.part_id = p.id), '{}') as facts
  from part as p where p.id = any (cast(@parts as uuid[]))`

type about struct {
	PartID uuid.UUID
	Others []uuid.UUID
	Recipe []struct {
		PartID   uuid.UUID
		Number   string
		Amount   amount.Amount
		Optional bool
	}
	Tracking, Class, Number, MeasuredIn string
	WeightKg                            float64
	Facts                               map[string]string
}

// Of line-wide work nobody asks a position: a line with a condition is not judged.
const plainLines = `
select r.version_id, r.need, r.part_id, coalesce(p.number, '') as number, coalesce(p.description, r.item, r.slot) as says, coalesce(p.measured_in, '') as measured_in, r.amount, r.chance, r.cause, r.condition
  from requirement_line as r left join part as p on p.id = r.part_id
 where r.version_id = any (cast(@versions as uuid[])) order by r.version_id, r.ordinal`

// Who can prepare parts before people leave, with what they are booked for.
const benchPeople = `
select a.id as person_id, a.name,
       coalesce((select jsonb_agg(jsonb_build_object('From', lower(q.during), 'Until', upper(q.during))) from visit_person as q
          where q.person_id = a.id and q.booked and q.during && tstzrange(@from, @until)), '[]') as booked
  from actor as a
 where a.kind = 'person' and a.customer_id is null and a.disabled_at is null and a.id in (select k.actor_id from skill_now as k)
order by a.name`

type bencher struct {
	PersonID uuid.UUID
	Name     string
	Booked   []struct{ From, Until time.Time }
}

// taking is a line of a task as it is asked for.
type taking struct {
	Task       *Task
	Need       string
	PartID     *uuid.UUID
	Number     string
	Says       string
	MeasuredIn string
	Amount     amount.Amount
	Chance     *float64
	Cause      string
	Missing    []readiness.Missing
	Why        string
}

func (t taking) always() bool { return t.Need == "always" || t.Need == "consumable" }

// what names the line for reading: "gearmotor for UMB-1/SBL-D".
func (t taking) what() string {
	s := t.Says
	if t.Number != "" {
		s = t.Number + " " + t.Says
	}
	return s + " for " + t.Task.name()
}

// supplies is what was read about the parts of some visits.
type supplies struct {
	*world
	now     time.Time
	match   *parts.Matcher
	needs   map[uuid.UUID][]taking // by task
	gaps    map[uuid.UUID][]string
	lots    []lot
	claims  []claim
	orders  []order
	leads   map[uuid.UUID]readiness.Lead
	about   map[uuid.UUID]about
	bench   []bencher
	skills  map[uuid.UUID][]crew.Skill
	by      map[string]string // first skill of a procedure by its code
	owners  map[uuid.UUID]uuid.UUID
	onVisit map[uuid.UUID]uuid.UUID // visit of a task
	taken   map[uuid.UUID]bool      // tasks whose parts have been taken off what is there
}

type order struct {
	PartID      uuid.UUID
	Number      string
	OrderNumber string
	Owed        amount.Amount
	PromisedOn  time.Time
}

// mostJobs bounds what is judged in one go.
const mostJobs = 1000

// supply reads everything about the parts of some visits, in a number of statements that
// does not grow with them.
func supply(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, found []Visit) (*supplies, error) {
	w, err := load(ctx, db, who, now, found)
	if err != nil {
		return nil, err
	}
	s := &supplies{world: w, now: now, needs: map[uuid.UUID][]taking{}, gaps: map[uuid.UUID][]string{}, leads: map[uuid.UUID]readiness.Lead{}, about: map[uuid.UUID]about{},
		by: map[string]string{}, owners: map[uuid.UUID]uuid.UUID{}, onVisit: map[uuid.UUID]uuid.UUID{}, taken: map[uuid.UUID]bool{}}
	if err := s.resolve(ctx, db, who); err != nil {
		return nil, err
	}
	wanted := map[uuid.UUID]bool{}
	for _, all := range s.needs {
		for _, n := range all {
			if n.PartID != nil {
				wanted[*n.PartID] = true
			}
		}
	}
	if err := s.catalogue(ctx, db, who, wanted); err != nil {
		return nil, err
	}
	return s, s.stock(ctx, db, who, now, wanted)
}

// resolve asks what the tasks take.
func (s *supplies) resolve(ctx context.Context, db *pgdb.DB, who access.Actor) error {
	asks, of, positions := []parts.Ask{}, []*Task{}, []uuid.UUID{}
	lineWide, versions := []*Task{}, []uuid.UUID{}
	for i := range s.trips {
		for k := range s.trips[i].tasks {
			t := &s.trips[i].tasks[k]
			s.onVisit[t.TaskID] = t.VisitID
			switch {
			case t.VersionID == nil || t.State != "open":
			case t.PositionID == nil:
				lineWide, versions = append(lineWide, t), append(versions, *t.VersionID)
			default:
				asks = append(asks, parts.Ask{PositionID: *t.PositionID, VersionID: *t.VersionID, Method: t.Method})
				of, positions = append(of, t), append(positions, *t.PositionID)
			}
		}
	}
	if len(asks)+len(lineWide) > mostJobs {
		return &fault.Error{Kind: fault.TooLarge, Field: "visits", Value: fmt.Sprint(len(asks) + len(lineWide)), Msg: fmt.Sprintf("hold more than the %d tasks that are judged in one go", mostJobs)}
	}
	var err error
	if s.match, err = parts.NewMatcher(ctx, db, who, s.now, positions); err != nil {
		return err
	}
	lists, err := s.match.Resolve(ctx, db, who, asks)
	if err != nil {
		return err
	}
	for i, l := range lists {
		t := of[i]
		s.gaps[t.TaskID] = l.Gaps
		for _, x := range l.Lines {
			n := taking{Task: t, Need: x.Need, PartID: x.PartID, Number: x.Number, Says: x.Says, MeasuredIn: x.MeasuredIn, Amount: x.Amount, Chance: x.Chance, Cause: x.Cause, Why: x.Why}
			if x.Standing == parts.Check {
				n.Missing = doubtful(x)
			}
			s.needs[t.TaskID] = append(s.needs[t.TaskID], n)
		}
	}
	type row struct {
		VersionID        uuid.UUID
		Need             string
		PartID           *uuid.UUID
		Number, Says     string
		MeasuredIn       string
		Amount           amount.Amount
		Chance           *float64
		Cause, Condition string
	}
	rows, err := pgdb.Read[row](ctx, db, who.ID, plainLines, map[string]any{"versions": versions})
	for _, t := range lineWide {
		for _, r := range rows {
			if r.VersionID != *t.VersionID {
				continue
			}
			n := taking{Task: t, Need: r.Need, PartID: r.PartID, Number: r.Number, Says: r.Says, MeasuredIn: r.MeasuredIn, Amount: r.Amount, Chance: r.Chance, Cause: r.Cause}
			if r.Condition != "" {
				n.Missing = []readiness.Missing{{Fact: "whether " + r.Condition, How: "look at the positions of the line"}}
			}
			s.needs[t.TaskID] = append(s.needs[t.TaskID], n)
		}
	}
	return err
}

// doubtful gives why nobody can tell whether a line applies. What is not known of the
// part as it arrives, or does not fit as it arrives, says nothing of what lies there:
// that is judged piece by piece.
func doubtful(x parts.Taken) (all []readiness.Missing) {
	for _, d := range x.Doubt {
		m := readiness.Missing{Fact: d, How: "look at the procedure"}
		i := slices.IndexFunc(x.Missing, func(f fit.Missing) bool { return f.Says == d })
		switch {
		case i >= 0 && x.Missing[i].Of == "part", i < 0 && x.Fit != nil && slices.Contains(x.Fit.Reasons, d):
			continue
		case i >= 0:
			m.How = x.Missing[i].How
		}
		all = append(all, m)
	}
	return all
}

// catalogue reads what goes instead of the wanted parts and what their kits are made of,
// and adds those to what is wanted.
func (s *supplies) catalogue(ctx context.Context, db *pgdb.DB, who access.Actor, wanted map[uuid.UUID]bool) error {
	rows, err := pgdb.Read[about](ctx, db, who.ID, instead, map[string]any{"parts": keys(wanted)})
	for _, r := range rows {
		s.about[r.PartID] = r
		for _, o := range r.Others {
			wanted[o] = true
		}
		for _, l := range r.Recipe {
			wanted[l.PartID] = true
		}
	}
	return err
}

// stock reads where everything is, what is promised, on order and how long orders take.
func (s *supplies) stock(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, wanted map[uuid.UUID]bool) error {
	classes := map[string]bool{}
	for _, a := range s.about {
		if a.Tracking == "unit" && s.match.Has(a.Class) {
			classes[a.Class] = true
		}
	}
	v := map[string]any{"parts": keys(wanted), "classes": keys(classes), "now": now}
	var err error
	if s.lots, err = pgdb.Read[lot](ctx, db, who.ID, lying, v); err != nil {
		return err
	}
	sets := []uuid.UUID{}
	for i := range s.lots { // a claim on a part holds wherever units of it lie
		wanted[s.lots[i].PartID] = true
		if s.lots[i].UnitID != nil && s.lots[i].Class == "media_set" {
			sets = append(sets, *s.lots[i].UnitID)
		}
	}
	if err = s.match.Learn(ctx, db, who, sets); err != nil {
		return err
	}
	v = map[string]any{"parts": keys(wanted)}
	if s.claims, err = pgdb.Read[claim](ctx, db, who.ID, promised, v); err != nil {
		return err
	}
	if s.orders, err = pgdb.Read[order](ctx, db, who.ID, ordered, v); err != nil {
		return err
	}
	times, err := pgdb.Read[struct {
		PartID      uuid.UUID
		Lead90      int `db:"lead_90"`
		WorkingDays []int
		Closed      []time.Time
	}](ctx, db, who.ID, leads, v)
	if err != nil {
		return err
	}
	for _, r := range times {
		s.leads[r.PartID] = readiness.Lead{Days: r.Lead90, Works: working(r.WorkingDays, r.Closed)}
	}
	codes, err := pgdb.Read[struct{ Code, Skill string }](ctx, db, who.ID, `
select distinct p.code, p.skills[1] as skill from procedure_now as p join fit_rule as r on r.work_by = p.code where cardinality(p.skills) > 0`, nil)
	if err != nil {
		return err
	}
	for _, r := range codes {
		s.by[r.Code] = r.Skill
	}
	sites, from, until := []uuid.UUID{}, now, now
	for _, t := range s.trips {
		sites = append(sites, t.SiteID)
		day := s.staging(t)
		if at := t.place.Start(day); at.Before(from) {
			from = at
		}
		if at := t.place.Start(day + 1); at.After(until) {
			until = at
		}
	}
	owners, err := pgdb.Read[struct{ SiteID, CustomerID uuid.UUID }](ctx, db, who.ID, `select site_id, customer_id from ownership_now where site_id = any (cast(@wanted as uuid[]))`, map[string]any{"wanted": sites})
	if err != nil {
		return err
	}
	for _, o := range owners {
		s.owners[o.SiteID] = o.CustomerID
	}
	if s.bench, err = pgdb.Read[bencher](ctx, db, who.ID, benchPeople, map[string]any{"from": from, "until": until}); err != nil {
		return err
	}
	ids := []uuid.UUID{}
	for _, b := range s.bench {
		ids = append(ids, b.PersonID)
	}
	s.skills, err = readSkills(ctx, db, who, ids)
	return err
}

func keys[K comparable](m map[K]bool) []K {
	all := make([]K, 0, len(m))
	for k := range m {
		all = append(all, k)
	}
	return all
}

// today is the site's operating day.
func (s *supplies) today(t trip) calendar.Date { return t.place.Day(s.now) }

// day is the day for which a visit is judged: one that has run over is judged for today.
func (s *supplies) day(t trip) calendar.Date { return max(dayOf(t.OnDate), s.today(t)) }

// staging is the day on which what a visit takes along is put ready.
func (s *supplies) staging(t trip) calendar.Date { return readiness.Staging(s.day(t), s.rule.works()) }

// from tells how near what lies there is to a visit; false where it may not be used
// for it at all.
func (s *supplies) from(t trip, l *lot) (readiness.Place, bool) {
	if l.OwnerCustomerID != nil && *l.OwnerCustomerID != s.owners[t.SiteID] {
		return 0, false
	}
	switch l.Kind {
	case "van":
		if t.VanID != nil && *t.VanID == l.LocationID {
			return readiness.OwnVan, true
		}
		return readiness.OtherVan, true
	case "site_shelf":
		return readiness.SiteShelf, l.SiteID != nil && *l.SiteID == t.SiteID
	}
	return readiness.Warehouse, true
}

// name is what people call what lies there: "MW-10110 no. 4711".
func (l *lot) name() string {
	switch {
	case l.Tag != "":
		return l.Number + " no. " + l.Tag
	case l.Lot != "":
		return l.Number + " lot " + l.Lot
	}
	return l.Number
}

// levels is how much of an open container is left, in quarters (common practice, no
// source: nobody books grams).
var levels = map[string]amount.Amount{"full": 4, "three_quarters": 3, "half": 2, "quarter": 1, "low": 0}

// shelf is the stock as one visit sees it, item by item.
type shelf struct {
	items []readiness.Item
	lots  []*lot // of each item; nil for what is on order or could be built
	parts []uuid.UUID
	built map[uuid.UUID]int // item of the kits that could be built
}

// ofOthers tells whether a claim keeps what it holds from a visit: not the visit's own,
// and not one whose part has been taken off what is there already.
func (s *supplies) ofOthers(t trip, c claim) bool {
	return c.TaskID == nil || s.onVisit[*c.TaskID] != t.ID && !s.taken[*c.TaskID]
}

// shelf splits what lies there by what is promised to others and by what is open.
func (s *supplies) shelf(t trip) *shelf {
	sh := &shelf{built: map[uuid.UUID]int{}}
	left := map[int]amount.Amount{} // of each claim of others, what is not yet laid on anything
	for i, c := range s.claims {
		if s.ofOthers(t, c) {
			left[i] = c.Amount
		}
	}
	put := func(l *lot, at readiness.Place, n amount.Amount, expires *time.Time, aside string) {
		if n <= 0 {
			return
		}
		it := readiness.Item{Name: l.name(), Amount: int64(n), Place: at, Where: l.Location, SetAside: aside}
		if expires != nil {
			it.Expires = dayOf(*expires)
		}
		sh.items, sh.lots, sh.parts = append(sh.items, it), append(sh.lots, l), append(sh.parts, l.PartID)
	}
	order := make([]int, 0, len(s.lots))
	for i := range s.lots {
		order = append(order, i)
	}
	// claims that name no place are laid on the warehouse first
	slices.SortStableFunc(order, func(a, b int) int {
		switch x, y := s.lots[a].Kind == "warehouse", s.lots[b].Kind == "warehouse"; {
		case x == y:
			return 0
		case x:
			return -1
		}
		return 1
	})
	for _, i := range order {
		l := &s.lots[i]
		at, usable := s.from(t, l)
		if !usable {
			continue
		}
		n := l.OnHand
		for _, c := range l.Aside {
			if s.ofOthers(t, c) {
				put(l, at, min(n, c.Amount), l.Expires, c.name())
				n -= min(n, c.Amount)
			}
		}
		for k, c := range s.claims {
			if c.PartID == l.PartID && left[k] > 0 && (l.Expires == nil || l.Expires.Format(time.DateOnly) >= c.NeededOn) && (c.LocationID == nil && l.Kind == "warehouse" || c.LocationID != nil && *c.LocationID == l.LocationID) {
				take := min(n, left[k])
				put(l, at, take, l.Expires, c.name())
				n, left[k] = n-take, left[k]-take
			}
		}
		if l.Container != nil && *l.Container > 0 && l.OpenLevel != "" {
			open := n % *l.Container
			if open == 0 && n > 0 {
				open = min(*l.Container, n) // the record says it is full
			}
			put(l, at, min(open, *l.Container*levels[l.OpenLevel]/4), l.OpenExpires, "")
			n -= open
		}
		put(l, at, n, l.Expires, "")
	}
	for _, o := range s.orders {
		sh.items = append(sh.items, readiness.Item{Name: o.Number + ", order " + o.OrderNumber, Amount: int64(o.Owed), Place: readiness.OnOrder, Where: "on order", Arrives: dayOf(o.PromisedOn)})
		sh.lots, sh.parts = append(sh.lots, nil), append(sh.parts, o.PartID)
	}
	s.build(sh)
	return sh
}

// kitMinutes is how long it takes to put a bag together (common practice, no source).
const kitMinutes = 15

// build adds the kits that could be put together at the warehouse from what is free
// there, and says of the others what they lack.
func (s *supplies) build(sh *shelf) {
	there := map[string]amount.Amount{}
	for i, l := range sh.lots {
		if l != nil && (l.Kind == "warehouse" || l.Kind == "bench") && sh.items[i].SetAside == "" && !l.Withdrawn {
			there[l.Number] += amount.Amount(sh.items[i].Amount)
		}
	}
	for _, id := range slices.SortedFunc(mapKeys(s.about), func(a, b uuid.UUID) int { return strings.Compare(s.about[a].Number, s.about[b].Number) }) {
		a := s.about[id]
		if len(a.Recipe) == 0 {
			continue
		}
		r := kit.Recipes{}
		for _, l := range a.Recipe {
			r[a.Number] = append(r[a.Number], kit.Line{Part: l.Number, Amount: l.Amount, Optional: l.Optional})
		}
		n, err := r.Buildable(a.Number, there)
		if err != nil {
			continue // a recipe with kits in it is built kit by kit
		}
		it := readiness.Item{Name: a.Number + " put together from its parts", Amount: n.Kits * int64(amount.One), Place: readiness.Warehouse, Where: "the warehouse"}
		if n.Kits == 0 {
			it.Name, it.Amount = a.Number+" from its parts", int64(amount.One)
		}
		sh.built[id] = len(sh.items)
		sh.items, sh.lots, sh.parts = append(sh.items, it), append(sh.lots, nil), append(sh.parts, id)
	}
}

func mapKeys[K comparable, V any](m map[K]V) func(func(K) bool) {
	return func(yield func(K) bool) {
		for k := range m {
			if !yield(k) {
				return
			}
		}
	}
}

// lacks says what is missing to put one kit together.
func (s *supplies) lacks(sh *shelf, id uuid.UUID) string {
	a := s.about[id]
	there := map[uuid.UUID]amount.Amount{}
	for i, l := range sh.lots {
		if l != nil && (l.Kind == "warehouse" || l.Kind == "bench") && sh.items[i].SetAside == "" {
			there[l.PartID] += amount.Amount(sh.items[i].Amount)
		}
	}
	var short []string
	for _, l := range a.Recipe {
		if !l.Optional && there[l.PartID] < l.Amount {
			short = append(short, fmt.Sprintf("%s of %s %s", there[l.PartID], l.Amount, l.Number))
		}
	}
	return strings.Join(short, ", ")
}

// candidates gives the items that may serve a line of a task, and how they fit.
func (s *supplies) candidates(sh *shelf, n taking) []readiness.Candidate {
	var all []readiness.Candidate
	if n.PartID == nil {
		return nil
	}
	a := s.about[*n.PartID]
	for i := range sh.items {
		l := sh.lots[i]
		same := sh.parts[i] == *n.PartID || slices.Contains(a.Others, sh.parts[i])
		alike := !same && l != nil && l.UnitID != nil && l.Class == a.Class && s.match.Has(a.Class)
		if !same && !alike {
			continue
		}
		c := readiness.Candidate{Item: i}
		switch built, is := sh.built[*n.PartID]; {
		case is && built == i:
			if lacks := s.lacks(sh, *n.PartID); lacks != "" {
				c.Against = []string{"cannot be put together: " + lacks}
			} else if mixed := s.match.Mixed(*n.PartID); len(mixed) > 0 {
				c.Against = mixed
			} else {
				c.Work = []readiness.Work{{What: "put the kit together", Hand: crew.Hand{Skill: "OP", Minutes: kitMinutes}}}
			}
		case l == nil: // on order: as it arrives
			if s.match.Judges(a.Class) && n.Task.PositionID != nil && sh.parts[i] == *n.PartID {
				c = s.fits(i, *n.Task.PositionID, &lot{PartID: a.PartID, Number: a.Number, Class: a.Class, PartFacts: a.Facts})
			}
		case l.Opened:
			c.Against = []string{"the bag was opened, so it is no kit any more"}
		case s.match.Judges(l.Class) && n.Task.PositionID != nil:
			c = s.fits(i, *n.Task.PositionID, l)
			if alike && len(c.Against) > 0 {
				continue // what is another part and does not fit is no news
			}
		case l.Withdrawn:
			c.Against = []string{"was withdrawn from use"}
		}
		all = append(all, c)
	}
	return all
}

// fits judges what lies there against a position.
func (s *supplies) fits(item int, position uuid.UUID, l *lot) readiness.Candidate {
	a := s.match.Judge(position, parts.Lying{PartID: l.PartID, Number: l.Number, UnitID: l.UnitID, Class: l.Class, Part: l.PartFacts, Unit: l.UnitFacts, Pattern: l.Pattern, Withdrawn: l.Withdrawn})
	c := readiness.Candidate{Item: item, Against: a.Reasons}
	for _, m := range a.Missing {
		c.Missing = append(c.Missing, readiness.Missing{Fact: m.Says, How: m.How})
	}
	// works of one procedure are done in one go
	done := map[string]int{}
	for _, w := range a.Work {
		skill := cmp.Or(s.by[w.By], "T2")
		if k, known := done[w.By]; known {
			c.Work[k].What += " and " + w.What
			c.Work[k].Hand.Minutes = max(c.Work[k].Hand.Minutes, w.Minutes)
			continue
		}
		done[w.By] = len(c.Work)
		c.Work = append(c.Work, readiness.Work{What: w.What, Hand: crew.Hand{Skill: skill, Minutes: w.Minutes}})
	}
	return c
}

// benchTime gives who can work at the bench on a visit's staging day, and how long.
func (s *supplies) benchTime(t trip) []crew.Person {
	day := s.staging(t)
	from, until := t.place.Start(day), t.place.Start(day+1)
	if s.now.After(from) {
		from = s.now
	}
	var all []crew.Person
	for _, b := range s.bench {
		minutes := min(s.rule.DayMinutes, max(int(until.Sub(from)/time.Minute), 0))
		for _, x := range b.Booked {
			f, u := x.From, x.Until
			if f.Before(from) {
				f = from
			}
			if u.After(until) {
				u = until
			}
			minutes -= max(int(u.Sub(f)/time.Minute), 0)
		}
		all = append(all, crew.Person{Name: b.Name, Skills: s.skills[b.PersonID], Minutes: max(minutes, 0)})
	}
	return all
}

// judge judges one visit with what lies there.
func (s *supplies) judge(t trip, sh *shelf) (readiness.Answer, [][]taking, error) {
	v := readiness.Visit{Day: s.day(t), Today: s.today(t), Works: s.rule.works(), Shelf: true, Items: sh.items, Crew: t.crew, Bench: s.benchTime(t)}
	used := [][]taking{}
	for i := range t.tasks {
		x := &t.tasks[i]
		if x.State != "open" {
			continue
		}
		job := readiness.Job{Name: x.name(), Criticality: due.Criticality(x.Criticality), Hands: s.hands(*x)}
		for _, g := range s.gaps[x.TaskID] {
			job.Missing = append(job.Missing, readiness.Missing{Fact: g, How: "put the facts or the procedure right"})
		}
		var lines []taking
		for _, n := range s.needs[x.TaskID] {
			if n.Need == "tool" || n.Need == "protective" {
				continue
			}
			if n.PartID == nil { // in words, and no record tells where it is; or nobody can tell which part it is
				if n.always() {
					job.Missing = append(job.Missing, n.Missing...)
				}
				continue
			}
			need := readiness.Need{What: n.what(), Amount: int64(n.Amount), Unit: n.MeasuredIn, Per: int64(amount.One), IfFound: !n.always(), Unsure: n.Missing, Candidates: s.candidates(sh, n)}
			if l, known := s.leads[*n.PartID]; known {
				need.Lead = &l
			}
			job.Needs, lines = append(job.Needs, need), append(lines, n)
		}
		v.Jobs, used = append(v.Jobs, job), append(used, lines)
	}
	a, err := readiness.Judge(v)
	return a, used, err
}
