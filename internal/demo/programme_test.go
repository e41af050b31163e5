package demo

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"spindlebook/internal/access"
	"spindlebook/internal/pm/failure"
)

// The programme of a realistic line (46 tasks with 61 checks, common practice except
// where a published source stands behind a limit), and a plan of our own.
func TestTheProgrammeIsWhole(t *testing.T) {
	s, err := readScenario()
	if err != nil {
		t.Fatal(err)
	}
	if len(s.plans) != 47 || len(s.checks) != 61 || len(s.procedures) != 42 {
		t.Errorf("%d plans, %d checks, %d procedures", len(s.plans), len(s.checks), len(s.procedures))
	}
	for _, p := range s.plans {
		if _, err := p.terms(now); err != nil {
			t.Error(err)
		}
		if !slices.ContainsFunc(s.procedures, func(r procedureRow) bool { return r.Code == p.Procedure }) && !slices.ContainsFunc(s.jobs, func(j jobRow) bool { return j.Code == p.Procedure }) {
			t.Errorf("plan %s does %q", p.Code, p.Procedure)
		}
	}
	for _, c := range s.checks {
		if _, err := c.check(); err != nil {
			t.Error(err)
		}
	}
	for name, bad := range map[string]func() error{
		"trigger":   func() error { _, err := trigger("many vehicles", now); return err },
		"tolerance": func() error { _, err := planRow{Triggers: "day", Early: "soon"}.terms(now); return err },
		"limit":     func() error { _, err := checkRow{WarnLow: "low"}.check(); return err },
		"days":      func() error { _, err := checkRow{FailDays: "soon"}.check(); return err },
	} {
		if bad() == nil {
			t.Errorf("a %s that is none is taken", name)
		}
	}
}

