package assets_test

import (
	"errors"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"
	"pgregory.net/rapid"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/fault"
	"spindlebook/internal/measure"
	"spindlebook/internal/pgtest"
)

// stock is a world with parts, a warehouse and some motors in it.
type stock struct {
	world
	motor, media, hub       assets.Part
	warehouse, returns, van assets.Location
}

func newStock(t testing.TB) stock {
	t.Helper()
	s := stock{world: newWorld(t)}
	s.motor = s.part(t, "MW-10110", "gearmotor", assets.PartFactEdit{Fact: "bore", Measure: &measure.Typed{Value: 1.375, Unit: "in"}})
	s.media = s.part(t, "MW-31010", "media_set", assets.PartFactEdit{Fact: "media_pattern", Value: "AABBx4"})
	s.hub = s.part(t, "MW-21010", "hub", assets.PartFactEdit{Fact: "hub_fixing", Value: "clamp4"})
	location := func(code, kind string) assets.Location {
		return pgtest.Done(t, s.db, access.System, func(tx *gorm.DB) (assets.Location, error) {
			return assets.AddLocation(tx, access.System, now, assets.NewLocation{Code: code, Name: code, Kind: kind})
		})
	}
	s.warehouse, s.returns, s.van = location("WH", "warehouse"), location("RET", "returns"), location("V1", "van")
	return s
}

func (s stock) part(t testing.TB, number, class string, facts ...assets.PartFactEdit) assets.Part {
	t.Helper()
	return pgtest.Done(t, s.db, access.System, func(tx *gorm.DB) (assets.Part, error) {
		return assets.AddPart(tx, access.System, now, assets.PartEdit{Number: number, Description: number, Class: class, Facts: facts})
	})
}

// unit records a unit in the warehouse since a month ago.
func (s stock) unit(t testing.TB, part assets.Part, serial string) assets.Unit {
	t.Helper()
	u := pgtest.Done(t, s.db, access.System, func(tx *gorm.DB) (assets.Unit, error) {
		return assets.AddUnit(tx, access.System, now, assets.NewUnit{UnitEdit: assets.UnitEdit{PartID: part.ID, Serial: serial}})
	})
	s.put(t, u, assets.Place{LocationID: &s.warehouse.ID}, now.AddDate(0, -1, 0))
	return u
}

// put records where a unit went, with the reason why it left a slot.
func (s stock) put(t testing.TB, u assets.Unit, to assets.Place, from time.Time, reason ...string) assets.Stay {
	t.Helper()
	return pgtest.Done(t, s.db, access.System, func(tx *gorm.DB) (assets.Stay, error) {
		return assets.Put(tx, access.System, now, assets.Putting{UnitID: u.ID, Place: to, From: &from, Reason: strings.Join(reason, "")})
	})
}

// slot gives a slot of a position by its code.
func (s stock) slot(t testing.TB, p assets.Position, code string) *uuid.UUID {
	t.Helper()
	all, err := assets.FittedAtPosition(ctx, s.db, access.System, p.ID, now)
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range all {
		if f.SlotCode == code {
			return &f.SlotID
		}
	}
	t.Fatalf("%s has no slot %s", p.Code, code)
	return nil
}

func wantKind(t testing.TB, err error, kind fault.Kind, says string) {
	t.Helper()
	if fault.KindOf(err) != kind || !strings.Contains(fmt.Sprint(err), says) {
		t.Errorf("kind %d, want %d with %q: %v", fault.KindOf(err), kind, says, err)
	}
}

func TestABrushConsistsOfItsSlots(t *testing.T) {
	t.Parallel()
	s := newStock(t)
	all, err := assets.FittedAtPosition(ctx, s.db, access.System, s.left.ID, now)
	if err != nil {
		t.Fatal(err)
	}
	var codes []string
	for _, f := range all {
		codes = append(codes, f.SlotCode)
	}
	if got := strings.Join(codes, " "); got != "gearmotor shaft hub media cap cylinder valve sensor" {
		t.Errorf("slots: %s", got)
	}
}

