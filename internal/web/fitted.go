package web

import (
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
	"spindlebook/internal/parts/fit"
)

// slotRow is a slot with what is in it, or what is known about it being empty.
type slotRow struct {
	assets.Fitted
	Clock clock
	Left  *assets.Stay // what was in it last, where nothing is in it now
}

// Name writes the unit as people tell it to each other.
func (r slotRow) Name() string { return unitWords(val(r.Tag), val(r.PartDescription), val(r.Serial)) }

func unitWords(tag, description, serial string) string {
	words := tag
	if description != "" {
		words += ", " + description
	}
	if serial != "" {
		words += ", serial " + serial
	}
	return words
}

func val[T any](p *T) T {
	if p == nil {
		var zero T
		return zero
	}
	return *p
}

// slotHistory is the fittings of one slot, the latest first.
type slotHistory struct {
	Slot  string
	Stays []assets.Stay
}

// slotRows sets the slots of a position out with what was in them before.
func slotRows(fitted []assets.Fitted, stays []assets.Stay, c clock) (rows []slotRow, history []slotHistory) {
	for _, f := range fitted {
		row := slotRow{Fitted: f, Clock: c}
		if f.UnitID == nil {
			for i, s := range stays {
				if s.SlotID != nil && *s.SlotID == f.SlotID && s.Until != nil {
					row.Left = &stays[i]
					break
				}
			}
		}
		rows = append(rows, row)
		var of []assets.Stay
		for _, s := range stays {
			if s.SlotID != nil && *s.SlotID == f.SlotID {
				of = append(of, s)
			}
		}
		if len(of) > 0 {
			history = append(history, slotHistory{f.Slot, of})
		}
	}
	return rows, history
}

// stockCrumbs lead to what lies in stock.
var stockCrumbs = []crumb{{"/stock", "Stock"}, {"/units", "Units"}}

const mostStock = 400

// locationOptions lists where units may go.
func (p *pages) locationOptions(v visit) ([]option, error) {
	all, err := assets.Locations(v.ctx, p.db, v.who, assets.Page{Limit: mostOptions})
	var o []option
	for _, l := range all {
		name := l.Code + " " + l.Name
		if !strings.EqualFold(l.Name, say(l.Kind)) {
			name += ", " + say(l.Kind)
		}
		o = append(o, option{l.ID.String(), name})
	}
	return o, err
}

// outReasons are why a unit leaves a slot; that it was fitted from stock is not
// among them.
var outReasons = []string{"failed", "limit_reached", "age", "precaution", "moved", "conversion", "impact", "loan_ended", "robbed"}

func candidateOptions(all []assets.Candidate, slot uuid.UUID) []option {
	var o []option
	for _, c := range all {
		if c.SlotID != slot {
			continue
		}
		words := unitWords(c.Tag, c.PartNumber+" "+c.PartDescription, c.Serial) + " · in " + c.LocationCode
		if c.Differs != "" {
			words += " · differs: " + c.Differs
		}
		o = append(o, option{c.ID.String(), words})
	}
	return o
}

// answerWords say whether something fits, and why not.
func answerWords(a fit.Answer) string {
	switch a.Verdict {
	case fit.Fits:
		return "fits as it is"
	case fit.FitsAfterWork:
		var all []string
		for _, w := range a.Work {
			all = append(all, fmt.Sprintf("%s (%s)", w.What, w.By))
		}
		return fmt.Sprintf("fits after work: %s, about %d min", strings.Join(all, ", "), a.Minutes())
	case fit.DoesNotFit:
		return "does not fit: " + strings.Join(a.Reasons, " ")
	}
	var all []string
	for _, m := range a.Missing {
		all = append(all, m.Says)
	}
	return "cannot tell: " + strings.Join(all, " ")
}

