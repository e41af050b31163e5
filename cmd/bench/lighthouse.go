package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/demo"
	"spindlebook/internal/door"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgdb/cluster"
	"spindlebook/internal/pm"
	"spindlebook/internal/pm/record"
	"spindlebook/internal/web"
)

// lookedAt is how often each page is looked at; the median counts. leastScore is what accessibility
// and best practices must reach, of a hundred.
const lookedAt, leastScore = 5, 95

type seenPage struct {
	Name                                  string
	Version                               string // of Lighthouse
	Status, Ended                         string
	Performance, Accessibility, Practices int
	Shift, Bytes                          float64
	Failed                                []string
}

// lighthouse looks at the board, a site and a job card of the demo with Lighthouse at its phone
// settings. It stands beside the program, so where it is not installed it says so and goes on.
func (b *bench) lighthouse(ctx context.Context, at cluster.Address) error {
	const script = "tools/lighthouse.mjs"
	chrome := ""
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome"} {
		if path, err := exec.LookPath(name); err == nil {
			chrome = path
			break
		}
	}
	_, noNode := exec.LookPath("node")
	if _, err := os.Stat("tools/node_modules/lighthouse"); err != nil || chrome == "" || noNode != nil {
		b.say("lighthouse: not measured: it needs Chromium, node, and tools/node_modules as `make test` installs them")
		return nil
	}
	const name = "seen"
	if err := pgdb.MakeRoles(ctx, at.DSN("postgres", "postgres"), name); err != nil {
		return err
	}
	if _, err := pgdb.Migrate(ctx, at.DSN(pgdb.OwnerRole, name)); err != nil {
		return err
	}
	db, err := pgdb.Open(ctx, at.DSN(pgdb.ServiceRole, name))
	if err != nil {
		return err
	}
	defer db.Close()
	b.say("lighthouse: loading the demo")
	if err := demo.Load(ctx, db, time.Now()); err != nil {
		return err
	}
	pages, end, err := b.openPages(ctx, db)
	if err != nil {
		return err
	}
	defer end()
	b.say("lighthouse: %d pages, %d times each", len(pages), lookedAt)
	asked, err := json.Marshal(map[string]any{"chrome": chrome, "runs": lookedAt, "pages": pages})
	if err != nil {
		return err
	}
	cmd := exec.CommandContext(ctx, "node", script)
	cmd.Stdin, cmd.Stderr = bytes.NewReader(asked), b.out
	out, err := cmd.Output()
	if err != nil {
		return fmt.Errorf("lighthouse: %w", err)
	}
	var all []seenPage
	if err := json.Unmarshal(out, &all); err != nil {
		return err
	}
	for _, p := range pages {
		var of []seenPage
		for _, s := range all {
			if s.Name == p.Name {
				if s.Status != "" || s.Ended != p.URL {
					return fmt.Errorf("lighthouse saw %s and not %s: %s", s.Ended, p.URL, s.Status)
				}
				of = append(of, s)
			}
		}
		if len(of) == 0 {
			return fmt.Errorf("lighthouse says nothing of %s", p.Name)
		}
		mid := func(score func(seenPage) float64) float64 {
			var v []float64
			for _, s := range of {
				v = append(v, score(s))
			}
			slices.Sort(v)
			return v[len(v)/2]
		}
		accessible, practices := mid(func(s seenPage) float64 { return float64(s.Accessibility) }), mid(func(s seenPage) float64 { return float64(s.Practices) })
		says := fmt.Sprintf("accessibility %.0f, best practices %.0f, performance %.0f; layout shift %.3f, %.0f kB", accessible, practices,
			mid(func(s seenPage) float64 { return float64(s.Performance) }), mid(func(s seenPage) float64 { return s.Shift }), mid(func(s seenPage) float64 { return s.Bytes })/1000)
		if f := of[0].Failed; len(f) > 0 {
			says += "; " + strings.Join(f, ", ")
		}
		b.add(row{work: "Lighthouse " + of[0].Version + " at phone settings, " + p.Name + " (accessibility and best practices)", measured: says, score: min(accessible, practices), least: leastScore})
		if min(accessible, practices) < leastScore {
			b.missed = append(b.missed, fmt.Errorf("%s: accessibility %.0f and best practices %.0f, and %d is the least", p.Name, accessible, practices, leastScore))
		}
	}
	return nil
}

