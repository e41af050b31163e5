package web

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"io"
	"math"
	"mime/multipart"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/gin-gonic/gin"
	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/fault"
	"spindlebook/internal/measure"
	"spindlebook/internal/pgdb"
)

// sheet is a form on a page of its own: what it asks, what was typed, and what
// is to be mended. It is built anew for each request from the same function,
// so that a form that comes back looks as it went out.
type sheet struct {
	Title   string
	Over    string // what the form is about: "UMB-1/SBL-D Low side brush"
	Lead    string
	Crumbs  []crumb
	Caution string // what must be read before hands go in; "" where none need to
	Fields  []*field
	Verb    string  // on the button
	Grave   bool    // it takes something away
	Cancel  string  // where one goes without sending it
	Else    []crumb // what else can be done instead

	Key     string // makes sending it twice do it once
	Version int    // of what is edited; 0 where nothing is
	Mend    []mend
	Theirs  []pair // what is recorded now, where somebody else was faster
	status  int
	look    string                           // the page that shows it; "" is the plain one
	page    func(visit, *sheet) (any, error) // what that page is given; nil gives it the sheet

	at    *time.Location
	about any // what the form is for, from its builder to the act
}

// field is one thing that a form asks.
type field struct {
	Name, Label, Hint string
	Short             string // what a sentence about it calls it; "" is the label
	Head, Said        string // a heading before the field, and what there is to say under it
	Fold              string // begins a part that opens where it is needed, with this on it
	Open              bool   // whether it is open
	FoldEnd           bool   // ends it
	Kind              string // "" is a line of text; area, password, check, checks, choice, radio, measure, wheels, moment, date, when, number, picture, table
	Optional          bool
	Options           []option
	Free              bool     // what is chosen may be off the list by the time it is sent: the act judges it
	Units             []string // of a measure
	Wheels            int      // of a counter after its point; they are typed apart, as the field's unit
	Face              string   // what a counter shows
	Auto              string   // what browsers may fill in
	Most              int      // characters; 0 is 200

	Value, Unit string // of checks: the values chosen, with blanks between
	Wrong       string
	file        []byte // of a picture
	table       *multipart.FileHeader
}

type option struct{ Value, Name string }

// mend is an entry of the list of what to mend, above the fields.
type mend struct {
	Name string // of the field; "" is the form as a whole
	Text string
	Path string // where to look
}

type pair struct{ Name, Value string }

// ID is unique in the page: there is one sheet on it.
func (f *field) ID() string { return "f-" + f.Name }

// Described lists the ids of what explains the field.
func (f *field) Described() string {
	var ids []string
	if f.Wrong != "" {
		ids = append(ids, f.ID()+"-wrong")
	}
	if f.Hint != "" {
		ids = append(ids, f.ID()+"-hint")
	}
	return strings.Join(ids, " ")
}

// Chosen tells whether a value is among those chosen.
func (f *field) Chosen(value string) bool { return slices.Contains(strings.Fields(f.Value), value) }

// names gives the words for values that are chosen, with blanks between.
func (f *field) names(values string) (all []string) {
	for _, one := range strings.Fields(values) {
		for _, o := range f.Options {
			if o.Value == one {
				all = append(all, o.Name)
			}
		}
	}
	return all
}

// File tells whether the field takes a file.
func (f *field) File() bool { return f.Kind == "picture" || f.Kind == "table" }

// Files tells whether the form must be sent in the way that carries files.
func (s *sheet) Files() bool { return slices.ContainsFunc(s.Fields, (*field).File) }

// Longest is how much text the field takes.
func (f *field) Longest() int {
	switch {
	case f.Most != 0:
		return f.Most
	case f.Kind == "checks":
		return 10000
	}
	return 200
}

func (s *sheet) field(name string) *field {
	for _, f := range s.Fields {
		if f.Name == name {
			return f
		}
	}
	return nil
}

