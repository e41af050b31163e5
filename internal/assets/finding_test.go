package assets_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/measure"
	"spindlebook/internal/pgtest"
)

// found lists what is found at the site, but for what nobody knows.
func (s stock) found(t testing.TB, kinds ...string) (says []string) {
	t.Helper()
	all, err := assets.Findings(ctx, s.db, access.System, now, s.site.ID)
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range all {
		if slices.Contains(kinds, f.Kind) {
			says = append(says, f.Says)
		}
		if f.Says == "" || f.Blocks == "" || f.Close == "" || f.Rank < 1 || f.PositionID == nil {
			t.Errorf("a finding without its words: %+v", f)
		}
	}
	return says
}

func (s stock) requires(t testing.TB, p assets.Position, fact, value string) {
	t.Helper()
	pgtest.Done(t, s.db, access.System, func(tx *gorm.DB) (assets.Fact, error) {
		return assets.Record(tx, access.System, now, p.ID, s.fact(fact, value))
	})
}

func (s stock) fact(fact, value string) assets.NewFact {
	in := assets.NewFact{Fact: fact, Value: value, How: "measured", From: days(-30), SeenAt: days(-1)}
	if m, ok := measure.Parse(value); ok && fact == "bore" {
		in.Value, in.Measure = "", &m
	}
	return in
}

func (s stock) is(t testing.TB, u assets.Unit, fact, value string) {
	t.Helper()
	pgtest.Done(t, s.db, access.System, func(tx *gorm.DB) (assets.Fact, error) {
		return assets.RecordOfUnit(tx, access.System, now, u.ID, s.fact(fact, value))
	})
}

