package parts_test

import (
	"context"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/assets"
	"spindlebook/internal/fault"
	"spindlebook/internal/parts"
	"spindlebook/internal/parts/fit"
	"spindlebook/internal/pgtest"
)

// What was assumed, told, or seen longer ago than three years turns no motor: somebody looks first,
// and is told why (common practice, no source).
func TestWhatNobodyHasLookedAtFitsNothing(t *testing.T) {
	t.Parallel()
	w, version, _ := motors(t)
	long := now.AddDate(-4, 0, 0)
	for i, c := range []struct {
		how  string
		seen *time.Time
		says string
	}{{"assumed", nil, "nobody has seen it, it was assumed"}, {"told", nil, "it was told, nobody has looked"}, {"seen", &long, "it was last seen in May 2022"}, {"measured", p(now.AddDate(0, -1, 0)), ""}} {
		from := began.AddDate(0, i+1, 0)
		in := assets.NewFact{Fact: "gearmotor_orientation", Value: "O3", From: &from, SeenAt: c.seen, How: c.how}
		if c.seen != nil {
			in.SeenBy = "Imre"
		}
		must[assets.Fact](t)(written(w, sys, func(tx *gorm.DB) (assets.Fact, error) { return assets.Record(tx, sys, now, w.left.ID, in) }))
		all := must[[]parts.PartFit](t)(parts.FitsAt(ctx, w.db, sys, now, w.left.ID, "gearmotor"))
		var f parts.PartFit
		for _, one := range all {
			if one.Number == "MW-10110" {
				f = one
			}
		}
		says := ""
		for _, m := range f.Missing {
			says += m.Fact + ": " + m.Says + " "
		}
		if c.says == "" && f.Verdict != fit.FitsAfterWork || c.says != "" && (f.Verdict != fit.CannotTell || !strings.Contains(says, c.says) || !strings.Contains(says, "gearmotor_orientation")) {
			t.Errorf("%s: %v, %s", c.how, f.Verdict, says)
		}
		// and the list that is read out says so too
		if l := w.resolve(parts.Ask{PositionID: w.left.ID, VersionID: version})[0].Lines[0].Say(); strings.Contains(l, "CHECK") != (c.says != "") || !strings.Contains(l, c.says) {
			t.Errorf("%s: %s", c.how, l)
		}
	}
}

// How a unit in stock stands is told by itself and not by the catalogue, and what was withdrawn
// goes nowhere, in a list of units as in the check of a van.
func TestAUnitInStockIsJudgedByItself(t *testing.T) {
	t.Parallel()
	w, _, gm := motors(t)
	store := w.location("WH", "warehouse")
	w.unit("A", gm.ID, store.ID, "gearmotor_orientation", "O3", "link_setting", "high")
	m := must[*parts.Matcher](t)(parts.NewMatcher(ctx, w.db, sys, now, []uuid.UUID{w.left.ID}))
	if err := m.Learn(ctx, w.db, sys, []uuid.UUID{uuid.New()}); err != nil { // where nothing mixes there is nothing to learn
		t.Error(err)
	}
	facts := map[string]string{"plate_volts": "208-230/460", "plate_hertz": "60", "plate_phases": "3", "leads": "9", "frame_standard": "NEMA", "frame_size": "56C", "bore": "1.375 in", "gearmotor_orientation": "O3"}
	seen := now.AddDate(0, 0, -3)
	for what, c := range map[string]struct {
		l    parts.Lying
		want fit.Verdict
		says string
	}{
		"as it stands":      {parts.Lying{Unit: map[string]parts.Word{"gearmotor_orientation": {"O3", "seen", &seen}, "link_setting": {"high", "seen", &seen}}}, fit.Fits, ""},
		"turned otherwise":  {parts.Lying{Unit: map[string]parts.Word{"gearmotor_orientation": {"O12", "seen", &seen}, "link_setting": {"high", "seen", &seen}}}, fit.FitsAfterWork, ""},
		"nobody has looked": {parts.Lying{Unit: map[string]parts.Word{}}, fit.CannotTell, ""},
		"only told":         {parts.Lying{Unit: map[string]parts.Word{"gearmotor_orientation": {"O3", "told", nil}}}, fit.CannotTell, "it was told, nobody has looked"},
		"withdrawn":         {parts.Lying{Withdrawn: true}, fit.DoesNotFit, "Its part was withdrawn from use."},
	} {
		c.l.PartID, c.l.Number, c.l.Class, c.l.Part = gm.ID, gm.Number, "gearmotor", facts
		a := m.Judge(w.left.ID, c.l)
		says := strings.Join(a.Reasons, " ")
		for _, x := range a.Missing {
			says += " " + x.Says
		}
		if a.Verdict != c.want || !strings.Contains(says, c.says) {
			t.Errorf("%s: %v %s", what, a.Verdict, says)
		}
	}
	must[parts.Succession](t)(w.follows(gm.ID, parts.NewSuccession{Kind: "withdrawn"}))
	units := must[[]parts.UnitFit](t)(parts.UnitsFor(ctx, w.db, sys, now.Add(time.Hour), w.left.ID, "gearmotor"))
	if len(units) != 1 || units[0].Verdict != fit.DoesNotFit || units[0].Reasons[0] != "Its part was withdrawn from use." {
		t.Errorf("%+v", units)
	}
}

