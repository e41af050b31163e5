package meters_test

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"
	"pgregory.net/rapid"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/assets/meters"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgtest"
)

// What is no reading at all is refused by item, with field, value and rule, and
// stops no other.
func TestBadItemsAreRefusedOneByOne(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	computed := w.add(t, meters.NewMeter{Edit: meters.Edit{Code: "UMB-1/HC", Kind: "computed"}, Unit: meters.Hours, Thing: meters.Thing{PositionID: &w.left.ID}})
	at := day(1)
	for _, c := range []struct {
		in          meters.NewReading
		field, says string
	}{
		{meters.NewReading{MeterID: uuid.New(), At: at, Value: "1"}, "meter_id", "names no meter"},
		{meters.NewReading{Meter: "NOBODY", At: at, Value: "1"}, "meter", "names no meter"},
		{meters.NewReading{Meter: "A\x00", At: at, Value: "1"}, "meter", "names no meter"},
		{seen(computed, at, "1"), "meter", "is computed"},
		{meters.NewReading{MeterID: w.tunnel.ID, Value: "1"}, "at", "is needed"},
		{seen(w.tunnel, at, "NaN"), "value", "finite"},
		{seen(w.tunnel, at, "Infinity"), "value", "finite"},
		{seen(w.tunnel, at, "-Inf"), "value", "finite"},
		{seen(w.tunnel, at, "-5"), "value", "negative"},
		{seen(w.tunnel, at, "-0.1"), "value", "negative"},
		{seen(w.tunnel, at, ""), "value", "number"},
		{seen(w.tunnel, at, "."), "value", "number"},
		{seen(w.tunnel, at, "12a"), "value", "number"},
		{seen(w.tunnel, at, "1e5"), "value", "number"},
		{seen(w.tunnel, at, "0x10"), "value", "number"},
		{seen(w.tunnel, at, "1,000"), "value", "number"},
		{seen(w.tunnel, at, "١٢"), "value", "number"},
		{seen(w.tunnel, at, "12.5"), "value", "whole number of vehicles"},
		{seen(w.hours, at, "12.345"), "value", "at most 2 decimals"},
		{seen(w.tunnel, at, strings.Repeat("9", 40)), "value", "larger than any counter"},
		{seen(w.tunnel, at, "100000"), "value", "rolls over"},
		{seen(w.hours, at, "10000.0"), "value", "rolls over"},
		{meters.NewReading{MeterID: w.tunnel.ID, At: at, Value: "1", Unit: "h"}, "unit", "takes vehicles"},
		{meters.NewReading{MeterID: w.hours.ID, At: at, Value: "1", Unit: "days"}, "unit", "takes h, min, s"},
		{meters.NewReading{MeterID: w.tunnel.ID, At: at, Value: "1", Source: "dream"}, "source", "is one of eye"},
	} {
		got := w.take(t, c.in, seen(w.tunnel, day(2), "700"))
		if got[0].Outcome != meters.Refused || got[0].Fault.Field != c.field || !strings.Contains(got[0].Fault.Msg, c.says) {
			t.Errorf("%+v: %+v %v, want %q at %s", c.in, got[0], got[0].Fault, c.says, c.field)
		}
		if got[1].Outcome != meters.Took && got[1].Outcome != meters.AlreadyThere {
			t.Errorf("beside %+v a good one is %+v", c.in, got[1])
		}
	}
	w.wantTotal(t, w.tunnel, day(2), "700 read")
	_, err := pgtest.Write(w.db, sys, func(tx *gorm.DB) ([]meters.Taken, error) {
		return meters.Take(tx, sys, now, make([]meters.NewReading, meters.MaxBatch+1))
	})
	pgtest.Refused(t, "too many", err, fault.TooLarge, "items")
	_, err = pgtest.Write(w.db, sys, func(tx *gorm.DB) ([]meters.Taken, error) {
		return meters.Take(tx, access.Actor{}, now, nil)
	})
	pgtest.Refused(t, "without the right", err, fault.Forbidden, "")
}

// The same again is no-op; another value at that instant is a conflict that
// shows what is recorded.
func TestTheSameInstantTwice(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	first := w.one(t, w.hours, day(3), "100.5", meters.Took)
	before := w.fingerprint(t)
	if got := w.one(t, w.hours, day(3), "100.50", meters.AlreadyThere); got.ReadingID != first.ReadingID {
		t.Errorf("there is %+v", got)
	}
	got := w.one(t, w.hours, day(3), "100.6", meters.Conflicts)
	if got.Recorded != "100.5 h" || got.Fault.Kind != fault.Conflict || got.Fault.Existing.ID != first.ReadingID.String() {
		t.Errorf("in the way is %+v %+v", got, got.Fault)
	}
	all := w.take(t, seen(w.hours, day(2), "101"), seen(w.hours, day(2), "101.0"), seen(w.hours, day(2), "102"))
	for i, want := range []string{meters.Took, meters.AlreadyThere, meters.Conflicts} {
		if all[i].Outcome != want || all[i].ReadingID != all[0].ReadingID {
			t.Errorf("item %d is %+v, not %s", i, all[i], want)
		}
	}
	w.void(t, all[0].ReadingID)
	if after := w.fingerprint(t); after != before {
		t.Errorf("%s\n\n%s", before, after)
	}
	// ten thousand times the same, in one batch
	in := make([]meters.NewReading, 10_000)
	for i := range in {
		in[i] = seen(w.tunnel, day(1), "500")
	}
	took := 0
	for _, r := range w.take(t, in...) {
		if r.Outcome == meters.Took {
			took++
		} else if r.Outcome != meters.AlreadyThere {
			t.Fatalf("%+v", r)
		}
	}
	fits(t, "of ten thousand the same one is taken", took == 1, took)
}

