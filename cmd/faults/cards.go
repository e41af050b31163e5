package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"path/filepath"
	"sync"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"gorm.io/gorm"

	"spindlebook/cmd/internal/cards"
	"spindlebook/internal/access"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgdb/cluster"
)

// cardsIn is how many job cards each round signs off, shared among the clients.
const cardsIn = 24

// signing is a program that job cards are signed off at. Each card swaps a unit, uses a
// part out of the van, reads a counter and does the work of a plan.
type signing struct {
	single
	token  string
	shop   *cards.Shop
	signed int // so far
}

// card is one that waits for its signature.
type card struct {
	cards.Card
	it create
}

// completing kills the program, its database or both while cards are signed off, lets
// the clients send again what failed, and checks that each card did all of its work
// once: nothing of it twice, nothing by half.
func completing(ctx context.Context, out io.Writer, t *tally, binary, data string, rounds int, r *rand.Rand) (err error) {
	c := &signing{single: single{binary: binary, data: data}}
	defer func() {
		c.p.stop()
		if err != nil {
			err = errors.Join(err, killDatabase(data))
		}
	}()
	if c.at, err = freePort(); err != nil {
		return err
	}
	if err := c.start(ctx); err != nil {
		return err
	}
	service, err := c.private(pgdb.ServiceRole)
	if err != nil {
		return err
	}
	if c.token, err = letIn(ctx, service, "technician"); err != nil {
		return err
	}
	if err := c.write(ctx, func(_ *pgdb.DB, tx *gorm.DB) (err error) {
		c.shop, err = cards.Open(tx)
		return err
	}); err != nil {
		return err
	}
	for round := range rounds {
		all, err := c.prepare(ctx)
		if err != nil {
			return fmt.Errorf("prepare cards: %w", err)
		}
		what := kinds[r.IntN(3)]
		waiting, took, err := c.round(ctx, all, what, r)
		if err != nil {
			return fmt.Errorf("cards %d, killed %s: %w", round+1, what, err)
		}
		t.kills[what]++
		t.signed = c.signed
		fmt.Fprintf(out, "cards %d: killed %s with %d of %d not yet signed, all signed after %v; %d in all, each once\n", round+1, what, waiting, len(all), took.Round(time.Millisecond), c.signed)
	}
	return nil
}

func (c *signing) private(role string) (string, error) {
	private, ok := cluster.Running(filepath.Join(c.data, "private"))
	if !ok {
		return "", errors.New("the private server is not to be found")
	}
	return private.DSN(role, databaseName), nil
}

func (c *signing) write(ctx context.Context, fn func(db *pgdb.DB, tx *gorm.DB) error) error {
	service, err := c.private(pgdb.ServiceRole)
	if err != nil {
		return err
	}
	db, err := pgdb.Open(ctx, service)
	if err != nil {
		return err
	}
	defer db.Close()
	return db.InTx(ctx, access.System.ID, func(tx *gorm.DB) error { return fn(db, tx) })
}

// prepare makes cards that wait.
func (c *signing) prepare(ctx context.Context) ([]card, error) {
	service, err := c.private(pgdb.ServiceRole)
	if err != nil {
		return nil, err
	}
	db, err := pgdb.Open(ctx, service)
	if err != nil {
		return nil, err
	}
	defer db.Close()
	made, err := c.shop.Cards(ctx, db, cardsIn)
	if err != nil {
		return nil, err
	}
	all := make([]card, len(made))
	for i, m := range made {
		all[i] = card{m, create{key: uuid.NewString(), path: "/job-records/" + m.ID.String() + "/sign-off", body: map[string]any{"version_seen": 1, "handed_to": "Pat"}}}
	}
	return all, nil
}

