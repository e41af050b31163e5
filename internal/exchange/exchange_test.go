package exchange_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"spindlebook/internal/access"
	"spindlebook/internal/demo"
	"spindlebook/internal/exchange"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgtest"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

var (
	system = access.System
	ctx    = context.Background()
	now    = time.Date(2026, 5, 12, 15, 4, 5, 123456789, time.UTC)
)

// take imports a file as the system.
func take(t testing.TB, db *pgdb.DB, file string, o exchange.Options) (exchange.Result, error) {
	t.Helper()
	up, err := exchange.Receive(strings.NewReader(file))
	if err != nil {
		t.Fatal(err)
	}
	defer up.Close()
	return exchange.Import(ctx, db, access.System, now, up, o)
}

// mustTake fails the test where the import does, with every error.
func mustTake(t testing.TB, db *pgdb.DB, file string, o exchange.Options) exchange.Result {
	t.Helper()
	r, err := take(t, db, file, o)
	if err != nil {
		t.Fatalf("import: %s", told(err))
	}
	return r
}

// told writes a fault with what it says of each cell.
func told(err error) string {
	f, ok := errors.AsType[*fault.Error](err)
	if !ok {
		return fmt.Sprint(err)
	}
	var b strings.Builder
	fmt.Fprintf(&b, "%v (%d)\n", f, len(f.Parts))
	for i, p := range f.Parts {
		if i == 40 {
			fmt.Fprintln(&b, "...")
			break
		}
		fmt.Fprintf(&b, "  %s %q %s: %s\n", p.Field, p.Value, p.Rule, p.Msg)
	}
	return b.String()
}

func workbook(t testing.TB, db *pgdb.DB, who access.Actor) string {
	t.Helper()
	var b bytes.Buffer
	if err := exchange.ExportWorkbook(ctx, db, who, &b); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// csvs exports every kind by itself.
func csvs(t testing.TB, db *pgdb.DB, who access.Actor) map[string]string {
	t.Helper()
	all := map[string]string{}
	for _, k := range exchange.Kinds() {
		var b bytes.Buffer
		if err := exchange.ExportCSV(ctx, db, who, k, &b); err != nil {
			t.Fatal(err)
		}
		all[k] = b.String()
	}
	return all
}

func total(r exchange.Result) (added, changed, unchanged int) {
	for _, s := range r.Sheets {
		added, changed, unchanged = added+s.Added, changed+s.Changed, unchanged+s.Unchanged
	}
	return added, changed, unchanged
}

func TestTheDemoComesBack(t *testing.T) {
	db := pgtest.New(t)
	if err := demo.Load(ctx, db, now); err != nil {
		t.Fatal(err)
	}
	book, was := workbook(t, db, access.System), csvs(t, db, access.System)
	r := mustTake(t, db, book, exchange.Options{})
	if added, changed, unchanged := total(r); added+changed > 0 || unchanged < 300 {
		t.Errorf("into the same database: %+v", r.Sheets)
	}
	for k, c := range was {
		r := mustTake(t, db, c, exchange.Options{})
		if added, changed, _ := total(r); added+changed > 0 || len(r.Sheets) > 0 && r.Sheets[0].Kind != k && k != "sites" {
			t.Errorf("%s into the same database: %+v", k, r.Sheets)
		}
	}
	same := func(how string, db *pgdb.DB) {
		is := csvs(t, db, access.System)
		for k := range was {
			if was[k] != is[k] {
				t.Errorf("%s: %s came back otherwise:\n%s", how, k, differ(was[k], is[k]))
			}
		}
	}
	fresh := pgtest.New(t)
	r = mustTake(t, fresh, book, exchange.Options{})
	for _, s := range r.Sheets { // the first state of a position comes with the position
		if s.Kind != "states" && s.Changed+s.Unchanged > 0 {
			t.Errorf("into an empty database: %+v", s)
		}
	}
	same("workbook", fresh)
	single := pgtest.New(t)
	for _, k := range exchange.Kinds() {
		if strings.Count(was[k], "\n") > 1 {
			mustTake(t, single, was[k], exchange.Options{})
		}
	}
	same("one by one", single)
}

// differ shows the first lines that are not the same.
func differ(a, b string) string {
	x, y := strings.Split(a, "\n"), strings.Split(b, "\n")
	var out strings.Builder
	for i, n := 0, 0; i < max(len(x), len(y)) && n < 3; i++ {
		l, r := "", ""
		if i < len(x) {
			l = x[i]
		}
		if i < len(y) {
			r = y[i]
		}
		if l != r {
			fmt.Fprintf(&out, "  %d\n- %s\n+ %s\n", i+1, l, r)
			n++
		}
	}
	return out.String()
}
