package record

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
	"spindlebook/internal/assets"
	"spindlebook/internal/calendar"
	"spindlebook/internal/condition"
	"spindlebook/internal/fault"
	"spindlebook/internal/parts"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pm"
)

// NewRecord is what it takes to open a card: a task, or a procedure at a position,
// for which a task is raised. Of a task that came without a procedure it says by which
// it is done.
type NewRecord struct {
	TaskID     *uuid.UUID // or
	PositionID *uuid.UUID
	Procedure  string     // its code
	VisitID    *uuid.UUID // nil is the visit that the task is on
	Method     string     // the way chosen; "" is that of the visit, or the first that the version has
}

func document(v any) string {
	b, err := json.Marshal(v)
	if err != nil {
		panic(fmt.Sprintf("a document of %T: %v", v, err)) // only of what cannot be written at all
	}
	return string(b)
}

// resolved is what a card begins with.
type resolved struct {
	version  pm.ProcedureVersion
	site     uuid.UUID
	line     *uuid.UUID
	position *uuid.UUID
	task     *uuid.UUID
	visit    *uuid.UUID
	frozen   Frozen
	method   string
	people   int
	steps    []Step
	today    calendar.Date
}

// Open opens a card, once however often it is asked for.
func Open(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, req pgdb.Request, in NewRecord) (uuid.UUID, error) {
	if err := who.Must(access.RecordWork); err != nil {
		return uuid.Nil, err
	}
	r, err := resolve(ctx, db, who, now, in)
	if err != nil {
		return uuid.Nil, err
	}
	return pgdb.Once(ctx, db, who.ID, now, req, func(tx *gorm.DB) (uuid.UUID, error) {
		task, err := r.taskFor(tx, who, now)
		if err != nil {
			return uuid.Nil, err
		}
		id := pgdb.NewID()
		err = tx.Exec(addRecord, map[string]any{"id": id, "site": r.site, "line": r.line, "position": r.position, "task": task, "visit": r.visit, "procedure": r.version.ID,
			"method": r.method, "title": r.version.Title, "people": r.people, "skills": assets.Texts(r.version.Skills), "energies": assets.Texts(r.version.Energies), "facts": document(r.frozen.Facts),
			"turning": document(r.frozen.Turning), "connection": document(r.frozen.Connection), "points": document(r.frozen.Points), "now": now, "who": who.ID}).Error
		if err != nil {
			return uuid.Nil, err
		}
		return id, r.write(tx, who, now, id, 1, task, "", r.steps)
	})
}

func (r resolved) taskFor(tx *gorm.DB, who access.Actor, now time.Time) (uuid.UUID, error) {
	if r.task != nil {
		return *r.task, pm.DoBy(tx, who, *r.task, r.version.ProcedureID)
	}
	return pm.RaiseTask(tx, who, now, pm.NewTask{SiteID: &r.site, LineID: r.line, PositionID: r.position, Procedure: r.version.Code, Says: "opened on the spot", Criticality: "B", DueOn: r.today})
}

func val[T any](p *T) (v T) {
	if p != nil {
		v = *p
	}
	return v
}

func (r resolved) write(tx *gorm.DB, who access.Actor, now time.Time, record uuid.UUID, ordinal int, task uuid.UUID, why string, steps []Step) error {
	err := tx.Exec(addProcedure, map[string]any{"record": record, "site": r.site, "ordinal": ordinal, "procedure": r.version.ID, "code": r.version.Code, "number": r.version.Number,
		"title": r.version.Title, "task": task, "why": why, "now": now, "who": who.ID}).Error
	if err != nil {
		return err
	}
	return tx.Exec(addSteps, map[string]any{"record": record, "site": r.site, "rows": document(steps)}).Error
}

