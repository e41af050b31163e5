package demo

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pm"
)

// procedureRow is a piece of work. Lists in a cell have blanks between.
type procedureRow struct {
	Code      string `csv:"procedure"`
	Title     string `csv:"title"`
	People    int    `csv:"people"`
	Skills    string `csv:"skills"`
	Low       int    `csv:"low"`
	Typical   int    `csv:"typical"`
	High      int    `csv:"high"`
	LineState string `csv:"line_state"`
	Energies  string `csv:"energies"`
	Isolation string `csv:"isolation"`
	Caution   string `csv:"caution"`
	Covers    string `csv:"covers"`
	FollowUps string `csv:"follow_ups"`
}

// checkRow is what is looked at in a procedure. An empty limit is none.
type checkRow struct {
	Code       string `csv:"check"`
	Procedure  string `csv:"procedure"`
	Prompt     string `csv:"prompt"`
	Kind       string `csv:"kind"`
	Unit       string `csv:"unit"`
	WarnLow    string `csv:"warn_low"`
	WarnHigh   string `csv:"warn_high"`
	FailLow    string `csv:"fail_low"`
	FailHigh   string `csv:"fail_high"`
	Options    string `csv:"options"`
	Answers    string `csv:"answers"`
	OnWarn     string `csv:"on_warn"`
	WarnRaises string `csv:"warn_raises"`
	WarnDays   string `csv:"warn_days"`
	OnFail     string `csv:"on_fail"`
	FailRaises string `csv:"fail_raises"`
	FailDays   string `csv:"fail_days"`
	Interval   string `csv:"interval"` // percent of the next one after a failure
	Optional   bool   `csv:"optional"`
}

// planRow is when a procedure falls due, and where. Its triggers are written
// "P30D; 8000 vehicles": whichever comes first.
type planRow struct {
	Code        string `csv:"plan"`
	Title       string `csv:"title"`
	Procedure   string `csv:"procedure"`
	AppliesTo   string `csv:"applies_to"`
	Kinds       string `csv:"kinds"`
	Classes     string `csv:"classes"`
	UnitsIn     string `csv:"units_in"`
	Condition   string `csv:"condition"`
	Triggers    string `csv:"triggers"`
	Basis       string `csv:"basis"`
	Early       string `csv:"early"` // "7d" or "10%"
	Late        string `csv:"late"`
	Criticality string `csv:"criticality"`
	TiedTo      string `csv:"tied_to"`
}

// number reads a limit, nil for none.
func number(text string) (*float64, error) {
	if text == "" {
		return nil, nil
	}
	v, err := strconv.ParseFloat(text, 64)
	return &v, err
}

// count reads days or percent, nil for none.
func count(text string) (*int, error) {
	if text == "" {
		return nil, nil
	}
	n, err := strconv.Atoi(text)
	return &n, err
}

func (r checkRow) check() (c pm.Check, err error) {
	c = pm.Check{Code: r.Code, Prompt: r.Prompt, Kind: r.Kind, Unit: r.Unit, Options: strings.Fields(r.Options), Answers: strings.Fields(r.Answers), Optional: r.Optional,
		OnWarn: pm.Action{Says: r.OnWarn, Raises: r.WarnRaises}, OnFail: pm.Action{Says: r.OnFail, Raises: r.FailRaises}}
	for _, f := range []struct {
		into **float64
		text string
	}{{&c.WarnLow, r.WarnLow}, {&c.WarnHigh, r.WarnHigh}, {&c.FailLow, r.FailLow}, {&c.FailHigh, r.FailHigh}} {
		if *f.into, err = number(f.text); err != nil {
			return c, fmt.Errorf("check %s: %w", r.Code, err)
		}
	}
	for _, f := range []struct {
		into **int
		text string
	}{{&c.OnWarn.Days, r.WarnDays}, {&c.OnFail.Days, r.FailDays}, {&c.OnFail.Interval, r.Interval}} {
		if *f.into, err = count(f.text); err != nil {
			return c, fmt.Errorf("check %s: %w", r.Code, err)
		}
	}
	return c, nil
}

// energyWords name an energy in a step.
var energyWords = map[string]string{"electrical": "electricity", "air": "compressed air", "hydraulic": "hydraulics", "water": "water", "gravity": "weight", "chemical": "chemicals"}