func TestASwapMovesBothUnitsOrNeither(t *testing.T) {
	t.Parallel()
	s := newStock(t)
	old, fresh := s.unit(t, s.motor, "4471"), s.unit(t, s.motor, "0010-O0")
	gm := s.slot(t, s.left, "gearmotor")
	s.put(t, old, assets.Place{SlotID: gm}, now.AddDate(0, 0, -20))

	swap := func(in assets.Swap) ([]assets.Swapped, error) {
		return pgtest.Write(s.db, access.System, func(tx *gorm.DB) ([]assets.Swapped, error) { return assets.DoSwap(tx, access.System, now, in) })
	}
	item := assets.SwapItem{SlotID: *gm, Reason: "failed", To: &s.returns.ID, In: &fresh.ID}
	_, err := swap(assets.Swap{At: now.AddDate(0, 0, 1), Items: []assets.SwapItem{item}})
	wantKind(t, err, fault.Invalid, "must not lie ahead")
	_, err = swap(assets.Swap{At: now.AddDate(0, 0, -21), Items: []assets.SwapItem{item}})
	wantKind(t, err, fault.Conflict, "holds nothing that is known at that time")
	noReason := item
	noReason.Reason = ""
	_, err = swap(assets.Swap{At: now, Items: []assets.SwapItem{noReason}})
	wantKind(t, err, fault.Invalid, "why "+old.Tag+" comes out")
	wrong := item
	hub := s.unit(t, s.hub, "")
	wrong.In = &hub.ID
	_, err = swap(assets.Swap{At: now, Items: []assets.SwapItem{wrong}})
	wantKind(t, err, fault.Invalid, "this slot takes a gearmotor")
	if u, err := assets.OneUnit(ctx, s.db, access.System, now, old.ID); err != nil || val(u.PositionCode) != s.left.Code {
		t.Fatalf("after swaps that were refused the old motor is at %q: %v", val(u.PositionCode), err)
	}

	at := now.AddDate(0, 0, -1)
	done, err := swap(assets.Swap{At: at, Items: []assets.SwapItem{item}})
	if err != nil {
		t.Fatal(err)
	}
	if val(done[0].Out.LocationCode) != "RET" || val(done[0].In.PositionCode) != s.left.Code {
		t.Errorf("%+v", done[0])
	}
	history, err := assets.UnitHistory(ctx, s.db, access.System, now, old.ID)
	if err != nil {
		t.Fatal(err)
	}
	if len(history) != 3 || val(history[0].LocationCode) != "RET" || val(history[1].EndedFor) != "failed" || !history[1].Until.Equal(at) || val(history[2].EndedFor) != "fitted" {
		t.Errorf("history of the old motor: %+v", history)
	}
	// as of any instant
	for when, want := range map[time.Time]string{at.Add(-time.Hour): old.Tag, at: fresh.Tag, now: fresh.Tag, now.AddDate(0, 0, -25): ""} {
		all, err := assets.FittedAtSite(ctx, s.db, access.System, s.site.ID, when)
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range all {
			if f.SlotID == *gm && val(f.Tag) != want {
				t.Errorf("on %s: %q, want %q", when, val(f.Tag), want)
			}
		}
	}
	// again with what is there now: the slot does not hold the old one any more
	_, err = swap(assets.Swap{At: now, Items: []assets.SwapItem{{SlotID: *gm, Reason: "age", To: &s.returns.ID, In: &fresh.ID}}})
	wantKind(t, err, fault.Invalid, "is the unit that comes out")
}

func val[T any](p *T) T {
	if p == nil {
		var zero T
		return zero
	}
	return *p
}

func TestTwinsChangePlacesInOneSwap(t *testing.T) {
	t.Parallel()
	s := newStock(t)
	a, b := s.unit(t, s.motor, "A"), s.unit(t, s.motor, "B")
	l, r := s.slot(t, s.left, "gearmotor"), s.slot(t, s.right, "gearmotor")
	s.put(t, a, assets.Place{SlotID: l}, now.AddDate(0, 0, -9))
	s.put(t, b, assets.Place{SlotID: r}, now.AddDate(0, 0, -9))
	pgtest.Done(t, s.db, access.System, func(tx *gorm.DB) ([]assets.Swapped, error) {
		return assets.DoSwap(tx, access.System, now, assets.Swap{At: now, Items: []assets.SwapItem{{SlotID: *l, Reason: "moved", In: &b.ID}, {SlotID: *r, Reason: "moved", In: &a.ID}}})
	})
	for u, want := range map[uuid.UUID]string{a.ID: s.right.Code, b.ID: s.left.Code} {
		if got, err := assets.OneUnit(ctx, s.db, access.System, now, u); err != nil || val(got.PositionCode) != want {
			t.Errorf("at %q, want %q (%v)", val(got.PositionCode), want, err)
		}
	}
}

