package web

import (
	"errors"
	"io"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/google/uuid"

	"spindlebook/internal/access"
	"spindlebook/internal/exchange"
	"spindlebook/internal/fault"
)

// An import is looked at before it is done. Between the two the file waits here,
// for a while and for whoever sent it; who comes too late, or to another
// process, sends it again.
const (
	waitingFor  = 30 * time.Minute
	mostWaiting = 8
)

type waiting struct {
	sync.Mutex
	files []waitingFile
}

type waitingFile struct {
	id    uuid.UUID
	of    uuid.UUID // the actor
	since time.Time
	name  string
	up    *exchange.Upload
	how   exchange.Options
	busy  int
}

// keep lets a file wait, and lets go of what has waited too long.
func (w *waiting) keep(f waitingFile) {
	w.Lock()
	defer w.Unlock()
	w.tidy(f.since)
	for len(w.files) >= mostWaiting {
		i := slices.IndexFunc(w.files, func(o waitingFile) bool { return o.busy == 0 })
		if i < 0 {
			break
		}
		w.files[i].up.Close()
		w.files = slices.Delete(w.files, i, i+1)
	}
	w.files = append(w.files, f)
}

func (w *waiting) tidy(now time.Time) {
	w.files = slices.DeleteFunc(w.files, func(f waitingFile) bool {
		if f.busy > 0 || now.Sub(f.since) < waitingFor {
			return false
		}
		f.up.Close()
		return true
	})
}

// take gives a waiting file to its actor; back says that it may go.
func (w *waiting) take(id, of uuid.UUID, now time.Time) (f waitingFile, back func(), ok bool) {
	w.Lock()
	defer w.Unlock()
	w.tidy(now)
	i := slices.IndexFunc(w.files, func(f waitingFile) bool { return f.id == id && f.of == of })
	if i < 0 {
		return f, nil, false
	}
	w.files[i].busy++
	return w.files[i], func() {
		w.Lock()
		defer w.Unlock()
		if i := slices.IndexFunc(w.files, func(f waitingFile) bool { return f.id == id }); i >= 0 {
			w.files[i].busy--
		}
	}, true
}

// mayImport tells whether somebody may bring the register in from a spreadsheet.
// Readings may come from whoever reads counters.
func mayImport(v visit) bool {
	return v.may(access.KeepRegister) && v.may(access.RecordWork) && v.who.Everywhere
}

// ofReadings is the kind of a sheet that the register does not have.
const ofReadings = "readings"

// importPage shows what a file would do, or did.
type importPage struct {
	*sheet
	Tabs  []nav
	Kinds []string
	lookedAt
	Result *exchange.Result
	Taken  *exchange.ReadingsDone // of a sheet of readings, instead
}

// lookedAt is a file that somebody chose, and why it cannot be taken.
type lookedAt struct {
	File   string
	Errors []fault.Part
	Counts []fault.Tally
	Said   string // of the file as a whole
	Wait   uuid.UUID
}

// Broken counts the errors, those that are not listed included.
func (g lookedAt) Broken() (n int) {
	for _, c := range g.Counts {
		n += c.Count
	}
	return max(n, len(g.Errors))
}

// told takes down why a file cannot be taken. An error that is not about the file
// comes back.
func (g *lookedAt) told(err error) (refused bool, _ error) {
	if err == nil {
		return false, nil
	}
	f, ok := errors.AsType[*fault.Error](err)
	if !ok || f.Kind != fault.Invalid && f.Kind != fault.Malformed && f.Kind != fault.Conflict && f.Kind != fault.TooLarge {
		return true, err
	}
	g.Counts, g.Errors = f.Tallies, f.Parts
	if len(g.Errors) == 0 {
		g.Said = sentence(shownDetail(f))
	}
	return true, nil
}

// bring runs a file: for good, or to see what it would do.
type bring func(up *exchange.Upload, o exchange.Options) error

