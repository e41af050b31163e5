package pgdb

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"
	"github.com/prometheus/client_golang/prometheus"
)

// Empty tells whether the database at ownerDSN holds no table of ours.
func Empty(ctx context.Context, ownerDSN string) (bool, error) {
	conn, err := pgx.Connect(ctx, ownerDSN)
	if err != nil {
		return false, fmt.Errorf("connect as the owner: %w", err)
	}
	defer func() { _ = conn.Close(ctx) }() // nothing was written
	var empty bool
	err = conn.QueryRow(ctx, `select not exists (select from pg_class where relnamespace = 'public'::regnamespace and relkind in ('r', 'p', 'v'))`).Scan(&empty)
	return empty, err
}

// open lists the tables that need no row-level security, with the reason.
var open = map[string]string{
	"schema_version":  "the version of the schema",
	"capability":      "reference, the same for everybody",
	"role":            "reference, the same for everybody",
	"role_capability": "reference, the same for everybody",
	"position_kind":   "reference, the same for everybody",
	"fact_kind":       "reference, the same for everybody",
	"component_class": "reference, the same for everybody",
	"failure_mode":    "reference, the same for everybody",
	"fact_of_class":   "reference, the same for everybody",
	"slot_kind":       "reference, the same for everybody",
	"skill":           "reference, the same for everybody",
	"sessions":        "read before anybody is known, by the hash of a secret",
	"failed_entry":    "read before anybody is known; counts, no customers' data",
}

// Unguarded lists the tables that row-level security does not guard although it
// should, and the views that would ask with more rights than their reader has.
func (d *DB) Unguarded(ctx context.Context) ([]string, error) {
	rows, err := d.pool.Query(ctx, `
select relname, relkind = 'v' as view
  from pg_class
 where relnamespace = 'public'::regnamespace
   and (relkind in ('r', 'p') and not relrowsecurity
        or relkind = 'v' and not coalesce('security_invoker=true' = any (reloptions), false))
order by relname`)
	if err != nil {
		return nil, explain(err)
	}
	type bare struct {
		Relname string
		View    bool
	}
	all, err := pgx.CollectRows(rows, pgx.RowToStructByName[bare])
	if err != nil {
		return nil, explain(err)
	}
	var found []string
	for _, b := range all {
		switch {
		case b.View:
			found = append(found, "view "+b.Relname+" asks with its owner's rights")
		case open[b.Relname] == "":
			found = append(found, "table "+b.Relname+" is not guarded by row-level security")
		}
	}
	return found, nil
}

// Measure publishes how busy the pool is.
func (d *DB) Measure(r prometheus.Registerer) {
	gauge := func(name, help string, value func() float64) {
		r.MustRegister(prometheus.NewGaugeFunc(prometheus.GaugeOpts{Name: "spindlebook_database_" + name, Help: help}, value))
	}
	gauge("connections", "Connections that are open.", func() float64 { return float64(d.pool.Stat().TotalConns()) })
	gauge("connections_busy", "Connections at work.", func() float64 { return float64(d.pool.Stat().AcquiredConns()) })
	gauge("connections_most", "Connections that may be open.", func() float64 { return float64(d.pool.Stat().MaxConns()) })
	gauge("waited_seconds", "Time that requests have waited for a connection, all together.", func() float64 { return d.pool.Stat().AcquireDuration().Seconds() })
}
