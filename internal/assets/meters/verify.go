package meters

import (
	"context"

	"spindlebook/internal/access"
	"spindlebook/internal/pgdb"
)

// Difference is something in the record of meters that cannot be so.
type Difference struct {
	Thing string // the meter with its code
	Says  string
}

const differences = `
with point as (
  select p.meter_id, p.at, p.total, lag(p.total) over w as before, p.at = max(p.at) over (partition by p.meter_id) as is_last
    from meter_point as p
  window w as (partition by p.meter_id order by p.at)
)
select 'meter ' || m.code as thing, 'falls: its total at ' || to_char(min(p.at) at time zone 'UTC', 'YYYY-MM-DD HH24:MI') || ' is less than before' as says
  from point as p join meter as m on m.id = p.meter_id
 where p.total < p.before
group by m.code
 union all
select 'meter ' || m.code, 'is known to stand at another total than its last reading'
  from meter_state as s
  join meter as m on m.id = s.meter_id
  left join point as p on p.meter_id = s.meter_id and p.is_last
 where (s.last_at, s.last_total) is distinct from (p.at, p.total)
 union all
select 'meter ' || m.code, 'has a time without a run of its counter'
  from meter as m
 where not cast('{(,)}' as tstzmultirange) <@ coalesce((select range_agg(g.during) from meter_segment as g where g.meter_id = m.id), '{}')
 union all
select 'meter ' || m.code, 'has a value that its counter cannot show'
  from reading as r
  join meter as m on m.id = r.meter_id
  join meter_segment as g on g.meter_id = r.meter_id and g.during @> r.at
 where r.state = 'counts' and (r.value >= g.modulus or r.value < g.start_value)
group by m.code
order by 1, 2`

// Verify works out anew what the record says of meters and lists what cannot be
// so. The actor must see everything.
func Verify(ctx context.Context, db *pgdb.DB, who access.Actor) ([]Difference, error) {
	return pgdb.Read[Difference](ctx, db, who.ID, differences, nil)
}
