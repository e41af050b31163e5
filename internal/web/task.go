package web

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/calendar"
	"spindlebook/internal/fault"
	"spindlebook/internal/pm"
)

// What tasks keep as codes, in the words of a page.
var (
	taskStateWords = map[string]string{"open": "open", "done": "done", "covered": "done with larger work", "skipped": "put off", "missed": "missed", "cancelled": "cancelled", "gone": "no longer wanted"}
	originWords    = map[string]string{"plan": "a plan", "check": "a check that crossed its limit", "fault": "a fault", "hand": "somebody who asked for it"}
	lineStateWords = map[string]string{"running": "the line may run", "line_down": "the line must stand", "closed_hours": "in closed hours", "position_parked": "with the position parked", "station_stopped": "with the station stopped", "not_applicable": "wherever it lies"}
	outcomeOfWork  = map[string]string{"counted": "counted", "extra": "extra, the date ahead stands", "older": "recorded later than newer work, so it moved nothing", "ended": "done for good"}
	verdictWords   = map[string]string{pm.Good: "good", pm.Warn: "look at it", pm.Fail: "not acceptable", pm.NotJudged: ""}
	mostHistory    = 20
)

// doneRow is one completion with what was found.
type doneRow struct {
	pm.History
	OutcomeWord string
	Answers     []givenRow
}

type givenRow struct {
	pm.GivenAnswer
	Word string
}

// doneRows reads the answers to completions: one statement for all of them.
func (p *pages) doneRows(v visit, all []pm.History) ([]doneRow, error) {
	ids := make([]uuid.UUID, len(all))
	rows, at := make([]doneRow, len(all)), map[uuid.UUID]int{}
	for i, h := range all {
		ids[i], at[h.ID] = h.ID, i
		rows[i] = doneRow{History: h, OutcomeWord: outcomeOfWork[h.Outcome]}
	}
	if len(ids) == 0 {
		return rows, nil
	}
	given, err := pm.Answers(v.ctx, p.db, v.who, ids)
	for _, a := range given {
		i := at[a.CompletionID]
		rows[i].Answers = append(rows[i].Answers, givenRow{a, verdictWords[a.Verdict]})
	}
	return rows, err
}

// taskPage is one task: why it is there, what it takes and what became of it.
type taskPage struct {
	pm.Task
	Clock                      clock
	Form                       pm.Form
	Place, PlacePath           string
	PlaceName                  string
	StateWord, Origin, Gravity string
	LineWord, Skilled          string
	Planned                    *dueRow // how the work stands that it is for, while it lives
	Done                       []doneRow
	Notes                      []pm.Note
	Internal, Plans, Records   bool
	Skips, Resumes             bool // may be put off, or taken back
	CanPlan, CanCancel, CanDo  bool
}

// taskOf reads the task in the path and the clock of its place.
func (p *pages) taskOf(v visit) (pm.Task, clock, error) {
	id, err := idOf(v, "id", "task")
	if err != nil {
		return pm.Task{}, clock{}, err
	}
	t, err := pm.OneTask(v.ctx, p.db, v.who, id)
	if err != nil {
		return t, clock{}, err
	}
	c, err := p.clockAt(v, t.SiteID)
	return t, c, err
}

// clockAt tells the time of a site, or that of nowhere.
func (p *pages) clockAt(v visit, site *uuid.UUID) (clock, error) {
	if site == nil {
		return clock{v.now, time.UTC}, nil
	}
	s, err := assets.OneSite(v.ctx, p.db, v.who, *site)
	return clock{v.now, s.Location()}, err
}

