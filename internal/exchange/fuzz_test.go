package exchange

import (
	"bufio"
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/xuri/excelize/v2"
	"pgregory.net/rapid"

	"spindlebook/internal/fault"
	"spindlebook/internal/measure"
)

var today = time.Date(2026, 5, 12, 12, 0, 0, 0, time.UTC)

func TestNumbers(t *testing.T) {
	comma, point, both := signs{comma: true}, signs{point: true}, signs{comma: true, point: true}
	for _, c := range []struct {
		text string
		e    signs
		want float64
		bad  string
	}{
		{"12", signs{}, 12, ""}, {"12,5", comma, 12.5, ""}, {"12.5", point, 12.5, ""}, {"-0,5", comma, -0.5, ""}, {"−3", signs{}, -3, ""}, {"+3", signs{}, 3, ""},
		{"1.234,5", comma, 1234.5, ""}, {"1,234.5", point, 1234.5, ""}, {"1.234.567", comma, 1234567, ""}, {"1,234,567", point, 1234567, ""},
		{"1,234", comma, 1.234, ""}, {"1,234", point, 1234, ""}, {"1.234", comma, 1234, ""}, {"1.234", point, 1.234, ""},
		{"1,234", signs{}, 0, "can be read as 1.234 and as 1234"}, {"1.234", signs{}, 0, "can be read as 1.234 and as 1234"}, {"1.234", both, 0, "can be read"},
		{"0,125", signs{}, 0.125, ""}, {"0.125", signs{}, 0.125, ""}, {"1234,567", comma, 1234.567, ""}, {"12,50", both, 12.5, ""}, {"12.50", both, 12.5, ""},
		{"1 234,5", comma, 1234.5, ""}, {"1\u00a0234", signs{}, 1234, ""}, {"1'234.50", point, 1234.5, ""}, {"1e-7", point, 1e-7, ""}, {",5", comma, 0.5, ""},
		{"", signs{}, 0, "is no number"}, {"abc", signs{}, 0, "is no number"}, {"1,2,3", point, 0, "groups"}, {"1.2,3.4", comma, 0, "decimal sign"}, {"12 34", signs{}, 0, "is no number"},
		{"1,,2", signs{}, 0, "is no number"}, {"1e999", point, 0, "is no number"}, {"0x10", signs{}, 0, "is no number"}, {"NaN", signs{}, 0, "is no number"}, {"1-3/8", signs{}, 0, "is no number"},
	} {
		got, bad := readNumber(c.text, c.e)
		if (bad == "") != (c.bad == "") || !strings.Contains(bad, c.bad) || bad == "" && got != c.want {
			t.Errorf("%q with %+v: %v %q, want %v %q", c.text, c.e, got, bad, c.want, c.bad)
		}
	}
}

func TestMeasures(t *testing.T) {
	for _, c := range []struct {
		text, headed string
		want         string
		si           float64
		bad          string
	}{
		{"33,5 m", "", "33.5 m", 33.5, ""}, {"35mm", "", "35 mm", 0.035, ""}, {"1-3/8 in", "", "1.375 in", 0.034925, ""}, {`1 3/8"`, "", "1.375 in", 0.034925, ""},
		{"1⅜ in", "", "1.375 in", 0.034925, ""}, {"⅝″", "", "0.625 in", 0.015875, ""}, {"3/8 inch", "", "0.375 in", 0.009525, ""}, {"110'", "", "110 ft", 33.528, ""},
		{"110", "ft", "110 ft", 33.528, ""}, {"2 m", "ft", "2 m", 2, ""}, {"1 - 3/8 IN", "", "1.375 in", 0.034925, ""},
		{"110", "", "", 0, "names no unit"}, {"3 furlong", "", "", 0, "not known"}, {"1-9/8 in", "", "", 0, "fraction"}, {"1/0 in", "", "", 0, "fraction"},
		{"1,375 in", "", "", 0, "can be read as 1.375 and as 1375"}, {"in", "", "", 0, "is no number"}, {"", "", "", 0, "is no number"}, {"9e9 m", "", "", 0, "too large"},
	} {
		got, bad := readMeasure(measure.Length, c.text, c.headed, signs{})
		if (bad == "") != (c.bad == "") || !strings.Contains(bad, c.bad) || bad == "" && (got.Typed != c.want || math.Abs(got.SI-c.si) > 1e-12) {
			t.Errorf("%q: %+v %q, want %q %v %q", c.text, got, bad, c.want, c.si, c.bad)
		}
	}
	if got, bad := readMeasure(measure.Speed, "20 ft/min", "", signs{}); bad != "" || got.Typed != "20 ft/min" {
		t.Errorf("a speed: %+v %q", got, bad)
	}
}

