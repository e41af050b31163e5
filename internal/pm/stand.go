package pm

import (
	"context"
	"slices"
	"time"

	"github.com/google/uuid"

	"spindlebook/internal/access"
	"spindlebook/internal/calendar"
	"spindlebook/internal/condition"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pm/due"
)

// Item is an assignment as it stands by the answer that is kept.
type Item struct {
	ID           uuid.UUID
	PlanID       uuid.UUID
	PlanCode     string
	Title        string
	ProcedureID  uuid.UUID
	Criticality  string
	AppliesTo    string
	SiteID       *uuid.UUID
	SiteCode     string
	SiteName     string
	LineID       *uuid.UUID
	LineCode     string
	PositionID   *uuid.UUID
	PositionCode string
	PositionName string
	UnitID       *uuid.UUID
	UnitTag      string
	State        string // not due, coming, unknown, in window or late
	DueOn        *time.Time
	EarliestOn   *time.Time
	LatestOn     *time.Time
	Missed       int
	Gaps         int
	Says         string // while its window is open
	MarkAt       *time.Time
	MarkDone     bool
	SkippedUntil *time.Time
	Parked       bool
	TaskID       *uuid.UUID
	JudgedAt     *time.Time // nil while it waits to be judged
}

const items = `
select a.id, a.plan_id, p.code as plan_code, p.title, p.procedure_id, p.criticality, p.applies_to, a.site_id, coalesce(w.code, '') as site_code, coalesce(w.name, '') as site_name,
       a.line_id, coalesce(l.code, '') as line_code, a.position_id, coalesce(o.code, '') as position_code, coalesce(o.name, '') as position_name, a.unit_id, coalesce(u.tag, '') as unit_tag, a.state, a.due_on, a.earliest_on, a.latest_on, a.missed,
       a.gaps::integer as gaps, a.says, a.mark_at, a.mark_done, a.skipped_until, a.parked, a.task_id, a.judged_at
  from assignment as a
  join plan_now as p on p.id = a.plan_id and p.version_id is not null
  left join site as w on w.id = a.site_id
  left join line as l on l.id = a.line_id
  left join position as o on o.id = a.position_id
  left join unit as u on u.id = a.unit_id
 where a.ended_at is null`

// ItemFilter narrows a list; a nil field does not.
type ItemFilter struct {
	SiteID     *uuid.UUID
	LineID     *uuid.UUID
	PositionID *uuid.UUID
	UnitID     *uuid.UUID
	PlanID     *uuid.UUID
	By         *calendar.Date // due by
	Pressing   bool           // only what is late or in its window
}

// narrow writes what a filter and the actor's scope leave of items.
func (f ItemFilter) narrow(who access.Actor, args map[string]any) string {
	for name, v := range map[string]any{"site": f.SiteID, "line": f.LineID, "position": f.PositionID, "unit": f.UnitID, "plan": f.PlanID} {
		args[name] = v
	}
	if f.By != nil {
		args["by"] = f.By.UTC()
	}
	q := ""
	for _, c := range []struct {
		narrows bool
		to      string
	}{
		{!who.Everywhere, ownNow},
		{f.SiteID != nil, `a.site_id = @site`},
		{f.LineID != nil, `a.line_id = @line`},
		{f.PositionID != nil, `a.position_id = @position`},
		{f.UnitID != nil, `a.unit_id = @unit`},
		{f.PlanID != nil, `a.plan_id = @plan`},
		{f.By != nil, `a.due_on <= @by`},
		{f.Pressing, `a.state in ('late', 'in window')`},
	} {
		if c.narrows {
			q += ` and ` + c.to
		}
	}
	return q
}

// What falls due is told to whoever has the site now: to a former owner it is no matter.
const ownNow = `a.site_id = any (@sites) and cast((select actor_spans()) ->> a.site_id::text as tstzmultirange) @> now()`

// noDay stands in the key of a list for what has no day: it comes last.
var noDay = time.Date(9999, 12, 31, 0, 0, 0, 0, time.UTC)

