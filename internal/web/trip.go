package web

import (
	"bytes"
	"cmp"
	"fmt"
	"net/url"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/calendar"
	"spindlebook/internal/fault"
	"spindlebook/internal/money"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pm/visits"
)

// tripRow is a visit in a list.
type tripRow struct {
	visits.Visit
	Clock clock
	Ready *visits.Ready
	Odd   []visits.Finding
}

// Names lists those who go.
func (t tripRow) Names() string {
	var all []string
	for _, p := range t.People {
		all = append(all, p.Name)
	}
	return strings.Join(all, ", ")
}

// Hours says when it is, at the site.
func (t tripRow) Hours() string {
	at := t.Clock.At
	return t.StartsAt.In(at).Format("15:04") + " to " + t.EndsAt.In(at).Format("15:04")
}

// Day is the operating day in words.
func (t tripRow) Day() string { return t.OnDate.Format("Monday 2 January 2006") }

// stands says what of a line must stand for the work of a visit, and when.
func stands(t tripRow, work []visits.Task) string {
	lines := []string{}
	for _, w := range work {
		switch {
		case !w.Down() || w.EndedHow == "moved" || w.EndedHow == "dropped" || slices.Contains(lines, w.LineCode):
		case w.LineCode == "": // what serves all of them
			return "The whole site stands from " + t.Hours()
		default:
			lines = append(lines, w.LineCode)
		}
	}
	if len(lines) == 0 {
		return "No line stands for it"
	}
	slices.Sort(lines)
	return strings.Join(lines, " and ") + map[bool]string{true: " stands", false: " stand"}[len(lines) == 1] + " from " + t.Hours()
}

// StateWords says how the visit stands.
func (t tripRow) StateWords() string { return strings.ReplaceAll(t.State, "_", " ") }

// Open tells whether it can still be changed as it was planned.
func (t tripRow) Open() bool { return t.Visit.Open() }

// Goes tells whether it can go as judged.
func (t tripRow) Goes() bool {
	return t.Ready != nil && (t.Ready.Verdict == "go" || t.Ready.Verdict == "go after work")
}

func (p *pages) tripRow(v visit, t visits.Visit) tripRow {
	return tripRow{Visit: t, Clock: clock{v.now, t.Location()}}
}

// judged adds to rows whether they can go and what is odd, for our own people.
func (p *pages) judged(v visit, rows []tripRow) error {
	if !v.may(access.SeeInternal) {
		return nil
	}
	var open []visits.Visit
	for _, r := range rows {
		if r.State == visits.Proposed || r.State == visits.Planned || r.State == visits.UnderWay {
			open = append(open, r.Visit)
		}
	}
	ready, err := visits.Readiness(v.ctx, p.db, v.who, v.now, open)
	if err != nil {
		return err
	}
	odd, err := visits.Look(v.ctx, p.db, v.who, v.now, open)
	for i := range rows {
		for k := range ready {
			if ready[k].VisitID == rows[i].ID {
				rows[i].Ready = &ready[k]
			}
		}
		for _, f := range odd {
			if f.VisitID == rows[i].ID {
				rows[i].Odd = append(rows[i].Odd, f)
			}
		}
	}
	return err
}

type tripsPage struct {
	Rows  []tripRow
	Past  bool
	Plan  bool
	Cost  bool
	Sites []assets.Overview
	More  string
}

// trips lists the visits to come, or those that were.
func (p *pages) trips(v visit) error {
	today := calendar.DateOf(v.now)
	g := tripsPage{Past: v.c.Query("when") == "past", Plan: v.may(access.Plan), Cost: v.may(access.SeeCost) && v.may(access.Plan)}
	f, size := visits.Filter{Live: true, From: today - 1}, 25
	if g.Past {
		f = visits.Filter{From: today - 60, Until: today}
	}
	rows, err := visits.List(v.ctx, p.db, v.who, f, access.Page{After: v.c.Query("after"), Limit: size + 1})
	if err != nil {
		return err
	}
	if len(rows) > size {
		rows = rows[:size]
		g.More = "/visits?" + url.Values{"after": {rows[size-1].Key()}, "when": {v.c.Query("when")}}.Encode()
	}
	for _, r := range rows {
		if g.Past == (r.State == visits.Closed || r.State == visits.Abandoned) {
			g.Rows = append(g.Rows, p.tripRow(v, r))
		}
	}
	if err := p.judged(v, g.Rows); err != nil {
		return err
	}
	if g.Plan {
		if g.Sites, err = assets.Overviews(v.ctx, p.db, v.who, v.now, assets.OverviewFilter{}, assets.Page{Limit: homeSites}); err != nil {
			return err
		}
	}
	return p.ok(v, "trips", "Visits", g)
}

