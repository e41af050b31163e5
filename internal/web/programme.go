package web

import (
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/condition"
	"spindlebook/internal/fault"
	"spindlebook/internal/parts"
	"spindlebook/internal/pm"
)

// mostOfProgramme is how many procedures and plans the programme shows: a trade has some dozens.
const mostOfProgramme = 500

// What plans keep as codes, in the words of a page.
var (
	appliesWords = map[string]string{"site": "a whole site", "line": "a line", "position": "a position", "unit": "a unit"}
	basisWords   = map[string]string{"floating": "from when it was last done", "fixed": "on a grid of dates, whenever it was done", "one_off": "once, after the work that gives rise to it"}
	unitsWords   = map[string]string{"fitted": "while it is fitted", "stock": "while it is in stock", "anywhere": "wherever it is"}
	stepKinds    = []string{"do", "measure", "choose", "pass_fail", "photo", "note", "isolate", "prove_dead", "test", "restore", "hold", "include"}
	checkKinds   = []string{"number", "choice", "pass_fail", "photo", "date", "meter"}
	lineStates   = []string{"running", "line_down", "closed_hours", "position_parked", "station_stopped", "not_applicable"}
	allEnergies  = []string{"electrical", "air", "gravity", "hydraulic", "water", "chemical"}
	criticals    = []option{{"S", "S: safety or law; never late, never put off"}, {"A", "A: urgent once late"}, {"B", "B: wears on when late"}, {"C", "C: can wait"}}
)

type planRow struct {
	pm.Plan
	When, For, Gravity string
}

type programmePage struct {
	Tabs       []nav
	Plans      []planRow
	Ended      []planRow
	Procedures []procedureLine
	Blocks     []procedureLine
	Findings   []pm.Finding
	Keep       bool
	Drafts     int
}

type procedureLine struct {
	pm.Procedure
	Skilled, LineWord string
}

// aheadTabs are the pages of what is planned.
func aheadTabs(here string) []nav {
	return []nav{{"/ahead", "Work ahead", here == "/ahead"}, {"/programme", "Programme", here == "/programme"}}
}

func planRowOf(q pm.Plan) (planRow, error) {
	r := planRow{Plan: q, For: appliesWords[text(q.AppliesTo)], Gravity: gravity[text(q.Criticality)]}
	all, err := q.Reasons()
	r.When = triggerList(all)
	return r, err
}

func (p *pages) programme(v visit) error {
	g := programmePage{Tabs: aheadTabs("/programme"), Keep: v.may(access.Plan)}
	plans, err := pm.Plans(v.ctx, p.db, v.who, pm.Page{Limit: mostOfProgramme})
	if err != nil {
		return err
	}
	for _, q := range plans {
		row, err := planRowOf(q)
		if err != nil {
			return err
		}
		switch {
		case q.EndedAt != nil:
			g.Ended = append(g.Ended, row)
		case q.VersionID != nil || g.Keep:
			g.Plans = append(g.Plans, row)
		}
		if q.Draft != nil {
			g.Drafts++
		}
	}
	all, err := pm.Procedures(v.ctx, p.db, v.who, pm.Page{Limit: mostOfProgramme})
	if err != nil {
		return err
	}
	for _, q := range all {
		row := procedureLine{q, skilled(q.Skills), lineStateWords[text(q.LineState)]}
		switch {
		case q.IsBlock:
			g.Blocks = append(g.Blocks, row)
		case q.VersionID != nil || g.Keep:
			g.Procedures = append(g.Procedures, row)
		}
		if q.Draft != nil {
			g.Drafts++
		}
	}
	if v.may(access.SeeInternal) {
		if g.Findings, err = pm.PlanFindings(v.ctx, p.db, v.who); err != nil {
			return err
		}
	}
	return p.ok(v, "programme", "Programme", g)
}

// schemePage is one plan: what it makes fall due, when, where, and why not elsewhere.
type schemePage struct {
	pm.Plan
	Tabs      []nav
	Procedure string
	Shown     *pm.PlanVersion // the version that is looked at
	When      []string
	For       string
	Kinds     []string
	Classes   []string
	Basis     string
	Window    string
	Gravity   string
	Versions  []pm.PlanVersion
	DraftPath string // work ahead under the draft
	Fitting   *pm.Fitting
	Unclear   []unclearRow
	Worst     []dueRow
	Keep      bool
	Clock     clock
}

type unclearRow struct{ Code, Path, Missing string }

// windowWords says how early and how late counts as on time.
func windowWords(early, late pm.Tolerance) string {
	one := func(t pm.Tolerance, way string) string {
		switch {
		case t.Percent > 0:
			return strconv.FormatFloat(t.Percent, 'f', -1, 64) + " % of the interval " + way
		case t.Days > 0:
			return plural(t.Days, "day", "days") + " " + way
		}
		return "not " + way
	}
	return one(early, "early") + ", " + one(late, "late")
}

func (p *pages) workPlan(v visit) error {
	id, err := idOf(v, "id", "plan")
	if err != nil {
		return err
	}
	q, err := pm.OnePlan(v.ctx, p.db, v.who, id)
	if err != nil {
		return err
	}
	g := schemePage{Plan: q, Tabs: aheadTabs("/programme"), Procedure: q.Procedure, Keep: v.may(access.Plan) && q.EndedAt == nil, Clock: clock{v.now, time.UTC}}
	if g.Versions, err = pm.PlanVersions(v.ctx, p.db, v.who, id); err != nil {
		return err
	}
	want, _ := strconv.Atoi(v.c.Query("version"))
	for i := range g.Versions {
		w := &g.Versions[i]
		if w.PublishedAt == nil {
			g.DraftPath = "/ahead?draft=" + w.ID.String()
		}
		if w.Number == want || want == 0 && g.Shown == nil && (w.PublishedAt != nil || len(g.Versions) == 1) {
			g.Shown = w
		}
	}
	if s := g.Shown; s != nil {
		for _, t := range s.Triggers {
			g.When = append(g.When, t.Says())
		}
		g.For, g.Basis, g.Gravity, g.Window = appliesWords[s.AppliesTo], basisWords[s.Basis], gravity[s.Criticality], windowWords(s.Early, s.Late)
		if s.UnitsIn != "" {
			g.For += " " + unitsWords[s.UnitsIn]
		}
		if g.Kinds, g.Classes, err = p.kindWords(v, s.Kinds, s.Classes); err != nil {
			return err
		}
	}
	worst, err := pm.Worst(v.ctx, p.db, v.who, pm.ItemFilter{PlanID: &id}, 0, mostOfPlan)
	if err != nil {
		return err
	}
	for _, i := range worst {
		g.Worst = append(g.Worst, dueRowBare(v, i))
	}
	if v.may(access.SeeInternal) {
		f, err := pm.FittingOf(v.ctx, p.db, v.who, v.now, id)
		if err != nil {
			return err
		}
		g.Fitting = &f
		for _, u := range f.Unclear[:min(len(f.Unclear), mostOfPlan)] {
			g.Unclear = append(g.Unclear, unclearRow{u.Code, pathOf(u.What, u.ID.String()), strings.ReplaceAll(strings.Join(u.Missing, ", "), "_", " ")})
		}
	}
	return p.ok(v, "scheme", q.Title, g)
}

