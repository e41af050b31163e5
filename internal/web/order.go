package web

import (
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/calendar"
	"spindlebook/internal/fault"
	"spindlebook/internal/money"
	qty "spindlebook/internal/parts/amount"
	"spindlebook/internal/parts/stock"
	"spindlebook/internal/pm/visits"
)

var orderStates = map[string]string{"draft": "draft", "sent": "sent", "closed": "closed", "cancelled": "cancelled"}

type orderList struct {
	Rows []stock.Order
	Open bool
	Make bool
	More string
	Tabs []nav
}

func (p *pages) orders(v visit) error {
	if err := v.who.Must(access.SeeInternal); err != nil {
		return err
	}
	g := orderList{Open: v.c.Query("all") == "", Make: v.may(access.MoveStock), Tabs: stockTabs(v, "/orders")}
	all, err := stock.Orders(v.ctx, p.db, v.who, v.now, stock.OrderFilter{Open: g.Open}, stock.Page{After: v.c.Query("after"), Limit: perPage + 1})
	if err != nil {
		return err
	}
	if len(all) > perPage {
		all = all[:perPage]
		g.More = "/orders?after=" + all[perPage-1].Number
		if !g.Open {
			g.More += "&all=yes"
		}
	}
	g.Rows = all
	return p.ok(v, "orders", "Orders", g)
}

type orderPage struct {
	stock.Order
	Clock clock
	Rows  []orderRow
	Said  string
	Total string // "" where the reader sees no cost
	May   bool
}

type orderRow struct {
	stock.OrderLine
	Price string
	Late  bool
}

// Packs says how many packs it is.
func (r orderRow) Packs() string {
	if r.Pack <= qty.One || r.Amount%r.Pack != 0 {
		return ""
	}
	return fmt.Sprintf("%d × %s of %s", int64(r.Amount/r.Pack), r.BoughtIn, r.Pack)
}

func (p *pages) orderOf(v visit) (stock.Order, error) {
	id, err := idOf(v, "id", "order")
	if err == nil {
		err = v.who.Must(access.SeeInternal)
	}
	if err != nil {
		return stock.Order{}, err
	}
	return stock.OneOrder(v.ctx, p.db, v.who, v.now, id)
}

func (p *pages) order(v visit) error {
	o, err := p.orderOf(v)
	if err != nil {
		return err
	}
	g := orderPage{Order: o, Clock: clock{v.now, time.UTC}, Said: orderStates[o.State], May: v.may(access.MoveStock)}
	var sum int64
	currencies := map[string]bool{}
	today := v.now.UTC().Format(time.DateOnly)
	for _, l := range o.Lines {
		r := orderRow{OrderLine: l, Late: o.State == "sent" && l.ToCome() > 0 && l.PromisedOn != nil && *l.PromisedOn < today}
		if l.PriceMinor != nil {
			r.Price = money.Money(*l.PriceMinor, val(l.Currency))
			sum += *l.PriceMinor * int64(l.Amount) / int64(qty.One)
			currencies[val(l.Currency)] = true
		}
		g.Rows = append(g.Rows, r)
	}
	if len(currencies) == 1 {
		for c := range currencies {
			g.Total = money.Money(sum, c)
		}
	}
	return p.ok(v, "order", "Order "+o.Number, g)
}

func (p *pages) orderCSV(v visit) error {
	o, err := p.orderOf(v)
	if err != nil {
		return err
	}
	text, err := o.CSV()
	if err != nil {
		return err
	}
	v.c.Header("Content-Disposition", `attachment; filename="`+o.Number+`.csv"`)
	v.c.Data(http.StatusOK, "text/csv; charset=utf-8", []byte(text))
	return nil
}

// mostOrderLines is how many parts the form for an order asks for.
const mostOrderLines = 6

