package meters_test

import (
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/assets/meters"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgtest"
)

// The traps into which a naive program falls, as the trade tells them. Figures
// in them are common practice, no source, where nothing else is said.

// Trap 1: storing use instead of readings. What was seen stays as it was typed,
// and the total follows when something about it is put right.
func TestReadingsAreKeptAsTheyWereTyped(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	w.one(t, w.hours, day(30), "1234.5", meters.Took)
	w.take(t, meters.NewReading{MeterID: w.hours.ID, At: day(20), Value: "74700.0", Unit: "min", Source: "controller"})
	all, err := meters.Readings(ctx, w.db, sys, w.hours.ID, access.Page{Limit: 10})
	if err != nil || len(all) != 2 {
		t.Fatalf("%+v %v", all, err)
	}
	if r := all[0]; r.Typed != "74700.0 min" || r.Source != "controller" || r.Value != 4482000 || *r.Total != 4482000 {
		t.Errorf("read %+v", r)
	}
	if r := all[1]; r.Typed != "1234.5 h" || r.Source != "eye" || r.Value != 4444200 || r.RecordedBy != "spindlebook" || !r.ReceivedAt.Equal(now) {
		t.Errorf("read %+v", r)
	}
	w.wantTotal(t, w.hours, day(20), "1245.0 read")
}

// Trap 2: "less than before: error". It is kept, asked about, and moves nothing
// until somebody says what is behind it.
func TestAFallingValueIsAskedAbout(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	m := w.add(t, meters.NewMeter{Edit: meters.Edit{Code: "UMB-1/TOT", Kind: "entrance_counter", Counter: meters.Counter{Modulus: "65536"}}, Unit: meters.Vehicles,
		Thing: meters.Thing{LineID: &w.line.ID}})
	w.one(t, m, day(10), "65412", meters.Took)
	before := w.fingerprint(t)
	got := w.one(t, m, day(9), "118", meters.NeedsExplanation)
	// the trade's own example: 65 412 → 118 would mean 242 vehicles
	if o := offer(t, got, "rolled_over"); !strings.Contains(o.Means, "would mean 242 vehicles") || !o.Fits {
		t.Errorf("offered is %+v", o)
	}
	for _, as := range []string{"reset", "replaced", "mistyped", "wrong_meter"} {
		offer(t, got, as)
	}
	w.wantTotal(t, m, day(9), "65412 extrapolated")
	waits := w.fingerprint(t)
	if waits == before || strings.Count(waits, "\n") != strings.Count(before, "\n")+1 {
		t.Errorf("more than the waiting reading is new:\n%s\n%s", before, waits)
	}
	r := w.explain(t, got.ReadingID, meters.Explanation{As: "rolled_over"})
	if r.State != "counts" || *r.Total != 65412+242 {
		t.Errorf("explained it is %+v", r)
	}
	w.wantTotal(t, m, day(9), "65654 read")
	w.one(t, m, day(8), "400", meters.Took)
	w.wantTotal(t, m, day(8), "65936 read")
	runs, err := meters.Runs(ctx, w.db, sys, m.ID)
	if err != nil || len(runs) != 2 || runs[1].How != "rolled_over" || runs[1].Base != 65536 || runs[1].StartValue != 0 {
		t.Errorf("runs %+v %v", runs, err)
	}
}

// Trap 3: the time at which it was typed is not the time at which it was seen. A
// month of readings entered in one batch on the 30th is a month of days.
func TestABatchTypedLateKeepsItsDays(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	var in []meters.NewReading
	for d := range 30 { // entered in any order
		in = append(in, seen(w.tunnel, day(float64(1+(d*7)%30)), meters.Vehicles.Format(int64(20000-300*((d*7)%30)))))
	}
	for i, got := range w.take(t, in...) {
		if got.Outcome != meters.Took {
			t.Fatalf("item %d: %+v", i, got)
		}
	}
	for d := 29; d >= 1; d-- {
		a, _ := meters.At(ctx, w.db, sys, meters.PlainDays, w.tunnel.ID, day(float64(d)))
		b, _ := meters.At(ctx, w.db, sys, meters.PlainDays, w.tunnel.ID, day(float64(d+1)))
		if a.Amount-b.Amount != 300 {
			t.Errorf("the day that ended %d days ago has %d vehicles, not 300", d, a.Amount-b.Amount)
		}
	}
}

