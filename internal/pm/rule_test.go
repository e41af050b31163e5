package pm_test

import (
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/assets"
	"spindlebook/internal/calendar"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgtest"
	"spindlebook/internal/pm"
)

// The fourteen rules of trigger arithmetic, each over the whole path: register,
// readings, plan, tick, record. Common practice, no source, where not said otherwise.

func low(t ...pm.Trigger) pm.Terms { return pm.Terms{Kinds: []string{"side_brush_low"}, Triggers: t} }

// 1. A stale counter makes nothing not due.
func TestRule1AStaleCounterHidesNothing(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	w.runs(t, w.tunnel, 400, 200, 10, 60) // silent for 60 days
	both := w.plan(t, "PM-010", low(every("P90D"), use("vehicles", 100000)))
	alone := w.plan(t, "PM-037", low(use("vehicles", 30000)))
	w.tick(t, now)
	w.do(t, w.of(t, both, w.left.ID, day(80)), w.of(t, alone, w.left.ID, day(190)))
	s := w.stands(t, both, w.left.ID)
	if s.due() != "2025-06-20" || s.Gaps&32 == 0 { // the day by the calendar stands, the counter is said to be quiet
		t.Errorf("with a calendar beside it it stands at %+v", s)
	}
	// 30,000 at 400 a day took 75 days from day 190, so it was reached 115 days ago, whoever read last
	if s := w.stands(t, alone, w.left.ID); s.State != "late" || s.Gaps&32 == 0 {
		t.Errorf("by use alone it stands at %+v", s)
	}
	w.sound(t, now)
}

// 2. The rate follows the season: the same counter falls due sooner before summer than before winter.
func TestRule2TheRateFollowsTheSeason(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	w.runs(t, w.tunnel, 400, 300, 10, 0)
	plan := w.plan(t, "PM-028", low(use("vehicles", 60000)))
	w.tick(t, now)
	w.do(t, w.of(t, plan, w.left.ID, day(1)))
	s := w.stands(t, plan, w.left.ID)
	flat := now.AddDate(0, 0, int(60000/400)-1) // at the mean of the year
	if s.DueOn == nil || s.DueOn.Sub(flat).Abs() < 48*time.Hour {
		t.Errorf("due %s, as if every day were a mean one (%s)", s.due(), flat.Format(time.DateOnly))
	}
	w.sound(t, now)
}

// 3. Only one task is open for an assignment, however many dates have come.
func TestRule3MissedDatesAreOneTask(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	plan := w.plan(t, "PM-013", low(every("P30D")))
	w.tick(t, now.AddDate(0, 0, -90))
	for d := -90; d <= 0; d += 10 {
		w.tick(t, now.AddDate(0, 0, d))
	}
	s := w.stands(t, plan, w.left.ID)
	if n := w.count(t, `select count(*)::int as n from task where assignment_id = @id`, map[string]any{"id": s.ID}); n != 1 {
		t.Errorf("%d tasks were raised", n)
	}
	// since 1 July 2023, every 30 days: 23 more dates by 10 June 2025
	if n := w.count(t, `select missed as n from task where open_for = @id`, map[string]any{"id": s.ID}); n != 23 || s.due() != "2023-07-01" {
		t.Errorf("it counts %d missed dates since %s", n, s.due())
	}
	w.sound(t, now)
}

// 4. One completion answers every trigger.
func TestRule4OneCompletionAnswersEveryTrigger(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	w.runs(t, w.tunnel, 400, 60, 10, 0)
	plan := w.plan(t, "PM-010", low(every("P30D"), use("vehicles", 8000)))
	w.tick(t, now)
	w.do(t, w.of(t, plan, w.left.ID, now.Add(-time.Hour)))
	s := w.stands(t, plan, w.left.ID)
	if s.State != "not due" && s.State != "coming" || s.DueOn.Before(now.AddDate(0, 0, 14)) {
		t.Errorf("after it it stands at %+v", s)
	}
	w.sound(t, now)
}