// tried finds out what the file of a form would do, does nothing, and keeps it until
// somebody accepts that.
func (p *pages) tried(v visit, s *sheet, g *lookedAt, options func(up *exchange.Upload) (exchange.Options, error), run bring) (status int, err error) {
	h := s.field("file").table
	in, err := h.Open()
	if err != nil {
		return 0, err
	}
	defer func() { _ = in.Close() }() // it was only read
	up, err := exchange.Receive(in)
	if err != nil {
		return 0, err
	}
	how, err := options(up)
	if err != nil {
		up.Close()
		return 0, err
	}
	g.File = h.Filename
	dry := how
	dry.DryRun = true
	key, err := uuid.Parse(s.Key) // the form was read, so it has one
	if err != nil {
		up.Close()
		return 0, err
	}
	var ended func()
	dry.Told, ended = p.under.begin(key, v.who.ID)
	defer ended()
	refused, err := g.told(run(up, dry))
	if refused {
		up.Close()
		return http.StatusUnprocessableEntity, err
	}
	g.Wait = uuid.New()
	p.waiting.keep(waitingFile{id: g.Wait, of: v.who.ID, since: v.now, name: h.Filename, up: up, how: how})
	return http.StatusOK, nil
}

// accepted does what was looked at. The form's key makes sending it twice do it once.
func (p *pages) accepted(v visit, s *sheet, g *lookedAt, run bring) (status int, err error) {
	if err := v.c.Request.ParseForm(); err != nil {
		return 0, err
	}
	key, err := uuid.Parse(v.c.Request.PostForm.Get("key"))
	id, badID := uuid.Parse(v.c.Request.PostForm.Get("file"))
	if err != nil || badID != nil {
		return 0, &fault.Error{Kind: fault.Malformed, Msg: "the form came without its key; open the page anew and send it from there"}
	}
	f, back, ok := p.waiting.take(id, v.who.ID, v.now)
	s.Key = uuid.NewString()
	if !ok {
		s.Mend = append(s.Mend, mend{Text: "The file waited too long and is gone. Choose it again; nothing was written."})
		return http.StatusConflict, nil
	}
	defer back()
	g.File = f.name
	how := f.how
	how.Key = "page " + key.String()
	var ended func()
	how.Told, ended = p.under.begin(key, v.who.ID)
	defer ended()
	if refused, err := g.told(run(f.up, how)); refused || err != nil { // something changed since the look at the file
		return http.StatusConflict, err
	}
	return http.StatusOK, nil
}

// Read tells whether the file could be taken.
func (g importPage) Read() bool { return g.Result != nil || g.Taken != nil }

// DryRun tells whether it was only looked at.
func (g importPage) DryRun() bool {
	return g.Result != nil && g.Result.DryRun || g.Taken != nil && g.Taken.DryRun
}

// Total counts what the file would add and change.
func (g importPage) Total() (n int) {
	if g.Result != nil {
		for _, s := range g.Result.Sheets {
			n += s.Added + s.Changed
		}
	}
	if t := g.Taken; t != nil {
		n += t.Taken + t.NeedsExplanation + t.Quarantined
	}
	return n
}

// Notes say how the file was read.
func (g importPage) Notes() []string {
	if g.Taken != nil {
		return g.Taken.Notes
	}
	return g.Result.Notes
}

// Warnings are cells that were taken and deserve a look.
func (g importPage) Warnings() []exchange.Said {
	if g.Taken == nil {
		return g.Result.Warnings
	}
	all := slices.Clone(g.Taken.Warnings)
	for i := range all {
		all[i].Says = thousands(local(all[i].Says, zone(all[i].Zone)))
	}
	return all
}

// Warned counts them, those that are not listed included.
func (g importPage) Warned() (n int) {
	var by []fault.Tally
	if g.Taken != nil {
		by = g.Taken.Warned
	} else {
		by = g.Result.Warned
	}
	for _, c := range by {
		n += c.Count
	}
	return n
}

