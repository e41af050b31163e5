package visits_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/assets"
	"spindlebook/internal/fault"
	"spindlebook/internal/measure"
	"spindlebook/internal/parts"
	"spindlebook/internal/parts/amount"
	"spindlebook/internal/parts/stock"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgtest"
	"spindlebook/internal/pm"
	"spindlebook/internal/pm/visits"
)

func n(text string) amount.Amount {
	a, bad := amount.Parse(text)
	if bad != nil {
		panic(bad)
	}
	return a
}

// stocked is a part as it is counted, with its facts.
func (w *trade) stocked(number, description, class, tracking, unit string, facts ...string) uuid.UUID {
	w.t.Helper()
	in := assets.PartEdit{Number: number, Description: description, Class: class}
	for i := 0; i < len(facts); i += 2 {
		f := assets.PartFactEdit{Fact: facts[i], Value: facts[i+1]}
		if m, ok := measure.Parse(facts[i+1]); ok {
			f = assets.PartFactEdit{Fact: facts[i], Measure: &m}
		}
		in.Facts = append(in.Facts, f)
	}
	p := pgtest.Done(w.t, w.db, sys, func(tx *gorm.DB) (assets.Part, error) { return assets.AddPart(tx, sys, began, in) })
	pgtest.Done(w.t, w.db, sys, func(tx *gorm.DB) (parts.Stocking, error) {
		return parts.SetStocking(tx, sys, p.ID, p.Version, parts.StockingEdit{MeasuredIn: unit, BoughtIn: "ea", Pack: amount.One, Tracking: tracking})
	})
	return p.ID
}

// puts receives pieces, of a lot with a last day where it has one.
func (w *trade) puts(place, part uuid.UUID, much, lot, until string) {
	w.t.Helper()
	pgtest.Done(w.t, w.db, sys, func(tx *gorm.DB) ([]stock.Movement, error) {
		return stock.Move(tx, sys, now, []stock.Moving{{Kind: "receive", PartID: part, Lot: lot, Amount: n(much), To: &place, ExpiresOn: until, Sure: true, Reason: "first count"}})
	})
}

// motor receives a unit and records how it stands.
func (w *trade) motor(place, part uuid.UUID, tag string, facts ...string) uuid.UUID {
	w.t.Helper()
	m := pgtest.Done(w.t, w.db, sys, func(tx *gorm.DB) ([]stock.Movement, error) {
		return stock.ReceiveUnits(tx, sys, now, []stock.NewUnit{{PartID: part, Tag: tag, To: place, Reason: "first count"}})
	})
	for i := 0; i < len(facts); i += 2 {
		w.fact(*m[0].UnitID, facts[i], facts[i+1], assets.RecordOfUnit)
	}
	return *m[0].UnitID
}

func (w *trade) fact(of uuid.UUID, fact, value string, record func(*gorm.DB, actor, time.Time, uuid.UUID, assets.NewFact) (assets.Fact, error)) {
	w.t.Helper()
	seen := now.AddDate(0, 0, -7)
	f := assets.NewFact{Fact: fact, Value: value, From: new(now), SeenAt: &seen, SeenBy: "Imre", How: "seen"}
	if m, ok := measure.Parse(value); ok {
		f.Value, f.Measure = "", &m
	}
	pgtest.Done(w.t, w.db, sys, func(tx *gorm.DB) (assets.Fact, error) { return record(tx, sys, now, of, f) })
}

func (w *trade) requires(position uuid.UUID, facts ...string) {
	w.t.Helper()
	for i := 0; i < len(facts); i += 2 {
		w.fact(position, facts[i], facts[i+1], assets.Record)
	}
}

// with writes a procedure with what it takes.
func (w *trade) with(code string, change func(*pm.Content), lines ...parts.NewLine) {
	w.t.Helper()
	pgtest.Done(w.t, w.db, sys, func(tx *gorm.DB) (uuid.UUID, error) {
		ids, err := pm.AddProcedures(tx, sys, began, []pm.NewProcedure{{Code: code, Title: "Work " + code}})
		if err != nil {
			return uuid.Nil, err
		}
		c := pm.Content{People: 1, Skills: []string{"T1"}, Minutes: pm.Minutes{Low: 10, Typical: 25, High: 60}, LineState: "closed_hours"}
		if change != nil {
			change(&c)
		}
		v, err := pm.WriteDrafts(tx, sys, began, []pm.Write{{Procedure: ids[0], Content: c}})
		if err != nil {
			return uuid.Nil, err
		}
		if err := parts.SetLines(tx, sys, v[0], lines); err != nil {
			return uuid.Nil, err
		}
		return ids[0], pm.Publish(tx, sys, began, v)
	})
}

func always(part uuid.UUID, much string) parts.NewLine {
	return parts.NewLine{Need: "always", PartID: &part, Amount: n(much)}
}

func ifFound(part uuid.UUID, much, cause string, chance float64) parts.NewLine {
	return parts.NewLine{Need: "if_found", PartID: &part, Amount: n(much), Chance: &chance, Cause: cause}
}