// fitOptions lists what lies in stock for a slot with the answer whether it fits its
// position, what fits first. What does not is listed too, with every reason: what somebody
// has fitted all the same is a fact.
func fitOptions(judged []parts.UnitFit, stock []assets.Candidate, f assets.Fitted) []option {
	there := map[uuid.UUID]assets.Candidate{}
	for _, c := range stock {
		if c.SlotID == f.SlotID {
			there[c.ID] = c
		}
	}
	var o []option
	told := map[uuid.UUID]bool{}
	for _, u := range judged {
		if c, ok := there[u.UnitID]; ok && !told[c.ID] {
			told[c.ID] = true
			o = append(o, option{c.ID.String(), unitWords(c.Tag, c.PartNumber+" "+c.PartDescription, c.Serial) + " · in " + c.LocationCode + " · " + answerWords(u.Answer)})
		}
	}
	rest := slices.DeleteFunc(slices.Clone(stock), func(c assets.Candidate) bool { return told[c.ID] })
	return append(o, candidateOptions(rest, f.SlotID)...)
}

// unitsFor asks what of what lies in stock goes into slots that are all emptied together.
func (p *pages) unitsFor(v visit, slots ...assets.Fitted) (map[parts.Opening][]parts.UnitFit, error) {
	var asked []parts.Opening
	out := make([]uuid.UUID, len(slots))
	for i, f := range slots {
		out[i] = f.SlotID
		if o := (parts.Opening{PositionID: f.PositionID, Class: f.Class}); !slices.Contains(asked, o) {
			asked = append(asked, o)
		}
	}
	return parts.UnitsForAll(v.ctx, p.db, v.who, v.now, asked, out)
}

// bench is what both forms of a position need: its slots and those of its twin.
type bench struct {
	q, twin  assets.Position
	site     assets.Site
	crumbs   []crumb
	own, its []assets.Fitted // the twin's
}

func (p *pages) benchFor(v visit) (bench, error) {
	var b bench
	var err error
	if b.q, b.site, b.crumbs, err = p.positionFor(v, access.RecordWork); err != nil {
		return b, err
	}
	if b.own, err = assets.FittedAtPosition(v.ctx, p.db, v.who, b.q.ID, v.now); err != nil {
		return b, err
	}
	if b.q.TwinID != nil {
		if b.twin, err = assets.OnePosition(v.ctx, p.db, v.who, *b.q.TwinID); err != nil {
			return b, err
		}
		b.its, err = assets.FittedAtPosition(v.ctx, p.db, v.who, *b.q.TwinID, v.now)
	}
	return b, err
}

// slot finds one of the slots by its id.
func (b bench) slot(id string) (assets.Fitted, bool) {
	for _, f := range slices.Concat(b.own, b.its) {
		if f.SlotID.String() == id {
			return f, true
		}
	}
	return assets.Fitted{}, false
}

// ofConversion are the facts that a conversion may change: those of the
// nameplate belong to the unit.
func ofConversion(kinds []assets.FactKind) []assets.FactKind {
	return slices.DeleteFunc(slices.Clone(kinds), func(k assets.FactKind) bool {
		return slices.Contains([]string{"plate_volts", "plate_hertz", "plate_phases", "leads", "winding", "link_setting"}, k.Code)
	})
}

// swapping is what a swap is about, from its sheet to the act.
type swapping struct {
	bench
	slots []assets.Fitted
	facts []assets.SwapFact
}

// swapCaution goes with work on what is fitted. In our own words after the
// trade's usual ones; the site's own go before them.
const swapCaution = "Your own lock on every point, air shut and locked, arm restrained, start tried. Both weights held before the nut comes off. " +
	"The site's own energy-control procedure, local codes and licensed practice come first; if they say more than this, do more."

