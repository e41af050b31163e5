package web

import (
	"net/url"
	"slices"
	"strings"

	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/fault"
	"spindlebook/internal/measure"
	"spindlebook/internal/parts"
)

type partList struct {
	Parts   []assets.Part
	Words   string
	Hits    []parts.Hit
	More    string
	Later   bool
	Class   string
	Begins  string
	Classes []option
	Tabs    []nav
	Keep    bool
	Inside  bool
	names   map[string]string
}

// ClassName gives the words for a class.
func (l partList) ClassName(code string) string { return l.names[code] }

func named(options []option) map[string]string {
	names := map[string]string{}
	for _, o := range options {
		names[o.Value] = o.Name
	}
	return names
}

func (p *pages) catalogue(v visit) error {
	l := partList{Later: v.c.Query("after") != "", Class: v.c.Query("class"), Begins: strings.TrimSpace(v.c.Query("begins")), Tabs: stockTabs(v, "/parts"), Keep: v.may(access.KeepCatalogue), Inside: v.may(access.SeeInternal)}
	if l.Words = strings.TrimSpace(v.c.Query("words")); l.Words != "" {
		var err error
		if l.Hits, err = parts.Search(v.ctx, p.db, v.who, l.Words, perPage); err != nil {
			return err
		}
		if l.Classes, err = p.classOptions(v); err != nil {
			return err
		}
		l.names = named(l.Classes)
		return p.ok(v, "catalogue", "Parts", l)
	}
	var class, begins *string
	if l.Class != "" {
		class = &l.Class
	}
	if l.Begins != "" {
		begins = &l.Begins
	}
	var err error
	if l.Parts, err = assets.Parts(v.ctx, p.db, v.who, class, begins, assets.Page{After: v.c.Query("after"), Limit: perPage + 1}); err != nil {
		return err
	}
	if len(l.Parts) > perPage {
		l.Parts = l.Parts[:perPage]
		q := url.Values{"after": {l.Parts[perPage-1].Number}}
		if class != nil {
			q.Set("class", l.Class)
		}
		if begins != nil {
			q.Set("begins", l.Begins)
		}
		l.More = "/parts?" + q.Encode()
	}
	if l.Classes, err = p.classOptions(v); err != nil {
		return err
	}
	l.names = named(l.Classes)
	return p.ok(v, "catalogue", "Parts", l)
}

type partPage struct {
	assets.Part
	partMore
	ClassName string
	Facts     []pair
	Units     []unitRow
	More      bool
	Keep      bool
	Record    bool
	Admin     bool
}

func (p *pages) part(v visit) error {
	id, err := idOf(v, "id", "part")
	if err != nil {
		return err
	}
	g := partPage{Keep: v.may(access.KeepCatalogue), Record: v.may(access.RecordWork), Admin: v.may(access.Administer)}
	if g.Part, err = assets.OnePart(v.ctx, p.db, v.who, id); err != nil {
		return err
	}
	if g.partMore, err = p.partMore(v, id); err != nil {
		return err
	}
	kinds, err := assets.FactKinds(v.ctx, p.db, v.who)
	if err != nil {
		return err
	}
	for _, k := range kinds {
		for _, f := range g.Part.Facts {
			if f.Fact == k.Code {
				g.Facts = append(g.Facts, pair{k.Name, say(f.Value)})
			}
		}
	}
	classes, err := p.classOptions(v)
	if err != nil {
		return err
	}
	g.ClassName = named(classes)[g.Class]
	units, err := assets.Units(v.ctx, p.db, v.who, v.now, assets.UnitFilter{PartID: &id}, assets.Page{Limit: perPage + 1})
	if err != nil {
		return err
	}
	g.More = len(units) > perPage
	for _, u := range units[:min(len(units), perPage)] {
		g.Units = append(g.Units, unitRow{Unit: u})
	}
	return p.ok(v, "part", g.Number+" "+g.Description, g)
}

