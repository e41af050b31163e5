package pgdb

import (
	"context"
	"database/sql"
	"embed"
	"errors"
	"fmt"
	"io/fs"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	_ "github.com/jackc/pgx/v5/stdlib" // the driver goose works through
	"github.com/pressly/goose/v3"
	"github.com/pressly/goose/v3/database"
	"github.com/pressly/goose/v3/lock"
)

//go:embed migrations/*.sql
var migrations embed.FS

// versionTable is goose's own record of what was applied.
const versionTable = "schema_version"

// provider opens goose over a connection of the owner.
func provider(db *sql.DB) (*goose.Provider, error) {
	files, err := fs.Sub(migrations, "migrations")
	if err != nil {
		return nil, err
	}
	store, err := database.NewStore(database.DialectPostgres, versionTable)
	if err != nil {
		return nil, err
	}
	// two programs that migrate at once: one works, the other asks every second
	// for five minutes, and then finds nothing to do
	locker, err := lock.NewPostgresSessionLocker(lock.WithLockTimeout(1, 300))
	if err != nil {
		return nil, err
	}
	return goose.NewProvider("", db, files, goose.WithStore(store), goose.WithSessionLocker(locker))
}

// Migrate brings the schema at ownerDSN to the version of this program and
// gives the names of the files it applied. The connection must be direct (no
// pooler in transaction mode) and its role must own the database; the service
// role must exist, since the migrations grant to it.
func Migrate(ctx context.Context, ownerDSN string) ([]string, error) {
	db, err := sql.Open("pgx", ownerDSN)
	if err != nil {
		return nil, fmt.Errorf("the database address cannot be read: %w", err)
	}
	defer db.Close()
	var ready bool
	err = db.QueryRowContext(ctx, "select exists (select from pg_roles where rolname = $1)", ServiceRole).Scan(&ready)
	if err != nil {
		return nil, fmt.Errorf("connect as the owner: %w", err)
	}
	if !ready {
		return nil, fmt.Errorf("the service role is missing: as a database administrator run: create role %s login password '...'", ServiceRole)
	}
	p, err := provider(db)
	if err != nil {
		return nil, err
	}
	done, err := p.Up(ctx)
	if err != nil {
		return nil, fmt.Errorf("migrate: %w", err)
	}
	var names []string
	for _, r := range done {
		names = append(names, r.Source.Path)
	}
	return names, nil
}

// newest is the version of the last embedded migration.
func newest() (int64, error) {
	names, err := fs.Glob(migrations, "migrations/*.sql")
	if err != nil || len(names) == 0 {
		return 0, errors.Join(err, errors.New("no migrations in this program"))
	}
	return goose.NumericComponent(names[len(names)-1])
}

// Ready tells whether this program may serve this database: its schema is of
// the version this program was built for, and its role is one that row-level
// security binds. The error says what to do.
func (d *DB) Ready(ctx context.Context) error {
	want, err := newest()
	if err != nil {
		return err
	}
	var have int64
	err = d.pool.QueryRow(ctx, "select max(version_id) from "+versionTable+" where is_applied").Scan(&have)
	if pe, ok := errors.AsType[*pgconn.PgError](err); ok && (pe.Code == "42P01" || pe.Code == "42501") {
		return fmt.Errorf("the database has no schema yet: run the verb migrate as the owner (DATABASE_OWNER_URL)")
	}
	if err != nil {
		return explain(err)
	}
	if have < want {
		return fmt.Errorf("the schema is at version %d and this program needs %d: run the verb migrate as the owner (DATABASE_OWNER_URL)", have, want)
	}
	if have > want {
		return fmt.Errorf("the schema is at version %d, newer than the %d of this program: use the program that migrated it, or a later one", have, want)
	}
	var role string
	var strong, owns bool
	err = d.pool.QueryRow(ctx, `
		select current_user, r.rolsuper or r.rolbypassrls,
		       exists (select from pg_class c where c.relnamespace = 'public'::regnamespace and c.relowner = r.oid)
		  from pg_roles r where r.rolname = current_user`).Scan(&role, &strong, &owns)
	if err != nil {
		return explain(err)
	}
	if strong || owns {
		return fmt.Errorf("the role %q owns tables or stands above row-level security: serve as %s", role, ServiceRole)
	}
	return nil
}

// MakeRoles makes the two roles and an empty database that the owner owns, on a
// server where adminDSN is a superuser. It changes nothing that is there. It is
// for private servers; on others the administrator does it, with passwords.
func MakeRoles(ctx context.Context, adminDSN, name string) error {
	conn, err := pgx.Connect(ctx, adminDSN)
	if err != nil {
		return fmt.Errorf("connect to make the roles: %w", err)
	}
	defer conn.Close(ctx)
	for _, role := range []string{OwnerRole, ServiceRole} {
		if err := unlessThere(conn.Exec(ctx, "create role "+role+" login")); err != nil {
			return fmt.Errorf("make role %s: %w", role, err)
		}
	}
	if err := unlessThere(conn.Exec(ctx, "create database "+pgx.Identifier{name}.Sanitize()+" owner "+OwnerRole)); err != nil {
		return fmt.Errorf("make database %s: %w", name, err)
	}
	return nil
}

// unlessThere forgives that a role or database exists already.
func unlessThere(_ pgconn.CommandTag, err error) error {
	if pe, ok := errors.AsType[*pgconn.PgError](err); ok && (pe.Code == "42710" || pe.Code == "42P04") {
		return nil
	}
	return err
}
