package pm

import (
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
	"spindlebook/internal/pm/due"
)

// Task is work that is to be done, or was.
type Task struct {
	ID           uuid.UUID
	Number       int64
	SiteID       *uuid.UUID
	SiteCode     string
	LineID       *uuid.UUID
	LineCode     string
	PositionID   *uuid.UUID
	PositionCode string
	UnitID       *uuid.UUID
	UnitTag      string
	AssignmentID *uuid.UUID
	PlanCode     string
	ProcedureID  *uuid.UUID
	Origin       string // plan, check, fault or hand
	Title        string
	Says         string // why it was raised
	Criticality  string
	DueOn        time.Time // the first day on which it fell due
	EarliestOn   time.Time
	LatestOn     time.Time
	Missed       int // dates that came after it
	PlannedOn    *time.Time
	State        string // open, done, covered, skipped, missed, cancelled or gone
	RaisedAt     time.Time
	ChangedAt    time.Time // when its version was counted up last
	EndedAt      *time.Time
	EndedBy      string
	EndedWhy     string
	SkippedUntil *time.Time
	People       int // that it takes; 0 where it has no procedure
	Skills       []string
	Minutes      int
	LineState    string
	Version      int
}

const tasks = `
select t.id, t.number, t.site_id, coalesce(s.code, '') as site_code, t.line_id, coalesce(l.code, '') as line_code, t.position_id, coalesce(o.code, '') as position_code,
       t.unit_id, coalesce(u.tag, '') as unit_tag, t.assignment_id, coalesce(q.code, '') as plan_code, t.procedure_id, t.origin, t.title, t.says, t.criticality,
       t.due_on, t.earliest_on, t.latest_on, t.missed, t.planned_on, t.state, t.raised_at, t.changed_at, t.ended_at, coalesce(e.name, '') as ended_by, t.ended_why, t.skipped_until,
       coalesce(p.people, 0)::integer as people, coalesce(p.skills, '{}') as skills, coalesce(p.minutes_typical, 0) as minutes, coalesce(p.line_state, '') as line_state, t.version
  from task as t
  left join site as s on s.id = t.site_id
  left join line as l on l.id = t.line_id
  left join position as o on o.id = t.position_id
  left join unit as u on u.id = t.unit_id
  left join assignment as a on a.id = t.assignment_id
  left join plan as q on q.id = a.plan_id
  left join actor as e on e.id = t.ended_by
  left join procedure_now as p on p.id = t.procedure_id`

// TaskFilter narrows a list; a nil field does not.
type TaskFilter struct {
	SiteID     *uuid.UUID
	LineID     *uuid.UUID
	PositionID *uuid.UUID
	UnitID     *uuid.UUID
	State      string         // "" is open
	By         *calendar.Date // due by
}

// Tasks lists tasks by the day on which they fell due; the key of the list is that
// day and the id, "2026-03-05 …".
func Tasks(ctx context.Context, db *pgdb.DB, who access.Actor, f TaskFilter, p Page) ([]Task, error) {
	state := f.State
	if state == "" {
		state = "open"
	}
	if !slices.Contains(taskStates, state) {
		return nil, fault.Field("state", state, "is one of %s", strings.Join(taskStates, ", "))
	}
	day, id, err := dayKey(p.After)
	if err != nil {
		return nil, err
	}
	args := who.Scope(map[string]any{"state": state, "day": day, "after": id, "limit": p.Limit, "site": f.SiteID, "line": f.LineID, "position": f.PositionID, "unit": f.UnitID})
	q := tasks + ` where t.state = @state and (t.due_on, t.id) > (@day, @after)`
	for _, c := range []struct {
		narrows bool
		to      string
	}{
		{!who.Everywhere, `t.site_id = any (@sites)`},
		{f.SiteID != nil, `t.site_id = @site`},
		{f.LineID != nil, `t.line_id = @line`},
		{f.PositionID != nil, `t.position_id = @position`},
		{f.UnitID != nil, `t.unit_id = @unit`},
		{f.By != nil, `t.due_on <= @by`},
	} {
		if c.narrows {
			q += ` and ` + c.to
		}
	}
	if f.By != nil {
		args["by"] = f.By.UTC()
	}
	return pgdb.Read[Task](ctx, db, who.ID, q+` order by t.due_on, t.id limit @limit`, args)
}

