package pm

import (
	"context"
	"encoding/json"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/condition"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
)

// Procedure is a piece of work as it is done, or a block of steps that several share.
type Procedure struct {
	ID      uuid.UUID
	Code    string
	Title   string
	IsBlock bool
	Version int
	// The version that holds; nil while none is published.
	VersionID *uuid.UUID
	Number    *int
	People    *int
	Skills    []string
	Minutes   *int // typical
	LineState *string
	Draft     *int // the number of the version that is being written
	Plans     int  // that use it
}

// NewProcedure is what it takes to add a procedure. What is in it comes with a version.
type NewProcedure struct {
	Code    string
	Title   string
	IsBlock bool
}

// Minutes is how long work takes on the device, travel and set-up apart.
type Minutes struct {
	Low     int `json:"low"`
	Typical int `json:"typical"`
	High    int `json:"high"`
}

// Content is what a version of a procedure says.
type Content struct {
	Change    string // against the version before it
	People    int
	Skills    []string // all that must be among those who do it
	Minutes   Minutes
	LineState string   // running, line_down, closed_hours, position_parked, station_stopped or not_applicable
	Energies  []string // electrical, air, gravity, hydraulic, water, chemical
	Isolation string   // in words; the site's own energy-control procedure comes first
	Caution   string
	Options   []Option
	Steps     []Step
	Checks    []Check
	Covers    []string // codes of procedures that are done with this one
	FollowUps []FollowUp
}

// Option is a way to do the work. Conditions name it as the fact method; the first
// is taken where nobody chose.
type Option struct {
	Code    string  `json:"code"`
	Title   string  `json:"title"`
	People  int     `json:"people"`
	Minutes Minutes `json:"minutes"`
}

// Step is one step.
type Step struct {
	Phase     string   `json:"phase"`
	Kind      string   `json:"kind"`
	Says      string   `json:"says"`
	Hold      bool     `json:"hold"` // nobody goes on before it is done
	Skills    []string `json:"skills"`
	Condition string   `json:"condition"`
	Minutes   *int     `json:"minutes"`
	Records   string   `json:"records"` // what is written down
	IfNot     string   `json:"if_not"`
	Check     string   `json:"check_code"` // the check that it answers
	Includes  string   `json:"includes"`   // of kind include: the code of a block
	Number    int      `json:"number"`     // and its version, when it is read
}

// Check is what is looked at.
type Check struct {
	ID        uuid.UUID `json:"id"`
	Code      string    `json:"code"`
	Prompt    string    `json:"prompt"`
	Kind      string    `json:"kind"` // number, choice, pass_fail, photo, date or meter
	Unit      string    `json:"unit"`
	WarnLow   *float64  `json:"warn_low"` // a number equal to a limit is within it
	WarnHigh  *float64  `json:"warn_high"`
	FailLow   *float64  `json:"fail_low"`
	FailHigh  *float64  `json:"fail_high"`
	Options   []string  `json:"options"`  // the last is the one that is not acceptable
	Optional  bool      `json:"optional"` // the work counts as done without it
	Condition string    `json:"condition"`
	Answers   []string  `json:"answers"` // codes of other checks that the same look answers
	OnWarn    Action    `json:"on_warn"`
	OnFail    Action    `json:"on_fail"`
}

// Action is what follows from a check that crossed a limit.
type Action struct {
	Says   string `json:"says"`
	Raises string `json:"raises"` // the code of a procedure
	Days   *int   `json:"days"`   // within how many days it is due; nil raises nothing
	// Percent of the interval that the next one is, by an override; nil leaves it. Of failures only.
	Interval *int `json:"interval"`
}

// FollowUp is a one-off plan that begins where the procedure was done.
type FollowUp struct {
	Plan      string `json:"plan"`
	Condition string `json:"condition"`
}

// ProcedureVersion is a version with what it says. A published one never changes.
type ProcedureVersion struct {
	ID          uuid.UUID
	ProcedureID uuid.UUID
	Code        string // of the procedure
	Title       string
	Number      int
	Version     int
	CreatedAt   time.Time
	PublishedAt *time.Time
	Content
}

var stepKinds = []string{"do", "measure", "choose", "pass_fail", "photo", "note", "isolate", "prove_dead", "test", "restore", "hold", "include"}

var optionCode = regexp.MustCompile(`^[a-z][a-z0-9_]{0,31}$`)

