package assets_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"
	"pgregory.net/rapid"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgtest"
)

// nobody may record nothing.
var nobody = access.Actor{ID: access.System.ID, Everywhere: true}

// counted gives how many statements a step takes beside the frame of its transaction.
func counted(t testing.TB, db *pgdb.DB, fn func(tx *gorm.DB) error) int64 {
	t.Helper()
	with, n := pgdb.CountStatements(ctx)
	if err := db.InTx(with, access.System.ID, fn); err != nil {
		t.Fatal(err)
	}
	return n.Load()
}

func days(n int) *time.Time {
	at := now.AddDate(0, 0, n)
	return &at
}

// fresh records units of a part that are nowhere yet.
func (s stock) fresh(t testing.TB, part assets.Part, n int) []assets.Unit {
	t.Helper()
	return pgtest.Done(t, s.db, access.System, func(tx *gorm.DB) ([]assets.Unit, error) {
		in := make([]assets.NewUnit, n)
		for i := range in {
			in[i] = assets.NewUnit{UnitEdit: assets.UnitEdit{PartID: part.ID}}
		}
		return assets.AddUnits(tx, access.System, now, in)
	})
}

func (s stock) putAll(t testing.TB, in ...assets.Putting) ([]assets.Stay, error) {
	t.Helper()
	return pgtest.Write(s.db, access.System, func(tx *gorm.DB) ([]assets.Stay, error) { return assets.PutAll(tx, access.System, now, in) })
}

