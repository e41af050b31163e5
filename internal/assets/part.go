package assets

import (
	"context"
	"database/sql/driver"
	"encoding/json"
	"strings"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/fault"
	"spindlebook/internal/measure"
	"spindlebook/internal/pgdb"
)

// Part is a row of the catalogue: what every unit of it is.
type Part struct {
	ID          uuid.UUID
	Number      string
	Description string
	Class       string // gearmotor, hub, media_set, ...
	Facts       PartFacts
	Version     int
	CreatedAt   time.Time
}

// PartFact is what the catalogue says of every unit of a part.
type PartFact struct {
	Fact    string
	Value   string   // as typed, with its unit
	ValueMM *float64 // for a length
}

// PartFacts scans from one document.
type PartFacts []PartFact

// Scan reads the facts of a part.
func (f *PartFacts) Scan(src any) error { return scanJSON(src, (*[]PartFact)(f)) }

// Value gives them as a document; gorm asks for it although nothing writes it.
func (f PartFacts) Value() (driver.Value, error) { return json.Marshal([]PartFact(f)) }

// PartEdit is what of a part can be given and changed.
type PartEdit struct {
	Number      string
	Description string
	Class       string
	Facts       []PartFactEdit
}

// PartFactEdit gives a fact: Value for a choice or a text, Measure for a length.
type PartFactEdit struct {
	Fact    string
	Value   string
	Measure *measure.Typed
}

const parts = `
select p.id, p.number, p.description, p.class, p.version, p.created_at,
       coalesce((select jsonb_agg(jsonb_build_object('Fact', f.fact, 'Value', f.value, 'ValueMM', f.value_mm) order by f.fact)
                   from part_fact as f where f.part_id = p.id), '[]') as facts
  from part as p`

// Parts lists the catalogue by number, perhaps only one class or what begins so.
func Parts(ctx context.Context, db *pgdb.DB, who access.Actor, class, prefix *string, p Page) ([]Part, error) {
	a := pageArgs(who, p, map[string]any{"class": class, "prefix": prefix})
	return pgdb.Read[Part](ctx, db, who.ID, parts+`
 where (cast(@class as text) is null or p.class = @class)
   and (cast(@prefix as text) is null or p.number >= upper(@prefix) and p.number < upper(@prefix) || U&'\FFFD')
   and p.number > @after
order by p.number
   limit @limit`, a)
}

// OnePart gives a part.
func OnePart(ctx context.Context, db *pgdb.DB, who access.Actor, id uuid.UUID) (Part, error) {
	return pgdb.ReadOne[Part](ctx, db, who.ID, "part", id.String(), parts+` where p.id = @id`, map[string]any{"id": id})
}

func partInTx(tx *gorm.DB, id uuid.UUID) (Part, error) {
	return pgdb.One[Part](tx, "part", id.String(), parts+` where p.id = @id`, map[string]any{"id": id})
}

// factKinds reads the kinds of fact inside a transaction, by code.
func factKinds(tx *gorm.DB) (map[string]FactKind, error) {
	var all []FactKind
	if err := tx.Raw(`select code, name, takes, choices from fact_kind`).Scan(&all).Error; err != nil {
		return nil, err
	}
	kinds := make(map[string]FactKind, len(all))
	for _, k := range all {
		kinds[k.Code] = k
	}
	return kinds, nil
}

// setFacts makes the facts of a part those given.
func setFacts(tx *gorm.DB, part uuid.UUID, facts []PartFactEdit) error {
	kinds, err := factKinds(tx)
	if err != nil {
		return err
	}
	rows := make([]map[string]any, len(facts))
	for i, f := range facts {
		k, known := kinds[f.Fact]
		if !known {
			return at("facts", i, fault.Field("fact", f.Fact, "names no kind of fact; see /fact-kinds"))
		}
		value, mm, err := k.read(NewFact{Fact: f.Fact, Value: f.Value, Measure: f.Measure})
		if err != nil {
			return at("facts", i, err)
		}
		rows[i] = map[string]any{"fact": f.Fact, "value": value, "value_mm": mm}
	}
	doc, err := json.Marshal(rows)
	if err != nil {
		return err
	}
	if err := tx.Exec(`delete from part_fact where part_id = ?`, part).Error; err != nil {
		return err
	}
	return tx.Exec(`
insert into part_fact (part_id, fact, value, value_mm)
select @part, fact, value, value_mm from jsonb_to_recordset(cast(@rows as jsonb)) as r(fact text, value text, value_mm float8)`,
		map[string]any{"part": part, "rows": string(doc)}).Error
}

// AddPart records a part.
func AddPart(tx *gorm.DB, who access.Actor, now time.Time, in PartEdit) (Part, error) {
	if err := who.Must(access.KeepCatalogue); err != nil {
		return Part{}, err
	}
	id := pgdb.NewID()
	r := tx.Exec(`
insert into part (id, number, description, class, created_at) values (@id, @number, @description, @class, @now) on conflict (number) do nothing`,
		map[string]any{"id": id, "number": in.Number, "description": strings.TrimSpace(in.Description), "class": in.Class, "now": now})
	if r.Error != nil {
		return Part{}, r.Error
	}
	if r.RowsAffected == 0 {
		return Part{}, numberTaken(tx, in.Number, uuid.Nil)
	}
	if err := setFacts(tx, id, in.Facts); err != nil {
		return Part{}, err
	}
	return partInTx(tx, id)
}

