package pm

import (
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets/meters"
	"spindlebook/internal/calendar"
	"spindlebook/internal/condition"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pm/due"
)

// Person is somebody who did the work, with the skills for which they stand in it.
type Person struct {
	ActorID *uuid.UUID // nil for somebody who has no account
	Name    string
	Skills  []string
}

// Done is one thing that was done: an assignment's work, or a task.
type Done struct {
	AssignmentID *uuid.UUID // or
	TaskID       *uuid.UUID
	At           time.Time // when it was done, not when it is recorded
	Minutes      *int
	People       []Person // none is whoever records it
	// Positions are those at which work of a line or a site was really done. What
	// larger work does as well is credited only there.
	Positions []uuid.UUID
	Answers   []Answer
	Remark    string
	// Stated says that it is only known to have been done, from before this
	// record: nothing is asked, and nothing else is credited for it.
	Stated bool
}

// Completed says what recording did.
type Completed struct {
	ID           uuid.UUID
	AssignmentID *uuid.UUID
	TaskID       *uuid.UUID // that it ended
	Outcome      string     // counted, extra, older or ended
	Covered      []Covered
	Raised       []uuid.UUID // tasks that failed checks raised
	Began        []uuid.UUID // assignments of one-off work that began
	Findings     []string    // of checks that crossed a limit
}

// Covered is work that was done with it.
type Covered struct {
	CompletionID uuid.UUID
	AssignmentID uuid.UUID
	Plan         string
	Outcome      string
}

// Prepared is what Complete needs to know, read before its transaction begins.
type Prepared struct {
	plans     programme
	now       time.Time
	items     []prepared
	standings map[uuid.UUID]*Standing
	marks     map[uuid.UUID]mark
	content   map[uuid.UUID]*ProcedureVersion // by procedure
	covers    covers
	things    map[uuid.UUID]*thing
	near      []*Standing // what larger work may cover, in a steady order
	earlier   []earlier
	fitted    map[uuid.UUID][]fittedUnit
	open      map[openKey]uuid.UUID
}

type prepared struct {
	site, line, position, unit *uuid.UUID
	assignment                 *uuid.UUID
	task                       *uuid.UUID
	taskOpen                   bool
	procedure                  *uuid.UUID
	criticality                string
	title                      string
}

// mark is what must not have changed meanwhile.
type mark struct {
	At      int64
	Done    bool
	Skipped calendar.Date
	Ended   bool
}

// earlier is what was done at a position of a line on the same operating day.
type earlier struct {
	LineID, PositionID uuid.UUID
	ProcedureID        uuid.UUID
	DoneOn             time.Time
	Codes              []string
}

type fittedUnit struct {
	class string
	unit  uuid.UUID
}

type openKey struct {
	thing uuid.UUID
	code  string
}

type targetRow struct {
	N                                  int
	AssignmentID, TaskID               *uuid.UUID
	SiteID, LineID, PositionID, UnitID *uuid.UUID
	ProcedureID                        *uuid.UUID
	Criticality, Title                 string
	TaskOpen                           bool
}

// What is recorded, as whoever records it sees it. An assignment that lives stands
// with its open task, a task with its assignment.
const targets = `
select u.n::integer as n, a.id as assignment_id, t.id as task_id, coalesce(t.site_id, a.site_id) as site_id, coalesce(t.line_id, a.line_id) as line_id,
       coalesce(t.position_id, a.position_id) as position_id, coalesce(t.unit_id, a.unit_id) as unit_id, coalesce(t.procedure_id, p.procedure_id) as procedure_id,
       coalesce(t.criticality, '') as criticality, coalesce(t.title, p.title) as title, coalesce(t.state = 'open', false) as task_open
  from unnest(cast(@assignments as uuid[]), cast(@tasks as uuid[])) with ordinality as u(assignment_id, task_id, n)
  left join task as g on g.id = u.task_id
  left join assignment as a on a.id = coalesce(u.assignment_id, g.assignment_id)
  left join task as t on t.id = coalesce(u.task_id, a.task_id)
  left join plan as p on p.id = a.plan_id
 where coalesce(a.id, t.id) is not null
order by u.n`

// Prepare reads what Complete needs for what was done, in a number of statements
// that does not grow with it. What the actor does not see is not there.
func Prepare(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, in []Done) (*Prepared, error) {
	p := &Prepared{now: now, standings: map[uuid.UUID]*Standing{}, marks: map[uuid.UUID]mark{}, content: map[uuid.UUID]*ProcedureVersion{}, things: map[uuid.UUID]*thing{},
		fitted: map[uuid.UUID][]fittedUnit{}, open: map[openKey]uuid.UUID{}}
	assignments, tasks := make([]*uuid.UUID, len(in)), make([]*uuid.UUID, len(in))
	for i, d := range in {
		if (d.AssignmentID == nil) == (d.TaskID == nil) {
			return nil, fault.Field(list("done", i)+".assignment_id", "", "or task_id says what was done: one of the two")
		}
		assignments[i], tasks[i] = d.AssignmentID, d.TaskID
	}
	rows, err := pgdb.Read[targetRow](ctx, db, who.ID, targets, map[string]any{"assignments": assignments, "tasks": tasks})
	if err != nil {
		return nil, err
	}
	p.items = make([]prepared, len(in))
	found := make([]bool, len(in))
	var ids []uuid.UUID
	sites, procedures := []uuid.UUID{}, []uuid.UUID{}
	addTo := func(all *[]uuid.UUID, id *uuid.UUID) {
		if id != nil && !slices.Contains(*all, *id) {
			*all = append(*all, *id)
		}
	}
	for _, r := range rows {
		i := r.N - 1
		found[i] = true
		p.items[i] = prepared{r.SiteID, r.LineID, r.PositionID, r.UnitID, r.AssignmentID, r.TaskID, r.TaskOpen, r.ProcedureID, r.Criticality, r.Title}
		if r.AssignmentID != nil {
			ids = append(ids, *r.AssignmentID)
		}
		addTo(&sites, r.SiteID)
		addTo(&procedures, r.ProcedureID)
	}
	for i, d := range in {
		if !found[i] {
			if d.TaskID != nil {
				return nil, at(list("done", i), fault.Missing("task", d.TaskID.String()))
			}
			return nil, at(list("done", i), fault.Missing("assignment", d.AssignmentID.String()))
		}
	}
	if p.plans, err = programmeNow(ctx, db); err != nil {
		return nil, err
	}
	edges, err := sys[edge](ctx, db, coverEdges, nil)
	if err != nil {
		return nil, err
	}
	p.covers = coverage(edges)
	all, plans := slices.Clone(procedures), []uuid.UUID{}
	if slices.ContainsFunc(in, func(d Done) bool { return !d.Stated }) {
		covered := map[uuid.UUID]bool{}
		for _, id := range procedures {
			for _, c := range p.covers.all(id) {
				covered[c] = true
				addTo(&all, &c)
			}
		}
		for _, l := range p.plans {
			if covered[l.ProcedureID] || slices.ContainsFunc(procedures, func(id uuid.UUID) bool { return p.closure(l.ProcedureID, covered) }) {
				plans = append(plans, l.ID)
			}
		}
	}
	versions, err := versionsWhere(ctx, db, access.System, ` where v.id in (select version_id from procedure_now where id = any (@ids))`, map[string]any{"ids": all})
	if err != nil {
		return nil, err
	}
	for i := range versions {
		p.content[versions[i].ProcedureID] = &versions[i]
	}
	if err := p.assignments(ctx, db, ids, sites, plans); err != nil {
		return nil, err
	}
	return p, p.around(ctx, db, in, sites)
}

