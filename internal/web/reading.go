package web

import (
	"errors"
	"fmt"
	"net/http"
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
)

// explanationWords are the things that may be behind a reading.
var explanationWords = map[string]string{
	"rolled_over": "rolled over", "reset": "set back to zero", "controller_reset": "controller reset", "replaced": "counter replaced", "unit_changed": "shows another unit",
	"mistyped": "mistyped", "wrong_meter": "read on another counter", "as_seen": "right as it was seen",
}

// wheelsField asks for what a counter shows.
func wheelsField(name, label string, m meters.Meter) *field {
	f := &field{Name: name, Label: label, Short: "What it shows", Kind: "wheels", Most: 20}
	if m.Decimals != nil {
		f.Wheels = *m.Decimals
	}
	if m.Shows != nil {
		f.Face = *m.Shows
	}
	return f
}

// lastly says what was read on a meter last, and where it should stand.
func lastly(m meters.Meter, view *outlook.View, c clock) string {
	if m.LastAt == nil || m.LastValue == nil || m.Shows == nil {
		return "It was never read."
	}
	face := func(n int64) string { return grouped(meters.FormatIn(n, *m.Shows)) + " " + *m.Shows }
	says := "Last: " + face(*m.LastValue) + ", " + c.Day(m.LastAt) + ", " + age(*m.LastAt, c.Now) + "."
	if view == nil {
		return says
	}
	b, ok := view.Expect(c.Now)
	if !ok {
		return says
	}
	at := func(total float64) string {
		n := *m.LastValue + outlook.Amount(m.Unit, total) - *m.LastTotal
		if m.Modulus != nil {
			n %= *m.Modulus
		}
		return grouped(rounded(n, *m.Shows))
	}
	low, high := at(b.Low), at(b.High)
	if low == high {
		return says + " It should show about " + high + " " + *m.Shows + " now."
	}
	return says + " By how it has run it should show " + low + " to " + high + " " + *m.Shows + " now."
}

// rounded writes an amount in what a counter shows, without what is after the point.
func rounded(n int64, shows string) string {
	whole, _, _ := strings.Cut(meters.FormatIn(n, shows), ".")
	return whole
}

// howRead are the ways in which a person comes to a reading.
var howRead = []option{{"eye", "seen on the counter"}, {"photo", "read off a photo"}, {"estimate", "estimated: a guess, marked as one"}}

func nowIn(v visit, at *time.Location) string { return v.now.In(at).Format("2006-01-02T15:04") }

// theMoment gives when something was seen. A form that was opened and sent within
// its minute means now, not the beginning of the minute.
func (s *sheet) theMoment(v visit, name string) time.Time {
	at := s.moment(name)
	if at == nil || v.now.Sub(*at) >= 0 && v.now.Sub(*at) < time.Minute {
		return v.now.Truncate(time.Second)
	}
	return *at
}

func (p *pages) readSheet(v visit) (*sheet, error) {
	m, site, crumbs, err := p.mustFor(v, access.ReadCounters)
	if err != nil {
		return nil, err
	}
	if m.Kind == "computed" {
		return nil, &fault.Error{Kind: fault.Conflict, Msg: m.Code + " is computed from other counters and is not read"}
	}
	cal, err := outlook.Of(v.ctx, p.db, v.who, v.now, site.ID)
	if err != nil {
		return nil, err
	}
	views, err := outlook.Ahead(v.ctx, p.db, v.who, v.now, cal, m.ID)
	if err != nil {
		return nil, err
	}
	c := clock{v.now, site.Location()}
	value := wheelsField("value", "It shows", m)
	value.Hint = lastly(m, views[m.ID], c)
	s := &sheet{Title: "Read the counter", Over: m.Code + " " + nameOf(m), Verb: "Take the reading", Cancel: crumbs[1].Path, Crumbs: crumbs, at: site.Location(), about: m,
		Fields: []*field{value,
			{Name: "at", Label: "Seen at", Short: "The time", Kind: "moment", Hint: "When you stood before it, not when you type it. Local time (" + c.Zone() + ")."},
			{Name: "source", Label: "How", Short: "The way", Kind: "radio", Options: howRead},
		}}
	if m.PositionID != nil && v.may(access.RecordWork) {
		f := pictureField("content")
		f.Label, f.Optional = "Photo of it", true
		s.Fields = append(s.Fields, f)
	}
	s.fill(map[string]string{"at": nowIn(v, site.Location()), "source": "eye"})
	return s, nil
}

