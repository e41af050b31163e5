package web

import (
	"encoding/csv"
	"html/template"
	"math"
	"net/http"
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
	"spindlebook/internal/web/draw"
)

// runWords say how a run of a counter began.
var runWords = map[string]string{
	"first": "since it is on record", "rolled_over": "rolled over", "replaced": "counter replaced", "reset": "set back to zero", "controller_reset": "controller reset",
	"unit_changed": "shows another unit", "unreliable": "not to be relied on",
}

var sourceWords = map[string]string{
	"eye": "seen", "photo": "read off a photo", "controller": "by the controller", "gateway": "by a gateway", "estimate": "estimated", "computed": "computed",
}

// meterPage is everything about one meter.
type meterPage struct {
	counterRow
	Title       string
	Site        assets.Site
	Thing       *assets.Named
	ThingPath   string
	Shows       string // on its face now, with the unit
	RollsAt     string
	Across      template.HTML // the plot on a desk
	Narrow      template.HTML // and on a phone
	Behind      string        // what it has counted lately, in a sentence
	Stone       string        // a round total that lies ahead
	Ahead       string        // when it is due, as the end of a sentence
	Fan         []fanRow
	Outside     int // readings that wait and would not fit on the drawing
	Events      []eventRow
	Runs        []runRow
	Readings    []readingRow
	More        string
	Later       bool
	Places      []meters.Placement
	Formulas    []formulaRow
	Breaks      []meters.Break
	Waiting     int
	Reads       bool
	MayExplain  bool
	Keep, Admin bool
	Record      bool
}

// fanRow is where the total will stand.
type fanRow struct{ On, Low, Likely, High string }

// eventRow is something that happened to the counter, numbered as on the plot.
type eventRow struct {
	N      int
	At     time.Time
	Says   string
	Reason string
	By     string
}

type runRow struct {
	meters.Run
	Says              string
	Start, Ended, Was string
}

type readingRow struct {
	meters.Reading
	Shown   string
	Total   string
	Grew    string
	Says    string // what was said of it, or why it waits
	Entered bool   // long after it was seen
	By      string
}

// Waits tells whether somebody has to say what is behind it.
func (r readingRow) Waits() bool { return r.State == "doubtful" || r.State == "quarantined" }

// Gone tells whether it stands no more.
func (r readingRow) Gone() bool { return r.State == "voided" || r.State == "superseded" }

type formulaRow struct {
	meters.Formula
	Says string
}

// meterFor reads the meter in the path and its site.
func (p *pages) meterFor(v visit) (meters.Meter, assets.Site, []crumb, error) {
	id, err := idOf(v, "id", "meter")
	if err != nil {
		return meters.Meter{}, assets.Site{}, nil, err
	}
	m, err := meters.One(v.ctx, p.db, v.who, id)
	if err != nil {
		return m, assets.Site{}, nil, err
	}
	s, err := assets.OneSite(v.ctx, p.db, v.who, m.SiteID)
	return m, s, []crumb{{"/sites/" + s.ID.String() + "/counters", "Counters of " + s.Name}, {"/meters/" + m.ID.String(), m.Code}}, err
}

// mustFor is meterFor for a form that needs a right.
func (p *pages) mustFor(v visit, need access.Capability) (meters.Meter, assets.Site, []crumb, error) {
	m, s, crumbs, err := p.meterFor(v)
	if err == nil {
		err = v.who.Must(need)
	}
	return m, s, crumbs, err
}

// plotted is how far back the plot goes.
const plottedYears = 2

func (p *pages) meter(v visit) error {
	m, site, _, err := p.meterFor(v)
	if err != nil {
		return err
	}
	c := clock{v.now, site.Location()}
	cal, err := outlook.Of(v.ctx, p.db, v.who, v.now, site.ID)
	if err != nil {
		return err
	}
	views, err := outlook.Ahead(v.ctx, p.db, v.who, v.now, cal, m.ID)
	if err != nil {
		return err
	}
	view := views[m.ID]
	if view == nil { // it has just gone out of sight
		return fault.Missing("meter", m.ID.String())
	}
	g := meterPage{counterRow: rowOf(m, view, c), Title: nameOf(m), Site: site, Reads: v.may(access.ReadCounters) && m.Kind != "computed", MayExplain: v.may(access.ExplainReadings),
		Keep: v.may(access.KeepRegister), Admin: v.may(access.Administer), Breaks: view.Breaks, Record: v.may(access.RecordWork), Later: v.c.Query("after") != ""}
	if m.LastValue != nil && m.Shows != nil {
		g.Shows = grouped(meters.FormatIn(*m.LastValue, *m.Shows)) + " " + *m.Shows
	}
	if m.Modulus != nil && m.Shows != nil {
		g.RollsAt = grouped(meters.FormatIn(*m.Modulus, *m.Shows)) + " " + *m.Shows
	}
	if err := g.runs(p, v); err != nil {
		return err
	}
	if err := g.listed(p, v); err != nil {
		return err
	}
	if err := g.where(p, v); err != nil {
		return err
	}
	if err := g.plot(p, v, view); err != nil {
		return err
	}
	return p.ok(v, "meter", m.Code+" "+g.Title, g)
}

