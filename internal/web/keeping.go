package web

import (
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/fault"
	"spindlebook/internal/parts"
	qty "spindlebook/internal/parts/amount"
	"spindlebook/internal/parts/fit"
)

// keepSheet begins a form about a part of the catalogue.
func (p *pages) keepSheet(v visit, title, verb string) (*sheet, partKept, error) {
	id, err := idOf(v, "id", "part")
	if err == nil {
		err = v.who.Must(access.KeepCatalogue)
	}
	if err != nil {
		return nil, partKept{}, err
	}
	of, err := p.partOf(v, id)
	at := "/parts/" + id.String()
	return &sheet{Title: title, Over: of.Name(), Verb: verb, Cancel: at, Crumbs: append(slices.Clone(partCrumbs), crumb{at, of.Number}), about: of}, of, err
}

var trackings = []option{{"none", "by number: how many, and nothing else"}, {"bulk", "roughly, by the bin"}, {"lot", "by lot"}, {"lot_expiry", "by lot with a last day"}, {"unit", "each by its own tag"}, {"kit", "in numbered bags"}}

var aliasKinds = []string{"old", "maker", "supplier", "other"}

// stockingSheet asks how a part is counted, bought and kept.
func (p *pages) stockingSheet(v visit) (*sheet, error) {
	s, of, err := p.keepSheet(v, "How it is counted, bought and kept", "Keep it")
	if err != nil {
		return nil, err
	}
	k := of.Stocking
	s.Version = k.Version
	var units, classes []option
	for _, u := range []string{"ea", "set", "ft", "m", "L", "mL", "g", "kg"} {
		units = append(units, option{u, u})
	}
	for _, c := range []string{"A", "B", "C"} {
		classes = append(classes, option{c, c})
	}
	s.Fields = []*field{
		{Name: "measured_in", Label: "Counted in", Kind: "choice", Options: units, Hint: "It stays once something was counted in it."},
		{Name: "tracking", Label: "Told apart", Short: "How it is told apart", Kind: "radio", Options: trackings},
		{Name: "bought_in", Label: "Bought in", Most: 16, Hint: "Such as ea, box or pail."},
		{Name: "pack", Label: "One of these holds", Short: "The pack", Kind: "number", Hint: "In the unit in which it is counted."},
		{Name: "container", Label: "One container holds", Short: "The container", Kind: "number", Optional: true, Head: "What it comes in and how long it keeps", Said: "A container is opened and used up bit by bit, such as a pail of oil."},
		{Name: "shelf_months", Label: "Keeps closed, in months", Short: "The months", Kind: "number", Optional: true},
		{Name: "open_months", Label: "Keeps once opened, in months", Short: "The months", Kind: "number", Optional: true},
		{Name: "repairable", Label: "It is repaired and comes back", Kind: "check", Optional: true},
		{Name: "weight", Label: "Weight", Kind: "measure", Optional: true, Units: []string{"kg", "lb"}},
		{Name: "hazard", Label: "What to mind", Optional: true, Most: 200, Hint: "Such as flammable, or two people to lift it."},
		{Name: "abc", Label: "Class by value and use", Kind: "choice", Optional: true, Options: append([]option{{"", "Not said"}}, classes...)},
		{Name: "aliases", Label: "Other numbers", Kind: "area", Optional: true, Most: 4000, Hint: "One line each: the number, then old, maker, supplier or other. Search finds them."},
	}
	var aliases []string
	for _, a := range k.Aliases {
		aliases = append(aliases, a.Number+" "+a.Kind)
	}
	values := map[string]string{"measured_in": k.MeasuredIn, "tracking": k.Tracking, "bought_in": k.BoughtIn, "pack": k.Pack.String(), "hazard": k.Hazard, "abc": val(k.ABC), "aliases": strings.Join(aliases, "\n")}
	if k.Container != nil {
		values["container"] = k.Container.String()
	}
	for name, n := range map[string]*int{"shelf_months": k.ShelfMonths, "open_months": k.OpenMonths} {
		if n != nil {
			values[name] = fmt.Sprint(*n)
		}
	}
	if k.Repairable {
		values["repairable"] = "yes"
	}
	values["weight"] = val(k.WeightTyped)
	s.fill(values)
	return s, nil
}