// steps gives the course of a procedure: isolate and prove where it needs that,
// look at each check, do the work, put back and try.
func (r procedureRow) steps(checks []pm.Check) (all []pm.Step) {
	energies := strings.Fields(r.Energies)
	if len(energies) > 0 {
		var names []string
		for _, e := range energies {
			names = append(names, energyWords[e])
		}
		all = append(all, pm.Step{Phase: "isolate", Kind: "isolate", Hold: true, Says: "Isolate by the site's own energy-control procedure: " + strings.Join(names, ", ") + ".", Records: "who, which point, which lock, when", IfNot: "do not begin"},
			pm.Step{Phase: "isolate", Kind: "prove_dead", Hold: true, Says: "Prove that nothing can start, move or drop.", Records: "how it was proved, with which instrument", IfNot: "isolate again, and prove again"})
	}
	kinds := map[string]string{"number": "measure", "meter": "measure", "date": "note", "choice": "choose", "pass_fail": "pass_fail", "photo": "photo"}
	for _, c := range checks {
		all = append(all, pm.Step{Phase: "look", Kind: kinds[c.Kind], Says: c.Prompt + ".", Check: c.Code, Records: "as found, and as left where it was put right", IfNot: c.OnFail.Says})
	}
	all = append(all, pm.Step{Phase: "work", Kind: "do", Says: r.Title + "."})
	if len(energies) > 0 {
		all = append(all, pm.Step{Phase: "restore", Kind: "restore", Hold: true, Says: "Guards and covers back, tools counted, everybody clear; each lock off by whoever put it on.", IfNot: "do not switch on"},
			pm.Step{Phase: "restore", Kind: "test", Says: "Try it from outside the guard line.", IfNot: "isolate again and find out why"})
	}
	return all
}

func (r procedureRow) content(checks []pm.Check) pm.Content {
	c := pm.Content{People: r.People, Skills: strings.Fields(r.Skills), Minutes: pm.Minutes{Low: r.Low, Typical: r.Typical, High: r.High}, LineState: r.LineState,
		Energies: strings.Fields(r.Energies), Isolation: r.Isolation, Caution: r.Caution, Steps: r.steps(checks), Checks: checks, Covers: strings.Fields(r.Covers)}
	for _, plan := range strings.Fields(r.FollowUps) {
		c.FollowUps = append(c.FollowUps, pm.FollowUp{Plan: plan})
	}
	return c
}

// trigger reads one trigger. Grids begin so many years ago that they lie behind
// all that the demo tells.
func trigger(text string, now time.Time) (pm.Trigger, error) {
	word, rest, _ := strings.Cut(text, " ")
	switch {
	case word == "day":
		return pm.Trigger{Kind: "each_operating_day"}, nil
	case word == "season":
		return pm.Trigger{Kind: "once_per_season", Season: rest}, nil
	case word == "check":
		return pm.Trigger{Kind: "on_crossing", Check: rest}, nil
	case word[0] == 'P':
		t := pm.Trigger{Kind: "every", Every: word}
		if day, ok := strings.CutPrefix(rest, "from "); ok {
			t.From = fmt.Sprintf("%d-%s", now.Year()-4, day)
		}
		return t, nil
	}
	amount, err := strconv.ParseFloat(word, 64)
	return pm.Trigger{Kind: "after_use", Unit: rest, Amount: amount}, err
}

func tolerance(text string) (t pm.Tolerance, err error) {
	if p, ok := strings.CutSuffix(text, "%"); ok {
		t.Percent, err = strconv.ParseFloat(p, 64)
		return t, err
	}
	t.Days, err = strconv.Atoi(strings.TrimSuffix(text, "d"))
	return t, err
}

func (r planRow) terms(now time.Time) (t pm.Terms, err error) {
	t = pm.Terms{AppliesTo: r.AppliesTo, Kinds: strings.Fields(r.Kinds), Classes: strings.Fields(r.Classes), UnitsIn: r.UnitsIn, Condition: r.Condition,
		Basis: r.Basis, Criticality: r.Criticality, TiedTo: r.TiedTo}
	for _, text := range strings.Split(r.Triggers, "; ") {
		x, err := trigger(text, now)
		if err != nil {
			return t, fmt.Errorf("plan %s: %w", r.Code, err)
		}
		t.Triggers = append(t.Triggers, x)
	}
	if t.Early, err = tolerance(r.Early); err == nil {
		t.Late, err = tolerance(r.Late)
	}
	if err != nil {
		return t, fmt.Errorf("plan %s: %w", r.Code, err)
	}
	return t, nil
}

