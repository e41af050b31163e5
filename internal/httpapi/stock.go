package httpapi

import (
	"context"
	"fmt"
	"time"

	"github.com/google/uuid"
	openapi_types "github.com/oapi-codegen/runtime/types"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/door"
	"spindlebook/internal/fault"
	"spindlebook/internal/httpapi/gen"
	"spindlebook/internal/parts/amount"
	"spindlebook/internal/parts/stock"
)

// amounts reads amounts as the specification writes them and gathers what is wrong.
type amounts struct{ bad []*fault.Error }

func (a *amounts) read(text *gen.StockAmount, field string, preset amount.Amount) amount.Amount {
	if text == nil {
		return preset
	}
	n, bad := amount.Parse(*text)
	if bad != nil {
		bad.Field = field
		a.bad = append(a.bad, bad)
	}
	return n
}

func (a *amounts) err() error { return fault.Collect(a.bad...) }

func dayIn(d *openapi_types.Date) string {
	if d == nil {
		return ""
	}
	return d.Format(time.DateOnly)
}

func dayOut(d string) openapi_types.Date { return *dateOut(&d) }

func textOut(s string) *string {
	if s == "" {
		return nil
	}
	return &s
}

func ownerIn(o *gen.StockOwner, customer *uuid.UUID) stock.Owner {
	return stock.Owner{Kind: string(val(o)), CustomerID: customer}
}

func at2(i int, field string) string { return fmt.Sprintf("items[%d].%s", i, field) }

// ListStock lists what lies where.
func (s *Server) ListStock(ctx context.Context, r gen.ListStockRequestObject) (gen.ListStockResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	p, err := page("stock", r.Params.Cursor, r.Params.Limit)
	if err != nil {
		return nil, err
	}
	rows, err := stock.Lines(ctx, s.db, who, s.now(), stock.LineFilter{LocationID: r.Params.LocationId, PartID: r.Params.PartId}, p)
	rows, next := cut("stock", rows, p, stock.Line.Key)
	return gen.ListStock200JSONResponse{NextCursor: next, Items: each(rows, func(l stock.Line) gen.StockLine {
		return gen.StockLine{LocationId: l.LocationID, Location: l.Location, LocationKind: l.LocationKind, PartId: l.PartID, PartNumber: l.PartNumber, PartDescription: l.PartDescription,
			MeasuredIn: l.MeasuredIn, OnHand: l.OnHand.String(), SetAside: l.SetAside.String(), Expired: l.Expired.String(), Claimed: l.Claimed.String(), Free: l.Free().String(),
			ExpiresFirst: dateOut(l.ExpiresFirst), Least: amountOut(l.Least), Most: amountOut(l.Most), Low: l.Low(), Elsewhere: l.Elsewhere.String(), OnOrder: l.OnOrder.String(),
			PromisedOn: dateOut(l.Promised), Lots: each(l.Lots, func(x stock.Lot) gen.StockLot {
				return gen.StockLot{Lot: x.Lot, LotId: x.LotID, ExpiresOn: dateOut(x.ExpiresOn), Owner: gen.StockOwner(x.Owner), Customer: textOut(x.Customer), UnitId: x.UnitID, Tag: textOut(x.Tag),
					Serial: textOut(x.Serial), Prepared: textOut(x.Prepared), OnHand: x.OnHand.String(), SetAside: x.SetAside.String(), SetAsideFor: textOut(x.For)}
			})}
	})}, err
}

// ListMovements reads the ledger.
func (s *Server) ListMovements(ctx context.Context, r gen.ListMovementsRequestObject) (gen.ListMovementsResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	p, err := page("movements", r.Params.Cursor, r.Params.Limit)
	if err != nil {
		return nil, err
	}
	rows, err := stock.Entries(ctx, s.db, who, stock.EntryFilter{PartID: r.Params.PartId, LocationID: r.Params.LocationId, UnitID: r.Params.UnitId}, p)
	rows, next := cut("movements", rows, p, func(e stock.Entry) string { return e.ID.String() })
	return gen.ListMovements200JSONResponse{NextCursor: next, Items: each(rows, func(e stock.Entry) gen.Movement {
		return gen.Movement{Id: e.ID, ActId: e.ActID, Kind: e.Kind, PartId: e.PartID, PartNumber: e.PartNumber, MeasuredIn: e.MeasuredIn, Lot: e.Lot, UnitId: e.UnitID, Tag: textOut(e.Tag),
			Owner: gen.StockOwner(e.Owner), Amount: e.Amount.String(), FromId: e.FromID, From: textOut(e.From), ToId: e.ToID, To: textOut(e.To), At: e.At, RecordedAt: &e.RecordedAt,
			RecordedBy: textOut(e.RecordedBy), Reason: textOut(e.Reason), Document: textOut(e.Document), TaskId: e.TaskID}
	})}, err
}

