package meters_test

import (
	"context"
	"sync/atomic"

	"spindlebook/internal/pgdb"
)

// counted counts the statements of what runs under its context.
type counted struct {
	ctx context.Context
	n   *atomic.Int64
}

func newCounted() *counted {
	c := &counted{}
	c.ctx, c.n = pgdb.CountStatements(ctx)
	return c
}
