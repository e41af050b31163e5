package usage

// What the published values are held against.
var (
	TheilSen  = theilSen
	Student90 = student90
	Number    = number
)

// Slope fits increments given as days and units.
func Slope(days, units []float64) (perDay, window, variance float64) {
	var inc []increment
	for i := range days {
		inc = append(inc, increment{days: days[i], units: units[i]})
	}
	return slope(inc)
}

// Limits gives the operational days to the 10 and 90 % limits.
func (r Rate) Limits(d float64) (early, late float64) { return r.limits(d) }
