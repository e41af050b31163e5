package web

import (
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/fault"
	"spindlebook/internal/parts"
	qty "spindlebook/internal/parts/amount"
	"spindlebook/internal/parts/stock"
)

// partKept is a part with how it is counted and kept.
type partKept struct {
	assets.Part
	parts.Stocking
}

// Name is how people call it.
func (t partKept) Name() string { return t.Number + " " + t.Description }

func (p *pages) partOf(v visit, id uuid.UUID) (t partKept, err error) {
	if t.Part, err = assets.OnePart(v.ctx, p.db, v.who, id); err != nil {
		return t, err
	}
	t.Stocking, err = parts.StockingOf(v.ctx, p.db, v.who, id)
	return t, err
}

// whichPart finds the part that somebody has typed: by its number, an old one, or words
// that lead to one alone.
func (p *pages) whichPart(v visit, s *sheet, name string) (id uuid.UUID, err error) {
	text := s.get(name)
	if text == "" {
		return id, nil
	}
	hits, err := parts.Search(v.ctx, p.db, v.who, text, 6)
	if err != nil {
		return id, err
	}
	for _, h := range hits {
		if strings.EqualFold(h.Number, text) || len(hits) == 1 {
			return h.ID, nil
		}
	}
	if len(hits) == 0 {
		s.wrong(name, "names no part: nothing in the catalogue has all of that")
		return id, nil
	}
	var near []string
	for _, h := range hits[:min(4, len(hits))] {
		near = append(near, h.Number+" "+h.Description)
	}
	s.wrong(name, "names several parts, such as "+strings.Join(near, "; ")+": give the number of one")
	return id, nil
}

// whichParts finds the parts that somebody has typed in several fields: whole numbers in one
// read, and what is none as whichPart does.
func (p *pages) whichParts(v visit, s *sheet, names []string) (map[string]uuid.UUID, error) {
	numbers := make([]string, len(names))
	for i, name := range names {
		numbers[i] = s.get(name)
	}
	known, err := parts.Numbered(v.ctx, p.db, v.who, numbers)
	if err != nil {
		return nil, err
	}
	all := make(map[string]uuid.UUID, len(names))
	for i, name := range names {
		id, found := known[strings.ToUpper(numbers[i])]
		if !found {
			if id, err = p.whichPart(v, s, name); err != nil {
				return nil, err
			}
		}
		all[name] = id
	}
	return all, nil
}

func (s *sheet) amount(name string) qty.Amount {
	if s.get(name) == "" {
		return 0
	}
	n, bad := qty.Parse(s.get(name))
	if bad != nil {
		s.wrong(name, bad.Msg)
	}
	return n
}

// placeOptions lists places of some kinds; of no kinds, all of them.
func (p *pages) placeOptions(v visit, kinds ...string) (o []option, err error) {
	all, err := assets.Locations(v.ctx, p.db, v.who, assets.Page{Limit: mostOptions})
	for _, l := range all {
		if len(kinds) == 0 || slices.Contains(kinds, l.Kind) {
			o = append(o, option{l.ID.String(), l.Code + " " + l.Name})
		}
	}
	return o, err
}

// usable are the places from and to which things are moved by hand.
var usable = []string{"warehouse", "van", "site_shelf", "bench"}

// ownerFields ask whose something is; folded away, since most is ours.
func (p *pages) ownerFields(v visit) ([]*field, error) {
	customers, err := p.customerOptions(v)
	return []*field{
		{Name: "owner", Fold: "It is not ours", Label: "Whose it is", Kind: "choice", Optional: true, Options: append([]option{{"", "Ours"}}, ownerOptions[1:]...)},
		{Name: "owner_customer_id", FoldEnd: true, Label: "Which customer's", Kind: "choice", Optional: true, Options: append([]option{{"", "None"}}, customers...)},
	}, err
}

func (s *sheet) owner() stock.Owner {
	return stock.Owner{Kind: s.get("owner"), CustomerID: s.id("owner_customer_id")}
}

// receiving is what somebody takes in, from its sheet to the act.
type receiving struct{ part partKept }

