package web_test

import (
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/gin-gonic/gin"
	"github.com/google/uuid"
	"golang.org/x/net/html"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/measure"
	"spindlebook/internal/pgtest"
	"spindlebook/internal/web"
)

// routes lists the pages that are read, as the engine knows them: a new one is looked at
// without anybody adding it here.
func (h *house) routes(t testing.TB) []string {
	t.Helper()
	var all []string
	for _, r := range h.Config.Handler.(*gin.Engine).Routes() {
		switch {
		case r.Method != http.MethodGet, strings.HasPrefix(r.Path, "/static/"), strings.HasPrefix(r.Path, "/calendars/"), strings.HasPrefix(r.Path, "/api/"), r.Path == "/livez", r.Path == "/readyz":
		default:
			all = append(all, r.Path)
		}
	}
	slices.Sort(all)
	if len(all) < 150 {
		t.Fatalf("only %d pages", len(all))
	}
	return all
}

// filled puts ids into the places of a route: those of things that are there, others of
// things that are not.
func filled(route string, there map[string]string) (path string, whole bool) {
	whole = true
	parts := strings.Split(route, "/")
	for i, p := range parts {
		if !strings.HasPrefix(p, ":") {
			continue
		}
		if id, ok := there[strings.Join(parts[:i+1], "/")]; ok {
			parts[i] = id
			continue
		}
		parts[i], whole = uuid.NewString(), false
	}
	return strings.Join(parts, "/"), whole
}

// isPage tells whether an answer is one of ours to look at.
func isPage(a answer) bool { return strings.HasPrefix(a.head.Get("Content-Type"), "text/html") }

// strange are names as people type them: long without a blank, long with some, from the
// right to the left, with markup, with signs that turn the line around.
var strange = []string{
	strings.Repeat("W", 200),
	strings.Repeat("Långt namn ", 18) + "åå",
	"مغسلة السيارات الكبرى في المدينة القديمة",
	`<script>alert("x")</script><b onmouseover=alert(1)>`,
	`" autofocus onfocus="alert(1)`,
	"a\u202eb {{.}} %s ' \\",
}

// strangeGround is a ground with 500 sites more, all named strangely, and a line with its
// positions at the first of each name.
func strangeGround(t testing.TB) (*ground, []assets.Site, []assets.Position) {
	t.Helper()
	g := newGround(t)
	began := now.AddDate(-1, 0, 0)
	var sites []assets.Site
	var positions []assets.Position
	write(t, g.db, func(tx *gorm.DB) (bool, error) {
		for i := range 500 {
			name := strange[i%len(strange)]
			of := g.ours.ID
			s, err := assets.AddSite(tx, access.System, began, of, &began, assets.SiteEdit{Code: fmt.Sprintf("S%03d", i), Name: name, Address: name, Zone: "Asia/Dubai",
				Currency: "AED", Climate: "warm_dry", Size: "small", DriverSide: "right"})
			if err != nil {
				return false, err
			}
			if i >= len(strange) {
				continue
			}
			sites = append(sites, s)
			l, err := assets.AddLine(tx, access.System, began, s.ID, &began, assets.LineEdit{Code: s.Code + "-1", Name: name, Length: &measure.Typed{Value: 110, Unit: "ft"}})
			if err != nil {
				return false, err
			}
			q, err := assets.AddPosition(tx, access.System, began, assets.NewPosition{SiteID: s.ID, From: &began, PositionEdit: assets.PositionEdit{LineID: &l.ID, Code: s.Code + "-1/SBL-L",
				Name: name, Kind: "side_brush_low", LineSide: "left", Along: &measure.Typed{Value: 38, Unit: "ft"}, Aliases: []string{string([]rune(name)[:min(len([]rune(name)), 90)])}}})
			if err != nil {
				return false, err
			}
			positions = append(positions, q)
			if _, err := assets.WriteNote(tx, access.System, now, s.ID, name); err != nil {
				return false, err
			}
		}
		return true, nil
	})
	return g, sites, positions
}