func resolve(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, in NewRecord) (resolved, error) {
	var r resolved
	var procedure uuid.UUID
	switch {
	case in.TaskID != nil:
		t, err := pm.OneTask(ctx, db, who, *in.TaskID)
		switch {
		case err != nil:
			return r, err
		case t.State != "open":
			return r, &fault.Error{Kind: fault.Conflict, Field: "task_id", Value: fmt.Sprint(t.Number), Msg: "is " + t.State + " already; a card is opened for a task that is open"}
		case t.SiteID == nil:
			return r, fault.Field("task_id", t.Number, "is for a unit in stock; a card is for a place at a site")
		case t.ProcedureID == nil && in.Procedure == "":
			return r, fault.Field("procedure", "", "is needed: task %d came without one, and so without steps", t.Number)
		case t.ProcedureID != nil && in.Procedure != "":
			return r, fault.Field("procedure", in.Procedure, "is given with a task that has its own")
		}
		r.task, r.site, r.line, r.position, procedure = &t.ID, *t.SiteID, t.LineID, t.PositionID, val(t.ProcedureID)
		var method string
		if r.visit, method, err = chosen(ctx, db, who, t.ID); err != nil {
			return r, err
		}
		if in.Method == "" {
			in.Method = method
		}
	case in.TaskID == nil && in.Procedure != "" && in.PositionID != nil:
		r.position = in.PositionID
	default:
		return r, fault.Field("task_id", "", "or a procedure and a position_id: one of the two says what the card is for")
	}
	if r.position != nil {
		p, err := assets.OnePosition(ctx, db, who, *r.position)
		if err != nil {
			return r, err
		}
		r.site, r.line = p.SiteID, p.LineID
	}
	if in.VisitID != nil {
		r.visit = in.VisitID
	}
	site, err := assets.OneSite(ctx, db, who, r.site)
	if err != nil {
		return r, err
	}
	zone, err := time.LoadLocation(site.Zone)
	if err != nil {
		return r, fmt.Errorf("the zone of %s: %w", site.Code, err)
	}
	r.today = calendar.DateOf(now.In(zone))
	if r.version, err = published(ctx, db, who, procedure, in.Procedure); err != nil {
		return r, err
	}
	if r.method, r.people, err = methodOf(r.version, in.Method); err != nil {
		return r, err
	}
	if r.frozen, err = freeze(ctx, db, who, now, r.position, r.method); err != nil {
		return r, err
	}
	r.frozen.Facts["job"] = r.version.Code // blocks ask for which job they are
	r.steps, err = stepsOf(ctx, db, who, r.version, r.frozen, 1)
	return r, err
}

// chosen gives the visit that a task is on, and the way that was chosen for it there.
func chosen(ctx context.Context, db *pgdb.DB, who access.Actor, task uuid.UUID) (visit *uuid.UUID, method string, err error) {
	on, err := pgdb.Read[struct {
		VisitID uuid.UUID
		Method  string
	}](ctx, db, who.ID, `select visit_id, method from visit_task_now where task_id = @task`, map[string]any{"task": task})
	if err != nil || len(on) == 0 {
		return nil, "", err
	}
	return &on[0].VisitID, on[0].Method, nil
}

// published gives the version of a procedure that holds, by its id or its code.
func published(ctx context.Context, db *pgdb.DB, who access.Actor, procedure uuid.UUID, code string) (pm.ProcedureVersion, error) {
	found, err := pgdb.Read[struct {
		VersionID *uuid.UUID
		Code      string
		IsBlock   bool
	}](ctx, db, who.ID, `select version_id, code, is_block from procedure_now where id = @id or code = @code`, map[string]any{"id": procedure, "code": code})
	switch {
	case err != nil:
		return pm.ProcedureVersion{}, err
	case len(found) == 0:
		return pm.ProcedureVersion{}, fault.Field("procedure", code, "names no procedure")
	case found[0].IsBlock:
		return pm.ProcedureVersion{}, fault.Field("procedure", code, "is a block of steps that procedures share, and no work by itself")
	case found[0].VersionID == nil:
		return pm.ProcedureVersion{}, fault.Field("procedure", found[0].Code, "has no published version yet")
	}
	return pm.OneVersion(ctx, db, who, *found[0].VersionID)
}

// Ways lists the ways in which work can be done, the one chosen for its visit first, or
// else the usual one; none where there is one way only.
func Ways(ctx context.Context, db *pgdb.DB, who access.Actor, in NewRecord) ([]pm.Option, error) {
	if err := who.Must(access.RecordWork); err != nil {
		return nil, err
	}
	procedure := uuid.Nil
	if in.TaskID != nil && in.Procedure == "" {
		t, err := pm.OneTask(ctx, db, who, *in.TaskID)
		if err != nil {
			return nil, err
		}
		if t.ProcedureID == nil {
			return nil, nil
		}
		procedure = *t.ProcedureID
	}
	v, err := published(ctx, db, who, procedure, in.Procedure)
	if err != nil || in.TaskID == nil {
		return v.Options, err
	}
	_, method, err := chosen(ctx, db, who, *in.TaskID)
	if i := slices.IndexFunc(v.Options, func(o pm.Option) bool { return o.Code == method }); i > 0 {
		first := v.Options[i]
		v.Options = slices.Insert(slices.Delete(v.Options, i, i+1), 0, first)
	}
	return v.Options, err
}

