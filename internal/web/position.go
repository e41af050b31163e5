package web

import (
	"html/template"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/assets/meters"
	"spindlebook/internal/assets/meters/outlook"
	"spindlebook/internal/fault"
	"spindlebook/internal/pm"
	"spindlebook/internal/pm/failure"
	"spindlebook/internal/web/draw"
)

// positionPage is everything about one position.
type positionPage struct {
	assets.Position
	Site      assets.Site
	Clock     clock
	SideWords string
	Faults    []faultRow // that stand here
	Brush     bool
	Supply    *assets.Supply
	Twin      *assets.Named
	Line      *assets.Named
	Turning   assets.Turning
	Turn      string
	Rule      string // why it turns that way
	Drawing   template.HTML
	Points    []pointView
	Facts     []factRow
	Missing   []assets.FactKind
	States    []stateRow
	Slots     []slotRow
	Fittings  []slotHistory
	Occupied  bool // something that is fitted is on record
	Gaps      int  // slots of which nobody knows what is in them
	Lead      *leadCard
	Photos    []assets.Photo
	Counters  []counterRow
	Lines     []counterRow // those of its line, where it has none of its own for that
	Share     *meters.Share
	Due       []dueRow // what presses or comes soon
	Planned   int      // pieces of work of plans in all
	Done      int      // pieces of work that were done, as far as they are drawn
	Across    template.HTML
	Narrow    template.HTML
	Reads     bool
	Keep      bool
	Record    bool // may record facts and states
	Admin     bool
}

// factRow is what holds now of one fact, with what held before.
type factRow struct {
	assets.Fact
	Value   string
	Why     []string // why it is to be looked at again
	History []assets.Fact
}

type stateRow struct {
	assets.State
	Now bool
}

// staleAfter is how old a look may be before a page says so. Hubs, motors and
// media are changed within years; what was seen before may be gone.
const staleAfter = 2 // years

func (p *pages) position(v visit) error {
	q, site, err := p.positionOf(v)
	if err != nil {
		return err
	}
	g := positionPage{Position: q, Site: site, Clock: clock{v.now, site.Location()}, SideWords: sideWords(q.LineSide, site.DriverSide),
		Brush: q.Duty == "brush", Record: v.may(access.RecordWork), Admin: v.may(access.Administer)}
	if g.Faults, err = p.standingFaults(v, failure.Filter{PositionID: &q.ID}, boardRows); err != nil {
		return err
	}
	states, err := assets.States(v.ctx, p.db, v.who, q.ID)
	if err != nil {
		return err
	}
	for _, s := range slices.Backward(states) {
		g.States = append(g.States, stateRow{s, s.Until == nil})
	}
	facts, err := assets.Facts(v.ctx, p.db, v.who, q.ID)
	if err != nil {
		return err
	}
	kinds, err := assets.FactKinds(v.ctx, p.db, v.who)
	if err != nil {
		return err
	}
	points, err := assets.PositionIsolation(v.ctx, p.db, v.who, v.now, q.ID)
	if err != nil {
		return err
	}
	if q.SupplyID != nil {
		all, err := assets.Supplies(v.ctx, p.db, v.who, site.ID)
		if err != nil {
			return err
		}
		if i := slices.IndexFunc(all, func(s assets.Supply) bool { return s.ID == *q.SupplyID }); i >= 0 {
			g.Supply = &all[i]
		}
	}
	if err := g.name(p, v); err != nil {
		return err
	}
	if err := g.fitted(p, v); err != nil {
		return err
	}
	for _, pt := range points {
		view := pointView{IsolationPoint: pt, Clock: g.Clock}
		if len(pt.Versions) > 0 {
			view.Now = &pt.Versions[0]
		}
		for _, r := range pt.Positions {
			if r.ID != q.ID {
				view.Others = append(view.Others, r)
			}
		}
		g.Points = append(g.Points, view)
	}
	if err := g.counters(p, v); err != nil {
		return err
	}
	if err := g.due(p, v); err != nil {
		return err
	}
	if err := g.timeline(p, v); err != nil {
		return err
	}
	g.sort(v, facts, kinds)
	return p.ok(v, "position", q.Code+" "+q.Name, g)
}

