package record_test

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/assets/meters"
	"spindlebook/internal/calendar"
	"spindlebook/internal/fault"
	"spindlebook/internal/parts/amount"
	"spindlebook/internal/parts/stock"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgtest"
	"spindlebook/internal/pm"
	"spindlebook/internal/pm/isolation"
	"spindlebook/internal/pm/record"
	"spindlebook/internal/pm/visits"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

var (
	ctx   = context.Background()
	now   = time.Date(2025, 6, 10, 15, 0, 0, 0, time.UTC)
	began = now.AddDate(-2, 0, 0)
	sys   = access.System
)

// world is a site with one brush, whose motor is to be swapped, and those who do it.
type world struct {
	t                testing.TB
	db               *pgdb.DB
	site             assets.Site
	left             assets.Position
	slot             uuid.UUID
	old, fresh       assets.Unit
	van, returns     assets.Location
	nut              assets.Part
	hours            meters.Meter
	e1, a1           assets.IsolationPoint
	tom, lidia       access.Actor
	wilma, olga      access.Actor
	task, assignment uuid.UUID
	key              int
}

func newWorld(t testing.TB) *world {
	t.Helper()
	w := &world{t: t, db: pgtest.New(t)}
	customer := do(w, func(tx *gorm.DB) (assets.Customer, error) {
		return assets.AddCustomer(tx, sys, now, assets.CustomerEdit{Code: "HAD", Name: "Hadrelle Wash Group"})
	})
	w.site = do(w, func(tx *gorm.DB) (assets.Site, error) {
		return assets.AddSite(tx, sys, now, customer.ID, &began, assets.SiteEdit{Code: "UMB", Name: "Umberlea", Zone: "America/Chicago", Currency: "USD", Climate: "snowbelt", Size: "medium", DriverSide: "left"})
	})
	line := do(w, func(tx *gorm.DB) (assets.Line, error) {
		return assets.AddLine(tx, sys, now, w.site.ID, &began, assets.LineEdit{Code: "UMB-1"})
	})
	w.left = do(w, func(tx *gorm.DB) (assets.Position, error) {
		return assets.AddPosition(tx, sys, now, assets.NewPosition{SiteID: w.site.ID, From: &began, PositionEdit: assets.PositionEdit{LineID: &line.ID, Code: "UMB-1/SBL-L", Name: "Low side brush", Kind: "side_brush_low", LineSide: "left"}})
	})
	w.hours = do(w, func(tx *gorm.DB) (meters.Meter, error) {
		return meters.Add(tx, sys, now, meters.NewMeter{Edit: meters.Edit{Code: "UMB-1/H-L", Kind: "hour_meter", Counter: meters.Counter{Digits: new(5), Decimals: 1}}, Unit: meters.Hours,
			Thing: meters.Thing{PositionID: &w.left.ID, Primary: true}, From: &began, SiteID: w.site.ID})
	})
	point := func(code, energy string) assets.IsolationPoint {
		return do(w, func(tx *gorm.DB) (assets.IsolationPoint, error) {
			return assets.AddIsolationPoint(tx, sys, now, w.site.ID, code, energy, assets.IsolationEdit{Place: "beside the arch", Isolate: "turn it off", Prove: "try it", Restore: "slowly",
				Lockable: true, CheckedOn: "2025-01-10", CheckedBy: "Tom", ValidFrom: &began})
		})
	}
	w.e1, w.a1 = point("E1", "electrical"), point("A1", "air")
	do(w, func(tx *gorm.DB) (bool, error) {
		_, _, err := assets.SetIsolation(tx, sys, now, w.left.ID, w.left.Version, []uuid.UUID{w.e1.ID, w.a1.ID})
		return true, err
	})
	part := func(number, class string) assets.Part {
		return do(w, func(tx *gorm.DB) (assets.Part, error) {
			return assets.AddPart(tx, sys, now, assets.PartEdit{Number: number, Description: number, Class: class})
		})
	}
	motor := part("MW-10110", "gearmotor")
	w.nut = part("MW-22001", "fastener")
	do(w, func(tx *gorm.DB) (bool, error) {
		return true, tx.Exec(`update part set tracking = 'none' where id = ?`, w.nut.ID).Error
	})
	place := func(code, kind string) assets.Location {
		return do(w, func(tx *gorm.DB) (assets.Location, error) {
			return assets.AddLocation(tx, sys, now, assets.NewLocation{Code: code, Name: code, Kind: kind})
		})
	}
	w.van, w.returns = place("V1", "van"), place("RET", "returns")
	units := do(w, func(tx *gorm.DB) ([]assets.Unit, error) {
		edit := func(serial string) assets.NewUnit {
			return assets.NewUnit{UnitEdit: assets.UnitEdit{PartID: motor.ID, Serial: serial}}
		}
		return assets.AddUnits(tx, sys, now, []assets.NewUnit{edit("G1"), edit("G2")})
	})
	w.old, w.fresh = units[0], units[1]
	slots, err := assets.SlotsAt(ctx, w.db, sys, w.left.Code, "gearmotor")
	if err != nil || len(slots) != 1 {
		t.Fatal(slots, err)
	}
	w.slot = slots[0]
	do(w, func(tx *gorm.DB) ([]assets.Stay, error) {
		return assets.PutAll(tx, sys, now, []assets.Putting{{UnitID: w.old.ID, Place: assets.Place{SlotID: &w.slot}, From: new(began.AddDate(0, 1, 0))}, {UnitID: w.fresh.ID, Place: assets.Place{LocationID: &w.van.ID}, From: new(now.AddDate(0, -1, 0))}})
	})
	do(w, func(tx *gorm.DB) ([]stock.Movement, error) {
		at := now.AddDate(0, -1, 0)
		return stock.Move(tx, sys, now, []stock.Moving{{Kind: "receive", PartID: w.nut.ID, Amount: amount.Of(5), To: &w.van.ID, Owner: stock.Owner{Kind: "distributor"}, At: &at, Sure: true}})
	})
	person := func(login string, g access.NewGrant, skills ...string) access.Actor {
		a := do(w, func(tx *gorm.DB) (access.Account, error) {
			a, err := access.AddPerson(tx, sys, now, access.NewPerson{Name: login, Login: login + "@wash.example", CustomerID: g.CustomerID, Grants: []access.NewGrant{g}})
			for _, s := range skills {
				if err == nil {
					_, err = access.AddEvidence(tx, sys, now, a.ID, access.NewEvidence{Skill: s, Evidence: "shown", IssuedOn: "2024-01-01", ExpiresOn: new("2026-01-01")})
				}
			}
			return a, err
		})
		who, _, err := access.Load(ctx, w.db, a.ID)
		if err != nil {
			t.Fatal(err)
		}
		return who
	}
	w.tom, w.lidia = person("Tom", access.NewGrant{Role: "technician"}, "T2", "AU"), person("Lidia", access.NewGrant{Role: "technician"}, "EL", "T1", "AU")
	w.wilma, w.olga = person("Wilma", access.NewGrant{Role: "manager"}), person("Olga", access.NewGrant{Role: "owner", CustomerID: &customer.ID})
	w.programme()
	return w
}

