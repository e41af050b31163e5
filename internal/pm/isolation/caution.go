package isolation

import (
	"strings"

	"spindlebook/internal/assets"
)

// byEnergy is the usual caution for each energy. None of them is a permission.
var byEnergy = map[string]string{
	"electrical": "A vehicle, a sensor or a colleague at the other end can start this, and a stop button is no isolation. Each person's own lock goes on first, then the start is tried. " +
		"Boxes and terminals are opened by a licensed electrician, after a test for absence of voltage; drives keep their charge for a while.",
	"air":       "The arm can swing when the air is shut off and once more when it comes back. Keep out of its path, see the gauge at zero, hold the arm.",
	"gravity":   "What hangs must be propped or hung from above before anything is loosened. Nobody stands below. Props are counted out again before the energy comes on.",
	"hydraulic": "Pressure stays in hoses and accumulators after the pump stops. See the gauge at zero; never feel for a leak by hand.",
	"water":     "Let the pressure out at the station and see it drain before a joint is opened. A jet through the skin is an emergency.",
	"chemical":  "Read the safety data sheet of what is in the line. Acid and alkali stay apart. Gloves, goggles and shield as it says, and water to rinse within reach.",
}

// Cautions gives what goes with a point on every page: whose rules come first,
// the usual caution for its energy, and every position that it takes along.
func Cautions(p assets.IsolationPoint) []string {
	all := []string{assets.Caution, byEnergy[p.Energy]}
	if len(p.Positions) > 1 {
		codes := make([]string, len(p.Positions))
		for i, o := range p.Positions {
			codes[i] = o.Code
		}
		all = append(all, "Shared: "+p.Code+" takes "+strings.Join(codes, ", ")+" together. Who works behind one of them has a lock on it too, and nobody brings it back while one is on.")
	}
	return all
}
