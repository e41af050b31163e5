// Package door is the way in: every request, of the API and of the pages, goes
// through it and every fault comes out of it. It finds out who asks, keeps
// strangers' pages from acting in a visitor's name, bounds bodies, counts,
// logs, and turns a fault into a problem document or a page.
package door

import (
	"context"
	"log/slog"
	"net/http"
	"net/url"
	"strings"
	"time"

	"github.com/alexedwards/scs/pgxstore"
	"github.com/alexedwards/scs/v2"
	"github.com/gin-gonic/gin"
	"github.com/prometheus/client_golang/prometheus"

	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
)

// APIPath is where the API lives; everything else is a page.
const APIPath = "/api/v1"

// Options is what a door is made of.
type Options struct {
	DB        *pgdb.DB
	Log       *slog.Logger
	Now       func() time.Time
	PublicURL *url.URL // how browsers reach it: decides cookies and trusted origins
	Proxies   []string // addresses or networks whose X-Forwarded-For is believed
	MaxBody   int64    // bytes that a request may bring
	Metrics   prometheus.Registerer
}

// Door is the way in. Mount the API and the pages on Engine, then serve it.
type Door struct {
	Engine *gin.Engine

	db       *pgdb.DB
	log      *slog.Logger
	now      func() time.Time
	public   *url.URL
	maxBody  int64
	sessions *scs.SessionManager
	origins  *http.CrossOriginProtection
	metrics  metrics
	page     PageFunc
	larger   map[string]int64 // bytes that a route's requests may bring, where that is more
}

// PageFunc shows a fault as a page.
type PageFunc func(c *gin.Context, status int, f *fault.Error)

// sessionLife is how long a browser stays signed in: a long working day. There
// is no shorter idle limit, since a phone lies in a pocket for hours of it.
const sessionLife = 14 * time.Hour

// Note keeps in the log what failed after a request had done its work, where it is tried
// again without it.
func (d *Door) Note(ctx context.Context, what string, err error) {
	if err != nil {
		d.log.ErrorContext(ctx, what, "err", err)
	}
}

// New makes a door. It fails when a proxy or the public address cannot be read.
func New(o Options) (*Door, error) {
	d := &Door{db: o.DB, log: o.Log, now: o.Now, public: o.PublicURL, maxBody: o.MaxBody, metrics: newMetrics(o.Metrics)}

	d.sessions = scs.New()
	d.sessions.Store = pgxstore.NewWithCleanupInterval(o.DB.Pool(), 0) // the scheduler tidies
	d.sessions.HashTokenInStore = true
	d.sessions.Lifetime = sessionLife
	d.sessions.Cookie.Name = "spindlebook"
	d.sessions.Cookie.HttpOnly = true
	d.sessions.Cookie.SameSite = http.SameSiteLaxMode
	d.sessions.Cookie.Secure = o.PublicURL.Scheme == "https"

	d.origins = http.NewCrossOriginProtection()
	if err := d.origins.AddTrustedOrigin(o.PublicURL.Scheme + "://" + o.PublicURL.Host); err != nil {
		return nil, err
	}

	gin.SetMode(gin.ReleaseMode)
	e := gin.New()
	e.HandleMethodNotAllowed = true
	e.RedirectTrailingSlash = false
	if err := e.SetTrustedProxies(o.Proxies); err != nil {
		return nil, err
	}
	e.Use(d.arrive, gin.CustomRecoveryWithWriter(nil, d.recovered), d.guard)
	e.NoRoute(func(c *gin.Context) {
		d.Fail(c, &fault.Error{Kind: fault.NotFound, Value: c.Request.URL.Path, Msg: "there is nothing at this address"})
	})
	e.NoMethod(func(c *gin.Context) { d.answer(c, http.StatusMethodNotAllowed, methodNotAllowed(c)) })
	e.GET("/livez", func(c *gin.Context) { c.String(http.StatusOK, "alive\n") })
	e.GET("/readyz", d.ready)
	d.Engine = e
	return d, nil
}

// Pages sets how a fault is shown as a page.
func (d *Door) Pages(f PageFunc) { d.page = f }

// Larger lets the requests of one route bring more than others, and take longer
// to do so. The route is as gin writes it; it must be said before serving.
func (d *Door) Larger(method, route string, most int64) {
	if d.larger == nil {
		d.larger = map[string]int64{}
	}
	d.larger[method+" "+route] = most
}

// Public gives the address of a path as a browser outside would use it.
func (d *Door) Public(path string) string { return strings.TrimSuffix(d.public.String(), "/") + path }

// ready tells a proxy whether to send requests here.
func (d *Door) ready(c *gin.Context) {
	if err := d.db.Ready(c.Request.Context()); err != nil {
		d.log.WarnContext(c.Request.Context(), "not ready", "err", err)
		c.Header("Retry-After", "2")
		c.String(http.StatusServiceUnavailable, "not ready\n")
		return
	}
	c.String(http.StatusOK, "ready\n")
}

// guard bounds the body and refuses what another site's page sends in a
// visitor's name.
func (d *Door) guard(c *gin.Context) {
	h := c.Writer.Header()
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("Referrer-Policy", "same-origin")
	h.Set("X-Frame-Options", "DENY")
	h.Set("Cross-Origin-Opener-Policy", "same-origin")
	if d.public.Scheme == "https" {
		h.Set("Strict-Transport-Security", "max-age=31536000")
	}
	if isAPI(c) {
		h.Set("Content-Security-Policy", "default-src 'none'; frame-ancestors 'none'")
		h.Set("Cache-Control", "no-store")
	}
	if err := d.origins.Check(c.Request); err != nil {
		d.Fail(c, &fault.Error{Kind: fault.Forbidden, Msg: "the request comes from a page of another site", Err: err})
		return
	}
	most := d.maxBody
	if larger, ok := d.larger[c.Request.Method+" "+c.FullPath()]; ok {
		most = max(most, larger)
	}
	if c.Request.Body != nil {
		c.Request.Body = http.MaxBytesReader(c.Writer, c.Request.Body, most)
	}
	if c.Request.ContentLength > most {
		d.Fail(c, TooLarge(most))
		return
	}
	if most > d.maxBody && c.Request.ContentLength != 0 {
		// a slow line needs longer for it than the server gives to others; where
		// the connection cannot be told so, the server's own limits hold
		began := time.Now() // the connection's clock is the machine's, whatever the program is told
		rc := http.NewResponseController(c.Writer)
		_ = rc.SetReadDeadline(began.Add(patience(most)))
		_ = rc.SetWriteDeadline(began.Add(2 * patience(most)))
	}
}

// slowLine is in bytes a second how slow a line may be that brings a large body: 2 Mbit/s.
const slowLine = 2_000_000 / 8

// patience is how long a body may take to arrive on a slow line, and as long again
// what is done with it: five minutes at least.
func patience(most int64) time.Duration {
	return max(5*time.Minute, time.Duration(most/slowLine)*time.Second)
}

func isAPI(c *gin.Context) bool {
	p := c.Request.URL.Path
	return p == "/api" || strings.HasPrefix(p, "/api/")
}
