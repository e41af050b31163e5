package httpapi

import (
	"context"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"
	openapi_types "github.com/oapi-codegen/runtime/types"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/assets/meters"
	"spindlebook/internal/calendar"
	"spindlebook/internal/door"
	"spindlebook/internal/fault"
	"spindlebook/internal/httpapi/gen"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pm"
)

func itoa(n int) string { return strconv.Itoa(n) }

func assignmentOut(i pm.Item) gen.Assignment {
	return gen.Assignment{Id: i.ID, PlanId: i.PlanID, Plan: i.PlanCode, Title: i.Title, ProcedureId: i.ProcedureID, Criticality: gen.Criticality(i.Criticality), AppliesTo: i.AppliesTo, SiteId: i.SiteID,
		LineId: i.LineID, Line: some(i.LineCode), PositionId: i.PositionID, Position: some(i.PositionCode), UnitId: i.UnitID, Unit: some(i.UnitTag), State: gen.DueState(i.State),
		DueOn: day(i.DueOn), EarliestOn: day(i.EarliestOn), LatestOn: day(i.LatestOn), Missed: i.Missed, Says: some(i.Says), CountsFrom: i.MarkAt, WasDone: &i.MarkDone,
		SkippedUntil: day(i.SkippedUntil), Parked: i.Parked, TaskId: i.TaskID, JudgedAt: i.JudgedAt}
}

func byDay(d *openapi_types.Date) *calendar.Date {
	if d == nil {
		return nil
	}
	return new(calendarDay(d))
}

// ListAssignments lists what falls due.
func (s *Server) ListAssignments(ctx context.Context, r gen.ListAssignmentsRequestObject) (gen.ListAssignmentsResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	q := r.Params
	p, err := page("assignments", q.Cursor, q.Limit)
	if err != nil {
		return nil, err
	}
	rows, err := pm.Items(ctx, s.db, who, pm.ItemFilter{SiteID: q.SiteId, LineID: q.LineId, PositionID: q.PositionId, UnitID: q.UnitId, PlanID: q.PlanId, By: byDay(q.DueBy)}, p)
	rows, next := cut("assignments", rows, p, pm.Item.Key)
	return gen.ListAssignments200JSONResponse{Items: each(rows, assignmentOut), NextCursor: next}, err
}

// GetAssignment says when and why something falls due.
func (s *Server) GetAssignment(ctx context.Context, r gen.GetAssignmentRequestObject) (gen.GetAssignmentResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	it, err := pm.OneItem(ctx, s.db, who, r.AssignmentId)
	if err != nil {
		return nil, err
	}
	all, err := pm.Explain(ctx, s.db, s.now(), []pm.Item{it})
	if err != nil {
		return nil, err
	}
	e := all[0]
	return gen.GetAssignment200JSONResponse{Assignment: assignmentOut(it), State: gen.DueState(e.Answer.State.String()), Says: e.Explanation.Says, DueOn: dateOfDay(e.Due), EarliestOn: dateOfDay(e.Earliest), LatestOn: dateOfDay(e.Latest),
		LowOn: dateOfDay(e.Low), HighOn: dateOfDay(e.High), Missed: e.Answer.Missed, Grade: e.Answer.Grade.String(), Parts: partsOut(e)}, nil
}

func partsOut(e pm.Explained) []gen.DuePart {
	out := []gen.DuePart{}
	for _, p := range e.Parts {
		out = append(out, gen.DuePart{Trigger: p.Trigger, Used: p.Used, Of: p.Of, Unit: string(p.Unit), DueOn: dateOfDay(p.Due), LowOn: dateOfDay(p.Low), HighOn: dateOfDay(p.High), Grade: p.Grade.String()})
	}
	return out
}

func overrideOut(o pm.Override) gen.Override {
	return gen.Override{Id: o.ID, AssignmentId: o.AssignmentID, Triggers: triggersOut(o.Triggers), Until: openapi_types.Date{Time: o.Until}, Reason: o.Reason, AnswerId: o.AnswerID, MadeAt: o.MadeAt, MadeBy: o.MadeBy, WithdrawnAt: o.WithdrawnAt}
}

