package parts_test

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
	"spindlebook/internal/fault"
	"spindlebook/internal/measure"
	"spindlebook/internal/parts"
	"spindlebook/internal/parts/fit"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgtest"
)

func (w world) stocking(part uuid.UUID, version int, in parts.StockingEdit) (parts.Stocking, error) {
	return written(w, sys, func(tx *gorm.DB) (parts.Stocking, error) { return parts.SetStocking(tx, sys, part, version, in) })
}

func (w world) follows(part uuid.UUID, in parts.NewSuccession) (parts.Succession, error) {
	return written(w, sys, func(tx *gorm.DB) (parts.Succession, error) { return parts.Succeed(tx, sys, now, part, in) })
}

func (w world) recipe(kit uuid.UUID, in parts.NewRecipe) (parts.Recipe, error) {
	return written(w, sys, func(tx *gorm.DB) (parts.Recipe, error) { return parts.SetRecipe(tx, sys, now, kit, in) })
}

func TestAPartIsCountedBoughtAndKept(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	paste := w.part("MW-91001", "Anti-seize, nickel", "chemical")
	in := parts.StockingEdit{MeasuredIn: "g", BoughtIn: "can", Pack: n("454"), Container: p(n("454")), Tracking: "lot_expiry", ShelfMonths: p(48), OpenMonths: p(24),
		Weight: &measure.Typed{Value: 1, Unit: "lb"}, Hazard: " keep off brakes ", ABC: p("A"), Aliases: []parts.Alias{{"AS-454", "maker"}, {"old paste", "old"}}}
	got, err := w.stocking(paste.ID, paste.Version, in)
	if err != nil || got.Version != paste.Version+1 || got.Pack != n("454") || *got.Container != n("454") || *got.WeightKg != 0.45359237 || *got.WeightTyped != "1 lb" ||
		got.Hazard != "keep off brakes" || len(got.Aliases) != 2 || got.Aliases[0] != (parts.Alias{Number: "AS-454", Kind: "maker"}) {
		t.Fatalf("%+v, %v", got, err)
	}
	in.Aliases = in.Aliases[1:]
	if got, err = w.stocking(paste.ID, got.Version, in); err != nil || len(got.Aliases) != 1 {
		t.Errorf("%+v, %v", got, err)
	}
	read, err := parts.StockingOf(ctx, w.db, sys, paste.ID)
	if err != nil || read.Tracking != "lot_expiry" || *read.OpenMonths != 24 || read.Version != got.Version {
		t.Errorf("%+v, %v", read, err)
	}
	_, err = w.stocking(paste.ID, paste.Version, in)
	mustFail(t, err, fault.Stale, "If-Match")
	_, err = w.stocking(uuid.New(), 1, in)
	mustFail(t, err, fault.NotFound, "")
	_, err = parts.StockingOf(ctx, w.db, sys, uuid.New())
	mustFail(t, err, fault.NotFound, "")
	for field, change := range map[string]func(*parts.StockingEdit){
		"tracking":     func(e *parts.StockingEdit) { e.Tracking = "by eye" },
		"measured_in":  func(e *parts.StockingEdit) { e.MeasuredIn = "spoon" },
		"bought_in":    func(e *parts.StockingEdit) { e.BoughtIn = "" },
		"pack":         func(e *parts.StockingEdit) { e.Pack = 0 },
		"container":    func(e *parts.StockingEdit) { e.Container = p(n("-1")) },
		"shelf_months": func(e *parts.StockingEdit) { e.ShelfMonths = p(0) },
		"open_months":  func(e *parts.StockingEdit) { e.Container, e.Tracking = nil, "lot" },
		"weight.unit":  func(e *parts.StockingEdit) { e.Weight = &measure.Typed{Value: 1, Unit: "stone"} },
		"weight":       func(e *parts.StockingEdit) { e.Weight = &measure.Typed{Value: -1, Unit: "kg"} },
		"abc":          func(e *parts.StockingEdit) { e.ABC = p("D") },
		"aliases":      func(e *parts.StockingEdit) { e.Aliases = []parts.Alias{{" ", "old"}} },
	} {
		bad := in
		change(&bad)
		_, err := w.stocking(paste.ID, got.Version, bad)
		mustFail(t, err, fault.Invalid, field)
	}
	// what comes one by one is counted whole
	in = parts.StockingEdit{MeasuredIn: "L", BoughtIn: "ea", Pack: n("1"), Tracking: "unit"}
	_, err = w.stocking(paste.ID, got.Version, in)
	mustFail(t, err, fault.Invalid, "measured_in")
	in.MeasuredIn, in.Pack = "ea", n("1.5")
	_, err = w.stocking(paste.ID, got.Version, in)
	mustFail(t, err, fault.Invalid, "pack")
}

