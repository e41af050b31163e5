package web

import (
	"fmt"
	"net/http"
	"net/url"
	"slices"
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

type kitList struct {
	At             assets.Location
	All            []assets.Location
	Rows           []kitRow
	Bags           []stock.Bag
	More, MoreBags string
	May            bool
	Tabs           []nav
	Clock          clock
}

type kitRow struct {
	stock.Buildable
	Says string
	Set  bool // of sections
}

// Held says what holds one more up.
func (r kitRow) Held() string {
	if r.Lacks != "" && r.More == 0 {
		return r.Lacks
	}
	var all []string
	for _, s := range r.Short {
		all = append(all, fmt.Sprintf("%s (%s of %s there)", s.Part, s.There, s.Needed))
	}
	return strings.Join(all, ", ")
}

// kits shows what lies packed at a place, and how many more could be put together there.
func (p *pages) kits(v visit) error {
	if err := v.who.Must(access.SeeInternal); err != nil {
		return err
	}
	g := kitList{May: v.may(access.MoveStock), Tabs: stockTabs(v, "/kits"), Clock: clock{v.now, time.UTC}}
	all, err := assets.Locations(v.ctx, p.db, v.who, assets.Page{Limit: mostOptions})
	if err != nil {
		return err
	}
	for _, l := range all {
		if !slices.Contains(usable, l.Kind) {
			continue
		}
		g.All = append(g.All, l)
		if q := v.c.Query("location"); l.ID.String() == q || q == "" && l.Kind == "warehouse" && g.At.Code == "" {
			g.At = l
		}
	}
	if g.At.Code == "" {
		if v.c.Query("location") != "" {
			return fault.Missing("location", v.c.Query("location"))
		}
		return p.ok(v, "kits", "Kits", g)
	}
	at := "/kits?location=" + g.At.ID.String()
	afterKit, afterBag := v.c.Query("after"), v.c.Query("bag")
	kits, err := parts.Kits(v.ctx, p.db, v.who, parts.Page{After: afterKit, Limit: perPage + 1})
	if err != nil {
		return err
	}
	if len(kits) > perPage {
		kits = kits[:perPage]
		g.More = at + "&after=" + url.QueryEscape(kits[perPage-1].Number)
	}
	ids := make([]uuid.UUID, len(kits))
	for i, k := range kits {
		ids[i] = k.ID
	}
	can, err := stock.CanBuild(v.ctx, p.db, v.who, v.now, g.At.ID, ids)
	if err != nil {
		return err
	}
	of := map[uuid.UUID]parts.Kit{}
	for _, k := range kits {
		of[k.ID] = k
	}
	for _, b := range can {
		g.Rows = append(g.Rows, kitRow{b, of[b.KitID].Description, of[b.KitID].Pattern != nil})
	}
	if g.Bags, err = stock.Bags(v.ctx, p.db, v.who, stock.BagFilter{LocationID: &g.At.ID, Sealed: true}, stock.Page{After: afterBag, Limit: perPage + 1}); err != nil {
		return err
	}
	if len(g.Bags) > perPage {
		g.Bags = g.Bags[:perPage]
		g.MoreBags = at + "&after=" + url.QueryEscape(afterKit) + "&bag=" + url.QueryEscape(g.Bags[perPage-1].Number) + "#bags"
	}
	return p.ok(v, "kits", "Kits in "+g.At.Code, g)
}

// building is what is put together, from its sheet to the act.
type building struct {
	kit      partKept
	optional []option // lines that may be left out
}

func (p *pages) buildSheet(v visit) (*sheet, error) {
	if err := v.who.Must(access.MoveStock); err != nil {
		return nil, err
	}
	id, err := idOf(v, "id", "kit")
	if err != nil {
		return nil, err
	}
	b := building{}
	if b.kit, err = p.partOf(v, id); err != nil {
		return nil, err
	}
	recipes, err := parts.RecipesOf(v.ctx, p.db, v.who, id)
	if err != nil {
		return nil, err
	}
	if len(recipes) == 0 {
		return nil, fault.Missing("recipe of kit", b.kit.Number)
	}
	places, err := p.placeOptions(v, usable...)
	s := &sheet{Title: "Put kits together", Over: b.kit.Name(), Verb: "They are packed", Cancel: "/kits", Crumbs: append(slices.Clone(shelfCrumbs), crumb{"/kits", "Kits"}),
		Lead: "Of each line what expires first goes in, sections of one letter from one lot. Each bag gets a number of its own; its shortest-lived line is its last day.",
		Fields: []*field{
			{Name: "count", Label: "How many", Kind: "number"},
			{Name: "location_id", Label: "Where", Kind: "choice", Options: places},
			{Name: "seal", Label: "Number on the seal", Short: "The seal", Optional: true, Most: 64},
		}}
	for _, l := range recipes[0].Lines {
		if l.Optional {
			b.optional = append(b.optional, option{l.PartID.String(), l.Number + " " + l.Description})
		}
	}
	if len(b.optional) > 0 {
		s.Fields = append(s.Fields, &field{Name: "without", Label: "Left out on purpose", Kind: "checks", Optional: true, Options: b.optional, Hint: "An optional part that is not there is left out by itself."})
	}
	s.about = b
	s.fill(map[string]string{"count": "1"})
	if at := v.c.Query("location"); slices.ContainsFunc(places, func(o option) bool { return o.Value == at }) {
		s.fill(map[string]string{"location_id": at})
	}
	return s, err
}

func (p *pages) build(v visit, s *sheet) (string, error) {
	b := s.about.(building)
	in := stock.Building{KitID: b.kit.ID, LocationID: val(s.id("location_id")), Seal: s.get("seal")}
	if n := s.whole("count"); n != nil {
		in.Count = *n
	}
	if f := s.field("without"); f != nil {
		for _, one := range strings.Fields(f.Value) {
			if id, err := uuid.Parse(one); err == nil {
				in.Without = append(in.Without, id)
			}
		}
	}
	if len(s.Mend) > 0 {
		return "", nil
	}
	made, err := once(p, v, s, func(tx *gorm.DB) ([]stock.Bag, error) { return stock.BuildKits(tx, v.who, v.now, in) })
	if err != nil {
		return "", inField(err, map[string]string{"kit_id": ""})
	}
	if len(made) == 1 {
		return "/bags/" + made[0].LotID.String(), nil
	}
	return "/kits?location=" + in.LocationID.String(), nil
}

type bagPage struct {
	stock.Bag
	Clock clock
	May   bool
	Old   bool
}

func (p *pages) bagOf(v visit) (stock.Bag, error) {
	id, err := idOf(v, "id", "kit bag")
	if err == nil {
		err = v.who.Must(access.SeeInternal)
	}
	if err != nil {
		return stock.Bag{}, err
	}
	return stock.OneBag(v.ctx, p.db, v.who, id)
}

func (p *pages) bag(v visit) error {
	b, err := p.bagOf(v)
	if err != nil {
		return err
	}
	g := bagPage{Bag: b, Clock: clock{v.now, time.UTC}, May: v.may(access.MoveStock) && b.State == "sealed" && b.LocationID != nil}
	g.Old = b.ExpiresOn != nil && *b.ExpiresOn < v.now.UTC().Format(time.DateOnly)
	return p.ok(v, "bag", "Bag "+b.Number, g)
}

func (p *pages) openBagSheet(v visit) (*sheet, error) {
	if err := v.who.Must(access.MoveStock); err != nil {
		return nil, err
	}
	b, err := p.bagOf(v)
	if err != nil {
		return nil, err
	}
	at := "/bags/" + b.LotID.String()
	s := &sheet{Title: "Open the bag", Over: b.Number + ", " + b.KitNumber, Verb: "It was opened", Cancel: at, Crumbs: append(slices.Clone(shelfCrumbs), crumb{"/kits", "Kits"}, crumb{at, b.Number}), about: b, Version: b.Version,
		Lead:   "A bag that lost one screw is no kit any more: what was not used goes back to the shelf as parts.",
		Fields: []*field{{Name: "for", Label: "For which work", Short: "The work", Most: 200, Hint: "Such as J01 UMB-1/SBL-D."}}}
	for i, l := range b.Lines {
		f := &field{Name: fmt.Sprintf("used_%d", l.Ordinal), Label: fmt.Sprintf("%s used, in %s", l.PartNumber, l.MeasuredIn), Short: l.PartNumber, Kind: "number", Optional: true, Value: l.Amount.String(), Hint: "In the bag: " + l.Amount.String()}
		if l.Lot != "" {
			f.Hint += ", lot " + l.Lot
		}
		if l.Optional {
			f.Value = "0"
			f.Hint += ". Optional."
		}
		if i == 0 {
			f.Head, f.Said = "What was used of it", "Of the rest nothing was used, and it goes back."
		}
		s.Fields = append(s.Fields, f)
	}
	return s, nil
}

func (p *pages) openBag(v visit, s *sheet) (string, error) {
	b := s.about.(stock.Bag)
	in := stock.Opening{For: s.get("for"), Used: map[int]qty.Amount{}}
	for _, l := range b.Lines {
		in.Used[l.Ordinal] = s.amount(fmt.Sprintf("used_%d", l.Ordinal))
	}
	if len(s.Mend) > 0 {
		return "", nil
	}
	_, err := once(p, v, s, func(tx *gorm.DB) (stock.Bag, error) { return stock.OpenBag(tx, v.who, v.now, b.LotID, s.Version, in) })
	return "/bags/" + b.LotID.String(), fault.Renamed(err, usedField)
}

// usedField finds the field of the form for a line of a bag: used[3] is used_3.
func usedField(field string) string {
	if n, ok := strings.CutPrefix(field, "used["); ok {
		return "used_" + strings.TrimSuffix(n, "]")
	}
	return field
}

type claimList struct {
	Rows  []claimRow
	Held  bool
	May   bool
	Move  bool
	More  string
	Tabs  []nav
	Clock clock
}

type claimRow struct {
	stock.Claim
	Late bool // its day has passed
}

// Words say how the claim stands.
func (r claimRow) Words() string {
	switch r.State {
	case "open":
		return "promised"
	case "set_aside":
		return "set aside"
	case "taken":
		return "lost to graver work"
	}
	return r.State
}

// Holds tells whether it holds something.
func (r claimRow) Holds() bool { return r.State == "open" || r.State == "set_aside" }

func mayClaim(v visit) bool { return v.may(access.MoveStock) || v.may(access.Plan) }

func (p *pages) claims(v visit) error {
	if err := v.who.Must(access.SeeInternal); err != nil {
		return err
	}
	g := claimList{Held: v.c.Query("all") == "", May: mayClaim(v), Move: v.may(access.MoveStock), Tabs: stockTabs(v, "/claims"), Clock: clock{v.now, time.UTC}}
	all, err := stock.Claims(v.ctx, p.db, v.who, stock.ClaimFilter{Held: g.Held}, stock.Page{After: v.c.Query("after"), Limit: perPage + 1})
	if err != nil {
		return err
	}
	if len(all) > perPage {
		all = all[:perPage]
		g.More = "/claims?after=" + strings.ReplaceAll(all[perPage-1].Key(), " ", "+")
		if !g.Held {
			g.More += "&all=yes"
		}
	}
	today := v.now.UTC().Format(time.DateOnly)
	for _, c := range all {
		r := claimRow{Claim: c}
		r.Late = r.Holds() && c.NeededOn < today
		g.Rows = append(g.Rows, r)
	}
	return p.ok(v, "claims", "Set aside and promised", g)
}

var gravities = []option{{"S", "S: somebody can be hurt"}, {"A", "A: the line stands"}, {"B", "B: the line washes worse"}, {"C", "C: it can wait"}}

// claimFields ask for what something is promised.
func (p *pages) claimFields(v visit) ([]*field, error) {
	sites, err := p.siteOptions(v)
	return []*field{
		{Name: "amount", Label: "How much", Short: "The amount", Kind: "number"},
		{Name: "needed_on", Label: "Day of use", Kind: "date"},
		{Name: "purpose", Label: "For what", Most: 200, Hint: "As people say it: J01 UMB-1/SBL-D."},
		{Name: "site_id", Label: "Site", Kind: "choice", Optional: true, Options: append([]option{{"", "None yet"}}, sites...), Hint: "What lies on a site's own shelf serves that site alone."},
		{Name: "criticality", Label: "How grave", Kind: "radio", Options: gravities},
	}, err
}

func (s *sheet) claim(part uuid.UUID) stock.Claiming {
	return stock.Claiming{PartID: part, Amount: s.amount("amount"), NeededOn: s.get("needed_on"), SiteID: s.id("site_id"), Purpose: s.get("purpose"), Criticality: s.get("criticality")}
}

var claimCrumbs = []crumb{{"/stock", "Stock"}, {"/claims", "Set aside and promised"}}

func (p *pages) newClaimSheet(v visit) (*sheet, error) {
	if !mayClaim(v) {
		return nil, v.who.Must(access.MoveStock)
	}
	fields, err := p.claimFields(v)
	s := &sheet{Title: "Promise a part to work", Verb: "Promise it", Cancel: "/claims", Crumbs: claimCrumbs,
		Lead:   "What is promised stays promised: whoever comes later is told who has it and for when. What expires before the day of use does not count.",
		Fields: append([]*field{{Name: "part_id", Label: "Part", Hint: "Its number, an old number, or words that name it."}}, fields...)}
	if text := v.c.Query("part"); text != "" && len(text) < 100 {
		s.fill(map[string]string{"part_id": text})
	}
	s.fill(map[string]string{"criticality": "B"})
	return s, err
}

func (p *pages) newClaim(v visit, s *sheet) (string, error) {
	part, err := p.whichPart(v, s, "part_id")
	if err != nil {
		return "", err
	}
	in := s.claim(part)
	if len(s.Mend) > 0 {
		return "", nil
	}
	_, err = once(p, v, s, func(tx *gorm.DB) ([]stock.Claim, error) {
		return stock.Promise(tx, v.who, v.now, []stock.Claiming{in})
	})
	return "/claims", err
}

// claimSheet begins a form about a claim.
func (p *pages) claimSheet(v visit, title, verb string) (*sheet, stock.Claim, error) {
	if !mayClaim(v) {
		return nil, stock.Claim{}, v.who.Must(access.MoveStock)
	}
	id, err := idOf(v, "id", "claim")
	if err != nil {
		return nil, stock.Claim{}, err
	}
	c, err := stock.OneClaim(v.ctx, p.db, v.who, id)
	return &sheet{Title: title, Over: fmt.Sprintf("%s %s %s for %s on %s", c.Amount, c.MeasuredIn, c.PartNumber, c.Purpose, c.NeededOn), Verb: verb, Cancel: "/claims", Crumbs: claimCrumbs, about: c, Version: c.Version}, c, err
}

// asideSheet asks what exactly is put aside: which lot or unit, and where it lies.
func (p *pages) asideSheet(v visit) (*sheet, error) {
	if err := v.who.Must(access.MoveStock); err != nil {
		return nil, err
	}
	s, c, err := p.claimSheet(v, "Set it aside", "It lies aside")
	if err != nil {
		return nil, err
	}
	there, err := stock.Lines(v.ctx, p.db, v.who, v.now, stock.LineFilter{PartID: &c.PartID}, stock.Page{Limit: 200})
	if err != nil {
		return nil, err
	}
	var o []option
	for _, l := range there {
		if !slices.Contains(usable, l.LocationKind) {
			continue
		}
		for _, x := range piles(l) {
			o = append(o, option{l.LocationID.String() + " " + x.Value, l.Location + ": " + x.Name})
		}
	}
	if len(o) == 0 && v.c.Request.Method == http.MethodGet {
		return nil, &fault.Error{Kind: fault.Conflict, Msg: "nothing of " + c.PartNumber + " lies where it can be set aside"}
	}
	s.Lead = "From then on it holds this very lot or unit. Where a lot has less than all of it, choose the lots one after another by releasing and promising anew, or leave the choice to what expires first."
	s.Fields = []*field{{Name: "what", Label: "What lies aside", Short: "What", Kind: "radio", Free: true, Options: o}}
	return s, nil
}

func (p *pages) setAside(v visit, s *sheet) (string, error) {
	c := s.about.(stock.Claim)
	at, what, _ := strings.Cut(s.get("what"), " ")
	loc, err := uuid.Parse(at)
	if err != nil {
		s.wrong("what", "is not among the choices")
	}
	of := s.chosen(what)
	if len(s.Mend) > 0 {
		return "", nil
	}
	in := stock.Aside{LocationID: loc, Lot: of.lot, UnitID: of.unit, Owner: of.owner}
	_, err = once(p, v, s, func(tx *gorm.DB) ([]stock.Claim, error) { return stock.SetAside(tx, v.who, v.now, c.ID, s.Version, in) })
	return "/claims", inField(err, map[string]string{"location_id": "what", "unit_id": "what", "lot": "what", "amount": "what", "owner_customer_id": "what", "part_id": ""})
}

func (p *pages) releaseSheet(v visit) (*sheet, error) {
	s, _, err := p.claimSheet(v, "Give it back", "Release it")
	if err == nil {
		s.Lead, s.Fields = "It is free for other work from then on.", []*field{{Name: "why", Label: "Why", Optional: true, Most: 500}}
	}
	return s, err
}

func (p *pages) releaseClaim(v visit, s *sheet) (string, error) {
	c := s.about.(stock.Claim)
	_, err := once(p, v, s, func(tx *gorm.DB) (stock.Claim, error) {
		return stock.ReleaseClaim(tx, v.who, v.now, c.ID, s.Version, s.get("why"))
	})
	return "/claims", err
}

// takeSheet takes a claim for graver work.
func (p *pages) takeSheet(v visit) (*sheet, error) {
	s, c, err := p.claimSheet(v, "Take it for graver work", "Take it")
	if err != nil {
		return nil, err
	}
	fields, err := p.claimFields(v)
	s.Grave, s.Lead = true, "Only work that is graver than "+c.Criticality+" takes it, and whoever loses it is told why."
	s.Fields = append(fields, &field{Name: "reason", Label: "Why the other work has to wait", Short: "The reason", Most: 500})
	s.fill(map[string]string{"amount": c.Amount.String(), "needed_on": c.NeededOn})
	return s, err
}

func (p *pages) takeClaim(v visit, s *sheet) (string, error) {
	c := s.about.(stock.Claim)
	in := s.claim(c.PartID)
	if len(s.Mend) > 0 {
		return "", nil
	}
	_, err := once(p, v, s, func(tx *gorm.DB) (stock.Claim, error) {
		return stock.TakeClaim(tx, v.who, v.now, c.ID, s.Version, in, s.get("reason"))
	})
	return "/claims", err
}