// What bolts up and does not fit: the traps of the trade.
func TestWhatIsFittedAgainstWhatIsRequired(t *testing.T) {
	t.Parallel()
	s := newStock(t)
	for fact, value := range map[string]string{"bore": "1.375 in", "frame_standard": "NEMA", "frame_size": "56C", "gearmotor_orientation": "O3",
		"hub_fixing": "clamp4", "media": "foam", "media_colour": "blue", "media_pattern": "AABBx4"} {
		s.requires(t, s.left, fact, value)
	}
	part := func(number, class string, facts map[string]string) assets.Part {
		var in []assets.PartFactEdit
		for f, v := range facts {
			e := assets.PartFactEdit{Fact: f, Value: v}
			if m, ok := measure.Parse(v); ok && f == "bore" {
				e.Value, e.Measure = "", &m
			}
			in = append(in, e)
		}
		return s.part(t, number, class, in...)
	}
	right := part("GM-56C", "gearmotor", map[string]string{"bore": "1.375 in", "frame_standard": "NEMA", "frame_size": "56c", "gearmotor_orientation": "O12"})
	tc := part("GM-145TC", "gearmotor", map[string]string{"bore": "1.375 in", "frame_standard": "NEMA", "frame_size": "145TC"})
	iec := part("GM-IEC", "gearmotor", map[string]string{"bore": "35 mm", "frame_standard": "IEC", "frame_size": "IEC90L-B5"})
	motor := part("M-145TC", "motor", map[string]string{"frame_size": "145TC"})
	flange := part("HUB-F", "hub", map[string]string{"hub_fixing": "flange3", "bore": "1.375 in"})
	red := part("SET-RED", "media_set", map[string]string{"media": "foam", "media_colour": "red", "media_pattern": "AABBx4"})
	blue := part("SET-BLUE", "media_set", map[string]string{"media": "foam", "media_colour": "Blue", "media_pattern": "AABBx4"})
	mm := part("SHAFT-35", "shaft", map[string]string{"bore": "35 mm"})
	metric := part("SHAFT-349", "shaft", map[string]string{"bore": "34.925 mm"})

	at := *days(-20)
	fit := func(slot string, u assets.Unit) {
		at = at.Add(time.Hour)
		id := s.slot(t, s.left, slot)
		if s.inSlot(t, id, now) != nil {
			if _, err := s.swap(t, assets.Swap{At: at, Items: []assets.SwapItem{{SlotID: *id, Reason: "moved", To: &s.van.ID, In: &u.ID}}}); err != nil {
				t.Fatal(err)
			}
			return
		}
		s.put(t, u, assets.Place{SlotID: id}, at)
	}
	mismatches := func(want ...string) {
		t.Helper()
		got := s.found(t, "mismatch")
		if len(got) != len(want) {
			t.Errorf("found %v, not %v", got, want)
			return
		}
		for i := range want {
			if !strings.Contains(got[i], want[i]) {
				t.Errorf("found %v, not %v", got, want)
			}
		}
	}
	mismatches()
	// as the catalogue has it a gearmotor comes in O12: that says nothing of how a fitted one stands
	ok := s.unit(t, right, "")
	fit("gearmotor", ok)
	mismatches()
	s.is(t, ok, "gearmotor_orientation", "O9")
	mismatches("is O9 in gearmotor orientation; the position requires O3")
	fit("gearmotor", s.unit(t, tc, ""))
	mismatches("is 145TC in frame size; the position requires 56C") // it bolts up and still does not fit
	fit("gearmotor", s.unit(t, iec, ""))
	mismatches("is 35 mm in bore; the position requires 1.375 in", "is IEC90L-B5 in frame size", "is IEC in frame standard")
	// a wrong motor inside the right gearmotor
	outer := s.unit(t, right, "")
	fit("gearmotor", outer)
	s.put(t, s.unit(t, motor, ""), assets.Place{SlotID: s.inner(t, outer, "motor")}, *days(-2))
	mismatches("the motor that is fitted")
	s.put(t, s.unit(t, right, ""), assets.Place{LocationID: &s.van.ID}, *days(-1))
	fit("gearmotor", s.unit(t, right, ""))
	mismatches()

	// 1-3/8 in is not 35 mm, and it is 34.925 mm
	fit("shaft", s.unit(t, mm, ""))
	mismatches("the shaft that is fitted")
	fit("shaft", s.unit(t, metric, ""))
	mismatches()
	// a unit may differ from its part
	odd := s.unit(t, metric, "")
	s.is(t, odd, "bore", "35 mm")
	fit("shaft", odd)
	mismatches("is 35 mm in bore")
	fit("shaft", s.unit(t, metric, ""))

	fit("hub", s.unit(t, flange, ""))
	mismatches("is flange3 in hub fixing; the position requires clamp4")
	fit("hub", s.unit(t, s.hub, ""))
	// a coil for another voltage, and a sensor of the other output: both screw in
	for class, c := range map[string]struct{ fact, required, other string }{"valve": {"valve_coil", "24VDC", "120VAC"}, "sensor": {"sensor_output", "PNP", "NPN"}} {
		fit(class, s.unit(t, part(c.other, class, map[string]string{c.fact: c.other}), ""))
		mismatches() // as long as nobody has recorded what the panel takes
		s.requires(t, s.left, c.fact, c.required)
		mismatches("is " + c.other)
		fit(class, s.unit(t, part(c.required, class, map[string]string{c.fact: c.required}), ""))
		mismatches()
	}
	set := func(p assets.Part, pattern string) assets.Unit {
		u := pgtest.Done(t, s.db, access.System, func(tx *gorm.DB) (assets.Unit, error) {
			return assets.AddUnit(tx, access.System, now, assets.NewUnit{UnitEdit: assets.UnitEdit{PartID: p.ID, Pattern: pattern}})
		})
		s.put(t, u, assets.Place{LocationID: &s.warehouse.ID}, *days(-30))
		return u
	}
	fit("media", set(red, ""))
	mismatches("is red in media colour")
	fit("media", set(blue, "AABBAABBAABBAABB"))
	mismatches()
	fit("media", set(blue, "BBAABBAABBAABBAA")) // begins on the other letter
	mismatches("is BBAABBAABBAABBAA in media pattern; the position requires AABBx4")
}

func TestSerialsThatAreOrLookTheSame(t *testing.T) {
	t.Parallel()
	s := newStock(t)
	a, b := s.unit(t, s.motor, "BO1I-8"), s.unit(t, s.motor, "b011-8")
	s.put(t, a, assets.Place{SlotID: s.slot(t, s.left, "gearmotor")}, *days(-9))
	s.unit(t, s.hub, "bo1i-8") // of another class: another maker
	if got := s.found(t, "serial_twice"); len(got) != 1 || got[0] != fmt.Sprintf("%s: the serial BO1I-8 of %s looks like that of %s, b011-8.", s.left.Code, a.Tag, b.Tag) {
		t.Errorf("%v", got)
	}
	c := s.unit(t, s.motor, "bo1i-8")
	if got := s.found(t, "serial_twice"); len(got) != 1 || !strings.Contains(got[0], "is also that of "+b.Tag+", b011-8, "+c.Tag) {
		t.Errorf("%v", got)
	}
}

