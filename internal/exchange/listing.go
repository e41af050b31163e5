package exchange

import (
	"errors"
	"fmt"
	"io"

	"spindlebook/internal/fault"
)

// listing is a file with one list in it, under a row of heads: CSV, or the first sheet of a
// workbook that has them among its first rows.
type listing struct {
	up      *Upload
	columns func(cells []string) map[string]int // of a row of heads; nil where it is none
	what    string                              // the heads, for whoever sent another file
	most    int                                 // rows
	headed  func(cells []string) bool           // is told the row of heads, and says whether to go on
	begun   func(place map[string]int)

	place map[string]int
	rows  int
	notes []string
}

// errNoHeads ends the search in a sheet whose first rows are no heads.
var errNoHeads = errors.New("no heads")

// headless says where heads were looked for.
func (l *listing) headless(where string) error {
	return &fault.Error{Kind: fault.Invalid, Msg: fmt.Sprintf("none of the first %d rows%s has the heads of %s", sniffed, where, l.what)}
}

// each calls fn for each row below the heads.
func (l *listing) each(fn func(number int, cells []cell) error) error {
	take := func(number int, cells []cell) error {
		if blank(cells) {
			return nil
		}
		if l.place == nil {
			texts := make([]string, len(cells))
			for i, c := range cells {
				texts[i] = c.text
			}
			if l.place = l.columns(texts); l.place == nil && number > sniffed {
				return errNoHeads
			}
			if l.place != nil {
				l.begun(l.place)
				if !l.headed(texts) {
					return errStopped
				}
			}
			return nil
		}
		if l.rows++; l.rows > l.most {
			return tooBig("a file takes at most %d rows; send it in parts", l.most)
		}
		return fn(number, cells)
	}
	head := make([]byte, 4)
	if n, err := l.up.file.ReadAt(head, 0); err != nil && !errors.Is(err, io.EOF) {
		return err
	} else if n == 0 {
		return &fault.Error{Kind: fault.Malformed, Msg: "the file is empty"}
	}
	if string(head) == "PK\x03\x04" {
		w, err := openWorkbook(l.up.file, l.up.size)
		if err != nil {
			return err
		}
		for _, p := range w.sheets {
			if l.place != nil {
				l.notes = append(l.notes, fmt.Sprintf("The sheet %q was not read: the list stood in one before it.", p.name))
				continue
			}
			if err := w.rows(p, take); err != nil && !errors.Is(err, errNoHeads) { // the list may stand in the next
				return err
			}
		}
		if l.place == nil {
			return l.headless(" of any sheet")
		}
		return nil
	}
	r, encoding, err := decoded(l.up.file, l.up.size)
	if err != nil {
		return err
	}
	if encoding != "" {
		l.notes = append(l.notes, "The file is not in UTF-8; it was read as "+encoding+".")
	}
	t, err := openCSV(r, func(rows [][]string) int {
		for _, row := range rows {
			if l.columns(row) != nil {
				return 1
			}
		}
		return 0
	})
	if err != nil {
		return err
	}
	var cells []cell
	for number := 1; ; number++ {
		row, err := t.next()
		if errors.Is(err, io.EOF) && l.place == nil {
			return l.headless("")
		}
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return atRow(err, number)
		}
		cells = cells[:0]
		for _, c := range row {
			cells = append(cells, cell{textCell, c})
		}
		if err := take(number, cells); errors.Is(err, errNoHeads) {
			return l.headless("")
		} else if err != nil {
			return err
		}
	}
}
