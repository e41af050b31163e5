package parts_test

import (
	"context"
	"testing"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/fault"
	"spindlebook/internal/measure"
	"spindlebook/internal/parts"
	"spindlebook/internal/parts/amount"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgtest"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

var (
	ctx   = context.Background()
	sys   = access.System
	now   = time.Date(2026, 5, 12, 9, 0, 0, 0, time.UTC)
	began = time.Date(2021, 1, 1, 0, 0, 0, 0, time.UTC)
)

// world is a wash with one line at 460 V, two low side brushes and a top brush.
type world struct {
	t                testing.TB
	db               *pgdb.DB
	customer         assets.Customer
	site             assets.Site
	line             assets.Line
	left, right, top assets.Position
}

func must[T any](t testing.TB) func(T, error) T {
	t.Helper()
	return func(v T, err error) T {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
}

func newWorld(t testing.TB) world {
	t.Helper()
	w := world{t: t, db: pgtest.New(t)}
	pgtest.Breakable(t, w.db)
	err := w.db.InTx(ctx, sys.ID, func(tx *gorm.DB) (err error) {
		if w.customer, err = assets.AddCustomer(tx, sys, began, assets.CustomerEdit{Code: "HAD", Name: "Hadrelle Wash Group"}); err != nil {
			return err
		}
		if w.site, err = assets.AddSite(tx, sys, began, w.customer.ID, &began, assets.SiteEdit{Code: "UMB", Name: "Umberlea Express", Zone: "America/Los_Angeles", Currency: "USD",
			Climate: "snowbelt", Size: "medium", DriverSide: "left", DayTurnsAt: "03:00"}); err != nil {
			return err
		}
		supply, err := assets.AddSupply(tx, sys, began, w.site.ID, assets.NewSupply{Code: "460-3", Volts: 460, Phases: 3, Hertz: 60, From: &began})
		if err != nil {
			return err
		}
		if w.line, err = assets.AddLine(tx, sys, began, w.site.ID, &began, assets.LineEdit{Code: "UMB-1", Name: "Line 1"}); err != nil {
			return err
		}
		for _, p := range []struct {
			at                     *assets.Position
			code, name, kind, side string
		}{{&w.left, "UMB-1/SBL-D", "Low side brush, driver side", "side_brush_low", "left"}, {&w.right, "UMB-1/SBL-P", "Low side brush, passenger side", "side_brush_low", "right"},
			{&w.top, "UMB-1/TOP", "Top brush", "top_brush", "centre"}} {
			*p.at, err = assets.AddPosition(tx, sys, began, assets.NewPosition{SiteID: w.site.ID, From: &began, PositionEdit: assets.PositionEdit{LineID: &w.line.ID, Code: p.code, Name: p.name, Kind: p.kind, LineSide: p.side, SupplyID: &supply.ID}})
			if err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return w
}

// written does something as somebody, after each of its statements has failed once.
func written[T any](w world, who access.Actor, fn func(tx *gorm.DB) (T, error)) (it T, err error) {
	w.t.Helper()
	err = pgtest.Breaking(w.t, w.db, who, func(tx *gorm.DB) (err error) {
		it, err = fn(tx)
		return err
	})
	return it, err
}

// requires records facts of a position, seen last week.
func (w world) requires(position uuid.UUID, facts ...string) {
	w.t.Helper()
	seen := now.AddDate(0, 0, -7)
	for i := 0; i < len(facts); i += 2 {
		f := assets.NewFact{Fact: facts[i], Value: facts[i+1], From: &began, SeenAt: &seen, SeenBy: "Imre", How: "seen"}
		if m, ok := measure.Parse(facts[i+1]); ok {
			f.Value, f.Measure = "", &m
		}
		if _, err := written(w, sys, func(tx *gorm.DB) (assets.Fact, error) { return assets.Record(tx, sys, now, position, f) }); err != nil {
			w.t.Fatal(facts[i], err)
		}
	}
}

func (w world) part(number, description, class string, facts ...string) assets.Part {
	w.t.Helper()
	in := assets.PartEdit{Number: number, Description: description, Class: class}
	for i := 0; i < len(facts); i += 2 {
		f := assets.PartFactEdit{Fact: facts[i], Value: facts[i+1]}
		if m, ok := measure.Parse(facts[i+1]); ok {
			f = assets.PartFactEdit{Fact: facts[i], Measure: &m}
		}
		in.Facts = append(in.Facts, f)
	}
	return must[assets.Part](w.t)(written(w, sys, func(tx *gorm.DB) (assets.Part, error) { return assets.AddPart(tx, sys, now, in) }))
}

// procedure writes a published procedure with the methods and lines given.
func (w world) procedure(code string, methods []string, lines ...parts.NewLine) uuid.UUID {
	w.t.Helper()
	id, version := pgdb.NewID(), pgdb.NewID()
	err := w.db.InTx(ctx, sys.ID, func(tx *gorm.DB) error {
		for _, q := range []string{
			`insert into procedure (id, code, title, is_block, created_at) values (@id, @code, 'Swap of ' || @code, false, @now)`,
			`insert into procedure_version (id, procedure_id, number, people, skills, minutes_low, minutes_typical, minutes_high, line_state, energies, created_at, created_by)
			 values (@version, @id, 1, 2, '{T1,T2}', 60, 120, 240, 'closed_hours', '{electrical,air}', @now, @who)`} {
			if err := tx.Exec(q, map[string]any{"id": id, "version": version, "code": code, "now": now, "who": sys.ID}).Error; err != nil {
				return err
			}
		}
		for i, m := range methods {
			if err := tx.Exec(`insert into procedure_option (version_id, code, ordinal, title, people, minutes_low, minutes_typical, minutes_high) values (?, ?, ?, ?, 2, 60, 120, 240)`,
				version, m, i+1, m).Error; err != nil {
				return err
			}
		}
		if err := parts.SetLines(tx, sys, version, lines); err != nil {
			return err
		}
		return tx.Exec(`update procedure_version set published_at = @now, published_by = @who where id = @version`, map[string]any{"version": version, "now": now, "who": sys.ID}).Error
	})
	if err != nil {
		w.t.Fatal(err)
	}
	return version
}

func (w world) resolve(asks ...parts.Ask) []parts.Needs {
	w.t.Helper()
	return must[[]parts.Needs](w.t)(parts.Resolve(ctx, w.db, sys, now, asks))
}

func said(l parts.Needs) []string {
	all := []string{}
	for _, t := range l.Lines {
		all = append(all, t.Say())
	}
	return all
}

func mustFail(t testing.TB, err error, kind fault.Kind, field string) {
	t.Helper()
	f, ok := err.(*fault.Error)
	if !ok || f.Kind != kind || f.Field != field {
		t.Errorf("%#v, want a fault of kind %d at %q", err, kind, field)
	}
}

func n(s string) amount.Amount {
	a, bad := amount.Parse(s)
	if bad != nil {
		panic(bad)
	}
	return a
}

func p[T any](v T) *T { return &v }
