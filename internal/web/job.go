package web

import (
	"html/template"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/fault"
	"spindlebook/internal/parts"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pm"
	"spindlebook/internal/pm/isolation"
	"spindlebook/internal/pm/record"
	"spindlebook/internal/web/draw"
)

// stageWords say how a point stands, by what was declared. None of them is a permission.
var stageWords = map[isolation.Stage]string{
	isolation.InService: "nothing declared: take it as live", isolation.Isolating: "being isolated, not yet proved", isolation.Proven: "declared isolated and proved",
	isolation.Test: "under test: locks are off, no work", isolation.Restoring: "being given back: take it as live",
}

// actWords ask for one act; each is ticked by itself.
var actWords = map[isolation.Act]string{
	isolation.Prepared: "I know its energies and how to control them", isolation.Told: "Those whom it affects are told", isolation.ShutDown: "It is stopped in the usual way",
	isolation.Isolated: "The isolating device is off", isolation.Locked: "My own lock and tag are on", isolation.Relieved: "Stored energy is out, held or blocked",
	isolation.Proved: "I have proved it", isolation.Clear: "People are counted and out, tools are out", isolation.OffForTest: "My lock is off, for a test only", isolation.BackOn: "My lock is on again",
	isolation.Inspected: "Guards are back, tools are counted", isolation.Unlocked: "My lock is off for good", isolation.ToldAfter: "Those whom it affects know that locks are off", isolation.Restored: "The energy is on again",
}

// actsOffered gives the acts that a page offers in a stage.
func actsOffered(at isolation.Point, own *isolation.Lock) (acts []isolation.Act) {
	add := func(all ...isolation.Act) {
		for _, a := range all {
			if !slices.Contains(at.Done, a) {
				acts = append(acts, a)
			}
		}
	}
	switch at.Stage {
	case isolation.Proven:
		if own == nil {
			return []isolation.Act{isolation.Locked}
		}
		add(isolation.Inspected, isolation.Clear)
		return append(acts, isolation.OffForTest, isolation.Unlocked)
	case isolation.Test:
		add(isolation.Isolated)
		if own != nil && own.OffAt != nil {
			acts = append(acts, isolation.BackOn)
		}
		if own != nil && own.OffAt == nil { // the other has taken off the own one already
			acts = append(acts, isolation.OffForTest)
		}
		add(isolation.Inspected)
		if own != nil {
			acts = append(acts, isolation.Unlocked)
		}
		return acts
	case isolation.Restoring:
		add(isolation.ToldAfter)
		return append(acts, isolation.Restored)
	}
	add(isolation.Prepared, isolation.Told, isolation.ShutDown, isolation.Isolated)
	if own == nil {
		acts = append(acts, isolation.Locked)
	}
	add(isolation.Relieved, isolation.Proved)
	if own != nil {
		acts = append(acts, isolation.Unlocked)
	}
	return acts
}

type offer struct {
	Act  isolation.Act
	Says string
}

type jobPoint struct {
	record.Point
	At       isolation.Point
	Word     string
	Offers   []offer
	Proves   bool // the form asks how it was proved
	Cautions []string
	Shared   []string
	Marks    []jobMark
	Keys     []string   // of the entries that the form makes
	Own      *uuid.UUID // the lock of whoever looks
}

type jobMark struct {
	record.Mark
	Entry string // whose and when
}

type jobStep struct {
	record.StepNow
	Hear    string // its label, for who cannot see it
	Fields  []stepField
	Asks    bool // it is open to be answered
	Key     string
	Word    string
	Skilled string
	Answers []answered
	Look    *record.Check // what is looked at, and how it is answered
	Tells   string        // what the step is held against
}

type stepField struct {
	Name, Label, Hint string
	Options           []option
	Whole             bool
}

type answered struct {
	Who, Outcome, Note string
	At                 time.Time
	Values             []pair
	Marks              []record.Mark
	Photos             []uuid.UUID
	Alone              bool   // no page of a position shows the photos
	Visit              string // where the card has entries of several visits
}

type jobPage struct {
	record.Card
	Clock    clock
	Path     string
	Points   []jobPoint
	Steps    []jobStep // all, in their order
	Answered []jobStep // done, with nothing to look at
	Ahead    []jobStep // that are to be answered now
	Later    []jobStep // behind a hold point that is not met
	With     []option  // colleagues
	Marks    []jobMark
	Others   []answered // entries that belong to no step
	Turn     string
	Drawing  template.HTML
	Lead     *leadCard
	Record   bool // may declare
	Looks    bool // may look at marks
	Open     bool
	Done     int
	Holds    int  // that are not met
	Swap     bool // a unit that can come out is on record
}

