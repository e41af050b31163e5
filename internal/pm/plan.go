package pm

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/condition"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pm/due"
)

// Plan is work that falls due at things by itself.
type Plan struct {
	ID          uuid.UUID
	Code        string
	Title       string
	ProcedureID uuid.UUID
	Procedure   string // its code
	EndedAt     *time.Time
	Version     int
	VersionID   *uuid.UUID // of the version that holds; nil while none is published
	Number      *int
	AppliesTo   *string
	Basis       *string
	Criticality *string
	Triggers    string // the document
	Draft       *int   // the number of the version that is being written
	Assignments int    // that live
}

// Reasons gives the triggers of the version that holds.
func (p Plan) Reasons() ([]Trigger, error) {
	as, _, err := kept(p.Triggers)
	return as, err
}

// NewPlan is what it takes to add a plan. When it falls due comes with a version.
type NewPlan struct {
	Code      string
	Title     string
	Procedure string // the code of what is done
}

// Terms is what a version of a plan says.
type Terms struct {
	Change    string
	AppliesTo string // site, line, position or unit
	// Kinds of positions; empty for all. Of a plan of lines or sites: those that
	// have such a position. Of a plan of units: where it is fitted.
	Kinds   []string
	Classes []string // of units; empty for all
	UnitsIn string   // of units: fitted, stock or anywhere
	// Condition over what is known of the thing: "drive = hydraulic & climate = snowbelt".
	Condition   string
	Triggers    []Trigger
	Basis       string
	Early, Late Tolerance
	Criticality string
	TiedTo      string // of one-off work: the class of the unit with which it ends
}

// PlanVersion is a version with what it says. A published one never changes.
type PlanVersion struct {
	ID          uuid.UUID
	PlanID      uuid.UUID
	Code        string
	Title       string
	Number      int
	Version     int
	CreatedAt   time.Time
	PublishedAt *time.Time
	Terms
}

// Schedule checks what the terms say of when work falls due.
func (t Terms) Schedule() (*due.Schedule, error) {
	triggers, err := triggersOf(t.Triggers)
	if err != nil {
		return nil, err
	}
	return due.New(due.Plan{Triggers: triggers, Basis: due.Basis(t.Basis), Early: t.Early.due(), Late: t.Late.due(), Criticality: due.Criticality(t.Criticality)})
}

// WritePlan is a version that is written: the draft of the plan, made where there is none.
type WritePlan struct {
	Plan    uuid.UUID
	Version *int // of the draft that the writer saw; nil where there is none yet
	Terms   Terms
}

// AddPlans adds plans that are still empty.
func AddPlans(tx *gorm.DB, who access.Actor, now time.Time, in []NewPlan) ([]uuid.UUID, error) {
	if err := who.Must(access.Plan); err != nil {
		return nil, err
	}
	codes := make([]string, len(in))
	for i, p := range in {
		codes[i] = p.Procedure
	}
	by, err := lookUp(tx, codes, []string{}, []uuid.UUID{})
	if err != nil {
		return nil, err
	}
	type head struct {
		ID        uuid.UUID `json:"id"`
		Code      string    `json:"code"`
		Title     string    `json:"title"`
		Procedure uuid.UUID `json:"procedure_id"`
	}
	rows, ids := make([]head, len(in)), make([]uuid.UUID, len(in))
	for i, p := range in {
		of, known := by.procedures[p.Procedure]
		if !known || of.isBlock {
			return nil, fault.Field("procedure", p.Procedure, "names no procedure")
		}
		ids[i] = pgdb.NewID()
		rows[i] = head{ids[i], p.Code, strings.TrimSpace(p.Title), of.id}
	}
	return ids, insertHeads(tx, "plan", len(in), `
insert into plan (id, code, title, procedure_id, created_at)
select r.id, r.code, r.title, r.procedure_id, @now
  from jsonb_to_recordset(cast(@rows as jsonb)) as r(id uuid, code text, title text, procedure_id uuid)
on conflict on constraint plan_code_uq do nothing`, map[string]any{"rows": document(rows), "now": now})
}

// EditPlan changes what a plan is called.
func EditPlan(tx *gorm.DB, who access.Actor, id uuid.UUID, version int, title string) error {
	if err := who.Must(access.Plan); err != nil {
		return err
	}
	if err := bump(tx, "plan", "plan", id, version); err != nil {
		return err
	}
	return tx.Exec(`update plan set title = ? where id = ?`, strings.TrimSpace(title), id).Error
}

