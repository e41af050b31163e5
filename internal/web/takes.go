package web

import (
	"fmt"
	"html/template"
	"net/url"
	"slices"
	"strings"

	"github.com/google/uuid"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/money"
	"spindlebook/internal/parts"
	"spindlebook/internal/parts/fit"
	"spindlebook/internal/parts/stock"
	"spindlebook/internal/web/draw"
)

// takesPage reads out what a piece of work takes at a position.
type takesPage struct {
	assets.Position
	Works   []nav
	Methods []nav
	Needs   *parts.Needs
	Groups  []takesGroup
	Record  bool
}

type takesGroup struct {
	Name  string
	Said  string
	Lines []takesLine
}

type takesLine struct {
	parts.Taken
	Amount string
	Chance string
	Work   []fit.Work // before it fits
}

var needNames = []takesGroup{
	{Name: "Always", Said: "These go along whatever is found."},
	{Name: "If found", Said: "Needed only where something turns out worn or broken; the chance stands beside it."},
	{Name: "Consumed", Said: "From an open container that is in date and holds enough."},
	{Name: "Tools"},
	{Name: "Protective gear"},
}

func (p *pages) takes(v visit) error {
	q, _, err := p.positionOf(v)
	if err != nil {
		return err
	}
	works, err := parts.Works(v.ctx, p.db, v.who)
	if err != nil {
		return err
	}
	g := takesPage{Position: q, Record: v.may(access.RecordWork)}
	at := "/positions/" + q.ID.String() + "/takes?job="
	job, method := v.c.Query("job"), v.c.Query("method")
	for _, w := range works {
		g.Works = append(g.Works, nav{Path: at + url.QueryEscape(w.Code), Name: w.Code + " " + w.Title, Here: w.Code == job})
		if w.Code != job {
			continue
		}
		all, err := parts.Resolve(v.ctx, p.db, v.who, v.now, []parts.Ask{{PositionID: q.ID, VersionID: w.VersionID, Method: method}})
		if err != nil {
			return err
		}
		g.Needs, g.Groups = &all[0], takesGroups(all[0])
		for _, m := range w.Methods {
			g.Methods = append(g.Methods, nav{Path: at + url.QueryEscape(job) + "&method=" + url.QueryEscape(m.Code), Name: m.Title, Here: m.Code == all[0].Method})
		}
	}
	return p.ok(v, "takes", "What work takes at "+q.Code, g)
}

func takesGroups(n parts.Needs) []takesGroup {
	groups := slices.Clone(needNames)
	for _, t := range n.Lines {
		i := slices.Index([]string{"always", "if_found", "consumable", "tool", "protective"}, t.Need)
		l := takesLine{Taken: t, Amount: strings.TrimSpace(t.Amount.String() + " " + t.MeasuredIn)}
		if t.Number == "" && t.Amount.String() == "1" {
			l.Amount = ""
		}
		if t.Chance != nil {
			l.Chance = fmt.Sprintf("%.0f in 100", *t.Chance*100)
		}
		if t.Fit != nil {
			l.Work = t.Fit.Work
		}
		groups[i].Lines = append(groups[i].Lines, l)
	}
	return slices.DeleteFunc(groups, func(g takesGroup) bool { return len(g.Lines) == 0 })
}

// partMore is what the page of a part says beyond its facts.
type partMore struct {
	Stocking     parts.Stocking
	Lineage      parts.Lineage
	Interchanges []interchangeRow
	Recipe       *parts.Recipe
	Uses         parts.Uses
	Sources      []parts.Source
	Cost         string
	Core         string
	Lies         []stockRow
	Kept         []stock.Claim
	MoreKept     bool
	Coming       []stock.Order
	Move         bool
}

// Tracked gives the words for how the part is tracked.
func (m partMore) Tracked() string {
	return map[string]string{"unit": "each by its own tag", "lot": "by lot", "lot_expiry": "by lot with a last day", "kit": "in numbered bags", "bulk": "roughly, by the bin", "none": "by number"}[m.Stocking.Tracking]
}

type interchangeRow struct {
	Words string
	ID    uuid.UUID // the other part
	Other string
	parts.Interchange
}

var interchangeWords = map[string]string{"either": "Goes for it, both ways", "conversion": "Goes for it by a conversion only", "never_mix": "Never on one brush with", "lookalike": "Looks like it and does not fit in its place"}

