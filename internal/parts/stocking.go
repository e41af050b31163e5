package parts

import (
	"context"
	"encoding/json"
	"fmt"
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
	if err := setStockings(tx, []Restocking{{part, version, in}}, func(_ int, field string) string { return field }); err != nil {
		return Stocking{}, err
	}
	return pgdb.One[Stocking](tx, "part", part.String(), stockings, map[string]any{"id": part})
}

// Restocking is a change of how one part is counted, bought and kept.
type Restocking struct {
	PartID  uuid.UUID
	Version int // as it was seen
	StockingEdit
}

// SetStockings changes many parts as SetStocking does one, in a number of statements that does
// not grow with them. What a rule of the database refuses is told without its place in the list.
func SetStockings(tx *gorm.DB, who access.Actor, in []Restocking) error {
	if err := who.Must(access.KeepCatalogue); err != nil {
		return err
	}
	return setStockings(tx, in, func(i int, field string) string { return fmt.Sprintf("items[%d].%s", i, field) })
}

type stockingRow struct {
	ID         uuid.UUID      `json:"id"`
	Version    int            `json:"version"`
	Measured   string         `json:"measured"`
	Bought     string         `json:"bought"`
	Pack       amount.Amount  `json:"pack"`
	Container  *amount.Amount `json:"container"`
	Tracking   string         `json:"tracking"`
	Shelf      *int           `json:"shelf"`
	Open       *int           `json:"open"`
	Repairable bool           `json:"repairable"`
	Kg         *float64       `json:"kg"`
	Typed      *string        `json:"typed"`
	Hazard     string         `json:"hazard"`
	ABC        *string        `json:"abc"`
}

const stockingRows = ` from jsonb_to_recordset(cast(@rows as jsonb)) as r(id uuid, version int, measured text, bought text, pack numeric, container numeric, tracking text, shelf int, open int,
       repairable boolean, kg float8, typed text, hazard text, abc text)`

func setStockings(tx *gorm.DB, in []Restocking, at func(i int, field string) string) error {
	if len(in) == 0 {
		return nil
	}
	rows := make([]stockingRow, len(in))
	var bad []*fault.Error
	for i, e := range in {
		weight, f := e.check()
		if f != nil {
			f.Field = at(i, f.Field)
			bad = append(bad, f)
		}
		rows[i] = stockingRow{e.PartID, e.Version, e.MeasuredIn, e.BoughtIn, e.Pack, e.Container, e.Tracking, e.ShelfMonths, e.OpenMonths, e.Repairable, weight.si, weight.typed, strings.TrimSpace(e.Hazard), e.ABC}
	}
	if err := fault.Collect(bad...); err != nil {
		return err
	}
	text, err := json.Marshal(rows)
	if err != nil {
		return err
	}
	v := map[string]any{"rows": string(text)}
	if err := seenAt(tx, in, v); err != nil {
		return err
	}
	var whole []uuid.UUID // of which there are units
	if err := tx.Raw(`select p.id`+stockingRows+` join part as p on p.id = r.id
 where p.tracking = 'unit' and r.tracking <> 'unit' and exists (select from unit as u where u.part_id = p.id)`, v).Scan(&whole).Error; err != nil {
		return err
	}
	for i, e := range in {
		if slices.Contains(whole, e.PartID) {
			bad = append(bad, &fault.Error{Kind: fault.Conflict, Field: at(i, "tracking"), Value: e.Tracking, Msg: "units of this part are recorded one by one; it stays unit"})
		}
	}
	if err := fault.Collect(bad...); err != nil {
		return err
	}
	err = tx.Exec(`
update part as p set version = p.version + 1, measured_in = r.measured, bought_in = r.bought, pack = r.pack, container = r.container, tracking = r.tracking, shelf_months = r.shelf, open_months = r.open,
       repairable = r.repairable, weight_kg = r.kg, weight_typed = r.typed, hazard = r.hazard, abc = r.abc`+stockingRows+`
 where p.id = r.id`, v).Error
	if err != nil {
		return err
	}
	return setAliases(tx, in)
}

// seenAt holds parts against the versions that were seen of them, and locks them.
func seenAt(tx *gorm.DB, in []Restocking, v map[string]any) error {
	var found []struct {
		ID      uuid.UUID
		Version int
	}
	if err := tx.Raw(`select id, version from part where id in (select r.id`+stockingRows+`) order by id for update`, v).Scan(&found).Error; err != nil {
		return err
	}
	now := map[uuid.UUID]int{}
	for _, f := range found {
		now[f.ID] = f.Version
	}
	twice := map[uuid.UUID]bool{}
	for _, e := range in {
		switch version, there := now[e.PartID]; {
		case !there:
			return fault.Missing("part", e.PartID.String())
		case version != e.Version:
			return fault.Outdated("part", e.Version, version)
		case twice[e.PartID]:
			return fault.Field("items", len(in), "names one part twice")
		}
		twice[e.PartID] = true
	}
	return nil
}

// check finds what no part can be counted or kept like.
func (in StockingEdit) check() (weighed, *fault.Error) {
	weight, bad := mass(in.Weight)
	if bad != nil {
		return weight, bad
	}
	switch {
	case !slices.Contains([]string{"unit", "lot", "lot_expiry", "kit", "bulk", "none"}, in.Tracking):
		bad = fault.Field("tracking", in.Tracking, "is unit, lot, lot_expiry, kit, bulk or none")
	case in.OpenMonths != nil && in.Container == nil && in.Tracking != "lot_expiry":
		bad = fault.Field("open_months", *in.OpenMonths, "is given for what is opened: with a container, or tracked as lot_expiry")
	case in.Tracking == "unit" && !in.Pack.Whole():
		bad = fault.Field("pack", in.Pack, "is a whole number of what is tracked by unit")
	}
	return weight, bad
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

// setAliases makes the other numbers of parts those given.
func setAliases(tx *gorm.DB, in []Restocking) error {
	type row struct {
		ID     uuid.UUID `json:"id"`
		PartID uuid.UUID `json:"part_id"`
		Number string    `json:"number"`
		Kind   string    `json:"kind"`
	}
	rows, parts := []row{}, make([]uuid.UUID, len(in))
	for i, e := range in {
		parts[i] = e.PartID
		for _, a := range e.Aliases {
			rows = append(rows, row{pgdb.NewID(), e.PartID, strings.TrimSpace(a.Number), a.Kind})
		}
	}
	text, err := json.Marshal(rows)
	if err != nil {
		return err
	}
	of, err := json.Marshal(parts)
	if err != nil {
		return err
	}
	v := map[string]any{"parts": string(of), "rows": string(text)}
	const given = ` from jsonb_to_recordset(cast(@rows as jsonb)) as r(id uuid, part_id uuid, number text, kind text)`
	err = tx.Exec(`
delete from part_alias as a
 where a.part_id in (select cast(n as uuid) from jsonb_array_elements_text(cast(@parts as jsonb)) as n) and not exists (select`+given+` where r.part_id = a.part_id and r.number = a.number and r.kind = a.kind)`, v).Error
	if err != nil {
		return err
	}
	return tx.Exec(`
insert into part_alias (id, part_id, number, kind) select r.id, r.part_id, r.number, r.kind`+given+`
 where not exists (select from part_alias as a where a.part_id = r.part_id and a.number = r.number and a.kind = r.kind)`, v).Error
}