var taskStates = []string{"open", "done", "covered", "skipped", "missed", "cancelled", "gone"}

// dayKey reads the key of a list by day.
func dayKey(key string) (time.Time, uuid.UUID, error) {
	if key == "" {
		return time.Date(1, 1, 1, 0, 0, 0, 0, time.UTC), uuid.Nil, nil
	}
	day, id, _ := strings.Cut(key, " ")
	d, bad := calendar.ParseDate(day, "after")
	u, err := uuid.Parse(id)
	if bad != nil || err != nil {
		return time.Time{}, uuid.Nil, &fault.Error{Kind: fault.Malformed, Field: "after", Value: key, Msg: "is no place in this list"}
	}
	return d.UTC(), u, nil
}

// Key is the place of a task in the list.
func (t Task) Key() string { return t.DueOn.Format(time.DateOnly) + " " + t.ID.String() }

// OneTask gives a task.
func OneTask(ctx context.Context, db *pgdb.DB, who access.Actor, id uuid.UUID) (Task, error) {
	return pgdb.ReadOne[Task](ctx, db, who.ID, "task", id.String(), tasks+` where t.id = @id and (@everywhere or t.site_id = any (@sites))`, who.Scope(map[string]any{"id": id}))
}

// NewTask is work that somebody raises by hand.
type NewTask struct {
	SiteID      *uuid.UUID
	LineID      *uuid.UUID
	PositionID  *uuid.UUID
	UnitID      *uuid.UUID
	Procedure   string // its code; "" for work without one
	Title       string // "" takes the procedure's
	Says        string
	Criticality string
	DueOn       calendar.Date
	LatestOn    calendar.Date // 0 is the day on which it is due
	Origin      string        // "" is hand; fault for the reports of faults
}

// RaiseTask raises a task by hand.
func RaiseTask(tx *gorm.DB, who access.Actor, now time.Time, in NewTask) (uuid.UUID, error) {
	if in.Origin != "fault" || !who.May(access.ReportFault) {
		if err := who.Must(access.Plan); err != nil && !who.May(access.RecordWork) {
			return uuid.Nil, err
		}
	}
	switch {
	case in.SiteID == nil && in.UnitID == nil:
		return uuid.Nil, fault.Field("site_id", "", "is needed, or the unit in stock that the work is for")
	case in.DueOn == 0:
		return uuid.Nil, fault.Field("due_on", "", "is needed: the day by which it is to be done")
	case in.LatestOn != 0 && in.LatestOn < in.DueOn:
		return uuid.Nil, fault.Field("latest_on", in.LatestOn, "must not lie before the day on which it is due")
	case in.Criticality == "S" && in.LatestOn > in.DueOn:
		return uuid.Nil, fault.Field("latest_on", in.LatestOn, "is the due day for criticality S: safety and legal work has no late window")
	}
	last := max(in.DueOn, in.LatestOn)
	var procedure *uuid.UUID
	title := strings.TrimSpace(in.Title)
	if in.Procedure != "" {
		found, err := read[struct {
			ID    uuid.UUID
			Title string
		}](tx, `select id, title from procedure where code = @code and not is_block`, map[string]any{"code": in.Procedure})
		if err != nil {
			return uuid.Nil, err
		}
		if len(found) == 0 {
			return uuid.Nil, fault.Field("procedure", in.Procedure, "names no procedure")
		}
		procedure = &found[0].ID
		if title == "" {
			title = found[0].Title
		}
	}
	if in.Origin == "" {
		in.Origin = "hand"
	}
	id := pgdb.NewID()
	return id, tx.Exec(`
insert into task (id, site_id, line_id, position_id, unit_id, procedure_id, origin, title, says, criticality, due_on, earliest_on, latest_on, raised_at, raised_by)
values (@id, @site, @line, @position, @unit, @procedure, @origin, @title, @says, @criticality, @due, least(cast(@due as date), cast(@now as date)), @latest, @now, @who)`,
		map[string]any{"id": id, "site": in.SiteID, "line": in.LineID, "position": in.PositionID, "unit": in.UnitID, "procedure": procedure, "origin": in.Origin, "title": title, "says": strings.TrimSpace(in.Says),
			"criticality": in.Criticality, "due": in.DueOn.UTC(), "latest": last.UTC(), "now": now, "who": who.ID}).Error
}

