package parts

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/condition"
	"spindlebook/internal/fault"
	"spindlebook/internal/parts/amount"
	"spindlebook/internal/parts/fit"
	"spindlebook/internal/pgdb"
)

// Line is what a version of a procedure takes, somewhere.
type Line struct {
	ID             uuid.UUID
	VersionID      uuid.UUID
	Ordinal        int
	Need           string // always, if_found, consumable, tool or protective
	PartID         *uuid.UUID
	Number         *string // of the part
	Slot           *string // instead of a part: whatever fits there
	Item           *string // instead of a part: in words
	Amount         amount.Amount
	Chance         *float64 // of a line needed if something is found
	Cause          string   // lines of one cause occur together
	Condition      string
	RuleGroup      string
	OneOf          bool // of the lines of its group exactly one is taken
	Why            string
	ReturnIfUnused bool
}

// NewLine is what it takes to say what a procedure takes: a part, a slot or an item.
type NewLine struct {
	Need           string
	PartID         *uuid.UUID
	Slot           string
	Item           string
	Amount         amount.Amount
	Chance         *float64
	Cause          string
	Condition      string
	RuleGroup      string
	OneOf          bool
	Why            string
	ReturnIfUnused bool
}

const lines = `
select l.id, l.version_id, l.ordinal, l.need, l.part_id, p.number, l.slot, l.item, l.amount, l.chance, l.cause, l.condition, l.rule_group, l.one_of, l.why, l.return_if_unused
  from requirement_line as l
  left join part as p on p.id = l.part_id`

// LinesOf lists what a version of a procedure takes, under all conditions.
func LinesOf(ctx context.Context, db *pgdb.DB, who access.Actor, version uuid.UUID) ([]Line, error) {
	return pgdb.Read[Line](ctx, db, who.ID, lines+` where l.version_id = @version order by l.ordinal`, map[string]any{"version": version})
}

