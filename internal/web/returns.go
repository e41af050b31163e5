package web

import (
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/money"
	"spindlebook/internal/parts"
	"spindlebook/internal/parts/stock"
)

var coreWords = map[string]string{"deposit_paid": "the old unit is still fitted", "removed": "came off", "at_site": "lies at the site", "on_van": "is on a van", "in_returns": "lies in returns", "boxed": "is drained and boxed",
	"shipped": "has been shipped", "received": "is at the supplier", "credited": "deposit credited", "partly_credited": "deposit credited in part", "refused": "refused", "lost": "lost"}

var warrantyWords = map[string]string{"running": "runs", "claimed": "claimed", "accepted": "accepted", "refused": "refused", "lost": "lost", "ended": "ended"}

type returnsPage struct {
	Cores                     []coreRow
	Warranties                []warrantyRow
	Open                      bool
	May                       bool
	AtStake                   string // deposits of cores whose days run
	MoreCores, MoreWarranties string
	Tabs                      []nav
}

type coreRow struct {
	stock.Core
	Words, Deposit string
}

// Left says how many days are left.
func left(days int) string {
	switch {
	case days < 0:
		return plural(-days, "day", "days") + " too late"
	case days == 0:
		return "today is the last day"
	}
	return plural(days, "day", "days") + " left"
}

// Left says how many days the core has.
func (r coreRow) Left() string { return left(r.DaysLeft) }

// Soon tells whether the days run out.
func (r coreRow) Soon() bool { return len(r.Next()) > 0 && r.DaysLeft <= 7 }

type warrantyRow struct {
	stock.Warranty
	Words string
}

// Left says how many days the warranty has.
func (r warrantyRow) Left() string { return left(r.DaysLeft) }

// returns shows the old units that go back for a deposit, and the warranties that run.
func (p *pages) returns(v visit) error {
	if err := v.who.Must(access.SeeInternal); err != nil {
		return err
	}
	g := returnsPage{Open: v.c.Query("all") == "", May: v.may(access.MoveStock), Tabs: stockTabs(v, "/returns")}
	afterCore, afterWarranty := v.c.Query("core"), v.c.Query("warranty")
	more := func(core, warranty, id string) string {
		q := url.Values{"core": {core}, "warranty": {warranty}}
		if !g.Open {
			q.Set("all", "yes")
		}
		return "/returns?" + q.Encode() + "#" + id
	}
	cores, err := stock.Cores(v.ctx, p.db, v.who, v.now, g.Open, stock.Page{After: afterCore, Limit: perPage + 1})
	if err != nil {
		return err
	}
	if len(cores) > perPage {
		cores = cores[:perPage]
		g.MoreCores = more(cores[perPage-1].Key(), afterWarranty, "cores")
	}
	for _, c := range cores {
		r := coreRow{Core: c, Words: coreWords[c.State]}
		if c.DepositMinor != nil {
			r.Deposit = money.Money(*c.DepositMinor, val(c.Currency))
		}
		g.Cores = append(g.Cores, r)
	}
	sums, err := stock.AtStake(v.ctx, p.db, v.who, v.now)
	if err != nil {
		return err
	}
	var stake []string
	for _, s := range sums {
		stake = append(stake, money.Money(s.Minor, s.Currency))
	}
	g.AtStake = strings.Join(stake, " and ")
	all, err := stock.Warranties(v.ctx, p.db, v.who, v.now, g.Open, stock.Page{After: afterWarranty, Limit: perPage + 1})
	if err != nil {
		return err
	}
	if len(all) > perPage {
		all = all[:perPage]
		g.MoreWarranties = more(afterCore, all[perPage-1].Key(), "warranties")
	}
	for _, w := range all {
		g.Warranties = append(g.Warranties, warrantyRow{w, warrantyWords[w.State]})
	}
	return p.ok(v, "returns", "Cores and warranty", g)
}

var returnCrumbs = []crumb{{"/stock", "Stock"}, {"/returns", "Cores and warranty"}}

func (p *pages) supplierOptions(v visit) (o []option, err error) {
	all, err := parts.Suppliers(v.ctx, p.db, v.who, parts.Page{Limit: mostOptions})
	for _, s := range all {
		o = append(o, option{s.ID.String(), s.Code + " " + s.Name})
	}
	return o, err
}

// whichUnit finds the unit whose tag somebody has typed or scanned.
func (p *pages) whichUnit(v visit, s *sheet, name string) (*uuid.UUID, error) {
	text := strings.ToUpper(s.get(name))
	if text == "" {
		return nil, nil
	}
	hits, err := assets.Find(v.ctx, p.db, v.who, text, 20)
	if err != nil {
		return nil, err
	}
	for _, h := range hits {
		if h.Kind == "unit" && strings.EqualFold(h.Code, text) {
			id := h.ID
			return &id, nil
		}
	}
	s.wrong(name, "names no unit: nothing on record has this tag")
	return nil, nil
}