// Each page in each state in which somebody may find it.
func TestEveryPageInEveryState(t *testing.T) {
	// in an empty house, on the first day
	h := open(t, web.Options{})
	chief := h.as(t, h.person(t, "Delphine Orrick", access.NewGrant{Role: "manager"}))
	routes := slices.DeleteFunc(h.routes(t), func(r string) bool { return r == "/progress/:key" }) // no page: it waits for work that is not there
	for _, route := range routes {
		path, whole := filled(route, nil)
		got := chief.get(path)
		want := []int{200}
		if !whole {
			want = []int{404, 200} // a form about a thing that is not named may still be shown
		}
		if route == "/sign-in" || route == "/enter/:secret" || !whole && got.status == http.StatusForbidden {
			continue
		}
		if !slices.Contains(want, got.status) {
			t.Errorf("with nothing, %s: %d", path, got.status)
		}
		if isPage(got) {
			tidy(t, "with nothing, "+path, got.body)
		}
	}

	// with much in it, and named strangely
	g, sites, positions := strangeGround(t)
	there := func(i int) map[string]string {
		return map[string]string{"/sites/:id": sites[i].ID.String(), "/positions/:id": positions[i].ID.String(), "/customers/:id": g.ours.ID.String(), "/people/:id": g.owner.String(),
			"/points/:id": g.point.ID.String(), "/lines/:id": positions[i].LineID.String()}
	}
	stranger := g.as(t, g.person(t, "Hollis Quaye", access.NewGrant{Role: "owner", CustomerID: &g.theirs.ID}))
	anybody := g.nobody(t)
	var narrow []string // the paths that are looked at on a phone
	for _, route := range routes {
		if strings.HasPrefix(route, "/export") || strings.HasSuffix(route, ".csv") || strings.HasSuffix(route, ".xlsx") || route == "/enter/:secret" || route == "/sign-in" {
			continue
		}
		for i := range sites {
			path, whole := filled(route, there(i))
			if i > 0 && (!whole || !strings.Contains(route, ":")) {
				break // the same page again
			}
			got := g.asManager.get(path)
			if got.status >= 500 || whole && got.status != 200 && got.status != 404 && got.status != 403 && got.status != 409 && got.status != 422 { // 409: nothing is fitted there to swap
				t.Errorf("named strangely, %s: %d", path, got.status)
			}
			if !isPage(got) {
				continue
			}
			tidy(t, "named strangely, "+path, got.body)
			walk(parse(t, got.body), func(n *html.Node) {
				if n.Data == "b" && has(n, "onmouseover") || n.Data == "script" && strings.Contains(textOf(n), "alert") || has(n, "onfocus") {
					t.Errorf("%s lets markup of a name through", path)
				}
			})
			if len(got.body) > 900_000 {
				t.Errorf("%s: %d bytes for 500 sites", path, len(got.body))
			}
			if got.status == 200 && (i == 0 || i == 2) { // without a blank, and from the right to the left
				narrow = append(narrow, path)
			}
			if i > 0 {
				continue
			}
			// somebody of another customer
			other := stranger.get(path)
			if other.status >= 500 || strings.Contains(other.body, sites[0].Name) || strings.Contains(other.body, sites[0].Code+"-1") {
				t.Errorf("an owner of another site at %s: %d", path, other.status)
			}
			if isPage(other) && other.status != http.StatusSeeOther {
				tidy(t, "an owner of another site at "+path, other.body)
			}
			// somebody who is not signed in
			if out := anybody.get(path); out.status == 200 != (path == "/problems") || out.status != 200 && !strings.HasPrefix(out.head.Get("Location"), "/sign-in") {
				t.Errorf("a stranger at %s: %d", path, out.status)
			}
		}
	}
	t.Run("on a phone", func(t *testing.T) { g.narrow(t, narrow) })

	// with the database away
	g.db.Close()
	for _, route := range routes {
		path, _ := filled(route, there(0))
		if path == "/problems" || strings.HasPrefix(route, "/enter/") {
			continue
		}
		got := g.asManager.get(path)
		if got.status != http.StatusServiceUnavailable || got.head.Get("Retry-After") == "" || !isPage(got) {
			t.Errorf("with the database away, %s: %d", path, got.status)
			continue
		}
		tidy(t, "with the database away, "+path, got.body)
	}
}

