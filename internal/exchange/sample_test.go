package exchange_test

import (
	"bytes"
	"errors"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/xuri/excelize/v2"

	"spindlebook/internal/exchange"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgtest"
)

var update = flag.Bool("update", false, "write the sample files of testdata/sheets anew")

// The sample is what an invented wash in Germany might send on its first day:
// title rows, merged cells, trailing blanks, decimal commas, local dates, numbers
// that should have been texts, and much that nobody knows.

type tab struct {
	name string
	rows [][]any
}

// day is a cell with a date in it, as a spreadsheet keeps it.
type day time.Time

func onDay(y int, m time.Month, d int) day { return day(time.Date(y, m, d, 0, 0, 0, 0, time.UTC)) }

// zeros is a number that is shown with leading zeros.
type zeros int

func sampleTabs() []tab {
	return []tab{
		{"Read me", [][]any{{"Inventory of the Tannenhof wash"}, {}, {"Ask Mr. Birkner about the old shed."}}},
		{"Customers", [][]any{{"Customers"}, {"Customer ", "NAME", "Needs_order-number"}, {"tan", "Tannenhof Waschpark KG  ", "yes"}, {}, {}}},
		{"Sites", [][]any{
			{"Sites of Tannenhof, as of spring 2026"},
			{},
			{"Site", "Name", "Customer", "Owned since", "Address", "Latitude", "Longitude", "Time zone", "Currency", "Climate", "Size class", "Driver side", "Day turns at"},
			{"TANN", " Tannenhof Süd", "TAN", "1.4.2019", "Am Tannenhof 3\n12345 Musterstadt", "51,5", "7,25", "Europe/Berlin", "eur", "Mild wet", "Large", "left", "03:00"},
		}},
		{"Supplies", [][]any{{"Site", "Supply", "Volts", "Phases", "Hertz", "High leg"}, {"TANN", "Main 400", 400, 3, 50, "no"}}},
		{"Lines", [][]any{{"Line", "Site", "Name", "Length (m)", "Speed", "Cars per hour", "Since"}, {"TANN-1", "TANN", "Halle 1", 33.5, "6,4 m/min", 90, "2019"}}},
		{"Positions", [][]any{
			{"", "Where it is", "", "", "What it is"},
			{"Position", "Line", "Side", "Along", "Name", "Kind", "Supply", "Also called", "Twin", "Since", "Site"},
			{"TANN-1/SBL-D", "TANN-1", "left", "11,6 m", "Low side brush, left", "Low side brush", "Main 400", "Seitenbürste 1; SB-L", "TANN-1/SBL-P", onDay(2019, 4, 1)},
			{"TANN-1/SBL-P", "TANN-1", "right", "11,6 m", "Low side brush, right", "side_brush_low", "Main 400", "Seitenbürste 2", "", onDay(2019, 4, 1)},
			{"TANN-1/TOP", "TANN-1", "centre", "15,25 m", "Top brush", "Top brush", "Main 400", "", "", "2021"},
			{"TANN/AIR", "", "", "", "Compressor", "Compressed air", "", "", "", "unknown", "TANN"},
		}},
		{"Parts", [][]any{{"Part number", "Description", "Class"},
			{"GM-090L", "Gearmotor 1,1 kW, hollow bore 35", "Gearmotor"}, {"HB-35", "Hub, clamp, 35", "Hub"}, {"MS-F16", "Foam set, 16 sections", "Media set"}}},
		{"Locations", [][]any{{"Location", "Name", "Kind", "Site"}, {"WH", "Warehouse", "warehouse", ""}, {"TANN-SHELF", "Shelf at Tannenhof", "Site shelf", "TANN"}}},
		{"Facts", [][]any{
			{"Position", "Part", "Fact", "Value", "From", "How", "Seen on", "Seen by"},
			{"TANN-1/SBL-D", "", "Frame standard", "IEC", "1.4.2019", "read off plate", "3.5.2026", "L. Birkner"},
			{"TANN-1/SBL-D", "", "Bore", "35 mm", "1.4.2019", "measured", "3.5.2026", "L. Birkner"},
			{"TANN-1/SBL-P", "", "Bore", "1-3/8 in", "1.4.2019", "told", "", ""},
			{"TANN-1/SBL-D", "", "Media colour", "blue", "", "seen", "13.5.2025", ""},
			{"", "MS-F16", "Media pattern", "AABBx4", "", "", "", ""},
			{"", "GM-090L", "Bore", "35 mm", "", "", "", ""},
		}},
		{"Units", [][]any{
			{"Units", "", "", "", "", "", "", "Where they are"},
			{"(as found in May 2026)"},
			{"Unit tag", "Part", "Serial", "Lot", "Pattern", "Start hours", "Owner customer", "Position", "Slot", "Location", "Fitted since"},
			{"TH-001", "GM-090L", "0004711", "", "", "12,5", "TAN", "TANN-1/SBL-D", "gearmotor", "", "3.5.2024"},
			{"TH-002", "GM-090L", zeros(4712), "", "", "?", "TAN", "TANN-1/SBL-P", "", "", "05/2023"},
			{"TH-003", "HB-35", "", "", "", "", "TAN", "TANN-1/SBL-D", "Hub", "", "2021"},
			{"TH-004", "HB-35", "?", "", "", "", "TAN", "TANN-1/SBL-P", "hub", "", "unknown"},
			{"TH-005", "MS-F16", "", 77, "AABBAABBAABBAABB", "", "TAN", "TANN-1/SBL-D", "media", "", onDay(2025, 11, 3)},
			{},
			{"TH-006", "MS-F16", "", "78 A", "aabbaabbaabbaabb", "", "TAN", "", "", "TANN-SHELF", ""},
			{"TH-007", "GM-090L", "A  17", "", "", "1.234,5", "TAN", "", "", "", ""},
		}},
		{"Stays", [][]any{
			{"Unit tag", "Position", "Slot", "Location", "From", "Until", "Reason", "Remark"},
			{"TH-007", "TANN-1/TOP", "gearmotor", "", "2021", "4.3.2025", "failed", "bearing noise "},
			{"TH-007", "", "", "WH", "4.3.2025", "", "", ""},
		}},
	}
}

