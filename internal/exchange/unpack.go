package exchange

import (
	"bufio"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"spindlebook/internal/fault"
)

// sheet is a sheet that was recognised, with where its rows lie in the spool.
type sheet struct {
	number  int
	name    string
	kind    *sheetKind
	heading int            // the row of its heads
	columns []found        // by place
	place   map[string]int // of a column, by its name
	begin   int64          // in the spool
	end     int64
	rows    int
}

// found is what stands at the head of a column.
type found struct {
	head  head
	known bool
	typed string // the heading as it is in the file
	unit  string // that the heading names
}

// unpacked is a file taken apart: its rows in a spool, and what it shows of how
// it writes numbers and dates.
type unpacked struct {
	format string // csv or xlsx
	sheets []*sheet
	spool  *os.File
	signs  signs
	order  order
	notes  []string
	rows   int
	size   int64 // of the spool
	w      *bufio.Writer
	said   *sayings
	kind   *sheetKind // that somebody named, or nil
}

func (u *unpacked) close() {
	if u.spool != nil {
		_ = u.spool.Close() // nothing in it is wanted any more
	}
}

// unpack takes a file apart within the bounds.
func unpack(file io.ReaderAt, size int64, o Options, said *sayings) (*unpacked, error) {
	if size == 0 {
		return nil, &fault.Error{Kind: fault.Malformed, Msg: "the file is empty"}
	}
	if size > MaxFile {
		return nil, tooBig("a file takes at most %d MiB", MaxFile>>20)
	}
	u := &unpacked{said: said, order: order{told: o.Dates}}
	if o.Kind != "" {
		if u.kind = kindOf(o.Kind); u.kind == nil {
			return nil, fault.Field("kind", o.Kind, "is one of %s", strings.Join(Kinds(), ", "))
		}
	}
	spool, err := temporary()
	if err != nil {
		return nil, err
	}
	u.spool, u.w = spool, bufio.NewWriterSize(spool, 256<<10)
	head := make([]byte, 8)
	n, err := file.ReadAt(head, 0)
	if err != nil && !errors.Is(err, io.EOF) {
		u.close()
		return nil, err
	}
	switch head = head[:n]; {
	case strings.HasPrefix(string(head), "PK\x03\x04"):
		u.format = "xlsx"
		err = u.unpackWorkbook(file, size)
	case strings.HasPrefix(string(head), "\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"):
		err = &fault.Error{Kind: fault.Malformed, Msg: "the file is an old XLS workbook or one with a password; save it as XLSX without a password"}
	default:
		u.format = "csv"
		err = u.unpackCSV(file, size)
	}
	if err == nil {
		err = u.w.Flush()
	}
	if err == nil && len(u.sheets) == 0 && said.errors == 0 {
		err = &fault.Error{Kind: fault.Invalid, Msg: "nothing in the file was recognised as " + strings.Join(Kinds(), ", ") + "; its heads must be words like those of an export"}
	}
	if err != nil {
		u.close()
		return nil, err
	}
	if u.signs.comma && u.signs.point {
		u.notes = append(u.notes, "The file writes both 12,5 and 12.5; each number was read by itself, and what can be read two ways was refused.")
	} else if u.signs.comma {
		u.notes = append(u.notes, "The decimal sign of the file is the comma.")
	}
	switch {
	case u.order.told == "" && u.order.dayFirst && u.order.monthFirst:
		u.notes = append(u.notes, "The file writes dates both with the day and with the month first; those that can be read two ways were refused.")
	case u.order.told == "" && u.order.dayFirst:
		u.notes = append(u.notes, "Dates like 3/5/2024 were read with the day first, as others in the file show.")
	case u.order.told == "" && u.order.monthFirst:
		u.notes = append(u.notes, "Dates like 3/5/2024 were read with the month first, as others in the file show.")
	}
	return u, nil
}

func (u *unpacked) unpackCSV(file io.ReaderAt, size int64) error {
	r, encoding, err := decoded(file, size)
	if err != nil {
		return err
	}
	if encoding != "" {
		u.notes = append(u.notes, "The file is not in UTF-8; it was read as "+encoding+".")
	}
	t, err := openCSV(r, func(rows [][]string) int {
		_, f, _ := recognise(rows, u.kind)
		return f.known
	})
	if err != nil {
		return err
	}
	in := &intake{u: u, name: "", named: u.kind}
	for number := 1; ; number++ {
		row, err := t.next()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return atRow(err, number)
		}
		cells := make([]cell, len(row))
		for i, c := range row {
			cells[i] = cell{textCell, c}
		}
		if err := in.take(number, cells); err != nil {
			return err
		}
	}
	return in.finish()
}

