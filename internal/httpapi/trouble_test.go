package httpapi_test

import (
	"fmt"
	"io"
	"net/http"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgtest"
)

type m = map[string]any

func customer(code string) m { return m{"code": code, "name": code + " Wash"} }

// Bad requests: each is answered with the field, the value and the rule.
func TestWhatBadInputGets(t *testing.T) {
	s := newService(t)
	site := s.own.site
	for _, c := range []struct {
		name   string
		r      request
		status int
		field  string
		value  string
	}{
		{"unknown field", request{method: "POST", path: "/customers", body: m{"code": "X", "name": "X", "colour": "red"}}, 422, "body.colour", ""},
		{"wrong type", request{method: "POST", path: "/customers", body: m{"code": 7, "name": "X"}}, 400, "body.code", "7"},
		{"missing field", request{method: "POST", path: "/customers", body: m{"code": "X"}}, 422, "body.name", ""},
		{"rule of the form", request{method: "POST", path: "/customers", body: m{"code": "had wash", "name": "X"}}, 422, "body.code", "had wash"},
		{"other case of a name", request{method: "POST", path: "/customers", body: m{"Code": "X", "name": "X"}}, 422, "body.code", ""},
		{"no JSON", request{method: "POST", path: "/customers", body: `{"code": `}, 400, "body", ""},
		{"two documents", request{method: "POST", path: "/customers", body: `{"code":"X","name":"X"} {"code":"Y","name":"Y"}`}, 400, "body", ""},
		{"empty body", request{method: "POST", path: "/customers", body: ``}, 400, "body", ""},
		{"other content type", request{method: "POST", path: "/customers", body: `code=X`, header: map[string]string{"Content-Type": "application/x-www-form-urlencoded"}}, 415, "Content-Type", "application/x-www-form-urlencoded"},
		{"no content type", request{method: "POST", path: "/customers", body: `{}`, header: map[string]string{"Content-Type": ""}}, 415, "Content-Type", ""},
		{"no key", request{method: "POST", path: "/customers", body: customer("X"), header: map[string]string{"Idempotency-Key": ""}}, 400, "header.Idempotency-Key", ""},
		{"key too long", request{method: "POST", path: "/customers", body: customer("X"), header: map[string]string{"Idempotency-Key": strings.Repeat("k", 256)}}, 400, "header.Idempotency-Key", ""},
		{"key not ASCII", request{method: "POST", path: "/customers", body: customer("X"), header: map[string]string{"Idempotency-Key": "schlüssel"}}, 400, "header.Idempotency-Key", ""},
		{"bad cursor", request{method: "GET", path: "/sites?cursor=bm90IG91cnM"}, 400, "query.cursor", "bm90IG91cnM"},
		{"a query that cannot be read", request{method: "GET", path: "/sites?limit=%zz"}, 400, "query", "limit=%zz"},
		{"a filter that there is not", request{method: "GET", path: "/sites?limitt=5"}, 422, "query.limitt", "5"},
		{"bad limit", request{method: "GET", path: "/sites?limit=0"}, 422, "query.limit", "0"},
		{"limit of letters", request{method: "GET", path: "/sites?limit=many"}, 400, "query.limit", "many"},
		{"zone unknown", request{method: "PUT", path: "/sites/" + site.ID.String(), header: map[string]string{"If-Match": `"1"`},
			body: m{"code": "UMB", "name": "U", "zone": "Mars/Base", "currency": "USD", "climate": "snowbelt", "size": "medium", "driver_side": "left"}}, 422, "zone", "Mars/Base"},
		{"unit unknown", request{method: "POST", path: "/lines", body: m{"site_id": site.ID, "code": "UMB-9", "length": m{"value": 3, "unit": "furlong"}}}, 422, "length.unit", "furlong"},
		{"a zero byte", request{method: "POST", path: "/customers", body: m{"code": "X", "name": "a\x00b"}}, 400, "", ""},
		{"If-Match is no tag", request{method: "PUT", path: "/customers/" + s.own.customer.ID.String(), body: customer("HAD"), header: map[string]string{"If-Match": "1"}}, 400, "If-Match", "1"},
	} {
		t.Run(c.name, func(t *testing.T) {
			c.r.as = "manager"
			a := s.call(t, c.r).want(t, c.status)
			if c.field == "" {
				return
			}
			for _, e := range a.blames(t, c.status, c.field).Errors {
				if e.Field == c.field && c.value != "" && e.Value != c.value {
					t.Errorf("names the value %q, not %q", e.Value, c.value)
				}
			}
		})
	}
	// nothing of all that was stored
	a := s.call(t, request{method: "GET", path: "/customers", as: "manager"})
	var list struct{ Items []m }
	a.into(t, &list)
	if len(list.Items) != 2 {
		t.Errorf("%d customers are stored after bad requests", len(list.Items))
	}
}

