package visits

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/calendar"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pm"
	"spindlebook/internal/pm/due"
	"spindlebook/internal/pm/visits/crew"
	"spindlebook/internal/pm/visits/grouping"
	"spindlebook/internal/pm/visits/readiness"
	"spindlebook/internal/pm/visits/route"
)

// Weeks is how far proposals look ahead.
const Weeks = 12

// Item is work that could be put on a visit: a task, or what falls due and has none yet.
type Item struct {
	TaskID       *uuid.UUID
	AssignmentID *uuid.UUID
	Name         string
	Title        string
	PositionID   *uuid.UUID
	Criticality  string
	DueOn        calendar.Date
	EarliestOn   calendar.Date
	LatestOn     calendar.Date
	Minutes      int
	People       int
	VisitID      *uuid.UUID // that it is on
}

// Proposed is a trip of a proposal.
type ProposedVisit struct {
	On      calendar.Date
	VisitID *uuid.UUID // where there is a visit already
	Tasks   []ProposedTask
	Minutes int // on site, for those who stay longest
}

// ProposedTask is work on a proposed trip.
type ProposedTask struct {
	Item
	Early      int // days before it is due
	Late       int
	WasteMinor int64 // life thrown away
	Who        []string
}

// ProposedConflict is work that cannot be where it belongs.
type ProposedConflict struct {
	Item
	Why  string
	On   *calendar.Date // where it is put nevertheless; nil: nowhere
	Says string
}

// ProposedOffer is the other of a pair that could be done with its twin.
type ProposedOffer struct {
	Item
	With        string
	On          calendar.Date
	LeftPercent int // of its life that would be thrown away
	WasteMinor  int64
	Says        string
}

// Proposal is when to go to a site in the weeks to come, what is done then, and what
// that saves.
type Proposal struct {
	SiteID          uuid.UUID
	SiteCode        string
	From, Until     calendar.Date
	Currency        string
	Visits          []ProposedVisit
	Conflicts       []ProposedConflict
	Offers          []ProposedOffer
	Alone, Together grouping.Cost
	Says            string
}

// Site staff do their rounds without us.
const ours = `not coalesce(q.skills <@ array['OP'], false)`

// What is to be done at some sites: open tasks, and what falls due within the weeks
// to come and has none yet; less what somebody does not want to see for a while.
const upcoming = `
with wanted as (select s.id, s.code from site as s where s.id = any (cast(@wanted as uuid[])) and (@everywhere or s.id = any (@sites))),
ignored as (select c.assignment_id, c.task_id from planning_choice as c join wanted as s on s.id = c.site_id where c.withdrawn_at is null and c.until >= cast(@today as date)),
work as (
  select t.site_id, t.id as task_id, t.assignment_id, t.procedure_id, t.title, t.criticality, t.line_id, t.position_id, t.due_on, t.earliest_on, t.latest_on
    from wanted as s join task as t on t.site_id = s.id and t.state = 'open'
   where t.id not in (select i.task_id from ignored as i where i.task_id is not null) and t.due_on <= cast(@until as date)
   union all
  select a.site_id, null, a.id, p.procedure_id, p.title, p.criticality, a.line_id, a.position_id, a.due_on, a.earliest_on, a.latest_on
    from wanted as s join assignment as a on a.site_id = s.id and a.ended_at is null and a.task_id is null and a.due_on <= cast(@until as date)
    join plan_now as p on p.id = a.plan_id and p.version_id is not null and p.ended_at is null
)
select w.site_id, w.task_id, w.assignment_id, coalesce(q.code, w.title) as code, w.title, q.version_id, w.criticality, coalesce(l.code, '') as line_code, w.position_id, coalesce(o.code, '') as position_code,
       w.due_on, w.earliest_on, w.latest_on, coalesce(q.people, 1)::integer as people, coalesce(q.skills, '{}') as skills, coalesce(q.minutes_typical, 30) as minutes, coalesce(q.line_state, '') as line_state,
       case when p.basis = 'floating' then greatest(w.due_on - cast(coalesce(a.mark_at, a.since) as date), 0) else 0 end as between_days,
       coalesce(tl.left_id, tr.left_id) as pair, v.id as visit_id, coalesce(v.state in ('planned', 'under_way') or v.locked, false) as fixed, v.on_date as visit_on
  from work as w
  left join procedure_now as q on q.id = w.procedure_id
  left join assignment as a on a.id = w.assignment_id
  left join plan_now as p on p.id = a.plan_id
  left join position as o on o.id = w.position_id
  left join line as l on l.id = coalesce(w.line_id, o.line_id)
  left join twin as tl on tl.left_id = w.position_id
  left join twin as tr on tr.right_id = w.position_id
  left join visit_task as k on k.task_id = w.task_id and k.ended_at is null
  left join visit as v on v.id = k.visit_id
 where ` + ours + ` and not exists (select from ignored as i where i.assignment_id = w.assignment_id)
order by w.site_id, w.due_on, code, position_code, w.task_id, w.assignment_id`

