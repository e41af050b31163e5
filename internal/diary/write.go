package diary

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode"

	ics "github.com/arran4/golang-ical"
	"github.com/google/uuid"

	"spindlebook/internal/calendar"
	"spindlebook/internal/pm"
	"spindlebook/internal/pm/visits"
)

// entry is one event of a calendar.
type entry struct {
	uid      uuid.UUID
	sequence int // counts its changes
	changed  time.Time
	status   ics.ObjectStatus
	free     bool // it keeps nobody from other things
	summary  string
	says     string
	place    string
	lat, lon *float64
	path     string
	// with a time of day, in a zone
	starts, ends time.Time
	zone         *time.Location
	// or a whole day
	day calendar.Date
}

// ours is how the calendar names its maker (RFC 5545, 3.7.3).
const ours = "-//spindlebook//visits//EN"

// write puts entries into a calendar by RFC 5545. It holds nothing of the moment
// at which it is written, so that it stays the same while nothing changes.
func write(title string, entries []entry, public func(path string) string) ([]byte, error) {
	cal := ics.NewCalendar()
	cal.SetProductId(ours)
	cal.SetCalscale("GREGORIAN")
	cal.SetName(tidy(title))       // RFC 7986
	cal.SetXWRCalName(tidy(title)) // what programs read that are older than it
	cal.SetRefreshInterval("PT30M")
	cal.SetXPublishedTTL("PT30M")
	zones := zonesOf(entries)
	if len(entries) == 0 { // something has to stand in a calendar (3.6)
		zones = append(zones, zone(time.UTC, time.Time{}, time.Time{}))
	}
	for _, z := range zones {
		cal.AddVTimezone(z)
	}
	for _, e := range entries {
		v := cal.AddEvent(e.uid.String())
		v.SetDtStampTime(e.changed) // without METHOD: when it was revised last (3.8.7.2)
		v.SetModifiedAt(e.changed)
		v.SetSequence(e.sequence)
		v.SetStatus(e.status)
		v.SetSummary(tidy(e.summary))
		if e.says != "" {
			v.SetDescription(tidy(e.says))
		}
		if e.place != "" {
			v.SetLocation(tidy(e.place))
		}
		if e.lat != nil && e.lon != nil {
			ics.SetGeo(v, fmt.Sprintf("%.6f", *e.lat), fmt.Sprintf("%.6f", *e.lon))
		}
		v.SetURL(public(e.path))
		v.SetTimeTransparency(ics.TransparencyOpaque)
		if e.free || e.status == ics.ObjectStatusCancelled {
			v.SetTimeTransparency(ics.TransparencyTransparent)
		}
		if e.zone == nil {
			v.SetAllDayStartAt(e.day.UTC())
			v.SetAllDayEndAt((e.day + 1).UTC()) // the end is the first day that is none of it (3.6.1)
			continue
		}
		v.SetProperty(ics.ComponentPropertyDtStart, wall(e.starts, e.zone), ics.WithTZID(e.zone.String()))
		v.SetProperty(ics.ComponentPropertyDtEnd, wall(e.ends, e.zone), ics.WithTZID(e.zone.String()))
	}
	var b strings.Builder
	err := cal.SerializeTo(&b, ics.WithNewLine("\r\n"))
	return []byte(b.String()), err
}

func wall(t time.Time, at *time.Location) string { return t.In(at).Format("20060102T150405") }

// tidy leaves out of a text what no content line may hold (3.1): control signs other
// than the end of a line, which is written in one way.
func tidy(s string) string {
	s = strings.ReplaceAll(strings.ToValidUTF8(s, "\uFFFD"), "\r\n", "\n")
	return strings.Map(func(r rune) rune {
		switch {
		case r == '\n' || r == '\t':
			return r
		case r == '\r':
			return '\n'
		case unicode.IsControl(r):
			return -1
		}
		return r
	}, s)
}

// zonesOf describes the zones of the entries over the years in which they lie: what
// reads the calendar may know nothing of the zone's name.
func zonesOf(entries []entry) []*ics.VTimezone {
	type span struct {
		at          *time.Location
		from, until time.Time
	}
	by := map[string]*span{}
	for _, e := range entries {
		if e.zone == nil {
			continue
		}
		s := by[e.zone.String()]
		if s == nil {
			s = &span{e.zone, e.starts, e.ends}
			by[e.zone.String()] = s
		}
		if e.starts.Before(s.from) {
			s.from = e.starts
		}
		if e.ends.After(s.until) {
			s.until = e.ends
		}
	}
	var all []*ics.VTimezone
	for _, s := range by {
		from := time.Date(s.from.In(s.at).Year(), time.January, 1, 0, 0, 0, 0, s.at)
		until := time.Date(s.until.In(s.at).Year()+1, time.January, 1, 0, 0, 0, 0, s.at)
		all = append(all, zone(s.at, from, until))
	}
	slices.SortFunc(all, func(a, b *ics.VTimezone) int {
		return cmp.Compare(a.GetProperty(ics.ComponentPropertyTzid).Value, b.GetProperty(ics.ComponentPropertyTzid).Value)
	})
	return all
}