func TestDates(t *testing.T) {
	for _, c := range []struct {
		text      string
		o         order
		want      string
		precision string
		bad       string
	}{
		{"2024-05-03", order{}, "2024-05-03T00:00:00Z", "day", ""}, {"2024-05", order{}, "2024-05-01T00:00:00Z", "month", ""}, {"2024", order{}, "2024-01-01T00:00:00Z", "year", ""},
		{"3.5.2024", order{}, "2024-05-03T00:00:00Z", "day", ""}, {"03.05.24", order{monthFirst: true}, "2024-05-03T00:00:00Z", "day", ""}, {"5/2024", order{}, "2024-05-01T00:00:00Z", "month", ""},
		{"3/5/2024", order{dayFirst: true}, "2024-05-03T00:00:00Z", "day", ""}, {"3/5/2024", order{monthFirst: true}, "2024-03-05T00:00:00Z", "day", ""},
		{"3/5/2024", order{told: MonthFirst, dayFirst: true}, "2024-03-05T00:00:00Z", "day", ""}, {"5/5/2024", order{}, "2024-05-05T00:00:00Z", "day", ""},
		{"13/5/2024", order{}, "2024-05-13T00:00:00Z", "day", ""}, {"5/13/2024", order{dayFirst: true, monthFirst: true}, "2024-05-13T00:00:00Z", "day", ""},
		{"3/5/2024", order{}, "", "", "3 May 2024 and as 5 March 2024"}, {"3-5-2024", order{dayFirst: true, monthFirst: true}, "", "", "can be read"},
		{"3 May 2024", order{}, "2024-05-03T00:00:00Z", "day", ""}, {"May 3, 2024", order{}, "2024-05-03T00:00:00Z", "day", ""}, {"3-Sep-98", order{}, "1998-09-03T00:00:00Z", "day", ""},
		{"May 2024", order{}, "2024-05-01T00:00:00Z", "month", ""}, {"sept. 2024", order{}, "2024-09-01T00:00:00Z", "month", ""}, {"3rd March 2021", order{}, "2021-03-03T00:00:00Z", "day", ""},
		{"2024-05-03 10:30", order{}, "2024-05-03T10:30:00Z", "instant", ""}, {"2024-05-03T10:30:05.25+02:00", order{}, "2024-05-03T08:30:05.25Z", "instant", ""},
		{"2024-05-03T10:30Z", order{}, "2024-05-03T10:30:00Z", "instant", ""}, {"3.5.2024, 10:30", order{}, "2024-05-03T10:30:00Z", "instant", ""}, {"5/13/2024 2:30 pm", order{}, "2024-05-13T14:30:00Z", "instant", ""},
		{"unknown", order{}, "0001-01-01T00:00:00Z", "unknown", ""}, {"?", order{}, "0001-01-01T00:00:00Z", "unknown", ""},
		{"31.2.2024", order{}, "", "", "no such day"}, {"3.15.2024", order{}, "", "", "the day comes first"}, {"32/1/2024", order{}, "", "", "no such"}, {"2024-13-01", order{}, "", "", "is no date"},
		{"yesterday", order{}, "", "", "is no date"}, {"45123", order{}, "", "", "is no date"}, {"2024-05 10:30", order{}, "", "", "is no date"}, {"3.5.2024 25:00", order{}, "", "", "time of day"}, {"3 Mayor 2024", order{}, "", "", "is no date"},
	} {
		w, bad := readDate(c.text, c.o, today)
		at := w.local
		if !w.at.IsZero() {
			at = w.at
		}
		if (bad == "") != (c.bad == "") || !strings.Contains(bad, c.bad) || bad == "" && (at.Format(time.RFC3339Nano) != c.want || w.precision != c.precision) {
			t.Errorf("%q with %+v: %s %s %q, want %s %s %q", c.text, c.o, at.Format(time.RFC3339Nano), w.precision, bad, c.want, c.precision, c.bad)
		}
	}
}

