package visits_test

import (
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/calendar"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgtest"
	"spindlebook/internal/pm"
	"spindlebook/internal/pm/visits"
)

func TestAVisitIsPlannedWithPeopleVanAndTasks(t *testing.T) {
	t.Parallel()
	w := newTrade(t)
	w.procedure("J06", nil)
	a, b := w.task("J06", 5, nil), w.task("J06", 20, nil)
	id := w.visit(3, func(n *visits.New) {
		n.Tasks = []visits.Doing{{TaskID: a}, {TaskID: b}}
		n.People = append(n.People, visits.Going{PersonID: w.sparks.ID, Starts: "09:00", Minutes: 90})
	})
	v := w.one(id)
	if v.State != visits.Planned || v.SiteCode != "UMB" || v.VanCode != "V1" || v.Tasks != 2 || v.Minutes != 120 || v.Number < 1 || v.Origin != "hand" || v.MadeBy != "Marta" || v.Version != 1 {
		t.Errorf("planned is %+v", v)
	}
	at := func(p visits.Person) string {
		return p.Name + " " + p.From.In(v.Location()).Format("2006-01-02 15:04") + " " + p.Until.In(v.Location()).Format("15:04")
	}
	if len(v.People) != 2 || at(v.People[0]) != "Imre 2026-05-15 08:00 12:00" || at(v.People[1]) != "Sparks 2026-05-15 09:00 10:30" {
		t.Errorf("those who go are %+v", v.People)
	}
	if w.planned(a) != "2026-05-15" || w.planned(b) != "2026-05-15" {
		t.Errorf("the tasks are meant for %s and %s", w.planned(a), w.planned(b))
	}
	// another day, another van, somebody else: the tasks go along
	err := w.do(func(tx *gorm.DB) error {
		return visits.Change(tx, w.manager, now, id, v.Version, visits.Edit{Hours: visits.Hours{On: today + 4, Starts: "01:30", Minutes: 90}, VanID: &w.other.ID, Locked: true, People: []visits.Going{{PersonID: w.ida.ID}}})
	})
	if err != nil {
		t.Fatal(err)
	}
	moved := w.one(id)
	// half past one belongs to the night after that day, because the day turns at three
	if got := moved.StartsAt.In(v.Location()).Format("2006-01-02 15:04"); got != "2026-05-17 01:30" || moved.OnDate.Format(time.DateOnly) != "2026-05-16" || !moved.Locked || moved.VanCode != "V2" || moved.People[0].Name != "Ida" || len(moved.People) != 1 {
		t.Errorf("moved to %s: %+v", got, moved)
	}
	if w.planned(a) != "2026-05-16" {
		t.Errorf("the task is meant for %s", w.planned(a))
	}
	pgtest.Refused(t, "an edit of an old version", w.do(func(tx *gorm.DB) error {
		return visits.Change(tx, w.manager, now, id, v.Version, visits.Edit{Hours: visits.Hours{On: today + 4, Starts: "09:00", Minutes: 60}})
	}), fault.Stale, "If-Match", "")

	// one task off, another on
	c := w.task("J06", 9, nil)
	if err := w.do(func(tx *gorm.DB) error {
		return visits.PutTasks(tx, w.manager, now, id, moved.Version, []visits.Doing{{TaskID: c}}, []uuid.UUID{a})
	}); err != nil {
		t.Fatal(err)
	}
	if got := w.tasks(id); got != "J06 dropped, J06, J06" || w.planned(a) != "-" || w.planned(c) != "2026-05-16" {
		t.Errorf("tasks are %s; meant for %s and %s", got, w.planned(a), w.planned(c))
	}
	// a task moves on to another visit
	second := w.visit(8, func(n *visits.New) { n.Tasks = []visits.Doing{{TaskID: c, Moved: true}} })
	if w.tasks(id) != "J06 dropped, J06, J06 moved" || w.tasks(second) != "J06" || w.one(id).Tasks != 1 {
		t.Errorf("tasks are %s and %s", w.tasks(id), w.tasks(second))
	}
	for what, c := range map[string]struct {
		f    visits.Filter
		want int
	}{
		"all": {visits.Filter{}, 2}, "of Ida": {visits.Filter{PersonID: &w.ida.ID}, 1}, "planned": {visits.Filter{State: "planned"}, 2}, "of another site": {visits.Filter{SiteID: &w.far.ID}, 0},
		"from a day": {visits.Filter{From: today + 5}, 1}, "until a day": {visits.Filter{Until: today + 5}, 1},
	} {
		if got, err := visits.List(ctx, w.db, w.manager, c.f, visits.Page{Limit: 10}); err != nil || len(got) != c.want {
			t.Errorf("%s: %d visits, %v", what, len(got), err)
		}
	}
	first, err := visits.List(ctx, w.db, w.manager, visits.Filter{}, visits.Page{Limit: 1})
	if err != nil {
		t.Fatal(err)
	}
	if rest, err := visits.List(ctx, w.db, w.manager, visits.Filter{}, visits.Page{Limit: 10, After: first[0].Key()}); err != nil || len(rest) != 1 || rest[0].ID != second {
		t.Errorf("after the first come %+v, %v", rest, err)
	}
	_, err = visits.List(ctx, w.db, w.manager, visits.Filter{State: "gone"}, visits.Page{Limit: 1})
	pgtest.Refused(t, "a state that there is not", err, fault.Invalid, "state", "proposed")
	_, err = visits.List(ctx, w.db, w.manager, visits.Filter{}, visits.Page{Limit: 1, After: "x"})
	pgtest.Refused(t, "no place", err, fault.Malformed, "after", "")
}

