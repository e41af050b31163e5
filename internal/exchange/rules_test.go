package exchange_test

import (
	"archive/zip"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"golang.org/x/text/encoding/charmap"
	"golang.org/x/text/encoding/unicode"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/exchange"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgtest"
)

// What an import refuses, by what it says of which cells. All of it is asked of
// one database, in which nothing may change.
func TestWhatDoesNotHoldIsRefused(t *testing.T) {
	db := pgtest.New(t)
	mustTake(t, db, onboarding(t), exchange.Options{})
	was := fmt.Sprint(csvs(t, db, system))
	stay := "unit tag,position,slot,location,from,until,reason\n"
	for name, c := range map[string]struct {
		file string
		o    exchange.Options
		want []string
	}{
		"overlapping stays of one unit":     {stay + "TH-006,,,WH,2024-01-01,2024-06-01,moved\nTH-006,TANN-1/TOP,media,,2024-05-01,2024-07-01,age\n", exchange.Options{}, []string{"stays!A2 unit_in_two_places", "stays!A3 unit_in_two_places"}},
		"a unit in two places":              {stay + "TH-003,,,WH,2022-01-01,,\n", exchange.Options{}, []string{"stays!A2 unit_in_two_places"}},
		"two places in one file":            {"unit tag,part,location,since\nX-1,HB-35,WH,2024\nX-2,HB-35,WH,2024\n", exchange.Options{}, nil},
		"a slot that holds another":         {stay + "TH-006,TANN-1/SBL-D,media,,2026-01-02,,\n", exchange.Options{}, []string{"stays!A2 unit_in_two_places", "stays!C2 slot_holds_another"}},
		"removal before fitting":            {stay + "TH-006,TANN-1/TOP,media,,2024-01-01,2023-01-01,age\n", exchange.Options{}, []string{"stays!F2 ends_before_it_begins"}},
		"a removal without reason":          {stay + "TH-001,TANN-1/SBL-D,gearmotor,,2024-05-03,2025-01-01,\n", exchange.Options{}, []string{"stays!G2 needed"}},
		"a reason without removal":          {stay + "TH-001,TANN-1/SBL-D,gearmotor,,2024-05-03,,failed\n", exchange.Options{}, []string{"stays!F2 needed"}},
		"a fitting that lies ahead":         {stay + "TH-006,TANN-1/TOP,media,,2027-01-01,,\n", exchange.Options{}, []string{"stays!E2 lies_ahead"}},
		"another class":                     {stay + "TH-006,TANN-1/TOP,hub,,2024-01-01,2024-02-01,age\n", exchange.Options{}, []string{"stays!C2 class_of_slot"}},
		"no slot of that name":              {stay + "TH-006,TANN-1/TOP,nose,,2024-01-01,2024-02-01,age\n", exchange.Options{}, []string{"stays!C2 names_no_slot"}},
		"no place and two places":           {stay + "TH-006,,,,2024,,\nTH-006,TANN-1/TOP,media,WH,2024,,\n", exchange.Options{}, []string{"stays!B2 one_place", "stays!B3 one_place"}},
		"what ended stays ended":            {stay + "TH-007,TANN-1/TOP,gearmotor,,2021,2025-03-05,failed\n", exchange.Options{}, []string{"stays!F2 cannot_change"}},
		"an end that nobody knows":          {stay + "TH-001,TANN-1/SBL-D,gearmotor,,2024-05-03,unknown,age\n", exchange.Options{}, []string{"stays!F2 end_unknown"}},
		"a unit inside itself":              {"unit tag,holder,slot,from\nTH-001,TH-001,motor,2024\n", exchange.Options{}, []string{"stays!B2 inside_itself", "stays!C2 class_of_slot"}},
		"a pattern with a letter short":     {"unit tag,pattern\nTH-005,AABBAABBAABBAAB\n", exchange.Options{}, []string{"units!B2 pattern_length"}},
		"a pattern of a hub":                {"unit tag,pattern\nTH-003,AB\n", exchange.Options{}, []string{"units!B2 pattern_of_no_set"}},
		"a part of another class":           {"unit tag,part\nTH-003,GM-090L\n", exchange.Options{}, []string{"units!B2 class_stays"}},
		"a customer's without customer":     {"unit tag,part,owner\nTH-900,HB-35,customer\n", exchange.Options{}, []string{"units!C2 owner_whole"}},
		"a new unit without part":           {"unit tag,serial\nTH-900,7\n", exchange.Options{}, []string{"units needed"}},
		"a label that does not check":       {"unit tag,part\nSB000123X,HB-35\n", exchange.Options{}, []string{"units!A2 label"}},
		"an ambiguous number":               {"unit tag,start hours\nTH-001,\"1,234\"\n", exchange.Options{}, []string{"units!B2 number_ambiguous"}},
		"a number that its file explains":   {"unit tag;start hours\nTH-001;1,234\nTH-002;1,5\n", exchange.Options{DryRun: true}, nil},
		"an ambiguous date":                 {stay + "TH-006,TANN-1/TOP,media,,3/5/2024,4/5/2024,age\n", exchange.Options{}, []string{"stays!E2 date_ambiguous", "stays!F2 date_ambiguous"}},
		"a date that its file explains":     {stay + "TH-006,TANN-1/TOP,media,,3/5/2019,14/5/2019,age\n", exchange.Options{DryRun: true}, []string{"stays!A2 unit_in_two_places"}},
		"a date that somebody explains":     {"position,fact,value,from\nTANN-1/TOP,bore,24 mm,3/5/2024\n", exchange.Options{Dates: exchange.MonthFirst, DryRun: true}, nil},
		"an unknown column":                 {"unit tag,part,colour of paint\nTH-001,GM-090L,red\n", exchange.Options{}, []string{"units!C1 unknown_column"}},
		"a column that stands twice":        {"unit tag,part,tag\nTH-001,GM-090L,x\n", exchange.Options{}, []string{"units!C1 column_twice"}},
		"a needed column that is not there": {"name,needs order number\nA,yes\n", exchange.Options{Kind: "customers"}, []string{"customers column_missing"}},
		"a fact of two things":              {"position,unit tag,fact,value\nTANN-1/TOP,TH-001,bore,24 mm\n", exchange.Options{}, []string{"facts!A2 one_thing"}},
		"a fact without a value":            {"position,fact,value\nTANN-1/TOP,bore,unknown\n", exchange.Options{}, []string{"facts!C2 needed"}},
		"a choice that is none":             {"position,fact,value\nTANN-1/TOP,hub fixing,glue\n", exchange.Options{}, []string{"facts!C2 fact_value"}},
		"facts that overlap":                {"position,fact,value,from,until\nTANN-1/TOP,bore,24 mm,2020,2023\nTANN-1/TOP,bore,35 mm,2022,\n", exchange.Options{}, []string{"facts!E2 overlaps"}},
		"a dated fact of a part":            {"part,fact,value,from\nHB-35,bore,35 mm,2024\n", exchange.Options{}, []string{"facts!A2 part_is_not_dated"}},
		"half a place":                      {"site,name,latitude,longitude\nNEW,New,51.5,\n", exchange.Options{}, []string{"sites needed", "sites needed", "sites needed", "sites needed", "sites needed", "sites needed", "sites!C2 half_a_place"}},
		"another owner without a date":      {"site,name,customer\nTANN,Tannenhof Süd,NEW\n", exchange.Options{}, []string{"sites!C2 names_no_customer"}},
		"a line that changes its site":      {"line,site,name\nTANN-1,OTHER,x\n", exchange.Options{}, []string{"lines!B2 names_no_site"}},
		"a side without a line":             {"position,site,name,kind,side\nTANN/P2,TANN,Pump,pump room,left\n", exchange.Options{}, []string{"positions!E2 side_off_line"}},
		"twins that are none":               {"position,twin\nTANN-1/TOP,TANN/AIR\n", exchange.Options{}, []string{"positions!B2 no_twins"}},
		"a twin that has one":               {"position,line,name,kind,side,twin\nTANN-1/SBH-P,TANN-1,High,low side brush,right,TANN-1/SBL-D\n", exchange.Options{}, []string{"positions!F2 twin_taken"}},
		"a state before the position":       {"position,state,from\nTANN-1/TOP,parked,2018\n", exchange.Options{}, []string{"states!C2 before_the_position"}},
		"a supply that cannot be":           {"site,supply,volts,phases,hertz\nTANN,X,4000,2,55\n", exchange.Options{}, []string{"supplies!C2 range", "supplies!D2 range", "supplies!E2 range"}},
		"a shelf without a site":            {"location,name,kind\nS-1,Shelf,site shelf\n", exchange.Options{}, []string{"locations shelf_has_a_site"}},
		"a van that becomes a bench":        {"location,name,kind\nWH,Warehouse,bench\n", exchange.Options{}, []string{"locations!C2 cannot_change"}},
		"neither yes nor no":                {"customer,name,needs order number\nNEW,New,perhaps\n", exchange.Options{}, []string{"customers!C2 yes_or_no"}},
		"a zone that is none":               {"site,name,zone\nTANN,Tannenhof,Bavaria\n", exchange.Options{}, []string{"sites!C2 zone"}},
		"a zone with leap seconds":          {"site,name,zone\nTANN,Tannenhof,right/Europe/Berlin\n", exchange.Options{}, []string{"sites!C2 zone"}}, // the database knows none
		"a time of day that is none":        {"site,name,day turns at\nTANN,Tannenhof,early\n", exchange.Options{}, []string{"sites!C2 clock"}},
		"half a phase":                      {"site,supply,volts,phases\nTANN,Main 400,400,2.5\n", exchange.Options{}, []string{"supplies!D2 number"}},
		"a code with a blank":               {"customer,name\nTWO WORDS,New\n", exchange.Options{}, []string{"customers!A2 form"}},
		"a serial without end":              {"unit tag,part,serial\nTH-001,GM-090L," + strings.Repeat("9", 2001) + "\n", exchange.Options{}, []string{"units!C2 too_long"}},
		"a fact without end":                {"position,fact,value\nTANN-1/TOP,frame size," + strings.Repeat("x", 201) + "\n", exchange.Options{}, []string{"facts!C2 too_long"}},
		"a bore below nothing":              {"position,fact,value\nTANN-1/TOP,bore,-35 mm\n", exchange.Options{}, []string{"facts!C2 measure"}},
		"a bore in liters":                  {"position,fact,value\nTANN-1/TOP,bore,35 liters\n", exchange.Options{}, []string{"facts!C2 unit"}},
		"an alias without end":              {"position,aliases\nTANN-1/TOP,short; " + strings.Repeat("x", 101) + "\n", exchange.Options{}, []string{"positions!B2 too_long"}},
		"an hour that no clock has":         {"position,fact,value,from\nTANN-1/TOP,bore,35 mm,2024-05-03 13:00 pm\n", exchange.Options{}, []string{"facts!D2 date"}},
		"an offset that no zone has":        {"position,fact,value,from\nTANN-1/TOP,bore,35 mm,2024-05-03T10:00:00+15:00\n", exchange.Options{}, []string{"facts!D2 date"}},
		"an owner at a time not free":       {"site,customer,from,until\nTANN,TAN,2018,2020\n", exchange.Options{}, []string{"owners!D2 overlaps"}},
	} {
		_, err := take(t, db, c.file, exchange.Options{DryRun: true, Kind: c.o.Kind, Dates: c.o.Dates})
		if c.want == nil {
			if err != nil {
				t.Errorf("%s: %s", name, told(err))
			}
			continue
		}
		if err == nil {
			t.Errorf("%s is taken", name)
			continue
		}
		got := blamed(t, err)
		for i := range got { // where no cell is to blame the row is, whatever its number
			if field, rule, _ := strings.Cut(got[i], " "); strings.Trim(field[strings.Index(field, "!")+1:], "0123456789") == "" {
				got[i] = field[:strings.Index(field, "!")] + " " + rule
			}
		}
		slices.Sort(got)
		slices.Sort(c.want)
		if !slices.Equal(got, c.want) {
			t.Errorf("%s: told %q, want %q\n%s", name, got, c.want, told(err))
		}
		if !c.o.DryRun {
			if _, err := take(t, db, c.file, c.o); err == nil {
				t.Errorf("%s is taken in earnest", name)
			}
		}
	}
	if fmt.Sprint(csvs(t, db, system)) != was {
		t.Error("something was changed")
	}
}

