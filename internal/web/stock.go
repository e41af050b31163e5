package web

import (
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
	qty "spindlebook/internal/parts/amount"
	"spindlebook/internal/parts/stock"
	"spindlebook/internal/pm/visits"
)

// expiring is how many days ahead the list of what expires looks.
const expiring = 90

// stockViews are what can be shown of what lies where; "" is everything.
var stockViews = []string{"", "short", "expires", "withdrawn"}

// Overdue tells whether what was promised for a day should have come by now.
func (g stockList) Overdue(day string) bool { return day < g.Clock.Now.UTC().Format(time.DateOnly) }

type stockList struct {
	Places   []stockPlace
	Location string // its id, where only one is shown
	Only     *assets.Location
	Own      bool           // it is the van of whoever looks
	Drivers  []stock.Holder // of a van, the last few
	Clock    clock
	View     string
	Inside   bool // one of our own people: what is on order and elsewhere is theirs to see
	Move     bool
	Keep     bool
	More     string
	Later    bool
	Tabs     []nav
	All      []assets.Location
}

// stockPlace is what of a list lies at one place.
type stockPlace struct {
	ID         uuid.UUID
	Code, Kind string
	Rows       []stockRow
}

type stockRow struct {
	stock.Line
	Inside bool
}

// Path leads to the part at its place.
func (r stockRow) Path() string {
	return "/locations/" + r.LocationID.String() + "/parts/" + r.PartID.String()
}

// Serves tells whether what lies there can be taken for work: not what is in quarantine, on its
// way, given back or scrap.
func (r stockRow) Serves() bool { return slices.Contains(usable, r.LocationKind) }

// Amiss says how much nobody can explain.
func (r stockRow) Amiss() qty.Amount { return max(r.OnHand, -r.OnHand) }

// Of says what becomes of what is there and not free; of what nobody can explain, what it is.
func (r stockRow) Of() string {
	switch {
	case r.LocationKind == "unexplained" && r.OnHand < 0:
		return "more was used or seen than the record had"
	case r.LocationKind == "unexplained":
		return "the record had it, and nobody has seen it"
	}
	if !r.Serves() {
		return "not for use as it lies there"
	}
	if r.Free() == r.OnHand {
		return ""
	}
	all := []string{"of " + r.OnHand.String() + " there"}
	for _, p := range []struct {
		n    qty.Amount
		says string
	}{{r.SetAside, "set aside"}, {r.Claimed, "promised"}, {r.Expired, "expired"}} {
		if p.n > 0 {
			all = append(all, p.n.String()+" "+p.says)
		}
	}
	return strings.Join(all, ", ")
}

// placed groups lines, which come by place.
func placed(all []stock.Line, inside bool) (places []stockPlace) {
	for _, l := range all {
		if n := len(places); n == 0 || places[n-1].ID != l.LocationID {
			places = append(places, stockPlace{ID: l.LocationID, Code: l.Location, Kind: l.LocationKind})
		}
		at := &places[len(places)-1]
		at.Rows = append(at.Rows, stockRow{l, inside})
	}
	return places
}

// ownVan gives the van of a technician: the one that is theirs, or with which they last were
// on the road or go next.
func (p *pages) ownVan(v visit) (*uuid.UUID, error) {
	if !v.may(access.RecordWork) || v.may(access.Plan) || !v.who.Everywhere {
		return nil, nil
	}
	van, err := stock.VanOf(v.ctx, p.db, v.who, v.who.ID, v.now)
	if err != nil || van != nil {
		return van, err
	}
	today := calendar.DateOf(v.now)
	id := v.who.ID
	all, err := visits.List(v.ctx, p.db, v.who, visits.Filter{PersonID: &id, From: today - 14, Until: today + 14}, access.Page{Limit: 100})
	for _, t := range all {
		if t.VanID != nil && (van == nil || calendar.DateOf(t.OnDate) <= today) {
			van = t.VanID
		}
	}
	return van, err
}

