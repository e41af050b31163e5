package wash

import (
	"math"
	"math/rand/v2"
	"strconv"
	"time"
)

// Mistake is what went wrong with a reading.
type Mistake string

// The mistakes that people make (rates in model.csv, invented).
const (
	Right     Mistake = ""
	DatedLate Mistake = "dated late" // entered days later and dated then
	Swapped   Mistake = "swapped"    // two neighbouring digits exchanged
	TenTimes  Mistake = "ten times"  // tenths read as whole ones
	Neighbour Mistake = "neighbour"  // another meter was read
	Guessed   Mistake = "guessed"    // a round number instead of a look
)

// Reading is what somebody noted of a counter. Dates are midnight UTC; the
// reading is of the evening, after the last vehicle.
type Reading struct {
	Seen    time.Time // when it was looked at
	Dated   time.Time // what was noted as that date
	Entered time.Time // when it was typed
	Value   float64   // what was typed
	Shown   float64   // what the counter showed
	Total   float64   // what had been counted since the first day: the truth
	Mistake Mistake
}

// Happening is what befalls a counter.
type Happening string

// What befalls counters.
const (
	Replaced Happening = "replaced" // by another, which may not start at zero
	Reset    Happening = "reset"    // to zero, with a new program
	Stuck    Happening = "stuck"    // until it is replaced
)

// Event is a happening on a date.
type Event struct {
	On          time.Time
	Happening   Happening
	Last, First float64 // what it showed before and after
}

// Counter is an invented counter and the habits of those who read it.
type Counter struct {
	Start     float64 // what it shows before the first day
	Modulus   float64 // where it begins again at zero; 0: never
	Step      float64 // least difference that it shows: 1 for vehicles, 0.1 for hours
	Every     int     // days between readings; from 28 on they shift by up to three
	Batched   bool    // readings go on paper and are entered at the end of the month
	Faultless bool    // nobody errs and nothing breaks: for comparison
	Seed      uint64
}

// Readings gives what is noted of a counter that counts so much on each day from
// a date on, and what befalls it.
func (c Counter) Readings(perDay []float64, from time.Time) ([]Reading, []Event) {
	r := rand.New(rand.NewPCG(c.Seed, 3))
	chance := func(p float64) bool { return !c.Faultless && r.Float64() < p }
	slip := slips()
	var readings []Reading
	var events []Event
	shown, total, next := c.Start, 0.0, c.gap(r)/2
	elsewhere, stuck := math.Floor(r.Float64()*900000), 0
	for i, n := range perDay {
		day := from.AddDate(0, 0, i)
		total += n
		change := func(h Happening, first float64) { // before the first vehicle of the day
			events = append(events, Event{On: day, Happening: h, Last: c.show(shown), First: first})
			shown = first
		}
		switch {
		case stuck > 1:
			stuck--
		case stuck == 1: // found
			stuck = 0
			change(Replaced, 0)
		case chance(slip.stuck):
			change(Stuck, c.show(shown))
			stuck = 30 + r.IntN(61)
		case chance(slip.replaced):
			change(Replaced, float64(r.IntN(2))*math.Floor(r.Float64()*50000))
		case chance(slip.reset):
			change(Reset, 0)
		}
		if stuck == 0 {
			shown += n
		}
		if c.Modulus > 0 {
			shown = math.Mod(shown, c.Modulus)
		}
		if next--; next > 0 {
			continue
		}
		next = c.gap(r)
		if chance(slip.missing) {
			continue
		}
		x := Reading{Seen: day, Dated: day, Entered: day, Shown: c.show(shown), Total: total}
		x.Value = x.Shown
		c.err(&x, r, chance, slip, elsewhere+total)
		if c.Batched {
			x.Entered = time.Date(day.Year(), day.Month()+1, 0, 0, 0, 0, 0, time.UTC)
		}
		readings = append(readings, x)
	}
	return readings, events
}

// slipRates are the probabilities of what goes wrong: a day for what befalls a
// counter, a reading for the rest.
type slipRates struct {
	stuck, replaced, reset                               float64
	missing, late, swapped, tenTimes, neighbour, guessed float64
}

func slips() slipRates {
	rate := func(key string) float64 { return figure("meter_error", key) }
	return slipRates{
		stuck: rate("meter_stuck_start_per_month") * 12 / 365, replaced: rate("meter_replaced_per_year") / 365, reset: rate("controller_reset_per_year") / 365,
		missing: rate("missing_monthly_reading"), late: rate("late_reading"), swapped: rate("digit_swap"),
		tenTimes: rate("factor_ten"), neighbour: rate("wrong_meter"), guessed: rate("estimate_used"),
	}
}

func (c Counter) gap(r *rand.Rand) int {
	if c.Every < 28 {
		return max(c.Every, 1)
	}
	return c.Every - 3 + r.IntN(7)
}

// show cuts off what the counter has no wheel for.
func (c Counter) show(v float64) float64 {
	if c.Step <= 0 {
		return v
	}
	return math.Floor(v/c.Step+1e-9) * c.Step
}

// err lets one thing go wrong with a reading, or none, and entering it take days.
func (c Counter) err(x *Reading, r *rand.Rand, chance func(float64) bool, slip slipRates, elsewhere float64) {
	switch {
	case chance(slip.swapped):
		x.Value, x.Mistake = swap(x.Shown, r), Swapped
	case c.Step > 0 && c.Step < 1 && chance(slip.tenTimes):
		x.Value, x.Mistake = 10*x.Shown, TenTimes
	case chance(slip.neighbour):
		x.Value, x.Mistake = c.show(elsewhere), Neighbour
	case chance(slip.guessed):
		x.Value, x.Mistake = 1000*math.Round(x.Shown/1000), Guessed
	}
	if x.Value == x.Shown {
		x.Mistake = Right // the digits were alike
	}
	if chance(slip.late) {
		x.Entered = x.Seen.AddDate(0, 0, 2+r.IntN(11))
		if chance(1.0 / 3) {
			x.Dated = x.Entered
			if x.Mistake == Right {
				x.Mistake = DatedLate
			}
		}
	}
}

// swap exchanges two neighbouring digits before the point.
func swap(v float64, r *rand.Rand) float64 {
	whole := []byte(strconv.FormatFloat(math.Floor(v), 'f', 0, 64))
	if len(whole) < 2 {
		return v
	}
	i := r.IntN(len(whole) - 1)
	whole[i], whole[i+1] = whole[i+1], whole[i]
	swapped, _ := strconv.ParseFloat(string(whole), 64) // digits only
	return swapped + v - math.Floor(v)
}

// PointOfSale gives what the till counts on days with so many vehicles: tickets
// and members, without rewashes, so a little fewer. How many fewer is drawn for
// each month.
func PointOfSale(vehicles []int, from time.Time, seed uint64) []int {
	r := rand.New(rand.NewPCG(seed, 4))
	till, off := make([]int, len(vehicles)), 0.0
	for i, n := range vehicles {
		if i == 0 || from.AddDate(0, 0, i).Day() == 1 {
			off = (figure("meter_error", "pos_minus_tunnel_percent") + tillSpread*r.NormFloat64()) / 100
		}
		till[i] = int(math.Round(float64(n) * (1 + off)))
	}
	return till
}

// tillSpread is one standard deviation of what the till misses, in percent (invented).
const tillSpread = 1.5
