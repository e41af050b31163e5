package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/demo"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgdb/cluster"
	"spindlebook/internal/pgtest"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

var ctx = context.Background()

// env is an environment of its own for a program under test.
func env(pairs ...string) func(string) string {
	all := map[string]string{}
	for i := 0; i < len(pairs); i += 2 {
		all[pairs[i]] = pairs[i+1]
	}
	return func(k string) string { return all[k] }
}

// try runs a verb to its end.
func try(getenv func(string) string, args ...string) (string, error) {
	var out bytes.Buffer
	err := run(ctx, args, getenv, &out, io.Discard)
	return out.String(), err
}

// freePort gives an address that nobody listens on.
func freePort(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}

// dataFolder is a folder that the private server's own user reaches.
func dataFolder(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "spindlebook-api-")
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.RemoveAll(dir) })
	return dir
}

// output is what a running program says, readable while it runs.
type output struct {
	mu  sync.Mutex
	buf bytes.Buffer
}

func (o *output) Write(p []byte) (int, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.buf.Write(p)
}

func (o *output) String() string {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.buf.String()
}

// running is a program that serves until it is stopped.
type running struct {
	url  string
	out  *output
	stop func() error
}

// start runs a serving verb and waits until it is ready.
func start(t *testing.T, pairs ...string) running {
	t.Helper()
	return startVerb(t, "serve", pairs...)
}

func startVerb(t *testing.T, verb string, pairs ...string) running {
	t.Helper()
	at := freePort(t)
	getenv := env(append([]string{"SPINDLEBOOK_LISTEN", at, "SPINDLEBOOK_METRICS", "off", "SPINDLEBOOK_LOG", "error"}, pairs...)...)
	ctx, cancel := context.WithCancel(ctx)
	done := make(chan error, 1)
	r := running{url: "http://" + at, out: &output{}}
	go func() { done <- run(ctx, []string{verb}, getenv, r.out, io.Discard) }()
	var once sync.Once
	var ended error
	r.stop = func() error {
		once.Do(func() { cancel(); ended = <-done })
		return ended
	}
	t.Cleanup(func() { _ = r.stop() })
	deadline := time.Now().Add(5 * time.Minute) // the demo loads two years of work, here with the race detector
	for {
		select {
		case err := <-done:
			done <- err
			t.Fatalf("%s ended: %v", verb, err)
		default:
		}
		if _, err := try(env("SPINDLEBOOK_LISTEN", at), "health"); err == nil {
			return r
		}
		if time.Now().After(deadline) {
			t.Fatalf("%s is not ready: %s", verb, r.out)
		}
		time.Sleep(20 * time.Millisecond)
	}
}

func TestFaultsOfTheSettingsAreReportedTogether(t *testing.T) {
	_, err := try(env("DATABASE_URL", "mysql://x:hunter2@y", "SPINDLEBOOK_LISTEN", "nowhere", "SPINDLEBOOK_METRICS", "0.0.0.0:9090", "SPINDLEBOOK_LOG", "loud",
		"SPINDLEBOOK_PROXIES", "10.0.0.0/8, elsewhere", "SPINDLEBOOK_MAX_BODY", "lots", "SPINDLEBOOK_PUBLIC_URL", "wash.example"), "serve")
	if err == nil || exitCode(err) != 2 {
		t.Fatalf("accepted, or exit code %d: %v", exitCode(err), err)
	}
	for _, want := range []string{"7 of the settings", "DATABASE_URL (-database-url)", `SPINDLEBOOK_LISTEN (-listen) "nowhere"`, "SPINDLEBOOK_METRICS", "debug, info, warn or error",
		`"elsewhere"`, "SPINDLEBOOK_MAX_BODY", "SPINDLEBOOK_PUBLIC_URL"} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("does not say %s:\n%v", want, err)
		}
	}
	if strings.Contains(err.Error(), "hunter2") {
		t.Error("a secret is printed")
	}
}

