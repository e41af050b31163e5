package pm_test

import (
	"slices"
	"strings"
	"testing"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/assets/meters"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgtest"
	"spindlebook/internal/pm"
)

func TestLimitsOfChecks(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	w.procedure(t, "PM-010", func(c *pm.Content) {
		c.Checks = []pm.Check{
			{Code: "CK-1001", Prompt: "Media overlap on gauge", Kind: "number", Unit: "mm", WarnLow: new(90.0), FailLow: new(75.0), OnWarn: pm.Action{Says: "plan a foam set", Days: new(60)}, OnFail: pm.Action{Says: "change the foam set", Days: new(0)}},
			{Code: "CK-1202", Prompt: "Arm pressure against set point", Kind: "number", Unit: "psi", WarnLow: new(-2.0), WarnHigh: new(2.0), FailLow: new(-5.0), FailHigh: new(5.0), Optional: true},
			{Code: "CK-1007", Prompt: "Oil at output seal", Kind: "choice", Options: []string{"dry", "film", "drip"}, Optional: true},
			{Code: "CK-1005", Prompt: "Hub witness marks in line", Kind: "pass_fail", Options: []string{"yes", "no"}, Optional: true},
			{Code: "CK-4401", Prompt: "Earliest expiry on shelf", Kind: "date", Optional: true},
			{Code: "CK-0901", Prompt: "Wash total reading", Kind: "meter", Unit: "vehicles", Optional: true},
			{Code: "CK-1010", Prompt: "Photo of the brush", Kind: "photo", Optional: true},
			{Code: "CK-2199", Prompt: "Oil of the hydraulic motor", Kind: "choice", Options: []string{"clear", "milky"}, Condition: "drive = hydraulic"},
		}
	})
	plan := w.plan(t, "PM-010", low(every("P30D")))
	w.tick(t, now)
	try := func(a ...pm.Answer) ([]pm.GivenAnswer, error) {
		c, err := w.tryDo(w.of(t, plan, w.left.ID, now, a...))
		if err != nil {
			return nil, err
		}
		got, err := pm.Answers(ctx, w.db, sys, []uuid.UUID{c[0].ID})
		if err != nil {
			t.Fatal(err)
		}
		return got, nil
	}
	verdict := func(a pm.Answer) string {
		t.Helper()
		all := []pm.Answer{a, found("CK-2199", "clear")}
		if a.Check != "CK-1001" {
			all = append(all, found("CK-1001", "95"))
		}
		got, err := try(all...)
		if err != nil {
			return err.Error()
		}
		i := slices.IndexFunc(got, func(g pm.GivenAnswer) bool { return g.Code == a.Check })
		return got[i].Verdict
	}
	for _, c := range []struct {
		answer pm.Answer
		want   string
	}{
		{found("CK-1001", "75"), "warn"}, // "below 75" passes at 75
		{found("CK-1001", "74.9"), "fail"},
		{found("CK-1001", "90"), "good"},
		{found("CK-1001", "89,9"), "warn"},
		{pm.Answer{Check: "CK-1001", Found: "3.6", Unit: "in"}, "good"}, // 91.44 mm
		{pm.Answer{Check: "CK-1001", Found: "60", Left: "100"}, "fail"}, // found at 60 and left at 100 is a finding
		{pm.Answer{Check: "CK-1001", Found: "4", Sure: true}, "fail"},
		{pm.Answer{Check: "CK-1001", NotPossible: "no light"}, "not judged"},
		{found("CK-1202", "-2"), "good"}, {found("CK-1202", "2.1"), "warn"}, {found("CK-1202", "-5.1"), "fail"},
		{found("CK-1007", "dry"), "good"}, {found("CK-1007", "film"), "warn"}, {found("CK-1007", "drip"), "fail"},
		{found("CK-1005", "yes"), "good"}, {found("CK-1005", "no"), "fail"},
		{found("CK-4401", "2026-03-01"), "not judged"}, {found("CK-0901", "123456"), "not judged"},
	} {
		if got := verdict(c.answer); got != c.want {
			t.Errorf("%+v is %s, not %s", c.answer, got, c.want)
		}
	}
	for _, c := range []struct {
		answer      pm.Answer
		field, says string
	}{
		{found("CK-1001", "four"), "answers[0].found", "is a number in mm"},
		{found("CK-1001", "3.9"), "answers[0].found", "looks as if it was read in in"}, // a question, not a block
		{pm.Answer{Check: "CK-1001", Found: "3", Unit: "psi"}, "answers[0].found", "is no unit for this"},
		{found("CK-1007", "wet"), "answers[0].found", "is one of dry, film, drip"},
		{pm.Answer{Check: "CK-1007", Found: "film", Left: "wet"}, "answers[0].left", "is one of"},
		{found("CK-4401", "soon"), "answers[0].found", ""},
		{found("CK-0901", "-4"), "answers[0].found", "what the counter shows"},
		{found("CK-9999", "1"), "answers[0].check", "is no check of this work"},
		{found("CK-1202", ""), "answers[0].found", "is needed"},
		{pm.Answer{Check: "CK-1202", Found: "1", NotPossible: "no gauge"}, "answers[0].not_possible", "instead of a value"},
	} {
		all := []pm.Answer{c.answer, found("CK-2199", "clear")}
		if c.answer.Check != "CK-1001" {
			all = append(all, found("CK-1001", "95"))
		}
		_, err := try(all...)
		pgtest.Refused(t, c.answer.Check+" "+c.answer.Found, err, fault.Invalid, c.field, c.says)
	}
	_, err := try(found("CK-1001", "95"), found("CK-1001", "94"), found("CK-2199", "clear"))
	pgtest.Refused(t, "twice", err, fault.Invalid, "answers[1].check", "twice")
	// one that the equipment decides is asked where nobody knows, and not where it is electric
	_, err = try(found("CK-1001", "95"))
	pgtest.Refused(t, "a check that may apply", err, fault.Invalid, "answers", "is missing: Oil of the hydraulic motor")
	w.fact(t, w.left.ID, "drive", "electric")
	if _, err := try(found("CK-1001", "95")); err != nil {
		t.Errorf("a check that does not apply: %v", err)
	}
	_, err = try()
	pgtest.Refused(t, "none", err, fault.Invalid, "answers", "is missing: Media overlap on gauge")
}