func methodOf(v pm.ProcedureVersion, method string) (string, int, error) {
	if method == "" && len(v.Options) == 0 {
		return "", v.People, nil
	}
	codes := []string{}
	for i, o := range v.Options {
		codes = append(codes, o.Code)
		if o.Code == method || method == "" && i == 0 {
			return o.Code, o.People, nil
		}
	}
	if len(codes) == 0 {
		return "", 0, fault.Field("method", method, "is none: this procedure has one way")
	}
	return "", 0, fault.Field("method", method, "is one of %s", strings.Join(codes, ", "))
}

// freeze reads what is known of a position now.
func freeze(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, position *uuid.UUID, method string) (f Frozen, err error) {
	f.Facts, f.Points = map[string]string{}, []Point{}
	if method != "" {
		f.Facts["method"] = method
	}
	if position == nil {
		f.Turning.Gap = "is no position"
		return f, nil
	}
	known, err := parts.FactsOf(ctx, db, who, now, *position, method)
	if err != nil {
		return f, err
	}
	f.Facts = known
	if f.Turning, err = assets.TurningOf(ctx, db, who, *position, now); err != nil {
		return f, err
	}
	if f.Connection, err = assets.ConnectionOf(ctx, db, who, now, *position, nil); err != nil {
		return f, err
	}
	points, err := assets.PositionIsolation(ctx, db, who, now, *position)
	for _, p := range points {
		kept := Point{ID: p.ID, Code: p.Code, Energy: p.Energy}
		for _, v := range p.Versions {
			kept.Version, kept.Place, kept.Isolate, kept.Prove, kept.Restore, kept.Lockable = v.Number, v.Place, v.Isolate, v.Prove, v.Restore, v.Lockable
		}
		for _, o := range p.Positions {
			kept.Positions = append(kept.Positions, o.Code)
		}
		f.Points = append(f.Points, kept)
	}
	return f, err
}

// apart is the distance between the places of steps, so that others can be put between.
const apart = 1000

// stepsOf resolves the steps of a version: those whose conditions fail are left out,
// and those of which nobody can tell stay and say what is missing.
func stepsOf(ctx context.Context, db *pgdb.DB, who access.Actor, v pm.ProcedureVersion, f Frozen, procedure int) ([]Step, error) {
	placed, err := pm.Unfolded(ctx, db, who, v.ID)
	if err != nil {
		return nil, err
	}
	steps, counts := []Step{}, map[string]int{}
	isolated := false
	for _, p := range placed {
		from := p.Block
		if from == "" {
			from = v.Code
		}
		counts[from]++
		c, bad := condition.Parse(p.Condition, "condition")
		answer := c.Judge(f.Facts)
		if bad != nil { // frozen before the rules were as they are: never dropped
			answer = condition.Answer{Missing: []string{bad.Msg}}
		}
		if answer.Verdict == condition.Fails {
			continue
		}
		s := Step{ID: pgdb.NewID(), Ordinal: float64(len(steps)+1) * apart, Procedure: procedure, Label: fmt.Sprintf("%s %d", from, counts[from]), Phase: p.Phase, Kind: p.Kind, Says: p.Says,
			Hold: p.Hold, Skills: list(p.Skills), Needs: []string{}, Unsure: []string{}, Records: names(p.Records), IfNot: p.IfNot, Check: p.Check}
		if answer.Verdict == condition.CannotTell {
			s.Unsure = list(answer.Missing)
		}
		switch p.Kind {
		case "isolate", "prove_dead":
			isolated = true
		case "test", "restore":
			isolated = false
		default:
			if isolated {
				s.Needs = needed(v.Energies, f.Points)
			}
		}
		steps = append(steps, s)
	}
	return steps, nil
}

// needed leaves gravity to the steps that hold what hangs, unless a point for it is recorded.
func needed(energies []string, points []Point) []string {
	all := []string{}
	for _, e := range energies {
		if e != "gravity" || slices.ContainsFunc(points, func(p Point) bool { return p.Energy == e }) {
			all = append(all, e)
		}
	}
	return all
}

func list(all []string) []string {
	if all == nil {
		return []string{}
	}
	return all
}

