package replenish

import (
	"math"

	"spindlebook/internal/fault"
)

// Demand is the mean of what is asked for by chance in a lead time.
type Demand struct {
	Singles float64 // occasions on which one piece is asked for
	Pairs   float64 // occasions on which two are
}

// near forgives the rounding of a probability that stands exactly at a border.
const near = 1e-12

// mostDemand bounds what is computed piece by piece.
const mostDemand = 100_000

// Pieces gives the mean number of pieces.
func (d Demand) Pieces() float64 { return d.Singles + 2*d.Pairs }

func (d Demand) check() error {
	for field, m := range map[string]float64{"singles": d.Singles, "pairs": d.Pairs} {
		if !(m >= 0 && m <= mostDemand) {
			return fault.Field(field, m, "lies between 0 and %d in a lead time; beyond that use the normal distribution", mostDemand)
		}
	}
	return nil
}

// poisson gives P(X = k); in logarithms, so that a large mean does not underflow.
func poisson(mean float64, k int) float64 {
	if mean == 0 {
		if k == 0 {
			return 1
		}
		return 0
	}
	lg, _ := math.Lgamma(float64(k) + 1)
	return math.Exp(float64(k)*math.Log(mean) - mean - lg)
}

// cumulate gives P(D <= s) for s from 0 on, until stop is content or nothing is left.
func (d Demand) cumulate(stop func(s int, p float64) bool) {
	var pairs, singles []float64
	sum := 0.0
	for s := 0; ; s++ {
		singles = append(singles, poisson(d.Singles, s))
		if s%2 == 0 {
			pairs = append(pairs, poisson(d.Pairs, s/2))
		}
		if d.Pairs == 0 {
			sum += singles[s]
		} else if d.Singles == 0 {
			if s%2 == 0 {
				sum += pairs[s/2]
			}
		} else {
			for j := range pairs {
				if k := s - 2*j; k >= 0 {
					sum += pairs[j] * singles[k]
				}
			}
		}
		if stop(s, min(sum, 1)) {
			return
		}
	}
}

// Covers gives the chance that nobody waits: P(demand <= stock).
func (d Demand) Covers(stock int) (float64, error) {
	if err := d.check(); err != nil || stock < 0 {
		return 0, err
	}
	p := 0.0
	d.cumulate(func(s int, now float64) bool { p = now; return s >= stock })
	return p, nil
}

// Protect gives the smallest stock whose chance that nobody waits reaches the level.
func (d Demand) Protect(level float64) (int, error) {
	if err := d.check(); err != nil {
		return 0, err
	}
	if !(level >= 0 && level < 1) {
		return 0, fault.Field("level", level, "lies from 0 up to below 1: no stock is enough for certain")
	}
	if d.Pieces() > 2000 && d.Pairs > 0 && d.Singles > 0 {
		return 0, fault.Field("pairs", d.Pairs, "with singles takes at most 2000 pieces in a lead time; beyond that use the normal distribution")
	}
	enough := 0
	least := level - near
	// beyond this the sum stands still although rounding keeps it below the level
	end := int(d.Pieces() + 60*math.Sqrt(2*d.Pieces()+1) + 60)
	d.cumulate(func(s int, p float64) bool { enough = s; return p >= least || s >= end })
	return enough, nil
}

// Filled gives the share of occasions that are served whole from the shelf at once, with
// resupply one for one.
func (d Demand) Filled(stock int) (float64, error) {
	if err := d.check(); err != nil {
		return 0, err
	}
	if d.Singles+d.Pairs == 0 {
		return 1, nil
	}
	one, err := d.Covers(stock - 1)
	if err != nil {
		return 0, err
	}
	two, err := d.Covers(stock - 2)
	return (d.Singles*one + d.Pairs*two) / (d.Singles + d.Pairs), err
}

// Waiting gives the mean number of pieces that somebody waits for, with resupply one
// for one: E[(demand - stock)+].
func (d Demand) Waiting(stock int) (float64, error) {
	if err := d.check(); err != nil {
		return 0, err
	}
	w := d.Pieces()
	if stock <= 0 {
		return w, nil
	}
	d.cumulate(func(s int, p float64) bool {
		w -= 1 - p
		return s >= stock-1
	})
	return max(w, 0), nil
}
