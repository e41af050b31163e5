package httpapi

import (
	"context"
	"time"

	"github.com/google/uuid"
	openapi_types "github.com/oapi-codegen/runtime/types"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/calendar"
	"spindlebook/internal/door"
	"spindlebook/internal/fault"
	"spindlebook/internal/httpapi/gen"
	"spindlebook/internal/parts"
	"spindlebook/internal/pm"
)

// day gives a date as the specification writes it, nil for none.
func day(t *time.Time) *openapi_types.Date {
	if t == nil {
		return nil
	}
	return &openapi_types.Date{Time: *t}
}

func dateOfDay(d calendar.Date) *openapi_types.Date {
	if d == 0 {
		return nil
	}
	return &openapi_types.Date{Time: d.UTC()}
}

func calendarDay(d *openapi_types.Date) calendar.Date {
	if d == nil {
		return 0
	}
	return calendar.DateOf(d.UTC())
}

func minutesOut(m pm.Minutes) gen.WorkMinutes {
	return gen.WorkMinutes{Low: m.Low, Typical: m.Typical, High: m.High}
}

func minutesIn(m gen.WorkMinutes) pm.Minutes {
	return pm.Minutes{Low: m.Low, Typical: m.Typical, High: m.High}
}

func procedureOut(p pm.Procedure) gen.Procedure {
	out := gen.Procedure{Id: p.ID, Code: p.Code, Title: p.Title, IsBlock: p.IsBlock, VersionId: p.VersionID, Number: p.Number, Draft: p.Draft, People: p.People, Minutes: p.Minutes,
		LineState: (*gen.LineState)(p.LineState), Plans: p.Plans, Version: p.Version}
	if p.VersionID != nil {
		out.Skills = &p.Skills
	}
	return out
}

func stepOut(s pm.Step) gen.ProcedureStep {
	return gen.ProcedureStep{Phase: some(s.Phase), Kind: gen.StepKind(s.Kind), Says: some(s.Says), Hold: &s.Hold, Skills: &s.Skills, Condition: some(s.Condition), Minutes: s.Minutes, Records: some(s.Records),
		IfNot: some(s.IfNot), CheckCode: some(s.Check), Includes: some(s.Includes)}
}

func placedOut(s pm.Placed) gen.ProcedureStep {
	out := stepOut(s.Step)
	out.Block = some(s.Block)
	return out
}

func actionOut(a pm.Action) *gen.CheckAction {
	if a == (pm.Action{}) {
		return nil
	}
	return &gen.CheckAction{Says: some(a.Says), Raises: some(a.Raises), Days: a.Days, IntervalPercent: a.Interval}
}

func actionIn(a *gen.CheckAction) pm.Action {
	if a == nil {
		return pm.Action{}
	}
	return pm.Action{Says: val(a.Says), Raises: val(a.Raises), Days: a.Days, Interval: a.IntervalPercent}
}

func checkOut(c pm.Check) gen.ProcedureCheck {
	return gen.ProcedureCheck{Id: &c.ID, Code: c.Code, Prompt: c.Prompt, Kind: gen.CheckKind(c.Kind), Unit: some(c.Unit), WarnLow: c.WarnLow, WarnHigh: c.WarnHigh, FailLow: c.FailLow, FailHigh: c.FailHigh,
		Options: &c.Options, Optional: &c.Optional, Condition: some(c.Condition), Answers: &c.Answers, OnWarn: actionOut(c.OnWarn), OnFail: actionOut(c.OnFail)}
}