// Next is the step that comes next; nil where none is open.
func (g jobPage) Next() *jobStep {
	if len(g.Ahead) == 0 {
		return nil
	}
	return &g.Ahead[0]
}

// Short is the beginning of what the step says, for a button.
func (s jobStep) Short() string { return cutText(s.Says, 48) }

var outcomeWords = map[string]string{record.DoneWell: "done", record.NotOK: "not as it must be", record.NotPossible: "not possible", "open": "open"}

func (p *pages) job(v visit) error {
	c, err := p.cardFor(v)
	if err != nil {
		return err
	}
	zone, err := time.LoadLocation(c.Zone)
	if err != nil {
		return err
	}
	g := jobPage{Card: c, Clock: clock{v.now, zone}, Path: "/jobs/" + c.ID.String(), Record: v.may(access.RecordWork), Looks: v.may(access.Plan), Open: c.State == "open"}
	if c.PositionID != nil && g.Open {
		fitted, err := assets.FittedAtPosition(v.ctx, p.db, v.who, *c.PositionID, v.now)
		if err != nil {
			return err
		}
		g.Swap = slices.ContainsFunc(fitted, func(f assets.Fitted) bool { return f.UnitID != nil })
	}
	of := map[uuid.UUID]record.Entry{}
	for _, e := range c.Entries {
		of[e.ID] = e
		if e.Act != record.OfStep {
			g.Others = append(g.Others, g.answered(e))
		}
	}
	for _, m := range c.Marks {
		e := of[m.EntryID]
		g.Marks = append(g.Marks, jobMark{m, e.Person.Name + ", " + g.Clock.Moment(e.At)})
	}
	if c.Turning.Known {
		way := "counter-clockwise"
		if c.Turning.Clockwise {
			way = "clockwise"
		}
		g.Turn = "Seen from " + say(c.Turning.SeenFrom) + " it must turn " + way
		look := draw.View{ID: "turn", Title: g.Turn, Clockwise: c.Turning.Clockwise, From: c.Turning.SeenFrom, Words: way, LeftWord: "left", RightWord: "right"}
		if c.PositionID != nil { // on which side it stands decides what the arrow means
			q, err := assets.OnePosition(v.ctx, p.db, v.who, *c.PositionID)
			if err != nil {
				return err
			}
			site, err := assets.OneSite(v.ctx, p.db, v.who, q.SiteID)
			if err != nil {
				return err
			}
			look.Side, look.LeftWord, look.RightWord = q.LineSide, "left · "+occupant("left", site.DriverSide)+" side", "right · "+occupant("right", site.DriverSide)+" side"
		}
		g.Drawing = template.HTML(draw.Turning(look))
	}
	for _, pt := range c.Points {
		g.Points = append(g.Points, g.point(pt, v.who))
	}
	for _, s := range c.Steps {
		one := g.step(s)
		g.Steps = append(g.Steps, one)
		if s.State == record.DoneWell {
			g.Done++
		}
		switch {
		case s.State == record.DoneWell && !one.Marked() || !g.Open && len(s.Answers) > 0:
			g.Answered = append(g.Answered, one)
		case s.Behind != "" && len(s.Answers) == 0:
			g.Later = append(g.Later, one)
		default:
			g.Ahead = append(g.Ahead, one)
		}
	}
	if g.Open && g.Record {
		if g.With, err = p.colleagues(v); err != nil {
			return err
		}
	}
	for _, b := range c.Blocks {
		if b.Code == "hold" {
			g.Holds++
		}
	}
	if c.PositionID != nil && c.Connection.Verdict != "" {
		g.Lead = leadCardOf(c.Connection)
	}
	return p.ok(v, "job", c.Title+", "+workedAt(c), g)
}

func (p *pages) cardFor(v visit) (record.Card, error) {
	id, err := uuid.Parse(v.c.Param("id"))
	if err != nil {
		return record.Card{}, fault.Missing("job", v.c.Param("id"))
	}
	if err := v.who.Must(access.RecordWork); err != nil {
		return record.Card{}, err
	}
	return record.One(v.ctx, p.db, v.who, v.now, id)
}