// swapSheet asks in two steps: which slots first, since what is asked of each
// depends on them.
func (p *pages) swapSheet(v visit) (*sheet, error) {
	b, err := p.benchFor(v)
	if err != nil {
		return nil, err
	}
	kinds, err := assets.FactKinds(v.ctx, p.db, v.who)
	if err != nil {
		return nil, err
	}
	kinds = ofConversion(kinds)
	s := &sheet{Title: "Swap what is fitted", Over: b.q.Code + " " + b.q.Name, Cancel: b.crumbs[1].Path + "#fitted", Crumbs: b.crumbs, at: b.site.Location(), Caution: swapCaution}
	chosen, facts := v.c.QueryArray("slot"), v.c.QueryArray("fact")
	if len(chosen) == 0 {
		return b.chooseSlots(s, kinds, v.c.Query("pick"))
	}
	w := swapping{bench: b}
	var ids []uuid.UUID
	for _, one := range chosen {
		f, ok := b.slot(one)
		if !ok {
			return nil, fault.Missing("slot", one)
		}
		if slices.Contains(ids, f.SlotID) {
			continue
		}
		ids, w.slots = append(ids, f.SlotID), append(w.slots, f)
	}
	stock, err := assets.StockFor(v.ctx, p.db, v.who, v.now, ids, mostStock)
	if err != nil {
		return nil, err
	}
	places, err := p.locationOptions(v)
	if err != nil {
		return nil, err
	}
	c := clock{v.now, b.site.Location()}
	s.Verb, s.Lead = "Record the swap", "One step, all of it or nothing. Times are local to the site ("+c.Zone()+")."
	s.Fields = []*field{{Name: "at", Label: "Done", Short: "The time", Kind: "when", Most: 16, Hint: whenHint}}
	judged, err := p.unitsFor(v, w.slots...)
	if err != nil {
		return nil, err
	}
	for i, f := range w.slots {
		there := fitOptions(judged[parts.Opening{PositionID: f.PositionID, Class: f.Class}], stock, f)
		s.Fields = append(s.Fields, w.slotFields(i, f, there, places)...)
	}
	s.Fields = append(s.Fields, &field{Name: "remark", Label: "Remark", Optional: true, Most: 500, Hint: "What the next one who opens this history must know."})
	if err := w.factFields(s, kinds, facts); err != nil {
		return nil, err
	}
	s.about = w
	s.fill(map[string]string{"at": v.now.In(b.site.Location()).Format("2006-01-02 15:04")})
	return s, nil
}

// chooseSlots asks for the slots, those of the twin beside the position's own.
func (b bench) chooseSlots(s *sheet, kinds []assets.FactKind, pick string) (*sheet, error) {
	choose := func(f *field, all []assets.Fitted) {
		for _, fit := range all {
			if fit.UnitID != nil {
				f.Options = append(f.Options, option{fit.SlotID.String(), fit.Slot + " · " + unitWords(val(fit.Tag), "", val(fit.Serial))})
			}
		}
	}
	f := &field{Name: "slots", Label: "What comes out of " + b.q.Code + "?", Short: "The choice", Kind: "checks", Optional: true, Value: pick}
	choose(f, b.own)
	also := &field{Name: "twin_slots", Label: "And out of its twin " + b.twin.Code + "?", Short: "The choice", Kind: "checks", Optional: true,
		Hint: "Brushes are worked on in pairs: look whether the twin is due as well."}
	choose(also, b.its)
	if len(f.Options)+len(also.Options) == 0 {
		return nil, &fault.Error{Kind: fault.Conflict, Msg: "nothing that is fitted here is on record; record what is fitted first"}
	}
	change := &field{Name: "facts", Label: "Does the position require something else from now on?", Short: "The choice", Kind: "checks", Optional: true,
		Hint: "A conversion, such as from a clamped hub to a flanged one. Leave it where like goes in for like."}
	for _, k := range kinds {
		change.Options = append(change.Options, option{k.Code, k.Name})
	}
	for _, one := range []*field{f, also} {
		if len(one.Options) > 0 {
			s.Fields = append(s.Fields, one)
		}
	}
	s.Fields, s.Verb, s.about = append(s.Fields, change), "Go on", swapping{bench: b}
	return s, nil
}

// staysEmpty is chosen where nothing goes in: a slot is never left empty by oversight.
const staysEmpty = "none"

// goesIn reads which unit goes into a slot; nil where none does.
func (s *sheet) goesIn(name string) *uuid.UUID {
	if s.get(name) == staysEmpty {
		return nil
	}
	return s.id(name)
}

