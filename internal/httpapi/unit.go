package httpapi

import (
	"bytes"
	"context"
	"fmt"
	"time"

	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/assets/supply"
	"spindlebook/internal/door"
	"spindlebook/internal/httpapi/gen"
)

// ListComponentClasses lists the classes of what is fitted.
func (s *Server) ListComponentClasses(ctx context.Context, _ gen.ListComponentClassesRequestObject) (gen.ListComponentClassesResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	all, err := assets.ComponentClasses(ctx, s.db, who)
	return gen.ListComponentClasses200JSONResponse{Items: each(all, func(c assets.ComponentClass) gen.ComponentClass {
		return gen.ComponentClass{Code: c.Code, Name: c.Name}
	})}, err
}

func partOut(p assets.Part) gen.Part {
	return gen.Part{Id: p.ID, Number: p.Number, Description: p.Description, Class: p.Class, Version: p.Version, CreatedAt: p.CreatedAt,
		Facts: each(p.Facts, func(f assets.PartFact) gen.PartFact {
			return gen.PartFact{Fact: f.Fact, Value: f.Value, ValueMm: f.ValueMM}
		})}
}

func partIn(b *gen.PartEdit) assets.PartEdit {
	return assets.PartEdit{Number: b.Number, Description: b.Description, Class: b.Class,
		Facts: each(val(b.Facts), func(f gen.PartFactEdit) assets.PartFactEdit {
			return assets.PartFactEdit{Fact: f.Fact, Value: val(f.Value), Measure: measureIn(f.Measure)}
		})}
}

// ListParts lists the catalogue.
func (s *Server) ListParts(ctx context.Context, r gen.ListPartsRequestObject) (gen.ListPartsResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	p, err := page("parts", r.Params.Cursor, r.Params.Limit)
	if err != nil {
		return nil, err
	}
	rows, err := assets.Parts(ctx, s.db, who, r.Params.Class, r.Params.Begins, p)
	rows, next := cut("parts", rows, p, func(p assets.Part) string { return p.Number })
	return gen.ListParts200JSONResponse{Items: each(rows, partOut), NextCursor: next}, err
}

// CreatePart adds a part.
func (s *Server) CreatePart(ctx context.Context, r gen.CreatePartRequestObject) (gen.CreatePartResponseObject, error) {
	it, err := once(ctx, s, "createPart", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (assets.Part, error) {
		return assets.AddPart(tx, who, now, partIn(r.Body))
	})
	return gen.CreatePart201JSONResponse{Body: partOut(it), Headers: gen.CreatePart201ResponseHeaders{ETag: etag(it.Version), Location: at("parts", it.ID)}}, err
}

// GetPart reads a part.
func (s *Server) GetPart(ctx context.Context, r gen.GetPartRequestObject) (gen.GetPartResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	it, err := assets.OnePart(ctx, s.db, who, r.PartId)
	return gen.GetPart200JSONResponse{Body: partOut(it), Headers: gen.GetPart200ResponseHeaders{ETag: etag(it.Version)}}, err
}

// ReplacePart edits a part.
func (s *Server) ReplacePart(ctx context.Context, r gen.ReplacePartRequestObject) (gen.ReplacePartResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	version, err := versionSeen(r.Params.IfMatch, func() (int, error) {
		it, err := assets.OnePart(ctx, s.db, who, r.PartId)
		return it.Version, err
	})
	if err != nil {
		return nil, err
	}
	it, err := write(ctx, s, func(tx *gorm.DB, who access.Actor, _ time.Time) (assets.Part, error) {
		return assets.EditPart(tx, who, r.PartId, version, partIn(r.Body))
	})
	return gen.ReplacePart200JSONResponse{Body: partOut(it), Headers: gen.ReplacePart200ResponseHeaders{ETag: etag(it.Version)}}, err
}

func locationOut(l assets.Location) gen.Location {
	return gen.Location{Id: l.ID, Code: l.Code, Name: l.Name, Kind: gen.LocationKind(l.Kind), SiteId: l.SiteID, Version: l.Version, CreatedAt: l.CreatedAt}
}

// ListLocations lists the places where stock lies.
func (s *Server) ListLocations(ctx context.Context, r gen.ListLocationsRequestObject) (gen.ListLocationsResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	p, err := page("locations", r.Params.Cursor, r.Params.Limit)
	if err != nil {
		return nil, err
	}
	rows, err := assets.Locations(ctx, s.db, who, p)
	rows, next := cut("locations", rows, p, func(l assets.Location) string { return l.Code })
	return gen.ListLocations200JSONResponse{Items: each(rows, locationOut), NextCursor: next}, err
}

