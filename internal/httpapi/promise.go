package httpapi

import (
	"context"
	"fmt"
	"time"

	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/door"
	"spindlebook/internal/httpapi/gen"
	"spindlebook/internal/parts/amount"
	"spindlebook/internal/parts/stock"
)

func claimOut(c stock.Claim) gen.Claim {
	return gen.Claim{Id: c.ID, PartId: c.PartID, PartNumber: c.PartNumber, MeasuredIn: c.MeasuredIn, Amount: c.Amount.String(), NeededOn: dayOut(c.NeededOn), SiteId: c.SiteID,
		PositionId: c.PositionID, TaskId: c.TaskID, Purpose: c.Purpose, Criticality: gen.ClaimCriticality(c.Criticality), LocationId: c.LocationID, Location: c.Location,
		State: gen.ClaimState(c.State), Lot: c.Lot, UnitId: c.UnitID, Tag: textOut(c.Tag), MadeAt: c.MadeAt, MadeBy: c.MadeBy, EndedAt: c.EndedAt, EndedWhy: textOut(c.EndedWhy),
		TakenById: c.TakenByID, Version: c.Version}
}

func claimIn(c gen.NewClaim, field func(string) string, a *amounts) stock.Claiming {
	return stock.Claiming{PartID: c.PartId, Amount: a.read(&c.Amount, field("amount"), 0), NeededOn: dayIn(&c.NeededOn), SiteID: c.SiteId, PositionID: c.PositionId, TaskID: c.TaskId,
		Purpose: c.Purpose, Criticality: string(c.Criticality), LocationID: c.LocationId}
}

// ListClaims lists claims by the day of use.
func (s *Server) ListClaims(ctx context.Context, r gen.ListClaimsRequestObject) (gen.ListClaimsResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	p, err := page("claims", r.Params.Cursor, r.Params.Limit)
	if err != nil {
		return nil, err
	}
	f := stock.ClaimFilter{PartID: r.Params.PartId, SiteID: r.Params.SiteId, TaskID: r.Params.TaskId, Held: r.Params.State == nil}
	if r.Params.State != nil {
		state := string(*r.Params.State)
		f.State = &state
	}
	rows, err := stock.Claims(ctx, s.db, who, f, p)
	rows, next := cut("claims", rows, p, stock.Claim.Key)
	return gen.ListClaims200JSONResponse{Items: each(rows, claimOut), NextCursor: next}, err
}

// ClaimStock claims parts for work.
func (s *Server) ClaimStock(ctx context.Context, r gen.ClaimStockRequestObject) (gen.ClaimStockResponseObject, error) {
	var a amounts
	in := make([]stock.Claiming, len(r.Body.Items))
	for i, c := range r.Body.Items {
		in[i] = claimIn(c, func(f string) string { return at2(i, f) }, &a)
	}
	if err := a.err(); err != nil {
		return nil, err
	}
	it, err := once(ctx, s, "claimStock", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) ([]stock.Claim, error) {
		return stock.Promise(tx, who, now, in)
	})
	return gen.ClaimStock201JSONResponse{Items: each(it, claimOut)}, err
}

// SetClaimAside picks what a claim was made for.
func (s *Server) SetClaimAside(ctx context.Context, r gen.SetClaimAsideRequestObject) (gen.SetClaimAsideResponseObject, error) {
	it, err := once(ctx, s, "setClaimAside", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) ([]stock.Claim, error) {
		return stock.SetAside(tx, who, now, r.ClaimId, r.Body.Version, stock.Aside{LocationID: r.Body.FromId, Lot: val(r.Body.Lot), UnitID: r.Body.UnitId, Owner: ownerIn(r.Body.Owner, r.Body.OwnerCustomerId)})
	})
	return gen.SetClaimAside201JSONResponse{Items: each(it, claimOut)}, err
}

// ReleaseClaim gives back what was claimed.
func (s *Server) ReleaseClaim(ctx context.Context, r gen.ReleaseClaimRequestObject) (gen.ReleaseClaimResponseObject, error) {
	it, err := once(ctx, s, "releaseClaim", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (stock.Claim, error) {
		return stock.ReleaseClaim(tx, who, now, r.ClaimId, r.Body.Version, val(r.Body.Why))
	})
	if err != nil {
		return nil, err
	}
	return gen.ReleaseClaim201JSONResponse(claimOut(it)), nil
}

