package assets_test

import (
	"fmt"
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
)

// newOwner adds a customer with a person who owns its sites.
func (w world) newOwner(t testing.TB, code string) (assets.Customer, access.Actor) {
	t.Helper()
	c := pgtest.Done(t, w.db, access.System, func(tx *gorm.DB) (assets.Customer, error) {
		return assets.AddCustomer(tx, access.System, now, assets.CustomerEdit{Code: code, Name: code})
	})
	return c, w.person(t, code, access.NewGrant{Role: "owner", CustomerID: &c.ID})
}

func (w world) person(t testing.TB, login string, grants ...access.NewGrant) access.Actor {
	t.Helper()
	p := pgtest.Done(t, w.db, access.System, func(tx *gorm.DB) (access.Account, error) {
		return access.AddPerson(tx, access.System, now, access.NewPerson{Name: login, Login: strings.ToLower(login) + "@example.org", CustomerID: grants[0].CustomerID, Grants: grants})
	})
	return w.actor(t, p.ID)
}

// actor loads somebody with what is theirs to see now.
func (w world) actor(t testing.TB, id uuid.UUID) access.Actor {
	t.Helper()
	who, _, err := access.Load(ctx, w.db, id)
	if err != nil {
		t.Fatal(err)
	}
	return who
}

// secondSite adds a site of another customer with a low side brush.
func (s stock) secondSite(t testing.TB, code string, customer uuid.UUID) (assets.Site, assets.Position) {
	t.Helper()
	began := now.AddDate(-1, 0, 0)
	site := addSite(t, s.db, code, customer, began)
	w := s.world
	w.site = site
	w.line = pgtest.Done(t, s.db, access.System, func(tx *gorm.DB) (assets.Line, error) {
		return assets.AddLine(tx, access.System, now, site.ID, &began, assets.LineEdit{Code: code + "-1"})
	})
	p := pgtest.Done(t, s.db, access.System, func(tx *gorm.DB) (assets.Position, error) {
		return assets.AddPosition(tx, access.System, now, newPosition(w, code+"-1/SBL-L", "side_brush_low", "left", began))
	})
	return site, p
}

func tags(all []assets.Unit) (found []string) {
	for _, u := range all {
		found = append(found, u.Tag)
	}
	return found
}