// form serves a sheet under one path: it is shown by GET and sent by POST.
// build makes it; do carries it out and gives where to go.
func (p *pages) form(g *gin.RouterGroup, path string, build func(visit) (*sheet, error), do func(visit, *sheet) (string, error)) {
	g.GET(path, p.signedIn(func(v visit) error {
		s, err := build(v)
		if err != nil {
			return err
		}
		s.Key = uuid.NewString()
		return p.showSheet(v, s)
	}))
	g.POST(path, p.signedIn(func(v visit) error {
		s, err := build(v)
		if err != nil {
			return err
		}
		if err := s.read(v.c); err != nil {
			return err
		}
		if len(s.Mend) > 0 {
			return p.showSheet(v, s)
		}
		to, err := do(v, s)
		if len(s.Mend) > 0 { // do found what cannot be read
			return p.showSheet(v, s)
		}
		if err != nil {
			if !s.blame(err) {
				return err
			}
			return p.showSheet(v, s)
		}
		if v.c.Writer.Written() { // it showed a page of its own
			return nil
		}
		return goTo(v, to)
	}))
}

// unfold opens the folded parts in which something stands or is to be mended.
func (s *sheet) unfold() {
	var head *field
	for _, f := range s.Fields {
		if f.Fold != "" {
			head = f
		}
		if head != nil && (f.Value != "" || f.Unit != "" || f.Wrong != "") {
			head.Open = true
		}
		if f.FoldEnd {
			head = nil
		}
	}
}

func (p *pages) showSheet(v visit, s *sheet) error {
	s.unfold()
	s.prefer(v.who.Units)
	status := http.StatusOK
	if len(s.Mend) > 0 {
		status = http.StatusUnprocessableEntity
		if s.status != 0 {
			status = s.status
		}
	}
	if s.look == "import" {
		return p.show(v, status, s.look, s.Title, importing(v, s))
	}
	if s.page != nil {
		g, err := s.page(v, s)
		if err != nil {
			return err
		}
		return p.show(v, status, s.look, s.Title, g)
	}
	if s.look == "lists" {
		return p.show(v, status, s.look, s.Title, lists(v, s))
	}
	return p.show(v, status, "form", s.Title, s)
}

// read takes what was sent into the fields.
func (s *sheet) read(c *gin.Context) error {
	if err := s.parse(c.Request); err != nil {
		if tooLarge, ok := errors.AsType[*http.MaxBytesError](err); ok {
			if s.Files() { // what was typed went with the file, but the form is here again
				s.Key, s.status = uuid.NewString(), http.StatusRequestEntityTooLarge
				f := s.Fields[slices.IndexFunc(s.Fields, (*field).File)]
				s.wrong(f.Name, "takes at most "+sizeWords(tooLarge.Limit)+" with everything around it; choose a smaller one")
				return nil
			}
			return tooLarge
		}
		return &fault.Error{Kind: fault.Malformed, Msg: "the form cannot be read", Err: err}
	}
	sent := c.Request.PostForm
	s.Key = sent.Get("key")
	if _, err := uuid.Parse(s.Key); err != nil {
		return &fault.Error{Kind: fault.Malformed, Msg: "the form came without its key; open the page anew and send it from there"}
	}
	s.Version, _ = strconv.Atoi(sent.Get("version"))
	for _, f := range s.Fields {
		if f.File() {
			if err := s.take(c.Request, f); err != nil {
				return err
			}
			continue
		}
		f.Value = strings.ReplaceAll(sent.Get(f.Name), "\r\n", "\n")
		if f.Kind == "checks" {
			f.Value = strings.Join(sent[f.Name], " ")
		}
		if f.Kind != "password" {
			f.Value = strings.TrimSpace(f.Value)
		}
		f.Unit = sent.Get(f.Name + "_unit")
		switch n := utf8.RuneCountInString(f.Value); {
		case !utf8.ValidString(f.Value) || strings.ContainsRune(f.Value, 0):
			f.Value = ""
			s.wrong(f.Name, "holds signs that are no text")
		case f.Value == "" && !f.Optional && f.Kind != "check":
			s.wrong(f.Name, "must not be blank")
		case n > f.Longest():
			s.wrong(f.Name, "takes at most "+strconv.Itoa(f.Longest())+" characters; these are "+strconv.Itoa(n))
		case (f.Kind == "choice" || f.Kind == "radio") && f.Value != "" && !f.Free && !slices.ContainsFunc(f.Options, func(o option) bool { return o.Value == f.Value }):
			s.wrong(f.Name, "is not among the choices any more; choose another")
		case f.Kind == "checks":
			for _, one := range strings.Fields(f.Value) {
				if !slices.ContainsFunc(f.Options, func(o option) bool { return o.Value == one }) {
					s.wrong(f.Name, "holds one that is not among the choices any more; choose again")
				}
			}
		}
	}
	return nil
}