func (p *pages) setStocking(v visit, s *sheet) (string, error) {
	kept := s.about.(partKept)
	in := parts.StockingEdit{MeasuredIn: s.get("measured_in"), Tracking: s.get("tracking"), BoughtIn: s.get("bought_in"), Pack: s.amount("pack"), ShelfMonths: s.whole("shelf_months"), OpenMonths: s.whole("open_months"),
		Repairable: s.checked("repairable"), Hazard: s.get("hazard"), Weight: s.measure("weight")}
	if s.get("container") != "" {
		n := s.amount("container")
		in.Container = &n
	}
	if c := s.get("abc"); c != "" {
		in.ABC = &c
	}
	var of []int
	for i, line := range strings.Split(s.get("aliases"), "\n") {
		words := strings.Fields(line)
		if len(words) == 0 {
			continue
		}
		a := parts.Alias{Number: strings.Join(words, " "), Kind: "other"}
		if last := len(words) - 1; last > 0 { // the number itself may have blanks
			a.Number, a.Kind = strings.Join(words[:last], " "), words[last]
		}
		if !slices.Contains(aliasKinds, a.Kind) {
			s.wrong("aliases", fmt.Sprintf("holds line %d, which does not end with %s", i+1, strings.Join(aliasKinds, ", ")))
		}
		in.Aliases, of = append(in.Aliases, a), append(of, i)
	}
	if len(s.Mend) > 0 {
		return "", nil
	}
	_, err := once(p, v, s, func(tx *gorm.DB) (parts.Stocking, error) { return parts.SetStocking(tx, v.who, kept.ID, s.Version, in) })
	return "/parts/" + kept.ID.String(), inText(err, "aliases", of)
}

// inText puts the faults of a list whose items are lines of one field at that field, with the
// line: of "lines[1].amount" it says which line of the text that is.
func inText(err error, name string, of []int) error {
	f, ok := errors.AsType[*fault.Error](err)
	if !ok {
		return err
	}
	say := func(field, msg string) string {
		item, rest, found := strings.Cut(strings.TrimPrefix(field, name+"["), "]")
		i, bad := strconv.Atoi(item)
		if !found || bad != nil || i >= len(of) {
			return msg
		}
		what := "which "
		if rest = strings.TrimPrefix(rest, "."); rest != "" && rest != "part_id" {
			what = "whose " + plainWord(rest) + " "
		}
		return fmt.Sprintf("holds line %d, %s%s", of[i]+1, what, msg)
	}
	f.Msg = say(f.Field, f.Msg)
	for i := range f.Parts {
		f.Parts[i].Msg = say(f.Parts[i].Field, f.Parts[i].Msg)
	}
	return fault.Renamed(err, formNames(nil))
}

// mostSuccessors is how many parts the form lets follow one.
const mostSuccessors = 3

func (p *pages) successionSheet(v visit) (*sheet, error) {
	s, _, err := p.keepSheet(v, "What follows it?", "Record it")
	if err != nil {
		return nil, err
	}
	s.Lead = "Old numbers never disappear: search finds the part under them, and new work takes what follows."
	s.Fields = []*field{{Name: "kind", Label: "What becomes of the old ones", Short: "What", Kind: "radio", Options: []option{{"replaced", "used up; new ones are bought"}, {"withdrawn", "not issued any more: into quarantine"}}}}
	for i := range mostSuccessors {
		s.Fields = append(s.Fields, &field{Name: fmt.Sprintf("to_%d", i), Label: fmt.Sprintf("Followed by%s", []string{"", ", together with", ", and with"}[i]), Short: "The part", Optional: true, Hint: []string{"Its number. Blank where nothing follows a withdrawn part.", "", ""}[i]},
			&field{Name: fmt.Sprintf("n_%d", i), Label: "How many for one old", Short: "How many", Kind: "number", Optional: true, Value: []string{"1", "", ""}[i]})
	}
	s.Fields = append(s.Fields,
		&field{Name: "only_where", Fold: "Only at some positions", Label: "Holds only where", Optional: true, Most: 500, Hint: "A condition on the position, such as supply_volts = 460."},
		&field{Name: "use_up_where", FoldEnd: true, Label: "Old ones are used up only where", Optional: true, Most: 500},
		&field{Name: "note", Label: "Note", Optional: true, Most: 500, Hint: "Such as: rpm differs, change both brushes of a pair."})
	s.fill(map[string]string{"kind": "replaced"})
	return s, nil
}

