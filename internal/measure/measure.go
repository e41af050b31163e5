// Package measure keeps what somebody typed beside the same in SI: 110 ft and
// 33.528 m. It computes with exact factors and never rewrites the typed value.
package measure

import (
	"math"
	"slices"
	"strconv"
	"strings"

	"spindlebook/internal/fault"
)

// Quantity is what a measure is of.
type Quantity string

// The quantities in use, with their SI unit.
const (
	Length Quantity = "length" // metres
	Speed  Quantity = "speed"  // metres a minute: conveyors are rated so
	Mass   Quantity = "mass"   // kilograms
)

// factor turns one unit into the SI unit of its quantity. The international
// foot is 0.3048 m, the inch 0.0254 m and the pound 0.453 592 37 kg exactly (NIST
// SP 811, appendix B.8).
var factor = map[Quantity]map[string]float64{
	Length: {"m": 1, "cm": 0.01, "mm": 0.001, "ft": 0.3048, "in": 0.0254},
	Speed:  {"m/min": 1, "m/s": 60, "ft/min": 0.3048},
	Mass:   {"kg": 1, "g": 0.001, "lb": 0.45359237, "oz": 0.028349523125},
}

// most bounds what is taken, in SI units. Nothing at a vehicle wash comes near,
// and the rounding below holds up to there.
const most = 1e6

// Typed is a value with its unit as somebody gave them.
type Typed struct {
	Value float64
	Unit  string
}

// Measure is a typed value and the same in SI.
type Measure struct {
	Typed string // "110 ft"
	SI    float64
}

// Of reads a typed value as a measure of the quantity. field is the request
// field to name when the unit does not fit.
func Of(q Quantity, t Typed, field string) (Measure, *fault.Error) {
	f, ok := factor[q][t.Unit]
	if !ok {
		units := make([]string, 0, len(factor[q]))
		for u := range factor[q] {
			units = append(units, u)
		}
		slices.Sort(units)
		return Measure{}, fault.Field(field+".unit", t.Unit, "is one of %s", strings.Join(units, ", "))
	}
	if math.IsNaN(t.Value) || math.IsInf(t.Value, 0) {
		return Measure{}, fault.Field(field+".value", t.Value, "must be a finite number")
	}
	if math.Abs(t.Value*f) > most {
		return Measure{}, fault.Field(field+".value", t.Value, "is too large: at most %d in SI units", int(most))
	}
	// Multiplied, then cleared of what binary fractions add: the ninth decimal
	// of a metre is a nanometre.
	si := math.Round(t.Value*f*1e9) / 1e9
	return Measure{Typed: strconv.FormatFloat(t.Value, 'f', -1, 64) + " " + t.Unit, SI: si}, nil
}

// alike lists units between which readings of gauges are given, each as a multiple
// of the first of its kind: psi and lbf.ft as in NIST SP 811, appendix B.8.
var alike = []map[string]float64{
	factor[Length],
	factor[Speed],
	factor[Mass],
	{"kPa": 1, "bar": 100, "psi": 6.894757},
	{"N.m": 1, "lbf.ft": 1.355818},
	{"N": 1, "lbf": 4.448222},
	{"L": 1, "mL": 0.001, "gal": 3.785412},
	{"h": 1, "min": 1.0 / 60},
}

// Convert gives a value of one unit in another; ok is false where they do not
// measure the same. Degrees are converted as temperatures, not as differences.
func Convert(value float64, from, to string) (converted float64, ok bool) {
	switch {
	case from == to:
		return value, true
	case from == "F" && to == "C":
		return (value - 32) / 1.8, true
	case from == "C" && to == "F":
		return value*1.8 + 32, true
	}
	for _, units := range alike {
		f, known := units[from]
		t, wanted := units[to]
		if known && wanted {
			return value * f / t, true
		}
	}
	return 0, false
}

// Parse splits a stored typed text ("1.375 in") again.
func Parse(typed string) (Typed, bool) {
	v, unit, ok := strings.Cut(typed, " ")
	f, err := strconv.ParseFloat(v, 64)
	return Typed{Value: f, Unit: unit}, ok && err == nil
}
