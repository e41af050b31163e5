// Package pgdb is the only way to the database. A feature sees two things of
// it: a transaction given to a closure for what is written, and Read for what
// people wait for. Both begin by stating who asks, so that row-level security
// holds even where a query forgets its scope.
package pgdb

import (
	"context"
	"fmt"
	"maps"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/jackc/pgx/v5/stdlib"
	"gorm.io/driver/postgres"
	"gorm.io/gorm"
	"gorm.io/gorm/logger"

	"spindlebook/internal/fault"
)

const (
	// OwnerRole owns every table and migrates; it never serves.
	OwnerRole = "spindlebook_owner"
	// ServiceRole serves. It owns nothing and is bound by row-level security.
	ServiceRole = "spindlebook_app"
	// oldest is the first PostgreSQL with views that ask as their reader.
	oldest = 150000
)

// DB is a pool of connections of the service role. It is safe for concurrent use.
type DB struct {
	pool *pgxpool.Pool
	gorm *gorm.DB
}

// Settings are what each connection of the program says.
var Settings = map[string]string{
	"timezone": "UTC",
	// every statement is short; to compile one took ten times as long as to run it
	"jit": "off",
	// a page out of order costs little more where all that is asked for often lies in memory;
	// taken for four times as much, a catalogue was read whole for a few of its parts
	"random_page_cost": "1.1",
}

// Open connects to the database at dsn and checks that it is PostgreSQL 15 or
// later. It does not check the schema or the role: see Ready.
func Open(ctx context.Context, dsn string) (*DB, error) {
	cfg, err := pgxpool.ParseConfig(dsn)
	if err != nil {
		return nil, fmt.Errorf("the database address cannot be read: %w", err)
	}
	if cfg.ConnConfig.RuntimeParams["application_name"] == "" {
		cfg.ConnConfig.RuntimeParams["application_name"] = "spindlebook"
	}
	if _, set := cfg.ConnConfig.RuntimeParams["statement_timeout"]; !set {
		cfg.ConnConfig.RuntimeParams["statement_timeout"] = "30s"
	}
	maps.Copy(cfg.ConnConfig.RuntimeParams, Settings)
	// a new connection costs some 20 ms: keep a few open
	cfg.MinConns = min(4, cfg.MaxConns)
	cfg.ConnConfig.Tracer = counter{}
	cfg.AfterConnect = knowKeys
	pool, err := pgxpool.NewWithConfig(ctx, cfg)
	if err != nil {
		return nil, fmt.Errorf("open database: %w", err)
	}
	var version int
	if err := pool.QueryRow(ctx, "select current_setting('server_version_num')::int").Scan(&version); err != nil {
		pool.Close()
		return nil, explain(err)
	}
	if version < oldest {
		pool.Close()
		return nil, fmt.Errorf("the database is PostgreSQL %d.%d; 15 or later is needed", version/10000, version%10000)
	}
	// One pool for both faces. Idle connections of database/sql are set to none
	// so that each goes back to the pool, which caches statements already.
	std := stdlib.OpenDBFromPool(pool)
	std.SetMaxIdleConns(0)
	g, err := gorm.Open(postgres.New(postgres.Config{Conn: std}), &gorm.Config{
		SkipDefaultTransaction: true,
		DisableAutomaticPing:   true,
		Logger:                 logger.Discard, // the door logs each failure once, with its request
	})
	if err != nil {
		pool.Close()
		return nil, fmt.Errorf("open database: %w", err)
	}
	return &DB{pool: pool, gorm: g}, nil
}

// Close waits for connections in use and closes all.
func (d *DB) Close() { d.pool.Close() }

// Pool gives the pool itself, for the session store.
func (d *DB) Pool() *pgxpool.Pool { return d.pool }

// Ping tells whether the database answers.
func (d *DB) Ping(ctx context.Context) error {
	var one int
	return explain(d.pool.QueryRow(ctx, "select 1").Scan(&one))
}

// state begins every transaction: both settings end with it.
const state = `select set_config('spindlebook.actor', @actor, true), set_config('spindlebook.request', @request, true)`

