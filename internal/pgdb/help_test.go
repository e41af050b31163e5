package pgdb_test

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgtest"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

var (
	ctx    = context.Background()
	now    = time.Date(2025, 6, 10, 9, 0, 0, 0, time.UTC)
	system = access.System.ID
)

// connect opens a plain connection for the time of a test, beside the pool
// under test: as the owner, or as a superuser.
func connect(t testing.TB, dsn string) *pgx.Conn {
	t.Helper()
	conn, err := pgx.Connect(ctx, dsn)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close(ctx) })
	return conn
}

// superuser gives the address under which the server's administrator reaches
// the database at dsn.
func superuser(t testing.TB, dsn string) string {
	t.Helper()
	cfg, err := pgx.ParseConfig(dsn)
	if err != nil {
		t.Fatal(err)
	}
	return pgtest.Server(t).DSN("postgres", cfg.Database)
}

// run executes statements one after the other.
func run(t testing.TB, conn *pgx.Conn, statements ...string) {
	t.Helper()
	for _, s := range statements {
		if _, err := conn.Exec(ctx, s); err != nil {
			t.Fatalf("%s: %v", s, err)
		}
	}
}

// ask gives the rows of a query, each as its columns joined by a space.
func ask(t testing.TB, conn *pgx.Conn, sql string, args ...any) []string {
	t.Helper()
	rows, err := conn.Query(ctx, sql, args...)
	if err != nil {
		t.Fatal(err)
	}
	found, err := pgx.CollectRows(rows, func(r pgx.CollectableRow) (string, error) {
		texts := make([]*string, len(r.FieldDescriptions()))
		targets := make([]any, len(texts))
		for i := range texts {
			targets[i] = &texts[i]
		}
		if err := r.Scan(targets...); err != nil {
			return "", err
		}
		var all []string
		for _, s := range texts {
			if s != nil {
				all = append(all, *s)
			}
		}
		return strings.Join(all, " "), nil
	})
	if err != nil {
		t.Fatalf("%s: %v", sql, err)
	}
	return found
}

// addCustomer writes one row, which the tests then look for.
func addCustomer(code string) func(*gorm.DB) error {
	return func(tx *gorm.DB) error {
		return tx.Exec(`insert into customer (id, code, name, created_at) values (?, ?, 'Hadrelle Wash Group', ?)`, pgdb.NewID(), code, now).Error
	}
}

// customers gives the codes that are recorded, as the system sees them.
func customers(t testing.TB, db *pgdb.DB) string {
	t.Helper()
	type row struct{ Code string }
	found, err := pgdb.Read[row](ctx, db, system, `select code from customer order by code`, nil)
	if err != nil {
		t.Fatal(err)
	}
	var codes []string
	for _, r := range found {
		codes = append(codes, r.Code)
	}
	return strings.Join(codes, " ")
}

// sqlState gives the code of the database's own error, "" if there is none.
func sqlState(err error) string {
	if pe, ok := errors.AsType[*pgconn.PgError](err); ok {
		return pe.Code
	}
	return ""
}

// mustBeAway fails unless the error says that the database is away, and when to try again.
func mustBeAway(t testing.TB, err error) {
	t.Helper()
	f, ok := errors.AsType[*fault.Error](err)
	if !ok || f.Kind != fault.Unavailable || f.RetryAfter <= 0 {
		t.Errorf("got %v, want fault.Unavailable with a time to wait", err)
	}
}

// emptyDatabase makes a database that the owner owns and nobody has migrated.
func emptyDatabase(t testing.TB) (service, owner string) {
	t.Helper()
	s := pgtest.Server(t)
	name := "e_" + strings.ReplaceAll(uuid.NewString(), "-", "")
	if err := pgdb.MakeRoles(ctx, s.DSN("postgres", "postgres"), name); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { run(t, connect(t, s.DSN("postgres", "postgres")), "drop database "+name+" with (force)") })
	return s.DSN(pgdb.ServiceRole, name), s.DSN(pgdb.OwnerRole, name)
}