// fresh is a copy in which what is recorded may leave its marks.
func (p *Prepared) fresh() *Prepared {
	q := *p
	q.standings = make(map[uuid.UUID]*Standing, len(p.standings))
	for id, s := range p.standings {
		q.standings[id] = new(*s)
	}
	q.near = make([]*Standing, len(p.near))
	for i, s := range p.near {
		q.near[i] = q.standings[s.ID]
	}
	q.open, q.earlier = maps.Clone(p.open), slices.Clone(p.earlier)
	return &q
}

// closure tells whether a procedure covers one of those that may be covered.
func (p *Prepared) closure(of uuid.UUID, covered map[uuid.UUID]bool) bool {
	return slices.ContainsFunc(p.covers.all(of), func(c uuid.UUID) bool { return covered[c] })
}

// assignments reads those that are recorded, and those at the same sites that may
// be covered or tell which positions have to be done.
func (p *Prepared) assignments(ctx context.Context, db *pgdb.DB, ids, sites, plans []uuid.UUID) error {
	rows, err := sys[assignmentRow](ctx, db, assignmentColumns+`
 where a.id = any (@ids) or a.ended_at is null and a.site_id = any (@sites) and a.plan_id = any (@plans)
order by a.id`, map[string]any{"ids": some2(ids), "sites": sites, "plans": plans})
	if err != nil {
		return err
	}
	// a counter that has changed is added up when it is judged again; here only days matter
	for i := range rows {
		rows[i].Changed = 0
		r := &rows[i]
		p.marks[r.ID] = markOf(r)
	}
	all, err := load(ctx, db, p.now, p.plans, rows)
	if err != nil {
		return err
	}
	for i := range all {
		s := &all[i]
		p.standings[s.ID] = s
		if slices.Contains(plans, s.PlanID) {
			p.near = append(p.near, s)
		}
	}
	return nil
}

func some2(in []uuid.UUID) []uuid.UUID {
	if in == nil {
		return []uuid.UUID{}
	}
	return in
}

func markOf(r *assignmentRow) mark {
	m := mark{Done: r.MarkDone, Skipped: dayOf(r.SkippedUntil), Ended: r.EndedAt != nil}
	if r.MarkAt != nil {
		m.At = r.MarkAt.UnixMicro()
	}
	return m
}

// around reads the things at the sites with their facts, what was done on the same
// days, what is fitted, and what failed checks have raised already.
func (p *Prepared) around(ctx context.Context, db *pgdb.DB, in []Done, sites []uuid.UUID) error {
	if !slices.ContainsFunc(in, func(d Done) bool { return !d.Stated }) || len(sites) == 0 {
		return nil
	}
	rows, err := pgdb.Read[thingRow](ctx, db, access.System.ID, thingsAt, map[string]any{"sites": sites, "now": p.now, "units": false})
	if err != nil {
		return err
	}
	for i := range rows {
		t, err := rows[i].thing()
		if err != nil {
			return err
		}
		p.things[t.id] = &t
	}
	lines, positions, days, things := []uuid.UUID{}, []uuid.UUID{}, []time.Time{}, []uuid.UUID{}
	for i, d := range in {
		it := p.items[i]
		if it.position != nil {
			positions = append(positions, *it.position)
			if it.line != nil {
				lines = append(lines, *it.line)
				days = append(days, p.day(it, d.At).UTC())
			}
		}
		positions = append(positions, d.Positions...)
		for _, id := range []*uuid.UUID{it.unit, it.position, it.line, it.site} {
			if id != nil {
				things = append(things, *id)
			}
		}
	}
	things = append(things, positions...)
	if p.earlier, err = sys[earlier](ctx, db, `
select c.line_id, c.position_id, v.procedure_id, c.done_on, array(select a.code from check_answer as a where a.completion_id = c.id) as codes
  from completion as c
  join procedure_version as v on v.id = c.procedure_version_id
 where c.line_id = any (@lines) and c.done_on = any (cast(@days as date[])) and c.position_id is not null and c.covered_by is null`, map[string]any{"lines": lines, "days": days}); err != nil {
		return err
	}
	units, err := sys[struct {
		PositionID uuid.UUID
		Class      string
		UnitID     uuid.UUID
	}](ctx, db, `select position_id, class, unit_id from fitted_now where position_id = any (@positions) and unit_id is not null`, map[string]any{"positions": positions})
	if err != nil {
		return err
	}
	for _, u := range units {
		p.fitted[u.PositionID] = append(p.fitted[u.PositionID], fittedUnit{u.Class, u.UnitID})
	}
	open, err := sys[struct {
		ThingID uuid.UUID
		Code    string
		ID      uuid.UUID
	}](ctx, db, `
select distinct on (c.thing_id, c.code) coalesce(c.position_id, c.thing_id) as thing_id, c.code, t.id
  from check_answer as c
  join task as t on t.id = c.task_id and t.state = 'open'
 where c.task_id is not null and (c.thing_id = any (@things) or c.position_id = any (@things))
order by c.thing_id, c.code, t.raised_at`, map[string]any{"things": things})
	for _, o := range open {
		p.open[openKey{o.ThingID, o.Code}] = o.ID
	}
	return err
}

