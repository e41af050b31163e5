package stock

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/fault"
	"spindlebook/internal/parts/amount"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgtest"
)

var ctx = context.Background()

func TestMain(m *testing.M) { pgtest.Main(m) }

// past, whatever the clock of the machine says
var began = time.Date(2025, 5, 5, 6, 0, 0, 0, time.UTC) // a Monday

// world is a distributor with a warehouse, two vans, two customers with a site and a
// shelf each, and some parts.
type world struct {
	t     testing.TB
	db    *pgdb.DB
	now   time.Time
	place map[string]uuid.UUID // locations by code
	part  map[string]uuid.UUID // parts by number
	owner map[string]uuid.UUID // customers by code
	site  map[string]uuid.UUID
	clerk access.Actor
	tech  access.Actor
	other access.Actor // a second technician
}

// parts of the world: number, class, unit of measure, tracking, pack, container, shelf months, open months
var worldParts = [][]any{
	{"MOTOR", "gearmotor", "ea", "unit", "1", nil, nil, nil, "A"},
	{"SHAFT", "shaft", "ea", "none", "1", nil, nil, nil, "B"},
	{"NUT", "fastener", "ea", "none", "10", nil, nil, nil, "A"},
	{"OLDNUT", "fastener", "ea", "none", "10", nil, nil, nil, "C"},
	{"SCREW", "fastener", "ea", "bulk", "50", nil, nil, nil, "C"},
	{"SEAL", "seal", "set", "lot_expiry", "1", nil, "84", nil, "B"},
	{"OIL", "lubricant", "L", "lot_expiry", "18.9", "18.9", "60", "24", "B"},
	{"GREASE", "lubricant", "ea", "lot_expiry", "10", "1", "60", "12", "A"},
	{"FOAM-A", "section", "ea", "lot", "8", nil, "36", nil, "A"},
	{"FOAM-B", "section", "ea", "lot", "8", nil, "36", nil, "A"},
	{"KEY", "key", "ea", "none", "10", nil, nil, nil, "A"},
	{"GASKET", "seal", "ea", "lot_expiry", "10", nil, "120", nil, "A"},
	{"GRIP", "electrical", "ea", "none", "10", nil, nil, nil, "A"},
	{"BOX-KIT", "kit", "ea", "kit", "1", nil, nil, nil, "A"},
	{"SWAP-KIT", "kit", "ea", "kit", "1", nil, nil, nil, "A"},
	{"SET", "kit", "set", "kit", "1", nil, nil, nil, "A"},
}

func newWorld(t testing.TB) *world {
	t.Helper()
	w := &world{t: t, db: pgtest.New(t), now: began, place: map[string]uuid.UUID{}, part: map[string]uuid.UUID{}, owner: map[string]uuid.UUID{}, site: map[string]uuid.UUID{}}
	pgtest.Breakable(t, w.db)
	w.clerk, w.tech, w.other = w.person("parts_clerk", "junia"), w.person("technician", "imre"), w.person("technician", "corwin")
	w.do(func(tx *gorm.DB) error {
		for _, c := range []string{"HAD", "PEL"} {
			customer, err := assets.AddCustomer(tx, access.System, w.now, assets.CustomerEdit{Code: c, Name: "Customer " + c})
			if err != nil {
				return err
			}
			w.owner[c] = customer.ID
			site, err := assets.AddSite(tx, access.System, w.now, customer.ID, &began,
				assets.SiteEdit{Code: c + "-1", Name: "Site " + c, Zone: "America/New_York", Currency: "USD", Climate: "snowbelt", Size: "medium", DriverSide: "left"})
			if err != nil {
				return err
			}
			w.site[c] = site.ID
			id := site.ID
			if err := w.locate(tx, "SH-"+c, "site_shelf", &id); err != nil {
				return err
			}
		}
		for code, kind := range map[string]string{"WH": "warehouse", "V1": "van", "V2": "van", "Q": "quarantine", "TR": "in_transit", "RET": "returns", "SCRAP": "scrap", "BENCH": "bench", "REPAIR": "supplier"} {
			if err := w.locate(tx, code, kind, nil); err != nil {
				return err
			}
		}
		for _, p := range worldParts {
			id := pgdb.NewID()
			w.part[p[0].(string)] = id
			err := tx.Exec(`insert into part (id, number, description, class, created_at, measured_in, tracking, pack, container, shelf_months, open_months, abc)
				values (@id, @number, @said, @class, @now, @unit, @tracking, cast(@pack as numeric), cast(@container as numeric), cast(@closed as integer), cast(@open as integer), @abc)`,
				map[string]any{"id": id, "number": p[0], "said": "Part " + p[0].(string), "class": p[1], "now": w.now, "unit": p[2], "tracking": p[3], "pack": p[4],
					"container": p[5], "closed": p[6], "open": p[7], "abc": p[8]}).Error
			if err != nil {
				return err
			}
		}
		return nil
	})
	return w
}

func (w *world) locate(tx *gorm.DB, code, kind string, site *uuid.UUID) error {
	l, err := assets.AddLocation(tx, access.System, w.now, assets.NewLocation{Code: code, Name: "Place " + code, Kind: kind, SiteID: site})
	w.place[code] = l.ID
	return err
}

