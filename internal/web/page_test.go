package web_test

import (
	"context"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/web"
)

// Who sees which page, and what must and must not stand on it.
func TestWhoSeesWhat(t *testing.T) {
	g := newGround(t)
	site, position := "/sites/"+g.site.ID.String(), "/positions/"+g.left.ID.String()
	for _, c := range []struct {
		path                              string
		manager, technician, owner, staff int
		everybody                         []string // on it for whoever sees it
		onlyDistributor                   []string
		onlyManager                       []string
	}{
		{"/", 200, 200, 200, 200, []string{"UMB Express"}, []string{"PEL Express"}, []string{"/trail"}},
		{"/sites", 200, 200, 200, 200, []string{"UMB Express"}, []string{"PEL Express"}, []string{"/sites/new"}},
		{site, 200, 200, 200, 200, []string{"Line", "driver side", assets.Caution[:40], "Grey isolator", "America/Chicago"}, []string{secretNote, "Only the distributor sees this"}, []string{site + "/edit"}},
		{"/sites/" + g.other.ID.String(), 200, 200, 404, 404, nil, nil, nil},
		{position, 200, 200, 200, 200, []string{"turns clockwise seen from above", "facts are missing", "Try to start it", assets.Caution[:40], "big blue"}, []string{"/facts/new"}, []string{"/trail?thing="}},
		{"/customers", 200, 200, 200, 200, []string{"Hadrelle"}, []string{"Pellhaven"}, []string{"/customers/new"}},
		{"/customers/" + g.ours.ID.String(), 200, 200, 200, 200, []string{"Hadrelle"}, nil, []string{"/edit"}},
		{"/customers/" + g.theirs.ID.String(), 200, 200, 404, 404, nil, nil, nil},
		{"/people", 200, 403, 403, 403, nil, nil, []string{"Site owner of Hadrelle"}},
		{"/people/" + g.owner.String(), 200, 403, 403, 403, nil, nil, []string{"Site owner of Hadrelle"}},
		{"/people/invite", 200, 403, 403, 403, nil, nil, []string{"Make their link"}},
		{"/people/programs/new", 200, 403, 403, 403, nil, nil, nil},
		{"/people/" + g.owner.String() + "/link", 200, 403, 403, 403, nil, nil, nil},
		{"/people/" + g.owner.String() + "/edit", 200, 403, 403, 403, nil, nil, nil},
		{"/people/" + g.owner.String() + "/disable", 200, 403, 403, 403, nil, nil, nil},
		{"/people/" + g.owner.String() + "/roles/new", 200, 403, 403, 403, nil, nil, nil},
		{"/trail", 200, 403, 403, 403, nil, nil, []string{"recorded as in service"}},
		{"/trail?site=" + g.site.ID.String(), 200, 403, 403, 403, nil, nil, []string{"CST"}},
		{"/account", 200, 200, 200, 200, []string{"You may"}, nil, nil},
		{"/drawings", 200, 200, 403, 403, nil, []string{"The line strip", "The position timeline", "late, beyond the window"}, nil},
		{"/account/password", 200, 200, 200, 200, nil, nil, nil},
		{"/account/letters", 200, 200, 200, 200, []string{"Send me the letter", "America/Chicago"}, []string{}, []string{"counters that nobody has read"}},
		{"/account/calendars/new", 200, 200, 200, 200, []string{"Make the address", "UMB Express"}, []string{"PEL Express"}, nil},
		{"/account/calendars/" + uuid.NewString() + "/revoke", 404, 404, 404, 404, nil, nil, nil},
		{"/problems", 200, 200, 200, 200, []string{"no-identity"}, nil, nil},
		{"/customers/new", 200, 403, 403, 403, nil, nil, nil},
		{"/customers/" + g.ours.ID.String() + "/edit", 200, 403, 403, 403, nil, nil, nil},
		{"/sites/new", 200, 403, 403, 403, nil, nil, nil},
		{site + "/edit", 200, 403, 403, 403, nil, nil, nil},
		{site + "/lines/new", 200, 403, 403, 403, nil, nil, nil},
		{site + "/positions/new", 200, 403, 403, 403, nil, nil, nil},
		{site + "/blackouts/new", 200, 403, 200, 403, nil, nil, nil},
		{site + "/notes/new", 200, 200, 403, 403, nil, nil, nil},
		{position + "/facts/new", 200, 200, 403, 403, nil, nil, nil},
		{position + "/facts/new?fact=bore", 200, 200, 403, 403, nil, nil, nil},
		{position + "/state", 200, 200, 403, 403, nil, nil, nil},
		{"/sites/" + uuid.NewString(), 404, 404, 404, 404, nil, nil, nil},
		{"/sites/nonsense", 404, 404, 404, 404, nil, nil, nil},
		{"/positions/" + uuid.NewString(), 404, 404, 404, 404, nil, nil, nil},
		{"/nowhere", 404, 404, 404, 404, nil, nil, nil},
	} {
		for _, who := range []struct {
			name          string
			v             *visitor
			status        int
			inside, chief bool
		}{{"manager", g.asManager, c.manager, true, true}, {"technician", g.asTech, c.technician, true, false},
			{"owner", g.asOwner, c.owner, false, false}, {"site staff", g.asStaff, c.staff, false, false}} {
			got := who.v.get(c.path)
			if got.status != who.status {
				t.Errorf("%s as %s: %d, want %d", c.path, who.name, got.status, who.status)
				continue
			}
			for _, text := range c.everybody {
				if !strings.Contains(plain(got.body), text) {
					t.Errorf("%s as %s lacks %q", c.path, who.name, text)
				}
			}
			for _, text := range c.onlyDistributor {
				if strings.Contains(plain(got.body), text) != who.inside {
					t.Errorf("%s as %s: %q is there: %v", c.path, who.name, text, !who.inside)
				}
			}
			for _, text := range c.onlyManager {
				if strings.Contains(plain(got.body), text) != who.chief {
					t.Errorf("%s as %s: %q is there: %v", c.path, who.name, text, !who.chief)
				}
			}
			if strings.Contains(got.body, "uccessfully") {
				t.Errorf("%s says successfully", c.path)
			}
			if id := got.head.Get("X-Request-Id"); !strings.Contains(got.body, id) {
				t.Errorf("%s as %s does not carry the number of the request", c.path, who.name)
			}
		}
		if c.path == "/problems" {
			continue
		}
		got := g.nobody(t).get(c.path)
		if c.path == "/nowhere" {
			if got.status != http.StatusNotFound {
				t.Errorf("%s as nobody: %d", c.path, got.status)
			}
			continue
		}
		to, _ := url.Parse(got.head.Get("Location"))
		if got.status != http.StatusSeeOther || to.Path != "/sign-in" || c.path != "/" && to.Query().Get("next") != c.path {
			t.Errorf("%s as nobody: %d to %q", c.path, got.status, to)
		}
	}
}

