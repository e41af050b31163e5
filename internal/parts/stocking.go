package parts

import (
	"context"
	"encoding/json"
	"slices"
	"strings"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/fault"
	"spindlebook/internal/measure"
	"spindlebook/internal/parts/amount"
	"spindlebook/internal/pgdb"
)

// Stocking is how a part is counted, bought and kept.
type Stocking struct {
	PartID      uuid.UUID
	Version     int    // of the part
	MeasuredIn  string // ea, set, ft, m, L, mL, g or kg
	BoughtIn    string // ea, box, pail, ...
	Pack        amount.Amount
	Container   *amount.Amount // what one container holds that is opened and used up bit by bit
	Tracking    string         // unit, lot, lot_expiry, kit, bulk or none
	ShelfMonths *int           // closed
	OpenMonths  *int           // after it was opened
	Repairable  bool
	WeightKg    *float64
	WeightTyped *string // "98 lb"
	Hazard      string
	ABC         *string `gorm:"column:abc" db:"abc"`
	Aliases     List[Alias]
}

// StockingEdit is what of that can be given and changed: all of it.
type StockingEdit struct {
	MeasuredIn  string
	BoughtIn    string
	Pack        amount.Amount
	Container   *amount.Amount
	Tracking    string
	ShelfMonths *int
	OpenMonths  *int
	Repairable  bool
	Weight      *measure.Typed
	Hazard      string
	ABC         *string
	Aliases     []Alias
}

// Alias is another number of a part.
type Alias struct {
	Number string
	Kind   string // old, maker, supplier or other
}

const stockings = `
select p.id as part_id, p.version, p.measured_in, p.bought_in, p.pack, p.container, p.tracking, p.shelf_months, p.open_months, p.repairable,
       p.weight_kg, p.weight_typed, p.hazard, p.abc,
       coalesce((select jsonb_agg(jsonb_build_object('Number', a.number, 'Kind', a.kind) order by a.number)
                   from part_alias as a where a.part_id = p.id), '[]') as aliases
  from part as p
 where p.id = @id`

// StockingOf gives how a part is counted, bought and kept.
func StockingOf(ctx context.Context, db *pgdb.DB, who access.Actor, part uuid.UUID) (Stocking, error) {
	return pgdb.ReadOne[Stocking](ctx, db, who.ID, "part", part.String(), stockings, map[string]any{"id": part})
}

// SetStocking changes how a part that is still at the version seen is counted,
// bought and kept. The unit in which it is counted stays once something was counted in it.
func SetStocking(tx *gorm.DB, who access.Actor, part uuid.UUID, version int, in StockingEdit) (Stocking, error) {
	if err := who.Must(access.KeepCatalogue); err != nil {
		return Stocking{}, err
	}
	weight, bad := mass(in.Weight)
	if bad != nil {
		return Stocking{}, bad
	}
	switch {
	case !slices.Contains([]string{"unit", "lot", "lot_expiry", "kit", "bulk", "none"}, in.Tracking):
		return Stocking{}, fault.Field("tracking", in.Tracking, "is unit, lot, lot_expiry, kit, bulk or none")
	case in.OpenMonths != nil && in.Container == nil && in.Tracking != "lot_expiry":
		return Stocking{}, fault.Field("open_months", *in.OpenMonths, "is given for what is opened: with a container, or tracked as lot_expiry")
	case in.Tracking == "unit" && !in.Pack.Whole():
		return Stocking{}, fault.Field("pack", in.Pack, "is a whole number of what is tracked by unit")
	}
	if err := bump(tx, "part", "part", part, version); err != nil {
		return Stocking{}, err
	}
	was, err := pgdb.One[Stocking](tx, "part", part.String(), stockings, map[string]any{"id": part})
	if err != nil {
		return was, err
	}
	if was.Tracking == "unit" && in.Tracking != "unit" {
		of, err := pgdb.ID(tx, `select id from unit where part_id = ? limit 1`, part)
		if err != nil {
			return was, err
		}
		if of != uuid.Nil {
			return was, &fault.Error{Kind: fault.Conflict, Field: "tracking", Value: in.Tracking, Msg: "units of this part are recorded one by one; it stays unit"}
		}
	}
	err = tx.Exec(`
update part set measured_in = @measured, bought_in = @bought, pack = @pack, container = @container, tracking = @tracking, shelf_months = @shelf, open_months = @open,
       repairable = @repairable, weight_kg = @kg, weight_typed = @typed, hazard = @hazard, abc = @abc
 where id = @id`, map[string]any{"id": part, "measured": in.MeasuredIn, "bought": in.BoughtIn, "pack": in.Pack, "container": in.Container, "tracking": in.Tracking,
		"shelf": in.ShelfMonths, "open": in.OpenMonths, "repairable": in.Repairable, "kg": weight.si, "typed": weight.typed,
		"hazard": strings.TrimSpace(in.Hazard), "abc": in.ABC}).Error
	if err != nil {
		return was, err
	}
	if err := setAliases(tx, part, in.Aliases); err != nil {
		return was, err
	}
	return pgdb.One[Stocking](tx, "part", part.String(), stockings, map[string]any{"id": part})
}

type weighed struct {
	si    *float64
	typed *string
}

func mass(t *measure.Typed) (weighed, *fault.Error) {
	if t == nil {
		return weighed{}, nil
	}
	m, bad := measure.Of(measure.Mass, *t, "weight")
	if bad != nil {
		return weighed{}, bad
	}
	return weighed{&m.SI, &m.Typed}, nil
}

// setAliases makes the other numbers of a part those given.
func setAliases(tx *gorm.DB, part uuid.UUID, all []Alias) error {
	type row struct {
		ID     uuid.UUID `json:"id"`
		Number string    `json:"number"`
		Kind   string    `json:"kind"`
	}
	rows := make([]row, len(all))
	for i, a := range all {
		rows[i] = row{pgdb.NewID(), strings.TrimSpace(a.Number), a.Kind}
	}
	doc, err := json.Marshal(rows)
	if err != nil {
		return err
	}
	v := map[string]any{"part": part, "rows": string(doc)}
	const given = ` from jsonb_to_recordset(cast(@rows as jsonb)) as r(id uuid, number text, kind text)`
	if err := tx.Exec(`delete from part_alias as a where a.part_id = @part and not exists (select`+given+` where r.number = a.number and r.kind = a.kind)`, v).Error; err != nil {
		return err
	}
	return tx.Exec(`
insert into part_alias (id, part_id, number, kind) select id, @part, number, kind`+given+`
 where not exists (select from part_alias as a where a.part_id = @part and a.number = r.number and a.kind = r.kind)`, v).Error
}
