package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"text/tabwriter"
	"time"

	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/assets/meters"
	"spindlebook/internal/assets/meters/outlook"
	"spindlebook/internal/parts/stock"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgdb/cluster"
	"spindlebook/internal/pm"
)

// asOwner runs fn with the address of the database as its owner, of the given
// one or of the private one, and the folder of the PostgreSQL programs. A
// private server that is running is visited; one that is not is started for the
// time of fn.
func (s settings) asOwner(ctx context.Context, fn func(owner, service, bin string) error) (err error) {
	if s.databaseURL != "" || s.ownerURL != "" {
		if s.ownerURL == "" {
			return &usageError{"set DATABASE_OWNER_URL: this needs the role " + pgdb.OwnerRole}
		}
		return fn(s.ownerURL, s.databaseURL, s.pgbin)
	}
	if at, ok := cluster.Running(filepath.Join(s.data, "private")); ok {
		if err := prepare(ctx, at); err == nil {
			return fn(at.DSN(pgdb.OwnerRole, name), at.DSN(pgdb.ServiceRole, name), at.BinDir())
		}
	}
	own, err := cluster.Start(ctx, s.cluster("private"))
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, own.Stop(context.WithoutCancel(ctx))) }()
	if err := pgdb.MakeRoles(ctx, own.DSN("postgres", "postgres"), name); err != nil {
		return err
	}
	return fn(own.DSN(pgdb.OwnerRole, name), own.DSN(pgdb.ServiceRole, name), own.BinDir())
}

func migrate(ctx context.Context, s settings, _ []string, out io.Writer) error {
	return s.asOwner(ctx, func(owner, _, _ string) error {
		done, err := pgdb.Migrate(ctx, owner)
		if err != nil {
			return err
		}
		if len(done) == 0 {
			_, err := fmt.Fprintln(out, "the schema is up to date")
			return err
		}
		_, err = fmt.Fprintln(out, "applied", strings.Join(done, ", "))
		return err
	})
}

// backup writes the whole database to a file. The file gets its name only when
// it is complete.
func backup(ctx context.Context, s settings, args []string, out io.Writer) error {
	file := args[0]
	if _, err := os.Stat(file); err == nil {
		return fmt.Errorf("%s is there already; name a new file", file)
	}
	return s.asOwner(ctx, func(owner, _, bin string) error {
		part := file + ".part"
		if err := program(ctx, bin, "pg_dump", "--format=custom", "--no-owner", "--file="+part, "--dbname="+owner); err != nil {
			return errors.Join(err, remove(part))
		}
		if err := os.Chmod(part, 0o600); err != nil {
			return err
		}
		if err := os.Rename(part, file); err != nil {
			return err
		}
		i, err := os.Stat(file)
		if err != nil {
			return err
		}
		_, err = fmt.Fprintf(out, "wrote %s, %d bytes\n", file, i.Size())
		return err
	})
}

func remove(file string) error {
	if err := os.Remove(file); !errors.Is(err, os.ErrNotExist) {
		return err
	}
	return nil
}

// restore fills an empty database, all or nothing.
func restore(ctx context.Context, s settings, args []string, out io.Writer) error {
	file := args[0]
	if _, err := os.Stat(file); err != nil {
		return fmt.Errorf("cannot read the back-up: %w", err)
	}
	return s.asOwner(ctx, func(owner, _, bin string) error {
		empty, err := pgdb.Empty(ctx, owner)
		if err != nil {
			return err
		}
		if !empty {
			return errors.New("the database is not empty: restore fills an empty one only; name another in DATABASE_OWNER_URL, or another folder in SPINDLEBOOK_DATA")
		}
		if err := program(ctx, bin, "pg_restore", "--no-owner", "--exit-on-error", "--single-transaction", "--dbname="+owner, file); err != nil {
			return err
		}
		_, err = fmt.Fprintln(out, "restored from", file)
		return err
	})
}

// program runs a PostgreSQL program and gives what it complained about.
func program(ctx context.Context, bin, name string, args ...string) error {
	path := filepath.Join(bin, name)
	if bin == "" {
		path = name
	}
	cmd := exec.CommandContext(ctx, path, args...)
	said, err := cmd.CombinedOutput()
	if errors.Is(err, exec.ErrNotFound) || errors.Is(err, os.ErrNotExist) {
		return fmt.Errorf("%s is not installed (on Debian or Ubuntu: apt-get install postgresql-client), or set SPINDLEBOOK_PGBIN to its folder", name)
	}
	if err != nil {
		return fmt.Errorf("%s: %w: %s", name, err, strings.TrimSpace(string(said)))
	}
	return nil
}