func (p *pages) succeed(v visit, s *sheet) (string, error) {
	of := s.about.(partKept)
	in := parts.NewSuccession{Kind: s.get("kind"), OnlyWhere: s.get("only_where"), UseUpWhere: s.get("use_up_where"), Note: s.get("note")}
	var at []string
	for i := range mostSuccessors {
		if s.get(fmt.Sprintf("to_%d", i)) == "" {
			if i > 0 && s.get(fmt.Sprintf("n_%d", i)) != "" { // the first is filled in when the form is opened
				s.wrong(fmt.Sprintf("to_%d", i), "is needed: the part of which it is so many")
			}
			continue
		}
		id, err := p.whichPart(v, s, fmt.Sprintf("to_%d", i))
		if err != nil {
			return "", err
		}
		n := qty.One
		if s.get(fmt.Sprintf("n_%d", i)) != "" {
			n = s.amount(fmt.Sprintf("n_%d", i))
		}
		in.To, at = append(in.To, parts.NewSuccessor{PartID: id, Amount: n}), append(at, fmt.Sprint("_", i))
	}
	if len(s.Mend) > 0 {
		return "", nil
	}
	_, err := once(p, v, s, func(tx *gorm.DB) (parts.Succession, error) { return parts.Succeed(tx, v.who, v.now, of.ID, in) })
	return "/parts/" + of.ID.String(), fault.Renamed(err, func(path string) string {
		var i int
		if _, bad := fmt.Sscanf(path, "to[%d].", &i); bad != nil || i >= len(at) {
			return map[bool]string{true: "to_0", false: path}[path == "to"]
		}
		return map[bool]string{true: "n", false: "to"}[strings.HasSuffix(path, ".amount")] + at[i]
	})
}

var interchangeKinds = []option{{"either", "goes for it, both ways"}, {"instead", "may be used instead of it"}, {"conversion", "goes for it by a conversion only"}, {"never_mix", "never on one brush with it"}, {"lookalike", "looks like it and does not fit in its place"}}

func (p *pages) interchangeSheet(v visit) (*sheet, error) {
	s, _, err := p.keepSheet(v, "What goes for it, and what must not?", "Record it")
	if err != nil {
		return nil, err
	}
	s.Fields = []*field{
		{Name: "other_id", Label: "The other part", Hint: "Its number."},
		{Name: "kind", Label: "It", Short: "What", Kind: "radio", Options: interchangeKinds},
		{Name: "via_id", Label: "Kit of the conversion", Short: "The kit", Optional: true},
		{Name: "only_where", Label: "Only where", Optional: true, Most: 500, Hint: "A condition on the position, where the other may be used instead."},
		{Name: "note", Label: "Note", Optional: true, Most: 500},
	}
	return s, nil
}

func (p *pages) addInterchange(v visit, s *sheet) (string, error) {
	of := s.about.(partKept)
	other, err := p.whichPart(v, s, "other_id")
	if err != nil {
		return "", err
	}
	in := parts.NewInterchange{OtherID: other, Kind: s.get("kind"), OnlyWhere: s.get("only_where"), Note: s.get("note")}
	if s.get("via_id") != "" {
		kit, err := p.whichPart(v, s, "via_id")
		if err != nil {
			return "", err
		}
		in.ViaID = &kit
	}
	if len(s.Mend) > 0 {
		return "", nil
	}
	_, err = once(p, v, s, func(tx *gorm.DB) (parts.Interchange, error) {
		return parts.AddInterchange(tx, v.who, v.now, of.ID, in)
	})
	return "/parts/" + of.ID.String(), err
}

// endLinkSheet ends what follows a part or goes for it.
func (p *pages) endLinkSheet(v visit) (*sheet, error) {
	s, of, err := p.keepSheet(v, "This holds no longer", "End it")
	if err != nil {
		return nil, err
	}
	id, err := idOf(v, "link", "link")
	if err != nil {
		return nil, err
	}
	s.Grave, s.about = true, endingLink{of, id, v.c.Param("kind")}
	s.Lead = "It stays visible with the time in which it held."
	return s, nil
}

