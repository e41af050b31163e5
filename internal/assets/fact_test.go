package assets_test

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgconn"
	"gorm.io/gorm"
	"pgregory.net/rapid"

	"spindlebook/internal/assets"
	"spindlebook/internal/fault"
	"spindlebook/internal/measure"
	"spindlebook/internal/pgtest"
)

func (w world) tell(position uuid.UUID, in assets.NewFact) (assets.Fact, error) {
	if in.How == "" {
		in.How = "seen"
	}
	return pgtest.Write(w.db, sys, func(tx *gorm.DB) (assets.Fact, error) { return assets.Record(tx, sys, now, position, in) })
}

func (w world) withdraw(position, id uuid.UUID, why string) (assets.Fact, error) {
	return pgtest.Write(w.db, sys, func(tx *gorm.DB) (assets.Fact, error) { return assets.Withdraw(tx, sys, now, position, id, why) })
}

// told gives what is recorded about the left position, each as value and span.
func (w world) told(t testing.TB) []string {
	t.Helper()
	all, err := assets.Facts(ctx, w.db, sys, w.left.ID)
	if err != nil {
		t.Fatal(err)
	}
	var s []string
	for _, f := range all {
		mark := ""
		if f.WithdrawnAt != nil {
			mark = " withdrawn: " + *f.WithdrawnWhy
		}
		s = append(s, f.Value+" "+span(f.From, f.Until)+mark)
	}
	return s
}

func TestFactsFollowOneAnother(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	tell := func(value string, from time.Time) assets.Fact {
		t.Helper()
		f, err := w.tell(w.left.ID, assets.NewFact{Fact: "media_colour", Value: value, From: &from})
		if err != nil {
			t.Fatal(err)
		}
		return f
	}
	is := func(want ...string) {
		t.Helper()
		if got := w.told(t); !slices.Equal(got, want) {
			t.Errorf("recorded are %q, want %q", got, want)
		}
	}
	tell("blue", began)
	tell("red", after)
	is("blue 24-06…25-03", "red 25-03…") // the later ends the earlier
	green := tell("green", sold)
	is("blue 24-06…24-12", "green 24-12…25-03", "red 25-03…") // what is earlier than another runs until that
	_, err := w.tell(w.left.ID, assets.NewFact{Fact: "media_colour", Value: "black", From: &sold})
	pgtest.Refused(t, "the same instant", err, fault.Conflict, "from")
	is("blue 24-06…24-12", "green 24-12…25-03", "red 25-03…")
	_, err = w.withdraw(w.left.ID, green.ID, "  ")
	pgtest.Refused(t, "withdrawn without a reason", err, fault.Invalid, "reason")
	f, err := w.withdraw(w.left.ID, green.ID, " it was the light ")
	if err != nil || f.WithdrawnAt == nil || !f.WithdrawnAt.Equal(now) || *f.WithdrawnWhy != "it was the light" {
		t.Errorf("withdrawn %+v, %v", f, err)
	}
	is("blue 24-06…25-03", "green 24-12…25-03 withdrawn: it was the light", "red 25-03…") // the one before holds again
	_, err = w.withdraw(w.left.ID, green.ID, "again")
	pgtest.Refused(t, "withdrawn again", err, fault.Conflict, "fact")
	_, err = w.withdraw(w.right.ID, green.ID, "no")
	pgtest.Refused(t, "of another position", err, fault.NotFound, "")
	_, err = w.withdraw(w.left.ID, uuid.New(), "no")
	pgtest.Refused(t, "no such fact", err, fault.NotFound, "")
	tell("white", sold) // where one was withdrawn there is room again
	is("blue 24-06…24-12", "green 24-12…25-03 withdrawn: it was the light", "white 24-12…25-03", "red 25-03…")
	// two who record the same instant at once
	outcomes := atOnce(3, func(i int) error {
		_, err := w.tell(w.left.ID, assets.NewFact{Fact: "media", Value: []string{"foam", "cloth", "foam"}[i], From: &sold})
		return err
	})
	if outcomes[none] != 1 || outcomes[fault.Conflict] != 2 {
		t.Errorf("three at once: %v", outcomes)
	}
	// and two different instants at once: neither loses the other
	outcomes = atOnce(3, func(i int) error {
		from := sold.Add(time.Duration(i) * time.Hour)
		_, err := w.tell(w.right.ID, assets.NewFact{Fact: "media_colour", Value: "blue", From: &from})
		return err
	})
	all, err := assets.Facts(ctx, w.db, sys, w.right.ID)
	if err != nil || outcomes[none] != 3 || len(all) != 3 || !all[0].Until.Equal(all[1].From) || !all[1].Until.Equal(all[2].From) || all[2].Until != nil {
		t.Errorf("three instants at once: %v, %+v, %v", outcomes, all, err)
	}
}

