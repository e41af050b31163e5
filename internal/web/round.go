package web

import (
	"errors"
	"fmt"
	"maps"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/calendar"
	"spindlebook/internal/fault"
	"spindlebook/internal/measure"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pm"
)

// roundPage is the round of a line on an operating day: what the site's own staff
// look at, what was found, and what was missed.
type roundPage struct {
	*sheet
	Line          assets.Line
	Site          assets.Site
	Clock         clock
	Day           string
	Today         bool
	Before, After string // the days beside it
	Now           string // path of today's
	May           bool   // the reader does rounds
	Left          int    // pieces of work that are still to do
	Bad           []badAnswer
	Done          []doneRow
	Missed        []pm.Task
}

// badAnswer is something that was not as it should be, with the report that it may need.
type badAnswer struct {
	Then       string // what the procedure says is done now
	Says, Path string
}

// roundForm is one piece of work on the sheet, by the names of its fields.
type roundForm struct {
	pm.Form
	done   string   // the tick of work without checks
	checks []string // of each check
	whys   []string // why a check could not be looked at
	remark string
}

// round is what the sheet is about.
type roundOf struct {
	sheet pm.Sheet
	line  assets.Line
	site  assets.Site
	forms []roundForm
}

func (p *pages) lineRound(v visit) (roundOf, error) {
	id, err := idOf(v, "id", "line")
	if err != nil {
		return roundOf{}, err
	}
	var on calendar.Date
	if text := v.c.Query("on"); text != "" {
		d, bad := calendar.ParseDate(text, "on")
		if bad != nil {
			return roundOf{}, bad
		}
		on = d
	}
	var r roundOf
	if r.line, err = assets.OneLine(v.ctx, p.db, v.who, id); err != nil {
		return r, err
	}
	if r.site, err = assets.OneSite(v.ctx, p.db, v.who, r.line.SiteID); err != nil {
		return r, err
	}
	r.sheet, err = pm.RoundOf(v.ctx, p.db, v.who, v.now, id, on)
	return r, err
}

func (p *pages) walkSheet(v visit) (*sheet, error) {
	r, err := p.lineRound(v)
	if err != nil {
		return nil, err
	}
	at := "/lines/" + r.line.ID.String() + "/round"
	s := &sheet{Title: "Round of line " + r.line.Code, Verb: "Record the round", look: "round", at: r.site.Location(),
		Crumbs: []crumb{{"/sites/" + r.site.ID.String(), r.site.Name}, {"/sites/" + r.site.ID.String() + "/due", "What is due here"}}, Cancel: at}
	for _, f := range r.sheet.Forms {
		r.forms = append(r.forms, s.lookAt(f, r.sheet.Today, v.who.Units))
	}
	if len(s.Fields) > 0 {
		s.Fields = append(s.Fields, &field{Name: "by", Label: "Done by", Head: "Who did the round", Value: v.who.Name})
	}
	s.about = r
	s.page = func(v visit, s *sheet) (any, error) { return p.roundShown(v, s) }
	return s, nil
}