// CreateLocation adds a place where stock lies.
func (s *Server) CreateLocation(ctx context.Context, r gen.CreateLocationRequestObject) (gen.CreateLocationResponseObject, error) {
	it, err := once(ctx, s, "createLocation", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (assets.Location, error) {
		return assets.AddLocation(tx, who, now, assets.NewLocation{Code: r.Body.Code, Name: r.Body.Name, Kind: string(r.Body.Kind), SiteID: r.Body.SiteId})
	})
	return gen.CreateLocation201JSONResponse(locationOut(it)), err
}

// GetLocation reads a place where stock lies.
func (s *Server) GetLocation(ctx context.Context, r gen.GetLocationRequestObject) (gen.GetLocationResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	it, err := assets.OneLocation(ctx, s.db, who, r.LocationId)
	return gen.GetLocation200JSONResponse{Body: locationOut(it), Headers: gen.GetLocation200ResponseHeaders{ETag: etag(it.Version)}}, err
}

// ReplaceLocation edits a place where stock lies.
func (s *Server) ReplaceLocation(ctx context.Context, r gen.ReplaceLocationRequestObject) (gen.ReplaceLocationResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	version, err := versionSeen(r.Params.IfMatch, func() (int, error) {
		it, err := assets.OneLocation(ctx, s.db, who, r.LocationId)
		return it.Version, err
	})
	if err != nil {
		return nil, err
	}
	it, err := write(ctx, s, func(tx *gorm.DB, who access.Actor, _ time.Time) (assets.Location, error) {
		return assets.EditLocation(tx, who, r.LocationId, version, assets.LocationEdit{Name: r.Body.Name, Kind: string(r.Body.Kind)})
	})
	return gen.ReplaceLocation200JSONResponse{Body: locationOut(it), Headers: gen.ReplaceLocation200ResponseHeaders{ETag: etag(it.Version)}}, err
}

func unitOut(u assets.Unit) gen.Unit {
	out := gen.Unit{Id: u.ID, Tag: u.Tag, PartId: u.PartID, PartNumber: u.PartNumber, PartDescription: u.PartDescription, Class: u.Class, Serial: u.Serial, Owner: u.Owner,
		OwnerCustomerId: u.OwnerCustomerID, Lot: u.Lot, Pattern: u.Pattern, StartHours: u.StartHours, StartVehicles: u.StartVehicles, StartDays: u.StartDays,
		Version: u.Version, CreatedAt: u.CreatedAt}
	if u.StayID != nil {
		out.Place = &gen.UnitPlace{Since: u.Since, PositionId: u.PositionID, Position: u.PositionCode, Slot: u.Slot, InsideId: u.HolderID, Inside: u.HolderTag,
			LocationId: u.LocationID, Location: u.LocationCode}
	}
	return out
}

func unitIn(b gen.UnitEdit) assets.UnitEdit {
	return assets.UnitEdit{PartID: b.PartId, Serial: val(b.Serial), Owner: string(val(b.Owner)), OwnerCustomerID: b.OwnerCustomerId, Lot: val(b.Lot), Pattern: val(b.Pattern),
		StartHours: b.StartHours, StartVehicles: b.StartVehicles, StartDays: b.StartDays}
}

func newUnitIn(b gen.NewUnit) assets.NewUnit {
	return assets.NewUnit{Tag: val(b.Tag), UnitEdit: unitIn(gen.UnitEdit{PartId: b.PartId, Serial: b.Serial, Owner: (*gen.UnitEditOwner)(b.Owner), OwnerCustomerId: b.OwnerCustomerId,
		Lot: b.Lot, Pattern: b.Pattern, StartHours: b.StartHours, StartVehicles: b.StartVehicles, StartDays: b.StartDays})}
}

// ListUnits lists units.
func (s *Server) ListUnits(ctx context.Context, r gen.ListUnitsRequestObject) (gen.ListUnitsResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	p, err := page("units", r.Params.Cursor, r.Params.Limit)
	if err != nil {
		return nil, err
	}
	f := assets.UnitFilter{SiteID: r.Params.SiteId, LocationID: r.Params.LocationId, PartID: r.Params.PartId, Class: r.Params.Class, Serial: r.Params.Serial}
	rows, err := assets.Units(ctx, s.db, who, s.now(), f, p)
	rows, next := cut("units", rows, p, func(u assets.Unit) string { return u.Tag })
	return gen.ListUnits200JSONResponse{Items: each(rows, unitOut), NextCursor: next}, err
}