type tripPage struct {
	tripRow
	Work      []visits.Task
	Left      []visits.Left
	Times     []visits.Times
	Wants     []visits.Want
	Decisions []visits.Decision
	Saves     string
	Stands    string // which line stands for it, and when
	Plan, Do  bool
	Ends      bool // somebody is there, or whoever looks may call it off
	Next      *visits.Visit
}

// On writes a day where its year is plain.
func (t tripPage) On(day time.Time) string {
	return civil(calendar.DateOf(day), calendar.DateOf(t.Clock.Now))
}

// At writes an instant as a time of day at the site.
func (t tripPage) At(at *time.Time) string {
	if at == nil {
		return "–"
	}
	return at.In(t.Clock.At).Format("15:04")
}

// Stamp writes when something was decided.
func (t tripPage) Stamp(at time.Time) string { return at.Format("2 January, 15:04") }

// Job gives what is said of a task.
func (t tripPage) Job(id uuid.UUID) *visits.JobReady {
	if t.Ready == nil {
		return nil
	}
	for i := range t.Ready.Jobs {
		if t.Ready.Jobs[i].TaskID == id {
			return &t.Ready.Jobs[i]
		}
	}
	return nil
}

// Of names the task that a decision is about.
func (t tripPage) Of(id *uuid.UUID) string {
	for _, w := range t.Work {
		if id != nil && w.TaskID == *id {
			return w.Title
		}
	}
	return "The whole visit"
}

func (p *pages) oneTrip(v visit) (visits.Visit, error) {
	id, err := idOf(v, "id", "visit")
	if err != nil {
		return visits.Visit{}, err
	}
	return visits.One(v.ctx, p.db, v.who, id)
}

// trip shows a visit: who goes when, what is done, whether it can go, what became of it.
func (p *pages) trip(v visit) error {
	one, err := p.oneTrip(v)
	if err != nil {
		return err
	}
	rows := []tripRow{p.tripRow(v, one)}
	if err := p.judged(v, rows); err != nil {
		return err
	}
	g := tripPage{tripRow: rows[0], Plan: v.may(access.Plan), Do: v.may(access.RecordWork)}
	if g.Work, err = visits.Tasks(v.ctx, p.db, v.who, one.ID); err != nil {
		return err
	}
	g.Stands = stands(g.tripRow, g.Work)
	there := one.State == visits.UnderWay || slices.ContainsFunc(g.Work, func(w visits.Task) bool { return w.RecordID != nil })
	g.Ends = (one.Open() || one.State == visits.UnderWay) && (g.Plan || g.Do && there)
	if g.Left, err = visits.LeftBehind(v.ctx, p.db, v.who, one.ID); err != nil {
		return err
	}
	if one.NextID != nil {
		if next, err := visits.One(v.ctx, p.db, v.who, *one.NextID); err == nil {
			g.Next = &next
		}
	}
	if v.may(access.SeeInternal) {
		entries, err := visits.Entries(v.ctx, p.db, v.who, one.ID)
		if err != nil {
			return err
		}
		g.Times = visits.TimesOf(entries, one.Location())
		if g.Wants, err = visits.Wants(v.ctx, p.db, v.who, one.ID); err != nil {
			return err
		}
		if g.Decisions, err = visits.Decisions(v.ctx, p.db, v.who, one.ID); err != nil {
			return err
		}
		if g.Saves, err = visits.Saying(v.ctx, p.db, v.who, one.ID); err != nil {
			return err
		}
	}
	return p.ok(v, "trip", fmt.Sprintf("Visit %d to %s", one.Number, one.SiteName), g)
}

// onDay reads the day of a page; today where nothing is said.
func onDay(v visit, preset calendar.Date) calendar.Date {
	if d, bad := calendar.ParseDate(v.c.Query("on"), "on"); bad == nil {
		return d
	}
	return preset
}

