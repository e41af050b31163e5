package web

import (
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/fault"
)

// The forms by which a site is arranged: its supplies, its week, whose it is, its
// lines, positions and twins, and where its energies are shut off.

// lineFields are what of a line is asked.
func lineFields(site assets.Site) []*field {
	return []*field{
		{Name: "code", Label: "Code", Most: 24, Hint: "Capital letters, digits and hyphens, such as " + site.Code + "-1."},
		{Name: "name", Label: "Name", Optional: true},
		{Name: "length", Label: "Length of the conveyor", Kind: "measure", Units: []string{"ft", "m"}, Optional: true},
		{Name: "speed", Label: "Speed", Kind: "measure", Units: []string{"ft/min", "m/min"}, Optional: true},
		{Name: "vehicles_per_hour_max", Label: "Most vehicles an hour", Kind: "number", Optional: true},
	}
}

func (s *sheet) line() assets.LineEdit {
	return assets.LineEdit{Code: s.get("code"), Name: s.get("name"), Length: s.measure("length"), Speed: s.measure("speed"), VehiclesPerHourMax: s.whole("vehicles_per_hour_max")}
}

func lineValues(l assets.Line) map[string]string {
	return map[string]string{"code": l.Code, "name": l.Name, "length": val(l.LengthTyped), "speed": val(l.SpeedTyped), "vehicles_per_hour_max": number(l.VehiclesPerHourMax)}
}

func (p *pages) lineSheet(v visit) (*sheet, error) {
	id, err := idOf(v, "id", "line")
	if err != nil {
		return nil, err
	}
	l, err := assets.OneLine(v.ctx, p.db, v.who, id)
	if err == nil {
		err = v.who.Must(access.KeepRegister)
	}
	if err != nil {
		return nil, err
	}
	site, err := assets.OneSite(v.ctx, p.db, v.who, l.SiteID)
	if err != nil {
		return nil, err
	}
	at := "/sites/" + site.ID.String()
	s := &sheet{Title: "Edit the line", Over: strings.TrimSpace(l.Code + " " + l.Name), Verb: "Keep these details", Cancel: at + "#line-" + l.ID.String(), Crumbs: []crumb{{"/sites", "Sites"}, {at, site.Name}},
		Version: l.Version, at: site.Location(), about: l, Fields: lineFields(site)}
	s.fill(lineValues(l))
	return s, nil
}

func (p *pages) editLine(v visit, s *sheet) (string, error) {
	l := s.about.(assets.Line)
	in := s.line()
	if len(s.Mend) > 0 {
		return "", nil
	}
	_, err := once(p, v, s, func(tx *gorm.DB) (assets.Line, error) { return assets.EditLine(tx, v.who, l.ID, s.Version, in) })
	if fault.KindOf(err) == fault.Stale {
		s.compare(lineValues(l), l.Version)
	}
	return "/sites/" + l.SiteID.String() + "#line-" + l.ID.String(), err
}

