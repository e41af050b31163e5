package failure_test

import (
	"context"
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgtest"
	"spindlebook/internal/pm/failure"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

var (
	ctx = context.Background()
	// past, whatever the clock of the machine says: what is true now asks the database's clock
	now   = time.Date(2025, 6, 10, 9, 0, 0, 0, time.UTC)
	began = now.AddDate(-1, 0, 0)
	sys   = access.System
)

func must[T any](it T, err error) func(t testing.TB) T {
	return func(t testing.TB) T {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return it
	}
}

func at(hours float64) *time.Time {
	it := now.Add(time.Duration(hours * float64(time.Hour)))
	return &it
}

// place is a customer with a site, a line and a brush with a hub in it.
type place struct {
	customer assets.Customer
	site     assets.Site
	line     assets.Line
	brush    assets.Position
	hub      assets.Unit
}

type world struct {
	db          *pgdb.DB
	ours, other place
	manager     access.Actor
	technician  access.Actor
	owner       access.Actor // of ours
	staff       access.Actor
	clerk       access.Actor
}

func newWorld(t testing.TB) world {
	t.Helper()
	w := world{db: pgtest.New(t)}
	part := pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (assets.Part, error) {
		return assets.AddPart(tx, sys, now, assets.PartEdit{Number: "MW-20001", Description: "Hub", Class: "hub"})
	})
	for code, p := range map[string]*place{"UMB": &w.ours, "THO": &w.other} {
		p.customer = pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (assets.Customer, error) {
			return assets.AddCustomer(tx, sys, now, assets.CustomerEdit{Code: code + "C", Name: code + " Washes"})
		})
		p.site = pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (assets.Site, error) {
			return assets.AddSite(tx, sys, now, p.customer.ID, &began, assets.SiteEdit{Code: code, Name: code, Zone: "America/Chicago", Currency: "USD", Climate: "snowbelt", Size: "medium", DriverSide: "left"})
		})
		p.line = pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (assets.Line, error) {
			return assets.AddLine(tx, sys, now, p.site.ID, &began, assets.LineEdit{Code: code + "-1"})
		})
		p.brush = pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (assets.Position, error) {
			return assets.AddPosition(tx, sys, now, assets.NewPosition{SiteID: p.site.ID, From: &began,
				PositionEdit: assets.PositionEdit{LineID: &p.line.ID, Code: code + "-1/SBL-L", Name: "Low side brush", Kind: "side_brush_low", LineSide: "left"}})
		})
		p.hub = pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (assets.Unit, error) {
			u, err := assets.AddUnit(tx, sys, now, assets.NewUnit{UnitEdit: assets.UnitEdit{PartID: part.ID}})
			if err != nil {
				return u, err
			}
			slot, err := pgdb.ID(tx, `select id from slot where position_id = ? and class = 'hub'`, p.brush.ID)
			if err == nil {
				_, err = assets.Put(tx, sys, now, assets.Putting{UnitID: u.ID, Place: assets.Place{SlotID: &slot}, From: at(-2400)})
			}
			return u, err
		})
	}
	w.manager = w.person(t, "manager", access.NewGrant{Role: "manager"})
	w.technician = w.person(t, "technician", access.NewGrant{Role: "technician"})
	w.clerk = w.person(t, "parts_clerk", access.NewGrant{Role: "parts_clerk"})
	w.owner = w.person(t, "owner", access.NewGrant{Role: "owner", CustomerID: &w.ours.customer.ID})
	w.staff = w.person(t, "staff", access.NewGrant{Role: "site_staff", CustomerID: &w.ours.customer.ID, SiteID: &w.ours.site.ID})
	return w
}

func (w world) person(t testing.TB, login string, grants ...access.NewGrant) access.Actor {
	t.Helper()
	p := pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (access.Account, error) {
		return access.AddPerson(tx, sys, now, access.NewPerson{Name: login, Login: login + "@example.org", CustomerID: grants[0].CustomerID, Grants: grants})
	})
	who, _, err := access.Load(ctx, w.db, p.ID)
	if err != nil {
		t.Fatal(err)
	}
	return who
}

