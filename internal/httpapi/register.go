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

// ListCustomers lists customers.
func (s *Server) ListCustomers(ctx context.Context, r gen.ListCustomersRequestObject) (gen.ListCustomersResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	p, err := page("customers", r.Params.Cursor, r.Params.Limit)
	if err != nil {
		return nil, err
	}
	rows, err := assets.Customers(ctx, s.db, who, p)
	rows, next := cut("customers", rows, p, func(c assets.Customer) string { return c.Code })
	return gen.ListCustomers200JSONResponse{Items: each(rows, customerOut), NextCursor: next}, err
}

// CreateCustomer adds a customer.
func (s *Server) CreateCustomer(ctx context.Context, r gen.CreateCustomerRequestObject) (gen.CreateCustomerResponseObject, error) {
	c, err := once(ctx, s, "createCustomer", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (assets.Customer, error) {
		return assets.AddCustomer(tx, who, now, customerIn(r.Body))
	})
	return gen.CreateCustomer201JSONResponse{Body: customerOut(c), Headers: gen.CreateCustomer201ResponseHeaders{ETag: etag(c.Version), Location: at("customers", c.ID)}}, err
}

// GetCustomer reads a customer.
func (s *Server) GetCustomer(ctx context.Context, r gen.GetCustomerRequestObject) (gen.GetCustomerResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	c, err := assets.OneCustomer(ctx, s.db, who, r.CustomerId)
	return gen.GetCustomer200JSONResponse{Body: customerOut(c), Headers: gen.GetCustomer200ResponseHeaders{ETag: etag(c.Version)}}, err
}

// ReplaceCustomer edits a customer.
func (s *Server) ReplaceCustomer(ctx context.Context, r gen.ReplaceCustomerRequestObject) (gen.ReplaceCustomerResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	version, err := versionSeen(r.Params.IfMatch, func() (int, error) {
		c, err := assets.OneCustomer(ctx, s.db, who, r.CustomerId)
		return c.Version, err
	})
	if err != nil {
		return nil, err
	}
	c, err := write(ctx, s, func(tx *gorm.DB, who access.Actor, _ time.Time) (assets.Customer, error) {
		return assets.EditCustomer(tx, who, r.CustomerId, version, customerIn(r.Body))
	})
	return gen.ReplaceCustomer200JSONResponse{Body: customerOut(c), Headers: gen.ReplaceCustomer200ResponseHeaders{ETag: etag(c.Version)}}, err
}

// ListSites lists sites.
func (s *Server) ListSites(ctx context.Context, r gen.ListSitesRequestObject) (gen.ListSitesResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	p, err := page("sites", r.Params.Cursor, r.Params.Limit)
	if err != nil {
		return nil, err
	}
	rows, err := assets.Sites(ctx, s.db, who, r.Params.CustomerId, p)
	rows, next := cut("sites", rows, p, func(s assets.Site) string { return s.Code })
	return gen.ListSites200JSONResponse{Items: each(rows, siteOut), NextCursor: next}, err
}

// CreateSite adds a site.
func (s *Server) CreateSite(ctx context.Context, r gen.CreateSiteRequestObject) (gen.CreateSiteResponseObject, error) {
	it, err := once(ctx, s, "createSite", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (assets.Site, error) {
		return assets.AddSite(tx, who, now, r.Body.CustomerId, r.Body.OwnedFrom, newSiteIn(r.Body))
	})
	return gen.CreateSite201JSONResponse{Body: siteOut(it), Headers: gen.CreateSite201ResponseHeaders{ETag: etag(it.Version), Location: at("sites", it.ID)}}, err
}

// GetSite reads a site.
func (s *Server) GetSite(ctx context.Context, r gen.GetSiteRequestObject) (gen.GetSiteResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	it, err := assets.OneSite(ctx, s.db, who, r.SiteId)
	return gen.GetSite200JSONResponse{Body: siteOut(it), Headers: gen.GetSite200ResponseHeaders{ETag: etag(it.Version)}}, err
}

// siteVersion gives the version of a site that an edit names.
func (s *Server) siteVersion(ctx context.Context, ifMatch *string, id gen.SiteId) (int, error) {
	return versionSeen(ifMatch, func() (int, error) {
		who, err := door.Must(ctx)
		if err != nil {
			return 0, err
		}
		it, err := assets.OneSite(ctx, s.db, who, id)
		return it.Version, err
	})
}

