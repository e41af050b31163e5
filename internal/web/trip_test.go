package web_test

import (
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"golang.org/x/net/html"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/calendar"
	"spindlebook/internal/fault"
	"spindlebook/internal/parts"
	"spindlebook/internal/parts/amount"
	"spindlebook/internal/parts/stock"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pm"
	"spindlebook/internal/pm/visits"
)

// rounds is a ground with work to do, a van with something in it, and a visit of the day after.
type rounds struct {
	*ground
	van, warehouse assets.Location
	visit          uuid.UUID
	swap, look     uuid.UUID // tasks on it
	on             calendar.Date
}

func newRounds(t testing.TB) *rounds {
	t.Helper()
	r := &rounds{ground: newGround(t), on: calendar.DateOf(now) + 1}
	sys := access.System
	place := func(code, name, kind string) assets.Location {
		return write(t, r.db, func(tx *gorm.DB) (assets.Location, error) {
			return assets.AddLocation(tx, sys, now, assets.NewLocation{Code: code, Name: name, Kind: kind})
		})
	}
	r.van, r.warehouse = place("V1", "Van 1", "van"), place("WH", "Warehouse", "warehouse")
	part := func(number, says string) uuid.UUID {
		return write(t, r.db, func(tx *gorm.DB) (assets.Part, error) {
			return assets.AddPart(tx, sys, now, assets.PartEdit{Number: number, Description: says, Class: "bearing"})
		}).ID
	}
	shaft, bearing := part("MW-20110", "shaft, 1-3/8 in"), part("MW-70002", "pivot bearing set")
	if err := r.db.InTx(ctx, sys.ID, func(tx *gorm.DB) error {
		return tx.Exec(`update part set tracking = 'none' where class = 'bearing'`).Error
	}); err != nil {
		t.Fatal(err)
	}
	write(t, r.db, func(tx *gorm.DB) ([]stock.Movement, error) {
		return stock.Move(tx, sys, now, []stock.Moving{{Kind: "receive", PartID: bearing, Amount: amount.Of(2), To: &r.van.ID, Sure: true, Reason: "first count"},
			{Kind: "receive", PartID: shaft, Amount: amount.Of(1), To: &r.warehouse.ID, Sure: true, Reason: "first count"}})
	})
	chance := 0.12
	procedure := func(code, title string, lines ...parts.NewLine) {
		write(t, r.db, func(tx *gorm.DB) (uuid.UUID, error) {
			ids, err := pm.AddProcedures(tx, sys, now, []pm.NewProcedure{{Code: code, Title: title}})
			if err != nil {
				return uuid.Nil, err
			}
			v, err := pm.WriteDrafts(tx, sys, now, []pm.Write{{Procedure: ids[0], Content: pm.Content{People: 1, Skills: []string{"T1"}, Minutes: pm.Minutes{Low: 20, Typical: 40, High: 90}, LineState: "running"}}})
			if err != nil {
				return uuid.Nil, err
			}
			if err := parts.SetLines(tx, sys, v[0], lines); err != nil {
				return uuid.Nil, err
			}
			return v[0], pm.Publish(tx, sys, now, v)
		})
	}
	procedure("J07", "Arm pivot bearing replacement", parts.NewLine{Need: "always", PartID: &bearing, Amount: amount.One}, parts.NewLine{Need: "if_found", PartID: &shaft, Amount: amount.One, Chance: &chance, Cause: "shaft"},
		parts.NewLine{Need: "tool", Item: "pivot puller", Amount: amount.One})
	procedure("J08", "Shaft check", parts.NewLine{Need: "always", PartID: &shaft, Amount: amount.Of(2)})
	task := func(code string, days int) uuid.UUID {
		return write(t, r.db, func(tx *gorm.DB) (uuid.UUID, error) {
			return pm.RaiseTask(tx, sys, now, pm.NewTask{SiteID: &r.site.ID, LineID: &r.line.ID, PositionID: &r.left.ID, Procedure: code, Criticality: "B", DueOn: r.on + calendar.Date(days), LatestOn: r.on + calendar.Date(days) + 5})
		})
	}
	r.swap, r.look = task("J07", 1), task("J08", 2)
	task("J07", 20)
	until := "2027-12-31"
	write(t, r.db, func(tx *gorm.DB) (access.Evidence, error) {
		return access.AddEvidence(tx, sys, now, r.technician, access.NewEvidence{Skill: "T1", Evidence: "course", IssuedOn: "2024-01-01", ExpiresOn: &until})
	})
	r.visit = write(t, r.db, func(tx *gorm.DB) (uuid.UUID, error) {
		return visits.Add(tx, sys, now, visits.New{SiteID: r.site.ID, Hours: visits.Hours{On: r.on, Starts: "06:00", Minutes: 240}, VanID: &r.van.ID, People: []visits.Going{{PersonID: r.technician}},
			Tasks: []visits.Doing{{TaskID: r.swap}, {TaskID: r.look}}})
	})
	return r
}

