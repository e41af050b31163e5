package stock

import (
	"context"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
)

// Holder is somebody who drives a van over a time.
type Holder struct {
	ID         uuid.UUID
	LocationID uuid.UUID
	Location   string // its code
	PersonID   uuid.UUID
	Person     string
	From       time.Time
	Until      *time.Time
}

const holders = `
select h.id, h.location_id, l.code as location, h.actor_id as person_id, coalesce(a.name, '') as person, lower(h.during) as "from", upper(h.during) as until
  from location_holder as h
  join location as l on l.id = h.location_id
  left join actor as a on a.id = h.actor_id`

// Holders lists who has driven which van, the latest recorded first; of one van, or of all. The
// key of a page is the id.
func Holders(ctx context.Context, db *pgdb.DB, who access.Actor, location *uuid.UUID, p Page) ([]Holder, error) {
	return pgdb.Read[Holder](ctx, db, who.ID, holders+`
 where @everywhere and (cast(@location as uuid) is null or h.location_id = @location) and (@after = '' or h.id < cast(nullif(@after, '') as uuid))
order by h.id desc
 limit @limit`, pageArgs(who, p, map[string]any{"location": location}))
}

// VanOf gives the van that somebody drives at an instant; nil where none is theirs.
func VanOf(ctx context.Context, db *pgdb.DB, who access.Actor, person uuid.UUID, at time.Time) (*uuid.UUID, error) {
	found, err := pgdb.Read[Holder](ctx, db, who.ID, holders+` where @everywhere and h.actor_id = @person and h.during @> cast(@at as timestamptz)`,
		who.Scope(map[string]any{"person": person, "at": at}))
	if err != nil || len(found) == 0 {
		return nil, err
	}
	return &found[0].LocationID, nil
}

// HandVan gives a van to somebody from an instant on. What lies in it stays in it; whoever
// had it has it no longer, and whatever else the person drove is free.
func HandVan(tx *gorm.DB, who access.Actor, now time.Time, location, person uuid.UUID, from *time.Time) (Holder, error) {
	if err := who.Must(access.KeepRegister); err != nil {
		return Holder{}, err
	}
	at := now
	if from != nil {
		at = *from
	}
	if at.After(now) {
		return Holder{}, fault.Field("from", stamp(at), "must not lie ahead: it is recorded when the van changes hands")
	}
	kind, err := pgdb.One[struct{ Code, Kind string }](tx, "location", location.String(), `select code, kind from location where id = @id`, map[string]any{"id": location})
	if err != nil {
		return Holder{}, err
	}
	if kind.Kind != "van" {
		return Holder{}, fault.Field("location_id", kind.Code, "is no van")
	}
	if err := lock(tx, "holder of", []uuid.UUID{location, person}); err != nil {
		return Holder{}, err
	}
	v := map[string]any{"id": pgdb.NewID(), "location": location, "person": person, "at": at}
	err = tx.Exec(`
update location_holder set during = tstzrange(lower(during), @at)
 where upper_inf(during) and (location_id = @location or actor_id = @person) and not (location_id = @location and actor_id = @person) and lower(during) < @at`, v).Error
	if err != nil {
		return Holder{}, err
	}
	same, err := pgdb.ID(tx, `select id from location_holder where location_id = ? and actor_id = ? and upper_inf(during)`, location, person)
	if err != nil {
		return Holder{}, err
	}
	if same != uuid.Nil {
		return Holder{}, conflict("person_id", person, "has this van already")
	}
	if err := tx.Exec(`insert into location_holder (id, location_id, actor_id, during) values (@id, @location, @person, tstzrange(@at, null))`, v).Error; err != nil {
		return Holder{}, err
	}
	return pgdb.One[Holder](tx, "holder", "", holders+` where h.id = @id`, v)
}