// runs sets out what happened to the counter.
func (g *meterPage) runs(p *pages, v visit) error {
	all, err := meters.Runs(v.ctx, p.db, v.who, g.ID)
	for i, r := range all {
		row := runRow{Run: r, Says: runWords[r.How], Start: grouped(meters.FormatIn(r.StartValue, r.Shows)) + " " + r.Shows, Ended: amount(g.Unit, r.Base)}
		if r.PreviousLast != nil && i > 0 {
			row.Was = grouped(meters.FormatIn(*r.PreviousLast, all[i-1].Shows)) + " " + all[i-1].Shows
		}
		g.Runs = append(g.Runs, row)
		if i == 0 || r.From == nil {
			continue
		}
		says := row.Says
		switch r.How {
		case "rolled_over":
			says += " at " + row.Was
		case "unreliable":
		default:
			if row.Was != "" {
				says += ": " + row.Was + " was the last of the old run, " + row.Start + " the first of the new one"
			} else {
				says += ": it went on from " + row.Start
			}
		}
		g.Events = append(g.Events, eventRow{N: i, At: *r.From, Says: sentenceCase(says), Reason: r.Reason, By: r.RecordedBy})
	}
	return err
}

// lateEntry is after how long a page says when a reading was entered.
const lateEntry = 15 * 24 * time.Hour

// listed reads a page of readings.
func (g *meterPage) listed(p *pages, v visit) error {
	all, err := meters.Readings(v.ctx, p.db, v.who, g.ID, access.Page{After: v.c.Query("after"), Limit: perPage + 1})
	if err != nil {
		return err
	}
	for i, r := range all[:min(len(all), perPage)] {
		row := readingRow{Reading: r, Shown: shownValue(r.Typed), Entered: r.ReceivedAt.Sub(r.At) > lateEntry, By: sourceWords[r.Source]}
		if r.Total != nil {
			row.Total = tenths(r.Unit, *r.Total)
			for _, before := range all[i+1:] {
				if before.Total != nil {
					row.Grew = "+" + tenths(r.Unit, *r.Total-*before.Total)
					break
				}
			}
		}
		switch {
		case row.Waits():
			row.Says = doubtWords[val(r.Doubt)]
		case r.Act != nil && *r.Act != "voided":
			row.Says = explanationWords[*r.Act]
		}
		g.Readings = append(g.Readings, row)
	}
	if len(all) > perPage {
		g.More = "/meters/" + g.ID.String() + "?after=" + all[perPage-1].Key() + "#readings"
	}
	return nil
}

// where says what the meter belongs to and how it is computed.
func (g *meterPage) where(p *pages, v visit) error {
	var ids []uuid.UUID
	for _, id := range []*uuid.UUID{g.LineID, g.PositionID} {
		if id != nil {
			ids = append(ids, *id)
		}
	}
	var err error
	if g.Places, err = meters.Placements(v.ctx, p.db, v.who, g.ID); err != nil {
		return err
	}
	var formulas []meters.Formula
	if g.Kind == "computed" {
		if formulas, err = meters.Formulas(v.ctx, p.db, v.who, g.ID); err != nil {
			return err
		}
	}
	code := map[uuid.UUID]string{}
	if len(formulas) > 0 {
		all, err := meters.List(v.ctx, p.db, v.who, meters.Filter{SiteID: &g.Site.ID}, access.Page{Limit: mostMeters})
		if err != nil {
			return err
		}
		for _, m := range all {
			code[m.ID] = m.Code
		}
	}
	for _, f := range slices.Backward(formulas) {
		g.Formulas = append(g.Formulas, formulaRow{f, formulaSays(g.Unit, f, code)})
	}
	names, err := assets.Names(v.ctx, p.db, v.who, ids)
	for i := range names {
		g.Thing = &names[i]
		g.ThingPath = "/sites/" + g.SiteID.String() + "#line-" + names[i].ID.String()
		if names[i].Kind == "position" {
			g.ThingPath = "/positions/" + names[i].ID.String()
			g.Title, g.Of = names[i].Name, names[i].Name
		}
	}
	return err
}