// day gives the operating day to which an instant belongs where the work was done.
func (p *Prepared) day(it prepared, at time.Time) calendar.Date { return p.place(it).Day(at) }

func (p *Prepared) place(it prepared) *due.Site {
	if it.assignment != nil {
		if s := p.standings[*it.assignment]; s != nil {
			return s.Site
		}
	}
	for _, s := range p.standings {
		if same(s.SiteID, it.site) {
			return s.Site
		}
	}
	return &due.Site{Place: calendar.Place{Zone: time.UTC, Turns: 3 * time.Hour}}
}

// thing gives the narrowest of what an item is about.
func (it prepared) thing() uuid.UUID {
	for _, id := range []*uuid.UUID{it.unit, it.position, it.line, it.site} {
		if id != nil {
			return *id
		}
	}
	return uuid.Nil
}

// facts gives what is known of where a check is looked at.
func (p *Prepared) facts(it prepared, position *uuid.UUID) condition.Facts {
	for _, id := range []*uuid.UUID{position, it.position, it.line, it.site} {
		if id != nil {
			if t := p.things[*id]; t != nil {
				return t.facts
			}
		}
	}
	return condition.Facts{}
}

// applies tells whether a check is to be answered there: decided by the equipment,
// not by whoever stands before it. One of which nobody can tell is.
func applies(c *Check, facts condition.Facts) bool {
	where, bad := condition.Parse(c.Condition, "condition")
	return bad != nil || where.Judge(facts).Verdict != condition.Fails
}

// latest is how far ahead of the clock a phone may be.
const latest = 5 * time.Minute

// oldest bounds how long ago work was done.
const oldest = 20 * 365 * 24 * time.Hour

// Complete records what was done: all of it or nothing, in a number of statements
// that does not grow with it. Assignments count from there, what larger work does
// as well is credited, one-off work begins, and failed checks raise one task each.
// p must have been prepared for the same list, and stays as it is: a transaction that
// is tried again begins with what was read. The assignments that are to be judged
// again are given back.
func Complete(tx *gorm.DB, who access.Actor, now time.Time, p *Prepared, in []Done) ([]Completed, []uuid.UUID, error) {
	r := &recording{p: p.fresh(), who: who, now: now, record: pgdb.NewID(), touched: map[uuid.UUID]bool{}, ended: map[uuid.UUID]bool{}}
	order := make([]int, len(in))
	for i := range in {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return in[a].At.Compare(in[b].At) })
	out := make([]Completed, len(in))
	for _, i := range order {
		c, err := r.one(r.p.items[i], in[i])
		if err != nil {
			if len(in) > 1 {
				err = at(list("done", i), err)
			}
			return nil, nil, err
		}
		out[i] = c
	}
	touched := make([]uuid.UUID, 0, len(r.touched))
	for id := range r.touched {
		touched = append(touched, id)
	}
	slices.SortFunc(touched, func(a, b uuid.UUID) int { return slices.Compare(a[:], b[:]) })
	return out, touched, r.write(tx, touched)
}

// recording is one act of recording under way.
type recording struct {
	p       *Prepared
	who     access.Actor
	now     time.Time
	record  uuid.UUID
	touched map[uuid.UUID]bool // assignments whose mark moved
	last    map[uuid.UUID]uuid.UUID
	ended   map[uuid.UUID]bool // one-off ones that are done

	completions, people, positions, answers, tasks, overrides, births []map[string]any
	closing                                                           []map[string]any
	crossed                                                           []openKey
}

