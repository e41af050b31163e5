package web_test

import (
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"github.com/google/uuid"
	"golang.org/x/net/html"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/assets/meters"
	"spindlebook/internal/calendar"
	"spindlebook/internal/pm"
)

// programme is a ground with a small programme of its own: inspections of the
// brushes by use or by the calendar, a test for safety, and the round of the
// site's own staff.
type programme struct {
	*ground
	inspect, safety, daily, drain uuid.UUID // plans
	other                         uuid.UUID // an owner of the other customer
	asOther                       *visitor
}

func newProgramme(t testing.TB) *programme {
	t.Helper()
	g := &programme{ground: newGround(t)}
	sys, began := access.System, now.AddDate(-1, 0, 0)
	g.other = g.person(t, "Orla Penn", access.NewGrant{Role: "owner", CustomerID: &g.theirs.ID})
	g.asOther = g.as(t, g.other)
	counter := write(t, g.db, func(tx *gorm.DB) (meters.Meter, error) {
		return meters.Add(tx, sys, now, meters.NewMeter{SiteID: g.site.ID, From: &began, Edit: meters.Edit{Code: "UMB-1/TC", Kind: "entrance_counter"}, Unit: meters.Vehicles, Thing: meters.Thing{LineID: &g.line.ID, Primary: true}})
	})
	var read []meters.NewReading
	for d := 300; d >= 2; d -= 10 {
		read = append(read, meters.NewReading{MeterID: counter.ID, At: now.AddDate(0, 0, -d), Value: meters.Vehicles.Format(int64(400 * (300 - d)))})
	}
	write(t, g.db, func(tx *gorm.DB) ([]meters.Taken, error) { return meters.Take(tx, sys, now, read) })
	limit := func(v float64) *float64 { return &v }
	days := func(n int) *int { return &n }
	g.inspect = g.plan(t, "PM-010", "Brush inspection", pm.Content{People: 1, Skills: []string{"T1"}, Minutes: pm.Minutes{Low: 5, Typical: 12, High: 30}, LineState: "closed_hours", Energies: []string{"electrical"}, Isolation: "lock-out at the device",
		Checks: []pm.Check{{Code: "CK-1001", Prompt: "Media overlap on gauge", Kind: "number", Unit: "mm", WarnLow: limit(90), FailLow: limit(75), OnFail: pm.Action{Says: "change the set", Raises: "PM-028", Days: days(0)}}}, Steps: []pm.Step{{Kind: "do", Says: "Look at the brush."}}},
		pm.Terms{AppliesTo: "position", Kinds: []string{"side_brush_low"}, Triggers: []pm.Trigger{{Kind: "every", Every: "P30D"}, {Kind: "after_use", Unit: "vehicles", Amount: 8000}}, Basis: "floating", Criticality: "A", Early: pm.Tolerance{Days: 7}, Late: pm.Tolerance{Days: 7}})
	g.safety = g.plan(t, "PM-008", "Stop button test", pm.Content{People: 1, Skills: []string{"T1"}, Minutes: pm.Minutes{Low: 20, Typical: 30, High: 60}, LineState: "closed_hours"},
		pm.Terms{AppliesTo: "line", Triggers: []pm.Trigger{{Kind: "every", Every: "P30D"}}, Basis: "floating", Criticality: "S", Early: pm.Tolerance{Days: 7}})
	g.daily = g.plan(t, "PM-001", "Opening walk", pm.Content{People: 1, Skills: []string{"OP"}, Minutes: pm.Minutes{Low: 3, Typical: 5, High: 10}, LineState: "running",
		Checks: []pm.Check{{Code: "CK-0101", Prompt: "Each brush starts, stops and comes back to rest", Kind: "pass_fail", Options: []string{"pass", "fail"}, OnFail: pm.Action{Says: "stop that brush, call service"}},
			{Code: "CK-0102", Prompt: "New noise since yesterday", Kind: "choice", Options: []string{"none", "slight", "loud"}, OnWarn: pm.Action{Says: "note the position"}}}},
		pm.Terms{AppliesTo: "line", Triggers: []pm.Trigger{{Kind: "each_operating_day"}}, Basis: "floating", Criticality: "B"})
	g.drain = g.plan(t, "PM-004", "Drain the air filters", pm.Content{People: 1, Skills: []string{"OP"}, Minutes: pm.Minutes{Low: 3, Typical: 5, High: 10}, LineState: "running",
		Checks: []pm.Check{{Code: "CK-0401", Prompt: "Water drained", Kind: "number", Unit: "L", WarnHigh: limit(0.2), FailHigh: limit(1), OnWarn: pm.Action{Says: "check the drain"}}}},
		pm.Terms{AppliesTo: "site", Triggers: []pm.Trigger{{Kind: "every", Every: "P7D"}}, Basis: "floating", Criticality: "C"})
	g.tick(t)
	return g
}

