package demo

import (
	"strings"
	"testing"

	"spindlebook/internal/access"
	"spindlebook/internal/calendar"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pm/record"
	"spindlebook/internal/pm/visits"
)

// A week behind and one to come: what went, what was given up, what can go and what not,
// and two cards that are open.
func theFortnightIsThere(t *testing.T, db *pgdb.DB) {
	t.Helper()
	all, err := visits.List(ctx, db, access.System, visits.Filter{}, visits.Page{Limit: 100})
	if err != nil {
		t.Fatal(err)
	}
	states := map[string]int{}
	var ahead []visits.Visit
	for _, v := range all {
		states[v.State]++
		if v.State == visits.Planned || v.State == visits.UnderWay {
			ahead = append(ahead, v)
		}
	}
	if states[visits.Closed] < 1 || states[visits.Abandoned] < 1 || states[visits.UnderWay] != 2 || states[visits.Planned] < 4 {
		t.Errorf("the visits are %v", states)
	}
	ready, err := visits.Readiness(ctx, db, access.System, now, ahead)
	if err != nil {
		t.Fatal(err)
	}
	verdicts := map[string]int{}
	for i, r := range ready {
		t.Logf("visit %d to %s: %s, %s", ahead[i].Number, ahead[i].SiteCode, r.Verdict, r.Says)
		for _, j := range r.Jobs {
			verdicts[j.Verdict]++
		}
	}
	for _, v := range []string{"go", "no-go", "cannot tell"} {
		if verdicts[v] == 0 {
			t.Errorf("of %v none is %q", verdicts, v)
		}
	}
	// tomorrow is a day with three visits, whose evening must be prepared: a motor to be turned,
	// and things to fetch; where the vans start is known
	tomorrow := calendar.DateOf(now) + 1
	imre := actor(t, db, "imre.vasko-lind@marrowgate.example")
	van, err := visits.CheckVan(ctx, db, access.System, now, imre.ID, tomorrow)
	if err != nil || len(van.Visits) != 3 {
		t.Fatalf("tomorrow are %d visits, %v", len(van.Visits), err)
	}
	turn, fetch := false, false
	for _, l := range van.Lines {
		fetch = fetch || len(l.Fetch) > 0
		for _, w := range l.Work {
			turn = turn || strings.Contains(w.What, "turn the gearbox") && w.Minutes == 35
		}
	}
	if !turn || !fetch || van.Chance.Percent >= 100 || van.Chance.Percent < 50 {
		t.Errorf("to turn %v, to fetch %v, the chance is %.1f %%", turn, fetch, van.Chance.Percent)
	}
	for i, r := range van.Ready {
		t.Logf("tomorrow to %s: %s, %s", van.Visits[i].SiteCode, r.Verdict, r.Says)
	}
	cards, err := record.Cards(ctx, db, access.System, record.Filter{State: "open"}, record.Page{Limit: 9})
	if err != nil || len(cards) != 2 {
		t.Fatalf("the open cards are %v, %v", cards, err)
	}
	for _, c := range cards {
		if c.VisitID == nil || c.PositionID == nil {
			t.Errorf("the card is %+v", c)
		}
	}
}