// Nothing is left out of an answer in silence.
func TestMoreUnitsThanAreTriedAreNoAnswer(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	hub, store := w.part("MW-11900", "Hub", "hub"), w.location("WH", "warehouse")
	many := func(from, until int) {
		t.Helper()
		if err := w.db.InTx(ctx, sys.ID, func(tx *gorm.DB) error {
			return tx.Exec(`
with made as (
  insert into unit (id, tag, part_id, owner, created_at) select gen_random_uuid(), 'HUB-' || n, @part, 'distributor', @now from generate_series(cast(@from as int), cast(@until as int)) as n returning id)
insert into stay (id, unit_id, location_id, during, from_precision, recorded_at, recorded_by)
select gen_random_uuid(), id, @place, tstzrange(@now, null), 'instant', @now, @who from made`,
				map[string]any{"part": hub.ID, "now": now, "from": from, "until": until, "place": store.ID, "who": sys.ID}).Error
		}); err != nil {
			t.Fatal(err)
		}
	}
	many(1, 500)
	if all, err := parts.UnitsFor(ctx, w.db, sys, now.Add(time.Hour), w.left.ID, "hub"); err != nil || len(all) != 500 {
		t.Errorf("of 500 units: %d, %v", len(all), err)
	}
	many(501, 501)
	if all, err := parts.UnitsFor(ctx, w.db, sys, now.Add(time.Hour), w.left.ID, "hub"); len(all) > 0 || err == nil || !strings.Contains(err.Error(), "has more than 500 units in stock") {
		t.Errorf("of 501 units: %d, %v", len(all), err)
	}
}

// A pattern decides of a set whatever its part says: it may have been put together otherwise.
func TestASetIsJudgedByItsPattern(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.requires(w.left.ID, "media", "foam", "media_colour", "red", "media_pattern", "AABBx4")
	set := w.part("MW-31100", "Foam set", "media_set", "media", "foam", "media_colour", "red", "media_pattern", "AABBx4")
	m := must[*parts.Matcher](t)(parts.NewMatcher(ctx, w.db, sys, now, []uuid.UUID{w.left.ID}))
	facts := map[string]string{"media": "foam", "media_colour": "red", "media_pattern": "AABBx4"}
	for pattern, want := range map[string]fit.Verdict{"": fit.Fits, "AABBAABBAABBAABB": fit.Fits, "ABABABABABABABAB": fit.DoesNotFit} {
		if a := m.Judge(w.left.ID, parts.Lying{PartID: set.ID, Number: set.Number, Class: "media_set", Part: facts, Pattern: pattern}); a.Verdict != want {
			t.Errorf("%q: %v %v", pattern, a.Verdict, a.Reasons)
		}
	}
}