func (g jobPage) answered(e record.Entry) answered {
	a := answered{Who: e.Person.Name, Outcome: outcomeWords[e.Outcome], Note: e.Note, At: e.At, Photos: e.PhotoIDs, Alone: g.Record && g.Card.PositionID == nil}
	if e.VisitID != nil && slices.ContainsFunc(g.Card.Entries, func(o record.Entry) bool { return o.VisitID != nil && *o.VisitID != *e.VisitID }) {
		a.Visit = e.VisitID.String()
	}
	for _, h := range e.Others {
		a.Who += " with " + h.Name
	}
	names := []string{}
	for n := range e.Said.Values {
		names = append(names, n)
	}
	slices.Sort(names)
	for _, n := range names {
		a.Values = append(a.Values, pair{strings.ReplaceAll(n, "_", " "), strings.ReplaceAll(e.Said.Values[n], "_", "-")})
	}
	add := func(name, value string) {
		if value != "" {
			a.Values = append(a.Values, pair{name, value})
		}
	}
	if e.Said.Found != "" {
		add("found", strings.TrimSpace(e.Said.Found+" "+e.Said.Unit))
	}
	if e.Said.Left != "" {
		add("left", strings.TrimSpace(e.Said.Left+" "+e.Said.Unit))
	}
	switch e.Act {
	case record.Swap:
		a.Outcome = strings.TrimSpace("changed the " + strings.ToLower(say(e.Named.Slot)))
		add("in", e.Named.Unit)
		add("from", e.Named.From)
		add("out because", say(e.Said.Reason))
		add("to", e.Named.To)
	case record.PartMove:
		a.Outcome = strings.ReplaceAll(e.Said.Did, "_", " ")
		add("part", e.Named.Part)
		add("amount", e.Said.Amount)
		add("lot", e.Said.Lot)
		add("from", e.Named.From)
		add("to", e.Named.To)
	case record.Exchange:
		a.Outcome = "exchanged two supply leads"
		add("which", e.Said.Leads)
		add("at", e.Said.Where)
	case record.Reading:
		a.Outcome = "read a counter"
		add(e.Named.Counter, e.Said.Value)
	case record.Note:
		a.Outcome = "noted"
	case record.Left:
		a.Outcome = "left the site"
	case record.Arrived:
		a.Outcome = "arrived"
	}
	for _, m := range g.Card.Marks {
		if m.EntryID == e.ID {
			a.Marks = append(a.Marks, m)
		}
	}
	return a
}

func (g jobPage) point(pt record.Point, who access.Actor) jobPoint {
	at, declared := g.Isolation[pt.ID]
	if !declared {
		at = isolation.Follow(nil)
	}
	out := jobPoint{Point: pt, At: at, Word: stageWords[at.Stage]}
	var own *isolation.Lock
	for i := range at.Locks {
		if id := at.Locks[i].Owner.ID; id != nil && *id == who.ID {
			own = &at.Locks[i]
			out.Own = &at.Locks[i].ID
		}
	}
	for _, a := range actsOffered(at, own) {
		out.Offers, out.Keys = append(out.Offers, offer{a, actWords[a]}), append(out.Keys, uuid.NewString())
		out.Proves = out.Proves || a == isolation.Proved
	}
	refs := []assets.PositionRef{}
	for _, code := range pt.Positions {
		refs = append(refs, assets.PositionRef{Code: code})
		if code != g.Position {
			out.Shared = append(out.Shared, code)
		}
	}
	out.Cautions = isolation.Cautions(assets.IsolationPoint{Code: pt.Code, Energy: pt.Energy, Positions: refs})[1:2]
	for _, m := range at.Marks {
		out.Marks = append(out.Marks, jobMark{Mark: record.Mark{EntryID: m.EntryID, Code: m.Code, Says: m.Says}})
	}
	return out
}

func (g jobPage) step(s record.StepNow) jobStep {
	out := jobStep{StepNow: s, Hear: s.Label, Key: uuid.NewString(), Word: outcomeWords[s.State], Asks: g.Open && g.Record && s.Behind == ""}
	out.Skilled = strings.Join(s.Skills, " and ")
	for _, n := range s.Records {
		if s.Check != "" { // the check itself is asked for
			continue
		}
		w := record.WrittenAs(n)
		f := stepField{Name: n, Label: w.Label, Hint: w.Hint, Whole: w.Kind == "whole"}
		for _, o := range w.Options {
			f.Options = append(f.Options, option{o, strings.ReplaceAll(o, "_", "-")})
		}
		switch {
		case n == record.DirectionSeen && g.Turn != "":
			out.Tells = g.Turn + "."
		case n == record.LinksSet && g.LinksFor != "":
			out.Tells = "By the supply and this motor's plate: " + g.LinksFor + "."
		case n == record.MediaOrder && g.Facts["media_pattern"] != "":
			out.Tells = "This position asks for " + g.Facts["media_pattern"] + " from the bottom."
		}
		out.Fields = append(out.Fields, f)
	}
	if k, known := g.Checks[s.Check]; known {
		out.Look = &k
	}
	for _, e := range s.Answers {
		out.Answers = append(out.Answers, g.answered(e))
	}
	return out
}

