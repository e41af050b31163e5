package web

import (
	"fmt"
	"net/url"
	"slices"
	"strings"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/calendar"
	"spindlebook/internal/fault"
	qty "spindlebook/internal/parts/amount"
	"spindlebook/internal/parts/stock"
	"spindlebook/internal/pm/visits"
)

type vanPage struct {
	visits.VanCheck
	Rows    []tripRow
	VanID   *uuid.UUID
	VanCode string
	Key     string
	Order   string
	Long    bool // the day is too long for one person
	Groups  []vanGroup
	Load    string // where it is loaded; "" where nothing is to be
	Person  visits.Member
}

// vanGroup is lines that ask the same of whoever loads the van.
type vanGroup struct {
	Name, Says string
	Lines      []visits.CheckLine
	More       []visits.More // to take as well
}

// grouped sorts what the day takes by what is to be done about it.
func (g *vanPage) grouped() {
	groups := []vanGroup{
		{Name: "To fetch", Says: "The day takes this for certain, and it is not in the van."},
		{Name: "Worth taking as well", More: g.More},
		{Name: "In the van already", Says: "The day takes this for certain. See that it is there."},
		{Name: "Perhaps", Says: "Only if something is found."},
		{Name: "Tools and protective gear"},
	}
	for _, l := range g.Lines {
		at := 2
		switch {
		case l.Kind != "part":
			at = 4
		case len(l.Fetch) > 0 || l.Short > 0 || len(l.Work) > 0:
			at = 0
		case l.Always == 0:
			at = 3
		}
		if l.InVan >= l.Always+l.Perhaps {
			l.Else = nil // where there is more is of no use to anybody
		}
		groups[at].Lines = append(groups[at].Lines, l)
	}
	for _, n := range groups {
		if len(n.Lines)+len(n.More) > 0 {
			g.Groups = append(g.Groups, n)
		}
	}
}

// Day is the day in words.
func (g vanPage) Day() string { return g.On.UTC().Format("Monday 2 January") }

// Percent writes a chance without more decimals than it deserves.
func (g vanPage) Percent(x float64) string { return fmt.Sprintf("%.0f %%", x) }

// vanCheck answers: what is needed across the day, what is in the van, what to fetch.
func (p *pages) vanCheck(v visit) error {
	g, err := p.van(v)
	if err != nil {
		return err
	}
	for i, t := range g.Visits {
		row := p.tripRow(v, t)
		row.Ready = &g.Ready[i]
		g.Rows = append(g.Rows, row)
	}
	order, err := visits.OrderOf(v.ctx, p.db, v.who, v.now, g.Visits)
	if err != nil {
		return err
	}
	g.Order, g.Long, g.Key = order.Says, order.Long, uuid.NewString()
	if fetch, more := g.loads(); g.VanID != nil && v.may(access.MoveStock) && len(fetch)+len(more) > 0 {
		g.Load = "/van/load?" + g.query()
	}
	g.grouped()
	return p.ok(v, "van", "Van check", g)
}

// van checks the van of whoever is asked for, on the day that is asked for: tomorrow, where
// none is.
func (p *pages) van(v visit) (g vanPage, err error) {
	if err := v.who.Must(access.RecordWork); err != nil {
		return g, err
	}
	if g.Person, _, err = p.member(v); err != nil {
		return g, err
	}
	today, err := p.dayOf(v, g.Person.PersonID)
	if err != nil {
		return g, err
	}
	if g.VanCheck, err = visits.CheckVan(v.ctx, p.db, v.who, v.now, g.Person.PersonID, onDay(v, today+1)); err != nil {
		return g, err
	}
	for _, t := range g.Visits {
		if t.VanID != nil {
			g.VanID, g.VanCode = t.VanID, t.VanCode
		}
	}
	return g, nil
}

// query asks for the same page.
func (g vanPage) query() string {
	return url.Values{"on": {g.On.String()}, "person": {g.Person.PersonID.String()}}.Encode()
}

// cargo is some of a part that lies elsewhere and is to go into the van.
type cargo struct {
	visits.Source
	line *visits.CheckLine
	then float64 // percent, with it and what comes before it; 0 of what is taken for certain
}