// ReplaceSite edits a site.
func (s *Server) ReplaceSite(ctx context.Context, r gen.ReplaceSiteRequestObject) (gen.ReplaceSiteResponseObject, error) {
	version, err := s.siteVersion(ctx, r.Params.IfMatch, r.SiteId)
	if err != nil {
		return nil, err
	}
	it, err := write(ctx, s, func(tx *gorm.DB, who access.Actor, _ time.Time) (assets.Site, error) {
		return assets.EditSite(tx, who, r.SiteId, version, siteIn(*r.Body))
	})
	return gen.ReplaceSite200JSONResponse{Body: siteOut(it), Headers: gen.ReplaceSite200ResponseHeaders{ETag: etag(it.Version)}}, err
}

// ListOwnerships lists whose a site is and was.
func (s *Server) ListOwnerships(ctx context.Context, r gen.ListOwnershipsRequestObject) (gen.ListOwnershipsResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	all, err := assets.Ownerships(ctx, s.db, who, r.SiteId)
	return gen.ListOwnerships200JSONResponse(ownershipsOut(all)), err
}

// HandOverSite hands a site to another customer.
func (s *Server) HandOverSite(ctx context.Context, r gen.HandOverSiteRequestObject) (gen.HandOverSiteResponseObject, error) {
	all, err := once(ctx, s, "handOverSite", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, _ time.Time) ([]assets.Ownership, error) {
		return assets.HandOver(tx, who, r.SiteId, r.Body.CustomerId, r.Body.From)
	})
	return gen.HandOverSite201JSONResponse(ownershipsOut(all)), err
}

// ListSupplies lists the supplies of a site.
func (s *Server) ListSupplies(ctx context.Context, r gen.ListSuppliesRequestObject) (gen.ListSuppliesResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	all, err := assets.Supplies(ctx, s.db, who, r.SiteId)
	return gen.ListSupplies200JSONResponse{Items: each(all, supplyOut)}, err
}

// CreateSupply adds a supply.
func (s *Server) CreateSupply(ctx context.Context, r gen.CreateSupplyRequestObject) (gen.CreateSupplyResponseObject, error) {
	it, err := once(ctx, s, "createSupply", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (assets.Supply, error) {
		return assets.AddSupply(tx, who, now, r.SiteId, assets.NewSupply{Code: r.Body.Code, Volts: r.Body.Volts, Phases: int(r.Body.Phases),
			Hertz: int(r.Body.Hertz), HighLeg: val(r.Body.HighLeg), From: r.Body.From})
	})
	return gen.CreateSupply201JSONResponse(supplyOut(it)), err
}

// EndSupply ends a supply.
func (s *Server) EndSupply(ctx context.Context, r gen.EndSupplyRequestObject) (gen.EndSupplyResponseObject, error) {
	it, err := once(ctx, s, "endSupply", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, _ time.Time) (assets.Supply, error) {
		return assets.EndSupply(tx, who, r.SiteId, r.SupplyId, r.Body.At)
	})
	return gen.EndSupply200JSONResponse(supplyOut(it)), err
}

// GetHours reads a site's week.
func (s *Server) GetHours(ctx context.Context, r gen.GetHoursRequestObject) (gen.GetHoursResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	it, err := assets.OneSite(ctx, s.db, who, r.SiteId)
	if err != nil {
		return nil, err
	}
	week, err := assets.Hours(ctx, s.db, who, r.SiteId, s.now())
	return gen.GetHours200JSONResponse{Body: hoursOut(week), Headers: gen.GetHours200ResponseHeaders{ETag: etag(it.Version)}}, err
}

// ReplaceHours arranges a site's week anew.
func (s *Server) ReplaceHours(ctx context.Context, r gen.ReplaceHoursRequestObject) (gen.ReplaceHoursResponseObject, error) {
	version, err := s.siteVersion(ctx, r.Params.IfMatch, r.SiteId)
	if err != nil {
		return nil, err
	}
	var week []assets.WeeklyHours
	it, err := write(ctx, s, func(tx *gorm.DB, who access.Actor, now time.Time) (it assets.Site, err error) {
		it, week, err = assets.ReplaceHours(tx, who, now, r.SiteId, version, hoursIn(r.Body))
		return it, err
	})
	return gen.ReplaceHours200JSONResponse{Body: hoursOut(week), Headers: gen.ReplaceHours200ResponseHeaders{ETag: etag(it.Version)}}, err
}

// ListBlackouts lists the blackouts of a site.
func (s *Server) ListBlackouts(ctx context.Context, r gen.ListBlackoutsRequestObject) (gen.ListBlackoutsResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	all, err := assets.Blackouts(ctx, s.db, who, r.SiteId)
	return gen.ListBlackouts200JSONResponse{Items: each(all, blackoutOut)}, err
}

