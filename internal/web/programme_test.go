package web_test

import (
	"net/http"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/parts"
	"spindlebook/internal/parts/amount"
	"spindlebook/internal/pm"
)

func TestTheProgrammeIsShownWithWhereAndWhyNot(t *testing.T) {
	t.Parallel()
	g := newProgramme(t)
	g.plan(t, "PM-021", "Hydraulic motor look-over", pm.Content{People: 1, Skills: []string{"T2"}, Minutes: pm.Minutes{Low: 5, Typical: 10, High: 20}, LineState: "running"},
		pm.Terms{AppliesTo: "position", Condition: "drive = hydraulic", Triggers: []pm.Trigger{{Kind: "every", Every: "P180D"}}, Basis: "floating", Criticality: "B"})
	g.tick(t)
	page := g.asManager.get("/programme")
	visitSays(t, "the programme", page, "5 plans make work fall due", "Brush inspection", "every 30 days, or every 8,000 vehicles; for a position", "at 2 things", "Stop button test", "safety or law", "Opening walk", "each operating day",
		"recorded of nothing: it is assigned nowhere", "nowhere now", "Add a plan", "New foam set", "not published yet")
	tidy(t, "/programme", page.body)
	owner := g.asOwner.get("/programme")
	visitSays(t, "the owner's look", owner, "Brush inspection")
	for _, secret := range []string{"Add a plan", "New foam set", "assigned nowhere"} {
		if strings.Contains(wordsOf(t, owner.body), secret) {
			t.Errorf("the owner sees %q", secret)
		}
	}
	plan := "/plans/" + g.inspect.String()
	visitSays(t, "a plan", g.asManager.get(plan), "every 30 days", "whichever comes first", "from when it was last done", "7 days early, 7 days late", "A: urgent once late", "It is at 2 things now", "it fits 2 things", "Version 1", "UMB-1/B1-0-R", "late")
	hydraulic := ""
	for _, link := range links(t, page.body) {
		if strings.HasPrefix(link, "/plans/") && strings.Contains(wordsOf(t, g.asManager.get(link).body), "Hydraulic motor") {
			hydraulic = link
		}
	}
	visitSays(t, "a plan that nobody can place", g.asManager.get(hydraulic), "Of 2 nobody can tell", "UMB-1/B1-0-L not known: drive", "drive = hydraulic")
	if got := g.asOwner.get(plan); strings.Contains(got.body, "Where, and why not") || got.status != 200 || strings.Contains(got.body, "PEL") {
		t.Errorf("the owner gets %d %s", got.status, bare(got.body))
	}
	visitSays(t, "another owner's look", g.asOther.get(plan), "It is assigned to nothing that you see")
	it := g.of(t, g.inspect, g.left.ID)
	visitSays(t, "a procedure", g.asTech.get("/procedures/"+it.ProcedureID.String()), "Brush inspection", "about 12 min", "Isolation of electricity", "Look at the brush.", "CK-1001", "look at it below 90, not acceptable below 75",
		"change the set (PM-028), a task due the same day", "every 30 days, or every 8,000 vehicles")
	for _, path := range []string{"/plans/" + uuid.NewString(), "/plans/x", "/procedures/" + uuid.NewString(), "/procedures/x"} {
		if got := g.asManager.get(path); got.status != http.StatusNotFound {
			t.Errorf("%s: %d", path, got.status)
		}
	}
	procedure := "/procedures/" + it.ProcedureID.String()
	for _, v := range []*visitor{g.asTech, g.asOwner} {
		for _, path := range []string{"/plans/new", plan + "/draft", plan + "/publish", plan + "/end", "/procedures/new", procedure + "/draft", procedure + "/steps/new", procedure + "/checks/1", procedure + "/publish"} {
			if got := v.get(path); got.status != http.StatusForbidden {
				t.Errorf("%s: %d", path, got.status)
			}
		}
	}
}

