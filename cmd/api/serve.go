package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"path/filepath"
	"syscall"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"
	"golang.org/x/sync/errgroup"

	"spindlebook/cmd/internal/budget"
	"spindlebook/internal/access"
	"spindlebook/internal/demo"
	"spindlebook/internal/digest"
	"spindlebook/internal/door"
	"spindlebook/internal/httpapi"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgdb/cluster"
	"spindlebook/internal/pm"
	"spindlebook/internal/pm/visits"
	"spindlebook/internal/scheduler"
	"spindlebook/internal/web"
)

// name is the database's name on a private server.
const name = "spindlebook"

// drain is how long requests under way get to finish at the end.
const drain = 10 * time.Second

func serve(ctx context.Context, s settings, _ []string, out io.Writer) error {
	return serveOn(ctx, s, "private", out, false)
}

func demoServe(ctx context.Context, s settings, _ []string, out io.Writer) error {
	s.databaseURL = "" // never somebody's real record
	return serveOn(ctx, s, "demo", out, true)
}

// serveOn opens the database, the private one of the folder where none is
// given, and serves until ctx ends.
func serveOn(ctx context.Context, s settings, folder string, out io.Writer, isDemo bool) (err error) {
	budget.Keep()
	// The port first: who has it is learnt before anything is started.
	main, err := listen(ctx, s.listen, "SPINDLEBOOK_LISTEN")
	if err != nil {
		return err
	}
	defer main.Close()
	side, err := listen(ctx, s.metrics, "SPINDLEBOOK_METRICS")
	if err != nil {
		return err
	}
	if side != nil {
		defer side.Close()
	}

	dsn := s.databaseURL
	var ended <-chan struct{} // never, for a server that is not ours
	if dsn == "" {
		own, err := cluster.Start(ctx, s.cluster(folder))
		if err != nil {
			return err
		}
		defer func() { err = errors.Join(err, own.Stop(context.WithoutCancel(ctx))) }()
		if err := prepare(ctx, own.Address); err != nil {
			return err
		}
		dsn, ended = own.DSN(pgdb.ServiceRole, name), own.Done()
	}
	db, err := pgdb.Open(ctx, dsn)
	if err != nil {
		return err
	}
	defer db.Close()
	if err := db.Ready(ctx); err != nil {
		return err
	}

	registry := prometheus.NewRegistry()
	registry.MustRegister(collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	db.Measure(registry)
	d, err := door.New(door.Options{DB: db, Log: s.log, Now: time.Now, PublicURL: s.public, Proxies: s.proxies, MaxBody: s.maxBody, Metrics: registry})
	if err != nil {
		return err
	}
	if err := httpapi.Mount(d, db, time.Now); err != nil {
		return err
	}
	pages := web.Options{Demo: isDemo, Mail: s.office != nil}
	if isDemo {
		visitors, err := openDemo(ctx, s, d, db, out)
		if err != nil {
			return err
		}
		pages.Visitors = func(context.Context) ([]web.Visitor, error) { return visitors, nil }
	} else if err := greet(ctx, d, db, out); err != nil {
		return err
	}
	if err := web.Mount(d, db, time.Now, pages); err != nil {
		return err
	}

	jobs := []scheduler.Job{
		{Name: "sweep", Spec: "* * * * *", Do: func(ctx context.Context, now time.Time) error {
			_, err := pm.Tick(ctx, db, now)
			return err
		}},
		{Name: "claims", Spec: "*/5 * * * *", Do: func(ctx context.Context, now time.Time) error {
			return errors.Join(visits.Settle(ctx, db, now), visits.SayLate(ctx, db, now))
		}},
		{Name: "tidy", Spec: "17 * * * *", Do: func(ctx context.Context, now time.Time) error { return access.Tidy(ctx, db, now) }},
		{Name: "refit", Spec: "41 10 * * *", Do: func(ctx context.Context, now time.Time) error { return pm.Refit(ctx, db, now) }},
	}
	if s.office != nil {
		jobs = append(jobs, scheduler.Job{Name: "letters", Spec: "*/5 * * * *", Do: func(ctx context.Context, _ time.Time) error {
			return digest.Tick(ctx, db, time.Now, s.log, s.office, d.Public)
		}})
	}
	tasks, ctx := errgroup.WithContext(ctx)
	tasks.Go(func() error { return serveHTTP(ctx, main, d.Engine) })
	if side != nil {
		mux := http.NewServeMux()
		mux.Handle("GET /metrics", promhttp.HandlerFor(registry, promhttp.HandlerOpts{Registry: registry}))
		tasks.Go(func() error { return serveHTTP(ctx, side, mux) })
	}
	tasks.Go(func() error {
		return scheduler.Run(ctx, s.log, time.Now, jobs)
	})
	tasks.Go(func() error {
		select {
		case <-ctx.Done():
			return nil
		case <-ended:
			return errors.New("the private database server ended; start again to recover it")
		}
	})
	s.log.InfoContext(ctx, "serving", "address", main.Addr().String(), "public", s.public.String(), "version", version)
	err = tasks.Wait()
	s.log.Info("stopped")
	return err
}

// cluster says how the private server of a folder runs.
func (s settings) cluster(folder string) cluster.Options {
	return cluster.Options{Dir: filepath.Join(s.data, folder), BinDir: s.pgbin, OSUser: s.pguser,
		Roles: []string{pgdb.OwnerRole, pgdb.ServiceRole}, Log: s.log}
}

// prepare makes the roles and the database of a private server and brings it up
// to date: nobody else does.
func prepare(ctx context.Context, at cluster.Address) error {
	if err := pgdb.MakeRoles(ctx, at.DSN("postgres", "postgres"), name); err != nil {
		return err
	}
	_, err := pgdb.Migrate(ctx, at.DSN(pgdb.OwnerRole, name))
	return err
}

// openDemo loads the scenario where it is not there yet, and tells whoever
// started the program how to look around. It gives the visitors for the sign-in page.
func openDemo(ctx context.Context, s settings, d *door.Door, db *pgdb.DB, out io.Writer) ([]web.Visitor, error) {
	now := time.Now()
	if err := demo.Load(ctx, db, now); err != nil {
		return nil, fmt.Errorf("load the demo: %w", err)
	}
	s.log.DebugContext(ctx, "demo loaded", "took", time.Since(now))
	visitors, err := demo.Visitors(ctx, db, now)
	if err != nil {
		return nil, fmt.Errorf("make the demo's links: %w", err)
	}
	token, err := demo.Key(ctx, db, now)
	if err != nil {
		return nil, fmt.Errorf("make the demo's token: %w", err)
	}
	fmt.Fprint(out, "\nspindlebook demo: an invented distributor, nothing in it is real. Open one of these to look around as\n\n")
	shown := make([]web.Visitor, len(visitors))
	for i, v := range visitors {
		shown[i] = web.Visitor{Name: v.Name, Role: v.Role, Says: v.Sees, Path: "/enter/" + v.Link}
		fmt.Fprintf(out, "  %-18s %s (%s)\n    %s\n", v.Role, v.Name, v.Sees, d.Public(shown[i].Path))
	}
	fmt.Fprintf(out, "\nThe API is described at %s. To try it from a shell:\n\n    export TOKEN=%s\n\n", d.Public("/reference"), token)
	_, err = fmt.Fprint(out, "Links and token are good for a day. Ctrl-C ends the demo; the next time it is as you left it.\n\n")
	return shown, err
}

// greet tells whoever starts an empty record how to get in.
func greet(ctx context.Context, d *door.Door, db *pgdb.DB, out io.Writer) error {
	secret, err := access.FirstLink(ctx, db, time.Now())
	if err != nil || secret == "" {
		return err
	}
	_, err = fmt.Fprintf(out, "\nNobody can sign in yet. Open this once, within a day, to set up the first manager:\n  %s\n\n", d.Public("/enter/"+secret))
	return err
}

// listen takes the port, or says whose it is.
func listen(ctx context.Context, at, setting string) (net.Listener, error) {
	if at == "off" {
		return nil, nil
	}
	l, err := (&net.ListenConfig{}).Listen(ctx, "tcp", at)
	switch {
	case errors.Is(err, syscall.EADDRINUSE):
		return nil, fmt.Errorf("another program listens on %s: stop it, or set %s to another port", at, setting)
	case errors.Is(err, syscall.EACCES):
		return nil, fmt.Errorf("this user may not listen on %s: set %s to a port above 1023", at, setting)
	case err != nil:
		return nil, fmt.Errorf("cannot listen on %s (%s): %w", at, setting, err)
	}
	return l, nil
}

// serveHTTP serves until ctx ends and then lets the requests under way finish.
func serveHTTP(ctx context.Context, l net.Listener, h http.Handler) error {
	srv := &http.Server{Handler: h, ReadHeaderTimeout: 10 * time.Second, ReadTimeout: time.Minute, WriteTimeout: 2 * time.Minute,
		IdleTimeout: 2 * time.Minute, MaxHeaderBytes: 32 << 10}
	stopped := make(chan error, 1)
	go func() {
		<-ctx.Done()
		end, cancel := context.WithTimeout(context.WithoutCancel(ctx), drain)
		defer cancel()
		stopped <- srv.Shutdown(end)
	}()
	if err := srv.Serve(l); !errors.Is(err, http.ErrServerClosed) {
		return err
	}
	return <-stopped
}