// counters reads the meters of the position, and those of its line that count for it.
func (g *positionPage) counters(p *pages, v visit) error {
	g.Reads, g.Keep = v.may(access.ReadCounters), v.may(access.KeepRegister)
	all, err := meters.List(v.ctx, p.db, v.who, meters.Filter{PositionID: &g.ID}, access.Page{Limit: mostMeters})
	if err != nil {
		return err
	}
	own := len(all)
	if g.Brush {
		of, err := meters.List(v.ctx, p.db, v.who, meters.Filter{LineID: orNone(g.LineID)}, access.Page{Limit: mostMeters})
		if err != nil {
			return err
		}
		for _, m := range of {
			if m.IsPrimary && !slices.ContainsFunc(all[:own], func(o meters.Meter) bool { return o.Unit == m.Unit && o.IsPrimary }) {
				all = append(all, m)
			}
		}
		shares, err := meters.Shares(v.ctx, p.db, v.who, g.ID)
		if err != nil {
			return err
		}
		if n := len(shares); n > 0 && shares[n-1].Until == nil {
			g.Share = &shares[n-1]
		}
	}
	cal, err := outlook.Of(v.ctx, p.db, v.who, v.now, g.SiteID)
	if err != nil {
		return err
	}
	rows, err := p.counterRows(v, cal, g.Clock, all)
	if err != nil {
		return err
	}
	g.Counters, g.Lines = rows[:own], rows[own:]
	return nil
}

// due reads the planned work of the position and shows what presses or comes soon.
func (g *positionPage) due(p *pages, v visit) error {
	all, err := pm.Worst(v.ctx, p.db, v.who, pm.ItemFilter{PositionID: &g.ID}, 0, mostAtPosition)
	if err != nil {
		return err
	}
	g.Planned = len(all)
	near := slices.DeleteFunc(slices.Clone(all), func(i pm.Item) bool { return i.State == "not due" })
	if len(near) == 0 { // what comes next is worth a look too
		near = all[:min(1, len(all))]
	}
	g.Due, err = p.explained(v, near)
	return err
}

// mostAtPosition is how many pieces of planned work one position may have; some dozens.
const mostAtPosition = 200

// Hundredth writes a share as people do.
func (g positionPage) Hundredth() string {
	return strconv.FormatFloat(100*g.Share.Share, 'f', -1, 64)
}

// orNone gives an id that nothing has where there is none: a filter for nothing
// is no filter.
func orNone(id *uuid.UUID) *uuid.UUID {
	if id == nil {
		return &uuid.Nil
	}
	return id
}

// fitted reads what is in the position, what was, how its motor is connected
// and what was photographed.
func (g *positionPage) fitted(p *pages, v visit) error {
	now, err := assets.FittedAtPosition(v.ctx, p.db, v.who, g.ID, v.now)
	if err != nil {
		return err
	}
	stays, err := assets.PositionHistory(v.ctx, p.db, v.who, g.ID)
	if err != nil {
		return err
	}
	g.Slots, g.Fittings = slotRows(now, stays, g.Clock)
	for _, s := range g.Slots {
		g.Occupied = g.Occupied || s.UnitID != nil
		if s.UnitID == nil && s.Left == nil && s.Depth == 0 {
			g.Gaps++
		}
	}
	if slices.ContainsFunc(now, func(f assets.Fitted) bool { return f.SlotCode == "gearmotor" }) {
		c, err := assets.ConnectionOf(v.ctx, p.db, v.who, v.now, g.ID, nil)
		if err != nil {
			return err
		}
		g.Lead = leadCardOf(c)
	}
	g.Photos, err = assets.PhotosOfPosition(v.ctx, p.db, v.who, g.ID)
	return err
}

// positionOf reads the position in the path and its site.
func (p *pages) positionOf(v visit) (assets.Position, assets.Site, error) {
	id, err := idOf(v, "id", "position")
	if err != nil {
		return assets.Position{}, assets.Site{}, err
	}
	q, err := assets.OnePosition(v.ctx, p.db, v.who, id)
	if err != nil {
		return q, assets.Site{}, err
	}
	site, err := assets.OneSite(v.ctx, p.db, v.who, q.SiteID)
	return q, site, err
}

// name looks up the line and the twin.
func (g *positionPage) name(p *pages, v visit) error {
	var ids []uuid.UUID
	for _, id := range []*uuid.UUID{g.LineID, g.TwinID} {
		if id != nil {
			ids = append(ids, *id)
		}
	}
	found, err := assets.Names(v.ctx, p.db, v.who, ids)
	for i := range found {
		switch found[i].Kind {
		case "line":
			g.Line = &found[i]
		case "position":
			g.Twin = &found[i]
		}
	}
	return err
}