// lookAt adds the fields of one piece of work: a thumb answers each look. Their names say
// of which task and check they are, so that an answer stays with its own when somebody
// records other work meanwhile.
func (s *sheet) lookAt(f pm.Form, today calendar.Date, in measure.System) roundForm {
	r := roundForm{Form: f, remark: fmt.Sprintf("r%d", f.Task.Number)}
	var said []string
	if f.Version != nil {
		if f.Version.Isolation != "" {
			said = append(said, "Isolation: "+f.Version.Isolation+". The site's own energy-control procedure comes first.")
		}
		if f.Version.Caution != "" {
			said = append(said, f.Version.Caution)
		}
	}
	switch on := f.Task.DueOn.Format("2 January 2006"); {
	case f.Task.Missed > 0 && f.Task.DueOn.Equal(f.Task.LatestOn) && f.Task.DueOn.Equal(today.UTC()):
		said = append(said, plural(f.Task.Missed, "day", "days")+" ended without it.")
	case f.Task.Missed > 0:
		said = append(said, "Due since "+on+", and "+plural(f.Task.Missed, "time", "times")+" again since.")
	case f.Task.LatestOn.Before(today.UTC()):
		said = append(said, "Late: due "+on+".")
	}
	first := len(s.Fields)
	for _, c := range f.Checks {
		name := fmt.Sprintf("c%d_%s", f.Task.Number, c.Code)
		q := &field{Name: name, Label: c.Prompt, Optional: true}
		switch c.Kind {
		case "pass_fail", "choice":
			q.Kind = "radio"
			for _, o := range c.Options {
				q.Options = append(q.Options, option{o, plainWord(o)})
			}
		case "number":
			q.Kind, q.Hint = "number", limitWords(c, in)
			if other := otherUnits[c.Unit]; other != "" {
				q.Kind, q.Units, q.Unit = "measure", []string{c.Unit, other}, c.Unit
			} else if unit := unitOf(c); unit != "" && !strings.Contains(strings.ToLower(c.Prompt), unit) {
				q.Label += ", " + unit
			}
		case "date":
			q.Kind = "date"
		case "meter":
			q.Hint = "What the counter shows: digits with a point."
		case "photo":
			q = nil
		}
		r.whys = append(r.whys, fmt.Sprintf("w%d_%s", f.Task.Number, c.Code))
		if q == nil {
			r.checks = append(r.checks, "")
			continue
		}
		r.checks = append(r.checks, name)
		s.Fields = append(s.Fields, q)
	}
	if len(f.Checks) == 0 {
		r.done = fmt.Sprintf("d%d", f.Task.Number)
		s.Fields = append(s.Fields, &field{Name: r.done, Label: "Done", Kind: "check", Optional: true})
	}
	fold := len(s.Fields)
	for j, c := range f.Checks {
		s.Fields = append(s.Fields, &field{Name: r.whys[j], Label: "Why not: " + c.Prompt, Short: "The reason", Optional: true, Most: 300})
	}
	s.Fields = append(s.Fields, &field{Name: r.remark, Label: "Remark", Optional: true, Kind: "area", Most: 1000})
	head := f.Task.Title
	if f.Task.PositionCode != "" {
		head += ", " + f.Task.PositionCode
	}
	s.Fields[first].Head, s.Fields[first].Said = head, strings.Join(said, " ")
	s.Fields[fold].Fold, s.Fields[len(s.Fields)-1].FoldEnd = "Could not look, or a remark", true
	if first == fold { // only photos, which a round does not take
		s.Fields[first].Fold, s.Fields[len(s.Fields)-1].FoldEnd = "", false
	}
	return r
}

// unitOf gives the unit of a check; what is only counted has none.
func unitOf(c pm.Check) string {
	if c.Unit == "count" {
		return ""
	}
	return c.Unit
}

// limitWords says between which limits a reading is good.
func limitWords(c pm.Check, in measure.System) string {
	n := func(f float64) string {
		if other := in.In(c.Unit); other != c.Unit {
			return in.ShowValue(f, c.Unit) + " (" + strconv.FormatFloat(f, 'g', -1, 64) + " " + c.Unit + ")"
		}
		return strings.TrimSpace(strconv.FormatFloat(f, 'g', -1, 64) + " " + unitOf(c))
	}
	low, high := c.WarnLow, c.WarnHigh
	if low == nil {
		low = c.FailLow
	}
	if high == nil {
		high = c.FailHigh
	}
	switch {
	case low != nil && high != nil:
		return "Good from " + n(*low) + " to " + n(*high) + "."
	case low != nil:
		return "Good from " + n(*low) + " on."
	case high != nil:
		return "Good up to " + n(*high) + "."
	}
	return ""
}