// newOrderSheet drafts an order: the supplier, and a few parts.
func (p *pages) newOrderSheet(v visit) (*sheet, error) {
	if err := v.who.Must(access.MoveStock); err != nil {
		return nil, err
	}
	suppliers, err := p.supplierOptions(v)
	if err != nil {
		return nil, err
	}
	places, err := p.placeOptions(v, "warehouse", "van", "site_shelf", "bench")
	if err != nil {
		return nil, err
	}
	s := &sheet{Title: "Draft an order", Verb: "Keep the draft", Cancel: "/orders", Crumbs: append(slices.Clone(shelfCrumbs), crumb{"/orders", "Orders"}),
		Lead: "A draft goes nowhere until somebody sends it. Amounts are in the unit in which a part is counted, not in packs.",
		Fields: []*field{
			{Name: "supplier_id", Label: "Supplier", Kind: "choice", Options: suppliers},
			{Name: "location_id", Label: "Goes to", Kind: "choice", Options: places},
		}}
	for i := range mostOrderLines {
		n := fmt.Sprint("_", i)
		part := &field{Name: "part_id" + n, Label: fmt.Sprintf("Part %d", i+1), Short: "The part", Optional: i > 0, Hint: ""}
		if i == 0 {
			part.Hint = "Its number, an old number, or words that name it."
		}
		if i == 2 {
			part.Fold = "More parts"
		}
		s.Fields = append(s.Fields, part,
			&field{Name: "amount" + n, Label: fmt.Sprintf("Amount of part %d", i+1), Short: "The amount", Kind: "number", Optional: i > 0},
			&field{Name: "needed_on" + n, Label: fmt.Sprintf("Part %d needed on", i+1), Short: "The day", Kind: "date", Optional: true})
		if v.may(access.SeeCost) {
			s.Fields = append(s.Fields, &field{Name: "price_minor" + n, Label: fmt.Sprintf("Price of one of part %d", i+1), Short: "The price", Kind: "number", Optional: true})
		}
	}
	s.Fields[len(s.Fields)-1].FoldEnd = true
	s.Fields = append(s.Fields,
		&field{Name: "currency", Label: "Currency of the prices", Short: "The currency", Optional: true, Most: 3},
		&field{Name: "note", Label: "Note", Optional: true, Most: 500},
		&field{Name: "sure", Label: "Amounts that are no whole packs are meant", Kind: "check", Optional: true})
	if !v.may(access.SeeCost) {
		s.Fields = slices.DeleteFunc(s.Fields, func(f *field) bool { return f.Name == "currency" })
	} else {
		s.fill(map[string]string{"currency": "USD"})
	}
	if len(places) == 1 {
		s.fill(map[string]string{"location_id": places[0].Value})
	}
	for name, q := range map[string]string{"part_id_0": "part", "amount_0": "amount", "needed_on_0": "needed", "supplier_id": "supplier"} {
		if text := v.c.Query(q); text != "" && len(text) < 100 {
			s.fill(map[string]string{name: text})
		}
	}
	return s, nil
}

func (p *pages) draftOrder(v visit, s *sheet) (string, error) {
	in := stock.NewOrder{SupplierID: val(s.id("supplier_id")), LocationID: val(s.id("location_id")), Note: s.get("note")}
	var of, named []string
	for i := range mostOrderLines {
		if name := fmt.Sprint("part_id_", i); s.get(name) != "" {
			named = append(named, name)
		}
	}
	which, err := p.whichParts(v, s, named)
	if err != nil {
		return "", err
	}
	for i := range mostOrderLines {
		n := fmt.Sprint("_", i)
		if s.get("part_id"+n) == "" {
			if price := s.field("price_minor" + n); s.get("amount"+n) != "" || s.get("needed_on"+n) != "" || price != nil && price.Value != "" {
				s.wrong("part_id"+n, "is needed: what is to be ordered")
			}
			continue
		}
		l := stock.NewOrderLine{PartID: which["part_id"+n], Amount: s.amount("amount" + n), NeededOn: s.get("needed_on" + n), Sure: s.checked("sure")}
		if l.PriceMinor = s.minor("price_minor" + n); l.PriceMinor != nil {
			l.Currency = s.currency()
		}
		in.Lines, of = append(in.Lines, l), append(of, n)
	}
	if len(s.Mend) > 0 {
		return "", nil
	}
	made, err := once(p, v, s, func(tx *gorm.DB) (stock.Order, error) { return stock.DraftOrder(tx, v.who, v.now, in) })
	return "/orders/" + made.ID.String(), shifted(err, of)
}

