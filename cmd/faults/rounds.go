package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgdb/cluster"
)

const (
	clients   = 4
	batch     = 5 // positions of one batch: all or none
	leastLoad = 150 * time.Millisecond
	mostLoad  = 1200 * time.Millisecond
)

// killing runs rounds of load, each ended by a kill, on a private server.
func killing(ctx context.Context, out io.Writer, binary, data string, rounds int, r *rand.Rand) (t tally, err error) {
	t.kills = map[string]int{}
	at, err := freePort()
	if err != nil {
		return t, err
	}
	start := func() (*program, error) { return serve(ctx, binary, at, "SPINDLEBOOK_DATA="+data) }
	p, err := start()
	if err != nil {
		return t, err
	}
	defer func() { p.stop() }()
	l, err := newLoad(ctx, p.url, data)
	if err != nil {
		return t, err
	}
	for round := range rounds {
		what := []string{"program", "database", "both"}[r.IntN(3)]
		working := l.work(ctx)
		time.Sleep(leastLoad + time.Duration(r.Int64N(int64(mostLoad-leastLoad)))) // the random instant
		if what != "program" {
			err = killDatabase(data)
		}
		if what == "both" || what == "program" {
			err = errors.Join(err, p.kill())
		}
		if err != nil {
			return t, err
		}
		began := time.Now()
		select { // without its database the program ends by itself
		case <-p.done:
		case <-time.After(patience):
			return t, fmt.Errorf("round %d: the program serves on without its database", round)
		}
		if p, err = start(); err != nil {
			return t, fmt.Errorf("round %d, after killing %s: %w", round, what, err)
		}
		t.kills[what]++
		t.recovered = append(t.recovered, time.Since(began))
		working.finish()
		if err := l.failure(); err != nil {
			return t, fmt.Errorf("round %d, after killing %s: %w", round, what, err)
		}
		if err := l.check(ctx, data); err != nil {
			return t, fmt.Errorf("round %d, after killing %s: %w", round, what, err)
		}
		if said, err := verify(ctx, binary, data); err != nil {
			return t, fmt.Errorf("round %d, after killing %s: verify: %w: %s", round, what, err, said)
		}
		fmt.Fprintf(out, "round %d: killed %s, back after %v, %d creates so far\n", round+1, what, t.recovered[round].Round(time.Millisecond), l.acknowledged())
	}
	t.creates, t.retries = l.acknowledged(), int(l.retries.Load())
	return t, nil
}

func verify(ctx context.Context, binary, data string) (string, error) {
	cmd := exec.CommandContext(ctx, binary, "verify")
	cmd.Env = []string{"SPINDLEBOOK_DATA=" + data}
	said, err := cmd.CombinedOutput()
	return string(said), err
}

// load is clients that create things and remember what was acknowledged.
type load struct {
	url, token string
	site, line string
	retries    atomic.Int64

	mu    sync.Mutex
	acked []create
	wrong error
}

// create is one request and its first acknowledged answer.
type create struct {
	key, path string
	body      []byte
	answer    []byte
	codes     []string // of the rows that it makes
	table     string
}

// newLoad lets a program in, as a manager, and makes the place where it works.
func newLoad(ctx context.Context, url, data string) (*load, error) {
	at, ok := cluster.Running(filepath.Join(data, "private"))
	if !ok {
		return nil, errors.New("the private server is not to be found")
	}
	db, err := pgdb.Open(ctx, at.DSN(pgdb.ServiceRole, "spindlebook"))
	if err != nil {
		return nil, err
	}
	defer db.Close()
	l := &load{url: url}
	if l.token, err = letIn(ctx, db); err != nil {
		return nil, err
	}
	var customer, site, line struct{ ID string }
	steps := []struct {
		path string
		body map[string]any
		into *struct{ ID string }
	}{
		{"/customers", map[string]any{"code": "FAULTS", "name": "Faults"}, &customer},
		{"/sites", map[string]any{"code": "FAULTS", "name": "Faults", "zone": "UTC", "currency": "USD", "climate": "snowbelt", "size": "small", "driver_side": "left"}, &site},
		{"/lines", map[string]any{"code": "FAULTS-1"}, &line},
	}
	for i, s := range steps {
		if i == 1 {
			s.body["customer_id"] = customer.ID
		}
		if i == 2 {
			s.body["site_id"] = site.ID
		}
		raw, err := json.Marshal(s.body)
		if err != nil {
			return nil, err
		}
		status, answer, err := l.post(ctx, s.path, uuid.NewString(), raw)
		if err != nil || status != http.StatusCreated {
			return nil, fmt.Errorf("%s: %d %s %w", s.path, status, answer, err)
		}
		if err := json.Unmarshal(answer, s.into); err != nil {
			return nil, err
		}
	}
	l.site, l.line = site.ID, line.ID
	return l, nil
}