// plan adds a procedure and a plan of it, both published.
func (g *programme) plan(t testing.TB, code, title string, c pm.Content, terms pm.Terms) uuid.UUID {
	t.Helper()
	return write(t, g.db, func(tx *gorm.DB) (uuid.UUID, error) {
		heads := []pm.NewProcedure{{Code: code, Title: title}}
		for _, k := range c.Checks {
			if k.OnFail.Raises != "" {
				heads = append(heads, pm.NewProcedure{Code: k.OnFail.Raises, Title: "New foam set"})
			}
		}
		ids, err := pm.AddProcedures(tx, access.System, now, heads)
		if err != nil {
			return uuid.Nil, err
		}
		v, err := pm.WriteDrafts(tx, access.System, now, []pm.Write{{Procedure: ids[0], Content: c}})
		if err == nil {
			err = pm.Publish(tx, access.System, now, v)
		}
		if err != nil {
			return uuid.Nil, err
		}
		plans, err := pm.AddPlans(tx, access.System, now, []pm.NewPlan{{Code: code, Title: title, Procedure: code}})
		if err != nil {
			return uuid.Nil, err
		}
		if v, err = pm.WritePlanDrafts(tx, access.System, now, []pm.WritePlan{{Plan: plans[0], Terms: terms}}); err != nil {
			return uuid.Nil, err
		}
		return plans[0], pm.PublishPlans(tx, access.System, now, v)
	})
}

func (g *programme) tick(t testing.TB) {
	t.Helper()
	for range 3 {
		if _, err := pm.Tick(ctx, g.db, g.house.now); err != nil {
			t.Fatal(err)
		}
	}
}

// of gives the assignment of a plan at a thing.
func (g *programme) of(t testing.TB, plan, thing uuid.UUID) pm.Item {
	t.Helper()
	all, err := pm.Worst(ctx, g.db, access.System, pm.ItemFilter{PlanID: &plan}, 0, 50)
	if err != nil {
		t.Fatal(err)
	}
	for _, i := range all {
		for _, at := range []*uuid.UUID{i.UnitID, i.PositionID, i.LineID, i.SiteID} {
			if at != nil {
				if *at == thing {
					return i
				}
				break
			}
		}
	}
	t.Fatalf("no work of the plan there among %d", len(all))
	return pm.Item{}
}

// fields names the fields of a task on a sheet: what is asked, and of which check.
func (g *programme) fields(t testing.TB, plan, thing uuid.UUID) func(what, check string) string {
	t.Helper()
	it := g.of(t, plan, thing)
	if it.TaskID == nil {
		t.Fatal("no task is open")
	}
	task, err := pm.OneTask(ctx, g.db, access.System, *it.TaskID)
	if err != nil {
		t.Fatal(err)
	}
	return func(what, check string) string {
		name := fmt.Sprintf("%s%d", what, task.Number)
		if check != "" {
			name += "_" + check
		}
		return name
	}
}

// did records an inspection of the left brush so many days ago.
func (g *programme) did(t testing.TB, days int, overlap string) {
	t.Helper()
	it := g.of(t, g.inspect, g.left.ID)
	done := []pm.Done{{AssignmentID: &it.ID, At: now.AddDate(0, 0, -days), People: []pm.Person{{Name: "Imre Vasko", Skills: []string{"T1"}}}, Answers: []pm.Answer{{Check: "CK-1001", Found: overlap}}}}
	p, err := pm.Prepare(ctx, g.db, access.System, now, done)
	if err != nil {
		t.Fatal(err)
	}
	touched := write(t, g.db, func(tx *gorm.DB) ([]uuid.UUID, error) {
		_, touched, err := pm.Complete(tx, access.System, now, p, done)
		return touched, err
	})
	if err := pm.Follow(ctx, g.db, now, touched); err != nil {
		t.Fatal(err)
	}
}

