package visits

import (
	"cmp"
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
)

// Hours are when a visit is: on an operating day of its site, from a time of day
// there. A time before the day turns belongs to the night after that day.
type Hours struct {
	On      calendar.Date
	Starts  string // HH:MM
	Minutes int
}

// span gives the instants.
func (h Hours) span(p calendar.Place) (from, until time.Time, err error) {
	at, bad := clock(h.Starts)
	var faults []*fault.Error
	if h.On <= 0 {
		faults = append(faults, fault.Field("on", "", "is the day of the visit"))
	}
	if bad != nil {
		faults = append(faults, fault.Field("starts", h.Starts, "is a time of day at the site, HH:MM"))
	}
	if h.Minutes < 1 || h.Minutes > 1440 {
		faults = append(faults, fault.Field("minutes", h.Minutes, "lies between 1 and 1440"))
	}
	if err := fault.Collect(faults...); err != nil {
		return from, until, err
	}
	day := h.On
	if at < p.Turns {
		day++
	}
	from = calendar.Local(day, at, p.Zone)
	return from, from.Add(time.Duration(h.Minutes) * time.Minute), nil
}

// Going says who goes, and for which part of the hours: all of them where Starts
// is "".
type Going struct {
	PersonID uuid.UUID
	Starts   string // HH:MM
	Minutes  int
}

// Doing says what is done on a visit, and in which way where there are several.
type Doing struct {
	TaskID uuid.UUID
	Method string
	Moved  bool // from the visit that it is on
}

// New is what it takes to plan a visit.
type New struct {
	SiteID uuid.UUID
	Hours
	Proposed bool // nobody is booked yet
	Locked   bool
	VanID    *uuid.UUID
	People   []Going
	Tasks    []Doing
	// Saying is what accepting a proposal saves; of visits that come of grouping only.
	Saying string
	origin string
}

const (
	mostPeople = 20
	mostTasks  = 200
)

// Add plans a visit.
func Add(tx *gorm.DB, who access.Actor, now time.Time, in New) (uuid.UUID, error) {
	if err := who.Must(access.Plan); err != nil {
		return uuid.Nil, err
	}
	return add(tx, who, now, in)
}

func add(tx *gorm.DB, who access.Actor, now time.Time, in New) (uuid.UUID, error) {
	site, err := pgdb.One[struct{ Zone, TurnsAt string }](tx, "site", in.SiteID.String(),
		`select zone, to_char(day_turns_at, 'HH24:MI') as turns_at from site where id = @id`, map[string]any{"id": in.SiteID})
	if err != nil {
		return uuid.Nil, err
	}
	p, err := place(site.Zone, site.TurnsAt)
	if err != nil {
		return uuid.Nil, err
	}
	h := head{ID: pgdb.NewID(), SiteID: in.SiteID, Zone: site.Zone, TurnsAt: site.TurnsAt, State: Planned}
	if in.Proposed {
		h.State = Proposed
	}
	if err := h.on(p, now, in.Hours); err != nil {
		return uuid.Nil, err
	}
	if err := van(tx, h, in.VanID); err != nil {
		return uuid.Nil, err
	}
	if in.origin == "" {
		in.origin = "hand"
	}
	err = tx.Exec(`
insert into visit (id, site_id, state, origin, on_date, starts_at, ends_at, locked, van_id, made_at, made_by)
values (@id, @site, @state, @origin, @on, @from, @until, @locked, @van, @now, @who)`,
		map[string]any{"id": h.ID, "site": h.SiteID, "state": h.State, "origin": in.origin, "on": h.OnDate, "from": h.StartsAt, "until": h.EndsAt, "locked": in.Locked,
			"van": in.VanID, "now": now, "who": who.ID}).Error
	if err != nil {
		return uuid.Nil, err
	}
	if err := people(tx, h, p, in.People); err != nil {
		return uuid.Nil, err
	}
	if in.Saying != "" {
		err := tx.Exec(`insert into visit_saving (id, visit_id, site_id, says, said_at) values (?, ?, ?, ?, ?)`, pgdb.NewID(), h.ID, h.SiteID, in.Saying, now).Error
		if err != nil {
			return uuid.Nil, err
		}
	}
	return h.ID, tasks(tx, who, now, h, p, in.Tasks)
}