func movementsOut(all []stock.Movement) gen.Movements {
	return gen.Movements{Items: each(all, func(m stock.Movement) gen.Movement {
		return gen.Movement{Id: m.ID, ActId: m.ActID, Kind: m.Kind, PartId: m.PartID, PartNumber: m.PartNumber, MeasuredIn: m.MeasuredIn, Lot: m.Lot, UnitId: m.UnitID,
			Owner: gen.StockOwner(m.Owner.Kind), Amount: m.Amount.String(), FromId: m.FromID, ToId: m.ToID, At: m.At}
	})}
}

// MoveStock moves, receives or issues stock.
func (s *Server) MoveStock(ctx context.Context, r gen.MoveStockRequestObject) (gen.MoveStockResponseObject, error) {
	var a amounts
	in := make([]stock.Moving, len(r.Body.Items))
	for i, m := range r.Body.Items {
		in[i] = stock.Moving{Kind: string(m.Kind), PartID: m.PartId, Lot: val(m.Lot), UnitID: m.UnitId, Amount: a.read(m.Amount, at2(i, "amount"), amount.One), From: m.FromId, To: m.ToId,
			Owner: ownerIn(m.Owner, m.OwnerCustomerId), At: m.At, Reason: val(m.Reason), Document: val(m.Document), ExpiresOn: dayIn(m.ExpiresOn), Sure: val(m.Sure), TaskID: m.TaskId, ClaimID: m.ClaimId}
	}
	if err := a.err(); err != nil {
		return nil, err
	}
	it, err := once(ctx, s, "moveStock", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) ([]stock.Movement, error) {
		return stock.Move(tx, who, now, in)
	})
	return gen.MoveStock201JSONResponse(movementsOut(it)), err
}

// ReceiveUnits receives units.
func (s *Server) ReceiveUnits(ctx context.Context, r gen.ReceiveUnitsRequestObject) (gen.ReceiveUnitsResponseObject, error) {
	it, err := once(ctx, s, "receiveUnits", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) ([]stock.Movement, error) {
		return stock.ReceiveUnits(tx, who, now, each(r.Body.Items, func(u gen.NewStockUnit) stock.NewUnit {
			return stock.NewUnit{PartID: u.PartId, Tag: val(u.Tag), Serial: val(u.Serial), Lot: val(u.Lot), Pattern: val(u.Pattern), Owner: ownerIn(u.Owner, u.OwnerCustomerId), To: u.ToId,
				Damaged: val(u.Damaged), At: u.At, Reason: val(u.Reason), Document: val(u.Document)}
		}))
	})
	return gen.ReceiveUnits201JSONResponse(movementsOut(it)), err
}

// PrepareUnits records what was done to units at the bench.
func (s *Server) PrepareUnits(ctx context.Context, r gen.PrepareUnitsRequestObject) (gen.PrepareUnitsResponseObject, error) {
	it, err := once(ctx, s, "prepareUnits", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) ([]stock.Movement, error) {
		return stock.Prepare(tx, who, now, each(r.Body.Items, func(p gen.NewPreparation) stock.Preparing {
			return stock.Preparing{UnitID: p.UnitId, Orientation: val(p.Orientation), Links: val(p.Links), At: p.At, Remark: val(p.Remark)}
		}))
	})
	return gen.PrepareUnits201JSONResponse(movementsOut(it)), err
}

func doubtsOut(all []stock.Discrepancy) []gen.StockDoubt {
	return each(all, func(d stock.Discrepancy) gen.StockDoubt {
		return gen.StockDoubt{Id: d.ID, Kind: d.Kind, Amount: d.Amount.String(), Says: d.Says}
	})
}

