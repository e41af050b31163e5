package demo

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"time"
)

// registerDays is how long the register has been kept: a year and a half.
const registerDays = 548

// clock turns the instants of the data files, which are told from now or from
// the sale, into instants of one site's local time.
type clock struct {
	now   time.Time
	began time.Time // when the register began
	sale  time.Time
	start time.Time // when the site was taken on
	loc   *time.Location
}

// newClock gives the clock of a zone. The sale is the latest midyear that is at
// least 60 days ago, so that both owners have a history.
func newClock(now time.Time, zone string) (clock, error) {
	loc, err := time.LoadLocation(zone)
	if err != nil {
		return clock{}, err
	}
	c := clock{now: now, began: now.AddDate(0, 0, -registerDays), loc: loc}
	recent := now.AddDate(0, 0, -60).In(loc)
	c.sale = time.Date(recent.Year(), time.July, 1, 0, 0, 0, 0, loc)
	if c.sale.After(recent) {
		c.sale = c.sale.AddDate(-1, 0, 0)
	}
	return c, nil
}

var instant = regexp.MustCompile(`^(start|sale)?([+-]\d+d)?( mon| tue| wed| thu| fri| sat| sun)?( \d\d:\d\d)?$`)

var weekdays = map[string]time.Weekday{"mon": 1, "tue": 2, "wed": 3, "thu": 4, "fri": 5, "sat": 6, "sun": 0}

// at reads an instant: days before or after today, the sale or the start; moved
// on to a weekday; at a local time, ten o'clock where none is given. "start"
// and "sale" alone are these very instants, and "" is the start.
func (c clock) at(text string) (time.Time, error) {
	switch text {
	case "", "start":
		return c.start, nil
	case "sale":
		return c.sale, nil
	}
	m := instant.FindStringSubmatch(text)
	if m == nil {
		return time.Time{}, fmt.Errorf("%q is no instant", text)
	}
	base := map[string]time.Time{"": c.now, "sale": c.sale, "start": c.start}[m[1]].In(c.loc)
	days, _ := strconv.Atoi(strings.TrimSuffix(m[2], "d"))
	hour, minute := 10, 0
	if m[4] != "" {
		_, _ = fmt.Sscanf(m[4], " %d:%d", &hour, &minute)
	}
	t := time.Date(base.Year(), base.Month(), base.Day()+days, hour, minute, 0, 0, c.loc)
	if m[3] != "" {
		for t.Weekday() != weekdays[m[3][1:]] {
			t = t.AddDate(0, 0, 1)
		}
	}
	return t, nil
}

// recorded gives when something that holds from an instant and was last seen at
// another came into the register: on the evening of that day, not before the
// register began.
func (c clock) recorded(from time.Time, seen *time.Time) time.Time {
	t := from
	if seen != nil && seen.After(t) {
		t = *seen
	}
	if t.Before(c.began) {
		return c.began
	}
	if t = t.Add(6 * time.Hour); t.After(c.now) {
		return c.now
	}
	return t
}

// holiday is a public holiday on which half the town wants a clean car.
type holiday struct {
	name string
	day  time.Time
}

// holidays gives those of a year: dates of the calendar of the United States,
// common practice, no source.
func holidays(year int, loc *time.Location) []holiday {
	nth := func(month time.Month, day time.Weekday, n int) time.Time {
		t := time.Date(year, month, 1, 0, 0, 0, 0, loc)
		return t.AddDate(0, 0, (int(day-t.Weekday())+7)%7+7*(n-1))
	}
	return []holiday{
		{"Memorial Day", nth(time.June, time.Monday, 0)}, // the last Monday of May
		{"Independence Day", time.Date(year, time.July, 4, 0, 0, 0, 0, loc)},
		{"Labor Day", nth(time.September, time.Monday, 1)},
		{"Thanksgiving", nth(time.November, time.Thursday, 4)},
		{"Christmas", time.Date(year, time.December, 25, 0, 0, 0, 0, loc)},
	}
}

// busySaturdays gives the last Saturday before each holiday of the coming year,
// as local midnights.
func (c clock) busySaturdays() []holiday {
	var found []holiday
	today := c.now.In(c.loc)
	for _, year := range []int{today.Year(), today.Year() + 1} {
		for _, h := range holidays(year, c.loc) {
			saturday := h.day.AddDate(0, 0, -(int(h.day.Weekday()) + 1)) // a holiday on a Saturday: the one before
			if saturday.After(today) && saturday.Before(today.AddDate(1, 0, 0)) {
				found = append(found, holiday{h.name, saturday})
			}
		}
	}
	return found
}
