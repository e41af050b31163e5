package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"time"
)

// patience bounds every wait for the program.
const patience = 60 * time.Second

// program is a running spindlebook.
type program struct {
	url  string
	cmd  *exec.Cmd
	said *said
	done chan struct{} // closed when it has ended
}

// said keeps what a program prints, for the error when it will not start.
type said struct {
	mu  sync.Mutex
	buf bytes.Buffer
}

func (s *said) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.buf.Write(p)
}

func (s *said) String() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.buf.String()
}

// freePort gives an address of this machine that nobody listens on.
func freePort() (string, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return "", err
	}
	defer l.Close()
	return l.Addr().String(), nil
}

// launch starts the program and does not wait for it.
func launch(binary, at string, settings ...string) (*program, error) {
	p := &program{url: "http://" + at, said: &said{}, done: make(chan struct{})}
	p.cmd = exec.Command(binary, "serve")
	p.cmd.Env = append([]string{"PATH=" + os.Getenv("PATH"), "TMPDIR=" + os.TempDir(), "SPINDLEBOOK_LISTEN=" + at, "SPINDLEBOOK_METRICS=off",
		"SPINDLEBOOK_LOG=error"}, settings...)
	p.cmd.Stdout, p.cmd.Stderr = p.said, p.said
	p.cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true} // Ctrl-C is for us; we end it
	if err := p.cmd.Start(); err != nil {
		return nil, err
	}
	go func() {
		_ = p.cmd.Wait() // it is killed on purpose
		close(p.done)
	}()
	return p, nil
}

// serve starts the program and waits until it is ready. What was started is
// given with an error, too, to be ended.
func serve(ctx context.Context, binary, at string, settings ...string) (*program, error) {
	p, err := launch(binary, at, settings...)
	if err != nil {
		return nil, err
	}
	return p, p.ready(ctx)
}

// ready waits until the program answers that it is ready.
func (p *program) ready(ctx context.Context) error {
	deadline := time.Now().Add(patience)
	for {
		res, err := web.Get(p.url + "/readyz")
		if err == nil {
			_ = res.Body.Close()
			if res.StatusCode == http.StatusOK {
				return nil
			}
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-p.done:
			return fmt.Errorf("the program ended at its start: %s", p.said)
		case <-time.After(5 * time.Millisecond):
		}
		if time.Now().After(deadline) {
			return fmt.Errorf("the program is not ready after %v: %s", patience, p.said)
		}
	}
}

// kill ends the program with signal 9.
func (p *program) kill() error {
	if err := p.cmd.Process.Kill(); err != nil && !errors.Is(err, os.ErrProcessDone) {
		return err
	}
	<-p.done
	return nil
}

// stop ends the program in order, if there is one.
func (p *program) stop() {
	if p == nil {
		return
	}
	_ = p.cmd.Process.Signal(syscall.SIGTERM) // it may have ended
	select {
	case <-p.done:
	case <-time.After(patience):
		_ = p.kill()
	}
}

// killDatabase ends the main process of a program's private server with signal 9,
// if it runs.
func killDatabase(data string) error { return killServer(filepath.Join(data, "private")) }

// killServer does so with the server of a folder.
func killServer(folder string) error {
	dir := filepath.Join(folder, "data")
	raw, err := os.ReadFile(filepath.Join(dir, "postmaster.pid"))
	if errors.Is(err, os.ErrNotExist) {
		return nil // it is gone already
	}
	if err != nil {
		return err
	}
	first, _, _ := strings.Cut(string(raw), "\n")
	pid, err := strconv.Atoi(strings.TrimSpace(first))
	if err != nil || pid < 2 {
		return fmt.Errorf("the number of the database's process cannot be read: %q", first)
	}
	// a server that was killed leaves the file, and its number may be another's by now
	if command, err := os.ReadFile(fmt.Sprintf("/proc/%d/cmdline", pid)); !strings.Contains(string(command), dir) {
		if _, noProc := os.Stat("/proc/self"); err == nil || noProc == nil {
			return nil
		}
	}
	if err := syscall.Kill(pid, syscall.SIGKILL); err != nil && !errors.Is(err, syscall.ESRCH) {
		return err
	}
	return nil
}