// UseStock posts what finished jobs have used.
func (s *Server) UseStock(ctx context.Context, r gen.UseStockRequestObject) (gen.UseStockResponseObject, error) {
	var a amounts
	in := make([]stock.Used, len(r.Body.Items))
	for i, u := range r.Body.Items {
		in[i] = stock.Used{PartID: u.PartId, Lot: val(u.Lot), UnitID: u.UnitId, Amount: a.read(&u.Amount, at2(i, "amount"), 0), From: u.FromId, SlotID: u.SlotId, At: u.At, SiteID: u.SiteId,
			TaskID: u.TaskId, ClaimID: u.ClaimId, Remark: val(u.Remark)}
	}
	if err := a.err(); err != nil {
		return nil, err
	}
	it, err := once(ctx, s, "useStock", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) ([]stock.Outcome, error) {
		return stock.Use(tx, who, now, in)
	})
	return gen.UseStock201JSONResponse{Items: each(it, func(o stock.Outcome) gen.StockOutcome {
		return gen.StockOutcome{Movements: movementsOut(o.Movements).Items, Discrepancies: doubtsOut(o.Discrepancies), Billed: o.Billed.String()}
	})}, err
}

// SetStockLevels says how much places should hold.
func (s *Server) SetStockLevels(ctx context.Context, r gen.SetStockLevelsRequestObject) (gen.SetStockLevelsResponseObject, error) {
	var a amounts
	in := make([]stock.Level, len(r.Body.Items))
	for i, l := range r.Body.Items {
		in[i] = stock.Level{LocationID: l.LocationId, PartID: l.PartId, Least: a.read(&l.Least, at2(i, "least"), 0)}
		if l.Most != nil {
			most := a.read(l.Most, at2(i, "most"), 0)
			in[i].Most = &most
		}
	}
	if err := a.err(); err != nil {
		return nil, err
	}
	_, err := once(ctx, s, "setStockLevels", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, _ time.Time) (bool, error) {
		return true, stock.SetLevels(tx, who, in)
	})
	return gen.SetStockLevels201JSONResponse{Done: true}, err
}

func countOut(c stock.Count) gen.Count {
	return gen.Count{Id: c.ID, Number: c.Number, LocationId: c.LocationID, Location: c.Location, Blind: c.Blind, State: gen.CountState(c.State), OpenedAt: c.OpenedAt, OpenedBy: c.OpenedBy,
		Version: c.Version, Lines: each(c.Lines, func(l stock.CountLine) gen.CountLine {
			first, second := []string(l.FirstTags), []string(l.SecondTags)
			return gen.CountLine{Id: l.ID, PartId: l.PartID, PartNumber: l.PartNumber, PartDescription: l.PartDescription, MeasuredIn: l.MeasuredIn, ByUnit: l.Tracking == "unit", Lot: l.Lot,
				Owner: gen.StockOwner(l.Owner), First: amountOut(l.First), FirstTags: &first, FirstAt: l.FirstAt, Second: amountOut(l.Second), SecondTags: &second, SecondAt: l.SecondAt,
				Expected: amountOut(l.Expected), Again: l.Again}
		})}
}

// ListCounts lists counts.
func (s *Server) ListCounts(ctx context.Context, r gen.ListCountsRequestObject) (gen.ListCountsResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	p, err := page("counts", r.Params.Cursor, r.Params.Limit)
	if err != nil {
		return nil, err
	}
	rows, err := stock.Counts(ctx, s.db, who, val(r.Params.Open), p)
	rows, next := cut("counts", rows, p, func(c stock.Count) string { return fmt.Sprint(c.Number) })
	return gen.ListCounts200JSONResponse{Items: each(rows, countOut), NextCursor: next}, err
}

// OpenCount begins to count a place.
func (s *Server) OpenCount(ctx context.Context, r gen.OpenCountRequestObject) (gen.OpenCountResponseObject, error) {
	it, err := once(ctx, s, "openCount", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (stock.Count, error) {
		return stock.OpenCount(tx, who, now, r.Body.LocationId, r.Body.Blind == nil || *r.Body.Blind, val(r.Body.PartIds))
	})
	return gen.OpenCount201JSONResponse(countOut(it)), err
}

// GetCount reads a count.
func (s *Server) GetCount(ctx context.Context, r gen.GetCountRequestObject) (gen.GetCountResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	it, err := stock.OneCount(ctx, s.db, who, s.now(), r.CountId)
	return gen.GetCount200JSONResponse(countOut(it)), err
}

// EnterCount enters what was seen.
func (s *Server) EnterCount(ctx context.Context, r gen.EnterCountRequestObject) (gen.EnterCountResponseObject, error) {
	var a amounts
	in := make([]stock.Counted, len(r.Body.Items))
	for i, e := range r.Body.Items {
		in[i] = stock.Counted{LineID: e.LineId, PartID: val(e.PartId), Lot: val(e.Lot), Owner: ownerIn(e.Owner, e.OwnerCustomerId), Amount: a.read(e.Amount, at2(i, "amount"), 0), Tags: val(e.Tags), At: e.At}
	}
	if err := a.err(); err != nil {
		return nil, err
	}
	it, err := once(ctx, s, "enterCount", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (stock.Count, error) {
		return stock.EnterCount(tx, who, now, r.CountId, in)
	})
	return gen.EnterCount201JSONResponse(countOut(it)), err
}