// on puts a visit on its day, which is not past.
func (h *head) on(p calendar.Place, now time.Time, in Hours) error {
	from, until, err := in.span(p)
	if err != nil {
		return err
	}
	if today := p.Day(now); in.On < today {
		return fault.Field("on", in.On, "is today at the site (%s) or later", today)
	}
	h.OnDate, h.StartsAt, h.EndsAt = in.On.UTC(), from, until
	return nil
}

// van looks whether there is such a van, and whether it is free.
func van(tx *gorm.DB, h head, id *uuid.UUID) error {
	if id == nil {
		return nil
	}
	rows, err := read[struct {
		Kind   string
		Number *int64
		Site   *string
	}](tx, `
select l.kind, v.number, s.code as site
  from location as l
  left join visit as v on v.van_id = l.id and v.id <> @visit and v.state in ('planned', 'under_way') and tstzrange(v.starts_at, v.ends_at) && tstzrange(@from, @until) and @books
  left join site as s on s.id = v.site_id
 where l.id = @van order by v.number limit 1`, map[string]any{"van": *id, "visit": h.ID, "from": h.StartsAt, "until": h.EndsAt, "books": h.State != Proposed})
	switch {
	case err != nil:
		return err
	case len(rows) == 0 || rows[0].Kind != "van":
		return fault.Field("van_id", id.String(), "names no van")
	case rows[0].Number != nil:
		return &fault.Error{Kind: fault.Conflict, Field: "van_id", Value: id.String(), Msg: fmt.Sprintf("is on visit %d to %s in those hours", *rows[0].Number, *rows[0].Site)}
	}
	return nil
}

type goer struct {
	ID       uuid.UUID `json:"id"`
	PersonID uuid.UUID `json:"person_id"`
	From     time.Time `json:"from"`
	Until    time.Time `json:"until"`
}

// people makes those who go on a visit the ones given.
func people(tx *gorm.DB, h head, p calendar.Place, in []Going) error {
	if len(in) > mostPeople {
		return fault.Field("people", len(in), "are at most %d", mostPeople)
	}
	rows := make([]goer, len(in))
	var faults []*fault.Error
	for i, g := range in {
		rows[i] = goer{pgdb.NewID(), g.PersonID, h.StartsAt, h.EndsAt}
		if slices.ContainsFunc(in[:i], func(o Going) bool { return o.PersonID == g.PersonID }) {
			faults = append(faults, fault.Field(fmt.Sprintf("people[%d].person_id", i), g.PersonID.String(), "is named twice"))
		}
		if g.Starts == "" {
			continue
		}
		from, until, err := Hours{dayOf(h.OnDate), g.Starts, g.Minutes}.span(p)
		if err != nil || from.Before(h.StartsAt) || until.After(h.EndsAt) {
			faults = append(faults, fault.Field(fmt.Sprintf("people[%d].starts", i), g.Starts, "and minutes lie within the visit's own hours, %s to %s", h.StartsAt.In(p.Zone).Format("15:04"), h.EndsAt.In(p.Zone).Format("15:04")))
			continue
		}
		rows[i].From, rows[i].Until = from, until
	}
	if err := fault.Collect(faults...); err != nil {
		return err
	}
	v := map[string]any{"visit": h.ID, "site": h.SiteID, "rows": document(rows), "booked": h.State != Proposed}
	if err := tx.Exec(`delete from visit_person where visit_id = @visit`, v).Error; err != nil {
		return err
	}
	if len(in) == 0 {
		return nil
	}
	if err := free(tx, v); err != nil {
		return err
	}
	return tx.Exec(`
insert into visit_person (id, visit_id, site_id, person_id, during, booked)
select id, @visit, @site, person_id, tstzrange("from", until), @booked
  from jsonb_to_recordset(cast(@rows as jsonb)) as r(id uuid, person_id uuid, "from" timestamptz, until timestamptz)`, v).Error
}

