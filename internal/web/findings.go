package web

import (
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/fault"
)

// siteHead is what stands above each page of a site.
type siteHead struct {
	Site  assets.Site
	Clock clock
	Tabs  []nav
}

// siteTabs are the pages of a site.
func siteTabs(v visit, id uuid.UUID, here string) []nav {
	at := "/sites/" + id.String()
	tabs := []nav{{at, "Site", false}, {at + "/due", "Due", false}, {at + "/fitted", "Fitted", false}, {at + "/counters", "Counters", false}, {at + "/findings", "Findings", false}}
	if v.may(access.Plan) {
		tabs = append(tabs, nav{at + "/plan", "Visits", false})
	}
	if v.may(access.RecordWork) {
		tabs = append(tabs, nav{at + "/survey", "Survey", false})
	}
	for i := range tabs {
		tabs[i].Here = tabs[i].Path == at+here
	}
	return tabs
}

func (p *pages) siteHead(v visit, here string) (siteHead, error) {
	id, err := idOf(v, "id", "site")
	if err != nil {
		return siteHead{}, err
	}
	s, err := assets.OneSite(v.ctx, p.db, v.who, id)
	return siteHead{Site: s, Clock: clock{v.now, s.Location()}, Tabs: siteTabs(v, id, here)}, err
}

// standing lists the positions of a site that are not retired, in the order in
// which one walks past them: line by line from the entrance, then what is shared.
func (p *pages) standing(v visit, site uuid.UUID) ([]assets.Position, error) {
	all, err := assets.Positions(v.ctx, p.db, v.who, assets.PositionFilter{SiteID: &site}, assets.Page{Limit: mostPositions})
	all = slices.DeleteFunc(all, func(q assets.Position) bool {
		return q.Until != nil && !q.Until.After(v.now) || q.State != nil && *q.State == "retired"
	})
	slices.SortStableFunc(all, func(a, b assets.Position) int {
		switch {
		case (a.LineID == nil) != (b.LineID == nil):
			return map[bool]int{true: 1, false: -1}[a.LineID == nil]
		case a.LineID != nil && *a.LineID != *b.LineID:
			return strings.Compare(a.Code, b.Code)
		case a.AlongM == nil || b.AlongM == nil || *a.AlongM == *b.AlongM:
			return strings.Compare(a.Code, b.Code)
		case *a.AlongM < *b.AlongM:
			return -1
		}
		return 1
	})
	return all, err
}

type fittedPage struct {
	siteHead
	On        string // the day that is shown; "" is now
	Wrong     string
	Positions []fittedPosition
	Units     int
	Gaps      int
	Record    bool
}

type fittedPosition struct {
	assets.Position
	Rows []slotRow
	Gaps []slotRow // slots of which nobody knows what is in them
}

// GapWords names the slots.
func (f fittedPosition) GapWords() string {
	var all []string
	for _, g := range f.Gaps {
		all = append(all, strings.ToLower(g.Slot))
	}
	return strings.Join(all, ", ")
}

// siteFitted shows what is, or was on a day, in every position of a site.
func (p *pages) siteFitted(v visit) error {
	h, err := p.siteHead(v, "/fitted")
	if err != nil {
		return err
	}
	g := fittedPage{siteHead: h, On: strings.TrimSpace(v.c.Query("on")), Record: v.may(access.RecordWork)}
	at := v.now
	if g.On != "" {
		day, err := time.ParseInLocation(time.DateOnly, g.On, h.Clock.At)
		switch {
		case err != nil || day.Year() < 1900:
			g.Wrong = "The day is a date such as 2026-02-14."
		case day.After(v.now):
			g.Wrong = "The day must not lie ahead."
		default: // what was in it when the day ended
			if end := day.AddDate(0, 0, 1).Add(-time.Second); end.Before(v.now) {
				at = end
			}
		}
	}
	positions, err := p.standing(v, h.Site.ID)
	if err != nil {
		return err
	}
	fitted, err := assets.FittedAtSite(v.ctx, p.db, v.who, h.Site.ID, at)
	if err != nil {
		return err
	}
	byPosition := map[uuid.UUID][]assets.Fitted{}
	for _, f := range fitted {
		byPosition[f.PositionID] = append(byPosition[f.PositionID], f)
	}
	for _, q := range positions {
		row := fittedPosition{Position: q}
		for _, f := range byPosition[q.ID] {
			r := slotRow{Fitted: f, Clock: h.Clock}
			if f.UnitID != nil {
				row.Rows = append(row.Rows, r)
				g.Units++
			} else if f.Depth == 0 {
				row.Gaps = append(row.Gaps, r)
				g.Gaps++
			}
		}
		if len(row.Rows)+len(row.Gaps) > 0 {
			g.Positions = append(g.Positions, row)
		}
	}
	return p.ok(v, "fitted", "What is fitted at "+h.Site.Name, g)
}