// handSheet says who drives a van.
func (p *pages) handSheet(v visit) (*sheet, error) {
	if err := v.who.Must(access.KeepRegister); err != nil {
		return nil, err
	}
	id, err := idOf(v, "id", "location")
	if err != nil {
		return nil, err
	}
	at, err := assets.OneLocation(v.ctx, p.db, v.who, id)
	if err != nil {
		return nil, err
	}
	staff, err := visits.Staff(v.ctx, p.db, v.who)
	if err != nil {
		return nil, err
	}
	var people []option
	for _, one := range staff {
		people = append(people, option{one.PersonID.String(), one.Name})
	}
	here := "/stock?location=" + id.String()
	return &sheet{Title: "Who drives it?", Over: at.Code + " " + at.Name, Verb: "Hand it over", Cancel: here, Crumbs: []crumb{{"/stock", "Stock"}, {here, at.Code}}, at: time.UTC, about: at,
		Lead: "What lies in the van stays in it, whoever drives. Give it back the same way when the week is over.",
		Fields: []*field{
			{Name: "person_id", Label: "Driver", Kind: "choice", Options: people},
			{Name: "from", Label: "From", Kind: "moment", Optional: true, Hint: "Blank is now. Times are UTC."},
		}}, nil
}

func (p *pages) hand(v visit, s *sheet) (string, error) {
	at, person, from := s.about.(assets.Location), s.id("person_id"), s.moment("from")
	if len(s.Mend) > 0 {
		return "", nil
	}
	_, err := once(p, v, s, func(tx *gorm.DB) (stock.Holder, error) {
		return stock.HandVan(tx, v.who, v.now, at.ID, *person, from)
	})
	return "/stock?location=" + at.ID.String(), err
}

// lying shows what lies where: on hand, set aside, free, on order, expiring. A technician
// sees the own van first.
func (p *pages) lying(v visit) error {
	l := stockList{Later: v.c.Query("after") != "", Location: strings.TrimSpace(v.c.Query("location")), View: v.c.Query("show"), Inside: v.who.Everywhere, Move: v.may(access.MoveStock), Keep: v.may(access.KeepRegister), Tabs: stockTabs(v, "/stock")}
	if !slices.Contains(stockViews, l.View) {
		l.View = ""
	}
	_, chosen := v.c.GetQuery("location")
	if !chosen && l.View == "" {
		van, err := p.ownVan(v)
		if err != nil {
			return err
		}
		if van != nil {
			l.Location, l.Own = van.String(), true
		}
	}
	f := stock.LineFilter{Short: l.View == "short", Withdrawn: l.View == "withdrawn"}
	if l.View == "expires" {
		on := v.now.AddDate(0, 0, expiring).Format(time.DateOnly)
		f.Expires = &on
	}
	if l.Location != "" {
		id, err := uuid.Parse(l.Location)
		if err != nil {
			return fault.Missing("location", l.Location)
		}
		f.LocationID = &id
	}
	var err error
	if l.All, err = assets.Locations(v.ctx, p.db, v.who, assets.Page{Limit: mostOptions}); err != nil {
		return err
	}
	for i, one := range l.All {
		if f.LocationID != nil && one.ID == *f.LocationID {
			l.Only = &l.All[i]
		}
	}
	q := url.Values{"location": {l.Location}}
	all, err := stock.Lines(v.ctx, p.db, v.who, v.now, f, stock.Page{After: v.c.Query("after"), Limit: perPage + 1})
	if err != nil {
		return err
	}
	if len(all) > perPage {
		all = all[:perPage]
		q.Set("after", all[perPage-1].Key())
		if l.View != "" {
			q.Set("show", l.View)
		}
		l.More = "/stock?" + q.Encode()
	}
	if l.Inside && l.Only != nil && l.Only.Kind == "van" {
		if l.Drivers, err = stock.Holders(v.ctx, p.db, v.who, &l.Only.ID, stock.Page{Limit: 5}); err != nil {
			return err
		}
	}
	l.Clock = clock{v.now, time.UTC}
	l.Places = placed(all, l.Inside)
	title := "Stock by place"
	if l.Only != nil {
		title = "Stock in " + l.Only.Code
	}
	return p.ok(v, "stock", title, l)
}

