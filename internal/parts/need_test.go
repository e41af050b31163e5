package parts_test

import (
	"slices"
	"strings"
	"testing"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/fault"
	"spindlebook/internal/parts"
	"spindlebook/internal/parts/fit"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgtest"
)

// motors is the world with gearmotors, hubs and what a swap of one takes.
func motors(t testing.TB) (w world, version uuid.UUID, gm assets.Part) {
	w = newWorld(t)
	plate := []string{"plate_hertz", "60", "plate_phases", "3", "leads", "9", "frame_standard", "NEMA", "gearmotor_orientation", "O12"}
	gm = w.part("MW-10110", "Gearmotor 1.5 hp", "gearmotor", append(plate, "plate_volts", "208-230/460", "bore", "1.375 in", "frame_size", "56C")...)
	heavy := w.part("MW-10120", "Gearmotor 2 hp", "gearmotor", append(plate, "plate_volts", "208-230/460", "bore", "1.4375 in", "frame_size", "145TC")...)
	kit := w.part("MW-95101", "Kit: hardware, 1-3/8 in", "kit")
	kit2 := w.part("MW-95102", "Kit: hardware, 1-7/16 in", "kit")
	hub := w.part("MW-21401", "Hub, four-screw clamp", "hub", "hub_fixing", "clamp4", "bore", "1.375 in")
	paste := w.part("MW-91001", "Anti-seize", "chemical")
	oil := w.part("MW-90002", "Gear oil, PAO", "lubricant")
	version = w.procedure("J01", []string{"swap", "swap_and_turn"},
		parts.NewLine{Need: "consumable", PartID: &paste.ID, Amount: n("25"), Why: "shaft and threads"},
		parts.NewLine{Need: "always", PartID: &gm.ID, Amount: n("1"), Condition: "frame_size = 56C & bore = 1.375 in", RuleGroup: "GM", OneOf: true, Why: "the unit itself", ReturnIfUnused: true},
		parts.NewLine{Need: "always", PartID: &heavy.ID, Amount: n("1"), Condition: "frame_size = 145TC & bore = 1.4375in", RuleGroup: "GM", OneOf: true, Why: "the unit itself"},
		parts.NewLine{Need: "always", PartID: &kit.ID, Amount: n("1"), Condition: "bore = 1.375 in", RuleGroup: "HW", OneOf: true, Why: "key and nut"},
		parts.NewLine{Need: "always", PartID: &kit2.ID, Amount: n("1"), Condition: "bore = 1.4375 in", RuleGroup: "HW", OneOf: true, Why: "key and nut"},
		parts.NewLine{Need: "if_found", PartID: &hub.ID, Amount: n("1"), Chance: p(0.06), Cause: "hub", Condition: "hub_fixing = clamp4", Why: "hub damaged on removal"},
		parts.NewLine{Need: "consumable", PartID: &oil.ID, Amount: n("0.25"), Condition: "oil = PAO", Why: "level"},
		parts.NewLine{Need: "always", Item: "angle plate", Amount: n("2"), Condition: "method = swap_and_turn"},
		parts.NewLine{Need: "tool", Item: "puller with 1 in screw", Amount: n("1")},
		parts.NewLine{Need: "protective", Item: "cut-resistant gloves", Amount: n("1"), Why: "sharp edges"})
	w.requires(w.left.ID, "frame_standard", "NEMA", "frame_size", "56C", "bore", "1.375 in", "gearmotor_orientation", "O3", "hub_fixing", "clamp4")
	w.requires(w.top.ID, "frame_standard", "NEMA", "frame_size", "145TC", "bore", "1.4375 in", "gearmotor_orientation", "O12", "hub_fixing", "flange3")
	return w, version, gm
}