// Among all units one is found by its serial without reading every other: by an index, and under
// row security too, which keeps a function of the serial from being looked up.
func TestASerialIsLookedUp(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	plan := pgtest.Done(t, w.db, access.System, func(tx *gorm.DB) (plan []string, err error) {
		if err := tx.Exec(`set local enable_seqscan = off`).Error; err != nil {
			return nil, err
		}
		err = tx.Raw(`explain select from unit as u join unit as o on o.serial_read = u.serial_read and o.id <> u.id where u.id = gen_random_uuid()`).Scan(&plan).Error
		return plan, err
	})
	if says := strings.Join(plan, "\n"); !strings.Contains(says, "Index Cond: (serial_read = ") {
		t.Errorf("a serial is looked for so:\n%s", says)
	}
}

// Twins are worked on together: a pair with one NPN sensor is no pair.
func TestTwinsThatDiffer(t *testing.T) {
	t.Parallel()
	s := newStock(t)
	pgtest.Done(t, s.db, access.System, func(tx *gorm.DB) (assets.Position, error) {
		return assets.Pair(tx, access.System, s.left.ID, s.left.Version, &s.right.ID)
	})
	both := map[string][2]string{"sensor_output": {"PNP", "NPN"}, "bore": {"1.375 in", "34.925 mm"}, "valve_coil": {"24VDC", "24VDC"}, "gearmotor_orientation": {"O3", "O9"}}
	for fact, v := range both {
		s.requires(t, s.left, fact, v[0])
		s.requires(t, s.right, fact, v[1])
	}
	if got := s.found(t, "twins_differ"); len(got) != 1 || !strings.Contains(got[0], "requires PNP in sensor output, its twin "+s.right.Code+" requires NPN") {
		t.Errorf("%v", got)
	}
	later := s.fact("bore", "35 mm")
	later.From = days(-1)
	pgtest.Done(t, s.db, access.System, func(tx *gorm.DB) (assets.Fact, error) {
		return assets.Record(tx, access.System, now, s.right.ID, later)
	})
	if got := s.found(t, "twins_differ"); len(got) != 2 || !strings.Contains(got[0], "requires 1.375 in in bore") {
		t.Errorf("%v", got)
	}
}

// Links set low on a high supply burn the winding; set high on a low one it stalls.
func TestWrongLinks(t *testing.T) {
	t.Parallel()
	s := newStock(t)
	began := now.AddDate(-1, 0, 0)
	feed := func(code string, volts float64) assets.Supply {
		return pgtest.Done(t, s.db, access.System, func(tx *gorm.DB) (assets.Supply, error) {
			return assets.AddSupply(tx, access.System, now, s.site.ID, assets.NewSupply{Code: code, Volts: volts, Phases: 3, Hertz: 60, From: &began})
		})
	}
	high, low := feed("460-3", 460), feed("208-3", 208)
	brush := func(code string, by *assets.Supply) assets.Position {
		in := newPosition(s.world, code, "rocker", "left", began)
		if by != nil {
			in.SupplyID = &by.ID
		}
		return pgtest.Done(t, s.db, access.System, func(tx *gorm.DB) (assets.Position, error) { return assets.AddPosition(tx, access.System, now, in) })
	}
	plate := func(volts, leads string) []assets.PartFactEdit {
		return []assets.PartFactEdit{{Fact: "plate_volts", Value: volts}, {Fact: "plate_hertz", Value: "60"}, {Fact: "plate_phases", Value: "3"}, {Fact: "leads", Value: leads}}
	}
	dual, only230 := s.part(t, "DUAL", "gearmotor", plate("208-230/460", "9")...), s.part(t, "ONLY230", "gearmotor", plate("230/460", "9")...)
	inner := s.part(t, "M230", "motor", assets.PartFactEdit{Fact: "plate_volts", Value: "230/460"})
	fit := func(p assets.Position, part assets.Part, links string) assets.Unit {
		u := s.unit(t, part, "")
		if links != "" {
			s.is(t, u, "link_setting", links)
		}
		s.put(t, u, assets.Place{SlotID: s.slot(t, p, "gearmotor")}, *days(-9))
		return u
	}
	fit(brush("UMB-1/A", &high), dual, "high")
	fit(brush("UMB-1/B", &high), dual, "")
	fit(brush("UMB-1/C", nil), dual, "low")     // nobody knows what feeds it
	fit(brush("UMB-1/D", &low), dual, "high")   // wye or delta is not known: cannot tell
	fit(brush("UMB-1/E", &low), only230, "low") // not for 208 V at all
	burns := fit(brush("UMB-1/F", &high), dual, "low")
	stalls := fit(brush("UMB-1/G", &low), dual, "high")
	s.is(t, stalls, "winding", "wye")
	other := fit(brush("UMB-1/H", &low), dual, "low")
	s.put(t, s.unit(t, inner, ""), assets.Place{SlotID: s.inner(t, other, "motor")}, *days(-3))
	unread := fit(brush("UMB-1/I", &high), dual, "high")
	s.is(t, unread, "plate_volts", "worn off")

	all, err := assets.Findings(ctx, s.db, access.System, now, s.site.ID)
	if err != nil {
		t.Fatal(err)
	}
	want := []string{"UMB-1/E Plates for 208 V are marked 200, 208 or 208-230", "UMB-1/F the winding burns", "UMB-1/G about a quarter of its torque", "UMB-1/H does not suit its supply"}
	for i, w := range want {
		f := all[i] // before everything else
		code, says, _ := strings.Cut(w, " ")
		if f.Kind != "wrong_links" || f.Rank != 1 || f.Position != code || !strings.Contains(f.Says, says) || f.Blocks != "switching it on" {
			t.Errorf("place %d: %+v, not %s", i, f, w)
		}
	}
	if all[len(want)].Kind == "wrong_links" {
		t.Errorf("one more: %+v", all[len(want)])
	}
	// the same as each position says by itself
	for _, f := range all[:len(want)] {
		c, err := assets.ConnectionOf(ctx, s.db, access.System, now, *f.PositionID, nil)
		if err != nil || *c.UnitID != *f.UnitID || (c.Verdict == "does not suit") != (f.Fact == "plate_volts") {
			t.Errorf("%s: %+v %v", f.Position, c, err)
		}
	}
	if all[1].Tag != burns.Tag {
		t.Errorf("%s burns, not %s", all[1].Tag, burns.Tag)
	}
}

