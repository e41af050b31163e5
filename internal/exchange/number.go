package exchange

import (
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"

	"spindlebook/internal/measure"
)

// signs counts how a file writes numbers: what in it can be read in one way only.
type signs struct{ comma, point bool }

var (
	// digits with signs between them
	figures = regexp.MustCompile(`^([+-]?)(\d+(?:[.,]\d+)*|[.,]\d+)([eE][+-]?\d{1,3})?$`)
	// blanks and apostrophes between groups of three digits say nothing
	grouped = regexp.MustCompile(`^[+-]?\d{1,3}(?:[ \x{a0}\x{202f}\x{2009}'’]\d{3})+(?:[.,]\d+)?$`)
)

func ungroup(s string) string {
	if !grouped.MatchString(s) {
		return s
	}
	return strings.NewReplacer(" ", "", "\u00a0", "", "\u202f", "", "\u2009", "", "'", "", "’", "").Replace(s)
}

// shape tells what a number's signs are: the decimal sign where only one reading
// is left, '?' where one sign with three digits behind it leaves two, 0 for none.
func shape(s string) byte {
	commas, points := strings.Count(s, ","), strings.Count(s, ".")
	switch {
	case commas == 0 && points == 0:
		return 0
	case commas > 0 && points > 0:
		if strings.LastIndex(s, ",") > strings.LastIndex(s, ".") {
			return ','
		}
		return '.'
	case commas > 1:
		return '.'
	case points > 1:
		return ','
	}
	sign := byte(',')
	if points > 0 {
		sign = '.'
	}
	before, after, _ := strings.Cut(strings.TrimLeft(s, "+-"), string(sign))
	if len(after) == 3 && len(before) >= 1 && len(before) <= 3 && before[0] != '0' {
		return '?'
	}
	return sign
}

// see gathers evidence from a cell in a column of numbers.
func (e *signs) see(text string) {
	s := ungroup(firstWord(text))
	if !figures.MatchString(s) {
		return
	}
	mantissa, _, _ := strings.Cut(strings.ToLower(s), "e")
	switch shape(mantissa) {
	case ',':
		e.comma = true
	case '.':
		e.point = true
	}
}

// firstWord is the number before a unit.
func firstWord(text string) string {
	text = strings.TrimSpace(text)
	if i := strings.IndexFunc(text, func(r rune) bool {
		return !strings.ContainsRune("0123456789.,+-'’ \u00a0\u202f\u2009", r)
	}); i >= 0 {
		text = text[:i]
	}
	return strings.TrimSpace(text)
}

// decimal is the sign that the whole file uses, or 0 where it cannot be told.
func (e signs) decimal() byte {
	switch {
	case e.comma && !e.point:
		return ','
	case e.point && !e.comma:
		return '.'
	}
	return 0
}

// readNumber reads a number as the file writes them. The words say what is
// wrong with one that cannot be read, or can be read in two ways.
func readNumber(text string, e signs) (float64, string) {
	s := ungroup(strings.TrimSpace(text))
	s = strings.Replace(s, "−", "-", 1) // the minus sign of typography
	m := figures.FindStringSubmatch(s)
	if m == nil {
		return 0, "is no number"
	}
	decimal := shape(m[2])
	if decimal == '?' {
		if decimal = e.decimal(); decimal == 0 {
			asDecimal, asGroup := strings.Replace(m[1]+m[2], ",", ".", 1), strings.NewReplacer(",", "", ".", "").Replace(m[1]+m[2])
			return 0, fmt.Sprintf("can be read as %s and as %s, and nothing else in the file tells which; write more or fewer decimals", asDecimal, asGroup)
		}
	} else if d := e.decimal(); d != 0 && decimal != 0 && decimal != d {
		return 0, "is written with another decimal sign than the rest of the file" // cannot be: it would be evidence itself
	}
	body := m[2]
	group := ","
	if decimal == ',' {
		group = "."
	}
	whole, fraction := body, ""
	if decimal != 0 {
		if i := strings.LastIndexByte(body, decimal); i >= 0 {
			whole, fraction = body[:i], body[i+1:]
		}
	}
	if strings.Contains(fraction, group) || strings.ContainsRune(whole, rune(decimal)) && decimal != 0 {
		return 0, "is no number: its signs are in the wrong order"
	}
	if parts := strings.Split(whole, group); len(parts) > 1 {
		for i, p := range parts {
			if i > 0 && len(p) != 3 || i == 0 && (len(p) == 0 || len(p) > 3) {
				return 0, "is no number: its groups are not of three digits"
			}
		}
		whole = strings.Join(parts, "")
	}
	f, err := strconv.ParseFloat(m[1]+"0"+whole+"."+fraction+"0"+m[3], 64)
	if err != nil || math.IsInf(f, 0) {
		return 0, "is no number that can be kept"
	}
	if f == 0 {
		f = 0 // no negative zero
	}
	return f, ""
}

