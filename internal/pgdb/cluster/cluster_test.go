package cluster

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
)

// patience is the limit of every wait. It only ends a test that hangs: a busy
// machine must not fail one.
const patience = 3 * time.Minute

func testContext(t *testing.T) context.Context {
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	t.Cleanup(cancel)
	return ctx
}

// eventually looks until ok says yes.
func eventually(t *testing.T, what string, ok func() bool) {
	t.Helper()
	for deadline := time.Now().Add(patience); !ok(); time.Sleep(2 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("waited in vain: %s", what)
		}
	}
}

// openDir is a temp dir that the server's user can reach; t.TempDir is not.
func openDir(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "cluster-test-")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if t.Failed() {
			text, _ := os.ReadFile(filepath.Join(dir, "postgres.log"))
			t.Logf("postgres.log: %s", text)
		}
		if err := os.RemoveAll(dir); err != nil {
			t.Errorf("clean up: %v", err)
		}
	})
	if err := os.Chmod(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	return dir
}

var template struct {
	once sync.Once
	dir  string
	err  error
}

// readyDir is the folder of a server that was made and stopped, in a copy,
// which is ten times faster than initdb. It holds a table t with one row, 1.
func readyDir(t *testing.T) string {
	t.Helper()
	template.once.Do(func() {
		dir, err := os.MkdirTemp("", "cluster-template-")
		if err == nil {
			err = os.Chmod(dir, 0o755)
		}
		template.dir = dir
		if err != nil {
			template.err = err
			return
		}
		ctx, cancel := context.WithTimeout(context.Background(), patience)
		defer cancel()
		c, err := Start(ctx, Options{Dir: dir})
		if err != nil {
			template.err = err
			return
		}
		template.err = errors.Join(
			execute(ctx, c.DSN(superuser, "postgres"), `create table t (n int)`, `insert into t values (1)`),
			c.Stop(ctx))
	})
	if template.err != nil {
		t.Fatal(template.err)
	}
	dir := openDir(t)
	if out, err := exec.Command("cp", "-a", template.dir+"/.", dir).CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	return dir
}

func execute(ctx context.Context, dsn string, statements ...string) error {
	conn, err := pgx.Connect(ctx, dsn)
	if err != nil {
		return err
	}
	defer conn.Close(ctx)
	for _, s := range statements {
		if _, err := conn.Exec(ctx, s); err != nil {
			return err
		}
	}
	return nil
}

func query[T any](t *testing.T, dsn, sql string) (v T) {
	t.Helper()
	ctx := testContext(t)
	conn, err := pgx.Connect(ctx, dsn)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(ctx)
	if err := conn.QueryRow(ctx, sql).Scan(&v); err != nil {
		t.Fatalf("%s: %v", sql, err)
	}
	return v
}

func rows(t *testing.T, c *Cluster) int {
	t.Helper()
	return query[int](t, c.DSN(superuser, "postgres"), `select count(*) from t`)
}

// start starts a server in the test itself and stops it at the end.
func start(t *testing.T, o Options) *Cluster {
	t.Helper()
	c, err := Start(testContext(t), o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Stop(context.Background()) })
	return c
}

func stop(t *testing.T, c *Cluster) {
	t.Helper()
	if err := c.Stop(testContext(t)); err != nil {
		t.Fatal(err)
	}
}

// refused starts a server that must not start and looks for words in the reason.
func refused(t *testing.T, o Options, words ...string) {
	t.Helper()
	c, err := Start(testContext(t), o)
	if err == nil {
		c.Stop(context.Background())
		t.Fatal("it started")
	}
	has(t, err.Error(), words...)
}

func has(t *testing.T, text string, words ...string) {
	t.Helper()
	t.Log(text)
	for _, w := range words {
		if !strings.Contains(text, w) {
			t.Errorf("%q does not say %q", text, w)
		}
	}
	if strings.Contains(text, "\n") {
		t.Errorf("%q is longer than a line", text)
	}
}

func exists(path ...string) bool {
	_, err := os.Lstat(filepath.Join(path...))
	return err == nil
}

func rootOnly(t *testing.T) {
	t.Helper()
	if os.Geteuid() != 0 {
		t.Skip("needs root")
	}
}

