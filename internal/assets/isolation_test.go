package assets_test

import (
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/assets"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgtest"
)

func (w world) addPoint(t testing.TB, code string, from time.Time) assets.IsolationPoint {
	t.Helper()
	return pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (assets.IsolationPoint, error) {
		return assets.AddIsolationPoint(tx, sys, now, w.site.ID, code, "electrical", isolation(from, "first"))
	})
}

func TestAVersionIsClosedByTheNext(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	p := w.addPoint(t, "E1", began)
	first := p.Versions[0]
	if len(p.Versions) != 1 || p.Energy != "electrical" || first.Number != 1 || first.Place != "first" || !first.Lockable || first.InSight || first.CheckedOn != began.Format(time.DateOnly) ||
		first.CheckedBy != "Tom" || !first.From.Equal(began) || first.Until != nil || first.RecordedBy != "spindlebook" {
		t.Errorf("added %+v", p)
	}
	revise := func(id uuid.UUID, in assets.IsolationEdit) (assets.IsolationPoint, error) {
		return pgtest.Write(w.db, sys, func(tx *gorm.DB) (assets.IsolationPoint, error) {
			return assets.ReviseIsolationPoint(tx, sys, now, id, in)
		})
	}
	got, err := revise(p.ID, isolation(sold, "second"))
	if err != nil || len(got.Versions) != 2 || got.Versions[0].Number != 2 || got.Versions[0].Until != nil || got.Versions[1].Number != 1 || !got.Versions[1].Until.Equal(sold) {
		t.Errorf("revised to %+v, %v", got, err)
	}
	got.Versions[1].Until = nil
	if got.Versions[1] != first {
		t.Errorf("more than the end of the first version was changed: %+v", got.Versions[1])
	}
	in := isolation(now, "third")
	in.ValidFrom = nil // now
	if got, err = revise(p.ID, in); err != nil || !got.Versions[0].From.Equal(now) {
		t.Errorf("revised to %+v, %v", got, err)
	}
	for what, c := range map[string]struct {
		change func(in *assets.IsolationEdit)
		field  string
	}{
		"before the version before": {func(in *assets.IsolationEdit) { in.ValidFrom = &sold }, "valid_from"},
		"in the same instant":       {func(in *assets.IsolationEdit) { in.ValidFrom = &now }, "valid_from"},
		"ahead":                     {func(in *assets.IsolationEdit) { in.ValidFrom = new(now.Add(time.Hour)) }, "valid_from"},
		"no date":                   {func(in *assets.IsolationEdit) { in.CheckedOn = "yesterday" }, "checked_on"},
		"no such date":              {func(in *assets.IsolationEdit) { in.CheckedOn = "2025-02-30" }, "checked_on"},
		"a check ahead":             {func(in *assets.IsolationEdit) { in.CheckedOn = now.AddDate(0, 0, 2).Format(time.DateOnly) }, "checked_on"},
		"no place":                  {func(in *assets.IsolationEdit) { in.Place = " " }, "place"},
		"no way to isolate":         {func(in *assets.IsolationEdit) { in.Isolate = "" }, "isolate"},
		"no proof":                  {func(in *assets.IsolationEdit) { in.Prove = "" }, "prove"},
		"no way back":               {func(in *assets.IsolationEdit) { in.Restore = "" }, "restore"},
		"checked by nobody":         {func(in *assets.IsolationEdit) { in.CheckedBy = " " }, "checked_by"},
	} {
		later := now.Add(time.Minute) // the caller's clock, so that a fourth version could begin
		in := isolation(later, "fourth")
		c.change(&in)
		_, err := pgtest.Write(w.db, sys, func(tx *gorm.DB) (assets.IsolationPoint, error) {
			at := later
			if what == "ahead" {
				at = now
			}
			return assets.ReviseIsolationPoint(tx, sys, at, p.ID, in)
		})
		pgtest.Refused(t, what, err, fault.Invalid, c.field)
	}
	_, err = revise(uuid.New(), isolation(now, "x"))
	pgtest.Refused(t, "no such point", err, fault.NotFound, "")
	// where the local date is a day ahead of UTC a check of today is taken
	in = isolation(now.Add(time.Minute), "fourth")
	in.CheckedOn = now.AddDate(0, 0, 1).Format(time.DateOnly)
	if _, err := pgtest.Write(w.db, sys, func(tx *gorm.DB) (assets.IsolationPoint, error) {
		return assets.ReviseIsolationPoint(tx, sys, now.Add(time.Minute), p.ID, in)
	}); err != nil {
		t.Errorf("checked on the local date: %v", err)
	}
	// as of an instant there is one version
	for when, place := range map[time.Time]string{began.Add(-1): "", began: "first", sold.Add(-time.Microsecond): "first", sold: "second", now: "third"} {
		all, err := assets.IsolationPoints(ctx, w.db, sys, when, w.site.ID)
		if err != nil || len(all) != 1 {
			t.Fatal(all, err)
		}
		var places []string
		for _, v := range all[0].Versions {
			places = append(places, v.Place)
		}
		if strings.Join(places, " ") != place {
			t.Errorf("at %v holds %v, want %q", when, places, place)
		}
	}
}