// dayOf is the working day of somebody: that of a visit which has begun, also after
// midnight, and else the day by the clock where their visits are.
func (p *pages) dayOf(v visit, person uuid.UUID) (calendar.Date, error) {
	day := calendar.DateOf(v.now)
	near, err := visits.List(v.ctx, p.db, v.who, visits.Filter{PersonID: &person, From: day - 1, Until: day + 1}, access.Page{Limit: 20})
	if err != nil {
		return day, err
	}
	for _, t := range near {
		if t.State == visits.UnderWay || t.State == visits.Planned && !v.now.Before(t.StartsAt) && v.now.Before(t.EndsAt) {
			return calendar.DateOf(t.OnDate), nil
		}
	}
	if len(near) > 0 {
		return calendar.DateOf(v.now.In(near[0].Location())), nil
	}
	return day, nil
}

type todayPage struct {
	On, Before, After calendar.Date
	Person            visits.Member
	Staff             []visits.Member // of whom the day can be looked at
	Rows              []todayRow
	Changes           []newsRow // what others changed within a day
	Order             string
	Load              string // the van check
	Said              string // today, tomorrow or yesterday
	Long              bool   // too long for one person
	Do                bool
}

// changedWithin is how far back changes of a day's visits are told.
const changedWithin = 24 * time.Hour

// siteNotes is how many notes of a site stand with a visit to it; its page has them all.
const siteNotes = 2

type newsRow struct {
	visits.News
	Clock clock
}

type todayRow struct {
	tripRow
	Work    []visits.Task
	Address string
	Notes   []assets.Note // what our people know about the site
	Key     uuid.UUID     // of what is told next
	Next    string        // what comes next: left, arrived, started or finished
}

// Day is the day in words.
func (t todayPage) Day() string { return t.On.UTC().Format("Monday 2 January") }

var nextAct = map[string]string{"": "left", "left": "arrived", "arrived": "started", "started": "finished"}

// NextWords is what the button says.
func (t todayRow) NextWords() string {
	return map[string]string{"left": "I have left", "arrived": "I am there", "started": "I start", "finished": "I have finished"}[t.Next]
}

// member finds whose day is asked for: one's own, where nobody is named.
func (p *pages) member(v visit) (visits.Member, []visits.Member, error) {
	all, err := visits.Staff(v.ctx, p.db, v.who)
	id := v.who.ID
	if asked, bad := uuid.Parse(v.c.Query("person")); bad == nil {
		id = asked
	}
	for _, m := range all {
		if m.PersonID == id {
			return m, all, err
		}
	}
	return visits.Member{PersonID: id, Name: v.who.Name}, all, err
}

// today answers the technician: which visits, in which order, what to load.
func (p *pages) today(v visit) error {
	if err := v.who.Must(access.RecordWork); err != nil {
		return err
	}
	g := todayPage{Do: v.may(access.RecordWork)}
	var err error
	if g.Person, g.Staff, err = p.member(v); err != nil {
		return err
	}
	today, err := p.dayOf(v, g.Person.PersonID)
	if err != nil {
		return err
	}
	g.On = onDay(v, today)
	g.Before, g.After = g.On-1, g.On+1
	found, err := visits.List(v.ctx, p.db, v.who, visits.Filter{PersonID: &g.Person.PersonID, From: g.On, Until: g.On}, access.Page{Limit: 20})
	if err != nil {
		return err
	}
	slices.SortStableFunc(found, func(a, b visits.Visit) int { return a.StartsAt.Compare(b.StartsAt) })
	ids, rows := []uuid.UUID{}, []tripRow{}
	for _, t := range found {
		ids, rows = append(ids, t.ID), append(rows, p.tripRow(v, t))
	}
	if err := p.judged(v, rows); err != nil {
		return err
	}
	work, err := visits.Tasks(v.ctx, p.db, v.who, ids...)
	if err != nil {
		return err
	}
	told, err := visits.Acts(v.ctx, p.db, v.who, ids)
	if err != nil {
		return err
	}
	sites, err := assets.Sites(v.ctx, p.db, v.who, nil, access.Page{Limit: 1000})
	if err != nil {
		return err
	}
	var at []uuid.UUID
	for _, r := range rows {
		at = append(at, r.SiteID)
	}
	slices.SortFunc(at, func(a, b uuid.UUID) int { return bytes.Compare(a[:], b[:]) })
	var notes []assets.Note
	if v.may(access.SeeInternal) {
		if notes, err = assets.LatestNotes(v.ctx, p.db, v.who, slices.Compact(at), siteNotes); err != nil {
			return err
		}
	}
	for _, r := range rows {
		row := todayRow{tripRow: r, Key: pgdb.NewID()}
		for _, n := range notes {
			if n.SiteID == r.SiteID {
				row.Notes = append(row.Notes, n)
			}
		}
		if i := slices.IndexFunc(sites, func(s assets.Site) bool { return s.ID == r.SiteID }); i >= 0 {
			row.Address = sites[i].Address
		}
		for _, w := range work {
			if w.VisitID == r.ID && w.EndedHow != "moved" && w.EndedHow != "dropped" {
				row.Work = append(row.Work, w)
			}
		}
		last := ""
		for _, e := range told {
			if e.VisitID == r.ID && e.PersonID == g.Person.PersonID {
				last = e.Act
			}
		}
		if r.State == visits.UnderWay || r.State == visits.Planned && g.On <= today {
			row.Next = nextAct[last]
		}
		g.Rows = append(g.Rows, row)
	}
	if g.Person.PersonID != v.who.ID {
		g.Do = false
	}
	changed, err := visits.NewsFor(v.ctx, p.db, v.who, g.Person.PersonID, g.On, v.now.Add(-changedWithin))
	if err != nil {
		return err
	}
	for _, c := range changed {
		g.Changes = append(g.Changes, newsRow{c, clock{v.now, zone(c.Zone)}})
	}
	order, err := visits.OrderOf(v.ctx, p.db, v.who, v.now, found)
	if err != nil {
		return err
	}
	g.Order, g.Long = order.Says, order.Long
	g.Said = map[calendar.Date]string{-1: "Yesterday", 0: "Today", 1: "Tomorrow"}[g.On-today]
	g.Load = "/van?" + url.Values{"on": {g.On.String()}, "person": {g.Person.PersonID.String()}}.Encode()
	return p.ok(v, "today", "Today", g)
}