func TestFirstStart(t *testing.T) {
	t.Parallel()
	dir := filepath.Join(openDir(t), "it's", "made here")
	began := time.Now()
	c := start(t, Options{Dir: dir, Roles: []string{"app"}, Settings: map[string]string{
		"work_mem":         "5MB",
		"listen_addresses": "localhost", // must have no effect
	}})
	t.Logf("cold start: %v", time.Since(began))
	super := c.DSN(superuser, "postgres")
	if c.Adopted() {
		t.Error("a new server counts as adopted")
	}

	for sql, want := range map[string]string{
		`show server_encoding`:         "UTF8",
		`show data_checksums`:          "on",
		`show listen_addresses`:        "",
		`show unix_socket_permissions`: "0700",
		`show work_mem`:                "5MB",
		`show timezone`:                "UTC",
		`select lower('ÄÖ')`:           "äö",
		`select string_agg(x, '' order by x) from unnest(array['b','a','B']) x`: "Bab",
	} {
		if got := query[string](t, super, `select (`+wrap(sql)+`)::text`); got != want {
			t.Errorf("%s: %q, want %q", sql, got, want)
		}
	}

	if err := execute(testContext(t), super, `create role app login`, `create table t (n int)`, `insert into t values (1)`); err != nil {
		t.Fatal(err)
	}
	if got := query[string](t, c.DSN("app", "postgres"), `select current_user::text`); got != "app" {
		t.Errorf("came in as %s", got)
	}
	if err := execute(testContext(t), super, `create role other login`); err != nil {
		t.Fatal(err)
	}
	if err := execute(testContext(t), c.DSN("other", "postgres"), `select 1`); err == nil {
		t.Error("a role that was not named is let in")
	}

	for _, name := range []string{"data", "run"} {
		fi, err := os.Stat(filepath.Join(dir, name))
		if err != nil {
			t.Fatal(err)
		}
		if fi.Mode().Perm() != 0o700 || int(fi.Sys().(*syscall.Stat_t).Uid) != c.dir.uid {
			t.Errorf("%s: %v of user %d", name, fi.Mode(), fi.Sys().(*syscall.Stat_t).Uid)
		}
	}
	if !exists(c.BinDir(), "initdb") {
		t.Errorf("no initdb in %s", c.BinDir())
	}

	select {
	case <-c.Done():
		t.Error("done before it was stopped")
	default:
	}
	stop(t, c)
	<-c.Done()
	stop(t, c) // again: nothing more to do, and no error
	if exists(dir, "data/postmaster.pid") {
		t.Error("did not stop in order: pid file left")
	}

	began = time.Now()
	c = start(t, Options{Dir: dir})
	t.Logf("warm start: %v", time.Since(began))
	if n := rows(t, c); n != 1 {
		t.Errorf("%d rows", n)
	}
	if err := execute(testContext(t), c.DSN("app", "postgres"), `select 1`); err == nil {
		t.Error("a role that is no longer named is let in")
	}
	stop(t, c)
}

// wrap makes a query of show, so that both can be cast.
func wrap(sql string) string {
	if name, ok := strings.CutPrefix(sql, "show "); ok {
		return `select current_setting('` + name + `')`
	}
	return sql
}

func TestStopCutsConnections(t *testing.T) {
	t.Parallel()
	c := start(t, Options{Dir: readyDir(t)})
	ctx := testContext(t)
	conn, err := pgx.Connect(ctx, c.DSN(superuser, "postgres"))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(ctx)
	tx, err := conn.Begin(ctx)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := tx.Exec(ctx, `insert into t values (2)`); err != nil {
		t.Fatal(err)
	}
	stop(t, c)
	if err := tx.Commit(ctx); err == nil {
		t.Error("the transaction was committed after the stop")
	}
}

// TestStopInHaste: a context that has ended still leaves nothing running, and
// nothing committed is lost.
func TestStopInHaste(t *testing.T) {
	t.Parallel()
	dir := readyDir(t)
	c := start(t, Options{Dir: dir})
	if err := execute(testContext(t), c.DSN(superuser, "postgres"), `insert into t values (2)`); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if err := c.Stop(ctx); err != nil {
		t.Fatal(err)
	}
	<-c.Done()
	c = start(t, Options{Dir: dir})
	if n := rows(t, c); n != 2 {
		t.Errorf("%d rows", n)
	}
}