func TestSeveralFaultsAreToldAtOnce(t *testing.T) {
	s := newService(t)
	a := s.call(t, request{method: "POST", path: "/customers", as: "manager", body: m{"code": "a b", "nmae": "X"}})
	for _, f := range []string{"body.code", "body.name", "body.nmae"} {
		a.blames(t, 422, f)
	}
	if strings.Contains(string(a.body), "password") {
		t.Error("an answer repeats more than the value to blame")
	}
}

func TestABodyOverTheLimitIsRefused(t *testing.T) {
	s := newService(t)
	big := `{"code":"X","name":"` + strings.Repeat("x", maxBody) + `"}`
	s.call(t, request{method: "POST", path: "/customers", as: "manager", body: big}).want(t, http.StatusRequestEntityTooLarge)
	// without a length in advance it is found while reading
	req, err := http.NewRequest("POST", s.server.URL+"/api/v1/customers", struct{ *strings.Reader }{strings.NewReader(big)})
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("Idempotency-Key", uuid.NewString())
	req.Header.Set("Authorization", "Bearer "+s.tokens["manager"])
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	if res.StatusCode != http.StatusRequestEntityTooLarge {
		t.Errorf("status %d", res.StatusCode)
	}
}

func TestACodeInUseNamesWhoHasIt(t *testing.T) {
	s := newService(t)
	p := s.call(t, request{method: "POST", path: "/customers", as: "manager", body: customer("HAD")}).blames(t, http.StatusConflict, "code")
	if p.Existing == nil || p.Existing.ID != s.own.customer.ID.String() || p.Existing.Kind != "customer" || p.Existing.Code != "HAD" {
		t.Errorf("names %+v", p.Existing)
	}
	p = s.call(t, request{method: "POST", path: "/positions", as: "manager", body: m{"site_id": s.own.site.ID, "line_id": s.own.line.ID, "code": s.own.left.Code,
		"name": "X", "kind": "rocker", "line_side": "left"}}).blames(t, http.StatusConflict, "code")
	if p.Existing == nil || p.Existing.ID != s.own.left.ID.String() {
		t.Errorf("names %+v", p.Existing)
	}
}

// RFC 9110, 13.1.1 and 8.8.3.2; RFC 6585, 3.
func TestEditsNameTheVersionTheySaw(t *testing.T) {
	s := newService(t)
	path := "/customers/" + s.own.customer.ID.String()
	edit := func(ifMatch string) answer {
		return s.call(t, request{method: "PUT", path: path, as: "manager", body: customer("HAD"), header: map[string]string{"If-Match": ifMatch}})
	}
	tag := s.call(t, request{method: "GET", path: path, as: "manager"}).want(t, 200).header.Get("ETag")
	if tag != `"1"` {
		t.Fatalf("ETag %s", tag)
	}
	edit("").want(t, http.StatusPreconditionRequired)
	edit(`W/"1"`).want(t, http.StatusPreconditionFailed) // strong comparison: a weak tag never matches
	edit(`"7"`).want(t, http.StatusPreconditionFailed)
	if got := edit(tag).want(t, 200).header.Get("ETag"); got != `"2"` {
		t.Errorf("after the edit: ETag %s", got)
	}
	edit(tag).want(t, http.StatusPreconditionFailed) // the second writer with the same tag
	edit(`"1", "2"`).want(t, 200)                    // a list matches with any member
	edit(`*`).want(t, 200)
	s.call(t, request{method: "PUT", path: "/customers/" + uuid.NewString(), as: "manager", body: customer("NON"), header: map[string]string{"If-Match": "*"}}).want(t, 404)

	// If-None-Match: weak comparison, 304 without a body
	tag = s.call(t, request{method: "GET", path: path, as: "manager"}).header.Get("ETag")
	for have, want := range map[string]int{tag: 304, "W/" + tag: 304, `"x", ` + tag: 304, "*": 304, `"x"`: 200} {
		a := s.call(t, request{method: "GET", path: path, as: "manager", header: map[string]string{"If-None-Match": have}}).want(t, want)
		if want == 304 && (len(a.body) > 0 || a.header.Get("ETag") != tag) {
			t.Errorf("304 with body %q and ETag %q", a.body, a.header.Get("ETag"))
		}
	}
}