func (r *rounds) path() string { return "/visits/" + r.visit.String() }

func visitSays(t testing.TB, what string, a answer, says ...string) {
	t.Helper()
	words := wordsOf(t, a.body)
	if a.status != http.StatusOK {
		t.Fatalf("%s: %d %s", what, a.status, words)
	}
	for _, s := range says {
		if !strings.Contains(words, s) {
			t.Errorf("%s does not say %q: %s", what, s, words)
		}
	}
}

func TestAVisitIsSeenCheckedToldAndEnded(t *testing.T) {
	t.Parallel()
	r := newRounds(t)
	visitSays(t, "the list", r.asManager.get("/visits"), "no-go", "UMB Express", "Imre Vasko", "2 tasks", "Plan the next twelve weeks of a site")
	visitSays(t, "the visit", r.asManager.get(r.path()), "Thursday 26 November 2026, 06:00 to 10:00", "J08", "1 of 2 ea there", "1 from own van V1", "Change it", "Decide")
	owner := r.asOwner.get(r.path())
	visitSays(t, "the owner's look", owner, "planned", "Arm pivot bearing replacement")
	for _, secret := range []string{"Can it go?", "V1", "there;", "Decide"} {
		if strings.Contains(wordsOf(t, owner.body), secret) && secret != "V1" {
			t.Errorf("the owner sees %q", secret)
		}
	}
	on := "on=" + r.on.String()
	visitSays(t, "the day", r.asTech.get("/today?"+on), "1 visit", "nobody has said where the vans start", "Shaft check")
	if a := r.asOwner.get("/today"); a.status != http.StatusForbidden {
		t.Errorf("an owner's day: %d", a.status)
	}
	van := r.asTech.get("/van?" + on)
	visitSays(t, "the van", van, "0 % chance of no second trip", "pivot puller", "1 ea MW-70002", "In the van: 2", "Fetch 1 from warehouse WH", "1 is nowhere")

	// without what nobody has it looks better: 88 %, and all with the shaft from the warehouse
	to := r.asManager.form(r.path() + "/decide")
	to.Set("decision", "go_without")
	to.Set("task_id", r.look.String())
	to.Set("reason", "the shaft is checked by eye")
	if a := r.asManager.post(r.path()+"/decide", to); a.status != http.StatusSeeOther {
		t.Fatalf("decided: %d %s", a.status, wordsOf(t, a.body))
	}
	visitSays(t, "what was decided", r.asManager.get(r.path()), "goes without", "the shaft is checked by eye", "it was said: no-go")
	if err := r.db.InTx(ctx, access.System.ID, func(tx *gorm.DB) error {
		return visits.PutTasks(tx, access.System, now, r.visit, 1, nil, []uuid.UUID{r.look})
	}); err != nil {
		t.Fatal(err)
	}
	van = r.asTech.get("/van?" + on)
	visitSays(t, "the van", van, "88 % chance of no second trip", "1 ea MW-20110", "from WH: then 100 %")

	// ticked off on paper or by hand, sent twice
	sent := url.Values{}
	walkForm(t, van.body, "picks", func(name, value string) { sent.Add(name, value) })
	if len(sent["line"]) != 3 || len(sent["ticked"]) != 0 {
		t.Fatalf("the pick list sends %v", sent)
	}
	sent["ticked"] = sent["line"][:1]
	for range 2 {
		if a := r.asTech.post("/van/tick", sent); a.status != http.StatusSeeOther {
			t.Fatalf("ticked: %d %s", a.status, a.body)
		}
	}
	if a := r.asTech.get("/van?" + on); strings.Count(a.body, " checked") != 1 || !strings.Contains(wordsOf(t, a.body), "Last word: Imre Vasko") {
		t.Errorf("ticked is %s", wordsOf(t, a.body))
	}
	if a := r.asTech.post("/van/tick", url.Values{}); a.status != http.StatusBadRequest {
		t.Errorf("an empty form: %d", a.status)
	}

	// changed, told of by one press each, ended with what is left
	edit := r.asManager.form(r.path() + "/edit")
	if edit.Get("starts") != "06:00" || edit.Get("minutes") != "240" || edit.Get("van_id") != r.van.ID.String() || edit.Get("person_id") != r.technician.String() {
		t.Errorf("the form holds %v", edit)
	}
	edit.Set("starts", "early")
	if a := r.asManager.post(r.path()+"/edit", edit); a.status != http.StatusUnprocessableEntity || wrongs(t, a.body)["starts"] == "" {
		t.Errorf("a bad time: %d %v", a.status, wrongs(t, a.body))
	}
	edit.Set("starts", "05:30")
	if a := r.asManager.post(r.path()+"/edit", edit); a.status != http.StatusSeeOther {
		t.Fatalf("changed: %d %s", a.status, wordsOf(t, a.body))
	}
	r.now = now.Add(20 * time.Hour)
	for _, act := range []string{"left", "arrived", "started"} {
		day := r.asTech.get("/today?" + on)
		press := url.Values{}
		walkForm(t, day.body, "", func(name, value string) {
			if name == "act" || name == "key" {
				press.Set(name, value)
			}
		})
		if press.Get("act") != act {
			t.Fatalf("the button tells %q, not %s", press.Get("act"), act)
		}
		for range 3 {
			if a := r.asTech.post(r.path()+"/tell", press); a.status != http.StatusSeeOther {
				t.Fatalf("told: %d %s", a.status, wordsOf(t, a.body))
			}
		}
		r.now = r.now.Add(10 * time.Minute)
	}
	visitSays(t, "under way", r.asManager.get(r.path()), "under way", "05:30")
	end := r.asTech.form(r.path() + "/end")
	if a := r.asTech.post(r.path()+"/end", end); a.status != http.StatusUnprocessableEntity || wrongs(t, a.body)["why"] == "" {
		t.Errorf("without a word: %d %s", a.status, wordsOf(t, a.body))
	}
	end = r.asTech.form(r.path() + "/end")
	end.Set("reason", "part_wrong")
	end.Set("why", "the set is for the other pivot")
	end.Set("out", "UMB-1/B1-0-L tied up and tagged")
	end.Set("on", (r.on + 3).String())
	if a := r.asTech.post(r.path()+"/end", end); a.status != http.StatusSeeOther {
		t.Fatalf("ended: %d %s", a.status, wordsOf(t, a.body))
	}
	visitSays(t, "what it left", r.asManager.get(r.path()), "Abandoned", "the set is for the other pivot", "out of service", "tied up and tagged", "goes on with")
	visitSays(t, "what was", r.asManager.get("/visits?when=past"), "abandoned")
}