// verify recomputes what can be recomputed and lists every difference.
func verify(ctx context.Context, s settings, _ []string, out io.Writer) error {
	return s.asService(ctx, func(db *pgdb.DB) error {
		if err := db.Ready(ctx); err != nil {
			return err
		}
		guards, err := db.Unguarded(ctx)
		if err != nil {
			return err
		}
		for _, g := range guards {
			fmt.Fprintln(out, g)
		}
		found, err := assets.Verify(ctx, db, access.System)
		if err != nil {
			return err
		}
		for _, f := range found {
			fmt.Fprintf(out, "%s %s\n", f.Thing, f.Says)
		}
		counted, err := meters.Verify(ctx, db, access.System)
		if err != nil {
			return err
		}
		for _, f := range counted {
			fmt.Fprintf(out, "%s %s\n", f.Thing, f.Says)
		}
		lying, err := stock.Verify(ctx, db, access.System)
		if err != nil {
			return err
		}
		for _, f := range lying {
			fmt.Fprintf(out, "%s %s\n", f.Thing, f.Says)
		}
		stands, _, err := pm.Verify(ctx, db, time.Now())
		if err != nil {
			return err
		}
		for _, says := range stands {
			fmt.Fprintln(out, says)
		}
		if n := len(found) + len(counted) + len(lying) + len(guards) + len(stands); n > 0 {
			return fmt.Errorf("%w in %d places", errDiffers, n)
		}
		_, err = fmt.Fprintln(out, "the record agrees with itself")
		return err
	})
}

// refit learns profiles by hand, for whoever does not wait until night.
func refit(ctx context.Context, s settings, _ []string, out io.Writer) error {
	return s.asService(ctx, func(db *pgdb.DB) error {
		if err := db.Ready(ctx); err != nil {
			return err
		}
		if err := pm.Refit(ctx, db, time.Now()); err != nil {
			return err
		}
		_, err := fmt.Fprintln(out, "the profiles are learnt from the readings of today")
		return err
	})
}

// sweep looks at planned work by hand, for whoever does not wait for the minute.
func sweep(ctx context.Context, s settings, _ []string, out io.Writer) error {
	return s.asService(ctx, func(db *pgdb.DB) error {
		if err := db.Ready(ctx); err != nil {
			return err
		}
		done, err := pm.Tick(ctx, db, time.Now())
		if err != nil {
			return err
		}
		_, err = fmt.Fprintf(out, "%d sites held against the plans, %d assignments appeared and %d ended; %d judged, %d tasks raised, %d days missed\n",
			done.Sites, done.Appeared, done.Ended, done.Assignments, done.Raised, done.Missed)
		return err
	})
}

// backtest prints how forecasts of the past held.
func backtest(ctx context.Context, s settings, _ []string, out io.Writer) error {
	return s.asService(ctx, func(db *pgdb.DB) error {
		if err := db.Ready(ctx); err != nil {
			return err
		}
		t, err := outlook.Backtest(ctx, db, access.System, time.Now(), 0)
		if err != nil {
			return err
		}
		w := tabwriter.NewWriter(out, 0, 0, 2, ' ', tabwriter.AlignRight)
		fmt.Fprintln(w, "days ahead\tforecasts\tmeters\twithin range\toff by days\trange in days\t")
		for _, h := range t.Held {
			if h.Cases == 0 {
				fmt.Fprintf(w, "%d\t0\t0\t\t\t\t\n", h.Days)
				continue
			}
			fmt.Fprintf(w, "%d\t%d\t%d\t%.0f %%\t%.1f\t%.1f\t\n", h.Days, h.Cases, h.Meters, 100*h.Coverage, h.Error, h.Width)
		}
		if err := w.Flush(); err != nil {
			return err
		}
		for _, h := range t.Held {
			if _, err := fmt.Fprintln(out, h.Says()); err != nil {
				return err
			}
		}
		return nil
	})
}

// asService opens the database as the service's role, which is all that a look
// or a link needs.
func (s settings) asService(ctx context.Context, fn func(db *pgdb.DB) error) error {
	with := func(dsn string) error {
		db, err := pgdb.Open(ctx, dsn)
		if err != nil {
			return err
		}
		defer db.Close()
		return fn(db)
	}
	if s.databaseURL != "" {
		return with(s.databaseURL)
	}
	return s.asOwner(ctx, func(_, service, _ string) error {
		if service == "" {
			return &usageError{"set DATABASE_URL: this needs the role " + pgdb.ServiceRole}
		}
		return with(service)
	})
}

// link makes a link for somebody by sign-in name: the way back in when the last
// manager has forgotten the password. Whoever can run it owns the machine.
func link(ctx context.Context, s settings, args []string, out io.Writer) error {
	return s.asService(ctx, func(db *pgdb.DB) error {
		id, err := access.ByLogin(ctx, db, args[0])
		if err != nil {
			return err
		}
		var secret string
		err = db.InTx(ctx, access.System.ID, func(tx *gorm.DB) (err error) {
			secret, _, err = access.LinkFor(tx, access.System, time.Now(), id)
			return err
		})
		if err != nil {
			return err
		}
		_, err = fmt.Fprintf(out, "%s/enter/%s\n", s.public, secret)
		return err
	})
}

// health asks the server at the address in the settings.
func health(ctx context.Context, s settings, _ []string, out io.Writer) error {
	host, port, _ := net.SplitHostPort(s.listen) // load has read it
	if host == "" || net.ParseIP(host).IsUnspecified() {
		host = "127.0.0.1"
	}
	ctx, cancel := context.WithTimeout(ctx, 5*time.Second)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://"+net.JoinHostPort(host, port)+"/readyz", nil)
	if err != nil {
		return err
	}
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		return fmt.Errorf("no answer: %w", err)
	}
	defer res.Body.Close()
	if res.StatusCode != http.StatusOK {
		return fmt.Errorf("not ready: %s", res.Status)
	}
	_, err = fmt.Fprintln(out, "ready")
	return err
}