// receiveSheet asks in two steps: which part first, since what is asked of it depends on
// how it is kept.
func (p *pages) receiveSheet(v visit) (*sheet, error) {
	if err := v.who.Must(access.MoveStock); err != nil {
		return nil, err
	}
	s := &sheet{Title: "Receive", Verb: "Go on", Cancel: "/stock", Crumbs: shelfCrumbs,
		Lead: "Of what came without an order. What was ordered is received from its order.",
		Else: []crumb{{"/orders", "Orders that are open"}}}
	if v.c.Query("part") == "" {
		s.Fields = []*field{{Name: "part", Label: "Part", Hint: "Its number, an old number, or words that name it."}}
		return s, nil
	}
	id, err := uuid.Parse(v.c.Query("part"))
	if err != nil {
		return nil, fault.Missing("part", v.c.Query("part"))
	}
	of, err := p.partOf(v, id)
	if err != nil {
		return nil, err
	}
	places, err := p.placeOptions(v, "warehouse", "van", "site_shelf", "bench", "quarantine")
	if err != nil {
		return nil, err
	}
	s.Over, s.Verb, s.about = of.Name(), "Receive it", receiving{of}
	if of.Tracking == "unit" {
		s.Fields = append(s.Fields, &field{Name: "serials", Label: "Serials", Kind: "area", Most: 4000, Hint: "One line a unit, as on its plate. A blank serial is written as a hyphen. Each unit gets the next of our labels."})
	} else {
		s.Fields = append(s.Fields, &field{Name: "amount", Label: "How much, in " + of.MeasuredIn, Short: "The amount", Kind: "number", Hint: packHint(of.Stocking)})
	}
	if of.Tracking == "lot" || of.Tracking == "lot_expiry" {
		s.Fields = append(s.Fields, &field{Name: "lot", Label: "Lot", Most: 64, Hint: "As on the box."},
			&field{Name: "expires_on", Label: "Last day", Kind: "date", Optional: true, Hint: lastDayHint(of.Stocking)})
	}
	owners, err := p.ownerFields(v)
	s.Fields = append(s.Fields,
		&field{Name: "to_id", Label: "Where it goes", Short: "The place", Kind: "choice", Options: places},
		&field{Name: "document", Label: "Delivery note", Optional: true, Most: 100},
		&field{Name: "sure", Label: "The amount is right as it stands, although a pack holds another", Short: "The amount", Kind: "check", Optional: true})
	if of.Tracking == "unit" || of.Pack <= qty.One {
		s.Fields = s.Fields[:len(s.Fields)-1]
	}
	s.Fields = append(s.Fields, owners...)
	if to := v.c.Query("to"); slices.ContainsFunc(places, func(o option) bool { return o.Value == to }) {
		s.fill(map[string]string{"to_id": to})
	}
	return s, err
}

func packHint(k parts.Stocking) string {
	if k.Pack <= qty.One {
		return ""
	}
	return "A " + k.BoughtIn + " holds " + k.Pack.String() + " " + k.MeasuredIn + "."
}

func lastDayHint(k parts.Stocking) string {
	if k.ShelfMonths != nil {
		return fmt.Sprintf("Blank counts %d months from today, for which it keeps closed.", *k.ShelfMonths)
	}
	return "The last day on which it may be used."
}

func (p *pages) receive(v visit, s *sheet) (string, error) {
	about, chosen := s.about.(receiving)
	if !chosen {
		id, err := p.whichPart(v, s, "part")
		return "/stock/receive?part=" + id.String(), err
	}
	to, of := s.id("to_id"), about.part
	owner := s.owner()
	if of.Tracking == "unit" {
		var in []stock.NewUnit
		for _, line := range strings.Split(s.get("serials"), "\n") {
			if line = strings.TrimSpace(line); line == "" {
				continue
			}
			if line == "-" {
				line = ""
			}
			in = append(in, stock.NewUnit{PartID: of.ID, Serial: line, To: val(to), Owner: owner, Document: s.get("document")})
		}
		if len(in) == 0 {
			s.wrong("serials", "must not be blank")
		}
		if len(s.Mend) > 0 {
			return "", nil
		}
		_, err := once(p, v, s, func(tx *gorm.DB) ([]stock.Movement, error) { return stock.ReceiveUnits(tx, v.who, v.now, in) })
		return partPath(val(to), of.ID), inField(err, map[string]string{"serial": "serials"})
	}
	m := stock.Moving{Kind: "receive", PartID: of.ID, Amount: s.amount("amount"), To: to, Owner: owner, Document: s.get("document")}
	if f := s.field("lot"); f != nil {
		m.Lot, m.ExpiresOn = f.Value, s.get("expires_on")
	}
	if s.field("sure") != nil {
		m.Sure = s.checked("sure")
	}
	if len(s.Mend) > 0 {
		return "", nil
	}
	_, err := once(p, v, s, func(tx *gorm.DB) ([]stock.Movement, error) {
		return stock.Move(tx, v.who, v.now, []stock.Moving{m})
	})
	return partPath(val(to), of.ID), err
}

func partPath(location, part uuid.UUID) string {
	return "/locations/" + location.String() + "/parts/" + part.String()
}