func contentOut(c pm.Content) gen.ProcedureContent {
	energies := each(c.Energies, func(e string) gen.Energy { return gen.Energy(e) })
	options := each(c.Options, func(o pm.Option) gen.ProcedureOption {
		return gen.ProcedureOption{Code: o.Code, Title: o.Title, People: o.People, Minutes: minutesOut(o.Minutes)}
	})
	steps, checks := each(c.Steps, stepOut), each(c.Checks, checkOut)
	follow := each(c.FollowUps, func(f pm.FollowUp) gen.FollowUp { return gen.FollowUp{Plan: f.Plan, Condition: some(f.Condition)} })
	return gen.ProcedureContent{Change: some(c.Change), People: c.People, Skills: &c.Skills, Minutes: minutesOut(c.Minutes), LineState: gen.LineState(c.LineState), Energies: &energies,
		Isolation: some(c.Isolation), Caution: some(c.Caution), Options: &options, Steps: &steps, Checks: &checks, Covers: &c.Covers, FollowUps: &follow}
}

func contentIn(c *gen.ProcedureContent) pm.Content {
	return pm.Content{Change: val(c.Change), People: c.People, Skills: val(c.Skills), Minutes: minutesIn(c.Minutes), LineState: string(c.LineState),
		Energies: each(val(c.Energies), func(e gen.Energy) string { return string(e) }), Isolation: val(c.Isolation), Caution: val(c.Caution),
		Options: each(val(c.Options), func(o gen.ProcedureOption) pm.Option {
			return pm.Option{Code: o.Code, Title: o.Title, People: o.People, Minutes: minutesIn(o.Minutes)}
		}),
		Steps: each(val(c.Steps), func(s gen.ProcedureStep) pm.Step {
			return pm.Step{Phase: val(s.Phase), Kind: string(s.Kind), Says: val(s.Says), Hold: val(s.Hold), Skills: val(s.Skills), Condition: val(s.Condition), Minutes: s.Minutes, Records: val(s.Records),
				IfNot: val(s.IfNot), Check: val(s.CheckCode), Includes: val(s.Includes)}
		}),
		Checks: each(val(c.Checks), func(k gen.ProcedureCheck) pm.Check {
			return pm.Check{Code: k.Code, Prompt: k.Prompt, Kind: string(k.Kind), Unit: val(k.Unit), WarnLow: k.WarnLow, WarnHigh: k.WarnHigh, FailLow: k.FailLow, FailHigh: k.FailHigh, Options: val(k.Options),
				Optional: val(k.Optional), Condition: val(k.Condition), Answers: val(k.Answers), OnWarn: actionIn(k.OnWarn), OnFail: actionIn(k.OnFail)}
		}),
		Covers: val(c.Covers), FollowUps: each(val(c.FollowUps), func(f gen.FollowUp) pm.FollowUp { return pm.FollowUp{Plan: f.Plan, Condition: val(f.Condition)} })}
}

func procedureVersionOut(v pm.ProcedureVersion) gen.ProcedureVersion {
	return gen.ProcedureVersion{Id: v.ID, ProcedureId: v.ProcedureID, Code: v.Code, Title: v.Title, Number: v.Number, Content: contentOut(v.Content), Version: v.Version, CreatedAt: v.CreatedAt, PublishedAt: v.PublishedAt}
}

func triggersOut(all []pm.Trigger) []gen.PlanTrigger {
	return each(all, func(t pm.Trigger) gen.PlanTrigger {
		out := gen.PlanTrigger{Kind: gen.TriggerKind(t.Kind), Every: some(t.Every), Rule: some(t.Rule), Season: some(t.Season), Unit: (*gen.PlanTriggerUnit)(some(t.Unit)), Check: some(t.Check)}
		if t.Amount != 0 {
			out.Amount = &t.Amount
		}
		if d, bad := calendar.ParseDate(t.From, "from"); bad == nil && t.From != "" {
			out.From = dateOfDay(d)
		}
		return out
	})
}

func triggersIn(all []gen.PlanTrigger) []pm.Trigger {
	return each(all, func(t gen.PlanTrigger) pm.Trigger {
		return pm.Trigger{Kind: string(t.Kind), Every: val(t.Every), From: calendarDay(t.From).String(), Rule: val(t.Rule), Season: val(t.Season), Unit: string(val(t.Unit)), Amount: val(t.Amount), Check: val(t.Check)}
	})
}

