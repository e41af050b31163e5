package pm_test

import (
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/calendar"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgtest"
	"spindlebook/internal/pm"
	"spindlebook/internal/pm/due"
)

// What no planner can mean is refused by field, value and rule, and nothing of it is kept.
func TestABadPlanIsRefusedByNameAndNothingIsKept(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	w.procedure(t, "PM-010", nil)
	plan := pgtest.Done(t, w.db, sys, func(tx *gorm.DB) ([]uuid.UUID, error) {
		return pm.AddPlans(tx, sys, now, []pm.NewPlan{{Code: "PM-010", Title: "Look", Procedure: "PM-010"}})
	})[0]
	each := func(text string) []pm.Trigger { return []pm.Trigger{every(text)} }
	rule := func(text, from string) pm.Terms {
		return pm.Terms{Basis: "fixed", Triggers: []pm.Trigger{{Kind: "on_dates", Rule: text, From: from}}}
	}
	season := func(text string) pm.Terms {
		return pm.Terms{Basis: "fixed", Triggers: []pm.Trigger{{Kind: "once_per_season", Season: text}}}
	}
	for name, c := range map[string]struct {
		terms              pm.Terms
		field, value, says string
	}{
		"never triggers":                      {pm.Terms{}, "triggers", "", "never falls due"},
		"a zero interval":                     {pm.Terms{Triggers: each("P0D")}, "triggers[0].every", "P0D", "at least a day"},
		"no interval":                         {pm.Terms{Triggers: each("soon")}, "triggers[0].every", "soon", "is a duration such as P30D"},
		"a zero amount":                       {pm.Terms{Triggers: []pm.Trigger{use("vehicles", 0)}}, "triggers[0].amount", "0", "more than 0 vehicles"},
		"a rule that gives nothing":           {rule("FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=30", "2026-01-01"), "triggers[0].rule", "FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=30", "gives no date"},
		"a rule that gives millions":          {rule("FREQ=SECONDLY", "2026-01-01"), "triggers[0].rule", "FREQ=SECONDLY", "YEARLY, MONTHLY, WEEKLY or DAILY"},
		"a rule without its start":            {rule("FREQ=DAILY", ""), "triggers[0].from", "", "is needed"},
		"29 February of a year that has none": {rule("FREQ=YEARLY", "2025-02-29"), "triggers[0].from", "2025-02-29", "is a date that exists"},
		"a window as long as the interval":    {pm.Terms{Triggers: each("P30D"), Early: pm.Tolerance{Days: 20}, Late: pm.Tolerance{Days: 10}}, "early", "20 days early and 10 late", "as long as the interval of 30 days"},
		"a window of percents":                {pm.Terms{Triggers: []pm.Trigger{use("run_hours", 100)}, Early: pm.Tolerance{Percent: 60}, Late: pm.Tolerance{Percent: 50}}, "early", "60 percent early and 50 late", "as long as the interval"},
		"a season that is no part of a year":  {season("01-01/12-31"), "triggers[0].season", "01-01/12-31", "not all of it"},
		"a season of days that are none":      {season("02-30/04-31"), "triggers[0].season", "02-30/04-31", "two days of a year"},
		"a fact that is none":                 {pm.Terms{Triggers: each("P30D"), Condition: "colour = blue"}, "condition", "colour", "is no fact that is recorded of anything"},
		"a condition that is none":            {pm.Terms{Triggers: each("P30D"), Condition: "drive ="}, "condition", "drive =", ""},
		"a late window of safety":             {pm.Terms{Triggers: each("P30D"), Criticality: "S", Late: pm.Tolerance{Days: 3}}, "late", "3 days", "no late window"},
		"safety that rests on a forecast":     {pm.Terms{Triggers: []pm.Trigger{use("vehicles", 8000)}, Criticality: "S"}, "triggers", "every 8,000 vehicles", "never rests on a forecast alone"},
		"two of one kind":                     {pm.Terms{Triggers: []pm.Trigger{every("P30D"), every("P60D")}}, "triggers[1]", "every 60 days", "is there already"},
		"a trigger of no kind":                {pm.Terms{Triggers: []pm.Trigger{{Kind: "sometimes"}}}, "triggers[0].kind", "sometimes", "is one of every"},
		"a kind that is none":                 {pm.Terms{Triggers: each("P30D"), Kinds: []string{"dryer"}}, "kinds[0]", "dryer", "is one of"},
	} {
		_, err := pgtest.Write(w.db, sys, func(tx *gorm.DB) ([]uuid.UUID, error) {
			return pm.WritePlanDrafts(tx, sys, now, []pm.WritePlan{{Plan: plan, Terms: full(c.terms)}})
		})
		f, ok := errors.AsType[*fault.Error](err)
		if !ok || f.Kind != fault.Invalid {
			t.Errorf("%s: %v", name, err)
			continue
		}
		field, value, says := f.Field, f.Value, f.Msg
		if field == "" && len(f.Parts) > 0 {
			field, value, says = f.Parts[0].Field, f.Parts[0].Value, f.Parts[0].Msg
		}
		if field != c.field || value != c.value || !strings.Contains(says, c.says) {
			t.Errorf("%s: %s %q %q, want %s %q %q", name, field, value, says, c.field, c.value, c.says)
		}
	}
	if n := w.count(t, `select count(*)::int as n from plan_version`, nil); n != 0 {
		t.Errorf("%d versions were kept", n)
	}
}