func (p *pages) task(v visit) error {
	t, c, err := p.taskOf(v)
	if err != nil {
		return err
	}
	g := taskPage{Task: t, Clock: c, StateWord: taskStateWords[t.State], Origin: originWords[t.Origin], Gravity: gravity[t.Criticality], LineWord: lineStateWords[t.LineState],
		Skilled: skilled(t.Skills), Internal: v.may(access.SeeInternal), Plans: v.may(access.Plan), Records: v.may(access.RecordWork)}
	g.Place, g.PlacePath, g.PlaceName = placeOf(t.SiteID, t.SiteCode, t.LineID, t.LineCode, t.PositionID, t.PositionCode, t.UnitID, t.UnitTag)
	open := t.State == "open"
	g.CanDo = open && g.Records && t.SiteID != nil
	g.CanPlan = open && g.Plans
	g.Skips = open && t.AssignmentID != nil && t.Criticality != "S" && mayPutOff(v, t) == nil
	g.Resumes = t.State == "skipped" && t.SkippedUntil.After(v.now) && mayPutOff(v, t) == nil
	g.CanCancel = open && g.Plans && t.AssignmentID == nil
	if g.Form, err = pm.FormOf(v.ctx, p.db, v.who, v.now, t.ID); err != nil {
		return err
	}
	f := pm.HistoryFilter{TaskID: &t.ID}
	if t.AssignmentID != nil {
		f = pm.HistoryFilter{AssignmentID: t.AssignmentID}
		if g.Planned, err = p.planned(v, *t.AssignmentID); err != nil {
			return err
		}
	}
	past, err := pm.Histories(v.ctx, p.db, v.who, f, pm.Page{Limit: mostHistory})
	if err != nil {
		return err
	}
	if g.Done, err = p.doneRows(v, past); err != nil {
		return err
	}
	if g.Internal {
		if g.Notes, err = pm.Notes(v.ctx, p.db, v.who, t.ID); err != nil {
			return err
		}
	}
	return p.ok(v, "task", t.Title+" "+g.Place, g)
}

// skilled names skills in words.
func skilled(codes []string) string {
	all := make([]string, len(codes))
	for i, s := range codes {
		all[i] = strings.ToLower(skillWords[s])
	}
	return strings.Join(all, ", ")
}

// planned shows how an assignment stands now; nil where it lives no more, or is not the reader's.
func (p *pages) planned(v visit, id uuid.UUID) (*dueRow, error) {
	it, err := pm.OneItem(v.ctx, p.db, v.who, id)
	if isMissing(err) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	rows, err := p.explained(v, []pm.Item{it})
	if err != nil {
		return nil, err
	}
	return &rows[0], nil
}

// taskSheet begins a form about a task.
func (p *pages) taskSheet(v visit, title, verb string, fields ...*field) (*sheet, pm.Task, error) {
	t, c, err := p.taskOf(v)
	at := "/tasks/" + t.ID.String()
	place, _, name := placeOf(t.SiteID, t.SiteCode, t.LineID, t.LineCode, t.PositionID, t.PositionCode, t.UnitID, t.UnitTag)
	return &sheet{Title: title, Over: strings.TrimSpace(t.Title + ", " + place + " " + name), Verb: verb, Cancel: at, Crumbs: []crumb{{at, "The task"}}, at: c.At, about: t, Version: t.Version, Fields: fields}, t, err
}

// day reads a day; zero where nothing was typed.
func (s *sheet) day(name string) calendar.Date {
	text := s.get(name)
	if text == "" {
		return 0
	}
	d, bad := calendar.ParseDate(text, name)
	if bad != nil {
		s.wrong(name, bad.Msg)
	}
	return d
}

func (p *pages) planTaskSheet(v visit) (*sheet, error) {
	s, t, err := p.taskSheet(v, "Say when it is meant to be done", "Keep the day", &field{Name: "planned_on", Label: "Meant to be done on", Short: "The day", Kind: "date", Optional: true, Hint: "Blank takes the day back. It moves no due date."})
	if err == nil {
		err = v.who.Must(access.Plan)
	}
	if err != nil {
		return nil, err
	}
	if t.PlannedOn != nil {
		s.fill(map[string]string{"planned_on": t.PlannedOn.Format(time.DateOnly)})
	}
	s.Lead = "It is due " + t.DueOn.Format("2 January 2006") + " and on time from " + t.EarliestOn.Format("2 January 2006") + " to " + t.LatestOn.Format("2 January 2006") + "."
	return s, nil
}

func (p *pages) planTask(v visit, s *sheet) (string, error) {
	t, on := s.about.(pm.Task), s.day("planned_on")
	if len(s.Mend) > 0 {
		return "", nil
	}
	_, err := once(p, v, s, func(tx *gorm.DB) (int, error) { return 0, pm.PlanTask(tx, v.who, t.ID, s.Version, on) })
	return s.Cancel, err
}

// mayPutOff tells whether the reader may put a task off, and take that back.
func mayPutOff(v visit, t pm.Task) error {
	own := len(t.Skills) > 0 && !slices.ContainsFunc(t.Skills, func(s string) bool { return s != "OP" })
	if v.may(access.Plan) || own && v.may(access.DoRounds) {
		return nil
	}
	return v.who.Must(access.RecordWork)
}

