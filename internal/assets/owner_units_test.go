package assets_test

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/measure"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgtest"
)

// Instants around those of the sale.
var (
	earlier = began.AddDate(0, -1, 0) // before anything of the world
	early   = began.AddDate(0, 1, 0)  // in the first owner's time
	winter  = sold.AddDate(0, 1, 0)   // after the sale, before the swap
	later   = after.AddDate(0, 2, 0)  // after the swap
)

// fleet is what is and was fitted in the world of the sale, and what lies in stock.
type fleet struct {
	gearmotor, motor, mediaSet                         assets.Part
	warehouse, returns, shelf, newShelf, otherShelf    assets.Location
	old, newOne, spare, shelved, media, inner, lateOne assets.Unit
	leftSlot, rightSlot, otherSlot, oldSlot, newSlot   uuid.UUID // for a gearmotor; for the motor in one
	wired                                              assets.Fact
	photos                                             []assets.Photo
}

func (f fleet) units() []uuid.UUID {
	return []uuid.UUID{f.old.ID, f.newOne.ID, f.spare.ID, f.shelved.ID, f.media.ID, f.inner.ID, f.lateOne.ID}
}

// newFleet fits the sale's positions:
//
//	OLD    at the left brush from the beginning, with the motor INNER in it, swapped out after the sale
//	NEW    at the other customer's brush, then in the warehouse, where it gets the motor LATE, and swapped in for OLD
//	MEDIA  at the left brush throughout; it is the first owner's
//	SHELF  on the site's shelf, from before the sale on
//	SPARE  in the warehouse, never anywhere else
func (s sale) newFleet(t testing.TB) fleet {
	t.Helper()
	var f fleet
	w := stock{world: s.world}
	f.gearmotor = w.part(t, "P-GM", "gearmotor", assets.PartFactEdit{Fact: "bore", Measure: &measure.Typed{Value: 1.375, Unit: "in"}})
	f.motor, f.mediaSet = w.part(t, "P-MO", "motor"), w.part(t, "P-MS", "media_set")
	location := func(at time.Time, code, kind string, site *uuid.UUID) assets.Location {
		return pgtest.Done(t, s.db, sys, func(tx *gorm.DB) (assets.Location, error) {
			return assets.AddLocation(tx, sys, at, assets.NewLocation{Code: code, Name: code, Kind: kind, SiteID: site})
		})
	}
	f.warehouse, f.returns = location(began, "WH", "warehouse", nil), location(began, "RET", "returns", nil)
	// both recorded after the sale, but on the first something lay before it
	f.shelf, f.newShelf = location(now, "SH-UMB", "site_shelf", &s.site.ID), location(after, "SH-NEW", "site_shelf", &s.site.ID)
	f.otherShelf = location(began, "SH-OTH", "site_shelf", &s.otherSite.ID)
	unit := func(name string, part assets.Part, in assets.UnitEdit) assets.Unit {
		in.PartID, in.Serial = part.ID, "S-"+name
		return pgtest.Done(t, s.db, sys, func(tx *gorm.DB) (assets.Unit, error) {
			return assets.AddUnit(tx, sys, now, assets.NewUnit{Tag: "U-" + name, UnitEdit: in})
		})
	}
	f.old, f.newOne, f.spare, f.shelved = unit("OLD", f.gearmotor, assets.UnitEdit{}), unit("NEW", f.gearmotor, assets.UnitEdit{}),
		unit("SPARE", f.gearmotor, assets.UnitEdit{}), unit("SHELF", f.gearmotor, assets.UnitEdit{})
	f.media = unit("MEDIA", f.mediaSet, assets.UnitEdit{Owner: "customer", OwnerCustomerID: &s.customer.ID, Pattern: "AABB"})
	f.inner, f.lateOne = unit("INNER", f.motor, assets.UnitEdit{}), unit("LATE", f.motor, assets.UnitEdit{})
	f.leftSlot, f.rightSlot, f.otherSlot = *w.slot(t, s.left, "gearmotor"), *w.slot(t, s.right, "gearmotor"), *w.slot(t, s.otherPosition, "gearmotor")
	f.oldSlot, f.newSlot = *w.inner(t, f.old, "motor"), *w.inner(t, f.newOne, "motor")

	w.put(t, f.old, assets.Place{SlotID: &f.leftSlot}, began)
	w.put(t, f.inner, assets.Place{SlotID: &f.oldSlot}, began)
	w.put(t, f.media, assets.Place{SlotID: w.slot(t, s.left, "media")}, began)
	w.put(t, f.spare, assets.Place{LocationID: &f.warehouse.ID}, began)
	w.put(t, f.newOne, assets.Place{SlotID: &f.otherSlot}, began)
	w.put(t, f.shelved, assets.Place{LocationID: &f.shelf.ID}, before)
	w.put(t, f.newOne, assets.Place{LocationID: &f.warehouse.ID}, before, "failed")
	w.put(t, f.lateOne, assets.Place{SlotID: &f.newSlot}, sold)
	if _, err := w.swap(t, assets.Swap{At: after, Items: []assets.SwapItem{{SlotID: f.leftSlot, Reason: "failed", To: &f.returns.ID, In: &f.newOne.ID}}}); err != nil {
		t.Fatal(err)
	}

	fact := func(u assets.Unit, from time.Time, in assets.NewFact) assets.Fact {
		in.From, in.How = &from, "seen"
		return pgtest.Done(t, s.db, sys, func(tx *gorm.DB) (assets.Fact, error) { return assets.RecordOfUnit(tx, sys, now, u.ID, in) })
	}
	fact(f.old, began, assets.NewFact{Fact: "link_setting", Value: "low"})
	fact(f.old, later, assets.NewFact{Fact: "link_setting", Value: "high"})
	fact(f.newOne, began, assets.NewFact{Fact: "leads", Value: "9"})
	f.wired = fact(f.newOne, sold, assets.NewFact{Fact: "leads", Value: "12"})
	fact(f.newOne, sold, assets.NewFact{Fact: "bore", Measure: &measure.Typed{Value: 1.5, Unit: "in"}})
	for section, at := range []time.Time{before, later, earlier} {
		pgtest.Done(t, s.db, sys, func(tx *gorm.DB) ([]assets.ReplacedSection, error) {
			return assets.ReplaceSection(tx, sys, now, f.media.ID, section+1, "", at)
		})
	}
	photo := func(caption string, at time.Time, in assets.NewPhoto) {
		in.Caption, in.TakenAt, in.Content = caption, &at, jpegOf(t, 8, 8)
		f.photos = append(f.photos, pgtest.Done(t, s.db, sys, func(tx *gorm.DB) (assets.Photo, error) { return assets.AddPhoto(tx, sys, now, in) }))
	}
	photo("left then", before, assets.NewPhoto{PositionID: &s.left.ID})
	photo("left lately", later, assets.NewPhoto{PositionID: &s.left.ID})
	photo("top", before, assets.NewPhoto{PositionID: &s.otherPosition.ID})
	photo("old then", before, assets.NewPhoto{UnitID: &f.old.ID})
	photo("old in winter", winter, assets.NewPhoto{UnitID: &f.old.ID})
	photo("old returned", later, assets.NewPhoto{UnitID: &f.old.ID})
	photo("new elsewhere", early, assets.NewPhoto{UnitID: &f.newOne.ID})
	photo("new in store", sold, assets.NewPhoto{UnitID: &f.newOne.ID})
	photo("new here", later, assets.NewPhoto{UnitID: &f.newOne.ID})
	return f
}