func TestWhatCannotBePut(t *testing.T) {
	t.Parallel()
	s := newStock(t)
	gm, right, hub := s.slot(t, s.left, "gearmotor"), s.slot(t, s.right, "gearmotor"), s.slot(t, s.left, "hub")
	there, lying := s.unit(t, s.motor, "1"), s.unit(t, s.motor, "2")
	s.put(t, there, assets.Place{SlotID: gm}, *days(-9))
	gone := s.unit(t, s.motor, "3")
	none := uuid.New()
	for _, c := range []struct {
		name string
		in   assets.Putting
		kind fault.Kind
		says string
	}{
		{"nowhere", assets.Putting{UnitID: gone.ID, From: days(-1)}, fault.Invalid, "slot_id: or location_id"},
		{"in two places", assets.Putting{UnitID: gone.ID, Place: assets.Place{SlotID: right, LocationID: &s.van.ID}, From: days(-1)}, fault.Invalid, "one of the two"},
		{"no unit", assets.Putting{UnitID: none, Place: assets.Place{SlotID: right}, From: days(-1)}, fault.Invalid, "unit_id: names no unit"},
		{"no slot", assets.Putting{UnitID: gone.ID, Place: assets.Place{SlotID: &none}, From: days(-1)}, fault.Invalid, "slot_id: names no slot"},
		{"no location", assets.Putting{UnitID: gone.ID, Place: assets.Place{LocationID: &none}, From: days(-1)}, fault.Invalid, "location_id: names no location"},
		{"another class", assets.Putting{UnitID: gone.ID, Place: assets.Place{SlotID: hub}, From: days(-1)}, fault.Invalid, "is a gearmotor; this slot takes a hub"},
		{"into a slot that is taken", assets.Putting{UnitID: gone.ID, Place: assets.Place{SlotID: gm}, From: days(-1)}, fault.Conflict, "holds " + there.Tag + " then"},
		{"before what came later", assets.Putting{UnitID: gone.ID, Place: assets.Place{SlotID: gm}, From: days(-20)}, fault.Conflict, "holds " + there.Tag + " from"},
		{"into the slot where it is", assets.Putting{UnitID: there.ID, Place: assets.Place{SlotID: gm}, From: days(-1), Reason: "moved"}, fault.Conflict, "is there already"},
		{"into the stock where it is", assets.Putting{UnitID: lying.ID, Place: assets.Place{LocationID: &s.warehouse.ID}, From: days(-1)}, fault.Conflict, "is there already"},
		{"taken out before it was fitted", assets.Putting{UnitID: there.ID, Place: assets.Place{LocationID: &s.van.ID}, From: days(-10), Reason: "failed"}, fault.Conflict, "must lie after"},
		{"taken out as it was fitted", assets.Putting{UnitID: there.ID, Place: assets.Place{LocationID: &s.van.ID}, From: days(-9), Reason: "failed"}, fault.Conflict, "must lie after"},
		{"taken out without a reason", assets.Putting{UnitID: there.ID, Place: assets.Place{LocationID: &s.van.ID}, From: days(-1)}, fault.Invalid, "reason: is needed"},
		{"for no known reason", assets.Putting{UnitID: there.ID, Place: assets.Place{LocationID: &s.van.ID}, From: days(-1), Reason: "tired"}, fault.Invalid, "reason: is one of failed"},
		{"at a time that nobody knows", assets.Putting{UnitID: there.ID, Place: assets.Place{LocationID: &s.van.ID}, Reason: "failed"}, fault.Conflict, "say when it left it"},
		{"ahead", assets.Putting{UnitID: lying.ID, Place: assets.Place{SlotID: right}, From: days(1)}, fault.Invalid, "must not lie ahead"},
		{"by the minute", assets.Putting{UnitID: lying.ID, Place: assets.Place{SlotID: right}, From: days(-1), Precision: "minute"}, fault.Invalid, "precision: is one of instant, day, month, year, unknown"},
		{"unknown and known", assets.Putting{UnitID: lying.ID, Place: assets.Place{SlotID: right}, From: days(-1), Precision: "unknown"}, fault.Invalid, "unknown where no time is given"},
		{"a day and no time", assets.Putting{UnitID: lying.ID, Place: assets.Place{SlotID: right}, Precision: "day"}, fault.Invalid, "unknown where no time is given"},
	} {
		_, err := pgtest.Write(s.db, access.System, func(tx *gorm.DB) (assets.Stay, error) { return assets.Put(tx, access.System, now, c.in) })
		if t.Run(c.name, func(t *testing.T) { wantKind(t, err, c.kind, c.says) }); strings.Contains(fmt.Sprint(err), "items[") {
			t.Errorf("%s: one fitting is no list: %v", c.name, err)
		}
	}
	_, err := pgtest.Write(s.db, access.System, func(tx *gorm.DB) (assets.Stay, error) {
		return assets.Put(tx, nobody, now, assets.Putting{UnitID: lying.ID, Place: assets.Place{SlotID: right}, From: days(-1)})
	})
	wantKind(t, err, fault.Forbidden, "")
	_, err = pgtest.Write(s.db, access.System, func(tx *gorm.DB) ([]assets.Stay, error) { return assets.PutAll(tx, nobody, now, nil) })
	wantKind(t, err, fault.Forbidden, "")
	if all, err := s.putAll(t); err != nil || len(all) != 0 {
		t.Errorf("an empty list: %v %v", all, err)
	}
}

// A list is all or nothing, and each row hears what is wrong with it.
func TestPutAllNamesTheRows(t *testing.T) {
	t.Parallel()
	s := newStock(t)
	l, r := s.slot(t, s.left, "gearmotor"), s.slot(t, s.right, "gearmotor")
	u := s.fresh(t, s.motor, 3)
	_, err := s.putAll(t,
		assets.Putting{UnitID: u[0].ID, Place: assets.Place{SlotID: l}, From: days(-3)},
		assets.Putting{UnitID: u[1].ID, Place: assets.Place{SlotID: l}, From: days(-3)},
		assets.Putting{UnitID: u[0].ID, Place: assets.Place{SlotID: r}, From: days(-3)},
		assets.Putting{UnitID: u[2].ID, Place: assets.Place{SlotID: r}, From: days(3)})
	f, _ := err.(*fault.Error)
	var fields []string
	if f != nil {
		for _, p := range f.Parts {
			fields = append(fields, p.Field)
		}
	}
	if got := strings.Join(fields, " "); got != "items[1].slot_id items[2].unit_id items[3].from" {
		t.Errorf("to blame are %q: %v", got, err)
	}
	all, err := s.putAll(t,
		assets.Putting{UnitID: u[0].ID, Place: assets.Place{SlotID: l}, From: days(-3), Precision: "day", Remark: " by hand "},
		assets.Putting{UnitID: u[1].ID, Place: assets.Place{SlotID: r}})
	if err != nil {
		t.Fatal(err)
	}
	if val(all[0].PositionCode) != s.left.Code || all[0].Remark != "by hand" || all[0].FromPrecision != "day" || all[1].From != nil || val(all[1].PositionCode) != s.right.Code {
		t.Errorf("%+v", all)
	}
}

