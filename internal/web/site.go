package web

import (
	"html/template"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/fault"
	"spindlebook/internal/measure"
	"spindlebook/internal/pm"
	"spindlebook/internal/pm/due"
	"spindlebook/internal/pm/failure"
	"spindlebook/internal/web/draw"
)

// mostPositions is how many positions of one site its page shows; a site has some dozens.
const mostPositions = 1000

// siteDues is how many pieces of planned work the page of a site names.
const siteDues = 5

// sitePage is everything about one site.
type sitePage struct {
	siteHead
	Lines     []lineView
	Shared    []positionRow
	Stopped   []positionRow
	InService int
	Brushes   int
	Supplies  []assets.Supply
	Week      []dayRow
	Blackouts []blackoutRow
	Owners    []assets.Ownership
	Energies  []energyGroup
	Notes     []assets.Note
	Faults    []faultRow // that stand, the dangerous before all others
	Internal  bool
	Keep      bool
	Approve   bool // says when no stop is wanted
	Admin     bool
	Missing   int
	Due       []dueRow      // what presses most, the first few
	DueCounts *pm.Counts    // nil where no work is planned
	Unlocked  []positionRow // brushes for which no isolation point is recorded
}

type lineView struct {
	assets.Line
	Across, Upright template.HTML
	Positions       []positionRow
	Unplaced        []positionRow
}

type positionRow struct {
	assets.Position
	SideWords string
	Turn      string // in words
	Missing   int
	Next      string   // how far the interval of its next planned work has run, and which that is; "" where nobody can tell
	Spent     *float64 // the same as a share
	Late      bool
}

type dayRow struct {
	Day        string
	Open, Down []string
}

type blackoutRow struct {
	assets.Blackout
	Where string
	Past  bool
}

// energyGroup is the points of one energy: a site has some dozens of points.
type energyGroup struct {
	Energy string
	Points []pointView
	Shared int    // how many have several positions behind them
	Oldest string // date of the oldest last check
}

var energies = []string{"electrical", "air", "hydraulic", "gravity", "water", "chemical"}

type pointView struct {
	assets.IsolationPoint
	Now    *assets.IsolationVersion
	Clock  clock
	Others []assets.PositionRef // behind the same point, besides the position of the page
}

