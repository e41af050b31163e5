package pm_test

import (
	"slices"
	"testing"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/fault"
	"spindlebook/internal/pgtest"
	"spindlebook/internal/pm"
)

func check(code string) pm.Check {
	return pm.Check{Code: code, Prompt: "Look at " + code, Kind: "number", Unit: "mm", FailLow: new(75.0), WarnLow: new(90.0)}
}

// programme is the part of the trade's coverage that its rules are told with: the
// annual covers the monthly, which covers the weekly look at a line.
func (w *wash) programme(t testing.TB) (weekly, monthly, annual, foam uuid.UUID) {
	t.Helper()
	w.procedure(t, "PM-007", func(c *pm.Content) {
		c.Skills, c.Checks = []string{"OP"}, []pm.Check{{Code: "CK-0702", Prompt: "Largest gap between sections", Kind: "number", Unit: "mm", WarnHigh: new(2.0), FailHigh: new(3.0)}}
	})
	w.procedure(t, "PM-010", func(c *pm.Content) {
		gap := pm.Check{Code: "CK-1003", Prompt: "Largest gap between sections", Kind: "number", Unit: "mm", WarnHigh: new(2.0), FailHigh: new(3.0), Answers: []string{"CK-0702"}}
		c.Checks, c.Covers = []pm.Check{check("CK-1001"), gap}, []string{"PM-007"}
	})
	w.procedure(t, "PM-042", func(c *pm.Content) { c.Covers = []string{"PM-010"} })
	w.procedure(t, "J02", func(c *pm.Content) { c.Covers = []string{"PM-007", "PM-010"} })
	weekly = w.plan(t, "PM-007", pm.Terms{AppliesTo: "line", Triggers: []pm.Trigger{every("P7D")}})
	monthly = w.plan(t, "PM-010", low(every("P30D")))
	annual = w.plan(t, "PM-042", pm.Terms{AppliesTo: "line", Triggers: []pm.Trigger{every("P1Y")}})
	foam = w.plan(t, "J02", low(every("P540D")))
	w.tick(t, now)
	return weekly, monthly, annual, foam
}

func codes(c pm.Completed) []string {
	var out []string
	for _, k := range c.Covered {
		out = append(out, k.Plan)
	}
	slices.Sort(out)
	return out
}

func TestALineIsCoveredOnlyWhenEveryPositionWasDone(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	weekly, monthly, _, _ := w.programme(t)
	open := w.stands(t, weekly, w.line.ID)
	first := w.do(t, w.of(t, monthly, w.left.ID, day(0.25), found("CK-1001", "95"), found("CK-1003", "1")))
	if len(first[0].Covered) != 0 || w.stands(t, weekly, w.line.ID).MarkDone {
		t.Errorf("one of two brushes covered %+v", first[0].Covered)
	}
	second := w.do(t, w.of(t, monthly, w.right.ID, day(0.2), found("CK-1001", "95"), found("CK-1003", "1")))
	if !slices.Equal(codes(second[0]), []string{"PM-007"}) {
		t.Errorf("both brushes covered %+v", second[0].Covered)
	}
	s := w.stands(t, weekly, w.line.ID)
	if !s.MarkDone || s.TaskID != nil || s.due() != "2025-06-17" {
		t.Errorf("the line's weekly look stands at %+v", s)
	}
	if n := w.count(t, `select count(*)::int as n from task where id = @id and state = 'covered'`, map[string]any{"id": open.TaskID}); n != 1 {
		t.Error("its task is not covered")
	}
	// the evidence names the work
	h, err := pm.Histories(ctx, w.db, sys, pm.HistoryFilter{AssignmentID: &s.ID}, pm.Page{Limit: 5})
	if err != nil || len(h) != 1 || h[0].CoveredBy == nil || *h[0].CoveredBy != second[0].ID || h[0].CoveredTitle != "Plan PM-010" {
		t.Errorf("the evidence is %+v, %v", h, err)
	}
	w.sound(t, now)
}

// Several in one act count together; on another day they do not.
func TestEveryPositionInOneActOrOnOneDay(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	_, monthly, _, _ := w.programme(t)
	w.do(t, w.of(t, monthly, w.left.ID, day(3), found("CK-1001", "95"), found("CK-1003", "1")))
	apart := w.do(t, w.of(t, monthly, w.right.ID, day(2), found("CK-1001", "95"), found("CK-1003", "1")))
	if len(apart[0].Covered) != 0 {
		t.Errorf("on two days they covered %+v", apart[0].Covered)
	}
	both := w.do(t, w.of(t, monthly, w.left.ID, day(0.2), found("CK-1001", "95"), found("CK-1003", "1")), w.of(t, monthly, w.right.ID, day(0.2), found("CK-1001", "95"), found("CK-1003", "1")))
	if len(both[0].Covered) != 0 || !slices.Equal(codes(both[1]), []string{"PM-007"}) {
		t.Errorf("in one act they covered %+v and %+v", both[0].Covered, both[1].Covered)
	}
	w.sound(t, now)
}

// A parked brush need not be looked at.
func TestAParkedPositionIsNotWaitedFor(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	_, monthly, _, _ := w.programme(t)
	w.park(t, w.right.ID, day(1))
	got := w.do(t, w.of(t, monthly, w.left.ID, day(0.2), found("CK-1001", "95"), found("CK-1003", "1")))
	if !slices.Equal(codes(got[0]), []string{"PM-007"}) {
		t.Errorf("with the other brush parked it covered %+v", got[0].Covered)
	}
}

