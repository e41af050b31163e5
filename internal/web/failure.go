package web

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/fault"
	"spindlebook/internal/pm/failure"
	"spindlebook/internal/pm/visits"
)

// What faults keep as codes, in the words of a page.
var (
	effectWords   = map[string]string{"none": "not felt", "degraded": "the line washes worse", "parked": "the line washes without it", "down": "the line does not wash"}
	detectedWords = map[string]string{"operator": "site staff", "customer": "a driver", "alarm": "an alarm", "inspection": "an inspection", "technician": "a technician"}
	payerWords    = map[string]string{"not_said": "not said yet", "agreement": "the agreement", "distributor": "the distributor", "customer": "the customer", "supplier": "the supplier", "insurer": "an insurer"}
	faultStates   = map[string]string{"open": "open", "held": "fixed for now", "restored": "restored", "withdrawn": "withdrawn"}
)

// optionsIn makes choices of codes in an order, by their words.
func optionsIn(words map[string]string, codes ...string) (all []option) {
	for _, c := range codes {
		all = append(all, option{c, words[c]})
	}
	return all
}

// plainWord writes a code that is a word or two.
func plainWord(code string) string { return strings.ReplaceAll(code, "_", " ") }

// lasting writes how long something took: "3 h 20 min", "4 days".
func lasting(d time.Duration) string {
	switch {
	case d < time.Minute:
		return "under a minute"
	case d < time.Hour:
		return strconv.Itoa(int(d.Minutes())) + " min"
	case d < 48*time.Hour:
		return fmt.Sprintf("%d h %d min", int(d.Hours()), int(d.Minutes())%60)
	}
	return plural(int(d.Hours()/24), "day", "days")
}

// faultRow is a fault in a list.
type faultRow struct {
	failure.Fault
	Lasts, Effect, StateWord string
}

func faultRowOf(f failure.Fault, now time.Time) faultRow {
	return faultRow{f, lasting(f.Lasted(now)), effectWords[f.LineEffect], faultStates[f.State()]}
}

// standingFaults lists the first few faults that stand, the dangerous before all others.
func (p *pages) standingFaults(v visit, f failure.Filter, most int) (rows []faultRow, err error) {
	all, err := failure.Standing(v.ctx, p.db, v.who, f, most)
	for _, x := range all {
		rows = append(rows, faultRowOf(x, v.now))
	}
	return rows, err
}

type faultList struct {
	Rows   []faultRow
	Open   bool // only those that stand
	More   string
	Report []option // sites at which the reader may report
}

func (p *pages) faults(v visit) error {
	g := faultList{Open: v.c.Query("all") == ""}
	all, err := failure.List(v.ctx, p.db, v.who, failure.Filter{Open: g.Open}, access.Page{After: v.c.Query("after"), Limit: perPage + 1})
	if err != nil {
		return err
	}
	if len(all) > perPage {
		all = all[:perPage]
		g.More = "/faults?after=" + strconv.FormatInt(all[perPage-1].Number, 10)
		if !g.Open {
			g.More += "&all=yes"
		}
	}
	for _, f := range all {
		g.Rows = append(g.Rows, faultRowOf(f, v.now))
	}
	if v.may(access.ReportFault) {
		sites, err := assets.Sites(v.ctx, p.db, v.who, nil, access.Page{Limit: 200})
		if err != nil {
			return err
		}
		for _, s := range sites {
			g.Report = append(g.Report, option{"/sites/" + s.ID.String() + "/faults/new", s.Code + " " + s.Name})
		}
	}
	return p.ok(v, "faults", "Faults", g)
}

// failurePage is one fault.
type failurePage struct {
	faultRow
	Clock    clock
	Stands   string
	Detected string
	Payer    string
	Findings []failure.Finding
	Tasks    []failure.Task
	Near     []nearRow // who is out around now, while it stands
	Sends    bool      // the reader may send somebody
	May      bool
	Ends     bool // the reader may say that it is over, or take it back
}

type nearRow struct {
	visits.Nearby
	Clock clock // of the site that they are at
}

// Where says how far away somebody is; "" where nobody can tell.
func (n nearRow) Where() string {
	switch {
	case n.Kilometres == nil:
		return ""
	case *n.Kilometres == 0:
		return "at this very site"
	}
	return "about " + n.Away + " away"
}