func TestWhatAJobTakesIsReadOut(t *testing.T) {
	t.Parallel()
	w, version, _ := motors(t)
	lists := w.resolve(parts.Ask{PositionID: w.left.ID, VersionID: version}, parts.Ask{PositionID: w.top.ID, VersionID: version, Method: "swap_and_turn"}, parts.Ask{PositionID: w.right.ID, VersionID: version})
	for i, want := range [][]string{{
		"1 ea MW-10110, Gearmotor 1.5 hp; always: the unit itself; first turn the gearbox from O12 to O3 (J09); first set the links for high: nobody recorded how they stand (J09)",
		"1 ea MW-95101, Kit: hardware, 1-3/8 in; always: key and nut",
		"1 ea MW-21401, Hub, four-screw clamp; if found, 6 %: hub damaged on removal",
		"25 ea MW-91001, Anti-seize; consumed: shaft and threads",
		"0.25 ea MW-90002, Gear oil, PAO; consumed: level; CHECK: Gear oil of the position is not known.",
		"puller with 1 in screw; tool",
		"cut-resistant gloves; protective gear: sharp edges",
	}, {
		"1 ea MW-10120, Gearmotor 2 hp; always: the unit itself; first set the links for high: nobody recorded how they stand (J09)",
		"1 ea MW-95102, Kit: hardware, 1-7/16 in; always: key and nut",
		"2 × angle plate; always",
		"25 ea MW-91001, Anti-seize; consumed: shaft and threads",
		"0.25 ea MW-90002, Gear oil, PAO; consumed: level; CHECK: Gear oil of the position is not known.",
		"puller with 1 in screw; tool",
		"cut-resistant gloves; protective gear: sharp edges",
	}} {
		if got := said(lists[i]); !slices.Equal(got, want) {
			t.Errorf("%s:\n%s\nwant\n%s", lists[i].Position, strings.Join(got, "\n"), strings.Join(want, "\n"))
		}
		if len(lists[i].Gaps) != 0 || lists[i].Procedure != "J01" || lists[i].Title != "Swap of J01" {
			t.Errorf("%+v", lists[i])
		}
	}
	if lists[0].Method != "swap" || lists[1].Method != "swap_and_turn" || lists[0].Lines[0].Fit.Minutes() != 35 || !lists[0].Lines[0].ReturnIfUnused {
		t.Errorf("%+v", lists[0])
	}
	// where nothing is known nothing is dropped: every line that may apply stands there to be checked
	var open int
	for _, l := range lists[2].Lines {
		if l.Standing == parts.Check {
			open++
			if len(l.Doubt) == 0 || len(l.Missing) == 0 || l.Missing[0].How == "" {
				t.Errorf("%s", l.Say())
			}
		}
	}
	if len(lists[2].Lines) != 9 || open != 6 || len(lists[2].Gaps) != 0 {
		t.Errorf("%q", said(lists[2]))
	}
}

// One line of a group is taken: none is a gap, two are a contradiction, and one
// that holds settles those that nobody can judge.
func TestOneLineOfAGroup(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	a, b := w.part("A", "first", "key"), w.part("B", "second", "key")
	w.requires(w.left.ID, "bore", "1.375 in")
	line := func(part uuid.UUID, condition string) parts.NewLine {
		return parts.NewLine{Need: "always", PartID: &part, Amount: n("1"), Condition: condition, RuleGroup: "KEY", OneOf: true}
	}
	for name, c := range map[string]struct {
		lines []parts.NewLine
		says  []string
		gaps  int
	}{
		"one":      {[]parts.NewLine{line(a.ID, "bore = 1.375 in"), line(b.ID, "bore = 35 mm")}, []string{"1 ea A, first; always"}, 0},
		"none":     {[]parts.NewLine{line(a.ID, "bore = 24 mm"), line(b.ID, "bore = 35 mm")}, []string{}, 1},
		"two":      {[]parts.NewLine{line(a.ID, "bore = 1.375 in"), line(b.ID, "kind = side_brush_low")}, []string{"1 ea A, first; always; CHECK: 2 lines of the group KEY apply, and one is taken.", "1 ea B, second; always; CHECK: 2 lines of the group KEY apply, and one is taken."}, 0},
		"settled":  {[]parts.NewLine{line(a.ID, "bore = 1.375 in"), line(b.ID, "oil = PAO")}, []string{"1 ea A, first; always"}, 0},
		"open":     {[]parts.NewLine{line(a.ID, "bore = 35 mm"), line(b.ID, "oil = PAO")}, []string{"1 ea B, second; always; CHECK: Gear oil of the position is not known."}, 0},
		"if found": {[]parts.NewLine{{Need: "if_found", PartID: &a.ID, Amount: n("1"), Chance: p(0.1), Cause: "key", Condition: "bore = 35 mm", RuleGroup: "KEY", OneOf: true}}, []string{}, 0},
	} {
		l := w.resolve(parts.Ask{PositionID: w.left.ID, VersionID: w.procedure("P-"+strings.ToUpper(strings.ReplaceAll(name, " ", "")), nil, c.lines...)})[0]
		if !slices.Equal(said(l), c.says) || len(l.Gaps) != c.gaps {
			t.Errorf("%s: %q, %q", name, said(l), l.Gaps)
		}
	}
}