// positionFields are what of a position is asked. A supply that ended is offered
// where the position is on record with it.
func (p *pages) positionFields(v visit, site assets.Site, fed *uuid.UUID) ([]*field, error) {
	lines, err := assets.Lines(v.ctx, p.db, v.who, &site.ID, assets.Page{Limit: 100})
	if err != nil {
		return nil, err
	}
	kinds, err := assets.PositionKinds(v.ctx, p.db, v.who)
	if err != nil {
		return nil, err
	}
	supplies, err := assets.Supplies(v.ctx, p.db, v.who, site.ID)
	if err != nil {
		return nil, err
	}
	where := []option{{"", "No line: shared equipment"}}
	for _, l := range lines {
		where = append(where, option{l.ID.String(), strings.TrimSpace("Line " + l.Code + " " + l.Name)})
	}
	var what []option
	for _, k := range kinds {
		what = append(what, option{k.Code, k.Name})
	}
	feed := []option{{"", "Not known"}}
	for _, s := range supplies {
		switch words := supplyWords(s); {
		case s.Until == nil:
			feed = append(feed, option{s.ID.String(), words})
		case fed != nil && s.ID == *fed:
			feed = append(feed, option{s.ID.String(), words + " (ended)"})
		}
	}
	return []*field{
		{Name: "line_id", Label: "Line", Kind: "choice", Options: where, Optional: true},
		{Name: "kind", Label: "Kind", Kind: "choice", Options: what},
		{Name: "name", Label: "Name"},
		{Name: "code", Label: "Code", Most: 32, Hint: "Capital letters, digits, hyphens and slashes, such as " + site.Code + "-1/SBL-D."},
		{Name: "line_side", Label: "Side, in the direction of travel", Short: "The side", Kind: "radio", Options: []option{
			{"left", sideWords("left", site.DriverSide)}, {"right", sideWords("right", site.DriverSide)}, {"centre", "centre, or shared equipment"}}},
		{Name: "along", Label: "Distance from the entrance", Kind: "measure", Units: []string{"ft", "m"}, Optional: true, Hint: "Along the travel; before the entrance it is negative."},
		{Name: "supply_id", Label: "Electrical supply", Kind: "choice", Options: feed, Optional: true},
		{Name: "aliases", Label: "Also called", Short: "The list of names", Kind: "area", Optional: true, Most: 2000, Hint: "What people at the site call it, one name a line."},
	}, nil
}

func (s *sheet) position() assets.PositionEdit {
	in := assets.PositionEdit{LineID: s.id("line_id"), Code: s.get("code"), Name: s.get("name"), Kind: s.get("kind"), LineSide: s.get("line_side"), Along: s.measure("along"), SupplyID: s.id("supply_id")}
	for a := range strings.SplitSeq(s.get("aliases"), "\n") {
		if a = strings.TrimSpace(a); a != "" {
			in.Aliases = append(in.Aliases, a)
		}
	}
	return in
}

func positionValues(q assets.Position) map[string]string {
	return map[string]string{"line_id": idText(q.LineID), "kind": q.Kind, "name": q.Name, "code": q.Code, "line_side": q.LineSide, "along": val(q.AlongTyped),
		"supply_id": idText(q.SupplyID), "aliases": strings.Join(q.Aliases, "\n")}
}

func idText(id *uuid.UUID) string {
	if id == nil {
		return ""
	}
	return id.String()
}

func (p *pages) positionSheet(v visit) (*sheet, error) {
	q, site, crumbs, err := p.positionFor(v, access.KeepRegister)
	if err != nil {
		return nil, err
	}
	fields, err := p.positionFields(v, site, q.SupplyID)
	if err != nil {
		return nil, err
	}
	s := &sheet{Title: "Edit the position", Over: q.Code + " " + q.Name, Verb: "Keep these details", Cancel: crumbs[1].Path, Crumbs: crumbs, Version: q.Version, at: site.Location(), about: q, Fields: fields}
	if q.TwinID != nil {
		s.Lead = "It has a twin: its line, kind and side stay until the pair is parted."
	}
	s.fill(positionValues(q))
	return s, nil
}

func (p *pages) editPosition(v visit, s *sheet) (string, error) {
	q := s.about.(assets.Position)
	in := s.position()
	if len(s.Mend) > 0 {
		return "", nil
	}
	_, err := once(p, v, s, func(tx *gorm.DB) (assets.Position, error) {
		return assets.EditPosition(tx, v.who, q.ID, s.Version, in)
	})
	if fault.KindOf(err) == fault.Stale {
		s.compare(positionValues(q), q.Version)
	}
	return "/positions/" + q.ID.String() + "#place", err
}