// What an export writes reads the same, whatever else stands in the file.
func TestWhatIsWrittenReadsTheSame(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		e := signs{comma: rapid.Bool().Draw(t, "comma"), point: rapid.Bool().Draw(t, "point")}
		f := math.Round(rapid.Float64Range(-1e6, 1e6).Draw(t, "number")*1000) / 1000
		text := plain(f)
		e.see(text) // a file that holds it shows how it writes numbers
		if got, bad := readNumber(text, e); bad != "" && e != (signs{comma: true, point: true}) || bad == "" && got != f {
			t.Fatalf("%v written as %q reads as %v %q", f, text, got, bad)
		}
		all := rapid.SliceOfN(rapid.StringMatching(`[A-Za-z;"' ,|-]{0,8}x`), 1, 4).Draw(t, "list")
		for i := range all {
			all[i] = strings.TrimSpace(all[i])
		}
		slices.Sort(all)
		all = slices.Compact(all)
		s := source{u: &unpacked{}, sheet: &sheet{}, said: newSayings()}
		s.list(joined(all), 0)
		if got, ok := s.values[0].([]string); !ok || !slices.Equal(got, all) {
			t.Fatalf("%q written as %q reads as %q", all, joined(all), s.values[0])
		}
		row := rapid.SliceOfN(rapid.StringMatching(`[a-z=+@'";,\n -]{0,6}`), 1, 5).Draw(t, "row")
		for i := range row {
			row[i] = trim(row[i])
		}
		row = append(row, "end")
		var b bytes.Buffer
		w := bufio.NewWriter(&b)
		guardedRow := make([]string, len(row))
		for i, c := range row {
			guardedRow[i] = guarded(c)
		}
		if err := errors.Join(writeCSV(w, guardedRow), w.Flush()); err != nil {
			t.Fatal(err)
		}
		back, err := table{bufio.NewReader(&b), ','}.next()
		if err != nil || !slices.Equal(back, guardedRow) {
			t.Fatalf("%q comes back as %q, %v", guardedRow, back, err)
		}
		for i, c := range back {
			if c != "" && strings.ContainsAny(c[:1], "=+@-") {
				t.Fatalf("%q would be computed", c)
			}
			s.values = nil
			s.sheet.columns = []found{{}}
			s.one(head{}, cell{textCell, trim(c)}, 0)
			if got, _ := s.values[0].(string); got != row[i] {
				t.Fatalf("%q comes back as %q", row[i], got)
			}
		}
	})
}

