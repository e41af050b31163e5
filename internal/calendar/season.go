package calendar

import (
	"fmt"
	"strconv"
	"time"

	"spindlebook/internal/fault"
)

// MonthDay is a day of any year. 29 February is the 28th where there is none.
type MonthDay struct {
	Month time.Month
	Day   int
}

// in gives the day in a year.
func (m MonthDay) in(year int) Date {
	first := On(year, m.Month, 1)
	return first + Date(min(m.Day, lengthOfMonth(first))) - 1
}

func (m MonthDay) String() string { return fmt.Sprintf("%02d-%02d", int(m.Month), m.Day) }

// Season is a window of each year, both days counted. Where it begins later in
// the year than it ends, it runs over New Year.
type Season struct{ From, To MonthDay }

// ParseSeason reads "10-01/11-15", from 1 October to 15 November.
func ParseSeason(text, field string) (Season, *fault.Error) {
	if len(text) == len("10-01/11-15") && text[5] == '/' {
		if from, ok := parseMonthDay(text[:5]); ok {
			if to, ok := parseMonthDay(text[6:]); ok {
				return Season{from, to}, nil
			}
		}
	}
	return Season{}, fault.Field(field, text, "is two days of a year, MM-DD/MM-DD, such as 10-01/11-15")
}

func parseMonthDay(s string) (MonthDay, bool) {
	m, err1 := strconv.ParseUint(s[:2], 10, 8)
	d, err2 := strconv.ParseUint(s[3:], 10, 8)
	md := MonthDay{time.Month(m), int(d)}
	return md, err1 == nil && err2 == nil && s[2] == '-' && md.real()
}

// real tells whether the day exists, in a leap year at least.
func (m MonthDay) real() bool {
	return m.Month >= time.January && m.Month <= time.December && m.Day >= 1 && m.Day <= lengthOfMonth(On(2000, m.Month, 1))
}

// Real tells whether both its days exist.
func (s Season) Real() bool { return s.From.real() && s.To.real() }

func (s Season) String() string { return s.From.String() + "/" + s.To.String() }

// Ending gives the season that ends in the year.
func (s Season) Ending(year int) (first, last Date) {
	first, last = s.From.in(year), s.To.in(year)
	if first > last {
		first = s.From.in(year - 1)
	}
	return first, last
}

// Holds tells whether the day lies in the season.
func (s Season) Holds(d Date) bool {
	y, _, _ := d.Civil()
	for _, year := range []int{y, y + 1} {
		if first, last := s.Ending(year); first <= d && d <= last {
			return true
		}
	}
	return false
}