// DoBy says by which procedure an open task is done that came without one.
func DoBy(tx *gorm.DB, who access.Actor, task, procedure uuid.UUID) error {
	if err := who.Must(access.RecordWork); err != nil {
		return err
	}
	return tx.Exec(`update task set procedure_id = ?, version = version + 1 where id = ? and procedure_id is null and state = 'open'`, procedure, task).Error
}

// PlanTask says on which day a task is meant to be done; 0 takes that back. It
// moves no due date.
func PlanTask(tx *gorm.DB, who access.Actor, id uuid.UUID, version int, on calendar.Date) error {
	if err := who.Must(access.Plan); err != nil {
		return err
	}
	t, err := openTask(tx, id, version)
	if err != nil {
		return err
	}
	if t.Criticality == string(due.S) && on > dayOf(&t.LatestOn) && dayOf(&t.LatestOn) != 0 {
		return fault.Field("planned_on", on, "is at the latest %s: work of criticality S (safety, legal) is never put later", dayOf(&t.LatestOn))
	}
	return tx.Exec(`update task set planned_on = @on, version = version + 1 where id = @id`, map[string]any{"on": date(on), "id": id}).Error
}

type openRow struct {
	ID           uuid.UUID
	AssignmentID *uuid.UUID
	Criticality  string
	Title        string
	State        string
	LatestOn     time.Time
	Version      int
	Zone         *string
	TurnsAt      *string
}

// openTask locks a task that is still open and at the version that the caller saw.
func openTask(tx *gorm.DB, id uuid.UUID, version int) (openRow, error) {
	rows, err := read[openRow](tx, `
select t.id, t.assignment_id, t.criticality, t.title, t.state, t.latest_on, t.version, s.zone, to_char(s.day_turns_at, 'HH24:MI') as turns_at
  from task as t left join site as s on s.id = t.site_id
 where t.id = @id for update of t`, map[string]any{"id": id})
	if err != nil {
		return openRow{}, err
	}
	switch {
	case len(rows) == 0:
		return openRow{}, fault.Missing("task", id.String())
	case rows[0].State != "open":
		return openRow{}, &fault.Error{Kind: fault.Conflict, Field: "task", Value: rows[0].Title, Msg: "has ended already: it is " + rows[0].State}
	case rows[0].Version != version:
		return openRow{}, fault.Outdated("task", version, rows[0].Version)
	}
	return rows[0], nil
}

// place gives where the task's days are counted.
func (t openRow) place() (*due.Site, error) {
	p := &due.Site{Place: calendar.Place{Zone: time.UTC, Turns: 3 * time.Hour}}
	if t.Zone == nil {
		return p, nil
	}
	zone, err := time.LoadLocation(*t.Zone)
	if err != nil {
		return nil, fmt.Errorf("the zone of a site: %w", err)
	}
	at, err := time.Parse("15:04", *t.TurnsAt)
	if err != nil {
		return nil, fmt.Errorf("the hour at which the day of a site turns: %w", err)
	}
	p.Zone, p.Turns = zone, time.Duration(at.Hour())*time.Hour+time.Duration(at.Minute())*time.Minute
	return p, nil
}