// round signs the cards off, kills something at a random card, and lets the clients
// go on until all are signed.
func (c *signing) round(ctx context.Context, all []card, what string, r *rand.Rand) (waiting int, took time.Duration, err error) {
	l := &load{token: c.token}
	url := c.p.url // the next program serves at the same address
	began := time.Now()
	var clientsDone sync.WaitGroup
	wrong := make([]error, clients)
	var mu sync.Mutex
	left := len(all)
	for n := range clients {
		clientsDone.Go(func() {
			for i := n; i < len(all); i += clients {
				if all[i].it.answer, wrong[n] = l.sign(ctx, url, all[i].it); wrong[n] != nil {
					mu.Lock()
					left = 0 // nobody is to wait for the rest
					mu.Unlock()
					return
				}
				mu.Lock()
				left--
				mu.Unlock()
			}
		})
	}
	// amid the cards, however fast the machine is
	for mark, now := 1+r.IntN(len(all)-2*clients), len(all); now > mark+clients; {
		if err := pause(ctx, time.Millisecond); err != nil {
			return 0, 0, err
		}
		mu.Lock()
		now = left
		mu.Unlock()
	}
	if err := pause(ctx, between(r, 0, 20*time.Millisecond)); err != nil {
		return 0, 0, err
	}
	if what != killsProgram {
		err = killDatabase(c.data)
	}
	if what != killsDatabase {
		err = errors.Join(err, c.p.kill())
	}
	if err != nil {
		return 0, 0, err
	}
	mu.Lock()
	waiting = left
	mu.Unlock()
	<-c.p.done // without its database it ends by itself
	if err := c.start(ctx); err != nil {
		return 0, 0, err
	}
	clientsDone.Wait()
	if err := errors.Join(wrong...); err != nil {
		return 0, 0, err
	}
	took = time.Since(began)
	for _, k := range all { // once more: the first answer, and nothing is done again
		if a, err := l.post(ctx, c.p.url, k.it); err != nil || a != k.it.answer {
			return 0, 0, fmt.Errorf("a card, signed again under its key, is answered by %d %s and was by %d %s (%w)", a.status, a.body, k.it.answer.status, k.it.answer.body, err)
		}
	}
	c.signed += len(all)
	return waiting, took, c.check(ctx)
}

// sign sends a signature again and again, under one key, until it is acknowledged.
func (l *load) sign(ctx context.Context, url string, it create) (answer, error) {
	deadline := time.Now().Add(patience)
	for {
		a, err := l.post(ctx, url, it)
		switch {
		case err == nil && a.status == http.StatusOK:
			return a, nil
		case ctx.Err() != nil:
			return a, ctx.Err()
		case err == nil && a.status != http.StatusServiceUnavailable, time.Now().After(deadline):
			return a, fmt.Errorf("%s answers %d: %s (%w)", it.path, a.status, a.body, err)
		}
		if err := pause(ctx, 10*time.Millisecond); err != nil {
			return answer{}, err
		}
	}
}

// workOnce are what must not be there once all cards are signed.
var workOnce = map[string]string{
	"cards that are not signed":               `select count(*) from job_record where state <> 'signed'`,
	"cards without their one completion":      `select count(*) from job_record as j where (select count(*) from completion as c where c.task_id = j.task_id and c.covered_by is null) <> 1 or j.completion_id is null`,
	"tasks of cards that are not done":        `select count(*) from job_record as j join task as t on t.id = j.task_id where t.state <> 'done'`,
	"assignments that the work did not start": `select count(*) from assignment as a where a.ended_at is null and (not a.mark_done or a.task_id is not null)`,
	"meters without their one reading":        `select count(*) from meter as m where (select count(*) from reading as r where r.meter_id = m.id) <> 1`,
	"slots without one swap":                  `select count(*) from slot as s where s.class = 'hub' and ((select count(*) from stay as y where y.slot_id = s.id) <> 2 or (select count(*) from stay as y where y.slot_id = s.id and upper_inf(y.during)) <> 1)`,
	"units that are not in one place":         `select count(*) from unit as u where (select count(*) from stay as s where s.unit_id = u.id and upper_inf(s.during)) <> 1`,
	"tasks told more often than once":         `select count(*) from task as t where (select count(*) from task as o where o.assignment_id = t.assignment_id) <> 1`,
}

// check holds what the cards did against what each of them says.
func (c *signing) check(ctx context.Context) error {
	owner, err := c.private(pgdb.OwnerRole)
	if err != nil {
		return err
	}
	conn, err := pgx.Connect(ctx, owner)
	if err != nil {
		return err
	}
	defer func() { _ = conn.Close(context.WithoutCancel(ctx)) }() // nothing was written
	for what, query := range workOnce {
		var n int
		if err := conn.QueryRow(ctx, query).Scan(&n); err != nil {
			return err
		}
		if n != 0 {
			return fmt.Errorf("%d %s", n, what)
		}
	}
	var nuts, hubs, signed int
	if err := conn.QueryRow(ctx, `
select (select 1000000 - sum(on_hand)::int from stock_balance where location_id = $1 and part_id = $2),
       (select count(*) from stay as s where s.location_id = $3 and upper_inf(s.during)),
       (select count(*) from job_record)`, c.shop.Van, c.shop.Nut, c.shop.Back).Scan(&nuts, &hubs, &signed); err != nil {
		return err
	}
	if signed != c.signed || nuts != cards.NutsEach*signed || hubs != signed {
		return fmt.Errorf("%d cards of %d used %d nuts and brought %d hubs back", signed, c.signed, nuts, hubs)
	}
	if err := revalidate(ctx, conn); err != nil {
		return err
	}
	return verify(ctx, c.binary, "SPINDLEBOOK_DATA="+c.data)
}