// evenings counts use only between days in its list, as a profile would.
type winter struct{ meters.CalendarDays }

func (w winter) Days(from, to time.Time) float64 {
	days := 0.0
	for t := from; t.Before(to); t = t.Add(time.Hour) {
		if m := t.Month(); m == time.February {
			days += 2.0 / 24
		} else {
			days += 0.5 / 24
		}
	}
	return days
}

// Trap 4: averaging a year to project February. How days count is the caller's:
// with a profile by which a day of February counts four times as much, the line
// between two readings bends.
func TestTheLineBetweenReadingsFollowsTheProfile(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	jan, feb, mar := time.Date(2025, 1, 4, 6, 0, 0, 0, time.UTC), time.Date(2025, 2, 1, 6, 0, 0, 0, time.UTC), time.Date(2025, 3, 1, 6, 0, 0, 0, time.UTC)
	w.one(t, w.tunnel, jan, "10000", meters.Took)
	w.one(t, w.tunnel, mar, "20000", meters.Took)
	w.wantTotal(t, w.tunnel, feb, "15000 interpolated")
	got, err := meters.At(ctx, w.db, sys, func(s meters.Site, u meters.Unit) (meters.Days, error) {
		if u != meters.Vehicles || s.Climate != "snowbelt" || s.Size != "medium" || s.Zone != "America/Chicago" || s.TurnsAt != "03:00" {
			t.Errorf("the scale is asked for %+v", s)
		}
		return winter{}, nil
	}, w.tunnel.ID, feb)
	if err != nil || got.Amount < 11900 || got.Amount > 12100 {
		t.Errorf("by the profile it is %+v %v, not about 12 000", got, err)
	}
}

// Trap 5: one constant for hours per vehicle. It is learnt for each position from
// what was read together, and a new one leaves what was computed before alone.
func TestHoursPerVehicleAreLearntAndDated(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	computed := w.add(t, meters.NewMeter{Edit: meters.Edit{Code: "UMB-1/HC-L", Kind: "computed"}, Unit: meters.Hours, Thing: meters.Thing{PositionID: &w.left.ID}})
	// 26.4 s a vehicle in the first weeks, 34.2 s later: the line runs slower
	var in []meters.NewReading
	vehicles, seconds := int64(1000), int64(360000)
	for d := 60; d >= 0; d-- {
		in = append(in, seen(w.tunnel, day(float64(d)), meters.Vehicles.Format(vehicles)), seen(w.hours, day(float64(d)), meters.Hours.Format(seconds)))
		vehicles += 300
		if d > 30 {
			seconds += 300 * 264 / 10
		} else {
			seconds += 300 * 342 / 10
		}
	}
	for _, got := range w.take(t, in...) {
		if got.Outcome != meters.Took {
			t.Fatalf("%+v %v", got, got.Fault)
		}
	}
	derive := func(f meters.NewFormula) {
		t.Helper()
		pgtest.Done(t, w.db, sys, func(tx *gorm.DB) ([]meters.Formula, error) { return meters.Derive(tx, sys, now, computed.ID, f) })
	}
	of := []meters.Term{{MeterID: w.tunnel.ID, Weight: 1}}
	derive(meters.NewFormula{From: day(30), Terms: of, LearnFrom: &w.hours.ID})
	all, err := meters.Formulas(ctx, w.db, sys, computed.ID)
	if err != nil || len(all) != 1 || all[0].Ratio < 26 || all[0].Ratio > 27 || *all[0].LearntN < 20 {
		t.Fatalf("learnt %+v %v", all, err)
	}
	then := w.total(t, computed, day(10))
	if then != "44.0 computed" { // 20 days of 300 vehicles of 26.4 s
		t.Errorf("after 20 days it is %s", then)
	}
	derive(meters.NewFormula{From: day(5), Terms: of, Ratio: 34.2})
	w.wantTotal(t, computed, day(10), then)
	w.wantTotal(t, computed, now, "69.25 computed") // 25 days of 26.4 s and 5 of 34.2 s
	l := pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (meters.Learnt, error) { return meters.Learn(tx, sys, w.hours.ID, of, now) })
	if l.Low < 26 || l.Low > l.Ratio || l.Ratio > l.High || l.High > 35 {
		t.Errorf("learnt %+v", l)
	}
	_, err = pgtest.Write(w.db, sys, func(tx *gorm.DB) ([]meters.Formula, error) {
		return meters.Derive(tx, sys, now, computed.ID, meters.NewFormula{From: day(20), Terms: of, Ratio: 1})
	})
	pgtest.Refused(t, "a formula for the past", err, fault.Conflict, "from")
}