// walkForm gives what the fields of a form with a class would send.
func walkForm(t testing.TB, body, class string, field func(name, value string)) {
	t.Helper()
	for _, f := range formsOf(t, body) {
		if class != "" && !strings.Contains(f.class, class) || class == "" && f.class != "" {
			continue
		}
		for _, x := range f.fields {
			field(x[0], x[1])
		}
	}
}

type formed struct {
	class  string
	fields [][2]string
}

func formsOf(t testing.TB, body string) (all []formed) {
	t.Helper()
	walk(parse(t, body), func(n *html.Node) {
		if n.Data != "form" {
			return
		}
		f := formed{class: attr(n, "class")}
		walk(n, func(x *html.Node) {
			if x.Data == "input" && attr(x, "name") != "" && (attr(x, "type") != "checkbox" || has(x, "checked")) {
				f.fields = append(f.fields, [2]string{attr(x, "name"), attr(x, "value")})
			}
		})
		all = append(all, f)
	})
	return all
}

// By what visits are planned is set on a page: what is typed wrong is named, and nobody but
// those who plan comes to it.
func TestHowVisitsArePlannedIsSetByPage(t *testing.T) {
	t.Parallel()
	r := newRounds(t)
	visitSays(t, "the list", r.asManager.get("/visits"), "How they are planned", "What a trip costs us")
	rule := map[string]string{"latitude": "45.66", "longitude": "-121.2", "road_factor": "1.4", "speed_km_h": "60", "distances": "km", "day_minutes": "480", "site_minutes": "30", "twin_percent": "70",
		"working_days": "1 2 3 4 6", "closed": "2026-12-25\n2027-01-01", "target_percent": "90"}
	with := func(name, value string) map[string]string {
		m := maps.Clone(rule)
		m[name] = value
		return m
	}
	for _, c := range []struct {
		fill map[string]string
		want string
	}{
		{with("latitude", ""), "together with longitude"},
		{with("latitude", "95"), "between -90 and 90"},
		{with("road_factor", "0.9"), "from 1 to 10"},
		{with("speed_km_h", "fast"), "is a number"},
		{with("closed", "Christmas"), "on line 1"},
		{with("target_percent", "100"), "between 1 and 99"},
		{with("day_minutes", "30"), "between 60 and 1440"},
	} {
		if got := r.asManager.fill("/planning", c.fill); got.status != http.StatusUnprocessableEntity || !strings.Contains(wordsOf(t, got.body), c.want) {
			t.Errorf("%v: %d %s", c.fill, got.status, wordsOf(t, got.body))
		} else if back := sheetOf(t, got.body); back.Get("site_minutes") != "30" || !slices.Equal(back["working_days"], []string{"1", "2", "3", "4", "6"}) || back.Get("latitude") != c.fill["latitude"] {
			t.Errorf("%v: what was typed comes back as %v", c.fill, back)
		}
	}
	if got := r.asManager.fill("/planning", rule); got.status != http.StatusSeeOther {
		t.Fatalf("the rule: %d %s", got.status, wordsOf(t, got.body))
	}
	is, err := visits.Rules(ctx, r.db, access.System)
	if err != nil || *is.Latitude != 45.66 || *is.Longitude != -121.2 || is.RoadFactor != 1.4 || is.SpeedKmH != 60 || is.Distances != "km" || !slices.Equal(is.WorkingDays, []int{1, 2, 3, 4, 6}) || len(is.Closed) != 2 || is.TargetPercent != 90 {
		t.Errorf("the rule is %+v, %v", is, err)
	}
	if got := r.asManager.fill("/planning/cost", map[string]string{"hour_minor": "96.505", "trip_minor": "80", "currency": "USD"}); got.status != http.StatusUnprocessableEntity || sheetOf(t, got.body).Get("hour_minor") != "96.505" {
		t.Errorf("half a cent: %d", got.status)
	}
	if got := r.asManager.fill("/planning/cost", map[string]string{"hour_minor": "96.50", "trip_minor": "80", "currency": "usd"}); got.status != http.StatusSeeOther {
		t.Fatalf("the cost: %d %s", got.status, wordsOf(t, got.body))
	}
	if c, err := visits.Costs(ctx, r.db, access.System); err != nil || c.HourMinor != 9650 || c.TripMinor != 8000 || c.Currency != "USD" {
		t.Errorf("the cost is %+v, %v", c, err)
	}
	// who keeps parts sees costs, and plans no visits
	clerk := r.as(t, r.person(t, "Odile Brandvold", access.NewGrant{Role: "parts_clerk"}))
	for who, v := range map[string]*visitor{"a technician": r.asTech, "a parts clerk": clerk} {
		for _, path := range []string{"/planning", "/planning/cost"} {
			if got := v.get(path); got.status != http.StatusForbidden {
				t.Errorf("%s at %s: %d", who, path, got.status)
			}
		}
		if got := links(t, v.get("/visits").body); slices.Contains(got, "/planning") || slices.Contains(got, "/planning/cost") {
			t.Errorf("%s is led to %v", who, got)
		}
	}
}