// twinSheet offers what stands across the line and has no other twin.
func (p *pages) twinSheet(v visit) (*sheet, error) {
	q, site, crumbs, err := p.positionFor(v, access.KeepRegister)
	if err != nil {
		return nil, err
	}
	all, err := p.standing(v, site.ID)
	if err != nil {
		return nil, err
	}
	across := []option{{"", "No twin"}}
	for _, o := range all {
		if o.ID != q.ID && o.LineID != nil && q.LineID != nil && *o.LineID == *q.LineID && o.Kind == q.Kind && o.LineSide != q.LineSide && o.LineSide != "centre" && q.LineSide != "centre" &&
			(o.TwinID == nil || *o.TwinID == q.ID) {
			across = append(across, option{o.ID.String(), o.Code + " " + o.Name})
		}
	}
	s := &sheet{Title: "Say which is its twin", Over: q.Code + " " + q.Name, Verb: "Record it", Cancel: crumbs[1].Path + "#place", Crumbs: crumbs, Version: q.Version, about: q,
		Lead:   "Twins are of one kind on one line, one on each side, and are worked on together: a swap of one offers the other.",
		Fields: []*field{{Name: "twin_id", Label: "Its twin", Kind: "choice", Options: across, Optional: true}}}
	s.fill(twinValues(q))
	return s, nil
}

func twinValues(q assets.Position) map[string]string {
	return map[string]string{"twin_id": idText(q.TwinID)}
}

func (p *pages) setTwin(v visit, s *sheet) (string, error) {
	q := s.about.(assets.Position)
	twin := s.id("twin_id")
	if len(s.Mend) > 0 {
		return "", nil
	}
	_, err := once(p, v, s, func(tx *gorm.DB) (assets.Position, error) { return assets.Pair(tx, v.who, q.ID, s.Version, twin) })
	if fault.KindOf(err) == fault.Stale {
		s.compare(twinValues(q), q.Version)
	}
	return "/positions/" + q.ID.String() + "#place", err
}

func (p *pages) newSupplySheet(v visit) (*sheet, error) {
	site, crumbs, err := p.siteFor(v, access.KeepRegister)
	if err != nil {
		return nil, err
	}
	s := &sheet{Title: "Add an electrical supply", Over: site.Code + " " + site.Name, Verb: "Add the supply", Cancel: crumbs[1].Path + "#supplies", Crumbs: crumbs, at: site.Location(), about: site,
		Lead: "As a qualified person measured it, or as it stands on the service panel: which motors suit and how they are joined goes by it.",
		Fields: []*field{
			{Name: "code", Label: "Name", Short: "The name", Most: 32, Hint: "Such as MAIN, or the name of the panel that it feeds."},
			{Name: "volts", Label: "Volts between phases", Short: "The voltage", Kind: "number", Hint: "Nominal, such as 208, 230 or 460."},
			{Name: "phases", Label: "Phases", Kind: "radio", Options: []option{{"3", "three-phase"}, {"1", "single-phase"}}},
			{Name: "hertz", Label: "Frequency", Kind: "radio", Options: []option{{"60", "60 Hz"}, {"50", "50 Hz"}}},
			{Name: "high_leg", Label: "One leg has a higher voltage to earth (delta with a high leg)", Kind: "check", Optional: true},
			{Name: "from", Label: "Since", Short: "The time", Kind: "moment", Optional: true, Hint: "Now where nothing is said."},
		}}
	s.fill(map[string]string{"phases": "3", "hertz": "60"})
	return s, nil
}

func (p *pages) addSupply(v visit, s *sheet) (string, error) {
	site := s.about.(assets.Site)
	in := assets.NewSupply{Code: s.get("code"), HighLeg: s.checked("high_leg"), From: s.moment("from")}
	volts, phases, hertz := s.number("volts"), s.whole("phases"), s.whole("hertz")
	if len(s.Mend) > 0 {
		return "", nil
	}
	in.Volts, in.Phases, in.Hertz = *volts, *phases, *hertz
	_, err := once(p, v, s, func(tx *gorm.DB) (assets.Supply, error) { return assets.AddSupply(tx, v.who, v.now, site.ID, in) })
	return "/sites/" + site.ID.String() + "#supplies", err
}