// The same list by one statement each and by all at once.
func TestPutAllIsPutForEach(t *testing.T) {
	s := newStock(t)
	run := 0
	rapid.Check(t, func(rt *rapid.T) {
		run++
		pair := pgtest.Done(t, s.db, access.System, func(tx *gorm.DB) ([]assets.Position, error) {
			var in []assets.NewPosition
			for i := range 4 {
				in = append(in, newPosition(s.world, fmt.Sprintf("UMB-1/P%d-%d", run, i), "rocker", "left", now.AddDate(0, -2, 0)))
			}
			return assets.AddPositions(tx, access.System, now, in)
		})
		var list []assets.Putting
		var twin [][2]uuid.UUID
		used := map[int]bool{}
		for i := range rapid.IntRange(1, 6).Draw(rt, "rows") {
			us := s.fresh(t, s.motor, 2)
			if rapid.Bool().Draw(rt, "from stock") {
				for _, u := range us {
					s.put(t, u, assets.Place{LocationID: &s.warehouse.ID}, *days(-30))
				}
			}
			from := days(-rapid.IntRange(1, 40).Draw(rt, "days"))
			to, other := assets.Place{LocationID: &s.van.ID}, assets.Place{LocationID: &s.van.ID}
			if p := i % 2; rapid.Bool().Draw(rt, "slot") && !used[p] {
				used[p] = true
				to, other = assets.Place{SlotID: s.slot(t, pair[p], "gearmotor")}, assets.Place{SlotID: s.slot(t, pair[p+2], "gearmotor")}
			}
			list = append(list, assets.Putting{UnitID: us[0].ID, Place: to, From: from}, assets.Putting{UnitID: us[1].ID, Place: other, From: from})
			twin = append(twin, [2]uuid.UUID{us[0].ID, us[1].ID})
		}
		var all, single []assets.Putting
		for i, p := range list {
			if i%2 == 0 {
				all = append(all, p)
			} else {
				single = append(single, p)
			}
		}
		_, whole := s.putAll(t, all...)
		one := s.db.InTx(ctx, access.System.ID, func(tx *gorm.DB) error {
			for _, p := range single {
				if _, err := assets.Put(tx, access.System, now, p); err != nil {
					return err
				}
			}
			return nil
		})
		if (whole == nil) != (one == nil) {
			rt.Fatalf("all at once: %v; one by one: %v", whole, one)
		}
		look := func(id uuid.UUID) (found []string) {
			stays, err := assets.UnitHistory(ctx, s.db, access.System, now, id)
			if err != nil {
				rt.Fatal(err)
			}
			for _, st := range stays {
				found = append(found, fmt.Sprint(val(st.LocationCode), val(st.Slot), val(st.EndedFor), val(st.From), val(st.Until)))
			}
			return found
		}
		for _, pair := range twin {
			if a, b := look(pair[0]), look(pair[1]); !slices.Equal(a, b) {
				rt.Fatalf("%v is not %v", a, b)
			}
		}
	})
}

