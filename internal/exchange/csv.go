package exchange

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"strings"
	"unicode/utf8"

	"golang.org/x/text/encoding/charmap"
	"golang.org/x/text/encoding/unicode"

	"spindlebook/internal/fault"
)

// Bounds of what is read. Each stands in the answer that refuses more.
const (
	MaxFile     = 64 << 20  // bytes of a file as it is sent
	MaxRows     = 200_000   // rows of a file, all its sheets together
	maxColumns  = 256       // of a sheet
	maxCell     = 32_767    // characters of a cell, as spreadsheets have it
	maxUnzipped = 256 << 20 // bytes of a workbook unpacked
	maxTexts    = 64 << 20  // bytes of its table of texts, which is held in memory
	maxSheets   = 50
)

// cell is what stands in one place of a sheet.
type cell struct {
	kind byte // one of those below
	text string
}

const (
	textCell   byte = iota
	numberCell      // text is what the cell shows
	dateCell        // text is an ISO date, perhaps with a time
	boolCell        // text is yes or no
	errorCell       // text is what the spreadsheet shows, such as #N/A
)

// decoded gives a file of text as UTF-8, and the name of its encoding where that
// is not UTF-8. It reads the file twice: first to see whether it is UTF-8.
func decoded(file io.ReaderAt, size int64) (io.Reader, string, error) {
	whole := func() *io.SectionReader { return io.NewSectionReader(file, 0, size) }
	head := make([]byte, min(size, 4))
	if _, err := whole().ReadAt(head, 0); err != nil && !errors.Is(err, io.EOF) {
		return nil, "", err
	}
	switch {
	case strings.HasPrefix(string(head), "\xef\xbb\xbf"):
		return io.NewSectionReader(file, 3, size-3), "", nil
	case strings.HasPrefix(string(head), "\xff\xfe"), strings.HasPrefix(string(head), "\xfe\xff"):
		return unicode.UTF16(unicode.LittleEndian, unicode.ExpectBOM).NewDecoder().Reader(whole()), "UTF-16", nil
	}
	r := bufio.NewReaderSize(whole(), 64<<10)
	for {
		c, n, err := r.ReadRune()
		if errors.Is(err, io.EOF) {
			return whole(), "", nil
		}
		if err != nil {
			return nil, "", err
		}
		if c == utf8.RuneError && n == 1 {
			return charmap.Windows1252.NewDecoder().Reader(whole()), "Windows-1252", nil
		}
	}
}

// table reads rows of separated values. Unlike encoding/csv it keeps blank lines,
// so that a row has the number that a spreadsheet shows, and is as lenient as
// spreadsheets are with quotes within a value.
type table struct {
	r     *bufio.Reader
	comma rune
}

// next gives the cells of the next row; io.EOF ends them.
func (t table) next() ([]string, error) {
	var row []string
	var b strings.Builder
	chars, quoted, begun := 0, false, false
	put := func(c rune) error {
		if chars++; chars > maxCell {
			return &fault.Error{Kind: fault.Invalid, Msg: fmt.Sprintf("a cell takes at most %d characters; is a quotation mark left open?", maxCell)}
		}
		if c == 0 {
			return &fault.Error{Kind: fault.Malformed, Msg: "text must not hold a zero byte; is this a CSV file?"}
		}
		b.WriteRune(c)
		return nil
	}
	end := func() error {
		if row = append(row, b.String()); len(row) > maxColumns {
			return &fault.Error{Kind: fault.Invalid, Msg: fmt.Sprintf("a row takes at most %d cells", maxColumns)}
		}
		b.Reset()
		chars = 0
		return nil
	}
	atStart, any := true, false
	for {
		c, _, err := t.r.ReadRune()
		if errors.Is(err, io.EOF) {
			if !any {
				return nil, io.EOF
			}
			return row, end()
		}
		if err != nil {
			return nil, err
		}
		any = true
		switch {
		case quoted && c == '"':
			next, _, err := t.r.ReadRune()
			switch {
			case err == nil && next == '"':
				if err := put('"'); err != nil {
					return nil, err
				}
			case err == nil:
				quoted = false
				_ = t.r.UnreadRune() // the last read was a rune
			case errors.Is(err, io.EOF):
				quoted = false
			default:
				return nil, err
			}
			continue
		case quoted:
			if err := put(c); err != nil {
				return nil, err
			}
			continue
		case c == '"' && atStart && !begun:
			quoted, begun = true, true
			continue
		case c == t.comma:
			if err := end(); err != nil {
				return nil, err
			}
			atStart, begun = true, false
			continue
		case c == '\n':
			return row, end()
		case c == '\r':
			if next, _, err := t.r.ReadRune(); err == nil && next != '\n' {
				_ = t.r.UnreadRune() // the last read was a rune
			}
			return row, end()
		}
		atStart = false
		if err := put(c); err != nil {
			return nil, err
		}
	}
}

// sniffed is how many rows are looked at to find the separator and the heads.
const sniffed = 40

// openCSV finds the separator of a text: the one by which its first rows have
// heads that are known, or else the most cells. A line "sep=;" says it.
func openCSV(r io.Reader, known func(rows [][]string) int) (table, error) {
	buf := bufio.NewReaderSize(r, 256<<10)
	if line, err := buf.Peek(6); err == nil && strings.EqualFold(string(line[:4]), "sep=") && (line[5] == '\n' || line[5] == '\r') {
		comma := rune(line[4])
		if _, err := buf.ReadString('\n'); err != nil && !errors.Is(err, io.EOF) {
			return table{}, err
		}
		return table{buf, comma}, nil
	}
	head, err := buf.Peek(128 << 10)
	if err != nil && !errors.Is(err, io.EOF) && !errors.Is(err, bufio.ErrBufferFull) {
		return table{}, err
	}
	best, bestScore := ',', -1
	for _, comma := range []rune{';', ',', '\t', '|'} {
		t := table{bufio.NewReader(strings.NewReader(string(head))), comma}
		var rows [][]string
		cells := 0
		for len(rows) < sniffed {
			row, err := t.next()
			if err != nil {
				break
			}
			rows = append(rows, row)
			cells += len(row) - 1
		}
		if score := known(rows)*1_000_000 + cells; score > bestScore {
			best, bestScore = comma, score
		}
	}
	return table{buf, best}, nil
}