// numberTaken is the fault of a part number that another part has, or nil.
func numberTaken(tx *gorm.DB, number string, except uuid.UUID) error {
	other, err := pgdb.ID(tx, `select id from part where number = ? and id <> ?`, number, except)
	if err != nil || other == uuid.Nil {
		return err
	}
	return fault.Taken("number", fault.Ref{Kind: "part", ID: other.String(), Code: number})
}

// EditPart changes a part that is still at the version seen.
func EditPart(tx *gorm.DB, who access.Actor, id uuid.UUID, version int, in PartEdit) (Part, error) {
	if err := who.Must(access.KeepCatalogue); err != nil {
		return Part{}, err
	}
	if err := bump(tx, "part", "part", id, version); err != nil {
		return Part{}, err
	}
	if err := numberTaken(tx, in.Number, id); err != nil {
		return Part{}, err
	}
	// slots take a class, so that a class can change only while nothing is of it
	was, err := partInTx(tx, id)
	if err != nil {
		return Part{}, err
	}
	if was.Class != in.Class {
		of, err := pgdb.ID(tx, `select id from unit where part_id = ? limit 1`, id)
		if err != nil {
			return Part{}, err
		}
		if of != uuid.Nil {
			return Part{}, &fault.Error{Kind: fault.Conflict, Field: "class", Value: in.Class, Msg: "units of this part are recorded as " + words(was.Class) + "; add another part"}
		}
	}
	err = tx.Exec(`update part set number = @number, description = @description, class = @class where id = @id`,
		map[string]any{"id": id, "number": in.Number, "description": strings.TrimSpace(in.Description), "class": in.Class}).Error
	if err != nil {
		return Part{}, err
	}
	if err := setFacts(tx, id, in.Facts); err != nil {
		return Part{}, err
	}
	return partInTx(tx, id)
}

// ComponentClass is a class of what is fitted.
type ComponentClass struct {
	Code string
	Name string
}

// ComponentClasses lists the classes.
func ComponentClasses(ctx context.Context, db *pgdb.DB, who access.Actor) ([]ComponentClass, error) {
	return pgdb.Read[ComponentClass](ctx, db, who.ID, `select code, name from component_class order by name`, nil)
}

// Location is a place where stock lies: a warehouse, a van, a site's shelf.
// Quantities come with the ledger; units stay here already.
type Location struct {
	ID        uuid.UUID
	Code      string
	Name      string
	Kind      string
	SiteID    *uuid.UUID // of a site's shelf
	Version   int
	CreatedAt time.Time
}

// NewLocation is what it takes to add a location.
type NewLocation struct {
	Code   string
	Name   string
	Kind   string
	SiteID *uuid.UUID
}

// LocationEdit is what of a location can be changed: its code is on labels, and
// whose shelf it is stays.
type LocationEdit struct {
	Name string
	Kind string
}

const locations = `select id, code, name, kind, site_id, version, created_at from location`

// Locations lists the locations by code; an owner's are the shelves of the own sites.
func Locations(ctx context.Context, db *pgdb.DB, who access.Actor, p Page) ([]Location, error) {
	return pgdb.Read[Location](ctx, db, who.ID, locations+` where `+mine+` and code > @after order by code limit @limit`, pageArgs(who, p, nil))
}

// AddLocation records a location.
func AddLocation(tx *gorm.DB, who access.Actor, now time.Time, in NewLocation) (Location, error) {
	if err := who.Must(access.KeepRegister); err != nil {
		return Location{}, err
	}
	if (in.Kind == "site_shelf") != (in.SiteID != nil) {
		return Location{}, fault.Field("site_id", in.Kind, "is given for a site_shelf and for nothing else")
	}
	id := pgdb.NewID()
	err := insertCoded(tx, "location", "location", in.Code, `
insert into location (id, code, name, kind, site_id, created_at) values (@id, @code, @name, @kind, @site, @now) on conflict (code) do nothing`,
		map[string]any{"id": id, "code": in.Code, "name": strings.TrimSpace(in.Name), "kind": in.Kind, "site": in.SiteID, "now": now})
	if err != nil {
		return Location{}, err
	}
	return pgdb.One[Location](tx, "location", id.String(), locations+` where id = @id`, map[string]any{"id": id})
}

// OneLocation gives a location; an owner's are the shelves of the own sites.
func OneLocation(ctx context.Context, db *pgdb.DB, who access.Actor, id uuid.UUID) (Location, error) {
	return pgdb.ReadOne[Location](ctx, db, who.ID, "location", id.String(), locations+` where id = @id and `+mine, args(who, map[string]any{"id": id}))
}

// EditLocation changes a location that is still at the version seen. What lies
// there stays there: a bench that becomes a quarantine takes its units along.
func EditLocation(tx *gorm.DB, who access.Actor, id uuid.UUID, version int, in LocationEdit) (Location, error) {
	if err := who.Must(access.KeepRegister); err != nil {
		return Location{}, err
	}
	if err := bump(tx, "location", "location", id, version); err != nil {
		return Location{}, err
	}
	was, err := pgdb.One[Location](tx, "location", id.String(), locations+` where id = @id`, map[string]any{"id": id})
	if err != nil {
		return was, err
	}
	if (in.Kind == "site_shelf") != (was.SiteID != nil) {
		return was, fault.Field("kind", in.Kind, "is site_shelf for a shelf at a site, which stays one, and for nothing else")
	}
	if err := tx.Exec(`update location set name = ?, kind = ? where id = ?`, strings.TrimSpace(in.Name), in.Kind, id).Error; err != nil {
		return was, err
	}
	return pgdb.One[Location](tx, "location", id.String(), locations+` where id = @id`, map[string]any{"id": id})
}