func TestWhatCannotBePlannedIsNamed(t *testing.T) {
	t.Parallel()
	w := newTrade(t)
	w.procedure("J06", func(c *pm.Content) {
		c.Options = []pm.Option{{Code: "full", Title: "Full", People: 1, Minutes: c.Minutes}, {Code: "laid_down", Title: "Laid down", People: 2, Minutes: c.Minutes}}
	})
	open, safety := w.task("J06", 5, nil), w.task("J06", 2, func(n *pm.NewTask) { n.Criticality = "S" })
	late := w.task("J06", -2, func(n *pm.NewTask) { n.Criticality = "S" })
	finished := w.task("", 5, func(n *pm.NewTask) { n.Title = "Sweep" })
	w.finish(finished)
	elsewhere := w.task("J06", 5, func(n *pm.NewTask) { n.SiteID, n.LineID, n.PositionID = &w.far.ID, nil, nil })
	id := w.visit(3, func(n *visits.New) { n.Tasks = []visits.Doing{{TaskID: open, Method: "laid_down"}} })
	number := fmt.Sprint(w.one(id).Number)

	for what, c := range map[string]struct {
		change      func(*visits.New)
		kind        fault.Kind
		field, says string
	}{
		"yesterday":           {func(n *visits.New) { n.On = today - 1 }, fault.Invalid, "on", "2026-05-12"},
		"no day":              {func(n *visits.New) { n.On = 0 }, fault.Invalid, "on", ""},
		"no time":             {func(n *visits.New) { n.Starts = "8 am" }, fault.Invalid, "starts", "HH:MM"},
		"longer than a day":   {func(n *visits.New) { n.Minutes = 1441 }, fault.Invalid, "minutes", "1440"},
		"no site":             {func(n *visits.New) { n.SiteID = uuid.New() }, fault.NotFound, "", "no such site"},
		"no van":              {func(n *visits.New) { n.VanID = new(uuid.New()) }, fault.Invalid, "van_id", "no van"},
		"the van elsewhere":   {func(n *visits.New) { n.On, n.People = today+3, nil }, fault.Conflict, "van_id", "visit " + number + " to UMB"},
		"nobody":              {func(n *visits.New) { n.People = []visits.Going{{PersonID: uuid.New()}} }, fault.Invalid, "people[0].person_id", "nobody of ours"},
		"twice":               {func(n *visits.New) { n.People = append(n.People, n.People[0]) }, fault.Invalid, "people[1].person_id", "twice"},
		"somebody elsewhere":  {func(n *visits.New) { n.On, n.VanID = today+3, nil }, fault.Conflict, "people[0].person_id", "Imre is on visit " + number + " to UMB"},
		"a part outside":      {func(n *visits.New) { n.People[0].Starts, n.People[0].Minutes = "11:30", 60 }, fault.Invalid, "people[0].starts", "08:00 to 12:00"},
		"too many people":     {func(n *visits.New) { n.People = make([]visits.Going, 21) }, fault.Invalid, "people", "20"},
		"no task":             {func(n *visits.New) { n.Tasks = []visits.Doing{{TaskID: uuid.New()}} }, fault.Invalid, "tasks[0].task_id", "no task"},
		"a task twice":        {func(n *visits.New) { n.Tasks = []visits.Doing{{TaskID: late}, {TaskID: late}} }, fault.Invalid, "tasks[1].task_id", "twice"},
		"a task elsewhere":    {func(n *visits.New) { n.Tasks = []visits.Doing{{TaskID: elsewhere}} }, fault.Invalid, "tasks[0].task_id", "one site"},
		"a task that is done": {func(n *visits.New) { n.Tasks = []visits.Doing{{TaskID: finished}} }, fault.Conflict, "tasks[0].task_id", "done"},
		"a task on another":   {func(n *visits.New) { n.Tasks = []visits.Doing{{TaskID: open}} }, fault.Conflict, "tasks[0].task_id", "visit " + number},
		"safety put later":    {func(n *visits.New) { n.Tasks = []visits.Doing{{TaskID: safety}} }, fault.Invalid, "tasks[0].task_id", "never put later"},
		"no such way":         {func(n *visits.New) { n.Tasks = []visits.Doing{{TaskID: late, Method: "upside_down"}} }, fault.Invalid, "tasks[0].method", "full, laid_down"},
		"too many tasks":      {func(n *visits.New) { n.Tasks = make([]visits.Doing, 201) }, fault.Invalid, "tasks", "200"},
	} {
		_, err := w.tryVisit(10, c.change)
		pgtest.Refused(t, what, err, c.kind, c.field, c.says)
	}
	// what is late already goes as soon as somebody can
	w.visit(12, func(n *visits.New) { n.Tasks = []visits.Doing{{TaskID: late}} })
	// a visit with safety work is not moved beyond it
	early := w.visit(1, func(n *visits.New) { n.Tasks = []visits.Doing{{TaskID: safety}} })
	pgtest.Refused(t, "a visit with safety work", w.do(func(tx *gorm.DB) error {
		return visits.Change(tx, w.manager, now, early, 1, visits.Edit{Hours: visits.Hours{On: today + 6, Starts: "08:00", Minutes: 60}})
	}), fault.Invalid, "on", "14 May 2026")
	pgtest.Refused(t, "to drop what is not there", w.do(func(tx *gorm.DB) error { return visits.PutTasks(tx, w.manager, now, early, 1, nil, []uuid.UUID{open}) }), fault.Invalid, "drop", "0 are")
	// those who do not plan
	for _, who := range []access.Actor{w.imre, w.person("olga", "owner")} {
		_, err := pgtest.Write(w.db, who, func(tx *gorm.DB) (uuid.UUID, error) {
			return visits.Add(tx, who, now, visits.New{SiteID: w.site.ID, Hours: visits.Hours{On: today, Starts: "20:00", Minutes: 60}})
		})
		if fault.KindOf(err) != fault.Forbidden {
			t.Errorf("%s plans a visit: %v", who.Name, err)
		}
	}
}