// loads lists what can be loaded now: what the day takes for certain, and what is worth
// taking as well.
func (g vanPage) loads() (fetch, more []cargo) {
	near := func(s visits.Source) bool {
		return s.LocationID != nil && (s.Place == "warehouse" || s.Place == "another van")
	}
	for i := range g.Lines {
		l := &g.Lines[i]
		for _, s := range l.Fetch {
			if near(s) {
				fetch = append(fetch, cargo{Source: s, line: l})
			}
		}
	}
	for _, m := range g.More {
		for i := range g.Lines {
			l := &g.Lines[i]
			if l.Number != m.Number {
				continue
			}
			// not what is fetched for certain already
			for _, s := range l.Else {
				if s.Where == m.Where && near(s) && !slices.ContainsFunc(l.Fetch, func(f visits.Source) bool { return f.UnitID != nil && s.UnitID != nil && *f.UnitID == *s.UnitID }) {
					s.Amount = min(s.Amount, m.Amount)
					more = append(more, cargo{s, l, m.Percent})
					break
				}
			}
		}
	}
	return fetch, more
}

// name is that of the field which asks for it: all that the act must know, since by then it
// may lie elsewhere.
func (c cargo) name() string {
	unit := uuid.Nil
	if c.UnitID != nil {
		unit = *c.UnitID
	}
	return fmt.Sprintf("n_%s_%s_%s_%s", c.PartID, *c.LocationID, unit, c.line.Number)
}

// loadSheet asks what of it is in the van now.
func (p *pages) loadSheet(v visit) (*sheet, error) {
	if err := v.who.Must(access.MoveStock); err != nil {
		return nil, err
	}
	g, err := p.van(v)
	if err != nil {
		return nil, err
	}
	back := "/van?" + g.query()
	s := &sheet{Title: "Load van " + g.VanCode, Over: g.Person.Name + ", " + g.Day(), Verb: "It is in the van now", Cancel: back, Crumbs: []crumb{{"/today", "Today"}, {back, "Van check"}}, about: g,
		Lead: "The record has it in the van from then on. Change or clear what you do not take."}
	fetch, more := g.loads()
	ask := func(c cargo, value string) *field {
		f := &field{Name: c.name(), Label: strings.TrimSpace(c.line.Number + " " + c.line.Says), Short: c.line.Number, Kind: "number", Optional: true, Value: value,
			Hint: c.Amount.String() + " " + c.line.Unit + " from " + c.Where + "."}
		if c.UnitID != nil {
			f.Kind, f.Hint = "check", c.Item+", from "+c.Where+"."
			if value != "" {
				f.Value = "yes"
			}
		}
		s.Fields = append(s.Fields, f)
		return f
	}
	for _, c := range fetch {
		ask(c, c.Amount.String())
	}
	head := "Worth taking as well"
	for _, c := range more {
		then := " Then " + g.Percent(c.then) + "."
		if f := s.field(c.name()); f != nil {
			f.Hint += " Worth taking as well: " + c.Amount.String() + " more." + then
			continue
		}
		f := ask(c, "")
		f.Head, head = head, ""
		f.Hint += then
	}
	sent, err := posted(v)
	if err != nil {
		return nil, err
	}
	for name := range sent { // what has gone from the list since
		if part := strings.Split(name, "_"); len(part) == 5 && part[0] == "n" && s.field(name) == nil {
			f := &field{Name: name, Label: part[4], Short: part[4], Kind: "number", Optional: true}
			if part[3] != uuid.Nil.String() {
				f.Kind = "check"
			}
			s.Fields = append(s.Fields, f)
		}
	}
	switch {
	case g.VanID == nil:
		s.Title, s.Lead, s.Fields = "Load the van", "No van is named for these visits, so nothing can be loaded for them.", nil
	case len(s.Fields) == 0:
		s.Lead = "Nothing is to be loaded: what the day takes is in the van, or nowhere near."
	}
	return s, nil
}

