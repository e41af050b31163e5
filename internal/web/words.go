package web

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"time"
)

// What the record keeps as codes, in the words of a page.
var words = map[string]string{
	"in_service": "in service", "parked": "parked", "empty": "empty", "retired": "retired", "": "not yet begun",
	"left": "left", "right": "right", "centre": "centre", "above": "above",
	"snowbelt": "Snow belt", "mild_wet": "Mild and wet", "warm_dry": "Warm and dry",
	"small": "Small", "medium": "Medium", "large": "Large",
	"electrical": "electricity", "air": "compressed air", "gravity": "weight", "hydraulic": "hydraulics", "water": "water", "chemical": "chemicals",
	"measured": "measured", "read_off_plate": "read off the plate", "seen": "seen", "told": "told by somebody", "drawing": "from a drawing", "assumed": "assumed",
	"clamp4": "four-screw clamp", "flange3": "three-bolt flange", "foam": "foam", "cloth": "cloth", "electric": "electric",
	"clockwise": "clockwise", "counter_clockwise": "counter-clockwise", "24VDC": "24 V DC", "120VAC": "120 V AC",
	"manager": "Service manager", "parts_clerk": "Parts clerk", "technician": "Technician", "owner": "Site owner",
	"site_staff": "Site staff", "gateway": "Counter gateway", "system": "The system",
	"open": "open", "line_may_be_down": "a line may be down",
	"person": "person", "program": "program",
	"failed": "failed", "limit_reached": "limit reached at inspection", "age": "replaced by age", "precaution": "as a precaution", "moved": "moved", "conversion": "conversion",
	"impact": "impact or vandalism", "loan_ended": "loan ended", "robbed": "robbed for another position", "fitted": "fitted from stock",
	"warehouse": "warehouse", "van": "van", "site_shelf": "shelf at a site", "bench": "bench", "quarantine": "quarantine", "returns": "returns", "in_transit": "in transit",
	"supplier": "at a supplier", "unexplained": "unexplained", "scrap": "scrap",
	"distributor": "the distributor", "consignment": "a supplier, on consignment", "customer": "the customer",
	"out_of_service": "out of service", "lock_on": "a lock is on", "in_parts": "in parts", "parts_there": "ours stays there", "other": "besides",
	"go": "goes", "go_without": "goes without", "wait": "waits", "move": "moves",
	"low": "low voltage", "high": "high voltage", "star": "star", "delta": "delta", "wye": "wye",
}

// say gives the words for a code; what has none is shown as it is.
func say(code any) string {
	s, ok := code.(string)
	if p, is := code.(*string); is && p != nil {
		s, ok = *p, true
	}
	if !ok {
		s = ""
	}
	if w, known := words[s]; known {
		return w
	}
	return s
}

func roleWords(roles []string) string {
	if len(roles) == 0 {
		return "no role at present"
	}
	var all []string
	for _, r := range roles {
		all = append(all, say(r))
	}
	return strings.Join(all, ", ")
}

// plural writes a count with its noun: "1 brush", "3 brushes".
func plural(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

// age says how long ago t lies, coarsely: nobody plans by "213 days ago".
func age(t, now time.Time) string {
	d := now.Sub(t)
	if d < 0 {
		return "ahead"
	}
	days := int(d.Hours() / 24)
	switch {
	case d < time.Minute:
		return "just now"
	case d < time.Hour:
		return plural(int(d.Minutes()), "minute", "minutes") + " ago"
	case days < 1:
		return plural(int(d.Hours()), "hour", "hours") + " ago"
	case days < 14:
		return plural(days, "day", "days") + " ago"
	case days < 70:
		return plural(days/7, "week", "weeks") + " ago"
	}
	months := monthsBetween(t, now)
	if months < 24 {
		return plural(months, "month", "months") + " ago"
	}
	return plural(months/12, "year", "years") + " ago"
}

func monthsBetween(t, now time.Time) int {
	t = t.In(now.Location())
	m := (now.Year()-t.Year())*12 + int(now.Month()) - int(t.Month())
	if now.Day() < t.Day() {
		m--
	}
	return max(m, 1)
}

// sideWords says on which side of the vehicle something stands at a site where
// the driver sits on driverSide: "left, driver side".
func sideWords(side, driverSide string) string {
	if side != "left" && side != "right" {
		return "centre"
	}
	return side + ", " + occupant(side, driverSide) + " side"
}

func occupant(side, driverSide string) string {
	if side == driverSide {
		return "driver"
	}
	return "passenger"
}

var instants = regexp.MustCompile(`\d{4}-\d{2}-\d{2}T\d{2}:\d{2}:\d{2}Z`)

// local writes the instants within a rule's sentence as people at one place
// read them.
func local(msg string, at *time.Location) string {
	return instants.ReplaceAllStringFunc(msg, func(s string) string {
		t, err := time.Parse(time.RFC3339, s)
		if err != nil {
			return s
		}
		return t.In(at).Format("2 January 2006, 15:04")
	})
}

var weekdays = []string{"", "Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday"}

// degrees writes a coordinate, "" where there is none.
func degrees(d *float64) string {
	if d == nil {
		return ""
	}
	return strconv.FormatFloat(*d, 'f', -1, 64)
}

// dayWords writes a day that was kept as YYYY-MM-DD where there is little room: "7 Dec 2026".
func dayWords(day any) string {
	text := text(day)
	t, err := time.Parse(time.DateOnly, text)
	if err != nil {
		return text
	}
	return t.Format("2 Jan 2006")
}
