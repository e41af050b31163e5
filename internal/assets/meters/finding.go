package meters

import (
	"context"
	"fmt"
	"time"

	"github.com/google/uuid"

	"spindlebook/internal/access"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
)

// Limits of findings. Common practice, no source.
const (
	quietDays   = 45   // without a reading
	stuckDays   = 7    // at one value while others of the line went on
	gapNoted    = 0.05 // between two counters of one thing over a month
	reconcileIn = 30   // days over which two counters are compared
)

const quiet = `
select * from meter_now
 where ` + mine + `
   and kind <> 'computed' and until is null
   and coalesce(last_at, "from") < cast(@now as timestamptz) - make_interval(days => @days)
   and (cast(@site as uuid) is null or site_id = @site)
   and code > @after
order by code
   limit @limit`

// Quiet lists meters that have had no reading that counts for 45 days, by code.
// Somebody should go and read them; it never makes anything not due.
func Quiet(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, site *uuid.UUID, p access.Page) ([]Meter, error) {
	return pgdb.Read[Meter](ctx, db, who.ID, quiet, who.Scope(map[string]any{"now": now, "days": quietDays, "site": site, "after": p.After, "limit": p.Limit}))
}

// Finding is something about the meters of a site that somebody should look into.
type Finding struct {
	Kind    string // quiet, doubtful, stuck or gap
	MeterID uuid.UUID
	Meter   string
	Says    string
}

// Gap is how far two counters of one thing are apart over a stretch in which
// both were read.
type Gap struct {
	PrimaryID uuid.UUID
	Primary   string
	OtherID   uuid.UUID
	Other     string
	Unit      Unit
	From      time.Time
	Until     time.Time
	Counted   int64 // by the primary
	OtherDid  int64
}

// Share gives the gap as a share of what the primary counted; 0 where it
// counted nothing and neither did the other.
func (g Gap) Share() float64 {
	switch {
	case g.Counted != 0:
		return float64(g.OtherDid-g.Counted) / float64(g.Counted)
	case g.OtherDid != 0:
		return 1
	}
	return 0
}

// Beside each primary the others of its thing and unit, over the days that both
// cover. The pairs first: readings are looked up for them alone.
const gaps = `
with here as materialized (
  select * from meter_now where site_id = @site and kind <> 'computed' and (@everywhere or site_id = any (@sites))
),
pair as materialized (
  select a.id as primary_id, a.code as primary, b.id as other_id, b.code as other, a.unit, least(a.last_at, b.last_at) as until
    from here as a
    join here as b on b.unit = a.unit and b.id <> a.id and not b.is_primary
     and (b.line_id = a.line_id or b.position_id = a.position_id)
   where a.is_primary
),
covered as (
  select p.*, greatest(p.until - make_interval(days => @days),
                       (select min(r.at) from meter_point as r where r.meter_id = p.primary_id), (select min(r.at) from meter_point as r where r.meter_id = p.other_id)) as "from"
    from pair as p
)
select primary_id, "primary", other_id, other, unit, "from", until from covered where "from" < until order by "primary", other`

// Reconcile compares the counters of each thing of a site over the last month
// that both cover.
func Reconcile(ctx context.Context, db *pgdb.DB, who access.Actor, scale Scale, site uuid.UUID) ([]Gap, error) {
	if err := known(ctx, db, who, site); err != nil {
		return nil, err
	}
	rows, err := pgdb.ReadSome[Gap](ctx, db, who.ID, gaps, who.Scope(map[string]any{"site": site, "days": reconcileIn}))
	if err != nil {
		return nil, err
	}
	var asks []Ask
	for _, g := range rows {
		asks = append(asks, Ask{g.PrimaryID, g.From}, Ask{g.PrimaryID, g.Until}, Ask{g.OtherID, g.From}, Ask{g.OtherID, g.Until})
	}
	totals, err := Totals(ctx, db, who, scale, asks)
	if err != nil {
		return nil, err
	}
	for i := range rows {
		g := &rows[i]
		g.Counted = totals[Ask{g.PrimaryID, g.Until}].Amount - totals[Ask{g.PrimaryID, g.From}].Amount
		g.OtherDid = totals[Ask{g.OtherID, g.Until}].Amount - totals[Ask{g.OtherID, g.From}].Amount
	}
	return rows, nil
}

