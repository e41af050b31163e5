package web_test

import (
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"golang.org/x/net/html"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/calendar"
	"spindlebook/internal/parts"
	"spindlebook/internal/parts/amount"
	"spindlebook/internal/parts/stock"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pm"
	"spindlebook/internal/pm/failure"
	"spindlebook/internal/pm/isolation"
	"spindlebook/internal/pm/visits"
)

// Whoever plans sees on the overview what stands still, which visits cannot go and why, what
// must be ordered, and the weeks ahead with the parts for their visits; nobody else does.
func TestTheBoardSaysWhatNeedsThePlanner(t *testing.T) {
	h := demoHouse(t)
	asked := []string{"Visits that cannot go as they are", "To order within three days", "Twelve weeks"}
	body := h.as(t, someone(t, h, "manager")).get("/").body
	for _, text := range append(asked, "Faults that stand", `class="bar missing"`, `class="bar there"`, "the visit lacks parts", "the last day was", "<strong class=\"warn\">no-go</strong>") {
		if !strings.Contains(body, text) {
			t.Errorf("the board does not say %q", text)
		}
	}
	for _, role := range []string{"technician", "owner", "site_staff"} {
		body := h.as(t, someone(t, h, role)).get("/").body
		for _, text := range asked {
			if strings.Contains(body, text) {
				t.Errorf("a %s reads %q", role, text)
			}
		}
	}
}

// visits puts visits of a day into the books, as they stand.
func (r *rounds) visits(t testing.TB, n int, state string, on calendar.Date) {
	t.Helper()
	write(t, r.db, func(tx *gorm.DB) (uuid.UUID, error) {
		return uuid.Nil, tx.Exec(`
insert into visit (id, site_id, state, origin, on_date, starts_at, ends_at, made_at, made_by, ended_at, ended_by, reason, ended_why)
select gen_random_uuid(), @site, @state, 'hand', d.on_date, d.on_date + interval '15 hours', d.on_date + interval '16 hours', @now, @who,
       case when e.ended then cast(@now as timestamptz) end, case when e.ended then cast(@who as uuid) end, case when e.ended then 'weather' end, case when e.ended then 'snow' else '' end
  from (select cast(@on as date)) as d (on_date), (select @state = 'abandoned') as e (ended), generate_series(1, @n)`,
			map[string]any{"site": r.site.ID, "state": state, "on": on.String(), "now": now, "who": access.System.ID, "n": n}).Error
	})
}

// What has ended takes no place from what is to come, on the overview, in the list and of
// what is wanted; where more is to come than is looked at, the overview says so.
func TestTheBoardLooksAtWhatIsToCome(t *testing.T) {
	t.Parallel()
	r := newRounds(t)
	r.visits(t, 110, "abandoned", r.on-1)
	board := r.asManager.get("/")
	visitSays(t, "the overview", board, "Visits that cannot go as they are", "no-go :", "empty: no visit is made for that week yet.")
	visitSays(t, "what is wanted", r.asManager.get("/stock/wanted"), "1 ea MW-20110")
	visitSays(t, "the list", r.asManager.get("/visits"), "no-go")
	for _, text := range []string{"All visits", "which alone are looked at"} {
		if strings.Contains(wordsOf(t, board.body), text) {
			t.Errorf("with every visit looked at, the overview says %q", text)
		}
	}
	r.visits(t, 81, "planned", r.on-1) // nobody goes on them and nothing is done: nothing is against them
	board = r.asManager.get("/")
	visitSays(t, "with too many", board, "Visits that cannot go as they are None of the first 80 visits, which alone are looked at. All visits", "empty: no visit is made for that week yet, or it comes after the first 80, which alone are looked at.")
	if strings.Contains(wordsOf(t, board.body), "no-go") {
		t.Error("a visit after the first 80 is looked at: the test says nothing")
	}
}