// A conversion changes what the position requires, in the same transaction.
func TestAConversionChangesWhatIsRequired(t *testing.T) {
	t.Parallel()
	s := newStock(t)
	old, fresh := s.unit(t, s.hub, ""), s.unit(t, s.hub, "")
	hub := s.slot(t, s.left, "hub")
	s.put(t, old, assets.Place{SlotID: hub}, now.AddDate(0, 0, -9))
	began := now.AddDate(0, -2, 0)
	pgtest.Done(t, s.db, access.System, func(tx *gorm.DB) (assets.Fact, error) {
		return assets.Record(tx, access.System, now, s.left.ID, assets.NewFact{Fact: "hub_fixing", Value: "flange3", How: "seen", From: &began})
	})
	swap := assets.Swap{At: now, Items: []assets.SwapItem{{SlotID: *hub, Reason: "conversion", To: &s.returns.ID, In: &fresh.ID}},
		Facts: []assets.SwapFact{{PositionID: s.left.ID, NewFact: assets.NewFact{Fact: "hub_fixing", Value: "clamp5", How: "seen"}}}}
	_, err := pgtest.Write(s.db, access.System, func(tx *gorm.DB) ([]assets.Swapped, error) { return assets.DoSwap(tx, access.System, now, swap) })
	wantKind(t, err, fault.Invalid, "facts[0].value")
	if u, _ := assets.OneUnit(ctx, s.db, access.System, now, old.ID); val(u.PositionCode) != s.left.Code {
		t.Error("the hub moved although the conversion was refused")
	}
	swap.Facts[0].Value = "clamp4"
	pgtest.Done(t, s.db, access.System, func(tx *gorm.DB) ([]assets.Swapped, error) { return assets.DoSwap(tx, access.System, now, swap) })
	facts, err := assets.Facts(ctx, s.db, access.System, s.left.ID)
	if err != nil {
		t.Fatal(err)
	}
	if len(facts) != 2 || facts[0].Value != "flange3" || !facts[0].Until.Equal(now) || facts[1].Value != "clamp4" {
		t.Errorf("facts: %+v", facts)
	}
}

func TestNobodyIsInTwoPlaces(t *testing.T) {
	t.Parallel()
	s := newStock(t)
	u, other := s.unit(t, s.motor, "1"), s.unit(t, s.motor, "2")
	l, r := s.slot(t, s.left, "gearmotor"), s.slot(t, s.right, "gearmotor")
	s.put(t, u, assets.Place{SlotID: l}, now.AddDate(0, 0, -9))
	try := func(p assets.Putting) error {
		_, err := pgtest.Write(s.db, access.System, func(tx *gorm.DB) (assets.Stay, error) { return assets.Put(tx, access.System, now, p) })
		return err
	}
	at := now.AddDate(0, 0, -2)
	wantKind(t, try(assets.Putting{UnitID: other.ID, Place: assets.Place{SlotID: l}, From: &at}), fault.Conflict, "holds "+u.Tag)
	wantKind(t, try(assets.Putting{UnitID: u.ID, Place: assets.Place{SlotID: r}, From: &at}), fault.Invalid, "is needed: "+u.Tag+" leaves UMB-1/SBL-L")
	early := now.AddDate(0, 0, -10)
	wantKind(t, try(assets.Putting{UnitID: u.ID, Place: assets.Place{SlotID: r}, From: &early, Reason: "robbed"}), fault.Conflict, "must lie after")
	wantKind(t, try(assets.Putting{UnitID: u.ID, Place: assets.Place{SlotID: r}, Reason: "robbed"}), fault.Conflict, "say when it left it")
	if err := try(assets.Putting{UnitID: u.ID, Place: assets.Place{SlotID: r}, From: &at, Reason: "robbed"}); err != nil {
		t.Error(err)
	}
	// past the functions the constraint has the last word
	err := s.db.InTx(ctx, access.System.ID, func(tx *gorm.DB) error {
		return tx.Exec(`insert into stay (id, unit_id, location_id, during, from_precision, recorded_at, recorded_by) values (?, ?, ?, tstzrange(?, null), 'instant', ?, ?)`,
			uuid.New(), u.ID, s.van.ID, at, now, access.System.ID).Error
	})
	wantKind(t, err, fault.Conflict, "is somewhere else")
}