func TestStartGivenUp(t *testing.T) {
	t.Parallel()
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	dir := openDir(t)
	if c, err := Start(ctx, Options{Dir: dir}); !errors.Is(err, context.Canceled) {
		if err == nil {
			c.Stop(context.Background())
		}
		t.Errorf("error %v", err)
	}
	if exists(dir, "data") {
		t.Error("a data folder was made")
	}
	// In the middle of the making, too, nothing may be left running or locked.
	ctx, cancel = context.WithCancel(context.Background())
	go func() {
		for !exists(dir, "data.new/PG_VERSION") && !exists(dir, "data") {
			time.Sleep(time.Millisecond)
		}
		cancel()
	}()
	if c, err := Start(ctx, Options{Dir: dir}); !errors.Is(err, context.Canceled) {
		if err == nil {
			c.Stop(context.Background())
		}
		t.Errorf("error %v", err)
	}
	stop(t, start(t, Options{Dir: dir}))
}

func TestServerKilled(t *testing.T) {
	t.Parallel()
	dir := readyDir(t)
	c := start(t, Options{Dir: dir})
	if err := execute(testContext(t), c.DSN(superuser, "postgres"), `insert into t select generate_series(2, 1000)`); err != nil {
		t.Fatal(err)
	}
	if err := syscall.Kill(c.pid, syscall.SIGKILL); err != nil {
		t.Fatal(err)
	}
	<-c.Done()
	err := c.Stop(testContext(t))
	if err == nil {
		t.Fatal("its end counts as one in order")
	}
	has(t, err.Error(), "ended by itself", "killed", filepath.Join(dir, "postgres.log"))

	c = start(t, Options{Dir: dir})
	if n := rows(t, c); n != 1000 {
		t.Errorf("%d rows", n)
	}
}

func TestStalePidFile(t *testing.T) {
	t.Parallel()
	for _, name := range []string{"other process", "no process", "cut short", "empty"} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			dir := readyDir(t)
			f, err := openFolder(dir)
			if err != nil {
				t.Fatal(err)
			}
			defer f.close()
			if err := f.own(""); err != nil {
				t.Fatal(err)
			}
			// A process of the server's user: PostgreSQL itself then refuses to start.
			cmd := f.command(testContext(t), "sleep", "1000")
			if err := cmd.Start(); err != nil {
				t.Fatal(err)
			}
			pid := cmd.Process.Pid
			end := func() { cmd.Process.Kill(); cmd.Wait() }
			defer end()
			if name == "no process" {
				end()
			}
			text := fmt.Sprintf("%d\n%s/data\n1700000000\n5432\n%s/run\n\n  5432001 0\nready   \n", pid, dir, dir)
			switch name {
			case "cut short":
				text = strconv.Itoa(pid)
			case "empty":
				text = ""
			}
			for _, file := range []string{"data/postmaster.pid", "run/.s.PGSQL.5432.lock"} {
				if err := f.root.WriteFile(file, []byte(text), 0o600); err != nil {
					t.Fatal(err)
				}
				if err := f.give(file); err != nil {
					t.Fatal(err)
				}
			}
			c := start(t, Options{Dir: dir})
			if c.Adopted() {
				t.Error("adopted a stranger")
			}
			if n := rows(t, c); n != 1 {
				t.Errorf("%d rows", n)
			}
		})
	}
}

func TestLongPath(t *testing.T) {
	t.Parallel()
	for name, part := range map[string]string{"long": strings.Repeat("long/", 30), "comma": "a,b"} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			base := readyDir(t)
			dir := filepath.Join(base, part)
			if err := os.MkdirAll(dir, 0o755); err != nil {
				t.Fatal(err)
			}
			if err := os.Rename(filepath.Join(base, "data"), filepath.Join(dir, "data")); err != nil {
				t.Fatal(err)
			}
			for range 2 {
				c := start(t, Options{Dir: dir})
				if !fits(c.socket) || strings.HasPrefix(c.socket, dir) {
					t.Errorf("socket in %s", c.socket)
				}
				if n := rows(t, c); n != 1 {
					t.Errorf("%d rows", n)
				}
				socket := c.socket
				// One left by a killed server is taken again; a stranger's is not.
				if err := c.signal(syscall.SIGKILL); err != nil {
					t.Fatal(err)
				}
				<-c.Done()
				c.Stop(testContext(t))
				if err := os.Chmod(socket, 0o777); err != nil {
					t.Fatal(err)
				}
				refused(t, Options{Dir: dir}, socket, "somebody else", "TMPDIR")
				if err := os.Chmod(socket, 0o700); err != nil {
					t.Fatal(err)
				}
				c = start(t, Options{Dir: dir})
				stop(t, c)
				if exists(socket) {
					t.Error("the socket folder was left")
				}
			}
		})
	}
}

