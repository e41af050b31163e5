package web

import (
	"net/url"
	"strings"

	"github.com/google/uuid"

	"spindlebook/internal/assets"
	"spindlebook/internal/fault"
	"spindlebook/internal/parts/stock"
)

type stockList struct {
	Lines    []stock.Line
	Location string // its id, where only one is shown
	Inside   bool   // one of our own people: what is on order and elsewhere is theirs to see
	More     string
	Later    bool
	Tabs     []nav
	Places   []assets.Location
}

// lying shows what lies where: on hand, set aside, free, on order, expiring.
func (p *pages) lying(v visit) error {
	l := stockList{Later: v.c.Query("after") != "", Location: strings.TrimSpace(v.c.Query("location")), Inside: v.who.Everywhere, Tabs: stockTabs(v, "/stock")}
	var f stock.LineFilter
	if l.Location != "" {
		id, err := uuid.Parse(l.Location)
		if err != nil {
			return fault.Missing("location", l.Location)
		}
		f.LocationID = &id
	}
	var err error
	if l.Places, err = assets.Locations(v.ctx, p.db, v.who, assets.Page{Limit: 200}); err != nil {
		return err
	}
	if l.Lines, err = stock.Lines(v.ctx, p.db, v.who, v.now, f, stock.Page{After: v.c.Query("after"), Limit: perPage + 1}); err != nil {
		return err
	}
	if len(l.Lines) > perPage {
		l.Lines = l.Lines[:perPage]
		l.More = "/stock?location=" + url.QueryEscape(l.Location) + "&after=" + url.QueryEscape(l.Lines[perPage-1].Key())
	}
	return p.ok(v, "stock", "Stock by place", l)
}