func TestARetryGetsTheSameAnswerAndDoesNothing(t *testing.T) {
	s := newService(t)
	key := map[string]string{"Idempotency-Key": `"8e03978e-40d5-43e8-bc93-6894a57f9324"`}
	post := func(as string, body any, header map[string]string) answer {
		return s.call(t, request{method: "POST", path: "/customers", as: as, body: body, header: header})
	}
	first := post("manager", customer("NEW"), key).want(t, 201)
	again := post("manager", customer("NEW"), key).want(t, 201)
	bare := post("manager", customer("NEW"), map[string]string{"Idempotency-Key": "8e03978e-40d5-43e8-bc93-6894a57f9324"}).want(t, 201)
	for _, a := range []answer{again, bare} {
		if string(a.body) != string(first.body) || a.header.Get("Location") != first.header.Get("Location") || a.header.Get("ETag") != first.header.Get("ETag") {
			t.Errorf("answers differ:\n%s\n%s", first.body, a.body)
		}
	}
	if at := first.header.Get("Location"); s.call(t, request{method: "GET", path: strings.TrimPrefix(at, "/api/v1"), as: "manager"}).status != 200 {
		t.Errorf("nothing at Location %s", at)
	}
	post("manager", customer("OTHER"), key).blames(t, 422, "Idempotency-Key")

	other, _ := s.addToken("another manager", access.NewGrant{Role: "manager"}, s.now.Add(time.Hour))
	post(other, customer("THIRD"), key).want(t, 201) // a key belongs to its sender

	// twenty at once: one is made
	var wg sync.WaitGroup
	answers := make([]answer, 20)
	for i := range answers {
		wg.Go(func() {
			answers[i] = post("manager", customer("RACE"), map[string]string{"Idempotency-Key": "race"})
		})
	}
	wg.Wait()
	for _, a := range answers {
		if a.status != 201 || string(a.body) != string(answers[0].body) {
			t.Errorf("of twenty at once: %d %s", a.status, a.body)
		}
	}
	// a request that failed may be mended and sent again under its key
	bad := map[string]string{"Idempotency-Key": "mended"}
	post("manager", customer("HAD"), bad).want(t, 409)
	post("manager", customer("FINE"), bad).want(t, 201)
}

func TestASecretIsToldOnce(t *testing.T) {
	s := newService(t)
	_, program := s.addToken("logger", access.NewGrant{Role: "gateway", SiteID: &s.own.site.ID}, s.now.Add(time.Hour))
	r := request{method: "POST", path: "/accounts/" + program.String() + "/tokens", as: "manager", body: m{"expires_at": s.now.Add(time.Hour)},
		header: map[string]string{"Idempotency-Key": "t"}}
	var first, again struct{ Id, Secret string }
	s.call(t, r).want(t, 201).into(t, &first)
	s.call(t, r).want(t, 201).into(t, &again)
	if !strings.HasPrefix(first.Secret, "spb_") || again.Secret != "" || first.Id != again.Id {
		t.Errorf("first %+v, again %+v", first, again)
	}
	s.call(t, request{method: "GET", path: "/me", as: first.Secret}).want(t, 200)
	s.call(t, request{method: "DELETE", path: "/accounts/" + program.String() + "/tokens/" + first.Id, as: "manager"}).want(t, 200)
	s.call(t, request{method: "GET", path: "/me", as: first.Secret}).want(t, 401)
}