// A plan may ask for a fact that is known of and that nothing has yet: it is assigned
// nowhere, and that is said, with the fact and with the things it may be for.
func TestAFactThatNothingHasIsAFinding(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	plan := w.plan(t, "PM-021", pm.Terms{Kinds: []string{"side_brush_low"}, Condition: "drive = hydraulic", Triggers: []pm.Trigger{every("P180D")}})
	w.tick(t, now)
	found, err := pm.PlanFindings(ctx, w.db, sys)
	if err != nil || len(found) != 1 || found[0].PlanCode != "PM-021" || found[0].Kind != "fact nobody has" || !strings.Contains(found[0].Says, "drive") {
		t.Errorf("%+v %v", found, err)
	}
	fit, err := pm.FittingOf(ctx, w.db, sys, now, plan)
	if err != nil || fit.Fits != 0 || fit.OtherKind != 2 || len(fit.Unclear) != 2 || fit.Unclear[0].Code != "UMB-1/SBL-L" || !slices.Equal(fit.Unclear[0].Missing, []string{"drive"}) {
		t.Fatalf("%+v %v", fit, err)
	}
	w.fact(t, w.left.ID, "drive", "hydraulic")
	w.fact(t, w.right.ID, "drive", "electric")
	w.tick(t, now)
	if found, err := pm.PlanFindings(ctx, w.db, sys); err != nil || len(found) != 0 {
		t.Errorf("%+v %v", found, err)
	}
	if fit, err := pm.FittingOf(ctx, w.db, sys, now, plan); err != nil || fit.Fits != 1 || fit.Fails != 1 || fit.OtherKind != 2 || len(fit.Unclear) != 0 {
		t.Errorf("%+v %v", fit, err)
	}
	if n := w.count(t, `select count(*)::int as n from assignment where ended_at is null`, nil); n != 1 {
		t.Errorf("%d are assigned", n)
	}
	if fit, err := pm.FittingOf(ctx, w.db, sys, now, uuid.New()); err != nil || fit.Fits != 0 {
		t.Errorf("a plan that is none: %+v %v", fit, err)
	}
}

