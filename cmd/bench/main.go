// Command bench measures the program on fresh private databases. Each figure
// stands beside a floor measured in the same run, because absolute times drift
// with the machine and ratios less: the floor is what PostgreSQL's own programs
// take for the same work. `make bench` runs it and keeps the table in
// BENCHMARKS.md.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/signal"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"time"

	"spindlebook/cmd/internal/budget"
	"spindlebook/cmd/internal/figures"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgdb/cluster"
)

// clients is how many ask at once, in pgbench and here.
const clients = 4

func main() {
	if len(os.Args) > 2 && (os.Args[1] == serveVerb || os.Args[1] == sweepVerb) { // see http.go and due.go
		child := serve
		if os.Args[1] == sweepVerb {
			child = sweep
		}
		if err := asChild(child, os.Args[2], os.Args[3:]); err != nil {
			fmt.Fprintln(os.Stderr, "bench:", err)
			os.Exit(1)
		}
		return
	}
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	err := run(ctx, os.Args[1:], os.Stdout)
	stop()
	if err != nil && !errors.Is(err, flag.ErrHelp) {
		fmt.Fprintln(os.Stderr, "bench:", err)
		os.Exit(1)
	}
}

// parts are what can be measured alone, in their order.
var parts = []string{"start", "list", "http", "bulk", "units", "readings", "use", "pages", "judge", "ahead", "group", "sweep", "needs", "van", "moves", "complete", "look", "lighthouse"}

type options struct {
	seconds      int
	sites        int
	only         []string
	file         string
	rowsImported int // readings that the imported sheet has
	mid          int // sites of data set M, the one with units
}

func (o options) measures(part string) bool { return len(o.only) == 0 || slices.Contains(o.only, part) }

// whole tells whether the run is one whose figures are kept.
func (o options) whole() bool { return len(o.only) == 0 && o.sites == large && o.mid == medium }

const (
	large  = 10_000 // sites of data set L
	medium = 500    // sites of data set M
	small  = 20     // sites of data set S
)

func read(args []string) (options, error) {
	var o options
	f := flag.NewFlagSet("bench", flag.ContinueOnError)
	f.IntVar(&o.seconds, "seconds", 10, "how long each list is asked for; the bars are meant for 30")
	f.IntVar(&o.sites, "sites", large, "sites of the large data set, with 50 positions each")
	f.IntVar(&o.mid, "medium", medium, "sites of the data set with units; fewer to try something out")
	f.StringVar(&o.file, "file", figures.File, "where a whole run keeps its table; empty keeps it nowhere")
	f.IntVar(&o.rowsImported, "rows", 1_000_000, "rows of the sheet of readings that is imported; the most is 5,000,000")
	only := f.String("only", "", "measure only these, separated by commas: "+strings.Join(parts, ", "))
	if err := f.Parse(args); err != nil {
		return o, err
	}
	switch {
	case o.seconds < 1:
		return o, fmt.Errorf("-seconds is %d and must be at least 1", o.seconds)
	case o.sites < small:
		return o, fmt.Errorf("-sites is %d and must be at least %d", o.sites, small)
	case o.mid < small || o.mid > medium: // above it no units are made
		return o, fmt.Errorf("-medium is %d and must lie between %d and %d", o.mid, small, medium)
	case f.NArg() > 0:
		return o, fmt.Errorf("there are no other words than flags, such as %q", f.Arg(0))
	}
	if *only != "" {
		o.only = strings.Split(*only, ",")
	}
	for _, p := range o.only {
		if !slices.Contains(parts, p) {
			return o, fmt.Errorf("-only takes %s, not %q", strings.Join(parts, ", "), p)
		}
	}
	return o, nil
}

// asChild opens what a process of its own works with, as the program does.
func asChild(child func(ctx context.Context, db *pgdb.DB, now func() time.Time, in io.Reader, out io.Writer) error, dsn string, at []string) error {
	ctx := context.Background()
	budget.Keep()
	now, err := clock(at)
	if err != nil {
		return err
	}
	db, err := pgdb.Open(ctx, dsn)
	if err != nil {
		return err
	}
	defer db.Close()
	return child(ctx, db, now, os.Stdin, os.Stdout)
}