// TakeClaim takes a claim for graver work.
func (s *Server) TakeClaim(ctx context.Context, r gen.TakeClaimRequestObject) (gen.TakeClaimResponseObject, error) {
	var a amounts
	in := claimIn(r.Body.Claim, func(f string) string { return "claim." + f }, &a)
	if err := a.err(); err != nil {
		return nil, err
	}
	it, err := once(ctx, s, "takeClaim", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (stock.Claim, error) {
		return stock.TakeClaim(tx, who, now, r.ClaimId, r.Body.Version, in, r.Body.Reason)
	})
	if err != nil {
		return nil, err
	}
	return gen.TakeClaim201JSONResponse(claimOut(it)), nil
}

func bagOut(b stock.Bag) gen.KitBag {
	return gen.KitBag{Id: b.LotID, Number: b.Number, KitId: b.KitID, KitNumber: b.KitNumber, Seal: b.Seal, State: gen.KitBagState(b.State), ExpiresOn: dateOut(b.ExpiresOn), LocationId: b.LocationID,
		Location: b.Location, BuiltAt: b.BuiltAt, BuiltBy: b.BuiltBy, OpenedAt: b.OpenedAt, OpenedFor: b.OpenedFor, Version: b.Version, Lines: each(b.Lines, func(l stock.BagLine) gen.KitBagLine {
			return gen.KitBagLine{Ordinal: l.Ordinal, PartId: l.PartID, PartNumber: l.PartNumber, MeasuredIn: l.MeasuredIn, Lot: l.Lot, Amount: l.Amount.String(), Used: l.Used.String(), Optional: l.Optional}
		})}
}

// ListKitBags lists bags of kits.
func (s *Server) ListKitBags(ctx context.Context, r gen.ListKitBagsRequestObject) (gen.ListKitBagsResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	p, err := page("bags", r.Params.Cursor, r.Params.Limit)
	if err != nil {
		return nil, err
	}
	rows, err := stock.Bags(ctx, s.db, who, stock.BagFilter{LocationID: r.Params.LocationId}, p)
	rows, next := cut("bags", rows, p, func(b stock.Bag) string { return b.Number })
	return gen.ListKitBags200JSONResponse{Items: each(rows, bagOut), NextCursor: next}, err
}

// BuildKits puts kits together.
func (s *Server) BuildKits(ctx context.Context, r gen.BuildKitsRequestObject) (gen.BuildKitsResponseObject, error) {
	it, err := once(ctx, s, "buildKits", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) ([]stock.Bag, error) {
		return stock.BuildKits(tx, who, now, stock.Building{KitID: r.Body.KitId, Count: r.Body.Count, LocationID: r.Body.FromId, Seal: val(r.Body.Seal), Without: val(r.Body.Without)})
	})
	return gen.BuildKits201JSONResponse{Items: each(it, bagOut)}, err
}

// GetKitBag reads a bag.
func (s *Server) GetKitBag(ctx context.Context, r gen.GetKitBagRequestObject) (gen.GetKitBagResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	it, err := stock.OneBag(ctx, s.db, who, r.BagId)
	return gen.GetKitBag200JSONResponse(bagOut(it)), err
}

// OpenKitBag opens a bag.
func (s *Server) OpenKitBag(ctx context.Context, r gen.OpenKitBagRequestObject) (gen.OpenKitBagResponseObject, error) {
	var a amounts
	used := map[int]amount.Amount{}
	for i, u := range val(r.Body.Used) {
		used[u.Ordinal] = a.read(&u.Amount, fmt.Sprintf("used[%d].amount", i), 0)
	}
	if err := a.err(); err != nil {
		return nil, err
	}
	it, err := once(ctx, s, "openKitBag", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (stock.Bag, error) {
		return stock.OpenBag(tx, who, now, r.BagId, r.Body.Version, stock.Opening{For: r.Body.For, Task: r.Body.TaskId, Used: used, At: r.Body.At})
	})
	return gen.OpenKitBag201JSONResponse(bagOut(it)), err
}

func coreOut(c stock.Core) gen.Core {
	return gen.Core{Id: c.ID, PartId: c.PartID, PartNumber: c.PartNumber, SupplierId: c.SupplierID, Supplier: c.Supplier, BoughtUnitId: c.BoughtUnitID, UnitId: c.UnitID, Tag: c.Tag, State: c.State,
		Drained: c.Drained, CountedFrom: gen.CoreCountedFrom(c.CountedFrom), PaidOn: dayOut(c.PaidOn), DeadlineOn: dayOut(c.DeadlineOn), DaysLeft: c.DaysLeft, DepositMinor: c.DepositMinor,
		CreditedMinor: c.CreditedMinor, Currency: c.Currency, Version: c.Version}
}