// takenPage says what became of a reading that was taken with a warning.
type takenPage struct {
	Meter meters.Meter
	Name  string
	Shown string
	Taken meters.Taken
}

func (p *pages) takeReading(v visit, s *sheet) (string, error) {
	m := s.about.(meters.Meter)
	in := meters.NewReading{MeterID: m.ID, At: s.theMoment(v, "at"), Value: s.wheels("value"), Source: s.get("source")}
	if len(s.Mend) > 0 {
		return "", nil
	}
	got, err := once(p, v, s, func(tx *gorm.DB) (meters.Taken, error) {
		all, err := meters.Take(tx, v.who, v.now, []meters.NewReading{in})
		if err != nil {
			return meters.Taken{}, err
		}
		if f := all[0].Fault; f != nil {
			return meters.Taken{}, f
		}
		if f := s.field("content"); f != nil && len(f.file) > 0 {
			caption := "Counter " + m.Code + " at " + in.Value + " " + val(m.Shows)
			if _, err := assets.AddPhoto(tx, v.who, v.now, assets.NewPhoto{PositionID: m.PositionID, Caption: caption, TakenAt: &in.At, Content: f.file}); err != nil {
				return meters.Taken{}, err
			}
		}
		return all[0], nil
	})
	switch {
	case err != nil:
		return "", err
	case got.Outcome == meters.NeedsExplanation || got.Outcome == meters.Quarantined:
		return "/readings/" + got.ReadingID.String() + "/explain", nil
	case got.Says != "":
		return "", p.show(v, http.StatusOK, "taken", "The reading is taken", takenPage{m, nameOf(m), grouped(in.Value) + " " + val(m.Shows), got})
	}
	return "/meters/" + m.ID.String() + "#readings", nil
}

// rounds are the meters of a site in the order in which one walks past them.
type rounds struct {
	site   assets.Site
	meters []meters.Meter // by the number of their field
}

func (p *pages) roundSheet(v visit) (*sheet, error) {
	site, crumbs, err := p.siteFor(v, access.ReadCounters)
	if err != nil {
		return nil, err
	}
	all, err := meters.List(v.ctx, p.db, v.who, meters.Filter{SiteID: &site.ID}, access.Page{Limit: mostMeters})
	if err != nil {
		return nil, err
	}
	all = slices.DeleteFunc(all, func(m meters.Meter) bool { return m.Kind == "computed" || m.Until != nil })
	cal, err := outlook.Of(v.ctx, p.db, v.who, v.now, site.ID)
	if err != nil {
		return nil, err
	}
	ids := make([]uuid.UUID, len(all))
	for i, m := range all {
		ids[i] = m.ID
	}
	views, err := outlook.Ahead(v.ctx, p.db, v.who, v.now, cal, ids...)
	if err != nil {
		return nil, err
	}
	c := clock{v.now, site.Location()}
	rows := make([]counterRow, len(all))
	for i, m := range all {
		rows[i] = counterRow{Meter: m}
	}
	groups, err := p.grouped(v, site, rows)
	if err != nil {
		return nil, err
	}
	at := crumbs[1].Path + "/counters"
	r := rounds{site: site}
	s := &sheet{Title: "Read the counters", Over: site.Code + " " + site.Name, Verb: "Take the readings", Cancel: at, Crumbs: append(crumbs, crumb{at, "Counters"}), at: site.Location(),
		Lead: "One after another, as one walks past them. Leave blank what you do not see.",
		Fields: []*field{
			{Name: "at", Label: "Seen at", Short: "The time", Kind: "moment", Hint: "When you walked past, not when you type it. Local time (" + c.Zone() + ")."},
			{Name: "source", Label: "How", Short: "The way", Kind: "radio", Options: howRead}}}
	s.fill(map[string]string{"at": nowIn(v, site.Location()), "source": "eye"})
	for _, g := range groups {
		for i, row := range g.Rows {
			f := wheelsField("value_"+strconv.Itoa(len(r.meters)), row.Code+" "+nameOf(row.Meter), row.Meter)
			f.Optional, f.Short, f.Hint = true, row.Code, lastly(row.Meter, views[row.ID], c)
			if i == 0 {
				f.Head = strings.TrimSpace(g.Title + " " + g.Code)
			}
			r.meters, s.Fields = append(r.meters, row.Meter), append(s.Fields, f)
		}
	}
	s.about = r
	return s, nil
}

