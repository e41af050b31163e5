package web

import (
	"cmp"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/assets/meters"
	"spindlebook/internal/assets/meters/outlook"
	"spindlebook/internal/fault"
)

// mostMeters is how many meters of one site its page shows; a large one has some sixty.
const mostMeters = 1000

// meterKinds are the kinds of meters in words.
var meterKinds = map[string]string{
	"entrance_counter": "entrance counter", "wash_counter": "wash counter", "point_of_sale": "point of sale", "package_counter": "package counter",
	"hour_meter": "hour meter", "run_timer": "run timer of the controller", "drive_hours": "hour total of the drive", "pump_hours": "hours of a pump or compressor",
	"cycle_counter": "cycle counter", "computed": "computed, not read",
}

// doubtWords say what does not fit, where there is no room to say by how much.
var doubtWords = map[string]string{
	"falls": "less than before", "too_fast": "more than can have been", "above_next": "more than was read later", "below_next": "too little for what was read later",
	"ratio": "out of step with the vehicles", "time": "seen at a time that cannot be", "unreliable": "from a counter that is not to be relied on",
}

// grouped sets the thousands of a number apart.
func grouped(text string) string {
	whole, rest, point := strings.Cut(text, ".")
	for i := len(whole) - 3; i > 0 && whole[i-1] != '-'; i -= 3 {
		whole = whole[:i] + "," + whole[i:]
	}
	if point {
		return whole + "." + rest
	}
	return whole
}

func unitWord(u meters.Unit) string {
	if u == meters.Hours {
		return "h"
	}
	return string(u)
}

// amount writes what was counted, with its unit: "12,345.6 h".
func amount(u meters.Unit, n int64) string { return tenths(u, n) + " " + unitWord(u) }

// tenths writes what was counted, hours with a tenth: what is worked out has no
// end in decimals.
func tenths(u meters.Unit, n int64) string {
	if u == meters.Hours {
		n = n / 360 * 360
	}
	return grouped(u.Format(n))
}

var many = regexp.MustCompile(`\d{5,}(?:\.\d+)?|\b\d{4}(?:\.\d+)? (?:h|min|s|vehicles|cycles)\b`)

// thousands sets the thousands of the counts within a sentence apart; years stay.
func thousands(text string) string {
	return many.ReplaceAllStringFunc(text, func(s string) string {
		n, unit, _ := strings.Cut(s, " ")
		return strings.TrimSpace(grouped(n) + " " + unit)
	})
}

// counterRow is a meter in a list.
type counterRow struct {
	meters.Meter
	Clock clock
	Name  string // what it counts
	Of    string // the position to which it belongs, by its name; "" for a line's
	Total string // what it has counted in all; "" where it was never read
	Grade string // how that is known, where nobody read it
	Read  *time.Time
	Pace  string
	Next  *time.Time
	Late  bool
	Marks []string
}

// nameOf says what a meter counts.
func nameOf(m meters.Meter) string {
	if m.Counts != "" {
		return sentenceCase(m.Counts)
	}
	return sentenceCase(meterKinds[m.Kind])
}

// rowOf sets a meter out with what is expected of it.
func rowOf(m meters.Meter, view *outlook.View, c clock) counterRow {
	row := counterRow{Meter: m, Clock: c, Name: nameOf(m)}
	if view == nil || !view.Known() {
		return row
	}
	last := view.Last()
	row.Total, row.Read, row.Pace = amount(m.Unit, last.Total), &last.At, view.Pace(c.Now)
	if last.Grade != meters.Seen {
		row.Grade = last.Grade.String()
	}
	if m.Kind != "computed" && m.Until == nil {
		next := view.Next()
		row.Next, row.Late = &next, next.Before(c.Now)
	}
	return row
}

// counterRows looks ahead from meters of sites whose calendars are known.
func (p *pages) counterRows(v visit, cal *outlook.Calendars, c clock, all []meters.Meter) ([]counterRow, error) {
	ids := make([]uuid.UUID, len(all))
	for i, m := range all {
		ids[i] = m.ID
	}
	views, err := outlook.Ahead(v.ctx, p.db, v.who, v.now, cal, ids...)
	if err != nil {
		return nil, err
	}
	rows := make([]counterRow, len(all))
	for i, m := range all {
		rows[i] = rowOf(m, views[m.ID], c)
	}
	return rows, nil
}

