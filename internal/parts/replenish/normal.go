package replenish

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"

	"spindlebook/internal/fault"
)

// Lots is a part that goes in numbers: bought in lots of Lot when the stock falls to a
// point, with a demand in the lead time that is normally distributed.
type Lots struct {
	Mean, SD float64 // of the demand in the lead time
	Lot      float64
}

// LeadDemand joins the demand of a day with a lead time in days that varies on its own.
func LeadDemand(day, daySD, lead, leadSD float64) (mean, sd float64) {
	return day * lead, math.Sqrt(lead*daySD*daySD + day*day*leadSD*leadSD)
}

// Quantile gives the one-sided factor of a service level: 1.645 for 95 %, not 1.96.
func Quantile(level float64) (float64, error) {
	if !(level > 0 && level < 1) {
		return 0, fault.Field("level", level, "lies between 0 and 1, both left out")
	}
	return distuv.UnitNormal.Quantile(level), nil
}

// Loss is the unit normal loss E[(Z - z)+]. Far out, where a subtraction would lose all
// digits, it comes from the continued fraction of the upper tail.
func Loss(z float64) float64 {
	density := math.Exp(-z*z/2) / math.Sqrt(2*math.Pi)
	if z < 5 {
		return density - z*0.5*math.Erfc(z/math.Sqrt2)
	}
	// the tail is density/(z + 1/(z + 2/(z + 3/...))); what z times it lacks of the density remains
	f := z
	for k := 60; k >= 1; k-- {
		f = z + float64(k)/f
	}
	return density * (f - z) / f
}

// lossAt gives the z whose loss it is; the loss falls all the way.
func lossAt(loss float64) float64 {
	low, high := -40.0, 40.0
	for range 200 {
		mid := (low + high) / 2
		if Loss(mid) > loss {
			low = mid
		} else {
			high = mid
		}
	}
	return (low + high) / 2
}

func (l Lots) check() error {
	if !(l.Mean >= 0) || !(l.SD > 0) || !(l.Lot > 0) || math.IsInf(l.Mean+l.SD+l.Lot, 0) {
		return fault.Field("demand", l.Mean, "needs a mean that is not negative, and a deviation and a lot above 0")
	}
	return nil
}

// Served is what a reorder point gives.
type Served struct {
	Safety float64 // stock above the mean of the demand in the lead time
	Cycles float64 // share of order cycles in which nobody waits
	Short  float64 // pieces short in a cycle, on average
	Filled float64 // share of pieces that come from the shelf at once
}

// At tells how well a reorder point serves.
func (l Lots) At(point float64) (Served, error) {
	if err := l.check(); err != nil {
		return Served{}, err
	}
	z := (point - l.Mean) / l.SD
	short := l.SD * Loss(z)
	return Served{point - l.Mean, distuv.UnitNormal.CDF(z), short, 1 - short/l.Lot}, nil
}

// SafetyFor gives the safety stock for a share of pieces filled at once. A large lot can
// reach a high share without any: then it is 0, and less would do.
func (l Lots) SafetyFor(filled float64) (stock float64, lessWouldDo bool, err error) {
	if err := l.check(); err != nil {
		return 0, false, err
	}
	if !(filled > 0 && filled < 1) {
		return 0, false, fault.Field("filled", filled, "lies between 0 and 1, both left out")
	}
	s := l.SD * lossAt((1-filled)*l.Lot/l.SD)
	return max(s, 0), s < 0, nil
}

// EconomicLot is the lot at which ordering and keeping cost the same over a time (Harris
// 1913): demand over that time, the cost of an order, and of keeping one piece for it.
func EconomicLot(demand, order, keep float64) (float64, error) {
	switch {
	case !(demand >= 0) || math.IsInf(demand, 0):
		return 0, fault.Field("demand", demand, "is a number that is not negative")
	case !(order >= 0) || math.IsInf(order, 0):
		return 0, fault.Field("order", order, "is an amount that is not negative")
	case !(keep > 0) || math.IsInf(keep, 0):
		return 0, fault.Field("keep", keep, "is an amount above 0: what costs nothing to keep has no economic lot")
	}
	return math.Sqrt(2 * demand * order / keep), nil
}