func TestABoreOfTheOtherStandardIsWarnedOf(t *testing.T) {
	db := pgtest.New(t)
	mustTake(t, db, onboarding(t), exchange.Options{})
	r := mustTake(t, db, "position,fact,value,from\nTANN-1/TOP,frame standard,NEMA,2022\nTANN-1/TOP,bore,35 mm,2022\nTANN-1/SBL-D,bore,1-3/8 in,2026\nTANN-1/SBL-P,bore,35 mm,2026\n", exchange.Options{})
	var got []string
	for _, w := range r.Warnings {
		if w.Rule == "bore_against_frame" {
			got = append(got, w.Field+" "+w.Column+" "+w.Value+" "+w.Says)
		}
	}
	want := []string{"facts!C3 value 35 mm is metric while the frame is NEMA, whose shafts are in inches: 1.375", "facts!C4 value 1.375 in is in inches while the frame is IEC, whose shafts are metric: it is 34.925 mm"}
	if len(got) != len(want) {
		t.Fatalf("warned of %q", got)
	}
	for i := range want {
		if !strings.HasPrefix(got[i], want[i]) {
			t.Errorf("warned %q, want %q", got[i], want[i])
		}
	}
}

// A later file ends what an earlier one began, and fills in what it left out.
func TestLaterFilesGoOn(t *testing.T) {
	db := pgtest.New(t)
	mustTake(t, db, onboarding(t), exchange.Options{})
	for _, c := range []struct {
		file                      string
		added, changed, unchanged int
	}{
		{"unit tag,position,slot,location,from,until,reason\nTH-001,TANN-1/SBL-D,gearmotor,,2024-05-03,2026-01-02,failed\nTH-001,,,WH,2026-01-02,,\nTH-007,,,WH,4.3.2025,2.1.2026,\nTH-007,TANN-1/SBL-D,gearmotor,,2.1.2026,,\n", 2, 2, 0},
		{"unit tag,serial,lot\nTH-004,00999,\nTH-005,,\n", 0, 1, 1},
		{"position,name,kind\nTANN-1/TOP,Roof brush,\nTANN/AIR,,\n", 0, 1, 1},
		{"position,aliases,kind\nTANN-1/TOP,Dachbürste,\nTANN-1/SBL-D,SB-L;Seitenbürste 1,\n", 0, 1, 1},
		{"position,fact,value,from\nTANN-1/SBL-D,bore,35 mm,1.4.2019\nTANN-1/SBL-P,bore,35 mm,1.4.2019\nTANN-1/SBL-D,media colour,red,\n", 0, 2, 1},
		{"position,state,from,reason\nTANN-1/TOP,parked,2025-12-01,no foam\nTANN-1/SBL-D,in service,,\n", 1, 0, 1},
		{"position,state,from,reason\nTANN-1/TOP,retired,2026-02-01,taken out\n", 1, 0, 0},
		{"customer,name\nNXT,Next Wash\nTAN,Tannenhof Waschpark GmbH\n", 1, 1, 0},
		{"site,customer,from\nTANN,NXT,2026-03-01\n", 1, 0, 0},
	} {
		for again := range 2 {
			r, err := take(t, db, c.file, exchange.Options{})
			if err != nil {
				t.Fatalf("%s: %s", c.file, told(err))
			}
			a, ch, u := total(r)
			if again == 1 {
				if a+ch > 0 {
					t.Errorf("%s again: %+v", c.file, r.Sheets)
				}
			} else if a != c.added || ch != c.changed || u != c.unchanged {
				t.Errorf("%s: added %d, changed %d, unchanged %d", c.file, a, ch, u)
			}
		}
	}
	is := csvs(t, db, system)
	for kind, line := range map[string]string{
		"stays":  "TH-007,,,,WH,2025-03-03T23:00:00Z,day,2026-01-01T23:00:00Z,day,fitted,",
		"owners": "TANN,TAN,2019-04-01,2026-03-01",
		"states": "TANN-1/TOP,parked,2025-12-01,no foam",
	} {
		if !strings.Contains(is[kind], line) {
			t.Errorf("%s lacks %s:\n%s", kind, line, is[kind])
		}
	}
	// and all of it comes back
	fresh := pgtest.New(t)
	mustTake(t, fresh, workbook(t, db, system), exchange.Options{})
	for k, c := range csvs(t, fresh, system) {
		if c != is[k] {
			t.Errorf("%s came back otherwise:\n%s", k, differ(is[k], c))
		}
	}
}