// names reads what a step records: names joined by commas, as keys.
func names(text string) []string {
	all := []string{}
	for _, n := range strings.Split(text, ",") {
		if n = strings.Join(strings.Fields(strings.ReplaceAll(n, "-", " ")), "_"); n != "" {
			all = append(all, n)
		}
	}
	return all
}

// Addition is a procedure that turned out to be needed on site.
type Addition struct {
	Procedure string     // its code
	After     *uuid.UUID // the step at which that was found; nil is the last that was answered
	Why       string
}

// Add adds a procedure to an open card: its own steps come after the step at which
// the need was found, and what stood there goes on after them. Blocks that the card has
// already are not doubled: one isolation serves both.
func Add(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, req pgdb.Request, id uuid.UUID, in Addition) (uuid.UUID, error) {
	if err := who.Must(access.RecordWork); err != nil {
		return uuid.Nil, err
	}
	if strings.TrimSpace(in.Why) == "" {
		return uuid.Nil, fault.Field("why", in.Why, "must not be blank: it says what was found")
	}
	card, err := One(ctx, db, who, now, id)
	if err != nil {
		return uuid.Nil, err
	}
	if card.PositionID == nil {
		return uuid.Nil, fault.Field("procedure", in.Procedure, "is added to the card of a position; open one for it")
	}
	r := resolved{site: card.SiteID, line: card.LineID, position: card.PositionID, frozen: card.Frozen}
	if r.version, err = published(ctx, db, who, uuid.Nil, in.Procedure); err != nil {
		return uuid.Nil, err
	}
	zone, err := time.LoadLocation(card.Zone)
	if err != nil {
		return uuid.Nil, err
	}
	r.today = calendar.DateOf(now.In(zone))
	card.Facts["job"] = r.version.Code
	fresh, err := stepsOf(ctx, db, who, r.version, card.Frozen, len(card.Procedures)+1)
	if err != nil {
		return uuid.Nil, err
	}
	has := map[string]bool{}
	after := 0
	for i, s := range card.Steps {
		has[block(s.Label)] = true
		if in.After == nil && len(s.Answers) > 0 || in.After != nil && s.ID == *in.After {
			after = i + 1
		}
	}
	if in.After != nil && after == 0 {
		return uuid.Nil, fault.Field("after_step_id", *in.After, "names no step of this card")
	}
	fresh = slices.DeleteFunc(fresh, func(s Step) bool { return has[block(s.Label)] && block(s.Label) != r.version.Code })
	low, high := 0.0, 0.0
	if after > 0 {
		low = card.Steps[after-1].Ordinal
	}
	if after < len(card.Steps) {
		high = card.Steps[after].Ordinal
	} else {
		high = low + apart*float64(len(fresh)+1)
	}
	for i := range fresh {
		fresh[i].Ordinal = low + (high-low)*float64(i+1)/float64(len(fresh)+1)
	}
	return pgdb.Once(ctx, db, who.ID, now, req, func(tx *gorm.DB) (uuid.UUID, error) {
		if err := takeOpen(tx, id); err != nil {
			return uuid.Nil, err
		}
		task, err := pm.RaiseTask(tx, who, now, pm.NewTask{SiteID: &r.site, LineID: r.line, PositionID: r.position, Procedure: r.version.Code, Says: "found on site: " + strings.TrimSpace(in.Why),
			Criticality: "B", DueOn: r.today})
		if err != nil {
			return uuid.Nil, err
		}
		return id, r.write(tx, who, now, id, len(card.Procedures)+1, task, strings.TrimSpace(in.Why), fresh)
	})
}

// block gives the procedure or block that a step comes from.
func block(label string) string {
	from, _, _ := strings.Cut(label, " ")
	return from
}

// takeOpen counts up the version of an open card and so claims it.
func takeOpen(tx *gorm.DB, id uuid.UUID) error {
	r := tx.Exec(`update job_record set version = version + 1 where id = ? and state = 'open'`, id)
	if r.Error != nil || r.RowsAffected == 1 {
		return r.Error
	}
	h, err := pgdb.One[struct{ State string }](tx, "job record", id.String(), `select state from job_record where id = @id`, map[string]any{"id": id})
	if err != nil {
		return err
	}
	return &fault.Error{Kind: fault.Conflict, Field: "record", Value: id.String(), Msg: "is " + h.State + ": what comes late is kept as an entry, and nothing else is changed"}
}