// A gearmotor with a motor in it was at another customer's site, on the bench,
// and then came to UMB: its owner sees the time at UMB and nothing else.
func TestAnOwnerSeesAUnitsTimeAtTheOwnSites(t *testing.T) {
	t.Parallel()
	s := newStock(t)
	hadrelle := s.person(t, "hadrelle", access.NewGrant{Role: "owner", CustomerID: &s.customer.ID})
	other, ostrel := s.newOwner(t, "OFW")
	strange, there := s.secondSite(t, "OST", other.ID)
	ostrel = s.actor(t, ostrel.ID)
	motorPart := s.part(t, "MW-11056", "motor")

	gm, inner, earlier, never := s.unit(t, s.motor, "G1"), s.unit(t, motorPart, "M1"), s.unit(t, motorPart, "M0"), s.unit(t, s.motor, "N1")
	s.put(t, gm, assets.Place{SlotID: s.slot(t, there, "gearmotor")}, *days(-28))
	motorSlot := s.inner(t, gm, "motor")
	s.put(t, earlier, assets.Place{SlotID: motorSlot}, *days(-28))
	s.put(t, earlier, assets.Place{LocationID: &s.returns.ID}, *days(-25), "failed")
	s.put(t, inner, assets.Place{SlotID: motorSlot}, *days(-25))
	fact := func(u assets.Unit, fact, value string, from *time.Time, by string) {
		pgtest.Done(t, s.db, access.System, func(tx *gorm.DB) (assets.Fact, error) {
			return assets.RecordOfUnit(tx, access.System, now, u.ID, assets.NewFact{Fact: fact, Value: value, How: "seen", From: from, SeenBy: by})
		})
	}
	fact(gm, "link_setting", "low", days(-28), "Lidia")
	photo := func(u assets.Unit, at *time.Time) assets.Photo {
		return pgtest.Done(t, s.db, access.System, func(tx *gorm.DB) (assets.Photo, error) {
			return assets.AddPhoto(tx, access.System, now, assets.NewPhoto{UnitID: &u.ID, TakenAt: at, Content: jpegOf(t, 8, 8)})
		})
	}
	atOST := photo(gm, days(-26))
	s.put(t, gm, assets.Place{LocationID: &s.van.ID}, *days(-20), "failed")
	atBench := photo(gm, days(-19))
	fact(gm, "link_setting", "high", days(-15), "bench")
	s.put(t, gm, assets.Place{SlotID: s.slot(t, s.left, "gearmotor")}, *days(-10))
	atUMB, motorAtUMB := photo(gm, days(-5)), photo(inner, days(-5))

	stays := func(who access.Actor, u assets.Unit) (found []string) {
		all, err := assets.UnitHistory(ctx, s.db, who, now, u.ID)
		if err != nil {
			t.Fatalf("%s: %v", who.Name, err)
		}
		for _, st := range all {
			found = append(found, val(st.PositionCode)+val(st.LocationCode)+val(st.HolderTag))
		}
		return found
	}
	for _, c := range []struct {
		who  access.Actor
		u    assets.Unit
		want []string
	}{
		{access.System, gm, []string{s.left.Code, "V1", there.Code, "WH"}},
		{hadrelle, gm, []string{s.left.Code}},
		{ostrel, gm, []string{there.Code}},
		{hadrelle, inner, []string{gm.Tag}},
		{ostrel, inner, []string{gm.Tag}},
		{ostrel, earlier, []string{gm.Tag}},
	} {
		if got := stays(c.who, c.u); !slices.Equal(got, c.want) {
			t.Errorf("%s sees of %s %v, not %v", c.who.Name, c.u.Tag, got, c.want)
		}
	}
	// what was in it before it came is nobody's matter at UMB
	for _, u := range []assets.Unit{earlier, never} {
		if _, err := assets.OneUnit(ctx, s.db, hadrelle, now, u.ID); fault.KindOf(err) != fault.NotFound {
			t.Errorf("the owner of UMB sees %s: %v", u.Tag, err)
		}
		if _, err := assets.UnitHistory(ctx, s.db, hadrelle, now, u.ID); fault.KindOf(err) != fault.NotFound {
			t.Errorf("the owner of UMB sees where %s was: %v", u.Tag, err)
		}
		if _, err := assets.UnitFacts(ctx, s.db, hadrelle, now, u.ID); fault.KindOf(err) != fault.NotFound {
			t.Errorf("the owner of UMB sees what %s is: %v", u.Tag, err)
		}
		if _, err := assets.PhotosOfUnit(ctx, s.db, hadrelle, now, u.ID); fault.KindOf(err) != fault.NotFound {
			t.Errorf("the owner of UMB sees pictures of %s: %v", u.Tag, err)
		}
		if _, err := assets.ConnectionOf(ctx, s.db, hadrelle, now, s.left.ID, &u.ID); fault.KindOf(err) != fault.NotFound {
			t.Errorf("the owner of UMB learns how to connect %s: %v", u.Tag, err)
		}
	}
	u, err := assets.OneUnit(ctx, s.db, ostrel, now, gm.ID)
	if err != nil || u.StayID != nil || u.PositionID != nil || u.LocationID != nil {
		t.Errorf("the owner of OST sees where it is now: %+v %v", u, err)
	}
	if u, err = assets.OneUnit(ctx, s.db, hadrelle, now, inner.ID); err != nil || val(u.PositionCode) != s.left.Code {
		t.Errorf("the motor in the gearmotor of UMB: %+v %v", u, err)
	}

	facts := func(who access.Actor) (found []string) {
		all, err := assets.UnitFacts(ctx, s.db, who, now, gm.ID)
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range all {
			found = append(found, f.Value+" "+f.SeenBy)
		}
		return found
	}
	if got := facts(hadrelle); !slices.Equal(got, []string{"high bench"}) {
		t.Errorf("the owner of UMB sees the facts %v", got)
	}
	if got := facts(ostrel); !slices.Equal(got, []string{"low Lidia"}) {
		t.Errorf("the owner of OST sees the facts %v", got)
	}

	units := func(who access.Actor, f assets.UnitFilter) []string {
		all, err := assets.Units(ctx, s.db, who, now, f, assets.Page{Limit: 100})
		if err != nil {
			t.Fatal(err)
		}
		return tags(all)
	}
	if got := units(hadrelle, assets.UnitFilter{}); !slices.Equal(got, []string{gm.Tag, inner.Tag}) {
		t.Errorf("the owner of UMB lists %v", got)
	}
	if got := units(ostrel, assets.UnitFilter{}); len(got) != 0 {
		t.Errorf("the owner of OST lists %v", got)
	}
	if got := units(access.System, assets.UnitFilter{}); len(got) != 4 {
		t.Errorf("the distributor lists %v", got)
	}
	for _, f := range []assets.UnitFilter{{SiteID: &strange.ID}, {LocationID: &s.van.ID}, {LocationID: &s.returns.ID}} {
		if got := units(hadrelle, f); len(got) != 0 {
			t.Errorf("%+v: the owner of UMB lists %v", f, got)
		}
	}
	for text, want := range map[string]int{"N1": 0, "M0": 0, never.Tag: 0, earlier.Tag: 0, "G1": 1, "M1": 1, "OST": 0, "UMB-1": 2} {
		hits, err := assets.Find(ctx, s.db, hadrelle, text, 50)
		if err != nil || len(hits) != want {
			t.Errorf("the owner of UMB finds by %q %+v %v", text, hits, err)
		}
	}
	pictures := func(who access.Actor) (found []uuid.UUID) {
		all, err := assets.PhotosOfUnit(ctx, s.db, who, now, gm.ID)
		if err != nil {
			t.Fatal(err)
		}
		for _, p := range all {
			found = append(found, p.ID)
		}
		return found
	}
	if got := pictures(hadrelle); !slices.Equal(got, []uuid.UUID{atUMB.ID}) {
		t.Errorf("the owner of UMB sees the pictures %v", got)
	}
	if got := pictures(ostrel); !slices.Equal(got, []uuid.UUID{atOST.ID}) {
		t.Errorf("the owner of OST sees the pictures %v", got)
	}
	for _, p := range []assets.Photo{atOST, atBench} {
		if _, err := assets.OnePicture(ctx, s.db, hadrelle, p.ID); fault.KindOf(err) != fault.NotFound {
			t.Errorf("the owner of UMB gets a picture taken elsewhere: %v", err)
		}
	}
	if _, err := assets.OnePicture(ctx, s.db, hadrelle, motorAtUMB.ID); err != nil {
		t.Errorf("a picture of the motor inside, taken at UMB: %v", err)
	}
	for _, id := range []uuid.UUID{there.ID} {
		for name, ask := range map[string]func() error{
			"fitted":   func() error { _, err := assets.FittedAtPosition(ctx, s.db, hadrelle, id, now); return err },
			"history":  func() error { _, err := assets.PositionHistory(ctx, s.db, hadrelle, id); return err },
			"photos":   func() error { _, err := assets.PhotosOfPosition(ctx, s.db, hadrelle, id); return err },
			"connect":  func() error { _, err := assets.ConnectionOf(ctx, s.db, hadrelle, now, id, nil); return err },
			"site":     func() error { _, err := assets.FittedAtSite(ctx, s.db, hadrelle, strange.ID, now); return err },
			"findings": func() error { _, err := assets.Findings(ctx, s.db, hadrelle, now, strange.ID); return err },
		} {
			if err := ask(); fault.KindOf(err) != fault.NotFound {
				t.Errorf("%s of another customer's position: %v", name, err)
			}
		}
	}

	// by row-level security alone, without a scope in the query
	for table, want := range map[string]int{"unit": 2, "stay": 2, "unit_fact": 1, "photo": 2, "location": 0} {
		got := raw(t, s.db, hadrelle, table)
		if got != want {
			t.Errorf("the owner of UMB reads %d rows of %s, not %d", got, table, want)
		}
	}
	for table, want := range map[string]int{"unit": 3, "stay": 3, "unit_fact": 1, "photo": 1, "location": 0} {
		if got := raw(t, s.db, ostrel, table); got != want {
			t.Errorf("the owner of OST reads %d rows of %s, not %d", got, table, want)
		}
	}
	for _, q := range []string{
		`insert into stay (id, unit_id, location_id, during, from_precision, recorded_at, recorded_by) values (gen_random_uuid(), @unit, @to, tstzrange(now(), null), 'instant', now(), current_actor())`,
		`insert into unit (id, tag, part_id, owner, created_at) values (gen_random_uuid(), 'MINE', @part, 'distributor', now())`,
		`insert into part (id, number, description, class, created_at) select gen_random_uuid(), 'MINE', 'mine', 'hub', now() where cast(@unit as uuid) is not null`,
		`insert into unit_fact (id, unit_id, fact, value, during, how, recorded_at, recorded_by) values (gen_random_uuid(), @unit, 'leads', '9', tstzrange(now(), null), 'seen', now(), current_actor())`,
		`insert into section_replaced (id, unit_id, section, at, recorded_by) values (gen_random_uuid(), @unit, 1, now(), current_actor())`,
		`insert into location (id, code, name, kind, created_at) select gen_random_uuid(), 'MINE', 'mine', 'van', now() where cast(@unit as uuid) is not null`,
	} {
		err := s.db.InTx(ctx, hadrelle.ID, func(tx *gorm.DB) error {
			return tx.Exec(q, map[string]any{"unit": gm.ID, "to": s.van.ID, "part": s.motor.ID}).Error
		})
		wantKind(t, err, fault.Forbidden, "")
	}
}