func TestAFlagWinsOverTheEnvironment(t *testing.T) {
	out, err := try(env("SPINDLEBOOK_LISTEN", "127.0.0.1:1111", "DATABASE_URL", "postgres://u:hunter2@h/d"), "settings", "-listen", "127.0.0.1:2222")
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(out, "127.0.0.1:2222") || strings.Contains(out, "1111") || strings.Contains(out, "hunter2") || !strings.Contains(out, "(set)") {
		t.Errorf("settings printed:\n%s", out)
	}
}

// The documented table and the program's own are the same.
func TestTheDocumentedTableIsComplete(t *testing.T) {
	doc, err := os.ReadFile("../../DEVELOPERS.md")
	if err != nil {
		t.Fatal(err)
	}
	for _, o := range table() {
		if !strings.Contains(string(doc), fmt.Sprintf("| `%s` | `-%s` |", o.env, o.flagName())) {
			t.Errorf("DEVELOPERS.md does not document %s as -%s", o.env, o.flagName())
		}
	}
	for _, v := range verbs() {
		if !strings.Contains(string(doc), "`"+strings.TrimSpace(v.name+" "+v.takes)+"`") {
			t.Errorf("DEVELOPERS.md does not name the verb %s", v.name)
		}
	}
}

func TestWrongCommandLines(t *testing.T) {
	for _, args := range [][]string{{}, {"srve"}, {"backup"}, {"backup", "a", "b"}, {"serve", "now"}, {"serve", "-colour", "red"}} {
		if _, err := try(env(), args...); err == nil || exitCode(err) != 2 {
			t.Errorf("%q: %v, exit code %d", args, err, exitCode(err))
		}
	}
	if out, err := try(env(), "help"); err != nil || !strings.Contains(out, "migrate") {
		t.Errorf("help: %v %s", err, out)
	}
}

func TestAPortInUseIsNamed(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	_, err = try(env("SPINDLEBOOK_LISTEN", l.Addr().String(), "SPINDLEBOOK_DATA", dataFolder(t)), "serve")
	if err == nil || !strings.Contains(err.Error(), "another program listens on "+l.Addr().String()) || !strings.Contains(err.Error(), "SPINDLEBOOK_LISTEN") {
		t.Errorf("said: %v", err)
	}
}

func TestADataFolderThatIsAFile(t *testing.T) {
	file := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	_, err := try(env("SPINDLEBOOK_LISTEN", freePort(t), "SPINDLEBOOK_METRICS", "off", "SPINDLEBOOK_DATA", file), "serve")
	if err == nil || !strings.Contains(err.Error(), file) {
		t.Errorf("said: %v", err)
	}
}

func TestNoPostgreSQLIsSaid(t *testing.T) {
	_, err := try(env("SPINDLEBOOK_LISTEN", freePort(t), "SPINDLEBOOK_METRICS", "off", "SPINDLEBOOK_DATA", dataFolder(t), "SPINDLEBOOK_PGBIN", t.TempDir()), "serve")
	if err == nil || !strings.Contains(err.Error(), "initdb and postgres are not both in") { // without a setting it says how to install them: see the package cluster
		t.Errorf("said: %v", err)
	}
}