// formulaSays writes a formula in words.
func formulaSays(u meters.Unit, f meters.Formula, code map[uuid.UUID]string) string {
	var terms []string
	for _, t := range f.Terms {
		name := code[t.MeterID]
		if t.Weight != 1 {
			name = strconv.FormatFloat(t.Weight, 'f', -1, 64) + " × " + name
		}
		terms = append(terms, name)
	}
	says := strings.Join(terms, " + ")
	ratio := strconv.FormatFloat(f.Ratio, 'f', -1, 64)
	switch {
	case u == meters.Hours:
		says += ", " + strconv.FormatFloat(math.Round(f.Ratio*100)/100, 'f', -1, 64) + " seconds for each"
	case f.Ratio != 1:
		says += ", times " + ratio
	}
	if f.LearntFrom != nil {
		says += ", learnt from " + code[*f.LearntFrom]
		if f.LearntN != nil {
			says += " over " + plural(*f.LearntN, "stretch", "stretches")
		}
	}
	return says
}

// mostDots is how many readings are drawn: more are one line anyway.
const mostDots = 160

// plot draws what was read and what is to be expected, and says it in words.
func (g *meterPage) plot(p *pages, v visit, view *outlook.View) error {
	points := view.Points
	if g.Kind != "computed" {
		all, err := meters.Histories(v.ctx, p.db, v.who, []uuid.UUID{g.ID}, v.now.AddDate(-plottedYears, 0, 0))
		if err != nil {
			return err
		}
		if h := all[g.ID]; h != nil {
			points = h.Points
		}
	}
	waiting, err := meters.Doubts(v.ctx, p.db, v.who, &g.SiteID, access.Page{Limit: mostMeters})
	if err != nil {
		return err
	}
	count := draw.Count{Title: g.Code + ": what it counted in all, and what is to be expected", Unit: unitWord(g.Unit), Now: v.now, Zone: g.Clock.At}
	if g.Unit == meters.Hours {
		count.Unit = "hours"
	}
	for i, pt := range points {
		if step := len(points)/mostDots + 1; i%step == 0 || i == len(points)-1 {
			count.Seen = append(count.Seen, draw.Seen{At: pt.At, Total: outlook.InUnits(g.Unit, pt.Total)})
		}
	}
	g.words(v, view, points)
	count.Ahead = g.fan(v, view)
	g.open(&count, waiting)
	for _, e := range g.Events {
		count.Turns = append(count.Turns, draw.Event{At: e.At, Say: e.Says})
	}
	count.ID = "desk"
	g.Across = template.HTML(draw.Counter(count, 880))
	count.ID = "phone"
	g.Narrow = template.HTML(draw.Counter(count, 350))
	return nil
}

// words says what was counted lately, and when a round total is due.
func (g *meterPage) words(v visit, view *outlook.View, points []meters.Point) {
	if len(points) > 1 {
		last := points[len(points)-1]
		from := slices.IndexFunc(points, func(p meters.Point) bool { return last.At.Sub(p.At) <= 366*24*time.Hour })
		if days := last.At.Sub(points[from].At).Hours() / 24; days >= 1 {
			n := last.Total - points[from].Total
			g.Behind = "From " + g.Clock.Day(points[from].At) + " to " + g.Clock.Day(last.At) + " it counted " + amount(g.Unit, n) + ", " +
				perDay(outlook.InUnits(g.Unit, n)/days) + map[bool]string{true: " h"}[g.Unit == meters.Hours] + " a day."
		}
	}
	if !view.Known() {
		return
	}
	if stone := view.Milestone(); stone > 0 {
		g.Stone = amount(g.Unit, outlook.Amount(g.Unit, stone))
		if g.Unit == meters.Hours {
			g.Stone = grouped(strconv.FormatFloat(stone, 'f', -1, 64)) + " h"
		}
		g.Ahead = view.Sentence(view.Forecast(stone-outlook.InUnits(g.Unit, view.Last().Total)), v.now)
		return
	}
	g.Ahead = view.Sentence(view.Forecast(1), v.now)
}

