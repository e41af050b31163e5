package meters_test

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"gorm.io/gorm"
	"pgregory.net/rapid"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/assets/meters"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgtest"
)

// An hour has 60 minutes of 60 seconds (SI Brochure, 9th edition, table 8), so a
// tenth of an hour is 360 seconds.
func TestAmountsAsTheyAreWritten(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		unit       meters.Unit
		text, in   string
		amount     int64
		inHours    string
		inThatUnit string
	}{
		{meters.Hours, "0", "h", 0, "0.0", "0.0"}, {meters.Hours, "0.1", "h", 360, "0.1", "0.1"}, {meters.Hours, ".5", "h", 1800, "0.5", "0.5"}, {meters.Hours, "12345.6", "h", 44444160, "12345.6", "12345.6"},
		{meters.Hours, "12345.67", "h", 44444412, "12345.67", "12345.67"}, {meters.Hours, "0012.50", "h", 45000, "12.5", "12.5"}, {meters.Hours, "7.", "h", 25200, "7.0", "7.0"},
		{meters.Hours, "90", "min", 5400, "1.5", "90.0"}, {meters.Hours, "0.5", "min", 30, "0.0083", "0.5"}, {meters.Hours, "1", "s", 1, "0.0002", "1"},
		{meters.Vehicles, "48211", "vehicles", 48211, "48211", "48211"}, {meters.Vehicles, "48211.00", "vehicles", 48211, "48211", "48211"}, {meters.Cycles, "5", "cycles", 5, "5", "5"},
	} {
		got, bad := meters.Read(c.unit, c.text, c.in)
		if bad != "" || got != c.amount || c.unit.Format(got) != c.inHours || meters.FormatIn(got, c.in) != c.inThatUnit {
			t.Errorf("%s %s: %d %q, written %s and %s", c.text, c.in, got, bad, c.unit.Format(got), meters.FormatIn(got, c.in))
		}
	}
	if s := meters.Hours.Format(-5400); s != "-1.5" {
		t.Errorf("less by an hour and a half is %s", s)
	}
	rapid.Check(t, func(t *rapid.T) {
		tenths := rapid.Int64Range(0, 99_999_999_999).Draw(t, "tenths")
		text := fmt.Sprintf("%d.%d", tenths/10, tenths%10)
		got, bad := meters.Read(meters.Hours, text, "h")
		if bad != "" || got != tenths*360 || meters.Hours.Format(got) != text {
			t.Fatalf("%s h came back as %s (%s)", text, meters.Hours.Format(got), bad)
		}
	})
}

// Whatever is typed is read exactly or refused with a rule.
func FuzzAmounts(f *testing.F) {
	for _, s := range []string{"12345.6", "-1", "NaN", "1e9", "٣", "0x1", "9999999999999999", ".", "1.2.3"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		for _, c := range []struct {
			u    meters.Unit
			unit string
		}{{meters.Hours, "h"}, {meters.Hours, "min"}, {meters.Hours, "s"}, {meters.Vehicles, "vehicles"}, {meters.Cycles, "cycles"}, {meters.Cycles, text}} {
			n, bad := meters.Read(c.u, text, c.unit)
			if bad != "" {
				continue
			}
			again, bad := meters.Read(c.u, meters.FormatIn(n, c.unit), c.unit)
			if n < 0 || bad != "" || again != n {
				t.Fatalf("%q %s is %d, written %q, and that %d %s", text, c.unit, n, meters.FormatIn(n, c.unit), again, bad)
			}
		}
	})
}