// letIn makes a program with a manager's rights and gives its token.
func letIn(ctx context.Context, db *pgdb.DB) (token string, err error) {
	now := time.Now()
	err = db.InTx(ctx, access.System.ID, func(tx *gorm.DB) error {
		a, err := access.AddProgram(tx, access.System, now, "faults", []access.NewGrant{{Role: "manager"}})
		if err != nil {
			return err
		}
		_, token, err = access.GiveToken(tx, access.System, now, a.ID, now.Add(24*time.Hour))
		return err
	})
	return token, err
}

func (l *load) post(ctx context.Context, path, key string, body []byte) (int, []byte, error) {
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, l.url+"/api/v1"+path, bytes.NewReader(body))
	if err != nil {
		return 0, nil, err
	}
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("Authorization", "Bearer "+l.token)
	req.Header.Set("Idempotency-Key", key)
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		return 0, nil, err
	}
	defer res.Body.Close()
	answer, err := io.ReadAll(res.Body)
	return res.StatusCode, answer, err
}

// working is clients at work until finish is called.
type working struct {
	last chan struct{}
	all  sync.WaitGroup
}

// finish lets every client bring its last request to an end, and waits.
func (w *working) finish() {
	close(w.last)
	w.all.Wait()
}

func (l *load) work(ctx context.Context) *working {
	w := &working{last: make(chan struct{})}
	for range clients {
		w.all.Go(func() {
			for n := 0; ; n++ {
				select {
				case <-w.last:
					return
				default:
				}
				if err := l.createOne(ctx, n); err != nil {
					l.mu.Lock()
					l.wrong = errors.Join(l.wrong, err)
					l.mu.Unlock()
					return
				}
			}
		})
	}
	return w
}

// next makes up a request: a customer, or a batch of positions.
func (l *load) next(n int) create {
	c := create{key: uuid.NewString()}
	code := strings.ToUpper(strings.ReplaceAll(uuid.NewString(), "-", ""))[:12]
	var body any
	if n%3 != 2 {
		c.path, c.table, c.codes = "/customers", "customer", []string{code}
		body = map[string]any{"code": code, "name": "Customer " + code}
	} else {
		c.path, c.table = "/positions/batch", "position"
		items := make([]map[string]any, batch)
		for i := range items {
			c.codes = append(c.codes, fmt.Sprintf("%s/%d", code, i))
			items[i] = map[string]any{"site_id": l.site, "line_id": l.line, "code": c.codes[i], "name": "Blower", "kind": "blower", "line_side": "centre"}
		}
		body = map[string]any{"items": items}
	}
	c.body, _ = json.Marshal(body) // maps of texts always marshal
	return c
}

// createOne sends a request again and again until it is acknowledged.
func (l *load) createOne(ctx context.Context, n int) error {
	c := l.next(n)
	for deadline := time.Now().Add(patience); ; {
		status, answer, err := l.post(ctx, c.path, c.key, c.body)
		switch {
		case err == nil && status == http.StatusCreated:
			c.answer = answer
			l.mu.Lock()
			l.acked = append(l.acked, c)
			l.mu.Unlock()
			return nil
		case ctx.Err() != nil:
			return ctx.Err()
		case err == nil && status != http.StatusServiceUnavailable:
			return fmt.Errorf("%s answers %d: %s", c.path, status, answer)
		case time.Now().After(deadline):
			return fmt.Errorf("%s is not acknowledged after %v: %d %w", c.path, patience, status, err)
		}
		l.retries.Add(1)
		time.Sleep(10 * time.Millisecond)
	}
}