// A season may lie over New Year: it is one season, due by its last day.
func TestASeasonOverNewYear(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	plan := w.plan(t, "PM-038", pm.Terms{AppliesTo: "site", Basis: "fixed", Triggers: []pm.Trigger{{Kind: "once_per_season", Season: "11-15/03-15"}}})
	at := time.Date(2024, 12, 20, 18, 0, 0, 0, time.UTC)
	w.tick(t, at)
	if _, err := complete(w.db, at, w.of(t, plan, w.site.ID, time.Date(2024, 3, 1, 18, 0, 0, 0, time.UTC))); err != nil {
		t.Fatal(err)
	}
	w.tick(t, at)
	if s := w.stands(t, plan, w.site.ID); s.due() != "2025-03-15" || s.State != "in window" || s.EarliestOn.Format(time.DateOnly) != "2024-11-15" {
		t.Errorf("in December it stands at %+v", s)
	}
	c, err := complete(w.db, at, w.of(t, plan, w.site.ID, at))
	if err != nil || c[0].Outcome != "counted" {
		t.Fatalf("%+v %v", c, err)
	}
	for _, day := range []time.Time{at, time.Date(2025, 1, 10, 18, 0, 0, 0, time.UTC)} {
		w.tick(t, day)
		if s := w.stands(t, plan, w.site.ID); s.due() != "2026-03-15" || s.TaskID != nil {
			t.Errorf("done before New Year it stands on %s at %+v", day.Format(time.DateOnly), s)
		}
	}
	w.sound(t, time.Date(2025, 1, 10, 18, 0, 0, 0, time.UTC))
}

// A yearly grid that begins on 29 February goes by the month's last day in other
// years and comes back to the 29th.
func TestAGridThatBeginsOnTwentyNinthFebruary(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	plan := w.plan(t, "PM-040", pm.Terms{AppliesTo: "site", Basis: "fixed", Early: pm.Tolerance{Days: 30}, Triggers: []pm.Trigger{{Kind: "every", Every: "P1Y", From: "2024-02-29"}}})
	w.tick(t, now)
	for _, c := range []struct{ done, due string }{{"2024-02-29", "2025-02-28"}, {"2025-02-20", "2026-02-28"}} {
		d, _ := calendar.ParseDate(c.done, "")
		if _, err := complete(w.db, now, w.of(t, plan, w.site.ID, d.UTC().Add(18*time.Hour))); err != nil {
			t.Fatal(err)
		}
		if s := w.stands(t, plan, w.site.ID); s.due() != c.due {
			t.Errorf("done on %s it is due %s, not %s", c.done, s.due(), c.due)
		}
	}
	later := time.Date(2027, 3, 1, 18, 0, 0, 0, time.UTC)
	if _, err := complete(w.db, later, w.of(t, plan, w.site.ID, later)); err != nil {
		t.Fatal(err)
	}
	if s := w.stands(t, plan, w.site.ID); s.due() != "2028-02-29" {
		t.Errorf("in the leap year it is due %s", s.due())
	}
	w.sound(t, later)
}

// In the night in which clocks go forward there is no 02:30, and in that in which
// they go back two of 01:30: work belongs to one operating day all the same.
func TestTheNightsOfTheClocks(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	plan := w.plan(t, "PM-001", pm.Terms{AppliesTo: "line", Triggers: []pm.Trigger{{Kind: "each_operating_day"}}})
	w.tick(t, now)
	for _, c := range []struct {
		at  string
		day string // Chicago turns its clocks on 3 November 2024 and on 9 March 2025 (IANA time zone database, file northamerica, from memory)
	}{
		{"2024-11-03T06:30:00Z", "2024-11-02"}, // 01:30, summer time still
		{"2024-11-03T07:30:00Z", "2024-11-02"}, // 01:30 again
		{"2024-11-03T09:30:00Z", "2024-11-03"}, // 03:30
		{"2025-03-09T07:59:00Z", "2025-03-08"}, // 01:59, then it is three
		{"2025-03-09T08:00:00Z", "2025-03-09"}, // 03:00
		{"2025-03-09T08:30:00Z", "2025-03-09"}, // 03:30; nobody saw 02:30
	} {
		at, err := time.Parse(time.RFC3339, c.at)
		if err != nil {
			t.Fatal(err)
		}
		got, err := complete(w.db, now, w.of(t, plan, w.line.ID, at))
		if err != nil {
			t.Fatal(err)
		}
		if n := w.count(t, `select count(*)::int as n from completion where id = @id and done_on = cast(@day as date)`, map[string]any{"id": got[0].ID, "day": c.day}); n != 1 {
			t.Errorf("work at %s is not of %s", c.at, c.day)
		}
	}
	w.sound(t, now)
}