func toleranceOut(t pm.Tolerance) *gen.Tolerance {
	if t == (pm.Tolerance{}) {
		return nil
	}
	return &gen.Tolerance{Days: &t.Days, Percent: &t.Percent}
}

func toleranceIn(t *gen.Tolerance) pm.Tolerance {
	if t == nil {
		return pm.Tolerance{}
	}
	return pm.Tolerance{Days: val(t.Days), Percent: val(t.Percent)}
}

func termsOut(t pm.Terms) gen.PlanTerms {
	return gen.PlanTerms{Change: some(t.Change), AppliesTo: gen.PlanTermsAppliesTo(t.AppliesTo), Kinds: &t.Kinds, Classes: &t.Classes, UnitsIn: (*gen.PlanTermsUnitsIn)(some(t.UnitsIn)), Condition: some(t.Condition),
		Triggers: triggersOut(t.Triggers), Basis: gen.PlanTermsBasis(t.Basis), Early: toleranceOut(t.Early), Late: toleranceOut(t.Late), Criticality: gen.Criticality(t.Criticality), TiedTo: some(t.TiedTo)}
}

func termsIn(t *gen.PlanTerms) pm.Terms {
	return pm.Terms{Change: val(t.Change), AppliesTo: string(t.AppliesTo), Kinds: val(t.Kinds), Classes: val(t.Classes), UnitsIn: string(val(t.UnitsIn)), Condition: val(t.Condition), Triggers: triggersIn(t.Triggers),
		Basis: string(t.Basis), Early: toleranceIn(t.Early), Late: toleranceIn(t.Late), Criticality: string(t.Criticality), TiedTo: val(t.TiedTo)}
}

func planOut(p pm.Plan) gen.Plan {
	return gen.Plan{Id: p.ID, Code: p.Code, Title: p.Title, ProcedureId: p.ProcedureID, Procedure: p.Procedure, VersionId: p.VersionID, Number: p.Number, Draft: p.Draft, AppliesTo: p.AppliesTo, Basis: p.Basis,
		Criticality: (*gen.Criticality)(p.Criticality), Assignments: p.Assignments, EndedAt: p.EndedAt, Version: p.Version}
}

func planVersionOut(v pm.PlanVersion) gen.PlanVersion {
	return gen.PlanVersion{Id: v.ID, PlanId: v.PlanID, Code: v.Code, Title: v.Title, Number: v.Number, Terms: termsOut(v.Terms), Version: v.Version, CreatedAt: v.CreatedAt, PublishedAt: v.PublishedAt}
}

// ListProcedures lists procedures by code.
func (s *Server) ListProcedures(ctx context.Context, r gen.ListProceduresRequestObject) (gen.ListProceduresResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	p, err := page("procedures", r.Params.Cursor, r.Params.Limit)
	if err != nil {
		return nil, err
	}
	rows, err := pm.Procedures(ctx, s.db, who, p)
	rows, next := cut("procedures", rows, p, func(p pm.Procedure) string { return p.Code })
	return gen.ListProcedures200JSONResponse{Items: each(rows, procedureOut), NextCursor: next}, err
}

// CreateProcedure adds a procedure.
func (s *Server) CreateProcedure(ctx context.Context, r gen.CreateProcedureRequestObject) (gen.CreateProcedureResponseObject, error) {
	id, err := once(ctx, s, "createProcedure", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (uuid.UUID, error) {
		ids, err := pm.AddProcedures(tx, who, now, []pm.NewProcedure{{Code: r.Body.Code, Title: r.Body.Title, IsBlock: val(r.Body.IsBlock)}})
		if err != nil {
			return uuid.Nil, err
		}
		return ids[0], nil
	})
	if err != nil {
		return nil, err
	}
	it, err := s.procedure(ctx, id)
	return gen.CreateProcedure201JSONResponse{Body: procedureOut(it), Headers: gen.CreateProcedure201ResponseHeaders{ETag: etag(it.Version), Location: at("procedures", id)}}, err
}

