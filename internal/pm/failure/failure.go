// Package failure keeps what went wrong: a fault as it was reported, with the
// four times at which it was noticed, reported, stopped and restored, what people
// held for its mode, mechanism and cause, and the work that it gave rise to.
//
// A fault may be told by telephone: then somebody takes it down for the caller.
// What was thought of its cause is never changed: a new finding is added, and the
// last one counts. Words follow EN 13306 and ISO 14224.
package failure

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"strconv"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
)

// Fault is what went wrong at a site, a line or a position.
type Fault struct {
	ID           uuid.UUID
	Number       int64
	SiteID       uuid.UUID
	SiteCode     string
	SiteName     string
	LineID       *uuid.UUID
	LineCode     *string
	PositionID   *uuid.UUID
	PositionCode *string
	PositionName *string
	PositionKind *string
	UnitID       *uuid.UUID
	UnitTag      *string
	Edit
	WithdrawnAt  *time.Time
	WithdrawnWhy *string
	CreatedAt    time.Time
	CreatedBy    string
	Version      int
	Last         *Finding // what counts now
	Temporary    *string  // what holds meanwhile, where it is fixed for now
	Until        *string  // by when that is to be made lasting, YYYY-MM-DD
}

// Edit is what is said of a fault, and may be said better later.
type Edit struct {
	Says         string
	Detected     string // operator, customer, alarm, inspection or technician
	Before       string // in which state it was until then: up, degraded, down or unknown
	LineEffect   string // none, degraded, parked or down
	Danger       bool   // somebody can be hurt as long as it stands
	NoticedAt    *time.Time
	ReportedAt   *time.Time
	StoppedAt    *time.Time
	RestoredAt   *time.Time
	Caller       string // who told it by telephone; "" where who reports saw it
	Payer        string // not_said, agreement, distributor, customer, supplier or insurer
	VehiclesLost *int
	Remedy       string // what was done
	CausedByID   *uuid.UUID
}

// State says how a fault stands: open, held (fixed for now), restored or withdrawn.
func (f Fault) State() string {
	switch {
	case f.WithdrawnAt != nil:
		return "withdrawn"
	case f.RestoredAt != nil && f.Temporary != nil:
		return "held"
	case f.RestoredAt != nil:
		return "restored"
	}
	return "open"
}

// Lasted tells how long a fault has lasted from when it was noticed, else
// reported, else recorded, until it was restored or until now.
func (f Fault) Lasted(now time.Time) time.Duration {
	from, until := f.CreatedAt, now
	switch {
	case f.NoticedAt != nil:
		from = *f.NoticedAt
	case f.ReportedAt != nil && f.ReportedAt.Before(from):
		from = *f.ReportedAt
	}
	switch {
	case f.RestoredAt != nil:
		until = *f.RestoredAt
	case f.WithdrawnAt != nil:
		until = *f.WithdrawnAt
	}
	return max(until.Sub(from), 0)
}

// Stood tells how long the thing stood, from stopped to restored or until now;
// zero where nobody said that it stopped.
func (f Fault) Stood(now time.Time) time.Duration {
	if f.StoppedAt == nil || f.WithdrawnAt != nil {
		return 0
	}
	until := now
	if f.RestoredAt != nil {
		until = *f.RestoredAt
	}
	return max(until.Sub(*f.StoppedAt), 0)
}

// New is what it takes to report a fault. A line or a position is named where
// it is known, and a unit only with the position in which it is or was.
type New struct {
	SiteID     uuid.UUID
	LineID     *uuid.UUID
	PositionID *uuid.UUID
	UnitID     *uuid.UUID
	Edit
	Mode string // what is seen, of Modes; "" is left to whoever looks
}

// Finding is what somebody held for the failure.
type Finding struct {
	Mode      *string
	ModeName  *string // with what it is about
	Mechanism string
	Cause     string
	Note      string
	At        time.Time
	By        string
}

