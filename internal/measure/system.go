package measure

import (
	"math"
	"strconv"
)

// System is in which units somebody likes to read.
type System string

// The systems; the first shows everything as it was entered.
const (
	AsEntered System = "as_entered"
	Metric    System = "metric"
	US        System = "us"
)

// Systems lists them in the order in which they are offered.
var Systems = []System{AsEntered, Metric, US}

// instead says in which unit of a system something is shown that was entered in another.
// An hour, a count or a volt is the same everywhere; small volumes stay as they are, since
// what is poured from a syringe is marked in millilitres here as there.
var instead = map[System]map[string]string{
	Metric: {"ft": "m", "in": "mm", "ft/min": "m/min", "lb": "kg", "oz": "g", "psi": "bar", "lbf.ft": "N.m", "lbf": "N", "gal": "L", "F": "C"},
	US: {"m": "ft", "cm": "in", "mm": "in", "m/min": "ft/min", "m/s": "ft/min", "kg": "lb", "g": "oz", "kPa": "psi", "bar": "psi", "N.m": "lbf.ft", "N": "lbf",
		"L": "gal", "C": "F"},
}

// In gives the unit of the system for a unit: the same where it belongs there.
func (s System) In(unit string) string {
	if other := instead[s][unit]; other != "" {
		return other
	}
	return unit
}

// Show writes a value that was entered as typed in the units of the system, one digit
// finer than it was entered, so that a bore of 1.5 in is 38.1 mm and not 38; 110 ft are 33.53 m.
// Changed is false where it stands there as it was entered.
func (s System) Show(typed string) (shown string, changed bool) {
	t, ok := Parse(typed)
	unit := s.In(t.Unit)
	if !ok || unit == t.Unit {
		return typed, false
	}
	return s.show(t, finest(typed), unit)
}

// ShowValue is Show for a number that stands apart from its unit.
func (s System) ShowValue(value float64, unit string) string {
	typed := strconv.FormatFloat(value, 'f', -1, 64) + " " + unit
	shown, _ := s.Show(typed)
	return shown
}

// finest counts the decimals in which a value was entered.
func finest(typed string) int {
	for i := range typed {
		if typed[i] == '.' {
			n := 0
			for _, d := range typed[i+1:] {
				if d < '0' || d > '9' {
					break
				}
				n++
			}
			return n
		}
		if typed[i] == ' ' {
			break
		}
	}
	return 0
}

func (s System) show(t Typed, decimals int, unit string) (string, bool) {
	value, ok := Convert(t.Value, t.Unit, unit)
	if !ok {
		return strconv.FormatFloat(t.Value, 'f', -1, 64) + " " + t.Unit, false
	}
	one, _ := Convert(1, t.Unit, unit)
	zero, _ := Convert(0, t.Unit, unit)
	step := math.Pow(10, -float64(decimals)) * math.Abs(one-zero) // what one more of the last digit is in the other unit
	keep := max(0, int(math.Ceil(-math.Log10(step)-1e-9))+1)
	scale := math.Pow(10, float64(keep))
	// cleared first of what binary fractions add, so that 34.925 rounds as a person does
	value = math.Round(math.Round(value*scale*1e6)/1e6) / scale
	return strconv.FormatFloat(value+0, 'f', -1, 64) + " " + unit, true
}