// stockPart is a part at a place: what of it lies there, whose it is, what it is kept for,
// and how it came and went.
type stockPart struct {
	Row        stockRow
	At         assets.Location
	Claims     []stock.Claim // that name this place
	MoreClaims bool          // than are shown
	Open       []stock.Container
	Extended   []stock.Extension // of its lots
	Entries    []entryRow
	Move       bool
	Tracking   string
	Unsettled  bool // a place that nothing is moved from by hand
	Arrives    bool // it is on its way, and arrives
	Held       bool // a quarantine
	ContainsIn string
	Tabs       []nav
}

// entryRow is a movement in a list, in words.
type entryRow struct {
	stock.Entry
	Clock clock
}

// movedWords say what was done, for the kinds whose code does not.
var movedWords = map[string]string{"receive": "received", "move": "moved", "put_away": "put away", "pick": "picked", "load": "loaded", "transfer_out": "on its way", "transfer_in": "arrived", "issue": "used", "job_return": "back from a job",
	"supplier_return": "back to the supplier", "core_out": "core went out", "core_in": "core came in", "warranty_out": "out under warranty", "replacement_in": "came in replacement", "scrap": "scrapped", "expire": "expired",
	"quarantine": "into quarantine", "release": "released", "write_off": "written off", "consign_in": "came on consignment", "consign_out": "consigned, went out", "sale": "sold", "kit_build": "packed", "kit_break": "out of an opened bag",
	"prepare": "prepared", "count": "counted", "explain": "explained"}

// Words say what happened.
func (e entryRow) Words() string {
	if w, ok := movedWords[e.Kind]; ok {
		return w
	}
	return plainWord(e.Kind)
}

// Way says from where to where.
func (e entryRow) Way() string {
	from, to := e.From, e.To
	switch {
	case from == "" && to == "":
		return ""
	case from == "":
		return "to " + to
	case to == "":
		return "from " + from
	case from == to:
		return "in " + to
	}
	return "from " + from + " to " + to
}

func entryRows(all []stock.Entry, now time.Time) (rows []entryRow) {
	for _, e := range all {
		rows = append(rows, entryRow{e, clock{now, time.UTC}})
	}
	return rows
}

// lineAt reads a part at a place; of a part of which nothing lies there it says so.
func (p *pages) lineAt(v visit) (g stockPart, err error) {
	loc, err := idOf(v, "id", "location")
	if err != nil {
		return g, err
	}
	part, err := idOf(v, "part", "part")
	if err != nil {
		return g, err
	}
	if g.At, err = assets.OneLocation(v.ctx, p.db, v.who, loc); err != nil {
		return g, err
	}
	of, err := p.partOf(v, part)
	if err != nil {
		return g, err
	}
	found, err := stock.Lines(v.ctx, p.db, v.who, v.now, stock.LineFilter{LocationID: &loc, PartID: &part}, stock.Page{Limit: 1})
	if err != nil {
		return g, err
	}
	line := stock.Line{LocationID: loc, Location: g.At.Code, LocationKind: g.At.Kind, PartID: part, PartNumber: of.Number, PartDescription: of.Description, MeasuredIn: of.MeasuredIn}
	if len(found) == 1 {
		line = found[0]
	}
	g.Row, g.Tracking = stockRow{line, v.who.Everywhere}, of.Tracking
	g.Move = v.may(access.MoveStock)
	g.Unsettled, g.Arrives, g.Held = g.At.Kind == "unexplained" || g.At.Kind == "scrap", g.At.Kind == "in_transit", g.At.Kind == "quarantine"
	if of.Container != nil {
		g.ContainsIn = of.Container.String() + " " + of.MeasuredIn
	}
	return g, nil
}

