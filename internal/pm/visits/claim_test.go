package visits_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/parts/stock"
	"spindlebook/internal/pgtest"
	"spindlebook/internal/pm"
	"spindlebook/internal/pm/visits"
)

func (w *trade) settle(ids ...uuid.UUID) {
	w.t.Helper()
	for range 2 { // again is no harm
		if err := visits.Settle(ctx, w.db, now, ids...); err != nil {
			w.t.Fatal(err)
		}
	}
}

// held lists what is claimed, as "2 of MW-70002 at WH on 2026-05-14".
func (w *trade) held() string {
	w.t.Helper()
	all, err := stock.Claims(ctx, w.db, w.manager, stock.ClaimFilter{Held: true}, stock.Page{Limit: 100})
	if err != nil {
		w.t.Fatal(err)
	}
	var says []string
	for _, c := range all {
		says = append(says, fmt.Sprintf("%s of %s at %s on %s", c.Amount, c.PartNumber, c.Location, c.NeededOn))
	}
	slices.Sort(says)
	return strings.Join(says, "; ")
}

func (w *trade) holds(what, want string) {
	w.t.Helper()
	if got := w.held(); got != want {
		w.t.Errorf("%s: held is %q, want %q", what, got, want)
	}
}

// A visit that is planned holds what it always takes, for its day, and what it gives up
// serves the next.
func TestAPlannedVisitHoldsItsParts(t *testing.T) {
	t.Parallel()
	w := newTrade(t)
	warehouse := w.place("WH", "warehouse", nil)
	bearing, seal := w.stocked("MW-70002", "pivot bearing set", "bearing", "none", "ea"), w.stocked("MW-70005", "seal", "seal", "none", "ea")
	w.puts(w.van.ID, bearing, "1", "", "")
	w.puts(warehouse.ID, bearing, "2", "", "")
	w.puts(warehouse.ID, seal, "1", "", "")
	w.with("J07", nil, always(bearing, "2"), ifFound(seal, "1", "seal", 0.3))
	first, second := w.task("J07", 5, nil), w.task("J07", 9, nil)
	on := func(task uuid.UUID) func(*visits.New) {
		return func(in *visits.New) { in.Tasks = []visits.Doing{{TaskID: task}} }
	}
	proposed := w.visit(2, func(in *visits.New) { in.Tasks, in.Proposed = []visits.Doing{{TaskID: first}}, true })
	w.settle(proposed)
	w.holds("a proposal", "")
	version := func(id uuid.UUID) int { return w.one(id).Version }
	if err := w.do(func(tx *gorm.DB) error { return visits.Book(tx, w.manager, proposed, version(proposed)) }); err != nil {
		t.Fatal(err)
	}
	w.settle(proposed)
	w.holds("booked", "1 of MW-70002 at V1 on 2026-05-14; 1 of MW-70002 at WH on 2026-05-14")
	// the next one is short of one, and says who has it; it holds nothing while it cannot go
	later := w.visit(7, on(second))
	w.settle()
	w.holds("the next, which is short", "1 of MW-70002 at V1 on 2026-05-14; 1 of MW-70002 at WH on 2026-05-14")
	ready, err := visits.Readiness(ctx, w.db, w.manager, now, []visits.Visit{w.one(proposed), w.one(later)})
	if err != nil || ready[0].Verdict != "go" || ready[1].Verdict != "no-go" {
		t.Fatalf("together they are %+v, %v", ready, err)
	}
	alone, err := visits.Readiness(ctx, w.db, w.manager, now, []visits.Visit{w.one(later)})
	if err != nil || alone[0].Verdict != "no-go" || !strings.Contains(fmt.Sprint(alone[0].Jobs[0].Against), "J07 UMB-1/SBL-D, visit 1 to UMB") {
		t.Errorf("alone it is %+v, %v", alone, err)
	}
	// one more arrives: on the tick it is held
	w.puts(warehouse.ID, bearing, "1", "", "")
	w.settle()
	w.holds("after it came", "1 of MW-70002 at V1 on 2026-05-14; 1 of MW-70002 at WH on 2026-05-14; 2 of MW-70002 at WH on 2026-05-19")
	// both judged together: what the first takes is not counted against the second twice
	ready, err = visits.Readiness(ctx, w.db, w.manager, now, []visits.Visit{w.one(proposed), w.one(later)})
	if err != nil || ready[0].Verdict != "go" || ready[1].Verdict != "go" {
		t.Errorf("together they are %+v, %v", ready, err)
	}
	// moved to another day, without the van
	if err := w.do(func(tx *gorm.DB) error {
		return visits.Change(tx, w.manager, now, proposed, version(proposed), visits.Edit{Hours: visits.Hours{On: today + 3, Starts: "08:00", Minutes: 120}, VanID: &w.van.ID})
	}); err != nil {
		t.Fatal(err)
	}
	w.settle(proposed)
	w.holds("moved", "1 of MW-70002 at V1 on 2026-05-15; 1 of MW-70002 at WH on 2026-05-15; 2 of MW-70002 at WH on 2026-05-19")
	// the task goes over to the other visit, and its parts with it
	if err := w.do(func(tx *gorm.DB) error {
		return visits.PutTasks(tx, w.manager, now, later, version(later), []visits.Doing{{TaskID: first, Moved: true}}, nil)
	}); err != nil {
		t.Fatal(err)
	}
	w.settle(later)
	w.holds("gone over", "1 of MW-70002 at V1 on 2026-05-19; 1 of MW-70002 at WH on 2026-05-19; 2 of MW-70002 at WH on 2026-05-19")
	// set aside, it stays so while it is wanted
	all, err := stock.Claims(ctx, w.db, w.manager, stock.ClaimFilter{Held: true}, stock.Page{Limit: 100})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range all {
		if c.Location == "V1" {
			pgtest.Done(t, w.db, sys, func(tx *gorm.DB) ([]stock.Claim, error) {
				return stock.SetAside(tx, sys, now, c.ID, c.Version, stock.Aside{LocationID: w.van.ID})
			})
		}
	}
	w.settle()
	w.holds("set aside", "1 of MW-70002 at V1 on 2026-05-19; 1 of MW-70002 at WH on 2026-05-19; 2 of MW-70002 at WH on 2026-05-19")
	// and ended it holds nothing
	if err := w.do(func(tx *gorm.DB) error {
		_, err := visits.End(tx, w.manager, now, later, version(later), visits.Ending{Reason: "weather", Why: "ice on the road"})
		return err
	}); err != nil {
		t.Fatal(err)
	}
	w.settle(later)
	w.holds("ended", "")
	if diff, err := stock.Verify(ctx, w.db, sys); err != nil || len(diff) != 0 {
		t.Errorf("the ledger says %v, %v", diff, err)
	}
}