func (r *recording) one(it prepared, d Done) (Completed, error) {
	v := (*ProcedureVersion)(nil)
	if it.procedure != nil {
		v = r.p.content[*it.procedure]
	}
	if err := r.may(v, d); err != nil {
		return Completed{}, err
	}
	switch {
	case d.At.After(r.now.Add(latest)):
		return Completed{}, fault.Field("at", d.At.UTC().Format(time.RFC3339), "must not lie ahead: it is when the work was done")
	case d.At.Before(r.now.Add(-oldest)):
		return Completed{}, fault.Field("at", d.At.UTC().Format(time.RFC3339), "lies more than 20 years back")
	case it.assignment == nil && !it.taskOpen:
		return Completed{}, &fault.Error{Kind: fault.Conflict, Field: "task_id", Value: it.title, Msg: "has ended already"}
	}
	d.At = d.At.UTC().Truncate(time.Microsecond)
	people, err := r.crew(v, d)
	if err != nil {
		return Completed{}, err
	}
	c := Completed{ID: pgdb.NewID(), AssignmentID: it.assignment, Outcome: string(due.Counted)}
	found, err := r.look(it, v, d)
	if err != nil {
		return Completed{}, err
	}
	row := map[string]any{"id": c.ID, "record_id": r.record, "site_id": it.site, "line_id": it.line, "position_id": it.position, "unit_id": it.unit, "assignment_id": it.assignment,
		"done_at": d.At, "minutes": d.Minutes, "remark": strings.TrimSpace(d.Remark)}
	if v != nil {
		row["procedure_version_id"] = v.ID
	}
	place := r.p.place(it)
	row["done_on"] = place.Day(d.At).String()
	if it.assignment != nil {
		s := r.p.standings[*it.assignment]
		if s == nil {
			return Completed{}, &fault.Error{Kind: fault.Conflict, Field: "assignment_id", Value: it.title, Msg: "belongs to a plan that has ended"}
		}
		if !d.Stated {
			e := due.Explain(&s.Due, s.Site, d.At)
			row["says"] = e.Says
			if e.Due != 0 {
				row["due_on"], row["latest_on"] = e.Due.String(), e.Latest.String()
			}
		}
		c.Outcome = string(r.count(s, d.At, c.ID))
	}
	row["outcome"] = c.Outcome
	if c.Outcome == string(due.Counted) || c.Outcome == string(due.Ended) {
		if it.taskOpen {
			c.TaskID = it.task
		}
		row["task_id"] = c.TaskID
		r.closing = append(r.closing, map[string]any{"id": c.TaskID, "assignment": it.assignment, "state": "done"})
	}
	r.completions = append(r.completions, row)
	for i, person := range people {
		r.people = append(r.people, map[string]any{"completion_id": c.ID, "ordinal": i + 1, "actor_id": person.ActorID, "name": strings.TrimSpace(person.Name), "skills": some(person.Skills)})
	}
	for _, id := range d.Positions {
		r.positions = append(r.positions, map[string]any{"completion_id": c.ID, "position_id": id, "site_id": it.site})
	}
	r.keep(&c, it, v, d, found)
	if d.Stated || v == nil {
		return c, nil
	}
	r.cover(&c, it, d, found)
	if it.position != nil && it.line != nil { // the next of the same act may go by it
		var codes []string
		for _, j := range found.judged {
			codes = append(codes, j.check.Code)
		}
		r.p.earlier = append(r.p.earlier, earlier{*it.line, *it.position, *it.procedure, place.Day(d.At).UTC(), codes})
	}
	if c.Outcome != string(due.Older) {
		r.follow(&c, it, v, d)
	}
	return c, nil
}

// may tells whether the actor may record this: those who plan what is only stated, the
// distributor's people all that is done, a site's own staff what is theirs to do.
func (r *recording) may(v *ProcedureVersion, d Done) error {
	switch {
	case d.Stated: // it moves a clock by a word alone
		return r.who.Must(access.Plan)
	case r.who.May(access.RecordWork):
		return nil
	case !ofRounds(v):
		return r.who.Must(access.RecordWork)
	}
	return r.who.Must(access.DoRounds)
}

// ofRounds tells whether work is the site's own staff's to do.
func ofRounds(v *ProcedureVersion) bool {
	return v != nil && len(v.Skills) > 0 && !slices.ContainsFunc(v.Skills, func(s string) bool { return s != "OP" })
}

// crew holds that all are named who must do it, with all skills: what takes two
// is not finished by one, and what needs an electrician not by a mechanic.
func (r *recording) crew(v *ProcedureVersion, d Done) ([]Person, error) {
	if d.Stated || v == nil {
		return d.People, nil
	}
	people := d.People
	if len(people) == 0 && v.People == 1 {
		people = []Person{{ActorID: &r.who.ID, Name: r.who.Name, Skills: v.Skills}}
	}
	if len(people) < v.People {
		return nil, fault.Field("people", len(people), "takes %d people, each by name: nobody finishes this alone", v.People)
	}
	for i, p := range people {
		if strings.TrimSpace(p.Name) == "" {
			return nil, fault.Field(list("people", i)+".name", "", "must not be blank")
		}
	}
	for _, skill := range v.Skills {
		need, have := 0, 0
		for _, s := range v.Skills {
			if s == skill {
				need++
			}
		}
		for _, p := range people {
			if slices.Contains(p.Skills, skill) || skill == "T1" && slices.Contains(p.Skills, "T2") {
				have++
			}
		}
		if have < need {
			return nil, fault.Field("people", strings.Join(v.Skills, "+"), "must stand for every skill: %d of %d with %s; it is not done while only a part is", have, need, skill)
		}
	}
	return people, nil
}

// looked is what was answered: by position (Nil for none) the codes.
type looked struct {
	judged  []judged
	answers []Answer
	codes   map[uuid.UUID]map[string]bool
}

// answered tells whether a check was answered at a position, or for the work as a whole.
func (l looked) answered(position *uuid.UUID, code string) bool {
	return l.codes[uuid.Nil][code] || position != nil && l.codes[*position][code]
}

// look reads the answers and holds that none is missing that the work needs.
func (r *recording) look(it prepared, v *ProcedureVersion, d Done) (looked, error) {
	l := looked{answers: d.Answers, codes: map[uuid.UUID]map[string]bool{}}
	if v == nil {
		if len(d.Answers) > 0 {
			return l, fault.Field("answers", d.Answers[0].Check, "are of checks, and this work has no procedure")
		}
		return l, nil
	}
	if it.site != nil {
		for i, id := range d.Positions {
			t := r.p.things[id]
			if !d.Stated && (t == nil || !same(t.site, it.site) || it.line != nil && !same(t.line, it.line)) {
				return l, fault.Field(list("positions", i), id, "is no position there")
			}
		}
	}
	known := slices.Clone(v.Checks)
	for _, id := range r.p.covers.all(v.ProcedureID) {
		if c := r.p.content[id]; c != nil {
			known = append(known, c.Checks...)
		}
	}
	var faults []*fault.Error
	for i, a := range d.Answers {
		field := list("answers", i)
		k := slices.IndexFunc(known, func(c Check) bool { return c.Code == a.Check })
		if k < 0 {
			faults = append(faults, fault.Field(field+".check", a.Check, "is no check of this work, nor of any that it covers"))
			continue
		}
		j, bad := known[k].judge(a, field)
		faults = append(faults, bad)
		l.judged = append(l.judged, j)
		where := zero(a.PositionID)
		if l.codes[where] == nil {
			l.codes[where] = map[string]bool{}
		}
		if l.codes[where][a.Check] {
			faults = append(faults, fault.Field(field+".check", a.Check, "is answered twice"))
		}
		l.codes[where][a.Check] = true
	}
	for i, a := range d.Answers { // one look may answer others too
		if k := slices.IndexFunc(known, func(c Check) bool { return c.Code == a.Check }); k >= 0 {
			for _, other := range known[k].Answers {
				l.codes[zero(d.Answers[i].PositionID)][other] = true
			}
		}
	}
	if !d.Stated {
		for i := range v.Checks {
			c := &v.Checks[i]
			if c.Optional || !applies(c, r.p.facts(it, nil)) || l.answered(it.position, c.Code) {
				continue
			}
			if slices.ContainsFunc(d.Positions, func(id uuid.UUID) bool { return l.codes[id][c.Code] }) {
				continue
			}
			faults = append(faults, fault.Field("answers", c.Code, "is missing: %s", c.Prompt))
		}
	}
	return l, fault.Collect(faults...)
}