// plain undoes the escapes that a sentence of ours may have.
func plain(body string) string { return strings.NewReplacer("&#39;", "'", "&amp;", "&").Replace(body) }

func TestHeadersOfAPage(t *testing.T) {
	g := newGround(t)
	for _, path := range []string{"/", "/sign-in", "/nowhere", "/people"} {
		got := g.asOwner.get(path)
		if path == "/sign-in" {
			got = g.nobody(t).get(path)
		}
		csp := got.head.Get("Content-Security-Policy")
		for _, part := range []string{"default-src 'none'", "style-src 'self'", "script-src 'self'", "img-src 'self' data:", "form-action 'self'", "base-uri 'none'", "frame-ancestors 'none'"} {
			if !strings.Contains(csp, part) {
				t.Errorf("%s: the policy lacks %s: %s", path, part, csp)
			}
		}
		if got.head.Get("Cache-Control") != "no-store" {
			t.Errorf("%s may be kept: %s", path, got.head.Get("Cache-Control"))
		}
	}
}

func TestStaticFilesAreKeptForGood(t *testing.T) {
	h := open(t, web.Options{})
	v := h.nobody(t)
	body := v.get("/sign-in").body
	i := strings.Index(body, "/static/paper.")
	path := body[i : i+strings.Index(body[i:], `"`)]
	r, _ := http.NewRequest(http.MethodGet, h.URL+path, nil)
	r.Header.Set("Accept-Encoding", "gzip")
	got := v.do(r)
	if got.status != 200 || got.head.Get("Content-Encoding") != "gzip" || !strings.Contains(got.head.Get("Cache-Control"), "immutable") || !strings.HasPrefix(got.head.Get("Content-Type"), "text/css") {
		t.Errorf("%d %v", got.status, got.head)
	}
	if got.head.Get("Set-Cookie") != "" {
		t.Error("a file carries a cookie")
	}
	r.Header.Set("Accept-Encoding", "identity")
	if got := v.do(r); got.head.Get("Content-Encoding") != "" || !strings.HasPrefix(got.body, "/* Ink") {
		t.Error("not sent plain to who takes no gzip")
	}
	if got := v.get("/static/paper.css"); got.status != http.StatusNotFound {
		t.Errorf("without the hash: %d", got.status)
	}
}