// NewFinding is what it takes to say what it was.
type NewFinding struct {
	Mode      string // "" names none
	Mechanism string
	Cause     string
	Note      string
}

// Task is work that a fault gave rise to.
type Task struct {
	ID        uuid.UUID
	Number    int64
	Title     string
	State     string
	DueOn     string // YYYY-MM-DD
	Why       string // corrective or follow_up
	Temporary string // what holds meanwhile
}

// Mode is how a failure shows itself.
type Mode struct {
	Code      string
	About     string
	Name      string
	Mechanism string
	Sign      string
	Kinds     []string // of positions at which it is seen
}

// Modes lists how failures show themselves, at any kind of position or at one.
func Modes(ctx context.Context, db *pgdb.DB, who access.Actor, kind *string) ([]Mode, error) {
	return pgdb.Read[Mode](ctx, db, who.ID, `
select code, about, name, mechanism, sign, kinds from failure_mode
 where cast(@kind as text) is null or @kind = any (kinds)
 order by code`, map[string]any{"kind": kind})
}

const faults = `
select f.id, f.number, f.site_id, s.code as site_code, s.name as site_name, f.line_id, l.code as line_code,
       f.position_id, p.code as position_code, p.name as position_name, p.kind as position_kind, u.id as unit_id, u.tag as unit_tag,
       f.says, f.detected, f.before, f.line_effect, f.danger, f.noticed_at, f.reported_at, f.stopped_at, f.restored_at, f.caller, f.payer,
       f.vehicles_lost, f.remedy, f.caused_by_id, f.withdrawn_at, f.withdrawn_why, f.created_at, coalesce(a.name, '') as created_by, f.version,
       coalesce(last.finding, 'null') as finding, held.temporary, held.until
  from failure as f
  join site as s on s.id = f.site_id
  left join line as l on l.id = f.line_id
  left join position as p on p.id = f.position_id
  left join unit as u on u.id = f.unit_id
  left join actor as a on a.id = f.created_by
  left join lateral (
    select jsonb_build_object('Mode', g.mode, 'ModeName', m.about || ': ' || m.name, 'Mechanism', g.mechanism, 'Cause', g.cause, 'Note', g.note,
                              'At', g.found_at, 'By', coalesce(b.name, '')) as finding
      from failure_finding as g
      left join failure_mode as m on m.code = g.mode
      left join actor as b on b.id = g.found_by
     where g.failure_id = f.id
     order by g.found_at desc, g.id desc limit 1) as last on true
  left join lateral (
    select ft.temporary, to_char(t.due_on, 'YYYY-MM-DD') as until
      from failure_task as ft
      join task as t on t.id = ft.task_id
     where ft.failure_id = f.id and ft.why = 'follow_up' and t.state = 'open'
     order by t.due_on limit 1) as held on true`

// mine is the condition by which a query keeps to the actor's sites.
const mine = `(@everywhere or f.site_id = any (@sites))`

type row struct {
	ID                                  uuid.UUID
	Number                              int64
	SiteID                              uuid.UUID
	SiteCode, SiteName                  string
	LineID, PositionID, UnitID          *uuid.UUID
	LineCode, PositionCode              *string
	PositionName, PositionKind, UnitTag *string
	Says, Detected, Before, LineEffect  string
	Danger                              bool
	NoticedAt, ReportedAt               *time.Time
	StoppedAt, RestoredAt               *time.Time
	Caller, Payer                       string
	VehiclesLost                        *int
	Remedy                              string
	CausedByID                          *uuid.UUID
	WithdrawnAt                         *time.Time
	WithdrawnWhy                        *string
	CreatedAt                           time.Time
	CreatedBy                           string
	Version                             int
	Finding                             string
	Temporary, Until                    *string
}