type findingsPage struct {
	siteHead
	N      int
	Groups []findingGroup
	Record bool
}

// findingGroup is findings that one sentence tells together: one fact that
// nobody knows at many positions is one thing to look out for.
type findingGroup struct {
	Kind   string
	Title  string
	Blocks string
	Close  string
	Urgent bool
	Items  []findingItem
}

type findingItem struct {
	Name, Path string
	Says       string // "" where the title says it
	N          int    // how many slots
}

func (p *pages) siteFindings(v visit) error {
	h, err := p.siteHead(v, "/findings")
	if err != nil {
		return err
	}
	all, err := assets.Findings(v.ctx, p.db, v.who, v.now, h.Site.ID)
	if err != nil {
		return err
	}
	g := findingsPage{siteHead: h, N: len(all), Groups: groupFindings(all, v.may(access.RecordWork)), Record: v.may(access.RecordWork)}
	return p.ok(v, "findings", "Findings at "+h.Site.Name, g)
}

var findingKinds = map[string]string{"mismatch": "Does not fit", "wrong_links": "Supply", "serial_twice": "Serial twice", "twins_differ": "Twins differ", "unknown_fact": "Not known", "unknown_unit": "Not on record",
	"stale_fact": "Old or hearsay"}

// groupFindings tells together what one look closes; the worst stays first.
func groupFindings(all []assets.Finding, record bool) []findingGroup {
	var groups []findingGroup
	for _, f := range all {
		name := strings.ToLower(f.FactName)
		g := findingGroup{Kind: findingKinds[f.Kind], Title: f.Says, Blocks: f.Blocks, Close: sentence(f.Close), Urgent: f.Rank <= 2}
		item := findingItem{Name: f.Position, N: 1}
		at := ""
		if f.PositionID != nil {
			at = "/positions/" + f.PositionID.String()
			item.Path = at
		}
		switch f.Kind {
		case "unknown_fact":
			g.Title = "Nobody has recorded the " + name + "."
		case "unknown_unit":
			g.Title = "What is fitted is not on record."
		case "stale_fact":
			g.Title = "The " + name + " is old news, or nobody looked."
			_, item.Says, _ = strings.Cut(f.Says, ": its "+name+", ")
		case "mismatch", "serial_twice", "wrong_links":
			item.Name = f.Tag
			if f.UnitID != nil {
				item.Path = "/units/" + f.UnitID.String()
			}
		}
		if record && at != "" {
			switch f.Kind {
			case "unknown_fact", "stale_fact", "twins_differ":
				item.Path = at + "/facts/new?fact=" + f.Fact
			case "unknown_unit":
				item.Path = at + "#fitted"
			}
		}
		i := slices.IndexFunc(groups, func(o findingGroup) bool { return o.Kind == g.Kind && o.Title == g.Title && o.Blocks == g.Blocks })
		if i < 0 {
			groups, i = append(groups, g), len(groups)
		}
		j := slices.IndexFunc(groups[i].Items, func(o findingItem) bool { return o.Path == item.Path && f.Kind == "unknown_unit" })
		if j >= 0 {
			groups[i].Items[j].N++
			continue
		}
		groups[i].Items = append(groups[i].Items, item)
		if (f.Kind == "mismatch" || f.Kind == "wrong_links") && at != "" { // either of the two may be wrong
			groups[i].Items = append(groups[i].Items, findingItem{Name: f.Position, Path: at + map[string]string{"mismatch": "#facts", "wrong_links": "#connection"}[f.Kind], N: 1})
		}
	}
	return groups
}

type surveyPage struct {
	siteHead
	Caution   string
	Positions []surveyPosition
	Gaps      int
}

// surveyPosition is what to look at, measure and photograph at one position.
type surveyPosition struct {
	assets.Position
	SideWords string
	Items     []surveyItem
}

type surveyItem struct {
	Ask  string
	Look string
	Was  string // what is recorded so far
}