type endingLink struct {
	part partKept
	id   uuid.UUID
	kind string
}

func (p *pages) endLink(v visit, s *sheet) (string, error) {
	e := s.about.(endingLink)
	_, err := once(p, v, s, func(tx *gorm.DB) (bool, error) {
		var err error
		switch e.kind {
		case "successions":
			_, err = parts.EndSuccession(tx, v.who, v.now, e.id)
		case "interchanges":
			_, err = parts.EndInterchange(tx, v.who, v.now, e.id)
		default:
			err = fault.Missing("kind of link", e.kind)
		}
		return true, err
	})
	return "/parts/" + e.part.ID.String(), err
}

// recipeSheet asks how a kit is made from now on: a line of text each.
func (p *pages) recipeSheet(v visit) (*sheet, error) {
	s, of, err := p.keepSheet(v, "How it is made from now on", "Keep the recipe")
	if err != nil {
		return nil, err
	}
	s.Lead = "Bags that were packed before stay what they are."
	s.Fields = []*field{
		{Name: "lines", Label: "One line a part", Short: "The lines", Kind: "area", Most: 8000, Hint: "The amount, the number, and optional where it may be left out: 4 MW-22004, or 1 MW-22009 optional. In a set of sections the letter stands last: 8 MW-30111 A. A condition follows where, and a note follows a semicolon: 1 MW-22009 where bore = 1.375 in; new each time."},
		{Name: "pattern", Label: "Sections from the bottom up", Short: "The pattern", Optional: true, Most: 100, Hint: "Of a media set: AABBx4."},
		{Name: "note", Label: "Note", Optional: true, Most: 500},
	}
	recipes, err := parts.RecipesOf(v.ctx, p.db, v.who, of.ID)
	if err != nil || len(recipes) == 0 {
		return s, err
	}
	var lines []string
	for _, l := range recipes[0].Lines {
		line := l.Amount.String() + " " + l.Number
		if l.Letter != nil {
			line += " " + *l.Letter
		}
		if l.Optional {
			line += " optional"
		}
		if l.Condition != "" {
			line += " where " + l.Condition
		}
		if l.Note != "" {
			line += "; " + l.Note
		}
		lines = append(lines, line)
	}
	s.fill(map[string]string{"lines": strings.Join(lines, "\n"), "pattern": val(recipes[0].Pattern), "note": recipes[0].Note})
	return s, nil
}

func (p *pages) setRecipe(v visit, s *sheet) (string, error) {
	of := s.about.(partKept)
	in := parts.NewRecipe{Pattern: s.get("pattern"), Note: s.get("note")}
	var at []int
	var numbers []string
	for _, line := range strings.Split(s.get("lines"), "\n") {
		line, _, _ = strings.Cut(line, ";")
		if words := strings.Fields(line); len(words) > 1 {
			numbers = append(numbers, words[1])
		}
	}
	known, err := parts.Numbered(v.ctx, p.db, v.who, numbers)
	if err != nil {
		return "", err
	}
	for i, line := range strings.Split(s.get("lines"), "\n") {
		line, note, _ := strings.Cut(line, ";")
		line, where, _ := strings.Cut(line, " where ")
		words := strings.Fields(line)
		if len(words) == 0 {
			continue
		}
		blame := func(says string) { s.wrong("lines", fmt.Sprintf("holds line %d, which %s", i+1, says)) }
		if len(words) < 2 {
			blame("is an amount and a number")
			continue
		}
		n, bad := qty.Parse(words[0])
		if bad != nil {
			blame("begins with an amount")
			continue
		}
		part, found := known[strings.ToUpper(words[1])]
		if !found {
			blame("names no part: " + words[1])
			continue
		}
		l := parts.NewRecipeLine{PartID: part, Amount: n, Condition: strings.TrimSpace(where), Note: strings.TrimSpace(note)}
		for _, w := range words[2:] {
			switch {
			case strings.EqualFold(w, "optional"):
				l.Optional = true
			case w == "A" || w == "B":
				l.Letter = w
			default:
				blame("ends with optional, A or B, not with " + w)
			}
		}
		in.Lines, at = append(in.Lines, l), append(at, i)
	}
	if len(s.Mend) > 0 {
		return "", nil
	}
	_, err = once(p, v, s, func(tx *gorm.DB) (parts.Recipe, error) { return parts.SetRecipe(tx, v.who, v.now, of.ID, in) })
	return "/parts/" + of.ID.String(), inText(err, "lines", at)
}

