package cluster

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"time"
)

// folder is the private server's folder and the user the server runs as.
//
// Run by root, the program handles files in folders that another user may
// write. It goes through os.Root, so that a link laid there leads nowhere else.
type folder struct {
	path string // absolute, links resolved
	root *os.Root
	held *os.File // the lock, nil while it is not ours

	user     string // the server's OS user
	uid, gid int
	cred     *syscall.Credential // nil if that is the user of the program

	logFrom int64 // where the log of the last launch begins
}

// openFolder makes the folder if it is missing.
func openFolder(path string) (*folder, error) {
	if path == "" {
		return nil, errors.New("no directory given for the private database server")
	}
	path, err := filepath.Abs(path)
	if err != nil {
		return nil, err
	}
	f := &folder{path: path}
	if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
		if err := os.MkdirAll(path, 0o755); err != nil {
			return nil, f.explain(err)
		}
		// The server's user must get in, whatever the umask says. What lies
		// inside is closed one by one.
		if err := os.Chmod(path, 0o755); err != nil {
			return nil, f.explain(err)
		}
	}
	if f.path, err = filepath.EvalSymlinks(path); err != nil {
		f.path = path
		return nil, f.explain(err)
	}
	if f.root, err = os.OpenRoot(f.path); err != nil {
		return nil, f.explain(err)
	}
	return f, nil
}

// close gives the lock back. The file stays: removing it would let two
// programs hold two locks of the same name.
func (f *folder) close() {
	if f.held != nil {
		f.held.Truncate(0)
		// Closing alone is not enough: a child just forked elsewhere in the
		// program shares the lock until it has become another program.
		syscall.Flock(int(f.held.Fd()), syscall.LOCK_UN)
		f.held.Close()
	}
	f.root.Close()
}

// file returns the full path of something in the folder.
func (f *folder) file(name string) string { return filepath.Join(f.path, name) }

// explain puts the faults that people can mend into words.
func (f *folder) explain(err error) error {
	switch {
	case full(err):
		return fmt.Errorf("disk full: free some space for %s and start again: %w", f.path, err)
	case errors.Is(err, fs.ErrPermission), errors.Is(err, syscall.EROFS):
		return fmt.Errorf("directory %s is not writable: change its owner or mode, or give another directory: %w", f.path, err)
	default:
		return fmt.Errorf("directory %s of the private database server: %w", f.path, err)
	}
}

func full(err error) bool { return errors.Is(err, syscall.ENOSPC) || errors.Is(err, syscall.EDQUOT) }