// sort puts the facts in order: what holds now with what was before, and what
// is missing.
func (g *positionPage) sort(v visit, facts []assets.Fact, kinds []assets.FactKind) {
	now := map[string]string{}
	byFact := map[string][]assets.Fact{}
	for _, f := range facts {
		byFact[f.Fact] = append(byFact[f.Fact], f)
	}
	for _, k := range kinds {
		all := byFact[k.Code]
		if len(all) == 0 {
			continue
		}
		row := factRow{}
		for _, f := range slices.Backward(all) {
			if row.ID == uuid.Nil && f.WithdrawnAt == nil && !f.From.After(v.now) && (f.Until == nil || f.Until.After(v.now)) {
				row.Fact, row.Value = f, say(f.Value)
				row.Why = doubts(f, v.now)
				now[f.Fact] = f.Value
				continue
			}
			row.History = append(row.History, f)
		}
		if row.ID == uuid.Nil { // only withdrawn or ended ones
			row.Fact = assets.Fact{Fact: k.Code, Name: k.Name}
		}
		g.Facts = append(g.Facts, row)
	}
	for _, w := range assets.Wanted(g.Position) {
		if now[w] == "" {
			if i := slices.IndexFunc(kinds, func(k assets.FactKind) bool { return k.Code == w }); i >= 0 {
				g.Missing = append(g.Missing, kinds[i])
			}
		}
	}
	// a fact that is missing is named once, there
	g.Facts = slices.DeleteFunc(g.Facts, func(f factRow) bool { return f.ID == uuid.Nil && len(f.History) == 0 })

	if g.Turns == "not" {
		return
	}
	g.Turning = assets.ExpectedTurning(g.Position, now)
	g.Turn = turningWords(g.Turning)
	switch {
	case g.Turning.Recorded:
		g.Rule = "Recorded for this position."
	case g.Turning.Known && g.Turns == "with_the_side":
		g.Rule = "By rule: side brushes and rockers turn clockwise on the left of travel and counter-clockwise on the right, so that they scrub against the travel."
	case g.Turning.Known:
		g.Rule = "By rule: a wraparound turns the other way than a side brush of its side, so that it rolls with the vehicle."
	}
	if g.Turning.Known {
		g.Drawing = template.HTML(draw.Turning(draw.View{ID: "turn", Title: sentence(g.Turn), Clockwise: g.Turning.Clockwise, From: g.Turning.SeenFrom,
			Side: g.LineSide, Words: say(map[bool]string{true: "clockwise", false: "counter_clockwise"}[g.Turning.Clockwise]),
			LeftWord: "left · " + occupant("left", g.Site.DriverSide) + " side", RightWord: "right · " + occupant("right", g.Site.DriverSide) + " side"}))
	}
}

// doubts says why a fact is to be looked at again.
func doubts(f assets.Fact, now time.Time) []string {
	var why []string
	switch f.How {
	case "assumed":
		why = append(why, "nobody has looked: assumed")
	case "told":
		why = append(why, "nobody has looked: told")
	}
	seen := f.SeenAt
	if seen == nil && f.How != "assumed" && f.How != "told" {
		why = append(why, "date of the look not recorded")
		seen = &f.RecordedAt
	}
	if seen != nil && now.After(seen.AddDate(staleAfter, 0, 0)) {
		why = append(why, "old: "+age(*seen, now))
	}
	return why
}

func (p *pages) positionFor(v visit, need access.Capability) (assets.Position, assets.Site, []crumb, error) {
	q, site, err := p.positionOf(v)
	if err == nil {
		err = v.who.Must(need)
	}
	return q, site, []crumb{{"/sites/" + site.ID.String(), site.Name}, {"/positions/" + q.ID.String(), q.Code}}, err
}

// hows are the ways in which something can be known, the best first.
var hows = []string{"measured", "read_off_plate", "seen", "drawing", "told", "assumed"}

func (p *pages) newFactSheet(v visit) (*sheet, error) {
	q, site, crumbs, err := p.positionFor(v, access.RecordWork)
	if err != nil {
		return nil, err
	}
	kinds, err := assets.FactKinds(v.ctx, p.db, v.who)
	if err != nil {
		return nil, err
	}
	c := clock{v.now, site.Location()}
	s := &sheet{Title: "Record a fact", Over: q.Code + " " + q.Name, Cancel: crumbs[1].Path, Crumbs: crumbs, at: site.Location(), about: q, Verb: "Record it"}
	wanted := v.c.Query("fact")
	i := slices.IndexFunc(kinds, func(k assets.FactKind) bool { return k.Code == wanted })
	if i < 0 {
		s.which(ofConversion(kinds))
		return s, nil
	}
	s.ask(kinds[i])
	s.Lead = "What this position requires from an instant on. The value before it ends there and stays on record. Times are local to the site (" + c.Zone() + ")."
	s.fill(map[string]string{"seen_by": v.who.Name})
	return s, nil
}