// inField gives the fields of a fault other names: those of the form.
func inField(err error, names map[string]string) error {
	return fault.Renamed(err, func(field string) string {
		head, last, found := strings.Cut(field, "].")
		if !found {
			head, last = "", field
		}
		to, known := names[last]
		switch {
		case !known:
			return field
		case found:
			return head + "]." + to
		}
		return to
	})
}

var shelfCrumbs = []crumb{{"/stock", "Stock"}}

func (g stockPart) crumbs() []crumb {
	return []crumb{{"/stock", "Stock"}, {"/stock?location=" + g.At.ID.String(), g.At.Code}, {g.Row.Path(), g.Row.PartNumber}}
}

// piles lists what of a part lies at a place, each lot of an owner and each unit, for a
// choice. The value says all of it, so that a form that is sent again means the same.
func piles(l stock.Line) (o []option) {
	for _, x := range l.Lots {
		code := "unit " + val(x.UnitID).String()
		words := x.Tag
		if x.Serial != "" {
			words += ", serial " + x.Serial
		}
		if x.UnitID == nil {
			code = strings.TrimSpace(strings.Join([]string{x.Owner, val(x.CustomerID).String(), x.Lot}, " "))
			words = x.OnHand.String() + " " + l.MeasuredIn
			if x.Lot != "" {
				words = "Lot " + x.Lot + ", " + words
			}
			if x.ExpiresOn != nil {
				words += ", last day " + *x.ExpiresOn
			}
		}
		if x.Prepared != "" {
			words += ", " + x.Prepared
		}
		switch x.Owner {
		case stock.Customers:
			words += ", of " + x.Customer
		case stock.Consigned:
			words += ", on consignment"
		}
		if x.SetAside > 0 {
			words += ", " + x.SetAside.String() + " set aside for " + x.For
		}
		o = append(o, option{code, words})
	}
	return o
}

// pile is a lot of an owner, or a unit.
type pile struct {
	unit  *uuid.UUID
	lot   string
	owner stock.Owner
}

// chosen reads which lot or unit somebody means by a value that piles gives.
func (s *sheet) chosen(value string) (p pile) {
	kind, rest, _ := strings.Cut(value, " ")
	id, lot, _ := strings.Cut(rest, " ")
	of, err := uuid.Parse(id)
	switch {
	case err != nil:
		s.wrong("what", "is not among the choices")
	case kind == "unit":
		p.unit = &of
	default:
		p.lot, p.owner.Kind = lot, kind
		if of != uuid.Nil {
			p.owner.CustomerID = &of
		}
	}
	return p
}

// wayOut is a way in which something leaves a place.
type wayOut struct {
	kind, name string
	to         []string // kinds of place that it goes to; nil: it leaves
	reason     bool
}

var waysOut = []wayOut{
	{"move", "To another place", usable, false},
	{"transfer_out", "On its way by carrier", []string{"in_transit"}, false},
	{"transfer_in", "It has arrived", []string{"warehouse", "van", "site_shelf", "bench", "quarantine"}, false},
	{"quarantine", "Into quarantine", []string{"quarantine"}, true},
	{"release", "Out of quarantine: it may be used", usable, true},
	{"supplier_return", "Back to the supplier", nil, true},
	{"sale", "Sold over the counter", nil, true},
	{"scrap", "Scrap", []string{"scrap"}, true},
}

// ways lists those that begin at a kind of place.
func ways(kind string) (all []wayOut) {
	for _, w := range waysOut {
		ok := false
		switch kind {
		case "in_transit":
			ok = w.kind == "transfer_in" || w.kind == "scrap" || w.kind == "quarantine"
		case "quarantine":
			ok = w.kind == "release" || w.kind == "supplier_return" || w.kind == "scrap"
		case "unexplained", "scrap", "supplier":
		default:
			ok = w.kind != "transfer_in" && w.kind != "release"
		}
		if ok {
			all = append(all, w)
		}
	}
	return all
}

// shelfSheet begins a form about a part at a place.
func (p *pages) shelfSheet(v visit, title, verb string) (*sheet, stockPart, error) {
	if err := v.who.Must(access.MoveStock); err != nil {
		return nil, stockPart{}, err
	}
	g, err := p.lineAt(v)
	if err != nil {
		return nil, g, err
	}
	return &sheet{Title: title, Over: g.Row.PartNumber + " " + g.Row.PartDescription + ", in " + g.At.Code, Verb: verb, Cancel: g.Row.Path(), Crumbs: g.crumbs(), about: g}, g, nil
}