func (r row) fault() (Fault, error) {
	f := Fault{ID: r.ID, Number: r.Number, SiteID: r.SiteID, SiteCode: r.SiteCode, SiteName: r.SiteName, LineID: r.LineID, LineCode: r.LineCode,
		PositionID: r.PositionID, PositionCode: r.PositionCode, PositionName: r.PositionName, PositionKind: r.PositionKind, UnitID: r.UnitID, UnitTag: r.UnitTag,
		Edit: Edit{r.Says, r.Detected, r.Before, r.LineEffect, r.Danger, r.NoticedAt, r.ReportedAt, r.StoppedAt, r.RestoredAt, r.Caller, r.Payer,
			r.VehiclesLost, r.Remedy, r.CausedByID},
		WithdrawnAt: r.WithdrawnAt, WithdrawnWhy: r.WithdrawnWhy, CreatedAt: r.CreatedAt, CreatedBy: r.CreatedBy, Version: r.Version, Temporary: r.Temporary, Until: r.Until}
	return f, json.Unmarshal([]byte(r.Finding), &f.Last)
}

// Filter narrows a list of faults; what is nil or false does not.
type Filter struct {
	SiteID     *uuid.UUID
	PositionID *uuid.UUID
	Open       bool // neither restored nor withdrawn
}

// List lists faults, the latest first. The key of a page is a fault's number.
func List(ctx context.Context, db *pgdb.DB, who access.Actor, f Filter, p access.Page) ([]Fault, error) {
	after := int64(math.MaxInt64)
	if p.After != "" {
		n, err := strconv.ParseInt(p.After, 10, 64)
		if err != nil {
			return nil, &fault.Error{Kind: fault.Malformed, Field: "query.cursor", Value: p.After, Msg: "is not one that this list gave; begin without it"}
		}
		after = n
	}
	rows, err := pgdb.Read[row](ctx, db, who.ID, faults+`
 where `+mine+`
   and (cast(@site as uuid) is null or f.site_id = @site)
   and (cast(@position as uuid) is null or f.position_id = @position)
   and (not @open or f.restored_at is null and f.withdrawn_at is null)
   and f.number < @after
 order by f.number desc
 limit @limit`, who.Scope(map[string]any{"site": f.SiteID, "position": f.PositionID, "open": f.Open, "after": after, "limit": p.Limit}))
	if err != nil {
		return nil, err
	}
	return faultsOf(rows)
}

// Standing lists the first few faults that are neither restored nor withdrawn: those by which
// somebody can be hurt before all others, of each the latest first. Of the filter it takes the
// site and the position.
func Standing(ctx context.Context, db *pgdb.DB, who access.Actor, f Filter, limit int) ([]Fault, error) {
	rows, err := pgdb.Read[row](ctx, db, who.ID, faults+`
 where `+mine+` and f.restored_at is null and f.withdrawn_at is null
   and (cast(@site as uuid) is null or f.site_id = @site) and (cast(@position as uuid) is null or f.position_id = @position)
 order by f.danger desc, f.number desc
 limit @limit`, who.Scope(map[string]any{"limit": limit, "site": f.SiteID, "position": f.PositionID}))
	if err != nil {
		return nil, err
	}
	return faultsOf(rows)
}

func faultsOf(rows []row) (all []Fault, err error) {
	all = make([]Fault, len(rows))
	for i, r := range rows {
		if all[i], err = r.fault(); err != nil {
			return nil, err
		}
	}
	return all, nil
}

// One gives a fault.
func One(ctx context.Context, db *pgdb.DB, who access.Actor, id uuid.UUID) (Fault, error) {
	r, err := pgdb.ReadOne[row](ctx, db, who.ID, "fault", id.String(), faults+` where f.id = @id and `+mine, who.Scope(map[string]any{"id": id}))
	if err != nil {
		return Fault{}, err
	}
	return r.fault()
}

func inTx(tx *gorm.DB, id uuid.UUID) (Fault, error) {
	r, err := pgdb.One[row](tx, "fault", id.String(), faults+` where f.id = @id`, map[string]any{"id": id})
	if err != nil {
		return Fault{}, err
	}
	return r.fault()
}