func TestFaultsArePages(t *testing.T) {
	g := newGround(t)
	for _, c := range []struct {
		name   string
		got    answer
		status int
		says   string
	}{
		{"method", g.asManager.post("/trail", nil), http.StatusMethodNotAllowed, "Not that way"},
		{"too large", g.asManager.post("/customers/new", url.Values{"name": {strings.Repeat("x", 2<<20)}}), http.StatusRequestEntityTooLarge, "Too large"},
		{"no key", g.asManager.post("/customers/new", url.Values{"name": {"x"}}), http.StatusBadRequest, "cannot be read"},
		{"dead link", g.nobody(t).get("/enter/nothing"), http.StatusNotFound, "This link no longer opens"},
		{"token", func() answer {
			r, _ := http.NewRequest(http.MethodGet, g.URL+"/sites", nil)
			r.Header.Set("Authorization", "Bearer spb_wrong")
			return g.nobody(t).do(r)
		}(), http.StatusUnauthorized, "Nobody is signed in"},
		{"another site", func() answer {
			r, _ := http.NewRequest(http.MethodPost, g.URL+"/sign-out", nil)
			r.Header.Set("Sec-Fetch-Site", "cross-site")
			return g.asManager.do(r)
		}(), http.StatusForbidden, "came from somewhere else"},
	} {
		if c.got.status != c.status || !strings.Contains(c.got.body, c.says) || !strings.Contains(c.got.body, c.got.head.Get("X-Request-Id")) {
			t.Errorf("%s: %d\n%s", c.name, c.got.status, c.got.body)
		}
	}
}

func TestTheDatabaseIsAway(t *testing.T) {
	g := newGround(t)
	g.db.Close()
	got := g.asManager.get("/sites")
	if got.status != http.StatusServiceUnavailable || got.head.Get("Retry-After") == "" || !strings.Contains(got.body, "Try again in a few seconds") {
		t.Errorf("%d %v\n%s", got.status, got.head, got.body)
	}
	for _, leak := range []string{"pool", "pgx", "SQL", "select "} {
		if strings.Contains(got.body, leak) {
			t.Errorf("the page tells %q", leak)
		}
	}
}