// whatFields ask which lot or unit, and how much of it.
func whatFields(g stockPart, o []option) []*field {
	fields := []*field{{Name: "what", Label: "What", Kind: "radio", Free: true, Options: o}}
	if len(o) == 1 {
		fields[0].Value = o[0].Value
	}
	if g.Tracking != "unit" {
		fields = append(fields, &field{Name: "amount", Label: "How much, in " + g.Row.MeasuredIn, Short: "The amount", Kind: "number"})
	}
	return fields
}

func (p *pages) moveOutSheet(v visit) (*sheet, error) {
	s, g, err := p.shelfSheet(v, "Move it", "Record it")
	if err != nil {
		return nil, err
	}
	o := piles(g.Row.Line)
	if len(o) == 0 && v.c.Request.Method == http.MethodGet {
		return nil, &fault.Error{Kind: fault.Conflict, Msg: "nothing of " + g.Row.PartNumber + " lies in " + g.At.Code + " on record"}
	}
	var kinds []option
	var to []string
	for _, w := range ways(g.At.Kind) {
		kinds = append(kinds, option{w.kind, w.name})
		to = append(to, w.to...)
	}
	if len(kinds) == 0 {
		return nil, &fault.Error{Kind: fault.Conflict, Msg: "nothing is moved out of " + g.At.Code + " by hand"}
	}
	places, err := p.placeOptions(v, to...)
	if err != nil {
		return nil, err
	}
	places = slices.DeleteFunc(places, func(o option) bool { return o.Value == g.At.ID.String() })
	s.Fields = append(whatFields(g, o),
		&field{Name: "kind", Label: "What happens to it", Short: "What happens", Kind: "radio", Options: kinds},
		&field{Name: "to_id", Label: "Where to", Short: "The place", Kind: "choice", Optional: true, Options: append([]option{{"", "It leaves us"}}, places...), Hint: "Blank where it goes to a supplier or a buyer."},
		&field{Name: "reason", Label: "Why", Optional: true, Most: 500, Hint: "Needed for quarantine, release, scrap, returns and sales."},
		&field{Name: "document", Label: "Paper that goes with it", Optional: true, Most: 100})
	s.fill(map[string]string{"kind": kinds[0].Value})
	if k := v.c.Query("kind"); slices.ContainsFunc(kinds, func(o option) bool { return o.Value == k }) {
		s.fill(map[string]string{"kind": k})
	}
	if len(g.Row.Lots) == 1 && g.Row.OnHand == qty.One && s.field("amount") != nil {
		s.fill(map[string]string{"amount": "1"})
	}
	return s, nil
}

func (p *pages) moveOut(v visit, s *sheet) (string, error) {
	g := s.about.(stockPart)
	m := stock.Moving{Kind: s.get("kind"), PartID: g.Row.PartID, From: &g.At.ID, To: s.id("to_id"), Reason: s.get("reason"), Document: s.get("document")}
	if s.field("amount") != nil {
		m.Amount = s.amount("amount")
	}
	what := s.chosen(s.get("what"))
	if m.UnitID, m.Lot, m.Owner = what.unit, what.lot, what.owner; m.UnitID != nil {
		m.Amount = qty.One
	}
	if m.Kind == "move" && m.To != nil && p.kindAt(v, *m.To) == "van" {
		m.Kind = "load"
	}
	if len(s.Mend) > 0 {
		return "", nil
	}
	_, err := once(p, v, s, func(tx *gorm.DB) ([]stock.Movement, error) {
		return stock.Move(tx, v.who, v.now, []stock.Moving{m})
	})
	return g.Row.Path(), inField(err, map[string]string{"unit_id": "what", "lot": "what", "owner_customer_id": "what"})
}

// kindAt gives the kind of a place, "" of one that is none.
func (p *pages) kindAt(v visit, id uuid.UUID) string {
	l, err := assets.OneLocation(v.ctx, p.db, v.who, id)
	if err != nil {
		return "" // the act says so
	}
	return l.Kind
}