func (p *pages) skipTaskSheet(v visit) (*sheet, error) {
	s, t, err := p.taskSheet(v, "Put it off", "Put it off",
		&field{Name: "until", Label: "Until", Short: "The day", Kind: "date", Hint: "On this day it comes back by itself."},
		&field{Name: "reason", Label: "Why", Short: "The reason", Kind: "area", Most: 500})
	if err == nil {
		err = mayPutOff(v, t)
	}
	if err != nil {
		return nil, err
	}
	s.Lead = "That is no completion: nothing counts anew, and your name stays with it."
	if t.Criticality == "S" {
		s.Lead = "This is work for safety or the law. It cannot be put off; it stays on top until it is done."
	}
	return s, nil
}

func (p *pages) skipTask(v visit, s *sheet) (string, error) {
	t, until := s.about.(pm.Task), s.day("until")
	if len(s.Mend) > 0 {
		return "", nil
	}
	of, err := once(p, v, s, func(tx *gorm.DB) (uuid.UUID, error) {
		return pm.SkipTask(tx, v.who, v.now, t.ID, s.Version, until, s.get("reason"))
	})
	if err != nil {
		return "", err
	}
	return s.Cancel, pm.Follow(v.ctx, p.db, v.now, []uuid.UUID{of})
}

func (p *pages) resumeTaskSheet(v visit) (*sheet, error) {
	s, t, err := p.taskSheet(v, "Take it back", "It falls due as before")
	if err == nil {
		err = mayPutOff(v, t)
	}
	if err != nil {
		return nil, err
	}
	if t.SkippedUntil != nil {
		s.Lead = "It was put off until " + t.SkippedUntil.Format("2 January 2006") + ". Taken back, it is judged as if nobody had put it off, and raised again where its window is open."
	}
	return s, nil
}

func (p *pages) resumeTask(v visit, s *sheet) (string, error) {
	t := s.about.(pm.Task)
	of, err := once(p, v, s, func(tx *gorm.DB) (uuid.UUID, error) { return pm.ResumeTask(tx, v.who, t.ID) })
	if err != nil {
		return "", err
	}
	return "/due/" + of.String(), pm.Follow(v.ctx, p.db, v.now, []uuid.UUID{of})
}

func (p *pages) cancelTaskSheet(v visit) (*sheet, error) {
	s, _, err := p.taskSheet(v, "Cancel the task", "Cancel it", &field{Name: "reason", Label: "Why", Short: "The reason", Kind: "area", Most: 500})
	if err == nil {
		err = v.who.Must(access.Plan)
	}
	s.Grave, s.Lead = true, "It stays on record with the reason. What comes of a plan is not cancelled but put off, since it would come back."
	return s, err
}

func (p *pages) cancelTask(v visit, s *sheet) (string, error) {
	t := s.about.(pm.Task)
	_, err := once(p, v, s, func(tx *gorm.DB) (int, error) {
		return 0, pm.CancelTask(tx, v.who, v.now, t.ID, s.Version, s.get("reason"))
	})
	return s.Cancel, err
}

func (p *pages) taskNoteSheet(v visit) (*sheet, error) {
	s, _, err := p.taskSheet(v, "Write a note", "Keep the note", &field{Name: "body", Label: "The note", Kind: "area", Most: 4000})
	if err == nil {
		err = v.who.Must(access.SeeInternal)
	}
	s.Lead, s.Version = "Only the distributor's people see it.", 0
	return s, err
}

func (p *pages) addTaskNote(v visit, s *sheet) (string, error) {
	t := s.about.(pm.Task)
	_, err := once(p, v, s, func(tx *gorm.DB) (uuid.UUID, error) { return pm.AddNote(tx, v.who, v.now, t.ID, s.get("body")) })
	return s.Cancel + "#notes", err
}

// taskJobSheet opens a job card for a task: at a position, a line or a whole site.
func (p *pages) taskJobSheet(v visit) (*sheet, error) {
	s, t, err := p.taskSheet(v, "Open a job card", "Open the card")
	if err == nil {
		err = v.who.Must(access.RecordWork)
	}
	if err != nil {
		return nil, err
	}
	s.Version, s.Caution, s.Lead = 0, assets.Caution, openLead
	o := opening{task: &t.ID, form: s.Cancel + "/job", work: v.c.Query("work")}
	s.about = o
	if t.ProcedureID == nil && o.work == "" {
		f := &field{Name: "work", Label: "By which procedure is it done?", Short: "The procedure", Kind: "choice", Hint: "It came without one, and so without steps."}
		f.Options, err = p.procedureOptions(v)
		s.Fields = []*field{f}
		return s, err
	}
	in, err := o.record(o.work)
	if err != nil {
		return nil, err
	}
	return s, p.askWay(v, s, in)
}

