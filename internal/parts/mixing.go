package parts

import (
	"context"
	"time"

	"github.com/google/uuid"

	"spindlebook/internal/access"
	"spindlebook/internal/parts/fit"
	"spindlebook/internal/pgdb"
)

// mixing is what is known of the sections of sets, and which of them must never be together.
type mixing struct {
	never fit.NeverMix
	kits  map[uuid.UUID]fit.Set // by part: as it is made now
	units map[uuid.UUID]fit.Set // by unit
	on    map[uuid.UUID]fit.Set // by position: the set that is fitted there
}

const neverMixed = `
select a.number as one, b.number as other
  from part_interchange as i
  join part as a on a.id = i.part_id
  join part as b on b.id = i.other_id
 where i.kind = 'never_mix' and i.during @> cast(@now as timestamptz)
order by 1, 2`

const setsMade = `
select k.kit_id as part_id, jsonb_agg(distinct p.number) as made
  from kit_now as k
  join part as kp on kp.id = k.kit_id and kp.class = 'media_set'
  join kit_line as l on l.recipe_id = k.recipe_id
  join part as p on p.id = l.part_id
group by k.kit_id`

// A set may have been made by any recipe that its part has had. What replaced a section is
// told by its lot, where a lot of a section on record has that code.
const setsThere = `
with asked as (
  select st.unit_id
    from slot as s
    join stay as st on st.slot_id = s.id and st.during @> cast(@now as timestamptz)
   where s.position_id = any (cast(@positions as uuid[]))
   union
  select unnest(cast(@units as uuid[]))
)
select u.id as unit_id, s.position_id,
       coalesce((select jsonb_agg(r.numbers)
                   from (select jsonb_agg(distinct p.number) as numbers
                           from kit_recipe as r join kit_line as l on l.recipe_id = r.id join part as p on p.id = l.part_id
                          where r.kit_id = u.part_id group by r.id) as r), '[]') as made,
       coalesce((select jsonb_agg(coalesce((select jsonb_agg(distinct p.number) from lot as t join part as p on p.id = t.part_id and p.class = 'section' where t.code = x.lot), '[]'))
                   from (select distinct on (section) section, lot from section_replaced where unit_id = u.id order by section, at desc) as x), '[]') as since
  from asked as a
  join unit as u on u.id = a.unit_id
  join part as k on k.id = u.part_id and k.class = 'media_set'
  left join stay as st on st.unit_id = u.id and st.during @> cast(@now as timestamptz)
  left join slot as s on s.id = st.slot_id`

// readMixing reads what is needed to tell of the sets at positions, and of some units.
func readMixing(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, positions, units []uuid.UUID) (mixing, error) {
	m := mixing{fit.NeverMix{}, map[uuid.UUID]fit.Set{}, map[uuid.UUID]fit.Set{}, map[uuid.UUID]fit.Set{}}
	pairs, err := pgdb.Read[struct{ One, Other string }](ctx, db, who.ID, neverMixed, map[string]any{"now": now})
	if err != nil || len(pairs) == 0 {
		return m, err
	}
	for _, p := range pairs {
		m.never.Add(p.One, p.Other)
	}
	made, err := pgdb.Read[struct {
		PartID uuid.UUID
		Made   []string
	}](ctx, db, who.ID, setsMade, nil)
	if err != nil {
		return m, err
	}
	for _, k := range made {
		m.kits[k.PartID] = fit.Set{Made: [][]string{k.Made}}
	}
	return m, m.read(ctx, db, who, now, positions, units)
}

// read adds the sets at positions, and some units.
func (m mixing) read(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, positions, units []uuid.UUID) error {
	if units == nil {
		units = []uuid.UUID{}
	}
	there, err := pgdb.Read[struct {
		UnitID      uuid.UUID
		PositionID  *uuid.UUID
		Made, Since [][]string
	}](ctx, db, who.ID, setsThere, map[string]any{"now": now, "positions": positions, "units": units})
	for _, u := range there {
		s := fit.Set{Made: u.Made, Since: u.Since}
		if m.units[u.UnitID] = s; u.PositionID != nil {
			m.on[*u.PositionID] = s
		}
	}
	return err
}

// tells whether sections of a class, or sets of them, could mix at all.
func (m mixing) tells(class string) bool {
	return len(m.never) > 0 && (class == "media_set" || class == "section")
}

// tell adds to a candidate what speaks against it because sections would mix.
func (m mixing) tell(c *fit.Candidate, part uuid.UUID, number string, unit *uuid.UUID, position uuid.UUID) {
	var never []string
	var unsure []fit.Missing
	switch c.Class {
	case "media_set":
		set := m.kits[part]
		if unit != nil {
			set = m.units[*unit]
		}
		never, unsure = m.never.Mixed(set)
	case "section":
		var there *fit.Set
		if s, ok := m.on[position]; ok {
			there = &s
		}
		never, unsure = m.never.Beside(number, there)
	}
	c.Never, c.Unsure = append(c.Never, never...), append(c.Unsure, unsure...)
}
