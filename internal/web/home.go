package web

import (
	"fmt"
	"html/template"
	"net/url"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/assets/meters"
	"spindlebook/internal/calendar"
	"spindlebook/internal/fault"
	"spindlebook/internal/pm"
	"spindlebook/internal/pm/failure"
	"spindlebook/internal/pm/visits"
	"spindlebook/internal/web/draw"
)

// perPage is how many rows a list shows at once.
const perPage = 50

// home answers: which sites, and what of them is not in service.
type home struct {
	Heading    string
	Sites      []slip
	More       string // where the list goes on
	Stopped    []stoppedRow
	Brushes    int
	Findings   int
	Due        []dueRow // what presses most, the first few
	Late       int      // at the sites that are shown
	Grave      int
	Waiting    []doubtRow // readings to explain, the first few
	MoreWait   bool
	Quiet      []quietRow // meters that nobody has read for long
	MoreQuit   bool
	Explain    bool
	Internal   bool
	Keep       bool
	Faults     []faultRow // that stand, the first few, the dangerous before all others
	MoreFaults bool
	Rounds     []option    // of today, of those who walk them
	Coming     []comingRow // visits to come, of those to whom we come
	Board      *board      // of those who plan
	Needs      []need      // what waits for them
}

// Danger tells whether somebody can be hurt by a fault that stands.
func (h home) Danger() bool {
	return slices.ContainsFunc(h.Faults, func(f faultRow) bool { return f.Danger })
}

// homeCounters is how many readings and meters home names; lists go on.
const homeCounters = 5

// counters reads what waits of the counters.
func (h *home) counters(p *pages, v visit) error {
	h.Explain = v.may(access.ExplainReadings)
	waiting, err := meters.Doubts(v.ctx, p.db, v.who, nil, access.Page{Limit: homeCounters + 1})
	if err != nil {
		return err
	}
	h.MoreWait = len(waiting) > homeCounters
	if h.Waiting, err = p.doubtRows(v, waiting[:min(len(waiting), homeCounters)]); err != nil {
		return err
	}
	quiet, err := meters.Quiet(v.ctx, p.db, v.who, v.now, nil, access.Page{Limit: homeCounters + 1})
	if err != nil {
		return err
	}
	h.MoreQuit = len(quiet) > homeCounters
	h.Quiet, err = p.quietRows(v, quiet[:min(len(quiet), homeCounters)])
	return err
}

// slip is a site in a list: its counts and its lines as small drawings.
type slip struct {
	assets.Overview
	Clock   clock
	Drawn   []drawnLine
	Missing int // only where the reader can do something about it
	// What does not agree or is not known, for the distributor's people.
	Findings int
	Due      pm.Counts
}

type drawnLine struct {
	ID   uuid.UUID
	Code string
	SVG  template.HTML
}

type stoppedRow struct {
	assets.Stopped
	Clock clock
}

// homeDue is how many pieces of planned work home names, out of those that it looks at; each
// site's page goes on.
const homeDue, homeLooked = 8, 60

// pressing names the worst work. The same look at each of twelve brushes is one piece, since
// else it would hide the rest.
func pressing(v visit, worst []pm.Item) (rows []dueRow) {
	for _, i := range worst {
		at := slices.IndexFunc(rows, func(r dueRow) bool {
			return r.PlanID == i.PlanID && r.SiteID != nil && i.SiteID != nil && *r.SiteID == *i.SiteID && r.State == i.State && val(r.DueOn).Equal(val(i.DueOn))
		})
		switch {
		case at >= 0:
			rows[at].Alike++
		case len(rows) < homeDue:
			rows = append(rows, dueRowBare(v, i))
		}
	}
	return rows
}

// homeSites is how many sites home draws; the list of sites goes on.
const homeSites = 30

func (p *pages) home(v visit) error {
	sites, err := assets.Overviews(v.ctx, p.db, v.who, v.now, assets.OverviewFilter{}, assets.Page{Limit: homeSites + 1})
	if err != nil {
		return err
	}
	h := home{Heading: "All sites", Internal: v.may(access.SeeInternal), Keep: v.may(access.KeepRegister)}
	if !v.who.Everywhere {
		h.Heading = "All own sites"
	}
	if len(sites) > homeSites {
		sites = sites[:homeSites]
		h.More = "/sites?after=" + url.QueryEscape(sites[homeSites-1].Code)
	}
	stopped, err := assets.NotInService(v.ctx, p.db, v.who, 100)
	if err != nil {
		return err
	}
	for _, s := range stopped {
		h.Stopped = append(h.Stopped, stoppedRow{s, clock{v.now, zone(s.Zone)}})
	}
	if h.Sites, err = p.slips(v, sites); err != nil {
		return err
	}
	if err := h.counters(p, v); err != nil {
		return err
	}
	for _, s := range h.Sites {
		h.Brushes += s.Brushes
		h.Findings += s.Findings
		h.Late += s.Due.Late
		h.Grave += s.Due.Grave
	}
	worst, err := pm.Worst(v.ctx, p.db, v.who, pm.ItemFilter{Pressing: true}, 0, homeLooked)
	if err != nil {
		return err
	}
	h.Due = pressing(v, worst)
	if h.Faults, err = p.standingFaults(v, failure.Filter{}, boardRows+1); err != nil {
		return err
	}
	h.MoreFaults = len(h.Faults) > boardRows
	h.Faults = h.Faults[:min(len(h.Faults), boardRows)]
	if !v.who.Everywhere && v.may(access.DoRounds) {
		for _, s := range h.Sites {
			for _, l := range s.Drawn {
				h.Rounds = append(h.Rounds, option{"/lines/" + l.ID.String() + "/round", l.Code})
			}
		}
	}
	if !v.who.Everywhere {
		if h.Coming, err = p.coming(v); err != nil {
			return err
		}
	}
	if v.may(access.Plan) {
		if h.Board, err = p.board(v); err != nil {
			return err
		}
		h.Needs = h.needs()
	}
	return p.ok(v, "home", "Overview", h)
}

