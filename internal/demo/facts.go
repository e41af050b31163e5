package demo

import (
	"fmt"
	"strings"
	"time"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/measure"
)

// required is one fact that a position requires.
type required struct{ fact, value string }

// requires gives what a position requires, from its site and its kind. The
// sizes, orientations and patterns are those of the reference design, which is
// invented; which of them exist at a wash is for its owner to find out.
func (l *loader) requires(site siteRow, p assets.Position) []required {
	drive, panel := required{"drive", "electric"}, []required{{"sensor_output", site.Sensor}, {"valve_coil", site.Coil}, {"cylinder_bore", "2.5 in"}, {"port_thread", "3/8NPT"}}
	if site.Frame == "IEC" {
		panel[2].value, panel[3].value = "63 mm", "G3/8"
	}
	switch p.Kind {
	case "entrance":
		for end, device := range map[string]string{"ENT-SWITCH": "tyre_switch", "ENT-EYE": "photo_eye"} {
			if strings.HasPrefix(tail(p.Code), end) {
				return []required{{"device", device}}
			}
		}
		return nil
	case "conveyor":
		if tail(p.Code) == "CNV-DRIVE" {
			return []required{{"drive", site.Drive}}
		}
		return nil
	case "tyre_brush":
		// turned by the conveyor's oil where there is any; then no motor frame is to fit
		drive.value = site.Drive
		list := append(panel, drive)
		if drive.value == "electric" {
			list = append(list, required{"frame_standard", site.Frame})
		}
		return append(list, l.turns(p.Code)...)
	}
	design, known := designs[p.Kind]
	if !known {
		return nil
	}
	hub, colour := site.HubSide, site.Colour
	if design.heavy {
		// wraparound and top foam comes in blue alone, so red sites have it too
		hub, colour = site.HubWrap, "blue"
	}
	list := []required{
		{"hub_fixing", hub}, {"bore", design.bore(site)}, {"frame_standard", site.Frame}, {"frame_size", design.frame(site)},
		{"gearmotor_orientation", design.orientation[p.LineSide]},
		{"media", site.Media}, {"media_colour", colour}, {"media_pattern", design.pattern},
	}
	list = append(append(list, panel...), drive, required{"oil", "PAO"})
	return append(list, l.turns(p.Code)...)
}

// turns gives the recorded turning of a horizontal brush, with its viewpoint.
func (l *loader) turns(position string) (list []required) {
	for _, t := range l.turning {
		if t.Position == position {
			list = append(list, required{"turning", t.Turning}, required{"turning_seen_from", t.SeenFrom})
		}
	}
	return list
}

// design is what the reference design asks at one kind of brush.
type design struct {
	heavy       bool              // the large gearmotor and shaft
	orientation map[string]string // by side of the line
	pattern     string            // sections from the bottom up: A is a long leaf, B a short one
}

var designs = map[string]design{
	"rocker":          {false, map[string]string{"left": "O6", "right": "O6"}, "AABBx2"},
	"side_brush_low":  {false, map[string]string{"left": "O3", "right": "O9"}, "AABBx4"},
	"side_brush_high": {false, map[string]string{"left": "O3", "right": "O9"}, "AABBx5"},
	"wraparound":      {true, map[string]string{"left": "O9", "right": "O3"}, "AABBx6"},
	"top_brush":       {true, map[string]string{"centre": "O12"}, "AABBx8"},
}

func (d design) bore(site siteRow) string {
	if d.heavy && site.Frame == "NEMA" {
		return "1.4375 in"
	}
	number, unit := site.Bore, ""
	for _, u := range []string{"in", "mm"} {
		if n, is := strings.CutSuffix(site.Bore, u); is {
			number, unit = n, u
		}
	}
	return number + " " + unit
}

func (d design) frame(site siteRow) string {
	switch {
	case site.Frame == "IEC":
		return "IEC90L-B5"
	case d.heavy:
		return "145TC"
	}
	return "56C"
}

// evidenceOf gives how well a fact is known, by site and fact: "UMB bore".
func (l *loader) evidenceOf() map[string]evidenceRow {
	known := map[string]evidenceRow{}
	for _, e := range l.evidence {
		for _, fact := range strings.Fields(e.Facts) {
			known[e.Site+" "+fact] = e
		}
	}
	return known
}