func (p *pages) newCoreSheet(v visit) (*sheet, error) {
	if err := v.who.Must(access.MoveStock); err != nil {
		return nil, err
	}
	suppliers, err := p.supplierOptions(v)
	s := &sheet{Title: "A deposit was paid", Verb: "Keep it", Cancel: "/returns", Crumbs: returnCrumbs,
		Lead: "The supplier pays it back if the old unit comes in time, whole, drained and in its box. Days count as the supplier counts them: from the purchase or from the shipment.",
		Fields: []*field{
			{Name: "part_id", Label: "Part", Hint: "Its number, an old number, or words that name it."},
			{Name: "supplier_id", Label: "Supplier", Kind: "choice", Options: suppliers},
			{Name: "bought", Label: "Tag of the exchange unit that was bought", Short: "The tag", Optional: true},
			{Name: "counted_from", Label: "Days count from", Kind: "radio", Options: []option{{"purchase", "the purchase"}, {"shipment", "the shipment"}}},
			{Name: "paid_on", Label: "Paid on", Kind: "date"},
			{Name: "deadline_on", Label: "The old unit must be there by", Short: "The deadline", Kind: "date"},
		}}
	if v.may(access.SeeCost) {
		s.Fields = append(s.Fields, &field{Name: "deposit_minor", Label: "Deposit", Kind: "number", Optional: true}, &field{Name: "currency", Label: "Currency", Optional: true, Most: 3, Value: "USD"})
	}
	s.fill(map[string]string{"counted_from": "purchase", "paid_on": v.now.UTC().Format(time.DateOnly)})
	return s, err
}

// currency gives the currency of the prices on a form.
func (s *sheet) currency() string {
	if f := s.field("currency"); f != nil {
		return strings.ToUpper(f.Value)
	}
	return ""
}

// minor reads a price with its decimals as minor units of the form's currency, which is never
// guessed; nil where nothing was typed.
func (s *sheet) minor(name string) *int64 {
	currency := s.currency()
	if f := s.field(name); f != nil && f.Value != "" && currency == "" {
		s.wrong("currency", "is needed beside a price: three letters, such as USD")
		return nil
	}
	return s.minorOf(name, currency)
}

func (s *sheet) minorOf(name, currency string) *int64 {
	f := s.field(name)
	if f == nil || f.Value == "" {
		return nil
	}
	n, bad := money.Minor(f.Value, currency)
	if bad != nil {
		s.wrong(name, bad.Msg)
		return nil
	}
	return &n
}

func (p *pages) addCore(v visit, s *sheet) (string, error) {
	part, err := p.whichPart(v, s, "part_id")
	if err != nil {
		return "", err
	}
	bought, err := p.whichUnit(v, s, "bought")
	if err != nil {
		return "", err
	}
	in := stock.NewCore{PartID: part, SupplierID: val(s.id("supplier_id")), BoughtUnitID: bought, CountedFrom: s.get("counted_from"), PaidOn: s.get("paid_on"), DeadlineOn: s.get("deadline_on"), DepositMinor: s.minor("deposit_minor")}
	if in.DepositMinor != nil {
		in.Currency = s.currency()
	}
	if len(s.Mend) > 0 {
		return "", nil
	}
	_, err = once(p, v, s, func(tx *gorm.DB) (stock.Core, error) { return stock.AddCore(tx, v.who, v.now, in) })
	return "/returns", err
}

func (p *pages) stepCoreSheet(v visit) (*sheet, error) {
	if err := v.who.Must(access.MoveStock); err != nil {
		return nil, err
	}
	id, err := idOf(v, "id", "core")
	if err != nil {
		return nil, err
	}
	c, err := stock.OneCore(v.ctx, p.db, v.who, v.now, id)
	if err != nil {
		return nil, err
	}
	s := &sheet{Title: "What became of the old unit?", Over: c.PartNumber + " of " + c.Supplier + ", " + coreWords[c.State] + ", " + left(c.DaysLeft), Verb: "Record it", Cancel: "/returns", Crumbs: returnCrumbs, about: c, Version: c.Version,
		Lead: "A core that was not drained is refused, and the deposit is lost."}
	s.Fields = []*field{{Name: "state", Label: "Now it", Short: "What", Kind: "radio", Free: true, Options: optionsIn(coreWords, c.Next()...)}}
	next, again := c.Next(), v.c.Request.Method == http.MethodPost // one that is sent again has what it had
	if again || slices.Contains(next, "removed") {
		s.Fields = append(s.Fields, &field{Name: "tag", Label: "Tag of the unit that came off", Short: "The tag", Optional: true})
	}
	if again || slices.Contains(next, "boxed") {
		s.Fields = append(s.Fields, &field{Name: "drained", Label: "It was drained", Kind: "check", Optional: true})
	}
	if (again || slices.Contains(next, "credited")) && v.may(access.SeeCost) {
		s.Fields = append(s.Fields, &field{Name: "credited_minor", Label: "Credited", Kind: "number", Optional: true})
	}
	s.Fields = append(s.Fields, &field{Name: "note", Label: "Note", Optional: true, Most: 500, Hint: "Needed where it is refused or lost: why."})
	return s, nil
}