// count lets an assignment count from what was done.
func (r *recording) count(s *Standing, at time.Time, completion uuid.UUID) due.Outcome {
	after, outcome := due.Complete(s.Due, s.Site, at, nil)
	if outcome == due.Counted || outcome == due.Ended {
		s.Due = after
		r.touched[s.ID] = true
		if r.last == nil {
			r.last = map[uuid.UUID]uuid.UUID{}
		}
		r.last[s.ID] = completion
		r.ended[s.ID] = outcome == due.Ended
	}
	return outcome
}

// keep keeps the answers, and what follows from those that crossed a limit.
func (r *recording) keep(c *Completed, it prepared, v *ProcedureVersion, d Done, l looked) {
	for i, j := range l.judged {
		a := l.answers[i]
		where := it.thing()
		position := it.position
		if a.PositionID != nil {
			position = a.PositionID
		}
		at := where
		if position != nil {
			at = *position
		}
		id := pgdb.NewID()
		row := map[string]any{"id": id, "completion_id": c.ID, "check_id": j.check.ID, "code": j.check.Code, "site_id": it.site, "position_id": position, "thing_id": where, "at": d.At,
			"found": j.found, "found_typed": j.foundTyped, "left_at": j.left, "left_typed": j.leftTyped, "photo_id": a.PhotoID, "note": strings.TrimSpace(a.Note), "verdict": j.verdict, "says": j.says}
		if a.NotPossible != "" {
			row["not_possible"] = strings.TrimSpace(a.NotPossible)
		}
		if j.verdict == Warn || j.verdict == Fail {
			c.Findings = append(c.Findings, j.says)
			r.crossed = append(r.crossed, openKey{where, j.check.Code})
			if position != nil {
				r.crossed = append(r.crossed, openKey{*position, j.check.Code})
			}
		}
		act := j.action()
		if act.Days != nil && !d.Stated {
			k := openKey{at, j.check.Code}
			open, known := r.p.open[k]
			if !known {
				open = pgdb.NewID()
				r.p.open[k] = open
				r.tasks = append(r.tasks, r.raised(open, id, it, position, j, act, d))
				c.Raised = append(c.Raised, open)
			}
			row["task_id"] = open
		}
		if act.Interval != nil && it.assignment != nil && !d.Stated && r.touched[*it.assignment] {
			if o := r.shortened(it, j, *act.Interval, id, d); o != nil {
				r.overrides = append(r.overrides, o)
			}
		}
		r.answers = append(r.answers, row)
	}
}

// raised is the task that a failed check raises, with a due date of its own: today
// where safety or the law is at stake.
func (r *recording) raised(id, answer uuid.UUID, it prepared, position *uuid.UUID, j judged, act Action, d Done) map[string]any {
	day := r.p.day(it, d.At)
	criticality := r.criticality(it)
	on := day + calendar.Date(*act.Days)
	if criticality == string(due.S) {
		on = day
	}
	title := act.Says
	if title == "" {
		title = "Follow up: " + j.check.Prompt
	}
	t := map[string]any{"id": id, "answer_id": answer, "site_id": it.site, "line_id": it.line, "position_id": position, "unit_id": it.unit, "title": strings.ToUpper(title[:1]) + title[1:], "says": j.says + ".",
		"criticality": criticality, "earliest_on": min(day, on).String(), "due_on": on.String(), "latest_on": on.String()}
	if act.Raises != "" {
		t["procedure"] = act.Raises
	}
	return t
}

func (r *recording) criticality(it prepared) string {
	if it.assignment != nil {
		if s := r.p.standings[*it.assignment]; s != nil {
			return s.plan.Criticality
		}
	}
	if it.criticality != "" {
		return it.criticality
	}
	return string(due.B)
}

// shortened is the override that a failed check makes of the interval that begins
// with this work.
func (r *recording) shortened(it prepared, j judged, percent int, answer uuid.UUID, d Done) map[string]any {
	s := r.p.standings[*it.assignment]
	var as []Trigger
	if err := json.Unmarshal([]byte(s.plan.Triggers), &as); err != nil {
		return nil
	}
	var new []Trigger
	for _, t := range as {
		switch t.Kind {
		case "every":
			p, _ := calendar.ParsePeriod(t.Every, "")
			days := max(1, (p.Days+p.Months*30)*percent/100)
			new = append(new, Trigger{Kind: "every", Every: fmt.Sprintf("P%dD", days)})
		case "after_use":
			new = append(new, Trigger{Kind: "after_use", Unit: t.Unit, Amount: t.Amount * float64(percent) / 100})
		}
	}
	triggers, err := triggersOf(new)
	if err != nil {
		return nil
	}
	day := s.Site.Day(d.At)
	reason := "after a check: " + j.says
	if _, err := s.plan.schedule.Override(triggers, day, reason); err != nil {
		return nil // the plan has no interval to shorten
	}
	return map[string]any{"id": pgdb.NewID(), "assignment_id": s.ID, "site_id": s.SiteID, "triggers": new, "until": day.String(), "reason": reason, "answer_id": answer}
}