// free looks whether those who go are people of ours and go nowhere else in those
// hours. Two plans in one instant still meet the constraint.
func free(tx *gorm.DB, v map[string]any) error {
	rows, err := read[struct {
		Place  int
		Name   *string
		Number *int64
		Site   *string
	}](tx, `
select r.place::integer as place, a.name, o.number, s.code as site
  from jsonb_array_elements(cast(@rows as jsonb)) with ordinality as r(it, place)
  left join actor as a on a.id = cast(r.it ->> 'person_id' as uuid) and a.kind = 'person' and a.customer_id is null and a.disabled_at is null
  left join visit_person as q on q.person_id = a.id and q.booked and @booked and q.visit_id <> @visit
       and q.during && tstzrange(cast(r.it ->> 'from' as timestamptz), cast(r.it ->> 'until' as timestamptz))
  left join visit as o on o.id = q.visit_id
  left join site as s on s.id = o.site_id
 where a.id is null or o.id is not null
order by 1, 3`, v)
	if err != nil {
		return err
	}
	var faults []*fault.Error
	for _, r := range rows {
		field := fmt.Sprintf("people[%d].person_id", r.Place-1)
		if r.Name == nil {
			faults = append(faults, fault.Field(field, "", "names nobody of ours who has an account"))
			continue
		}
		faults = append(faults, &fault.Error{Kind: fault.Conflict, Field: field, Value: *r.Name, Msg: fmt.Sprintf("%s is on visit %d to %s in those hours", *r.Name, *r.Number, *r.Site)})
	}
	return fault.Collect(faults...)
}

type doer struct {
	ID     uuid.UUID `json:"id"`
	TaskID uuid.UUID `json:"task_id"`
	Method string    `json:"method"`
}

// tasks puts tasks on a visit, after those that are on it.
func tasks(tx *gorm.DB, who access.Actor, now time.Time, h head, p calendar.Place, in []Doing) error {
	if len(in) == 0 {
		return nil
	}
	if len(in) > mostTasks {
		return fault.Field("tasks", len(in), "are at most %d", mostTasks)
	}
	rows, ids, moved := make([]doer, len(in)), make([]uuid.UUID, len(in)), []uuid.UUID{}
	for i, d := range in {
		rows[i], ids[i] = doer{pgdb.NewID(), d.TaskID, strings.TrimSpace(d.Method)}, d.TaskID
		if d.Moved {
			moved = append(moved, d.TaskID)
		}
	}
	if err := doable(tx, h, p.Day(now), in, ids); err != nil {
		return err
	}
	v := map[string]any{"visit": h.ID, "site": h.SiteID, "rows": document(rows), "tasks": &ids, "moved": &moved, "on": h.OnDate, "now": now, "who": who.ID}
	for _, q := range []string{`
with away as (
  update visit_task set ended_at = @now, ended_how = 'moved' where task_id = any (@moved) and ended_at is null returning visit_id
)
update visit set version = version + 1 where id in (select visit_id from away) and id <> @visit`, `
insert into visit_task (id, visit_id, site_id, task_id, ordinal, method, added_at, added_by)
select r.id, @visit, @site, r.task_id, coalesce((select max(t.ordinal) from visit_task as t where t.visit_id = @visit), 0) + r.place, r.method, @now, @who
  from rows from (jsonb_to_recordset(cast(@rows as jsonb)) as (id uuid, task_id uuid, method text)) with ordinality as r(id, task_id, method, place)`, planOn} {
		if err := tx.Exec(q, v).Error; err != nil {
			return err
		}
	}
	return nil
}

// planOn keeps beside the tasks on which day they are meant to be done.
const planOn = `update task set planned_on = @on, version = version + 1 where id = any (@tasks) and state = 'open' and planned_on is distinct from cast(@on as date)`