// A meter of run hours that departs from what is usual for its brush is noticed:
// beyond a quarter with a word, beyond half it waits.
func TestHoursBesideVehicles(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	var in []meters.NewReading
	vehicles, seconds := int64(1000), int64(360000)
	for d := 40; d >= 2; d-- {
		in = append(in, seen(w.tunnel, day(float64(d)), meters.Vehicles.Format(vehicles)), seen(w.hours, day(float64(d)), meters.Hours.Format(seconds)))
		vehicles, seconds = vehicles+300, seconds+7920
	}
	w.take(t, in...)
	vehicles, seconds = vehicles-300, seconds-7920 // as read two days ago
	w.one(t, w.tunnel, day(0), meters.Vehicles.Format(vehicles+600), meters.Took)
	fine := w.one(t, w.hours, day(0.9), meters.Hours.Format(seconds+9000), meters.Took)
	if fine.Says != "" {
		t.Errorf("26 seconds a vehicle are usual: %+v", fine)
	}
	w.void(t, fine.ReadingID)
	noted := w.one(t, w.hours, day(0.5), meters.Hours.Format(seconds+7920*3/2*14/10), meters.Took)
	if !strings.Contains(noted.Says, "are usual here") {
		t.Errorf("40 %% more is not noted: %+v", noted)
	}
	w.void(t, noted.ReadingID)
	off := w.one(t, w.hours, day(0), meters.Hours.Format(seconds+7920*2*18/10), meters.NeedsExplanation)
	if off.Doubt != "ratio" || !strings.Contains(off.Says, "are usual here") {
		t.Errorf("80 %% more: %+v", off)
	}
	if o := offer(t, off, "as_seen"); !strings.Contains(o.Means, "it is right") {
		t.Errorf("offered %+v", o)
	}
	w.explain(t, off.ReadingID, meters.Explanation{As: "as_seen", Reason: "brush was left on over night"})
	w.wantTotal(t, w.hours, now, meters.Hours.Format(seconds+7920*2*18/10)+" read")
}

// fleet gives a new gearmotor, fitted into a position.
func (w wash) fit(t testing.TB, p assets.Position, from time.Time) assets.Unit {
	t.Helper()
	part := pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (assets.Part, error) {
		return assets.AddPart(tx, sys, now, assets.PartEdit{Number: "MW-" + strings.ToUpper(uuid.NewString()[:8]), Description: "Gearmotor", Class: "gearmotor"})
	})
	u := pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (assets.Unit, error) {
		return assets.AddUnit(tx, sys, now, assets.NewUnit{UnitEdit: assets.UnitEdit{PartID: part.ID, StartHours: new(0.0), StartVehicles: new(int64(0))}})
	})
	w.put(t, u, p, from, "")
	return u
}

func (w wash) slot(t testing.TB, p assets.Position) *uuid.UUID {
	t.Helper()
	rows, err := pgdb.Read[struct{ ID uuid.UUID }](ctx, w.db, sys.ID, `select id from slot where position_id = @p and code = 'gearmotor'`, map[string]any{"p": p.ID})
	if err != nil || len(rows) != 1 {
		t.Fatal(rows, err)
	}
	return &rows[0].ID
}

func (w wash) put(t testing.TB, u assets.Unit, p assets.Position, from time.Time, reason string) {
	t.Helper()
	pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (assets.Stay, error) {
		return assets.Put(tx, sys, now, assets.Putting{UnitID: u.ID, Place: assets.Place{SlotID: w.slot(t, p)}, From: &from, Reason: reason})
	})
}

