// Package wash makes up vehicle washes: how many vehicles come on each day, and
// what people then read, enter and mistype. It serves the demo and the tests of
// forecasts, whose truth must be known. The same seed gives the same days.
//
// A day's vehicles are the mean of its size class, times factors for the year,
// the weekday and the month (package usage), times noise of the month and of the
// day, times weather: fewer in rain and snow, more when it clears. Each figure
// stands in model.csv with what it rests on.
package wash

import (
	_ "embed"
	"encoding/csv"
	"fmt"
	"math"
	"math/rand/v2"
	"strconv"
	"strings"
	"sync"
	"time"

	"spindlebook/internal/usage"
)

//go:embed model.csv
var modelCSV string

// model gives a figure by group, climate, size, key and sub, joined by spaces
// where they are not empty.
var model = sync.OnceValue(func() map[string]float64 {
	rows, err := csv.NewReader(strings.NewReader(modelCSV)).ReadAll()
	if err != nil {
		panic(err) // it is part of the program
	}
	all := map[string]float64{}
	for _, row := range rows[1:] {
		v, err := strconv.ParseFloat(row[5], 64)
		if err != nil {
			panic(fmt.Sprintf("model.csv: %v: %v", row, err))
		}
		all[strings.Join(strings.Fields(strings.Join(row[:5], " ")), " ")] = v
	}
	return all
})

// figure gives one figure of the model; a wrong name is a fault of this package.
func figure(name ...string) float64 {
	v, ok := model()[strings.Join(name, " ")]
	if !ok {
		panic("wash: no figure " + strings.Join(name, " "))
	}
	return v
}

// Site is an invented wash.
type Site struct {
	Climate string  // as in usage.Climates
	Size    string  // as in usage.Sizes
	Growth  float64 // share that is added in a year: 0.02 is usual
	// Closed tells on which dates, given as midnight UTC, no vehicle is washed; nil:
	// on 25 December and 1 January (common practice, no source).
	Closed func(date time.Time) bool
	Seed   uint64
}

// Growths is the range that sites grow by in a year (invented).
var Growths = [2]float64{-0.03, 0.08}

// the weather of a day
const (
	dry = iota
	wet
	snow
)

// Vehicles gives the vehicles of n days from a date on. It fails where the
// climate or the size is not known.
func Vehicles(s Site, from time.Time, n int) ([]int, error) {
	profile, err := usage.TradeProfile(s.Climate, s.Size)
	if err != nil {
		return nil, err
	}
	closed := s.Closed
	if closed == nil {
		closed = holiday
	}
	w := weather{climate: s.Climate, r: rand.New(rand.NewPCG(s.Seed, 1)), since: 9}
	noise := rand.New(rand.NewPCG(s.Seed, 2)) // apart, so that the weather is one thing and the trade another
	ceiling := 0.85 * figure("site_size", s.Size, "capacity") * figure("site_size", s.Size, "open_hours")
	mean := figure("site_size", s.Size, "annual_vehicles") / 365
	days := make([]int, n)
	var year, month float64
	for i := range days {
		day := from.AddDate(0, 0, i)
		if i == 0 || day.YearDay() == 1 {
			year = lognormal(noise, figure("noise", "site_year_lognormal_sigma"))
		}
		if i == 0 || day.Day() == 1 {
			month = lognormal(noise, figure("noise", "month_lognormal_sigma"))
		}
		v := mean * math.Pow(1+s.Growth, float64(i)/365) * year * month * profile.Weekday[day.Weekday()] * profile.Month[day.Month()-1] *
			w.factor(day) * lognormal(noise, figure("noise", "day_lognormal_sigma"))
		if !closed(day) {
			days[i] = int(math.Round(min(v, ceiling)))
		}
	}
	return days, nil
}

// lognormal draws around a mean of 1.
func lognormal(r *rand.Rand, sigma float64) float64 {
	return math.Exp(sigma*r.NormFloat64() - sigma*sigma/2)
}

func holiday(day time.Time) bool {
	return day.Month() == time.December && day.Day() == 25 || day.YearDay() == 1
}

// weather remembers what a day's trade depends on.
type weather struct {
	climate string
	r       *rand.Rand
	bad     int // bad days in a row up to the last bad one
	snowed  bool
	since   int // dry days since then
}

// persistence is what a bad day adds to the probability of a wet one after it (invented).
const persistence = 0.22

// factor draws a day's weather and gives what it does to the trade, with mean 1
// over the month.
func (w *weather) factor(day time.Time) float64 {
	month := day.Month().String()[:3]
	pWet, pSnow := figure("p_wet_day", w.climate, month), figure("p_snow_day", w.climate, month)
	if w.since == 0 {
		pWet += persistence
	}
	kind := dry
	switch u := w.r.Float64(); {
	case u < pSnow:
		kind = snow
	case u < pSnow+pWet:
		kind = wet
	}
	f, between := 1.0, func(effect string) float64 {
		low, high := figure("weather_effect", effect, "low"), figure("weather_effect", effect, "high")
		return low + (high-low)*w.r.Float64()
	}
	switch {
	case kind != dry:
		if w.since > 0 {
			w.bad, w.snowed = 0, false
		}
		w.bad, w.since = w.bad+1, 0
		if kind == snow {
			w.snowed = true
			f = between("snow_day")
			if w.r.Float64() < figure("weather_effect", "snow_day", "p_closed") {
				f = 0
			}
		} else {
			f = between("wet_day")
		}
	default:
		w.since++
		switch w.since {
		case 1:
			f = between("first_dry_day_after") + 0.05*float64(min(w.bad-1, 3))
			if w.snowed {
				f += 0.35
			}
		case 2:
			f = figure("weather_effect", "second_dry_day_after")
		}
	}
	return f / figure("weather_norm", w.climate, month)
}