// counterGroup is the meters of a line, or of what the lines share.
type counterGroup struct {
	Title, Code, Path string
	Rows              []counterRow
}

type siteCounters struct {
	siteHead
	Groups   []counterGroup
	N        int
	Waiting  int // readings to explain
	Findings []meters.Finding
	Pairs    int
	Breaks   []meters.Break
	Read     bool
	Keep     bool
	Record   bool
}

// Code names a meter of the site.
func (g siteCounters) Code(id *uuid.UUID) string {
	for _, c := range g.Groups {
		for _, r := range c.Rows {
			if r.ID == *id {
				return r.Code
			}
		}
	}
	return "one counter"
}

// siteCounters shows every meter of a site, and what to look at.
func (p *pages) siteCounters(v visit) error {
	h, err := p.siteHead(v, "/counters")
	if err != nil {
		return err
	}
	g := siteCounters{siteHead: h, Read: v.may(access.ReadCounters), Keep: v.may(access.KeepRegister), Record: v.may(access.RecordWork)}
	cal, err := outlook.Of(v.ctx, p.db, v.who, v.now, h.Site.ID)
	if err != nil {
		return err
	}
	all, err := meters.List(v.ctx, p.db, v.who, meters.Filter{SiteID: &h.Site.ID}, access.Page{Limit: mostMeters})
	if err != nil {
		return err
	}
	rows, err := p.counterRows(v, cal, h.Clock, all)
	if err != nil {
		return err
	}
	if g.Findings, err = meters.Findings(v.ctx, p.db, v.who, v.now, cal.Scale, h.Site.ID); err != nil {
		return err
	}
	marks := map[uuid.UUID][]string{}
	for _, f := range g.Findings {
		word := map[string]string{"quiet": "quiet", "doubtful": "a reading waits", "stuck": "stands still", "gap": "apart from the one that leads"}[f.Kind]
		marks[f.MeterID] = append(marks[f.MeterID], word)
		if f.Kind == "doubtful" {
			g.Waiting++
		}
	}
	for i := range rows {
		rows[i].Marks = marks[rows[i].ID]
	}
	if g.Breaks, err = meters.RegimeChanges(v.ctx, p.db, v.who, h.Site.ID); err != nil {
		return err
	}
	g.N = len(all)
	g.Groups, err = p.grouped(v, h.Site, rows)
	if err != nil {
		return err
	}
	return p.ok(v, "counters", "Counters of "+h.Site.Name, g)
}

// grouped puts meters to their lines, in the order in which one walks past what
// they count.
func (p *pages) grouped(v visit, site assets.Site, rows []counterRow) ([]counterGroup, error) {
	lines, err := assets.Lines(v.ctx, p.db, v.who, &site.ID, access.Page{Limit: 100})
	if err != nil {
		return nil, err
	}
	positions, err := p.standing(v, site.ID)
	if err != nil {
		return nil, err
	}
	place, lineOf := map[uuid.UUID]int{}, map[uuid.UUID]uuid.UUID{}
	for i, q := range positions {
		place[q.ID] = i
		if q.LineID != nil {
			lineOf[q.ID] = *q.LineID
		}
	}
	of := func(r counterRow) (line uuid.UUID, at int) {
		switch {
		case r.LineID != nil:
			return *r.LineID, -1
		case r.PositionID != nil:
			return lineOf[*r.PositionID], place[*r.PositionID]
		}
		return uuid.Nil, len(positions)
	}
	slices.SortStableFunc(rows, func(a, b counterRow) int {
		_, i := of(a)
		_, j := of(b)
		first := func(r counterRow) int { return map[bool]int{true: 0, false: 1}[r.IsPrimary] }
		return cmp.Or(cmp.Compare(i, j), cmp.Compare(first(a), first(b)), strings.Compare(a.Code, b.Code))
	})
	for i := range rows {
		if at, ok := place[val(rows[i].PositionID)]; ok {
			rows[i].Of = positions[at].Name
		}
	}
	var groups []counterGroup
	for _, l := range lines {
		title := "Line"
		if l.Name != "" {
			title = l.Name
		}
		groups = append(groups, counterGroup{Title: title, Code: l.Code, Path: "/sites/" + site.ID.String() + "#line-" + l.ID.String()})
	}
	shared := counterGroup{Title: "Shared equipment"}
	for _, r := range rows {
		line, _ := of(r)
		i := slices.IndexFunc(lines, func(l assets.Line) bool { return l.ID == line })
		if i < 0 {
			shared.Rows = append(shared.Rows, r)
			continue
		}
		groups[i].Rows = append(groups[i].Rows, r)
	}
	return slices.DeleteFunc(append(groups, shared), func(c counterGroup) bool { return len(c.Rows) == 0 }), nil
}

