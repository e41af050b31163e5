package fit

import (
	"encoding/csv"
	"fmt"
	"maps"
	"os"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"spindlebook/internal/assets/supply"
	"spindlebook/internal/fault"
)

var kinds = []Kind{
	{"bore", "Bore", "measure the shaft"}, {"frame_standard", "Frame standard", "read the plate"}, {"frame_size", "Frame size", "read the plate"},
	{"gearmotor_orientation", "Gearmotor orientation", "look from the fan end"}, {"hub_fixing", "Hub fixing", "look under the cap"}, {"media", "Media", ""},
	{"media_colour", "Media colour", ""}, {"media_pattern", "Media pattern", "count the sections"}, {"sensor_output", "Sensor output", ""}, {"valve_coil", "Valve coil", ""},
	{"cylinder_bore", "Cylinder bore", ""}, {"port_thread", "Port thread", ""}, {"for_kind", "Kinds of position it is for", ""}, {"drive", "Drive", ""},
	{"for_side", "Sides of the line it is for", ""},
}

// the rules of our reference design, as the register has them
var rules = []Rule{
	{Class: "gearmotor", How: "never", Fact: "drive", Against: "drive", Condition: "kind = tyre_brush & drive = hydraulic", Why: "an oil motor turns it"},
	{Class: "gearmotor", How: "same", Fact: "frame_standard", Against: "frame_standard", Why: "inch and metric frames never interchange"},
	{Class: "gearmotor", How: "same", Fact: "frame_size", Against: "frame_size", Why: "a frame may bolt up and still have another shaft"},
	{Class: "gearmotor", How: "same", Fact: "bore", Against: "bore", Why: "the shaft must fill the hollow bore"},
	{Class: "gearmotor", How: "supply", Fact: "plate_volts", Against: "supply", Why: "the nameplate must suit the supply"},
	{Class: "gearmotor", How: "same", Fact: "gearmotor_orientation", Against: "gearmotor_orientation", Work: "turn the gearbox", Minutes: 35, By: "J09", Why: "the vent must be on top"},
	{Class: "gearmotor", How: "links", Fact: "link_setting", Against: "supply", Work: "set the links", Minutes: 10, By: "J09"},
	{Class: "shaft", How: "same", Fact: "bore", Against: "bore", Why: "the shaft must fill the hollow bore"},
	{Class: "shaft", How: "same", Fact: "for_kind", Against: "kind", Why: "shafts differ in length"},
	{Class: "hub", How: "same", Fact: "hub_fixing", Against: "hub_fixing", Why: "the other fixing needs a conversion"},
	{Class: "hub", How: "same", Fact: "bore", Against: "bore", Why: "the hub must grip the shaft"},
	{Class: "media_set", How: "same", Fact: "media", Against: "media", Why: "a site has one kind of media on a brush"},
	{Class: "media_set", How: "same", Fact: "media_colour", Against: "media_colour", Condition: "kind in (side_brush_low, side_brush_high, wraparound, top_brush)", Why: "both of a pair are of one colour"},
	{Class: "media_set", How: "pattern", Fact: "media_pattern", Against: "media_pattern", Why: "a letter short leaves a gap"},
	{Class: "cover", How: "same", Fact: "for_side", Against: "line_side", Condition: "kind = wraparound", Why: "covers of wraparounds are handed"},
	{Class: "cylinder", How: "same", Fact: "cylinder_bore", Against: "cylinder_bore", Why: "inch and metric bodies look alike"},
	{Class: "cylinder", How: "same", Fact: "port_thread", Against: "port_thread", Why: "inch and metric ports must not be forced"},
	{Class: "valve", How: "same", Fact: "valve_coil", Against: "valve_coil", Why: "the coil must suit the panel"},
	{Class: "sensor", How: "same", Fact: "sensor_output", Against: "sensor_output", Why: "PNP and NPN look alike"},
}

