package web

import (
	"io"
	"strings"

	"github.com/google/uuid"

	"spindlebook/internal/access"
	"spindlebook/internal/exchange"
)

// listsPage takes lists about stock in, and gives them out.
type listsPage struct {
	*sheet
	Tabs  []nav
	Kinds []option
	lookedAt
	Done *exchange.GoodsDone
}

// Total counts what the list would add and change.
func (g listsPage) Total() int { return g.Done.Added + g.Done.Changed }

var listWords = map[string]string{"catalogue": "how parts are counted and kept", "stock": "how much lies where", "orders": "what is ordered of whom"}

func lists(v visit, s *sheet) listsPage {
	return listsPage{sheet: s, Tabs: stockTabs(v, "/stock"), Kinds: optionsIn(listWords, exchange.GoodsKinds()...)}
}

func (p *pages) listsSheet(v visit) (*sheet, error) {
	if err := v.who.Must(access.MoveStock); err != nil {
		return nil, err
	}
	var kinds []option
	for _, k := range exchange.GoodsKinds() {
		if k != "catalogue" || v.may(access.KeepCatalogue) {
			kinds = append(kinds, option{k, listWords[k]})
		}
	}
	return &sheet{Title: "Lists in and out", Verb: "Look at the list", look: "lists", Fields: []*field{
		{Name: "kind", Label: "What the list holds", Short: "The kind", Kind: "radio", Options: kinds},
		{Name: "file", Label: "Spreadsheet", Short: "The file", Kind: "table", Hint: "CSV, or an XLSX workbook, of which the first sheet with the heads of an export is read. Begin with a list from below. At most " + sizeWords(exchange.MaxFile) + "."},
		{Name: "dates", Label: "Dates such as 3/5/2027 are", Short: "The order", Kind: "choice", Optional: true,
			Options: []option{{"", "as the list itself shows"}, {exchange.DayFirst, "day first: 3 May"}, {exchange.MonthFirst, "month first: 5 March"}}},
	}}, nil
}

// tryList finds out what a list would do, and does nothing.
func (p *pages) tryList(v visit, s *sheet) (string, error) {
	g := lists(v, s)
	status, err := p.tried(v, s, &g.lookedAt, func(*exchange.Upload) (exchange.Options, error) {
		return exchange.Options{Kind: s.get("kind"), Dates: s.get("dates")}, nil
	}, p.bringList(v, &g))
	if err != nil {
		return "", err
	}
	s.Key = uuid.NewString()
	return "", p.show(v, status, "lists", s.Title, g)
}

func (p *pages) bringList(v visit, g *listsPage) bring {
	return func(up *exchange.Upload, o exchange.Options) error {
		done, err := exchange.ImportGoods(v.ctx, p.db, v.who, v.now, up, o)
		if err == nil {
			g.Done = &done
		}
		return err
	}
}

// acceptList does what was looked at.
func (p *pages) acceptList(v visit) error {
	s, err := p.listsSheet(v)
	if err != nil {
		return err
	}
	g := lists(v, s)
	status, err := p.accepted(v, s, &g.lookedAt, p.bringList(v, &g))
	if err != nil {
		return err
	}
	return p.show(v, status, "lists", s.Title, g)
}

// listOut sends a list about stock, or all of them as a workbook.
func (p *pages) listOut(v visit) error {
	if err := v.who.Must(access.SeeInternal); err != nil {
		return err
	}
	kind := strings.TrimSuffix(v.c.Param("kind"), ".csv")
	if kind == "" {
		return send(v, "stock.xlsx", func(w io.Writer) error { return exchange.ExportGoods(v.ctx, p.db, v.who, w) })
	}
	return send(v, kind+".csv", func(w io.Writer) error { return exchange.ExportGoodsCSV(v.ctx, p.db, v.who, kind, w) })
}
