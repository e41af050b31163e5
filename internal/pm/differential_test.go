package pm_test

import (
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/assets"
	"spindlebook/internal/assets/meters"
	"spindlebook/internal/calendar"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgtest"
	"spindlebook/internal/pm"
)

// randomTerms makes up a plan. What makes no sense is refused and made up anew.
func randomTerms(r *rand.Rand) pm.Terms {
	pick := func(all ...string) string { return all[r.IntN(len(all))] }
	t := pm.Terms{AppliesTo: pick("site", "line", "position", "position", "position", "unit"), Basis: pick("floating", "floating", "fixed"), Criticality: pick("S", "A", "B", "C")}
	switch t.AppliesTo {
	case "position", "line":
		if r.IntN(2) == 0 {
			t.Kinds = []string{pick("side_brush_low", "top_brush", "compressed_air")}
		}
		if r.IntN(4) == 0 {
			t.Condition = "climate in (snowbelt, mild_wet)"
		}
		if r.IntN(6) == 0 {
			t.Condition = "drive = hydraulic"
		}
	case "unit":
		t.UnitsIn, t.Classes = pick("fitted", "stock", "anywhere"), []string{"gearmotor"}
	}
	used := map[string]bool{}
	for range 1 + r.IntN(2) {
		k := pm.Trigger{Kind: pick("every", "every", "after_use", "after_use", "each_operating_day", "once_per_season", "on_dates", "on_crossing")}
		if used[k.Kind] {
			continue
		}
		used[k.Kind] = true
		switch k.Kind {
		case "every":
			k.Every = pick("P7D", "P30D", "P1M", "P90D", "P6M", "P1Y", "P540D")
			if t.Basis == "fixed" && r.IntN(2) == 0 {
				k.From = pick("2024-01-31", "2024-02-29", "2025-07-01")
			}
		case "after_use":
			k.Unit, k.Amount = pick("vehicles", "vehicles", "run_hours", "cycles"), float64(500*(1+r.IntN(60)))
		case "once_per_season":
			k.Season = pick("10-01/11-15", "12-15/01-20", "04-01/05-15")
		case "on_dates":
			k.Rule, k.From = pick("FREQ=MONTHLY;BYDAY=1TU", "FREQ=YEARLY;BYMONTH=3,9;BYMONTHDAY=1"), "2024-01-02"
		case "on_crossing":
			k.Check = "CK-RND"
		}
		t.Triggers = append(t.Triggers, k)
	}
	if r.IntN(2) == 0 {
		t.Early = pm.Tolerance{Days: r.IntN(15)}
	} else {
		t.Early = pm.Tolerance{Percent: float64(r.IntN(20))}
	}
	if r.IntN(2) == 0 && t.Criticality != "S" {
		t.Late = pm.Tolerance{Days: r.IntN(10)}
	}
	return t
}

