package calendar

import (
	"fmt"
	"iter"
	"slices"
	"strconv"
	"strings"
	"time"

	"spindlebook/internal/fault"
)

// Rule is a recurrence rule of RFC 5545 (section 3.3.10) that gives days: yearly,
// monthly, weekly or daily. Rules by the hour, the minute and the second are
// refused, and so are BYHOUR, BYMINUTE and BYSECOND: the time of day is that of
// the start. A month without the day is left out, as the RFC says; "the last day"
// is BYMONTHDAY=-1. A week that BYWEEKNO names and that crosses New Year gives its
// days in both years. A rule ends 60 years after its start.
type Rule struct {
	text      string
	freq      string
	interval  int
	count     int       // 0: without end
	until     time.Time // the last instant or, where dated, midnight UTC of the last day
	dated     bool
	wkst      time.Weekday
	months    []int
	weeks     []int
	yearDays  []int
	monthDays []int
	weekdays  []nth
	positions []int
}

// nth is a weekday and which of them in its month or year: 0 is each, -1 the last.
type nth struct {
	day time.Weekday
	n   int
}

// Bounds of a rule.
const (
	longestRule     = 400  // characters
	longestInterval = 1000 // of the rule's own steps
	horizon         = 60   // years
)

// String gives the rule as it was read, in capitals.
func (r Rule) String() string { return r.text }

// ParseRule reads "FREQ=MONTHLY;BYDAY=2WE". What the RFC forbids is refused, by
// the part that breaks it.
func ParseRule(text, field string) (Rule, *fault.Error) {
	bad := func(format string, args ...any) (Rule, *fault.Error) {
		return Rule{}, fault.Field(field, text, format, args...)
	}
	if len(text) > longestRule {
		return bad("is a rule of at most %d characters", longestRule)
	}
	text = strings.ToUpper(text) // names are case-insensitive (RFC 5545, 3.5)
	r := Rule{text: text, interval: 1, wkst: time.Monday}
	given := map[string]string{}
	for part := range strings.SplitSeq(text, ";") {
		name, value, ok := strings.Cut(part, "=")
		if !ok || value == "" {
			return bad("is a rule of RFC 5545 such as FREQ=MONTHLY;BYDAY=2WE; %q is no NAME=VALUE", part)
		}
		if _, twice := given[name]; twice {
			return bad("names %s twice", name)
		}
		given[name] = value
	}
	switch r.freq = given["FREQ"]; r.freq {
	case "YEARLY", "MONTHLY", "WEEKLY", "DAILY":
	case "":
		return bad("needs FREQ=YEARLY, MONTHLY, WEEKLY or DAILY")
	default:
		return bad("FREQ=%s: is YEARLY, MONTHLY, WEEKLY or DAILY; a rule gives days", r.freq)
	}
	if given["UNTIL"] != "" && given["COUNT"] != "" {
		return bad("has COUNT or UNTIL, not both")
	}
	for name, value := range given {
		why := misplaced(name, given)
		if why == "" {
			why = r.take(name, value, given)
		}
		if why != "" {
			return bad("%s=%s: %s", name, value, why)
		}
	}
	return r, nil
}

// take reads one part, and says what is wrong with it.
func (r *Rule) take(name, value string, given map[string]string) (why string) {
	switch name {
	case "FREQ":
	case "INTERVAL":
		why = number(&r.interval, value, longestInterval)
	case "COUNT":
		why = number(&r.count, value, most)
	case "UNTIL":
		why = r.takeUntil(value)
	case "WKST":
		var first []nth
		if first, why = weekdays(value, 0); why == "" && len(first) != 1 {
			why = "is one weekday"
		}
		if why == "" {
			r.wkst = first[0].day
		}
	case "BYMONTH":
		r.months, why = numbers(value, 12, false)
	case "BYWEEKNO":
		r.weeks, why = numbers(value, 53, true)
	case "BYYEARDAY":
		r.yearDays, why = numbers(value, 366, true)
	case "BYMONTHDAY":
		r.monthDays, why = numbers(value, 31, true)
	case "BYDAY":
		r.weekdays, why = weekdays(value, ordinals(given))
	case "BYSETPOS":
		r.positions, why = numbers(value, 366, true)
	default:
		why = "is not among FREQ, INTERVAL, COUNT, UNTIL, WKST, BYMONTH, BYWEEKNO, BYYEARDAY, BYMONTHDAY, BYDAY, BYSETPOS"
	}
	return why
}

