package assets

import (
	"context"
	"encoding/json"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
)

// Caution goes with every list of isolation points.
const Caution = "The site's own energy-control procedure, local codes and licensed practice come first. " +
	"This list is what was found at the last check; it is no permission to work."

// IsolationPoint is where one energy is shut off and locked. Several positions
// may share it: locking it takes them all.
type IsolationPoint struct {
	ID        uuid.UUID
	SiteID    uuid.UUID
	Code      string
	Energy    string // electrical, air, gravity, hydraulic, water or chemical
	Versions  []IsolationVersion
	Positions []PositionRef
}

// PositionRef names a position.
type PositionRef struct {
	ID   uuid.UUID
	Code string
	Name string
}

// IsolationVersion is how a point is isolated, proved and restored, as of one check.
type IsolationVersion struct {
	Number     int
	Place      string
	Isolate    string
	Prove      string
	Restore    string
	Lockable   bool
	InSight    bool
	CheckedOn  string // a date, YYYY-MM-DD
	CheckedBy  string
	From       time.Time
	Until      *time.Time
	RecordedBy string
}

// IsolationEdit is what it takes to record a version.
type IsolationEdit struct {
	Place     string
	Isolate   string
	Prove     string
	Restore   string
	Lockable  bool
	InSight   bool
	CheckedOn string // a date, YYYY-MM-DD
	CheckedBy string
	ValidFrom *time.Time // nil is now
}

// One row a point; versions and positions come as documents, so that the number
// of statements does not grow with them.
const points = `
select i.id, i.site_id, i.code, i.energy,
       coalesce((select jsonb_agg(jsonb_build_object('Number', v.number, 'Place', v.place, 'Isolate', v.isolate, 'Prove', v.prove, 'Restore', v.restore,
                                                     'Lockable', v.lockable, 'InSight', v.in_sight, 'CheckedOn', v.checked_on, 'CheckedBy', v.checked_by,
                                                     'From', lower(v.during), 'Until', upper(v.during), 'RecordedBy', coalesce(a.name, '')) order by v.number desc)
                   from isolation_version as v
                   left join actor as a on a.id = v.recorded_by
                  where v.point_id = i.id
                    and (@history or v.during @> cast(@now as timestamptz))), '[]') as versions,
       coalesce((select jsonb_agg(jsonb_build_object('ID', p.id, 'Code', p.code, 'Name', p.name) order by p.code)
                   from position_isolation as pi
                   join position as p on p.id = pi.position_id
                  where pi.point_id = i.id), '[]') as positions
  from isolation_point as i`

type pointRow struct {
	ID        uuid.UUID
	SiteID    uuid.UUID
	Code      string
	Energy    string
	Versions  string
	Positions string
}

func (r pointRow) point() (IsolationPoint, error) {
	p := IsolationPoint{ID: r.ID, SiteID: r.SiteID, Code: r.Code, Energy: r.Energy}
	if err := json.Unmarshal([]byte(r.Versions), &p.Versions); err != nil {
		return p, err
	}
	return p, json.Unmarshal([]byte(r.Positions), &p.Positions)
}

func allPoints(rows []pointRow) ([]IsolationPoint, error) {
	all := make([]IsolationPoint, 0, len(rows))
	for _, r := range rows {
		p, err := r.point()
		if err != nil {
			return nil, err
		}
		all = append(all, p)
	}
	return all, nil
}

// IsolationPoints lists the points of a site, each with the version that holds now.
func IsolationPoints(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, site uuid.UUID) ([]IsolationPoint, error) {
	if _, err := OneSite(ctx, db, who, site); err != nil {
		return nil, err
	}
	rows, err := pgdb.Read[pointRow](ctx, db, who.ID, points+` where i.site_id = @site and `+mine+` order by i.code`,
		args(who, map[string]any{"site": site, "now": now, "history": false}))
	if err != nil {
		return nil, err
	}
	return allPoints(rows)
}

// PositionIsolation lists the points of one position, each with the version
// that holds now and every other position behind it.
func PositionIsolation(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, position uuid.UUID) ([]IsolationPoint, error) {
	if _, err := OnePosition(ctx, db, who, position); err != nil {
		return nil, err
	}
	rows, err := pgdb.Read[pointRow](ctx, db, who.ID, points+`
 where i.id in (select point_id from position_isolation where position_id = @position) order by i.energy, i.code`,
		map[string]any{"position": position, "now": now, "history": false})
	if err != nil {
		return nil, err
	}
	return allPoints(rows)
}

// OneIsolationPoint gives a point with all its versions, the newest first.
func OneIsolationPoint(ctx context.Context, db *pgdb.DB, who access.Actor, id uuid.UUID) (IsolationPoint, error) {
	r, err := pgdb.ReadOne[pointRow](ctx, db, who.ID, "isolation point", id.String(), points+` where i.id = @id and `+mine,
		args(who, map[string]any{"id": id, "now": time.Time{}, "history": true}))
	if err != nil {
		return IsolationPoint{}, err
	}
	return r.point()
}

func pointInTx(tx *gorm.DB, id uuid.UUID) (IsolationPoint, error) {
	r, err := pgdb.One[pointRow](tx, "isolation point", id.String(), points+` where i.id = @id`, map[string]any{"id": id, "now": time.Time{}, "history": true})
	if err != nil {
		return IsolationPoint{}, err
	}
	return r.point()
}

