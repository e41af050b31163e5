package cluster

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
)

// Address is where a private server is reached and where its programs stand.
type Address struct {
	socket string // folder of the socket
	bin    string
}

// DSN returns the connection string for a role and a database, in the keyword
// form that pgx and the programs of PostgreSQL understand. There is no secret
// in it.
func (a Address) DSN(role, database string) string {
	quote := strings.NewReplacer(`\`, `\\`, `'`, `\'`)
	// Port and sslmode stand here so that PGPORT and PGSSLMODE in the
	// environment, meant for another server, do not lead astray.
	return fmt.Sprintf("host='%s' port=%s user='%s' dbname='%s' sslmode=disable",
		quote.Replace(a.socket), port, quote.Replace(role), quote.Replace(database))
}

// BinDir returns the folder of the server programs in use, where pg_dump and
// pg_restore of the same version usually stand too.
func (a Address) BinDir() string { return a.bin }

// Running tells where the private server of a folder is reached while another
// program runs it, for a visit such as a back-up. It is false where none runs;
// whether it answers shows when one connects.
func Running(dir string) (Address, bool) {
	pid, err := os.ReadFile(filepath.Join(dir, "data", "postmaster.pid"))
	if err != nil {
		return Address{}, false
	}
	command, err := os.ReadFile(filepath.Join(dir, "data", "postmaster.opts"))
	if err != nil {
		return Address{}, false
	}
	// line 5 of the one is the socket folder, the first word of the other the program
	lines := strings.Split(string(pid), "\n")
	program, _, _ := strings.Cut(string(command), " ")
	if len(lines) < 5 || lines[4] == "" || program == "" {
		return Address{}, false
	}
	return Address{socket: lines[4], bin: filepath.Dir(program)}, true
}