func do[T any](w *world, fn func(tx *gorm.DB) (T, error)) T {
	w.t.Helper()
	return pgtest.Done(w.t, w.db, sys, fn)
}

// programme writes the blocks and two jobs, and a plan that recurs.
func (w *world) programme() {
	w.t.Helper()
	minutes := pm.Minutes{Low: 60, Typical: 120, High: 240}
	procedures := func(block bool, all map[string][]pm.Step, order ...string) {
		do(w, func(tx *gorm.DB) (bool, error) {
			for _, code := range order {
				ids, err := pm.AddProcedures(tx, sys, now, []pm.NewProcedure{{Code: code, Title: "Work " + code, IsBlock: block}})
				if err != nil {
					return false, err
				}
				c := pm.Content{People: 2, Skills: []string{"T2", "EL"}, Minutes: minutes, LineState: "closed_hours", Energies: []string{"electrical", "air"}, Steps: all[code]}
				if code == "J01" {
					c.Options = []pm.Option{{Code: "strip", Title: "Strip down", People: 2, Minutes: minutes}, {Code: "lay", Title: "Lay it down", People: 3, Minutes: minutes}}
					c.Checks = []pm.Check{{Code: "AMPS", Prompt: "Current empty", Kind: "number", Unit: "A", FailHigh: new(4.2)}}
				}
				v, err := pm.WriteDrafts(tx, sys, now, []pm.Write{{Procedure: ids[0], Content: c}})
				if err == nil {
					err = pm.Publish(tx, sys, now, v)
				}
				if err != nil {
					return false, err
				}
			}
			return true, nil
		})
	}
	procedures(true, map[string][]pm.Step{
		"BLK-IN": {{Kind: "note", Says: "Report and sign in."}, {Kind: "isolate", Says: "Own lock on.", Hold: true, Records: "lock ids"}, {Kind: "prove_dead", Says: "Prove it.", Hold: true, Skills: []string{"AU"}}},
		"BLK-ROT": {{Kind: "hold", Says: "Clear tools, count people.", Hold: true}, {Kind: "test", Says: "Locks off for the test.", Hold: true},
			{Kind: "test", Says: "Jog and compare.", Hold: true, Records: "direction seen"}},
		"BLK-OUT": {{Kind: "restore", Says: "Locks off, tell the staff.", Hold: true}, {Kind: "do", Says: "Hand over."}},
	}, "BLK-IN", "BLK-ROT", "BLK-OUT")
	procedures(false, map[string][]pm.Step{
		"J04": {{Kind: "include", Includes: "BLK-IN"}, {Kind: "do", Says: "Draw the shaft."}, {Kind: "do", Says: "New shaft in.", Hold: true, Skills: []string{"T2"}}, {Kind: "include", Includes: "BLK-OUT"}},
		"J01": {{Kind: "include", Includes: "BLK-IN"}, {Kind: "measure", Says: "Count the spacers.", Records: "spacers_count"}, {Kind: "do", Says: "Look at the shaft.", Hold: true, IfNot: "J04"},
			{Kind: "do", Says: "Turn the hub round.", Condition: "hub_fixing = flange3"}, {Kind: "do", Says: "Only for the right side.", Condition: "line_side = right"},
			{Kind: "do", Says: "Only for this job.", Condition: "job = J01"}, {Kind: "do", Says: "Only when laid down.", Condition: "method = lay"},
			{Kind: "do", Says: "Set the links.", Hold: true, Skills: []string{"EL"}, Records: "links_set, volts three"}, {Kind: "include", Includes: "BLK-ROT"},
			{Kind: "measure", Says: "Current empty.", Check: "AMPS", Records: "amps"}, {Kind: "include", Includes: "BLK-OUT"}},
	}, "J04", "J01")
	do(w, func(tx *gorm.DB) (bool, error) {
		ids, err := pm.AddPlans(tx, sys, now, []pm.NewPlan{{Code: "PM-900", Title: "Motor by age", Procedure: "J01"}})
		if err != nil {
			return false, err
		}
		v, err := pm.WritePlanDrafts(tx, sys, now, []pm.WritePlan{{Plan: ids[0], Terms: pm.Terms{AppliesTo: "position", Kinds: []string{"side_brush_low"}, Basis: "floating", Criticality: "B",
			Triggers: []pm.Trigger{{Kind: "every", Every: "P12M"}}}}})
		if err != nil {
			return false, err
		}
		return true, pm.PublishPlans(tx, sys, now, v)
	})
	if _, err := pm.Tick(ctx, w.db, now); err != nil {
		w.t.Fatal(err)
	}
	tasks, err := pm.Tasks(ctx, w.db, sys, pm.TaskFilter{PositionID: &w.left.ID}, pm.Page{Limit: 9})
	if err != nil || len(tasks) != 1 {
		w.t.Fatal(tasks, err)
	}
	w.task, w.assignment = tasks[0].ID, *tasks[0].AssignmentID
}

func (w *world) req() pgdb.Request {
	w.key++
	return pgdb.Request{Key: fmt.Sprint("k", w.key), Act: "test", Body: w.key}
}

func (w *world) open(in record.NewRecord) record.Card {
	w.t.Helper()
	id, err := record.Open(ctx, w.db, w.tom, now, w.req(), in)
	if err != nil {
		w.t.Fatal(err)
	}
	return w.card(id)
}

func (w *world) card(id uuid.UUID) record.Card {
	w.t.Helper()
	c, err := record.One(ctx, w.db, w.tom, now, id)
	if err != nil {
		w.t.Fatal(err)
	}
	return c
}

func minute(n int) time.Time { return now.Add(time.Duration(n-120) * time.Minute) }

// tick answers the step of that label.
func tick(c record.Card, label string, at int, change ...func(e *record.NewEntry)) record.NewEntry {
	e := record.NewEntry{ID: uuid.New(), Act: record.OfStep, Outcome: record.DoneWell, DoneAt: minute(at), VersionSeen: c.Version}
	for i := range c.Steps {
		if c.Steps[i].Label == label {
			e.StepID = &c.Steps[i].ID
		}
	}
	for _, f := range change {
		f(&e)
	}
	return e
}

func value(name, v string) func(*record.NewEntry) {
	return func(e *record.NewEntry) { e.Said.Values = map[string]string{name: v} }
}