func TestAnEmptyDatabaseAsksForMigrate(t *testing.T) {
	s := pgtest.Server(t)
	name := "empty_" + strings.ToLower(filepath.Base(t.TempDir()))
	if err := pgdb.MakeRoles(ctx, s.DSN("postgres", "postgres"), name); err != nil {
		t.Fatal(err)
	}
	service, owner := s.DSN(pgdb.ServiceRole, name), s.DSN(pgdb.OwnerRole, name)
	_, err := try(env("SPINDLEBOOK_LISTEN", freePort(t), "SPINDLEBOOK_METRICS", "off", "DATABASE_URL", service), "serve")
	if err == nil || !strings.Contains(err.Error(), "run the verb migrate") {
		t.Errorf("said: %v", err)
	}
	if _, err := try(env("DATABASE_URL", service), "migrate"); err == nil || !strings.Contains(err.Error(), "DATABASE_OWNER_URL") {
		t.Errorf("migrate without an owner said: %v", err)
	}
	out, err := try(env("DATABASE_OWNER_URL", owner), "migrate")
	if err != nil || !strings.Contains(out, "00001_") {
		t.Fatalf("migrate: %v %s", err, out)
	}
	if out, err = try(env("DATABASE_OWNER_URL", owner), "migrate"); err != nil || !strings.Contains(out, "up to date") {
		t.Errorf("migrate again: %v %s", err, out)
	}
	_, err = try(env("SPINDLEBOOK_LISTEN", freePort(t), "SPINDLEBOOK_METRICS", "off", "DATABASE_URL", owner), "serve")
	if err == nil || !strings.Contains(err.Error(), "serve as "+pgdb.ServiceRole) {
		t.Errorf("serving as the owner said: %v", err)
	}
}

// The first start prints a link; following it makes the first manager; it works
// once; from the second start on there is none.
func TestFirstStart(t *testing.T) {
	data := dataFolder(t)
	r := start(t, "SPINDLEBOOK_DATA", data)
	link := regexp.MustCompile(`http://localhost:\d+/enter/([\w-]+)`).FindStringSubmatch(r.out.String())
	if link == nil {
		t.Fatalf("no link in: %s", r.out)
	}
	at, ok := cluster.Running(filepath.Join(data, "private"))
	if !ok {
		t.Fatal("the private server is not found while it runs")
	}
	db := pgtest.Open(t, at.DSN(pgdb.ServiceRole, "spindlebook"))
	if _, err := access.SetUp(ctx, db, time.Now(), link[1], "Delphine Orrick", "delphine@marrowgate.example", "four plain brushes"); err != nil {
		t.Fatal(err)
	}
	if _, err := access.SetUp(ctx, db, time.Now(), link[1], "Mallory", "mallory@marrowgate.example", "four plain brushes"); err == nil {
		t.Error("the link worked twice")
	}

	// a second program on the folder is refused with a sentence
	_, err := try(env("SPINDLEBOOK_LISTEN", freePort(t), "SPINDLEBOOK_METRICS", "off", "SPINDLEBOOK_DATA", data), "serve")
	if err == nil || !strings.Contains(err.Error(), "DATABASE_URL") {
		t.Errorf("a second start said: %v", err)
	}
	// back-up, verify and link work beside it
	file := filepath.Join(t.TempDir(), "backup")
	if out, err := try(env("SPINDLEBOOK_DATA", data), "backup", file); err != nil || !strings.Contains(out, "wrote") {
		t.Errorf("backup beside a running server: %v %s", err, out)
	}
	if _, err := try(env("SPINDLEBOOK_DATA", data), "backup", file); err == nil {
		t.Error("a back-up overwrote another")
	}
	if out, err := try(env("SPINDLEBOOK_DATA", data), "verify"); err != nil || !strings.Contains(out, "agrees with itself") {
		t.Errorf("verify: %v %s", err, out)
	}
	if out, err := try(env("SPINDLEBOOK_DATA", data), "link", "delphine@marrowgate.example"); err != nil || !strings.Contains(out, "/enter/") {
		t.Errorf("link: %v %s", err, out)
	}
	db.Close()
	if err := r.stop(); err != nil {
		t.Fatalf("stop: %v", err)
	}
	if _, ok := cluster.Running(filepath.Join(data, "private")); ok {
		t.Error("the private server lives on")
	}
	r = start(t, "SPINDLEBOOK_DATA", data)
	if strings.Contains(r.out.String(), "/enter/") {
		t.Errorf("a link is printed although somebody can sign in: %s", r.out)
	}
}

