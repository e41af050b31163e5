package wash

import (
	"math"

	"spindlebook/internal/fault"
	"spindlebook/internal/usage"
)

// RunHours gives the hours that a brush runs on days with so many vehicles. zone
// is side, rocker, wrap, top or tyre. A brush is on from a little before a
// vehicle until a little after it; when vehicles follow closely those times
// merge, so hours grow more slowly than vehicles. A wet test of a few minutes
// comes on top on each day that is open.
func RunHours(size, zone string, vehicles []int) ([]float64, error) {
	profile, err := usage.TradeProfile(usage.Climates[0], size) // for the hours of the day only
	if err != nil {
		return nil, err
	}
	feet, ok := model()["brush_zone "+zone+" length_incl_vehicle_lead_lag"]
	if !ok {
		return nil, fault.Field("zone", zone, "is one of side, rocker, wrap, top, tyre")
	}
	seconds := feet / figure("line", size, "speed") * 60
	test := figure("brush_zone", "wet_test", "per_operating_day") / 60
	hours := make([]float64, len(vehicles))
	for i, n := range vehicles {
		if n == 0 {
			continue
		}
		hours[i] = test
		for _, share := range profile.Hour {
			// vehicles come as they like, so the share of an hour that is covered by
			// one or more is that of a Poisson stream
			hours[i] += 1 - math.Exp(-float64(n)*share*seconds/3600)
		}
	}
	return hours, nil
}
