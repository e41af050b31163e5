package web_test

import (
	"net/http"
	"testing"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/parts"
	"spindlebook/internal/parts/amount"
	"spindlebook/internal/parts/stock"
)

// shelves is a store with a clerk, vans, a shelf at a site and parts of each way in which they
// are kept.
type shelves struct {
	*store
	clerk                        uuid.UUID
	asClerk                      *visitor
	van, other, shelf, bad, road assets.Location
	scrap                        assets.Location
	nut, gasket, oil, box, old   assets.Part
	leafA, leafB, set            assets.Part
	supplier                     parts.Supplier
	draft, sent                  stock.Order
}

func newShelves(t testing.TB) *shelves {
	t.Helper()
	s := &shelves{store: newStore(t)}
	s.clerk = s.person(t, "Junia Poll", access.NewGrant{Role: "parts_clerk"})
	s.asClerk = s.as(t, s.clerk)
	place := func(code, name, kind string, site *uuid.UUID) assets.Location {
		return write(t, s.db, func(tx *gorm.DB) (assets.Location, error) {
			return assets.AddLocation(tx, access.System, now, assets.NewLocation{Code: code, Name: name, Kind: kind, SiteID: site})
		})
	}
	s.van, s.other, s.shelf = place("V1", "Imre's van", "van", nil), place("V2", "Spare van", "van", nil), place("UMB-SHELF", "Cupboard in the plant room", "site_shelf", &s.site.ID)
	s.bad, s.road, s.scrap = place("QUA", "Red shelf", "quarantine", nil), place("ROAD", "With the carrier", "in_transit", nil), place("SCR", "Scrap", "scrap", nil)
	part := func(number, says, class, unit, tracking string, with func(*parts.StockingEdit)) assets.Part {
		return write(t, s.db, func(tx *gorm.DB) (assets.Part, error) {
			p, err := assets.AddPart(tx, access.System, now, assets.PartEdit{Number: number, Description: says, Class: class})
			if err != nil {
				return p, err
			}
			in := parts.StockingEdit{MeasuredIn: unit, BoughtIn: unit, Pack: amount.One, Tracking: tracking}
			if with != nil {
				with(&in)
			}
			_, err = parts.SetStocking(tx, access.System, p.ID, p.Version, in)
			return p, err
		})
	}
	month := func(n int) *int { return &n }
	s.nut = part("MW-22004", "Lock nut 5/8-11, nylon", "fastener", "ea", "none", func(e *parts.StockingEdit) { e.Pack, e.BoughtIn = amount.Of(50), "box" })
	s.old = part("MW-22009", "Plain nut 5/8-11", "fastener", "ea", "none", nil)
	s.gasket = part("MW-13001", "Gasket of the gearbox", "seal", "ea", "lot_expiry", func(e *parts.StockingEdit) { e.ShelfMonths = month(120) })
	s.oil = part("MW-40001", "Gear oil ISO VG 220", "lubricant", "L", "lot_expiry", func(e *parts.StockingEdit) {
		pail, _ := amount.Parse("18.9")
		e.Pack, e.BoughtIn, e.Container, e.ShelfMonths, e.OpenMonths = pail, "pail", &pail, month(60), month(24)
	})
	s.box, s.set = part("MW-95501", "Kit of small parts for a gearbox", "kit", "ea", "kit", nil), part("MW-95310", "Foam set, red, low", "kit", "set", "kit", nil)
	s.leafA, s.leafB = part("MW-30111", "Foam section, long leaf", "section", "ea", "lot", nil), part("MW-30112", "Foam section, short leaf", "section", "ea", "lot", nil)
	recipe := func(kit assets.Part, in parts.NewRecipe) {
		write(t, s.db, func(tx *gorm.DB) (parts.Recipe, error) { return parts.SetRecipe(tx, access.System, now, kit.ID, in) })
	}
	recipe(s.box, parts.NewRecipe{Lines: []parts.NewRecipeLine{{PartID: s.nut.ID, Amount: amount.Of(4)}, {PartID: s.gasket.ID, Amount: amount.One}, {PartID: s.old.ID, Amount: amount.One, Optional: true}}})
	recipe(s.set, parts.NewRecipe{Pattern: "AABBx4", Lines: []parts.NewRecipeLine{{PartID: s.leafA.ID, Amount: amount.Of(8), Letter: "A"}, {PartID: s.leafB.ID, Amount: amount.Of(8), Letter: "B"}}})
	s.supplier = write(t, s.db, func(tx *gorm.DB) (parts.Supplier, error) {
		return parts.AddSupplier(tx, access.System, now, parts.SupplierEdit{Code: "QDW", Name: "Quillan Drive Works", WorkingDays: []int{1, 2, 3, 4, 5}})
	})
	write(t, s.db, func(tx *gorm.DB) (parts.Source, error) {
		return parts.SetSource(tx, access.System, s.nut.ID, s.supplier.ID, parts.SourceEdit{Number: "Q-5811-N", Lead10: 2, Lead50: 4, Lead90: 7, Preferred: true})
	})
	in := func(p assets.Part, n string, to assets.Location, with ...func(*stock.Moving)) stock.Moving {
		a, bad := amount.Parse(n)
		if bad != nil {
			t.Fatal(bad)
		}
		m := stock.Moving{Kind: "receive", PartID: p.ID, Amount: a, To: &to.ID, Sure: true}
		for _, w := range with {
			w(&m)
		}
		return m
	}
	lot := func(code, last string) func(*stock.Moving) {
		return func(m *stock.Moving) { m.Lot, m.ExpiresOn = code, last }
	}
	write(t, s.db, func(tx *gorm.DB) (bool, error) {
		_, err := stock.Move(tx, access.System, now.AddDate(0, -1, 0), []stock.Moving{in(s.nut, "120", s.warehouse), in(s.nut, "6", s.van), in(s.gasket, "9", s.warehouse, lot("L2601", "2036-01-31")),
			in(s.gasket, "2", s.van, lot("L2511", "2026-12-07")), in(s.oil, "37.8", s.warehouse, lot("OIL-7", "2030-05-01")), in(s.leafA, "8", s.warehouse, lot("F1", "2028-06-30")), in(s.leafB, "7", s.warehouse, lot("F1", "2028-06-30")),
			in(s.old, "5", s.van), in(s.nut, "10", s.shelf, func(m *stock.Moving) { m.Owner = stock.Owner{Kind: stock.Customers, CustomerID: &s.ours.ID} }), in(s.nut, "4", s.shelf)})
		if err != nil {
			return false, err
		}
		ten := amount.Of(20)
		return true, stock.SetLevels(tx, access.System, []stock.Level{{LocationID: s.van.ID, PartID: s.nut.ID, Least: amount.Of(10), Most: &ten}, {LocationID: s.van.ID, PartID: s.oil.ID, Least: amount.One}})
	})
	order := func() stock.Order {
		return write(t, s.db, func(tx *gorm.DB) (stock.Order, error) {
			return stock.DraftOrder(tx, access.System, now.AddDate(0, 0, -20), stock.NewOrder{SupplierID: s.supplier.ID, LocationID: s.warehouse.ID, Lines: []stock.NewOrderLine{
				{PartID: s.nut.ID, Amount: amount.Of(100)}, {PartID: s.gasket.ID, Amount: amount.Of(6)}, {PartID: s.motorPart.ID, Amount: amount.Of(2)}}})
		})
	}
	s.draft, s.sent = order(), order()
	s.sent = write(t, s.db, func(tx *gorm.DB) (stock.Order, error) {
		return stock.SendOrder(tx, access.System, now.AddDate(0, 0, -19), s.sent.ID, s.sent.Version, now.AddDate(0, 0, -2).Format(time.DateOnly))
	})
	write(t, s.db, func(tx *gorm.DB) (access.Evidence, error) {
		return access.AddEvidence(tx, access.System, now, s.technician, access.NewEvidence{Skill: "T1", Evidence: "course", IssuedOn: "2024-01-01"})
	})
	write(t, s.db, func(tx *gorm.DB) (stock.Holder, error) {
		from := now.AddDate(0, 0, -30)
		return stock.HandVan(tx, access.System, now, s.van.ID, s.technician, &from)
	})
	return s
}