// parse reads the body of the request, in the way that the form was sent.
func (s *sheet) parse(r *http.Request) error {
	if !s.Files() {
		return r.ParseForm()
	}
	// What is larger than a picture goes to a temporary file, which the server removes.
	err := r.ParseMultipartForm(2 << 20)
	if errors.Is(err, http.ErrNotMultipart) {
		return nil // without its file; the field says so
	}
	return err
}

// take reads the file of a field.
func (s *sheet) take(r *http.Request, f *field) error {
	if r.MultipartForm != nil && len(r.MultipartForm.File[f.Name]) > 0 {
		h := r.MultipartForm.File[f.Name][0]
		if f.Kind == "table" { // it may be large: whoever asked reads it from where it lies
			f.table = h
			return nil
		}
		in, err := h.Open()
		if err != nil {
			return err
		}
		defer func() { _ = in.Close() }() // it was only read
		if f.file, err = io.ReadAll(in); err != nil {
			return err
		}
	}
	if len(f.file) == 0 && !f.Optional {
		s.wrong(f.Name, "must be chosen")
	}
	return nil
}

// sizeWords writes a number of bytes as people do.
func sizeWords(n int64) string {
	if n >= 1<<20 {
		return strconv.FormatFloat(float64(n)/(1<<20), 'f', -1, 64) + " MiB"
	}
	return strconv.FormatInt(n/1024, 10) + " KiB"
}

// verbs begin the words of a fault that go on after a field's name; others are
// sentences of their own.
var verbs = []string{"is", "takes", "must", "names", "lies", "needs", "has", "was", "overlaps", "holds", "does", "already", "counts", "differs", "comes", "cannot", "leads", "gives", "begins", "makes", "belongs", "replaces"}

// wrong marks a field as to be mended. msg goes on after the field's name.
func (s *sheet) wrong(name, msg string) {
	f := s.field(name)
	if f == nil {
		s.Mend = append(s.Mend, mend{Text: sentence(msg)})
		return
	}
	if f.Wrong != "" {
		return
	}
	f.Wrong = sentence(msg)
	if verb, _, _ := strings.Cut(msg, " "); slices.Contains(verbs, verb) {
		name := f.Short
		if name == "" {
			name = f.Label
		}
		f.Wrong = name + " " + msg + "."
	}
	s.Mend = append(s.Mend, mend{Name: f.ID(), Text: f.Wrong})
}

var listed = regexp.MustCompile(`^(?:grants|items|lines|facts|people|tasks|work)\[(\d+)\]\.`)

// fieldOf finds the field of this form for a fault's path into a request:
// "grants[0].customer_id" and "length.value" are customer_id and length;
// "items[1].to" is to_1 in a form that asks for several.
func (s *sheet) fieldOf(path string) string {
	at := listed.FindStringSubmatch(path)
	path = listed.ReplaceAllString(path, "")
	for _, end := range []string{"", ".value", ".unit"} {
		name, ok := strings.CutSuffix(path, end)
		if !ok {
			continue
		}
		if at != nil && s.field(name+"_"+at[1]) != nil {
			return name + "_" + at[1]
		}
		if s.field(name) != nil {
			return name
		}
	}
	return ""
}

// blame puts a fault beside the fields to which it belongs. It tells false
// where the fault is not about what was typed.
func (s *sheet) blame(err error) bool {
	f, ok := errors.AsType[*fault.Error](err)
	if !ok {
		return false
	}
	at := s.at
	if at == nil {
		at = time.UTC
	}
	switch f.Kind {
	case fault.Invalid:
	case fault.Conflict, fault.Stale:
		s.status = http.StatusConflict
	default:
		return false
	}
	if f.Field == "Idempotency-Key" {
		// one went back to a form that was sent before and changed it
		s.Key = uuid.NewString()
		s.Mend = append(s.Mend, mend{Text: "This form was sent before with other entries, and that was recorded. What you typed is kept: send it again to record it as well."})
		return true
	}
	if f.Kind == fault.Stale {
		s.Mend = append(s.Mend, mend{Text: "Somebody else changed this meanwhile. What is recorded now stands beside what you typed: compare, and send it again if yours is to hold."})
		return true
	}
	parts := f.Parts
	if f.Field != "" || len(parts) == 0 {
		parts = []fault.Part{{Field: f.Field, Value: f.Value, Msg: f.Msg}}
	}
	for _, part := range parts {
		msg := local(part.Msg, at)
		if name := s.fieldOf(part.Field); name != "" {
			s.wrong(name, msg)
		} else {
			if part.Field != "" {
				msg = strings.ReplaceAll(part.Field, "_", " ") + " " + msg
			}
			s.Mend = append(s.Mend, mend{Text: sentence(msg)})
		}
	}
	if e := f.Existing; e != nil && len(s.Mend) > 0 {
		s.Mend[len(s.Mend)-1].Path = pathOf(e.Kind, e.ID)
	}
	return true
}