// check holds what a version says against the rules that need no record.
func (c Content) check() error {
	var faults []*fault.Error
	add := func(f *fault.Error) { faults = append(faults, f) }
	for i, o := range c.Options {
		field := list("options", i)
		low, typical, high := o.Minutes.Low, o.Minutes.Typical, o.Minutes.High
		switch {
		case !optionCode.MatchString(o.Code):
			add(fault.Field(field+".code", o.Code, "is 1 to 32 small letters, digits and underscores, a letter first"))
		case slices.ContainsFunc(c.Options[:i], func(other Option) bool { return other.Code == o.Code }):
			add(fault.Field(field+".code", o.Code, "is the code of another way"))
		case strings.TrimSpace(o.Title) == "":
			add(fault.Field(field+".title", "", "must not be blank"))
		case o.People < 1 || o.People > 20:
			add(fault.Field(field+".people", o.People, "lies between 1 and 20"))
		case low < 1 || typical < low || high < typical || high > 10080:
			add(fault.Field(field+".minutes", fmt.Sprintf("%d, %d, %d", low, typical, high), "are the least, the usual and the most, in that order, from 1 to 10080"))
		}
	}
	codes := map[string]bool{}
	for i, k := range c.Checks {
		field := list("checks", i)
		if codes[k.Code] {
			add(fault.Field(field+".code", k.Code, "is the code of another check"))
		}
		codes[k.Code] = true
		_, bad := condition.Parse(k.Condition, field+".condition")
		add(bad)
		if k.OnWarn.Interval != nil {
			add(fault.Field(field+".on_warn.interval", *k.OnWarn.Interval, "is of failures only"))
		}
		for name, a := range map[string]Action{".on_warn": k.OnWarn, ".on_fail": k.OnFail} {
			if a.Raises != "" && a.Days == nil {
				add(fault.Field(field+name+".days", "", "is needed: within how many days what it raises is due"))
			}
			if a.Days != nil && a.Says == "" && a.Raises == "" {
				add(fault.Field(field+name+".says", "", "is needed: it says what is to be done"))
			}
		}
	}
	for i, s := range c.Steps {
		field := list("steps", i)
		_, bad := condition.Parse(s.Condition, field+".condition")
		add(bad)
		switch {
		case !slices.Contains(stepKinds, s.Kind):
			add(fault.Field(field+".kind", s.Kind, "is one of %s", strings.Join(stepKinds, ", ")))
		case (s.Kind == "include") != (s.Includes != ""):
			add(fault.Field(field+".includes", s.Includes, "names a block, in a step of the kind include and only there"))
		case s.Kind != "include" && strings.TrimSpace(s.Says) == "":
			add(fault.Field(field+".says", s.Says, "must not be blank: it says what is to be done"))
		case s.Check != "" && !codes[s.Check]:
			add(fault.Field(field+".check_code", s.Check, "names no check of this version"))
		}
	}
	for i, f := range c.FollowUps {
		_, bad := condition.Parse(f.Condition, list("follow_ups", i)+".condition")
		add(bad)
	}
	return fault.Collect(faults...)
}

// AddProcedures adds procedures that are still empty.
func AddProcedures(tx *gorm.DB, who access.Actor, now time.Time, in []NewProcedure) ([]uuid.UUID, error) {
	if err := who.Must(access.Plan); err != nil {
		return nil, err
	}
	type head struct {
		ID      uuid.UUID `json:"id"`
		Code    string    `json:"code"`
		Title   string    `json:"title"`
		IsBlock bool      `json:"is_block"`
	}
	rows, ids := make([]head, len(in)), make([]uuid.UUID, len(in))
	for i, p := range in {
		ids[i] = pgdb.NewID()
		rows[i] = head{ids[i], p.Code, strings.TrimSpace(p.Title), p.IsBlock}
	}
	return ids, insertHeads(tx, "procedure", len(in), `
insert into procedure (id, code, title, is_block, created_at)
select r.id, r.code, r.title, r.is_block, @now
  from jsonb_to_recordset(cast(@rows as jsonb)) as r(id uuid, code text, title text, is_block boolean)
on conflict on constraint procedure_code_uq do nothing`, map[string]any{"rows": document(rows), "now": now})
}

// insertHeads inserts rows whose codes must be new.
func insertHeads(tx *gorm.DB, table string, n int, insert string, args map[string]any) error {
	r := tx.Exec(insert, args)
	if r.Error != nil || int(r.RowsAffected) == n {
		return r.Error
	}
	taken, err := read[struct {
		ID   uuid.UUID
		Code string
	}](tx, `
select p.id, p.code from `+table+` as p
  join jsonb_to_recordset(cast(@rows as jsonb)) as r(id uuid, code text) on r.code = p.code
 where p.id <> r.id order by p.code limit 1`, args)
	if err == nil && len(taken) == 0 {
		return fault.Field("code", "", "is given twice")
	}
	if err != nil {
		return err
	}
	return fault.Taken("code", fault.Ref{Kind: table, ID: taken[0].ID.String(), Code: taken[0].Code})
}

