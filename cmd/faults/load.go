package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/google/uuid"
)

// batch is how many positions one request adds: all or none.
const batch = 20

// web is the client for everything: a request that hangs is a fault, too.
var web = &http.Client{Timeout: 30 * time.Second}

// client is one that creates things, one after the other.
type client struct {
	number int
	urls   []string // asked in turn, the next one when a request fails
	strict bool     // no request of it may fail
}

// create is one request and its first acknowledged answer.
type create struct {
	key, path string
	body      map[string]any
	table     string
	names     []string // of the rows it makes, each unlike any other
	answer    answer
	ids       []string // as the answer tells them
}

// answer is what came back.
type answer struct {
	status         int
	etag, location string
	body           string
}

// load is clients at work, and what was acknowledged to them.
type load struct {
	token     string
	site      string
	line      string
	positions []string // one of each client, for its facts
	shelves   shelves
	retries   atomic.Int64
	unharmed  atomic.Int64 // requests that might not fail and did not

	last chan struct{} // closed when nobody is to begin another create
	all  sync.WaitGroup

	mu    sync.Mutex
	acked []create
	wrong error
}

// newLoad lets a program in, as a manager, and makes the place where it works.
func newLoad(ctx context.Context, service, url string) (*load, error) {
	l := &load{last: make(chan struct{})}
	var err error
	if l.token, err = letIn(ctx, service, "manager"); err != nil {
		return nil, err
	}
	one := client{urls: []string{url}}
	customer, err := l.create(ctx, one, create{path: "/customers", table: "customer", names: []string{"FAULTS"},
		body: map[string]any{"code": "FAULTS", "name": "Faults"}})
	if err != nil {
		return nil, err
	}
	site, err := l.create(ctx, one, create{path: "/sites", table: "site", names: []string{"FAULTS"},
		body: map[string]any{"customer_id": customer.ids[0], "code": "FAULTS", "name": "Faults", "zone": "UTC", "currency": "USD", "climate": "snowbelt",
			"size": "small", "driver_side": "left"}})
	if err != nil {
		return nil, err
	}
	l.site = site.ids[0]
	line, err := l.create(ctx, one, create{path: "/lines", table: "line", names: []string{"FAULTS-1"},
		body: map[string]any{"site_id": l.site, "code": "FAULTS-1"}})
	if err != nil {
		return nil, err
	}
	l.line = line.ids[0]
	positions, err := l.create(ctx, one, l.batch("FAULTS", clients))
	if err != nil {
		return nil, err
	}
	l.positions = positions.ids
	if l.shelves, err = newShelves(ctx, service); err != nil {
		return nil, err
	}
	_, err = l.create(ctx, one, l.shelves.acts("the first delivery", moved{kind: "receive", amount: 1_000_000, to: l.shelves.store}))
	return l, err
}

// next makes up a request: a customer, a batch of positions, a fact, or something
// with stock.
func (l *load) next(c client, n int) create {
	name := strings.ToUpper(strings.ReplaceAll(uuid.NewString(), "-", ""))[:16]
	if n%2 == 1 {
		return l.shelves.next(name, c.number, n/2)
	}
	switch n / 2 % 4 {
	case 0:
		return l.batch(name, batch)
	case 1: // each ends the one before it
		return create{path: "/positions/" + l.positions[c.number] + "/facts", table: "position_fact", names: []string{name},
			body: map[string]any{"fact": "media_colour", "value": name, "how": "seen"}}
	default:
		return create{path: "/customers", table: "customer", names: []string{name}, body: map[string]any{"code": name, "name": "Customer " + name}}
	}
}

func (l *load) batch(name string, n int) create {
	c := create{path: "/positions/batch", table: "position"}
	var items []map[string]any
	for i := range n {
		code := fmt.Sprintf("%s/%d", name, i)
		c.names = append(c.names, code)
		items = append(items, map[string]any{"site_id": l.site, "line_id": l.line, "code": code, "name": "Blower", "kind": "blower",
			"line_side": "centre", "aliases": []string{"also " + code}})
	}
	c.body = map[string]any{"items": items}
	return c
}

// work lets a client create one thing after the other until finish is called.
func (l *load) work(ctx context.Context, c client) {
	last := l.last
	l.all.Go(func() {
		for n := 0; ; n++ {
			select {
			case <-last:
				return
			default:
			}
			if _, err := l.create(ctx, c, l.next(c, n)); err != nil {
				l.mu.Lock()
				l.wrong = errors.Join(l.wrong, err)
				l.mu.Unlock()
				return
			}
		}
	})
}

// finish lets every client bring its last create to an end, and tells what went
// wrong so far.
func (l *load) finish() error {
	close(l.last)
	l.wait()
	l.last = make(chan struct{})
	return l.wrong
}

// wait waits for the clients, who end with finish or with their context.
func (l *load) wait() { l.all.Wait() }

// create sends a request again and again, under one key, until it is acknowledged.
func (l *load) create(ctx context.Context, c client, it create) (create, error) {
	it.key = uuid.NewString()
	deadline := time.Now().Add(patience)
	for try := 0; ; try++ {
		a, err := l.post(ctx, c.urls[try%len(c.urls)], it)
		switch {
		case err == nil && a.status == http.StatusCreated:
			if c.strict {
				l.unharmed.Add(1)
			}
			it.answer = a
			if it.ids, err = ids(a.body); err != nil || len(it.ids) != len(it.names) {
				return it, fmt.Errorf("%s answers what cannot be read (%w): %s", it.path, err, a.body)
			}
			l.mu.Lock()
			l.shelves.took(c.number, it)
			l.acked = append(l.acked, it)
			l.mu.Unlock()
			return it, nil
		case ctx.Err() != nil:
			return it, ctx.Err()
		case c.strict:
			return it, fmt.Errorf("the program that lives answers %s with %d %s (%w)", it.path, a.status, a.body, err)
		case err == nil && a.status != http.StatusServiceUnavailable:
			return it, fmt.Errorf("%s answers %d: %s", it.path, a.status, a.body)
		case time.Now().After(deadline):
			return it, fmt.Errorf("%s is not acknowledged after %v: %d (%w)", it.path, patience, a.status, err)
		}
		l.retries.Add(1)
		if err := pause(ctx, 10*time.Millisecond); err != nil {
			return it, err
		}
	}
}

func (l *load) post(ctx context.Context, url string, it create) (a answer, err error) {
	body, err := json.Marshal(it.body)
	if err != nil {
		return a, err
	}
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, url+"/api/v1"+it.path, bytes.NewReader(body))
	if err != nil {
		return a, err
	}
	req.GetBody = nil // else Go itself sends it again, and nobody hears of the failure
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("Authorization", "Bearer "+l.token)
	req.Header.Set("Idempotency-Key", it.key)
	res, err := web.Do(req)
	if err != nil {
		return a, err
	}
	defer res.Body.Close()
	raw, err := io.ReadAll(res.Body)
	return answer{res.StatusCode, res.Header.Get("ETag"), res.Header.Get("Location"), string(raw)}, err
}

// ids gives the keys of what an answer says was made.
func ids(body string) (all []string, err error) {
	var it struct {
		ID    string
		Items []struct{ ID string }
	}
	if err := json.Unmarshal([]byte(body), &it); err != nil {
		return nil, err
	}
	if it.ID != "" {
		all = append(all, it.ID)
	}
	for _, i := range it.Items {
		all = append(all, i.ID)
	}
	return all, nil
}
