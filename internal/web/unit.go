package web

import (
	"html/template"
	"net/url"
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

// unitList is what lies and is fitted where, in pages.
type unitList struct {
	Units     []unitRow
	More      string
	Later     bool
	Filtered  bool
	Site      string
	Location  string
	Class     string
	Part      string // the id, "" where every part is shown
	PartName  string
	Serial    string
	Sites     []option
	Locations []option
	Classes   []option
	Tabs      []nav
	Record    bool
}

type unitRow struct {
	assets.Unit
	Clock clock
}

// Where says where a unit is now.
func (r unitRow) Where() string {
	switch {
	case r.HolderTag != nil && r.PositionCode != nil:
		return *r.PositionCode + ", in " + *r.HolderTag
	case r.PositionCode != nil:
		return *r.PositionCode + ", " + strings.ToLower(val(r.Slot))
	case r.HolderTag != nil:
		return "in " + *r.HolderTag
	case r.LocationCode != nil:
		return *r.LocationCode
	}
	return ""
}

// stockTabs are the pages about what is owned and where it lies.
func stockTabs(v visit, here string) []nav {
	tabs := []nav{{"/stock", "By place", false}, {"/units", "Units", false}, {"/parts", "Parts", false}, {"/locations", "Locations", false}}
	if v.may(access.SeeInternal) {
		tabs = slices.Insert(tabs, 3, nav{"/orders", "Orders", false}, nav{"/kits", "Kits", false}, nav{"/counts", "Counts", false})
	}
	for i := range tabs {
		tabs[i].Here = tabs[i].Path == here
	}
	if mayImport(v) {
		tabs = append(tabs, nav{"/import", "Import", here == "/import"})
	}
	return tabs
}

func (p *pages) units(v visit) error {
	q := func(name string) string { return strings.TrimSpace(v.c.Query(name)) }
	g := unitList{Later: q("after") != "", Site: q("site"), Location: q("location"), Class: q("class"), Part: q("part"), Serial: q("serial"),
		Tabs: stockTabs(v, "/units"), Record: v.may(access.RecordWork)}
	var f assets.UnitFilter
	for _, one := range []struct {
		text string
		kind string
		into **uuid.UUID
	}{{g.Site, "site", &f.SiteID}, {g.Location, "location", &f.LocationID}, {g.Part, "part", &f.PartID}} {
		if one.text == "" {
			continue
		}
		id, err := uuid.Parse(one.text)
		if err != nil {
			return fault.Missing(one.kind, one.text)
		}
		*one.into, g.Filtered = &id, true
	}
	if g.Class != "" {
		f.Class, g.Filtered = &g.Class, true
	}
	if g.Serial != "" {
		f.Serial, g.Filtered = &g.Serial, true
	}
	all, err := assets.Units(v.ctx, p.db, v.who, v.now, f, assets.Page{After: q("after"), Limit: perPage + 1})
	if err != nil {
		return err
	}
	if len(all) > perPage {
		all = all[:perPage]
		more := url.Values{"after": {all[perPage-1].Tag}}
		for k, val := range map[string]string{"site": g.Site, "location": g.Location, "class": g.Class, "part": g.Part, "serial": g.Serial} {
			if val != "" {
				more.Set(k, val)
			}
		}
		g.More = "/units?" + more.Encode()
	}
	for _, u := range all {
		g.Units = append(g.Units, unitRow{u, clock{v.now, time.UTC}})
	}
	if f.PartID != nil {
		it, err := assets.OnePart(v.ctx, p.db, v.who, *f.PartID)
		if err != nil {
			return err
		}
		g.PartName = it.Number + " " + it.Description
	}
	if g.Sites, err = p.siteOptions(v); err != nil {
		return err
	}
	if g.Locations, err = p.locationOptions(v); err != nil {
		return err
	}
	if g.Classes, err = p.classOptions(v); err != nil {
		return err
	}
	return p.ok(v, "units", "Units", g)
}

func (p *pages) classOptions(v visit) ([]option, error) {
	all, err := assets.ComponentClasses(v.ctx, p.db, v.who)
	var o []option
	for _, c := range all {
		o = append(o, option{c.Code, c.Name})
	}
	return o, err
}

// unitPage is everything about one unit.
type unitPage struct {
	unitRow
	Clock    clock
	Owned    string
	Facts    []unitFact
	Prepared []unitFact // the state into which work at the bench brought it
	Inside   []assets.Inside
	Stays    []stayRow
	Media    template.HTML
	Sections int
	Replaced []assets.ReplacedSection
	Photos   []assets.Photo
	Use      *useView // nil where no counter ever stood where it was, and it brought nothing
	Record   bool
	Admin    bool
	Bench    bool // it lies in stock, and the reader prepares units
}

// useView is what a unit has done.
type useView struct {
	Amounts []usedView
	Days    int
	AtLeast string // of what nobody knows how much it had done before this record began
	Spells  []spellView
}

// usedView is how much of one kind, and how that is known.
type usedView struct{ Amount, Grade string }

type spellView struct {
	PositionID   uuid.UUID
	PositionCode string
	Clock        clock
	From, Until  time.Time
	Now          bool
	Amounts      []usedView
}

// gradeWords say how an amount is known.
var gradeWords = map[meters.Grade]string{meters.Seen: "read", meters.Interpolated: "between readings", meters.Extrapolated: "carried on beyond the readings", meters.Computed: "computed from other counters"}

func usedViews(all map[meters.Unit]meters.Used) []usedView {
	var out []usedView
	for _, u := range []meters.Unit{meters.Hours, meters.Vehicles, meters.Cycles} {
		if used := all[u]; used.Known {
			grade := gradeWords[used.Grade]
			if used.Grade == meters.Default {
				grade = "for a part of the time only"
			}
			out = append(out, usedView{amount(u, used.Amount), grade})
		}
	}
	return out
}

// use reads what a unit has done, in all and stay by stay.
func (g *unitPage) use(p *pages, v visit) error {
	codes, clocks := map[uuid.UUID]string{}, map[uuid.UUID]clock{}
	var sites []uuid.UUID
	for _, s := range g.Stays {
		if s.SiteID != nil && !slices.Contains(sites, *s.SiteID) {
			sites = append(sites, *s.SiteID)
		}
		if s.PositionID != nil {
			codes[*s.PositionID], clocks[*s.PositionID] = val(s.PositionCode), s.Clock
		}
	}
	cal, err := outlook.Of(v.ctx, p.db, v.who, v.now, sites...)
	if err != nil {
		return err
	}
	u, err := meters.UseOfOne(v.ctx, p.db, v.who, cal.Scale, g.ID, v.now)
	if err != nil {
		return err
	}
	view := &useView{Days: u.Days, Amounts: usedViews(map[meters.Unit]meters.Used{meters.Hours: u.Hours, meters.Vehicles: u.Vehicles, meters.Cycles: u.Cycles})}
	var unknown []string
	for word, known := range map[string]bool{"hours": g.StartHours != nil || !u.Hours.Known, "vehicles": g.StartVehicles != nil || !u.Vehicles.Known} {
		if !known {
			unknown = append(unknown, word)
		}
	}
	slices.Sort(unknown)
	view.AtLeast = strings.Join(unknown, " and ")
	for _, s := range slices.Backward(u.Spells) {
		row := spellView{PositionID: s.PositionID, PositionCode: codes[s.PositionID], Clock: g.Clock, From: s.From, Until: s.Until, Now: !s.Until.Before(v.now),
			Amounts: usedViews(map[meters.Unit]meters.Used{meters.Hours: s.Hours, meters.Vehicles: s.Vehicles, meters.Cycles: s.Cycles})}
		if c, known := clocks[s.PositionID]; known {
			row.Clock = c
		}
		if row.PositionCode == "" {
			continue // it was inside another there; the other's page tells of it
		}
		view.Spells = append(view.Spells, row)
	}
	if len(view.Amounts) > 0 || view.Days > 0 {
		g.Use = view
	}
	return nil
}

// unitFact is what a unit is by itself, beside what the catalogue says of its part.
type unitFact struct {
	Code, Name string
	Own        *assets.Fact // nil where the catalogue alone speaks
	Part       string       // "" where it says nothing
	History    []assets.Fact
}

// Value is what holds.
func (f unitFact) Value() string {
	if f.Own != nil {
		return say(f.Own.Value)
	}
	return say(f.Part)
}

// Differs tells that the unit is not as its part is by the catalogue.
func (f unitFact) Differs() bool { return f.Own != nil && f.Part != "" && f.Own.Value != f.Part }

// Bench tells that work at the bench changes it, so that it may well differ.
func (f unitFact) Bench() bool { return slices.Contains(prepared, f.Code) }

type stayRow struct {
	assets.Stay
	Clock clock
	Site  *assets.Named
}

// prepared are the facts that work at the bench changes.
var prepared = []string{"gearmotor_orientation", "link_setting"}

func (p *pages) unit(v visit) error {
	id, err := idOf(v, "id", "unit")
	if err != nil {
		return err
	}
	u, err := assets.OneUnit(v.ctx, p.db, v.who, v.now, id)
	if err != nil {
		return err
	}
	g := unitPage{unitRow: unitRow{Unit: u}, Owned: say(u.Owner), Record: v.may(access.RecordWork), Admin: v.may(access.Administer), Bench: v.may(access.MoveStock) && u.LocationCode != nil && (u.Class == "gearmotor" || u.Class == "motor")}
	part, err := assets.OnePart(v.ctx, p.db, v.who, u.PartID)
	if err != nil {
		return err
	}
	facts, err := assets.UnitFacts(v.ctx, p.db, v.who, v.now, id)
	if err != nil {
		return err
	}
	kinds, err := assets.FactKinds(v.ctx, p.db, v.who)
	if err != nil {
		return err
	}
	if g.Inside, err = assets.FittedInUnit(v.ctx, p.db, v.who, v.now, id); err != nil {
		return err
	}
	stays, err := assets.UnitHistory(v.ctx, p.db, v.who, v.now, id)
	if err != nil {
		return err
	}
	if err := g.place(p, v, stays); err != nil {
		return err
	}
	if u.Class == "media_set" {
		if g.Replaced, err = assets.ReplacedSections(v.ctx, p.db, v.who, id); err != nil {
			return err
		}
	}
	if g.Photos, err = assets.PhotosOfUnit(v.ctx, p.db, v.who, v.now, id); err != nil {
		return err
	}
	if err := g.use(p, v); err != nil {
		return err
	}
	g.sort(v, part, facts, kinds)
	g.lay(part)
	return p.ok(v, "unit", u.Tag+" "+u.PartDescription, g)
}

// place puts sites to the stays and takes the zone of the latest one for the
// page: in stock there is none, so the last site's goes on.
func (g *unitPage) place(p *pages, v visit, stays []assets.Stay) error {
	var ids []uuid.UUID
	for _, s := range stays {
		if s.SiteID != nil {
			ids = append(ids, *s.SiteID)
		}
	}
	if g.OwnerCustomerID != nil {
		ids = append(ids, *g.OwnerCustomerID)
	}
	names, err := p.names(v, ids)
	if err != nil {
		return err
	}
	g.Clock = clock{v.now, time.UTC}
	for _, s := range slices.Backward(stays) {
		if s.SiteID != nil {
			g.Clock.At = zone(names[*s.SiteID].Zone)
		}
	}
	for _, s := range stays {
		row := stayRow{Stay: s, Clock: g.Clock}
		if s.SiteID != nil {
			n := names[*s.SiteID]
			row.Site, row.Clock.At = &n, zone(n.Zone)
		}
		g.Stays = append(g.Stays, row)
	}
	if g.OwnerCustomerID != nil {
		if n, ok := names[*g.OwnerCustomerID]; ok {
			g.Owned = n.Name
		}
	}
	return nil
}

// sort sets what the unit is by itself beside what the catalogue says.
func (g *unitPage) sort(v visit, part assets.Part, facts []assets.Fact, kinds []assets.FactKind) {
	for _, k := range kinds {
		row := unitFact{Code: k.Code, Name: k.Name}
		for _, f := range part.Facts {
			if f.Fact == k.Code {
				row.Part = f.Value
			}
		}
		for i, f := range slices.Backward(facts) {
			if f.Fact != k.Code {
				continue
			}
			if row.Own == nil && f.WithdrawnAt == nil && !f.From.After(v.now) && (f.Until == nil || f.Until.After(v.now)) {
				row.Own = &facts[i]
				continue
			}
			row.History = append(row.History, f)
		}
		motor := g.Class == "gearmotor" || g.Class == "motor"
		switch {
		case slices.Contains(prepared, k.Code) && (motor || row.Own != nil):
			if k.Code == "gearmotor_orientation" && g.Class != "gearmotor" && row.Own == nil {
				continue
			}
			g.Prepared = append(g.Prepared, row)
		case row.Own != nil || row.Part != "" || len(row.History) > 0:
			g.Facts = append(g.Facts, row)
		}
	}
}

// lay draws the sections of a media set.
func (g *unitPage) lay(part assets.Part) {
	if g.Class != "media_set" {
		return
	}
	pattern := val(g.Pattern)
	if pattern == "" {
		for _, f := range part.Facts {
			if f.Fact == "media_pattern" {
				pattern, _ = assets.SpellPattern(f.Value)
			}
		}
	}
	g.Sections = len(pattern)
	if pattern == "" {
		return
	}
	m := draw.Media{ID: "media", Pattern: pattern, Replaced: map[int]bool{}}
	var replaced []string
	for _, r := range slices.Backward(g.Replaced) {
		if !m.Replaced[r.Section] {
			replaced = append(replaced, strconv.Itoa(r.Section))
		}
		m.Replaced[r.Section] = true
	}
	m.Title = plural(len(pattern), "section", "sections") + " from the bottom up: " + pattern + "."
	if len(replaced) > 0 {
		m.Title += " Replaced: " + strings.Join(replaced, ", ") + "."
	}
	g.Media = template.HTML(draw.Sections(m))
}

// unitFor reads the unit that a form is about, and the zone of where it is.
func (p *pages) unitFor(v visit) (assets.Unit, *time.Location, []crumb, error) {
	id, err := idOf(v, "id", "unit")
	if err != nil {
		return assets.Unit{}, nil, nil, err
	}
	u, err := assets.OneUnit(v.ctx, p.db, v.who, v.now, id)
	if err == nil {
		err = v.who.Must(access.RecordWork)
	}
	if err != nil {
		return u, nil, nil, err
	}
	stays, err := assets.UnitHistory(v.ctx, p.db, v.who, v.now, id)
	if err != nil {
		return u, nil, nil, err
	}
	at := time.UTC
	for _, s := range stays {
		if s.SiteID == nil {
			continue
		}
		site, err := assets.OneSite(v.ctx, p.db, v.who, *s.SiteID)
		if err != nil {
			return u, nil, nil, err
		}
		at = site.Location()
		break
	}
	return u, at, []crumb{stockCrumbs[0], {"/units/" + id.String(), u.Tag}}, nil
}

var ownerOptions = []option{{"distributor", "the distributor"}, {"consignment", "a supplier, on consignment"}, {"customer", "a customer"}}

// unitFields ask what a unit is.
func (p *pages) unitFields(v visit) ([]*field, error) {
	parts, err := p.partOptions(v, "")
	if err != nil {
		return nil, err
	}
	customers, err := p.customerOptions(v)
	if err != nil {
		return nil, err
	}
	return []*field{
		{Name: "part_id", Label: "Part", Kind: "choice", Options: parts},
		{Name: "serial", Label: "Serial on its plate", Short: "The serial", Optional: true, Hint: "Letter by letter. Leave it where there is none, or it cannot be read."},
		{Name: "owner", Label: "Whose is it?", Short: "The owner", Kind: "radio", Options: ownerOptions},
		{Name: "owner_customer_id", Label: "Customer", Kind: "choice", Optional: true, Options: append([]option{{"", "None"}}, customers...), Hint: "Only where it is a customer's."},
		{Name: "lot", Label: "Lot", Optional: true, Hint: "Of media, seals and what else comes in lots."},
		{Name: "pattern", Label: "Sections from the bottom up", Short: "The pattern", Most: 100, Optional: true, Hint: "Of a media set: one letter a section, A long leaf, B short leaf."},
		{Name: "start_hours", Label: "Run hours before this record", Short: "The hours", Kind: "number", Optional: true, Head: "What it had done before this record began",
			Said: "Leave what nobody knows: unknown is not nought."},
		{Name: "start_vehicles", Label: "Vehicles before this record", Short: "The vehicles", Kind: "number", Optional: true},
		{Name: "start_days", Label: "Days in use before this record", Short: "The days", Kind: "number", Optional: true},
	}, nil
}

func (s *sheet) unit() assets.UnitEdit {
	in := assets.UnitEdit{Serial: s.get("serial"), Owner: s.get("owner"), OwnerCustomerID: s.id("owner_customer_id"), Lot: s.get("lot"),
		Pattern: strings.ToUpper(s.get("pattern")), StartHours: s.number("start_hours"), StartDays: s.whole("start_days")}
	if part := s.id("part_id"); part != nil {
		in.PartID = *part
	}
	if n := s.whole("start_vehicles"); n != nil {
		in.StartVehicles = new(int64(*n))
	}
	return in
}

func unitValues(u assets.Unit) map[string]string {
	values := map[string]string{"part_id": u.PartID.String(), "serial": val(u.Serial), "owner": u.Owner, "lot": u.Lot, "pattern": val(u.Pattern),
		"start_hours": degrees(u.StartHours)}
	if u.OwnerCustomerID != nil {
		values["owner_customer_id"] = u.OwnerCustomerID.String()
	}
	if u.StartVehicles != nil {
		values["start_vehicles"] = strconv.FormatInt(*u.StartVehicles, 10)
	}
	if u.StartDays != nil {
		values["start_days"] = strconv.Itoa(*u.StartDays)
	}
	return values
}

func (p *pages) newUnitSheet(v visit) (*sheet, error) {
	if err := v.who.Must(access.RecordWork); err != nil {
		return nil, err
	}
	fields, err := p.unitFields(v)
	if err != nil {
		return nil, err
	}
	places, err := p.locationOptions(v)
	if err != nil {
		return nil, err
	}
	s := &sheet{Title: "Record a unit", Verb: "Record the unit", Cancel: "/units", Crumbs: stockCrumbs,
		Lead: "One physical thing. What is fitted at a site is recorded from the page of its position.",
		Fields: slices.Concat([]*field{{Name: "tag", Label: "Our label on it", Short: "The label", Most: 24, Optional: true, Hint: "Leave it for the next free label."}}, fields,
			[]*field{{Name: "location_id", Label: "It lies in", Short: "The place", Kind: "choice", Optional: true, Options: append([]option{{"", "Not said yet"}}, places...), Head: "Where it is"},
				{Name: "from", Label: "Since", Short: "The time", Kind: "when", Most: 16, Optional: true, Hint: whenHint + " In UTC. Leave it where nobody knows."}})}
	s.fill(map[string]string{"owner": "distributor", "part_id": v.c.Query("part"), "location_id": v.c.Query("location")})
	return s, nil
}

func (p *pages) addUnit(v visit, s *sheet) (string, error) {
	in := assets.NewUnit{Tag: strings.ToUpper(s.get("tag")), UnitEdit: s.unit()}
	to := s.id("location_id")
	from, precision := s.when("from")
	if len(s.Mend) > 0 {
		return "", nil
	}
	made, err := once(p, v, s, func(tx *gorm.DB) (assets.Unit, error) {
		u, err := assets.AddUnit(tx, v.who, v.now, in)
		if err == nil && to != nil {
			_, err = assets.Put(tx, v.who, v.now, assets.Putting{UnitID: u.ID, Place: assets.Place{LocationID: to}, From: from, Precision: precision})
		}
		return u, err
	})
	return "/units/" + made.ID.String(), err
}

func (p *pages) unitSheet(v visit) (*sheet, error) {
	u, at, crumbs, err := p.unitFor(v)
	if err != nil {
		return nil, err
	}
	s := &sheet{Title: "Edit the unit", Over: u.Tag + " " + u.PartDescription, Verb: "Keep these details", Cancel: crumbs[1].Path, Crumbs: crumbs, Version: u.Version, at: at, about: u,
		Lead: "Its label stays: it is on the thing. What changes over time, such as its orientation, is recorded as a fact instead."}
	if s.Fields, err = p.unitFields(v); err != nil {
		return nil, err
	}
	s.fill(unitValues(u))
	return s, nil
}

func (p *pages) editUnit(v visit, s *sheet) (string, error) {
	u := s.about.(assets.Unit)
	in := s.unit()
	if len(s.Mend) > 0 {
		return "", nil
	}
	_, err := once(p, v, s, func(tx *gorm.DB) (assets.Unit, error) { return assets.EditUnit(tx, v.who, v.now, u.ID, s.Version, in) })
	if fault.KindOf(err) == fault.Stale {
		s.compare(unitValues(u), u.Version)
	}
	return "/units/" + u.ID.String(), err
}

// moveSheet says that a unit went elsewhere. What is taken out of a slot with
// something else going in is a swap.
func (p *pages) moveSheet(v visit) (*sheet, error) {
	u, at, crumbs, err := p.unitFor(v)
	if err != nil {
		return nil, err
	}
	places, err := p.locationOptions(v)
	if err != nil {
		return nil, err
	}
	lead := "Where it is now is not on record."
	if where := (unitRow{Unit: u}).Where(); where != "" {
		lead = "It is in " + where + " by the record."
		if u.HolderTag != nil {
			lead = "It is " + where + " by the record."
		}
	}
	s := &sheet{Title: "Move the unit", Over: u.Tag + " " + u.PartDescription, Verb: "Record the move", Cancel: crumbs[1].Path, Crumbs: crumbs, at: at, about: u,
		Lead: lead + " Times are in " + clock{v.now, at}.Zone() + ".",
		Fields: []*field{
			{Name: "location_id", Label: "It goes to", Short: "The place", Kind: "choice", Optional: true, Options: append([]option{{"", "No location: into a slot"}}, places...)},
			{Name: "slot_id", Label: "Or into a slot of", Short: "The place", Optional: true, Most: 40,
				Hint: "The code of a position, or the label of the unit that it becomes a part of. The slot must be empty; with something in it, it is a swap."},
			{Name: "reason", Label: "Why does it leave where it is?", Short: "The reason", Kind: "choice", Optional: true, Options: append([]option{{"", "From stock: nothing to say"}}, optionsOf(outReasons...)...)},
			{Name: "from", Label: "Since", Short: "The time", Kind: "when", Most: 16, Optional: true, Hint: whenHint + " Leave it only for the first place on record, where nobody knows."},
			{Name: "remark", Label: "Remark", Optional: true, Most: 500},
		}}
	s.fill(map[string]string{"from": v.now.In(at).Format("2006-01-02 15:04")})
	return s, nil
}

func (p *pages) moveUnit(v visit, s *sheet) (string, error) {
	u := s.about.(assets.Unit)
	from, precision := s.when("from")
	in := assets.Putting{UnitID: u.ID, From: from, Precision: precision, Reason: s.get("reason"), Remark: s.get("remark"), Place: assets.Place{LocationID: s.id("location_id")}}
	switch to := s.get("slot_id"); {
	case to != "" && in.LocationID != nil:
		s.wrong("slot_id", "is given as well as a location: it is one or the other")
	case to == "" && in.LocationID == nil:
		s.wrong("location_id", "is needed, or a slot")
	case to != "":
		slots, err := assets.SlotsAt(v.ctx, p.db, v.who, to, u.Class)
		if err != nil {
			return "", err
		}
		if len(slots) == 0 {
			s.wrong("slot_id", "names nothing that takes a "+strings.ReplaceAll(u.Class, "_", " "))
		} else {
			in.SlotID = &slots[0]
		}
	}
	if len(s.Mend) > 0 {
		return "", nil
	}
	_, err := once(p, v, s, func(tx *gorm.DB) (assets.Stay, error) { return assets.Put(tx, v.who, v.now, in) })
	return "/units/" + u.ID.String() + "#places", err
}

func (p *pages) newUnitFactSheet(v visit) (*sheet, error) {
	u, at, crumbs, err := p.unitFor(v)
	if err != nil {
		return nil, err
	}
	s := &sheet{Title: "Record a fact", Over: u.Tag + " " + u.PartDescription, Cancel: crumbs[1].Path, Crumbs: crumbs, at: at, about: u, Verb: "Record it"}
	wanted := v.c.Query("fact")
	if wanted == "" {
		kinds, err := assets.FactKindsOfClass(v.ctx, p.db, v.who, u.Class)
		if err != nil {
			return nil, err
		}
		if len(kinds) == 0 { // nothing decides whether it fits; anything may be worth a note
			if kinds, err = assets.FactKinds(v.ctx, p.db, v.who); err != nil {
				return nil, err
			}
		}
		s.which(kinds)
		return s, nil
	}
	kinds, err := assets.FactKinds(v.ctx, p.db, v.who)
	if err != nil {
		return nil, err
	}
	i := slices.IndexFunc(kinds, func(k assets.FactKind) bool { return k.Code == wanted })
	if i < 0 {
		return nil, fault.Missing("kind of fact", wanted)
	}
	s.ask(kinds[i])
	s.Lead = "What this very unit is, which goes before what the catalogue says of its part. Times are in " + clock{v.now, at}.Zone() + "."
	s.fill(map[string]string{"seen_by": v.who.Name})
	return s, nil
}

func (p *pages) recordUnitFact(v visit, s *sheet) (string, error) {
	u := s.about.(assets.Unit)
	if f := s.field("fact"); f != nil {
		return "/units/" + u.ID.String() + "/facts/new?fact=" + f.Value, nil
	}
	in := s.asked(v.c.Query("fact"))
	if len(s.Mend) > 0 {
		return "", nil
	}
	_, err := once(p, v, s, func(tx *gorm.DB) (assets.Fact, error) { return assets.RecordOfUnit(tx, v.who, v.now, u.ID, in) })
	return "/units/" + u.ID.String() + "#facts", err
}

func (p *pages) withdrawUnitFactSheet(v visit) (*sheet, error) {
	u, at, crumbs, err := p.unitFor(v)
	if err != nil {
		return nil, err
	}
	all, err := assets.UnitFacts(v.ctx, p.db, v.who, v.now, u.ID)
	if err != nil {
		return nil, err
	}
	return withdrawing(v, all, u.Tag+" "+u.PartDescription, crumbs, clock{v.now, at})
}

func (p *pages) withdrawUnitFact(v visit, s *sheet) (string, error) {
	f := s.about.(assets.Fact)
	_, err := once(p, v, s, func(tx *gorm.DB) (assets.Fact, error) {
		return assets.WithdrawOfUnit(tx, v.who, v.now, f.OfID, f.ID, s.get("reason"))
	})
	return "/units/" + f.OfID.String() + "#facts", err
}

func (p *pages) sectionSheet(v visit) (*sheet, error) {
	u, at, crumbs, err := p.unitFor(v)
	if err != nil {
		return nil, err
	}
	if u.Class != "media_set" {
		return nil, &fault.Error{Kind: fault.Conflict, Msg: "only a media set has sections"}
	}
	s := &sheet{Title: "Replace a section", Over: u.Tag + " " + u.PartDescription, Verb: "Record it", Cancel: crumbs[1].Path, Crumbs: crumbs, at: at, about: u, Caution: swapCaution,
		Lead: "Single sections may be replaced up to about a quarter of a set (common practice, no source). From then on the set has mixed ages.",
		Fields: []*field{
			{Name: "section", Label: "Section, counted from the bottom", Short: "The section", Kind: "number", Most: 4},
			{Name: "lot", Label: "Lot of the new section", Short: "The lot", Optional: true},
			{Name: "at", Label: "Done", Short: "The time", Kind: "moment", Optional: true, Hint: "Now where nothing is said. In " + clock{v.now, at}.Zone() + "."},
		}}
	return s, nil
}

func (p *pages) replaceSection(v visit, s *sheet) (string, error) {
	u := s.about.(assets.Unit)
	n, when := s.whole("section"), s.moment("at")
	if len(s.Mend) > 0 {
		return "", nil
	}
	if when == nil {
		when = &v.now
	}
	_, err := once(p, v, s, func(tx *gorm.DB) ([]assets.ReplacedSection, error) {
		return assets.ReplaceSection(tx, v.who, v.now, u.ID, *n, s.get("lot"), *when)
	})
	return "/units/" + u.ID.String() + "#media", err
}
