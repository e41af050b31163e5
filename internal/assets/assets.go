// Package assets is the register: who owns which site, what lines and positions
// are there, what each position requires, which state it is in, which is its
// twin and where it is isolated. It answers as of now and keeps what was before.
//
// Functions that write take the transaction they write in, the actor and the
// time; functions that read take the database and the actor. Both keep to the
// actor's sites in the query, and row-level security keeps to them once more.
package assets

import (
	"fmt"
	"strings"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/fault"
	"spindlebook/internal/measure"
	"spindlebook/internal/pgdb"
)

// Page is a part of a list; its key is the code of the last row before it.
type Page = access.Page

// mine is the condition by which a query keeps to the actor's sites.
const mine = `(@everywhere or site_id = any (@sites))`

// unitMine is the same for a unit: it is or was at one of the actor's sites, by
// itself or inside another. Row-level security also looks when.
func unitMine(u string) string {
	return `(@everywhere or exists (
    select from stay as m
      left join slot as i on i.id = m.slot_id and i.unit_id is not null
      left join stay as o on o.unit_id = i.unit_id and o.during && m.during
     where m.unit_id = ` + u + `.id and (m.site_id = any (@sites) or o.site_id = any (@sites))))`
}

// everywhere is the scope of a query inside a transaction: the capability was
// checked before, and row-level security holds.
func everywhere(own map[string]any) map[string]any {
	return access.Actor{Everywhere: true}.Scope(own)
}

// args joins the actor's scope with a query's own arguments.
func args(who access.Actor, own map[string]any) map[string]any { return who.Scope(own) }

// pageArgs adds the key to read on from.
func pageArgs(who access.Actor, p Page, own map[string]any) map[string]any {
	a := args(who, own)
	a["after"], a["limit"] = p.After, p.Limit
	return a
}

// since gives the instant from which something holds: now where nothing is said.
func since(from *time.Time, now time.Time) time.Time {
	if from == nil {
		return now
	}
	return *from
}

// typed reads an optional measure into the two columns that keep it.
func typed(q measure.Quantity, t *measure.Typed, field string) (si *float64, as *string, bad *fault.Error) {
	if t == nil {
		return nil, nil, nil
	}
	m, bad := measure.Of(q, *t, field)
	if bad != nil {
		return nil, nil, bad
	}
	return &m.SI, &m.Typed, nil
}

// insertCoded inserts a row whose code must be new. When another row has the
// code, the fault names that one. insert ends in "on conflict (code) do nothing".
func insertCoded(tx *gorm.DB, kind, table, code, insert string, values map[string]any) error {
	r := tx.Exec(insert, values)
	if r.Error != nil || r.RowsAffected == 1 {
		return r.Error
	}
	return takenBy(tx, kind, table, code)
}

func takenBy(tx *gorm.DB, kind, table, code string) error {
	id, err := pgdb.ID(tx, `select id from `+table+` where code = ?`, code)
	if err != nil {
		return err
	}
	return fault.Taken("code", fault.Ref{Kind: kind, ID: id.String(), Code: code})
}

// codeFree is the check before an edit changes a code. Two edits in one instant
// still meet the unique key.
func codeFree(tx *gorm.DB, kind, table, code string, id uuid.UUID) error {
	other, err := pgdb.ID(tx, `select id from `+table+` where code = ? and id <> ?`, code, id)
	if err != nil {
		return err
	}
	if other != uuid.Nil {
		return fault.Taken("code", fault.Ref{Kind: kind, ID: other.String(), Code: code})
	}
	return nil
}

// bump counts up the version of a row that is still at the version which the
// caller saw, and so claims it for the rest of the transaction.
func bump(tx *gorm.DB, kind, table string, id uuid.UUID, version int) error {
	r := tx.Exec(`update `+table+` set version = version + 1 where id = ? and version = ?`, id, version)
	if r.Error != nil || r.RowsAffected == 1 {
		return r.Error
	}
	return outdated(tx, kind, table, id, version)
}

// outdated tells a missing row from one that somebody else changed.
func outdated(tx *gorm.DB, kind, table string, id uuid.UUID, version int) error {
	var now *int
	if err := tx.Raw(`select version from `+table+` where id = ?`, id).Scan(&now).Error; err != nil {
		return err
	}
	if now == nil {
		return fault.Missing(kind, id.String())
	}
	return fault.Outdated(kind, version, *now)
}

// at sets a place in a list before the field that a fault names.
func at(list string, i int, err error) error {
	if f, ok := err.(*fault.Error); ok {
		path := fmt.Sprintf("%s[%d]", list, i)
		for j := range f.Parts {
			f.Parts[j].Field = path + "." + f.Parts[j].Field
		}
		f.Field = strings.TrimSuffix(path+"."+f.Field, ".")
	}
	return err
}
