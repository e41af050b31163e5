package draw

import (
	"encoding/xml"
	"fmt"
	"strconv"
	"strings"
	"testing"
)

func lead3() [3][]int { return [3][]int{{1}, {2}, {3}} }

// hookups are the rows of the terminal markings of NEMA MG 1 part 2, by the
// name of their picture.
func hookups() map[string]Hookup {
	iec := map[int]string{1: "U1", 2: "V1", 3: "W1", 4: "U2", 5: "V2", 6: "W2"}
	pairs := [][]int{{4, 7}, {5, 8}, {6, 9}}
	return map[string]Hookup{
		"3":               {Title: "Three leads, 460 V", Lines: lead3()},
		"6-wye":           {Title: "Six leads, wye (star)", Lines: lead3(), Joined: [][]int{{4, 5, 6}}},
		"6-delta":         {Title: "Six leads, delta", Lines: [3][]int{{1, 6}, {2, 4}, {3, 5}}},
		"6-iec-high":      {Title: "Six leads, high: star, 400 V", Lines: lead3(), Joined: [][]int{{4, 5, 6}}, Also: iec},
		"6-iec-low":       {Title: "Six leads, low: delta, 230 V", Lines: [3][]int{{1, 6}, {2, 4}, {3, 5}}, Also: iec},
		"9-low-wye":       {Title: "Nine leads, wye, low, 230 V", Lines: [3][]int{{1, 7}, {2, 8}, {3, 9}}, Joined: [][]int{{4, 5, 6}}},
		"9-low-delta":     {Title: "Nine leads, delta, low, 230 V", Lines: [3][]int{{1, 6, 7}, {2, 4, 8}, {3, 5, 9}}},
		"9-high":          {Title: "Nine leads, high, 460 V", Lines: lead3(), Joined: pairs},
		"12-high-wye":     {Title: "Twelve leads, wye, high, 460 V", Lines: lead3(), Joined: append(pairs[:3:3], []int{10, 11, 12})},
		"12-high-delta":   {Title: "Twelve leads, delta, high, 460 V", Lines: [3][]int{{1, 12}, {2, 10}, {3, 11}}, Joined: pairs},
		"12-low-wye":      {Title: "Twelve leads, wye, low, 230 V", Lines: [3][]int{{1, 7}, {2, 8}, {3, 9}}, Joined: [][]int{{4, 5, 6}, {10, 11, 12}}},
		"12-low-delta":    {Title: "Twelve leads, delta, low, 230 V", Lines: [3][]int{{1, 6, 7, 12}, {2, 4, 8, 10}, {3, 5, 9, 11}}},
		"9-with-open":     {Title: "Some leads left open", Lines: lead3(), Joined: [][]int{{4, 5, 6}}, Open: []int{7, 8, 9}},
		"9-high-reversed": {Title: "Nine leads, high, L1-L3 swapped", Lines: [3][]int{{3}, {2}, {1}}, Joined: pairs},
	}
}

func TestLeads(t *testing.T) {
	for name, h := range hookups() {
		t.Run(name, func(t *testing.T) {
			h.ID = "k"
			svg := Leads(h)
			golden(t, "connection-"+name+".svg", svg)
			if strings.Contains(svg, "style=") || strings.Contains(svg, "<style") || strings.Contains(svg, "#0") {
				t.Error("it brings a style of its own, which pages forbid")
			}
			// Each lead has one terminal and one name, and nothing else has.
			for _, l := range named(h) {
				if n := strings.Count(svg, fmt.Sprintf(">T%d</text>", l)); n != 1 {
					t.Errorf("T%d is named %d times", l, n)
				}
			}
			if dots := strings.Count(svg, "<circle"); dots != len(named(h)) {
				t.Errorf("%d terminals", dots)
			}
			inside(t, svg)
		})
	}
}

func named(h Hookup) []int {
	var all []int
	for _, on := range h.Lines {
		all = append(all, on...)
	}
	for _, j := range h.Joined {
		all = append(all, j...)
	}
	return append(all, h.Open...)
}

// inside demands that all coordinates lie within the picture.
func inside(t *testing.T, svg string) {
	t.Helper()
	w, h := 0.0, 0.0
	for d := xml.NewDecoder(strings.NewReader(svg)); ; {
		tok, err := d.Token()
		if err != nil {
			return
		}
		e, ok := tok.(xml.StartElement)
		if !ok {
			continue
		}
		for _, a := range e.Attr {
			v, err := strconv.ParseFloat(a.Value, 64)
			switch {
			case err != nil:
			case e.Name.Local == "svg" && a.Name.Local == "width":
				w = v
			case e.Name.Local == "svg" && a.Name.Local == "height":
				h = v
			case strings.HasSuffix(a.Name.Local, "x") || strings.HasPrefix(a.Name.Local, "x"):
				if v < 0 || v > w {
					t.Errorf("%s=%v lies outside of %v", a.Name.Local, v, w)
				}
			case strings.HasSuffix(a.Name.Local, "y") || strings.HasPrefix(a.Name.Local, "y"):
				if v < 0 || v > h-4 {
					t.Errorf("%s=%v lies outside of %v", a.Name.Local, v, h)
				}
			}
		}
	}
}

func TestLeadsInWords(t *testing.T) {
	h := hookups()["6-iec-low"]
	if got := h.describe(); got != "L1 to T1 (U1), T6 (W2). L2 to T2 (V1), T4 (U2). L3 to T3 (W1), T5 (V2). No other joins." {
		t.Error(got)
	}
	h = hookups()["9-with-open"]
	if got := h.describe(); got != "L1 to T1. L2 to T2. L3 to T3. Joined with each other and not to a line: T4 with T5 with T6. Open, each insulated by itself: T7, T8, T9." {
		t.Error(got)
	}
}

func TestLeadsOfAnything(t *testing.T) {
	const evil = `"><script>alert(1)</script>&`
	svg := Leads(Hookup{ID: evil, Title: evil, Joined: [][]int{{1, 2}, {3, 4}, {5, 6}, {7, 8}}, Also: map[int]string{1: evil}})
	wellFormed(t, svg)
	if strings.Contains(svg, "<script") {
		t.Error("a script came through")
	}
	wellFormed(t, Leads(Hookup{}))
}