// Items lists assignments by the day on which they fall due, those of which nobody
// can tell last.
func Items(ctx context.Context, db *pgdb.DB, who access.Actor, f ItemFilter, p Page) ([]Item, error) {
	day, id, err := dayKey(p.After)
	if err != nil {
		return nil, err
	}
	args := who.Scope(map[string]any{"day": day, "after": id, "limit": p.Limit, "none": noDay})
	q := items + ` and (coalesce(a.due_on, @none), a.id) > (@day, @after)` + f.narrow(who, args)
	return pgdb.Read[Item](ctx, db, who.ID, q+` order by coalesce(a.due_on, @none), a.id limit @limit`, args)
}

// Worst lists assignments from the worst on: what is late, what may be done now,
// what nobody can tell a day for, what comes soon, and the rest; safety and the law
// first among each. What is late by several dates because nobody recorded that it was ever
// done comes after what is known to be late: there the record is missing first of all. It
// leaves the first few out, for the pages of a list.
func Worst(ctx context.Context, db *pgdb.DB, who access.Actor, f ItemFilter, leave, limit int) ([]Item, error) {
	args := who.Scope(map[string]any{"none": noDay, "leave": leave, "limit": limit})
	q := items + f.narrow(who, args)
	return pgdb.Read[Item](ctx, db, who.ID, q+`
order by case a.state when 'late' then 1 when 'in window' then 2 when 'unknown' then 3 when 'coming' then 4 else 5 end, p.criticality = 'S' desc,
         a.mark_at is null and a.missed > 0, coalesce(a.due_on, @none), p.criticality, o.code nulls last, a.id
offset @leave limit @limit`, args)
}

// Soonest gives of each position of a site, by its id, the planned work that falls due first
// there, with its reasons, in a number of statements that does not grow with them. A
// position of which nobody can tell a day has none.
func Soonest(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, site uuid.UUID) (map[uuid.UUID]Explained, error) {
	args := who.Scope(map[string]any{})
	first, err := pgdb.Read[Item](ctx, db, who.ID, `
select distinct on (i.position_id) i.*
  from (`+items+ItemFilter{SiteID: &site}.narrow(who, args)+` and a.position_id is not null and a.due_on is not null) as i
order by i.position_id, i.due_on, i.criticality = 'S' desc, i.criticality, i.id`, args)
	if err != nil {
		return nil, err
	}
	all, err := Explain(ctx, db, now, first)
	by := make(map[uuid.UUID]Explained, len(all))
	for _, e := range all {
		by[*e.PositionID] = e
	}
	return by, err
}

// Counts is how the planned work stands at a site.
type Counts struct {
	SiteID                                  uuid.UUID
	Late, InWindow, Unknown, Coming, NotDue int
	Grave                                   int // of the late ones for safety or the law
}

// CountItems counts how planned work stands at sites, in one statement.
func CountItems(ctx context.Context, db *pgdb.DB, who access.Actor, sites []uuid.UUID) (map[uuid.UUID]Counts, error) {
	args := who.Scope(map[string]any{"some": sites})
	own := ""
	if !who.Everywhere {
		own = ` and ` + ownNow
	}
	rows, err := pgdb.Read[Counts](ctx, db, who.ID, `
select a.site_id, count(*) filter (where a.state = 'late')::integer as late, count(*) filter (where a.state = 'in window')::integer as in_window,
       count(*) filter (where a.state = 'unknown')::integer as unknown, count(*) filter (where a.state = 'coming')::integer as coming,
       count(*) filter (where a.state = 'not due')::integer as not_due, count(*) filter (where a.state = 'late' and p.criticality = 'S')::integer as grave
  from assignment as a
  join plan_now as p on p.id = a.plan_id and p.version_id is not null
 where a.ended_at is null and a.site_id = any (@some)`+own+`
group by a.site_id`, args)
	all := make(map[uuid.UUID]Counts, len(rows))
	for _, r := range rows {
		all[r.SiteID] = r
	}
	return all, err
}

// Key is the place of an item in the list.
func (i Item) Key() string {
	day := noDay
	if i.DueOn != nil {
		day = *i.DueOn
	}
	return day.Format(time.DateOnly) + " " + i.ID.String()
}

// OneItem gives an assignment.
func OneItem(ctx context.Context, db *pgdb.DB, who access.Actor, id uuid.UUID) (Item, error) {
	return pgdb.ReadOne[Item](ctx, db, who.ID, "assignment", id.String(), items+` and a.id = @id and (@everywhere or `+ownNow+`)`, who.Scope(map[string]any{"id": id}))
}

