package meters_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/assets/meters"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgtest"
)

func (w wash) person(t testing.TB, login string, g access.NewGrant) access.Actor {
	t.Helper()
	a := pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (access.Account, error) {
		return access.AddPerson(tx, sys, now, access.NewPerson{Name: login, Login: login + "@example.org", CustomerID: g.CustomerID, Grants: []access.NewGrant{g}})
	})
	who, _, err := access.Load(ctx, w.db, a.ID)
	if err != nil {
		t.Fatal(err)
	}
	return who
}

func raw(t testing.TB, db *pgdb.DB, who access.Actor, table string) int {
	t.Helper()
	rows, err := pgdb.Read[struct{ N int }](ctx, db, who.ID, `select count(*)::int as n from `+table, nil)
	if err != nil {
		t.Fatal(err)
	}
	return rows[0].N
}

// A site is sold half-way. Each owner sees what was read in the own time, takes
// readings now, and is held to what the other one left without seeing it.
func TestOwnersSeeTheirOwnTime(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	kestrel := pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (assets.Customer, error) {
		return assets.AddCustomer(tx, sys, now, assets.CustomerEdit{Code: "KES", Name: "Kestrel Car Care"})
	})
	w.take(t, seen(w.tunnel, day(200), "10000"), seen(w.tunnel, day(150), "20000"))
	pgtest.Done(t, w.db, sys, func(tx *gorm.DB) ([]assets.Ownership, error) {
		return assets.HandOver(tx, sys, w.site.ID, kestrel.ID, day(100))
	})
	seller := w.person(t, "seller", access.NewGrant{Role: "owner", CustomerID: &w.customer.ID})
	buyer := w.person(t, "buyer", access.NewGrant{Role: "owner", CustomerID: &kestrel.ID})
	_, line, _, _ := w.place(t, "THO", w.customer.ID)
	other := w.add(t, meters.NewMeter{SiteID: line.SiteID, Edit: meters.Edit{Code: "THO-1/TC", Kind: "wash_counter"}, Unit: meters.Vehicles, Thing: meters.Thing{LineID: &line.ID}})
	w.take(t, seen(other, day(1), "77"))

	by := func(who access.Actor, r meters.NewReading) meters.Taken {
		t.Helper()
		return pgtest.Done(t, w.db, who, func(tx *gorm.DB) ([]meters.Taken, error) { return meters.Take(tx, who, now, []meters.NewReading{r}) })[0]
	}
	// held to the seller's last reading, which the buyer does not see
	if got := by(buyer, seen(w.tunnel, day(50), "19000")); got.Outcome != meters.NeedsExplanation || got.Doubt != "falls" {
		t.Errorf("below the seller's last: %+v", got)
	}
	if got := by(buyer, seen(w.tunnel, day(40), "30000")); got.Outcome != meters.Took {
		t.Errorf("the buyer's own: %+v %v", got, got.Fault)
	}
	for what, c := range map[string]struct {
		who   access.Actor
		r     meters.NewReading
		field string
	}{
		"the buyer in the seller's time":  {buyer, seen(w.tunnel, day(120), "25000"), "at"},
		"the seller in the buyer's time":  {seller, seen(w.tunnel, day(20), "35000"), "at"},
		"the buyer at the seller's other": {buyer, seen(other, day(1), "88"), "meter_id"},
	} {
		if got := by(c.who, c.r); got.Outcome != meters.Refused || got.Fault.Field != c.field {
			t.Errorf("%s: %+v %v", what, got, got.Fault)
		}
	}
	if got := by(seller, seen(w.tunnel, day(170), "16000")); got.Outcome != meters.Took {
		t.Errorf("the seller late in the own time: %+v %v", got, got.Fault)
	}
	for who, want := range map[*access.Actor][]string{&seller: {"20000", "16000", "10000"}, &buyer: {"30000", "19000"}} {
		all, err := meters.Readings(ctx, w.db, *who, w.tunnel.ID, access.Page{Limit: 10})
		var values []string
		for _, r := range all {
			values = append(values, r.Unit.Format(r.Value))
		}
		if err != nil || !slices.Equal(values, want) {
			t.Errorf("%s sees %v %v, not %v", who.Name, values, err, want)
		}
	}
	if m, err := meters.One(ctx, w.db, seller, w.tunnel.ID); err != nil || m.LastAt != nil {
		t.Errorf("the seller sees where it stands now: %+v %v", m, err)
	}
	if m, err := meters.One(ctx, w.db, buyer, w.tunnel.ID); err != nil || *m.LastTotal != 30000 {
		t.Errorf("the buyer does not see where it stands: %+v %v", m, err)
	}
	if got, err := meters.At(ctx, w.db, buyer, meters.PlainDays, w.tunnel.ID, day(150)); err != nil || got.Amount != 30000 || got.Grade != meters.Extrapolated {
		t.Errorf("the buyer learns of the seller's time: %+v %v", got, err)
	}
	for what, err := range map[string]error{
		"a meter":      func() error { _, err := meters.One(ctx, w.db, buyer, other.ID); return err }(),
		"its readings": func() error { _, err := meters.Readings(ctx, w.db, buyer, other.ID, access.Page{Limit: 1}); return err }(),
		"its runs":     func() error { _, err := meters.Runs(ctx, w.db, buyer, other.ID); return err }(),
		"its places":   func() error { _, err := meters.Placements(ctx, w.db, buyer, other.ID); return err }(),
		"its formulas": func() error { _, err := meters.Formulas(ctx, w.db, buyer, other.ID); return err }(),
		"its total":    func() error { _, err := meters.At(ctx, w.db, buyer, meters.PlainDays, other.ID, now); return err }(),
		"its site": func() error {
			_, err := meters.Findings(ctx, w.db, buyer, now, meters.PlainDays, line.SiteID)
			return err
		}(),
		"its reconcile": func() error { _, err := meters.Reconcile(ctx, w.db, buyer, meters.PlainDays, line.SiteID); return err }(),
		"its breaks":    func() error { _, err := meters.RegimeChanges(ctx, w.db, buyer, line.SiteID); return err }(),
	} {
		if fault.KindOf(err) != fault.NotFound {
			t.Errorf("%s of another's site: %v", what, err)
		}
	}
	// the wide lists, and row-level security alone
	if all, err := meters.List(ctx, w.db, buyer, meters.Filter{}, access.Page{Limit: 10}); err != nil || len(all) != 3 {
		t.Errorf("the buyer lists %+v %v", all, err)
	}
	if all, err := meters.Doubts(ctx, w.db, seller, nil, access.Page{Limit: 10}); err != nil || len(all) != 0 {
		t.Errorf("what waits in the buyer's time: %+v %v", all, err)
	}
	for table, want := range map[string]int{"meter": 3, "reading": 2, "meter_point": 1, "meter_state": 3, "meter_segment": 3, "meter_place": 3, "reading_act": 0} {
		if got := raw(t, w.db, buyer, table); got != want {
			t.Errorf("the buyer reads %d rows of %s, not %d", got, table, want)
		}
	}
	for _, q := range []string{
		`insert into reading (id, meter_id, site_id, at, value, typed, source, state, received_at, recorded_by) values (gen_random_uuid(), @meter, @site, now(), 1, '', 'eye', 'counts', now(), current_actor())`,
		`insert into meter (id, site_id, code, kind, unit, during, created_at) values (gen_random_uuid(), @site, 'MINE', 'wash_counter', 'vehicles', tstzrange(now(), null), now())`,
		`insert into position_share (id, position_id, site_id, share, during, recorded_at, recorded_by) values (gen_random_uuid(), @meter, @site, 1, tstzrange(now(), null), now(), current_actor())`,
		`insert into regime_change (id, site_id, at, reason, recorded_at, recorded_by) values (gen_random_uuid(), @site, now(), 'x', now(), current_actor())`,
	} {
		err := w.db.InTx(ctx, buyer.ID, func(tx *gorm.DB) error {
			return tx.Exec(q, map[string]any{"meter": other.ID, "site": line.SiteID}).Error
		})
		if fault.KindOf(err) != fault.Forbidden {
			t.Errorf("the buyer may %s: %v", q, err)
		}
	}
	// nobody names a meter with the site of another
	err := w.db.InTx(ctx, sys.ID, func(tx *gorm.DB) error {
		return tx.Exec(`insert into reading (id, meter_id, site_id, at, value, typed, source, state, received_at, recorded_by) values (gen_random_uuid(), ?, ?, now(), 1, '', 'eye', 'counts', now(), current_actor())`, other.ID, w.site.ID).Error
	})
	if err == nil || !strings.Contains(err.Error(), "names no meter of its site") {
		t.Errorf("a reading of two sites: %v", err)
	}
	// an owner explains what waits in the own time, and nothing of the other's
	waiting, err := meters.Doubts(ctx, w.db, buyer, nil, access.Page{Limit: 10})
	if err != nil || len(waiting) != 1 {
		t.Fatal(waiting, err)
	}
	d, err := meters.OneReading(ctx, w.db, buyer, now, waiting[0].ID)
	if err != nil || len(d.Offers) == 0 {
		t.Errorf("%+v %v", d, err)
	}
	if r, err := pgtest.Write(w.db, buyer, func(tx *gorm.DB) (meters.Reading, error) {
		return meters.Explain(tx, buyer, now, waiting[0].ID, meters.Explanation{As: "mistyped", Value: "29000"})
	}); err != nil || *r.Total != 29000 {
		t.Errorf("%+v %v", r, err)
	}
	_, err = pgtest.Write(w.db, seller, func(tx *gorm.DB) (meters.Reading, error) { return meters.Void(tx, seller, now, waiting[0].ID, "mine") })
	pgtest.Refused(t, "the seller voids what is the buyer's", err, fault.NotFound, "")
}

