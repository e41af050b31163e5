package parts

import (
	"context"
	"encoding/json"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
)

// Cost is what one buying unit of a part costs us over a time.
type Cost struct {
	ID         uuid.UUID
	PartID     uuid.UUID
	PriceMinor int64 // of one buying unit, in minor units of the currency
	CoreMinor  int64 // deposit on one exchange unit
	Currency   string
	From       time.Time
	Until      *time.Time
}

// NewCost is what it takes to record a cost.
type NewCost struct {
	PriceMinor int64
	CoreMinor  int64
	Currency   string
	From       *time.Time // nil is now
}

const costs = `
select id, part_id, price_minor, core_minor, currency, lower(during) as "from", upper(during) as until from part_cost`

// CostsOf lists what a part cost, the latest first. It is for those who see cost.
func CostsOf(ctx context.Context, db *pgdb.DB, who access.Actor, part uuid.UUID) ([]Cost, error) {
	if err := who.Must(access.SeeCost); err != nil {
		return nil, err
	}
	return pgdb.Read[Cost](ctx, db, who.ID, costs+` where part_id = @part order by lower(during) desc`, map[string]any{"part": part})
}

// SetCost records what a part costs from an instant on; the cost before it ends there.
func SetCost(tx *gorm.DB, who access.Actor, now time.Time, part uuid.UUID, in NewCost) (Cost, error) {
	for _, c := range []access.Capability{access.SeeCost, access.KeepCatalogue} {
		if err := who.Must(c); err != nil {
			return Cost{}, err
		}
	}
	if err := exists(tx, part); err != nil {
		return Cost{}, err
	}
	v := map[string]any{"id": pgdb.NewID(), "part": part, "price": in.PriceMinor, "core": in.CoreMinor, "currency": in.Currency, "from": since(in.From, now), "now": now, "who": who.ID}
	if err := tx.Exec(`update part_cost set during = tstzrange(lower(during), @from) where part_id = @part and upper_inf(during) and lower(during) < @from`, v).Error; err != nil {
		return Cost{}, err
	}
	err := tx.Exec(`
insert into part_cost (id, part_id, price_minor, core_minor, currency, during, recorded_at, recorded_by)
values (@id, @part, @price, @core, @currency, tstzrange(@from, null), @now, @who)`, v).Error
	if err != nil {
		return Cost{}, err
	}
	return pgdb.One[Cost](tx, "cost", "", costs+` where id = @id`, v)
}

// Supplier is whom parts are bought from.
type Supplier struct {
	ID          uuid.UUID
	Code        string
	Name        string
	WorkingDays List[int]    // ISO weekdays
	Closed      List[string] // single dates on which they do not work either
	Version     int
	CreatedAt   time.Time
}

// SupplierEdit is what of a supplier can be given and changed; the code only given.
type SupplierEdit struct {
	Code        string
	Name        string
	WorkingDays []int
	Closed      []string
}

const suppliers = `
select id, code, name, to_jsonb(working_days) as working_days, to_jsonb(closed) as closed, version, created_at from supplier`

// Suppliers lists whom parts are bought from, by code.
func Suppliers(ctx context.Context, db *pgdb.DB, who access.Actor, p Page) ([]Supplier, error) {
	return pgdb.Read[Supplier](ctx, db, who.ID, suppliers+` where @everywhere and code > @after order by code limit @limit`,
		who.Scope(map[string]any{"after": p.After, "limit": p.Limit}))
}

// OneSupplier gives a supplier.
func OneSupplier(ctx context.Context, db *pgdb.DB, who access.Actor, id uuid.UUID) (Supplier, error) {
	return pgdb.ReadOne[Supplier](ctx, db, who.ID, "supplier", id.String(), suppliers+` where id = @id and @everywhere`, who.Scope(map[string]any{"id": id}))
}

func (in SupplierEdit) values() (map[string]any, error) {
	days, closed := slices.Clone(in.WorkingDays), slices.Clone(in.Closed)
	slices.Sort(days)
	for i, d := range days {
		if d < 1 || d > 7 {
			return nil, fault.Field("working_days", d, "takes 1 to 7 of the weekdays 1 (Monday) to 7 (Sunday)")
		}
		if i > 0 && days[i-1] == d {
			return nil, fault.Field("working_days", d, "names the same weekday twice")
		}
	}
	if len(days) == 0 {
		return nil, fault.Field("working_days", "", "takes 1 to 7 of the weekdays 1 (Monday) to 7 (Sunday)")
	}
	for _, c := range closed {
		if _, err := time.Parse(time.DateOnly, c); err != nil {
			return nil, fault.Field("closed", c, "is a date such as 2026-12-25")
		}
	}
	slices.Sort(closed)
	closed = slices.Compact(closed)
	if closed == nil {
		closed = []string{}
	}
	d, err := json.Marshal(days)
	if err != nil {
		return nil, err
	}
	c, err := json.Marshal(closed)
	return map[string]any{"name": strings.TrimSpace(in.Name), "days": string(d), "closed": string(c)}, err
}