type work struct {
	SiteID                      uuid.UUID
	TaskID, AssignmentID        *uuid.UUID
	Code, Title                 string
	VersionID                   *uuid.UUID
	Criticality, LineCode       string
	PositionID                  *uuid.UUID
	PositionCode                string
	DueOn, EarliestOn, LatestOn time.Time
	People                      int
	Skills                      []string
	Minutes                     int
	LineState                   string
	BetweenDays                 int
	Pair, VisitID               *uuid.UUID
	Fixed                       bool
	VisitOn                     *time.Time
}

// What doing it once costs in parts, by version: of a group of which one is taken the
// average. An estimate, to weigh days with.
const worth = `
select version_id, cast(sum(minor) as bigint) as minor
  from (select r.version_id, avg(r.amount * c.price_minor / p.pack) as minor
          from requirement_line as r
          join part as p on p.id = r.part_id
          join part_cost as c on c.part_id = p.id and c.during @> cast(@now as timestamptz) and c.currency = @currency
         where r.version_id = any (cast(@versions as uuid[])) and r.need in ('always', 'consumable')
      group by r.version_id, case when r.one_of then r.rule_group else r.id::text end) as g
group by version_id`

// Of parts that work always takes and of which nothing lies anywhere: when they could be there.
const partless = `
select distinct r.version_id, r.part_id, d.promised_on, s.lead_90, u.working_days, u.closed
  from requirement_line as r
  left join lateral (select min(d.promised_on) as promised_on
                       from supplier_order_line as l
                       join supplier_order as o on o.id = l.order_id and o.state = 'sent'
                       join supplier_order_promise as d on d.line_id = l.id and d.promised_on >= cast(@today as date)
                      where l.part_id = r.part_id) as d on true
  left join supplier_part as s on s.part_id = r.part_id and s.preferred
  left join supplier as u on u.id = s.supplier_id
 where r.version_id = any (cast(@versions as uuid[])) and r.need = 'always' and r.condition = '' and r.part_id is not null
   and not exists (select from stock_now as n join location as l on l.id = n.location_id and l.kind in ('warehouse', 'van', 'bench') where n.part_id = r.part_id and n.on_hand > 0)
   and not exists (select from kit_now as k where k.kit_id = r.part_id)`