func (p *pages) partMore(v visit, id uuid.UUID) (m partMore, err error) {
	if m.Stocking, err = parts.StockingOf(v.ctx, p.db, v.who, id); err != nil {
		return m, err
	}
	if m.Lineage, err = parts.LineageOf(v.ctx, p.db, v.who, id); err != nil {
		return m, err
	}
	all, err := parts.InterchangesOf(v.ctx, p.db, v.who, id)
	if err != nil {
		return m, err
	}
	for _, i := range all {
		r := interchangeRow{Words: interchangeWords[i.Kind], ID: i.OtherID, Other: i.Other, Interchange: i}
		if i.OtherID == id {
			r.ID, r.Other = i.PartID, i.Number
		}
		if i.Kind == "instead" {
			r.Words = "May be used instead"
			if i.OtherID == id {
				r.Words = "May be used instead of"
			}
		}
		m.Interchanges = append(m.Interchanges, r)
	}
	recipes, err := parts.RecipesOf(v.ctx, p.db, v.who, id)
	if err != nil {
		return m, err
	}
	if len(recipes) > 0 {
		m.Recipe = &recipes[0]
	}
	if m.Uses, err = parts.UsesOf(v.ctx, p.db, v.who, id); err != nil {
		return m, err
	}
	if v.may(access.SeeInternal) {
		if m.Sources, err = parts.SourcesOf(v.ctx, p.db, v.who, id); err != nil {
			return m, err
		}
	}
	lines, err := stock.Lines(v.ctx, p.db, v.who, v.now, stock.LineFilter{PartID: &id}, stock.Page{Limit: 200})
	if err != nil {
		return m, err
	}
	for _, l := range lines {
		m.Lies = append(m.Lies, stockRow{l, v.who.Everywhere})
	}
	if m.Move = v.may(access.MoveStock); v.may(access.SeeInternal) {
		if m.Kept, err = stock.Claims(v.ctx, p.db, v.who, stock.ClaimFilter{PartID: &id, Held: true}, stock.Page{Limit: perPage + 1}); err != nil {
			return m, err
		}
		if m.MoreKept = len(m.Kept) > perPage; m.MoreKept {
			m.Kept = m.Kept[:perPage]
		}
		if m.Coming, err = stock.Orders(v.ctx, p.db, v.who, v.now, stock.OrderFilter{PartID: &id, Open: true}, stock.Page{Limit: perPage}); err != nil {
			return m, err
		}
	}
	if v.may(access.SeeCost) {
		costs, err := parts.CostsOf(v.ctx, p.db, v.who, id)
		if err != nil {
			return m, err
		}
		if len(costs) > 0 && costs[0].Until == nil {
			m.Cost = money.Money(costs[0].PriceMinor, costs[0].Currency)
			if costs[0].CoreMinor > 0 {
				m.Core = money.Money(costs[0].CoreMinor, costs[0].Currency)
			}
		}
	}
	return m, nil
}

// labelsPage is a sheet of labels to print.
type labelsPage struct {
	Title  string
	Back   crumb
	Labels []label
}

type label struct {
	Code string
	Name string
	Of   string // the site or the part
	QR   template.HTML
}

func newLabel(i int, code, name, of string) label {
	return label{code, name, of, template.HTML(draw.Code(code, "QR code of "+code, fmt.Sprintf("qr%d", i), 96))}
}

// mostLabels bounds one sheet.
const mostLabels = 400

// siteLabels prints the labels of the positions of a site.
func (p *pages) siteLabels(v visit) error {
	id, err := idOf(v, "id", "site")
	if err != nil {
		return err
	}
	s, err := assets.OneSite(v.ctx, p.db, v.who, id)
	if err != nil {
		return err
	}
	all, err := assets.Positions(v.ctx, p.db, v.who, assets.PositionFilter{SiteID: &id}, assets.Page{Limit: mostLabels})
	if err != nil {
		return err
	}
	g := labelsPage{Title: "Labels of " + s.Name, Back: crumb{"/sites/" + id.String(), s.Name}}
	for i, q := range all {
		if q.State == nil || *q.State != "retired" {
			g.Labels = append(g.Labels, newLabel(i, q.Code, q.Name, s.Name))
		}
	}
	return p.ok(v, "labels", g.Title, g)
}

// partLabels prints the labels of a part and of its units.
func (p *pages) partLabels(v visit) error {
	id, err := idOf(v, "id", "part")
	if err != nil {
		return err
	}
	t, err := assets.OnePart(v.ctx, p.db, v.who, id)
	if err != nil {
		return err
	}
	units, err := assets.Units(v.ctx, p.db, v.who, v.now, assets.UnitFilter{PartID: &id}, assets.Page{Limit: mostLabels})
	if err != nil {
		return err
	}
	g := labelsPage{Title: "Labels of " + t.Number, Back: crumb{"/parts/" + id.String(), t.Number}, Labels: []label{newLabel(0, t.Number, t.Description, "part")}}
	for i, u := range units {
		name := t.Description
		if u.Serial != nil {
			name = "serial " + *u.Serial
		}
		g.Labels = append(g.Labels, newLabel(i+1, u.Tag, name, t.Number))
	}
	return p.ok(v, "labels", g.Title, g)
}