// What a gateway sends and does not fit is quarantined and listed; so is what
// was seen at a time that cannot be, whoever sends it.
func TestGatewaysAreQuarantined(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	w.one(t, w.tunnel, day(10), "5000", meters.Took)
	got := w.take(t, meters.NewReading{MeterID: w.tunnel.ID, At: day(9), Value: "4000", Source: "gateway"},
		meters.NewReading{MeterID: w.tunnel.ID, At: day(8), Value: "99000", Source: "controller"},
		meters.NewReading{MeterID: w.tunnel.ID, At: day(8.5), Value: "3000"},
		seen(w.tunnel, now.Add(5*time.Minute), "6000"), seen(w.tunnel, now.Add(5*time.Minute+time.Second), "6001"),
		seen(w.hours, now.AddDate(-20, 0, 0), "1.0"), seen(w.hours, now.AddDate(-20, 0, -1), "0.5"))
	for i, want := range []struct{ outcome, doubt string }{{meters.Quarantined, "falls"}, {meters.Quarantined, "too_fast"}, {meters.NeedsExplanation, "falls"},
		{meters.Took, ""}, {meters.Quarantined, "time"}, {meters.Took, ""}, {meters.Quarantined, "time"}} {
		if got[i].Outcome != want.outcome || got[i].Doubt != want.doubt || want.doubt != "" && got[i].Says == "" {
			t.Errorf("item %d is %+v, not %v", i, got[i], want)
		}
	}
	list, err := meters.Doubts(ctx, w.db, sys, &w.site.ID, access.Page{Limit: 3})
	if err != nil || len(list) != 3 {
		t.Fatalf("%+v %v", list, err)
	}
	rest, err := meters.Doubts(ctx, w.db, sys, nil, access.Page{After: list[2].ID.String(), Limit: 10})
	if err != nil || len(rest) != 2 {
		t.Errorf("the next page is %+v %v", rest, err)
	}
	if _, err := meters.Doubts(ctx, w.db, sys, nil, access.Page{After: "x", Limit: 10}); fault.KindOf(err) != fault.Malformed {
		t.Errorf("a cursor of nobody: %v", err)
	}
	_, err = pgtest.Write(w.db, sys, func(tx *gorm.DB) (meters.Reading, error) {
		return meters.Explain(tx, sys, now, got[4].ReadingID, meters.Explanation{As: "as_seen"})
	})
	pgtest.Refused(t, "seen in the future, and right", err, fault.Conflict, "as")
	w.explain(t, got[4].ReadingID, meters.Explanation{As: "mistyped", Value: "5990", SeenAt: new(day(0.5)), Reason: "clock of the phone"})
	w.wantTotal(t, w.tunnel, day(0.5), "5990 read")
}

// A value that grows faster than the line can is kept and waits; somebody may
// say that it is right.
func TestFasterThanTheLine(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	w.one(t, w.tunnel, day(10), "1000", meters.Took)
	// 100 an hour by 1.3 by 24 h, as no hours are recorded
	w.one(t, w.tunnel, day(9), "4121", meters.Took)
	got := w.one(t, w.tunnel, day(8), "7243", meters.NeedsExplanation)
	if got.Doubt != "too_fast" || !strings.Contains(got.Says, "7242 vehicles at most") {
		t.Errorf("it is %+v", got)
	}
	w.explain(t, got.ReadingID, meters.Explanation{As: "as_seen", Reason: "read an hour later than written"})
	w.wantTotal(t, w.tunnel, day(8), "7243 read")
	// open for 12 hours: half of it
	pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (assets.Site, error) {
		it, _, err := assets.ReplaceHours(tx, sys, began, w.site.ID, 1, []assets.WeeklyHours{{Kind: "open", Weekday: 1, Starts: "08:00", Minutes: 720}, {Kind: "open", Weekday: 2, Starts: "09:00", Minutes: 600}})
		return it, err
	})
	w.one(t, w.tunnel, day(7), "8804", meters.Took)
	w.one(t, w.tunnel, day(6), "10366", meters.NeedsExplanation)
	// hours run no faster than the clock, but for one step of the wheels
	w.one(t, w.hours, day(10), "100.0", meters.Took)
	w.one(t, w.hours, day(9), "124.1", meters.Took)
	w.one(t, w.hours, day(8), "148.3", meters.NeedsExplanation)
	// where nobody said what a line is rated for, no line is faster than 250 an hour
	line := pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (assets.Line, error) {
		return assets.AddLine(tx, sys, now, w.site.ID, &began, assets.LineEdit{Code: "UMB-3"})
	})
	m := w.counter(t, "UMB-3/TC", line.ID)
	w.one(t, m, day(2), "0", meters.Took)
	w.one(t, m, day(2).Add(time.Hour), "326", meters.Took)
	w.one(t, m, day(2).Add(2*time.Hour), "653", meters.NeedsExplanation)
	// cycles have no bound unless somebody says one
	cycles := w.add(t, meters.NewMeter{Edit: meters.Edit{Code: "UMB-1/CY", Kind: "cycle_counter"}, Unit: meters.Cycles, Thing: meters.Thing{PositionID: &w.left.ID, Primary: true}})
	w.one(t, cycles, day(2), "0", meters.Took)
	w.one(t, cycles, day(1.9), "900000000", meters.Took)
	bound := w.add(t, meters.NewMeter{Edit: meters.Edit{Code: "UMB-1/CZ", Kind: "cycle_counter", MostPerHour: new(10)}, Unit: meters.Cycles, Thing: meters.Thing{PositionID: &w.left.ID}})
	w.one(t, bound, day(2), "0", meters.Took)
	w.one(t, bound, day(1), "314", meters.NeedsExplanation)
}

// A reading that comes late and fits between its neighbours is taken; one that
// does not fit waits, and its neighbours stay.
func TestLateReadings(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	w.one(t, w.tunnel, day(30), "1000", meters.Took)
	w.one(t, w.tunnel, day(10), "9000", meters.Took)
	w.one(t, w.tunnel, day(20), "5000", meters.Took)
	w.wantTotal(t, w.tunnel, day(15), "7000 interpolated")
	above := w.one(t, w.tunnel, day(12), "9500", meters.NeedsExplanation)
	fits(t, "more than later", above.Doubt == "above_next" && strings.Contains(above.Says, "9000 vehicles"), above)
	low := w.one(t, w.tunnel, day(10).Add(-time.Hour), "5001", meters.NeedsExplanation)
	fits(t, "too little time", low.Doubt == "below_next", low)
	w.wantTotal(t, w.tunnel, day(15), "7000 interpolated")
	w.one(t, w.tunnel, day(40), "500", meters.Took) // older than all
	w.wantTotal(t, w.tunnel, day(35), "750 interpolated")
}