// doable holds tasks against the visit that they are put on.
func doable(tx *gorm.DB, h head, today calendar.Date, in []Doing, ids []uuid.UUID) error {
	type row struct {
		ID          uuid.UUID
		SiteID      *uuid.UUID
		Title       string
		State       string
		Criticality string
		LatestOn    time.Time
		OnVisit     *uuid.UUID
		OnNumber    *int64
		OnState     *string
		Methods     string // of its procedure, each between two spaces
	}
	// in one order for everybody, and first: what else is read must be as it is then
	if err := tx.Exec(`select from task where id = any (@tasks) order by id for update`, map[string]any{"tasks": &ids}).Error; err != nil {
		return err
	}
	rows, err := read[row](tx, `
select t.id, t.site_id, t.title, t.state, t.criticality, t.latest_on, v.id as on_visit, v.number as on_number, v.state as on_state,
       coalesce((select ' ' || string_agg(o.code, ' ' order by o.ordinal) || ' ' from procedure_option as o where o.version_id = q.version_id), '') as methods
  from task as t
  left join procedure_now as q on q.id = t.procedure_id
  left join visit_task as w on w.task_id = t.id and w.ended_at is null
  left join visit as v on v.id = w.visit_id
 where t.id = any (@tasks)`, map[string]any{"tasks": &ids})
	if err != nil {
		return err
	}
	byID := map[uuid.UUID]row{}
	for _, r := range rows {
		byID[r.ID] = r
	}
	var faults []*fault.Error
	for i, d := range in {
		t, known := byID[d.TaskID]
		bad := func(kind fault.Kind, field, value, format string, args ...any) {
			faults = append(faults, &fault.Error{Kind: kind, Field: fmt.Sprintf("tasks[%d].%s", i, field), Value: value, Msg: fmt.Sprintf(format, args...)})
		}
		switch {
		case !known:
			bad(fault.Invalid, "task_id", d.TaskID.String(), "names no task")
		case slices.Contains(ids[:i], d.TaskID):
			bad(fault.Invalid, "task_id", t.Title, "is named twice")
		case t.SiteID == nil || *t.SiteID != h.SiteID:
			bad(fault.Invalid, "task_id", t.Title, "is work at another place; a visit is to one site")
		case t.State != "open":
			bad(fault.Conflict, "task_id", t.Title, "has ended already: it is %s", t.State)
		case t.OnVisit != nil && *t.OnVisit == h.ID:
			bad(fault.Conflict, "task_id", t.Title, "is on this visit already")
		case t.OnVisit != nil && !d.Moved:
			bad(fault.Conflict, "task_id", t.Title, "is on visit %d; say that it moves", *t.OnNumber)
		case t.OnVisit != nil && *t.OnState == UnderWay:
			bad(fault.Conflict, "task_id", t.Title, "is on visit %d, which is under way", *t.OnNumber)
		case tooLate(t.Criticality, dayOf(t.LatestOn), dayOf(h.OnDate), today):
			bad(fault.Invalid, "task_id", t.Title, "is safety or legal work, due by %s: it is never put later", dayOf(t.LatestOn).Words())
		case d.Method != "" && !strings.Contains(t.Methods, " "+d.Method+" "):
			bad(fault.Invalid, "method", d.Method, "is one of: %s", cmp.Or(strings.Join(strings.Fields(t.Methods), ", "), "none, there is one way to do it"))
		}
	}
	return fault.Collect(faults...)
}

// tooLate tells whether safety or legal work would be put later than it is due. What is
// late already goes as soon as somebody can.
func tooLate(criticality string, latest, on, today calendar.Date) bool {
	return criticality == "S" && on > latest && latest >= today
}

// Edit is what of a visit can be changed while nobody has left for it.
type Edit struct {
	Hours
	Locked bool
	VanID  *uuid.UUID
	People []Going
}

// Change changes when a visit is, who goes and with which van.
func Change(tx *gorm.DB, who access.Actor, now time.Time, id uuid.UUID, version int, in Edit) error {
	if err := who.Must(access.Plan); err != nil {
		return err
	}
	h, err := hold(tx, id, &version, Proposed, Planned)
	if err != nil {
		return err
	}
	p, err := place(h.Zone, h.TurnsAt)
	if err != nil {
		return err
	}
	was := h.OnDate
	if err := h.on(p, now, in.Hours); err != nil {
		return err
	}
	if err := van(tx, h, in.VanID); err != nil {
		return err
	}
	// nobody is booked while the hours change
	if err := people(tx, h, p, nil); err != nil {
		return err
	}
	v := map[string]any{"id": h.ID, "on": h.OnDate, "from": h.StartsAt, "until": h.EndsAt, "locked": in.Locked, "van": in.VanID}
	err = tx.Exec(`
update visit set on_date = @on, starts_at = @from, ends_at = @until, locked = @locked, van_id = @van, version = version + 1 where id = @id`, v).Error
	if err != nil {
		return err
	}
	if err := people(tx, h, p, in.People); err != nil {
		return err
	}
	if was.Equal(h.OnDate) {
		return nil
	}
	return moveTasks(tx, h, p.Day(now))
}