// SetLines makes what a draft of a procedure takes what is given. A published
// version stays as it is.
func SetLines(tx *gorm.DB, who access.Actor, version uuid.UUID, in []NewLine) error {
	if err := who.Must(access.Plan); err != nil {
		return err
	}
	if len(in) > 300 {
		return fault.Field("lines", len(in), "takes at most 300 lines")
	}
	var about struct {
		Code      string
		Published bool
		Facts     List[string]
	}
	r := tx.Raw(`
select p.code, v.published_at is not null as published,
       (select jsonb_agg(code) from fact_kind) as facts
  from procedure_version as v join procedure as p on p.id = v.procedure_id where v.id = ?`, version).Scan(&about)
	if r.Error != nil {
		return r.Error
	}
	if r.RowsAffected == 0 {
		return fault.Missing("version of a procedure", version.String())
	}
	if about.Published {
		return &fault.Error{Kind: fault.Conflict, Field: "version_id", Value: about.Code, Msg: "is published and stays as it is; make a draft of the procedure"}
	}
	type row struct {
		ID        uuid.UUID     `json:"id"`
		Ordinal   int           `json:"ordinal"`
		Need      string        `json:"need"`
		PartID    *uuid.UUID    `json:"part_id"`
		Slot      *string       `json:"slot"`
		Item      *string       `json:"item"`
		Amount    amount.Amount `json:"amount"`
		Chance    *float64      `json:"chance"`
		Cause     string        `json:"cause"`
		Condition string        `json:"condition"`
		RuleGroup string        `json:"rule_group"`
		OneOf     bool          `json:"one_of"`
		Why       string        `json:"why"`
		Return    bool          `json:"return_if_unused"`
	}
	var faults []*fault.Error
	rows := make([]row, len(in))
	for i, l := range in {
		at := func(field string) string { return fmt.Sprintf("lines[%d].%s", i, field) }
		c, bad := condition.Parse(l.Condition, at("condition"))
		faults = append(faults, bad)
		for _, f := range c.Facts() {
			if !slices.Contains(asked, f) && !slices.Contains(about.Facts, f) {
				faults = append(faults, fault.Field(at("condition"), f, "is no fact that could be known; see /fact-kinds, or %s", strings.Join(asked, ", ")))
			}
		}
		named := 0
		for _, given := range []bool{l.PartID != nil, l.Slot != "", strings.TrimSpace(l.Item) != ""} {
			if given {
				named++
			}
		}
		switch {
		case !isNeed(l.Need):
			faults = append(faults, fault.Field(at("need"), l.Need, "is %s", strings.Join(needs, ", ")))
		case named != 1:
			faults = append(faults, fault.Field(at("part_id"), "", "or slot or item names what is taken: one of the three"))
		case l.Amount <= 0:
			faults = append(faults, fault.Field(at("amount"), l.Amount, "lies above 0"))
		case (l.Need == "if_found") != (l.Chance != nil):
			faults = append(faults, fault.Field(at("chance"), "", "is given where the line is needed if something is found, and only there"))
		case l.Chance != nil && !(*l.Chance > 0 && *l.Chance < 1):
			faults = append(faults, fault.Field(at("chance"), *l.Chance, "lies above 0 and below 1; what is always needed is always"))
		case l.Need != "if_found" && l.Cause != "":
			faults = append(faults, fault.Field(at("cause"), l.Cause, "is given where the line is needed if something is found, and only there"))
		case l.OneOf && l.RuleGroup == "":
			faults = append(faults, fault.Field(at("rule_group"), "", "names the group of which one line is taken"))
		}
		rows[i] = row{pgdb.NewID(), (i + 1) * 10, l.Need, l.PartID, given(l.Slot), given(l.Item), l.Amount, l.Chance, strings.TrimSpace(l.Cause), c.String(),
			strings.TrimSpace(l.RuleGroup), l.OneOf, strings.TrimSpace(l.Why), l.ReturnIfUnused}
	}
	if err := fault.Collect(faults...); err != nil {
		return err
	}
	doc, err := json.Marshal(rows)
	if err != nil {
		return err
	}
	v := map[string]any{"version": version, "rows": string(doc)}
	if err := tx.Exec(`delete from requirement_line where version_id = @version`, v).Error; err != nil {
		return err
	}
	return tx.Exec(`
insert into requirement_line (id, version_id, ordinal, need, part_id, slot, item, amount, chance, cause, condition, rule_group, one_of, why, return_if_unused)
select id, @version, ordinal, need, part_id, slot, item, amount, chance, cause, condition, rule_group, one_of, why, return_if_unused
  from jsonb_to_recordset(cast(@rows as jsonb)) as r(id uuid, ordinal int, need text, part_id uuid, slot text, item text, amount numeric, chance float8, cause text,
       condition text, rule_group text, one_of boolean, why text, return_if_unused boolean)`, v).Error
}

func given(s string) *string {
	if s = strings.TrimSpace(s); s == "" {
		return nil
	}
	return &s
}

// CopyLines gives a draft the lines of another version, such as the one it was
// made from.
func CopyLines(tx *gorm.DB, who access.Actor, from, to uuid.UUID) error {
	if err := who.Must(access.Plan); err != nil {
		return err
	}
	return tx.Exec(`
insert into requirement_line (id, version_id, ordinal, need, part_id, slot, item, amount, chance, cause, condition, rule_group, one_of, why, return_if_unused)
select gen_random_uuid(), @to, ordinal, need, part_id, slot, item, amount, chance, cause, condition, rule_group, one_of, why, return_if_unused
  from requirement_line where version_id = @from`, map[string]any{"from": from, "to": to}).Error
}

// CarryLines gives a draft the lines of the version of its procedure that holds now, so that
// the next version takes what the last one took until somebody says otherwise. A draft
// that has lines keeps them.
func CarryLines(tx *gorm.DB, who access.Actor, draft uuid.UUID) error {
	last, err := pgdb.ID(tx, `
select n.version_id as id
  from procedure_version as v
  join procedure_now as n on n.id = v.procedure_id and n.version_id <> v.id
 where v.id = ? and not exists (select from requirement_line as l where l.version_id = v.id)`, draft)
	if err != nil || last == uuid.Nil {
		return err
	}
	return CopyLines(tx, who, last, draft)
}

