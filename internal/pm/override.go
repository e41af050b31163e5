package pm

import (
	"context"
	"strings"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/calendar"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
)

// Override is an interval of one assignment instead of its plan's: it holds for
// the intervals that begin by its last day.
type Override struct {
	ID           uuid.UUID
	AssignmentID uuid.UUID
	Triggers     []Trigger
	Until        time.Time
	Reason       string
	AnswerID     *uuid.UUID // of the check that made it
	MadeAt       time.Time
	MadeBy       string
	WithdrawnAt  *time.Time
}

// NewOverride is what it takes to make one.
type NewOverride struct {
	Triggers []Trigger
	Until    calendar.Date
	Reason   string
}

// Overrides lists the overrides of an assignment, the newest first. The first that
// was not withdrawn is the one that holds.
func Overrides(ctx context.Context, db *pgdb.DB, who access.Actor, assignment uuid.UUID) ([]Override, error) {
	rows, err := pgdb.Read[struct {
		ID, AssignmentID uuid.UUID
		Triggers         string
		Until            time.Time
		Reason           string
		AnswerID         *uuid.UUID
		MadeAt           time.Time
		MadeBy           string
		WithdrawnAt      *time.Time
	}](ctx, db, who.ID, `
select o.id, o.assignment_id, o.triggers::text as triggers, o.until, o.reason, o.answer_id, o.made_at, coalesce(a.name, '') as made_by, o.withdrawn_at
  from assignment_override as o left join actor as a on a.id = o.made_by
 where o.assignment_id = @id and (@everywhere or o.site_id = any (@sites))
order by o.made_at desc, o.id desc`, who.Scope(map[string]any{"id": assignment}))
	if err != nil {
		return nil, err
	}
	out := make([]Override, len(rows))
	for i, r := range rows {
		triggers, _, err := kept(r.Triggers)
		if err != nil {
			return nil, err
		}
		out[i] = Override{r.ID, r.AssignmentID, triggers, r.Until, r.Reason, r.AnswerID, r.MadeAt, r.MadeBy, r.WithdrawnAt}
	}
	return out, nil
}

// MakeOverride replaces intervals of one assignment until a day, for a reason. Of
// work of criticality S they are only shortened.
func MakeOverride(tx *gorm.DB, who access.Actor, now time.Time, assignment uuid.UUID, in NewOverride) (uuid.UUID, error) {
	if err := who.Must(access.Plan); err != nil {
		return uuid.Nil, err
	}
	found, err := read[struct {
		PlanID uuid.UUID
		SiteID *uuid.UUID
	}](tx, `select plan_id, site_id from assignment where id = @id and ended_at is null for update`, map[string]any{"id": assignment})
	if err != nil {
		return uuid.Nil, err
	}
	if len(found) == 0 {
		return uuid.Nil, fault.Missing("assignment", assignment.String())
	}
	p, err := planInTx(tx, found[0].PlanID)
	if err != nil {
		return uuid.Nil, err
	}
	triggers, err := triggersOf(in.Triggers)
	if err != nil {
		return uuid.Nil, err
	}
	if _, err := p.schedule.Override(triggers, in.Until, in.Reason); err != nil {
		return uuid.Nil, err
	}
	id := pgdb.NewID()
	if err := tx.Exec(`
insert into assignment_override (id, assignment_id, site_id, triggers, until, reason, made_at, made_by)
values (@id, @assignment, @site, cast(@triggers as jsonb), @until, @reason, @now, @who)`,
		map[string]any{"id": id, "assignment": assignment, "site": found[0].SiteID, "triggers": document(in.Triggers), "until": in.Until.UTC(), "reason": strings.TrimSpace(in.Reason), "now": now, "who": who.ID}).Error; err != nil {
		return uuid.Nil, err
	}
	return id, touch(tx, assignment)
}

// WithdrawOverride takes one back. Again is no change.
func WithdrawOverride(tx *gorm.DB, who access.Actor, now time.Time, id uuid.UUID) (uuid.UUID, error) {
	if err := who.Must(access.Plan); err != nil {
		return uuid.Nil, err
	}
	found, err := read[struct{ AssignmentID uuid.UUID }](tx, `select assignment_id from assignment_override where id = @id`, map[string]any{"id": id})
	if err != nil {
		return uuid.Nil, err
	}
	if len(found) == 0 {
		return uuid.Nil, fault.Missing("override", id.String())
	}
	if err := tx.Exec(`update assignment_override set withdrawn_at = @now, withdrawn_by = @who where id = @id and withdrawn_at is null`,
		map[string]any{"now": now, "who": who.ID, "id": id}).Error; err != nil {
		return uuid.Nil, err
	}
	return found[0].AssignmentID, touch(tx, found[0].AssignmentID)
}

// touch has an assignment judged again.
func touch(tx *gorm.DB, id uuid.UUID) error {
	return tx.Exec(`update assignment set changed = greatest(changed, 1), revision = revision + 1 where id = ?`, id).Error
}

// planInTx gives a plan by the version that holds.
func planInTx(tx *gorm.DB, id uuid.UUID) (*live, error) {
	rows, err := read[struct {
		ID, VersionID uuid.UUID
		Code          string
		Triggers      string
		Basis         string
		EarlyDays     int
		EarlyPercent  float64
		LateDays      int
		LatePercent   float64
		Criticality   string
	}](tx, `
select id, version_id, code, triggers::text as triggers, basis, early_days, early_percent, late_days, late_percent, criticality
  from plan_now where id = @id and version_id is not null`, map[string]any{"id": id})
	if err != nil {
		return nil, err
	}
	if len(rows) == 0 {
		return nil, fault.Missing("plan", id.String())
	}
	r := rows[0]
	p := &live{ID: r.ID, VersionID: r.VersionID, Code: r.Code, Triggers: r.Triggers, Basis: r.Basis, EarlyDays: r.EarlyDays, EarlyPercent: r.EarlyPercent, LateDays: r.LateDays, LatePercent: r.LatePercent, Criticality: r.Criticality}
	return p, p.ready()
}