// tell keeps what somebody tells with one press; the same press again is no news.
func (p *pages) tell(v visit) error {
	one, err := p.oneTrip(v)
	if err != nil {
		return err
	}
	key, bad := uuid.Parse(v.c.PostForm("key"))
	if bad != nil {
		return &fault.Error{Kind: fault.Malformed, Msg: "the form came without its key; open the page anew and send it from there"}
	}
	err = p.db.InTx(v.ctx, v.who.ID, func(tx *gorm.DB) error {
		_, err := visits.Enter(tx, v.who, v.now, one.ID, []visits.NewEntry{{ID: key, Act: v.c.PostForm("act"), DoneAt: v.now}})
		// the same button pressed again while the first was on its way
		if f, ok := err.(*fault.Error); ok && f.Kind == fault.Conflict {
			return nil
		}
		return err
	})
	if err != nil {
		return err
	}
	p.door.Note(v.ctx, "keep what was said of a visit", visits.Say(v.ctx, p.db, v.now, one.ID))
	return goTo(v, "/today?on="+calendar.DateOf(one.OnDate).String())
}

type planPage struct {
	siteHead
	visits.Proposal
	Choices []visits.Choice
}

// Day writes a day with its weekday.
func (g planPage) Day(d calendar.Date) string {
	if d < g.From-180 || d > g.From+180 {
		return d.UTC().Format("Mon 2 January 2006")
	}
	return d.UTC().Format("Mon 2 January")
}

// Fresh tells whether something would be new on a visit that there is.
func (g planPage) Fresh(v visits.ProposedVisit) bool {
	return v.VisitID != nil && slices.ContainsFunc(v.Tasks, func(t visits.ProposedTask) bool { return t.VisitID == nil })
}

// Named tells whether the name of a task says its title already, as that of a fault does.
func (g planPage) Named(t visits.ProposedTask) bool { return strings.HasPrefix(t.Name, t.Title) }

// Money writes minor units.
func (g planPage) Money(minor int64) string {
	return money.Money(minor, g.Currency)
}

// plan proposes visits for the weeks to come against doing each thing on its own date.
func (p *pages) plan(v visit) error {
	if err := v.who.Must(access.Plan); err != nil {
		return err
	}
	h, err := p.siteHead(v, "/plan")
	if err != nil {
		return err
	}
	all, err := visits.Propose(v.ctx, p.db, v.who, v.now, []uuid.UUID{h.Site.ID})
	if err != nil {
		return err
	}
	g := planPage{siteHead: h, Proposal: all[0]}
	if g.Choices, err = visits.Choices(v.ctx, p.db, v.who, v.now, h.Site.ID); err != nil {
		return err
	}
	return p.ok(v, "plan", "Visits to "+h.Site.Name, g)
}