func (p *pages) useSheet(v visit) (*sheet, error) {
	s, g, err := p.shelfSheet(v, "Used", "Record it")
	if err != nil {
		return nil, err
	}
	if g.Tracking == "unit" || g.Tracking == "kit" {
		return nil, &fault.Error{Kind: fault.Conflict, Msg: "units are fitted at their position, and bags are opened: each has a page of its own"}
	}
	o := piles(g.Row.Line)
	sites, err := p.siteOptions(v)
	if err != nil {
		return nil, err
	}
	sent, err := posted(v)
	if err != nil {
		return nil, err
	}
	if len(o) > 1 && sent == nil || sent.Has("what") {
		s.Fields = append(s.Fields, &field{Name: "what", Label: "What", Kind: "radio", Optional: true, Free: true, Options: append([]option{{"", "What expires first"}}, o...)})
	}
	s.Fields = append(s.Fields,
		&field{Name: "amount", Label: "How much, in " + g.Row.MeasuredIn, Short: "The amount", Kind: "number"},
		&field{Name: "site_id", Label: "Where it was used", Short: "The site", Kind: "choice", Optional: true, Options: append([]option{{"", "At no site"}}, sites...)},
		&field{Name: "at", Label: "When", Kind: "moment", Optional: true, Hint: "Blank is now. Times are UTC."},
		&field{Name: "remark", Label: "For what", Optional: true, Most: 500})
	s.at = time.UTC
	if g.At.SiteID != nil {
		s.fill(map[string]string{"site_id": g.At.SiteID.String()})
	}
	s.Lead = "What was used is recorded, whatever the record says lies here: where they disagree, the parts clerk is asked to look."
	return s, nil
}

func (p *pages) useUp(v visit, s *sheet) (string, error) {
	g := s.about.(stockPart)
	u := stock.Used{PartID: g.Row.PartID, Amount: s.amount("amount"), From: g.At.ID, SiteID: s.id("site_id"), At: s.moment("at"), Remark: s.get("remark")}
	if f := s.field("what"); f != nil && f.Value != "" {
		what := s.chosen(f.Value)
		u.Lot, u.Owner = what.lot, what.owner
	}
	if len(s.Mend) > 0 {
		return "", nil
	}
	_, err := once(p, v, s, func(tx *gorm.DB) ([]stock.Outcome, error) { return stock.Use(tx, v.who, v.now, []stock.Used{u}) })
	return g.Row.Path(), inField(err, map[string]string{"lot": "what", "owner_customer_id": "what"})
}

func (p *pages) levelSheet(v visit) (*sheet, error) {
	s, g, err := p.shelfSheet(v, "How much should lie here", "Keep it")
	if err != nil {
		return nil, err
	}
	s.Lead = "Below the least it is listed as short. The most caps what is bought, not what is held."
	s.Fields = []*field{
		{Name: "least", Label: "Least, in " + g.Row.MeasuredIn, Short: "The least", Kind: "number"},
		{Name: "most", Label: "Most, in " + g.Row.MeasuredIn, Short: "The most", Kind: "number", Optional: true},
	}
	if g.Row.Least != nil {
		s.fill(map[string]string{"least": g.Row.Least.String()})
	}
	if g.Row.Most != nil {
		s.fill(map[string]string{"most": g.Row.Most.String()})
	}
	return s, nil
}

func (p *pages) setLevel(v visit, s *sheet) (string, error) {
	g := s.about.(stockPart)
	in := stock.Level{LocationID: g.At.ID, PartID: g.Row.PartID, Least: s.amount("least")}
	if s.get("most") != "" {
		n := s.amount("most")
		in.Most = &n
	}
	if len(s.Mend) > 0 {
		return "", nil
	}
	_, err := once(p, v, s, func(tx *gorm.DB) (bool, error) { return true, stock.SetLevels(tx, v.who, []stock.Level{in}) })
	return g.Row.Path(), err
}

// openSheet notes that a container was opened.
func (p *pages) openSheet(v visit) (*sheet, error) {
	s, g, err := p.shelfSheet(v, "A container was opened", "Record it")
	if err != nil {
		return nil, err
	}
	s.Lead = "From today a second clock runs: whichever ends first is its last day."
	sent, err := posted(v)
	if err != nil {
		return nil, err
	}
	var lots []option
	for _, x := range g.Row.Lots {
		if x.Lot != "" && !slices.ContainsFunc(lots, func(o option) bool { return o.Value == x.Lot }) {
			lots = append(lots, option{x.Lot, "Lot " + x.Lot})
		}
	}
	if len(lots) > 0 && sent == nil || sent.Has("lot") {
		s.Fields = []*field{{Name: "lot", Label: "Which", Kind: "radio", Free: true, Options: lots}}
	}
	return s, nil
}

func (p *pages) openContainer(v visit, s *sheet) (string, error) {
	g := s.about.(stockPart)
	lot := ""
	if f := s.field("lot"); f != nil {
		lot = f.Value
	}
	_, err := once(p, v, s, func(tx *gorm.DB) (stock.Container, error) {
		return stock.OpenContainer(tx, v.who, v.now, g.At.ID, g.Row.PartID, lot)
	})
	return g.Row.Path(), err
}

