// Package httpapi is the REST face of the program. Its routes, types and
// decoding are generated from api/openapi.yaml; what stands here turns a request
// into one call of a feature and its result into an answer.
package httpapi

import (
	"context"
	"encoding/json"
	"time"

	"github.com/gin-gonic/gin"
	"gorm.io/gorm"

	"spindlebook/api"
	"spindlebook/internal/access"
	"spindlebook/internal/door"
	"spindlebook/internal/fault"
	"spindlebook/internal/httpapi/gen"
	"spindlebook/internal/pgdb"
)

// Server answers the operations of the specification.
type Server struct {
	door *door.Door
	db   *pgdb.DB
	now  func() time.Time
}

var _ gen.StrictServerInterface = (*Server)(nil)

// Mount puts the API under door.APIPath. It fails when the specification that
// was built in cannot be used.
func Mount(d *door.Door, db *pgdb.DB, now func() time.Time) error {
	check, err := newGatekeeper(d)
	if err != nil {
		return err
	}
	s := &Server{door: d, db: db, now: now}
	decoding := func(c *gin.Context, err error) {
		d.Fail(c, &fault.Error{Kind: fault.Malformed, Msg: "the request cannot be read: " + err.Error()})
	}
	strict := gen.NewStrictHandlerWithOptions(s, nil, gen.StrictGinServerOptions{
		RequestErrorHandlerFunc:  decoding,
		HandlerErrorFunc:         d.Fail,
		ResponseErrorHandlerFunc: d.Fail,
	})
	group := d.Engine.Group(door.APIPath, d.Identify, check.admit, unchanged)
	gen.RegisterHandlersWithOptions(group, strict, gen.GinServerOptions{
		ErrorHandler: func(c *gin.Context, err error, _ int) { decoding(c, err) },
	})
	d.Engine.GET(door.APIPath+"/openapi.yaml", func(c *gin.Context) { c.Data(200, "application/yaml", api.Spec) })
	d.Engine.GET("/reference", s.reference)
	d.Engine.GET("/reference/*file", s.reference)
	return nil
}

// once runs an action that its sender may retry: request is the whole of it,
// path and body.
func once[T any](ctx context.Context, s *Server, act, key string, request any, fn func(tx *gorm.DB, who access.Actor, now time.Time) (T, error)) (T, error) {
	var none T
	who, err := door.Must(ctx)
	if err != nil {
		return none, err
	}
	key, err = idempotencyKey(key)
	if err != nil {
		return none, err
	}
	asked, err := withoutParams(request)
	if err != nil {
		return none, err
	}
	now := s.now()
	return pgdb.Once(ctx, s.db, who.ID, now, pgdb.Request{Key: key, Act: act, Body: asked}, func(tx *gorm.DB) (T, error) {
		return fn(tx, who, now)
	})
}

// withoutParams gives the path and the body of a request: the key itself, which
// may be written in two ways, is no part of what was asked.
func withoutParams(request any) (map[string]json.RawMessage, error) {
	raw, err := json.Marshal(request)
	if err != nil {
		return nil, err
	}
	var asked map[string]json.RawMessage
	if err := json.Unmarshal(raw, &asked); err != nil {
		return nil, err
	}
	delete(asked, "Params")
	return asked, nil
}

// write runs a write that repeats by its nature: an edit of a version, a removal.
func write[T any](ctx context.Context, s *Server, fn func(tx *gorm.DB, who access.Actor, now time.Time) (T, error)) (T, error) {
	var it T
	who, err := door.Must(ctx)
	if err != nil {
		return it, err
	}
	now := s.now()
	err = s.db.InTx(ctx, who.ID, func(tx *gorm.DB) (err error) {
		it, err = fn(tx, who, now)
		return err
	})
	return it, err
}

// val gives what p points to, or the zero value.
func val[T any](p *T) T {
	if p == nil {
		var zero T
		return zero
	}
	return *p
}

// each turns a list of one type into a list of another, never null.
func each[A, B any](in []A, f func(A) B) []B {
	out := make([]B, len(in))
	for i, a := range in {
		out[i] = f(a)
	}
	return out
}
