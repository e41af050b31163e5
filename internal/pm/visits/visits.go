// Package visits is going there: trips to sites by named people with a van, the
// tasks that are done on them, and what became of them.
//
// What decides stands in packages of its own: grouping proposes days, crew shares
// work out, readiness judges parts and people, route puts a day in order, and parts/carry
// tells how likely what is carried suffices. This package asks the database
// for what they need, keeps what people decide, and looks nothing up one by one.
//
// Functions that write take the transaction they write in, the actor and the
// time; functions that read take the database and the actor.
package visits

import (
	"context"
	"encoding/json"
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

// Page is a part of a list.
type Page = access.Page

// The states of a visit.
const (
	Proposed  = "proposed"
	Planned   = "planned"
	UnderWay  = "under_way"
	Closed    = "closed"
	Abandoned = "abandoned"
)

var states = []string{Proposed, Planned, UnderWay, Closed, Abandoned}

// Visit is one trip to one site.
type Visit struct {
	ID         uuid.UUID
	Number     int64
	SiteID     uuid.UUID
	SiteCode   string
	SiteName   string
	Zone       string
	State      string
	Origin     string // hand, grouping, or after: it takes up what another left
	OnDate     time.Time
	StartsAt   time.Time
	EndsAt     time.Time
	Locked     bool // a person has decided the day
	VanID      *uuid.UUID
	VanCode    string
	MadeAt     time.Time
	MadeBy     string
	BeganAt    *time.Time
	EndedAt    *time.Time
	EndedBy    string
	Reason     *string // why it was abandoned
	EndedWhy   string
	NextID     *uuid.UUID // where what was left is taken up
	SaidChance *int       // of no second trip for parts when they left, in ten thousandths
	People     []Person
	Tasks      int // that are or were on it
	Minutes    int // that they take, typically
	Version    int
}

// Location gives the zone of the visit's site; one that this machine does not know is UTC.
func (v Visit) Location() *time.Location {
	if l, err := time.LoadLocation(v.Zone); err == nil {
		return l
	}
	return time.UTC
}

// Key is the place of a visit in a list by day.
func (v Visit) Key() string {
	return v.OnDate.Format(time.DateOnly) + " " + v.StartsAt.UTC().Format(time.RFC3339Nano) + " " + v.ID.String()
}

// Open tells whether the visit can still be changed as it was planned.
func (v Visit) Open() bool { return v.State == Proposed || v.State == Planned }

// Person goes on a visit, perhaps for a part of its hours.
type Person struct {
	PersonID uuid.UUID
	Name     string
	From     time.Time
	Until    time.Time
}

const visitRows = `
select v.id, v.number, v.site_id, s.code as site_code, s.name as site_name, s.zone, v.state, v.origin, v.on_date, v.starts_at, v.ends_at, v.locked, v.van_id,
       coalesce(l.code, '') as van_code, v.made_at, coalesce(m.name, '') as made_by, v.began_at, v.ended_at, coalesce(e.name, '') as ended_by, v.reason, v.ended_why, v.next_id,
       v.said_chance, p.people, t.tasks, t.minutes, v.version
  from visit as v
  join site as s on s.id = v.site_id
  left join location as l on l.id = v.van_id
  left join actor as m on m.id = v.made_by
  left join actor as e on e.id = v.ended_by
 cross join lateral (
    select coalesce(jsonb_agg(jsonb_build_object('PersonID', p.person_id, 'Name', coalesce(a.name, ''), 'From', lower(p.during), 'Until', upper(p.during)) order by a.name), '[]') as people
      from visit_person as p left join actor as a on a.id = p.person_id
     where p.visit_id = v.id) as p
 cross join lateral (
    select count(*)::integer as tasks, coalesce(sum(coalesce(o.minutes_typical, q.minutes_typical)), 0)::integer as minutes
      from visit_task as w
      join task as t on t.id = w.task_id
      left join procedure_now as q on q.id = t.procedure_id
      left join procedure_option as o on o.version_id = q.version_id and o.code = w.method
     where w.visit_id = v.id and w.ended_how is distinct from 'moved' and w.ended_how is distinct from 'dropped') as t
 where (@everywhere or v.site_id = any (@sites))`

// Filter narrows a list of visits; a nil or zero field does not.
type Filter struct {
	SiteID   *uuid.UUID
	PersonID *uuid.UUID
	State    string // "" is any
	Live     bool   // not yet ended
	From     calendar.Date
	Until    calendar.Date
}

// List lists visits by day; the key of the list is that day and the id.
func List(ctx context.Context, db *pgdb.DB, who access.Actor, f Filter, p Page) ([]Visit, error) {
	if f.State != "" && !slices.Contains(states, f.State) {
		return nil, fault.Field("state", f.State, "is one of %s", strings.Join(states, ", "))
	}
	day, at, id, err := dayKey(p.After)
	if err != nil {
		return nil, err
	}
	args := who.Scope(map[string]any{"day": day, "at": at, "after": id, "limit": p.Limit, "site": f.SiteID, "person": f.PersonID, "state": f.State, "from": f.From.UTC(), "until": f.Until.UTC()})
	q := visitRows + ` and (v.on_date, v.starts_at, v.id) > (cast(@day as date), cast(@at as timestamptz), @after)`
	for _, c := range []struct {
		narrows bool
		to      string
	}{
		{f.SiteID != nil, `v.site_id = @site`},
		{f.PersonID != nil, `exists (select from visit_person as p where p.visit_id = v.id and p.person_id = @person)`},
		{f.State != "", `v.state = @state`},
		{f.Live, `v.state in ('` + strings.Join(live, `', '`) + `')`}, // as the index of the days ahead has it
		{f.From != 0, `v.on_date >= cast(@from as date)`},
		{f.Until != 0, `v.on_date <= cast(@until as date)`},
	} {
		if c.narrows {
			q += ` and ` + c.to
		}
	}
	return pgdb.Read[Visit](ctx, db, who.ID, q+` order by v.on_date, v.starts_at, v.id limit @limit`, args)
}

// dayKey reads the key of a list by day and time.
func dayKey(key string) (day, at time.Time, id uuid.UUID, err error) {
	if key == "" {
		first := time.Date(1, 1, 1, 0, 0, 0, 0, time.UTC)
		return first, first, uuid.Nil, nil
	}
	part := strings.Split(key, " ")
	if len(part) == 3 {
		d, bad := calendar.ParseDate(part[0], "after")
		at, badTime := time.Parse(time.RFC3339Nano, part[1])
		id, badID := uuid.Parse(part[2])
		if bad == nil && badTime == nil && badID == nil {
			return d.UTC(), at, id, nil
		}
	}
	return day, at, id, &fault.Error{Kind: fault.Malformed, Field: "after", Value: key, Msg: "is no place in this list"}
}

// One gives a visit.
func One(ctx context.Context, db *pgdb.DB, who access.Actor, id uuid.UUID) (Visit, error) {
	return pgdb.ReadOne[Visit](ctx, db, who.ID, "visit", id.String(), visitRows+` and v.id = @id`, who.Scope(map[string]any{"id": id}))
}

// Task is a task on a visit.
type Task struct {
	VisitID      uuid.UUID
	TaskID       uuid.UUID
	Number       int64
	Title        string
	Procedure    string     // its code, "" where there is none
	VersionID    *uuid.UUID // of the procedure, as it is done now
	Method       string
	PositionID   *uuid.UUID
	PositionCode string
	LineCode     string
	Criticality  string
	DueOn        time.Time
	EarliestOn   time.Time
	LatestOn     time.Time
	State        string // of the task
	EndedHow     string // done, left, moved or dropped; "" while it is on the visit
	People       int
	Skills       []string
	Minutes      int // that it takes, typically
	LineState    string
	RecordID     *uuid.UUID // of the job, where one is opened
}

const taskRows = `
select w.visit_id, w.task_id, t.number, t.title, coalesce(q.code, '') as procedure, q.version_id, w.method, t.position_id, coalesce(o.code, '') as position_code, coalesce(l.code, '') as line_code,
       t.criticality, t.due_on, t.earliest_on, t.latest_on, t.state, coalesce(w.ended_how, '') as ended_how, coalesce(c.people, q.people, 1)::integer as people,
       coalesce(q.skills, '{}') as skills, coalesce(c.minutes_typical, q.minutes_typical, 0) as minutes, coalesce(q.line_state, '') as line_state, j.id as record_id
  from visit_task as w
  join task as t on t.id = w.task_id
  left join position as o on o.id = t.position_id
  left join line as l on l.id = coalesce(t.line_id, o.line_id)
  left join procedure_now as q on q.id = t.procedure_id
  left join procedure_option as c on c.version_id = q.version_id and c.code = w.method
  left join lateral (select j.id from job_record as j where j.task_id = t.id order by j.state = 'open' desc, j.opened_at desc limit 1) as j on true
 where (@everywhere or w.site_id = any (@sites)) and w.visit_id = any (cast(@visits as uuid[]))
order by w.visit_id, w.ordinal, w.id`

// Tasks lists the tasks that are or were on some visits, in their order.
func Tasks(ctx context.Context, db *pgdb.DB, who access.Actor, visits ...uuid.UUID) ([]Task, error) {
	return pgdb.Read[Task](ctx, db, who.ID, taskRows, who.Scope(map[string]any{"visits": visits}))
}

// Left is what was left behind.
type Left struct {
	Kind         string // out_of_service, lock_on, in_parts, parts_there or other
	PositionID   *uuid.UUID
	PositionCode string
	Says         string
}

// LeftBehind lists what a visit left behind.
func LeftBehind(ctx context.Context, db *pgdb.DB, who access.Actor, id uuid.UUID) ([]Left, error) {
	return pgdb.Read[Left](ctx, db, who.ID, `
select l.kind, l.position_id, coalesce(p.code, '') as position_code, l.says
  from visit_left as l left join position as p on p.id = l.position_id
 where l.visit_id = @id and (@everywhere or l.site_id = any (@sites)) order by l.id`, who.Scope(map[string]any{"id": id}))
}

// Saying gives what accepting the proposal saved, as it was said then; "" where
// the visit comes of none, or that is not the actor's to see.
func Saying(ctx context.Context, db *pgdb.DB, who access.Actor, id uuid.UUID) (string, error) {
	rows, err := pgdb.Read[struct{ Says string }](ctx, db, who.ID, `select says from visit_saving where visit_id = @id order by said_at desc limit 1`, map[string]any{"id": id})
	if err != nil || len(rows) == 0 {
		return "", err
	}
	return rows[0].Says, nil
}

// head is what writing needs to know of a visit that it locks.
type head struct {
	ID, SiteID uuid.UUID
	Number     int64
	State      string
	OnDate     time.Time
	StartsAt   time.Time
	EndsAt     time.Time
	Zone       string
	TurnsAt    string
	Version    int
}

// hold locks a visit that is in one of the states.
func hold(tx *gorm.DB, id uuid.UUID, version *int, in ...string) (head, error) {
	h, err := pgdb.One[head](tx, "visit", id.String(), `
select v.id, v.site_id, v.number, v.state, v.on_date, v.starts_at, v.ends_at, s.zone, to_char(s.day_turns_at, 'HH24:MI') as turns_at, v.version
  from visit as v join site as s on s.id = v.site_id where v.id = @id for update of v`, map[string]any{"id": id})
	if err != nil {
		return h, err
	}
	if version != nil && *version != h.Version {
		return h, fault.Outdated("visit", *version, h.Version)
	}
	if len(in) > 0 && !slices.Contains(in, h.State) {
		return h, &fault.Error{Kind: fault.Conflict, Field: "state", Value: h.State,
			Msg: "that needs a visit that is " + strings.ReplaceAll(strings.Join(in, " or "), "_", " ") + "; this one is " + strings.ReplaceAll(h.State, "_", " ")}
	}
	return h, nil
}

// place is where the days of a site are counted.
func place(zone, turns string) (calendar.Place, error) {
	z, err := time.LoadLocation(zone)
	if err != nil {
		return calendar.Place{}, fmt.Errorf("the zone of a site: %w", err)
	}
	at, err := clock(turns)
	if err != nil {
		return calendar.Place{}, fmt.Errorf("the hour at which the day of a site turns: %w", err)
	}
	return calendar.Place{Zone: z, Turns: at}, nil
}

// clock reads "07:30" as time since midnight.
func clock(text string) (time.Duration, error) {
	t, err := time.Parse("15:04", text)
	return time.Duration(t.Hour())*time.Hour + time.Duration(t.Minute())*time.Minute, err
}

func dayOf(t time.Time) calendar.Date { return calendar.DateOf(t.UTC()) }

// read runs a query inside a transaction and gives its rows.
func read[T any](tx *gorm.DB, sql string, args map[string]any) ([]T, error) {
	var all []T
	return all, tx.Raw(sql, args).Scan(&all).Error
}

// document writes a value as PostgreSQL takes it for jsonb.
func document(v any) string {
	b, err := json.Marshal(v)
	if err != nil {
		panic(fmt.Sprintf("a document of %T: %v", v, err)) // only of what cannot be written at all
	}
	return string(b)
}

// mayPlanOrWork lets those through who plan visits and those who go on them.
func mayPlanOrWork(who access.Actor) error {
	if who.May(access.RecordWork) {
		return nil
	}
	return who.Must(access.Plan)
}