func (s *Server) procedure(ctx context.Context, id uuid.UUID) (pm.Procedure, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return pm.Procedure{}, err
	}
	return pm.OneProcedure(ctx, s.db, who, id)
}

// GetProcedure reads a procedure.
func (s *Server) GetProcedure(ctx context.Context, r gen.GetProcedureRequestObject) (gen.GetProcedureResponseObject, error) {
	it, err := s.procedure(ctx, r.ProcedureId)
	return gen.GetProcedure200JSONResponse{Body: procedureOut(it), Headers: gen.GetProcedure200ResponseHeaders{ETag: etag(it.Version)}}, err
}

// ReplaceProcedure changes what a procedure is called.
func (s *Server) ReplaceProcedure(ctx context.Context, r gen.ReplaceProcedureRequestObject) (gen.ReplaceProcedureResponseObject, error) {
	version, err := versionSeen(r.Params.IfMatch, func() (int, error) {
		it, err := s.procedure(ctx, r.ProcedureId)
		return it.Version, err
	})
	if err != nil {
		return nil, err
	}
	if _, err := write(ctx, s, func(tx *gorm.DB, who access.Actor, now time.Time) (int, error) {
		return 0, pm.EditProcedure(tx, who, r.ProcedureId, version, r.Body.Title)
	}); err != nil {
		return nil, err
	}
	it, err := s.procedure(ctx, r.ProcedureId)
	return gen.ReplaceProcedure200JSONResponse{Body: procedureOut(it), Headers: gen.ReplaceProcedure200ResponseHeaders{ETag: etag(it.Version)}}, err
}

// ListProcedureVersions lists the versions of a procedure.
func (s *Server) ListProcedureVersions(ctx context.Context, r gen.ListProcedureVersionsRequestObject) (gen.ListProcedureVersionsResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	all, err := pm.Versions(ctx, s.db, who, r.ProcedureId)
	return gen.ListProcedureVersions200JSONResponse{Items: each(all, procedureVersionOut)}, err
}

func (s *Server) procedureVersion(ctx context.Context, id uuid.UUID) (pm.ProcedureVersion, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return pm.ProcedureVersion{}, err
	}
	return pm.OneVersion(ctx, s.db, who, id)
}

// CreateProcedureVersion begins the next version of a procedure.
func (s *Server) CreateProcedureVersion(ctx context.Context, r gen.CreateProcedureVersionRequestObject) (gen.CreateProcedureVersionResponseObject, error) {
	id, err := once(ctx, s, "createProcedureVersion", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (uuid.UUID, error) {
		ids, err := pm.WriteDrafts(tx, who, now, []pm.Write{{Procedure: r.ProcedureId, Content: contentIn(r.Body)}})
		if err != nil {
			return uuid.Nil, err
		}
		return ids[0], parts.CarryLines(tx, who, ids[0])
	})
	if err != nil {
		return nil, err
	}
	it, err := s.procedureVersion(ctx, id)
	return gen.CreateProcedureVersion201JSONResponse{Body: procedureVersionOut(it), Headers: gen.CreateProcedureVersion201ResponseHeaders{ETag: etag(it.Version)}}, err
}

// GetProcedureVersion reads a version.
func (s *Server) GetProcedureVersion(ctx context.Context, r gen.GetProcedureVersionRequestObject) (gen.GetProcedureVersionResponseObject, error) {
	it, err := s.procedureVersion(ctx, r.ProcedureVersionId)
	return gen.GetProcedureVersion200JSONResponse{Body: procedureVersionOut(it), Headers: gen.GetProcedureVersion200ResponseHeaders{ETag: etag(it.Version)}}, err
}