type countPosted struct {
	Count         stock.Count
	Discrepancies []stock.Discrepancy
}

// PostCount makes the record what was seen.
func (s *Server) PostCount(ctx context.Context, r gen.PostCountRequestObject) (gen.PostCountResponseObject, error) {
	it, err := once(ctx, s, "postCount", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (countPosted, error) {
		c, d, err := stock.PostCount(tx, who, now, r.CountId, r.Body.Version)
		return countPosted{c, d}, err
	})
	return gen.PostCount201JSONResponse{Count: countOut(it.Count), Discrepancies: doubtsOut(it.Discrepancies)}, err
}

// CancelCount ends a count without a trace.
func (s *Server) CancelCount(ctx context.Context, r gen.CancelCountRequestObject) (gen.CancelCountResponseObject, error) {
	it, err := once(ctx, s, "cancelCount", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (stock.Count, error) {
		return stock.CancelCount(tx, who, now, r.CountId, r.Body.Version)
	})
	return gen.CancelCount201JSONResponse(countOut(it)), err
}

// ListDiscrepancies lists what record and shelf disagree about.
func (s *Server) ListDiscrepancies(ctx context.Context, r gen.ListDiscrepanciesRequestObject) (gen.ListDiscrepanciesResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	p, err := page("discrepancies", r.Params.Cursor, r.Params.Limit)
	if err != nil {
		return nil, err
	}
	rows, err := stock.Doubts(ctx, s.db, who, val(r.Params.Open), p)
	rows, next := cut("discrepancies", rows, p, func(d stock.Doubt) string { return d.ID.String() })
	return gen.ListDiscrepancies200JSONResponse{NextCursor: next, Items: each(rows, func(d stock.Doubt) gen.Discrepancy {
		return gen.Discrepancy{Id: d.ID, Kind: d.Kind, LocationId: d.LocationID, Location: d.Location, PartId: d.PartID, PartNumber: d.PartNumber, MeasuredIn: d.MeasuredIn, Lot: d.Lot,
			UnitId: d.UnitID, Tag: textOut(d.Tag), Amount: d.Amount.String(), Says: d.Says, TaskId: d.TaskID, NoticedAt: d.NoticedAt, NoticedBy: d.NoticedBy, SettledAt: d.SettledAt,
			SettledHow: textOut(d.SettledHow)}
	})}, err
}

// SettleDiscrepancy says what it was.
func (s *Server) SettleDiscrepancy(ctx context.Context, r gen.SettleDiscrepancyRequestObject) (gen.SettleDiscrepancyResponseObject, error) {
	_, err := once(ctx, s, "settleDiscrepancy", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (bool, error) {
		return true, stock.Settle(tx, who, now, r.DiscrepancyId, stock.Settling{How: r.Body.How, FoundAt: r.Body.FoundAt})
	})
	return gen.SettleDiscrepancy201JSONResponse{Done: true}, err
}

func containerOut(c stock.Container) gen.Container {
	return gen.Container{Id: c.ID, LocationId: c.LocationID, PartId: c.PartID, LotId: c.LotID, Lot: c.Lot, OpenedOn: dayOut(c.OpenedOn), ExpiresOn: dateOut(c.ExpiresOn),
		Level: gen.ContainerLevel(c.Level), LevelAt: c.LevelAt, EmptiedAt: c.EmptiedAt, Version: c.Version}
}

// ListContainers lists open containers.
func (s *Server) ListContainers(ctx context.Context, r gen.ListContainersRequestObject) (gen.ListContainersResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	p, err := page("containers", r.Params.Cursor, r.Params.Limit)
	if err != nil {
		return nil, err
	}
	rows, err := stock.Containers(ctx, s.db, who, stock.LineFilter{LocationID: r.Params.LocationId, PartID: r.Params.PartId}, p)
	rows, next := cut("containers", rows, p, stock.Container.Key)
	return gen.ListContainers200JSONResponse{Items: each(rows, containerOut), NextCursor: next}, err
}

