package cluster

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"os/exec"
	"os/signal"
	"os/user"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"

	"github.com/jackc/pgx/v5"
)

// The tests in this file need a program that can be killed: the test binary
// itself, run again with an order in its environment.

const orderVar = "CLUSTER_TEST_ORDER"

// order is what such a program shall do.
type order struct {
	Options
	NoDeathSignal bool
	Dial          string // only try this connection
	FillDisk      int64  // run on a disk of this many bytes, filled once the server was made
	Spare         int64  // but for so many
}

// report is its answer, one line on standard output.
type report struct {
	Pid     int // of the server
	Adopted bool
	DSN     string
	Err     string
	Skip    string
}

func TestMain(m *testing.M) {
	if text, ok := os.LookupEnv(orderVar); ok {
		os.Unsetenv(orderVar)
		os.Exit(obey(text))
	}
	code := m.Run()
	os.RemoveAll(template.dir)
	os.RemoveAll(binary.dir)
	os.Exit(code)
}

func obey(text string) int {
	tell := func(r report) {
		json.NewEncoder(os.Stdout).Encode(r)
	}
	var o order
	if err := json.Unmarshal([]byte(text), &o); err != nil {
		tell(report{Err: err.Error()})
		return 1
	}
	o.Options.noDeathSignal = o.NoDeathSignal
	ctx, cancel := signal.NotifyContext(context.Background(), syscall.SIGINT, syscall.SIGTERM)
	defer cancel()

	if o.Dial != "" {
		conn, err := pgx.Connect(ctx, o.Dial)
		if err != nil {
			tell(report{Err: err.Error()})
			return 1
		}
		conn.Close(ctx)
		tell(report{})
		return 0
	}
	if o.FillDisk > 0 {
		if err := fillDisk(ctx, o); err != nil {
			tell(report{Skip: err.Error()})
			return 0
		}
	}

	c, err := Start(ctx, o.Options)
	if err != nil {
		tell(report{Err: err.Error()})
		return 1
	}
	tell(report{Pid: c.pid, Adopted: c.Adopted(), DSN: c.DSN(superuser, "postgres")})
	go func() { // the test has ended, one way or another
		io.Copy(io.Discard, os.Stdin)
		cancel()
	}()
	select {
	case <-ctx.Done():
	case <-c.Done():
	}
	if err := c.Stop(context.Background()); err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 2
	}
	return 0
}

// program is a running one.
type program struct {
	report
	cmd *exec.Cmd
	in  io.Closer
	out *bufio.Reader

	errs bytes.Buffer // standard error; to be read after Wait
}

var binary struct {
	once sync.Once
	dir  string
	err  error
}

// testBinary is a copy that other users can reach.
func testBinary(t *testing.T) string {
	t.Helper()
	binary.once.Do(func() {
		binary.dir, binary.err = os.MkdirTemp("", "cluster-program-")
		if binary.err != nil {
			return
		}
		if binary.err = os.Chmod(binary.dir, 0o755); binary.err != nil {
			return
		}
		self, err := os.Executable()
		if err != nil {
			binary.err = err
			return
		}
		out, err := exec.Command("cp", self, filepath.Join(binary.dir, "program")).CombinedOutput()
		if err != nil {
			binary.err = fmt.Errorf("%w: %s", err, out)
		}
	})
	if binary.err != nil {
		t.Fatal(binary.err)
	}
	return filepath.Join(binary.dir, "program")
}

// begin runs the program in its own process group, changed as attr says.
func begin(t *testing.T, o order, change ...func(*syscall.SysProcAttr)) *program {
	t.Helper()
	text, err := json.Marshal(struct {
		order
		Log *int // cannot be written down
	}{order: o})
	if err != nil {
		t.Fatal(err)
	}
	p := &program{cmd: exec.Command(testBinary(t))}
	p.cmd.Env = append(os.Environ(), orderVar+"="+string(text))
	p.cmd.Dir = "/"
	p.cmd.Stderr = &p.errs
	p.cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	for _, c := range change {
		c(p.cmd.SysProcAttr)
	}
	if p.in, err = p.cmd.StdinPipe(); err != nil {
		t.Fatal(err)
	}
	out, err := p.cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	p.out = bufio.NewReader(out)
	if err := p.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		p.in.Close()
		p.cmd.Wait()
		if p.errs.Len() > 0 {
			t.Logf("the program said: %s", p.errs.String())
		}
	})
	return p
}

// listen waits for the report.
func (p *program) listen(t *testing.T) *program {
	t.Helper()
	line, err := p.out.ReadBytes('\n')
	if err != nil {
		t.Fatalf("the program ended without a word: %v", err)
	}
	if err := json.Unmarshal(line, &p.report); err != nil {
		t.Fatal(err)
	}
	return p
}