// Ask is work at a position: what does it take?
type Ask struct {
	PositionID uuid.UUID
	VersionID  uuid.UUID // of the procedure
	Method     string    // the way chosen; "": the first that the version has
}

// Needs is what a piece of work takes at its position.
type Needs struct {
	Ask
	Position     string // its code
	PositionSays string // its name
	Procedure    string // its code
	Title        string
	Lines        []Taken  // in the order in which they are read out
	Gaps         []string // groups of which no line applies, though one should
}

// Standings of a line.
const (
	Take  = "take"
	Check = "check" // nobody can tell whether it is needed, or whether it is the right one
)

// Taken is a line that applies, or may apply.
type Taken struct {
	LineID         uuid.UUID
	Need           string
	Standing       string
	PartID         *uuid.UUID
	Number         string // "" where there is only an item in words
	Says           string // description or item
	MeasuredIn     string
	Tracking       string
	Hazard         string
	Amount         amount.Amount
	Chance         *float64
	Cause          string
	RuleGroup      string
	Why            string        // why it is in the list
	Doubt          []string      // why it stands at check
	Missing        []fit.Missing // the facts that would settle it
	Instead        string        // the number in the procedure, where another part follows it
	Fit            *fit.Answer   // where rules say what must agree
	ReturnIfUnused bool
}

// Say reads a line out: "1 ea MW-10110, Gearmotor 1.5 hp …; always: the unit itself".
func (t Taken) Say() string {
	s := t.Amount.String() + " " + t.MeasuredIn + " " + t.Number + ", " + t.Says
	if t.Number == "" {
		s = t.Says
		if t.Amount != amount.One {
			s = t.Amount.String() + " × " + s
		}
	}
	if t.Instead != "" {
		s += ", in place of " + t.Instead
	}
	need := map[string]string{"always": "always", "if_found": "if found", "consumable": "consumed", "tool": "tool", "protective": "protective gear"}[t.Need]
	if t.Chance != nil {
		need += fmt.Sprintf(", %.0f %%", *t.Chance*100)
	}
	s += "; " + need
	if t.Why != "" {
		s += ": " + t.Why
	}
	if t.Fit != nil {
		for _, w := range t.Fit.Work {
			s += "; first " + w.What + " (" + w.By + ")"
		}
	}
	if t.Standing == Check {
		s += "; CHECK: " + strings.Join(t.Doubt, " ")
	}
	return s
}

// mostAsks bounds one question.
const mostAsks = 1000

// What a piece of work takes, with what its version offers as methods.
const versions = `
select v.id, p.code, p.title,
       coalesce((select jsonb_agg(o.code order by o.ordinal) from procedure_option as o where o.version_id = v.id), '[]') as methods
  from procedure_version as v join procedure as p on p.id = v.procedure_id
 where v.id = any (cast(@versions as uuid[]))`

// The parts of the lines, those that follow them, and those of the classes that are
// asked for by slot; each with what follows it.
const itemsOf = `
with recursive wanted as (
  select id from (select id from part where id = any (cast(@parts as uuid[])) union all select id from part where class = any (cast(@classes as text[]))) as named
   union
  select t.part_id from wanted as w
    join part_succession as s on s.part_id = w.id and upper_inf(s.during)
    join part_succession_to as t on t.succession_id = s.id
)
select i.*, coalesce(n.after_it, '[]') as after_it
  from (select distinct id from wanted) as w
 cross join lateral (` + items + ` where p.id = w.id offset 0) as i
  left join lateral (
    select jsonb_agg(jsonb_build_object('Kind', s.kind, 'OnlyWhere', s.only_where,
             'To', (select coalesce(jsonb_agg(jsonb_build_object('PartID', t.part_id, 'Amount', t.amount) order by o.number), '[]')
                      from part_succession_to as t join part as o on o.id = t.part_id where t.succession_id = s.id)) order by s.only_where desc) as after_it
      from part_succession as s where s.part_id = i.id and upper_inf(s.during)) as n on true
 limit 20001`

type followed struct {
	item
	AfterIt []struct {
		Kind      string
		OnlyWhere string
		To        []NewSuccessor
	}
}