// errMend rolls back what was done before a form was found to need mending.
var errMend = errors.New("the form needs mending")

func (p *pages) takeRound(v visit, s *sheet) (string, error) {
	r := s.about.(rounds)
	at := s.theMoment(v, "at")
	var in []meters.NewReading
	var fields []string
	for i, m := range r.meters {
		name := "value_" + strconv.Itoa(i)
		if f := s.field(name); f.Value == "" && f.Unit != "" {
			s.wrong(name, "has only its tenths")
		}
		if text := s.wheels(name); text != "" {
			in, fields = append(in, meters.NewReading{MeterID: m.ID, At: at, Value: text, Source: s.get("source")}), append(fields, name)
		}
	}
	if len(in) == 0 && len(s.Mend) == 0 {
		s.Mend = append(s.Mend, mend{Text: "No counter has a value. Type in at least one."})
	}
	if len(s.Mend) > 0 {
		return "", nil
	}
	taken, err := once(p, v, s, func(tx *gorm.DB) ([]meters.Taken, error) {
		all, err := meters.Take(tx, v.who, v.now, in)
		if err != nil {
			return nil, err
		}
		for i, t := range all {
			if t.Fault == nil {
				continue
			}
			name := fields[i]
			if t.Fault.Field == "at" {
				name = "at"
			}
			s.wrong(name, local(t.Fault.Msg, r.site.Location()))
		}
		if len(s.Mend) > 0 {
			return nil, errMend
		}
		return all, nil
	})
	if err != nil {
		return "", err
	}
	if slices.ContainsFunc(taken, func(t meters.Taken) bool {
		return t.Outcome == meters.NeedsExplanation || t.Outcome == meters.Quarantined
	}) {
		return "/counters?site=" + r.site.ID.String(), nil
	}
	return "/sites/" + r.site.ID.String() + "/counters", nil
}

// readingFor reads the reading in the path with its meter.
func (p *pages) readingFor(v visit, need access.Capability) (meters.Doubt, meters.Meter, assets.Site, []crumb, error) {
	id, err := idOf(v, "id", "reading")
	if err != nil {
		return meters.Doubt{}, meters.Meter{}, assets.Site{}, nil, err
	}
	d, err := meters.OneReading(v.ctx, p.db, v.who, v.now, id)
	if err == nil {
		err = v.who.Must(need)
	}
	if err != nil {
		return d, meters.Meter{}, assets.Site{}, nil, err
	}
	m, err := meters.One(v.ctx, p.db, v.who, d.MeterID)
	if err != nil {
		return d, m, assets.Site{}, nil, err
	}
	s, err := assets.OneSite(v.ctx, p.db, v.who, m.SiteID)
	if err == nil && (d.State == "voided" || d.State == "superseded") {
		err = &fault.Error{Kind: fault.Conflict, Msg: "the reading is " + d.State + " already"}
	}
	return d, m, s, []crumb{{"/sites/" + s.ID.String() + "/counters", "Counters of " + s.Name}, {"/meters/" + m.ID.String(), m.Code}}, err
}

// explaining is the reading that a form is about.
type explaining struct {
	doubt meters.Doubt
	meter meters.Meter
}

