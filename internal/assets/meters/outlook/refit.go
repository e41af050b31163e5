package outlook

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets/meters"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/usage"
)

const (
	// Enough meters of one climate, size and unit: more change no factor by a hundredth.
	enough = 300
	// atOnce bounds how many meters are read at a time, and so the memory it takes.
	atOnce = 200
	// leastDays is what a site must have read before it has factors of its own.
	leastDays = 90
)

// Horizons are how many days ahead forecasts are held against what came.
var Horizons = []int{30, 90, 180}

// known is a meter that is read, with what its profile is learnt for.
type known struct {
	ID      uuid.UUID
	SiteID  uuid.UUID
	Unit    meters.Unit
	Climate string
	Size    string
}

func (k known) pool() pool { return pool{k.Climate, k.Size, k.Unit} }

// In an order that belongs to nothing, so that the first of them are a fair
// sample; the same each night.
const readMeters = `
select m.id, m.site_id, m.unit, s.climate, s.size
  from meter as m
  join site as s on s.id = m.site_id
 where m.kind <> 'computed'
order by md5(m.id::text)`

// read gives the histories of meters over their sites' calendars, at most atOnce of them.
func (c *Calendars) read(ctx context.Context, db *pgdb.DB, who access.Actor, all []known) ([]usage.Meter, error) {
	ids := make([]uuid.UUID, len(all))
	for i, k := range all {
		ids[i] = k.ID
	}
	found, err := meters.Histories(ctx, db, who, ids, c.from)
	if err != nil {
		return nil, err
	}
	var out []usage.Meter
	for _, id := range ids {
		h := found[id]
		if h == nil || len(h.Points) < 2 {
			continue
		}
		laid, err := c.At(h.Site, h.Unit)
		if err != nil {
			return nil, err
		}
		out = append(out, usage.Meter{History: history(h), Calendar: laid})
	}
	return out, nil
}

func sitesOf(all []known) []uuid.UUID {
	seen := map[uuid.UUID]bool{}
	var ids []uuid.UUID
	for _, k := range all {
		if !seen[k.SiteID] {
			seen[k.SiteID] = true
			ids = append(ids, k.SiteID)
		}
	}
	return ids
}

// Refit learns profiles anew from the readings of all meters: for each climate,
// size and unit from a sample of at most 300 of them, with the drift that its
// own forecasts show; then for each site what is its own, shrunk to the pooled
// one by how much was seen. It is the nightly job; several may run at once.
func Refit(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time) error {
	all, err := pgdb.Read[known](ctx, db, who.ID, readMeters, nil)
	if err != nil {
		return err
	}
	pools := map[pool][]known{}
	for _, k := range all {
		pools[k.pool()] = append(pools[k.pool()], k)
	}
	keys := slices.Collect(maps.Keys(pools))
	slices.SortFunc(keys, func(a, b pool) int {
		return slices.Compare([]string{a.climate, a.size, string(a.unit)}, []string{b.climate, b.size, string(b.unit)})
	})
	for _, k := range keys {
		if err := refit(ctx, db, who, now, k, pools[k]); err != nil {
			return fmt.Errorf("learn how %s are used at %s sites of climate %s: %w", k.unit, k.size, k.climate, err)
		}
	}
	return nil
}

func refit(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, k pool, all []known) error {
	sample := all[:min(len(all), enough)]
	c, err := Of(ctx, db, who, now, sitesOf(sample)...)
	if err != nil {
		return err
	}
	c.without = true
	delete(c.pooled, k) // from the trade's figures each time: what was learnt must not learn from itself
	base, err := c.pool(k)
	if err != nil {
		return err
	}
	read := func() (all []usage.Meter, err error) {
		for part := range slices.Chunk(sample, atOnce) {
			some, err := c.read(ctx, db, who, part)
			if err != nil {
				return nil, err
			}
			all = append(all, some...)
		}
		return all, nil
	}
	seen, err := read()
	if err != nil || len(seen) == 0 {
		return err
	}
	learnt := usage.Learn(base, seen)
	c.pooled[k], c.laid = learnt, map[ofSite]*usage.Calendar{}
	if seen, err = read(); err != nil {
		return err
	}
	var cases []usage.Case
	for _, days := range Horizons {
		some, err := usage.Backtest(seen, days)
		if err != nil {
			return err
		}
		cases = append(cases, some...)
	}
	if kappa, ok := usage.Kappa(cases); ok {
		learnt.Kappa = kappa
	}
	if err := keep(ctx, db, who, now, pooledRows(k, learnt)); err != nil {
		return err
	}
	return own(ctx, db, who, now, k, learnt, all)
}

