// Package calendar is the arithmetic of days: dates, periods of ISO 8601, local
// times of a zone, operating days, seasons, and the recurrence rules of RFC 5545.
// It knows no clock.
package calendar

import (
	"fmt"
	"time"

	"spindlebook/internal/fault"
)

// Date is a day of the Gregorian calendar without time or zone, counted so that
// 1 January of year 1 is 1. The zero Date is no date. Dates are compared with
// < and ==, and d+7 is a week later.
type Date int32

// epoch is 1 January 1970 as a Date.
const epoch = 719163

// On gives a day by its year, month and day of the month; what lies outside the
// month is carried on, as time.Date does.
func On(year int, month time.Month, day int) Date {
	return Date(time.Date(year, month, day, 0, 0, 0, 0, time.UTC).Unix()/86400 + epoch)
}

// DateOf gives the day that the wall shows at t, in t's own zone.
func DateOf(t time.Time) Date {
	_, offset := t.Zone()
	s := t.Unix() + int64(offset) + epoch*86400
	d := s / 86400
	if s%86400 < 0 {
		d--
	}
	return Date(d)
}

// ParseDate reads "2026-02-28".
func ParseDate(text, field string) (Date, *fault.Error) {
	t, err := time.Parse(time.DateOnly, text)
	if err != nil || t.Year() < 1 {
		return 0, fault.Field(field, text, "is a date that exists, YYYY-MM-DD")
	}
	return DateOf(t), nil
}

// UTC gives midnight of the day in UTC.
func (d Date) UTC() time.Time { return time.Unix((int64(d)-epoch)*86400, 0).UTC() }

// Civil gives year, month and day of the month.
func (d Date) Civil() (int, time.Month, int) { return d.UTC().Date() }

// Weekday gives the day of the week.
func (d Date) Weekday() time.Weekday { return time.Weekday(((d % 7) + 7) % 7) }

// Week gives the week of ISO 8601 and the year to which it belongs.
func (d Date) Week() (year, week int) { return d.UTC().ISOWeek() }

// WeekDate writes the day as ISO 8601 does by weeks: "2026-W53-4".
func (d Date) WeekDate() string {
	y, w := d.Week()
	return fmt.Sprintf("%04d-W%02d-%d", y, w, (int(d.Weekday())+6)%7+1)
}

// String writes "2026-02-28", and "" for no date.
func (d Date) String() string {
	if d == 0 {
		return ""
	}
	return d.UTC().Format(time.DateOnly)
}

// AddMonths gives the same day of another month, or the last day of that month
// where it is shorter: a month after 31 January is 28 or 29 February. Add to the
// first day of a row, not to the last result, or the row drifts to the 28th.
func (d Date) AddMonths(n int) Date {
	y, m, day := d.Civil()
	first := On(y, m+time.Month(n), 1)
	return first + Date(min(day, lengthOfMonth(first))) - 1
}

// lengthOfMonth gives the number of days of the month that d lies in.
func lengthOfMonth(d Date) int {
	y, m, _ := d.Civil()
	return int(On(y, m+1, 1) - On(y, m, 1))
}

// Words writes the day for reading: "5 February 2026".
func (d Date) Words() string { return d.UTC().Format("2 January 2006") }