func TestListsTakeTheSameNumberOfStatements(t *testing.T) {
	t.Parallel()
	s := newStock(t)
	place := func(n int) int64 {
		units := s.fresh(t, s.motor, n)
		in := make([]assets.Putting, n)
		for i, u := range units {
			in[i] = assets.Putting{UnitID: u.ID, Place: assets.Place{LocationID: &s.warehouse.ID}, From: days(-5)}
		}
		return counted(t, s.db, func(tx *gorm.DB) error {
			_, err := assets.PutAll(tx, access.System, now, in)
			return err
		})
	}
	if one, many := place(1), place(60); one != many {
		t.Errorf("one fitting takes %d statements, sixty %d", one, many)
	}
	add := func(n int) int64 {
		in := make([]assets.NewUnit, n)
		for i := range in {
			in[i] = assets.NewUnit{UnitEdit: assets.UnitEdit{PartID: s.motor.ID}}
		}
		return counted(t, s.db, func(tx *gorm.DB) error {
			_, err := assets.AddUnits(tx, access.System, now, in)
			return err
		})
	}
	if one, many := add(1), add(60); one != many {
		t.Errorf("one unit takes %d statements, sixty %d", one, many)
	}
	record := func(n int) int64 {
		units := s.fresh(t, s.motor, n)
		in := make([]assets.FactOf, n)
		for i, u := range units {
			in[i] = assets.FactOf{OfID: u.ID, NewFact: assets.NewFact{Fact: "link_setting", Value: "high", How: "seen"}}
		}
		return counted(t, s.db, func(tx *gorm.DB) error {
			_, err := assets.RecordAllOfUnits(tx, access.System, now, in)
			return err
		})
	}
	if one, many := record(1), record(60); one != many {
		t.Errorf("one fact takes %d statements, sixty %d", one, many)
	}
	swap := func(n int) int64 {
		var in []assets.NewPosition
		for i := range n {
			in = append(in, newPosition(s.world, fmt.Sprintf("UMB-1/N%d-%d", n, i), "rocker", "left", now.AddDate(0, -2, 0)))
		}
		positions := pgtest.Done(t, s.db, access.System, func(tx *gorm.DB) ([]assets.Position, error) { return assets.AddPositions(tx, access.System, now, in) })
		old, fresh := s.fresh(t, s.motor, n), s.fresh(t, s.motor, n)
		var items []assets.SwapItem
		var first []assets.Putting
		var facts []assets.SwapFact
		for i, p := range positions {
			slot := s.slot(t, p, "gearmotor")
			first = append(first, assets.Putting{UnitID: old[i].ID, Place: assets.Place{SlotID: slot}, From: days(-9)})
			items = append(items, assets.SwapItem{SlotID: *slot, Reason: "age", To: &s.returns.ID, In: &fresh[i].ID})
			facts = append(facts, assets.SwapFact{PositionID: p.ID, NewFact: assets.NewFact{Fact: "hub_fixing", Value: "clamp4", How: "seen"}})
		}
		if _, err := s.putAll(t, first...); err != nil {
			t.Fatal(err)
		}
		return counted(t, s.db, func(tx *gorm.DB) error {
			_, err := assets.DoSwap(tx, access.System, now, assets.Swap{At: *days(-1), Items: items, Facts: facts})
			return err
		})
	}
	if one, many := swap(1), swap(20); one != many {
		t.Errorf("a swap of one slot takes %d statements, of twenty %d", one, many)
	}
}