// load moves it into the van, and lets the visits hold it there.
func (p *pages) load(v visit, s *sheet) (string, error) {
	g := s.about.(vanPage)
	var in []stock.Moving
	var of []string
	for _, f := range s.Fields {
		part := strings.Split(f.Name, "_")
		m := stock.Moving{Kind: "load", To: g.VanID}
		ids := [3]uuid.UUID{}
		for i := range ids {
			id, err := uuid.Parse(part[1+i])
			if err != nil {
				return "", fault.Missing("field", f.Name)
			}
			ids[i] = id
		}
		m.PartID, m.From = ids[0], &ids[1]
		switch {
		case f.Kind != "check":
			m.Amount = s.amount(f.Name)
		case s.checked(f.Name):
			m.Amount, m.UnitID = qty.One, &ids[2]
		}
		if m.Amount != 0 {
			in, of = append(in, m), append(of, f.Name)
		}
	}
	if len(in) == 0 && len(s.Mend) == 0 {
		s.wrong("", "nothing is to be loaded")
	}
	if len(s.Mend) > 0 {
		return "", nil
	}
	aside, err := stock.Claims(v.ctx, p.db, v.who, stock.ClaimFilter{State: new("set_aside"), Until: new(g.On.String())}, stock.Page{Limit: 1000})
	if err != nil {
		return "", err
	}
	in, of = g.released(in, of, aside)
	if _, err := once(p, v, s, func(tx *gorm.DB) ([]stock.Movement, error) { return stock.Move(tx, v.who, v.now, in) }); err != nil {
		return "", eachField(err, of)
	}
	var ids []uuid.UUID
	for _, t := range g.Visits {
		ids = append(ids, t.ID)
	}
	p.door.Note(v.ctx, "hold what a visit takes", visits.Settle(v.ctx, p.db, v.now, ids...))
	return "/van?" + g.query(), nil
}

// released moves what was set aside for these visits as such, and the rest as what is free.
func (g vanPage) released(in []stock.Moving, of []string, aside []stock.Claim) (all []stock.Moving, names []string) {
	for i, m := range in {
		for _, c := range aside {
			ours := c.VisitID != nil && slices.ContainsFunc(g.Visits, func(t visits.Visit) bool { return t.ID == *c.VisitID })
			same := c.PartID == m.PartID && c.LocationID != nil && *c.LocationID == *m.From && (m.UnitID == nil) == (c.UnitID == nil) && (m.UnitID == nil || *m.UnitID == *c.UnitID)
			if ours && same && c.Amount <= m.Amount {
				part := m
				part.Amount, part.ClaimID, part.Lot = c.Amount, &c.ID, c.Lot
				all, names = append(all, part), append(names, of[i])
				m.Amount -= c.Amount
			}
		}
		if m.Amount != 0 {
			all, names = append(all, m), append(names, of[i])
		}
	}
	return all, names
}

// tick keeps what is ticked off on the page: all of it, as it is sent.
func (p *pages) tick(v visit) error {
	if err := v.c.Request.ParseForm(); err != nil {
		return &fault.Error{Kind: fault.Malformed, Msg: "the form cannot be read", Err: err}
	}
	sent := v.c.Request.PostForm
	van, badVan := uuid.Parse(sent.Get("van"))
	key, badKey := uuid.Parse(sent.Get("key"))
	on, badDay := calendar.ParseDate(sent.Get("on"), "on")
	if badVan != nil || badKey != nil || badDay != nil {
		return &fault.Error{Kind: fault.Malformed, Msg: "the form came without its van, day or key; open the page anew and send it from there"}
	}
	var all []visits.Tick
	for _, item := range sent["line"] {
		is := slices.Contains(sent["ticked"], item)
		if is != slices.Contains(sent["was"], item) {
			all = append(all, visits.Tick{ID: uuid.NewSHA1(key, []byte(item)), Item: item, Ticked: is, At: v.now})
		}
	}
	if len(all) > 0 {
		err := p.db.InTx(v.ctx, v.who.ID, func(tx *gorm.DB) error {
			_, err := visits.TickOff(tx, v.who, v.now, van, on, all)
			return err
		})
		if err != nil {
			return err
		}
	}
	return goTo(v, "/van?"+url.Values{"on": {on.String()}, "person": {sent.Get("person")}}.Encode())
}