// A counter is replaced: the last of the old one and the first of the new one
// join them, and what comes late is held against both.
func TestACounterIsReplaced(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	w.one(t, w.hours, day(30), "4000.0", meters.Took)
	join := func(j meters.Join) ([]meters.Run, error) {
		return pgtest.Write(w.db, sys, func(tx *gorm.DB) ([]meters.Run, error) { return meters.Joined(tx, sys, now, w.hours.ID, j) })
	}
	_, err := join(meters.Join{At: day(20), How: "replaced", OldLast: "3999.9", NewFirst: "12.3"})
	pgtest.Refused(t, "an end below what was read", err, fault.Conflict, "old_last")
	_, err = join(meters.Join{At: day(-1), How: "replaced"})
	pgtest.Refused(t, "ahead", err, fault.Invalid, "at")
	_, err = join(meters.Join{At: day(20), How: "stolen"})
	pgtest.Refused(t, "some other way", err, fault.Invalid, "how")
	_, err = join(meters.Join{At: day(20), How: "replaced", OldLast: "x"})
	pgtest.Refused(t, "an end that is no number", err, fault.Invalid, "old_last")
	_, err = join(meters.Join{At: day(20), How: "replaced", NewFirst: "70", Counter: meters.Counter{Digits: new(1)}})
	pgtest.Refused(t, "a beginning beyond its wheels", err, fault.Invalid, "new_first")
	runs, err := join(meters.Join{At: day(20), How: "replaced", OldLast: "4050.5", NewFirst: "12.3", Counter: meters.Counter{Digits: new(5), Decimals: 1, Serial: "77-1"}, Reason: "glass broken"})
	if err != nil || len(runs) != 2 || runs[1].Serial != "77-1" || *runs[1].Modulus != 100000*3600 || runs[1].Base != 4050.5*3600 {
		t.Fatalf("%+v %v", runs, err)
	}
	w.wantTotal(t, w.hours, day(20), "4050.5 read")
	w.one(t, w.hours, day(10), "22.3", meters.Took)
	w.wantTotal(t, w.hours, day(10), "4060.5 read")
	w.one(t, w.hours, day(25), "4020", meters.Took)             // of the old one, late
	w.one(t, w.hours, day(24), "4051", meters.NeedsExplanation) // beyond its last
	w.one(t, w.hours, day(15), "12.2", meters.NeedsExplanation) // before the first of the new one
	w.one(t, w.hours, day(15), "17.3", meters.Conflicts)        // that instant is taken
	w.one(t, w.hours, day(15.5), "16.8", meters.Took)           // of the new one, late
	w.one(t, w.hours, day(9), "46.3", meters.Took)
	_, err = join(meters.Join{At: day(20), How: "reset"})
	pgtest.Refused(t, "twice at one instant", err, fault.Conflict, "at")
	_, err = join(meters.Join{At: day(12), How: "reset", NewFirst: "25"})
	pgtest.Refused(t, "a beginning above what follows", err, fault.Conflict, "new_first")
}

// The rest of the five explanations, and the change of unit.
func TestExplanations(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	w.one(t, w.hours, day(30), "500.0", meters.Took)
	w.one(t, w.hoursRight, day(30), "90.0", meters.Took)
	// read on the other brush's meter
	wrong := w.one(t, w.hours, day(20), "120.0", meters.NeedsExplanation)
	d, err := meters.OneReading(ctx, w.db, sys, now, wrong.ReadingID)
	if err != nil {
		t.Fatal(err)
	}
	there := slices.IndexFunc(d.Offers, func(o meters.Offer) bool { return o.MeterID == w.hoursRight.ID.String() && o.Fits })
	if there < 0 || !strings.Contains(d.Offers[there].Means, "30.0 h there") || d.Says == "" {
		t.Errorf("offered are %+v", d)
	}
	moved := w.explain(t, wrong.ReadingID, meters.Explanation{As: "wrong_meter", MeterID: w.hoursRight.ID})
	if moved.MeterID != w.hoursRight.ID || moved.State != "counts" {
		t.Errorf("it moved to %+v", moved)
	}
	w.wantTotal(t, w.hoursRight, day(20), "120.0 read")
	w.wantTotal(t, w.hours, day(20), "500.0 extrapolated")
	// set back, with the last value known
	reset := w.one(t, w.hours, day(15), "10.0", meters.NeedsExplanation)
	w.explain(t, reset.ReadingID, meters.Explanation{As: "controller_reset", At: new(day(16)), OldLast: "560.0", Reason: "program load"})
	w.wantTotal(t, w.hours, day(15), "570.0 read")
	// it shows minutes from now on: 580 h would be 20 h later
	unit := w.one(t, w.hours, day(10), "1200.0", meters.NeedsExplanation)
	r := w.explain(t, unit.ReadingID, meters.Explanation{As: "unit_changed", Counter: meters.Counter{Shows: "min"}})
	if r.Typed != "1200.0 min" || r.State != "counts" {
		t.Errorf("read in minutes it is %+v", r)
	}
	w.wantTotal(t, w.hours, day(10), "580.0 read")
	w.one(t, w.hours, day(9), "1260", meters.Took)
	w.wantTotal(t, w.hours, day(9), "581.0 read")

	refuse := func(what string, id uuid.UUID, e meters.Explanation, kind fault.Kind, field string) {
		t.Helper()
		_, err := pgtest.Write(w.db, sys, func(tx *gorm.DB) (meters.Reading, error) { return meters.Explain(tx, sys, now, id, e) })
		pgtest.Refused(t, what, err, kind, field)
	}
	low := w.one(t, w.hoursRight, day(5), "50.0", meters.NeedsExplanation)
	refuse("no explanation at all", low.ReadingID, meters.Explanation{As: "magic"}, fault.Invalid, "as")
	refuse("falling and right", low.ReadingID, meters.Explanation{As: "as_seen"}, fault.Conflict, "as")
	refuse("the wrong meter is itself", low.ReadingID, meters.Explanation{As: "wrong_meter", MeterID: w.hoursRight.ID}, fault.Invalid, "meter_id")
	refuse("the same again", low.ReadingID, meters.Explanation{As: "mistyped"}, fault.Invalid, "value")
	refuse("no number", low.ReadingID, meters.Explanation{As: "mistyped", Value: "x"}, fault.Invalid, "value")
	refuse("a unit that nobody names", low.ReadingID, meters.Explanation{As: "unit_changed"}, fault.Invalid, "shows")
	refuse("a first above what was read", low.ReadingID, meters.Explanation{As: "reset", NewFirst: "60"}, fault.Conflict, "new_first")
	refuse("after it was seen", low.ReadingID, meters.Explanation{As: "reset", At: new(day(1))}, fault.Conflict, "as")
	refuse("of nobody", uuid.New(), meters.Explanation{As: "reset"}, fault.NotFound, "")
	refuse("what counts", moved.ID, meters.Explanation{As: "reset"}, fault.Conflict, "as")
	m := w.add(t, meters.NewMeter{Edit: meters.Edit{Code: "UMB-1/PC", Kind: "package_counter"}, Unit: meters.Vehicles, Thing: meters.Thing{LineID: &w.line.ID}})
	w.one(t, m, day(5), "900", meters.Took)
	fell := w.one(t, m, day(4), "10", meters.NeedsExplanation)
	refuse("where nobody knows where it rolls over", fell.ReadingID, meters.Explanation{As: "rolled_over"}, fault.Invalid, "modulus")
	if r := w.explain(t, fell.ReadingID, meters.Explanation{As: "rolled_over", Counter: meters.Counter{Modulus: "1000"}}); *r.Total != 1010 {
		t.Errorf("rolled over at 1000 it is %+v", r)
	}
	// no hour meter rolls over in a month: a round guess before it was too high
	refuse("more hours than there were", w.one(t, w.hoursRight, day(3), "50.0", meters.NeedsExplanation).ReadingID,
		meters.Explanation{As: "rolled_over", Counter: meters.Counter{Modulus: "100000"}}, fault.Conflict, "as")
	// a reading that is found wrong later
	w.explain(t, moved.ID, meters.Explanation{As: "mistyped", Value: "121.0"})
	w.wantTotal(t, w.hoursRight, day(20), "121.0 read")
}

