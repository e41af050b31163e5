package main

import (
	"context"
	"fmt"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	catalogue "spindlebook/internal/parts"
	"spindlebook/internal/parts/amount"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgdb/cluster"
	"spindlebook/internal/pm"
)

// benchParts is a catalogue of 20,000 parts, and what the positions require.
var benchParts = []string{
	`insert into part (id, number, description, class, created_at, tracking)
	 select gen_random_uuid(), 'BP-' || lpad(k::text, 6, '0'),
	        (array['Hex bolt', 'Cap screw', 'Seal', 'Hub', 'Gearmotor', 'Hose', 'Bearing', 'Valve'])[1 + k % 8] || ' ' || (k % 97) || '/' || (k % 32 + 1) || '-' || (k % 23) || ' x ' || k % 300 || ' mm',
	        (array['fastener', 'fastener', 'seal', 'hub', 'gearmotor', 'hose', 'bearing', 'valve'])[1 + k % 8], '2024-01-01Z', 'none'
	   from generate_series(1, 20000) as k`,
	`insert into part_fact (part_id, fact, value, value_mm)
	 select id, 'bore', case when r % 2 = 0 then '1.375 in' else '35 mm' end, case when r % 2 = 0 then 34.925 else 35 end
	   from (select id, row_number() over (order by number) as r from part where class in ('hub', 'gearmotor')) as p`,
	`insert into position_fact (id, position_id, site_id, fact, value, value_mm, during, seen_at, how, recorded_at, recorded_by)
	 select gen_random_uuid(), p.id, p.site_id, f.fact, f.value, f.mm, tstzrange('2024-01-01Z', null), '2024-01-01Z', 'seen', '2024-01-01Z', current_actor()
	   from position as p, (values ('bore', '1.375 in', 34.925), ('frame_size', '56C', null), ('frame_standard', 'NEMA', null), ('hub_fixing', 'clamp4', null), ('media', 'foam', null),
	        ('media_colour', 'blue', null), ('sensor_output', 'PNP', null), ('valve_coil', '24VDC', null)) as f(fact, value, mm)
	 on conflict do nothing`,
	`vacuum (analyze) part, part_fact, part_words, position_fact`,
}

// plainNeeds reads the same rows, as the owner and without putting anything together.
var plainNeeds = []string{
	`select l.*, p.number from requirement_line as l left join part as p on p.id = l.part_id where l.version_id = any ($1)`,
	`select p.code, p.kind, p.line_side, e.volts, f.fact, f.value, f.how, f.seen_at
	   from position as p left join supply as e on e.id = p.supply_id left join position_fact as f on f.position_id = p.id and f.withdrawn_at is null and f.during @> now() where p.id = any ($2) and $1::uuid[] is not null`,
	`select s.position_id, uf.fact, uf.value, pf.fact, pf.value
	   from slot as s join stay as st on st.slot_id = s.id and st.during @> now() join unit as u on u.id = st.unit_id
	   left join unit_fact as uf on uf.unit_id = u.id left join part_fact as pf on pf.part_id = u.part_id where s.position_id = any ($2) and $1::uuid[] is not null`,
	`select p.*, f.fact, f.value from part as p left join part_fact as f on f.part_id = p.id
	  where p.id in (select part_id from requirement_line where version_id = any ($1))`,
	`select * from fit_rule`,
}

