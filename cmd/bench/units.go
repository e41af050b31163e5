package main

import (
	"bytes"
	"context"
	"fmt"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/exchange"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgdb/cluster"
)

// units measures what is asked of units: what is fitted at a whole site, today
// and in the past, where a unit has been, and units from a spreadsheet.
func (b *bench) units(ctx context.Context, at cluster.Address) error {
	now := time.Now()
	for _, w := range []struct {
		name string
		of   func(d *data) question
	}{
		{"fitted at a site of M today", func(d *data) question { return d.fitted(now) }},
		{"fitted at a site of M in July 2024", func(d *data) question { return d.fitted(time.Date(2024, time.July, 1, 0, 0, 0, 0, time.UTC)) }},
		{"where a unit of M has been", (*data).history},
	} {
		for _, role := range []string{asOwner, asManager} {
			if err := b.ofUnits(ctx, w.name, role, w.of(b.medium), w.of(b.small)); err != nil {
				return fmt.Errorf("%s: %w", w.name, err)
			}
		}
	}
	return b.imports(ctx, at)
}

// ofUnits measures one question in M beside pgbench, and counts its statements
// in M and in S.
func (b *bench) ofUnits(ctx context.Context, name, role string, q, inSmall question) error {
	b.say("%s as %s, %d s each in pgbench and in M", name, role, b.seconds)
	pages := b.medium.pages[role]
	inM, err := statements(ctx, pages[0], q)
	if err != nil {
		return err
	}
	inS, err := statements(ctx, b.small.pages[role][0], inSmall)
	if err != nil {
		return err
	}
	script, err := b.scripts(ctx, b.medium, strings.ReplaceAll(name, " ", "-")+"-"+role, pages, q)
	if err != nil {
		return err
	}
	share := time.Duration(b.seconds) * time.Second / turns
	var floor, took sample
	for range turns {
		f, err := b.pgbench(ctx, b.medium.owner, script, share)
		if err != nil {
			return err
		}
		t, err := ask(ctx, pages, share, q.ask)
		if err != nil {
			return err
		}
		floor, took = append(floor, f...), append(took, t...)
	}
	b.add(row{work: fmt.Sprintf("%s as %s, p50", name, role), floor: "pgbench " + ms(floor.median()),
		measured: fmt.Sprintf("%s, %d statements, in S %d", ms(took.median()), inM, inS), ratio: ratio(took.median(), floor.median())})
	b.add(row{work: "the same, p99", floor: "pgbench " + ms(floor.at(0.99)), measured: ms(took.at(0.99)), ratio: ratio(took.at(0.99), floor.at(0.99))})
	return nil
}

// statements counts what one asking sends, that of who asks included.
func statements(ctx context.Context, p page, q question) (int64, error) {
	with, n := pgdb.CountStatements(ctx)
	err := q.ask(with, p)
	return n.Load(), err
}

// atSite is how many units data sets have at the brushes of a site.
const atSite = 264

// fitted is what was in the slots of a site at an instant.
func (d *data) fitted(at time.Time) question {
	return question{func(ctx context.Context, p page) error {
		found, err := assets.FittedAtSite(ctx, d.db, p.who, p.site, at)
		units := 0
		for _, f := range found {
			if f.UnitID != nil {
				units++
			}
		}
		// who bought the site later than that sees what stayed
		if err == nil && units != atSite && (p.who.Everywhere || units == 0) {
			err = fmt.Errorf("%d units instead of %d: this is not the page that was meant", units, atSite)
		}
		return err
	}, "%s.site_id = $%from own as o%", func(p page) map[string]string {
		return map[string]string{"timestamp with time zone": at.UTC().Format(time.RFC3339Nano), "boolean": strconv.FormatBool(p.who.Everywhere), "uuid[]": array(p.who),
			"uuid": p.site.String()}
	}}
}

// history is where a unit has been: four stays, of which an owner sees the two
// at the own site.
func (d *data) history() question {
	return question{func(ctx context.Context, p page) error {
		found, err := assets.UnitHistory(ctx, d.db, p.who, time.Now(), p.unit)
		if err == nil && len(found) != 4 && (p.who.Everywhere || len(found) == 0) {
			err = fmt.Errorf("%d stays instead of 4: this is not the unit that was meant", len(found))
		}
		return err
	}, "%where st.unit_id = $%", func(p page) map[string]string {
		return map[string]string{"boolean": strconv.FormatBool(p.who.Everywhere), "uuid[]": array(p.who), "uuid": p.unit.String()}
	}}
}