// CreateBlackout records a blackout.
func (s *Server) CreateBlackout(ctx context.Context, r gen.CreateBlackoutRequestObject) (gen.CreateBlackoutResponseObject, error) {
	it, err := once(ctx, s, "createBlackout", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, _ time.Time) (assets.Blackout, error) {
		return assets.AddBlackout(tx, who, r.SiteId, assets.NewBlackout{LineID: r.Body.LineId, From: r.Body.From, Until: r.Body.Until, Reason: r.Body.Reason})
	})
	return gen.CreateBlackout201JSONResponse(blackoutOut(it)), err
}

// WithdrawBlackout takes a blackout back.
func (s *Server) WithdrawBlackout(ctx context.Context, r gen.WithdrawBlackoutRequestObject) (gen.WithdrawBlackoutResponseObject, error) {
	_, err := write(ctx, s, func(tx *gorm.DB, who access.Actor, now time.Time) (struct{}, error) {
		return struct{}{}, assets.WithdrawBlackout(tx, who, now, r.SiteId, r.BlackoutId)
	})
	return gen.WithdrawBlackout204Response{}, err
}

// ListNotes lists the distributor's notes about a site.
func (s *Server) ListNotes(ctx context.Context, r gen.ListNotesRequestObject) (gen.ListNotesResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	all, err := assets.Notes(ctx, s.db, who, r.SiteId)
	return gen.ListNotes200JSONResponse{Items: each(all, noteOut)}, err
}

// CreateNote writes an internal note.
func (s *Server) CreateNote(ctx context.Context, r gen.CreateNoteRequestObject) (gen.CreateNoteResponseObject, error) {
	it, err := once(ctx, s, "createNote", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (assets.Note, error) {
		return assets.WriteNote(tx, who, now, r.SiteId, r.Body.Body)
	})
	return gen.CreateNote201JSONResponse(noteOut(it)), err
}

// ListLines lists lines.
func (s *Server) ListLines(ctx context.Context, r gen.ListLinesRequestObject) (gen.ListLinesResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	p, err := page("lines", r.Params.Cursor, r.Params.Limit)
	if err != nil {
		return nil, err
	}
	rows, err := assets.Lines(ctx, s.db, who, r.Params.SiteId, p)
	rows, next := cut("lines", rows, p, func(l assets.Line) string { return l.Code })
	return gen.ListLines200JSONResponse{Items: each(rows, lineOut), NextCursor: next}, err
}

// CreateLine adds a line.
func (s *Server) CreateLine(ctx context.Context, r gen.CreateLineRequestObject) (gen.CreateLineResponseObject, error) {
	it, err := once(ctx, s, "createLine", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (assets.Line, error) {
		b := r.Body
		return assets.AddLine(tx, who, now, b.SiteId, b.From, lineIn(gen.LineEdit{Code: b.Code, Name: b.Name, Length: b.Length, Speed: b.Speed, VehiclesPerHourMax: b.VehiclesPerHourMax}))
	})
	return gen.CreateLine201JSONResponse{Body: lineOut(it), Headers: gen.CreateLine201ResponseHeaders{ETag: etag(it.Version), Location: at("lines", it.ID)}}, err
}

// GetLine reads a line.
func (s *Server) GetLine(ctx context.Context, r gen.GetLineRequestObject) (gen.GetLineResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	it, err := assets.OneLine(ctx, s.db, who, r.LineId)
	return gen.GetLine200JSONResponse{Body: lineOut(it), Headers: gen.GetLine200ResponseHeaders{ETag: etag(it.Version)}}, err
}

// ReplaceLine edits a line.
func (s *Server) ReplaceLine(ctx context.Context, r gen.ReplaceLineRequestObject) (gen.ReplaceLineResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	version, err := versionSeen(r.Params.IfMatch, func() (int, error) {
		it, err := assets.OneLine(ctx, s.db, who, r.LineId)
		return it.Version, err
	})
	if err != nil {
		return nil, err
	}
	it, err := write(ctx, s, func(tx *gorm.DB, who access.Actor, _ time.Time) (assets.Line, error) {
		return assets.EditLine(tx, who, r.LineId, version, lineIn(*r.Body))
	})
	return gen.ReplaceLine200JSONResponse{Body: lineOut(it), Headers: gen.ReplaceLine200ResponseHeaders{ETag: etag(it.Version)}}, err
}