func stating(ctx context.Context, who uuid.UUID) map[string]any {
	return map[string]any{"actor": who.String(), "request": requestID(ctx)}
}

// InTx runs fn in one transaction in which who acts. When fn fails or panics
// nothing is written. Inside fn only tx is used. A failure of the database
// comes back as a fault that names the rule which was broken.
func (d *DB) InTx(ctx context.Context, who uuid.UUID, fn func(tx *gorm.DB) error) error {
	return explain(d.gorm.WithContext(ctx).Transaction(func(tx *gorm.DB) error {
		if err := tx.Exec(state, stating(ctx, who)).Error; err != nil {
			return err
		}
		return fn(tx)
	}))
}

// Read runs one query in which who asks and gives its rows as a slice of T, a
// struct whose fields are named as the columns (or tagged `db`). Statement of
// the actor and query go to the server together, in one round trip and one
// implicit transaction. Arguments are named: @site in the query.
func Read[T any](ctx context.Context, d *DB, who uuid.UUID, sql string, args map[string]any) ([]T, error) {
	return read(ctx, d, who, sql, args, pgx.RowToStructByName[T])
}

func read[T any](ctx context.Context, d *DB, who uuid.UUID, sql string, args map[string]any, row pgx.RowToFunc[T]) ([]T, error) {
	var b pgx.Batch
	b.Queue(state, pgx.NamedArgs(stating(ctx, who)))
	b.Queue(sql, pgx.NamedArgs(args))
	res := d.pool.SendBatch(ctx, &b)
	defer func() { _ = res.Close() }() // a failure has already come out of the rows
	if _, err := res.Exec(); err != nil {
		return nil, explain(err)
	}
	rows, err := res.Query()
	if err != nil {
		return nil, explain(err)
	}
	found, err := pgx.CollectRows(rows, row)
	return found, explain(err)
}

// ReadSome is Read for a query that gives only some of T's fields; the others
// stay zero.
func ReadSome[T any](ctx context.Context, d *DB, who uuid.UUID, sql string, args map[string]any) ([]T, error) {
	return read(ctx, d, who, sql, args, pgx.RowToStructByNameLax[T])
}

// ReadOne is Read for a query that finds one row or none; none is fault.NotFound
// with the words "no such kind".
func ReadOne[T any](ctx context.Context, d *DB, who uuid.UUID, kind, id, sql string, args map[string]any) (T, error) {
	found, err := Read[T](ctx, d, who, sql, args)
	if err == nil && len(found) == 0 {
		err = fault.Missing(kind, id)
	}
	if err != nil {
		var none T
		return none, err
	}
	return found[0], nil
}

// One scans the single row of a query inside a transaction; none is
// fault.NotFound. Arguments are named as in Read.
func One[T any](tx *gorm.DB, kind, id, sql string, args map[string]any) (T, error) {
	var it T
	r := tx.Raw(sql, args).Scan(&it)
	if r.Error != nil {
		return it, r.Error
	}
	if r.RowsAffected == 0 {
		return it, fault.Missing(kind, id)
	}
	return it, nil
}

// ID scans the single key that a query finds inside a transaction; none is
// uuid.Nil. (gorm takes a UUID for a list of bytes and cannot scan it alone.)
func ID(tx *gorm.DB, sql string, args ...any) (uuid.UUID, error) {
	var it struct{ ID uuid.UUID }
	err := tx.Raw(sql, args...).Scan(&it).Error
	return it.ID, err
}

// NewID gives a new key: a UUID of version 7 (RFC 9562), so that rows written
// together stand together.
func NewID() uuid.UUID {
	return uuid.Must(uuid.NewV7()) // fails only when the system has no randomness
}

type requestKey struct{}

// WithRequestID lets the audit trail name the request that made a change.
func WithRequestID(ctx context.Context, id string) context.Context {
	return context.WithValue(ctx, requestKey{}, id)
}

func requestID(ctx context.Context) string {
	id, _ := ctx.Value(requestKey{}).(string)
	return id
}

// Span is a half-open span of time as the views give it: until is nil while it lasts.
type Span struct {
	From  time.Time
	Until *time.Time
}