// errPublished says that a version cannot be written any more.
func errPublished(number int) error {
	return &fault.Error{Kind: fault.Conflict, Field: "number", Value: itoa(number), Msg: "is published and never changes; begin the next version"}
}

// ReplaceProcedureVersion writes a version that is not yet published.
func (s *Server) ReplaceProcedureVersion(ctx context.Context, r gen.ReplaceProcedureVersionRequestObject) (gen.ReplaceProcedureVersionResponseObject, error) {
	it, err := s.procedureVersion(ctx, r.ProcedureVersionId)
	if err != nil {
		return nil, err
	}
	version, err := versionSeen(r.Params.IfMatch, func() (int, error) { return it.Version, nil })
	if err != nil {
		return nil, err
	}
	if it.PublishedAt != nil {
		return nil, errPublished(it.Number)
	}
	if _, err := write(ctx, s, func(tx *gorm.DB, who access.Actor, now time.Time) (int, error) {
		_, err := pm.WriteDrafts(tx, who, now, []pm.Write{{Procedure: it.ProcedureID, Version: &version, Content: contentIn(r.Body)}})
		return 0, err
	}); err != nil {
		return nil, err
	}
	it, err = s.procedureVersion(ctx, r.ProcedureVersionId)
	return gen.ReplaceProcedureVersion200JSONResponse{Body: procedureVersionOut(it), Headers: gen.ReplaceProcedureVersion200ResponseHeaders{ETag: etag(it.Version)}}, err
}

// PublishProcedureVersion publishes a version.
func (s *Server) PublishProcedureVersion(ctx context.Context, r gen.PublishProcedureVersionRequestObject) (gen.PublishProcedureVersionResponseObject, error) {
	if _, err := s.procedureVersion(ctx, r.ProcedureVersionId); err != nil {
		return nil, err
	}
	if _, err := once(ctx, s, "publishProcedureVersion", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (int, error) {
		return 0, pm.Publish(tx, who, now, []uuid.UUID{r.ProcedureVersionId})
	}); err != nil {
		return nil, err
	}
	it, err := s.procedureVersion(ctx, r.ProcedureVersionId)
	return gen.PublishProcedureVersion201JSONResponse{Body: procedureVersionOut(it), Headers: gen.PublishProcedureVersion201ResponseHeaders{ETag: etag(it.Version)}}, err
}

// ListUnfoldedSteps gives the steps of a version with those of its blocks.
func (s *Server) ListUnfoldedSteps(ctx context.Context, r gen.ListUnfoldedStepsRequestObject) (gen.ListUnfoldedStepsResponseObject, error) {
	if _, err := s.procedureVersion(ctx, r.ProcedureVersionId); err != nil {
		return nil, err
	}
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	all, err := pm.Unfolded(ctx, s.db, who, r.ProcedureVersionId)
	return gen.ListUnfoldedSteps200JSONResponse{Items: each(all, placedOut)}, err
}

// ListPlans lists plans by code.
func (s *Server) ListPlans(ctx context.Context, r gen.ListPlansRequestObject) (gen.ListPlansResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	p, err := page("plans", r.Params.Cursor, r.Params.Limit)
	if err != nil {
		return nil, err
	}
	rows, err := pm.Plans(ctx, s.db, who, p)
	rows, next := cut("plans", rows, p, func(p pm.Plan) string { return p.Code })
	return gen.ListPlans200JSONResponse{Items: each(rows, planOut), NextCursor: next}, err
}

func (s *Server) plan(ctx context.Context, id uuid.UUID) (pm.Plan, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return pm.Plan{}, err
	}
	return pm.OnePlan(ctx, s.db, who, id)
}