func (w swapping) slotFields(i int, f assets.Fitted, there, places []option) []*field {
	n := "_" + strconv.Itoa(i)
	head := &field{Name: "reason" + n, Label: "Why does it come out?", Short: "The reason", Kind: "choice", Options: optionsOf(outReasons...),
		Head: f.PositionCode + " · " + f.Slot, Said: slotRow{Fitted: f}.Name() + " comes out."}
	if f.UnitID == nil {
		head.Said = "Nothing that is known is in it."
	}
	to := &field{Name: "to" + n, Label: "Where does it go?", Short: "The place", Kind: "choice", Options: places}
	in := &field{Name: "in" + n, Label: "What goes in?", Short: "The unit", Kind: "choice", Free: true, Options: append([]option{{staysEmpty, "Nothing: the slot stays empty"}}, there...),
		Hint: "From stock, what fits the position first, and why the rest does not or nobody can tell. What lies in quarantine or belongs to another customer is not offered."}
	for _, o := range w.slots {
		if o.SlotID == f.SlotID || o.Class != f.Class {
			continue
		}
		to.Optional, to.Options = true, append([]option{{"", "Into another slot of this swap"}}, places...)
		if o.UnitID != nil {
			in.Options = append(in.Options, option{o.UnitID.String(), val(o.Tag) + " · comes out of " + o.PositionCode + " in this swap"})
		}
	}
	return []*field{head, to, in}
}

// factFields asks for what a conversion changes, for each position of the swap.
func (w *swapping) factFields(s *sheet, kinds []assets.FactKind, facts []string) error {
	var positions []assets.Position
	for _, q := range []assets.Position{w.q, w.twin} {
		if slices.ContainsFunc(w.slots, func(f assets.Fitted) bool { return f.PositionID == q.ID }) {
			positions = append(positions, q)
		}
	}
	for _, code := range facts {
		i := slices.IndexFunc(kinds, func(k assets.FactKind) bool { return k.Code == code })
		if i < 0 {
			return fault.Missing("kind of fact", code)
		}
		for _, q := range positions {
			f := valueField(kinds[i])
			f.Name += "_" + strconv.Itoa(len(w.facts))
			f.Head, f.Said = q.Code+" · "+kinds[i].Name, "Only if this swap converts the position: what it requires from now on."
			s.Fields = append(s.Fields, f)
			w.facts = append(w.facts, assets.SwapFact{PositionID: q.ID, NewFact: assets.NewFact{Fact: code}})
		}
	}
	if len(w.facts) > 0 {
		s.Fields = append(s.Fields, &field{Name: "how", Label: "How are these known?", Short: "How it is known", Kind: "radio", Options: optionsOf(hows...)})
	}
	return nil
}

func (p *pages) doSwap(v visit, s *sheet) (string, error) {
	w := s.about.(swapping)
	at := "/positions/" + w.q.ID.String()
	if s.field("facts") != nil {
		q := url.Values{}
		for _, name := range []string{"slots", "twin_slots"} {
			if s.field(name) != nil {
				q["slot"] = append(q["slot"], strings.Fields(s.get(name))...)
			}
		}
		if len(q["slot"]) == 0 {
			s.Mend = append(s.Mend, mend{Text: "Choose what comes out."})
			return "", nil
		}
		if facts := strings.Fields(s.get("facts")); len(facts) > 0 {
			q["fact"] = facts
		}
		return at + "/swap?" + q.Encode(), nil
	}
	when, precision := s.when("at")
	if when == nil {
		return "", nil
	}
	in := assets.Swap{At: *when, Precision: precision}
	for i, f := range w.slots {
		n := "_" + strconv.Itoa(i)
		in.Items = append(in.Items, assets.SwapItem{SlotID: f.SlotID, Reason: s.get("reason" + n), To: s.id("to" + n), In: s.goesIn("in" + n), Remark: s.get("remark")})
	}
	for i, f := range w.facts {
		n := "_" + strconv.Itoa(i)
		f.How, f.SeenBy = s.get("how"), v.who.Name
		if s.field("measure"+n) != nil {
			f.Measure = s.measure("measure" + n)
		} else {
			f.Value = s.get("value" + n)
		}
		in.Facts = append(in.Facts, f)
	}
	if len(s.Mend) > 0 {
		return "", nil
	}
	_, err := once(p, v, s, func(tx *gorm.DB) ([]assets.Swapped, error) { return assets.DoSwap(tx, v.who, v.now, in) })
	return at + "#fitted", err
}