// findUnits gives each page a gearmotor of its site.
func (d *data) findUnits(ctx context.Context) error {
	found, err := pgdb.Read[struct{ SiteID, UnitID uuid.UUID }](ctx, d.db, access.System.ID, `
select distinct on (site_id) site_id, unit_id from fitted_now where class = 'gearmotor' and unit_id is not null order by site_id, slot_id`, nil)
	if err != nil {
		return err
	}
	at := map[uuid.UUID]uuid.UUID{}
	for _, f := range found {
		at[f.SiteID] = f.UnitID
	}
	for _, pages := range d.pages {
		for i := range pages {
			pages[i].unit = at[pages[i].site]
		}
	}
	return nil
}

// imported is how many units are brought in.
const imported = 100_000

// imports brings units in that lie in the warehouse, with everything checked, and
// beside it sends the same rows by COPY into the same tables as their owner, row
// security off and the trail on. Then it brings the same file in once more, which
// changes nothing.
func (b *bench) imports(ctx context.Context, at cluster.Address) error {
	b.say("import of %s units", thousands(imported))
	for _, name := range []string{"imported", "copied"} {
		if err := prepare(ctx, at, name); err != nil {
			return err
		}
	}
	db, err := pgdb.Open(ctx, at.DSN(pgdb.ServiceRole, "imported"))
	if err != nil {
		return err
	}
	defer db.Close()
	bring := func(file string, want func(exchange.Done) int) (time.Duration, error) {
		up, err := exchange.Receive(strings.NewReader(file))
		if err != nil {
			return 0, err
		}
		defer up.Close()
		began := time.Now()
		r, err := exchange.Import(ctx, db, access.System, began, up, exchange.Options{})
		took := time.Since(began)
		for _, s := range r.Sheets { // units and, out of the same rows, stays
			if err == nil && want(s) != strings.Count(file, "\n")-1 {
				err = fmt.Errorf("the import did something else: %+v", r.Sheets)
			}
		}
		return took, err
	}
	added := func(d exchange.Done) int { return d.Added }
	for _, file := range []string{"part,description,class\nHUB,Hub,hub\n", "location,name,kind\nWH,Warehouse,warehouse\n"} {
		if _, err := bring(file, added); err != nil {
			return err
		}
	}
	var file strings.Builder
	file.WriteString("unit tag,part,serial,lot,start hours,location,since\n")
	for i := range imported {
		fmt.Fprintf(&file, "M-%06d,HUB,%08d,lot %d,%d.5,WH,2026-01-02\n", i, i, i%50, i)
	}
	through, err := bring(file.String(), added)
	if err != nil {
		return err
	}
	again, err := bring(file.String(), func(d exchange.Done) int { return d.Unchanged })
	if err != nil {
		return err
	}
	floor, err := copied(ctx, at)
	if err != nil {
		return err
	}
	perSecond := func(d time.Duration) string { return thousands(int(imported/d.Seconds())) + " units/s" }
	b.add(row{work: fmt.Sprintf("import %s units with their stays", thousands(imported)), floor: "COPY " + perSecond(floor), measured: perSecond(through), ratio: ratio(through, floor)})
	b.add(row{work: "the same file again", floor: "COPY " + perSecond(floor), measured: perSecond(again), ratio: ratio(again, floor)})
	return nil
}

// copied sends what was imported by COPY into the other database, and gives how
// long the units and their stays took.
func copied(ctx context.Context, at cluster.Address) (took time.Duration, err error) {
	from, err := pgx.Connect(ctx, at.DSN(pgdb.OwnerRole, "imported"))
	if err != nil {
		return 0, err
	}
	defer from.Close(context.WithoutCancel(ctx))
	to, err := pgx.Connect(ctx, at.DSN(pgdb.OwnerRole, "copied"))
	if err != nil {
		return 0, err
	}
	defer to.Close(context.WithoutCancel(ctx))
	if _, err := to.Exec(ctx, `select set_config('spindlebook.actor', $1, false)`, access.System.ID.String()); err != nil {
		return 0, err
	}
	for _, table := range []struct {
		name, columns string
		counts        bool
	}{
		{"part", "id, number, description, class, created_at", false},
		{"location", "id, code, name, kind, created_at", false},
		{"unit", "id, tag, part_id, serial, owner, lot, start_hours, created_at", true},
		{"stay", "id, unit_id, location_id, during, from_precision, recorded_at, recorded_by", true},
	} {
		var rows bytes.Buffer
		if _, err := from.PgConn().CopyTo(ctx, &rows, fmt.Sprintf(`copy %s (%s) to stdout`, table.name, table.columns)); err != nil {
			return 0, err
		}
		began := time.Now()
		if _, err := to.PgConn().CopyFrom(ctx, &rows, fmt.Sprintf(`copy %s (%s) from stdin`, table.name, table.columns)); err != nil {
			return 0, err
		}
		if table.counts {
			took += time.Since(began)
		}
	}
	return took, nil
}