// AddIsolationPoint records a point of a site with its first version.
func AddIsolationPoint(tx *gorm.DB, who access.Actor, now time.Time, site uuid.UUID, code, energy string, in IsolationEdit) (IsolationPoint, error) {
	if err := who.Must(access.KeepRegister); err != nil {
		return IsolationPoint{}, err
	}
	id, from := pgdb.NewID(), since(in.ValidFrom, now)
	r := tx.Exec(`
insert into isolation_point (id, site_id, code, energy, during) values (@id, @site, @code, @energy, tstzrange(@from, null))
on conflict on constraint isolation_point_code_uq do nothing`,
		map[string]any{"id": id, "site": site, "code": code, "energy": energy, "from": from})
	if r.Error != nil {
		return IsolationPoint{}, r.Error
	}
	if r.RowsAffected == 0 {
		other, err := pgdb.ID(tx, `select id from isolation_point where site_id = ? and code = ?`, site, code)
		if err != nil {
			return IsolationPoint{}, err
		}
		return IsolationPoint{}, fault.Taken("code", fault.Ref{Kind: "isolation point", ID: other.String(), Code: code})
	}
	if err := addVersion(tx, who, now, id, site, 1, from, in); err != nil {
		return IsolationPoint{}, err
	}
	return pointInTx(tx, id)
}

// ReviseIsolationPoint records a check or a change: a new version, from the
// instant on when it was found so. The version before ends there.
func ReviseIsolationPoint(tx *gorm.DB, who access.Actor, now time.Time, id uuid.UUID, in IsolationEdit) (IsolationPoint, error) {
	if err := who.Must(access.KeepRegister); err != nil {
		return IsolationPoint{}, err
	}
	type last struct {
		SiteID uuid.UUID
		Number int
		From   time.Time
	}
	l, err := pgdb.One[last](tx, "isolation point", id.String(), `
select site_id, number, lower(during) as "from" from isolation_version where point_id = @id order by number desc limit 1 for update`, map[string]any{"id": id})
	if err != nil {
		return IsolationPoint{}, err
	}
	from := since(in.ValidFrom, now)
	if !from.After(l.From) {
		return IsolationPoint{}, fault.Field("valid_from", from.UTC().Format(time.RFC3339), "must lie after %s, when version %d began", l.From.UTC().Format(time.RFC3339), l.Number)
	}
	err = tx.Exec(`update isolation_version set during = tstzrange(lower(during), ?) where point_id = ? and number = ?`, from, id, l.Number).Error
	if err != nil {
		return IsolationPoint{}, err
	}
	if err := addVersion(tx, who, now, id, l.SiteID, l.Number+1, from, in); err != nil {
		return IsolationPoint{}, err
	}
	return pointInTx(tx, id)
}

func addVersion(tx *gorm.DB, who access.Actor, now time.Time, point, site uuid.UUID, number int, from time.Time, in IsolationEdit) error {
	on, err := time.Parse(time.DateOnly, in.CheckedOn)
	switch {
	case err != nil:
		return fault.Field("checked_on", in.CheckedOn, "is a date, YYYY-MM-DD")
	case from.After(now):
		return fault.Field("valid_from", from.UTC().Format(time.RFC3339), "must not lie ahead: what is recorded is how it was found")
	case on.After(now.Add(24 * time.Hour)): // a day of grace: the date is local to the site
		return fault.Field("checked_on", in.CheckedOn, "must not lie ahead")
	}
	return tx.Exec(`
insert into isolation_version (id, point_id, site_id, number, place, isolate, prove, restore, lockable, in_sight, checked_on, checked_by, during, recorded_at, recorded_by)
values (@id, @point, @site, @number, @place, @isolate, @prove, @restore, @lockable, @in_sight, cast(@checked_on as date), @checked_by, tstzrange(@from, null), @now, @who)`,
		map[string]any{"id": pgdb.NewID(), "point": point, "site": site, "number": number, "place": in.Place, "isolate": in.Isolate, "prove": in.Prove,
			"restore": in.Restore, "lockable": in.Lockable, "in_sight": in.InSight, "checked_on": in.CheckedOn, "checked_by": in.CheckedBy,
			"from": from, "now": now, "who": who.ID}).Error
}

// SetIsolation names the points of a position, in place of those named before.
// The position must still be at the version seen.
func SetIsolation(tx *gorm.DB, who access.Actor, now time.Time, position uuid.UUID, version int, pointIDs []uuid.UUID) (Position, []IsolationPoint, error) {
	if err := who.Must(access.KeepRegister); err != nil {
		return Position{}, nil, err
	}
	if err := bump(tx, "position", "position", position, version); err != nil {
		return Position{}, nil, err
	}
	p, err := positionInTx(tx, position)
	if err != nil {
		return p, nil, err
	}
	if err := tx.Exec(`delete from position_isolation where position_id = ?`, position).Error; err != nil {
		return p, nil, err
	}
	ids := make(Texts, len(pointIDs))
	for i, id := range pointIDs {
		ids[i] = id.String()
	}
	err = tx.Exec(`insert into position_isolation (position_id, point_id, site_id) select @position, t, @site from unnest(cast(@points as uuid[])) as t`,
		map[string]any{"position": position, "site": p.SiteID, "points": ids}).Error
	if err != nil {
		return p, nil, err
	}
	var rows []pointRow
	err = tx.Raw(points+` where i.id in (select point_id from position_isolation where position_id = @position) order by i.energy, i.code`,
		map[string]any{"position": position, "now": now, "history": false}).Scan(&rows).Error
	if err != nil {
		return p, nil, err
	}
	all, err := allPoints(rows)
	return p, all, err
}