func TestAProposalBooksNobodyUntilItIsPlanned(t *testing.T) {
	t.Parallel()
	w := newTrade(t)
	proposed := w.visit(3, func(n *visits.New) { n.Proposed, n.Saying = true, "1 trip instead of 2" })
	firm := w.visit(3, nil) // the same hours, person and van
	if got := w.one(proposed); got.State != visits.Proposed {
		t.Errorf("proposed is %+v", got)
	}
	if says, err := visits.Saying(ctx, w.db, w.manager, proposed); err != nil || says != "1 trip instead of 2" {
		t.Errorf("saves %q, %v", says, err)
	}
	if says, err := visits.Saying(ctx, w.db, w.imre, proposed); err != nil || says != "" {
		t.Errorf("a technician sees what is saved: %q, %v", says, err)
	}
	book := func() error { return w.do(func(tx *gorm.DB) error { return visits.Book(tx, w.manager, proposed, 1) }) }
	pgtest.Refused(t, "booked twice", book(), fault.Conflict, "van_id", fmt.Sprintf("visit %d", w.one(firm).Number))
	if err := w.do(func(tx *gorm.DB) error {
		_, err := visits.End(tx, w.manager, now, firm, 1, visits.Ending{Reason: "weather", Why: "ice"})
		return err
	}); err != nil {
		t.Fatal(err)
	}
	for what, c := range map[string]struct {
		f    visits.Filter
		want int
	}{"all": {visits.Filter{}, 2}, "not yet ended": {visits.Filter{Live: true}, 1}} {
		if got, err := visits.List(ctx, w.db, w.manager, c.f, visits.Page{Limit: 10}); err != nil || len(got) != c.want || got[0].ID != proposed && got[len(got)-1].ID != proposed {
			t.Errorf("%s: %d visits, %v", what, len(got), err)
		}
	}
	if err := book(); err != nil {
		t.Fatal(err)
	}
	if got := w.one(proposed); got.State != visits.Planned || got.Version != 2 {
		t.Errorf("planned is %+v", got)
	}
	pgtest.Refused(t, "planned again", w.do(func(tx *gorm.DB) error { return visits.Book(tx, w.manager, proposed, 2) }), fault.Conflict, "state", "proposed")
}

// Two who plan in the same instant: one books, the other is told.
func TestOfTwoPlansInOneInstantOneHolds(t *testing.T) {
	t.Parallel()
	w := newTrade(t)
	w.procedure("J06", nil)
	task := w.task("J06", 5, nil)
	var all sync.WaitGroup
	errs := make([]error, 8)
	for i := range errs {
		all.Go(func() {
			_, errs[i] = w.tryVisit(3, func(n *visits.New) {
				n.Starts = fmt.Sprintf("%02d:00", i+8)
				n.Minutes, n.VanID, n.People = 60, nil, nil
				n.Tasks = []visits.Doing{{TaskID: task}}
			})
		})
	}
	all.Wait()
	held := 0
	for _, err := range errs {
		if err == nil {
			held++
		} else if f := fault.KindOf(err); f != fault.Conflict && f != fault.Unavailable {
			t.Errorf("the other is told %v", err)
		}
	}
	if held != 1 {
		t.Errorf("%d visits hold the task: %v", held, errs)
	}
}