// fullnessSheet asks how full an open container is.
func (p *pages) fullnessSheet(v visit) (*sheet, error) {
	s, g, err := p.shelfSheet(v, "How full is it?", "Record it")
	if err != nil {
		return nil, err
	}
	id, err := idOf(v, "container", "open container")
	if err != nil {
		return nil, err
	}
	c, err := stock.OneContainer(v.ctx, p.db, v.who, id)
	switch {
	case err != nil:
		return nil, err
	case c.LocationID != g.At.ID || c.PartID != g.Row.PartID:
		return nil, fault.Missing("open container", id.String())
	case c.EmptiedAt != nil && v.c.Request.Method == http.MethodGet: // one that is sent again says what it said
		return nil, &fault.Error{Kind: fault.Conflict, Msg: "this container is empty"}
	}
	s.about, s.Version = fullness{g, c}, c.Version
	s.Over += ", opened on " + c.OpenedOn
	s.Fields = []*field{{Name: "level", Label: "As somebody sees it", Short: "The level", Kind: "radio", Options: plainOptions(stock.Levels)}}
	s.fill(map[string]string{"level": c.Level})
	return s, nil
}

type fullness struct {
	stockPart
	of stock.Container
}

func (p *pages) setFullness(v visit, s *sheet) (string, error) {
	g := s.about.(fullness)
	_, err := once(p, v, s, func(tx *gorm.DB) (stock.Container, error) {
		return stock.SetLevel(tx, v.who, v.now, g.of.ID, s.Version, s.get("level"))
	})
	return g.Row.Path(), err
}

// extendSheet gives a lot more time after an inspection.
func (p *pages) extendSheet(v visit) (*sheet, error) {
	s, g, err := p.shelfSheet(v, "Give a lot more time", "Decide it")
	if err != nil {
		return nil, err
	}
	s.Lead = "Only after somebody has inspected it. Who decided, from when until when and why stay on record."
	var lots []option
	for _, x := range g.Row.Lots {
		if x.LotID != nil && x.ExpiresOn != nil && !slices.ContainsFunc(lots, func(o option) bool { return o.Value == x.LotID.String() }) {
			lots = append(lots, option{x.LotID.String(), "Lot " + x.Lot + ", until now " + *x.ExpiresOn})
		}
	}
	if len(lots) == 0 {
		return nil, &fault.Error{Kind: fault.Conflict, Msg: "no lot of it here has a last day"}
	}
	s.Fields = []*field{{Name: "lot", Label: "Which", Kind: "radio", Options: lots}, {Name: "until", Label: "New last day", Kind: "date"},
		{Name: "reason", Label: "What the inspection found", Short: "The reason", Kind: "area", Most: 500},
		{Name: "evidence", Label: "What shows it", Short: "The evidence", Most: 200, Hint: "Such as the number of the report, or where the photo is kept."}}
	if len(lots) == 1 {
		s.fill(map[string]string{"lot": lots[0].Value})
	}
	return s, nil
}

func (p *pages) extend(v visit, s *sheet) (string, error) {
	g, lot := s.about.(stockPart), s.id("lot")
	if len(s.Mend) > 0 {
		return "", nil
	}
	_, err := once(p, v, s, func(tx *gorm.DB) (stock.Extension, error) {
		return stock.ExtendLot(tx, v.who, v.now, *lot, stock.Extending{Until: s.get("until"), Reason: s.get("reason"), Evidence: s.get("evidence")})
	})
	return g.Row.Path(), err
}

// filling is what a place is filled up with, from its sheet to the act.
type filling struct{ at, from assets.Location }