// crewFields ask when, who and with which van.
func (p *pages) crewFields(v visit) ([]*field, error) {
	staff, err := visits.Staff(v.ctx, p.db, v.who)
	if err != nil {
		return nil, err
	}
	vans, err := assets.Locations(v.ctx, p.db, v.who, access.Page{Limit: 200})
	if err != nil {
		return nil, err
	}
	people, in := []option{}, []option{{"", "not decided yet"}}
	for _, m := range staff {
		people = append(people, option{m.PersonID.String(), m.Name + " (" + m.Skills + ")"})
	}
	for _, l := range vans {
		if l.Kind == "van" {
			in = append(in, option{l.ID.String(), l.Code + " " + l.Name})
		}
	}
	return []*field{
		{Name: "on", Label: "Day", Kind: "date", Hint: "The operating day of the site."},
		{Name: "starts", Label: "From", Short: "The time", Hint: "Local time at the site, such as 06:00. A time before the day turns belongs to the night after it."},
		{Name: "minutes", Label: "Minutes on site", Kind: "number"},
		{Name: "person_id", Label: "Who goes", Kind: "checks", Optional: true, Options: people},
		{Name: "van_id", Label: "Van", Kind: "choice", Optional: true, Options: in},
		{Name: "locked", Label: "This day is decided: no proposal moves it", Kind: "check"},
	}, nil
}

// hours reads the fields of crewFields.
func (s *sheet) hours() (h visits.Hours, going []visits.Going) {
	var bad *fault.Error
	if h.On, bad = calendar.ParseDate(s.get("on"), "on"); bad != nil {
		s.wrong("on", bad.Msg)
	}
	h.Starts = s.get("starts")
	if _, err := fmt.Sscan(s.get("minutes"), &h.Minutes); err != nil {
		s.wrong("minutes", "is a whole number")
	}
	for _, id := range strings.Fields(s.get("person_id")) {
		if u, err := uuid.Parse(id); err == nil {
			going = append(going, visits.Going{PersonID: u})
		}
	}
	return h, going
}

type accepting struct {
	site     assets.Site
	proposal visits.Proposal
}

func picked(it visits.Item) string {
	if it.TaskID != nil {
		return "t:" + it.TaskID.String()
	}
	return "a:" + it.AssignmentID.String()
}

// acceptSheet asks how a proposed visit is accepted.
func (p *pages) acceptSheet(v visit) (*sheet, error) {
	site, crumbs, err := p.siteFor(v, access.Plan)
	if err != nil {
		return nil, err
	}
	all, err := visits.Propose(v.ctx, p.db, v.who, v.now, []uuid.UUID{site.ID})
	if err != nil {
		return nil, err
	}
	at := crumbs[1].Path + "/plan"
	s := &sheet{Title: "Plan this visit", Over: site.Code + " " + site.Name, Verb: "Plan the visit", Cancel: at, Crumbs: append(crumbs, crumb{at, "Visits"}), at: site.Location(), about: accepting{site, all[0]},
		Lead: "Take off what is not to be done then, choose another day, and say who goes. What has no task yet gets one. On a day on which there is a visit the work is put on that one, and who goes stays as it is."}
	work := &field{Name: "task_id", Label: "What is done", Kind: "checks"}
	on, minutes := onDay(v, 0), 0
	for _, pv := range all[0].Visits {
		for _, t := range pv.Tasks {
			if pv.VisitID != nil && t.VisitID != nil {
				continue // it is on that visit
			}
			name := fmt.Sprintf("%s: %s, due %s", t.Name, t.Title, t.DueOn.Words())
			work.Options = append(work.Options, option{picked(t.Item), name})
			if pv.On == on {
				work.Value += " " + picked(t.Item)
				minutes = pv.Minutes
			}
		}
	}
	for _, o := range all[0].Offers {
		if key := picked(o.Item); !slices.ContainsFunc(work.Options, func(x option) bool { return x.Value == key }) {
			work.Options = append(work.Options, option{key, o.Says})
		}
	}
	work.Value = strings.TrimSpace(work.Value)
	crew, err := p.crewFields(v)
	if err != nil {
		return nil, err
	}
	s.Fields = append([]*field{work}, crew...)
	if on != 0 {
		s.fill(map[string]string{"task_id": work.Value, "on": on.String(), "starts": "06:00", "minutes": fmt.Sprint(max(minutes, 60))})
	}
	return s, nil
}

