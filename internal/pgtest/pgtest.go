// Package pgtest gives each test a PostgreSQL database of its own, migrated and
// opened as the service's role. The server is private to the test program: it
// starts with the first test that wants it and ends with the program.
package pgtest

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"strings"
	"sync"
	"testing"

	"github.com/jackc/pgx/v5"

	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgdb/cluster"
)

const template = "spindlebook_template"

var (
	mu      sync.Mutex
	server  *cluster.Cluster
	folder  string
	startUp error
)

// Main runs the tests of a package and then ends the server, if any test
// started it. Call it from TestMain.
func Main(m *testing.M) {
	code := m.Run()
	if server != nil {
		_ = server.Stop(context.Background())
	}
	if folder != "" {
		_ = os.RemoveAll(folder)
	}
	os.Exit(code)
}

// Server gives the running test server, with a migrated template in it.
func Server(t testing.TB) *cluster.Cluster {
	t.Helper()
	mu.Lock()
	defer mu.Unlock()
	if server == nil && startUp == nil {
		startUp = start()
	}
	if startUp != nil {
		t.Fatalf("start the test server: %v", startUp)
	}
	return server
}

func start() (err error) {
	// not t.TempDir: the server's own OS user must reach it
	if folder, err = os.MkdirTemp(fastest(), "spindlebook-test-"); err != nil {
		return err
	}
	if err := os.Chmod(folder, 0o755); err != nil {
		return err
	}
	ctx := context.Background()
	server, err = cluster.Start(ctx, cluster.Options{
		Dir:   folder,
		Roles: []string{pgdb.OwnerRole, pgdb.ServiceRole},
		Log:   slog.New(slog.DiscardHandler),
		// half the time, and nothing here outlives the program
		Settings: map[string]string{"fsync": "off", "full_page_writes": "off", "synchronous_commit": "off", "max_connections": "200",
			"max_wal_size": "256MB"},
	})
	if err != nil {
		return err
	}
	if err := pgdb.MakeRoles(ctx, server.DSN("postgres", "postgres"), template); err != nil {
		return err
	}
	_, err = pgdb.Migrate(ctx, server.DSN(pgdb.OwnerRole, template))
	return err
}

// DSN makes a fresh migrated database and gives the addresses under which the
// service and the owner reach it. A failed test keeps its database as long as
// the server lives.
func DSN(t testing.TB) (service, owner string) {
	t.Helper()
	return copied(t, Server(t), template)
}

// filling is a database that was filled once and is copied for each test.
type filling struct {
	once sync.Once
	name string
	err  error
}

var fillings sync.Map // by the name under which tests ask for them

// Filled is DSN for a database with something in it that takes long: the first
// test of a program that asks for what has this name fills it, and all get copies.
func Filled(t testing.TB, what string, fill func(db *pgdb.DB) error) (service, owner string) {
	t.Helper()
	s := Server(t)
	kept, _ := fillings.LoadOrStore(what, &filling{})
	f := kept.(*filling)
	f.once.Do(func() {
		f.err = errors.New("the test that filled it gave up") // unless it comes to its end
		f.name, f.err = filled(s, fill)
	})
	if f.err != nil {
		t.Fatalf("fill a test database with %s: %v", what, f.err)
	}
	return copied(t, s, f.name)
}

// filled makes a database and fills it.
func filled(s *cluster.Cluster, fill func(db *pgdb.DB) error) (name string, err error) {
	name = fresh("f_")
	if err := create(s, name, template); err != nil {
		return "", err
	}
	db, err := pgdb.Open(context.Background(), s.DSN(pgdb.ServiceRole, name))
	if err != nil {
		return "", err
	}
	defer db.Close() // nobody may be connected to what is copied
	return name, fill(db)
}

func fresh(prefix string) string { return prefix + strings.ToLower(rand.Text()[:10]) }

// create copies a database file by file: by the log, as PostgreSQL does unasked, takes twice as
// long for one that holds as little.
func create(s *cluster.Cluster, name, of string) error {
	return admin(s, fmt.Sprintf("create database %s template %s owner %s strategy file_copy", name, of, pgdb.OwnerRole))
}

func copied(t testing.TB, s *cluster.Cluster, of string) (service, owner string) {
	t.Helper()
	name := fresh("t_")
	if err := create(s, name, of); err != nil {
		t.Fatalf("make a test database: %v", err)
	}
	t.Cleanup(func() {
		if err := admin(s, "drop database if exists "+name+" with (force)"); err != nil {
			t.Logf("drop the test database: %v", err)
		}
	})
	return s.DSN(pgdb.ServiceRole, name), s.DSN(pgdb.OwnerRole, name)
}

// New makes a fresh migrated database and opens it as the service's role.
func New(t testing.TB) *pgdb.DB {
	t.Helper()
	service, _ := DSN(t)
	return Open(t, service)
}

// Open opens a database for the time of a test.
func Open(t testing.TB, dsn string) *pgdb.DB {
	t.Helper()
	db, err := pgdb.Open(context.Background(), dsn)
	if err != nil {
		t.Fatalf("open the test database: %v", err)
	}
	t.Cleanup(db.Close)
	return db
}

// one at a time: nobody may be connected to the template while it is copied
var adminMu sync.Mutex

func admin(s *cluster.Cluster, sql string) (err error) {
	adminMu.Lock()
	defer adminMu.Unlock()
	ctx := context.Background()
	conn, err := pgx.Connect(ctx, s.DSN("postgres", "postgres"))
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, conn.Close(ctx)) }()
	_, err = conn.Exec(ctx, sql)
	return err
}