// addHeads names the procedures of the programme, and the plans that do them, so
// that jobs can refer to both.
func (l *loader) addHeads() error {
	heads := make([]pm.NewProcedure, len(l.procedures))
	for i, r := range l.procedures {
		heads[i] = pm.NewProcedure{Code: r.Code, Title: r.Title}
	}
	if _, err := pm.AddProcedures(l.tx, access.System, l.joined[distributor], heads); err != nil {
		return err
	}
	return l.addPlans(func(r planRow) bool { return l.ofProgramme(r.Procedure) })
}

// ofProgramme tells a procedure of the programme from a job.
func (l *loader) ofProgramme(code string) bool {
	return slices.ContainsFunc(l.procedures, func(r procedureRow) bool { return r.Code == code })
}

func (l *loader) addPlans(which func(planRow) bool) error {
	var in []pm.NewPlan
	for _, r := range l.plans {
		if which(r) {
			in = append(in, pm.NewPlan{Code: r.Code, Title: r.Title, Procedure: r.Procedure})
		}
	}
	_, err := pm.AddPlans(l.tx, access.System, l.joined[distributor], in)
	return err
}

// ids gives the keys of procedures or plans by their codes.
func (l *loader) ids(table string) (map[string]uuid.UUID, error) {
	var rows []struct {
		ID   uuid.UUID
		Code string
	}
	err := l.tx.Raw(`select id, code from ` + table).Scan(&rows).Error
	all := map[string]uuid.UUID{}
	for _, r := range rows {
		all[r.Code] = r.ID
	}
	return all, err
}

// addProgramme writes the procedures with what they take, and the plans, and
// publishes both.
func (l *loader) addProgramme() error {
	procedures, err := l.ids("procedure")
	if err != nil {
		return err
	}
	writes := make([]pm.Write, len(l.procedures))
	for i, r := range l.procedures {
		var checks []pm.Check
		for _, c := range l.checks {
			if c.Procedure == r.Code {
				it, err := c.check()
				if err != nil {
					return err
				}
				checks = append(checks, it)
			}
		}
		writes[i] = pm.Write{Procedure: procedures[r.Code], Content: r.content(checks)}
	}
	if _, err := l.publish(writes, func(i int) string { return l.procedures[i].Code }); err != nil {
		return err
	}
	if err := l.addPlans(func(r planRow) bool { return !l.ofProgramme(r.Procedure) }); err != nil {
		return err
	}
	plans, err := l.ids("plan")
	if err != nil {
		return err
	}
	terms := make([]pm.WritePlan, len(l.plans))
	for i, r := range l.plans {
		t, err := r.terms(l.now)
		if err != nil {
			return err
		}
		terms[i] = pm.WritePlan{Plan: plans[r.Code], Terms: t}
	}
	began := l.joined[distributor]
	versions, err := pm.WritePlanDrafts(l.tx, access.System, began, terms)
	if err != nil {
		return err
	}
	return pm.PublishPlans(l.tx, access.System, began, versions)
}

// addPumps says what each pump room pumps, so that its own work comes to it.
func (l *loader) addPumps() error {
	for _, code := range l.order {
		p := l.positions[code]
		if p.Kind != "pump_room" {
			continue
		}
		what := "several"
		switch {
		case strings.Contains(code, "PMP-HP"):
			what = "high_pressure"
		case strings.Contains(code, "PMP-CHEM"):
			what = "chemicals"
		case strings.HasSuffix(code, "WTR"):
			what = "treated_water"
		}
		if _, err := assets.Record(l.tx, access.System, l.now, p.ID, assets.NewFact{Fact: "pumps", Value: what, How: "seen", From: &p.From, SeenBy: "Imre Vasko-Lind"}); err != nil {
			return err
		}
	}
	return nil
}

// assigned is an assignment by the codes of the data files.
type assigned struct {
	ID       uuid.UUID
	Plan     string
	Site     *string
	Zone     *string
	Thing    string // the code of a position, a line or a site, or the tag of a unit
	Position *string
	Since    time.Time
	Fitted   *time.Time // since when what the plan exchanges has been in the position
}

const assignedNow = `
select a.id, p.code as plan, s.code as site, s.zone, coalesce(po.code, l.code, s.code, u.tag) as thing, po.code as position, a.since, f.since as fitted
  from assignment as a
  join plan as p on p.id = a.plan_id
  left join site as s on s.id = a.site_id
  left join line as l on l.id = a.line_id
  left join position as po on po.id = a.position_id
  left join unit as u on u.id = a.unit_id
  left join lateral (
    select min(f.since) as since from fitted_now as f
     where f.position_id = a.position_id and f.class = case p.code when 'PM-028' then 'media_set' when 'PM-032' then 'cylinder' when 'PM-033' then 'pivot' end) as f on true
 where a.ended_at is null
order by p.code, coalesce(po.code, l.code, s.code, u.tag)`

