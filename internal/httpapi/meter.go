package httpapi

import (
	"context"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/assets/meters"
	"spindlebook/internal/assets/meters/outlook"
	"spindlebook/internal/door"
	"spindlebook/internal/httpapi/gen"
)

// formatted writes an optional amount.
func formatted(u meters.Unit, amount *int64) *string {
	if amount == nil {
		return nil
	}
	s := u.Format(*amount)
	return &s
}

func meterOut(m meters.Meter) gen.Meter {
	out := gen.Meter{Id: m.ID, SiteId: m.SiteID, Code: m.Code, Kind: gen.MeterKind(m.Kind), Unit: gen.MeterUnit(m.Unit), Counts: m.Counts, MostPerHour: m.MostPerHour,
		From: m.From, Until: m.Until, LineId: m.LineID, PositionId: m.PositionID, Primary: m.IsPrimary, Shows: m.Shows, Digits: m.Digits, Decimals: m.Decimals, Serial: some(val(m.Serial)),
		LastAt: m.LastAt, LastValue: formatted(m.Unit, m.LastValue), LastTotal: formatted(m.Unit, m.LastTotal), Version: m.Version, CreatedAt: m.CreatedAt}
	if m.Modulus != nil && m.Shows != nil {
		out.Modulus = some(meters.FormatIn(*m.Modulus, *m.Shows))
	}
	return out
}

func counterIn(shows *gen.FaceUnit, modulus *string, digits, decimals *int, serial *string) meters.Counter {
	return meters.Counter{Shows: string(val(shows)), Modulus: val(modulus), Digits: digits, Decimals: val(decimals), Serial: val(serial)}
}

func meterPage(list string, rows []meters.Meter, p access.Page, err error) (gen.MeterPage, error) {
	rows, next := cut(list, rows, p, func(m meters.Meter) string { return m.Code })
	return gen.MeterPage{Items: each(rows, meterOut), NextCursor: next}, err
}

// ListMeters lists meters.
func (s *Server) ListMeters(ctx context.Context, r gen.ListMetersRequestObject) (gen.ListMetersResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	p, err := page("meters", r.Params.Cursor, r.Params.Limit)
	if err != nil {
		return nil, err
	}
	rows, err := meters.List(ctx, s.db, who, meters.Filter{SiteID: r.Params.SiteId, LineID: r.Params.LineId, PositionID: r.Params.PositionId, Unit: (*string)(r.Params.Unit)}, p)
	out, err := meterPage("meters", rows, p, err)
	return gen.ListMeters200JSONResponse(out), err
}

// ListQuietMeters lists meters that nobody has read for long.
func (s *Server) ListQuietMeters(ctx context.Context, r gen.ListQuietMetersRequestObject) (gen.ListQuietMetersResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	p, err := page("quiet", r.Params.Cursor, r.Params.Limit)
	if err != nil {
		return nil, err
	}
	rows, err := meters.Quiet(ctx, s.db, who, s.now(), r.Params.SiteId, p)
	out, err := meterPage("quiet", rows, p, err)
	return gen.ListQuietMeters200JSONResponse(out), err
}

// CreateMeter adds a meter.
func (s *Server) CreateMeter(ctx context.Context, r gen.CreateMeterRequestObject) (gen.CreateMeterResponseObject, error) {
	it, err := once(ctx, s, "createMeter", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (meters.Meter, error) {
		b := r.Body
		return meters.Add(tx, who, now, meters.NewMeter{SiteID: b.SiteId, From: b.From, Unit: meters.Unit(b.Unit),
			Edit: meters.Edit{Code: b.Code, Kind: string(b.Kind), Counts: val(b.Counts), MostPerHour: b.MostPerHour,
				Counter: counterIn(b.Shows, b.Modulus, b.Digits, b.Decimals, b.Serial)},
			Thing: meters.Thing{LineID: b.LineId, PositionID: b.PositionId, Primary: val(b.Primary)}})
	})
	return gen.CreateMeter201JSONResponse{Body: meterOut(it), Headers: gen.CreateMeter201ResponseHeaders{ETag: etag(it.Version), Location: at("meters", it.ID)}}, err
}

// GetMeter reads a meter.
func (s *Server) GetMeter(ctx context.Context, r gen.GetMeterRequestObject) (gen.GetMeterResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	it, err := meters.One(ctx, s.db, who, r.MeterId)
	return gen.GetMeter200JSONResponse{Body: meterOut(it), Headers: gen.GetMeter200ResponseHeaders{ETag: etag(it.Version)}}, err
}

