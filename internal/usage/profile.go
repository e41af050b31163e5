package usage

import (
	_ "embed"
	"encoding/csv"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"spindlebook/internal/fault"
)

// Profile says how use spreads over a year, a week and a day, and how far its
// level drifts. It is pooled over sites of one climate and size.
type Profile struct {
	Month   [12]float64 // use of a mean day of the month over that of the year, January first; mean 1
	Weekday [7]float64  // the same of a weekday over the week, Sunday first as in time.Weekday; mean 1
	// Hour is the share of a day's use in each hour of the clock, from midnight;
	// sum 1, or all zero where use is spread evenly.
	Hour [24]float64
	// Kappa is how far the level drifts, as a share of it: one standard deviation
	// between the means of two stretches that follow each other and together last a
	// year.
	Kappa float64
	// Meters and Years tell how much was seen to learn it: meters, and years of
	// readings over all of them. Zero where the trade's own figures are used.
	Meters int
	Years  float64
}

// The first profiles. Evidence stands beside each figure; kappa was found by
// holding forecasts against the model in package wash, see TestTradeKappa.
//
//go:embed profiles.csv
var profilesCSV string

// Climates and Sizes are those that a site may have.
var (
	Climates = []string{"snowbelt", "mild_wet", "warm_dry"}
	Sizes    = []string{"small", "medium", "large"}
)

// TradeProfile gives the first profile for sites of a climate and a size class,
// to use until enough readings were seen to learn one. It is of vehicles: run
// hours sway less with the season than vehicles do, because brushes stay on
// between vehicles that follow closely.
func TradeProfile(climate, size string) (Profile, error) {
	if !slices.Contains(Climates, climate) {
		return Profile{}, fault.Field("climate", climate, "is one of %s", strings.Join(Climates, ", "))
	}
	if !slices.Contains(Sizes, size) {
		return Profile{}, fault.Field("size", size, "is one of %s", strings.Join(Sizes, ", "))
	}
	return tradeProfiles()[climate+" "+size], nil
}

var tradeProfiles = sync.OnceValue(func() map[string]Profile {
	rows, err := csv.NewReader(strings.NewReader(profilesCSV)).ReadAll()
	if err != nil {
		panic(err) // it is part of the program
	}
	all := map[string]Profile{}
	for _, climate := range Climates {
		for _, size := range Sizes {
			var p Profile
			for _, row := range rows[1:] {
				if row[1] == "" || row[1] == climate && (row[2] == "" || row[2] == size) {
					if err := p.set(row[0], row[3], row[4]); err != nil {
						panic(fmt.Sprintf("profiles.csv: %v: %v", row, err))
					}
				}
			}
			all[climate+" "+size] = p
		}
	}
	return all
})

func (p *Profile) set(kind, key, value string) error {
	v, err := strconv.ParseFloat(value, 64)
	if err != nil {
		return err
	}
	switch kind {
	case "month":
		m, err := time.Parse("Jan", key)
		if err != nil {
			return err
		}
		p.Month[m.Month()-1] = v
	case "weekday":
		for d := time.Sunday; d <= time.Saturday; d++ {
			if d.String()[:3] == key {
				p.Weekday[d] = v
			}
		}
	case "hour":
		h, err := time.Parse("15:04", key)
		if err != nil {
			return err
		}
		p.Hour[h.Hour()] = v
	case "kappa":
		p.Kappa = v
	default:
		return fmt.Errorf("no such kind: %s", kind)
	}
	return nil
}

// check tells what is wrong with a profile that came from outside.
func (p Profile) check() error {
	for i, f := range p.Month {
		if !finite(f) || f < 0 {
			return fault.Field(fmt.Sprintf("profile.month[%d]", i), f, "must be a finite number, zero or more")
		}
	}
	for i, f := range p.Weekday {
		if !finite(f) || f < 0 {
			return fault.Field(fmt.Sprintf("profile.weekday[%d]", i), f, "must be a finite number, zero or more")
		}
	}
	for i, f := range p.Hour {
		if !finite(f) || f < 0 {
			return fault.Field(fmt.Sprintf("profile.hour[%d]", i), f, "must be a finite number, zero or more")
		}
	}
	if sum(p.Month[:]) <= 0 || sum(p.Weekday[:]) <= 0 {
		return fault.Field("profile", "", "must have a month and a weekday with use")
	}
	if !finite(p.Kappa) || p.Kappa < 0 {
		return fault.Field("profile.kappa", p.Kappa, "must be a finite number, zero or more")
	}
	return nil
}

func sum(fs []float64) float64 {
	s := 0.0
	for _, f := range fs {
		s += f
	}
	return s
}

// finite is true for what is a number: neither infinite nor undefined.
func finite(f float64) bool { return f-f == 0 }