// EditProcedure changes what a procedure is called.
func EditProcedure(tx *gorm.DB, who access.Actor, id uuid.UUID, version int, title string) error {
	if err := who.Must(access.Plan); err != nil {
		return err
	}
	if err := bump(tx, "procedure", "procedure", id, version); err != nil {
		return err
	}
	return tx.Exec(`update procedure set title = ? where id = ?`, strings.TrimSpace(title), id).Error
}

// Write is a version that is written: the draft of the procedure, made where there is none.
type Write struct {
	Procedure uuid.UUID
	Version   *int // of the draft that the writer saw; nil where there is none yet
	Content   Content
}

// names looks up what the contents of versions name by code.
type names struct {
	procedures map[string]struct {
		id      uuid.UUID
		isBlock bool
		version *uuid.UUID // published
	}
	plans map[string]uuid.UUID
	known map[uuid.UUID]bool
}

func lookUp(tx *gorm.DB, codes []string, plans []string, ids []uuid.UUID) (names, error) {
	n := names{procedures: map[string]struct {
		id      uuid.UUID
		isBlock bool
		version *uuid.UUID
	}{}, plans: map[string]uuid.UUID{}, known: map[uuid.UUID]bool{}}
	rows, err := read[struct {
		ID        uuid.UUID
		Code      string
		IsBlock   bool
		VersionID *uuid.UUID
	}](tx, `select id, code, is_block, version_id from procedure_now where code = any (@codes) or id = any (@ids)`, map[string]any{"codes": &codes, "ids": &ids})
	if err != nil {
		return n, err
	}
	for _, r := range rows {
		n.known[r.ID] = true
		n.procedures[r.Code] = struct {
			id      uuid.UUID
			isBlock bool
			version *uuid.UUID
		}{r.ID, r.IsBlock, r.VersionID}
	}
	found, err := read[struct {
		ID   uuid.UUID
		Code string
	}](tx, `select id, code from plan where code = any (@plans)`, map[string]any{"plans": &plans})
	for _, r := range found {
		n.plans[r.Code] = r.ID
	}
	return n, err
}

