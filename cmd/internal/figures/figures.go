// Package figures keeps the parts of BENCHMARKS.md that programs write. Each
// stands between two marker lines; what people wrote around them stays.
package figures

import (
	"fmt"
	"os"
	"strings"
)

// File is where the figures are kept, seen from the root of the repository.
const File = "BENCHMARKS.md"

func marks(part string) (begin, end string) {
	return "<!-- " + part + ": written by a program -->\n", "<!-- end of " + part + " -->\n"
}

func find(file, part string) (before, text, after string, err error) {
	raw, err := os.ReadFile(file)
	if err != nil {
		return "", "", "", err
	}
	begin, end := marks(part)
	before, rest, ok := strings.Cut(string(raw), begin)
	text, after, ok2 := strings.Cut(rest, end)
	if !ok || !ok2 {
		return "", "", "", fmt.Errorf("%s has no lines %q and %q to write %s between", file, strings.TrimSpace(begin), strings.TrimSpace(end), part)
	}
	return before + begin, text, end + after, nil
}

// Read gives the text of a part.
func Read(file, part string) (string, error) {
	_, text, _, err := find(file, part)
	return text, err
}

// Write replaces the text of a part.
func Write(file, part, text string) error {
	before, _, after, err := find(file, part)
	if err != nil {
		return err
	}
	return os.WriteFile(file, []byte(before+text+after), 0o644)
}

// Table writes rows in columns that are as wide as they must be, the first row
// being the head, so that it reads well before it is rendered, too.
func Table(rows [][]string) string {
	var width []int
	for _, r := range rows {
		for i, cell := range r {
			if i == len(width) {
				width = append(width, 3)
			}
			width[i] = max(width[i], len([]rune(cell)))
		}
	}
	var b strings.Builder
	line := func(r []string, fill string) {
		for i, w := range width {
			cell := ""
			if i < len(r) {
				cell = r[i]
			}
			b.WriteString("|" + fill + cell + strings.Repeat(fill, w-len([]rune(cell))+1))
		}
		b.WriteString("|\n")
	}
	for i, r := range rows {
		line(r, " ")
		if i == 0 {
			line(nil, "-")
		}
	}
	return b.String()
}
