package web

import (
	"encoding/csv"
	"fmt"
	"html/template"
	"net/http"
	"net/url"
	"strconv"

	"github.com/google/uuid"

	"spindlebook/internal/access"
	"spindlebook/internal/calendar"
	"spindlebook/internal/pm"
	"spindlebook/internal/pm/ahead"
	"spindlebook/internal/web/draw"
)

const (
	ribbonWeeks = 12
	phoneWeeks  = 6
	mostAhead   = 50 // sites of a page
)

// aheadPage is the work of the weeks and years ahead, hours only.
type aheadPage struct {
	Tabs           []nav
	Across, Narrow template.HTML
	Sites          []aheadSite
	Drafts         []option // versions of plans that are being written
	Draft          string
	DraftName      string
	CSV, More      string
	Skills         []aheadSkill
	Undated        int
}

// aheadSite is a site over two years, by stretches of 13 weeks.
type aheadSite struct {
	Code, Name, Path string
	Stretches        []aheadStretch
}

type aheadStretch struct {
	From, Until           string
	Jobs, Then            int
	Hours, ThenHours      string
	People, ThenPeople    string
	Down, ThenDown, Grave string
	Covered               int
	Changed               bool // the draft makes a difference
}

type aheadSkill struct{ Skill, Twelve, Year string }

func hoursOf(h float64) string { return grouped(strconv.FormatFloat(h, 'f', 1, 64)) }

func shortDay(d calendar.Date) string { return d.UTC().Format("2 Jan") }

// workAhead reads what is asked for: all sites or one, with a draft or without.
func (p *pages) workAhead(v visit, weeks int) (pm.Ahead, *uuid.UUID, error) {
	f := pm.AheadFilter{Weeks: weeks}
	for name, into := range map[string]**uuid.UUID{"site": &f.SiteID, "draft": &f.Draft} {
		if id, err := uuid.Parse(v.c.Query(name)); err == nil {
			*into = &id
		}
	}
	all, err := pm.WorkAhead(v.ctx, p.db, v.who, v.now, f, access.Page{After: v.c.Query("after"), Limit: mostAhead + 1})
	return all, f.Draft, err
}

func (p *pages) ahead(v visit) error {
	all, draft, err := p.workAhead(v, pm.MostWeeks)
	if err != nil {
		return err
	}
	g := aheadPage{Tabs: aheadTabs("/ahead")}
	query := url.Values{}
	if draft != nil {
		g.Draft = draft.String()
		query.Set("draft", g.Draft)
	}
	if s := v.c.Query("site"); s != "" {
		query.Set("site", s)
	}
	g.CSV = "/ahead.csv?" + query.Encode()
	if len(all.Sites) > mostAhead {
		all.Sites = all.Sites[:mostAhead]
		query.Set("after", all.Sites[mostAhead-1].Code)
		g.More = "/ahead?" + query.Encode()
	}
	if v.may(access.Plan) {
		if err := p.drafts(v, &g); err != nil {
			return err
		}
	}
	year := make([][2]float64, len(all.Skills))
	for _, s := range all.Sites {
		path := "/sites/" + s.ID.String()
		g.Sites = append(g.Sites, byQuarter(s, path))
		g.Undated += s.Undated
		for i := range all.Skills {
			for n, w := range s.Weeks {
				if n < ribbonWeeks {
					year[i][0] += w.Skills[i]
				}
				if n < 52 {
					year[i][1] += w.Skills[i]
				}
			}
		}
	}
	across, narrow := ribbons("ahead", all.Sites, func(uuid.UUID, calendar.Date) string { return "" })
	for i, s := range all.Skills {
		g.Skills = append(g.Skills, aheadSkill{skillWords[s], hoursOf(year[i][0]), hoursOf(year[i][1])})
	}
	// The drawing escapes what it is given.
	g.Across, g.Narrow = template.HTML(draw.Weeks(across, 1040)), template.HTML(draw.Weeks(narrow, 358))
	return p.ok(v, "ahead", "Work ahead", g)
}