func TestPhonesTellOfATripLateTwiceAndOutOfOrder(t *testing.T) {
	t.Parallel()
	w := newTrade(t)
	id := w.visit(0, nil)
	at := func(clock string) time.Time {
		p, err := time.ParseInLocation("2006-01-02 15:04", "2026-05-12 "+clock, w.one(id).Location())
		if err != nil {
			t.Fatal(err)
		}
		return p
	}
	enter := func(who access.Actor, when time.Time, in ...visits.NewEntry) (int, error) {
		return pgtest.Write(w.db, who, func(tx *gorm.DB) (int, error) { return visits.Enter(tx, who, when, id, in) })
	}
	arrived := visits.NewEntry{ID: pgdb.NewID(), Act: "arrived", DoneAt: at("08:10")}
	if n, err := enter(w.imre, at("08:11"), arrived); err != nil || n != 1 {
		t.Fatal(n, err)
	}
	if v := w.one(id); v.State != visits.UnderWay || !v.BeganAt.Equal(at("08:10")) {
		t.Errorf("under way is %+v", v)
	}
	// told in the very nanosecond, which the database would round up
	if n, err := enter(w.sparks, at("08:20").Add(999), visits.NewEntry{ID: pgdb.NewID(), PersonID: &w.sparks.ID, Act: "left", DoneAt: at("08:20").Add(999)}); err != nil || n != 1 {
		t.Error(n, err)
	}
	// the same three times, then more that comes late from a phone whose clock is an hour behind
	late := []visits.NewEntry{arrived, {ID: pgdb.NewID(), Act: "left", DoneAt: at("06:20"), OffsetMS: new(int64(3600000)), Note: "from the yard"},
		{ID: pgdb.NewID(), Act: "arrived", DoneAt: at("08:12")}, {ID: pgdb.NewID(), Act: "started", DoneAt: at("08:05")}, {ID: pgdb.NewID(), Act: "finished", DoneAt: at("11:00")},
		{ID: pgdb.NewID(), Act: "finished", DoneAt: at("11:40")}, {ID: pgdb.NewID(), Act: "finished", PersonID: &w.ida.ID, DoneAt: at("15:00")}}
	for i, want := range []int{6, 0, 0} {
		if n, err := enter(w.imre, at("13:00"), late...); err != nil || n != want {
			t.Errorf("time %d: %d new, %v", i+1, n, err)
		}
	}
	entries, err := visits.Entries(ctx, w.db, w.manager, id)
	if err != nil || len(entries) != 8 {
		t.Fatalf("%d entries, %v", len(entries), err)
	}
	times := visits.TimesOf(entries, w.one(id).Location())
	if len(times) != 3 || times[0].Person != "Ida" || times[1].Person != "Imre" {
		t.Fatalf("times of %+v", times)
	}
	imre := times[1]
	if !imre.Left.Equal(at("07:20")) || !imre.Arrived.Equal(at("08:10")) || !imre.Started.Equal(at("08:05")) || !imre.Finished.Equal(at("11:40")) {
		t.Errorf("Imre's times are %v %v %v %v", imre.Left, imre.Arrived, imre.Started, imre.Finished)
	}
	for _, want := range []string{"arrived at 08:10 and again at 08:12: the first counts", "finished at 11:00 and again at 11:40: the last counts", "left at 07:20, told 5 h 40 min later", "started before arrived"} {
		if !slices.Contains(imre.Odd, want) {
			t.Errorf("nobody says %q: %q", want, imre.Odd)
		}
	}
	// Ida's clock is ahead: it cannot have been later than it was told
	if !times[0].Finished.Equal(at("13:00")) {
		t.Errorf("Ida finished at %v", times[0].Finished)
	}
	for what, c := range map[string]struct {
		in          visits.NewEntry
		kind        fault.Kind
		field, says string
	}{
		"no id":      {visits.NewEntry{Act: "left", DoneAt: now}, fault.Invalid, "entries[0].id", "chosen"},
		"no act":     {visits.NewEntry{ID: pgdb.NewID(), Act: "flown", DoneAt: now}, fault.Invalid, "entries[0].act", "left, arrived"},
		"no time":    {visits.NewEntry{ID: pgdb.NewID(), Act: "left"}, fault.Invalid, "entries[0].done_at", ""},
		"another id": {visits.NewEntry{ID: arrived.ID, Act: "left", DoneAt: now}, fault.Conflict, "entries[0].id", "another entry"},
		"nobody":     {visits.NewEntry{ID: pgdb.NewID(), Act: "left", DoneAt: now, PersonID: new(uuid.New())}, fault.Invalid, "person_id", "nobody"},
	} {
		_, err := enter(w.imre, at("13:00"), c.in)
		pgtest.Refused(t, what, err, c.kind, c.field, c.says)
	}
	_, err = enter(w.imre, now)
	pgtest.Refused(t, "nothing", err, fault.Invalid, "entries", "1 to")
	twin := visits.NewEntry{ID: pgdb.NewID(), Act: "left", DoneAt: now}
	_, err = enter(w.imre, now, twin, twin)
	pgtest.Refused(t, "one id for two", err, fault.Invalid, "entries[1].id", "two entries")
	_, err = enter(w.person("olga", "owner"), now, twin)
	pgtest.Refused(t, "an owner", err, fault.Forbidden, "", "record_work")

	// after it was closed what comes is kept all the same
	if err := w.do(func(tx *gorm.DB) error {
		_, err := visits.End(tx, w.imre, at("14:00"), id, w.one(id).Version, visits.Ending{})
		return err
	}); err != nil {
		t.Fatal(err)
	}
	if n, err := enter(w.imre, at("16:00"), visits.NewEntry{ID: pgdb.NewID(), Act: "finished", DoneAt: at("12:05")}); err != nil || n != 1 || w.one(id).State != visits.Closed {
		t.Errorf("after the end: %d, %v", n, err)
	}
}

