package usage

import (
	"math"
	"sort"
	"time"
)

// Case is one forecast that was held against what came.
type Case struct {
	Meter    int       // which of the meters
	Origin   time.Time // the last reading that the forecast knew
	Horizon  float64   // days from there to the reading that it was held against
	Forecast Forecast  // of when that reading's total would be reached
	Reached  time.Time // when it was
	// Needed is the least kappa with which the range would have held it, 0 where
	// the readings' own scatter is enough; not a number where there is no range.
	Needed float64
}

// Held says whether the day came within the forecast's range.
func (c Case) Held() bool {
	return !c.Forecast.Early.IsZero() && !c.Reached.Before(c.Forecast.Early) &&
		(c.Forecast.Late.IsZero() || !c.Reached.After(c.Forecast.Late))
}

// Error is how many days later than the likely day it came.
func (c Case) Error() float64 { return c.Reached.Sub(c.Forecast.Likely).Hours() / 24 }

// Backtest forecasts from past origins, knowing only the readings up to them,
// when the reading about horizon days later would be reached. Origins of a meter
// follow one another so that no two held-back stretches overlap; the first lies
// a year after the first reading, so that there is a window to learn from. A
// reading serves if it lies within a quarter of the horizon of it, or within 15
// days.
func Backtest(meters []Meter, horizon int) ([]Case, error) {
	var cases []Case
	for m, h := range meters {
		if len(h.Points) == 0 {
			continue
		}
		start := h.Points[0].At.Add(window)
		for i, p := range h.Points {
			if p.At.Before(start) {
				continue
			}
			j, ok := h.near(i, horizon)
			if !ok {
				continue
			}
			known := h.History
			known.Points = h.Points[:i+1]
			rate, err := Measure(known, h.Calendar, p.At)
			if err != nil {
				return nil, err
			}
			next := h.Points[j]
			if rate.Basis != Measured || next.Total == p.Total || h.broken(p.At, next.At) {
				continue
			}
			outlook := rate.Outlook(h.Calendar, p)
			cases = append(cases, Case{
				Meter: m, Origin: p.At, Horizon: next.At.Sub(p.At).Hours() / 24,
				Forecast: outlook.Forecast(next.Total - p.Total), Reached: next.At,
				Needed: rate.needed(h.Calendar.Days(p.At, next.At), next.Total-p.Total),
			})
			start = next.At
		}
	}
	return cases, nil
}

// near finds the reading nearest to horizon days after the i-th.
func (h History) near(i, horizon int) (int, bool) {
	want := h.Points[i].At.Add(time.Duration(horizon) * 24 * time.Hour)
	slack := time.Duration(max(horizon*6, min(15, horizon)*24)) * time.Hour
	j := i + 1 + sort.Search(len(h.Points)-i-1, func(k int) bool { return !h.Points[i+1+k].At.Before(want) })
	if j == len(h.Points) || j-1 > i && want.Sub(h.Points[j-1].At) < h.Points[j].At.Sub(want) {
		j--
	}
	return j, j > i && h.Points[j].At.Sub(want).Abs() <= slack
}

// broken says whether a regime changed in a stretch: no forecast can know that.
func (h History) broken(from, to time.Time) bool {
	for _, b := range h.Breaks {
		if b.At.After(from) && !b.At.After(to) {
			return true
		}
	}
	return false
}

// needed is the least kappa for which the limits around rτ hold d.
func (r *Rate) needed(days, d float64) float64 {
	if r.T == 0 {
		return math.NaN()
	}
	one := *r
	one.Kappa = 1
	noise, level, wander := one.spread()
	drift := wander*r.Window + wander*d/r.PerDay // for a kappa of one
	own := noise*days + (level-wander*r.Window)*days*days
	off := r.PerDay*days - d
	return math.Sqrt(max(off*off-own, 0)/drift) / days
}

// fewCases are too few to tell a fifth of.
const fewCases = 50

// Kappa learns the drift of the level from forecasts that were held against what
// came: the least with which four fifths of their ranges would have held it.
// Each case weighs as many days as it looks ahead, so that the many that look a
// month ahead do not outvote the few that look half a year. ok is false with
// fewer than 50 cases.
func Kappa(cases []Case) (kappa float64, ok bool) {
	var known []Case
	all := 0.0
	for _, c := range cases {
		if !math.IsNaN(c.Needed) {
			known = append(known, c)
			all += c.Horizon
		}
	}
	if len(known) < fewCases {
		return 0, false
	}
	sort.Slice(known, func(i, j int) bool { return known[i].Needed < known[j].Needed })
	held := 0.0
	for _, c := range known {
		kappa, held = c.Needed, held+c.Horizon
		if held >= 0.8*all {
			break
		}
	}
	return kappa, true
}

// Score sums up a backtest.
type Score struct {
	Cases, Meters int
	Coverage      float64 // share of ranges that held the day: 0.8 is what they promise
	Error         float64 // median of the days between the likely day and the day, either way
	Bias          float64 // mean of the days by which it came later than the likely day
	Width         float64 // median days from early to late, of those that have both
	Open          int     // ranges without a latest date
}

// Sum sums up the cases of a backtest.
func Sum(cases []Case) Score {
	s := Score{Cases: len(cases)}
	if len(cases) == 0 {
		return s
	}
	meters := map[int]bool{}
	var off, width []float64
	for _, c := range cases {
		meters[c.Meter] = true
		if c.Held() {
			s.Coverage++
		}
		off = append(off, math.Abs(c.Error()))
		s.Bias += c.Error() / float64(len(cases))
		switch f := c.Forecast; {
		case f.Early.IsZero():
		case f.Late.IsZero():
			s.Open++
		default:
			width = append(width, f.Late.Sub(f.Early).Hours()/24)
		}
	}
	s.Coverage /= float64(len(cases))
	s.Meters, s.Error, s.Width = len(meters), median(off), median(width)
	return s
}

// median gives the middle value, the mean of the middle two of an even number,
// and 0 of none. It sorts.
func median(fs []float64) float64 {
	if len(fs) == 0 {
		return 0
	}
	sort.Float64s(fs)
	return (fs[(len(fs)-1)/2] + fs[len(fs)/2]) / 2
}
