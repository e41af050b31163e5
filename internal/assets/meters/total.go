package meters

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"time"

	"github.com/google/uuid"

	"spindlebook/internal/access"
	"spindlebook/internal/pgdb"
)

// Days counts the days of use between two instants at a site, negative where to
// lies before from. Use grows evenly on that scale, so it decides where between
// two readings a total lies, and where beyond them. A usage.Calendar is one.
type Days interface {
	Days(from, to time.Time) float64
}

// Site is what it takes to count days of use at it.
type Site struct {
	ID      uuid.UUID
	Zone    string
	Climate string
	Size    string
	TurnsAt string // when its operating day turns: 03:00
}

// CalendarDays is Days on which every day counts as one, of 23, 24 or 25 hours.
type CalendarDays struct{ Zone *time.Location }

// Days counts local days.
func (c CalendarDays) Days(from, to time.Time) float64 { return c.day(to) - c.day(from) }

// day numbers the local day of an instant, with the share of it that is gone.
func (c CalendarDays) day(t time.Time) float64 {
	l := t.In(c.Zone)
	y, m, d := l.Date()
	start, end := time.Date(y, m, d, 0, 0, 0, 0, c.Zone), time.Date(y, m, d+1, 0, 0, 0, 0, c.Zone)
	n := time.Date(y, m, d, 0, 0, 0, 0, time.UTC).Unix() / 86400
	return float64(n) + float64(t.Sub(start))/float64(end.Sub(start))
}

// PlainDays gives CalendarDays for a site, whatever is counted.
func PlainDays(s Site, _ Unit) (Days, error) { return calendarDays(s) }

func calendarDays(s Site) (Days, error) {
	zone, err := time.LoadLocation(s.Zone)
	if err != nil {
		return nil, fmt.Errorf("the zone of a site: %w", err)
	}
	return CalendarDays{zone}, nil
}

// Scale gives for a site how its days of use are counted, for what counts in a
// unit: run hours sway less with the season than vehicles do.
type Scale func(Site, Unit) (Days, error)

// Ask asks for the total of a meter at an instant.
type Ask struct {
	MeterID uuid.UUID
	At      time.Time
}

// Total is what a meter has counted up to an instant.
type Total struct {
	Unit   Unit
	Amount int64
	Grade  Grade // Default where nothing is known; then Amount is 0
	// ReadAt is the reading from which it was worked out: the one before, or the
	// nearest. Nil where there is none.
	ReadAt *time.Time
}

// At gives the total of one meter at an instant.
func At(ctx context.Context, db *pgdb.DB, who access.Actor, scale Scale, meter uuid.UUID, at time.Time) (Total, error) {
	if _, err := One(ctx, db, who, meter); err != nil {
		return Total{}, err
	}
	asks := []Ask{{meter, at}}
	all, err := Totals(ctx, db, who, scale, asks)
	return all[asks[0]], err
}

type askedMeter struct {
	ID       uuid.UUID
	Unit     Unit
	Computed bool
	SiteID   uuid.UUID
	Zone     string
	Climate  string
	Size     string
	TurnsAt  string
	Formulas string
}

// scaled is what shares one way of counting days of use.
type scaled struct {
	site uuid.UUID
	unit Unit
}

func (m askedMeter) scaled() scaled { return scaled{m.SiteID, m.Unit} }

// formula is a stretch of a derived meter.
type formula struct {
	From  int64  `json:"from"`
	Until *int64 `json:"until"`
	Ratio float64
	Terms []struct {
		Source uuid.UUID `json:"source"`
		Weight float64   `json:"weight"`
	} `json:"terms"`
}

const askedMeters = `
select m.id, m.unit, m.kind = 'computed' as computed, m.site_id, s.zone, s.climate, s.size, to_char(s.day_turns_at, 'HH24:MI') as turns_at,
       coalesce((select jsonb_agg(jsonb_build_object('from', floor(extract(epoch from lower(f.during)) * 1000000)::bigint,
                   'until', floor(extract(epoch from upper(f.during)) * 1000000)::bigint, 'ratio', f.ratio,
                   'terms', (select jsonb_agg(jsonb_build_object('source', t.source_id, 'weight', t.weight)) from meter_formula_term as t where t.formula_id = f.id)) order by f.during)
          from meter_formula as f where f.meter_id = m.id), '[]')::text as formulas
  from meter as m
  join site as s on s.id = m.site_id
 where m.id = any (@meters)`