// Marked tells whether somebody must look at an answer of the step.
func (s jobStep) Marked() bool {
	return slices.ContainsFunc(s.Answers, func(a answered) bool {
		return slices.ContainsFunc(a.Marks, func(m record.Mark) bool { return m.Looked == nil })
	})
}

// answerStep takes the answer to a step from its own small form.
func (p *pages) answerStep(v visit) error {
	c, err := p.cardFor(v)
	if err != nil {
		return err
	}
	step, err := uuid.Parse(v.c.Param("step"))
	if err != nil {
		return fault.Missing("step", v.c.Param("step"))
	}
	s := &sheet{Fields: []*field{{Name: "photo", Kind: "picture", Optional: true}}}
	if err := s.read(v.c); err != nil {
		return err
	}
	if len(s.Mend) > 0 {
		return &fault.Error{Kind: fault.TooLarge, Field: "photo", Msg: s.Mend[0].Text}
	}
	sent := v.c.Request.PostForm
	e := record.NewEntry{ID: uuid.MustParse(s.Key), StepID: &step, Act: record.OfStep, Outcome: sent.Get("outcome"), Note: sent.Get("note"), VersionSeen: s.Version, DoneAt: v.now, Stamped: true,
		Said: record.Said{Values: map[string]string{}, Found: strings.TrimSpace(sent.Get("found")), Left: strings.TrimSpace(sent.Get("left"))}}
	if e.Said.Found != "" || e.Said.Left != "" {
		e.Said.Unit = sent.Get("unit")
	}
	i := slices.IndexFunc(c.Steps, func(o record.StepNow) bool { return o.ID == step })
	if i < 0 {
		return fault.Missing("step", step.String())
	}
	for name, value := range sent {
		if n, is := strings.CutPrefix(name, "value_"); is && strings.TrimSpace(value[0]) != "" {
			e.Said.Values[n] = strings.TrimSpace(value[0])
		}
	}
	if e.Others, err = p.together(v, c, e.ID, sent.Get("with_id"), sent.Get("with")); err != nil {
		return err
	}
	if err := p.pictured(v, s, c, &e, "photo", cutText(c.Steps[i].Label+": "+c.Steps[i].Says, 200)); err != nil {
		return err
	}
	taken, err := record.Take(v.ctx, p.db, v.who, v.now, c.ID, []record.NewEntry{e})
	if err != nil {
		return err
	}
	if bad := taken[0].Fault; bad != nil {
		return entryFault(bad)
	}
	return goTo(v, "/jobs/"+c.ID.String()+"#s-"+step.String())
}

// entryFault names the field of a form where a fault names one of an entry.
func entryFault(bad *fault.Error) error {
	if strings.HasPrefix(bad.Field, "items[") {
		_, bad.Field, _ = strings.Cut(bad.Field, "].")
	}
	for _, before := range []string{"said.", "values."} {
		bad.Field = strings.TrimPrefix(bad.Field, before)
	}
	if bad.Kind == fault.Conflict && bad.Field == "id" || bad.Field == "Idempotency-Key" { // the form was sent before, and changed since
		return &fault.Error{Kind: fault.Conflict, Field: "Idempotency-Key", Msg: "this form was sent before with other entries, and those are recorded; open the card anew and answer there"}
	}
	return bad
}

// small reads the key and the version of a small form on the card.
func (p *pages) small(v visit) (uuid.UUID, int, error) {
	s := sheet{}
	if err := s.read(v.c); err != nil {
		return uuid.Nil, 0, err
	}
	return uuid.MustParse(s.Key), s.Version, nil
}

