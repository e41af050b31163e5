package demo

import (
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/measure"
)

// part is a part of the catalogue of which units are recorded.
type part struct {
	assets.Part
	row  partRow
	attr map[string]string
}

// fact gives what the catalogue says of every unit of the part, or "".
func (p part) fact(code string) string {
	for _, f := range p.Facts {
		if f.Fact == code {
			return f.Value
		}
	}
	return ""
}

// attributes reads "hp=1.5;frame=56C".
func (r partRow) attributes() map[string]string {
	attr := map[string]string{}
	for pair := range strings.SplitSeq(r.Attributes, ";") {
		if key, value, ok := strings.Cut(pair, "="); ok {
			attr[key] = value
		}
	}
	return attr
}

// Classes of what fills no slot, by family; what is not named has the family's own name.
var consumed = map[string]string{"gearbox_part": "gearbox_part", "elec": "electrical", "spacer": "fastener", "foam": "section", "air": "air_part", "fluid": "hose",
	"sensor": "control", "conveyor": "conveyor_part", "pump": "pump_part", "compressor": "filter", "reclaim": "filter", "hub": "flange"}

// class gives the class of a part.
func (r partRow) class(attr map[string]string) string {
	has := func(key string) bool { return attr[key] != "" }
	switch {
	case slices.Contains([]string{"gearmotor", "motor", "gearbox", "shaft", "cap", "cover"}, r.Family):
		return r.Family
	case r.Family == "hub" && has("bore"):
		return "hub"
	case r.Family == "kit" && has("pattern"), r.Family == "media":
		return "media_set"
	case r.Family == "air" && has("stroke"):
		return "cylinder"
	case r.Family == "air" && has("coil"):
		return "valve"
	case r.Family == "sensor" && has("output"):
		return "sensor"
	case r.Family == "bearing" && strings.Contains(r.Name, "pivot bearing set"):
		return "pivot"
	case r.Family == "dryer":
		return "blower"
	case r.Family == "conveyor" && strings.Contains(r.Name, "gear unit"):
		return "drive"
	}
	if c, ok := consumed[r.Family]; ok {
		return c
	}
	return r.Family
}

// partFacts reads the attributes that decide whether a part fits, as facts.
func partFacts(class string, attr map[string]string) ([]assets.PartFactEdit, error) {
	var facts []assets.PartFactEdit
	add := func(fact, value string) {
		if value != "" {
			facts = append(facts, assets.PartFactEdit{Fact: fact, Value: value})
		}
	}
	long := func(fact, value string) error {
		if value == "" {
			return nil
		}
		typed, ok := measure.Parse(spaced(value))
		if !ok {
			return fmt.Errorf("%q is no length", value)
		}
		facts = append(facts, assets.PartFactEdit{Fact: fact, Measure: &typed})
		return nil
	}
	add("for_kind", forKinds(class, attr))
	add("for_side", map[string]string{"D": "left", "P": "right", "no": "left+right"}[attr["handed"]])
	add("thread", attr["thread"])
	add("grade", attr["grade"])
	add("material", attr["material"])
	add("density", attr["density"])
	add("rpm", attr["rpm"])
	add("oil", attr["base"])
	if class == "cylinder" {
		add("port_thread", attr["port"])
		if err := errors.Join(long("cylinder_bore", attr["bore"]), long("stroke", attr["stroke"])); err != nil {
			return nil, err
		}
	}
	add("plate_volts", attr["volts"])
	add("plate_hertz", attr["hz"])
	add("plate_phases", attr["phases"])
	add("leads", attr["leads"])
	add("frame_size", attr["frame"])
	switch {
	case strings.HasPrefix(attr["frame"], "IEC"):
		add("frame_standard", "IEC")
	case attr["frame"] != "":
		add("frame_standard", "NEMA")
	}
	add("gearmotor_orientation", attr["orientation"])
	add("hub_fixing", attr["hub"])
	add("media_pattern", attr["pattern"])
	add("media_colour", attr["colour"])
	switch {
	case attr["pattern"] != "": // every set of sections is foam
		add("media", "foam")
	case attr["media"] != "":
		add("media", attr["media"])
	}
	add("sensor_output", strings.TrimSuffix(attr["output"], "-NO"))
	add("valve_coil", attr["coil"])
	// the bore of a cylinder or of a pivot is another thing than that of the shaft
	if class != "cylinder" && class != "pivot" {
		if err := long("bore", attr["bore"]); err != nil {
			return nil, err
		}
	}
	return facts, nil
}

// forKinds gives the kinds of position that a part is made for, joined by +.
func forKinds(class string, attr map[string]string) string {
	switch class {
	case "shaft":
		var kinds []string
		for _, kind := range slices.Sorted(maps.Keys(shaftTypes)) {
			if slices.Contains(strings.Split(attr["type"], "+"), shaftTypes[kind]) {
				kinds = append(kinds, kind)
			}
		}
		if attr["bore"] == "35mm" && slices.Contains(kinds, "side_brush_low") { // the metric rockers take it too
			kinds = append(kinds, "rocker")
		}
		return strings.Join(kinds, "+")
	case "cap":
		return "rocker+side_brush_low+side_brush_high+top_brush+wraparound"
	case "cover":
		if attr["handed"] == "no" {
			return "rocker+side_brush_low+side_brush_high"
		}
		return "wraparound"
	case "pivot":
		return "wraparound"
	}
	return ""
}

