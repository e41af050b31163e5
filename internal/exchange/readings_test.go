package exchange_test

import (
	"bytes"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/xuri/excelize/v2"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/assets/meters"
	"spindlebook/internal/exchange"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgtest"
)

// counters is a site in Chicago with a counter of vehicles and an hour meter.
func counters(t testing.TB) *pgdb.DB {
	t.Helper()
	db := pgtest.New(t)
	from := now.AddDate(-2, 0, 0)
	err := db.InTx(ctx, system.ID, func(tx *gorm.DB) error {
		c, err := assets.AddCustomer(tx, system, now, assets.CustomerEdit{Code: "HAD", Name: "Hadrelle Wash Group"})
		if err != nil {
			return err
		}
		s, err := assets.AddSite(tx, system, now, c.ID, &from, assets.SiteEdit{Code: "UMB", Name: "Umber", Zone: "America/Chicago", Currency: "USD", Climate: "snowbelt", Size: "medium", DriverSide: "left"})
		if err != nil {
			return err
		}
		l, err := assets.AddLine(tx, system, now, s.ID, &from, assets.LineEdit{Code: "UMB-1"})
		if err != nil {
			return err
		}
		for code, unit := range map[string]meters.Unit{"UMB-1/TC": meters.Vehicles, "UMB-1/H": meters.Hours} {
			if _, err := meters.Add(tx, system, now, meters.NewMeter{SiteID: s.ID, From: &from, Unit: unit, Edit: meters.Edit{Code: code, Kind: "wash_counter"}, Thing: meters.Thing{LineID: &l.ID, Primary: true}}); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return db
}

func takeReadings(t testing.TB, db *pgdb.DB, who access.Actor, file string, o exchange.Options) (exchange.ReadingsDone, error) {
	t.Helper()
	up, err := exchange.ReceiveReadings(strings.NewReader(file))
	if err != nil {
		t.Fatal(err)
	}
	defer up.Close()
	if o.Key == "" {
		o.Key = pgdb.NewID().String()
	}
	return exchange.ImportReadings(ctx, db, who, now, up, o)
}

func seenBy(t testing.TB, db *pgdb.DB) string {
	t.Helper()
	rows, err := pgdb.Read[struct{ Line string }](ctx, db, system.ID, `
select concat_ws(' ', m.code, to_char(r.at at time zone 'UTC', 'YYYY-MM-DD HH24:MI'), r.typed, r.source, r.state) as line
  from reading as r join meter as m on m.id = r.meter_id order by m.code, r.at`, nil)
	if err != nil {
		t.Fatal(err)
	}
	var all []string
	for _, r := range rows {
		all = append(all, r.Line)
	}
	return strings.Join(all, "\n")
}

// The ways in which people write a sheet of readings all mean the same.
func TestSheetsOfReadings(t *testing.T) {
	t.Parallel()
	want := "UMB-1/H 2026-03-01 18:00 12345.6 h eye counts\nUMB-1/TC 2026-03-01 18:00 41000 vehicles eye counts\nUMB-1/TC 2026-03-09 22:30 42500 vehicles photo counts"
	book := func() string {
		f := excelize.NewFile()
		for i, row := range [][]any{{"readings of the spring"}, {"Counter", "Seen at", "Count", "Source"}, {"UMB-1/TC", "2026-03-09 17:30", 42500, "photo"},
			{"umb-1/h", time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC), 12345.6}, {"UMB-1/TC", "2026-03-01", 41000}} {
			if err := f.SetSheetRow("Sheet1", fmt.Sprintf("A%d", i+1), &row); err != nil {
				t.Fatal(err)
			}
		}
		var b bytes.Buffer
		if err := f.Write(&b); err != nil {
			t.Fatal(err)
		}
		return b.String()
	}
	for name, file := range map[string]string{
		// 12:00 in Chicago is 18:00 UTC in winter; 17:30 on the second Monday of March, in summer time, 22:30
		"as programs write it": "meter,at,value,unit,source\nUMB-1/TC,2026-03-01T18:00:00Z,41000,vehicles,eye\nUMB-1/TC,2026-03-09T17:30:00-05:00,42500,,photo\nUMB-1/H,2026-03-01T18:00:00Z,12345.6,h,\n",
		"with semicolons":      "Zähler;x\n;;\nmeter;date;reading;source\n\numb-1/tc;9.3.2026 17:30;42'500;photo\numb-1/tc;1.3.2026;41 000\numb-1/h;1.3.2026 12:00;12.345,6\n",
		"with commas in it":    "meter\tat\tvalue\tsource\nUMB-1/TC\t2026-03-09 5:30 PM\t42,500\tPHOTO\nUMB-1/H\t2026-03-01\t\"12,345.6\"\nUMB-1/TC\t2026-03-01\t41000\n",
		"a workbook":           book(),
	} {
		t.Run(name, func(t *testing.T) {
			db := counters(t)
			if got, err := takeReadings(t, db, system, file, exchange.Options{DryRun: true, Dates: exchange.DayFirst}); err != nil || got.Taken != 3 || !got.DryRun || seenBy(t, db) != "" {
				t.Fatalf("dry: %+v %s %s", got, told(err), seenBy(t, db))
			}
			got, err := takeReadings(t, db, system, file, exchange.Options{Dates: exchange.DayFirst, Key: "one"})
			if err != nil || got.Rows != 3 || got.Taken != 3 || seenBy(t, db) != want {
				t.Fatalf("%+v %s\n%s", got, told(err), seenBy(t, db))
			}
			if again, err := takeReadings(t, db, system, file, exchange.Options{Dates: exchange.DayFirst, Key: "one"}); err != nil || again.Taken != 3 {
				t.Errorf("a retry: %+v %s", again, told(err))
			}
			if again, err := takeReadings(t, db, system, file, exchange.Options{Dates: exchange.DayFirst}); err != nil || again.AlreadyThere != 3 || again.Taken != 0 || seenBy(t, db) != want {
				t.Errorf("the same file again: %+v %s", again, told(err))
			}
		})
	}
}

// What breaks a rule is told by its row, all of it at once, and nothing is taken.
func TestRowsOfReadingsThatBreakARule(t *testing.T) {
	t.Parallel()
	db := counters(t)
	file := "meter,at,value,unit,source\n" + // the first row
		"UMB-1/TC,2026-03-01T18:00:00Z,41000,,\n" +
		",2026-03-02,1,,\n" +
		"UMB-1/TC,,1,,\n" +
		"UMB-1/TC,3/5/2026,1,,\n" +
		"UMB-1/TC,2026-03,1,,\n" +
		"UMB-1/TC,2026-02-30,1,,\n" +
		"UMB-1/TC,2026-03-03," + strings.Repeat("1", 101) + ",,\n"
	_, err := takeReadings(t, db, system, file, exchange.Options{})
	for _, says := range []string{"readings!A3", "readings!B4", "date_ambiguous", "readings!B6", "that month has no such day", "at most 100 characters"} {
		if !strings.Contains(told(err), says) {
			t.Errorf("not told is %q:\n%s", says, told(err))
		}
	}
	// what only Take can tell
	file = "meter,at,value,unit,source\nUMB-1/TC,2026-03-01T18:00:00Z,41000,,\nNOBODY,2026-03-02,1,,\nUMB-1/TC,2026-03-02,-1,,\nUMB-1/TC,2026-03-03,12.5,,\n" +
		"UMB-1/TC,2026-03-03,1,h,\nUMB-1/TC,2026-03-03,1,,guess\nUMB-1/TC,2026-03-01T18:00:00Z,41001,,\n"
	_, err = takeReadings(t, db, system, file, exchange.Options{})
	for _, says := range []string{"readings!A3", "names no meter", "readings!C4", "negative", "readings!C5", "whole number", "readings!D6", "readings!E7", "readings!C8", "41000 vehicles is recorded"} {
		if !strings.Contains(told(err), says) {
			t.Errorf("not told is %q:\n%s", says, told(err))
		}
	}
	if got := seenBy(t, db); got != "" {
		t.Errorf("taken was\n%s", got)
	}
	for file, kind := range map[string]fault.Kind{"": fault.Malformed, "a,b\n1,2\n": fault.Invalid, "meter,at,value\n": 0,
		"PK\x03\x04nonsense": fault.Malformed, "meter,at,value\nUMB-1/TC,2026-03-01,\x00\n": fault.Malformed, strings.Repeat("x\n", 50): fault.Invalid} {
		_, err := takeReadings(t, db, system, file, exchange.Options{})
		if kind == 0 && err != nil || kind != 0 && fault.KindOf(err) != kind {
			t.Errorf("%.30q: %v, want kind %d", file, err, kind)
		}
	}
	if _, err := takeReadings(t, db, system, "meter,at,value\n", exchange.Options{Dates: "ymd"}); fault.KindOf(err) != fault.Invalid {
		t.Errorf("an order of nobody: %v", err)
	}
	if _, err := takeReadings(t, db, access.Actor{}, "meter,at,value\n", exchange.Options{}); fault.KindOf(err) != fault.Forbidden {
		t.Errorf("without the right: %v", err)
	}
}

// A file is a set: in whatever order its rows stand, the same counts, and what
// does not fit waits.
func TestTheOrderOfASheetDoesNotMatter(t *testing.T) {
	t.Parallel()
	var rows []string
	for i := range 700 {
		rows = append(rows, fmt.Sprintf("UMB-1/TC,%s,%d", now.Add(-time.Duration(i)*time.Hour).Format(time.RFC3339), 70000-i*50))
	}
	rows = append(rows, fmt.Sprintf("UMB-1/TC,%s,3", now.Add(-90*time.Minute).Format(time.RFC3339)))
	var was string
	for round := range 3 {
		for i := range rows {
			j := (i*7919 + round*31) % len(rows)
			rows[i], rows[j] = rows[j], rows[i]
		}
		db := counters(t)
		got, err := takeReadings(t, db, system, "meter,at,value\n"+strings.Join(rows, "\n"), exchange.Options{})
		if err != nil || got.Taken != 700 || got.NeedsExplanation != 1 {
			t.Fatalf("%+v %s", got, told(err))
		}
		if is := seenBy(t, db); round > 0 && is != was {
			t.Errorf("in another order:\n%s", differ(was, is))
		} else {
			was = is
		}
	}
}

// A sheet of readings is told from others by its heads; a code alone could be
// that of anything.
func TestWhatHoldsReadings(t *testing.T) {
	t.Parallel()
	for file, want := range map[string]bool{
		"meter,at,value\nUMB-1/TC,2026-03-01,1\n":                true,
		"Readings of March\n\nCounter;Seen at;Count\nX;1.3.;1\n": true,
		"Meter code\tDate\tReading\n":                            true,
		"code,date,value\nA,2026-01-01,1\n":                      false,
		"customer,name\nHAD,Hadrelle\n":                          false,
		"meter,value\nUMB-1/TC,1\n":                              false,
		"":                                                       false,
		"PK\x03\x04nonsense":                                     false,
		strings.Repeat("x\n", 99):                                false,
	} {
		up, err := exchange.ReceiveReadings(strings.NewReader(file))
		if err != nil {
			t.Fatal(err)
		}
		got, err := exchange.HoldsReadings(up)
		up.Close()
		if err != nil || got != want {
			t.Errorf("%.40q: %v %v", file, got, err)
		}
	}
	// the register's own sheets hold none
	for _, kind := range exchange.Kinds() {
		var b bytes.Buffer
		if err := exchange.ExportCSV(ctx, counters(t), system, kind, &b); err != nil {
			t.Fatal(err)
		}
		up, err := exchange.Receive(&b)
		if err != nil {
			t.Fatal(err)
		}
		if got, err := exchange.HoldsReadings(up); got || err != nil {
			t.Errorf("%s: %v %v", kind, got, err)
		}
		up.Close()
	}
}

// What waits, and what counts with a word about it, is told by its row, in the
// words in which it would be told alone.
func TestWhatDeservesALookInASheetOfReadings(t *testing.T) {
	t.Parallel()
	db := counters(t)
	file := "meter,at,value\nUMB-1/TC,2026-02-01,41000\nUMB-1/TC,2026-02-03,400\nUMB-1/TC,2031-03-01,42000\n"
	for _, dry := range []bool{true, false} {
		got, err := takeReadings(t, db, system, file, exchange.Options{DryRun: dry})
		if err != nil || got.Taken != 1 || got.NeedsExplanation != 1 || got.Quarantined != 1 || len(got.Warnings) != 2 || len(got.Warned) != 2 {
			t.Fatalf("%+v %s", got, told(err))
		}
		falls, ahead := got.Warnings[0], got.Warnings[1]
		if falls.Field != "readings!C3" || falls.Row != 3 || falls.Rule != "falls" || falls.Value != "UMB-1/TC 400" || falls.Zone != "America/Chicago" || !strings.Contains(falls.Says, "less than before: 41000 vehicles") {
			t.Errorf("%+v", falls)
		}
		if ahead.Field != "readings!C4" || ahead.Rule != "time" || ahead.Says == "" {
			t.Errorf("%+v", ahead)
		}
	}
}
