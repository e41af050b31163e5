package cluster

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"time"
)

// socketMax is the longest path of a unix socket: 108 bytes with the final NUL.
const socketMax = 107

// goneEvery is how often an adopted server is looked at; a look is one small read.
const goneEvery = 50 * time.Millisecond

// onDeath lets the kernel send sig to the child when the program dies. It works
// across the change of user. The kernel binds it to the thread that forked, so
// the caller must keep that thread alive: runtime.LockOSThread.
func onDeath(attr *syscall.SysProcAttr, sig syscall.Signal) { attr.Pdeathsig = sig }

// isServer tells whether the process is a PostgreSQL server of the data folder.
// A number in a pid file proves nothing: after a restart of the machine, or of
// a container, it may be anybody's. A server works in its data folder, and the
// kernel knows where a process works.
func isServer(pid int, data string) bool {
	proc := fmt.Sprintf("/proc/%d", pid)
	exe, err := os.Readlink(proc + "/exe")
	if errors.Is(err, fs.ErrPermission) {
		return looksLikeServer(pid, data)
	}
	// The kernel adds " (deleted)" when the program was replaced by an upgrade.
	if err != nil || filepath.Base(strings.TrimSuffix(exe, " (deleted)")) != "postgres" {
		return false
	}
	cwd, err := os.Stat(proc + "/cwd")
	if err != nil {
		return false
	}
	want, err := os.Stat(data)
	return err == nil && os.SameFile(cwd, want)
}

// looksLikeServer goes by the command line that run gave the server. Root in a
// container often may not look at another user's process more closely.
func looksLikeServer(pid int, data string) bool {
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/cmdline", pid))
	args := strings.Split(string(text), "\x00")
	return err == nil && len(args) > 2 && filepath.Base(args[0]) == "postgres" && args[1] == "-D" && args[2] == data
}

// gone tells whether the process has ended. One that has ended but was not yet
// waited for by its parent (a zombie) has ended too.
func gone(pid int) bool {
	stat, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		return true
	}
	_, state, ok := bytes.Cut(stat, []byte(") "))
	return !ok || bytes.HasPrefix(state, []byte("Z")) || bytes.HasPrefix(state, []byte("X"))
}