func TestWhatIsDueIsShownTheWorstFirst(t *testing.T) {
	t.Parallel()
	g := newProgramme(t)
	g.did(t, 25, "95")
	g.tick(t)
	site := "/sites/" + g.site.ID.String()
	page := g.asManager.get(site + "/due")
	visitSays(t, "the site", page, "What is due here", "Stop button test", "safety or law", "No record that this was done since it was put in service", "Brush inspection", "of 8,000 vehicles", "every 30 days",
		"Opening walk", "Plan a visit", "Two years ahead", "line UMB-1")
	words := wordsOf(t, page.body)
	if s, i := strings.Index(words, "Stop button test"), strings.Index(words, "Brush inspection"); s > i {
		t.Error("work for safety stands behind the rest")
	}
	if n := strings.Count(page.body, `class="wear"`); n < 6 {
		t.Errorf("%d bars", n)
	}
	tidy(t, "due", page.body)
	only := g.asManager.get(site + "/due?position=" + g.left.ID.String())
	visitSays(t, "one position", only, g.left.Code, "The whole site", "Brush inspection")
	if strings.Contains(wordsOf(t, only.body), "Stop button test") {
		t.Error("work of the line stands under a position")
	}
	for name, v := range map[string]*visitor{"owner": g.asOwner, "staff": g.asStaff, "technician": g.asTech} {
		visitSays(t, name, v.get(site+"/due"), "Brush inspection", "Stop button test")
	}
	// nobody of another customer's
	one := "/due/" + g.of(t, g.inspect, g.left.ID).ID.String()
	for _, path := range []string{site + "/due", one} {
		if got := g.asOther.get(path); got.status != http.StatusNotFound {
			t.Errorf("another owner gets %d at %s", got.status, path)
		}
	}
	if got := g.asOther.get("/"); strings.Contains(got.body, "Stop button test") {
		t.Error("another owner's overview tells of it")
	}
	visitSays(t, "home", g.asManager.get("/"), "What is due", "for safety or the law", "Stop button test", "1 late")
	visitSays(t, "the site's page", g.asOwner.get(site), "What is due here", "All of it, with reasons", "Stop button test")
	visitSays(t, "the position's page", g.asTech.get("/positions/"+g.left.ID.String()), "What is due", "Brush inspection", "All planned work here, 1 in number", "Open a job card")
	visitSays(t, "one thing", g.asOwner.get(one), "Brush inspection", "since 31 October", "It counts from 31 October 2026, when it was last done", "Media overlap on gauge: 95 mm", "Imre Vasko")
	if strings.Contains(g.asOwner.get(one).body, "Another interval") {
		t.Error("an owner is offered another interval")
	}
	for _, bad := range []string{site + "/due?position=x", site + "/due?from=-3", site + "/due?from=many", site + "/due?from=99999999"} {
		if got := g.asManager.get(bad); got.status != http.StatusOK {
			t.Errorf("%s: %d", bad, got.status)
		}
	}
	if got := g.asManager.get(site + "/due?position=" + uuid.NewString()); got.status != http.StatusNotFound {
		t.Errorf("a position that is not there: %d", got.status)
	}
}