func (p *pages) accept(v visit, s *sheet) (string, error) {
	about := s.about.(accepting)
	hours, going := s.hours()
	in := visits.Accepting{New: visits.New{SiteID: about.site.ID, Hours: hours, People: going, VanID: s.id("van_id"), Locked: s.checked("locked"), Saying: about.proposal.Says}}
	for _, pv := range about.proposal.Visits {
		if pv.VisitID == nil || pv.On != hours.On {
			continue
		}
		there, err := visits.One(v.ctx, p.db, v.who, *pv.VisitID)
		if err != nil {
			return "", err
		}
		in.VisitID, in.Version = &there.ID, there.Version
	}
	for _, key := range strings.Fields(s.get("task_id")) {
		kind, text, _ := strings.Cut(key, ":")
		id, err := uuid.Parse(text)
		if err != nil {
			continue
		}
		if kind == "t" {
			in.Work = append(in.Work, visits.Picked{TaskID: &id})
		} else {
			in.Work = append(in.Work, visits.Picked{AssignmentID: &id})
		}
	}
	if len(s.Mend) > 0 {
		return "", nil
	}
	id, err := once(p, v, s, func(tx *gorm.DB) (uuid.UUID, error) { return visits.Accept(tx, v.who, v.now, in) })
	if err == nil {
		p.holdParts(v, id)
	}
	return "/visits/" + id.String(), err
}

// holdParts holds what a visit takes for it from now on, or from the next tick.
func (p *pages) holdParts(v visit, id uuid.UUID) {
	p.door.Note(v.ctx, "hold what a visit takes", visits.Settle(v.ctx, p.db, v.now, id))
}

// tripSheet changes when a visit is and who goes.
func (p *pages) tripSheet(v visit) (*sheet, error) {
	t, err := p.oneTrip(v)
	if err != nil {
		return nil, err
	}
	if err := v.who.Must(access.Plan); err != nil {
		return nil, err
	}
	row := p.tripRow(v, t)
	at := "/visits/" + t.ID.String()
	s := &sheet{Title: "Change the visit", Over: fmt.Sprintf("Visit %d to %s", t.Number, t.SiteName), Verb: "Save", Cancel: at, Crumbs: []crumb{{"/visits", "Visits"}, {at, fmt.Sprintf("Visit %d", t.Number)}},
		at: t.Location(), about: t, Version: t.Version, Lead: "Its tasks go along to another day."}
	if s.Fields, err = p.crewFields(v); err != nil {
		return nil, err
	}
	var going []string
	for _, g := range t.People {
		going = append(going, g.PersonID.String())
	}
	values := map[string]string{"on": calendar.DateOf(t.OnDate).String(), "starts": t.StartsAt.In(row.Clock.At).Format("15:04"), "minutes": fmt.Sprint(int(t.EndsAt.Sub(t.StartsAt).Minutes())), "person_id": strings.Join(going, " ")}
	if t.VanID != nil {
		values["van_id"] = t.VanID.String()
	}
	if t.Locked {
		values["locked"] = "yes"
	}
	s.fill(values)
	return s, nil
}

func (p *pages) editTrip(v visit, s *sheet) (string, error) {
	t := s.about.(visits.Visit)
	hours, going := s.hours()
	// somebody may be there for a part of it: that stays as it was planned
	if int(t.EndsAt.Sub(t.StartsAt).Minutes()) == hours.Minutes && hours.Starts == t.StartsAt.In(t.Location()).Format("15:04") {
		for i, g := range going {
			for _, was := range t.People {
				if was.PersonID == g.PersonID && !(was.From.Equal(t.StartsAt) && was.Until.Equal(t.EndsAt)) {
					going[i].Starts, going[i].Minutes = was.From.In(t.Location()).Format("15:04"), int(was.Until.Sub(was.From).Minutes())
				}
			}
		}
	}
	if len(s.Mend) > 0 {
		return "", nil
	}
	_, err := once(p, v, s, func(tx *gorm.DB) (bool, error) {
		return true, visits.Change(tx, v.who, v.now, t.ID, s.Version, visits.Edit{Hours: hours, Locked: s.checked("locked"), VanID: s.id("van_id"), People: going})
	})
	if err == nil {
		p.holdParts(v, t.ID)
	}
	return "/visits/" + t.ID.String(), err
}