// What is seen between the last reading of one run and the first of the next one
// belongs to that which it fits.
func TestTheGapBetweenTwoRuns(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	w.one(t, w.tunnel, day(30), "98000", meters.Took)
	over := w.one(t, w.tunnel, day(20), "9000", meters.NeedsExplanation)
	w.explain(t, over.ReadingID, meters.Explanation{As: "rolled_over"})
	w.one(t, w.tunnel, day(28), "99500", meters.Took)
	w.one(t, w.tunnel, day(25), "4000", meters.Took)
	w.one(t, w.tunnel, day(22), "99900", meters.NeedsExplanation) // no more, since the new one had begun
	w.wantTotal(t, w.tunnel, day(28), "99500 read")
	w.wantTotal(t, w.tunnel, day(25), "104000 read")
	w.wantTotal(t, w.tunnel, day(20), "109000 read")
}

// A stuck counter is marked as not to be relied on after its last good reading,
// and a new one takes over.
func TestAStuckCounter(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	good := w.one(t, w.hours, day(40), "700.0", meters.Took)
	w.take(t, seen(w.hours, day(30), "700.0"), seen(w.hours, day(20), "700.0"), seen(w.tunnel, day(40), "1000"), seen(w.tunnel, day(30), "4000"), seen(w.tunnel, day(20), "7000"))
	if f := strings.Join(w.findings(t), "\n"); !strings.Contains(f, "stuck UMB-1/H-L") || strings.Contains(f, "stuck UMB-1/TC") {
		t.Errorf("found is %s", f)
	}
	distrust := func(id uuid.UUID, why string) ([]meters.Run, error) {
		return pgtest.Write(w.db, sys, func(tx *gorm.DB) ([]meters.Run, error) { return meters.Distrust(tx, sys, now, id, why) })
	}
	_, err := distrust(good.ReadingID, "")
	pgtest.Refused(t, "without a reason", err, fault.Invalid, "reason")
	runs, err := distrust(good.ReadingID, "stuck since the frost")
	if err != nil || len(runs) != 2 || runs[1].How != "unreliable" {
		t.Fatalf("%+v %v", runs, err)
	}
	w.wantTotal(t, w.hours, day(20), "700.0 extrapolated")
	got := w.one(t, w.hours, day(10), "700.0", meters.NeedsExplanation)
	fits(t, "from a counter not to be relied on", got.Doubt == "unreliable", got)
	_, err = distrust(got.ReadingID, "again")
	pgtest.Refused(t, "what does not count", err, fault.Conflict, "last_good")
	pgtest.Done(t, w.db, sys, func(tx *gorm.DB) ([]meters.Run, error) {
		return meters.Joined(tx, sys, now, w.hours.ID, meters.Join{At: day(5), How: "replaced", OldLast: "760.0", NewFirst: "0"})
	})
	w.one(t, w.hours, day(1), "8.0", meters.Took)
	w.wantTotal(t, w.hours, day(1), "768.0 read")
}

func TestQuietMeters(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	w.one(t, w.tunnel, day(44), "1000", meters.Took)
	w.one(t, w.hours, day(46), "1.0", meters.Took)
	quiet, err := meters.Quiet(ctx, w.db, sys, now, &w.site.ID, access.Page{Limit: 10})
	var codes []string
	for _, m := range quiet {
		codes = append(codes, m.Code)
	}
	if err != nil || !slices.Equal(codes, []string{"UMB-1/H-L", "UMB-1/H-R"}) {
		t.Errorf("quiet are %v %v", codes, err)
	}
	f := strings.Join(w.findings(t), "\n")
	fits(t, "quiet meters are found", strings.Contains(f, "quiet UMB-1/H-L was last read 46 days ago") && strings.Contains(f, "quiet UMB-1/H-R was never read"), f)
	if _, err := meters.Findings(ctx, w.db, sys, now, meters.PlainDays, uuid.New()); fault.KindOf(err) != fault.NotFound {
		t.Errorf("a site of nobody: %v", err)
	}
}

// Totals before and after the readings go on along the line of a year.
func TestGrades(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	w.wantTotal(t, w.tunnel, now, "0 default")
	w.one(t, w.tunnel, day(30), "1000", meters.Took)
	w.wantTotal(t, w.tunnel, now, "1000 extrapolated")
	w.one(t, w.tunnel, day(20), "4000", meters.Took)
	w.wantTotal(t, w.tunnel, day(10), "7000 extrapolated")
	w.wantTotal(t, w.tunnel, day(32), "400 extrapolated")
	w.take(t, meters.NewReading{MeterID: w.tunnel.ID, At: day(10), Value: "6000", Source: "estimate"})
	w.wantTotal(t, w.tunnel, day(10), "6000 extrapolated")
	w.wantTotal(t, w.tunnel, day(15), "5000 extrapolated")
	w.take(t, meters.NewReading{MeterID: w.tunnel.ID, At: day(9), Value: "6300", Source: "computed"})
	w.wantTotal(t, w.tunnel, day(9), "6300 computed")
	if got, err := meters.Totals(ctx, w.db, sys, meters.PlainDays, []meters.Ask{{MeterID: uuid.New(), At: now}}); err != nil || len(got) != 1 {
		t.Errorf("a meter of nobody: %v %v", got, err)
	}
	if _, err := meters.At(ctx, w.db, sys, meters.PlainDays, uuid.New(), now); fault.KindOf(err) != fault.NotFound {
		t.Errorf("a meter of nobody: %v", err)
	}
}

