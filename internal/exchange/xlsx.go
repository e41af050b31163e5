package exchange

import (
	"archive/zip"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"math"
	"path"
	"regexp"
	"strconv"
	"strings"
	"time"

	"spindlebook/internal/fault"
)

// A workbook is read here and not by the library that writes ours: a row iterator
// gives the texts of cells, while leading zeros and dates need their types and
// formats, and those only with the whole sheet in memory.

// workbook is an XLSX file that was opened within the bounds.
type workbook struct {
	sheets   []part
	texts    []string // the table of texts
	formats  []format // by the style of a cell
	from1904 bool
	budget   *int64 // bytes that may still be unpacked
}

// part is a sheet of a workbook.
type part struct {
	name string
	file *zip.File
}

// format is how a style shows a number.
type format struct {
	date  bool
	zeros int // 00000 shows five digits
}

func tooBig(format string, args ...any) error {
	return &fault.Error{Kind: fault.TooLarge, Msg: fmt.Sprintf(format, args...)}
}

func unzipped() error {
	return tooBig("a workbook takes at most %d MiB when unpacked; this one holds more", maxUnzipped>>20)
}

func brokenWorkbook(err error) error {
	if _, ok := errors.AsType[*fault.Error](err); ok {
		return err
	}
	return &fault.Error{Kind: fault.Malformed, Msg: "the workbook cannot be read; save it again as XLSX: " + err.Error()}
}