// decideSheet asks what is decided about a visit, whatever is said of it.
func (p *pages) decideSheet(v visit) (*sheet, error) {
	t, err := p.oneTrip(v)
	if err != nil {
		return nil, err
	}
	if !v.may(access.Plan) {
		if err := v.who.Must(access.RecordWork); err != nil {
			return nil, err
		}
	}
	work, err := visits.Tasks(v.ctx, p.db, v.who, t.ID)
	if err != nil {
		return nil, err
	}
	of := []option{{"", "the whole visit"}}
	for _, w := range work {
		if w.EndedHow == "" {
			of = append(of, option{w.TaskID.String(), strings.TrimSpace(w.Title + " " + w.PositionCode)})
		}
	}
	at := "/visits/" + t.ID.String()
	s := &sheet{Title: "Decide", Over: fmt.Sprintf("Visit %d to %s", t.Number, t.SiteName), Verb: "Keep the decision", Cancel: at, Crumbs: []crumb{{"/visits", "Visits"}, {at, fmt.Sprintf("Visit %d", t.Number)}}, at: t.Location(), about: t,
		Lead: "It is kept with what is said of the visit now.",
		Fields: []*field{
			{Name: "task_id", Label: "About", Kind: "choice", Optional: true, Options: of},
			{Name: "decision", Label: "Decision", Kind: "radio", Options: []option{{"go", "It goes"}, {"go_without", "It goes without what is missing"}, {"wait", "It waits"}, {"move", "It moves to another visit"}}},
			{Name: "reason", Label: "Why", Kind: "area", Most: 1000},
		}}
	return s, nil
}

func (p *pages) decide(v visit, s *sheet) (string, error) {
	t, task := s.about.(visits.Visit), s.id("task_id")
	verdict, said, err := visits.Said(v.ctx, p.db, v.who, v.now, t.ID, task)
	if err != nil {
		return "", err
	}
	_, err = once(p, v, s, func(tx *gorm.DB) (uuid.UUID, error) {
		return visits.Decide(tx, v.who, v.now, t.ID, visits.Deciding{TaskID: task, Decision: s.get("decision"), Reason: s.get("reason"), Verdict: verdict, Said: said})
	})
	return "/visits/" + t.ID.String() + "#decisions", err
}

var abandonWords = []option{{"", "It is done, as far as it went"}, {"no_access", "Nobody let us in"}, {"weather", "Weather"}, {"part_missing", "A part was missing"}, {"part_wrong", "A part was wrong"}, {"people", "Too few people"},
	{"unsafe", "It was not to be done without danger"}, {"line_needed", "The line was needed"}, {"called_away", "Called away"}, {"van", "The van"}, {"other", "Something else"}}

// endSheet closes a visit or abandons it.
func (p *pages) endSheet(v visit) (*sheet, error) {
	t, err := p.oneTrip(v)
	if err != nil {
		return nil, err
	}
	if !v.may(access.Plan) {
		if err := v.who.Must(access.RecordWork); err != nil {
			return nil, err
		}
	}
	at := "/visits/" + t.ID.String()
	return &sheet{Title: "End the visit", Over: fmt.Sprintf("Visit %d to %s", t.Number, t.SiteName), Verb: "End the visit", Cancel: at, Crumbs: []crumb{{"/visits", "Visits"}, {at, fmt.Sprintf("Visit %d", t.Number)}}, at: t.Location(), about: t, Version: t.Version,
		Lead: "What is done stays as done. What is not is free again, or goes to the next visit. Locks that are still on are noted by themselves.",
		Fields: []*field{
			{Name: "reason", Label: "How it ended", Kind: "choice", Optional: true, Options: abandonWords},
			{Name: "why", Label: "What happened", Short: "What happened", Kind: "area", Most: 1000, Optional: true, Hint: "Needed where it was given up, or something is not done."},
			{Name: "out", Label: "Left out of service", Head: "What is left behind", Optional: true, Hint: "Which position, and how it is secured."},
			{Name: "parts", Label: "Left in parts", Optional: true},
			{Name: "there", Label: "Ours that stays at the site", Optional: true},
			{Name: "on", Label: "Next visit", Head: "What is left goes on", Kind: "date", Optional: true, Hint: "A day on which what is left is taken up; it is proposed then."},
		}}, nil
}