// A run that began with a reading goes when the reading goes, and stays while
// others stand on it.
func TestARunGoesWithItsFirstReading(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	w.one(t, w.tunnel, day(30), "98000", meters.Took)
	before := w.fingerprint(t)
	over := w.one(t, w.tunnel, day(20), "500", meters.NeedsExplanation)
	w.explain(t, over.ReadingID, meters.Explanation{As: "rolled_over"})
	w.void(t, over.ReadingID)
	if after := w.fingerprint(t); after != before {
		t.Errorf("%s\n\n%s", before, after)
	}
	over = w.one(t, w.tunnel, day(20), "500", meters.NeedsExplanation)
	w.explain(t, over.ReadingID, meters.Explanation{As: "rolled_over"})
	w.one(t, w.tunnel, day(10), "900", meters.Took)
	w.void(t, over.ReadingID)
	w.wantTotal(t, w.tunnel, day(10), "100900 read")
	// put right, with the run that it began
	unit := w.one(t, w.hours, day(30), "100.0", meters.Took)
	changed := w.one(t, w.hours, day(20), "6600", meters.NeedsExplanation)
	r := w.explain(t, changed.ReadingID, meters.Explanation{As: "unit_changed", Counter: meters.Counter{Shows: "min"}})
	w.wantTotal(t, w.hours, day(20), "110.0 read")
	r = w.explain(t, r.ID, meters.Explanation{As: "mistyped", Value: "6660", Unit: "min"})
	w.wantTotal(t, w.hours, day(20), "111.0 read")
	w.void(t, r.ID)
	runs, err := meters.Runs(ctx, w.db, sys, w.hours.ID)
	if err != nil || len(runs) != 1 {
		t.Errorf("left are %+v %v", runs, err)
	}
	seenLater := w.explain(t, unit.ReadingID, meters.Explanation{As: "mistyped", SeenAt: new(day(29))})
	w.wantTotal(t, w.hours, day(29), "100.0 read")
	// to another meter that has a reading then
	w.one(t, w.hoursRight, day(29), "55.0", meters.Took)
	_, err = pgtest.Write(w.db, sys, func(tx *gorm.DB) (meters.Reading, error) {
		return meters.Explain(tx, sys, now, seenLater.ID, meters.Explanation{As: "wrong_meter", MeterID: w.hoursRight.ID})
	})
	pgtest.Refused(t, "where another was read", err, fault.Conflict, "value")
	// falls even with the explanation
	low := w.one(t, w.tunnel, day(9), "899", meters.NeedsExplanation)
	_, err = pgtest.Write(w.db, sys, func(tx *gorm.DB) (meters.Reading, error) {
		return meters.Explain(tx, sys, now, low.ReadingID, meters.Explanation{As: "reset", At: new(day(20)), Reason: "x"})
	})
	pgtest.Refused(t, "at an instant at which a run begins", err, fault.Conflict, "at")
}

// Rolled over while nobody looked, as somebody knows: both ends are known.
func TestARollOverThatNobodySaw(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	w.one(t, w.tunnel, day(30), "99000", meters.Took)
	pgtest.Done(t, w.db, sys, func(tx *gorm.DB) ([]meters.Run, error) {
		return meters.Joined(tx, sys, now, w.tunnel.ID, meters.Join{At: day(29), How: "rolled_over"})
	})
	w.one(t, w.tunnel, day(28), "2000", meters.Took)
	w.wantTotal(t, w.tunnel, day(28), "102000 read")
}