// Findings lists what was held for a failure, the last first.
func Findings(ctx context.Context, db *pgdb.DB, who access.Actor, id uuid.UUID) ([]Finding, error) {
	return pgdb.Read[Finding](ctx, db, who.ID, `
select g.mode, m.about || ': ' || m.name as mode_name, g.mechanism, g.cause, g.note, g.found_at as at, coalesce(b.name, '') as by
  from failure_finding as g
  join failure as f on f.id = g.failure_id
  left join failure_mode as m on m.code = g.mode
  left join actor as b on b.id = g.found_by
 where g.failure_id = @id and `+mine+`
 order by g.found_at desc, g.id desc`, who.Scope(map[string]any{"id": id}))
}

// Tasks lists the work that a fault gave rise to, in the order in which it did.
func Tasks(ctx context.Context, db *pgdb.DB, who access.Actor, id uuid.UUID) ([]Task, error) {
	return pgdb.Read[Task](ctx, db, who.ID, `
select t.id, t.number, t.title, t.state, to_char(t.due_on, 'YYYY-MM-DD') as due_on, ft.why, ft.temporary
  from failure_task as ft
  join task as t on t.id = ft.task_id
  join failure as f on f.id = ft.failure_id
 where ft.failure_id = @id and `+mine+`
 order by ft.made_at, t.number`, who.Scope(map[string]any{"id": id}))
}

// grace is how far ahead of ours a telephone's clock may be.
const grace = 5 * time.Minute

func (e Edit) check(now time.Time) error {
	var bad []*fault.Error
	for _, t := range []struct {
		field string
		at    *time.Time
	}{{"noticed_at", e.NoticedAt}, {"reported_at", e.ReportedAt}, {"stopped_at", e.StoppedAt}, {"restored_at", e.RestoredAt}} {
		if t.at == nil {
			continue
		}
		at := t.at.UTC().Format(time.RFC3339)
		switch {
		case t.at.After(now.Add(grace)):
			bad = append(bad, fault.Field(t.field, at, "must not lie ahead"))
		case t.at.Before(now.AddDate(-20, 0, 0)):
			bad = append(bad, fault.Field(t.field, at, "lies more than 20 years back"))
		}
	}
	return fault.Collect(bad...)
}

func (e Edit) values(own map[string]any) map[string]any {
	for k, v := range map[string]any{"says": e.Says, "detected": e.Detected, "before": e.Before, "line_effect": e.LineEffect, "danger": e.Danger,
		"noticed": e.NoticedAt, "reported": e.ReportedAt, "stopped": e.StoppedAt, "restored": e.RestoredAt, "caller": e.Caller, "payer": e.Payer,
		"lost": e.VehiclesLost, "remedy": e.Remedy, "caused_by": e.CausedByID} {
		own[k] = v
	}
	return own
}