// Explained is an assignment with its reasons, worked out as of now.
type Explained struct {
	Item
	due.Explanation
	Base  calendar.Date // the day from which it counts; zero where nobody knows
	Today calendar.Date // the operating day where it is
}

// Explain says of assignments why and when they fall due, with bands, in the order
// given and in a number of statements that does not grow with them. The actor must
// have seen them in a list.
func Explain(ctx context.Context, db *pgdb.DB, now time.Time, in []Item) ([]Explained, error) {
	plans, err := programmeNow(ctx, db)
	if err != nil {
		return nil, err
	}
	ids := make([]uuid.UUID, len(in))
	for i := range in {
		ids[i] = in[i].ID
	}
	all, err := standing(ctx, db, now, plans, ` where a.id = any (@ids) and a.ended_at is null`, map[string]any{"ids": ids})
	if err != nil {
		return nil, err
	}
	by := byID(all)
	out := make([]Explained, len(in))
	for i := range in {
		out[i].Item = in[i]
		if s := by[in[i].ID]; s != nil {
			out[i].Explanation, out[i].Today = due.Explain(&s.Due, s.Site, now), s.Site.Day(now)
			if s.Due.Mark != nil {
				out[i].Base = s.Site.Day(s.Due.Mark.At)
			}
		}
	}
	return out, nil
}

func standing(ctx context.Context, db *pgdb.DB, now time.Time, plans programme, where string, args map[string]any) ([]Standing, error) {
	rows, err := sys[assignmentRow](ctx, db, assignmentColumns+where, args)
	if err != nil {
		return nil, err
	}
	return load(ctx, db, now, plans, rows)
}

// Of is the plan that an assignment is of.
type Of struct {
	PlanID, VersionID, ProcedureID uuid.UUID
	Code, Title                    string
	AppliesTo                      string
	Basis                          string
	Criticality                    string
}

// Of gives the plan behind a standing.
func (s *Standing) Of() Of {
	p := s.plan
	return Of{p.ID, p.VersionID, p.ProcedureID, p.Code, p.Title, p.AppliesTo, p.Basis, p.Criticality}
}

// Standings gives all that is known of the assignments at some sites, for whoever
// looks further ahead, in a number of statements that does not grow with them.
// The caller has checked the actor's scope.
func Standings(ctx context.Context, db *pgdb.DB, now time.Time, sites []uuid.UUID) ([]Standing, error) {
	plans, err := programmeNow(ctx, db)
	if err != nil {
		return nil, err
	}
	return standing(ctx, db, now, plans, ` where a.site_id = any (@sites) and a.ended_at is null order by a.site_id, a.id`, map[string]any{"sites": sites})
}

// History is a completion as it is shown.
type History struct {
	ID           uuid.UUID
	RecordID     uuid.UUID
	SiteID       *uuid.UUID
	PositionCode string
	LineCode     string
	UnitTag      string
	AssignmentID *uuid.UUID
	PlanCode     string
	Title        string
	TaskID       *uuid.UUID
	TaskNumber   int64 // 0 without a task
	CoveredBy    *uuid.UUID
	CoveredTitle string // of the work that covered it
	DoneAt       time.Time
	DoneOn       time.Time
	Outcome      string
	Minutes      *int
	Remark       string
	DueOn        *time.Time
	LatestOn     *time.Time
	Says         string
	People       []string
	RecordedAt   time.Time
	RecordedBy   string
}

const histories = `
select c.id, c.record_id, c.site_id, coalesce(o.code, '') as position_code, coalesce(l.code, '') as line_code, coalesce(u.tag, '') as unit_tag, c.assignment_id, coalesce(p.code, '') as plan_code,
       coalesce(t.title, p.title, r.title, '') as title, c.task_id, coalesce(t.number, 0) as task_number, c.covered_by, coalesce(bp.title, br.title, '') as covered_title, c.done_at, c.done_on, c.outcome, c.minutes, c.remark,
       c.due_on, c.latest_on, c.says, array(select q.name from completion_person as q where q.completion_id = c.id order by q.ordinal)::text[] as people, c.recorded_at, coalesce(a.name, '') as recorded_by
  from completion as c
  left join position as o on o.id = c.position_id
  left join line as l on l.id = c.line_id
  left join unit as u on u.id = c.unit_id
  left join task as t on t.id = c.task_id
  left join assignment as n on n.id = c.assignment_id
  left join plan as p on p.id = n.plan_id
  left join procedure_version as v on v.id = c.procedure_version_id
  left join procedure as r on r.id = v.procedure_id
  left join completion as b on b.id = c.covered_by
  left join assignment as bn on bn.id = b.assignment_id
  left join plan as bp on bp.id = bn.plan_id
  left join procedure_version as bv on bv.id = b.procedure_version_id
  left join procedure as br on br.id = bv.procedure_id
  left join actor as a on a.id = c.recorded_by`

