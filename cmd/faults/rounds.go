package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os/exec"
	"path/filepath"
	"time"

	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgdb/cluster"
)

const (
	clients   = 6
	leastLoad = 100 * time.Millisecond
	mostLoad  = 1200 * time.Millisecond
)

// between draws an instant.
func between(r *rand.Rand, least, most time.Duration) time.Duration {
	return least + time.Duration(r.Int64N(int64(most-least)))
}

// pause waits, or gives up with ctx.
func pause(ctx context.Context, d time.Duration) error {
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-time.After(d):
		return nil
	}
}

// single is a program with a private database of its own, under load.
type single struct {
	binary, data, at string
	p                *program
	load             *load
}

// start starts the program and waits until it is ready.
func (s *single) start(ctx context.Context) (err error) {
	s.p, err = serve(ctx, s.binary, s.at, "SPINDLEBOOK_DATA="+s.data)
	return err
}

// killing lets one program with its own database serve, and kills something of
// it in each round.
func killing(ctx context.Context, out io.Writer, t *tally, binary, data string, rounds int, r *rand.Rand) (err error) {
	ctx, cancel := context.WithCancel(ctx)
	s := &single{binary: binary, data: data}
	defer func() {
		cancel()
		if s.load != nil {
			s.load.wait()
		}
		s.p.stop()
		if err != nil { // then nobody may be left to stop it
			err = errors.Join(err, killDatabase(data))
		}
	}()
	if s.at, err = freePort(); err != nil {
		return err
	}
	if err := s.start(ctx); err != nil {
		return err
	}
	private, ok := cluster.Running(filepath.Join(data, "private"))
	if !ok {
		return errors.New("the private server is not to be found")
	}
	if s.load, err = newLoad(ctx, private.DSN(pgdb.ServiceRole, "spindlebook"), s.p.url); err != nil {
		return err
	}
	for round := range rounds {
		what := kinds[r.IntN(3)]
		took, err := s.round(ctx, t, what, r)
		if err != nil {
			return fmt.Errorf("round %d, killed %s: %w", round+1, what, err)
		}
		fmt.Fprintf(out, "round %d: killed %s, ready again after %v, %d creates so far\n", round+1, what, took.Round(time.Millisecond), len(s.load.acked))
	}
	t.creates += len(s.load.acked)
	t.retries += int(s.load.retries.Load())
	return nil
}

// round kills something at a random instant under load, starts the program
// again, perhaps kills it once more on its way, and checks.
func (s *single) round(ctx context.Context, t *tally, what string, r *rand.Rand) (took time.Duration, err error) {
	since := len(s.load.acked)
	for i := range clients {
		s.load.work(ctx, client{number: i, urls: []string{s.p.url}})
	}
	if err := pause(ctx, between(r, leastLoad, mostLoad)); err != nil {
		return 0, err
	}
	if what != killsProgram {
		err = killDatabase(s.data)
	}
	if what != killsDatabase {
		err = errors.Join(err, s.p.kill())
	}
	if err != nil {
		return 0, err
	}
	t.kills[what]++
	began := time.Now()
	select { // without its database the program ends by itself
	case <-s.p.done:
	case <-time.After(patience):
		return 0, errors.New("the program serves on without its database")
	}
	if r.IntN(4) == 0 { // while it recovers
		if s.p, err = launch(s.binary, s.at, "SPINDLEBOOK_DATA="+s.data); err != nil {
			return 0, err
		}
		if err := pause(ctx, between(r, time.Millisecond, 300*time.Millisecond)); err != nil {
			return 0, err
		}
		if err := s.p.kill(); err != nil {
			return 0, err
		}
		t.kills[killsProgram]++
	}
	if err := s.start(ctx); err != nil {
		return 0, err
	}
	took = time.Since(began)
	t.recovered = append(t.recovered, took)
	if err := pause(ctx, 100*time.Millisecond); err != nil { // some more, to it as it is now
		return 0, err
	}
	if err := s.load.finish(); err != nil {
		return 0, err
	}
	private, ok := cluster.Running(filepath.Join(s.data, "private"))
	if !ok {
		return 0, errors.New("the private server is not to be found")
	}
	if err := s.load.check(ctx, private.DSN(pgdb.OwnerRole, "spindlebook"), s.p.url, since); err != nil {
		return 0, err
	}
	return took, verify(ctx, s.binary, "SPINDLEBOOK_DATA="+s.data)
}

