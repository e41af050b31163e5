package draw

import (
	"strings"
	"testing"
	"time"
)

func fittings() Timeline {
	at := func(y int, m time.Month, d int) *time.Time {
		t := time.Date(y, m, d, 8, 0, 0, 0, time.UTC)
		return &t
	}
	return Timeline{ID: "y", Title: "Low side brush, driver side, since March 2023", Now: *at(2026, 11, 30), Zone: time.UTC, Rows: []TimelineRow{
		{Name: "State", Spans: []Stretch{{From: at(2023, 3, 1), Until: at(2025, 6, 2), Label: "in service", Says: "in service from 1 March 2023"}, {From: at(2025, 6, 2), Until: at(2025, 9, 14), Label: "parked", Says: "parked", Kind: "parked"},
			{From: at(2025, 9, 14), Label: "in service", Says: "in service since 14 September 2025"}}},
		{Name: "Gearmotor", Spans: []Stretch{{Until: at(2024, 2, 11), Label: "GM-00007", Says: "GM-00007, until it failed", Bad: true}, {From: at(2024, 2, 11), Label: "GM-00031", Says: "GM-00031 since 11 February 2024"}}},
		{Name: "Media set", Spans: []Stretch{{From: at(2023, 3, 1), Until: at(2024, 5, 2), Label: "MS-00002"}, {From: at(2024, 5, 2), Until: at(2024, 5, 3), Label: "MS-00009"}, {From: at(2024, 5, 3), Until: at(2025, 6, 2), Label: "MS-00011"},
			{From: at(2025, 6, 2), Until: at(2025, 9, 14), Label: "nothing", Kind: "empty"}, {From: at(2025, 9, 14), Label: "MS-00020"}}},
		{Name: "Work and faults", Marks: []Mark{{At: *at(2023, 9, 9), Says: "greased"}, {At: *at(2024, 2, 10), Says: "it stood still", Kind: "fault"}, {At: *at(2024, 2, 11), Says: "gearmotor replaced"}, {At: *at(2026, 10, 2), Says: "greased"}}},
	}}
}

func TestTimes(t *testing.T) {
	golden(t, "times-desk.svg", Times(fittings(), 880))
	golden(t, "times-phone.svg", Times(fittings(), 340))
	golden(t, "times-empty.svg", Times(Timeline{ID: "y", Title: "Nothing is on record", Now: fittings().Now, Zone: time.UTC, Rows: []TimelineRow{{Name: "State"}}}, 340))
	wellFormed(t, Times(Timeline{ID: "y", Now: fittings().Now, Zone: time.UTC}, 340))
	evil := fittings()
	const script = `"><script>alert(1)</script>`
	evil.Title, evil.Rows[0].Name, evil.Rows[1].Spans[0].Label, evil.Rows[1].Spans[0].Says, evil.Rows[1].Spans[0].Kind, evil.Rows[3].Marks[0].Says, evil.Rows[3].Marks[0].Kind = script, script, script, script, script, script, script
	if svg := Times(evil, 880); strings.Contains(svg, "<script") {
		t.Error("a script came through")
	}
	// what ends in the instant in which it begins, and what lies ahead
	now := fittings().Now
	later := now.AddDate(1, 0, 0)
	svg := Times(Timeline{ID: "y", Now: now, Zone: time.UTC, Rows: []TimelineRow{{Spans: []Stretch{{From: &now, Until: &now}, {From: &later}}, Marks: []Mark{{At: later}}}}}, 340)
	wellFormed(t, svg)
	if strings.Contains(svg, "NaN") || strings.Contains(svg, "Inf") || strings.Contains(svg, "circle") {
		t.Errorf("drawn as %s", svg)
	}
}