// What the programme looks like on the day of the demo: job.md's morning, things
// late, in their window and coming, rounds missed, skips, overrides and findings.
func TestTheProgrammeIsInUse(t *testing.T) {
	t.Parallel()
	db := load(t)
	type count struct {
		What string
		N    int
	}
	counts := func(sql string) map[string]int {
		all := map[string]int{}
		for _, r := range rows[count](t, db, access.System.ID, sql, nil) {
			all[r.What] = r.N
		}
		return all
	}
	zone, _ := time.LoadLocation("America/Los_Angeles")
	morning := time.Date(2026, 11, 24, 5, 30, 0, 0, zone) // the last one before now
	type raised struct{ N, Sites int }
	got := rows[raised](t, db, access.System.ID, `select count(*)::int as n, count(distinct site_id)::int as sites from task where raised_at = @at and origin = 'plan'`, map[string]any{"at": morning})[0]
	if got != (raised{11, 4}) {
		t.Errorf("the sweep of half past five raised %+v", got)
	}
	states := counts(`select state as what, count(*)::int as n from assignment where ended_at is null group by state`)
	all := 0
	for _, n := range states {
		all += n
	}
	t.Logf("%d assignments: %v", all, states)
	for state, share := range map[string][2]float64{"late": {0.02, 0.15}, "in window": {0.08, 0.3}, "coming": {0.08, 0.3}, "not due": {0.4, 0.8}, "unknown": {0.001, 0.05}} {
		if n := float64(states[state]) / float64(all); n < share[0] || n > share[1] {
			t.Errorf("%s are %.0f %%", state, 100*n)
		}
	}
	tasks := counts(`select origin || ' ' || state as what, count(*)::int as n from task group by 1`)
	for what, least := range map[string]int{"plan open": 100, "plan done": 100, "plan missed": 10, "plan skipped": 2, "check open": 2, "fault open": 4, "fault cancelled": 2} {
		if tasks[what] < least {
			t.Errorf("%d tasks are %s", tasks[what], what)
		}
	}
	if n := counts(`select verdict as what, count(*)::int as n from check_answer group by 1`); n["warn"] < 3 || n["fail"] < 1 || n["good"] < 500 {
		t.Errorf("answers %v", n)
	}
	if n := counts(`select 'overrides' as what, count(*)::int as n from assignment_override where withdrawn_at is null`); n["overrides"] != 2 {
		t.Errorf("overrides %v", n)
	}
	// every kind of trigger governs somewhere
	governs := counts(`
select p.triggers -> a.governs ->> 'kind' as what, count(*)::int as n
  from assignment as a join plan_now as p on p.id = a.plan_id where a.ended_at is null and a.governs >= 0 group by 1`)
	for _, kind := range []string{"every", "after_use", "each_operating_day", "once_per_season"} {
		if governs[kind] == 0 {
			t.Errorf("nothing is governed by %s: %v", kind, governs)
		}
	}
	// the brush motor of the day
	type line struct {
		Plan, Thing string
		Days        int
	}
	near := map[string]int{}
	for _, l := range rows[line](t, db, access.System.ID, `
select p.code as plan, po.code as thing, (a.due_on - date '2026-11-25')::int as days from assignment as a join plan as p on p.id = a.plan_id join position as po on po.id = a.position_id
 where a.ended_at is null and po.code like 'UMB-1/%' and p.code in ('GM-EX', 'PM-028') and a.due_on between date '2026-11-25' and date '2026-11-25' + 40 order by 3`, nil) {
		near[l.Plan+" "+l.Thing] = l.Days
	}
	t.Logf("near at Umberlea: %v", near)
	if d := near["GM-EX UMB-1/SBL-D"]; d < 7 || d > 9 {
		t.Errorf("the brush motor is due in %d days", d)
	}
	// a foam set three weeks later, which may be changed on the same visit
	foam := rows[line](t, db, access.System.ID, `
select p.code as plan, po.code as thing, (a.due_on - m.due_on)::int as days from assignment as a join plan as p on p.id = a.plan_id join position as po on po.id = a.position_id, 
       (select g.due_on from assignment as g join plan as q on q.id = g.plan_id join position as o on o.id = g.position_id where g.ended_at is null and q.code = 'GM-EX' and o.code = 'UMB-1/SBL-D') as m
 where a.ended_at is null and p.code = 'PM-028' and po.code like 'UMB-1/%' and a.earliest_on <= m.due_on and a.due_on > m.due_on order by 3`, nil)
	if len(foam) == 0 || !slices.ContainsFunc(foam, func(l line) bool { return l.Days >= 18 && l.Days <= 24 }) {
		t.Errorf("foam sets after the motor that may be changed with it: %+v", foam)
	}
}

// The faults of the scenario stand in every state, each known to its own owner.
func TestTheFaultsOfTheScenario(t *testing.T) {
	t.Parallel()
	db := load(t)
	faults, err := failure.List(ctx, db, access.System, failure.Filter{}, access.Page{Limit: 50})
	if err != nil {
		t.Fatal(err)
	}
	var all []string
	for _, f := range faults {
		all = append(all, fmt.Sprintf("%s %s", *f.PositionCode, f.State()))
		if f.Caller != "" && (f.CreatedBy == "" || strings.Contains(f.Caller, f.CreatedBy)) {
			t.Errorf("fault %d was taken by %q for %q", f.Number, f.CreatedBy, f.Caller)
		}
	}
	slices.Sort(all)
	want := []string{"DUN-2/SBH-P restored", "FER-1/SBL-D held", "KES-1/TYR-D withdrawn", "PEL-1/RKR-D restored", "THO-1/SBL-P restored", "UMB-1/TOP open", "UMB-1/WRP-P open", "VAN-1/ENT-SWITCH restored"}
	if !slices.Equal(all, want) {
		t.Errorf("faults %v", all)
	}
	// what was told once is not told again
	before := rows[struct{ N int }](t, db, access.System.ID, `select count(*)::int as n from completion`, nil)
	if err := Load(ctx, db, now.AddDate(0, 0, 3)); err != nil {
		t.Fatal(err)
	}
	if after := rows[struct{ N int }](t, db, access.System.ID, `select count(*)::int as n from completion`, nil); after[0] != before[0] {
		t.Errorf("%d completions became %d", before[0].N, after[0].N)
	}
}