// spaced writes "1.375in" as somebody types it: "1.375 in".
func spaced(length string) string {
	for _, u := range []string{"in", "mm"} {
		if n, is := strings.CutSuffix(length, u); is {
			return n + " " + u
		}
	}
	return length
}

// addParts records the catalogue.
func (l *loader) addParts() error {
	began := l.joined[distributor]
	for _, row := range l.catalogue {
		attr := row.attributes()
		class := row.class(attr)
		facts, err := partFacts(class, attr)
		if err != nil {
			return fmt.Errorf("%s: %w", row.Number, err)
		}
		added, err := assets.AddPart(l.tx, access.System, began, assets.PartEdit{Number: row.Number, Description: row.Name, Class: class, Facts: facts})
		if err != nil {
			return fmt.Errorf("%s: %w", row.Number, err)
		}
		l.parts = append(l.parts, part{added, row, attr})
	}
	return nil
}

func (l *loader) partByNumber(number string) (part, error) {
	i := slices.IndexFunc(l.parts, func(p part) bool { return p.Number == number })
	if i < 0 {
		return part{}, fmt.Errorf("no part %s of which there are units", number)
	}
	return l.parts[i], nil
}

// which end of a shaft's list of brushes belongs to which kind of position
var shaftTypes = map[string]string{"side_brush_low": "side_lo", "side_brush_high": "side_hi", "rocker": "rocker", "wraparound": "wrap", "top_brush": "top", "tyre_brush": "tyre"}

// partFor chooses the part for a slot: the one that fits what the position
// requires and was not superseded.
func (l *loader) partFor(p assets.Position, class string) (part, error) {
	site := l.siteRow(p.Code)
	need := map[string]string{}
	for _, r := range l.requires(site, p) {
		need[r.fact] = r.value
	}
	if p.Kind == "tyre_brush" { // it requires no more than its drive, but is built of the same parts
		light := designs["rocker"]
		need["bore"], need["frame_size"], need["hub_fixing"] = light.bore(site), light.frame(site), site.HubSide
	}
	fits := func(c part) bool {
		if c.Class != class || c.row.Superseded != "" {
			return false
		}
		switch class {
		case "gearmotor":
			return c.fact("bore") == need["bore"] && c.fact("frame_size") == need["frame_size"]
		case "shaft":
			return c.fact("bore") == need["bore"] && slices.Contains(strings.Split(c.attr["type"], "+"), shaftTypes[p.Kind])
		case "hub":
			return c.fact("bore") == need["bore"] && c.fact("hub_fixing") == need["hub_fixing"]
		case "media_set":
			if p.Kind == "tyre_brush" {
				return c.attr["use"] == "tyre"
			}
			colour := c.fact("media_colour")
			return c.fact("media_pattern") == need["media_pattern"] && (colour == "" || colour == need["media_colour"])
		case "valve":
			return c.fact("valve_coil") == need["valve_coil"]
		case "sensor":
			return c.fact("sensor_output") == need["sensor_output"]
		case "cylinder":
			return strings.HasSuffix(c.attr["bore"], "mm") == (site.Frame == "IEC")
		}
		return true
	}
	if i := slices.IndexFunc(l.parts, fits); i >= 0 {
		return l.parts[i], nil
	}
	if class == "shaft" { // the metric rockers take the shaft of the side brushes
		return l.partByNumber("MW-20035")
	}
	return part{}, fmt.Errorf("no %s fits %s", class, p.Code)
}

// inside gives the motor or gearbox of a gearmotor, where the catalogue has it
// by itself.
func (l *loader) inside(gearmotor part, class string) (part, bool) {
	i := slices.IndexFunc(l.parts, func(c part) bool {
		return c.Class == class && c.fact("frame_size") == gearmotor.fact("frame_size") && (class == "motor" || c.fact("bore") == gearmotor.fact("bore"))
	})
	if i < 0 {
		return part{}, false
	}
	return l.parts[i], true
}

func (l *loader) siteRow(code string) siteRow {
	where, _, _ := strings.Cut(code, "/")
	return l.scenario.sites[slices.IndexFunc(l.scenario.sites, func(s siteRow) bool { return s.ID == siteOf(where) })]
}

func (l *loader) addLocations() error {
	l.locations = map[string]assets.Location{}
	for _, row := range l.stores {
		in := assets.NewLocation{Code: row.Code, Name: row.Name, Kind: row.Kind}
		if row.Site != "" {
			site := l.sites[row.Site].ID
			in.SiteID = &site
		}
		added, err := assets.AddLocation(l.tx, access.System, l.joined[distributor], in)
		if err != nil {
			return fmt.Errorf("%s: %w", row.Code, err)
		}
		l.locations[row.Code] = added
	}
	return nil
}
