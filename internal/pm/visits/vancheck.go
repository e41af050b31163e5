package visits

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/calendar"
	"spindlebook/internal/fault"
	"spindlebook/internal/parts/amount"
	"spindlebook/internal/parts/carry"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pm/visits/readiness"
)

// VanCheck is everything that a person's visits of a day take, and where it is.
type VanCheck struct {
	PersonID uuid.UUID
	On       calendar.Date
	Visits   []Visit // in the order in which they start
	Ready    []Ready
	Lines    []CheckLine
	Chance   Chance
	More     []More // what to take as well, the one that brings most for its cost first
	Reached  bool   // the target, with all of them
	Target   int    // percent
}

// CheckLine is one thing to have in the van.
type CheckLine struct {
	Key      string // names the line when it is ticked off
	Kind     string // part, tool or protective
	Number   string
	Says     string
	Unit     string
	Hazard   bool
	Always   amount.Amount // that the day takes for certain, consumables with it
	Perhaps  amount.Amount // that it takes if everything is found
	InVan    amount.Amount // that may be used on that day
	Fetch    []Source      // to have what is taken for certain
	Else     []Source      // where there is more
	Short    amount.Amount // that is nowhere
	Work     []BenchWork   // before it goes along
	For      []string      // tasks
	Expiring string        // "" or until when what is in the van may be used
	Ticked   bool
	TickedBy string
	Note     string
}

// Chance is that of no second trip for parts.
type Chance struct {
	Percent float64
	Error   float64 // half the width of its 95 % interval in percent, where it was simulated
	Short   []struct {
		Number  string
		Percent float64
	}
}

// More is a part to take as well.
type More struct {
	Number  string
	Says    string
	Amount  amount.Amount
	Unit    string
	Where   string
	Percent float64 // chance of no second trip with this and all before it
}

// A visit under way counts too: what it has used is gone from the van.
var live = []string{Proposed, Planned, UnderWay}

// CheckVan tells what a person's visits of a day take, across all of them, in a number
// of statements that does not grow with them.
func CheckVan(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, person uuid.UUID, on calendar.Date) (VanCheck, error) {
	if !who.Everywhere {
		if err := who.Must(access.RecordWork); err != nil {
			return VanCheck{}, err
		}
	}
	found, err := pgdb.Read[Visit](ctx, db, who.ID, visitRows+`
   and v.on_date = cast(@on as date) and v.state = any (cast(@live as text[])) and exists (select from visit_person as p where p.visit_id = v.id and p.person_id = @person)
order by v.starts_at, v.id limit @limit`, who.Scope(map[string]any{"on": on.UTC(), "live": live, "person": person, "limit": MostJudged}))
	if err != nil {
		return VanCheck{}, err
	}
	out := VanCheck{PersonID: person, On: on, Visits: found, Lines: []CheckLine{}, More: []More{}, Chance: Chance{Percent: 100}, Reached: true}
	if len(found) == 0 {
		return out, nil
	}
	s, err := supply(ctx, db, who, now, found)
	if err != nil {
		return out, err
	}
	return out, s.check(ctx, db, who, &out)
}

// checker adds up one day.
type checker struct {
	*supplies
	lines map[string]*CheckLine
	keys  []string
	van   map[uuid.UUID]bool
	first *shelf // before anything is taken
}

func (c *checker) line(key string) *CheckLine {
	l, known := c.lines[key]
	if !known {
		l = &CheckLine{Key: key, Fetch: []Source{}, Else: []Source{}, Work: []BenchWork{}, For: []string{}}
		c.lines[key], c.keys = l, append(c.keys, key)
	}
	return l
}