// Propose groups the work of some sites into visits, in a number of statements that does not
// grow with them. Each site is planned for itself: that the same people are wanted at
// two sites on one day shows when the visits are booked.
func Propose(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, sites []uuid.UUID) ([]Proposal, error) {
	if err := who.Must(access.Plan); err != nil {
		return nil, err
	}
	cost, err := Costs(ctx, db, who)
	if err != nil {
		return nil, err
	}
	rule, err := Rules(ctx, db, who)
	if err != nil {
		return nil, err
	}
	today := calendar.DateOf(now.UTC())
	until := today + 7*Weeks
	rows, err := pgdb.Read[work](ctx, db, who.ID, upcoming, who.Scope(map[string]any{"wanted": sites, "today": today.UTC(), "until": until.UTC()}))
	if err != nil {
		return nil, err
	}
	places, err := pgdb.Read[struct {
		siteHours
		Code, Zone string
	}](ctx, db, who.ID, `select h.*, s.code, s.zone from (`+hoursOf+`) as h join site as s on s.id = h.site_id where (@everywhere or s.id = any (@sites)) order by s.code`,
		who.Scope(map[string]any{"sites_wanted": sites, "now": now}))
	if err != nil {
		return nil, err
	}
	versions := map[uuid.UUID]bool{}
	for _, r := range rows {
		if r.VersionID != nil {
			versions[*r.VersionID] = true
		}
	}
	g := group{now: now, today: today, until: until, rule: rule, cost: cost, worth: map[uuid.UUID]int64{}, parts: map[uuid.UUID]calendar.Date{}}
	if err := g.read(ctx, db, who, keys(versions)); err != nil {
		return nil, err
	}
	all := make([]Proposal, 0, len(places))
	for _, p := range places {
		from, _ := slices.BinarySearchFunc(rows, p.SiteID, func(w work, id uuid.UUID) int { return slices.Compare(w.SiteID[:], id[:]) })
		to := from
		for to < len(rows) && rows[to].SiteID == p.SiteID {
			to++
		}
		one, err := g.propose(p.siteHours, p.Code, p.Zone, rows[from:to])
		if err != nil {
			return nil, fmt.Errorf("site %s: %w", p.Code, err)
		}
		all = append(all, one)
	}
	return all, nil
}

// group is what proposals share.
type group struct {
	now          time.Time
	today, until calendar.Date
	rule         Rule
	cost         Cost
	worth        map[uuid.UUID]int64         // of parts, by version
	parts        map[uuid.UUID]calendar.Date // first day on which they can be there, by version
	minutes      map[uuid.UUID]map[string]int
	people       []bencher
	skills       map[uuid.UUID][]crew.Skill
	teams        map[calendar.Date][]crew.Person
}

func (g *group) read(ctx context.Context, db *pgdb.DB, who access.Actor, versions []uuid.UUID) error {
	v := map[string]any{"versions": versions, "now": g.now, "currency": g.cost.Currency, "today": g.today.UTC()}
	costs, err := pgdb.Read[struct {
		VersionID uuid.UUID
		Minor     int64
	}](ctx, db, who.ID, worth, v)
	if err != nil {
		return err
	}
	for _, c := range costs {
		g.worth[c.VersionID] = c.Minor
	}
	lacking, err := pgdb.Read[struct {
		VersionID, PartID uuid.UUID
		PromisedOn        *time.Time
		Lead90            *int `db:"lead_90"`
		WorkingDays       []int
		Closed            []time.Time
	}](ctx, db, who.ID, partless, v)
	if err != nil {
		return err
	}
	for _, l := range lacking {
		var day calendar.Date
		if l.Lead90 != nil {
			day = readiness.Possible(g.today, g.rule.works(), readiness.Lead{Days: *l.Lead90, Works: working(l.WorkingDays, l.Closed)})
		}
		if l.PromisedOn != nil { // a staging day after it has come
			there := g.rule.works()
			on := dayOf(*l.PromisedOn)
			for d := on; d < on+14; d++ {
				if there(d) {
					on = d
					break
				}
			}
			if day == 0 || on+1 < day {
				day = on + 1
			}
		}
		g.parts[l.VersionID] = max(g.parts[l.VersionID], day)
	}
	if g.minutes, err = readParts(ctx, db, who, versions); err != nil {
		return err
	}
	g.people, err = pgdb.Read[bencher](ctx, db, who.ID, benchPeople, map[string]any{"from": g.today.UTC(), "until": (g.until + 30).UTC()})
	if err != nil {
		return err
	}
	ids := []uuid.UUID{}
	for _, p := range g.people {
		ids = append(ids, p.PersonID)
	}
	g.skills, err = readSkills(ctx, db, who, ids)
	g.teams = map[calendar.Date][]crew.Person{}
	return err
}