// seenUnits asks every function that reads units, parts, stock and pictures.
func (s sale) seenUnits(who access.Actor) map[string]string {
	all := access.Page{Limit: 100}
	sites := []uuid.UUID{s.site.ID, s.otherSite.ID}
	positions := []uuid.UUID{s.left.ID, s.gone.ID, s.fresh.ID, s.otherPosition.ID}
	owners := map[uuid.UUID]string{s.customer.ID: "HAD", s.buyer.ID: "KES", s.next.ID: "MIR", s.other.ID: "OTH"}
	name := func(tag string) string { return strings.TrimPrefix(tag, "U-") }
	text := func(p *string) string {
		if p == nil {
			return ""
		}
		return *p
	}
	itself := func(s string) string { return s }
	unit := func(u assets.Unit) string {
		is := name(u.Tag) + " " + text(u.PositionCode) + text(u.LocationCode)
		if u.PositionCode == nil && u.LocationCode == nil {
			is += "?"
		}
		if u.HolderTag != nil {
			is += " in " + name(*u.HolderTag)
		}
		if u.OwnerCustomerID != nil {
			is += " of " + owners[*u.OwnerCustomerID]
		}
		return is
	}
	lasts := func(st assets.Stay) string { return span(*st.From, st.Until) }
	photo := func(p assets.Photo) string { return p.Caption }
	fits := func(all []assets.Fitted) string {
		var is []string
		for _, f := range all {
			if f.Tag != nil {
				is = append(is, name(*f.Tag)+" as "+f.SlotCode)
			}
		}
		slices.Sort(is)
		return strings.Join(is, ", ")
	}
	// at two instants
	twice := func(ask func(at time.Time) ([]assets.Fitted, error)) (string, error) {
		then, err := ask(early)
		if err != nil {
			return "", err
		}
		today, err := ask(now)
		return "then " + fits(then) + " and now " + fits(today), err
	}

	got := map[string]string{}
	us, err := assets.Units(ctx, s.db, who, now, assets.UnitFilter{}, all)
	got["Units"] = listed(us, err, unit)
	got["OneUnit"] = each(s.units(), func(id uuid.UUID) (assets.Unit, error) { return assets.OneUnit(ctx, s.db, who, now, id) }, unit)
	got["UnitFacts"] = each(s.units(), func(id uuid.UUID) (string, error) {
		found, err := assets.UnitFacts(ctx, s.db, who, now, id)
		return listed(found, nil, func(f assets.Fact) string { return f.Value + " " + span(f.From, f.Until) }), err
	}, itself)
	got["UnitHistory"] = each(s.units(), func(id uuid.UUID) (string, error) {
		found, err := assets.UnitHistory(ctx, s.db, who, now, id)
		return listed(found, nil, func(st assets.Stay) string {
			return text(st.PositionCode) + text(st.LocationCode) + name(text(st.HolderTag)) + " " + lasts(st)
		}), err
	}, itself)
	got["PositionHistory"] = each(positions, func(id uuid.UUID) (string, error) {
		found, err := assets.PositionHistory(ctx, s.db, who, id)
		return listed(found, nil, func(st assets.Stay) string { return name(st.Tag) + " " + lasts(st) }), err
	}, itself)
	got["FittedAtPosition"] = each(positions, func(id uuid.UUID) (string, error) {
		return twice(func(at time.Time) ([]assets.Fitted, error) { return assets.FittedAtPosition(ctx, s.db, who, id, at) })
	}, itself)
	got["FittedAtSite"] = each(sites, func(id uuid.UUID) (string, error) {
		return twice(func(at time.Time) ([]assets.Fitted, error) { return assets.FittedAtSite(ctx, s.db, who, id, at) })
	}, itself)
	got["FittedInUnit"] = each([]uuid.UUID{s.old.ID, s.newOne.ID}, func(id uuid.UUID) (string, error) {
		found, err := assets.FittedInUnit(ctx, s.db, who, now, id)
		return listed(found, nil, func(i assets.Inside) string { return name(text(i.Tag)) + " as " + i.Slot }), err
	}, itself)
	got["ReplacedSections"] = each([]uuid.UUID{s.media.ID}, func(id uuid.UUID) (string, error) {
		found, err := assets.ReplacedSections(ctx, s.db, who, id)
		return listed(found, nil, func(r assets.ReplacedSection) string { return fmt.Sprint(r.Section) }), err
	}, itself)
	got["PhotosOfPosition"] = each(positions, func(id uuid.UUID) (string, error) {
		found, err := assets.PhotosOfPosition(ctx, s.db, who, id)
		return listed(found, nil, photo), err
	}, itself)
	got["PhotosOfUnit"] = each(s.units(), func(id uuid.UUID) (string, error) {
		found, err := assets.PhotosOfUnit(ctx, s.db, who, now, id)
		return listed(found, nil, photo), err
	}, itself)
	var pictures []assets.Photo // those that are handed out
	for _, p := range s.photos {
		if it, err := assets.OnePicture(ctx, s.db, who, p.ID); err == nil && len(it.Content) > 0 {
			pictures = append(pictures, p)
		} else if kindName(err) != "not found" {
			pictures = append(pictures, assets.Photo{Caption: kindName(err)})
		}
	}
	got["OnePicture"] = listed(pictures, nil, photo)
	var known []assets.Photo // those of which something is told
	for _, p := range s.photos {
		it, err := assets.OnePhoto(ctx, s.db, who, p.ID)
		if err == nil {
			known = append(known, it)
		} else if kindName(err) != "not found" {
			known = append(known, assets.Photo{Caption: kindName(err)})
		}
	}
	got["OnePhoto"] = listed(known, nil, photo)
	ls, err := assets.Locations(ctx, s.db, who, all)
	got["OneLocation"] = each([]uuid.UUID{s.warehouse.ID, s.shelf.ID, s.newShelf.ID, s.otherShelf.ID}, func(id uuid.UUID) (assets.Location, error) {
		return assets.OneLocation(ctx, s.db, who, id)
	}, func(l assets.Location) string { return l.Code })
	got["Locations"] = listed(ls, err, func(l assets.Location) string { return l.Code })
	lo, err := assets.LocationOverviews(ctx, s.db, who, now, all)
	got["LocationOverviews"] = listed(lo, err, func(l assets.LocationOverview) string { return fmt.Sprint(l.Code, " ", l.Units) })
	slot := map[uuid.UUID]string{s.leftSlot: "left", s.otherSlot: "top"}
	cs, err := assets.StockFor(ctx, s.db, who, now, slices.Collect(maps.Keys(slot)), 100)
	got["StockFor"] = listed(cs, err, func(c assets.Candidate) string {
		return strings.TrimSpace(name(c.Tag) + " for " + slot[c.SlotID] + " " + c.Differs)
	})
	got["SlotsAt"] = each([][2]string{{"UMB-1/SBL-L", "gearmotor"}, {"OTH-1/TOP", "gearmotor"}, {"U-OLD", "motor"}, {"U-NEW", "motor"}}, func(at [2]string) (int, error) {
		found, err := assets.SlotsAt(ctx, s.db, who, at[0], at[1])
		return len(found), err
	}, func(n int) string { return fmt.Sprint(n) })
	type pair struct {
		position uuid.UUID
		unit     *uuid.UUID
	}
	got["ConnectionOf"] = each([]pair{{s.left.ID, nil}, {s.gone.ID, nil}, {s.fresh.ID, nil}, {s.otherPosition.ID, nil}, {s.left.ID, &s.newOne.ID}, {s.left.ID, &s.old.ID},
		{s.left.ID, &s.spare.ID}, {s.otherPosition.ID, &s.newOne.ID}}, func(p pair) (assets.Connection, error) {
		return assets.ConnectionOf(ctx, s.db, who, now, p.position, p.unit)
	}, func(c assets.Connection) string { return name(c.Tag) + " on " + c.Supply })
	got["TurningOf"] = each(positions, func(id uuid.UUID) (assets.Turning, error) { return assets.TurningOf(ctx, s.db, who, id, now) },
		func(w assets.Turning) string {
			if w.Known {
				return fmt.Sprint("clockwise ", w.Clockwise)
			}
			return w.Gap
		})
	got["Findings"] = each(sites, func(id uuid.UUID) (string, error) {
		found, err := assets.Findings(ctx, s.db, who, now, id)
		n := map[string]int{}
		for _, f := range found {
			n[f.Kind+" "+f.Position]++
		}
		return listed(slices.Collect(maps.Keys(n)), nil, func(k string) string { return fmt.Sprint(k, " ", n[k]) }), err
	}, itself)
	counts, err := assets.CountFindings(ctx, s.db, who, now, sites)
	got["CountFindings"] = listed(slices.Collect(maps.Keys(counts)), err, func(id uuid.UUID) string {
		return fmt.Sprint(map[uuid.UUID]string{s.site.ID: "UMB", s.otherSite.ID: "OTH"}[id], " ", counts[id])
	})
	got["Find"] = each([]string{"UMB", "OTH", "s-", "U-", "P-"}, func(asked string) (string, error) {
		found, err := assets.Find(ctx, s.db, who, asked, 100)
		return listed(found, nil, func(h assets.Hit) string { return h.Kind + " " + name(h.Code) }), err
	}, itself)
	ids := slices.Concat(s.units(), []uuid.UUID{s.gearmotor.ID, s.motor.ID, s.mediaSet.ID, s.warehouse.ID, s.returns.ID, s.shelf.ID, s.newShelf.ID, s.otherShelf.ID,
		s.leftSlot, s.otherSlot, s.oldSlot, s.newSlot})
	ns, err := assets.NamesOfUnits(ctx, s.db, who, ids)
	got["NamesOfUnits"] = listed(ns, err, func(n assets.Named) string { return n.Kind + " " + name(n.Code) })
	return got
}

