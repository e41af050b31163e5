package web_test

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/uuid"
	"golang.org/x/net/html"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/demo"
	"spindlebook/internal/door"
	"spindlebook/internal/measure"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgtest"
	"spindlebook/internal/web"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

var (
	ctx = context.Background()
	now = time.Date(2026, time.November, 25, 15, 30, 0, 0, time.UTC)
)

// house is the pages over a database of their own.
type house struct {
	*httptest.Server
	db  *pgdb.DB
	log *bytes.Buffer
	now time.Time
	// ahead is how much later it is than now, for whoever moves the clock while a browser looks
	ahead *atomic.Int64
}

func open(t testing.TB, o web.Options) *house {
	t.Helper()
	return over(t, pgtest.New(t), o)
}

func over(t testing.TB, db *pgdb.DB, o web.Options) *house {
	t.Helper()
	h := &house{db: db, log: &bytes.Buffer{}, now: now, ahead: new(atomic.Int64)}
	h.Server = httptest.NewUnstartedServer(nil)
	public := &url.URL{Scheme: "http", Host: h.Listener.Addr().String()}
	clock := func() time.Time { return h.now.Add(time.Duration(h.ahead.Load())) }
	d, err := door.New(door.Options{DB: db, Log: slog.New(slog.NewTextHandler(h.log, nil)), Now: clock, PublicURL: public, MaxBody: 1 << 20})
	if err != nil {
		t.Fatal(err)
	}
	if err := web.Mount(d, db, clock, o); err != nil {
		t.Fatal(err)
	}
	h.Config.Handler = d.Engine
	h.Start()
	t.Cleanup(h.Close)
	return h
}

// demoHouse is the pages over the demo.
func demoHouse(t testing.TB) *house {
	t.Helper()
	service, _ := pgtest.Filled(t, "the demo", func(db *pgdb.DB) error { return demo.Load(ctx, db, now) })
	return over(t, pgtest.Open(t, service), web.Options{Demo: true})
}

