package pgdb_test

import (
	"errors"
	"strings"
	"sync"
	"testing"

	"github.com/jackc/pgx/v5"
	"gorm.io/gorm"

	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgtest"
)

func TestABrokenRuleNamesItsField(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	if err := db.InTx(ctx, system, addCustomer("HAD")); err != nil {
		t.Fatal(err)
	}
	for code, want := range map[string]struct {
		kind  fault.Kind
		field string
	}{
		"HAD":       {fault.Conflict, "code"},
		"had":       {fault.Invalid, "code"},
		"A\x00":     {fault.Malformed, ""}, // a zero byte is no text for PostgreSQL
		"\xff\xfe!": {fault.Malformed, ""}, // nor is what is not UTF-8
	} {
		err := db.InTx(ctx, system, addCustomer(code))
		f, ok := errors.AsType[*fault.Error](err)
		if !ok || f.Kind != want.kind || f.Field != want.field || f.Msg == "" {
			t.Errorf("%q: %v, want kind %d at %q", code, err, want.kind, want.field)
		}
		// the cause is kept for the log
		if sqlState(err) == "" {
			t.Errorf("%q: the cause is lost: %v", code, err)
		}
	}
	// the same inside of a document
	err := db.InTx(ctx, system, func(tx *gorm.DB) error { return tx.Exec(`select cast(? as jsonb)`, `"\u0000"`).Error })
	if fault.KindOf(err) != fault.Malformed {
		t.Errorf("a zero byte in a document: %v", err)
	}
	// one fault does not change the words of the next
	if pgdb.Meaning["customer_code_form"].Err != nil || pgdb.Meaning["customer_code_form"].Kind != fault.Internal {
		t.Error("the table of words was written to")
	}
}

// kill ends the sessions of the service on the database, as an administrator
// may at any time, and returns when they are gone.
func kill(t testing.TB, admin *pgx.Conn) {
	t.Helper()
	run(t, admin, `select pg_terminate_backend(pid, 10000) from pg_stat_activity where datname = current_database() and usename = 'spindlebook_app'`)
}

func TestALostConnectionIsUnavailable(t *testing.T) {
	t.Parallel()
	service, _ := pgtest.DSN(t)
	admin := connect(t, superuser(t, service))
	db := pgtest.Open(t, service)

	mustBeAway(t, db.InTx(ctx, system, func(tx *gorm.DB) error {
		if err := addCustomer("A")(tx); err != nil {
			t.Error(err)
		}
		kill(t, admin)
		return addCustomer("B")(tx)
	}))
	// lost between the last statement and the commit: nobody may be told that it is done
	mustBeAway(t, db.InTx(ctx, system, func(tx *gorm.DB) error {
		err := addCustomer("C")(tx)
		kill(t, admin)
		return err
	}))
	// idle ones are lost as well: each is noticed once, and then it goes on by itself
	kill(t, admin)
	type row struct{ Code string }
	for tries := 0; ; tries++ {
		got, err := pgdb.Read[row](ctx, db, system, `select code from customer`, nil)
		if err == nil {
			if len(got) != 0 {
				t.Errorf("of the lost transactions is there %v", got)
			}
			break
		}
		mustBeAway(t, err)
		if tries > 20 {
			t.Fatal("the pool does not recover")
		}
	}
	kill(t, admin)
	for tries := 0; ; tries++ {
		err := db.InTx(ctx, system, addCustomer("D"))
		if err == nil {
			break
		}
		mustBeAway(t, err)
		if tries > 20 {
			t.Fatal("the pool does not recover")
		}
	}
	if got := customers(t, db); got != "D" {
		t.Errorf("recorded are %q", got)
	}
}

func TestATooLongStatementIsUnavailable(t *testing.T) {
	t.Parallel()
	service, _ := pgtest.DSN(t)
	db := pgtest.Open(t, service+" statement_timeout=20ms")
	mustBeAway(t, db.InTx(ctx, system, func(tx *gorm.DB) error { return tx.Exec(`select pg_sleep(60)`).Error }))
	_, err := pgdb.Read[struct{ Slept string }](ctx, db, system, `select pg_sleep(60)::text as slept`, nil)
	mustBeAway(t, err)
	// where the address says nothing, there is a bound all the same
	type row struct{ Bound, Zone, Name string }
	got, err := pgdb.Read[row](ctx, pgtest.Open(t, service), system,
		`select current_setting('statement_timeout') as bound, current_setting('timezone') as zone, current_setting('application_name') as name`, nil)
	if err != nil || got[0] != (row{"30s", "UTC", "spindlebook"}) {
		t.Errorf("a connection has %v, %v", got, err)
	}
}