func (p *pages) faultOf(v visit) (failure.Fault, assets.Site, error) {
	id, err := idOf(v, "id", "fault")
	if err != nil {
		return failure.Fault{}, assets.Site{}, err
	}
	f, err := failure.One(v.ctx, p.db, v.who, id)
	if err != nil {
		return f, assets.Site{}, err
	}
	s, err := assets.OneSite(v.ctx, p.db, v.who, f.SiteID)
	return f, s, err
}

func (p *pages) failure(v visit) error {
	f, site, err := p.faultOf(v)
	if err != nil {
		return err
	}
	g := failurePage{faultRow: faultRowOf(f, v.now), Clock: clock{v.now, site.Location()}, Detected: detectedWords[f.Detected], Payer: payerWords[f.Payer], May: v.may(access.ReportFault) && f.WithdrawnAt == nil}
	g.Ends = g.May && (v.who.Everywhere || !f.Danger || f.RestoredAt != nil)
	if f.StoppedAt != nil {
		g.Stands = lasting(f.Stood(v.now))
	}
	if g.Findings, err = failure.Findings(v.ctx, p.db, v.who, f.ID); err != nil {
		return err
	}
	if g.Tasks, err = failure.Tasks(v.ctx, p.db, v.who, f.ID); err != nil {
		return err
	}
	if g.Sends = v.may(access.RecordWork) && f.RestoredAt == nil && f.WithdrawnAt == nil; g.Sends {
		near, err := visits.Near(v.ctx, p.db, v.who, v.now, f.SiteID, f.PositionID)
		if err != nil {
			return err
		}
		for _, n := range near {
			g.Near = append(g.Near, nearRow{n, clock{v.now, zone(n.Zone)}})
		}
	}
	return p.ok(v, "failure", "Fault "+strconv.FormatInt(f.Number, 10), g)
}

// reportSheet takes a report: a few questions, the rest is folded away.
func (p *pages) reportSheet(v visit) (*sheet, error) {
	site, crumbs, err := p.siteFor(v, access.ReportFault)
	if err != nil {
		return nil, err
	}
	positions, err := assets.Positions(v.ctx, p.db, v.who, assets.PositionFilter{SiteID: &site.ID}, access.Page{Limit: 500})
	if err != nil {
		return nil, err
	}
	where := []option{{"", "the site, or I cannot tell"}}
	for _, q := range positions {
		where = append(where, option{q.ID.String(), q.Code + " " + q.Name})
	}
	modes, err := failure.Modes(v.ctx, p.db, v.who, nil)
	if err != nil {
		return nil, err
	}
	how := []option{{"", "I leave that to whoever looks"}}
	for _, m := range modes {
		how = append(how, option{m.Code, m.About + ": " + m.Name})
	}
	zone := clock{v.now, site.Location()}.Zone()
	s := &sheet{Title: "Report a fault", Over: site.Code + " " + site.Name, Verb: "Report it", Cancel: "/faults", Crumbs: append(crumbs, crumb{"/faults", "Faults"}), at: site.Location(), about: site,
		Caution: "Where somebody can be hurt, stop the line first and keep people away. The site's own rules come before this form.",
		Fields: []*field{
			{Name: "position", Label: "Where", Short: "The place", Kind: "choice", Optional: true, Options: where},
			{Name: "says", Label: "What is wrong", Short: "What is wrong", Kind: "area", Most: 2000, Hint: "As you would say it: what you see, hear or smell."},
			{Name: "effect", Label: "What it does to the line", Short: "The effect", Kind: "radio", Options: optionsIn(effectWords, "none", "degraded", "parked", "down")},
			{Name: "danger", Label: "Somebody can be hurt as long as it stands", Kind: "check", Optional: true},
			{Name: "noticed", Label: "Noticed at", Short: "The time", Kind: "moment", Optional: true, Hint: "Local time (" + zone + "). Blank where nobody knows."},
			{Name: "stopped", Label: "Stopped at", Short: "The time", Kind: "moment", Optional: true, Hint: "Since when it stands. Blank where it runs, or nobody knows."},
			{Name: "caller", Fold: "Told by telephone, found otherwise, or seen what it is", Label: "Who called", Optional: true, Hint: "Where you take it down for somebody else."},
			{Name: "detected", Label: "Found by", Kind: "choice", Options: optionsIn(detectedWords, "operator", "customer", "alarm", "inspection", "technician")},
			{Name: "mode", FoldEnd: true, Label: "What it looks like", Kind: "choice", Optional: true, Options: how},
		}}
	s.fill(map[string]string{"noticed": nowIn(v, site.Location()), "effect": "degraded", "detected": "operator"})
	if says := v.c.Query("says"); says != "" && utf8.RuneCountInString(says) <= 500 && utf8.ValidString(says) { // what a round found
		s.fill(map[string]string{"says": says, "detected": "inspection"})
	}
	if q := v.c.Query("position"); slices.ContainsFunc(where, func(o option) bool { return o.Value == q }) {
		s.fill(map[string]string{"position": q})
	}
	return s, nil
}