func TestFactsAreCheckedByTheirKind(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	ahead := now.Add(time.Second)
	inch := func(v float64) *measure.Typed { return &measure.Typed{Value: v, Unit: "in"} }
	for what, c := range map[string]struct {
		in    assets.NewFact
		field string
	}{
		"no such kind":           {assets.NewFact{Fact: "colour_of_hope", Value: "green"}, "fact"},
		"no such choice":         {assets.NewFact{Fact: "hub_fixing", Value: "clamp5"}, "value"},
		"another case":           {assets.NewFact{Fact: "hub_fixing", Value: "CLAMP4"}, "value"},
		"a blank choice":         {assets.NewFact{Fact: "hub_fixing", Value: ""}, "value"},
		"a blank text":           {assets.NewFact{Fact: "frame_size", Value: " \t"}, "value"},
		"a length without one":   {assets.NewFact{Fact: "bore", Value: "1.375 in"}, "measure"},
		"a measure for a choice": {assets.NewFact{Fact: "hub_fixing", Value: "clamp4", Measure: inch(1)}, "measure"},
		"a measure for a text":   {assets.NewFact{Fact: "frame_size", Measure: inch(1)}, "measure"},
		"a unit of speed":        {assets.NewFact{Fact: "bore", Measure: &measure.Typed{Value: 1, Unit: "m/s"}}, "measure.unit"},
		"no bore":                {assets.NewFact{Fact: "bore", Measure: inch(0)}, "measure.value"},
		"a bore below nothing":   {assets.NewFact{Fact: "bore", Measure: inch(-1)}, "measure.value"},
		"an endless bore":        {assets.NewFact{Fact: "bore", Measure: inch(math.Inf(1))}, "measure.value"},
		"a huge bore":            {assets.NewFact{Fact: "bore", Measure: inch(math.MaxFloat64)}, "measure.value"},
		"no such way to know":    {assets.NewFact{Fact: "hub_fixing", Value: "clamp4", How: "dreamt"}, "how"},
		"ahead":                  {assets.NewFact{Fact: "hub_fixing", Value: "clamp4", From: &ahead}, "from"},
		"seen ahead":             {assets.NewFact{Fact: "hub_fixing", Value: "clamp4", SeenAt: &ahead}, "seen_at"},
	} {
		_, err := w.tell(w.left.ID, c.in)
		pgtest.Refused(t, what, err, fault.Invalid, c.field)
	}
	_, err := w.tell(uuid.New(), assets.NewFact{Fact: "hub_fixing", Value: "clamp4"})
	pgtest.Refused(t, "of no position", err, fault.NotFound, "")
	_, err = assets.Facts(ctx, w.db, sys, uuid.New())
	pgtest.Refused(t, "of no position", err, fault.NotFound, "")
	if got := w.told(t); len(got) != 0 {
		t.Errorf("of those refused something stayed: %q", got)
	}
	f, err := w.tell(w.left.ID, assets.NewFact{Fact: "frame_size", Value: " 143TC ", SeenAt: &sold, SeenBy: " Tom ", How: "read_off_plate"})
	if err != nil || f.Value != "143TC" || f.ValueMM != nil || f.Name != "Frame size" || f.SeenBy != "Tom" || !f.SeenAt.Equal(sold) || f.How != "read_off_plate" || !f.From.Equal(now) ||
		!f.RecordedAt.Equal(now) || f.RecordedBy != "spindlebook" || f.WithdrawnAt != nil {
		t.Errorf("recorded %+v, %v", f, err)
	}
	kinds, err := assets.FactKinds(ctx, w.db, sys)
	if err != nil || len(kinds) != 33 {
		t.Fatalf("there are %d kinds, %v", len(kinds), err)
	}
	for _, k := range kinds {
		if (k.Takes == "choice") != (len(k.Choices) > 0) {
			t.Errorf("%s takes a %s of %v", k.Code, k.Takes, k.Choices)
		}
		for _, choice := range k.Choices { // every choice that is offered is taken
			if _, err := w.tell(w.right.ID, assets.NewFact{Fact: k.Code, Value: choice, From: new(now.Add(-time.Duration(slices.Index(k.Choices, choice)) * time.Hour))}); err != nil {
				t.Errorf("%s %s: %v", k.Code, choice, err)
			}
		}
	}
}