// What is known to be late comes before what nobody recorded that it was ever done, however
// long ago that would have been due: there the record is missing first of all.
func TestWhatIsKnownToBeLateComesBeforeWhatWasNeverRecorded(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	look := w.plan(t, "PM-010", low(every("P30D")))
	w.tick(t, now)
	w.do(t, w.of(t, look, w.right.ID, day(40)))
	w.tick(t, now)
	all, err := pm.Worst(ctx, w.db, sys, pm.ItemFilter{}, 0, 10)
	if err != nil || len(all) != 2 || all[0].State != "late" || all[1].State != "late" {
		t.Fatalf("%+v %v", all, err)
	}
	if *all[0].PositionID != w.right.ID || all[1].MarkAt != nil || all[1].Missed == 0 || !all[1].DueOn.Before(*all[0].DueOn) {
		t.Errorf("first comes %s, due %v; then %s, due %v with %d more dates", all[0].PositionCode, all[0].DueOn, all[1].PositionCode, all[1].DueOn, all[1].Missed)
	}
}

// The lists for people: the worst first, counted, a page at a time; what was put off
// is taken back once.
func TestTheWorstComesFirst(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	w.runs(t, w.tunnel, 400, 60, 10, 0)
	look := w.plan(t, "PM-010", low(every("P30D")))
	w.plan(t, "PM-008", pm.Terms{AppliesTo: "line", Criticality: "S", Triggers: []pm.Trigger{every("P30D")}})
	w.plan(t, "PM-037", pm.Terms{Kinds: []string{"compressed_air"}, Triggers: []pm.Trigger{use("run_hours", 1500)}})
	w.tick(t, now)
	w.do(t, w.of(t, look, w.right.ID, day(1)))
	w.tick(t, now)
	all, err := pm.Worst(ctx, w.db, sys, pm.ItemFilter{}, 0, 10)
	if err != nil {
		t.Fatal(err)
	}
	var order []string
	for _, i := range all {
		order = append(order, i.PlanCode+" "+i.State)
	}
	if want := []string{"PM-008 late", "PM-010 late", "PM-037 unknown", "PM-010 not due"}; !slices.Equal(order, want) {
		t.Errorf("%q, want %q", order, want)
	}
	for skip := range all {
		one, err := pm.Worst(ctx, w.db, sys, pm.ItemFilter{SiteID: &w.site.ID}, skip, 1)
		if err != nil || len(one) != 1 || one[0].ID != all[skip].ID || one[0].SiteCode != "UMB" {
			t.Errorf("the %d. is %+v %v", skip+1, one, err)
		}
	}
	if pressing, err := pm.Worst(ctx, w.db, sys, pm.ItemFilter{Pressing: true}, 0, 10); err != nil || len(pressing) != 2 {
		t.Errorf("%d press, %v", len(pressing), err)
	}
	counts, err := pm.CountItems(ctx, w.db, sys, []uuid.UUID{w.site.ID, uuid.New()})
	if c := counts[w.site.ID]; err != nil || len(counts) != 1 || c.Late != 2 || c.Grave != 1 || c.Unknown != 1 || c.NotDue != 1 || c.InWindow+c.Coming != 0 {
		t.Errorf("%+v %v", counts, err)
	}
	left := w.stands(t, look, w.left.ID)
	skip := func(who access.Actor, id uuid.UUID) error {
		task, err := pm.OneTask(ctx, w.db, sys, id)
		if err != nil {
			t.Fatal(err)
		}
		_, err = pgtest.Write(w.db, who, func(tx *gorm.DB) (uuid.UUID, error) {
			return pm.SkipTask(tx, who, now, id, task.Version, calendar.DateOf(now)+10, "road works")
		})
		return err
	}
	resume := func(who access.Actor, id uuid.UUID) error {
		_, err := pgtest.Write(w.db, who, func(tx *gorm.DB) (uuid.UUID, error) { return pm.ResumeTask(tx, who, id) })
		return err
	}
	pgtest.Refused(t, "what was not put off", resume(sys, *left.TaskID), fault.Conflict, "task", "was not put off")
	pgtest.Refused(t, "what is not there", resume(sys, uuid.New()), fault.NotFound, "", "task")
	staff := w.member(t, "staff", access.NewGrant{Role: "site_staff", CustomerID: &w.customer.ID, SiteID: &w.site.ID})
	pgtest.Refused(t, "a technician's work by site staff", skip(staff, *left.TaskID), fault.Forbidden, "", "record_work")
	if err := skip(sys, *left.TaskID); err != nil {
		t.Fatal(err)
	}
	w.tick(t, now)
	pgtest.Refused(t, "taken back by site staff", resume(staff, *left.TaskID), fault.Forbidden, "", "record_work")
	if err := resume(sys, *left.TaskID); err != nil {
		t.Fatal(err)
	}
	w.tick(t, now)
	if again := w.stands(t, look, w.left.ID); again.TaskID == nil || *again.TaskID != *left.TaskID || again.State != left.State || again.due() != left.due() {
		t.Errorf("taken back it stands at %+v, before at %+v", again, left)
	}
	if err := skip(sys, *left.TaskID); err != nil {
		t.Fatal(err)
	}
	w.do(t, w.of(t, look, w.left.ID, now))
	pgtest.Refused(t, "done meanwhile", resume(sys, *left.TaskID), fault.Conflict, "task", "put off no more")
	w.sound(t, now)
}

