package visits_test

import (
	"slices"
	"strings"
	"testing"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/assets"
	"spindlebook/internal/calendar"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgtest"
	"spindlebook/internal/pm"
	"spindlebook/internal/pm/visits"
)

// plan makes a plan of a procedure for low side brushes, every so many days.
func (w *trade) plan(code, criticality, every string, window int) uuid.UUID {
	w.t.Helper()
	id := pgtest.Done(w.t, w.db, sys, func(tx *gorm.DB) (uuid.UUID, error) {
		ids, err := pm.AddPlans(tx, sys, began, []pm.NewPlan{{Code: code, Title: "Plan " + code, Procedure: code}})
		if err != nil {
			return uuid.Nil, err
		}
		late := pm.Tolerance{Days: window}
		if criticality == "S" {
			late = pm.Tolerance{}
		}
		v, err := pm.WritePlanDrafts(tx, sys, began, []pm.WritePlan{{Plan: ids[0], Terms: pm.Terms{AppliesTo: "position", Kinds: []string{"side_brush_low"}, Basis: "floating", Criticality: criticality,
			Triggers: []pm.Trigger{{Kind: "every", Every: every}}, Early: pm.Tolerance{Days: window}, Late: late}}})
		if err != nil {
			return uuid.Nil, err
		}
		return ids[0], pm.PublishPlans(tx, sys, began, v)
	})
	if _, err := pm.Tick(ctx, w.db, now); err != nil {
		w.t.Fatal(err)
	}
	return id
}

// did records that an assignment's work was done so many days ago.
func (w *trade) did(plan uuid.UUID, position uuid.UUID, ago int) uuid.UUID {
	w.t.Helper()
	rows, err := pgdb.Read[struct{ ID uuid.UUID }](ctx, w.db, sys.ID, `select id from assignment where plan_id = @plan and thing_id = @thing and ended_at is null`, map[string]any{"plan": plan, "thing": position})
	if err != nil || len(rows) != 1 {
		w.t.Fatal(rows, err)
	}
	d := pm.Done{AssignmentID: &rows[0].ID, At: now.AddDate(0, 0, -ago), People: []pm.Person{{Name: "Imre", Skills: []string{"T1"}}, {Name: "Ida", Skills: []string{"T1"}}}}
	w.complete(d)
	return rows[0].ID
}

func (w *trade) propose() visits.Proposal {
	w.t.Helper()
	all, err := visits.Propose(ctx, w.db, w.manager, now, []uuid.UUID{w.site.ID})
	if err != nil || len(all) != 1 {
		w.t.Fatal(all, err)
	}
	return all[0]
}

func trips(p visits.Proposal) string {
	var s []string
	for _, v := range p.Visits {
		var names []string
		for _, x := range v.Tasks {
			names = append(names, x.Name)
		}
		slices.Sort(names)
		s = append(s, v.On.String()+" "+strings.Join(names, ", "))
	}
	return strings.Join(s, "; ")
}

