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

type tellKey struct{}

// TellStatements gives a context under which tell gets every statement sent to the
// database, from one goroutine or many: so that the same can be sent by other means.
func TellStatements(ctx context.Context, tell func(sql string, args []any)) context.Context {
	return context.WithValue(ctx, tellKey{}, tell)
}

// counter is the tracer that does the counting.
type counter struct{}

func count(ctx context.Context, sql string, args []any) {
	if n, ok := ctx.Value(countKey{}).(*atomic.Int64); ok {
		n.Add(1)
	}
	if tell, ok := ctx.Value(tellKey{}).(func(string, []any)); ok {
		tell(sql, args)
	}
}

func (counter) TraceQueryStart(ctx context.Context, _ *pgx.Conn, q pgx.TraceQueryStartData) context.Context {
	count(ctx, q.SQL, q.Args)
	return ctx
}
func (counter) TraceQueryEnd(context.Context, *pgx.Conn, pgx.TraceQueryEndData) {}

func (counter) TraceBatchStart(ctx context.Context, _ *pgx.Conn, _ pgx.TraceBatchStartData) context.Context {
	return ctx
}
func (counter) TraceBatchQuery(ctx context.Context, _ *pgx.Conn, q pgx.TraceBatchQueryData) {
	count(ctx, q.SQL, q.Args)
}
func (counter) TraceBatchEnd(context.Context, *pgx.Conn, pgx.TraceBatchEndData) {}
