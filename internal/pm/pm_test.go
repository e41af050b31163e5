package pm_test

import (
	"testing"

	"spindlebook/internal/pm"
)

func TestAPlanAppearsFallsDueAndRaisesOneTask(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	w.runs(t, w.tunnel, 400, 60, 10, 0)
	plan := w.plan(t, "PM-010", pm.Terms{Kinds: []string{"side_brush_low"}, Triggers: []pm.Trigger{every("P30D"), use("vehicles", 8000)}, Early: pm.Tolerance{Days: 7}, Late: pm.Tolerance{Days: 7}})
	s := w.tick(t, now)
	if s.Appeared != 2 || s.Assignments != 2 || s.Raised != 2 {
		t.Errorf("the tick did %+v", s)
	}
	left := w.stands(t, plan, w.left.ID)
	if left.State != "late" || left.due() != "2023-06-17" {
		t.Errorf("the left brush stands at %+v", left)
	}
	if got := w.stands(t, plan, w.top.ID); got.State != "none" {
		t.Errorf("the top brush has %+v", got)
	}
	if again := w.tick(t, now); again.Raised != 0 || again.Assignments != 0 || again.Appeared != 0 {
		t.Errorf("a second tick did %+v", again)
	}
	t.Log(left.Says)
}

func TestACompletionRestartsWhatItDid(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	w.runs(t, w.tunnel, 400, 60, 10, 0)
	plan := w.plan(t, "PM-010", pm.Terms{Kinds: []string{"side_brush_low"}, Triggers: []pm.Trigger{every("P30D"), use("vehicles", 8000)}, Early: pm.Tolerance{Days: 7}, Late: pm.Tolerance{Days: 7}})
	w.tick(t, now)
	before := w.stands(t, plan, w.left.ID)
	got := w.do(t, w.of(t, plan, w.left.ID, day(5)))
	if got[0].Outcome != "counted" || got[0].TaskID == nil || *got[0].TaskID != *before.TaskID {
		t.Errorf("the work was %+v", got[0])
	}
	after := w.stands(t, plan, w.left.ID)
	// 2,000 of 8,000 are run; at the rate of about 400 a day the rest takes some 15 days more
	if after.State == "late" || after.TaskID != nil || after.DueOn == nil || after.DueOn.Before(now.AddDate(0, 0, 10)) || after.DueOn.After(now.AddDate(0, 0, 20)) {
		t.Errorf("after it the brush stands at %+v", after)
	}
	if n := w.count(t, `select count(*)::int as n from task where state = 'done' and id = @id`, map[string]any{"id": before.TaskID}); n != 1 {
		t.Error("the task is not done")
	}
	if s := w.tick(t, now); s.Raised != 0 {
		t.Errorf("a tick after it did %+v", s)
	}
	older := w.do(t, w.of(t, plan, w.left.ID, day(40)))
	if older[0].Outcome != "older" {
		t.Errorf("work before it was %+v", older[0])
	}
	if again := w.stands(t, plan, w.left.ID); again.due() != after.due() || !again.MarkAt.Equal(*after.MarkAt) {
		t.Errorf("an older completion moved it to %+v", again)
	}
}