type comparePage struct {
	siteHead
	Pairs []pairRow
}

type pairRow struct {
	meters.Gap
	Counted, OtherDid string
	Share             string
	Wide              bool
}

// wideGap is the gap that is a finding. Common practice, no source.
const wideGap = 0.05

// compare holds two counters of one thing against each other.
func (p *pages) compare(v visit) error {
	h, err := p.siteHead(v, "/counters")
	if err != nil {
		return err
	}
	cal, err := outlook.Of(v.ctx, p.db, v.who, v.now, h.Site.ID)
	if err != nil {
		return err
	}
	gaps, err := meters.Reconcile(v.ctx, p.db, v.who, cal.Scale, h.Site.ID)
	if err != nil {
		return err
	}
	g := comparePage{siteHead: h}
	for _, one := range gaps {
		s := one.Share()
		g.Pairs = append(g.Pairs, pairRow{Gap: one, Counted: amount(one.Unit, one.Counted), OtherDid: amount(one.Unit, one.OtherDid), Share: fmt.Sprintf("%+.1f %%", 100*s),
			Wide: s > wideGap || s < -wideGap})
	}
	return p.ok(v, "compare", "Two counters of one thing at "+h.Site.Name, g)
}

// counterTabs are the pages about all counters in sight.
func counterTabs(v visit, here string) []nav {
	tabs := []nav{{"/counters", "To explain", false}, {"/counters/quiet", "Quiet", false}}
	if v.may(access.SeeInternal) {
		tabs = append(tabs, nav{"/counters/held", "Forecasts held", false})
	}
	for i := range tabs {
		tabs[i].Here = tabs[i].Path == here
	}
	return tabs
}

// doubtRow is a reading that waits.
type doubtRow struct {
	meters.Reading
	Clock    clock
	Site     assets.Named
	Doubted  string
	Received string // how long ago it came
}

// Machine tells whether nobody looked at it.
func (d doubtRow) Machine() bool { return d.Source == "gateway" || d.Source == "controller" }

// Shown is the value as it was typed, with its thousands apart.
func (d doubtRow) Shown() string { return shownValue(d.Typed) }

func shownValue(typed string) string {
	value, unit, _ := strings.Cut(typed, " ")
	return grouped(value) + " " + unit
}

func (p *pages) doubtRows(v visit, all []meters.Reading) ([]doubtRow, error) {
	var ids []uuid.UUID
	for _, r := range all {
		if !slices.Contains(ids, r.SiteID) {
			ids = append(ids, r.SiteID)
		}
	}
	names, err := p.names(v, ids)
	var rows []doubtRow
	for _, r := range all {
		n := names[r.SiteID]
		rows = append(rows, doubtRow{Reading: r, Clock: clock{v.now, zone(n.Zone)}, Site: n, Doubted: doubtWords[val(r.Doubt)]})
	}
	return rows, err
}

type doubtList struct {
	Tabs    []nav
	Rows    []doubtRow
	Site    *assets.Named
	More    string
	Later   bool
	Explain bool
}

