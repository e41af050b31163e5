package assets_test

import (
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"gorm.io/gorm"

	"spindlebook/internal/assets"
	"spindlebook/internal/measure"
	"spindlebook/internal/pgtest"
)

func (w world) overview(t testing.TB) assets.Overview {
	t.Helper()
	all, err := assets.Overviews(ctx, w.db, sys, now, assets.OverviewFilter{SiteID: &w.site.ID}, assets.Page{Limit: 10})
	if err != nil || len(all) != 1 {
		t.Fatal(all, err)
	}
	return all[0]
}

func TestAnOverviewCountsWhatIsThereAndWhatIsNotKnown(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	o := w.overview(t)
	// six facts are wanted of each of the two brushes, and nothing is known of them
	if o.Code != "UMB" || *o.CustomerCode != "HAD" || o.Lines != 1 || o.Brushes != 2 || o.Parked != 0 || o.Empty != 0 || o.Missing != 12 || o.Unisolated != 2 || o.CheckedOn != nil {
		t.Errorf("at first %+v", o)
	}
	f, err := w.tell(w.left.ID, assets.NewFact{Fact: "hub_fixing", Value: "clamp4", From: &began})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := w.tell(w.left.ID, assets.NewFact{Fact: "valve_coil", Value: "24VDC", From: &began}); err != nil { // not one that is wanted
		t.Fatal(err)
	}
	if o := w.overview(t); o.Missing != 11 {
		t.Errorf("with one fact known %d are missing", o.Missing)
	}
	if _, err := w.withdraw(w.left.ID, f.ID, "wrong"); err != nil {
		t.Fatal(err)
	}
	e1, e2 := w.addPoint(t, "E1", before), w.addPoint(t, "E2", sold)
	if _, err := w.isolate(w.left.ID, 1, e1.ID, e2.ID); err != nil {
		t.Fatal(err)
	}
	// a top brush wants its direction as well; an arch wants nothing; what is retired does not count
	if _, err := w.addPositions(newPosition(w, "UMB-1/TOP", "top_brush", "centre", began), newPosition(w, "UMB-1/ARCH", "arch", "centre", began),
		newPosition(w, "UMB-1/GONE", "side_brush_high", "left", began)); err != nil {
		t.Fatal(err)
	}
	all, err := assets.Positions(ctx, w.db, sys, assets.PositionFilter{}, assets.Page{Limit: 10})
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range all {
		state := map[string]string{"UMB-1/ARCH": "empty", "UMB-1/GONE": "retired", "UMB-1/TOP": "parked"}[p.Code]
		if state == "" {
			continue
		}
		if _, err := w.changeState(p.ID, state, &after); err != nil {
			t.Fatal(err)
		}
	}
	o = w.overview(t)
	if o.Brushes != 3 || o.Parked != 1 || o.Empty != 1 || o.Missing != 12+8 || o.Unisolated != 2 || o.CheckedOn == nil || *o.CheckedOn != before.Format(time.DateOnly) {
		t.Errorf("then %+v", o)
	}
	// the oldest of the checks that hold counts, not one that was repeated
	pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (assets.IsolationPoint, error) {
		return assets.ReviseIsolationPoint(tx, sys, now, e1.ID, isolation(after, "again"))
	})
	if o := w.overview(t); *o.CheckedOn != sold.Format(time.DateOnly) {
		t.Errorf("the oldest check is of %s", *o.CheckedOn)
	}
	stopped, err := assets.NotInService(ctx, w.db, sys, 10)
	if err != nil || len(stopped) != 2 || stopped[0].Code != "UMB-1/ARCH" || stopped[1].Code != "UMB-1/TOP" || stopped[0].SiteName != w.site.Name || stopped[0].Zone != w.site.Zone || *stopped[0].StateReason != "because" {
		t.Errorf("not in service are %+v, %v", stopped, err)
	}
	if stopped, err := assets.NotInService(ctx, w.db, sys, 1); err != nil || len(stopped) != 1 {
		t.Errorf("at most one: %+v, %v", stopped, err)
	}
	spots, err := assets.Spots(ctx, w.db, sys, []uuid.UUID{w.site.ID})
	if err != nil || len(spots) != 4 || spots[0].LineCode != "UMB-1" || *spots[0].LengthM != 33.528 || spots[0].AlongM != 11.5824 {
		t.Errorf("the drawing shows %+v, %v", spots, err)
	}
	for c, want := range map[uuid.UUID]int{w.customer.ID: 1, uuid.New(): 0} {
		found, err := assets.Overviews(ctx, w.db, sys, now, assets.OverviewFilter{CustomerID: &c}, assets.Page{Limit: 10})
		if err != nil || len(found) != want {
			t.Errorf("of %v come %d, %v", c, len(found), err)
		}
	}
	if found, err := assets.Overviews(ctx, w.db, sys, now, assets.OverviewFilter{}, assets.Page{After: "UMB", Limit: 10}); err != nil || len(found) != 0 {
		t.Errorf("after the last comes %+v, %v", found, err)
	}
}