// history is the work that was done, told day by day.
type history struct {
	scenario
	ctx    context.Context
	db     *pgdb.DB
	now    time.Time
	zone   *time.Location // of the distributor
	all    []assigned
	people map[string]pm.Person // by their id
}

// maintain tells what was done by the programme until now, in a database that holds
// the register. The faults come last and stand for all; whatever stops
// it before, the next start goes on.
func (s scenario) maintain(ctx context.Context, db *pgdb.DB, now time.Time) error {
	type found struct{ Faults bool }
	there, err := pgdb.Read[found](ctx, db, access.System.ID, `select exists (select from failure) as faults`, nil)
	if err != nil || there[0].Faults {
		return err
	}
	zone, err := time.LoadLocation(s.places[0].Zone)
	if err != nil {
		return err
	}
	h := &history{scenario: s, ctx: ctx, db: db, now: now, zone: zone}
	for _, part := range []struct {
		name string
		do   func() error
	}{
		{"assignments", h.assign}, {"work that was done", h.work}, {"faults", func() error { return h.once("demo-faults", h.addFaults) }},
	} {
		if err := part.do(); err != nil {
			return fmt.Errorf("load the %s of the demo: %w", part.name, err)
		}
	}
	return nil
}

// once does a part of the demo in one transaction, once.
func (h *history) once(key string, do func(tx *gorm.DB) error) error {
	_, err := pgdb.Once(h.ctx, h.db, access.System.ID, h.now, pgdb.Request{Key: key, Act: "load the demo"}, func(tx *gorm.DB) (bool, error) { return true, do(tx) })
	return err
}

// assign lets the assignments appear, and reads them.
func (h *history) assign() error {
	for left := true; left; {
		if _, _, err := pm.Match(h.ctx, h.db, h.now); err != nil {
			return err
		}
		// marks that another process has in hand stay visible until it is through
		marks, err := pgdb.Read[struct{ Left bool }](h.ctx, h.db, access.System.ID, `
select n > 0 as left from (select count(*) as n from assignment_stale) as s, lateral (select pg_sleep(case when n > 0 then 0.05 else 0 end)) as wait`, nil)
		if err != nil {
			return err
		}
		left = marks[0].Left
	}
	if err := countAnew(h.ctx, h.db); err != nil {
		return err
	}
	var err error
	if h.all, err = pgdb.Read[assigned](h.ctx, h.db, access.System.ID, assignedNow, nil); err != nil {
		return err
	}
	type row struct {
		ID    uuid.UUID
		Login string
	}
	known, err := pgdb.Read[row](h.ctx, h.db, access.System.ID, `select actor_id as id, login from person`, nil)
	if err != nil {
		return err
	}
	h.people = map[string]pm.Person{}
	for _, p := range h.scenario.people {
		it := pm.Person{Name: p.Name, Skills: strings.FieldsFunc(p.Skills, func(r rune) bool { return r == ';' })}
		if i := slices.IndexFunc(known, func(k row) bool { return k.Login == p.login(h.customers) }); i >= 0 {
			it.ActorID = &known[i].ID
		}
		h.people[p.ID] = it
	}
	return nil
}

// record records what was done, as of an instant. Where another process that
// loads the same database was faster, it looks again.
func (h *history) record(key string, at time.Time, done []pm.Done) (err error) {
	if len(done) == 0 {
		return nil
	}
	for range 10 {
		var p *pm.Prepared
		if p, err = pm.Prepare(h.ctx, h.db, access.System, at, done); err != nil {
			return err
		}
		err = h.once(key, func(tx *gorm.DB) error {
			_, _, err := pm.Complete(tx, access.System, at, p, done)
			return err
		})
		if moved, ok := errors.AsType[*fault.Error](err); !ok || moved.Kind != fault.Unavailable || h.ctx.Err() != nil {
			return err
		}
	}
	return err
}

// sweep judges and raises what has come by an instant.
func (h *history) sweep(at time.Time) error {
	if _, err := pm.Judge(h.ctx, h.db, at); err != nil {
		return err
	}
	_, err := pm.Raise(h.ctx, h.db, at)
	return err
}