// HistoryFilter says of what the history is.
type HistoryFilter struct {
	AssignmentID *uuid.UUID
	SiteID       *uuid.UUID
	PositionID   *uuid.UUID
	UnitID       *uuid.UUID
	TaskID       *uuid.UUID
	RecordID     *uuid.UUID
	// TakenSince leaves what was recorded since then, and done no more than two weeks before; what
	// larger work covered is told by that.
	TakenSince *time.Time
}

// Histories lists what was done, the newest first. The key is the instant and the id.
func Histories(ctx context.Context, db *pgdb.DB, who access.Actor, f HistoryFilter, p Page) ([]History, error) {
	before, id := time.Date(9999, 1, 1, 0, 0, 0, 0, time.UTC), uuid.Max
	if p.After != "" {
		var err error
		at, key, _ := cutKey(p.After)
		if before, err = time.Parse(time.RFC3339Nano, at); err != nil {
			return nil, &fault.Error{Kind: fault.Malformed, Field: "after", Value: p.After, Msg: "is no place in this list"}
		}
		if id, err = uuid.Parse(key); err != nil {
			return nil, &fault.Error{Kind: fault.Malformed, Field: "after", Value: p.After, Msg: "is no place in this list"}
		}
	}
	q := histories + ` where (c.done_at, c.id) < (@before, @id)`
	for _, c := range []struct {
		narrows bool
		to      string
	}{
		{!who.Everywhere, `c.site_id = any (@sites)`},
		{f.AssignmentID != nil, `c.assignment_id = @assignment`},
		{f.SiteID != nil, `c.site_id = @site`},
		{f.PositionID != nil, `c.position_id = @position`},
		{f.UnitID != nil, `c.unit_id = @unit`},
		{f.TaskID != nil, `c.task_id = @task`},
		{f.RecordID != nil, `c.record_id = @record`},
		{f.TakenSince != nil, `c.recorded_at > @taken and c.done_at > cast(@taken as timestamptz) - interval '14 days' and c.covered_by is null`},
	} {
		if c.narrows {
			q += ` and ` + c.to
		}
	}
	return pgdb.Read[History](ctx, db, who.ID, q+` order by c.done_at desc, c.id desc limit @limit`, who.Scope(map[string]any{"before": before, "id": id, "limit": p.Limit, "assignment": f.AssignmentID,
		"site": f.SiteID, "position": f.PositionID, "unit": f.UnitID, "task": f.TaskID, "record": f.RecordID, "taken": f.TakenSince}))
}

func cutKey(key string) (at, id string, ok bool) {
	for i := len(key) - 1; i >= 0; i-- {
		if key[i] == ' ' {
			return key[:i], key[i+1:], true
		}
	}
	return key, "", false
}

// Key is the place of a completion in the list.
func (h History) Key() string { return h.DoneAt.UTC().Format(time.RFC3339Nano) + " " + h.ID.String() }

// GivenAnswer is an answer as it is on record.
type GivenAnswer struct {
	ID           uuid.UUID
	CompletionID uuid.UUID
	Code         string
	Prompt       string
	PositionID   *uuid.UUID
	PositionCode string
	At           time.Time
	FoundTyped   string
	LeftTyped    string
	Unit         string
	NotPossible  *string
	PhotoID      *uuid.UUID
	Note         string
	Verdict      string // good, warn, fail or not judged, by the limits of the version that was asked
	Says         string
	Then         string // what the procedure says is done where it fails, "" where it says nothing
	TaskID       *uuid.UUID
}