// mostOfPlan is how many things the page of a plan names.
const mostOfPlan = 30

// kindWords names kinds of positions and classes of units.
func (p *pages) kindWords(v visit, kinds, classes []string) (k, c []string, err error) {
	all, err := assets.PositionKinds(v.ctx, p.db, v.who)
	if err != nil {
		return nil, nil, err
	}
	for _, x := range all {
		if slices.Contains(kinds, x.Code) {
			k = append(k, x.Name)
		}
	}
	of, err := assets.ComponentClasses(v.ctx, p.db, v.who)
	for _, x := range of {
		if slices.Contains(classes, x.Code) {
			c = append(c, x.Name)
		}
	}
	return k, c, err
}

// procedurePage is one procedure by one of its versions.
type procedurePage struct {
	pm.Procedure
	Tabs      []nav
	Shown     *pm.ProcedureVersion
	Skilled   string
	LineWord  string
	Energies  []string
	Steps     []stepRow
	Checks    []checkRow
	Covers    []option
	FollowUps []followRow
	Versions  []pm.ProcedureVersion
	UsedBy    []planRow
	Keep      bool
	IsDraft   bool // the version that is shown may be edited
	Clock     clock
}

type stepRow struct {
	pm.Placed
	N    int // of the procedure's own steps; 0 of a block's
	Kind string
}

type checkRow struct {
	pm.Check
	N       int
	Limits  string
	Choices string
	OnWarn  string
	OnFail  string
}

type followRow struct{ Path, Name, Condition string }

// actWords says what follows from a look.
func followWords(a pm.Action) string {
	s := a.Says
	if a.Raises != "" {
		s = strings.TrimSpace(s + " (" + a.Raises + ")")
	}
	if a.Days != nil {
		if *a.Days == 0 {
			s += ", a task due the same day"
		} else {
			s += ", a task due within " + plural(*a.Days, "day", "days")
		}
	}
	if a.Interval != nil {
		s += fmt.Sprintf(", the next interval is %d %% of the usual", *a.Interval)
	}
	return s
}

// limitsOf says which readings are to be looked at and which are not acceptable.
func limitsOf(c pm.Check) string {
	between := func(low, high *float64, name string) string {
		n := func(f float64) string { return strconv.FormatFloat(f, 'g', -1, 64) }
		switch {
		case low != nil && high != nil:
			return name + " below " + n(*low) + " or above " + n(*high)
		case low != nil:
			return name + " below " + n(*low)
		case high != nil:
			return name + " above " + n(*high)
		}
		return ""
	}
	var all []string
	for _, s := range []string{between(c.WarnLow, c.WarnHigh, "look at it"), between(c.FailLow, c.FailHigh, "not acceptable")} {
		if s != "" {
			all = append(all, s)
		}
	}
	return strings.Join(all, ", ")
}

func (p *pages) procedure(v visit) error {
	id, err := idOf(v, "id", "procedure")
	if err != nil {
		return err
	}
	q, err := pm.OneProcedure(v.ctx, p.db, v.who, id)
	if err != nil {
		return err
	}
	g := procedurePage{Procedure: q, Tabs: aheadTabs("/programme"), Keep: v.may(access.Plan), Clock: clock{v.now, time.UTC}}
	if g.Versions, err = pm.Versions(v.ctx, p.db, v.who, id); err != nil {
		return err
	}
	want, _ := strconv.Atoi(v.c.Query("version"))
	for i := range g.Versions {
		w := &g.Versions[i]
		if w.Number == want || want == 0 && g.Shown == nil && (w.PublishedAt != nil || len(g.Versions) == 1) {
			g.Shown = w
		}
	}
	plans, err := pm.Plans(v.ctx, p.db, v.who, pm.Page{Limit: mostOfProgramme})
	if err != nil {
		return err
	}
	for _, x := range plans {
		if x.ProcedureID == id && x.EndedAt == nil {
			row, err := planRowOf(x)
			if err != nil {
				return err
			}
			g.UsedBy = append(g.UsedBy, row)
		}
	}
	if s := g.Shown; s != nil {
		g.IsDraft, g.Skilled, g.LineWord = s.PublishedAt == nil && g.Keep, skilled(s.Skills), lineStateWords[s.LineState]
		for _, e := range s.Energies {
			g.Energies = append(g.Energies, say(e))
		}
		steps, err := pm.Unfolded(v.ctx, p.db, v.who, s.ID)
		if err != nil {
			return err
		}
		g.Steps = stepRows(s.Steps, steps, g.IsDraft)
		for i, c := range s.Checks {
			g.Checks = append(g.Checks, checkRow{Check: c, N: i + 1, Limits: limitsOf(c), Choices: strings.ReplaceAll(strings.Join(c.Options, " / "), "_", " "), OnWarn: followWords(c.OnWarn), OnFail: followWords(c.OnFail)})
		}
		procedures, err := pm.Procedures(v.ctx, p.db, v.who, pm.Page{Limit: mostOfProgramme})
		if err != nil {
			return err
		}
		for _, code := range s.Covers {
			for _, x := range procedures {
				if x.Code == code {
					g.Covers = append(g.Covers, option{"/procedures/" + x.ID.String(), x.Code + " " + x.Title})
				}
			}
		}
		for _, f := range s.FollowUps {
			for _, x := range plans {
				if x.Code == f.Plan {
					g.FollowUps = append(g.FollowUps, followRow{"/plans/" + x.ID.String(), x.Code + " " + x.Title, f.Condition})
				}
			}
		}
	}
	return p.ok(v, "procedure", q.Title, g)
}

// stepRows numbers a procedure's own steps by their places among what is written, in
// which a block that is included has one too; while it is written the block can be
// changed there.
func stepRows(written []pm.Step, placed []pm.Placed, draft bool) (rows []stepRow) {
	for i, w := range written {
		if w.Kind == "include" && draft {
			rows = append(rows, stepRow{Placed: pm.Placed{Step: pm.Step{Says: "Here the steps of a block come in.", Condition: w.Condition}, Block: w.Includes}, N: i + 1, Kind: plainWord(w.Kind)})
		}
		for len(placed) > 0 && placed[0].At == i+1 {
			row := stepRow{Placed: placed[0], Kind: plainWord(placed[0].Step.Kind)}
			if row.Block == "" {
				row.N = i + 1
			}
			rows, placed = append(rows, row), placed[1:]
		}
	}
	return rows
}

