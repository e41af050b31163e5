package door_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"

	"spindlebook/internal/door"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgtest"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

// house is a door with a few routes behind it.
type house struct {
	*door.Door
	log *bytes.Buffer
}

func open(t *testing.T, address string) house {
	t.Helper()
	public, err := url.Parse(address)
	if err != nil {
		t.Fatal(err)
	}
	var log bytes.Buffer
	d, err := door.New(door.Options{DB: pgtest.New(t), Log: slog.New(slog.NewTextHandler(&log, nil)), Now: time.Now, PublicURL: public, MaxBody: 100})
	if err != nil {
		t.Fatal(err)
	}
	return house{d, &log}
}

// fails adds a route that ends in a fault.
func (h house) fails(path string, err error) {
	h.Engine.GET(path, func(c *gin.Context) { h.Fail(c, err) })
}

func (h house) ask(r *http.Request) *httptest.ResponseRecorder {
	w := httptest.NewRecorder()
	h.Engine.ServeHTTP(w, r)
	return w
}

func (h house) get(path string) *httptest.ResponseRecorder {
	return h.ask(httptest.NewRequest(http.MethodGet, path, nil))
}

func problemOf(t *testing.T, w *httptest.ResponseRecorder) (p door.Problem) {
	t.Helper()
	if ct := w.Header().Get("Content-Type"); ct != "application/problem+json" {
		t.Errorf("Content-Type: %s", ct)
	}
	if err := json.Unmarshal(w.Body.Bytes(), &p); err != nil {
		t.Fatalf("%s: %v", w.Body, err)
	}
	return p
}

// Each kind of fault has a status of its own (RFC 9110; 428 and 429 RFC 6585)
// and a type that the page of problems explains (RFC 9457).
func TestEveryKindOfFaultHasItsAnswer(t *testing.T) {
	h := open(t, "http://wash.example")
	explained := map[string]door.Explained{}
	for _, e := range door.Problems() {
		explained["/problems#"+e.Name] = e
	}
	for kind, want := range map[fault.Kind]int{fault.Internal: 500, fault.Malformed: 400, fault.Invalid: 422, fault.NoIdentity: 401, fault.Forbidden: 403,
		fault.NotFound: 404, fault.Conflict: 409, fault.Stale: 412, fault.NoVersion: 428, fault.Throttled: 429, fault.Unavailable: 503, fault.TooLarge: 413} {
		path := fmt.Sprintf("/api/v1/fault-%d", kind)
		h.fails(path, fmt.Errorf("while asked: %w", &fault.Error{Kind: kind, Field: "bore", Value: "2 in", Msg: "is too wide", RetryAfter: 1500 * time.Millisecond, Err: errors.New("secret")}))
		w := h.get(path)
		p := problemOf(t, w)
		if e := explained[p.Type]; w.Code != want || p.Status != want || e.Status != want || e.Title != p.Title {
			t.Errorf("%v: %d %+v, explained as %+v", kind, w.Code, p, e)
		}
		if strings.Contains(w.Body.String(), "secret") {
			t.Errorf("%v tells what is ours: %s", kind, w.Body)
		}
		if told := len(p.Errors) == 1 && p.Errors[0].Field == "bore" && p.Errors[0].Value == "2 in"; told != (kind != fault.Internal) {
			t.Errorf("%v: %s", kind, w.Body)
		}
		retry := map[fault.Kind]string{fault.Throttled: "2", fault.Unavailable: "2"}[kind] // whole seconds, rounded up
		if got := w.Header().Get("Retry-After"); got != retry {
			t.Errorf("%v: Retry-After %q, want %q", kind, got, retry)
		}
		if logged := strings.Contains(h.log.String(), "err=secret"); logged != (kind == fault.Internal || kind == fault.Unavailable) {
			t.Errorf("%v: the log has %s", kind, h.log)
		}
		h.log.Reset()
	}
}

// What nobody foresaw is ours and stays in the log, also where it is a fault of
// the program itself.
func TestWhatIsOursStaysInTheLog(t *testing.T) {
	h := open(t, "http://wash.example")
	h.fails("/api/v1/odd", errors.New("relation gone"))
	h.Engine.GET("/api/v1/panic", func(*gin.Context) { panic("nil somewhere") })
	for path, secret := range map[string]string{"/api/v1/odd": "relation gone", "/api/v1/panic": "nil somewhere"} {
		w := h.get(path)
		if w.Code != 500 || strings.Contains(w.Body.String(), secret) || !strings.Contains(h.log.String(), secret) {
			t.Errorf("%s: %d %s\n%s", path, w.Code, w.Body, h.log)
		}
	}
}

// People get a page, programs a document, whatever either says it accepts.
func TestPeopleGetPages(t *testing.T) {
	h := open(t, "http://wash.example")
	h.Pages(func(c *gin.Context, status int, f *fault.Error) { c.String(status, "page: "+f.Msg) })
	for path, want := range map[string]string{"/nowhere": "page: there is nothing at this address", "/api/v1/nowhere": `"type":"/problems#not-found"`} {
		r := httptest.NewRequest(http.MethodGet, path, nil)
		r.Header.Set("Accept", "image/*")
		if w := h.ask(r); w.Code != 404 || !strings.Contains(w.Body.String(), want) {
			t.Errorf("%s: %d %s", path, w.Code, w.Body)
		}
	}
	r := httptest.NewRequest(http.MethodDelete, "/livez", nil)
	if w := h.ask(r); w.Code != 405 || w.Header().Get("Allow") != "GET" || !strings.Contains(w.Body.String(), "this address takes GET") {
		t.Errorf("%d %v %s", w.Code, w.Header(), w.Body)
	}
}