const catalogue = "part P-GM, part P-MO, part P-MS"

// What each of them sees of the fleet, function by function. The units are asked
// for in the order OLD, NEW, SPARE, SHELF, MEDIA, INNER, LATE.
var unitViews = map[string]map[string]string{
	"seller": {
		"OneLocation":      "not found; SH-UMB; not found; not found",
		"Units":            "MEDIA UMB-1/SBL-L of HAD, SHELF SH-UMB",
		"OneUnit":          "OLD ?; not found; not found; SHELF SH-UMB; MEDIA UMB-1/SBL-L of HAD; INNER ? in OLD; not found",
		"UnitFacts":        "low 24-06…25-05; not found; not found; ; ; ; not found",
		"UnitHistory":      "UMB-1/SBL-L 24-06…25-03; not found; not found; SH-UMB 24-09…; UMB-1/SBL-L 24-06…; OLD 24-06…; not found",
		"PositionHistory":  "MEDIA 24-06…, OLD 24-06…25-03; ; not found; not found",
		"FittedAtPosition": "then INNER as motor, MEDIA as media, OLD as gearmotor and now MEDIA as media; then  and now ; not found; not found",
		"FittedAtSite":     "then INNER as motor, MEDIA as media, OLD as gearmotor and now MEDIA as media; not found",
		"FittedInUnit":     " as Gearbox, INNER as Motor; ",
		"ReplacedSections": "1",
		"PhotosOfPosition": "left then; ; not found; not found",
		"PhotosOfUnit":     "old then; not found; not found; ; ; ; not found",
		"OnePicture":       "left then, old then",
		// the shelf that was put up after the sale is the next owner's matter
		"Locations":         "SH-UMB",
		"LocationOverviews": "SH-UMB 1",
		"StockFor":          "SHELF for left",
		"SlotsAt":           "1; 0; 1; 0",
		"ConnectionOf":      " on ;  on ; not found; not found; not found; OLD on ; not found; not found",
		"TurningOf":         "clockwise true; does not turn; not found; not found",
		// as of the sale: on the left OLD with a bore that does not suit, and six slots of which nothing is known
		"Findings": "mismatch UMB-1/SBL-L 1, stale_fact UMB-1/SBL-L 1, unknown_fact UMB-1/SBL-L 5, unknown_fact UMB-1/SBL-R 6, unknown_fact UMB-1/STILL 8, " +
			"unknown_unit UMB-1/SBL-L 6, unknown_unit UMB-1/SBL-R 8, unknown_unit UMB-1/STILL 8; not found",
		"CountFindings": "UMB 43",
		"Find": "position UMB-1/GONE, position UMB-1/SBL-L, position UMB-1/SBL-R, position UMB-1/STILL, site UMB, site UMB; ; " +
			"unit INNER, unit MEDIA, unit OLD, unit SHELF; unit INNER, unit MEDIA, unit OLD, unit SHELF; " + catalogue,
		"NamesOfUnits": "location SH-UMB, " + catalogue + ", slot OLD, slot UMB-1/SBL-L, unit INNER, unit MEDIA, unit OLD, unit SHELF",
	},
	"buyer": {
		"OneLocation": "not found; SH-UMB; SH-NEW; not found",
		// whose the media set is stays with the two who agreed on it
		"Units":             "LATE UMB-1/SBL-L in NEW, MEDIA UMB-1/SBL-L, NEW UMB-1/SBL-L, SHELF SH-UMB",
		"OneUnit":           "OLD ?; NEW UMB-1/SBL-L; not found; SHELF SH-UMB; MEDIA UMB-1/SBL-L; INNER ? in OLD; LATE UMB-1/SBL-L in NEW",
		"UnitFacts":         "low 24-06…25-05; 1.5 in 24-12…, 12 24-12…; not found; ; ; ; ",
		"UnitHistory":       "UMB-1/SBL-L 24-06…25-03; UMB-1/SBL-L 25-03…; not found; SH-UMB 24-09…; UMB-1/SBL-L 24-06…; OLD 24-06…; NEW 24-12…",
		"PositionHistory":   "MEDIA 24-06…, NEW 25-03…, OLD 24-06…25-03; not found; ; not found",
		"FittedAtPosition":  "then INNER as motor, MEDIA as media, OLD as gearmotor and now LATE as motor, MEDIA as media, NEW as gearmotor; not found; then  and now ; not found",
		"FittedAtSite":      "then INNER as motor, MEDIA as media, OLD as gearmotor and now LATE as motor, MEDIA as media, NEW as gearmotor; not found",
		"FittedInUnit":      " as Gearbox, INNER as Motor;  as Gearbox, LATE as Motor",
		"ReplacedSections":  "2",
		"PhotosOfPosition":  "left lately; not found; ; not found",
		"PhotosOfUnit":      "old in winter; new here; not found; ; ; ; ",
		"OnePicture":        "left lately, new here, old in winter",
		"Locations":         "SH-NEW, SH-UMB",
		"LocationOverviews": "SH-NEW 0, SH-UMB 1",
		"StockFor":          "SHELF for left",
		"SlotsAt":           "1; 0; 1; 1",
		"ConnectionOf":      "NEW on c-new; not found;  on ; not found; NEW on c-new; OLD on c-new; not found; not found",
		"TurningOf":         "clockwise true; not found; no direction is recorded; not found",
		// six facts of a brush, eight of one without a rule of turning; eight slots, of which two are filled on the left
		"Findings": "mismatch UMB-1/SBL-L 1, stale_fact UMB-1/SBL-L 1, unknown_fact UMB-1/FRESH 8, unknown_fact UMB-1/SBL-L 5, unknown_fact UMB-1/SBL-R 6, unknown_fact UMB-1/STILL 8, " +
			"unknown_unit UMB-1/FRESH 8, unknown_unit UMB-1/SBL-L 6, unknown_unit UMB-1/SBL-R 8, unknown_unit UMB-1/STILL 8; not found",
		"CountFindings": "UMB 59",
		"Find": "position UMB-1/FRESH, position UMB-1/SBL-L, position UMB-1/SBL-R, position UMB-1/STILL, site UMB, site UMB; ; " +
			"unit INNER, unit LATE, unit MEDIA, unit NEW, unit OLD, unit SHELF; unit INNER, unit LATE, unit MEDIA, unit NEW, unit OLD, unit SHELF; " + catalogue,
		"NamesOfUnits": "location SH-NEW, location SH-UMB, " + catalogue + ", slot NEW, slot OLD, slot UMB-1/SBL-L, unit INNER, unit LATE, unit MEDIA, unit NEW, unit OLD, unit SHELF",
	},
	"next": {
		"OneLocation":       "not found; not found; not found; not found",
		"Units":             "",
		"OneUnit":           "not found; not found; not found; not found; not found; not found; not found",
		"UnitFacts":         "not found; not found; not found; not found; not found; not found; not found",
		"UnitHistory":       "not found; not found; not found; not found; not found; not found; not found",
		"PositionHistory":   "not found; not found; not found; not found",
		"FittedAtPosition":  "not found; not found; not found; not found",
		"FittedAtSite":      "not found; not found",
		"FittedInUnit":      "; ",
		"ReplacedSections":  "",
		"PhotosOfPosition":  "not found; not found; not found; not found",
		"PhotosOfUnit":      "not found; not found; not found; not found; not found; not found; not found",
		"OnePicture":        "",
		"Locations":         "",
		"LocationOverviews": "",
		"StockFor":          "",
		"SlotsAt":           "0; 0; 0; 0",
		"ConnectionOf":      "not found; not found; not found; not found; not found; not found; not found; not found",
		"TurningOf":         "not found; not found; not found; not found",
		"Findings":          "not found; not found",
		"CountFindings":     "",
		"Find":              "; ; ; ; " + catalogue,
		"NamesOfUnits":      catalogue,
	},
	// of NEW the time at the own site, and nothing of where it went or what was put into it
	"other": {
		"OneLocation":       "not found; not found; not found; SH-OTH",
		"Units":             "",
		"OneUnit":           "not found; NEW ?; not found; not found; not found; not found; not found",
		"UnitFacts":         "not found; 9 24-06…24-12; not found; not found; not found; not found; not found",
		"UnitHistory":       "not found; OTH-1/TOP 24-06…24-09; not found; not found; not found; not found; not found",
		"PositionHistory":   "not found; not found; not found; NEW 24-06…24-09",
		"FittedAtPosition":  "not found; not found; not found; then NEW as gearmotor and now ",
		"FittedAtSite":      "not found; then NEW as gearmotor and now ",
		"FittedInUnit":      ";  as Gearbox,  as Motor",
		"ReplacedSections":  "",
		"PhotosOfPosition":  "not found; not found; not found; top",
		"PhotosOfUnit":      "not found; new elsewhere; not found; not found; not found; not found; not found",
		"OnePicture":        "new elsewhere, top",
		"Locations":         "SH-OTH",
		"LocationOverviews": "SH-OTH 0",
		"StockFor":          "",
		"SlotsAt":           "0; 1; 0; 1",
		"ConnectionOf":      "not found; not found; not found;  on ; not found; not found; not found; NEW on ",
		"TurningOf":         "not found; not found; not found; no direction is recorded",
		"Findings":          "not found; stale_fact OTH-1/TOP 1, unknown_fact OTH-1/TOP 7, unknown_unit OTH-1/TOP 8",
		"CountFindings":     "OTH 16",
		"Find":              "; position OTH-1/TOP, site OTH, site OTH; unit NEW; unit NEW; " + catalogue,
		"NamesOfUnits":      "location SH-OTH, " + catalogue + ", slot NEW, slot OTH-1/TOP, unit NEW",
	},
	"technician": {
		"OneLocation": "WH; SH-UMB; SH-NEW; SH-OTH",
		"Units":       "INNER RET in OLD, LATE UMB-1/SBL-L in NEW, MEDIA UMB-1/SBL-L of HAD, NEW UMB-1/SBL-L, OLD RET, SHELF SH-UMB, SPARE WH",
		"OneUnit":     "OLD RET; NEW UMB-1/SBL-L; SPARE WH; SHELF SH-UMB; MEDIA UMB-1/SBL-L of HAD; INNER RET in OLD; LATE UMB-1/SBL-L in NEW",
		"UnitFacts": "high 25-05…, low 24-06…25-05; 1.5 in 24-12…, 12 24-12…, 9 24-06…24-12; " +
			"; ; ; ; ",
		"UnitHistory": "RET 25-03…, UMB-1/SBL-L 24-06…25-03; OTH-1/TOP 24-06…24-09, UMB-1/SBL-L 25-03…, WH 24-09…25-03; WH 24-06…; SH-UMB 24-09…; " +
			"UMB-1/SBL-L 24-06…; OLD 24-06…; NEW 24-12…",
		"PositionHistory":   "MEDIA 24-06…, NEW 25-03…, OLD 24-06…25-03; ; ; NEW 24-06…24-09",
		"FittedAtPosition":  "then INNER as motor, MEDIA as media, OLD as gearmotor and now LATE as motor, MEDIA as media, NEW as gearmotor; then  and now ; then  and now ; then NEW as gearmotor and now ",
		"FittedAtSite":      "then INNER as motor, MEDIA as media, OLD as gearmotor and now LATE as motor, MEDIA as media, NEW as gearmotor; then NEW as gearmotor and now ",
		"FittedInUnit":      " as Gearbox, INNER as Motor;  as Gearbox, LATE as Motor",
		"ReplacedSections":  "1, 2, 3",
		"PhotosOfPosition":  "left lately, left then; ; ; top",
		"PhotosOfUnit":      "old in winter, old returned, old then; new elsewhere, new here, new in store; ; ; ; ; ",
		"OnePicture":        "left lately, left then, new elsewhere, new here, new in store, old in winter, old returned, old then, top",
		"Locations":         "RET, SH-NEW, SH-OTH, SH-UMB, WH",
		"LocationOverviews": "RET 1, SH-NEW 0, SH-OTH 0, SH-UMB 1, WH 1",
		"StockFor":          "SHELF for left, SPARE for left, SPARE for top bore 1.375 in instead of 2 in",
		"SlotsAt":           "1; 1; 1; 1",
		"ConnectionOf":      "NEW on c-new;  on ;  on ;  on ; NEW on c-new; OLD on c-new; SPARE on c-new; NEW on ",
		"TurningOf":         "clockwise true; does not turn; no direction is recorded; no direction is recorded",
		"Findings": "mismatch UMB-1/SBL-L 1, stale_fact UMB-1/SBL-L 1, unknown_fact UMB-1/FRESH 8, unknown_fact UMB-1/SBL-L 5, unknown_fact UMB-1/SBL-R 6, unknown_fact UMB-1/STILL 8, " +
			"unknown_unit UMB-1/FRESH 8, unknown_unit UMB-1/SBL-L 6, unknown_unit UMB-1/SBL-R 8, unknown_unit UMB-1/STILL 8; " +
			"stale_fact OTH-1/TOP 1, unknown_fact OTH-1/TOP 7, unknown_unit OTH-1/TOP 8",
		"CountFindings": "OTH 16, UMB 59",
		"Find": "position UMB-1/FRESH, position UMB-1/GONE, position UMB-1/SBL-L, position UMB-1/SBL-R, position UMB-1/STILL, site UMB, site UMB; position OTH-1/TOP, site OTH, site OTH; " +
			"unit INNER, unit LATE, unit MEDIA, unit NEW, unit OLD, unit SHELF, unit SPARE; unit INNER, unit LATE, unit MEDIA, unit NEW, unit OLD, unit SHELF, unit SPARE; " + catalogue,
		"NamesOfUnits": "location RET, location SH-NEW, location SH-OTH, location SH-UMB, location WH, " + catalogue +
			", slot NEW, slot OLD, slot OTH-1/TOP, slot UMB-1/SBL-L, unit INNER, unit LATE, unit MEDIA, unit NEW, unit OLD, unit SHELF, unit SPARE",
	},
}