// the forms

func (p *pages) newProcedureSheet(v visit) (*sheet, error) {
	if err := v.who.Must(access.Plan); err != nil {
		return nil, err
	}
	return &sheet{Title: "Add a procedure", Verb: "Add it", Cancel: "/programme", Crumbs: []crumb{{"/programme", "Programme"}}, Lead: "What it consists of comes with its first version.",
		Fields: []*field{{Name: "code", Label: "Code", Most: 24, Hint: "Capital letters, digits and hyphens, such as PM-047 or J12."}, {Name: "title", Label: "Title"},
			{Name: "block", Label: "It is a block of steps that other procedures include", Kind: "check", Optional: true}}}, nil
}

func (p *pages) addProcedure(v visit, s *sheet) (string, error) {
	ids, err := once(p, v, s, func(tx *gorm.DB) ([]uuid.UUID, error) {
		return pm.AddProcedures(tx, v.who, v.now, []pm.NewProcedure{{Code: s.get("code"), Title: s.get("title"), IsBlock: s.checked("block")}})
	})
	if err != nil {
		return "", err
	}
	return "/procedures/" + ids[0].String() + "/draft", nil
}

func (p *pages) newWorkPlanSheet(v visit) (*sheet, error) {
	if err := v.who.Must(access.Plan); err != nil {
		return nil, err
	}
	all, err := pm.Procedures(v.ctx, p.db, v.who, pm.Page{Limit: mostOfProgramme})
	if err != nil {
		return nil, err
	}
	work := &field{Name: "procedure", Label: "What is done", Short: "The procedure", Kind: "choice"}
	for _, q := range all {
		if !q.IsBlock {
			work.Options = append(work.Options, option{q.Code, q.Code + " " + q.Title})
		}
	}
	if q := v.c.Query("procedure"); slices.ContainsFunc(work.Options, func(o option) bool { return o.Value == q }) {
		work.Value = q
	}
	return &sheet{Title: "Add a plan", Verb: "Add it", Cancel: "/programme", Crumbs: []crumb{{"/programme", "Programme"}}, Lead: "When it falls due, and where, comes with its first version.",
		Fields: []*field{{Name: "code", Label: "Code", Most: 24, Hint: "Capital letters, digits and hyphens."}, {Name: "title", Label: "Title"}, work}}, nil
}

func (p *pages) addWorkPlan(v visit, s *sheet) (string, error) {
	ids, err := once(p, v, s, func(tx *gorm.DB) ([]uuid.UUID, error) {
		return pm.AddPlans(tx, v.who, v.now, []pm.NewPlan{{Code: s.get("code"), Title: s.get("title"), Procedure: s.get("procedure")}})
	})
	if err != nil {
		return "", err
	}
	return "/plans/" + ids[0].String() + "/draft", nil
}

func (p *pages) workPlanFor(v visit) (pm.Plan, []crumb, error) {
	id, err := idOf(v, "id", "plan")
	if err != nil {
		return pm.Plan{}, nil, err
	}
	q, err := pm.OnePlan(v.ctx, p.db, v.who, id)
	if err == nil {
		err = v.who.Must(access.Plan)
	}
	return q, []crumb{{"/programme", "Programme"}, {"/plans/" + q.ID.String(), q.Code}}, err
}

// newestPlan gives the draft of a plan, or what it begins from.
func (p *pages) newestPlan(v visit, id uuid.UUID) (pm.Terms, *pm.PlanVersion, error) {
	versions, err := pm.PlanVersions(v.ctx, p.db, v.who, id)
	if err != nil || len(versions) == 0 {
		return pm.Terms{AppliesTo: "position", Basis: "floating", Criticality: "B"}, nil, err
	}
	if versions[0].PublishedAt == nil {
		return versions[0].Terms, &versions[0], nil
	}
	t := versions[0].Terms
	t.Change = ""
	return t, nil, nil
}