func (p *pages) site(v visit) error {
	id, err := idOf(v, "id", "site")
	if err != nil {
		return err
	}
	s, err := assets.OneSite(v.ctx, p.db, v.who, id)
	if err != nil {
		return err
	}
	g := sitePage{siteHead: siteHead{s, clock{v.now, s.Location()}, siteTabs(v, id, "")}, Internal: v.may(access.SeeInternal), Keep: v.may(access.KeepRegister), Approve: v.may(access.Approve), Admin: v.may(access.Administer)}
	lines, err := assets.Lines(v.ctx, p.db, v.who, &id, assets.Page{Limit: 100})
	if err != nil {
		return err
	}
	positions, err := assets.Positions(v.ctx, p.db, v.who, assets.PositionFilter{SiteID: &id}, assets.Page{Limit: mostPositions})
	if err != nil {
		return err
	}
	facts, err := assets.FactsNow(v.ctx, p.db, v.who, v.now, id)
	if err != nil {
		return err
	}
	if g.Supplies, err = assets.Supplies(v.ctx, p.db, v.who, id); err != nil {
		return err
	}
	g.Supplies = slices.DeleteFunc(g.Supplies, func(s assets.Supply) bool { return s.Until != nil && !s.Until.After(v.now) })
	hours, err := assets.Hours(v.ctx, p.db, v.who, id, v.now)
	if err != nil {
		return err
	}
	blackouts, err := assets.Blackouts(v.ctx, p.db, v.who, id)
	if err != nil {
		return err
	}
	if g.Owners, err = assets.Ownerships(v.ctx, p.db, v.who, id); err != nil {
		return err
	}
	points, err := assets.IsolationPoints(v.ctx, p.db, v.who, v.now, id)
	if err != nil {
		return err
	}
	if g.Internal {
		if g.Notes, err = assets.Notes(v.ctx, p.db, v.who, id); err != nil {
			return err
		}
	}
	counts, err := pm.CountItems(v.ctx, p.db, v.who, []uuid.UUID{id})
	if err != nil {
		return err
	}
	if n, planned := counts[id]; planned {
		g.DueCounts = &n
	}
	if g.Faults, err = p.standingFaults(v, failure.Filter{SiteID: &id}, boardRows); err != nil {
		return err
	}
	worst, err := pm.Worst(v.ctx, p.db, v.who, pm.ItemFilter{SiteID: &id, Pressing: true}, 0, siteDues)
	if err != nil {
		return err
	}
	for _, i := range worst {
		g.Due = append(g.Due, dueRowBare(v, i))
	}
	next, err := pm.Soonest(v.ctx, p.db, v.who, v.now, id)
	if err != nil {
		return err
	}
	g.Week = weekOf(hours)
	g.arrange(v, lines, positions, facts, points, next)
	lineCode := map[uuid.UUID]string{}
	for _, l := range lines {
		lineCode[l.ID] = "line " + l.Code
	}
	for _, b := range blackouts {
		if b.WithdrawnAt != nil || b.Until.Before(v.now.AddDate(0, -1, 0)) {
			continue
		}
		row := blackoutRow{Blackout: b, Where: "whole site", Past: b.Until.Before(v.now)}
		if b.LineID != nil {
			row.Where = lineCode[*b.LineID]
		}
		g.Blackouts = append(g.Blackouts, row)
	}
	return p.ok(v, "site", s.Name, g)
}

// arrange puts the positions on their lines and counts what is not as it is wanted.
func (g *sitePage) arrange(v visit, lines []assets.Line, positions []assets.Position, facts []assets.Fact, points []assets.IsolationPoint, next map[uuid.UUID]pm.Explained) {
	known := map[uuid.UUID]map[string]string{}
	for _, f := range facts {
		if known[f.OfID] == nil {
			known[f.OfID] = map[string]string{}
		}
		known[f.OfID][f.Fact] = f.Value
	}
	locked := map[uuid.UUID]bool{}
	var groups []energyGroup
	for _, e := range energies {
		groups = append(groups, energyGroup{Energy: e})
	}
	for _, pt := range points {
		view := pointView{IsolationPoint: pt, Clock: g.Clock, Others: pt.Positions}
		if len(pt.Versions) > 0 {
			view.Now = &pt.Versions[0]
		}
		i := slices.IndexFunc(groups, func(e energyGroup) bool { return e.Energy == pt.Energy })
		if i < 0 {
			groups, i = append(groups, energyGroup{Energy: pt.Energy}), len(groups)
		}
		e := &groups[i]
		e.Points = append(e.Points, view)
		if len(pt.Positions) > 1 {
			e.Shared++
		}
		if view.Now != nil && (e.Oldest == "" || view.Now.CheckedOn < e.Oldest) {
			e.Oldest = view.Now.CheckedOn
		}
		for _, r := range pt.Positions {
			locked[r.ID] = true
		}
	}
	g.Energies = slices.DeleteFunc(groups, func(e energyGroup) bool { return len(e.Points) == 0 })
	byLine := map[uuid.UUID][]positionRow{}
	for _, q := range positions {
		if q.Until != nil && !q.Until.After(v.now) || q.State != nil && *q.State == "retired" {
			continue
		}
		turning := assets.ExpectedTurning(q, known[q.ID])
		row := positionRow{Position: q, SideWords: sideWords(q.LineSide, g.Site.DriverSide), Turn: turningWords(turning)}
		row.spent(next[q.ID])
		for _, w := range assets.Wanted(q) {
			if known[q.ID][w] == "" {
				row.Missing++
			}
		}
		g.Missing += row.Missing
		state := ""
		if q.State != nil {
			state = *q.State
		}
		if state != "in_service" {
			g.Stopped = append(g.Stopped, row)
		} else {
			g.InService++
		}
		if q.Duty == "brush" {
			g.Brushes++
			if !locked[q.ID] {
				g.Unlocked = append(g.Unlocked, row)
			}
		}
		if q.LineID == nil {
			g.Shared = append(g.Shared, row)
			continue
		}
		byLine[*q.LineID] = append(byLine[*q.LineID], row)
	}
	for _, l := range lines {
		if l.Until != nil && !l.Until.After(v.now) {
			continue
		}
		g.Lines = append(g.Lines, lineOf(l, g.Site, byLine[l.ID], known, v.who.Units))
	}
}