// A fault by which somebody can be hurt is hidden by none that came after it.
func TestDangerStandsFirstOnTheBoard(t *testing.T) {
	t.Parallel()
	r := newRounds(t)
	for i := range 7 {
		says := "it squeaks"
		if i == 0 {
			says = "a guard is off"
		}
		write(t, r.db, func(tx *gorm.DB) (failure.Fault, error) {
			return failure.Add(tx, access.System, now, failure.New{SiteID: r.site.ID, PositionID: &r.left.ID, Edit: failure.Edit{Says: says, Danger: i == 0, Detected: "operator", Before: "up", LineEffect: "degraded", Payer: "not_said"}})
		})
	}
	for _, who := range []*visitor{r.asManager, r.asTech, r.asOwner, r.asStaff} {
		for _, path := range []string{"/", "/sites/" + r.site.ID.String()} {
			page := who.get(path)
			visitSays(t, path, page, "Faults that stand", "somebody can be hurt")
			if strings.Contains(wordsOf(t, page.body), "Everything is in service") {
				t.Errorf("%s says that everything is in service", path)
			}
		}
	}
	visitSays(t, "the brush", r.asTech.get("/positions/"+r.left.ID.String()), "Somebody can be hurt. Fault 1: a guard is off", "Fault 7: it squeaks")
	if a := r.asOwner.get("/sites/" + r.other.ID.String()); a.status != 404 {
		t.Errorf("another's site: %d", a.status)
	}
	visitSays(t, "the overview", r.asManager.get("/"), "Faults that stand Fault 1 UMB-1/B1-0-L a guard is off somebody can be hurt", "Fault 4 UMB-1/B1-0-L it squeaks", "All faults that stand")
}

// The overview begins with what waits, counted, and each count leads to its list; what is left
// locked and where record and shelf disagree is among it.
func TestTheBoardBeginsWithWhatWaits(t *testing.T) {
	t.Parallel()
	r := newRounds(t)
	lock := uuid.New()
	tech, _, err := access.Load(ctx, r.db, r.technician)
	if err != nil {
		t.Fatal(err)
	}
	var acts []isolation.NewEntry
	for i, act := range []isolation.Act{isolation.Prepared, isolation.Told, isolation.ShutDown, isolation.Isolated, isolation.Locked, isolation.LeftOn} {
		e := isolation.NewEntry{ID: uuid.New(), PointID: r.point.ID, PointVersion: 1, Act: act, DoneAt: now.Add(time.Duration(i-90) * time.Minute)}
		if act.OfALock() {
			e.LockID = &lock
		}
		if act == isolation.LeftOn {
			e.Until, e.HandedTo = new(now.Add(-time.Minute)), "Gil"
		}
		acts = append(acts, e)
	}
	write(t, r.db, func(tx *gorm.DB) ([]isolation.Taken, error) { return isolation.Take(tx, tech, now, acts) })
	write(t, r.db, func(tx *gorm.DB) ([]stock.Outcome, error) {
		part, err := pgdb.ID(tx, `select id from part where number = 'MW-70002'`)
		if err != nil {
			return nil, err
		}
		return stock.Use(tx, tech, now, []stock.Used{{PartID: part, Amount: amount.Of(5), From: r.van.ID, SiteID: &r.site.ID}})
	})
	board := r.asManager.get("/")
	visitSays(t, "the overview", board, "1 lock is on 1 visit cannot go as it is", "1 difference in stock", "Locks that are on UMB-1/EL-1 Imre Vasko since 25 November 2026",
		"left on until 25 November 2026", "that has passed", "It takes UMB-1/B1-0-L.", "Where record and shelf disagree MW-70002 3 ea in V1 used, and not on record there")
	walk(parse(t, board.body), func(n *html.Node) {
		if n.Data == "a" && strings.HasPrefix(attr(n, "href"), "#") && attr(n, "href") != "#main" && !strings.Contains(board.body, `id="`+attr(n, "href")[1:]+`"`) {
			t.Errorf("a count leads to %s, which is not there", attr(n, "href"))
		}
	})
	for _, who := range []*visitor{r.asTech, r.asOwner, r.asStaff} {
		if words := wordsOf(t, who.get("/").body); strings.Contains(words, "lock is on") || strings.Contains(words, "difference in stock") {
			t.Errorf("whoever plans nothing reads %s", words)
		}
	}
}