// running also expects that it started.
func running(t *testing.T, o order, change ...func(*syscall.SysProcAttr)) *program {
	t.Helper()
	p := begin(t, o, change...).listen(t)
	if p.Err != "" {
		t.Fatal(p.Err)
	}
	return p
}

func (p *program) kill(t *testing.T) {
	t.Helper()
	if err := p.cmd.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	p.cmd.Wait()
}

func as(name string) func(*syscall.SysProcAttr) {
	return func(attr *syscall.SysProcAttr) {
		u, err := user.Lookup(name)
		if err != nil {
			panic(err)
		}
		uid, _ := strconv.Atoi(u.Uid)
		gid, _ := strconv.Atoi(u.Gid)
		attr.Credential = &syscall.Credential{Uid: uint32(uid), Gid: uint32(gid)}
	}
}

func TestProgramTerminated(t *testing.T) {
	t.Parallel()
	dir := readyDir(t)
	p := running(t, order{Options: Options{Dir: dir}})
	if err := p.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if err := p.cmd.Wait(); err != nil {
		t.Error(err)
	}
	if !gone(p.Pid) || exists(dir, "data/postmaster.pid") {
		t.Error("the server lives on")
	}
}

// TestCtrlC: the terminal signals the whole process group. The server must not
// hear it, or it would be gone before the program has drained its work.
func TestCtrlC(t *testing.T) {
	t.Parallel()
	dir := readyDir(t)
	p := running(t, order{Options: Options{Dir: dir}})
	if group, err := syscall.Getpgid(p.Pid); err != nil || group == p.cmd.Process.Pid {
		t.Errorf("the server is in the program's group: %d, %v", group, err)
	}
	if err := syscall.Kill(-p.cmd.Process.Pid, syscall.SIGINT); err != nil {
		t.Fatal(err)
	}
	if err := p.cmd.Wait(); err != nil {
		t.Error(err)
	}
	if !gone(p.Pid) || exists(dir, "data/postmaster.pid") {
		t.Error("the server lives on")
	}
}

func TestProgramEndsWithServer(t *testing.T) {
	t.Parallel()
	p := running(t, order{Options: Options{Dir: readyDir(t)}})
	if err := syscall.Kill(p.Pid, syscall.SIGKILL); err != nil {
		t.Fatal(err)
	}
	p.cmd.Wait()
	has(t, strings.TrimSpace(p.errs.String()), "ended by itself")
	if code := p.cmd.ProcessState.ExitCode(); code != 2 {
		t.Errorf("exit code %d", code)
	}
}

func TestSecondStart(t *testing.T) {
	t.Parallel()
	dir := readyDir(t)
	p := running(t, order{Options: Options{Dir: dir}})
	refused(t, Options{Dir: dir}, "in use by process "+strconv.Itoa(p.cmd.Process.Pid),
		"set DATABASE_URL to share its database", "give this one another directory")
	if err := execute(testContext(t), p.DSN, `select 1`); err != nil {
		t.Errorf("the refused start did harm: %v", err)
	}
}

func TestBothKilled(t *testing.T) {
	t.Parallel()
	dir := readyDir(t)
	p := running(t, order{Options: Options{Dir: dir}, NoDeathSignal: true})
	if err := execute(testContext(t), p.DSN, `insert into t select generate_series(2, 100000)`); err != nil {
		t.Fatal(err)
	}
	p.kill(t)
	if err := syscall.Kill(p.Pid, syscall.SIGKILL); err != nil {
		t.Fatal(err)
	}
	c := start(t, Options{Dir: dir})
	if c.Adopted() {
		t.Error("adopted a dead server")
	}
	if n := rows(t, c); n != 100000 {
		t.Errorf("%d rows", n)
	}
}

func TestOrphanAdopted(t *testing.T) {
	t.Parallel()
	dir := readyDir(t)
	p := running(t, order{Options: Options{Dir: dir}, NoDeathSignal: true})
	if err := execute(testContext(t), p.DSN, `create role late login`, `insert into t values (2)`); err != nil {
		t.Fatal(err)
	}
	p.kill(t)

	c := start(t, Options{Dir: dir, Roles: []string{"late"}})
	if !c.Adopted() || c.pid != p.Pid {
		t.Fatalf("adopted %v, process %d, want %d", c.Adopted(), c.pid, p.Pid)
	}
	if n := rows(t, c); n != 2 {
		t.Errorf("%d rows", n)
	}
	// The running server has learnt of the new role.
	if err := execute(testContext(t), c.DSN("late", "postgres"), `select 1`); err != nil {
		t.Error(err)
	}
	refused(t, Options{Dir: dir}, "in use by process "+strconv.Itoa(os.Getpid()))
	stop(t, c)
	<-c.Done()
	if !gone(p.Pid) || exists(dir, "data/postmaster.pid") {
		t.Error("the server lives on")
	}
}