// What people write for a unit.
var unitWords = map[string]string{
	"in": "in", "inch": "in", "inches": "in", "\"": "in", "”": "in", "″": "in", "''": "in", "in.": "in", "zoll": "in",
	"ft": "ft", "foot": "ft", "feet": "ft", "'": "ft", "′": "ft", "’": "ft", "ft.": "ft",
	"m": "m", "metre": "m", "metres": "m", "meter": "m", "meters": "m", "mm": "mm", "cm": "cm",
	"m/min": "m/min", "ft/min": "ft/min", "fpm": "ft/min", "m/s": "m/s",
}

var (
	vulgar = strings.NewReplacer("½", " 1/2", "¼", " 1/4", "¾", " 3/4", "⅛", " 1/8", "⅜", " 3/8", "⅝", " 5/8", "⅞", " 7/8", "⁄", "/")
	// 1-3/8, 1 3/8, 3/8
	fraction = regexp.MustCompile(`^(?:(\d{1,5})\s*[- ]\s*)?(\d{1,3})\s*/\s*(\d{1,3})$`)
	// the unit is what follows the last digit
	unitTail = regexp.MustCompile(`^(.*\d)\s*([^\d]*)$`)
)

// readMeasure reads a length or a speed with its unit: 33,5 m, 1-3/8 in, 1 3/8".
// headed is the unit in the column's heading, for cells that name none.
func readMeasure(q measure.Quantity, text, headed string, e signs) (measure.Measure, string) {
	m := unitTail.FindStringSubmatch(strings.TrimSpace(vulgar.Replace(strings.TrimSpace(text))))
	if m == nil {
		return measure.Measure{}, "is no number with a unit, such as 33.5 m or 1-3/8 in"
	}
	number, unit := strings.TrimSpace(m[1]), strings.ToLower(strings.TrimSpace(m[2]))
	if unit == "" {
		unit = headed
	}
	if unit == "" {
		return measure.Measure{}, "names no unit; write it behind the number, such as 33.5 m or 1-3/8 in, or in the heading, such as length (m)"
	}
	known, ok := unitWords[unit]
	if !ok {
		return measure.Measure{}, fmt.Sprintf("has the unit %q, which is not known here", unit)
	}
	var value float64
	if f := fraction.FindStringSubmatch(number); f != nil {
		whole, _ := strconv.Atoi("0" + f[1])
		over, _ := strconv.Atoi(f[2])
		under, _ := strconv.Atoi(f[3])
		if under == 0 || under > 128 || f[1] != "" && over >= under {
			return measure.Measure{}, "holds a fraction that is none"
		}
		value = float64(whole) + float64(over)/float64(under)
	} else {
		var bad string
		if value, bad = readNumber(number, e); bad != "" {
			return measure.Measure{}, bad
		}
	}
	it, f := measure.Of(q, measure.Typed{Value: value, Unit: known}, "")
	if f != nil {
		return measure.Measure{}, f.Msg
	}
	return it, ""
}

// plain writes a number so that a reader of any country reads the same: never
// with three decimals, which could be a group of thousands.
func plain(f float64) string {
	s := strconv.FormatFloat(f, 'f', -1, 64)
	if _, after, ok := strings.Cut(s, "."); ok && len(after) == 3 {
		s += "0"
	}
	return s
}