// surveyItems turns the findings about a position into questions.
func surveyItems(all []assets.Finding, position uuid.UUID) []surveyItem {
	var items []surveyItem
	for _, f := range all {
		if f.PositionID == nil || *f.PositionID != position {
			continue
		}
		it := surveyItem{Ask: f.FactName, Look: sentence(f.Close)}
		switch f.Kind {
		case "stale_fact":
			it.Was = f.Says
		case "unknown_unit":
			it.Ask = slotOf(f)
		case "mismatch", "wrong_links", "serial_twice", "twins_differ":
			it.Ask, it.Was = findingKinds[f.Kind], f.Says
		}
		items = append(items, it)
	}
	return items
}

// slotOf names the slot of a finding about what is fitted: its sentence has it.
func slotOf(f assets.Finding) string {
	_, after, _ := strings.Cut(f.Says, "what is fitted as ")
	slot, _, ok := strings.Cut(after, " is not on record")
	if !ok || slot == "" {
		return "What is fitted"
	}
	return strings.ToUpper(slot[:1]) + slot[1:]
}

func (p *pages) siteSurvey(v visit) error {
	h, err := p.siteHead(v, "/survey")
	if err == nil {
		err = v.who.Must(access.RecordWork)
	}
	if err != nil {
		return err
	}
	all, err := assets.Findings(v.ctx, p.db, v.who, v.now, h.Site.ID)
	if err != nil {
		return err
	}
	positions, err := p.standing(v, h.Site.ID)
	if err != nil {
		return err
	}
	g := surveyPage{siteHead: h, Caution: lookCaution}
	for _, q := range positions {
		if items := surveyItems(all, q.ID); len(items) > 0 {
			g.Positions, g.Gaps = append(g.Positions, surveyPosition{q, sideWords(q.LineSide, h.Site.DriverSide), items}), g.Gaps+len(items)
		}
	}
	return p.ok(v, "survey", "Survey of "+h.Site.Name, g)
}

// surveying is what the survey of a position is about.
type surveying struct {
	bench
	kinds []assets.FactKind
	slots []assets.Fitted
}

// howSeen is how somebody who stands before it knows a fact.
var howSeen = map[string]string{"bore": "measured", "frame_standard": "read_off_plate", "frame_size": "read_off_plate"}

// lookCaution goes with whatever makes people look closely.
const lookCaution = "Do not reach over, clean or measure a brush that can turn: your own lock on, air shut and locked, start tried. " +
	"The site's own energy-control procedure, local codes and licensed practice come first."

// surveySheet asks for everything that is not known about a position on one
// form: what is answered is recorded, what is left blank stays open.
func (p *pages) surveySheet(v visit) (*sheet, error) {
	b, err := p.benchFor(v)
	if err != nil {
		return nil, err
	}
	kinds, err := assets.FactKinds(v.ctx, p.db, v.who)
	if err != nil {
		return nil, err
	}
	all, err := assets.Findings(v.ctx, p.db, v.who, v.now, b.site.ID)
	if err != nil {
		return nil, err
	}
	c := clock{v.now, b.site.Location()}
	back := "/sites/" + b.site.ID.String() + "/survey#" + anchor(b.q.ID)
	s := &sheet{Title: "Survey", Over: b.q.Code + " " + b.q.Name, Verb: "Record what I found", Cancel: back, at: b.site.Location(), Caution: lookCaution,
		Crumbs: append(b.crumbs[:1:1], crumb{"/sites/" + b.site.ID.String() + "/survey", "Survey"}, b.crumbs[1]),
		Lead:   "Answer what you can see; leave the rest. It is recorded with your name and the time. Times are local to the site (" + c.Zone() + ")."}
	// A form that comes in for the second time finds its gaps closed: everything
	// that may ever have been asked is read then.
	sent := v.c.Request.Method != "GET"
	w := surveying{bench: b}
	for _, code := range assets.Wanted(b.q) {
		i := slices.IndexFunc(kinds, func(k assets.FactKind) bool { return k.Code == code })
		j := slices.IndexFunc(all, func(f assets.Finding) bool {
			return f.PositionID != nil && *f.PositionID == b.q.ID && f.Fact == code && (f.Kind == "unknown_fact" || f.Kind == "stale_fact")
		})
		if i < 0 || j < 0 && !sent {
			continue
		}
		f := valueField(kinds[i])
		f.Name, f.Optional = "fact_"+code, true
		if j >= 0 {
			f.Hint = strings.TrimSpace(sentence(all[j].Close) + " " + f.Hint)
			if all[j].Kind == "stale_fact" {
				f.Hint = strings.TrimPrefix(all[j].Says, b.q.Code+": ") + " " + f.Hint
				f.Hint = strings.ToUpper(f.Hint[:1]) + f.Hint[1:]
			}
		}
		if len(w.kinds) == 0 {
			f.Head, f.Said = "What it requires", "What the place asks for, whatever is in it."
		}
		s.Fields, w.kinds = append(s.Fields, f), append(w.kinds, kinds[i])
	}
	for _, f := range b.own {
		if f.Depth > 0 || f.UnitID != nil && !sent {
			continue
		}
		fields, err := p.foundFields(v, f, "_"+f.SlotCode, nil)
		if err != nil {
			return nil, err
		}
		fields[0].Head, fields[0].Said = f.Slot, "Read its plate, or put a label of ours on it. What is in it now has been there since before this record; where you know since when, record it from the page of the position."
		s.Fields, w.slots = append(s.Fields, fields...), append(w.slots, f)
	}
	picture := pictureField("content")
	picture.Optional, picture.Head, picture.Said = true, "Photo", "The nameplate, the diagram in the lid of the junction box, or what does not look right."
	s.Fields = append(s.Fields, picture, &field{Name: "caption", Label: "What it shows", Short: "The caption", Optional: true},
		&field{Name: "seen_at", Label: "Looked at on", Short: "The time", Kind: "moment", Optional: true, Head: "Who looked, and when", Hint: "Now where nothing is said."},
		&field{Name: "seen_by", Label: "Looked at by", Short: "The name", Optional: true},
		&field{Name: "told", Label: "Somebody told me; I did not look myself", Kind: "check", Optional: true})
	if len(w.kinds)+len(w.slots) == 0 {
		s.Lead = "Nothing that work needs is unknown here. A photo may still help whoever comes next."
	}
	s.about = w
	s.fill(map[string]string{"seen_by": v.who.Name})
	return s, nil
}

