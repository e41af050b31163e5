package calendar

import (
	"strconv"
	"strings"
	"time"

	"spindlebook/internal/fault"
)

// Period is a span as people mean it: a month is a month however long, a day is
// a day even when the clock changes, an hour is 60 minutes.
type Period struct {
	Months int
	Days   int
	Exact  time.Duration // hours, minutes and seconds
}

// most bounds each number of a period: nothing at a wash is planned for longer.
const most = 99999

// ParsePeriod reads a duration of ISO 8601 without fractions: "P30D", "P6W",
// "P1Y6M", "PT12H", "-PT15M". Weeks stand alone, as in RFC 5545, 3.3.6; years
// and months are not in that RFC but in ISO 8601.
func ParsePeriod(text, field string) (Period, *fault.Error) {
	bad := fault.Field(field, text, "is a duration such as P30D, P6W, P6M or P1Y; whole numbers up to %d, weeks alone", most)
	rest, negative := strings.CutPrefix(text, "-")
	if !negative {
		rest = strings.TrimPrefix(rest, "+")
	}
	rest, ok := strings.CutPrefix(rest, "P")
	if !ok || rest == "" {
		return Period{}, bad
	}
	var p Period
	units, weeks, parts := "YMWD", false, 0
	for rest != "" {
		if after, isTime := strings.CutPrefix(rest, "T"); isTime {
			if units == "HMS" || units == "MS" || units == "S" || after == "" {
				return Period{}, bad
			}
			rest, units = after, "HMS"
		}
		digits := 0
		for digits < len(rest) && rest[digits] >= '0' && rest[digits] <= '9' {
			digits++
		}
		if digits == 0 || digits == len(rest) {
			return Period{}, bad
		}
		n, err := strconv.Atoi(rest[:digits])
		at := strings.IndexByte(units, rest[digits])
		if err != nil || n > most || at < 0 {
			return Period{}, bad
		}
		clock := strings.HasSuffix(units, "S")
		switch u := units[at]; {
		case u == 'Y':
			p.Months += 12 * n
		case u == 'M' && !clock:
			p.Months += n
		case u == 'W':
			p.Days, weeks = 7*n, true
		case u == 'D':
			p.Days += n
		case u == 'H':
			p.Exact += time.Duration(n) * time.Hour
		case u == 'M':
			p.Exact += time.Duration(n) * time.Minute
		case u == 'S':
			p.Exact += time.Duration(n) * time.Second
		}
		units, rest = units[at+1:], rest[digits+1:] // each once, the greater first
		if clock && units == "" && rest != "" {
			return Period{}, bad
		}
		parts++
	}
	if weeks && parts > 1 {
		return Period{}, bad
	}
	if negative {
		p = Period{-p.Months, -p.Days, -p.Exact}
	}
	return p, nil
}

// String writes the period as ParsePeriod reads it. Weeks become days, and what
// points both ways has no such form and reads "".
func (p Period) String() string {
	sign := ""
	if p.Months < 0 || p.Days < 0 || p.Exact < 0 {
		if p.Months > 0 || p.Days > 0 || p.Exact > 0 {
			return ""
		}
		sign, p = "-", Period{-p.Months, -p.Days, -p.Exact}
	}
	var b strings.Builder
	put := func(n int, unit string) {
		if n > 0 {
			b.WriteString(strconv.Itoa(n) + unit)
		}
	}
	put(p.Months/12, "Y")
	put(p.Months%12, "M")
	put(p.Days, "D")
	if s := int(p.Exact / time.Second); s > 0 {
		b.WriteString("T")
		put(s/3600, "H")
		put(s/60%60, "M")
		put(s%60, "S")
	}
	if b.Len() == 0 {
		return "P0D"
	}
	return sign + "P" + b.String()
}

// From gives the day n such periods after d, counted from d in one step so that
// a row of month ends stays at the month's end. Hours do not count.
func (p Period) From(d Date, n int) Date {
	if p.Months != 0 {
		d = d.AddMonths(n * p.Months)
	}
	return d + Date(n*p.Days)
}

// After gives the instant one such period after t: months and days by the wall
// clock of t's zone, then the exact part (RFC 5545, 3.3.6).
func (p Period) After(t time.Time) time.Time {
	if p.Months != 0 || p.Days != 0 {
		h, m, s := t.Clock()
		clock := time.Duration(h)*time.Hour + time.Duration(m)*time.Minute + time.Duration(s)*time.Second + time.Duration(t.Nanosecond())
		t = Local(p.From(DateOf(t), 1), clock, t.Location())
	}
	return t.Add(p.Exact)
}