// An inch is 25.4 mm exactly (NIST SP 811, appendix B.8), so 1 3/8 in is not 35 mm.
func TestAnInchBoreIsNotAMetricOne(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	mm := func(typed measure.Typed) (float64, string) {
		t.Helper()
		f, err := w.tell(w.left.ID, assets.NewFact{Fact: "bore", Measure: &typed, How: "measured"})
		if err != nil || f.ValueMM == nil {
			t.Fatal(f, err)
		}
		if _, err := w.withdraw(w.left.ID, f.ID, "next"); err != nil {
			t.Fatal(err)
		}
		return *f.ValueMM, f.Value
	}
	for _, c := range []struct {
		typed measure.Typed
		mm    float64
		text  string
	}{
		{measure.Typed{Value: 1.375, Unit: "in"}, 34.925, "1.375 in"},
		{measure.Typed{Value: 35, Unit: "mm"}, 35, "35 mm"},
		{measure.Typed{Value: 3.5, Unit: "cm"}, 35, "3.5 cm"},
		{measure.Typed{Value: 1.4375, Unit: "in"}, 36.5125, "1.4375 in"},
		{measure.Typed{Value: 0.375, Unit: "in"}, 9.525, "0.375 in"},
		{measure.Typed{Value: 1.1, Unit: "in"}, 27.94, "1.1 in"},
		{measure.Typed{Value: 0.0349, Unit: "m"}, 34.9, "0.0349 m"},
	} {
		if got, text := mm(c.typed); got != c.mm || text != c.text {
			t.Errorf("%v is kept as %v mm and %q, want %v and %q", c.typed, got, text, c.mm, c.text)
		}
	}
}