func TestTheWeeksToComeArePlannedByPage(t *testing.T) {
	t.Parallel()
	r := newRounds(t)
	plan := "/sites/" + r.site.ID.String() + "/plan"
	visitSays(t, "the plan", r.asManager.get(plan), "Each on its own date", "planned", "Put the new work on it", "J07")
	if a := r.asTech.get(plan); a.status != http.StatusForbidden {
		t.Errorf("a technician plans: %d", a.status)
	}
	var accept string
	for _, l := range links(t, r.asManager.get(plan).body) {
		if strings.Contains(l, "/plan/accept?on=") {
			accept = l
		}
	}
	form := r.asManager.form(accept)
	if !strings.HasPrefix(form.Get("task_id"), "t:") || form.Get("starts") != "06:00" {
		t.Fatalf("the form holds %v", form)
	}
	// on the day of a visit it is put on that one
	if there := r.asManager.post(accept, form); there.status != http.StatusSeeOther || there.head.Get("Location") != r.path() {
		t.Fatalf("put on it: %d %s", there.status, wordsOf(t, there.body))
	}
	visitSays(t, "the visit", r.asManager.get(r.path()), "3 tasks")
	if err := r.db.InTx(ctx, access.System.ID, func(tx *gorm.DB) error {
		return visits.PutTasks(tx, access.System, now, r.visit, 2, nil, []uuid.UUID{r.swap})
	}); err != nil {
		t.Fatal(err)
	}
	form = r.asManager.form(accept)
	form.Set("on", (r.on + 7).String())
	form.Add("person_id", r.technician.String())
	form.Set("van_id", r.van.ID.String())
	made := r.asManager.post(accept, form)
	if made.status != http.StatusSeeOther || !strings.HasPrefix(made.head.Get("Location"), "/visits/") {
		t.Fatalf("accepted: %d %s", made.status, wordsOf(t, made.body))
	}
	visitSays(t, "what was accepted", r.asManager.get(made.head.Get("Location")), "planned", "Imre Vasko", "trip")
	// somebody is on two visits: beside the field it says where
	form = r.asManager.form("/sites/" + r.site.ID.String() + "/plan/ignore")
	form.Set("task_id", "t:"+r.look.String())
	form.Set("until", (r.on + 10).String())
	form.Set("reason", "the owner rebuilds it")
	if a := r.asManager.post("/sites/"+r.site.ID.String()+"/plan/ignore", form); a.status != http.StatusSeeOther {
		t.Fatalf("left out: %d %s", a.status, wordsOf(t, a.body))
	}
	visitSays(t, "what is left out", r.asManager.get(plan), "Left out for a while", "the owner rebuilds it")
}