func (p *pages) endSupplySheet(v visit) (*sheet, error) {
	site, crumbs, err := p.siteFor(v, access.KeepRegister)
	if err != nil {
		return nil, err
	}
	id, err := idOf(v, "supply", "supply")
	if err != nil {
		return nil, err
	}
	all, err := assets.Supplies(v.ctx, p.db, v.who, site.ID)
	if err != nil {
		return nil, err
	}
	i := slices.IndexFunc(all, func(s assets.Supply) bool { return s.ID == id })
	if i < 0 {
		return nil, fault.Missing("supply", id.String())
	}
	return &sheet{Title: "End a supply", Over: site.Code + " " + site.Name, Verb: "End the supply", Grave: true, Cancel: crumbs[1].Path + "#supplies", Crumbs: crumbs, at: site.Location(), about: all[i],
		Lead:   supplyWords(all[i]) + ". It stays on record until then, and the positions that it fed say that it ended until they are given another.",
		Fields: []*field{{Name: "at", Label: "It ended", Short: "The time", Kind: "moment", Hint: "Local time (" + clock{v.now, site.Location()}.Zone() + ")."}}}, nil
}

func (p *pages) endSupply(v visit, s *sheet) (string, error) {
	was, at := s.about.(assets.Supply), s.moment("at")
	if len(s.Mend) > 0 {
		return "", nil
	}
	_, err := once(p, v, s, func(tx *gorm.DB) (assets.Supply, error) {
		return assets.EndSupply(tx, v.who, was.SiteID, was.ID, *at)
	})
	return "/sites/" + was.SiteID.String() + "#supplies", err
}

// weekKinds are what a day of the week is asked for.
var weekKinds = []struct{ kind, name, label string }{{"open", "open", "Open"}, {"line_may_be_down", "down", "A line may be down"}}

func (p *pages) weekSheet(v visit) (*sheet, error) {
	site, crumbs, err := p.siteFor(v, access.KeepRegister)
	if err != nil {
		return nil, err
	}
	hours, err := assets.Hours(v.ctx, p.db, v.who, site.ID, v.now)
	if err != nil {
		return nil, err
	}
	s := &sheet{Title: "Arrange the week", Over: site.Code + " " + site.Name, Verb: "It holds from now on", Cancel: crumbs[1].Path + "#week", Crumbs: crumbs, Version: site.Version, at: site.Location(), about: site,
		Lead: "Local times, such as 08:00 to 20:00; several with commas between them; 22:00 to 02:00 runs into the next day; 00:00 to 24:00 is round the clock. A day that is left blank is closed, or nothing is agreed for it. " +
			"The week before keeps its time."}
	for d := 1; d <= 7; d++ {
		for i, k := range weekKinds {
			f := &field{Name: k.name + "_" + strconv.Itoa(d), Label: k.label, Short: weekdays[d] + ", " + strings.ToLower(k.label) + ",", Optional: true}
			if i == 0 {
				f.Head = weekdays[d]
			}
			s.Fields = append(s.Fields, f)
		}
	}
	s.fill(weekValues(hours))
	return s, nil
}

func weekValues(hours []assets.WeeklyHours) map[string]string {
	values := map[string]string{}
	for d := 1; d <= 7; d++ {
		for _, k := range weekKinds {
			var all []string
			for _, h := range hours {
				if h.Kind == k.kind && h.Weekday == d {
					all = append(all, clockStretch(h.Starts, h.Minutes))
				}
			}
			values[k.name+"_"+strconv.Itoa(d)] = strings.Join(all, ", ")
		}
	}
	return values
}

// clockStretch writes a time of day and a length as the form reads them.
func clockStretch(starts string, minutes int) string {
	t, err := time.Parse("15:04", starts)
	if err != nil {
		return starts
	}
	end := t.Hour()*60 + t.Minute() + minutes
	if end > 24*60 {
		end -= 24 * 60
	}
	return fmt.Sprintf("%s to %02d:%02d", starts, end/60, end%60)
}

var clockRange = regexp.MustCompile(`^(\d{1,2}):(\d{2})\s*(?:to|-|–)\s*(\d{1,2}):(\d{2})$`)