// A plan is written anew, compared with today's under work ahead, and published.
func TestAPlanIsWrittenComparedAndPublished(t *testing.T) {
	t.Parallel()
	g := newProgramme(t)
	g.did(t, 5, "95")
	at := "/plans/" + g.inspect.String()
	for _, c := range []struct {
		want string
		fill map[string]string
	}{
		{"is empty: such a plan never falls due", map[string]string{"every": "", "vehicles": ""}},
		{"The interval is whole days or months, at least a day", map[string]string{"every": "P0D"}},
		{"is a duration such as P30D", map[string]string{"every": "monthly"}},
		{"is more than 0 vehicles", map[string]string{"vehicles": "0"}},
		{"as long as the interval of 10 days", map[string]string{"every": "P10D"}},
		{"The late window is nothing for criticality S", map[string]string{"criticality": "S"}},
		{"is no fact that is recorded of anything", map[string]string{"condition": "colour = blue"}},
		{"is 0 to 366 days", map[string]string{"early": "900"}},
		{"The rule gives no date", map[string]string{"every": "", "basis": "fixed", "rule": "FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=30", "rule_from": "2026-01-01"}},
		{"is two days of a year", map[string]string{"every": "", "season": "13-01/14-50"}},
		{"is fitted, stock or anywhere", map[string]string{"applies_to": "unit", "kinds": ""}},
		{"is needed where it begins on a day", map[string]string{"rule_from": "2026-01-01"}},
		{"is needed for a grid", map[string]string{"every": "", "from": "2026-01-01"}},
	} {
		if got := g.asManager.fill(at+"/draft", c.fill); got.status != 422 || !strings.Contains(bare(got.body), c.want) {
			t.Errorf("%v: %d %s", c.fill, got.status, bare(got.body))
		}
	}
	got := g.asManager.fill(at+"/draft", map[string]string{"every": "P60D", "vehicles": "", "change": "sixty days will do"})
	if got.status != 303 || got.head.Get("Location") != at+"?version=2" {
		t.Fatalf("%d %s %s", got.status, got.head.Get("Location"), bare(got.body))
	}
	page := g.asManager.get(at)
	visitSays(t, "with a draft", page, "Go on with the draft", "What would it change", "Publish the draft", "sixty days will do", "being written", "every 30 days")
	visitSays(t, "the draft", g.asManager.get(at+"?version=2"), "The draft", "every 60 days")
	ahead := ""
	for _, link := range links(t, page.body) {
		if strings.HasPrefix(link, "/ahead?draft=") {
			ahead = link
		}
	}
	visitSays(t, "side by side", g.asManager.get(ahead), "as it is and under PM-010 Brush inspection, version 2", "then")
	if owner := g.asOwner.get(at); strings.Contains(owner.body, "sixty days") {
		t.Error("the owner reads the draft")
	}
	if it := g.of(t, g.inspect, g.left.ID); it.DueOn.Format("2006-01-02") > "2026-12-20" {
		t.Errorf("the draft holds already: due %s", it.DueOn)
	}
	typed := g.asManager.form(at + "/draft")
	typed.Set("change", "sixty, with a word on why")
	if got := g.asManager.fill(at+"/publish", nil); got.status != 303 {
		t.Fatalf("publish: %d %s", got.status, bare(got.body))
	}
	late := g.asManager.post(at+"/draft", typed)
	if late.status != 409 || !strings.Contains(bare(late.body), "was published meanwhile") || sheetOf(t, late.body).Get("change") != "sixty, with a word on why" {
		t.Errorf("published meanwhile: %d %s", late.status, bare(late.body))
	}
	if got := g.asManager.post(at+"/draft", sheetOf(t, late.body)); got.status != 303 || got.head.Get("Location") != at+"?version=3" {
		t.Errorf("sent again: %d %s", got.status, bare(got.body))
	}
	g.tick(t)
	if it := g.of(t, g.inspect, g.left.ID); it.DueOn.Format("2006-01-02") != "2027-01-19" { // 60 days after 20 November
		t.Errorf("published it is due %s", it.DueOn)
	}
	if got := g.asManager.fill(at+"/end", nil); got.status != 303 {
		t.Fatalf("end: %d", got.status)
	}
	g.tick(t)
	visitSays(t, "ended", g.asManager.get(at), "Ended 25 November 2026", "assigned to nothing")
}