func TestATaskIsPlannedPutOffTakenBackAndOpened(t *testing.T) {
	t.Parallel()
	g := newProgramme(t)
	brush, safe := g.of(t, g.inspect, g.left.ID), g.of(t, g.safety, g.line.ID)
	at, grave := "/tasks/"+brush.TaskID.String(), "/tasks/"+safe.TaskID.String()
	visitSays(t, "the task", g.asManager.get(at), "Brush inspection", "open", "a plan", "Media overlap on gauge", "Look at the brush.", "lock-out at the device", "about 12 minutes", "in closed hours", "Put it off", "Open a job card")
	visitSays(t, "the task of safety", g.asManager.get(grave), "for safety or the law")
	if got := g.asManager.get(grave); strings.Contains(got.body, grave+"/skip") {
		t.Error("it is offered to put safety off")
	}
	owner := g.asOwner.get(at)
	visitSays(t, "the owner's look", owner, "Brush inspection", "When")
	for _, secret := range []string{"Put it off", "Internal notes", "Open a job card", "Say when"} {
		if strings.Contains(owner.body, secret) {
			t.Errorf("the owner sees %q", secret)
		}
	}
	if got := g.asOther.get(at); got.status != http.StatusNotFound {
		t.Errorf("another owner gets %d", got.status)
	}
	for _, c := range []struct {
		by         *visitor
		path, want string
		fill       map[string]string
	}{
		{g.asManager, at + "/plan", "is a date that exists", map[string]string{"planned_on": "2026-02-30"}},
		{g.asManager, grave + "/plan", "never put later", map[string]string{"planned_on": "2027-01-01"}},
		{g.asManager, at + "/skip", "must not be blank", map[string]string{"until": "2026-12-20", "reason": " "}},
		{g.asManager, at + "/skip", "is a day from 2026-11-26", map[string]string{"until": "2026-11-01", "reason": "storm"}},
		{g.asManager, grave + "/skip", "cannot be skipped", map[string]string{"until": "2026-12-20", "reason": "storm"}},
		{g.asManager, at + "/cancel", "comes of a plan", map[string]string{"reason": "no"}},
		{g.asManager, at + "/resume", "was not put off", nil},
	} {
		if got := c.by.fill(c.path, c.fill); got.status < 400 || !strings.Contains(bare(got.body), c.want) {
			t.Errorf("%s %v: %d %s", c.path, c.fill, got.status, bare(got.body))
		}
	}
	for who, v := range map[string]*visitor{"owner": g.asOwner, "staff": g.asStaff} {
		for _, form := range []string{"/plan", "/skip", "/cancel", "/note", "/job"} {
			if got := v.get(at + form); got.status != http.StatusForbidden {
				t.Errorf("%s at %s: %d", who, form, got.status)
			}
		}
	}
	if got := g.asManager.fill(at+"/plan", map[string]string{"planned_on": "2026-11-28"}); got.status != 303 {
		t.Fatalf("plan: %d %s", got.status, bare(got.body))
	}
	visitSays(t, "planned", g.asTech.get(at), "Meant to be done", "28 November 2026")
	if got := g.asTech.fill(at+"/skip", map[string]string{"until": "2026-12-20", "reason": "the line is rebuilt"}); got.status != 303 {
		t.Fatalf("put off: %d %s", got.status, bare(got.body))
	}
	visitSays(t, "put off", g.asManager.get(at), "put off since", "Imre Vasko", "the line is rebuilt", "until 20 December 2026", "Take that back")
	if it := g.of(t, g.inspect, g.left.ID); it.TaskID != nil || it.SkippedUntil == nil {
		t.Errorf("put off it stands at %+v", it)
	}
	if got := g.asManager.fill(at+"/resume", nil); got.status != 303 {
		t.Fatalf("take back: %d %s", got.status, bare(got.body))
	}
	if it := g.of(t, g.inspect, g.left.ID); it.TaskID == nil || *it.TaskID != *brush.TaskID || it.SkippedUntil != nil || it.State != brush.State {
		t.Errorf("taken back it stands at %+v, before at %+v", it, brush)
	}
	if got := g.asManager.fill(at+"/note", map[string]string{"body": "ring before you come"}); got.status != 303 {
		t.Fatalf("note: %d", got.status)
	}
	if strings.Contains(g.asOwner.get(at).body, "ring before you come") {
		t.Error("the owner reads the note")
	}
	card := g.asTech.fill(at+"/job", nil)
	if card.status != 303 || !strings.HasPrefix(card.head.Get("Location"), "/jobs/") {
		t.Fatalf("the card: %d %s", card.status, bare(card.body))
	}
	visitSays(t, "the card", g.asTech.get(card.head.Get("Location")), "Brush inspection", "Look at the brush.")
	by := write(t, g.db, func(tx *gorm.DB) (uuid.UUID, error) {
		return pm.RaiseTask(tx, access.System, now, pm.NewTask{SiteID: &g.site.ID, Title: "Paint the rail", Criticality: "C", DueOn: calendar.DateOf(now) + 3})
	})
	if got := g.asManager.fill("/tasks/"+by.String()+"/cancel", map[string]string{"reason": "done by the owner"}); got.status != 303 {
		t.Fatalf("cancel: %d %s", got.status, bare(got.body))
	}
	visitSays(t, "cancelled", g.asManager.get("/tasks/"+by.String()), "cancelled since", "done by the owner", "It has no procedure")
}

// What was done before this record is said by whoever plans, and counts from there.
func TestWorkFromBeforeTheRecordIsSaid(t *testing.T) {
	t.Parallel()
	g := newProgramme(t)
	at := "/due/" + g.of(t, g.inspect, g.right.ID).ID.String()
	visitSays(t, "before", g.asManager.get(at), "No record that it was done since it was put in service", "Say when it was last done")
	if got := g.asTech.get(at + "/stated"); got.status != http.StatusForbidden {
		t.Errorf("a technician gets %d", got.status)
	}
	for want, fill := range map[string]map[string]string{"must not be blank": {"at": "", "remark": "a log"}, "must not lie ahead": {"at": "2026-11-30", "remark": "a log"}, "is a date": {"at": "yesterday", "remark": "a log"}} {
		if got := g.asManager.fill(at+"/stated", fill); got.status != 422 || !strings.Contains(bare(got.body), want) {
			t.Errorf("%v: %d %s", fill, got.status, bare(got.body))
		}
	}
	if got := g.asManager.fill(at+"/stated", map[string]string{"at": "2026-11-10", "remark": "a sticker on the arm"}); got.status != 303 {
		t.Fatalf("%d %s", got.status, bare(got.body))
	}
	page := g.asManager.get(at)
	visitSays(t, "after", page, "It counts from 10 November 2026, when it was last done.", "a sticker on the arm", "vehicles since 10 November")
	if strings.Contains(page.body, "Say when it was last done") {
		t.Error("it is asked again")
	}
}

// In the morning, what was done today was done by now.
func TestWhatWasDoneThisMorningIsSaid(t *testing.T) {
	t.Parallel()
	g := newProgramme(t) // half past nine at the site
	at := "/due/" + g.of(t, g.inspect, g.left.ID).ID.String()
	if got := g.asManager.fill(at+"/stated", map[string]string{"at": "2026-11-25", "remark": "seen it myself"}); got.status != 303 {
		t.Fatalf("%d %s", got.status, bare(got.body))
	}
	visitSays(t, "after", g.asManager.get(at), "It counts from 25 November 2026, when it was last done.")
	if got := g.asManager.fill("/due/"+g.of(t, g.inspect, g.right.ID).ID.String()+"/stated", map[string]string{"at": "2026-11-26", "remark": "tomorrow"}); got.status != 422 {
		t.Errorf("tomorrow: %d", got.status)
	}
}