// ListCores lists cores by deadline.
func (s *Server) ListCores(ctx context.Context, r gen.ListCoresRequestObject) (gen.ListCoresResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	p, err := page("cores", r.Params.Cursor, r.Params.Limit)
	if err != nil {
		return nil, err
	}
	rows, err := stock.Cores(ctx, s.db, who, s.now(), val(r.Params.Open), p)
	rows, next := cut("cores", rows, p, stock.Core.Key)
	return gen.ListCores200JSONResponse{Items: each(rows, coreOut), NextCursor: next}, err
}

// AddCore notes a deposit.
func (s *Server) AddCore(ctx context.Context, r gen.AddCoreRequestObject) (gen.AddCoreResponseObject, error) {
	it, err := once(ctx, s, "addCore", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (stock.Core, error) {
		b := r.Body
		return stock.AddCore(tx, who, now, stock.NewCore{PartID: b.PartId, SupplierID: b.SupplierId, BoughtUnitID: b.BoughtUnitId, OrderLineID: b.OrderLineId, CountedFrom: string(b.CountedFrom),
			PaidOn: dayIn(&b.PaidOn), DeadlineOn: dayIn(&b.DeadlineOn), DepositMinor: b.DepositMinor, Currency: val(b.Currency)})
	})
	if err != nil {
		return nil, err
	}
	return gen.AddCore201JSONResponse(coreOut(it)), nil
}

// StepCore moves a core on.
func (s *Server) StepCore(ctx context.Context, r gen.StepCoreRequestObject) (gen.StepCoreResponseObject, error) {
	it, err := once(ctx, s, "stepCore", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (stock.Core, error) {
		b := r.Body
		return stock.StepCore(tx, who, now, r.CoreId, b.Version, stock.CoreStep{State: string(b.State), UnitID: b.UnitId, Drained: val(b.Drained), CreditedMinor: b.CreditedMinor, Note: val(b.Note)})
	})
	if err != nil {
		return nil, err
	}
	return gen.StepCore201JSONResponse(coreOut(it)), nil
}

func warrantyOut(w stock.Warranty) gen.Warranty {
	return gen.Warranty{Id: w.ID, UnitId: w.UnitID, Tag: w.Tag, Serial: w.Serial, PartNumber: w.PartNumber, Giver: gen.WarrantyGiver(w.Giver), SupplierId: w.SupplierID, Supplier: w.Supplier,
		Covers: w.Covers, StartsOn: dayOut(w.StartsOn), EndsOn: dayOut(w.EndsOn), DaysLeft: w.DaysLeft, State: w.State, Authority: w.Authority, ClaimedAt: w.ClaimedAt, Version: w.Version}
}

// ListWarranties lists warranties by their end.
func (s *Server) ListWarranties(ctx context.Context, r gen.ListWarrantiesRequestObject) (gen.ListWarrantiesResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	p, err := page("warranties", r.Params.Cursor, r.Params.Limit)
	if err != nil {
		return nil, err
	}
	rows, err := stock.Warranties(ctx, s.db, who, s.now(), val(r.Params.Open), p)
	rows, next := cut("warranties", rows, p, stock.Warranty.Key)
	return gen.ListWarranties200JSONResponse{Items: each(rows, warrantyOut), NextCursor: next}, err
}

// AddWarranty notes until when somebody stands for a unit.
func (s *Server) AddWarranty(ctx context.Context, r gen.AddWarrantyRequestObject) (gen.AddWarrantyResponseObject, error) {
	it, err := once(ctx, s, "addWarranty", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (stock.Warranty, error) {
		b := r.Body
		return stock.AddWarranty(tx, who, now, stock.NewWarranty{UnitID: b.UnitId, Giver: string(b.Giver), SupplierID: b.SupplierId, Covers: val(b.Covers), StartsOn: dayIn(&b.StartsOn), EndsOn: dayIn(&b.EndsOn)})
	})
	if err != nil {
		return nil, err
	}
	return gen.AddWarranty201JSONResponse(warrantyOut(it)), nil
}

// StepWarranty moves a warranty on.
func (s *Server) StepWarranty(ctx context.Context, r gen.StepWarrantyRequestObject) (gen.StepWarrantyResponseObject, error) {
	it, err := once(ctx, s, "stepWarranty", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (stock.Warranty, error) {
		return stock.StepWarranty(tx, who, now, r.WarrantyId, r.Body.Version, stock.WarrantyStep{State: string(r.Body.State), Authority: val(r.Body.Authority), Note: val(r.Body.Note)})
	})
	if err != nil {
		return nil, err
	}
	return gen.StepWarranty201JSONResponse(warrantyOut(it)), nil
}