// WriteDrafts writes drafts, in a number of statements that does not grow with
// them. Blocks must be published before a version can include them.
func WriteDrafts(tx *gorm.DB, who access.Actor, now time.Time, in []Write) ([]uuid.UUID, error) {
	if err := who.Must(access.Plan); err != nil {
		return nil, err
	}
	if err := takeTurns(tx, "programme"); err != nil {
		return nil, err
	}
	codes, plans, owners := []string{}, []string{}, []uuid.UUID{}
	for _, w := range in {
		if err := w.Content.check(); err != nil {
			return nil, err
		}
		owners = append(owners, w.Procedure)
		codes = append(codes, w.Content.Covers...)
		for _, s := range w.Content.Steps {
			codes = append(codes, s.Includes)
		}
		for _, k := range w.Content.Checks {
			codes = append(codes, k.OnWarn.Raises, k.OnFail.Raises)
		}
		for _, f := range w.Content.FollowUps {
			plans = append(plans, f.Plan)
		}
	}
	by, err := lookUp(tx, codes, plans, owners)
	if err != nil {
		return nil, err
	}
	drafts, err := read[struct {
		ID          uuid.UUID
		ProcedureID uuid.UUID
		Number      int
		Version     int
		Draft       bool
	}](tx, `
select distinct on (procedure_id) id, procedure_id, number, version, published_at is null as draft
  from procedure_version where procedure_id = any (@ids) order by procedure_id, number desc`, map[string]any{"ids": &owners})
	if err != nil {
		return nil, err
	}
	type head struct {
		ID          uuid.UUID `json:"id"`
		ProcedureID uuid.UUID `json:"procedure_id"`
		Number      int       `json:"number"`
		Change      string    `json:"change"`
		People      int       `json:"people"`
		Skills      []string  `json:"skills"`
		Low         int       `json:"minutes_low"`
		Typical     int       `json:"minutes_typical"`
		High        int       `json:"minutes_high"`
		LineState   string    `json:"line_state"`
		Energies    []string  `json:"energies"`
		Isolation   string    `json:"isolation"`
		Caution     string    `json:"caution"`
	}
	var fresh, again []head
	ids := make([]uuid.UUID, len(in))
	var kids children
	for i, w := range in {
		c := w.Content
		if !by.known[w.Procedure] {
			return nil, fault.Missing("procedure", w.Procedure.String())
		}
		h := head{ID: pgdb.NewID(), ProcedureID: w.Procedure, Number: 1, Change: c.Change, People: c.People, Skills: some(c.Skills), Low: c.Minutes.Low, Typical: c.Minutes.Typical, High: c.Minutes.High,
			LineState: c.LineState, Energies: some(c.Energies), Isolation: c.Isolation, Caution: c.Caution}
		draft := false
		for _, d := range drafts {
			if d.ProcedureID != w.Procedure {
				continue
			}
			h.Number = d.Number + 1
			if d.Draft {
				if w.Version == nil {
					return nil, &fault.Error{Kind: fault.Conflict, Field: "number", Value: fmt.Sprint(d.Number), Msg: "is being written already; edit that draft or publish it"}
				}
				if *w.Version != d.Version {
					return nil, fault.Outdated("draft", *w.Version, d.Version)
				}
				h.ID, h.Number, draft = d.ID, d.Number, true
			}
		}
		if !draft && w.Version != nil {
			return nil, fault.Missing("draft", w.Procedure.String())
		}
		if draft {
			again = append(again, h)
		} else {
			fresh = append(fresh, h)
		}
		ids[i] = h.ID
		if err := kids.add(h.ID, c, by); err != nil {
			return nil, err
		}
	}
	for _, s := range []struct {
		rows []head
		sql  string
	}{
		{fresh, `
insert into procedure_version (id, procedure_id, number, change, people, skills, minutes_low, minutes_typical, minutes_high, line_state, energies, isolation, caution, created_at, created_by)
select r.id, r.procedure_id, r.number, r.change, r.people, r.skills, r.minutes_low, r.minutes_typical, r.minutes_high, r.line_state, r.energies, r.isolation, r.caution, @now, @who
  from jsonb_to_recordset(cast(@rows as jsonb)) as r(id uuid, procedure_id uuid, number int, change text, people smallint, skills text[], minutes_low int, minutes_typical int, minutes_high int,
       line_state text, energies text[], isolation text, caution text)`},
		{again, `
update procedure_version as v
   set change = r.change, people = r.people, skills = r.skills, minutes_low = r.minutes_low, minutes_typical = r.minutes_typical, minutes_high = r.minutes_high,
       line_state = r.line_state, energies = r.energies, isolation = r.isolation, caution = r.caution, version = v.version + 1
  from jsonb_to_recordset(cast(@rows as jsonb)) as r(id uuid, change text, people smallint, skills text[], minutes_low int, minutes_typical int, minutes_high int,
       line_state text, energies text[], isolation text, caution text)
 where v.id = r.id`},
	} {
		if len(s.rows) == 0 {
			continue
		}
		if err := tx.Exec(s.sql, map[string]any{"rows": document(s.rows), "now": now, "who": who.ID}).Error; err != nil {
			return nil, err
		}
	}
	if len(again) > 0 {
		old := make([]uuid.UUID, len(again))
		for i, h := range again {
			old[i] = h.ID
		}
		for _, table := range []string{"procedure_option", "procedure_step", "procedure_check", "procedure_cover", "procedure_follow_up"} {
			if err := tx.Exec(`delete from `+table+` where version_id = any (@old)`, map[string]any{"old": &old}).Error; err != nil {
				return nil, err
			}
		}
	}
	if bad := knownSkills(tx, in); bad != nil {
		return nil, bad
	}
	return ids, kids.insert(tx)
}

func knownSkills(tx *gorm.DB, in []Write) error {
	codes, err := read[struct{ Code string }](tx, `select code from skill order by code`, nil)
	if err != nil {
		return err
	}
	var all []string
	for _, c := range codes {
		all = append(all, c.Code)
	}
	for _, w := range in {
		for i, s := range w.Content.Skills {
			if !slices.Contains(all, s) {
				return fault.Field(list("skills", i), s, "is one of %s", strings.Join(all, ", "))
			}
		}
		for j, step := range w.Content.Steps {
			for i, s := range step.Skills {
				if !slices.Contains(all, s) {
					return fault.Field(list(list("steps", j)+".skills", i), s, "is one of %s", strings.Join(all, ", "))
				}
			}
		}
	}
	return nil
}

func some(in []string) []string {
	if in == nil {
		return []string{}
	}
	return in
}