// A site at which nothing is due says so, rather than nothing.
func TestASiteSaysThatNothingIsDue(t *testing.T) {
	t.Parallel()
	g := newGround(t)
	page := g.asOwner.get("/sites/" + g.site.ID.String())
	visitSays(t, "without plans", page, "What is due here", "Nothing is due: no plan fits what is here.")
	if strings.Contains(page.body, "Nothing is late") {
		t.Error("it counts what is not there")
	}
	(&programme{ground: g}).plan(t, "PM-300", "Paint the rail", pm.Content{People: 1, Skills: []string{"T1"}, Minutes: pm.Minutes{Low: 3, Typical: 5, High: 10}, LineState: "running"},
		pm.Terms{AppliesTo: "site", Triggers: []pm.Trigger{{Kind: "every", Every: "P1200D"}}, Basis: "floating", Criticality: "C"})
	(&programme{ground: g}).tick(t)
	visitSays(t, "with something far ahead", g.asOwner.get("/sites/"+g.site.ID.String()), "Nothing is due.", "1 piece of work is planned for later.", "All of it, with reasons")
}

func TestAnotherIntervalAtOneThing(t *testing.T) {
	t.Parallel()
	g := newProgramme(t)
	g.did(t, 20, "95")
	it, safe := g.of(t, g.inspect, g.left.ID), g.of(t, g.safety, g.line.ID)
	at := "/due/" + it.ID.String()
	for _, c := range []struct {
		path, want string
		fill       map[string]string
	}{
		{at, "must not be blank", map[string]string{"every": "P10D", "until": "2026-12-31", "reason": ""}},
		{at, "must be longer than the window", map[string]string{"every": "P10D", "until": "2026-12-31", "reason": "salt"}},
		{at, "is a duration such as P30D", map[string]string{"every": "ten days", "until": "2026-12-31", "reason": "salt"}},
		{at, "more than 0 vehicles", map[string]string{"amount_vehicles": "-5", "until": "2026-12-31", "reason": "salt"}},
		{at, "is empty", map[string]string{"until": "2026-12-31", "reason": "salt"}},
		{"/due/" + safe.ID.String(), "only shortened", map[string]string{"every": "P90D", "until": "2026-12-31", "reason": "salt"}},
	} {
		if got := g.asManager.fill(c.path+"/override", c.fill); got.status != 422 || !strings.Contains(bare(got.body), c.want) {
			t.Errorf("%v: %d %s", c.fill, got.status, bare(got.body))
		}
	}
	if got := g.asTech.get(at + "/override"); got.status != http.StatusForbidden {
		t.Errorf("a technician gets %d", got.status)
	}
	if got := g.asManager.fill(at+"/override", map[string]string{"every": "P20D", "until": "2026-12-31", "reason": "salt on the road"}); got.status != 303 {
		t.Fatalf("%d %s", got.status, bare(got.body))
	}
	page := g.asManager.get(at)
	visitSays(t, "with it", page, "every 20 days", "holds for what begins by 31 December 2026", "salt on the road", "here instead of every 30 days")
	var back string
	for _, link := range links(t, page.body) {
		if strings.HasSuffix(link, "/withdraw") {
			back = link
		}
	}
	if got := g.asManager.fill(back, nil); got.status != 303 {
		t.Fatalf("%s: %d %s", back, got.status, bare(got.body))
	}
	visitSays(t, "taken back", g.asManager.get(at), "taken back")
	if now := g.of(t, g.inspect, g.left.ID); now.State != it.State || !now.DueOn.Equal(*it.DueOn) {
		t.Errorf("taken back it stands at %+v, before at %+v", now, it)
	}
}