func (s *supplies) check(ctx context.Context, db *pgdb.DB, who access.Actor, out *VanCheck) error {
	c := &checker{supplies: s, lines: map[string]*CheckLine{}, van: map[uuid.UUID]bool{}}
	for _, t := range s.trips {
		if t.VanID != nil {
			c.van[*t.VanID] = true
		}
	}
	// what lies where, before the visits share it out
	before := slices.Clone(s.lots)
	var err error
	var shelves []*shelf
	if out.Ready, shelves, err = s.ready(); err != nil {
		return err
	}
	used := s.lots
	s.lots = before
	c.first = s.shelf(s.trips[0])
	s.lots = used
	for i, t := range s.trips {
		c.gather(t, shelves[i], out.Ready[i])
	}
	c.where()
	if err := c.chance(out); err != nil {
		return err
	}
	if err := c.ticks(ctx, db, who, out); err != nil {
		return err
	}
	rank := map[string]int{"part": 0, "tool": 1, "protective": 2}
	slices.SortStableFunc(c.keys, func(a, b string) int {
		x, y := c.lines[a], c.lines[b]
		return cmp.Or(rank[x.Kind]-rank[y.Kind], strings.Compare(x.Number, y.Number), strings.Compare(x.Says, y.Says))
	})
	for _, k := range c.keys {
		out.Lines = append(out.Lines, *c.lines[k])
	}
	return nil
}

// gather adds what one visit takes.
func (c *checker) gather(t trip, sh *shelf, r Ready) {
	for k := range t.tasks {
		x := &t.tasks[k]
		if x.State != "open" {
			continue
		}
		for _, n := range c.needs[x.TaskID] {
			var l *CheckLine
			switch {
			case n.Need == "tool" || n.Need == "protective":
				l = c.line(n.Need + " " + n.Says)
				l.Kind, l.Number, l.Says = n.Need, n.Number, n.Says
				if l.Always < n.Amount { // the same wrench serves every job
					l.Always = n.Amount
				}
			case n.PartID == nil:
				l = c.line("part " + n.Says)
				l.Kind, l.Says, l.Note = "part", n.Says, doubts(n)
				l.Always += n.Amount
			default:
				l = c.line(n.PartID.String())
				l.Kind, l.Number, l.Says, l.Unit = "part", n.Number, n.Says, n.MeasuredIn
				if n.always() {
					l.Always += n.Amount
				} else {
					l.Perhaps += n.Amount
				}
				if d := doubts(n); d != "" {
					l.Note = d
				}
			}
			if !slices.Contains(l.For, x.name()) {
				l.For = append(l.For, x.name())
			}
		}
	}
	// from where what is taken for certain comes
	for _, j := range r.Jobs {
		for _, line := range j.Lines {
			l := c.byNumber(line.Number)
			if l == nil || line.IfFound {
				continue
			}
			for _, f := range line.From {
				if f.Place != placeWords[readiness.OwnVan] {
					l.Fetch = join(l.Fetch, f)
				}
			}
			l.Short += line.Short
		}
		for _, w := range j.Work {
			for _, k := range c.keys {
				if l := c.lines[k]; l.Number != "" && slices.ContainsFunc(l.Fetch, func(f Source) bool { return f.Item == w.Item }) || strings.HasPrefix(w.Item, l.Number+" ") && l.Number != "" {
					l.Work = append(l.Work, w)
					break
				}
			}
		}
	}
}

func (c *checker) byNumber(number string) *CheckLine {
	for _, k := range c.keys {
		if c.lines[k].Number == number {
			return c.lines[k]
		}
	}
	return nil
}

func doubts(n taking) string {
	var s []string
	for _, m := range n.Missing {
		s = append(s, m.Fact+" ("+m.How+")")
	}
	return strings.Join(s, " ")
}

// join adds up what comes from one place.
func join(all []Source, f Source) []Source {
	for i := range all {
		if all[i].Item == f.Item && all[i].Where == f.Where {
			all[i].Amount += f.Amount
			return all
		}
	}
	return append(all, f)
}

// where tells what is in the van and where there is more.
func (c *checker) where() {
	last := c.day(c.trips[0])
	for _, t := range c.trips {
		last = max(last, c.day(t))
	}
	for _, k := range c.keys {
		l := c.lines[k]
		id, err := uuid.Parse(k)
		if err != nil {
			continue
		}
		for i, it := range c.first.items {
			lot := c.first.lots[i]
			if lot == nil || lot.PartID != id && !slices.Contains(c.about[id].Others, lot.PartID) || it.SetAside != "" || lot.Opened || lot.Withdrawn {
				continue
			}
			if it.Expires != 0 && it.Expires < last {
				if it.Place == readiness.OwnVan {
					l.Expiring = "may be used until " + it.Expires.Words() + " only"
				}
				continue
			}
			if it.Place != readiness.OwnVan {
				l.Else = join(l.Else, c.first.source(i, amount.Amount(it.Amount)))
				continue
			}
			l.InVan += amount.Amount(it.Amount)
			if it.Expires != 0 && it.Expires <= last+14 {
				l.Expiring = "may be used until " + it.Expires.Words()
			}
		}
	}
}