func init() {
	for who, seen := range unitViews {
		seen["OnePhoto"] = seen["OnePicture"]
		maps.Copy(views[who], seen)
	}
}

// ofAll is what the list of units gives by row-level security alone. The list
// itself keeps to what is there now; one by one, everything is found that ever was.
func ofAll(oneUnit string) string {
	found := slices.DeleteFunc(strings.Split(oneUnit, "; "), func(u string) bool { return u == "not found" })
	slices.Sort(found)
	return strings.Join(found, ", ")
}

// unitWrites asks every function that writes units, parts, stock and pictures.
func (s sale) unitWrites(t testing.TB) map[string]func(tx *gorm.DB, who access.Actor) error {
	picture := jpegOf(t, 8, 8)
	put := assets.Putting{UnitID: s.shelved.ID, Place: assets.Place{SlotID: &s.rightSlot}, From: &now}
	hub := assets.NewFact{Fact: "hub_fixing", Value: "clamp4", How: "seen"}
	return map[string]func(tx *gorm.DB, who access.Actor) error{
		"AddPart": func(tx *gorm.DB, who access.Actor) error {
			_, err := assets.AddPart(tx, who, now, assets.PartEdit{Number: "NEW", Description: "new", Class: "hub"})
			return err
		},
		"EditPart": func(tx *gorm.DB, who access.Actor) error {
			_, err := assets.EditPart(tx, who, s.gearmotor.ID, s.gearmotor.Version, assets.PartEdit{Number: "P-GM", Description: "mine", Class: "gearmotor"})
			return err
		},
		"AddLocation": func(tx *gorm.DB, who access.Actor) error {
			_, err := assets.AddLocation(tx, who, now, assets.NewLocation{Code: "MINE", Name: "mine", Kind: "site_shelf", SiteID: &s.site.ID})
			return err
		},
		"EditLocation": func(tx *gorm.DB, who access.Actor) error {
			_, err := assets.EditLocation(tx, who, s.shelf.ID, s.shelf.Version, assets.LocationEdit{Name: "mine", Kind: "site_shelf"})
			return err
		},
		"AddUnit": func(tx *gorm.DB, who access.Actor) error {
			_, err := assets.AddUnit(tx, who, now, assets.NewUnit{Tag: "MINE", UnitEdit: assets.UnitEdit{PartID: s.gearmotor.ID}})
			return err
		},
		"AddUnits": func(tx *gorm.DB, who access.Actor) error {
			_, err := assets.AddUnits(tx, who, now, []assets.NewUnit{{UnitEdit: assets.UnitEdit{PartID: s.gearmotor.ID}}})
			return err
		},
		"EditUnit": func(tx *gorm.DB, who access.Actor) error {
			_, err := assets.EditUnit(tx, who, now, s.shelved.ID, s.shelved.Version, assets.UnitEdit{PartID: s.gearmotor.ID, Lot: "mine"})
			return err
		},
		"ReplaceSection": func(tx *gorm.DB, who access.Actor) error {
			_, err := assets.ReplaceSection(tx, who, now, s.media.ID, 4, "", now)
			return err
		},
		"RecordOfUnit": func(tx *gorm.DB, who access.Actor) error {
			_, err := assets.RecordOfUnit(tx, who, now, s.shelved.ID, hub)
			return err
		},
		"RecordAllOfUnits": func(tx *gorm.DB, who access.Actor) error {
			_, err := assets.RecordAllOfUnits(tx, who, now, []assets.FactOf{{OfID: s.shelved.ID, NewFact: hub}})
			return err
		},
		"WithdrawOfUnit": func(tx *gorm.DB, who access.Actor) error {
			_, err := assets.WithdrawOfUnit(tx, who, now, s.newOne.ID, s.wired.ID, "no")
			return err
		},
		"RecordAll": func(tx *gorm.DB, who access.Actor) error {
			_, err := assets.RecordAll(tx, who, now, []assets.FactOf{{OfID: s.right.ID, NewFact: hub}})
			return err
		},
		"AddPhoto": func(tx *gorm.DB, who access.Actor) error {
			_, err := assets.AddPhoto(tx, who, now, assets.NewPhoto{PositionID: &s.right.ID, Content: picture})
			return err
		},
		"WithdrawPhoto": func(tx *gorm.DB, who access.Actor) error {
			id := uuid.Nil
			if len(s.photos) > 0 {
				id = s.photos[1].ID
			}
			_, err := assets.WithdrawPhoto(tx, who, now, id, "not mine")
			return err
		},
		"Put": func(tx *gorm.DB, who access.Actor) error {
			_, err := assets.Put(tx, who, now, put)
			return err
		},
		"PutAll": func(tx *gorm.DB, who access.Actor) error {
			_, err := assets.PutAll(tx, who, now, []assets.Putting{put})
			return err
		},
		"DoSwap": func(tx *gorm.DB, who access.Actor) error {
			_, err := assets.DoSwap(tx, who, now, assets.Swap{At: now, Items: []assets.SwapItem{{SlotID: s.leftSlot, Reason: "failed", To: &s.shelf.ID, In: &s.shelved.ID}}})
			return err
		},
	}
}

