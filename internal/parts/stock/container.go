package stock

import (
	"context"
	"slices"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/calendar"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
)

// Levels of an open container, as somebody sees them. Nobody books grams.
var Levels = []string{"full", "three_quarters", "half", "quarter", "low", "empty"}

type openRow struct {
	ID         uuid.UUID  `json:"id"`
	LocationID uuid.UUID  `json:"location_id"`
	PartID     uuid.UUID  `json:"part_id"`
	LotID      *uuid.UUID `json:"lot_id"`
	OpenedOn   string     `json:"opened_on"`
	ExpiresOn  *string    `json:"expires_on"`
	At         time.Time  `json:"at"`
}

// of a container that is open two last days hold: that of its lot, and that of an open one
func (k known) lastDay(opened time.Time) *string {
	last := k.ExpiresOn
	if k.OpenMonths != nil {
		open := calendar.DateOf(opened.UTC()).AddMonths(*k.OpenMonths).String()
		if last == nil || open < *last {
			last = &open
		}
	}
	return last
}

// openContainers notes that a container was opened where something of one was used and none
// is open yet.
func openContainers(tx *gorm.DB, who access.Actor, now time.Time, in []Moving, of []known) error {
	var rows []openRow
	for i, m := range in {
		if m.Kind == "issue" && m.From != nil && of[i].Container != nil && m.Amount%*of[i].Container != 0 && of[i].FromKind != "unexplained" {
			rows = append(rows, openRow{pgdb.NewID(), *m.From, m.PartID, of[i].LotID, day(m.at(now)), of[i].lastDay(m.at(now)), m.at(now)})
		}
	}
	return insertOpen(tx, who, now, rows)
}

func insertOpen(tx *gorm.DB, who access.Actor, now time.Time, rows []openRow) error {
	if len(rows) == 0 {
		return nil
	}
	text, err := doc(rows)
	if err != nil {
		return err
	}
	return tx.Exec(`
insert into open_container (id, location_id, part_id, lot_id, opened_on, expires_on, level, level_at, recorded_at, recorded_by)
select id, location_id, part_id, lot_id, opened_on, expires_on, 'full', at, @now, @who
  from jsonb_to_recordset(cast(@rows as jsonb)) as r(id uuid, location_id uuid, part_id uuid, lot_id uuid, opened_on date, expires_on date, at timestamptz)
on conflict on constraint open_container_one_open do nothing`, map[string]any{"rows": text, "now": now, "who": who.ID}).Error
}

// Container is an open container.
type Container struct {
	ID         uuid.UUID
	LocationID uuid.UUID
	PartID     uuid.UUID
	LotID      *uuid.UUID
	Lot        string // its code
	OpenedOn   string
	ExpiresOn  *string
	Level      string
	LevelAt    time.Time
	EmptiedAt  *time.Time
	Version    int
}

const containers = `
select c.id, c.location_id, c.part_id, c.lot_id, coalesce((select l.code from lot as l where l.id = c.lot_id), '') as lot, to_char(c.opened_on, 'YYYY-MM-DD') as opened_on, to_char(c.expires_on, 'YYYY-MM-DD') as expires_on, c.level, c.level_at, c.emptied_at, c.version
  from open_container as c`

// Key gives the place of a container in the list.
func (c Container) Key() string { return c.OpenedOn + " " + c.ID.String() }

// Containers lists those that are open, by the day on which they were opened.
func Containers(ctx context.Context, db *pgdb.DB, who access.Actor, f LineFilter, p Page) ([]Container, error) {
	return pgdb.Read[Container](ctx, db, who.ID, containers+`
 where @everywhere and c.emptied_at is null
   and (cast(@location as uuid) is null or c.location_id = @location)
   and (cast(@part as uuid) is null or c.part_id = @part)
   and to_char(c.opened_on, 'YYYY-MM-DD') || ' ' || c.id > @after
order by to_char(c.opened_on, 'YYYY-MM-DD') || ' ' || c.id
   limit @limit`, pageArgs(who, p, map[string]any{"location": f.LocationID, "part": f.PartID}))
}

// OneContainer gives a container that is open, or was.
func OneContainer(ctx context.Context, db *pgdb.DB, who access.Actor, id uuid.UUID) (Container, error) {
	return pgdb.ReadOne[Container](ctx, db, who.ID, "open container", id.String(), containers+` where @everywhere and c.id = @id`, who.Scope(map[string]any{"id": id}))
}

// OpenContainer notes that somebody opened a container at a place.
func OpenContainer(tx *gorm.DB, who access.Actor, now time.Time, location, part uuid.UUID, lot string) (Container, error) {
	if !who.May(access.MoveStock) {
		if err := who.Must(access.RecordWork); err != nil {
			return Container{}, err
		}
	}
	all, err := look(tx, now, []Moving{{PartID: part, Lot: lot, From: &location}})
	if err != nil {
		return Container{}, err
	}
	switch k := all[0]; {
	case !k.PartKnown:
		return Container{}, fault.Field("part_id", part, "names no part")
	case !k.FromKnown:
		return Container{}, fault.Field("location_id", location, "names no location")
	case k.Container == nil:
		return Container{}, fault.Field("part_id", k.Number, "does not come in containers that are used up bit by bit")
	case byLot(k.Tracking) && k.LotID == nil:
		return Container{}, fault.Field("lot", lot, "is needed: a lot of %s on record", k.Number)
	}
	err = insertOpen(tx, who, now, []openRow{{pgdb.NewID(), location, part, all[0].LotID, day(now), all[0].lastDay(now), now}})
	if err != nil {
		return Container{}, err
	}
	return pgdb.One[Container](tx, "open container", part.String(), containers+`
 where c.location_id = @location and c.part_id = @part and c.lot_id is not distinct from @lot and c.emptied_at is null`,
		map[string]any{"location": location, "part": part, "lot": all[0].LotID})
}

// SetLevel notes how full an open container is.
func SetLevel(tx *gorm.DB, who access.Actor, now time.Time, id uuid.UUID, version int, level string) (Container, error) {
	if !who.May(access.MoveStock) {
		if err := who.Must(access.RecordWork); err != nil {
			return Container{}, err
		}
	}
	if !slices.Contains(Levels, level) {
		return Container{}, fault.Field("level", level, "is full, three_quarters, half, quarter, low or empty")
	}
	if err := bump(tx, "open container", "open_container", id, version); err != nil {
		return Container{}, err
	}
	was, err := pgdb.One[Container](tx, "open container", id.String(), containers+` where c.id = @id`, map[string]any{"id": id})
	switch {
	case err != nil:
		return was, err
	case was.EmptiedAt != nil:
		return was, conflict("level", level, "is not changed any more: this container was empty on %s", day(*was.EmptiedAt))
	}
	var emptied *time.Time
	if level == "empty" {
		emptied = &now
	}
	if err := tx.Exec(`update open_container set level = ?, level_at = ?, emptied_at = ? where id = ?`, level, now, emptied, id).Error; err != nil {
		return Container{}, err
	}
	return pgdb.One[Container](tx, "open container", id.String(), containers+` where c.id = @id`, map[string]any{"id": id})
}