// explainSheet asks what is behind a reading. Nothing is chosen beforehand: a
// person says what it is, and each answer says what it would mean.
func (p *pages) explainSheet(v visit) (*sheet, error) {
	d, m, site, crumbs, err := p.readingFor(v, access.ExplainReadings)
	if err != nil {
		return nil, err
	}
	c := clock{v.now, site.Location()}
	s := &sheet{Over: m.Code + " " + nameOf(m), Cancel: crumbs[1].Path + "#readings", Crumbs: crumbs, at: site.Location(), about: explaining{d, m}}
	shown := shownValue(d.Typed) + ", " + sourceWords[d.Source] + " " + c.Moment(d.At)
	if d.RecordedBy != "" {
		shown += " (entered by " + d.RecordedBy + ")"
	}
	waits := d.State == "doubtful" || d.State == "quarantined"
	as := &field{Name: "as", Label: "What is behind it?", Short: "What is behind it", Kind: "radio", Free: true}
	if waits {
		s.Title, s.Verb = "What is behind this reading?", "Say so"
		s.Lead = sentence(shown + ". It " + thousands(local(d.Says, site.Location())) + ". It is kept, and moves no total and no date until somebody says what is behind it")
		as.Options = offered(d, m)
	} else {
		s.Title, s.Verb = "Correct a reading", "Put it right"
		s.Lead = sentence(shown + ". What was recorded stays visible, and another takes its place")
		as.Options = []option{{"mistyped", "Mistyped: type what it should have been below"}, {"wrong_meter", "Read on another counter: name it below"}}
	}
	others, err := p.otherMeters(v, m)
	if err != nil {
		return nil, err
	}
	right := wheelsField("value", "It should have been", m)
	right.Optional, right.Fold, right.Open = true, "If it was mistyped, or read elsewhere", !waits
	s.Fields = []*field{as, right,
		{Name: "seen_at", Label: "It was seen at", Short: "The time", Kind: "moment", Optional: true, Hint: "Where it was dated wrong. Local time (" + c.Zone() + ")."},
		{Name: "meter_id", Label: "It was read on", Short: "The counter", Kind: "choice", Optional: true, Options: others, FoldEnd: true}}
	if waits {
		last := wheelsField("old_last", "The last that the old one showed", m)
		first := wheelsField("new_first", "The first that the new one showed", m)
		last.Optional, first.Optional = true, true
		last.Hint, first.Hint = "The greatest that was read, where nobody knows.", "0 after a reset; for another counter what is read now."
		s.Fields = append(s.Fields,
			&field{Name: "at", Label: "When it happened", Short: "The time", Kind: "moment", Optional: true, Fold: "If it rolled over, was set back or replaced",
				Hint: "When the reading was seen, where nothing is said."},
			last, first,
			&field{Name: "modulus", Label: "It rolls over at", Short: "The value", Kind: "number", Optional: true},
			&field{Name: "serial", Label: "Serial of the new one", Optional: true, FoldEnd: true})
	}
	s.Fields = append(s.Fields, &field{Name: "reason", Label: "Anything to add", Short: "The reason", Kind: "area", Most: 500, Optional: true})
	s.Else = []crumb{{"/readings/" + d.ID.String() + "/void", "Void it: it is worth nothing"}}
	if !waits {
		s.Else = append(s.Else, crumb{"/readings/" + d.ID.String() + "/distrust", "The counter is not to be relied on after this one"})
	}
	if waits && d.Doubt != nil && *d.Doubt == "ratio" {
		s.Else = append(s.Else, crumb{"/meters/" + m.ID.String() + "#readings", "If the counter stands still: say so at its last good reading"})
	}
	return s, nil
}

// offered are the explanations with what each would mean. All five stand there
// where a value falls, also those that can hardly be.
func offered(d meters.Doubt, m meters.Meter) []option {
	var all []option
	for _, o := range d.Offers {
		value := o.As
		switch {
		case o.As == "mistyped" && o.Value != "":
			value += " " + o.Value + " " + o.Unit
		case o.As == "wrong_meter" && o.MeterID != "":
			value += " " + o.MeterID
		}
		says := sentenceCase(o.Means)
		if !o.Fits && (o.As == "rolled_over" || o.As == "reset" || o.As == "as_seen") {
			says += ". That can hardly be"
		}
		all = append(all, option{value, thousands(says)})
	}
	has := func(as string) bool { return slices.ContainsFunc(all, func(o option) bool { return o.Value == as }) }
	falls := val(d.Doubt) == "falls" || val(d.Doubt) == "unreliable"
	for i, o := range []option{
		{"rolled_over", "Rolled over: it is not on record where this counter begins again at zero; say so below"},
		{"reset", "Set back to zero"}, {"replaced", "Another counter was put in: type below what both showed"},
	} {
		if falls && !has(o.Value) {
			all = slices.Insert(all, min(i, len(all)), o)
		}
	}
	if !has("mistyped") {
		all = append(all, option{"mistyped", "Mistyped or dated wrong: type below what is right"})
	}
	if !has("wrong_meter") && val(d.Doubt) != "time" {
		all = append(all, option{"wrong_meter", "Read on another counter: name it below"})
	}
	for i := range all { // what has no value of its own goes on below
		switch all[i].Value {
		case "mistyped":
			if strings.HasPrefix(all[i].Name, "Read again") {
				all[i].Name = "Mistyped: " + strings.ToLower(all[i].Name[:1]) + all[i].Name[1:] + "; type it below"
			}
		case "wrong_meter":
			all[i].Name = "Read on another counter: name it below"
		}
	}
	return all
}