func (w *world) take(who access.Actor, c record.Card, want string, in ...record.NewEntry) []record.Taken {
	w.t.Helper()
	all, err := record.Take(ctx, w.db, who, now, c.ID, in)
	if err != nil {
		w.t.Fatal(err)
	}
	states := []string{}
	for _, a := range all {
		states = append(states, a.State)
	}
	if got := strings.Join(slices.Compact(states), " "); got != want {
		for _, a := range all {
			w.t.Log(a.State, a.Fault)
		}
		w.t.Errorf("it was %q, want %q", got, want)
	}
	return all
}

// isolate declares locks of Tom and Lidia on both points from minute 5 on, a test at 70,
// and that all is back at 90.
func (w *world) isolate(c record.Card) {
	w.t.Helper()
	for _, p := range []assets.IsolationPoint{w.e1, w.a1} {
		locks := map[string]*uuid.UUID{"Tom": new(uuid.New()), "Lidia": new(uuid.New())}
		says := func(who access.Actor, at int, acts ...isolation.Act) {
			w.t.Helper()
			all := []isolation.NewEntry{}
			for _, a := range acts {
				e := isolation.NewEntry{ID: uuid.New(), PointID: p.ID, PointVersion: 1, Act: a, DoneAt: minute(at), RecordID: &c.ID, How: "tried", Instrument: "tester 3"}
				if a.OfALock() {
					e.LockID = locks[who.Name]
				}
				all = append(all, e)
			}
			taken, err := pgtest.Write(w.db, who, func(tx *gorm.DB) ([]isolation.Taken, error) { return isolation.Take(tx, who, now, all) })
			if err != nil || slices.ContainsFunc(taken, func(t isolation.Taken) bool { return t.State != "kept" }) {
				w.t.Fatal(taken, err)
			}
		}
		says(w.tom, 5, isolation.Prepared, isolation.Told, isolation.ShutDown, isolation.Isolated, isolation.Locked)
		says(w.lidia, 6, isolation.Locked)
		says(w.tom, 7, isolation.Relieved, isolation.Proved)
		says(w.tom, 70, isolation.Clear, isolation.OffForTest)
		says(w.lidia, 70, isolation.OffForTest)
		says(w.tom, 89, isolation.Inspected, isolation.Clear, isolation.Unlocked)
		says(w.lidia, 90, isolation.Unlocked)
		says(w.tom, 91, isolation.ToldAfter, isolation.Restored)
	}
}

// work declares all that a swap of the motor takes.
func (w *world) work(c record.Card) {
	w.t.Helper()
	w.isolate(c)
	w.take(w.tom, c, "kept", tick(c, "BLK-IN 1", 1), tick(c, "BLK-IN 2", 6), tick(c, "BLK-IN 3", 8), tick(c, "J01 1", 20, value("spacers_count", "3")), tick(c, "J01 2", 25), tick(c, "J01 5", 26),
		record.NewEntry{ID: uuid.New(), Act: record.Reading, DoneAt: minute(2), Said: record.Said{MeterID: &w.hours.ID, Value: "1234.5"}},
		record.NewEntry{ID: uuid.New(), Act: record.Swap, DoneAt: minute(40), Said: record.Said{SlotID: &w.slot, In: &w.fresh.ID, From: &w.van.ID, To: &w.returns.ID, Reason: "failed"}},
		record.NewEntry{ID: uuid.New(), Act: record.PartMove, DoneAt: minute(41), Said: record.Said{PartID: &w.nut.ID, From: &w.van.ID, Did: "used", Amount: "2"}},
		record.NewEntry{ID: uuid.New(), Act: record.PartMove, DoneAt: minute(41), Said: record.Said{PartID: &w.nut.ID, From: &w.van.ID, Did: "returned", Amount: "1"}})
	w.take(w.lidia, c, "kept", tick(c, "J01 7", 50))
	w.take(w.tom, c, "kept", tick(c, "BLK-ROT 1", 69), tick(c, "BLK-ROT 2", 71), tick(c, "BLK-ROT 3", 72, value(record.DirectionSeen, "clockwise")),
		tick(c, "J01 8", 75, func(e *record.NewEntry) { e.Said.Found = "3.1" }), tick(c, "BLK-OUT 1", 91), tick(c, "BLK-OUT 2", 95))
}

func (w *world) count(sql string, args map[string]any) int {
	w.t.Helper()
	got, err := pgdb.Read[struct{ N int }](ctx, w.db, sys.ID, sql, args)
	if err != nil || len(got) != 1 {
		w.t.Fatal(got, err)
	}
	return got[0].N
}