func atRow(err error, number int) error {
	if f, ok := errors.AsType[*fault.Error](err); ok && f.Field == "" {
		f.Msg = fmt.Sprintf("row %d: %s", number, f.Msg)
	}
	return err
}

func (u *unpacked) unpackWorkbook(file io.ReaderAt, size int64) error {
	w, err := openWorkbook(file, size)
	if err != nil {
		return err
	}
	for _, p := range w.sheets {
		named := kindOf(p.name)
		if u.kind != nil && len(w.sheets) == 1 {
			named = u.kind
		}
		in := &intake{u: u, name: p.name, named: named}
		if err := w.rows(p, in.take); err != nil {
			return err
		}
		if err := in.finish(); err != nil {
			return err
		}
	}
	return nil
}

// intake takes the rows of one sheet: the first ones until its heads are found.
type intake struct {
	u      *unpacked
	name   string
	named  *sheetKind
	waits  []waiting
	sheet  *sheet
	looked bool
}

type waiting struct {
	number int
	cells  []cell
}

func (in *intake) take(number int, cells []cell) error {
	if blank(cells) {
		return nil
	}
	if in.looked {
		return in.put(number, cells)
	}
	in.waits = append(in.waits, waiting{number, append([]cell(nil), cells...)})
	if len(in.waits) >= sniffed {
		return in.look()
	}
	return nil
}

func blank(cells []cell) bool {
	for _, c := range cells {
		if c.kind != textCell || trim(c.text) != "" {
			return false
		}
	}
	return true
}

// trim takes blanks of any kind off both ends.
func trim(s string) string { return strings.Trim(s, " \t\r\n\v\f\u00a0\u202f\u2007\ufeff") }

// look finds the heads among the rows that wait, and lets the others go on.
func (in *intake) look() error {
	in.looked = true
	if len(in.waits) == 0 {
		return nil
	}
	rows := make([][]string, len(in.waits))
	for i, w := range in.waits {
		rows[i] = make([]string, len(w.cells))
		for j, c := range w.cells {
			rows[i][j] = c.text
		}
	}
	at, best, rival := recognise(rows, in.named)
	s := &sheet{number: len(in.u.sheets), name: in.name, place: map[string]int{}, begin: in.u.size}
	switch {
	case in.named == nil && (at < 0 || !best.whole && best.known < 3):
		// a sheet of notes, or one whose heads say nothing
		if in.u.format == "csv" {
			return &fault.Error{Kind: fault.Invalid, Field: "kind", Msg: fmt.Sprintf("cannot be told: none of the first %d rows has heads that are known; name the kind, or write heads like those of an export", len(in.waits))}
		}
		in.u.said.warn(saying{order: len(in.u.sheets), sheet: in.name, row: in.waits[0].number, rule: "sheet_not_read", says: "was not recognised and not read"})
		return nil
	case at < 0:
		in.u.said.err(saying{order: len(in.u.sheets), sheet: in.title(in.named), row: in.waits[0].number, rule: "no_heads", says: "has no row of heads that are known for " + in.named.name})
		return nil
	case rival != nil && in.named == nil:
		in.u.said.err(saying{order: len(in.u.sheets), sheet: in.title(best.kind), row: in.waits[at].number, rule: "kind_unclear",
			says: fmt.Sprintf("could be %s and %s by its heads; name the sheet, or the kind of the file", best.kind.name, rival.name)})
		return nil
	}
	s.kind, s.heading, s.name = best.kind, in.waits[at].number, in.title(best.kind)
	blame := func(place int, typed, rule, says string) {
		in.u.said.err(saying{order: s.number, sheet: s.name, row: s.heading, place: place + 1, column: typed, value: typed, rule: rule, says: says})
	}
	for i, c := range in.waits[at].cells {
		typed := trim(c.text)
		f := found{typed: typed}
		if typed != "" {
			f.head, f.unit, f.known = s.kind.find(typed)
			_, twice := s.place[f.head.name]
			switch {
			case !f.known:
				blame(i, typed, "unknown_column", fmt.Sprintf("is no column of %s; the nearest is %q", s.kind.name, s.kind.nearest(typed)))
			case twice:
				blame(i, typed, "column_twice", fmt.Sprintf("stands there twice: %q is column %s too", f.head.name, letters(s.place[f.head.name])))
				f.known = false
			default:
				s.place[f.head.name] = i
			}
		}
		s.columns = append(s.columns, f)
	}
	for _, h := range s.kind.heads {
		if _, there := s.place[h.name]; h.need && !there {
			in.u.said.err(saying{order: s.number, sheet: s.name, row: s.heading, rule: "column_missing", says: fmt.Sprintf("has no column %q, which %s need", h.name, s.kind.name)})
		}
	}
	in.sheet = s
	in.u.sheets = append(in.u.sheets, s)
	for _, w := range in.waits[at+1:] {
		if err := in.put(w.number, w.cells); err != nil {
			return err
		}
	}
	in.waits = nil
	return nil
}