// valueField asks for a fact in the way that its kind takes it.
func valueField(k assets.FactKind) *field {
	value := &field{Name: "value", Label: k.Name}
	switch k.Takes {
	case "choice":
		value.Kind, value.Options = "radio", optionsOf(k.Choices...)
		for i := range value.Options {
			if o := &value.Options[i]; o.Name != o.Value && !strings.Contains(o.Name, o.Value) && strings.ContainsAny(o.Value, "0123456789") {
				o.Name += " (" + o.Value + ")"
			}
		}
	case "length":
		value = &field{Name: "measure", Label: k.Name, Kind: "measure", Units: []string{"in", "mm"}, Hint: "Such as 1.375 or 1-3/8 in, or 35 mm. 1-3/8 in is not 35 mm."}
	case "text":
		value.Hint = textHints[k.Code]
	}
	return value
}

// ask makes a sheet ask for one fact and for how it is known.
func (s *sheet) ask(k assets.FactKind) {
	s.Title = "Record: " + strings.ToLower(k.Name[:1]) + k.Name[1:]
	s.Fields = []*field{
		valueField(k),
		{Name: "how", Label: "How is it known?", Short: "How it is known", Kind: "radio", Options: optionsOf(hows...)},
		{Name: "seen_at", Label: "Looked at on", Short: "The time", Kind: "moment", Optional: true, Hint: "When somebody stood before it."},
		{Name: "seen_by", Label: "Looked at by", Short: "The name", Optional: true},
		{Name: "from", Label: "It holds since", Short: "The time", Kind: "moment", Optional: true, Hint: "Now where nothing is said; the date of the change where one is known."},
	}
}

// asked reads what ask asked for.
func (s *sheet) asked(fact string) assets.NewFact {
	in := assets.NewFact{Fact: fact, How: s.get("how"), SeenBy: s.get("seen_by"), SeenAt: s.moment("seen_at"), From: s.moment("from")}
	if s.field("measure") != nil {
		in.Measure = s.measure("measure")
	} else {
		in.Value = s.get("value")
	}
	return in
}

// which asks which of several facts is meant, since what is asked depends on it.
func (s *sheet) which(kinds []assets.FactKind) {
	f := &field{Name: "fact", Label: "What do you want to record?", Short: "The fact", Kind: "radio"}
	for _, k := range kinds {
		f.Options = append(f.Options, option{k.Code, k.Name})
	}
	s.Fields, s.Verb = []*field{f}, "Go on"
}

var textHints = map[string]string{
	"frame_size":    "As on the plate, such as 56C, 145TC or 90L B14.",
	"media_pattern": "Bottom to top, such as AABB repeated.",
	"plate_volts":   "With slashes and dashes as they stand on the plate, such as 208-230/460.",
}

func (p *pages) recordFact(v visit, s *sheet) (string, error) {
	q := s.about.(assets.Position)
	if f := s.field("fact"); f != nil {
		return "/positions/" + q.ID.String() + "/facts/new?fact=" + f.Value, nil
	}
	in := s.asked(v.c.Query("fact"))
	if len(s.Mend) > 0 {
		return "", nil
	}
	_, err := once(p, v, s, func(tx *gorm.DB) (assets.Fact, error) { return assets.Record(tx, v.who, v.now, q.ID, in) })
	return "/positions/" + q.ID.String() + "#facts", err
}

func (p *pages) withdrawSheet(v visit) (*sheet, error) {
	q, site, crumbs, err := p.positionFor(v, access.RecordWork)
	if err != nil {
		return nil, err
	}
	all, err := assets.Facts(v.ctx, p.db, v.who, q.ID)
	if err != nil {
		return nil, err
	}
	return withdrawing(v, all, q.Code+" "+q.Name, crumbs, clock{v.now, site.Location()})
}