func TestBadSetting(t *testing.T) {
	t.Parallel()
	dir := readyDir(t)
	refused(t, Options{Dir: dir, Settings: map[string]string{"no_such_thing": "1"}}, "did not start", "no_such_thing")
	refused(t, Options{Dir: dir, Settings: map[string]string{"shared_buffers": "1kB"}}, "did not start", "shared_buffers")
	refused(t, Options{Dir: dir, Roles: []string{`a"b`}}, "quote")
	refused(t, Options{}, "no directory given")
	start(t, Options{Dir: dir}) // none of them did harm
}

func TestLogStartsAnew(t *testing.T) {
	t.Parallel()
	dir := readyDir(t)
	if err := os.Truncate(filepath.Join(dir, "postgres.log"), logMax+1); err != nil {
		t.Fatal(err)
	}
	start(t, Options{Dir: dir})
	for name, large := range map[string]bool{"postgres.log": false, "postgres.log.1": true} {
		fi, err := os.Stat(filepath.Join(dir, name))
		if err != nil {
			t.Fatal(err)
		}
		if fi.Size() > logMax != large {
			t.Errorf("%s has %d bytes", name, fi.Size())
		}
	}
}

// TestStartSpeaks: what takes long is said, so that nobody takes it for a hang.
func TestStartSpeaks(t *testing.T) {
	t.Parallel()
	var text strings.Builder
	c := start(t, Options{Dir: openDir(t), Log: slog.New(slog.NewTextHandler(&text, nil))})
	stop(t, c)
	for _, want := range []string{"making the private database server", "is ready"} {
		if !strings.Contains(text.String(), want) {
			t.Errorf("%q does not say %q", text.String(), want)
		}
	}
}

func TestOtherVersion(t *testing.T) {
	t.Parallel()
	for name, content := range map[string]string{"older": "14\n", "newer": "99\n", "unreadable": "x\n"} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			dir := readyDir(t)
			if err := os.WriteFile(filepath.Join(dir, "data/PG_VERSION"), []byte(content), 0o600); err != nil {
				t.Fatal(err)
			}
			before := snapshot(t, filepath.Join(dir, "data"))
			words := []string{"nothing was changed"}
			if name != "unreadable" {
				words = append(words, "install version "+strings.TrimSpace(content), dir)
			}
			refused(t, Options{Dir: dir}, words...)
			if after := snapshot(t, filepath.Join(dir, "data")); after != before {
				t.Errorf("the data folder was touched")
			}
		})
	}
}