// children are the rows below versions, ready to be written.
type children struct {
	Options, Steps, Checks, Covers, Follow []map[string]any
}

func (k *children) add(version uuid.UUID, c Content, by names) error {
	for i, o := range c.Options {
		k.Options = append(k.Options, map[string]any{"version_id": version, "code": o.Code, "ordinal": i + 1, "title": strings.TrimSpace(o.Title), "people": o.People,
			"low": o.Minutes.Low, "typical": o.Minutes.Typical, "high": o.Minutes.High})
	}
	raised := func(field, code string) (*uuid.UUID, error) {
		if code == "" {
			return nil, nil
		}
		p, known := by.procedures[code]
		if !known || p.isBlock {
			return nil, fault.Field(field, code, "names no procedure")
		}
		return &p.id, nil
	}
	for i, s := range c.Steps {
		row := map[string]any{"id": pgdb.NewID(), "version_id": version, "seq": i + 1, "phase": s.Phase, "kind": s.Kind, "says": s.Says, "hold": s.Hold, "skills": some(s.Skills),
			"condition": s.Condition, "minutes": s.Minutes, "records": s.Records, "if_not": s.IfNot}
		if s.Check != "" {
			row["check_code"] = s.Check
		}
		if s.Includes != "" {
			b, known := by.procedures[s.Includes]
			switch {
			case !known || !b.isBlock:
				return fault.Field(list("steps", i)+".includes", s.Includes, "names no block")
			case b.version == nil:
				return fault.Field(list("steps", i)+".includes", s.Includes, "is a block of which no version is published yet")
			}
			row["includes_id"] = *b.version
		}
		k.Steps = append(k.Steps, row)
	}
	for i, q := range c.Checks {
		warn, err := raised(list("checks", i)+".on_warn.raises", q.OnWarn.Raises)
		if err != nil {
			return err
		}
		fail, err := raised(list("checks", i)+".on_fail.raises", q.OnFail.Raises)
		if err != nil {
			return err
		}
		k.Checks = append(k.Checks, map[string]any{"id": pgdb.NewID(), "version_id": version, "seq": i + 1, "code": q.Code, "prompt": strings.TrimSpace(q.Prompt), "kind": q.Kind, "unit": q.Unit,
			"warn_low": q.WarnLow, "warn_high": q.WarnHigh, "fail_low": q.FailLow, "fail_high": q.FailHigh, "options": some(q.Options), "required": !q.Optional, "condition": q.Condition,
			"answers": some(q.Answers), "on_warn": q.OnWarn.Says, "warn_raises": warn, "warn_days": q.OnWarn.Days, "on_fail": q.OnFail.Says, "fail_raises": fail, "fail_days": q.OnFail.Days,
			"fail_interval_percent": q.OnFail.Interval})
	}
	for i, code := range c.Covers {
		p, known := by.procedures[code]
		if !known || p.isBlock {
			return fault.Field(list("covers", i), code, "names no procedure")
		}
		k.Covers = append(k.Covers, map[string]any{"version_id": version, "covers_id": p.id})
	}
	for i, f := range c.FollowUps {
		id, known := by.plans[f.Plan]
		if !known {
			return fault.Field(list("follow_ups", i)+".plan", f.Plan, "names no plan")
		}
		k.Follow = append(k.Follow, map[string]any{"version_id": version, "plan_id": id, "condition": f.Condition})
	}
	return nil
}

func (k *children) insert(tx *gorm.DB) error {
	for _, s := range []struct {
		rows []map[string]any
		sql  string
	}{
		{k.Options, `
insert into procedure_option (version_id, code, ordinal, title, people, minutes_low, minutes_typical, minutes_high)
select r.* from jsonb_to_recordset(cast(@rows as jsonb)) as r(version_id uuid, code text, ordinal int, title text, people smallint, low int, typical int, high int)`},
		{k.Steps, `
insert into procedure_step (id, version_id, seq, phase, kind, says, hold, skills, condition, minutes, records, if_not, check_code, includes_id)
select r.* from jsonb_to_recordset(cast(@rows as jsonb)) as r(id uuid, version_id uuid, seq int, phase text, kind text, says text, hold boolean, skills text[], condition text, minutes int,
       records text, if_not text, check_code text, includes_id uuid)`},
		{k.Checks, `
insert into procedure_check (id, version_id, seq, code, prompt, kind, unit, warn_low, warn_high, fail_low, fail_high, options, required, condition, answers, on_warn, warn_raises, warn_days,
       on_fail, fail_raises, fail_days, fail_interval_percent)
select r.* from jsonb_to_recordset(cast(@rows as jsonb)) as r(id uuid, version_id uuid, seq int, code text, prompt text, kind text, unit text, warn_low float8, warn_high float8, fail_low float8, fail_high float8,
       options text[], required boolean, condition text, answers text[], on_warn text, warn_raises uuid, warn_days int, on_fail text, fail_raises uuid, fail_days int, fail_interval_percent smallint)`},
		{k.Covers, `insert into procedure_cover (version_id, covers_id) select r.* from jsonb_to_recordset(cast(@rows as jsonb)) as r(version_id uuid, covers_id uuid)`},
		{k.Follow, `insert into procedure_follow_up (version_id, plan_id, condition) select r.* from jsonb_to_recordset(cast(@rows as jsonb)) as r(version_id uuid, plan_id uuid, condition text)`},
	} {
		if len(s.rows) == 0 {
			continue
		}
		if err := tx.Exec(s.sql, map[string]any{"rows": document(s.rows)}).Error; err != nil {
			return err
		}
	}
	return nil
}