// Nothing is fitted into a place that is no more, but what was done there
// before can still be recorded.
func TestARetiredPositionTakesNothing(t *testing.T) {
	t.Parallel()
	s := newStock(t)
	gm := s.slot(t, s.left, "gearmotor")
	pgtest.Done(t, s.db, access.System, func(tx *gorm.DB) ([]assets.State, error) {
		return assets.ChangeState(tx, access.System, now, s.left.ID, "retired", days(-5), "rebuilt")
	})
	u := s.fresh(t, s.motor, 1)[0]
	_, err := s.putAll(t, assets.Putting{UnitID: u.ID, Place: assets.Place{SlotID: gm}, From: days(-1)})
	wantKind(t, err, fault.Conflict, "is retired")
	_, err = s.putAll(t, assets.Putting{UnitID: u.ID, Place: assets.Place{SlotID: gm}})
	wantKind(t, err, fault.Conflict, "is retired")
	if _, err = s.putAll(t, assets.Putting{UnitID: u.ID, Place: assets.Place{SlotID: gm}, From: days(-6)}); err != nil {
		t.Error(err)
	}
}

// Past the functions the constraints have the last word.
func TestStaysDoNotOverlap(t *testing.T) {
	t.Parallel()
	s := newStock(t)
	u, other := s.unit(t, s.motor, "1"), s.fresh(t, s.motor, 1)[0]
	gm := s.slot(t, s.left, "gearmotor")
	s.put(t, u, assets.Place{SlotID: gm}, *days(-9))
	for _, c := range []struct {
		unit        uuid.UUID
		slot        *uuid.UUID
		from, until *time.Time
		says        string
	}{
		{other.ID, gm, days(-10), nil, "holds another unit"},
		{other.ID, gm, days(-3), days(-2), "holds another unit"},
		{other.ID, gm, nil, days(-8), "holds another unit"},
		{u.ID, s.slot(t, s.right, "gearmotor"), days(-3), days(-2), "is somewhere else"},
		{u.ID, s.slot(t, s.right, "gearmotor"), days(-40), days(-9), "is somewhere else"},
	} {
		err := s.db.InTx(ctx, access.System.ID, func(tx *gorm.DB) error {
			precision, until, ended := "instant", "instant", "age"
			if c.from == nil {
				precision = "unknown"
			}
			v := map[string]any{"id": uuid.New(), "unit": c.unit, "slot": c.slot, "site": s.site.ID, "from": c.from, "until": c.until, "precision": precision,
				"now": now, "who": access.System.ID, "up": &until, "ended": &ended}
			if c.until == nil {
				v["up"], v["ended"] = nil, nil
			}
			return tx.Exec(`insert into stay (id, unit_id, slot_id, site_id, during, from_precision, until_precision, ended_for, recorded_at, recorded_by)
values (@id, @unit, @slot, @site, tstzrange(cast(@from as timestamptz), cast(@until as timestamptz)), @precision, @up, @ended, @now, @who)`, v).Error
		})
		wantKind(t, err, fault.Conflict, c.says)
	}
}

// What many record in any order is what one by one would make of it.
func TestRecordAllIsRecordForEach(t *testing.T) {
	s := newStock(t)
	rapid.Check(t, func(rt *rapid.T) {
		units := s.fresh(t, s.motor, 2)
		var list []assets.NewFact
		for _, day := range rapid.SliceOfNDistinct(rapid.IntRange(1, 60), 1, 8, rapid.ID[int]).Draw(rt, "days") {
			list = append(list, assets.NewFact{Fact: rapid.SampledFrom([]string{"link_setting", "gearmotor_orientation"}).Draw(rt, "fact"), How: "seen", From: days(-day)})
		}
		for i := range list {
			if list[i].Value = "high"; list[i].Fact == "gearmotor_orientation" {
				list[i].Value = []string{"O3", "O6", "O9", "O12"}[i%4]
			}
		}
		before := rapid.IntRange(0, len(list)).Draw(rt, "before") // some stand there already
		one := func(unit uuid.UUID, in []assets.NewFact) {
			for _, f := range in {
				pgtest.Done(t, s.db, access.System, func(tx *gorm.DB) (assets.Fact, error) { return assets.RecordOfUnit(tx, access.System, now, unit, f) })
			}
		}
		one(units[0].ID, list)
		one(units[1].ID, list[:before])
		var rest []assets.FactOf
		for _, f := range list[before:] {
			rest = append(rest, assets.FactOf{OfID: units[1].ID, NewFact: f})
		}
		recorded := pgtest.Done(t, s.db, access.System, func(tx *gorm.DB) ([]assets.Fact, error) { return assets.RecordAllOfUnits(tx, access.System, now, rest) })
		for i, f := range recorded {
			if f.Fact != rest[i].Fact || !f.From.Equal(*rest[i].From) {
				rt.Fatalf("row %d came back as %+v", i, f)
			}
		}
		look := func(unit uuid.UUID) (found []string) {
			all, err := assets.UnitFacts(ctx, s.db, access.System, now, unit)
			if err != nil {
				rt.Fatal(err)
			}
			for _, f := range all {
				found = append(found, fmt.Sprint(f.Fact, f.Value, f.From, f.Until))
			}
			return found
		}
		if a, b := look(units[0].ID), look(units[1].ID); !slices.Equal(a, b) {
			rt.Fatalf("one by one\n%v\nall at once\n%v", strings.Join(a, "\n"), strings.Join(b, "\n"))
		}
	})
}