// withdrawing is the sheet by which one of some facts is taken back.
func withdrawing(v visit, all []assets.Fact, over string, crumbs []crumb, c clock) (*sheet, error) {
	id, err := idOf(v, "fact", "fact")
	if err != nil {
		return nil, err
	}
	i := slices.IndexFunc(all, func(f assets.Fact) bool { return f.ID == id })
	if i < 0 {
		return nil, fault.Missing("fact", id.String())
	}
	return &sheet{Title: "Withdraw a fact", Over: over, Verb: "Withdraw it", Grave: true, Cancel: crumbs[1].Path, Crumbs: crumbs, about: all[i],
		Lead: all[i].Name + " " + say(all[i].Value) + ", recorded on " + c.Day(all[i].RecordedAt) + ". Withdraw what was wrong from the start; where the thing itself has changed, record the new value instead. " +
			"It stays on record with your reason, and the value before it holds again.",
		Fields: []*field{{Name: "reason", Label: "Why was it wrong?", Short: "The reason", Kind: "area", Most: 500}}}, nil
}

func (p *pages) withdrawFact(v visit, s *sheet) (string, error) {
	f := s.about.(assets.Fact)
	_, err := once(p, v, s, func(tx *gorm.DB) (assets.Fact, error) {
		return assets.Withdraw(tx, v.who, v.now, f.OfID, f.ID, s.get("reason"))
	})
	return "/positions/" + f.OfID.String() + "#facts", err
}

func (p *pages) stateSheet(v visit) (*sheet, error) {
	q, site, crumbs, err := p.positionFor(v, access.RecordWork)
	if err != nil {
		return nil, err
	}
	c := clock{v.now, site.Location()}
	s := &sheet{Title: "Change the state", Over: q.Code + " " + q.Name, Verb: "Record the state", Cancel: crumbs[1].Path, Crumbs: crumbs, at: site.Location(), about: q,
		Lead: "It is " + say(q.State) + " since " + c.Moment(q.StateSince) + ". Times are local to the site (" + c.Zone() + ").",
		Fields: []*field{
			{Name: "state", Label: "It is now", Short: "The state", Kind: "radio", Options: []option{
				{"in_service", "in service: fitted and running"}, {"parked", "parked: fitted and switched off"},
				{"empty", "empty: taken out, the line may run without it"}, {"retired", "retired: gone for good, with its place"}}},
			{Name: "from", Label: "Since", Short: "The time", Kind: "moment", Optional: true, Hint: "Now where nothing is said."},
			{Name: "reason", Label: "Reason", Optional: true, Most: 500},
		}}
	return s, nil
}

func (p *pages) changeState(v visit, s *sheet) (string, error) {
	q := s.about.(assets.Position)
	from := s.moment("from")
	if len(s.Mend) > 0 {
		return "", nil
	}
	_, err := once(p, v, s, func(tx *gorm.DB) ([]assets.State, error) {
		return assets.ChangeState(tx, v.who, v.now, q.ID, s.get("state"), from, s.get("reason"))
	})
	return "/positions/" + q.ID.String() + "#state", err
}

func (p *pages) newPositionSheet(v visit) (*sheet, error) {
	site, crumbs, err := p.siteFor(v, access.KeepRegister)
	if err != nil {
		return nil, err
	}
	fields, err := p.positionFields(v, site, nil)
	if err != nil {
		return nil, err
	}
	s := &sheet{Title: "Add a position", Over: site.Code + " " + site.Name, Verb: "Add the position", Cancel: crumbs[1].Path, Crumbs: crumbs, at: site.Location(), about: site,
		Lead:   "A place with a duty. It stays when everything in it is swapped.",
		Fields: append(fields, &field{Name: "from", Label: "There since", Short: "The time", Kind: "moment", Optional: true, Hint: "Now where nothing is said."})}
	s.fill(map[string]string{"line_id": v.c.Query("line")})
	return s, nil
}

func supplyWords(s assets.Supply) string {
	text := s.Code + ": " + strconv.FormatFloat(s.Volts, 'f', -1, 64) + " V, " + map[int]string{1: "single-phase", 3: "three-phase"}[s.Phases] + ", " + strconv.Itoa(s.Hertz) + " Hz"
	if s.HighLeg {
		text += ", one high leg to earth"
	}
	return text
}

func (p *pages) addPosition(v visit, s *sheet) (string, error) {
	site := s.about.(assets.Site)
	in := assets.NewPosition{SiteID: site.ID, From: s.moment("from"), PositionEdit: s.position()}
	if len(s.Mend) > 0 {
		return "", nil
	}
	made, err := once(p, v, s, func(tx *gorm.DB) (assets.Position, error) { return assets.AddPosition(tx, v.who, v.now, in) })
	return "/positions/" + made.ID.String(), err
}