func TestACardIsResolvedAndFrozenWhenItIsOpened(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	c := w.open(record.NewRecord{TaskID: &w.task})
	labels := []string{}
	for _, s := range c.Steps {
		labels = append(labels, s.Label+" "+s.Kind+map[bool]string{true: "!", false: ""}[s.Hold]+strings.Join(s.Needs, "+")+map[bool]string{true: "?" + strings.Join(s.Unsure, ","), false: ""}[len(s.Unsure) > 0])
	}
	want := "BLK-IN 1 note; BLK-IN 2 isolate!; BLK-IN 3 prove_dead!; J01 1 measureelectrical+air; J01 2 do!electrical+air; J01 3 doelectrical+air?hub_fixing; J01 5 doelectrical+air; " +
		"J01 7 do!electrical+air; BLK-ROT 1 hold!electrical+air; BLK-ROT 2 test!; BLK-ROT 3 test!; J01 8 measure; BLK-OUT 1 restore!; BLK-OUT 2 do"
	if got := strings.Join(labels, "; "); got != want {
		t.Errorf("the steps are\n%s, want\n%s", got, want)
	}
	if c.Method != "strip" || c.People != 2 || !c.Turning.Known || !c.Turning.Clockwise || len(c.Points) != 2 || c.Points[0].Version != 1 || c.State != "open" || c.Position != "UMB-1/SBL-L" ||
		c.TaskID != w.task || c.Procedures[0].Code != "J01" || *c.Connection.UnitID != w.old.ID || len(c.Connection.Cautions) == 0 || c.OpenedBy != "Tom" {
		t.Errorf("opened %+v", c.Head)
	}
	if !slices.Equal(c.Steps[7].Records, []string{"links_set", "volts_three"}) {
		t.Errorf("recorded are %v", c.Steps[7].Records)
	}
	// what changes afterwards does not change the card
	do(w, func(tx *gorm.DB) (assets.Fact, error) {
		return assets.Record(tx, sys, now, w.left.ID, assets.NewFact{Fact: "hub_fixing", Value: "clamp4", How: "seen", SeenBy: "Tom"})
	})
	if again := w.card(c.ID); len(again.Steps) != len(c.Steps) {
		t.Error("the steps have changed")
	}
	_, err := record.Open(ctx, w.db, w.tom, now, w.req(), record.NewRecord{TaskID: &w.task})
	pgtest.Refused(t, "a second card", err, fault.Conflict, "task_id", "open record")
	// on the spot, with another method
	spot := w.open(record.NewRecord{Procedure: "J01", PositionID: &w.left.ID, Method: "lay"})
	if spot.People != 3 || !slices.ContainsFunc(spot.Steps, func(s record.StepNow) bool { return s.Says == "Only when laid down." }) || slices.ContainsFunc(spot.Steps, func(s record.StepNow) bool { return s.Says == "Turn the hub round." }) {
		t.Errorf("on the spot %+v", spot.Head)
	}
	for what, c := range map[string]struct {
		in    record.NewRecord
		kind  fault.Kind
		field string
	}{
		"nothing":      {record.NewRecord{}, fault.Invalid, "task_id"},
		"both":         {record.NewRecord{TaskID: &w.task, Procedure: "J01"}, fault.Invalid, "procedure"},
		"no task":      {record.NewRecord{TaskID: new(uuid.New())}, fault.NotFound, ""},
		"no position":  {record.NewRecord{Procedure: "J01", PositionID: new(uuid.New())}, fault.NotFound, ""},
		"no procedure": {record.NewRecord{Procedure: "J99", PositionID: &w.left.ID}, fault.Invalid, "procedure"},
		"a block":      {record.NewRecord{Procedure: "BLK-IN", PositionID: &w.left.ID}, fault.Invalid, "procedure"},
		"no method":    {record.NewRecord{Procedure: "J01", PositionID: &w.left.ID, Method: "x"}, fault.Invalid, "method"},
		"one way only": {record.NewRecord{Procedure: "J04", PositionID: &w.left.ID, Method: "x"}, fault.Invalid, "method"},
	} {
		_, err := record.Open(ctx, w.db, w.tom, now, w.req(), c.in)
		pgtest.Refused(t, what, err, c.kind, c.field, "")
	}
	all, err := record.Cards(ctx, w.db, w.tom, record.Filter{SiteID: &w.site.ID, State: "open"}, record.Page{Limit: 1})
	if err != nil || len(all) != 1 {
		t.Fatal(all, err)
	}
	next, err := record.Cards(ctx, w.db, w.tom, record.Filter{PositionID: &w.left.ID}, record.Page{Limit: 9, After: all[0].ID.String()})
	if err != nil || len(next) != 1 || next[0].ID == all[0].ID {
		t.Error(next, err)
	}
	_, err = record.Cards(ctx, w.db, w.tom, record.Filter{State: "x"}, record.Page{Limit: 1})
	pgtest.Refused(t, "no state", err, fault.Invalid, "state", "")
	_, err = record.Cards(ctx, w.db, w.tom, record.Filter{}, record.Page{Limit: 1, After: "x"})
	pgtest.Refused(t, "no key", err, fault.Invalid, "after", "")
}

// The completion: readings, the swap, stock, what counts from it and when, all in one.
func TestSigningOffDoesAllThatFollows(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	c := w.open(record.NewRecord{TaskID: &w.task})
	w.work(c)
	c = w.card(c.ID)
	if len(c.Blocks) != 0 {
		t.Fatalf("in the way stands %+v", c.Blocks)
	}
	req := w.req()
	s, err := record.SignOff(ctx, w.db, w.tom, now, req, c.ID, record.Signing{Minutes: new(150), HandedTo: "Pat"})
	if err != nil {
		t.Fatal(err)
	}
	if !s.DoneAt.Equal(minute(95)) || len(s.Done) != 1 || s.Done[0].Outcome != "counted" || len(s.Readings) != 1 || len(s.Swapped) != 1 || len(s.Used) != 2 || !slices.Equal(s.Open, []string{"J01 3"}) {
		t.Errorf("signed %+v", s)
	}
	// again, as a phone does that got no answer: the same, and nothing twice
	if again, err := record.SignOff(ctx, w.db, w.tom, now, req, c.ID, record.Signing{Minutes: new(150), HandedTo: "Pat"}); err != nil || again.Done[0].ID != s.Done[0].ID {
		t.Errorf("again %+v, %v", again, err)
	}
	_, err = record.SignOff(ctx, w.db, w.tom, now, w.req(), c.ID, record.Signing{})
	pgtest.Refused(t, "completed twice", err, fault.Conflict, "record", "signed")
	unit, err := assets.OneUnit(ctx, w.db, sys, now, w.fresh.ID)
	if err != nil || unit.PositionCode == nil || *unit.PositionCode != w.left.Code {
		t.Errorf("the new motor is %+v, %v", unit, err)
	}
	if unit, err = assets.OneUnit(ctx, w.db, sys, now, w.old.ID); err != nil || unit.LocationCode == nil || *unit.LocationCode != "RET" {
		t.Errorf("the old motor is %+v, %v", unit, err)
	}
	task, err := pm.OneTask(ctx, w.db, sys, w.task)
	if err != nil || task.State != "done" {
		t.Errorf("the task is %+v, %v", task, err)
	}
	if n := w.count(`select count(*)::int as n from assignment where id = @a and mark_done and mark_at = @at and due_on = '2026-06-10'`, map[string]any{"a": w.assignment, "at": minute(95)}); n != 1 {
		t.Error("the assignment does not count from when the work was done")
	}
	if n := w.count(`select on_hand::int as n from stock_balance where location_id = @van and part_id = @nut`, map[string]any{"van": w.van.ID, "nut": w.nut.ID}); n != 3 {
		t.Errorf("of 5 nuts 2 were used, and %d are left", n)
	}
	if n := w.count(`select count(*)::int as n from check_answer where code = 'AMPS' and found = 3.1 and verdict = 'good'`, nil); n != 1 {
		t.Error("the check was not answered")
	}
	if diff, err := stock.Verify(ctx, w.db, sys); err != nil || len(diff) != 0 {
		t.Errorf("the ledger says %v, %v", diff, err)
	}
	if c = w.card(c.ID); c.State != "signed" || c.EndedBy != "Tom" || !strings.Contains(c.EndedWhy, "Pat") {
		t.Errorf("it stands %+v", c.Head)
	}
	// what another phone sends now is kept, marked, and shown to a manager; nothing else moves
	late := tick(c, "BLK-OUT 2", 96)
	taken := w.take(w.lidia, c, "kept", late)
	if len(taken[0].Marks) == 0 {
		// the clock of the test stands still: it came in the same instant
		taken, err = record.Take(ctx, w.db, w.lidia, now.Add(time.Hour), c.ID, []record.NewEntry{tick(c, "BLK-OUT 2", 97)})
		if err != nil || len(taken[0].Marks) == 0 || taken[0].Marks[0].Code != "late" {
			t.Errorf("late %+v, %v", taken, err)
		}
	}
	heads, err := record.Cards(ctx, w.db, w.wilma, record.Filter{Unseen: true}, record.Page{Limit: 9})
	if err != nil || len(heads) != 1 || heads[0].Unseen < 1 {
		t.Errorf("to be looked at are %+v, %v", heads, err)
	}
	_, err = record.Add(ctx, w.db, w.tom, now, w.req(), c.ID, record.Addition{Procedure: "J04", Why: "x"})
	pgtest.Refused(t, "added to a closed card", err, fault.Conflict, "record", "signed")
}