// told is a report about the brush of a place.
func told(p place, change func(*failure.New)) failure.New {
	in := failure.New{SiteID: p.site.ID, PositionID: &p.brush.ID,
		Edit: failure.Edit{Says: "The brush stands still", Detected: "operator", Before: "up", LineEffect: "parked", Payer: "not_said"}}
	if change != nil {
		change(&in)
	}
	return in
}

func (w world) add(who access.Actor, in failure.New) (failure.Fault, error) {
	return pgtest.Write(w.db, who, func(tx *gorm.DB) (failure.Fault, error) { return failure.Add(tx, who, now, in) })
}

func (w world) tasks(t testing.TB, f failure.Fault) (all []string) {
	t.Helper()
	for _, task := range must(failure.Tasks(ctx, w.db, sys, f.ID))(t) {
		all = append(all, task.Why+" "+task.State+" "+task.DueOn)
	}
	return all
}

// A fault taken down by telephone for the caller is read back as it was told, and
// raises work.
func TestAFaultIsTakenDownForTheCaller(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	in := told(w.ours, func(in *failure.New) {
		in.NoticedAt, in.ReportedAt, in.StoppedAt = at(-3), at(-1), at(-2)
		in.Caller, in.Mode, in.UnitID = "Gil Moor, shift lead", "FM-008", &w.ours.hub.ID
		lost := 12
		in.VehiclesLost = &lost
	})
	f, err := w.add(w.technician, in)
	if err != nil {
		t.Fatal(err)
	}
	got := must(failure.One(ctx, w.db, sys, f.ID))(t)
	if got.Number != 1 || got.Caller != "Gil Moor, shift lead" || got.CreatedBy != "technician" || *got.LineID != w.ours.line.ID || *got.UnitTag != w.ours.hub.Tag ||
		!got.NoticedAt.Equal(*at(-3)) || !got.ReportedAt.Equal(*at(-1)) || !got.StoppedAt.Equal(*at(-2)) || got.RestoredAt != nil || *got.VehiclesLost != 12 || got.State() != "open" {
		t.Errorf("read %+v", got)
	}
	if got.Last == nil || *got.Last.Mode != "FM-008" || *got.Last.ModeName != "Clamp hub: screws have lost tension" || got.Last.Mechanism != "looseness" || got.Last.Cause != "unknown" || got.Last.By != "technician" {
		t.Errorf("found %+v", got.Last)
	}
	if want := []string{"corrective open 2025-06-17"}; !slices.Equal(w.tasks(t, f), want) {
		t.Errorf("work %v", w.tasks(t, f))
	}
	if list := must(failure.Findings(ctx, w.db, w.owner, f.ID))(t); len(list) != 1 {
		t.Errorf("findings %+v", list)
	}
	if got.Lasted(now) != 3*time.Hour || got.Stood(now) != 2*time.Hour {
		t.Errorf("lasted %v, stood %v", got.Lasted(now), got.Stood(now))
	}
}

// How soon the work is due follows what the fault does (common practice, no source).
func TestWorkIsRaisedAsItIsUrgent(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	for _, c := range []struct {
		effect string
		danger bool
		want   string
	}{{"none", true, "S 2025-06-10"}, {"down", false, "A 2025-06-10"}, {"degraded", false, "B 2025-06-13"}, {"parked", false, "B 2025-06-17"}, {"none", false, "C 2025-07-10"}} {
		f, err := w.add(w.staff, told(w.ours, func(in *failure.New) { in.LineEffect, in.Danger = c.effect, c.danger }))
		if err != nil {
			t.Fatal(err)
		}
		var got []string
		err = w.db.InTx(ctx, sys.ID, func(tx *gorm.DB) error {
			return tx.Raw(`select criticality || ' ' || due_on from task where id in (select task_id from failure_task where failure_id = ?) and origin = 'fault' and earliest_on = '2025-06-10' and latest_on = due_on`, f.ID).Scan(&got).Error
		})
		if err != nil || !slices.Equal(got, []string{c.want}) {
			t.Errorf("%s, danger %v: %v %v", c.effect, c.danger, got, err)
		}
	}
	// what runs again needs no work
	f, err := w.add(w.staff, told(w.ours, func(in *failure.New) { in.StoppedAt, in.RestoredAt = at(-2), at(-1) }))
	if err != nil || len(w.tasks(t, f)) != 0 || f.State() != "restored" || f.Stood(now) != time.Hour {
		t.Errorf("%v, work %v, %s", err, w.tasks(t, f), f.State())
	}
}