// A limit belongs to a version: changing it makes no old failure a pass.
func TestALimitBelongsToItsVersion(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	id := w.procedure(t, "PM-010", func(c *pm.Content) { c.Checks = []pm.Check{check("CK-1001")} })
	plan := w.plan(t, "PM-010", low(every("P30D")))
	w.tick(t, now)
	old := w.do(t, w.of(t, plan, w.left.ID, day(1), found("CK-1001", "72")))
	pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (int, error) {
		c := check("CK-1001")
		c.FailLow = new(70.0)
		v, err := pm.WriteDrafts(tx, sys, now, []pm.Write{{Procedure: id, Content: pm.Content{People: 1, Skills: []string{"T1"}, Minutes: pm.Minutes{Low: 1, Typical: 2, High: 3}, LineState: "running", Checks: []pm.Check{c}}}})
		if err != nil {
			return 0, err
		}
		return 0, pm.Publish(tx, sys, now, v)
	})
	new := w.do(t, w.of(t, plan, w.left.ID, now, found("CK-1001", "72")))
	got, err := pm.Answers(ctx, w.db, sys, []uuid.UUID{old[0].ID, new[0].ID})
	if err != nil || len(got) != 2 {
		t.Fatal(got, err)
	}
	for _, g := range got {
		if want := map[uuid.UUID]string{old[0].ID: "fail", new[0].ID: "warn"}[g.CompletionID]; g.Verdict != want {
			t.Errorf("72 mm is %s, not %s", g.Verdict, want)
		}
	}
	// nothing of a published version can be written, by anybody
	for _, q := range []string{`update procedure_version set people = 3`, `delete from procedure_check`, `insert into procedure_cover (version_id, covers_id) select v.id, v.procedure_id from procedure_version as v limit 1`} {
		if err := w.db.InTx(ctx, sys.ID, func(tx *gorm.DB) error { return tx.Exec(q).Error }); err == nil || !strings.Contains(err.Error(), "never changes") {
			t.Errorf("%s: %v", q, err)
		}
	}
}