func TestWhatNobodyKnows(t *testing.T) {
	t.Parallel()
	s := newStock(t)
	began := now.AddDate(-1, 0, 0)
	all := pgtest.Done(t, s.db, access.System, func(tx *gorm.DB) ([]assets.Position, error) {
		return assets.AddPositions(tx, access.System, now, []assets.NewPosition{
			newPosition(s.world, "UMB-1/TYR", "tyre_brush", "left", began), newPosition(s.world, "UMB-1/CNV", "conveyor", "centre", began),
			newPosition(s.world, "UMB-1/OFF", "rocker", "left", began)})
	})
	s.requires(t, all[0], "drive", "hydraulic")
	pgtest.Done(t, s.db, access.System, func(tx *gorm.DB) ([]assets.State, error) {
		return assets.ChangeState(tx, access.System, now, all[2].ID, "empty", days(-1), "taken off")
	})
	for _, f := range s.found(t, "unknown_unit") {
		if strings.Contains(f, "TYR: what is fitted as gearmotor") || strings.Contains(f, "CNV") || strings.Contains(f, "OFF") {
			t.Error(f)
		}
	}
	if got := len(s.found(t, "unknown_unit")); got != 8+8+7 {
		t.Errorf("%d units are not on record, not 23: two side brushes and a tyre brush without a gearmotor", got)
	}
	says := func(fact, value, how string, seen *time.Time) string {
		in := s.fact(fact, value)
		in.How, in.SeenAt = how, seen
		pgtest.Done(t, s.db, access.System, func(tx *gorm.DB) (assets.Fact, error) { return assets.Record(tx, access.System, now, s.left.ID, in) })
		k := strings.ReplaceAll(fact, "_", " ")
		for _, f := range s.found(t, "unknown_fact", "stale_fact") {
			if strings.HasPrefix(f, s.left.Code+": its "+k) || f == s.left.Code+": nobody has recorded its "+k+"." {
				return f
			}
		}
		return ""
	}
	old := now.AddDate(-4, 0, 0)
	for _, c := range []struct {
		fact, value, how string
		seen             *time.Time
		want             string
	}{
		{"hub_fixing", "clamp4", "assumed", days(-1), "was only assumed"},
		{"bore", "35 mm", "told", days(-1), "was only told"},
		{"media", "foam", "seen", nil, "without saying when it was seen"},
		{"frame_standard", "IEC", "seen", &old, "was last seen 4 years ago"},
		{"media_pattern", "AABBx4", "seen", days(-1), ""},
	} {
		got := says(c.fact, c.value, c.how, c.seen)
		if (c.want == "") != (got == "") || !strings.Contains(got, c.want) {
			t.Errorf("%s: %q, not %q", c.fact, got, c.want)
		}
	}
}