// The model of facts: of those not withdrawn, the value at an instant is the one
// with the latest start that is not after it. Whatever is recorded and withdrawn,
// in whatever order, the rows must say the same and never overlap.
func TestFactsAgreeWithTheirModel(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	type told struct {
		id        uuid.UUID
		kind      string
		value     string
		from      int
		withdrawn bool
	}
	instant := func(i int) time.Time { return began.Add(time.Duration(i) * time.Hour) }
	kinds := []string{"media_colour", "frame_size"}
	var n atomic.Int64
	rapid.Check(t, func(rt *rapid.T) {
		rollback := errors.New("nothing of this stays")
		err := w.db.InTx(ctx, sys.ID, func(tx *gorm.DB) error {
			p, err := assets.AddPosition(tx, sys, now, newPosition(w, fmt.Sprint("UMB-1/R", n.Add(1)), "arch", "centre", began))
			if err != nil {
				rt.Fatal(err)
			}
			// each act in a savepoint, as each request would have its own transaction
			act := func(fn func(tx *gorm.DB) error) error { return tx.Transaction(fn) }
			var model []told
			live := func(kind string) (l []told) {
				for _, m := range model {
					if m.kind == kind && !m.withdrawn {
						l = append(l, m)
					}
				}
				slices.SortFunc(l, func(a, b told) int { return a.from - b.from })
				return l
			}
			record := func(rt *rapid.T) {
				m := told{kind: rapid.SampledFrom(kinds).Draw(rt, "kind"), value: fmt.Sprint("v", len(model)), from: rapid.IntRange(0, 9).Draw(rt, "from")}
				taken := slices.ContainsFunc(live(m.kind), func(o told) bool { return o.from == m.from })
				err := act(func(tx *gorm.DB) error {
					f, err := assets.Record(tx, sys, now, p.ID, assets.NewFact{Fact: m.kind, Value: m.value, From: new(instant(m.from)), How: "seen"})
					m.id = f.ID
					return err
				})
				pe, _ := errors.AsType[*pgconn.PgError](err)
				switch {
				case taken && (pe == nil || pe.ConstraintName != "position_fact_one_at_a_time"):
					rt.Fatalf("a second value from the same instant: %v", err)
				case !taken && err != nil:
					rt.Fatalf("record %+v: %v", m, err)
				case !taken:
					model = append(model, m)
				}
			}
			withdraw := func(rt *rapid.T) {
				if len(model) == 0 {
					rt.Skip("nothing to withdraw")
				}
				i := rapid.IntRange(0, len(model)-1).Draw(rt, "which")
				err := act(func(tx *gorm.DB) error { _, err := assets.Withdraw(tx, sys, now, p.ID, model[i].id, "why"); return err })
				if model[i].withdrawn != (fault.KindOf(err) == fault.Conflict) || !model[i].withdrawn && err != nil {
					rt.Fatalf("withdraw %+v: %v", model[i], err)
				}
				model[i].withdrawn = true
			}
			check := func(rt *rapid.T) {
				var rows []struct {
					ID          uuid.UUID
					From, Until *time.Time
				}
				err := tx.Raw(`select id, lower(during) as "from", upper(during) as until from position_fact where position_id = ? and withdrawn_at is null order by fact desc, 2`, p.ID).Scan(&rows).Error
				if err != nil {
					rt.Fatal(err)
				}
				var want []string
				for _, kind := range kinds {
					all := live(kind)
					for i, m := range all {
						until := "…"
						if i+1 < len(all) {
							until = instant(all[i+1].from).Format(time.RFC3339)
						}
						want = append(want, fmt.Sprint(m.id, " ", instant(m.from).Format(time.RFC3339), " ", until))
					}
				}
				var got []string
				for _, r := range rows {
					until := "…"
					if r.Until != nil {
						until = r.Until.UTC().Format(time.RFC3339)
					}
					got = append(got, fmt.Sprint(r.ID, " ", r.From.UTC().Format(time.RFC3339), " ", until))
				}
				if !slices.Equal(got, want) {
					rt.Fatalf("recorded is\n%q, and the model says\n%q", got, want)
				}
				// asked as a reader asks: what holds at an instant
				at := rapid.IntRange(-1, 10).Draw(rt, "at")
				for _, kind := range kinds {
					value := ""
					for _, m := range live(kind) {
						if m.from <= at {
							value = m.value
						}
					}
					var now string
					err := tx.Raw(`select coalesce((select value from position_fact where position_id = ? and fact = ? and withdrawn_at is null and during @> cast(? as timestamptz)), '')`, p.ID, kind, instant(at)).Scan(&now).Error
					if err != nil || now != value {
						rt.Fatalf("%s at %d is %q, %v; the model says %q", kind, at, now, err, value)
					}
				}
			}
			rt.Repeat(map[string]func(*rapid.T){"record": record, "withdraw": withdraw, "": check})
			return rollback
		})
		if !errors.Is(err, rollback) {
			rt.Fatal(err)
		}
	})
}