// One failing check raises one task; the next time it is looked for first.
func TestAFailingCheckRaisesOneTask(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	w.procedure(t, "J02", nil)
	w.procedure(t, "PM-010", func(c *pm.Content) {
		k := check("CK-1001")
		k.OnWarn, k.OnFail = pm.Action{Says: "plan J02 in 60 days", Raises: "J02", Days: new(60)}, pm.Action{Says: "J02", Raises: "J02", Days: new(14)}
		c.Checks = []pm.Check{k}
	})
	plan := w.plan(t, "PM-010", low(every("P30D")))
	w.tick(t, now)
	a := w.do(t, w.of(t, plan, w.left.ID, day(3), found("CK-1001", "80")))
	b := w.do(t, w.of(t, plan, w.left.ID, day(2), found("CK-1001", "74")))
	c := w.do(t, w.of(t, plan, w.right.ID, day(2), found("CK-1001", "74")))
	if len(a[0].Raised) != 1 || len(b[0].Raised) != 0 || len(c[0].Raised) != 1 || !strings.Contains(a[0].Findings[0], "80 mm, at least 90 mm") {
		t.Fatalf("they raised %+v, %+v, %+v", a[0], b[0], c[0])
	}
	task, err := pm.OneTask(ctx, w.db, sys, a[0].Raised[0])
	if err != nil || task.Origin != "check" || task.DueOn.Format("2006-01-02") != "2025-08-06" || task.PositionCode != "UMB-1/SBL-L" || task.ProcedureID == nil || task.Criticality != "B" {
		t.Errorf("it raised %+v, %v", task, err)
	}
	if urgent, err := pm.OneTask(ctx, w.db, sys, c[0].Raised[0]); err != nil || urgent.DueOn.Format("2006-01-02") != "2025-06-22" {
		t.Errorf("a failure raised %+v, %v", urgent, err)
	}
	// once that is done the next failure raises another
	w.do(t, pm.Done{TaskID: &task.ID, At: day(1)})
	if d := w.do(t, w.of(t, plan, w.left.ID, now, found("CK-1001", "70"))); len(d[0].Raised) != 1 {
		t.Errorf("after it was done a failure raised %+v", d[0])
	}
	_, err = w.tryDo(pm.Done{TaskID: &task.ID, At: now})
	pgtest.Refused(t, "a task that is done", err, fault.Conflict, "task_id", "has ended already")
}

// Two people stay two, and a mixed job is not done while only a half is.
func TestWhoMustBeThere(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	w.procedure(t, "PM-018", func(c *pm.Content) { c.People, c.Skills = 2, []string{"EL", "T1"} })
	plan := w.plan(t, "PM-018", low(every("P180D")))
	w.tick(t, now)
	try := func(people ...pm.Person) error {
		d := w.of(t, plan, w.left.ID, now)
		d.People = people
		_, err := w.tryDo(d)
		return err
	}
	pgtest.Refused(t, "nobody", try(), fault.Invalid, "people", "takes 2 people")
	pgtest.Refused(t, "one with both skills", try(pm.Person{Name: "Ida Falk", Skills: []string{"EL", "T1"}}), fault.Invalid, "people", "takes 2 people")
	pgtest.Refused(t, "two mechanics", try(pm.Person{Name: "Ida Falk", Skills: []string{"T1"}}, pm.Person{Name: "Ruben Osei", Skills: []string{"T2"}}), fault.Invalid, "people", "0 of 1 with EL")
	pgtest.Refused(t, "no name", try(pm.Person{Name: "Ida Falk", Skills: []string{"T1"}}, pm.Person{Name: " ", Skills: []string{"EL"}}), fault.Invalid, "people[1].name", "blank")
	if err := try(pm.Person{Name: "Ida Falk", Skills: []string{"T2"}}, pm.Person{Name: "Ruben Osei", Skills: []string{"EL"}}); err != nil {
		t.Errorf("a senior technician and an electrician: %v", err)
	}
	h, err := pm.Histories(ctx, w.db, sys, pm.HistoryFilter{PositionID: &w.left.ID}, pm.Page{Limit: 5})
	if err != nil || len(h) != 1 || !slices.Equal(h[0].People, []string{"Ida Falk", "Ruben Osei"}) {
		t.Errorf("the record is %+v, %v", h, err)
	}
}

