package meters_test

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/assets/meters"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgtest"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

var (
	ctx = context.Background()
	now = time.Date(2025, 6, 10, 9, 0, 0, 0, time.UTC)
	// a year before, when the site was taken over
	began = now.AddDate(-1, 0, 0)
	sys   = access.System
)

// day is an instant so many days before now.
func day(n float64) time.Time { return now.Add(-time.Duration(n * 24 * float64(time.Hour))) }

// wash is a site with two lines of 100 vehicles an hour, a brush on each side of
// the first, shared equipment, and their meters.
type wash struct {
	db             *pgdb.DB
	service, owner string
	customer       assets.Customer
	site           assets.Site
	line, line2    assets.Line
	left, right    assets.Position
	air            assets.Position
	tunnel         meters.Meter // vehicles of the line, five wheels
	hours          meters.Meter // of the left brush, with tenths
	hoursRight     meters.Meter
}

func newWash(t testing.TB) wash {
	t.Helper()
	service, owner := pgtest.DSN(t)
	w := wash{db: pgtest.Open(t, service), service: service, owner: owner}
	w.customer = pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (assets.Customer, error) {
		return assets.AddCustomer(tx, sys, now, assets.CustomerEdit{Code: "HAD", Name: "Hadrelle Wash Group"})
	})
	w.site, w.line, w.left, w.right = w.place(t, "UMB", w.customer.ID)
	w.line2 = pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (assets.Line, error) {
		return assets.AddLine(tx, sys, now, w.site.ID, &began, assets.LineEdit{Code: "UMB-2", VehiclesPerHourMax: new(100)})
	})
	w.air = pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (assets.Position, error) {
		return assets.AddPosition(tx, sys, now, assets.NewPosition{SiteID: w.site.ID, From: &began, PositionEdit: assets.PositionEdit{Code: "UMB/AIR", Name: "Compressor", Kind: "compressed_air", LineSide: "centre"}})
	})
	w.tunnel = w.counter(t, "UMB-1/TC", w.line.ID)
	w.hours = w.hourMeter(t, "UMB-1/H-L", w.left.ID)
	w.hoursRight = w.hourMeter(t, "UMB-1/H-R", w.right.ID)
	return w
}

// place adds a site with one line and a pair of low side brushes.
func (w wash) place(t testing.TB, code string, customer uuid.UUID) (assets.Site, assets.Line, assets.Position, assets.Position) {
	t.Helper()
	site := pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (assets.Site, error) {
		return assets.AddSite(tx, sys, now, customer, &began, assets.SiteEdit{Code: code, Name: code + " Express", Zone: "America/Chicago",
			Currency: "USD", Climate: "snowbelt", Size: "medium", DriverSide: "left"})
	})
	line := pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (assets.Line, error) {
		return assets.AddLine(tx, sys, now, site.ID, &began, assets.LineEdit{Code: code + "-1", VehiclesPerHourMax: new(100)})
	})
	brush := func(side string) assets.NewPosition {
		return assets.NewPosition{SiteID: site.ID, From: &began, PositionEdit: assets.PositionEdit{LineID: &line.ID, Code: code + "-1/SBL-" + strings.ToUpper(side[:1]),
			Name: "Low side brush", Kind: "side_brush_low", LineSide: side}}
	}
	pair := pgtest.Done(t, w.db, sys, func(tx *gorm.DB) ([]assets.Position, error) {
		return assets.AddPositions(tx, sys, now, []assets.NewPosition{brush("left"), brush("right")})
	})
	return site, line, pair[0], pair[1]
}

func (w wash) add(t testing.TB, in meters.NewMeter) meters.Meter {
	t.Helper()
	in.From = &began
	if in.SiteID == uuid.Nil {
		in.SiteID = w.site.ID
	}
	return pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (meters.Meter, error) { return meters.Add(tx, sys, now, in) })
}

// counter adds the entrance counter of a line, with five wheels: it rolls over at 100 000.
func (w wash) counter(t testing.TB, code string, line uuid.UUID) meters.Meter {
	t.Helper()
	return w.add(t, meters.NewMeter{Edit: meters.Edit{Code: code, Kind: "entrance_counter", Counter: meters.Counter{Digits: new(5)}}, Unit: meters.Vehicles,
		Thing: meters.Thing{LineID: &line, Primary: true}})
}