// mayPutOff tells whether the actor may say when a task is done: the distributor's
// people of all of them, a site's own staff of what is theirs to do.
func mayPutOff(tx *gorm.DB, who access.Actor, id uuid.UUID) error {
	if who.May(access.RecordWork) || who.May(access.Plan) {
		return nil
	}
	if err := who.Must(access.DoRounds); err != nil {
		return err
	}
	rows, err := read[struct{ Own bool }](tx, `
select coalesce(p.skills <@ array['OP'] and cardinality(p.skills) > 0, false) as own from task as t left join procedure_now as p on p.id = t.procedure_id where t.id = @id`, map[string]any{"id": id})
	if err == nil && len(rows) > 0 && !rows[0].Own {
		err = who.Must(access.RecordWork)
	}
	return err
}

// SkipTask puts the work of a plan off until a day, with the person and the reason.
// It is no completion: it resets nothing, and the work comes back by itself. Never
// work of criticality S. It gives the assignment, to be judged again.
func SkipTask(tx *gorm.DB, who access.Actor, now time.Time, id uuid.UUID, version int, until calendar.Date, reason string) (uuid.UUID, error) {
	if err := mayPutOff(tx, who, id); err != nil {
		return uuid.Nil, err
	}
	t, err := openTask(tx, id, version)
	if err != nil {
		return uuid.Nil, err
	}
	if t.AssignmentID == nil {
		return uuid.Nil, &fault.Error{Kind: fault.Conflict, Field: "task", Value: t.Title, Msg: "comes of no plan and so does not come back; cancel it"}
	}
	if strings.TrimSpace(reason) == "" {
		return uuid.Nil, fault.Field("reason", reason, "must not be blank")
	}
	place, err := t.place()
	if err != nil {
		return uuid.Nil, err
	}
	if t.Criticality == string(due.S) {
		return uuid.Nil, fault.Field("until", until, "work of criticality S (safety, legal) cannot be skipped; it stays on top until it is done")
	}
	schedule, err := due.New(due.Plan{Triggers: []due.Trigger{due.EachOperatingDay{}}, Basis: due.Floating, Criticality: due.Criticality(t.Criticality)})
	if err != nil {
		return uuid.Nil, err
	}
	if _, err := due.Skip(due.Assignment{Schedule: schedule}, place, until, now); err != nil {
		return uuid.Nil, err
	}
	v := map[string]any{"id": id, "assignment": t.AssignmentID, "until": until.UTC(), "why": strings.TrimSpace(reason), "now": now, "who": who.ID}
	if err := tx.Exec(`select from assignment where id = @assignment for update`, v).Error; err != nil {
		return uuid.Nil, err
	}
	if err := tx.Exec(`
update task set state = 'skipped', skipped_until = @until, ended_at = @now, ended_by = @who, ended_why = @why, version = version + 1 where id = @id`, v).Error; err != nil {
		return uuid.Nil, err
	}
	return *t.AssignmentID, tx.Exec(`
update assignment set skipped_until = @until, task_id = null, opens_at = null, changed = greatest(changed, 1), revision = revision + 1 where id = @assignment`, v).Error
}

