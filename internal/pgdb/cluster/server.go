package cluster

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
)

// process is the server's main process, ours or an adopted one.
type process struct {
	pid    int
	handle *os.Process   // cannot hit another process that got the same number
	done   chan struct{} // closed when it has ended
	err    error         // how it ended, nil if in order; read it after done
}

// adopt takes over a server that a killed program left behind and clears away
// what one that is gone left behind. It waits for a server on its way up or
// down. It leaves c.adopted unset if the way is free for a new one.
func (c *Cluster) adopt(ctx context.Context) error {
	heard, wait := time.Now(), c.waiting("waiting for a server left by an earlier run")
	for {
		pid, socket, err := c.dir.pidFile()
		if errors.Is(err, fs.ErrNotExist) {
			return nil
		}
		if err != nil {
			return c.dir.explain(err)
		}
		handle, err := os.FindProcess(pid) // before the look at it, so that both mean the same process
		if err != nil {
			return err
		}
		ours := isServer(pid, c.dir.file("data"))
		c.socket = socket
		conn, err := (*pgx.Conn)(nil), errors.New("it has not told its socket yet")
		if socket != "" {
			conn, err = c.ping(ctx)
		}
		if err == nil && ours {
			defer hangUp(ctx, conn)
			c.adopted = true
			c.process = &process{pid: pid, handle: handle, done: make(chan struct{})}
			go c.watch(c.process)
			return c.reload(ctx)
		}
		handle.Release()
		if err == nil {
			// Only seen with two containers over one disk: each has its own
			// numbers for processes, and the lock may not reach across.
			hangUp(ctx, conn)
			return fmt.Errorf("a server that runs elsewhere, perhaps in another container, answers for %s: "+
				"stop it there, or give this one another directory", c.dir.file("data"))
		}
		if !ours && (socket == "" || nobodyListens(err)) {
			c.log.InfoContext(ctx, "removing the pid file of a server that is gone", "pid", pid)
			if err := c.dir.root.Remove("data/postmaster.pid"); err != nil && !errors.Is(err, fs.ErrNotExist) {
				return c.dir.explain(err)
			}
			return nil
		}

		var says *pgconn.PgError
		if errors.As(err, &says) {
			if !passing(says) {
				return fmt.Errorf("the running database server (process %d) turns this program away: "+
					"stop it with kill -INT %[1]d and start again: %w", pid, err)
			}
			heard = time.Now()
		}
		if time.Since(heard) > muteWait {
			return fmt.Errorf("a database server (process %d) holds %s and does not answer: "+
				"stop it with kill -INT %[1]d and start again: %[3]w", pid, c.dir.file("data"), err)
		}
		if err := wait(ctx, err); err != nil {
			return fmt.Errorf("gave up waiting for the database server that still runs (process %d): %w", pid, err)
		}
	}
}

// passing tells whether the server refused for a reason that time will mend:
// it is starting, stopping, recovering (57P03), or full of connections (53300).
func passing(says *pgconn.PgError) bool { return says.Code == "57P03" || says.Code == "53300" }

// waiting returns a function that waits a little between two tries, short at
// first, and says once in the log that it takes longer, and why.
func (c *Cluster) waiting(what string) func(ctx context.Context, why error) error {
	began, told := time.Now(), false
	return func(ctx context.Context, why error) error {
		pause := 10 * time.Millisecond
		if time.Since(began) > slow {
			pause = 10 * pause // each try leaves a line in the server's log
			if !told {
				told = true
				c.log.WarnContext(ctx, what, "dir", c.dir.path, "last", why)
			}
		}
		return sleep(ctx, pause)
	}
}

// sleep waits, or returns the context's error if that ends first.
func sleep(ctx context.Context, d time.Duration) error {
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-time.After(d):
		return ctx.Err()
	}
}

// reload lets an adopted server read who may connect, and returns when it has.
func (c *Cluster) reload(ctx context.Context) error {
	loaded := func(then string) (at time.Time, err error) {
		conn, err := c.ping(ctx)
		if err != nil {
			return at, err
		}
		defer hangUp(ctx, conn)
		err = conn.QueryRow(ctx, `select pg_conf_load_time()`+then).Scan(&at)
		return at, err
	}
	before, err := loaded(` from pg_reload_conf()`) // a connection keeps the time it saw at its start
	for after := before; err == nil && !after.After(before); {
		if err = sleep(ctx, 10*time.Millisecond); err == nil {
			after, err = loaded(``)
		}
	}
	if err != nil {
		return fmt.Errorf("let the running database server (process %d) read its settings: %w", c.pid, err)
	}
	return nil
}

// watch closes done when an adopted server is gone. It is not our child, so it
// is looked at from time to time.
func (c *Cluster) watch(p *process) {
	for !gone(p.pid) {
		time.Sleep(goneEvery)
	}
	if _, err := c.dir.root.Lstat("data/postmaster.pid"); err == nil {
		p.err = errors.New("killed or crashed") // it would have removed the file
	}
	close(p.done)
}