func TestListsAreReadInPages(t *testing.T) {
	s := newService(t)
	items := make([]m, 120)
	for i := range items {
		items[i] = m{"site_id": s.own.site.ID, "line_id": s.own.line.ID, "code": fmt.Sprintf("UMB-1/BLW-%03d", i), "name": "Blower", "kind": "blower", "line_side": "centre"}
	}
	s.call(t, request{method: "POST", path: "/positions/batch", as: "manager", body: m{"items": items}}).want(t, 201)
	seen, pages, next := []string{}, 0, ""
	for {
		path := "/positions?limit=50&kind=blower&site_id=" + s.own.site.ID.String()
		if next != "" {
			path += "&cursor=" + next
		}
		var page struct {
			Items      []struct{ Code string }
			NextCursor string `json:"next_cursor"`
		}
		s.call(t, request{method: "GET", path: path, as: "owner"}).want(t, 200).into(t, &page)
		for _, p := range page.Items {
			seen = append(seen, p.Code)
		}
		if pages++; page.NextCursor == "" {
			break
		}
		next = page.NextCursor
	}
	if len(seen) != 120 || pages != 3 || seen[0] != "UMB-1/BLW-000" || seen[119] != "UMB-1/BLW-119" {
		t.Errorf("%d positions in %d pages, from %s to %s", len(seen), pages, seen[0], seen[len(seen)-1])
	}
	// a cursor belongs to its list
	s.call(t, request{method: "GET", path: "/sites?cursor=" + next, as: "owner"}).blames(t, 400, "query.cursor")
	// all or none, each fault named by its place
	bad := []m{{"site_id": s.own.site.ID, "code": "UMB-1/OK", "name": "X", "kind": "blower", "line_side": "centre"}, items[3],
		{"site_id": s.own.site.ID, "line_id": s.other.line.ID, "code": "UMB-1/OTHER", "name": "X", "kind": "blower", "line_side": "centre"}}
	a := s.call(t, request{method: "POST", path: "/positions/batch", as: "manager", body: m{"items": bad}})
	a.blames(t, 422, "items[1].code")
	a.blames(t, 422, "items[2].line_id")
	var list struct{ Items []m }
	s.call(t, request{method: "GET", path: "/positions?kind=blower&limit=200", as: "manager"}).into(t, &list)
	if len(list.Items) != 120 {
		t.Errorf("%d blowers after a batch that was refused", len(list.Items))
	}
}

// The number of statements must not grow with the answer.
func TestStatementsPerRequestAreConstant(t *testing.T) {
	s := newService(t)
	count := func(path string) float64 {
		before := s.statements(t)
		s.call(t, request{method: "GET", path: path, as: "owner"}).want(t, 200)
		return s.statements(t) - before
	}
	paths := []string{"/positions", "/sites", "/lines", "/sites/" + s.own.site.ID.String() + "/isolation-points", "/positions/" + s.own.left.ID.String() + "/facts"}
	before := map[string]float64{}
	for _, p := range paths {
		before[p] = count(p)
	}
	items := make([]m, 45)
	for i := range items {
		items[i] = m{"site_id": s.own.site.ID, "line_id": s.own.line.ID, "code": fmt.Sprintf("UMB-1/BLW-%03d", i), "name": "Blower", "kind": "blower", "line_side": "centre", "aliases": []string{"dryer"}}
	}
	s.call(t, request{method: "POST", path: "/positions/batch", as: "manager", body: m{"items": items}}).want(t, 201)
	for _, p := range paths {
		if n := count(p); n != before[p] || n == 0 {
			t.Errorf("%s: %v statements with few rows, %v with many", p, before[p], n)
		}
	}
}

func TestNothingAtAnAddress(t *testing.T) {
	s := newService(t)
	s.call(t, request{method: "GET", path: "/unicorns", as: "manager"}).want(t, 404)
	a := s.call(t, request{method: "PATCH", path: "/sites", as: "manager"}).want(t, http.StatusMethodNotAllowed)
	if allow := a.header.Get("Allow"); !strings.Contains(allow, "GET") || !strings.Contains(allow, "POST") { // RFC 9110, 15.5.6
		t.Errorf("Allow: %q", allow)
	}
	s.call(t, request{method: "GET", path: "/sites/not-a-uuid", as: "manager"}).want(t, 400)
}

// A panic comes out of the same door as every other fault, and tells nothing.
func TestAPanicIsAProblem(t *testing.T) {
	s := newService(t)
	s.door.Engine.GET("/api/v1/boom", func(*gin.Context) { panic("the secret plan") })
	a := s.call(t, request{method: "GET", path: "/boom"})
	a.want(t, 500)
	if strings.Contains(string(a.body), "secret") || strings.Contains(string(a.body), ".go") {
		t.Errorf("it leaks: %s", a.body)
	}
}