// shifted gives the lines of a fault the numbers that they have on the form, where some
// of the form's were left out.
func shifted(err error, of []string) error {
	return fault.Renamed(err, ofItem(func(i int, field string) string { return field + of[i] }, len(of)))
}

// orderSheet begins a form about an order.
func (p *pages) orderSheet(v visit, title, verb string) (*sheet, stock.Order, error) {
	if err := v.who.Must(access.MoveStock); err != nil {
		return nil, stock.Order{}, err
	}
	o, err := p.orderOf(v)
	at := "/orders/" + o.ID.String()
	return &sheet{Title: title, Over: "Order " + o.Number + " at " + o.Supplier, Verb: verb, Cancel: at, Crumbs: append(slices.Clone(shelfCrumbs), crumb{"/orders", "Orders"}, crumb{at, o.Number}), about: o, Version: o.Version}, o, err
}

func (p *pages) sendOrderSheet(v visit) (*sheet, error) {
	s, o, err := p.orderSheet(v, "Send it", "It has gone to the supplier")
	if err != nil {
		return nil, err
	}
	s.Lead = "Sending itself is yours: print the order, or give the supplier the CSV file. From here on it counts as on its way."
	s.Else = []crumb{{"/orders/" + o.ID.String() + "/order.csv", "The order as CSV"}}
	s.Fields = []*field{{Name: "promised_on", Label: "Promised for", Short: "The day", Kind: "date", Optional: true, Hint: "Blank until the supplier names a day."}}
	return s, nil
}

func (p *pages) sendOrder(v visit, s *sheet) (string, error) {
	o := s.about.(stock.Order)
	_, err := once(p, v, s, func(tx *gorm.DB) (stock.Order, error) {
		return stock.SendOrder(tx, v.who, v.now, o.ID, s.Version, s.get("promised_on"))
	})
	return "/orders/" + o.ID.String(), inField(err, map[string]string{"on": "promised_on"})
}

func (p *pages) promiseOrderSheet(v visit) (*sheet, error) {
	s, o, err := p.orderSheet(v, "For when is it promised?", "Record it")
	if err != nil {
		return nil, err
	}
	s.Lead = "Each change is kept, and how often a line was put off."
	for _, l := range o.Lines {
		f := &field{Name: "on_" + l.ID.String(), Label: l.PartNumber + " " + l.PartDescription, Short: l.PartNumber, Kind: "date", Optional: true, Value: val(l.PromisedOn), Hint: l.ToCome().String() + " " + l.MeasuredIn + " to come."}
		if l.ToCome() > 0 || v.c.Request.Method == http.MethodPost {
			s.Fields = append(s.Fields, f)
		}
	}
	return s, nil
}

func (p *pages) promiseOrder(v visit, s *sheet) (string, error) {
	o := s.about.(stock.Order)
	var in []stock.Promised
	var of []string
	for _, l := range o.Lines {
		f := s.field("on_" + l.ID.String())
		switch {
		case f == nil || f.Value == val(l.PromisedOn):
		case f.Value == "":
			s.wrong(f.Name, "must not be blank: a day that was promised is put off to another, not taken back")
		default:
			in, of = append(in, stock.Promised{LineID: l.ID, On: f.Value}), append(of, f.Name)
		}
	}
	if len(s.Mend) > 0 {
		return "", nil
	}
	_, err := once(p, v, s, func(tx *gorm.DB) (stock.Order, error) { return stock.PromiseOrder(tx, v.who, v.now, o.ID, in) })
	return "/orders/" + o.ID.String(), eachField(err, of)
}