// fitting is a slot about to get a unit.
type fitting struct {
	bench
	slot assets.Fitted
}

// partOptions lists the parts of a class.
func (p *pages) partOptions(v visit, class string) ([]option, error) {
	var only *string
	if class != "" {
		only = &class
	}
	all, err := assets.Parts(v.ctx, p.db, v.who, only, nil, assets.Page{Limit: mostOptions})
	var o []option
	for _, t := range all {
		o = append(o, option{t.ID.String(), t.Number + " " + t.Description})
	}
	return o, err
}

// fitSheet records what is found in a slot of which nothing is known, or what
// went into an empty one.
func (p *pages) fitSheet(v visit) (*sheet, error) {
	b, err := p.benchFor(v)
	if err != nil {
		return nil, err
	}
	f, ok := b.slot(v.c.Query("slot"))
	if !ok {
		return nil, fault.Missing("slot", v.c.Query("slot"))
	}
	if f.UnitID != nil && v.c.Request.Method == http.MethodGet { // sent twice it is there from the first
		return nil, &fault.Error{Kind: fault.Conflict, Msg: val(f.Tag) + " is in it by the record; take it out by a swap, with the reason",
			Existing: &fault.Ref{Kind: "unit", ID: f.UnitID.String(), Code: val(f.Tag)}}
	}
	s := &sheet{Title: "Record what is fitted: " + strings.ToLower(f.Slot), Over: b.q.Code + " " + b.q.Name, Verb: "Record it", Cancel: b.crumbs[1].Path + "#fitted",
		Crumbs: b.crumbs, at: b.site.Location(), about: fitting{b, f},
		Lead: "Choose it where it has a label and a record. Otherwise say what it is: it gets a record with this form."}
	stock, err := assets.StockFor(v.ctx, p.db, v.who, v.now, []uuid.UUID{f.SlotID}, mostStock)
	if err != nil {
		return nil, err
	}
	judged, err := p.unitsFor(v, f)
	if err != nil {
		return nil, err
	}
	there := fitOptions(judged[parts.Opening{PositionID: f.PositionID, Class: f.Class}], stock, f)
	if s.Fields, err = p.foundFields(v, f, "", there); err != nil {
		return nil, err
	}
	c := clock{v.now, b.site.Location()}
	s.Fields = append(s.Fields,
		&field{Name: "from", Label: "In it since", Short: "The time", Kind: "when", Most: 16, Optional: true, Head: "Since when?",
			Hint: whenHint + " Leave it where nobody knows: then it was there before this record. Local to the site (" + c.Zone() + ")."},
		&field{Name: "remark", Label: "Remark", Optional: true, Most: 500})
	return s, nil
}