// Two processes swap one slot at once: one does it, the other hears what is there.
func TestTwoSwapOneSlotAtOnce(t *testing.T) {
	t.Parallel()
	s := newStock(t)
	old := s.unit(t, s.motor, "old")
	gm := s.slot(t, s.left, "gearmotor")
	s.put(t, old, assets.Place{SlotID: gm}, now.AddDate(0, 0, -9))
	candidates := make([]assets.Unit, 6)
	for i := range candidates {
		candidates[i] = s.unit(t, s.motor, fmt.Sprint(i))
	}
	errs := make([]error, len(candidates))
	var wg sync.WaitGroup
	for i, c := range candidates {
		wg.Go(func() {
			errs[i] = s.db.InTx(ctx, access.System.ID, func(tx *gorm.DB) error {
				_, err := assets.DoSwap(tx, access.System, now, assets.Swap{At: now.Add(-time.Minute), Items: []assets.SwapItem{{SlotID: *gm, Reason: "age", To: &s.returns.ID, In: &c.ID}}})
				return err
			})
		})
	}
	wg.Wait()
	won := 0
	for _, err := range errs {
		if err == nil {
			won++
		} else if f, ok := errors.AsType[*fault.Error](err); !ok || f.Kind != fault.Conflict && f.Kind != fault.Unavailable {
			t.Errorf("the losers hear: %v", err)
		}
	}
	if won != 1 {
		t.Errorf("%d of %d swaps won", won, len(errs))
	}
}

func TestAnUnknownBeginningStaysUnknown(t *testing.T) {
	t.Parallel()
	s := newStock(t)
	u := pgtest.Done(t, s.db, access.System, func(tx *gorm.DB) (assets.Unit, error) {
		return assets.AddUnit(tx, access.System, now, assets.NewUnit{UnitEdit: assets.UnitEdit{PartID: s.motor.ID}})
	})
	gm := s.slot(t, s.left, "gearmotor")
	stay := pgtest.Done(t, s.db, access.System, func(tx *gorm.DB) (assets.Stay, error) {
		return assets.Put(tx, access.System, now, assets.Putting{UnitID: u.ID, Place: assets.Place{SlotID: gm}})
	})
	if stay.From != nil || stay.FromPrecision != "unknown" {
		t.Errorf("%+v", stay)
	}
	got, err := assets.OneUnit(ctx, s.db, access.System, now, u.ID)
	if err != nil || got.Since != nil || val(got.PositionCode) != s.left.Code {
		t.Errorf("%+v %v", got, err)
	}
}

func TestAPatternWithALetterShort(t *testing.T) {
	t.Parallel()
	s := newStock(t)
	for pattern, says := range map[string]string{"AABBAABBAABBAAB": "has 15 sections", "AABC": "is a row of A and B", "AABBAABBAABBAABB": ""} {
		_, err := pgtest.Write(s.db, access.System, func(tx *gorm.DB) (assets.Unit, error) {
			return assets.AddUnit(tx, access.System, now, assets.NewUnit{UnitEdit: assets.UnitEdit{PartID: s.media.ID, Lot: "L7", Pattern: pattern}})
		})
		if says == "" {
			if err != nil {
				t.Error(err)
			}
			continue
		}
		wantKind(t, err, fault.Invalid, says)
	}
	_, err := pgtest.Write(s.db, access.System, func(tx *gorm.DB) (assets.Unit, error) {
		return assets.AddUnit(tx, access.System, now, assets.NewUnit{UnitEdit: assets.UnitEdit{PartID: s.motor.ID, Pattern: "AABB"}})
	})
	wantKind(t, err, fault.Invalid, "belongs to a media set")
}

// A motor travels inside its gearmotor.
func TestAUnitInsideAUnit(t *testing.T) {
	t.Parallel()
	s := newStock(t)
	part := pgtest.Done(t, s.db, access.System, func(tx *gorm.DB) (assets.Part, error) {
		return assets.AddPart(tx, access.System, now, assets.PartEdit{Number: "MW-11010", Description: "motor", Class: "motor"})
	})
	gm, inner := s.unit(t, s.motor, "GM"), s.unit(t, part, "M")
	slot := s.slot(t, s.left, "gearmotor")
	s.put(t, gm, assets.Place{SlotID: slot}, now.AddDate(0, 0, -9))
	all, err := assets.FittedAtPosition(ctx, s.db, access.System, s.left.ID, now)
	if err != nil {
		t.Fatal(err)
	}
	var motorSlot *uuid.UUID
	for _, f := range all {
		if f.SlotCode == "motor" && f.Depth == 1 {
			motorSlot = &f.SlotID
		}
	}
	if motorSlot == nil {
		t.Fatal("a gearmotor has no slot for its motor")
	}
	s.put(t, inner, assets.Place{SlotID: motorSlot}, now.AddDate(0, 0, -8))
	got, err := assets.OneUnit(ctx, s.db, access.System, now, inner.ID)
	if err != nil || val(got.HolderTag) != gm.Tag || val(got.PositionCode) != s.left.Code {
		t.Errorf("%+v %v", got, err)
	}
	pgtest.Done(t, s.db, access.System, func(tx *gorm.DB) ([]assets.Swapped, error) {
		return assets.DoSwap(tx, access.System, now, assets.Swap{At: now, Items: []assets.SwapItem{{SlotID: *slot, Reason: "failed", To: &s.returns.ID}}})
	})
	if got, err = assets.OneUnit(ctx, s.db, access.System, now.Add(time.Second), inner.ID); err != nil || val(got.LocationCode) != "RET" || got.PositionID != nil {
		t.Errorf("the motor did not go with its gearmotor: %+v %v", got, err)
	}
}