// perDay rounds to what is worth saying.
func perDay(f float64) string {
	places := 0
	if f < 100 {
		places = 1
	}
	return grouped(strconv.FormatFloat(f, 'f', places, 64))
}

// fan is what is to be expected until a little after the round total is due.
func (g *meterPage) fan(v visit, view *outlook.View) []draw.Reach {
	if _, ok := view.Expect(v.now); !ok {
		return nil
	}
	until := v.now.AddDate(0, 0, 90)
	if f := view.Forecast(view.Milestone() - outlook.InUnits(g.Unit, view.Last().Total)); !f.Likely.IsZero() && f.Likely.After(until) {
		until = f.Likely.AddDate(0, 0, 14)
	}
	if most := v.now.AddDate(0, 0, 270); until.After(most) {
		until = most
	}
	var all []draw.Reach
	for _, b := range view.Fan(until, 28) {
		all = append(all, draw.Reach{At: b.At, Low: b.Low, Likely: b.Likely, High: b.High})
	}
	say := func(f float64) string { return grouped(strconv.FormatFloat(math.Round(f), 'f', 0, 64)) }
	for _, days := range usageDays {
		if b, ok := view.Expect(v.now.AddDate(0, 0, days)); ok {
			g.Fan = append(g.Fan, fanRow{g.Clock.Day(b.At), say(b.Low), say(b.Likely), say(b.High)})
		}
	}
	return all
}

// usageDays are how many days ahead the table beside the plot says what to expect.
var usageDays = []int{0, 7, 14, 30, 60, 90}

// open draws the readings that wait where the run they fall into would put them,
// if that is on the drawing.
func (g *meterPage) open(count *draw.Count, waiting []meters.Reading) {
	if len(count.Seen) == 0 {
		return
	}
	low, high := count.Seen[0].Total, count.Seen[len(count.Seen)-1].Total
	if n := len(count.Ahead); n > 0 {
		high = max(high, count.Ahead[n-1].High)
	}
	for _, r := range waiting {
		if r.MeterID != g.ID {
			continue
		}
		g.Waiting++
		run := g.Runs[0]
		for _, one := range g.Runs {
			if one.From != nil && !one.From.After(r.At) {
				run = one
			}
		}
		total := outlook.InUnits(g.Unit, run.Base+r.Value-run.StartValue)
		if total < low || total > high || r.At.Before(count.Seen[0].At) || r.At.After(count.Now) {
			g.Outside++
			continue
		}
		count.Seen = append(count.Seen, draw.Seen{At: r.At, Total: total, Open: true})
	}
	slices.SortStableFunc(count.Seen, func(a, b draw.Seen) int { return a.At.Compare(b.At) })
}

// readingsCSV sends every reading of a meter, the latest first.
func (p *pages) readingsCSV(v visit) error {
	m, _, _, err := p.meterFor(v)
	if err != nil {
		return err
	}
	var page access.Page
	page.Limit = 1000
	first, err := meters.Readings(v.ctx, p.db, v.who, m.ID, page)
	if err != nil {
		return err
	}
	v.c.Header("Content-Type", "text/csv; charset=utf-8")
	v.c.Header("Content-Disposition", `attachment; filename="`+strings.ReplaceAll(m.Code, "/", "-")+`-readings.csv"`)
	v.c.Status(http.StatusOK)
	w := csv.NewWriter(v.c.Writer)
	rows := [][]string{{"seen_at", "shows", "unit", "total_" + unitWord(m.Unit), "state", "doubt", "how", "entered_at", "entered_by", "said", "reason"}}
	for all := first; len(all) > 0; {
		for _, r := range all {
			value, unit, _ := strings.Cut(r.Typed, " ")
			total := ""
			if r.Total != nil {
				total = r.Unit.Format(*r.Total)
			}
			rows = append(rows, []string{r.At.UTC().Format(time.RFC3339), value, unit, total, r.State, val(r.Doubt), r.Source, r.ReceivedAt.UTC().Format(time.RFC3339),
				plainCell(r.RecordedBy), val(r.Act), plainCell(val(r.Reason))})
		}
		if err := w.WriteAll(rows); err != nil { // the reader is gone
			return nil
		}
		rows = rows[:0]
		if len(all) < page.Limit {
			break
		}
		page.After = all[len(all)-1].Key()
		if all, err = meters.Readings(v.ctx, p.db, v.who, m.ID, page); err != nil {
			return nil // what was sent cannot be taken back
		}
	}
	return nil
}

