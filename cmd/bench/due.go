package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"os/exec"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets/meters"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgdb/cluster"
	"spindlebook/internal/pm"
)

// benchPlans make four assignments at each position: two that use drives, one on a
// grid and one by the calendar.
var benchPlans = []pm.Terms{
	{AppliesTo: "position", Basis: "floating", Criticality: "A", Triggers: []pm.Trigger{{Kind: "every", Every: "P30D"}, {Kind: "after_use", Unit: "vehicles", Amount: 8000}}, Early: pm.Tolerance{Days: 7}, Late: pm.Tolerance{Days: 7}},
	{AppliesTo: "position", Basis: "floating", Criticality: "B", Triggers: []pm.Trigger{{Kind: "after_use", Unit: "run_hours", Amount: 5000}, {Kind: "every", Every: "P6Y"}}, Early: pm.Tolerance{Percent: 10}, Late: pm.Tolerance{Percent: 10}},
	{AppliesTo: "position", Basis: "fixed", Criticality: "A", Triggers: []pm.Trigger{{Kind: "every", Every: "P6M", From: "2024-10-31"}}, Early: pm.Tolerance{Days: 21}, Late: pm.Tolerance{Days: 14}},
	{AppliesTo: "position", Basis: "floating", Criticality: "C", Triggers: []pm.Trigger{{Kind: "every", Every: "P3Y"}}, Early: pm.Tolerance{Percent: 15}, Late: pm.Tolerance{Percent: 15}},
}

// benchNow is when the record of the bench is looked at: a fortnight after its last readings.
var benchNow = time.Date(2025, 6, 10, 10, 0, 0, 0, time.UTC)

// programme publishes the plans of the bench.
func programme(ctx context.Context, db *pgdb.DB) error {
	who := access.System
	return db.InTx(ctx, who.ID, func(tx *gorm.DB) error {
		ids, err := pm.AddProcedures(tx, who, benchNow, []pm.NewProcedure{{Code: "BENCH", Title: "Work of the bench"}})
		if err != nil {
			return err
		}
		v, err := pm.WriteDrafts(tx, who, benchNow, []pm.Write{{Procedure: ids[0], Content: pm.Content{People: 1, Skills: []string{"T1"}, Minutes: pm.Minutes{Low: 5, Typical: 12, High: 30}, LineState: "closed_hours"}}})
		if err != nil {
			return err
		}
		if err := pm.Publish(tx, who, benchNow, v); err != nil {
			return err
		}
		heads, writes := make([]pm.NewPlan, len(benchPlans)), make([]pm.WritePlan, len(benchPlans))
		for i := range benchPlans {
			heads[i] = pm.NewPlan{Code: fmt.Sprintf("BENCH-%d", i), Title: "Work of the bench", Procedure: "BENCH"}
		}
		plans, err := pm.AddPlans(tx, who, benchNow, heads)
		if err != nil {
			return err
		}
		for i, t := range benchPlans {
			writes[i] = pm.WritePlan{Plan: plans[i], Terms: t}
		}
		if v, err = pm.WritePlanDrafts(tx, who, benchNow, writes); err != nil {
			return err
		}
		return pm.PublishPlans(tx, who, benchNow, v)
	})
}

// sweepVerb starts this program as the process that sweeps, so that its memory is
// told apart.
const sweepVerb = "sweep-for-bench"

// swept is what a sweep tells at its end: how long assignments took to appear, and all the
// rest, which is the judging and, where something falls due, the raising.
type swept struct {
	Matching, Judging time.Duration
	Assignments       int
	PeakKB            int
}

// sweep sweeps once.
func sweep(ctx context.Context, db *pgdb.DB, now func() time.Time, _ io.Reader, out io.Writer) error {
	var s swept
	at, start := now(), time.Now()
	for done := false; !done; {
		var err error
		if _, done, err = pm.Match(ctx, db, at); err != nil {
			return err
		}
	}
	s.Matching, start = time.Since(start), time.Now()
	tick, err := pm.Tick(ctx, db, at)
	if err != nil {
		return err
	}
	s.Judging, s.Assignments, s.PeakKB = time.Since(start), tick.Assignments, peak()
	return json.NewEncoder(out).Encode(s)
}

// sweeps has a process of its own sweep once, at benchNow.
func (d *data) sweeps(ctx context.Context) (s swept, err error) {
	self, err := os.Executable()
	if err != nil {
		return s, err
	}
	cmd := exec.CommandContext(ctx, self, sweepVerb, d.service, benchNow.Format(time.RFC3339))
	cmd.Stderr = os.Stderr
	told, err := cmd.Output()
	if err != nil {
		return s, err
	}
	return s, json.Unmarshal(told, &s)
}