// declare takes what somebody declares about a point: one entry for each tick.
func (p *pages) declare(v visit) error {
	c, err := p.cardFor(v)
	if err != nil {
		return err
	}
	point, err := uuid.Parse(v.c.Param("point"))
	if err != nil {
		return fault.Missing("isolation point", v.c.Param("point"))
	}
	if _, _, err := p.small(v); err != nil {
		return err
	}
	i := slices.IndexFunc(c.Points, func(pt record.Point) bool { return pt.ID == point })
	if i < 0 {
		return fault.Missing("isolation point", point.String())
	}
	sent := v.c.Request.PostForm
	var own *uuid.UUID
	for _, l := range c.Isolation[point].Locks {
		if l.Owner.ID != nil && *l.Owner.ID == v.who.ID {
			id := l.ID
			own = &id
		}
	}
	if shown, err := uuid.Parse(sent.Get("lock")); err == nil { // of a form that is sent again after its lock came off
		own = &shown
	}
	all := []isolation.NewEntry{}
	for _, a := range isolation.Acts {
		key, err := uuid.Parse(sent.Get("key_" + string(a)))
		if err != nil || sent.Get(string(a)) != "yes" {
			continue
		}
		e := isolation.NewEntry{ID: key, PointID: point, PointVersion: c.Points[i].Version, Act: a, DoneAt: v.now, Stamped: true, RecordID: &c.ID, VisitID: c.VisitID, How: sent.Get("how"), Instrument: sent.Get("instrument")}
		if a.OfALock() {
			if own == nil {
				own = &key // a lock is named by the entry that put it on
			}
			e.LockID = own
		}
		all = append(all, e)
	}
	if len(all) == 0 {
		return fault.Field("declared", "", "is nothing: tick what is done, each by itself")
	}
	err = p.db.InTx(v.ctx, v.who.ID, func(tx *gorm.DB) error {
		taken, err := isolation.Take(tx, v.who, v.now, all)
		for _, t := range taken {
			if err == nil && t.Fault != nil {
				err = entryFault(t.Fault)
			}
		}
		return err
	})
	if err != nil {
		return err
	}
	return goTo(v, "/jobs/"+c.ID.String()+"#p-"+point.String())
}

// lookInto takes what a manager found at a mark.
func (p *pages) lookInto(v visit) error {
	c, err := p.cardFor(v)
	if err != nil {
		return err
	}
	if _, _, err := p.small(v); err != nil {
		return err
	}
	sent := v.c.Request.PostForm
	entry, err := uuid.Parse(sent.Get("entry"))
	if err != nil {
		return fault.Missing("entry", sent.Get("entry"))
	}
	err = record.LookInto(v.ctx, p.db, v.who, v.now, c.ID, []isolation.NewLook{{EntryID: entry, Mark: sent.Get("mark"), Remark: sent.Get("remark")}})
	if err != nil {
		return err
	}
	return goTo(v, "/jobs/"+c.ID.String()+"#marks")
}

type jobsPage struct {
	Open, Unseen []record.Head
	Locks        []openLock
	Clock        clock
}

type openLock struct {
	isolation.OpenLock
	Clock clock
	Late  bool
	Own   bool
}

// jobs lists what is under way, what a manager must look at, and the locks that are on.
func (p *pages) jobs(v visit) error {
	if err := v.who.Must(access.RecordWork); err != nil {
		return err
	}
	g := jobsPage{Clock: clock{v.now, time.UTC}}
	var err error
	if g.Open, err = record.Cards(v.ctx, p.db, v.who, record.Filter{State: "open"}, record.Page{Limit: 100}); err != nil {
		return err
	}
	if g.Unseen, err = record.Cards(v.ctx, p.db, v.who, record.Filter{Unseen: true}, record.Page{Limit: 100}); err != nil {
		return err
	}
	locks, err := isolation.OpenLocks(v.ctx, p.db, v.who, v.now, nil, isolation.Page{Limit: 200})
	if err != nil {
		return err
	}
	for _, l := range locks {
		zone, err := time.LoadLocation(l.Zone)
		if err != nil {
			return err
		}
		g.Locks = append(g.Locks, openLock{l, clock{v.now, zone}, l.Overdue(v.now), ownLock(v, l)})
	}
	return p.ok(v, "jobs", "Jobs", g)
}

func (s *sheet) request(v visit) pgdb.Request {
	return pgdb.Request{Key: "page " + s.Key, Act: http.MethodPost + " " + v.c.Request.URL.Path, Body: s.values()}
}

// opening is what a card is opened for: a task, or work at a position.
type opening struct {
	position, task *uuid.UUID
	form           string // its path
	work           string // chosen on the page before
}

// record gives what is asked for by the choice of work.
func (o opening) record(work string) (record.NewRecord, error) {
	in := record.NewRecord{TaskID: o.task}
	if o.task != nil {
		in.Procedure = work
		return in, nil
	}
	if id, is := strings.CutPrefix(work, "task "); is {
		task, err := uuid.Parse(id)
		if err != nil {
			return in, fault.Missing("task", id)
		}
		in.TaskID = &task
		return in, nil
	}
	in.PositionID, in.Procedure = o.position, work
	return in, nil
}

const openLead = "Its steps, which way it must turn, how its leads join and where it is isolated are kept as they are known now."