// own learns what is a site's own, by its meters of one unit together.
func own(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, k pool, pooled usage.Profile, all []known) error {
	all = slices.Clone(all)
	slices.SortStableFunc(all, func(a, b known) int { return slices.Compare(a.SiteID[:], b.SiteID[:]) })
	for len(all) > 0 {
		n := min(atOnce, len(all))
		for n < len(all) && all[n].SiteID == all[n-1].SiteID { // a site is not split
			n++
		}
		part := all[:n]
		all = all[n:]
		c, err := Of(ctx, db, who, now, sitesOf(part)...)
		if err != nil {
			return err
		}
		c.without, c.pooled[k] = true, pooled
		var rows []meters.Factor
		for len(part) > 0 {
			m := 1
			for m < len(part) && part[m].SiteID == part[0].SiteID {
				m++
			}
			seen, err := c.read(ctx, db, who, part[:m])
			if err != nil {
				return err
			}
			if p := usage.Learn(pooled, seen); p.Years*365.25 >= leastDays {
				rows = append(rows, ownRows(part[0].SiteID, k.unit, p)...)
			}
			part = part[m:]
		}
		if err := keep(ctx, db, who, now, rows); err != nil {
			return err
		}
	}
	return nil
}

func keep(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, rows []meters.Factor) error {
	if len(rows) == 0 {
		return nil
	}
	return db.InTx(ctx, who.ID, func(tx *gorm.DB) error { return meters.KeepProfile(tx, who, now, rows) })
}

// ownRows are the months and weekdays of a site; hours and drift are the pool's.
func ownRows(site uuid.UUID, unit meters.Unit, p usage.Profile) []meters.Factor {
	var rows []meters.Factor
	for _, f := range factors(p) {
		if f.Part == "month" || f.Part == "weekday" {
			f.SiteID, f.Unit = &site, unit
			rows = append(rows, f)
		}
	}
	return rows
}

func pooledRows(k pool, p usage.Profile) []meters.Factor {
	rows := factors(p)
	for i := range rows {
		rows[i].Climate, rows[i].Size, rows[i].Unit = &k.climate, &k.size, k.unit
	}
	return rows
}

func factors(p usage.Profile) []meters.Factor {
	rows := []meters.Factor{{Part: "kappa", Factor: p.Kappa}}
	for i, f := range p.Month {
		rows = append(rows, meters.Factor{Part: "month", Ordinal: i + 1, Factor: f})
	}
	for i, f := range p.Weekday {
		rows = append(rows, meters.Factor{Part: "weekday", Ordinal: (i+6)%7 + 1, Factor: f})
	}
	for i, f := range p.Hour {
		rows = append(rows, meters.Factor{Part: "hour", Ordinal: i, Factor: f})
	}
	for i := range rows {
		rows[i].Meters, rows[i].Years = p.Meters, p.Years
	}
	return rows
}

// Fewer forecasts, or fewer meters, tell too little to be relied on.
const (
	FewCases  = 300
	FewMeters = 30
)

// Held is how forecasts some days ahead held.
type Held struct {
	Days int
	usage.Score
}

// Few tells that there were too few to rely on what they say.
func (h Held) Few() bool { return h.Cases < FewCases || h.Meters < FewMeters }

// Says tells in a sentence or two how they held, and what it is worth.
func (h Held) Says() string {
	if h.Cases == 0 {
		return fmt.Sprintf("No counter was read for long enough to hold a forecast %d days ahead against what came.", h.Days)
	}
	s := fmt.Sprintf("Of %d forecasts about %d days ahead %.0f %% held the day within their range, and 80 %% are what a range promises; half of the likely days were off by at most %.1f days.",
		h.Cases, h.Days, 100*h.Coverage, h.Error)
	if h.Few() {
		s += fmt.Sprintf(" They are of %d counters; fewer than %d forecasts or %d counters say little.", h.Meters, FewCases, FewMeters)
	}
	return s
}

// Tested is what a backtest found.
type Tested struct {
	Meters int // that were looked at
	Of     int // in sight
	Held   []Held
}

// Backtest forecasts at past instants, by what was known then, and holds it
// against what came, for every meter in sight or a fair sample of at most so many
// (0 is all). Profiles and drift are those of today, which have seen what came.
func Backtest(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, most int) (Tested, error) {
	all, err := pgdb.Read[known](ctx, db, who.ID, readMeters, nil)
	if err != nil {
		return Tested{}, err
	}
	t := Tested{Of: len(all)}
	if most > 0 {
		all = all[:min(most, len(all))]
	}
	t.Meters = len(all)
	cases := make([][]usage.Case, len(Horizons))
	at := 0
	for part := range slices.Chunk(all, atOnce) {
		c, err := Of(ctx, db, who, now, sitesOf(part)...)
		if err != nil {
			return Tested{}, err
		}
		seen, err := c.read(ctx, db, who, part)
		if err != nil {
			return Tested{}, err
		}
		for i, days := range Horizons {
			some, err := usage.Backtest(seen, days)
			if err != nil {
				return Tested{}, err
			}
			for j := range some {
				some[j].Meter += at
			}
			cases[i] = append(cases[i], some...)
		}
		at += len(seen)
	}
	for i, days := range Horizons {
		t.Held = append(t.Held, Held{days, usage.Sum(cases[i])})
	}
	return t, nil
}