// Use goes by the share of vehicles, by the time in service, and by what a unit
// is inside of; it is as well known as the worst of it.
func TestUseBySharesAndService(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	u := w.fit(t, w.left, day(40))
	w.take(t, seen(w.tunnel, day(40), "10000"), seen(w.tunnel, day(30), "14000"), seen(w.tunnel, day(20), "18000"), seen(w.tunnel, day(0), "26000"))
	share := func(s float64, from time.Time) ([]meters.Share, error) {
		return pgtest.Write(w.db, sys, func(tx *gorm.DB) ([]meters.Share, error) {
			return meters.SetShare(tx, sys, now, w.left.ID, s, from, "not in the basic package")
		})
	}
	if all, err := share(0.5, day(30)); err != nil || len(all) != 1 {
		t.Fatalf("%+v %v", all, err)
	}
	state := func(to string, from time.Time) {
		pgtest.Done(t, w.db, sys, func(tx *gorm.DB) ([]assets.State, error) {
			return assets.ChangeState(tx, sys, now, w.left.ID, to, &from, "")
		})
	}
	state("parked", day(20))
	state("in_service", day(10))
	if got := w.use(t, u, now); got.Vehicles.Amount != 4000+2000+2000 || got.Vehicles.Grade != meters.Interpolated || got.Days != 40 || got.Hours.Grade != meters.Default || got.Cycles.Known || !got.StartKnown {
		t.Errorf("it has done %+v", got)
	}
	_, err := share(1.5, day(1))
	pgtest.Refused(t, "more than all", err, fault.Invalid, "share")
	_, err = share(0.5, day(-1))
	pgtest.Refused(t, "ahead", err, fault.Invalid, "from")
	_, err = share(0.7, day(31))
	pgtest.Refused(t, "in the past", err, fault.Conflict, "from")
	if all, err := share(1, day(5)); err != nil || len(all) != 2 || !all[0].Until.Equal(day(5)) {
		t.Errorf("%+v %v", all, err)
	}
	if got := w.use(t, u, now); got.Vehicles.Amount != 4000+2000+1000+2000 {
		t.Errorf("it has done %+v", got)
	}
	if all, err := meters.Shares(ctx, w.db, sys, w.left.ID); err != nil || len(all) != 2 {
		t.Errorf("%+v %v", all, err)
	}
	if _, err := meters.Shares(ctx, w.db, sys, uuid.New()); fault.KindOf(err) != fault.NotFound {
		t.Errorf("a position of nobody: %v", err)
	}
	if _, err := meters.UseOfOne(ctx, w.db, sys, meters.PlainDays, uuid.New(), now); fault.KindOf(err) != fault.NotFound {
		t.Errorf("a unit of nobody: %v", err)
	}
	// a motor inside of the gearmotor has done what that did while it was inside
	part := pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (assets.Part, error) {
		return assets.AddPart(tx, sys, now, assets.PartEdit{Number: "M-1", Description: "Motor", Class: "motor"})
	})
	motor := pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (assets.Unit, error) {
		return assets.AddUnit(tx, sys, now, assets.NewUnit{UnitEdit: assets.UnitEdit{PartID: part.ID, StartHours: new(1234.5), StartDays: new(100)}})
	})
	slot, err := pgdb.Read[struct{ ID uuid.UUID }](ctx, w.db, sys.ID, `select id from slot where unit_id = @u and code = 'motor'`, map[string]any{"u": u.ID})
	if err != nil || len(slot) != 1 {
		t.Fatal(slot, err)
	}
	pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (assets.Stay, error) {
		return assets.Put(tx, sys, now, assets.Putting{UnitID: motor.ID, Place: assets.Place{SlotID: &slot[0].ID}, From: new(day(10)), Precision: "day"})
	})
	if got := w.use(t, motor, now); got.Vehicles.Amount != 3000 || got.Hours.Amount != 1234.5*3600 || got.Hours.Grade != meters.Default || !got.Hours.Known || got.Days != 110 || got.StartKnown {
		t.Errorf("the motor has done %+v", got)
	}
}

func TestMetersAreKept(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	m := w.meter(t, w.tunnel)
	if *m.Modulus != 100000 || *m.Digits != 5 || !m.IsPrimary || *m.LineID != w.line.ID || *m.Shows != "vehicles" {
		t.Errorf("added is %+v", m)
	}
	edit := func(version int, e meters.Edit) (meters.Meter, error) {
		return pgtest.Write(w.db, sys, func(tx *gorm.DB) (meters.Meter, error) { return meters.Change(tx, sys, now, m.ID, version, e) })
	}
	good := meters.Edit{Code: "UMB-1/T1", Kind: "wash_counter", Counts: " pulses ", MostPerHour: new(150), Counter: meters.Counter{Digits: new(6)}}
	_, err := edit(9, good)
	pgtest.Refused(t, "another version", err, fault.Stale, "If-Match")
	got, err := edit(1, good)
	if err != nil || got.Version != 2 || *got.Modulus != 1000000 || got.Counts != "pulses" || *got.MostPerHour != 150 || got.Code != "UMB-1/T1" {
		t.Fatalf("%+v %v", got, err)
	}
	bad := good
	bad.Code = "UMB-1/H-L"
	_, err = edit(2, bad)
	pgtest.Refused(t, "a code that is in use", err, fault.Conflict, "code")
	bad = good
	bad.Kind = "sundial"
	_, err = edit(2, bad)
	pgtest.Refused(t, "a kind of nobody", err, fault.Invalid, "kind")
	for field, c := range map[string]meters.Counter{"shows": {Shows: "h"}, "decimals": {Decimals: 1}, "digits": {Digits: new(13)}, "modulus": {Modulus: "0"}} {
		bad = good
		bad.Counter = c
		_, err = edit(2, bad)
		pgtest.Refused(t, "a counter that cannot be", err, fault.Invalid, field)
	}
	w.one(t, m, day(1), "200000", meters.Took)
	bad = good
	bad.Digits = new(5)
	_, err = edit(2, bad)
	pgtest.Refused(t, "fewer wheels than were read", err, fault.Invalid, "modulus")
	add := func(in meters.NewMeter) error {
		in.SiteID, in.Kind = w.site.ID, "wash_counter"
		_, err := pgtest.Write(w.db, sys, func(tx *gorm.DB) (meters.Meter, error) { return meters.Add(tx, sys, now, in) })
		return err
	}
	pgtest.Refused(t, "a code that is in use", add(meters.NewMeter{Edit: meters.Edit{Code: "UMB-1/H-L"}, Unit: meters.Hours, Thing: meters.Thing{LineID: &w.line.ID}}), fault.Conflict, "code")
	pgtest.Refused(t, "a unit of nobody", add(meters.NewMeter{Edit: meters.Edit{Code: "X"}, Unit: "litres"}), fault.Invalid, "unit")
	pgtest.Refused(t, "of nothing", add(meters.NewMeter{Edit: meters.Edit{Code: "X"}, Unit: meters.Hours}), fault.Invalid, "line_id")
	pgtest.Refused(t, "of a line elsewhere", add(meters.NewMeter{Edit: meters.Edit{Code: "X"}, Unit: meters.Hours, Thing: meters.Thing{LineID: new(uuid.New())}}), fault.Invalid, "line_id")
	all, err := meters.List(ctx, w.db, sys, meters.Filter{SiteID: &w.site.ID, Unit: new("hours")}, access.Page{Limit: 10})
	if err != nil || len(all) != 2 {
		t.Errorf("listed are %+v %v", all, err)
	}
	if all, err = meters.List(ctx, w.db, sys, meters.Filter{PositionID: &w.left.ID, LineID: nil}, access.Page{Limit: 10}); err != nil || len(all) != 1 || all[0].ID != w.hours.ID {
		t.Errorf("listed are %+v %v", all, err)
	}
}

