package httpapi

import (
	"context"
	"time"

	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/door"
	"spindlebook/internal/httpapi/gen"
)

// ListPositionKinds lists the kinds of position.
func (s *Server) ListPositionKinds(ctx context.Context, _ gen.ListPositionKindsRequestObject) (gen.ListPositionKindsResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	all, err := assets.PositionKinds(ctx, s.db, who)
	return gen.ListPositionKinds200JSONResponse{Items: each(all, func(k assets.PositionKind) gen.PositionKind {
		return gen.PositionKind{Code: k.Code, Name: k.Name, Duty: gen.PositionKindDuty(k.Duty), Turns: gen.PositionKindTurns(k.Turns)}
	})}, err
}

// ListFactKinds lists what can be recorded about a position.
func (s *Server) ListFactKinds(ctx context.Context, _ gen.ListFactKindsRequestObject) (gen.ListFactKindsResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	all, err := assets.FactKinds(ctx, s.db, who)
	return gen.ListFactKinds200JSONResponse{Items: each(all, func(k assets.FactKind) gen.FactKind {
		return gen.FactKind{Code: k.Code, Name: k.Name, Takes: gen.FactKindTakes(k.Takes), Choices: k.Choices}
	})}, err
}

// ListPositions lists positions.
func (s *Server) ListPositions(ctx context.Context, r gen.ListPositionsRequestObject) (gen.ListPositionsResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	p, err := page("positions", r.Params.Cursor, r.Params.Limit)
	if err != nil {
		return nil, err
	}
	f := assets.PositionFilter{SiteID: r.Params.SiteId, LineID: r.Params.LineId, Kind: r.Params.Kind, State: (*string)(r.Params.State)}
	rows, err := assets.Positions(ctx, s.db, who, f, p)
	rows, next := cut("positions", rows, p, func(p assets.Position) string { return p.Code })
	return gen.ListPositions200JSONResponse{Items: each(rows, positionOut), NextCursor: next}, err
}

// CreatePosition adds a position.
func (s *Server) CreatePosition(ctx context.Context, r gen.CreatePositionRequestObject) (gen.CreatePositionResponseObject, error) {
	it, err := once(ctx, s, "createPosition", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (assets.Position, error) {
		return assets.AddPosition(tx, who, now, newPositionIn(*r.Body))
	})
	return gen.CreatePosition201JSONResponse{Body: positionOut(it), Headers: gen.CreatePosition201ResponseHeaders{ETag: etag(it.Version), Location: at("positions", it.ID)}}, err
}

// CreatePositions adds many positions, all or none.
func (s *Server) CreatePositions(ctx context.Context, r gen.CreatePositionsRequestObject) (gen.CreatePositionsResponseObject, error) {
	all, err := once(ctx, s, "createPositions", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) ([]assets.Position, error) {
		return assets.AddPositions(tx, who, now, each(r.Body.Items, newPositionIn))
	})
	return gen.CreatePositions201JSONResponse{Items: each(all, positionOut)}, err
}

// GetPosition reads a position.
func (s *Server) GetPosition(ctx context.Context, r gen.GetPositionRequestObject) (gen.GetPositionResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	it, err := assets.OnePosition(ctx, s.db, who, r.PositionId)
	return gen.GetPosition200JSONResponse{Body: positionOut(it), Headers: gen.GetPosition200ResponseHeaders{ETag: etag(it.Version)}}, err
}

// positionVersion gives the version of a position that an edit names.
func (s *Server) positionVersion(ctx context.Context, ifMatch *string, id gen.PositionId) (int, error) {
	return versionSeen(ifMatch, func() (int, error) {
		who, err := door.Must(ctx)
		if err != nil {
			return 0, err
		}
		it, err := assets.OnePosition(ctx, s.db, who, id)
		return it.Version, err
	})
}

// ReplacePosition edits a position.
func (s *Server) ReplacePosition(ctx context.Context, r gen.ReplacePositionRequestObject) (gen.ReplacePositionResponseObject, error) {
	version, err := s.positionVersion(ctx, r.Params.IfMatch, r.PositionId)
	if err != nil {
		return nil, err
	}
	it, err := write(ctx, s, func(tx *gorm.DB, who access.Actor, _ time.Time) (assets.Position, error) {
		return assets.EditPosition(tx, who, r.PositionId, version, positionIn(*r.Body))
	})
	return gen.ReplacePosition200JSONResponse{Body: positionOut(it), Headers: gen.ReplacePosition200ResponseHeaders{ETag: etag(it.Version)}}, err
}

// PairPosition names the twin of a position, or parts the pair.
func (s *Server) PairPosition(ctx context.Context, r gen.PairPositionRequestObject) (gen.PairPositionResponseObject, error) {
	version, err := s.positionVersion(ctx, r.Params.IfMatch, r.PositionId)
	if err != nil {
		return nil, err
	}
	it, err := write(ctx, s, func(tx *gorm.DB, who access.Actor, _ time.Time) (assets.Position, error) {
		return assets.Pair(tx, who, r.PositionId, version, r.Body.TwinId)
	})
	return gen.PairPosition200JSONResponse{Body: positionOut(it), Headers: gen.PairPosition200ResponseHeaders{ETag: etag(it.Version)}}, err
}