// What falls due at a site that is sold is the buyer's to see from that day on. The
// buyer is told since when it counts, though that lies before: it is how the thing
// stands. What was found in that work, and by whom, stays the seller's.
func TestASoldSitesWorkIsTheBuyersToSee(t *testing.T) {
	t.Parallel()
	g := newProgramme(t)
	g.did(t, 25, "91")
	write(t, g.db, func(tx *gorm.DB) ([]assets.Ownership, error) {
		return assets.HandOver(tx, access.System, g.site.ID, g.theirs.ID, now.AddDate(0, 0, -5))
	})
	site, one := "/sites/"+g.site.ID.String(), "/due/"+g.of(t, g.inspect, g.left.ID).ID.String()
	task := "/tasks/" + g.of(t, g.safety, g.line.ID).TaskID.String()
	buyer := g.asOther.get(one)
	visitSays(t, "the buyer", buyer, "vehicles since 31 October", "Nothing is on record")
	for _, secret := range []string{"Media overlap", "Imre Vasko"} {
		if strings.Contains(wordsOf(t, buyer.body), secret) {
			t.Errorf("the buyer sees %q of what was done before", secret)
		}
	}
	visitSays(t, "the buyer's list", g.asOther.get(site+"/due"), "Stop button test")
	visitSays(t, "the buyer's task", g.asOther.get(task), "Stop button test")
	for _, path := range []string{one, task} {
		if got := g.asOwner.get(path); got.status != http.StatusNotFound {
			t.Errorf("the seller gets %d at %s", got.status, path)
		}
	}
	for _, path := range []string{"/", site, site + "/due"} {
		if got := g.asOwner.get(path); got.status == http.StatusOK && strings.Contains(got.body, "Stop button test") {
			t.Errorf("the seller is told at %s what is due now", path)
		}
	}
}

// What a page of planned work asks the database does not grow with the work on it.
func TestStatementsOfPlannedWorkStayTheSame(t *testing.T) {
	t.Parallel()
	g := newProgramme(t)
	brush := g.of(t, g.inspect, g.left.ID)
	site := "/sites/" + g.site.ID.String()
	pages := []string{"/", site, site + "/due", "/due/" + brush.ID.String(), "/tasks/" + brush.TaskID.String(), "/programme", "/plans/" + g.inspect.String(), "/procedures/" + brush.ProcedureID.String(), "/lines/" + g.line.ID.String() + "/round", "/positions/" + g.left.ID.String()}
	count := func() map[string]int64 {
		n := map[string]int64{}
		for _, path := range pages {
			n[path] = g.statements(t, g.manager, path)
		}
		return n
	}
	before := count()
	g.addPositions(t, 12)
	g.tick(t)
	if n := len(mustWorst(t, g)); n < 24 {
		t.Fatalf("%d things are assigned", n)
	}
	for path, n := range count() {
		if n != before[path] {
			t.Errorf("%s: %d statements, then %d", path, before[path], n)
		}
		t.Logf("%-60s %d statements", path, n)
	}
}

func mustWorst(t testing.TB, g *programme) []pm.Item {
	t.Helper()
	all, err := pm.Worst(ctx, g.db, access.System, pm.ItemFilter{PlanID: &g.inspect}, 0, 100)
	if err != nil {
		t.Fatal(err)
	}
	return all
}

func TestPagesOfPlannedWorkFitAPhone(t *testing.T) {
	g := newProgramme(t)
	g.did(t, 25, "95")
	brush := g.of(t, g.inspect, g.left.ID)
	right := g.of(t, g.inspect, g.right.ID)
	site := "/sites/" + g.site.ID.String()
	task := "/tasks/" + right.TaskID.String()
	fits(t, g.house, map[uuid.UUID][]string{
		g.manager:    {"/", site, site + "/due", "/due/" + brush.ID.String(), "/due/" + brush.ID.String() + "/override", task, task + "/skip", "/positions/" + g.left.ID.String()},
		g.technician: {task + "/job"},
		g.staff:      {"/lines/" + g.line.ID.String() + "/round", "/lines/" + g.line.ID.String() + "/round/skip"},
		g.owner:      {site + "/due"},
	})
}