// What a forecast needs: points in order, breaks, profiles, and who moved.
func TestWhatAForecastNeeds(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	w.take(t, seen(w.tunnel, day(30), "1000"), seen(w.tunnel, day(10), "5000"), meters.NewReading{MeterID: w.tunnel.ID, At: day(5), Value: "6000", Source: "estimate"}, seen(w.hours, day(10), "7.5"))
	change := func(meter *uuid.UUID, at time.Time, why string) (meters.Break, error) {
		return pgtest.Write(w.db, sys, func(tx *gorm.DB) (meters.Break, error) {
			return meters.ChangeRegime(tx, sys, now, w.site.ID, meter, at, why)
		})
	}
	own, err := change(&w.tunnel.ID, day(20), "a competitor opened")
	if err != nil {
		t.Fatal(err)
	}
	all, err := change(nil, day(25), "rebuilt")
	if err != nil {
		t.Fatal(err)
	}
	_, err = change(nil, day(25), " ")
	pgtest.Refused(t, "without a reason", err, fault.Invalid, "reason")
	h, err := meters.Histories(ctx, w.db, sys, []uuid.UUID{w.tunnel.ID, w.hours.ID, uuid.New()}, began)
	if err != nil || len(h) != 2 || len(h[w.tunnel.ID].Points) != 3 || !h[w.tunnel.ID].Points[2].At.Equal(day(5)) || h[w.tunnel.ID].Points[2].Total != 6000 || h[w.tunnel.ID].Points[2].Grade != meters.Extrapolated ||
		len(h[w.tunnel.ID].Breaks) != 2 || h[w.tunnel.ID].Breaks[1].ID != own.ID || len(h[w.hours.ID].Breaks) != 1 || h[w.hours.ID].Breaks[0].ID != all.ID || h[w.hours.ID].Site.Zone != "America/Chicago" {
		t.Errorf("%+v %+v %v", h[w.tunnel.ID], h[w.hours.ID], err)
	}
	pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (any, error) {
		return nil, meters.WithdrawRegimeChange(tx, sys, now, w.site.ID, all.ID)
	})
	_, err = pgtest.Write(w.db, sys, func(tx *gorm.DB) (any, error) {
		return nil, meters.WithdrawRegimeChange(tx, sys, now, w.site.ID, all.ID)
	})
	pgtest.Refused(t, "twice", err, fault.NotFound, "")
	if list, err := meters.RegimeChanges(ctx, w.db, sys, w.site.ID); err != nil || len(list) != 1 {
		t.Errorf("%+v %v", list, err)
	}
	keep := func(rows ...meters.Factor) error {
		_, err := pgtest.Write(w.db, sys, func(tx *gorm.DB) (any, error) { return nil, meters.KeepProfile(tx, sys, now, rows) })
		return err
	}
	if err := keep(meters.Factor{Climate: new("snowbelt"), Size: new("medium"), Unit: meters.Vehicles, Part: "month", Ordinal: 2, Factor: 1.4, Meters: 12, Years: 20}, meters.Factor{SiteID: &w.site.ID, Unit: meters.Vehicles, Part: "weekday", Ordinal: 6, Factor: 1.8, Years: 1}); err != nil {
		t.Fatal(err)
	}
	if err := keep(meters.Factor{Climate: new("snowbelt"), Size: new("medium"), Unit: meters.Vehicles, Part: "month", Ordinal: 2, Factor: 1.5}, meters.Factor{SiteID: &w.site.ID, Unit: meters.Vehicles, Part: "weekday", Ordinal: 6, Factor: 1.7}); err != nil {
		t.Fatal(err)
	}
	rows, err := meters.Profile(ctx, w.db, sys, "", "", w.site.ID)
	if err != nil || len(rows) != 2 || rows[0].Factor != 1.5 || rows[1].Factor != 1.7 {
		t.Errorf("%+v %v", rows, err)
	}
	if rows, err = meters.Profile(ctx, w.db, sys, "mild_wet", "large"); err != nil || len(rows) != 0 {
		t.Errorf("%+v %v", rows, err)
	}
	pgtest.Refused(t, "the thirteenth month", keep(meters.Factor{Climate: new("snowbelt"), Size: new("large"), Unit: meters.Vehicles, Part: "month", Ordinal: 13, Factor: 1}), fault.Invalid, "ordinal")

	moved, err := meters.Movements(ctx, w.db, sys, 10)
	if err != nil || len(moved) != 2 || !moved[0].Mark.Equal(now) {
		t.Fatalf("%+v %v", moved, err)
	}
	pgtest.Done(t, w.db, sys, func(tx *gorm.DB) ([]meters.Taken, error) {
		return meters.Take(tx, sys, now.Add(time.Second), []meters.NewReading{seen(w.tunnel, day(1), "7000")})
	})
	pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (any, error) { return nil, meters.Followed(tx, sys, moved) })
	if left, err := meters.Movements(ctx, w.db, sys, 10); err != nil || len(left) != 1 || left[0].MeterID != w.tunnel.ID || !left[0].Since.Equal(day(30)) {
		t.Errorf("still to follow are %+v %v", left, err)
	}
}

// truth is what a counter really did: a total at each of some instants.
type truth struct {
	at    []time.Time
	total []int64
}

func drawTruth(t *rapid.T) truth {
	var tr truth
	at, total := day(300), int64(0)
	for range rapid.IntRange(1, 14).Draw(t, "readings") {
		gap := rapid.Int64Range(1, 20*24*60).Draw(t, "minutes")
		at = at.Add(time.Duration(gap) * time.Minute)
		total += rapid.Int64Range(0, gap*100/60).Draw(t, "vehicles")
		tr.at, tr.total = append(tr.at, at), append(tr.total, total)
	}
	return tr
}

// fresh adds a counter that rolls over early, so that draws meet that.
func (w wash) fresh(t testing.TB) meters.Meter {
	return w.add(t, meters.NewMeter{Edit: meters.Edit{Code: "F" + strings.ToUpper(uuid.NewString()[:12]), Kind: "wash_counter"}, Unit: meters.Vehicles, Thing: meters.Thing{LineID: &w.line.ID}})
}

func (w wash) points(t testing.TB, m meters.Meter) []meters.Point {
	h, err := meters.Histories(ctx, w.db, sys, []uuid.UUID{m.ID}, began.AddDate(-1, 0, 0))
	if err != nil {
		t.Fatal(err)
	}
	return h[m.ID].Points
}

// The same readings in any order, one by one or in batches, sent again or not,
// give the same totals, and those never fall.
func TestAnyOrderGivesTheSameTotals(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	rapid.Check(t, func(rt *rapid.T) {
		tr := drawTruth(rt)
		var want []meters.Point
		for round := range 2 {
			m := w.fresh(t)
			order := rapid.Permutation(indexes(len(tr.at))).Draw(rt, "order")
			for len(order) > 0 {
				n := rapid.IntRange(1, len(order)).Draw(rt, "batch")
				var in []meters.NewReading
				for _, i := range order[:n] {
					in = append(in, seen(m, tr.at[i], fmt.Sprint(tr.total[i])))
				}
				if rapid.Bool().Draw(rt, "again") {
					in = append(in, in[0])
				}
				for _, got := range w.take(t, in...) {
					if got.Outcome != meters.Took && got.Outcome != meters.AlreadyThere {
						rt.Fatalf("a reading that fits is %+v %v", got, got.Fault)
					}
				}
				order = order[n:]
			}
			got := w.points(t, m)
			for i := range got {
				if i > 0 && got[i].Total < got[i-1].Total {
					rt.Fatalf("the total falls: %+v", got)
				}
			}
			if round == 0 {
				want = got
			} else if !slices.Equal(want, got) {
				rt.Fatalf("in another order:\n%+v\n%+v", want, got)
			}
			if last := w.meter(t, m); *last.LastTotal != tr.total[len(tr.total)-1] || !last.LastAt.Equal(tr.at[len(tr.at)-1]) {
				rt.Fatalf("what is known of it now is %+v", last)
			}
		}
	})
}