// Stored is recomputed: in a record of some sites with made-up plans, made-up
// things happen; after each the tick's answers are held against all of them worked
// out anew from the record. Each assignment at each time is a world of its own.
func TestWhatIsKeptIsWhatTheRecordSays(t *testing.T) {
	t.Parallel()
	const seed, sites, plans, steps = 20250610, 6, 100, 14
	r := rand.New(rand.NewPCG(seed, 1))
	w := newWash(t)
	w.procedure(t, "RND", func(c *pm.Content) {
		c.Checks = []pm.Check{{Code: "CK-RND", Prompt: "Pressure drop", Kind: "number", Unit: "psi", WarnHigh: new(6.0), Optional: true}}
	})
	type spot struct {
		left, right, top assets.Position
		tunnel, hours    meters.Meter
		units            []assets.Unit
		count            float64
	}
	zones, climates := []string{"America/Chicago", "America/Denver", "Europe/Berlin", "Australia/Lord_Howe"}, []string{"snowbelt", "mild_wet", "warm_dry"}
	var spots []*spot
	var unitList []assets.Unit
	for i := range sites {
		site := pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (assets.Site, error) {
			return assets.AddSite(tx, sys, now, w.customer.ID, &began, assets.SiteEdit{Code: fmt.Sprintf("R%d", i), Name: "Made up", Zone: zones[i%len(zones)], Currency: "USD", Climate: climates[i%3], Size: "medium", DriverSide: "left"})
		})
		line := pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (assets.Line, error) {
			return assets.AddLine(tx, sys, now, site.ID, &began, assets.LineEdit{Code: fmt.Sprintf("R%d-1", i), VehiclesPerHourMax: new(200)})
		})
		at := func(code, kind, side string) assets.NewPosition {
			return assets.NewPosition{SiteID: site.ID, From: &began, PositionEdit: assets.PositionEdit{LineID: &line.ID, Code: fmt.Sprintf("R%d-1/%s", i, code), Name: code, Kind: kind, LineSide: side}}
		}
		p := pgtest.Done(t, w.db, sys, func(tx *gorm.DB) ([]assets.Position, error) {
			return assets.AddPositions(tx, sys, now, []assets.NewPosition{at("L", "side_brush_low", "left"), at("R", "side_brush_low", "right"), at("T", "top_brush", "centre")})
		})
		s := &spot{left: p[0], right: p[1], top: p[2]}
		add := func(in meters.NewMeter) meters.Meter {
			in.From, in.SiteID = &began, site.ID
			return pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (meters.Meter, error) { return meters.Add(tx, sys, now, in) })
		}
		s.tunnel = add(meters.NewMeter{Edit: meters.Edit{Code: fmt.Sprintf("R%d/TC", i), Kind: "entrance_counter"}, Unit: meters.Vehicles, Thing: meters.Thing{LineID: &line.ID, Primary: true}})
		s.hours = add(meters.NewMeter{Edit: meters.Edit{Code: fmt.Sprintf("R%d/H", i), Kind: "hour_meter"}, Unit: meters.Hours, Thing: meters.Thing{PositionID: &p[0].ID, Primary: true}})
		s.units = []assets.Unit{w.fit(t, p[0].ID, "gearmotor", day(500)), w.fit(t, p[1].ID, "gearmotor", day(400))}
		unitList = append(unitList, s.units...)
		spots = append(spots, s)
	}
	made := 0
	for n := 0; made < plans; n++ {
		terms := randomTerms(r)
		_, err := pgtest.Write(w.db, sys, func(tx *gorm.DB) (int, error) {
			ids, err := pm.AddPlans(tx, sys, now, []pm.NewPlan{{Code: fmt.Sprintf("P%d", n), Title: "Made up", Procedure: "RND"}})
			if err != nil {
				return 0, err
			}
			v, err := pm.WritePlanDrafts(tx, sys, now, []pm.WritePlan{{Plan: ids[0], Terms: terms}})
			if err != nil {
				return 0, err
			}
			return 0, pm.PublishPlans(tx, sys, now, v)
		})
		switch {
		case err == nil:
			made++
		case fault.KindOf(err) != fault.Invalid:
			t.Fatalf("%+v: %v", terms, err)
		}
	}
	// time goes on from the past, and things happen
	clock := now.AddDate(0, 0, -200)
	worlds := 0
	for step := range steps {
		before := clock.Year()
		clock = clock.Add(time.Duration(r.IntN(30*24)) * time.Hour)
		if clock.After(now) {
			clock = now
		}
		// how far back and ahead days are known turns with the year: the nightly job sees to that
		if clock.Year() != before {
			if err := pm.Anew(ctx, w.db); err != nil {
				t.Fatal(err)
			}
		}
		for _, s := range spots { // some counters are read, now or for a day before
			if r.IntN(3) > 0 {
				at := clock.Add(-time.Duration(r.IntN(3*24)) * time.Hour)
				s.count += float64(r.IntN(3000))
				w.maybeRead(t, clock, seen(s.tunnel, at, fmt.Sprint(int(s.count))), seen(s.hours, at, fmt.Sprint(int(s.count)/60)))
			}
		}
		w.tick(t, clock)
		type row struct {
			ID     uuid.UUID
			TaskID *uuid.UUID
			Since  time.Time
		}
		all, err := pgdb.Read[row](ctx, w.db, sys.ID, `
select a.id, a.task_id, a.since
  from assignment as a
  join plan as p on p.id = a.plan_id
  left join site as s on s.id = a.site_id
  left join line as l on l.id = a.line_id
  left join position as o on o.id = a.position_id
  left join unit as u on u.id = a.unit_id
 where a.ended_at is null
order by md5(concat_ws(' ', p.code, s.code, l.code, o.code, u.tag, cast(@step as text)))`, map[string]any{"step": fmt.Sprint(step)})
		if err != nil {
			t.Fatal(err)
		}
		var work []pm.Done
		for i, a := range all {
			switch {
			case i < 60:
				d := pm.Done{AssignmentID: &a.ID, At: clock.Add(-time.Duration(r.IntN(20*24)) * time.Hour)}
				if r.IntN(3) == 0 {
					d.Answers = []pm.Answer{{Check: "CK-RND", Found: fmt.Sprint(r.IntN(12))}}
				}
				work = append(work, d)
			case i < 90:
				if _, err := pgtest.Write(w.db, sys, func(tx *gorm.DB) (uuid.UUID, error) {
					return pm.MakeOverride(tx, sys, clock, a.ID, pm.NewOverride{Triggers: []pm.Trigger{every("P20D")}, Until: calendar.DateOf(clock) + calendar.Date(r.IntN(90)), Reason: "made up"})
				}); err != nil && fault.KindOf(err) != fault.Invalid {
					t.Fatal(err)
				}
			case i < 130 && a.TaskID != nil:
				task, err := pm.OneTask(ctx, w.db, sys, *a.TaskID)
				if err != nil {
					t.Fatal(err)
				}
				if _, err := pgtest.Write(w.db, sys, func(tx *gorm.DB) (uuid.UUID, error) {
					return pm.SkipTask(tx, sys, clock, task.ID, task.Version, calendar.DateOf(clock)+calendar.Date(2+r.IntN(30)), "made up")
				}); err != nil && fault.KindOf(err) != fault.Invalid {
					t.Fatal(err)
				}
			}
		}
		if _, err := complete(w.db, clock, work...); err != nil {
			t.Fatal(err)
		}
		// the register changes: a brush is parked or back, a motor moves, a share is set
		s := spots[r.IntN(len(spots))]
		from := clock.Add(-time.Duration(r.IntN(48)) * time.Hour)
		state := []string{"parked", "in_service"}[step%2]
		_, err = pgtest.Write(w.db, sys, func(tx *gorm.DB) ([]assets.State, error) {
			return assets.ChangeState(tx, sys, clock, s.left.ID, state, &from, "made up")
		})
		allowed(t, err)
		_, err = pgtest.Write(w.db, sys, func(tx *gorm.DB) ([]meters.Share, error) {
			return meters.SetShare(tx, sys, clock, s.right.ID, float64(1+r.IntN(10))/10, from, "made up")
		})
		allowed(t, err)
		u := unitList[r.IntN(len(unitList))]
		to := assets.Place{LocationID: new(w.bench(t))}
		if r.IntN(2) == 0 {
			to = assets.Place{SlotID: new(w.slot(t, spots[r.IntN(len(spots))].top.ID, "gearmotor"))}
		}
		_, err = pgtest.Write(w.db, sys, func(tx *gorm.DB) (assets.Stay, error) {
			return assets.Put(tx, sys, clock, assets.Putting{UnitID: u.ID, Place: to, From: &from, Reason: "moved"})
		})
		allowed(t, err)
		w.tick(t, clock)
		worlds += w.sound(t, clock)
		if t.Failed() {
			t.Fatalf("seed %d, step %d", seed, step)
		}
	}
	t.Logf("%d worlds", worlds)
	if worlds < 10_000 {
		t.Errorf("only %d worlds were held against the record", worlds)
	}
}

// allowed lets pass what the record refuses: two states at once, a slot that is full.
func allowed(t testing.TB, err error) {
	t.Helper()
	if k := fault.KindOf(err); err != nil && k != fault.Invalid && k != fault.Conflict {
		t.Fatal(err)
	}
}

// maybeRead takes readings, of which some may not fit.
func (w *wash) maybeRead(t testing.TB, at time.Time, in ...meters.NewReading) {
	t.Helper()
	pgtest.Done(t, w.db, sys, func(tx *gorm.DB) ([]meters.Taken, error) { return meters.Take(tx, sys, at, in) })
}