// What could not be held when it was written is held on the next tick, and what has ended is
// let go there too.
func TestTheTickSettlesWhatWasLeft(t *testing.T) {
	t.Parallel()
	w := newTrade(t)
	warehouse := w.place("WH", "warehouse", nil)
	grease, bearing := w.stocked("MW-90003", "grease, cartridge", "consumable", "none", "ea"), w.stocked("MW-70002", "pivot bearing set", "bearing", "none", "ea")
	w.puts(warehouse.ID, grease, "2", "", "")
	w.puts(warehouse.ID, bearing, "1", "", "")
	// common practice, no source: a job takes a share of a cartridge, and people carry a whole one
	w.with("J07", nil, always(grease, "0.3"))
	w.with("J08", nil, always(bearing, "1"))
	first, again, second := w.task("J07", 5, nil), w.task("J07", 5, func(in *pm.NewTask) { in.PositionID = &w.right.ID }), w.task("J08", 9, nil)
	// two jobs of one visit share a cartridge
	ends := w.visit(2, func(in *visits.New) { in.Tasks = []visits.Doing{{TaskID: first}, {TaskID: again}} })
	w.visit(7, func(in *visits.New) { in.Tasks = []visits.Doing{{TaskID: second}} })
	w.settle()
	w.holds("planned", "1 of MW-70002 at WH on 2026-05-19; 1 of MW-90003 at WH on 2026-05-14")
	if err := w.do(func(tx *gorm.DB) error {
		_, err := visits.End(tx, w.manager, now, ends, w.one(ends).Version, visits.Ending{Reason: "weather", Why: "ice on the road"})
		return err
	}); err != nil {
		t.Fatal(err)
	}
	w.settle()
	w.holds("one ended", "1 of MW-70002 at WH on 2026-05-19")
}