// addFacts records what the positions in use require, with how well it is
// known. What a retired position required nobody looked up any more.
func (l *loader) addFacts() error {
	type key struct{ at, fact string }
	evidence := l.evidenceOf()
	apart := map[key][]factRow{}
	for _, f := range l.facts {
		apart[key{f.Position, f.Fact}] = append(apart[key{f.Position, f.Fact}], f)
	}
	sites := map[string]siteRow{}
	for _, s := range l.scenario.sites {
		sites[s.ID] = s
	}
	used := 0
	for _, code := range l.order {
		where, _, _ := strings.Cut(code, "/")
		site := siteOf(where)
		if l.retired(code) {
			continue
		}
		for _, r := range l.requires(sites[site], l.positions[code]) {
			e, known := evidence[site+" "+r.fact]
			if !known {
				continue
			}
			rows := apart[key{code, r.fact}]
			used += len(rows)
			if err := l.recordOne(code, r, e, rows); err != nil {
				return fmt.Errorf("%s of %s: %w", r.fact, code, err)
			}
		}
	}
	if used != len(l.facts) {
		return fmt.Errorf("%d of %d facts that stand apart found their position", used, len(l.facts))
	}
	return l.recordFacts()
}

// found is a fact of a position as it came into the register.
type found struct {
	recorded  time.Time
	fact      assets.FactOf
	withdrawn time.Time // zero where it was not
	why       string
}

// recordFacts records what was found, one list for each instant at which
// something came into the register, and then withdraws what was wrong.
func (l *loader) recordFacts() error {
	var wrong []func() error
	err := byInstant(l.found, func(f found) time.Time { return f.recorded }, func(at time.Time, all []found) error {
		list := make([]assets.FactOf, len(all))
		for i, f := range all {
			list[i] = f.fact
		}
		recorded, err := assets.RecordAll(l.tx, access.System, at, list)
		if err != nil {
			return err
		}
		for i, f := range all {
			if !f.withdrawn.IsZero() {
				wrong = append(wrong, func() error {
					_, err := assets.Withdraw(l.tx, access.System, f.withdrawn, f.fact.OfID, recorded[i].ID, f.why)
					return err
				})
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	for _, withdraw := range wrong {
		if err := withdraw(); err != nil {
			return err
		}
	}
	return nil
}

// recordOne finds one fact of a position with everything that stands apart from it.
func (l *loader) recordOne(code string, r required, e evidenceRow, rows []factRow) error {
	from := l.positions[code].From
	for _, row := range rows {
		switch row.Act {
		case "missing":
			return nil
		case "earlier":
			if err := l.find(code, r.fact, row.Value, from, row.How, row.SeenBy, row.Seen, factRow{}); err != nil {
				return err
			}
			var err error
			if from, err = l.clockOf(code).at(row.From); err != nil {
				return err
			}
		}
	}
	if err := l.find(code, r.fact, r.value, from, e.How, e.SeenBy, e.Seen, factRow{}); err != nil {
		return err
	}
	for _, row := range rows {
		if row.Act != "later" && row.Act != "wrong" {
			continue
		}
		from, err := l.clockOf(code).at(row.From)
		if err != nil {
			return err
		}
		if err := l.find(code, r.fact, row.Value, from, row.How, row.SeenBy, row.Seen, row); err != nil {
			return err
		}
	}
	return nil
}

func (l *loader) find(code, fact, value string, from time.Time, how, by, seen string, row factRow) error {
	c := l.clockOf(code)
	in, err := newFact(c, fact, value, &from, how, by, seen)
	if err != nil {
		return err
	}
	f := found{recorded: c.recorded(from, in.SeenAt), fact: assets.FactOf{OfID: l.positions[code].ID, NewFact: in}, why: row.Why}
	if row.Act == "wrong" {
		if f.withdrawn, err = c.at(row.Withdrawn); err != nil {
			return err
		}
	}
	l.found = append(l.found, f)
	return nil
}

// newFact reads a fact of the files: a length as it was typed.
func newFact(c clock, fact, value string, from *time.Time, how, by, seen string) (assets.NewFact, error) {
	in := assets.NewFact{Fact: fact, Value: value, From: from, SeenBy: by, How: how}
	if seen != "" {
		at, err := c.at(seen)
		if err != nil {
			return in, err
		}
		in.SeenAt = &at
	}
	if fact == "bore" || fact == "cylinder_bore" {
		typed, ok := measure.Parse(value)
		if !ok {
			return in, fmt.Errorf("%q is no length", value)
		}
		in.Value, in.Measure = "", &typed
	}
	return in, nil
}