// Each request has a number of its own, in its answer, its problem and the log;
// one that the caller made up is not taken.
func TestRequestsAreNumbered(t *testing.T) {
	h := open(t, "http://wash.example")
	h.fails("/api/v1/entry/:secret", &fault.Error{Kind: fault.Conflict, Msg: "no"})
	seen := map[string]bool{}
	for range 3 {
		r := httptest.NewRequest(http.MethodGet, "/api/v1/entry/hush", nil)
		r.Header.Set("X-Request-Id", "mine")
		w := h.ask(r)
		id := w.Header().Get("X-Request-Id")
		if _, err := uuid.Parse(id); err != nil || seen[id] {
			t.Errorf("number %q", id)
		}
		seen[id] = true
		if p := problemOf(t, w); p.Instance != "urn:uuid:"+id {
			t.Errorf("the problem has %s, the answer %s", p.Instance, id)
		}
		if !strings.Contains(h.log.String(), "request="+id) || !strings.Contains(h.log.String(), "status=409") {
			t.Errorf("not in the log: %s", h.log)
		}
	}
	if strings.Contains(h.log.String(), "hush") {
		t.Errorf("the log has what only the path should: %s", h.log)
	}
}

// A body is bounded whether it says its length or not; a route may be let take more.
func TestBodiesAreBounded(t *testing.T) {
	h := open(t, "http://wash.example")
	read := func(c *gin.Context) {
		body, err := io.ReadAll(c.Request.Body)
		if err != nil {
			h.Fail(c, err)
			return
		}
		c.String(http.StatusOK, "%d", len(body))
	}
	h.Engine.POST("/api/v1/small", read)
	h.Engine.POST("/api/v1/files/:name", read)
	h.Larger(http.MethodPost, "/api/v1/files/:name", 1000)
	h.Larger(http.MethodPost, "/api/v1/small", 10) // never less than others
	for _, c := range []struct {
		path  string
		bytes int
		want  string
	}{
		{"/api/v1/small", 100, "100"}, {"/api/v1/small", 101, "at most 100 bytes"},
		{"/api/v1/files/a.csv", 1000, "1000"}, {"/api/v1/files/a.csv", 1001, "at most 1000 bytes"},
	} {
		for _, said := range []bool{true, false} {
			r := httptest.NewRequest(http.MethodPost, c.path, strings.NewReader(strings.Repeat("x", c.bytes)))
			if !said {
				r.ContentLength = -1
			}
			w := h.ask(r)
			status := http.StatusOK
			if strings.Contains(c.want, " ") {
				status = http.StatusRequestEntityTooLarge
			}
			if w.Code != status || !strings.Contains(w.Body.String(), c.want) {
				t.Errorf("%s with %d bytes, length said %v: %d %s", c.path, c.bytes, said, w.Code, w.Body)
			}
		}
	}
}

// A large body has its time by the clock of the connection, also where the
// program is told that it is another day.
func TestALargeBodyHasItsTimeByTheRealClock(t *testing.T) {
	for _, off := range []time.Duration{-24 * time.Hour, 0, 24 * time.Hour} {
		d, err := door.New(door.Options{DB: pgtest.New(t), Log: slog.New(slog.DiscardHandler), Now: func() time.Time { return time.Now().Add(off) },
			PublicURL: &url.URL{Scheme: "http", Host: "wash.example"}, MaxBody: 10})
		if err != nil {
			t.Fatal(err)
		}
		d.Engine.POST("/api/v1/file", func(c *gin.Context) {
			body, err := io.ReadAll(c.Request.Body)
			c.String(http.StatusOK, "%d %v", len(body), err)
		})
		d.Larger(http.MethodPost, "/api/v1/file", 1000)
		server := httptest.NewServer(d.Engine)
		answer, err := http.Post(server.URL+"/api/v1/file", "text/csv", strings.NewReader(strings.Repeat("x", 900)))
		if err != nil {
			t.Errorf("%v away: %v", off, err)
		} else if got, err := io.ReadAll(answer.Body); string(got) != "900 <nil>" || err != nil || answer.Body.Close() != nil {
			t.Errorf("%v away it read %s, %v", off, got, err)
		}
		server.Close()
	}
}

// Strict transport is asked for where the door is reached by it, and only there:
// else a plain address could not be reached any more.
func TestHeadersFollowThePublicAddress(t *testing.T) {
	for address, want := range map[string]string{"http://wash.example": "", "https://wash.example": "max-age=31536000"} {
		h := open(t, address)
		w := h.get("/livez")
		if got := w.Header().Get("Strict-Transport-Security"); got != want {
			t.Errorf("%s: %q", address, got)
		}
		if got := h.Public("/enter/x"); got != address+"/enter/x" {
			t.Errorf("%s is told as %s", address, got)
		}
		if w := h.get("/readyz"); w.Code != http.StatusOK {
			t.Errorf("ready: %d %s", w.Code, w.Body)
		}
	}
	if _, err := door.New(door.Options{DB: pgtest.New(t), PublicURL: &url.URL{Scheme: "http", Host: "wash.example"}, Proxies: []string{"nonsense"}}); err == nil {
		t.Error("a proxy that is no address is taken")
	}
}
