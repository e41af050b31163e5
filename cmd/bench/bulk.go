package main

import (
	"context"
	"fmt"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgdb/cluster"
)

const (
	batch   = 1000 // the most that the API takes at once
	batches = 12
)

// bulk measures adding positions by the batch, in the way of the API (checked,
// safe to send again, read back), beside a plain insert of as many rows into the
// same tables. Both write the trail, which is a trigger's work.
func (b *bench) bulk(ctx context.Context, _ cluster.Address) error {
	b.say("%d batches of %d new positions", batches, batch)
	conn, err := pgx.Connect(ctx, b.large.owner)
	if err != nil {
		return err
	}
	defer conn.Close(context.WithoutCancel(ctx))
	p := b.large.pages[asManager][0]
	var floor, through sample
	for i := range batches + 1 { // the first one prepares statements and is not counted
		began := time.Now()
		if err := plain(ctx, conn, p.site, i); err != nil {
			return err
		}
		between := time.Now()
		if err := b.large.batch(ctx, p, between, i); err != nil {
			return err
		}
		if i > 0 {
			floor, through = append(floor, between.Sub(began)), append(through, time.Since(between))
		}
	}
	perSecond := func(s sample) string { return thousands(int(batch/s.median().Seconds())) + " rows/s" }
	b.add(row{work: fmt.Sprintf("create positions, %d at once", batch), floor: "insert … select " + perSecond(floor), measured: perSecond(through),
		ratio: ratio(through.median(), floor.median())})
	return nil
}

// batch adds positions as the API does.
func (d *data) batch(ctx context.Context, p page, now time.Time, i int) error {
	in := make([]assets.NewPosition, batch)
	for j := range in {
		in[j] = assets.NewPosition{SiteID: p.site, PositionEdit: assets.PositionEdit{Code: fmt.Sprintf("BATCH-%d/%d", i, j), Name: "Added", Kind: "wheel_spray", LineSide: "centre"}}
	}
	request := pgdb.Request{Key: fmt.Sprintf("batch-%d", i), Act: "createPositions", Body: in}
	added, err := pgdb.Once(ctx, d.db, p.who.ID, now, request, func(tx *gorm.DB) ([]assets.Position, error) {
		return assets.AddPositions(tx, p.who, now, in)
	})
	if err == nil && len(added) != batch {
		err = fmt.Errorf("%d positions were added instead of %d", len(added), batch)
	}
	return err
}

// plainInsert makes its keys as data.sql does, of another kind.
const plainInsert = `
with made as (
  select cast(lpad(to_hex(cast(extract(epoch from now()) * 1000 as bigint) + n), 12, '0') || '7ff' || $1::text || '8000000000000000' as uuid) as id, n
    from generate_series(1, $2::integer) as n
),
added as (
  insert into position (id, site_id, code, name, kind, line_side, during, created_at)
  select id, $3, 'PLAIN-' || $1::text || '/' || n, 'Added', 'wheel_spray', 'centre', tstzrange(now(), null), now() from made
)
insert into position_state (id, position_id, site_id, state, during)
select id, id, $3, 'in_service', tstzrange(now(), null) from made`

func plain(ctx context.Context, conn *pgx.Conn, site uuid.UUID, i int) error {
	return pgx.BeginFunc(ctx, conn, func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, `select set_config('spindlebook.actor', $1, true)`, access.System.ID.String()); err != nil {
			return err
		}
		_, err := tx.Exec(ctx, plainInsert, fmt.Sprintf("%X", i), batch, site)
		return err
	})
}