// The same look at each of ten brushes is one line of the overview, and hides nothing else.
func TestTheSameWorkIsOneLineOfTheBoard(t *testing.T) {
	t.Parallel()
	r := newRounds(t)
	r.addPositions(t, 5)
	write(t, r.db, func(tx *gorm.DB) (bool, error) {
		ids, err := pm.AddPlans(tx, access.System, now, []pm.NewPlan{{Code: "PM-010", Title: "Inspect the brush", Procedure: "J07"}, {Code: "PM-020", Title: "Clean the line", Procedure: "J08"}})
		if err != nil {
			return false, err
		}
		when := func(period string) []pm.Trigger { return []pm.Trigger{{Kind: "every", Every: period}} }
		v, err := pm.WritePlanDrafts(tx, access.System, now, []pm.WritePlan{{Plan: ids[0], Terms: pm.Terms{AppliesTo: "position", Basis: "floating", Criticality: "B", Triggers: when("P200D")}},
			{Plan: ids[1], Terms: pm.Terms{AppliesTo: "line", Basis: "floating", Criticality: "B", Triggers: when("P300D")}}})
		if err != nil {
			return false, err
		}
		return true, pm.PublishPlans(tx, access.System, now, v)
	})
	if _, err := pm.Tick(ctx, r.db, now); err != nil {
		t.Fatal(err)
	}
	visitSays(t, "the overview", r.asManager.get("/"), "13 pieces of work late", "Inspect the brush and 11 more there. late", "Clean the line late")
}

// A week in which nobody can tell for one visit is not shown as having its parts, and one that
// lacks some is shown so whatever else is in it.
func TestAWeekIsAsItsWorstVisit(t *testing.T) {
	t.Parallel()
	r := newRounds(t)
	part := write(t, r.db, func(tx *gorm.DB) (assets.Part, error) {
		return assets.AddPart(tx, access.System, now, assets.PartEdit{Number: "MW-30111", Description: "hub screw, red", Class: "fastener"})
	})
	write(t, r.db, func(tx *gorm.DB) ([]stock.Movement, error) {
		if err := tx.Exec(`update part set tracking = 'none' where id = ?`, part.ID).Error; err != nil {
			return nil, err
		}
		return stock.Move(tx, access.System, now, []stock.Moving{{Kind: "receive", PartID: part.ID, Amount: amount.Of(9), To: &r.van.ID, Sure: true, Reason: "first count"}})
	})
	write(t, r.db, func(tx *gorm.DB) (uuid.UUID, error) {
		ids, err := pm.AddProcedures(tx, access.System, now, []pm.NewProcedure{{Code: "J03", Title: "Hub screws"}})
		if err != nil {
			return uuid.Nil, err
		}
		v, err := pm.WriteDrafts(tx, access.System, now, []pm.Write{{Procedure: ids[0], Content: pm.Content{People: 1, Skills: []string{"T1"}, Minutes: pm.Minutes{Low: 20, Typical: 40, High: 90}, LineState: "running"}}})
		if err != nil {
			return uuid.Nil, err
		}
		if err := parts.SetLines(tx, access.System, v[0], []parts.NewLine{{Need: "always", PartID: &part.ID, Amount: amount.One, Condition: "media_colour = red"}}); err != nil {
			return uuid.Nil, err
		}
		return v[0], pm.Publish(tx, access.System, now, v)
	})
	g := &programme{ground: r.ground}
	g.plan(t, "PM-004", "Drain the air filters", pm.Content{People: 1, Skills: []string{"OP"}, Minutes: pm.Minutes{Low: 3, Typical: 5, High: 10}, LineState: "running"},
		pm.Terms{AppliesTo: "site", Triggers: []pm.Trigger{{Kind: "every", Every: "P7D"}}, Basis: "floating", Criticality: "C"})
	g.tick(t)
	monday := r.on + 4
	for i, c := range []struct{ code, says string }{
		{"", "; the visit has its parts"},
		{"J03", "; nobody can tell whether the visit has its parts"},
		{"", "; nobody can tell whether the visit has its parts"},
		{"J08", "; the visit lacks parts"},
		{"J03", "; the visit lacks parts"},
	} {
		on := monday + calendar.Date(i)
		write(t, r.db, func(tx *gorm.DB) (uuid.UUID, error) {
			in := visits.New{SiteID: r.site.ID, Hours: visits.Hours{On: on, Starts: "06:00", Minutes: 240}, VanID: &r.van.ID, People: []visits.Going{{PersonID: r.technician}}}
			due := pm.NewTask{SiteID: &r.site.ID, LineID: &r.line.ID, PositionID: &r.left.ID, Procedure: c.code, Criticality: "B", DueOn: on, LatestOn: on}
			if c.code == "" {
				due.Title = "Sweep"
			}
			task, err := pm.RaiseTask(tx, access.System, now, due)
			if err != nil {
				return uuid.Nil, err
			}
			if c.code != "" {
				in.Tasks = []visits.Doing{{TaskID: task}}
			}
			return visits.Add(tx, access.System, now, in)
		})
		week := ""
		walk(parse(t, r.asManager.get("/").body), func(n *html.Node) {
			if said := textOf(n); n.Data == "title" && week == "" && strings.HasPrefix(said, "UMB Express, week of 30 Nov") {
				week = said
			}
		})
		if !strings.HasSuffix(week, c.says) {
			t.Errorf("with visit %d (%s): %q", i+1, c.code, week)
		}
	}
}