// The catalogue and the lists of words are the same for everybody who can ask.
func TestTheCatalogueIsTheSameForEverybody(t *testing.T) {
	t.Parallel()
	s := newSale(t)
	ask := func(who access.Actor) string {
		parts, err := assets.Parts(ctx, s.db, who, nil, nil, access.Page{Limit: 100})
		if err != nil {
			t.Fatal(err)
		}
		one, err := assets.OnePart(ctx, s.db, who, s.gearmotor.ID)
		if err != nil {
			t.Fatal(err)
		}
		classes, err := assets.ComponentClasses(ctx, s.db, who)
		if err != nil {
			t.Fatal(err)
		}
		kinds, err := assets.FactKindsOfClass(ctx, s.db, who, "gearmotor")
		if err != nil {
			t.Fatal(err)
		}
		all, err := assets.FactKinds(ctx, s.db, who)
		if err != nil {
			t.Fatal(err)
		}
		positions, err := assets.PositionKinds(ctx, s.db, who)
		if err != nil {
			t.Fatal(err)
		}
		if len(parts) != 3 || len(one.Facts) != 1 || len(classes) != 35 || len(kinds) != 10 || len(all) != 33 || len(positions) != 17 {
			t.Errorf("%s: %d parts, %d facts, %d classes, %d kinds of one class, %d of all, %d of positions", who.Name, len(parts), len(one.Facts), len(classes), len(kinds), len(all), len(positions))
		}
		for i := range parts { // measures stand behind pointers
			parts[i].Facts = nil
		}
		return fmt.Sprint(parts, one.Number, one.Facts[0].Value, classes, kinds, all, positions)
	}
	want := ask(access.System)
	for name, who := range s.actors(t) {
		if got := ask(who); got != want {
			t.Errorf("%s: got %s, want %s", name, got, want)
		}
	}
}

