package pm_test

import (
	"context"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/assets/meters"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgtest"
	"spindlebook/internal/pm"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

var (
	ctx = context.Background()
	now = time.Date(2025, 6, 10, 15, 0, 0, 0, time.UTC) // a Tuesday, 10:00 in Chicago
	// two years before, when the site was taken over
	began = time.Date(2023, 6, 1, 12, 0, 0, 0, time.UTC)
	sys   = access.System
)

// day is an instant so many days before now.
func day(n float64) time.Time { return now.Add(-time.Duration(n * 24 * float64(time.Hour))) }

// wash is a site with a line of 100 vehicles an hour, a pair of low side brushes,
// a top brush, shared equipment, and its meters.
type wash struct {
	db               *pgdb.DB
	service, owner   string
	customer         assets.Customer
	site             assets.Site
	line             assets.Line
	left, right, top assets.Position
	air              assets.Position
	tunnel           meters.Meter // vehicles of the line
	hours            meters.Meter // of the left brush
}

func newWash(t testing.TB) *wash {
	t.Helper()
	service, owner := pgtest.DSN(t)
	w := &wash{db: pgtest.Open(t, service), service: service, owner: owner}
	w.customer = pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (assets.Customer, error) {
		return assets.AddCustomer(tx, sys, now, assets.CustomerEdit{Code: "HAD", Name: "Hadrelle Wash Group"})
	})
	w.site = pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (assets.Site, error) {
		return assets.AddSite(tx, sys, now, w.customer.ID, &began, assets.SiteEdit{Code: "UMB", Name: "Umberlea", Zone: "America/Chicago",
			Currency: "USD", Climate: "snowbelt", Size: "medium", DriverSide: "left"})
	})
	w.line = pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (assets.Line, error) {
		return assets.AddLine(tx, sys, now, w.site.ID, &began, assets.LineEdit{Code: "UMB-1", VehiclesPerHourMax: new(100)})
	})
	brush := func(code, kind, side string) assets.NewPosition {
		return assets.NewPosition{SiteID: w.site.ID, From: &began, PositionEdit: assets.PositionEdit{LineID: &w.line.ID, Code: code, Name: "Brush " + code, Kind: kind, LineSide: side}}
	}
	all := pgtest.Done(t, w.db, sys, func(tx *gorm.DB) ([]assets.Position, error) {
		return assets.AddPositions(tx, sys, now, []assets.NewPosition{brush("UMB-1/SBL-L", "side_brush_low", "left"), brush("UMB-1/SBL-R", "side_brush_low", "right"), brush("UMB-1/TOP", "top_brush", "centre"),
			{SiteID: w.site.ID, From: &began, PositionEdit: assets.PositionEdit{Code: "UMB/AIR", Name: "Compressor", Kind: "compressed_air", LineSide: "centre"}}})
	})
	w.left, w.right, w.top, w.air = all[0], all[1], all[2], all[3]
	w.tunnel = w.meter(t, meters.NewMeter{Edit: meters.Edit{Code: "UMB-1/TC", Kind: "entrance_counter"}, Unit: meters.Vehicles, Thing: meters.Thing{LineID: &w.line.ID, Primary: true}})
	w.hours = w.meter(t, meters.NewMeter{Edit: meters.Edit{Code: "UMB-1/H-L", Kind: "hour_meter", Counter: meters.Counter{Digits: new(5), Decimals: 1}}, Unit: meters.Hours,
		Thing: meters.Thing{PositionID: &w.left.ID, Primary: true}})
	return w
}

func (w *wash) meter(t testing.TB, in meters.NewMeter) meters.Meter {
	t.Helper()
	in.From, in.SiteID = &began, w.site.ID
	return pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (meters.Meter, error) { return meters.Add(tx, sys, now, in) })
}

// read takes readings, all of which must count.
func (w *wash) read(t testing.TB, in ...meters.NewReading) {
	t.Helper()
	for i, r := range pgtest.Done(t, w.db, sys, func(tx *gorm.DB) ([]meters.Taken, error) { return meters.Take(tx, sys, now, in) }) {
		if r.Outcome != meters.Took {
			t.Fatalf("reading %+v: %+v %v", in[i], r, r.Fault)
		}
	}
}

func seen(m meters.Meter, at time.Time, value string) meters.NewReading {
	return meters.NewReading{MeterID: m.ID, At: at, Value: value}
}

// runs takes readings every so many days over the last n days, of a meter that counts so much a day.
func (w *wash) runs(t testing.TB, m meters.Meter, perDay float64, n, every, until int) {
	t.Helper()
	var in []meters.NewReading
	for d := n; d >= until; d -= every {
		in = append(in, seen(m, day(float64(d)), m.Unit.Format(amount(m.Unit, perDay*float64(n-d)))))
	}
	w.read(t, in...)
}