// 5. Early work restarts what floats, and is extra to a fixed grid before its window opens.
func TestRule5EarlyWork(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	floats := w.plan(t, "PM-013", pm.Terms{Kinds: []string{"side_brush_low"}, Triggers: []pm.Trigger{every("P90D")}, Early: pm.Tolerance{Days: 14}, Late: pm.Tolerance{Days: 14}})
	fixed := w.plan(t, "PM-018", pm.Terms{Kinds: []string{"side_brush_low"}, Basis: "fixed", Early: pm.Tolerance{Days: 21}, Late: pm.Tolerance{Days: 14},
		Triggers: []pm.Trigger{{Kind: "every", Every: "P6M", From: "2024-10-31"}}})
	w.tick(t, now)
	w.do(t, w.of(t, floats, w.left.ID, day(60)), w.of(t, fixed, w.left.ID, day(40)))
	got := w.do(t, w.of(t, floats, w.left.ID, day(5)), w.of(t, fixed, w.left.ID, day(5)))
	if got[0].Outcome != "counted" || got[1].Outcome != "extra" {
		t.Errorf("early work was %s and %s", got[0].Outcome, got[1].Outcome)
	}
	if s := w.stands(t, floats, w.left.ID); s.due() != "2025-09-03" {
		t.Errorf("what floats is due %s", s.due())
	}
	if s := w.stands(t, fixed, w.left.ID); s.due() != "2025-10-31" {
		t.Errorf("what is fixed is due %s", s.due())
	}
	w.sound(t, now)
}

// 6. Late work keeps a fixed grid, and skips the next date where it is nearer than half an interval.
func TestRule6LateWorkOnAGrid(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	plan := w.plan(t, "PM-018", pm.Terms{Kinds: []string{"side_brush_low"}, Basis: "fixed", Late: pm.Tolerance{Days: 14}, Triggers: []pm.Trigger{{Kind: "every", Every: "P6M", From: "2024-07-31"}}})
	w.tick(t, now)
	w.do(t, w.of(t, plan, w.left.ID, time.Date(2025, 3, 15, 15, 0, 0, 0, time.UTC)), w.of(t, plan, w.right.ID, time.Date(2025, 6, 1, 15, 0, 0, 0, time.UTC)))
	// of 31 January: in March the next, 31 July, is more than half of 181 days away; on 1 June it is 60 days away
	if s := w.stands(t, plan, w.left.ID); s.due() != "2025-07-31" {
		t.Errorf("in March it keeps the grid: due %s", s.due())
	}
	if s := w.stands(t, plan, w.right.ID); s.due() != "2026-01-31" {
		t.Errorf("in June it skips to the one after: due %s", s.due())
	}
	w.sound(t, now)
}