// anchor makes an id of a page from an id of the record.
func anchor(id uuid.UUID) string { return "p-" + id.String() }

func (p *pages) doSurvey(v visit, s *sheet) (string, error) {
	w := s.about.(surveying)
	seen, how := s.moment("seen_at"), ""
	if seen == nil {
		seen = &v.now
	}
	if s.checked("told") {
		how = "told"
	}
	var acts []func(tx *gorm.DB) error
	for _, k := range w.kinds {
		name := "fact_" + k.Code
		if s.get(name) == "" {
			continue
		}
		in := assets.NewFact{Fact: k.Code, How: how, SeenBy: s.get("seen_by"), SeenAt: seen}
		if in.How == "" {
			if in.How = howSeen[k.Code]; in.How == "" {
				in.How = "seen"
			}
		}
		if k.Takes == "length" {
			in.Measure = s.measure(name)
		} else {
			in.Value = s.get(name)
		}
		acts = append(acts, func(tx *gorm.DB) error {
			_, err := assets.Record(tx, v.who, v.now, w.q.ID, in)
			return fault.Renamed(err, func(field string) string {
				if strings.HasPrefix(field, "measure") || field == "value" {
					return name
				}
				return field
			})
		})
	}
	for _, f := range w.slots {
		end := "_" + f.SlotCode
		unit, fresh, said := s.found(end, w.site.CustomerID)
		if !said {
			continue
		}
		acts = append(acts, func(tx *gorm.DB) error {
			_, err := fitFound(tx, v.who, v.now, f.SlotID, unit, fresh, nil, "", "")
			return fault.Renamed(err, func(field string) string { return field + end })
		})
	}
	if picture := s.field("content").file; len(picture) > 0 {
		acts = append(acts, func(tx *gorm.DB) error {
			_, err := assets.AddPhoto(tx, v.who, v.now, assets.NewPhoto{PositionID: &w.q.ID, Caption: s.get("caption"), TakenAt: seen, Content: picture})
			return err
		})
	}
	if len(acts) == 0 && len(s.Mend) == 0 {
		s.Mend = append(s.Mend, mend{Text: "Nothing is answered yet."})
	}
	if len(s.Mend) > 0 {
		return "", nil
	}
	_, err := once(p, v, s, func(tx *gorm.DB) (bool, error) {
		for _, act := range acts {
			if err := act(tx); err != nil {
				return false, err
			}
		}
		return true, nil
	})
	return "/sites/" + w.site.ID.String() + "/survey", err
}