// onePage is one assignment: how it stands, why, since when, and what was done.
type onePage struct {
	dueRow
	Clock     clock
	PlanPath  string
	From      string // what it counts from, in words
	Overrides []overrideRow
	Done      []doneRow
	Plans     bool
	Unknown   bool // nobody has a record of it, and whoever plans may say
}

type overrideRow struct {
	pm.Override
	Says  string
	Holds bool
}

func (p *pages) itemOf(v visit) (pm.Item, clock, error) {
	id, err := idOf(v, "id", "assignment")
	if err != nil {
		return pm.Item{}, clock{}, err
	}
	it, err := pm.OneItem(v.ctx, p.db, v.who, id)
	if err != nil {
		return it, clock{}, err
	}
	c, err := p.clockAt(v, it.SiteID)
	return it, c, err
}

func (p *pages) dueOne(v visit) error {
	it, c, err := p.itemOf(v)
	if err != nil {
		return err
	}
	rows, err := p.explained(v, []pm.Item{it})
	if err != nil {
		return err
	}
	g := onePage{dueRow: rows[0], Clock: c, PlanPath: "/plans/" + it.PlanID.String(), Plans: v.may(access.Plan)}
	switch {
	case it.MarkAt != nil && it.MarkDone:
		g.From = "It counts from " + c.Day(it.MarkAt) + ", when it was last done."
	case it.MarkAt != nil:
		g.From = "It counts from " + c.Day(it.MarkAt) + "."
	default:
		g.From = "No record says when it was done."
	}
	g.Unknown = g.Plans && !it.MarkDone
	held := false
	all, err := pm.Overrides(v.ctx, p.db, v.who, it.ID)
	if err != nil {
		return err
	}
	for _, o := range all {
		holds := !held && o.WithdrawnAt == nil
		held = held || holds
		g.Overrides = append(g.Overrides, overrideRow{o, triggerList(o.Triggers), holds})
	}
	past, err := pm.Histories(v.ctx, p.db, v.who, pm.HistoryFilter{AssignmentID: &it.ID}, pm.Page{Limit: mostHistory})
	if err != nil {
		return err
	}
	if g.Done, err = p.doneRows(v, past); err != nil {
		return err
	}
	return p.ok(v, "thing", it.Title+" "+g.Place, g)
}

// overrideSheet asks for intervals that hold at one thing only.
func (p *pages) overrideSheet(v visit) (*sheet, error) {
	it, c, err := p.itemOf(v)
	if err == nil {
		err = v.who.Must(access.Plan)
	}
	if err != nil {
		return nil, err
	}
	plan, err := pm.OnePlan(v.ctx, p.db, v.who, it.PlanID)
	if err != nil {
		return nil, err
	}
	triggers, err := plan.Reasons()
	if err != nil {
		return nil, err
	}
	at := "/due/" + it.ID.String()
	row := dueRowBare(v, it)
	s := &sheet{Title: "Another interval here", Over: it.Title + ", " + row.Place, Verb: "Let it hold", Cancel: at, Crumbs: []crumb{{at, it.Title}}, at: c.At, about: it,
		Lead: "It holds for the intervals that begin by its last day, and for nothing else than this. Work for safety or the law is only ever made more frequent."}
	for _, t := range triggers {
		switch t.Kind {
		case "every":
			s.Fields = append(s.Fields, &field{Name: "every", Label: "Instead of " + t.Says(), Short: "The interval", Optional: true, Hint: "Days or months: P20D is 20 days, P2M is 2 months. Blank leaves it."})
		case "after_use":
			s.Fields = append(s.Fields, &field{Name: "amount_" + t.Unit, Label: "Instead of " + t.Says(), Short: "The interval", Kind: "number", Optional: true, Hint: sentenceCase(plainWord(t.Unit)) + ". Blank leaves it."})
		}
	}
	s.Fields = append(s.Fields, &field{Name: "until", Label: "For intervals that begin by", Short: "The day", Kind: "date"}, &field{Name: "reason", Label: "Why", Short: "The reason", Kind: "area", Most: 500})
	return s, nil
}