// ListStates lists the states of a position.
func (s *Server) ListStates(ctx context.Context, r gen.ListStatesRequestObject) (gen.ListStatesResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	all, err := assets.States(ctx, s.db, who, r.PositionId)
	return gen.ListStates200JSONResponse(statesOut(all)), err
}

// ChangeState records a change of state.
func (s *Server) ChangeState(ctx context.Context, r gen.ChangeStateRequestObject) (gen.ChangeStateResponseObject, error) {
	all, err := once(ctx, s, "changeState", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) ([]assets.State, error) {
		return assets.ChangeState(tx, who, now, r.PositionId, string(r.Body.State), r.Body.From, val(r.Body.Reason))
	})
	return gen.ChangeState201JSONResponse(statesOut(all)), err
}

// ListFacts lists what a position requires.
func (s *Server) ListFacts(ctx context.Context, r gen.ListFactsRequestObject) (gen.ListFactsResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	all, err := assets.Facts(ctx, s.db, who, r.PositionId)
	return gen.ListFacts200JSONResponse{Items: each(all, factOut)}, err
}

// RecordFact records a fact of a position.
func (s *Server) RecordFact(ctx context.Context, r gen.RecordFactRequestObject) (gen.RecordFactResponseObject, error) {
	it, err := once(ctx, s, "recordFact", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (assets.Fact, error) {
		return assets.Record(tx, who, now, r.PositionId, newFactIn(r.Body))
	})
	return gen.RecordFact201JSONResponse(factOut(it)), err
}

// WithdrawFact takes a fact back.
func (s *Server) WithdrawFact(ctx context.Context, r gen.WithdrawFactRequestObject) (gen.WithdrawFactResponseObject, error) {
	it, err := once(ctx, s, "withdrawFact", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (assets.Fact, error) {
		return assets.Withdraw(tx, who, now, r.PositionId, r.FactId, r.Body.Reason)
	})
	return gen.WithdrawFact200JSONResponse(factOut(it)), err
}

// ListIsolationPoints lists the isolation points of a site.
func (s *Server) ListIsolationPoints(ctx context.Context, r gen.ListIsolationPointsRequestObject) (gen.ListIsolationPointsResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	all, err := assets.IsolationPoints(ctx, s.db, who, s.now(), r.SiteId)
	return gen.ListIsolationPoints200JSONResponse(pointsOut(all)), err
}

// CreateIsolationPoint adds an isolation point.
func (s *Server) CreateIsolationPoint(ctx context.Context, r gen.CreateIsolationPointRequestObject) (gen.CreateIsolationPointResponseObject, error) {
	it, err := once(ctx, s, "createIsolationPoint", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (assets.IsolationPoint, error) {
		b := r.Body
		return assets.AddIsolationPoint(tx, who, now, r.SiteId, b.Code, string(b.Energy), isolationIn(gen.IsolationEdit{Place: b.Place, Isolate: b.Isolate,
			Prove: b.Prove, Restore: b.Restore, Lockable: b.Lockable, InSight: b.InSight, CheckedOn: b.CheckedOn, CheckedBy: b.CheckedBy, ValidFrom: b.ValidFrom}))
	})
	return gen.CreateIsolationPoint201JSONResponse{Body: pointOut(it), Headers: gen.CreateIsolationPoint201ResponseHeaders{Location: at("isolation-points", it.ID)}}, err
}

// GetIsolationPoint reads an isolation point with all its versions.
func (s *Server) GetIsolationPoint(ctx context.Context, r gen.GetIsolationPointRequestObject) (gen.GetIsolationPointResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	it, err := assets.OneIsolationPoint(ctx, s.db, who, r.PointId)
	return gen.GetIsolationPoint200JSONResponse(pointOut(it)), err
}

// CreateIsolationVersion records a check or a change of a point.
func (s *Server) CreateIsolationVersion(ctx context.Context, r gen.CreateIsolationVersionRequestObject) (gen.CreateIsolationVersionResponseObject, error) {
	it, err := once(ctx, s, "createIsolationVersion", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (assets.IsolationPoint, error) {
		return assets.ReviseIsolationPoint(tx, who, now, r.PointId, isolationIn(*r.Body))
	})
	return gen.CreateIsolationVersion201JSONResponse(pointOut(it)), err
}

// ListPositionIsolation lists where a position is isolated.
func (s *Server) ListPositionIsolation(ctx context.Context, r gen.ListPositionIsolationRequestObject) (gen.ListPositionIsolationResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	all, err := assets.PositionIsolation(ctx, s.db, who, s.now(), r.PositionId)
	return gen.ListPositionIsolation200JSONResponse(pointsOut(all)), err
}

// ReplacePositionIsolation names the isolation points of a position.
func (s *Server) ReplacePositionIsolation(ctx context.Context, r gen.ReplacePositionIsolationRequestObject) (gen.ReplacePositionIsolationResponseObject, error) {
	version, err := s.positionVersion(ctx, r.Params.IfMatch, r.PositionId)
	if err != nil {
		return nil, err
	}
	var all []assets.IsolationPoint
	it, err := write(ctx, s, func(tx *gorm.DB, who access.Actor, now time.Time) (it assets.Position, err error) {
		it, all, err = assets.SetIsolation(tx, who, now, r.PositionId, version, r.Body.PointIds)
		return it, err
	})
	return gen.ReplacePositionIsolation200JSONResponse{Body: pointsOut(all), Headers: gen.ReplacePositionIsolation200ResponseHeaders{ETag: etag(it.Version)}}, err
}