// The private server dies under the program: the program ends with a sentence
// and recovers at its next start.
func TestThePrivateServerDies(t *testing.T) {
	data := dataFolder(t)
	r := start(t, "SPINDLEBOOK_DATA", data)
	pid, err := os.ReadFile(filepath.Join(data, "private", "data", "postmaster.pid"))
	if err != nil {
		t.Fatal(err)
	}
	var n int
	if _, err := fmt.Sscan(string(pid), &n); err != nil {
		t.Fatal(err)
	}
	if err := syscall.Kill(n, syscall.SIGKILL); err != nil {
		t.Fatal(err)
	}
	deadline := time.Now().Add(30 * time.Second)
	for {
		res, err := http.Get(r.url + "/livez")
		if err != nil {
			break // it has ended
		}
		_ = res.Body.Close()
		if time.Now().After(deadline) {
			t.Fatal("it serves on without its database")
		}
		time.Sleep(20 * time.Millisecond)
	}
	if err := r.stop(); err == nil || !strings.Contains(err.Error(), "private database server ended") {
		t.Errorf("said: %v", err)
	}
	start(t, "SPINDLEBOOK_DATA", data)
}

// Two programs on one given database both serve; one ending disturbs nobody.
func TestTwoServeOneDatabase(t *testing.T) {
	service, _ := pgtest.DSN(t)
	one, two := start(t, "DATABASE_URL", service), start(t, "DATABASE_URL", service)
	for _, r := range []running{one, two} {
		if status := get(t, r.url+"/readyz"); status != 200 {
			t.Errorf("%s: %d", r.url, status)
		}
	}
	if err := one.stop(); err != nil {
		t.Fatal(err)
	}
	if status := get(t, two.url+"/readyz"); status != 200 {
		t.Errorf("after the other ended: %d", status)
	}
}

func get(t *testing.T, url string) int {
	t.Helper()
	res, err := http.Get(url)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	return res.StatusCode
}

func TestMetricsAreServedAside(t *testing.T) {
	service, _ := pgtest.DSN(t)
	aside := freePort(t)
	r := start(t, "DATABASE_URL", service, "SPINDLEBOOK_METRICS", aside)
	get(t, r.url+"/readyz")
	res, err := http.Get("http://" + aside + "/metrics")
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	body, err := io.ReadAll(res.Body)
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{`spindlebook_request_seconds_count{method="GET",route="/readyz",status="200"}`, "spindlebook_database_connections", "go_goroutines"} {
		if !strings.Contains(string(body), want) {
			t.Errorf("no %s", want)
		}
	}
	if status := get(t, r.url+"/metrics"); status != 404 {
		t.Errorf("the public listener tells metrics: %d", status)
	}
}

// One demo serves for what is to be tried in it: it takes long to load.
func TestTheDemo(t *testing.T) {
	r := startVerb(t, "demo", "SPINDLEBOOK_DATA", dataFolder(t))
	t.Run("visitors come in", func(t *testing.T) { theDemoLetsVisitorsIn(t, r) })
	t.Run("every curl in the README works", func(t *testing.T) { everyCurlInTheReadmeWorks(t, r) })
}

// The demo prints links that sign in, as the people of the story.
func theDemoLetsVisitorsIn(t *testing.T, r running) {
	links := regexp.MustCompile(`http://localhost:\d+(/enter/[\w-]+)`).FindAllStringSubmatch(r.out.String(), -1)
	if len(links) < 4 {
		t.Fatalf("%d links in:\n%s", len(links), r.out)
	}
	for _, l := range links {
		req, err := http.NewRequest("GET", r.url+l[1], nil)
		if err != nil {
			t.Fatal(err)
		}
		res, err := (&http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}).Do(req)
		if err != nil {
			t.Fatal(err)
		}
		_ = res.Body.Close()
		if len(res.Cookies()) == 0 {
			t.Fatalf("%s: %d without a cookie", l[0], res.StatusCode)
		}
		me, err := http.NewRequest("GET", r.url+"/api/v1/sites", nil)
		if err != nil {
			t.Fatal(err)
		}
		me.AddCookie(res.Cookies()[0])
		if res, err = http.DefaultClient.Do(me); err != nil {
			t.Fatal(err)
		}
		_ = res.Body.Close()
		if res.StatusCode != 200 {
			t.Errorf("%s: the API answers %d", l[0], res.StatusCode)
		}
	}
}

