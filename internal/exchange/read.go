package exchange

import (
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/jackc/pgx/v5/pgtype"

	"spindlebook/internal/ident"
	"spindlebook/internal/measure"
	"spindlebook/internal/pgdb"
)

// known is what the record knows by name: kinds of fact and position, classes.
type known struct {
	facts     map[string]factKind // by squeezed code and name
	positions map[string]string
	classes   map[string]string
	zones     pgdb.Zones
}

type factKind struct {
	Code, Name, Takes string
	Choices           []string
}

// staged is a column of a staging table.
type staged struct{ name, is string }

// staging gives the columns of the staging table of a kind.
func (k *sheetKind) staging() []staged {
	all := []staged{{"sheet", "smallint"}, {"row", "integer"}, {"bad", "boolean"}, {"derived", "boolean"}, {"new_id", "uuid"}}
	for _, h := range k.heads {
		c := h.column()
		switch h.as {
		case asYes:
			all = append(all, staged{c, "boolean"})
		case asWhole:
			all = append(all, staged{c, "bigint"})
		case asNumber:
			all = append(all, staged{c, "double precision"})
		case asLength, asSpeed:
			all = append(all, staged{c + "_si", "double precision"}, staged{c + "_typed", "text"})
		case asDate, asDated:
			all = append(all, staged{c + "_local", "timestamp"}, staged{c + "_at", "timestamptz"}, staged{c + "_prec", "text"}, staged{c + "_typed", "text"})
		case asList:
			all = append(all, staged{c, "text[]"})
		case asValue:
			all = append(all, staged{c, "text"}, staged{c + "_mm", "double precision"})
		default:
			all = append(all, staged{c, "text"})
		}
	}
	return all
}

func columnNames(all []staged) []string {
	names := make([]string, len(all))
	for i, c := range all {
		names[i] = c.name
	}
	return names
}

// source feeds the rows of one sheet to a staging table. It reads the cells of
// a row into values; what cannot be read is said, and the row marked.
type source struct {
	told  func() // hears of each row
	u     *unpacked
	sheet *sheet
	kind  *sheetKind // of the staging table
	known known
	said  *sayings
	now   time.Time
	// a kind that is only part of what the sheet holds, with the heads it takes
	derived map[string]string
	rows    *spooled
	number  int
	cells   []cell
	values  []any
	bad     bool
	fact    *factKind
	err     error
}

func (s *source) Err() error             { return s.err }
func (s *source) Values() ([]any, error) { return s.values, nil }

func (s *source) Next() bool {
	if s.rows == nil {
		s.rows = s.sheet.reader(s.u)
	}
	for {
		number, cells, err := s.rows.next()
		if err != nil {
			if !errors.Is(err, io.EOF) {
				s.err = err
			}
			return false
		}
		s.number, s.cells = number, cells
		s.told()
		if s.read() {
			return true
		}
	}
}

// cell gives the cell under a head of the target's kind.
func (s *source) cell(h head) (c cell, place int, there bool) {
	name := h.name
	if s.derived != nil {
		if name = s.derived[h.name]; name == "" {
			return cell{}, 0, false
		}
	}
	place, there = s.sheet.place[name]
	if !there || place >= len(s.cells) {
		return cell{}, place, false
	}
	return s.cells[place], place, true
}

func (s *source) blame(place int, value, rule, says string, args ...any) {
	s.bad = true
	if s.derived == nil {
		s.said.err(saying{order: s.sheet.number, sheet: s.sheet.name, row: s.number, place: place + 1, column: s.sheet.columns[place].typed, value: value, rule: rule, says: fmt.Sprintf(says, args...)})
	}
}

func (s *source) warn(place int, value, rule, says string) {
	if s.derived == nil {
		s.said.warn(saying{order: s.sheet.number, sheet: s.sheet.name, row: s.number, place: place + 1, column: s.sheet.columns[place].typed, value: value, rule: rule, says: says})
	}
}

// read turns the row into values; false leaves it out.
func (s *source) read() bool {
	s.values, s.bad, s.fact = s.values[:0], false, nil
	id := pgdb.NewID()
	s.values = append(s.values, int16(s.sheet.number), int32(s.number), false, s.derived != nil, pgtype.UUID{Bytes: id, Valid: true})
	blank := true
	for _, h := range s.kind.heads {
		c, place, there := s.cell(h)
		if there && c.text != "" && (h.as != asCode || h.name != "unit tag" && h.name != "site") {
			blank = false
		}
		if h.need && c.text == "" {
			s.bad = true // where the whole column is missing, that was said once
			if s.derived == nil && s.sheet.has(h.name) {
				s.blame(s.sheet.place[h.name], "", "needed", "is needed in every row")
			}
		}
		s.one(h, c, place)
	}
	s.values[2] = s.bad
	return s.derived == nil || !blank
}

func (s *sheet) has(name string) bool { _, ok := s.place[name]; return ok }

func (s *source) add(values ...any) { s.values = append(s.values, values...) }