// title is the name under which faults speak of the sheet.
func (in *intake) title(k *sheetKind) string {
	if in.name != "" {
		return in.name
	}
	return k.name
}

// put writes a row to the spool and looks at how it writes numbers and dates.
func (in *intake) put(number int, cells []cell) error {
	s, u := in.sheet, in.u
	if s == nil {
		return nil
	}
	if u.rows++; u.rows > MaxRows {
		return tooBig("a file takes at most %d rows; send it in parts", MaxRows)
	}
	s.rows++
	for i := range cells {
		c := &cells[i]
		if c.text = trim(c.text); c.text == "" {
			continue
		}
		for len(s.columns) <= i {
			s.columns = append(s.columns, found{})
		}
		f := &s.columns[i]
		if f.typed == "" {
			f.typed = "-" // said once
			u.said.warn(saying{order: s.number, sheet: s.name, row: number, place: i + 1, value: c.text, rule: "no_heading", says: "stands in a column without a heading; that column was not read"})
		}
		if c.kind == textCell && f.known {
			switch f.head.as {
			case asWhole, asNumber, asLength, asSpeed, asValue:
				u.signs.see(c.text)
			case asDate, asDated:
				u.order.see(c.text)
			}
		}
	}
	var buf [2 * binary.MaxVarintLen64]byte
	write := func(n int, text string) error {
		if _, err := u.w.Write(buf[:n]); err != nil {
			return err
		}
		_, err := u.w.WriteString(text)
		u.size += int64(n + len(text))
		return err
	}
	n := binary.PutUvarint(buf[:], uint64(number))
	if err := write(n+binary.PutUvarint(buf[n:], uint64(len(cells))), ""); err != nil {
		return err
	}
	for _, c := range cells {
		buf[0] = c.kind
		if err := write(1+binary.PutUvarint(buf[1:], uint64(len(c.text))), c.text); err != nil {
			return err
		}
	}
	return nil
}

func (in *intake) finish() error {
	if !in.looked {
		if err := in.look(); err != nil {
			return err
		}
	}
	if in.sheet != nil {
		in.sheet.end = in.u.size
	}
	return nil
}

// spooled reads the rows of a sheet back.
type spooled struct {
	r     *bufio.Reader
	cells []cell
	buf   []byte
}

func (s *sheet) reader(u *unpacked) *spooled {
	return &spooled{r: bufio.NewReaderSize(io.NewSectionReader(u.spool, s.begin, s.end-s.begin), 256<<10)}
}

// next gives the next row; its cells hold until the one after.
func (r *spooled) next() (int, []cell, error) {
	number, err := binary.ReadUvarint(r.r)
	if err != nil {
		return 0, nil, err
	}
	n, err := binary.ReadUvarint(r.r)
	if err != nil {
		return 0, nil, err
	}
	r.cells = r.cells[:0]
	for range n {
		kind, err := r.r.ReadByte()
		if err != nil {
			return 0, nil, err
		}
		size, err := binary.ReadUvarint(r.r)
		if err != nil {
			return 0, nil, err
		}
		if uint64(cap(r.buf)) < size {
			r.buf = make([]byte, size)
		}
		b := r.buf[:size]
		if _, err := io.ReadFull(r.r, b); err != nil {
			return 0, nil, err
		}
		r.cells = append(r.cells, cell{kind, string(b)})
	}
	return int(number), r.cells, nil
}