// ResumeTask takes back that work was put off: its task is open again, and it falls
// due as if nobody had put it off. It gives the assignment, to be judged again.
func ResumeTask(tx *gorm.DB, who access.Actor, id uuid.UUID) (uuid.UUID, error) {
	if err := mayPutOff(tx, who, id); err != nil {
		return uuid.Nil, err
	}
	rows, err := read[struct {
		AssignmentID *uuid.UUID
		Title, State string
	}](tx, `select assignment_id, title, state from task where id = @id for update`, map[string]any{"id": id})
	switch {
	case err != nil:
		return uuid.Nil, err
	case len(rows) == 0:
		return uuid.Nil, fault.Missing("task", id.String())
	case rows[0].State != "skipped":
		return uuid.Nil, &fault.Error{Kind: fault.Conflict, Field: "task", Value: rows[0].Title, Msg: "was not put off: it is " + rows[0].State}
	}
	of := *rows[0].AssignmentID
	r := tx.Exec(`
update assignment as a
   set skipped_until = null, task_id = t.id, changed = greatest(a.changed, 1), revision = a.revision + 1
  from task as t
 where a.id = @assignment and t.id = @task and a.ended_at is null and a.task_id is null and a.skipped_until = t.skipped_until`, map[string]any{"assignment": of, "task": id})
	if r.Error != nil {
		return uuid.Nil, r.Error
	}
	if r.RowsAffected == 0 {
		return uuid.Nil, &fault.Error{Kind: fault.Conflict, Field: "task", Value: rows[0].Title, Msg: "is put off no more: it came back, was done since, or has ended"}
	}
	return of, tx.Exec(`update task set state = 'open', skipped_until = null, ended_at = null, ended_by = null, ended_why = '', version = version + 1 where id = ?`, id).Error
}

// CancelTask ends a task that comes of no plan, with the person and the reason.
func CancelTask(tx *gorm.DB, who access.Actor, now time.Time, id uuid.UUID, version int, reason string) error {
	if err := who.Must(access.Plan); err != nil {
		return err
	}
	t, err := openTask(tx, id, version)
	if err != nil {
		return err
	}
	if t.AssignmentID != nil {
		return &fault.Error{Kind: fault.Conflict, Field: "task", Value: t.Title, Msg: "comes of a plan and would be raised again; put it off until a day, or end the plan"}
	}
	if strings.TrimSpace(reason) == "" {
		return fault.Field("reason", reason, "must not be blank")
	}
	return tx.Exec(`update task set state = 'cancelled', ended_at = @now, ended_by = @who, ended_why = @why, version = version + 1 where id = @id`,
		map[string]any{"id": id, "now": now, "who": who.ID, "why": strings.TrimSpace(reason)}).Error
}

// Note is what the distributor's people tell each other about a task.
type Note struct {
	ID        uuid.UUID
	Body      string
	WrittenAt time.Time
	WrittenBy string
}

// Notes lists the notes on a task, the newest first, for those who may see what is internal.
func Notes(ctx context.Context, db *pgdb.DB, who access.Actor, task uuid.UUID) ([]Note, error) {
	if err := who.Must(access.SeeInternal); err != nil {
		return nil, err
	}
	return pgdb.Read[Note](ctx, db, who.ID, `
select n.id, n.body, n.written_at, coalesce(a.name, '') as written_by from task_note as n left join actor as a on a.id = n.written_by
 where n.task_id = @task order by n.written_at desc, n.id`, map[string]any{"task": task})
}

// AddNote adds a note to a task.
func AddNote(tx *gorm.DB, who access.Actor, now time.Time, task uuid.UUID, body string) (uuid.UUID, error) {
	if err := who.Must(access.SeeInternal); err != nil {
		return uuid.Nil, err
	}
	found, err := read[struct {
		ID     uuid.UUID
		SiteID *uuid.UUID
	}](tx, `select id, site_id from task where id = @id`, map[string]any{"id": task})
	if err != nil {
		return uuid.Nil, err
	}
	if len(found) == 0 {
		return uuid.Nil, fault.Missing("task", task.String())
	}
	id := pgdb.NewID()
	return id, tx.Exec(`insert into task_note (id, task_id, site_id, body, written_at, written_by) values (@id, @task, @site, @body, @now, @who)`,
		map[string]any{"id": id, "task": task, "site": found[0].SiteID, "body": strings.TrimSpace(body), "now": now, "who": who.ID}).Error
}