// The annual credits the monthly per position that was ticked and answered, and through it the weekly.
func TestCoverageIsTransitiveAndPerPosition(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	weekly, monthly, annual, _ := w.programme(t)
	at := func(position uuid.UUID) []pm.Answer {
		return []pm.Answer{{Check: "CK-1001", PositionID: &position, Found: "95"}, {Check: "CK-1003", PositionID: &position, Found: "1"}}
	}
	d := w.of(t, annual, w.line.ID, day(0.2), at(w.left.ID)...)
	d.Positions = []uuid.UUID{w.left.ID}
	got := w.do(t, d)
	if !slices.Equal(codes(got[0]), []string{"PM-010"}) || !w.stands(t, monthly, w.left.ID).MarkDone || w.stands(t, monthly, w.right.ID).MarkDone || w.stands(t, weekly, w.line.ID).MarkDone {
		t.Errorf("with one position ticked it covered %+v", got[0].Covered)
	}
	// by the title alone nothing is credited
	bare := w.do(t, w.of(t, annual, w.line.ID, day(0.1)))
	if len(bare[0].Covered) != 0 {
		t.Errorf("with none ticked it covered %+v", bare[0].Covered)
	}
	// ticked without answers is not answered
	d = w.of(t, annual, w.line.ID, day(0.05), at(w.left.ID)...)
	d.Positions = []uuid.UUID{w.left.ID, w.right.ID}
	if got := w.do(t, d); !slices.Equal(codes(got[0]), []string{"PM-010"}) {
		t.Errorf("with one of two answered it covered %+v", got[0].Covered)
	}
	d = w.of(t, annual, w.line.ID, day(0.02), append(at(w.left.ID), at(w.right.ID)...)...)
	d.Positions = []uuid.UUID{w.left.ID, w.right.ID}
	if got := w.do(t, d); !slices.Equal(codes(got[0]), []string{"PM-007", "PM-010", "PM-010"}) {
		t.Errorf("with both answered it covered %+v", got[0].Covered)
	}
	w.sound(t, now)
}

// A foam set covers the monthly look only when the rest of its checks was answered too.
func TestOnlyWithEveryCheckThatIsNeeded(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	_, monthly, _, foam := w.programme(t)
	if got := w.do(t, w.of(t, foam, w.left.ID, day(2))); len(got[0].Covered) != 0 {
		t.Errorf("without answers it covered %+v", got[0].Covered)
	}
	if got := w.do(t, w.of(t, foam, w.left.ID, day(1), found("CK-1001", "102"))); len(got[0].Covered) != 0 {
		t.Errorf("with one of two answers it covered %+v", got[0].Covered)
	}
	not := pm.Answer{Check: "CK-1003", NotPossible: "the gap gauge is in the other van"}
	if got := w.do(t, w.of(t, foam, w.left.ID, day(0.2), found("CK-1001", "102"), not)); !slices.Contains(codes(got[0]), "PM-010") {
		t.Errorf("with all answers it covered %+v", got[0].Covered)
	}
	if s := w.stands(t, monthly, w.left.ID); !s.MarkDone || s.due() != "2025-07-10" {
		t.Errorf("the monthly look stands at %+v", s)
	}
	w.sound(t, now)
}

// Coverage never runs backwards: monthly looks make no annual.
func TestCoverageNeverRunsBackwards(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	_, monthly, annual, foam := w.programme(t)
	for d := 300.0; d > 0; d -= 30 {
		w.do(t, w.of(t, monthly, w.left.ID, day(d), found("CK-1001", "95"), found("CK-1003", "1")), w.of(t, monthly, w.right.ID, day(d), found("CK-1001", "95"), found("CK-1003", "1")))
	}
	if w.stands(t, annual, w.line.ID).MarkDone || w.stands(t, foam, w.left.ID).MarkDone {
		t.Error("smaller work counts as larger")
	}
	w.sound(t, now)
}

func TestCoversInARingAreRefused(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	w.programme(t)
	_, err := pgtest.Write(w.db, sys, func(tx *gorm.DB) (int, error) {
		found, err := pm.Procedures(ctx, w.db, sys, pm.Page{Limit: 50})
		if err != nil {
			return 0, err
		}
		i := slices.IndexFunc(found, func(p pm.Procedure) bool { return p.Code == "PM-007" })
		v, err := pm.WriteDrafts(tx, sys, now, []pm.Write{{Procedure: found[i].ID, Content: pm.Content{People: 1, Skills: []string{"OP"}, Minutes: pm.Minutes{Low: 1, Typical: 2, High: 3}, LineState: "running", Covers: []string{"PM-042"}}}})
		if err != nil {
			return 0, err
		}
		return 0, pm.Publish(tx, sys, now, v)
	})
	pgtest.Refused(t, "a ring", err, fault.Invalid, "covers", "comes round")
}

// The larger work put off, the smaller is still there: nothing was ever taken away for it.
func TestTheSmallerStaysUntilTheLargerIsDone(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	_, monthly, annual, _ := w.programme(t)
	if w.stands(t, monthly, w.left.ID).TaskID == nil || w.stands(t, annual, w.line.ID).TaskID == nil {
		t.Error("one of them has no task")
	}
}