// The same request again is the same answer, and nothing twice.
func TestRecordingIsRetrySafe(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	w.runs(t, w.tunnel, 400, 60, 10, 1)
	w.procedure(t, "PM-010", func(c *pm.Content) { c.Skills = []string{"OP"} })
	plan := w.plan(t, "PM-010", low(every("P30D"), use("vehicles", 8000)))
	w.tick(t, now)
	work := pm.Work{Done: []pm.Done{w.of(t, plan, w.left.ID, day(0.2))}, Readings: []meters.NewReading{seen(w.tunnel, day(0.2), "24800")}}
	work.Done[0].People = nil // whoever records it
	r := pgdb.Request{Key: "phone-1", Act: "record", Body: "one"}
	first, err := pm.Record(ctx, w.db, sys, now, r, work)
	if err != nil || first.Readings[0].Outcome != meters.Took {
		t.Fatal(first, err)
	}
	again, err := pm.Record(ctx, w.db, sys, now, r, work)
	if err != nil || again.Done[0].ID != first.Done[0].ID {
		t.Errorf("again it gave %+v, %v", again, err)
	}
	if n := w.count(t, `select count(*)::int as n from completion`, nil); n != 1 {
		t.Errorf("%d are on record", n)
	}
	w.tick(t, now)
	w.sound(t, now)
}