func (s *Server) overrides(ctx context.Context, assignment uuid.UUID) ([]gen.Override, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	all, err := pm.Overrides(ctx, s.db, who, assignment)
	return each(all, overrideOut), err
}

// ListOverrides lists the overrides of an assignment.
func (s *Server) ListOverrides(ctx context.Context, r gen.ListOverridesRequestObject) (gen.ListOverridesResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	if _, err := pm.OneItem(ctx, s.db, who, r.AssignmentId); err != nil {
		return nil, err
	}
	all, err := s.overrides(ctx, r.AssignmentId)
	return gen.ListOverrides200JSONResponse{Items: all}, err
}

// CreateOverride replaces intervals of an assignment.
func (s *Server) CreateOverride(ctx context.Context, r gen.CreateOverrideRequestObject) (gen.CreateOverrideResponseObject, error) {
	if _, err := once(ctx, s, "createOverride", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (uuid.UUID, error) {
		return pm.MakeOverride(tx, who, now, r.AssignmentId, pm.NewOverride{Triggers: triggersIn(r.Body.Triggers), Until: calendar.DateOf(r.Body.Until.UTC()), Reason: r.Body.Reason})
	}); err != nil {
		return nil, err
	}
	if err := pm.Follow(ctx, s.db, s.now(), []uuid.UUID{r.AssignmentId}); err != nil {
		return nil, err
	}
	all, err := s.overrides(ctx, r.AssignmentId)
	return gen.CreateOverride201JSONResponse{Items: all}, err
}

// WithdrawOverride takes an override back.
func (s *Server) WithdrawOverride(ctx context.Context, r gen.WithdrawOverrideRequestObject) (gen.WithdrawOverrideResponseObject, error) {
	of, err := once(ctx, s, "withdrawOverride", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (uuid.UUID, error) {
		return pm.WithdrawOverride(tx, who, now, r.OverrideId)
	})
	if err != nil {
		return nil, err
	}
	if err := pm.Follow(ctx, s.db, s.now(), []uuid.UUID{of}); err != nil {
		return nil, err
	}
	all, err := s.overrides(ctx, of)
	return gen.WithdrawOverride201JSONResponse{Items: all}, err
}

func taskOut(t pm.Task) gen.Task {
	out := gen.Task{Id: t.ID, Number: int(t.Number), SiteId: t.SiteID, Site: some(t.SiteCode), LineId: t.LineID, Line: some(t.LineCode), PositionId: t.PositionID, Position: some(t.PositionCode), UnitId: t.UnitID, Unit: some(t.UnitTag),
		AssignmentId: t.AssignmentID, Plan: some(t.PlanCode), ProcedureId: t.ProcedureID, Origin: gen.TaskOrigin(t.Origin), Title: t.Title, Says: t.Says, Criticality: gen.Criticality(t.Criticality),
		DueOn: openapi_types.Date{Time: t.DueOn}, EarliestOn: openapi_types.Date{Time: t.EarliestOn}, LatestOn: openapi_types.Date{Time: t.LatestOn}, Missed: t.Missed, PlannedOn: day(t.PlannedOn),
		State: gen.TaskState(t.State), RaisedAt: t.RaisedAt, EndedAt: t.EndedAt, EndedBy: some(t.EndedBy), EndedWhy: some(t.EndedWhy), SkippedUntil: day(t.SkippedUntil), LineState: some(t.LineState), Version: t.Version}
	if t.People > 0 {
		out.People, out.Skills, out.Minutes = &t.People, &t.Skills, &t.Minutes
	}
	return out
}

// ListTasks lists tasks.
func (s *Server) ListTasks(ctx context.Context, r gen.ListTasksRequestObject) (gen.ListTasksResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	q := r.Params
	p, err := page("tasks", q.Cursor, q.Limit)
	if err != nil {
		return nil, err
	}
	rows, err := pm.Tasks(ctx, s.db, who, pm.TaskFilter{SiteID: q.SiteId, LineID: q.LineId, PositionID: q.PositionId, UnitID: q.UnitId, State: string(val(q.State)), By: byDay(q.DueBy)}, p)
	rows, next := cut("tasks", rows, p, pm.Task.Key)
	return gen.ListTasks200JSONResponse{Items: each(rows, taskOut), NextCursor: next}, err
}

