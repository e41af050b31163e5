package web

import (
	"html/template"

	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/fault"
	"spindlebook/internal/measure"
)

// measured writes a value that was entered with its unit for somebody who likes to read
// another: what was entered is said on pointing at it. What is no such value, a thread as
// it is marked or a word, stands there as it is.
func measured(in measure.System) func(any) template.HTML {
	return func(typed any) template.HTML {
		s := text(typed)
		shown, changed := in.Show(s)
		if !changed {
			return template.HTML(template.HTMLEscapeString(s))
		}
		return template.HTML(`<span class="converted" title="entered as ` + template.HTMLEscapeString(s) + `">` + template.HTMLEscapeString(shown) + `</span>`)
	}
}

// otherUnits are what a reading may have been taken in.
var otherUnits = map[string]string{"mm": "in", "in": "mm", "psi": "bar", "bar": "psi", "N": "lbf", "N.m": "lbf.ft", "C": "F", "L": "gal"}

// unitChoice is a unit in which something may be entered.
type unitChoice struct {
	Name   string
	Chosen bool
}

// unitChoices gives the units in which a look may be answered, the reader's chosen; none
// where there is no choice.
func unitChoices(in measure.System) func(string) []unitChoice {
	return func(unit string) []unitChoice {
		other := otherUnits[unit]
		if other == "" {
			return nil
		}
		return []unitChoice{{unit, in.In(unit) == unit}, {other, in.In(unit) == other}}
	}
}

// prefer offers the units of the reader first wherever nothing was entered yet.
func (s *sheet) prefer(in measure.System) {
	if in == "" || in == measure.AsEntered {
		return
	}
	for _, f := range s.Fields {
		if f.Kind != "measure" || f.Value != "" {
			continue
		}
		for _, unit := range f.Units {
			if in.In(unit) == unit {
				f.Unit = unit
				break
			}
		}
	}
}

var systemWords = map[measure.System]string{measure.AsEntered: "as they were entered", measure.Metric: "metric: m, mm, m/min, kg, g, L, bar, N.m, N, °C", measure.US: "US: ft, in, ft/min, lb, oz, gal, psi, lbf.ft, lbf, °F"}

// unitsSheet asks in which units somebody likes to read.
func (p *pages) unitsSheet(v visit) (*sheet, error) {
	if v.who.Kind != "person" {
		return nil, &fault.Error{Kind: fault.Forbidden, Msg: "only people read pages"}
	}
	now, err := access.PreferenceOf(v.ctx, p.db, v.who)
	if err != nil {
		return nil, err
	}
	f := &field{Name: "units", Label: "Show measures", Kind: "radio"}
	for _, system := range measure.Systems {
		f.Options = append(f.Options, option{string(system), sentenceCase(systemWords[system])})
	}
	s := &sheet{Title: "Units", Verb: "Show them so", Cancel: "/account", Crumbs: accountCrumbs, about: now, Fields: []*field{f},
		Lead: "Lengths, speeds, weights, volumes, pressures, torques, forces and temperatures. What was entered is kept as it was, and said on pointing at it; a thread stays as it is marked. Whatever you enter is taken in the unit beside the field."}
	s.fill(map[string]string{"units": string(now.Units)})
	return s, nil
}

func (p *pages) setUnits(v visit, s *sheet) (string, error) {
	in := s.about.(access.Preference)
	in.Units = measure.System(s.get("units"))
	_, err := once(p, v, s, func(tx *gorm.DB) (access.Preference, error) { return access.SetPreference(tx, v.who, in) })
	return "/account#units", err
}