func TestFormulasThatCannotBe(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	c := w.add(t, meters.NewMeter{Edit: meters.Edit{Code: "UMB-1/HC", Kind: "computed"}, Unit: meters.Hours, Thing: meters.Thing{PositionID: &w.left.ID}})
	_, line, _, _ := w.place(t, "THO", w.customer.ID)
	foreign := w.add(t, meters.NewMeter{SiteID: line.SiteID, Edit: meters.Edit{Code: "THO-1/TC", Kind: "wash_counter"}, Unit: meters.Vehicles, Thing: meters.Thing{LineID: &line.ID}})
	of := []meters.Term{{MeterID: w.tunnel.ID, Weight: 1}}
	for what, x := range map[string]struct {
		meter uuid.UUID
		f     meters.NewFormula
		kind  fault.Kind
		field string
	}{
		"of a meter that is read":    {w.hours.ID, meters.NewFormula{From: day(1), Terms: of, Ratio: 1}, fault.Invalid, "kind"},
		"of nothing":                 {c.ID, meters.NewFormula{From: day(1), Ratio: 1}, fault.Invalid, "terms"},
		"ahead":                      {c.ID, meters.NewFormula{From: day(-1), Terms: of, Ratio: 1}, fault.Invalid, "from"},
		"without a ratio":            {c.ID, meters.NewFormula{From: day(1), Terms: of}, fault.Invalid, "ratio"},
		"below zero":                 {c.ID, meters.NewFormula{From: day(1), Terms: of, Ratio: -1}, fault.Invalid, "ratio"},
		"no number":                  {c.ID, meters.NewFormula{From: day(1), Terms: of, Ratio: math.NaN()}, fault.Invalid, "ratio"},
		"without a weight":           {c.ID, meters.NewFormula{From: day(1), Terms: []meters.Term{{MeterID: w.tunnel.ID}}, Ratio: 1}, fault.Invalid, "terms[0].weight"},
		"the same twice":             {c.ID, meters.NewFormula{From: day(1), Terms: append(of, of[0]), Ratio: 1}, fault.Invalid, "terms[1].meter_id"},
		"of itself":                  {c.ID, meters.NewFormula{From: day(1), Terms: []meters.Term{{MeterID: c.ID, Weight: 1}}, Ratio: 1}, fault.Invalid, "terms[0].meter_id"},
		"of another site":            {c.ID, meters.NewFormula{From: day(1), Terms: []meters.Term{{MeterID: foreign.ID, Weight: 1}}, Ratio: 1}, fault.Invalid, "terms[0].meter_id"},
		"learnt from too little":     {c.ID, meters.NewFormula{From: day(1), Terms: of, LearnFrom: &w.hours.ID}, fault.Invalid, "learn_from"},
		"learnt from nobody":         {c.ID, meters.NewFormula{From: day(1), Terms: of, LearnFrom: new(uuid.New())}, fault.NotFound, ""},
		"of a meter that nobody has": {uuid.New(), meters.NewFormula{From: day(1), Terms: of, Ratio: 1}, fault.NotFound, ""},
	} {
		_, err := pgtest.Write(w.db, sys, func(tx *gorm.DB) ([]meters.Formula, error) { return meters.Derive(tx, sys, now, x.meter, x.f) })
		pgtest.Refused(t, what, err, x.kind, x.field)
	}
	w.wantTotal(t, c, now, "0.0 default")
	if f, err := meters.Formulas(ctx, w.db, sys, c.ID); err != nil || len(f) != 0 {
		t.Errorf("%+v %v", f, err)
	}
}

// never is a place that is always closed.
type never struct{}

func (never) Days(from, to time.Time) float64 { return 0 }