// judgeFirst measures how long it takes until all of M is judged for the first time.
func (b *bench) judgeFirst(ctx context.Context) error {
	d := b.judged
	conn, err := pgx.Connect(ctx, d.owner)
	if err != nil {
		return err
	}
	defer conn.Close(context.WithoutCancel(ctx))
	for _, sql := range []string{`select set_config('spindlebook.actor', '` + access.System.ID.String() + `', false)`, benchMeters, benchRead,
		`update meter_state as s set last_at = r.at, latest_at = r.at, last_value = r.value, last_total = r.value
		   from (select distinct on (meter_id) meter_id, at, value from reading order by meter_id, at desc) as r where r.meter_id = s.meter_id`,
		`vacuum (analyze) reading, meter, meter_place, meter_segment, meter_state`} {
		if _, err := conn.Exec(ctx, sql); err != nil {
			return err
		}
	}
	if err := programme(ctx, d.db); err != nil {
		return err
	}
	s, err := d.sweeps(ctx)
	if err != nil {
		return err
	}
	b.say("%s assignments appeared in %s and were judged in %s", thousands(s.Assignments), ms(s.Matching), ms(s.Judging))
	if b.measures("judge") {
		b.add(row{work: fmt.Sprintf("first judging of %s assignments of %d sites, and their appearing", thousands(s.Assignments), b.mid),
			measured: fmt.Sprintf("%s, and %s; %s", ms(s.Judging), ms(s.Matching), memoryOf(s.PeakKB))})
	}
	_, err = conn.Exec(ctx, `vacuum (analyze) assignment, task`)
	return err
}

// memoryOf tells what a process held at most, beside the budget of each.
func memoryOf(kb int) string { return fmt.Sprintf("%d MB at the peak (budget 150 MB)", kb>>10) }

// judging measures what a batch of 1,000 readings sets off.
func (b *bench) judging(ctx context.Context, _ cluster.Address) error {
	d := b.judged
	type meter struct {
		ID    uuid.UUID
		Last  int64
		Hours bool
	}
	all, err := pgdb.Read[meter](ctx, d.db, access.System.ID, `
select m.id, s.last_value as last, m.unit = 'hours' as hours from meter as m join meter_state as s on s.meter_id = m.id order by md5(m.id::text) limit 1000`, nil)
	if err != nil {
		return err
	}
	in := make([]meters.NewReading, len(all))
	for i, m := range all {
		in[i] = meters.NewReading{MeterID: m.ID, At: benchNow.Add(-time.Hour), Value: fmt.Sprint(m.Last + 4000), Source: "photo"}
		if m.Hours {
			in[i].Value = fmt.Sprint(m.Last/3600 + 60)
		}
	}
	if err := d.db.InTx(ctx, access.System.ID, func(tx *gorm.DB) error {
		_, err := meters.Take(tx, access.System, benchNow, in)
		return err
	}); err != nil {
		return err
	}
	s, err := d.sweeps(ctx)
	if err != nil {
		return err
	}
	if s.Assignments < len(in) {
		return fmt.Errorf("%d readings had %d assignments judged again", len(in), s.Assignments)
	}
	b.add(row{work: fmt.Sprintf("judging again after %s readings", thousands(len(in))), measured: fmt.Sprintf("%s assignments in %s; %s", thousands(s.Assignments), ms(s.Matching+s.Judging), memoryOf(s.PeakKB))})
	return nil
}

// benchAssigned makes four assignments at each position as a match would, a
// hundredth of which has its window open.
const benchAssigned = `
insert into assignment (id, plan_id, site_id, line_id, position_id, thing_id, since, state, governs, due_on, earliest_on, latest_on, opens_at, due_at, late_at, next_check_at, judged_at, says, changed)
select gen_random_uuid(), p.id, o.site_id, o.line_id, o.id, o.id, '2024-01-01Z', case when d.open then 'in window' else 'not due' end, 0, d.due, d.due - 7, d.due + 7,
       d.due - 7 + time '08:00', d.due + time '08:00', d.due + 8 + time '08:00', '2027-01-01Z', '2025-06-10Z', case when d.open then 'Every 30 days; last done 14 May, so due 13 June.' else '' end, 0
  from position as o
 cross join (select id, row_number() over (order by code) as n from plan) as p
 cross join lateral (select x.open, case when x.open then date '2025-06-13' else date '2025-07-01' + (hashtext(o.id::text) & 1023) end as due
                       from (select (hashtext(o.id::text || p.n) & 2147483647) % 100 = 0 as open) as x) as d`

