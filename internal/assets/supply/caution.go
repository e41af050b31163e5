package supply

import "fmt"

// Caution is what must be read before anybody acts on an answer.
type Caution struct {
	Code string // for pages and tests
	Says string
}

// cautions come with every answer, also with one that says no: somebody stands
// at the junction box.
func cautions(f Feed) []Caution {
	all := []Caution{
		{"person", "Wiring inside the junction box: licensed electrician or qualified person only. Local code comes first."},
		{"isolate", "Isolate and put your own lock on. Test for absence of voltage by the site's own procedure before you touch a lead."},
		{"diagram", "This motor's own diagram wins over this page. Take a photo of it and keep it with the unit."},
		{"second", "Links are for the volts measured here, by the plate on this motor? Second person to look before the lid goes on."},
	}
	if f.HighLeg {
		says := "High-leg delta supply: one line stands higher to earth than the other two. Find and mark it first. Connect nothing between that line and neutral."
		if known(f.Volts) {
			// The high leg stands across from the middle of the opposite winding.
			says = fmt.Sprintf("High-leg delta supply: one line stands about %.0f V to earth, the other two about %.0f V. Find and mark it first. "+
				"Connect nothing between that line and neutral, and do not take its reading to earth for the voltage of the supply.", f.Volts*0.8660254, f.Volts/2)
		}
		all = append(all, Caution{"high_leg", says})
	}
	return all
}