// Publish freezes drafts; from then on they hold. What they cover must not come
// round in a ring.
func Publish(tx *gorm.DB, who access.Actor, now time.Time, versions []uuid.UUID) error {
	if err := who.Must(access.Plan); err != nil {
		return err
	}
	if err := takeTurns(tx, "programme"); err != nil {
		return err
	}
	r := tx.Exec(`update procedure_version set published_at = @now, published_by = @who, version = version + 1 where id = any (@ids) and published_at is null`,
		map[string]any{"now": now, "who": who.ID, "ids": &versions})
	if r.Error != nil {
		return r.Error
	}
	if int(r.RowsAffected) != len(versions) {
		return &fault.Error{Kind: fault.Conflict, Field: "number", Value: fmt.Sprint(len(versions) - int(r.RowsAffected)), Msg: "is published already, or is no version; a published one never changes"}
	}
	edges, err := read[edge](tx, coverEdges, nil)
	if err != nil {
		return err
	}
	if ring := coverage(edges).ring(); ring != nil {
		return fault.Field("covers", strings.Join(ring, " → "), "comes round to where it began; take one of these out")
	}
	return nil
}

// edge is one procedure that covers another, by the versions that hold.
type edge struct {
	FromID, ToID     uuid.UUID
	FromCode, ToCode string
}

const coverEdges = `
select p.id as from_id, c.covers_id as to_id, p.code as from_code, o.code as to_code
  from procedure_now as p
  join procedure_cover as c on c.version_id = p.version_id
  join procedure as o on o.id = c.covers_id
order by 3, 4`

// covers is who covers whom.
type covers struct {
	next map[uuid.UUID][]uuid.UUID
	code map[uuid.UUID]string
	from []uuid.UUID
}

func coverage(edges []edge) covers {
	c := covers{next: map[uuid.UUID][]uuid.UUID{}, code: map[uuid.UUID]string{}}
	for _, e := range edges {
		if c.next[e.FromID] == nil {
			c.from = append(c.from, e.FromID)
		}
		c.next[e.FromID] = append(c.next[e.FromID], e.ToID)
		c.code[e.FromID], c.code[e.ToID] = e.FromCode, e.ToCode
	}
	return c
}

// all gives everything that a procedure covers, through however many others.
func (c covers) all(of uuid.UUID) []uuid.UUID {
	return c.through(of, func(uuid.UUID) bool { return true })
}

// through gives what a procedure covers by itself, and through those others that may be passed.
func (c covers) through(of uuid.UUID, pass func(id uuid.UUID) bool) []uuid.UUID {
	var out []uuid.UUID
	seen := map[uuid.UUID]bool{of: true}
	for queue := slices.Clone(c.next[of]); len(queue) > 0; queue = queue[1:] {
		if id := queue[0]; !seen[id] {
			seen[id] = true
			out = append(out, id)
			if pass(id) {
				queue = append(queue, c.next[id]...)
			}
		}
	}
	return out
}

// ring gives the codes of a ring, from its first to the same again; nil where there is none.
func (c covers) ring() []string {
	state := map[uuid.UUID]int{} // 1 under way, 2 done
	var path []uuid.UUID
	var walk func(id uuid.UUID) []string
	walk = func(id uuid.UUID) []string {
		state[id] = 1
		path = append(path, id)
		for _, to := range c.next[id] {
			if state[to] == 1 {
				var ring []string
				for _, on := range path[slices.Index(path, to):] {
					ring = append(ring, c.code[on])
				}
				return append(ring, c.code[to])
			}
			if state[to] == 0 {
				if ring := walk(to); ring != nil {
					return ring
				}
			}
		}
		path = path[:len(path)-1]
		state[id] = 2
		return nil
	}
	for _, id := range c.from {
		if state[id] == 0 {
			if ring := walk(id); ring != nil {
				return ring
			}
		}
	}
	return nil
}