func (p *pages) termsSheet(v visit) (*sheet, error) {
	q, crumbs, err := p.workPlanFor(v)
	if err != nil {
		return nil, err
	}
	t, draft, err := p.newestPlan(v, q.ID)
	if err != nil {
		return nil, err
	}
	kinds, err := assets.PositionKinds(v.ctx, p.db, v.who)
	if err != nil {
		return nil, err
	}
	classes, err := assets.ComponentClasses(v.ctx, p.db, v.who)
	if err != nil {
		return nil, err
	}
	kind, class, tied := &field{Name: "kinds", Label: "Only for positions of these kinds", Short: "The kinds", Kind: "checks", Optional: true, Hint: "None is all. Of a line or a site: those that have one."},
		&field{Name: "classes", Label: "Only for units of these classes", Short: "The classes", Kind: "checks", Optional: true}, &field{Name: "tied_to", Label: "Ends with the unit of this class", Kind: "choice", Optional: true, Options: []option{{"", "none"}}}
	for _, k := range kinds {
		kind.Options = append(kind.Options, option{k.Code, k.Name})
	}
	for _, k := range classes {
		class.Options = append(class.Options, option{k.Code, k.Name})
		tied.Options = append(tied.Options, option{k.Code, k.Name})
	}
	at := crumbs[1].Path
	s := &sheet{Title: "Version " + strconv.Itoa(next(q.Number, q.Draft)) + " of the plan", Over: q.Code + " " + q.Title, Verb: "Keep the draft", Cancel: at, Crumbs: crumbs, about: q,
		Lead: "It holds once it is published; until then nothing changes but what you can compare under work ahead.",
		Fields: []*field{
			{Name: "change", Label: "What is new in it", Optional: true, Most: 500},
			{Name: "applies_to", Label: "It is for", Kind: "radio", Options: optionsIn(appliesWords, "position", "line", "site", "unit"), Head: "Where"},
			kind,
			{Name: "condition", Label: "Only where", Short: "The condition", Optional: true, Most: 1000, Hint: "Over what is recorded of the thing: drive = hydraulic & climate in (snowbelt, mild_wet)."},
			{Name: "units_in", Fold: "Of units", Label: "Where the unit is", Kind: "choice", Optional: true, Options: append([]option{{"", "the plan is of no unit"}}, optionsIn(unitsWords, "fitted", "stock", "anywhere")...)},
			class,
			{Name: "every", Label: "After days or months", Short: "The interval", Optional: true, Head: "When, whichever comes first", Hint: "P30D is 30 days, P6M six months, P1Y a year."},
			{Name: "from", Label: "The grid begins on", Kind: "date", Optional: true, Hint: "Of a grid of dates only."},
			{Name: "vehicles", Label: "After so many vehicles", Kind: "number", Optional: true},
			{Name: "run_hours", Label: "After so many run hours", Kind: "number", Optional: true},
			{Name: "cycles", Label: "After so many cycles", Kind: "number", Optional: true},
			{Name: "daily", Label: "Each operating day", Kind: "check", Optional: true},
			{Name: "season", Fold: "A season, a rule of dates, a check", Label: "Once a year between", Short: "The season", Optional: true, Hint: "Month and day of the first and the last day: 10-01/11-15."},
			{Name: "rule", Label: "By a rule of dates", Short: "The rule", Optional: true, Hint: "As RFC 5545 writes it: FREQ=MONTHLY;BYDAY=1TU"},
			{Name: "rule_from", Label: "The rule begins on", Kind: "date", Optional: true},
			{Name: "check", FoldEnd: true, Label: "When this check crosses its limit", Short: "The check", Optional: true, Hint: "Its code, such as CK-1001."},
			{Name: "basis", Label: "It counts", Kind: "radio", Options: optionsIn(basisWords, "floating", "fixed", "one_off"), Head: "How it counts"},
			{Name: "early", Label: "Early counts as on time, days", Short: "The early window", Kind: "number", Optional: true},
			{Name: "early_percent", Label: "Or in percent of the interval", Kind: "number", Optional: true},
			{Name: "late", Label: "Late counts as on time, days", Short: "The late window", Kind: "number", Optional: true},
			{Name: "late_percent", Label: "Or in percent of the interval", Kind: "number", Optional: true},
			{Name: "criticality", Label: "What is at stake when it is late", Kind: "radio", Options: criticals},
			tied,
		}}
	class.FoldEnd = true
	if draft != nil {
		s.Version = draft.Version
	}
	figure := func(f float64) string {
		if f == 0 {
			return ""
		}
		return strconv.FormatFloat(f, 'f', -1, 64)
	}
	values := map[string]string{"change": t.Change, "applies_to": t.AppliesTo, "kinds": strings.Join(t.Kinds, " "), "classes": strings.Join(t.Classes, " "), "units_in": t.UnitsIn, "condition": t.Condition, "basis": t.Basis,
		"early": figure(float64(t.Early.Days)), "early_percent": figure(t.Early.Percent), "late": figure(float64(t.Late.Days)), "late_percent": figure(t.Late.Percent), "criticality": t.Criticality, "tied_to": t.TiedTo}
	for _, x := range t.Triggers {
		switch x.Kind {
		case "every":
			values["every"], values["from"] = x.Every, x.From
		case "after_use":
			values[x.Unit] = figure(x.Amount)
		case "each_operating_day":
			values["daily"] = "yes"
		case "once_per_season":
			values["season"] = x.Season
		case "on_dates":
			values["rule"], values["rule_from"] = x.Rule, x.From
		case "on_crossing":
			values["check"] = x.Check
		}
	}
	s.fill(values)
	return s, nil
}

// next is the number of the version that is being written.
func next(number, draft *int) int {
	switch {
	case draft != nil:
		return *draft
	case number != nil:
		return *number + 1
	}
	return 1
}

func (p *pages) writeTerms(v visit, s *sheet) (string, error) {
	q := s.about.(pm.Plan)
	t := pm.Terms{Change: s.get("change"), AppliesTo: s.get("applies_to"), Kinds: strings.Fields(s.get("kinds")), Classes: strings.Fields(s.get("classes")), UnitsIn: s.get("units_in"), Condition: s.get("condition"),
		Basis: s.get("basis"), Criticality: s.get("criticality"), TiedTo: s.get("tied_to")}
	var names []string
	add := func(name string, x pm.Trigger) { t.Triggers, names = append(t.Triggers, x), append(names, name) }
	if s.get("every") != "" {
		add("every", pm.Trigger{Kind: "every", Every: s.get("every"), From: s.get("from")})
	} else if s.get("from") != "" {
		s.wrong("every", "is needed for a grid that begins on a day")
	}
	for _, unit := range []string{"vehicles", "run_hours", "cycles"} {
		if n := s.number(unit); n != nil {
			add(unit, pm.Trigger{Kind: "after_use", Unit: unit, Amount: *n})
		}
	}
	if s.checked("daily") {
		add("daily", pm.Trigger{Kind: "each_operating_day"})
	}
	if s.get("season") != "" {
		add("season", pm.Trigger{Kind: "once_per_season", Season: s.get("season")})
	}
	if s.get("rule") != "" {
		add("rule", pm.Trigger{Kind: "on_dates", Rule: s.get("rule"), From: s.get("rule_from")})
	} else if s.get("rule_from") != "" {
		s.wrong("rule", "is needed where it begins on a day")
	}
	if s.get("check") != "" {
		add("check", pm.Trigger{Kind: "on_crossing", Check: s.get("check")})
	}
	for name, into := range map[string]*pm.Tolerance{"early": &t.Early, "late": &t.Late} {
		if n := s.whole(name); n != nil {
			into.Days = *n
		}
		if n := s.number(name + "_percent"); n != nil {
			into.Percent = *n
		}
	}
	if len(s.Mend) > 0 {
		return "", nil
	}
	w := pm.WritePlan{Plan: q.ID, Terms: t}
	if s.Version != 0 {
		w.Version = &s.Version
	}
	if _, err := once(p, v, s, func(tx *gorm.DB) ([]uuid.UUID, error) {
		return pm.WritePlanDrafts(tx, v.who, v.now, []pm.WritePlan{w})
	}); err != nil {
		err = s.published(err)
		return "", inForm(fault.Renamed(err, formNames(map[string]string{"early.days": "early", "late.days": "late", "early.percent": "early_percent", "late.percent": "late_percent", "triggers": "every"})), "triggers", names)
	}
	return s.Cancel + "?version=" + strconv.Itoa(next(q.Number, q.Draft)), nil
}

func (p *pages) publishTermsSheet(v visit) (*sheet, error) {
	q, crumbs, err := p.workPlanFor(v)
	if err != nil {
		return nil, err
	}
	s := &sheet{Title: "Publish the draft", Over: q.Code + " " + q.Title, Verb: "Publish it", Cancel: crumbs[1].Path, Crumbs: crumbs, about: q,
		Lead: "From then on it holds wherever the plan fits, and it never changes. What is open keeps its task and is judged anew."}
	if q.Draft == nil {
		s.Mend = append(s.Mend, mend{Text: "There is no draft to publish."})
	}
	return s, nil
}

