package cluster

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"time"
)

// version returns the major version that made the data folder, 0 if there is
// none yet.
func (f *folder) version() (int, error) {
	fi, err := f.root.Lstat("data")
	if errors.Is(err, fs.ErrNotExist) {
		return 0, nil
	}
	if err != nil {
		return 0, f.explain(err)
	}
	data := f.file("data")
	if !fi.IsDir() {
		return 0, fmt.Errorf("%s is not a folder (to keep the data elsewhere, let the whole directory be elsewhere): move it away", data)
	}
	text, err := f.root.ReadFile("data/PG_VERSION")
	if errors.Is(err, fs.ErrNotExist) {
		// An empty folder is as good as none. os.Root cannot list it without
		// opening it; removing it fails if anything is in it, which is the test.
		if err := f.root.Remove("data"); err != nil {
			return 0, fmt.Errorf("%s is no data folder of PostgreSQL and not empty: move it away, or give another directory", data)
		}
		return 0, nil
	}
	if err != nil {
		return 0, f.explain(err)
	}
	major, err := strconv.Atoi(strings.TrimSpace(string(text)))
	if err != nil {
		return 0, fmt.Errorf("%s/PG_VERSION names no version that can be read (%q): give another directory; nothing was changed", data, text)
	}
	return major, nil
}

// initdb makes the data folder under another name first. A kill in the middle
// then leaves a data.new, which is nobody's data and removed here.
func (f *folder) initdb(ctx context.Context, p programs) error {
	const unfinished = "data.new"
	if err := f.removeAll(ctx, unfinished); err != nil {
		return err
	}
	if err := f.closedDir(unfinished); err != nil {
		return err
	}
	args := []string{
		"-D", f.file(unfinished), "-U", superuser, "-E", "UTF8", "--data-checksums",
		// Replaced by admit before the server starts; strict in case it is not.
		"--auth-local=peer", "--auth-host=reject",
	}
	cmd := f.command(ctx, filepath.Join(p.dir, "initdb"), append(args, locale(p.major)...)...)
	cmd.Cancel = func() error { return syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL) } // and its children
	cmd.WaitDelay = 5 * time.Second
	onDeath(cmd.SysProcAttr, syscall.SIGKILL)
	runtime.LockOSThread() // see onDeath
	out, err := cmd.CombinedOutput()
	runtime.UnlockOSThread()
	if err != nil {
		err = f.failed("the database server's data folder was not made", err, reason(string(out)))
		f.removeAll(context.WithoutCancel(ctx), unfinished) // else the next start does it
		if ctx.Err() != nil {
			return ctx.Err()
		}
		return err
	}
	if err := f.root.Rename(unfinished, "data"); err != nil {
		return f.explain(err)
	}
	return f.sync(".")
}

// locale sorts by code point and knows the letters of all alphabets, the same
// on every machine. macOS has no such locale; there PostgreSQL brings its own
// since version 17.
func locale(major int) []string {
	switch {
	case runtime.GOOS != "darwin":
		return []string{"--locale=C.UTF-8"}
	case major >= 17:
		return []string{"--locale=C", "--locale-provider=builtin", "--builtin-locale=C.UTF-8"}
	default:
		return []string{"--no-locale"}
	}
}

// removeAll removes a folder of ours. It may take a few rounds: the children of
// a killed initdb notice its end a moment later, and write until then.
func (f *folder) removeAll(ctx context.Context, name string) error {
	for deadline := time.Now().Add(10 * time.Second); ; {
		err := f.root.RemoveAll(name)
		if err == nil {
			return nil
		}
		if time.Now().After(deadline) || !errors.Is(err, syscall.ENOTEMPTY) {
			return f.explain(err)
		}
		if err := sleep(ctx, 20*time.Millisecond); err != nil {
			return err
		}
	}
}

// sync makes a rename last through a loss of power.
func (f *folder) sync(name string) error {
	d, err := f.root.Open(name)
	if err != nil {
		return f.explain(err)
	}
	defer d.Close()
	if err := d.Sync(); err != nil {
		return f.explain(err)
	}
	return nil
}

// admit writes who may connect as whom. PostgreSQL asks the kernel for the OS
// user at the other end of the socket; the map says which roles that user may
// be. It is written anew at each start, since roles and users may have changed.
func (f *folder) admit(roles []string) error {
	here, err := userName(os.Geteuid())
	if err != nil {
		return err
	}
	const head = "# Written at each start by the program that owns this server; changes here are lost.\n"
	ident := head
	for _, osUser := range distinct(here, "root", f.user) {
		for _, role := range distinct(append([]string{superuser}, roles...)...) {
			for _, s := range []string{osUser, role} {
				if s == "" || strings.ContainsAny(s, "\"\r\n\x00") {
					return fmt.Errorf("%q cannot be admitted to the database: the name is empty or has a quote or a line break in it", s)
				}
			}
			ident += fmt.Sprintf("own %q %q\n", osUser, role)
		}
	}
	if err := f.write("data/pg_ident.conf", ident); err != nil {
		return err
	}
	return f.write("data/pg_hba.conf", head+"local all all peer map=own\n")
}

func distinct(all ...string) []string {
	all = slices.Clone(all)
	slices.Sort(all)
	return slices.Compact(all)
}

// write replaces a file, in one step, unless it has that content already.
func (f *folder) write(name, content string) error {
	if old, err := f.root.ReadFile(name); err == nil && bytes.Equal(old, []byte(content)) {
		return nil
	}
	tmp := name + ".new"
	file, err := f.root.OpenFile(tmp, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return f.explain(err)
	}
	_, err = file.WriteString(content)
	if err == nil {
		err = file.Sync()
	}
	if err := errors.Join(err, file.Close()); err != nil {
		return f.explain(err)
	}
	if err := f.give(tmp); err != nil {
		return err
	}
	if err := f.root.Rename(tmp, name); err != nil {
		return f.explain(err)
	}
	return nil
}