// EndPlan ends a plan: what it had assigned ends with it. Again is no change.
func EndPlan(tx *gorm.DB, who access.Actor, now time.Time, id uuid.UUID) error {
	if err := who.Must(access.Plan); err != nil {
		return err
	}
	r := tx.Exec(`update plan set ended_at = coalesce(ended_at, ?), version = version + 1 where id = ?`, now, id)
	if r.Error == nil && r.RowsAffected == 0 {
		return fault.Missing("plan", id.String())
	}
	if r.Error != nil {
		return r.Error
	}
	return markAll(tx)
}

// markAll has all assignments held against the register again.
func markAll(tx *gorm.DB) error {
	return tx.Exec(`
insert into assignment_stale (site_id)
select id from site union all select '00000000-0000-0000-0000-000000000000'`).Error
}

// vocabulary is what terms may name.
type vocabulary struct {
	Kinds   []string
	Classes []string
	Facts   []string
	Had     []string // facts that some position or unit has
}

// What can be asked of a thing beside its recorded facts.
var ownFacts = []string{"kind", "line_side", "duty", "climate", "size", "volts", "phases", "hertz", "class"}

const vocabularyNow = `
select array(select code from position_kind order by 1)::text[] as kinds, array(select code from component_class order by 1)::text[] as classes, array(select code from fact_kind order by 1)::text[] as facts,
       array(select f.code from fact_kind as f where exists (select from position_fact as p where p.fact = f.code and p.withdrawn_at is null and upper_inf(p.during))
                or exists (select from part_fact as p where p.fact = f.code) or exists (select from unit_fact as u where u.fact = f.code and u.withdrawn_at is null) order by 1)::text[] as had`

func (t Terms) check(v vocabulary) error {
	var faults []*fault.Error
	among := func(field string, given, known []string) {
		for i, g := range given {
			if !slices.Contains(known, g) {
				faults = append(faults, fault.Field(list(field, i), g, "is one of %s", strings.Join(known, ", ")))
			}
		}
	}
	among("kinds", t.Kinds, v.Kinds)
	among("classes", t.Classes, v.Classes)
	if t.TiedTo != "" && !slices.Contains(v.Classes, t.TiedTo) {
		faults = append(faults, fault.Field("tied_to", t.TiedTo, "is one of %s", strings.Join(v.Classes, ", ")))
	}
	if t.TiedTo != "" && (t.AppliesTo != "position" || t.Basis != "one_off") {
		faults = append(faults, fault.Field("tied_to", t.TiedTo, "is of one-off work at a position"))
	}
	c, bad := condition.Parse(t.Condition, "condition")
	if bad != nil {
		faults = append(faults, bad)
	}
	for _, f := range c.Facts() {
		if !slices.Contains(v.Facts, f) && !slices.Contains(ownFacts, f) {
			faults = append(faults, fault.Field("condition", f, "is no fact that is recorded of anything; there are %s", strings.Join(append(slices.Clone(ownFacts), v.Facts...), ", ")))
		}
	}
	if (t.AppliesTo == "unit") != (t.UnitsIn != "") {
		faults = append(faults, fault.Field("units_in", t.UnitsIn, "is fitted, stock or anywhere for plans of units, and not given for others"))
	}
	if t.AppliesTo != "unit" && len(t.Classes) > 0 {
		faults = append(faults, fault.Field("classes", t.Classes, "are of plans of units"))
	}
	if err := fault.Collect(faults...); err != nil {
		return err
	}
	s, err := t.Schedule()
	if err != nil {
		return err
	}
	if s.Plan().Basis == due.OneOff && t.AppliesTo != "position" && t.AppliesTo != "unit" {
		return fault.Field("applies_to", t.AppliesTo, "is position or unit for one-off work: it follows what was done there")
	}
	return nil
}