// person makes somebody with a role and gives them as the program sees them.
func (w *world) person(role, login string, at ...*uuid.UUID) access.Actor {
	w.t.Helper()
	grant := access.NewGrant{Role: role}
	if len(at) > 0 {
		grant.CustomerID = at[0]
	}
	var who access.Actor
	w.do(func(tx *gorm.DB) error {
		a, err := access.AddPerson(tx, access.System, w.now, access.NewPerson{Name: login, Login: login, Grants: []access.NewGrant{grant}})
		who.ID = a.ID
		return err
	})
	who, _, err := access.Load(ctx, w.db, who.ID)
	if err != nil {
		w.t.Fatal(err)
	}
	return who
}

// do runs what must go well.
func (w *world) do(fn func(tx *gorm.DB) error) {
	w.t.Helper()
	if err := w.db.InTx(ctx, access.System.ID, fn); err != nil {
		w.t.Fatal(err)
	}
}

// try runs something as somebody, after each of its statements has failed once.
func (w *world) try(who access.Actor, fn func(tx *gorm.DB) error) error {
	w.t.Helper()
	return pgtest.Breaking(w.t, w.db, who, fn)
}

func (w *world) later(d time.Duration) *world { w.now = w.now.Add(d); return w }

func (w *world) at(code string) *uuid.UUID {
	w.t.Helper()
	id, ok := w.place[code]
	if !ok {
		w.t.Fatalf("there is no place %s", code)
	}
	return &id
}

// line writes a movement short: "receive 10 NUT > WH", "load 2 SEAL/L1 WH > V1".
func (w *world) line(text string) Moving {
	w.t.Helper()
	f := strings.Fields(text)
	m := Moving{Kind: f[0]}
	n, bad := amount.Parse(f[1])
	if bad != nil {
		w.t.Fatal(bad)
	}
	m.Amount = n
	number, lot, _ := strings.Cut(f[2], "/")
	m.PartID, m.Lot = w.part[number], lot
	rest := f[3:]
	if rest[0] != ">" {
		m.From, rest = w.at(rest[0]), rest[1:]
	}
	if len(rest) > 1 {
		m.To = w.at(rest[1])
	}
	return m
}

// move does lines as the clerk; they must go well.
func (w *world) move(lines ...string) []Movement {
	w.t.Helper()
	done, err := w.moves(lines...)
	if err != nil {
		w.t.Fatalf("%v: %v", lines, err)
	}
	return done
}

// brings books a movement of what is a customer's own.
func (w *world) brings(customer uuid.UUID, line string) {
	w.t.Helper()
	m := w.line(line)
	m.Owner = Owner{Customers, &customer}
	w.as(w.clerk, func(tx *gorm.DB) error { _, err := Move(tx, w.clerk, w.now, []Moving{m}); return err })
}

func (w *world) moves(lines ...string) (done []Movement, err error) {
	w.t.Helper()
	in := make([]Moving, len(lines))
	for i, l := range lines {
		in[i] = w.line(l)
		in[i].Reason = "as said"
	}
	err = w.try(w.clerk, func(tx *gorm.DB) (err error) {
		done, err = Move(tx, w.clerk, w.now, in)
		return err
	})
	return done, err
}

// there gives what is on hand: "WH NUT" or "WH SEAL/L1".
func (w *world) there(text string) string {
	w.t.Helper()
	code, of, _ := strings.Cut(text, " ")
	number, lot, byLot := strings.Cut(of, "/")
	found, err := pgdb.Read[struct{ N amount.Amount }](ctx, w.db, access.System.ID, `
		select coalesce(sum(s.on_hand), 0) as n from stock_now as s join location as l on l.id = s.location_id
		 where l.code = @code and s.part_id = @part and (not @by_lot or s.lot = @lot)`, map[string]any{"code": code, "part": w.part[number], "by_lot": byLot, "lot": lot})
	if err != nil {
		w.t.Fatal(err)
	}
	return found[0].N.String()
}

// are holds what is on hand against what it should be: "WH NUT 4".
func (w *world) are(want ...string) {
	w.t.Helper()
	for _, l := range want {
		i := strings.LastIndex(l, " ")
		if got := w.there(l[:i]); got != l[i+1:] {
			w.t.Errorf("%s: %s on hand, want %s", l[:i], got, l[i+1:])
		}
	}
}

// refused wants a fault of a field that says something.
func refused(t testing.TB, err error, field string, says ...string) {
	t.Helper()
	f, ok := err.(*fault.Error)
	if !ok {
		t.Errorf("want a fault of %s that says %q, got %v", field, says, err)
		return
	}
	all := fmt.Sprint(f.Field, " ", f.Value, " ", f.Msg)
	for _, p := range f.Parts {
		all += fmt.Sprint("\n", p.Field, " ", p.Value, " ", p.Msg)
	}
	for _, s := range append(says, field) {
		if !strings.Contains(all, s) {
			t.Errorf("want a fault of %s that says %q, got %s", field, s, all)
		}
	}
}

// sound wants the record to agree with itself.
func (w *world) sound() {
	w.t.Helper()
	all, err := Verify(ctx, w.db, access.System)
	if err != nil || len(all) > 0 {
		w.t.Errorf("the record differs from itself: %v, %v", all, err)
	}
}

func (w *world) lot(number, code string) uuid.UUID {
	w.t.Helper()
	found, err := pgdb.Read[struct{ ID uuid.UUID }](ctx, w.db, access.System.ID, `select id from lot where part_id = @part and code = @code`,
		map[string]any{"part": w.part[number], "code": code})
	if err != nil || len(found) != 1 {
		w.t.Fatalf("lot %s of %s: %v, %v", code, number, found, err)
	}
	return found[0].ID
}

func firstOf(err error, ok bool) error {
	if err == nil && !ok {
		err = fmt.Errorf("not as it should be")
	}
	return err
}
