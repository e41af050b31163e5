package stock

import (
	"context"

	"spindlebook/internal/access"
	"spindlebook/internal/pgdb"
)

// Difference is something in the record that cannot be so.
type Difference struct {
	Thing string
	Says  string
}

const differences = `
with moved as (
  select e.id, sum(e.n) as n
    from stock_movement as m,
 lateral (values (m.from_balance_id, -m.amount), (m.to_balance_id, m.amount)) as e(id, n)
   where e.id is not null
group by e.id
)
select 'balance ' || p.number || coalesce(' lot ' || lt.code, '') || ' in ' || l.code as thing,
       'is ' || trim_scale(b.on_hand) || ', and its movements make ' || trim_scale(coalesce(m.n, 0)) as says
  from stock_balance as b
  join part as p on p.id = b.part_id
  join location as l on l.id = b.location_id
  left join lot as lt on lt.id = b.lot_id
  left join moved as m on m.id = b.id
 where b.on_hand <> coalesce(m.n, 0)
 union all
select 'balance ' || p.number || ' in ' || l.code, 'is below zero: ' || trim_scale(b.on_hand)
  from stock_balance as b
  join part as p on p.id = b.part_id
  join location as l on l.id = b.location_id
 where b.on_hand < 0 and l.kind <> 'unexplained'
 union all
select 'balance ' || p.number || ' in ' || l.code, 'is of a part that is kept by unit'
  from stock_balance as b
  join part as p on p.id = b.part_id and p.tracking = 'unit'
  join location as l on l.id = b.location_id
 where b.on_hand <> 0
 union all
select 'movement ' || m.id, 'names other things than its balance'
  from stock_movement as m
  join stock_balance as b on b.id in (m.from_balance_id, m.to_balance_id)
 where (b.part_id, b.lot_id, b.owner, b.owner_customer_id) is distinct from (m.part_id, m.lot_id, m.owner, m.owner_customer_id)
    or b.id = m.from_balance_id and b.location_id <> m.from_id
    or b.id = m.to_balance_id and b.location_id <> m.to_id
 union all
select 'unit ' || u.tag, 'was moved to ' || l.code || ' and its stay says otherwise'
  from stock_movement as m
  join unit as u on u.id = m.unit_id
  join location as l on l.id = m.to_id
  left join stay as s on s.id = m.stay_id
 where m.to_id is distinct from m.from_id and (s.unit_id, s.location_id) is distinct from (m.unit_id, m.to_id)
 union all
select 'claim for ' || c.purpose, 'holds ' || trim_scale(sum(c.amount)) || ' ' || p.number || ' in ' || l.code || ', where there are ' || trim_scale(b.on_hand)
  from stock_claim as c
  join stock_balance as b on b.id = c.balance_id
  join part as p on p.id = c.part_id
  join location as l on l.id = b.location_id
 where c.state = 'set_aside'
group by c.purpose, p.number, l.code, b.id, b.on_hand
  having sum(c.amount) > b.on_hand
 union all
select 'kit bag ' || lt.code, 'is sealed, and ' || trim_scale(coalesce(sum(b.on_hand), 0)) || ' of it are on hand'
  from kit_bag as k
  join lot as lt on lt.id = k.lot_id
  left join stock_balance as b on b.lot_id = k.lot_id
 where k.state = 'sealed'
group by lt.code
  having coalesce(sum(b.on_hand), 0) not in (0, 1)
 order by 1, 2`

// Verify recomputes the ledger and lists what cannot be so. The actor must see everything.
func Verify(ctx context.Context, db *pgdb.DB, who access.Actor) ([]Difference, error) {
	return pgdb.Read[Difference](ctx, db, who.ID, differences, nil)
}