// team gives our people with the minutes that a day leaves them.
func (g *group) team(d calendar.Date, trip int) []crew.Person {
	free, known := g.teams[d]
	if !known {
		from, until := d.UTC(), (d + 1).UTC()
		for _, p := range g.people {
			minutes := g.rule.DayMinutes
			for _, b := range p.Booked {
				if b.From.Before(until) && from.Before(b.Until) {
					minutes -= int(b.Until.Sub(b.From) / time.Minute)
				}
			}
			free = append(free, crew.Person{Name: p.Name, Skills: g.skills[p.PersonID], Minutes: minutes})
		}
		g.teams[d] = free
	}
	team := slices.Clone(free)
	for i := range team {
		team[i].Minutes = max(team[i].Minutes-trip, 0)
	}
	return team
}

// skilled names who does a piece of work. What nobody wrote a procedure for, such as a fault, is
// for a technician, and not for whoever of ours is free (common practice, no source).
func (r work) skilled() []string {
	if r.VersionID == nil {
		return []string{"T1"}
	}
	return r.Skills
}

// lateDays is how far beyond the weeks to come a late window may reach.
const lateDays = 28

// propose plans one site.
func (g *group) propose(h siteHours, code, zone string, rows []work) (Proposal, error) {
	out := Proposal{SiteID: h.SiteID, SiteCode: code, From: g.today, Until: g.until, Currency: g.cost.Currency, Visits: []ProposedVisit{}, Conflicts: []ProposedConflict{}, Offers: []ProposedOffer{}}
	p, err := place(zone, h.TurnsAt)
	if err != nil {
		return out, err
	}
	hours, err := h.hours()
	if err != nil {
		return out, err
	}
	if len(hours.Weekly) == 0 { // nobody said when: any time that is not barred
		for d := range 7 {
			hours.Weekly = append(hours.Weekly, calendar.Weekly{Day: time.Weekday(d), Length: 24 * time.Hour})
		}
	}
	var to *route.Point
	if h.Latitude != nil {
		to = &route.Point{Latitude: *h.Latitude, Longitude: *h.Longitude}
	}
	trip := g.rule.drive(to) + g.rule.SiteMinutes
	people := 0
	for _, r := range rows {
		people += max(r.People, 1)
	}
	if len(rows) > 0 {
		people = (people + len(rows) - 1) / len(rows)
	}
	s := grouping.Site{Trip: grouping.Trip{Cost: g.cost.TripMinor + int64(max(people, 1)*trip)*g.cost.HourMinor/60, Currency: g.cost.Currency, Minutes: trip}}
	works := g.rule.works()
	for d := p.Day(g.now); d <= g.until+lateDays; d++ {
		if !works(d) {
			continue
		}
		longest := time.Duration(0)
		for _, free := range hours.On(p, d) {
			longest = max(longest, free.To.Sub(free.From))
		}
		if longest > 0 {
			s.Days = append(s.Days, grouping.Day{Date: d, Room: &grouping.Room{People: g.team(d, trip), Down: int(longest / time.Minute)}})
		}
	}
	items, locked := map[string]Item{}, map[calendar.Date]int{}
	visit := map[calendar.Date]*uuid.UUID{}
	for _, r := range rows {
		it, t := g.task(r)
		for k := 2; items[t.ID].Name != ""; k++ {
			t.ID = fmt.Sprintf("%s (%d)", it.Name, k)
		}
		it.Name = t.ID
		items[t.ID] = it
		s.Tasks = append(s.Tasks, t)
		if !r.Fixed {
			continue
		}
		day := dayOf(*r.VisitOn)
		at, known := locked[day]
		if !known {
			at = len(s.Locked)
			locked[day], visit[day] = at, r.VisitID
			s.Locked = append(s.Locked, grouping.Locked{Date: day})
		}
		s.Locked[at].Tasks = append(s.Locked[at].Tasks, t.ID)
	}
	slices.SortFunc(s.Locked, func(a, b grouping.Locked) int { return cmp.Compare(a.Date, b.Date) })
	answer, err := grouping.Propose(s)
	if err != nil {
		return out, err
	}
	out.Alone, out.Together, out.Says = answer.Alone, answer.Together, answer.Says
	for _, v := range answer.Visits {
		pv := ProposedVisit{On: v.Date, VisitID: visit[v.Date], Tasks: []ProposedTask{}, Minutes: g.rule.SiteMinutes}
		each := map[string]int{}
		for _, x := range v.Tasks {
			it := items[x.Task]
			pv.Tasks = append(pv.Tasks, ProposedTask{it, x.Early, x.Late, x.Waste, some(x.Who)})
			for _, name := range x.Who {
				each[name] += it.Minutes
			}
			if len(x.Who) == 0 { // it is on a visit already, and whoever goes there does it
				pv.Minutes += it.Minutes
			}
		}
		longest := 0
		for _, m := range each {
			longest = max(longest, m)
		}
		pv.Minutes += longest
		out.Visits = append(out.Visits, pv)
	}
	for _, c := range answer.Conflicts {
		x := ProposedConflict{Item: items[c.Task], Why: string(c.Why), Says: c.Says}
		if c.Placed != 0 {
			x.On = &c.Placed
		}
		out.Conflicts = append(out.Conflicts, x)
	}
	for _, o := range answer.Offers {
		out.Offers = append(out.Offers, ProposedOffer{items[o.Task], o.With, o.Date, o.Left, o.Waste, o.Says})
	}
	return out, nil
}