func (w wash) bench(t testing.TB, u assets.Unit, from time.Time) {
	t.Helper()
	l := pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (assets.Location, error) {
		return assets.AddLocation(tx, sys, now, assets.NewLocation{Code: strings.ToUpper(uuid.NewString()[:8]), Name: "Bench", Kind: "bench"})
	})
	pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (assets.Stay, error) {
		return assets.Put(tx, sys, now, assets.Putting{UnitID: u.ID, Place: assets.Place{LocationID: &l.ID}, From: &from, Reason: "precaution"})
	})
}

func (w wash) use(t testing.TB, u assets.Unit, at time.Time) meters.Use {
	t.Helper()
	got, err := meters.UseOfOne(ctx, w.db, sys, meters.PlainDays, u.ID, at)
	if err != nil {
		t.Fatal(err)
	}
	return got
}

// Trap 6: the component restarts when it is replaced, the meter does not.
func TestTheMeterGoesOnWhenAComponentIsReplaced(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	old := w.fit(t, w.left, day(100))
	w.one(t, w.hours, day(100), "5000.0", meters.Took)
	w.one(t, w.hours, day(50), "5300.0", meters.Took)
	w.bench(t, old, day(50))
	fresh := w.fit(t, w.left, day(50))
	w.one(t, w.hours, day(10), "5500.0", meters.Took)
	w.wantTotal(t, w.hours, day(10), "5500.0 read")
	for _, c := range []struct {
		u    assets.Unit
		want int64
	}{{old, 300 * 3600}, {fresh, 200 * 3600}} {
		if got := w.use(t, c.u, day(10)); got.Hours.Amount != c.want || got.Hours.Grade != meters.Seen || !got.Hours.Known {
			t.Errorf("%s has done %+v, not %d", c.u.Tag, got.Hours, c.want)
		}
	}
	if got := w.use(t, old, day(10)); got.Days != 50 {
		t.Errorf("fitted for %d days, not 50", got.Days)
	}
}

// Trap 7: adding both lines' counters to one brush, or forgetting to add them
// for the compressor that serves both.
func TestOneLineForABrushAndBothForTheCompressor(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	second := w.counter(t, "UMB-2/TC", w.line2.ID)
	both := w.add(t, meters.NewMeter{Edit: meters.Edit{Code: "UMB/AIR-V", Kind: "computed", Counts: "vehicles of both lines"}, Unit: meters.Vehicles,
		Thing: meters.Thing{PositionID: &w.air.ID, Primary: true}})
	pgtest.Done(t, w.db, sys, func(tx *gorm.DB) ([]meters.Formula, error) {
		return meters.Derive(tx, sys, now, both.ID, meters.NewFormula{From: day(20), Ratio: 1, Terms: []meters.Term{{MeterID: w.tunnel.ID, Weight: 1}, {MeterID: second.ID, Weight: 1}}})
	})
	w.take(t, seen(w.tunnel, day(20), "1000"), seen(second, day(20), "50000"), seen(w.tunnel, day(0), "5000"), seen(second, day(0), "52000"))
	u := w.fit(t, w.left, day(20))
	if got := w.use(t, u, now).Vehicles; got.Amount != 4000 || got.Grade != meters.Seen {
		t.Errorf("the brush washed %+v, not the 4000 of its line", got)
	}
	w.wantTotal(t, both, now, "6000 computed")
}

// Trap 8: deleting a wrong reading. It is voided with its reason, stays to be
// seen, and totals are as if it had never been taken.
func TestAWrongReadingIsVoidedAndStays(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	w.one(t, w.tunnel, day(10), "40000", meters.Took)
	before := w.fingerprint(t)
	wrong := w.one(t, w.tunnel, day(9), "42000", meters.Took)
	later := w.one(t, w.tunnel, day(8), "40500", meters.NeedsExplanation)
	_, err := pgtest.Write(w.db, sys, func(tx *gorm.DB) (meters.Reading, error) { return meters.Void(tx, sys, now, wrong.ReadingID, " ") })
	pgtest.Refused(t, "without a reason", err, fault.Invalid, "reason")
	if r := w.void(t, wrong.ReadingID); r.State != "voided" || *r.Act != "voided" || *r.Reason != "not ours" || r.Total != nil {
		t.Errorf("voided it is %+v", r)
	}
	// what waited because of it counts now
	w.wantTotal(t, w.tunnel, day(8), "40500 read")
	w.void(t, later.ReadingID)
	if after := w.fingerprint(t); after != before {
		t.Errorf("before\n%s\nafter\n%s", before, after)
	}
	all, err := meters.Readings(ctx, w.db, sys, w.tunnel.ID, access.Page{Limit: 10})
	if err != nil || len(all) != 3 {
		t.Errorf("to be seen are %+v %v", all, err)
	}
	_, err = pgtest.Write(w.db, sys, func(tx *gorm.DB) (meters.Reading, error) { return meters.Void(tx, sys, now, wrong.ReadingID, "again") })
	pgtest.Refused(t, "a second time", err, fault.Conflict, "")
	// the instant is free again
	w.one(t, w.tunnel, day(9), "40200", meters.Took)
	m := w.meter(t, w.tunnel)
	if m.ChangedAt == nil || m.ChangedFrom.After(day(9)) {
		t.Errorf("nobody is told that totals moved: %+v", m)
	}
}

