package web

import (
	"errors"
	"io"
	"net/http"
	"os"
	"strconv"
	"strings"

	"github.com/google/uuid"

	"spindlebook/internal/access"
	"spindlebook/internal/exchange"
	"spindlebook/internal/fault"
)

// listsPage takes lists about stock in, and gives them out.
type listsPage struct {
	*sheet
	Tabs   []nav
	Kinds  []option
	File   string
	Done   *exchange.GoodsDone
	Errors []fault.Part
	Counts []fault.Tally
	Told   string // of the file as a whole
	Wait   uuid.UUID
}

// Total counts what the list would add and change.
func (g listsPage) Total() int { return g.Done.Added + g.Done.Changed }

// Broken counts the errors, those that are not listed included.
func (g listsPage) Broken() (n int) {
	for _, c := range g.Counts {
		n += c.Count
	}
	return max(n, len(g.Errors))
}

var listWords = map[string]string{"catalogue": "how parts are counted and kept", "stock": "what was counted where", "orders": "orders to draft"}

func lists(v visit, s *sheet) listsPage {
	return listsPage{sheet: s, Tabs: stockTabs(v, "/stock"), Kinds: optionsIn(listWords, exchange.GoodsKinds()...)}
}

func (p *pages) listsSheet(v visit) (*sheet, error) {
	if err := v.who.Must(access.MoveStock); err != nil {
		return nil, err
	}
	var kinds []option
	for _, k := range exchange.GoodsKinds() {
		if k != "catalogue" || v.may(access.KeepCatalogue) {
			kinds = append(kinds, option{k, listWords[k]})
		}
	}
	return &sheet{Title: "Lists in and out", Verb: "Look at the list", look: "lists", Fields: []*field{
		{Name: "kind", Label: "What the list holds", Short: "The kind", Kind: "radio", Options: kinds},
		{Name: "file", Label: "Spreadsheet", Short: "The file", Kind: "table", Hint: "CSV, or the first sheet of an XLSX workbook that has the heads of an export; at most " + sizeWords(exchange.MaxFile) + "."},
		{Name: "dates", Label: "Dates such as 3/5/2027 are", Short: "The order", Kind: "choice", Optional: true,
			Options: []option{{"", "as the list itself shows"}, {exchange.DayFirst, "day first: 3 May"}, {exchange.MonthFirst, "month first: 5 March"}}},
	}}, nil
}

// tryList finds out what a list would do, and does nothing.
func (p *pages) tryList(v visit, s *sheet) (string, error) {
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
	g := lists(v, s)
	g.File = h.Filename
	how := exchange.Options{Kind: s.get("kind"), Dates: s.get("dates")}
	dry := how
	dry.DryRun = true
	status, err := http.StatusOK, p.runList(v, &g, up, dry)
	if err == nil && g.Done != nil {
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
	return "", p.show(v, status, "lists", s.Title, g)
}

// runList runs a list and takes down what came of it. An error that is not about the list
// comes back.
func (p *pages) runList(v visit, g *listsPage, up *exchange.Upload, o exchange.Options) error {
	done, err := exchange.ImportGoods(v.ctx, p.db, v.who, v.now, up, o)
	if err == nil {
		g.Done = &done
		return nil
	}
	f, ok := errors.AsType[*fault.Error](err)
	if !ok || f.Kind != fault.Invalid && f.Kind != fault.Malformed && f.Kind != fault.Conflict && f.Kind != fault.TooLarge {
		return err
	}
	g.Counts, g.Errors = f.Tallies, f.Parts
	if len(g.Errors) == 0 {
		g.Told = sentence(shownDetail(f))
	}
	return nil
}

// acceptList does what was looked at; the form's key makes sending it twice do it once.
func (p *pages) acceptList(v visit) error {
	s, err := p.listsSheet(v)
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
	g := lists(v, s)
	f, back, ok := p.waiting.take(id, v.who.ID, v.now)
	s.Key = uuid.NewString()
	if !ok {
		s.Mend = append(s.Mend, mend{Text: "The list waited too long and is gone. Choose it again; nothing was written."})
		return p.show(v, http.StatusConflict, "lists", s.Title, g)
	}
	defer back()
	g.File = f.name
	how := f.how
	how.Key = "page " + key.String()
	if err := p.runList(v, &g, f.up, how); err != nil {
		return err
	}
	status := http.StatusOK
	if g.Done == nil { // somebody was faster since the look at the list
		status = http.StatusConflict
	}
	return p.show(v, status, "lists", s.Title, g)
}

// listOut sends a list about stock, or all of them as a workbook.
func (p *pages) listOut(v visit) error {
	if err := v.who.Must(access.SeeInternal); err != nil {
		return err
	}
	kind := strings.TrimSuffix(v.c.Param("kind"), ".csv")
	file, err := os.CreateTemp("", "spindlebook-list-")
	if err != nil {
		return err
	}
	defer func() {
		_ = file.Close()
		_ = os.Remove(file.Name()) // the system's temporary folder is tidied anyway
	}()
	name, media := "stock.xlsx", "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
	if kind == "" {
		err = exchange.ExportGoods(v.ctx, p.db, v.who, file)
	} else {
		name, media = kind+".csv", "text/csv; charset=utf-8"
		err = exchange.ExportGoodsCSV(v.ctx, p.db, v.who, kind, file)
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