// 7. A skip has a name, a person and a day, and resets nothing; safety work cannot be skipped.
func TestRule7ASkipIsNoCompletion(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	plan := w.plan(t, "PM-013", low(every("P30D")))
	safe := w.plan(t, "PM-017", pm.Terms{Kinds: []string{"side_brush_low"}, Triggers: []pm.Trigger{every("P90D")}, Criticality: "S"})
	w.tick(t, now)
	s, must := w.stands(t, plan, w.left.ID), w.stands(t, safe, w.left.ID)
	skip := func(id uuid.UUID, until calendar.Date, reason string) error {
		task, err := pm.OneTask(ctx, w.db, sys, id)
		if err != nil {
			t.Fatal(err)
		}
		a, err := pgtest.Write(w.db, sys, func(tx *gorm.DB) (uuid.UUID, error) {
			return pm.SkipTask(tx, sys, now, id, task.Version, until, reason)
		})
		if err == nil {
			err = pm.Follow(ctx, w.db, now, []uuid.UUID{a})
		}
		return err
	}
	until := calendar.On(2025, 6, 20)
	pgtest.Refused(t, "safety work", skip(*must.TaskID, until, "rain"), fault.Invalid, "until", "cannot be skipped")
	pgtest.Refused(t, "no reason", skip(*s.TaskID, until, " "), fault.Invalid, "reason", "blank")
	pgtest.Refused(t, "yesterday", skip(*s.TaskID, calendar.On(2025, 6, 9), "rain"), fault.Invalid, "until", "is a day from")
	if err := skip(*s.TaskID, until, "the line is being painted"); err != nil {
		t.Fatal(err)
	}
	after := w.stands(t, plan, w.left.ID)
	if after.due() != "2025-06-20" || after.TaskID != nil || after.MarkDone {
		t.Errorf("after it it stands at %+v", after)
	}
	if n := w.count(t, `select count(*)::int as n from task where id = @id and state = 'skipped' and ended_why = 'the line is being painted' and ended_by is not null and skipped_until = '2025-06-20'`, map[string]any{"id": s.TaskID}); n != 1 {
		t.Error("the skip is not on record")
	}
	if w.tick(t, now.AddDate(0, 0, 5)); w.stands(t, plan, w.left.ID).TaskID != nil {
		t.Error("it came back before its day")
	}
	w.tick(t, now.AddDate(0, 0, 11))
	if back := w.stands(t, plan, w.left.ID); back.TaskID == nil {
		t.Errorf("on its day it stands at %+v", back)
	}
	w.sound(t, now.AddDate(0, 0, 11))
	pgtest.Refused(t, "twice", skip(*s.TaskID, until, "again"), fault.Conflict, "task", "has ended already")
}

// 8. A condition fires from a recorded check at once, and only the work clears it.
func TestRule8AConditionFiresAtOnce(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	w.procedure(t, "PM-012", func(c *pm.Content) {
		c.Checks = []pm.Check{{Code: "CK-3101", Prompt: "Pressure drop before change", Kind: "number", Unit: "psi", WarnHigh: new(6.0), FailHigh: new(10.0)}}
	})
	look := w.plan(t, "PM-012", low(every("P30D")))
	filter := w.plan(t, "PM-031", low(every("P1Y"), pm.Trigger{Kind: "on_crossing", Check: "CK-3101"}))
	w.tick(t, now)
	w.do(t, w.of(t, filter, w.left.ID, day(30)))
	if s := w.stands(t, filter, w.left.ID); s.due() != "2026-05-11" {
		t.Fatalf("before the check it is due %s", s.due())
	}
	w.do(t, w.of(t, look, w.left.ID, day(3), found("CK-3101", "6")))
	w.tick(t, now)
	if s := w.stands(t, filter, w.left.ID); s.due() != "2026-05-11" {
		t.Errorf("6 psi is the limit and within it: due %s", s.due())
	}
	w.do(t, w.of(t, look, w.left.ID, day(2), found("CK-3101", "7")))
	w.tick(t, now)
	s := w.stands(t, filter, w.left.ID)
	if s.due() != "2025-06-08" || !strings.Contains(s.Says, "7 psi, at most 6 psi") {
		t.Errorf("after 7 psi it stands at %+v", s)
	}
	w.do(t, w.of(t, look, w.left.ID, day(1), found("CK-3101", "2")))
	w.tick(t, now)
	if s := w.stands(t, filter, w.left.ID); s.due() != "2025-06-08" {
		t.Errorf("a better reading cleared it: due %s", s.due())
	}
	w.sound(t, now)
	w.do(t, w.of(t, filter, w.left.ID, now))
	if s := w.stands(t, filter, w.left.ID); s.due() != "2026-06-10" {
		t.Errorf("after the work it is due %s", s.due())
	}
	w.sound(t, now)
}