// WritePlanDrafts writes drafts, in a number of statements that does not grow with them.
func WritePlanDrafts(tx *gorm.DB, who access.Actor, now time.Time, in []WritePlan) ([]uuid.UUID, error) {
	if err := who.Must(access.Plan); err != nil {
		return nil, err
	}
	if err := takeTurns(tx, "programme"); err != nil {
		return nil, err
	}
	var v struct{ Kinds, Classes, Facts, Had texts }
	if err := tx.Raw(vocabularyNow).Scan(&v).Error; err != nil {
		return nil, err
	}
	plans := make([]uuid.UUID, len(in))
	for i, w := range in {
		plans[i] = w.Plan
		if err := w.Terms.check(vocabulary{v.Kinds, v.Classes, v.Facts, v.Had}); err != nil {
			return nil, err
		}
	}
	drafts, err := read[struct {
		ID      *uuid.UUID
		PlanID  uuid.UUID
		Number  int
		Version int
		Draft   bool
	}](tx, `
select distinct on (p.id) v.id, p.id as plan_id, coalesce(v.number, 0) as number, coalesce(v.version, 0) as version, v.id is not null and v.published_at is null as draft
  from plan as p left join plan_version as v on v.plan_id = p.id where p.id = any (@ids) order by p.id, v.number desc nulls last`, map[string]any{"ids": &plans})
	if err != nil {
		return nil, err
	}
	type row struct {
		ID           uuid.UUID `json:"id"`
		PlanID       uuid.UUID `json:"plan_id"`
		Number       int       `json:"number"`
		Change       string    `json:"change"`
		AppliesTo    string    `json:"applies_to"`
		Kinds        []string  `json:"kinds"`
		Classes      []string  `json:"classes"`
		UnitsIn      *string   `json:"units_in"`
		Condition    string    `json:"condition"`
		Triggers     []Trigger `json:"triggers"`
		Basis        string    `json:"basis"`
		EarlyDays    int       `json:"early_days"`
		EarlyPercent float64   `json:"early_percent"`
		LateDays     int       `json:"late_days"`
		LatePercent  float64   `json:"late_percent"`
		Criticality  string    `json:"criticality"`
		TiedTo       *string   `json:"tied_to"`
	}
	var fresh, again []row
	ids := make([]uuid.UUID, len(in))
	for i, w := range in {
		k := slices.IndexFunc(drafts, func(d struct {
			ID      *uuid.UUID
			PlanID  uuid.UUID
			Number  int
			Version int
			Draft   bool
		}) bool {
			return d.PlanID == w.Plan
		})
		if k < 0 {
			return nil, fault.Missing("plan", w.Plan.String())
		}
		d, t := drafts[k], w.Terms
		r := row{ID: pgdb.NewID(), PlanID: w.Plan, Number: d.Number + 1, Change: t.Change, AppliesTo: t.AppliesTo, Kinds: some(t.Kinds), Classes: some(t.Classes), UnitsIn: opt(t.UnitsIn), Condition: t.Condition,
			Triggers: t.Triggers, Basis: t.Basis, EarlyDays: t.Early.Days, EarlyPercent: t.Early.Percent, LateDays: t.Late.Days, LatePercent: t.Late.Percent, Criticality: t.Criticality, TiedTo: opt(t.TiedTo)}
		switch {
		case d.Draft && w.Version == nil:
			return nil, &fault.Error{Kind: fault.Conflict, Field: "number", Value: fmt.Sprint(d.Number), Msg: "is being written already; edit that draft or publish it"}
		case d.Draft && *w.Version != d.Version:
			return nil, fault.Outdated("draft", *w.Version, d.Version)
		case !d.Draft && w.Version != nil:
			return nil, fault.Missing("draft", w.Plan.String())
		case d.Draft:
			r.ID = *d.ID
			again = append(again, r)
		default:
			fresh = append(fresh, r)
		}
		ids[i] = r.ID
	}
	const columns = `r(id uuid, plan_id uuid, number int, change text, applies_to text, kinds text[], classes text[], units_in text, condition text, triggers jsonb, basis text,
       early_days int, early_percent float8, late_days int, late_percent float8, criticality text, tied_to text)`
	for _, s := range []struct {
		rows []row
		sql  string
	}{
		{fresh, `
insert into plan_version (id, plan_id, number, change, applies_to, kinds, classes, units_in, condition, triggers, basis, early_days, early_percent, late_days, late_percent, criticality, tied_to, created_at, created_by)
select r.*, @now, @who from jsonb_to_recordset(cast(@rows as jsonb)) as ` + columns},
		{again, `
update plan_version as v
   set change = r.change, applies_to = r.applies_to, kinds = r.kinds, classes = r.classes, units_in = r.units_in, condition = r.condition, triggers = r.triggers, basis = r.basis,
       early_days = r.early_days, early_percent = r.early_percent, late_days = r.late_days, late_percent = r.late_percent, criticality = r.criticality, tied_to = r.tied_to, version = v.version + 1
  from jsonb_to_recordset(cast(@rows as jsonb)) as ` + columns + `
 where v.id = r.id`},
	} {
		if len(s.rows) == 0 {
			continue
		}
		if err := tx.Exec(s.sql, map[string]any{"rows": document(s.rows), "now": now, "who": who.ID}).Error; err != nil {
			return nil, err
		}
	}
	return ids, nil
}

func opt(s string) *string {
	if s == "" {
		return nil
	}
	return &s
}