// raw counts the rows of a table that an actor may see.
func raw(t testing.TB, db *pgdb.DB, who access.Actor, table string) int {
	t.Helper()
	rows, err := pgdb.Read[struct{ N int }](ctx, db, who.ID, `select count(*)::int as n from `+table, nil)
	if err != nil {
		t.Fatal(err)
	}
	return rows[0].N
}

// inner gives the slot of a unit.
func (s stock) inner(t testing.TB, u assets.Unit, code string) *uuid.UUID {
	t.Helper()
	rows, err := pgdb.Read[struct{ ID uuid.UUID }](ctx, s.db, access.System.ID, `select id from slot where unit_id = @unit and code = @code`, map[string]any{"unit": u.ID, "code": code})
	if err != nil || len(rows) != 1 {
		t.Fatalf("%s has no slot %s: %v", u.Tag, code, err)
	}
	return &rows[0].ID
}

// A site is sold: each owner sees what was in the own time, and a sale that is
// only agreed shows nothing.
func TestUnitsOfASiteThatIsSold(t *testing.T) {
	t.Parallel()
	s := newStock(t)
	seller := s.person(t, "seller", access.NewGrant{Role: "owner", CustomerID: &s.customer.ID})
	customer, buyer := s.newOwner(t, "VFP")
	_, future := s.newOwner(t, "NEXT")
	next := future.Customers[0]
	gm := s.slot(t, s.left, "gearmotor")
	before, through, after := s.unit(t, s.motor, "B"), s.unit(t, s.motor, "T"), s.unit(t, s.motor, "A")
	s.put(t, before, assets.Place{SlotID: gm}, *days(-29))
	s.put(t, through, assets.Place{SlotID: s.slot(t, s.right, "gearmotor")}, *days(-29))
	swap := func(at *time.Time, in assets.Unit) {
		if _, err := s.swap(t, assets.Swap{At: *at, Items: []assets.SwapItem{{SlotID: *gm, Reason: "age", To: &s.returns.ID, In: &in.ID}}}); err != nil {
			t.Fatal(err)
		}
	}
	swap(days(-20), after)
	pgtest.Done(t, s.db, access.System, func(tx *gorm.DB) ([]assets.Ownership, error) {
		return assets.HandOver(tx, access.System, s.site.ID, customer.ID, *days(-15))
	})
	pgtest.Done(t, s.db, access.System, func(tx *gorm.DB) ([]assets.Ownership, error) {
		return assets.HandOver(tx, access.System, s.site.ID, next, now.AddDate(30, 0, 0))
	})
	swap(days(-5), before)
	seller, buyer, future = s.actor(t, seller.ID), s.actor(t, buyer.ID), s.actor(t, future.ID)
	for _, c := range []struct {
		who  access.Actor
		want map[string]int // stays by tag
	}{
		{seller, map[string]int{before.Tag: 1, through.Tag: 1, after.Tag: 1}},
		{buyer, map[string]int{before.Tag: 1, through.Tag: 1, after.Tag: 1}},
		{future, map[string]int{before.Tag: 0, through.Tag: 0, after.Tag: 0}},
	} {
		for _, u := range []assets.Unit{before, through, after} {
			all, err := assets.UnitHistory(ctx, s.db, c.who, now, u.ID)
			if len(all) != c.want[u.Tag] || (err != nil) != (c.want[u.Tag] == 0) {
				t.Errorf("%s sees %d stays of %s: %v", c.who.Name, len(all), u.Tag, err)
			}
		}
	}
	// the stay of "before" that the seller sees is the first, the buyer's the second
	for who, want := range map[string]time.Time{"seller": *days(-29), "buyer": *days(-5)} {
		a := map[string]access.Actor{"seller": seller, "buyer": buyer}[who]
		if all, err := assets.UnitHistory(ctx, s.db, a, now, before.ID); err != nil || len(all) != 1 || !all[0].From.Equal(want) {
			t.Errorf("the %s sees %+v %v", who, all, err)
		}
	}
	for _, table := range []string{"unit", "stay", "slot", "unit_fact", "photo", "section_replaced"} {
		if n := raw(t, s.db, future, table); n != 0 {
			t.Errorf("a future owner reads %d rows of %s", n, table)
		}
	}
	if hits, err := assets.Find(ctx, s.db, future, before.Tag, 10); err != nil || len(hits) != 0 {
		t.Errorf("a future owner finds %v %v", hits, err)
	}
}