func (l *load) failure() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.wrong
}

func (l *load) acknowledged() int {
	l.mu.Lock()
	defer l.mu.Unlock()
	return len(l.acked)
}

// check compares what was acknowledged with what is there. Every client has
// brought its last request to an end, so the two must be the same.
func (l *load) check(ctx context.Context, data string) error {
	at, ok := cluster.Running(filepath.Join(data, "private"))
	if !ok {
		return errors.New("the private server is not to be found")
	}
	conn, err := pgx.Connect(ctx, at.DSN(pgdb.OwnerRole, "spindlebook"))
	if err != nil {
		return err
	}
	defer func() { _ = conn.Close(ctx) }() // only reads
	for _, table := range []string{"customer", "position"} {
		want := map[string]bool{}
		for _, c := range l.acked {
			for _, code := range c.codes {
				want[code] = want[code] || c.table == table
			}
		}
		rows, err := conn.Query(ctx, `
select t.code, (select count(*) from trail where trail.entity = $1 and trail.entity_id = t.id and trail.act = 'insert')
  from `+table+` as t
 where t.code <> 'FAULTS'`, table)
		if err != nil {
			return err
		}
		there := map[string]bool{}
		var code string
		var told int
		_, err = pgx.ForEachRow(rows, []any{&code, &told}, func() error {
			switch {
			case there[code]:
				return fmt.Errorf("%s %s is there twice", table, code)
			case !want[code]:
				return fmt.Errorf("%s %s is there and was never acknowledged", table, code)
			case told != 1:
				return fmt.Errorf("the trail tells %d times that %s %s was made", told, table, code)
			}
			there[code] = true
			return nil
		})
		if err != nil {
			return err
		}
		for code, ours := range want {
			if ours && !there[code] {
				return fmt.Errorf("%s %s was acknowledged and is lost", table, code)
			}
		}
	}
	// the last ones, sent once more, get the answer that they had
	for _, c := range l.acked[max(0, len(l.acked)-5):] {
		status, answer, err := l.post(ctx, c.path, c.key, c.body)
		if err != nil || status != http.StatusCreated || !bytes.Equal(answer, c.answer) {
			return fmt.Errorf("%s sent again answers %d %s, not %s (%w)", c.path, status, answer, c.answer, err)
		}
	}
	return nil
}

// oneOfTwo runs two programs on one given database, kills one and counts the
// requests that the other answered meanwhile. One failure is an error.
func oneOfTwo(ctx context.Context, binary, dir string) (answered int, err error) {
	own, err := cluster.Start(ctx, cluster.Options{Dir: dir, Roles: []string{pgdb.OwnerRole, pgdb.ServiceRole}})
	if err != nil {
		return 0, err
	}
	defer func() { err = errors.Join(err, own.Stop(context.WithoutCancel(ctx))) }()
	if err := pgdb.MakeRoles(ctx, own.DSN("postgres", "postgres"), "spindlebook"); err != nil {
		return 0, err
	}
	if _, err := pgdb.Migrate(ctx, own.DSN(pgdb.OwnerRole, "spindlebook")); err != nil {
		return 0, err
	}
	service := own.DSN(pgdb.ServiceRole, "spindlebook")
	db, err := pgdb.Open(ctx, service)
	if err != nil {
		return 0, err
	}
	token, err := letIn(ctx, db)
	db.Close()
	if err != nil {
		return 0, err
	}
	var both [2]*program
	for i := range both {
		at, err := freePort()
		if err != nil {
			return 0, err
		}
		if both[i], err = serve(ctx, binary, at, "DATABASE_URL="+service); err != nil {
			return 0, err
		}
		defer both[i].stop()
	}
	l := &load{url: both[1].url, token: token}
	for n := range 300 {
		if n == 100 {
			if err := both[0].kill(); err != nil {
				return answered, err
			}
		}
		c := l.next(0)
		status, answer, err := l.post(ctx, c.path, c.key, c.body)
		if err != nil || status != http.StatusCreated {
			return answered, fmt.Errorf("the other program answers %d %s (%w)", status, answer, err)
		}
		answered++
	}
	return answered, nil
}