// CreateUnit records a unit.
func (s *Server) CreateUnit(ctx context.Context, r gen.CreateUnitRequestObject) (gen.CreateUnitResponseObject, error) {
	it, err := once(ctx, s, "createUnit", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (assets.Unit, error) {
		return assets.AddUnit(tx, who, now, newUnitIn(*r.Body))
	})
	return gen.CreateUnit201JSONResponse{Body: unitOut(it), Headers: gen.CreateUnit201ResponseHeaders{ETag: etag(it.Version), Location: at("units", it.ID)}}, err
}

// CreateUnits records many units, all or none.
func (s *Server) CreateUnits(ctx context.Context, r gen.CreateUnitsRequestObject) (gen.CreateUnitsResponseObject, error) {
	all, err := once(ctx, s, "createUnits", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) ([]assets.Unit, error) {
		return assets.AddUnits(tx, who, now, each(r.Body.Items, newUnitIn))
	})
	return gen.CreateUnits201JSONResponse{Items: each(all, unitOut)}, err
}

// GetUnit reads a unit.
func (s *Server) GetUnit(ctx context.Context, r gen.GetUnitRequestObject) (gen.GetUnitResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	it, err := assets.OneUnit(ctx, s.db, who, s.now(), r.UnitId)
	return gen.GetUnit200JSONResponse{Body: unitOut(it), Headers: gen.GetUnit200ResponseHeaders{ETag: etag(it.Version)}}, err
}

// ReplaceUnit edits a unit.
func (s *Server) ReplaceUnit(ctx context.Context, r gen.ReplaceUnitRequestObject) (gen.ReplaceUnitResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	version, err := versionSeen(r.Params.IfMatch, func() (int, error) {
		it, err := assets.OneUnit(ctx, s.db, who, s.now(), r.UnitId)
		return it.Version, err
	})
	if err != nil {
		return nil, err
	}
	it, err := write(ctx, s, func(tx *gorm.DB, who access.Actor, now time.Time) (assets.Unit, error) {
		return assets.EditUnit(tx, who, now, r.UnitId, version, unitIn(*r.Body))
	})
	return gen.ReplaceUnit200JSONResponse{Body: unitOut(it), Headers: gen.ReplaceUnit200ResponseHeaders{ETag: etag(it.Version)}}, err
}

func stayOut(st assets.Stay) gen.Stay {
	return gen.Stay{Id: st.ID, UnitId: st.UnitID, Tag: st.Tag, Serial: st.Serial, PartNumber: st.PartNumber, From: st.From, FromPrecision: gen.Precision(st.FromPrecision),
		Until: st.Until, UntilPrecision: st.UntilPrecision, EndedFor: st.EndedFor, Remark: st.Remark, SiteId: st.SiteID, PositionId: st.PositionID, Position: st.PositionCode,
		SlotId: st.SlotID, Slot: st.Slot, InsideId: st.HolderID, Inside: st.HolderTag, LocationId: st.LocationID, Location: st.LocationCode,
		RecordedAt: st.RecordedAt, RecordedBy: st.RecordedBy}
}

// ListUnitStays lists everywhere a unit has been.
func (s *Server) ListUnitStays(ctx context.Context, r gen.ListUnitStaysRequestObject) (gen.ListUnitStaysResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	all, err := assets.UnitHistory(ctx, s.db, who, s.now(), r.UnitId)
	return gen.ListUnitStays200JSONResponse{Items: each(all, stayOut)}, err
}

// PutUnit records that a unit went to a place.
func (s *Server) PutUnit(ctx context.Context, r gen.PutUnitRequestObject) (gen.PutUnitResponseObject, error) {
	it, err := once(ctx, s, "putUnit", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (assets.Stay, error) {
		b := r.Body
		return assets.Put(tx, who, now, assets.Putting{UnitID: r.UnitId, Place: assets.Place{SlotID: b.SlotId, LocationID: b.LocationId}, From: b.From,
			Precision: string(val(b.Precision)), Reason: string(val(b.Reason)), Remark: val(b.Remark)})
	})
	return gen.PutUnit201JSONResponse(stayOut(it)), err
}

func sectionsOut(all []assets.ReplacedSection) gen.Sections {
	return gen.Sections{Items: each(all, func(r assets.ReplacedSection) gen.Section {
		return gen.Section{Section: r.Section, Lot: r.Lot, At: r.At}
	})}
}