// What is said of no second trip is said when somebody leaves: what is told late says
// nothing, since the van has been used since.
func TestTheChanceIsThatOfLeaving(t *testing.T) {
	t.Parallel()
	w := newTrade(t)
	for i, c := range []struct {
		act  string
		ago  time.Duration
		said bool
	}{{"arrived", 0, false}, {"left", 2 * time.Hour, false}, {"left", 10 * time.Minute, true}} {
		id := w.visit(0, func(in *visits.New) { in.Starts, in.Minutes = fmt.Sprintf("%02d:00", 16+i), 30 })
		pgtest.Done(t, w.db, w.imre, func(tx *gorm.DB) (int, error) {
			return visits.Enter(tx, w.imre, now, id, []visits.NewEntry{{ID: pgdb.NewID(), Act: c.act, DoneAt: now.Add(-c.ago)}})
		})
		for range 2 {
			if err := visits.Say(ctx, w.db, now, id); err != nil {
				t.Fatal(err)
			}
		}
		if said := w.one(id).SaidChance; (said != nil) != c.said {
			t.Errorf("%s %s ago: said is %v", c.act, c.ago, said)
		}
	}
	// of two who go it is the day of the one who left, and not that of the other, whose next
	// visit lacks a part; what could not be said at once is said on the tick
	bearing := w.stocked("MW-70002", "pivot bearing set", "bearing", "none", "ea")
	w.with("J07", nil, ifFound(bearing, "1", "bearing", 0.4))
	leaves := func(who access.Actor, starts string) *int {
		id := w.visit(0, func(in *visits.New) {
			in.Starts, in.Minutes, in.People = starts, 20, []visits.Going{{PersonID: w.imre.ID}, {PersonID: w.sparks.ID}}
		})
		pgtest.Done(t, w.db, who, func(tx *gorm.DB) (int, error) {
			return visits.Enter(tx, who, now, id, []visits.NewEntry{{ID: pgdb.NewID(), Act: "left", DoneAt: now}})
		})
		if err := visits.SayLate(ctx, w.db, now); err != nil {
			t.Fatal(err)
		}
		return w.one(id).SaidChance
	}
	w.visit(0, func(in *visits.New) {
		in.Starts, in.Minutes, in.Tasks = "20:00", 60, []visits.Doing{{TaskID: w.task("J07", 0, nil)}}
	})
	if said := leaves(w.sparks, "21:00"); said == nil || *said != 10000 {
		t.Errorf("of whoever goes free said is %v", said)
	}
	if said := leaves(w.imre, "21:30"); said == nil || *said != 6000 {
		t.Errorf("of whoever may lack a bearing said is %v", said)
	}
}

