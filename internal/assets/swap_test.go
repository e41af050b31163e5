package assets_test

import (
	"fmt"
	"sync"
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

func (s stock) swap(t testing.TB, in assets.Swap) ([]assets.Swapped, error) {
	t.Helper()
	return pgtest.Write(s.db, access.System, func(tx *gorm.DB) ([]assets.Swapped, error) { return assets.DoSwap(tx, access.System, now, in) })
}

func TestWhatIsNoSwap(t *testing.T) {
	t.Parallel()
	s := newStock(t)
	gm, right := s.slot(t, s.left, "gearmotor"), s.slot(t, s.right, "gearmotor")
	old, fresh, twin := s.unit(t, s.motor, "old"), s.unit(t, s.motor, "new"), s.unit(t, s.motor, "twin")
	s.put(t, old, assets.Place{SlotID: gm}, *days(-9))
	none := uuid.New()
	item := assets.SwapItem{SlotID: *gm, Reason: "age", To: &s.returns.ID, In: &fresh.ID}
	with := func(change func(*assets.SwapItem)) []assets.SwapItem {
		it := item
		change(&it)
		return []assets.SwapItem{it}
	}
	for _, c := range []struct {
		name string
		in   assets.Swap
		kind fault.Kind
		says string
	}{
		{"of nothing", assets.Swap{At: now}, fault.Invalid, "items: names at least one slot"},
		{"at a time nobody knows", assets.Swap{At: now, Precision: "unknown", Items: []assets.SwapItem{item}}, fault.Invalid, "precision: is one of instant, day, month, year"},
		{"by the minute", assets.Swap{At: now, Precision: "minute", Items: []assets.SwapItem{item}}, fault.Invalid, "precision"},
		{"of one slot twice", assets.Swap{At: now, Items: []assets.SwapItem{item, item}}, fault.Invalid, "items[1].slot_id: is that of items[0] too"},
		{"of no slot", assets.Swap{At: now, Items: with(func(i *assets.SwapItem) { i.SlotID = none })}, fault.Invalid, "items[0].slot_id: names no slot"},
		{"of an empty slot", assets.Swap{At: now, Items: with(func(i *assets.SwapItem) { i.SlotID = *right })}, fault.Conflict, "holds nothing that is known"},
		{"for no known reason", assets.Swap{At: now, Items: with(func(i *assets.SwapItem) { i.Reason = "tired" })}, fault.Invalid, "items[0].reason: is one of"},
		{"to nowhere", assets.Swap{At: now, Items: with(func(i *assets.SwapItem) { i.To = nil })}, fault.Invalid, "items[0].to: is needed"},
		{"to no location", assets.Swap{At: now, Items: with(func(i *assets.SwapItem) { i.To = &none })}, fault.Invalid, "items[0].to: names no location"},
		{"for no unit", assets.Swap{At: now, Items: with(func(i *assets.SwapItem) { i.In = &none })}, fault.Invalid, "items[0].in: names no unit"},
		{"before it was fitted", assets.Swap{At: *days(-9), Items: []assets.SwapItem{item}}, fault.Conflict, "must lie after"},
	} {
		_, err := s.swap(t, c.in)
		t.Run(c.name, func(t *testing.T) { wantKind(t, err, c.kind, c.says) })
	}
	_, err := pgtest.Write(s.db, access.System, func(tx *gorm.DB) ([]assets.Swapped, error) {
		return assets.DoSwap(tx, nobody, now, assets.Swap{At: now, Items: []assets.SwapItem{item}})
	})
	wantKind(t, err, fault.Forbidden, "")

	// robbed for another position: why it left the first one is a matter of its own
	s.put(t, twin, assets.Place{SlotID: right}, *days(-9))
	item.In = &twin.ID
	_, err = s.swap(t, assets.Swap{At: *days(-2), Items: []assets.SwapItem{item}})
	wantKind(t, err, fault.Invalid, "items[0].in_reason: is needed: "+twin.Tag+" leaves "+s.right.Code)
	item.InReason = "robbed"
	if _, err := s.swap(t, assets.Swap{At: *days(-2), Items: []assets.SwapItem{item}}); err != nil {
		t.Fatal(err)
	}
	if got := s.inSlot(t, right, now); got != nil {
		t.Errorf("what was robbed holds %v", got)
	}
	// what left later cannot have changed places before
	other := s.unit(t, s.motor, "other")
	s.put(t, other, assets.Place{SlotID: right}, *days(-2))
	s.put(t, other, assets.Place{LocationID: &s.van.ID}, *days(-1), "moved")
	_, err = s.swap(t, assets.Swap{At: days(-2).Add(time.Hour), Items: []assets.SwapItem{
		{SlotID: *gm, Reason: "moved", In: &other.ID}, {SlotID: *right, Reason: "moved", In: &twin.ID}}})
	wantKind(t, err, fault.Conflict, "left it on")
}

// A phone that sends a swap three times swaps once.
func TestASwapSentAgainIsOneSwap(t *testing.T) {
	t.Parallel()
	s := newStock(t)
	gm := s.slot(t, s.left, "gearmotor")
	old, fresh := s.unit(t, s.motor, "old"), s.unit(t, s.motor, "new")
	s.put(t, old, assets.Place{SlotID: gm}, *days(-9))
	in := assets.Swap{At: *days(-1), Items: []assets.SwapItem{{SlotID: *gm, Reason: "failed", To: &s.returns.ID, In: &fresh.ID}}}
	var wg sync.WaitGroup
	answers := make([][]assets.Swapped, 3)
	for i := range answers {
		wg.Go(func() {
			var err error
			answers[i], err = pgdb.Once(ctx, s.db, access.System.ID, now, pgdb.Request{Key: "k1", Act: "swap", Body: in}, func(tx *gorm.DB) ([]assets.Swapped, error) {
				return assets.DoSwap(tx, access.System, now, in)
			})
			if err != nil {
				t.Error(err)
			}
		})
	}
	wg.Wait()
	for _, a := range answers {
		if len(a) != 1 || a[0].In == nil || a[0].In.ID != answers[0][0].In.ID || a[0].Out.ID != answers[0][0].Out.ID {
			t.Errorf("an answer differs: %+v", a)
		}
	}
	if all, err := assets.PositionHistory(ctx, s.db, access.System, s.left.ID); err != nil || len(all) != 2 {
		t.Errorf("the history has %d stays: %v", len(all), err)
	}
}

// Two exchange the same pair at once, the one left first and the other right
// first: they wait for each other, and none is chosen as the victim of a deadlock.
func TestTwoSwapOnePairAtOnce(t *testing.T) {
	t.Parallel()
	s := newStock(t)
	l, r := s.slot(t, s.left, "gearmotor"), s.slot(t, s.right, "gearmotor")
	for round := range 5 {
		at := now.Add(time.Duration(round-100) * time.Minute)
		if round == 0 {
			s.put(t, s.unit(t, s.motor, ""), assets.Place{SlotID: l}, *days(-9))
			s.put(t, s.unit(t, s.motor, ""), assets.Place{SlotID: r}, *days(-9))
		}
		a, b := s.unit(t, s.motor, ""), s.unit(t, s.motor, "")
		items := []assets.SwapItem{{SlotID: *l, Reason: "age", To: &s.returns.ID, In: &a.ID}, {SlotID: *r, Reason: "age", To: &s.returns.ID, In: &b.ID}}
		errs := make([]error, 4)
		var wg sync.WaitGroup
		for i := range errs {
			wg.Go(func() {
				mine := []assets.SwapItem{items[i%2], items[1-i%2]}
				if i >= 2 { // the units the other way round
					mine[0].In, mine[1].In = mine[1].In, mine[0].In
				}
				errs[i] = s.db.InTx(ctx, access.System.ID, func(tx *gorm.DB) error {
					_, err := assets.DoSwap(tx, access.System, now, assets.Swap{At: at, Items: mine})
					return err
				})
			})
		}
		wg.Wait()
		won := 0
		for _, err := range errs {
			switch k := fault.KindOf(err); {
			case err == nil:
				won++
			case k != fault.Conflict && k != fault.Invalid:
				t.Errorf("the losers hear %v", err)
			}
		}
		// the first of them may be done again crosswise: the pair then changes places
		if won < 1 {
			t.Errorf("round %d: nobody swapped: %v", round, errs)
		}
		seen := map[uuid.UUID]bool{val(s.inSlot(t, l, now)): true, val(s.inSlot(t, r, now)): true}
		if !seen[a.ID] || !seen[b.ID] {
			t.Errorf("round %d: the slots hold %v", round, seen)
		}
	}
}

// Somebody takes a unit away while another swaps it out.
func TestAMoveAndASwapAtOnce(t *testing.T) {
	t.Parallel()
	s := newStock(t)
	gm := s.slot(t, s.left, "gearmotor")
	for round := range 6 {
		at := now.Add(time.Duration(round*10-100) * time.Minute)
		u, fresh := s.unit(t, s.motor, ""), s.unit(t, s.motor, "")
		s.put(t, u, assets.Place{SlotID: gm}, at.Add(-5*time.Minute))
		var wg sync.WaitGroup
		var moved, swapped error
		wg.Go(func() {
			moved = s.db.InTx(ctx, access.System.ID, func(tx *gorm.DB) error {
				_, err := assets.Put(tx, access.System, now, assets.Putting{UnitID: u.ID, Place: assets.Place{LocationID: &s.van.ID}, From: &at, Reason: "robbed"})
				return err
			})
		})
		wg.Go(func() {
			swapped = s.db.InTx(ctx, access.System.ID, func(tx *gorm.DB) error {
				_, err := assets.DoSwap(tx, access.System, now, assets.Swap{At: at, Items: []assets.SwapItem{{SlotID: *gm, Reason: "failed", To: &s.returns.ID, In: &fresh.ID}}})
				return err
			})
		})
		wg.Wait()
		if (moved == nil) == (swapped == nil) {
			t.Fatalf("round %d: the move says %v, the swap %v", round, moved, swapped)
		}
		for _, err := range []error{moved, swapped} {
			if err != nil && fault.KindOf(err) != fault.Conflict {
				t.Errorf("round %d: the loser hears %v", round, err)
			}
		}
		if swapped == nil { // empty it for the next round
			if _, err := s.swap(t, assets.Swap{At: at.Add(time.Minute), Items: []assets.SwapItem{{SlotID: *gm, Reason: "age", To: &s.returns.ID}}}); err != nil {
				t.Fatal(err)
			}
		}
	}
}

// A conversion of a pair changes hubs and requirements in one go, or nothing.
func TestAConversionOfAPairIsAtomic(t *testing.T) {
	t.Parallel()
	s := newStock(t)
	flange := s.part(t, "MW-21301", "hub", assets.PartFactEdit{Fact: "hub_fixing", Value: "flange3"})
	var items []assets.SwapItem
	var facts []assets.SwapFact
	for _, p := range []assets.Position{s.left, s.right} {
		slot := s.slot(t, p, "hub")
		s.put(t, s.unit(t, s.hub, ""), assets.Place{SlotID: slot}, *days(-9))
		in := s.unit(t, flange, "")
		pgtest.Done(t, s.db, access.System, func(tx *gorm.DB) (assets.Fact, error) {
			return assets.Record(tx, access.System, now, p.ID, assets.NewFact{Fact: "hub_fixing", Value: "clamp4", How: "seen", From: days(-9)})
		})
		items = append(items, assets.SwapItem{SlotID: *slot, Reason: "conversion", To: &s.returns.ID, In: &in.ID})
		facts = append(facts, assets.SwapFact{PositionID: p.ID, NewFact: assets.NewFact{Fact: "hub_fixing", Value: "flange3", How: "seen"}})
	}
	holds := func(when time.Time) string {
		said := ""
		all, err := assets.FittedAtSite(ctx, s.db, access.System, s.site.ID, when)
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range all {
			if f.SlotCode == "hub" {
				said += val(f.PartNumber) + " "
			}
		}
		findings, err := assets.Findings(ctx, s.db, access.System, when, s.site.ID)
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range findings {
			if f.Kind == "mismatch" || f.Kind == "twins_differ" {
				said += f.Says
			}
		}
		return said
	}
	broken := append([]assets.SwapFact{}, facts...)
	broken[1].Value = "glue"
	_, err := s.swap(t, assets.Swap{At: *days(-1), Items: items, Facts: broken})
	wantKind(t, err, fault.Invalid, "facts[1].value")
	if got := holds(now); got != "MW-21010 MW-21010 " {
		t.Errorf("after a conversion that was refused: %s", got)
	}
	if _, err := s.swap(t, assets.Swap{At: *days(-1), Items: items, Facts: facts}); err != nil {
		t.Fatal(err)
	}
	for when, want := range map[time.Time]string{days(-1).Add(-time.Second): "MW-21010 MW-21010 ", *days(-1): "MW-21301 MW-21301 ", now: "MW-21301 MW-21301 "} {
		if got := holds(when); got != want {
			t.Errorf("on %s: %s", when, got)
		}
	}
	// a hub of the old kind does not agree with what is required since
	s2 := s.unit(t, s.hub, "")
	if _, err := s.swap(t, assets.Swap{At: now, Items: []assets.SwapItem{{SlotID: items[0].SlotID, Reason: "failed", To: &s.returns.ID, In: &s2.ID}}}); err != nil {
		t.Fatal(err)
	}
	if got := holds(now); got != fmt.Sprintf("MW-21010 MW-21301 %s: the hub that is fitted, %s, is clamp4 in hub fixing; the position requires flange3.", s.left.Code, s2.Tag) {
		t.Errorf("%s", got)
	}
}