func (s *Server) task(ctx context.Context, id uuid.UUID) (pm.Task, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return pm.Task{}, err
	}
	return pm.OneTask(ctx, s.db, who, id)
}

// CreateTask raises a task by hand.
func (s *Server) CreateTask(ctx context.Context, r gen.CreateTaskRequestObject) (gen.CreateTaskResponseObject, error) {
	b := r.Body
	id, err := once(ctx, s, "createTask", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (uuid.UUID, error) {
		return pm.RaiseTask(tx, who, now, pm.NewTask{SiteID: &b.SiteId, LineID: b.LineId, PositionID: b.PositionId, UnitID: b.UnitId, Procedure: val(b.Procedure), Title: val(b.Title), Says: val(b.Says),
			Criticality: string(b.Criticality), DueOn: calendar.DateOf(b.DueOn.UTC()), LatestOn: calendarDay(b.LatestOn)})
	})
	if err != nil {
		return nil, err
	}
	it, err := s.task(ctx, id)
	return gen.CreateTask201JSONResponse{Body: taskOut(it), Headers: gen.CreateTask201ResponseHeaders{ETag: etag(it.Version), Location: at("tasks", id)}}, err
}

func formOut(f pm.Form) gen.TaskForm {
	out := gen.TaskForm{Task: taskOut(f.Task), Checks: each(f.Checks, checkOut), Also: each(f.Also, func(c pm.AlsoCheck) gen.ProcedureCheck { return checkOut(c.Check) }), Steps: each(f.Steps, placedOut),
		Positions: each(f.Positions, func(p pm.FormPosition) gen.FormPosition {
			return gen.FormPosition{Id: p.ID, Code: p.Code, Name: p.Name, Parked: p.Parked}
		})}
	if f.Version != nil {
		out.VersionId, out.Content = &f.Version.ID, new(contentOut(f.Version.Content))
	}
	return out
}

// GetTask reads a task with its form.
func (s *Server) GetTask(ctx context.Context, r gen.GetTaskRequestObject) (gen.GetTaskResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	f, err := pm.FormOf(ctx, s.db, who, s.now(), r.TaskId)
	return gen.GetTask200JSONResponse{Body: formOut(f), Headers: gen.GetTask200ResponseHeaders{ETag: etag(f.Task.Version)}}, err
}

// taskSeen gives the version of a task that the caller saw.
func (s *Server) taskSeen(ctx context.Context, id uuid.UUID, header *string) (int, error) {
	return versionSeen(header, func() (int, error) {
		t, err := s.task(ctx, id)
		return t.Version, err
	})
}

// PlanTask says on which day a task is meant to be done.
func (s *Server) PlanTask(ctx context.Context, r gen.PlanTaskRequestObject) (gen.PlanTaskResponseObject, error) {
	version, err := s.taskSeen(ctx, r.TaskId, r.Params.IfMatch)
	if err != nil {
		return nil, err
	}
	if _, err := write(ctx, s, func(tx *gorm.DB, who access.Actor, now time.Time) (int, error) {
		return 0, pm.PlanTask(tx, who, r.TaskId, version, calendarDay(r.Body.PlannedOn))
	}); err != nil {
		return nil, err
	}
	it, err := s.task(ctx, r.TaskId)
	return gen.PlanTask200JSONResponse{Body: taskOut(it), Headers: gen.PlanTask200ResponseHeaders{ETag: etag(it.Version)}}, err
}