func (w wash) meter(t testing.TB, m meters.Meter) meters.Meter {
	t.Helper()
	got, err := meters.One(ctx, w.db, sys, m.ID)
	if err != nil {
		t.Fatal(err)
	}
	return got
}

// Trap 9: losing what a unit has done when it moves to another site.
func TestUseFollowsAUnitToAnotherSite(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	_, line, _, there := w.place(t, "THO", w.customer.ID)
	theirs := w.add(t, meters.NewMeter{SiteID: line.SiteID, Edit: meters.Edit{Code: "THO-1/TC", Kind: "entrance_counter"}, Unit: meters.Vehicles, Thing: meters.Thing{LineID: &line.ID, Primary: true}})
	hours := w.add(t, meters.NewMeter{SiteID: line.SiteID, Edit: meters.Edit{Code: "THO-1/H-R", Kind: "hour_meter", Counter: meters.Counter{Decimals: 1}}, Unit: meters.Hours, Thing: meters.Thing{PositionID: &there.ID, Primary: true}})
	u := w.fit(t, w.left, day(90))
	w.bench(t, u, day(60))
	w.put(t, u, there, day(40), "")
	w.take(t, seen(w.tunnel, day(90), "10000"), seen(w.tunnel, day(60), "20000"), seen(w.tunnel, day(0), "40000"), seen(w.hours, day(90), "100.0"), seen(w.hours, day(60), "173.5"),
		seen(theirs, day(40), "70000"), seen(theirs, day(0), "77000"), seen(hours, day(40), "9000.2"), seen(hours, day(0), "9051.7"))
	got := w.use(t, u, now)
	if got.Vehicles.Amount != 17000 || got.Hours.Amount != 73.5*3600+51.5*3600 || got.Days != 70 || got.Vehicles.Grade != meters.Seen || got.Hours.Grade != meters.Seen {
		t.Errorf("it has done %+v", got)
	}
	if at := w.use(t, u, day(50)); at.Vehicles.Amount != 10000 || at.Days != 30 {
		t.Errorf("on the bench it had done %+v", at)
	}
}

// Trap 10: local midnight and daylight saving. In Chicago the Sunday of 9 March
// 2025 has 23 hours and that of 2 November 2025 has 25 (the zone's rules,
// 15 U.S.C. 260a); each is one day of use.
func TestADayOfAnyLengthIsOneDay(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	chicago, err := time.LoadLocation("America/Chicago")
	if err != nil {
		t.Fatal(err)
	}
	at := func(d, h int) time.Time { return time.Date(2025, 3, d, h, 0, 0, 0, chicago) }
	w.one(t, w.tunnel, at(8, 0), "10000", meters.Took)
	w.one(t, w.tunnel, at(11, 0), "10900", meters.Took)
	w.wantTotal(t, w.tunnel, at(9, 0), "10300 interpolated")
	w.wantTotal(t, w.tunnel, at(10, 0), "10600 interpolated")
	days := meters.CalendarDays{Zone: chicago}
	for _, c := range []struct{ from, to time.Time }{{at(9, 0), at(10, 0)}, {time.Date(2025, 11, 2, 0, 0, 0, 0, chicago), time.Date(2025, 11, 3, 0, 0, 0, 0, chicago)}} {
		if got := days.Days(c.from, c.to); got != 1 {
			t.Errorf("%s has %v days", c.from, got)
		}
	}
	// noon of the short day is at 11/23 of it
	if got := days.Days(at(9, 0), at(9, 12)); got < 11.0/23-1e-9 || got > 11.0/23+1e-9 {
		t.Errorf("noon is at %v", got)
	}
}