// member adds somebody with roles.
func (w *wash) member(t testing.TB, name string, grants ...access.NewGrant) access.Actor {
	t.Helper()
	a := pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (access.Account, error) {
		return access.AddPerson(tx, sys, now, access.NewPerson{Name: name, Login: name + "@example.org", CustomerID: grants[0].CustomerID, Grants: grants})
	})
	who, _, err := access.Load(ctx, w.db, a.ID)
	if err != nil {
		t.Fatal(err)
	}
	return who
}

// Every way to read planned work keeps to whoever has the site: its owner sees it,
// another's sees nothing, and after a sale it is the other way round. What was done
// in one's own time stays one's own to see.
func TestPlannedWorkIsTheOwnersToSee(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	w.procedure(t, "PM-001", func(c *pm.Content) {
		c.Skills = []string{"OP"}
		c.Checks = []pm.Check{{Code: "CK-0101", Prompt: "Brushes go home", Kind: "pass_fail", Options: []string{"pass", "fail"}}}
	})
	round := w.plan(t, "PM-001", pm.Terms{AppliesTo: "line", Triggers: []pm.Trigger{{Kind: "each_operating_day"}}})
	w.tick(t, now)
	buyer := pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (assets.Customer, error) {
		return assets.AddCustomer(tx, sys, now, assets.CustomerEdit{Code: "BUY", Name: "Buyer"})
	})
	seller := w.member(t, "seller", access.NewGrant{Role: "owner", CustomerID: &w.customer.ID})
	other := w.member(t, "other", access.NewGrant{Role: "owner", CustomerID: &buyer.ID})
	it := w.stands(t, round, w.line.ID)
	walk := w.of(t, round, w.line.ID, day(9), found("CK-0101", "fail"))
	walk.People = []pm.Person{{Name: "Gil Moor", Skills: []string{"OP"}}}
	did := w.do(t, walk)
	w.tick(t, now)
	open := *w.stands(t, round, w.line.ID).TaskID
	type sight struct{ now, past bool }
	ways := map[string]func(who access.Actor) (int, error){
		"Items": func(who access.Actor) (int, error) {
			all, err := pm.Items(ctx, w.db, who, pm.ItemFilter{}, pm.Page{Limit: 10})
			return len(all), err
		},
		"Worst": func(who access.Actor) (int, error) {
			all, err := pm.Worst(ctx, w.db, who, pm.ItemFilter{}, 0, 10)
			return len(all), err
		},
		"CountItems": func(who access.Actor) (int, error) {
			all, err := pm.CountItems(ctx, w.db, who, []uuid.UUID{w.site.ID})
			return len(all), err
		},
		"OneItem": func(who access.Actor) (int, error) {
			_, err := pm.OneItem(ctx, w.db, who, it.ID)
			return seenOne(err)
		},
		"Tasks": func(who access.Actor) (int, error) {
			all, err := pm.Tasks(ctx, w.db, who, pm.TaskFilter{}, pm.Page{Limit: 10})
			return len(all), err
		},
		"OneTask": func(who access.Actor) (int, error) {
			_, err := pm.OneTask(ctx, w.db, who, open)
			return seenOne(err)
		},
		"FormOf": func(who access.Actor) (int, error) {
			_, err := pm.FormOf(ctx, w.db, who, now, open)
			return seenOne(err)
		},
		"RoundOf": func(who access.Actor) (int, error) {
			sh, err := pm.RoundOf(ctx, w.db, who, now, w.line.ID, 0)
			if n, err := seenOne(err); n == 0 {
				return n, err
			}
			return len(sh.Forms), nil
		},
		"past Histories": func(who access.Actor) (int, error) {
			all, err := pm.Histories(ctx, w.db, who, pm.HistoryFilter{AssignmentID: &it.ID}, pm.Page{Limit: 10})
			return len(all), err
		},
		"past Answers": func(who access.Actor) (int, error) {
			all, err := pm.Answers(ctx, w.db, who, []uuid.UUID{did[0].ID})
			return len(all), err
		},
		"past RoundOf": func(who access.Actor) (int, error) {
			sh, err := pm.RoundOf(ctx, w.db, who, now, w.line.ID, calendar.DateOf(now)-9)
			if n, err := seenOne(err); n == 0 {
				return n, err
			}
			return len(sh.Done), nil
		},
	}
	look := func(when string, who access.Actor, want sight) {
		t.Helper()
		who, _, err := access.Load(ctx, w.db, who.ID)
		if err != nil {
			t.Fatal(err)
		}
		for name, way := range ways {
			n, err := way(who)
			if sees := want.now && !strings.HasPrefix(name, "past") || want.past && strings.HasPrefix(name, "past"); err != nil || (n > 0) != sees {
				t.Errorf("%s %s: %d %v, want %v", when, name, n, err, sees)
			}
		}
		if _, err := pm.FittingOf(ctx, w.db, who, now, round); fault.KindOf(err) != fault.Forbidden {
			t.Errorf("%s holds the plan against the register: %v", when, err)
		}
	}
	look("the owner", seller, sight{true, true})
	look("another's", other, sight{})
	pgtest.Done(t, w.db, sys, func(tx *gorm.DB) ([]assets.Ownership, error) {
		return assets.HandOver(tx, sys, w.site.ID, buyer.ID, now.AddDate(0, 0, -1))
	})
	look("the seller", seller, sight{false, true})
	look("the buyer", other, sight{true, false})
}