// Add reports a fault. Unless it is restored already it raises a corrective task
// for it: at once where somebody can be hurt or the line does not wash, else
// within days. ReportedAt nil is now.
func Add(tx *gorm.DB, who access.Actor, now time.Time, in New) (Fault, error) {
	if err := who.Must(access.ReportFault); err != nil {
		return Fault{}, err
	}
	if in.ReportedAt == nil {
		in.ReportedAt = &now
	}
	if err := in.check(now); err != nil {
		return Fault{}, err
	}
	if !ours(who) && in.Payer != "not_said" {
		return Fault{}, saidByUs("payer")
	}
	if err := in.place(tx, now); err != nil {
		return Fault{}, err
	}
	id := pgdb.NewID()
	err := tx.Exec(`
insert into failure (id, site_id, line_id, position_id, unit_id, says, detected, before, line_effect, danger, noticed_at, reported_at, stopped_at, restored_at,
                     caller, payer, vehicles_lost, remedy, caused_by_id, created_at, created_by)
values (@id, @site, @line, @position, @unit, @says, @detected, @before, @line_effect, @danger, @noticed, @reported, @stopped, @restored,
        @caller, @payer, @lost, @remedy, @caused_by, @now, @who)`,
		in.values(map[string]any{"id": id, "site": in.SiteID, "line": in.LineID, "position": in.PositionID, "unit": in.UnitID, "now": now, "who": who.ID})).Error
	if err != nil {
		return Fault{}, err
	}
	if in.Mode != "" {
		err := tx.Exec(`
insert into failure_finding (id, failure_id, site_id, mode, mechanism, cause, found_at, found_by)
values (@id, @failure, @site, @mode, coalesce((select mechanism from failure_mode where code = @mode), 'unknown'), 'unknown', @now, @who)`,
			map[string]any{"id": pgdb.NewID(), "failure": id, "site": in.SiteID, "mode": in.Mode, "now": now, "who": who.ID}).Error
		if err != nil {
			return Fault{}, err
		}
	}
	f, err := inTx(tx, id)
	if err != nil || f.RestoredAt != nil {
		return f, err
	}
	day, err := today(tx, now, f.SiteID)
	if err != nil {
		return f, err
	}
	grave, days := f.urgency()
	return f, raise(tx, who, now, f, work{why: "corrective", title: fmt.Sprintf("Fault %d: %s", f.Number, short(f.Says)), criticality: grave, today: day, due: day.AddDate(0, 0, days)})
}

// urgency says how grave the corrective work is, and within how many days it is
// due (common practice, no source).
func (f Fault) urgency() (criticality string, days int) {
	switch {
	case f.Danger:
		return "S", 0
	case f.LineEffect == "down":
		return "A", 0
	case f.LineEffect == "degraded":
		return "B", 3
	case f.LineEffect == "parked":
		return "B", 7
	}
	return "C", 30
}

// short gives the beginning of a text, for a title.
func short(s string) string {
	if r := []rune(s); len(r) > 80 {
		return string(r[:79]) + "…"
	}
	return s
}

// place holds that the thing is of the site and the unit of the position, and adds
// the line of the position.
func (in *New) place(tx *gorm.DB, now time.Time) error {
	var found []struct {
		LineID *uuid.UUID
		Holds  bool
	}
	if in.PositionID == nil {
		return nil
	}
	at := now
	if in.StoppedAt != nil {
		at = *in.StoppedAt
	}
	err := tx.Raw(`
select p.line_id, cast(@unit as uuid) is null or exists (
         select from stay as m
           join slot as s on s.id = m.slot_id
           left join stay as o on o.unit_id = s.unit_id and o.during && m.during
           left join slot as os on os.id = o.slot_id
          where m.unit_id = @unit and p.id in (s.position_id, os.position_id) and m.during && tstzrange(cast(@at as timestamptz) - interval '30 days', @at, '[]')) as holds
  from position as p where p.id = @position and p.site_id = @site`, map[string]any{"position": *in.PositionID, "site": in.SiteID, "unit": in.UnitID, "at": at}).Scan(&found).Error
	switch {
	case err != nil:
		return err
	case len(found) == 0:
		return fault.Field("position_id", in.PositionID.String(), "names no position of this site")
	case in.LineID != nil && (found[0].LineID == nil || *found[0].LineID != *in.LineID):
		return fault.Field("line_id", in.LineID.String(), "is not the line of that position")
	case !found[0].Holds:
		return fault.Field("unit_id", in.UnitID.String(), "is not in that position and was not in the 30 days before it stopped")
	}
	in.LineID = found[0].LineID
	return nil
}

// today gives the operating day of a site as midnight UTC.
func today(tx *gorm.DB, now time.Time, site uuid.UUID) (day time.Time, err error) {
	err = tx.Raw(`select cast((cast(@now as timestamptz) at time zone zone) - cast(day_turns_at as interval) as date) from site where id = @site`,
		map[string]any{"now": now, "site": site}).Scan(&day).Error
	return day, err
}