func (p *pages) publishTerms(v visit, s *sheet) (string, error) {
	q := s.about.(pm.Plan)
	_, draft, err := p.newestPlan(v, q.ID)
	if err != nil {
		return "", err
	}
	if draft == nil {
		return s.Cancel, nil
	}
	_, err = once(p, v, s, func(tx *gorm.DB) (int, error) {
		return 0, pm.PublishPlans(tx, v.who, v.now, []uuid.UUID{draft.ID})
	})
	return s.Cancel, err
}

func (p *pages) endWorkPlanSheet(v visit) (*sheet, error) {
	q, crumbs, err := p.workPlanFor(v)
	if err != nil {
		return nil, err
	}
	return &sheet{Title: "End the plan", Over: q.Code + " " + q.Title, Verb: "End it", Grave: true, Cancel: crumbs[1].Path, Crumbs: crumbs, about: q,
		Lead: "What it had assigned ends with it, and so do the tasks that are open for it: " + plural(q.Assignments, "thing", "things") + ". What was done stays on record."}, nil
}

func (p *pages) endWorkPlan(v visit, s *sheet) (string, error) {
	q := s.about.(pm.Plan)
	_, err := once(p, v, s, func(tx *gorm.DB) (int, error) { return 0, pm.EndPlan(tx, v.who, v.now, q.ID) })
	return s.Cancel, err
}

// procedures

func (p *pages) procedureFor(v visit) (pm.Procedure, []crumb, error) {
	id, err := idOf(v, "id", "procedure")
	if err != nil {
		return pm.Procedure{}, nil, err
	}
	q, err := pm.OneProcedure(v.ctx, p.db, v.who, id)
	if err == nil {
		err = v.who.Must(access.Plan)
	}
	return q, []crumb{{"/programme", "Programme"}, {"/procedures/" + q.ID.String(), q.Code}}, err
}

// drafting is the content that a form about a procedure changes.
type drafting struct {
	procedure pm.Procedure
	content   pm.Content
	draft     *pm.ProcedureVersion // nil where there is none yet
	from      *uuid.UUID           // the version that a new draft begins from
	n         int                  // of the step or check; -1 is a new one
}

func (p *pages) drafting(v visit) (drafting, []crumb, error) {
	q, crumbs, err := p.procedureFor(v)
	if err != nil {
		return drafting{}, nil, err
	}
	d := drafting{procedure: q, n: -1, content: pm.Content{People: 1, Minutes: pm.Minutes{Low: 5, Typical: 15, High: 30}, LineState: "closed_hours"}}
	versions, err := pm.Versions(v.ctx, p.db, v.who, q.ID)
	if err != nil || len(versions) == 0 {
		return d, crumbs, err
	}
	d.content = versions[0].Content
	if versions[0].PublishedAt == nil {
		d.draft = &versions[0]
	} else {
		d.from, d.content.Change = &versions[0].ID, ""
	}
	return d, crumbs, nil
}

// sheet begins a form that writes the draft.
func (d drafting) sheet(crumbs []crumb, title, verb string, fields ...*field) *sheet {
	s := &sheet{Title: title, Over: d.procedure.Code + " " + d.procedure.Title, Verb: verb, Cancel: crumbs[1].Path, Crumbs: crumbs, about: d, Fields: fields,
		Lead: "It goes into version " + strconv.Itoa(next(d.procedure.Number, d.procedure.Draft)) + ", which holds once it is published."}
	if d.draft != nil {
		s.Version, s.Cancel = d.draft.Version, crumbs[1].Path+"?version="+strconv.Itoa(d.draft.Number)
	}
	return s
}

// published says of a draft that somebody published meanwhile how to go on: what was
// typed stays, and begins a new version.
func (s *sheet) published(err error) error {
	if s.Version == 0 || !isMissing(err) {
		return err
	}
	s.Version = 0
	return &fault.Error{Kind: fault.Conflict, Msg: "this draft was published meanwhile. What you typed is kept: send it again to begin the next version with it"}
}

// write writes the draft. What the version before took in parts goes with a new one.
func (d drafting) write(p *pages, v visit, s *sheet) (string, error) {
	w := pm.Write{Procedure: d.procedure.ID, Content: d.content}
	if s.Version != 0 {
		w.Version = &s.Version
	}
	_, err := once(p, v, s, func(tx *gorm.DB) ([]uuid.UUID, error) {
		ids, err := pm.WriteDrafts(tx, v.who, v.now, []pm.Write{w})
		if err == nil && w.Version == nil && d.from != nil && v.may(access.KeepCatalogue) {
			err = parts.CopyLines(tx, v.who, *d.from, ids[0])
		}
		return ids, err
	})
	return "/procedures/" + d.procedure.ID.String() + "?version=" + strconv.Itoa(next(d.procedure.Number, d.procedure.Draft)), s.published(err)
}

var inContent = regexp.MustCompile(`^(checks|steps|options)\[(\d+)\]\.?(.*)$`)

// named says of what else is written which check, step or way it is: by its code, or its
// place. What is about number i of a list is about the fields of its form.
func (d drafting) named(err error, list string, i int) error {
	return fault.Renamed(err, func(path string) string {
		at := inContent.FindStringSubmatch(path)
		if at == nil {
			return path
		}
		n, _ := strconv.Atoi(at[2])
		switch {
		case at[1] == list && n == i:
			return at[3]
		case at[1] == "options":
			return strings.TrimSpace("way " + strconv.Itoa(n+1) + " " + at[3])
		case at[1] == "checks" && n < len(d.content.Checks):
			return strings.TrimSpace("check " + d.content.Checks[n].Code + " " + at[3])
		}
		return strings.TrimSpace("step " + strconv.Itoa(n+1) + " " + at[3])
	})
}