// As-of equals a replay of the events in a simple model, and no unit is ever in
// two places, whatever is tried.
func TestAsOfEqualsReplay(t *testing.T) {
	s := newStock(t)
	run := 0
	rapid.Check(t, func(rt *rapid.T) {
		run++ // fresh places for each run
		pair := pgtest.Done(t, s.db, access.System, func(tx *gorm.DB) ([]assets.Position, error) {
			return assets.AddPositions(tx, access.System, now, []assets.NewPosition{
				newPosition(s.world, fmt.Sprintf("UMB-1/X%d-L", run), "rocker", "left", now.AddDate(0, -2, 0)),
				newPosition(s.world, fmt.Sprintf("UMB-1/X%d-R", run), "rocker", "right", now.AddDate(0, -2, 0))})
		})
		slots := []*uuid.UUID{s.slot(t, pair[0], "gearmotor"), s.slot(t, pair[1], "gearmotor")}
		units := []assets.Unit{s.unit(t, s.motor, ""), s.unit(t, s.motor, ""), s.unit(t, s.motor, "")}
		clock := now.AddDate(0, 0, -20)
		type event struct {
			at   time.Time
			slot int
			unit uuid.UUID // Nil: taken out
		}
		var events []event
		model := [2]uuid.UUID{}
		where := map[uuid.UUID]int{} // unit to slot, -1 in stock
		for _, u := range units {
			where[u.ID] = -1
		}
		for range rapid.IntRange(1, 8).Draw(rt, "steps") {
			clock = clock.Add(time.Duration(rapid.IntRange(1, 1000).Draw(rt, "minutes")) * time.Minute)
			i := rapid.IntRange(0, 1).Draw(rt, "slot")
			u := units[rapid.IntRange(0, 2).Draw(rt, "unit")]
			at := clock
			err := s.db.InTx(ctx, access.System.ID, func(tx *gorm.DB) error {
				if model[i] == uuid.Nil {
					_, err := assets.Put(tx, access.System, now, assets.Putting{UnitID: u.ID, Place: assets.Place{SlotID: slots[i]}, From: &at, Reason: "robbed"})
					return err
				}
				_, err := assets.DoSwap(tx, access.System, now, assets.Swap{At: at, Items: []assets.SwapItem{{SlotID: *slots[i], Reason: "age", To: &s.returns.ID, In: &u.ID, InReason: "robbed"}}})
				return err
			})
			if err != nil {
				if fault.KindOf(err) == fault.Internal {
					rt.Fatalf("a step failed inside: %v", err)
				}
				continue
			}
			if was, fitted := where[u.ID], where[u.ID] >= 0; fitted && was != i {
				model[was] = uuid.Nil
				events = append(events, event{at, was, uuid.Nil})
			}
			if old := model[i]; old != uuid.Nil {
				where[old] = -1
			}
			model[i], where[u.ID] = u.ID, i
			events = append(events, event{at, i, u.ID})
		}
		for _, when := range []time.Time{clock.Add(-7 * time.Hour), clock, now} {
			for i := range slots {
				var want uuid.UUID
				for _, e := range events {
					if e.slot == i && !e.at.After(when) {
						want = e.unit
					}
				}
				if got := val(s.inSlot(t, slots[i], when)); got != want {
					rt.Fatalf("slot %d on %s holds %v, the replay says %v", i, when, got, want)
				}
			}
		}
	})
}

// inSlot gives the unit in a slot at an instant.
func (s stock) inSlot(t testing.TB, slot *uuid.UUID, at time.Time) *uuid.UUID {
	t.Helper()
	all, err := assets.FittedAtSite(ctx, s.db, access.System, s.site.ID, at)
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range all {
		if f.SlotID == *slot {
			return f.UnitID
		}
	}
	return nil
}
