package pm_test

import (
	"errors"
	"fmt"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/assets"
	"spindlebook/internal/assets/meters"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgtest"
	"spindlebook/internal/pm"
)

// Several processes sweep while the register grows, counters are read and work is
// recorded: each thing that falls due is raised exactly once, none is left out, and
// what is kept is what the record says.
func TestManyWhoSweepAtOnceRaiseEachOnce(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	w.runs(t, w.tunnel, 400, 60, 10, 2)
	w.plan(t, "PM-010", pm.Terms{Kinds: []string{"blower"}, Triggers: []pm.Trigger{every("P30D"), use("vehicles", 8000)}, Early: pm.Tolerance{Days: 7}, Late: pm.Tolerance{Days: 7}})
	w.plan(t, "PM-020", pm.Terms{Kinds: []string{"blower"}, Triggers: []pm.Trigger{{Kind: "every", Every: "P6M", From: "2024-10-31"}}, Basis: "fixed", Early: pm.Tolerance{Days: 21}, Late: pm.Tolerance{Days: 14}})
	const sweepers, batches, each = 5, 8, 12

	var raised atomic.Int64
	stop := make(chan struct{})
	var all sync.WaitGroup
	for range sweepers {
		db := pgtest.Open(t, w.service) // each with connections of its own, as a process has them
		all.Go(func() {
			for {
				s, err := pm.Tick(ctx, db, now)
				raised.Add(int64(s.Raised))
				if err != nil {
					t.Errorf("a sweep beside others: %v", err)
					return
				}
				select {
				case <-stop:
					return
				default:
				}
			}
		})
	}
	recorded := 0
	for b := range batches {
		var in []assets.NewPosition
		for i := range each {
			in = append(in, assets.NewPosition{SiteID: w.site.ID, From: &began, PositionEdit: assets.PositionEdit{LineID: &w.line.ID, Code: fmt.Sprintf("UMB-1/BLW-%d-%d", b, i), Name: "Blower", Kind: "blower", LineSide: "centre"}})
		}
		pgtest.Done(t, w.db, sys, func(tx *gorm.DB) ([]assets.Position, error) { return assets.AddPositions(tx, sys, now, in) })
		w.read(t, seen(w.tunnel, day(2-float64(b+1)/10), fmt.Sprint(400*58+40*(b+1))))
		// however slow the machine, some work is recorded while the sweeps go on
		var open []struct{ AssignmentID uuid.UUID }
		for deadline := time.Now().Add(time.Minute); len(open) == 0; time.Sleep(2 * time.Millisecond) {
			var err error
			if open, err = pgdb.Read[struct{ AssignmentID uuid.UUID }](ctx, w.db, sys.ID, `select assignment_id from task where state = 'open' order by number limit 3`, nil); err != nil {
				t.Fatal(err)
			}
			if time.Now().After(deadline) {
				t.Fatal("the sweeps raise nothing")
			}
		}
		var work []pm.Done
		for _, o := range open {
			work = append(work, pm.Done{AssignmentID: &o.AssignmentID, At: day(1), Stated: true})
		}
		for len(work) > 0 {
			_, err := w.tryDo(work...)
			if busy, ok := errors.AsType[*fault.Error](err); ok && busy.Kind == fault.Unavailable {
				continue // a sweep was at the same things: sent again, as it asks
			}
			if err != nil {
				t.Fatal(err)
			}
			recorded += len(work)
			break
		}
	}
	close(stop)
	all.Wait()
	last := w.tick(t, now)
	raised.Add(int64(last.Raised))

	const things = batches * each * 2 // two plans for each blower
	if n := w.count(t, `select count(*)::int as n from assignment where ended_at is null`, nil); n != things {
		t.Errorf("%d assignments, not %d", n, things)
	}
	if n := w.count(t, `select count(distinct assignment_id)::int as n from task`, nil); n != things {
		t.Errorf("%d of %d were raised", n, things)
	}
	if n := w.count(t, `select count(*)::int as n from task`, nil); n != things || raised.Load() != things {
		t.Errorf("%d tasks for %d things, and the sweeps tell of %d", n, things, raised.Load())
	}
	if n := w.count(t, `select count(*)::int as n from task where state = 'done'`, nil); n != recorded || n == 0 {
		t.Errorf("%d tasks are done, and %d were recorded", n, recorded)
	}
	if seen := w.sound(t, now); seen != things {
		t.Errorf("%d of %d stand judged", seen, things)
	}
}

// A sweep that takes its time sees what began after its own instant, since nothing marks
// that again: a brush that was parked meanwhile, and one that washes half of the vehicles.
func TestASweepSeesWhatBeganWhileItRead(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	w.runs(t, w.tunnel, 400, 60, 10, 0)
	plan := w.plan(t, "PM-028", low(use("vehicles", 60000)))
	w.tick(t, now)
	w.do(t, w.of(t, plan, w.left.ID, day(10)), w.of(t, plan, w.right.ID, day(10)))
	before := w.stands(t, plan, w.left.ID)
	then := now.Add(time.Minute)
	pgtest.Done(t, w.db, sys, func(tx *gorm.DB) ([]meters.Share, error) {
		return meters.SetShare(tx, sys, then, w.left.ID, 0.5, then, "half of the programs")
	})
	pgtest.Done(t, w.db, sys, func(tx *gorm.DB) ([]assets.State, error) {
		return assets.ChangeState(tx, sys, then, w.right.ID, "parked", &then, "arm bent")
	})
	w.tick(t, now) // it began a minute before
	if after := w.stands(t, plan, w.left.ID); after.DueOn == nil || before.DueOn == nil || after.DueOn.Sub(*before.DueOn) < 90*24*time.Hour {
		t.Errorf("due %s with all vehicles, %s with half of them", before.due(), after.due())
	}
	if parked := w.stands(t, plan, w.right.ID); parked.DueOn != nil {
		t.Errorf("what was parked meanwhile is due %s", parked.due())
	}
	w.sound(t, then.Add(time.Minute))
}