func TestAVisitEndsWithWhatIsDoneAndWhatIsLeft(t *testing.T) {
	t.Parallel()
	w := newTrade(t)
	w.procedure("J06", nil)
	a, b, c := w.task("J06", 5, nil), w.task("J06", 6, nil), w.task("J06", 7, nil)
	id := w.visit(0, func(n *visits.New) { n.Tasks = []visits.Doing{{TaskID: a}, {TaskID: b}, {TaskID: c}} })
	w.finish(a)
	end := func(who access.Actor, in visits.Ending) (visits.Ended, error) {
		return pgtest.Write(w.db, who, func(tx *gorm.DB) (visits.Ended, error) { return visits.End(tx, who, now, id, w.one(id).Version, in) })
	}
	_, err := end(w.imre, visits.Ending{Why: "nobody was there"})
	pgtest.Refused(t, "a technician who was not there", err, fault.Forbidden, "", "plan")
	_, err = pgtest.Write(w.db, w.imre, func(tx *gorm.DB) (int, error) {
		return visits.Enter(tx, w.imre, now, id, []visits.NewEntry{{ID: pgdb.NewID(), Act: "arrived", DoneAt: now.Add(-time.Hour)}})
	})
	if err != nil {
		t.Fatal(err)
	}
	part := w.part("MW-11056", "Gearmotor", "gearmotor")
	for what, c := range map[string]struct {
		in          visits.Ending
		field, says string
	}{
		"without a word":         {visits.Ending{}, "why", "2 of 3"},
		"an unknown reason":      {visits.Ending{Reason: "bored", Why: "x"}, "reason", "no_access"},
		"a reason alone":         {visits.Ending{Reason: "weather"}, "why", "what happened"},
		"two next":               {visits.Ending{Why: "x", NextID: &id, Next: &visits.New{}}, "next_id", "not both"},
		"nothing said":           {visits.Ending{Why: "x", Left: []visits.NewLeft{{Kind: "other"}}}, "left[0].says", "blank"},
		"an unknown kind":        {visits.Ending{Why: "x", Left: []visits.NewLeft{{Kind: "hat", Says: "mine"}}}, "left.kind", "lock_on"},
		"another's position":     {visits.Ending{Why: "x", Left: []visits.NewLeft{{Kind: "in_parts", Says: "x", PositionID: new(uuid.New())}}}, "left.position_id", "this site"},
		"no amount":              {visits.Ending{Why: "x", Wants: []visits.NewWant{{PartID: part}}}, "wants[0].amount", "above 0"},
		"a next one in the past": {visits.Ending{Why: "x", Next: &visits.New{Hours: visits.Hours{On: today - 1, Starts: "08:00", Minutes: 60}}}, "next.on", "today"},
		"too much":               {visits.Ending{Why: "x", Left: make([]visits.NewLeft, 51)}, "left", ""},
	} {
		_, err := end(w.imre, c.in)
		if f, _ := err.(*fault.Error); what == "too much" && f != nil {
			f.Field, f.Msg = "left", ""
		}
		pgtest.Refused(t, what, err, fault.Invalid, c.field, c.says)
	}
	other := w.visit(2, func(n *visits.New) { n.SiteID, n.VanID, n.People = w.far.ID, nil, nil })
	_, err = end(w.imre, visits.Ending{Why: "x", NextID: &other})
	pgtest.Refused(t, "a next one elsewhere", err, fault.Invalid, "next_id", "same site")

	got, err := end(w.imre, visits.Ending{Reason: "part_wrong", Why: "the motor is for the other side",
		Left:  []visits.NewLeft{{Kind: "out_of_service", PositionID: &w.left.ID, Says: "parked, brush tied up"}, {Kind: "parts_there", Says: "a box of screws in the pump room"}},
		Wants: []visits.NewWant{{TaskID: &b, PartID: part, Amount: 1_000, Says: "orientation O3"}},
		Next:  &visits.New{Hours: visits.Hours{On: today + 2, Starts: "08:00", Minutes: 120}, People: []visits.Going{{PersonID: w.ida.ID}}}})
	if err != nil {
		t.Fatal(err)
	}
	v := w.one(id)
	if got.Done != 1 || len(got.Left) != 2 || v.State != visits.Abandoned || *v.Reason != "part_wrong" || v.EndedWhy == "" || v.EndedBy != "Imre" || *v.NextID != *got.NextID || w.tasks(id) != "J06 done, J06 left, J06 left" {
		t.Errorf("it ended as %+v: %+v with %s", got, v, w.tasks(id))
	}
	n := w.one(*got.NextID)
	// a technician proposes the next one; somebody who plans books it
	if n.State != visits.Proposed || n.Origin != "after" || w.tasks(n.ID) != "J06, J06" || w.planned(b) != "2026-05-14" {
		t.Errorf("the next one is %+v with %s", n, w.tasks(n.ID))
	}
	left, err := visits.LeftBehind(ctx, w.db, w.person("olga", "owner"), id)
	if err != nil || len(left) != 2 || left[0].PositionCode != "UMB-1/SBL-D" || left[1].Kind != "parts_there" {
		t.Errorf("the owner is told of %+v, %v", left, err)
	}
	wants, err := visits.Wants(ctx, w.db, w.manager, id)
	if err != nil || len(wants) != 1 || wants[0].Part != "MW-11056" || wants[0].Amount.String() != "1" {
		t.Errorf("for want of %+v, %v", wants, err)
	}
	_, err = end(w.manager, visits.Ending{Why: "again"})
	pgtest.Refused(t, "ended twice", err, fault.Conflict, "state", "under way")

	// and the rest of it onto a visit that there is already
	if err := w.do(func(tx *gorm.DB) error { return visits.Book(tx, w.manager, n.ID, n.Version) }); err != nil {
		t.Fatal(err)
	}
	later := w.visit(9, nil)
	id = n.ID
	if got, err := end(w.manager, visits.Ending{Why: "the pump room was locked", NextID: &later}); err != nil || *got.NextID != later || w.tasks(later) != "J06, J06" || w.one(id).State != visits.Closed {
		t.Errorf("ended as %+v, %v", got, err)
	}
}

func TestLocksThatAreStillOnAreNotedAsLeft(t *testing.T) {
	t.Parallel()
	w := newTrade(t)
	id := w.visit(0, nil)
	point := w.point("UMB-1/DS1")
	err := w.db.InTx(ctx, w.imre.ID, func(tx *gorm.DB) error {
		return tx.Exec(`insert into isolation_lock (id, site_id, point_id, visit_id, person_id, person, recorded_by, locked_at) values (?, ?, ?, ?, ?, 'Imre', ?, ?)`,
			pgdb.NewID(), w.site.ID, point, id, w.imre.ID, w.imre.ID, now).Error
	})
	if err != nil {
		t.Fatal(err)
	}
	if err := w.do(func(tx *gorm.DB) error {
		_, err := visits.End(tx, w.manager, now, id, 1, visits.Ending{Reason: "called_away", Why: "an emergency at Ferrowick"})
		return err
	}); err != nil {
		t.Fatal(err)
	}
	left, err := visits.LeftBehind(ctx, w.db, w.manager, id)
	if err != nil || len(left) != 1 || left[0].Kind != "lock_on" || left[0].Says != "UMB-1/DS1: locked by Imre" {
		t.Errorf("left behind is %+v, %v", left, err)
	}
}