func amount(u meters.Unit, v float64) int64 {
	if u == meters.Hours {
		return int64(v*10) * 360
	}
	return int64(v)
}

// procedure adds a published procedure.
func (w *wash) procedure(t testing.TB, code string, change func(*pm.Content)) uuid.UUID {
	t.Helper()
	return pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (uuid.UUID, error) {
		ids, err := pm.AddProcedures(tx, sys, now, []pm.NewProcedure{{Code: code, Title: "Work " + code}})
		if err != nil {
			return uuid.Nil, err
		}
		c := pm.Content{People: 1, Skills: []string{"T1"}, Minutes: pm.Minutes{Low: 5, Typical: 12, High: 30}, LineState: "closed_hours", Energies: []string{"electrical", "air"}}
		if change != nil {
			change(&c)
		}
		v, err := pm.WriteDrafts(tx, sys, now, []pm.Write{{Procedure: ids[0], Content: c}})
		if err != nil {
			return uuid.Nil, err
		}
		return ids[0], pm.Publish(tx, sys, now, v)
	})
}

// plan adds a published plan of a procedure of the same code, which is made where there is none.
func (w *wash) plan(t testing.TB, code string, terms pm.Terms) uuid.UUID {
	t.Helper()
	if found, err := pm.Procedures(ctx, w.db, sys, pm.Page{Limit: 100}); err != nil {
		t.Fatal(err)
	} else if !contains(found, code) {
		w.procedure(t, code, nil)
	}
	return pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (uuid.UUID, error) {
		ids, err := pm.AddPlans(tx, sys, now, []pm.NewPlan{{Code: code, Title: "Plan " + code, Procedure: code}})
		if err != nil {
			return uuid.Nil, err
		}
		v, err := pm.WritePlanDrafts(tx, sys, now, []pm.WritePlan{{Plan: ids[0], Terms: full(terms)}})
		if err != nil {
			return uuid.Nil, err
		}
		return ids[0], pm.PublishPlans(tx, sys, now, v)
	})
}

func contains(all []pm.Procedure, code string) bool {
	for _, p := range all {
		if p.Code == code {
			return true
		}
	}
	return false
}

// full fills in what most plans share.
func full(t pm.Terms) pm.Terms {
	if t.AppliesTo == "" {
		t.AppliesTo = "position"
	}
	if t.Basis == "" {
		t.Basis = "floating"
	}
	if t.Criticality == "" {
		t.Criticality = "B"
	}
	return t
}

func every(period string) pm.Trigger { return pm.Trigger{Kind: "every", Every: period} }

func use(unit string, amount float64) pm.Trigger {
	return pm.Trigger{Kind: "after_use", Unit: unit, Amount: amount}
}