func known(ctx context.Context, db *pgdb.DB, who access.Actor, site uuid.UUID) error {
	found, err := pgdb.Read[struct{ ID uuid.UUID }](ctx, db, who.ID, `select id from site where id = @id and (@everywhere or id = any (@sites))`, who.Scope(map[string]any{"id": site}))
	if err == nil && len(found) == 0 {
		err = fault.Missing("site", site.String())
	}
	return err
}

// A counter stands while another of its line goes on, and was read so again,
// though its position was in service all the time.
const troubles = `
with here as materialized (select * from meter_now where site_id = @site)
select 'quiet' as kind, m.id as meter_id, m.code as meter, m.last_at, 0::bigint as n
  from here as m
 where m.kind <> 'computed' and m.until is null and coalesce(m.last_at, m."from") < cast(@now as timestamptz) - make_interval(days => @quiet)
 union all
select 'doubtful', m.id, m.code, max(r.at), count(*)
  from reading as r
  join meter as m on m.id = r.meter_id
 where r.site_id = @site and r.state in ('doubtful', 'quarantined')
group by m.id, m.code
 union all
select 'stuck', m.id, m.code, m.grew_at, 0
  from here as m
  left join position as p on p.id = m.position_id
 where m.last_at - m.grew_at >= make_interval(days => @stuck)
   and not exists (select from position_state as t where t.position_id = m.position_id and t.state <> 'in_service' and coalesce(upper(t.during), 'infinity') > m.grew_at)
   and exists (select from here as o left join position as op on op.id = o.position_id
                where o.id <> m.id and coalesce(o.line_id, op.line_id) = coalesce(m.line_id, p.line_id)
                  and o.grew_at > m.grew_at + make_interval(days => @stuck))
order by 3, 1`

// Findings lists what is the matter with the meters of a site: quiet ones,
// readings that wait, counters that stand still while others go on, and two
// counters of one thing that are more than 5 % apart.
func Findings(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, scale Scale, site uuid.UUID) ([]Finding, error) {
	all, err := Reconcile(ctx, db, who, scale, site)
	if err != nil {
		return nil, err
	}
	type row struct {
		Kind    string
		MeterID uuid.UUID
		Meter   string
		LastAt  *time.Time
		N       int64
	}
	rows, err := pgdb.Read[row](ctx, db, who.ID, troubles, map[string]any{"site": site, "now": now, "quiet": quietDays, "stuck": stuckDays})
	if err != nil {
		return nil, err
	}
	found := []Finding{}
	for _, r := range rows {
		f := Finding{Kind: r.Kind, MeterID: r.MeterID, Meter: r.Meter}
		switch r.Kind {
		case "quiet":
			f.Says = "was never read; go and read it"
			if r.LastAt != nil {
				f.Says = fmt.Sprintf("was last read %d days ago; go and read it", int(now.Sub(*r.LastAt).Hours()/24))
			}
		case "doubtful":
			f.Says = fmt.Sprintf("%d readings do not fit and wait for somebody to say what is behind them", r.N)
			if r.N == 1 {
				f.Says = "one reading does not fit and waits for somebody to say what is behind it"
			}
		case "stuck":
			f.Says = fmt.Sprintf("stands still since %s while others of its line go on; look at it, and mark it as not to be relied on if it stuck", r.LastAt.UTC().Format("2 January 2006"))
		}
		found = append(found, f)
	}
	for _, g := range all {
		if s := g.Share(); s > gapNoted || s < -gapNoted {
			found = append(found, Finding{Kind: "gap", MeterID: g.OtherID, Meter: g.Other,
				Says: fmt.Sprintf("counted %s while %s, which leads, counted %s from %s to %s: %+.1f %%", g.Unit.say(g.OtherDid), g.Primary, g.Unit.say(g.Counted),
					g.From.UTC().Format("2 January 2006"), g.Until.UTC().Format("2 January 2006"), 100*s)})
		}
	}
	return found, nil
}