func TestWorkIsGroupedAcceptedMovedAndIgnored(t *testing.T) {
	t.Parallel()
	w := newTrade(t)
	if err := w.do(func(tx *gorm.DB) error {
		_, err := assets.Pair(tx, sys, w.left.ID, w.left.Version, &w.right.ID)
		return err
	}); err != nil {
		t.Fatal(err)
	}
	w.skill(w.ida, "T1", "2027-05-20")
	for _, code := range []string{"PM-010", "PM-028", "PM-008", "PM-001"} {
		w.procedure(code, func(c *pm.Content) {
			if code == "PM-001" {
				c.Skills = []string{"OP"}
			}
		})
	}
	monthly, foam, safety := w.plan("PM-010", "B", "P30D", 7), w.plan("PM-028", "A", "P180D", 20), w.plan("PM-008", "S", "P90D", 7)
	w.plan("PM-001", "B", "P1D", 0)
	// due on 1 June both; foam of the left on 20 June, of the right on 1 July; safety on 16 June both
	w.did(monthly, w.left.ID, 10)
	w.did(monthly, w.right.ID, 10)
	left := w.did(foam, w.left.ID, 141)
	right := w.did(foam, w.right.ID, 130)
	w.did(safety, w.left.ID, 55)
	w.did(safety, w.right.ID, 55)
	p := w.propose()
	if p.SiteCode != "UMB" || p.Currency != "USD" || len(p.Conflicts) != 0 {
		t.Errorf("proposed is %+v", p)
	}
	foams, safeties := 0, 0
	for _, v := range p.Visits {
		for _, x := range v.Tasks {
			switch {
			case strings.HasPrefix(x.Name, "PM-001"):
				t.Error("the rounds of site staff are proposed")
			case strings.HasPrefix(x.Name, "PM-008"):
				if safeties++; v.On > x.DueOn || x.Late != 0 {
					t.Errorf("safety work is put on %s, due %s", v.On, x.DueOn)
				}
			case strings.HasPrefix(x.Name, "PM-028"):
				if foams++; v.On < x.EarliestOn || v.On > x.LatestOn {
					t.Errorf("foam is put on %s, window %s to %s", v.On, x.EarliestOn, x.LatestOn)
				}
			}
			if x.Early > 0 && strings.HasPrefix(x.Name, "PM-028") && x.WasteMinor == 0 {
				t.Errorf("nothing is thrown away by being %d days early with %s", x.Early, x.Name)
			}
		}
	}
	if foams != 2 || safeties != 2 || p.Together.Trips >= p.Alone.Trips || p.Together.Money >= p.Alone.Money || !strings.Contains(p.Says, "saves USD") {
		t.Errorf("%d foam sets, %d safety; %s: %s", foams, safeties, trips(p), p.Says)
	}
	// both foam sets on one trip: they are twins
	both := slices.IndexFunc(p.Visits, func(v visits.ProposedVisit) bool {
		return strings.Count(trips(visits.Proposal{Visits: []visits.ProposedVisit{v}}), "PM-028") == 2
	})
	if both < 0 {
		t.Fatalf("the twins are parted: %s", trips(p))
	}

	// it is accepted on its day, the foam raised early, and then stays
	trip := p.Visits[both]
	var work []visits.Picked
	for _, x := range trip.Tasks {
		work = append(work, visits.Picked{TaskID: x.TaskID, AssignmentID: x.AssignmentID})
	}
	accept := func(in visits.Accepting) (uuid.UUID, error) {
		return pgtest.Write(w.db, w.manager, func(tx *gorm.DB) (uuid.UUID, error) { return visits.Accept(tx, w.manager, now, in) })
	}
	in := visits.Accepting{New: visits.New{SiteID: w.site.ID, Hours: visits.Hours{On: trip.On, Starts: "06:00", Minutes: 300}, Saying: p.Says, People: []visits.Going{{PersonID: w.imre.ID}, {PersonID: w.ida.ID}}, VanID: &w.van.ID}, Work: work}
	id, err := accept(in)
	if err != nil {
		t.Fatal(err)
	}
	v := w.one(id)
	if v.Origin != "grouping" || v.Tasks != len(work) || v.State != visits.Planned {
		t.Errorf("accepted is %+v", v)
	}
	if says, err := visits.Saying(ctx, w.db, w.manager, id); err != nil || says != p.Says {
		t.Errorf("it was said %q, %v", says, err)
	}
	again := w.propose()
	at := slices.IndexFunc(again.Visits, func(v visits.ProposedVisit) bool { return v.VisitID != nil })
	if at < 0 || *again.Visits[at].VisitID != id || len(again.Visits[at].Tasks) < len(work) || again.Visits[at].On != trip.On {
		t.Errorf("after that it proposes %s", trips(again))
	}
	// sent again: the work is on it already and moves nowhere
	if err := w.do(func(tx *gorm.DB) error {
		return visits.Change(tx, w.manager, now, id, v.Version, visits.Edit{Hours: visits.Hours{On: trip.On - 1, Starts: "06:00", Minutes: 300}, Locked: true})
	}); err != nil {
		t.Fatal(err)
	}
	if got := w.propose(); !strings.Contains(trips(got), (trip.On - 1).String()) {
		t.Errorf("moved by a person it proposes %s", trips(got))
	}

	// one more thing is put on the visit that there is
	var other visits.ProposedVisit
	for _, v := range again.Visits {
		if v.VisitID == nil {
			other = v
		}
	}
	if len(other.Tasks) > 0 {
		x := other.Tasks[0]
		if _, err := accept(visits.Accepting{VisitID: &id, Version: w.one(id).Version, Work: []visits.Picked{{TaskID: x.TaskID, AssignmentID: x.AssignmentID}}}); err != nil && fault.KindOf(err) != fault.Invalid {
			t.Errorf("one more: %v", err)
		}
	}

	// ignored for a while, and not any more
	w.did(monthly, w.left.ID, 2)
	ignore := func(of visits.Picked, until calendar.Date, reason string) (uuid.UUID, error) {
		return pgtest.Write(w.db, w.manager, func(tx *gorm.DB) (uuid.UUID, error) {
			return visits.Ignore(tx, w.manager, now, w.site.ID, of, until, reason)
		})
	}
	grease := w.task("PM-010", 30, nil)
	choice, err := ignore(visits.Picked{TaskID: &grease}, today+10, "the owner rebuilds that brush")
	if err != nil {
		t.Fatal(err)
	}
	has := func() bool {
		p := w.propose()
		return slices.ContainsFunc(p.Visits, func(v visits.ProposedVisit) bool {
			return slices.ContainsFunc(v.Tasks, func(x visits.ProposedTask) bool { return x.TaskID != nil && *x.TaskID == grease })
		})
	}
	if has() {
		t.Error("what is ignored is proposed")
	}
	if all, err := visits.Choices(ctx, w.db, w.manager, now, w.site.ID); err != nil || len(all) != 1 || all[0].ID != choice || all[0].ChosenBy != "Marta" || all[0].Title != "Work PM-010" {
		t.Errorf("chosen is %+v, %v", all, err)
	}
	for range 2 {
		if err := w.do(func(tx *gorm.DB) error { return visits.Unignore(tx, w.manager, now, choice) }); err != nil {
			t.Fatal(err)
		}
	}
	if !has() {
		t.Error("what is not ignored any more is not proposed")
	}
	stop := w.task("PM-010", 5, func(n *pm.NewTask) { n.Criticality = "S" })
	for what, c := range map[string]struct {
		of          visits.Picked
		until       calendar.Date
		reason      string
		field, says string
	}{
		"safety work": {visits.Picked{TaskID: &stop}, today + 5, "x", "task_id", "never left out"}, "nothing": {visits.Picked{}, today + 5, "x", "task_id", "not both"},
		"until yesterday": {visits.Picked{TaskID: &grease}, today, "x", "until", "after today"}, "no reason": {visits.Picked{TaskID: &grease}, today + 5, " ", "reason", "blank"},
		"what there is not": {visits.Picked{AssignmentID: new(uuid.New())}, today + 5, "x", "task_id", "nothing"},
	} {
		_, err := ignore(c.of, c.until, c.reason)
		pgtest.Refused(t, what, err, fault.Invalid, c.field, c.says)
	}
	pgtest.Refused(t, "no such choice", w.do(func(tx *gorm.DB) error { return visits.Unignore(tx, w.manager, now, uuid.New()) }), fault.NotFound, "", "")
	for what, c := range map[string]struct {
		in          visits.Accepting
		field, says string
	}{
		"no work":    {visits.Accepting{New: in.New}, "work", "1 to"},
		"both":       {visits.Accepting{New: in.New, Work: []visits.Picked{{TaskID: &grease, AssignmentID: &left}}}, "work[0].task_id", "not both"},
		"no due day": {visits.Accepting{New: in.New, Work: []visits.Picked{{AssignmentID: new(uuid.New())}}}, "work.assignment_id", "falls due"},
	} {
		_, err := accept(c.in)
		pgtest.Refused(t, what, err, fault.Invalid, c.field, c.says)
	}
	_ = right
	_, err = visits.Propose(ctx, w.db, w.imre, now, []uuid.UUID{w.site.ID})
	pgtest.Refused(t, "a technician", err, fault.Forbidden, "", "plan")

	// as many statements for two sites as for one
	count := func(sites ...uuid.UUID) int64 {
		counted, k := pgdb.CountStatements(ctx)
		if _, err := visits.Propose(counted, w.db, w.manager, now, sites); err != nil {
			t.Fatal(err)
		}
		return k.Load()
	}
	if one, two := count(w.site.ID), count(w.site.ID, w.far.ID); one != two {
		t.Errorf("%d statements became %d", one, two)
	}
}