// wrong is a mistake put into the sample, and what is to be said of it.
type wrong struct {
	tab, cell string
	value     any
	field     string // what is blamed
	rule      string
}

var mistakes = []wrong{
	{"Sites", "J4", "tropical", "Sites!J4", "choice"},
	{"Sites", "H4", "Europe/Musterstadt", "Sites!H4", "zone"},
	{"Lines", "E2", "6,4", "Lines!E2", "unit"},
	{"Positions", "F5", "Dog wash", "Positions!F5", "position_kind"},
	{"Parts", "C3", "Hobby", "Parts!C3", "class"},
	{"Facts", "D4", "many", "Facts!D4", "measure"},
	{"Facts", "E5", "31.2.2019", "Facts!E5", "date"},
	{"Facts", "C7", "Favourite colour", "Facts!C7", "fact_kind"},
	{"Units", "L3", "Sereal", "Units!L3", "unknown_column"},
	{"Units", "F5", "viel", "Units!F5", "number"},
	{"Units", "B6", "HB-36", "Units!B6", "names_no_part"},
	{"Units", "A8", "TH-001", "Units!A8", "twice"},
	{"Units", "E10", "AABBAABBAABBAAB", "Units!E10", "pattern_length"},
	{"Units", "C4", onDay(2026, 3, 8), "Units!C4", "became_a_date"},
	{"Stays", "F2", "4.3.2020", "Stays!F2", "ends_before_it_begins"},
}

// book makes the workbook of the sample, with some mistakes in it.
func book(t testing.TB, tabs []tab, with []wrong) []byte {
	t.Helper()
	f := excelize.NewFile()
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	dates, err := f.NewStyle(&excelize.Style{NumFmt: 14})
	must(err)
	padded := "0000000"
	leading, err := f.NewStyle(&excelize.Style{CustomNumFmt: &padded})
	must(err)
	set := func(tab, cell string, v any) {
		switch v := v.(type) {
		case day:
			must(f.SetCellValue(tab, cell, time.Time(v)))
			must(f.SetCellStyle(tab, cell, cell, dates))
		case zeros:
			must(f.SetCellInt(tab, cell, int64(v)))
			must(f.SetCellStyle(tab, cell, cell, leading))
		case string:
			if v != "" {
				must(f.SetCellStr(tab, cell, v))
			}
		default:
			must(f.SetCellValue(tab, cell, v))
		}
	}
	for i, tab := range tabs {
		if i == 0 {
			must(f.SetSheetName("Sheet1", tab.name))
		} else {
			_, err := f.NewSheet(tab.name)
			must(err)
		}
		for y, row := range tab.rows {
			for x, v := range row {
				at, err := excelize.CoordinatesToCellName(x+1, y+1)
				must(err)
				set(tab.name, at, v)
			}
		}
		if len(tab.rows[0]) == 1 {
			must(f.MergeCell(tab.name, "A1", "E1"))
		}
	}
	for _, w := range with {
		set(w.tab, w.cell, w.value)
	}
	var b bytes.Buffer
	must(f.Write(&b))
	must(f.Close())
	return b.Bytes()
}

