package web

import (
	"bytes"
	"embed"
	"html/template"
	"io/fs"
	"net/http"
	"path"
	"strings"
	"time"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/door"
	"spindlebook/internal/measure"
)

//go:embed templates
var templateFiles embed.FS

// looks are the templates, one set a page, each with the frame around it.
type looks map[string]*template.Template

// openLooks reads them for those who like to read in the units of one system.
func openLooks(s *static, in measure.System) (looks, error) {
	funcs := template.FuncMap{
		"asset":   s.path,
		"caution": func() string { return assets.Caution },
		"place":   func(i int) int { return i + 1 }, // in a list that begins with the first
		"plural":  plural,
		"say":     say,
		"text":    text,
		"word":    plainWord,
		"day":     dayWords,
		"join":    strings.Join,
		"supply":  supplyWords,
		// what was entered with a unit, in the reader's
		"measured": measured(in),
		"found": func(typed string) template.HTML {
			if _, changed := in.Show(typed); changed {
				return measured(in)(typed)
			}
			return template.HTML(template.HTMLEscapeString(plainWord(typed)))
		},
		"unit_choices": unitChoices(in),
		// a template takes one thing; a fact is shown with the unit that it is of
		"on":        func(page, it any) map[string]any { return map[string]any{"Page": page, "It": it} },
		"with_unit": func(f unitFact, u unitPage) map[string]any { return map[string]any{"Fact": f, "Unit": u} },
		"pastOf":    func(rows []doneRow, c clock) map[string]any { return map[string]any{"Rows": rows, "Clock": c} },
		"crumbsTo":  func(path, name string) []crumb { return []crumb{{path, name}} },
	}
	base, err := template.New("frame").Funcs(funcs).ParseFS(templateFiles, "templates/frame.html", "templates/parts.html")
	if err != nil {
		return nil, err
	}
	all := looks{}
	names, err := fs.Glob(templateFiles, "templates/*.html")
	if err != nil {
		return nil, err
	}
	for _, n := range names {
		name := strings.TrimSuffix(path.Base(n), ".html")
		if name == "frame" || name == "parts" {
			continue
		}
		t, err := base.Clone()
		if err == nil {
			t, err = t.ParseFS(templateFiles, n)
		}
		if err != nil {
			return nil, err
		}
		all[name] = t
	}
	return all, nil
}

// text gives a text that may not be there.
func text(s any) string {
	switch s := s.(type) {
	case string:
		return s
	case *string:
		if s != nil {
			return *s
		}
	}
	return ""
}

// crumb is a step on the way to a page.
type crumb struct{ Path, Name string }

// frame is what stands around every page.
type frame struct {
	Title   string
	Demo    bool
	Who     *access.Actor
	Role    string // of whoever is signed in, in words
	Nav     []place
	Find    string // what was looked for
	Request string
	Page    any
}

func (p *pages) frame(v visit, title string, page any) frame {
	f := frame{Title: title, Demo: p.o.Demo, Request: door.RequestID(v.c), Page: page}
	if v.c.Request.URL.Path == "/find" {
		f.Find = v.c.Query("text")
	}
	if len(v.who.Roles) == 0 && v.who.Name == "" {
		return f
	}
	who := v.who
	f.Who, f.Role = &who, roleWords(v.who.Roles)
	f.Nav = placesOf(who, v.c.Request.URL.Path)
	return f
}

// show renders a page whole before the first byte goes out, so that a fault in
// a template is still a fault and not half a page.
func (p *pages) show(v visit, status int, look, title string, page any) error {
	var b bytes.Buffer
	reader := v.who.Units
	if reader == "" { // nobody is signed in
		reader = measure.AsEntered
	}
	if err := p.looks[reader][look].ExecuteTemplate(&b, "frame", p.frame(v, title, page)); err != nil {
		return err
	}
	v.send(status, b.Bytes())
	return nil
}

func (p *pages) ok(v visit, look, title string, page any) error {
	return p.show(v, http.StatusOK, look, title, page)
}

// clock writes instants as people at one place read them.
type clock struct {
	Now time.Time
	At  *time.Location
}

// Zone names the zone as it is on the day of Now: "America/Chicago, CST".
func (c clock) Zone() string {
	if c.At == time.UTC {
		return "UTC"
	}
	short, _ := c.Now.In(c.At).Zone()
	if strings.HasPrefix(short, "+") || strings.HasPrefix(short, "-") {
		short = "UTC" + short
	}
	return c.At.String() + ", " + short
}

// Day writes a date: "14 February 2026".
func (c clock) Day(t any) string {
	if t, ok := instant(t); ok {
		return t.In(c.At).Format("2 January 2006")
	}
	return ""
}

// Short writes a date where there is little room: "14 Feb 2026".
func (c clock) Short(t any) string {
	if t, ok := instant(t); ok {
		return t.In(c.At).Format("2 Jan 2006")
	}
	return ""
}

// Moment writes a date with its time of day: "14 February 2026, 09:30".
func (c clock) Moment(t any) string {
	if t, ok := instant(t); ok {
		return t.In(c.At).Format("2 January 2006, 15:04")
	}
	return ""
}

// Time writes the time of day.
func (c clock) Time(t time.Time) string { return t.In(c.At).Format("15:04") }

// ISO writes an instant for machines.
func (c clock) ISO(t any) string {
	if t, ok := instant(t); ok {
		return t.UTC().Format(time.RFC3339)
	}
	return ""
}

// When writes a time as exactly as it is known: "May 2024" where the day is not.
func (c clock) When(t, precision any) string {
	at, ok := instant(t)
	if !ok {
		return "before this record"
	}
	switch text(precision) {
	case "month":
		return at.In(c.At).Format("January 2006")
	case "year":
		return at.In(c.At).Format("2006")
	}
	return c.Day(at)
}

// Stretch writes from when to when a stay lasted.
func (c clock) Stretch(s assets.Stay) string {
	from := c.When(s.From, s.FromPrecision)
	if s.From == nil {
		from = "since before this record"
	}
	switch {
	case s.Until == nil && s.From == nil:
		return from + ", to this day"
	case s.Until == nil:
		return from + " to this day"
	}
	return from + " to " + c.When(s.Until, s.UntilPrecision)
}

// Age says how long ago an instant lies, in plain words.
func (c clock) Age(t any) string {
	if t, ok := instant(t); ok {
		return age(t, c.Now)
	}
	return ""
}

// Date writes a date that was kept as YYYY-MM-DD.
func (c clock) Date(d string) string {
	t, err := time.Parse(time.DateOnly, d)
	if err != nil {
		return d
	}
	return t.Format("2 January 2006")
}

// DateAge says how long ago a date lies.
func (c clock) DateAge(d string) string {
	t, err := time.ParseInLocation(time.DateOnly, d, c.At)
	if err != nil {
		return ""
	}
	return age(t, c.Now)
}

// Old tells whether a date lies more than a year back.
func (c clock) Old(d string) bool {
	t, err := time.ParseInLocation(time.DateOnly, d, c.At)
	return err == nil && c.Now.After(t.AddDate(1, 0, 0))
}

func instant(t any) (time.Time, bool) {
	switch t := t.(type) {
	case time.Time:
		return t, true
	case *time.Time:
		if t != nil {
			return *t, true
		}
	}
	return time.Time{}, false
}
