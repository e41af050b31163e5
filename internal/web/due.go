package web

import (
	"fmt"
	"html/template"
	"math"
	"net/url"
	"strconv"

	"github.com/google/uuid"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/calendar"
	"spindlebook/internal/pm"
	"spindlebook/internal/pm/due"
	"spindlebook/internal/web/draw"
)

// duePage is how many things a page of planned work shows: each brings drawings.
const duePage = 30

// gravity says what doing it late puts at stake.
var gravity = map[string]string{"S": "safety or law", "A": "urgent once late", "B": "wears on when late", "C": "can wait"}

// stateWords name how planned work stands, and stateMarks the pattern that goes with it.
var (
	standWords = map[string]string{"late": "late", "in window": "may be done now", "unknown": "nobody can tell", "coming": "comes soon", "not due": "not due"}
	standMarks = map[string]string{"late": "late", "in window": "now", "unknown": "unsure", "coming": "soon", "not due": "later"}
)

// wear is one trigger as a bar, with what it shows in words.
type wear struct {
	Bar     template.HTML
	Trigger string
	Used    string // "13,850 of 100,000 vehicles"
	Due     string // "due 21 July (3 June to 2 October)"
	Governs bool
}

// dueRow is one piece of planned work as it stands.
type dueRow struct {
	pm.Item
	Mark, Word, Gravity string
	Reason              string
	Place, PlacePath    string
	PlaceName           string
	Bars                []wear
	Path                string
	JobPath             string // "" where the reader opens no cards
	Alike               int    // of the same plan, with the same day, at other things of the site
}

// units of a bar, as a page writes them.
var wearUnits = map[due.Unit]string{due.Days: "days", due.Vehicles: "vehicles", due.RunHours: "run hours", due.Cycles: "cycles"}

// civil writes a day where its year is plain: within half a year of another.
func civil(d, today calendar.Date) string {
	if d < today-180 || d > today+180 {
		return d.UTC().Format("2 January 2006")
	}
	return d.UTC().Format("2 January")
}

// dueRowOf shows how an assignment stands. The reader has seen it in a list.
func dueRowOf(v visit, e pm.Explained, n int) dueRow {
	r, today := dueRowBare(v, e.Item), e.Today
	if e.Parts != nil { // its plan has not ended meanwhile
		r.State = e.Explanation.State.String()
		r.Mark, r.Word = standMarks[r.State], standWords[r.State]
	}
	r.Reason = sentence(e.Explanation.Says)
	for i, p := range e.Parts {
		w := wear{Trigger: p.Trigger, Governs: i == e.Governs}
		d := draw.Wear{ID: fmt.Sprintf("w%d-%d", n, i), Today: float64(today - e.Base), Due: math.NaN(), Earliest: math.NaN(), Latest: math.NaN(), Low: math.NaN(), High: math.NaN(), Late: e.Explanation.State == due.Late}
		if p.Of > 0 && (p.Unit != due.Days || p.Of > 1) {
			w.Used = grouped(strconv.FormatFloat(math.Round(p.Used), 'f', 0, 64)) + " of " + grouped(strconv.FormatFloat(math.Round(p.Of), 'f', 0, 64)) + " " + wearUnits[p.Unit]
		}
		if p.Unit == due.Days && p.Of == 0 && p.Due == 0 && p.Gap == 0 { // a check that is watched: nothing runs towards it
			w.Due = "which it has not"
			r.Bars = append(r.Bars, w)
			continue
		}
		switch {
		case p.Due == 0:
			w.Due = "no day can be told"
		default:
			w.Due = "due " + civil(p.Due, today)
			if p.Low != 0 && p.High != 0 {
				w.Due += " (" + civil(p.Low, today) + " to " + civil(p.High, today) + ")"
			} else if p.Low != 0 {
				w.Due += " (from " + civil(p.Low, today) + " on)"
			}
			if e.Base != 0 {
				d.Due = float64(p.Due - e.Base)
				if p.Low != 0 {
					d.Low = float64(p.Low - e.Base)
				}
				if p.High != 0 {
					d.High = float64(p.High - e.Base)
				}
				if i == e.Governs && e.Earliest != 0 {
					d.Earliest, d.Latest = float64(e.Earliest-e.Base), float64(e.Latest-e.Base)
				}
			}
		}
		d.Title = e.Title + ", " + p.Trigger + ": " + w.Due
		if w.Used != "" {
			d.Title = e.Title + ", " + p.Trigger + ": " + w.Used + ", " + w.Due
		}
		w.Bar = template.HTML(draw.WearBar(d, 300)) // the drawing escapes what it is given
		r.Bars = append(r.Bars, w)
	}
	return r
}