func TestHeadsAreRecognised(t *testing.T) {
	for _, c := range []struct{ heads, kind string }{
		{"customer,name", "customers"}, {"Site,Name,Customer,Zone", "sites"}, {"site,customer,from,until", "owners"}, {"site,supply,volts", "supplies"},
		{"LINE,site,length (ft)", "lines"}, {"position,line,side,along", "positions"}, {"position,state,from", "states"}, {"part number,description", "parts"},
		{"location,name,kind", "locations"}, {"Unit_Tag,Serial-No,Part", "units"}, {"unit tag,position,slot,from", "stays"}, {"position,fact,value", "facts"},
	} {
		_, f, rival := recognise([][]string{{"A title"}, strings.Split(c.heads, ",")}, nil)
		if f.kind == nil || f.kind.name != c.kind || !f.whole || f.unknown > 0 || rival != nil {
			t.Errorf("%s: %+v, rival %v", c.heads, f, rival)
		}
	}
	if got := kindOf("units").nearest("Serail"); got != "serial" {
		t.Errorf("nearest is %q", got)
	}
	// every heading of an export is known, and none has two meanings
	for _, e := range exports {
		_, f, rival := recognise([][]string{e.heads}, nil)
		if f.kind == nil || f.kind.name != e.kind || f.unknown > 0 || rival != nil {
			t.Errorf("%s: %+v, rival %v", e.kind, f, rival)
		}
	}
	for _, k := range kinds {
		seen := map[string]string{}
		for _, h := range k.heads {
			for _, n := range append([]string{h.name}, h.also...) {
				if was, twice := seen[squeeze(n)]; twice && was != h.name {
					t.Errorf("%s: %q is %q and %q", k.name, n, was, h.name)
				}
				seen[squeeze(n)] = h.name
			}
		}
	}
}

func FuzzNumber(f *testing.F) {
	for _, s := range []string{"1,234.5", "1.234,5", "-12", "1e5", "1 234", "½", "1-3/8 in", "’", ""} {
		f.Add(s, true, false)
	}
	f.Fuzz(func(t *testing.T, text string, comma, point bool) {
		e := signs{comma, point}
		e.see(text)
		n, bad := readNumber(text, e)
		if bad == "" && (math.IsNaN(n) || math.IsInf(n, 0)) {
			t.Errorf("%q reads as %v", text, n)
		}
		if bad == "" {
			if again, bad := readNumber(plain(n), signs{point: true}); bad != "" || again != n {
				t.Errorf("%v is written %q, which reads as %v %q", n, plain(n), again, bad)
			}
		}
		if m, bad := readMeasure(measure.Length, text, "", e); bad == "" {
			if again, bad := readMeasure(measure.Length, m.Typed, "", signs{point: true}); bad != "" || again != m {
				t.Errorf("%q reads as %+v, and that as %+v %q", text, m, again, bad)
			}
		}
	})
}

func FuzzDate(f *testing.F) {
	for _, s := range []string{"2024-05-03", "3.5.2024", "3/5/24", "May 3, 2024", "5/2024", "2024", "2024-05-03T10:30:00.5+02:00", "1.1.2024 3 PM", "unknown"} {
		f.Add(s, "")
	}
	f.Fuzz(func(t *testing.T, text, told string) {
		o := order{told: told}
		o.see(text)
		w, bad := readDate(text, o, today)
		if bad != "" || w.precision == "unknown" {
			return
		}
		if y := w.local.Year(); y < 1900 || y > 2199 {
			t.Errorf("%q reads as %v", text, w.local)
		}
		form := map[string]string{"year": "2006", "month": "2006-01", "day": "2006-01-02", "instant": "2006-01-02T15:04:05.999999999"}[w.precision]
		if form == "" {
			t.Fatalf("%q has the precision %q", text, w.precision)
		}
		if again, bad := readDate(w.local.Format(form), order{}, today); bad != "" || !again.local.Equal(w.local) || again.precision != w.precision {
			t.Errorf("%q reads as %v, and that as %v %q", text, w, again, bad)
		}
	})
}

// FuzzTable holds the reader against the standard library's, where that one
// takes the text, and against any text for what it may do at all.
func FuzzTable(f *testing.F) {
	for _, s := range []string{"a,b\n1,2\n", "\"a\"\"b\",c\r\n", "a;b\n", "\"open", "a,b\r\rc", "sep=;\na;b", "\ufeffcustomer,name\nA,B"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		tb := table{bufio.NewReader(strings.NewReader(text)), ','}
		var rows [][]string
		for {
			row, err := tb.next()
			if errors.Is(err, io.EOF) {
				break
			}
			if err != nil {
				if _, ok := errors.AsType[*fault.Error](err); !ok {
					t.Fatal(err)
				}
				return
			}
			rows = append(rows, row)
		}
		if strings.Contains(text, "\r") || !strings.HasPrefix(strings.ToValidUTF8(text, "!"), text) {
			return // the library changes line ends, and bytes that are no text
		}
		r := csv.NewReader(strings.NewReader(text))
		r.FieldsPerRecord = -1
		want, err := r.ReadAll()
		if err != nil {
			return
		}
		rows = slices.DeleteFunc(rows, func(r []string) bool { return len(r) == 1 && r[0] == "" })
		want = slices.DeleteFunc(want, func(r []string) bool { return len(r) == 1 && r[0] == "" })
		if fmt.Sprintf("%q", rows) != fmt.Sprintf("%q", want) {
			t.Errorf("%q reads as %q, want %q", text, rows, want)
		}
	})
}