func (p *pages) openJobSheet(v visit) (*sheet, error) {
	if err := v.who.Must(access.RecordWork); err != nil {
		return nil, err
	}
	id, err := idOf(v, "id", "position")
	if err != nil {
		return nil, err
	}
	q, err := assets.OnePosition(v.ctx, p.db, v.who, id)
	if err != nil {
		return nil, err
	}
	s := &sheet{Title: "Open a job card", Over: q.Code + " " + q.Name, Verb: "Open the card", Cancel: "/positions/" + q.ID.String(), Crumbs: []crumb{{"/positions/" + q.ID.String(), q.Code}},
		Lead: openLead, Caution: assets.Caution}
	o := opening{position: &q.ID, form: "/positions/" + q.ID.String() + "/job", work: v.c.Query("work")}
	s.about = o
	if o.work != "" {
		in, err := o.record(o.work)
		if err != nil {
			return nil, err
		}
		return s, p.askWay(v, s, in)
	}
	f := &field{Name: "work", Label: "What is to be done?", Short: "The work", Kind: "choice"}
	tasks, err := pm.Tasks(v.ctx, p.db, v.who, pm.TaskFilter{PositionID: &q.ID}, pm.Page{Limit: 100})
	if err != nil {
		return nil, err
	}
	for _, t := range tasks {
		if t.ProcedureID != nil {
			f.Options = append(f.Options, option{"task " + t.ID.String(), t.Title + ", due " + t.DueOn.Format("2 January 2006")})
		}
	}
	known, err := p.procedureOptions(v)
	f.Options = append(f.Options, known...)
	s.Fields = []*field{f}
	return s, err
}

func (p *pages) procedureOptions(v visit) (all []option, err error) {
	known, err := pm.Procedures(v.ctx, p.db, v.who, pm.Page{Limit: 500})
	for _, o := range known {
		if !o.IsBlock && o.VersionID != nil {
			all = append(all, option{o.Code, o.Code + " " + o.Title})
		}
	}
	return all, err
}

// askWay asks in which way the work is done, where there are several.
func (p *pages) askWay(v visit, s *sheet, in record.NewRecord) error {
	ways, err := record.Ways(v.ctx, p.db, v.who, in)
	if err != nil {
		return err
	}
	f := &field{Name: "method", Label: "In which way?", Short: "The way", Kind: "radio"}
	for _, w := range ways {
		f.Options = append(f.Options, option{w.Code, w.Title + ", " + plural(w.People, "person", "people") + ", about " + plural(w.Minutes.Typical, "minute", "minutes")})
	}
	if len(ways) > 1 {
		f.Value = ways[0].Code
		s.Fields = append(s.Fields, f)
	}
	return nil
}

func (p *pages) openJob(v visit, s *sheet) (string, error) {
	o := s.about.(opening)
	work := o.work
	if f := s.field("work"); f != nil {
		work = f.Value
	}
	in, err := o.record(work)
	if err != nil {
		return "", err
	}
	if f := s.field("method"); f != nil {
		in.Method = f.Value
	} else {
		ways, err := record.Ways(v.ctx, p.db, v.who, in)
		if err != nil {
			return "", err
		}
		if len(ways) > 1 {
			return o.form + "?work=" + url.QueryEscape(work), nil
		}
	}
	id, err := record.Open(v.ctx, p.db, v.who, v.now, s.request(v), in)
	return "/jobs/" + id.String(), err
}

// workedAt names the position of a card, or the site of one that is of no single position.
func workedAt(c record.Card) string {
	if c.PositionID == nil {
		return c.SiteName
	}
	return c.Position
}

func (p *pages) jobSheet(v visit, title, verb string, fields ...*field) (*sheet, record.Card, error) {
	c, err := p.cardFor(v)
	path := "/jobs/" + c.ID.String()
	return &sheet{Title: title, Over: c.Title + ", " + workedAt(c), Verb: verb, Cancel: path, Crumbs: []crumb{{path, c.Title}}, Fields: fields, about: c}, c, err
}

func (p *pages) signSheet(v visit) (*sheet, error) {
	s, c, err := p.jobSheet(v, "Sign off", "Sign off",
		&field{Name: "handed_to", Label: "Handed over to", Hint: "Who of the site took it over. They sign for the work and not for the price.", Optional: true},
		&field{Name: "minutes", Label: "Minutes at the machine", Kind: "number", Optional: true, Most: 5},
		&field{Name: "remark", Label: "What the next one must know", Kind: "area", Optional: true, Most: 2000})
	if err != nil {
		return nil, err
	}
	s.Lead = "Readings, swaps and parts used are booked with it, and what recurs counts from when the last of the work was done."
	for _, b := range c.Blocks {
		s.Mend = append(s.Mend, mend{Text: sentence(b.Says)})
	}
	return s, nil
}

