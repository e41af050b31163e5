// Package stock is the ledger of everything that lies somewhere: what came, went and
// lies where, whose it is, what is promised to which work, what is on order, and which old
// units go back for a deposit or under warranty.
//
// A movement is a fact and is only ever added; a mistake is another movement. The
// balance of a place, part, lot and owner changes in the same transaction and never
// falls below zero, except at the place called unexplained. Units have no balance: the
// stay that is written with their movement says where each one is.
//
// What is planned or picked is refused when there is too little. What a finished job has
// used is never refused: where the record disagrees it is taken from unexplained, and a
// discrepancy asks the parts clerk why.
package stock

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/fault"
	"spindlebook/internal/parts/amount"
)

// Page is a part of a list; its key is that of the last row before it.
type Page = access.Page

// Owners of what lies somewhere: ours, a supplier's until we use it, a customer's.
const (
	Own       = "distributor"
	Consigned = "consignment"
	Customers = "customer"
)

// Owner says whose something is.
type Owner struct {
	Kind       string     // "" is ours
	CustomerID *uuid.UUID // of a customer's
}

func (o Owner) kind() string {
	if o.Kind == "" {
		return Own
	}
	return o.Kind
}

func (o Owner) check() *fault.Error {
	switch {
	case !slices.Contains([]string{Own, Consigned, Customers}, o.kind()):
		return fault.Field("owner", o.Kind, "is distributor, consignment or customer")
	case (o.kind() == Customers) != (o.CustomerID != nil):
		return fault.Field("owner_customer_id", o.Kind, "is given where the owner is a customer, and only there")
	}
	return nil
}

// balanceKeys is the space of the keys that balanceID makes (RFC 9562, version 5).
var balanceKeys = uuid.MustParse("6d1f0b2c-52a7-4f4e-9f0a-3c1f5b0e8a41")

// balanceID gives the key of a balance. It is made from what the balance is of, so
// that everybody comes to the same one without asking.
func balanceID(location, part uuid.UUID, lot *uuid.UUID, owner Owner) uuid.UUID {
	b := make([]byte, 0, 16*4+len(Consigned))
	b = append(b, location[:]...)
	b = append(b, part[:]...)
	for _, id := range []*uuid.UUID{lot, owner.CustomerID} {
		if id == nil {
			id = &uuid.Nil
		}
		b = append(b, id[:]...)
	}
	return uuid.NewSHA1(balanceKeys, append(b, owner.kind()...))
}

// stocker is the actor as one who moves, receives and prepares units in stock, for the
// functions of the register, which ask for the right to record work. Row-level security
// keeps to what lies in stock.
func stocker(who access.Actor) access.Actor {
	who.Capabilities = append(slices.Clone(who.Capabilities), access.RecordWork)
	return who
}

func pageArgs(who access.Actor, p Page, own map[string]any) map[string]any {
	a := who.Scope(own)
	a["after"], a["limit"] = p.After, p.Limit
	return a
}

// doc writes rows for a statement that reads them with jsonb_to_recordset.
func doc(rows any) (string, error) {
	b, err := json.Marshal(rows)
	return string(b), err
}

// item names the field of a row of a list.
func item(i int, field string) string { return fmt.Sprintf("items[%d].%s", i, field) }

// placed gives the fields of a fault of some rows the places of what was sent: places has one
// for each row.
func placed(err error, places []int) error {
	f, ok := err.(*fault.Error)
	if !ok {
		return err
	}
	fix := func(field string) string {
		for j, i := range places {
			if rest, ok := strings.CutPrefix(field, item(j, "")); ok {
				return item(i, rest)
			}
		}
		return field
	}
	f.Field = fix(f.Field)
	for p := range f.Parts {
		f.Parts[p].Field = fix(f.Parts[p].Field)
	}
	return err
}

// words writes a code as people say it.
func words(code string) string { return strings.ReplaceAll(code, "_", " ") }

func val[T any](p *T) T {
	if p == nil {
		var zero T
		return zero
	}
	return *p
}

func stamp(t time.Time) string { return t.UTC().Format(time.RFC3339) }

// day is the date of an instant.
func day(t time.Time) string { return t.UTC().Format(time.DateOnly) }

// date reads an optional date.
func date(text, field string) (*string, *fault.Error) {
	if text = strings.TrimSpace(text); text == "" {
		return nil, nil
	}
	if _, err := time.Parse(time.DateOnly, text); err != nil {
		return nil, fault.Field(field, text, "is a date such as 2027-03-31")
	}
	return &text, nil
}

// counted writes an amount with its unit.
func counted(a amount.Amount, unit string) string { return a.String() + " " + unit }

// ids writes keys for a uuid[] parameter.
func ids(all []uuid.UUID) string {
	s := make([]string, len(all))
	for i, id := range all {
		s[i] = id.String()
	}
	return "{" + strings.Join(s, ",") + "}"
}

// lock holds named things until the transaction ends, everybody in the same order.
func lock(tx *gorm.DB, kind string, of []uuid.UUID) error {
	keys := make([]string, len(of))
	for i, id := range of {
		keys[i] = id.String()
	}
	slices.Sort(keys)
	return tx.Exec(`select pg_advisory_xact_lock(hashtextextended(? || k, 0)) from unnest(cast(? as uuid[])) with ordinality as u(k, n) order by n`,
		kind+" ", "{"+strings.Join(slices.Compact(keys), ",")+"}").Error
}

// bump counts up the version of a row that is still at the version seen.
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