// work is a task to be raised for a fault.
type work struct {
	why, title, criticality, temporary string
	today, due                         time.Time // days
}

func raise(tx *gorm.DB, who access.Actor, now time.Time, f Fault, w work) error {
	return tx.Exec(`
with t as (
  insert into task (id, site_id, line_id, position_id, unit_id, origin, title, says, criticality, due_on, earliest_on, latest_on, raised_at, raised_by)
  values (@task, @site, @line, @position, @unit, 'fault', @title, @says, @criticality, cast(@due as date), cast(@today as date), cast(@due as date), @now, @who)
  returning id
)
insert into failure_task (id, failure_id, site_id, task_id, why, temporary, made_at, made_by)
select @id, @failure, @site, t.id, @why, @temporary, @now, @who from t`,
		map[string]any{"now": now, "site": f.SiteID, "today": w.today.Format(time.DateOnly), "due": w.due.Format(time.DateOnly), "task": pgdb.NewID(), "line": f.LineID,
			"position": f.PositionID, "unit": f.UnitID, "title": w.title, "says": f.Says, "criticality": w.criticality, "who": who.ID, "id": pgdb.NewID(), "failure": f.ID,
			"why": w.why, "temporary": w.temporary}).Error
}

// found reads a fault that is to be changed, and locks it. Somebody of narrower
// scope finds only what is theirs, by row-level security.
func found(tx *gorm.DB, who access.Actor, id uuid.UUID) (Fault, error) {
	if err := who.Must(access.ReportFault); err != nil {
		return Fault{}, err
	}
	if err := tx.Exec(`select from failure where id = ? for update`, id).Error; err != nil {
		return Fault{}, err
	}
	f, err := inTx(tx, id)
	if err == nil && f.WithdrawnAt != nil {
		err = &fault.Error{Kind: fault.Conflict, Msg: "the fault was withdrawn: " + *f.WithdrawnWhy}
	}
	return f, err
}

// ours tells our own people from those who run the wash. These say what they see; that a
// danger is over, or never was, and who pays, is said by us.
func ours(who access.Actor) bool { return who.May(access.RecordWork) || who.May(access.Plan) }

func saidByUs(field string) error {
	what := map[string]string{"payer": "is said by the distributor"}[field]
	if what == "" {
		what = "is said by a technician, since somebody can be hurt by this fault"
	}
	return &fault.Error{Kind: fault.Forbidden, Field: field, Msg: what}
}

// Say says of a fault what is better known by now. It must still be at the
// version seen. What it was stays with Find.
func Say(tx *gorm.DB, who access.Actor, now time.Time, id uuid.UUID, version int, in Edit) (Fault, error) {
	f, err := found(tx, who, id)
	if err != nil {
		return f, err
	}
	if f.Version != version {
		return f, fault.Outdated("fault", version, f.Version)
	}
	if err := in.check(now); err != nil {
		return f, err
	}
	switch {
	case ours(who):
	case f.Danger && f.RestoredAt == nil && in.RestoredAt != nil:
		return f, saidByUs("restored_at")
	case f.Danger && f.RestoredAt == nil && !in.Danger:
		return f, saidByUs("danger")
	case in.Payer != f.Payer:
		return f, saidByUs("payer")
	}
	err = tx.Exec(`
update failure set says = @says, detected = @detected, before = @before, line_effect = @line_effect, danger = @danger, noticed_at = @noticed, reported_at = @reported,
       stopped_at = @stopped, restored_at = @restored, caller = @caller, payer = @payer, vehicles_lost = @lost, remedy = @remedy, caused_by_id = @caused_by, version = version + 1
 where id = @id`, in.values(map[string]any{"id": id})).Error
	if err != nil {
		return f, err
	}
	return inTx(tx, id)
}

