package main

import (
	"bytes"
	"compress/gzip"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os/exec"
	"regexp"
	"slices"
	"strings"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"
	"github.com/google/uuid"

	"spindlebook/internal/access"
	"spindlebook/internal/calendar"
	"spindlebook/internal/door"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgdb/cluster"
	"spindlebook/internal/web"
)

const (
	asTechnician = "technician"
	// how often each page is asked for once it is warm
	asks = 15
)

// lookOf is what one page of M costs.
type lookOf struct {
	name, role, path string
	token            string
	sent, first      int // bytes: of the page alone, and with all that it loads the first time
	statements       int64
	took             sample
	shift            float64 // of its layout as a phone draws it; below 0 where no browser is there
}

// noted takes down what the door's log says of the last request.
type noted struct {
	slog.Handler
	took       time.Duration
	statements int64
}

func (n *noted) Enabled(context.Context, slog.Level) bool { return true }
func (n *noted) Handle(_ context.Context, r slog.Record) error {
	if r.Message == "request" {
		r.Attrs(func(a slog.Attr) bool {
			switch a.Key {
			case "took":
				n.took = a.Value.Duration()
			case "statements":
				n.statements = a.Value.Int64()
			}
			return true
		})
	}
	return nil
}

// looks measures the pages that people open most, on M: bytes as they are sent, statements,
// the server's time, and by how much what is drawn moves on a phone.
func (b *bench) looks(ctx context.Context, _ cluster.Address) error {
	d := b.judged
	technician, err := d.program(ctx, access.NewGrant{Role: "technician"})
	if err != nil {
		return err
	}
	manager, owner := d.pages[asManager][0], d.pages[asOwner][0]
	positions, err := positionOf(ctx, d, manager)
	if err != nil {
		return err
	}
	// a day with visits, at the instant at which all is judged
	on := calendar.DateOf(benchNow) + 1
	who, err := d.vanDay(ctx, benchNow, on)
	if err != nil {
		return err
	}
	day := url.Values{"on": {on.String()}, "person": {who.String()}}.Encode()
	now := func() time.Time { return benchNow }
	site, position := "/sites/"+manager.site.String(), "/positions/"+positions
	var all []*lookOf
	for _, one := range []struct{ name, role, token, path string }{
		{"the board", asManager, manager.token, "/"}, {"sites", asManager, manager.token, "/sites"}, {"a site", asManager, manager.token, site}, {"work ahead", asManager, manager.token, "/ahead"},
		{"visits", asManager, manager.token, "/visits"}, {"what falls due at a site", asManager, manager.token, site + "/due"}, {"find", asManager, manager.token, "/find?text=U-000"},
		{"a day of 20 visits", asTechnician, technician.token, "/today?" + day}, {"a position", asTechnician, technician.token, position}, {"what work takes there", asTechnician, technician.token, position + "/takes"},
		{"its van check", asTechnician, technician.token, "/van?" + day},
		{"the own sites", asOwner, owner.token, "/"}, {"an own site", asOwner, owner.token, "/sites/" + owner.site.String()},
	} {
		all = append(all, &lookOf{name: one.name, role: one.role, token: one.token, path: one.path, shift: -1})
	}
	note := &noted{}
	srv := httptest.NewUnstartedServer(nil)
	defer srv.Close()
	dr, err := door.New(door.Options{DB: d.db, Log: slog.New(note), Now: now, PublicURL: &url.URL{Scheme: "http", Host: srv.Listener.Addr().String()}, MaxBody: 1 << 20})
	if err != nil {
		return err
	}
	if err := web.Mount(dr, d.db, now, web.Options{}); err != nil {
		return err
	}
	srv.Config.Handler = dr.Engine
	srv.Start()
	files := map[string]int{}
	b.say("%d pages of M, %d times each", len(all), asks)
	for _, l := range all {
		for n := range asks + 3 {
			body, sent, err := askPage(ctx, dr.Engine, l.path, l.token)
			if err != nil {
				return err
			}
			if n < 3 { // until it is warm
				continue
			}
			l.took = append(l.took, note.took)
			if n > 3 && note.statements != l.statements {
				return fmt.Errorf("%s takes %d statements, then %d", l.path, l.statements, note.statements)
			}
			if strings.HasSuffix(l.path, day) && !strings.Contains(body, "/visits/") {
				return fmt.Errorf("%s shows no visit", l.path)
			}
			l.statements, l.sent, l.first = note.statements, sent, sent
			for _, file := range loaded.FindAllString(body, -1) {
				if _, known := files[file]; !known {
					if _, files[file], err = askPage(ctx, dr.Engine, file, ""); err != nil {
						return err
					}
				}
				l.first += files[file]
			}
		}
	}
	if err := shifts(ctx, srv.URL, all); err != nil {
		return err
	}
	for _, l := range all {
		says := fmt.Sprintf("%.1f kB, %.1f kB with all on first load; %d statements, %s (slowest %s)", float64(l.sent)/1000, float64(l.first)/1000, l.statements, ms(l.took.median()), ms(l.took.at(1)))
		if l.shift >= 0 {
			says += fmt.Sprintf("; layout shift %.3f", l.shift)
		}
		b.add(row{work: "page of M as " + l.role + ": " + l.name, floor: "budget of a technician's page 100 kB first, 25 kB after, shift 0.01", measured: says})
	}
	return nil
}