// Those to whom we come read on their overview when we come, which line stands for it and why;
// who is ours has the board or the day for that.
func TestTheOverviewSaysWhatIsComing(t *testing.T) {
	t.Parallel()
	r := newRounds(t)
	says := "What is coming Thursday 26 November 2026, 06:00 to 10:00 No line stands for it : Arm pivot bearing replacement, Shaft check UMB Express"
	for _, who := range []*visitor{r.asOwner, r.asStaff} {
		visitSays(t, "the overview", who.get("/"), says)
	}
	visitSays(t, "the overview of site staff", r.asStaff.get("/"), "Today's round UMB-1")
	for _, who := range []*visitor{r.asManager, r.asTech} {
		if words := wordsOf(t, who.get("/").body); strings.Contains(words, "What is coming") || strings.Contains(words, "Today's round") {
			t.Errorf("one of ours reads %s", words)
		}
	}
	write(t, r.db, func(tx *gorm.DB) (bool, error) {
		id, err := pgdb.ID(tx, `select id from procedure where code = 'J07'`)
		if err != nil {
			return false, err
		}
		v, err := pm.WriteDrafts(tx, access.System, now, []pm.Write{{Procedure: id, Content: pm.Content{Change: "the line stands", People: 1, Skills: []string{"T1"}, Minutes: pm.Minutes{Low: 20, Typical: 40, High: 90}, LineState: "closed_hours"}}})
		if err != nil {
			return false, err
		}
		return true, pm.Publish(tx, access.System, now, v)
	})
	visitSays(t, "with the line down", r.asOwner.get("/"), "06:00 to 10:00 UMB-1 stands from 06:00 to 10:00 : Arm pivot bearing replacement")
	visitSays(t, "the visit", r.asOwner.get(r.path()), "UMB-1 stands from 06:00 to 10:00.")
	if words := wordsOf(t, r.asOwner.get(r.path()).body); strings.Contains(words, "criticality") {
		t.Errorf("an owner reads what is at stake as a letter: %s", words)
	}

	// on the day itself one says that one has left; before it nobody can
	day := "/today?on=" + r.on.String()
	before := r.asTech.get(day)
	visitSays(t, "the evening before", before, "Tomorrow · Imre Vasko")
	if words := wordsOf(t, before.body); strings.Contains(words, "I have left") {
		t.Errorf("the evening before one can say that one has left: %s", words)
	}
	r.now = now.Add(15 * time.Hour)
	visitSays(t, "on the day", r.asTech.get(day), "Today · Imre Vasko", "I have left")
}