// Each of the four times may be unknown. Those that are known stand in order, as
// far as there is one: a brush may stand before anybody notices, and be reported
// after it runs again.
func TestTheFourTimes(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	for _, times := range [][4]*time.Time{{}, {at(-4), at(-3), at(-2), at(-1)}, {at(-3), at(-2), at(-4), nil}, {at(-4), at(0), at(-3), at(-2)}, {at(-1), at(-1), at(-1), at(-1)}, {nil, nil, nil, at(-1)}, {at(-1), at(.05), nil, nil}} {
		if _, err := w.add(w.staff, told(w.ours, func(in *failure.New) {
			in.NoticedAt, in.ReportedAt, in.StoppedAt, in.RestoredAt = times[0], times[1], times[2], times[3]
		})); err != nil {
			t.Errorf("%v: %v", times, err)
		}
	}
	for field, times := range map[string][4]*time.Time{
		"reported_at": {at(-1), at(-2), nil, nil},
		"restored_at": {nil, at(-1), at(-2), at(-3)},
		"noticed_at":  {at(1), at(1), nil, nil},
		"stopped_at":  {nil, nil, at(-24 * 366 * 20), nil},
	} {
		_, err := w.add(w.staff, told(w.ours, func(in *failure.New) {
			in.NoticedAt, in.ReportedAt, in.StoppedAt, in.RestoredAt = times[0], times[1], times[2], times[3]
		}))
		if field == "noticed_at" { // both lie ahead
			f, ok := errors.AsType[*fault.Error](err)
			if !ok || len(f.Parts) != 2 || f.Parts[0].Field != field {
				t.Errorf("%v", err)
			}
			continue
		}
		pgtest.Refused(t, field, err, fault.Invalid, field)
	}
	_, err := w.add(w.staff, told(w.ours, func(in *failure.New) { in.NoticedAt, in.RestoredAt = at(-1), at(-2) }))
	pgtest.Refused(t, "restored before it was noticed", err, fault.Invalid, "restored_at")
	if all := must(failure.List(ctx, w.db, sys, failure.Filter{}, access.Page{Limit: 50}))(t); len(all) != 7 {
		t.Errorf("%d faults are kept", len(all))
	}
}

func TestBadReportsNameTheirField(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	elsewhere := must(w.add(sys, told(w.other, nil)))(t)
	for field, change := range map[string]func(*failure.New){
		"says":          func(in *failure.New) { in.Says = "  " },
		"detected":      func(in *failure.New) { in.Detected = "dream" },
		"before":        func(in *failure.New) { in.Before = "" },
		"line_effect":   func(in *failure.New) { in.LineEffect = "awful" },
		"payer":         func(in *failure.New) { in.Payer = "me" },
		"caller":        func(in *failure.New) { in.Caller = strings.Repeat("x", 201) },
		"vehicles_lost": func(in *failure.New) { lost := -1; in.VehiclesLost = &lost },
		"remedy":        func(in *failure.New) { in.Remedy = strings.Repeat("x", 2001) },
		"mode":          func(in *failure.New) { in.Mode = "FM-999" },
		"position_id":   func(in *failure.New) { in.PositionID = &w.other.brush.ID },
		"line_id":       func(in *failure.New) { in.LineID = &w.other.line.ID },
		"unit_id":       func(in *failure.New) { in.UnitID = &w.other.hub.ID },
		"caused_by_id":  func(in *failure.New) { in.CausedByID = &elsewhere.ID },
	} {
		_, err := w.add(sys, told(w.ours, change))
		pgtest.Refused(t, field, err, fault.Invalid, field)
	}
	_, err := w.add(sys, told(w.ours, func(in *failure.New) { in.PositionID, in.UnitID = nil, &w.ours.hub.ID }))
	pgtest.Refused(t, "a unit without its place", err, fault.Invalid, "unit_id")
	_, err = w.add(sys, told(w.ours, func(in *failure.New) { in.SiteID, in.PositionID = uuid.New(), nil }))
	pgtest.Refused(t, "no site", err, fault.Invalid, "site_id")
	if all := must(failure.List(ctx, w.db, sys, failure.Filter{SiteID: &w.ours.site.ID}, access.Page{Limit: 50}))(t); len(all) != 0 {
		t.Errorf("%d faults were left behind", len(all))
	}
}