func (p *pages) contentSheet(v visit) (*sheet, error) {
	d, crumbs, err := p.drafting(v)
	if err != nil {
		return nil, err
	}
	c := d.content
	var follow []string
	for _, f := range c.FollowUps {
		line := f.Plan
		if f.Condition != "" {
			line += " where " + f.Condition
		}
		follow = append(follow, line)
	}
	s := d.sheet(crumbs, "Write a version", "Keep the draft",
		&field{Name: "change", Label: "What is new in it", Optional: true, Most: 500},
		&field{Name: "people", Label: "People that it takes", Short: "The number of people", Kind: "number"},
		&field{Name: "skills", Label: "Skills that must be among them", Short: "The skills", Optional: true, Hint: "Codes with blanks between: T2 T1. " + skillList()},
		&field{Name: "low", Label: "Minutes at the machine, at the least", Short: "The least minutes", Kind: "number"},
		&field{Name: "typical", Label: "Minutes, as a rule", Short: "The usual minutes", Kind: "number"},
		&field{Name: "high", Label: "Minutes, at the most", Short: "The most minutes", Kind: "number"},
		&field{Name: "line_state", Label: "The line meanwhile", Kind: "choice", Options: optionsIn(lineStateWords, lineStates...)},
		&field{Name: "energies", Label: "Energies that are isolated for it", Short: "The energies", Kind: "checks", Optional: true, Options: optionsOf(allEnergies...)},
		&field{Name: "isolation", Label: "Isolation, in words", Optional: true, Most: 1000, Hint: "The site's own energy-control procedure comes first, always."},
		&field{Name: "caution", Label: "What can hurt somebody", Kind: "area", Optional: true, Most: 1000},
		&field{Name: "covers", Label: "What is done with it", Optional: true, Most: 1000, Hint: "Codes of procedures, with blanks between."},
		&field{Name: "follow_ups", Label: "Plans that begin with it", Kind: "area", Optional: true, Most: 2000, Hint: "One a line: a plan's code, and where it needs one a condition: PM-027 where lubricant = mineral."})
	s.fill(map[string]string{"change": c.Change, "people": strconv.Itoa(c.People), "skills": strings.Join(c.Skills, " "), "low": strconv.Itoa(c.Minutes.Low), "typical": strconv.Itoa(c.Minutes.Typical), "high": strconv.Itoa(c.Minutes.High),
		"line_state": c.LineState, "energies": strings.Join(c.Energies, " "), "isolation": c.Isolation, "caution": c.Caution, "covers": strings.Join(c.Covers, " "), "follow_ups": strings.Join(follow, "\n")})
	return s, nil
}

// skillList says what the codes of skills stand for.
func skillList() string {
	var all []string
	for _, code := range []string{"OP", "T1", "T2", "EL", "VT", "CI", "WH"} {
		all = append(all, code+" "+strings.ToLower(skillWords[code]))
	}
	return strings.Join(all, ", ") + "."
}

func (p *pages) writeContent(v visit, s *sheet) (string, error) {
	d := s.about.(drafting)
	c := &d.content
	for name, into := range map[string]*int{"people": &c.People, "low": &c.Minutes.Low, "typical": &c.Minutes.Typical, "high": &c.Minutes.High} {
		if n := s.whole(name); n != nil {
			*into = *n
		}
	}
	c.Change, c.Skills, c.LineState, c.Energies = s.get("change"), strings.Fields(s.get("skills")), s.get("line_state"), strings.Fields(s.get("energies"))
	c.Isolation, c.Caution, c.Covers, c.FollowUps = s.get("isolation"), s.get("caution"), strings.Fields(s.get("covers")), nil
	for line := range strings.Lines(s.get("follow_ups")) {
		if code, where, _ := strings.Cut(strings.TrimSpace(line), " where "); code != "" {
			c.FollowUps = append(c.FollowUps, pm.FollowUp{Plan: code, Condition: strings.TrimSpace(where)})
		}
	}
	if len(s.Mend) > 0 {
		return "", nil
	}
	to, err := d.write(p, v, s)
	return to, fault.Renamed(d.named(err, "", 0), minutesInForm)
}

// formNames gives fields of a request the names that they have in a form: the longest
// beginning that is known counts, and a list in one field has the field's name.
func formNames(names map[string]string) func(string) string {
	return func(path string) string {
		best := ""
		for from := range names {
			if (path == from || strings.HasPrefix(path, from+".")) && len(from) > len(best) {
				best = from
			}
		}
		if best != "" {
			return names[best]
		}
		if name, _, list := strings.Cut(path, "["); list && name != "triggers" {
			return name
		}
		return path
	}
}

// minutesInForm names the three minutes as the forms of a version and of a way call them.
var minutesInForm = formNames(map[string]string{"minutes": "typical", "minutes.low": "low", "minutes.typical": "typical", "minutes.high": "high"})

// nth reads the number of a step or check in the path: 1 is the first, new is none.
func nth(v visit, of int, kind string) (int, error) {
	text := v.c.Param("n")
	if text == "new" {
		return -1, nil
	}
	n, err := strconv.Atoi(text)
	if err != nil || n < 1 || n > of {
		return 0, fault.Missing(kind, text)
	}
	return n - 1, nil
}

func (p *pages) stepSheet(v visit) (*sheet, error) {
	d, crumbs, err := p.drafting(v)
	if err == nil {
		d.n, err = nth(v, len(d.content.Steps), "step")
	}
	if err != nil {
		return nil, err
	}
	all, err := pm.Procedures(v.ctx, p.db, v.who, pm.Page{Limit: mostOfProgramme})
	if err != nil {
		return nil, err
	}
	blocks, checks := []option{{"", "none"}}, []option{{"", "none"}}
	for _, q := range all {
		if q.IsBlock && q.VersionID != nil {
			blocks = append(blocks, option{q.Code, q.Code + " " + q.Title})
		}
	}
	for _, k := range d.content.Checks {
		checks = append(checks, option{k.Code, k.Code + " " + k.Prompt})
	}
	kinds := []option{}
	for _, k := range stepKinds {
		kinds = append(kinds, option{k, plainWord(k)})
	}
	x, place, title := pm.Step{Kind: "do"}, len(d.content.Steps)+1, "Add a step"
	if d.n >= 0 {
		x, place, title = d.content.Steps[d.n], d.n+1, "A step"
	}
	s := d.sheet(crumbs, title, "Keep it",
		&field{Name: "place", Label: "Its place in the order", Short: "The place", Kind: "number"},
		&field{Name: "kind", Label: "What kind of step", Kind: "choice", Options: kinds},
		&field{Name: "says", Label: "What is to be done", Short: "What is to be done", Kind: "area", Optional: true, Most: 2000},
		&field{Name: "hold", Label: "Nobody goes on before it is done", Kind: "check", Optional: true},
		&field{Name: "phase", Label: "Phase", Optional: true, Most: 40, Hint: "Such as isolate, look, work, restore."},
		&field{Name: "condition", Label: "Only where", Short: "The condition", Optional: true, Most: 1000, Hint: "Over what is recorded, and the way that was chosen: method = lay_down."},
		&field{Name: "check_code", Label: "Answers this check", Kind: "choice", Optional: true, Options: checks},
		&field{Name: "includes", Label: "Includes this block", Kind: "choice", Optional: true, Options: blocks},
		&field{Name: "skills", Label: "Skills that it needs", Optional: true, Hint: skillList()},
		&field{Name: "minutes", Label: "Minutes", Kind: "number", Optional: true},
		&field{Name: "records", Label: "What is written down", Optional: true},
		&field{Name: "if_not", Label: "If not", Optional: true, Most: 500})
	values := map[string]string{"place": strconv.Itoa(place), "kind": x.Kind, "says": x.Says, "phase": x.Phase, "condition": x.Condition, "check_code": x.Check, "includes": x.Includes, "skills": strings.Join(x.Skills, " "), "records": x.Records, "if_not": x.IfNot}
	if x.Hold {
		values["hold"] = "yes"
	}
	if x.Minutes != nil {
		values["minutes"] = strconv.Itoa(*x.Minutes)
	}
	if d.n >= 0 {
		s.Fields = append(s.Fields, &field{Name: "drop", Label: "Take this step out", Kind: "check", Optional: true})
	}
	s.fill(values)
	return s, nil
}