// skillWords name skills.
var skillWords = map[string]string{"OP": "Site staff", "T1": "Technician", "T2": "Senior technician", "EL": "Licensed electrician", "VT": "Licensed hauler", "CI": "Authorised inspector", "WH": "Warehouse"}

// drafts lists the plans that are being changed.
func (p *pages) drafts(v visit, g *aheadPage) error {
	plans, err := pm.Plans(v.ctx, p.db, v.who, access.Page{Limit: 1000})
	if err != nil {
		return err
	}
	for _, x := range plans {
		if x.Draft == nil {
			continue
		}
		versions, err := pm.PlanVersions(v.ctx, p.db, v.who, x.ID)
		if err != nil {
			return err
		}
		if len(versions) > 0 && versions[0].PublishedAt == nil {
			o := option{versions[0].ID.String(), fmt.Sprintf("%s %s, version %d", x.Code, x.Title, versions[0].Number)}
			g.Drafts = append(g.Drafts, o)
			if o.Value == g.Draft {
				g.DraftName = o.Name
			}
		}
	}
	return nil
}

// byQuarter sums two years by 13 weeks.
func byQuarter(s pm.SiteAhead, path string) aheadSite {
	it := aheadSite{Code: s.Code, Name: s.Name, Path: path}
	for at := 0; at+1 < len(s.Weeks); at += 13 {
		to := min(at+13, len(s.Weeks))
		sum := func(weeks []ahead.Week) ahead.Week { return ahead.Weeks{Weeks: weeks[at:to]}.Total() }
		w := sum(s.Weeks)
		x := aheadStretch{From: w.Monday.UTC().Format("2 Jan 2006"), Until: (s.Weeks[to-1].Monday + 6).UTC().Format("2 Jan 2006"), Jobs: w.Jobs, Hours: hoursOf(w.Hours), People: hoursOf(w.PersonHours),
			Down: hoursOf(w.DownHours), Grave: hoursOf(w.Of[0].Hours), Covered: w.Covered}
		if s.Draft != nil {
			d := sum(s.Draft)
			x.Then, x.ThenHours, x.ThenPeople, x.ThenDown = d.Jobs, hoursOf(d.Hours), hoursOf(d.PersonHours), hoursOf(d.DownHours)
			x.Changed = x.Then != x.Jobs || x.ThenHours != x.Hours || x.ThenPeople != x.People || x.ThenDown != x.Down
		}
		it.Stretches = append(it.Stretches, x)
	}
	return it
}

// aheadCSV sends each site and week of two years.
func (p *pages) aheadCSV(v visit) error {
	all, draft, err := p.workAhead(v, pm.MostWeeks)
	if err != nil {
		return err
	}
	head := []string{"site", "monday", "jobs", "hours", "person_hours", "line_down_hours", "covered", "hours_S", "hours_A", "hours_B", "hours_C"}
	for _, s := range all.Skills {
		head = append(head, "person_hours_"+s)
	}
	if draft != nil {
		head = append(head, "draft_jobs", "draft_hours", "draft_person_hours", "draft_line_down_hours")
	}
	v.c.Header("Content-Type", "text/csv; charset=utf-8")
	v.c.Header("Content-Disposition", `attachment; filename="work-ahead.csv"`)
	v.c.Status(http.StatusOK)
	out := csv.NewWriter(v.c.Writer)
	rows := [][]string{head}
	figure := func(h float64) string { return strconv.FormatFloat(h, 'f', 2, 64) }
	for _, s := range all.Sites {
		for i, w := range s.Weeks {
			row := []string{plainCell(s.Code), w.Monday.String(), strconv.Itoa(w.Jobs), figure(w.Hours), figure(w.PersonHours), figure(w.DownHours), strconv.Itoa(w.Covered)}
			for _, l := range w.Of {
				row = append(row, figure(l.Hours))
			}
			for _, h := range w.Skills {
				row = append(row, figure(h))
			}
			if s.Draft != nil {
				d := s.Draft[i]
				row = append(row, strconv.Itoa(d.Jobs), figure(d.Hours), figure(d.PersonHours), figure(d.DownHours))
			}
			rows = append(rows, row)
		}
	}
	_ = out.WriteAll(rows) // where the reader is gone there is nobody to tell
	return nil
}
