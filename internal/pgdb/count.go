package pgdb

import (
	"context"
	"sync/atomic"

	"github.com/jackc/pgx/v5"
)

type countKey struct{}

// CountStatements gives a context under which every statement sent to the
// database is counted. The number per request must not grow with the answer.
func CountStatements(ctx context.Context) (context.Context, *atomic.Int64) {
	n := new(atomic.Int64)
	return context.WithValue(ctx, countKey{}, n), n
}

// counter is the tracer that does the counting.
type counter struct{}

func count(ctx context.Context) {
	if n, ok := ctx.Value(countKey{}).(*atomic.Int64); ok {
		n.Add(1)
	}
}

func (counter) TraceQueryStart(ctx context.Context, _ *pgx.Conn, _ pgx.TraceQueryStartData) context.Context {
	count(ctx)
	return ctx
}
func (counter) TraceQueryEnd(context.Context, *pgx.Conn, pgx.TraceQueryEndData) {}

func (counter) TraceBatchStart(ctx context.Context, _ *pgx.Conn, _ pgx.TraceBatchStartData) context.Context {
	return ctx
}
func (counter) TraceBatchQuery(ctx context.Context, _ *pgx.Conn, _ pgx.TraceBatchQueryData) {
	count(ctx)
}
func (counter) TraceBatchEnd(context.Context, *pgx.Conn, pgx.TraceBatchEndData) {}