// plainCell keeps a spreadsheet from computing a text.
func plainCell(s string) string {
	if s != "" && strings.ContainsRune("=+-@'", rune(s[0])) {
		return "'" + s
	}
	return s
}

// meterFields are what of a meter is asked.
func meterFields(site assets.Site) []*field {
	var kinds []option
	for _, k := range meters.Kinds {
		kinds = append(kinds, option{k, sentenceCase(meterKinds[k])})
	}
	return []*field{
		{Name: "code", Label: "Code", Most: 32, Hint: "Capital letters, digits, hyphens and strokes, such as " + site.Code + "-1/TC. It names the counter in lists and sheets."},
		{Name: "kind", Label: "Kind", Kind: "choice", Options: kinds},
		{Name: "counts", Label: "What it counts", Optional: true, Hint: "Such as: vehicles at the tyre switch, or contactor K14."},
		{Name: "most_per_hour", Label: "Most that it can count in an hour", Short: "The most", Kind: "number", Optional: true,
			Hint: "Of vehicles or cycles. Where nothing is said a counter of vehicles takes what its line is rated for."},
		{Name: "shows", Label: "It shows", Kind: "choice", Optional: true, Head: "The counter that is in it now", Options: []option{{"", "hours, vehicles or cycles"}, {"min", "minutes"}, {"s", "seconds"}}},
		{Name: "digits", Label: "Wheels before the point", Short: "The number", Kind: "number", Optional: true, Hint: "Five wheels roll over at 100,000."},
		{Name: "decimals", Label: "Wheels after the point", Short: "The number", Kind: "number", Optional: true, Hint: "Often one, in red: tenths of an hour."},
		{Name: "modulus", Label: "It rolls over at", Short: "The value", Kind: "number", Optional: true, Hint: "Where it is no round number: a register of 16 bits at 65536."},
		{Name: "serial", Label: "Serial", Optional: true},
	}
}

func (s *sheet) meterEdit() meters.Edit {
	e := meters.Edit{Code: s.get("code"), Kind: s.get("kind"), Counts: s.get("counts"), MostPerHour: s.whole("most_per_hour"),
		Counter: meters.Counter{Shows: s.get("shows"), Digits: s.whole("digits"), Modulus: s.get("modulus")}}
	if f := s.field("serial"); f != nil {
		e.Serial = f.Value
	}
	if n := s.whole("decimals"); n != nil {
		e.Decimals = *n
	}
	return e
}

// thingOptions lists what a meter of a site can belong to.
func (p *pages) thingOptions(v visit, site assets.Site) ([]option, error) {
	lines, err := assets.Lines(v.ctx, p.db, v.who, &site.ID, access.Page{Limit: 100})
	if err != nil {
		return nil, err
	}
	positions, err := p.standing(v, site.ID)
	var all []option
	for _, l := range lines {
		all = append(all, option{"line " + l.ID.String(), strings.TrimSpace("Line " + l.Code + " " + l.Name)})
	}
	for _, q := range positions {
		all = append(all, option{"position " + q.ID.String(), q.Code + " " + q.Name})
	}
	return all, err
}

// thing reads what a meter belongs to.
func (s *sheet) thing() meters.Thing {
	kind, text, _ := strings.Cut(s.get("thing"), " ")
	id, err := uuid.Parse(text)
	if err != nil {
		s.wrong("thing", "is not among the choices")
		return meters.Thing{}
	}
	t := meters.Thing{Primary: s.checked("primary")}
	if kind == "line" {
		t.LineID = &id
	} else {
		t.PositionID = &id
	}
	return t
}