// Of each position the work that falls due first is told, how far its interval has run, and to
// nobody but those who have the site now.
func TestTheSoonestWorkOfAPosition(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	w.runs(t, w.tunnel, 400, 60, 10, 0)
	look := w.plan(t, "PM-010", low(every("P30D")))
	later := w.plan(t, "PM-011", low(every("P180D")))
	w.plan(t, "PM-008", pm.Terms{AppliesTo: "line", Criticality: "S", Triggers: []pm.Trigger{every("P7D")}}) // of the line, not of what stands on it
	w.plan(t, "PM-037", pm.Terms{Kinds: []string{"compressed_air"}, Triggers: []pm.Trigger{use("run_hours", 1500)}})
	w.tick(t, now)
	w.do(t, w.of(t, look, w.right.ID, day(12)), w.of(t, later, w.right.ID, day(20)), w.of(t, later, w.left.ID, day(20)))
	w.tick(t, now)
	seller := w.member(t, "seller", access.NewGrant{Role: "owner", CustomerID: &w.customer.ID})
	buyer := pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (assets.Customer, error) {
		return assets.AddCustomer(tx, sys, now, assets.CustomerEdit{Code: "BUY", Name: "Buyer"})
	})
	other := w.member(t, "other", access.NewGrant{Role: "owner", CustomerID: &buyer.ID})
	reads := func(who access.Actor, want int) map[uuid.UUID]pm.Explained {
		t.Helper()
		if who.ID != sys.ID {
			var err error
			if who, _, err = access.Load(ctx, w.db, who.ID); err != nil {
				t.Fatal(err)
			}
		}
		all, err := pm.Soonest(ctx, w.db, who, now, w.site.ID)
		if err != nil || len(all) != want {
			t.Errorf("%s reads of %d positions, %v", who.Name, len(all), err)
		}
		return all
	}
	reads(other, 0)
	reads(seller, 2)
	all := reads(sys, 2) // nobody can tell when the compressor's falls due
	r, l := all[w.right.ID], all[w.left.ID]
	if len(r.Parts) != 1 || r.PlanCode != "PM-010" || r.Governs != 0 || r.Parts[0].Used != 12 || r.Parts[0].Of != 30 || r.Explanation.State == due.Late {
		t.Errorf("at the right: %+v", r)
	}
	if len(l.Parts) != 1 || l.PlanCode != "PM-010" || l.Explanation.State != due.Late || l.Parts[0].Used < 30 {
		t.Errorf("at the left: %+v", l)
	}
	counted, k := pgdb.CountStatements(ctx)
	if _, err := pm.Soonest(counted, w.db, sys, now, w.site.ID); err != nil {
		t.Fatal(err)
	}
	few := k.Swap(0)
	for _, code := range []string{"PM-012", "PM-013", "PM-014"} {
		w.plan(t, code, low(every("P90D")))
	}
	w.plan(t, "PM-038", pm.Terms{Kinds: []string{"compressed_air"}, Triggers: []pm.Trigger{every("P90D")}})
	w.tick(t, now)
	if all, err := pm.Soonest(counted, w.db, sys, now, w.site.ID); err != nil || len(all) != 3 || k.Load() != few {
		t.Errorf("%d statements became %d for %d positions, %v", few, k.Load(), len(all), err)
	}
	pgtest.Done(t, w.db, sys, func(tx *gorm.DB) ([]assets.Ownership, error) {
		return assets.HandOver(tx, sys, w.site.ID, buyer.ID, now.AddDate(0, 0, -1))
	})
	reads(seller, 0)
	reads(other, 3)
}

