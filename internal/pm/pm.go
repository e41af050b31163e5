// Package pm is planned work: procedures and plans, the assignments that they
// make at things, what falls due and why, the tasks that are raised for it and
// what was done.
//
// # How a thing comes to be due
//
// Put writes procedures and plans. Match holds the plans against the register:
// assignments appear where a plan fits, follow their unit and end with it. Judge
// asks package due how each stands and keeps the answer beside it. Sweep raises a
// task for each whose window is open. Complete records what was done; the
// assignment counts from there. Tick does the first three wherever something has
// changed: marks in the database tell where, so that a process which is lost
// loses nothing, and any number may tick at once.
//
// Functions that write take the transaction they write in, the actor and the
// time; functions that read take the database and the actor. What is worked out
// is worked out as the system: how a thing stands must not depend on who looks.
package pm

import (
	"context"
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/calendar"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
)

// Page is a part of a list.
type Page = access.Page

// at sets a place in a list before the fields that a fault names.
func at(path string, err error) error {
	if f, ok := err.(*fault.Error); ok && f != nil {
		for j := range f.Parts {
			f.Parts[j].Field = path + "." + f.Parts[j].Field
		}
		f.Field = strings.TrimSuffix(path+"."+f.Field, ".")
	}
	return err
}

// list joins a request's path with a place in a list.
func list(name string, i int) string { return fmt.Sprintf("%s[%d]", name, i) }

// read runs a query inside a transaction and gives its rows.
func read[T any](tx *gorm.DB, sql string, args map[string]any) ([]T, error) {
	var all []T
	if args == nil {
		return all, tx.Raw(sql).Scan(&all).Error
	}
	return all, tx.Raw(sql, args).Scan(&all).Error
}

// document writes a value as PostgreSQL takes it for jsonb.
func document(v any) string {
	b, err := json.Marshal(v)
	if err != nil {
		panic(fmt.Sprintf("a document of %T: %v", v, err)) // only of what cannot be written at all
	}
	return string(b)
}

// date gives a day as the database takes it, nil for none.
func date(d calendar.Date) *time.Time {
	if d == 0 {
		return nil
	}
	t := d.UTC()
	return &t
}

// dayOf reads a day that the database gives at midnight UTC.
func dayOf(t *time.Time) calendar.Date {
	if t == nil {
		return 0
	}
	return calendar.DateOf(t.UTC())
}

// instant gives a time as the database takes it, nil for none.
func instant(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	return &t
}

func zero[T any](p *T) T {
	var none T
	if p == nil {
		return none
	}
	return *p
}

// once makes those who change one thing in the same instant go one after the other.
func takeTurns(tx *gorm.DB, what string) error {
	return tx.Exec(`select pg_advisory_xact_lock(hashtextextended(?, 6))`, what).Error
}

// bump counts up the version of a row that is still at the version which the
// caller saw, and so claims it for the rest of the transaction.
func bump(tx *gorm.DB, kind, table string, id uuid.UUID, version int) error {
	r := tx.Exec(`update `+table+` set version = version + 1 where id = ? and version = ?`, id, version)
	if r.Error != nil || r.RowsAffected == 1 {
		return r.Error
	}
	var now *int
	if err := tx.Raw(`select version from `+table+` where id = ?`, id).Scan(&now).Error; err != nil {
		return err
	}
	if now == nil {
		return fault.Missing(kind, id.String())
	}
	return fault.Outdated(kind, version, *now)
}

// sys reads as the system.
func sys[T any](ctx context.Context, db *pgdb.DB, sql string, args map[string]any) ([]T, error) {
	return pgdb.Read[T](ctx, db, access.System.ID, sql, args)
}

// texts scans a text[] inside a transaction.
type texts = assets.Texts
