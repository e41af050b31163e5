package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"strconv"
	"syscall"
	"time"

	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgdb/cluster"
)

// startsMeasured is how often each start is measured; its median counts.
const startsMeasured = 5

// starts measures the private server's first start and a later one, each beside
// initdb and pg_ctl on a folder of their own, one after the other so that both
// have the same machine.
func (b *bench) starts(ctx context.Context) error {
	b.say("starts of the private server, %d times", startsMeasured)
	var first, schema, later, floorFirst, floorLater sample
	for i := range startsMeasured {
		f, err := b.newFloor(filepath.Join(b.dir, fmt.Sprintf("floor-%d", i)))
		if err != nil {
			return err
		}
		cold, warm, err := f.measure(ctx)
		if err != nil {
			return err
		}
		floorFirst, floorLater = append(floorFirst, cold), append(floorLater, warm)

		o := cluster.Options{Dir: filepath.Join(b.dir, fmt.Sprintf("start-%d", i)), BinDir: b.bin, Roles: []string{pgdb.OwnerRole, pgdb.ServiceRole}}
		cold, made, err := firstStart(ctx, o)
		if err != nil {
			return err
		}
		first, schema = append(first, cold), append(schema, made)
		began := time.Now()
		own, err := cluster.Start(ctx, o)
		if err != nil {
			return err
		}
		later = append(later, time.Since(began))
		if err := own.Stop(ctx); err != nil {
			return err
		}
	}
	b.add(row{work: "first start of the private database", floor: "initdb + pg_ctl start " + ms(floorFirst.median()),
		measured: ms(first.median()), ratio: ratio(first.median(), floorFirst.median()), bar: 1.5})
	b.add(row{work: "its roles and migrations", measured: ms(schema.median())})
	b.add(row{work: "a later start", floor: "pg_ctl start " + ms(floorLater.median()),
		measured: ms(later.median()), ratio: ratio(later.median(), floorLater.median())})
	return nil
}

// firstStart starts a server on an empty folder, makes the roles and the schema
// apart from that, and stops it.
func firstStart(ctx context.Context, o cluster.Options) (start, schema time.Duration, err error) {
	began := time.Now()
	own, err := cluster.Start(ctx, o)
	if err != nil {
		return 0, 0, err
	}
	defer func() { err = errors.Join(err, own.Stop(context.WithoutCancel(ctx))) }()
	start = time.Since(began)
	if err := prepare(ctx, own.Address, "spindlebook"); err != nil {
		return 0, 0, err
	}
	return start, time.Since(began) - start, nil
}

// prepare makes the roles and a migrated database.
func prepare(ctx context.Context, at cluster.Address, name string) error {
	if err := pgdb.MakeRoles(ctx, at.DSN("postgres", "postgres"), name); err != nil {
		return err
	}
	_, err := pgdb.Migrate(ctx, at.DSN(pgdb.OwnerRole, name))
	return err
}

// floor is a server started by PostgreSQL's own programs.
type floor struct {
	dir, bin string
	as       *syscall.Credential // they refuse to run as root
}

func (b *bench) newFloor(dir string) (*floor, error) {
	f := &floor{dir: dir, bin: b.bin}
	if err := os.Mkdir(dir, 0o700); err != nil {
		return nil, err
	}
	if os.Geteuid() != 0 {
		return f, nil
	}
	u, err := user.Lookup("postgres")
	if err != nil {
		u, err = user.Lookup("nobody")
	}
	if err != nil {
		return nil, fmt.Errorf("PostgreSQL does not run as root, and there is neither a user postgres nor nobody: %w", err)
	}
	uid, errUID := strconv.Atoi(u.Uid)
	gid, errGID := strconv.Atoi(u.Gid)
	if err := errors.Join(errUID, errGID, os.Chown(dir, uid, gid)); err != nil {
		return nil, err
	}
	f.as = &syscall.Credential{Uid: uint32(uid), Gid: uint32(gid)}
	return f, nil
}

// measure gives how long the first and a later start take.
func (f *floor) measure(ctx context.Context) (first, later time.Duration, err error) {
	data := filepath.Join(f.dir, "data")
	start := func() error {
		return f.run(ctx, "pg_ctl", "-D", data, "-w", "-s", "-l", filepath.Join(f.dir, "log"),
			"-o", "-c listen_addresses= -c unix_socket_directories="+f.dir, "start")
	}
	stop := func() error { // also where the run was interrupted
		return f.run(context.WithoutCancel(ctx), "pg_ctl", "-D", data, "-w", "-s", "-m", "fast", "stop")
	}
	began := time.Now()
	// the options with which the private server is made
	err = f.run(ctx, "initdb", "-D", data, "-U", "postgres", "-E", "UTF8", "--data-checksums", "--auth-local=peer", "--auth-host=reject", "--locale=C.UTF-8")
	if err != nil {
		return 0, 0, err
	}
	if err := start(); err != nil {
		return 0, 0, err
	}
	first = time.Since(began)
	if err := stop(); err != nil {
		return 0, 0, err
	}
	began = time.Now()
	if err := start(); err != nil {
		return 0, 0, err
	}
	return first, time.Since(began), stop()
}

func (f *floor) run(ctx context.Context, program string, args ...string) error {
	cmd := exec.CommandContext(ctx, filepath.Join(f.bin, program), args...)
	cmd.Dir, cmd.Env = "/", []string{"LC_ALL=C", "TZ=UTC", "PATH=" + os.Getenv("PATH")}
	// out of reach of Ctrl-C, so that what was started can be stopped in order
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true, Credential: f.as}
	if said, err := cmd.CombinedOutput(); err != nil {
		return fmt.Errorf("%s: %w: %s", program, err, said)
	}
	return nil
}