// ListSections lists the sections of a media set that were replaced.
func (s *Server) ListSections(ctx context.Context, r gen.ListSectionsRequestObject) (gen.ListSectionsResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	if _, err := assets.OneUnit(ctx, s.db, who, s.now(), r.UnitId); err != nil {
		return nil, err
	}
	all, err := assets.ReplacedSections(ctx, s.db, who, r.UnitId)
	return gen.ListSections200JSONResponse(sectionsOut(all)), err
}

// ReplaceSection records that a section of a media set was replaced.
func (s *Server) ReplaceSection(ctx context.Context, r gen.ReplaceSectionRequestObject) (gen.ReplaceSectionResponseObject, error) {
	all, err := once(ctx, s, "replaceSection", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) ([]assets.ReplacedSection, error) {
		when := now
		if r.Body.At != nil {
			when = *r.Body.At
		}
		return assets.ReplaceSection(tx, who, now, r.UnitId, r.Body.Section, val(r.Body.Lot), when)
	})
	return gen.ReplaceSection201JSONResponse(sectionsOut(all)), err
}

// ListUnitFacts lists what a unit is.
func (s *Server) ListUnitFacts(ctx context.Context, r gen.ListUnitFactsRequestObject) (gen.ListUnitFactsResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	all, err := assets.UnitFacts(ctx, s.db, who, s.now(), r.UnitId)
	return gen.ListUnitFacts200JSONResponse{Items: each(all, factOut)}, err
}

// RecordUnitFact records what a unit is.
func (s *Server) RecordUnitFact(ctx context.Context, r gen.RecordUnitFactRequestObject) (gen.RecordUnitFactResponseObject, error) {
	it, err := once(ctx, s, "recordUnitFact", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (assets.Fact, error) {
		return assets.RecordOfUnit(tx, who, now, r.UnitId, newFactIn(r.Body))
	})
	return gen.RecordUnitFact201JSONResponse(factOut(it)), err
}

// WithdrawUnitFact takes a fact of a unit back.
func (s *Server) WithdrawUnitFact(ctx context.Context, r gen.WithdrawUnitFactRequestObject) (gen.WithdrawUnitFactResponseObject, error) {
	it, err := once(ctx, s, "withdrawUnitFact", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (assets.Fact, error) {
		return assets.WithdrawOfUnit(tx, who, now, r.UnitId, r.FactId, r.Body.Reason)
	})
	return gen.WithdrawUnitFact200JSONResponse(factOut(it)), err
}

// CreateSwap swaps units in slots.
func (s *Server) CreateSwap(ctx context.Context, r gen.CreateSwapRequestObject) (gen.CreateSwapResponseObject, error) {
	all, err := once(ctx, s, "createSwap", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) ([]assets.Swapped, error) {
		b := r.Body
		return assets.DoSwap(tx, who, now, assets.Swap{At: b.At, Precision: string(val(b.Precision)),
			Items: each(b.Items, func(i gen.SwapItem) assets.SwapItem {
				return assets.SwapItem{SlotID: i.SlotId, Reason: string(i.Reason), To: i.To, In: i.In, InReason: string(val(i.InReason)), Remark: val(i.Remark)}
			}),
			Facts: each(val(b.Facts), func(f gen.SwapFact) assets.SwapFact {
				return assets.SwapFact{PositionID: f.PositionId, NewFact: assets.NewFact{Fact: f.Fact, Value: val(f.Value), Measure: measureIn(f.Measure), SeenAt: f.SeenAt,
					SeenBy: val(f.SeenBy), How: string(f.How)}}
			})})
	})
	return gen.CreateSwap201JSONResponse{Items: each(all, func(d assets.Swapped) gen.SwappedItem {
		var out gen.SwappedItem
		if d.Out != nil {
			out.Out = new(stayOut(*d.Out))
		}
		if d.In != nil {
			out.In = new(stayOut(*d.In))
		}
		return out
	})}, err
}

func fittedOut(f assets.Fitted) gen.Fitted {
	return gen.Fitted{SlotId: f.SlotID, PositionId: f.PositionID, Position: f.PositionCode, SiteId: f.SiteID, SlotCode: f.SlotCode, Slot: f.Slot, Class: f.Class, Depth: f.Depth,
		UnitId: f.UnitID, Tag: f.Tag, Serial: f.Serial, PartId: f.PartID, PartNumber: f.PartNumber, PartDescription: f.PartDescription, Pattern: f.Pattern, Lot: f.Lot,
		Since: f.Since, SincePrecision: f.SincePrecision}
}