// Many parts are changed as one is, all or none, with the place in the list of what does not hold.
func TestManyPartsAreKeptAtOnce(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	nut, gm := w.part("MW-22004", "Lock nut", "fastener"), w.part("MW-10110", "Gearmotor", "gearmotor")
	w.unit("A", gm.ID, w.location("WH", "warehouse").ID)
	set := func(in ...parts.Restocking) error {
		return pgtest.Breaking(t, w.db, sys, func(tx *gorm.DB) error { return parts.SetStockings(tx, sys, in) })
	}
	box := parts.StockingEdit{MeasuredIn: "ea", BoughtIn: "box", Pack: n("50"), Tracking: "none", Aliases: []parts.Alias{{"N-1", "old"}, {"N 1/A", "maker"}}}
	one := parts.StockingEdit{MeasuredIn: "ea", BoughtIn: "ea", Pack: n("1"), Tracking: "unit", ABC: p("A")}
	if err := set(parts.Restocking{PartID: nut.ID, Version: nut.Version, StockingEdit: box}, parts.Restocking{PartID: gm.ID, Version: gm.Version, StockingEdit: one}); err != nil {
		t.Fatal(err)
	}
	was := must[parts.Stocking](t)(parts.StockingOf(ctx, w.db, sys, nut.ID))
	if was.Pack != n("50") || len(was.Aliases) != 2 || was.Version != nut.Version+1 {
		t.Errorf("%+v", was)
	}
	good := parts.Restocking{PartID: nut.ID, Version: was.Version, StockingEdit: box}
	good.Aliases = nil
	half := one
	half.Pack = n("1.5")
	loose := one
	loose.Tracking = "none"
	for name, c := range map[string]struct {
		second parts.Restocking
		kind   fault.Kind
		field  string
	}{
		"half a gearmotor": {parts.Restocking{PartID: gm.ID, Version: gm.Version + 1, StockingEdit: half}, fault.Invalid, "items[1].pack"},
		"units loose":      {parts.Restocking{PartID: gm.ID, Version: gm.Version + 1, StockingEdit: loose}, fault.Conflict, "items[1].tracking"},
		"an old version":   {parts.Restocking{PartID: gm.ID, Version: gm.Version, StockingEdit: one}, fault.Stale, "If-Match"},
		"no such part":     {parts.Restocking{PartID: uuid.New(), Version: 1, StockingEdit: one}, fault.NotFound, ""},
		"one part twice":   {good, fault.Invalid, "items"},
	} {
		err := set(good, c.second)
		mustFail(t, err, c.kind, c.field)
		if now := must[parts.Stocking](t)(parts.StockingOf(ctx, w.db, sys, nut.ID)); now.Version != was.Version || len(now.Aliases) != 2 {
			t.Errorf("%s: the first was changed all the same: %+v", name, now)
		}
	}
	if err := set(); err != nil {
		t.Errorf("none: %v", err)
	}
}

// What a part is not called any more, and what is not true of it any more, finds it no more.
func TestSearchForgetsWhatWasTakenBack(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	hub := w.part("MW-21335", "Hub, three-bolt flange", "hub", "bore", "35 mm")
	in := parts.StockingEdit{MeasuredIn: "ea", BoughtIn: "ea", Pack: n("1"), Tracking: "unit", Aliases: []parts.Alias{{"HB 9/X", "old"}}}
	s, err := w.stocking(hub.ID, hub.Version, in)
	if err != nil {
		t.Fatal(err)
	}
	found := func(asked string) int {
		hits, err := parts.Search(ctx, w.db, sys, asked, 20)
		if err != nil {
			t.Fatal(asked, err)
		}
		return len(hits)
	}
	if found("35mm") != 1 || found("hb9x") != 1 || found("three-bolt") != 1 {
		t.Fatal("it is not found at all")
	}
	in.Aliases = nil
	if s, err = w.stocking(hub.ID, s.Version, in); err != nil {
		t.Fatal(err)
	}
	if found("hb9x") != 0 || found("35mm") != 1 {
		t.Error("by a number that was taken back")
	}
	if _, err := written(w, sys, func(tx *gorm.DB) (assets.Part, error) {
		return assets.EditPart(tx, sys, hub.ID, s.Version, assets.PartEdit{Number: "MW-21335", Description: "Hub, four-bolt flange", Class: "hub"})
	}); err != nil {
		t.Fatal(err)
	}
	if found("35mm") != 0 || found("three-bolt") != 0 || found("four-bolt") != 1 {
		t.Error("by a bore or a name that it had")
	}
}