// What was thought before stays and says who thought it; the last counts.
func TestFindingsAreRevisedAndAllKept(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	f := must(w.add(w.staff, told(w.ours, nil)))(t)
	if f.Last != nil {
		t.Errorf("nobody has looked and yet %+v", f.Last)
	}
	find := func(who access.Actor, at time.Time, in failure.NewFinding) (failure.Fault, error) {
		return pgtest.Write(w.db, who, func(tx *gorm.DB) (failure.Fault, error) { return failure.Find(tx, who, at, f.ID, in) })
	}
	must(find(w.staff, now, failure.NewFinding{Mode: "FM-025", Mechanism: "electrical", Cause: "unknown"}))(t)
	got := must(find(w.technician, now.Add(time.Hour), failure.NewFinding{Mode: "FM-019", Mechanism: "blockage", Cause: "installation", Note: "its transport plug was left in"}))(t)
	if *got.Last.Mode != "FM-019" || got.Last.Cause != "installation" {
		t.Errorf("counts %+v", got.Last)
	}
	all := must(failure.Findings(ctx, w.db, w.owner, f.ID))(t)
	if len(all) != 2 || all[0].By != "technician" || all[1].By != "staff" || *all[1].Mode != "FM-025" || !all[1].At.Equal(now) {
		t.Errorf("kept %+v", all)
	}
	// nothing found is an answer too
	if got := must(find(w.technician, now.Add(2*time.Hour), failure.NewFinding{Mechanism: "no_fault_found", Cause: "no_cause_found"}))(t); got.Last.Mode != nil || got.Last.Mechanism != "no_fault_found" {
		t.Errorf("counts %+v", got.Last)
	}
	_, err := find(w.technician, now, failure.NewFinding{Mechanism: "magic", Cause: "unknown"})
	pgtest.Refused(t, "a mechanism that is none", err, fault.Invalid, "mechanism")
	_, err = find(w.technician, now, failure.NewFinding{Mechanism: "wear", Cause: "fate"})
	pgtest.Refused(t, "a cause that is none", err, fault.Invalid, "cause")
	_, err = find(w.clerk, now, failure.NewFinding{Mechanism: "wear", Cause: "unknown"})
	pgtest.Refused(t, "a clerk", err, fault.Forbidden, "")
}

func TestWhatIsBetterKnownIsSaid(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	first := must(w.add(w.staff, told(w.ours, nil)))(t)
	f := must(w.add(w.staff, told(w.ours, nil)))(t)
	sayAs := func(who access.Actor, f failure.Fault, version int, in failure.Edit) (failure.Fault, error) {
		return pgtest.Write(w.db, who, func(tx *gorm.DB) (failure.Fault, error) {
			return failure.Say(tx, who, now.Add(time.Hour), f.ID, version, in)
		})
	}
	say := func(version int, in failure.Edit) (failure.Fault, error) { return sayAs(w.technician, f, version, in) }
	// who pays, and that a danger is over, the site's own staff do not say; that it runs they do
	own := first.Edit
	own.Payer = "supplier"
	_, err := sayAs(w.staff, first, first.Version, own)
	pgtest.Refused(t, "staff who say who pays", err, fault.Forbidden, "payer")
	own = first.Edit
	own.Danger = true
	grave := must(sayAs(w.staff, first, first.Version, own))(t)
	own.RestoredAt = at(0.5)
	_, err = sayAs(w.staff, first, grave.Version, own)
	pgtest.Refused(t, "staff who say that a danger is over", err, fault.Forbidden, "restored_at")
	own.RestoredAt, own.Danger = nil, false
	_, err = sayAs(w.staff, first, grave.Version, own)
	pgtest.Refused(t, "staff who say that it is none", err, fault.Forbidden, "danger")
	_, err = pgtest.Write(w.db, w.staff, func(tx *gorm.DB) (failure.Fault, error) {
		return failure.Withdraw(tx, w.staff, now.Add(time.Hour), first.ID, "it was nothing")
	})
	pgtest.Refused(t, "staff who take a danger back", err, fault.Forbidden, "danger")
	_, err = w.add(w.staff, told(w.ours, func(n *failure.New) { n.Payer = "supplier" }))
	pgtest.Refused(t, "staff who report it and say who pays", err, fault.Forbidden, "payer")
	own.RestoredAt, own.Danger = at(0.5), true
	if over := must(sayAs(w.technician, first, grave.Version, own))(t); over.State() != "restored" {
		t.Errorf("a technician says that it is over, and it is %s", over.State())
	}
	in := f.Edit
	in.StoppedAt, in.RestoredAt, in.Payer, in.Remedy, in.CausedByID = at(-2), at(0.5), "customer", "fuses renewed", &first.ID
	got := must(say(f.Version, in))(t)
	if got.Version != f.Version+1 || got.Payer != "customer" || got.Remedy != "fuses renewed" || *got.CausedByID != first.ID || got.Stood(now) != 150*time.Minute || got.State() != "restored" {
		t.Errorf("said %+v", got)
	}
	_, err = say(f.Version, in)
	pgtest.Refused(t, "an old version", err, fault.Stale, "If-Match")
	in.CausedByID = &f.ID
	_, err = say(got.Version, in)
	pgtest.Refused(t, "its own cause", err, fault.Invalid, "caused_by_id")
	in = got.Edit
	in.RestoredAt = at(-3)
	_, err = say(got.Version, in)
	pgtest.Refused(t, "restored before stopped", err, fault.Invalid, "restored_at")
	in.RestoredAt = at(30)
	_, err = say(got.Version, in)
	pgtest.Refused(t, "restored tomorrow", err, fault.Invalid, "restored_at")
}