// The site's own staff answer their round on one sheet: all that is answered is
// recorded at once, what is left open stays, a bad answer offers a report.
func TestARoundIsWalkedOnOneSheet(t *testing.T) {
	t.Parallel()
	g := newProgramme(t)
	at := "/lines/" + g.line.ID.String() + "/round"
	walk, drain := g.fields(t, g.daily, g.line.ID), g.fields(t, g.drain, g.site.ID)
	starts, noise, drained := walk("c", "CK-0101"), walk("c", "CK-0102"), drain("c", "CK-0401")
	visitSays(t, "the sheet", g.asStaff.get(at), "Today's round", "Wednesday 25 November 2026", "2 pieces of work are still to do", "Opening walk", "Each brush starts, stops and comes back to rest", "slight", "Drain the air filters", "Good up to 0.2 L.", "Gil Moor")
	tidy(t, at, g.asStaff.get(at).body)
	owner := g.asOwner.get(at)
	visitSays(t, "the owner's look", owner, "Still to do", "Opening walk")
	if strings.Contains(owner.body, `class="sheet round"`) {
		t.Error("the owner is asked")
	}
	if got := g.asOther.get(at); got.status != http.StatusNotFound {
		t.Errorf("another owner gets %d", got.status)
	}
	for _, c := range []struct {
		by   *visitor
		want string
		fill map[string]string
	}{
		{g.asStaff, "Nothing is answered yet", nil},
		{g.asStaff, "New noise since yesterday must be answered too", map[string]string{starts: "pass"}},
		{g.asStaff, "is a number in L", map[string]string{drained: "a cup"}},
		{g.asStaff, "is given instead of a value", map[string]string{drained: "0.1", drain("w", "CK-0401"): "frozen"}},
		{g.asStaff, "Done by must not be blank", map[string]string{drained: "0.1", "by": ""}},
	} {
		if got := c.by.fill(at, c.fill); got.status != 422 || !strings.Contains(bare(got.body), c.want) {
			t.Errorf("%v: %d %s", c.fill, got.status, bare(got.body))
		}
	}
	if n := g.count(t, `select count(*)::int as n from completion`); n != 0 {
		t.Fatalf("%d completions of what was refused", n)
	}
	// the walk is done and something is loud; the filters are left for later
	form := g.asStaff.form(at)
	for name, v := range map[string]string{starts: "fail", noise: "loud", walk("r", ""): "left wheel", "by": "Pia Moor"} {
		form.Set(name, v)
	}
	got := g.asStaff.post(at, form)
	if got.status != 303 || got.head.Get("Location") != at+"#bad" {
		t.Fatalf("%d %s %s", got.status, got.head.Get("Location"), bare(got.body))
	}
	if again := g.asStaff.post(at, form); again.status != 303 || again.head.Get("Location") != at+"#bad" || g.count(t, `select count(*)::int as n from completion`) != 1 {
		t.Errorf("sent twice it is %d %s, and %d completions", again.status, bare(again.body), g.count(t, `select count(*)::int as n from completion`))
	}
	page := g.asStaff.get(at)
	visitSays(t, "after", page, "1 piece of work is still to do", "Not as it should be", "Now: stop that brush, call service", "New noise since yesterday: loud", "Report a fault", "Recorded", "Pia Moor", "left wheel", "Drain the air filters")
	var report string
	for _, link := range links(t, page.body) {
		if strings.Contains(link, "/faults/new?") {
			report = link
		}
	}
	visitSays(t, "the report", g.asStaff.get(report), "Report a fault", "New noise since yesterday: loud")
	if it := g.of(t, g.daily, g.line.ID); it.TaskID != nil || it.State == "late" {
		t.Errorf("the walk stands at %+v", it)
	}
	// a phone that was filled in before that keeps its words, and no answer goes to other work
	late := url.Values{"key": {uuid.NewString()}, "by": {"Gil Moor"}}
	for name, v := range map[string]string{starts: "fail", noise: "slight", walk("r", ""): "right wheel squeaks", drained: "0.4", drained + "_unit": "L", drain("r", ""): "bowl cracked"} {
		late.Set(name, v)
	}
	late.Set("by", "")
	visitSays(t, "with something to mend too", answer{status: 200, body: g.asStaff.post(at, late).body}, "Done by must not be blank", "remark, “right wheel squeaks”")
	late.Set("by", "Gil Moor")
	kept := g.asStaff.post(at, late)
	visitSays(t, "recorded meanwhile", answer{status: 200, body: kept.body}, "Opening walk was recorded meanwhile by Pia Moor", "“fail”; “slight”; remark, “right wheel squeaks”", "What you answered of the rest is kept below")
	left := sheetOf(t, kept.body)
	if kept.status != http.StatusConflict || left.Get(drained) != "0.4" || left.Get(drain("r", "")) != "bowl cracked" || left.Has(starts) || g.count(t, `select count(*)::int as n from completion`) != 1 {
		t.Errorf("%d, and what is left is %v", kept.status, left)
	}
	// a unit is chosen, and a look that was not possible has its reason
	if got := g.asTech.fill(at, map[string]string{drain("w", "CK-0401"): "the bowl is frozen"}); got.status != 303 {
		t.Fatalf("%d %s", got.status, bare(got.body))
	}
	visitSays(t, "all", g.asStaff.get(at), "Nothing is left to do", "not possible, the bowl is frozen")
	// an empty sheet that is sent leads back to it, one with answers says what became of its work
	if got := g.asStaff.post(at, url.Values{"key": {uuid.NewString()}, "by": {"Gil Moor"}}); got.status != 303 || got.head.Get("Location") != at {
		t.Errorf("an empty one: %d %s", got.status, bare(got.body))
	}
	kept = g.asStaff.post(at, left)
	visitSays(t, "when nothing is left", answer{status: 200, body: kept.body}, "Drain the air filters was recorded meanwhile by Imre Vasko", "“0.4 L”; remark, “bowl cracked”", "Nothing is left to do")
	if n := g.count(t, `select count(*)::int as n from completion`); kept.status != http.StatusConflict || n != 2 {
		t.Errorf("%d, and %d completions", kept.status, n)
	}
	// the day before, the day after
	visitSays(t, "yesterday", g.asManager.get(at+"?on=2026-11-24"), "The round of that day", "Tuesday 24 November 2026", "Nothing of the round is recorded")
	for path, want := range map[string]int{at + "?on=2026-11-26": 422, at + "?on=2026-02-30": 422, at + "?on=soon": 422, "/lines/" + uuid.NewString() + "/round": 404, "/lines/x/round": 404} {
		if got := g.asStaff.get(path); got.status != want {
			t.Errorf("%s: %d, want %d", path, got.status, want)
		}
	}
	g.house.now = now.AddDate(0, 0, 1)
	g.tick(t)
	visitSays(t, "from the next day", g.asStaff.get(at+"?on=2026-11-25"), "New noise since yesterday: loud", "The day after")
	visitSays(t, "the next day", g.asStaff.get(at), "Thursday 26 November 2026", "1 piece of work is still to do")
}