func TestSigningIn(t *testing.T) {
	g := newGround(t)
	link := write(t, g.db, func(tx *gorm.DB) (string, error) {
		return access.MakeLink(tx, now, access.ChoosePassword, &g.owner, time.Hour)
	})
	v := g.nobody(t)
	got := v.get("/enter/" + link)
	if got.status != 200 || got.head.Get("Referrer-Policy") != "no-referrer" || !strings.Contains(got.body, "sable.winter@example.test") {
		t.Fatalf("%d %v", got.status, got.head)
	}
	got = v.post("/enter/"+link, url.Values{"password": {"short"}})
	if got.status != 422 || !strings.Contains(wrongs(t, got.body)["password"], "at least 12 characters") {
		t.Fatalf("a short password: %d %v", got.status, wrongs(t, got.body))
	}
	const password = "four plain words make one"
	if got = v.post("/enter/"+link, url.Values{"password": {password}}); got.status != http.StatusSeeOther {
		t.Fatalf("choose: %d\n%s", got.status, got.body)
	}
	if got = v.get("/"); got.status != 200 || !strings.Contains(got.body, "Sable Winter") {
		t.Fatalf("home: %d", got.status)
	}
	if got = g.nobody(t).get("/enter/" + link); got.status != 404 {
		t.Errorf("the link opens twice: %d", got.status)
	}
	if got = v.post("/sign-out", nil); got.status != http.StatusSeeOther {
		t.Errorf("sign out: %d", got.status)
	}
	if got = v.get("/"); got.status != http.StatusSeeOther {
		t.Errorf("still in: %d", got.status)
	}
	in := func(login, password, next string) answer {
		return g.nobody(t).post("/sign-in", url.Values{"login": {login}, "password": {password}, "next": {next}})
	}
	if got = in("", "", "/"); got.status != 422 || len(wrongs(t, got.body)) != 2 {
		t.Errorf("blank: %d %v", got.status, wrongs(t, got.body))
	}
	got = in("sable.winter@example.test", "wrong wrong wrong", "/sites")
	if got.status != 422 || !strings.Contains(got.body, "do not go together") || !strings.Contains(got.body, `value="sable.winter@example.test"`) || strings.Contains(got.body, "wrong wrong") {
		t.Errorf("wrong: %d\n%s", got.status, got.body)
	}
	for next, want := range map[string]string{"/sites": "/sites", "/trail?site=x": "/trail?site=x", "//evil.test/": "/", "https://evil.test/": "/", `/\evil.test`: "/",
		"javascript:alert(1)": "/", "/sign-out": "/", "": "/", "/%2f/evil.test": "/"} {
		if got = in(" Sable.Winter@example.test", password, next); got.status != http.StatusSeeOther || got.head.Get("Location") != want {
			t.Errorf("next %q leads to %q (%d)", next, got.head.Get("Location"), got.status)
		}
	}
	for range 4 {
		in("sable.winter@example.test", "wrong wrong wrong", "/")
	}
	got = in("sable.winter@example.test", password, "/")
	if got.status != http.StatusTooManyRequests || got.head.Get("Retry-After") == "" || !strings.Contains(got.body, "too many failed sign-ins") && !strings.Contains(got.body, "Too many failed sign-ins") {
		t.Errorf("throttled: %d\n%s", got.status, got.body)
	}
}

func TestSettingUp(t *testing.T) {
	h := open(t, web.Options{})
	secret, err := access.FirstLink(ctx, h.db, now)
	if err != nil {
		t.Fatal(err)
	}
	v := h.nobody(t)
	if got := v.get("/enter/" + secret); got.status != 200 || !strings.Contains(got.body, "You are the first person here") {
		t.Fatalf("%d", got.status)
	}
	got := v.post("/enter/"+secret, url.Values{"name": {"Delphine"}, "login": {"has space"}, "password": {"four plain words make one"}})
	if got.status != 422 || wrongs(t, got.body)["login"] == "" || !strings.Contains(got.body, `value="Delphine"`) {
		t.Fatalf("bad login: %d %v", got.status, wrongs(t, got.body))
	}
	got = v.post("/enter/"+secret, url.Values{"name": {"Delphine"}, "login": {"delphine"}, "password": {"four plain words make one"}})
	if got.status != http.StatusSeeOther {
		t.Fatalf("%d\n%s", got.status, got.body)
	}
	if got = v.get("/"); !strings.Contains(got.body, "Add a customer") {
		t.Errorf("an empty house does not say how to begin:\n%s", got.body)
	}
}

// Names come from people: markup, long ones, other scripts.
func TestNamesOfEveryKind(t *testing.T) {
	g := newGround(t)
	long := strings.Repeat("Långt namn ", 18) + "åå"
	for i, name := range []string{`<script>alert("x")</script>`, `" onmouseover="alert(1)`, long, "مغسلة السيارات الكبرى", "{{.}}", "a\u202eb"} {
		c := write(t, g.db, func(tx *gorm.DB) (assets.Customer, error) {
			return assets.AddCustomer(tx, access.System, now, assets.CustomerEdit{Code: "C" + string(rune('A'+i)), Name: name})
		})
		s := write(t, g.db, func(tx *gorm.DB) (assets.Site, error) {
			return assets.AddSite(tx, access.System, now, c.ID, nil, assets.SiteEdit{Code: "S" + string(rune('A'+i)), Name: name, Address: name, Zone: "Asia/Dubai", Currency: "AED",
				Climate: "warm_dry", Size: "small", DriverSide: "right"})
		})
		write(t, g.db, func(tx *gorm.DB) (assets.Line, error) {
			return assets.AddLine(tx, access.System, now, s.ID, nil, assets.LineEdit{Code: s.Code + "-1", Name: name})
		})
		q := write(t, g.db, func(tx *gorm.DB) (assets.Position, error) {
			return assets.AddPosition(tx, access.System, now, assets.NewPosition{SiteID: s.ID, PositionEdit: assets.PositionEdit{Code: s.Code + "/X", Name: name, Kind: "reclaim", LineSide: "centre", Aliases: []string{string([]rune(name)[:min(len([]rune(name)), 90)])}}})
		})
		write(t, g.db, func(tx *gorm.DB) (assets.Note, error) { return assets.WriteNote(tx, access.System, now, s.ID, name) })
		for _, path := range []string{"/", "/sites", "/sites/" + s.ID.String(), "/positions/" + q.ID.String(), "/customers", "/customers/" + c.ID.String(), "/customers/" + c.ID.String() + "/edit", "/trail"} {
			got := g.asManager.get(path)
			if got.status != 200 {
				t.Errorf("%s: %d", path, got.status)
			}
			if strings.Contains(got.body, "<script>alert") || strings.Contains(got.body, `" onmouseover="`) {
				t.Errorf("%s lets %q through", path, name)
			}
			if !strings.Contains(textOf(parse(t, got.body)), strings.TrimSpace(name)) && !strings.HasSuffix(path, "/edit") && path != "/trail" {
				t.Errorf("%s does not show %q", path, name)
			}
		}
	}
}

