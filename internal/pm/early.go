package pm

import (
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/fault"
)

// RaiseEarly raises the tasks of assignments whose window has not opened yet, because
// somebody plans to go there for them. It gives the task of each, also of those that
// have one already. What is due when stays as it is.
func RaiseEarly(tx *gorm.DB, who access.Actor, now time.Time, assignments []uuid.UUID) (map[uuid.UUID]uuid.UUID, error) {
	if err := who.Must(access.Plan); err != nil {
		return nil, err
	}
	v := map[string]any{"ids": &assignments, "now": now, "who": who.ID}
	if err := tx.Exec(`select from assignment where id = any (@ids) order by id for update`, v).Error; err != nil {
		return nil, err
	}
	err := tx.Exec(`
with raised as (
  insert into task (site_id, line_id, position_id, unit_id, assignment_id, procedure_id, origin, title, says, criticality, due_on, earliest_on, latest_on, missed, raised_at, raised_by)
  select a.site_id, a.line_id, a.position_id, a.unit_id, a.id, c.procedure_id, 'plan', c.title, a.says, c.criticality, a.due_on, a.earliest_on, a.latest_on, a.missed, @now, @who
    from assignment as a
    join plan_now as c on c.id = a.plan_id and c.version_id is not null and c.ended_at is null
   where a.id = any (@ids) and a.task_id is null and a.ended_at is null and a.due_on is not null
order by a.id
  on conflict on constraint task_one_open_uq do update set missed = excluded.missed
  returning id, assignment_id
)
update assignment as a set task_id = r.id, revision = a.revision + 1 from raised as r where a.id = r.assignment_id`, v).Error
	if err != nil {
		return nil, err
	}
	rows, err := read[struct{ ID, TaskID uuid.UUID }](tx, `select a.id, a.task_id from assignment as a where a.id = any (@ids) and a.task_id is not null`, v)
	if err != nil {
		return nil, err
	}
	all := make(map[uuid.UUID]uuid.UUID, len(rows))
	for _, r := range rows {
		all[r.ID] = r.TaskID
	}
	for _, id := range assignments {
		if _, ok := all[id]; !ok {
			return nil, fault.Field("assignment_id", id.String(), "names no work that falls due: there is none, it has ended, or nobody knows when it is due")
		}
	}
	return all, nil
}