// Stories of succession: a number that became two, one that follows only somewhere,
// one that was withdrawn; nothing old is asked for.
func TestLinesNameWhatFollows(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	old, hub, flange, nut, plain, gone := w.part("MW-21300", "Hub with flange", "kit"), w.part("MW-21301", "Hub", "kit"), w.part("MW-21390", "Companion flange", "flange"), w.part("MW-22004", "Nut", "fastener"), w.part("MW-22009", "Plain nut", "fastener"), w.part("GONE", "Gone", "key")
	must[parts.Succession](t)(w.follows(old.ID, parts.NewSuccession{Kind: "replaced", To: []parts.NewSuccessor{{hub.ID, n("1")}, {flange.ID, n("2")}}}))
	must[parts.Succession](t)(w.follows(plain.ID, parts.NewSuccession{Kind: "withdrawn", OnlyWhere: "supply_volts = 460", To: []parts.NewSuccessor{{nut.ID, n("1")}}}))
	must[parts.Succession](t)(w.follows(gone.ID, parts.NewSuccession{Kind: "withdrawn"}))
	must[parts.Succession](t)(w.follows(hub.ID, parts.NewSuccession{Kind: "replaced", OnlyWhere: "oil = PAO", To: []parts.NewSuccessor{{nut.ID, n("1")}}}))
	version := w.procedure("J03", nil,
		parts.NewLine{Need: "always", PartID: &old.ID, Amount: n("3")}, parts.NewLine{Need: "always", PartID: &plain.ID, Amount: n("1")}, parts.NewLine{Need: "always", PartID: &gone.ID, Amount: n("1")})
	want := []string{
		"3 ea MW-21301, Hub, in place of MW-21300; always; CHECK: Gear oil of the position is not known.",
		"6 ea MW-21390, Companion flange, in place of MW-21300; always",
		"1 ea MW-22004, Nut, in place of MW-22009; always",
		"1 ea GONE, Gone; always; CHECK: The part was withdrawn and nothing follows it.",
	}
	if got := said(w.resolve(parts.Ask{PositionID: w.left.ID, VersionID: version})[0]); !slices.Equal(got, want) {
		t.Errorf("%s", strings.Join(got, "\n"))
	}
}

func TestALineBySlotFindsWhatFits(t *testing.T) {
	t.Parallel()
	w, _, gm := motors(t)
	version := w.procedure("J01B", nil, parts.NewLine{Need: "always", Slot: "gearmotor", Amount: n("1"), Why: "the unit itself"}, parts.NewLine{Need: "always", Slot: "pivot", Amount: n("1")})
	newer := w.part("MW-10111", "Gearmotor 1.5 hp, as turned", "gearmotor", "plate_hertz", "60", "plate_phases", "3", "leads", "3", "plate_volts", "460", "frame_standard", "NEMA", "frame_size", "56C",
		"bore", "1.375 in", "gearmotor_orientation", "O3")
	lists := w.resolve(parts.Ask{PositionID: w.left.ID, VersionID: version}, parts.Ask{PositionID: w.right.ID, VersionID: version})
	for i, want := range [][]string{{
		"1 ea MW-10111, Gearmotor 1.5 hp, as turned; always: the unit itself",
		"what fits as pivot; always; CHECK: No part of the catalogue fits there.",
	}, {
		"what fits as gearmotor; always: the unit itself; CHECK: Of 3 parts nobody can tell whether they fit.",
		"what fits as pivot; always; CHECK: No part of the catalogue fits there.",
	}} {
		if got := said(lists[i]); !slices.Equal(got, want) {
			t.Errorf("%s", strings.Join(got, "\n"))
		}
	}
	// what another follows is not proposed
	must[parts.Succession](t)(w.follows(newer.ID, parts.NewSuccession{Kind: "replaced", To: []parts.NewSuccessor{{gm.ID, n("1")}}}))
	if got := w.resolve(parts.Ask{PositionID: w.left.ID, VersionID: version})[0].Lines[0]; got.Number != "MW-10110" || got.Fit.Verdict != fit.FitsAfterWork {
		t.Errorf("%s", got.Say())
	}
}

// A part that a line names although it does not fit there is never simply taken.
func TestALineNeverTakesWhatDoesNotFit(t *testing.T) {
	t.Parallel()
	w, _, _ := motors(t)
	low := w.part("MW-11999", "Gearmotor for 208 V", "gearmotor", "plate_hertz", "60", "plate_phases", "3", "leads", "3", "plate_volts", "208", "frame_standard", "NEMA", "frame_size", "56C",
		"bore", "1.375 in", "gearmotor_orientation", "O3")
	l := w.resolve(parts.Ask{PositionID: w.left.ID, VersionID: w.procedure("J01C", nil, parts.NewLine{Need: "always", PartID: &low.ID, Amount: n("1")})})[0].Lines[0]
	if l.Standing != parts.Check || l.Fit.Verdict != fit.DoesNotFit || !strings.Contains(l.Say(), "208") {
		t.Errorf("%s", l.Say())
	}
}