func indexes(n int) []int {
	all := make([]int, n)
	for i := range all {
		all[i] = i
	}
	return all
}

// Whatever is sent, totals never fall over time; a reading and its voiding leave
// everything as it was; and what waits moves nothing.
func TestWhateverIsSentTotalsNeverFall(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	rapid.Check(t, func(rt *rapid.T) {
		m := w.add(t, meters.NewMeter{Edit: meters.Edit{Code: "N" + strings.ToUpper(uuid.NewString()[:12]), Kind: "wash_counter", Counter: meters.Counter{Digits: new(4)}}, Unit: meters.Vehicles, Thing: meters.Thing{LineID: &w.line.ID}})
		var ids []uuid.UUID
		for range rapid.IntRange(3, 12).Draw(rt, "steps") {
			before := w.fingerprint(t, m.Code)
			points := w.points(t, m)
			at, value := day(rapid.Float64Range(0, 200).Draw(rt, "days ago")), rapid.IntRange(0, 9999).Draw(rt, "value")
			got := w.take(t, seen(m, at, fmt.Sprint(value)))[0]
			if got.Outcome == meters.Conflicts || got.Outcome == meters.AlreadyThere {
				continue // that instant was drawn before
			}
			switch {
			case got.Outcome == meters.NeedsExplanation && !slices.Equal(points, w.points(t, m)):
				rt.Fatalf("%+v moves totals", got)
			case got.Outcome != meters.NeedsExplanation && got.Outcome != meters.Took:
				rt.Fatalf("%+v", got)
			}
			switch rapid.SampledFrom([]string{"keep", "void", "explain", "explain"}).Draw(rt, "then") {
			case "void":
				w.void(t, got.ReadingID)
				if after := w.fingerprint(t, m.Code); after != before {
					rt.Fatalf("voided it leaves a trace:\n%s\n\n%s", before, after)
				}
			case "explain":
				as := rapid.SampledFrom([]string{"rolled_over", "reset", "replaced", "as_seen"}).Draw(rt, "as")
				_, err := pgtest.Write(w.db, sys, func(tx *gorm.DB) (meters.Reading, error) {
					return meters.Explain(tx, sys, now, got.ReadingID, meters.Explanation{As: as})
				})
				if k := fault.KindOf(err); err != nil && k != fault.Conflict && k != fault.Invalid {
					rt.Fatal(err)
				}
			}
			if rapid.Bool().Draw(rt, "one before") && len(ids) > 0 {
				_, err := pgtest.Write(w.db, sys, func(tx *gorm.DB) (meters.Reading, error) {
					return meters.Void(tx, sys, now, rapid.SampledFrom(ids).Draw(rt, "which"), "drawn")
				})
				if k := fault.KindOf(err); err != nil && k != fault.Conflict {
					rt.Fatal(err)
				}
			}
			ids = append(ids, got.ReadingID)
			all := w.points(t, m)
			for i := 1; i < len(all); i++ {
				if all[i].Total < all[i-1].Total {
					rt.Fatalf("the total falls: %+v", all)
				}
			}
			if wrong, err := meters.Verify(ctx, w.db, sys); err != nil || len(wrong) > 0 {
				rt.Fatalf("the record does not agree with itself: %+v %v", wrong, err)
			}
			if it := w.meter(t, m); len(all) > 0 && (*it.LastTotal != all[len(all)-1].Total || !it.LastAt.Equal(all[len(all)-1].At)) {
				rt.Fatalf("what is known of it now is %+v beside %+v", it, all)
			}
		}
	})
}

// Use is additive: up to any instant it is the sum of what the meters of its
// places counted while it was there, to the very vehicle and second, however the
// unit moved. And that is what really was: counters that run evenly over the
// site's days, one of which has 23 hours, so that both ends of a stay are off by
// what is cut off below one and nothing else.
func TestUseIsAdditiveOverMoves(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	chicago, err := time.LoadLocation("America/Chicago")
	if err != nil {
		t.Fatal(err)
	}
	days := meters.CalendarDays{Zone: chicago}
	ago := func(n int) time.Time { return now.In(chicago).AddDate(0, 0, -n) } // the same hour of the clock
	var in []meters.NewReading
	for d := 200; d >= 0; d -= 4 {
		in = append(in, seen(w.tunnel, ago(d), fmt.Sprint((200-d)*400)))
	}
	w.take(t, in...)
	// a pair of brushes of their own for each draw, the right one of which runs half as long
	brushes := func() (pair []assets.Position, of [2]meters.Meter) {
		code := strings.ToUpper(uuid.NewString()[:8])
		brush := func(side string) assets.NewPosition {
			return assets.NewPosition{SiteID: w.site.ID, From: &began, PositionEdit: assets.PositionEdit{LineID: &w.line.ID, Code: code + "/" + side, Name: "Brush", Kind: "side_brush_low", LineSide: strings.ToLower(side)}}
		}
		pair = pgtest.Done(t, w.db, sys, func(tx *gorm.DB) ([]assets.Position, error) {
			return assets.AddPositions(tx, sys, now, []assets.NewPosition{brush("LEFT"), brush("RIGHT")})
		})
		of = [2]meters.Meter{w.hourMeter(t, code+"/HL", pair[0].ID), w.hourMeter(t, code+"/HR", pair[1].ID)}
		w.take(t, seen(of[0], ago(200), "0"), seen(of[0], now, "560.0"), seen(of[1], ago(200), "0"), seen(of[1], now, "280.0"))
		return pair, of
	}
	total := func(m meters.Meter, at time.Time) int64 {
		got, err := meters.At(ctx, w.db, sys, meters.PlainDays, m.ID, at)
		if err != nil {
			t.Fatal(err)
		}
		return got.Amount
	}
	rapid.Check(t, func(rt *rapid.T) {
		places, of := brushes()
		at := rapid.Float64Range(100, 199).Draw(rt, "fitted")
		first := at
		which := rapid.IntRange(0, 1).Draw(rt, "side")
		part := w.fitOnce(t, places[which], day(at))
		var want [2]float64 // days on each side
		var vehicles, seconds, stays int64
		leave := func(out time.Time) {
			in := day(at).Truncate(time.Microsecond)
			out = out.Truncate(time.Microsecond)
			stays++
			want[which] += days.Days(in, out)
			vehicles += total(w.tunnel, out) - total(w.tunnel, in)
			seconds += total(of[which], out) - total(of[which], in)
		}
		for range rapid.IntRange(0, 4).Draw(rt, "moves") {
			out := rapid.Float64Range(at/2, at-0.1).Draw(rt, "out")
			leave(day(out))
			w.bench(t, part, day(out))
			at = rapid.Float64Range(out/2, out-0.1).Draw(rt, "in")
			which = rapid.IntRange(0, 1).Draw(rt, "side")
			w.put(t, part, places[which], day(at), "")
		}
		leave(now)
		got := w.use(t, part, now)
		if got.Vehicles.Amount != vehicles || got.Hours.Amount != seconds {
			rt.Fatalf("%d vehicles and %d s, and the meters counted %d and %d", got.Vehicles.Amount, got.Hours.Amount, vehicles, seconds)
		}
		if d := float64(vehicles) - 400*(want[0]+want[1]); d >= float64(stays) || d <= -float64(stays) {
			rt.Fatalf("%d vehicles in %d stays, not %v", vehicles, stays, 400*(want[0]+want[1]))
		}
		if d := float64(seconds) - 10080*want[0] - 5040*want[1]; d >= float64(stays) || d <= -float64(stays) {
			rt.Fatalf("%d seconds in %d stays, not %v", seconds, stays, 10080*want[0]+5040*want[1])
		}
		// and it never falls, whenever one asks
		last := int64(0)
		for _, d := range []float64{first, first / 2, first / 3, 0} {
			u := w.use(t, part, day(d)).Vehicles.Amount
			if u < last {
				rt.Fatalf("use falls from %d to %d", last, u)
			}
			last = u
		}
	})
}