// SkipTask puts a plan's work off.
func (s *Server) SkipTask(ctx context.Context, r gen.SkipTaskRequestObject) (gen.SkipTaskResponseObject, error) {
	version, err := s.taskSeen(ctx, r.TaskId, r.Params.IfMatch)
	if err != nil {
		return nil, err
	}
	of, err := once(ctx, s, "skipTask", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (uuid.UUID, error) {
		return pm.SkipTask(tx, who, now, r.TaskId, version, calendar.DateOf(r.Body.Until.UTC()), r.Body.Reason)
	})
	if err != nil {
		return nil, err
	}
	if err := pm.Follow(ctx, s.db, s.now(), []uuid.UUID{of}); err != nil {
		return nil, err
	}
	it, err := s.task(ctx, r.TaskId)
	return gen.SkipTask201JSONResponse{Body: taskOut(it), Headers: gen.SkipTask201ResponseHeaders{ETag: etag(it.Version)}}, err
}

// ResumeTask takes back that work was put off.
func (s *Server) ResumeTask(ctx context.Context, r gen.ResumeTaskRequestObject) (gen.ResumeTaskResponseObject, error) {
	of, err := once(ctx, s, "resumeTask", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, _ time.Time) (uuid.UUID, error) {
		return pm.ResumeTask(tx, who, r.TaskId)
	})
	if err != nil {
		return nil, err
	}
	if err := pm.Follow(ctx, s.db, s.now(), []uuid.UUID{of}); err != nil {
		return nil, err
	}
	it, err := s.task(ctx, r.TaskId)
	return gen.ResumeTask201JSONResponse{Body: taskOut(it), Headers: gen.ResumeTask201ResponseHeaders{ETag: etag(it.Version)}}, err
}

// CancelTask ends a task that comes of no plan.
func (s *Server) CancelTask(ctx context.Context, r gen.CancelTaskRequestObject) (gen.CancelTaskResponseObject, error) {
	version, err := s.taskSeen(ctx, r.TaskId, r.Params.IfMatch)
	if err != nil {
		return nil, err
	}
	if _, err := once(ctx, s, "cancelTask", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (int, error) {
		return 0, pm.CancelTask(tx, who, now, r.TaskId, version, r.Body.Reason)
	}); err != nil {
		return nil, err
	}
	it, err := s.task(ctx, r.TaskId)
	return gen.CancelTask201JSONResponse{Body: taskOut(it), Headers: gen.CancelTask201ResponseHeaders{ETag: etag(it.Version)}}, err
}

func (s *Server) taskNotes(ctx context.Context, task uuid.UUID) (gen.Notes, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return gen.Notes{}, err
	}
	if _, err := pm.OneTask(ctx, s.db, who, task); err != nil {
		return gen.Notes{}, err
	}
	all, err := pm.Notes(ctx, s.db, who, task)
	return gen.Notes{Items: each(all, func(n pm.Note) gen.Note {
		return noteOut(assets.Note{ID: n.ID, Body: n.Body, WrittenAt: n.WrittenAt, WrittenBy: n.WrittenBy})
	})}, err
}

// ListTaskNotes lists the notes on a task.
func (s *Server) ListTaskNotes(ctx context.Context, r gen.ListTaskNotesRequestObject) (gen.ListTaskNotesResponseObject, error) {
	all, err := s.taskNotes(ctx, r.TaskId)
	return gen.ListTaskNotes200JSONResponse(all), err
}

// CreateTaskNote adds a note to a task.
func (s *Server) CreateTaskNote(ctx context.Context, r gen.CreateTaskNoteRequestObject) (gen.CreateTaskNoteResponseObject, error) {
	if _, err := once(ctx, s, "createTaskNote", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (uuid.UUID, error) {
		return pm.AddNote(tx, who, now, r.TaskId, r.Body.Body)
	}); err != nil {
		return nil, err
	}
	all, err := s.taskNotes(ctx, r.TaskId)
	return gen.CreateTaskNote201JSONResponse(all), err
}