// spent says how far the interval of planned work has run, by the trigger that comes first.
func (r *positionRow) spent(e pm.Explained) {
	if len(e.Parts) == 0 { // there is none, or its plan has ended meanwhile
		return
	}
	var says []string
	if r.Late = e.Explanation.State == due.Late; r.Late {
		says = append(says, "late")
		r.Spent = new(1.0) // also what was never done, of which no interval runs
	}
	if e.Governs >= 0 && e.Parts[e.Governs].Of > 0 {
		p := e.Parts[e.Governs]
		share := max(p.Used/p.Of, 0)
		used := num(math.Floor(100*share)) + " %"
		if share > 1 {
			used = grouped(num(math.Round(p.Used)))
		}
		r.Spent = &share
		says = append(says, used+" of "+grouped(num(math.Round(p.Of)))+" "+wearUnits[p.Unit]+" used")
	}
	if len(says) > 0 {
		r.Next = e.Title + ": " + strings.Join(says, ", ")
	}
}

func num(v float64) string { return strconv.FormatFloat(v, 'f', 0, 64) }

// lineOf draws a line with its positions.
func lineOf(l assets.Line, s assets.Site, rows []positionRow, known map[uuid.UUID]map[string]string, in measure.System) lineView {
	view := lineView{Line: l, Positions: rows}
	strip := draw.Strip{ID: "l" + strings.ReplaceAll(l.ID.String(), "-", "")[20:], Title: "Line " + l.Code + ", seen from above",
		InFeet: in == measure.US || in != measure.Metric && (l.LengthTyped == nil || strings.HasSuffix(*l.LengthTyped, " ft") || strings.HasSuffix(*l.LengthTyped, " in")),
		Left:   occupant("left", s.DriverSide) + " side", Right: occupant("right", s.DriverSide) + " side"}
	if l.LengthM != nil {
		strip.Length = *l.LengthM
	}
	slices.SortStableFunc(view.Positions, func(a, b positionRow) int {
		switch {
		case a.AlongM == nil || b.AlongM == nil:
			return strings.Compare(a.Code, b.Code)
		case *a.AlongM < *b.AlongM:
			return -1
		case *a.AlongM > *b.AlongM:
			return 1
		}
		return strings.Compare(a.Code, b.Code)
	})
	for _, row := range view.Positions {
		if row.AlongM == nil {
			view.Unplaced = append(view.Unplaced, row)
			continue
		}
		strip.Items = append(strip.Items, itemOf(row, assets.ExpectedTurning(row.Position, known[row.ID]), in))
	}
	view.Across, view.Upright = template.HTML(draw.Across(strip)), template.HTML(draw.Upright(strip))
	return view
}