func TestSectionsReplaced(t *testing.T) {
	t.Parallel()
	s := newStock(t)
	hadrelle := s.person(t, "hadrelle", access.NewGrant{Role: "owner", CustomerID: &s.customer.ID})
	set := pgtest.Done(t, s.db, access.System, func(tx *gorm.DB) (assets.Unit, error) {
		return assets.AddUnit(tx, access.System, now, assets.NewUnit{UnitEdit: assets.UnitEdit{PartID: s.media.ID, Lot: "F1", Pattern: strings.Repeat("AABB", 4)}})
	})
	replace := func(who access.Actor, u assets.Unit, section int, at *time.Time) ([]assets.ReplacedSection, error) {
		return pgtest.Write(s.db, who, func(tx *gorm.DB) ([]assets.ReplacedSection, error) {
			return assets.ReplaceSection(tx, who, now, u.ID, section, " F2 ", *at)
		})
	}
	if _, err := replace(access.System, set, 2, days(-12)); err != nil { // before it came here
		t.Fatal(err)
	}
	s.put(t, set, assets.Place{SlotID: s.slot(t, s.left, "media")}, *days(-9))
	all, err := replace(access.System, set, 16, days(-3))
	if err != nil || len(all) != 2 || all[0].Section != 16 || all[0].Lot != "F2" {
		t.Errorf("%+v %v", all, err)
	}
	if seen, err := assets.ReplacedSections(ctx, s.db, hadrelle, set.ID); err != nil || len(seen) != 1 || seen[0].Section != 16 {
		t.Errorf("its owner sees %+v %v", seen, err)
	}
	motor := s.unit(t, s.motor, "")
	for says, try := range map[string]func() error{
		"counts from 1 at the bottom up to 16": func() error { _, err := replace(access.System, set, 17, days(-3)); return err },
		"counts from 1":                        func() error { _, err := replace(access.System, set, 0, days(-3)); return err },
		"must not lie ahead":                   func() error { _, err := replace(access.System, set, 1, days(1)); return err },
		"has no sections":                      func() error { _, err := replace(access.System, motor, 1, days(-3)); return err },
	} {
		wantKind(t, try(), fault.Invalid, says)
	}
	_, err = replace(access.System, assets.Unit{ID: uuid.New()}, 1, days(-3))
	wantKind(t, err, fault.NotFound, "")
	_, err = replace(nobody, set, 1, days(-3))
	wantKind(t, err, fault.Forbidden, "")
}