// needs measures what 120 tasks take, and search.
func (b *bench) needs(ctx context.Context, _ cluster.Address) error {
	d := b.small
	conn, err := pgx.Connect(ctx, d.owner)
	if err != nil {
		return err
	}
	defer conn.Close(context.WithoutCancel(ctx))
	if _, err := conn.Exec(ctx, `select set_config('spindlebook.actor', '`+access.System.ID.String()+`', false)`); err != nil {
		return err
	}
	for _, sql := range benchParts {
		if _, err := conn.Exec(ctx, sql); err != nil {
			return err
		}
	}
	now := time.Date(2025, 5, 15, 0, 0, 0, 0, time.UTC)
	type key struct{ ID uuid.UUID }
	items, err := pgdb.Read[key](ctx, d.db, access.System.ID, `select id from part where class = 'hub' order by number limit 240`, nil)
	if err != nil {
		return err
	}
	var versions []uuid.UUID
	err = d.db.InTx(ctx, access.System.ID, func(tx *gorm.DB) error {
		var heads []pm.NewProcedure
		for i := range 12 {
			heads = append(heads, pm.NewProcedure{Code: fmt.Sprintf("BJ%02d", i), Title: "Swap"})
		}
		ids, err := pm.AddProcedures(tx, access.System, now, heads)
		if err != nil {
			return err
		}
		var writes []pm.Write
		for _, id := range ids {
			writes = append(writes, pm.Write{Procedure: id, Content: pm.Content{People: 1, Skills: []string{"T1"}, Minutes: pm.Minutes{Low: 1, Typical: 2, High: 3}, LineState: "running",
				Steps: []pm.Step{{Kind: "do", Says: "Swap it."}}}})
		}
		if versions, err = pm.WriteDrafts(tx, access.System, now, writes); err != nil {
			return err
		}
		for i, v := range versions {
			var lines []catalogue.NewLine
			for k := range 20 {
				lines = append(lines, catalogue.NewLine{Need: "always", PartID: &items[i*20+k].ID, Amount: amount.One, Condition: []string{"bore = 1.375 in", "hub_fixing = flange3", "", "oil = PAO"}[k%4], Why: "the unit itself"})
			}
			if err := catalogue.SetLines(tx, access.System, v, lines); err != nil {
				return err
			}
		}
		return pm.Publish(tx, access.System, now, versions)
	})
	if err != nil {
		return err
	}
	places, err := pgdb.Read[key](ctx, d.db, access.System.ID, `select id from position order by code limit 120`, nil)
	if err != nil {
		return err
	}
	asks, positions := make([]catalogue.Ask, len(places)), make([]uuid.UUID, len(places))
	for i, p := range places {
		asks[i], positions[i] = catalogue.Ask{PositionID: p.ID, VersionID: versions[i%len(versions)]}, p.ID
	}
	var took, floor sample
	var statements int64
	for range 15 {
		counted, n := pgdb.CountStatements(ctx)
		start := time.Now()
		lists, err := catalogue.Resolve(counted, d.db, access.System, now, asks)
		if err != nil {
			return err
		}
		took, statements = append(took, time.Since(start)), n.Load()
		if len(lists) != 120 || len(lists[0].Lines) != 15 {
			return fmt.Errorf("%d lists of %d lines", len(lists), len(lists[0].Lines))
		}
		start = time.Now()
		for i, sql := range plainNeeds {
			args := []any{versions, positions}
			switch i {
			case 0, 3:
				args = args[:1]
			case 4:
				args = nil
			}
			rows, err := conn.Query(ctx, sql, args...)
			if err != nil {
				return err
			}
			for rows.Next() {
				if _, err := rows.Values(); err != nil {
					return err
				}
			}
			if rows.Err() != nil {
				return rows.Err()
			}
		}
		floor = append(floor, time.Since(start))
	}
	b.add(row{work: "what 120 tasks take, resolved", floor: fmt.Sprintf("the same rows read plainly as owner, %s", ms(floor.median())),
		measured: fmt.Sprintf("%s, %d statements", ms(took.median()), statements), ratio: ratio(took.median(), floor.median()), bar: 2})
	took, floor, sent, err := d.besides(ctx, 15, func(ctx context.Context) error {
		_, err := catalogue.Resolve(ctx, d.db, access.System, now, asks)
		return err
	})
	if err != nil {
		return err
	}
	b.add(row{work: "the same beside its own statements", floor: "its statements as owner " + ms(floor.median()), measured: fmt.Sprintf("%s, %d statements", ms(took.median()), sent),
		ratio: ratio(took.median(), floor.median()), bar: 2})
	return b.searches(ctx, d, conn)
}

// searches measures search on 20,000 parts against the same pattern through the same index.
func (b *bench) searches(ctx context.Context, d *data, conn *pgx.Conn) error {
	var took, floor sample
	for i := range 60 {
		word := []string{"bp-0123", "valve 41/", "13-7", "12/5-", "x 250 mm"}[i%5]
		start := time.Now()
		hits, err := catalogue.Search(ctx, d.db, access.System, word, 20)
		if err != nil {
			return err
		}
		took = append(took, time.Since(start))
		if len(hits) == 0 {
			return fmt.Errorf("%q finds nothing", word)
		}
		start = time.Now()
		rows, err := conn.Query(ctx, `select p.* from part_words as w join part as p on p.id = w.part_id where w.words like '%' || $1 || '%' order by p.number limit 20`, word)
		if err != nil {
			return err
		}
		for rows.Next() {
			if _, err := rows.Values(); err != nil {
				return err
			}
		}
		floor = append(floor, time.Since(start))
	}
	b.add(row{work: "search in 20,000 parts", floor: fmt.Sprintf("the same pattern as owner, %s", ms(floor.median())),
		measured: fmt.Sprintf("%s, p99 %s", ms(took.median()), ms(took.at(0.99))), ratio: ratio(took.median(), floor.median())})
	return nil
}