// task puts work into the words of grouping.
func (g *group) task(r work) (Item, grouping.Task) {
	it := Item{TaskID: r.TaskID, AssignmentID: r.AssignmentID, Title: r.Title, PositionID: r.PositionID, Criticality: r.Criticality,
		DueOn: dayOf(r.DueOn), EarliestOn: dayOf(r.EarliestOn), LatestOn: dayOf(r.LatestOn), Minutes: r.Minutes, People: r.People, VisitID: r.VisitID}
	it.Name = Task{Procedure: r.Code, PositionCode: r.PositionCode, LineCode: r.LineCode}.name()
	var part map[string]int
	var value int64
	if r.VersionID != nil {
		part, value = g.minutes[*r.VersionID], g.worth[*r.VersionID]
	}
	t := grouping.Task{ID: it.Name, Earliest: it.EarliestOn, Due: it.DueOn, Latest: it.LatestOn, Criticality: due.Criticality(r.Criticality), Interval: r.BetweenDays, Second: g.rule.TwinPercent,
		Hands: hands(r.People, r.skilled(), r.Minutes, part), Line: r.LineCode}
	if r.VersionID != nil {
		t.Parts = g.parts[*r.VersionID]
	}
	for _, h := range t.Hands {
		value += int64(h.Minutes) * g.cost.HourMinor / 60
	}
	t.Worth = min(value, 1<<31-1)
	if r.Pair != nil {
		t.Pair = r.Code + " " + r.Pair.String()
	}
	if (Task{LineState: r.LineState}).Down() {
		t.Down = r.Minutes
	}
	return it, t
}

// Picked is work that is taken from a proposal.
type Picked struct {
	TaskID       *uuid.UUID
	AssignmentID *uuid.UUID // where there is no task yet: it is raised
	Method       string
}

// Accepting is a trip of a proposal as a person accepts it, perhaps on another day
// and with less or more to do.
type Accepting struct {
	New                // without its tasks
	VisitID *uuid.UUID // that there is already; then only the work is put on it
	Version int        // of that visit
	Work    []Picked
}