// sentence gives a fault's words a capital and a full stop.
func sentence(msg string) string {
	r, n := utf8.DecodeRuneInString(msg)
	return strings.ToUpper(string(r)) + strings.TrimSuffix(msg[n:], ".") + "."
}

// sentenceCase gives a word a capital.
func sentenceCase(word string) string {
	r, n := utf8.DecodeRuneInString(word)
	return strings.ToUpper(string(r)) + word[n:]
}

// pathOf gives the page of a recorded thing, "" where it has none of its own.
func pathOf(kind, id string) string {
	switch kind {
	case "customer":
		return "/customers/" + id
	case "site":
		return "/sites/" + id
	case "position":
		return "/positions/" + id
	case "unit":
		return "/units/" + id
	case "part":
		return "/parts/" + id
	case "location":
		return "/locations#l-" + id
	case "claim":
		return "/claims"
	case "order":
		return "/orders/" + id
	case "meter":
		return "/meters/" + id
	case "reading":
		return "/readings/" + id + "/explain"
	case "person", "account":
		return "/people/" + id
	}
	return ""
}

// values is what was typed, for the fingerprint of the request.
func (s *sheet) values() map[string]string {
	all := map[string]string{"version": strconv.Itoa(s.Version)}
	for _, f := range s.Fields {
		if f.Kind == "password" {
			continue
		}
		if f.File() {
			sum := sha256.Sum256(f.file)
			all[f.Name] = hex.EncodeToString(sum[:])
			continue
		}
		all[f.Name] = f.Value + " " + f.Unit
	}
	return all
}

// once carries a form out so that sending it twice does it once.
func once[T any](p *pages, v visit, s *sheet, fn func(tx *gorm.DB) (T, error)) (T, error) {
	return pgdb.Once(v.ctx, p.db, v.who.ID, v.now, pgdb.Request{Key: "page " + s.Key, Act: v.c.Request.Method + " " + v.c.Request.URL.Path, Body: s.values()}, fn)
}

func (s *sheet) get(name string) string { return s.field(name).Value }

func (s *sheet) checked(name string) bool { return s.field(name).Value == "yes" }

// id reads a choice of something recorded; nil where nothing is chosen.
func (s *sheet) id(name string) *uuid.UUID {
	f := s.field(name)
	if f.Value == "" {
		return nil
	}
	id, err := uuid.Parse(f.Value)
	if err != nil {
		s.wrong(name, "is not among the choices")
		return nil
	}
	return &id
}

// whole reads a whole number; nil where nothing was typed.
func (s *sheet) whole(name string) *int {
	f := s.field(name)
	if f.Value == "" {
		return nil
	}
	n, err := strconv.Atoi(f.Value)
	if err != nil {
		s.wrong(name, "is a whole number, such as 90")
		return nil
	}
	return &n
}

// number reads a decimal number; nil where nothing was typed.
func (s *sheet) number(name string) *float64 {
	f := s.field(name)
	if f.Value == "" {
		return nil
	}
	n, ok := decimal(f.Value)
	if !ok {
		s.wrong(name, "is a number, such as 41.25")
		return nil
	}
	return &n
}

// measure reads a number with its unit; nil where nothing was typed.
func (s *sheet) measure(name string) *measure.Typed {
	f := s.field(name)
	if f.Value == "" {
		return nil
	}
	n, ok := decimal(f.Value)
	if !ok {
		s.wrong(name, "is a number, such as 110, 1.375 or 1-3/8")
		return nil
	}
	if !slices.Contains(f.Units, f.Unit) {
		s.wrong(name, "needs a unit: "+strings.Join(f.Units, ", "))
		return nil
	}
	return &measure.Typed{Value: n, Unit: f.Unit}
}

var fraction = regexp.MustCompile(`^(?:(\d+)[ -])?(\d+)/(\d+)$`)

