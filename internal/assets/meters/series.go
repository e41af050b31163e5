package meters

import (
	"context"
	"fmt"
	"math"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
)

// Point is a total that a meter stood at when it was read.
type Point struct {
	At    time.Time
	Total int64
	Grade Grade
}

// History is what a forecast needs to know of a meter: its points in the order
// of time, and when the past stopped telling of what comes.
type History struct {
	MeterID uuid.UUID
	Unit    Unit
	Site    Site
	Points  []Point
	Breaks  []Break
}

// Break is a regime change of a meter, or of every meter of its site.
type Break struct {
	ID      uuid.UUID
	MeterID *uuid.UUID // nil for every meter of the site
	At      time.Time
	Reason  string
}

// Of a meter that has been silent the year before it fell silent: its rate is as
// it was then.
const historyPoints = `
select u.id as meter_id, p.at, p.total, p.source
  from (select w.id, least(@since, s.last_at - interval '401 days') as since
          from unnest(cast(@meters as uuid[])) as w(id)
          left join meter_state as s on s.meter_id = w.id) as u
 cross join lateral (select p.at, p.total, p.source from meter_point as p where p.meter_id = u.id and p.at > u.since order by p.at) as p`

// Histories gives the points of meters since an instant, and their breaks, in
// three statements, by meter. A meter that the actor does not see is left out.
func Histories(ctx context.Context, db *pgdb.DB, who access.Actor, meters []uuid.UUID, since time.Time) (map[uuid.UUID]*History, error) {
	type head struct {
		ID      uuid.UUID
		Unit    Unit
		SiteID  uuid.UUID
		Zone    string
		Climate string
		Size    string
		TurnsAt string
	}
	heads, err := pgdb.Read[head](ctx, db, who.ID, `
select m.id, m.unit, m.site_id, s.zone, s.climate, s.size, to_char(s.day_turns_at, 'HH24:MI') as turns_at
  from meter as m join site as s on s.id = m.site_id
 where m.id = any (@meters)`, map[string]any{"meters": meters})
	if err != nil {
		return nil, err
	}
	all, ids := make(map[uuid.UUID]*History, len(heads)), make([]uuid.UUID, len(heads))
	for i, h := range heads {
		ids[i] = h.ID
		all[h.ID] = &History{MeterID: h.ID, Unit: h.Unit, Site: Site{h.SiteID, h.Zone, h.Climate, h.Size, h.TurnsAt}}
	}
	type point struct {
		MeterID uuid.UUID
		At      time.Time
		Total   int64
		Source  string
	}
	points, err := pgdb.Read[point](ctx, db, who.ID, historyPoints, map[string]any{"meters": ids, "since": since})
	if err != nil {
		return nil, err
	}
	for _, p := range points {
		h := all[p.MeterID]
		h.Points = append(h.Points, Point{p.At, p.Total, gradeOf(p.Source)})
	}
	type broke struct {
		OfID uuid.UUID
		Break
	}
	breaks, err := pgdb.Read[broke](ctx, db, who.ID, `
select m.id as of_id, c.id, c.meter_id, c.at, c.reason
  from meter as m
  join regime_change as c on c.site_id = m.site_id and coalesce(c.meter_id, m.id) = m.id and c.withdrawn_at is null
 where m.id = any (@meters)
order by m.id, c.at`, map[string]any{"meters": ids})
	for _, b := range breaks {
		h := all[b.OfID]
		h.Breaks = append(h.Breaks, b.Break)
	}
	return all, err
}

const regimeChanges = `
select id, meter_id, at, reason from regime_change
 where site_id = @site and withdrawn_at is null
order by at desc, id`

// RegimeChanges lists from when on the past of a site's meters says little, the
// latest first.
func RegimeChanges(ctx context.Context, db *pgdb.DB, who access.Actor, site uuid.UUID) ([]Break, error) {
	if err := known(ctx, db, who, site); err != nil {
		return nil, err
	}
	return pgdb.Read[Break](ctx, db, who.ID, regimeChanges, map[string]any{"site": site})
}

// ChangeRegime records that from an instant on the past says little about what
// comes: for one meter, or for all of a site.
func ChangeRegime(tx *gorm.DB, who access.Actor, now time.Time, site uuid.UUID, meter *uuid.UUID, at time.Time, reason string) (Break, error) {
	if err := who.Must(access.RecordWork); err != nil {
		return Break{}, err
	}
	b := Break{ID: pgdb.NewID(), MeterID: meter, At: at.UTC().Truncate(time.Microsecond), Reason: reason}
	return b, tx.Exec(`
insert into regime_change (id, site_id, meter_id, at, reason, recorded_at, recorded_by) values (@id, @site, @meter, @at, @reason, @now, @who)`,
		map[string]any{"id": b.ID, "site": site, "meter": meter, "at": b.At, "reason": reason, "now": now, "who": who.ID}).Error
}

// WithdrawRegimeChange takes one back that was no such thing.
func WithdrawRegimeChange(tx *gorm.DB, who access.Actor, now time.Time, site, id uuid.UUID) error {
	if err := who.Must(access.RecordWork); err != nil {
		return err
	}
	r := tx.Exec(`update regime_change set withdrawn_at = ? where id = ? and site_id = ? and withdrawn_at is null`, now, id, site)
	if r.Error == nil && r.RowsAffected == 0 {
		return fault.Missing("regime change", id.String())
	}
	return r.Error
}