func (p *pages) report(v visit, s *sheet) (string, error) {
	site := s.about.(assets.Site)
	in := failure.New{SiteID: site.ID, PositionID: s.id("position"), Mode: s.get("mode"), Edit: failure.Edit{Says: s.get("says"), Detected: s.get("detected"), Before: "unknown",
		LineEffect: s.get("effect"), Danger: s.checked("danger"), NoticedAt: s.moment("noticed"), StoppedAt: s.moment("stopped"), Caller: s.get("caller"), Payer: "not_said"}}
	if len(s.Mend) > 0 {
		return "", nil
	}
	f, err := once(p, v, s, func(tx *gorm.DB) (failure.Fault, error) { return failure.Add(tx, v.who, v.now, in) })
	return "/faults/" + f.ID.String(), err
}

// faultSheet begins a form about a fault.
func (p *pages) faultSheet(v visit, title, verb string, fields ...*field) (*sheet, error) {
	f, site, err := p.faultOf(v)
	if err == nil {
		err = v.who.Must(access.ReportFault)
	}
	if err != nil {
		return nil, err
	}
	at := "/faults/" + f.ID.String()
	return &sheet{Title: title, Over: fmt.Sprintf("Fault %d, %s", f.Number, f.SiteCode), Verb: verb, Cancel: at, Crumbs: []crumb{{"/faults", "Faults"}, {at, fmt.Sprintf("Fault %d", f.Number)}}, at: site.Location(), about: f, Fields: fields}, nil
}

var mechanisms = []string{"unknown", "wear", "corrosion", "leakage", "looseness", "fatigue", "breakage", "deformation", "vibration", "sticking", "overheating", "overload", "contamination", "blockage", "moisture",
	"ageing", "electrical", "faulty_signal", "out_of_adjustment", "installation", "impact", "hidden", "no_fault_found"}

var causes = []string{"unknown", "expected_wear", "design", "material", "fabrication", "installation", "maintenance", "operation", "beyond_design", "vehicle_or_vandalism", "other_failure", "weather", "no_cause_found"}

func plainOptions(codes []string) (all []option) {
	for _, c := range codes {
		all = append(all, option{c, plainWord(c)})
	}
	return all
}

func (p *pages) findingSheet(v visit) (*sheet, error) {
	f, _, err := p.faultOf(v)
	if err != nil {
		return nil, err
	}
	modes, err := failure.Modes(v.ctx, p.db, v.who, f.PositionKind)
	if err != nil {
		return nil, err
	}
	how := []option{{"", "none of these"}}
	for _, m := range modes {
		how = append(how, option{m.Code, m.About + ": " + m.Name})
	}
	s, err := p.faultSheet(v, "What was it?", "Say so",
		&field{Name: "mode", Label: "What it looked like", Kind: "choice", Optional: true, Options: how},
		&field{Name: "mechanism", Label: "What happened to the material", Kind: "choice", Options: plainOptions(mechanisms)},
		&field{Name: "cause", Label: "Why", Kind: "choice", Options: plainOptions(causes)},
		&field{Name: "note", Label: "More about it", Kind: "area", Optional: true, Most: 2000})
	if err != nil {
		return nil, err
	}
	s.Lead = "What was held before stays visible; the last finding counts."
	if f.Last != nil {
		s.fill(map[string]string{"mode": val(f.Last.Mode), "mechanism": f.Last.Mechanism, "cause": f.Last.Cause})
	}
	return s, nil
}