func book(t testing.TB) Book {
	t.Helper()
	b, err := NewBook(rules, kinds)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func good(facts map[string]string) map[string]Known {
	known := map[string]Known{}
	for f, v := range facts {
		if v != "" {
			known[f] = Known{Value: v}
		}
	}
	return known
}

func table(t testing.TB, name string) []map[string]string {
	t.Helper()
	f, err := os.Open("testdata/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	all, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	rows := make([]map[string]string, len(all)-1)
	for i, r := range all[1:] {
		rows[i] = map[string]string{}
		for j, name := range all[0] {
			rows[i][name] = r[j]
		}
	}
	return rows
}

func spell(short string) string {
	letters, times, repeated := strings.Cut(short, "x")
	n := 1
	if repeated {
		fmt.Sscan(times, &n)
	}
	return strings.Repeat(letters, n)
}

var kindOf = map[string]string{"side_lo": "side_brush_low", "side_hi": "side_brush_high", "wrap": "wraparound", "rocker": "rocker", "top": "top_brush"}

// candidates gives the parts of our own catalogue that fill a slot.
func candidates(t testing.TB) map[string]Candidate {
	t.Helper()
	all := map[string]Candidate{}
	for _, row := range table(t, "parts.csv") {
		at := map[string]string{}
		for pair := range strings.SplitSeq(row["attributes"], ";") {
			k, v, _ := strings.Cut(pair, "=")
			at[k] = v
		}
		var facts map[string]string
		class := ""
		switch {
		case row["family"] == "gearmotor":
			class = "gearmotor"
			facts = map[string]string{"plate_volts": at["volts"], "plate_hertz": at["hz"], "plate_phases": at["phases"], "leads": at["leads"], "frame_size": at["frame"],
				"bore": at["bore"], "gearmotor_orientation": at["orientation"], "frame_standard": "NEMA"}
			if strings.HasPrefix(at["frame"], "IEC") {
				facts["frame_standard"] = "IEC"
			}
		case row["family"] == "shaft":
			class = "shaft"
			var kinds []string
			for k := range strings.SplitSeq(at["type"], "+") {
				kinds = append(kinds, kindOf[k])
			}
			if row["part_no"] == "MW-20035" { // the metric rockers take it too, as the jobs' part lines say
				kinds = append(kinds, "rocker")
			}
			facts = map[string]string{"bore": at["bore"], "for_kind": strings.Join(kinds, "+")}
		case row["family"] == "hub" && at["bore"] != "":
			class = "hub"
			facts = map[string]string{"hub_fixing": at["hub"], "bore": at["bore"]}
		case at["pattern"] != "":
			class = "media_set"
			facts = map[string]string{"media": "foam", "media_colour": at["colour"], "media_pattern": spell(at["pattern"])}
		case at["stroke"] != "":
			class = "cylinder"
			facts = map[string]string{"cylinder_bore": at["bore"], "port_thread": at["port"]}
		case row["family"] == "air" && at["coil"] != "":
			class = "valve"
			facts = map[string]string{"valve_coil": at["coil"]}
		case at["output"] != "":
			class = "sensor"
			facts = map[string]string{"sensor_output": strings.TrimSuffix(at["output"], "-NO")}
		default:
			continue
		}
		all[row["part_no"]] = Candidate{Class: class, Facts: good(facts)}
	}
	if len(all) < 30 {
		t.Fatalf("only %d parts", len(all))
	}
	return all
}

// positions gives every kind and side of brush at the sites, with what each requires.
func positions(t testing.TB) map[string]Position {
	t.Helper()
	orientation := map[string]string{"side_brush_low left": "O3", "side_brush_low right": "O9", "side_brush_high left": "O3", "side_brush_high right": "O9",
		"wraparound left": "O9", "wraparound right": "O3", "rocker left": "O6", "rocker right": "O6", "top_brush centre": "O12"}
	pattern := map[string]string{"rocker": "AABBx2", "side_brush_low": "AABBx4", "side_brush_high": "AABBx5", "wraparound": "AABBx6", "top_brush": "AABBx8"}
	all := map[string]Position{}
	for _, s := range table(t, "scenario_sites.csv") {
		for at, o := range orientation {
			kind, side, _ := strings.Cut(at, " ")
			heavy, metric := kind == "wraparound" || kind == "top_brush", s["frame_std"] == "IEC"
			if metric && kind == "top_brush" {
				continue // the metric site has none
			}
			facts := map[string]string{"bore": s["bore"], "frame_standard": s["frame_std"], "frame_size": "56C", "hub_fixing": s["hub_side"], "gearmotor_orientation": o,
				"media": s["media"], "media_colour": s["colour"], "media_pattern": spell(pattern[kind]), "sensor_output": s["prox_output"], "valve_coil": s["valve_coil"],
				"cylinder_bore": "2.5in", "port_thread": "3/8NPT", "drive": "electric"}
			if heavy {
				facts["bore"], facts["frame_size"], facts["hub_fixing"], facts["media_colour"] = "1.4375in", "145TC", s["hub_wrap"], "blue"
			}
			if metric {
				facts["bore"], facts["frame_size"], facts["cylinder_bore"], facts["port_thread"] = s["bore"], "IEC90L-B5", "63mm", "G3/8"
			}
			p := Position{Kind: kind, LineSide: side, Facts: good(facts), Feed: supply.Feed{Phases: 3}}
			fmt.Sscan(s["supply"], &p.Feed.Volts)
			fmt.Sscan(s["hz"], &p.Feed.Hertz)
			all[s["site_id"]+" "+at] = p
		}
	}
	if len(all) != 8*9-1 {
		t.Fatalf("%d positions", len(all))
	}
	return all
}

// Every part that fills a slot against every side of every site: 71 positions,
// nothing left out.
func TestWhatFitsWhereAtTheSites(t *testing.T) {
	type expected struct{ verdict, work string }
	want := map[string]expected{}
	text, err := os.ReadFile("testdata/fits.txt")
	if err != nil {
		t.Fatal(err)
	}
	for line := range strings.Lines(string(text)) {
		line = strings.TrimSpace(line)
		if line == "" || strings.HasPrefix(line, "#") {
			continue
		}
		col := strings.Split(line, ": ")
		if len(col) < 5 {
			t.Fatalf("%q", line)
		}
		var kinds, sides []string
		for _, w := range strings.Fields(col[1]) {
			if slices.Contains([]string{"left", "right", "centre"}, w) {
				sides = append(sides, w)
			} else {
				kinds = append(kinds, w)
			}
		}
		for _, site := range strings.Fields(col[0]) {
			for _, kind := range kinds {
				for _, side := range sides {
					for _, part := range strings.Fields(col[4]) {
						key := strings.Join([]string{site, kind, side, part}, " ")
						if _, twice := want[key]; twice {
							t.Fatalf("%s stands twice", key)
						}
						want[key] = expected{col[3], strings.Join(col[5:], ": ")}
					}
				}
			}
		}
	}
	b, asked := book(t), 0
	for at, p := range positions(t) {
		for number, c := range candidates(t) {
			asked++
			key := at + " " + number
			w, ok := want[key]
			if !ok {
				w.verdict = "does not fit"
			}
			a := b.Judge(p, c)
			var work []string
			for _, x := range a.Work {
				work = append(work, strings.TrimSuffix(x.What, ": nobody recorded how they stand"))
			}
			if a.Verdict.String() != w.verdict || strings.Join(work, ", ") != w.work {
				t.Errorf("%s: %s, %q; want %s, %q; %q %v", key, a.Verdict, work, w.verdict, w.work, a.Reasons, a.Missing)
			}
			if (a.Verdict == DoesNotFit) != (len(a.Reasons) > 0) || (a.Verdict == FitsAfterWork) != (len(a.Work) > 0) || a.Verdict != DoesNotFit && len(a.Missing) > 0 {
				t.Errorf("%s: %+v", key, a)
			}
			delete(want, key)
		}
	}
	for key := range want {
		t.Errorf("nobody asked for %s", key)
	}
	if asked < 2000 {
		t.Errorf("only %d questions", asked)
	}
}

// The first two stories of what goes wrong in practice, and more of the kind.
func TestStories(t *testing.T) {
	b, at, parts := book(t), positions(t), candidates(t)
	with := func(c Candidate, facts ...string) Candidate {
		c.Facts = maps.Clone(c.Facts)
		for i := 0; i < len(facts); i += 2 {
			if facts[i+1] == "" {
				delete(c.Facts, facts[i])
			} else {
				c.Facts[facts[i]] = Known{Value: facts[i+1]}
			}
		}
		return c
	}
	for name, s := range map[string]struct {
		at      string
		c       Candidate
		verdict Verdict
		minutes int
		says    string
	}{
		"1: none in the needed orientation: bench time, not green":     {"UMB side_brush_low left", with(parts["MW-10110"], "link_setting", "high"), FitsAfterWork, 35, "turn the gearbox from O12 to O3"},
		"prepared for the other side":                                  {"UMB side_brush_low left", with(parts["MW-10110"], "gearmotor_orientation", "O9", "link_setting", "high"), FitsAfterWork, 35, "turn the gearbox from O9 to O3"},
		"prepared":                                                     {"UMB side_brush_low left", with(parts["MW-10110"], "gearmotor_orientation", "O3", "link_setting", "high"), Fits, 0, ""},
		"turned right, links wrong":                                    {"UMB side_brush_low left", with(parts["MW-10110"], "gearmotor_orientation", "O3", "link_setting", "low"), FitsAfterWork, 10, "set the links from low to high"},
		"both in one go at the bench":                                  {"UMB side_brush_low left", parts["MW-10110"], FitsAfterWork, 35, "set the links for high"},
		"2: a 230/460 motor at 208 V":                                  {"FER side_brush_low left", with(parts["MW-10110"], "plate_volts", "230/460"), DoesNotFit, 0, "208"},
		"a 460 motor at 240 V":                                         {"OST side_brush_low left", parts["MW-10105"], DoesNotFit, 0, "460 V"},
		"1-3/8 in is not 35 mm":                                        {"THO rocker left", with(parts["MW-10140"], "bore", "1.375in"), DoesNotFit, 0, "Bore is 1.375in, and the position needs 35mm"},
		"it bolts up and still does not fit":                           {"UMB side_brush_low left", with(parts["MW-10120"], "bore", "1.375 in"), DoesNotFit, 0, "Frame size is 145TC"},
		"3: 16 sections with 9 A and 7 B":                              {"UMB side_brush_low left", with(parts["MW-31101"], "media_pattern", "AABBAABBAABBAABA"), DoesNotFit, 0, "9 long (A) and 7 short (B) sections, and the position needs 8 and 8"},
		"all letters, another order":                                   {"UMB side_brush_low left", with(parts["MW-31101"], "media_pattern", "BBAABBAABBAABBAA"), DoesNotFit, 0, "another order"},
		"a pattern that nobody can read":                               {"UMB side_brush_low left", with(parts["MW-31101"], "media_pattern", "as found"), DoesNotFit, 0, "Media pattern is as found"},
		"nobody knows the voltages":                                    {"UMB side_brush_low left", with(parts["MW-10110"], "plate_volts", ""), CannotTell, 0, "voltages of the motor are not known"},
		"nobody knows the frequency":                                   {"UMB side_brush_low left", with(parts["MW-10110"], "plate_hertz", ""), CannotTell, 0, "frequency of the motor is not known"},
		"the plate makes no sense":                                     {"UMB side_brush_low left", with(parts["MW-10110"], "plate_volts", "lots"), CannotTell, 0, "cannot be read"},
		"nobody knows how it stands":                                   {"UMB side_brush_low left", with(parts["MW-10110"], "gearmotor_orientation", ""), CannotTell, 0, "Gearmotor orientation of the part is not known"},
		"unknown beside wrong is wrong":                                {"UMB side_brush_low left", with(parts["MW-10120"], "gearmotor_orientation", ""), DoesNotFit, 0, "Bore is 1.4375in"},
		"a class without rules":                                        {"UMB side_brush_low left", Candidate{Class: "blower"}, CannotTell, 0, "No rule says in what a blower must agree"},
		"withdrawn":                                                    {"UMB side_brush_low left", Candidate{Class: "hub", Facts: parts["MW-21401"].Facts, Never: []string{"It was withdrawn."}}, DoesNotFit, 0, "withdrawn"},
		"a cover made for the other side":                              {"UMB wraparound left", Candidate{Class: "cover", Facts: good(map[string]string{"for_side": "right"})}, DoesNotFit, 0, "for is right"},
		"a cover for both sides":                                       {"UMB wraparound left", Candidate{Class: "cover", Facts: good(map[string]string{"for_side": "left+right"})}, Fits, 0, ""},
		"six leads at 460 V 60 Hz stand in star":                       {"THO rocker left", with(parts["MW-10140"], "gearmotor_orientation", "O6", "link_setting", "delta"), FitsAfterWork, 10, "set the links from delta to star"},
		"whether wye or delta is nothing that decides whether it fits": {"FER rocker left", with(parts["MW-10110"], "gearmotor_orientation", "O6", "link_setting", "low"), Fits, 0, ""},
	} {
		p, ok := at[s.at]
		if !ok {
			t.Fatal(s.at)
		}
		a := b.Judge(p, s.c)
		said := append([]string{}, a.Reasons...)
		for _, w := range a.Work {
			said = append(said, w.What)
		}
		for _, m := range a.Missing {
			said = append(said, m.Says)
			if m.How == "" {
				t.Errorf("%s: nobody says how to get %s", name, m.Fact)
			}
		}
		if a.Verdict != s.verdict || a.Minutes() != s.minutes || !strings.Contains(strings.Join(said, " "), s.says) {
			t.Errorf("%s: %s after %d min, %q", name, a.Verdict, a.Minutes(), said)
		}
	}
}

func TestWhereAMotorNeverGoes(t *testing.T) {
	b, c := book(t), candidates(t)["MW-10110"]
	p := positions(t)["UMB rocker left"]
	p.Kind, p.Facts = "tyre_brush", maps.Clone(p.Facts)
	p.Facts["drive"] = Known{Value: "hydraulic"}
	if a := b.Judge(p, c); a.Verdict != DoesNotFit || !slices.Equal(a.Reasons, []string{"An oil motor turns it"}) {
		t.Errorf("%+v", a)
	}
	delete(p.Facts, "drive")
	if a := b.Judge(p, c); a.Verdict != CannotTell || len(a.Missing) != 1 || a.Missing[0].Fact != "drive" {
		t.Errorf("%+v", a)
	}
	p.Facts["drive"] = Known{Value: "electric"}
	p.Feed = supply.Feed{}
	if a := b.Judge(p, c); a.Verdict != CannotTell || len(a.Missing) != 3 || a.Missing[0].Of != "position" {
		t.Errorf("%+v", a)
	}
}

// What fits by a fact that nobody has looked at for long is not said to fit; what
// does not fit by it does not.
func TestAStaleFactIsNoKnowledge(t *testing.T) {
	b, parts := book(t), candidates(t)
	p := positions(t)["UMB side_brush_low left"]
	p.Facts = maps.Clone(p.Facts)
	p.Facts["hub_fixing"] = Known{"clamp4", "nobody has seen it, it was assumed"}
	if a := b.Judge(p, parts["MW-21401"]); a.Verdict != CannotTell || a.Missing[0].Says != "Hub fixing of the position may have changed: nobody has seen it, it was assumed." || a.Missing[0].How != "look under the cap" {
		t.Errorf("%+v", a)
	}
	if a := b.Judge(p, parts["MW-21301"]); a.Verdict != DoesNotFit {
		t.Errorf("%+v", a)
	}
	p.Facts["gearmotor_orientation"] = Known{"O3", "seen 4 years ago"}
	if a := b.Judge(p, parts["MW-10110"]); a.Verdict != CannotTell || len(a.Work) != 0 {
		t.Errorf("%+v", a)
	}
	c := parts["MW-21401"]
	c.Facts = maps.Clone(c.Facts)
	c.Facts["bore"] = Known{"1.375in", "it was told"}
	p.Facts["hub_fixing"] = Known{Value: "clamp4"}
	if a := b.Judge(p, c); a.Verdict != CannotTell || a.Missing[0].Of != "part" {
		t.Errorf("%+v", a)
	}
}

// Whatever is forgotten, nothing that does not fit is ever offered: a fact less
// turns a verdict only towards cannot tell.
func TestForgettingNeverMakesItFit(t *testing.T) {
	b, at, parts := book(t), positions(t), candidates(t)
	places, numbers := slices.Sorted(maps.Keys(at)), slices.Sorted(maps.Keys(parts))
	rapid.Check(t, func(t *rapid.T) {
		p, c := at[rapid.SampledFrom(places).Draw(t, "at")], parts[rapid.SampledFrom(numbers).Draw(t, "part")]
		before := b.Judge(p, c)
		p.Facts, c.Facts = maps.Clone(p.Facts), maps.Clone(c.Facts)
		for _, f := range rapid.SliceOfN(rapid.SampledFrom(slices.Sorted(maps.Keys(p.Facts))), 0, 3).Draw(t, "forgotten of the position") {
			delete(p.Facts, f)
		}
		for _, f := range rapid.SliceOfN(rapid.SampledFrom(slices.Sorted(maps.Keys(c.Facts))), 0, 2).Draw(t, "forgotten of the part") {
			delete(c.Facts, f)
		}
		after := b.Judge(p, c)
		switch {
		case after.Verdict == before.Verdict, after.Verdict == CannotTell:
		case before.Verdict == FitsAfterWork && after.Verdict == Fits:
			// only links of a motor whose leads nobody counted have no work left
			if _, ok := c.Facts["leads"]; ok {
				t.Fatalf("%v, then %v", before, after)
			}
		default:
			t.Fatalf("%v, then %v", before, after)
		}
	})
}

func TestRulesThatMakeNoSenseAreRefused(t *testing.T) {
	for want, r := range map[string]Rule{
		"rules[0].condition": {Class: "hub", How: "same", Fact: "bore", Against: "bore", Condition: "bore >"},
		"rules[0].against":   {Class: "hub", How: "same", Fact: "bore", Against: "bohrung"},
		"rules[0].fact":      {Class: "hub", How: "same", Fact: "bohrung", Against: "bore"},
		"rules[0].how":       {Class: "hub", How: "about", Fact: "bore", Against: "bore"},
		"rules[0].work":      {Class: "hub", How: "same", Fact: "bore", Against: "bore", Work: "file it"},
		"rules[0].class":     {How: "same", Fact: "bore", Against: "bore"},
	} {
		_, err := NewBook([]Rule{r}, kinds)
		f, ok := err.(*fault.Error)
		if !ok || f.Field != want {
			t.Errorf("%+v: %v, want %s", r, err, want)
		}
	}
	for _, r := range []Rule{
		{Class: "hub", How: "never", Fact: "bore", Against: "bore", Why: "so"},
		{Class: "hub", How: "supply", Fact: "plate_volts", Against: "bore"},
		{Class: "hub", How: "pattern", Fact: "media_pattern", Against: "media_pattern", Work: "turn", Minutes: 1, By: "J09"},
		{Class: "hub", How: "same", Fact: "bore", Against: "bore", Condition: "convert = no"},
	} {
		if _, err := NewBook([]Rule{r}, kinds); fault.KindOf(err) != fault.Invalid {
			t.Errorf("%+v: %v", r, err)
		}
	}
}
