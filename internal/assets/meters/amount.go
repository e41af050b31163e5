package meters

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Unit is what a meter counts.
type Unit string

// The units. Amounts of them are whole numbers: seconds of running, vehicles,
// cycles. A tenth of an hour is 360 seconds, so hours lose nothing; and a
// controller's minutes and seconds are exact, too.
const (
	Hours    Unit = "hours"
	Vehicles Unit = "vehicles"
	Cycles   Unit = "cycles"
)

// mostAmount bounds what is taken: 10^15 seconds are thirty million years.
const mostAmount = 1_000_000_000_000_000

// scale says what one of a unit as people write it is, and how many decimals it
// takes so that nothing is lost.
type scale struct {
	of       Unit
	each     int64
	decimals int
}

var scales = map[string]scale{
	"h": {Hours, 3600, 2}, "min": {Hours, 60, 1}, "s": {Hours, 1, 0}, "vehicles": {Vehicles, 1, 0}, "cycles": {Cycles, 1, 0},
}

// shownAs gives the unit in which a meter is shown when nobody says otherwise.
func (u Unit) shownAs() string {
	if u == Hours {
		return "h"
	}
	return string(u)
}

// unitsOf lists how amounts of u may be written.
func (u Unit) unitsOf() string {
	if u == Hours {
		return "h, min, s"
	}
	return string(u)
}

// read reads a number as somebody wrote it in a unit, exactly. bad is the rule
// that it breaks.
func (u Unit) read(text, unit string) (amount int64, bad string) {
	s, known := scales[unit]
	if !known || s.of != u {
		return 0, "has the unit " + unit + "; this meter takes " + u.unitsOf()
	}
	switch strings.ToLower(strings.TrimLeft(text, "+-")) {
	case "nan", "inf", "infinity":
		return 0, "must be a finite number"
	}
	if strings.HasPrefix(text, "-") {
		return 0, "must not be negative: a counter only counts up"
	}
	whole, frac, point := strings.Cut(text, ".")
	frac = strings.TrimRight(frac, "0")
	if whole == "" && (!point || frac == "") || !digits(whole) || !digits(frac) {
		return 0, "must be a number in digits with a point, such as 12345.6"
	}
	if len(frac) > s.decimals {
		if s.decimals == 0 {
			return 0, "must be a whole number of " + unit
		}
		return 0, fmt.Sprintf("takes at most %d decimals in %s", s.decimals, unit)
	}
	if whole = strings.TrimLeft(whole, "0"); len(whole) > 15 {
		return 0, "is larger than any counter"
	}
	var n, f int64
	if whole != "" {
		n, _ = strconv.ParseInt(whole, 10, 64) // digits, and few enough
	}
	if n > mostAmount/s.each {
		return 0, "is larger than any counter"
	}
	if frac != "" {
		f, _ = strconv.ParseInt((frac + "00")[:2], 10, 64) // hundredths
	}
	return n*s.each + f*s.each/100, ""
}

func digits(s string) bool {
	for i := range len(s) {
		if s[i] < '0' || s[i] > '9' {
			return false
		}
	}
	return true
}

// Format writes an amount as people read it: hours with a tenth, or as many
// decimals as it takes to lose nothing, four at most.
func (u Unit) Format(amount int64) string { return format(amount, u.shownAs()) }

// FormatIn writes an amount in a unit of a counter's face: h, min, s, vehicles or cycles.
func FormatIn(amount int64, unit string) string { return format(amount, unit) }

func format(amount int64, unit string) string {
	s := scales[unit]
	if s.each <= 1 { // a unit without parts, or none where there is nothing to write
		return strconv.FormatInt(amount, 10)
	}
	sign := ""
	if amount < 0 {
		sign, amount = "-", -amount
	}
	rest := amount % s.each
	for places, scale := 1, int64(10); ; places, scale = places+1, scale*10 {
		if rest*scale%s.each == 0 || places == 4 {
			// the seconds of a minute or an hour may have no end in decimals: cut, never rounded up
			return fmt.Sprintf("%s%d.%0*d", sign, amount/s.each, places, rest*scale/s.each)
		}
	}
}

// say writes an amount with its unit for a sentence.
func (u Unit) say(amount int64) string { return u.Format(amount) + " " + u.shownAs() }

// Grade says how well an amount is known. A sum is as good as the worst of it.
type Grade int

// The grades, the best first.
const (
	Seen         Grade = iota + 1 // somebody or something read it
	Interpolated                  // between two readings
	Extrapolated                  // beyond the readings, or from an estimate
	Computed                      // from other meters
	Default                       // nothing is known
)

var gradeNames = map[Grade]string{Seen: "read", Interpolated: "interpolated", Extrapolated: "extrapolated", Computed: "computed", Default: "default"}

// String gives the grade's name.
func (g Grade) String() string { return gradeNames[g] }

// weaker gives the worse of two grades.
func weaker(a, b Grade) Grade { return max(a, b) }

// gradeOf gives the grade of a reading by its source.
func gradeOf(source string) Grade {
	switch source {
	case "estimate":
		return Extrapolated
	case "computed":
		return Computed
	}
	return Seen
}

// share multiplies an amount by a share or ratio and rounds to the nearest whole.
func share(amount int64, by float64) int64 { return int64(math.Round(float64(amount) * by)) }