// aside sets a unit or pieces aside for another task, as picking does.
func (w *trade) aside(part uuid.UUID, unit *uuid.UUID, task uuid.UUID, purpose, on, state string) {
	w.t.Helper()
	err := w.db.InTx(ctx, sys.ID, func(tx *gorm.DB) error {
		return tx.Exec(`insert into stock_claim (id, part_id, amount, needed_on, task_id, purpose, criticality, state, unit_id, made_at, made_by)
			values (?, ?, 1, cast(? as date), ?, ?, 'B', ?, ?, ?, ?)`, pgdb.NewID(), part, on, task, purpose, state, unit, now, sys.ID).Error
	})
	if err != nil {
		w.t.Fatal(err)
	}
}

// story is the check before driving out of the trade's own handbook: Ferrowick Gate,
// 208 V, NEMA, red, on 17 May.
type story struct {
	*trade
	visit                        uuid.UUID
	j01, j02, pm018              []uuid.UUID // tasks
	motor, swap, shaft, box, set uuid.UUID
	sectionA, sectionB           uuid.UUID
	warehouse                    uuid.UUID
}

func newStory(t *testing.T) *story {
	w := newTrade(t)
	s := &story{trade: w, warehouse: w.place("WH", "warehouse", nil).ID}
	supply := pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (assets.Supply, error) {
		return assets.AddSupply(tx, sys, began, w.site.ID, assets.NewSupply{Code: "208-3", Volts: 208, Phases: 3, Hertz: 60, From: &began})
	})
	if err := w.db.InTx(ctx, sys.ID, func(tx *gorm.DB) error {
		return tx.Exec(`update position set supply_id = ? where site_id = ?`, supply.ID, w.site.ID).Error
	}); err != nil {
		t.Fatal(err)
	}
	for _, p := range []uuid.UUID{w.left.ID, w.right.ID} {
		w.requires(p, "frame_standard", "NEMA", "frame_size", "56C", "bore", "1.375 in", "gearmotor_orientation", "O3")
	}
	s.motor = w.stocked("MW-10110", "gearmotor 1.5 hp", "gearmotor", "unit", "ea", "plate_volts", "208-230/460", "plate_hertz", "60", "plate_phases", "3", "leads", "9", "frame_standard", "NEMA", "frame_size", "56C", "bore", "1.375 in")
	s.swap, s.shaft = w.stocked("MW-95101", "swap kit 1-3/8", "kit", "kit", "ea"), w.stocked("MW-20110", "shaft 1-3/8", "bearing", "none", "ea")
	s.box, s.set = w.stocked("MW-95501", "box kit", "kit", "kit", "ea"), w.stocked("MW-31111", "foam set low red", "kit", "kit", "set")
	s.sectionA, s.sectionB = w.stocked("MW-30111", "section A red", "section", "lot", "ea"), w.stocked("MW-30112", "section B red", "section", "lot", "ea")
	pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (parts.Recipe, error) {
		return parts.SetRecipe(tx, sys, began, s.set, parts.NewRecipe{Pattern: "ABx8", Lines: []parts.NewRecipeLine{{PartID: s.sectionA, Amount: n("8"), Letter: "A"}, {PartID: s.sectionB, Amount: n("8"), Letter: "B"}}})
	})
	w.with("J01", func(c *pm.Content) {
		c.People, c.Skills, c.Minutes = 2, []string{"T2", "EL"}, pm.Minutes{Low: 120, Typical: 180, High: 300}
		c.Steps = []pm.Step{{Kind: "do", Says: "Mark the leads.", Skills: []string{"EL"}, Minutes: new(20)}, {Kind: "do", Says: "Set the links.", Skills: []string{"EL"}, Minutes: new(15)}}
	}, always(s.motor, "1"), always(s.swap, "1"), ifFound(s.shaft, "1", "shaft", 0.12), parts.NewLine{Need: "tool", Item: "puller", Amount: n("1")})
	w.with("PM-018", func(c *pm.Content) {
		c.People, c.Skills, c.Minutes = 2, []string{"EL", "T1"}, pm.Minutes{Low: 10, Typical: 15, High: 60}
	}, always(s.box, "1"))
	w.with("J02", func(c *pm.Content) {
		c.People, c.Skills, c.Minutes = 2, []string{"T1", "T1"}, pm.Minutes{Low: 70, Typical: 100, High: 170}
	}, always(s.set, "1"))
	w.with("J09", func(c *pm.Content) { c.Skills, c.LineState = []string{"T2"}, "not_applicable" })

	other := w.task("J01", 7, nil)
	reserved := w.motor(s.warehouse, s.motor, "B-0001", "gearmotor_orientation", "O12", "link_setting", "low")
	w.motor(s.warehouse, s.motor, "B-0002", "gearmotor_orientation", "O12", "link_setting", "low") // standard
	w.motor(s.warehouse, s.motor, "B-0003", "gearmotor_orientation", "O9", "link_setting", "low")  // prepared for another side
	w.aside(s.motor, &reserved, other, "UMB", "2026-05-19", "set_aside")
	w.puts(w.van.ID, s.swap, "1", "BAG-11", "")
	w.puts(w.van.ID, s.swap, "1", "BAG-12", "")
	w.puts(s.warehouse, s.shaft, "1", "", "")
	w.puts(w.van.ID, s.box, "2", "BAG-21", "")
	w.puts(w.van.ID, s.box, "1", "BAG-22", "2026-05-29") // one gasket lot expires in 12 days
	w.puts(s.warehouse, s.box, "1", "BAG-23", "")
	w.puts(s.warehouse, s.sectionA, "8", "L7", "")
	w.puts(s.warehouse, s.sectionB, "7", "L7", "") // one was used last week

	s.j01 = []uuid.UUID{w.task("J01", 5, nil)}
	for range 2 {
		s.pm018 = append(s.pm018, w.task("PM-018", 5, nil), w.task("PM-018", 5, func(n *pm.NewTask) { n.PositionID = &w.right.ID }))
	}
	s.j02 = []uuid.UUID{w.task("J02", 5, func(n *pm.NewTask) { n.PositionID = &w.right.ID })}
	s.visit = w.visit(5, func(n *visits.New) {
		n.Starts, n.Minutes = "08:00", 540
		n.People = append(n.People, visits.Going{PersonID: w.ida.ID}, visits.Going{PersonID: w.sparks.ID, Starts: "13:00", Minutes: 120})
		for _, t := range slices.Concat(s.j01, s.pm018, s.j02) {
			n.Tasks = append(n.Tasks, visits.Doing{TaskID: t})
		}
	})
	return s
}