// Two readings around each instant. Beyond the last one also the earliest within
// a year of it, and before the first one the latest within a year after it: the
// line through both goes on.
const around = `
select u.n, b.at as before_at, b.total as before_total, b.source as before_source, a.at as after_at, a.total as after_total, a.source as after_source,
       f.at as far_at, f.total as far_total
  from unnest(cast(@meters as uuid[]), cast(@ats as timestamptz[])) with ordinality as u(meter_id, at, n)
  left join lateral (select p.at, p.total, p.source from meter_point as p where p.meter_id = u.meter_id and p.at <= u.at order by p.at desc limit 1) as b on true
  left join lateral (select p.at, p.total, p.source from meter_point as p where p.meter_id = u.meter_id and p.at > u.at and b.at is distinct from u.at order by p.at limit 1) as a on true
  left join lateral (
    (select p.at, p.total from meter_point as p
      where a.at is null and b.at < u.at and p.meter_id = u.meter_id and p.at >= b.at - interval '365 days' and p.at < b.at order by p.at limit 1)
     union all
    (select p.at, p.total from meter_point as p
      where b.at is null and p.meter_id = u.meter_id and p.at <= a.at + interval '365 days' and p.at > a.at order by p.at desc limit 1)) as f on true`

type aroundRow struct {
	N            int
	BeforeAt     *time.Time
	BeforeTotal  *int64
	BeforeSource *string
	AfterAt      *time.Time
	AfterTotal   *int64
	AfterSource  *string
	FarAt        *time.Time
	FarTotal     *int64
}

// Totals gives the totals of many meters at many instants in two statements, in
// the actor's sight. Every ask is in the answer.
func Totals(ctx context.Context, db *pgdb.DB, who access.Actor, scale Scale, asks []Ask) (map[Ask]Total, error) {
	found := make(map[Ask]Total, len(asks))
	if len(asks) == 0 {
		return found, nil
	}
	meters, formulas, days, err := asked(ctx, db, who, scale, asks)
	if err != nil {
		return nil, err
	}
	// what has to be looked up: the asks of read meters, and the ends of the
	// stretches of derived ones
	want := map[Ask]bool{}
	for _, a := range asks {
		m, known := meters[a.MeterID]
		switch {
		case !known:
		case !m.Computed:
			want[micro(a)] = true
		default:
			for _, p := range pieces(formulas[a.MeterID], a.At) {
				for _, t := range p.terms {
					want[Ask{t.source, p.from}], want[Ask{t.source, p.until}] = true, true
				}
			}
		}
	}
	read, err := look(ctx, db, who, meters, days, want)
	if err != nil {
		return nil, err
	}
	for _, a := range asks {
		m, known := meters[a.MeterID]
		switch {
		case !known:
			found[a] = Total{Grade: Default}
		case !m.Computed:
			found[a] = read[micro(a)]
		default:
			found[a] = derive(m.Unit, pieces(formulas[a.MeterID], a.At), read)
		}
	}
	return found, nil
}

// micro cuts an instant to what the database keeps.
func micro(a Ask) Ask { return Ask{a.MeterID, a.At.UTC().Truncate(time.Microsecond)} }

// asked reads the meters that are asked for, and the sources of derived ones.
func asked(ctx context.Context, db *pgdb.DB, who access.Actor, scale Scale, asks []Ask) (map[uuid.UUID]askedMeter, map[uuid.UUID][]formula, map[scaled]Days, error) {
	ids := map[uuid.UUID]bool{}
	var list []uuid.UUID
	for _, a := range asks {
		if !ids[a.MeterID] {
			ids[a.MeterID] = true
			list = append(list, a.MeterID)
		}
	}
	rows, err := pgdb.Read[askedMeter](ctx, db, who.ID, askedMeters+`
    or m.id in (select t.source_id from meter_formula as f join meter_formula_term as t on t.formula_id = f.id where f.meter_id = any (@meters))`, map[string]any{"meters": list})
	if err != nil {
		return nil, nil, nil, err
	}
	meters, formulas, days := make(map[uuid.UUID]askedMeter, len(rows)), map[uuid.UUID][]formula{}, map[scaled]Days{}
	for _, m := range rows {
		meters[m.ID] = m
		if m.Computed {
			var all []formula
			if err := json.Unmarshal([]byte(m.Formulas), &all); err != nil {
				return nil, nil, nil, fmt.Errorf("the formulas of a meter: %w", err)
			}
			formulas[m.ID] = all
		}
		if k := m.scaled(); days[k] == nil {
			if days[k], err = scale(Site{m.SiteID, m.Zone, m.Climate, m.Size, m.TurnsAt}, m.Unit); err != nil {
				return nil, nil, nil, err
			}
		}
	}
	return meters, formulas, days, nil
}