// Trap 11: seconds in 32 bits, and hours as binary fractions that lose tenths.
func TestHoursLoseNoTenthAndOverflowNothing(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	m := w.add(t, meters.NewMeter{Edit: meters.Edit{Code: "UMB-1/DRV", Kind: "drive_hours", Counter: meters.Counter{Shows: "s"}}, Unit: meters.Hours, Thing: meters.Thing{PositionID: &w.left.ID}})
	w.one(t, m, day(3), "2147483647", meters.Took) // the last second that 32 bits hold
	w.one(t, m, day(2), "2147483648", meters.Took)
	w.one(t, m, day(1), "2147513648", meters.Took)
	w.wantTotal(t, m, day(1), "596531.5688 read") // 2 147 513 648 / 3600 = 596 531.568 8…
	// ten thousand tenths, each read, are a thousand hours
	var in []meters.NewReading
	for i := range 1001 {
		in = append(in, seen(w.hours, day(60).Add(time.Duration(i)*6*time.Minute), meters.Hours.Format(int64(i)*360)))
	}
	for i, got := range w.take(t, in...) {
		if got.Outcome != meters.Took {
			t.Fatalf("item %d: %+v", i, got)
		}
	}
	w.wantTotal(t, w.hours, day(60).Add(1000*6*time.Minute), "100.0 read")
}

// Trap 12: a zero day is no missing day, and a missing day no zero day.
func TestAZeroDayIsNoMissingDay(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	w.one(t, w.tunnel, day(6), "10000", meters.Took)
	w.one(t, w.tunnel, day(5), "10000", meters.Took) // closed for a storm
	w.one(t, w.tunnel, day(2), "10900", meters.Took) // and nobody read it on two days
	w.wantTotal(t, w.tunnel, day(5), "10000 read")
	w.wantTotal(t, w.tunnel, day(4), "10300 interpolated")
	w.wantTotal(t, w.tunnel, day(5.5), "10000 interpolated")
}

// Trap 13: 12 345.6 h is not 123 456 h. What may have been meant is offered.
func TestTenthsTypedAsWholeAreNoticed(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	m := w.add(t, meters.NewMeter{Edit: meters.Edit{Code: "UMB-1/H5", Kind: "hour_meter", Counter: meters.Counter{Digits: new(6), Decimals: 1}}, Unit: meters.Hours, Thing: meters.Thing{PositionID: &w.left.ID}})
	w.one(t, m, day(30), "12300.0", meters.Took)
	got := w.one(t, m, day(20), "123456", meters.NeedsExplanation)
	if o := offer(t, got, "mistyped"); o.Value != "12345.6" || o.Unit != "h" || !strings.Contains(o.Means, "tenths typed as whole") {
		t.Errorf("offered is %+v", o)
	}
	r := w.explain(t, got.ReadingID, meters.Explanation{As: "mistyped", Value: "12345.6"})
	if r.State != "counts" || r.Typed != "12345.6 h" {
		t.Errorf("it is %+v", r)
	}
	w.wantTotal(t, m, day(20), "12345.6 read")
	old, err := meters.OneReading(ctx, w.db, sys, now, got.ReadingID)
	if err != nil || old.State != "superseded" || *old.ByID != r.ID || *old.Act != "mistyped" {
		t.Errorf("the one before is %+v %v", old, err)
	}
	// minutes and seconds where hours were meant
	got = w.one(t, m, day(19), "740760", meters.NeedsExplanation) // 12 346.0 h in minutes
	if o := offer(t, got, "mistyped"); o.Value != "12346.0" {
		t.Errorf("offered is %+v", o)
	}
	// two neighbouring digits exchanged
	got = w.one(t, m, day(18), "12534.6", meters.NeedsExplanation)
	if o := offer(t, got, "mistyped"); o.Value != "12354.6" || !strings.Contains(o.Means, "exchanged") {
		t.Errorf("offered is %+v", o)
	}
}