// otherMeters lists those of a site on which the same could have been read.
func (p *pages) otherMeters(v visit, m meters.Meter) ([]option, error) {
	unit := string(m.Unit)
	all, err := meters.List(v.ctx, p.db, v.who, meters.Filter{SiteID: &m.SiteID, Unit: &unit}, access.Page{Limit: mostMeters})
	o := []option{{"", "No other"}}
	for _, one := range all {
		if one.ID != m.ID && one.Kind != "computed" {
			o = append(o, option{one.ID.String(), one.Code + " " + nameOf(one)})
		}
	}
	return o, err
}

func (p *pages) explain(v visit, s *sheet) (string, error) {
	x := s.about.(explaining)
	as, rest, _ := strings.Cut(s.get("as"), " ")
	e := meters.Explanation{As: as, Value: s.wheels("value"), SeenAt: s.moment("seen_at"), Reason: s.get("reason")}
	if id := s.id("meter_id"); id != nil {
		e.MeterID = *id
	}
	switch {
	case as == "mistyped" && rest != "":
		e.Value, e.Unit, _ = strings.Cut(rest, " ")
	case as == "wrong_meter" && rest != "":
		id, err := uuid.Parse(rest)
		if err != nil {
			s.wrong("as", "is not among the choices any more; choose another")
		}
		e.MeterID = id
	case as == "wrong_meter" && e.MeterID == uuid.Nil:
		s.wrong("meter_id", "must be chosen: the one on which it was read")
	case as == "mistyped" && e.Value == "" && e.SeenAt == nil:
		s.wrong("value", "must not be blank: what it should have been")
	case s.field("at") != nil && as != "mistyped" && as != "wrong_meter" && as != "as_seen":
		e.At, e.OldLast, e.NewFirst = s.moment("at"), s.wheels("old_last"), s.wheels("new_first")
		e.Modulus, e.Serial = s.get("modulus"), s.get("serial")
		if as == "replaced" && x.meter.Decimals != nil { // one of the same kind, as far as nobody says otherwise
			e.Decimals = *x.meter.Decimals
			if e.Modulus == "" && x.meter.Modulus != nil {
				e.Modulus = meters.FormatIn(*x.meter.Modulus, *x.meter.Shows)
			}
		}
	}
	if len(s.Mend) > 0 {
		return "", nil
	}
	got, err := once(p, v, s, func(tx *gorm.DB) (meters.Reading, error) { return meters.Explain(tx, v.who, v.now, x.doubt.ID, e) })
	if err != nil {
		return "", err
	}
	if got.State == "doubtful" || got.State == "quarantined" {
		return "/readings/" + got.ID.String() + "/explain", nil
	}
	return "/meters/" + got.MeterID.String() + "#readings", nil
}

func (p *pages) voidSheet(v visit) (*sheet, error) {
	d, m, site, crumbs, err := p.readingFor(v, access.ExplainReadings)
	if err != nil {
		return nil, err
	}
	c := clock{v.now, site.Location()}
	return &sheet{Title: "Void a reading", Over: m.Code + " " + nameOf(m), Verb: "Void it", Grave: true, Cancel: crumbs[1].Path + "#readings", Crumbs: crumbs, about: d,
		Lead: shownValue(d.Typed) + ", " + sourceWords[d.Source] + " " + c.Moment(d.At) + ". Everything will be as if it had never been taken; it stays visible with your reason. " +
			"Where you know what should stand there, correct it instead.",
		Fields: []*field{{Name: "reason", Label: "Why is it worth nothing?", Short: "The reason", Kind: "area", Most: 500}}}, nil
}

