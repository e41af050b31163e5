package pgtest

import (
	"context"
	"errors"
	"strings"
	"testing"

	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
)

// Write runs fn in a transaction of the actor and gives its result.
func Write[T any](db *pgdb.DB, who access.Actor, fn func(tx *gorm.DB) (T, error)) (T, error) {
	var it T
	err := db.InTx(context.Background(), who.ID, func(tx *gorm.DB) (err error) {
		it, err = fn(tx)
		return err
	})
	return it, err
}

// Done is Write for what must succeed.
func Done[T any](t testing.TB, db *pgdb.DB, who access.Actor, fn func(tx *gorm.DB) (T, error)) T {
	t.Helper()
	it, err := Write(db, who, fn)
	if err != nil {
		t.Fatal(err)
	}
	return it
}

// Refused checks that err is a fault of a kind at a field, which says so in
// these words, and gives it.
func Refused(t testing.TB, what string, err error, kind fault.Kind, field string, says ...string) *fault.Error {
	t.Helper()
	f, ok := errors.AsType[*fault.Error](err)
	if !ok {
		t.Errorf("%s: %v, want a fault of kind %d at %q", what, err, kind, field)
		return &fault.Error{}
	}
	if f.Kind != kind || f.Field != field || !strings.Contains(f.Error(), strings.Join(says, " ")) {
		t.Errorf("%s: %v, want a fault of kind %d at %q that says %q", what, err, kind, field, says)
	}
	return f
}