func (p *pages) stockPart(v visit) error {
	g, err := p.lineAt(v)
	if err != nil {
		return err
	}
	g.Tabs = stockTabs(v, "/stock")
	if v.who.Everywhere {
		part := g.Row.PartID
		if g.Claims, err = stock.Claims(v.ctx, p.db, v.who, stock.ClaimFilter{PartID: &part, LocationID: &g.At.ID, Held: true}, stock.Page{Limit: perPage + 1}); err != nil {
			return err
		}
		if g.MoreClaims = len(g.Claims) > perPage; g.MoreClaims {
			g.Claims = g.Claims[:perPage]
		}
		if g.Open, err = stock.Containers(v.ctx, p.db, v.who, stock.LineFilter{LocationID: &g.At.ID, PartID: &part}, stock.Page{Limit: mostOptions}); err != nil {
			return err
		}
		lots := []uuid.UUID{}
		for _, x := range g.Row.Lots {
			if x.LotID != nil {
				lots = append(lots, *x.LotID)
			}
		}
		if g.Extended, err = stock.Extensions(v.ctx, p.db, v.who, lots); err != nil {
			return err
		}
	}
	entries, err := stock.Entries(v.ctx, p.db, v.who, stock.EntryFilter{PartID: &g.Row.PartID, LocationID: &g.At.ID}, stock.Page{Limit: 20})
	if err != nil {
		return err
	}
	g.Entries = entryRows(entries, v.now)
	return p.ok(v, "stockpart", g.Row.PartNumber+" in "+g.At.Code, g)
}

// ledgerPage is what was moved, the latest first.
type ledgerPage struct {
	Rows        []entryRow
	About, Back string
	More        string
	Tabs        []nav
}

func (p *pages) ledger(v visit) error {
	if err := v.who.Must(access.SeeInternal); err != nil {
		return err
	}
	g := ledgerPage{Tabs: stockTabs(v, "/stock"), Back: "/stock"}
	var f stock.EntryFilter
	more := url.Values{}
	for _, q := range []struct {
		name string
		into **uuid.UUID
	}{{"part", &f.PartID}, {"location", &f.LocationID}, {"unit", &f.UnitID}} {
		text := v.c.Query(q.name)
		if text == "" {
			continue
		}
		id, err := uuid.Parse(text)
		if err != nil {
			return fault.Missing(q.name, text)
		}
		*q.into = &id
		more.Set(q.name, text)
	}
	if f.PartID != nil {
		of, err := assets.OnePart(v.ctx, p.db, v.who, *f.PartID)
		if err != nil {
			return err
		}
		g.About, g.Back = of.Number+" "+of.Description, "/parts/"+of.ID.String()
	}
	if f.LocationID != nil {
		at, err := assets.OneLocation(v.ctx, p.db, v.who, *f.LocationID)
		if err != nil {
			return err
		}
		if g.About = strings.TrimSpace(g.About + " in " + at.Code); f.PartID == nil {
			g.About, g.Back = at.Code+" "+at.Name, "/stock?location="+at.ID.String()
		}
	}
	if after := v.c.Query("after"); after != "" {
		if _, err := uuid.Parse(after); err != nil {
			return fault.Missing("movement", after)
		}
	}
	all, err := stock.Entries(v.ctx, p.db, v.who, f, stock.Page{After: v.c.Query("after"), Limit: perPage + 1})
	if err != nil {
		return err
	}
	if len(all) > perPage {
		all = all[:perPage]
		more.Set("after", all[perPage-1].ID.String())
		g.More = "/stock/ledger?" + more.Encode()
	}
	g.Rows = entryRows(all, v.now)
	return p.ok(v, "ledger", "What was moved", g)
}
