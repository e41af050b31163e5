package exchange

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"time"
)

// Orders of day and month in dates written with slashes or hyphens.
const (
	DayFirst   = "dmy"
	MonthFirst = "mdy"
)

// order is what a file shows of how it writes 3/5/2024. With points the day
// always comes first: one mistyped date must not turn a whole file around.
type order struct {
	dayFirst, monthFirst bool   // by a date that can be read in one way only
	told                 string // by a parameter
}

// when is a date as typed: an instant where the text names its offset, else a
// local time that becomes one in the zone of its site.
type when struct {
	local     time.Time // in UTC, as a clock on the wall shows it
	at        time.Time // zero unless an offset was typed
	precision string    // instant, day, month, year, or unknown for what is not known
}

var (
	isoDate   = regexp.MustCompile(`^(\d{4})-(\d{1,2})(?:-(\d{1,2}))?$`)
	yearOnly  = regexp.MustCompile(`^(?:19|20)\d\d$`)
	monthYear = regexp.MustCompile(`^(\d{1,2})\s?[./-]\s?(\d{4})$`)
	threeNums = regexp.MustCompile(`^(\d{1,2})\s?([./-])\s?(\d{1,2})\s?([./-])\s?(\d{4}|\d{2})$`)
	named     = regexp.MustCompile(`^(?:(\d{1,2})(?:st|nd|rd|th|\.)?[ -]+)?([A-Za-z]{3,9})\.?(?:[ -]+(\d{1,2})(?:st|nd|rd|th)?,)?[ ,-]+(\d{4}|\d{2})$`)
	clockTail = regexp.MustCompile(`^(.*?\d)(?:[Tt]|[, ]+)(\d{1,2}):(\d{2})(?::(\d{2})(?:[.,](\d{1,9}))?)?\s*([AaPp])?\.?(?:[Mm]\.?)?\s*([Zz]|[+-]\d{2}:?\d{2})?$`)
)

var months = map[string]time.Month{"jan": 1, "feb": 2, "mar": 3, "apr": 4, "may": 5, "jun": 6, "jul": 7, "aug": 8, "sep": 9, "oct": 10, "nov": 11, "dec": 12}

var monthNames = []string{"january", "february", "march", "april", "may", "june", "july", "august", "september", "october", "november", "december"}

func monthOf(word string) (time.Month, bool) {
	word = strings.ToLower(word)
	if word == "sept" {
		return 9, true
	}
	m, ok := months[word[:3]]
	return m, ok && (len(word) == 3 || word == monthNames[m-1])
}

// see gathers evidence from a cell in a column of dates.
func (o *order) see(text string) {
	day, _, _ := cutClock(text)
	m := threeNums.FindStringSubmatch(day)
	if m == nil {
		return
	}
	a, _ := strconv.Atoi(m[1])
	b, _ := strconv.Atoi(m[3])
	switch {
	case m[2] == ".":
	case a > 12 && a <= 31 && b >= 1 && b <= 12:
		o.dayFirst = true
	case b > 12 && b <= 31 && a >= 1 && a <= 12:
		o.monthFirst = true
	}
}

// dayComesFirst decides for one pair of numbers; false, false is "cannot tell".
func (o order) dayComesFirst(a, b int, dot bool) (dayFirst, known bool) {
	switch {
	case dot:
		return true, true
	case o.told != "":
		return o.told == DayFirst, true
	case o.dayFirst && !o.monthFirst:
		return true, true
	case o.monthFirst && !o.dayFirst:
		return false, true
	}
	return false, a == b // the same either way
}

// cutClock takes a time of day off the end of a text.
func cutClock(text string) (day string, clock []string, has bool) {
	text = strings.TrimSpace(text)
	m := clockTail.FindStringSubmatch(text)
	if m == nil {
		return text, nil, false
	}
	return strings.TrimSpace(m[1]), m[2:], true
}

// saysUnknown tells a cell in which somebody wrote that it is not known.
func saysUnknown(text string) bool {
	switch strings.ToLower(strings.TrimSpace(text)) {
	case "?", "??", "unknown", "not known":
		return true
	}
	return false
}

