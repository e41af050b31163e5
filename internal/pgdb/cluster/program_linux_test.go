package cluster

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
)

func TestProgramKilled(t *testing.T) {
	t.Parallel()
	dir := readyDir(t)
	p := running(t, order{Options: Options{Dir: dir}})
	p.kill(t)
	eventually(t, "the server goes with its program", func() bool { return gone(p.Pid) })
	if exists(dir, "data/postmaster.pid") {
		t.Error("it did not go in order: pid file left")
	}
}

// TestProgramKilledRestart starts again while the server is still closing.
func TestProgramKilledRestart(t *testing.T) {
	t.Parallel()
	dir := readyDir(t)
	for n := range 3 {
		p := running(t, order{Options: Options{Dir: dir}})
		if err := execute(testContext(t), p.DSN, `insert into t select generate_series(1, 10000)`); err != nil {
			t.Fatal(err)
		}
		p.kill(t)
		c := start(t, Options{Dir: dir})
		if got := rows(t, c); got != 1+(n+1)*10000 {
			t.Errorf("%d rows", got)
		}
		stop(t, c)
	}
}

// TestIsServer: both ways to know a server tell it from strangers and from servers
// of other folders.
func TestIsServer(t *testing.T) {
	t.Parallel()
	c := start(t, Options{Dir: readyDir(t)})
	data := c.dir.file("data")
	child := query[int](t, c.DSN(superuser, "postgres"), `select pid from pg_stat_activity where backend_type = 'checkpointer'`)
	if !isServer(c.pid, data) || !looksLikeServer(c.pid, data) {
		t.Error("the server is not known")
	}
	if isServer(c.pid, os.TempDir()) || looksLikeServer(c.pid, os.TempDir()) {
		t.Error("taken for the server of another folder")
	}
	if looksLikeServer(child, data) {
		t.Error("a child is taken for the server")
	}
	if isServer(os.Getpid(), data) || looksLikeServer(os.Getpid(), data) || isServer(0, data) || looksLikeServer(0, data) {
		t.Error("a stranger is taken for the server")
	}
}

// ownMounts gives the program its own view of the mounts, so that a small disk
// made in it vanishes with it.
func ownMounts(attr *syscall.SysProcAttr) { attr.Unshareflags = syscall.CLONE_NEWNS }

// fillDisk mounts a small disk over the folder. If there is room for a server
// on it, one is made and stopped and the rest of the disk filled.
func fillDisk(ctx context.Context, o order) error {
	if err := syscall.Mount("none", o.Dir, "tmpfs", 0, fmt.Sprintf("size=%d,mode=0755", o.FillDisk)); err != nil {
		return fmt.Errorf("no disk can be mounted here: %w", err)
	}
	if o.FillDisk < 16<<20 {
		return nil
	}
	c, err := Start(ctx, o.Options)
	if err != nil {
		return fmt.Errorf("the disk is too small to begin with: %w", err)
	}
	if err := c.Stop(ctx); err != nil {
		return err
	}
	f, err := os.Create(filepath.Join(o.Dir, "ballast"))
	if err != nil {
		return err
	}
	defer f.Close()
	for size := 1 << 20; size > 0; size /= 2 { // to the last byte
		for err = nil; err == nil; {
			_, err = f.Write(make([]byte, size))
		}
		if !errors.Is(err, syscall.ENOSPC) {
			return err
		}
	}
	size, err := f.Seek(0, io.SeekCurrent)
	if err != nil {
		return err
	}
	return f.Truncate(size - o.Spare)
}

func TestDiskFull(t *testing.T) {
	rootOnly(t)
	probe := exec.Command("true")
	probe.SysProcAttr = &syscall.SysProcAttr{}
	ownMounts(probe.SysProcAttr)
	if err := probe.Run(); err != nil { // in a changed root that is no mount, for one
		t.Skipf("no process can have mounts of its own here, so no disk to fill: %v", err)
	}
	t.Parallel()
	for name, c := range map[string]struct{ size, spare int64 }{
		"while making":      {4 << 20, 0},
		"before the server": {80 << 20, 0},
		"in the server":     {80 << 20, 4 << 10}, // enough for the lock, then no more
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			dir := openDir(t)
			p := begin(t, order{Options: Options{Dir: dir}, FillDisk: c.size, Spare: c.spare}, ownMounts).listen(t)
			if p.Skip != "" {
				t.Skip(p.Skip)
			}
			has(t, p.Err, "disk full", "free some space for "+dir)
			if name == "in the server" {
				has(t, p.Err, "did not start")
			}
			if strings.Contains(p.Err, " ... ") || len(p.Err) > 400 {
				t.Error("it is drowned in words")
			}
		})
	}
}
