package draw

import (
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// modules reads the drawing back into rows of dark and light modules.
func modules(t *testing.T, svg string) [][]bool {
	t.Helper()
	box := regexp.MustCompile(`viewBox="0 0 (\d+) (\d+)"`).FindStringSubmatch(svg)
	if box == nil || box[1] != box[2] {
		t.Fatalf("%.200s", svg)
	}
	n, _ := strconv.Atoi(box[1])
	rows := make([][]bool, n)
	for i := range rows {
		rows[i] = make([]bool, n)
	}
	for _, m := range regexp.MustCompile(`M(\d+) (\d+)h(\d+)v1h-(\d+)z`).FindAllStringSubmatch(svg, -1) {
		x, _ := strconv.Atoi(m[1])
		y, _ := strconv.Atoi(m[2])
		w, _ := strconv.Atoi(m[3])
		if m[3] != m[4] || w < 1 {
			t.Fatalf("a run that does not close: %v", m)
		}
		for i := range w {
			rows[y][x+i] = true
		}
	}
	return rows
}

// ISO/IEC 18004 (from memory): three finder patterns of seven modules in the corners, timing patterns
// between them, one dark module above the format bits, and a quiet zone of four modules around.
func TestACodeHasWhatScannersLookFor(t *testing.T) {
	for _, text := range []string{"UMB-1/SBL-D", "MW-10110", "A", strings.Repeat("MW-10110 ", 20)} {
		rows := modules(t, Code(text, "QR code", "q", 96))
		n := len(rows)
		if (n-8-17)%4 != 0 {
			t.Errorf("%q: %d modules are no version", text, n-8)
		}
		for i := range n {
			for q := range 4 {
				if rows[i][q] || rows[q][i] || rows[i][n-1-q] || rows[n-1-q][i] {
					t.Fatalf("%q: the quiet zone is not quiet", text)
				}
			}
		}
		finder := []string{"#######", "#.....#", "#.###.#", "#.###.#", "#.###.#", "#.....#", "#######"}
		for _, at := range [][2]int{{4, 4}, {n - 11, 4}, {4, n - 11}} {
			for y, line := range finder {
				for x, c := range line {
					if rows[at[1]+y][at[0]+x] != (c == '#') {
						t.Fatalf("%q: the finder at %v is broken", text, at)
					}
				}
			}
		}
		for i := 12; i < n-12; i++ { // dark on even modules of the symbol
			if rows[10][i] != (i%2 == 0) || rows[i][10] != (i%2 == 0) {
				t.Fatalf("%q: the timing pattern is broken at %d", text, i)
			}
		}
		if !rows[n-12][12] {
			t.Errorf("%q: the dark module is light", text)
		}
	}
	if Code(strings.Repeat("x", 5000), "", "q", 96) != "" {
		t.Error("a code holds 5000 characters")
	}
	if s := Code("A", `<b>"`, "q", 96); strings.Contains(s, "<b>") {
		t.Errorf("%.200s", s)
	}
}