// RecordRound records what needs no card.
func (s *Server) RecordRound(ctx context.Context, r gen.RecordRoundRequestObject) (gen.RecordRoundResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	key, err := idempotencyKey(r.Params.IdempotencyKey)
	if err != nil {
		return nil, err
	}
	now := s.now()
	w := pm.Work{Done: each(r.Body.Done, doneIn), Readings: each(val(r.Body.Readings), func(n gen.NewWorkReading) meters.NewReading {
		in := meters.NewReading{MeterID: n.MeterId, At: now, Value: n.Value, Unit: val(n.Unit)}
		if n.At != nil {
			in.At = *n.At
		}
		return in
	})}
	if len(w.Readings) > 0 {
		if err := who.Must(access.ReadCounters); err != nil {
			return nil, err
		}
	}
	done, err := pm.Record(ctx, s.db, who, now, pgdb.Request{Key: key, Act: "recordRound", Body: r.Body}, w)
	if err != nil {
		return nil, err
	}
	return gen.RecordRound201JSONResponse{Done: each(done.Done, outcomeOfDone), Readings: each(done.Readings, outcomeOut)}, nil
}

// StateWork says when work was last done, as far as is known from before this record.
func (s *Server) StateWork(ctx context.Context, r gen.StateWorkRequestObject) (gen.StateWorkResponseObject, error) {
	who, req, err := asked(ctx, "stateWork", r.Params.IdempotencyKey, r)
	if err != nil {
		return nil, err
	}
	done, err := pm.Record(ctx, s.db, who, s.now(), req, pm.Work{Done: each(r.Body.Items, func(d gen.StatedWork) pm.Done {
		return pm.Done{AssignmentID: &d.AssignmentId, At: d.At, Remark: val(d.Remark), Stated: true}
	})})
	err = fault.Renamed(err, func(field string) string {
		if field == "at" { // of the only one
			return "items[0].at"
		}
		if rest, of := strings.CutPrefix(field, "done"); of {
			return "items" + rest
		}
		return field
	})
	return gen.StateWork201JSONResponse{Items: each(done.Done, outcomeOfDone)}, err
}

func doneIn(d gen.NewDone) pm.Done {
	return pm.Done{AssignmentID: d.AssignmentId, TaskID: d.TaskId, At: d.At, Minutes: d.Minutes, Positions: val(d.Positions), Remark: val(d.Remark),
		People: each(val(d.People), func(p gen.WorkPerson) pm.Person {
			return pm.Person{ActorID: p.AccountId, Name: p.Name, Skills: val(p.Skills)}
		}),
		Answers: each(val(d.Answers), func(a gen.NewAnswer) pm.Answer {
			return pm.Answer{Check: a.Check, PositionID: a.PositionId, Found: val(a.Found), Left: val(a.Left), Unit: val(a.Unit), NotPossible: val(a.NotPossible), PhotoID: a.PhotoId, Note: val(a.Note), Sure: val(a.Sure)}
		})}
}

func outcomeOfDone(c pm.Completed) gen.DoneOutcome {
	ids := func(all []uuid.UUID) []uuid.UUID { return each(all, func(id uuid.UUID) uuid.UUID { return id }) }
	return gen.DoneOutcome{Id: c.ID, AssignmentId: c.AssignmentID, TaskId: c.TaskID, Outcome: gen.DoneOutcomeOutcome(c.Outcome), Raised: ids(c.Raised), Began: ids(c.Began),
		Covered: each(c.Covered, func(k pm.Covered) gen.CoveredWork {
			return gen.CoveredWork{CompletionId: k.CompletionID, AssignmentId: k.AssignmentID, Plan: k.Plan, Outcome: k.Outcome}
		}),
		Findings: each(c.Findings, func(f string) string { return f })}
}

func completionOut(h pm.History) gen.Completion {
	return gen.Completion{Id: h.ID, RecordId: h.RecordID, SiteId: h.SiteID, Line: some(h.LineCode), Position: some(h.PositionCode), Unit: some(h.UnitTag), AssignmentId: h.AssignmentID, Plan: some(h.PlanCode), Title: h.Title,
		TaskId: h.TaskID, CoveredBy: h.CoveredBy, CoveredByTitle: some(h.CoveredTitle), DoneAt: h.DoneAt, DoneOn: openapi_types.Date{Time: h.DoneOn}, Outcome: h.Outcome, Minutes: h.Minutes, Remark: some(h.Remark),
		DueOn: day(h.DueOn), LatestOn: day(h.LatestOn), Says: some(h.Says), People: each(h.People, func(p string) string { return p }), RecordedAt: h.RecordedAt, RecordedBy: some(h.RecordedBy)}
}

