package cluster

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// places are where packages put the server programs outside of PATH. Within a
// place the newest version comes first.
var places = []string{
	"/usr/lib/postgresql/*/bin",                          // Debian, Ubuntu
	"/usr/pgsql-*/bin",                                   // Red Hat and kin
	"/opt/homebrew/opt/postgresql@*/bin",                 // macOS, brew on ARM
	"/usr/local/opt/postgresql@*/bin",                    // macOS, brew on Intel
	"/Applications/Postgres.app/Contents/Versions/*/bin", // macOS, the app
}

var errNoPrograms = errors.New("no PostgreSQL server programs found (initdb and postgres in one folder): " +
	"install them (Debian, Ubuntu: apt-get install postgresql; macOS: brew install postgresql@17), " +
	"name their folder, or set DATABASE_URL to a database that runs elsewhere")

// programs are the server programs in use.
type programs struct {
	dir   string
	major int
}

// Find returns the folder that holds initdb and postgres: binDir itself if it
// is not empty, else the first found in PATH (links resolved), in the folders of
// Linux packages, newest version first, and in the usual places on macOS. The
// error tells how to get them.
func Find(binDir string) (string, error) {
	found, err := find(binDir, os.Getenv("PATH"), places)
	if err != nil {
		return "", err
	}
	return found[0], nil
}

// find returns every folder that Find would consider, best first, at least one.
func find(binDir, path string, places []string) ([]string, error) {
	if binDir != "" {
		dir, err := filepath.Abs(binDir)
		if err != nil {
			return nil, err
		}
		if !runnable(filepath.Join(dir, "initdb")) || !runnable(filepath.Join(dir, "postgres")) {
			return nil, fmt.Errorf("initdb and postgres are not both in %s: give the folder of the PostgreSQL server programs, "+
				"such as /usr/lib/postgresql/17/bin, or none to have it looked for", dir)
		}
		return []string{dir}, nil
	}

	var found []string
	add := func(dir string) {
		// Distributions link single programs into PATH; the server finds its
		// libraries and its other programs beside the real one.
		real, err := filepath.EvalSymlinks(filepath.Join(dir, "initdb"))
		if err != nil {
			return
		}
		dir = filepath.Dir(real)
		if runnable(real) && runnable(filepath.Join(dir, "postgres")) && !slices.Contains(found, dir) {
			found = append(found, dir)
		}
	}
	for _, dir := range filepath.SplitList(path) {
		if filepath.IsAbs(dir) { // never run what merely stands in the working directory
			add(dir)
		}
	}
	for _, place := range places {
		dirs, _ := filepath.Glob(place) // the only error is a bad pattern
		slices.SortFunc(dirs, func(a, b string) int { return number(b) - number(a) })
		for _, dir := range dirs {
			add(dir)
		}
	}
	if len(found) == 0 {
		return nil, errNoPrograms
	}
	return found, nil
}

func runnable(path string) bool {
	fi, err := os.Stat(path)
	return err == nil && fi.Mode().IsRegular() && fi.Mode()&0o111 != 0
}

var digits = regexp.MustCompile(`\d+`)

// number returns the last number in a path, which is the version in all places.
func number(path string) int {
	all := digits.FindAllString(path, -1)
	if len(all) == 0 {
		return 0
	}
	n, _ := strconv.Atoi(all[len(all)-1])
	return n
}

// choose picks the programs for the data folder that major version made wrote,
// or for a new one if made is 0.
func choose(ctx context.Context, binDir string, made int, dir *folder) (programs, error) {
	found, err := find(binDir, os.Getenv("PATH"), places)
	if err != nil {
		return programs{}, err
	}
	var first error
	for _, bin := range found {
		p := programs{dir: bin}
		if p.major, err = dir.major(ctx, bin); err == nil {
			switch {
			case p.major < oldest:
				err = fmt.Errorf("PostgreSQL %d in %s is too old: install version %d or newer", p.major, bin, oldest)
			case made != 0 && p.major != made:
				err = fmt.Errorf("%s was made by PostgreSQL %d and the programs in %s are version %d: "+
					"install version %d, or dump the data with it and restore them into another directory; nothing was changed",
					dir.file("data"), made, bin, p.major, made)
			default:
				return p, nil
			}
		}
		if first == nil {
			first = err
		}
	}
	return programs{}, first
}

var versionText = regexp.MustCompile(`\(PostgreSQL\) (\d+)`)

// major asks the programs for their major version, as the server's user and
// from within the folder, which proves on the way that this user reaches both.
func (f *folder) major(ctx context.Context, bin string) (int, error) {
	cmd := f.command(ctx, filepath.Join(bin, "postgres"), "--version")
	cmd.Dir = f.path
	out, err := cmd.Output()
	switch {
	case ctx.Err() != nil:
		return 0, ctx.Err()
	case errors.Is(err, fs.ErrPermission):
		for _, path := range []string{f.path, bin} {
			if shut := f.shutOut(path); shut != "" {
				return 0, fmt.Errorf("the database server runs as user %s, who cannot enter %s and so not reach %s: "+
					"open it to that user (chmod a+x) or give another directory", f.user, shut, path)
			}
		}
		return 0, fmt.Errorf("user %s cannot run %s from within %s: %w", f.user, cmd.Path, f.path, err)
	case err != nil:
		return 0, fmt.Errorf("%s does not run: %w", cmd.Path, err)
	}
	m := versionText.FindSubmatch(bytes.TrimSpace(out))
	if m == nil {
		return 0, fmt.Errorf("%s is no PostgreSQL server: it calls itself %q", cmd.Path, strings.TrimSpace(string(out)))
	}
	return strconv.Atoi(string(m[1]))
}