func (p *pages) writeStep(v visit, s *sheet) (string, error) {
	d := s.about.(drafting)
	x := pm.Step{Kind: s.get("kind"), Says: s.get("says"), Hold: s.checked("hold"), Phase: s.get("phase"), Condition: s.get("condition"), Check: s.get("check_code"), Includes: s.get("includes"), Skills: strings.Fields(s.get("skills")),
		Minutes: s.whole("minutes"), Records: s.get("records"), IfNot: s.get("if_not")}
	place := s.whole("place")
	steps := slices.Clone(d.content.Steps)
	if d.n >= 0 {
		steps = slices.Delete(steps, d.n, d.n+1)
	}
	at := len(steps)
	if place != nil {
		if *place < 1 || *place > len(steps)+1 {
			s.wrong("place", "is from 1 to "+strconv.Itoa(len(steps)+1))
		} else {
			at = *place - 1
		}
	}
	if len(s.Mend) > 0 {
		return "", nil
	}
	if d.n < 0 || !s.checked("drop") {
		steps = slices.Insert(steps, at, x)
	}
	d.content.Steps = steps
	to, err := d.write(p, v, s)
	return to, d.named(err, "steps", at)
}

func (p *pages) checkSheet(v visit) (*sheet, error) {
	d, crumbs, err := p.drafting(v)
	if err == nil {
		d.n, err = nth(v, len(d.content.Checks), "check")
	}
	if err != nil {
		return nil, err
	}
	kinds := []option{}
	for _, k := range checkKinds {
		kinds = append(kinds, option{k, plainWord(k)})
	}
	all, err := pm.Procedures(v.ctx, p.db, v.who, pm.Page{Limit: mostOfProgramme})
	if err != nil {
		return nil, err
	}
	raise := []option{{"", "none"}}
	for _, q := range all {
		if !q.IsBlock {
			raise = append(raise, option{q.Code, q.Code + " " + q.Title})
		}
	}
	x, title := pm.Check{Kind: "number"}, "Add a check"
	if d.n >= 0 {
		x, title = d.content.Checks[d.n], "A check"
	}
	s := d.sheet(crumbs, title, "Keep it",
		&field{Name: "code", Label: "Code", Most: 24, Hint: "Such as CK-1001."},
		&field{Name: "prompt", Label: "What is looked at", Short: "What is looked at"},
		&field{Name: "kind", Label: "Kind of answer", Kind: "choice", Options: kinds},
		&field{Name: "unit", Label: "Unit", Optional: true, Most: 20},
		&field{Name: "options", Label: "Choices", Optional: true, Hint: "With blanks between, the good one first; the last is the one that is not acceptable: dry film drip."},
		&field{Name: "warn_low", Label: "Look at it below", Kind: "number", Optional: true, Head: "Limits", Said: "A number equal to a limit is within it."},
		&field{Name: "warn_high", Label: "Look at it above", Kind: "number", Optional: true},
		&field{Name: "fail_low", Label: "Not acceptable below", Kind: "number", Optional: true},
		&field{Name: "fail_high", Label: "Not acceptable above", Kind: "number", Optional: true},
		&field{Name: "on_warn_says", Label: "What is to be done when it is to be looked at", Short: "What is to be done", Optional: true, Head: "What follows"},
		&field{Name: "on_warn_raises", Label: "Which raises", Kind: "choice", Optional: true, Options: raise},
		&field{Name: "on_warn_days", Label: "Due within days", Short: "The days", Kind: "number", Optional: true},
		&field{Name: "on_fail_says", Label: "What is to be done when it is not acceptable", Short: "What is to be done", Optional: true},
		&field{Name: "on_fail_raises", Label: "Which raises", Kind: "choice", Optional: true, Options: raise},
		&field{Name: "on_fail_days", Label: "Due within days", Short: "The days", Kind: "number", Optional: true},
		&field{Name: "on_fail_interval", Label: "Percent of the interval that the next one is", Short: "The percent", Kind: "number", Optional: true},
		&field{Name: "condition", Label: "Only where", Short: "The condition", Optional: true, Most: 1000},
		&field{Name: "answers", Label: "The same look answers", Optional: true, Hint: "Codes of other checks."},
		&field{Name: "optional", Label: "The work counts as done without it", Kind: "check", Optional: true})
	number := func(f *float64) string {
		if f == nil {
			return ""
		}
		return strconv.FormatFloat(*f, 'g', -1, 64)
	}
	whole := func(n *int) string {
		if n == nil {
			return ""
		}
		return strconv.Itoa(*n)
	}
	values := map[string]string{"code": x.Code, "prompt": x.Prompt, "kind": x.Kind, "unit": x.Unit, "options": strings.Join(x.Options, " "), "warn_low": number(x.WarnLow), "warn_high": number(x.WarnHigh), "fail_low": number(x.FailLow), "fail_high": number(x.FailHigh),
		"on_warn_says": x.OnWarn.Says, "on_warn_raises": x.OnWarn.Raises, "on_warn_days": whole(x.OnWarn.Days), "on_fail_says": x.OnFail.Says, "on_fail_raises": x.OnFail.Raises, "on_fail_days": whole(x.OnFail.Days), "on_fail_interval": whole(x.OnFail.Interval),
		"condition": x.Condition, "answers": strings.Join(x.Answers, " ")}
	if x.Optional {
		values["optional"] = "yes"
	}
	if d.n >= 0 {
		s.Fields = append(s.Fields, &field{Name: "drop", Label: "Take this check out", Kind: "check", Optional: true})
	}
	s.fill(values)
	return s, nil
}