func (p *pages) sayFinding(v visit, s *sheet) (string, error) {
	f := s.about.(failure.Fault)
	_, err := once(p, v, s, func(tx *gorm.DB) (failure.Fault, error) {
		return failure.Find(tx, v.who, v.now, f.ID, failure.NewFinding{Mode: s.get("mode"), Mechanism: s.get("mechanism"), Cause: s.get("cause"), Note: s.get("note")})
	})
	return "/faults/" + f.ID.String(), err
}

func (p *pages) restoredSheet(v visit) (*sheet, error) {
	f, site, err := p.faultOf(v)
	if err != nil {
		return nil, err
	}
	s, err := p.faultSheet(v, "It runs again", "Record it",
		&field{Name: "restored", Label: "Restored at", Short: "The time", Kind: "moment", Hint: "Local time of the site."},
		&field{Name: "stopped", Label: "Stopped at", Short: "The time", Kind: "moment", Optional: true},
		&field{Name: "remedy", Label: "What was done", Kind: "area", Most: 2000, Optional: true},
		&field{Name: "payer", Label: "Who pays", Kind: "choice", Options: optionsIn(payerWords, "not_said", "agreement", "distributor", "customer", "supplier", "insurer")})
	if err != nil {
		return nil, err
	}
	s.Version = f.Version
	if !v.who.Everywhere { // who pays is said by us
		s.Fields = slices.DeleteFunc(s.Fields, func(x *field) bool { return x.Name == "payer" })
		if f.Danger {
			return nil, &fault.Error{Kind: fault.Forbidden, Msg: "somebody can be hurt by it: that it is over is said by a technician"}
		}
	} else {
		s.fill(map[string]string{"payer": f.Payer})
	}
	s.fill(map[string]string{"restored": nowIn(v, site.Location()), "remedy": f.Remedy})
	if f.StoppedAt != nil {
		s.fill(map[string]string{"stopped": f.StoppedAt.In(site.Location()).Format("2006-01-02T15:04")})
	}
	return s, nil
}

func (p *pages) restore(v visit, s *sheet) (string, error) {
	f := s.about.(failure.Fault)
	in := f.Edit
	in.RestoredAt, in.StoppedAt, in.Remedy = s.moment("restored"), s.moment("stopped"), s.get("remedy")
	if s.field("payer") != nil {
		in.Payer = s.get("payer")
	}
	if len(s.Mend) > 0 {
		return "", nil
	}
	_, err := once(p, v, s, func(tx *gorm.DB) (failure.Fault, error) { return failure.Say(tx, v.who, v.now, f.ID, s.Version, in) })
	return "/faults/" + f.ID.String(), err
}

func (p *pages) holdSheet(v visit) (*sheet, error) {
	s, err := p.faultSheet(v, "Fixed for now", "Record it",
		&field{Name: "says", Label: "What holds meanwhile", Kind: "area", Most: 2000},
		&field{Name: "until", Label: "Made lasting by", Short: "The day", Kind: "date", Hint: "A task is raised that is due on this day."})
	if err == nil {
		s.Lead = "It counts as restored from now on; the corrective work that is open ends, and the lasting repair has a task of its own."
	}
	return s, err
}

func (p *pages) hold(v visit, s *sheet) (string, error) {
	f := s.about.(failure.Fault)
	_, err := once(p, v, s, func(tx *gorm.DB) (failure.Fault, error) {
		return failure.HoldUntil(tx, v.who, v.now, f.ID, s.get("says"), s.get("until"))
	})
	return "/faults/" + f.ID.String(), err
}

func (p *pages) withdrawFaultSheet(v visit) (*sheet, error) {
	s, err := p.faultSheet(v, "Withdraw the report", "Withdraw it", &field{Name: "reason", Label: "Why", Kind: "area", Most: 500})
	if err == nil {
		s.Grave, s.Lead = true, "It stays visible with the reason, and the work that is open for it ends."
	}
	return s, err
}

func (p *pages) withdrawFault(v visit, s *sheet) (string, error) {
	f := s.about.(failure.Fault)
	_, err := once(p, v, s, func(tx *gorm.DB) (failure.Fault, error) {
		return failure.Withdraw(tx, v.who, v.now, f.ID, s.get("reason"))
	})
	return "/faults/" + f.ID.String(), err
}