func TestOfTwoRevisionsAtOnceOneHolds(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	p := w.addPoint(t, "E1", began)
	outcomes := atOnce(4, func(i int) error {
		_, err := pgtest.Write(w.db, sys, func(tx *gorm.DB) (assets.IsolationPoint, error) {
			return assets.ReviseIsolationPoint(tx, sys, now, p.ID, isolation(sold.Add(time.Duration(i)*time.Hour), "again"))
		})
		return err
	})
	got, err := assets.OneIsolationPoint(ctx, w.db, sys, p.ID)
	if err != nil || outcomes[none] < 1 || outcomes[none]+outcomes[fault.Conflict]+outcomes[fault.Invalid] != 4 || len(got.Versions) != 1+outcomes[none] {
		t.Fatalf("of %v came %d versions, %v", outcomes, len(got.Versions), err)
	}
	for i, v := range got.Versions {
		if v.Number != len(got.Versions)-i || i > 0 && !v.Until.Equal(got.Versions[i-1].From) {
			t.Errorf("version %+v does not end where the next begins", v)
		}
	}
}

func TestPointsAreCheckedWhenAdded(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	for what, c := range map[string]struct {
		site         uuid.UUID
		code, energy string
		from         time.Time
		kind         fault.Kind
		field        string
	}{
		"code":    {w.site.ID, "e1", "air", began, fault.Invalid, "code"},
		"energy":  {w.site.ID, "E1", "love", began, fault.Invalid, "energy"},
		"ahead":   {w.site.ID, "E1", "air", now.Add(time.Hour), fault.Invalid, "valid_from"},
		"no site": {uuid.New(), "E1", "air", began, fault.NotFound, ""},
	} {
		_, err := pgtest.Write(w.db, sys, func(tx *gorm.DB) (assets.IsolationPoint, error) {
			in := isolation(c.from, "x")
			in.CheckedOn = began.Format(time.DateOnly)
			return assets.AddIsolationPoint(tx, sys, now, c.site, c.code, c.energy, in)
		})
		pgtest.Refused(t, what, err, c.kind, c.field)
	}
	if all, err := assets.IsolationPoints(ctx, w.db, sys, now, w.site.ID); err != nil || len(all) != 0 {
		t.Errorf("of those refused something stayed: %+v, %v", all, err)
	}
	if !strings.Contains(assets.Caution, "come first") {
		t.Error("the caution is gone")
	}
}

func TestASharedPointNamesEveryPosition(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	e1, e2 := w.addPoint(t, "E1", began), w.addPoint(t, "E2", began)
	if all, err := w.isolate(w.left.ID, 1, e2.ID, e1.ID); err != nil || len(all) != 2 || all[0].Code != "E1" || len(all[0].Positions) != 1 {
		t.Fatalf("set %+v, %v", all, err)
	}
	if _, err := w.isolate(w.right.ID, 1, e1.ID); err != nil {
		t.Fatal(err)
	}
	all, err := assets.PositionIsolation(ctx, w.db, sys, now, w.right.ID)
	if err != nil || len(all) != 1 || all[0].ID != e1.ID || len(all[0].Versions) != 1 || len(all[0].Positions) != 2 ||
		all[0].Positions[0] != (assets.PositionRef{ID: w.left.ID, Code: w.left.Code, Name: w.left.Name}) || all[0].Positions[1].ID != w.right.ID {
		t.Errorf("of the right one: %+v, %v", all, err)
	}
	site2 := addSite(t, w.db, "KES", w.customer.ID, began)
	foreign := pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (assets.IsolationPoint, error) {
		return assets.AddIsolationPoint(tx, sys, now, site2.ID, "E1", "air", isolation(began, "x"))
	})
	_, err = w.isolate(w.left.ID, 2, foreign.ID)
	pgtest.Refused(t, "a point of another site", err, fault.Invalid, "point_ids")
	_, err = w.isolate(w.left.ID, 2, uuid.New())
	pgtest.Refused(t, "no such point", err, fault.Invalid, "point_ids")
	_, err = w.isolate(w.left.ID, 2, e1.ID, e1.ID)
	pgtest.Refused(t, "a point twice", err, fault.Invalid, "point_ids")
	if all, err := assets.PositionIsolation(ctx, w.db, sys, now, w.left.ID); err != nil || len(all) != 2 {
		t.Errorf("what was refused left %+v, %v", all, err)
	}
	if all, err := w.isolate(w.left.ID, 2); err != nil || len(all) != 0 {
		t.Errorf("set to none: %+v, %v", all, err)
	}
	if p, err := assets.OneIsolationPoint(ctx, w.db, sys, e1.ID); err != nil || len(p.Positions) != 1 || p.Positions[0].ID != w.right.ID {
		t.Errorf("then the point has %+v, %v", p, err)
	}
	_, err = assets.PositionIsolation(ctx, w.db, sys, now, uuid.New())
	pgtest.Refused(t, "of no position", err, fault.NotFound, "")
	_, err = assets.IsolationPoints(ctx, w.db, sys, now, uuid.New())
	pgtest.Refused(t, "of no site", err, fault.NotFound, "")
	_, err = assets.OneIsolationPoint(ctx, w.db, sys, uuid.New())
	pgtest.Refused(t, "no such point", err, fault.NotFound, "")
}