func TestAnHonestRecordHasNoDifferences(t *testing.T) {
	t.Parallel()
	s := newSale(t)
	found, err := assets.Verify(ctx, s.db, sys)
	if err != nil || len(found) != 0 {
		t.Errorf("of an honest record are told %+v, %v", found, err)
	}
}

// What cannot be so is put there by the owner of the tables, past every rule.
func TestVerifyTellsWhatCannotBeSo(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	supply := pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (assets.Supply, error) {
		return assets.AddSupply(tx, sys, now, w.site.ID, assets.NewSupply{Code: "main", Volts: 480, Phases: 3, Hertz: 60, From: &began})
	})
	w.addPoint(t, "E1", began)
	in := positionEdit(w.right)
	in.SupplyID, in.Along = &supply.ID, &measure.Typed{Value: 34, Unit: "m"}
	if _, err := w.editPosition(w.right.ID, 1, in); err != nil { // a line of 33.528 m ends before
		t.Fatal(err)
	}
	pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (assets.Supply, error) { return assets.EndSupply(tx, sys, w.site.ID, supply.ID, now) })
	early := began.AddDate(-1, 0, 0)
	if _, err := w.tell(w.left.ID, assets.NewFact{Fact: "media", Value: "foam", From: &early}); err != nil { // before the position was there
		t.Fatal(err)
	}
	conn, err := pgx.Connect(ctx, w.owner)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(ctx)
	for _, q := range []string{
		`select set_config('spindlebook.actor', '` + sys.ID.String() + `', false)`,
		`update ownership set during = tstzrange(lower(during), lower(during) + interval '1 day')`,
		`update position_state set during = tstzrange(lower(during), lower(during) + interval '1 day') where position_id = '` + w.left.ID.String() + `'`,
		`update isolation_version set during = tstzrange(lower(during), lower(during) + interval '1 day')`,
	} {
		if _, err := conn.Exec(ctx, q); err != nil {
			t.Fatalf("%s: %v", q, err)
		}
	}
	found, err := assets.Verify(ctx, w.db, sys)
	want := []assets.Difference{
		{Thing: "isolation point E1", Says: "has no version that holds now"},
		{Thing: "position UMB-1/SBL-L", Says: "is without a state for a part of its time"},
		{Thing: "position UMB-1/SBL-L", Says: "shares a fact with another time: media"},
		{Thing: "position UMB-1/SBL-R", Says: "is fed by a supply that has ended"},
		{Thing: "position UMB-1/SBL-R", Says: "stands beyond the end of its line"},
		{Thing: "site UMB", Says: "belongs to nobody now"},
	}
	if err != nil || len(found) != len(want) {
		t.Fatalf("told are %+v, %v", found, err)
	}
	for i := range want {
		if found[i] != want[i] {
			t.Errorf("told is %+v, want %+v", found[i], want[i])
		}
	}
}