// snapshot lists a tree with what would change if anything in it were touched.
func snapshot(t *testing.T, dir string) string {
	t.Helper()
	var b strings.Builder
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		fi, err := d.Info()
		if err != nil {
			return err
		}
		fmt.Fprintln(&b, path, fi.Mode(), fi.Size(), fi.ModTime())
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func TestForeignData(t *testing.T) {
	t.Parallel()
	dir := openDir(t)
	data := filepath.Join(dir, "data")
	if err := os.WriteFile(data, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	refused(t, Options{Dir: dir}, "not a folder", "move it away")
	os.Remove(data)
	if err := os.MkdirAll(filepath.Join(data, "holiday pictures"), 0o700); err != nil {
		t.Fatal(err)
	}
	refused(t, Options{Dir: dir}, "no data folder of PostgreSQL", "move it away")
	if !exists(data, "holiday pictures") {
		t.Error("foreign data were removed")
	}
	os.Remove(filepath.Join(data, "holiday pictures"))
	start(t, Options{Dir: dir}) // an empty folder is as good as none

	file := filepath.Join(openDir(t), "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	refused(t, Options{Dir: file}, "not a directory")
}

func TestFind(t *testing.T) {
	t.Parallel()
	dir := openDir(t)
	program := func(path string) {
		t.Helper()
		path = filepath.Join(dir, path)
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte("#!/bin/sh\necho 'postgres (PostgreSQL) 14.9'\n"), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	for _, v := range []string{"9", "14", "15"} {
		program("pg/" + v + "/bin/initdb")
	}
	program("pg/9/bin/postgres")
	program("pg/14/bin/postgres")
	if err := os.Mkdir(filepath.Join(dir, "links"), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(filepath.Join(dir, "pg/9/bin/initdb"), filepath.Join(dir, "links/initdb")); err != nil {
		t.Fatal(err)
	}
	globs := []string{filepath.Join(dir, "none/*/bin"), filepath.Join(dir, "pg/*/bin")}

	for _, c := range []struct {
		name, binDir, path string
		places             []string
		want               string // below dir; "a b" for two; empty: an error
	}{
		{"newest place with both programs", "", "", globs, "pg/14/bin pg/9/bin"},
		{"path before places, links resolved", "", filepath.Join(dir, "links"), globs, "pg/9/bin pg/14/bin"},
		{"given", filepath.Join(dir, "pg/9/bin"), "", globs, "pg/9/bin"},
		{"given, one missing", filepath.Join(dir, "pg/15/bin"), "", globs, ""},
		{"nothing", "", "/nonexistent:relative:", globs[:1], ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			found, err := find(c.binDir, c.path, c.places)
			for i := range found {
				found[i], _ = filepath.Rel(dir, found[i])
			}
			if got := strings.Join(found, " "); got != c.want || (err == nil) == (c.want == "") {
				t.Errorf("%q, %v; want %q", got, err, c.want)
			}
		})
	}

	_, err := find("", "", nil)
	has(t, err.Error(), "apt-get install postgresql", "brew install postgresql@17", "DATABASE_URL")
	refused(t, Options{Dir: filepath.Join(dir, "d"), BinDir: filepath.Join(dir, "pg/15/bin")}, "pg/15/bin", "initdb and postgres")
	refused(t, Options{Dir: filepath.Join(dir, "d"), BinDir: filepath.Join(dir, "pg/14/bin")}, "too old", "15 or newer")
	if bin, err := Find(""); err != nil || !exists(bin, "postgres") {
		t.Errorf("%q, %v", bin, err)
	}
}

func TestOutOfReach(t *testing.T) {
	rootOnly(t)
	t.Parallel()
	base := openDir(t)
	shut := filepath.Join(base, "shut")
	if err := os.Mkdir(shut, 0o700); err != nil {
		t.Fatal(err)
	}
	refused(t, Options{Dir: filepath.Join(shut, "in", "it")}, "cannot enter "+shut+" ", "another directory")
}

func TestOSUser(t *testing.T) {
	rootOnly(t)
	t.Parallel()
	refused(t, Options{Dir: openDir(t), OSUser: "no-such-user"}, `"no-such-user"`, "name another")
	refused(t, Options{Dir: openDir(t), OSUser: "root"}, "refuses to run as root")

	dir := openDir(t)
	c := start(t, Options{Dir: dir, OSUser: "nobody"})
	stop(t, c)
	refused(t, Options{Dir: dir, OSUser: "daemon"}, "belongs to user nobody", "daemon")
	c = start(t, Options{Dir: dir}) // the owner of the data wins over the default
	if c.dir.user != "nobody" {
		t.Errorf("runs as %s", c.dir.user)
	}
}

// TestLinksLeadNowhere: what another user may have laid into the folder does
// not make root write elsewhere.
func TestLinksLeadNowhere(t *testing.T) {
	t.Parallel()
	for _, name := range []string{"lock", "postgres.log", "data/pg_hba.conf.new", "run"} {
		t.Run(filepath.Base(name), func(t *testing.T) {
			t.Parallel()
			dir, elsewhere := readyDir(t), openDir(t)
			victim := filepath.Join(elsewhere, "victim")
			if err := os.WriteFile(victim, []byte("unharmed"), 0o644); err != nil {
				t.Fatal(err)
			}
			os.RemoveAll(filepath.Join(dir, name))
			os.Remove(filepath.Join(dir, "data/pg_hba.conf")) // so that it is written
			target := victim
			if name == "run" {
				target = elsewhere
			}
			if err := os.Symlink(target, filepath.Join(dir, name)); err != nil {
				t.Fatal(err)
			}
			before := snapshot(t, elsewhere)
			refused(t, Options{Dir: dir}, dir)
			if after := snapshot(t, elsewhere); after != before {
				t.Errorf("before:\n%safter:\n%s", before, after)
			}
		})
	}
}

func TestDSN(t *testing.T) {
	t.Parallel()
	c := &Cluster{Address: Address{socket: `/o'dd \path`}}
	cfg, err := pgx.ParseConfig(c.DSN(`a'b\`, `c d`))
	if err != nil {
		t.Fatal(err)
	}
	if cfg.Host != c.socket || cfg.User != `a'b\` || cfg.Database != `c d` || cfg.Port != 5432 {
		t.Errorf("%q %q %q %d", cfg.Host, cfg.User, cfg.Database, cfg.Port)
	}
}