func itemOf(row positionRow, t assets.Turning, in measure.System) draw.Item {
	label := row.Code
	if _, after, ok := strings.Cut(row.Code, "/"); ok {
		label = after
	}
	it := draw.Item{Href: "/positions/" + row.ID.String(), Label: label, Side: row.LineSide, Along: *row.AlongM, Brush: row.Duty == "brush"}
	if row.State != nil {
		it.State = *row.State
	}
	if it.State != "in_service" {
		it.Word = say(it.State)
	}
	it.Says = row.Code + " " + row.Name + ": " + say(it.State)
	if row.AlongTyped != nil {
		at, _ := in.Show(*row.AlongTyped)
		it.Says += ", at " + at
	}
	if row.Duty == "brush" {
		it.Says += ", " + row.Turn
		it.Turn = turnOf(t)
	}
	if row.Next != "" {
		it.Says += ", next work " + row.Next
		it.Spent, it.Late = row.Spent, row.Late
	}
	return it
}

// turnOf gives a direction as it shows in a plan from above. Of a brush that
// lies across the line one sees the upper side. From the left of travel
// vehicles go to the left: what turns clockwise there moves its upper side to
// the right, against the travel. From the right it is the other way round.
func turnOf(t assets.Turning) draw.Turn {
	switch {
	case !t.Known:
		return draw.Unknown
	case t.SeenFrom == "above" && t.Clockwise:
		return draw.Clockwise
	case t.SeenFrom == "above":
		return draw.CounterClockwise
	case (t.SeenFrom == "left") == t.Clockwise:
		return draw.AgainstTravel
	}
	return draw.WithTravel
}

// turningWords says which way a brush turns and from where that is seen.
func turningWords(t assets.Turning) string {
	if !t.Known {
		if t.Gap == "does not turn" {
			return ""
		}
		return "direction of turning not known"
	}
	way := "counter-clockwise"
	if t.Clockwise {
		way = "clockwise"
	}
	if t.SeenFrom == "above" {
		return "turns " + way + " seen from above"
	}
	return "turns " + way + " seen from the " + t.SeenFrom + " of travel"
}

// weekOf sets the stretches of a week out by day.
func weekOf(hours []assets.WeeklyHours) []dayRow {
	if len(hours) == 0 {
		return nil
	}
	var week []dayRow
	for d := 1; d <= 7; d++ {
		row := dayRow{Day: weekdays[d]}
		for _, h := range hours {
			if h.Weekday != d {
				continue
			}
			text := stretch(h.Starts, h.Minutes)
			if h.Kind == "open" {
				row.Open = append(row.Open, text)
			} else {
				row.Down = append(row.Down, text)
			}
		}
		week = append(week, row)
	}
	return week
}

// stretch writes a time of day and a length as people do: "22:00 to 02:00 (next day)".
func stretch(starts string, minutes int) string {
	if minutes == 24*60 {
		return "round the clock"
	}
	t, err := time.Parse("15:04", starts)
	if err != nil {
		return starts
	}
	end := t.Add(time.Duration(minutes) * time.Minute)
	text := starts + " to " + end.Format("15:04")
	if end.Day() != t.Day() && end.Format("15:04") != "00:00" {
		text += " (next day)"
	}
	return text
}

// siteFor reads the site that a form is about. Whoever may not write is told so
// before filling anything in.
func (p *pages) siteFor(v visit, need access.Capability) (assets.Site, []crumb, error) {
	id, err := idOf(v, "id", "site")
	if err != nil {
		return assets.Site{}, nil, err
	}
	s, err := assets.OneSite(v.ctx, p.db, v.who, id)
	if err == nil {
		err = v.who.Must(need)
	}
	return s, []crumb{{"/sites", "Sites"}, {"/sites/" + s.ID.String(), s.Name}}, err
}