// A transaction that met with another one and is tried again records all that the first
// try would have: what counts, what was covered, and what a failed check raises.
func TestRecordingTriedAgainRecordsTheSame(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	w.procedure(t, "PM-020", nil)
	w.procedure(t, "PM-010", func(c *pm.Content) {
		c.Checks = []pm.Check{{Code: "CK-1001", Prompt: "Media overlap on gauge", Kind: "number", Unit: "mm", FailLow: new(75.0), OnFail: pm.Action{Says: "change the foam set", Days: new(0)}}}
		c.Covers = []string{"PM-020"}
	})
	larger, smaller := w.plan(t, "PM-010", low(every("P30D"))), w.plan(t, "PM-020", low(every("P30D")))
	w.tick(t, now)
	in := []pm.Done{w.of(t, larger, w.left.ID, now, found("CK-1001", "60"))}
	p, err := pm.Prepare(ctx, w.db, sys, now, in)
	if err != nil {
		t.Fatal(err)
	}
	var tries [2][]pm.Completed
	err = w.db.InTx(ctx, sys.ID, func(tx *gorm.DB) error {
		for i := range tries {
			tx.SavePoint("before")
			if tries[i], _, err = pm.Complete(tx, sys, now, p, in); err != nil {
				return err
			}
			if i == 0 {
				tx.RollbackTo("before")
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	for i, done := range tries {
		if c := done[0]; c.Outcome != "counted" || len(c.Covered) != 1 || c.Covered[0].Outcome != "counted" || len(c.Raised) != 1 {
			t.Errorf("try %d recorded %+v", i+1, c)
		}
	}
	if n := w.count(t, `select count(*)::int as n from task where state = 'open' and origin = 'check'`, nil); n != 1 {
		t.Errorf("%d tasks were raised by the check", n)
	}
	for _, plan := range []uuid.UUID{larger, smaller} {
		if s := w.stands(t, plan, w.left.ID); s.TaskID != nil {
			t.Errorf("the task of what is done is open: %+v", s)
		}
	}
	w.sound(t, now)
}

// What somebody's locks go with is completed by its card alone; a round, and what is only
// known to have been done, need none.
func TestWorkAtAMachineIsLedByACard(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	w.procedure(t, "PM-001", func(c *pm.Content) { c.Skills = []string{"OP"} })
	w.procedure(t, "PM-002", func(c *pm.Content) { c.People, c.Skills = 2, []string{"OP", "T1"} })
	own, both, plan := w.plan(t, "PM-001", low(every("P30D"))), w.plan(t, "PM-002", low(every("P30D"))), w.plan(t, "PM-010", low(every("P30D")))
	w.tick(t, now)
	try := func(d pm.Done) error {
		_, err := pm.Record(ctx, w.db, sys, now, request(), pm.Work{Done: []pm.Done{d}})
		return err
	}
	for name, plan := range map[string]uuid.UUID{"a technician's": plan, "one with a technician": both} {
		pgtest.Refused(t, name, try(w.of(t, plan, w.left.ID, now)), fault.Conflict, "done[0].assignment_id", "job card")
		task := w.stands(t, plan, w.left.ID).TaskID
		if task == nil {
			t.Fatalf("%s has no task", name)
		}
		pgtest.Refused(t, name, try(pm.Done{TaskID: task, At: now}), fault.Conflict, "done[0].task_id", "job card")
	}
	round := w.of(t, own, w.left.ID, now)
	round.People = nil // whoever records it
	if err := try(round); err != nil {
		t.Errorf("a round: %v", err)
	}
	// a unit on a customer's shelf is at no brush, though its shelf stands at a site
	turn := w.plan(t, "PM-020", pm.Terms{AppliesTo: "unit", UnitsIn: "stock", Classes: []string{"gearmotor"}, Triggers: []pm.Trigger{every("P30D")}})
	spare := w.fit(t, w.left.ID, "gearmotor", day(200))
	shelf := pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (assets.Location, error) {
		return assets.AddLocation(tx, sys, now, assets.NewLocation{Code: "SH-1", Name: "Customer's shelf", Kind: "site_shelf", SiteID: &w.site.ID})
	})
	w.put(t, spare, assets.Place{LocationID: &shelf.ID}, day(100), "precaution")
	w.tick(t, now)
	if err := try(w.of(t, turn, spare.ID, now)); err != nil {
		t.Errorf("on a shelf: %v", err)
	}
	s := w.stands(t, plan, w.left.ID)
	said := pm.Done{AssignmentID: &s.ID, At: day(12), Stated: true}
	technician := access.Actor{ID: sys.ID, Name: "Ida Falk", Capabilities: []access.Capability{access.RecordWork}, Everywhere: true}
	_, err := pm.Record(ctx, w.db, technician, now, request(), pm.Work{Done: []pm.Done{said}})
	pgtest.Refused(t, "a technician's word alone", err, fault.Forbidden, "", "")
	if err := try(said); err != nil {
		t.Errorf("what is stated: %v", err)
	}
}

// Work that is only known to have been done asks for nothing and credits nothing.
func TestWhatIsStatedIsABaseline(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	_, monthly, _, _ := w.programme(t)
	s := w.stands(t, monthly, w.left.ID)
	got := w.do(t, pm.Done{AssignmentID: &s.ID, At: day(12), Stated: true, Remark: "by the old book"})
	if got[0].Outcome != "counted" || len(got[0].Covered) != 0 || w.stands(t, monthly, w.left.ID).due() != "2025-06-28" {
		t.Errorf("it was %+v and stands at %+v", got[0], w.stands(t, monthly, w.left.ID))
	}
	w.sound(t, now)
}

func TestWhatCannotBeRecorded(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	_, monthly, annual, _ := w.programme(t)
	ok := func() pm.Done {
		return w.of(t, monthly, w.left.ID, now, found("CK-1001", "95"), found("CK-1003", "1"))
	}
	for name, c := range map[string]struct {
		change      func(d *pm.Done)
		kind        fault.Kind
		field, says string
	}{
		"ahead":          {func(d *pm.Done) { d.At = now.AddDate(0, 0, 1) }, fault.Invalid, "at", "must not lie ahead"},
		"long ago":       {func(d *pm.Done) { d.At = now.AddDate(-21, 0, 0) }, fault.Invalid, "at", "20 years"},
		"nothing named":  {func(d *pm.Done) { d.AssignmentID = nil }, fault.Invalid, "done[0].assignment_id", "one of the two"},
		"nothing there":  {func(d *pm.Done) { d.AssignmentID = new(uuid.New()) }, fault.NotFound, "done[0]", "no such assignment"},
		"no such task":   {func(d *pm.Done) { d.AssignmentID, d.TaskID = nil, new(uuid.New()) }, fault.NotFound, "done[0]", "no such task"},
		"minutes":        {func(d *pm.Done) { d.Minutes = new(-1) }, fault.Invalid, "minutes", "0"},
		"other position": {func(d *pm.Done) { *d = w.of(t, annual, w.line.ID, now); d.Positions = []uuid.UUID{w.air.ID} }, fault.Invalid, "positions[0]", "no position there"},
	} {
		d := ok()
		c.change(&d)
		_, err := w.tryDo(d)
		pgtest.Refused(t, name, err, c.kind, c.field, c.says)
	}
	if n := w.count(t, `select count(*)::int as n from completion`, nil); n != 0 {
		t.Errorf("%d were kept", n)
	}
	if _, err := pm.Record(ctx, w.db, sys, now, request(), pm.Work{}); err == nil {
		t.Error("nothing was recorded as something")
	}
}