// On a site where the driver sits on the right the words change, not the directions.
func TestTheDriversSideChangesWordsOnly(t *testing.T) {
	t.Parallel()
	s := newStock(t)
	way := func() (both []assets.Turning) {
		for _, p := range []assets.Position{s.left, s.right} {
			turning, err := assets.TurningOf(ctx, s.db, access.System, p.ID, now)
			if err != nil {
				t.Fatal(err)
			}
			both = append(both, turning)
		}
		return both
	}
	before := way()
	pgtest.Done(t, s.db, access.System, func(tx *gorm.DB) (assets.Site, error) {
		return assets.EditSite(tx, access.System, s.site.ID, s.site.Version, assets.SiteEdit{Code: s.site.Code, Name: s.site.Name, Zone: s.site.Zone,
			Currency: s.site.Currency, Climate: s.site.Climate, Size: s.site.Size, DriverSide: "right"})
	})
	if after := way(); !slices.Equal(before, after) || !before[0].Clockwise || before[1].Clockwise {
		t.Errorf("it turned %v and turns %v", before, after)
	}
	if got, err := assets.OnePosition(ctx, s.db, access.System, s.left.ID); err != nil || got.LineSide != "left" {
		t.Errorf("%+v %v", got, err)
	}
}

// Whoever sold a site is told how it was when it was handed over: what was
// exchanged since is not missing, and what was learned since is not known.
func TestTheFindingsOfWhoeverSoldASiteAreOfTheirTime(t *testing.T) {
	t.Parallel()
	s := newStock(t)
	seller := s.person(t, "seller", access.NewGrant{Role: "owner", CustomerID: &s.customer.ID})
	customer, buyer := s.newOwner(t, "VFP")
	slot := s.slot(t, s.left, "gearmotor")
	sold, fresh := s.unit(t, s.motor, "A"), s.unit(t, s.motor, "B")
	s.put(t, sold, assets.Place{SlotID: slot}, *days(-29))
	pgtest.Done(t, s.db, access.System, func(tx *gorm.DB) ([]assets.Ownership, error) {
		return assets.HandOver(tx, access.System, s.site.ID, customer.ID, *days(-15))
	})
	if _, err := s.swap(t, assets.Swap{At: *days(-5), Items: []assets.SwapItem{{SlotID: *slot, Reason: "age", To: &s.returns.ID, In: &fresh.ID}}}); err != nil {
		t.Fatal(err)
	}
	hub := s.slot(t, s.left, "hub")
	s.put(t, s.unit(t, s.part(t, "HUB", "hub"), ""), assets.Place{SlotID: hub}, *days(-4))
	for fact, from := range map[string]*time.Time{"media": days(-20), "hub_fixing": days(-3)} {
		in := s.fact(fact, map[string]string{"media": "foam", "hub_fixing": "clamp4"}[fact])
		in.From, in.SeenAt = from, from
		pgtest.Done(t, s.db, access.System, func(tx *gorm.DB) (assets.Fact, error) {
			return assets.Record(tx, access.System, now, s.left.ID, in)
		})
	}
	for name, c := range map[string]struct {
		who                           access.Actor
		gearmotor, hub, media, fixing bool // whether each is found to be unknown
	}{"seller": {s.actor(t, seller.ID), false, true, false, true}, "buyer": {s.actor(t, buyer.ID), false, false, false, false}} {
		all, err := assets.Findings(ctx, s.db, c.who, now, s.site.ID)
		if err != nil {
			t.Fatal(err)
		}
		says := func(text string) bool {
			return slices.ContainsFunc(all, func(f assets.Finding) bool {
				return f.PositionID != nil && *f.PositionID == s.left.ID && strings.Contains(f.Says, text)
			})
		}
		for text, want := range map[string]bool{"as gearmotor is not on record": c.gearmotor, "as hub is not on record": c.hub,
			"nobody has recorded its media.": c.media, "nobody has recorded its hub fixing": c.fixing} {
			if says(text) != want {
				t.Errorf("the %s is told %q: %v", name, text, !want)
			}
		}
		counts, err := assets.CountFindings(ctx, s.db, c.who, now, []uuid.UUID{s.site.ID})
		if err != nil || counts[s.site.ID] != len(all) {
			t.Errorf("the %s: %d findings are counted, and %d listed: %v", name, counts[s.site.ID], len(all), err)
		}
	}
}