// A gateway takes readings of its site only, and explains nothing.
func TestAGatewayKeepsToItsSite(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	site, line, _, _ := w.place(t, "THO", w.customer.ID)
	other := w.add(t, meters.NewMeter{SiteID: site.ID, Edit: meters.Edit{Code: "THO-1/TC", Kind: "wash_counter"}, Unit: meters.Vehicles, Thing: meters.Thing{LineID: &line.ID}})
	gateway := pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (access.Account, error) {
		return access.AddProgram(tx, sys, now, "logger", []access.NewGrant{{Role: "gateway", SiteID: &w.site.ID}})
	})
	who, _, err := access.Load(ctx, w.db, gateway.ID)
	if err != nil {
		t.Fatal(err)
	}
	got := pgtest.Done(t, w.db, who, func(tx *gorm.DB) ([]meters.Taken, error) {
		return meters.Take(tx, who, now, []meters.NewReading{{Meter: "UMB-1/TC", At: day(2), Value: "500"}, {Meter: "THO-1/TC", At: day(2), Value: "500"},
			{MeterID: other.ID, At: day(2), Value: "500"}, {Meter: "UMB-1/TC", At: day(1), Value: "400"}})
	})
	for i, want := range []string{meters.Took, meters.Refused, meters.Refused, meters.Quarantined} {
		if got[i].Outcome != want {
			t.Errorf("item %d is %+v, not %s", i, got[i], want)
		}
	}
	all, err := meters.Readings(ctx, w.db, sys, w.tunnel.ID, access.Page{Limit: 5})
	if err != nil || len(all) != 2 || all[0].Source != "gateway" || all[0].RecordedBy != "logger" {
		t.Errorf("%+v %v", all, err)
	}
	_, err = pgtest.Write(w.db, who, func(tx *gorm.DB) (meters.Reading, error) { return meters.Void(tx, who, now, got[3].ReadingID, "no") })
	pgtest.Refused(t, "a gateway voids", err, fault.Forbidden, "")
	for what, fn := range map[string]func(tx *gorm.DB) error{
		"adds a meter": func(tx *gorm.DB) error { _, err := meters.Add(tx, who, now, meters.NewMeter{}); return err },
		"edits one": func(tx *gorm.DB) error {
			_, err := meters.Change(tx, who, now, w.tunnel.ID, 1, meters.Edit{})
			return err
		},
		"places one": func(tx *gorm.DB) error {
			_, err := meters.Place(tx, who, now, w.tunnel.ID, now, meters.Thing{})
			return err
		},
		"begins a run": func(tx *gorm.DB) error { _, err := meters.Joined(tx, who, now, w.tunnel.ID, meters.Join{}); return err },
		"distrusts":    func(tx *gorm.DB) error { _, err := meters.Distrust(tx, who, now, got[0].ReadingID, "x"); return err },
		"derives": func(tx *gorm.DB) error {
			_, err := meters.Derive(tx, who, now, w.tunnel.ID, meters.NewFormula{})
			return err
		},
		"learns":       func(tx *gorm.DB) error { _, err := meters.Learn(tx, who, w.hours.ID, nil, now); return err },
		"sets a share": func(tx *gorm.DB) error { _, err := meters.SetShare(tx, who, now, w.left.ID, 1, now, ""); return err },
		"breaks a regime": func(tx *gorm.DB) error {
			_, err := meters.ChangeRegime(tx, who, now, w.site.ID, nil, now, "x")
			return err
		},
		"mends it":        func(tx *gorm.DB) error { return meters.WithdrawRegimeChange(tx, who, now, w.site.ID, w.site.ID) },
		"keeps a profile": func(tx *gorm.DB) error { return meters.KeepProfile(tx, who, now, nil) },
		"follows":         func(tx *gorm.DB) error { return meters.Followed(tx, who, nil) },
	} {
		if err := w.db.InTx(ctx, who.ID, fn); fault.KindOf(err) != fault.Forbidden {
			t.Errorf("a gateway %s: %v", what, err)
		}
	}
}