func (p *pages) sourceSheet(v visit) (*sheet, error) {
	s, of, err := p.keepSheet(v, "From whom it comes", "Keep it")
	if err != nil {
		return nil, err
	}
	suppliers, err := p.supplierOptions(v)
	if err != nil {
		return nil, err
	}
	s.Lead = "How long it takes decides by when it must be ordered: working days of the supplier, from order to delivery."
	s.Fields = []*field{
		{Name: "supplier_id", Label: "Supplier", Kind: "choice", Options: suppliers},
		{Name: "number", Label: "Their number for it", Optional: true, Most: 64},
		{Name: "lead_10", Label: "Days that suffice in 10 of 100 cases", Short: "The days", Kind: "number"},
		{Name: "lead_50", Label: "Days that suffice in 50 of 100", Short: "The days", Kind: "number"},
		{Name: "lead_90", Label: "Days that suffice in 90 of 100", Short: "The days", Kind: "number"},
		{Name: "preferred", Label: "We order there first", Kind: "check", Optional: true},
	}
	if v.may(access.SeeCost) {
		s.Fields = append(s.Fields, &field{Name: "price", Label: "Price of one " + of.BoughtIn + " from today on", Short: "The price", Kind: "number", Optional: true, Head: "What it costs us", Said: "The price before it stays on record for its time; orders that are drafted keep theirs."},
			&field{Name: "core", Label: "Deposit on one", Short: "The deposit", Kind: "number", Optional: true}, &field{Name: "currency", Label: "Currency", Optional: true, Most: 3, Value: "USD"})
	}
	all, err := parts.SourcesOf(v.ctx, p.db, v.who, of.ID)
	for _, o := range all {
		if o.SupplierID.String() != v.c.Query("supplier") {
			continue
		}
		s.fill(map[string]string{"supplier_id": o.SupplierID.String(), "number": o.Number, "lead_10": fmt.Sprint(o.Lead10), "lead_50": fmt.Sprint(o.Lead50), "lead_90": fmt.Sprint(o.Lead90)})
		if o.Preferred {
			s.fill(map[string]string{"preferred": "yes"})
		}
	}
	return s, err
}

func (p *pages) setSource(v visit, s *sheet) (string, error) {
	of := s.about.(partKept)
	in := parts.SourceEdit{Number: s.get("number"), Preferred: s.checked("preferred")}
	for name, into := range map[string]*int{"lead_10": &in.Lead10, "lead_50": &in.Lead50, "lead_90": &in.Lead90} {
		if n := s.whole(name); n != nil {
			*into = *n
		}
	}
	supplier := val(s.id("supplier_id"))
	price, core := s.minor("price"), s.minor("core")
	if core != nil && price == nil && s.get("price") == "" {
		s.wrong("price", "is needed beside its deposit")
	}
	if len(s.Mend) > 0 {
		return "", nil
	}
	_, err := once(p, v, s, func(tx *gorm.DB) (parts.Source, error) {
		it, err := parts.SetSource(tx, v.who, of.ID, supplier, in)
		if err != nil || price == nil {
			return it, err
		}
		_, err = parts.SetCost(tx, v.who, v.now, of.ID, parts.NewCost{PriceMinor: *price, CoreMinor: val(core), Currency: s.currency()})
		return it, err
	})
	return "/parts/" + of.ID.String(), inField(err, map[string]string{"price_minor": "price", "core_minor": "core"})
}

// rulesPage shows the rules of fit, by class.
type rulesPage struct {
	Classes []rulesOf
	Keep    bool
	Tabs    []nav
}

type rulesOf struct {
	Code, Name string
	Rules      []fit.Rule
}

var howWords = map[string]string{"same": "must be the same as", "pattern": "must suit", "supply": "must suit", "links": "must be set for", "never": "never fits where"}