// Factor is a row of a learnt profile: how use spreads over the months, the
// weekdays or the hours, with mean 1, or how far its level drifts.
type Factor struct {
	SiteID  *uuid.UUID // a site's own; nil for all of a climate and size
	Climate *string
	Size    *string
	Unit    Unit   // what is counted: run hours sway less than vehicles do
	Part    string // month (1 to 12), weekday (ISO 1 to 7), hour (0 to 23) or kappa (0)
	Ordinal int
	Factor  float64
	Meters  int     // that stand behind it
	Years   float64 // of readings over all of them
	// ComputedAt is when it was learnt.
	ComputedAt time.Time
}

const factors = `
select site_id, climate, size, unit, part, ordinal, factor, meters, years, computed_at from usage_profile
 where (cast(@climate as text) is null or climate = @climate) and (cast(@size as text) is null or size = @size)
   and (@pooled and site_id is null or site_id = any (@of))
order by site_id nulls first, climate, size, unit, part, ordinal`

// Profile lists what was learnt of a climate and size, "" for all, and of the
// sites named.
func Profile(ctx context.Context, db *pgdb.DB, who access.Actor, climate, size string, sites ...uuid.UUID) ([]Factor, error) {
	opt := func(s string) *string {
		if s == "" {
			return nil
		}
		return &s
	}
	if sites == nil {
		sites = []uuid.UUID{}
	}
	return pgdb.Read[Factor](ctx, db, who.ID, factors, map[string]any{"climate": opt(climate), "size": opt(size), "pooled": true, "of": sites})
}

// KeepProfile keeps what was learnt, in place of what was learnt before.
func KeepProfile(tx *gorm.DB, who access.Actor, now time.Time, rows []Factor) error {
	if err := who.Must(access.Plan); err != nil {
		return err
	}
	n := len(rows)
	sites, climates, sizes := make([]*uuid.UUID, n), make([]*string, n), make([]*string, n)
	units, parts, ordinals, values, meters, years := make([]string, n), make([]string, n), make([]int32, n), make([]float64, n), make([]int32, n), make([]float64, n)
	for i, r := range rows {
		if math.IsNaN(r.Factor) || math.IsInf(r.Factor, 0) {
			return fault.Field(fmt.Sprintf("rows[%d].factor", i), r.Factor, "must be a finite number")
		}
		sites[i], climates[i], sizes[i], units[i], parts[i] = r.SiteID, r.Climate, r.Size, string(r.Unit), r.Part
		ordinals[i], values[i], meters[i], years[i] = int32(r.Ordinal), r.Factor, int32(r.Meters), r.Years
	}
	v := map[string]any{"sites": &sites, "climates": &climates, "sizes": &sizes, "units": &units, "parts": &parts, "ordinals": &ordinals, "values": &values, "meters": &meters, "years": &years, "now": now}
	for key, where := range map[string]string{"(climate, size, unit, part, ordinal)": "site_id is null", "(site_id, unit, part, ordinal)": "site_id is not null"} {
		if err := tx.Exec(`
insert into usage_profile (site_id, climate, size, unit, part, ordinal, factor, meters, years, computed_at)
select r.*, cast(@now as timestamptz)
  from unnest(cast(@sites as uuid[]), cast(@climates as text[]), cast(@sizes as text[]), cast(@units as text[]), cast(@parts as text[]), cast(@ordinals as int[]),
              cast(@values as float8[]), cast(@meters as int[]), cast(@years as float8[])) as r(site_id, climate, size, unit, part, ordinal, factor, meters, years)
 where r.`+where+`
on conflict `+key+` do update set factor = excluded.factor, meters = excluded.meters, years = excluded.years, computed_at = excluded.computed_at`, v).Error; err != nil {
			return err
		}
	}
	return nil
}

// Moved is a meter whose totals have moved.
type Moved struct {
	MeterID uuid.UUID
	Since   time.Time // the earliest instant whose total is another
	Mark    time.Time // to clear it with
}

// Movements lists meters whose totals have moved since they were followed, those
// that wait longest first.
func Movements(ctx context.Context, db *pgdb.DB, who access.Actor, most int) ([]Moved, error) {
	return pgdb.Read[Moved](ctx, db, who.ID, `
select meter_id, changed_from as since, changed_at as mark from meter_state
 where changed_at is not null order by changed_at, meter_id limit @most`, map[string]any{"most": most})
}

// Followed clears the marks of meters, except where a total has moved again
// meanwhile.
func Followed(tx *gorm.DB, who access.Actor, all []Moved) error {
	if err := who.Must(access.Plan); err != nil {
		return err
	}
	ids, marks := make([]uuid.UUID, len(all)), make([]time.Time, len(all))
	for i, m := range all {
		ids[i], marks[i] = m.MeterID, m.Mark
	}
	return tx.Exec(`
update meter_state as s set changed_at = null, changed_from = null
  from unnest(cast(@ids as uuid[]), cast(@marks as timestamptz[])) as m(id, mark)
 where s.meter_id = m.id and s.changed_at = m.mark`, map[string]any{"ids": &ids, "marks": &marks}).Error
}