// A temporary fix restores the brush and raises the work that makes it last, by a
// date; nothing holds by tape where somebody can be hurt.
func TestATemporaryFixIsMadeLastingByADate(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	f := must(w.add(w.staff, told(w.ours, nil)))(t)
	hold := func(who access.Actor, id uuid.UUID, says, until string) (failure.Fault, error) {
		return pgtest.Write(w.db, who, func(tx *gorm.DB) (failure.Fault, error) {
			return failure.HoldUntil(tx, who, now.Add(time.Hour), id, says, until)
		})
	}
	got := must(hold(w.technician, f.ID, "cap held by a strap", "2025-06-24"))(t)
	if got.State() != "held" || *got.Temporary != "cap held by a strap" || *got.Until != "2025-06-24" || !got.RestoredAt.Equal(now.Add(time.Hour)) || got.Version != f.Version+1 {
		t.Errorf("held %+v", got)
	}
	if want := []string{"corrective cancelled 2025-06-17", "follow_up open 2025-06-24"}; !slices.Equal(w.tasks(t, f), want) {
		t.Errorf("work %v", w.tasks(t, f))
	}
	for field, c := range map[string][2]string{"until": {"strap", "2025-06-09"}, "says": {" ", "2025-06-24"}} {
		_, err := hold(w.technician, f.ID, c[0], c[1])
		pgtest.Refused(t, field, err, fault.Invalid, field)
	}
	for _, until := range []string{"soon", "2026-06-12"} {
		_, err := hold(w.technician, f.ID, "strap", until)
		pgtest.Refused(t, until, err, fault.Invalid, "until")
	}
	grave := must(w.add(w.staff, told(w.ours, func(in *failure.New) { in.Danger = true })))(t)
	_, err := hold(w.technician, grave.ID, "strap", "2025-06-24")
	pgtest.Refused(t, "somebody can be hurt", err, fault.Invalid, "until")
}

// What was reported in error stays visible with the reason, and its work ends.
func TestAFaultIsWithdrawn(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	f := must(w.add(w.staff, told(w.ours, nil)))(t)
	withdraw := func(why string) (failure.Fault, error) {
		return pgtest.Write(w.db, w.staff, func(tx *gorm.DB) (failure.Fault, error) { return failure.Withdraw(tx, w.staff, now, f.ID, why) })
	}
	_, err := withdraw(" ")
	pgtest.Refused(t, "without a reason", err, fault.Invalid, "reason")
	got := must(withdraw("the other brush"))(t)
	if got.State() != "withdrawn" || *got.WithdrawnWhy != "the other brush" || got.Lasted(now.Add(time.Hour)) != 0 || got.Stood(now) != 0 {
		t.Errorf("withdrawn %+v", got)
	}
	if want := []string{"corrective cancelled 2025-06-17"}; !slices.Equal(w.tasks(t, f), want) {
		t.Errorf("work %v", w.tasks(t, f))
	}
	_, err = withdraw("again")
	pgtest.Refused(t, "twice", err, fault.Conflict, "")
	_, err = pgtest.Write(w.db, w.staff, func(tx *gorm.DB) (failure.Fault, error) {
		return failure.Say(tx, w.staff, now, f.ID, got.Version, got.Edit)
	})
	pgtest.Refused(t, "edited afterwards", err, fault.Conflict, "")
}