// fillSheet lists what a place lacks and another one has, ready to be carried over.
func (p *pages) fillSheet(v visit) (*sheet, error) {
	if err := v.who.Must(access.MoveStock); err != nil {
		return nil, err
	}
	id, err := idOf(v, "id", "location")
	if err != nil {
		return nil, err
	}
	f := filling{}
	if f.at, err = assets.OneLocation(v.ctx, p.db, v.who, id); err != nil {
		return nil, err
	}
	all, err := assets.Locations(v.ctx, p.db, v.who, assets.Page{Limit: mostOptions})
	if err != nil {
		return nil, err
	}
	all = slices.DeleteFunc(all, func(l assets.Location) bool { return l.ID == f.at.ID || !slices.Contains(usable, l.Kind) })
	asked := v.c.Query("from")
	from := slices.IndexFunc(all, func(l assets.Location) bool {
		return l.ID.String() == asked || asked == "" && l.Kind == "warehouse"
	})
	if from < 0 && asked == "" && len(all) > 0 {
		from = 0 // it is the warehouse itself that is filled up
	}
	if from < 0 {
		return nil, fault.Missing("location", asked)
	}
	f.from = all[from]
	var others []crumb
	for i, l := range all {
		if i != from {
			others = append(others, crumb{"/locations/" + id.String() + "/fill?from=" + l.ID.String(), "Out of " + l.Code})
		}
	}
	here := "/stock?location=" + id.String()
	s := &sheet{Title: "Fill up " + f.at.Code, Over: f.at.Name + ", out of " + f.from.Code, Verb: "It is over there now", Cancel: here, Crumbs: []crumb{{"/stock", "Stock"}, {here, f.at.Code}}, Else: others, about: f}
	there, err := stock.Lines(v.ctx, p.db, v.who, v.now, stock.LineFilter{LocationID: &f.from.ID}, stock.Page{Limit: mostOptions})
	if err != nil {
		return nil, err
	}
	sent, err := posted(v)
	if err != nil {
		return nil, err
	}
	free := map[uuid.UUID]stock.Line{}
	for _, l := range there {
		free[l.PartID] = l
	}
	if sent != nil {
		// what was asked, whatever is short or there by now
		here, err := stock.Lines(v.ctx, p.db, v.who, v.now, stock.LineFilter{LocationID: &f.at.ID}, stock.Page{Limit: mostOptions})
		if err != nil {
			return nil, err
		}
		for _, l := range append(there, here...) {
			name := "n_" + l.PartID.String()
			if sent.Has(name) && s.field(name) == nil {
				s.Fields = append(s.Fields, &field{Name: name, Label: l.PartNumber + " " + l.PartDescription, Short: l.PartNumber, Kind: "number", Optional: true, Hint: free[l.PartID].Free().String() + " free in " + f.from.Code + "."})
			}
		}
		return s, nil
	}
	short, err := stock.Lines(v.ctx, p.db, v.who, v.now, stock.LineFilter{LocationID: &f.at.ID, Short: true}, stock.Page{Limit: 100})
	if err != nil {
		return nil, err
	}
	nowhere := 0
	for _, l := range short {
		of := free[l.PartID]
		if of.Free() == 0 || slices.ContainsFunc(of.Lots, func(x stock.Lot) bool { return x.UnitID != nil }) {
			nowhere++
			continue
		}
		up := *l.Least
		if l.Most != nil {
			up = *l.Most
		}
		s.Fields = append(s.Fields, &field{Name: "n_" + l.PartID.String(), Label: l.PartNumber + " " + l.PartDescription, Short: l.PartNumber, Kind: "number", Optional: true,
			Value: min(up-(l.OnHand-l.Expired), of.Free()).String(),
			Hint:  fmt.Sprintf("Has %s of at least %s %s; %s free in %s.", l.OnHand-l.Expired, l.Least, l.MeasuredIn, of.Free(), f.from.Code)})
	}
	switch {
	case len(s.Fields) == 0 && nowhere == 0:
		s.Lead = "Nothing is short here."
	case len(s.Fields) == 0:
		s.Lead = fmt.Sprintf("%s short here, and %s has nothing of it to give.", plural(nowhere, "part is", "parts are"), f.from.Code)
	default:
		s.Lead = "What is short here, up to what should lie here. Change or clear what you do not take."
		if nowhere > 0 {
			s.Lead += fmt.Sprintf(" %s short too, and not to be had there, or kept by unit.", plural(nowhere, "more part is", "more parts are"))
		}
	}
	return s, nil
}

func (p *pages) fillUp(v visit, s *sheet) (string, error) {
	f := s.about.(filling)
	kind := "put_away"
	if f.at.Kind == "van" {
		kind = "load"
	}
	var in []stock.Moving
	var of []string
	for _, one := range s.Fields {
		part, err := uuid.Parse(strings.TrimPrefix(one.Name, "n_"))
		if n := s.amount(one.Name); n != 0 && err == nil {
			in, of = append(in, stock.Moving{Kind: kind, PartID: part, Amount: n, From: &f.from.ID, To: &f.at.ID}), append(of, one.Name)
		}
	}
	if len(in) == 0 && len(s.Mend) == 0 {
		s.wrong("", "nothing is to be carried over")
	}
	if len(s.Mend) > 0 {
		return "", nil
	}
	_, err := once(p, v, s, func(tx *gorm.DB) ([]stock.Movement, error) { return stock.Move(tx, v.who, v.now, in) })
	return "/stock?location=" + f.at.ID.String(), eachField(err, of)
}

// ofItem names the field of a form for one of an item of a list: of items[2].amount it is
// asked for the amount of item 2. There are as many items as were sent.
func ofItem(name func(i int, field string) string, items int) func(string) string {
	return func(path string) string {
		at := listed.FindStringSubmatch(path)
		if at == nil {
			return path
		}
		i, err := strconv.Atoi(at[1])
		if err != nil || i >= items {
			return path
		}
		return name(i, strings.TrimPrefix(path, at[0]))
	}
}