// Answers lists what was answered in records.
func Answers(ctx context.Context, db *pgdb.DB, who access.Actor, completions []uuid.UUID) ([]GivenAnswer, error) {
	return pgdb.Read[GivenAnswer](ctx, db, who.ID, `
select c.id, c.completion_id, c.code, k.prompt, c.position_id, coalesce(o.code, '') as position_code, c.at, c.found_typed, c.left_typed, k.unit, c.not_possible, c.photo_id, c.note, c.verdict, c.says, case when c.verdict = 'fail' then k.on_fail else '' end as "then", c.task_id
  from check_answer as c
  join procedure_check as k on k.id = c.check_id
  left join position as o on o.id = c.position_id
 where c.completion_id = any (@ids) and (@everywhere or c.site_id = any (@sites))
order by c.completion_id, o.code nulls first, k.seq`, who.Scope(map[string]any{"ids": completions}))
}

// Form is what a task asks of those who do it.
type Form struct {
	Task    Task
	Version *ProcedureVersion // nil for work without a procedure
	Checks  []Check           // of its own, which apply there
	Also    []AlsoCheck       // which larger work needs to be credited for what it covers
	Steps   []Placed          // which apply there, or of which nobody can tell
	// Positions of work at a line or a site, of which those that were done are ticked.
	Positions []FormPosition
}

// AlsoCheck is a check of covered work.
type AlsoCheck struct {
	Check
	Procedure string // its code
}

// FormPosition is a position of which larger work may say that it was done.
type FormPosition struct {
	ID     uuid.UUID
	Code   string
	Name   string
	Parked bool
}

// FormOf gives the form of a task.
func FormOf(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, id uuid.UUID) (Form, error) {
	t, err := OneTask(ctx, db, who, id)
	if err != nil {
		return Form{}, err
	}
	f := Form{Task: t}
	if t.ProcedureID == nil {
		return f, nil
	}
	edges, err := sys[edge](ctx, db, coverEdges, nil)
	if err != nil {
		return f, err
	}
	covered := coverage(edges).all(*t.ProcedureID)
	found, err := versionsWhere(ctx, db, access.System, ` where v.id in (select version_id from procedure_now where id = any (@ids)) order by p.code`, map[string]any{"ids": append([]uuid.UUID{*t.ProcedureID}, covered...)})
	if err != nil {
		return f, err
	}
	facts, err := factsOf(ctx, db, now, t)
	if err != nil {
		return f, err
	}
	answered := map[string]bool{}
	for i := range found {
		if found[i].ProcedureID == *t.ProcedureID {
			f.Version = &found[i]
		}
	}
	if f.Version == nil {
		return f, nil
	}
	for _, c := range f.Version.Checks {
		if applies(&c, facts) {
			f.Checks = append(f.Checks, c)
			answered[c.Code] = true
			for _, a := range c.Answers {
				answered[a] = true
			}
		}
	}
	for i := range found {
		if found[i].ProcedureID == *t.ProcedureID {
			continue
		}
		for _, c := range found[i].Checks {
			if !answered[c.Code] && applies(&c, facts) {
				answered[c.Code] = true
				f.Also = append(f.Also, AlsoCheck{c, found[i].Code})
			}
		}
	}
	steps, err := Unfolded(ctx, db, who, f.Version.ID)
	if err != nil {
		return f, err
	}
	for _, s := range steps {
		where, bad := condition.Parse(s.Condition, "condition")
		if bad != nil || where.Judge(facts).Verdict != condition.Fails {
			f.Steps = append(f.Steps, s)
		}
	}
	if t.PositionID == nil && t.SiteID != nil && len(covered) > 0 {
		f.Positions, err = pgdb.Read[FormPosition](ctx, db, who.ID, `
select id, code, name, state in ('parked', 'empty') as parked from position_now
 where site_id = @site and (cast(@line as uuid) is null or line_id = @line) and state <> 'retired' and (until is null or until > @now)
order by along_m nulls last, code`, map[string]any{"site": t.SiteID, "line": t.LineID, "now": now})
	}
	return f, err
}