// A completion older than the last is history: it restarts nothing.
func TestAnOlderCompletionRestartsNothing(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	c := w.open(record.NewRecord{TaskID: &w.task})
	w.work(c)
	later := now.Add(-time.Minute)
	_, err := pm.Record(ctx, w.db, sys, now, w.req(), pm.Work{Done: []pm.Done{{AssignmentID: &w.assignment, At: later, Stated: true}}})
	if err != nil {
		t.Fatal(err)
	}
	s, err := record.SignOff(ctx, w.db, w.tom, now, w.req(), c.ID, record.Signing{HandedTo: "Pat"})
	if err != nil || s.Done[0].Outcome != "older" {
		t.Fatalf("signed %+v, %v", s, err)
	}
	if n := w.count(`select count(*)::int as n from assignment where id = @a and mark_at = @at`, map[string]any{"a": w.assignment, "at": later}); n != 1 {
		t.Error("the older work has restarted the assignment")
	}
}

func TestNothingIsDoneWhileSomethingStandsInTheWay(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	c := w.open(record.NewRecord{TaskID: &w.task})
	_, err := record.SignOff(ctx, w.db, w.tom, now, w.req(), c.ID, record.Signing{})
	f, ok := errors.AsType[*fault.Error](err)
	if !ok || f.Kind != fault.Conflict || len(f.Parts) < 7 {
		t.Fatalf("with holds open: %v", err)
	}
	for _, p := range f.Parts {
		if p.Msg == "" || p.Field == "" {
			t.Errorf("a part says %+v", p)
		}
	}
	w.work(c)
	// work on the shaft was declared during the test, a second time: kept, and it blocks
	taken := w.take(w.tom, c, "kept", tick(c, "J01 2", 73))
	if len(taken[0].Marks) != 1 || taken[0].Marks[0].Code != "in_test" {
		t.Fatalf("marked %+v", taken[0].Marks)
	}
	_, err = record.SignOff(ctx, w.db, w.tom, now, w.req(), c.ID, record.Signing{})
	pgtest.Refused(t, "with a mark", err, fault.Conflict, "entries."+taken[0].ID.String(), "under test")
	if n := w.count(`select count(*)::int as n from completion`, nil); n != 0 {
		t.Error("something was completed after all")
	}
	if unit, err := assets.OneUnit(ctx, w.db, sys, now, w.fresh.ID); err != nil || unit.LocationCode == nil {
		t.Errorf("the new motor has moved: %+v, %v", unit, err)
	}
	look := isolation.NewLook{EntryID: taken[0].ID, Mark: "in_test", Remark: "ticked twice by mistake"}
	pgtest.Refused(t, "a technician looks", record.LookInto(ctx, w.db, w.tom, now, c.ID, []isolation.NewLook{look}), fault.Forbidden, "", "")
	pgtest.Refused(t, "at no mark", record.LookInto(ctx, w.db, w.wilma, now, c.ID, []isolation.NewLook{{EntryID: taken[0].ID, Mark: "late", Remark: "x"}}), fault.NotFound, "items[0].entry_id", "")
	pgtest.Refused(t, "without a word", record.LookInto(ctx, w.db, w.wilma, now, c.ID, []isolation.NewLook{{EntryID: taken[0].ID, Mark: "in_test"}}), fault.Invalid, "items[0].remark", "")
	if err := record.LookInto(ctx, w.db, w.wilma, now, c.ID, []isolation.NewLook{look}); err != nil {
		t.Fatal(err)
	}
	if c = w.card(c.ID); c.Unseen != 0 || c.Marks[0].Looked.LookedBy != "Wilma" {
		t.Errorf("looked at %+v", c.Marks)
	}
	if _, err := record.SignOff(ctx, w.db, w.tom, now, w.req(), c.ID, record.Signing{}); err != nil {
		t.Error(err)
	}
}

// A swap turns into a shaft swap on site: the original keeps its order, the other comes between.
func TestAProcedureIsAddedOnSite(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	c := w.open(record.NewRecord{TaskID: &w.task})
	w.take(w.tom, c, "kept", tick(c, "BLK-IN 1", 1), tick(c, "J01 2", 25, func(e *record.NewEntry) { e.Outcome, e.Note = record.NotOK, "pitted" }))
	req := w.req()
	for range 2 {
		if _, err := record.Add(ctx, w.db, w.tom, now, req, c.ID, record.Addition{Procedure: "J04", Why: "shaft pitted under the seal"}); err != nil {
			t.Fatal(err)
		}
	}
	added := w.card(c.ID)
	labels := []string{}
	for _, s := range added.Steps {
		labels = append(labels, s.Label)
	}
	if got := strings.Join(labels, ", "); !strings.Contains(got, "J01 2, J04 1, J04 2, J01 3") || strings.Count(got, "BLK-IN 1") != 1 || strings.Count(got, "BLK-OUT 1") != 1 || len(added.Steps) != len(c.Steps)+2 {
		t.Errorf("the steps are %s", got)
	}
	if len(added.Procedures) != 2 || added.Procedures[1].Code != "J04" || added.Procedures[1].Why == "" || added.Title != c.Title {
		t.Errorf("the card has %+v", added.Procedures)
	}
	w.take(w.tom, added, "kept", tick(added, "J01 2", 26))
	w.work(added)
	_, err := record.SignOff(ctx, w.db, w.tom, now, w.req(), c.ID, record.Signing{})
	if f, ok := errors.AsType[*fault.Error](err); !ok || !strings.Contains(fmt.Sprint(f.Parts), "J04 2 is a hold point") {
		t.Errorf("with the hold of the other open: %v", err)
	}
	for what, in := range map[string]record.Addition{"why": {Procedure: "J04"}, "procedure": {Procedure: "J99", Why: "x"}, "after_step_id": {Procedure: "J04", Why: "x", After: new(uuid.New())}} {
		_, err := record.Add(ctx, w.db, w.tom, now, w.req(), c.ID, in)
		pgtest.Refused(t, what, err, fault.Invalid, what, "")
	}
	// both tasks are done with the one card
	marks := []isolation.NewLook{}
	w.take(w.tom, added, "kept", tick(added, "J04 1", 27), tick(added, "J04 2", 28))
	for _, m := range w.card(c.ID).Marks {
		marks = append(marks, isolation.NewLook{EntryID: m.EntryID, Mark: m.Code, Remark: "the first answer came before the locks"})
	}
	if err := record.LookInto(ctx, w.db, w.wilma, now, c.ID, marks); err != nil {
		t.Fatal(err)
	}
	s, err := record.SignOff(ctx, w.db, w.tom, now, w.req(), c.ID, record.Signing{})
	if err != nil || len(s.Done) != 2 {
		t.Errorf("signed %+v, %v", s, err)
	}
}

