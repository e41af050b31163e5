// Package parts is what can be had, what fits where, and what work takes: how
// parts of the catalogue are counted, bought and kept, what follows them and goes for
// them, kits, suppliers, rules of fit, and the part lines of procedures, resolved for positions.
//
// What a part is called, its class and its facts stand in assets; what is where
// stands in parts/stock. Functions that write take the transaction they write in, the
// actor and the time; functions that read take the database and the actor.
package parts

import (
	"database/sql/driver"
	"encoding/json"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
)

// Page is a part of a list; its key is the code of the last row before it.
type Page = access.Page

// List scans from one document.
type List[T any] []T

// Scan reads the list.
func (l *List[T]) Scan(src any) error {
	switch src := src.(type) {
	case string:
		return json.Unmarshal([]byte(src), (*[]T)(l))
	case []byte:
		return json.Unmarshal(src, (*[]T)(l))
	}
	return nil
}

// Value gives it as a document; gorm asks for it although nothing writes it.
func (l List[T]) Value() (driver.Value, error) { return json.Marshal([]T(l)) }

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

// exists is the fault of a part that is not there.
func exists(tx *gorm.DB, id uuid.UUID) error {
	found, err := pgdb.ID(tx, `select id from part where id = ?`, id)
	if err == nil && found == uuid.Nil {
		err = fault.Missing("part", id.String())
	}
	return err
}

// alone lets one transaction at a time change what follows what, or what is made
// of what: rings are found by looking at all of it.
func alone(tx *gorm.DB) error {
	return tx.Exec(`select pg_advisory_xact_lock(hashtext('parts: what follows what'))`).Error
}

// since gives the instant from which something holds: now where nothing is said.
func since(from *time.Time, now time.Time) time.Time {
	if from == nil {
		return now
	}
	return *from
}