// sample reads a file of testdata/sheets, or with -update writes it first.
func sample(t testing.TB, name string, made func() []byte) string {
	t.Helper()
	path := filepath.Join("..", "..", "testdata", "sheets", name)
	if *update && made != nil {
		if err := os.WriteFile(path, made(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	raw, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return string(raw)
}

func onboarding(t testing.TB) string {
	return sample(t, "onboarding.xlsx", func() []byte { return book(t, sampleTabs(), nil) })
}

func TestAMessyWorkbookIsRead(t *testing.T) {
	db := pgtest.New(t)
	file := onboarding(t)
	dry := mustTake(t, db, file, exchange.Options{DryRun: true})
	r := mustTake(t, db, file, exchange.Options{})
	if fmt.Sprint(dry.Sheets) != fmt.Sprint(r.Sheets) || !dry.DryRun || r.DryRun {
		t.Errorf("a dry run said %v, and done was %v", dry.Sheets, r.Sheets)
	}
	if added, changed, unchanged := total(r); added != 35 || changed+unchanged != 0 {
		t.Errorf("added %d, changed %d, unchanged %d: %+v", added, changed, unchanged, r.Sheets)
	}
	warned := map[string]string{}
	for _, w := range r.Warnings {
		warned[w.Field] = w.Rule
	}
	for field, rule := range map[string]string{"Read me!1": "sheet_not_read", "Units!C5": "serial_was_a_number", "Units!D8": "serial_was_a_number", "Lines!G2": "first_day_taken"} {
		if warned[field] != rule {
			t.Errorf("%s: warned of %q, want %q", field, warned[field], rule)
		}
	}
	if len(r.Notes) != 1 || !strings.Contains(r.Notes[0], "comma") {
		t.Errorf("notes: %q", r.Notes)
	}
	is := csvs(t, db, system)
	for _, want := range []struct{ kind, line string }{
		{"customers", "TAN,Tannenhof Waschpark KG,yes"},
		{"sites", "TANN,Tannenhof Süd,TAN,2019-04-01,\"Am Tannenhof 3\n12345 Musterstadt\",51.5,7.25,Europe/Berlin,EUR,mild wet,large,left,03:00"},
		{"lines", "TANN-1,TANN,Halle 1,33.5 m,6.4 m/min,90,2019-01-01"},
		{"positions", "TANN-1/SBL-D,TANN,TANN-1,\"Low side brush, left\",Low side brush,left,11.6 m,Main 400,\"SB-L;Seitenbürste 1\",TANN-1/SBL-P,2019-04-01,in service"},
		{"positions", "TANN-1/SBL-P,TANN,TANN-1,\"Low side brush, right\",Low side brush,right,11.6 m,Main 400,Seitenbürste 2,TANN-1/SBL-D,2019-04-01,in service"},
		{"facts", "TANN-1/SBL-P,,,Bore,1.3750 in,2019-04-01,,told,,"},
		{"facts", ",,MS-F16,Media pattern,AABBx4,,,,,"},
		{"units", "TH-001,GM-090L,0004711,customer,TAN,,,12.5,,"},
		{"units", "TH-002,GM-090L,0004712,customer,TAN,,,,,"},
		{"units", "TH-004,HB-35,,customer,TAN,,,,,"},
		{"units", "TH-007,GM-090L,A  17,customer,TAN,,,1234.5,,"},
		{"stays", "TH-001,TANN-1/SBL-D,gearmotor,,,2024-05-03,,,,,"},
		{"stays", "TH-002,TANN-1/SBL-P,gearmotor,,,2023-05,,,,,"},
		{"stays", "TH-003,TANN-1/SBL-D,hub,,,2021,,,,,"},
		{"stays", "TH-004,TANN-1/SBL-P,hub,,,unknown,,,,,"},
		{"stays", "TH-005,TANN-1/SBL-D,media,,,2025-11-03,,,,,"},
		{"stays", "TH-006,,,,TANN-SHELF,unknown,,,,,"},
		{"stays", "TH-007,TANN-1/TOP,gearmotor,,,2021,,2025-03-04,,failed,bearing noise"},
	} {
		if !strings.Contains(is[want.kind], want.line+"\r\n") {
			t.Errorf("%s lacks\n%s\nin\n%s", want.kind, want.line, is[want.kind])
		}
	}
	again := mustTake(t, db, file, exchange.Options{})
	if added, changed, _ := total(again); added+changed > 0 {
		t.Errorf("the same file again: %+v", again.Sheets)
	}
}

// blamed gives what was said, by field and rule.
func blamed(t testing.TB, err error) []string {
	t.Helper()
	f, ok := errors.AsType[*fault.Error](err)
	if !ok || f.Kind != fault.Invalid {
		t.Fatalf("no fault of the file: %v", err)
	}
	var all []string
	for _, p := range f.Parts {
		if p.Msg == "" || p.Row == 0 || p.Sheet == "" {
			t.Errorf("%+v says too little", p)
		}
		all = append(all, p.Field+" "+p.Rule)
	}
	return all
}

func TestEveryMistakeIsNamedAtOnce(t *testing.T) {
	db := pgtest.New(t)
	file := sample(t, "onboarding-broken.xlsx", func() []byte { return book(t, sampleTabs(), mistakes) })
	for _, dry := range []bool{true, false} {
		_, err := take(t, db, file, exchange.Options{DryRun: dry})
		got := blamed(t, err)
		for _, m := range mistakes {
			if want := m.field + " " + m.rule; !slices.Contains(got, want) {
				t.Errorf("not told: %s", want)
			} else {
				got = slices.DeleteFunc(got, func(g string) bool { return g == want })
			}
		}
		if len(got) > 0 {
			t.Errorf("told too: %q\n%s", got, told(err))
		}
	}
	for k, c := range csvs(t, db, system) {
		if strings.Count(c, "\n") != 1 {
			t.Errorf("something is left of %s: %s", k, c)
		}
	}
	mustTake(t, db, onboarding(t), exchange.Options{})
}

const moreUnits = "\ufeffTannenhof, delivery of May;;;;;\r\n;;;;;\r\nUnit Tag;Part No;Serial;Start Hours;Location;Fitted since\r\n" +
	"th-101;GM-090L;00089;1.204,5;WH;03.05.2026\r\nTH-102;GM-090L;\"0;1\"\"2\";7,5;WH;2026\r\n;;;;;\r\nTH-103;HB-35;'=1+1 ;;WH;?   \r\n"

const brokenUnits = "\ufeffTannenhof, delivery of May;;;;;\r\n;;;;;\r\nUnit Tag;Part No;Sereal;Start Hours;Location;Fitted since\r\n" +
	"th-101;GM-090X;00089;1.204,5;WH;03.05.2026\r\nTH-102;GM-090L;\"0;1\"\"2\";7,5,1;WH;3.15.2026\r\n;;;;;\r\nTH 103;HB-35;'=1+1 ;;WX;12.5.2027\r\n"

func TestAMessyTableIsRead(t *testing.T) {
	db := pgtest.New(t)
	mustTake(t, db, onboarding(t), exchange.Options{})
	_, err := take(t, db, sample(t, "units-broken.csv", func() []byte { return []byte(brokenUnits) }), exchange.Options{})
	want := []string{"units!C3 unknown_column", "units!B4 names_no_part", "units!D5 number", "units!F5 date", "units!A7 form", "units!E7 names_no_location"}
	if got := blamed(t, err); !slices.Equal(got, want) {
		t.Errorf("told %q, want %q\n%s", got, want, told(err))
	}
	file := sample(t, "units.csv", func() []byte { return []byte(moreUnits) })
	r := mustTake(t, db, file, exchange.Options{})
	if added, changed, unchanged := total(r); added != 6 || changed+unchanged != 0 {
		t.Errorf("%+v", r.Sheets)
	}
	is := csvs(t, db, system)
	for _, line := range []string{"TH-101,GM-090L,00089,distributor,,,,1204.5,,", "TH-102,GM-090L,\"0;1\"\"2\",distributor,,,,7.5,,", "TH-103,HB-35,'=1+1,distributor,,,,,,"} {
		if !strings.Contains(is["units"], line+"\r\n") {
			t.Errorf("lacks %s in %s", line, is["units"])
		}
	}
	r = mustTake(t, db, file, exchange.Options{})
	if added, changed, _ := total(r); added+changed > 0 {
		t.Errorf("the same file again: %+v", r.Sheets)
	}
}