// verify asks the program whether the record agrees with itself.
func verify(ctx context.Context, binary string, settings ...string) error {
	cmd := exec.CommandContext(ctx, binary, "verify")
	cmd.Env = settings
	if said, err := cmd.CombinedOutput(); err != nil {
		return fmt.Errorf("verify: %w: %s", err, said)
	}
	return nil
}

// oneOfTwo lets two programs serve one database, both under load, and kills one
// after the other. Who asks the one that lives must not notice: a single failed
// request is an error. Who asked the other goes over with the same keys.
func oneOfTwo(ctx context.Context, out io.Writer, t *tally, binary, dir string, kills int, r *rand.Rand) (err error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	own, err := cluster.Start(ctx, cluster.Options{Dir: dir, Roles: []string{pgdb.OwnerRole, pgdb.ServiceRole}})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, own.Stop(context.WithoutCancel(ctx))) }()
	const name = "spindlebook"
	if err := pgdb.MakeRoles(ctx, own.DSN("postgres", "postgres"), name); err != nil {
		return err
	}
	if _, err := pgdb.Migrate(ctx, own.DSN(pgdb.OwnerRole, name)); err != nil {
		return err
	}
	service := own.DSN(pgdb.ServiceRole, name)
	var both [2]*program
	var ports [2]string
	defer func() {
		both[0].stop()
		both[1].stop()
	}()
	for i := range both {
		if ports[i], err = freePort(); err != nil {
			return err
		}
		if both[i], err = serve(ctx, binary, ports[i], "DATABASE_URL="+service); err != nil {
			return err
		}
	}
	l, err := newLoad(ctx, service, both[0].url)
	if err != nil {
		return err
	}
	defer func() {
		cancel()
		l.wait()
	}()
	for i := range kills {
		since, victim := len(l.acked), i%2
		gone, lives := both[victim], both[1-victim]
		for c := range clients {
			if c%2 == 0 {
				l.work(ctx, client{number: c, urls: []string{gone.url, lives.url}})
			} else {
				l.work(ctx, client{number: c, urls: []string{lives.url}, strict: true})
			}
		}
		if err := pause(ctx, between(r, leastLoad, mostLoad)); err != nil {
			return err
		}
		if err := gone.kill(); err != nil {
			return err
		}
		t.kills[killsOneOfTwo]++
		if err := pause(ctx, between(r, leastLoad, mostLoad)); err != nil {
			return err
		}
		if err := l.finish(); err != nil {
			return fmt.Errorf("kill %d of one of two: %w", i+1, err)
		}
		if both[victim], err = serve(ctx, binary, ports[victim], "DATABASE_URL="+service); err != nil {
			return err
		}
		if err := l.check(ctx, own.DSN(pgdb.OwnerRole, name), both[victim].url, since); err != nil {
			return fmt.Errorf("kill %d of one of two: %w", i+1, err)
		}
		if err := verify(ctx, binary, "DATABASE_URL="+service); err != nil {
			return fmt.Errorf("kill %d of one of two: %w", i+1, err)
		}
		fmt.Fprintf(out, "killed one of two, %d times: the other answered %d requests without a failure, %d creates so far\n", i+1, l.unharmed.Load(), len(l.acked))
	}
	t.creates += len(l.acked)
	t.retries += int(l.retries.Load())
	return nil
}

// letIn makes a program with the rights of a role and gives its token.
func letIn(ctx context.Context, service, role string) (token string, err error) {
	db, err := pgdb.Open(ctx, service)
	if err != nil {
		return "", err
	}
	defer db.Close()
	now := time.Now()
	err = db.InTx(ctx, access.System.ID, func(tx *gorm.DB) error {
		a, err := access.AddProgram(tx, access.System, now, "faults", []access.NewGrant{{Role: role}})
		if err != nil {
			return err
		}
		_, token, err = access.GiveToken(tx, access.System, now, a.ID, now.Add(24*time.Hour))
		return err
	})
	return token, err
}
