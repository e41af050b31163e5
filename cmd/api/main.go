// Command spindlebook serves the record of a service distributor: its REST API
// and its pages, over a PostgreSQL of its own or a given one.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/signal"
	"slices"
	"strings"
	"syscall"
	_ "time/tzdata" // sites have time zones; the machine may know none
)

// version is set by the build.
var version = "development"

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	err := run(ctx, os.Args[1:], os.Getenv, os.Stdout, os.Stderr)
	stop()
	if err != nil {
		fmt.Fprintln(os.Stderr, "spindlebook:", err)
		os.Exit(exitCode(err))
	}
}

// errDiffers is verify's verdict, not a fault of the program.
var errDiffers = errors.New("the record differs from what it should be")

// exitCode tells a supervisor what happened: 1 the work failed, 2 the command
// line or the settings are wrong, 3 verify found differences.
func exitCode(err error) int {
	if _, ok := errors.AsType[*usageError](err); ok {
		return 2
	}
	if errors.Is(err, errDiffers) {
		return 3
	}
	return 1
}

type usageError struct{ msg string }

func (e *usageError) Error() string { return e.msg }

// verb is one thing that the program does.
type verb struct {
	name, takes, does string
	do                func(ctx context.Context, s settings, args []string, out io.Writer) error
}

func verbs() []verb {
	return []verb{
		{"serve", "", "serve the API and the pages until told to stop", serve},
		{"demo", "", "serve an invented distributor on a private database, with links that sign in", demoServe},
		{"migrate", "", "bring the database to this program's version, as the owner", migrate},
		{"backup", "FILE", "write everything to one file; serving goes on meanwhile", backup},
		{"restore", "FILE", "fill an empty database from such a file", restore},
		{"verify", "", "recompute what the record says about itself and list what differs", verify},
		{"refit", "", "learn anew from all readings how use spreads over the year and the week, as each night", refit},
		{"sweep", "", "look at what has changed or come, and raise the tasks whose window is open, as each minute", sweep},
		{"backtest", "", "hold forecasts of the past against what came, for every meter", backtest},
		{"link", "NAME", "make a new sign-in link for somebody, when nobody can in the pages", link},
		{"health", "", "ask a running server whether it is ready", health},
		{"settings", "", "print the settings, what they mean and what they are now", nil},
		{"version", "", "print the version", nil},
	}
}

// run is the whole program, but for the process around it.
func run(ctx context.Context, args []string, getenv func(string) string, out, errOut io.Writer) error {
	name := ""
	if len(args) > 0 {
		name, args = args[0], args[1:]
	}
	if name == "" || name == "help" || name == "-h" || name == "--help" {
		usage(out)
		if name == "" {
			return &usageError{"name a verb"}
		}
		return nil
	}
	all := verbs()
	i := slices.IndexFunc(all, func(v verb) bool { return v.name == name })
	if i < 0 {
		return &usageError{fmt.Sprintf("there is no verb %q; `spindlebook help` lists them", name)}
	}
	v := all[i]
	s, rest, err := load(v, args, getenv, errOut)
	if errors.Is(err, flag.ErrHelp) {
		return nil
	}
	if err != nil {
		return &usageError{err.Error()}
	}
	switch {
	case name == "version":
		_, err := fmt.Fprintln(out, version)
		return err
	case name == "settings":
		return s.print(out)
	case v.takes == "" && len(rest) > 0:
		return &usageError{fmt.Sprintf("%s takes nothing more, but got %q", name, strings.Join(rest, " "))}
	case v.takes != "" && len(rest) != 1:
		return &usageError{fmt.Sprintf("%s takes one %s", name, v.takes)}
	}
	return v.do(ctx, s, rest, out)
}

func usage(w io.Writer) {
	fmt.Fprint(w, "spindlebook VERB [SETTINGS]\n\n")
	for _, v := range verbs() {
		fmt.Fprintf(w, "  %-14s %s\n", strings.TrimSpace(v.name+" "+v.takes), v.does)
	}
	fmt.Fprint(w, "\nSettings come from the environment or from flags; `spindlebook settings` lists them.\n")
}