func TestWhatFitsAtAPosition(t *testing.T) {
	t.Parallel()
	w, _, gm := motors(t)
	wrong := w.part("MW-10105", "Gearmotor, withdrawn", "gearmotor", "plate_volts", "460")
	must[parts.Succession](t)(w.follows(wrong.ID, parts.NewSuccession{Kind: "withdrawn", To: []parts.NewSuccessor{{gm.ID, n("1")}}}))
	all, err := parts.FitsAt(ctx, w.db, sys, now, w.left.ID, "gearmotor")
	if err != nil || len(all) != 3 || all[0].Number != "MW-10110" || all[0].Verdict != fit.FitsAfterWork || all[1].Verdict != fit.DoesNotFit || all[2].Verdict != fit.DoesNotFit {
		t.Fatalf("%+v, %v", all, err)
	}
	if i := slices.IndexFunc(all, func(f parts.PartFit) bool { return f.Withdrawn }); all[i].FollowedBy != "MW-10110" || all[i].Reasons[0] != "It was withdrawn from use." {
		t.Errorf("%+v", all[i])
	}
	_, err = parts.FitsAt(ctx, w.db, sys, now, uuid.New(), "gearmotor")
	mustFail(t, err, fault.NotFound, "")

	// three on hand, none as it must stand; one turned, one elsewhere, one that nobody looked at
	store, quarantine := w.location("WH", "warehouse"), w.location("Q", "quarantine")
	w.unit("A", gm.ID, store.ID, "gearmotor_orientation", "O12")
	w.unit("B", gm.ID, store.ID, "gearmotor_orientation", "O9", "link_setting", "high")
	w.unit("C", gm.ID, store.ID, "gearmotor_orientation", "O3", "link_setting", "high")
	w.unit("D", gm.ID, store.ID)
	w.unit("E", gm.ID, quarantine.ID, "gearmotor_orientation", "O3")
	units, err := parts.UnitsFor(ctx, w.db, sys, now, w.left.ID, "gearmotor")
	if err != nil {
		t.Fatal(err)
	}
	got := []string{}
	for _, u := range units {
		got = append(got, *u.Serial+" "+u.Verdict.String())
	}
	if want := []string{"C fits", "A fits after work", "B fits after work", "D cannot tell"}; !slices.Equal(got, want) {
		t.Errorf("%q", got)
	}
	if u := units[3]; u.Missing[0].Fact != "gearmotor_orientation" || u.Missing[0].Of != "part" || u.Location != "WH" {
		t.Errorf("%+v", u)
	}
	_, err = parts.UnitsFor(ctx, w.db, sys, now, uuid.New(), "gearmotor")
	mustFail(t, err, fault.NotFound, "")
}