// hidden gives the units of which nothing is to be seen, with queries that forget every scope.
func (s sale) hidden(name string) []uuid.UUID {
	return map[string][]uuid.UUID{
		"seller": {s.newOne.ID, s.spare.ID, s.lateOne.ID},
		"buyer":  {s.spare.ID},
		"next":   s.units(),
		"other":  {s.old.ID, s.spare.ID, s.shelved.ID, s.media.ID, s.inner.ID, s.lateOne.ID},
	}[name]
}

func TestRowSecurityAloneHidesUnits(t *testing.T) {
	t.Parallel()
	s := newSale(t)
	actors := s.actors(t)
	delete(actors, "technician")
	for name, who := range actors {
		for table, key := range map[string]string{"unit": "id", "unit_fact": "unit_id", "stay": "unit_id", "slot": "unit_id", "section_replaced": "unit_id", "photo": "unit_id", "fitted_now": "unit_id"} {
			type row struct{ N int }
			got, err := pgdb.Read[row](ctx, s.db, who.ID, `select count(*)::int as n from `+table+` where `+key+` = any (@hidden)`, map[string]any{"hidden": s.hidden(name)})
			if err != nil || got[0].N != 0 {
				t.Errorf("%s sees %v rows of hidden units in %s, %v", name, got, table, err)
			}
		}
		// what is neither at a site nor inside a unit that was at one is the distributor's own
		for what, query := range map[string]string{
			"stays in stock":        `select count(*)::int from stay where site_id is null and location_id is not null`,
			"photos of elsewhere":   `select count(*)::int from photo where site_id is null`,
			"locations of no site":  `select count(*)::int from location where site_id is null`,
			"shelves of the others": `select count(*)::int from location as l where not exists (select from site as s where s.id = l.site_id)`,
		} {
			if n := rawCount(t, s.db, who, query); n != 0 {
				t.Errorf("%s sees %d %s", name, n, what)
			}
		}
	}
}

// rawCount gives the number that a query without a scope counts.
func rawCount(t testing.TB, db *pgdb.DB, who access.Actor, query string) int {
	t.Helper()
	rows, err := pgdb.Read[struct{ N int }](ctx, db, who.ID, `select (`+query+`) as n`, nil)
	if err != nil {
		t.Fatal(err)
	}
	return rows[0].N
}