// misplaced holds what the RFC forbids beside each FREQ.
func misplaced(name string, given map[string]string) string {
	freq := given["FREQ"]
	switch {
	case (name == "BYWEEKNO" || name == "BYYEARDAY") && freq != "YEARLY":
		return "stands with FREQ=YEARLY only"
	case name == "BYMONTHDAY" && freq == "WEEKLY":
		return "does not stand with FREQ=WEEKLY"
	case name == "BYSETPOS":
		for _, by := range []string{"BYMONTH", "BYWEEKNO", "BYYEARDAY", "BYMONTHDAY", "BYDAY"} {
			if given[by] != "" {
				return ""
			}
		}
		return "chooses among what another BY part gives; there is none"
	}
	return ""
}

// ordinals tells up to which number weekdays may be counted: 2WE needs a month or
// a year to be counted in.
func ordinals(given map[string]string) int {
	switch {
	case given["FREQ"] == "MONTHLY", given["FREQ"] == "YEARLY" && given["BYMONTH"] != "":
		return 5
	case given["FREQ"] == "YEARLY" && given["BYWEEKNO"] == "":
		return 53
	}
	return 0
}

var weekdayNames = []string{"SU", "MO", "TU", "WE", "TH", "FR", "SA"}

func weekdays(list string, ordinal int) (out []nth, why string) {
	for text := range strings.SplitSeq(list, ",") {
		at := max(len(text)-2, 0)
		day := slices.Index(weekdayNames, text[at:])
		if day < 0 {
			return nil, "is of MO, TU, WE, TH, FR, SA, SU"
		}
		var n []int
		if at > 0 {
			if ordinal == 0 {
				return nil, "counts weekdays where there is nothing to count them in"
			}
			if n, why = numbers(text[:at], ordinal, true); why != "" {
				return nil, fmt.Sprintf("counts weekdays from 1 to %d, or from the end from -1 to -%d", ordinal, ordinal)
			}
		}
		out = append(out, nth{time.Weekday(day), append(n, 0)[0]})
	}
	return out, ""
}

func number(into *int, text string, to int) string {
	n, err := strconv.Atoi(text)
	if err != nil || n < 1 || n > to {
		return fmt.Sprintf("is a whole number from 1 to %d", to)
	}
	*into = n
	return ""
}

func numbers(list string, to int, fromTheEnd bool) (out []int, why string) {
	for text := range strings.SplitSeq(list, ",") {
		n, err := strconv.Atoi(text)
		if err != nil || n == 0 || n > to || n < -to || n < 0 && !fromTheEnd {
			if fromTheEnd {
				return nil, fmt.Sprintf("is of whole numbers from 1 to %d, or from -1 to -%d counted from the end", to, to)
			}
			return nil, fmt.Sprintf("is of whole numbers from 1 to %d", to)
		}
		out = append(out, n)
	}
	return out, ""
}

func (r *Rule) takeUntil(value string) string {
	t, err := time.Parse("20060102", value)
	r.dated = err == nil
	if err != nil {
		t, err = time.Parse("20060102T150405Z", value)
	}
	if err != nil {
		return "is a date, 20261231, or an instant in UTC, 20261231T235959Z"
	}
	r.until = t
	return ""
}

// Dates gives the days of the rule from its start on, in order. The start counts
// only where it fits the rule. A rule whose UNTIL is an instant ends with the day
// that the instant has in UTC.
func (r Rule) Dates(start Date) iter.Seq[Date] {
	return r.run(start, func(d Date) bool { return d.UTC().After(r.until) })
}

// Instants gives the instants of the rule from its start on; the wall clock of
// the start's zone shows the start's time at each, and what the clocks leave out
// or show twice is read as Local does.
func (r Rule) Instants(start time.Time) iter.Seq[time.Time] {
	h, m, s := start.Clock()
	clock := time.Duration(h)*time.Hour + time.Duration(m)*time.Minute + time.Duration(s)*time.Second
	at := func(d Date) time.Time { return Local(d, clock, start.Location()) }
	ended := func(d Date) bool {
		if r.dated {
			return d.UTC().After(r.until)
		}
		return at(d).After(r.until)
	}
	return func(yield func(time.Time) bool) {
		for d := range r.run(DateOf(start), ended) {
			if !yield(at(d)) {
				return
			}
		}
	}
}