// 9. One-off work is born from a completion, and ends with the unit if that is taken out first.
func TestRule9OneOffWorkEndsWithItsUnit(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	w.procedure(t, "PM-030", nil)
	once := w.plan(t, "PM-030", pm.Terms{Basis: "one_off", TiedTo: "gearmotor", Triggers: []pm.Trigger{every("P7D"), use("vehicles", 2000)}, Early: pm.Tolerance{Days: 3}})
	w.procedure(t, "J01", func(c *pm.Content) { c.FollowUps = []pm.FollowUp{{Plan: "PM-030"}} })
	swap := w.plan(t, "J01", low(every("P6Y")))
	unit := w.fit(t, w.left.ID, "gearmotor", day(10))
	w.tick(t, now)
	if s := w.stands(t, once, w.left.ID); s.State != "none" {
		t.Fatalf("before any swap there is %+v", s)
	}
	got := w.do(t, w.of(t, swap, w.left.ID, day(5)), w.of(t, swap, w.right.ID, day(5)))
	if len(got[0].Began) != 1 || len(got[1].Began) != 1 {
		t.Fatalf("the swap began %+v", got)
	}
	w.tick(t, now)
	left, right := w.stands(t, once, w.left.ID), w.stands(t, once, w.right.ID)
	if left.due() != "2025-06-12" || left.TaskID == nil || right.due() != "2025-06-12" {
		t.Errorf("they stand at %+v and %+v", left, right)
	}
	// done on the right, it is over there
	if c := w.do(t, w.of(t, once, w.right.ID, now)); c[0].Outcome != "ended" {
		t.Errorf("once done it is %s", c[0].Outcome)
	}
	if s := w.stands(t, once, w.right.ID); s.EndedWhy != "done" {
		t.Errorf("on the right it stands at %+v", s)
	}
	// on the left the motor goes first
	w.take(t, unit, now.Add(-time.Minute))
	w.tick(t, now)
	if s := w.stands(t, once, w.left.ID); s.EndedWhy != "replaced" {
		t.Errorf("on the left it stands at %+v", s)
	}
	if n := w.count(t, `select count(*)::int as n from task where id = @id and state = 'gone'`, map[string]any{"id": left.TaskID}); n != 1 {
		t.Error("its task is still open")
	}
	w.sound(t, now)
}

// 10. An interval is overridden at one position, with a reason and an end; a check may do it.
func TestRule10AnOverrideByACheck(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	w.procedure(t, "PM-017", func(c *pm.Content) {
		c.Checks = []pm.Check{{Code: "CK-1702", Prompt: "Screws under 80 percent", Kind: "number", Unit: "count", WarnHigh: new(0.0), FailHigh: new(1.0), OnFail: pm.Action{Says: "shorten interval", Interval: new(50)}}}
	})
	plan := w.plan(t, "PM-017", pm.Terms{Kinds: []string{"side_brush_low"}, Triggers: []pm.Trigger{every("P90D")}, Criticality: "S"})
	w.tick(t, now)
	w.do(t, w.of(t, plan, w.left.ID, day(10), found("CK-1702", "2")), w.of(t, plan, w.right.ID, day(10), found("CK-1702", "1")))
	w.tick(t, now)
	if s := w.stands(t, plan, w.left.ID); s.due() != "2025-07-15" { // 45 days after 31 May
		t.Errorf("with two loose screws it is due %s", s.due())
	}
	if s := w.stands(t, plan, w.right.ID); s.due() != "2025-08-29" {
		t.Errorf("with one it is due %s", s.due())
	}
	w.sound(t, now)
	// the interval after it is the plan's again
	w.do(t, w.of(t, plan, w.left.ID, now, found("CK-1702", "0")))
	w.tick(t, now)
	if s := w.stands(t, plan, w.left.ID); s.due() != "2025-09-08" {
		t.Errorf("after the next time it is due %s", s.due())
	}
	// by hand: never longer for safety work
	s := w.stands(t, plan, w.right.ID)
	by := func(period string) error {
		_, err := pgtest.Write(w.db, sys, func(tx *gorm.DB) (uuid.UUID, error) {
			return pm.MakeOverride(tx, sys, now, s.ID, pm.NewOverride{Triggers: []pm.Trigger{every(period)}, Until: calendar.On(2026, 1, 1), Reason: "salt"})
		})
		return err
	}
	pgtest.Refused(t, "longer", by("P120D"), fault.Invalid, "triggers[0].every", "only shortened")
	if err := by("P30D"); err != nil {
		t.Fatal(err)
	}
	w.tick(t, now)
	if s := w.stands(t, plan, w.right.ID); s.due() != "2025-06-30" || s.State == "none" {
		t.Errorf("with an override by hand it is due %s", s.due())
	}
	all, err := pm.Overrides(ctx, w.db, sys, s.ID)
	if err != nil || len(all) != 1 {
		t.Fatalf("the overrides are %+v, %v", all, err)
	}
	if _, err := pgtest.Write(w.db, sys, func(tx *gorm.DB) (uuid.UUID, error) { return pm.WithdrawOverride(tx, sys, now, all[0].ID) }); err != nil {
		t.Fatal(err)
	}
	w.tick(t, now)
	if s := w.stands(t, plan, w.right.ID); s.due() != "2025-08-29" {
		t.Errorf("with it withdrawn it is due %s", s.due())
	}
	w.sound(t, now)
}

