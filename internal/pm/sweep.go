package pm

import (
	"context"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets/meters"
	"spindlebook/internal/assets/meters/outlook"
	"spindlebook/internal/pgdb"
)

// raisePage is how many tasks one statement raises.
const raisePage = 5000

// raise is the sweep: a page of the assignments whose window has opened and for
// which no task is open, each claimed by its row. The index holds nothing else, so
// that an idle sweep looks at nothing; the key of open tasks is the last word.
const raise = `
with current as materialized (
  select id, title, procedure_id, criticality from plan_now where version_id is not null and ended_at is null
),
due as (
  select a.id, a.plan_id, a.site_id, a.line_id, a.position_id, a.unit_id, a.due_on, a.earliest_on, a.latest_on, a.missed, a.says
    from assignment as a
   where a.opens_at <= @now and a.task_id is null and a.ended_at is null
order by a.opens_at
   limit @page
     for update skip locked
),
raised as (
  insert into task (site_id, line_id, position_id, unit_id, assignment_id, procedure_id, origin, title, says, criticality, due_on, earliest_on, latest_on, missed, raised_at, raised_by)
  select d.site_id, d.line_id, d.position_id, d.unit_id, d.id, c.procedure_id, 'plan', c.title, d.says, c.criticality, d.due_on, d.earliest_on, d.latest_on, d.missed, @now, @who
    from due as d
    join current as c on c.id = d.plan_id
  -- one that is open already, though its assignment does not know it, is taken
  on conflict on constraint task_one_open_uq do update set missed = excluded.missed
  returning id, assignment_id
)
update assignment as a
   set task_id = r.id, revision = a.revision + 1
  from raised as r
 where a.id = r.assignment_id`

// Raise raises a task for every assignment whose window has opened, in pages.
// What was missed before is collapsed in it.
func Raise(ctx context.Context, db *pgdb.DB, now time.Time) (int, error) {
	raised := 0
	for {
		n := 0
		err := db.InTx(ctx, access.System.ID, func(tx *gorm.DB) error {
			r := tx.Exec(raise, map[string]any{"now": now, "who": access.System.ID, "page": raisePage})
			n = int(r.RowsAffected)
			return r.Error
		})
		raised += n
		if err != nil || n < raisePage {
			return raised, err
		}
	}
}

// Of meters whose totals have moved, and those computed from them: the assignments
// that they drive. What they did up to an instant that has moved is added up anew;
// for the others only what comes has changed. A total between two readings moves
// with the later one, and one beyond the last with any.
const followMeters = `
with moved as (
  select m.id, m.since, (select max(p.at) from meter_point as p where p.meter_id = m.id and p.at < m.since) as before
    from unnest(cast(@meters as uuid[]), cast(@sinces as timestamptz[])) as m(id, since)
),
driving as (
  select id, coalesce(before, '-infinity') as since from moved
   union all
  select f.meter_id, '-infinity' from meter_formula_term as t join meter_formula as f on f.id = t.formula_id where t.source_id in (select id from moved)
),
driven as (
  select d.assignment_id, d.grade >= 3 or d.from_at > m.since as anew
    from driving as m
    join assignment_driver as d on d.meter_id = m.id
   union all
  select d.assignment_id, d.grade >= 3 or coalesce(d.held_at, d.from_at) > m.since
    from driving as m
    join assignment_driver as d on d.earlier @> array[m.id]
),
marked as ( -- taken in one order for everybody
  select a.id, d.anew
    from (select assignment_id, bool_or(anew) as anew from driven group by assignment_id) as d
    join assignment as a on a.id = d.assignment_id
   where a.ended_at is null
order by a.id
     for update of a
)
update assignment as a
   set changed = greatest(a.changed, case when m.anew then 2 else 1 end), revision = a.revision + 1
  from marked as m
 where a.id = m.id`

// metersAtOnce bounds how many movements one transaction follows.
const metersAtOnce = 1000

// FollowMeters marks what meters drive whose totals have moved. done is true when
// no movement is left.
func FollowMeters(ctx context.Context, db *pgdb.DB, now time.Time) (done bool, err error) {
	all, err := meters.Movements(ctx, db, access.System, metersAtOnce)
	if err != nil || len(all) == 0 {
		return err == nil, err
	}
	ids, since := make([]uuid.UUID, len(all)), make([]time.Time, len(all))
	for i, m := range all {
		ids[i], since[i] = m.MeterID, m.Since
	}
	return len(all) < metersAtOnce, db.InTx(ctx, access.System.ID, func(tx *gorm.DB) error {
		v := map[string]any{"meters": &ids, "sinces": &since}
		if err := tx.Exec(followMeters, v).Error; err != nil {
			return err
		}
		return meters.Followed(tx, access.System, all)
	})
}

// Refit learns from the readings of all meters how counters run (outlook.Refit),
// and has all that there is added up and judged anew by the next tick: what lay
// between two readings may lie elsewhere now. It is the nightly job.
func Refit(ctx context.Context, db *pgdb.DB, now time.Time) error {
	if err := outlook.Refit(ctx, db, access.System, now); err != nil {
		return err
	}
	return Anew(ctx, db)
}

// Anew has the use of all assignments added up from the record and judged again by
// the next tick.
func Anew(ctx context.Context, db *pgdb.DB) error {
	return db.InTx(ctx, access.System.ID, func(tx *gorm.DB) error {
		return tx.Exec(`
update assignment as a set changed = 2
 where a.ended_at is null and a.changed < 2`).Error
	})
}

// Swept says what a tick did.
type Swept struct {
	Matched
	Judged
	Raised int
}

// Tick does everything that is due at now: it follows the register and the meters,
// judges what has changed or come, and raises tasks. It may run in several
// processes at once.
func Tick(ctx context.Context, db *pgdb.DB, now time.Time) (Swept, error) {
	var s Swept
	for {
		m, done, err := Match(ctx, db, now)
		s.Matched.add(m)
		if err != nil {
			return s, err
		}
		if done {
			break
		}
	}
	for {
		done, err := FollowMeters(ctx, db, now)
		if err != nil {
			return s, err
		}
		if done {
			break
		}
	}
	var err error
	if s.Judged, err = Judge(ctx, db, now); err != nil {
		return s, err
	}
	s.Raised, err = Raise(ctx, db, now)
	return s, err
}