// foundFields ask for what is in a slot: a unit on record, or one without.
func (p *pages) foundFields(v visit, f assets.Fitted, end string, stock []option) ([]*field, error) {
	parts, err := p.partOptions(v, f.Class)
	if err != nil {
		return nil, err
	}
	of := "of this class"
	if len(parts) == 0 {
		of = "of this class: the catalogue has none yet; a manager adds it under Stock, Parts"
	}
	var fields []*field
	if stock != nil || end == "" {
		fields = append(fields, &field{Name: "unit_id" + end, Label: "Unit from stock", Short: "The unit", Kind: "choice", Free: true, Optional: true,
			Options: append([]option{{"", "None of these"}}, stock...)})
	}
	fields = append(fields,
		&field{Name: "part_id" + end, Label: "Part", Kind: "choice", Optional: true, Options: append([]option{{"", "Choose a part " + of}}, parts...)},
		&field{Name: "serial" + end, Label: "Serial on its plate", Short: "The serial", Optional: true, Hint: "Letter by letter. Leave it where there is none, or it cannot be read."},
		&field{Name: "tag" + end, Label: "Our label on it", Short: "The label", Most: 24, Optional: true, Hint: "Leave it for the next free label."})
	if end == "" {
		fields[1].Head, fields[1].Said = "Or without a record", "What you see on the thing itself."
	}
	if end == "" {
		fields = append(fields, &field{Name: "owner", Label: "Whose is it?", Short: "The owner", Kind: "choice", Value: "customer",
			Options: []option{{"customer", "the customer's"}, {"distributor", "the distributor's"}, {"consignment", "a supplier's, on consignment"}}})
	}
	if f.Class == "media_set" {
		fields = append(fields, &field{Name: "pattern" + end, Label: "Sections from the bottom up", Short: "The pattern", Optional: true, Most: 100, Hint: "One letter a section: A long leaf, B short leaf."},
			&field{Name: "lot" + end, Label: "Lot", Optional: true})
	}
	return fields, nil
}

// found reads what foundFields asked. It is false where nothing was said.
func (s *sheet) found(end string, siteOwner *uuid.UUID) (unit *uuid.UUID, fresh assets.NewUnit, said bool) {
	if s.field("unit_id"+end) != nil {
		unit = s.id("unit_id" + end)
	}
	part := s.id("part_id" + end)
	fresh = assets.NewUnit{Tag: strings.ToUpper(s.get("tag" + end)), UnitEdit: assets.UnitEdit{Serial: s.get("serial" + end)}}
	if s.field("lot"+end) != nil {
		fresh.Lot, fresh.Pattern = s.get("lot"+end), strings.ToUpper(s.get("pattern"+end))
	}
	// What is found at a site belongs to whoever owns the site: it is theirs
	// until somebody says otherwise.
	if o := s.field("owner"); o != nil && o.Value != "customer" {
		fresh.Owner = o.Value
	} else if siteOwner != nil {
		fresh.Owner, fresh.OwnerCustomerID = "customer", siteOwner
	}
	typed := fresh.Tag != "" || fresh.Serial != "" || fresh.Lot != "" || fresh.Pattern != ""
	switch {
	case unit != nil && part != nil:
		s.wrong("part_id"+end, "is chosen as well as a unit from stock: it is one or the other")
	case unit == nil && part == nil && typed:
		s.wrong("part_id"+end, "is needed to know what it is")
	case part != nil:
		fresh.PartID = *part
	}
	return unit, fresh, unit != nil || part != nil
}

func (p *pages) doFit(v visit, s *sheet) (string, error) {
	w := s.about.(fitting)
	unit, fresh, said := s.found("", w.site.CustomerID)
	from, precision := s.when("from")
	if !said && len(s.Mend) == 0 {
		s.wrong("part_id", "is needed, or a unit from stock")
	}
	if len(s.Mend) > 0 {
		return "", nil
	}
	_, err := once(p, v, s, func(tx *gorm.DB) (assets.Stay, error) {
		return fitFound(tx, v.who, v.now, w.slot.SlotID, unit, fresh, from, precision, s.get("remark"))
	})
	return "/positions/" + w.q.ID.String() + "#fitted", err
}

func fitFound(tx *gorm.DB, who access.Actor, now time.Time, slot uuid.UUID, unit *uuid.UUID, fresh assets.NewUnit, from *time.Time, precision, remark string) (assets.Stay, error) {
	if unit == nil {
		u, err := assets.AddUnit(tx, who, now, fresh)
		if err != nil {
			return assets.Stay{}, err
		}
		unit = &u.ID
	}
	return assets.Put(tx, who, now, assets.Putting{UnitID: *unit, Place: assets.Place{SlotID: &slot}, From: from, Precision: precision, Remark: remark})
}