func TestACardIsAbandoned(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	c := w.open(record.NewRecord{TaskID: &w.task})
	abandon := func(version int, why string) error {
		return w.db.InTx(ctx, w.tom.ID, func(tx *gorm.DB) error { return record.Abandon(tx, w.tom, now, c.ID, version, why) })
	}
	pgtest.Refused(t, "no reason", abandon(c.Version, " "), fault.Invalid, "reason", "")
	pgtest.Refused(t, "stale", abandon(c.Version+1, "x"), fault.Stale, "If-Match", "")
	if err := abandon(c.Version, "no hoist; motor hangs, locks on"); err != nil {
		t.Fatal(err)
	}
	pgtest.Refused(t, "twice", abandon(c.Version, "x"), fault.Conflict, "record", "abandoned")
	task, err := pm.OneTask(ctx, w.db, sys, w.task)
	if err != nil || task.State != "open" {
		t.Errorf("the task is %+v, %v", task, err)
	}
	// another visit goes on with a card of its own
	visit := w.visit(0)
	_, err = record.Open(ctx, w.db, w.tom, now, w.req(), record.NewRecord{TaskID: &w.task, VisitID: new(uuid.New())})
	pgtest.Refused(t, "on no visit", err, fault.Invalid, "visit_id", "no visit to this site")
	if again := w.open(record.NewRecord{TaskID: &w.task, VisitID: &visit}); *again.VisitID != visit {
		t.Errorf("opened %+v", again.Head)
	}
}

// visit plans a visit so many days ahead, with tasks on it.
func (w *world) visit(days int, on ...visits.Doing) uuid.UUID {
	w.t.Helper()
	return do(w, func(tx *gorm.DB) (uuid.UUID, error) {
		return visits.Add(tx, sys, now, visits.New{SiteID: w.site.ID, Hours: visits.Hours{On: calendar.DateOf(now) + calendar.Date(days), Starts: "06:00", Minutes: 240}, Tasks: on})
	})
}

// A job begun on one visit goes on with the next: one card, and each entry knows its visit.
func TestAJobOverTwoVisits(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	first := w.visit(0, visits.Doing{TaskID: w.task, Method: "lay"})
	ways, err := record.Ways(ctx, w.db, w.tom, record.NewRecord{TaskID: &w.task})
	if err != nil || len(ways) != 2 || ways[0].Code != "lay" || ways[1].Code != "strip" {
		t.Errorf("the ways are %v, %v", ways, err)
	}
	c := w.open(record.NewRecord{TaskID: &w.task})
	if c.VisitID == nil || *c.VisitID != first || c.Method != "lay" || c.People != 3 {
		t.Fatalf("opened as the visit says: %+v", c.Head)
	}
	w.take(w.tom, c, "kept", tick(c, "BLK-IN 1", 1))
	version := 1
	told := func(visit uuid.UUID) {
		do(w, func(tx *gorm.DB) (int, error) {
			version++
			return visits.Enter(tx, w.tom, now, visit, []visits.NewEntry{{ID: uuid.New(), Act: visits.Arrived, DoneAt: now}})
		})
	}
	told(first)
	ended := do(w, func(tx *gorm.DB) (visits.Ended, error) {
		return visits.End(tx, sys, now, first, version, visits.Ending{Reason: "part_missing", Why: "no shaft on the van",
			Next: &visits.New{Hours: visits.Hours{On: calendar.DateOf(now) + 2, Starts: "06:00", Minutes: 240}}})
	})
	if c = w.card(c.ID); c.State != "open" || *c.VisitID != first || len(c.Entries) != 1 {
		t.Fatalf("between the visits %+v", c.Head)
	}
	told(*ended.NextID)
	// the visit that goes on has it on its list before anybody has declared anything there
	if all, err := record.Cards(ctx, w.db, w.tom, record.Filter{VisitID: ended.NextID}, record.Page{Limit: 9}); err != nil || len(all) != 1 || all[0].ID != c.ID {
		t.Errorf("on the next visit there are %v, %v", all, err)
	}
	c = w.card(c.ID)
	w.take(w.tom, c, "kept", tick(c, "J01 1", 20, value("spacers_count", "3")))
	late := tick(c, "J01 2", 21)
	late.VisitID = &first
	w.take(w.tom, c, "kept", late)
	nowhere := tick(c, "J01 2", 22)
	nowhere.VisitID = new(uuid.New())
	pgtest.Refused(t, "of no visit", w.take(w.tom, c, "refused", nowhere)[0].Fault, fault.Invalid, "items[0].visit_id", "no visit to this site")
	c = w.card(c.ID)
	if *c.VisitID != *ended.NextID || *c.Entries[0].VisitID != first || *c.Entries[1].VisitID != *ended.NextID || *c.Entries[2].VisitID != first {
		t.Errorf("the entries are of %v, %v, %v", c.Entries[0].VisitID, c.Entries[1].VisitID, c.Entries[2].VisitID)
	}
	for _, v := range []uuid.UUID{first, *ended.NextID} {
		if all, err := record.Cards(ctx, w.db, w.tom, record.Filter{VisitID: &v}, record.Page{Limit: 9}); err != nil || len(all) != 1 || all[0].ID != c.ID {
			t.Errorf("on visit %v there are %v, %v", v, all, err)
		}
	}
}

// A task that came without a procedure is done by the one that is chosen for it.
func TestATaskWithoutStepsIsDoneByAProcedure(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	task := do(w, func(tx *gorm.DB) (uuid.UUID, error) {
		return pm.RaiseTask(tx, sys, now, pm.NewTask{SiteID: &w.site.ID, PositionID: &w.left.ID, Title: "Grinds when it starts", Criticality: "B", DueOn: calendar.DateOf(now)})
	})
	_, err := record.Open(ctx, w.db, w.tom, now, w.req(), record.NewRecord{TaskID: &task})
	pgtest.Refused(t, "by none", err, fault.Invalid, "procedure", "without steps")
	c := w.open(record.NewRecord{TaskID: &task, Procedure: "J01"})
	if c.Checks["AMPS"].Unit != "A" || c.Checks["AMPS"].Kind != "number" {
		t.Errorf("the checks are %+v", c.Checks)
	}
	w.work(c)
	s, err := record.SignOff(ctx, w.db, w.tom, now, w.req(), c.ID, record.Signing{HandedTo: "Pat"})
	if err != nil || len(s.Done) != 1 || s.Done[0].TaskID == nil || *s.Done[0].TaskID != task {
		t.Fatalf("signed %+v, %v", s, err)
	}
}