// one adds the values of one cell.
func (s *source) one(h head, c cell, place int) {
	t := c.text
	if c.kind == errorCell {
		s.blame(place, t, "cell_error", "is an error of the spreadsheet; mend the formula, or leave the cell blank")
		t = ""
	}
	if c.kind == dateCell && h.as != asDate && h.as != asDated && t != "" {
		s.blame(place, t, "became_a_date", "is a date in the sheet: the spreadsheet made one of what was typed; give the cell the format Text and type it again")
		t = ""
	}
	if !utf8.ValidString(t) || strings.ContainsRune(t, 0) {
		s.blame(place, "", "not_text", "holds characters that are no text")
		t = ""
	}
	if len(t) > 1 && t[0] == '\'' && strings.IndexByte("=+-@'\t\r", t[1]) >= 0 {
		t = t[1:] // how an export keeps a spreadsheet from computing it
	}
	switch h.as {
	case asDate, asDated:
		s.date(h, c, t, place)
	case asWhole, asNumber:
		s.figure(h, c, t, place)
	case asLength, asSpeed:
		s.measured(h, t, place)
	case asValue:
		s.value(t, place)
	case asYes:
		s.yes(t, place)
	case asList:
		s.list(t, place)
	default:
		s.word(h, c, t, place)
	}
}

func (s *source) word(h head, c cell, t string, place int) {
	if t == "" {
		s.add(nil)
		return
	}
	bad := func(rule, says string, args ...any) {
		s.blame(place, t, rule, says, args...)
		s.add(nil)
	}
	switch h.as {
	case asSerial:
		if saysUnknown(t) {
			s.add(nil)
			return
		}
		if c.kind == numberCell {
			s.warn(place, t, "serial_was_a_number", "is a number in the sheet and was taken as it is shown; leading zeros may be lost")
		}
		fallthrough
	case asText:
		if utf8.RuneCountInString(t) > 2000 {
			bad("too_long", "takes at most 2000 characters")
			return
		}
		if h.form != nil && !h.form.MatchString(t) {
			bad("form", "%s", h.says)
			return
		}
		s.add(t)
	case asCode:
		if saysUnknown(t) && !h.need {
			s.add(nil)
			return
		}
		if t = strings.ToUpper(t); !h.form.MatchString(t) {
			bad("form", "%s", h.says)
			return
		}
		if h.name == "unit tag" && !ident.Sound(t) {
			bad("label", "is not one of our labels: its last character does not check; read it again")
			return
		}
		s.add(t)
	case asChoice, asHow:
		choices, says := h.choices, h.says
		if h.as == asHow {
			choices, says = hows, "is one of measured, read off plate, seen, told, drawing, assumed"
		}
		if saysUnknown(t) && !h.need {
			s.add(nil)
			return
		}
		for _, c := range choices {
			if squeeze(c) == squeeze(t) {
				s.add(c)
				return
			}
		}
		bad("choice", "%s", says)
	case asZone:
		if !s.known.zones.Know(t) {
			bad("zone", "is the name of an IANA time zone, such as America/Chicago")
			return
		}
		s.add(t)
	case asClock:
		for _, form := range []string{"15:04", "15:04:05", "3:04 PM", "3 PM", "15.04"} {
			if at, err := time.Parse(form, strings.ToUpper(t)); err == nil {
				s.add(at.Format("15:04"))
				return
			}
		}
		bad("clock", "is a time of day, such as 03:00")
	case asPosKind:
		k, ok := s.known.positions[squeeze(t)]
		if !ok {
			bad("position_kind", "names no kind of position")
			return
		}
		s.add(k)
	case asClass:
		k, ok := s.known.classes[squeeze(t)]
		if !ok {
			bad("class", "names no class of component")
			return
		}
		s.add(k)
	case asFact:
		k, ok := s.known.facts[squeeze(t)]
		if !ok {
			bad("fact_kind", "names no kind of fact")
			return
		}
		s.fact = &k
		s.add(k.Code)
	default:
		s.add(t)
	}
}

func (s *source) yes(t string, place int) {
	switch strings.ToLower(t) {
	case "", "unknown", "?":
		s.add(nil)
	case "yes", "y", "x", "true", "1", "ja", "wahr":
		s.add(true)
	case "no", "n", "false", "0", "nein", "falsch", "-":
		s.add(false)
	default:
		s.blame(place, t, "yes_or_no", "is yes or no")
		s.add(nil)
	}
}

func (s *source) figure(h head, c cell, t string, place int) {
	if t == "" || saysUnknown(t) {
		s.add(nil)
		return
	}
	signs := s.u.signs
	if c.kind == numberCell {
		signs = pointOnly
	}
	f, bad := readNumber(t, signs)
	if bad == "" && h.as == asWhole && (f != float64(int64(f)) || f > 1e15 || f < -1e15) {
		bad = "is no whole number"
	}
	if bad != "" {
		rule := "number"
		if strings.HasPrefix(bad, "can be read") {
			rule = "number_ambiguous"
		}
		s.blame(place, t, rule, "%s", bad)
		s.add(nil)
		return
	}
	if h.as == asWhole {
		s.add(int64(f))
	} else {
		s.add(f)
	}
}