// resolver holds what was read for one question.
type resolver struct {
	*Matcher
	items      map[uuid.UUID]followed
	byClass    map[string][]followed
	conditions map[string]parsed
}

// Resolve tells what each piece of work takes at its position, in a number of
// statements that does not grow with them. A line whose condition cannot be judged stands at
// check and is never dropped; of a group of which one line is taken there is one, or all that
// may be it at check, or a gap. Parts that others follow are given as those.
func Resolve(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, asks []Ask) ([]Needs, error) {
	if len(asks) > mostAsks {
		return nil, fault.Field("items", len(asks), "takes at most %d at once", mostAsks)
	}
	positions := make([]uuid.UUID, len(asks))
	for i, a := range asks {
		positions[i] = a.PositionID
	}
	m, err := NewMatcher(ctx, db, who, now, positions)
	if err != nil {
		return nil, err
	}
	return m.Resolve(ctx, db, who, asks)
}

// Resolve is the same for positions that the matcher has read already.
func (m *Matcher) Resolve(ctx context.Context, db *pgdb.DB, who access.Actor, asks []Ask) ([]Needs, error) {
	if len(asks) > mostAsks {
		return nil, fault.Field("items", len(asks), "takes at most %d at once", mostAsks)
	}
	wanted := make([]uuid.UUID, len(asks))
	for i, a := range asks {
		wanted[i] = a.VersionID
	}
	r := resolver{Matcher: m, items: map[uuid.UUID]followed{}, byClass: map[string][]followed{}, conditions: map[string]parsed{}}
	type version struct {
		ID          uuid.UUID
		Code, Title string
		Methods     []string
	}
	vs, err := pgdb.Read[version](ctx, db, who.ID, versions, map[string]any{"versions": wanted})
	if err != nil {
		return nil, err
	}
	all, err := pgdb.Read[Line](ctx, db, who.ID, lines+` where l.version_id = any (cast(@versions as uuid[])) order by l.version_id, l.ordinal`, map[string]any{"versions": wanted})
	if err != nil {
		return nil, err
	}
	classes, parts := map[string]bool{}, []uuid.UUID{}
	for _, l := range all {
		if l.PartID != nil {
			parts = append(parts, *l.PartID)
		}
		for _, p := range r.places {
			if l.Slot != nil {
				classes[p.Slots[*l.Slot]] = true
			}
		}
	}
	names := []string{}
	for c := range classes {
		names = append(names, c)
	}
	found, err := pgdb.Read[followed](ctx, db, who.ID, itemsOf, map[string]any{"parts": parts, "classes": names})
	if err != nil {
		return nil, err
	}
	slices.SortFunc(found, func(a, b followed) int { return cmp.Compare(a.Number, b.Number) })
	for _, f := range found {
		r.items[f.ID] = f
		r.byClass[f.Class] = append(r.byClass[f.Class], f)
	}
	lists := make([]Needs, len(asks))
	for i, a := range asks {
		v := slices.IndexFunc(vs, func(v version) bool { return v.ID == a.VersionID })
		p, ok := r.places[a.PositionID]
		switch {
		case !ok:
			return nil, fault.Missing("position", a.PositionID.String())
		case v < 0:
			return nil, fault.Missing("version of a procedure", a.VersionID.String())
		case a.Method != "" && !slices.Contains(vs[v].Methods, a.Method):
			return nil, fault.Field("method", a.Method, "is one of: %s", cmp.Or(strings.Join(vs[v].Methods, ", "), "none, this procedure has one way"))
		case a.Method == "" && len(vs[v].Methods) > 0:
			a.Method = vs[v].Methods[0]
		}
		from, _ := slices.BinarySearchFunc(all, a.VersionID, func(l Line, id uuid.UUID) int { return strings.Compare(l.VersionID.String(), id.String()) })
		to := from
		for to < len(all) && all[to].VersionID == a.VersionID {
			to++
		}
		lists[i] = r.list(p, all[from:to], a)
		lists[i].Procedure, lists[i].Title = vs[v].Code, vs[v].Title
	}
	return lists, nil
}