// CreatePlan adds a plan.
func (s *Server) CreatePlan(ctx context.Context, r gen.CreatePlanRequestObject) (gen.CreatePlanResponseObject, error) {
	id, err := once(ctx, s, "createPlan", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (uuid.UUID, error) {
		ids, err := pm.AddPlans(tx, who, now, []pm.NewPlan{{Code: r.Body.Code, Title: r.Body.Title, Procedure: r.Body.Procedure}})
		if err != nil {
			return uuid.Nil, err
		}
		return ids[0], nil
	})
	if err != nil {
		return nil, err
	}
	it, err := s.plan(ctx, id)
	return gen.CreatePlan201JSONResponse{Body: planOut(it), Headers: gen.CreatePlan201ResponseHeaders{ETag: etag(it.Version), Location: at("plans", id)}}, err
}

// GetPlan reads a plan.
func (s *Server) GetPlan(ctx context.Context, r gen.GetPlanRequestObject) (gen.GetPlanResponseObject, error) {
	it, err := s.plan(ctx, r.PlanId)
	return gen.GetPlan200JSONResponse{Body: planOut(it), Headers: gen.GetPlan200ResponseHeaders{ETag: etag(it.Version)}}, err
}

// ReplacePlan changes what a plan is called.
func (s *Server) ReplacePlan(ctx context.Context, r gen.ReplacePlanRequestObject) (gen.ReplacePlanResponseObject, error) {
	version, err := versionSeen(r.Params.IfMatch, func() (int, error) {
		it, err := s.plan(ctx, r.PlanId)
		return it.Version, err
	})
	if err != nil {
		return nil, err
	}
	if _, err := write(ctx, s, func(tx *gorm.DB, who access.Actor, now time.Time) (int, error) {
		return 0, pm.EditPlan(tx, who, r.PlanId, version, r.Body.Title)
	}); err != nil {
		return nil, err
	}
	it, err := s.plan(ctx, r.PlanId)
	return gen.ReplacePlan200JSONResponse{Body: planOut(it), Headers: gen.ReplacePlan200ResponseHeaders{ETag: etag(it.Version)}}, err
}

// EndPlan ends a plan.
func (s *Server) EndPlan(ctx context.Context, r gen.EndPlanRequestObject) (gen.EndPlanResponseObject, error) {
	if _, err := once(ctx, s, "endPlan", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (int, error) {
		return 0, pm.EndPlan(tx, who, now, r.PlanId)
	}); err != nil {
		return nil, err
	}
	it, err := s.plan(ctx, r.PlanId)
	return gen.EndPlan201JSONResponse{Body: planOut(it), Headers: gen.EndPlan201ResponseHeaders{ETag: etag(it.Version)}}, err
}

// ListPlanVersions lists the versions of a plan.
func (s *Server) ListPlanVersions(ctx context.Context, r gen.ListPlanVersionsRequestObject) (gen.ListPlanVersionsResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	all, err := pm.PlanVersions(ctx, s.db, who, r.PlanId)
	return gen.ListPlanVersions200JSONResponse{Items: each(all, planVersionOut)}, err
}

func (s *Server) planVersion(ctx context.Context, id uuid.UUID) (pm.PlanVersion, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return pm.PlanVersion{}, err
	}
	return pm.OnePlanVersion(ctx, s.db, who, id)
}

// CreatePlanVersion begins the next version of a plan.
func (s *Server) CreatePlanVersion(ctx context.Context, r gen.CreatePlanVersionRequestObject) (gen.CreatePlanVersionResponseObject, error) {
	id, err := once(ctx, s, "createPlanVersion", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (uuid.UUID, error) {
		ids, err := pm.WritePlanDrafts(tx, who, now, []pm.WritePlan{{Plan: r.PlanId, Terms: termsIn(r.Body)}})
		if err != nil {
			return uuid.Nil, err
		}
		return ids[0], nil
	})
	if err != nil {
		return nil, err
	}
	it, err := s.planVersion(ctx, id)
	return gen.CreatePlanVersion201JSONResponse{Body: planVersionOut(it), Headers: gen.CreatePlanVersion201ResponseHeaders{ETag: etag(it.Version)}}, err
}

