package door

import (
	"log/slog"
	"net/http"
	"strconv"
	"time"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"
	"github.com/prometheus/client_golang/prometheus"

	"spindlebook/internal/pgdb"
)

const requestKey = "door.request"

// RequestID gives the number of this request, which the log and the audit trail
// carry too.
func RequestID(c *gin.Context) string { return c.GetString(requestKey) }

type metrics struct {
	seconds    *prometheus.HistogramVec
	statements *prometheus.HistogramVec
	panics     prometheus.Counter
}

func newMetrics(r prometheus.Registerer) metrics {
	m := metrics{
		seconds: prometheus.NewHistogramVec(prometheus.HistogramOpts{Name: "spindlebook_request_seconds",
			Help: "Time from a request's arrival to its answer.", Buckets: prometheus.ExponentialBuckets(0.001, 2, 14)}, []string{"route", "method", "status"}),
		statements: prometheus.NewHistogramVec(prometheus.HistogramOpts{Name: "spindlebook_request_statements",
			Help: "Statements that a request sent to the database.", Buckets: []float64{0, 2, 4, 8, 16, 32, 64}}, []string{"route"}),
		panics: prometheus.NewCounter(prometheus.CounterOpts{Name: "spindlebook_panics_total", Help: "Requests that ended in a panic."}),
	}
	if r != nil {
		r.MustRegister(m.seconds, m.statements, m.panics)
	}
	return m
}

// arrive numbers a request, and counts and logs it when it is answered. The
// log names the route and not the path, since some paths hold a secret.
func (d *Door) arrive(c *gin.Context) {
	began := time.Now()
	id := uuid.NewString()
	c.Set(requestKey, id)
	c.Header("X-Request-Id", id)
	ctx, n := pgdb.CountStatements(pgdb.WithRequestID(c.Request.Context(), id))
	c.Request = c.Request.WithContext(ctx)

	c.Next()

	took, status, route := time.Since(began), c.Writer.Status(), c.FullPath()
	if route == "" {
		route = "none"
	}
	d.metrics.seconds.WithLabelValues(route, c.Request.Method, strconv.Itoa(status)).Observe(took.Seconds())
	d.metrics.statements.WithLabelValues(route).Observe(float64(n.Load()))
	level := slog.LevelInfo
	if status >= http.StatusInternalServerError {
		level = slog.LevelError
	} else if route == "/livez" || route == "/readyz" {
		level = slog.LevelDebug
	}
	d.log.LogAttrs(ctx, level, "request", slog.String("request", id), slog.String("method", c.Request.Method), slog.String("route", route),
		slog.Int("status", status), slog.Int("bytes", c.Writer.Size()), slog.Duration("took", took.Round(time.Microsecond)),
		slog.Int64("statements", n.Load()), slog.String("actor", actorName(c)))
}