const (
	daysGiven   = `(select array_agg(cast(d as smallint) order by d) from jsonb_array_elements_text(cast(@days as jsonb)) as d)`
	closedGiven = `(select coalesce(array_agg(cast(d as date) order by d), '{}') from jsonb_array_elements_text(cast(@closed as jsonb)) as d)`
)

// AddSupplier records a supplier.
func AddSupplier(tx *gorm.DB, who access.Actor, now time.Time, in SupplierEdit) (Supplier, error) {
	if err := who.Must(access.KeepCatalogue); err != nil {
		return Supplier{}, err
	}
	v, err := in.values()
	if err != nil {
		return Supplier{}, err
	}
	v["id"], v["code"], v["now"] = pgdb.NewID(), in.Code, now
	r := tx.Exec(`
insert into supplier (id, code, name, working_days, closed, created_at) values (@id, @code, @name, `+daysGiven+`, `+closedGiven+`, @now) on conflict (code) do nothing`, v)
	if r.Error != nil {
		return Supplier{}, r.Error
	}
	if r.RowsAffected == 0 {
		other, err := pgdb.ID(tx, `select id from supplier where code = ?`, in.Code)
		if err != nil {
			return Supplier{}, err
		}
		return Supplier{}, fault.Taken("code", fault.Ref{Kind: "supplier", ID: other.String(), Code: in.Code})
	}
	return pgdb.One[Supplier](tx, "supplier", "", suppliers+` where id = @id`, v)
}

// EditSupplier changes a supplier that is still at the version seen. Its code is on
// orders and stays.
func EditSupplier(tx *gorm.DB, who access.Actor, id uuid.UUID, version int, in SupplierEdit) (Supplier, error) {
	if err := who.Must(access.KeepCatalogue); err != nil {
		return Supplier{}, err
	}
	v, err := in.values()
	if err != nil {
		return Supplier{}, err
	}
	if err := bump(tx, "supplier", "supplier", id, version); err != nil {
		return Supplier{}, err
	}
	v["id"] = id
	if err := tx.Exec(`update supplier set name = @name, working_days = `+daysGiven+`, closed = `+closedGiven+` where id = @id`, v).Error; err != nil {
		return Supplier{}, err
	}
	return pgdb.One[Supplier](tx, "supplier", id.String(), suppliers+` where id = @id`, v)
}

// Source is a supplier of a part, and how long they take.
type Source struct {
	ID         uuid.UUID
	SupplierID uuid.UUID
	Supplier   string // its code
	Name       string
	PartID     uuid.UUID
	Number     string // theirs for the part
	// working days from order to delivery that suffice in 10, 50 and 90 of 100 cases
	Lead10    int `gorm:"column:lead_10" db:"lead_10"`
	Lead50    int `gorm:"column:lead_50" db:"lead_50"`
	Lead90    int `gorm:"column:lead_90" db:"lead_90"`
	Preferred bool
}

// SourceEdit is what of that can be given and changed.
type SourceEdit struct {
	Number    string
	Lead10    int
	Lead50    int
	Lead90    int
	Preferred bool
}

const sources = `
select sp.id, sp.supplier_id, s.code as supplier, s.name, sp.part_id, sp.number, sp.lead_10, sp.lead_50, sp.lead_90, sp.preferred
  from supplier_part as sp
  join supplier as s on s.id = sp.supplier_id`

// SourcesOf lists the suppliers of a part, the preferred one first.
func SourcesOf(ctx context.Context, db *pgdb.DB, who access.Actor, part uuid.UUID) ([]Source, error) {
	return pgdb.Read[Source](ctx, db, who.ID, sources+` where sp.part_id = @part and @everywhere order by sp.preferred desc, s.code`, who.Scope(map[string]any{"part": part}))
}

// SetSource records that a supplier has a part, or changes what is known of that.
// A supplier preferred anew takes the place of the one before.
func SetSource(tx *gorm.DB, who access.Actor, part, supplier uuid.UUID, in SourceEdit) (Source, error) {
	if err := who.Must(access.KeepCatalogue); err != nil {
		return Source{}, err
	}
	if err := exists(tx, part); err != nil {
		return Source{}, err
	}
	v := map[string]any{"id": pgdb.NewID(), "part": part, "supplier": supplier, "number": strings.TrimSpace(in.Number),
		"l10": in.Lead10, "l50": in.Lead50, "l90": in.Lead90, "preferred": in.Preferred}
	if in.Preferred {
		if err := tx.Exec(`update supplier_part set preferred = false, version = version + 1 where part_id = @part and preferred and supplier_id <> @supplier`, v).Error; err != nil {
			return Source{}, err
		}
	}
	err := tx.Exec(`
insert into supplier_part (id, supplier_id, part_id, number, lead_10, lead_50, lead_90, preferred)
values (@id, @supplier, @part, @number, @l10, @l50, @l90, @preferred)
on conflict (supplier_id, part_id) do update
   set number = excluded.number, lead_10 = excluded.lead_10, lead_50 = excluded.lead_50, lead_90 = excluded.lead_90, preferred = excluded.preferred,
       version = supplier_part.version + 1`, v).Error
	if err != nil {
		return Source{}, err
	}
	return pgdb.One[Source](tx, "source", "", sources+` where sp.part_id = @part and sp.supplier_id = @supplier`, v)
}