func TestADatabaseThatTakesNoWritesIsUnavailable(t *testing.T) {
	t.Parallel()
	service, owner := pgtest.DSN(t)
	cfg, err := pgx.ParseConfig(owner)
	if err != nil {
		t.Fatal(err)
	}
	run(t, connect(t, owner), `alter database `+cfg.Database+` set default_transaction_read_only = on`)
	db := pgtest.Open(t, service)
	err = db.InTx(ctx, system, addCustomer("HAD"))
	mustBeAway(t, err)
	if !strings.Contains(err.Error(), "takes no writes") {
		t.Errorf("the reason given is %q", err)
	}
	if got := customers(t, db); got != "" { // what is read is read all the same
		t.Errorf("recorded are %q", got)
	}
}

func TestOfTwoWhoHoldEachOtherUpOneIsAskedToRepeat(t *testing.T) {
	t.Parallel()
	service, owner := pgtest.DSN(t)
	cfg, err := pgx.ParseConfig(owner)
	if err != nil {
		t.Fatal(err)
	}
	// only to be found out sooner than after a second
	run(t, connect(t, superuser(t, owner)), `alter database `+cfg.Database+` set deadlock_timeout = '10ms'`)
	db := pgtest.Open(t, service)
	var both, all sync.WaitGroup
	both.Add(2)
	faults := make([]error, 2)
	for i, locks := range [][]int{{1, 2}, {2, 1}} {
		all.Go(func() {
			faults[i] = db.InTx(ctx, system, func(tx *gorm.DB) error {
				err := tx.Exec(`select pg_advisory_xact_lock(?)`, locks[0]).Error
				both.Done()
				if err != nil {
					return err
				}
				both.Wait() // each holds one
				return tx.Exec(`select pg_advisory_xact_lock(?)`, locks[1]).Error
			})
		})
	}
	all.Wait()
	if (faults[0] == nil) == (faults[1] == nil) {
		t.Fatalf("of two in a deadlock: %v", faults)
	}
	mustBeAway(t, errors.Join(faults...))
}

func TestALockThatIsNotGivenAndASnapshotThatIsOldAskToRepeat(t *testing.T) {
	t.Parallel()
	service, _ := pgtest.DSN(t)
	db := pgtest.Open(t, service)
	if err := db.InTx(ctx, system, addCustomer("HAD")); err != nil {
		t.Fatal(err)
	}
	rename := func(tx *gorm.DB) error { return tx.Exec(`update customer set name = name || '!'`).Error }
	impatient := pgtest.Open(t, service+" lock_timeout=10ms")
	err := db.InTx(ctx, system, func(tx *gorm.DB) error {
		if err := rename(tx); err != nil {
			return err
		}
		mustBeAway(t, impatient.InTx(ctx, system, rename))
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	strict := pgtest.Open(t, service+" default_transaction_isolation='repeatable read'")
	mustBeAway(t, strict.InTx(ctx, system, func(tx *gorm.DB) error {
		var n int
		if err := tx.Raw(`select count(*) from customer`).Scan(&n).Error; err != nil {
			return err
		}
		if err := db.InTx(ctx, system, rename); err != nil {
			t.Error(err)
		}
		return rename(tx)
	}))
}

func TestWhatRowSecurityRefusesIsForbidden(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	err := db.InTx(ctx, pgdb.NewID(), addCustomer("HAD"))
	if fault.KindOf(err) != fault.Forbidden {
		t.Errorf("somebody without a role writes: %v", err)
	}
	// a right that the service itself lacks is our fault, and hidden
	err = db.InTx(ctx, system, func(tx *gorm.DB) error { return tx.Exec(`delete from customer`).Error })
	if err == nil || fault.KindOf(err) != fault.Internal {
		t.Errorf("a right that the service lacks: %v", err)
	}
}
