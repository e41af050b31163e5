package assets_test

import (
	"context"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/fault"
	"spindlebook/internal/measure"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgtest"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

var (
	ctx = context.Background()
	// past, whatever the clock of the machine says: what is true now asks the database's clock
	now = time.Date(2025, 6, 10, 9, 0, 0, 0, time.UTC)
)

// names checks that a conflict names what stands in the way.
func names(t testing.TB, what string, f *fault.Error, kind string, id uuid.UUID, code string) {
	t.Helper()
	if f.Existing == nil || *f.Existing != (fault.Ref{Kind: kind, ID: id.String(), Code: code}) {
		t.Errorf("%s: the holder is given as %+v", what, f.Existing)
	}
}

// atOnce runs something n times at once and counts the outcomes by kind, with
// none for success.
func atOnce(n int, fn func(i int) error) map[fault.Kind]int {
	var all sync.WaitGroup
	var mu sync.Mutex
	outcomes := map[fault.Kind]int{}
	for i := range n {
		all.Go(func() {
			kind := none
			if err := fn(i); err != nil {
				kind = fault.KindOf(err)
			}
			mu.Lock()
			defer mu.Unlock()
			outcomes[kind]++
		})
	}
	all.Wait()
	return outcomes
}

const none fault.Kind = -1

// record gives every row of every table as text, so that a test can say that
// nothing at all was changed.
func record(t testing.TB, owner string) string {
	t.Helper()
	conn, err := pgx.Connect(ctx, owner)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(ctx)
	var tables []string
	err = conn.QueryRow(ctx, `select array_agg(relname::text order by relname) from pg_class where relnamespace = 'public'::regnamespace and relkind = 'r'`).Scan(&tables)
	if err != nil {
		t.Fatal(err)
	}
	var all strings.Builder
	for _, table := range tables {
		var text string
		err := conn.QueryRow(ctx, `select coalesce(string_agg(cast(x as text), E'\n' order by cast(x as text)), '') from `+pgx.Identifier{table}.Sanitize()+` as x`).Scan(&text)
		if err != nil {
			t.Fatal(err)
		}
		all.WriteString(table + "\n" + text + "\n")
	}
	return all.String()
}

// world is one customer with one site, one line and a pair of brushes.
type world struct {
	db          *pgdb.DB
	owner       string // the address under which the owner of the tables reaches it
	customer    assets.Customer
	site        assets.Site
	line        assets.Line
	left, right assets.Position
}

// began is when the first customer took the site over.
var began = now.AddDate(-1, 0, 0)

func newWorld(t testing.TB) world {
	t.Helper()
	service, owner := pgtest.DSN(t)
	w := world{db: pgtest.Open(t, service), owner: owner}
	w.customer = pgtest.Done(t, w.db, access.System, func(tx *gorm.DB) (assets.Customer, error) {
		return assets.AddCustomer(tx, access.System, now, assets.CustomerEdit{Code: "HAD", Name: "Hadrelle Wash Group"})
	})
	w.site = addSite(t, w.db, "UMB", w.customer.ID, began)
	w.line = pgtest.Done(t, w.db, access.System, func(tx *gorm.DB) (assets.Line, error) {
		return assets.AddLine(tx, access.System, now, w.site.ID, &began, assets.LineEdit{Code: "UMB-1", Length: &measure.Typed{Value: 110, Unit: "ft"}})
	})
	pair := pgtest.Done(t, w.db, access.System, func(tx *gorm.DB) ([]assets.Position, error) {
		return assets.AddPositions(tx, access.System, now, []assets.NewPosition{
			newPosition(w, "UMB-1/SBL-L", "side_brush_low", "left", began), newPosition(w, "UMB-1/SBL-R", "side_brush_low", "right", began)})
	})
	w.left, w.right = pair[0], pair[1]
	return w
}

func addSite(t testing.TB, db *pgdb.DB, code string, customer uuid.UUID, from time.Time) assets.Site {
	t.Helper()
	return pgtest.Done(t, db, access.System, func(tx *gorm.DB) (assets.Site, error) {
		return assets.AddSite(tx, access.System, now, customer, &from, assets.SiteEdit{Code: code, Name: code + " Express", Zone: "America/Chicago",
			Currency: "USD", Climate: "snowbelt", Size: "medium", DriverSide: "left"})
	})
}

func newPosition(w world, code, kind, side string, from time.Time) assets.NewPosition {
	return assets.NewPosition{SiteID: w.site.ID, From: &from, PositionEdit: assets.PositionEdit{LineID: &w.line.ID, Code: code, Name: "Low side brush", Kind: kind,
		LineSide: side, Along: &measure.Typed{Value: 38, Unit: "ft"}, Aliases: []string{"left big blue"}}}
}

func TestPositionsAreReadAsTheyWereRecorded(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	got, err := assets.OnePosition(ctx, w.db, access.System, w.left.ID)
	if err != nil {
		t.Fatal(err)
	}
	if got.AlongM == nil || *got.AlongM != 11.5824 || *got.AlongTyped != "38 ft" || len(got.Aliases) != 1 || got.Aliases[0] != "left big blue" || *got.State != "in_service" {
		t.Errorf("read %+v", got)
	}
}

// person adds somebody with roles and gives them with their rights.
func person(t testing.TB, db *pgdb.DB, login string, grants ...access.NewGrant) access.Actor {
	t.Helper()
	a := pgtest.Done(t, db, access.System, func(tx *gorm.DB) (access.Account, error) {
		return access.AddPerson(tx, access.System, now, access.NewPerson{Name: login, Login: login, Grants: grants})
	})
	who, _, err := access.Load(ctx, db, a.ID)
	if err != nil {
		t.Fatal(err)
	}
	return who
}

func addCustomer(t testing.TB, db *pgdb.DB, code string) assets.Customer {
	t.Helper()
	return pgtest.Done(t, db, access.System, func(tx *gorm.DB) (assets.Customer, error) {
		return assets.AddCustomer(tx, access.System, now, assets.CustomerEdit{Code: code, Name: code + " Washes"})
	})
}

func (w world) position(t testing.TB, id uuid.UUID) assets.Position {
	t.Helper()
	p, err := assets.OnePosition(ctx, w.db, access.System, id)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func (w world) siteNow(t testing.TB) assets.Site {
	t.Helper()
	s, err := assets.OneSite(ctx, w.db, access.System, w.site.ID)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// the edit that leaves a thing as it is
func siteEdit(s assets.Site) assets.SiteEdit {
	return assets.SiteEdit{Code: s.Code, Name: s.Name, Address: s.Address, Latitude: s.Latitude, Longitude: s.Longitude, Zone: s.Zone, Currency: s.Currency,
		Climate: s.Climate, Size: s.Size, DriverSide: s.DriverSide, DayTurnsAt: s.DayTurnsAt}
}

func positionEdit(p assets.Position) assets.PositionEdit {
	e := assets.PositionEdit{LineID: p.LineID, Code: p.Code, Name: p.Name, Kind: p.Kind, LineSide: p.LineSide, SupplyID: p.SupplyID, Aliases: p.Aliases}
	if p.AlongTyped != nil {
		if along, ok := measure.Parse(*p.AlongTyped); ok {
			e.Along = &along
		}
	}
	return e
}