func TestOddsAndEnds(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	w.take(t, seen(w.tunnel, day(30), "1000"), seen(w.tunnel, day(20), "2000"))
	closed := func(meters.Site, meters.Unit) (meters.Days, error) { return never{}, nil }
	for at, want := range map[time.Time]int64{day(25): 1000, day(10): 2000} {
		if got, err := meters.At(ctx, w.db, sys, closed, w.tunnel.ID, at); err != nil || got.Amount != want {
			t.Errorf("where it is always closed at %s: %+v %v", at, got, err)
		}
	}
	if _, err := meters.PlainDays(meters.Site{Zone: "Mars/Utopia"}, meters.Hours); err == nil {
		t.Error("a zone of nobody is taken")
	}
	broken := func(meters.Site, meters.Unit) (meters.Days, error) { return nil, fmt.Errorf("no calendar") }
	if _, err := meters.At(ctx, w.db, sys, broken, w.tunnel.ID, now); err == nil {
		t.Error("a broken calendar is taken")
	}
	// pages of readings
	first, err := meters.Readings(ctx, w.db, sys, w.tunnel.ID, access.Page{Limit: 1})
	if err != nil || len(first) != 1 {
		t.Fatal(first, err)
	}
	rest, err := meters.Readings(ctx, w.db, sys, w.tunnel.ID, access.Page{After: first[0].Key(), Limit: 5})
	if err != nil || len(rest) != 1 || rest[0].Value != 1000 {
		t.Errorf("the next page is %+v %v", rest, err)
	}
	if _, err := meters.Readings(ctx, w.db, sys, w.tunnel.ID, access.Page{After: "x.y", Limit: 5}); fault.KindOf(err) != fault.Malformed {
		t.Errorf("a cursor of nobody: %v", err)
	}
	if d, err := meters.OneReading(ctx, w.db, sys, now, first[0].ID); err != nil || d.Offers != nil || d.Says != "" {
		t.Errorf("what counts is explained: %+v %v", d, err)
	}
	if _, err := meters.OneReading(ctx, w.db, sys, now, uuid.New()); fault.KindOf(err) != fault.NotFound {
		t.Errorf("a reading of nobody: %v", err)
	}
	for _, g := range []struct {
		gap  meters.Gap
		want float64
	}{{meters.Gap{Counted: 100, OtherDid: 98}, -0.02}, {meters.Gap{OtherDid: 5}, 1}, {meters.Gap{}, 0}} {
		if got := g.gap.Share(); got != g.want {
			t.Errorf("%+v is off by %v", g.gap, got)
		}
	}
	// a stay whose beginning nobody knows counts since it is recorded, and is known no better
	u := w.fit2(t)
	pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (assets.Stay, error) {
		return assets.Put(tx, sys, day(25), assets.Putting{UnitID: u.ID, Place: assets.Place{SlotID: w.slot(t, w.left)}})
	})
	if got := w.use(t, u, day(20)); got.Vehicles.Amount != 500 || got.Vehicles.Grade != meters.Default || got.StartKnown || got.Days != 5 {
		t.Errorf("since it is known to be there it has done %+v", got)
	}
	if got, err := meters.UseOf(ctx, w.db, sys, meters.PlainDays, nil, now); err != nil || len(got) != 0 {
		t.Errorf("the use of nothing: %+v %v", got, err)
	}
	if got := w.use(t, u, day(300)); got.Days != 0 || got.Vehicles.Known {
		t.Errorf("before all it has done %+v", got)
	}
	all, err := meters.Totals(ctx, w.db, sys, meters.PlainDays, nil)
	if err != nil || len(all) != 0 {
		t.Errorf("no totals: %+v %v", all, err)
	}
	if names := []string{meters.Seen.String(), meters.Default.String()}; !slices.Equal(names, []string{"read", "default"}) {
		t.Errorf("grades are %v", names)
	}
	if f := strings.Join(w.findings(t), "\n"); strings.Contains(f, "doubtful") {
		t.Errorf("found is %s", f)
	}
	w.one(t, w.tunnel, day(19), "5", meters.NeedsExplanation)
	w.one(t, w.tunnel, day(18), "6", meters.NeedsExplanation)
	w.one(t, w.hours, day(18), "6", meters.Took)
	w.one(t, w.hours, day(17), "5", meters.NeedsExplanation)
	if f := strings.Join(w.findings(t), "\n"); !strings.Contains(f, "doubtful UMB-1/TC 2 readings") || !strings.Contains(f, "doubtful UMB-1/H-L one reading") {
		t.Errorf("found is %s", f)
	}
}

// The record agrees with itself, and it is told where somebody reached into it.
func TestVerify(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	w.take(t, seen(w.tunnel, day(30), "98000"), seen(w.tunnel, day(20), "99000"), seen(w.hours, day(20), "10.0"), seen(w.hours, day(10), "20.0"))
	over := w.one(t, w.tunnel, day(10), "500", meters.NeedsExplanation)
	w.explain(t, over.ReadingID, meters.Explanation{As: "rolled_over"})
	if got, err := meters.Verify(ctx, w.db, sys); err != nil || len(got) != 0 {
		t.Fatalf("%+v %v", got, err)
	}
	conn, err := pgx.Connect(ctx, w.owner)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(ctx)
	for _, q := range []string{`set spindlebook.actor = '` + sys.ID.String() + `'`, `update meter_segment set base = 5 where how = 'rolled_over'`,
		`update meter_state set last_total = 7 where meter_id = '` + w.hours.ID.String() + `'`, `delete from meter_segment where meter_id = '` + w.hoursRight.ID.String() + `'`,
		`update meter_segment set modulus = 36000 where meter_id = '` + w.hours.ID.String() + `'`} {
		if _, err := conn.Exec(ctx, q); err != nil {
			t.Fatal(err)
		}
	}
	got, err := meters.Verify(ctx, w.db, sys)
	var all []string
	for _, d := range got {
		all = append(all, d.Thing+" "+d.Says)
	}
	want := []string{"meter UMB-1/H-L has a value that its counter cannot show", "meter UMB-1/H-L is known to stand at another total than its last reading",
		"meter UMB-1/H-R has a time without a run of its counter", "meter UMB-1/TC falls: its total at 2025-05-31 09:00 is less than before",
		"meter UMB-1/TC is known to stand at another total than its last reading"}
	if err != nil || !slices.Equal(all, want) {
		t.Errorf("told is\n%s\n%v", strings.Join(all, "\n"), err)
	}
}