// judge holds a condition against what is known. One that cannot be read was
// written by somebody who went round SetLines: it stays open, and nothing is dropped for it.
func (r resolver) judge(text string, known condition.Facts) condition.Answer {
	p, ok := r.conditions[text]
	if !ok {
		c, bad := condition.Parse(text, "condition")
		p = parsed{c, bad}
		r.conditions[text] = p
	}
	if p.bad != nil {
		return condition.Answer{Missing: []string{p.bad.Msg}}
	}
	return p.Judge(known)
}

type parsed struct {
	condition.Condition
	bad *fault.Error
}

// list judges the lines of a version at one position.
func (r resolver) list(p place, lines []Line, a Ask) Needs {
	out := Needs{Ask: a, Position: p.Code, PositionSays: p.Name, Lines: []Taken{}, Gaps: []string{}}
	known := p.known(a.Method)
	type group struct{ name, need string }
	held, open := map[group]int{}, map[group]int{}
	answers := make([]condition.Answer, len(lines))
	for i, l := range lines {
		answers[i] = r.judge(l.Condition, known)
		if !l.OneOf {
			continue
		}
		switch g := (group{l.RuleGroup, l.Need}); answers[i].Verdict {
		case condition.Holds:
			held[g]++
		case condition.CannotTell:
			open[g]++
		default:
			held[g] += 0
		}
	}
	for g, n := range held {
		if n == 0 && open[g] == 0 && g.need != "if_found" {
			out.Gaps = append(out.Gaps, fmt.Sprintf("No line of the group %s applies at %s: its facts or the procedure are wrong, or there is no such part.", g.name, p.Code))
		}
	}
	slices.Sort(out.Gaps)
	for i, l := range lines {
		g, v := group{l.RuleGroup, l.Need}, answers[i].Verdict
		if v == condition.Fails || v == condition.CannotTell && l.OneOf && held[g] == 1 {
			continue
		}
		t := Taken{LineID: l.ID, Need: l.Need, Standing: Take, Amount: l.Amount, Chance: l.Chance, Cause: l.Cause, RuleGroup: l.RuleGroup, Why: l.Why, ReturnIfUnused: l.ReturnIfUnused}
		if v == condition.CannotTell {
			for _, f := range answers[i].Missing {
				t.doubt(r.book.Missing("position", f))
			}
		}
		if l.OneOf && held[g] > 1 && v == condition.Holds {
			t.Standing = Check
			t.Doubt = append(t.Doubt, fmt.Sprintf("%d lines of the group %s apply, and one is taken.", held[g], l.RuleGroup))
		}
		switch {
		case l.Item != nil:
			t.Says = *l.Item
			out.Lines = append(out.Lines, t)
		case l.Slot != nil:
			out.Lines = append(out.Lines, r.bySlot(p, *l.Slot, t))
		default:
			out.Lines = append(out.Lines, r.byPart(p.ID, known, *l.PartID, t, 0)...)
		}
	}
	slices.SortStableFunc(out.Lines, func(a, b Taken) int { return slices.Index(needs, a.Need) - slices.Index(needs, b.Need) })
	return out
}

func (t *Taken) doubt(m fit.Missing) {
	t.Standing = Check
	if slices.ContainsFunc(t.Missing, func(o fit.Missing) bool { return o.Of == m.Of && o.Fact == m.Fact }) {
		return
	}
	t.Doubt, t.Missing = slices.Clip(t.Doubt), slices.Clip(t.Missing) // lines that follow one share what was in doubt before
	t.Doubt = append(t.Doubt, m.Says)
	t.Missing = append(t.Missing, m)
}