// pidFile reads what the running server, or the last one, says about itself.
// A file cut short gives pid 0, which is nobody.
func (f *folder) pidFile() (pid int, socket string, err error) {
	text, err := f.root.ReadFile("data/postmaster.pid")
	if err != nil {
		return 0, "", err
	}
	lines := strings.Split(string(text), "\n")
	pid, err = strconv.Atoi(strings.TrimSpace(lines[0]))
	if err != nil || pid < 0 {
		pid = 0
	}
	if len(lines) > 4 { // pid, data folder, start time, port, socket folder
		socket = lines[4]
	}
	return pid, socket, nil
}

// launch starts the server and returns when it takes connections.
func (c *Cluster) launch(ctx context.Context, o Options) error {
	var err error
	if c.socket, err = c.dir.socketFolder(); err != nil {
		return err
	}
	// There is no server, as adopt found. The socket's own lock file holds a
	// process number too and would stop the start if that is somebody's now.
	for _, name := range []string{".s.PGSQL." + port, ".s.PGSQL." + port + ".lock"} {
		if err := os.Remove(filepath.Join(c.socket, name)); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return c.dir.explain(err)
		}
	}

	for deadline := time.Now().Add(muteWait); ; {
		if c.process, err = c.dir.run(c.bin, c.socket, o); err != nil {
			return err
		}
		if err = c.ready(ctx); err == nil {
			return nil
		}
		// After a kill -9 of the main process its children notice and go, but
		// not at once, and until then the server refuses to start.
		if !strings.Contains(err.Error(), "pre-existing shared memory block") || time.Now().After(deadline) {
			return err
		}
		if err := sleep(ctx, 100*time.Millisecond); err != nil {
			return err
		}
	}
}

// run starts postgres itself, not pg_ctl: it must be our child for the death
// signal and for Wait.
func (f *folder) run(bin, socket string, o Options) (*process, error) {
	log, err := f.openLog()
	if err != nil {
		return nil, err
	}
	defer log.Close()

	args := []string{"-D", f.file("data")}
	for _, name := range slices.Sorted(maps.Keys(o.Settings)) {
		args = append(args, "-c", name+"="+o.Settings[name])
	}
	// Last, because the last one wins.
	args = append(args,
		"-c", "listen_addresses=",
		"-c", "port="+port,
		"-c", "unix_socket_directories=\""+strings.ReplaceAll(socket, `"`, `""`)+"\"",
		"-c", "unix_socket_permissions=0700",
		"-c", "logging_collector=off",
		"-c", "log_destination=stderr")
	cmd := f.command(context.Background(), filepath.Join(bin, "postgres"), args...) // outlives the start
	cmd.Dir = f.file("data")
	cmd.Stdout, cmd.Stderr = log, log
	if !o.noDeathSignal {
		onDeath(cmd.SysProcAttr, syscall.SIGINT)
	}

	p := &process{done: make(chan struct{})}
	started := make(chan error)
	go func() {
		// Never unlocked: the thread must live as long as the server, since its
		// end is what the kernel takes for the program's death.
		runtime.LockOSThread()
		err := cmd.Start()
		started <- err
		if err != nil {
			return
		}
		p.err = cmd.Wait()
		close(p.done)
	}()
	if err := <-started; err != nil {
		return nil, fmt.Errorf("start the database server: %w", err)
	}
	p.pid, p.handle = cmd.Process.Pid, cmd.Process
	return p, nil
}

// ready returns when a connection works. If it fails, the server is stopped.
func (c *Cluster) ready(ctx context.Context) error {
	wait := c.waiting("the database server is still starting, perhaps recovering after a crash")
	for {
		conn, err := c.ping(ctx)
		if err == nil {
			hangUp(ctx, conn)
			return nil
		}
		var says *pgconn.PgError
		if errors.As(err, &says) && !passing(says) {
			c.giveUp(ctx)
			return fmt.Errorf("the database server started and turns this program away: %w", err)
		}
		select {
		case <-c.done:
			why := c.err
			if why == nil {
				why = errors.New("it ended at once")
			}
			return c.dir.failed("the database server did not start", why, c.dir.said())
		default:
		}
		if waitErr := wait(ctx, err); waitErr != nil {
			c.giveUp(ctx)
			return fmt.Errorf("gave up waiting for the database server to start (%w); the last answer was: %w", waitErr, err)
		}
	}
}

// giveUp stops a server whose start has failed, though ctx may have ended.
func (c *Cluster) giveUp(ctx context.Context) {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), 5*time.Second)
	defer cancel()
	if err := c.end(ctx); err != nil {
		c.log.ErrorContext(ctx, "stopping what was started", "err", err)
	}
}