// receiveOrderSheet asks what has come of each line: how much, of which lot, or which serials.
func (p *pages) receiveOrderSheet(v visit) (*sheet, error) {
	s, o, err := p.orderSheet(v, "Receive", "Receive it")
	if err != nil {
		return nil, err
	}
	bad, err := p.placeOptions(v, "quarantine")
	if err != nil {
		return nil, err
	}
	s.Lead = "Fill in what has come, now and for this delivery alone; the rest stays to come."
	s.Fields = []*field{{Name: "document", Label: "Delivery note", Optional: true, Most: 100}}
	for _, l := range o.Lines {
		id := "_" + l.ID.String()
		head := l.PartNumber + " " + l.PartDescription
		said := fmt.Sprintf("%s of %s %s still to come.", l.ToCome(), l.Amount, l.MeasuredIn)
		if l.Pack > qty.One {
			said += fmt.Sprintf(" A %s holds %s.", l.BoughtIn, l.Pack)
		}
		var fields []*field
		if l.Tracking == "unit" {
			fields = append(fields, &field{Name: "serials" + id, Label: "Serials that came", Short: l.PartNumber, Kind: "area", Most: 4000, Optional: true, Hint: "One line a unit; a hyphen where there is no serial. Each gets the next of our labels."})
		} else {
			fields = append(fields, &field{Name: "amount" + id, Label: "How much came, in " + l.MeasuredIn, Short: l.PartNumber, Kind: "number", Optional: true})
		}
		if l.Tracking == "lot" || l.Tracking == "lot_expiry" {
			fields = append(fields, &field{Name: "lot" + id, Label: "Lot", Short: "Its lot", Most: 64, Optional: true}, &field{Name: "expires_on" + id, Label: "Last day", Short: "Its last day", Kind: "date", Optional: true, Hint: "Blank follows from how long it keeps."})
		}
		fields[0].Head, fields[0].Said = head, said
		if len(bad) > 0 {
			fields = append(fields,
				&field{Name: "to" + id, Fold: "It is damaged, or more than was ordered", Label: "Damaged: it goes to", Short: "The place", Kind: "choice", Optional: true, Options: append([]option{{"", "It is sound"}}, bad...)},
				&field{Name: "reason" + id, Label: "What is damaged", Short: "The reason", Optional: true, Most: 500})
		}
		fields = append(fields, &field{Name: "sure" + id, FoldEnd: len(bad) > 0, Label: "The amount is right as it stands", Kind: "check", Optional: true})
		s.Fields = append(s.Fields, fields...)
	}
	return s, nil
}

func (p *pages) receiveOrder(v visit, s *sheet) (string, error) {
	o := s.about.(stock.Order)
	var in []stock.Arrival
	var of []string
	for _, l := range o.Lines {
		id := "_" + l.ID.String()
		a := stock.Arrival{LineID: l.ID, Sure: s.checked("sure" + id)}
		if f := s.field("serials" + id); f != nil {
			for _, serial := range strings.Split(f.Value, "\n") {
				if serial = strings.TrimSpace(serial); serial != "" {
					a.Units = append(a.Units, stock.ArrivedUnit{Serial: strings.TrimPrefix(serial, "-")})
				}
			}
			if len(a.Units) == 0 {
				s.nothingCame(f.Name, id)
				continue
			}
		} else if a.Amount = s.amount("amount" + id); s.get("amount"+id) == "" {
			s.nothingCame("amount"+id, id)
			continue
		}
		if f := s.field("lot" + id); f != nil {
			a.Lot, a.ExpiresOn = f.Value, s.get("expires_on"+id)
		}
		if f := s.field("to" + id); f != nil && f.Value != "" {
			a.To, a.Damaged, a.Reason = s.id(f.Name), true, s.get("reason"+id)
		} else if f != nil && s.get("reason"+id) != "" {
			s.wrong(f.Name, "is needed: where what is damaged lies")
		}
		in, of = append(in, a), append(of, id)
	}
	if len(in) == 0 && len(s.Mend) == 0 {
		s.wrong("", "nothing has come: fill in at least one line")
	}
	if len(s.Mend) > 0 {
		return "", nil
	}
	_, err := once(p, v, s, func(tx *gorm.DB) (stock.Order, error) {
		o, _, err := stock.ReceiveOrder(tx, v.who, v.now, o.ID, s.get("document"), in)
		return o, err
	})
	err = inField(err, map[string]string{"units": "serials", "serial": "serials", "to_id": "to"})
	return "/orders/" + o.ID.String(), shifted(err, of)
}