func (p *pages) void(v visit, s *sheet) (string, error) {
	d := s.about.(meters.Doubt)
	_, err := once(p, v, s, func(tx *gorm.DB) (meters.Reading, error) { return meters.Void(tx, v.who, v.now, d.ID, s.get("reason")) })
	return "/meters/" + d.MeterID.String() + "#readings", err
}

func (p *pages) distrustSheet(v visit) (*sheet, error) {
	d, m, site, crumbs, err := p.readingFor(v, access.ExplainReadings)
	if err != nil {
		return nil, err
	}
	c := clock{v.now, site.Location()}
	return &sheet{Title: "Not to be relied on after this", Over: m.Code + " " + nameOf(m), Verb: "Mark the counter", Grave: true, Cancel: crumbs[1].Path + "#readings", Crumbs: crumbs, about: d,
		Lead:   fmt.Sprintf("The last good reading is %s of %s. What was read since then stays and moves nothing, until a counter is put in or set back.", shownValue(d.Typed), c.Moment(d.At)),
		Fields: []*field{{Name: "reason", Label: "What is wrong with the counter?", Short: "The reason", Kind: "area", Most: 500, Hint: "Such as: it sticks, or it counts twice."}}}, nil
}

func (p *pages) distrust(v visit, s *sheet) (string, error) {
	d := s.about.(meters.Doubt)
	_, err := once(p, v, s, func(tx *gorm.DB) ([]meters.Run, error) {
		return meters.Distrust(tx, v.who, v.now, d.ID, s.get("reason"))
	})
	return "/meters/" + d.MeterID.String() + "#happened", err
}

// exchangeSheet records that a new run began, as somebody did it or saw it done.
func (p *pages) exchangeSheet(v visit) (*sheet, error) {
	m, site, crumbs, err := p.mustFor(v, access.ExplainReadings)
	if err != nil {
		return nil, err
	}
	last, first := wheelsField("old_last", "The last that the old one showed", m), wheelsField("new_first", "The first that the new one showed", m)
	last.Optional, first.Optional = true, true
	last.Hint, first.Hint = "The greatest that was read, where nobody knows.", "0 where nothing is said. It is taken as a reading."
	s := &sheet{Title: "A counter was exchanged or set back", Over: m.Code + " " + nameOf(m), Verb: "Record it", Cancel: crumbs[1].Path, Crumbs: crumbs, at: site.Location(), about: m,
		Lead: "The total goes on from where it stood.",
		Fields: []*field{
			{Name: "how", Label: "What happened", Kind: "radio", Options: []option{{"replaced", "another counter was put in"}, {"reset", "it was set back to zero"},
				{"controller_reset", "the controller was reset, as with a new program"}, {"rolled_over", "it rolled over"}}},
			{Name: "at", Label: "When", Short: "The time", Kind: "moment"},
			last, first,
			{Name: "decimals", Label: "Wheels after the point of the new one", Short: "The number", Kind: "number", Optional: true},
			{Name: "modulus", Label: "It rolls over at", Short: "The value", Kind: "number", Optional: true},
			{Name: "serial", Label: "Serial of the new one", Optional: true},
			{Name: "reason", Label: "Why", Short: "The reason", Kind: "area", Most: 500, Optional: true},
		}}
	values := meterValues(m)
	s.fill(map[string]string{"at": nowIn(v, site.Location()), "decimals": values["decimals"], "modulus": values["modulus"]})
	return s, nil
}

func (p *pages) exchangeCounter(v visit, s *sheet) (string, error) {
	m := s.about.(meters.Meter)
	j := meters.Join{At: s.theMoment(v, "at"), How: s.get("how"), OldLast: s.wheels("old_last"), NewFirst: s.wheels("new_first"), Reason: s.get("reason"),
		Counter: meters.Counter{Modulus: s.get("modulus"), Serial: s.get("serial")}}
	if n := s.whole("decimals"); n != nil {
		j.Decimals = *n
	}
	if len(s.Mend) > 0 {
		return "", nil
	}
	_, err := once(p, v, s, func(tx *gorm.DB) ([]meters.Run, error) { return meters.Joined(tx, v.who, v.now, m.ID, j) })
	return "/meters/" + m.ID.String() + "#happened", err
}