// Trap 14: two systems are both "the" count. One leads; more than 5 % between
// them is a finding.
func TestTwoCountersOfOneLineAreReconciled(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	sales := w.add(t, meters.NewMeter{Edit: meters.Edit{Code: "UMB-1/POS", Kind: "point_of_sale"}, Unit: meters.Vehicles, Thing: meters.Thing{LineID: &w.line.ID}})
	_, err := pgtest.Write(w.db, sys, func(tx *gorm.DB) (meters.Meter, error) {
		return meters.Add(tx, sys, now, meters.NewMeter{SiteID: w.site.ID, From: &began, Unit: meters.Vehicles, Edit: meters.Edit{Code: "UMB-1/X", Kind: "wash_counter"}, Thing: meters.Thing{LineID: &w.line.ID, Primary: true}})
	})
	pgtest.Refused(t, "a second one that leads", err, fault.Conflict, "primary")
	w.take(t, seen(w.tunnel, day(60), "1000"), seen(w.tunnel, day(31), "10000"), seen(w.tunnel, day(1), "20000"), seen(sales, day(41), "500"), seen(sales, day(1), "13500"))
	got, err := meters.Reconcile(ctx, w.db, sys, meters.PlainDays, w.site.ID)
	if err != nil || len(got) != 1 || got[0].PrimaryID != w.tunnel.ID || got[0].OtherID != sales.ID || got[0].Counted != 10000 || got[0].OtherDid != 9750 {
		t.Fatalf("%+v %v", got, err)
	}
	findings := func() []string { return w.findings(t) }
	if f := findings(); strings.Contains(strings.Join(f, "\n"), "gap") {
		t.Errorf("2.5 %% less is usual at the till: %v", f)
	}
	w.one(t, sales, day(0), "15000", meters.Took)
	w.one(t, w.tunnel, day(0), "20000", meters.Took)
	if f := findings(); !strings.Contains(strings.Join(f, "\n"), "gap UMB-1/POS") {
		t.Errorf("a gap is not told: %v", f)
	}
}

func (w wash) findings(t testing.TB) (all []string) {
	t.Helper()
	found, err := meters.Findings(ctx, w.db, sys, now, meters.PlainDays, w.site.ID)
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range found {
		all = append(all, f.Kind+" "+f.Meter+" "+f.Says)
	}
	return all
}

// Trap 15: a meter belongs to the output of a panel, and outputs get reassigned:
// output 14 was the left brush until the rebuild and is the right one since.
func TestAnOutputIsReassigned(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	left, right := w.fit(t, w.left, day(100)), w.fit(t, w.right, day(100))
	w.take(t, seen(w.hours, day(100), "1000.0"), seen(w.hours, day(40), "1100.0"), seen(w.hours, day(0), "1180.0"),
		seen(w.hoursRight, day(100), "2000.0"), seen(w.hoursRight, day(40), "2300.0"))
	place := func(m meters.Meter, p assets.Position, primary bool) error {
		_, err := pgtest.Write(w.db, sys, func(tx *gorm.DB) ([]meters.Placement, error) {
			return meters.Place(tx, sys, now, m.ID, day(40), meters.Thing{PositionID: &p.ID, Primary: primary})
		})
		return err
	}
	pgtest.Refused(t, "while the other one leads there", place(w.hours, w.right, true), fault.Conflict, "primary")
	if err := place(w.hoursRight, w.air, true); err != nil {
		t.Fatal(err)
	}
	if err := place(w.hours, w.right, true); err != nil {
		t.Fatal(err)
	}
	if got := w.use(t, left, now).Hours; got.Amount != 100*3600 || got.Grade != meters.Default {
		t.Errorf("the left one has done %+v: 100 h, and nobody knows since", got)
	}
	if got := w.use(t, right, now).Hours; got.Amount != 380*3600 || got.Grade != meters.Seen {
		t.Errorf("the right one has done %+v, not 300 and 80", got)
	}
	all, err := meters.Placements(ctx, w.db, sys, w.hours.ID)
	if err != nil || len(all) != 2 || all[0].Code != w.left.Code || !all[0].Until.Equal(day(40)) || all[1].Code != w.right.Code || all[1].Until != nil {
		t.Errorf("it belonged to %+v %v", all, err)
	}
	pgtest.Refused(t, "before it came there", place(w.hours, w.left, false), fault.Conflict, "from")
}
