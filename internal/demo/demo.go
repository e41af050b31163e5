// Package demo is the invented scenario: a service distributor, the washes that
// it looks after and the people who work there. It is loaded through the same
// functions that people and programs use, as the system, so it can hold nothing
// that they could not have entered. Everything in it is told from now, and the
// same now gives the same scenario.
//
// All people, places, companies and numbers are invented.
package demo

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pm"
	"spindlebook/internal/pm/record"
)

// Load fills an empty database with the scenario as of now; one that already
// holds it is left as it is. One that holds customers of its own is a fault:
// the scenario never mixes with real records.
func Load(ctx context.Context, db *pgdb.DB, now time.Time) error {
	s, err := readScenario()
	if err != nil {
		return fmt.Errorf("load the demo: %w", err)
	}
	there, err := holds(ctx, db, s)
	if err != nil {
		return err
	}
	if !there {
		if err := register(ctx, db, s, now); err != nil {
			return err
		}
	}
	if err := s.maintain(ctx, db, now); err != nil {
		return err
	}
	// cards come last: where there are some, all is there
	cards, err := record.Cards(ctx, db, access.System, record.Filter{}, record.Page{Limit: 1})
	if err != nil || len(cards) > 0 {
		return err
	}
	// the two years were told as they went by: from here on their totals stand as
	// today's readings and profiles give them
	if err := pm.Anew(ctx, db); err != nil {
		return err
	}
	if _, err = pm.Judge(ctx, db, now); err != nil {
		return err
	}
	if err := s.trips(ctx, db, now); err != nil {
		return fmt.Errorf("load the visits of the demo: %w", err)
	}
	return nil
}

// register writes what is there, and what its counters showed.
func register(ctx context.Context, db *pgdb.DB, s scenario, now time.Time) (err error) {
	// two processes that start on one database at once: the second waits, on a
	// slow machine for longer than one statement may take, and then does nothing
	request := pgdb.Request{Key: "demo-scenario", Act: "load the demo"}
	for range 10 {
		_, err = pgdb.Once(ctx, db, access.System.ID, now, request, func(tx *gorm.DB) (bool, error) {
			l := loader{tx: tx, now: now, scenario: s}
			return true, l.load()
		})
		if away, ok := errors.AsType[*fault.Error](err); !ok || away.Kind != fault.Unavailable || ctx.Err() != nil {
			break
		}
	}
	if err != nil {
		return err
	}
	if err := countAnew(ctx, db); err != nil {
		return err
	}
	return pm.Refit(ctx, db, now) // what the next night would do
}

// countAnew is what the autovacuum would do some minutes after so much was written.
func countAnew(ctx context.Context, db *pgdb.DB) error {
	return db.InTx(ctx, access.System.ID, pgdb.CountAnew)
}

// holds tells whether the scenario is there. It comes in one transaction, so
// one of its customers stands for all.
func holds(ctx context.Context, db *pgdb.DB, s scenario) (bool, error) {
	customers, err := assets.Customers(ctx, db, access.System, access.Page{Limit: 1000})
	if err != nil || len(customers) == 0 {
		return false, err
	}
	ours := func(c assets.Customer) bool {
		return slices.ContainsFunc(s.customers, func(r customerRow) bool { return r.Code == c.Code && r.Name == c.Name })
	}
	if !slices.ContainsFunc(customers, ours) {
		return false, &fault.Error{Kind: fault.Conflict, Msg: "this database holds customers of its own; the demo wants an empty one"}
	}
	return true, nil
}
