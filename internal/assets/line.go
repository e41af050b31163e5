package assets

import (
	"context"
	"strings"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/fault"
	"spindlebook/internal/measure"
	"spindlebook/internal/pgdb"
)

// Line is one wash lane.
type Line struct {
	ID                 uuid.UUID
	SiteID             uuid.UUID
	Code               string
	Name               string
	LengthM            *float64 // metres
	LengthTyped        *string
	SpeedMMin          *float64 `gorm:"column:speed_m_min" db:"speed_m_min"` // metres a minute
	SpeedTyped         *string
	VehiclesPerHourMax *int
	From               time.Time
	Until              *time.Time
	Version            int
	CreatedAt          time.Time
}

// LineEdit is what of a line can be given and changed.
type LineEdit struct {
	Code               string
	Name               string
	Length             *measure.Typed
	Speed              *measure.Typed
	VehiclesPerHourMax *int
}

func (in LineEdit) values() (map[string]any, error) {
	v := map[string]any{"code": in.Code, "name": strings.TrimSpace(in.Name), "vehicles": in.VehiclesPerHourMax}
	length, lengthTyped, bad := typed(measure.Length, in.Length, "length")
	speed, speedTyped, bad2 := typed(measure.Speed, in.Speed, "speed")
	var bad3 *fault.Error
	if n := in.VehiclesPerHourMax; n != nil && (*n < 1 || *n > 1000) {
		bad3 = fault.Field("vehicles_per_hour_max", *n, "lies between 1 and 1000")
	}
	v["length"], v["length_typed"], v["speed"], v["speed_typed"] = length, lengthTyped, speed, speedTyped
	return v, fault.Collect(bad, bad2, bad3)
}

const lines = `
select id, site_id, code, name, length_m, length_typed, speed_m_min, speed_typed, vehicles_per_hour_max,
       lower(during) as "from", upper(during) as until, version, created_at
  from line`

// Lines lists the lines in the actor's scope by code, perhaps only one site's.
func Lines(ctx context.Context, db *pgdb.DB, who access.Actor, site *uuid.UUID, p Page) ([]Line, error) {
	return pgdb.Read[Line](ctx, db, who.ID, lines+`
 where `+mine+` and (cast(@site as uuid) is null or site_id = @site) and code > @after
order by code limit @limit`, pageArgs(who, p, map[string]any{"site": site}))
}

// OneLine gives a line.
func OneLine(ctx context.Context, db *pgdb.DB, who access.Actor, id uuid.UUID) (Line, error) {
	return pgdb.ReadOne[Line](ctx, db, who.ID, "line", id.String(), lines+` where id = @id and `+mine, args(who, map[string]any{"id": id}))
}

func lineInTx(tx *gorm.DB, id uuid.UUID) (Line, error) {
	return pgdb.One[Line](tx, "line", id.String(), lines+` where id = @id`, map[string]any{"id": id})
}

// AddLine records a line of a site.
func AddLine(tx *gorm.DB, who access.Actor, now time.Time, site uuid.UUID, from *time.Time, in LineEdit) (Line, error) {
	if err := who.Must(access.KeepRegister); err != nil {
		return Line{}, err
	}
	v, err := in.values()
	if err != nil {
		return Line{}, err
	}
	id := pgdb.NewID()
	v["id"], v["site"], v["from"], v["now"] = id, site, since(from, now), now
	err = insertCoded(tx, "line", "line", in.Code, `
insert into line (id, site_id, code, name, length_m, length_typed, speed_m_min, speed_typed, vehicles_per_hour_max, during, created_at)
values (@id, @site, @code, @name, @length, @length_typed, @speed, @speed_typed, @vehicles, tstzrange(@from, null), @now)
on conflict (code) do nothing`, v)
	if err != nil {
		return Line{}, err
	}
	return lineInTx(tx, id)
}

// EditLine changes a line that is still at the version seen.
func EditLine(tx *gorm.DB, who access.Actor, id uuid.UUID, version int, in LineEdit) (Line, error) {
	if err := who.Must(access.KeepRegister); err != nil {
		return Line{}, err
	}
	v, err := in.values()
	if err != nil {
		return Line{}, err
	}
	if err := bump(tx, "line", "line", id, version); err != nil {
		return Line{}, err
	}
	if err := codeFree(tx, "line", "line", in.Code, id); err != nil {
		return Line{}, err
	}
	v["id"] = id
	err = tx.Exec(`
update line set code = @code, name = @name, length_m = @length, length_typed = @length_typed, speed_m_min = @speed,
       speed_typed = @speed_typed, vehicles_per_hour_max = @vehicles
 where id = @id`, v).Error
	if err != nil {
		return Line{}, err
	}
	return lineInTx(tx, id)
}