const procedures = `
select p.id, p.code, p.title, p.is_block, p.version, p.version_id, p.number, p.people, coalesce(p.skills, '{}') as skills, p.minutes_typical as minutes, p.line_state,
       (select d.number from procedure_version as d where d.procedure_id = p.id and d.published_at is null) as draft,
       (select count(*) from plan as q where q.procedure_id = p.id and q.ended_at is null)::integer as plans
  from procedure_now as p`

// Procedures lists procedures by code.
func Procedures(ctx context.Context, db *pgdb.DB, who access.Actor, p Page) ([]Procedure, error) {
	return pgdb.Read[Procedure](ctx, db, who.ID, procedures+` where p.code > @after order by p.code limit @limit`, map[string]any{"after": p.After, "limit": p.Limit})
}

// OneProcedure gives a procedure.
func OneProcedure(ctx context.Context, db *pgdb.DB, who access.Actor, id uuid.UUID) (Procedure, error) {
	return pgdb.ReadOne[Procedure](ctx, db, who.ID, "procedure", id.String(), procedures+` where p.id = @id`, map[string]any{"id": id})
}

type versionRow struct {
	ID, ProcedureID                                 uuid.UUID
	Code, Title                                     string
	Number, Version                                 int
	Change                                          string
	People                                          int
	Skills                                          []string
	MinutesLow, MinutesTypical, MinutesHigh         int
	LineState                                       string
	Energies                                        []string
	Isolation, Caution                              string
	CreatedAt                                       time.Time
	PublishedAt                                     *time.Time
	Options, Steps, Checks, CoversCodes, FollowUpsD string
}

const versions = `
select v.id, v.procedure_id, p.code, p.title, v.number, v.version, v.change, v.people, v.skills, v.minutes_low, v.minutes_typical, v.minutes_high, v.line_state, v.energies,
       v.isolation, v.caution, v.created_at, v.published_at,
       (select coalesce(jsonb_agg(jsonb_build_object('code', o.code, 'title', o.title, 'people', o.people,
                 'minutes', jsonb_build_object('low', o.minutes_low, 'typical', o.minutes_typical, 'high', o.minutes_high)) order by o.ordinal), '[]')
          from procedure_option as o where o.version_id = v.id)::text as options,
       (select coalesce(jsonb_agg(jsonb_build_object('phase', s.phase, 'kind', s.kind, 'says', s.says, 'hold', s.hold, 'skills', s.skills, 'condition', s.condition, 'minutes', s.minutes,
                 'records', s.records, 'if_not', s.if_not, 'check_code', coalesce(s.check_code, ''), 'includes', coalesce(b.code, ''), 'number', coalesce(i.number, 0)) order by s.seq), '[]')
          from procedure_step as s
          left join procedure_version as i on i.id = s.includes_id
          left join procedure as b on b.id = i.procedure_id
         where s.version_id = v.id)::text as steps,
       (select coalesce(jsonb_agg(jsonb_build_object('id', c.id, 'code', c.code, 'prompt', c.prompt, 'kind', c.kind, 'unit', c.unit, 'warn_low', c.warn_low, 'warn_high', c.warn_high,
                 'fail_low', c.fail_low, 'fail_high', c.fail_high, 'options', c.options, 'optional', not c.required, 'condition', c.condition, 'answers', c.answers,
                 'on_warn', jsonb_build_object('says', c.on_warn, 'raises', coalesce(w.code, ''), 'days', c.warn_days),
                 'on_fail', jsonb_build_object('says', c.on_fail, 'raises', coalesce(f.code, ''), 'days', c.fail_days, 'interval', c.fail_interval_percent)) order by c.seq), '[]')
          from procedure_check as c
          left join procedure as w on w.id = c.warn_raises
          left join procedure as f on f.id = c.fail_raises
         where c.version_id = v.id)::text as checks,
       (select coalesce(jsonb_agg(o.code order by o.code), '[]') from procedure_cover as c join procedure as o on o.id = c.covers_id where c.version_id = v.id)::text as covers_codes,
       (select coalesce(jsonb_agg(jsonb_build_object('plan', q.code, 'condition', f.condition) order by q.code), '[]')
          from procedure_follow_up as f join plan as q on q.id = f.plan_id where f.version_id = v.id)::text as follow_ups_d
  from procedure_version as v
  join procedure as p on p.id = v.procedure_id`