// eachField puts the faults of a list of lines at the fields that they came from.
func eachField(err error, of []string) error {
	return fault.Renamed(err, ofItem(func(i int, _ string) string { return of[i] }, len(of)))
}

// posted gives what a form was sent with; nil where it is only asked for.
func posted(v visit) (url.Values, error) {
	if v.c.Request.Method != http.MethodPost {
		return nil, nil
	}
	if err := v.c.Request.ParseForm(); err != nil {
		if tooLarge, ok := errors.AsType[*http.MaxBytesError](err); ok {
			return nil, tooLarge
		}
		return nil, &fault.Error{Kind: fault.Malformed, Msg: "the form cannot be read", Err: err}
	}
	return v.c.Request.PostForm, nil
}

// writeOffSheet takes everything out of a place that is lost.
func (p *pages) writeOffSheet(v visit) (*sheet, error) {
	if err := v.who.Must(access.MoveStock); err != nil {
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
	scrap, err := p.placeOptions(v, "scrap")
	here := "/stock?location=" + id.String()
	return &sheet{Title: "Write off " + at.Code, Over: at.Name, Verb: "Write all of it off", Grave: true, Cancel: here, Crumbs: []crumb{{"/stock", "Stock"}, {here, at.Code}}, about: at,
		Lead: "Everything that lies here on record goes to scrap, such as after a theft or a fire. Units stay known by their serials, and what was set aside here is looked for elsewhere.",
		Fields: []*field{
			{Name: "scrap", Label: "Booked to", Short: "The place", Kind: "choice", Options: scrap},
			{Name: "reason", Label: "What became of it", Short: "The reason", Kind: "area", Most: 500},
			{Name: "sure", Label: "Yes, all that lies in " + at.Code, Kind: "check", Optional: true},
		}}, err
}

func (p *pages) writeOff(v visit, s *sheet) (string, error) {
	at, scrap := s.about.(assets.Location), s.id("scrap")
	if !s.checked("sure") {
		s.wrong("sure", "say that you mean all of it")
	}
	if len(s.Mend) > 0 {
		return "", nil
	}
	_, err := once(p, v, s, func(tx *gorm.DB) ([]stock.LostUnit, error) {
		_, lost, err := stock.WriteOff(tx, v.who, v.now, at.ID, *scrap, s.get("reason"))
		return lost, err
	})
	return "/stock/ledger?location=" + at.ID.String(), err
}

// prepareSheet records what was done to a unit at the bench.
func (p *pages) prepareSheet(v visit) (*sheet, error) {
	if err := v.who.Must(access.MoveStock); err != nil {
		return nil, err
	}
	id, err := idOf(v, "id", "unit")
	if err != nil {
		return nil, err
	}
	u, err := assets.OneUnit(v.ctx, p.db, v.who, v.now, id)
	if err != nil {
		return nil, err
	}
	kinds, err := assets.FactKinds(v.ctx, p.db, v.who)
	if err != nil {
		return nil, err
	}
	at := "/units/" + id.String()
	s := &sheet{Title: "Prepared at the bench", Over: unitWords(u.Tag, u.PartDescription, val(u.Serial)), Verb: "Record it", Cancel: at, Crumbs: append(slices.Clone(stockCrumbs), crumb{at, u.Tag}), about: u,
		Lead:    "A gearbox that was turned to another position, or links that were set for another voltage. Its oil level and breather follow the position: check both.",
		Caution: "Work at the bench on a unit without power. Links are set by a qualified person after the motor's own diagram."}
	for _, k := range kinds {
		if k.Code == "gearmotor_orientation" || k.Code == "link_setting" {
			f := valueField(k)
			f.Name, f.Optional, f.Kind = k.Code, true, "choice"
			f.Options = append([]option{{"", "Left as it was"}}, f.Options...)
			s.Fields = append(s.Fields, f)
		}
	}
	s.Fields = append(s.Fields, &field{Name: "remark", Label: "Remark", Optional: true, Most: 500})
	return s, nil
}

func (p *pages) prepare(v visit, s *sheet) (string, error) {
	u := s.about.(assets.Unit)
	in := stock.Preparing{UnitID: u.ID, Orientation: s.get("gearmotor_orientation"), Links: s.get("link_setting"), Remark: s.get("remark")}
	_, err := once(p, v, s, func(tx *gorm.DB) ([]stock.Movement, error) {
		return stock.Prepare(tx, v.who, v.now, []stock.Preparing{in})
	})
	return "/units/" + u.ID.String(), inField(err, map[string]string{"orientation": "gearmotor_orientation", "links": "link_setting"})
}