// roundShown puts what became of the day's round around the sheet.
func (p *pages) roundShown(v visit, s *sheet) (roundPage, error) {
	r := s.about.(roundOf)
	at := "/lines/" + r.line.ID.String() + "/round"
	g := roundPage{sheet: s, Line: r.line, Site: r.site, Clock: clock{v.now, r.site.Location()}, Day: r.sheet.Day.UTC().Format("Monday 2 January 2006"), Today: r.sheet.Day == r.sheet.Today,
		Before: at + "?on=" + (r.sheet.Day - 1).String(), Now: at, May: v.may(access.DoRounds), Missed: r.sheet.Missed, Left: len(r.sheet.Forms)}
	if !g.Today {
		g.After = at + "?on=" + (r.sheet.Day + 1).String()
	}
	if v.c.Request.Method == http.MethodPost { // whatever else is to be mended, words that nothing can be done with are shown
		for _, m := range r.gone(typedInRound(v.c.Request.PostForm)) {
			if !slices.Contains(s.Mend, m) {
				s.Mend = append(s.Mend, m)
			}
		}
	}
	var err error
	if g.Done, err = p.doneRows(v, r.sheet.Done); err != nil {
		return g, err
	}
	for _, d := range g.Done {
		for _, a := range d.Answers {
			if a.Verdict == pm.Warn || a.Verdict == pm.Fail {
				bad := badAnswer{Says: a.Says, Then: a.Then}
				if v.may(access.ReportFault) {
					q := url.Values{"says": {a.Says}}
					if a.PositionID != nil {
						q.Set("position", a.PositionID.String())
					}
					bad.Path = "/sites/" + r.site.ID.String() + "/faults/new?" + q.Encode()
				}
				g.Bad = append(g.Bad, bad)
			}
		}
	}
	return g, nil
}

func (p *pages) recordWalk(v visit, s *sheet) (string, error) {
	r := s.about.(roundOf)
	typed := typedInRound(v.c.Request.PostForm)
	request := pgdb.Request{Key: "page " + s.Key, Act: "record the round of " + r.line.ID.String(), Body: typed}
	if gone := r.gone(typed); len(gone) > 0 || len(r.forms) == 0 {
		// sent twice, it is answered as it was
		before, err := pgdb.Once(v.ctx, p.db, v.who.ID, v.now, request, func(*gorm.DB) (pm.Recorded, error) { return pm.Recorded{}, errFresh })
		switch {
		case err == nil:
			return s.recorded(before), nil
		case !errors.Is(err, errFresh):
			return "", err
		case len(gone) == 0:
			return s.Cancel, nil
		}
		s.Mend, s.status = append(s.Mend, gone...), http.StatusConflict
		return "", nil
	}
	var work pm.Work
	names := map[string]string{} // of fields, by the places in the request
	person := pm.Person{ActorID: &v.who.ID, Name: v.who.Name, Skills: []string{"OP"}}
	if by := s.get("by"); by != v.who.Name {
		person = pm.Person{Name: by, Skills: []string{"OP"}}
	}
	for _, f := range r.forms {
		d := pm.Done{TaskID: &f.Task.ID, At: v.now, Remark: s.get(f.remark), People: []pm.Person{person}}
		begun := d.Remark != "" || f.done != "" && s.checked(f.done)
		var open []string
		for j, c := range f.Checks {
			a := pm.Answer{Check: c.Code, NotPossible: s.get(f.whys[j])}
			if name := f.checks[j]; name != "" {
				if a.Found = s.get(name); a.Found != "" && s.field(name).Kind == "measure" {
					a.Unit, a.Sure = s.field(name).Unit, true
				}
			}
			if a.Found == "" && a.NotPossible == "" {
				if !c.Optional {
					open = append(open, f.checks[j])
				}
				continue
			}
			begun = true
			for _, end := range []string{".found", ".unit", ".check"} {
				names[fmt.Sprintf("done[%d].answers[%d]%s", len(work.Done), len(d.Answers), end)] = f.checks[j]
			}
			names[fmt.Sprintf("done[%d].answers[%d].not_possible", len(work.Done), len(d.Answers))] = f.whys[j]
			d.Answers = append(d.Answers, a)
		}
		switch {
		case !begun:
			continue
		case f.done != "" && !s.checked(f.done):
			s.wrong(f.done, "must be ticked where it was done; the remark goes with it")
		}
		for _, name := range open {
			if name == "" {
				name = f.remark
			}
			s.wrong(name, "must be answered too, or say below why it could not be looked at")
		}
		work.Done = append(work.Done, d)
	}
	if len(s.Mend) > 0 {
		return "", nil
	}
	if len(work.Done) == 0 {
		s.Mend = append(s.Mend, mend{Text: "Nothing is answered yet. Answer what was looked at; what is left open stays on the sheet."})
		return "", nil
	}
	done, err := pm.Record(v.ctx, p.db, v.who, v.now, request, work)
	if err != nil {
		return "", places(err, names, len(work.Done) == 1)
	}
	return s.recorded(done), nil
}

// errFresh says that a form was not sent before.
var errFresh = errors.New("not sent before")