func (w wash) fitOnce(t testing.TB, p assets.Position, from time.Time) assets.Unit {
	t.Helper()
	u := w.fit2(t)
	w.put(t, u, p, from, "")
	return u
}

func (w wash) fit2(t testing.TB) assets.Unit {
	t.Helper()
	part := pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (assets.Part, error) {
		return assets.AddPart(tx, sys, now, assets.PartEdit{Number: "MW-" + strings.ToUpper(uuid.NewString()[:8]), Description: "Gearmotor", Class: "gearmotor"})
	})
	return pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (assets.Unit, error) {
		return assets.AddUnit(tx, sys, now, assets.NewUnit{UnitEdit: assets.UnitEdit{PartID: part.ID}})
	})
}

// Two programs, each with connections of its own, take overlapping batches in
// different orders at once: nothing is lost, nothing doubled.
func TestTwoProgramsAtOnce(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	second := pgtest.Open(t, w.service)
	var all []meters.NewReading
	for i := range 600 {
		all = append(all, seen(w.tunnel, day(100).Add(time.Duration(i)*time.Hour), fmt.Sprint(1000+i*20)),
			seen(w.hours, day(100).Add(time.Duration(i)*time.Hour), meters.Hours.Format(3600+int64(i)*360)))
	}
	took := make([]int, 8)
	var wait sync.WaitGroup
	for p := range 8 {
		db := w.db
		if p%2 == 1 {
			db = second
		}
		wait.Go(func() {
			mine := slices.Clone(all)
			rand.New(rand.NewPCG(7, uint64(p))).Shuffle(len(mine), func(i, j int) { mine[i], mine[j] = mine[j], mine[i] })
			for batch := range slices.Chunk(mine, 100) {
				var got []meters.Taken
				err := db.InTx(ctx, sys.ID, func(tx *gorm.DB) (err error) {
					got, err = meters.Take(tx, sys, now, batch)
					return err
				})
				if err != nil {
					t.Error(err)
					return
				}
				for _, r := range got {
					switch r.Outcome {
					case meters.Took:
						took[p]++
					case meters.AlreadyThere:
					default:
						t.Errorf("%+v", r)
					}
				}
			}
		})
	}
	wait.Wait()
	sum := 0
	for _, n := range took {
		sum += n
	}
	if points := len(w.points(t, w.tunnel)) + len(w.points(t, w.hours)); sum != 1200 || points != 1200 {
		t.Errorf("%d were taken and %d are there, of 1200", sum, points)
	}
	w.wantTotal(t, w.tunnel, day(100).Add(599*time.Hour), "12980 read")
}

// The number of statements does not grow with what is asked or sent.
func TestStatementsAreConstant(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	second := w.counter(t, "UMB-2/TC", w.line2.ID)
	u, v := w.fit(t, w.left, day(100)), w.fit(t, w.right, day(100))
	count := func(what string, few, many func(ctx2 *counted) error) {
		t.Helper()
		var n [2]int64
		for i, fn := range []func(*counted) error{few, many} {
			c := newCounted()
			if err := fn(c); err != nil {
				t.Fatalf("%s: %v", what, err)
			}
			n[i] = c.n.Load()
		}
		if n[0] != n[1] || n[1] > 14 {
			t.Errorf("%s: %d statements for few, %d for many", what, n[0], n[1])
		}
	}
	batch := func(from float64, n int) func(*counted) error {
		return func(c *counted) error {
			var in []meters.NewReading
			for i := range n {
				for _, m := range []meters.Meter{w.tunnel, second, w.hours, w.hoursRight}[:2+2*min(n-1, 1)] {
					value := fmt.Sprint(int((101 - from) * 1000))
					if m.Unit == meters.Hours {
						value = meters.Hours.Format(int64((101-from)*7200) / 360 * 360)
					}
					in = append(in, seen(m, day(from).Add(time.Duration(i)*time.Minute), value))
				}
			}
			in = append(in, seen(w.hours, day(from).Add(-time.Minute), meters.Hours.Format(int64((101-from)*7200)/360*360)))
			return w.db.InTx(c.ctx, sys.ID, func(tx *gorm.DB) error {
				_, err := meters.Take(tx, sys, now, in)
				return err
			})
		}
	}
	count("take", batch(100, 1), batch(90, 500))
	asks := func(n int) func(*counted) error {
		return func(c *counted) error {
			var all []meters.Ask
			for i := range n {
				all = append(all, meters.Ask{MeterID: w.tunnel.ID, At: day(float64(i))}, meters.Ask{MeterID: w.hours.ID, At: day(float64(i))})
			}
			_, err := meters.Totals(c.ctx, w.db, sys, meters.PlainDays, all)
			return err
		}
	}
	count("totals", asks(1), asks(300))
	use := func(units ...uuid.UUID) func(*counted) error {
		return func(c *counted) error {
			_, err := meters.UseOf(c.ctx, w.db, sys, meters.PlainDays, units, now)
			return err
		}
	}
	count("use", use(u.ID), use(u.ID, v.ID))
}
