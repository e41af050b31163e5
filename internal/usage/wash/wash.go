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
	w := newWeather(s.Climate, rand.New(rand.NewPCG(s.Seed, 1)))
	noise := rand.New(rand.NewPCG(s.Seed, 2)) // apart, so that the weather is one thing and the trade another
	ofYear, ofMonth, ofDay := figure("noise", "site_year_lognormal_sigma"), figure("noise", "month_lognormal_sigma"), figure("noise", "day_lognormal_sigma")
	ceiling := 0.85 * figure("site_size", s.Size, "capacity") * figure("site_size", s.Size, "open_hours")
	mean := figure("site_size", s.Size, "annual_vehicles") / 365
	days := make([]int, n)
	var year, month float64
	for i := range days {
		day := from.AddDate(0, 0, i)
		if i == 0 || day.YearDay() == 1 {
			year = lognormal(noise, ofYear)
		}
		if i == 0 || day.Day() == 1 {
			month = lognormal(noise, ofMonth)
		}
		v := mean * math.Pow(1+s.Growth, float64(i)/365) * year * month * profile.Weekday[day.Weekday()] * profile.Month[day.Month()-1] *
			w.factor(day) * lognormal(noise, ofDay)
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

// weather draws one day after the other.
type weather struct {
	r *rand.Rand
	// of the climate, by month: the probabilities of a wet day and of snow, and the
	// mean effect
	wet, snow, norm [12]float64
	// what a day does to the trade, from and to
	onWet, onSnow, onClearing [2]float64
	second, closed            float64 // the second dry day; the probability that snow closes

	bad    int  // bad days in a row up to the last bad one
	snowed bool // whether one of them brought snow
	since  int  // dry days since then
}

func newWeather(climate string, r *rand.Rand) *weather {
	between := func(effect string) [2]float64 {
		return [2]float64{figure("weather_effect", effect, "low"), figure("weather_effect", effect, "high")}
	}
	w := &weather{
		r: r, since: 9, // fair for long
		onWet: between("wet_day"), onSnow: between("snow_day"), onClearing: between("first_dry_day_after"),
		second: figure("weather_effect", "second_dry_day_after"), closed: figure("weather_effect", "snow_day", "p_closed"),
	}
	for m := time.January; m <= time.December; m++ {
		month := m.String()[:3]
		w.wet[m-1], w.snow[m-1] = figure("p_wet_day", climate, month), figure("p_snow_day", climate, month)
		w.norm[m-1] = figure("weather_norm", climate, month)
	}
	return w
}

// What comes on top of a probability or an effect.
const (
	persistence = 0.22 // of a wet day after a bad one (invented)
	afterSnow   = 0.35 // on the first dry day (common practice, no source)
	afterMore   = 0.05 // the same, for each bad day but one, up to three (common practice, no source)
)

// factor draws a day's weather and gives what it does to the trade, with mean 1
// over the month.
func (w *weather) factor(day time.Time) float64 {
	m := day.Month() - 1
	wet, snow := w.wet[m], w.snow[m]
	if w.since == 0 {
		wet += persistence
	}
	f := 1.0
	switch u := w.r.Float64(); {
	case u < snow:
		w.turnsBad()
		w.snowed = true
		f = w.draw(w.onSnow)
		if w.r.Float64() < w.closed {
			f = 0
		}
	case u < snow+wet:
		w.turnsBad()
		f = w.draw(w.onWet)
	default:
		switch w.since++; w.since {
		case 1:
			f = w.draw(w.onClearing) + afterMore*float64(min(w.bad-1, 3))
			if w.snowed {
				f += afterSnow
			}
		case 2:
			f = w.second
		}
	}
	return f / w.norm[m]
}

func (w *weather) turnsBad() {
	if w.since > 0 {
		w.bad, w.snowed = 0, false
	}
	w.bad, w.since = w.bad+1, 0
}

func (w *weather) draw(between [2]float64) float64 {
	return between[0] + (between[1]-between[0])*w.r.Float64()
}