func TestEncodingsAndSeparators(t *testing.T) {
	latin, err := charmap.Windows1252.NewEncoder().String("customer;name\nOST;Ostsee Wäsche\n")
	if err != nil {
		t.Fatal(err)
	}
	wide, err := unicode.UTF16(unicode.LittleEndian, unicode.UseBOM).NewEncoder().String("customer\tname\r\nOST\tOstsee Wäsche\r\n")
	if err != nil {
		t.Fatal(err)
	}
	db := pgtest.New(t)
	for name, c := range map[string]struct{ file, note string }{
		"UTF-8 with a mark":   {"\ufeffcustomer,name\nOST,Ostsee Wäsche\n", ""},
		"UTF-8 without":       {"customer,name\nOST,Ostsee Wäsche\n", ""},
		"UTF-16":              {wide, "UTF-16"},
		"Windows-1252":        {latin, "Windows-1252"},
		"sep=":                {"sep=|\r\ncustomer|name\r\nOST|Ostsee Wäsche\r\n", ""},
		"carriage returns":    {"customer,name\rOST,Ostsee Wäsche", ""},
		"quotes and semicola": {"\"customer\";\"name\"\n\"OST\";\"Ostsee Wäsche\"\n", ""},
	} {
		r := mustTake(t, db, c.file, exchange.Options{})
		if a, ch, u := total(r); a+ch+u != 1 || (len(r.Notes) > 0) != (c.note != "") || c.note != "" && !strings.Contains(r.Notes[0], c.note) {
			t.Errorf("%s: %+v", name, r)
		}
	}
	if is := csvs(t, db, system)["customers"]; is != "\ufeffcustomer,name,needs order number\r\nOST,Ostsee Wäsche,no\r\n" {
		t.Errorf("came in as %q", is)
	}
}