// ListCompletions lists what was done.
func (s *Server) ListCompletions(ctx context.Context, r gen.ListCompletionsRequestObject) (gen.ListCompletionsResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	q := r.Params
	p, err := page("completions", q.Cursor, q.Limit)
	if err != nil {
		return nil, err
	}
	rows, err := pm.Histories(ctx, s.db, who, pm.HistoryFilter{AssignmentID: q.AssignmentId, SiteID: q.SiteId, PositionID: q.PositionId, UnitID: q.UnitId, TaskID: q.TaskId, RecordID: q.RecordId}, p)
	rows, next := cut("completions", rows, p, pm.History.Key)
	return gen.ListCompletions200JSONResponse{Items: each(rows, completionOut), NextCursor: next}, err
}

// ListAnswers lists what was answered in a record.
func (s *Server) ListAnswers(ctx context.Context, r gen.ListAnswersRequestObject) (gen.ListAnswersResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	if err := pm.CompletionSeen(ctx, s.db, who, r.CompletionId); err != nil {
		return nil, err
	}
	all, err := pm.Answers(ctx, s.db, who, []uuid.UUID{r.CompletionId})
	return gen.ListAnswers200JSONResponse{Items: each(all, func(a pm.GivenAnswer) gen.CheckAnswer {
		return gen.CheckAnswer{Id: a.ID, Check: a.Code, Prompt: a.Prompt, PositionId: a.PositionID, Position: some(a.PositionCode), At: a.At, Found: a.FoundTyped, Left: some(a.LeftTyped), Unit: some(a.Unit),
			NotPossible: a.NotPossible, PhotoId: a.PhotoID, Note: some(a.Note), Verdict: gen.Verdict(a.Verdict), Says: some(a.Says), TaskId: a.TaskID}
	})}, err
}

func roundOut(sh pm.Sheet) gen.Round {
	return gen.Round{LineId: sh.LineID, Day: *dateOfDay(sh.Day), Forms: each(sh.Forms, formOut), Done: each(sh.Done, completionOut), Missed: each(sh.Missed, taskOut)}
}

// GetRound gives the round sheet of a line.
func (s *Server) GetRound(ctx context.Context, r gen.GetRoundRequestObject) (gen.GetRoundResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	sh, err := pm.RoundOf(ctx, s.db, who, s.now(), r.LineId, calendarDay(r.Params.On))
	if err != nil {
		return nil, err
	}
	return gen.GetRound200JSONResponse(roundOut(sh)), nil
}

// SkipRound puts what is left of today's round off until tomorrow.
func (s *Server) SkipRound(ctx context.Context, r gen.SkipRoundRequestObject) (gen.SkipRoundResponseObject, error) {
	who, req, err := asked(ctx, "skipRound", r.Params.IdempotencyKey, r)
	if err != nil {
		return nil, err
	}
	of, err := pm.SkipRound(ctx, s.db, who, s.now(), req, r.LineId, r.Body.Reason)
	if err != nil {
		return nil, err
	}
	if err := pm.Follow(ctx, s.db, s.now(), of); err != nil {
		return nil, err
	}
	sh, err := pm.RoundOf(ctx, s.db, who, s.now(), r.LineId, 0)
	return gen.SkipRound201JSONResponse(roundOut(sh)), err
}

// ListWorkFindings lists what is missing for judging work at a site.
func (s *Server) ListWorkFindings(ctx context.Context, r gen.ListWorkFindingsRequestObject) (gen.ListWorkFindingsResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	if _, err := assets.OneSite(ctx, s.db, who, r.SiteId); err != nil {
		return nil, err
	}
	list := "work findings " + r.SiteId.String()
	p, err := page(list, r.Params.Cursor, r.Params.Limit)
	if err != nil {
		return nil, err
	}
	rows, err := pm.Findings(ctx, s.db, who, r.SiteId, p)
	rows, next := cut(list, rows, p, func(f pm.Finding) string { return f.AssignmentID.String() })
	return gen.ListWorkFindings200JSONResponse{Items: each(rows, findingOut), NextCursor: next}, err
}