// Find says what it was. What was held before stays.
func Find(tx *gorm.DB, who access.Actor, now time.Time, id uuid.UUID, in NewFinding) (Fault, error) {
	f, err := found(tx, who, id)
	if err != nil {
		return f, err
	}
	err = tx.Exec(`
insert into failure_finding (id, failure_id, site_id, mode, mechanism, cause, note, found_at, found_by)
values (@id, @failure, @site, nullif(@mode, ''), @mechanism, @cause, @note, @now, @who)`,
		map[string]any{"id": pgdb.NewID(), "failure": id, "site": f.SiteID, "mode": in.Mode, "mechanism": in.Mechanism, "cause": in.Cause, "note": in.Note, "now": now, "who": who.ID}).Error
	if err != nil {
		return f, err
	}
	if err := tx.Exec(`update failure set version = version + 1 where id = ?`, id).Error; err != nil {
		return f, err
	}
	return inTx(tx, id)
}

// mostHold is how long a temporary fix may hold, in days.
const mostHold = 366

// HoldUntil records a temporary fix and raises the task to make it last by a day.
// The corrective work that is open ends with it. A fault that was not restored is
// restored now.
func HoldUntil(tx *gorm.DB, who access.Actor, now time.Time, id uuid.UUID, says, until string) (Fault, error) {
	f, err := found(tx, who, id)
	if err != nil {
		return f, err
	}
	day, err := today(tx, now, f.SiteID)
	if err != nil {
		return f, err
	}
	on, err := time.Parse(time.DateOnly, until)
	switch {
	case err != nil:
		return f, fault.Field("until", until, "is a date, YYYY-MM-DD")
	case on.Before(day) || on.After(day.AddDate(0, 0, mostHold)):
		return f, fault.Field("until", until, "is a day from today to %d days on: a temporary fix is made lasting by a date", mostHold)
	case f.Danger:
		return f, fault.Field("until", until, "holds nothing where somebody can be hurt: repair it, or take the danger away and say so first")
	}
	grave, _ := f.urgency()
	err = raise(tx, who, now, f, work{why: "follow_up", title: fmt.Sprintf("Make the repair of fault %d last: %s", f.Number, short(f.Says)), criticality: grave, today: day, due: on, temporary: says})
	if err != nil {
		return f, err
	}
	if err := end(tx, who, now, id, "fixed for now; the lasting repair is a task of its own", "corrective"); err != nil {
		return f, err
	}
	err = tx.Exec(`update failure set restored_at = coalesce(restored_at, @now), version = version + 1 where id = @id`, map[string]any{"now": now, "id": id}).Error
	if err != nil {
		return f, err
	}
	return inTx(tx, id)
}

// end cancels the open tasks of a fault of some kinds. Where the actor may not
// end tasks they stay open.
func end(tx *gorm.DB, who access.Actor, now time.Time, id uuid.UUID, why string, kinds ...string) error {
	return tx.Exec(`
update task set state = 'cancelled', ended_at = @now, ended_by = @who, ended_why = @why, version = version + 1
 where state = 'open' and id in (select task_id from failure_task where failure_id = @id and why in @kinds)`,
		map[string]any{"now": now, "who": who.ID, "why": why, "id": id, "kinds": kinds}).Error
}

// Withdraw takes back what was reported in error, for a reason. It stays visible,
// and its open work ends.
func Withdraw(tx *gorm.DB, who access.Actor, now time.Time, id uuid.UUID, why string) (Fault, error) {
	f, err := found(tx, who, id)
	if err != nil {
		return f, err
	}
	if f.Danger && f.RestoredAt == nil && !ours(who) {
		return f, saidByUs("danger")
	}
	err = tx.Exec(`update failure set withdrawn_at = @now, withdrawn_why = @why, version = version + 1 where id = @id`, map[string]any{"now": now, "why": why, "id": id}).Error
	if err != nil {
		return f, err
	}
	if err := end(tx, who, now, id, "the fault was withdrawn: "+why, "corrective", "follow_up"); err != nil {
		return f, err
	}
	return inTx(tx, id)
}