func (p *pages) signOff(v visit, s *sheet) (string, error) {
	c := s.about.(record.Card)
	in := record.Signing{VersionSeen: c.Version, HandedTo: s.get("handed_to"), Remark: s.get("remark")}
	if s.get("minutes") != "" {
		if in.Minutes = s.whole("minutes"); len(s.Mend) > 0 {
			return "", nil
		}
	}
	_, err := record.SignOff(v.ctx, p.db, v.who, v.now, s.request(v), c.ID, in)
	return "/jobs/" + c.ID.String(), fault.Renamed(err, func(path string) string {
		if strings.HasPrefix(path, "entries.") { // which one is said in words
			return ""
		}
		return path
	})
}

func (p *pages) addWorkSheet(v visit) (*sheet, error) {
	f := &field{Name: "procedure", Label: "What else is needed?", Short: "The work", Kind: "choice"}
	s, _, err := p.jobSheet(v, "Add work found on site", "Add it", f, &field{Name: "why", Label: "What was found", Kind: "area", Most: 1000})
	if err != nil {
		return nil, err
	}
	s.Lead = "Its own steps come after the last one that was answered. What stands on the card stays as it is."
	f.Options, err = p.procedureOptions(v)
	return s, err
}

func (p *pages) addWork(v visit, s *sheet) (string, error) {
	c := s.about.(record.Card)
	id, err := record.Add(v.ctx, p.db, v.who, v.now, s.request(v), c.ID, record.Addition{Procedure: s.get("procedure"), Why: s.get("why")})
	return "/jobs/" + id.String(), err
}

func (p *pages) stopSheet(v visit) (*sheet, error) {
	s, _, err := p.jobSheet(v, "Stop without finishing", "Stop this job", &field{Name: "reason", Label: "Why, and what stays behind", Kind: "area", Most: 500})
	s.Grave, s.Lead = true, "The task stays open. Locks that are on stay on the list of locks until their owners take them off."
	return s, err
}

func (p *pages) stop(v visit, s *sheet) (string, error) {
	c := s.about.(record.Card)
	err := p.db.InTx(v.ctx, v.who.ID, func(tx *gorm.DB) error {
		return record.Abandon(tx, v.who, v.now, c.ID, c.Version, s.get("reason"))
	})
	return "/jobs/" + c.ID.String(), err
}

func (p *pages) jobSwapSheet(v visit) (*sheet, error) {
	s, c, err := p.jobSheet(v, "Swap a unit", "Record the swap")
	if err != nil {
		return nil, err
	}
	if c.PositionID == nil {
		return nil, fault.Missing("position", "")
	}
	fitted, err := assets.FittedAtPosition(v.ctx, p.db, v.who, *c.PositionID, v.now)
	if err != nil {
		return nil, err
	}
	slot, ids, slots := &field{Name: "slot", Label: "What comes out?", Short: "The unit", Kind: "radio"}, []uuid.UUID{}, []assets.Fitted{}
	for _, f := range fitted {
		if f.UnitID != nil {
			slot.Options, ids, slots = append(slot.Options, option{f.SlotID.String(), f.Slot + " · " + unitWords(val(f.Tag), "", val(f.Serial))}), append(ids, f.SlotID), append(slots, f)
		}
	}
	if len(ids) == 0 {
		return nil, &fault.Error{Kind: fault.Conflict, Msg: "nothing that is fitted here is on record; record what is fitted first"}
	}
	stock, err := assets.StockFor(v.ctx, p.db, v.who, v.now, ids, mostStock)
	if err != nil {
		return nil, err
	}
	in := &field{Name: "in", Label: "What goes in?", Short: "The new unit", Kind: "choice", Free: true, Options: []option{{staysEmpty, "Nothing: the slot stays empty"}},
		Hint: "Of each slot what fits first, and why the rest does not or nobody can tell."}
	judged, err := p.unitsFor(v, slots...)
	if err != nil {
		return nil, err
	}
	for _, f := range slots {
		for _, o := range fitOptions(judged[parts.Opening{PositionID: f.PositionID, Class: f.Class}], stock, f) {
			if !slices.ContainsFunc(in.Options, func(was option) bool { return was.Value == o.Value }) { // it may go into two slots
				in.Options = append(in.Options, option{o.Value, f.Slot + " · " + o.Name})
			}
		}
	}
	places, err := p.locationOptions(v)
	if err != nil {
		return nil, err
	}
	reason := &field{Name: "reason", Label: "Why does the old one come out?", Short: "The reason", Kind: "choice"}
	for _, r := range outReasons {
		reason.Options = append(reason.Options, option{r, say(r)})
	}
	s.Caution, s.Lead = swapCaution, "It is booked when the job is signed off."
	s.Fields = []*field{slot, reason, {Name: "to", Label: "Where does it go?", Short: "The place", Kind: "choice", Options: places}, in, {Name: "note", Label: "Remark", Optional: true, Most: 500}}
	s.about = jobSwapping{c, slots}
	return s, nil
}