// pointOnly is how the file itself keeps the numbers of a workbook.
var pointOnly = signs{point: true}

func (s *source) measured(h head, t string, place int) {
	if t == "" || saysUnknown(t) {
		s.add(nil, nil)
		return
	}
	q := measure.Length
	if h.as == asSpeed {
		q = measure.Speed
	}
	m, bad := readMeasure(q, t, s.sheet.columns[place].unit, s.signsOf(place))
	if bad != "" {
		s.blame(place, t, measureRule(bad), "%s", bad)
		s.add(nil, nil)
		return
	}
	s.add(m.SI, m.Typed)
}

func (s *source) signsOf(place int) signs {
	if s.cells[place].kind == numberCell {
		return pointOnly
	}
	return s.u.signs
}

func measureRule(bad string) string {
	switch {
	case strings.HasPrefix(bad, "can be read"):
		return "number_ambiguous"
	case strings.HasPrefix(bad, "names no unit"), strings.HasPrefix(bad, "has the unit"):
		return "unit"
	}
	return "measure"
}

// value reads what the fact of the row takes.
func (s *source) value(t string, place int) {
	if t == "" || saysUnknown(t) {
		s.add(nil, nil)
		return
	}
	if s.fact == nil { // that was said of the fact
		s.add(nil, nil)
		return
	}
	switch s.fact.Takes {
	case "length":
		m, bad := readMeasure(measure.Length, t, s.sheet.columns[place].unit, s.signsOf(place))
		if bad == "" && m.SI <= 0 {
			bad = "must be above 0"
		}
		if bad != "" {
			s.blame(place, t, measureRule(bad), "%s", bad)
			s.add(nil, nil)
			return
		}
		s.add(m.Typed, m.SI*1000)
	case "choice":
		for _, c := range s.fact.Choices {
			if squeeze(c) == squeeze(t) {
				s.add(c, nil)
				return
			}
		}
		s.blame(place, t, "fact_value", "is one of %s", strings.Join(s.fact.Choices, ", "))
		s.add(nil, nil)
	default:
		if utf8.RuneCountInString(t) > 200 {
			s.blame(place, t, "too_long", "takes at most 200 characters")
			s.add(nil, nil)
			return
		}
		s.add(t, nil)
	}
}

func (s *source) date(h head, c cell, t string, place int) {
	if t == "" {
		s.add(nil, nil, nil, nil)
		return
	}
	w, bad := when{}, ""
	if c.kind == numberCell && !yearOnly.MatchString(t) {
		bad = "is a number without the format of a date; give the cell a date format, or write 2024-05-03"
	} else {
		w, bad = readDate(t, s.u.order, s.now)
	}
	if bad != "" {
		rule := "date"
		if strings.HasPrefix(bad, "can be read") {
			rule = "date_ambiguous"
		}
		s.blame(place, t, rule, "%s", bad)
		s.add(nil, nil, nil, t)
		return
	}
	if w.precision == "unknown" {
		s.add(nil, nil, "unknown", nil)
		return
	}
	if h.as == asDate && (w.precision == "month" || w.precision == "year") {
		s.warn(place, t, "first_day_taken", "keeps no precision here; it was taken as the first day of that "+w.precision)
	}
	var at any
	if !w.at.IsZero() {
		at = w.at
	}
	s.add(w.local, at, w.precision, t)
}

// list splits a cell at semicolons; a text with one in it stands in quotes.
func (s *source) list(t string, place int) {
	if t == "" || saysUnknown(t) {
		s.add(nil)
		return
	}
	r := csv.NewReader(strings.NewReader(t))
	r.Comma, r.LazyQuotes, r.FieldsPerRecord = ';', true, -1
	rows, err := r.ReadAll()
	if err != nil {
		s.blame(place, t, "list", "cannot be read: several texts have semicolons between them")
		s.add(nil)
		return
	}
	var all []string
	for _, f := range slices.Concat(rows...) {
		if f = trim(f); f == "" || slices.Contains(all, f) {
			continue
		}
		if utf8.RuneCountInString(f) > 100 {
			s.blame(place, f, "too_long", "takes at most 100 characters each")
			continue
		}
		all = append(all, f)
	}
	slices.Sort(all)
	s.add(all)
}

// joined writes a list so that list reads the same.
func joined(all []string) string {
	var b strings.Builder
	w := csv.NewWriter(&b)
	w.Comma = ';'
	_ = w.Write(all) // a builder takes everything
	w.Flush()
	return strings.TrimSuffix(b.String(), "\n")
}

// list reads the document in which the database gives several texts.
func list(doc string) ([]string, error) {
	var all []string
	err := json.Unmarshal([]byte(doc), &all)
	return all, err
}