// A procedure is added, given steps and checks, published and planned; a new version
// changes nothing of the one before.
func TestAProcedureIsWrittenStepByStep(t *testing.T) {
	t.Parallel()
	g := newProgramme(t)
	if got := g.asManager.fill("/procedures/new", map[string]string{"code": "small", "title": "x"}); got.status != 422 {
		t.Errorf("a small code: %d", got.status)
	}
	if got := g.asManager.fill("/procedures/new", map[string]string{"code": "PM-010", "title": "x"}); got.status != 409 {
		t.Errorf("a code that is there: %d %s", got.status, bare(got.body))
	}
	got := g.asManager.fill("/procedures/new", map[string]string{"code": "PM-050", "title": "Guard check"})
	if got.status != 303 {
		t.Fatalf("%d %s", got.status, bare(got.body))
	}
	at := strings.TrimSuffix(got.head.Get("Location"), "/draft")
	for want, fill := range map[string]map[string]string{"is one of": {"skills": "T9"}, "a whole number": {"people": "two"}, "names no procedure": {"covers": "PM-999"}, "names no plan": {"follow_ups": "PM-999"}} {
		if got := g.asManager.fill(at+"/draft", fill); got.status != 422 || !strings.Contains(bare(got.body), want) {
			t.Errorf("%v: %d %s", fill, got.status, bare(got.body))
		}
	}
	for _, c := range []struct {
		path string
		fill map[string]string
	}{
		{"/draft", map[string]string{"people": "1", "skills": "T1", "low": "5", "typical": "10", "high": "20", "energies": "electrical", "isolation": "lock-out", "covers": "PM-001", "follow_ups": "PM-004"}},
		{"/checks/new", map[string]string{"code": "CK-5001", "prompt": "Gap at the guard", "kind": "number", "unit": "mm", "warn_high": "6", "fail_high": "10", "on_fail_says": "close it", "on_fail_days": "0"}},
		{"/steps/new", map[string]string{"kind": "measure", "says": "Measure the gap.", "check_code": "CK-5001"}},
		{"/steps/new", map[string]string{"place": "1", "kind": "isolate", "says": "Lock the isolator.", "hold": "yes"}},
		{"/ways/new", map[string]string{"code": "standing", "title": "With the guard on", "people": "1", "low": "5", "typical": "10", "high": "20"}},
		{"/ways/new", map[string]string{"code": "guard_off", "title": "With the guard laid down", "people": "2", "low": "10", "typical": "25", "high": "40"}},
		{"/steps/new", map[string]string{"place": "3", "kind": "do", "says": "Lay the guard down.", "condition": "method = guard_off"}},
		{"/ways/new", map[string]string{"code": "from_above", "title": "From above", "people": "2", "low": "10", "typical": "25", "high": "40"}},
		{"/ways/new", map[string]string{"code": "rocker", "title": "Rocked out", "people": "2", "low": "10", "typical": "25", "high": "40"}},
	} {
		if got := g.asManager.fill(at+c.path, c.fill); got.status != 303 {
			t.Fatalf("%s: %d %s", c.path, got.status, bare(got.body))
		}
	}
	procedure := uuid.MustParse(strings.TrimPrefix(at, "/procedures/"))
	newest := func() pm.ProcedureVersion {
		t.Helper()
		all, err := pm.Versions(ctx, g.db, access.System, procedure)
		if err != nil || len(all) == 0 {
			t.Fatal(all, err)
		}
		return all[0]
	}
	write(t, g.db, func(tx *gorm.DB) (bool, error) {
		return true, parts.SetLines(tx, access.System, newest().ID, []parts.NewLine{{Need: "tool", Item: "hoist", Amount: amount.One, Condition: "method in (guard_off, from_above)"},
			{Need: "tool", Item: "long key", Amount: amount.One, Condition: "method != standing"}, {Need: "tool", Item: "rags of a rocker", Amount: amount.One, Condition: "kind = rocker"}})
	})
	page := g.asManager.get(at + "?version=1")
	visitSays(t, "the draft", page, "is being written and does not hold yet", "Hold. Lock the isolator.", "Measure the gap. CK-5001", "look at it above 6, not acceptable above 10", "close it, a task due the same day", "With the guard laid down: 2 people, about 25 min", "PM-001 Opening walk", "PM-004 Drain the air filters")
	words := wordsOf(t, page.body)
	if strings.Index(words, "Lock the isolator") > strings.Index(words, "Measure the gap") {
		t.Error("the step is not where it was put")
	}
	for _, c := range []struct {
		path, want string
		fill       map[string]string
	}{
		{"/steps/1", "is from 1 to 3", map[string]string{"place": "9"}},
		{"/ways/new", "is the code of another way", map[string]string{"code": "standing", "title": "again"}},
		{"/ways/new", "small letters", map[string]string{"code": "Guard off", "title": "again"}},
		{"/ways/1", "must not be blank", map[string]string{"title": " "}},
		{"/ways/1", "in that order", map[string]string{"low": "30"}},
		{"/ways/1", "between 1 and 20", map[string]string{"people": "0"}},
		{"/ways/2", "while step 3 is only for guard_off", map[string]string{"code": "laid_down"}},
		{"/ways/2", "while step 3 is only for guard_off", map[string]string{"drop": "yes"}},
		{"/ways/3", "is not done while line 1 of what it takes is only for from_above", map[string]string{"drop": "yes"}},
		{"/ways/3", "is not done while line 1 of what it takes is only for from_above", map[string]string{"code": "over_the_top"}},
		{"/ways/1", "is not done while line 2 of what it takes is for all but standing", map[string]string{"code": "upright"}},
		{"/steps/1", "must not be blank", map[string]string{"says": ""}},
		{"/steps/1", "the condition begins with", map[string]string{"condition": "= ="}},
		{"/checks/1", "is needed: within how many days", map[string]string{"on_fail_raises": "PM-010", "on_fail_days": ""}},
	} {
		if got := g.asManager.fill(at+c.path, c.fill); got.status != 422 || !strings.Contains(strings.ToLower(bare(got.body)), c.want) {
			t.Errorf("%s %v: %d %s", c.path, c.fill, got.status, bare(got.body))
		}
	}
	for _, path := range []string{"/steps/9", "/steps/0", "/checks/x", "/ways/5"} {
		if got := g.asManager.get(at + path); got.status != http.StatusNotFound {
			t.Errorf("%s: %d", path, got.status)
		}
	}
	// a word of another fact is no way
	if got := g.asManager.fill(at+"/ways/4", map[string]string{"drop": "yes"}); got.status != 303 {
		t.Errorf("a way that nothing asks for: %d %s", got.status, bare(got.body))
	}
	write(t, g.db, func(tx *gorm.DB) (bool, error) {
		return true, parts.SetLines(tx, access.System, newest().ID, []parts.NewLine{{Need: "tool", Item: "hoist", Amount: amount.One, Condition: "method = from_above"}})
	})
	for _, path := range []string{"/steps/3", "/ways/2"} { // without its step the way goes too
		if got := g.asManager.fill(at+path, map[string]string{"drop": "yes"}); got.status != 303 {
			t.Fatalf("%s: %d %s", path, got.status, bare(got.body))
		}
	}
	if got := g.asManager.fill(at+"/publish", nil); got.status != 303 {
		t.Fatalf("publish: %d %s", got.status, bare(got.body))
	}
	// what the version before takes goes with the draft that begins from it
	dropped := func() {
		t.Helper()
		if got := g.asManager.fill(at+"/ways/2", map[string]string{"drop": "yes"}); got.status != 422 || !strings.Contains(bare(got.body), "line 1 of what it takes is only for from_above") {
			t.Errorf("a way that a line asks for: %d %s", got.status, bare(got.body))
		}
	}
	dropped()
	if got := g.asManager.fill(at+"/steps/2", map[string]string{"drop": "yes"}); got.status != 303 {
		t.Fatalf("drop: %d %s", got.status, bare(got.body))
	}
	dropped()
	visitSays(t, "version 1", g.asManager.get(at), "Measure the gap.", "Version 1, published")
	if second := g.asManager.get(at + "?version=2"); strings.Contains(second.body, "Measure the gap") {
		t.Error("the step is still there")
	}
	// a block comes in: what stands behind it keeps its number, and the block has one too
	if got := g.asManager.fill("/procedures/new", map[string]string{"code": "BLK-X", "title": "Guards", "block": "yes"}); got.status != 303 {
		t.Fatalf("%d %s", got.status, bare(got.body))
	} else {
		block := strings.TrimSuffix(got.head.Get("Location"), "/draft")
		for _, c := range []struct {
			path string
			fill map[string]string
		}{{"/steps/new", map[string]string{"says": "Count the guards."}}, {"/steps/new", map[string]string{"says": "Hang the sign."}}, {"/publish", nil}} {
			if got := g.asManager.fill(block+c.path, c.fill); got.status != 303 {
				t.Fatalf("%s: %d %s", c.path, got.status, bare(got.body))
			}
		}
	}
	for _, fill := range []map[string]string{{"place": "1", "kind": "include", "includes": "BLK-X", "says": ""}, {"place": "3", "says": "Look again.", "check_code": "CK-5001"}} {
		if got := g.asManager.fill(at+"/steps/new", fill); got.status != 303 {
			t.Fatalf("%v: %d %s", fill, got.status, bare(got.body))
		}
	}
	draft := g.asManager.get(at + "?version=2")
	visitSays(t, "the draft with a block", draft, "Here the steps of a block come in.", "Count the guards.", "Hang the sign.", "Lock the isolator.", "Look again.")
	for n, says := range map[string]string{"1": "", "2": "Lock the isolator.", "3": "Look again."} {
		if !strings.Contains(draft.body, at+"/steps/"+n+`"`) || g.asManager.form(at+"/steps/"+n).Get("says") != says {
			t.Errorf("step %s is %q", n, g.asManager.form(at+"/steps/"+n).Get("says"))
		}
	}
	// the block twice in a row: each time all of it behind its own place
	if got := g.asManager.fill(at+"/steps/new", map[string]string{"place": "2", "kind": "include", "includes": "BLK-X", "says": ""}); got.status != 303 {
		t.Fatalf("once more: %d %s", got.status, bare(got.body))
	}
	seen := regexp.MustCompile(`Here the steps of a block come in|Count the guards|Hang the sign|Lock the isolator|Look again`).FindAllString(wordsOf(t, g.asManager.get(at+"?version=2").body), -1)
	once := "Here the steps of a block come in,Count the guards,Hang the sign,"
	if got := strings.Join(slices.Compact(seen), ","); got != once+once+"Lock the isolator,Look again" {
		t.Errorf("the block twice in a row: %s", got)
	}
	if got := g.asManager.fill(at+"/steps/2", map[string]string{"drop": "yes"}); got.status != 303 {
		t.Fatalf("drop: %d %s", got.status, bare(got.body))
	}
	// a check that a step asks for is not dropped, and its steps go with its code
	if got := g.asManager.fill(at+"/checks/1", map[string]string{"drop": "yes"}); got.status != 422 || !strings.Contains(bare(got.body), "while step 3 asks for it") {
		t.Errorf("dropped: %d %s", got.status, bare(got.body))
	}
	if got := g.asManager.fill(at+"/checks/1", map[string]string{"code": "CK-5002"}); got.status != 303 || g.asManager.form(at+"/steps/3").Get("check_code") != "CK-5002" {
		t.Errorf("renamed: %d %s", got.status, bare(got.body))
	}
	twice := g.asManager.fill(at+"/checks/new", map[string]string{"code": "CK-5002", "prompt": "again", "kind": "pass_fail", "options": "ok bad"})
	if got := wrongs(t, twice.body)["code"]; twice.status != 422 || got != "Code is the code of another check." {
		t.Errorf("a code twice: %d %q", twice.status, got)
	}
	// what is wrong elsewhere is named by its code or place
	if got := g.asManager.fill(at+"/checks/new", map[string]string{"code": "CK-5003", "prompt": "Bolts", "kind": "pass_fail", "options": "ok bad"}); got.status != 303 {
		t.Fatalf("another check: %d %s", got.status, bare(got.body))
	}
	if got := g.asManager.fill(at+"/checks/1", map[string]string{"code": "CK-5003"}); got.status != 422 || !strings.Contains(wordsOf(t, got.body), "Check CK-5003 code is the code of another check.") {
		t.Errorf("the code of the other: %d %s", got.status, wordsOf(t, got.body))
	}
	// published while it is edited: what was typed is kept, and begins the next version
	typed := g.asManager.form(at + "/draft")
	typed.Set("caution", "pinch points")
	if got := g.asManager.fill(at+"/publish", nil); got.status != 303 {
		t.Fatalf("publish: %d %s", got.status, bare(got.body))
	}
	late := g.asManager.post(at+"/draft", typed)
	if late.status != 409 || !strings.Contains(bare(late.body), "was published meanwhile") || sheetOf(t, late.body).Get("caution") != "pinch points" {
		t.Fatalf("published meanwhile: %d %s", late.status, bare(late.body))
	}
	if got := g.asManager.post(at+"/draft", sheetOf(t, late.body)); got.status != 303 || !strings.HasSuffix(got.head.Get("Location"), "version=3") {
		t.Fatalf("sent again: %d %s", got.status, bare(got.body))
	}
	// two write the same draft: the later is told
	stale := g.asManager.form(at + "/draft")
	if got := g.asManager.fill(at+"/draft", map[string]string{"caution": "edges"}); got.status != 303 {
		t.Fatalf("%d %s", got.status, bare(got.body))
	}
	if got := g.asManager.post(at+"/draft", stale); got.status != 409 {
		t.Errorf("a stale draft: %d %s", got.status, bare(got.body))
	}
	got = g.asManager.fill("/plans/new?procedure=PM-050", map[string]string{"code": "PM-050", "title": "Guard check"})
	if got.status != 303 {
		t.Fatalf("%d %s", got.status, bare(got.body))
	}
	visitSays(t, "the plan", g.asManager.get(strings.TrimSuffix(got.head.Get("Location"), "/draft")), "Not published yet")
}

func TestPagesOfTheProgrammeFitAPhone(t *testing.T) {
	g := newProgramme(t)
	it := g.of(t, g.inspect, g.left.ID)
	procedure, plan := "/procedures/"+it.ProcedureID.String(), "/plans/"+g.inspect.String()
	if got := g.asManager.fill(plan+"/draft", map[string]string{"every": "P60D", "change": "sixty days will do"}); got.status != 303 {
		t.Fatal(got.status)
	}
	fits(t, g.house, map[uuid.UUID][]string{g.manager: {"/programme", plan, plan + "/draft", procedure, procedure + "/draft", procedure + "/steps/1", procedure + "/checks/1", procedure + "/ways/new", "/ahead"}})
}