// GetPlanVersion reads a version of a plan.
func (s *Server) GetPlanVersion(ctx context.Context, r gen.GetPlanVersionRequestObject) (gen.GetPlanVersionResponseObject, error) {
	it, err := s.planVersion(ctx, r.PlanVersionId)
	return gen.GetPlanVersion200JSONResponse{Body: planVersionOut(it), Headers: gen.GetPlanVersion200ResponseHeaders{ETag: etag(it.Version)}}, err
}

// ReplacePlanVersion writes a version of a plan that is not yet published.
func (s *Server) ReplacePlanVersion(ctx context.Context, r gen.ReplacePlanVersionRequestObject) (gen.ReplacePlanVersionResponseObject, error) {
	it, err := s.planVersion(ctx, r.PlanVersionId)
	if err != nil {
		return nil, err
	}
	version, err := versionSeen(r.Params.IfMatch, func() (int, error) { return it.Version, nil })
	if err != nil {
		return nil, err
	}
	if it.PublishedAt != nil {
		return nil, errPublished(it.Number)
	}
	if _, err := write(ctx, s, func(tx *gorm.DB, who access.Actor, now time.Time) (int, error) {
		_, err := pm.WritePlanDrafts(tx, who, now, []pm.WritePlan{{Plan: it.PlanID, Version: &version, Terms: termsIn(r.Body)}})
		return 0, err
	}); err != nil {
		return nil, err
	}
	it, err = s.planVersion(ctx, r.PlanVersionId)
	return gen.ReplacePlanVersion200JSONResponse{Body: planVersionOut(it), Headers: gen.ReplacePlanVersion200ResponseHeaders{ETag: etag(it.Version)}}, err
}

// PublishPlanVersion publishes a version of a plan.
func (s *Server) PublishPlanVersion(ctx context.Context, r gen.PublishPlanVersionRequestObject) (gen.PublishPlanVersionResponseObject, error) {
	if _, err := s.planVersion(ctx, r.PlanVersionId); err != nil {
		return nil, err
	}
	if _, err := once(ctx, s, "publishPlanVersion", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (int, error) {
		return 0, pm.PublishPlans(tx, who, now, []uuid.UUID{r.PlanVersionId})
	}); err != nil {
		return nil, err
	}
	it, err := s.planVersion(ctx, r.PlanVersionId)
	return gen.PublishPlanVersion201JSONResponse{Body: planVersionOut(it), Headers: gen.PublishPlanVersion201ResponseHeaders{ETag: etag(it.Version)}}, err
}

func findingOut(f pm.Finding) gen.WorkFinding {
	return gen.WorkFinding{Kind: f.Kind, Says: f.Says, AssignmentId: f.AssignmentID, Plan: some(f.PlanCode), Title: some(f.Title), SiteId: f.SiteID, Position: some(f.PositionCode), Unit: some(f.UnitTag)}
}

// ListPlanFindings lists plans that nothing can be for.
func (s *Server) ListPlanFindings(ctx context.Context, _ gen.ListPlanFindingsRequestObject) (gen.ListPlanFindingsResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	all, err := pm.PlanFindings(ctx, s.db, who)
	return gen.ListPlanFindings200JSONResponse{Items: each(all, findingOut)}, err
}

// Sweep looks at what has changed or come.
func (s *Server) Sweep(ctx context.Context, _ gen.SweepRequestObject) (gen.SweepResponseObject, error) {
	if _, err := door.Must(ctx); err != nil {
		return nil, err
	}
	d, err := pm.Tick(ctx, s.db, s.now())
	return gen.Sweep200JSONResponse{Sites: d.Sites, Appeared: d.Appeared, Ended: d.Ended, Followed: d.Followed, Unclear: d.Unclear, Judged: d.Assignments, Missed: d.Judged.Missed, Raised: d.Raised}, err
}