// end makes the server go: in order if it does so in time, else without.
func (c *Cluster) end(ctx context.Context) error {
	if err := c.signal(syscall.SIGINT); err != nil {
		return err
	}
	timer := time.NewTimer(stopWait)
	defer timer.Stop()
	select {
	case <-c.done:
		return nil
	case <-ctx.Done():
	case <-timer.C:
	}
	c.log.WarnContext(ctx, "the database server takes long to stop and is told to drop everything", "pid", c.pid)
	if err := c.signal(syscall.SIGQUIT); err != nil {
		return err
	}
	select {
	case <-c.done:
		return nil
	case <-time.After(killWait):
		return fmt.Errorf("the database server (process %d) does not stop: see %s, then kill it", c.pid, c.dir.file("postgres.log"))
	}
}

func (c *Cluster) signal(sig syscall.Signal) error {
	if err := c.handle.Signal(sig); err != nil && !errors.Is(err, os.ErrProcessDone) {
		return fmt.Errorf("stop the database server (process %d): %w", c.pid, err)
	}
	return nil
}

// logMax is how large the server's log may be when a start begins a new one.
const logMax = 10 << 20

// openLog opens the server's log. The server writes to it directly, so that it
// can go on writing when the program is gone.
func (f *folder) openLog() (*os.File, error) {
	if f.logSize() > logMax {
		if err := f.root.Rename("postgres.log", "postgres.log.1"); err != nil {
			return nil, f.explain(err)
		}
	}
	f.logFrom = f.logSize()
	log, err := f.root.OpenFile("postgres.log", os.O_WRONLY|os.O_CREATE|os.O_APPEND, 0o600)
	if err != nil {
		return nil, f.explain(err)
	}
	if err := f.give("postgres.log"); err != nil {
		log.Close()
		return nil, err
	}
	return log, nil
}

func (f *folder) logSize() int64 {
	fi, err := f.root.Stat("postgres.log")
	if err != nil {
		return 0
	}
	return fi.Size()
}

// logLine splits a line of the server's log: time and process, level, text.
// Within initdb's output it may follow other words.
var logLine = regexp.MustCompile(`(?:^| )\d{4}-\S+ \S+ \S+ \[\d+\] (?:\S+ )*?([A-Z]+): +(.*)$`)

// plainLine splits a message of initdb: program, level, text.
var plainLine = regexp.MustCompile(`^initdb: ([a-z]+): +(.*)$`)

// said returns what the server gave as the reason for not starting, in
// its log since the last launch.
func (f *folder) said() string {
	file, err := f.root.Open("postgres.log")
	if err != nil {
		return ""
	}
	defer file.Close()
	const enough = 32 << 10
	from := max(f.logFrom, f.logSize()-enough)
	text, err := io.ReadAll(io.NewSectionReader(file, from, enough))
	if err != nil {
		return ""
	}
	return reason(string(text))
}

// reason picks from the output of a server program why it ended: the grave
// lines, else the last ones.
func reason(text string) string {
	var grave, all []string
	for line := range strings.Lines(text) {
		if strings.HasPrefix(line, "\t") {
			continue // the rest of a longer message, such as a statement
		}
		line = strings.TrimSpace(line)
		if line == "" || strings.Contains(line, "the database system is ") { // answers to our own tries
			continue
		}
		m := logLine.FindStringSubmatch(line)
		if m == nil { // by initdb, or by the server or the loader before there was a log
			m = plainLine.FindStringSubmatch(line)
		}
		if m == nil {
			all = append(all, line)
			continue
		}
		all = append(all, m[2])
		switch strings.ToUpper(m[1]) {
		case "FATAL", "PANIC", "ERROR", "DETAIL", "HINT":
			grave = append(grave, m[2])
		}
	}
	if len(grave) == 0 {
		grave = all
	}
	return strings.Join(grave[max(0, len(grave)-4):], "; ")
}

// failed puts the end of a server program into one sentence, led by what to do
// where its own words, or the state of the disk, make that plain.
func (f *folder) failed(what string, how error, words string) error {
	words = strings.Join(strings.Fields(words), " ")
	todo := ""
	switch {
	case strings.Contains(words, "No space left on device"), strings.Contains(words, "Disk quota exceeded"), f.noRoom():
		todo = "disk full: free some space for " + f.path + " and start again: "
	case strings.Contains(words, "Permission denied"):
		todo = fmt.Sprintf("user %s lacks a permission in %s: give its files back to that user: ", f.user, f.path)
	}
	if words == "" {
		return fmt.Errorf("%s%s (%w)", todo, what, how)
	}
	return fmt.Errorf("%s%s (%w): %s", todo, what, how, words)
}

// noRoom tries to write a little. With a full disk the server cannot log why
// it ended.
func (f *folder) noRoom() bool {
	const name = "probe"
	file, err := f.root.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return full(err)
	}
	defer f.root.Remove(name)
	_, err = file.Write(make([]byte, 64<<10))
	if err == nil {
		err = file.Sync()
	}
	file.Close()
	return full(err)
}