// hourMeter adds the hour meter of a position, of 9 999.9 h.
func (w wash) hourMeter(t testing.TB, code string, position uuid.UUID) meters.Meter {
	t.Helper()
	return w.add(t, meters.NewMeter{Edit: meters.Edit{Code: code, Kind: "hour_meter", Counts: "contactor K14", Counter: meters.Counter{Digits: new(4), Decimals: 1}}, Unit: meters.Hours,
		Thing: meters.Thing{PositionID: &position, Primary: true}})
}

// take sends readings and gives what became of them.
func (w wash) take(t testing.TB, in ...meters.NewReading) []meters.Taken {
	t.Helper()
	return pgtest.Done(t, w.db, sys, func(tx *gorm.DB) ([]meters.Taken, error) { return meters.Take(tx, sys, now, in) })
}

func seen(m meters.Meter, at time.Time, value string) meters.NewReading {
	return meters.NewReading{MeterID: m.ID, At: at, Value: value}
}

// one sends one reading, which must end as said.
func (w wash) one(t testing.TB, m meters.Meter, at time.Time, value, outcome string) meters.Taken {
	t.Helper()
	got := w.take(t, seen(m, at, value))[0]
	if got.Outcome != outcome {
		t.Fatalf("%s of %s at %s: %+v (%v), want %s", value, m.Code, at, got, got.Fault, outcome)
	}
	return got
}

// total gives a meter's total at an instant, in its unit, with the grade.
func (w wash) total(t testing.TB, m meters.Meter, at time.Time) string {
	t.Helper()
	got, err := meters.At(ctx, w.db, sys, meters.PlainDays, m.ID, at)
	if err != nil {
		t.Fatal(err)
	}
	return m.Unit.Format(got.Amount) + " " + got.Grade.String()
}

func (w wash) wantTotal(t testing.TB, m meters.Meter, at time.Time, want string) {
	t.Helper()
	if got := w.total(t, m, at); got != want {
		t.Errorf("the total of %s at %s is %s, not %s", m.Code, at.Format(time.DateTime), got, want)
	}
}

func (w wash) explain(t testing.TB, id uuid.UUID, e meters.Explanation) meters.Reading {
	t.Helper()
	return pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (meters.Reading, error) { return meters.Explain(tx, sys, now, id, e) })
}

func (w wash) void(t testing.TB, id uuid.UUID) meters.Reading {
	t.Helper()
	return pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (meters.Reading, error) { return meters.Void(tx, sys, now, id, "not ours") })
}

// offer gives the explanation of a kind that is offered.
func offer(t testing.TB, got meters.Taken, as string) meters.Offer {
	t.Helper()
	for _, o := range got.Offers {
		if o.As == as {
			return o
		}
	}
	t.Fatalf("%s is not offered: %+v", as, got.Offers)
	return meters.Offer{}
}

// fingerprint gives everything that totals are made of, so that two states can be compared.
func (w wash) fingerprint(t testing.TB, only ...string) string {
	t.Helper()
	type row struct{ Line string }
	rows, err := pgdb.Read[row](ctx, w.db, sys.ID, `
select concat_ws(' ', m.code, p.at, p.total) as line from meter_point as p join meter as m on m.id = p.meter_id
 union all
select concat_ws(' ', m.code, 'run', g.during, g.how, g.start_value, g.base) from meter_segment as g join meter as m on m.id = g.meter_id
 union all
select concat_ws(' ', m.code, 'state', s.last_at, s.last_value, s.last_total, s.grew_at) from meter_state as s join meter as m on m.id = s.meter_id
 union all
select concat_ws(' ', m.code, 'waits', r.at, r.value, r.doubt) from reading as r join meter as m on m.id = r.meter_id where r.state in ('doubtful', 'quarantined')
order by 1`, nil)
	if err != nil {
		t.Fatal(err)
	}
	var all []string
	for _, r := range rows {
		if len(only) == 0 || strings.HasPrefix(r.Line, only[0]+" ") {
			all = append(all, r.Line)
		}
	}
	return strings.Join(all, "\n")
}

func fits(t testing.TB, what string, ok bool, got any) {
	t.Helper()
	if !ok {
		t.Errorf("%s: %s", what, fmt.Sprintf("%+v", got))
	}
}
