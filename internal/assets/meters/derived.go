package meters

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strconv"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
)

// Term is a share of a derived meter's sum.
type Term struct {
	MeterID uuid.UUID
	Weight  float64 // above 0; 1 for both lines that a shared compressor serves
}

// NewFormula says how a derived meter is computed from an instant on.
type NewFormula struct {
	From  time.Time
	Terms []Term
	// Ratio is how much of this meter one of the sum makes: seconds of running a
	// vehicle, or 1. 0 learns it from a meter of run hours.
	Ratio     float64
	LearnFrom *uuid.UUID
}

// Formula is a stretch of a derived meter.
type Formula struct {
	ID         uuid.UUID
	From       time.Time
	Until      *time.Time
	Ratio      float64
	LearntFrom *uuid.UUID
	LearntN    *int // from how many stretches
	Terms      []Term
}

type formulaRow struct {
	ID         uuid.UUID
	From       time.Time
	Until      *time.Time
	Ratio      float64
	LearntFrom *uuid.UUID
	LearntN    *int
	SourceID   uuid.UUID
	Weight     float64
}

const formulasOf = `
select f.id, lower(f.during) as "from", upper(f.during) as until, f.ratio::float8 as ratio, f.learnt_from, f.learnt_n, t.source_id, t.weight::float8 as weight
  from meter_formula as f
  join meter_formula_term as t on t.formula_id = f.id
 where f.meter_id = @meter
order by f.during, t.source_id`

// Formulas lists how a derived meter is and was computed.
func Formulas(ctx context.Context, db *pgdb.DB, who access.Actor, meter uuid.UUID) ([]Formula, error) {
	if _, err := One(ctx, db, who, meter); err != nil {
		return nil, err
	}
	rows, err := pgdb.Read[formulaRow](ctx, db, who.ID, formulasOf, map[string]any{"meter": meter})
	return gathered(rows), err
}

// gathered puts the terms of each formula together.
func gathered(rows []formulaRow) []Formula {
	var all []Formula
	for _, r := range rows {
		if len(all) == 0 || all[len(all)-1].ID != r.ID {
			all = append(all, Formula{ID: r.ID, From: r.From, Until: r.Until, Ratio: r.Ratio, LearntFrom: r.LearntFrom, LearntN: r.LearntN})
		}
		f := &all[len(all)-1]
		f.Terms = append(f.Terms, Term{r.SourceID, r.Weight})
	}
	return all
}

// Derive says how a derived meter is computed from an instant on. Totals before
// it stay as they were.
func Derive(tx *gorm.DB, who access.Actor, now time.Time, meter uuid.UUID, in NewFormula) ([]Formula, error) {
	if err := who.Must(access.KeepRegister); err != nil {
		return nil, err
	}
	m, err := oneInTx(tx, meter)
	if err != nil {
		return nil, err
	}
	in.From = in.From.UTC().Truncate(time.Microsecond)
	switch {
	case m.Kind != "computed":
		return nil, fault.Field("kind", m.Kind, "is read and not computed; only a meter of kind computed has a formula")
	case len(in.Terms) == 0:
		return nil, fault.Field("terms", "", "names at least one meter")
	case in.From.After(now):
		return nil, fault.Field("from", stamp(in.From), "must not lie ahead")
	case in.Ratio == 0 && in.LearnFrom == nil:
		return nil, fault.Field("ratio", 0, "is needed, or learn_from: the meter of run hours from which it is learnt")
	case in.Ratio < 0 || math.IsNaN(in.Ratio) || math.IsInf(in.Ratio, 0):
		return nil, fault.Field("ratio", in.Ratio, "must be a finite number above 0")
	}
	ids := make([]uuid.UUID, len(in.Terms))
	for i, t := range in.Terms {
		ids[i] = t.MeterID
		if t.Weight <= 0 || t.Weight > 1000 || math.IsNaN(t.Weight) {
			return nil, fault.Field(fmt.Sprintf("terms[%d].weight", i), t.Weight, "lies above 0 and at most at 1000")
		}
		if slices.Contains(ids[:i], t.MeterID) {
			return nil, fault.Field(fmt.Sprintf("terms[%d].meter_id", i), t.MeterID, "stands there twice")
		}
	}
	var sources []struct {
		ID   uuid.UUID
		Kind string
		Unit Unit
	}
	if err := tx.Raw(`select id, kind, unit from meter where id = any (@ids) and site_id = @site`, map[string]any{"ids": &ids, "site": m.SiteID}).Scan(&sources).Error; err != nil {
		return nil, err
	}
	for i, id := range ids {
		at := slices.IndexFunc(sources, func(s struct {
			ID   uuid.UUID
			Kind string
			Unit Unit
		}) bool {
			return s.ID == id
		})
		switch {
		case at < 0:
			return nil, fault.Field(fmt.Sprintf("terms[%d].meter_id", i), id, "names no meter of this site")
		case sources[at].Kind == "computed":
			return nil, fault.Field(fmt.Sprintf("terms[%d].meter_id", i), id, "is computed itself; name meters that are read")
		}
	}
	var n *int
	if in.Ratio == 0 {
		l, err := learn(tx, *in.LearnFrom, in.Terms, in.From)
		if err != nil {
			return nil, err
		}
		in.Ratio, n = l.Ratio, &l.Stretches
	}
	v := map[string]any{"id": pgdb.NewID(), "meter": meter, "site": m.SiteID, "from": in.From, "ratio": strconv.FormatFloat(in.Ratio, 'f', 6, 64), "learnt": in.LearnFrom, "n": n, "now": now, "who": who.ID}
	var later int64
	if err := tx.Raw(`select count(*) from meter_formula where meter_id = @meter and lower(during) >= @from`, v).Scan(&later).Error; err != nil {
		return nil, err
	}
	if later > 0 {
		return nil, conflict("from", stamp(in.From), "must lie after the formula that holds now began: past totals stay as they are")
	}
	if err := tx.Exec(`update meter_formula set during = tstzrange(lower(during), @from) where meter_id = @meter and during @> cast(@from as timestamptz)`, v).Error; err != nil {
		return nil, err
	}
	if err := tx.Exec(`
insert into meter_formula (id, meter_id, site_id, during, ratio, learnt_from, learnt_n, recorded_at, recorded_by)
values (@id, @meter, @site, tstzrange(@from, null), cast(@ratio as numeric), @learnt, @n, @now, @who)`, v).Error; err != nil {
		return nil, err
	}
	weights := make([]float64, len(in.Terms))
	for i, t := range in.Terms {
		weights[i] = t.Weight
	}
	v["ids"], v["weights"] = &ids, &weights
	if err := tx.Exec(`
insert into meter_formula_term (formula_id, source_id, site_id, weight)
select @id, t.id, @site, t.weight from unnest(cast(@ids as uuid[]), cast(@weights as float8[])) as t(id, weight)`, v).Error; err != nil {
		return nil, err
	}
	var rows []formulaRow
	err = tx.Raw(formulasOf, v).Scan(&rows).Error
	return gathered(rows), err
}