var loaded = regexp.MustCompile(`/static/[a-z]+\.[0-9a-f]+\.[a-z]+`)

// askPage asks for a page as a browser does, within this process, and gives it with the bytes that were sent.
func askPage(ctx context.Context, h http.Handler, path, token string) (body string, sent int, err error) {
	r := httptest.NewRequestWithContext(ctx, http.MethodGet, path, nil)
	r.Header.Set("Accept-Encoding", "gzip")
	r.Header.Set("Sec-Fetch-Site", "none")
	if token != "" {
		r.Header.Set("Authorization", "Bearer "+token)
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	if w.Code != http.StatusOK {
		return "", 0, fmt.Errorf("%s answers %d", path, w.Code)
	}
	sent = w.Body.Len()
	var in io.Reader = w.Body
	if w.Header().Get("Content-Encoding") == "gzip" {
		if in, err = gzip.NewReader(bytes.NewReader(w.Body.Bytes())); err != nil {
			return "", 0, err
		}
	}
	plain, err := io.ReadAll(in)
	return string(plain), sent, err
}

// positionOf gives a position of the site that a page asks for.
func positionOf(ctx context.Context, d *data, p page) (string, error) {
	type row struct{ ID uuid.UUID }
	rows, err := pgdb.Read[row](ctx, d.db, access.System.ID, `select id from position where site_id = @site order by code limit 1`, map[string]any{"site": p.site})
	if err != nil {
		return "", err
	}
	if len(rows) == 0 {
		return "", errors.New("the site of M has no position")
	}
	return rows[0].ID.String(), nil
}

// shifts looks at the pages with Chromium at a phone's size; without it nothing is said of shifts.
func shifts(ctx context.Context, base string, all []*lookOf) error {
	if !slices.ContainsFunc([]string{"chromium", "chromium-browser", "google-chrome"}, func(name string) bool { _, err := exec.LookPath(name); return err == nil }) {
		return nil
	}
	browser, end := chromedp.NewExecAllocator(ctx, append(chromedp.DefaultExecAllocatorOptions[:], chromedp.NoSandbox, chromedp.DisableGPU)...)
	defer end()
	root, cancel := chromedp.NewContext(browser)
	defer cancel()
	if err := chromedp.Do(root); err != nil {
		return err
	}
	for _, l := range all {
		tab, done := chromedp.NewContext(root, chromedp.WithNewBrowserContext())
		err := chromedp.Do(tab, chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
			_, err := cdp.Call(ctx, t, network.SetExtraHTTPHeaders, network.SetExtraHTTPHeadersParams{Headers: network.Headers{"Authorization": "Bearer " + l.token}})
			return err
		}), chromedp.EmulateViewport(390, 844, chromedp.EmulateMobile), chromedp.Navigate(base+l.path))
		if err == nil {
			l.shift, err = chromedp.Run(tab, chromedp.Evaluate[float64](`new Promise(done => { let sum = 0;
				new PerformanceObserver(l => { for (const e of l.getEntries()) if (!e.hadRecentInput) sum += e.value; }).observe({type: "layout-shift", buffered: true});
				setTimeout(() => { const answer = performance.getEntriesByType("navigation")[0].responseStatus; done(answer == 200 ? sum : -1 - answer); }, 300); })`, chromedp.EvalAwaitPromise))
		}
		done()
		if err == nil && l.shift < 0 {
			err = fmt.Errorf("the browser was answered %v", -1-l.shift)
		}
		if err != nil {
			return fmt.Errorf("%s in a browser: %w", l.path, err)
		}
	}
	return nil
}