// A page of another site must not act in a visitor's name.
func TestAnotherSitesPageIsRefused(t *testing.T) {
	s := newService(t)
	for _, h := range []map[string]string{{"Sec-Fetch-Site": "cross-site"}, {"Sec-Fetch-Site": "same-site"}, {"Origin": "https://evil.example"}} {
		s.call(t, request{method: "POST", path: "/customers", as: "manager", body: customer("EVIL"), header: h}).want(t, 403)
	}
	s.call(t, request{method: "POST", path: "/customers", as: "manager", body: customer("FINE"), header: map[string]string{"Sec-Fetch-Site": "same-origin"}}).want(t, 201)
	s.call(t, request{method: "POST", path: "/customers", as: "manager", body: customer("PROXIED"), header: map[string]string{"Origin": "http://wash.example"}}).want(t, 201)
}

func TestPeopleSignInAndOut(t *testing.T) {
	s := newService(t)
	var secret string
	s.as(func(tx *gorm.DB) error {
		p, err := access.AddPerson(tx, access.System, s.now, access.NewPerson{Name: "Delphine Orrick", Login: "delphine@marrowgate.example", Grants: []access.NewGrant{{Role: "manager"}}})
		if err != nil {
			return err
		}
		secret, _, err = access.LinkFor(tx, access.System, s.now, p.ID)
		return err
	})
	if _, err := access.UsePasswordLink(ctx, s.db, s.now, secret, "four plain brushes"); err != nil {
		t.Fatal(err)
	}
	login := func(password string) answer {
		return s.call(t, request{method: "POST", path: "/session", body: m{"login": "Delphine@marrowgate.example", "password": password}})
	}
	login("wrong").want(t, 401)
	in := login("four plain brushes").want(t, 200)
	cookie, err := http.ParseSetCookie(in.header.Get("Set-Cookie"))
	if err != nil {
		t.Fatal(err)
	}
	if !cookie.HttpOnly || cookie.SameSite != http.SameSiteLaxMode || cookie.Path != "/" {
		t.Errorf("cookie %+v", cookie)
	}
	with := map[string]string{"Cookie": cookie.Name + "=" + cookie.Value}
	s.call(t, request{method: "GET", path: "/me", header: with}).want(t, 200)
	s.call(t, request{method: "PUT", path: "/me/password", header: with, body: m{"old_password": "nonsense", "new_password": "five plain brushes"}}).blames(t, 422, "old_password")
	s.call(t, request{method: "PUT", path: "/me/password", header: with, body: m{"old_password": "four plain brushes", "new_password": "short"}}).blames(t, 422, "new_password")
	changed := s.call(t, request{method: "PUT", path: "/me/password", header: with, body: m{"old_password": "four plain brushes", "new_password": "five plain brushes"}}).want(t, 204)
	s.call(t, request{method: "GET", path: "/me", header: with}).want(t, 401) // the old browser is out
	fresh, err := http.ParseSetCookie(changed.header.Get("Set-Cookie"))
	if err != nil {
		t.Fatal(err)
	}
	with["Cookie"] = fresh.Name + "=" + fresh.Value
	s.call(t, request{method: "DELETE", path: "/session", header: with}).want(t, 204)
	s.call(t, request{method: "GET", path: "/me", header: with}).want(t, 401)
	// RFC 6585, 4: too many tries, with when to come back
	for range 4 { // one has failed above
		login("wrong").want(t, 401)
	}
	if a := login("five plain brushes").want(t, 429); a.header.Get("Retry-After") == "" {
		t.Error("429 without Retry-After")
	}
}