func (p *pages) endTrip(v visit, s *sheet) (string, error) {
	t := s.about.(visits.Visit)
	in := visits.Ending{Reason: s.get("reason"), Why: s.get("why")}
	for name, kind := range map[string]string{"out": "out_of_service", "parts": "in_parts", "there": "parts_there"} {
		if says := s.get(name); says != "" {
			in.Left = append(in.Left, visits.NewLeft{Kind: kind, Says: says})
		}
	}
	slices.SortFunc(in.Left, func(a, b visits.NewLeft) int { return cmp.Compare(a.Kind, b.Kind) })
	if day := s.get("on"); day != "" {
		on, bad := calendar.ParseDate(day, "on")
		if bad != nil {
			s.wrong("on", bad.Msg)
			return "", nil
		}
		in.Next = &visits.New{Hours: visits.Hours{On: on, Starts: t.StartsAt.In(t.Location()).Format("15:04"), Minutes: int(t.EndsAt.Sub(t.StartsAt).Minutes())}, Proposed: true}
	}
	_, err := once(p, v, s, func(tx *gorm.DB) (visits.Ended, error) { return visits.End(tx, v.who, v.now, t.ID, s.Version, in) })
	if err == nil {
		p.holdParts(v, t.ID)
	}
	if err != nil {
		return "", err
	}
	return "/visits/" + t.ID.String(), nil
}

// bookSheet plans a visit that was proposed.
func (p *pages) bookSheet(v visit) (*sheet, error) {
	t, err := p.oneTrip(v)
	if err != nil {
		return nil, err
	}
	if err := v.who.Must(access.Plan); err != nil {
		return nil, err
	}
	at := "/visits/" + t.ID.String()
	return &sheet{Title: "Plan the visit", Over: fmt.Sprintf("Visit %d to %s", t.Number, t.SiteName), Verb: "Plan it", Cancel: at, Crumbs: []crumb{{"/visits", "Visits"}, {at, fmt.Sprintf("Visit %d", t.Number)}}, at: t.Location(), about: t, Version: t.Version,
		Lead: "Its people and its van are taken from then on, and the owner of the site sees it."}, nil
}

func (p *pages) book(v visit, s *sheet) (string, error) {
	t := s.about.(visits.Visit)
	_, err := once(p, v, s, func(tx *gorm.DB) (bool, error) { return true, visits.Book(tx, v.who, t.ID, s.Version) })
	if err == nil {
		p.holdParts(v, t.ID)
	}
	return "/visits/" + t.ID.String(), err
}

// ignoreSheet leaves work out of proposals for a while.
func (p *pages) ignoreSheet(v visit) (*sheet, error) {
	site, crumbs, err := p.siteFor(v, access.Plan)
	if err != nil {
		return nil, err
	}
	all, err := visits.Propose(v.ctx, p.db, v.who, v.now, []uuid.UUID{site.ID})
	if err != nil {
		return nil, err
	}
	at := crumbs[1].Path + "/plan"
	work := &field{Name: "task_id", Label: "What", Kind: "choice"}
	for _, pv := range all[0].Visits {
		for _, t := range pv.Tasks {
			if t.Criticality != "S" {
				work.Options = append(work.Options, option{picked(t.Item), t.Name + ": " + t.Title + ", due " + t.DueOn.Words()})
			}
		}
	}
	return &sheet{Title: "Leave it out for a while", Over: site.Code + " " + site.Name, Verb: "Leave it out", Cancel: at, Crumbs: append(crumbs, crumb{at, "Visits"}), at: site.Location(), about: site,
		Lead:   "It stays due. It is only not proposed until then. Safety and legal work is never left out.",
		Fields: []*field{work, {Name: "until", Label: "Until", Kind: "date"}, {Name: "reason", Label: "Why", Kind: "area", Most: 500}}}, nil
}

func (p *pages) ignore(v visit, s *sheet) (string, error) {
	site := s.about.(assets.Site)
	until, bad := calendar.ParseDate(s.get("until"), "until")
	if bad != nil {
		s.wrong("until", bad.Msg)
		return "", nil
	}
	kind, text, _ := strings.Cut(s.get("task_id"), ":")
	id, err := uuid.Parse(text)
	if err != nil {
		s.wrong("task_id", "names nothing that is to be done")
		return "", nil
	}
	of := visits.Picked{TaskID: &id}
	if kind == "a" {
		of = visits.Picked{AssignmentID: &id}
	}
	_, err = once(p, v, s, func(tx *gorm.DB) (uuid.UUID, error) {
		return visits.Ignore(tx, v.who, v.now, site.ID, of, until, s.get("reason"))
	})
	return "/sites/" + site.ID.String() + "/plan", err
}