// ReplaceMeter edits a meter.
func (s *Server) ReplaceMeter(ctx context.Context, r gen.ReplaceMeterRequestObject) (gen.ReplaceMeterResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	version, err := versionSeen(r.Params.IfMatch, func() (int, error) {
		it, err := meters.One(ctx, s.db, who, r.MeterId)
		return it.Version, err
	})
	if err != nil {
		return nil, err
	}
	it, err := write(ctx, s, func(tx *gorm.DB, who access.Actor, now time.Time) (meters.Meter, error) {
		b := r.Body
		return meters.Change(tx, who, now, r.MeterId, version, meters.Edit{Code: b.Code, Kind: string(b.Kind), Counts: val(b.Counts), MostPerHour: b.MostPerHour,
			Counter: counterIn(b.Shows, b.Modulus, b.Digits, b.Decimals, nil)})
	})
	return gen.ReplaceMeter200JSONResponse{Body: meterOut(it), Headers: gen.ReplaceMeter200ResponseHeaders{ETag: etag(it.Version)}}, err
}

func placesOut(all []meters.Placement) gen.MeterPlaces {
	return gen.MeterPlaces{Items: each(all, func(p meters.Placement) gen.MeterPlace {
		return gen.MeterPlace{Id: p.ID, LineId: p.LineID, PositionId: p.PositionID, Code: p.Code, Primary: p.IsPrimary, From: p.From, Until: p.Until}
	})}
}

// ListMeterPlaces lists what a meter belongs to and belonged to.
func (s *Server) ListMeterPlaces(ctx context.Context, r gen.ListMeterPlacesRequestObject) (gen.ListMeterPlacesResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	all, err := meters.Placements(ctx, s.db, who, r.MeterId)
	return gen.ListMeterPlaces200JSONResponse(placesOut(all)), err
}

// PlaceMeter lets a meter belong to another thing.
func (s *Server) PlaceMeter(ctx context.Context, r gen.PlaceMeterRequestObject) (gen.PlaceMeterResponseObject, error) {
	all, err := once(ctx, s, "placeMeter", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) ([]meters.Placement, error) {
		return meters.Place(tx, who, now, r.MeterId, r.Body.From, meters.Thing{LineID: r.Body.LineId, PositionID: r.Body.PositionId, Primary: val(r.Body.Primary)})
	})
	return gen.PlaceMeter201JSONResponse(placesOut(all)), err
}

func runsOut(all []meters.Run) gen.Runs {
	return gen.Runs{Items: each(all, func(g meters.Run) gen.Run {
		out := gen.Run{Id: g.ID, From: g.From, Until: g.Until, How: gen.RunHow(g.How), StartValue: g.Unit.Format(g.StartValue), PreviousLast: formatted(g.Unit, g.PreviousLast),
			Base: g.Unit.Format(g.Base), Shows: g.Shows, Digits: g.Digits, Decimals: g.Decimals, Serial: some(g.Serial), Reason: some(g.Reason), RecordedAt: g.RecordedAt, RecordedBy: g.RecordedBy}
		if g.Modulus != nil {
			out.Modulus = some(meters.FormatIn(*g.Modulus, g.Shows))
		}
		return out
	})}
}

// ListRuns lists the runs of a meter's counters.
func (s *Server) ListRuns(ctx context.Context, r gen.ListRunsRequestObject) (gen.ListRunsResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	all, err := meters.Runs(ctx, s.db, who, r.MeterId)
	return gen.ListRuns200JSONResponse(runsOut(all)), err
}

// CreateRun records that a new run of a counter began.
func (s *Server) CreateRun(ctx context.Context, r gen.CreateRunRequestObject) (gen.CreateRunResponseObject, error) {
	all, err := once(ctx, s, "createRun", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) ([]meters.Run, error) {
		b := r.Body
		return meters.Joined(tx, who, now, r.MeterId, meters.Join{At: b.At, How: string(b.How), OldLast: val(b.OldLast), NewFirst: val(b.NewFirst),
			Counter: counterIn(b.Shows, b.Modulus, b.Digits, b.Decimals, b.Serial), Reason: val(b.Reason)})
	})
	return gen.CreateRun201JSONResponse(runsOut(all)), err
}

// DistrustMeter marks a counter as not to be relied on.
func (s *Server) DistrustMeter(ctx context.Context, r gen.DistrustMeterRequestObject) (gen.DistrustMeterResponseObject, error) {
	all, err := once(ctx, s, "distrustMeter", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) ([]meters.Run, error) {
		return meters.Distrust(tx, who, now, r.ReadingId, r.Body.Reason)
	})
	return gen.DistrustMeter200JSONResponse(runsOut(all)), err
}

