package httpapi

import (
	"context"
	"strconv"
	"time"

	openapi_types "github.com/oapi-codegen/runtime/types"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/door"
	"spindlebook/internal/httpapi/gen"
	"spindlebook/internal/pm/failure"
	"spindlebook/internal/pm/visits"
)

// ListFailureModes lists how failures show themselves.
func (s *Server) ListFailureModes(ctx context.Context, r gen.ListFailureModesRequestObject) (gen.ListFailureModesResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	all, err := failure.Modes(ctx, s.db, who, r.Params.Kind)
	return gen.ListFailureModes200JSONResponse{Items: each(all, func(m failure.Mode) gen.FailureMode {
		return gen.FailureMode{Code: m.Code, About: m.About, Name: m.Name, Mechanism: gen.FailureMechanism(m.Mechanism), Sign: m.Sign, Kinds: m.Kinds}
	})}, err
}

// ListFaults lists faults, the latest first.
func (s *Server) ListFaults(ctx context.Context, r gen.ListFaultsRequestObject) (gen.ListFaultsResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	p, err := page("faults", r.Params.Cursor, r.Params.Limit)
	if err != nil {
		return nil, err
	}
	rows, err := failure.List(ctx, s.db, who, failure.Filter{SiteID: r.Params.SiteId, PositionID: r.Params.PositionId, Open: val(r.Params.Open)}, p)
	rows, next := cut("faults", rows, p, func(f failure.Fault) string { return strconv.FormatInt(f.Number, 10) })
	now := s.now()
	return gen.ListFaults200JSONResponse{Items: each(rows, func(f failure.Fault) gen.Fault { return faultOut(f, now) }), NextCursor: next}, err
}

// ReportFault reports a fault.
func (s *Server) ReportFault(ctx context.Context, r gen.ReportFaultRequestObject) (gen.ReportFaultResponseObject, error) {
	it, err := once(ctx, s, "reportFault", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (failure.Fault, error) {
		b := r.Body
		return failure.Add(tx, who, now, failure.New{SiteID: b.SiteId, LineID: b.LineId, PositionID: b.PositionId, UnitID: b.UnitId, Mode: val(b.Mode),
			Edit: faultIn(gen.FaultEdit{Says: b.Says, Detected: b.Detected, Before: b.Before, LineEffect: b.LineEffect, Danger: b.Danger, NoticedAt: b.NoticedAt,
				ReportedAt: b.ReportedAt, StoppedAt: b.StoppedAt, RestoredAt: b.RestoredAt, Caller: b.Caller, Payer: b.Payer, VehiclesLost: b.VehiclesLost, Remedy: b.Remedy, CausedById: b.CausedById})})
	})
	return gen.ReportFault201JSONResponse{Body: faultOut(it, s.now()), Headers: gen.ReportFault201ResponseHeaders{ETag: etag(it.Version), Location: at("faults", it.ID)}}, err
}

// GetFault reads a fault with its findings and its work.
func (s *Server) GetFault(ctx context.Context, r gen.GetFaultRequestObject) (gen.GetFaultResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	it, err := failure.One(ctx, s.db, who, r.FaultId)
	if err != nil {
		return nil, err
	}
	findings, err := failure.Findings(ctx, s.db, who, it.ID)
	if err != nil {
		return nil, err
	}
	tasks, err := failure.Tasks(ctx, s.db, who, it.ID)
	return gen.GetFault200JSONResponse{Body: gen.FaultWhole{Fault: faultOut(it, s.now()), Findings: each(findings, findingOf), Tasks: each(tasks, faultTaskOut)},
		Headers: gen.GetFault200ResponseHeaders{ETag: etag(it.Version)}}, err
}

// ListNear lists who is out around now, the nearest to a fault first.
func (s *Server) ListNear(ctx context.Context, r gen.ListNearRequestObject) (gen.ListNearResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	f, err := failure.One(ctx, s.db, who, r.FaultId)
	if err != nil {
		return nil, err
	}
	all, err := visits.Near(ctx, s.db, who, s.now(), f.SiteID, f.PositionID)
	return gen.ListNear200JSONResponse{Items: each(all, func(n visits.Nearby) gen.NearPerson {
		return gen.NearPerson{PersonId: n.PersonID, Person: n.Person, VisitId: n.VisitID, Site: n.SiteCode, SiteName: n.SiteName, StartsAt: n.StartsAt, EndsAt: n.EndsAt, State: n.State, Van: given(n.VanCode), Kilometres: n.Kilometres,
			Parts: each(n.Parts, func(c visits.Carried) gen.CarriedPart {
				return gen.CarriedPart{PartId: c.PartID, Number: c.Number, Says: c.Says, Amount: c.Amount.String(), Unit: c.Unit}
			})}
	})}, err
}

// ReplaceFault says what is better known by now.
func (s *Server) ReplaceFault(ctx context.Context, r gen.ReplaceFaultRequestObject) (gen.ReplaceFaultResponseObject, error) {
	version, err := versionSeen(r.Params.IfMatch, func() (int, error) {
		who, err := door.Must(ctx)
		if err != nil {
			return 0, err
		}
		it, err := failure.One(ctx, s.db, who, r.FaultId)
		return it.Version, err
	})
	if err != nil {
		return nil, err
	}
	it, err := write(ctx, s, func(tx *gorm.DB, who access.Actor, now time.Time) (failure.Fault, error) {
		return failure.Say(tx, who, now, r.FaultId, version, faultIn(*r.Body))
	})
	return gen.ReplaceFault200JSONResponse{Body: faultOut(it, s.now()), Headers: gen.ReplaceFault200ResponseHeaders{ETag: etag(it.Version)}}, err
}