// Every command with curl in the README works as it is printed.
func everyCurlInTheReadmeWorks(t *testing.T, r running) {
	readme, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	token := regexp.MustCompile(`export TOKEN=(\S+)`).FindStringSubmatch(r.out.String())
	if token == nil {
		t.Fatalf("the demo prints no token:\n%s", r.out)
	}
	blocks := 0
	for _, b := range regexp.MustCompile("(?s)```sh\n(.*?)```").FindAllStringSubmatch(string(readme), -1) {
		if !strings.Contains(b[1], "curl") {
			continue
		}
		blocks++
		cmd := exec.Command("bash", "-euc", strings.ReplaceAll(b[1], "http://localhost:8080", r.url))
		cmd.Env = append(os.Environ(), "TOKEN="+token[1])
		said, err := cmd.CombinedOutput()
		if err != nil || len(said) == 0 {
			t.Errorf("%s\ngives %v: %s", b[1], err, said)
		}
	}
	if blocks < 4 {
		t.Errorf("only %d blocks of curl were tried", blocks)
	}
}

// demoDSN gives the addresses of a copy of the demo as of now.
func demoDSN(t *testing.T) (service, owner string) {
	t.Helper()
	return pgtest.Filled(t, "the demo", func(db *pgdb.DB) error { return demo.Load(ctx, db, time.Now()) })
}

// A back-up restored into an empty database is the same in every table.
func TestARestoredBackupIsTheSame(t *testing.T) {
	_, owner := demoDSN(t)
	file := filepath.Join(t.TempDir(), "whole")
	if _, err := try(env("DATABASE_OWNER_URL", owner), "backup", file); err != nil {
		t.Fatal(err)
	}
	if _, err := try(env("DATABASE_OWNER_URL", owner), "restore", file); err == nil || !strings.Contains(err.Error(), "not empty") {
		t.Errorf("restoring over a record said: %v", err)
	}
	s := pgtest.Server(t)
	const fresh = "restored_whole"
	if err := pgdb.MakeRoles(ctx, s.DSN("postgres", "postgres"), fresh); err != nil {
		t.Fatal(err)
	}
	there := s.DSN(pgdb.OwnerRole, fresh)
	if _, err := try(env("DATABASE_OWNER_URL", there), "restore", file); err != nil {
		t.Fatal(err)
	}
	before, after := tables(t, owner), tables(t, there)
	if len(before) < 25 {
		t.Fatalf("only %d tables are compared", len(before))
	}
	for name, sum := range before {
		if after[name] != sum {
			t.Errorf("table %s differs after the restore: %s, was %s", name, after[name], sum)
		}
	}
	// and it serves: as the service role, with its policies and its trail
	if out, err := try(env("DATABASE_URL", s.DSN(pgdb.ServiceRole, fresh)), "verify"); err != nil {
		t.Errorf("verify of the restored: %v %s", err, out)
	}
	again := pgtest.Open(t, s.DSN(pgdb.ServiceRole, fresh))
	err := again.InTx(ctx, access.System.ID, func(tx *gorm.DB) error { return tx.Exec(`delete from trail`).Error })
	if err == nil {
		t.Error("the restored trail can be deleted")
	}
	again.Close()
	// a broken file changes nothing
	if err := os.WriteFile(file, []byte("no back-up"), 0o600); err != nil {
		t.Fatal(err)
	}
	const other = "restored_broken"
	if err := pgdb.MakeRoles(ctx, s.DSN("postgres", "postgres"), other); err != nil {
		t.Fatal(err)
	}
	if _, err := try(env("DATABASE_OWNER_URL", s.DSN(pgdb.OwnerRole, other)), "restore", file); err == nil {
		t.Error("a broken file was restored")
	}
	if n := len(tables(t, s.DSN(pgdb.OwnerRole, other))); n != 0 {
		t.Errorf("%d tables after a broken restore", n)
	}
}