// FuzzUnpack takes any file apart: it ends, within the bounds, in rows or in a
// fault that says what is wrong.
func FuzzUnpack(f *testing.F) {
	f.Add([]byte("unit tag,part\nA,B\n"), "")
	f.Add([]byte("\xff\xfea\x00;\x00b\x00\n\x00"), "units")
	f.Add([]byte("PK\x03\x04"), "")
	book := excelize.NewFile()
	for cell, v := range map[string]any{"A1": "unit tag", "B1": "part", "C1": "fitted since", "A2": "A", "B2": 12, "C2": today} {
		if err := book.SetCellValue("Sheet1", cell, v); err != nil {
			f.Fatal(err)
		}
	}
	var b bytes.Buffer
	if err := book.Write(&b); err != nil {
		f.Fatal(err)
	}
	f.Add(b.Bytes(), "")
	f.Fuzz(func(t *testing.T, file []byte, kind string) {
		if kindOf(kind) == nil {
			kind = ""
		}
		said := newSayings()
		u, err := unpack(bytes.NewReader(file), int64(len(file)), Options{Kind: kind}, said)
		if err != nil {
			if _, ok := errors.AsType[*fault.Error](err); !ok {
				t.Fatalf("%T %v", err, err)
			}
			return
		}
		defer u.close()
		for _, s := range u.sheets {
			src := &source{u: u, sheet: s, kind: s.kind, said: said, now: today, told: func() {}}
			for src.Next() {
				if len(src.values) != len(s.kind.staging()) {
					t.Fatalf("%d values for %d columns", len(src.values), len(s.kind.staging()))
				}
			}
			if src.Err() != nil {
				t.Fatal(src.Err())
			}
		}
	})
}

func TestNumbersOfReadings(t *testing.T) {
	for text, want := range map[string]string{"41000": "41000", "12345.6": "12345.6", "12345,6": "12345.6", "12345,65": "12345.65", "41,000": "41000", "1,041,000": "1041000",
		"12,345.6": "12345.6", "12.345,6": "12345.6", "41 000": "41000", "41'000": "41000", "41\u00a0000": "41000", "1,2,3": "1,2,3", "12,34.5": "12,34.5", "1.2.3,4": "1.2.3,4", "": "", "x": "x"} {
		if got := plainNumber(text); got != want {
			t.Errorf("%q is read as %q, not %q", text, got, want)
		}
	}
}

// Whatever a cell holds, a row is read or told of, and never both.
func FuzzReadingCells(f *testing.F) {
	f.Add("UMB-1/TC", "2026-03-01 12:00", "41,000", "h", "eye")
	f.Add("x", "3/5/2026", "-", "", "\xff")
	f.Fuzz(func(t *testing.T, meter, at, value, unit, source string) {
		in := &readingsImport{now: today, said: newSayings(), place: map[string]int{"meter": 0, "at": 1, "value": 2, "unit": 3, "source": 4}}
		values, ok := in.read(2, []cell{{textCell, meter}, {textCell, at}, {textCell, value}, {textCell, unit}, {textCell, source}})
		if ok != (in.said.errors == 0) || ok && len(values) != len(stageColumns) {
			t.Fatalf("%q: %v, told are %d", []string{meter, at, value, unit, source}, ok, in.said.errors)
		}
	})
}