// 11. A new position counts from its commissioning; safety work is due at once.
func TestRule11ANewPosition(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	plan := w.plan(t, "PM-013", low(every("P90D")))
	safe := w.plan(t, "PM-017", pm.Terms{Kinds: []string{"side_brush_low"}, Triggers: []pm.Trigger{every("P90D")}, Criticality: "S"})
	w.tick(t, now)
	from := day(4)
	new := pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (assets.Position, error) {
		return assets.AddPosition(tx, sys, now, assets.NewPosition{SiteID: w.site.ID, From: &from, PositionEdit: assets.PositionEdit{LineID: &w.line.ID, Code: "UMB-1/SBL-L2", Name: "Second pair", Kind: "side_brush_low", LineSide: "left"}})
	})
	w.tick(t, now)
	if s := w.stands(t, plan, new.ID); s.due() != "2025-09-04" || s.State != "not due" {
		t.Errorf("it stands at %+v", s)
	}
	if s := w.stands(t, safe, new.ID); s.due() != "2025-06-06" || s.State != "late" || s.TaskID == nil {
		t.Errorf("its safety work stands at %+v", s)
	}
	w.sound(t, now)
}

// 12. A parked position pauses use, not the calendar; what ran before it was parked counts after.
func TestRule12AParkedPosition(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	w.runs(t, w.tunnel, 400, 100, 10, 0)
	plan := w.plan(t, "PM-028", low(use("vehicles", 20000), every("P540D")))
	w.tick(t, now)
	w.do(t, w.of(t, plan, w.left.ID, day(60)), w.of(t, plan, w.right.ID, day(60)))
	state := func(s string, at time.Time) {
		pgtest.Done(t, w.db, sys, func(tx *gorm.DB) ([]assets.State, error) {
			return assets.ChangeState(tx, sys, now, w.left.ID, s, &at, "arm bent")
		})
		w.tick(t, now)
	}
	running := w.stands(t, plan, w.left.ID)
	state("parked", day(40)) // after 8,000 vehicles
	parked := w.stands(t, plan, w.left.ID)
	if parked.due() != "2026-10-03" { // 540 days after 11 April 2025: only the calendar goes on
		t.Errorf("parked it is due %s, running it was %s", parked.due(), running.due())
	}
	w.sound(t, now)
	state("in_service", day(10))
	back := w.stands(t, plan, w.left.ID)
	// 8,000 before, 4,000 since: 8,000 of 20,000 are left, some 20 days
	if back.DueOn == nil || back.DueOn.Before(now.AddDate(0, 0, 15)) || back.DueOn.After(now.AddDate(0, 0, 25)) {
		t.Errorf("back in service it is due %s", back.due())
	}
	w.sound(t, now)
	right := w.stands(t, plan, w.right.ID)
	if right.State != "late" && right.State != "in window" {
		t.Errorf("the one that ran on stands at %+v", right)
	}
}