// partFields ask for a part, with each fact that a unit of it may have.
func (p *pages) partFields(v visit) ([]*field, []assets.FactKind, error) {
	classes, err := p.classOptions(v)
	if err != nil {
		return nil, nil, err
	}
	kinds, err := assets.FactKinds(v.ctx, p.db, v.who)
	if err != nil {
		return nil, nil, err
	}
	fields := []*field{
		{Name: "number", Label: "Part number", Most: 32, Hint: "Capital letters, digits and . / -"},
		{Name: "description", Label: "Description"},
		{Name: "class", Label: "Class", Kind: "choice", Options: classes},
	}
	for i, k := range kinds {
		f := valueField(k)
		f.Name, f.Optional = "fact_"+k.Code, true
		if f.Kind == "radio" { // many short questions: a list each is easier to leave
			f.Kind, f.Options = "choice", append([]option{{"", "Not said"}}, f.Options...)
		}
		if i == 0 {
			f.Head, f.Said = "What every unit of it is", "A unit that differs has facts of its own. Leave what the catalogue does not say."
		}
		fields = append(fields, f)
	}
	return fields, kinds, nil
}

// part reads what partFields asked for.
func (s *sheet) part(kinds []assets.FactKind) assets.PartEdit {
	in := assets.PartEdit{Number: strings.ToUpper(s.get("number")), Description: s.get("description"), Class: s.get("class")}
	for _, k := range kinds {
		name := "fact_" + k.Code
		switch {
		case s.get(name) == "":
		case k.Takes == "length":
			m := s.measure(name)
			if m != nil && m.Value <= 0 {
				s.wrong(name, "must be above 0")
			}
			in.Facts = append(in.Facts, assets.PartFactEdit{Fact: k.Code, Measure: m})
		default:
			in.Facts = append(in.Facts, assets.PartFactEdit{Fact: k.Code, Value: s.get(name)})
		}
	}
	return in
}

var partCrumbs = []crumb{{"/stock", "Stock"}, {"/parts", "Parts"}}

func (p *pages) newPartSheet(v visit) (*sheet, error) {
	if err := v.who.Must(access.KeepCatalogue); err != nil {
		return nil, err
	}
	fields, kinds, err := p.partFields(v)
	s := &sheet{Title: "Add a part", Verb: "Add the part", Cancel: "/parts", Crumbs: partCrumbs, Fields: fields, about: kinds,
		Lead: "A row of the catalogue. Each physical thing is a unit of a part."}
	return s, err
}

func (p *pages) addPart(v visit, s *sheet) (string, error) {
	in := s.part(s.about.([]assets.FactKind))
	if len(s.Mend) > 0 {
		return "", nil
	}
	made, err := once(p, v, s, func(tx *gorm.DB) (assets.Part, error) { return assets.AddPart(tx, v.who, v.now, in) })
	return "/parts/" + made.ID.String(), err
}

// partEditing is what editing a part is about.
type partEditing struct {
	part  assets.Part
	kinds []assets.FactKind
}

func partValues(t assets.Part) map[string]string {
	values := map[string]string{"number": t.Number, "description": t.Description, "class": t.Class}
	for _, f := range t.Facts {
		values["fact_"+f.Fact] = f.Value
		if f.ValueMM != nil {
			if m, ok := measure.Parse(f.Value); ok {
				values["fact_"+f.Fact] = degrees(&m.Value)
			}
		}
	}
	return values
}

func (p *pages) partSheet(v visit) (*sheet, error) {
	id, err := idOf(v, "id", "part")
	if err != nil {
		return nil, err
	}
	t, err := assets.OnePart(v.ctx, p.db, v.who, id)
	if err == nil {
		err = v.who.Must(access.KeepCatalogue)
	}
	if err != nil {
		return nil, err
	}
	fields, kinds, err := p.partFields(v)
	if err != nil {
		return nil, err
	}
	s := &sheet{Title: "Edit the part", Over: t.Number + " " + t.Description, Verb: "Keep these details", Cancel: "/parts/" + id.String(),
		Crumbs: append(slices.Clone(partCrumbs), crumb{"/parts/" + id.String(), t.Number}), Version: t.Version, Fields: fields, about: partEditing{t, kinds},
		Lead: "It changes what is known of every unit of this part that has no fact of its own."}
	s.fill(partValues(t))
	for _, f := range t.Facts {
		if m, ok := measure.Parse(f.Value); ok && f.ValueMM != nil {
			s.field("fact_" + f.Fact).Unit = m.Unit
		}
	}
	return s, nil
}

func (p *pages) editPart(v visit, s *sheet) (string, error) {
	e := s.about.(partEditing)
	in := s.part(e.kinds)
	if len(s.Mend) > 0 {
		return "", nil
	}
	_, err := once(p, v, s, func(tx *gorm.DB) (assets.Part, error) { return assets.EditPart(tx, v.who, e.part.ID, s.Version, in) })
	if fault.KindOf(err) == fault.Stale {
		s.compare(partValues(e.part), e.part.Version)
	}
	return "/parts/" + e.part.ID.String(), err
}