type askedPage struct {
	Name   string `json:"name"`
	URL    string `json:"url"`
	Cookie string `json:"cookie"`
}

// openPages serves the pages of the demo and signs a manager and a technician in.
func (b *bench) openPages(ctx context.Context, db *pgdb.DB) ([]askedPage, func(), error) {
	l, err := (&net.ListenConfig{}).Listen(ctx, "tcp", "127.0.0.1:0")
	if err != nil {
		return nil, nil, err
	}
	base := "http://" + l.Addr().String()
	d, err := door.New(door.Options{DB: db, Log: slog.New(slog.NewTextHandler(io.Discard, nil)), Now: time.Now, PublicURL: &url.URL{Scheme: "http", Host: l.Addr().String()}, MaxBody: 1 << 20})
	if err != nil {
		return nil, nil, err
	}
	if err := web.Mount(d, db, time.Now, web.Options{Demo: true}); err != nil {
		return nil, nil, err
	}
	srv := &http.Server{Handler: d.Engine, ReadHeaderTimeout: 10 * time.Second}
	ended := make(chan error, 1)
	go func() { ended <- srv.Serve(l) }()
	end := func() {
		_ = srv.Close()
		<-ended
	}
	pages, err := pagesOf(ctx, db, base)
	if err != nil {
		end()
	}
	return pages, end, err
}

func pagesOf(ctx context.Context, db *pgdb.DB, base string) ([]askedPage, error) {
	visitors, err := demo.Visitors(ctx, db, time.Now())
	if err != nil {
		return nil, err
	}
	cookies := map[string]string{}
	client := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	for _, v := range visitors {
		r, err := client.Get(base + "/enter/" + v.Link)
		if err != nil {
			return nil, err
		}
		_ = r.Body.Close()
		for _, c := range r.Cookies() {
			cookies[v.Role] = c.Name + "=" + c.Value
		}
	}
	sites, err := assets.Sites(ctx, db, access.System, nil, assets.Page{Limit: 1})
	if err != nil {
		return nil, err
	}
	card, err := someCard(ctx, db)
	if err != nil {
		return nil, err
	}
	if len(sites) == 0 {
		return nil, errors.New("the demo has no site")
	}
	return []askedPage{{"the board", base + "/", cookies["Service manager"]}, {"a site", base + "/sites/" + sites[0].ID.String(), cookies["Service manager"]},
		{"a job card", base + "/jobs/" + card.String(), cookies["Technician"]}}, nil
}

// someCard gives an open job card; where there is none it opens one for the first task that takes one.
func someCard(ctx context.Context, db *pgdb.DB) (uuid.UUID, error) {
	cards, err := record.Cards(ctx, db, access.System, record.Filter{State: "open"}, record.Page{Limit: 1})
	if err != nil {
		return uuid.Nil, err
	}
	if len(cards) > 0 {
		return cards[0].ID, nil
	}
	tasks, err := pm.Tasks(ctx, db, access.System, pm.TaskFilter{}, pm.Page{Limit: 100})
	if err != nil {
		return uuid.Nil, err
	}
	refused := errors.New("the demo has no open task")
	for _, t := range tasks {
		id, err := record.Open(ctx, db, access.System, time.Now(), pgdb.Request{Key: uuid.NewString(), Act: "open"}, record.NewRecord{TaskID: &t.ID})
		if err == nil {
			return id, nil
		}
		refused = err
	}
	return uuid.Nil, fmt.Errorf("no job card can be opened: %w", refused)
}