// moveTasks takes the tasks of a visit along to its new day.
func moveTasks(tx *gorm.DB, h head, today calendar.Date) error {
	rows, err := read[struct {
		TaskID      uuid.UUID
		Title       string
		Criticality string
		LatestOn    time.Time
	}](tx, `
select t.id as task_id, t.title, t.criticality, t.latest_on
  from visit_task as w join task as t on t.id = w.task_id
 where w.visit_id = @id and w.ended_at is null order by w.ordinal for update of t`, map[string]any{"id": h.ID})
	if err != nil {
		return err
	}
	ids := []uuid.UUID{}
	for _, r := range rows {
		if tooLate(r.Criticality, dayOf(r.LatestOn), dayOf(h.OnDate), today) {
			return fault.Field("on", dayOf(h.OnDate), "is too late for %s, which is safety or legal work, due by %s", r.Title, dayOf(r.LatestOn).Words())
		}
		ids = append(ids, r.TaskID)
	}
	return tx.Exec(planOn, map[string]any{"on": h.OnDate, "tasks": &ids}).Error
}

// Book plans a visit that was proposed: its people and its van are taken then.
func Book(tx *gorm.DB, who access.Actor, id uuid.UUID, version int) error {
	if err := who.Must(access.Plan); err != nil {
		return err
	}
	h, err := hold(tx, id, &version, Proposed)
	if err != nil {
		return err
	}
	h.State = Planned
	rows, err := read[struct {
		ID       uuid.UUID
		PersonID uuid.UUID
		From     time.Time
		Until    time.Time
		VanID    *uuid.UUID
	}](tx, `
select p.id, p.person_id, lower(p.during) as "from", upper(p.during) as until, v.van_id
  from visit as v left join visit_person as p on p.visit_id = v.id where v.id = @id order by p.id`, map[string]any{"id": id})
	if err != nil {
		return err
	}
	if err := van(tx, h, rows[0].VanID); err != nil {
		return err
	}
	going := []goer{}
	for _, r := range rows {
		if r.ID != uuid.Nil {
			going = append(going, goer{r.ID, r.PersonID, r.From, r.Until})
		}
	}
	v := map[string]any{"id": id, "visit": id, "rows": document(going), "booked": true}
	if err := free(tx, v); err != nil {
		return err
	}
	if err := tx.Exec(`update visit set state = 'planned', version = version + 1 where id = @id`, v).Error; err != nil {
		return err
	}
	return tx.Exec(`update visit_person set booked = true where visit_id = @id`, v).Error
}

// PutTasks puts tasks on a visit and takes others off it. On one that is under
// way those who work there may, too.
func PutTasks(tx *gorm.DB, who access.Actor, now time.Time, id uuid.UUID, version int, add []Doing, drop []uuid.UUID) error {
	h, err := hold(tx, id, &version, Proposed, Planned, UnderWay)
	if err != nil {
		return err
	}
	if h.State == UnderWay {
		err = mayPlanOrWork(who)
	} else {
		err = who.Must(access.Plan)
	}
	if err != nil {
		return err
	}
	p, err := place(h.Zone, h.TurnsAt)
	if err != nil {
		return err
	}
	if len(drop) > 0 {
		v := map[string]any{"id": id, "tasks": &drop, "now": now}
		r := tx.Exec(`update visit_task set ended_at = @now, ended_how = 'dropped' where visit_id = @id and task_id = any (@tasks) and ended_at is null`, v)
		if r.Error != nil {
			return r.Error
		}
		if int(r.RowsAffected) != len(drop) {
			return fault.Field("drop", len(drop), "names tasks that are on this visit, each once; %d are", r.RowsAffected)
		}
		if err := tx.Exec(`update task set planned_on = null, version = version + 1 where id = any (@tasks) and state = 'open'`, v).Error; err != nil {
			return err
		}
	}
	if err := tasks(tx, who, now, h, p, add); err != nil {
		return err
	}
	return tx.Exec(`update visit set version = version + 1 where id = ?`, id).Error
}