// tables gives each table's count of rows and a sum over all their content.
func tables(t *testing.T, owner string) map[string]string {
	t.Helper()
	conn, err := pgx.Connect(ctx, owner)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(ctx)
	rows, err := conn.Query(ctx, `select relname::text from pg_class where relnamespace = 'public'::regnamespace and relkind = 'r' order by 1`)
	if err != nil {
		t.Fatal(err)
	}
	names, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		t.Fatal(err)
	}
	sums := map[string]string{}
	for _, name := range names {
		var n int
		var all string
		q := fmt.Sprintf(`select count(*), coalesce(string_agg(x::text, E'\n' order by x::text), '') from %s as x`, pgx.Identifier{name}.Sanitize())
		if err := conn.QueryRow(ctx, q).Scan(&n, &all); err != nil {
			t.Fatal(err)
		}
		h := sha256.Sum256([]byte(all))
		sums[name] = fmt.Sprintf("%d rows %s", n, hex.EncodeToString(h[:6]))
	}
	return sums
}

func TestVerifyListsWhatDiffers(t *testing.T) {
	service, owner := demoDSN(t)
	conn, err := pgx.Connect(ctx, owner)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(ctx)
	for _, harm := range []string{
		`select set_config('spindlebook.actor', '00000000-0000-7000-8000-000000000001', false)`,
		`update position set along_m = 900 where code = 'UMB-1/SBL-D'`,
		`alter table customer disable row level security`,
	} {
		if _, err := conn.Exec(ctx, harm); err != nil {
			t.Fatal(err)
		}
	}
	out, err := try(env("DATABASE_URL", service), "verify")
	if !errors.Is(err, errDiffers) || exitCode(err) != 3 || !strings.Contains(out, "position UMB-1/SBL-D stands beyond the end of its line") || !strings.Contains(out, "table customer is not guarded") {
		t.Errorf("%v\n%s", err, out)
	}
}

func TestHealthOfNobody(t *testing.T) {
	if _, err := try(env("SPINDLEBOOK_LISTEN", freePort(t)), "health"); err == nil {
		t.Error("nobody is healthy")
	}
}

// The sweep runs by hand, and an empty programme is nothing to do.
func TestTheSweepRunsByHand(t *testing.T) {
	service, _ := pgtest.DSN(t)
	if out, err := try(env("DATABASE_URL", service), "sweep"); err != nil || !strings.Contains(out, "0 tasks raised") {
		t.Errorf("sweep: %v\n%s", err, out)
	}
}

// Profiles are learnt by hand, and forecasts held against what came, also where
// there is little.
func TestForecastsAreHeldByHand(t *testing.T) {
	service, _ := pgtest.DSN(t)
	getenv := env("DATABASE_URL", service)
	if out, err := try(getenv, "backtest"); err != nil || strings.Count(out, "No counter was read for long enough") != 3 {
		t.Errorf("an empty record: %v\n%s", err, out)
	}
	service, _ = demoDSN(t)
	getenv = env("DATABASE_URL", service)
	if out, err := try(getenv, "refit"); err != nil || !strings.Contains(out, "learnt from the readings of today") {
		t.Errorf("refit: %v\n%s", err, out)
	}
	out, err := try(getenv, "backtest")
	if err != nil || !strings.Contains(out, "within range") || !regexp.MustCompile(`(?m)^ +30 +\d{3,} +1\d\d +[6-9]\d %`).MatchString(out) || !strings.Contains(out, "180 days ahead") {
		t.Errorf("backtest: %v\n%s", err, out)
	}
	t.Logf("\n%s", out)
}