// A list takes as many statements for one position as for forty.
func TestReadingTakesTheSameNumberOfStatements(t *testing.T) {
	t.Parallel()
	s := newStock(t)
	fill := func(from, to int) {
		var in []assets.NewPosition
		for i := from; i < to; i++ {
			in = append(in, newPosition(s.world, fmt.Sprintf("UMB-1/R%d", i), "rocker", "left", now.AddDate(0, -2, 0)))
		}
		positions := pgtest.Done(t, s.db, access.System, func(tx *gorm.DB) ([]assets.Position, error) { return assets.AddPositions(tx, access.System, now, in) })
		units := s.fresh(t, s.motor, len(positions))
		var put []assets.Putting
		for i, p := range positions {
			put = append(put, assets.Putting{UnitID: units[i].ID, Place: assets.Place{SlotID: s.slot(t, p, "gearmotor")}, From: days(-3)})
		}
		if _, err := s.putAll(t, put...); err != nil {
			t.Fatal(err)
		}
	}
	ask := func() map[string]int64 {
		found := map[string]int64{}
		with, n := pgdb.CountStatements(ctx)
		last := int64(0)
		for _, q := range []struct {
			name string
			do   func() (int, error)
		}{
			{"fitted", func() (int, error) {
				all, err := assets.FittedAtSite(with, s.db, access.System, s.site.ID, now)
				return len(all), err
			}},
			{"findings", func() (int, error) {
				all, err := assets.Findings(with, s.db, access.System, now, s.site.ID)
				return len(all), err
			}},
			{"units", func() (int, error) {
				all, err := assets.Units(with, s.db, access.System, now, assets.UnitFilter{SiteID: &s.site.ID}, assets.Page{Limit: 100})
				return len(all), err
			}},
			{"facts", func() (int, error) {
				_, err := assets.FactsNow(with, s.db, access.System, now, s.site.ID)
				return 1, err
			}},
			{"find", func() (int, error) {
				all, err := assets.Find(with, s.db, access.System, "UMB-1/", 100)
				return len(all), err
			}},
		} {
			if rows, err := q.do(); err != nil || rows == 0 {
				t.Fatalf("%s: %d rows, %v", q.name, rows, err)
			}
			found[q.name], last = n.Load()-last, n.Load()
		}
		return found
	}
	fill(0, 1)
	one := ask()
	fill(1, 40)
	if many := ask(); fmt.Sprint(one) != fmt.Sprint(many) {
		t.Errorf("with one brush %v, with forty %v", one, many)
	}
}
