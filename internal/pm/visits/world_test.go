package visits_test

import (
	"context"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/calendar"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgtest"
	"spindlebook/internal/pm"
	"spindlebook/internal/pm/visits"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

var (
	ctx   = context.Background()
	now   = time.Date(2026, 5, 12, 15, 0, 0, 0, time.UTC) // a Tuesday, 10:00 in Chicago
	began = time.Date(2023, 6, 1, 12, 0, 0, 0, time.UTC)
	sys   = access.System
	today = calendar.On(2026, 5, 12)
)

// trade is a distributor with two sites of one customer, a van and three people.
type trade struct {
	t                 testing.TB
	db                *pgdb.DB
	customer          assets.Customer
	site, far         assets.Site
	line              assets.Line
	left, right       assets.Position
	van, other        assets.Location
	manager           access.Actor
	imre, ida, sparks access.Actor // a senior technician, a technician, an electrician
}

func newTrade(t testing.TB) *trade {
	t.Helper()
	w := &trade{t: t, db: pgtest.New(t)}
	w.customer = pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (assets.Customer, error) {
		return assets.AddCustomer(tx, sys, began, assets.CustomerEdit{Code: "HAD", Name: "Hadrelle Wash Group"})
	})
	site := func(code string, north, west float64) assets.Site {
		return pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (assets.Site, error) {
			return assets.AddSite(tx, sys, began, w.customer.ID, &began, assets.SiteEdit{Code: code, Name: "Wash " + code, Zone: "America/Chicago", Currency: "USD", Latitude: &north, Longitude: new(-west),
				Climate: "snowbelt", Size: "medium", DriverSide: "left"})
		})
	}
	w.site, w.far = site("UMB", 42, 88), site("FER", 42.3, 88.4)
	w.line = pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (assets.Line, error) {
		return assets.AddLine(tx, sys, began, w.site.ID, &began, assets.LineEdit{Code: "UMB-1", Name: "Line 1"})
	})
	brush := func(code, side string) assets.Position {
		return pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (assets.Position, error) {
			return assets.AddPosition(tx, sys, began, assets.NewPosition{SiteID: w.site.ID, From: &began, PositionEdit: assets.PositionEdit{LineID: &w.line.ID, Code: code, Name: "Low side brush " + side, Kind: "side_brush_low", LineSide: side}})
		})
	}
	w.left, w.right = brush("UMB-1/SBL-D", "left"), brush("UMB-1/SBL-P", "right")
	w.van, w.other = w.place("V1", "van", nil), w.place("V2", "van", nil)
	w.manager = w.person("marta", "manager")
	w.imre, w.ida, w.sparks = w.person("imre", "technician"), w.person("ida", "technician"), w.person("sparks", "technician")
	w.skill(w.imre, "T2", "2027-12-31")
	w.skill(w.ida, "T1", "2026-05-20")
	w.skill(w.sparks, "EL", "2027-01-31")
	return w
}

func (w *trade) place(code, kind string, site *uuid.UUID) assets.Location {
	w.t.Helper()
	return pgtest.Done(w.t, w.db, sys, func(tx *gorm.DB) (assets.Location, error) {
		return assets.AddLocation(tx, sys, began, assets.NewLocation{Code: code, Name: "Place " + code, Kind: kind, SiteID: site})
	})
}

func (w *trade) person(login, role string) access.Actor {
	w.t.Helper()
	g := access.NewGrant{Role: role}
	in := access.NewPerson{Name: strings.ToUpper(login[:1]) + login[1:], Login: login + "@marrowgate.example"}
	if role == "owner" || role == "site_staff" {
		g.CustomerID, in.CustomerID = &w.customer.ID, &w.customer.ID
	}
	in.Grants = []access.NewGrant{g}
	a := pgtest.Done(w.t, w.db, sys, func(tx *gorm.DB) (access.Account, error) { return access.AddPerson(tx, sys, began, in) })
	who, _, err := access.Load(ctx, w.db, a.ID)
	if err != nil {
		w.t.Fatal(err)
	}
	return who
}

func (w *trade) skill(who access.Actor, code, until string) {
	w.t.Helper()
	pgtest.Done(w.t, w.db, sys, func(tx *gorm.DB) (access.Evidence, error) {
		return access.AddEvidence(tx, sys, began, who.ID, access.NewEvidence{Skill: code, Evidence: "course", IssuedOn: "2023-06-01", ExpiresOn: &until})
	})
}