// The lists that people wait for go by their indexes.
func TestListsGoByTheirIndexes(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	var in []meters.NewReading
	for i := range 10_000 {
		in = append(in, seen(w.tunnel, day(360).Add(time.Duration(i)*50*time.Minute), meters.Vehicles.Format(int64(i)*9)))
	}
	in[9_999].Value = "3"
	w.take(t, in...)
	own := w.person(t, "owner", access.NewGrant{Role: "owner", CustomerID: &w.customer.ID})
	for _, c := range []struct {
		what, query, index string
		args               map[string]any
	}{
		{"readings of a meter", meters.ReadingList, "reading_one_at_an_instant", map[string]any{"meter": w.tunnel.ID, "at": now, "nth": 0, "limit": 50}},
		{"what waits", meters.DoubtList, "reading_doubt_ix", own.Scope(map[string]any{"site": &w.site.ID, "after": "00000000-0000-0000-0000-000000000000", "limit": 50})},
		{"totals", meters.Around, "reading_one_at_an_instant", map[string]any{"meters": []any{w.tunnel.ID}, "ats": []time.Time{now}}},
		{"one reading", meters.OneReadingQuery, "reading_id_ix", map[string]any{"id": w.tunnel.ID}},
	} {
		plan, err := pgdb.Read[struct {
			Line string `db:"QUERY PLAN"`
		}](ctx, w.db, own.ID, "explain "+c.query, c.args)
		if err != nil {
			t.Fatalf("%s: %v", c.what, err)
		}
		var text strings.Builder
		for _, p := range plan {
			text.WriteString(p.Line + "\n")
		}
		if !strings.Contains(text.String(), c.index) || strings.Contains(text.String(), "Seq Scan on reading ") {
			t.Errorf("%s:\n%s", c.what, text.String())
		}
	}
}