func (p *pages) importSheet(v visit) (*sheet, error) {
	s := &sheet{Title: "Import", Verb: "Look at the file", look: "import", Fields: []*field{
		{Name: "file", Label: "Spreadsheet", Short: "The file", Kind: "table", Hint: "CSV with one kind of sheet, or XLSX with several; at most " + sizeWords(exchange.MaxFile) + "."},
		{Name: "dates", Label: "Dates such as 3/5/2024 are", Short: "The order", Kind: "choice", Optional: true,
			Options: []option{{"", "as the file itself shows"}, {exchange.DayFirst, "day first: 3 May"}, {exchange.MonthFirst, "month first: 5 March"}}},
	}}
	if !mayImport(v) {
		s.Title = "Readings from a spreadsheet"
		s.Fields[0].Hint = "CSV or XLSX with the columns meter (its code), at and value, and perhaps unit and source; at most " + sizeWords(exchange.MaxFile) + "."
		return s, v.who.Must(access.ReadCounters)
	}
	kinds := []option{{"", "See by its heads"}, {ofReadings, "Readings of counters"}}
	for _, k := range exchange.Kinds() {
		kinds = append(kinds, option{k, sentenceCase(k)})
	}
	s.Fields = slices.Insert(s.Fields, 1, &field{Name: "kind", Label: "What a CSV file holds", Short: "The kind", Kind: "choice", Optional: true, Options: kinds})
	if v.c.Query("kind") == ofReadings {
		s.fill(map[string]string{"kind": ofReadings})
	}
	return s, nil
}

// importing makes the page around the form.
func importing(v visit, s *sheet) importPage {
	if !mayImport(v) {
		return importPage{sheet: s, Tabs: counterTabs(v, "/import")}
	}
	return importPage{sheet: s, Tabs: stockTabs(v, "/import"), Kinds: exchange.Kinds()}
}

// tryImport finds out what a file would do, and does nothing.
func (p *pages) tryImport(v visit, s *sheet) (string, error) {
	g := importing(v, s)
	status, err := p.tried(v, s, &g.lookedAt, func(up *exchange.Upload) (how exchange.Options, err error) {
		how = exchange.Options{Kind: ofReadings, Dates: s.get("dates")}
		if mayImport(v) {
			how.Kind, err = kindOfFile(up, s.get("kind"))
		}
		return how, err
	}, p.bringIn(v, &g))
	if err != nil {
		return "", err
	}
	s.Key = uuid.NewString()
	return "", p.show(v, status, "import", s.Title, g)
}

// kindOfFile gives the kind that was chosen, or that of readings where the file
// tells so. The register tells its own.
func kindOfFile(up *exchange.Upload, chosen string) (string, error) {
	if chosen != "" {
		return chosen, nil
	}
	holds, err := exchange.HoldsReadings(up)
	if holds {
		return ofReadings, err
	}
	return "", err
}

func (p *pages) bringIn(v visit, g *importPage) bring {
	return func(up *exchange.Upload, o exchange.Options) error {
		if o.Kind == ofReadings {
			done, err := exchange.ImportReadings(v.ctx, p.db, v.who, v.now, up, o)
			if err == nil {
				g.Taken = &done
			}
			return err
		}
		done, err := exchange.Import(v.ctx, p.db, v.who, v.now, up, o)
		if err == nil {
			g.Result = &done
		}
		return err
	}
}

// acceptImport does what was looked at.
func (p *pages) acceptImport(v visit) error {
	s, err := p.importSheet(v)
	if err != nil {
		return err
	}
	g := importing(v, s)
	status, err := p.accepted(v, s, &g.lookedAt, p.bringIn(v, &g))
	if err != nil {
		return err
	}
	return p.show(v, status, "import", s.Title, g)
}

// export sends the register as far as the actor sees it: a workbook, or one kind
// of sheet as CSV.
func (p *pages) export(v visit) error {
	kind := v.c.Param("kind")
	if kind == "" {
		return send(v, "spindlebook.xlsx", func(w io.Writer) error { return exchange.ExportWorkbook(v.ctx, p.db, v.who, w) })
	}
	return send(v, kind+".csv", func(w io.Writer) error { return exchange.ExportCSV(v.ctx, p.db, v.who, kind, w) })
}

// send lets somebody download what write makes. It goes to a file first, so that what
// fails half way is still answered as a page.
func send(v visit, name string, write func(w io.Writer) error) error {
	file, size, err := exchange.Spooled(write)
	if err != nil {
		return err
	}
	defer func() { _ = file.Close() }() // it was only read
	media := "text/csv; charset=utf-8"
	if strings.HasSuffix(name, ".xlsx") {
		media = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
	}
	v.c.DataFromReader(http.StatusOK, size, media, file, map[string]string{"Content-Disposition": "attachment; filename=" + strconv.Quote(name)})
	return nil
}