func (p *pages) newMeterSheet(v visit) (*sheet, error) {
	site, crumbs, err := p.siteFor(v, access.KeepRegister)
	if err != nil {
		return nil, err
	}
	things, err := p.thingOptions(v, site)
	if err != nil {
		return nil, err
	}
	at := crumbs[1].Path + "/counters"
	fields := meterFields(site)
	fields = slices.Insert(fields, 3, []*field{
		{Name: "unit", Label: "It counts", Short: "The unit", Kind: "radio", Options: []option{{"hours", "run hours"}, {"vehicles", "vehicles"}, {"cycles", "cycles"}}},
		{Name: "thing", Label: "It belongs to", Short: "What it belongs to", Kind: "choice", Options: things},
		{Name: "primary", Label: "It leads where several count the same there", Kind: "check", Optional: true},
		{Name: "from", Label: "There since", Short: "The time", Kind: "moment", Optional: true, Hint: "Now where nothing is said."}}...)
	s := &sheet{Title: "Add a counter", Over: site.Code + " " + site.Name, Verb: "Add the counter", Cancel: at, Crumbs: append(crumbs, crumb{at, "Counters"}),
		at: site.Location(), about: site, Fields: fields}
	s.fill(map[string]string{"code": site.Code + "-", "primary": "yes"})
	if q := v.c.Query("position"); q != "" {
		s.fill(map[string]string{"thing": "position " + q})
	}
	return s, nil
}

func (p *pages) addMeter(v visit, s *sheet) (string, error) {
	site := s.about.(assets.Site)
	in := meters.NewMeter{SiteID: site.ID, From: s.moment("from"), Edit: s.meterEdit(), Unit: meters.Unit(s.get("unit")), Thing: s.thing()}
	if len(s.Mend) > 0 {
		return "", nil
	}
	made, err := once(p, v, s, func(tx *gorm.DB) (meters.Meter, error) { return meters.Add(tx, v.who, v.now, in) })
	return "/meters/" + made.ID.String(), err
}

func meterValues(m meters.Meter) map[string]string {
	values := map[string]string{"code": m.Code, "kind": m.Kind, "counts": m.Counts, "most_per_hour": number(m.MostPerHour), "digits": number(m.Digits), "decimals": number(m.Decimals),
		"shows": "", "modulus": ""}
	if shows := val(m.Shows); shows == "min" || shows == "s" {
		values["shows"] = shows
	}
	if m.Modulus != nil && m.Shows != nil {
		values["modulus"] = meters.FormatIn(*m.Modulus, *m.Shows)
	}
	return values
}

func number(n *int) string {
	if n == nil {
		return ""
	}
	return strconv.Itoa(*n)
}

func (p *pages) meterSheet(v visit) (*sheet, error) {
	m, site, crumbs, err := p.mustFor(v, access.KeepRegister)
	if err != nil {
		return nil, err
	}
	s := &sheet{Title: "Edit the counter", Over: m.Code + " " + nameOf(m), Verb: "Keep these details", Cancel: crumbs[1].Path, Crumbs: crumbs, Version: m.Version, about: m,
		Fields: slices.DeleteFunc(meterFields(site), func(f *field) bool { return f.Name == "serial" }),
		Lead:   "What is said of the counter holds for the one that is in it now. Where another was put in, say so as an exchange instead."}
	s.fill(meterValues(m))
	return s, nil
}

func (p *pages) editMeter(v visit, s *sheet) (string, error) {
	m := s.about.(meters.Meter)
	e := s.meterEdit()
	if len(s.Mend) > 0 {
		return "", nil
	}
	_, err := once(p, v, s, func(tx *gorm.DB) (meters.Meter, error) { return meters.Change(tx, v.who, v.now, m.ID, s.Version, e) })
	if fault.KindOf(err) == fault.Stale {
		s.compare(meterValues(m), m.Version)
	}
	return "/meters/" + m.ID.String(), err
}

// placeSheet says that an output was reassigned.
func (p *pages) placeSheet(v visit) (*sheet, error) {
	m, site, crumbs, err := p.mustFor(v, access.KeepRegister)
	if err != nil {
		return nil, err
	}
	things, err := p.thingOptions(v, site)
	return &sheet{Title: "It counts something else now", Over: m.Code + " " + nameOf(m), Verb: "Record it", Cancel: crumbs[1].Path, Crumbs: crumbs, at: site.Location(), about: m,
		Lead: "What it counted before stays with what it belonged to then.",
		Fields: []*field{
			{Name: "thing", Label: "It belongs to", Short: "What it belongs to", Kind: "choice", Options: things},
			{Name: "primary", Label: "It leads where several count the same there", Kind: "check", Optional: true},
			{Name: "from", Label: "Since", Short: "The time", Kind: "moment"},
		}}, err
}

