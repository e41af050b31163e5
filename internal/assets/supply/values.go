package supply

import (
	_ "embed"
	"fmt"
	"math"
	"strconv"
	"strings"

	"spindlebook/internal/fault"
)

// Unbalance is how far three voltages stand apart.
type Unbalance struct {
	Percent float64 // the largest deviation from their average, of that average
	Derate  float64 // the part of its power to which a motor may be loaded; 0 where it must not run
	Run     bool    // false above 5 %
}

// derating is read from a curve, so that each value is ±0.01: NEMA MG 1, the
// values at 2 % and 3 % from print, the others from memory. Between two points
// the lower one holds.
var derating = []struct{ upTo, part float64 }{{1, 1}, {2, 0.95}, {3, 0.88}, {4, 0.82}, {5, 0.75}}

// UnbalanceOf gives the voltage unbalance as NEMA MG 1 defines it. It gives
// false where the voltages cannot be read: negative, not finite or all zero.
func UnbalanceOf(m Measured) (Unbalance, bool) {
	if !m.readable() {
		return Unbalance{}, false
	}
	mean := m.average()
	most := max(math.Abs(m.AB-mean), math.Abs(m.BC-mean), math.Abs(m.CA-mean))
	u := Unbalance{Percent: 100 * most / mean}
	for _, d := range derating {
		if u.Percent <= d.upTo+slack {
			u.Derate, u.Run = d.part, true
			break
		}
	}
	return u, true
}

// FullLoadSource is to be shown beside a current from the table.
const FullLoadSource = "NFPA 70, table 430.250, three-phase induction motors; it sizes conductors and short-circuit protection. An overload is set by the nameplate current."

//go:embed full_load_current.csv
var fullLoadCSV string

// FullLoadCurrent gives the current in amperes that the code's table has for a
// three-phase motor of so many horsepower at a nameplate voltage. The table
// here ends at 5 hp and knows 115, 200, 208, 230, 460 and 575 V.
func FullLoadCurrent(hp, volts float64) (amps float64, ok bool) {
	rows := strings.Split(strings.TrimSpace(fullLoadCSV), "\n")
	column := -1
	for i, head := range strings.Split(rows[0], ",") {
		if head == "A_"+strconv.FormatFloat(volts, 'f', -1, 64)+"V" {
			column = i
		}
	}
	power := map[float64]string{0.5: "1/2", 0.75: "3/4", 1: "1", 1.5: "1-1/2", 2: "2", 3: "3", 5: "5"}[hp]
	for _, row := range rows[1:] {
		cells := strings.Split(row, ",")
		if column > 0 && cells[0] == power {
			amps, err := strconv.ParseFloat(cells[column], 64)
			return amps, err == nil // no motor of 3 hp runs on 115 V
		}
	}
	return 0, false
}

// Overload is the range in which a separate overload device is set.
type Overload struct {
	NormalPercent, NormalAmps float64 // the most it is set to
	AtMostPercent, AtMostAmps float64 // only where the motor cannot start or carry its load otherwise
}

// OverloadSource is to be shown beside an overload setting.
const OverloadSource = "NFPA 70, 430.32(A)(1) and (C), for motors over 1 hp in continuous duty, in percent of the nameplate current. Local code and this motor's plate come first."

// OverloadFor gives the overload setting for a nameplate current. What the plate
// does not mark is 0. A service factor of 1.15 or a temperature rise of 40 °C is
// enough; both are not needed.
func OverloadFor(nameplateAmps, serviceFactor, riseCelsius float64) Overload {
	o := Overload{NormalPercent: 115, AtMostPercent: 130}
	if serviceFactor >= 1.15 || riseCelsius > 0 && riseCelsius <= 40 {
		o.NormalPercent, o.AtMostPercent = 125, 140
	}
	o.NormalAmps, o.AtMostAmps = nameplateAmps*o.NormalPercent/100, nameplateAmps*o.AtMostPercent/100
	return o
}

// SynchronousSpeed gives the speed of the field in turns a minute.
func SynchronousSpeed(hertz float64, poles int) (rpm float64, err error) {
	if poles < 2 || poles%2 != 0 {
		return 0, fault.Field("poles", poles, "is an even number, 2 or more")
	}
	if !known(hertz) {
		return 0, fault.Field("hertz", fmt.Sprint(hertz), "is more than 0")
	}
	return 120 * hertz / float64(poles), nil
}

// Slip gives how much slower a motor runs than its field, in percent.
func Slip(synchronous, rpm float64) float64 { return 100 * (synchronous - rpm) / synchronous }