// Accept makes a visit of a proposed trip, or puts its work on one that there is. Work
// that has no task yet gets one.
func Accept(tx *gorm.DB, who access.Actor, now time.Time, in Accepting) (uuid.UUID, error) {
	if err := who.Must(access.Plan); err != nil {
		return uuid.Nil, err
	}
	if len(in.Work) == 0 || len(in.Work) > mostTasks {
		return uuid.Nil, fault.Field("work", len(in.Work), "is 1 to %d things to do", mostTasks)
	}
	early := []uuid.UUID{}
	for i, w := range in.Work {
		if (w.TaskID == nil) == (w.AssignmentID == nil) {
			return uuid.Nil, fault.Field(fmt.Sprintf("work[%d].task_id", i), "", "or assignment_id is given, and not both")
		}
		if w.AssignmentID != nil {
			early = append(early, *w.AssignmentID)
		}
	}
	raised := map[uuid.UUID]uuid.UUID{}
	if len(early) > 0 {
		var err error
		if raised, err = pm.RaiseEarly(tx, who, now, early); err != nil {
			return uuid.Nil, within("work", err)
		}
	}
	in.Tasks = nil
	for _, w := range in.Work {
		d := Doing{Method: w.Method, Moved: true}
		if w.TaskID != nil {
			d.TaskID = *w.TaskID
		} else {
			d.TaskID = raised[*w.AssignmentID]
		}
		in.Tasks = append(in.Tasks, d)
	}
	if in.VisitID != nil {
		return *in.VisitID, PutTasks(tx, who, now, *in.VisitID, in.Version, in.Tasks, nil)
	}
	in.origin = "grouping"
	return add(tx, who, now, in.New)
}

// Choice is what somebody does not want to be proposed for a while.
type Choice struct {
	ID           uuid.UUID
	SiteID       uuid.UUID
	AssignmentID *uuid.UUID
	TaskID       *uuid.UUID
	Title        string
	Until        time.Time
	Reason       string
	ChosenAt     time.Time
	ChosenBy     string
	WithdrawnAt  *time.Time
}

const choices = `
select c.id, c.site_id, c.assignment_id, c.task_id, coalesce(t.title, p.title, '') as title, c.until, c.reason, c.chosen_at, coalesce(w.name, '') as chosen_by, c.withdrawn_at
  from planning_choice as c
  left join task as t on t.id = c.task_id
  left join assignment as a on a.id = c.assignment_id
  left join plan as p on p.id = a.plan_id
  left join actor as w on w.id = c.chosen_by`

// Choices lists what is left out of a site's proposals now.
func Choices(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, site uuid.UUID) ([]Choice, error) {
	return pgdb.Read[Choice](ctx, db, who.ID, choices+`
 where c.site_id = @site and (@everywhere or c.site_id = any (@sites)) and c.withdrawn_at is null and c.until >= cast(@now as date) order by c.until, c.id`,
		who.Scope(map[string]any{"site": site, "now": now}))
}

// Ignore leaves work out of proposals until a day, for a reason. Never safety or legal
// work: that is due whether it is proposed or not.
func Ignore(tx *gorm.DB, who access.Actor, now time.Time, site uuid.UUID, of Picked, until calendar.Date, reason string) (uuid.UUID, error) {
	if err := who.Must(access.Plan); err != nil {
		return uuid.Nil, err
	}
	today := calendar.DateOf(now.UTC())
	switch {
	case (of.TaskID == nil) == (of.AssignmentID == nil):
		return uuid.Nil, fault.Field("task_id", "", "or assignment_id is given, and not both")
	case until <= today || until > today+366:
		return uuid.Nil, fault.Field("until", until, "lies after today and within a year")
	case strings.TrimSpace(reason) == "":
		return uuid.Nil, fault.Field("reason", "", "must not be blank")
	}
	found, err := read[struct{ Criticality string }](tx, `
select t.criticality from task as t where t.id = cast(@task as uuid) and t.site_id = @site and t.state = 'open'
 union all
select p.criticality from assignment as a join plan_now as p on p.id = a.plan_id where a.id = cast(@assignment as uuid) and a.site_id = @site and a.ended_at is null`,
		map[string]any{"task": of.TaskID, "assignment": of.AssignmentID, "site": site})
	if err != nil {
		return uuid.Nil, err
	}
	if len(found) == 0 {
		return uuid.Nil, fault.Field("task_id", "", "names nothing that is to be done at this site")
	}
	if found[0].Criticality == "S" {
		return uuid.Nil, fault.Field("task_id", "", "is safety or legal work, which is never left out")
	}
	id := pgdb.NewID()
	return id, tx.Exec(`
insert into planning_choice (id, site_id, assignment_id, task_id, until, reason, chosen_at, chosen_by) values (@id, @site, @assignment, @task, @until, @reason, @now, @who)`,
		map[string]any{"id": id, "site": site, "assignment": of.AssignmentID, "task": of.TaskID, "until": until.UTC(), "reason": strings.TrimSpace(reason), "now": now, "who": who.ID}).Error
}