// More than can be read out in one go, and work where nothing is known, is refused by name.
func TestTooMuchIsAskedForAtOnce(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	version := w.procedure("J01", nil, parts.NewLine{Need: "tool", Item: "ladder", Amount: n("1")})
	asks := make([]parts.Ask, 1001)
	for i := range asks {
		asks[i] = parts.Ask{PositionID: w.left.ID, VersionID: version}
	}
	_, err := parts.Resolve(ctx, w.db, sys, now, asks)
	mustFail(t, err, fault.Invalid, "items")
	m := must[*parts.Matcher](t)(parts.NewMatcher(ctx, w.db, sys, now, []uuid.UUID{w.left.ID}))
	_, err = m.Resolve(ctx, w.db, sys, asks)
	mustFail(t, err, fault.Invalid, "items")
	if all := w.resolve(asks[:1000]...); len(all) != 1000 {
		t.Errorf("%d lists", len(all))
	}
	_, err = parts.FactsOf(ctx, w.db, sys, now, uuid.New(), "")
	mustFail(t, err, fault.NotFound, "")
}

// Whoever is stopped while reading says so, and gives no half of an answer.
func TestAHalfReadAnswerIsNone(t *testing.T) {
	t.Parallel()
	w, version, gm := motors(t)
	set, first, fresh := w.part("MW-31101", "Foam set", "media_set"), w.part("MW-30099", "First density", "section"), w.part("MW-30101", "Second density", "section")
	must[parts.Interchange](t)(written(w, sys, func(tx *gorm.DB) (parts.Interchange, error) {
		return parts.AddInterchange(tx, sys, began, first.ID, parts.NewInterchange{OtherID: fresh.ID, Kind: "never_mix"})
	}))
	for what, read := range map[string]func(ctx context.Context) error{
		"needs": func(ctx context.Context) error {
			_, err := parts.Resolve(ctx, w.db, sys, now, []parts.Ask{{PositionID: w.left.ID, VersionID: version}})
			return err
		},
		"lines": func(ctx context.Context) error { _, err := parts.LinesOf(ctx, w.db, sys, version); return err },
		"motors": func(ctx context.Context) error {
			_, err := parts.FitsAt(ctx, w.db, sys, now, w.left.ID, "gearmotor")
			return err
		},
		"sets": func(ctx context.Context) error {
			_, err := parts.FitsAt(ctx, w.db, sys, now, w.left.ID, "media_set")
			return err
		},
		"units": func(ctx context.Context) error {
			_, err := parts.UnitsFor(ctx, w.db, sys, now, w.left.ID, "media_set")
			return err
		},
		"facts": func(ctx context.Context) error {
			_, err := parts.FactsOf(ctx, w.db, sys, now, w.left.ID, "")
			return err
		},
		"matcher": func(ctx context.Context) error {
			_, err := parts.NewMatcher(ctx, w.db, sys, now, []uuid.UUID{w.left.ID})
			return err
		},
		"lineage": func(ctx context.Context) error { _, err := parts.LineageOf(ctx, w.db, sys, gm.ID); return err },
		"recipes": func(ctx context.Context) error { _, err := parts.RecipesOf(ctx, w.db, sys, set.ID); return err },
		"uses":    func(ctx context.Context) error { _, err := parts.UsesOf(ctx, w.db, sys, gm.ID); return err },
		"suppliers": func(ctx context.Context) error {
			_, err := parts.Suppliers(ctx, w.db, sys, parts.Page{Limit: 10})
			return err
		},
		"numbers": func(ctx context.Context) error {
			_, err := parts.Numbered(ctx, w.db, sys, []string{"mw-10110"})
			return err
		},
	} {
		pgtest.Interrupted(t, what, read)
	}
}