// jobSwapping is the card on which something is swapped, and the slots out of which it comes.
type jobSwapping struct {
	record.Card
	slots []assets.Fitted
}

func (p *pages) jobSwap(v visit, s *sheet) (string, error) {
	w := s.about.(jobSwapping)
	c := w.Card
	said := record.Said{Reason: s.get("reason"), SlotID: s.id("slot"), To: s.id("to"), In: s.goesIn("in")}
	if said.In != nil {
		u, err := assets.OneUnit(v.ctx, p.db, v.who, v.now, *said.In)
		if err != nil {
			return "", err
		}
		said.From = u.LocationID
		for _, f := range w.slots {
			if said.SlotID != nil && f.SlotID == *said.SlotID && f.Class != u.Class {
				s.wrong("in", "goes into no such slot: "+u.Tag+" is "+u.PartNumber+", "+plainWord(u.Class))
				return "", nil
			}
		}
	}
	return p.entry(v, s, c, record.NewEntry{Act: record.Swap, Said: said, Note: s.get("note")})
}

// entry takes one entry from a form of its own.
func (p *pages) entry(v visit, s *sheet, c record.Card, e record.NewEntry) (string, error) {
	e.ID, e.VersionSeen, e.DoneAt, e.Stamped = uuid.MustParse(s.Key), c.Version, v.now, true
	taken, err := record.Take(v.ctx, p.db, v.who, v.now, c.ID, []record.NewEntry{e})
	if err == nil && taken[0].Fault != nil {
		err = entryFault(taken[0].Fault)
	}
	return "/jobs/" + c.ID.String() + "#booked", err
}

func (p *pages) jobPartSheet(v visit) (*sheet, error) {
	s, _, err := p.jobSheet(v, "Parts", "Record it")
	if err != nil {
		return nil, err
	}
	all, err := assets.Parts(v.ctx, p.db, v.who, nil, nil, assets.Page{Limit: mostOptions})
	if err != nil {
		return nil, err
	}
	part := &field{Name: "part_id", Label: "Which part?", Short: "The part", Kind: "choice"}
	for _, o := range all {
		part.Options = append(part.Options, option{o.ID.String(), o.Number + " " + o.Description})
	}
	places, err := p.locationOptions(v)
	s.Fields = []*field{part, {Name: "did", Label: "What became of it?", Kind: "radio", Options: []option{{"used", "used"}, {"returned", "taken back"}, {"left_on_site", "left on site"}, {"taken", "taken along"}}},
		{Name: "amount", Label: "How much?", Short: "The amount", Kind: "number", Most: 20}, {Name: "from", Label: "From where, or back to where?", Short: "The place", Kind: "choice", Options: places},
		{Name: "lot", Label: "Lot", Optional: true, Most: 100}, {Name: "note", Label: "Remark", Optional: true, Most: 500}}
	return s, err
}

func (p *pages) jobPart(v visit, s *sheet) (string, error) {
	said := record.Said{Did: s.get("did"), Amount: s.get("amount"), Lot: s.get("lot"), PartID: s.id("part_id"), From: s.id("from")}
	return p.entry(v, s, s.about.(record.Card), record.NewEntry{Act: record.PartMove, Said: said, Note: s.get("note")})
}

func (p *pages) jobExchangeSheet(v visit) (*sheet, error) {
	s, _, err := p.jobSheet(v, "Exchange two supply leads", "Record it",
		&field{Name: "leads", Label: "Which two?", Kind: "radio", Options: []option{{"L1-L2", "L1 and L2"}, {"L2-L3", "L2 and L3"}, {"L1-L3", "L1 and L3"}}},
		&field{Name: "where", Label: "At which one place?", Kind: "radio", Options: []option{{"motor box", "motor box"}, {"starter", "starter"}}},
		&field{Name: "note", Label: "Why it was wrong, as far as is known", Kind: "area", Optional: true, Most: 1000, Hint: "Wrong record, supply phases changed (then every motor on that supply is wrong), an earlier exchange at the other end."})
	s.Caution = "Isolate, lock and prove first. Boxes and terminals are opened by a licensed electrician, by local code. Exchange two leads at one place only, prove, and test again."
	return s, err
}

func (p *pages) jobExchange(v visit, s *sheet) (string, error) {
	return p.entry(v, s, s.about.(record.Card), record.NewEntry{Act: record.Exchange, Said: record.Said{Leads: s.get("leads"), Where: s.get("where")}, Note: s.get("note")})
}