func (p *pages) makeOverride(v visit, s *sheet) (string, error) {
	it := s.about.(pm.Item)
	in := pm.NewOverride{Until: s.day("until"), Reason: s.get("reason")}
	names := []string{} // of the fields, in the order of the triggers
	for _, f := range s.Fields {
		unit, use := strings.CutPrefix(f.Name, "amount_")
		switch {
		case f.Value == "":
		case f.Name == "every":
			in.Triggers, names = append(in.Triggers, pm.Trigger{Kind: "every", Every: f.Value}), append(names, f.Name)
		case use:
			if n := s.number(f.Name); n != nil {
				in.Triggers, names = append(in.Triggers, pm.Trigger{Kind: "after_use", Unit: unit, Amount: *n}), append(names, f.Name)
			}
		}
	}
	if len(s.Mend) > 0 {
		return "", nil
	}
	if _, err := once(p, v, s, func(tx *gorm.DB) (uuid.UUID, error) { return pm.MakeOverride(tx, v.who, v.now, it.ID, in) }); err != nil {
		return "", inForm(err, "triggers", names)
	}
	return s.Cancel, pm.Follow(v.ctx, p.db, v.now, []uuid.UUID{it.ID})
}

// inForm names the fields of a form where a fault names places in a list.
func inForm(err error, list string, names []string) error {
	return fault.Renamed(err, func(path string) string {
		for i, name := range names {
			if strings.HasPrefix(path, fmt.Sprintf("%s[%d]", list, i)) {
				return name
			}
		}
		return path
	})
}

// isMissing tells that something is not there, or not the reader's.
func isMissing(err error) bool { return fault.KindOf(err) == fault.NotFound }

// triggerList says triggers, whichever comes first.
func triggerList(all []pm.Trigger) string {
	words := make([]string, len(all))
	for i, t := range all {
		words[i] = t.Says()
	}
	return strings.Join(words, ", or ")
}

func (p *pages) withdrawOverrideSheet(v visit) (*sheet, error) {
	it, c, err := p.itemOf(v)
	if err == nil {
		err = v.who.Must(access.Plan)
	}
	if err != nil {
		return nil, err
	}
	at := "/due/" + it.ID.String()
	return &sheet{Title: "Take the interval back", Over: it.Title, Verb: "Take it back", Cancel: at, Crumbs: []crumb{{at, it.Title}}, at: c.At, about: it,
		Lead: "What the plan says holds again. It stays on record."}, nil
}

func (p *pages) withdrawOverride(v visit, s *sheet) (string, error) {
	id, err := idOf(v, "override", "override")
	if err != nil {
		return "", err
	}
	of, err := once(p, v, s, func(tx *gorm.DB) (uuid.UUID, error) { return pm.WithdrawOverride(tx, v.who, v.now, id) })
	if err != nil {
		return "", err
	}
	return s.Cancel, pm.Follow(v.ctx, p.db, v.now, []uuid.UUID{of})
}

// statedSheet takes from before this record when work was last done.
func (p *pages) statedSheet(v visit) (*sheet, error) {
	it, c, err := p.itemOf(v)
	if err == nil {
		err = v.who.Must(access.Plan)
	}
	if err != nil {
		return nil, err
	}
	at := "/due/" + it.ID.String()
	return &sheet{Title: "Say when it was last done", Over: it.Title + ", " + dueRowBare(v, it).Place, Verb: "Count from there", Cancel: at, Crumbs: []crumb{{at, it.Title}}, at: c.At, about: it,
		Lead:   "For what is known from before this record: an old log, a sticker on the machine. It counts from there, and nothing else is taken as done with it.",
		Fields: []*field{{Name: "at", Label: "Last done", Short: "The day", Kind: "date"}, {Name: "remark", Label: "How that is known", Kind: "area", Most: 500}}}, nil
}

func (p *pages) stateDone(v visit, s *sheet) (string, error) {
	it, at := s.about.(pm.Item), s.date("at")
	if len(s.Mend) > 0 {
		return "", nil
	}
	// noon of that day at the site; of today, while the morning lasts, now
	done := time.Date(at.Year(), at.Month(), at.Day(), 12, 0, 0, 0, at.Location())
	if done.After(v.now) && v.now.In(at.Location()).Format(time.DateOnly) == at.Format(time.DateOnly) {
		done = v.now
	}
	_, err := pm.Record(v.ctx, p.db, v.who, v.now, s.request(v), pm.Work{Done: []pm.Done{{AssignmentID: &it.ID, At: done, Remark: s.get("remark"), Stated: true}}})
	return s.Cancel, err
}
