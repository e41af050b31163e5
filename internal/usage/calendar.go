package usage

import (
	"sort"
	"time"

	"spindlebook/internal/fault"
)

// Place is what a calendar needs to know of a site.
type Place struct {
	Zone   *time.Location
	Turns  time.Duration             // when its operating day turns, after local midnight; at most 24 h
	Closed func(date time.Time) bool // whether it is closed on a local date, given as midnight UTC; nil: never
}

// Calendar counts operational days at a site: a mean day is one. It is a table
// of the days between two instants; beyond them every day counts as one, which
// is right on average. It may be used by several goroutines at once.
type Calendar struct {
	profile Profile
	zone    *time.Location
	first   time.Time   // date of the first operating day, as midnight UTC
	start   []int64     // when each operating day begins, in Unix seconds, and where the last ends
	op      []float64   // operational days gone by then
	within  [25]float64 // share of a day's use gone by after each 24th of an operating day
}

// daySeconds is a day of 24 hours: what a day beyond the table has.
const daySeconds = 86400

// longest bounds a table, so that a mistyped year cannot fill the memory.
const longest = 100 * 366

// NewCalendar lays a profile over the days of a site from one instant to another.
// A year of it takes 6 kB. It fails where the profile holds what is no factor,
// the zone is missing or the range is empty or longer than a century.
func NewCalendar(p Profile, at Place, from, to time.Time) (*Calendar, error) {
	if err := p.check(); err != nil {
		return nil, err
	}
	if at.Zone == nil {
		return nil, fault.Field("zone", "", "is needed: a day begins where the site is")
	}
	if at.Turns < 0 || at.Turns > 24*time.Hour {
		return nil, fault.Field("turns", at.Turns, "lies between 0 and 24 h")
	}
	first := operatingDate(from, at)
	last := operatingDate(to, at)
	n := int(last.Sub(first)/(24*time.Hour)) + 1
	if n < 1 || n > longest {
		return nil, fault.Field("to", to.Format(time.RFC3339), "must come after %s, by at most a century", from.Format(time.RFC3339))
	}
	c := &Calendar{profile: p, zone: at.Zone, first: first, start: make([]int64, n+1), op: make([]float64, n+1), within: spread(p.Hour, at.Turns)}
	total := 0.0
	for i := range n + 1 {
		day := first.AddDate(0, 0, i)
		c.start[i], c.op[i] = turn(day, at).Unix(), total
		if at.Closed == nil || !at.Closed(day) {
			total += p.day(day)
		}
	}
	return c, nil
}

// day gives a date's use over that of a mean day.
func (p *Profile) day(date time.Time) float64 {
	return p.Month[date.Month()-1] * p.Weekday[date.Weekday()]
}

// turn gives the instant at which the operating day of a date begins. Where the
// clock skips that hour it is an hour off for that day.
func turn(date time.Time, at Place) time.Time {
	y, m, d := date.Date()
	return time.Date(y, m, d, 0, 0, int(at.Turns/time.Second), 0, at.Zone)
}

// operatingDate gives the date whose operating day holds an instant, as midnight
// UTC: what happens at one in the morning belongs to the day before.
func operatingDate(t time.Time, at Place) time.Time {
	y, m, d := t.In(at.Zone).Date()
	day := time.Date(y, m, d, 0, 0, 0, 0, time.UTC)
	switch {
	case turn(day, at).After(t):
		return day.AddDate(0, 0, -1)
	case !turn(day.AddDate(0, 0, 1), at).After(t):
		return day.AddDate(0, 0, 1)
	}
	return day
}

// spread turns shares of the hours of the clock into what has gone by after each
// 24th of an operating day.
func spread(hour [24]float64, turns time.Duration) (within [25]float64) {
	all := sum(hour[:])
	if all <= 0 {
		for i := range within {
			within[i] = float64(i) / 24
		}
		return within
	}
	part := turns.Hours() - float64(int(turns.Hours())) // a day that turns at 03:30 takes half of two hours
	for i := range 24 {
		h := int(turns.Hours()) + i
		within[i+1] = within[i] + ((1-part)*hour[h%24]+part*hour[(h+1)%24])/all
	}
	within[24] = 1
	return within
}

// index gives the day of the table that holds an instant within it.
func (c *Calendar) index(unix int64) int {
	i := int((unix - c.start[0]) / daySeconds)
	i = min(i, len(c.start)-2)
	for c.start[i] > unix {
		i--
	}
	for i < len(c.start)-2 && c.start[i+1] <= unix {
		i++
	}
	return i
}

// at gives the operational days gone by since the table began, less than zero
// before. It never falls as t grows.
func (c *Calendar) at(t time.Time) float64 {
	unix, last := t.Unix(), len(c.start)-1
	switch {
	case unix < c.start[0]:
		return float64(unix-c.start[0]) / daySeconds
	case unix >= c.start[last]:
		return c.op[last] + float64(unix-c.start[last])/daySeconds
	}
	i := c.index(unix)
	part := 24 * float64(unix-c.start[i]) / float64(c.start[i+1]-c.start[i])
	h := int(part)
	gone := c.within[h] + (part-float64(h))*(c.within[h+1]-c.within[h])
	return c.op[i] + gone*(c.op[i+1]-c.op[i])
}

// slack forgives what binary fractions add, in operational days: what is reached
// in the last minute before closing must not wait until after the holidays.
const slack = 1e-9

// when is the inverse of at: the first second by which so many operational days
// have gone by.
func (c *Calendar) when(op float64) time.Time {
	last := len(c.op) - 1
	op -= slack
	switch {
	case op <= c.op[0]:
		return seconds(c.start[0], (op-c.op[0])*daySeconds)
	case !(op <= c.op[last]): // or no number at all
		return seconds(c.start[last], (op-c.op[last])*daySeconds)
	}
	i := sort.SearchFloat64s(c.op, op) - 1 // op[i] < op <= op[i+1]
	gone := (op - c.op[i]) / (c.op[i+1] - c.op[i])
	h := 0
	for h < 23 && c.within[h+1] < gone {
		h++
	}
	part := float64(h)
	if step := c.within[h+1] - c.within[h]; step > 0 {
		part += min((gone-c.within[h])/step, 1)
	}
	return seconds(c.start[i], part/24*float64(c.start[i+1]-c.start[i]))
}

// latest is how far beyond the table an instant may lie, in seconds: more than a
// century counts as never.
const latest = longest * daySeconds

// seconds adds seconds to an instant and rounds up, but for what binary
// fractions add.
func seconds(unix int64, add float64) time.Time {
	if !(add < latest) {
		return time.Time{}
	}
	whole := int64(add)
	if add-float64(whole) > 1e-3 {
		whole++
	}
	return time.Unix(unix+whole, 0).UTC()
}

// Days gives the operational days from one instant to another: how many mean
// days' use is expected between them.
func (c *Calendar) Days(from, to time.Time) float64 { return c.at(to) - c.at(from) }