func (w *trade) ready(ids ...uuid.UUID) []visits.Ready {
	w.t.Helper()
	var all []visits.Visit
	for _, id := range ids {
		all = append(all, w.one(id))
	}
	r, err := visits.Readiness(ctx, w.db, w.manager, now, all)
	if err != nil {
		w.t.Fatal(err)
	}
	return r
}

// The story of the trade's handbook, line by line (an invented example there).
func TestTheCheckBeforeDrivingOut(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	r := s.ready(s.visit)[0]
	byName := map[string]visits.JobReady{}
	for _, j := range r.Jobs {
		byName[j.Name] = j
	}
	line := func(j visits.JobReady, number string) visits.LineReady {
		t.Helper()
		i := slices.IndexFunc(j.Lines, func(l visits.LineReady) bool { return l.Number == number })
		if i < 0 {
			t.Fatalf("%s has no line of %s: %+v", j.Name, number, j.Lines)
		}
		return j.Lines[i]
	}
	from := func(l visits.LineReady) string {
		var s []string
		for _, f := range l.From {
			s = append(s, fmt.Sprintf("%s %s from %s", f.Amount, f.Item, f.Place))
		}
		return strings.Join(s, ", ")
	}
	// gearmotor: van 0, warehouse 3 = 1 reserved + 1 prepared + 1 standard -> the standard one, 35 min, somebody who can is there
	j01 := byName["J01 UMB-1/SBL-D"]
	if j01.Verdict != "go after work" || len(j01.Work) != 1 || j01.Work[0].Minutes != 35 || j01.Work[0].Who != "Imre" || j01.Work[0].Item != "MW-10110 no. B-0002" || !strings.Contains(j01.Work[0].What, "turn the gearbox from O12 to O3") {
		t.Errorf("J01: %+v", j01)
	}
	if got := from(line(j01, "MW-10110")); got != "1 MW-10110 no. B-0002 from warehouse" {
		t.Errorf("the gearmotor: %s", got)
	}
	// swap kit: van 2 sealed
	if got := line(j01, "MW-95101"); got.Short != 0 || !strings.HasSuffix(from(got), "from own van") {
		t.Errorf("the swap kit: %+v", got)
	}
	// shaft if worn, 12 %: van 0, warehouse 1, take it
	if got := line(j01, "MW-20110"); !got.IfFound || got.Short != 0 || from(got) != "1 MW-20110 from warehouse" {
		t.Errorf("the shaft: %+v", got)
	}
	// box kits x 4: van 3, one gasket lot expires in 12 days
	boxes, notes := map[string]int{}, []string{}
	for name, j := range byName {
		if strings.HasPrefix(name, "PM-018") && j.Verdict != "go" {
			t.Errorf("%s: %+v", name, j)
		}
	}
	for _, j := range r.Jobs {
		if strings.HasPrefix(j.Name, "PM-018") {
			boxes[line(j, "MW-95501").From[0].Place]++
			notes = append(notes, j.Notes...)
		}
	}
	if boxes["own van"] != 3 || boxes["warehouse"] != 1 || !slices.Contains(notes, "MW-95501 lot BAG-22 may be used until 29 May 2026") {
		t.Errorf("the box kits come from %v with the notes %q", boxes, notes)
	}
	// foam set: 8 A + 7 B
	j02 := byName["J02 UMB-1/SBL-P"]
	if j02.Verdict != "no-go" || len(j02.Against) != 1 || !strings.Contains(j02.Against[0], "cannot be put together: 7 of 8 MW-30112") {
		t.Errorf("J02: %+v", j02)
	}
	// crew: the electrician is there from 13:00 to 15:00
	if !slices.Equal(j01.Who, []string{"Imre", "Sparks"}) {
		t.Errorf("J01 is done by %q", j01.Who)
	}
	// verdict: no-go for J02; J01 and PM-018 go
	if r.Verdict != "no-go" || !strings.Contains(r.Says, "J02 UMB-1/SBL-P does not go") || !strings.Contains(r.Says, "J01 UMB-1/SBL-D goes after 35 minutes at the bench by Imre") || !strings.HasPrefix(r.Says, "PM-018") {
		t.Errorf("it says %q of %s", r.Says, r.Verdict)
	}
	// offer: move J02 to 31 May; a person's decision is remembered with what was said
	verdict, said, err := visits.Said(ctx, s.db, s.manager, now, s.visit, &s.j02[0])
	if err != nil || verdict != "no-go" || !strings.Contains(said, "MW-30112") {
		t.Errorf("said is %s %q, %v", verdict, said, err)
	}
	id := pgtest.Done(t, s.db, s.imre, func(tx *gorm.DB) (uuid.UUID, error) {
		return visits.Decide(tx, s.imre, now, s.visit, visits.Deciding{TaskID: &s.j02[0], Decision: "move", Reason: "with its twin on 31 May", Verdict: verdict, Said: said})
	})
	s.visitOn31(t)
	if got := s.ready(s.visit)[0]; got.Verdict != "go after work" {
		t.Errorf("without J02: %s", got.Says)
	}
	kept, err := visits.Decisions(ctx, s.db, s.manager, s.visit)
	if err != nil || len(kept) != 1 || kept[0].ID != id || kept[0].Verdict != "no-go" || kept[0].DecidedBy != "Imre" || kept[0].Reason != "with its twin on 31 May" {
		t.Errorf("decided was %+v, %v", kept, err)
	}
	whole, says, err := visits.Said(ctx, s.db, s.manager, now, s.visit, nil)
	if err != nil || whole != "go after work" || says == "" {
		t.Errorf("of the whole: %s %q, %v", whole, says, err)
	}
	if v, _, err := visits.Said(ctx, s.db, s.manager, now, s.visit, &s.j02[0]); err != nil || v != "not judged" {
		t.Errorf("of what is not on it: %s, %v", v, err)
	}
	for what, c := range map[string]struct {
		in          visits.Deciding
		field, says string
	}{
		"another's task": {visits.Deciding{TaskID: &s.j02[0], Decision: "go", Reason: "x"}, "task_id", "of this visit"},
		"no reason":      {visits.Deciding{Decision: "go"}, "reason", "blank"},
		"no decision":    {visits.Deciding{Decision: "dither", Reason: "x"}, "decision", "wait"},
	} {
		_, err := pgtest.Write(s.db, s.manager, func(tx *gorm.DB) (uuid.UUID, error) { return visits.Decide(tx, s.manager, now, s.visit, c.in) })
		pgtest.Refused(t, what, err, fault.Invalid, c.field, c.says)
	}
}