// sweeping measures the sweep over the large set: nothing to raise, and all of a hundredth.
func (b *bench) sweeping(ctx context.Context, _ cluster.Address) error {
	d := b.large
	if err := programme(ctx, d.db); err != nil {
		return err
	}
	conn, err := pgx.Connect(ctx, d.owner)
	if err != nil {
		return err
	}
	defer conn.Close(context.WithoutCancel(ctx))
	start := time.Now()
	for _, sql := range []string{`select set_config('spindlebook.actor', '` + access.System.ID.String() + `', false)`, benchAssigned, `vacuum (analyze) assignment, plan, plan_version, task`} {
		if _, err := conn.Exec(ctx, sql); err != nil {
			return err
		}
	}
	var assigned, open int
	if err := conn.QueryRow(ctx, `select count(*), count(*) filter (where opens_at <= $1) from assignment`, benchNow).Scan(&assigned, &open); err != nil {
		return err
	}
	b.say("%s assignments, %s open, in %s", thousands(assigned), thousands(open), time.Since(start).Round(time.Millisecond))
	// as one statement of somebody who owns the tables
	const floor = `
insert into task (site_id, line_id, position_id, unit_id, assignment_id, procedure_id, origin, title, says, criticality, due_on, earliest_on, latest_on, missed, raised_at, raised_by)
select a.site_id, a.line_id, a.position_id, a.unit_id, a.id, p.procedure_id, 'plan', p.title, a.says, p.criticality, a.due_on, a.earliest_on, a.latest_on, a.missed, $1, current_actor()
  from assignment as a join plan_now as p on p.id = a.plan_id
 where a.opens_at <= $1 and a.task_id is null and a.ended_at is null`
	const count = `select count(*) from assignment as a join plan as p on p.id = a.plan_id where a.opens_at <= $1 and a.task_id is null and a.ended_at is null`
	var plain, raised, bare, idle sample
	for range 3 {
		for _, sql := range []string{`delete from task`, `update assignment set task_id = null where task_id is not null`, `vacuum (analyze) assignment, task`, `checkpoint`} {
			if _, err := conn.Exec(ctx, sql); err != nil {
				if sql == `checkpoint` {
					continue // only a superuser may
				}
				return err
			}
		}
		start := time.Now()
		if tag, err := conn.Exec(ctx, floor, benchNow); err != nil || tag.RowsAffected() != int64(open) {
			return fmt.Errorf("the floor raised %v: %w", tag, err)
		}
		plain = append(plain, time.Since(start))
		for _, sql := range []string{`delete from task`, `vacuum (analyze) task`} {
			if _, err := conn.Exec(ctx, sql); err != nil {
				return err
			}
		}
		start = time.Now()
		n, err := pm.Raise(ctx, d.db, benchNow)
		if err != nil || n != open {
			return fmt.Errorf("%d of %d were raised: %w", n, open, err)
		}
		raised = append(raised, time.Since(start))
		if _, err := conn.Exec(ctx, `vacuum (analyze) assignment, task`); err != nil {
			return err
		}
		for range 50 { // in the same number of round trips
			start = time.Now()
			if err := pgx.BeginFunc(ctx, conn, func(tx pgx.Tx) error {
				if _, err := tx.Exec(ctx, `select set_config('spindlebook.request', '', true)`); err != nil {
					return err
				}
				var none int
				return tx.QueryRow(ctx, count, benchNow).Scan(&none)
			}); err != nil {
				return err
			}
			bare = append(bare, time.Since(start))
			start = time.Now()
			if n, err := pm.Raise(ctx, d.db, benchNow); err != nil || n != 0 {
				return fmt.Errorf("an idle sweep raised %d: %w", n, err)
			}
			idle = append(idle, time.Since(start))
		}
	}
	b.add(row{work: fmt.Sprintf("due sweep over %s assignments, %s due and raised already", thousands(assigned), thousands(open)), floor: fmt.Sprintf("a bare count over the same index and join %s", ms(bare.median())),
		measured: ms(idle.median()), ratio: ratio(idle.median(), bare.median()), bar: 2})
	b.add(row{work: "the same, raising them all", floor: fmt.Sprintf("one plain insert … select of as many %s", ms(plain.median())), measured: ms(raised.median()), ratio: ratio(raised.median(), plain.median()), bar: 2})
	return nil
}
