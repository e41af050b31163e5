package pgtest_test

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"

	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgtest"
)

func (t *told) Errorf(format string, args ...any) { t.why += fmt.Sprintf(format, args...) + "\n" }

// Whoever goes on after a statement has failed, or blames the sender for it, is told; whoever
// hands the failure on is not, and in the end does what was to be done.
func TestAFailureIsHandedOn(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	pgtest.Breakable(t, db)
	told := func(fn func(tx *gorm.DB) error) (string, error) {
		it := &told{TB: t}
		err := pgtest.Breaking(it, db, access.System, fn)
		return it.why, err
	}
	number := func(code string) func(tx *gorm.DB) error {
		return func(tx *gorm.DB) error {
			_, err := pgdb.ID(tx, `select id from customer where code = ?`, code)
			if err != nil {
				return err
			}
			return tx.Exec(`insert into customer (id, code, name, created_at) values (?, ?, ?, now())`, pgdb.NewID(), code, "Customer "+code).Error
		}
	}
	if why, err := told(number("A")); why != "" || err != nil {
		t.Errorf("what hands it on: %s%v", why, err)
	}
	why, err := told(func(tx *gorm.DB) error { _ = tx.Exec(`select 1`).Error; return number("B")(tx) })
	if !strings.Contains(why, "nobody noticed") || err != nil {
		t.Errorf("what goes on: %s%v", why, err)
	}
	why, err = told(func(tx *gorm.DB) error {
		if tx.Exec(`select 2`).Error != nil {
			return fault.Field("code", "C", "is wrong")
		}
		return number("C")(tx)
	})
	if !strings.Contains(why, "code: is wrong") || err != nil {
		t.Errorf("what blames the sender: %s%v", why, err)
	}
	wrong := errors.New("as it is")
	if why, err := told(func(*gorm.DB) error { return wrong }); why != "" || !errors.Is(err, wrong) {
		t.Errorf("what fails by itself: %s%v", why, err)
	}
	n, err := pgdb.ReadOne[struct{ N int }](context.Background(), db, access.System.ID, "count", "", `select count(*)::int as n from customer where code in ('A', 'B', 'C')`, nil)
	if err != nil || n.N != 3 {
		t.Errorf("%d customers, %v", n.N, err)
	}
}

// A reader that gives what it has so far, when it was stopped, is told.
func TestAStoppedReaderSaysSo(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	two := func(careless bool) string {
		it := &told{TB: t}
		pgtest.Interrupted(it, "reading twice", func(ctx context.Context) error {
			if _, err := pgdb.Read[struct{ N int }](ctx, db, access.System.ID, `select 1 as n`, nil); err != nil {
				return err
			}
			if _, err := pgdb.Read[struct{ N int }](ctx, db, access.System.ID, `select 2 as n`, nil); err != nil && !careless {
				return err
			}
			return nil
		})
		return it.why
	}
	if why := two(false); why != "" {
		t.Error(why)
	}
	if why := two(true); !strings.Contains(why, "reading twice was stopped after 2 of 4 statements and says <nil>") {
		t.Error(why)
	}
	it := &told{TB: t}
	if pgtest.Interrupted(it, "nothing", func(context.Context) error { return nil }); it.why == "" {
		t.Error("what asks nothing is taken for a reader")
	}
}
