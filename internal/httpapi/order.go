package httpapi

import (
	"context"
	"fmt"
	"time"

	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/door"
	"spindlebook/internal/httpapi/gen"
	"spindlebook/internal/parts/stock"
)

func orderOut(o stock.Order) gen.SupplierOrder {
	return gen.SupplierOrder{Id: o.ID, Number: o.Number, SupplierId: o.SupplierID, Supplier: o.Supplier, LocationId: o.LocationID, Location: o.Location, State: gen.SupplierOrderState(o.State),
		Note: o.Note, MadeAt: o.MadeAt, MadeBy: o.MadeBy, SentAt: o.SentAt, EndedAt: o.EndedAt, EndedWhy: o.EndedWhy, OpenLines: o.Open, LateLines: o.Late, Version: o.Version,
		Lines: each(o.Lines, func(l stock.OrderLine) gen.SupplierOrderLine {
			return gen.SupplierOrderLine{Id: l.ID, Ordinal: l.Ordinal, PartId: l.PartID, PartNumber: l.PartNumber, PartDescription: l.PartDescription, SupplierNumber: l.SupplierNumber,
				MeasuredIn: l.MeasuredIn, Pack: l.Pack.String(), BoughtIn: l.BoughtIn, ByUnit: l.Tracking == "unit", Amount: l.Amount.String(), Received: l.Received.String(),
				Cancelled: l.Cancelled.String(), ToCome: l.ToCome().String(), NeededOn: dateOut(l.NeededOn), PromisedOn: dateOut(l.PromisedOn), Slips: l.Slips, PriceMinor: l.PriceMinor, Currency: l.Currency}
		})}
}

// ListOrders lists orders to suppliers.
func (s *Server) ListOrders(ctx context.Context, r gen.ListOrdersRequestObject) (gen.ListOrdersResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	p, err := page("orders", r.Params.Cursor, r.Params.Limit)
	if err != nil {
		return nil, err
	}
	rows, err := stock.Orders(ctx, s.db, who, s.now(), stock.OrderFilter{Open: val(r.Params.Open)}, p)
	rows, next := cut("orders", rows, p, func(o stock.Order) string { return o.Number })
	return gen.ListOrders200JSONResponse{Items: each(rows, orderOut), NextCursor: next}, err
}

// DraftOrder drafts an order.
func (s *Server) DraftOrder(ctx context.Context, r gen.DraftOrderRequestObject) (gen.DraftOrderResponseObject, error) {
	var a amounts
	in := stock.NewOrder{SupplierID: r.Body.SupplierId, LocationID: r.Body.ToId, Note: val(r.Body.Note)}
	for i, l := range r.Body.Lines {
		in.Lines = append(in.Lines, stock.NewOrderLine{PartID: l.PartId, Amount: a.read(&l.Amount, fmt.Sprintf("lines[%d].amount", i), 0), NeededOn: dayIn(l.NeededOn), PriceMinor: l.PriceMinor,
			Currency: val(l.Currency), Sure: val(l.Sure)})
	}
	if err := a.err(); err != nil {
		return nil, err
	}
	it, err := once(ctx, s, "draftOrder", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (stock.Order, error) {
		return stock.DraftOrder(tx, who, now, in)
	})
	return gen.DraftOrder201JSONResponse(orderOut(it)), err
}

// GetOrder reads an order.
func (s *Server) GetOrder(ctx context.Context, r gen.GetOrderRequestObject) (gen.GetOrderResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	it, err := stock.OneOrder(ctx, s.db, who, s.now(), r.OrderId)
	return gen.GetOrder200JSONResponse(orderOut(it)), err
}

// SendOrder notes that an order has gone out.
func (s *Server) SendOrder(ctx context.Context, r gen.SendOrderRequestObject) (gen.SendOrderResponseObject, error) {
	it, err := once(ctx, s, "sendOrder", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (stock.Order, error) {
		return stock.SendOrder(tx, who, now, r.OrderId, r.Body.Version, dayIn(r.Body.PromisedOn))
	})
	return gen.SendOrder201JSONResponse(orderOut(it)), err
}

// PromiseOrder notes for when lines are promised.
func (s *Server) PromiseOrder(ctx context.Context, r gen.PromiseOrderRequestObject) (gen.PromiseOrderResponseObject, error) {
	it, err := once(ctx, s, "promiseOrder", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (stock.Order, error) {
		return stock.PromiseOrder(tx, who, now, r.OrderId, each(r.Body.Items, func(p gen.NewPromise) stock.Promised {
			return stock.Promised{LineID: p.LineId, On: dayIn(&p.PromisedOn)}
		}))
	})
	return gen.PromiseOrder201JSONResponse(orderOut(it)), err
}

// ReceiveOrder receives what has come of an order.
func (s *Server) ReceiveOrder(ctx context.Context, r gen.ReceiveOrderRequestObject) (gen.ReceiveOrderResponseObject, error) {
	var a amounts
	in := make([]stock.Arrival, len(r.Body.Items))
	for i, l := range r.Body.Items {
		in[i] = stock.Arrival{LineID: l.LineId, Amount: a.read(l.Amount, at2(i, "amount"), 0), To: l.ToId, Lot: val(l.Lot), ExpiresOn: dayIn(l.ExpiresOn), Damaged: val(l.Damaged), Sure: val(l.Sure),
			Reason: val(l.Reason), Units: each(val(l.Units), func(u gen.NewArrivedUnit) stock.ArrivedUnit {
				return stock.ArrivedUnit{Tag: val(u.Tag), Serial: val(u.Serial)}
			})}
	}
	if err := a.err(); err != nil {
		return nil, err
	}
	it, err := once(ctx, s, "receiveOrder", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (stock.Order, error) {
		o, _, err := stock.ReceiveOrder(tx, who, now, r.OrderId, val(r.Body.Document), in)
		return o, err
	})
	return gen.ReceiveOrder201JSONResponse(orderOut(it)), err
}

// CloseOrder ends an order of which the rest will not come.
func (s *Server) CloseOrder(ctx context.Context, r gen.CloseOrderRequestObject) (gen.CloseOrderResponseObject, error) {
	it, err := once(ctx, s, "closeOrder", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (stock.Order, error) {
		return stock.CloseOrder(tx, who, now, r.OrderId, r.Body.Version, val(r.Body.Why))
	})
	return gen.CloseOrder201JSONResponse(orderOut(it)), err
}

// CancelOrder cancels an order of which nothing has come.
func (s *Server) CancelOrder(ctx context.Context, r gen.CancelOrderRequestObject) (gen.CancelOrderResponseObject, error) {
	it, err := once(ctx, s, "cancelOrder", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (stock.Order, error) {
		return stock.CancelOrder(tx, who, now, r.OrderId, r.Body.Version, val(r.Body.Why))
	})
	return gen.CancelOrder201JSONResponse(orderOut(it)), err
}
