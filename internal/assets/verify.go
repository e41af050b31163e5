package assets

import (
	"context"

	"spindlebook/internal/access"
	"spindlebook/internal/pgdb"
)

// Difference is something in the record that cannot be so.
type Difference struct {
	Thing string // the kind of thing and its code
	Says  string
}

const differences = `
select 'site ' || s.code as thing, 'belongs to nobody now' as says
  from site as s
 where not exists (select from ownership as o where o.site_id = s.id and o.during @> now())
   and exists (select from ownership as o where o.site_id = s.id and lower(o.during) <= now())
 union all
select 'position ' || p.code, 'is without a state for a part of its time'
  from position as p
 where not tstzmultirange(p.during) <@ coalesce((select range_agg(st.during) from position_state as st where st.position_id = p.id), '{}')
 union all
select 'position ' || p.code, 'stands beyond the end of its line'
  from position as p
  join line as l on l.id = p.line_id
 where p.along_m > l.length_m
 union all
select 'position ' || p.code, 'is fed by a supply that has ended'
  from position as p
  join supply as e on e.id = p.supply_id
 where upper(e.during) <= now() and upper_inf(p.during)
 union all
select 'position ' || p.code, 'shares a fact with another time: ' || f.fact
  from position as p
  join position_fact as f on f.position_id = p.id and f.withdrawn_at is null
 where not f.during <@ tstzrange(lower(p.during), null)
 union all
select 'isolation point ' || i.code, 'has no version that holds now'
  from isolation_point as i
 where not exists (select from isolation_version as v where v.point_id = i.id and v.during @> now())
   and lower(i.during) <= now()
 order by 1, 2`

// Verify recomputes what the record says about itself and lists what cannot be
// so. The actor must see everything.
func Verify(ctx context.Context, db *pgdb.DB, who access.Actor) ([]Difference, error) {
	return pgdb.Read[Difference](ctx, db, who.ID, differences, nil)
}