// The database goes away in the middle and comes back: 503 with a hint, no
// half-done work, recovery by itself.
func TestTheDatabaseGoesAwayAndComesBack(t *testing.T) {
	service, owner := pgtest.DSN(t)
	s := newServiceOn(t, pgtest.Open(t, service))
	admin, err := pgx.Connect(ctx, pgtest.Server(t).DSN("postgres", "postgres"))
	if err != nil {
		t.Fatal(err)
	}
	defer admin.Close(ctx)
	cfg, err := pgx.ParseConfig(owner)
	if err != nil {
		t.Fatal(err)
	}
	name := pgx.Identifier{cfg.Database}.Sanitize()
	exec := func(sql string, args ...any) {
		t.Helper()
		if _, err := admin.Exec(ctx, sql, args...); err != nil {
			t.Fatal(err)
		}
	}
	cutAll := func() {
		exec(`select pg_terminate_backend(pid) from pg_stat_activity where datname = $1 and pid <> pg_backend_pid()`, cfg.Database)
	}
	exec(`alter database ` + name + ` allow_connections false`)
	cutAll()
	for range 2 { // pooled connections first, then new ones
		a := s.call(t, request{method: "POST", path: "/customers", as: "manager", body: customer("AWAY"), header: map[string]string{"Idempotency-Key": "away"}}).want(t, 503)
		if a.header.Get("Retry-After") == "" {
			t.Error("503 without Retry-After")
		}
	}
	exec(`alter database ` + name + ` allow_connections true`)
	deadline := time.Now().Add(30 * time.Second)
	for {
		a := s.call(t, request{method: "POST", path: "/customers", as: "manager", body: customer("AWAY"), header: map[string]string{"Idempotency-Key": "away"}})
		if a.status == 201 {
			break
		}
		if a.status != 503 || time.Now().After(deadline) {
			t.Fatalf("after its return: %d %s", a.status, a.body)
		}
	}
	// a transaction whose connection is cut leaves nothing behind
	err = s.db.InTx(ctx, access.System.ID, func(tx *gorm.DB) error {
		if _, err := assets.AddCustomer(tx, access.System, s.now, assets.CustomerEdit{Code: "HALF", Name: "Half"}); err != nil {
			return err
		}
		cutAll()
		return tx.Exec(`select 1`).Error
	})
	if err == nil {
		t.Fatal("a cut transaction was committed")
	}
	found, err := assets.Customers(ctx, pgtest.Open(t, service), access.System, access.Page{Limit: 100})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range found {
		if c.Code == "HALF" {
			t.Error("half of a cut transaction is stored")
		}
	}
}

// Keys are of version 7 (RFC 9562, 5.7), so that they sort by time.
func TestKeysAreOrderedUUIDs(t *testing.T) {
	last := ""
	for range 100 {
		id := pgdb.NewID()
		if id.Version() != 7 || id.Variant() != uuid.RFC4122 || id.String() <= last {
			t.Fatalf("%s after %s", id, last)
		}
		last = id.String()
	}
}

// The reference page is whole by itself: every address in it is one of ours and
// answers, and its policy lets nothing else in.
func TestTheReferenceLoadsNothingFromOutside(t *testing.T) {
	s := newService(t)
	get := func(path string) (*http.Response, string) {
		res, err := http.Get(s.server.URL + path)
		if err != nil {
			t.Fatal(err)
		}
		defer res.Body.Close()
		body, err := io.ReadAll(res.Body)
		if err != nil {
			t.Fatal(err)
		}
		return res, string(body)
	}
	res, page := get("/reference")
	policy := res.Header.Get("Content-Security-Policy")
	if !strings.HasPrefix(policy, "default-src 'none'") || strings.Contains(policy, "unsafe") || strings.Contains(policy, "http") {
		t.Errorf("policy: %s", policy)
	}
	loaded := regexp.MustCompile(`(?:src|href)="([^"]+)"`).FindAllStringSubmatch(page, -1)
	if len(loaded) < 6 {
		t.Fatalf("only %d addresses in the page", len(loaded))
	}
	for _, l := range loaded {
		switch {
		case l[1] == "data:,", l[1] == "/", l[1] == "/problems": // the pages are another package's
		case !strings.HasPrefix(l[1], "/"):
			t.Errorf("the page loads %s", l[1])
		default:
			if res, body := get(l[1]); res.StatusCode != 200 || len(body) < 100 {
				t.Errorf("%s: %d, %d bytes", l[1], res.StatusCode, len(body))
			}
		}
	}
	if _, script := get("/reference/page.js"); strings.Contains(script, "http://") || strings.Contains(script, "https://") {
		t.Error("its script names another server")
	}
	if res, _ := get("/reference/nothing.js"); res.StatusCode != 404 {
		t.Errorf("a file that is not there: %d", res.StatusCode)
	}
}