// cover credits what the work does as well, through however many others, at the
// same thing: at each position that was done, and for a line only when every
// position was. Only where every check that it needs was answered.
func (r *recording) cover(c *Completed, it prepared, d Done, l looked) {
	covered := r.p.covers.all(*it.procedure)
	// of a line or a site, what is covered without the detour over its positions
	whole := r.p.covers.through(*it.procedure, func(id uuid.UUID) bool {
		for _, p := range r.p.plans {
			if p.ProcedureID == id && (p.AppliesTo == "position" || p.AppliesTo == "unit") {
				return false
			}
		}
		return true
	})
	for _, s := range r.p.near {
		if !slices.Contains(covered, s.plan.ProcedureID) || it.assignment != nil && s.ID == *it.assignment || !same(s.SiteID, it.site) {
			continue
		}
		ok := false
		switch {
		case it.unit != nil && same(s.UnitID, it.unit), it.unit == nil && s.UnitID == nil && s.ThingID == it.thing():
			if it.position == nil && it.unit == nil && !slices.Contains(whole, s.plan.ProcedureID) {
				ok = s.LineID != nil && r.everywhere(s, it, d, l, d.Positions)
			} else {
				ok = r.complete(s, it, s.PositionID, l)
			}
		case it.position != nil && s.PositionID != nil:
			ok = same(s.PositionID, it.position) && r.complete(s, it, it.position, l)
		case it.position == nil && s.PositionID != nil: // of work at a line or a site
			ok = slices.Contains(d.Positions, *s.PositionID) && r.complete(s, it, s.PositionID, l)
		case it.position == nil && s.LineID != nil && it.line == nil: // a line, of work at a site
			ok = r.everywhere(s, it, d, l, d.Positions)
		case it.position != nil && s.LineID != nil:
			ok = same(s.LineID, it.line) && r.everywhere(s, it, d, l, []uuid.UUID{*it.position})
		}
		if !ok {
			continue
		}
		id := pgdb.NewID()
		row := map[string]any{"id": id, "record_id": r.record, "site_id": s.SiteID, "line_id": s.LineID, "position_id": s.PositionID, "unit_id": s.UnitID, "assignment_id": s.ID,
			"covered_by": c.ID, "done_at": d.At, "done_on": s.Site.Day(d.At).String(), "remark": ""}
		if v := r.p.content[s.plan.ProcedureID]; v != nil {
			row["procedure_version_id"] = v.ID
		}
		e := due.Explain(&s.Due, s.Site, d.At)
		row["says"] = e.Says
		if e.Due != 0 {
			row["due_on"], row["latest_on"] = e.Due.String(), e.Latest.String()
		}
		outcome := r.count(s, d.At, id)
		row["outcome"] = string(outcome)
		if outcome == due.Counted || outcome == due.Ended {
			row["task_id"] = s.TaskID
			r.closing = append(r.closing, map[string]any{"id": s.TaskID, "assignment": s.ID, "state": "covered"})
			s.TaskID = nil
		}
		r.completions = append(r.completions, row)
		c.Covered = append(c.Covered, Covered{id, s.ID, s.plan.Code, string(outcome)})
	}
}

// complete tells whether every check that covered work needs at a position was answered.
func (r *recording) complete(s *Standing, it prepared, position *uuid.UUID, l looked) bool {
	return r.answeredAll(s.plan.ProcedureID, r.p.facts(it, position), func(code string) bool { return l.answered(position, code) })
}

func (r *recording) answeredAll(procedure uuid.UUID, facts condition.Facts, answered func(code string) bool) bool {
	v := r.p.content[procedure]
	if v == nil {
		return false
	}
	for i := range v.Checks {
		if c := &v.Checks[i]; !c.Optional && applies(c, facts) && !answered(c.Code) {
			return false
		}
	}
	return true
}

// everywhere tells whether with these positions every one of a line has been done
// that day by work that covers the line's, each with the checks that it needs.
func (r *recording) everywhere(s *Standing, it prepared, d Done, l looked, now []uuid.UUID) bool {
	day := s.Site.Day(d.At)
	some := false
	for _, o := range r.p.near { // which positions there are to do: those that have such work
		if o.PositionID == nil || !same(o.LineID, s.LineID) || o.Due.Parked || !slices.Contains(r.p.covers.all(o.plan.ProcedureID), s.plan.ProcedureID) {
			continue
		}
		some = true
		id := *o.PositionID
		if slices.Contains(now, id) && r.complete(s, it, &id, l) {
			continue
		}
		if !r.doneEarlier(s, id, day) {
			return false
		}
	}
	return some
}

// doneEarlier tells whether a position was done that day, by what was recorded
// before or in the same act.
func (r *recording) doneEarlier(s *Standing, position uuid.UUID, day calendar.Date) bool {
	facts := r.p.facts(prepared{}, &position)
	for _, e := range r.p.earlier {
		if e.PositionID != position || dayOf(&e.DoneOn) != day || !slices.Contains(r.p.covers.all(e.ProcedureID), s.plan.ProcedureID) {
			continue
		}
		codes := r.withAliases(e.ProcedureID, e.Codes)
		if r.answeredAll(s.plan.ProcedureID, facts, func(code string) bool { return slices.Contains(codes, code) }) {
			return true
		}
	}
	return false
}

// withAliases adds the checks that the same look answers.
func (r *recording) withAliases(procedure uuid.UUID, codes []string) []string {
	out := slices.Clone(codes)
	for _, id := range append([]uuid.UUID{procedure}, r.p.covers.all(procedure)...) {
		if v := r.p.content[id]; v != nil {
			for _, c := range v.Checks {
				if slices.Contains(codes, c.Code) {
					out = append(out, c.Answers...)
				}
			}
		}
	}
	return out
}