func TestSkillsHoursWindowsAndLinesAreNamed(t *testing.T) {
	t.Parallel()
	w := newTrade(t)
	w.procedure("J06", nil)
	w.procedure("J01", func(c *pm.Content) {
		c.People, c.Skills, c.Minutes = 2, []string{"T2", "EL"}, pm.Minutes{Low: 120, Typical: 180, High: 300}
		c.Steps = []pm.Step{{Kind: "do", Says: "Mark the leads.", Skills: []string{"EL"}, Minutes: new(20)}, {Kind: "do", Says: "Set the links.", Skills: []string{"EL"}, Minutes: new(25)}, {Kind: "do", Says: "Lift off.", Minutes: new(60)}}
	})
	easy, swap := w.task("J06", 3, nil), w.task("J01", 3, nil)
	both := []visits.Doing{{TaskID: swap}, {TaskID: easy}}
	spark := visits.Going{PersonID: w.sparks.ID, Starts: "09:00", Minutes: 60}

	fine := w.visit(3, func(n *visits.New) {
		n.Minutes, n.Tasks = 300, both
		n.People = append(n.People, spark) // there for the electrical steps only
	})
	if got := w.findings(fine); len(got) != 0 {
		t.Errorf("a good visit: %q", got)
	}
	change := func(e visits.Edit) []string {
		t.Helper()
		if e.Minutes == 0 {
			e.Minutes = 300
		}
		if e.On == 0 {
			e.On = today + 3
		}
		if e.VanID == nil {
			e.VanID = &w.van.ID
		}
		e.Starts = "08:00"
		if err := w.do(func(tx *gorm.DB) error { return visits.Change(tx, w.manager, now, fine, w.one(fine).Version, e) }); err != nil {
			t.Fatal(err)
		}
		return w.findings(fine)
	}
	imre, ida := visits.Going{PersonID: w.imre.ID}, visits.Going{PersonID: w.ida.ID}
	for what, c := range map[string]struct {
		e    visits.Edit
		want []string
	}{
		"no electrician": {visits.Edit{People: []visits.Going{imre, ida}}, []string{"people J01 UMB-1/SBL-D: nobody there has EL"}},
		"alone":          {visits.Edit{People: []visits.Going{imre}}, []string{"hours the work takes 285 minutes of people, and those who go have 255 after 45 for signing in, locking out and handing over", "people J01 UMB-1/SBL-D: needs 2 people and has 1"}},
		"too short":      {visits.Edit{Hours: visits.Hours{Minutes: 200}, People: []visits.Going{imre, spark}}, []string{"hours the work takes 285 minutes of people, and those who go have 215 after 45 for signing in, locking out and handing over", "people J01 UMB-1/SBL-D: needs 180 minutes of T2, 155 are left"}},
		"evidence ended": {visits.Edit{Hours: visits.Hours{On: today + 9}, People: []visits.Going{ida, spark}}, []string{"people J01 UMB-1/SBL-D: nobody there has T2", "people J06 UMB-1/SBL-D: Ida's evidence of T1 ended on 20 May 2026", "window J01 UMB-1/SBL-D: should be done by 15 May 2026", "window J06 UMB-1/SBL-D: should be done by 15 May 2026"}},
		"nobody goes":    {visits.Edit{}, []string{"people nobody is named to go"}},
	} {
		if got := change(c.e); !slices.Equal(got, c.want) {
			t.Errorf("%s: %q", what, got)
		}
	}
	if err := w.do(func(tx *gorm.DB) error {
		return visits.Change(tx, w.manager, now, fine, w.one(fine).Version, visits.Edit{Hours: visits.Hours{On: today + 3, Starts: "08:00", Minutes: 300}, People: []visits.Going{imre, spark}})
	}); err != nil {
		t.Fatal(err)
	}
	if got := w.findings(fine); !slices.Equal(got, []string{"no_van no van is named, so nobody can say what is in it"}) {
		t.Errorf("without a van: %q", got)
	}
	// the line may be down in the evening only, and in the night over midnight
	w.down("20:00", 600)
	got := change(visits.Edit{People: []visits.Going{imre, spark}})
	if len(got) != 2 || !strings.HasPrefix(got[0], "line_up J01 UMB-1/SBL-D: needs the line down, which is not allowed from 08:00 to 13:00") {
		t.Errorf("by day: %q", got)
	}
	if err := w.do(func(tx *gorm.DB) error {
		return visits.Change(tx, w.manager, now, fine, w.one(fine).Version, visits.Edit{Hours: visits.Hours{On: today + 3, Starts: "22:00", Minutes: 300}, VanID: &w.van.ID, People: []visits.Going{imre, {PersonID: w.sparks.ID, Starts: "23:00", Minutes: 60}}})
	}); err != nil {
		t.Fatal(err)
	}
	if got := w.findings(fine); len(got) != 0 {
		t.Errorf("by night: %q", got)
	}
	if got, err := visits.Look(ctx, w.db, w.manager, now, nil); err != nil || len(got) != 0 {
		t.Errorf("of no visits: %v, %v", got, err)
	}
}

