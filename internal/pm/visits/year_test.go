package visits_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/calendar"
	"spindlebook/internal/parts"
	"spindlebook/internal/parts/amount"
	"spindlebook/internal/parts/stock"
	"spindlebook/internal/pgtest"
	"spindlebook/internal/pm"
	"spindlebook/internal/pm/visits"
)

// A year of visits: a van that is filled up now and then, jobs that turn out as their
// lines say, and what was said when somebody left held against what came. What comes is
// drawn here, by the rule of the trade alone: the lines of one cause at one brush occur
// together, causes are independent (common practice, no source); the amounts of a day add
// up, and whoever lacks one piece comes again.
func TestInAYearAsManyCameTwiceAsWasSaid(t *testing.T) {
	t.Parallel()
	w := newTrade(t)
	dice := rand.New(rand.NewPCG(2026, 5))
	type line struct {
		part   uuid.UUID
		n      int
		cause  string
		chance float64
	}
	part := map[string]uuid.UUID{}
	for _, number := range []string{"MW-20110", "MW-22003", "MW-22002", "MW-13004", "MW-70002", "MW-95101"} {
		part[number] = w.stocked(number, "part "+number, "bearing", "none", "ea")
	}
	jobs := map[string][]line{ // chances as in the trade's handbook, invented there
		"J01": {{part["MW-20110"], 1, "shaft", 0.12}, {part["MW-22003"], 1, "cap", 0.10}, {part["MW-22002"], 4, "cap", 0.10}, {part["MW-13004"], 12, "cable", 0.12}},
		"J02": {{part["MW-22003"], 1, "cap", 0.12}, {part["MW-22002"], 4, "cap", 0.12}},
		"J07": {{part["MW-70002"], 1, "second", 0.30}, {part["MW-13004"], 12, "cable", 0.15}},
	}
	codes := []string{"J01", "J02", "J07"}
	for _, code := range codes {
		lines := []parts.NewLine{always(part["MW-95101"], "1")}
		for _, l := range jobs[code] {
			lines = append(lines, ifFound(l.part, fmt.Sprint(l.n), l.cause, l.chance))
		}
		w.with(code, nil, lines...)
	}
	// how much the van should hold of each; sometimes nobody has filled it up
	least := map[uuid.UUID]int{part["MW-20110"]: 1, part["MW-22003"]: 1, part["MW-22002"]: 4, part["MW-13004"]: 12, part["MW-70002"]: 1, part["MW-95101"]: 6}
	has := map[uuid.UUID]int{}
	move := func(all ...stock.Moving) {
		if len(all) > 0 {
			pgtest.Done(t, w.db, sys, func(tx *gorm.DB) ([]stock.Movement, error) { return stock.Move(tx, sys, now, all) })
		}
	}
	const weeks, draws = 52, 4000
	said, came, ready, expected, variance := 0.0, 0, 0, 0.0, 0.0
	for week := range weeks {
		var fill []stock.Moving
		for _, number := range []string{"MW-20110", "MW-22003", "MW-22002", "MW-13004", "MW-70002", "MW-95101"} {
			id := part[number]
			if lacks := least[id] - has[id]; lacks > 0 && (number == "MW-95101" || dice.Float64() < 0.6) {
				fill, has[id] = append(fill, stock.Moving{Kind: "receive", PartID: id, Amount: amount.Of(int64(lacks)), To: &w.van.ID, Sure: true, Reason: "filled up"}), least[id]
			}
		}
		move(fill...)
		on := today + calendar.Date(7*week+2)
		at := []uuid.UUID{w.left.ID, w.right.ID}
		var tasks []visits.Doing
		var work []line
		for n := range 1 + dice.IntN(3) {
			code, position := codes[dice.IntN(len(codes))], at[dice.IntN(2)]
			id := w.task(code, 7*week+2, func(n *pm.NewTask) { n.PositionID = &position })
			tasks = append(tasks, visits.Doing{TaskID: id})
			for _, l := range jobs[code] {
				l.cause = fmt.Sprint(position, l.cause) // one event at one brush, whichever jobs list it
				_ = n
				work = append(work, l)
			}
		}
		// of one cause at one brush the likelier line of two jobs occurs whenever the other does
		need := func() map[uuid.UUID]int {
			u, all := map[string]float64{}, map[uuid.UUID]int{}
			for _, l := range work {
				if _, drawn := u[l.cause]; !drawn {
					u[l.cause] = dice.Float64()
				}
				if u[l.cause] < l.chance {
					all[l.part] += l.n
				}
			}
			all[part["MW-95101"]] += len(tasks)
			return all
		}
		twice := func(all map[uuid.UUID]int) bool {
			for id, n := range all {
				if n > has[id] {
					return true
				}
			}
			return false
		}
		visit := w.visit(7*week+2, func(in *visits.New) { in.Starts, in.Minutes, in.Tasks = "08:00", 600, tasks })
		leaves := calendar.Local(on, 7*time.Hour, time.UTC)
		pgtest.Done(t, w.db, w.imre, func(tx *gorm.DB) (int, error) {
			return visits.Enter(tx, w.imre, leaves, visit, []visits.NewEntry{{ID: uuid.New(), Act: visits.LeftFor, DoneAt: leaves}})
		})
		if err := visits.Say(ctx, w.db, leaves, visit); err != nil {
			t.Fatal(err)
		}
		chance := w.one(visit).SaidChance
		if chance == nil {
			t.Fatalf("in week %d nothing was said", week)
		}
		p := float64(*chance) / 10000
		ready++
		said, variance = said+1-p, variance+p*(1-p)
		// often enough that what was said of this very visit can be held against what comes
		again := 0
		for range draws {
			if twice(need()) {
				again++
			}
		}
		share := float64(again) / draws
		expected += share
		if err := 4*math.Sqrt(p*(1-p)/draws) + 0.0001; math.Abs(share-(1-p)) > err { // what was said has four digits
			t.Errorf("in week %d %.4f was said, and of %d draws %.4f came twice (± %.4f)", week, 1-p, draws, share, err)
		}
		// and once as it came: what was used is gone
		all := need()
		if twice(all) {
			came++
		}
		var use []stock.Moving
		for id, n := range all {
			if n = min(n, has[id]); n > 0 {
				use, has[id] = append(use, stock.Moving{Kind: "issue", PartID: id, Amount: amount.Of(int64(n)), From: &w.van.ID, Sure: true, Reason: "used"}), has[id]-n
			}
		}
		move(use...)
		if err := w.do(func(tx *gorm.DB) error {
			return tx.Exec(`update visit set state = 'closed', ended_at = ?, ended_by = ?, version = version + 1 where id = ?`, leaves, sys.ID, visit).Error
		}); err != nil {
			t.Fatal(err)
		}
	}
	// within three standard deviations of a year with these chances
	t.Logf("%d visits went ready; %.2f second trips were said (%.1f %%), %d came (%.1f %%), ± %.2f; over %d draws of each %.2f", ready, said, 100*said/float64(ready), came, 100*float64(came)/float64(ready), math.Sqrt(variance), draws, expected)
	if d := math.Abs(float64(came) - said); d > 3*math.Sqrt(variance) {
		t.Errorf("%d came twice, and %.2f was said (± %.2f)", came, said, math.Sqrt(variance))
	}
	if said < 3 || said > float64(ready)-3 {
		t.Errorf("%.2f of %d: such a year shows nothing", said, ready)
	}
}