// procedure writes and publishes a procedure and gives its version.
func (w *trade) procedure(code string, change func(*pm.Content)) uuid.UUID {
	w.t.Helper()
	return pgtest.Done(w.t, w.db, sys, func(tx *gorm.DB) (uuid.UUID, error) {
		ids, err := pm.AddProcedures(tx, sys, began, []pm.NewProcedure{{Code: code, Title: "Work " + code}})
		if err != nil {
			return uuid.Nil, err
		}
		c := pm.Content{People: 1, Skills: []string{"T1"}, Minutes: pm.Minutes{Low: 30, Typical: 60, High: 90}, LineState: "closed_hours", Energies: []string{"electrical", "air"}}
		if change != nil {
			change(&c)
		}
		v, err := pm.WriteDrafts(tx, sys, began, []pm.Write{{Procedure: ids[0], Content: c}})
		if err != nil {
			return uuid.Nil, err
		}
		return v[0], pm.Publish(tx, sys, began, v)
	})
}

// task raises work by hand at the left brush, due in so many days.
func (w *trade) task(procedure string, days int, change func(*pm.NewTask)) uuid.UUID {
	w.t.Helper()
	in := pm.NewTask{SiteID: &w.site.ID, LineID: &w.line.ID, PositionID: &w.left.ID, Procedure: procedure, Criticality: "B", DueOn: today + calendar.Date(days), LatestOn: today + calendar.Date(days)}
	if change != nil {
		change(&in)
	}
	return pgtest.Done(w.t, w.db, sys, func(tx *gorm.DB) (uuid.UUID, error) { return pm.RaiseTask(tx, sys, now, in) })
}

// visit is one in so many days, from eight to twelve, by Imre with the first van.
func (w *trade) visit(days int, change func(*visits.New)) uuid.UUID {
	w.t.Helper()
	id, err := w.tryVisit(days, change)
	if err != nil {
		w.t.Fatal(err)
	}
	return id
}

func (w *trade) tryVisit(days int, change func(*visits.New)) (uuid.UUID, error) {
	in := visits.New{SiteID: w.site.ID, Hours: visits.Hours{On: today + calendar.Date(days), Starts: "08:00", Minutes: 240}, VanID: &w.van.ID, People: []visits.Going{{PersonID: w.imre.ID}}}
	if change != nil {
		change(&in)
	}
	return pgtest.Write(w.db, w.manager, func(tx *gorm.DB) (uuid.UUID, error) { return visits.Add(tx, w.manager, now, in) })
}

func (w *trade) one(id uuid.UUID) visits.Visit {
	w.t.Helper()
	v, err := visits.One(ctx, w.db, w.manager, id)
	if err != nil {
		w.t.Fatal(err)
	}
	return v
}

func (w *trade) tasks(id uuid.UUID) string {
	w.t.Helper()
	all, err := visits.Tasks(ctx, w.db, w.manager, id)
	if err != nil {
		w.t.Fatal(err)
	}
	var s []string
	for _, x := range all {
		s = append(s, strings.TrimSpace(x.Procedure+" "+x.EndedHow))
	}
	return strings.Join(s, ", ")
}

// planned is the day on which a task is meant to be done.
func (w *trade) planned(task uuid.UUID) string {
	w.t.Helper()
	x, err := pm.OneTask(ctx, w.db, sys, task)
	if err != nil {
		w.t.Fatal(err)
	}
	if x.PlannedOn == nil {
		return "-"
	}
	return x.PlannedOn.Format(time.DateOnly)
}

func (w *trade) do(fn func(tx *gorm.DB) error) error {
	return w.db.InTx(ctx, w.manager.ID, fn)
}

// finish records that tasks are done.
func (w *trade) finish(task uuid.UUID, names ...string) {
	w.t.Helper()
	d := pm.Done{TaskID: &task, At: now}
	for i := 0; i < len(names); i += 2 {
		d.People = append(d.People, pm.Person{Name: names[i], Skills: []string{names[i+1]}})
	}
	w.complete(d)
}

// complete records work as the card that led it does.
func (w *trade) complete(in ...pm.Done) {
	w.t.Helper()
	p, err := pm.Prepare(ctx, w.db, sys, now, in)
	if err != nil {
		w.t.Fatal(err)
	}
	var touched []uuid.UUID
	err = w.db.InTx(ctx, sys.ID, func(tx *gorm.DB) error {
		_, touched, err = pm.Complete(tx, sys, now, p, in)
		return err
	})
	if err == nil {
		err = pm.Follow(ctx, w.db, now, touched)
	}
	if err != nil {
		w.t.Fatal(err)
	}
}

func (w *trade) findings(id uuid.UUID) []string {
	w.t.Helper()
	all, err := visits.Look(ctx, w.db, w.manager, now, []visits.Visit{w.one(id)})
	if err != nil {
		w.t.Fatal(err)
	}
	says := []string{}
	for _, f := range all {
		says = append(says, f.Kind+" "+f.Says)
	}
	return says
}

