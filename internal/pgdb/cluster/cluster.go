// Package cluster runs a private PostgreSQL server for one program, from the
// server programs installed on the machine.
//
// One folder holds everything:
//
//	lock          held by the program that owns the server, with its pid in it
//	data          the data folder of PostgreSQL; data.new while it is being made
//	run           the unix socket, the only way in
//	postgres.log  what the server says; postgres.log.1 is the one before
//
// The server has no TCP port. Who may connect is decided by the kernel: the
// socket folder is closed to other users, and PostgreSQL asks the kernel for
// the user at the other end of the socket (peer authentication), so that there
// is no password to choose, keep or lose.
//
// The design answers one question: what is left behind when something is
// killed? The lock goes with the process that holds it. A data folder gets its
// name only when it is complete. On Linux the kernel asks the server to shut
// down when the program dies; where it cannot, the server lives on and the
// next start adopts it. A pid file is believed only if the process it names is
// a server of this very data folder. A data folder is never removed and never
// used by another major version than the one that made it.
package cluster

import (
	"context"
	"errors"
	"log/slog"
	"os"
	"path/filepath"
	"sync"
	"syscall"
	"time"

	"github.com/jackc/pgx/v5"
)

const (
	superuser = "postgres" // the role that initdb makes
	oldest    = 15         // the oldest major version that is accepted
	port      = "5432"     // no TCP port: only a part of the socket's name

	// stopWait is how long a server gets to write its buffers and close before
	// it is told to drop everything, and killWait what it then gets to go.
	// A server that had to drop everything recovers at its next start.
	stopWait = 30 * time.Second
	killWait = 15 * time.Second

	// muteWait bounds the wait for a server that holds the data folder and says
	// nothing. One that says it is starting or stopping is waited for longer.
	muteWait = 60 * time.Second

	// slow is when a wait begins to deserve a line in the log.
	slow = 2 * time.Second
)

// Options say where the private server lives and who may use it.
type Options struct {
	// Dir is the folder of the private server. It is made if it is missing.
	// Keep it out of folders that only root may enter, such as /root: the
	// server runs as another user then.
	Dir string

	// BinDir is the folder that holds initdb and postgres. If it is empty, they
	// are looked for in PATH and the usual places; the version that made the
	// data folder is taken if it is there, else the first found.
	BinDir string

	// OSUser is the operating system user the server runs as when the program
	// runs as root, which PostgreSQL refuses to do. If it is empty, the owner of
	// an existing data folder is taken, else postgres, else nobody. It has no
	// meaning for a program that does not run as root.
	OSUser string

	// Settings are further settings of the server, such as fsync=off in tests.
	// Those that keep it private (no TCP, socket, log) cannot be changed.
	Settings map[string]string

	// Roles are the database roles that the user of this program, root and the
	// server's user may connect as, besides the role postgres, the superuser.
	// They are names only: making the roles is up to the caller.
	Roles []string

	// Log hears of what takes time and of what was found; nil means silence.
	Log *slog.Logger

	// noDeathSignal leaves the server alive when the program is killed, as it
	// is where the kernel has no such signal. For tests.
	noDeathSignal bool
}

// Cluster is a running private server. Its methods may be called from several
// goroutines.
type Cluster struct {
	Address
	dir     *folder
	adopted bool
	log     *slog.Logger
	*process

	stop    sync.Once
	stopErr error
}

// Start makes the private server of o.Dir if there is none, starts it, and
// returns when it takes connections. If the folder's server is already running
// without a program, because its program was killed, it is taken over.
//
// The caller owns the server: it must call Stop, and should end when Done is
// closed. Start has no time limit of its own while the server is at work, since
// recovery after a crash takes what it takes; if ctx ends first, what was
// started is stopped again.
//
// Errors are sentences for the person who starts the program: no server
// programs, a folder in use by another program, not writable or out of reach,
// a full disk, another version, or what the server itself gave as the reason.
func Start(ctx context.Context, o Options) (_ *Cluster, err error) {
	began := time.Now()
	log := o.Log
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}

	dir, err := openFolder(o.Dir)
	if err != nil {
		return nil, err
	}
	defer func() {
		if err != nil {
			dir.close()
		}
	}()
	if err := dir.own(o.OSUser); err != nil {
		return nil, err
	}
	if err := dir.lock(ctx); err != nil {
		return nil, err
	}

	made, err := dir.version()
	if err != nil {
		return nil, err
	}
	programs, err := choose(ctx, o.BinDir, made, dir)
	if err != nil {
		return nil, err
	}
	if made == 0 {
		log.InfoContext(ctx, "making the private database server", "dir", dir.path, "postgres", programs.major)
		if err := dir.initdb(ctx, programs); err != nil {
			return nil, err
		}
	}
	if err := dir.admit(o.Roles); err != nil {
		return nil, err
	}

	c := &Cluster{dir: dir, Address: Address{bin: programs.dir}, log: log}
	if err := c.adopt(ctx); err != nil {
		return nil, err
	}
	if !c.adopted {
		if err := c.launch(ctx, o); err != nil {
			return nil, err
		}
	}
	log.InfoContext(ctx, "private database server is ready", "dir", dir.path, "pid", c.pid,
		"adopted", c.adopted, "took", time.Since(began).Round(time.Millisecond))
	return c, nil
}

// Adopted tells whether the server was found running and taken over.
func (c *Cluster) Adopted() bool { return c.adopted }

// Done returns a channel that is closed when the server has ended, by itself or
// through Stop. Stop then tells why.
func (c *Cluster) Done() <-chan struct{} { return c.done }

// Stop shuts the server down and gives the folder free. Open connections are
// cut and their transactions rolled back. If the server is not gone after 30
// seconds, or when ctx ends, it is told to drop everything at once; nothing
// committed is lost, the next start recovers it.
//
// The error is not nil if the server would not go, or if it had ended by itself
// in disorder before Stop was called. Further calls return the same.
func (c *Cluster) Stop(ctx context.Context) error {
	c.stop.Do(func() {
		select {
		case <-c.done:
			if c.err != nil {
				c.stopErr = c.dir.failed("the private database server ended by itself", c.err, "see "+c.dir.file("postgres.log"))
			}
		default:
			c.stopErr = c.end(ctx)
		}
		if filepath.Dir(c.socket) != c.dir.path {
			os.Remove(c.socket) // the short folder in the temp dir; if it is not empty it stays
		}
		c.dir.close()
	})
	return c.stopErr
}

// ping makes a real connection: the only proof that the server is ready.
func (c *Cluster) ping(ctx context.Context) (*pgx.Conn, error) {
	cfg, err := pgx.ParseConfig(c.DSN(superuser, "postgres"))
	if err != nil {
		return nil, err
	}
	cfg.ConnectTimeout = 10 * time.Second
	return pgx.ConnectConfig(ctx, cfg)
}

// hangUp closes a connection made by ping, whatever became of the context.
func hangUp(ctx context.Context, conn *pgx.Conn) {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), 5*time.Second)
	defer cancel()
	conn.Close(ctx)
}

// nobodyListens tells whether a failed connection means that there is no server
// at all behind the socket.
func nobodyListens(err error) bool {
	return errors.Is(err, syscall.ENOENT) || errors.Is(err, syscall.ECONNREFUSED)
}