// run walks the rule's own steps (years, months, weeks, days), gathers the days
// of each that fit, and chooses among them.
func (r Rule) run(start Date, ended func(Date) bool) iter.Seq[Date] {
	r = r.completed(start)
	year, month, _ := start.Civil()
	end, given := On(year+horizon, month, 1), 0
	return func(yield func(Date) bool) {
		for n := 0; ; n += r.interval {
			first, last := r.step(start, n)
			if first > end || r.interval == 0 {
				return
			}
			for _, d := range r.fitting(first, last) {
				if d < start {
					continue
				}
				if !r.until.IsZero() && ended(d) || !yield(d) {
					return
				}
				if given++; given == r.count {
					return
				}
			}
		}
	}
}

// completed takes from the start what the rule leaves open (RFC 5545, 3.3.10).
func (r Rule) completed(start Date) Rule {
	if len(r.weeks)+len(r.yearDays)+len(r.monthDays)+len(r.weekdays) > 0 {
		return r
	}
	_, month, day := start.Civil()
	switch r.freq {
	case "YEARLY":
		if len(r.months) == 0 {
			r.months = []int{int(month)}
		}
		r.monthDays = []int{day}
	case "MONTHLY":
		r.monthDays = []int{day}
	case "WEEKLY":
		r.weekdays = []nth{{start.Weekday(), 0}}
	}
	return r
}

// step gives the first and last day of the n-th step from that of the start.
func (r Rule) step(start Date, n int) (first, last Date) {
	year, month, _ := start.Civil()
	switch r.freq {
	case "YEARLY":
		return On(year+n, 1, 1), On(year+n, 12, 31)
	case "MONTHLY":
		return On(year, month+time.Month(n), 1), On(year, month+time.Month(n)+1, 1) - 1
	case "WEEKLY":
		first = start - Date((start.Weekday()-r.wkst+7)%7) + Date(7*n)
		return first, first + 6
	}
	return start + Date(n), start + Date(n)
}

func (r Rule) fitting(first, last Date) []Date {
	var fit []Date
	for d := first; d <= last; d++ {
		year, month, day := d.Civil()
		if len(r.months) > 0 && !slices.Contains(r.months, int(month)) {
			d += Date(lengthOfMonth(d) - day) // nothing else in this month
			continue
		}
		newYear := On(year, 1, 1)
		inMonth, inYear := span{day, lengthOfMonth(d)}, span{int(d-newYear) + 1, int(On(year+1, 1, 1) - newYear)}
		if inMonth.among(r.monthDays) && inYear.among(r.yearDays) && r.inWeeks(d) && r.onWeekday(d, inMonth, inYear) {
			fit = append(fit, d)
		}
	}
	if len(r.positions) == 0 {
		return fit
	}
	var chosen []Date
	for i, d := range fit {
		if (span{i + 1, len(fit)}).among(r.positions) {
			chosen = append(chosen, d)
		}
	}
	return chosen
}

// span is a place in a row, counted from 1, and how long the row is.
type span struct{ at, of int }

// among tells whether a list names the place, from the start or from the end. An
// empty list names every place.
func (s span) among(list []int) bool {
	return len(list) == 0 || slices.Contains(list, s.at) || slices.Contains(list, s.at-s.of-1)
}

func (r Rule) onWeekday(d Date, inMonth, inYear span) bool {
	in := inMonth
	if r.freq == "YEARLY" && len(r.months) == 0 {
		in = inYear
	}
	for _, w := range r.weekdays {
		if d.Weekday() == w.day && (w.n == 0 || w.n == (in.at-1)/7+1 || w.n == -((in.of-in.at)/7+1)) {
			return true
		}
	}
	return len(r.weekdays) == 0
}

// inWeeks numbers weeks by ISO 8601, but from the rule's own first weekday: week
// 1 holds 4 January.
func (r Rule) inWeeks(d Date) bool {
	if len(r.weeks) == 0 {
		return true
	}
	one := func(year int) Date {
		j := On(year, 1, 4)
		return j - Date((j.Weekday()-r.wkst+7)%7)
	}
	year, _, _ := d.Civil()
	switch {
	case d < one(year):
		year--
	case d >= one(year+1):
		year++
	}
	return span{int(d-one(year))/7 + 1, int(one(year+1)-one(year)) / 7}.among(r.weeks)
}