func (w *trade) part(number, description, class string) uuid.UUID {
	w.t.Helper()
	return pgtest.Done(w.t, w.db, sys, func(tx *gorm.DB) (assets.Part, error) {
		return assets.AddPart(tx, sys, began, assets.PartEdit{Number: number, Description: description, Class: class})
	}).ID
}

// point adds an electrical isolation point of the left brush.
func (w *trade) point(code string) uuid.UUID {
	w.t.Helper()
	return pgtest.Done(w.t, w.db, sys, func(tx *gorm.DB) (assets.IsolationPoint, error) {
		return assets.AddIsolationPoint(tx, sys, began, w.site.ID, code, "electrical", assets.IsolationEdit{ValidFrom: &began, Place: "pump room", Isolate: "switch off and lock", Prove: "test for absence of voltage", Restore: "switch on", Lockable: true, CheckedOn: "2023-05-02", CheckedBy: "Marta"})
	}).ID
}

// down lets the line be down every day from a time on.
func (w *trade) down(starts string, minutes int) {
	w.t.Helper()
	var all []assets.WeeklyHours
	for d := 1; d <= 7; d++ {
		all = append(all, assets.WeeklyHours{Kind: "line_may_be_down", Weekday: d, Starts: starts, Minutes: minutes})
	}
	pgtest.Done(w.t, w.db, sys, func(tx *gorm.DB) (assets.Site, error) {
		s, _, err := assets.ReplaceHours(tx, sys, began, w.site.ID, w.site.Version, all)
		return s, err
	})
}

// stranger owns another wash.
func (w *trade) stranger() access.Actor {
	w.t.Helper()
	c := pgtest.Done(w.t, w.db, sys, func(tx *gorm.DB) (assets.Customer, error) {
		return assets.AddCustomer(tx, sys, began, assets.CustomerEdit{Code: "THO", Name: "Thornby Wash"})
	})
	a := pgtest.Done(w.t, w.db, sys, func(tx *gorm.DB) (access.Account, error) {
		return access.AddPerson(tx, sys, began, access.NewPerson{Name: "Theo", Login: "theo@thornby.example", CustomerID: &c.ID, Grants: []access.NewGrant{{Role: "owner", CustomerID: &c.ID}}})
	})
	who, _, err := access.Load(ctx, w.db, a.ID)
	if err != nil {
		w.t.Fatal(err)
	}
	return who
}

type actor = access.Actor

// supplier delivers a part in so many working days, in nine cases of ten.
func (w *trade) supplier(code string, part uuid.UUID, days int) {
	w.t.Helper()
	w.sql(`with s as (insert into supplier (id, code, name, created_at) values (gen_random_uuid(), @code, @code, @now) returning id)
		insert into supplier_part (id, supplier_id, part_id, lead_10, lead_50, lead_90, preferred) select gen_random_uuid(), id, @part, 1, @days, @days, true from s`,
		map[string]any{"code": code, "part": part, "days": days, "now": began})
}

// onOrder orders more of a part, promised for a day.
func (w *trade) onOrder(part uuid.UUID, much, on string) {
	w.t.Helper()
	w.sql(`with o as (insert into supplier_order (id, number, supplier_id, location_id, state, made_at, made_by, sent_at)
		         select gen_random_uuid(), 'O-1', s.id, l.id, 'sent', @now, @who, @now from supplier as s, location as l where l.code = 'WH' returning id)
		insert into supplier_order_line (id, order_id, ordinal, part_id, amount) select gen_random_uuid(), id, 1, @part, cast(@much as numeric) from o`,
		map[string]any{"part": part, "much": much, "now": began, "who": sys.ID})
	w.promise(part, on)
}

// promise is the supplier's last word of when it comes.
func (w *trade) promise(part uuid.UUID, on string) {
	w.t.Helper()
	w.sql(`insert into supplier_order_promise (id, line_id, promised_on, told_at, told_by)
		select gen_random_uuid(), l.id, cast(@on as date), cast(@now as timestamptz) + (select count(*) from supplier_order_promise) * interval '1 hour', @who from supplier_order_line as l where l.part_id = @part`,
		map[string]any{"part": part, "on": on, "now": began, "who": sys.ID})
}

func (w *trade) sql(q string, v map[string]any) {
	w.t.Helper()
	if err := w.db.InTx(ctx, sys.ID, func(tx *gorm.DB) error { return tx.Exec(q, v).Error }); err != nil {
		w.t.Fatal(err)
	}
}
