package pm

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"

	"github.com/google/uuid"

	"spindlebook/internal/assets/meters"
	"spindlebook/internal/condition"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pm/due"
)

// live is a plan by the version that holds.
type live struct {
	ID, ProcedureID uuid.UUID
	VersionID       uuid.UUID
	Code, Title     string
	AppliesTo       string
	Kinds, Classes  []string
	UnitsIn         *string
	Condition       string
	Triggers        string
	Basis           string
	EarlyDays       int
	EarlyPercent    float64
	LateDays        int
	LatePercent     float64
	Criticality     string
	TiedTo          *string

	schedule  *due.Schedule
	where     condition.Condition
	units     []meters.Unit // that its triggers count
	crossings []string      // checks whose limits it watches
}

const livePlans = `
select id, procedure_id, version_id, code, title, applies_to, kinds, classes, units_in, condition, triggers::text as triggers, basis,
       early_days, early_percent, late_days, late_percent, criticality, tied_to
  from plan_now
 where version_id is not null and ended_at is null`

// programme is every plan that holds.
type programme map[uuid.UUID]*live

// programmeNow reads the plans that hold, in one statement.
func programmeNow(ctx context.Context, db *pgdb.DB) (programme, error) {
	type row struct {
		ID, ProcedureID, VersionID uuid.UUID
		Code, Title, AppliesTo     string
		Kinds, Classes             []string
		UnitsIn                    *string
		Condition, Triggers, Basis string
		EarlyDays                  int
		EarlyPercent               float64
		LateDays                   int
		LatePercent                float64
		Criticality                string
		TiedTo                     *string
	}
	rows, err := sys[row](ctx, db, livePlans, nil)
	if err != nil {
		return nil, err
	}
	all := make(programme, len(rows))
	for _, r := range rows {
		p := &live{ID: r.ID, ProcedureID: r.ProcedureID, VersionID: r.VersionID, Code: r.Code, Title: r.Title, AppliesTo: r.AppliesTo, Kinds: r.Kinds, Classes: r.Classes, UnitsIn: r.UnitsIn,
			Condition: r.Condition, Triggers: r.Triggers, Basis: r.Basis, EarlyDays: r.EarlyDays, EarlyPercent: r.EarlyPercent, LateDays: r.LateDays, LatePercent: r.LatePercent,
			Criticality: r.Criticality, TiedTo: r.TiedTo}
		if err := p.ready(); err != nil {
			return nil, fmt.Errorf("plan %s: %w", p.Code, err)
		}
		all[p.ID] = p
	}
	return all, nil
}

// ready works out what follows from the plan's terms.
func (p *live) ready() error {
	var as []Trigger
	if err := json.Unmarshal([]byte(p.Triggers), &as); err != nil {
		return err
	}
	t := Terms{Triggers: as, Basis: p.Basis, Early: Tolerance{p.EarlyDays, p.EarlyPercent}, Late: Tolerance{p.LateDays, p.LatePercent}, Criticality: p.Criticality}
	var err error
	if p.schedule, err = t.Schedule(); err != nil {
		return err
	}
	where, bad := condition.Parse(p.Condition, "condition")
	if bad != nil {
		return bad
	}
	p.where = where
	for _, t := range as {
		switch t.Kind {
		case "after_use":
			p.units = append(p.units, counted(due.Unit(t.Unit)))
		case "on_crossing":
			p.crossings = append(p.crossings, t.Check)
		}
	}
	return nil
}

// counted gives a due unit as meters have it.
func counted(u due.Unit) meters.Unit {
	if u == due.RunHours {
		return meters.Hours
	}
	return meters.Unit(u)
}

// dueUnit is the inverse of counted.
func dueUnit(u meters.Unit) due.Unit {
	if u == meters.Hours {
		return due.RunHours
	}
	return due.Unit(u)
}

func (p *live) oneOff() bool { return p.Basis == string(due.OneOff) }

// thing is what a plan may fit.
type thing struct {
	what     string // site, line, position or unit
	id       uuid.UUID
	site     *uuid.UUID
	line     *uuid.UUID
	position *uuid.UUID
	kinds    []string // of positions: its own, or those that it has
	class    string   // of a unit
	fitted   bool     // of a unit
	parked   bool
	facts    condition.Facts
}

// fits tells whether the plan's work is to be done at a thing; where that hangs on
// facts that nobody knows, it does not and they are named.
func (p *live) fits(t *thing) (bool, []string) {
	if p.AppliesTo != t.what || p.oneOff() {
		return false, nil
	}
	if len(p.Kinds) > 0 && !slices.ContainsFunc(t.kinds, func(k string) bool { return slices.Contains(p.Kinds, k) }) {
		return false, nil
	}
	if t.what == "unit" {
		if len(p.Classes) > 0 && !slices.Contains(p.Classes, t.class) {
			return false, nil
		}
		if where := zero(p.UnitsIn); where == "fitted" && !t.fitted || where == "stock" && t.fitted {
			return false, nil
		}
	}
	a := p.where.Judge(t.facts)
	return a.Verdict == condition.Holds, a.Missing
}
