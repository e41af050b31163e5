package pgdb_test

import (
	"errors"
	"slices"
	"strings"
	"testing"

	"github.com/jackc/pgx/v5"
	"gorm.io/gorm"

	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgtest"
)

func TestRowsAreCopiedInTheTransaction(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	bring := func(codes ...string) func(tx *gorm.DB) error {
		return func(tx *gorm.DB) error {
			if err := tx.Exec(`create temp table incoming (id uuid, code text) on commit drop`).Error; err != nil {
				return err
			}
			rows := make([][]any, len(codes))
			for i, c := range codes {
				rows[i] = []any{[16]byte(pgdb.NewID()), c}
			}
			n, err := pgdb.Copy(tx, "incoming", []string{"id", "code"}, pgx.CopyFromRows(rows))
			if err != nil {
				return err
			}
			if int(n) != len(codes) {
				t.Errorf("copied %d of %d", n, len(codes))
			}
			return tx.Exec(`insert into customer (id, code, name, created_at) select id, code, code, now() from incoming`).Error
		}
	}
	if err := db.InBulk(ctx, system, bring("AAA", "BBB")); err != nil {
		t.Fatal(err)
	}
	// the table went with the transaction, and what breaks a rule takes all back
	if err := db.InBulk(ctx, system, bring("CCC", "AAA")); fault.KindOf(err) != fault.Conflict {
		t.Errorf("a code twice: %v", err)
	}
	if err := db.InBulk(ctx, pgdb.NewID(), bring("DDD")); fault.KindOf(err) != fault.Forbidden {
		t.Errorf("somebody without a role: %v", err)
	}
	if got := customers(t, db); got != "AAA BBB" && got != "AAABBB" && got != "AAA,BBB" {
		t.Errorf("recorded are %q", got)
	}
	err := db.InTx(ctx, system, func(tx *gorm.DB) error {
		_, err := pgdb.Copy(tx, "customer", []string{"id"}, pgx.CopyFromRows(nil))
		return err
	})
	if err == nil || !strings.Contains(err.Error(), "InBulk") {
		t.Errorf("copied outside of InBulk: %v", err)
	}
}

func TestASnapshotStaysAsItWas(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	if err := db.InTx(ctx, system, addCustomer("AAA")); err != nil {
		t.Fatal(err)
	}
	count := func(each pgdb.Each) (n []string) {
		err := each(`select code, null from customer where code > @after order by code`, map[string]any{"after": ""}, func(cells []*string) error {
			if cells[1] != nil {
				t.Error("a null came as a text")
			}
			n = append(n, *cells[0])
			return nil
		})
		if err != nil {
			t.Error(err)
		}
		return n
	}
	err := pgdb.Snapshot(ctx, db, system, func(each pgdb.Each) error {
		was := count(each)
		if err := db.InTx(ctx, system, addCustomer("BBB")); err != nil {
			return err
		}
		if is := count(each); !slices.Equal(is, was) || len(is) != 1 {
			t.Errorf("saw %v and then %v", was, is)
		}
		return each(`select code from customer`, nil, func([]*string) error { return errors.New("enough") })
	})
	if err == nil || err.Error() != "enough" {
		t.Errorf("ended with %v", err)
	}
	// row security holds
	if err := pgdb.Snapshot(ctx, db, pgdb.NewID(), func(each pgdb.Each) error {
		if got := count(each); len(got) != 0 {
			t.Errorf("a stranger saw %v", got)
		}
		return nil
	}); err != nil {
		t.Error(err)
	}
}