func at2(l assets.Location, p assets.Part) string {
	return "/locations/" + l.ID.String() + "/parts/" + p.ID.String()
}

// free reads how much of a part is free at a place.
func (s *shelves) free(t testing.TB, l assets.Location, p assets.Part) string {
	t.Helper()
	all, err := stock.Lines(ctx, s.db, access.System, now, stock.LineFilter{LocationID: &l.ID, PartID: &p.ID}, stock.Page{Limit: 1})
	if err != nil {
		t.Fatal(err)
	}
	if len(all) == 0 {
		return "0"
	}
	return all[0].Free().String()
}

func TestPagesAboutStockFitAPhone(t *testing.T) {
	s := newShelves(t)
	// something of each kind to look at
	for _, c := range []struct {
		path string
		fill map[string]string
	}{
		{"/kits/" + s.box.ID.String() + "/build?location=" + s.warehouse.ID.String(), map[string]string{"count": "2", "seal": "S-88"}},
		{"/claims/new", map[string]string{"part_id": "MW-13001", "amount": "2", "needed_on": "2026-12-09", "purpose": "PM-018 UMB-1", "criticality": "B"}},
		{at2(s.van, s.nut) + "/use", map[string]string{"amount": "9", "remark": "hub screws at UMB"}},
		{"/cores/new", map[string]string{"part_id": "MW-10110", "supplier_id": s.supplier.ID.String(), "paid_on": "2026-11-01", "deadline_on": "2026-12-01", "deposit_minor": "250", "currency": "USD"}},
		{"/warranties/new", map[string]string{"tag": s.motor.Tag, "giver": "supplier", "supplier_id": s.supplier.ID.String(), "covers": "winding and gears", "starts_on": "2026-02-01", "ends_on": "2027-02-01"}},
		{"/counts/new", map[string]string{"location_id": s.van.ID.String()}},
	} {
		if got := s.asClerk.fill(c.path, c.fill); got.status != http.StatusSeeOther {
			t.Fatalf("%s: %d %v %s", c.path, got.status, wrongs(t, got.body), mendsOf(t, got.body))
		}
	}
	id := func(query string) string {
		return write(t, s.db, func(tx *gorm.DB) (string, error) {
			var id string
			return id, tx.Raw(query).Scan(&id).Error
		})
	}
	bag, count, claim, core, doubt := id("select lot_id::text from kit_bag limit 1"), id("select id::text from stock_count limit 1"), id("select id::text from stock_claim limit 1"), id("select id::text from core limit 1"), id("select id::text from stock_discrepancy limit 1")
	fits(t, s.house, map[uuid.UUID][]string{
		s.technician: {"/stock", at2(s.van, s.nut), at2(s.van, s.nut) + "/use", "/locations/" + s.van.ID.String() + "/fill"},
		s.clerk: {"/stock?location=", "/stock?show=short", at2(s.warehouse, s.oil), at2(s.warehouse, s.gasket) + "/move", "/stock/receive", "/stock/receive?part=" + s.gasket.ID.String(), "/stock/ledger", "/stock/wanted",
			"/orders", "/orders/" + s.sent.ID.String(), "/orders/" + s.sent.ID.String() + "/receive", "/orders/new", "/counts", "/counts/" + count, "/counts/" + count + "/enter", "/differences", "/differences/" + doubt + "/settle",
			"/kits", "/bags/" + bag, "/bags/" + bag + "/open", "/claims", "/claims/" + claim + "/aside", "/returns", "/cores/" + core + "/step"},
		s.owner: {"/stock"},
	})
}