func (p *pages) placeMeter(v visit, s *sheet) (string, error) {
	m := s.about.(meters.Meter)
	to, from := s.thing(), s.moment("from")
	if len(s.Mend) > 0 {
		return "", nil
	}
	_, err := once(p, v, s, func(tx *gorm.DB) ([]meters.Placement, error) { return meters.Place(tx, v.who, v.now, m.ID, *from, to) })
	return "/meters/" + m.ID.String() + "#belongs", err
}

// formulaSheet says how a computed meter is computed from an instant on.
func (p *pages) formulaSheet(v visit) (*sheet, error) {
	m, site, crumbs, err := p.mustFor(v, access.KeepRegister)
	if err != nil {
		return nil, err
	}
	all, err := meters.List(v.ctx, p.db, v.who, meters.Filter{SiteID: &site.ID}, access.Page{Limit: mostMeters})
	if err != nil {
		return nil, err
	}
	var sources, hours []option
	hours = append(hours, option{"", "Not learnt: the ratio above holds"})
	for _, one := range all {
		if one.Kind == "computed" {
			continue
		}
		o := option{one.ID.String(), one.Code + " " + nameOf(one)}
		if one.Unit == meters.Hours {
			hours = append(hours, o)
		} else {
			sources = append(sources, o)
		}
	}
	return &sheet{Title: "Say how it is computed", Over: m.Code + " " + nameOf(m), Verb: "Record the formula", Cancel: crumbs[1].Path, Crumbs: crumbs, at: site.Location(), about: m,
		Lead: "Totals before it stay as they were.",
		Fields: []*field{
			{Name: "terms", Label: "The sum of", Short: "The sum", Kind: "checks", Options: sources},
			{Name: "ratio", Label: "Times", Short: "The ratio", Kind: "number", Optional: true, Hint: "For run hours: seconds for each vehicle. 1 where vehicles of several lines are added up."},
			{Name: "learn_from", Label: "Or learn the seconds for each from", Short: "The counter", Kind: "choice", Optional: true, Options: hours, Hint: "From the 60 days before, in which both were read."},
			{Name: "from", Label: "From", Short: "The time", Kind: "moment"},
		}}, nil
}

func (p *pages) setFormula(v visit, s *sheet) (string, error) {
	m := s.about.(meters.Meter)
	in := meters.NewFormula{LearnFrom: s.id("learn_from")}
	for _, one := range strings.Fields(s.get("terms")) {
		in.Terms = append(in.Terms, meters.Term{MeterID: uuid.MustParse(one), Weight: 1}) // among the choices
	}
	if r := s.number("ratio"); r != nil {
		in.Ratio = *r
	}
	if from := s.moment("from"); from != nil {
		in.From = *from
	}
	if len(s.Mend) > 0 {
		return "", nil
	}
	_, err := once(p, v, s, func(tx *gorm.DB) ([]meters.Formula, error) { return meters.Derive(tx, v.who, v.now, m.ID, in) })
	return "/meters/" + m.ID.String() + "#formula", err
}

// regimeSheet says that the past tells little of what comes: at the whole site,
// or for one counter, as when its output was reassigned.
func (p *pages) regimeSheet(v visit) (*sheet, error) {
	site, crumbs, err := p.siteFor(v, access.RecordWork)
	if err != nil {
		return nil, err
	}
	all, err := meters.List(v.ctx, p.db, v.who, meters.Filter{SiteID: &site.ID}, access.Page{Limit: mostMeters})
	if err != nil {
		return nil, err
	}
	of := []option{{"", "every counter of the site"}}
	for _, m := range all {
		of = append(of, option{m.ID.String(), m.Code + " " + nameOf(m)})
	}
	at := crumbs[1].Path + "/counters"
	s := &sheet{Title: "The past says little any more", Over: site.Code + " " + site.Name, Verb: "Record it", Cancel: at, Crumbs: append(crumbs, crumb{at, "Counters"}), at: site.Location(), about: site,
		Lead: "From then on forecasts rest only on what was read since.",
		Fields: []*field{
			{Name: "meter_id", Label: "For", Short: "The counter", Kind: "choice", Optional: true, Options: of},
			{Name: "at", Label: "Since", Short: "The time", Kind: "moment", Hint: "Local time (" + clock{v.now, site.Location()}.Zone() + ")."},
			{Name: "reason", Label: "What changed", Short: "The reason", Most: 200, Hint: "In a few words that go on after “since the”: new program, second yard, rebuilt line."},
		}}
	if id := v.c.Query("meter"); id != "" {
		s.fill(map[string]string{"meter_id": id})
	}
	return s, nil
}