func TestRecordAllNamesTheRows(t *testing.T) {
	t.Parallel()
	s := newStock(t)
	record := func(in ...assets.FactOf) error {
		_, err := pgtest.Write(s.db, access.System, func(tx *gorm.DB) ([]assets.Fact, error) { return assets.RecordAll(tx, access.System, now, in) })
		return err
	}
	of := func(f assets.NewFact) assets.FactOf { return assets.FactOf{OfID: s.left.ID, NewFact: f} }
	if err := record(of(assets.NewFact{Fact: "hub_fixing", Value: "clamp4", How: "seen", From: days(-3)})); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		in   assets.FactOf
		kind fault.Kind
		says string
	}{
		{of(assets.NewFact{Fact: "smell", Value: "foam", How: "seen"}), fault.Invalid, "items[1].fact: names no kind"},
		{of(assets.NewFact{Fact: "bore", Value: "35", How: "seen"}), fault.Invalid, "items[1].measure"},
		{of(assets.NewFact{Fact: "media", Value: "felt", How: "seen"}), fault.Invalid, "items[1].value: is one of foam, cloth"},
		{of(assets.NewFact{Fact: "media", Value: "foam", How: "dreamt"}), fault.Invalid, "items[1].how: is one of measured"},
		{of(assets.NewFact{Fact: "media", Value: "foam", How: "seen", From: days(1)}), fault.Invalid, "items[1].from: must not lie ahead"},
		{of(assets.NewFact{Fact: "media", Value: "foam", How: "seen", SeenAt: days(1)}), fault.Invalid, "items[1].seen_at: must not lie ahead"},
		{of(assets.NewFact{Fact: "hub_fixing", Value: "flange3", How: "seen", From: days(-3)}), fault.Conflict, "items[1].from: a value is recorded"},
		{of(assets.NewFact{Fact: "drive", Value: "hydraulic", How: "seen"}), fault.Invalid, "items[1].from: is that of items[0] too"},
		{assets.FactOf{OfID: uuid.New(), NewFact: assets.NewFact{Fact: "drive", Value: "electric", How: "seen"}}, fault.Invalid, "items[1].position_id: names no position"},
	} {
		wantKind(t, record(of(assets.NewFact{Fact: "drive", Value: "electric", How: "seen"}), c.in), c.kind, c.says)
	}
	_, err := pgtest.Write(s.db, access.System, func(tx *gorm.DB) ([]assets.Fact, error) { return assets.RecordAll(tx, nobody, now, nil) })
	wantKind(t, err, fault.Forbidden, "")
	facts, err := assets.Facts(ctx, s.db, access.System, s.left.ID)
	if err != nil || len(facts) != 1 {
		t.Errorf("a list with a fault left %+v %v", facts, err)
	}
	if err := record(); err != nil {
		t.Error(err)
	}
}