// Says puts a rule in words.
func (g rulesPage) Says(r fit.Rule) string {
	if r.How == "never" {
		return plainWord(r.Fact) + " never fits"
	}
	return strings.TrimSpace(plainWord(r.Fact) + " " + howWords[r.How] + " " + plainWord(r.Against))
}

func (p *pages) fitRules(v visit) error {
	if err := v.who.Must(access.SeeInternal); err != nil {
		return err
	}
	g := rulesPage{Keep: v.may(access.KeepCatalogue), Tabs: stockTabs(v, "/parts")}
	all, err := parts.Rules(v.ctx, p.db, v.who)
	if err != nil {
		return err
	}
	classes, err := assets.ComponentClasses(v.ctx, p.db, v.who)
	if err != nil {
		return err
	}
	for _, c := range classes {
		o := rulesOf{Code: c.Code, Name: c.Name}
		for _, r := range all {
			if r.Class == c.Code {
				o.Rules = append(o.Rules, r)
			}
		}
		g.Classes = append(g.Classes, o)
	}
	return p.ok(v, "fitrules", "Rules of fit", g)
}

// ruleHeads are the columns of a rule as a line of text.
const ruleHeads = "how | fact | against | condition | work | minutes | by | why"

func (p *pages) rulesSheet(v visit) (*sheet, error) {
	if err := v.who.Must(access.KeepCatalogue); err != nil {
		return nil, err
	}
	classes, err := p.classOptions(v)
	if err != nil {
		return nil, err
	}
	class := v.c.Param("class")
	if !slices.ContainsFunc(classes, func(o option) bool { return o.Value == class }) {
		return nil, fault.Missing("class", class)
	}
	s := &sheet{Title: "Rules of fit", Over: named(classes)[class], Verb: "Keep these rules", Cancel: "/fit-rules", Crumbs: append(slices.Clone(partCrumbs), crumb{"/fit-rules", "Rules of fit"}), about: class,
		Lead:   "A rule a line, with bars between its columns: " + ruleHeads + ". All of them are checked before any is kept.",
		Fields: []*field{{Name: "rules", Label: "Rules", Short: "The rules", Kind: "area", Most: 20000, Optional: true, Hint: "How: same, pattern, supply, links or never. Condition and work may be blank; work is what mends a difference, with its minutes and the job by which it is done."}}}
	all, err := parts.Rules(v.ctx, p.db, v.who)
	if err != nil {
		return nil, err
	}
	var lines []string
	for _, r := range all {
		if r.Class == class {
			minutes := ""
			if r.Minutes != 0 {
				minutes = fmt.Sprint(r.Minutes)
			}
			lines = append(lines, strings.Join([]string{r.How, r.Fact, r.Against, r.Condition, r.Work, minutes, r.By, r.Why}, " | "))
		}
	}
	if v.c.Request.Method == http.MethodGet {
		s.fill(map[string]string{"rules": strings.Join(lines, "\n")})
	}
	return s, nil
}

func (p *pages) setRules(v visit, s *sheet) (string, error) {
	class := s.about.(string)
	var rules []fit.Rule
	var at []int
	for i, line := range strings.Split(s.get("rules"), "\n") {
		if strings.TrimSpace(line) == "" {
			continue
		}
		cells := strings.Split(line, "|")
		if len(cells) != 8 {
			s.wrong("rules", fmt.Sprintf("holds line %d, which has %d columns and not 8", i+1, len(cells)))
			continue
		}
		for j := range cells {
			cells[j] = strings.TrimSpace(cells[j])
		}
		r := fit.Rule{Class: class, How: cells[0], Fact: cells[1], Against: cells[2], Condition: cells[3], Work: cells[4], By: cells[6], Why: cells[7]}
		if cells[5] != "" {
			if _, err := fmt.Sscanf(cells[5]+" ", "%d ", &r.Minutes); err != nil {
				s.wrong("rules", fmt.Sprintf("holds line %d, whose minutes are no whole number", i+1))
			}
		}
		rules, at = append(rules, r), append(at, i)
	}
	if len(s.Mend) > 0 {
		return "", nil
	}
	_, err := once(p, v, s, func(tx *gorm.DB) (bool, error) { return true, parts.SetRules(tx, v.who, class, slices.Clone(rules)) })
	return "/fit-rules", inText(err, "rules", at)
}