func TestOnlyTheDistributorsOwnImport(t *testing.T) {
	db := pgtest.New(t)
	up, err := exchange.Receive(strings.NewReader("customer,name\nA,B\n"))
	if err != nil {
		t.Fatal(err)
	}
	defer up.Close()
	for name, who := range map[string]access.Actor{
		"nobody's right":      {ID: system.ID, Everywhere: true},
		"one right":           {ID: system.ID, Everywhere: true, Capabilities: []access.Capability{access.KeepRegister}},
		"both, but one place": {ID: system.ID, Capabilities: []access.Capability{access.KeepRegister, access.RecordWork}},
	} {
		if _, err := exchange.Import(ctx, db, who, now, up, exchange.Options{}); fault.KindOf(err) != fault.Forbidden {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// zipped makes a workbook by hand.
func zipped(t testing.TB, parts map[string]func(w io.Writer)) string {
	t.Helper()
	var b bytes.Buffer
	z := zip.NewWriter(&b)
	for name, write := range parts {
		w, err := z.Create(name)
		if err != nil {
			t.Fatal(err)
		}
		write(w)
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func fixed(s string) func(io.Writer) { return func(w io.Writer) { _, _ = io.WriteString(w, s) } }

// framed is the frame of a workbook of one sheet.
func framed(sheet, texts func(io.Writer)) map[string]func(io.Writer) {
	return map[string]func(io.Writer){
		"xl/workbook.xml":            fixed(`<workbook xmlns:r="r"><sheets><sheet name="units" r:id="a"/></sheets></workbook>`),
		"xl/_rels/workbook.xml.rels": fixed(`<Relationships><Relationship Id="a" Target="worksheets/sheet1.xml"/><Relationship Id="b" Target="sharedStrings.xml"/></Relationships>`),
		"xl/worksheets/sheet1.xml":   sheet,
		"xl/sharedStrings.xml":       texts,
	}
}

// endless writes so many megabytes of one text.
func endless(before, text string, mb int, after string) func(io.Writer) {
	return func(w io.Writer) {
		_, _ = io.WriteString(w, before)
		block := []byte(strings.Repeat(text, 1<<20/len(text)))
		for range mb {
			_, _ = w.Write(block)
		}
		_, _ = io.WriteString(w, after)
	}
}

func TestABombIsRefusedWithTheLimit(t *testing.T) {
	db := pgtest.New(t)
	head := `<worksheet><sheetData><row r="1"><c t="inlineStr"><is><t>unit tag</t></is></c><c t="inlineStr"><is><t>part</t></is></c></row>`
	before := memory()
	for name, c := range map[string]struct {
		parts map[string]func(io.Writer)
		limit string
	}{
		"half a gigabyte of nothing": {framed(endless(head, ` `, 520, ``), fixed(`<sst/>`)), "256 MiB"},
		"empty rows without end":     {framed(endless(head, `<row></row>`, 100, ``), fixed(`<sst/>`)), "1048576 rows"},
		"rows without end":           {framed(endless(head, `<row><c><v>1</v></c></row>`, 10, ``), fixed(`<sst/>`)), "200000 rows"},
		"one endless cell":           {framed(endless(head+`<row><c t="inlineStr"><is><t>`, `x`, 100, ``), fixed(`<sst/>`)), "32767 characters"},
		"one endless tag":            {framed(endless(head+`<row><c r="`, `x`, 100, ``), fixed(`<sst/>`)), "32767 characters"},
		"texts without end":          {framed(fixed(head), endless(`<sst>`, `<si><t>0123456789012345678901234567890123456789</t></si>`, 120, ``)), "64 MiB of texts"},
	} {
		_, err := take(t, db, zipped(t, c.parts), exchange.Options{})
		if f, ok := errors.AsType[*fault.Error](err); !ok || f.Kind != fault.TooLarge || !strings.Contains(f.Msg, c.limit) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if grew := memory() - before; grew > 150<<20 {
		t.Errorf("the heap grew by %d MiB", grew>>20)
	}
	for name, parts := range map[string]map[string]func(io.Writer){
		"an empty zip":             {},
		"no sheet":                 {"xl/workbook.xml": fixed(`<workbook/>`)},
		"broken XML":               framed(fixed(`<worksheet><sheetData><row><c`), fixed(`<sst/>`)),
		"rows out of order":        framed(fixed(`<worksheet><row r="2"><c><v>1</v></c></row><row r="1"/></worksheet>`), fixed(`<sst/>`)),
		"cells out of order":       framed(fixed(`<worksheet><row><c r="B1"><v>1</v></c><c r="A1"><v>1</v></c></row></worksheet>`), fixed(`<sst/>`)),
		"a row without end":        framed(fixed(`<worksheet><row><c r="XFE1"><v>1</v></c></row></worksheet>`), fixed(`<sst/>`)),
		"text in another alphabet": framed(fixed(`<?xml version="1.0" encoding="KOI8-R"?><worksheet><row/></worksheet>`), fixed(`<sst/>`)),
		"a cell that is cut off":   framed(fixed(`<worksheet><row><c t="inlineStr"><is><t>un`), fixed(`<sst/>`)),
		"a text not there":         framed(fixed(`<worksheet><row><c t="s"><v>7</v></c></row></worksheet>`), fixed(`<sst/>`)),
	} {
		if _, err := take(t, db, zipped(t, parts), exchange.Options{}); fault.KindOf(err) != fault.Malformed {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := take(t, db, "\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1 old", exchange.Options{}); fault.KindOf(err) != fault.Malformed || !strings.Contains(err.Error(), "XLSX") {
		t.Errorf("an old workbook: %v", err)
	}
	if left, err := filepath.Glob(filepath.Join(os.TempDir(), "spindlebook-[0-9]*")); err != nil || len(left) > 0 {
		t.Errorf("left behind: %v %v", left, err)
	}
}

func memory() int64 {
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return int64(m.HeapAlloc)
}

// manyUnits writes a table of so many units, of which each tenth is wrong.
func manyUnits(n int, wrong bool) string {
	var b strings.Builder
	b.WriteString("unit tag;part;serial;lot;start hours\n")
	for i := range n {
		hours := fmt.Sprintf("%d,5", i)
		if wrong && i%10 == 0 {
			hours = "plenty"
		}
		fmt.Fprintf(&b, "M-%06d;HB-35;%08d;lot %d;%s\n", i, i, i%50, hours)
	}
	return b.String()
}

func TestManyErrorsTakeLittleMemory(t *testing.T) {
	if testing.Short() {
		t.Skip("imports 100,000 rows")
	}
	db := pgtest.New(t)
	mustTake(t, db, onboarding(t), exchange.Options{})
	up, err := exchange.Receive(strings.NewReader(manyUnits(100_000, true)))
	if err != nil {
		t.Fatal(err)
	}
	defer up.Close()
	before := memory()
	stop, peak := make(chan struct{}), make(chan int64)
	go func() {
		most := int64(0)
		for {
			select {
			case <-stop:
				peak <- most
				return
			case <-time.After(20 * time.Millisecond):
				var m runtime.MemStats
				runtime.ReadMemStats(&m)
				most = max(most, int64(m.HeapAlloc))
			}
		}
	}()
	_, err = exchange.Import(ctx, db, system, now, up, exchange.Options{})
	close(stop)
	grew := <-peak - before
	f, ok := errors.AsType[*fault.Error](err)
	if !ok || len(f.Parts) != exchange.MaxListed || len(f.Tallies) != 1 || f.Tallies[0] != (fault.Tally{Rule: "number", Count: 10_000}) {
		t.Fatalf("%v, %d listed", err, len(f.Parts))
	}
	if f.Parts[0].Field != "units!E2" || f.Parts[1].Row != 12 {
		t.Errorf("the first are %+v", f.Parts[:2])
	}
	if grew > 48<<20 {
		t.Errorf("the heap grew by %d MiB", grew>>20)
	}
	t.Logf("the heap grew by %d MiB at most", grew>>20)
	if is := csvs(t, db, system)["units"]; strings.Contains(is, "\nM-0") {
		t.Error("some of it stayed")
	}
}

func TestTwoImportsAtOnce(t *testing.T) {
	db := pgtest.New(t)
	file := onboarding(t)
	var all sync.WaitGroup
	added := make([]int, 4)
	for i := range added {
		all.Go(func() {
			r, err := take(t, db, file, exchange.Options{})
			if err != nil {
				t.Errorf("%s", told(err))
			}
			added[i], _, _ = total(r)
		})
	}
	all.Wait()
	slices.Sort(added)
	if !slices.Equal(added, []int{0, 0, 0, 35}) {
		t.Errorf("of several at once each added %v", added)
	}
}

// A text that a spreadsheet would compute comes back as it was.
func TestFormulasAreNeutral(t *testing.T) {
	db := pgtest.New(t)
	names := []string{"=1+1", "+49 30", "-5", "@SUM(A1)", "'quoted", "''=x", "it's", `say "hi"; now`, "1,234", "two\nlines"}
	var b strings.Builder
	b.WriteString("customer,name\n")
	for i, n := range names {
		fmt.Fprintf(&b, "C%d,\"%s\"\n", i, strings.ReplaceAll(guard(n), `"`, `""`))
	}
	mustTake(t, db, b.String(), exchange.Options{})
	got := func(db *pgdb.DB) (all []string) {
		err := db.InTx(ctx, system.ID, func(tx *gorm.DB) error {
			return tx.Raw(`select name from customer order by code`).Scan(&all).Error
		})
		if err != nil {
			t.Fatal(err)
		}
		return all
	}
	if is := got(db); !slices.Equal(is, names) {
		t.Errorf("came in as %q, want %q", is, names)
	}
	csv := csvs(t, db, system)["customers"]
	for line := range strings.Lines(csv) {
		if _, name, _ := strings.Cut(line, ","); strings.ContainsAny(name[:1], "=+@") {
			t.Errorf("%q would be computed", line)
		}
	}
	for _, file := range []string{csv, workbook(t, db, system)} {
		fresh := pgtest.New(t)
		mustTake(t, fresh, file, exchange.Options{})
		if is := got(fresh); !slices.Equal(is, names) {
			t.Errorf("came back as %q", is)
		}
	}
}

func guard(s string) string {
	if strings.ContainsAny(s[:1], "=+-@'") {
		return "'" + s
	}
	return s
}

// What cells hold beside texts and numbers, by ECMA-376 part 1, 18.3.1.4 and
// 18.18.11: booleans, errors, dates by ISO 8601, texts of formulas and escaped
// characters (22.9.2.19), readings aloud (18.4.6), and days counted from 1904.
func TestCellsOfEveryKind(t *testing.T) {
	db := pgtest.New(t)
	mustTake(t, db, onboarding(t), exchange.Options{})
	texts := fixed(`<sst><si><r><t>GM</t></r><r><t>-090L</t></r><rPh sb="0" eb="1"><t>never</t></rPh></si></sst>`)
	units := func(cells string) string {
		parts := framed(fixed(`<worksheet><sheetData><row r="1"><c t="inlineStr"><is><t>unit tag</t></is></c><c t="inlineStr"><is><t>part</t></is></c>`+
			`<c t="inlineStr"><is><t>serial</t></is></c><c t="inlineStr"><is><t>location</t></is></c><c t="inlineStr"><is><t>since</t></is></c></row>`+
			`<row r="3"><c r="A3" t="str"><v>T_x0048_-100</v></c><c r="B3" t="s"><v>0</v></c>`+cells+`</row></sheetData></worksheet>`), texts)
		parts["xl/workbook.xml"] = fixed(`<workbook xmlns:r="r"><workbookPr date1904="1"/><sheets><sheet name="units" r:id="a"/></sheets></workbook>`)
		parts["xl/_rels/workbook.xml.rels"] = fixed(`<Relationships><Relationship Id="a" Target="/xl/worksheets/sheet1.xml"/></Relationships>`)
		parts["xl/styles.xml"] = fixed(`<styleSheet><cellXfs><xf numFmtId="0"/><xf numFmtId="14"/></cellXfs></styleSheet>`)
		return zipped(t, parts)
	}
	for name, c := range map[string]struct{ cells, blamed string }{
		"an error":              {`<c t="e"><v>#REF!</v></c>`, "units!C3 cell_error"},
		"a serial made a date":  {`<c t="d"><v>2026-03-08</v></c>`, "units!C3 became_a_date"},
		"a text with a NUL":     {`<c t="str"><v>A_x0000_1</v></c><c t="str"><v>NOWHERE</v></c>`, "units!D3 names_no_location"},
		"a day that is none":    {`<c r="E3" s="1"><v>0.5</v></c>`, "units!E3 date"},
		"yes where a code goes": {`<c r="D3" t="b"><v>1</v></c>`, "units!D3 names_no_location"},
	} {
		_, err := take(t, db, units(c.cells), exchange.Options{DryRun: true})
		if err == nil || !slices.Contains(blamed(t, err), c.blamed) {
			t.Errorf("%s: %s", name, told(err))
		}
	}
	// counted from 1904 the third of May 2024, day 45,415 of the usual count, is 1,462 days less (18.17.4.1)
	mustTake(t, db, units(`<c t="str"><v>0_x0058_1</v></c><c t="str"><v>WH</v></c><c s="1"><v>43953</v></c>`), exchange.Options{})
	if is := csvs(t, db, system)["units"]; !strings.Contains(is, "\r\nTH-100,GM-090L,0X1,") {
		t.Errorf("came in as %s", is)
	}
	// midnight of the site's summer; a warehouse has no zone of its own
	if is := csvs(t, db, system)["stays"]; !strings.Contains(is, "TH-100,,,,WH,2024-05-02T22:00:00Z,day") {
		t.Errorf("lies since: %s", is)
	}
}

// after is a context that ends at a statement: whoever waits goes away.
type after struct {
	context.Context
	sent *atomic.Int64
	most int64
}

var gone = func() chan struct{} { c := make(chan struct{}); close(c); return c }()

func (a after) Done() <-chan struct{} {
	if a.sent.Load() >= a.most {
		return gone
	}
	return a.Context.Done()
}

func (a after) Err() error {
	if a.sent.Load() >= a.most {
		return context.Canceled
	}
	return a.Context.Err()
}

// Whenever an import is cut off, nothing of it has happened; then the same file
// goes in as if it were for the first time.
func TestAnImportThatIsCutOffHasDoneNothing(t *testing.T) {
	db := pgtest.New(t)
	was, file := fmt.Sprint(csvs(t, db, system)), onboarding(t)
	all := int64(0)
	for most := int64(1); ; most++ {
		up, err := exchange.Receive(strings.NewReader(file))
		if err != nil {
			t.Fatal(err)
		}
		with, sent := pgdb.CountStatements(ctx)
		r, err := exchange.Import(after{with, sent, most}, db, system, now, up, exchange.Options{})
		up.Close()
		if err == nil {
			if added, _, _ := total(r); added != 35 {
				t.Errorf("added %d", added)
			}
			all = most
			break
		}
		if most%10 == 1 && fmt.Sprint(csvs(t, db, system)) != was {
			t.Fatalf("cut off at statement %d it left something behind", most)
		}
	}
	if all < 50 {
		t.Errorf("the import took %d statements: it cannot have been cut off everywhere", all)
	}
}

// short is a disk that is full after some bytes.
type short struct{ left int }

func (s *short) Write(p []byte) (int, error) {
	if s.left -= len(p); s.left < 0 {
		return 0, io.ErrShortWrite
	}
	return len(p), nil
}

func TestAnExportThatDoesNotFitSaysSo(t *testing.T) {
	db := pgtest.New(t)
	mustTake(t, db, onboarding(t), exchange.Options{})
	for _, left := range []int{0, 100, 1000} {
		if err := exchange.ExportCSV(ctx, db, system, "units", &short{min(left, 100)}); !errors.Is(err, io.ErrShortWrite) {
			t.Errorf("a sheet within %d bytes: %v", left, err)
		}
		if err := exchange.ExportWorkbook(ctx, db, system, &short{left}); !errors.Is(err, io.ErrShortWrite) {
			t.Errorf("a workbook within %d bytes: %v", left, err)
		}
	}
	if err := exchange.ExportCSV(ctx, db, system, "colours", io.Discard); fault.KindOf(err) != fault.NotFound {
		t.Errorf("an export of what there is not: %v", err)
	}
	cancelled, stop := context.WithCancel(ctx)
	stop()
	for what, err := range map[string]error{"sheet": exchange.ExportCSV(cancelled, db, system, "units", io.Discard),
		"workbook": exchange.ExportWorkbook(cancelled, db, system, io.Discard)} {
		if err == nil {
			t.Errorf("a %s that nobody waits for any more is written", what)
		}
	}
}
