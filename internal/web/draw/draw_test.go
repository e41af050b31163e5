package draw

import (
	"encoding/xml"
	"errors"
	"flag"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
)

var update = flag.Bool("update", false, "write the golden files anew")

func golden(t *testing.T, name, got string) {
	t.Helper()
	wellFormed(t, got)
	path := filepath.Join("testdata", name)
	if *update {
		if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if got != string(want) {
		t.Errorf("%s is drawn otherwise; look at it, then run go test ./internal/web/draw -update", name)
	}
}

func wellFormed(t *testing.T, svg string) {
	t.Helper()
	d := xml.NewDecoder(strings.NewReader(svg))
	for {
		if _, err := d.Token(); errors.Is(err, io.EOF) {
			return
		} else if err != nil {
			t.Fatalf("not well-formed: %v\n%s", err, svg)
		}
	}
}

func brush(label, side string, along float64, state string, turn Turn) Item {
	word := ""
	if state != "in_service" {
		word = state
	}
	return Item{Href: "/positions/" + label, Label: label, Says: label + ": " + state, Side: side, Along: along, Brush: true, State: state, Word: word, Turn: turn}
}

func block(label, side string, along float64) Item {
	return Item{Href: "/positions/" + label, Label: label, Says: label, Side: side, Along: along, State: "in_service"}
}

func reference() Strip {
	return Strip{ID: "r", Title: "Line UMB-1, seen from above", Length: 33.528, InFeet: true, Left: "driver side", Right: "passenger side", Items: []Item{
		block("GATE", "centre", -4.572), block("ENT-EYE-1", "centre", 0), block("ENT-EYE-2", "centre", 0.3), block("PRE", "centre", 1.83),
		brush("TYR-D", "left", 4.9, "in_service", AgainstTravel), brush("TYR-P", "right", 4.9, "in_service", WithTravel),
		brush("SBL-D", "left", 11.6, "in_service", Clockwise), brush("SBL-P", "right", 11.6, "in_service", CounterClockwise),
		brush("WRP-D", "left", 16.5, "parked", CounterClockwise), brush("WRP-P", "right", 16.5, "empty", Clockwise),
		brush("TOP", "centre", 20.1, "in_service", Unknown),
	}}
}

func TestTheReferenceLine(t *testing.T) {
	golden(t, "reference-across.svg", Across(reference()))
	golden(t, "reference-upright.svg", Upright(reference()))
	golden(t, "reference-mini.svg", Mini(reference(), "Line UMB-1: 9 in service, 1 parked, 1 empty"))
}

// How far an interval has run is an arc of that share around a brush, full and broken with a
// word where its work is late, and none where nobody knows; a block has none.
func TestTheArcOfAnInterval(t *testing.T) {
	s := reference()
	s.ID = "i"
	for i, share := range map[int]float64{3: .5, 4: 0, 5: .25, 6: .74, 7: 1, 8: 1.4, 9: .5, 10: -.1} {
		s.Items[i].Spent = &share
	}
	s.Items[7].Late, s.Items[8].Late = true, true
	across := Across(s)
	golden(t, "spent-across.svg", across)
	golden(t, "spent-upright.svg", Upright(s))
	for what, n := range map[string]int{`class="interval"`: 7, `<path class="spent"`: 3, `class="spent late"`: 2, `>late</text>`: 1, "full and broken where that is late, at 2 of 7.": 1} {
		if got := strings.Count(across, what); got != n {
			t.Errorf("%s stands there %d times, want %d", what, got, n)
		}
	}
	// a quarter of a clock ends at three, half at six: on a circle whose top is its beginning
	for share, want := range map[float64]string{.25: "M100 79.6A20.4 20.4 0 0 1 120.4 100", .5: "M100 79.6A20.4 20.4 0 0 1 100 120.4", .75: "M100 79.6A20.4 20.4 0 1 1 79.6 100"} {
		var p pen
		if p.spent(share, false, 100, 100); !strings.Contains(p.String(), `d="`+want+`"`) {
			t.Errorf("%v is drawn as %s", share, p.String())
		}
	}
}

func TestALineWithNothingOnIt(t *testing.T) {
	empty := Strip{ID: "e", Title: "Line NEW-1", Left: "driver side", Right: "passenger side"}
	golden(t, "empty-across.svg", Across(empty))
	wellFormed(t, Upright(empty))
	wellFormed(t, Mini(empty, "nothing"))
}

func TestTurning(t *testing.T) {
	v := View{ID: "t", Title: "Turns clockwise seen from above.", Clockwise: true, From: "above", Side: "left", Words: "clockwise",
		LeftWord: "left · driver side", RightWord: "right · passenger side"}
	golden(t, "turning-left.svg", Turning(v))
	v.Side, v.Clockwise, v.Words = "right", false, "counter-clockwise"
	golden(t, "turning-right.svg", Turning(v))
	v.Side, v.From = "centre", "left"
	golden(t, "turning-top.svg", Turning(v))
}

func TestSections(t *testing.T) {
	golden(t, "sections-16.svg", Sections(Media{ID: "m", Title: "16 sections", Pattern: strings.Repeat("AABB", 4), Replaced: map[int]bool{3: true}}))
	golden(t, "sections-32.svg", Sections(Media{ID: "m", Title: "32 sections", Pattern: strings.Repeat("BBAA", 8)}))
	wellFormed(t, Sections(Media{ID: "m", Title: `"><script>`}))
}

// What people type must not become markup.
func TestMarkupStaysText(t *testing.T) {
	const evil = `"><script>alert(1)</script>&`
	s := reference()
	s.Title, s.Left, s.Right = evil, evil, evil
	s.Items[4].Label, s.Items[4].Says, s.Items[4].Href, s.Items[4].Word = evil, evil, evil, evil
	for _, svg := range []string{Across(s), Upright(s), Mini(s, evil), Turning(View{ID: "x", Title: evil, Words: evil, LeftWord: evil, RightWord: evil, From: "above"})} {
		wellFormed(t, svg)
		if strings.Contains(svg, "<script") {
			t.Error("a script came through")
		}
	}
}

func TestNeighboursKeepTheirDistance(t *testing.T) {
	for _, c := range []struct{ at, want []float64 }{
		{[]float64{0, 100, 200}, []float64{0, 100, 200}},                // room enough: all stay
		{[]float64{10, 10}, []float64{-12, 32}},                         // one place: both give way alike
		{[]float64{0, 10, 200}, []float64{-17, 27, 200}},                // who stands far stays
		{[]float64{0, 40, 80}, []float64{-4, 40, 84}},                   // the middle one stays
		{nil, []float64{}},                                              //
		{[]float64{5}, []float64{5}},                                    //
		{[]float64{0, 0, 0, 300}, []float64{-44, 0, 44, 300}},           //
		{[]float64{0, 44, 88, 90}, []float64{-10.5, 33.5, 77.5, 121.5}}, // pushing goes on through a row
	} {
		rooms := make([]float64, len(c.at))
		for i := range rooms {
			rooms[i] = 44
		}
		got := spread(c.at, rooms)
		if len(got) != len(c.want) {
			t.Fatalf("%v: %v", c.at, got)
		}
		for i := range got {
			if math.Abs(got[i]-c.want[i]) > 1e-9 {
				t.Errorf("%v: got %v, want %v", c.at, got, c.want)
				break
			}
		}
	}
}

// A fingertip must hit one thing only, on the phone everywhere and on the desk
// each brush.
func TestAFingertipHitsOneThing(t *testing.T) {
	s := reference()
	for i := range 12 { // a crowd
		s.Items = append(s.Items, block("DRY", "centre", 30+float64(i)*0.2), brush("B", "left", 12+float64(i)*0.1, "in_service", Clockwise))
	}
	sides := map[string][]Item{}
	for _, it := range s.Items {
		sides[it.Side] = append(sides[it.Side], it)
	}
	for side, items := range sides {
		slices.SortFunc(items, func(a, b Item) int { return int(math.Copysign(1, a.Along-b.Along)) })
		placed, _, _ := place(map[string][]Item{side: items}, -5, 34, 18, true)
		for i := 1; i < len(placed[side]); i++ {
			if d := placed[side][i] - placed[side][i-1]; d < 44-1e-9 {
				t.Errorf("%s: %v px between neighbours", side, d)
			}
		}
	}
	wellFormed(t, Upright(s))
	wellFormed(t, Across(s))
}

func TestCounter(t *testing.T) {
	at := func(month, day int) time.Time { return time.Date(2026, time.Month(month), day, 18, 0, 0, 0, time.UTC) }
	c := Count{ID: "c", Title: "Vehicles on line UMB-1", Unit: "vehicles", Now: at(11, 25), Zone: time.UTC,
		Turns: []Event{{at(5, 3), "rolled over"}, {at(5, 5), "read anew"}, {at(8, 20), "controller replaced"}}}
	for m := 1; m <= 11; m++ {
		c.Seen = append(c.Seen, Seen{At: at(m, 2), Total: 8000 + 8700*float64(m) + 900*float64(m%3)})
	}
	c.Seen = append(c.Seen, Seen{At: at(11, 16), Total: 61_000, Open: true})
	for d := range 4 {
		days := float64(30 * d)
		c.Ahead = append(c.Ahead, Reach{At: at(11, 2).AddDate(0, 0, 30*d), Low: 104_500 + 250*days, Likely: 104_500 + 300*days, High: 104_500 + 360*days})
	}
	golden(t, "counter-desk.svg", Counter(c, 880))
	golden(t, "counter-phone.svg", Counter(c, 350))
	golden(t, "counter-empty.svg", Counter(Count{ID: "c", Title: "nothing", Zone: time.UTC}, 350))
	c.Title, c.Unit, c.Turns[0].Say = "\"><script>", "\"><script>", "\"><script>"
	if svg := Counter(c, 880); strings.Contains(svg, "<script") {
		t.Error("a script came through")
	}
	// one reading, all readings alike, all at one instant
	for _, seen := range [][]Seen{{{At: at(3, 1)}}, {{At: at(3, 1), Total: 5}, {At: at(4, 1), Total: 5}}, {{At: at(3, 1), Total: 1}, {At: at(3, 1), Total: 2}}} {
		svg := Counter(Count{ID: "c", Now: at(3, 2), Zone: time.UTC, Seen: seen}, 350)
		wellFormed(t, svg)
		if strings.Contains(svg, "NaN") || strings.Contains(svg, "Inf") {
			t.Errorf("%v are drawn as %s", seen, svg)
		}
	}
}

func TestTotalsAreGrouped(t *testing.T) {
	for v, want := range map[float64]string{0: "0", 12.34: "12.3", 999: "999", 1000: "1,000", 1234567.8: "1,234,568", -45000: "-45,000"} {
		if got := grouped(v); got != want {
			t.Errorf("%v is written %q, not %q", v, got, want)
		}
	}
}

func TestWearBar(t *testing.T) {
	unknown := math.NaN()
	for name, w := range map[string]Wear{
		"coming":  {Today: 284, Due: 340, Earliest: 330, Latest: 360, Low: 333, High: 349},
		"late":    {Today: 45, Due: 30, Earliest: 27, Latest: 36, Low: unknown, High: unknown, Late: true},
		"window":  {Today: 33, Due: 30, Earliest: 27, Latest: 36, Low: unknown, High: unknown},
		"endless": {Today: 60, Due: 300, Earliest: 280, Latest: 320, Low: 150, High: unknown},
		"unknown": {Today: 60, Due: unknown, Earliest: unknown, Latest: unknown, Low: unknown, High: unknown},
		"new":     {Today: 0, Due: 0, Earliest: 0, Latest: 0, Low: unknown, High: unknown},
	} {
		w.ID, w.Title = "w", name
		svg := WearBar(w, 240)
		golden(t, "wear-"+name+".svg", svg)
		if strings.Contains(svg, "NaN") || strings.Contains(svg, "Inf") {
			t.Errorf("%s is drawn as %s", name, svg)
		}
	}
	wellFormed(t, WearBar(Wear{ID: "w", Title: `"><script>`}, 240))
}

func TestWeeksAhead(t *testing.T) {
	r := Ribbon{ID: "r", Title: "Work ahead, twelve weeks", Weeks: []string{"30 Nov", "7 Dec", "14 Dec", "21 Dec"}, Rows: []RibbonRow{
		{Name: "Umberlea Express", Href: "/sites/1", Cells: []RibbonCell{{Hours: 6.5, Parts: "there", Says: "6.5 h"}, {}, {Hours: 12, Parts: "missing", Grave: true}, {Hours: .2}}},
		{Name: "Dunmarrow Road", Href: "/sites/2", Cells: []RibbonCell{{}, {Hours: 3, Parts: "unknown"}, {}, {}}},
		{Name: "Pellhaven Auto Bath", Href: "/sites/3"},
	}}
	golden(t, "ribbon.svg", Weeks(r, 700))
	wellFormed(t, Weeks(Ribbon{ID: "r"}, 700))
	r.Rows[0].Name, r.Rows[0].Href, r.Rows[0].Cells[0].Says = `"><script>`, `"><script>`, `"><script>`
	if svg := Weeks(r, 700); strings.Contains(svg, "<script") {
		t.Error("a script came through")
	}
}