// homeComing is how many visits home names; the list of visits goes on.
const homeComing = 5

// comingRow is a visit as those see it to whom we come.
type comingRow struct {
	tripRow
	Stands string // which line stands for it, and when
	Work   []visits.Task
}

// coming lists the next visits with what is done and which line stands.
func (p *pages) coming(v visit) ([]comingRow, error) {
	found, err := visits.List(v.ctx, p.db, v.who, visits.Filter{Live: true, From: calendar.DateOf(v.now) - 1}, access.Page{Limit: homeComing})
	if err != nil || len(found) == 0 {
		return nil, err
	}
	var ids []uuid.UUID
	for _, t := range found {
		ids = append(ids, t.ID)
	}
	work, err := visits.Tasks(v.ctx, p.db, v.who, ids...)
	if err != nil {
		return nil, err
	}
	var all []comingRow
	for _, t := range found {
		row := comingRow{tripRow: p.tripRow(v, t)}
		for _, w := range work {
			if w.VisitID == t.ID && w.EndedHow == "" {
				row.Work = append(row.Work, w)
			}
		}
		row.Stands = stands(row.tripRow, row.Work)
		all = append(all, row)
	}
	return all, nil
}

// slips draws the lines of sites: one statement for all of them.
func (p *pages) slips(v visit, sites []assets.Overview) ([]slip, error) {
	ids := make([]uuid.UUID, len(sites))
	for i, s := range sites {
		ids[i] = s.ID
	}
	spots, err := assets.Spots(v.ctx, p.db, v.who, ids)
	if err != nil {
		return nil, err
	}
	found := map[uuid.UUID]int{}
	if v.may(access.SeeInternal) {
		if found, err = assets.CountFindings(v.ctx, p.db, v.who, v.now, ids); err != nil {
			return nil, err
		}
	}
	counts, err := pm.CountItems(v.ctx, p.db, v.who, ids)
	if err != nil {
		return nil, err
	}
	strips := map[uuid.UUID]*draw.Strip{}
	codes := map[uuid.UUID]string{}
	linesOf := map[uuid.UUID][]uuid.UUID{}
	for _, s := range spots {
		st, ok := strips[s.LineID]
		if !ok {
			st = &draw.Strip{}
			if s.LengthM != nil {
				st.Length = *s.LengthM
			}
			strips[s.LineID], codes[s.LineID] = st, s.LineCode
			linesOf[s.SiteID] = append(linesOf[s.SiteID], s.LineID)
		}
		st.Items = append(st.Items, draw.Item{Side: s.LineSide, Along: s.AlongM, Brush: s.Brush, State: s.State})
	}
	all := make([]slip, len(sites))
	for i, s := range sites {
		all[i] = slip{Overview: s, Clock: clock{v.now, s.Location()}, Findings: found[s.ID], Due: counts[s.ID]}
		if v.may(access.RecordWork) || v.may(access.KeepRegister) {
			all[i].Missing = s.Missing
		}
		for _, id := range linesOf[s.ID] {
			st := *strips[id]
			all[i].Drawn = append(all[i].Drawn, drawnLine{id, codes[id], template.HTML(draw.Mini(st, "Line "+codes[id]+": "+counted(st)))})
		}
	}
	return all, nil
}

// counted says how many of a line's positions are in which state.
func counted(s draw.Strip) string {
	n := map[string]int{}
	for _, it := range s.Items {
		n[it.State]++
	}
	var parts []string
	for _, state := range []string{"in_service", "parked", "empty"} {
		if n[state] > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", n[state], say(state)))
		}
	}
	return strings.Join(parts, ", ")
}

func zone(name string) *time.Location {
	return assets.Site{Zone: name}.Location()
}

// sites is the plain list, in pages.
type siteList struct {
	Sites    []slip
	More     string
	Later    bool // this is not the first page
	Keep     bool
	Customer *assets.Customer
}

func (p *pages) sites(v visit) error {
	var f assets.OverviewFilter
	l := siteList{Later: v.c.Query("after") != "", Keep: v.may(access.KeepRegister)}
	if c := v.c.Query("customer"); c != "" {
		id, err := uuid.Parse(c)
		if err != nil {
			return fault.Missing("customer", c)
		}
		one, err := assets.OneCustomer(v.ctx, p.db, v.who, id)
		if err != nil {
			return err
		}
		l.Customer, f.CustomerID = &one, &id
	}
	sites, err := assets.Overviews(v.ctx, p.db, v.who, v.now, f, assets.Page{After: v.c.Query("after"), Limit: perPage + 1})
	if err != nil {
		return err
	}
	if len(sites) > perPage {
		sites = sites[:perPage]
		q := url.Values{"after": {sites[perPage-1].Code}}
		if l.Customer != nil {
			q.Set("customer", l.Customer.ID.String())
		}
		l.More = "/sites?" + q.Encode()
	}
	for _, s := range sites {
		row := slip{Overview: s, Clock: clock{v.now, s.Location()}}
		if v.may(access.RecordWork) || v.may(access.KeepRegister) {
			row.Missing = s.Missing
		}
		l.Sites = append(l.Sites, row)
	}
	return p.ok(v, "sites", "Sites", l)
}