// What must never be on one brush with something that stays there does not fit, whatever else
// speaks for it; what comes out with the swap does not count.
func TestWhatMustNeverBeOnOneBrush(t *testing.T) {
	t.Parallel()
	w, _, gm := motors(t)
	store := w.location("WH", "warehouse")
	w.unit("C", gm.ID, store.ID, "gearmotor_orientation", "O3", "link_setting", "high")
	hub := w.part("MW-23002", "Hub, old casting", "hub")
	err := w.db.InTx(ctx, sys.ID, func(tx *gorm.DB) error {
		u, err := assets.AddUnit(tx, sys, now, assets.NewUnit{UnitEdit: assets.UnitEdit{PartID: hub.ID, Serial: "H"}})
		if err != nil {
			return err
		}
		slot, err := pgdb.ID(tx, `select id from slot where position_id = ? and class = 'hub'`, w.left.ID)
		if err != nil {
			return err
		}
		from := now.AddDate(0, 0, -3)
		if _, err := assets.Put(tx, sys, now, assets.Putting{UnitID: u.ID, Place: assets.Place{SlotID: &slot}, From: &from}); err != nil {
			return err
		}
		_, err = parts.AddInterchange(tx, sys, began, gm.ID, parts.NewInterchange{OtherID: hub.ID, Kind: "never_mix"})
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	units := must[[]parts.UnitFit](t)(parts.UnitsFor(ctx, w.db, sys, now, w.left.ID, "gearmotor"))
	if len(units) != 1 || units[0].Verdict != fit.DoesNotFit || !strings.Contains(strings.Join(units[0].Reasons, " "), "never be on one brush with MW-23002") {
		t.Errorf("%+v", units)
	}
	// what comes out in the same swap stays with nothing
	hubSlot := must[uuid.UUID](t)(written(w, sys, func(tx *gorm.DB) (uuid.UUID, error) {
		return pgdb.ID(tx, `select id from slot where position_id = ? and class = 'hub'`, w.left.ID)
	}))
	both := []parts.Opening{{PositionID: w.left.ID, Class: "gearmotor"}, {PositionID: w.left.ID, Class: "hub"}, {PositionID: w.right.ID, Class: "gearmotor"}}
	all := must[map[parts.Opening][]parts.UnitFit](t)(parts.UnitsForAll(ctx, w.db, sys, now, both, []uuid.UUID{hubSlot}))
	if a := all[both[0]]; len(a) != 1 || a[0].Verdict != fit.Fits {
		t.Errorf("the hub comes out, and still: %+v", a)
	}
	if a := all[both[2]]; len(a) != 1 || a[0].Serial == nil || *a[0].Serial != "C" || len(all[both[1]]) != 0 {
		t.Errorf("%+v", all)
	}
	if units = must[[]parts.UnitFit](t)(parts.UnitsFor(ctx, w.db, sys, now, w.right.ID, "gearmotor")); strings.Contains(strings.Join(units[0].Reasons, " "), "never") {
		t.Errorf("on another brush: %+v", units)
	}
}

// One density per brush, never mixed (common practice, no source): a set that would mix them is
// not made, and one of which that is known or may be is not offered as fitting.
func TestSectionsOfTwoDensitiesNeverMeet(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	first, fresh, short := w.part("MW-30099", "Foam section A, first density", "section"), w.part("MW-30101", "Foam section A", "section"), w.part("MW-30102", "Foam section B", "section")
	old, set, plain := w.part("MW-31100", "Foam set, first density", "media_set"), w.part("MW-31101", "Foam set", "media_set"), w.part("MW-31999", "Foam set, made elsewhere", "media_set")
	lines := func(a assets.Part) parts.NewRecipe {
		return parts.NewRecipe{Pattern: "AABBx4", Lines: []parts.NewRecipeLine{{PartID: a.ID, Amount: n("8"), Letter: "A"}, {PartID: short.ID, Amount: n("8"), Letter: "B"}}}
	}
	must[parts.Recipe](t)(w.recipe(old.ID, lines(first)))
	must[parts.Recipe](t)(w.recipe(set.ID, lines(fresh)))
	must[parts.Interchange](t)(written(w, sys, func(tx *gorm.DB) (parts.Interchange, error) {
		return parts.AddInterchange(tx, sys, began, first.ID, parts.NewInterchange{OtherID: fresh.ID, Kind: "never_mix"})
	}))
	for _, two := range [][2]assets.Part{{first, fresh}, {fresh, first}} { // the later line is told of, with its own part
		_, err := w.recipe(plain.ID, parts.NewRecipe{Pattern: "AB", Lines: []parts.NewRecipeLine{{PartID: two[0].ID, Amount: n("1"), Letter: "A"}, {PartID: two[1].ID, Amount: n("1"), Letter: "B"}}})
		if f := pgtest.Refused(t, "both in one set", err, fault.Conflict, "lines[1].part_id", "never be on one brush with "+two[0].Number); f == nil || f.Value != two[1].Number {
			t.Errorf("%+v", f)
		}
	}
	store := w.location("WH", "warehouse")
	made := func(serial string, of assets.Part, lot string) assets.Unit {
		return must[assets.Unit](t)(written(w, sys, func(tx *gorm.DB) (assets.Unit, error) {
			u, err := assets.AddUnit(tx, sys, now, assets.NewUnit{UnitEdit: assets.UnitEdit{PartID: of.ID, Serial: serial, Pattern: "AABBAABBAABBAABB"}})
			if err != nil {
				return u, err
			}
			from := now.AddDate(0, 0, -3)
			if _, err = assets.Put(tx, sys, now, assets.Putting{UnitID: u.ID, Place: assets.Place{LocationID: &store.ID}, From: &from}); err == nil && lot != "" {
				_, err = assets.ReplaceSection(tx, sys, now, u.ID, 3, lot, now.AddDate(0, 0, -1))
			}
			return u, err
		}))
	}
	must[int](t)(written(w, sys, func(tx *gorm.DB) (int, error) {
		return 0, tx.Exec(`insert into lot (id, part_id, code, recorded_at, recorded_by) values (gen_random_uuid(), ?, 'OLD-1', ?, ?), (gen_random_uuid(), ?, 'NEW-1', ?, ?)`, first.ID, now, sys.ID, fresh.ID, now, sys.ID).Error
	}))
	made("whole", set, "")
	made("mended", set, "NEW-1")
	made("mixed", set, "OLD-1")
	made("doubtful", set, "NOBODY-KNOWS")
	why := map[string]string{}
	for _, u := range must[[]parts.UnitFit](t)(parts.UnitsFor(ctx, w.db, sys, now, w.left.ID, "media_set")) {
		why[*u.Serial] = strings.Join(u.Reasons, " ")
		for _, m := range u.Missing {
			if m.Fact == "sections" {
				why[*u.Serial] += m.Says
			}
		}
	}
	for serial, says := range map[string]string{"mixed": "never be on one brush", "doubtful": "came in place of another"} {
		if !strings.Contains(why[serial], says) {
			t.Errorf("%s: %q", serial, why[serial])
		}
	}
	if strings.Contains(why["whole"]+why["mended"], "one brush") || len(why) != 4 {
		t.Errorf("%q", why)
	}
	section := func() string {
		for _, f := range must[[]parts.PartFit](t)(parts.FitsAt(ctx, w.db, sys, now, w.left.ID, "section")) {
			if f.Number == "MW-30101" {
				says := f.Verdict.String() + " " + strings.Join(f.Reasons, " ")
				for _, m := range f.Missing {
					says += m.Says
				}
				return says
			}
		}
		return ""
	}
	if says := section(); !strings.Contains(says, "cannot tell") || !strings.Contains(says, "must never be beside MW-30099") {
		t.Errorf("beside a set that nobody knows: %s", says)
	}
	u := made("fitted", old, "")
	must[assets.Stay](t)(written(w, sys, func(tx *gorm.DB) (assets.Stay, error) {
		slot, err := pgdb.ID(tx, `select id from slot where position_id = ? and class = 'media_set'`, w.left.ID)
		if err != nil {
			return assets.Stay{}, err
		}
		from := now.AddDate(0, 0, -1)
		return assets.Put(tx, sys, now, assets.Putting{UnitID: u.ID, Place: assets.Place{SlotID: &slot}, From: &from})
	}))
	if says := section(); !strings.Contains(says, "does not fit") || !strings.Contains(says, "MW-30101 and MW-30099 must never be on one brush") {
		t.Errorf("beside the first density: %s", says)
	}
	// what a job takes there, by part and by slot, knows of it too
	byPart := w.procedure("J44", nil, parts.NewLine{Need: "always", PartID: &fresh.ID, Amount: n("1")}, parts.NewLine{Need: "always", PartID: &first.ID, Amount: n("1")})
	lists := w.resolve(parts.Ask{PositionID: w.left.ID, VersionID: byPart}, parts.Ask{PositionID: w.right.ID, VersionID: byPart})
	for i, want := range [][]string{
		{"CHECK: MW-30101 and MW-30099 must never be on one brush, and the set there has the other.", ""},
		{"CHECK: What the sections on this brush are is not known, and MW-30101 must never be beside MW-30099.", "CHECK: What the sections on this brush are is not known, and MW-30099 must never be beside MW-30101."},
	} {
		for k, l := range lists[i].Lines {
			if _, says, _ := strings.Cut(l.Say(), "; always"); says != want[k] && says != "; "+want[k] {
				t.Errorf("%s: %s", lists[i].Position, l.Say())
			}
		}
	}
	w.requires(w.right.ID, "media", "foam", "media_colour", "blue", "media_pattern", "AABBx4")
	sets := w.part("MW-31200", "Foam set with what it is", "media_set", "media", "foam", "media_colour", "blue", "media_pattern", "AABBx4")
	bySlot := w.procedure("J45", nil, parts.NewLine{Need: "always", Slot: "media", Amount: n("1")})
	if says := w.resolve(parts.Ask{PositionID: w.right.ID, VersionID: bySlot})[0].Lines[0].Say(); !strings.HasPrefix(says, "1 ea MW-31200") {
		t.Errorf("of no recipe: %s", says)
	}
	w.frozen(sets.ID, first.ID, fresh.ID)
	if says := w.resolve(parts.Ask{PositionID: w.right.ID, VersionID: bySlot})[0].Lines[0].Say(); strings.Contains(says, "MW-31200") {
		t.Errorf("by a recipe of both: %s", says)
	}
	// and so does what lies in stock, judged against many positions at once
	m := must[*parts.Matcher](t)(parts.NewMatcher(ctx, w.db, sys, now, []uuid.UUID{w.left.ID, w.right.ID}))
	mixed := made("mixed twice", set, "OLD-1")
	if err := m.Learn(ctx, w.db, sys, []uuid.UUID{mixed.ID}); err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		at   uuid.UUID
		what parts.Lying
		says string
	}{
		"a section beside the other": {w.left.ID, parts.Lying{PartID: fresh.ID, Number: "MW-30101", Class: "section"}, "MW-30101 and MW-30099 must never be"},
		"a section of the same":      {w.left.ID, parts.Lying{PartID: first.ID, Number: "MW-30099", Class: "section"}, ""},
		"a set with both on it":      {w.right.ID, parts.Lying{PartID: set.ID, Number: "MW-31101", UnitID: &mixed.ID, Class: "media_set"}, "a section was replaced by the other"},
		"a set as it is made":        {w.right.ID, parts.Lying{PartID: set.ID, Number: "MW-31101", Class: "media_set"}, ""},
		"a set made of both":         {w.right.ID, parts.Lying{PartID: sets.ID, Number: "MW-31200", Class: "media_set"}, "it is made of both"},
	} {
		a := m.Judge(c.at, c.what)
		if says := strings.Join(a.Reasons, " "); (says == "") != (c.says == "") || !strings.Contains(says, c.says) || (c.says != "") != (a.Verdict == fit.DoesNotFit) {
			t.Errorf("%s: %v %q", name, a.Verdict, says)
		}
	}
	if !m.Judges("section") || m.Has("section") || m.Judges("fastener") || len(m.Mixed(sets.ID)) != 1 || len(m.Mixed(set.ID)) != 0 {
		t.Error("it says wrongly what it can tell")
	}
}

// frozen writes a recipe from before a rule that would refuse it.
func (w world) frozen(kit, a, b uuid.UUID) {
	w.t.Helper()
	err := w.db.InTx(ctx, sys.ID, func(tx *gorm.DB) error {
		id := pgdb.NewID()
		if err := tx.Exec(`insert into kit_recipe (id, kit_id, number, pattern, made_at, made_by) values (?, ?, 1, 'AB', ?, ?)`, id, kit, began, sys.ID).Error; err != nil {
			return err
		}
		return tx.Exec(`insert into kit_line (recipe_id, ordinal, part_id, amount, letter) values (?, 1, ?, 1, 'A'), (?, 2, ?, 1, 'B')`, id, a, id, b).Error
	})
	if err != nil {
		w.t.Fatal(err)
	}
}

func (w world) location(code, kind string) assets.Location {
	return must[assets.Location](w.t)(written(w, sys, func(tx *gorm.DB) (assets.Location, error) {
		return assets.AddLocation(tx, sys, began, assets.NewLocation{Code: code, Name: code, Kind: kind})
	}))
}

func (w world) unit(serial string, part, location uuid.UUID, facts ...string) {
	w.t.Helper()
	err := w.db.InTx(ctx, sys.ID, func(tx *gorm.DB) error {
		u, err := assets.AddUnit(tx, sys, now, assets.NewUnit{UnitEdit: assets.UnitEdit{PartID: part, Serial: serial}})
		if err != nil {
			return err
		}
		from := now.AddDate(0, 0, -3)
		if _, err := assets.Put(tx, sys, now, assets.Putting{UnitID: u.ID, Place: assets.Place{LocationID: &location}, From: &from}); err != nil {
			return err
		}
		for i := 0; i < len(facts); i += 2 {
			if _, err := assets.RecordOfUnit(tx, sys, now, u.ID, assets.NewFact{Fact: facts[i], Value: facts[i+1], From: &from, SeenAt: &from, SeenBy: "Junia", How: "seen"}); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		w.t.Fatal(err)
	}
}

func TestLinesThatMakeNoSenseAreRefused(t *testing.T) {
	t.Parallel()
	w, published, gm := motors(t)
	version := pgdb.NewID()
	err := w.db.InTx(ctx, sys.ID, func(tx *gorm.DB) error {
		if err := tx.Exec(`
insert into procedure_version (id, procedure_id, number, people, skills, minutes_low, minutes_typical, minutes_high, line_state, energies, created_at, created_by)
select ?, procedure_id, 2, 1, '{T1}', 1, 1, 1, 'running', '{}', ?, ? from procedure_version where id = ?`, version, now, sys.ID, published).Error; err != nil {
			return err
		}
		return parts.CarryLines(tx, sys, version)
	})
	if err != nil {
		t.Fatal(err)
	}
	copied, err := parts.LinesOf(ctx, w.db, sys, version)
	if err != nil || len(copied) != 10 || *copied[1].Number != "MW-10110" || copied[1].Amount != n("1") || *copied[8].Item != "puller with 1 in screw" || *copied[5].Chance != 0.06 {
		t.Errorf("%+v, %v", copied, err)
	}
	set := func(version uuid.UUID, l ...parts.NewLine) error {
		return pgtest.Breaking(t, w.db, sys, func(tx *gorm.DB) error { return parts.SetLines(tx, sys, version, l) })
	}
	good := parts.NewLine{Need: "if_found", PartID: &gm.ID, Amount: n("1"), Chance: p(0.5), Cause: "x"}
	for field, change := range map[string]func(*parts.NewLine){
		"lines[1].condition":  func(l *parts.NewLine) { l.Condition = "colour of mood = blue" },
		"lines[1].need":       func(l *parts.NewLine) { l.Need = "perhaps" },
		"lines[1].part_id":    func(l *parts.NewLine) { l.Slot = "hub" },
		"lines[1].amount":     func(l *parts.NewLine) { l.Amount = 0 },
		"lines[1].chance":     func(l *parts.NewLine) { l.Chance = p(1.0) },
		"lines[1].cause":      func(l *parts.NewLine) { l.Need, l.Chance = "always", nil },
		"lines[1].rule_group": func(l *parts.NewLine) { l.OneOf = true },
		"lines":               func(l *parts.NewLine) { l.PartID = p(uuid.New()) },
	} {
		bad := good
		change(&bad)
		mustFail(t, set(version, good, bad), fault.Invalid, field)
	}
	bad := good
	bad.Chance = nil
	mustFail(t, set(version, bad), fault.Invalid, "lines[0].chance")
	bad = good
	bad.Condition = "wind = high"
	mustFail(t, set(version, bad), fault.Invalid, "lines[0].condition")
	mustFail(t, set(version, make([]parts.NewLine, 301)...), fault.Invalid, "lines")
	mustFail(t, set(published, good), fault.Conflict, "version_id")
	mustFail(t, set(uuid.New(), good), fault.NotFound, "")

	_, err = parts.Resolve(ctx, w.db, sys, now, []parts.Ask{{PositionID: uuid.New(), VersionID: version}})
	mustFail(t, err, fault.NotFound, "")
	_, err = parts.Resolve(ctx, w.db, sys, now, []parts.Ask{{PositionID: w.left.ID, VersionID: uuid.New()}})
	mustFail(t, err, fault.NotFound, "")
	_, err = parts.Resolve(ctx, w.db, sys, now, []parts.Ask{{PositionID: w.left.ID, VersionID: published, Method: "by magic"}})
	mustFail(t, err, fault.Invalid, "method")
	_, err = parts.Resolve(ctx, w.db, sys, now, make([]parts.Ask, 1001))
	mustFail(t, err, fault.Invalid, "items")
}

// 120 tasks take as many statements as one.
func TestTheStatementsDoNotGrowWithTheTasks(t *testing.T) {
	t.Parallel()
	w, version, _ := motors(t)
	count := func(asks int) int64 {
		all := make([]parts.Ask, asks)
		for i := range all {
			all[i] = parts.Ask{PositionID: []uuid.UUID{w.left.ID, w.right.ID, w.top.ID}[i%3], VersionID: version}
		}
		counted, statements := pgdb.CountStatements(ctx)
		lists, err := parts.Resolve(counted, w.db, sys, now, all)
		if err != nil || len(lists) != asks {
			t.Fatal(err)
		}
		return statements.Load()
	}
	if one, many := count(1), count(120); one != many || one > 12 {
		t.Errorf("%d statements for one task, %d for 120", one, many)
	}
	a, b := w.part("MW-30099", "First density", "section"), w.part("MW-30101", "Second density", "section")
	must[parts.Interchange](t)(written(w, sys, func(tx *gorm.DB) (parts.Interchange, error) {
		return parts.AddInterchange(tx, sys, began, a.ID, parts.NewInterchange{OtherID: b.ID, Kind: "never_mix"})
	}))
	if one, many := count(1), count(120); one != many || one > 16 {
		t.Errorf("where parts must never be together: %d statements for one task, %d for 120", one, many)
	}
}

// An owner is told what a job takes at the own sites, and nothing of others.
func TestAnOwnerAsksForTheOwnSitesOnly(t *testing.T) {
	t.Parallel()
	w, version, gm := motors(t)
	store := w.location("WH", "warehouse")
	w.unit("A", gm.ID, store.ID)
	other := must[assets.Customer](t)(written(w, sys, func(tx *gorm.DB) (assets.Customer, error) {
		return assets.AddCustomer(tx, sys, now, assets.CustomerEdit{Code: "PAB", Name: "Pellhaven"})
	}))
	for _, c := range []struct {
		customer uuid.UUID
		sees     bool
	}{{w.customer.ID, true}, {other.ID, false}} {
		a := must[access.Account](t)(written(w, sys, func(tx *gorm.DB) (access.Account, error) {
			return access.AddPerson(tx, sys, now, access.NewPerson{Name: "O", Login: c.customer.String(), CustomerID: &c.customer, Grants: []access.NewGrant{{Role: "owner", CustomerID: &c.customer}}})
		}))
		who, _, err := access.Load(ctx, w.db, a.ID)
		if err != nil {
			t.Fatal(err)
		}
		pretender := who
		pretender.Everywhere = true
		for _, as := range []access.Actor{who, pretender} {
			_, err1 := parts.Resolve(ctx, w.db, as, now, []parts.Ask{{PositionID: w.left.ID, VersionID: version}})
			_, err2 := parts.FitsAt(ctx, w.db, as, now, w.left.ID, "gearmotor")
			units, err3 := parts.UnitsFor(ctx, w.db, as, now, w.left.ID, "gearmotor")
			for _, err := range []error{err1, err2, err3} {
				if c.sees != (err == nil) || !c.sees && fault.KindOf(err) != fault.NotFound {
					t.Errorf("%v", err)
				}
			}
			if len(units) != 0 {
				t.Errorf("an owner sees %d units of the warehouse", len(units))
			}
		}
	}
}