func TestEntriesThatSayNothingAreRefusedByThemselves(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	c := w.open(record.NewRecord{TaskID: &w.task})
	good := tick(c, "BLK-IN 1", 1)
	far := 500 * 24 * time.Hour
	of := func(act string, s record.Said) func(*record.NewEntry) {
		return func(e *record.NewEntry) { e.Act, e.Outcome, e.StepID, e.Said = act, "", nil, s }
	}
	some := new(uuid.New())
	for _, x := range []struct {
		field  string
		change func(*record.NewEntry)
	}{
		{"id", func(e *record.NewEntry) { e.ID = uuid.Nil }},
		{"act", func(e *record.NewEntry) { e.Act = "danced" }},
		{"done_at", func(e *record.NewEntry) { e.DoneAt = time.Time{} }},
		{"offset_ms", func(e *record.NewEntry) { e.Offset = &far }},
		{"outcome", func(e *record.NewEntry) { e.Act = record.Note }},
		{"outcome", func(e *record.NewEntry) { e.Outcome = "fine" }},
		{"note", func(e *record.NewEntry) { e.Outcome = record.NotOK }},
		{"step_id", func(e *record.NewEntry) { e.StepID = nil }},
		{"step_id", func(e *record.NewEntry) { e.StepID = some }},
		{"others[0].name", func(e *record.NewEntry) { e.Others = []record.Helper{{}} }},
		{"said.values.weather", value("weather", "fair")},
		{"said.values.direction_seen", func(e *record.NewEntry) { *e = tick(c, "BLK-ROT 3", 3, value(record.DirectionSeen, "left")) }},
		{"said.values.links_set", func(e *record.NewEntry) { *e = tick(c, "J01 7", 3, value(record.LinksSet, "middle")) }},
		{"said.values.spacers_count", func(e *record.NewEntry) { *e = tick(c, "J01 1", 3, value(record.SpacersCount, "some")) }},
		{"said.values.spacers_count", func(e *record.NewEntry) { *e = tick(c, "J01 1", 3, value(record.SpacersCount, "21")) }},
		{"visit_id", func(e *record.NewEntry) { e.VisitID = some }},
		{"said.check", of(record.OfCheck, record.Said{})},
		{"said.meter_id", of(record.Reading, record.Said{Value: "1"})},
		{"said.value", of(record.Reading, record.Said{MeterID: some})},
		{"said.meter_id", of(record.Reading, record.Said{MeterID: some, Value: "1"})},
		{"said.value", of(record.Reading, record.Said{MeterID: &w.hours.ID, Value: "1234,5"})},
		{"said.value", of(record.Reading, record.Said{MeterID: &w.hours.ID, Value: "123456"})}, // of five wheels
		{"said.unit", of(record.Reading, record.Said{MeterID: &w.hours.ID, Value: "1", Unit: "vehicles"})},
		{"said.slot_id", of(record.Swap, record.Said{})},
		{"said.reason", of(record.Swap, record.Said{SlotID: some})},
		{"said.to", of(record.Swap, record.Said{SlotID: some, Reason: "failed"})},
		{"said.from", of(record.Swap, record.Said{SlotID: some, Reason: "failed", To: some, In: some})},
		{"said.part_id", of(record.PartMove, record.Said{})},
		{"said.did", of(record.PartMove, record.Said{PartID: some})},
		{"said.from", of(record.PartMove, record.Said{PartID: some, Did: "used"})},
		{"said.amount", of(record.PartMove, record.Said{PartID: some, Did: "used", From: some, Amount: "much"})},
		{"said.amount", of(record.PartMove, record.Said{PartID: some, Did: "used", From: some, Amount: "0"})},
		{"said.leads", of(record.Exchange, record.Said{})},
		{"said.where", of(record.Exchange, record.Said{Leads: "L1-L2"})},
		{"note", of(record.Note, record.Said{})},
	} {
		bad := tick(c, "BLK-IN 1", 2)
		x.change(&bad)
		taken, err := record.Take(ctx, w.db, w.tom, now, c.ID, []record.NewEntry{bad, good})
		if err != nil || taken[0].State != "refused" || taken[0].Fault.Field != "items[0]."+x.field || taken[0].Fault.Msg == "" || taken[1].State == "refused" {
			t.Errorf("%s: %+v %v, %v", x.field, taken, taken[0].Fault, err)
		}
	}
	if c = w.card(c.ID); len(c.Entries) != 1 {
		t.Errorf("of all that %d entries are there", len(c.Entries))
	}
	other := good
	other.Outcome, other.Note = record.NotPossible, "x"
	taken := w.take(w.tom, c, "refused", other)
	pgtest.Refused(t, "an id used again", taken[0].Fault, fault.Conflict, "items[0].id", "")
	_, err := record.Take(ctx, w.db, w.tom, now, c.ID, make([]record.NewEntry, record.MostEntries+1))
	pgtest.Refused(t, "too many", err, fault.Invalid, "items", "")
	_, err = record.Take(ctx, w.db, w.tom, now, uuid.New(), nil)
	pgtest.Refused(t, "on no card", err, fault.NotFound, "", "")
}

// What arrives a second time is the same entry, also where the server stamps its time and
// where the phone's clock ran ahead when it first came; what says something else is not.
func TestAnEntrySentAgainIsTheSame(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	c := w.open(record.NewRecord{TaskID: &w.task})
	send := func(at time.Time, want string, e record.NewEntry) record.Taken {
		t.Helper()
		taken, err := record.Take(ctx, w.db, w.tom, at, c.ID, []record.NewEntry{e})
		if err != nil || taken[0].State != want {
			t.Fatalf("it was %+v, %v, want %s", taken, err, want)
		}
		return taken[0]
	}
	later := now.Add(time.Minute)
	e := tick(c, "BLK-IN 1", 1, func(e *record.NewEntry) { e.DoneAt, e.Stamped = now, true })
	send(now, "kept", e)
	e.DoneAt = later
	send(later, "already", e)
	other := e
	other.Note = "the staff were told as well"
	pgtest.Refused(t, "with a remark", send(later, "refused", other).Fault, fault.Conflict, "items[0].id", "another entry")
	other = e
	other.Others = []record.Helper{{Name: "Sam"}}
	send(later, "refused", other)
	other = e
	other.For = "Sam"
	send(later, "refused", other)
	told := record.NewEntry{ID: uuid.New(), Act: record.Note, Note: "seal weeps", For: "Sam", DoneAt: now}
	send(now, "kept", told)
	send(later, "already", told)
	told.For = "Lou"
	send(later, "refused", told)
	e.Stamped = false
	send(later, "refused", e)
	ahead := record.NewEntry{ID: uuid.New(), Act: record.Note, Note: "seal weeps", DoneAt: now.Add(5 * time.Minute)}
	if got := send(now, "kept", ahead); len(got.Marks) != 1 || got.Marks[0].Code != "clock" {
		t.Errorf("marked are %+v", got.Marks)
	}
	send(now.Add(10*time.Minute), "already", ahead)
	if c = w.card(c.ID); len(c.Entries) != 3 {
		t.Errorf("%d entries are there", len(c.Entries))
	}
}