func TestPartsThatCannotBeThereMoveWorkAndSayWhy(t *testing.T) {
	t.Parallel()
	w := newTrade(t)
	w.place("WH", "warehouse", nil)
	shaft := w.stocked("SHAFT", "shaft", "bearing", "none", "ea")
	w.with("J04", nil, always(shaft, "1"))
	w.task("J04", 5, nil)
	w.supplier("SLOW", shaft, 20)
	p := w.propose()
	if len(p.Conflicts) != 1 || p.Conflicts[0].Why != "parts late" || p.Conflicts[0].On == nil || *p.Conflicts[0].On < today+28 {
		t.Errorf("ordered today: %+v", p.Conflicts)
	}
	w.onOrder(shaft, "1", "2026-05-14")
	if p := w.propose(); len(p.Conflicts) != 0 || len(p.Visits) != 1 || p.Visits[0].On < today+3 || p.Visits[0].On > today+5 {
		t.Errorf("on order: %s %+v", trips(p), p.Conflicts)
	}
}

func TestADayIsPutInOrder(t *testing.T) {
	t.Parallel()
	w := newTrade(t)
	a := w.visit(3, func(n *visits.New) { n.SiteID, n.Minutes = w.far.ID, 60 })
	b := w.visit(3, func(n *visits.New) { n.Starts, n.Minutes = "10:00", 60 })
	order := func(ids ...uuid.UUID) visits.Day {
		t.Helper()
		var found []visits.Visit
		for _, id := range ids {
			found = append(found, w.one(id))
		}
		d, err := visits.OrderOf(ctx, w.db, w.imre, now, found)
		if err != nil {
			t.Fatal(err)
		}
		return d
	}
	if d := order(a, b); d.Known || d.Says != "nobody has said where the vans start" {
		t.Errorf("without a start: %+v", d)
	}
	r, err := visits.Rules(ctx, w.db, w.manager)
	if err != nil {
		t.Fatal(err)
	}
	r.Latitude, r.Longitude = new(41.9), new(-88.0)
	if err := w.do(func(tx *gorm.DB) error { return visits.SetRules(tx, w.manager, r.Version, r) }); err != nil {
		t.Fatal(err)
	}
	// there and back: 11.1 km and 47.0 km between, 54.6 km back as the crow flies, times 1.3
	d := order(a, b)
	if !d.Known || len(d.Plan.Legs) != 2 || d.Plan.Kilometres < 140 || d.Plan.Kilometres > 152 || !strings.Contains(d.Says, "miles") {
		t.Errorf("in order: %+v", d)
	}
	if d := order(); d.Known || d.Says != "" {
		t.Errorf("of nothing: %+v", d)
	}
	// where the line may stand at night only, a look while it runs fits into the day all the same
	w.down("20:00", 120)
	w.with("J30", func(c *pm.Content) { c.LineState = "running" })
	w.with("J31", nil)
	for code, late := range map[string]bool{"J30": false, "J31": true} {
		c := w.visit(3, func(n *visits.New) {
			n.Starts, n.Minutes, n.Tasks = "13:00", 60, []visits.Doing{{TaskID: w.task(code, 3, nil)}}
		})
		d := order(c)
		if len(d.Plan.Legs) != 1 || (d.Plan.Legs[0].Starts.In(w.one(c).Location()).Hour() >= 20) != late {
			t.Errorf("%s: %+v", code, d.Plan)
		}
		if err := w.do(func(tx *gorm.DB) error {
			_, err := visits.End(tx, w.manager, now, c, w.one(c).Version, visits.Ending{Reason: "weather", Why: "ice"})
			return err
		}); err != nil {
			t.Fatal(err)
		}
	}
}