// 13. Corrected readings move what is due; what is closed keeps the values it was judged by.
func TestRule13CorrectedReadings(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	w.runs(t, w.tunnel, 400, 100, 10, 0)
	plan := w.plan(t, "PM-028", low(use("vehicles", 30000), every("P540D")))
	w.tick(t, now)
	c := w.do(t, w.of(t, plan, w.left.ID, day(55)))
	w.tick(t, now)
	before := w.stands(t, plan, w.left.ID)
	h, err := pm.Histories(ctx, w.db, sys, pm.HistoryFilter{AssignmentID: &before.ID}, pm.Page{Limit: 10})
	if err != nil || len(h) != 1 || h[0].ID != c[0].ID {
		t.Fatalf("its history is %+v, %v", h, err)
	}
	// a reading between those of day 60 and 50 was lower than the straight line
	w.read(t, seen(w.tunnel, day(55), "16500"))
	w.tick(t, now)
	after := w.stands(t, plan, w.left.ID)
	if after.DueOn == nil || !after.DueOn.Before(*before.DueOn) { // it has run 1,500 more since
		t.Errorf("after the correction it is due %s, before %s", after.due(), before.due())
	}
	w.sound(t, now)
	again, err := pm.Histories(ctx, w.db, sys, pm.HistoryFilter{AssignmentID: &before.ID}, pm.Page{Limit: 10})
	if err != nil || again[0].Says != h[0].Says {
		t.Errorf("what was closed says %q now, not %q", again[0].Says, h[0].Says)
	}
}

// 14. Work at 01:30 on Sunday belongs to Saturday's operating day.
func TestRule14TheOperatingDay(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	plan := w.plan(t, "PM-001", pm.Terms{AppliesTo: "line", Triggers: []pm.Trigger{{Kind: "each_operating_day"}}})
	sunday := time.Date(2025, 6, 8, 6, 30, 0, 0, time.UTC) // 01:30 in Chicago
	w.tick(t, sunday)
	if s := w.stands(t, plan, w.line.ID); s.due() != "2025-06-07" || s.TaskID == nil {
		t.Fatalf("on Sunday at 01:30 it stands at %+v", s)
	}
	c, err := complete(w.db, sunday, w.of(t, plan, w.line.ID, sunday))
	if err != nil || c[0].Outcome != "counted" {
		t.Fatalf("the work was %+v, %v", c, err)
	}
	if s := w.stands(t, plan, w.line.ID); s.due() != "2025-06-08" || s.TaskID != nil {
		t.Errorf("after it it stands at %+v", s)
	}
	if n := w.count(t, `select count(*)::int as n from completion where done_on = '2025-06-07'`, nil); n != 1 {
		t.Error("it was not Saturday's")
	}
	w.sound(t, sunday)
	// at 03:00 the day turns; nobody does Sunday's, and on Monday that is missed
	w.tick(t, sunday.Add(2*time.Hour))
	sundays := w.stands(t, plan, w.line.ID)
	if sundays.TaskID == nil {
		t.Fatalf("on Sunday at 03:30 it stands at %+v", sundays)
	}
	w.tick(t, sunday.Add(26*time.Hour))
	if n := w.count(t, `select count(*)::int as n from task where id = @id and state = 'missed'`, map[string]any{"id": sundays.TaskID}); n != 1 {
		t.Error("Sunday's did not end as missed")
	}
	if s := w.stands(t, plan, w.line.ID); s.due() != "2025-06-09" || s.TaskID == nil || *s.TaskID == *sundays.TaskID {
		t.Errorf("on Monday it stands at %+v", s)
	}
	w.sound(t, sunday.Add(26*time.Hour))
}