func (p *pages) addRegime(v visit, s *sheet) (string, error) {
	site := s.about.(assets.Site)
	at, meter := s.moment("at"), s.id("meter_id")
	if len(s.Mend) > 0 {
		return "", nil
	}
	if at.After(v.now) {
		s.wrong("at", "must not lie ahead: it is recorded when it is there")
		return "", nil
	}
	_, err := once(p, v, s, func(tx *gorm.DB) (meters.Break, error) {
		return meters.ChangeRegime(tx, v.who, v.now, site.ID, meter, *at, s.get("reason"))
	})
	return "/sites/" + site.ID.String() + "/counters#regimes", err
}

// withdrawRegimeSheet takes a change back that was none.
func (p *pages) withdrawRegimeSheet(v visit) (*sheet, error) {
	site, crumbs, err := p.siteFor(v, access.RecordWork)
	if err != nil {
		return nil, err
	}
	id, err := idOf(v, "regime", "regime change")
	if err != nil {
		return nil, err
	}
	all, err := meters.RegimeChanges(v.ctx, p.db, v.who, site.ID)
	if err != nil {
		return nil, err
	}
	i := slices.IndexFunc(all, func(b meters.Break) bool { return b.ID == id })
	if i < 0 {
		return nil, fault.Missing("regime change", id.String())
	}
	of := "every counter of the site"
	if all[i].MeterID != nil {
		m, err := meters.One(v.ctx, p.db, v.who, *all[i].MeterID)
		if err != nil {
			return nil, err
		}
		of = m.Code
	}
	at := crumbs[1].Path + "/counters"
	c := clock{v.now, site.Location()}
	return &sheet{Title: "The past tells of what comes after all", Over: site.Code + " " + site.Name, Verb: "Withdraw it", Grave: true, Cancel: at + "#regimes",
		Crumbs: append(crumbs, crumb{at, "Counters"}), about: all[i],
		Lead: c.Moment(all[i].At) + ", " + of + ": " + all[i].Reason + ". Forecasts then rest again on what was read before it. It stays on record as withdrawn."}, nil
}

func (p *pages) withdrawRegime(v visit, s *sheet) (string, error) {
	site, err := idOf(v, "id", "site")
	if err != nil {
		return "", err
	}
	b := s.about.(meters.Break)
	_, err = once(p, v, s, func(tx *gorm.DB) (bool, error) {
		return true, meters.WithdrawRegimeChange(tx, v.who, v.now, site, b.ID)
	})
	return "/sites/" + site.String() + "/counters#regimes", err
}

// shareSheet says which share of the vehicles a brush washes.
func (p *pages) shareSheet(v visit) (*sheet, error) {
	q, site, crumbs, err := p.positionFor(v, access.RecordWork)
	if err != nil {
		return nil, err
	}
	return &sheet{Title: "Say how many vehicles use it", Over: q.Code + " " + q.Name, Verb: "Record the share", Cancel: crumbs[1].Path, Crumbs: crumbs, at: site.Location(), about: q,
		Lead: "Where the brush has no counter of vehicles of its own, its use goes by this share of those of its line.",
		Fields: []*field{
			{Name: "share", Label: "Of each hundred vehicles it washes", Short: "The share", Kind: "number", Hint: "Such as 82; 100 is all of them."},
			{Name: "from", Label: "Since", Short: "The time", Kind: "moment"},
			{Name: "reason", Label: "Reason", Optional: true, Hint: "Such as: roof racks go without."},
		}}, nil
}

func (p *pages) setShare(v visit, s *sheet) (string, error) {
	q := s.about.(assets.Position)
	share, from := s.number("share"), s.moment("from")
	if share != nil && (*share < 0 || *share > 100) {
		s.wrong("share", "lies between 0 and 100")
	}
	if len(s.Mend) > 0 {
		return "", nil
	}
	_, err := once(p, v, s, func(tx *gorm.DB) ([]meters.Share, error) {
		return meters.SetShare(tx, v.who, v.now, q.ID, *share/100, *from, s.get("reason"))
	})
	return "/positions/" + q.ID.String() + "#counters", err
}