// The work of a page for the database must not grow with what stands on it.
func TestStatementsOfAPageStayTheSame(t *testing.T) {
	g := newGround(t)
	pages := []string{"/", "/sites", "/sites/" + g.site.ID.String(), "/positions/" + g.left.ID.String(), "/customers", "/customers/" + g.ours.ID.String(),
		"/people", "/people/" + g.owner.String(), "/trail", "/account", "/sites/" + g.site.ID.String() + "/positions/new"}
	count := func() map[string]int64 {
		n := map[string]int64{}
		for _, path := range pages {
			n[path] = g.statements(t, g.manager, path)
		}
		return n
	}
	before := count()
	g.addPositions(t, 30)
	for range 20 {
		g.person(t, "Somebody "+uuid.NewString(), access.NewGrant{Role: "site_staff", CustomerID: &g.ours.ID, SiteID: &g.site.ID})
	}
	write(t, g.db, func(tx *gorm.DB) (assets.Fact, error) {
		return assets.Record(tx, access.System, now, g.left.ID, assets.NewFact{Fact: "media", Value: "foam", How: "seen"})
	})
	after := count()
	for _, path := range pages {
		if before[path] != after[path] {
			t.Errorf("%s: %d statements, then %d", path, before[path], after[path])
		}
		t.Logf("%-60s %d statements", path, after[path])
	}
}

// statements counts what a page sends to the database, with a handler of its
// own so that the count is of this request alone.
func (g *ground) statements(t testing.TB, who uuid.UUID, path string) int64 {
	t.Helper()
	v := g.as(t, who)
	r, err := http.NewRequest(http.MethodGet, g.URL+path, nil)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range v.http.Jar.Cookies(r.URL) {
		r.AddCookie(c)
	}
	r.RequestURI = path
	g.log.Reset()
	w := &discard{head: http.Header{}}
	g.Config.Handler.ServeHTTP(w, r)
	if w.status != 200 {
		t.Fatalf("%s: %d", path, w.status)
	}
	_, n, ok := strings.Cut(g.log.String(), "statements=")
	if !ok {
		t.Fatal("the log does not tell")
	}
	var count int64
	for _, d := range n {
		if d < '0' || d > '9' {
			break
		}
		count = count*10 + int64(d-'0')
	}
	return count
}

type discard struct {
	head   http.Header
	status int
}

func (d *discard) Header() http.Header         { return d.head }
func (d *discard) Write(b []byte) (int, error) { return len(b), nil }
func (d *discard) WriteHeader(s int)           { d.status = s }