// Every page about visits on a phone and on a desk: nothing wider than the screen,
// nothing too small for a thumb, nothing that the checker of accessibility finds.
func TestPagesAboutVisitsFitAPhone(t *testing.T) {
	r := newRounds(t)
	on := "?on=" + r.on.String()
	fits(t, r.house, map[uuid.UUID][]string{r.technician: {"/today" + on, "/van" + on, r.path(), r.path() + "/end"},
		r.manager: {"/visits", "/planning", "/planning/cost", r.path() + "/edit", r.path() + "/decide", "/sites/" + r.site.ID.String() + "/plan"}})
}

// A day's visits stand in the list as they start, whichever was planned first.
func TestVisitsStandAsTheyStart(t *testing.T) {
	t.Parallel()
	r := newRounds(t)
	for _, starts := range []string{"20:15", "13:30"} {
		write(t, r.db, func(tx *gorm.DB) (uuid.UUID, error) {
			return visits.Add(tx, access.System, now, visits.New{SiteID: r.site.ID, Hours: visits.Hours{On: r.on, Starts: starts, Minutes: 60}})
		})
	}
	words := wordsOf(t, r.asManager.get("/visits").body)
	first, then, last := strings.Index(words, "06:00 to"), strings.Index(words, "13:30 to"), strings.Index(words, "20:15 to")
	if first < 0 || then < first || last < then {
		t.Errorf("they stand at %d, %d and %d: %s", first, then, last, words)
	}
}