// decimal reads a number as it is typed in this trade: 1.375, or 1-3/8.
func decimal(text string) (float64, bool) {
	if m := fraction.FindStringSubmatch(text); m != nil {
		whole, _ := strconv.ParseFloat("0"+m[1], 64)
		over, _ := strconv.ParseFloat(m[2], 64)
		under, _ := strconv.ParseFloat(m[3], 64)
		return whole + over/under, under != 0
	}
	n, err := strconv.ParseFloat(text, 64)
	return n, err == nil && !math.IsInf(n, 0) && !math.IsNaN(n)
}

// wheels reads what a counter shows: digits with a point, whose last may stand
// apart, as on a counter. What is no number is for the act to say.
func (s *sheet) wheels(name string) string {
	f := s.field(name)
	if f.Unit == "" || f.Value == "" {
		return f.Value
	}
	if strings.Contains(f.Value, ".") {
		s.wrong(name, "has its tenths twice: behind the point and on their own wheel")
	}
	return f.Value + "." + f.Unit
}

// moment reads a local date and time of the form's zone; nil where nothing was typed.
func (s *sheet) moment(name string) *time.Time { return s.local(name, "2006-01-02T15:04") }

// date reads a local date of the form's zone as its first instant.
func (s *sheet) date(name string) *time.Time { return s.local(name, time.DateOnly) }

func (s *sheet) local(name, layout string) *time.Time {
	f := s.field(name)
	if f.Value == "" {
		return nil
	}
	at := s.at
	if at == nil {
		at = time.UTC
	}
	// browsers may add seconds
	text := f.Value
	if len(text) > len(layout) {
		text = text[:len(layout)]
	}
	t, err := time.ParseInLocation(layout, text, at)
	if err != nil || t.Year() < 1900 || t.Year() > 2200 {
		s.wrong(name, "is a date"+map[bool]string{true: " with a time of day, such as 2026-02-14T09:30", false: ", such as 2026-02-14"}[layout != time.DateOnly])
		return nil
	}
	return &t
}

// whens are the ways in which a time is written as exactly as it is known.
var whens = []struct{ layout, precision string }{
	{"2006-01-02 15:04", "instant"}, {"2006-01-02T15:04", "instant"}, {time.DateOnly, "day"}, {"2006-01", "month"}, {"2006", "year"},
}

const whenHint = "As exactly as it is known: 2026-02-14 09:30, 2026-02-14, 2026-02 or only 2026."

// when reads a local time with the precision in which it was written: the
// year alone is its first instant, known to the year. Nil where nothing was typed.
func (s *sheet) when(name string) (at *time.Time, precision string) {
	f := s.field(name)
	if f.Value == "" {
		return nil, "unknown"
	}
	zone := s.at
	if zone == nil {
		zone = time.UTC
	}
	for _, w := range whens {
		if t, err := time.ParseInLocation(w.layout, f.Value, zone); err == nil && t.Year() >= 1900 && t.Year() <= 2200 {
			return &t, w.precision
		}
	}
	s.wrong(name, "is a year, a month, a day or a day with its time, such as 2026, 2026-02, 2026-02-14 or 2026-02-14 09:30")
	return nil, ""
}

// fill sets what a form shows when it is opened.
func (s *sheet) fill(values map[string]string) {
	for name, v := range values {
		f := s.field(name)
		f.Value = v
		if f.Kind == "measure" { // as it was typed: "110 ft"
			f.Value, f.Unit, _ = strings.Cut(v, " ")
		}
	}
}

// optionsOf makes choices of codes, in words.
func optionsOf(codes ...string) []option {
	var all []option
	for _, c := range codes {
		all = append(all, option{c, say(c)})
	}
	return all
}

// idOf reads the id in a path. One that cannot be an id names nothing.
func idOf(v visit, name, kind string) (uuid.UUID, error) {
	id, err := uuid.Parse(v.c.Param(name))
	if err != nil {
		return id, fault.Missing(kind, v.c.Param(name))
	}
	return id, nil
}

// localPath keeps a path that leads to a page here, and makes "/" of anything
// else: an address that came from outside must not send people away.
func localPath(next string) string {
	u, err := url.Parse(next)
	if err != nil || u.IsAbs() || u.Host != "" || u.User != nil || !strings.HasPrefix(next, "/") || strings.HasPrefix(next, "//") ||
		strings.ContainsAny(next, "\\\r\n\t") || strings.HasPrefix(u.Path, "/sign-") || strings.HasPrefix(u.Path, "/enter/") || strings.HasPrefix(u.Path, "//") {
		return "/"
	}
	return next
}