func (s *story) visitOn31(t *testing.T) {
	t.Helper()
	s.trade.visit(19, func(n *visits.New) { n.Tasks = []visits.Doing{{TaskID: s.j02[0], Moved: true}} })
}

// The van check of the same day: what is needed, what is in the van, what to fetch.
func TestTheVanCheckOfADay(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	// a second visit of Imre on that day takes the same shaft, if found, and a box kit
	again := s.task("J01", 5, func(n *pm.NewTask) { n.PositionID = &s.right.ID })
	evening := s.trade.visit(5, func(n *visits.New) {
		n.Starts, n.Minutes = "18:00", 300
		n.People = append(n.People, visits.Going{PersonID: s.sparks.ID})
		n.Tasks = []visits.Doing{{TaskID: again}}
	})
	check := func() visits.VanCheck {
		t.Helper()
		c, err := visits.CheckVan(ctx, s.db, s.imre, now, s.imre.ID, today+5)
		if err != nil {
			t.Fatal(err)
		}
		return c
	}
	c := check()
	if len(c.Visits) != 2 || c.Visits[1].ID != evening || len(c.Ready) != 2 {
		t.Fatalf("the day is %+v", c.Visits)
	}
	says := func(l visits.CheckLine) string {
		var fetch []string
		for _, f := range l.Fetch {
			fetch = append(fetch, f.Amount.String()+" "+f.Item)
		}
		return fmt.Sprintf("%s %s: %s and %s, van %s, fetch %v, short %s", l.Kind, l.Number, l.Always, l.Perhaps, l.InVan, fetch, l.Short)
	}
	var got []string
	lines := map[string]visits.CheckLine{}
	for _, l := range c.Lines {
		got, lines[l.Number] = append(got, says(l)), l
	}
	want := []string{
		"part MW-10110: 2 and 0, van 0, fetch [1 MW-10110 no. B-0002 1 MW-10110 no. B-0003], short 0",
		"part MW-20110: 0 and 2, van 0, fetch [], short 0",
		"part MW-31111: 1 and 0, van 0, fetch [], short 1",
		"part MW-95101: 2 and 0, van 2, fetch [], short 0",
		"part MW-95501: 4 and 0, van 3, fetch [1 MW-95501 lot BAG-23], short 0",
		"tool : 1 and 0, van 0, fetch [], short 0",
	}
	if !slices.Equal(got, want) {
		t.Errorf("the check is\n%s\nand should be\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
	if l := lines["MW-10110"]; len(l.Work) != 2 || l.Work[0].Minutes != 35 {
		t.Errorf("before leaving: %+v", l.Work)
	}
	if l := lines["MW-95501"]; l.Expiring != "may be used until 29 May 2026" {
		t.Errorf("expires: %q", l.Expiring)
	}
	// two swaps, each with 12 %: without a shaft it suffices with 0.88², with the one in the warehouse with 1 - 0.12²;
	// the foam set is nowhere, so neither matters as long as it is on the visit
	if c.Chance.Percent != 0 || c.Reached || c.Chance.Short[0].Number != "MW-31111" {
		t.Errorf("the chance is %+v, reached %v", c.Chance, c.Reached)
	}
	s.visitOn31(t)
	c = check()
	if c.Chance.Percent < 77.43 || c.Chance.Percent > 77.45 || len(c.More) != 1 || c.More[0].Number != "MW-20110" || c.More[0].Where != "WH" || c.More[0].Percent < 98.55 || c.More[0].Percent > 98.57 || !c.Reached || c.Target != 95 {
		t.Errorf("the chance is %+v with %+v", c.Chance, c.More)
	}
	// ticked off by hand, three times from a phone; the last word holds
	shaft := lines["MW-20110"].Key
	tick := []visits.Tick{{ID: pgdb.NewID(), Item: shaft, Ticked: true, At: now.Add(-time.Hour)}}
	for i, fresh := range []int{1, 0, 0} {
		if k, err := pgtest.Write(s.db, s.imre, func(tx *gorm.DB) (int, error) { return visits.TickOff(tx, s.imre, now, s.van.ID, today+5, tick) }); err != nil || k != fresh {
			t.Errorf("time %d: %d new, %v", i+1, k, err)
		}
	}
	ticked := func() visits.CheckLine {
		t.Helper()
		for _, l := range check().Lines {
			if l.Key == shaft {
				return l
			}
		}
		t.Fatal("the line is gone")
		return visits.CheckLine{}
	}
	if l := ticked(); !l.Ticked || l.TickedBy != "Imre" {
		t.Errorf("ticked is %+v", l)
	}
	pgtest.Done(t, s.db, s.imre, func(tx *gorm.DB) (int, error) {
		return visits.TickOff(tx, s.imre, now, s.van.ID, today+5, []visits.Tick{{ID: pgdb.NewID(), Item: shaft, Note: "it is bent"}})
	})
	if l := ticked(); l.Ticked || l.Note != "it is bent" {
		t.Errorf("ticked is %+v", l)
	}
	_, err := pgtest.Write(s.db, s.imre, func(tx *gorm.DB) (int, error) { return visits.TickOff(tx, s.imre, now, s.van.ID, today+5, nil) })
	pgtest.Refused(t, "nothing", err, fault.Invalid, "ticks", "500")
	_, err = pgtest.Write(s.db, s.imre, func(tx *gorm.DB) (int, error) {
		return visits.TickOff(tx, s.imre, now, s.van.ID, today+5, []visits.Tick{{}})
	})
	pgtest.Refused(t, "no id", err, fault.Invalid, "ticks[0].id", "given")
	_, err = pgtest.Write(s.db, s.manager, func(tx *gorm.DB) (int, error) {
		return visits.TickOff(tx, s.person("olga", "owner"), now, s.van.ID, today+5, tick)
	})
	pgtest.Refused(t, "an owner", err, fault.Forbidden, "", "record_work")
	_, err = visits.CheckVan(ctx, s.db, s.person("otto", "owner"), now, s.imre.ID, today+5)
	pgtest.Refused(t, "an owner looks", err, fault.Forbidden, "", "record_work")
	if c, err := visits.CheckVan(ctx, s.db, s.imre, now, s.imre.ID, today+1); err != nil || len(c.Visits) != 0 || c.Chance.Percent != 100 {
		t.Errorf("a free day: %+v, %v", c, err)
	}
}

// What is set aside, promised, opened, expired, somebody else's, on order or unknown.
func TestWhatLiesThereIsNotAllToBeHad(t *testing.T) {
	t.Parallel()
	w := newTrade(t)
	warehouse := w.place("WH", "warehouse", nil).ID
	shelf, elsewhere := w.place("SH-UMB", "site_shelf", &w.site.ID).ID, w.place("SH-FER", "site_shelf", &w.far.ID).ID
	seal, kit := w.stocked("SEAL", "seal", "seal", "lot_expiry", "ea"), w.stocked("KIT", "kit", "kit", "kit", "ea")
	nut := w.stocked("NUT", "nut", "fastener", "none", "ea")
	w.with("J06", nil, always(seal, "1"))
	w.with("J07", nil, always(nut, "2"))
	w.with("J08", nil, always(kit, "1"))
	a := w.task("J06", 5, nil)
	id := w.visit(5, func(n *visits.New) { n.Tasks = []visits.Doing{{TaskID: a}}; n.On = today + 6 })
	verdict := func() string {
		t.Helper()
		j := w.ready(id)[0].Jobs[0]
		s := j.Verdict
		if len(j.Lines) == 1 && len(j.Lines[0].From) == 1 {
			s += " from " + j.Lines[0].From[0].Place
		}
		return s + "; " + strings.Join(append(j.Against, j.Notes...), "; ")
	}
	if got := verdict(); got != "no-go; SEAL seal for J06 UMB-1/SBL-D: 0 of 1 ea there" {
		t.Errorf("nothing there: %s", got)
	}
	// a supplier that needs six working days and one that can do it
	w.supplier("SLOW", seal, 6)
	if got := verdict(); !strings.Contains(got, "ordered today it is here for a visit on 21 May 2026 or later") {
		t.Errorf("ordered: %s", got)
	}
	w.onOrder(seal, "3", "2026-05-20")
	if got := verdict(); !strings.Contains(got, "too late to be put ready") {
		t.Errorf("on order: %s", got)
	}
	w.promise(seal, "2026-05-14")
	if got := verdict(); got != "go from on order; SEAL, order O-1 is on order, expected on 14 May 2026: not here yet" {
		t.Errorf("on order in time: %s", got)
	}
	w.puts(warehouse, seal, "1", "OLD", "2026-05-17")
	w.puts(elsewhere, seal, "5", "L1", "2027-01-01")
	if got := verdict(); !strings.HasPrefix(got, "go from on order") {
		t.Errorf("expired by then, and another site's: %s", got)
	}
	w.puts(w.other.ID, seal, "1", "L1", "")
	if got := verdict(); !strings.HasPrefix(got, "go from another van") {
		t.Errorf("in another van: %s", got)
	}
	w.puts(warehouse, seal, "1", "L1", "")
	b := w.task("J06", 9, nil)
	w.aside(seal, nil, b, "J06 elsewhere", "2026-05-21", "open")
	if got := verdict(); !strings.HasPrefix(got, "go from another van") {
		t.Errorf("promised to others: %s", got)
	}
	w.puts(warehouse, seal, "1", "L2", "2027-02-01")
	if got := verdict(); !strings.HasPrefix(got, "go from warehouse") {
		t.Errorf("in the warehouse: %s", got)
	}
	w.puts(shelf, seal, "1", "L1", "")
	if got := verdict(); !strings.HasPrefix(got, "go from site shelf") {
		t.Errorf("on the site's shelf: %s", got)
	}
	w.puts(w.van.ID, seal, "1", "L1", "")
	if got := verdict(); !strings.HasPrefix(got, "go from own van") {
		t.Errorf("in the van: %s", got)
	}
	// its own claim holds nothing back
	w.aside(seal, nil, a, "J06", "2026-05-18", "open")
	if got := verdict(); !strings.HasPrefix(got, "go from own van") {
		t.Errorf("claimed by itself: %s", got)
	}

	// two visits of one day: what the first takes is not there for the second
	c, d := w.task("J07", 5, nil), w.task("J07", 5, nil)
	w.puts(warehouse, nut, "3", "", "")
	first := w.visit(5, func(n *visits.New) { n.Tasks = []visits.Doing{{TaskID: c}} })
	second := w.visit(5, func(n *visits.New) { n.Tasks = []visits.Doing{{TaskID: d}}; n.Starts = "13:00" })
	if r := w.ready(second, first); r[0].Verdict != "no-go" || r[1].Verdict != "go" {
		t.Errorf("together: %s and %s", r[0].Says, r[1].Says)
	}
	if r := w.ready(second); r[0].Verdict != "go" {
		t.Errorf("alone: %s", r[0].Says)
	}

	// an opened bag is no kit, whatever it holds
	w.puts(warehouse, kit, "1", "BAG-1", "")
	e := w.task("J08", 5, nil)
	third := w.visit(7, func(n *visits.New) { n.Tasks = []visits.Doing{{TaskID: e}} })
	if r := w.ready(third); r[0].Verdict != "go" {
		t.Errorf("a sealed bag: %s", r[0].Says)
	}
	err := w.db.InTx(ctx, sys.ID, func(tx *gorm.DB) error {
		return tx.Exec(`insert into kit_bag (lot_id, kit_id, state, built_at, built_by, opened_at, opened_by) select id, part_id, 'opened', @now, @who, @now, @who from lot where code = 'BAG-1'`,
			map[string]any{"now": now, "who": sys.ID}).Error
	})
	if err != nil {
		t.Fatal(err)
	}
	if r := w.ready(third); r[0].Verdict != "no-go" || !strings.Contains(r[0].Says, "opened") {
		t.Errorf("an opened bag: %s", r[0].Says)
	}
	if r, err := visits.Readiness(ctx, w.db, w.manager, now, nil); err != nil || len(r) != 0 {
		t.Errorf("of nothing: %v, %v", r, err)
	}
	_, err = visits.Readiness(ctx, w.db, w.manager, now, make([]visits.Visit, 101))
	pgtest.Refused(t, "too many", err, fault.Invalid, "visits", "100")
}

// A motor that nobody knows enough of is not ready; line-wide work is judged without a position.
func TestNobodyCanTellIsNotReady(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	s.requires(s.left.ID, "hub_fixing", "clamp4")
	hub := s.stocked("HUB", "hub", "bearing", "none", "ea")
	line := always(hub, "1")
	line.Condition = "media_colour = red"
	s.with("J03", nil, line)
	s.with("L1", nil, always(s.shaft, "1"))
	s.with("L2", nil, line)
	a, b := s.task("J03", 3, nil), s.task("L1", 3, func(n *pm.NewTask) { n.PositionID = nil })
	c := s.task("L2", 3, func(n *pm.NewTask) { n.PositionID = nil })
	id := s.trade.visit(3, func(n *visits.New) { n.Tasks = []visits.Doing{{TaskID: a}, {TaskID: b}, {TaskID: c}} })
	s.puts(s.van.ID, hub, "2", "", "")
	r := s.ready(id)[0]
	got := []string{}
	for _, j := range r.Jobs {
		got = append(got, j.Name+" "+j.Verdict)
	}
	if want := []string{"J03 UMB-1/SBL-D cannot tell", "L1 UMB-1 go", "L2 UMB-1 cannot tell"}; !slices.Equal(got, want) {
		t.Errorf("%q: %s", got, r.Says)
	}
	if m := r.Jobs[0].Missing; len(m) != 1 || !strings.Contains(m[0].Fact, "olour") || m[0].How != "look at the brush" {
		t.Errorf("missing is %+v", m)
	}
}

// Sections that must never be on one brush (common practice, no source) do not go out to be
// fitted beside each other, nor does a set that has both on it, nor one whose recipe has.
func TestWhatMixesDoesNotGo(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	for _, p := range []uuid.UUID{s.left.ID, s.right.ID} {
		s.requires(p, "media", "foam", "media_colour", "red", "media_pattern", "AABBx4")
	}
	facts := []string{"media", "foam", "media_colour", "red", "media_pattern", "AABBx4"}
	first, short := s.stocked("MW-30119", "section A red, first density", "section", "lot", "ea"), s.sectionB
	set := s.stocked("MW-31131", "foam set, low, red", "media_set", "unit", "ea", facts...)
	kit := s.stocked("MW-31141", "foam set, low, red, from the bench", "media_set", "kit", "set", facts...)
	for _, of := range []uuid.UUID{set, kit} {
		pgtest.Done(t, s.db, sys, func(tx *gorm.DB) (parts.Recipe, error) {
			return parts.SetRecipe(tx, sys, began, of, parts.NewRecipe{Pattern: "AABBx4", Lines: []parts.NewRecipeLine{{PartID: s.sectionA, Amount: n("8"), Letter: "A"}, {PartID: short, Amount: n("8"), Letter: "B"}}})
		})
	}
	s.puts(s.van.ID, first, "8", "F1", "")
	s.puts(s.warehouse, short, "1", "L7", "") // the eighth, so that a set could be built
	unit := s.trade.motor(s.van.ID, set, "S-0001")
	pgtest.Done(t, s.db, sys, func(tx *gorm.DB) ([]assets.ReplacedSection, error) {
		slot, err := pgdb.ID(tx, `select id from slot where position_id = ? and class = 'media_set'`, s.left.ID)
		if err != nil {
			return nil, err
		}
		fitted, err := assets.AddUnit(tx, sys, now, assets.NewUnit{UnitEdit: assets.UnitEdit{PartID: set, Serial: "fitted"}})
		if err != nil {
			return nil, err
		}
		if _, err = assets.Put(tx, sys, now, assets.Putting{UnitID: fitted.ID, Place: assets.Place{SlotID: &slot}, From: &began}); err != nil {
			return nil, err
		}
		return assets.ReplaceSection(tx, sys, now, unit, 3, "F1", now)
	})
	visit := func(day int, part uuid.UUID, code, much string) uuid.UUID {
		s.with(code, nil, always(part, much))
		task := s.task(code, day, nil)
		return s.trade.visit(day, func(n *visits.New) { n.VanID, n.Tasks = nil, []visits.Doing{{TaskID: task}} })
	}
	all := map[string]uuid.UUID{"section": visit(3, first, "X1", "2"), "unit": visit(4, set, "X2", "1"), "built": visit(6, kit, "X3", "1")}
	for what, id := range all {
		if r := s.ready(id)[0]; !strings.HasPrefix(r.Verdict, "go") {
			t.Errorf("before the rule, %s: %s", what, r.Says)
		}
	}
	for _, other := range []uuid.UUID{s.sectionA, short} {
		pgtest.Done(t, s.db, sys, func(tx *gorm.DB) (parts.Interchange, error) {
			return parts.AddInterchange(tx, sys, began, other, parts.NewInterchange{OtherID: map[bool]uuid.UUID{true: first, false: s.sectionA}[other == s.sectionA], Kind: "never_mix"})
		})
	}
	for what, says := range map[string]string{"section": "the set there has the other", "unit": "a section was replaced by the other", "built": "made of both"} {
		r := s.ready(all[what])[0]
		if why := fmt.Sprintf("%+v", r); strings.HasPrefix(r.Verdict, "go") || !strings.Contains(why, says) {
			t.Errorf("%s: %s\n%s", what, r.Verdict, why)
		}
	}
}

// Visits that hold more than is judged in one go are judged all the same, the earlier before
// the later, and answered in the order in which they were asked.
func TestACrowdOfTasksIsJudged(t *testing.T) {
	t.Parallel()
	w := newTrade(t)
	shaft := w.stocked("SHAFT", "shaft", "shaft", "none", "ea")
	w.with("L1", nil, always(shaft, "1"))
	w.with("L2", nil)
	w.puts(w.place("WH", "warehouse", nil).ID, shaft, "1", "", "")
	var found []visits.Visit
	for day := range 6 {
		var on []visits.Doing
		if day < 2 {
			on = []visits.Doing{{TaskID: w.task("L1", 9, func(n *pm.NewTask) { n.PositionID = nil })}}
		}
		id := w.visit(day+1, func(n *visits.New) { n.Tasks = on })
		w.sql(`
with t as (
  insert into task (site_id, line_id, procedure_id, origin, title, criticality, due_on, earliest_on, latest_on, raised_at, raised_by)
  select v.site_id, @line, p.id, 'hand', 'Look along the line', 'B', v.on_date, v.on_date, v.on_date, @now, @who
    from visit as v, procedure as p, generate_series(1, 180) where v.id = @visit and p.code = 'L2'
  returning id, site_id)
insert into visit_task (id, visit_id, site_id, task_id, ordinal, added_at, added_by) select gen_random_uuid(), @visit, t.site_id, t.id, 2, @now, @who from t`,
			map[string]any{"visit": id, "line": w.line.ID, "now": now, "who": sys.ID})
		found = append([]visits.Visit{w.one(id)}, found...)
	}
	all, err := visits.Readiness(ctx, w.db, w.manager, now, found)
	if err != nil || len(all) != len(found) {
		t.Fatalf("%d of %d visits are judged, %v", len(all), len(found), err)
	}
	for i, r := range all {
		jobs, got := 180, []string{}
		if first := len(found) - 1 - i; first < 2 {
			jobs = 181
		}
		for _, j := range r.Jobs {
			if strings.HasPrefix(j.Name, "L1") {
				got = append(got, j.Verdict)
			}
		}
		want := map[int]string{5: "go", 4: "no-go"}[i] // the earlier has the one that there is
		if r.VisitID != found[i].ID || len(r.Jobs) != jobs || strings.Join(got, " ") != want {
			t.Errorf("of the visit on %s: %d jobs, L1 %v, %s", found[i].OnDate, len(r.Jobs), got, r.Verdict)
		}
	}
}

// The number of statements does not grow with visits, tasks and stock.
func TestChecksTakeAConstantNumberOfStatements(t *testing.T) {
	t.Parallel()
	s := newStory(t)
	count := func() (ready, check int64) {
		t.Helper()
		counted, k := pgdb.CountStatements(ctx)
		found, err := visits.List(ctx, s.db, s.manager, visits.Filter{}, visits.Page{Limit: 50})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := visits.Readiness(counted, s.db, s.manager, now, found); err != nil {
			t.Fatal(err)
		}
		ready = k.Swap(0)
		if _, err := visits.CheckVan(counted, s.db, s.imre, now, s.imre.ID, today+5); err != nil {
			t.Fatal(err)
		}
		return ready, k.Load()
	}
	ready, check := count()
	for i := range 5 {
		var more []visits.Doing
		for range 6 {
			more = append(more, visits.Doing{TaskID: s.task([]string{"J01", "PM-018", "J02"}[i%3], 5, nil)})
		}
		s.trade.visit(5, func(n *visits.New) { n.Starts, n.Minutes, n.Tasks = fmt.Sprintf("%02d:00", 17+i), 60, more })
		s.puts(s.warehouse, s.box, "1", fmt.Sprint("MORE-", i), "")
	}
	if r, c := count(); r != ready || c != check || r > 60 || c > 60 {
		t.Errorf("%d and %d statements became %d and %d", ready, check, r, c)
	} else {
		t.Logf("%d statements judge, %d check a van", r, c)
	}
}