// A storm closes the site: what is left of the round is put off until tomorrow, by
// whom and why, and counts as missed by nobody.
func TestARoundIsPutOffForAStorm(t *testing.T) {
	t.Parallel()
	g := newProgramme(t)
	at := "/lines/" + g.line.ID.String() + "/round"
	if got := g.asOwner.get(at + "/skip"); got.status != http.StatusForbidden {
		t.Errorf("the owner gets %d", got.status)
	}
	if got := g.asStaff.fill(at+"/skip", map[string]string{"reason": " "}); got.status != 422 || !strings.Contains(bare(got.body), "must not be blank") {
		t.Errorf("%d %s", got.status, bare(got.body))
	}
	before := g.of(t, g.daily, g.line.ID)
	if got := g.asStaff.fill(at+"/skip", map[string]string{"reason": "ice storm, the road is closed"}); got.status != 303 {
		t.Fatalf("%d %s", got.status, bare(got.body))
	}
	visitSays(t, "put off", g.asManager.get(at), "Nothing is left to do", "put off until 26 November", "Gil Moor", "ice storm, the road is closed")
	if it := g.of(t, g.safety, g.line.ID); it.TaskID == nil {
		t.Error("safety was put off too")
	}
	if got := g.asStaff.fill(at+"/skip", map[string]string{"reason": "again"}); got.status != 409 || !strings.Contains(bare(got.body), "nothing left today") {
		t.Errorf("again: %d %s", got.status, bare(got.body))
	}
	g.house.now = now.AddDate(0, 0, 1)
	g.tick(t)
	it := g.of(t, g.daily, g.line.ID)
	if it.TaskID == nil || it.Missed > before.Missed {
		t.Errorf("the day after it stands at %+v, before at %+v", it, before)
	}
	visitSays(t, "the day after", g.asStaff.get(at), "2 pieces of work are still to do")
}

// The plan of a line says, to whoever has the site, how far the interval of the next work of a
// brush has run: as an arc, in the drawing's words and in the list below it.
func TestTheStripSaysHowFarAnIntervalHasRun(t *testing.T) {
	t.Parallel()
	g := newProgramme(t)
	g.did(t, 20, "95") // and since then ten days of 400 vehicles were read
	g.tick(t)
	for _, who := range []*visitor{g.asManager, g.asTech, g.asOwner} {
		page := who.get("/sites/" + g.site.ID.String())
		says, arcs := map[string]string{}, map[string]string{}
		walk(parse(t, page.body), func(n *html.Node) {
			spot := n.Data == "a" && strings.HasPrefix(attr(n, "class"), "spot")
			walk(n, func(e *html.Node) {
				switch class := attr(e, "class"); {
				case spot && e.Data == "title":
					says[attr(n, "href")] = textOf(e)
				case spot && strings.HasPrefix(class, "spent"):
					arcs[attr(n, "href")] = class
				}
			})
		})
		for id, want := range map[uuid.UUID]struct{ says, arc string }{
			g.left.ID:  {"in service, at 38 ft, turns clockwise seen from above, next work Brush inspection: 50 % of 8,000 vehicles used", "spent"},
			g.right.ID: {"next work Brush inspection: late, 146,154 of 8,000 vehicles used", "spent late"},
		} {
			at := "/positions/" + id.String()
			if !strings.HasSuffix(says[at], want.says) || arcs[at] != want.arc {
				t.Errorf("%q is drawn as %q", says[at], arcs[at])
			}
		}
		visitSays(t, "the site", page, "Next planned work", "Brush inspection: 50 % of 8,000 vehicles used", "it is full and broken where that is late, at 1 of 2.", "so much of the interval of its next work is used up")
	}
	other := g.asOther.get("/sites/" + g.site.ID.String())
	if other.status != http.StatusNotFound || strings.Contains(other.body, "Brush inspection") {
		t.Errorf("an owner of another site: %d", other.status)
	}
}