// narrow looks at pages on a phone: nothing is wider than its screen.
func (g *ground) narrow(t *testing.T, paths []string) {
	root := browser(t)
	var wait sync.WaitGroup
	next := make(chan string)
	for range 3 {
		in := tab(t, root, g.house, g.link(t, g.manager))
		run(t, in, size(390, 844, true))
		wait.Add(1)
		go func() {
			defer wait.Done()
			for path := range next {
				if err := chromedp.Do(in, chromedp.Navigate(g.URL+path)); err != nil {
					t.Errorf("%s: %v", path, err)
					continue
				}
				wide, err := chromedp.Run(in, chromedp.Evaluate[[]string](`(() => { const w = document.documentElement.clientWidth;
					if (document.scrollingElement.scrollWidth <= w) return [];
					return [...document.querySelectorAll("main *")].filter(e => e.getBoundingClientRect().right > w + 1 && !e.closest(".scroll, .strip-across, .strip-upright, details:not([open]), svg")).slice(0, 3).map(e => e.outerHTML.slice(0, 160)).concat("?"); })()`))
				if err != nil || len(wide) > 0 {
					t.Errorf("%s on a phone is too wide: %v %s", path, err, strings.Join(wide, "\n"))
				}
			}
		}()
	}
	for _, path := range paths {
		next <- path
	}
	close(next)
	wait.Wait()
}

// What was typed while the database was away is on the page that says so: it is sent again
// from there, and done once. Nothing of a password is.
func TestWhatWasTypedIsSentAgain(t *testing.T) {
	service, _ := pgtest.DSN(t)
	before := over(t, pgtest.Open(t, service), web.Options{})
	chief := before.as(t, before.person(t, "Delphine Orrick", access.NewGrant{Role: "manager"}))
	values := chief.form("/customers/new")
	values.Set("code", "AWAY")
	values.Set("name", `Kept & <sent> "again"`)
	before.db.Close()
	got := chief.post("/customers/new", values)
	if got.status != http.StatusServiceUnavailable || !strings.Contains(got.body, "Send it again") || !strings.Contains(got.body, `action="/customers/new"`) {
		t.Fatalf("%d\n%s", got.status, got.body)
	}
	kept := sheetOf(t, got.body)
	if kept.Encode() != values.Encode() {
		t.Errorf("kept is %s of %s", kept.Encode(), values.Encode())
	}
	if got := chief.post("/account/password", url.Values{"key": {uuid.NewString()}, "old_password": {"four plain words"}, "new_password": {"secret of mine"}}); strings.Contains(got.body, "four plain") || strings.Contains(got.body, "secret of") {
		t.Error("a password stands on the page")
	}
	if got := chief.post("/sign-in", url.Values{"login": {"delphine"}, "password": {"four plain words"}}); strings.Contains(got.body, "four plain") {
		t.Error("a password stands on the page after signing in")
	}
	after := over(t, pgtest.Open(t, service), web.Options{})
	back := &visitor{t, after, chief.http}
	for range 3 {
		if got := back.post("/customers/new", kept); got.status != http.StatusSeeOther {
			t.Fatalf("sent again: %d %v", got.status, wrongs(t, got.body))
		}
	}
	if n := (&ground{house: after}).count(t, `select count(*)::int as n from customer where code = 'AWAY' and name = 'Kept & <sent> "again"'`); n != 1 {
		t.Errorf("it was done %d times", n)
	}
}