// stretches reads the times of a day. ok is false where they cannot be read.
func stretches(text string) (all []assets.WeeklyHours, ok bool) {
	for part := range strings.SplitSeq(text, ",") {
		if part = strings.TrimSpace(part); part == "" {
			continue
		}
		m := clockRange.FindStringSubmatch(part)
		if m == nil {
			return nil, false
		}
		var n [4]int
		for i := range n {
			n[i], _ = strconv.Atoi(m[i+1]) // digits
		}
		from, until := n[0]*60+n[1], n[2]*60+n[3]
		if n[1] > 59 || n[3] > 59 || from >= 24*60 || until > 24*60 {
			return nil, false
		}
		if until <= from {
			until += 24 * 60
		}
		all = append(all, assets.WeeklyHours{Starts: fmt.Sprintf("%02d:%02d", n[0], n[1]), Minutes: until - from})
	}
	return all, true
}

var itemOfWeek = regexp.MustCompile(`items\[(\d+)\]`)

func (p *pages) arrangeWeek(v visit, s *sheet) (string, error) {
	site := s.about.(assets.Site)
	var week []assets.WeeklyHours
	var of []string // the field of each
	for d := 1; d <= 7; d++ {
		for _, k := range weekKinds {
			name := k.name + "_" + strconv.Itoa(d)
			all, ok := stretches(s.get(name))
			if !ok {
				s.wrong(name, "is a time to a time, such as 08:00 to 20:00, with commas between several")
			}
			for _, h := range all {
				h.Kind, h.Weekday = k.kind, d
				week, of = append(week, h), append(of, name)
			}
		}
	}
	if len(s.Mend) > 0 {
		return "", nil
	}
	_, err := once(p, v, s, func(tx *gorm.DB) (assets.Site, error) {
		it, _, err := assets.ReplaceHours(tx, v.who, v.now, site.ID, s.Version, week)
		return it, err
	})
	if f, ok := errors.AsType[*fault.Error](err); ok && f.Kind == fault.Invalid {
		if m := itemOfWeek.FindStringSubmatch(f.Field); m != nil {
			i, _ := strconv.Atoi(m[1]) // digits
			s.wrong(of[i], itemOfWeek.ReplaceAllString(f.Msg, "another stretch of the week"))
			return "", nil
		}
	}
	if fault.KindOf(err) == fault.Stale {
		hours, err := assets.Hours(v.ctx, p.db, v.who, site.ID, v.now)
		if err != nil {
			return "", err
		}
		s.compare(weekValues(hours), site.Version)
	}
	return "/sites/" + site.ID.String() + "#week", err
}

func (p *pages) handOverSheet(v visit) (*sheet, error) {
	site, crumbs, err := p.siteFor(v, access.KeepRegister)
	if err != nil {
		return nil, err
	}
	customers, err := p.customerOptions(v)
	if err != nil {
		return nil, err
	}
	return &sheet{Title: "Hand the site over", Over: site.Code + " " + site.Name, Verb: "Hand it over", Grave: true, Cancel: crumbs[1].Path + "#owners", Crumbs: crumbs, at: site.Location(), about: site,
		Lead: "It is " + val(site.CustomerName) + "’s. From then on the new owner sees it and not what was read and done before; the one before keeps sight of the own time. It may lie ahead: a sale that is agreed.",
		Fields: []*field{
			{Name: "customer_id", Label: "To", Short: "The customer", Kind: "choice", Options: customers},
			{Name: "from", Label: "From", Short: "The time", Kind: "moment", Hint: "Local time (" + clock{v.now, site.Location()}.Zone() + ")."},
		}}, nil
}

func (p *pages) handOver(v visit, s *sheet) (string, error) {
	site := s.about.(assets.Site)
	to, from := s.id("customer_id"), s.moment("from")
	if len(s.Mend) > 0 {
		return "", nil
	}
	_, err := once(p, v, s, func(tx *gorm.DB) ([]assets.Ownership, error) {
		return assets.HandOver(tx, v.who, site.ID, *to, *from)
	})
	return "/sites/" + site.ID.String() + "#owners", err
}

