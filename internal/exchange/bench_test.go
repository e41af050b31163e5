package exchange_test

import (
	"bufio"
	"bytes"
	"testing"
	"time"

	"spindlebook/internal/exchange"
	"spindlebook/internal/pgtest"
)

// benchRows is how many units the benchmark writes and reads.
const benchRows = 100_000

// BenchmarkReadWorkbook takes a workbook of as many rows apart. What an import
// takes beside COPY stands in cmd/bench.
//
//	go test -tags nomsgpack -run '^$' -bench ReadWorkbook -benchtime 1x ./internal/exchange
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
