package meters_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/assets/meters"
	"spindlebook/internal/pgtest"
)

// What is sent that cannot be, one by one: what becomes of it, at which field and
// in which words, and that no total moves. A batch that is cut off in the middle
// is package httpapi's to refuse.
func TestBadInput(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	wide := w.add(t, meters.NewMeter{Edit: meters.Edit{Code: "UMB-1/H9", Kind: "hour_meter", Counter: meters.Counter{Digits: new(9), Decimals: 1}}, Unit: meters.Hours, Thing: meters.Thing{PositionID: &w.left.ID}})
	_, far, _, _ := w.place(t, "THO", w.customer.ID)
	other := w.add(t, meters.NewMeter{SiteID: far.SiteID, Edit: meters.Edit{Code: "THO-1/TC", Kind: "entrance_counter"}, Unit: meters.Vehicles, Thing: meters.Thing{LineID: &far.ID, Primary: true}})
	w.one(t, w.tunnel, day(10), "40000", meters.Took)
	w.one(t, w.hours, day(10), "500.0", meters.Took)
	w.one(t, wide, day(10), "1200.0", meters.Took)
	here := w.person(t, "here", access.NewGrant{Role: "site_staff", CustomerID: &w.customer.ID, SiteID: &w.site.ID})
	before := w.fingerprint(t)
	for _, c := range []struct {
		name    string
		who     access.Actor
		in      meters.NewReading
		outcome string
		field   string // of what is refused, or the doubt of what waits
		says    string
		mean    string // the value that is offered for what was mistyped
	}{
		{"not a number", sys, seen(w.tunnel, day(9), "NaN"), meters.Refused, "value", "finite", ""},
		{"infinity", sys, seen(w.tunnel, day(9), "+Infinity"), meters.Refused, "value", "finite", ""},
		{"minus infinity", sys, seen(w.tunnel, day(9), "-Inf"), meters.Refused, "value", "finite", ""},
		{"negative", sys, seen(w.tunnel, day(9), "-40100"), meters.Refused, "value", "negative", ""},
		{"over the modulus", sys, seen(w.tunnel, day(9), "100000"), meters.Refused, "value", "rolls over", ""},
		{"in the future", sys, seen(w.tunnel, now.Add(time.Hour), "40100"), meters.Quarantined, "time", "", ""},
		{"in 1970", sys, seen(w.tunnel, time.Unix(0, 0), "40100"), meters.Quarantined, "time", "", ""},
		{"in the year 1", sys, seen(w.tunnel, time.Date(1, 1, 1, 0, 0, 1, 0, time.UTC), "40100"), meters.Quarantined, "time", "", ""},
		{"25 hours a day", sys, seen(w.hours, day(9), "525.0"), meters.NeedsExplanation, "too_fast", "524.1 h at most", ""},
		{"ten times what was meant", sys, seen(wide, day(9), "12124"), meters.NeedsExplanation, "too_fast", "", "1212.4"},
		{"sixty times, minutes as hours", sys, seen(wide, day(9), "72744"), meters.NeedsExplanation, "too_fast", "", "1212.4"},
		{"3600 times, seconds as hours", sys, seen(wide, day(9), "4364640"), meters.NeedsExplanation, "too_fast", "", "1212.4"},
		{"of another's meter", here, seen(other, day(9), "5"), meters.Refused, "meter_id", "names no meter", ""},
		{"of another's meter by its code", here, meters.NewReading{Meter: other.Code, At: day(9), Value: "5"}, meters.Refused, "meter", "names no meter", ""},
		{"of an unknown meter", sys, meters.NewReading{MeterID: uuid.New(), At: day(9), Value: "5"}, meters.Refused, "meter_id", "names no meter", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, err := pgtest.Write(w.db, c.who, func(tx *gorm.DB) ([]meters.Taken, error) {
				return meters.Take(tx, c.who, now, []meters.NewReading{c.in})
			})
			if err != nil {
				t.Fatal(err)
			}
			r := got[0]
			field, says := r.Doubt, r.Says
			if r.Fault != nil {
				field, says = r.Fault.Field, r.Fault.Msg
			}
			if r.Outcome != c.outcome || field != c.field || !strings.Contains(says, c.says) || says == "" {
				t.Errorf("%+v %v, want %s at %s", r, r.Fault, c.outcome, c.field)
			}
			if c.mean != "" && !slices.ContainsFunc(r.Offers, func(o meters.Offer) bool { return o.As == "mistyped" && o.Value == c.mean && o.Fits }) {
				t.Errorf("%s is not offered: %+v", c.mean, r.Offers)
			}
			if r.Outcome != meters.Refused { // what is kept is voided again: nothing of it is left
				w.void(t, r.ReadingID)
			}
			if after := w.fingerprint(t); after != before {
				t.Errorf("before\n%s\nafter\n%s", before, after)
			}
		})
	}
	t.Run("ten thousand times the same", func(t *testing.T) {
		all := slices.Repeat([]meters.NewReading{seen(w.tunnel, day(9), "40100")}, meters.MaxBatch)
		n := map[string]int{}
		for _, r := range w.take(t, all...) {
			n[r.Outcome]++
		}
		if n[meters.Took] != 1 || n[meters.AlreadyThere] != meters.MaxBatch-1 || len(n) != 2 {
			t.Errorf("%v", n)
		}
		if rows := raw(t, w.db, sys, "reading where state = 'counts' and at = '"+day(9).Format(time.RFC3339)+"'"); rows != 1 {
			t.Errorf("%d are kept", rows)
		}
	})
}

