package pgdb_test

import (
	"strings"
	"sync"
	"testing"

	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgtest"
)

func TestMigrateAtOnceAndAgain(t *testing.T) {
	t.Parallel()
	service, owner := emptyDatabase(t)
	// whoever does not own the database cannot migrate it
	if _, err := pgdb.Migrate(ctx, service); err == nil {
		t.Error("the service's role migrates")
	}
	if empty, err := pgdb.Empty(ctx, owner); err != nil || !empty {
		t.Errorf("after a migration that was refused: empty is %v, %v", empty, err)
	}
	var all sync.WaitGroup
	applied := make([][]string, 3)
	for i := range applied {
		all.Go(func() {
			var err error
			if applied[i], err = pgdb.Migrate(ctx, owner); err != nil {
				t.Errorf("migrate %d: %v", i, err)
			}
		})
	}
	all.Wait()
	names := map[string]int{}
	for _, files := range applied {
		for _, name := range files {
			names[name]++
		}
	}
	conn := connect(t, owner)
	recorded := ask(t, conn, `select version_id::text from schema_version where version_id > 0`)
	if len(names) == 0 || len(names) != len(recorded) {
		t.Errorf("applied %v, recorded %v", names, recorded)
	}
	for name, times := range names {
		if times != 1 {
			t.Errorf("%s was applied %d times", name, times)
		}
	}
	if again, err := pgdb.Migrate(ctx, owner); err != nil || len(again) != 0 {
		t.Errorf("again applied %v, %v", again, err)
	}
	if err := pgtest.Open(t, service).Ready(ctx); err != nil {
		t.Errorf("not ready after migrating: %v", err)
	}
	if empty, err := pgdb.Empty(ctx, owner); err != nil || empty {
		t.Errorf("after migrating: empty is %v, %v", empty, err)
	}
	if _, err := pgdb.Empty(ctx, "host="+t.TempDir()+" user=nobody dbname=none sslmode=disable"); err == nil {
		t.Error("a database that is not there is empty")
	}
	if _, err := pgdb.Migrate(ctx, "host='"); err == nil {
		t.Error("a wrong address is taken")
	}
	if _, err := pgdb.Migrate(ctx, "host="+t.TempDir()+" user=nobody dbname=none sslmode=disable"); err == nil {
		t.Error("a database that is not there is migrated")
	}
}

func TestReadySaysWhatToDo(t *testing.T) {
	t.Parallel()
	notReady := func(what, dsn string, words ...string) {
		t.Helper()
		err := pgtest.Open(t, dsn).Ready(ctx)
		if err == nil {
			t.Errorf("%s: ready", what)
			return
		}
		for _, w := range words {
			if !strings.Contains(err.Error(), w) {
				t.Errorf("%s: %q does not say %q", what, err, w)
			}
		}
	}
	empty, _ := emptyDatabase(t)
	notReady("no schema", empty, "no schema yet", "migrate")

	service, owner := pgtest.DSN(t)
	if err := pgtest.Open(t, service).Ready(ctx); err != nil {
		t.Fatalf("not ready: %v", err)
	}
	notReady("as the owner", owner, "spindlebook_owner", "owns tables", "serve as spindlebook_app")
	notReady("as a superuser", superuser(t, owner), "postgres", "above row-level security", "serve as spindlebook_app")

	conn := connect(t, owner)
	run(t, conn, `insert into schema_version (version_id, is_applied) select max(version_id) + 1, true from schema_version`)
	notReady("ahead", service, "newer than", "later")
	run(t, conn, `delete from schema_version where version_id >= (select max(version_id) - 1 from schema_version)`)
	notReady("behind", service, "this program needs", "migrate")
	run(t, conn, `revoke select on schema_version from spindlebook_app`)
	notReady("without a right to look", service, "migrate")

	db := pgtest.Open(t, service)
	db.Close()
	if err := db.Ready(ctx); err == nil {
		t.Error("ready without a database")
	}
}

func TestMakeRolesChangesNothingThatIsThere(t *testing.T) {
	t.Parallel()
	service, owner := pgtest.DSN(t)
	if err := pgtest.Open(t, service).InTx(ctx, system, addCustomer("HAD")); err != nil {
		t.Fatal(err)
	}
	conn := connect(t, owner)
	if err := pgdb.MakeRoles(ctx, superuser(t, owner), ask(t, conn, `select current_database()`)[0]); err != nil {
		t.Errorf("a second time: %v", err)
	}
	if got := ask(t, conn, `select code from customer`); len(got) != 1 {
		t.Errorf("there is %v", got)
	}
	if err := pgdb.MakeRoles(ctx, service, "another"); err == nil {
		t.Error("the service's role makes databases")
	}
	if err := pgdb.MakeRoles(ctx, "host="+t.TempDir()+" user=nobody sslmode=disable", "another"); err == nil {
		t.Error("roles are made on a server that is not there")
	}
}
