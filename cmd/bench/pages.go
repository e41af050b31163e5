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

const (
	// L is meant to hold 20,000,000 readings, 400 of each of its 50,000 meters. COPY
	// takes what it can of them in the time that it is given, and the table says how
	// many those were.
	mostDays = 400
	copying  = 3 * time.Minute
)

// readingPages measures the page of the latest readings of one meter, as its
// owner and as a manager, in the large data set beside the small one. Each meter
// has as many readings in both: only how many others there are differs.
func (b *bench) readingPages(ctx context.Context, at cluster.Address) error {
	few, err := b.fill(ctx, at, "few", small)
	if err != nil {
		return err
	}
	defer few.db.Close()
	rounds, n, err := b.fillReadings(ctx, b.large, 0)
	if err != nil {
		return err
	}
	if _, _, err := b.fillReadings(ctx, few, rounds); err != nil {
		return err
	}
	share := time.Duration(b.seconds) * time.Second / turns
	for _, role := range []string{asOwner, asManager} {
		b.say("page of %d readings as %s, %d s each in L and in S", perSite, role, b.seconds)
		var inLarge, inSmall sample
		for range turns {
			l, err := ask(ctx, b.large.pages[role], share, b.large.readings)
			if err != nil {
				return err
			}
			s, err := ask(ctx, few.pages[role], share, few.readings)
			if err != nil {
				return err
			}
			inLarge, inSmall = append(inLarge, l...), append(inSmall, s...)
		}
		b.add(row{work: fmt.Sprintf("page of %d readings out of %s as %s, p50", perSite, thousands(n), role), floor: "in S " + ms(inSmall.median()), measured: ms(inLarge.median()),
			ratio: ratio(inLarge.median(), inSmall.median()), bar: 1.3})
	}
	return nil
}

// readings asks for the page of the latest readings of a meter.
func (d *data) readings(ctx context.Context, p page) error {
	found, err := meters.Readings(ctx, d.db, p.who, p.meter, access.Page{Limit: asked})
	if err == nil && len(found) != asked {
		err = fmt.Errorf("%d readings instead of %d: this is not the page that was meant", len(found), asked)
	}
	return err
}

// fillReadings gives each site its meters, and copies readings of all of them in,
// a day after the other as they come in life, so that those of one meter lie far
// apart: so many days, or with 0 as many as there is time for and a page needs.
func (b *bench) fillReadings(ctx context.Context, d *data, days int) (rounds, n int, err error) {
	conn, err := pgx.Connect(ctx, d.owner)
	if err != nil {
		return 0, 0, err
	}
	defer conn.Close(context.WithoutCancel(ctx))
	for _, sql := range []string{`select set_config('spindlebook.actor', '` + access.System.ID.String() + `', false)`, benchMeters,
		`vacuum (analyze) meter, meter_place, meter_segment, meter_state`, `alter table reading disable trigger user`} {
		if _, err := conn.Exec(ctx, sql); err != nil {
			return 0, 0, err
		}
	}
	type meter struct{ ID, SiteID uuid.UUID }
	rows, err := conn.Query(ctx, `select id, site_id from meter order by id`)
	if err != nil {
		return 0, 0, err
	}
	all, err := pgx.CollectRows(rows, pgx.RowToStructByName[meter])
	if err != nil {
		return 0, 0, err
	}
	first, began := time.Date(2025, 6, 1, 20, 0, 0, 0, time.UTC), time.Now()
	more := func() bool {
		if days > 0 {
			return rounds < days
		}
		return rounds < asked || rounds < mostDays && time.Since(began) < copying
	}
	for ; more(); rounds++ {
		at := first.AddDate(0, 0, rounds)
		done, err := conn.CopyFrom(ctx, pgx.Identifier{"reading"}, []string{"id", "meter_id", "site_id", "at", "value", "typed", "source", "state", "received_at", "recorded_by"},
			pgx.CopyFromSlice(len(all), func(i int) ([]any, error) {
				return []any{pgdb.NewID(), all[i].ID, all[i].SiteID, at, int64(rounds) * 3600, "", "eye", "counts", at, access.System.ID}, nil
			}))
		if err != nil {
			return 0, 0, err
		}
		n += int(done)
	}
	b.say("%s readings of %s meters in %s", thousands(n), thousands(len(all)), time.Since(began).Round(time.Second))
	for _, sql := range []string{`alter table reading enable trigger user`, `vacuum (analyze) reading`} {
		if _, err := conn.Exec(ctx, sql); err != nil {
			return 0, 0, err
		}
	}
	of := make(map[uuid.UUID]uuid.UUID, len(all))
	for _, m := range all {
		of[m.SiteID] = m.ID
	}
	for _, pages := range d.pages {
		for i := range pages {
			pages[i].meter = of[pages[i].site]
		}
	}
	return rounds, n, nil
}