// zone writes each change of the clock from the one that held at from up to until. A rule
// would be shorter, and wrong where a zone has none.
func zone(at *time.Location, from, until time.Time) *ics.VTimezone {
	z := ics.NewTimezone(at.String())
	for t := from; ; {
		begins, ends := t.In(at).ZoneBounds()
		name, offset := t.In(at).Zone()
		before := offset
		onset := time.Date(1970, time.January, 1, 0, 0, 0, 0, time.UTC) // a clock that never changed
		if !begins.IsZero() {
			_, before = begins.Add(-time.Second).In(at).Zone()
			onset = begins.UTC().Add(time.Duration(before) * time.Second)
		}
		var c *ics.ComponentBase
		if t.In(at).IsDST() {
			d := &ics.Daylight{}
			z.Components, c = append(z.Components, d), &d.ComponentBase
		} else {
			c = &z.AddStandard().ComponentBase
		}
		c.SetProperty(ics.ComponentPropertyDtStart, onset.Format("20060102T150405"))
		c.SetProperty(ics.ComponentProperty(ics.PropertyTzoffsetfrom), offsetWords(before))
		c.SetProperty(ics.ComponentProperty(ics.PropertyTzoffsetto), offsetWords(offset))
		c.SetProperty(ics.ComponentProperty(ics.PropertyTzname), name)
		if ends.IsZero() || !ends.Before(until) {
			return z
		}
		t = ends
	}
}

// offsetWords writes an offset as hours and minutes (3.3.14), with seconds where there are any.
func offsetWords(seconds int) string {
	sign := '+'
	if seconds < 0 {
		sign, seconds = '-', -seconds
	}
	w := fmt.Sprintf("%c%02d%02d", sign, seconds/3600, seconds/60%60)
	if s := seconds % 60; s != 0 {
		w += fmt.Sprintf("%02d", s)
	}
	return w
}

// engagement makes an entry of a visit.
func engagement(c Calendar, internal bool, v visits.Engagement, tasks []visits.Task) entry {
	e := entry{uid: v.ID, sequence: v.Version - 1, changed: v.ChangedAt, starts: v.StartsAt, ends: v.EndsAt, zone: v.Location(),
		place: strings.TrimSpace(v.SiteName + "\n" + v.Address), lat: v.Latitude, lon: v.Longitude, path: "/visits/" + v.ID.String(), free: c.Shows != Person}
	e.summary = v.SiteCode + " " + v.SiteName
	if c.Shows == Site {
		e.summary = "Service visit"
	}
	n := 0
	var lines []string
	for _, t := range tasks {
		if t.EndedHow == "moved" || t.EndedHow == "dropped" {
			continue
		}
		n++
		line := "- " + t.Title
		if t.PositionCode != "" {
			line += ", " + t.PositionCode
		}
		switch t.EndedHow {
		case "done":
			line += ": done"
		case "left":
			line += ": not done"
		}
		lines = append(lines, line)
	}
	switch n {
	case 0:
	case 1:
		e.summary += ": " + strings.TrimPrefix(lines[0], "- ")
	default:
		e.summary += fmt.Sprintf(": %d jobs", n)
	}
	e.status = ics.ObjectStatusConfirmed
	switch v.State {
	case visits.Proposed:
		e.status = ics.ObjectStatusTentative
		e.summary = "Proposed: " + e.summary
	case visits.Abandoned:
		e.status = ics.ObjectStatusCancelled
		e.summary = "Called off: " + e.summary
	}
	var said []string
	switch {
	case v.State == visits.Abandoned && internal:
		said = append(said, "Called off: "+v.EndedWhy)
	case v.State == visits.Closed:
		said = append(said, "Finished.")
	}
	said = append(said, lines...)
	var names []string
	for _, p := range v.People {
		if p.Name != "" {
			names = append(names, p.Name)
		}
	}
	if len(names) > 0 {
		said = append(said, "Who comes: "+strings.Join(names, ", "))
	}
	if internal && v.VanCode != "" {
		said = append(said, "Van: "+v.VanCode)
	}
	said = append(said, fmt.Sprintf("Visit %d", v.Number))
	e.says = strings.Join(said, "\n")
	return e
}

// dueDay makes an entry of a task that is on no visit that the reader sees: the day on which it falls due.
func dueDay(internal bool, t pm.Task) entry {
	e := entry{uid: t.ID, sequence: t.Version - 1, changed: t.ChangedAt, status: ics.ObjectStatusTentative, free: true, day: calendar.DateOf(t.DueOn.UTC()), path: "/sites/" + t.SiteID.String()}
	where := t.PositionCode
	if where == "" {
		where = t.LineCode
	}
	e.summary = "Due: " + t.Title
	if where != "" {
		e.summary += ", " + where
	}
	early, late := t.EarliestOn.Format("2 January 2006"), t.LatestOn.Format("2 January 2006")
	said := []string{"May be done from " + early + " until " + late + "."}
	if early == late {
		said[0] = "Is to be done on " + early + "."
	}
	if t.PlannedOn != nil && internal {
		said = append(said, "Meant to be done on "+t.PlannedOn.Format("2 January 2006")+".")
	}
	if t.Says != "" {
		said = append(said, t.Says)
	}
	e.says = strings.Join(said, "\n")
	return e
}