func siteFields() []*field {
	return []*field{
		{Name: "name", Label: "Name"},
		{Name: "code", Label: "Code", Most: 16, Hint: "1 to 16 capital letters, digits and hyphens, such as UMB. Lines and positions begin with it."},
		{Name: "address", Label: "Address", Kind: "area", Optional: true, Most: 500},
		{Name: "latitude", Label: "Latitude", Optional: true, Kind: "number", Hint: "Degrees; south is negative."},
		{Name: "longitude", Label: "Longitude", Optional: true, Kind: "number", Hint: "Degrees; west is negative."},
		{Name: "zone", Label: "Time zone", Most: 64, Hint: "By its IANA name, such as America/Chicago. Dates of work are local to it."},
		{Name: "currency", Label: "Currency", Most: 3, Hint: "Three letters, such as USD."},
		{Name: "climate", Label: "Climate", Kind: "choice", Options: optionsOf("snowbelt", "mild_wet", "warm_dry")},
		{Name: "size", Label: "Size", Kind: "choice", Options: optionsOf("small", "medium", "large")},
		{Name: "driver_side", Label: "The driver sits on the", Short: "The driver's side", Kind: "radio", Options: []option{{"left", "left of the vehicle"}, {"right", "right of the vehicle"}},
			Hint: "Words on labels only; directions of turning do not depend on it."},
		{Name: "day_turns_at", Label: "The operating day turns at", Short: "The hour", Most: 5, Hint: "Local time of day, HH:MM."},
	}
}

func (s *sheet) site() assets.SiteEdit {
	return assets.SiteEdit{Code: s.get("code"), Name: s.get("name"), Address: s.get("address"), Latitude: s.number("latitude"), Longitude: s.number("longitude"),
		Zone: s.get("zone"), Currency: s.get("currency"), Climate: s.get("climate"), Size: s.get("size"), DriverSide: s.get("driver_side"), DayTurnsAt: s.dayTime("day_turns_at")}
}

// dayTime reads a time of day.
func (s *sheet) dayTime(name string) string {
	text := s.get(name)
	if _, err := time.Parse("15:04", text); err != nil && text != "" {
		s.wrong(name, "is a time of day, such as 03:00")
	}
	return text
}

func (p *pages) newSiteSheet(v visit) (*sheet, error) {
	if err := v.who.Must(access.KeepRegister); err != nil {
		return nil, err
	}
	customers, err := p.customerOptions(v)
	if err != nil {
		return nil, err
	}
	s := &sheet{Title: "Add a site", Verb: "Add the site", Cancel: "/sites", Crumbs: []crumb{{"/sites", "Sites"}},
		Fields: append([]*field{
			{Name: "customer_id", Label: "Customer", Kind: "choice", Options: customers},
			{Name: "owned_from", Label: "Theirs since", Short: "The date", Kind: "date", Optional: true, Hint: "Today where nothing is said."},
		}, siteFields()...)}
	s.fill(map[string]string{"customer_id": v.c.Query("customer"), "driver_side": "left", "day_turns_at": "03:00"})
	return s, nil
}

// mostOptions bounds a choice of recorded things; beyond it a choice is no help.
const mostOptions = 1000

func (p *pages) customerOptions(v visit) ([]option, error) {
	all, err := assets.Customers(v.ctx, p.db, v.who, assets.Page{Limit: mostOptions})
	var o []option
	for _, c := range all {
		o = append(o, option{c.ID.String(), c.Code + " " + c.Name})
	}
	return o, err
}

func (p *pages) siteOptions(v visit) ([]option, error) {
	all, err := assets.Sites(v.ctx, p.db, v.who, nil, assets.Page{Limit: mostOptions})
	var o []option
	for _, s := range all {
		o = append(o, option{s.ID.String(), s.Code + " " + s.Name})
	}
	return o, err
}

func (p *pages) addSite(v visit, s *sheet) (string, error) {
	s.at = zone(s.get("zone"))
	in, customer, from := s.site(), s.id("customer_id"), s.date("owned_from")
	if len(s.Mend) > 0 {
		return "", nil
	}
	made, err := once(p, v, s, func(tx *gorm.DB) (assets.Site, error) {
		return assets.AddSite(tx, v.who, v.now, *customer, from, in)
	})
	return "/sites/" + made.ID.String(), err
}