// siteWanted reads the site to which a list is narrowed; nil is all.
func (p *pages) siteWanted(v visit) (*uuid.UUID, *assets.Named, error) {
	text := v.c.Query("site")
	if text == "" {
		return nil, nil, nil
	}
	id, err := uuid.Parse(text)
	if err != nil {
		return nil, nil, fault.Missing("site", text)
	}
	names, err := p.names(v, []uuid.UUID{id})
	n, known := names[id]
	if err == nil && !known {
		err = fault.Missing("site", text)
	}
	return &id, &n, err
}

// doubts lists the readings that wait for somebody to say what is behind them.
func (p *pages) doubts(v visit) error {
	id, site, err := p.siteWanted(v)
	if err != nil {
		return err
	}
	all, err := meters.Doubts(v.ctx, p.db, v.who, id, access.Page{After: v.c.Query("after"), Limit: perPage + 1})
	if err != nil {
		return err
	}
	g := doubtList{Tabs: counterTabs(v, "/counters"), Site: site, Later: v.c.Query("after") != "", Explain: v.may(access.ExplainReadings)}
	if len(all) > perPage {
		all = all[:perPage]
		g.More = "/counters?after=" + all[perPage-1].ID.String()
		if id != nil {
			g.More += "&site=" + id.String()
		}
	}
	if g.Rows, err = p.doubtRows(v, all); err != nil {
		return err
	}
	return p.ok(v, "doubts", "Readings to explain", g)
}

type quietList struct {
	Tabs []nav
	Rows []quietRow
	More string
	Read bool
}

type quietRow struct {
	meters.Meter
	Clock clock
	Name  string
	Site  assets.Named
	Total string
}

func (p *pages) quietRows(v visit, all []meters.Meter) ([]quietRow, error) {
	var ids []uuid.UUID
	for _, m := range all {
		if !slices.Contains(ids, m.SiteID) {
			ids = append(ids, m.SiteID)
		}
	}
	names, err := p.names(v, ids)
	var rows []quietRow
	for _, m := range all {
		row := quietRow{Meter: m, Clock: clock{v.now, zone(names[m.SiteID].Zone)}, Name: nameOf(m), Site: names[m.SiteID]}
		if m.LastTotal != nil {
			row.Total = amount(m.Unit, *m.LastTotal)
		}
		rows = append(rows, row)
	}
	return rows, err
}

// quiet lists the meters that nobody has read for 45 days.
func (p *pages) quiet(v visit) error {
	all, err := meters.Quiet(v.ctx, p.db, v.who, v.now, nil, access.Page{After: v.c.Query("after"), Limit: perPage + 1})
	if err != nil {
		return err
	}
	g := quietList{Tabs: counterTabs(v, "/counters/quiet"), Read: v.may(access.ReadCounters)}
	if len(all) > perPage {
		all = all[:perPage]
		g.More = "/counters/quiet?after=" + all[perPage-1].Code
	}
	if g.Rows, err = p.quietRows(v, all); err != nil {
		return err
	}
	return p.ok(v, "quiet", "Quiet counters", g)
}

// mostTested is how many meters a page holds forecasts of against what came; the
// verb takes all.
const mostTested = 400

type heldPage struct {
	Tabs []nav
	outlook.Tested
	Rows []heldRow
}

type heldRow struct {
	outlook.Held
	Within, Off, Width string
}

// held shows how forecasts of the past held.
func (p *pages) held(v visit) error {
	if err := v.who.Must(access.SeeInternal); err != nil {
		return err
	}
	t, err := outlook.Backtest(v.ctx, p.db, v.who, v.now, mostTested)
	if err != nil {
		return err
	}
	g := heldPage{Tabs: counterTabs(v, "/counters/held"), Tested: t}
	for _, h := range t.Held {
		row := heldRow{Held: h}
		if h.Cases > 0 {
			row.Within, row.Off = fmt.Sprintf("%.0f %%", 100*h.Coverage), fmt.Sprintf("%.1f days", h.Error)
			row.Width = fmt.Sprintf("%.0f days", h.Width)
		}
		g.Rows = append(g.Rows, row)
	}
	return p.ok(v, "held", "How forecasts held", g)
}