func TestListsGoOnByKey(t *testing.T) {
	g := newGround(t)
	began := now.AddDate(-1, 0, 0)
	write(t, g.db, func(tx *gorm.DB) (bool, error) {
		for i := range 60 {
			if _, err := assets.AddSite(tx, access.System, began, g.ours.ID, &began, assets.SiteEdit{Code: "X" + string(rune('A'+i/10)) + string(rune('0'+i%10)), Name: "Site", Zone: "UTC",
				Currency: "USD", Climate: "snowbelt", Size: "small", DriverSide: "left"}); err != nil {
				return false, err
			}
		}
		return true, nil
	})
	for _, c := range []struct{ path, row string }{
		{"/sites", `<th scope="row">`}, {"/sites?customer=" + g.ours.ID.String(), `<th scope="row">`}, {"/trail", "<time "}, {"/trail?site=" + g.site.ID.String(), "<time "},
	} {
		path, rows, pages := c.path, 0, 0
		for path != "" {
			got := g.asManager.get(path)
			if got.status != 200 {
				t.Fatalf("%s: %d", path, got.status)
			}
			rows += strings.Count(got.body, c.row)
			pages++
			path = ""
			for _, link := range links(t, got.body) {
				if strings.Contains(link, "after=") {
					path = link
				}
			}
		}
		want := map[string]int{"/sites": 62, "/sites?customer=" + g.ours.ID.String(): 61}[c.path]
		if want != 0 && rows != want {
			t.Errorf("%s: %d rows on %d pages, want %d", c.path, rows, pages, want)
		}
		if c.path == "/trail" && (pages < 3 || rows < 150) {
			t.Errorf("%s: %d rows on %d pages", c.path, rows, pages)
		}
	}
	if got := g.asManager.get("/trail?after=nonsense"); got.status != 400 {
		t.Errorf("a cursor that no list gave: %d", got.status)
	}
	if got := g.asManager.get("/"); !strings.Contains(got.body, "More sites") {
		t.Error("the overview does not say that it goes on")
	}
}

// What may hurt somebody must be seen.
func TestGapsAreSeen(t *testing.T) {
	g := newGround(t)
	for _, c := range []struct{ path, says string }{
		{"/positions/" + g.left.ID.String(), "over a year ago: check it before you rely on it"},
		{"/positions/" + g.left.ID.String(), "not in sight of the position"},
		{"/positions/" + g.right.ID.String(), "No isolation point is recorded for this position."},
		{"/sites/" + g.site.ID.String(), "1 brush has no isolation point on record"},
		{"/sites/" + g.site.ID.String(), "No supply is recorded"},
		{"/", "1 brush without isolation point"},
	} {
		if got := g.asTech.get(c.path); !strings.Contains(got.body, c.says) {
			t.Errorf("%s does not say %q", c.path, c.says)
		}
	}
	began := now.AddDate(-3, 0, 0)
	for _, f := range []assets.NewFact{{Fact: "media", Value: "foam", How: "assumed"}, {Fact: "media_pattern", Value: "AABB", How: "seen", SeenAt: &began},
		{Fact: "turning", Value: "counter_clockwise", How: "seen"}, {Fact: "turning_seen_from", Value: "above", How: "seen"}} {
		write(t, g.db, func(tx *gorm.DB) (assets.Fact, error) { return assets.Record(tx, access.System, now, g.left.ID, f) })
	}
	got := g.asTech.get("/positions/" + g.left.ID.String())
	for _, text := range []string{"nobody has looked: assumed", "old: 3 years ago", "The rule for its kind says the opposite", "It turns counter-clockwise seen from above"} {
		if !strings.Contains(got.body, text) {
			t.Errorf("the page does not say %q", text)
		}
	}
}

func TestTheDemoSaysSo(t *testing.T) {
	h := open(t, web.Options{Demo: true, Visitors: func(context.Context) ([]web.Visitor, error) {
		return []web.Visitor{{Name: "Delphine", Role: "Service manager", Says: "every site", Path: "/enter/x"}}, nil
	}})
	got := h.nobody(t).get("/sign-in")
	if !strings.Contains(got.body, "nothing here is real") || !strings.Contains(got.body, `href="/enter/x"`) {
		t.Errorf("%s", got.body)
	}
	if got := open(t, web.Options{}).nobody(t).get("/sign-in"); strings.Contains(got.body, "nothing here is real") {
		t.Error("a real one says that it is none")
	}
}

// Whoever may not do something reads for whom it is, and no name that only programs know.
func TestARefusalSaysForWhomItIs(t *testing.T) {
	t.Parallel()
	g := newGround(t)
	for path, want := range map[string]string{"/people": "This is for those who keep accounts.", "/customers/new": "This is for those who keep sites and positions.", "/van": "This is for technicians."} {
		if a := g.asOwner.get(path); a.status != 403 || !strings.Contains(wordsOf(t, a.body), want) {
			t.Errorf("%s: %d %s", path, a.status, wordsOf(t, a.body))
		}
	}
}
