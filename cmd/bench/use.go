package main

import (
	"context"
	"fmt"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"spindlebook/internal/access"
	"spindlebook/internal/assets/meters"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgdb/cluster"
)

// benchRead reads each meter of M once a month.
const benchRead = `
insert into reading (id, meter_id, site_id, at, value, typed, source, state, received_at, recorded_by)
select gen_random_uuid(), m.id, m.site_id, timestamptz '2024-05-01Z' + k * interval '30 days', case m.unit when 'hours' then 216000 else 9000 end * k, '', 'eye', 'counts', '2024-01-01Z', current_actor()
  from meter as m, generate_series(0, 13) as k`

// use measures what all units of M have done, in one call.
func (b *bench) use(ctx context.Context, _ cluster.Address) error {
	d := b.medium
	conn, err := pgx.Connect(ctx, d.owner)
	if err != nil {
		return err
	}
	defer conn.Close(context.WithoutCancel(ctx))
	if _, err := conn.Exec(ctx, `select set_config('spindlebook.actor', '`+access.System.ID.String()+`', false)`); err != nil {
		return err
	}
	for _, sql := range []string{benchMeters, benchRead, `vacuum (analyze) reading, meter, meter_place, meter_segment, meter_state`} {
		if _, err := conn.Exec(ctx, sql); err != nil {
			return err
		}
	}
	type unit struct{ ID uuid.UUID }
	rows, err := pgdb.Read[unit](ctx, d.db, access.System.ID, `select id from unit`, nil)
	if err != nil {
		return err
	}
	ids := make([]uuid.UUID, len(rows))
	for i, u := range rows {
		ids[i] = u.ID
	}
	b.say("use of %s units", thousands(len(ids)))
	var took sample
	for range 3 {
		counted, n := pgdb.CountStatements(ctx)
		start := time.Now()
		all, err := meters.UseOf(counted, d.db, access.System, meters.PlainDays, ids, time.Date(2025, 5, 15, 0, 0, 0, 0, time.UTC))
		if err != nil {
			return err
		}
		took = append(took, time.Since(start))
		known := 0
		for _, u := range all {
			if u.Vehicles.Known && u.Vehicles.Amount > 0 {
				known++
			}
		}
		if known < len(ids)/4 {
			return fmt.Errorf("of %d units only %d have done anything", len(ids), known)
		}
		b.say("%d statements, %s, %d with vehicles", n.Load(), time.Since(start).Round(time.Millisecond), known)
	}
	b.add(row{work: fmt.Sprintf("use of all units of %d sites", b.mid), measured: fmt.Sprintf("%s units in %s", thousands(len(ids)), ms(took.median()))})
	return nil
}