// asOf gives the instant that a read is about.
func (s *Server) asOf(t *time.Time) time.Time {
	if t == nil {
		return s.now()
	}
	return *t
}

// ListFitted lists what is fitted in a position.
func (s *Server) ListFitted(ctx context.Context, r gen.ListFittedRequestObject) (gen.ListFittedResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	all, err := assets.FittedAtPosition(ctx, s.db, who, r.PositionId, s.asOf(r.Params.AsOf))
	return gen.ListFitted200JSONResponse{Items: each(all, fittedOut)}, err
}

// ListSiteFitted lists what is fitted at a site.
func (s *Server) ListSiteFitted(ctx context.Context, r gen.ListSiteFittedRequestObject) (gen.ListSiteFittedResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	all, err := assets.FittedAtSite(ctx, s.db, who, r.SiteId, s.asOf(r.Params.AsOf))
	return gen.ListSiteFitted200JSONResponse{Items: each(all, fittedOut)}, err
}

// ListPositionStays lists every unit that was in a position.
func (s *Server) ListPositionStays(ctx context.Context, r gen.ListPositionStaysRequestObject) (gen.ListPositionStaysResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	all, err := assets.PositionHistory(ctx, s.db, who, r.PositionId)
	return gen.ListPositionStays200JSONResponse{Items: each(all, stayOut)}, err
}

// GetTurning tells which way a position must turn.
func (s *Server) GetTurning(ctx context.Context, r gen.GetTurningRequestObject) (gen.GetTurningResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	t, err := assets.TurningOf(ctx, s.db, who, r.PositionId, s.now())
	return gen.GetTurning200JSONResponse(turningOut(t)), err
}

func turningOut(t assets.Turning) gen.Turning {
	out := gen.Turning{Known: t.Known, Recorded: t.Recorded, Differs: t.Differs}
	if t.Known {
		direction := gen.CounterClockwise
		if t.Clockwise {
			direction = gen.Clockwise
		}
		out.Direction, out.SeenFrom = &direction, &t.SeenFrom
	} else {
		out.Gap = &t.Gap
	}
	return out
}

// ListFindings lists what does not agree at a site or is not known.
func (s *Server) ListFindings(ctx context.Context, r gen.ListFindingsRequestObject) (gen.ListFindingsResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	all, err := assets.Findings(ctx, s.db, who, s.now(), r.SiteId)
	return gen.ListFindings200JSONResponse{Items: each(all, func(f assets.Finding) gen.Finding {
		return gen.Finding{Kind: gen.FindingKind(f.Kind), Rank: f.Rank, Says: f.Says, Blocks: f.Blocks, Close: f.Close, PositionId: f.PositionID, Position: some(f.Position),
			UnitId: f.UnitID, Tag: some(f.Tag), Fact: some(f.Fact)}
	})}, err
}

// some is a text as an answer writes it: absent where it is empty.
func some(s string) *string {
	if s == "" {
		return nil
	}
	return &s
}

func photoOut(f assets.Photo) gen.Photo {
	return gen.Photo{Id: f.ID, Caption: f.Caption, MediaType: f.MediaType, Width: f.Width, Height: f.Height, TakenAt: f.TakenAt, RecordedAt: f.RecordedAt,
		RecordedBy: f.RecordedBy, Href: at("photos", f.ID), WithdrawnAt: f.WithdrawnAt, WithdrawnWhy: f.WithdrawnWhy}
}

// ListPositionPhotos lists the pictures of a position.
func (s *Server) ListPositionPhotos(ctx context.Context, r gen.ListPositionPhotosRequestObject) (gen.ListPositionPhotosResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	all, err := assets.PhotosOfPosition(ctx, s.db, who, r.PositionId)
	return gen.ListPositionPhotos200JSONResponse{Items: each(all, photoOut)}, err
}

// CreatePositionPhoto keeps a picture of a position.
func (s *Server) CreatePositionPhoto(ctx context.Context, r gen.CreatePositionPhotoRequestObject) (gen.CreatePositionPhotoResponseObject, error) {
	it, err := once(ctx, s, "createPositionPhoto", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (assets.Photo, error) {
		return assets.AddPhoto(tx, who, now, assets.NewPhoto{PositionID: &r.PositionId, Caption: val(r.Body.Caption), TakenAt: r.Body.TakenAt, Content: r.Body.Content})
	})
	return gen.CreatePositionPhoto201JSONResponse(photoOut(it)), err
}

