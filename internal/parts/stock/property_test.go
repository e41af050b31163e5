package stock

import (
	"fmt"
	"math/rand/v2"
	"sync"
	"testing"
	"time"

	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/parts/amount"
	"spindlebook/internal/pgdb"
)

// Whatever four people do at once with few parts, refused or not, late or not, counted in
// between: the balances are what the movements make, none is below zero but the
// unexplained, and nothing comes out of nothing.
func TestWhateverIsDoneAtOnceTheLedgerAgreesWithItself(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.move("receive 200 NUT > WH", "receive 200 KEY > WH", "receive 200 SEAL/L1 > WH", "receive 200 SEAL/L2 > V1")
	began := w.now
	now := began.Add(aDay)
	places, parts := []string{"WH", "V1", "V2", "SH-HAD"}, []string{"NUT", "KEY", "SEAL"}
	var all sync.WaitGroup
	for c := range 4 {
		dice := rand.New(rand.NewPCG(7, uint64(c)))
		all.Go(func() {
			for i := range 40 {
				number, from, to := parts[dice.IntN(3)], places[dice.IntN(4)], places[dice.IntN(4)]
				n, at := int64(1+dice.IntN(60)), began.Add(time.Duration(dice.IntN(23))*time.Hour)
				var err error
				switch dice.IntN(4) {
				case 0:
					u := Used{PartID: w.part[number], Amount: amount.Of(n), From: *w.at(from), At: &at}
					err = w.try(w.tech, func(tx *gorm.DB) error { _, err := Use(tx, w.tech, now, []Used{u}); return err })
					if err != nil && !retried(err) {
						t.Errorf("a finished job is refused: %v", err)
					}
				case 1:
					if i%8 != 0 {
						continue
					}
					_ = w.try(w.clerk, func(tx *gorm.DB) error {
						c, err := OpenCount(tx, w.clerk, now, *w.at(from), false, nil)
						if err != nil || len(c.Lines) == 0 {
							return err
						}
						var in []Counted
						for _, l := range c.Lines { // as it stands, so that nobody must count again
							id := l.ID
							in = append(in, Counted{LineID: &id, Amount: max(0, val(l.Expected)), At: &now})
						}
						if c, err = EnterCount(tx, w.clerk, now, c.ID, in); err != nil {
							return err
						}
						_, _, err = PostCount(tx, w.clerk, now, c.ID, c.Version)
						return err
					})
				default:
					_ = w.try(w.clerk, func(tx *gorm.DB) error {
						_, err := Move(tx, w.clerk, now, []Moving{{Kind: "move", PartID: w.part[number], Amount: amount.Of(n), From: w.at(from), To: w.at(to), At: &at}})
						return err
					})
				}
			}
		})
	}
	all.Wait()
	w.sound()
	// what was received is what lies somewhere and what was used
	sums, err := pgdb.Read[struct{ Says string }](ctx, w.db, access.System.ID, `
select p.number || ' ' || trim_scale(sum(b.on_hand) + (select sum(case when m.from_id is null then -m.amount when m.to_id is null then m.amount else 0 end) from stock_movement as m where m.part_id = p.id)) as says
  from stock_balance as b join part as p on p.id = b.part_id group by p.id, p.number`, nil)
	if err != nil || len(sums) != 3 {
		t.Fatalf("%v, %v", sums, err)
	}
	for _, s := range sums {
		if want := fmt.Sprintf("%s 0", s.Says[:len(s.Says)-2]); s.Says != want {
			t.Errorf("something came out of nothing: %s", s.Says)
		}
	}
}

// retried tells whether the fault says that two met in one instant, which the sender repeats.
func retried(err error) bool {
	f, ok := err.(interface{ Error() string })
	return ok && len(f.Error()) > 12 && f.Error()[:13] == "somebody else"
}