func TestOwnersSeeTheirOwnVisitsAndNothingInternal(t *testing.T) {
	t.Parallel()
	w := newTrade(t)
	w.procedure("J06", nil)
	id := w.visit(3, func(n *visits.New) { n.Tasks = []visits.Doing{{TaskID: w.task("J06", 3, nil)}} })
	proposed := w.visit(5, func(n *visits.New) { n.Proposed, n.Saying = true, "saves USD 280.00" })
	olga := w.person("olga", "owner")
	all, err := visits.List(ctx, w.db, olga, visits.Filter{}, visits.Page{Limit: 10})
	if err != nil || len(all) != 1 || all[0].ID != id || all[0].People[0].Name != "Imre" || all[0].Tasks != 1 {
		t.Errorf("the owner sees %+v, %v", all, err)
	}
	if _, err := visits.One(ctx, w.db, olga, proposed); fault.KindOf(err) != fault.NotFound {
		t.Errorf("the owner sees a proposal: %v", err)
	}
	for _, table := range []string{"visit_entry", "visit_want", "visit_decision", "visit_saving", "planning_choice", "planning_cost", "planning_rule", "van_tick"} {
		rows, err := pgdb.Read[struct{ N int }](ctx, w.db, olga.ID, `select count(*)::int as n from `+table, nil)
		if err != nil || rows[0].N != 0 {
			t.Errorf("the owner sees %d of %s, %v", rows[0].N, table, err)
		}
	}
	stranger := w.stranger()
	if all, err := visits.List(ctx, w.db, stranger, visits.Filter{}, visits.Page{Limit: 10}); err != nil || len(all) != 0 {
		t.Errorf("another owner sees %+v, %v", all, err)
	}
	if _, err := visits.One(ctx, w.db, stranger, id); fault.KindOf(err) != fault.NotFound {
		t.Errorf("another owner sees it: %v", err)
	}
	for _, table := range []string{"visit", "visit_person", "visit_task", "visit_left"} {
		rows, err := pgdb.Read[struct{ N int }](ctx, w.db, stranger.ID, `select count(*)::int as n from `+table, nil)
		if err != nil || rows[0].N != 0 {
			t.Errorf("another owner sees %d of %s, %v", rows[0].N, table, err)
		}
	}
}

func TestRulesAndCostsAreKept(t *testing.T) {
	t.Parallel()
	w := newTrade(t)
	r, err := visits.Rules(ctx, w.db, w.imre)
	if err != nil || r.SiteMinutes != 45 || r.TargetPercent != 95 || !slices.Equal(r.WorkingDays, []int{1, 2, 3, 4, 5}) {
		t.Fatalf("rules are %+v, %v", r, err)
	}
	r.Latitude, r.Longitude, r.SiteMinutes, r.WorkingDays, r.Closed = new(42.1), new(-88.2), 30, []int{1, 2, 3, 4, 5, 6}, []time.Time{calendar.On(2026, 5, 25).UTC()}
	set := func(who access.Actor, version int, r visits.Rule) error {
		return w.db.InTx(ctx, who.ID, func(tx *gorm.DB) error { return visits.SetRules(tx, who, version, r) })
	}
	if err := set(w.manager, r.Version, r); err != nil {
		t.Fatal(err)
	}
	got, err := visits.Rules(ctx, w.db, w.imre)
	if err != nil || got.SiteMinutes != 30 || *got.Latitude != 42.1 || len(got.Closed) != 1 || len(got.WorkingDays) != 6 || got.Version != 2 {
		t.Errorf("rules are %+v, %v", got, err)
	}
	pgtest.Refused(t, "an old version", set(w.manager, 1, r), fault.Stale, "If-Match", "")
	pgtest.Refused(t, "a technician", set(w.imre, 2, r), fault.Forbidden, "", "plan")
	r.RoadFactor = 0.5
	pgtest.Refused(t, "roads shorter than crows fly", set(w.manager, 2, r), fault.Invalid, "road_factor", "1 to 10")

	c, err := visits.Costs(ctx, w.db, w.manager)
	if err != nil || c.HourMinor != 12800 || c.Currency != "USD" {
		t.Fatalf("costs are %+v, %v", c, err)
	}
	_, err = visits.Costs(ctx, w.db, w.imre)
	pgtest.Refused(t, "a technician asks", err, fault.Forbidden, "", "see_cost")
	cost := func(who access.Actor, version int, c visits.Cost) error {
		return w.db.InTx(ctx, who.ID, func(tx *gorm.DB) error { return visits.SetCosts(tx, who, version, c) })
	}
	c.HourMinor = 13000
	if err := cost(w.manager, c.Version, c); err != nil {
		t.Fatal(err)
	}
	pgtest.Refused(t, "an old version", cost(w.manager, 1, c), fault.Stale, "If-Match", "")
	pgtest.Refused(t, "a technician", cost(w.imre, 2, c), fault.Forbidden, "", "see_cost")
	pgtest.Refused(t, "a clerk", cost(w.person("clara", "parts_clerk"), 2, c), fault.Forbidden, "", "plan")
	c.Currency = "bucks"
	pgtest.Refused(t, "no currency", cost(w.manager, 2, c), fault.Invalid, "currency", "ISO 4217")
	c.Currency = "ABC"
	pgtest.Refused(t, "a currency that there is not", cost(w.manager, 2, c), fault.Invalid, "currency", "ISO 4217")
}