func (p *pages) stepCore(v visit, s *sheet) (string, error) {
	c := s.about.(stock.Core)
	in := stock.CoreStep{State: s.get("state"), CreditedMinor: s.minorOf("credited_minor", val(c.Currency)), Note: s.get("note")}
	if s.field("drained") != nil {
		in.Drained = s.checked("drained")
	}
	if s.field("tag") != nil {
		var err error
		if in.UnitID, err = p.whichUnit(v, s, "tag"); err != nil {
			return "", err
		}
	}
	if len(s.Mend) > 0 {
		return "", nil
	}
	_, err := once(p, v, s, func(tx *gorm.DB) (stock.Core, error) { return stock.StepCore(tx, v.who, v.now, c.ID, s.Version, in) })
	return "/returns", inField(err, map[string]string{"unit_id": "tag"})
}

func (p *pages) newWarrantySheet(v visit) (*sheet, error) {
	if err := v.who.Must(access.MoveStock); err != nil {
		return nil, err
	}
	suppliers, err := p.supplierOptions(v)
	s := &sheet{Title: "A warranty runs", Verb: "Keep it", Cancel: "/returns", Crumbs: returnCrumbs,
		Lead: "Two clocks may run on one unit: the supplier's to us, and ours to the site.",
		Fields: []*field{
			{Name: "tag", Label: "Tag of the unit", Short: "The tag", Value: v.c.Query("tag")},
			{Name: "giver", Label: "Who stands for it", Kind: "radio", Options: []option{{"supplier", "the supplier, to us"}, {"distributor", "we, to the site"}}},
			{Name: "supplier_id", Label: "Supplier", Kind: "choice", Optional: true, Options: append([]option{{"", "None"}}, suppliers...)},
			{Name: "covers", Label: "What it covers", Optional: true, Most: 500},
			{Name: "starts_on", Label: "From", Kind: "date"},
			{Name: "ends_on", Label: "Until", Kind: "date"},
		}}
	return s, err
}

func (p *pages) addWarranty(v visit, s *sheet) (string, error) {
	unit, err := p.whichUnit(v, s, "tag")
	if err != nil {
		return "", err
	}
	in := stock.NewWarranty{UnitID: val(unit), Giver: s.get("giver"), SupplierID: s.id("supplier_id"), Covers: s.get("covers"), StartsOn: s.get("starts_on"), EndsOn: s.get("ends_on")}
	if len(s.Mend) > 0 {
		return "", nil
	}
	_, err = once(p, v, s, func(tx *gorm.DB) (stock.Warranty, error) { return stock.AddWarranty(tx, v.who, v.now, in) })
	return "/returns", err
}

func (p *pages) stepWarrantySheet(v visit) (*sheet, error) {
	if err := v.who.Must(access.MoveStock); err != nil {
		return nil, err
	}
	id, err := idOf(v, "id", "warranty")
	if err != nil {
		return nil, err
	}
	w, err := stock.OneWarranty(v.ctx, p.db, v.who, v.now, id)
	if err != nil {
		return nil, err
	}
	s := &sheet{Title: "What became of the warranty?", Over: w.Tag + " " + w.PartNumber + ", " + warrantyWords[w.State] + ", " + left(w.DaysLeft), Verb: "Record it", Cancel: "/returns", Crumbs: returnCrumbs, about: w, Version: w.Version,
		Lead: "While it is claimed the unit is neither scrap nor core. The supplier's number of the return comes first."}
	s.Fields = []*field{{Name: "state", Label: "Now it is", Short: "What", Kind: "radio", Free: true, Options: optionsIn(warrantyWords, w.Next()...)}}
	if v.c.Request.Method == http.MethodPost || slices.Contains(w.Next(), "claimed") {
		s.Fields = append(s.Fields, &field{Name: "authority", Label: "Supplier's number of the return", Short: "The number", Optional: true, Most: 100})
	}
	s.Fields = append(s.Fields, &field{Name: "note", Label: "Note", Optional: true, Most: 500, Hint: "Needed where it is refused or lost: why, and by whom."})
	return s, nil
}

func (p *pages) stepWarranty(v visit, s *sheet) (string, error) {
	w := s.about.(stock.Warranty)
	in := stock.WarrantyStep{State: s.get("state"), Note: s.get("note")}
	if s.field("authority") != nil {
		in.Authority = s.get("authority")
	}
	_, err := once(p, v, s, func(tx *gorm.DB) (stock.Warranty, error) {
		return stock.StepWarranty(tx, v.who, v.now, w.ID, s.Version, in)
	})
	return "/returns", err
}