// A reading that cannot be booked any more, since its counter was another by then, stands
// in the way and is not lost without a word.
func TestAReadingThatCannotBeBookedStopsTheSigning(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	c := w.open(record.NewRecord{TaskID: &w.task})
	w.work(c)
	do(w, func(tx *gorm.DB) ([]meters.Run, error) {
		return meters.Joined(tx, sys, now, w.hours.ID, meters.Join{At: minute(1), How: "replaced", OldLast: "0", NewFirst: "0", Counter: meters.Counter{Digits: new(3), Decimals: 1}, Reason: "glass broken"})
	})
	sign := func() error {
		_, err := record.SignOff(ctx, w.db, w.tom, now, w.req(), c.ID, record.Signing{HandedTo: "Pat"})
		return err
	}
	entry := ""
	for _, e := range w.card(c.ID).Entries {
		if e.Act == record.Reading {
			entry = "entries." + e.ID.String()
		}
	}
	pgtest.Refused(t, "a value beyond the counter", sign(), fault.Invalid, entry, "the reading 1234.5 of UMB-1/H-L must lie below")
	if c = w.card(c.ID); c.State != "open" {
		t.Errorf("it is %s", c.State)
	}
	// with the counter put right it is booked
	do(w, func(tx *gorm.DB) ([]meters.Run, error) {
		return meters.Joined(tx, sys, now, w.hours.ID, meters.Join{At: minute(2), How: "replaced", OldLast: "0", NewFirst: "1234.5", Counter: meters.Counter{Digits: new(5), Decimals: 1}, Reason: "it was the other one"})
	})
	if err := sign(); err != nil {
		t.Error(err)
	}
}

// Two phones at once, each three times: every entry is there once, and the step that
// both answered is marked.
func TestTwoPhonesAtOnceLoseNothing(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	c := w.open(record.NewRecord{TaskID: &w.task})
	entries := map[string][]record.NewEntry{"Tom": {tick(c, "BLK-IN 1", 1), tick(c, "J01 1", 20)}, "Lidia": {tick(c, "BLK-IN 1", 2), tick(c, "J01 6", 21)}}
	entries["Lidia"][1] = tick(c, "BLK-OUT 2", 30)
	var all sync.WaitGroup
	faults := make(chan error, 6)
	for range 3 {
		for _, who := range []access.Actor{w.tom, w.lidia} {
			all.Go(func() {
				_, err := record.Take(ctx, w.db, who, now, c.ID, entries[who.Name])
				faults <- err
			})
		}
	}
	all.Wait()
	close(faults)
	for err := range faults {
		if err != nil {
			t.Error(err)
		}
	}
	c = w.card(c.ID)
	if len(c.Entries) != 4 || !slices.ContainsFunc(c.Marks, func(m record.Mark) bool { return m.Code == "two_phones" }) {
		t.Errorf("there are %d entries with %+v", len(c.Entries), c.Marks)
	}
}

// Two who sign at once: one completes, the other is told.
func TestOfTwoWhoSignAtOnceOneCompletes(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	c := w.open(record.NewRecord{TaskID: &w.task})
	w.work(c)
	var all sync.WaitGroup
	faults := make(chan error, 4)
	for i := range 4 {
		all.Go(func() {
			_, err := record.SignOff(ctx, w.db, w.tom, now, pgdb.Request{Key: fmt.Sprint("s", i), Act: "sign"}, c.ID, record.Signing{})
			faults <- err
		})
	}
	all.Wait()
	close(faults)
	well := 0
	for err := range faults {
		if err == nil {
			well++
		} else if k := fault.KindOf(err); k != fault.Conflict {
			t.Errorf("the other was told %v", err)
		}
	}
	if n := w.count(`select count(*)::int as n from completion where covered_by is null`, nil); well != 1 || n != 1 {
		t.Errorf("%d signed, and there are %d completions", well, n)
	}
}

// Every function by who may not: a card is for those of the distributor who work or plan.
func TestOthersReachNoCard(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	c := w.open(record.NewRecord{TaskID: &w.task})
	pretender := w.olga
	pretender.Capabilities, pretender.Everywhere = sys.Capabilities, true
	for name, fn := range map[string]func(who access.Actor) error{
		"Open": func(who access.Actor) error {
			_, err := record.Open(ctx, w.db, who, now, w.req(), record.NewRecord{Procedure: "J04", PositionID: &w.left.ID})
			return err
		},
		"Add": func(who access.Actor) error {
			_, err := record.Add(ctx, w.db, who, now, w.req(), c.ID, record.Addition{Procedure: "J04", Why: "x"})
			return err
		},
		"Take": func(who access.Actor) error {
			_, err := record.Take(ctx, w.db, who, now, c.ID, []record.NewEntry{tick(c, "BLK-IN 1", 1)})
			return err
		},
		"LookInto": func(who access.Actor) error {
			return record.LookInto(ctx, w.db, who, now, c.ID, []isolation.NewLook{{EntryID: uuid.New(), Mark: "late", Remark: "x"}})
		},
		"SignOff": func(who access.Actor) error {
			_, err := record.SignOff(ctx, w.db, who, now, w.req(), c.ID, record.Signing{})
			return err
		},
		"Abandon": func(who access.Actor) error {
			return w.db.InTx(ctx, who.ID, func(tx *gorm.DB) error { return record.Abandon(tx, who, now, c.ID, c.Version, "x") })
		},
		"One": func(who access.Actor) error {
			_, err := record.One(ctx, w.db, who, now, c.ID)
			return err
		},
	} {
		for _, who := range []access.Actor{w.olga, pretender} {
			err := fn(who)
			if k := fault.KindOf(err); err == nil || k != fault.Forbidden && k != fault.NotFound {
				t.Errorf("%s as an owner: %v", name, err)
			}
		}
	}
	for _, who := range []access.Actor{w.olga, pretender} {
		if all, err := record.Cards(ctx, w.db, who, record.Filter{}, record.Page{Limit: 9}); err != nil || len(all) != 0 {
			t.Errorf("an owner lists %v, %v", all, err)
		}
	}
	if after := w.card(c.ID); after.Version != c.Version || len(after.Entries) != 0 || after.State != "open" {
		t.Errorf("the card has changed: %+v", after.Head)
	}
}
