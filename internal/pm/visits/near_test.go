package visits_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/fault"
	"spindlebook/internal/pgtest"
	"spindlebook/internal/pm/visits"
)

// Who is out around now is named once, the nearest first, by the road; who goes tomorrow, or was
// there this morning is not.
func TestWhoIsNear(t *testing.T) {
	t.Parallel()
	w := newTrade(t)
	place := func(site uuid.UUID, latitude, longitude any) {
		pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (bool, error) {
			return true, tx.Exec(`update site set latitude = ?, longitude = ? where id = ?`, latitude, longitude, site).Error
		})
	}
	// their distance is worked out anew below, by the haversine formula
	place(w.site.ID, 51.5081, -0.0759)
	place(w.far.ID, 51.4779, 0.0015)
	rule, err := visits.Rules(ctx, w.db, w.manager)
	if err != nil {
		t.Fatal(err)
	}
	near := func(at time.Time) string {
		t.Helper()
		all, err := visits.Near(ctx, w.db, w.manager, at, w.site.ID, nil)
		if err != nil {
			t.Fatal(err)
		}
		var s []string
		for _, n := range all {
			s = append(s, n.Person+" "+n.SiteCode+" "+n.Away)
		}
		return strings.Join(s, ", ")
	}
	if got := near(now); got != "" {
		t.Errorf("with nobody out: %q", got)
	}
	in := now.In(w.site.Location())
	visit := func(site uuid.UUID, starts time.Time, who uuid.UUID) {
		w.visit(0, func(n *visits.New) {
			n.SiteID, n.VanID, n.People = site, nil, []visits.Going{{PersonID: who}}
			n.Hours = visits.Hours{On: today, Starts: starts.Format("15:04"), Minutes: 60}
		})
	}
	visit(w.far.ID, in.Add(time.Hour), w.imre.ID)
	visit(w.site.ID, in.Add(time.Hour), w.ida.ID)
	got := near(now)
	km := rule.RoadFactor * 2 * 6371.0088 * math.Asin(math.Sqrt(math.Pow(math.Sin((51.5081-51.4779)/2*math.Pi/180), 2)+math.Cos(51.5081*math.Pi/180)*math.Cos(51.4779*math.Pi/180)*math.Pow(math.Sin((0.0759+0.0015)/2*math.Pi/180), 2)))
	all, err := visits.Near(ctx, w.db, w.manager, now, w.site.ID, nil)
	if err != nil || len(all) != 2 || !strings.HasPrefix(got, "Ida "+w.site.Code+" 0 ") || math.Abs(*all[1].Kilometres-km) > 1e-6 || *all[0].Kilometres != 0 {
		t.Errorf("near are %s, %v km away, not %v: %v", got, *all[1].Kilometres, km, err)
	}
	if got := near(now.Add(6 * time.Hour)); got != "" {
		t.Errorf("four hours after they have gone: %q", got)
	}
	place(w.far.ID, nil, nil)
	if got := near(now); !strings.HasSuffix(got, "Imre "+w.far.Code+" ") {
		t.Errorf("of a site of which nobody knows where it lies: %q", got)
	}
	_, err = visits.Near(ctx, w.db, w.person("olga", "owner"), now, w.site.ID, nil)
	if fault.KindOf(err) != fault.Forbidden {
		t.Errorf("an owner is told: %v", err)
	}
}
