package outlook_test

import (
	"context"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/assets/meters"
	"spindlebook/internal/assets/meters/outlook"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgtest"
	"spindlebook/internal/usage"
	"spindlebook/internal/usage/wash"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

var (
	ctx   = context.Background()
	now   = time.Date(2026, 11, 25, 15, 30, 0, 0, time.UTC)
	began = now.AddDate(-3, 0, 0)
	sys   = access.System
)

func done[T any](t testing.TB, db *pgdb.DB, fn func(tx *gorm.DB) (T, error)) T {
	t.Helper()
	var it T
	if err := db.InTx(ctx, sys.ID, func(tx *gorm.DB) (err error) {
		it, err = fn(tx)
		return err
	}); err != nil {
		t.Fatal(err)
	}
	return it
}

type world struct {
	db    *pgdb.DB
	owner assets.Customer
}

func newWorld(t testing.TB) world {
	t.Helper()
	w := world{db: pgtest.New(t)}
	w.owner = done(t, w.db, func(tx *gorm.DB) (assets.Customer, error) {
		return assets.AddCustomer(tx, sys, began, assets.CustomerEdit{Code: "HAD", Name: "Hadrelle Wash Group"})
	})
	return w
}

// site adds a site with a line.
func (w world) site(t testing.TB, code string) (assets.Site, assets.Line) {
	t.Helper()
	s := done(t, w.db, func(tx *gorm.DB) (assets.Site, error) {
		return assets.AddSite(tx, sys, began, w.owner.ID, &began, assets.SiteEdit{Code: code, Name: code + " Express", Zone: "America/Los_Angeles", Currency: "USD",
			Climate: "snowbelt", Size: "medium", DriverSide: "left"})
	})
	return s, done(t, w.db, func(tx *gorm.DB) (assets.Line, error) {
		return assets.AddLine(tx, sys, began, s.ID, &began, assets.LineEdit{Code: code + "-1", VehiclesPerHourMax: new(200)})
	})
}

func (w world) meter(t testing.TB, site assets.Site, in meters.NewMeter) meters.Meter {
	t.Helper()
	in.SiteID, in.From = site.ID, &began
	return done(t, w.db, func(tx *gorm.DB) (meters.Meter, error) { return meters.Add(tx, sys, now, in) })
}

func (w world) tunnel(t testing.TB, site assets.Site, line assets.Line, code string) meters.Meter {
	t.Helper()
	return w.meter(t, site, meters.NewMeter{Edit: meters.Edit{Code: code, Kind: "entrance_counter"}, Unit: meters.Vehicles, Thing: meters.Thing{LineID: &line.ID, Primary: true}})
}

// take records what a counter stood at each so many days, of a wash that is made
// up by a seed, in the evening.
func (w world) take(t testing.TB, m meters.Meter, seed uint64, days, every int) []meters.NewReading {
	t.Helper()
	zone, _ := time.LoadLocation("America/Los_Angeles")
	first := now.AddDate(0, 0, -days)
	perDay, err := wash.Vehicles(wash.Site{Climate: "snowbelt", Size: "medium", Seed: seed}, time.Date(first.Year(), first.Month(), first.Day(), 0, 0, 0, 0, time.UTC), days)
	if err != nil {
		t.Fatal(err)
	}
	var in []meters.NewReading
	total := 0
	for i, n := range perDay {
		total += n
		if (days-1-i)%every == 0 {
			in = append(in, meters.NewReading{MeterID: m.ID, At: time.Date(first.Year(), first.Month(), first.Day()+i, 20, 5, 0, 0, zone), Value: fmt.Sprint(total), Source: "gateway"})
		}
	}
	for _, got := range done(t, w.db, func(tx *gorm.DB) ([]meters.Taken, error) { return meters.Take(tx, sys, now, in) }) {
		if got.Outcome != meters.Took {
			t.Fatalf("%+v %v", got, got.Fault)
		}
	}
	return in
}

func (w world) calendars(t testing.TB, sites ...assets.Site) *outlook.Calendars {
	t.Helper()
	ids := make([]uuid.UUID, len(sites))
	for i, s := range sites {
		ids[i] = s.ID
	}
	c, err := outlook.Of(ctx, w.db, sys, now, ids...)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func (w world) ahead(t testing.TB, c *outlook.Calendars, all ...meters.Meter) map[uuid.UUID]*outlook.View {
	t.Helper()
	ids := make([]uuid.UUID, len(all))
	for i, m := range all {
		ids[i] = m.ID
	}
	v, err := outlook.Ahead(ctx, w.db, sys, now, c, ids...)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func named(s assets.Site) meters.Site {
	return meters.Site{ID: s.ID, Zone: s.Zone, Climate: s.Climate, Size: s.Size, TurnsAt: s.DayTurnsAt}
}

// A counter read each evening and one read each month look ahead by what they
// stood at, and say how they come to it.
func TestAMeterLooksAhead(t *testing.T) {
	w := newWorld(t)
	site, line := w.site(t, "UMB")
	daily, monthly, never := w.tunnel(t, site, line, "UMB-1/TC"), w.meter(t, site, meters.NewMeter{Edit: meters.Edit{Code: "UMB-1/WC", Kind: "wash_counter"}, Unit: meters.Vehicles, Thing: meters.Thing{LineID: &line.ID}}),
		w.meter(t, site, meters.NewMeter{Edit: meters.Edit{Code: "UMB-1/POS", Kind: "point_of_sale"}, Unit: meters.Vehicles, Thing: meters.Thing{LineID: &line.ID}})
	last := w.take(t, daily, 1, 500, 1)
	w.take(t, monthly, 1, 500, 30)
	views := w.ahead(t, w.calendars(t, site), daily, monthly, never)

	v := views[daily.ID]
	if got := fmt.Sprint(v.Last().Total); got != last[len(last)-1].Value {
		t.Errorf("stands at %s, not %s", got, last[len(last)-1].Value)
	}
	if v.Every != 24*time.Hour && v.Every != 25*time.Hour {
		t.Errorf("read every %v", v.Every)
	}
	if next := v.Next(); next.Before(now) || next.After(now.Add(24*time.Hour)) {
		t.Errorf("to be read again %v", next)
	}
	// the figure in the words times the days to the date is what is left, by the season's level
	stone := v.Milestone()
	f := v.Forecast(stone - float64(v.Last().Total))
	days := f.Likely.Sub(v.Last().At).Hours() / 24
	if math.Mod(stone, 5000) != 0 || days < 8 || days > 150 {
		t.Errorf("%.0f is some %.0f days away", stone, days)
	}
	if s := v.Sentence(f, now); !strings.HasPrefix(s, "at about ") || !strings.Contains(s, "by a count read yesterday") {
		t.Errorf("says %q", s)
	}
	if p := v.Pace(now); !strings.HasPrefix(p, "about ") || !strings.Contains(p, " a day") || strings.Contains(p, " h ") {
		t.Errorf("runs %q", p)
	}
	if b, ok := v.Expect(now.AddDate(0, 0, 20)); !ok || !(b.Low < b.Likely && b.Likely < b.High) || b.Low < float64(v.Last().Total) {
		t.Errorf("expected %+v %v", b, ok)
	}
	// read by the month, the same vehicles give the same rate
	if a, b := v.Rate.PerDay, views[monthly.ID].Rate.PerDay; math.Abs(a/b-1) > 0.05 {
		t.Errorf("%.0f a day by the day, %.0f by the month", a, b)
	}
	n := views[never.ID]
	if n.Known() || n.Pace(now) != "" || !n.Next().IsZero() || n.Milestone() != 0 {
		t.Errorf("%+v", n)
	}
	if _, ok := n.Expect(now); ok {
		t.Error("what was never read is expected somewhere")
	}
}

// A site that is closed on Mondays counts nothing on Mondays, and until its
// hours were changed it did.
func TestClosedDaysAreNoDaysOfUse(t *testing.T) {
	w := newWorld(t)
	site, _ := w.site(t, "UMB")
	always := w.calendars(t, site)
	week := func(days ...int) (all []assets.WeeklyHours) {
		for _, d := range days {
			all = append(all, assets.WeeklyHours{Kind: "open", Weekday: d, Starts: "08:00", Minutes: 720})
		}
		return all
	}
	change := now.AddDate(0, -6, 0)
	s := done(t, w.db, func(tx *gorm.DB) (assets.Site, error) {
		s, _, err := assets.ReplaceHours(tx, sys, began, site.ID, site.Version, week(1, 2, 3, 4, 5, 6, 7))
		return s, err
	})
	done(t, w.db, func(tx *gorm.DB) (assets.Site, error) {
		s, _, err := assets.ReplaceHours(tx, sys, change, site.ID, s.Version, week(2, 3, 4, 5, 6, 7))
		return s, err
	})
	zone, _ := time.LoadLocation(site.Zone)
	count := func(c *outlook.Calendars, y int, m time.Month, d int) float64 {
		t.Helper()
		laid, err := c.At(named(site), meters.Vehicles)
		if err != nil {
			t.Fatal(err)
		}
		from := time.Date(y, m, d, 3, 0, 0, 0, zone)
		return laid.Days(from, from.AddDate(0, 0, 1))
	}
	closing := w.calendars(t, site)
	for _, c := range []struct {
		what string
		got  float64
		want bool
	}{
		{"a Monday now", count(closing, 2026, 11, 16), false},
		{"a Tuesday now", count(closing, 2026, 11, 17), true},
		{"a Monday a year before", count(closing, 2025, 11, 17), true},
		{"a Monday of a site without hours", count(always, 2026, 11, 16), true},
		{"a Monday to come", count(closing, 2027, 3, 1), false},
	} {
		if (c.got > 0) != c.want {
			t.Errorf("%s counts %.2f days", c.what, c.got)
		}
	}
	// the seam of package meters is filled with the same days
	days, err := closing.Scale(named(site), meters.Vehicles)
	if err != nil {
		t.Fatal(err)
	}
	if got, want := days.Days(now.AddDate(0, 0, -30), now), count(closing, 2026, 11, 17); got < 15 || got > 30 || want <= 0 {
		t.Errorf("30 days count %.1f", got)
	}
}

// Between two readings a total lies where the use of the days puts it: a site
// washes on Saturday two and a half times what it does on Tuesday.
func TestTotalsLieWhereTheProfilePutsThem(t *testing.T) {
	w := newWorld(t)
	site, line := w.site(t, "UMB")
	m := w.tunnel(t, site, line, "UMB-1/TC")
	zone, _ := time.LoadLocation(site.Zone)
	at := func(d int) time.Time { return time.Date(2026, 11, d, 3, 0, 0, 0, zone) }
	done(t, w.db, func(tx *gorm.DB) ([]meters.Taken, error) {
		return meters.Take(tx, sys, now, []meters.NewReading{{MeterID: m.ID, At: at(9), Value: "0"}, {MeterID: m.ID, At: at(16), Value: "700"}})
	})
	total := func(d int) int64 {
		t.Helper()
		got, err := meters.At(ctx, w.db, sys, w.calendars(t, site).Scale, m.ID, at(d))
		if err != nil {
			t.Fatal(err)
		}
		return got.Amount
	}
	p, err := usage.TradeProfile("snowbelt", "medium")
	if err != nil {
		t.Fatal(err)
	}
	// 9 November 2026 is a Monday; the sum of a week is 7
	for d, want := range map[int]float64{11: p.Weekday[1] + p.Weekday[2], 15: 7 - p.Weekday[0]} {
		if got := total(d); math.Abs(float64(got)-100*want) > 1 {
			t.Errorf("on the %dth it stood at %d, not %.0f", d, got, 100*want)
		}
	}
}

// Run hours sway less with the season than vehicles do, so that a total of an hour
// meter between two readings lies by the days of hours: here every day is alike,
// while vehicles keep to the trade's year. A computed meter goes by what it is
// computed from.
func TestHoursLieWhereTheDaysOfHoursPutThem(t *testing.T) {
	w := newWorld(t)
	site, line := w.site(t, "UMB")
	vehicles := w.tunnel(t, site, line, "UMB-1/TC")
	hours := w.meter(t, site, meters.NewMeter{Edit: meters.Edit{Code: "UMB-1/H", Kind: "hour_meter", Counter: meters.Counter{Decimals: 1}}, Unit: meters.Hours, Thing: meters.Thing{LineID: &line.ID, Primary: true}})
	computed := w.meter(t, site, meters.NewMeter{Edit: meters.Edit{Code: "UMB-1/HC", Kind: "computed"}, Unit: meters.Hours, Thing: meters.Thing{LineID: &line.ID}})
	var rows []meters.Factor
	for part, n := range map[string]int{"month": 12, "weekday": 7} {
		for i := range n {
			rows = append(rows, meters.Factor{Climate: new("snowbelt"), Size: new("medium"), Unit: meters.Hours, Part: part, Ordinal: i + 1, Factor: 1, Meters: 20, Years: 40})
		}
	}
	done(t, w.db, func(tx *gorm.DB) (any, error) { return nil, meters.KeepProfile(tx, sys, now, rows) })
	zone, _ := time.LoadLocation(site.Zone)
	at := func(m time.Month, d int) time.Time { return time.Date(2026, m, d, 3, 0, 0, 0, zone) }
	done(t, w.db, func(tx *gorm.DB) ([]meters.Formula, error) {
		return meters.Derive(tx, sys, now, computed.ID, meters.NewFormula{From: at(2, 2), Terms: []meters.Term{{MeterID: vehicles.ID, Weight: 1}}, Ratio: 36})
	})
	// eight weeks from a Monday; in March comes the hour that the clock skips
	done(t, w.db, func(tx *gorm.DB) ([]meters.Taken, error) {
		return meters.Take(tx, sys, now, []meters.NewReading{{MeterID: vehicles.ID, At: at(2, 2), Value: "0"}, {MeterID: vehicles.ID, At: at(3, 30), Value: "14400"},
			{MeterID: hours.ID, At: at(2, 2), Value: "0"}, {MeterID: hours.ID, At: at(3, 30), Value: "112.0"}})
	})
	p, err := usage.TradeProfile("snowbelt", "medium")
	if err != nil {
		t.Fatal(err)
	}
	share := func(until time.Time) float64 { // of the vehicles, counted day by day
		gone, all := 0.0, 0.0
		for d := at(2, 2); d.Before(at(3, 30)); d = d.AddDate(0, 0, 1) {
			f := p.Month[d.Month()-1] * p.Weekday[d.Weekday()]
			if all += f; d.Before(until) {
				gone += f
			}
		}
		return gone / all
	}
	for _, until := range []time.Time{at(2, 9), at(3, 2), at(3, 8), at(3, 9), at(3, 16), at(3, 21)} {
		days := math.Round(until.Sub(at(2, 2)).Hours() / 24)
		for _, c := range []struct {
			m           meters.Meter
			want, error float64
		}{{vehicles, 14400 * share(until), 1}, {hours, 2 * 3600 * days, 1}, {computed, 36 * 14400 * share(until), 37}} {
			got, err := meters.At(ctx, w.db, sys, w.calendars(t, site).Scale, c.m.ID, until)
			if err != nil || math.Abs(float64(got.Amount)-c.want) > c.error {
				t.Errorf("%s on %s: %d %v, not %.0f", c.m.Code, until.Format(time.DateOnly), got.Amount, err, c.want)
			}
		}
	}
	if a, b := share(at(3, 2)), 0.5; a < b+0.01 {
		t.Errorf("half of the time has %.3f of the vehicles: this test tells nothing apart", a)
	}
}

// On a day on which a site is closed a total between two readings stands still.
func TestTotalsStandStillOnAClosedDay(t *testing.T) {
	w := newWorld(t)
	site, line := w.site(t, "UMB")
	m := w.tunnel(t, site, line, "UMB-1/TC")
	done(t, w.db, func(tx *gorm.DB) (assets.Site, error) {
		var week []assets.WeeklyHours
		for d := 2; d <= 7; d++ { // not on Mondays
			week = append(week, assets.WeeklyHours{Kind: "open", Weekday: d, Starts: "08:00", Minutes: 720})
		}
		s, _, err := assets.ReplaceHours(tx, sys, began, site.ID, site.Version, week)
		return s, err
	})
	zone, _ := time.LoadLocation(site.Zone)
	at := func(d int) time.Time { return time.Date(2026, 11, d, 3, 0, 0, 0, zone) }
	done(t, w.db, func(tx *gorm.DB) ([]meters.Taken, error) {
		return meters.Take(tx, sys, now, []meters.NewReading{{MeterID: m.ID, At: at(7), Value: "1000"}, {MeterID: m.ID, At: at(11), Value: "1900"}})
	})
	total := func(d int) int64 {
		t.Helper()
		got, err := meters.At(ctx, w.db, sys, w.calendars(t, site).Scale, m.ID, at(d))
		if err != nil {
			t.Fatal(err)
		}
		return got.Amount
	}
	// 9 November 2026 is a Monday
	if sunday, monday := total(9), total(10); sunday != monday || sunday <= total(8) || total(11) <= monday {
		t.Errorf("after Saturday %d, Sunday %d, Monday %d, Tuesday %d", total(8), sunday, monday, total(11))
	}
}

// What nobody reads is looked ahead from by what it is computed from.
func TestAComputedMeterLooksAhead(t *testing.T) {
	w := newWorld(t)
	site, line := w.site(t, "UMB")
	m := w.tunnel(t, site, line, "UMB-1/TC")
	c := w.meter(t, site, meters.NewMeter{Edit: meters.Edit{Code: "UMB-1/H", Kind: "computed"}, Unit: meters.Hours, Thing: meters.Thing{LineID: &line.ID, Primary: true}})
	w.take(t, m, 1, 400, 7)
	done(t, w.db, func(tx *gorm.DB) ([]meters.Formula, error) {
		return meters.Derive(tx, sys, now, c.ID, meters.NewFormula{From: now.AddDate(0, 0, -390), Terms: []meters.Term{{MeterID: m.ID, Weight: 1}}, Ratio: 36})
	})
	counted, n := pgdb.CountStatements(ctx)
	all, err := outlook.Ahead(counted, w.db, sys, now, w.calendars(t, site), c.ID, m.ID)
	if err != nil {
		t.Fatal(err)
	}
	v, of := all[c.ID], all[m.ID]
	// 36 seconds a vehicle are a hundredth of an hour
	if got, want := v.Rate.PerDay, of.Rate.PerDay/100; math.Abs(got/want-1) > 0.05 {
		t.Errorf("%.2f h a day, not %.2f", got, want)
	}
	f := v.Forecast(100)
	if p := v.Pace(now); !strings.Contains(p, " h a day") {
		t.Errorf("it runs %q", p)
	}
	if s := v.Sentence(f, now); v.Rate.Grade != usage.Computed || !strings.Contains(s, "computed from another meter") {
		t.Errorf("%v: %s", v.Rate.Grade, s)
	}
	t.Logf("%d statements", n.Load())
}

// Refit learns the pool from all meters, a site's own from its own, and both
// serve from then on; a backtest counts what came.
func TestRefitAndBacktest(t *testing.T) {
	w := newWorld(t)
	var sites []assets.Site
	for i := range 8 {
		site, line := w.site(t, fmt.Sprintf("S%02d", i))
		m := w.tunnel(t, site, line, site.Code+"/TC")
		w.take(t, m, uint64(i), 1000, 1)
		sites = append(sites, site)
	}
	if err := outlook.Refit(ctx, w.db, sys, now); err != nil {
		t.Fatal(err)
	}
	rows, err := meters.Profile(ctx, w.db, sys, "snowbelt", "medium", sites[0].ID)
	if err != nil {
		t.Fatal(err)
	}
	trade, err := usage.TradeProfile("snowbelt", "medium")
	if err != nil {
		t.Fatal(err)
	}
	sum, saturday, own, kappa := 0.0, 0.0, 0, 0.0
	for _, r := range rows {
		switch {
		case r.SiteID != nil:
			own++
		case r.Part == "month":
			sum += r.Factor
		case r.Part == "weekday" && r.Ordinal == 6:
			saturday = r.Factor
		case r.Part == "kappa":
			kappa = r.Factor
		}
		if r.SiteID == nil && (r.Unit != meters.Vehicles || r.Meters != 8 || r.Years < 15) {
			t.Errorf("%+v", r)
		}
	}
	// the model washes by the trade's own weekdays
	if math.Abs(sum-12) > 1e-6 || math.Abs(saturday/trade.Weekday[time.Saturday]-1) > 0.08 || kappa <= 0 || kappa > 0.3 {
		t.Errorf("months sum up to %.4f, Saturdays are %.2f, kappa is %.3f", sum, saturday, kappa)
	}
	before := len(rows)
	if err := outlook.Refit(ctx, w.db, sys, now); err != nil {
		t.Fatal(err)
	}
	if rows, _ = meters.Profile(ctx, w.db, sys, "snowbelt", "medium", sites[0].ID); len(rows) != before {
		t.Errorf("%d rows, then %d", before, len(rows))
	}
	mine, err := w.calendars(t, sites[0]).At(named(sites[0]), meters.Vehicles)
	if err != nil {
		t.Fatal(err)
	}
	hours, err := w.calendars(t, sites[0]).At(named(sites[0]), meters.Hours)
	if err != nil {
		t.Fatal(err)
	}
	if a, b := mine.Days(now, now.AddDate(0, 0, 50)), hours.Days(now, now.AddDate(0, 0, 50)); a == b {
		t.Error("what was learnt of vehicles was laid over hours, or over nothing")
	}

	got, err := outlook.Backtest(ctx, w.db, sys, now, 0)
	if err != nil {
		t.Fatal(err)
	}
	if got.Meters != 8 || got.Of != 8 || len(got.Held) != 3 {
		t.Fatalf("%+v", got)
	}
	for i, h := range got.Held {
		// 635 days after the first year take 21, 7 and 3 stretches of each meter, or one less
		if most := 8 * (635 / outlook.Horizons[i]); h.Days != outlook.Horizons[i] || h.Cases > most || h.Cases < most-16 || h.Meters != 8 || !h.Few() {
			t.Errorf("%d days: %d cases of %d meters", h.Days, h.Cases, h.Meters)
		}
		if h.Coverage < 0.6 || h.Coverage > 1 || h.Error <= 0 || h.Error > 0.2*float64(h.Days) || h.Width <= 0 {
			t.Errorf("%+v", h)
		}
		t.Logf("%3d days: %d cases, coverage %.2f, error %.1f days, width %.1f days", h.Days, h.Cases, h.Coverage, h.Error, h.Width)
	}
	for _, c := range []struct {
		held outlook.Held
		want []string
	}{
		{got.Held[0], []string{"forecasts about 30 days ahead", "80 % are what a range promises", "fewer than 300 forecasts or 30 counters say little"}},
		{outlook.Held{Days: 90}, []string{"No counter was read for long enough to hold a forecast 90 days ahead"}},
		{outlook.Held{Days: 30, Score: usage.Score{Cases: 300, Meters: 30, Coverage: 0.8}}, []string{"Of 300 forecasts about 30 days ahead 80 % held"}},
	} {
		for _, want := range c.want {
			if s := c.held.Says(); !strings.Contains(s, want) || strings.Contains(s, "say little") != (c.held.Few() && c.held.Cases > 0) {
				t.Errorf("%q lacks %q", s, want)
			}
		}
	}
	if part, err := outlook.Backtest(ctx, w.db, sys, now, 3); err != nil || part.Meters != 3 || part.Of != 8 || part.Held[0].Meters != 3 {
		t.Errorf("%+v, %v", part, err)
	}
}

// However many meters there are, the statements stay the same.
func TestStatementsStayTheSame(t *testing.T) {
	w := newWorld(t)
	site, line := w.site(t, "UMB")
	all := []uuid.UUID{w.tunnel(t, site, line, "UMB-1/TC").ID}
	count := func() int64 {
		t.Helper()
		counted, n := pgdb.CountStatements(ctx)
		c, err := outlook.Of(counted, w.db, sys, now, site.ID)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := outlook.Ahead(counted, w.db, sys, now, c, all...); err != nil {
			t.Fatal(err)
		}
		return n.Load()
	}
	before := count()
	for i := range 20 {
		m := w.meter(t, site, meters.NewMeter{Edit: meters.Edit{Code: fmt.Sprintf("UMB-1/P%d", i), Kind: "package_counter"}, Unit: meters.Vehicles, Thing: meters.Thing{LineID: &line.ID}})
		if i%2 == 0 {
			w.take(t, m, uint64(i), 60, 7)
		}
		all = append(all, m.ID)
	}
	if after := count(); after != before {
		t.Errorf("%d statements, then %d", before, after)
	}
}

// Amounts of the record come back as they were from what forecasts are made in.
func TestAmountsComeBack(t *testing.T) {
	for _, u := range []meters.Unit{meters.Hours, meters.Vehicles, meters.Cycles} {
		for _, n := range []int64{0, 1, 359, 360, 44_460_003_600, 999_999_999_999} {
			if got := outlook.Amount(u, outlook.InUnits(u, n)); got != n {
				t.Errorf("%d %s came back as %d", n, u, got)
			}
		}
	}
}

// What somebody may not see does not look ahead, and what stands still has no
// round total ahead of it.
func TestWhatDoesNotRun(t *testing.T) {
	w := newWorld(t)
	site, line := w.site(t, "UMB")
	m := w.tunnel(t, site, line, "UMB-1/TC")
	var in []meters.NewReading
	for d := 90; d > 0; d -= 30 {
		in = append(in, meters.NewReading{MeterID: m.ID, At: now.AddDate(0, 0, -d), Value: "500"})
	}
	done(t, w.db, func(tx *gorm.DB) ([]meters.Taken, error) { return meters.Take(tx, sys, now, in) })
	c := w.calendars(t, site)
	v := w.ahead(t, c, m)[m.ID]
	if v.Milestone() != 0 || v.Pace(now) != "" || !strings.HasPrefix(v.Sentence(v.Forecast(1), now), "no date: it did not run") {
		t.Errorf("%v %q %q", v.Milestone(), v.Pace(now), v.Sentence(v.Forecast(1), now))
	}
	if fan := v.Fan(now.AddDate(0, 1, 0), 5); len(fan) != 5 || fan[4].High != 500 {
		t.Errorf("%+v", fan)
	}
	nobody := access.Actor{ID: uuid.New()}
	all, err := outlook.Ahead(ctx, w.db, nobody, now, c, m.ID)
	if err != nil || len(all) != 0 {
		t.Errorf("%v %v", all, err)
	}
	if none, err := outlook.Of(ctx, w.db, nobody, now); err != nil || none == nil {
		t.Errorf("without sites: %v", err)
	}
	if t2, err := outlook.Backtest(ctx, w.db, nobody, now, 0); err != nil || t2.Of != 0 || t2.Held[0].Cases != 0 {
		t.Errorf("%+v %v", t2, err)
	}
	if err := outlook.Refit(ctx, w.db, nobody, now); err != nil {
		t.Errorf("nothing to learn: %v", err)
	}
	if err := outlook.Refit(ctx, w.db, access.Actor{ID: sys.ID, Everywhere: true}, now); err == nil {
		t.Error("learnt by somebody who may not plan")
	}
	for _, bad := range []meters.Site{{ID: site.ID, Zone: "Nowhere/Else", Climate: "snowbelt", Size: "medium", TurnsAt: "03:00"}, {ID: site.ID, Zone: "UTC", Climate: "snowbelt", Size: "medium", TurnsAt: "3"},
		{ID: uuid.New(), Zone: "UTC", Climate: "moon", Size: "medium", TurnsAt: "03:00"}} {
		if _, err := c.At(bad, meters.Cycles); err == nil {
			t.Errorf("a calendar of %+v", bad)
		}
	}
}

// A database that is away is a fault, and nothing is made of half of it.
func TestTheDatabaseIsAway(t *testing.T) {
	w := newWorld(t)
	site, line := w.site(t, "UMB")
	m := w.tunnel(t, site, line, "UMB-1/TC")
	w.take(t, m, 1, 60, 7)
	c := w.calendars(t, site)
	w.db.Close()
	if _, err := outlook.Of(ctx, w.db, sys, now, site.ID); err == nil {
		t.Error("calendars")
	}
	if _, err := outlook.Ahead(ctx, w.db, sys, now, c, m.ID); err == nil {
		t.Error("views")
	}
	if err := outlook.Refit(ctx, w.db, sys, now); err == nil {
		t.Error("profiles")
	}
	if _, err := outlook.Backtest(ctx, w.db, sys, now, 0); err == nil {
		t.Error("a backtest")
	}
}

// A brush that washes half of the vehicles has washed so many more when the
// counter has seen twice as many: on the same days, within the same range.
func TestAPartOfACountLooksAhead(t *testing.T) {
	w := newWorld(t)
	site, line := w.site(t, "UMB")
	m := w.tunnel(t, site, line, "UMB-1/TC")
	w.take(t, m, 3, 300, 7)
	v := w.ahead(t, w.calendars(t, site), m)[m.ID]
	for _, share := range []float64{0.5, 0.82, 1} {
		p, o := v.Part(share, 1234)
		if !p.At.Equal(v.Last().At) || p.Total != 1234 || p.Grade != usage.Read {
			t.Errorf("it begins at %+v", p)
		}
		if got := o.Forecast(0); !got.Reached {
			t.Errorf("nothing more: %+v", got)
		}
		for _, more := range []float64{100, 5000, 40000} {
			got, want := o.Forecast(more*share), v.Forecast(more)
			for _, d := range []time.Duration{got.Early.Sub(want.Early), got.Likely.Sub(want.Likely), got.Late.Sub(want.Late)} {
				if d.Abs() > time.Second {
					t.Errorf("%.2f of %.0f: %+v, not %+v", share, more, got, want)
				}
			}
		}
	}
}

// What a calendar was read from is to be had from it, and what was not asked for is not.
func TestACalendarKnowsItsSites(t *testing.T) {
	w := newWorld(t)
	open, _ := w.site(t, "UMB")
	shut, _ := w.site(t, "THO")
	done(t, w.db, func(tx *gorm.DB) (assets.Site, error) {
		var week []assets.WeeklyHours
		for d := 1; d <= 6; d++ { // not on Sundays
			week = append(week, assets.WeeklyHours{Kind: "open", Weekday: d, Starts: "08:00", Minutes: 720})
		}
		s, _, err := assets.ReplaceHours(tx, sys, began, shut.ID, shut.Version, week)
		return s, err
	})
	c := w.calendars(t, open, shut)
	if s, ok := c.Site(open.ID); !ok || s != named(open) {
		t.Errorf("%+v %v", s, ok)
	}
	if _, ok := c.Site(uuid.New()); ok {
		t.Error("a site of nobody is known")
	}
	if closed, err := c.Closed(open.ID); err != nil || closed != nil {
		t.Errorf("one without hours is closed: %v", err)
	}
	closed, err := c.Closed(shut.ID)
	if err != nil || closed == nil {
		t.Fatal(err)
	}
	sunday := time.Date(2026, 11, 22, 0, 0, 0, 0, time.UTC)
	if !closed(sunday) || closed(sunday.AddDate(0, 0, 1)) {
		t.Error("it is closed on Sundays only")
	}
}

// Where the database is away every answer is a fault and none is half of one.
func TestWithoutADatabase(t *testing.T) {
	w := newWorld(t)
	site, line := w.site(t, "UMB")
	m := w.tunnel(t, site, line, "UMB-1/TC")
	c := w.calendars(t, site)
	gone, cancel := context.WithCancel(ctx)
	cancel()
	if it, err := outlook.Of(gone, w.db, sys, now, site.ID); err == nil {
		t.Errorf("calendars: %+v", it)
	}
	if it, err := outlook.Ahead(gone, w.db, sys, now, c, m.ID); err == nil {
		t.Errorf("ahead: %+v", it)
	}
	if it, err := outlook.Backtest(gone, w.db, sys, now, 0); err == nil {
		t.Errorf("backtest: %+v", it)
	}
	if err := outlook.Refit(gone, w.db, sys, now); err == nil {
		t.Error("refit: no fault")
	}
}

// A site that cannot be is told and laid on no calendar.
func TestASiteThatCannotBe(t *testing.T) {
	w := newWorld(t)
	site, _ := w.site(t, "UMB")
	c := w.calendars(t, site)
	for what, s := range map[string]meters.Site{
		"zone":    {ID: uuid.New(), Zone: "Mars/Utopia", Climate: "snowbelt", Size: "medium", TurnsAt: "03:00"},
		"hour":    {ID: uuid.New(), Zone: "America/Chicago", Climate: "snowbelt", Size: "medium", TurnsAt: "three"},
		"climate": {ID: uuid.New(), Zone: "America/Chicago", Climate: "lunar", Size: "medium", TurnsAt: "03:00"},
		"size":    {ID: uuid.New(), Zone: "America/Chicago", Climate: "snowbelt", Size: "vast", TurnsAt: "03:00"},
		"turns":   {ID: uuid.New(), Zone: "America/Chicago", Climate: "snowbelt", Size: "medium", TurnsAt: "25:00"},
	} {
		if laid, err := c.At(s, meters.Vehicles); err == nil || laid != nil || !strings.Contains(err.Error(), what) && what != "turns" {
			t.Errorf("%s: %v", what, err)
		}
		if _, err := c.Scale(s, meters.Hours); err == nil {
			t.Errorf("%s: a scale", what)
		}
	}
}

// A change after the last reading leaves nothing to go by, though it has not been
// read since; one that is still to come changes nothing yet.
func TestAChangeAfterTheLastReading(t *testing.T) {
	w := newWorld(t)
	site, line := w.site(t, "UMB")
	m := w.tunnel(t, site, line, "UMB-1/TC")
	w.take(t, m, 5, 200, 7)
	before := w.ahead(t, w.calendars(t, site), m)[m.ID]
	change := func(at time.Time, why string) *outlook.View {
		t.Helper()
		done(t, w.db, func(tx *gorm.DB) (meters.Break, error) {
			return meters.ChangeRegime(tx, sys, now, site.ID, &m.ID, at, why)
		})
		return w.ahead(t, w.calendars(t, site), m)[m.ID]
	}
	if v := change(now.AddDate(0, 0, 3), "second yard"); v.Rate.Basis != usage.Measured || math.Abs(v.Rate.PerDay/before.Rate.PerDay-1) > 1e-9 {
		t.Errorf("before it comes: %+v, not %+v", v.Rate, before.Rate)
	}
	v := change(now.Add(-time.Hour), "new program")
	if s := v.Sentence(v.Forecast(5000), now); v.Rate.Basis != usage.Nothing || !strings.HasPrefix(s, "no date: ") || !strings.Contains(s, "since the new program of 25 November") {
		t.Errorf("%v: %q", v.Rate.Basis, s)
	}
	if _, ok := v.Expect(now); ok || v.Milestone() != 0 {
		t.Error("it is expected somewhere")
	}
}
