package pgtest

import (
	"os"
	"syscall"
)

// fastest gives the folder for the server's data: in memory, where there is
// plenty and nobody named another in TMPDIR. A database is some thousand small
// files, and making them on a disk is most of what a test waits for. Containers
// often have a tiny /dev/shm: then it is the usual place.
func fastest() string {
	const memory, plenty = "/dev/shm", 4 << 30
	var fs syscall.Statfs_t
	if os.Getenv("TMPDIR") != "" || syscall.Statfs(memory, &fs) != nil || fs.Bavail*uint64(fs.Bsize) < plenty {
		return os.TempDir()
	}
	return memory
}