// Owners and site staff report and see at their sites in their time; nobody sees
// another customer's faults, by any function.
func TestAnOwnerSeesTheOwnFaultsOnly(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	own := must(w.add(w.staff, told(w.ours, nil)))(t)
	foreign := must(w.add(sys, told(w.other, func(in *failure.New) { in.Mode = "FM-008" })))(t)
	for _, who := range []access.Actor{w.owner, w.staff} {
		all := must(failure.List(ctx, w.db, who, failure.Filter{}, access.Page{Limit: 50}))(t)
		if len(all) != 1 || all[0].ID != own.ID {
			t.Errorf("%s sees %+v", who.Name, all)
		}
		if all := must(failure.Standing(ctx, w.db, who, failure.Filter{}, 50))(t); len(all) != 1 || all[0].ID != own.ID {
			t.Errorf("of what stands %s sees %+v", who.Name, all)
		}
		_, err := failure.One(ctx, w.db, who, foreign.ID)
		pgtest.Refused(t, who.Name, err, fault.NotFound, "")
		if list := must(failure.Findings(ctx, w.db, who, foreign.ID))(t); len(list) != 0 {
			t.Errorf("%s reads findings %v", who.Name, list)
		}
		if list := must(failure.Tasks(ctx, w.db, who, foreign.ID))(t); len(list) != 0 {
			t.Errorf("%s reads tasks %v", who.Name, list)
		}
		if list := must(failure.Tasks(ctx, w.db, who, own.ID))(t); len(list) != 1 {
			t.Errorf("%s reads the own tasks %v", who.Name, list)
		}
		if f, err := w.add(who, told(w.other, nil)); err == nil {
			t.Errorf("%s reported at another customer's site: %+v", who.Name, f)
		}
		for what, fn := range map[string]func(tx *gorm.DB) (failure.Fault, error){
			"say": func(tx *gorm.DB) (failure.Fault, error) {
				return failure.Say(tx, who, now, foreign.ID, 1, foreign.Edit)
			},
			"find": func(tx *gorm.DB) (failure.Fault, error) {
				return failure.Find(tx, who, now, foreign.ID, failure.NewFinding{Mechanism: "wear", Cause: "unknown"})
			},
			"hold": func(tx *gorm.DB) (failure.Fault, error) {
				return failure.HoldUntil(tx, who, now, foreign.ID, "strap", "2025-06-24")
			},
			"withdraw": func(tx *gorm.DB) (failure.Fault, error) { return failure.Withdraw(tx, who, now, foreign.ID, "mine") },
		} {
			_, err := pgtest.Write(w.db, who, fn)
			pgtest.Refused(t, who.Name+" "+what, err, fault.NotFound, "")
		}
	}
	// whoever may not report may not change either
	for what, fn := range map[string]func(tx *gorm.DB) (failure.Fault, error){
		"add": func(tx *gorm.DB) (failure.Fault, error) { return failure.Add(tx, w.clerk, now, told(w.ours, nil)) },
		"say": func(tx *gorm.DB) (failure.Fault, error) { return failure.Say(tx, w.clerk, now, own.ID, 1, own.Edit) },
	} {
		_, err := pgtest.Write(w.db, w.clerk, fn)
		pgtest.Refused(t, what, err, fault.Forbidden, "")
	}
	// row-level security alone keeps a forgotten scope
	var seen []int64
	err := w.db.InTx(ctx, w.owner.ID, func(tx *gorm.DB) error { return tx.Raw(`select number from failure`).Scan(&seen).Error })
	if err != nil || !slices.Equal(seen, []int64{own.Number}) {
		t.Errorf("an unscoped query gives %v %v", seen, err)
	}
	// a sold site takes no faults of the former owner's time along
	pgtest.Done(t, w.db, sys, func(tx *gorm.DB) ([]assets.Ownership, error) {
		return assets.HandOver(tx, sys, w.ours.site.ID, w.other.customer.ID, *at(1))
	})
	heir := w.person(t, "heir", access.NewGrant{Role: "owner", CustomerID: &w.other.customer.ID})
	all := must(failure.List(ctx, w.db, heir, failure.Filter{}, access.Page{Limit: 50}))(t)
	if len(all) != 1 || all[0].ID != foreign.ID {
		t.Errorf("the new owner sees %+v", all)
	}
}