func (p *pages) siteSheet(v visit) (*sheet, error) {
	site, crumbs, err := p.siteFor(v, access.KeepRegister)
	if err != nil {
		return nil, err
	}
	s := &sheet{Title: "Edit the site", Over: site.Code + " " + site.Name, Verb: "Keep these details", Cancel: crumbs[1].Path, Crumbs: crumbs,
		Version: site.Version, at: site.Location(), about: site, Fields: siteFields()}
	s.fill(siteValues(site))
	return s, nil
}

func siteValues(s assets.Site) map[string]string {
	return map[string]string{"name": s.Name, "code": s.Code, "address": s.Address, "latitude": degrees(s.Latitude), "longitude": degrees(s.Longitude),
		"zone": s.Zone, "currency": s.Currency, "climate": s.Climate, "size": s.Size, "driver_side": s.DriverSide, "day_turns_at": s.DayTurnsAt}
}

func (p *pages) editSite(v visit, s *sheet) (string, error) {
	site := s.about.(assets.Site)
	in := s.site()
	if len(s.Mend) > 0 {
		return "", nil
	}
	_, err := once(p, v, s, func(tx *gorm.DB) (assets.Site, error) { return assets.EditSite(tx, v.who, site.ID, s.Version, in) })
	if fault.KindOf(err) == fault.Stale {
		s.compare(siteValues(site), site.Version)
	}
	return "/sites/" + site.ID.String(), err
}

// compare sets what is recorded now beside what was typed, after somebody else
// was faster. Sending the form again then means to overrule that.
func (s *sheet) compare(recorded map[string]string, version int) {
	s.Version = version
	for _, f := range s.Fields {
		mine := f.Value
		if f.Kind == "measure" && mine != "" {
			mine += " " + f.Unit
		}
		if was := recorded[f.Name]; was != mine {
			shown := was
			if f.Kind == "checks" {
				shown = strings.Join(f.names(was), ", ")
			}
			for _, o := range f.Options {
				if o.Value == was {
					shown = o.Name
				}
			}
			if f.Kind == "check" {
				shown = map[bool]string{true: "yes", false: "no"}[was == "yes"]
			}
			if shown == "" {
				shown = "nothing"
			}
			s.Theirs = append(s.Theirs, pair{f.Label, shown})
		}
	}
}

func (p *pages) newLineSheet(v visit) (*sheet, error) {
	site, crumbs, err := p.siteFor(v, access.KeepRegister)
	if err != nil {
		return nil, err
	}
	s := &sheet{Title: "Add a wash line", Over: site.Code + " " + site.Name, Verb: "Add the line", Cancel: crumbs[1].Path, Crumbs: crumbs, at: site.Location(), about: site,
		Fields: append(lineFields(site), &field{Name: "from", Label: "In use since", Short: "The time", Kind: "moment", Optional: true, Hint: "Now where nothing is said."})}
	s.fill(map[string]string{"code": site.Code + "-"})
	return s, nil
}

func (p *pages) addLine(v visit, s *sheet) (string, error) {
	site := s.about.(assets.Site)
	in := s.line()
	from := s.moment("from")
	if len(s.Mend) > 0 {
		return "", nil
	}
	_, err := once(p, v, s, func(tx *gorm.DB) (assets.Line, error) { return assets.AddLine(tx, v.who, v.now, site.ID, from, in) })
	return "/sites/" + site.ID.String(), err
}

func (p *pages) newNoteSheet(v visit) (*sheet, error) {
	site, crumbs, err := p.siteFor(v, access.SeeInternal)
	if err != nil {
		return nil, err
	}
	return &sheet{Title: "Write an internal note", Over: site.Code + " " + site.Name, Verb: "Write the note", Cancel: crumbs[1].Path, Crumbs: crumbs, about: site,
		Lead:   "Only the distributor's own people see it: no owner and no site staff, now or later. It cannot be changed once it is written.",
		Fields: []*field{{Name: "body", Label: "Note", Kind: "area", Most: 4000}}}, nil
}