// where names the place of a task: what wears there is one event for every job at it.
func (t Task) where() string {
	if t.PositionID != nil {
		return t.PositionID.String()
	}
	return t.TaskID.String()
}

// chance tells how likely what is in the van, and what is fetched for certain, suffices.
func (c *checker) chance(out *VanCheck) error {
	var lines []carry.Line
	carried := map[string]int64{}
	offers := []carry.Offer{}
	out.Target = c.rule.TargetPercent
	for _, t := range c.trips {
		for k := range t.tasks {
			x := &t.tasks[k]
			if x.State != "open" {
				continue
			}
			for _, n := range c.needs[x.TaskID] {
				if n.PartID == nil || n.Need == "tool" || n.Need == "protective" {
					continue
				}
				l := carry.Line{Part: n.PartID.String(), Need: int64(n.Amount), Chance: 1}
				if !n.always() && n.Chance != nil {
					l.Chance = *n.Chance
					if n.Cause != "" {
						l.Cause = x.where() + " " + n.Cause
					}
				}
				lines = append(lines, l)
			}
		}
	}
	for _, k := range c.keys {
		id, err := uuid.Parse(k)
		if err != nil {
			continue
		}
		l, a := c.lines[k], c.about[id]
		have := l.InVan
		for _, f := range l.Fetch {
			have += f.Amount
		}
		carried[k] = int64(have)
		free := amount.Amount(0)
		for _, e := range l.Else {
			if e.Place == placeWords[readiness.Warehouse] || e.Place == placeWords[readiness.SiteShelf] {
				free += e.Amount
			}
		}
		for _, f := range l.Fetch {
			free -= f.Amount
		}
		if free > 0 && l.Perhaps > 0 {
			// handling, and weight in the van (common practice, no source)
			offers = append(offers, carry.Offer{Part: k, Step: int64(amount.One), Most: int64(free), Cost: 100 + int64(50*a.WeightKg)})
		}
	}
	advice, err := carry.Best(lines, carried, offers, float64(c.rule.TargetPercent)/100)
	if err != nil {
		return err
	}
	out.Chance = Chance{Percent: 100 * advice.Before.Chance, Error: 100 * advice.Before.Error}
	for _, x := range advice.Before.Short {
		out.Chance.Short = append(out.Chance.Short, struct {
			Number  string
			Percent float64
		}{c.lines[x.Part].Number, 100 * x.Chance})
	}
	out.Reached = advice.Reached
	for _, x := range advice.Add {
		l := c.lines[x.Part]
		more := More{Number: l.Number, Says: l.Says, Amount: amount.Amount(x.Amount), Unit: l.Unit, Percent: 100 * x.Chance}
		for _, e := range l.Else {
			if e.Place == placeWords[readiness.Warehouse] || e.Place == placeWords[readiness.SiteShelf] {
				more.Where = e.Where
				break
			}
		}
		out.More = append(out.More, more)
	}
	return nil
}

// ticks adds what was ticked off; the last word of an item holds.
func (c *checker) ticks(ctx context.Context, db *pgdb.DB, who access.Actor, out *VanCheck) error {
	vans := keys(c.van)
	rows, err := pgdb.Read[struct {
		Item   string
		Ticked bool
		Note   string
		Name   string
	}](ctx, db, who.ID, `
select distinct on (k.item) k.item, k.ticked, k.note, coalesce(a.name, '') as name
  from van_tick as k left join actor as a on a.id = k.recorded_by
 where k.van_id = any (cast(@vans as uuid[])) and k.on_date = cast(@on as date)
order by k.item, k.at desc, k.id desc`, map[string]any{"vans": vans, "on": out.On.UTC()})
	for _, r := range rows {
		if l := c.lines[r.Item]; l != nil {
			l.Ticked, l.TickedBy = r.Ticked, r.Name
			l.Note = strings.TrimSpace(l.Note + " " + r.Note)
		}
	}
	return err
}