// Learnt is a ratio with what stands behind it.
type Learnt struct {
	Ratio     float64
	Stretches int
	Low, High float64 // the lower and upper quartile
}

// learnDays is how far back a ratio is learnt from, and leastStretches how many
// stretches it takes. Common practice, no source: the ratio varies with traffic.
const (
	learnDays      = 60
	leastStretches = 3
)

// stretches of a meter of run hours, day by day, with what the others counted in them
const stretches = `
with few as (
  select distinct on (floor(extract(epoch from p.at) / 86400)) p.at, p.total
    from meter_point as p
   where p.meter_id = @hours and p.at <= @until and p.at > cast(@until as timestamptz) - make_interval(days => @days)
order by floor(extract(epoch from p.at) / 86400), p.at desc
),
pairs as (select at, total - lag(total) over w as grew, lag(at) over w as since from few window w as (order by at))
select p.grew::float8 / c.counted as ratio
  from pairs as p
 cross join lateral (select sum(t.weight * (total_between(t.id, p.at) - total_between(t.id, p.since))) as counted
                       from unnest(cast(@ids as uuid[]), cast(@weights as float8[])) as t(id, weight)
                     having bool_and(total_between(t.id, p.at) is not null and total_between(t.id, p.since) is not null)) as c
 where p.since is not null and c.counted > 0
order by 1`

// learn gives the ratio of a meter of run hours to a sum of others: the median
// over the stretches of the last 60 days in which both were read, without those
// that are off by more than half.
func learn(tx *gorm.DB, hours uuid.UUID, terms []Term, until time.Time) (Learnt, error) {
	ids, weights := make([]uuid.UUID, len(terms)), make([]float64, len(terms))
	for i, t := range terms {
		ids[i], weights[i] = t.MeterID, t.Weight
	}
	if _, err := oneInTx(tx, hours); err != nil {
		return Learnt{}, err
	}
	var rows []struct{ Ratio float64 }
	if err := tx.Raw(stretches, map[string]any{"hours": hours, "until": until, "days": learnDays, "ids": &ids, "weights": &weights}).Scan(&rows).Error; err != nil {
		return Learnt{}, err
	}
	var all []float64
	for _, r := range rows {
		all = append(all, r.Ratio)
	}
	if len(all) >= leastStretches {
		m := quantile(all, 0.5)
		all = slices.DeleteFunc(all, func(r float64) bool { return math.Abs(r/m-1) > offDoubted })
	}
	if len(all) < leastStretches || quantile(all, 0.5) <= 0 {
		return Learnt{}, fault.Field("learn_from", hours, "was read with the others over %d stretches in the %d days before; it takes %d", len(all), learnDays, leastStretches)
	}
	return Learnt{Ratio: quantile(all, 0.5), Stretches: len(all), Low: quantile(all, 0.25), High: quantile(all, 0.75)}, nil
}

// Learn tells which ratio would be learnt from a meter of run hours as of an
// instant, without keeping it.
func Learn(tx *gorm.DB, who access.Actor, hours uuid.UUID, terms []Term, until time.Time) (Learnt, error) {
	if err := who.Must(access.KeepRegister); err != nil {
		return Learnt{}, err
	}
	return learn(tx, hours, terms, until)
}

// quantile of sorted numbers, on a line between the two nearest.
func quantile(sorted []float64, p float64) float64 {
	at := p * float64(len(sorted)-1)
	i := int(at)
	if i+1 >= len(sorted) {
		return sorted[len(sorted)-1]
	}
	return sorted[i] + (at-float64(i))*(sorted[i+1]-sorted[i])
}