// bench is one run.
type bench struct {
	options
	dir  string // everything it makes on disk
	bin  string // the programs of PostgreSQL
	out  io.Writer
	rows []row
	// bars that were missed and must not be: the run ends with them
	missed []error

	large, small, medium *data
	judged               *data             // M with its meters read and its programme judged, see due.go
	direct               map[string]sample // what the list takes without HTTP, by role
}

func run(ctx context.Context, args []string, out io.Writer) (err error) {
	o, err := read(args)
	if err != nil {
		return err
	}
	b := &bench{options: o, out: out, direct: map[string]sample{}}
	if b.bin, err = cluster.Find(""); err != nil {
		return err
	}
	for _, p := range []string{"pgbench", "pg_ctl"} {
		if _, err := os.Stat(filepath.Join(b.bin, p)); err != nil {
			return fmt.Errorf("%s is not in %s: install PostgreSQL with its tools", p, b.bin)
		}
	}
	if b.dir, err = os.MkdirTemp("", "spindlebook-bench-"); err != nil {
		return err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(b.dir)) }()
	if err := os.Chmod(b.dir, 0o755); err != nil { // the server's own user must reach it
		return err
	}
	began, load := time.Now(), loadAverage()
	if b.measures("start") {
		if err := b.starts(ctx); err != nil {
			return fmt.Errorf("measure the start: %w", err)
		}
	}
	if slices.ContainsFunc(parts[1:], b.measures) {
		if err := b.onData(ctx); err != nil {
			return err
		}
	}

	text, err := b.report(ctx, began, load)
	if err != nil {
		return err
	}
	fmt.Fprintf(out, "\n%s", text)
	if b.file == "" || !b.whole() {
		return errors.Join(b.missed...)
	}
	if err := figures.Write(b.file, "table", text); err != nil {
		return err
	}
	fmt.Fprintln(out, "\nkept in", b.file)
	return errors.Join(b.missed...)
}

// onData measures what needs the data sets.
func (b *bench) onData(ctx context.Context) (err error) {
	own, err := cluster.Start(ctx, cluster.Options{Dir: filepath.Join(b.dir, "data"), BinDir: b.bin,
		Roles: []string{pgdb.OwnerRole, pgdb.ServiceRole}})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, own.Stop(context.WithoutCancel(ctx))) }()
	if slices.ContainsFunc([]string{"list", "http", "bulk", "readings", "pages", "sweep"}, b.measures) {
		if b.large, err = b.fill(ctx, own.Address, "large", b.sites); err != nil {
			return err
		}
		defer b.large.db.Close()
	}
	if slices.ContainsFunc([]string{"list", "units", "readings", "needs", "van", "moves", "complete"}, b.measures) {
		if b.small, err = b.fill(ctx, own.Address, "small", small); err != nil {
			return err
		}
		defer b.small.db.Close()
	}
	if b.measures("units") || b.measures("use") {
		if b.medium, err = b.fill(ctx, own.Address, "medium", b.mid); err != nil {
			return err
		}
		defer b.medium.db.Close()
	}
	if slices.ContainsFunc([]string{"judge", "ahead", "group", "look"}, b.measures) {
		if b.judged, err = b.fill(ctx, own.Address, "judged", b.mid); err != nil {
			return err
		}
		defer b.judged.db.Close()
		if err := b.judgeFirst(ctx); err != nil {
			return fmt.Errorf("judge M: %w", err)
		}
	}
	for _, part := range []struct {
		name    string
		measure func(context.Context, cluster.Address) error
	}{{"list", b.lists}, {"http", b.overHTTP}, {"bulk", b.bulk}, {"units", b.units}, {"use", b.use}, {"readings", b.readings}, {"pages", b.readingPages}, {"judge", b.judging}, {"ahead", b.ahead}, {"group", b.groups}, {"sweep", b.sweeping}, {"needs", b.needs},
		{"van", b.vanCheck}, {"moves", b.moves}, {"complete", b.completions}, {"look", b.looks}, {"lighthouse", b.lighthouse}} {
		if !b.measures(part.name) {
			continue
		}
		if err := part.measure(ctx, own.Address); err != nil {
			return fmt.Errorf("measure %s: %w", part.name, err)
		}
	}
	return nil
}

// say tells whoever waits what is under way.
func (b *bench) say(format string, args ...any) { fmt.Fprintf(b.out, format+"\n", args...) }
