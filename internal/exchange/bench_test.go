package exchange_test

import (
	"bufio"
	"bytes"
	"fmt"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"spindlebook/internal/exchange"
	"spindlebook/internal/pgtest"
)

// benchRows is how many units the benchmark brings in.
const benchRows = 100_000

// BenchmarkImportUnits brings units in, with everything checked, and beside it
// sends the same rows by COPY into the same table as its owner, row security off
// and the trail on. Then it brings the same file in again, which changes nothing.
//
//	go test -tags nomsgpack -run '^$' -bench ImportUnits -benchtime 1x ./internal/exchange
func BenchmarkImportUnits(b *testing.B) {
	var imported, again, copied time.Duration
	book := manyUnits(benchRows, false)
	for b.Loop() {
		service, owner := pgtest.DSN(b)
		db := pgtest.Open(b, service)
		mustTake(b, db, onboarding(b), exchange.Options{})
		began := time.Now()
		r := mustTake(b, db, book, exchange.Options{})
		imported += time.Since(began)
		if added, _, _ := total(r); added != benchRows {
			b.Fatalf("%+v", r.Sheets)
		}
		began = time.Now()
		r = mustTake(b, db, book, exchange.Options{})
		again += time.Since(began)
		if _, _, unchanged := total(r); unchanged != benchRows {
			b.Fatalf("%+v", r.Sheets)
		}

		// the floor: the same rows, out of the one database and into another
		conn, err := pgx.Connect(ctx, owner)
		if err != nil {
			b.Fatal(err)
		}
		_, fresh := pgtest.DSN(b)
		to, err := pgx.Connect(ctx, fresh)
		if err != nil {
			b.Fatal(err)
		}
		move := func(table, columns, where string) time.Duration {
			var rows bytes.Buffer
			if _, err := conn.PgConn().CopyTo(ctx, &rows, fmt.Sprintf("copy (select %s from %s %s) to stdout", columns, table, where)); err != nil {
				b.Fatal(err)
			}
			began := time.Now()
			if _, err := to.PgConn().CopyFrom(ctx, &rows, fmt.Sprintf("copy %s (%s) from stdin", table, columns)); err != nil {
				b.Fatal(err)
			}
			return time.Since(began)
		}
		if _, err := to.Exec(ctx, "select set_config('spindlebook.actor', $1, false)", system.ID.String()); err != nil {
			b.Fatal(err)
		}
		move("customer", "id, code, name, created_at", "")
		move("part", "id, number, description, class, created_at", "")
		copied += move("unit", "id, tag, part_id, serial, owner, owner_customer_id, lot, pattern, start_hours, start_vehicles, start_days, created_at, version", "where tag like 'M-%'")
		for _, c := range []*pgx.Conn{conn, to} {
			if err := c.Close(ctx); err != nil {
				b.Fatal(err)
			}
		}
	}
	rate := func(d time.Duration) float64 { return benchRows * float64(b.N) / d.Seconds() }
	b.ReportMetric(rate(imported), "rows/s")
	b.ReportMetric(rate(copied), "COPY-rows/s")
	b.ReportMetric(rate(imported)/rate(copied), "of-COPY")
	b.ReportMetric(rate(again), "unchanged-rows/s")
}

// BenchmarkReadWorkbook takes a workbook of as many rows apart.
func BenchmarkReadWorkbook(b *testing.B) {
	db := pgtest.New(b)
	mustTake(b, db, onboarding(b), exchange.Options{})
	mustTake(b, db, manyUnits(benchRows, false), exchange.Options{})
	var out bytes.Buffer
	w := bufio.NewWriter(&out)
	began := time.Now()
	if err := exchange.ExportWorkbook(ctx, db, system, w); err != nil {
		b.Fatal(err)
	}
	if err := w.Flush(); err != nil {
		b.Fatal(err)
	}
	written := time.Since(began)
	file := out.String()
	for b.Loop() {
		r := mustTake(b, db, file, exchange.Options{DryRun: true})
		if added, changed, _ := total(r); added+changed > 0 {
			b.Fatalf("%+v", r.Sheets)
		}
	}
	b.ReportMetric(benchRows/written.Seconds(), "written-rows/s")
	b.ReportMetric(benchRows*float64(b.N)/b.Elapsed().Seconds(), "read-rows/s")
}
