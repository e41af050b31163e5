package pm_test

import (
	"slices"
	"testing"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgtest"
	"spindlebook/internal/pm"
)

// Work ahead at a site: the annual service answers the monthly looks at both
// brushes, and those the line's weekly look on the days on which both are done.
func TestWorkAheadAtASite(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	w.procedure(t, "LOOK", nil)
	w.procedure(t, "INSPECT", func(c *pm.Content) { c.Covers, c.People, c.Skills = []string{"LOOK"}, 2, []string{"T2"} })
	w.procedure(t, "SERVICE", func(c *pm.Content) { c.Covers, c.LineState = []string{"INSPECT"}, "line_down" })
	brushes := []string{"side_brush_low"}
	look := w.plan(t, "LOOK", pm.Terms{AppliesTo: "line", Kinds: brushes, Triggers: []pm.Trigger{every("P7D")}, Late: pm.Tolerance{Days: 2}})
	inspect := w.plan(t, "INSPECT", pm.Terms{AppliesTo: "position", Kinds: brushes, Triggers: []pm.Trigger{every("P28D")}})
	service := w.plan(t, "SERVICE", pm.Terms{AppliesTo: "line", Triggers: []pm.Trigger{every("P56D")}})
	w.tick(t, now)
	for _, plan := range []uuid.UUID{look, service} {
		d := w.of(t, plan, w.line.ID, now)
		d.Stated = true
		w.do(t, d)
	}
	for _, p := range []assets.Position{w.left, w.right} {
		d := w.of(t, inspect, p.ID, now)
		d.Stated = true
		w.do(t, d)
	}
	got, err := pm.WorkAhead(ctx, w.db, sys, now, pm.AheadFilter{Weeks: 9}, pm.Page{Limit: 10})
	if err != nil || len(got.Sites) != 1 || len(got.Sites[0].Weeks) != 9 {
		t.Fatalf("%+v %v", got, err)
	}
	if !slices.Equal(got.Skills, []string{"T1", "T2"}) {
		t.Errorf("skills %v", got.Skills)
	}
	jobs, covered, down, people := 0, 0, 0.0, 0.0
	for _, x := range got.Sites[0].Weeks {
		jobs, covered, down, people = jobs+x.Jobs, covered+x.Covered, down+x.DownHours, people+x.Skills[1]
	}
	// looks on days 7, 14, 21, 35, 42, 49; inspections of both on day 28; the service on day 56
	if jobs != 6+2+1 || covered != 1+1+2 || down != 0.2 || people != 2*2*0.2 {
		t.Errorf("%d jobs, %d covered, %v h of line down, %v h of seniors", jobs, covered, down, people)
	}

	// a draft is seen beside what holds, by whoever may plan
	pgtest.Done(t, w.db, sys, func(tx *gorm.DB) ([]uuid.UUID, error) {
		return pm.WritePlanDrafts(tx, sys, now, []pm.WritePlan{{Plan: look, Terms: full(pm.Terms{AppliesTo: "line", Kinds: brushes, Triggers: []pm.Trigger{every("P14D")}})}})
	})
	versions, err := pm.PlanVersions(ctx, w.db, sys, look)
	if err != nil || versions[0].PublishedAt != nil {
		t.Fatalf("%+v %v", versions, err)
	}
	counted, statements := pgdb.CountStatements(ctx)
	got, err = pm.WorkAhead(counted, w.db, sys, now, pm.AheadFilter{SiteID: &w.site.ID, Weeks: 9, Draft: &versions[0].ID}, pm.Page{Limit: 10})
	if err != nil {
		t.Fatal(err)
	}
	then := 0
	for _, x := range got.Sites[0].Draft {
		then += x.Jobs
	}
	if then != 2+2+1 { // looks on days 14 and 42
		t.Errorf("%d jobs under the draft", then)
	}
	if n := statements.Load(); n > 25 {
		t.Errorf("%d statements", n)
	}

	// bad input, and who sees what
	_, err = pm.WorkAhead(ctx, w.db, sys, now, pm.AheadFilter{Weeks: 106}, pm.Page{Limit: 10})
	pgtest.Refused(t, "too far", err, fault.Invalid, "query.weeks", "1 to 105")
	owner := pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (access.Account, error) {
		return access.AddPerson(tx, sys, now, access.NewPerson{Name: "owner", Login: "owner@example.org", CustomerID: &w.customer.ID, Grants: []access.NewGrant{{Role: "owner", CustomerID: &w.customer.ID}}})
	})
	who, _, err := access.Load(ctx, w.db, owner.ID)
	if err != nil {
		t.Fatal(err)
	}
	if got, err := pm.WorkAhead(ctx, w.db, who, now, pm.AheadFilter{Weeks: 4}, pm.Page{Limit: 10}); err != nil || len(got.Sites) != 1 {
		t.Errorf("the owner sees %+v %v", got, err)
	}
	_, err = pm.WorkAhead(ctx, w.db, who, now, pm.AheadFilter{Weeks: 4, Draft: &versions[0].ID}, pm.Page{Limit: 10})
	pgtest.Refused(t, "an owner's draft", err, fault.Forbidden, "", "plan")
	// once sold, what comes is no matter of the former owner's
	buyer := pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (assets.Customer, error) {
		return assets.AddCustomer(tx, sys, now, assets.CustomerEdit{Code: "BUY", Name: "Buyer"})
	})
	pgtest.Done(t, w.db, sys, func(tx *gorm.DB) ([]assets.Ownership, error) {
		return assets.HandOver(tx, sys, w.site.ID, buyer.ID, now.AddDate(0, 0, -1))
	})
	if got, err := pm.WorkAhead(ctx, w.db, who, now, pm.AheadFilter{Weeks: 4}, pm.Page{Limit: 10}); err != nil || len(got.Sites) != 0 {
		t.Errorf("the former owner sees %+v %v", got, err)
	}
	_, err = pm.WorkAhead(ctx, w.db, who, now, pm.AheadFilter{SiteID: &w.site.ID, Weeks: 4}, pm.Page{Limit: 10})
	pgtest.Refused(t, "the sold site", err, fault.NotFound, "", "site")
}
