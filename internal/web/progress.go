package web

import (
	"encoding/json"
	"fmt"
	"net/http"
	"strings"
	"sync"
	"time"

	"github.com/google/uuid"

	"spindlebook/internal/exchange"
)

// Long work is done within the request that asks for it, so that it works before any
// script and its answer is a page. A page with a script may listen meanwhile how far it
// is, by server-sent events under the key of its form; where that connection breaks, the
// browser opens it again by itself, and the work goes on in any case.
type progress struct {
	sync.Mutex
	of map[uuid.UUID]*underway // by the key of the form
}

type underway struct {
	actor uuid.UUID
	at    exchange.Progress
	ended bool
}

const (
	// how often a listener is told
	tellEvery = 250 * time.Millisecond
	// how long somebody listens for work that has not begun: its file may be on the way
	listenFor = time.Minute
	// how long a listener is told at a stretch, within what the server gives one answer
	tellFor = 90 * time.Second
	// how long ended work is remembered, for a listener who comes back
	remember = time.Minute
)

// begin says that the work of a form is under way. told takes how far it is, end says
// that it is over.
func (p *progress) begin(key, actor uuid.UUID) (told func(exchange.Progress), end func()) {
	p.Lock()
	defer p.Unlock()
	if p.of == nil {
		p.of = map[uuid.UUID]*underway{}
	}
	u := &underway{actor: actor}
	p.of[key] = u
	return func(at exchange.Progress) {
			p.Lock()
			defer p.Unlock()
			u.at = at
		}, func() {
			p.Lock()
			defer p.Unlock()
			u.ended = true
			time.AfterFunc(remember, func() {
				p.Lock()
				defer p.Unlock()
				if p.of[key] == u {
					delete(p.of, key)
				}
			})
		}
}

// look gives how far the work of a form of somebody is; false where none is known.
func (p *progress) look(key, actor uuid.UUID) (underway, bool) {
	p.Lock()
	defer p.Unlock()
	u, ok := p.of[key]
	if !ok || u.actor != actor {
		return underway{}, false
	}
	return *u, true
}

// says is how far something is, in words.
func (u underway) says() string {
	of := func(n int) string { return grouped(fmt.Sprint(n)) }
	switch {
	case u.at.Does == "reads" && u.at.Of == 0:
		return of(u.at.Done) + " rows read"
	case u.at.Does == "reads":
		return of(u.at.Done) + " of " + of(u.at.Of) + " rows read"
	case u.at.Does == "takes":
		return of(u.at.Done) + " of " + of(u.at.Of) + " readings judged"
	case u.at.Does == "writes":
		return "All rows read; kind " + of(u.at.Done+1) + " of " + of(u.at.Of) + " is compared with the record"
	}
	return "The file is here and is being read"
}

// listen tells how far the work of a form is, as server-sent events (HTML standard, 9.2).
func (p *pages) listen(v visit) error {
	key, err := idOf(v, "key", "form")
	if err != nil {
		return err
	}
	h := v.c.Writer.Header()
	h.Set("Content-Type", "text/event-stream")
	h.Set("X-Accel-Buffering", "no") // a proxy must not keep it back
	v.c.Writer.WriteHeader(http.StatusOK)
	var told string
	write := func(event string) bool {
		_, err := v.c.Writer.WriteString(event)
		v.c.Writer.Flush()
		return err == nil
	}
	if !write("retry: 1000\n\n") {
		return nil
	}
	tick := time.NewTicker(tellEvery)
	defer tick.Stop()
	for n := 0; n < int(tellFor/tellEvery); n++ {
		switch u, known := p.under.look(key, v.who.ID); {
		case !known && n > int(listenFor/tellEvery), known && u.ended:
			write("event: end\ndata: {}\n\n")
			return nil
		case known && u.says() != told:
			told = u.says()
			b, err := json.Marshal(map[string]any{"says": told, "done": u.at.Done, "of": u.at.Of})
			if err != nil {
				return err
			}
			if !write("data: " + strings.ReplaceAll(string(b), "\n", "") + "\n\n") {
				return nil
			}
		case n%40 == 39: // somebody in between closes what is silent for long
			if !write(": still here\n\n") {
				return nil
			}
		}
		select {
		case <-v.ctx.Done():
			return nil
		case <-tick.C:
		}
	}
	return nil
}