// follow lets one-off work begin where this was done.
func (r *recording) follow(c *Completed, it prepared, v *ProcedureVersion, d Done) {
	positions := d.Positions
	if it.position != nil {
		positions = []uuid.UUID{*it.position}
	}
	for _, f := range v.FollowUps {
		var p *live
		for _, l := range r.p.plans {
			if l.Code == f.Plan && l.oneOff() {
				p = l
			}
		}
		where, bad := condition.Parse(f.Condition, "condition")
		if p == nil || bad != nil {
			continue // the plan holds no more
		}
		for _, position := range positions {
			t := r.p.things[position]
			if t == nil || where.Judge(t.facts).Verdict == condition.Fails {
				continue
			}
			id := pgdb.NewID()
			row := map[string]any{"id": id, "plan_id": p.ID, "site_id": t.site, "line_id": t.line, "position_id": position, "thing_id": position, "at": d.At, "parked": t.parked, "born_of": c.ID}
			if class := zero(p.TiedTo); class != "" {
				for _, u := range r.p.fitted[position] {
					if u.class == class {
						row["tied_unit_id"] = u.unit
					}
				}
			}
			r.births = append(r.births, row)
			c.Began = append(c.Began, id)
		}
	}
}

// write writes it all, if nobody has recorded work on the same things meanwhile.
func (r *recording) write(tx *gorm.DB, touched []uuid.UUID) error {
	if err := r.unchanged(tx, touched); err != nil {
		return err
	}
	var marks []map[string]any
	for _, id := range touched {
		s := r.p.standings[id]
		m := map[string]any{"id": id, "mark_at": s.Due.Mark.At, "completion": r.last[id], "ended": r.ended[id]}
		if s.Due.Mark.Settled != 0 {
			m["settled"] = s.Due.Mark.Settled.String()
		}
		marks = append(marks, m)
	}
	// in one order: a row that covers stands before those that it covers
	for _, w := range []struct {
		rows []map[string]any
		sql  string
	}{
		{r.completions, `
insert into completion (id, record_id, site_id, line_id, position_id, unit_id, assignment_id, task_id, procedure_version_id, covered_by, done_at, done_on, outcome, minutes, remark, due_on, latest_on, says, recorded_at, recorded_by)
select r.id, r.record_id, r.site_id, r.line_id, r.position_id, r.unit_id, r.assignment_id, r.task_id, r.procedure_version_id, r.covered_by, r.done_at, r.done_on, r.outcome, r.minutes, r.remark, r.due_on, r.latest_on,
       coalesce(r.says, ''), @now, @who
  from jsonb_to_recordset(cast(@rows as jsonb)) as r(id uuid, record_id uuid, site_id uuid, line_id uuid, position_id uuid, unit_id uuid, assignment_id uuid, task_id uuid, procedure_version_id uuid,
       covered_by uuid, done_at timestamptz, done_on date, outcome text, minutes int, remark text, due_on date, latest_on date, says text)`},
		{r.people, `
insert into completion_person (completion_id, ordinal, actor_id, name, skills)
select r.* from jsonb_to_recordset(cast(@rows as jsonb)) as r(completion_id uuid, ordinal smallint, actor_id uuid, name text, skills text[])`},
		{r.positions, `
insert into completion_position (completion_id, position_id, site_id)
select r.* from jsonb_to_recordset(cast(@rows as jsonb)) as r(completion_id uuid, position_id uuid, site_id uuid)`},
		{r.tasks, `
insert into task (id, site_id, line_id, position_id, unit_id, procedure_id, origin, answer_id, title, says, criticality, due_on, earliest_on, latest_on, raised_at, raised_by)
select r.id, r.site_id, r.line_id, r.position_id, r.unit_id, p.id, 'check', r.answer_id, r.title, r.says, r.criticality, r.due_on, r.earliest_on, r.latest_on, @now, @who
  from jsonb_to_recordset(cast(@rows as jsonb)) as r(id uuid, site_id uuid, line_id uuid, position_id uuid, unit_id uuid, procedure text, answer_id uuid, title text, says text, criticality text,
       due_on date, earliest_on date, latest_on date)
  left join procedure as p on p.code = r.procedure`},
		{r.answers, `
insert into check_answer (id, completion_id, check_id, code, site_id, position_id, thing_id, at, found, found_typed, left_at, left_typed, not_possible, photo_id, note, verdict, says, task_id)
select r.* from jsonb_to_recordset(cast(@rows as jsonb)) as r(id uuid, completion_id uuid, check_id uuid, code text, site_id uuid, position_id uuid, thing_id uuid, at timestamptz, found float8, found_typed text,
       left_at float8, left_typed text, not_possible text, photo_id uuid, note text, verdict text, says text, task_id uuid)`},
		{r.overrides, `
insert into assignment_override (id, assignment_id, site_id, triggers, until, reason, answer_id, made_at, made_by)
select r.*, @now, @who from jsonb_to_recordset(cast(@rows as jsonb)) as r(id uuid, assignment_id uuid, site_id uuid, triggers jsonb, until date, reason text, answer_id uuid)`},
		{marks, `
update assignment as a
   set mark_at = r.mark_at, mark_done = true, mark_settled = r.settled, mark_completion_id = r.completion, skipped_until = null, changed = 2, revision = a.revision + 1,
       task_id = null, opens_at = null, ended_at = case when r.ended then @now else a.ended_at end, ended_why = case when r.ended then 'done' else a.ended_why end
  from jsonb_to_recordset(cast(@rows as jsonb)) as r(id uuid, mark_at timestamptz, settled date, completion uuid, ended boolean)
 where a.id = r.id`},
		{r.closing, `
update task as t
   set state = r.state, ended_at = @now, ended_by = @who, version = t.version + 1
  from jsonb_to_recordset(cast(@rows as jsonb)) as r(id uuid, assignment uuid, state text)
 where (t.id = r.id or t.open_for = r.assignment) and t.state = 'open'`},
		{r.births, `
insert into assignment (id, plan_id, site_id, line_id, position_id, thing_id, since, mark_at, mark_done, parked, tied_unit_id, born_of)
select distinct on (r.plan_id, r.position_id) r.id, r.plan_id, r.site_id, r.line_id, r.position_id, r.thing_id, r.at, r.at, true, r.parked, r.tied_unit_id, r.born_of
  from jsonb_to_recordset(cast(@rows as jsonb)) as r(id uuid, plan_id uuid, site_id uuid, line_id uuid, position_id uuid, thing_id uuid, at timestamptz, parked boolean, tied_unit_id uuid, born_of uuid)
order by r.plan_id, r.position_id, r.at desc
on conflict on constraint assignment_alive_uq do update
   set mark_at = greatest(assignment.mark_at, excluded.mark_at), tied_unit_id = excluded.tied_unit_id, born_of = excluded.born_of, changed = 2, revision = assignment.revision + 1`},
	} {
		if len(w.rows) == 0 {
			continue
		}
		if err := tx.Exec(w.sql, map[string]any{"rows": document(w.rows), "now": r.now, "who": r.who.ID}).Error; err != nil {
			return err
		}
	}
	return r.cross(tx)
}

