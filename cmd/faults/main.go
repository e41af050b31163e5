// The command faults kills the program and its database with signal 9 at random
// instants, while clients create things and retry, and checks that everything
// that was acknowledged is there once and nothing else is.
//
//	go run ./cmd/faults [-rounds 20] [-seed N]
package main

import (
	"context"
	"flag"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"syscall"
	"time"

	"spindlebook/cmd/internal/figures"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	if err := run(ctx, os.Args[1:], os.Stdout); err != nil {
		fmt.Fprintln(os.Stderr, "faults:", err)
		os.Exit(1)
	}
}

func run(ctx context.Context, args []string, out io.Writer) (err error) {
	flags := flag.NewFlagSet("faults", flag.ContinueOnError)
	rounds := flags.Int("rounds", 20, "how many times something is killed")
	seed := flags.Uint64("seed", uint64(time.Now().UnixNano()), "what the instants are drawn from; the same gives the same plan")
	file := flags.String("file", figures.File, "where the count is kept; empty keeps it nowhere")
	if err := flags.Parse(args); err != nil {
		return err
	}
	dir, err := folder()
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir)
	binary := filepath.Join(dir, "spindlebook")
	if err := build(ctx, binary); err != nil {
		return err
	}
	fmt.Fprintf(out, "%d rounds, seed %d\n", *rounds, *seed)
	t, err := killing(ctx, out, binary, filepath.Join(dir, "data"), *rounds, rand.New(rand.NewPCG(*seed, 0)))
	if err != nil {
		return err
	}
	fmt.Fprintln(out, t)
	reads, err := oneOfTwo(ctx, binary, filepath.Join(dir, "shared"))
	if err != nil {
		return err
	}
	fmt.Fprintf(out, "two programs on one database: one was killed, the other answered %d requests without a failure\n", reads)
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

func build(ctx context.Context, binary string) error {
	cmd := exec.CommandContext(ctx, "go", "build", "-tags", "nomsgpack", "-o", binary, "spindlebook/cmd/api")
	cmd.Env = append(os.Environ(), "CGO_ENABLED=0")
	if said, err := cmd.CombinedOutput(); err != nil {
		return fmt.Errorf("build the program: %w: %s", err, said)
	}
	return os.Chmod(binary, 0o755)
}

// tally is what a run did and found.
type tally struct {
	kills     map[string]int // program, database, both
	creates   int            // acknowledged
	retries   int
	recovered []time.Duration // from the kill to the first answer
}

func (t tally) slowest() (most time.Duration) {
	for _, r := range t.recovered {
		most = max(most, r)
	}
	return most
}

func (t tally) String() string {
	return fmt.Sprintf("killed the program %d times, the database %d, both %d; %d creates acknowledged after %d retries, each is there once; back within %v at most",
		t.kills["program"], t.kills["database"], t.kills["both"], t.creates, t.retries, t.slowest().Round(10*time.Millisecond))
}

var counted = regexp.MustCompile(`\| (\d+) \| (\d+) \| (\d+) \| (\d+) \|`)

// count adds a run to the running count.
func count(file string, t tally) error {
	now := []int{t.kills["program"], t.kills["database"], t.kills["both"], t.creates}
	was, err := figures.Read(file, "faults")
	if err != nil {
		return err
	}
	if m := counted.FindStringSubmatch(was); m != nil {
		for i := range now {
			n, err := strconv.Atoi(m[i+1])
			if err != nil {
				return err
			}
			now[i] += n
		}
	}
	row := make([]string, len(now))
	for i, n := range now {
		row[i] = strconv.Itoa(n)
	}
	return figures.Write(file, "faults", "| program killed | database killed | both killed | creates acknowledged | lost | doubled |\n|---|---|---|---|---|---|\n| "+
		strings.Join(row, " | ")+" | 0 | 0 |\n")
}
