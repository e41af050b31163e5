package assets

import (
	"context"
	"fmt"
	"time"

	"github.com/google/uuid"

	"spindlebook/internal/access"
	"spindlebook/internal/assets/supply"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
)

// Connection says whether a motor suits what feeds a position, and how its
// leads are then joined.
type Connection struct {
	UnitID *uuid.UUID // nil where nothing is known to be fitted
	Tag    string
	Supply string // what feeds the position; "" where that is unknown
	supply.Answer
}

// plates reads the nameplate of each motor asked for, beside what feeds the
// position. A motor that has a record of its own goes before the gearmotor in
// which it is: its plate is the one that was read. Each by its own facts, or
// else by what the catalogue says of its part.
const plates = `
with asked as (%s),
motor as (
  select a.position_id, a.at, u.id as unit_id, coalesce(m.id, u.id) as motor_id
    from asked as a
    join unit as u on u.id = a.unit_id
    left join slot as s on s.unit_id = u.id and s.code = 'motor'
    left join stay as st on st.slot_id = s.id and st.during @> a.at
    left join unit as m on m.id = st.unit_id
),
said as (
  select m.position_id, o.rank, f.fact, f.value
    from motor as m
    cross join lateral (values (m.motor_id, 1), (m.unit_id, 3)) as o(id, rank)
    join unit_fact as f on f.unit_id = o.id and f.withdrawn_at is null and f.during @> m.at
   union all
  select m.position_id, o.rank, f.fact, f.value
    from motor as m
    cross join lateral (values (m.motor_id, 2), (m.unit_id, 4)) as o(id, rank)
    join unit as u on u.id = o.id
    join part_fact as f on f.part_id = u.part_id
),
plate as (
  select b.position_id, jsonb_object_agg(b.fact, b.value) as facts
    from (select distinct on (position_id, fact) position_id, fact, value
            from said
           where fact in ('plate_volts', 'plate_hertz', 'plate_phases', 'leads', 'winding', 'link_setting')
        order by position_id, fact, rank) as b
group by b.position_id
)
select a.position_id, po.code as position, a.unit_id, coalesce(u.tag, '') as tag, coalesce(p.facts, '{}') as facts,
       e.code as supply, coalesce(e.volts, 0) as volts, coalesce(e.phases, 0) as phases, coalesce(e.hertz, 0) as hertz, coalesce(e.high_leg, false) as high_leg
  from asked as a
  join position as po on po.id = a.position_id
  left join unit as u on u.id = a.unit_id
  left join plate as p on p.position_id = a.position_id
  left join supply as e on e.id = po.supply_id and e.during @> a.at
order by po.code`

// of one position: what is fitted there, or another unit that might go there
const onePlate = `
  select cast(@position as uuid) as position_id, cast(@now as timestamptz) as at,
         coalesce(cast(@unit as uuid),
                  (select st.unit_id from slot as s join stay as st on st.slot_id = s.id and st.during @> cast(@now as timestamptz)
                    where s.position_id = @position and s.code = 'gearmotor')) as unit_id`

// of a whole site, as of the instant that its findings are of
var sitePlates = `
  select s.position_id, n.at, st.unit_id
    from slot as s
    join lateral (select ` + asOf("s") + ` as at) as n on true
    join stay as st on st.slot_id = s.id and st.during @> n.at
   where s.site_id = @site and (@everywhere or s.site_id = any (@sites)) and s.code = 'gearmotor'`

// plated is a motor with its plate and with what feeds its position.
type plated struct {
	PositionID uuid.UUID
	Position   string
	UnitID     *uuid.UUID
	Tag        string
	Facts      map[string]string
	Supply     *string
	Volts      float64
	Phases     int
	Hertz      int
	HighLeg    bool
}

func (p plated) judge() Connection {
	return judge(p.UnitID, p.Tag, val(p.Supply), p.Facts, supply.Feed{Volts: p.Volts, Phases: p.Phases, Hertz: float64(p.Hertz), HighLeg: p.HighLeg})
}

// ConnectionOf gives the answer for the gearmotor that is fitted in a position,
// or for another unit that might go there.
func ConnectionOf(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, position uuid.UUID, unit *uuid.UUID) (Connection, error) {
	if _, err := OnePosition(ctx, db, who, position); err != nil {
		return Connection{}, err
	}
	if unit != nil {
		if _, err := OneUnit(ctx, db, who, now, *unit); err != nil {
			return Connection{}, err
		}
	}
	r, err := pgdb.ReadOne[plated](ctx, db, who.ID, "position", position.String(), fmt.Sprintf(plates, onePlate), map[string]any{"position": position, "unit": unit, "now": now})
	return r.judge(), err
}

func judge(unit *uuid.UUID, tag, fed string, facts map[string]string, feed supply.Feed) Connection {
	c := Connection{UnitID: unit, Tag: tag, Supply: fed}
	plate, err := supply.Read(supply.Plate{Voltages: facts["plate_volts"], Phases: facts["plate_phases"], Hertz: facts["plate_hertz"],
		Leads: facts["leads"], Winding: facts["winding"]})
	if err != nil { // what was copied from the plate cannot be understood: that is an answer, and no fault of whoever asks
		c.Answer = supply.Judge(supply.Nameplate{}, feed, supply.Links{})
		c.Verdict = supply.CannotTell
		if f, ok := err.(*fault.Error); ok {
			c.Missing = append(c.Missing, supply.Missing{Fact: "voltages", Says: "What is recorded of the nameplate cannot be read: " + f.Error() + ".", How: "Photograph the plate and record it anew."})
		}
		return c
	}
	c.Answer = supply.Judge(plate, feed, links(facts["link_setting"]))
	return c
}

// links reads how the links of a unit are set; star and delta name the winding
// of a motor with six leads.
func links(setting string) supply.Links {
	switch setting {
	case "low":
		return supply.Links{Setting: supply.Low}
	case "high":
		return supply.Links{Setting: supply.High}
	case "star":
		return supply.Links{Setting: supply.High, Winding: supply.Wye}
	case "delta":
		return supply.Links{Setting: supply.Low, Winding: supply.Delta}
	}
	return supply.Links{}
}