// factsOf gives what is known of where a task is done.
func factsOf(ctx context.Context, db *pgdb.DB, now time.Time, t Task) (condition.Facts, error) {
	if t.SiteID == nil {
		return condition.Facts{}, nil
	}
	p := &Prepared{now: now, things: map[uuid.UUID]*thing{}, fitted: map[uuid.UUID][]fittedUnit{}, open: map[openKey]uuid.UUID{}}
	it := prepared{site: t.SiteID, line: t.LineID, position: t.PositionID, unit: t.UnitID}
	p.items = []prepared{it}
	if err := p.around(ctx, db, []Done{{At: now}}, []uuid.UUID{*t.SiteID}); err != nil {
		return nil, err
	}
	return p.facts(it, nil), nil
}

// Finding is something about planned work that somebody should look at.
type Finding struct {
	Kind         string // never done, no record, no total, no counter, no rate, quiet counter, no calendar, or fact nobody has
	Says         string
	AssignmentID *uuid.UUID
	PlanCode     string
	Title        string
	SiteID       *uuid.UUID
	PositionCode string
	UnitTag      string
}

// gaps says each gap in words, the gravest first.
var gaps = []struct {
	bit  due.Gap
	kind string
	says string
}{
	{due.NoMark, "no record", "nobody knows when this was last done; say it, and it counts from there"},
	{due.NoReading, "no counter", "no counter is read for what this plan counts"},
	{due.NoTotal, "no total", "what the counter stood at when this was last done is not known"},
	{due.NoRate, "no rate", "nobody knows how fast the counter runs: it was read too seldom"},
	{due.QuietMeter, "quiet counter", "the counter was not read for 45 days: read it"},
	{due.NoBackstop, "no calendar", "this plan counts use only; a silent counter makes it unknown"},
	{due.NeverDone, "never done", "never done since it was put in service"},
}

// Findings lists what is missing for judging work at a site, by assignment, and for
// the distributor's people the plans that ask for facts which nothing has.
func Findings(ctx context.Context, db *pgdb.DB, who access.Actor, site uuid.UUID, p Page) ([]Finding, error) {
	rows, err := pgdb.Read[Item](ctx, db, who.ID, items+` and a.site_id = @site and (@everywhere or `+ownNow+`) and a.gaps & @worth <> 0 and a.id::text > @after order by a.id::text limit @limit`,
		who.Scope(map[string]any{"site": site, "after": p.After, "limit": p.Limit, "worth": int(due.NoMark | due.NoReading | due.NoTotal | due.NoRate | due.QuietMeter | due.NoBackstop)}))
	if err != nil {
		return nil, err
	}
	var out []Finding
	for _, r := range rows {
		for _, g := range gaps {
			if due.Gap(r.Gaps)&g.bit != 0 && g.bit != due.NeverDone {
				out = append(out, Finding{g.kind, g.says, &r.ID, r.PlanCode, r.Title, r.SiteID, r.PositionCode, r.UnitTag})
				break
			}
		}
	}
	return out, nil
}

// PlanFindings lists the plans whose conditions ask for facts that nothing has.
func PlanFindings(ctx context.Context, db *pgdb.DB, who access.Actor) ([]Finding, error) {
	plans, err := programmeNow(ctx, db)
	if err != nil {
		return nil, err
	}
	had, err := pgdb.Read[struct{ Kinds, Classes, Facts, Had []string }](ctx, db, who.ID, vocabularyNow, nil)
	if err != nil {
		return nil, err
	}
	var out []Finding
	for _, p := range plans {
		for _, f := range p.where.Facts() {
			if !slices.Contains(had[0].Had, f) && !slices.Contains(ownFacts, f) {
				out = append(out, Finding{Kind: "fact nobody has", Says: "its condition asks for " + f + ", which is recorded of nothing: it is assigned nowhere", PlanCode: p.Code, Title: p.Title})
			}
		}
	}
	slices.SortFunc(out, func(a, b Finding) int { return compare(a.PlanCode, b.PlanCode) })
	return out, nil
}

func compare(a, b string) int {
	switch {
	case a < b:
		return -1
	case a > b:
		return 1
	}
	return 0
}

// CompletionSeen tells whether the actor sees a completion.
func CompletionSeen(ctx context.Context, db *pgdb.DB, who access.Actor, id uuid.UUID) error {
	_, err := pgdb.ReadOne[struct{ ID uuid.UUID }](ctx, db, who.ID, "record", id.String(), `select id from completion where id = @id and (@everywhere or site_id = any (@sites))`, who.Scope(map[string]any{"id": id}))
	return err
}