func (w *wash) tick(t testing.TB, at time.Time) pm.Swept {
	t.Helper()
	s, err := pm.Tick(ctx, w.db, at)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// stood is how the assignment of a plan at a thing stands.
type stood struct {
	ID                          uuid.UUID
	State                       string
	DueOn, EarliestOn, LatestOn *time.Time
	Missed, Gaps                int
	TaskID                      *uuid.UUID
	Says                        string
	EndedWhy                    string
	MarkAt                      *time.Time
	MarkDone                    bool
}

func (s stood) due() string {
	if s.DueOn == nil {
		return "-"
	}
	return s.DueOn.Format(time.DateOnly)
}

func (w *wash) stands(t testing.TB, plan, thing uuid.UUID) stood {
	t.Helper()
	rows, err := pgdb.Read[stood](ctx, w.db, sys.ID, `
select id, state, due_on, earliest_on, latest_on, missed, gaps::integer as gaps, task_id, says, coalesce(ended_why, '') as ended_why, mark_at, mark_done
  from assignment where plan_id = @plan and thing_id = @thing order by ended_at nulls first, id desc`, map[string]any{"plan": plan, "thing": thing})
	if err != nil {
		t.Fatal(err)
	}
	if len(rows) == 0 {
		return stood{State: "none"}
	}
	return rows[0]
}

// do records work and gives what became of it.
func (w *wash) do(t testing.TB, in ...pm.Done) []pm.Completed {
	t.Helper()
	got, err := w.tryDo(in...)
	if err != nil {
		t.Fatal(err)
	}
	return got
}

func (w *wash) tryDo(in ...pm.Done) ([]pm.Completed, error) {
	return complete(w.db, now, in...)
}

// complete records work in one transaction, as the card that led it does.
func complete(db *pgdb.DB, at time.Time, in ...pm.Done) ([]pm.Completed, error) {
	p, err := pm.Prepare(ctx, db, sys, at, in)
	if err != nil {
		return nil, err
	}
	var done []pm.Completed
	var touched []uuid.UUID
	err = db.InTx(ctx, sys.ID, func(tx *gorm.DB) error {
		done, touched, err = pm.Complete(tx, sys, at, p, in)
		return err
	})
	if err != nil {
		return nil, err
	}
	return done, pm.Follow(ctx, db, at, touched)
}

// of is work of an assignment, done by a technician.
func (w *wash) of(t testing.TB, plan, thing uuid.UUID, at time.Time, answers ...pm.Answer) pm.Done {
	t.Helper()
	s := w.stands(t, plan, thing)
	return pm.Done{AssignmentID: &s.ID, At: at, People: []pm.Person{{Name: "Ida Falk", Skills: []string{"T1"}}}, Answers: answers}
}

func found(check, value string) pm.Answer { return pm.Answer{Check: check, Found: value} }

// count gives a number that a query finds.
func (w *wash) count(t testing.TB, sql string, args map[string]any) int {
	t.Helper()
	rows, err := pgdb.Read[struct{ N int }](ctx, w.db, sys.ID, sql, args)
	if err != nil {
		t.Fatal(err)
	}
	return rows[0].N
}

// sound holds that what is kept is what the record says.
func (w *wash) sound(t testing.TB, at time.Time) int {
	t.Helper()
	differs, seen, err := pm.Verify(ctx, w.db, at)
	if err != nil {
		t.Fatal(err)
	}
	for i, d := range differs {
		if i < 5 {
			t.Error(d)
		}
	}
	if len(differs) > 5 {
		t.Errorf("and %d more", len(differs)-5)
	}
	return seen
}

func request() pgdb.Request { return pgdb.Request{Key: uuid.NewString(), Act: "record", Body: "work"} }

// fit puts a new unit of a class into a position's slot.
func (w *wash) fit(t testing.TB, position uuid.UUID, class string, at time.Time) assets.Unit {
	t.Helper()
	part, err := pgdb.Read[struct{ ID uuid.UUID }](ctx, w.db, sys.ID, `select id from part where number = @n`, map[string]any{"n": "MW-" + strings.ToUpper(class)})
	if err != nil {
		t.Fatal(err)
	}
	if len(part) == 0 {
		p := pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (assets.Part, error) {
			return assets.AddPart(tx, sys, now, assets.PartEdit{Number: "MW-" + strings.ToUpper(class), Description: class, Class: class})
		})
		part = append(part, struct{ ID uuid.UUID }{p.ID})
	}
	unit := pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (assets.Unit, error) {
		return assets.AddUnit(tx, sys, now, assets.NewUnit{UnitEdit: assets.UnitEdit{PartID: part[0].ID}})
	})
	w.put(t, unit, assets.Place{SlotID: new(w.slot(t, position, class))}, at, "")
	return unit
}

func (w *wash) put(t testing.TB, unit assets.Unit, to assets.Place, at time.Time, reason string) {
	t.Helper()
	pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (assets.Stay, error) {
		return assets.Put(tx, sys, now, assets.Putting{UnitID: unit.ID, Place: to, From: &at, Reason: reason})
	})
}

// bench is a location of the distributor's.
func (w *wash) bench(t testing.TB) uuid.UUID {
	t.Helper()
	rows, err := pgdb.Read[struct{ ID uuid.UUID }](ctx, w.db, sys.ID, `select id from location where code = 'BENCH'`, nil)
	if err != nil {
		t.Fatal(err)
	}
	if len(rows) > 0 {
		return rows[0].ID
	}
	return pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (assets.Location, error) {
		return assets.AddLocation(tx, sys, now, assets.NewLocation{Code: "BENCH", Name: "Bench", Kind: "bench"})
	}).ID
}

// take takes a unit out of its slot and to the bench.
func (w *wash) take(t testing.TB, unit assets.Unit, at time.Time) {
	t.Helper()
	w.put(t, unit, assets.Place{LocationID: new(w.bench(t))}, at, "failed")
}

func (w *wash) slot(t testing.TB, position uuid.UUID, class string) uuid.UUID {
	t.Helper()
	rows, err := pgdb.Read[struct{ ID uuid.UUID }](ctx, w.db, sys.ID, `select id from slot where position_id = @p and class = @c`, map[string]any{"p": position, "c": class})
	if err != nil || len(rows) == 0 {
		t.Fatalf("no slot of %s: %v", class, err)
	}
	return rows[0].ID
}

func (w *wash) park(t testing.TB, position uuid.UUID, at time.Time) {
	t.Helper()
	pgtest.Done(t, w.db, sys, func(tx *gorm.DB) ([]assets.State, error) {
		return assets.ChangeState(tx, sys, now, position, "parked", &at, "arm bent")
	})
	w.tick(t, now)
}

func (w *wash) fact(t testing.TB, position uuid.UUID, fact, value string) {
	t.Helper()
	pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (assets.Fact, error) {
		return assets.Record(tx, sys, now, position, assets.NewFact{Fact: fact, Value: value, How: "seen"})
	})
}
