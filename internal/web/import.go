package web

import (
	"errors"
	"io"
	"net/http"
	"os"
	"slices"
	"strconv"
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

// mayImport tells whether somebody may bring in a spreadsheet.
func mayImport(v visit) bool {
	return v.may(access.KeepRegister) && v.may(access.RecordWork) && v.who.Everywhere
}

// importPage shows what a file would do, or did.
type importPage struct {
	*sheet
	Tabs  []nav
	Kinds []string
	// of a file that was looked at
	File   string
	Result *exchange.Result
	Errors []fault.Part
	Counts []fault.Tally
	Said   string // of the file as a whole
	Wait   uuid.UUID
}

// Total counts what all sheets would add and change.
func (g importPage) Total() (n int) {
	if g.Result != nil {
		for _, s := range g.Result.Sheets {
			n += s.Added + s.Changed
		}
	}
	return n
}

// Broken counts the errors, those that are not listed included.
func (g importPage) Broken() (n int) {
	for _, c := range g.Counts {
		n += c.Count
	}
	return max(n, len(g.Errors))
}

func (p *pages) importSheet(v visit) (*sheet, error) {
	for _, need := range []access.Capability{access.KeepRegister, access.RecordWork} {
		if err := v.who.Must(need); err != nil {
			return nil, err
		}
	}
	if !mayImport(v) {
		return nil, &fault.Error{Kind: fault.Forbidden, Msg: "only the distributor's own people import"}
	}
	var kinds []option
	for _, k := range exchange.Kinds() {
		kinds = append(kinds, option{k, sentenceCase(k)})
	}
	return &sheet{Title: "Import", Verb: "Look at the file", look: "import", Fields: []*field{
		{Name: "file", Label: "Spreadsheet", Short: "The file", Kind: "table", Hint: "CSV with one kind of sheet, or XLSX with several; at most " + sizeWords(exchange.MaxFile) + "."},
		{Name: "kind", Label: "What a CSV file holds", Short: "The kind", Kind: "choice", Optional: true, Options: append([]option{{"", "See by its heads"}}, kinds...)},
		{Name: "dates", Label: "Dates such as 3/5/2024 are", Short: "The order", Kind: "choice", Optional: true,
			Options: []option{{"", "as the file itself shows"}, {exchange.DayFirst, "day first: 3 May"}, {exchange.MonthFirst, "month first: 5 March"}}},
	}}, nil
}

// importing makes the page around the form.
func importing(v visit, s *sheet) importPage {
	return importPage{sheet: s, Tabs: stockTabs(v, "/import"), Kinds: exchange.Kinds()}
}

// tryImport finds out what a file would do, and does nothing.
func (p *pages) tryImport(v visit, s *sheet) (string, error) {
	h := s.field("file").table
	in, err := h.Open()
	if err != nil {
		return "", err
	}
	defer func() { _ = in.Close() }() // it was only read
	up, err := exchange.Receive(in)
	if err != nil {
		return "", err
	}
	g := importing(v, s)
	g.File = h.Filename
	how := exchange.Options{Kind: s.get("kind"), Dates: s.get("dates")}
	dry := how
	dry.DryRun = true
	status, err := http.StatusOK, p.runImport(v, &g, up, dry)
	if err == nil && len(g.Errors) == 0 && g.Said == "" {
		g.Wait = uuid.New()
		p.waiting.keep(waitingFile{id: g.Wait, of: v.who.ID, since: v.now, name: h.Filename, up: up, how: how})
	} else {
		up.Close()
		status = http.StatusUnprocessableEntity
	}
	if err != nil {
		return "", err
	}
	s.Key = uuid.NewString()
	return "", p.show(v, status, "import", s.Title, g)
}

// runImport runs a file and takes down what came of it. An error that is not
// about the file comes back.
func (p *pages) runImport(v visit, g *importPage, up *exchange.Upload, o exchange.Options) error {
	done, err := exchange.Import(v.ctx, p.db, v.who, v.now, up, o)
	if err == nil {
		g.Result = &done
		return nil
	}
	f, ok := errors.AsType[*fault.Error](err)
	switch {
	case !ok:
		return err
	case f.Kind == fault.Invalid, f.Kind == fault.Malformed, f.Kind == fault.Conflict, f.Kind == fault.TooLarge:
	default:
		return err
	}
	g.Counts = f.Tallies
	g.Errors = f.Parts
	if len(g.Errors) == 0 {
		g.Said = sentence(shownDetail(f))
	}
	return nil
}

// acceptImport does what was looked at. The form's key makes sending it twice do
// it once.
func (p *pages) acceptImport(v visit) error {
	s, err := p.importSheet(v)
	if err != nil {
		return err
	}
	if err := v.c.Request.ParseForm(); err != nil {
		return err
	}
	key, err := uuid.Parse(v.c.Request.PostForm.Get("key"))
	id, badID := uuid.Parse(v.c.Request.PostForm.Get("file"))
	if err != nil || badID != nil {
		return &fault.Error{Kind: fault.Malformed, Msg: "the form came without its key; open the page anew and send it from there"}
	}
	g := importing(v, s)
	f, back, ok := p.waiting.take(id, v.who.ID, v.now)
	if !ok {
		s.Key = uuid.NewString()
		s.Mend = append(s.Mend, mend{Text: "The file waited too long and is gone. Choose it again; nothing was written."})
		return p.show(v, http.StatusConflict, "import", s.Title, g)
	}
	defer back()
	g.File = f.name
	how := f.how
	how.Key = "page " + key.String()
	if err := p.runImport(v, &g, f.up, how); err != nil {
		return err
	}
	status := http.StatusOK
	if g.Result == nil { // somebody changed the register since the look at the file
		status = http.StatusConflict
	}
	s.Key = uuid.NewString()
	return p.show(v, status, "import", s.Title, g)
}

// export sends the register as far as the actor sees it: a workbook, or one kind
// of sheet as CSV. It goes to a file first, so that what fails half way is still
// answered as a page.
func (p *pages) export(v visit) error {
	kind := v.c.Param("kind")
	file, err := os.CreateTemp("", "spindlebook-export-")
	if err != nil {
		return err
	}
	defer func() {
		_ = file.Close()
		_ = os.Remove(file.Name()) // the system's temporary folder is tidied anyway
	}()
	name, media := "spindlebook.xlsx", "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
	if kind == "" {
		err = exchange.ExportWorkbook(v.ctx, p.db, v.who, file)
	} else {
		name, media = kind+".csv", "text/csv; charset=utf-8"
		err = exchange.ExportCSV(v.ctx, p.db, v.who, kind, file)
	}
	if err != nil {
		return err
	}
	size, err := file.Seek(0, io.SeekCurrent)
	if err == nil {
		_, err = file.Seek(0, io.SeekStart)
	}
	if err != nil {
		return err
	}
	v.c.DataFromReader(http.StatusOK, size, media, file, map[string]string{"Content-Disposition": "attachment; filename=" + strconv.Quote(name)})
	return nil
}