// SayLate says what could not be said when somebody left, while it is time.
func SayLate(ctx context.Context, db *pgdb.DB, now time.Time) error {
	left, err := pgdb.Read[struct{ ID uuid.UUID }](ctx, db, access.System.ID, `
select distinct v.id from visit as v join visit_entry as e on e.visit_id = v.id and e.act = 'left' and e.at > @told
 where v.state = 'under_way' and v.said_chance is null`, map[string]any{"told": now.Add(-told)})
	for _, v := range left {
		err = errors.Join(err, Say(ctx, db, now, v.ID))
	}
	return err
}

// Say keeps, once for each visit, the chance of no second trip for parts that stood when
// somebody left for it, so that what came can be held against what was said. It is the
// chance of that person's whole day, of whoever left first of those who go. A visit that could not go says nothing, and so does
// one of which nobody told in time that he left for it: its van has been used since.
func Say(ctx context.Context, db *pgdb.DB, now time.Time, id uuid.UUID) error {
	v, err := One(ctx, db, access.System, id)
	if err != nil || v.SaidChance != nil || v.State != UnderWay {
		return err
	}
	left, err := pgdb.Read[struct{ PersonID uuid.UUID }](ctx, db, access.System.ID, `
select e.person_id from visit_entry as e join visit_person as p on p.visit_id = e.visit_id and p.person_id = e.person_id
 where e.visit_id = @id and e.act = 'left' and e.at > @told order by e.at, e.id limit 1`,
		map[string]any{"id": id, "told": now.Add(-told)})
	if err != nil || len(left) == 0 {
		return err
	}
	c, err := CheckVan(ctx, db, access.System, now, left[0].PersonID, dayOf(v.OnDate))
	if err != nil {
		return err
	}
	for _, r := range c.Ready {
		if r.VisitID == id && r.Verdict != "go" && r.Verdict != "go after work" {
			return nil
		}
	}
	return db.InTx(ctx, access.System.ID, func(tx *gorm.DB) error {
		return tx.Exec(`update visit set said_chance = ? where id = ? and said_chance is null`, int(math.Round(c.Chance.Percent*100)), id).Error
	})
}

// Tick is that something was put into the van, or is not there after all.
type Tick struct {
	ID     uuid.UUID // chosen by the phone: the same again is no new one
	Item   string    // the key of a line of the van check
	Ticked bool
	Note   string
	At     time.Time
}

// TickOff keeps ticks of a van for a day.
func TickOff(tx *gorm.DB, who access.Actor, now time.Time, van uuid.UUID, on calendar.Date, in []Tick) (int, error) {
	if err := who.Must(access.RecordWork); err != nil {
		return 0, err
	}
	if len(in) == 0 || len(in) > 500 {
		return 0, fault.Field("ticks", len(in), "are 1 to 500 at once")
	}
	type row struct {
		ID     uuid.UUID `json:"id"`
		Item   string    `json:"item"`
		Ticked bool      `json:"ticked"`
		Note   string    `json:"note"`
		At     time.Time `json:"at"`
	}
	rows := make([]row, len(in))
	for i, t := range in {
		if t.ID == uuid.Nil || t.Item == "" {
			return 0, fault.Field(fmt.Sprintf("ticks[%d].id", i), "", "and item are given by whoever ticks off")
		}
		if t.At.IsZero() || t.At.After(now) {
			t.At = now
		}
		rows[i] = row{t.ID, t.Item, t.Ticked, strings.TrimSpace(t.Note), t.At}
	}
	r := tx.Exec(`
insert into van_tick (id, van_id, on_date, item, ticked, note, at, recorded_at, recorded_by)
select id, @van, cast(@on as date), item, ticked, note, at, @now, @who
  from jsonb_to_recordset(cast(@rows as jsonb)) as r(id uuid, item text, ticked boolean, note text, at timestamptz)
on conflict (id) do nothing`, map[string]any{"van": van, "on": on.UTC(), "rows": document(rows), "now": now, "who": who.ID})
	return int(r.RowsAffected), r.Error
}
