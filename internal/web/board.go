package web

import (
	"fmt"
	"html/template"
	"slices"
	"strconv"
	"time"

	"github.com/google/uuid"

	"spindlebook/internal/access"
	"spindlebook/internal/calendar"
	"spindlebook/internal/parts/stock"
	"spindlebook/internal/pm"
	"spindlebook/internal/pm/isolation"
	"spindlebook/internal/pm/visits"
	"spindlebook/internal/web/draw"
)

// board is what a planner asks of the overview beside what is due: what stands still,
// which visits cannot go and why, what must be ordered now, and the weeks ahead.
type board struct {
	Locks      []openLock
	MoreLocks  bool
	Doubts     []differenceRow // where record and shelf disagree
	MoreDoubts bool
	Stuck      []tripRow
	MoreStuck  bool
	Order      []wantedRow      // what must be ordered by a day that is near
	Weeks      [2]template.HTML // across and narrow
	Looked     bool             // whether every visit of these weeks was looked at for its parts
}

const (
	boardRows  = 5  // of each list; each has a page that goes on
	boardSites = 12 // of the ribbon
	boardTrips = 80 // that are looked at
	orderAhead = 3  // days before the last one for an order
)

// board reads them. Each is one statement or two, however many there are.
func (p *pages) board(v visit) (*board, error) {
	b := &board{}
	locks, err := isolation.OpenLocks(v.ctx, p.db, v.who, v.now, nil, isolation.Page{Limit: boardRows + 1})
	if err != nil {
		return nil, err
	}
	b.MoreLocks = len(locks) > boardRows
	for _, l := range locks[:min(len(locks), boardRows)] {
		b.Locks = append(b.Locks, openLock{l, clock{v.now, zone(l.Zone)}, l.Overdue(v.now), ownLock(v, l)})
	}
	doubts, err := stock.Doubts(v.ctx, p.db, v.who, true, stock.Page{Limit: boardRows + 1})
	if err != nil {
		return nil, err
	}
	b.MoreDoubts = len(doubts) > boardRows
	for _, d := range doubts[:min(len(doubts), boardRows)] {
		b.Doubts = append(b.Doubts, differenceRow{d, clock{v.now, time.UTC}})
	}
	today := calendar.DateOf(v.now)
	trips, err := visits.List(v.ctx, p.db, v.who, visits.Filter{Live: true, From: today - 1, Until: today + 7*ribbonWeeks}, access.Page{Limit: boardTrips + 1})
	if err != nil {
		return nil, err
	}
	b.Looked = len(trips) <= boardTrips
	trips = trips[:min(len(trips), boardTrips)]
	ready, err := visits.Readiness(v.ctx, p.db, v.who, v.now, trips)
	if err != nil {
		return nil, err
	}
	parts := map[uuid.UUID]map[calendar.Date]string{} // by site and the Monday of its week
	for i, r := range ready {
		t := trips[i]
		if r.Verdict != "go" { // also what goes after work at the bench: somebody must do it before
			b.Stuck = append(b.Stuck, tripRow{Visit: t, Clock: clock{v.now, t.Location()}, Ready: &ready[i]})
		}
		monday := mondayOf(calendar.DateOf(t.OnDate))
		if parts[t.SiteID] == nil {
			parts[t.SiteID] = map[calendar.Date]string{}
		}
		parts[t.SiteID][monday] = graver(parts[t.SiteID][monday], partsOf(r))
	}
	b.MoreStuck = len(b.Stuck) > boardRows || !b.Looked
	b.Stuck = b.Stuck[:min(len(b.Stuck), boardRows)]
	for _, w := range shortOf(today, trips, ready) {
		if w.OrderBy != nil && !w.OrderBy.After((today + orderAhead).UTC()) && len(b.Order) < boardRows {
			b.Order = append(b.Order, w)
		}
	}
	all, err := pm.WorkAhead(v.ctx, p.db, v.who, v.now, pm.AheadFilter{Weeks: ribbonWeeks}, access.Page{Limit: boardSites})
	if err != nil {
		return nil, err
	}
	across, narrow := ribbons("board", all.Sites, func(site uuid.UUID, monday calendar.Date) string { return parts[site][monday] })
	if len(across.Rows) > 0 {
		b.Weeks = [2]template.HTML{template.HTML(draw.Weeks(across, 1040)), template.HTML(draw.Weeks(narrow, 358))} // the drawing escapes what it is given
	}
	return b, nil
}