// FindFault says what a fault was.
func (s *Server) FindFault(ctx context.Context, r gen.FindFaultRequestObject) (gen.FindFaultResponseObject, error) {
	it, err := once(ctx, s, "findFault", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (failure.Fault, error) {
		return failure.Find(tx, who, now, r.FaultId, failure.NewFinding{Mode: val(r.Body.Mode), Mechanism: string(r.Body.Mechanism), Cause: string(r.Body.Cause), Note: val(r.Body.Note)})
	})
	return gen.FindFault201JSONResponse{Body: faultOut(it, s.now()), Headers: gen.FindFault201ResponseHeaders{ETag: etag(it.Version)}}, err
}

// HoldFault records a temporary fix.
func (s *Server) HoldFault(ctx context.Context, r gen.HoldFaultRequestObject) (gen.HoldFaultResponseObject, error) {
	it, err := once(ctx, s, "holdFault", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (failure.Fault, error) {
		return failure.HoldUntil(tx, who, now, r.FaultId, r.Body.Says, r.Body.LastingBy.Format(time.DateOnly))
	})
	return gen.HoldFault201JSONResponse{Body: faultOut(it, s.now()), Headers: gen.HoldFault201ResponseHeaders{ETag: etag(it.Version)}}, err
}

// WithdrawFault takes back what was reported in error.
func (s *Server) WithdrawFault(ctx context.Context, r gen.WithdrawFaultRequestObject) (gen.WithdrawFaultResponseObject, error) {
	it, err := once(ctx, s, "withdrawFault", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (failure.Fault, error) {
		return failure.Withdraw(tx, who, now, r.FaultId, r.Body.Reason)
	})
	return gen.WithdrawFault201JSONResponse{Body: faultOut(it, s.now()), Headers: gen.WithdrawFault201ResponseHeaders{ETag: etag(it.Version)}}, err
}

func faultIn(b gen.FaultEdit) failure.Edit {
	in := failure.Edit{Says: b.Says, Detected: string(b.Detected), Before: string(val(b.Before)), LineEffect: string(b.LineEffect), Danger: val(b.Danger), NoticedAt: b.NoticedAt,
		ReportedAt: b.ReportedAt, StoppedAt: b.StoppedAt, RestoredAt: b.RestoredAt, Caller: val(b.Caller), Payer: string(val(b.Payer)), VehiclesLost: b.VehiclesLost, Remedy: val(b.Remedy), CausedByID: b.CausedById}
	if in.Before == "" {
		in.Before = "unknown"
	}
	if in.Payer == "" {
		in.Payer = "not_said"
	}
	return in
}

func faultOut(f failure.Fault, now time.Time) gen.Fault {
	out := gen.Fault{Id: f.ID, Number: f.Number, SiteId: f.SiteID, SiteCode: f.SiteCode, LineId: f.LineID, LineCode: f.LineCode, PositionId: f.PositionID, PositionCode: f.PositionCode,
		UnitId: f.UnitID, UnitTag: f.UnitTag, Says: f.Says, Detected: gen.FaultDetected(f.Detected), Before: gen.FaultBefore(f.Before), LineEffect: gen.LineEffect(f.LineEffect), Danger: f.Danger,
		NoticedAt: f.NoticedAt, ReportedAt: f.ReportedAt, StoppedAt: f.StoppedAt, RestoredAt: f.RestoredAt, Payer: gen.FaultPayer(f.Payer), VehiclesLost: f.VehiclesLost,
		CausedById: f.CausedByID, State: gen.FaultState(f.State()), LastedMinutes: int(f.Lasted(now).Minutes()), Temporary: f.Temporary, LastingBy: dateOut(f.Until),
		WithdrawnAt: f.WithdrawnAt, WithdrawnReason: f.WithdrawnWhy, CreatedAt: f.CreatedAt, CreatedBy: f.CreatedBy, Version: f.Version}
	if f.Caller != "" {
		out.Caller = &f.Caller
	}
	if f.Remedy != "" {
		out.Remedy = &f.Remedy
	}
	if f.StoppedAt != nil {
		out.StoodMinutes = new(int(f.Stood(now).Minutes()))
	}
	if f.Last != nil {
		out.Finding = new(findingOf(*f.Last))
	}
	return out
}

func findingOf(f failure.Finding) gen.FaultFinding {
	return gen.FaultFinding{Mode: f.Mode, ModeName: f.ModeName, Mechanism: gen.FailureMechanism(f.Mechanism), Cause: gen.FailureCause(f.Cause), Note: f.Note, FoundAt: f.At, FoundBy: f.By}
}

func faultTaskOut(t failure.Task) gen.FaultTask {
	out := gen.FaultTask{Id: t.ID, Number: t.Number, Title: t.Title, State: t.State, DueOn: *dateOut(&t.DueOn), Why: gen.FaultTaskWhy(t.Why)}
	if t.Temporary != "" {
		out.Temporary = &t.Temporary
	}
	return out
}

// dateOut gives a day that the database wrote.
func dateOut(day *string) *openapi_types.Date {
	if day == nil {
		return nil
	}
	it, err := time.Parse(time.DateOnly, *day)
	if err != nil {
		return nil
	}
	return &openapi_types.Date{Time: it}
}