// recorded leads to what was found, where something is not as it should be.
func (s *sheet) recorded(done pm.Recorded) string {
	for _, d := range done.Done {
		if len(d.Findings) > 0 {
			return s.Cancel + "#bad"
		}
	}
	return s.Cancel
}

// ofRound is the name of a field of the sheet: what it asks, its task and its check.
var ofRound = regexp.MustCompile(`^([cwdr])([0-9]+)(?:_(.+))?$`)

// typedInRound gives what was answered on a sheet, whatever is still on it.
func typedInRound(sent url.Values) map[string]string {
	all := map[string]string{"by": strings.TrimSpace(sent.Get("by"))}
	for name := range sent {
		if text := strings.TrimSpace(sent.Get(name)); text != "" && ofRound.MatchString(name) && !strings.HasSuffix(name, "_unit") {
			all[name] = strings.TrimSpace(text + " " + sent.Get(name+"_unit"))
		}
	}
	return all
}

// gone says of answers whose task has left the sheet what became of it, and keeps their
// text where it can be read.
func (r roundOf) gone(typed map[string]string) (all []mend) {
	lost := map[int64][]string{}
	for _, name := range slices.Sorted(maps.Keys(typed)) {
		at := ofRound.FindStringSubmatch(name)
		if at == nil {
			continue
		}
		task, err := strconv.ParseInt(at[2], 10, 64)
		if err != nil || slices.ContainsFunc(r.forms, func(f roundForm) bool { return f.Task.Number == task }) {
			continue
		}
		text := map[string]string{"c": "", "w": "could not look, ", "d": "done", "r": "remark, "}[at[1]]
		if at[1] != "d" {
			text += "“" + plainWord(typed[name]) + "”"
		}
		lost[task] = append(lost[task], text)
	}
	for _, task := range slices.Sorted(maps.Keys(lost)) {
		says := fmt.Sprintf("Task %d is not on the sheet any more", task)
		if i := slices.IndexFunc(r.sheet.Done, func(h pm.History) bool { return h.TaskNumber == task }); i >= 0 {
			h := r.sheet.Done[i]
			says = h.Title + " was recorded meanwhile"
			if len(h.People) > 0 {
				says += " by " + strings.Join(h.People, ", ")
			}
		}
		all = append(all, mend{Text: says + ". What you typed for it is not recorded: " + strings.Join(lost[task], "; ") + "."})
	}
	if len(all) > 0 && len(r.forms) > 0 {
		all = append(all, mend{Text: "What you answered of the rest is kept below: send it again to record it."})
	}
	return all
}

var answerPlace = regexp.MustCompile(`^answers\[\d+\]`)

// places names the fields of a form where a fault names places in a request. Of one
// piece of work the fault leaves out which it is.
func places(err error, names map[string]string, single bool) error {
	return fault.Renamed(err, func(path string) string {
		if single && answerPlace.MatchString(path) {
			path = "done[0]." + path
		}
		if name, known := names[path]; known {
			return name
		}
		return path
	})
}

func (p *pages) skipRoundSheet(v visit) (*sheet, error) {
	r, err := p.lineRound(v)
	if err == nil {
		err = v.who.Must(access.DoRounds)
	}
	if err != nil {
		return nil, err
	}
	at := "/lines/" + r.line.ID.String() + "/round"
	return &sheet{Title: "No round today", Over: "Line " + r.line.Code + ", " + r.sheet.Today.UTC().Format("2 January 2006"), Verb: "Put it off until tomorrow", Cancel: at, Crumbs: []crumb{{at, "The round"}}, at: r.site.Location(), about: r,
		Lead:   "For a day on which the site does not wash: a storm, a power cut, a closed road. Nothing of it counts as missed. What is there for safety or the law stays until it is done.",
		Fields: []*field{{Name: "reason", Label: "Why", Short: "The reason", Kind: "area", Most: 500}}}, nil
}

func (p *pages) skipRound(v visit, s *sheet) (string, error) {
	r := s.about.(roundOf)
	of, err := pm.SkipRound(v.ctx, p.db, v.who, v.now, s.request(v), r.line.ID, s.get("reason"))
	if err != nil {
		return "", err
	}
	return s.Cancel, pm.Follow(v.ctx, p.db, v.now, of)
}