// nothingCame marks what came as needed where more is said of a line than that.
func (s *sheet) nothingCame(name, id string) {
	for _, other := range []string{"lot", "expires_on", "to", "reason"} {
		if f := s.field(other + id); f != nil && f.Value != "" {
			s.wrong(name, "is needed: what has come of it")
		}
	}
}

func (p *pages) endOrderSheet(v visit) (*sheet, error) {
	s, o, err := p.orderSheet(v, "End it", "End the order")
	if err != nil {
		return nil, err
	}
	come := slices.ContainsFunc(o.Lines, func(l stock.OrderLine) bool { return l.Received > 0 })
	s.Grave = true
	s.Lead = "It is cancelled: nothing of it comes."
	if come {
		s.Lead = "What has come stays; what is still to come will not."
	}
	s.Fields = []*field{{Name: "why", Label: "Why", Kind: "area", Most: 500}}
	return s, nil
}

func (p *pages) endOrder(v visit, s *sheet) (string, error) {
	o := s.about.(stock.Order)
	end := stock.CancelOrder
	if slices.ContainsFunc(o.Lines, func(l stock.OrderLine) bool { return l.Received > 0 }) {
		end = stock.CloseOrder
	}
	_, err := once(p, v, s, func(tx *gorm.DB) (stock.Order, error) {
		return end(tx, v.who, v.now, o.ID, s.Version, s.get("why"))
	})
	return "/orders/" + o.ID.String(), err
}

// wantedRow is something that a visit needs and that is not there.
type wantedRow struct {
	visits.LineReady
	Visit  visits.Visit
	Past   bool // the last day for an order has passed
	Orders string
}

// Last says until when an order still arrives.
func (w wantedRow) Last() string { return w.OrderBy.Format("Monday 2 January") }

// shortOf lists what visits need and nobody has, by the last day on which an order still
// comes in time; what has no such day stands at the day of its visit.
func shortOf(today calendar.Date, trips []visits.Visit, ready []visits.Ready) (all []wantedRow) {
	for i, r := range ready {
		for _, j := range r.Jobs {
			for _, l := range j.Lines {
				if l.Short == 0 {
					continue
				}
				w := wantedRow{LineReady: l, Visit: trips[i], Past: l.OrderBy != nil && l.OrderBy.Before(today.UTC())}
				if l.Number != "" {
					q := url.Values{"part": {l.Number}, "amount": {l.Short.String()}, "needed": {trips[i].OnDate.Format(time.DateOnly)}}
					w.Orders = "/orders/new?" + q.Encode()
				}
				all = append(all, w)
			}
		}
	}
	by := func(w wantedRow) time.Time {
		if w.OrderBy != nil {
			return *w.OrderBy
		}
		return w.Visit.OnDate
	}
	slices.SortStableFunc(all, func(a, b wantedRow) int { return by(a).Compare(by(b)) })
	return all
}

type wantedPage struct {
	Rows  []wantedRow
	Until time.Time
	Made  bool // visits were looked at
	May   bool
	More  bool // there are more visits than are looked at
	Tabs  []nav
}

// wanted shows what the visits of the next weeks need and do not have, by the last day on
// which an order still comes in time.
func (p *pages) wanted(v visit) error {
	if err := v.who.Must(access.SeeInternal); err != nil {
		return err
	}
	const weeks, most = 9, 100
	today := calendar.DateOf(v.now)
	g := wantedPage{May: v.may(access.MoveStock), Tabs: stockTabs(v, "/stock/wanted"), Until: (today + 7*weeks).UTC()}
	all, err := visits.List(v.ctx, p.db, v.who, visits.Filter{Live: true, From: today, Until: today + 7*weeks}, access.Page{Limit: most + 1})
	if err != nil {
		return err
	}
	if g.More = len(all) > most; g.More {
		all = all[:most]
	}
	g.Made = len(all) > 0
	ready, err := visits.Readiness(v.ctx, p.db, v.who, v.now, all)
	if err != nil {
		return err
	}
	g.Rows = shortOf(today, all, ready)
	return p.ok(v, "wanted", "What work still needs", g)
}