// PublishPlans freezes drafts; from then on they replace what held before. The
// assignments follow at the next tick.
func PublishPlans(tx *gorm.DB, who access.Actor, now time.Time, versions []uuid.UUID) error {
	if err := who.Must(access.Plan); err != nil {
		return err
	}
	if err := takeTurns(tx, "programme"); err != nil {
		return err
	}
	r := tx.Exec(`update plan_version set published_at = @now, published_by = @who, version = version + 1 where id = any (@ids) and published_at is null`,
		map[string]any{"now": now, "who": who.ID, "ids": &versions})
	if r.Error != nil {
		return r.Error
	}
	if int(r.RowsAffected) != len(versions) {
		return &fault.Error{Kind: fault.Conflict, Field: "number", Value: fmt.Sprint(len(versions) - int(r.RowsAffected)), Msg: "is published already, or is no version; a published one never changes"}
	}
	return markAll(tx)
}

const plans = `
select p.id, p.code, p.title, p.procedure_id, c.code as procedure, p.ended_at, p.version, p.version_id, p.number, p.applies_to, p.basis, p.criticality, coalesce(p.triggers::text, '[]') as triggers,
       (select d.number from plan_version as d where d.plan_id = p.id and d.published_at is null) as draft,
       (select count(*) from assignment as a where a.plan_id = p.id and a.alive_thing is not null)::integer as assignments
  from plan_now as p
  join procedure as c on c.id = p.procedure_id`

// Plans lists plans by code.
func Plans(ctx context.Context, db *pgdb.DB, who access.Actor, p Page) ([]Plan, error) {
	return pgdb.Read[Plan](ctx, db, who.ID, plans+` where p.code > @after order by p.code limit @limit`, map[string]any{"after": p.After, "limit": p.Limit})
}

// OnePlan gives a plan.
func OnePlan(ctx context.Context, db *pgdb.DB, who access.Actor, id uuid.UUID) (Plan, error) {
	return pgdb.ReadOne[Plan](ctx, db, who.ID, "plan", id.String(), plans+` where p.id = @id`, map[string]any{"id": id})
}

type planVersionRow struct {
	ID, PlanID                 uuid.UUID
	Code, Title                string
	Number, Version            int
	Change, AppliesTo          string
	Kinds, Classes             []string
	UnitsIn                    *string
	Condition, Triggers, Basis string
	EarlyDays                  int
	EarlyPercent               float64
	LateDays                   int
	LatePercent                float64
	Criticality                string
	TiedTo                     *string
	CreatedAt                  time.Time
	PublishedAt                *time.Time
}

const planVersions = `
select v.id, v.plan_id, p.code, p.title, v.number, v.version, v.change, v.applies_to, v.kinds, v.classes, v.units_in, v.condition, v.triggers::text as triggers, v.basis,
       v.early_days, v.early_percent, v.late_days, v.late_percent, v.criticality, v.tied_to, v.created_at, v.published_at
  from plan_version as v
  join plan as p on p.id = v.plan_id`

// PlanVersions lists the versions of a plan, the newest first.
func PlanVersions(ctx context.Context, db *pgdb.DB, who access.Actor, plan uuid.UUID) ([]PlanVersion, error) {
	if _, err := OnePlan(ctx, db, who, plan); err != nil {
		return nil, err
	}
	return planVersionsWhere(ctx, db, who, ` where v.plan_id = @id order by v.number desc`, map[string]any{"id": plan})
}

// OnePlanVersion gives a version of a plan.
func OnePlanVersion(ctx context.Context, db *pgdb.DB, who access.Actor, id uuid.UUID) (PlanVersion, error) {
	found, err := planVersionsWhere(ctx, db, who, ` where v.id = @id`, map[string]any{"id": id})
	if err == nil && len(found) == 0 {
		err = fault.Missing("version", id.String())
	}
	if err != nil {
		return PlanVersion{}, err
	}
	return found[0], nil
}

func planVersionsWhere(ctx context.Context, db *pgdb.DB, who access.Actor, where string, args map[string]any) ([]PlanVersion, error) {
	rows, err := pgdb.Read[planVersionRow](ctx, db, who.ID, planVersions+where, args)
	if err != nil {
		return nil, err
	}
	out := make([]PlanVersion, len(rows))
	for i, r := range rows {
		triggers, _, err := kept(r.Triggers)
		if err != nil {
			return nil, err
		}
		out[i] = PlanVersion{ID: r.ID, PlanID: r.PlanID, Code: r.Code, Title: r.Title, Number: r.Number, Version: r.Version, CreatedAt: r.CreatedAt, PublishedAt: r.PublishedAt,
			Terms: Terms{Change: r.Change, AppliesTo: r.AppliesTo, Kinds: r.Kinds, Classes: r.Classes, UnitsIn: zero(r.UnitsIn), Condition: r.Condition, Triggers: triggers, Basis: r.Basis,
				Early: Tolerance{r.EarlyDays, r.EarlyPercent}, Late: Tolerance{r.LateDays, r.LatePercent}, Criticality: r.Criticality, TiedTo: zero(r.TiedTo)}}
	}
	return out, nil
}
