package assets_test

import (
	"context"
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

func TestMain(m *testing.M) { pgtest.Main(m) }

var (
	ctx = context.Background()
	now = time.Date(2026, 11, 25, 9, 0, 0, 0, time.UTC)
)

// write runs fn in a transaction of the actor and gives its result.
func write[T any](t testing.TB, db *pgdb.DB, who access.Actor, fn func(tx *gorm.DB) (T, error)) (T, error) {
	t.Helper()
	var it T
	err := db.InTx(ctx, who.ID, func(tx *gorm.DB) (err error) {
		it, err = fn(tx)
		return err
	})
	return it, err
}

// done is write for what must succeed.
func done[T any](t testing.TB, db *pgdb.DB, who access.Actor, fn func(tx *gorm.DB) (T, error)) T {
	t.Helper()
	it, err := write(t, db, who, fn)
	if err != nil {
		t.Fatal(err)
	}
	return it
}

// world is one customer with one site, one line and a pair of brushes.
type world struct {
	db          *pgdb.DB
	customer    assets.Customer
	site        assets.Site
	line        assets.Line
	left, right assets.Position
}

func newWorld(t testing.TB) world {
	t.Helper()
	w := world{db: pgtest.New(t)}
	began := now.AddDate(-1, 0, 0)
	w.customer = done(t, w.db, access.System, func(tx *gorm.DB) (assets.Customer, error) {
		return assets.AddCustomer(tx, access.System, now, assets.CustomerEdit{Code: "HAD", Name: "Hadrelle Wash Group"})
	})
	w.site = addSite(t, w.db, "UMB", w.customer.ID, began)
	w.line = done(t, w.db, access.System, func(tx *gorm.DB) (assets.Line, error) {
		return assets.AddLine(tx, access.System, now, w.site.ID, &began, assets.LineEdit{Code: "UMB-1", Length: &measure.Typed{Value: 110, Unit: "ft"}})
	})
	pair := done(t, w.db, access.System, func(tx *gorm.DB) ([]assets.Position, error) {
		return assets.AddPositions(tx, access.System, now, []assets.NewPosition{
			newPosition(w, "UMB-1/SBL-L", "side_brush_low", "left", began), newPosition(w, "UMB-1/SBL-R", "side_brush_low", "right", began)})
	})
	w.left, w.right = pair[0], pair[1]
	return w
}

func addSite(t testing.TB, db *pgdb.DB, code string, customer uuid.UUID, from time.Time) assets.Site {
	t.Helper()
	return done(t, db, access.System, func(tx *gorm.DB) (assets.Site, error) {
		return assets.AddSite(tx, access.System, now, customer, &from, assets.SiteEdit{Code: code, Name: code + " Express", Zone: "America/Chicago",
			Currency: "USD", Climate: "snowbelt", Size: "medium", DriverSide: "left"})
	})
}

func newPosition(w world, code, kind, side string, from time.Time) assets.NewPosition {
	return assets.NewPosition{SiteID: w.site.ID, From: &from, PositionEdit: assets.PositionEdit{LineID: &w.line.ID, Code: code, Name: "Low side brush", Kind: kind,
		LineSide: side, Along: &measure.Typed{Value: 38, Unit: "ft"}, Aliases: []string{"left big blue"}}}
}

func TestPositionsAreReadAsTheyWereRecorded(t *testing.T) {
	w := newWorld(t)
	got, err := assets.OnePosition(ctx, w.db, access.System, w.left.ID)
	if err != nil {
		t.Fatal(err)
	}
	if got.AlongM == nil || *got.AlongM != 11.5824 || *got.AlongTyped != "38 ft" || len(got.Aliases) != 1 || got.Aliases[0] != "left big blue" || *got.State != "in_service" {
		t.Errorf("read %+v", got)
	}
}
