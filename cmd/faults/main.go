// Command faults kills the program and its database with signal 9 at random
// instants, while clients create things and move stock and send again what fails,
// and while several processes sweep; it checks after each kill that everything that
// was acknowledged is there once, that everything due is raised once, that nothing
// else is there, and that the record agrees with itself. `make faults` runs it and adds to
// the count in BENCHMARKS.md.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"time"

	"spindlebook/cmd/internal/figures"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	err := run(ctx, os.Args[1:], os.Stdout)
	stop()
	if err != nil && !errors.Is(err, flag.ErrHelp) {
		fmt.Fprintln(os.Stderr, "faults:", err)
		os.Exit(1)
	}
}

func run(ctx context.Context, args []string, out io.Writer) (err error) {
	flags := flag.NewFlagSet("faults", flag.ContinueOnError)
	rounds := flags.Int("rounds", 20, "how often something of one program with its own database is killed")
	two := flags.Int("two", 6, "how often one of two programs on one database is killed")
	sweeps := flags.Int("sweeps", 10, "how often sweeps of three processes, or their database, are killed")
	cards := flags.Int("cards", 10, "how often something is killed while job cards are signed off")
	seed := flags.Uint64("seed", uint64(time.Now().UnixNano()), "what the instants are drawn from; the same gives the same plan")
	file := flags.String("file", figures.File, "where the count is kept; empty keeps it nowhere")
	if err := flags.Parse(args); err != nil {
		return err
	}
	if *rounds < 0 || *two < 0 || *sweeps < 0 || *cards < 0 || *rounds+*two+*sweeps+*cards == 0 || flags.NArg() > 0 {
		return errors.New("-rounds, -two, -sweeps and -cards are not negative, one of them is above 0, and there are no other words")
	}
	ctx, cancel := context.WithTimeout(ctx, time.Duration(*rounds+*two+*sweeps+*cards+1)*2*patience)
	defer cancel()
	dir, err := folder()
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(dir)) }()
	binary := filepath.Join(dir, "spindlebook")
	if err := build(ctx, binary); err != nil {
		return err
	}
	fmt.Fprintf(out, "seed %d\n", *seed)
	random := rand.New(rand.NewPCG(*seed, 0))
	t := tally{kills: map[string]int{}}
	if *rounds > 0 {
		if err := killing(ctx, out, &t, binary, filepath.Join(dir, "data"), *rounds, random); err != nil {
			return fmt.Errorf("seed %d: %w", *seed, err)
		}
	}
	if *two > 0 {
		if err := oneOfTwo(ctx, out, &t, binary, filepath.Join(dir, "shared"), *two, random); err != nil {
			return fmt.Errorf("seed %d: %w", *seed, err)
		}
	}
	if *sweeps > 0 {
		if err := sweeping(ctx, out, &t, binary, filepath.Join(dir, "swept"), *sweeps, random); err != nil {
			return fmt.Errorf("seed %d: %w", *seed, err)
		}
	}
	if *cards > 0 {
		if err := completing(ctx, out, &t, binary, filepath.Join(dir, "cards"), *cards, random); err != nil {
			return fmt.Errorf("seed %d: %w", *seed, err)
		}
	}
	fmt.Fprintln(out, t)
	if *file == "" {
		return nil
	}
	return count(*file, t)
}

// folder makes one that the private server's own user can reach.
func folder() (string, error) {
	dir, err := os.MkdirTemp("", "spindlebook-faults-")
	if err == nil {
		err = os.Chmod(dir, 0o755)
	}
	return dir, err
}

// build makes the program anew: what is killed is what stands in the sources.
func build(ctx context.Context, binary string) error {
	cmd := exec.CommandContext(ctx, "go", "build", "-tags", "nomsgpack", "-o", binary, "spindlebook/cmd/api")
	cmd.Env = append(os.Environ(), "CGO_ENABLED=0")
	if said, err := cmd.CombinedOutput(); err != nil {
		return fmt.Errorf("build the program: %w: %s", err, said)
	}
	return os.Chmod(binary, 0o755)
}

// What is killed.
const (
	killsProgram  = "program"
	killsDatabase = "database"
	killsBoth     = "both"
	killsOneOfTwo = "one of two"
	killsSweeps   = "sweeps"
)

var kinds = []string{killsProgram, killsDatabase, killsBoth, killsOneOfTwo, killsSweeps}

// tally is what a run did.
type tally struct {
	kills     map[string]int
	creates   int             // acknowledged
	retries   int             // requests that failed and were sent again
	raised    int             // tasks that sweeps raised
	signed    int             // job cards
	recovered []time.Duration // from a kill until the program was ready again
}

func (t tally) String() string {
	var killed []string
	for _, k := range kinds {
		killed = append(killed, fmt.Sprintf("%s %d", k, t.kills[k]))
	}
	s := fmt.Sprintf("killed: %s. %d creates acknowledged after %d retries; none is lost, none doubled.", strings.Join(killed, ", "), t.creates, t.retries)
	if t.raised > 0 {
		s += fmt.Sprintf(" %d tasks were raised, each once.", t.raised)
	}
	if t.signed > 0 {
		s += fmt.Sprintf(" %d job cards were signed, each once.", t.signed)
	}
	if n := len(t.recovered); n > 0 {
		sorted := slices.Sorted(slices.Values(t.recovered))
		s += fmt.Sprintf(" Ready again after %d ms (median), %d ms at most.", sorted[n/2].Milliseconds(), sorted[n-1].Milliseconds())
	}
	return s
}

// count adds a run to the running count. A run that found something has ended
// before: it is mended, not counted.
func count(file string, t tally) error {
	head, now := []string{}, []int{}
	for _, k := range kinds {
		head, now = append(head, k+" killed"), append(now, t.kills[k])
	}
	head, now = append(head, "creates acknowledged", "lost", "doubled"), append(now, t.creates, 0, 0)
	was, err := figures.Read(file, "faults")
	if err != nil {
		return err
	}
	if lines := strings.Split(strings.TrimSpace(was), "\n"); len(lines) == 3 {
		cells := strings.Split(strings.Trim(lines[2], "| "), "|")
		if len(cells) != len(now) {
			return fmt.Errorf("the count in %s has %d columns and not %d: mend it by hand, so that it runs on", file, len(cells), len(now))
		}
		for i, c := range cells {
			n, err := strconv.Atoi(strings.TrimSpace(c))
			if err != nil {
				return fmt.Errorf("the count in %s cannot be read: %w", file, err)
			}
			now[i] += n
		}
	}
	row := make([]string, len(now))
	for i, n := range now {
		row[i] = strconv.Itoa(n)
	}
	return figures.Write(file, "faults", figures.Table([][]string{head, row}))
}