func TestSearchFindsOldNumbersDescriptionsSizesAndThreads(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	gm := w.part("MW-10110", "Gearmotor 1.5 hp, dual voltage 208-230/460 V, 56C input, bore 1-3/8 in", "gearmotor", "bore", "1.375 in")
	old := w.part("MW-10105", "Gearmotor 1.5 hp, 460 V only", "gearmotor")
	bolt := w.part("MW-22003", "Cap compression bolt 5/8-11 x 14 in, 18-8 stainless", "fastener", "thread", "5/8-11")
	w.part("MW-22002", "Cap side screw 3/8-16 x 1 in, 18-8 stainless", "fastener", "thread", "3/8-16")
	hub := w.part("MW-21335", "Hub, three-bolt flange", "hub", "bore", "35 mm")
	odd := w.part("MW-90100", "Paint 100 % matt_black", "chemical")
	if _, err := w.stocking(gm.ID, gm.Version, parts.StockingEdit{MeasuredIn: "ea", BoughtIn: "ea", Pack: n("1"), Tracking: "unit", Aliases: []parts.Alias{{"GM 77/A", "old"}}}); err != nil {
		t.Fatal(err)
	}
	must[parts.Succession](t)(w.follows(old.ID, parts.NewSuccession{Kind: "replaced", To: []parts.NewSuccessor{{gm.ID, n("1")}}}))
	for asked, want := range map[string]string{
		"MW-10110":          "MW-10110 number",
		"mw10110":           "MW-10110 number",
		"gm 77/a":           "MW-10110 old number",
		"GM77A":             "MW-10110 old number",
		"10105":             "MW-10105 words →MW-10110",
		"mw-101":            "MW-10105 number →MW-10110, MW-10110 number",
		"5/8-11":            "MW-22003 words",
		"18-8 screw":        "MW-22002 words",
		"STAINLESS cap":     "MW-22002 words, MW-22003 words",
		"1-3/8":             "MW-10110 words",
		"1.375in":           "MW-10110 words",
		"34.925":            "MW-10110 words",
		"35mm hub":          "MW-21335 words",
		"100 % matt_black":  "MW-90100 words",
		"%":                 "MW-90100 words",
		"_":                 "MW-90100 words",
		`\`:                 "",
		"208-230 gearmotor": "MW-10110 words",
		"flux":              "",
		"  ":                "",
	} {
		hits, err := parts.Search(ctx, w.db, sys, asked, 20)
		if err != nil {
			t.Fatal(asked, err)
		}
		got := []string{}
		for _, h := range hits {
			s := h.Number + " " + h.By
			if h.FollowedBy != "" {
				s += " →" + h.FollowedBy
			}
			got = append(got, s)
		}
		if strings.Join(got, ", ") != want {
			t.Errorf("%q finds %q, want %q", asked, got, want)
		}
	}
	if hits, err := parts.Search(ctx, w.db, sys, strings.Repeat("m ", 40), 2); err != nil || len(hits) != 2 {
		t.Errorf("%v, %v", hits, err)
	}
	_, _, _ = bolt, hub, odd
}

// The chain of jobs.md: MW-10104 → MW-10105 → MW-10110, and one part that becomes two.
func TestWhatFollowsAPart(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	first, second, third := w.part("MW-10104", "460 V, first ratio", "gearmotor"), w.part("MW-10105", "460 V", "gearmotor"), w.part("MW-10110", "dual", "gearmotor")
	hub, flange, old := w.part("MW-21301", "Hub", "hub"), w.part("MW-21390", "Companion flange", "flange"), w.part("MW-21300", "Hub with flange", "hub")
	must[parts.Succession](t)(w.follows(first.ID, parts.NewSuccession{Kind: "replaced", Note: "rpm differs, change both brushes of a pair", To: []parts.NewSuccessor{{second.ID, n("1")}}}))
	second2 := must[parts.Succession](t)(w.follows(second.ID, parts.NewSuccession{Kind: "replaced", UseUpWhere: "supply_volts=460", To: []parts.NewSuccessor{{third.ID, n("1")}}}))
	split := must[parts.Succession](t)(w.follows(old.ID, parts.NewSuccession{Kind: "replaced", To: []parts.NewSuccessor{{hub.ID, n("1")}, {flange.ID, n("1")}}}))
	if second2.UseUpWhere != "supply_volts = 460" || len(split.To) != 2 || split.To[0].Number != "MW-21301" || split.Number != "MW-21300" {
		t.Errorf("%+v, %+v", second2, split)
	}
	l, err := parts.LineageOf(ctx, w.db, sys, first.ID)
	if err != nil || len(l.After) != 2 || l.After[0].To[0].Number != "MW-10105" || l.After[0].Note != "rpm differs, change both brushes of a pair" || l.After[1].To[0].Number != "MW-10110" || len(l.Before) != 0 {
		t.Errorf("%+v, %v", l, err)
	}
	if l, err = parts.LineageOf(ctx, w.db, sys, third.ID); err != nil || len(l.After) != 0 || len(l.Before) != 2 || l.Before[0].Number != "MW-10105" {
		t.Errorf("%+v, %v", l, err)
	}
	// a ring is refused and named, however long
	_, err = w.follows(third.ID, parts.NewSuccession{Kind: "replaced", To: []parts.NewSuccessor{{first.ID, n("1")}}})
	mustFail(t, err, fault.Conflict, "to")
	if f, ok := err.(*fault.Error); !ok || f.Value != "MW-10104 → MW-10105 → MW-10110" {
		t.Errorf("%v", err)
	}
	for field, in := range map[string]parts.NewSuccession{
		"to[0].part_id": {Kind: "replaced", To: []parts.NewSuccessor{{third.ID, n("1")}}},
		"to":            {Kind: "replaced"},
		"kind":          {Kind: "gone"},
		"only_where":    {Kind: "withdrawn", OnlyWhere: "volts >"},
		"use_up_where":  {Kind: "withdrawn", UseUpWhere: "volts >"},
	} {
		_, err := w.follows(third.ID, in)
		mustFail(t, err, fault.Invalid, field)
	}
	_, err = w.follows(third.ID, parts.NewSuccession{Kind: "replaced", To: []parts.NewSuccessor{{uuid.New(), n("1")}}})
	mustFail(t, err, fault.Invalid, "to")
	_, err = w.follows(third.ID, parts.NewSuccession{Kind: "replaced", To: []parts.NewSuccessor{{hub.ID, n("1")}, {hub.ID, n("1")}}})
	mustFail(t, err, fault.Invalid, "to")
	_, err = w.follows(uuid.New(), parts.NewSuccession{Kind: "withdrawn"})
	mustFail(t, err, fault.NotFound, "")
	_, err = w.follows(second.ID, parts.NewSuccession{Kind: "withdrawn"})
	mustFail(t, err, fault.Conflict, "only_where")
	// ended, another may be recorded, and the ring is open
	end := func(id uuid.UUID) (parts.Succession, error) {
		return written(w, sys, func(tx *gorm.DB) (parts.Succession, error) {
			return parts.EndSuccession(tx, sys, now.Add(time.Hour), id)
		})
	}
	if s, err := end(second2.ID); err != nil || s.Until == nil {
		t.Errorf("%+v, %v", s, err)
	}
	if _, err := end(second2.ID); err != nil { // again changes nothing
		t.Error(err)
	}
	_, err = end(uuid.New())
	mustFail(t, err, fault.NotFound, "")
	must[parts.Succession](t)(w.follows(third.ID, parts.NewSuccession{Kind: "replaced", To: []parts.NewSuccessor{{first.ID, n("1")}}}))
}

// Two people close a ring from both ends in the same instant: one is refused.
func TestNoRingIsMadeByTwoAtOnce(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	a, b := w.part("A", "a", "key"), w.part("B", "b", "key")
	done := make(chan error, 2)
	for _, s := range [][2]uuid.UUID{{a.ID, b.ID}, {b.ID, a.ID}} {
		go func() {
			_, err := w.follows(s[0], parts.NewSuccession{Kind: "replaced", To: []parts.NewSuccessor{{s[1], n("1")}}})
			done <- err
		}()
	}
	refused := 0
	for range 2 {
		if err := <-done; fault.KindOf(err) == fault.Conflict {
			refused++
		} else if err != nil {
			t.Error(err)
		}
	}
	if refused != 1 {
		t.Errorf("%d were refused", refused)
	}
}

func TestWhatGoesForWhat(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	pnp, second, npn, kit := w.part("MW-60001", "PNP", "sensor"), w.part("MW-60011", "PNP, second source", "sensor"), w.part("MW-60002", "NPN", "sensor"), w.part("MW-95301", "Kit", "kit")
	add := func(part uuid.UUID, in parts.NewInterchange) (parts.Interchange, error) {
		return written(w, sys, func(tx *gorm.DB) (parts.Interchange, error) { return parts.AddInterchange(tx, sys, now, part, in) })
	}
	both := must[parts.Interchange](t)(add(second.ID, parts.NewInterchange{OtherID: pnp.ID, Kind: "either"}))
	must[parts.Interchange](t)(add(pnp.ID, parts.NewInterchange{OtherID: npn.ID, Kind: "lookalike", Note: "not with NPN panels"}))
	must[parts.Interchange](t)(add(npn.ID, parts.NewInterchange{OtherID: second.ID, Kind: "instead", OnlyWhere: "supply_volts != 208"}))
	must[parts.Interchange](t)(add(npn.ID, parts.NewInterchange{OtherID: pnp.ID, Kind: "conversion", ViaID: &kit.ID}))
	got, err := parts.InterchangesOf(ctx, w.db, sys, pnp.ID)
	if err != nil || len(got) != 3 || got[0].Kind != "conversion" || *got[0].Via != "MW-95301" {
		t.Errorf("%+v, %v", got, err)
	}
	// what holds both ways is one row, from whichever side it is told
	_, err = add(pnp.ID, parts.NewInterchange{OtherID: second.ID, Kind: "either"})
	mustFail(t, err, fault.Conflict, "other_id")
	for field, in := range map[string]parts.NewInterchange{
		"other_id":    {OtherID: pnp.ID, Kind: "either"},
		"kind":        {OtherID: npn.ID, Kind: "perhaps"},
		"only_where":  {OtherID: npn.ID, Kind: "either", OnlyWhere: "kind = rocker"},
		"via_part_id": {OtherID: npn.ID, Kind: "conversion"},
	} {
		_, err := add(pnp.ID, in)
		mustFail(t, err, fault.Invalid, field)
	}
	_, err = add(pnp.ID, parts.NewInterchange{OtherID: npn.ID, Kind: "instead", OnlyWhere: "x"})
	mustFail(t, err, fault.Invalid, "only_where")
	_, err = add(uuid.New(), parts.NewInterchange{OtherID: npn.ID, Kind: "either"})
	mustFail(t, err, fault.NotFound, "")
	end := func(id uuid.UUID) (parts.Interchange, error) {
		return written(w, sys, func(tx *gorm.DB) (parts.Interchange, error) { return parts.EndInterchange(tx, sys, now, id) })
	}
	if i, err := end(both.ID); err != nil || i.Until == nil {
		t.Errorf("%+v, %v", i, err)
	}
	_, err = end(uuid.New())
	mustFail(t, err, fault.NotFound, "")
	if got, err = parts.InterchangesOf(ctx, w.db, sys, pnp.ID); err != nil || len(got) != 2 {
		t.Errorf("%+v, %v", got, err)
	}
}

func TestKitsAndSets(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	key, nut, gasket, box, kit, deep := w.part("KEY", "Key", "key"), w.part("NUT", "Nut", "fastener"), w.part("GASKET", "Gasket", "seal"), w.part("BOX", "Kit: box", "kit"), w.part("KIT", "Kit: swap", "kit"), w.part("DEEP", "Kit of kits", "kit")
	long, short, set := w.part("A", "Section A", "section"), w.part("B", "Section B", "section"), w.part("SET", "Set", "media_set", "media_pattern", "AABBx4")
	one := n("1")
	must[parts.Recipe](t)(w.recipe(box.ID, parts.NewRecipe{Lines: []parts.NewRecipeLine{{PartID: gasket.ID, Amount: one}}}))
	first := must[parts.Recipe](t)(w.recipe(kit.ID, parts.NewRecipe{Lines: []parts.NewRecipeLine{{PartID: key.ID, Amount: one}, {PartID: nut.ID, Amount: one, Optional: true, Note: "only if worn"}}}))
	got := must[parts.Recipe](t)(w.recipe(kit.ID, parts.NewRecipe{Note: "with the box", Lines: []parts.NewRecipeLine{{PartID: key.ID, Amount: one}, {PartID: nut.ID, Amount: n("4")}, {PartID: box.ID, Amount: one, Condition: "kind=rocker"}}}))
	if got.Number != 2 || len(got.Lines) != 3 || got.Lines[1].Amount != n("4") || got.Lines[2].Number != "BOX" || got.Lines[2].Condition != "kind = rocker" {
		t.Errorf("%+v", got)
	}
	all, err := parts.RecipesOf(ctx, w.db, sys, kit.ID)
	if err != nil || len(all) != 2 || all[0].Number != 2 || all[1].ID != first.ID || len(all[1].Lines) != 2 || !all[1].Lines[1].Optional {
		t.Errorf("%+v, %v", all, err)
	}
	// one level of kits in kits, from above and from below
	_, err = w.recipe(deep.ID, parts.NewRecipe{Lines: []parts.NewRecipeLine{{PartID: kit.ID, Amount: one}}})
	mustFail(t, err, fault.Invalid, "lines[0].part_id")
	must[parts.Recipe](t)(w.recipe(deep.ID, parts.NewRecipe{Lines: []parts.NewRecipeLine{{PartID: key.ID, Amount: one}}}))
	_, err = w.recipe(box.ID, parts.NewRecipe{Lines: []parts.NewRecipeLine{{PartID: deep.ID, Amount: one}}})
	mustFail(t, err, fault.Invalid, "lines")
	_, err = w.recipe(box.ID, parts.NewRecipe{Lines: []parts.NewRecipeLine{{PartID: kit.ID, Amount: one}}})
	mustFail(t, err, fault.Invalid, "lines[0].part_id")
	_, err = w.recipe(kit.ID, parts.NewRecipe{Lines: []parts.NewRecipeLine{{PartID: kit.ID, Amount: one}}})
	mustFail(t, err, fault.Invalid, "lines[0].part_id")
	for field, in := range map[string]parts.NewRecipe{
		"lines":              {},
		"lines[0].condition": {Lines: []parts.NewRecipeLine{{PartID: key.ID, Amount: one, Condition: "kind"}}},
		"lines[0].letter":    {Lines: []parts.NewRecipeLine{{PartID: key.ID, Amount: one, Letter: "A"}}},
	} {
		_, err := w.recipe(kit.ID, in)
		mustFail(t, err, fault.Invalid, field)
	}
	_, err = w.recipe(kit.ID, parts.NewRecipe{Lines: []parts.NewRecipeLine{{PartID: key.ID, Amount: one, Optional: true}}})
	mustFail(t, err, fault.Invalid, "lines")
	_, err = w.recipe(kit.ID, parts.NewRecipe{Lines: []parts.NewRecipeLine{{PartID: uuid.New(), Amount: one}}})
	mustFail(t, err, fault.Invalid, "lines")
	_, err = w.recipe(uuid.New(), parts.NewRecipe{Lines: []parts.NewRecipeLine{{PartID: key.ID, Amount: one}}})
	mustFail(t, err, fault.NotFound, "")
	// a set is its pattern
	eight := n("8")
	s := must[parts.Recipe](t)(w.recipe(set.ID, parts.NewRecipe{Pattern: "AABBx4", Lines: []parts.NewRecipeLine{{PartID: long.ID, Amount: eight, Letter: "A"}, {PartID: short.ID, Amount: eight, Letter: "B"}}}))
	if *s.Pattern != "AABBx4" || *s.Lines[1].Letter != "B" {
		t.Errorf("%+v", s)
	}
	for field, in := range map[string]parts.NewRecipe{
		"pattern":           {Pattern: "AxB", Lines: []parts.NewRecipeLine{{PartID: long.ID, Amount: eight, Letter: "A"}}},
		"lines":             {Pattern: "AABBx4", Lines: []parts.NewRecipeLine{{PartID: long.ID, Amount: eight, Letter: "A"}}},
		"lines[1].letter":   {Pattern: "AABBx4", Lines: []parts.NewRecipeLine{{PartID: long.ID, Amount: eight, Letter: "A"}, {PartID: short.ID, Amount: eight, Letter: "A"}}},
		"lines[0].letter":   {Pattern: "AABBx4", Lines: []parts.NewRecipeLine{{PartID: long.ID, Amount: eight}}},
		"lines[0].optional": {Pattern: "AABBx4", Lines: []parts.NewRecipeLine{{PartID: long.ID, Amount: eight, Letter: "A", Optional: true}}},
		"lines[0].amount":   {Pattern: "AABBx4", Lines: []parts.NewRecipeLine{{PartID: long.ID, Amount: n("9"), Letter: "A"}, {PartID: short.ID, Amount: n("7"), Letter: "B"}}},
	} {
		_, err := w.recipe(set.ID, in)
		mustFail(t, err, fault.Invalid, field)
	}
}

func TestSuppliersAndCosts(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	part := w.part("MW-10110", "Gearmotor", "gearmotor")
	add := func(code string, days []int, closed ...string) (parts.Supplier, error) {
		return written(w, sys, func(tx *gorm.DB) (parts.Supplier, error) {
			return parts.AddSupplier(tx, sys, now, parts.SupplierEdit{Code: code, Name: "Quill Drives", WorkingDays: days, Closed: closed})
		})
	}
	a := must[parts.Supplier](t)(add("QD", []int{5, 1, 2}, "2026-12-25", "2026-07-03", "2026-12-25"))
	if fmt.Sprint(a.WorkingDays, a.Closed) != "[1 2 5] [2026-07-03 2026-12-25]" {
		t.Errorf("%+v", a)
	}
	b := must[parts.Supplier](t)(add("SECOND", []int{1}))
	_, err := add("QD", []int{1})
	mustFail(t, err, fault.Conflict, "code")
	_, err = add("x", []int{1})
	mustFail(t, err, fault.Invalid, "code")
	for field, s := range map[string]func() (parts.Supplier, error){
		"working_days": func() (parts.Supplier, error) { return add("X", nil) },
		"closed":       func() (parts.Supplier, error) { return add("X", []int{1}, "25 December") },
	} {
		_, err := s()
		mustFail(t, err, fault.Invalid, field)
	}
	for _, days := range [][]int{{0}, {8}, {1, 1}} {
		_, err = add("X", days)
		mustFail(t, err, fault.Invalid, "working_days")
	}
	edit := func(id uuid.UUID, version int) (parts.Supplier, error) {
		return written(w, sys, func(tx *gorm.DB) (parts.Supplier, error) {
			return parts.EditSupplier(tx, sys, id, version, parts.SupplierEdit{Name: "Quill Drives Inc", WorkingDays: []int{1, 2, 3, 4, 5}})
		})
	}
	if a, err = edit(a.ID, a.Version); err != nil || a.Version != 2 || len(a.WorkingDays) != 5 || len(a.Closed) != 0 {
		t.Errorf("%+v, %v", a, err)
	}
	_, err = edit(a.ID, 1)
	mustFail(t, err, fault.Stale, "If-Match")
	list, err := parts.Suppliers(ctx, w.db, sys, parts.Page{Limit: 10})
	one, err2 := parts.OneSupplier(ctx, w.db, sys, a.ID)
	if err != nil || err2 != nil || len(list) != 2 || one.Name != "Quill Drives Inc" {
		t.Errorf("%+v, %+v, %v, %v", list, one, err, err2)
	}
	set := func(supplier uuid.UUID, in parts.SourceEdit) (parts.Source, error) {
		return written(w, sys, func(tx *gorm.DB) (parts.Source, error) { return parts.SetSource(tx, sys, part.ID, supplier, in) })
	}
	must[parts.Source](t)(set(a.ID, parts.SourceEdit{Number: "77", Lead10: 7, Lead50: 10, Lead90: 18, Preferred: true}))
	must[parts.Source](t)(set(b.ID, parts.SourceEdit{Lead10: 1, Lead50: 1, Lead90: 2, Preferred: true})) // takes the place of the first
	must[parts.Source](t)(set(b.ID, parts.SourceEdit{Lead10: 2, Lead50: 3, Lead90: 4, Preferred: true}))
	sources, err := parts.SourcesOf(ctx, w.db, sys, part.ID)
	if err != nil || len(sources) != 2 || sources[0].Supplier != "SECOND" || sources[0].Lead90 != 4 || sources[1].Preferred || sources[1].Number != "77" {
		t.Errorf("%+v, %v", sources, err)
	}
	_, err = set(a.ID, parts.SourceEdit{Lead10: 9, Lead50: 3, Lead90: 4})
	mustFail(t, err, fault.Invalid, "lead_10")
	_, err = set(a.ID, parts.SourceEdit{Lead10: -1, Lead50: 3, Lead90: 4})
	mustFail(t, err, fault.Invalid, "lead_10")
	_, err = set(uuid.New(), parts.SourceEdit{})
	mustFail(t, err, fault.Invalid, "supplier_id")

	cost := func(at time.Time, in parts.NewCost) (parts.Cost, error) {
		in.From = &at
		return written(w, sys, func(tx *gorm.DB) (parts.Cost, error) { return parts.SetCost(tx, sys, now, part.ID, in) })
	}
	must[parts.Cost](t)(cost(began, parts.NewCost{PriceMinor: 140000, CoreMinor: 25000, Currency: "USD"}))
	must[parts.Cost](t)(cost(now, parts.NewCost{PriceMinor: 145000, CoreMinor: 25000, Currency: "USD"}))
	costs, err := parts.CostsOf(ctx, w.db, sys, part.ID)
	if err != nil || len(costs) != 2 || costs[0].PriceMinor != 145000 || costs[0].Until != nil || !costs[1].Until.Equal(now) {
		t.Errorf("%+v, %v", costs, err)
	}
	_, err = cost(began, parts.NewCost{PriceMinor: 1, Currency: "USD"})
	mustFail(t, err, fault.Conflict, "from")
	_, err = cost(now.AddDate(0, 0, 1), parts.NewCost{PriceMinor: -1, Currency: "USD"})
	mustFail(t, err, fault.Invalid, "price_minor")
	_, err = cost(now.AddDate(0, 0, 1), parts.NewCost{PriceMinor: 1, Currency: "usd"})
	mustFail(t, err, fault.Invalid, "currency")
}

func TestRulesOfFitAreCheckedRows(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	all, err := parts.Rules(ctx, w.db, sys)
	if err != nil || len(all) < 20 {
		t.Fatalf("%+v, %v", all, err)
	}
	set := func(class string, rules ...fit.Rule) error {
		return pgtest.Breaking(t, w.db, sys, func(tx *gorm.DB) error { return parts.SetRules(tx, sys, class, rules) })
	}
	if err := set("cap", fit.Rule{How: "same", Fact: "for_kind", Against: "kind", Why: "caps differ", Work: "file it", Minutes: 5, By: "J02"}); err != nil {
		t.Fatal(err)
	}
	after, err := parts.Rules(ctx, w.db, sys)
	if i := slices.IndexFunc(after, func(r fit.Rule) bool { return r.Class == "cap" }); err != nil || len(after) != len(all) || after[i].Minutes != 5 || after[i].By != "J02" {
		t.Errorf("%+v, %v", after, err)
	}
	mustFail(t, set("cap", fit.Rule{How: "about", Fact: "for_kind", Against: "kind"}), fault.Invalid, "rules[0].how")
	mustFail(t, set("boat", fit.Rule{How: "same", Fact: "bore", Against: "bore"}), fault.Invalid, "class")
	mustFail(t, set("cap", make([]fit.Rule, 51)...), fault.Invalid, "rules")
	mustFail(t, set("cap", fit.Rule{How: "same", Fact: "bore", Against: "bore"}, fit.Rule{How: "same", Fact: "bore", Against: "bore"}), fault.Conflict, "fact")
}

// Site staff and owners see no cost and no supplier, and change nothing; a
// technician changes nothing either.
func TestWhoMayWhat(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	part, other := w.part("MW-10110", "Gearmotor", "gearmotor"), w.part("KEY", "Key", "key")
	supplier := must[parts.Supplier](t)(written(w, sys, func(tx *gorm.DB) (parts.Supplier, error) {
		return parts.AddSupplier(tx, sys, now, parts.SupplierEdit{Code: "QD", Name: "Quill", WorkingDays: []int{1}})
	}))
	must[parts.Source](t)(written(w, sys, func(tx *gorm.DB) (parts.Source, error) {
		return parts.SetSource(tx, sys, part.ID, supplier.ID, parts.SourceEdit{})
	}))
	must[parts.Cost](t)(written(w, sys, func(tx *gorm.DB) (parts.Cost, error) {
		return parts.SetCost(tx, sys, now, part.ID, parts.NewCost{PriceMinor: 1, Currency: "USD"})
	}))
	succession := must[parts.Succession](t)(w.follows(other.ID, parts.NewSuccession{Kind: "withdrawn"}))
	change := must[parts.Interchange](t)(written(w, sys, func(tx *gorm.DB) (parts.Interchange, error) {
		return parts.AddInterchange(tx, sys, now, part.ID, parts.NewInterchange{OtherID: other.ID, Kind: "lookalike"})
	}))
	version := w.procedure("J01", nil, parts.NewLine{Need: "always", PartID: &part.ID, Amount: n("1")})
	writes := map[string]func(tx *gorm.DB, who access.Actor) error{
		"SetStocking": func(tx *gorm.DB, who access.Actor) error {
			_, err := parts.SetStocking(tx, who, part.ID, part.Version, parts.StockingEdit{MeasuredIn: "ea", BoughtIn: "ea", Pack: n("1"), Tracking: "unit"})
			return err
		},
		"Succeed": func(tx *gorm.DB, who access.Actor) error {
			_, err := parts.Succeed(tx, who, now, part.ID, parts.NewSuccession{Kind: "withdrawn"})
			return err
		},
		"EndSuccession": func(tx *gorm.DB, who access.Actor) error {
			s, err := parts.EndSuccession(tx, who, now, succession.ID)
			if err == nil && s.Until == nil {
				err = fmt.Errorf("nothing was ended")
			}
			return err
		},
		"AddInterchange": func(tx *gorm.DB, who access.Actor) error {
			_, err := parts.AddInterchange(tx, who, now, part.ID, parts.NewInterchange{OtherID: other.ID, Kind: "never_mix"})
			return err
		},
		"EndInterchange": func(tx *gorm.DB, who access.Actor) error {
			i, err := parts.EndInterchange(tx, who, now, change.ID)
			if err == nil && i.Until == nil {
				err = fmt.Errorf("nothing was ended")
			}
			return err
		},
		"SetRecipe": func(tx *gorm.DB, who access.Actor) error {
			_, err := parts.SetRecipe(tx, who, now, part.ID, parts.NewRecipe{Lines: []parts.NewRecipeLine{{PartID: other.ID, Amount: n("1")}}})
			return err
		},
		"SetCost": func(tx *gorm.DB, who access.Actor) error {
			_, err := parts.SetCost(tx, who, now, other.ID, parts.NewCost{PriceMinor: 2, Currency: "USD"})
			return err
		},
		"AddSupplier": func(tx *gorm.DB, who access.Actor) error {
			_, err := parts.AddSupplier(tx, who, now, parts.SupplierEdit{Code: "NEW", Name: "New", WorkingDays: []int{1}})
			return err
		},
		"EditSupplier": func(tx *gorm.DB, who access.Actor) error {
			_, err := parts.EditSupplier(tx, who, supplier.ID, supplier.Version, parts.SupplierEdit{Name: "New", WorkingDays: []int{1}})
			return err
		},
		"SetSource": func(tx *gorm.DB, who access.Actor) error {
			_, err := parts.SetSource(tx, who, other.ID, supplier.ID, parts.SourceEdit{})
			return err
		},
		"SetRules": func(tx *gorm.DB, who access.Actor) error {
			return parts.SetRules(tx, who, "cap", []fit.Rule{{How: "same", Fact: "bore", Against: "bore"}})
		},
		"SetLines": func(tx *gorm.DB, who access.Actor) error {
			err := parts.SetLines(tx, who, version, []parts.NewLine{{Need: "always", Item: "rags", Amount: n("1")}})
			if fault.KindOf(err) == fault.Conflict && who.May(access.Plan) && who.Name != "pretender" {
				return nil // it is published, but the right was there
			}
			return err
		},
		"CopyLines": func(tx *gorm.DB, who access.Actor) error {
			draft := pgdb.NewID()
			err := tx.Exec(`
insert into procedure_version (id, procedure_id, number, people, skills, minutes_low, minutes_typical, minutes_high, line_state, energies, created_at, created_by)
select ?, procedure_id, number + 1, 1, '{T1}', 1, 1, 1, 'running', '{}', ?, ? from procedure_version where id = ?`, draft, now, who.ID, version).Error
			if err != nil && who.May(access.Plan) {
				return err
			}
			return parts.CopyLines(tx, who, version, draft)
		},
	}
	person := func(name string, g access.NewGrant) access.Actor {
		a := must[access.Account](t)(written(w, sys, func(tx *gorm.DB) (access.Account, error) {
			return access.AddPerson(tx, sys, now, access.NewPerson{Name: name, Login: name, CustomerID: g.CustomerID, Grants: []access.NewGrant{g}})
		}))
		who, _, err := access.Load(ctx, w.db, a.ID)
		if err != nil {
			t.Fatal(err)
		}
		return who
	}
	actors := map[string]access.Actor{
		"technician": person("tech", access.NewGrant{Role: "technician"}),
		"owner":      person("owner", access.NewGrant{Role: "owner", CustomerID: &w.customer.ID}),
		"staff":      person("staff", access.NewGrant{Role: "site_staff", CustomerID: &w.customer.ID}),
		"gateway":    person("gateway", access.NewGrant{Role: "gateway", SiteID: &w.site.ID}),
	}
	for name, who := range actors {
		for fn, do := range writes {
			err := w.db.InTx(ctx, who.ID, func(tx *gorm.DB) error { return do(tx, who) })
			if fault.KindOf(err) != fault.Forbidden {
				t.Errorf("%s %s: %v", name, fn, err)
			}
			pretender := who
			pretender.Capabilities, pretender.Name = sys.Capabilities, "pretender"
			if err := w.db.InTx(ctx, who.ID, func(tx *gorm.DB) error { return do(tx, pretender) }); err == nil {
				t.Errorf("%s %s past the check: done", name, fn)
			}
		}
		_, err := parts.CostsOf(ctx, w.db, who, part.ID)
		mustFail(t, err, fault.Forbidden, "")
		pretender := who
		pretender.Capabilities, pretender.Everywhere = sys.Capabilities, true
		if c, err := parts.CostsOf(ctx, w.db, pretender, part.ID); err != nil || len(c) != 0 {
			t.Errorf("%s sees costs: %v, %v", name, c, err)
		}
		wantSuppliers := 0
		if name == "technician" {
			wantSuppliers = 1
		}
		for _, as := range []access.Actor{who, pretender} {
			s, err := parts.Suppliers(ctx, w.db, as, parts.Page{Limit: 9})
			sources, err2 := parts.SourcesOf(ctx, w.db, as, part.ID)
			if err != nil || err2 != nil || len(s) != wantSuppliers || len(sources) != wantSuppliers {
				t.Errorf("%s sees %d suppliers and %d sources, %v, %v", name, len(s), len(sources), err, err2)
			}
		}
		if hits, err := parts.Search(ctx, w.db, who, "gearmotor", 9); err != nil || len(hits) != 1 { // the catalogue is for everybody
			t.Errorf("%s: %v, %v", name, hits, err)
		}
	}
	clerk := person("clerk", access.NewGrant{Role: "parts_clerk"})
	for fn, do := range writes {
		if fn == "SetLines" || fn == "CopyLines" {
			continue
		}
		if err := w.db.InTx(ctx, clerk.ID, func(tx *gorm.DB) error { return do(tx, clerk) }); err != nil {
			t.Errorf("clerk %s: %v", fn, err)
		}
	}
	manager := person("manager", access.NewGrant{Role: "manager"})
	for _, fn := range []string{"SetLines", "CopyLines"} {
		if err := w.db.InTx(ctx, manager.ID, func(tx *gorm.DB) error { return writes[fn](tx, manager) }); err != nil {
			t.Errorf("manager %s: %v", fn, err)
		}
	}
}