// Whoever has opened a card for a visit may end it, though nobody told that he was there; one
// at which nobody was is called off by those who plan, and no button says otherwise.
func TestACardSaysThatSomebodyIsThere(t *testing.T) {
	t.Parallel()
	r := newRounds(t)
	ends := `href="` + r.path() + `/end"`
	if strings.Contains(r.asTech.get(r.path()).body, ends) || !strings.Contains(r.asManager.get(r.path()).body, ends) {
		t.Error("the button to end it is shown to whoever may not press it, or not to who may")
	}
	open := "/tasks/" + r.swap.String() + "/job"
	if a := r.asTech.post(open, r.asTech.form(open)); a.status != http.StatusSeeOther {
		t.Fatalf("open a card: %d %s", a.status, wordsOf(t, a.body))
	}
	if !strings.Contains(r.asTech.get(r.path()).body, ends) {
		t.Error("with a card the technician cannot end it")
	}
	end := r.asTech.form(r.path() + "/end")
	end.Set("reason", "weather")
	end.Set("why", "hail")
	if a := r.asTech.post(r.path()+"/end", end); a.status != http.StatusSeeOther {
		t.Errorf("ended: %d %s", a.status, wordsOf(t, a.body))
	}
}

// A day says what others changed about it within 24 hours, and what our people know of the
// site; what one changed oneself is no news, and an owner has no such day.
func TestADayTellsWhatOthersChanged(t *testing.T) {
	t.Parallel()
	r := newRounds(t)
	manager, _, err := access.Load(ctx, r.db, r.manager)
	if err != nil {
		t.Fatal(err)
	}
	day := "/today?on=" + r.on.String()
	quiet := r.asTech.get(day)
	visitSays(t, "a day that stands", quiet, "1 visit", secretNote) // the note of the site
	if words := wordsOf(t, quiet.body); strings.Contains(words, "Changed in the last") {
		t.Errorf("nothing changed, and it says %s", words)
	}
	change := func(who access.Actor, in visits.Edit) {
		write(t, r.db, func(tx *gorm.DB) (bool, error) {
			one, err := visits.One(ctx, r.db, access.System, r.visit)
			if err != nil {
				return false, err
			}
			return true, r.db.InTx(ctx, who.ID, func(tx *gorm.DB) error { return visits.Change(tx, who, now, r.visit, one.Version, in) })
		})
	}
	edit := visits.Edit{Hours: visits.Hours{On: r.on, Starts: "07:30", Minutes: 240}, People: []visits.Going{{PersonID: r.technician}}}
	change(manager, edit)
	visitSays(t, "after a change", r.asTech.get(day), "Changed in the last 24 hours UMB Express : at 07:30 instead of 06:00, with no van instead of van V1", "Delphine Orrick")
	tech, _, err := access.Load(ctx, r.db, r.technician)
	if err != nil {
		t.Fatal(err)
	}
	write(t, r.db, func(tx *gorm.DB) (bool, error) {
		third, err := pgdb.ID(tx, `select id from task where id <> all (cast(array[cast(? as uuid), cast(? as uuid)] as uuid[]))`, r.swap, r.look)
		if err != nil {
			return false, err
		}
		one, err := visits.One(ctx, r.db, access.System, r.visit)
		if err != nil {
			return false, err
		}
		return true, visits.PutTasks(tx, manager, now.Add(time.Minute), r.visit, one.Version, []visits.Doing{{TaskID: third}}, nil)
	})
	visitSays(t, "with one more task", r.asTech.get(day), "UMB Express : to do as well: ")

	// moved to another day: the day that it was on says so, and so does the new one
	edit.Hours.On++
	change(manager, edit)
	visitSays(t, "the day that it was on", r.asTech.get(day), "No visit on this day", "at Friday 27 November, 07:30 instead of Thursday 26 November, 07:30")
	visitSays(t, "the day that it is on", r.asTech.get("/today?on="+(r.on+1).String()), "1 visit", "at Friday 27 November, 07:30 instead of Thursday 26 November, 07:30")

	// of another's day
	if words := wordsOf(t, r.asManager.get(day).body); strings.Contains(words, "Changed in the last") {
		t.Errorf("whoever does not go reads %s", words)
	}
	if all, err := visits.NewsFor(ctx, r.db, tech, r.technician, r.on, now); err != nil || len(all) < 2 {
		t.Errorf("%v %v", all, err)
	}
	if all, err := visits.NewsFor(ctx, r.db, manager, r.technician, r.on, now); err != nil || len(all) != 0 {
		t.Errorf("whoever changed it is told %v %v", all, err)
	}
	owner, _, err := access.Load(ctx, r.db, r.owner)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := visits.NewsFor(ctx, r.db, owner, r.technician, r.on, now); fault.KindOf(err) != fault.Forbidden {
		t.Errorf("an owner is told: %v", err)
	}
}