func formulasOut(all []meters.Formula) gen.Formulas {
	return gen.Formulas{Items: each(all, func(f meters.Formula) gen.Formula {
		return gen.Formula{Id: f.ID, From: f.From, Until: f.Until, Ratio: f.Ratio, LearntFrom: f.LearntFrom, LearntN: f.LearntN,
			Terms: each(f.Terms, func(t meters.Term) gen.FormulaTerm { return gen.FormulaTerm{MeterId: t.MeterID, Weight: &t.Weight} })}
	})}
}

// ListFormulas lists how a derived meter is and was computed.
func (s *Server) ListFormulas(ctx context.Context, r gen.ListFormulasRequestObject) (gen.ListFormulasResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	all, err := meters.Formulas(ctx, s.db, who, r.MeterId)
	return gen.ListFormulas200JSONResponse(formulasOut(all)), err
}

// CreateFormula says how a derived meter is computed from an instant on.
func (s *Server) CreateFormula(ctx context.Context, r gen.CreateFormulaRequestObject) (gen.CreateFormulaResponseObject, error) {
	all, err := once(ctx, s, "createFormula", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) ([]meters.Formula, error) {
		return meters.Derive(tx, who, now, r.MeterId, meters.NewFormula{From: r.Body.From, Ratio: val(r.Body.Ratio), LearnFrom: r.Body.LearnFrom,
			Terms: each(r.Body.Terms, func(t gen.FormulaTerm) meters.Term {
				weight := 1.0
				if t.Weight != nil {
					weight = *t.Weight
				}
				return meters.Term{MeterID: t.MeterId, Weight: weight}
			})})
	})
	return gen.CreateFormula201JSONResponse(formulasOut(all)), err
}

// GetMeterTotal gives what a meter has counted up to an instant.
func (s *Server) GetMeterTotal(ctx context.Context, r gen.GetMeterTotalRequestObject) (gen.GetMeterTotalResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	m, err := meters.One(ctx, s.db, who, r.MeterId)
	if err != nil {
		return nil, err
	}
	days, err := outlook.Of(ctx, s.db, who, s.now(), m.SiteID)
	if err != nil {
		return nil, err
	}
	t, err := meters.At(ctx, s.db, who, days.Scale, r.MeterId, s.asOf(r.Params.AsOf))
	return gen.GetMeterTotal200JSONResponse{Unit: gen.MeterUnit(t.Unit), Amount: t.Unit.Format(t.Amount), Grade: gen.Grade(t.Grade.String()), ReadAt: t.ReadAt}, err
}

// GetUnitUse gives what a unit has done.
func (s *Server) GetUnitUse(ctx context.Context, r gen.GetUnitUseRequestObject) (gen.GetUnitUseResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	stays, err := assets.UnitHistory(ctx, s.db, who, s.now(), r.UnitId)
	if err != nil {
		return nil, err
	}
	var sites []uuid.UUID
	for _, stay := range stays {
		if stay.SiteID != nil {
			sites = append(sites, *stay.SiteID)
		}
	}
	days, err := outlook.Of(ctx, s.db, who, s.now(), sites...)
	if err != nil {
		return nil, err
	}
	u, err := meters.UseOfOne(ctx, s.db, who, days.Scale, r.UnitId, s.asOf(r.Params.AsOf))
	used := func(unit meters.Unit, a meters.Used) *gen.UsedAmount {
		if !a.Known {
			return nil
		}
		return &gen.UsedAmount{Amount: unit.Format(a.Amount), Grade: gen.Grade(a.Grade.String())}
	}
	return gen.GetUnitUse200JSONResponse{Hours: used(meters.Hours, u.Hours), Vehicles: used(meters.Vehicles, u.Vehicles), Cycles: used(meters.Cycles, u.Cycles),
		Days: u.Days, StartKnown: u.StartKnown}, err
}

func sharesOut(all []meters.Share) gen.Shares {
	return gen.Shares{Items: each(all, func(h meters.Share) gen.Share {
		return gen.Share{Id: h.ID, Share: h.Share, Reason: h.Reason, From: h.From, Until: h.Until}
	})}
}

// ListShares lists which share of the vehicles a brush washes.
func (s *Server) ListShares(ctx context.Context, r gen.ListSharesRequestObject) (gen.ListSharesResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	all, err := meters.Shares(ctx, s.db, who, r.PositionId)
	return gen.ListShares200JSONResponse(sharesOut(all)), err
}