// look reads totals of meters that are read.
func look(ctx context.Context, db *pgdb.DB, who access.Actor, meters map[uuid.UUID]askedMeter, days map[scaled]Days, want map[Ask]bool) (map[Ask]Total, error) {
	list := make([]Ask, 0, len(want))
	for a := range want {
		list = append(list, a)
	}
	slices.SortFunc(list, func(a, b Ask) int { // so that pages of the index are read in order
		if a.MeterID != b.MeterID {
			return slices.Compare(a.MeterID[:], b.MeterID[:])
		}
		return a.At.Compare(b.At)
	})
	ids, ats := make([]uuid.UUID, len(list)), make([]time.Time, len(list))
	for i, a := range list {
		ids[i], ats[i] = a.MeterID, a.At
	}
	rows, err := pgdb.Read[aroundRow](ctx, db, who.ID, around, map[string]any{"meters": ids, "ats": ats})
	if err != nil {
		return nil, err
	}
	found := make(map[Ask]Total, len(rows))
	for i := range rows {
		a := list[rows[i].N-1]
		m, known := meters[a.MeterID]
		if !known {
			continue
		}
		found[a] = rows[i].total(m.Unit, a.At, days[m.scaled()])
	}
	return found, nil
}

// total works out the total at an instant from the readings around it.
func (r *aroundRow) total(u Unit, at time.Time, days Days) Total {
	switch {
	case r.BeforeAt != nil && r.BeforeAt.Equal(at):
		return Total{u, *r.BeforeTotal, gradeOf(*r.BeforeSource), r.BeforeAt}
	case r.BeforeAt != nil && r.AfterAt != nil:
		grade := weaker(Interpolated, weaker(gradeOf(*r.BeforeSource), gradeOf(*r.AfterSource)))
		return Total{u, between(days, *r.BeforeAt, *r.BeforeTotal, *r.AfterAt, *r.AfterTotal, at), grade, r.BeforeAt}
	case r.BeforeAt != nil:
		t := Total{u, *r.BeforeTotal, weaker(Extrapolated, gradeOf(*r.BeforeSource)), r.BeforeAt}
		if r.FarAt != nil {
			t.Amount = max(t.Amount, between(days, *r.FarAt, *r.FarTotal, *r.BeforeAt, *r.BeforeTotal, at))
		}
		return t
	case r.AfterAt != nil:
		t := Total{u, *r.AfterTotal, weaker(Extrapolated, gradeOf(*r.AfterSource)), r.AfterAt}
		if r.FarAt != nil {
			t.Amount = min(t.Amount, between(days, *r.AfterAt, *r.AfterTotal, *r.FarAt, *r.FarTotal, at))
		}
		return t
	}
	return Total{Unit: u, Grade: Default}
}

// between lays a line through two totals over days of use; at may lie beyond
// them. It is the one place where totals are interpolated.
func between(days Days, from time.Time, a int64, until time.Time, b int64, at time.Time) int64 {
	all := days.Days(from, until)
	if all <= 0 { // closed all the time, and counted even so
		if at.Before(until) {
			return a
		}
		return b
	}
	grown := float64(b-a) * days.Days(from, at) / all
	if at.After(from) && at.Before(until) {
		grown = min(max(grown, 0), float64(b-a))
	}
	return a + int64(math.Floor(grown))
}

// piece is a stretch of a derived meter over which one formula holds.
type piece struct {
	from, until time.Time
	terms       []term
}

type term struct {
	source uuid.UUID
	by     float64 // weight and ratio
}

// pieces gives what a derived meter's total at an instant is made of.
func pieces(all []formula, at time.Time) []piece {
	var out []piece
	for _, f := range all {
		p := piece{from: time.UnixMicro(f.From).UTC(), until: at.UTC().Truncate(time.Microsecond)}
		if f.Until != nil && *f.Until < at.UnixMicro() {
			p.until = time.UnixMicro(*f.Until).UTC()
		}
		if !p.from.Before(p.until) {
			continue
		}
		for _, t := range f.Terms {
			p.terms = append(p.terms, term{t.Source, t.Weight * f.Ratio})
		}
		out = append(out, p)
	}
	return out
}

// derive adds up the pieces. What a formula made of its own time stays, whatever
// the next one says.
func derive(u Unit, all []piece, read map[Ask]Total) Total {
	t := Total{Unit: u, Grade: Computed}
	if len(all) == 0 {
		t.Grade = Default
	}
	for _, p := range all {
		grown := 0.0
		t.ReadAt = nil // what ended is settled: the last piece goes by what was read lately
		for _, m := range p.terms {
			from, until := read[Ask{m.source, p.from}], read[Ask{m.source, p.until}]
			t.Grade = weaker(t.Grade, weaker(from.Grade, until.Grade))
			grown += m.by * float64(until.Amount-from.Amount)
			if until.ReadAt != nil && (t.ReadAt == nil || until.ReadAt.Before(*t.ReadAt)) {
				t.ReadAt = until.ReadAt
			}
		}
		t.Amount += int64(math.Floor(grown))
	}
	return t
}