// write runs fn in a transaction of the system.
func write[T any](t testing.TB, db *pgdb.DB, fn func(tx *gorm.DB) (T, error)) T {
	t.Helper()
	var it T
	err := db.InTx(ctx, access.System.ID, func(tx *gorm.DB) (err error) {
		it, err = fn(tx)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return it
}

// visitor is a browser without a screen.
type visitor struct {
	t    testing.TB
	h    *house
	http *http.Client
}

func (h *house) nobody(t testing.TB) *visitor {
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	return &visitor{t, h, &http.Client{Jar: jar, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}}
}

// enter makes a link and follows it.
func (h *house) link(t testing.TB, id uuid.UUID) string {
	return "/enter/" + write(t, h.db, func(tx *gorm.DB) (string, error) { return access.MakeLink(tx, now, access.Demo, &id, time.Hour) })
}

func (h *house) as(t testing.TB, id uuid.UUID) *visitor {
	t.Helper()
	v := h.nobody(t)
	if got := v.get(h.link(t, id)); got.status != http.StatusSeeOther {
		t.Fatalf("enter: %d %s", got.status, got.body)
	}
	return v
}

// person adds somebody with roles.
func (h *house) person(t testing.TB, name string, grants ...access.NewGrant) uuid.UUID {
	t.Helper()
	return write(t, h.db, func(tx *gorm.DB) (access.Account, error) {
		var customer *uuid.UUID
		for _, g := range grants {
			customer = g.CustomerID
		}
		return access.AddPerson(tx, access.System, now, access.NewPerson{Name: name, Login: strings.ToLower(strings.ReplaceAll(name, " ", ".")) + "@example.test", CustomerID: customer, Grants: grants})
	}).ID
}

type answer struct {
	status int
	head   http.Header
	body   string
}

func (v *visitor) do(r *http.Request) answer {
	v.t.Helper()
	res, err := v.http.Do(r)
	if err != nil {
		v.t.Fatal(err)
	}
	defer func() { _ = res.Body.Close() }()
	b, err := io.ReadAll(res.Body)
	if err != nil {
		v.t.Fatal(err)
	}
	return answer{res.StatusCode, res.Header, string(b)}
}

func (v *visitor) get(path string) answer {
	v.t.Helper()
	r, err := http.NewRequest(http.MethodGet, v.h.URL+path, nil)
	if err != nil {
		v.t.Fatal(err)
	}
	return v.do(r)
}

func (v *visitor) post(path string, values url.Values) answer {
	v.t.Helper()
	r, err := http.NewRequest(http.MethodPost, v.h.URL+path, strings.NewReader(values.Encode()))
	if err != nil {
		v.t.Fatal(err)
	}
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	r.Header.Set("Sec-Fetch-Site", "same-origin")
	return v.do(r)
}

// form opens a page and gives the values that its one sheet would send.
func (v *visitor) form(path string) url.Values {
	v.t.Helper()
	a := v.get(path)
	if a.status != http.StatusOK {
		v.t.Fatalf("%s: %d", path, a.status)
	}
	return sheetOf(v.t, a.body)
}

func parse(t testing.TB, body string) *html.Node {
	t.Helper()
	n, err := html.Parse(strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	return n
}

func walk(n *html.Node, see func(*html.Node)) {
	see(n)
	for c := n.FirstChild; c != nil; c = c.NextSibling {
		walk(c, see)
	}
}

func attr(n *html.Node, name string) string {
	for _, a := range n.Attr {
		if a.Key == name {
			return a.Val
		}
	}
	return ""
}

func has(n *html.Node, name string) bool {
	for _, a := range n.Attr {
		if a.Key == name {
			return true
		}
	}
	return false
}

func textOf(n *html.Node) string {
	var b strings.Builder
	walk(n, func(c *html.Node) {
		if c.Type == html.TextNode {
			b.WriteString(c.Data)
		}
	})
	return b.String()
}

// wordsOf gives what stands on a page, with one blank between the words.
func wordsOf(t testing.TB, body string) string {
	t.Helper()
	var all []string
	walk(parse(t, body), func(n *html.Node) {
		if n.Type == html.TextNode {
			all = append(all, strings.Fields(n.Data)...)
		}
	})
	return strings.ReplaceAll(strings.Join(all, " "), " ,", ",")
}

// sheetOf reads what the sheet of a page would send as it stands.
func sheetOf(t testing.TB, body string) url.Values {
	t.Helper()
	values := url.Values{}
	walk(parse(t, body), func(n *html.Node) {
		if n.Data != "form" || !strings.Contains(attr(n, "class"), "sheet") {
			return
		}
		walk(n, func(f *html.Node) {
			name := attr(f, "name")
			switch {
			case name == "" || f.Type != html.ElementNode:
			case f.Data == "textarea":
				values.Set(name, textOf(f))
			case f.Data == "select":
				first := true
				walk(f, func(o *html.Node) {
					if o.Data != "option" {
						return
					}
					val := attr(o, "value")
					if !has(o, "value") {
						val = textOf(o)
					}
					if first || has(o, "selected") {
						values.Set(name, val)
					}
					first = false
				})
			case f.Data == "input" && (attr(f, "type") == "radio" || attr(f, "type") == "checkbox"):
				if has(f, "checked") {
					values.Add(name, attr(f, "value"))
				}
			case f.Data == "input":
				values.Set(name, attr(f, "value"))
			}
		})
	})
	return values
}

// wrongs lists the errors that stand beside fields, by field.
func wrongs(t testing.TB, body string) map[string]string {
	t.Helper()
	found := map[string]string{}
	walk(parse(t, body), func(n *html.Node) {
		if n.Data == "p" && attr(n, "class") == "wrong" {
			found[strings.TrimSuffix(strings.TrimPrefix(attr(n, "id"), "f-"), "-wrong")] = textOf(n)
		}
	})
	return found
}

// links lists where a page leads to on this server.
func links(t testing.TB, body string) []string {
	t.Helper()
	var all []string
	walk(parse(t, body), func(n *html.Node) {
		if n.Data == "a" && has(n, "href") {
			all = append(all, attr(n, "href"))
		}
	})
	return all
}

// ground is a small register of its own: two customers with a site each.
type ground struct {
	*house
	ours, theirs                        assets.Customer
	site, other                         assets.Site
	line                                assets.Line
	left, right                         assets.Position
	point                               assets.IsolationPoint
	manager, technician, owner, staff   uuid.UUID
	asManager, asTech, asOwner, asStaff *visitor
}

const secretNote = "the owner pays late and must not read this"

func newGround(t testing.TB) *ground {
	t.Helper()
	g := &ground{house: open(t, web.Options{})}
	began := now.AddDate(-1, 0, 0)
	add := func(code, name string) assets.Customer {
		return write(t, g.db, func(tx *gorm.DB) (assets.Customer, error) {
			return assets.AddCustomer(tx, access.System, began, assets.CustomerEdit{Code: code, Name: name})
		})
	}
	g.ours, g.theirs = add("HAD", "Hadrelle Wash Group"), add("PEL", "Pellhaven Auto Bath")
	site := func(code string, c uuid.UUID) assets.Site {
		return write(t, g.db, func(tx *gorm.DB) (assets.Site, error) {
			return assets.AddSite(tx, access.System, began, c, &began, assets.SiteEdit{Code: code, Name: code + " Express", Zone: "America/Chicago",
				Currency: "USD", Climate: "snowbelt", Size: "medium", DriverSide: "left"})
		})
	}
	g.site, g.other = site("UMB", g.ours.ID), site("PEL", g.theirs.ID)
	g.line = write(t, g.db, func(tx *gorm.DB) (assets.Line, error) {
		return assets.AddLine(tx, access.System, began, g.site.ID, &began, assets.LineEdit{Code: "UMB-1", Length: &measure.Typed{Value: 110, Unit: "ft"}})
	})
	both := g.addPositions(t, 1)
	g.left, g.right = both[0], both[1]
	g.point = write(t, g.db, func(tx *gorm.DB) (assets.IsolationPoint, error) {
		return assets.AddIsolationPoint(tx, access.System, began, g.site.ID, "UMB-1/EL-1", "electrical", assets.IsolationEdit{Place: "Grey isolator on the left wall",
			Isolate: "Turn it off and lock it.", Prove: "Try to start it.", Restore: "Take the lock off.", Lockable: true, CheckedOn: "2025-01-10", CheckedBy: "Imre"})
	})
	write(t, g.db, func(tx *gorm.DB) (assets.Position, error) {
		p, _, err := assets.SetIsolation(tx, access.System, now, g.left.ID, g.left.Version, []uuid.UUID{g.point.ID})
		return p, err
	})
	write(t, g.db, func(tx *gorm.DB) (assets.Note, error) {
		return assets.WriteNote(tx, access.System, now, g.site.ID, secretNote)
	})
	g.manager = g.person(t, "Delphine Orrick", access.NewGrant{Role: "manager"})
	g.technician = g.person(t, "Imre Vasko", access.NewGrant{Role: "technician"})
	g.owner = g.person(t, "Sable Winter", access.NewGrant{Role: "owner", CustomerID: &g.ours.ID})
	g.staff = g.person(t, "Gil Moor", access.NewGrant{Role: "site_staff", CustomerID: &g.ours.ID, SiteID: &g.site.ID})
	g.asManager, g.asTech, g.asOwner, g.asStaff = g.as(t, g.manager), g.as(t, g.technician), g.as(t, g.owner), g.as(t, g.staff)
	return g
}

// addPositions adds pairs of brushes to the line.
func (g *ground) addPositions(t testing.TB, pairs int) []assets.Position {
	t.Helper()
	began := now.AddDate(-1, 0, 0)
	var in []assets.NewPosition
	for i := range pairs {
		for _, side := range []string{"left", "right"} {
			in = append(in, assets.NewPosition{SiteID: g.site.ID, From: &began, PositionEdit: assets.PositionEdit{LineID: &g.line.ID,
				Code: fmt.Sprintf("UMB-1/B%d-%d-%s", pairs, i, strings.ToUpper(side[:1])), Name: "Low side brush", Kind: "side_brush_low", LineSide: side,
				Along: &measure.Typed{Value: 38 + float64(i), Unit: "ft"}, Aliases: []string{"big blue"}}})
		}
	}
	return write(t, g.db, func(tx *gorm.DB) ([]assets.Position, error) { return assets.AddPositions(tx, access.System, began, in) })
}