// dueRowBare shows an assignment by the answer that is kept of it.
func dueRowBare(v visit, i pm.Item) dueRow {
	r := dueRow{Item: i, Mark: standMarks[i.State], Word: standWords[i.State], Gravity: gravity[i.Criticality], Reason: sentence(i.Says), Path: "/due/" + i.ID.String()}
	r.Place, r.PlacePath, r.PlaceName = placeOf(i.SiteID, i.SiteCode, i.LineID, i.LineCode, i.PositionID, i.PositionCode, i.UnitID, i.UnitTag)
	if i.PositionName != "" {
		r.PlaceName = i.PositionName
	}
	if i.TaskID != nil && i.SiteID != nil && v.may(access.RecordWork) {
		r.JobPath = "/tasks/" + i.TaskID.String() + "/job"
	}
	return r
}

// placeOf names the narrowest of what work is for, and leads there.
func placeOf(site *uuid.UUID, siteCode string, line *uuid.UUID, lineCode string, position *uuid.UUID, positionCode string, unit *uuid.UUID, tag string) (code, path, name string) {
	switch {
	case unit != nil:
		name = "in stock"
		if positionCode != "" {
			name = "in " + positionCode
		}
		return tag, "/units/" + unit.String(), name
	case position != nil:
		return positionCode, "/positions/" + position.String(), ""
	case line != nil:
		return lineCode, "/sites/" + site.String() + "#line-" + line.String(), "the whole line"
	case site != nil:
		return siteCode, "/sites/" + site.String(), "the whole site"
	}
	return "", "", ""
}

// siteDuePage is all planned work at a site.
type siteDuePage struct {
	siteHead
	Counts pm.Counts
	Total  int
	Rows   []dueRow
	From   int // of the first row, from 1
	To     int
	More   string
	Back   string
	Only   string // the position to which it is narrowed
	All    string // path without that
	Rounds []option
	Plans  bool
	Tasks  []pm.Task // that come of no plan
}

func (p *pages) siteDue(v visit) error {
	head, err := p.siteHead(v, "/due")
	if err != nil {
		return err
	}
	g := siteDuePage{siteHead: head, Plans: v.may(access.Plan)}
	id := head.Site.ID
	counts, err := pm.CountItems(v.ctx, p.db, v.who, []uuid.UUID{id})
	if err != nil {
		return err
	}
	g.Counts = counts[id]
	c := g.Counts
	g.Total = c.Late + c.InWindow + c.Unknown + c.Coming + c.NotDue
	f, query := pm.ItemFilter{SiteID: &id}, url.Values{}
	g.All = "/sites/" + id.String() + "/due"
	if q, err := uuid.Parse(v.c.Query("position")); err == nil {
		at, err := assets.OnePosition(v.ctx, p.db, v.who, q)
		if err != nil {
			return err
		}
		f.PositionID, g.Only = &q, at.Code+" "+at.Name
		query.Set("position", q.String())
	}
	leave, _ := strconv.Atoi(v.c.Query("from"))
	leave = min(max(leave, 0), 100000)
	items, err := pm.Worst(v.ctx, p.db, v.who, f, leave, duePage+1)
	if err != nil {
		return err
	}
	path := func(from int) string {
		if from > 0 {
			query.Set("from", strconv.Itoa(from))
		} else {
			query.Del("from")
		}
		if len(query) == 0 {
			return g.All
		}
		return g.All + "?" + query.Encode()
	}
	if len(items) > duePage {
		items = items[:duePage]
		g.More = path(leave + duePage)
	}
	if leave > 0 {
		g.Back = path(max(0, leave-duePage))
	}
	if g.Rows, err = p.explained(v, items); err != nil {
		return err
	}
	g.From, g.To = leave+1, leave+len(items)
	if err := g.round(p, v); err != nil {
		return err
	}
	tasks, err := pm.Tasks(v.ctx, p.db, v.who, pm.TaskFilter{SiteID: &id, PositionID: f.PositionID}, pm.Page{Limit: mostTasks})
	if err != nil {
		return err
	}
	for _, t := range tasks {
		if t.AssignmentID == nil {
			g.Tasks = append(g.Tasks, t)
		}
	}
	return p.ok(v, "due", "What is due at "+head.Site.Name, g)
}

// mostTasks is how many open tasks of one site a page looks through.
const mostTasks = 1000

// round lists the round sheets of the site's lines, for those who do rounds or read them.
func (g *siteDuePage) round(p *pages, v visit) error {
	lines, err := assets.Lines(v.ctx, p.db, v.who, &g.Site.ID, access.Page{Limit: 100})
	for _, l := range lines {
		if l.Until == nil || l.Until.After(v.now) {
			g.Rounds = append(g.Rounds, option{"/lines/" + l.ID.String() + "/round", l.Code})
		}
	}
	return err
}

// explained shows assignments with their reasons.
func (p *pages) explained(v visit, items []pm.Item) ([]dueRow, error) {
	all, err := pm.Explain(v.ctx, p.db, v.now, items)
	if err != nil {
		return nil, err
	}
	rows := make([]dueRow, len(all))
	for i, e := range all {
		rows[i] = dueRowOf(v, e, i)
	}
	return rows, nil
}