func (p *pages) addNote(v visit, s *sheet) (string, error) {
	site := s.about.(assets.Site)
	_, err := once(p, v, s, func(tx *gorm.DB) (assets.Note, error) {
		return assets.WriteNote(tx, v.who, v.now, site.ID, s.get("body"))
	})
	return "/sites/" + site.ID.String() + "#notes", err
}

func (p *pages) newBlackoutSheet(v visit) (*sheet, error) {
	site, crumbs, err := p.siteFor(v, access.Approve)
	if err != nil {
		return nil, err
	}
	lines, err := assets.Lines(v.ctx, p.db, v.who, &site.ID, assets.Page{Limit: 100})
	if err != nil {
		return nil, err
	}
	where := []option{{"", "The whole site"}}
	for _, l := range lines {
		where = append(where, option{l.ID.String(), strings.TrimSpace("Line " + l.Code + " " + l.Name)})
	}
	c := clock{v.now, site.Location()}
	return &sheet{Title: "Please not then", Over: site.Code + " " + site.Name, Verb: "Record the time", Cancel: crumbs[1].Path, Crumbs: crumbs,
		Lead: "A time in which no planned stop is wanted. Plans are moved out of it; what falls due in it stays due. Times are local to the site (" + c.Zone() + ").",
		at:   site.Location(), about: site,
		Fields: []*field{
			{Name: "line_id", Label: "Where", Short: "The place", Kind: "choice", Options: where, Optional: true},
			{Name: "from", Label: "From", Kind: "moment"},
			{Name: "until", Label: "Until", Kind: "moment"},
			{Name: "reason", Label: "Reason", Most: 500, Hint: "Such as: holiday weekend."},
		}}, nil
}

func (p *pages) addBlackout(v visit, s *sheet) (string, error) {
	site := s.about.(assets.Site)
	line, from, until := s.id("line_id"), s.moment("from"), s.moment("until")
	if len(s.Mend) > 0 {
		return "", nil
	}
	_, err := once(p, v, s, func(tx *gorm.DB) (assets.Blackout, error) {
		return assets.AddBlackout(tx, v.who, site.ID, assets.NewBlackout{LineID: line, From: *from, Until: *until, Reason: s.get("reason")})
	})
	return "/sites/" + site.ID.String() + "#blackouts", err
}

func (p *pages) withdrawBlackoutSheet(v visit) (*sheet, error) {
	site, crumbs, err := p.siteFor(v, access.Approve)
	if err != nil {
		return nil, err
	}
	id, err := idOf(v, "blackout", "blackout")
	if err != nil {
		return nil, err
	}
	all, err := assets.Blackouts(v.ctx, p.db, v.who, site.ID)
	if err != nil {
		return nil, err
	}
	at := slices.IndexFunc(all, func(b assets.Blackout) bool { return b.ID == id })
	if at < 0 {
		return nil, fault.Missing("blackout", id.String())
	}
	c := clock{v.now, site.Location()}
	return &sheet{Title: "Withdraw a time without stops", Over: site.Code + " " + site.Name, Verb: "Withdraw it", Grave: true, Cancel: crumbs[1].Path, Crumbs: crumbs,
		Lead:  c.Moment(all[at].From) + " to " + c.Moment(all[at].Until) + ": " + all[at].Reason + ". Planned stops may then lie in it again. It stays on record.",
		about: all[at]}, nil
}

func (p *pages) withdrawBlackout(v visit, s *sheet) (string, error) {
	b := s.about.(assets.Blackout)
	_, err := once(p, v, s, func(tx *gorm.DB) (bool, error) {
		return true, assets.WithdrawBlackout(tx, v.who, v.now, b.SiteID, b.ID)
	})
	return "/sites/" + b.SiteID.String() + "#blackouts", err
}