// CreateShare says which share of the vehicles a brush washes from an instant on.
func (s *Server) CreateShare(ctx context.Context, r gen.CreateShareRequestObject) (gen.CreateShareResponseObject, error) {
	all, err := once(ctx, s, "createShare", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) ([]meters.Share, error) {
		from := now
		if r.Body.From != nil {
			from = *r.Body.From
		}
		return meters.SetShare(tx, who, now, r.PositionId, r.Body.Share, from, val(r.Body.Reason))
	})
	return gen.CreateShare201JSONResponse(sharesOut(all)), err
}

// ListMeterFindings lists what is the matter with the meters of a site.
func (s *Server) ListMeterFindings(ctx context.Context, r gen.ListMeterFindingsRequestObject) (gen.ListMeterFindingsResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	days, err := outlook.Of(ctx, s.db, who, s.now(), r.SiteId)
	if err != nil {
		return nil, err
	}
	all, err := meters.Findings(ctx, s.db, who, s.now(), days.Scale, r.SiteId)
	return gen.ListMeterFindings200JSONResponse{Items: each(all, func(f meters.Finding) gen.MeterFinding {
		return gen.MeterFinding{Kind: gen.MeterFindingKind(f.Kind), MeterId: f.MeterID, Meter: f.Meter, Says: f.Says}
	})}, err
}

// ReconcileMeters tells how far counters of one thing are apart.
func (s *Server) ReconcileMeters(ctx context.Context, r gen.ReconcileMetersRequestObject) (gen.ReconcileMetersResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	days, err := outlook.Of(ctx, s.db, who, s.now(), r.SiteId)
	if err != nil {
		return nil, err
	}
	all, err := meters.Reconcile(ctx, s.db, who, days.Scale, r.SiteId)
	return gen.ReconcileMeters200JSONResponse{Items: each(all, func(g meters.Gap) gen.Gap {
		return gen.Gap{PrimaryId: g.PrimaryID, Primary: g.Primary, OtherId: g.OtherID, Other: g.Other, Unit: gen.MeterUnit(g.Unit), From: g.From, Until: g.Until,
			Counted: g.Unit.Format(g.Counted), OtherCounted: g.Unit.Format(g.OtherDid), Share: g.Share()}
	})}, err
}

func regimeOut(b meters.Break) gen.RegimeChange {
	return gen.RegimeChange{Id: b.ID, At: b.At, MeterId: b.MeterID, Reason: b.Reason}
}

// ListRegimeChanges lists from when on a site's past says little.
func (s *Server) ListRegimeChanges(ctx context.Context, r gen.ListRegimeChangesRequestObject) (gen.ListRegimeChangesResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	all, err := meters.RegimeChanges(ctx, s.db, who, r.SiteId)
	return gen.ListRegimeChanges200JSONResponse{Items: each(all, regimeOut)}, err
}

// CreateRegimeChange records one.
func (s *Server) CreateRegimeChange(ctx context.Context, r gen.CreateRegimeChangeRequestObject) (gen.CreateRegimeChangeResponseObject, error) {
	it, err := once(ctx, s, "createRegimeChange", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (meters.Break, error) {
		return meters.ChangeRegime(tx, who, now, r.SiteId, r.Body.MeterId, r.Body.At, r.Body.Reason)
	})
	return gen.CreateRegimeChange201JSONResponse(regimeOut(it)), err
}

// WithdrawRegimeChange takes one back.
func (s *Server) WithdrawRegimeChange(ctx context.Context, r gen.WithdrawRegimeChangeRequestObject) (gen.WithdrawRegimeChangeResponseObject, error) {
	_, err := write(ctx, s, func(tx *gorm.DB, who access.Actor, now time.Time) (struct{}, error) {
		return struct{}{}, meters.WithdrawRegimeChange(tx, who, now, r.SiteId, r.ChangeId)
	})
	return gen.WithdrawRegimeChange204Response{}, err
}

// ListUsageProfile lists how use spreads, as it was learnt.
func (s *Server) ListUsageProfile(ctx context.Context, r gen.ListUsageProfileRequestObject) (gen.ListUsageProfileResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	all, err := meters.Profile(ctx, s.db, who, string(val(r.Params.Climate)), string(val(r.Params.Size)), []uuid.UUID{}...)
	return gen.ListUsageProfile200JSONResponse{Items: each(all, func(f meters.Factor) gen.UsageFactor {
		return gen.UsageFactor{Climate: f.Climate, Size: f.Size, Unit: gen.UsageFactorUnit(f.Unit), Part: gen.UsageFactorPart(f.Part), Ordinal: f.Ordinal, Factor: f.Factor, Meters: f.Meters, Years: f.Years, ComputedAt: f.ComputedAt}
	})}, err
}