func (r versionRow) version() (ProcedureVersion, error) {
	v := ProcedureVersion{ID: r.ID, ProcedureID: r.ProcedureID, Code: r.Code, Title: r.Title, Number: r.Number, Version: r.Version, CreatedAt: r.CreatedAt, PublishedAt: r.PublishedAt,
		Content: Content{Change: r.Change, People: r.People, Skills: r.Skills, Minutes: Minutes{r.MinutesLow, r.MinutesTypical, r.MinutesHigh}, LineState: r.LineState,
			Energies: r.Energies, Isolation: r.Isolation, Caution: r.Caution}}
	for text, into := range map[*string]any{&r.Options: &v.Options, &r.Steps: &v.Steps, &r.Checks: &v.Checks, &r.CoversCodes: &v.Covers, &r.FollowUpsD: &v.FollowUps} {
		if err := json.Unmarshal([]byte(*text), into); err != nil {
			return v, fmt.Errorf("a version on record: %w", err)
		}
	}
	return v, nil
}

// Versions lists the versions of a procedure with what they say, the newest first.
func Versions(ctx context.Context, db *pgdb.DB, who access.Actor, procedure uuid.UUID) ([]ProcedureVersion, error) {
	if _, err := OneProcedure(ctx, db, who, procedure); err != nil {
		return nil, err
	}
	return versionsWhere(ctx, db, who, ` where v.procedure_id = @id order by v.number desc`, map[string]any{"id": procedure})
}

func versionsWhere(ctx context.Context, db *pgdb.DB, who access.Actor, where string, args map[string]any) ([]ProcedureVersion, error) {
	rows, err := pgdb.Read[versionRow](ctx, db, who.ID, versions+where, args)
	if err != nil {
		return nil, err
	}
	out := make([]ProcedureVersion, len(rows))
	for i, r := range rows {
		if out[i], err = r.version(); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// OneVersion gives a version with what it says.
func OneVersion(ctx context.Context, db *pgdb.DB, who access.Actor, id uuid.UUID) (ProcedureVersion, error) {
	found, err := versionsWhere(ctx, db, who, ` where v.id = @id`, map[string]any{"id": id})
	if err == nil && len(found) == 0 {
		err = fault.Missing("version", id.String())
	}
	if err != nil {
		return ProcedureVersion{}, err
	}
	return found[0], nil
}

// Placed is a step where it is done, with the block that it comes from.
type Placed struct {
	Block string // "" for one of the procedure's own
	At    int    // which of the version's own steps it is, or comes in by; 1 is the first
	Step
	ID uuid.UUID
}

// Unfolded gives the steps of a version in the order in which they are done, those
// of the blocks in their places.
func Unfolded(ctx context.Context, db *pgdb.DB, who access.Actor, version uuid.UUID) ([]Placed, error) {
	type row struct {
		ID                                  uuid.UUID
		At                                  int
		Block, Phase, Kind, Says, Condition string
		Hold                                bool
		Skills                              []string
		Minutes                             *int
		Records, IfNot, CheckCode           string
	}
	rows, err := pgdb.Read[row](ctx, db, who.ID, `
with recursive unfolded as (
  select s.*, array[s.seq] as place, '' as block, s.condition as within from procedure_step as s where s.version_id = @version
   union all
  select s.*, u.place || s.seq, b.code, concat_ws(' & ', nullif(u.within, ''), nullif(s.condition, ''))
    from unfolded as u
    join procedure_step as s on s.version_id = u.includes_id
    join procedure_version as v on v.id = s.version_id
    join procedure as b on b.id = v.procedure_id
)
select id, place[1] as at, block, phase, kind, says, within as condition, hold, skills, minutes, records, if_not, coalesce(check_code, '') as check_code
  from unfolded where kind <> 'include' order by place`, map[string]any{"version": version})
	if err != nil {
		return nil, err
	}
	out := make([]Placed, len(rows))
	for i, r := range rows {
		out[i] = Placed{r.Block, r.At, Step{Phase: r.Phase, Kind: r.Kind, Says: r.Says, Hold: r.Hold, Skills: r.Skills, Condition: r.Condition, Minutes: r.Minutes, Records: r.Records, IfNot: r.IfNot, Check: r.CheckCode}, r.ID}
	}
	return out, nil
}