// openWorkbook reads what a workbook says of its sheets, texts and formats.
func openWorkbook(file io.ReaderAt, size int64) (*workbook, error) {
	z, err := zip.NewReader(file, size)
	if err != nil {
		return nil, brokenWorkbook(err)
	}
	if len(z.File) > 4000 {
		return nil, tooBig("a workbook takes at most 4000 parts; this one has %d", len(z.File))
	}
	files := map[string]*zip.File{}
	declared := uint64(0)
	for _, f := range z.File {
		if declared += f.UncompressedSize64; declared > maxUnzipped {
			return nil, unzipped() // as it says itself; what it does not say is found while reading
		}
		files[strings.ToLower(strings.TrimPrefix(f.Name, "/"))] = f
	}
	budget := int64(maxUnzipped)
	w := &workbook{budget: &budget}
	targets := map[string]string{} // relation to part
	if err := w.walk(files["xl/_rels/workbook.xml.rels"], func(t xml.StartElement, _ *reader) error {
		if t.Name.Local == "Relationship" {
			to := attribute(t, "Target")
			if strings.HasPrefix(to, "/") {
				to = strings.TrimPrefix(to, "/")
			} else {
				to = path.Join("xl", to)
			}
			targets[attribute(t, "Id")] = strings.ToLower(to)
		}
		return nil
	}); err != nil {
		return nil, err
	}
	err = w.walk(files["xl/workbook.xml"], func(t xml.StartElement, _ *reader) error {
		switch t.Name.Local {
		case "workbookPr":
			w.from1904 = attribute(t, "date1904") == "1" || attribute(t, "date1904") == "true"
		case "sheet":
			f := files[targets[relation(t)]]
			if f == nil || !strings.Contains(strings.ToLower(f.Name), "worksheets/") { // a chart is no sheet of cells
				return nil
			}
			w.sheets = append(w.sheets, part{attribute(t, "name"), f})
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	switch {
	case len(w.sheets) == 0:
		return nil, &fault.Error{Kind: fault.Malformed, Msg: "the workbook has no sheet with cells"}
	case len(w.sheets) > maxSheets:
		return nil, tooBig("a workbook takes at most %d sheets; this one has %d", maxSheets, len(w.sheets))
	}
	if err := w.readFormats(files["xl/styles.xml"]); err != nil {
		return nil, err
	}
	return w, w.readTexts(files["xl/sharedstrings.xml"])
}

func attribute(t xml.StartElement, name string) string {
	for _, a := range t.Attr {
		if a.Name.Local == name && a.Name.Space == "" {
			return a.Value
		}
	}
	return ""
}

// relation is the attribute r:id, whatever its prefix is.
func relation(t xml.StartElement) string {
	for _, a := range t.Attr {
		if a.Name.Local == "id" && a.Name.Space != "" {
			return a.Value
		}
	}
	return ""
}

// reader walks through the tokens of a part within the bounds: of all that is
// unpacked, and of one token, which the decoder holds in memory.
type reader struct {
	r      io.ReadCloser
	dec    *xml.Decoder
	budget *int64
	token  int64
}

const maxToken = 1 << 20

func (r *reader) Read(p []byte) (int, error) {
	n, err := r.r.Read(p)
	if *r.budget -= int64(n); *r.budget < 0 {
		return 0, unzipped()
	}
	if r.token += int64(n); r.token > maxToken {
		return 0, tooBig("a cell takes at most %d characters; the workbook holds more in one place", maxCell)
	}
	return n, err
}

func (w *workbook) open(f *zip.File) (*reader, error) {
	rc, err := f.Open()
	if err != nil {
		return nil, brokenWorkbook(err)
	}
	r := &reader{r: rc, budget: w.budget}
	r.dec = xml.NewDecoder(r)
	r.dec.CharsetReader = func(charset string, in io.Reader) (io.Reader, error) {
		if strings.EqualFold(charset, "utf-8") || strings.EqualFold(charset, "us-ascii") {
			return in, nil
		}
		return nil, fmt.Errorf("its text is in %s and not in UTF-8", charset)
	}
	return r, nil
}

// next gives the next token; io.EOF ends them. It holds until the one after.
func (r *reader) next() (xml.Token, error) {
	r.token = 0
	t, err := r.dec.RawToken()
	if err != nil && !errors.Is(err, io.EOF) {
		err = brokenWorkbook(err)
	}
	return t, err
}

// walk calls fn for each start of an element in a part; a part that is not there has none.
func (w *workbook) walk(f *zip.File, fn func(t xml.StartElement, r *reader) error) error {
	if f == nil {
		return nil
	}
	r, err := w.open(f)
	if err != nil {
		return err
	}
	defer func() { _ = r.r.Close() }() // it was only read
	for {
		t, err := r.next()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		if s, ok := t.(xml.StartElement); ok {
			if err := fn(s, r); err != nil {
				return err
			}
		}
	}
}

var (
	quotedText  = regexp.MustCompile(`"[^"]*"|\\.|\[[^\]]*\]|_.`)
	showsZeros  = regexp.MustCompile(`^0+$`)
	builtinDate = map[int]bool{14: true, 15: true, 16: true, 17: true, 18: true, 19: true, 20: true, 21: true, 22: true,
		27: true, 28: true, 29: true, 30: true, 31: true, 36: true, 45: true, 46: true, 47: true, 50: true, 57: true}
)

// readFormats learns from the styles which numbers are dates.
func (w *workbook) readFormats(f *zip.File) error {
	codes := map[int]string{}
	inCells := false
	return w.walk(f, func(t xml.StartElement, _ *reader) error {
		switch t.Name.Local {
		case "numFmt":
			id, _ := strconv.Atoi(attribute(t, "numFmtId"))
			codes[id] = attribute(t, "formatCode")
		case "cellStyleXfs", "cellStyles", "dxfs":
			inCells = false
		case "cellXfs":
			inCells = true
		case "xf":
			if !inCells {
				return nil
			}
			if len(w.formats) > 70_000 {
				return tooBig("a workbook takes at most 70000 styles")
			}
			id, _ := strconv.Atoi(attribute(t, "numFmtId"))
			it := format{date: builtinDate[id]}
			if code, ok := codes[id]; ok {
				first, _, _ := strings.Cut(quotedText.ReplaceAllString(code, ""), ";")
				it.date = strings.ContainsAny(strings.ToLower(first), "ydmh") && !strings.ContainsAny(first, "0#?")
				if strings.Contains(strings.ToLower(first), "s") && strings.ContainsAny(strings.ToLower(first), "hm") {
					it.date = true // a time with fractions of seconds has a 0 in it
				}
				if showsZeros.MatchString(first) {
					it.zeros = len(first)
				}
			}
			w.formats = append(w.formats, it)
		}
		return nil
	})
}

// readTexts reads the table of texts that cells point into.
func (w *workbook) readTexts(f *zip.File) error {
	held := 0
	return w.walk(f, func(t xml.StartElement, r *reader) error {
		if t.Name.Local != "si" {
			return nil
		}
		s, err := r.richText("si")
		if err != nil {
			return err
		}
		if held += len(s) + 16; held > maxTexts {
			return tooBig("a workbook takes at most %d MiB of texts; this one holds more", maxTexts>>20)
		}
		w.texts = append(w.texts, s)
		return nil
	})
}

var escaped = regexp.MustCompile(`_x[0-9A-Fa-f]{4}_`)

// unescape reads the characters that XML cannot hold: _x000D_.
func unescape(s string) string {
	if !strings.Contains(s, "_x") {
		return s
	}
	return escaped.ReplaceAllStringFunc(s, func(e string) string {
		n, err := strconv.ParseUint(e[2:6], 16, 16)
		if err != nil || n == 0 {
			return ""
		}
		return string(rune(n))
	})
}

// richText reads the text of an element to its end: its runs joined, what is
// only for pronunciation left out.
func (r *reader) richText(until string) (string, error) {
	var b strings.Builder
	text, spoken := false, 0
	for {
		t, err := r.next()
		if errors.Is(err, io.EOF) {
			return "", brokenWorkbook(io.ErrUnexpectedEOF)
		}
		if err != nil {
			return "", err
		}
		switch t := t.(type) {
		case xml.StartElement:
			switch t.Name.Local {
			case "t":
				text = true
			case "rPh":
				spoken++
			}
		case xml.EndElement:
			switch t.Name.Local {
			case "t":
				text = false
			case "rPh":
				spoken--
			case until:
				return unescape(b.String()), nil
			}
		case xml.CharData:
			if text && spoken == 0 {
				b.Write(t)
				if b.Len() > 4*maxCell {
					return "", tooBig("a cell takes at most %d characters", maxCell)
				}
			}
		}
	}
}

// column reads the letters of A1, from 0.
func column(ref string) int {
	n := 0
	for _, c := range ref {
		if c < 'A' || c > 'Z' {
			break
		}
		if n = n*26 + int(c-'A') + 1; n > 1<<15 {
			return 1 << 15
		}
	}
	return n - 1
}

// letters writes a column, from 0, as a spreadsheet does.
func letters(n int) string {
	s := ""
	for n++; n > 0; n = (n - 1) / 26 {
		s = string(rune('A'+(n-1)%26)) + s
	}
	return s
}

// rows calls fn for each row of a sheet that has a cell, with its number. The
// cells are good until fn returns.
func (w *workbook) rows(sheet part, fn func(number int, cells []cell) error) error {
	number, cells := 0, make([]cell, 0, 32)
	var at int
	open := false
	flush := func() error {
		if !open {
			return nil
		}
		open = false
		return fn(number, cells)
	}
	err := w.walk(sheet.file, func(t xml.StartElement, r *reader) error {
		switch t.Name.Local {
		case "row":
			if err := flush(); err != nil {
				return err
			}
			cells, at, open = cells[:0], -1, true
			if number++; number > 1<<20 {
				return tooBig("a sheet takes at most %d rows, blank ones too", 1<<20)
			}
			if n, err := strconv.Atoi(attribute(t, "r")); err == nil {
				if n < number || n > 1<<20 {
					return brokenWorkbook(fmt.Errorf("row %d stands behind row %d", n, number-1))
				}
				number = n
			}
		case "c":
			at++
			if ref := attribute(t, "r"); ref != "" {
				n := column(ref)
				if n < at {
					return brokenWorkbook(fmt.Errorf("cell %s is out of order", ref))
				}
				at = n
			}
			if at >= 1<<14 {
				return brokenWorkbook(fmt.Errorf("row %d has too many cells", number))
			}
			it, err := w.readCell(t, r)
			if err != nil || it.text == "" || !open {
				return err
			}
			if at >= maxColumns {
				return &fault.Error{Kind: fault.Invalid, Msg: fmt.Sprintf("a row takes at most %d cells; row %d of the sheet %q has more", maxColumns, number, sheet.name)}
			}
			for len(cells) < at {
				cells = append(cells, cell{})
			}
			cells = append(cells, it)
		}
		return nil
	})
	if err != nil {
		return err
	}
	return flush()
}

// readCell reads a cell to its end.
func (w *workbook) readCell(start xml.StartElement, r *reader) (cell, error) {
	kind := attribute(start, "t")
	var value, inline string
	inValue := false
	for {
		t, err := r.next()
		if errors.Is(err, io.EOF) {
			return cell{}, brokenWorkbook(io.ErrUnexpectedEOF)
		}
		if err != nil {
			return cell{}, err
		}
		switch t := t.(type) {
		case xml.StartElement:
			switch t.Name.Local {
			case "v":
				inValue = true
			case "is":
				if inline, err = r.richText("is"); err != nil {
					return cell{}, err
				}
			}
		case xml.EndElement:
			switch t.Name.Local {
			case "v":
				inValue = false
			case "c":
				return w.cell(kind, attribute(start, "s"), value, inline)
			}
		case xml.CharData:
			if inValue {
				if value += string(t); len(value) > 4*maxCell {
					return cell{}, tooBig("a cell takes at most %d characters", maxCell)
				}
			}
		}
	}
}

func (w *workbook) cell(kind, style, value, inline string) (cell, error) {
	switch kind {
	case "s":
		n, err := strconv.Atoi(value)
		if err != nil || n < 0 || n >= len(w.texts) {
			return cell{}, brokenWorkbook(fmt.Errorf("a cell points at text %q, which is not there", value))
		}
		return cell{textCell, w.texts[n]}, nil
	case "inlineStr":
		return cell{textCell, inline}, nil
	case "str":
		return cell{textCell, unescape(value)}, nil
	case "b":
		if value == "1" {
			return cell{boolCell, "yes"}, nil
		}
		return cell{boolCell, "no"}, nil
	case "e":
		return cell{errorCell, value}, nil
	case "d":
		return cell{dateCell, strings.TrimSuffix(value, "Z")}, nil
	}
	if value == "" {
		return cell{}, nil
	}
	f, err := strconv.ParseFloat(value, 64)
	if err != nil || math.IsInf(f, 0) || math.IsNaN(f) {
		return cell{textCell, value}, nil
	}
	n, err := strconv.Atoi(style)
	var shown format
	if err == nil && n >= 0 && n < len(w.formats) {
		shown = w.formats[n]
	}
	if shown.date {
		if text, ok := serialDate(f, w.from1904); ok {
			return cell{dateCell, text}, nil
		}
	}
	if f == math.Trunc(f) && math.Abs(f) < 1e15 {
		value = strconv.FormatFloat(f, 'f', 0, 64)
		for len(value) < shown.zeros {
			value = "0" + value
		}
	} else {
		value = strconv.FormatFloat(f, 'f', -1, 64)
	}
	return cell{numberCell, value}, nil
}

// serialDate turns a day number of a spreadsheet into a date. In the usual count
// 1 is the first of January 1900, and 60 a 29 February that year did not have.
func serialDate(f float64, from1904 bool) (string, bool) {
	base := time.Date(1899, 12, 30, 0, 0, 0, 0, time.UTC)
	if from1904 {
		base = time.Date(1904, 1, 1, 0, 0, 0, 0, time.UTC)
	} else if f < 61 {
		return "", false // a time of day, or within the two months in which the count is wrong
	}
	if f < 1 || f > 109_000 {
		return "", false
	}
	days := math.Floor(f)
	ms := int64(math.Round((f - days) * 86_400_000))
	t := base.AddDate(0, 0, int(days)).Add(time.Duration(ms) * time.Millisecond)
	if ms == 0 {
		return t.Format(time.DateOnly), true
	}
	return t.Format("2006-01-02T15:04:05.999"), true
}