// readDate reads a date. now tells the century of a year of two digits: the
// latest that has begun. The words say what is wrong with one that cannot be read.
func readDate(text string, o order, now time.Time) (when, string) {
	text = strings.TrimSpace(text)
	if saysUnknown(text) {
		return when{precision: "unknown"}, ""
	}
	const form = "is no date; write 2024-05-03, 2024-05 or 2024, or unknown"
	day, clock, timed := cutClock(text)
	y, m, d, precision, bad := readDay(day, o, now)
	if bad != "" {
		return when{}, bad
	}
	if precision == "" {
		return when{}, form
	}
	if m < 1 || m > 12 || y < 1900 || y > 2199 {
		return when{}, form
	}
	local := time.Date(y, m, d, 0, 0, 0, 0, time.UTC)
	if local.Day() != d {
		return when{}, "is no date: that month has no such day"
	}
	if !timed {
		return when{local: local, precision: precision}, ""
	}
	if precision != "day" {
		return when{}, form
	}
	hour, _ := strconv.Atoi(clock[0])
	minute, _ := strconv.Atoi(clock[1])
	second, _ := strconv.Atoi("0" + clock[2])
	nanos, _ := strconv.Atoi((clock[3] + "000000000")[:9])
	if half := strings.ToLower(clock[4]); half != "" {
		if hour < 1 || hour > 12 {
			return when{}, "has a time of day that is none"
		}
		if hour %= 12; half == "p" {
			hour += 12
		}
	}
	if hour > 23 || minute > 59 || second > 59 {
		return when{}, "has a time of day that is none"
	}
	local = local.Add(time.Duration(hour)*time.Hour + time.Duration(minute)*time.Minute + time.Duration(second)*time.Second + time.Duration(nanos).Round(time.Microsecond))
	w := when{local: local, precision: "instant"}
	if zone := strings.ToUpper(clock[5]); zone == "Z" {
		w.at = local
	} else if zone != "" {
		zone = strings.Replace(zone, ":", "", 1)
		h, _ := strconv.Atoi(zone[1:3])
		min, _ := strconv.Atoi(zone[3:])
		if h > 14 || min > 59 {
			return when{}, "has an offset that is none"
		}
		offset := time.Duration(h)*time.Hour + time.Duration(min)*time.Minute
		if zone[0] == '-' {
			offset = -offset
		}
		w.at = local.Add(-offset)
	}
	return w, ""
}

// readDay reads the part of a date before any time of day. An empty precision
// is "no date"; the words name two readings.
func readDay(text string, o order, now time.Time) (y int, m time.Month, d int, precision, bad string) {
	number := func(s string) int { n, _ := strconv.Atoi(s); return n }
	if it := isoDate.FindStringSubmatch(text); it != nil {
		if it[3] == "" {
			return number(it[1]), time.Month(number(it[2])), 1, "month", ""
		}
		return number(it[1]), time.Month(number(it[2])), number(it[3]), "day", ""
	}
	if yearOnly.MatchString(text) {
		return number(text), 1, 1, "year", ""
	}
	if it := monthYear.FindStringSubmatch(text); it != nil {
		return number(it[2]), time.Month(number(it[1])), 1, "month", ""
	}
	if it := threeNums.FindStringSubmatch(text); it != nil && it[2] == it[4] {
		a, b, year := number(it[1]), number(it[3]), century(it[5], now)
		if a == 0 || b == 0 || a > 31 || b > 31 || a > 12 && b > 12 {
			return 0, 0, 0, "", "is no date: it has no such day or month"
		}
		dayFirst, known := o.dayComesFirst(a, b, it[2] == ".")
		if it[2] == "." && b > 12 {
			return 0, 0, 0, "", "is no date: with points the day comes first"
		}
		if !known {
			switch { // the numbers themselves may tell
			case a > 12:
				dayFirst, known = true, true
			case b > 12:
				dayFirst, known = false, true
			}
		}
		if !known {
			return 0, 0, 0, "", fmt.Sprintf("can be read as %s and as %s, and nothing else in the file tells which; write %04d-%02d-%02d or %04d-%02d-%02d, or say whether day or month comes first",
				spelt(year, b, a), spelt(year, a, b), year, b, a, year, a, b)
		}
		if !dayFirst {
			a, b = b, a
		}
		return year, time.Month(b), a, "day", ""
	}
	if it := named.FindStringSubmatch(text); it != nil {
		month, ok := monthOf(it[2])
		if !ok || it[1] != "" && it[3] != "" {
			return 0, 0, 0, "", ""
		}
		switch day := it[1] + it[3]; {
		case day != "":
			return century(it[4], now), month, number(day), "day", ""
		case len(it[4]) == 4:
			return number(it[4]), month, 1, "month", ""
		}
	}
	return 0, 0, 0, "", ""
}

// century gives the year of a text; of two digits, the latest that has begun.
func century(text string, now time.Time) int {
	y, _ := strconv.Atoi(text)
	if len(text) == 2 {
		y += now.Year() / 100 * 100
		if y > now.Year() {
			y -= 100
		}
	}
	return y
}

// spelt writes a date so that nobody can misread it.
func spelt(y, m, d int) string {
	return fmt.Sprintf("%d %s %d", d, time.Month(m), y)
}