func TestAdoptedServerKilled(t *testing.T) {
	t.Parallel()
	dir := readyDir(t)
	p := running(t, order{Options: Options{Dir: dir}, NoDeathSignal: true})
	p.kill(t)
	c := start(t, Options{Dir: dir})
	if !c.Adopted() {
		t.Fatal("not adopted")
	}
	if err := syscall.Kill(p.Pid, syscall.SIGKILL); err != nil {
		t.Fatal(err)
	}
	<-c.Done()
	err := c.Stop(testContext(t))
	if err == nil {
		t.Fatal("its end counts as one in order")
	}
	has(t, err.Error(), "ended by itself")
	c = start(t, Options{Dir: dir})
	if c.Adopted() {
		t.Error("adopted a dead server")
	}
}

func TestKilledWhileMaking(t *testing.T) {
	t.Parallel()
	dir := openDir(t)
	p := begin(t, order{Options: Options{Dir: dir}})
	// There is about a second from the first file to the last, so that the kill
	// falls between; should it ever not, there is nothing to see here.
	eventually(t, "the making begins", func() bool { return exists(dir, "data.new/PG_VERSION") || exists(dir, "data") })
	p.kill(t)
	if exists(dir, "data") {
		t.Skip("the machine was too fast, or too slow, to kill the program in time")
	}
	if !exists(dir, "data.new") {
		t.Error("no data.new left: killed too late")
	}
	c := start(t, Options{Dir: dir})
	if exists(dir, "data.new") {
		t.Error("data.new is still there")
	}
	if n := query[int](t, c.DSN(superuser, "postgres"), `select count(*) from pg_database`); n != 3 {
		t.Errorf("%d databases", n)
	}
}

func TestNotWritable(t *testing.T) {
	t.Parallel()
	dir := openDir(t)
	if os.Geteuid() != 0 {
		if err := os.Chmod(dir, 0o500); err != nil {
			t.Fatal(err)
		}
		refused(t, Options{Dir: dir}, "not writable", "another directory")
		return
	}
	for _, d := range []string{dir, filepath.Join(dir, "new")} {
		p := begin(t, order{Options: Options{Dir: d}}, as("nobody")).listen(t)
		has(t, p.Err, "not writable", "another directory", dir)
	}
}

// TestUnprivileged runs the whole way as a user that is not root, then as root
// over the same folder.
func TestUnprivileged(t *testing.T) {
	rootOnly(t)
	t.Parallel()
	dir := openDir(t)
	nobody := begin(t, order{Dial: "host=/nonexistent"}, as("nobody")) // for its number only
	nobody.listen(t)
	if err := os.Chown(dir, int(nobody.cmd.SysProcAttr.Credential.Uid), -1); err != nil {
		t.Fatal(err)
	}
	o := order{Options: Options{Dir: dir, Roles: []string{"app"}}}
	p := running(t, o, as("nobody"))
	if err := execute(testContext(t), p.DSN, `create role app login`); err != nil {
		t.Errorf("root is not let in: %v", err)
	}
	p.in.Close()
	if err := p.cmd.Wait(); err != nil {
		t.Error(err)
	}

	p = begin(t, o, as("daemon")).listen(t)
	has(t, p.Err, "belongs to user nobody", "another directory")

	c := start(t, o.Options)
	if err := execute(testContext(t), c.DSN("app", "postgres"), `select 1`); err != nil {
		t.Error(err)
	}
	stop(t, c)
	p = running(t, o, as("nobody")) // and what root wrote is no obstacle
	p.in.Close()
	if err := p.cmd.Wait(); err != nil {
		t.Error(err)
	}
}

// TestOtherUsersKeptOut: nobody else gets as far as the socket.
func TestOtherUsersKeptOut(t *testing.T) {
	rootOnly(t)
	t.Parallel()
	c := start(t, Options{Dir: readyDir(t)})
	p := begin(t, order{Dial: c.DSN(superuser, "postgres")}, as("nobody")).listen(t)
	if !strings.Contains(p.Err, "permission denied") {
		t.Errorf("another user: %q", p.Err)
	}
}

func TestNoPasswdEntry(t *testing.T) {
	rootOnly(t)
	t.Parallel()
	const uid = 54321
	if _, err := user.LookupId(strconv.Itoa(uid)); err == nil {
		t.Skipf("there is a user %d", uid)
	}
	dir := openDir(t)
	if err := os.Chown(dir, uid, uid); err != nil {
		t.Fatal(err)
	}
	p := begin(t, order{Options: Options{Dir: dir}}, func(attr *syscall.SysProcAttr) {
		attr.Credential = &syscall.Credential{Uid: uid, Gid: uid}
	}).listen(t)
	has(t, p.Err, strconv.Itoa(uid), "no entry", "DATABASE_URL")
}