// What counted for a thing, piece by piece: for a unit wherever it was and while
// its position was in service, for a position, for a line.
func TestWhatDrivesAThing(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	u := w.fit(t, w.left, day(100))
	never := w.fit(t, w.right, day(5))
	pgtest.Done(t, w.db, sys, func(tx *gorm.DB) ([]meters.Share, error) {
		return meters.SetShare(tx, sys, now, w.left.ID, 0.5, day(80), "not in the basic package")
	})
	state := func(to string, from time.Time) {
		pgtest.Done(t, w.db, sys, func(tx *gorm.DB) ([]assets.State, error) {
			return assets.ChangeState(tx, sys, now, w.left.ID, to, &from, "")
		})
	}
	state("parked", day(70))
	state("in_service", day(65))
	w.bench(t, u, day(60))
	ask := func(d meters.Drive) meters.Driven {
		t.Helper()
		if d.Since.IsZero() {
			d.Since = day(90)
		}
		all, err := meters.Drives(ctx, w.db, sys, now, []meters.Drive{d})
		if err != nil || len(all) != 1 {
			t.Fatalf("%+v %v", all, err)
		}
		return all[0]
	}
	type leg struct {
		meter       string
		share       float64
		from, until float64 // days before now
	}
	name := map[uuid.UUID]string{w.tunnel.ID: "tunnel", w.hours.ID: "hours"}
	for _, c := range []struct {
		what string
		of   meters.Drive
		legs []leg
		held float64 // days before now; 0 where it goes on
		gaps bool
	}{
		{"vehicles of a unit", meters.Drive{UnitID: &u.ID, Unit: meters.Vehicles}, []leg{{"tunnel", 1, 90, 80}, {"tunnel", 0.5, 80, 70}, {"tunnel", 0.5, 65, 60}}, 60, false},
		{"hours of it", meters.Drive{UnitID: &u.ID, Unit: meters.Hours}, []leg{{"hours", 1, 90, 70}, {"hours", 1, 65, 60}}, 60, false},
		{"cycles, which nobody counts", meters.Drive{UnitID: &u.ID, Unit: meters.Cycles}, nil, 0, true},
		{"hours of the position, with nobody in it", meters.Drive{PositionID: &w.left.ID, LineID: &w.line.ID, Unit: meters.Hours}, []leg{{"hours", 1, 90, 70}, {"hours", 1, 65, 0}}, 0, false},
		{"vehicles of the line", meters.Drive{LineID: &w.line.ID, Unit: meters.Vehicles}, []leg{{"tunnel", 1, 90, 0}}, 0, false},
		{"hours of the line, which has no such meter", meters.Drive{LineID: &w.line.ID, Unit: meters.Hours}, nil, 0, true},
		{"shared equipment, on no line", meters.Drive{PositionID: &w.air.ID, Unit: meters.Vehicles}, nil, 0, true},
		{"a unit since before it came", meters.Drive{UnitID: &never.ID, Unit: meters.Vehicles}, []leg{{"tunnel", 1, 5, 0}}, 0, false},
		{"a unit since now", meters.Drive{UnitID: &never.ID, Unit: meters.Vehicles, Since: now}, []leg{{"tunnel", 1, 0, 0}}, 0, false},
		{"nothing", meters.Drive{Unit: meters.Vehicles}, nil, 0, false},
	} {
		got := ask(c.of)
		var legs []leg
		for _, l := range got.Legs {
			ago := func(at time.Time) float64 { return now.Sub(at).Round(time.Second).Hours() / 24 }
			legs = append(legs, leg{name[l.MeterID], l.Share, ago(l.From), ago(l.Until)})
		}
		if !slices.Equal(legs, c.legs) || got.Gaps != c.gaps || (got.Held == nil) != (c.held == 0) || got.Held != nil && !got.Held.Equal(day(c.held)) {
			t.Errorf("%s: %v, gaps %v, held %v", c.what, legs, got.Gaps, got.Held)
		}
	}
	// many in the statements of one
	var many []meters.Drive
	for range 50 {
		many = append(many, meters.Drive{UnitID: &u.ID, Unit: meters.Vehicles, Since: day(90)}, meters.Drive{PositionID: &w.right.ID, LineID: &w.line.ID, Unit: meters.Hours, Since: day(9)})
	}
	for _, asks := range [][]meters.Drive{many[:2], many} {
		c := newCounted()
		all, err := meters.Drives(c.ctx, w.db, sys, now, asks)
		if err != nil || len(all) != len(asks) || c.n.Load() > 4 {
			t.Errorf("%d things in %d statements: %v", len(asks), c.n.Load(), err)
		}
	}
}
