package pm

import (
	"context"
	"fmt"
	"time"

	"github.com/google/uuid"

	"spindlebook/internal/pgdb"
	"spindlebook/internal/pm/due"
)

// keptRow is an answer as it is kept, beside what it is worked out from.
type keptRow struct {
	assignmentRow
	Plan        string
	State       string
	Governs     int
	DueOn       *time.Time
	EarliestOn  *time.Time
	LatestOn    *time.Time
	Grade       int
	Missed      int
	NextOn      *time.Time
	Gaps        int
	OpensAt     *time.Time
	DueAt       *time.Time
	LateAt      *time.Time
	NextCheckAt *time.Time
}

// Verify works every answer out anew, from the record alone, and tells of those
// that are kept differently, of open tasks without their assignment's word, and of
// assignments whose window is open without a task. Bands are worked out anew for
// whoever looks, and are not compared. What is marked as changed, or
// whose time has come, is left out: the next tick sees to it.
func Verify(ctx context.Context, db *pgdb.DB, now time.Time) (differs []string, seen int, err error) {
	plans, err := programmeNow(ctx, db)
	if err != nil {
		return nil, 0, err
	}
	after := uuid.Nil
	for {
		rows, err := sys[keptRow](ctx, db, `
select a.id, a.plan_id, a.site_id, a.line_id, a.position_id, a.unit_id, a.thing_id, a.since, a.since_known, a.grid_from, a.mark_at, a.mark_done, a.mark_settled,
       a.skipped_until, a.parked, a.task_id, 2 as changed, a.revision, a.ended_at, p.code as plan, a.state, a.governs::integer as governs, a.due_on, a.earliest_on, a.latest_on,
       a.grade::integer as grade, a.missed, a.next_on, a.gaps::integer as gaps, a.opens_at, a.due_at, a.late_at, a.next_check_at
  from assignment as a join plan as p on p.id = a.plan_id
 where a.ended_at is null and a.changed = 0 and (a.next_check_at is null or a.next_check_at > @now) and a.id > @after order by a.id limit @most`, map[string]any{"now": now, "after": after, "most": batch})
		if err != nil {
			return differs, seen, err
		}
		if len(rows) == 0 {
			break
		}
		after = rows[len(rows)-1].ID
		bare := make([]assignmentRow, len(rows))
		byID := make(map[uuid.UUID]*keptRow, len(rows))
		for i := range rows {
			bare[i], byID[rows[i].ID] = rows[i].assignmentRow, &rows[i]
		}
		all, err := load(ctx, db, now, plans, bare)
		if err != nil {
			return differs, seen, err
		}
		for i := range all {
			seen++
			r := due.Judge(&all[i].Due, all[i].Site, now)
			if kept, is := byID[all[i].ID].words(), wordsOf(&r); kept != is {
				differs = append(differs, fmt.Sprintf("assignment %s of %s: kept is %s, worked out is %s", all[i].ID, byID[all[i].ID].Plan, kept, is))
			}
		}
	}
	loose, err := sys[struct{ Says string }](ctx, db, `
select 'task ' || t.number || ' is open, and its assignment does not know it' as says
  from task as t join assignment as a on a.id = t.assignment_id
 where t.state = 'open' and a.task_id is distinct from t.id
 union all
select 'assignment ' || a.id || ' names a task that has ended'
  from assignment as a join task as t on t.id = a.task_id
 where a.ended_at is null and t.state <> 'open'
 union all
select 'assignment ' || a.id || ' has ended and has an open task'
  from assignment as a join task as t on t.open_for = a.id
 where a.ended_at is not null
order by 1`, nil)
	for _, l := range loose {
		differs = append(differs, l.Says)
	}
	return differs, seen, err
}

func (k *keptRow) words() string {
	day := func(t *time.Time) string { return dayOf(t).String() }
	return fmt.Sprint(k.State, " ", k.Governs, " due ", day(k.DueOn), " in ", day(k.EarliestOn), "/", day(k.LatestOn), " grade ", k.Grade, " missed ", k.Missed,
		" next ", day(k.NextOn), " gaps ", k.Gaps, " opens ", stamp(k.OpensAt), " due ", stamp(k.DueAt), " late ", stamp(k.LateAt))
}

func wordsOf(r *due.Answer) string {
	return fmt.Sprint(r.State, " ", r.Governs, " due ", r.Due, " in ", r.Earliest, "/", r.Latest, " grade ", int(r.Grade), " missed ", r.Missed,
		" next ", r.Next, " gaps ", int(r.Gaps), " opens ", stamp(instant(r.OpensAt)), " due ", stamp(instant(r.DueAt)), " late ", stamp(instant(r.LateAt)))
}

func stamp(t *time.Time) string {
	if t == nil {
		return "-"
	}
	return t.UTC().Format(time.RFC3339)
}