// pointFields are what is asked of how a point is isolated, proved and restored.
func pointFields(c clock) []*field {
	return []*field{
		{Name: "place", Label: "Where it is", Short: "The place", Most: 500, Hint: "So that somebody who was never there finds it."},
		{Name: "isolate", Label: "How it is isolated", Short: "How it is isolated", Kind: "area", Most: 2000},
		{Name: "prove", Label: "How it is proved", Short: "How it is proved", Kind: "area", Most: 2000, Hint: "How one knows that nothing is left, tried on the thing itself."},
		{Name: "restore", Label: "How it is restored", Short: "How it is restored", Kind: "area", Most: 2000},
		{Name: "lockable", Label: "It takes a lock", Kind: "check", Optional: true},
		{Name: "in_sight", Label: "It is in sight of the position", Kind: "check", Optional: true},
		{Name: "checked_on", Label: "Checked on", Short: "The date", Kind: "date"},
		{Name: "checked_by", Label: "Checked by", Short: "The name"},
		{Name: "valid_from", Label: "It holds since", Short: "The time", Kind: "moment", Optional: true, Hint: "Now where nothing is said. Local time (" + c.Zone() + ")."},
	}
}

func (s *sheet) isolation() assets.IsolationEdit {
	return assets.IsolationEdit{Place: s.get("place"), Isolate: s.get("isolate"), Prove: s.get("prove"), Restore: s.get("restore"), Lockable: s.checked("lockable"), InSight: s.checked("in_sight"),
		CheckedOn: s.get("checked_on"), CheckedBy: s.get("checked_by"), ValidFrom: s.moment("valid_from")}
}

func (p *pages) newPointSheet(v visit) (*sheet, error) {
	site, crumbs, err := p.siteFor(v, access.KeepRegister)
	if err != nil {
		return nil, err
	}
	var kinds []option
	for _, e := range energies {
		kinds = append(kinds, option{e, sentenceCase(say(e))})
	}
	c := clock{v.now, site.Location()}
	s := &sheet{Title: "Add an isolation point", Over: site.Code + " " + site.Name, Verb: "Add the point", Caution: assets.Caution, Cancel: crumbs[1].Path + "#isolation", Crumbs: crumbs, at: site.Location(), about: site,
		Lead: "As somebody found it on the spot. Which positions are behind it is said on their own pages.",
		Fields: append([]*field{
			{Name: "code", Label: "Code", Most: 32, Hint: "As it is marked there: capital letters, digits, hyphens and slashes, such as " + site.Code + "-1/DS4."},
			{Name: "energy", Label: "Energy", Kind: "choice", Options: kinds},
		}, pointFields(c)...)}
	s.fill(map[string]string{"checked_on": v.now.In(site.Location()).Format(time.DateOnly), "checked_by": v.who.Name})
	return s, nil
}

func (p *pages) addPoint(v visit, s *sheet) (string, error) {
	site := s.about.(assets.Site)
	in := s.isolation()
	if len(s.Mend) > 0 {
		return "", nil
	}
	_, err := once(p, v, s, func(tx *gorm.DB) (assets.IsolationPoint, error) {
		return assets.AddIsolationPoint(tx, v.who, v.now, site.ID, s.get("code"), s.get("energy"), in)
	})
	return "/sites/" + site.ID.String() + "#isolation", err
}

// revisePointSheet records a check, or what was found to be otherwise: a new
// version; those before stay.
func (p *pages) revisePointSheet(v visit) (*sheet, error) {
	id, err := idOf(v, "id", "isolation point")
	if err != nil {
		return nil, err
	}
	pt, err := assets.OneIsolationPoint(v.ctx, p.db, v.who, id)
	if err == nil {
		err = v.who.Must(access.KeepRegister)
	}
	if err != nil {
		return nil, err
	}
	site, err := assets.OneSite(v.ctx, p.db, v.who, pt.SiteID)
	if err != nil {
		return nil, err
	}
	at := "/sites/" + site.ID.String()
	c := clock{v.now, site.Location()}
	s := &sheet{Title: "Record a check", Over: pt.Code + " " + say(pt.Energy), Verb: "Record the check", Caution: assets.Caution, Cancel: at + "#isolation", Crumbs: []crumb{{"/sites", "Sites"}, {at, site.Name}},
		at: site.Location(), about: pt, Fields: pointFields(c)}
	values := map[string]string{"checked_on": v.now.In(site.Location()).Format(time.DateOnly), "checked_by": v.who.Name}
	if len(pt.Versions) > 0 {
		last := pt.Versions[0]
		s.Lead = fmt.Sprintf("Version %d was checked on %s by %s. Change what you found to be otherwise; it becomes version %d, and the ones before stay on record.", last.Number, c.Date(last.CheckedOn), last.CheckedBy, last.Number+1)
		yes := map[bool]string{true: "yes"}
		values["place"], values["isolate"], values["prove"], values["restore"] = last.Place, last.Isolate, last.Prove, last.Restore
		values["lockable"], values["in_sight"] = yes[last.Lockable], yes[last.InSight]
	}
	s.fill(values)
	return s, nil
}

