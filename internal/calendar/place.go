package calendar

import "time"

// Local gives the instant at which a wall clock of the zone shows the day and
// the time since midnight. A time that happens twice is the first of the two; one
// that a change of clocks leaves out is read with the offset before the gap, so
// that 02:30 becomes 03:30 and nothing planned then is lost (RFC 5545, 3.3.5).
func Local(d Date, clock time.Duration, zone *time.Location) time.Time {
	wall := d.UTC().Add(clock)
	if offset, ok := steady(wall, zone); ok {
		return wall.Add(-offset).In(zone)
	}
	_, before := wall.Add(-24 * time.Hour).In(zone).Zone()
	_, after := wall.Add(24 * time.Hour).In(zone).Zone()
	first := wall.Add(-time.Duration(before) * time.Second).In(zone)
	if before == after {
		return first
	}
	second := wall.Add(-time.Duration(after) * time.Second).In(zone)
	if shows(first, wall) || !shows(second, wall) {
		return first
	}
	return second
}

// steady gives the zone's offset around an instant, if no change of clocks is
// near: two days cover every offset and every change there ever was.
func steady(t time.Time, zone *time.Location) (time.Duration, bool) {
	const near = 48 * time.Hour
	local := t.In(zone)
	from, to := local.ZoneBounds()
	if !from.IsZero() && t.Sub(from) < near || !to.IsZero() && to.Sub(t) < near {
		return 0, false
	}
	_, offset := local.Zone()
	return time.Duration(offset) * time.Second, true
}

func shows(t, wall time.Time) bool {
	_, offset := t.Zone()
	return t.Unix()+int64(offset) == wall.Unix()
}

// Place is where days are counted: a site's zone, and the time of day at which its
// operating day turns. What is done at 01:30 on Sunday where the day turns at
// 03:00 belongs to Saturday.
type Place struct {
	Zone  *time.Location
	Turns time.Duration // since midnight, under 24 h
}

// Start gives the instant at which the operating day begins.
func (p Place) Start(d Date) time.Time { return Local(d, p.Turns, p.Zone) }

// Day gives the operating day to which the instant belongs. Where a change of
// clocks shows the hour of the turn twice, the day turns once, the first time.
func (p Place) Day(t time.Time) Date {
	if offset, ok := steady(t, p.Zone); ok {
		return DateOf(t.UTC().Add(offset - p.Turns))
	}
	d := DateOf(t.In(p.Zone).Add(-p.Turns))
	for t.Before(p.Start(d)) {
		d--
	}
	for !t.Before(p.Start(d + 1)) {
		d++
	}
	return d
}