// OpenContainer notes that a container was opened.
func (s *Server) OpenContainer(ctx context.Context, r gen.OpenContainerRequestObject) (gen.OpenContainerResponseObject, error) {
	it, err := once(ctx, s, "openContainer", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (stock.Container, error) {
		return stock.OpenContainer(tx, who, now, r.Body.LocationId, r.Body.PartId, val(r.Body.Lot))
	})
	if err != nil {
		return nil, err
	}
	return gen.OpenContainer201JSONResponse(containerOut(it)), nil
}

// SetContainerLevel notes how full a container is.
func (s *Server) SetContainerLevel(ctx context.Context, r gen.SetContainerLevelRequestObject) (gen.SetContainerLevelResponseObject, error) {
	it, err := once(ctx, s, "setContainerLevel", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (stock.Container, error) {
		return stock.SetLevel(tx, who, now, r.ContainerId, r.Body.Version, string(r.Body.Level))
	})
	if err != nil {
		return nil, err
	}
	return gen.SetContainerLevel201JSONResponse(containerOut(it)), nil
}

func extensionOut(x stock.Extension) gen.LotExtension {
	return gen.LotExtension{Id: x.ID, LotId: x.LotID, Lot: x.Lot, Was: dayOut(x.Was), Until: dayOut(x.Until), Reason: x.Reason, Evidence: x.Evidence, DecidedAt: x.DecidedAt, DecidedBy: x.DecidedBy}
}

// ListLotExtensions lists how often a lot was given more time.
func (s *Server) ListLotExtensions(ctx context.Context, r gen.ListLotExtensionsRequestObject) (gen.ListLotExtensionsResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	rows, err := stock.Extensions(ctx, s.db, who, []uuid.UUID{r.LotId})
	return gen.ListLotExtensions200JSONResponse{Items: each(rows, extensionOut)}, err
}

// ExtendLot gives a lot more time.
func (s *Server) ExtendLot(ctx context.Context, r gen.ExtendLotRequestObject) (gen.ExtendLotResponseObject, error) {
	it, err := once(ctx, s, "extendLot", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (stock.Extension, error) {
		return stock.ExtendLot(tx, who, now, r.LotId, stock.Extending{Until: r.Body.Until.Format(time.DateOnly), Reason: r.Body.Reason, Evidence: r.Body.Evidence})
	})
	if err != nil {
		return nil, err
	}
	return gen.ExtendLot201JSONResponse(extensionOut(it)), nil
}

func holderOut(h stock.Holder) gen.VanHolder {
	return gen.VanHolder{Id: h.ID, LocationId: h.LocationID, Location: h.Location, PersonId: h.PersonID, Person: h.Person, From: h.From, Until: h.Until}
}

// ListVanHolders lists who has driven which van.
func (s *Server) ListVanHolders(ctx context.Context, r gen.ListVanHoldersRequestObject) (gen.ListVanHoldersResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	p, err := page("van holders", r.Params.Cursor, r.Params.Limit)
	if err != nil {
		return nil, err
	}
	rows, err := stock.Holders(ctx, s.db, who, r.Params.LocationId, p)
	rows, next := cut("van holders", rows, p, func(h stock.Holder) string { return h.ID.String() })
	return gen.ListVanHolders200JSONResponse{Items: each(rows, holderOut), NextCursor: next}, err
}

// HandVan gives a van to somebody.
func (s *Server) HandVan(ctx context.Context, r gen.HandVanRequestObject) (gen.HandVanResponseObject, error) {
	it, err := once(ctx, s, "handVan", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (stock.Holder, error) {
		return stock.HandVan(tx, who, now, r.Body.LocationId, r.Body.PersonId, r.Body.From)
	})
	if err != nil {
		return nil, err
	}
	return gen.HandVan201JSONResponse(holderOut(it)), nil
}

type writtenOff struct {
	Movements []stock.Movement
	Units     []stock.LostUnit
}

// WriteOffLocation writes off everything that lies at a place.
func (s *Server) WriteOffLocation(ctx context.Context, r gen.WriteOffLocationRequestObject) (gen.WriteOffLocationResponseObject, error) {
	it, err := once(ctx, s, "writeOffLocation", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (writtenOff, error) {
		moved, lost, err := stock.WriteOff(tx, who, now, r.LocationId, r.Body.ScrapId, r.Body.Reason)
		return writtenOff{moved, lost}, err
	})
	return gen.WriteOffLocation201JSONResponse{Movements: movementsOut(it.Movements).Items, Units: each(it.Units, func(u stock.LostUnit) gen.LostUnit {
		return gen.LostUnit{Tag: u.Tag, Serial: u.Serial, PartNumber: u.PartNumber}
	})}, err
}