// byPart names the part, or those that follow it here.
func (r resolver) byPart(position uuid.UUID, known condition.Facts, part uuid.UUID, t Taken, depth int) []Taken {
	it, ok := r.items[part]
	if !ok {
		t.Standing, t.Doubt = Check, append(t.Doubt, "The part is not in the catalogue any more.")
		return []Taken{t}
	}
	for _, s := range it.AfterIt {
		c, bad := condition.Parse(s.OnlyWhere, "")
		if bad != nil {
			continue
		}
		switch held := c.Judge(known); {
		case held.Verdict == condition.Fails || depth >= longestChain:
			continue
		case held.Verdict == condition.CannotTell:
			for _, f := range held.Missing {
				t.doubt(r.book.Missing("position", f))
			}
			continue
		case len(s.To) == 0:
			t.Standing, t.Doubt = Check, append(t.Doubt, "The part was withdrawn and nothing follows it.")
			continue
		}
		t.Instead = cmp.Or(t.Instead, it.Number)
		var all []Taken
		for _, to := range s.To {
			next := t
			if n, ok := t.Amount.Times(to.Amount); ok {
				next.Amount = n
			}
			all = append(all, r.byPart(position, known, to.PartID, next, depth+1)...)
		}
		return all
	}
	t.is(it.item)
	c := it.candidate()
	r.mix.tell(&c, it.ID, it.Number, nil, position)
	if r.book.Has(it.Class) || len(c.Never)+len(c.Unsure) > 0 {
		t.fits(r.weigh(position, c))
	}
	return []Taken{t}
}

func (t *Taken) is(it item) {
	t.PartID, t.Number, t.Says, t.MeasuredIn, t.Tracking, t.Hazard = &it.ID, it.Number, it.Description, it.MeasuredIn, it.Tracking, it.Hazard
}

// fits adds what the rules say of the part at this position: what does not fit as
// it is, or of which nobody can tell, is never simply taken.
func (t *Taken) fits(a fit.Answer) {
	t.Fit = &a
	switch a.Verdict {
	case fit.DoesNotFit:
		t.Standing = Check
		t.Doubt = append(t.Doubt, a.Reasons...)
	case fit.CannotTell:
		for _, m := range a.Missing {
			t.doubt(m)
		}
	}
}

// bySlot finds the part that fits a slot: one that fits as it arrives before one that
// fits after work. Where nobody can tell, or nothing fits, the line says so.
func (r resolver) bySlot(p place, slot string, t Taken) Taken {
	class := p.Slots[slot]
	t.Says = "what fits as " + words(slot)
	best, unsure := -1, 0
	var bestFit fit.Answer
	all := r.byClass[class]
	for i, it := range all {
		if len(it.AfterIt) > 0 {
			continue // what follows it is tried by itself
		}
		c := it.candidate()
		r.mix.tell(&c, it.ID, it.Number, nil, p.ID)
		a := r.book.Judge(r.at[p.ID], c)
		switch {
		case a.Verdict == fit.CannotTell:
			unsure++
			for _, m := range a.Missing {
				if !slices.ContainsFunc(t.Missing, func(o fit.Missing) bool { return o.Of == m.Of && o.Fact == m.Fact }) {
					t.Missing = append(t.Missing, m)
				}
			}
		case a.Verdict == fit.DoesNotFit:
		case best < 0 || a.Verdict == fit.Fits && bestFit.Verdict != fit.Fits:
			best, bestFit = i, a
		}
	}
	switch {
	case best >= 0:
		t.Missing = nil
		t.is(all[best].item)
		t.Fit = &bestFit
	case unsure > 0:
		t.Standing = Check
		t.Doubt = append(t.Doubt, fmt.Sprintf("Of %d parts nobody can tell whether they fit.", unsure))
	default:
		t.Standing = Check
		t.Doubt = append(t.Doubt, "No part of the catalogue fits there.")
	}
	return t
}

func words(s string) string { return strings.ReplaceAll(s, "_", " ") }

// sortByVerdict puts what fits first, then what fits after work, what nobody can
// tell of, and what does not fit; the least work first.
func sortByVerdict[T any](all []T, answer func(T) fit.Answer) {
	rank := map[fit.Verdict]int{fit.Fits: 0, fit.FitsAfterWork: 1, fit.CannotTell: 2, fit.DoesNotFit: 3}
	slices.SortStableFunc(all, func(a, b T) int {
		x, y := answer(a), answer(b)
		return cmp.Or(rank[x.Verdict]-rank[y.Verdict], x.Minutes()-y.Minutes())
	})
}