// need is a list of the overview that is not empty, told at its top.
type need struct {
	Path, Count, Words string
	Grave              bool
}

// needs says in one line what waits for a planner, the gravest first, and leads there.
func (h home) needs() (all []need) {
	b := h.Board
	say := func(path string, n int, more bool, one, many string, grave bool) {
		if n == 0 {
			return
		}
		count := strconv.Itoa(n)
		if more {
			count, one = count+"+", many
		}
		if n != 1 {
			one = many
		}
		all = append(all, need{path, count, one, grave})
	}
	say("#faults", len(h.Faults), h.MoreFaults, "fault stands", "faults stand", h.Danger())
	say("#locks", len(b.Locks), b.MoreLocks, "lock is on", "locks are on", slices.ContainsFunc(b.Locks, func(l openLock) bool { return l.Late }))
	say("#stuck", len(b.Stuck), b.MoreStuck, "visit cannot go as it is", "visits cannot go as they are", false)
	say("#order", len(b.Order), len(b.Order) == boardRows, "thing to order now", "things to order now", false)
	say("#due", h.Late, h.More != "", "piece of work late", "pieces of work late", h.Grave > 0)
	say("#stopped", len(h.Stopped), false, "position not in service", "positions not in service", false)
	say("#explain", len(h.Waiting), h.MoreWait, "reading to explain", "readings to explain", false)
	say("#quiet", len(h.Quiet), h.MoreQuit, "quiet counter", "quiet counters", false)
	say("#doubts", len(b.Doubts), b.MoreDoubts, "difference in stock", "differences in stock", false)
	return all
}

// Most is how many visits are looked at.
func (b *board) Most() int { return boardTrips }

// graver gives the worse of two words for parts. A visit of which nobody can tell may lack
// some: its week is not shown as having them.
func graver(a, b string) string {
	order := []string{"", "there", "unknown", "missing"}
	return order[max(slices.Index(order, a), slices.Index(order, b))]
}

// partsOf says whether a visit has its parts, in the words of the ribbon.
func partsOf(r visits.Ready) string {
	state := "there"
	for _, j := range r.Jobs {
		if len(j.Missing) > 0 {
			state = "unknown"
		}
		for _, l := range j.Lines {
			if l.Short != 0 {
				return "missing"
			}
		}
	}
	return state
}

// mondayOf gives the Monday of a day's week.
func mondayOf(d calendar.Date) calendar.Date {
	return d - calendar.Date((int(d.UTC().Weekday())+6)%7)
}

var partsWords = map[string]string{"there": "; the visit has its parts", "missing": "; the visit lacks parts", "unknown": "; nobody can tell whether the visit has its parts"}

// ribbons draws the weeks ahead of sites: twelve for a desk, six for a phone. parts tells
// whether the parts for a week are there; "" where no visit is made for it.
func ribbons(id string, sites []pm.SiteAhead, parts func(site uuid.UUID, monday calendar.Date) string) (across, narrow draw.Ribbon) {
	across = draw.Ribbon{ID: id, Title: "Hours of work at each site in the next twelve weeks"}
	narrow = draw.Ribbon{ID: id + "-narrow", Title: "Hours of work at each site in the next six weeks"}
	for _, s := range sites {
		row := draw.RibbonRow{Name: s.Name, Href: "/sites/" + s.ID.String()}
		for i, w := range s.Weeks[:ribbonWeeks] {
			if len(across.Weeks) < ribbonWeeks {
				across.Weeks = append(across.Weeks, shortDay(w.Monday))
			}
			says := fmt.Sprintf("%s, week of %s: %s, %s h", s.Name, shortDay(w.Monday), plural(w.Jobs, "job", "jobs"), hoursOf(w.Hours))
			if w.DownHours > 0 {
				says += ", the line down for " + hoursOf(w.DownHours) + " h"
			}
			if w.Of[0].Jobs > 0 {
				says += ", safety or legal work among it"
			}
			state := parts(s.ID, w.Monday)
			says += partsWords[state]
			if i == 0 {
				says += "; what is late is in it"
			}
			row.Cells = append(row.Cells, draw.RibbonCell{Hours: w.Hours, Says: says, Parts: state, Grave: w.Of[0].Jobs > 0})
		}
		across.Rows = append(across.Rows, row)
		row.Cells = row.Cells[:phoneWeeks]
		narrow.Rows = append(narrow.Rows, row)
	}
	if len(across.Weeks) > 0 {
		narrow.Weeks = across.Weeks[:phoneWeeks]
	}
	return across, narrow
}