// ListUnitPhotos lists the pictures of a unit.
func (s *Server) ListUnitPhotos(ctx context.Context, r gen.ListUnitPhotosRequestObject) (gen.ListUnitPhotosResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	all, err := assets.PhotosOfUnit(ctx, s.db, who, s.now(), r.UnitId)
	return gen.ListUnitPhotos200JSONResponse{Items: each(all, photoOut)}, err
}

// CreateUnitPhoto keeps a picture of a unit.
func (s *Server) CreateUnitPhoto(ctx context.Context, r gen.CreateUnitPhotoRequestObject) (gen.CreateUnitPhotoResponseObject, error) {
	it, err := once(ctx, s, "createUnitPhoto", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (assets.Photo, error) {
		return assets.AddPhoto(tx, who, now, assets.NewPhoto{UnitID: &r.UnitId, Caption: val(r.Body.Caption), TakenAt: r.Body.TakenAt, Content: r.Body.Content})
	})
	return gen.CreateUnitPhoto201JSONResponse(photoOut(it)), err
}

// GetPhoto sends the picture itself.
func (s *Server) GetPhoto(ctx context.Context, r gen.GetPhotoRequestObject) (gen.GetPhotoResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	it, err := assets.OnePicture(ctx, s.db, who, r.PhotoId)
	if err != nil {
		return nil, err
	}
	body, size := bytes.NewReader(it.Content), int64(len(it.Content))
	if it.MediaType == "image/png" {
		return gen.GetPhoto200ImagepngResponse{Body: body, ContentLength: size}, nil
	}
	return gen.GetPhoto200ImagejpegResponse{Body: body, ContentLength: size}, nil
}

// WithdrawPhoto takes back a picture that should not be there.
func (s *Server) WithdrawPhoto(ctx context.Context, r gen.WithdrawPhotoRequestObject) (gen.WithdrawPhotoResponseObject, error) {
	it, err := once(ctx, s, "withdrawPhoto", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (assets.Photo, error) {
		return assets.WithdrawPhoto(tx, who, now, r.PhotoId, r.Body.Reason)
	})
	return gen.WithdrawPhoto200JSONResponse(photoOut(it)), err
}

// Find looks for what begins with a text.
func (s *Server) Find(ctx context.Context, r gen.FindRequestObject) (gen.FindResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	limit := 20
	if r.Params.Limit != nil {
		limit = *r.Params.Limit
	}
	all, err := assets.Find(ctx, s.db, who, r.Params.Text, limit)
	return gen.Find200JSONResponse{Items: each(all, func(h assets.Hit) gen.Hit {
		return gen.Hit{Kind: gen.HitKind(h.Kind), Id: h.ID, Code: h.Code, Name: h.Name, By: h.By}
	})}, err
}

// GetConnection tells whether a motor suits what feeds a position.
func (s *Server) GetConnection(ctx context.Context, r gen.GetConnectionRequestObject) (gen.GetConnectionResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	c, err := assets.ConnectionOf(ctx, s.db, who, s.now(), r.PositionId, r.Params.UnitId)
	return gen.GetConnection200JSONResponse(connectionOut(c)), err
}

func connectionOut(c assets.Connection) gen.Connection {
	out := gen.Connection{Verdict: verdicts[c.Verdict], UnitId: c.UnitID, Tag: some(c.Tag), Supply: some(c.Supply), Lines: []gen.Lead{}, Joined: [][]int{}, Open: []int{},
		Reasons:  each(c.Reasons, func(r supply.Reason) string { return r.Says }),
		Missing:  each(c.Missing, func(m supply.Missing) string { return m.Says + " " + m.How }),
		Findings: each(c.Findings, func(f supply.Finding) string { return f.Says }),
		Cautions: each(c.Cautions, func(c supply.Caution) string { return c.Says })}
	if con := c.Answer.Connection; con != nil {
		out.Setting = some(string(con.Setting))
		for i, leads := range con.Lines {
			out.Lines = append(out.Lines, gen.Lead{Line: fmt.Sprintf("L%d", i+1), Leads: each(leads, func(n int) int { return n })})
		}
		out.Joined = each(con.Joined, func(j []int) []int { return j })
		out.Open = each(con.Open, func(n int) int { return n })
		out.Reverse = some(c.Reverse)
	}
	return out
}

var verdicts = map[supply.Verdict]gen.ConnectionVerdict{supply.Suits: gen.Suits, supply.DoesNot: gen.DoesNotSuit, supply.CannotTell: gen.CannotTell}