func (p *pages) revisePoint(v visit, s *sheet) (string, error) {
	pt := s.about.(assets.IsolationPoint)
	in := s.isolation()
	if len(s.Mend) > 0 {
		return "", nil
	}
	_, err := once(p, v, s, func(tx *gorm.DB) (assets.IsolationPoint, error) {
		return assets.ReviseIsolationPoint(tx, v.who, v.now, pt.ID, in)
	})
	return "/sites/" + pt.SiteID.String() + "#isolation", err
}

// isolationSheet says which points must be locked before hands go into a position.
func (p *pages) isolationSheet(v visit) (*sheet, error) {
	q, site, crumbs, err := p.positionFor(v, access.KeepRegister)
	if err != nil {
		return nil, err
	}
	all, err := assets.IsolationPoints(v.ctx, p.db, v.who, v.now, site.ID)
	if err != nil {
		return nil, err
	}
	var points []option
	for _, pt := range all {
		words := pt.Code + " " + say(pt.Energy)
		if len(pt.Versions) > 0 {
			words += ", " + pt.Versions[0].Place
		}
		points = append(points, option{pt.ID.String(), words})
	}
	s := &sheet{Title: "Say what isolates it", Over: q.Code + " " + q.Name, Verb: "Record it", Caution: assets.Caution, Cancel: crumbs[1].Path + "#isolation", Crumbs: crumbs, Version: q.Version, about: isolated{q, all},
		Lead:   "Every point at which one of its energies is shut off. One that is missing here is still there.",
		Fields: []*field{{Name: "point_ids", Label: "Its isolation points", Short: "The list", Kind: "checks", Options: points, Optional: true}}}
	if len(points) == 0 {
		s.Lead = "No isolation point of this site is on record yet: add them to the site first."
		s.Else = []crumb{{"/sites/" + site.ID.String() + "/points/new", "Add an isolation point"}}
	}
	s.fill(isolated{q, all}.values())
	return s, nil
}

// isolated is a position with the points of its site.
type isolated struct {
	position assets.Position
	points   []assets.IsolationPoint
}

func (n isolated) values() map[string]string {
	var ids []string
	for _, pt := range n.points {
		if slices.ContainsFunc(pt.Positions, func(r assets.PositionRef) bool { return r.ID == n.position.ID }) {
			ids = append(ids, pt.ID.String())
		}
	}
	return map[string]string{"point_ids": strings.Join(ids, " ")}
}

func (p *pages) setIsolation(v visit, s *sheet) (string, error) {
	n := s.about.(isolated)
	var ids []uuid.UUID
	for _, one := range strings.Fields(s.get("point_ids")) {
		ids = append(ids, uuid.MustParse(one)) // among the choices
	}
	if len(s.Mend) > 0 {
		return "", nil
	}
	_, err := once(p, v, s, func(tx *gorm.DB) (assets.Position, error) {
		it, _, err := assets.SetIsolation(tx, v.who, v.now, n.position.ID, s.Version, ids)
		return it, err
	})
	if fault.KindOf(err) == fault.Stale {
		s.compare(n.values(), n.position.Version)
	}
	return "/positions/" + n.position.ID.String() + "#isolation", err
}