// lock makes this program the only one that works in the folder. The kernel
// drops the lock when the program ends, however it ends; children do not keep it.
func (f *folder) lock(ctx context.Context) error {
	file, err := f.root.OpenFile("lock", os.O_RDWR|os.O_CREATE, 0o644)
	if err != nil {
		return f.explain(err)
	}
	for deadline := time.Now().Add(slow); ; {
		err := syscall.Flock(int(file.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
		if err == nil {
			break
		}
		if !errors.Is(err, syscall.EWOULDBLOCK) {
			file.Close()
			return fmt.Errorf("lock %s: %w", f.file("lock"), err)
		}
		by, alive := holder(file)
		// One that has just been killed, or has not yet written its number,
		// will be known in a moment.
		if !alive && time.Now().Before(deadline) && sleep(ctx, 10*time.Millisecond) == nil {
			continue
		}
		file.Close()
		return fmt.Errorf("the private database server in %s is in use by %s: stop that process, "+
			"set DATABASE_URL to share its database, or give this one another directory", f.path, by)
	}
	f.held = file
	if err := file.Truncate(0); err != nil {
		return f.explain(err)
	}
	if _, err := file.WriteAt(fmt.Appendln(nil, os.Getpid()), 0); err != nil {
		return f.explain(err)
	}
	return f.give("lock")
}

// holder names the process that has the lock, by what it wrote into it.
func holder(file *os.File) (name string, alive bool) {
	buf := make([]byte, 20)
	n, _ := file.ReadAt(buf, 0) // an error: there is nothing longer than a number
	pid, err := strconv.Atoi(strings.TrimSpace(string(buf[:n])))
	if err != nil {
		return "another process", false
	}
	return fmt.Sprintf("process %d", pid), !gone(pid)
}

// own settles which user the server runs as.
func (f *folder) own(osUser string) error {
	owner := -1 // of the data folder
	if fi, err := f.root.Lstat("data"); err == nil {
		owner = int(fi.Sys().(*syscall.Stat_t).Uid)
	}

	if euid := os.Geteuid(); euid != 0 {
		if owner >= 0 && owner != euid {
			return fmt.Errorf("%s belongs to user %s: start the program as that user, or give another directory",
				f.file("data"), nameOrNumber(owner))
		}
		name, err := userName(euid)
		if err != nil {
			return err
		}
		f.user, f.uid, f.gid = name, euid, os.Getegid()
		return nil
	}

	u, err := serverUser(osUser, owner)
	if err != nil {
		return err
	}
	f.user = u.Username
	if f.uid, err = strconv.Atoi(u.Uid); err != nil {
		return err
	}
	if f.gid, err = strconv.Atoi(u.Gid); err != nil {
		return err
	}
	if f.uid == 0 {
		return fmt.Errorf("the database server refuses to run as %s: name another OS user", f.user)
	}
	if owner > 0 && owner != f.uid {
		return fmt.Errorf("%s belongs to user %s and the server should run as %s: name the owner as its OS user, or none",
			f.file("data"), nameOrNumber(owner), f.user)
	}
	f.cred = &syscall.Credential{Uid: uint32(f.uid), Gid: uint32(f.gid)}
	groups, _ := u.GroupIds() // without them it runs in its main group, which is enough
	for _, g := range groups {
		if id, err := strconv.ParseUint(g, 10, 32); err == nil {
			f.cred.Groups = append(f.cred.Groups, uint32(id))
		}
	}
	return nil
}

// serverUser is the user for a program run by root.
func serverUser(osUser string, owner int) (*user.User, error) {
	if osUser != "" {
		u, err := user.Lookup(osUser)
		if err != nil {
			return nil, fmt.Errorf("there is no OS user %q to run the database server as: add it or name another: %w", osUser, err)
		}
		return u, nil
	}
	if owner > 0 { // root's can only be an empty folder, since no server runs as root
		u, err := user.LookupId(strconv.Itoa(owner))
		if err != nil {
			return nil, noEntry(owner)
		}
		return u, nil
	}
	for _, name := range []string{"postgres", "nobody"} {
		if u, err := user.Lookup(name); err == nil {
			return u, nil
		}
	}
	return nil, errors.New("the database server cannot run as root and there is neither a user postgres nor nobody: " +
		"name another OS user, or set DATABASE_URL to a database that runs elsewhere")
}

// userName is the name that the server, too, will find for the number.
func userName(uid int) (string, error) {
	if u, err := user.LookupId(strconv.Itoa(uid)); err == nil {
		return u.Username, nil
	}
	// Built without C, Go reads /etc/passwd only; the user may be kept elsewhere.
	out, err := exec.Command("id", "-nu").Output()
	if name := strings.TrimSpace(string(out)); err == nil && name != "" && uid == os.Geteuid() {
		return name, nil
	}
	return "", noEntry(uid)
}

func noEntry(uid int) error {
	return fmt.Errorf("user id %d has no entry in the user database (/etc/passwd), and PostgreSQL does not run without one: "+
		"add an entry, start as another user, or set DATABASE_URL to a database that runs elsewhere", uid)
}

func nameOrNumber(uid int) string {
	if u, err := user.LookupId(strconv.Itoa(uid)); err == nil {
		return u.Username
	}
	return strconv.Itoa(uid)
}

// give hands something in the folder to the server's user.
func (f *folder) give(name string) error {
	if f.cred == nil {
		return nil
	}
	if err := f.root.Lchown(name, f.uid, f.gid); err != nil {
		return f.explain(err)
	}
	return nil
}

// closedDir makes a folder that only the server's user may enter, if missing.
func (f *folder) closedDir(name string) error {
	if err := f.root.Mkdir(name, 0o700); err != nil && !errors.Is(err, fs.ErrExist) {
		return f.explain(err)
	}
	if err := f.give(name); err != nil {
		return err
	}
	if err := f.root.Chmod(name, 0o700); err != nil {
		return f.explain(err)
	}
	return nil
}

// socketFolder makes the folder of the socket: run, or one with a short name in
// the temp dir where the path of the socket would be longer than the kernel
// takes. (A comma would be read as a list of folders.)
func (f *folder) socketFolder() (string, error) {
	if dir := f.file("run"); fits(dir) {
		return dir, f.closedDir("run")
	}
	sum := sha256.Sum256([]byte(f.path))
	for _, tmp := range []string{os.TempDir(), "/tmp"} {
		dir := filepath.Join(tmp, fmt.Sprintf("spindlebook-%x", sum[:6]))
		if !fits(dir) {
			continue
		}
		// The temp dir is everybody's. A folder of that name is ours, from an
		// earlier run, only if nobody else could have made it.
		err := os.Mkdir(dir, 0o700)
		if errors.Is(err, fs.ErrExist) {
			fi, err := os.Lstat(dir)
			if err != nil {
				return "", f.explain(err)
			}
			uid := int(fi.Sys().(*syscall.Stat_t).Uid)
			if !fi.IsDir() || fi.Mode().Perm() != 0o700 || uid != f.uid && uid != os.Geteuid() {
				return "", fmt.Errorf("%s, needed for the database socket, belongs to somebody else: "+
					"remove it, or set TMPDIR to another directory", dir)
			}
		} else if err != nil {
			return "", fmt.Errorf("make a folder for the database socket: %w", err)
		}
		if f.cred != nil {
			if err := os.Lchown(dir, f.uid, f.gid); err != nil {
				return "", fmt.Errorf("make a folder for the database socket: %w", err)
			}
		}
		return dir, nil
	}
	return "", fmt.Errorf("the path of %s is too long for a socket, and so is the temp dir: give a directory with a shorter path", f.path)
}

func fits(dir string) bool {
	return len(dir)+len("/.s.PGSQL."+port) <= socketMax && !strings.Contains(dir, ",")
}

// shutOut returns the first folder on the way to path that the server's user
// may not enter, going by owner and mode, or nothing.
func (f *folder) shutOut(path string) string {
	if parent := filepath.Dir(path); parent != path {
		if shut := f.shutOut(parent); shut != "" {
			return shut
		}
	}
	fi, err := os.Stat(path)
	if err != nil || !fi.IsDir() {
		return ""
	}
	st := fi.Sys().(*syscall.Stat_t)
	need := fs.FileMode(0o001)
	switch {
	case int(st.Uid) == f.uid:
		need = 0o100
	case int(st.Gid) == f.gid:
		need = 0o010
	}
	if fi.Mode()&need == 0 {
		return path
	}
	return ""
}

// command prepares a server program: run as the server's user, out of reach of
// the terminal's Ctrl-C (the program must drain its work before the database
// goes), and with an environment that holds nothing meant for others: no
// secrets, no PGDATA or PGPORT, and messages in English, since they are read.
func (f *folder) command(ctx context.Context, program string, args ...string) *exec.Cmd {
	cmd := exec.CommandContext(ctx, program, args...)
	cmd.Dir = "/"
	cmd.Env = []string{"LC_ALL=C", "TZ=UTC"}
	for _, name := range []string{"PATH", "TMPDIR", "LD_LIBRARY_PATH"} {
		if v, ok := os.LookupEnv(name); ok {
			cmd.Env = append(cmd.Env, name+"="+v)
		}
	}
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true, Credential: f.cred}
	return cmd
}