// seenOne counts what was read, or was not there for the reader.
func seenOne(err error) (int, error) {
	switch {
	case err == nil:
		return 1, nil
	case fault.KindOf(err) == fault.NotFound:
		return 0, nil
	}
	return 0, err
}

// The round of the site's own staff: only theirs, for today or a day that was, put
// off in one act.
func TestTheRoundOfALine(t *testing.T) {
	t.Parallel()
	w := newWash(t)
	for code, skills := range map[string][]string{"PM-001": {"OP"}, "PM-004": {"OP"}, "PM-008": {"OP"}, "PM-010": {"T1"}} {
		w.procedure(t, code, func(c *pm.Content) { c.Skills = skills })
	}
	daily := w.plan(t, "PM-001", pm.Terms{AppliesTo: "line", Triggers: []pm.Trigger{{Kind: "each_operating_day"}}})
	w.plan(t, "PM-004", pm.Terms{Kinds: []string{"compressed_air"}, Triggers: []pm.Trigger{every("P7D")}}) // what the lines share
	w.plan(t, "PM-008", pm.Terms{AppliesTo: "line", Criticality: "S", Triggers: []pm.Trigger{every("P30D")}})
	w.plan(t, "PM-010", pm.Terms{AppliesTo: "line", Triggers: []pm.Trigger{every("P30D")}})
	w.tick(t, now)
	staff := w.member(t, "staff", access.NewGrant{Role: "site_staff", CustomerID: &w.customer.ID, SiteID: &w.site.ID})
	sheet := func(at time.Time, on calendar.Date) pm.Sheet {
		t.Helper()
		sh, err := pm.RoundOf(ctx, w.db, staff, at, w.line.ID, on)
		if err != nil {
			t.Fatal(err)
		}
		return sh
	}
	today := calendar.DateOf(now)
	if sh := sheet(now, 0); len(sh.Forms) != 3 || sh.Day != today || sh.Forms[0].Task.PlanCode != "PM-001" || len(sh.Done)+len(sh.Missed) != 0 {
		t.Errorf("%+v", sh)
	}
	_, err := pm.RoundOf(ctx, w.db, staff, now, w.line.ID, today+1)
	pgtest.Refused(t, "tomorrow", err, fault.Invalid, "on", "at the latest today")
	_, err = pm.RoundOf(ctx, w.db, staff, now, uuid.New(), 0)
	pgtest.Refused(t, "no line", err, fault.NotFound, "", "line")
	_, err = pm.SkipRound(ctx, w.db, staff, now, request(), w.line.ID, " ")
	pgtest.Refused(t, "no reason", err, fault.Invalid, "reason", "must not be blank")
	owner := w.member(t, "owner", access.NewGrant{Role: "owner", CustomerID: &w.customer.ID})
	_, err = pm.SkipRound(ctx, w.db, owner, now, request(), w.line.ID, "storm")
	pgtest.Refused(t, "an owner", err, fault.Forbidden, "", "do_rounds")
	of, err := pm.SkipRound(ctx, w.db, staff, now, request(), w.line.ID, "ice storm")
	if err != nil || len(of) != 2 {
		t.Fatalf("%v %v", of, err)
	}
	if err := pm.Follow(ctx, w.db, now, of); err != nil {
		t.Fatal(err)
	}
	w.sound(t, now)
	if sh := sheet(now, 0); len(sh.Forms) != 1 || sh.Forms[0].Task.PlanCode != "PM-008" || len(sh.Missed) != 2 || sh.Missed[0].EndedWhy != "ice storm" {
		t.Errorf("%+v", sh)
	}
	_, err = pm.SkipRound(ctx, w.db, staff, now, request(), w.line.ID, "again")
	pgtest.Refused(t, "again", err, fault.Conflict, "line_id", "nothing left today")
	before := w.count(t, `select missed as n from assignment where plan_id = @p`, map[string]any{"p": daily})
	next := now.AddDate(0, 0, 1)
	w.tick(t, next)
	if sh := sheet(next, 0); len(sh.Forms) != 3 {
		t.Errorf("the day after: %d", len(sh.Forms))
	}
	if n := w.count(t, `select missed as n from assignment where plan_id = @p`, map[string]any{"p": daily}); n > before {
		t.Errorf("the storm counts as missed: %d after %d", n, before)
	}
	if sh := sheet(next, today); len(sh.Forms) != 0 || len(sh.Missed) != 2 {
		t.Errorf("the day of the storm: %+v", sh)
	}
	w.tick(t, next.AddDate(0, 0, 1))
	if sh := sheet(next.AddDate(0, 0, 1), today+1); len(sh.Missed) != 1 || sh.Missed[0].State != "missed" {
		t.Errorf("what nobody did: %+v", sh.Missed)
	}
	w.sound(t, next.AddDate(0, 0, 1))
}
