//go:build !linux

package cluster

import (
	"errors"
	"os/exec"
	"strconv"
	"strings"
	"syscall"
	"time"
)

// socketMax is the longest path of a unix socket: 104 bytes with the final NUL
// on macOS and the BSDs.
const socketMax = 103

// goneEvery is how often an adopted server is looked at.
const goneEvery = 250 * time.Millisecond

// onDeath does nothing: there is no such signal here. A server whose program
// was killed lives on, and the next start adopts it.
func onDeath(*syscall.SysProcAttr, syscall.Signal) {}

// isServer tells whether the process is a PostgreSQL server of the data folder,
// by the command line that launch gave it. A number in a pid file proves
// nothing: after a restart of the machine it may be anybody's.
func isServer(pid int, data string) bool {
	out, err := exec.Command("ps", "-ww", "-o", "command=", "-p", strconv.Itoa(pid)).Output()
	return err == nil && strings.Contains(string(out), "postgres") && strings.Contains(string(out), " -D "+data)
}

// gone tells whether the process has ended.
func gone(pid int) bool { return errors.Is(syscall.Kill(pid, 0), syscall.ESRCH) }