type locationList struct {
	Locations []assets.LocationOverview
	More      string
	Later     bool
	Tabs      []nav
	Keep      bool
}

func (p *pages) locations(v visit) error {
	l := locationList{Later: v.c.Query("after") != "", Tabs: stockTabs(v, "/locations"), Keep: v.may(access.KeepRegister)}
	var err error
	if l.Locations, err = assets.LocationOverviews(v.ctx, p.db, v.who, v.now, assets.Page{After: v.c.Query("after"), Limit: perPage + 1}); err != nil {
		return err
	}
	if len(l.Locations) > perPage {
		l.Locations = l.Locations[:perPage]
		l.More = "/locations?after=" + url.QueryEscape(l.Locations[perPage-1].Code)
	}
	return p.ok(v, "locations", "Locations", l)
}

func locationKinds() []option {
	return optionsOf("warehouse", "van", "site_shelf", "bench", "quarantine", "returns", "in_transit", "supplier", "unexplained", "scrap")
}

func (p *pages) newLocationSheet(v visit) (*sheet, error) {
	if err := v.who.Must(access.KeepRegister); err != nil {
		return nil, err
	}
	sites, err := p.siteOptions(v)
	return &sheet{Title: "Add a location", Verb: "Add the location", Cancel: "/locations", Crumbs: []crumb{{"/stock", "Stock"}, {"/locations", "Locations"}},
		Lead: "A place where units and stock lie.",
		Fields: []*field{
			{Name: "code", Label: "Code", Most: 24, Hint: "Capital letters, digits and hyphens, such as VAN-3."},
			{Name: "name", Label: "Name"},
			{Name: "kind", Label: "Kind", Kind: "radio", Options: locationKinds()},
			{Name: "site_id", Label: "Site", Kind: "choice", Optional: true, Options: append([]option{{"", "None"}}, sites...), Hint: "Of a shelf at a site, and of nothing else."},
		}}, err
}

func (p *pages) addLocation(v visit, s *sheet) (string, error) {
	in := assets.NewLocation{Code: strings.ToUpper(s.get("code")), Name: s.get("name"), Kind: s.get("kind"), SiteID: s.id("site_id")}
	if len(s.Mend) > 0 {
		return "", nil
	}
	_, err := once(p, v, s, func(tx *gorm.DB) (assets.Location, error) { return assets.AddLocation(tx, v.who, v.now, in) })
	return "/locations", err
}

func locationValues(l assets.Location) map[string]string {
	values := map[string]string{"name": l.Name}
	if l.SiteID == nil { // a shelf at a site stays one
		values["kind"] = l.Kind
	}
	return values
}

func (p *pages) locationSheet(v visit) (*sheet, error) {
	if err := v.who.Must(access.KeepRegister); err != nil {
		return nil, err
	}
	id, err := idOf(v, "id", "location")
	if err != nil {
		return nil, err
	}
	l, err := assets.OneLocation(v.ctx, p.db, v.who, id)
	if err != nil {
		return nil, err
	}
	s := &sheet{Title: "Edit the location", Over: l.Code + " " + l.Name, Verb: "Keep these details", Cancel: "/locations", Crumbs: []crumb{{"/stock", "Stock"}, {"/locations", "Locations"}},
		Version: l.Version, about: l, Lead: "What lies there stays there.", Fields: []*field{{Name: "name", Label: "Name"}}}
	if l.SiteID == nil {
		others := slices.DeleteFunc(locationKinds(), func(o option) bool { return o.Value == "site_shelf" })
		s.Fields = append(s.Fields, &field{Name: "kind", Label: "Kind", Kind: "radio", Options: others})
	}
	s.fill(locationValues(l))
	return s, nil
}

func (p *pages) editLocation(v visit, s *sheet) (string, error) {
	l := s.about.(assets.Location)
	in := assets.LocationEdit{Name: s.get("name"), Kind: l.Kind}
	if l.SiteID == nil {
		in.Kind = s.get("kind")
	}
	_, err := once(p, v, s, func(tx *gorm.DB) (assets.Location, error) { return assets.EditLocation(tx, v.who, l.ID, s.Version, in) })
	if fault.KindOf(err) == fault.Stale {
		s.compare(locationValues(l), l.Version)
	}
	return "/locations", err
}