// Pages follow each other, the latest first, and filters hold.
func TestListsAreReadByPages(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	for i := range 7 {
		must(w.add(w.staff, told(w.ours, func(in *failure.New) {
			if i%2 == 1 {
				in.RestoredAt = at(0)
			}
			if i == 0 {
				in.PositionID = nil
			}
		})))(t)
	}
	var got []int64
	for after := ""; ; {
		page := must(failure.List(ctx, w.db, w.owner, failure.Filter{}, access.Page{After: after, Limit: 3}))(t)
		for _, f := range page {
			got = append(got, f.Number)
			after = string(rune('0' + f.Number))
		}
		if len(page) < 3 {
			break
		}
	}
	if !slices.Equal(got, []int64{7, 6, 5, 4, 3, 2, 1}) {
		t.Errorf("pages give %v", got)
	}
	_, err := failure.List(ctx, w.db, w.owner, failure.Filter{}, access.Page{After: "x", Limit: 3})
	pgtest.Refused(t, "a key of another list", err, fault.Malformed, "query.cursor")
	if all := must(failure.List(ctx, w.db, w.owner, failure.Filter{Open: true}, access.Page{Limit: 50}))(t); len(all) != 4 {
		t.Errorf("%d are open", len(all))
	}
	if all := must(failure.List(ctx, w.db, w.owner, failure.Filter{PositionID: &w.ours.brush.ID}, access.Page{Limit: 50}))(t); len(all) != 6 {
		t.Errorf("%d at the brush", len(all))
	}
}

// What can hurt somebody stands first, however much came after it.
func TestDangersStandFirst(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	for i := range 8 {
		must(w.add(w.staff, told(w.ours, func(in *failure.New) {
			in.Danger = i < 3
			if i == 2 || i == 6 {
				in.RestoredAt = at(0)
			}
		})))(t)
	}
	for limit, want := range map[int][]int64{50: {2, 1, 8, 6, 5, 4}, 3: {2, 1, 8}, 1: {2}} {
		var got []int64
		for _, f := range must(failure.Standing(ctx, w.db, w.owner, failure.Filter{}, limit))(t) {
			got = append(got, f.Number)
		}
		if !slices.Equal(got, want) {
			t.Errorf("the first %d are %v", limit, got)
		}
	}
}

// The modes of a kind of position are those seen there; each has its words.
func TestModesBelongToKinds(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	all := must(failure.Modes(ctx, w.db, w.staff, nil))(t)
	if len(all) != 68 {
		t.Errorf("%d modes", len(all))
	}
	kinds := must(assets.PositionKinds(ctx, w.db, w.staff))(t)
	for _, m := range all {
		if m.About == "" || m.Name == "" || m.Sign == "" || len(m.Kinds) == 0 {
			t.Errorf("%+v", m)
		}
		for _, k := range m.Kinds {
			if !slices.ContainsFunc(kinds, func(p assets.PositionKind) bool { return p.Code == k }) {
				t.Errorf("%s is seen at %s, which is no kind", m.Code, k)
			}
		}
		if _, err := pgtest.Write(w.db, w.staff, func(tx *gorm.DB) (failure.Fault, error) {
			return failure.Add(tx, w.staff, now, told(w.ours, func(in *failure.New) { in.Mode = m.Code }))
		}); err != nil {
			t.Errorf("%s: %v", m.Code, err)
		}
	}
	kind := "conveyor"
	some := must(failure.Modes(ctx, w.db, w.staff, &kind))(t)
	if len(some) != 5 || some[0].Code != "FM-051" {
		t.Errorf("at a conveyor %+v", some)
	}
}