// Unignore takes a choice back: the work is proposed again. Again is no change.
func Unignore(tx *gorm.DB, who access.Actor, now time.Time, id uuid.UUID) error {
	if err := who.Must(access.Plan); err != nil {
		return err
	}
	v := map[string]any{"id": id, "now": now, "who": who.ID}
	if _, err := pgdb.One[Choice](tx, "planning choice", id.String(), choices+` where c.id = @id`, v); err != nil {
		return err
	}
	return tx.Exec(`update planning_choice set withdrawn_at = @now, withdrawn_by = @who where id = @id and withdrawn_at is null`, v).Error
}

// Day puts a person's visits of a day in order, by distances as the crow flies times a
// factor for roads: good enough to put few stops in order, not to promise an arrival.
type Day struct {
	Plan  route.Plan
	Says  string
	Known bool // whether it is known where the vans start, and where the sites are
	Long  bool // from the door to the door it is too long for one person
}

// longDay is from when on it is: the window in which drivers of commercial vehicles may drive
// after they came on duty, 49 CFR 395.3(a)(2) (from memory).
const longDay = 14 * time.Hour

// OrderOf puts visits of one day in order. Only work for which the line must stand keeps a
// stop within the hours in which it may.
func OrderOf(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, found []Visit) (Day, error) {
	if len(found) == 0 || len(found) > route.Most {
		return Day{}, nil
	}
	rule, err := Rules(ctx, db, who)
	if err != nil {
		return Day{}, err
	}
	if rule.start() == nil {
		return Day{Says: "nobody has said where the vans start"}, nil
	}
	ids, sites, down := []uuid.UUID{}, []uuid.UUID{}, map[uuid.UUID]bool{}
	for _, v := range found {
		ids, sites = append(ids, v.ID), append(sites, v.SiteID)
	}
	tasks, err := Tasks(ctx, db, who, ids...)
	if err != nil {
		return Day{}, err
	}
	for _, t := range tasks {
		down[t.VisitID] = down[t.VisitID] || t.State == "open" && t.Down()
	}
	hours, err := pgdb.Read[siteHours](ctx, db, who.ID, hoursOf, map[string]any{"sites_wanted": sites, "now": now})
	if err != nil {
		return Day{}, err
	}
	d := route.Day{Warehouse: *rule.start(), Roads: rule.roads()}
	var without []string
	for _, v := range found {
		h := hours[slices.IndexFunc(hours, func(h siteHours) bool { return h.SiteID == v.SiteID })]
		if h.Latitude == nil {
			without = append(without, v.SiteCode)
			continue
		}
		p, err := place(v.Zone, h.TurnsAt)
		if err != nil {
			return Day{}, err
		}
		allowed, err := h.hours()
		if err != nil {
			return Day{}, err
		}
		day := dayOf(v.OnDate)
		stop := route.Stop{Name: fmt.Sprintf("%s (visit %d)", v.SiteCode, v.Number), At: route.Point{Latitude: *h.Latitude, Longitude: *h.Longitude}, Stay: v.EndsAt.Sub(v.StartsAt)}
		if len(allowed.Weekly) > 0 && down[v.ID] {
			stop.Open = allowed.On(p, day)
		}
		if d.Leave.IsZero() {
			d.Leave = p.Start(day)
		}
		d.Stops = append(d.Stops, stop)
	}
	if len(d.Stops) == 0 {
		return Day{Says: "nobody has said where " + strings.Join(without, ", ") + " lies"}, nil
	}
	plan, err := route.Order(d)
	if err != nil {
		return Day{}, err
	}
	says := plan.Says(route.Unit(rule.Distances))
	if len(without) > 0 {
		says += "; without " + strings.Join(without, ", ") + ", of which nobody has said where it lies"
	}
	long := plan.Back.Sub(plan.Out) > longDay
	if long {
		says += "; that is too long for one person"
	}
	return Day{plan, says, len(without) == 0, long}, nil
}