func (p *pages) writeCheck(v visit, s *sheet) (string, error) {
	d := s.about.(drafting)
	x := pm.Check{Code: s.get("code"), Prompt: s.get("prompt"), Kind: s.get("kind"), Unit: s.get("unit"), Options: strings.Fields(s.get("options")), WarnLow: s.number("warn_low"), WarnHigh: s.number("warn_high"), FailLow: s.number("fail_low"), FailHigh: s.number("fail_high"),
		OnWarn: pm.Action{Says: s.get("on_warn_says"), Raises: s.get("on_warn_raises"), Days: s.whole("on_warn_days")}, OnFail: pm.Action{Says: s.get("on_fail_says"), Raises: s.get("on_fail_raises"), Days: s.whole("on_fail_days"), Interval: s.whole("on_fail_interval")},
		Condition: s.get("condition"), Answers: strings.Fields(s.get("answers")), Optional: s.checked("optional")}
	if len(s.Mend) > 0 {
		return "", nil
	}
	checks, at := slices.Clone(d.content.Checks), d.n
	switch {
	case d.n < 0:
		checks, at = append(checks, x), len(checks)
	case s.checked("drop"):
		for i, step := range d.content.Steps {
			if step.Check == checks[d.n].Code {
				s.wrong("drop", "is not done while step "+strconv.Itoa(i+1)+" asks for it: "+step.Says)
			}
		}
		checks = slices.Delete(checks, d.n, d.n+1)
	default: // the steps that ask for it go with its code
		d.content.Steps = slices.Clone(d.content.Steps)
		for i := range d.content.Steps {
			if d.content.Steps[i].Check == checks[d.n].Code {
				d.content.Steps[i].Check = x.Code
			}
		}
		checks[d.n] = x
	}
	if len(s.Mend) > 0 {
		return "", nil
	}
	d.content.Checks = checks
	to, err := d.write(p, v, s)
	return to, fault.Renamed(d.named(err, "checks", at), formNames(map[string]string{"on_warn.days": "on_warn_days", "on_warn.says": "on_warn_says", "on_warn.raises": "on_warn_raises", "on_fail.days": "on_fail_days", "on_fail.says": "on_fail_says",
		"on_fail.raises": "on_fail_raises", "on_fail.interval": "on_fail_interval"}))
}

// waySheet asks for a way to do the work: its own people and minutes, which conditions of
// steps and of what it takes name as the method.
func (p *pages) waySheet(v visit) (*sheet, error) {
	d, crumbs, err := p.drafting(v)
	if err == nil {
		d.n, err = nth(v, len(d.content.Options), "way")
	}
	if err != nil {
		return nil, err
	}
	x, title := pm.Option{People: d.content.People, Minutes: d.content.Minutes}, "Add a way to do it"
	if d.n >= 0 {
		x, title = d.content.Options[d.n], "A way to do it"
	}
	s := d.sheet(crumbs, title, "Keep it",
		&field{Name: "code", Label: "Code", Most: 40, Hint: "Such as brush_down. Conditions name it: only where method = brush_down."},
		&field{Name: "title", Label: "What is done", Hint: "The first way is taken where nobody chose."},
		&field{Name: "people", Label: "People that it takes", Short: "The number of people", Kind: "number"},
		&field{Name: "low", Label: "Minutes at the machine, at the least", Short: "The least minutes", Kind: "number"},
		&field{Name: "typical", Label: "Minutes, as a rule", Short: "The usual minutes", Kind: "number"},
		&field{Name: "high", Label: "Minutes, at the most", Short: "The most minutes", Kind: "number"})
	if d.n >= 0 {
		s.Fields = append(s.Fields, &field{Name: "drop", Label: "Take this way out", Kind: "check", Optional: true})
	}
	s.fill(map[string]string{"code": x.Code, "title": x.Title, "people": strconv.Itoa(x.People), "low": strconv.Itoa(x.Minutes.Low), "typical": strconv.Itoa(x.Minutes.Typical), "high": strconv.Itoa(x.Minutes.High)})
	return s, nil
}

func (p *pages) writeWay(v visit, s *sheet) (string, error) {
	d := s.about.(drafting)
	x := pm.Option{Code: s.get("code"), Title: s.get("title")}
	for name, into := range map[string]*int{"people": &x.People, "low": &x.Minutes.Low, "typical": &x.Minutes.Typical, "high": &x.Minutes.High} {
		if n := s.whole(name); n != nil {
			*into = *n
		}
	}
	ways, at := slices.Clone(d.content.Options), d.n
	drop := d.n >= 0 && s.checked("drop")
	if d.n >= 0 && (drop || x.Code != ways[d.n].Code) { // what is done only that way would be done never
		name, code := map[bool]string{true: "drop", false: "code"}[drop], ways[d.n].Code
		for i, step := range d.content.Steps {
			if only := asksMethod(step.Condition, code); only != "" {
				s.wrong(name, "is not done while step "+strconv.Itoa(i+1)+only+": "+step.Says)
			}
		}
		lines, err := d.lines(p, v)
		if err != nil {
			return "", err
		}
		for i, l := range lines {
			if only := asksMethod(l.Condition, code); only != "" {
				s.wrong(name, "is not done while line "+strconv.Itoa(i+1)+" of what it takes"+only)
			}
		}
	}
	if len(s.Mend) > 0 {
		return "", nil
	}
	switch {
	case d.n < 0:
		ways, at = append(ways, x), len(ways)
	case drop:
		ways = slices.Delete(ways, d.n, d.n+1)
	default:
		ways[d.n] = x
	}
	d.content.Options = ways
	to, err := d.write(p, v, s)
	return to, fault.Renamed(d.named(err, "options", at), minutesInForm)
}

// lines gives what the draft takes in parts: its own, or those with which a new one begins.
func (d drafting) lines(p *pages, v visit) ([]parts.Line, error) {
	from := d.from
	if d.draft != nil {
		from = &d.draft.ID
	}
	if from == nil {
		return nil, nil
	}
	return parts.LinesOf(v.ctx, p.db, v.who, *from)
}

// asksMethod says how a condition asks for a way to do the work; "" where it does not.
func asksMethod(text, code string) string {
	c, _ := condition.Parse(text, "condition")
	for _, asked := range c.Clauses() {
		if asked.Fact == "method" && slices.ContainsFunc(asked.Values, func(x string) bool { return condition.Alike(x, code) }) {
			if asked.Not {
				return " is for all but " + code
			}
			return " is only for " + code
		}
	}
	return ""
}

func (p *pages) publishProcedureSheet(v visit) (*sheet, error) {
	d, crumbs, err := p.drafting(v)
	if err != nil {
		return nil, err
	}
	s := &sheet{Title: "Publish the draft", Over: d.procedure.Code + " " + d.procedure.Title, Verb: "Publish it", Cancel: crumbs[1].Path, Crumbs: crumbs, about: d,
		Lead: "From then on it is what is done, and it never changes. Job cards that are open keep what they began with."}
	if d.draft == nil {
		s.Mend = append(s.Mend, mend{Text: "There is no draft to publish."})
	}
	return s, nil
}

func (p *pages) publishProcedure(v visit, s *sheet) (string, error) {
	d := s.about.(drafting)
	if d.draft == nil {
		return s.Cancel, nil
	}
	_, err := once(p, v, s, func(tx *gorm.DB) (int, error) {
		return 0, pm.Publish(tx, v.who, v.now, []uuid.UUID{d.draft.ID})
	})
	return s.Cancel, err
}