// unchanged locks the assignments and holds that they still are as they were read.
func (r *recording) unchanged(tx *gorm.DB, ids []uuid.UUID) error {
	if len(ids) == 0 {
		return nil
	}
	rows, err := read[assignmentRow](tx, assignmentColumns+` where a.id = any (@ids) order by a.id for update`, map[string]any{"ids": &ids})
	if err != nil {
		return err
	}
	if len(rows) != len(ids) {
		return fault.Missing("assignment", "")
	}
	for i := range rows {
		if markOf(&rows[i]) != r.p.marks[rows[i].ID] {
			return errMoved
		}
	}
	return nil
}

// errMoved says that somebody recorded work on the same things after they were read.
var errMoved = &fault.Error{Kind: fault.Unavailable, Msg: "somebody else recorded work on the same things in this instant; send it again", RetryAfter: time.Second}

// cross has those judged again that watch a limit which was crossed.
func (r *recording) cross(tx *gorm.DB) error {
	plans, things := []uuid.UUID{}, []uuid.UUID{}
	for _, k := range r.crossed {
		for _, p := range r.p.plans {
			if slices.Contains(p.crossings, k.code) {
				plans, things = append(plans, p.ID), append(things, k.thing)
			}
		}
	}
	if len(plans) == 0 {
		return nil
	}
	return tx.Exec(`
update assignment as a set changed = greatest(a.changed, 1), revision = a.revision + 1
 where a.ended_at is null
   and exists (select from unnest(cast(@plans as uuid[]), cast(@things as uuid[])) as w(plan_id, thing_id) where w.plan_id = a.plan_id and w.thing_id in (a.thing_id, a.position_id))`,
		map[string]any{"plans": &plans, "things": &things}).Error
}

// Work is what somebody records in one act: what was done, and what was read on counters.
type Work struct {
	Done     []Done
	Readings []meters.NewReading
}

// Recorded says what became of it.
type Recorded struct {
	Done     []Completed
	Readings []meters.Taken
}

// leadsACard refuses what is worked down on a job card: work at a place that is not
// the site's own staff's. What comes here without a card has nobody's lock on it.
func (p *Prepared) leadsACard(in []Done) error {
	var faults []*fault.Error
	for i, d := range in {
		it := p.items[i]
		v := (*ProcedureVersion)(nil)
		if it.procedure != nil {
			v = p.content[*it.procedure]
		}
		shelved := it.unit != nil && it.position == nil // at no brush, though its shelf stands at a site
		if d.Stated || it.site == nil || shelved || ofRounds(v) {
			continue
		}
		field, work := list("done", i)+".assignment_id", it.title
		if d.TaskID != nil {
			field = list("done", i) + ".task_id"
		}
		faults = append(faults, &fault.Error{Kind: fault.Conflict, Field: field, Value: work, Msg: "is worked down on a job card, with its isolation and its steps: open one and sign it off"})
	}
	return fault.Collect(faults...)
}

// Record records work that needs no job card, once however often it is sent, and
// judges again what counts from it: a round of the site's own staff, work at the
// bench on a unit in stock, and what is only known to have been done. Any other work
// is completed by signing its card off.
func Record(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, req pgdb.Request, w Work) (Recorded, error) {
	if len(w.Done) == 0 {
		return Recorded{}, fault.Field("done", "", "is empty; name at least one thing that was done")
	}
	if len(w.Done) > mostDone {
		return Recorded{}, &fault.Error{Kind: fault.TooLarge, Field: "done", Value: fmt.Sprint(len(w.Done)), Msg: fmt.Sprintf("takes at most %d in one request", mostDone)}
	}
	for try := 0; ; try++ {
		p, err := Prepare(ctx, db, who, now, w.Done)
		if err == nil {
			err = p.leadsACard(w.Done)
		}
		if err != nil {
			return Recorded{}, err
		}
		var touched []uuid.UUID
		out, err := pgdb.Once(ctx, db, who.ID, now, req, func(tx *gorm.DB) (Recorded, error) {
			var r Recorded
			var err error
			if len(w.Readings) > 0 {
				if r.Readings, err = meters.Take(tx, who, now, w.Readings); err != nil {
					return r, err
				}
			}
			r.Done, touched, err = Complete(tx, who, now, p, w.Done)
			return r, err
		})
		if err == errMoved && try < 3 {
			continue
		}
		if err != nil {
			return out, err
		}
		return out, Follow(ctx, db, now, touched)
	}
}

// mostDone bounds one request.
const mostDone = 500
