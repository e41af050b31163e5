package web

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/fault"
	"spindlebook/internal/parts/stock"
)

type countList struct {
	Rows  []countRow
	Open  bool
	Count bool
	More  string
	Tabs  []nav
}

type countRow struct {
	stock.Count
	Clock clock
}

// Words say how the count stands.
func (r countRow) Words() string {
	if r.State == "open" && r.Blind {
		return "open, blind"
	}
	return r.State
}

func (p *pages) counts(v visit) error {
	if err := v.who.Must(access.SeeInternal); err != nil {
		return err
	}
	g := countList{Open: v.c.Query("all") == "", Count: v.may(access.MoveStock), Tabs: stockTabs(v, "/counts")}
	after := v.c.Query("after")
	if _, err := strconv.ParseInt(after, 10, 64); after != "" && err != nil {
		return fault.Missing("count", after)
	}
	all, err := stock.Counts(v.ctx, p.db, v.who, g.Open, stock.Page{After: after, Limit: perPage + 1})
	if err != nil {
		return err
	}
	if len(all) > perPage {
		all = all[:perPage]
		g.More = "/counts?after=" + strconv.FormatInt(all[perPage-1].Number, 10)
		if !g.Open {
			g.More += "&all=yes"
		}
	}
	for _, c := range all {
		g.Rows = append(g.Rows, countRow{c, clock{v.now, time.UTC}})
	}
	return p.ok(v, "counts", "Counts", g)
}

func (p *pages) newCountSheet(v visit) (*sheet, error) {
	if err := v.who.Must(access.MoveStock); err != nil {
		return nil, err
	}
	places, err := p.placeOptions(v, "warehouse", "van", "site_shelf", "bench", "quarantine", "returns", "in_transit")
	s := &sheet{Title: "Count a place", Verb: "Begin the count", Cancel: "/counts", Crumbs: append(slices.Clone(shelfCrumbs), crumb{"/counts", "Counts"}),
		Lead: "What is moved while the count runs does no harm: each line is held against the record as it was when it was seen.",
		Fields: []*field{
			{Name: "location_id", Label: "Place", Kind: "choice", Options: places},
			{Name: "blind", Label: "Blind: whoever counts is not told what the record says", Kind: "check", Optional: true, Value: "yes"},
			{Name: "part", Label: "One part alone", Short: "The part", Optional: true, Hint: "Blank counts all that lies there on record."},
		}}
	if at := v.c.Query("location"); slices.ContainsFunc(places, func(o option) bool { return o.Value == at }) {
		s.fill(map[string]string{"location_id": at})
	}
	return s, err
}

func (p *pages) beginCount(v visit, s *sheet) (string, error) {
	at := s.id("location_id")
	var only []uuid.UUID
	if s.get("part") != "" {
		id, err := p.whichPart(v, s, "part")
		if err != nil {
			return "", err
		}
		only = append(only, id)
	}
	if len(s.Mend) > 0 {
		return "", nil
	}
	c, err := once(p, v, s, func(tx *gorm.DB) (stock.Count, error) {
		return stock.OpenCount(tx, v.who, v.now, *at, s.checked("blind"), only)
	})
	return "/counts/" + c.ID.String(), err
}

type countPage struct {
	countRow
	Rows []countLine
	May  bool
	Left int // lines that nobody has counted
	Agn  int // that a second person must count
}

type countLine struct {
	stock.CountLine
	Told bool // what the record says may be shown
}

// Seen says what was counted, the second time where there was one.
func (l countLine) Seen() string {
	switch {
	case l.Second != nil:
		return l.Second.String()
	case l.First != nil:
		return l.First.String()
	}
	return ""
}

// Differs says by how much what was seen differs from the record.
func (l countLine) Differs() string {
	seen := l.First
	if l.Second != nil {
		seen = l.Second
	}
	if !l.Told || seen == nil || l.Expected == nil || *seen == *l.Expected {
		return ""
	}
	if d := *seen - *l.Expected; d > 0 {
		return d.String() + " more"
	}
	return (*l.Expected - *seen).String() + " fewer"
}

func (p *pages) countOf(v visit) (stock.Count, error) {
	id, err := idOf(v, "id", "count")
	if err == nil {
		err = v.who.Must(access.SeeInternal)
	}
	if err != nil {
		return stock.Count{}, err
	}
	return stock.OneCount(v.ctx, p.db, v.who, v.now, id)
}

func (p *pages) count(v visit) error {
	c, err := p.countOf(v)
	if err != nil {
		return err
	}
	g := countPage{countRow: countRow{c, clock{v.now, time.UTC}}, May: v.may(access.MoveStock) && c.State == "open"}
	for _, l := range c.Lines {
		g.Rows = append(g.Rows, countLine{l, l.Expected != nil})
		if l.FirstAt == nil {
			g.Left++
		}
		if l.Again {
			g.Agn++
		}
	}
	return p.ok(v, "count", fmt.Sprintf("Count %d", c.Number), g)
}

// countSheet begins a form about a count.
func (p *pages) countSheet(v visit, title, verb string) (*sheet, stock.Count, error) {
	if err := v.who.Must(access.MoveStock); err != nil {
		return nil, stock.Count{}, err
	}
	c, err := p.countOf(v)
	at := "/counts/" + c.ID.String()
	return &sheet{Title: title, Over: fmt.Sprintf("Count %d of %s", c.Number, c.Location), Verb: verb, Cancel: at,
		Crumbs: append(slices.Clone(shelfCrumbs), crumb{"/counts", "Counts"}, crumb{at, fmt.Sprintf("Count %d", c.Number)}), about: c, Version: c.Version}, c, err
}

// enterCountSheet asks for each line what is seen: an amount, or the tags of units.
func (p *pages) enterCountSheet(v visit) (*sheet, error) {
	s, c, err := p.countSheet(v, "Enter what is seen", "Keep what was counted")
	if err != nil {
		return nil, err
	}
	s.Lead = "Leave blank what you did not look at; 0 says that you looked and there is none. What differs by more than it may is counted again, by somebody else."
	sent, err := posted(v)
	if err != nil {
		return nil, err
	}
	for _, l := range c.Lines {
		name := "n_" + l.ID.String()
		switch { // one that is sent again asks what it asked
		case sent != nil && !sent.Has(name):
			continue
		case sent != nil:
		case l.Second != nil, l.FirstAt != nil && !l.Again && *l.FirstBy != v.who.ID, l.Again && *l.FirstBy == v.who.ID:
			continue // it is settled, or somebody else's turn
		}
		f := &field{Name: name, Label: l.PartNumber + " " + l.PartDescription, Short: l.PartNumber, Optional: true, Kind: "number", Hint: "In " + l.MeasuredIn}
		if l.Lot != "" {
			f.Hint = "Lot " + l.Lot + ", in " + l.MeasuredIn
		}
		if l.Owner == stock.Customers {
			f.Hint += ", the customer's own"
		} else if l.Owner == stock.Consigned {
			f.Hint += ", on consignment"
		}
		if l.Tracking == "unit" {
			f.Kind, f.Most, f.Hint = "area", 4000, "Read or scan each tag, one line a unit. A hyphen says that there is none."
		}
		if l.Again {
			f.Hint += ". It differs: count it again."
		}
		// what was seen is not shown: it would be copied, and sent again it would be of another hour
		if l.FirstAt != nil && !l.Again {
			f.Hint += ". You have counted it: leave it blank where that holds."
		}
		s.Fields = append(s.Fields, f)
	}
	s.Fields = append(s.Fields,
		&field{Name: "part", Fold: "Something lies here that is not on the list", Label: "Part", Short: "The part", Optional: true},
		&field{Name: "lot", Label: "Lot", Short: "The lot", Optional: true, Most: 64},
		&field{Name: "amount", Label: "How much, or the tags of the units", Short: "The amount", Kind: "area", Most: 4000, Optional: true},
		&field{Name: "at", FoldEnd: true, Label: "When it was seen", Short: "The time", Kind: "moment", Optional: true, Hint: "Blank is now. Times are UTC. Holds for all that is entered here."})
	s.at = time.UTC
	return s, nil
}

func (p *pages) enterCount(v visit, s *sheet) (string, error) {
	c := s.about.(stock.Count)
	at := s.moment("at")
	var in []stock.Counted
	var of []string
	for _, l := range c.Lines {
		f := s.field("n_" + l.ID.String())
		if f == nil || f.Value == "" {
			continue
		}
		id := l.ID
		n := stock.Counted{LineID: &id, At: at}
		if l.Tracking == "unit" {
			n.Tags = tagsOf(f.Value)
		} else {
			n.Amount = s.amount(f.Name)
		}
		in, of = append(in, n), append(of, f.Name)
	}
	if s.get("part") != "" {
		id, err := p.whichPart(v, s, "part")
		if err != nil {
			return "", err
		}
		n := stock.Counted{PartID: id, Lot: s.get("lot"), At: at}
		kept, err := p.partOf(v, id)
		if id != uuid.Nil && err != nil {
			return "", err
		}
		if kept.Tracking == "unit" {
			n.Tags = tagsOf(s.get("amount"))
		} else {
			n.Amount = s.amount("amount")
		}
		in, of = append(in, n), append(of, "")
	} else if s.get("lot") != "" || s.get("amount") != "" {
		s.wrong("part", "is needed: what it is that was seen")
	}
	if len(in) == 0 && len(s.Mend) == 0 {
		s.wrong("", "nothing was counted: fill in at least one line")
	}
	if len(s.Mend) > 0 {
		return "", nil
	}
	_, err := once(p, v, s, func(tx *gorm.DB) (stock.Count, error) { return stock.EnterCount(tx, v.who, v.now, c.ID, in) })
	return "/counts/" + c.ID.String(), fault.Renamed(err, ofItem(func(i int, field string) string {
		switch {
		case of[i] != "":
			return of[i]
		case field == "part_id", field == "line_id":
			return "part"
		}
		return field
	}, len(of)))
}

// tagsOf reads tags, one line each; a hyphen alone is none.
func tagsOf(text string) (tags []string) {
	for _, t := range strings.Fields(text) {
		if t != "-" {
			tags = append(tags, t)
		}
	}
	return tags
}

func (p *pages) postCountSheet(v visit) (*sheet, error) {
	s, c, err := p.countSheet(v, "Post it", "Make the record what was seen")
	if err != nil {
		return nil, err
	}
	left := 0
	for _, l := range c.Lines {
		if l.FirstAt == nil {
			left++
		}
	}
	s.Lead = "The record becomes what was seen, as of when it was seen. Each difference goes to the list of differences, until somebody knows what it was."
	if left > 0 {
		s.Lead += fmt.Sprintf(" %s not counted and stay as they are.", plural(left, "line was", "lines were"))
	}
	return s, nil
}

func (p *pages) postCount(v visit, s *sheet) (string, error) {
	c := s.about.(stock.Count)
	_, err := once(p, v, s, func(tx *gorm.DB) (stock.Count, error) {
		c, _, err := stock.PostCount(tx, v.who, v.now, c.ID, s.Version)
		return c, err
	})
	return "/counts/" + c.ID.String(), err
}

func (p *pages) cancelCountSheet(v visit) (*sheet, error) {
	s, _, err := p.countSheet(v, "Cancel the count", "Cancel it")
	if err == nil {
		s.Grave, s.Lead = true, "Nothing of it reaches the record; what was entered stays visible."
	}
	return s, err
}

func (p *pages) cancelCount(v visit, s *sheet) (string, error) {
	c := s.about.(stock.Count)
	_, err := once(p, v, s, func(tx *gorm.DB) (stock.Count, error) { return stock.CancelCount(tx, v.who, v.now, c.ID, s.Version) })
	return "/counts/" + c.ID.String(), err
}

var differenceWords = map[string]string{"used_not_on_record": "used, and not on record there", "counted_short": "counted short", "counted_over": "counted over", "used_set_aside": "used, though set aside for others",
	"used_expired": "used after its last day", "received_damaged": "arrived damaged", "received_short": "came short", "unit_missing": "unit not seen", "unit_elsewhere": "unit seen elsewhere", "unit_unknown": "tag that nobody knows"}

type differenceList struct {
	Rows []differenceRow
	Open bool
	May  bool
	More string
	Tabs []nav
}

type differenceRow struct {
	stock.Doubt
	Clock clock
}

// Words say what kind of difference it is.
func (r differenceRow) Words() string {
	if w, ok := differenceWords[r.Kind]; ok {
		return w
	}
	return plainWord(r.Kind)
}

func (p *pages) differences(v visit) error {
	if err := v.who.Must(access.SeeInternal); err != nil {
		return err
	}
	g := differenceList{Open: v.c.Query("all") == "", May: v.may(access.MoveStock), Tabs: stockTabs(v, "/differences")}
	after := v.c.Query("after")
	if _, err := uuid.Parse(after); after != "" && err != nil {
		return fault.Missing("difference", after)
	}
	all, err := stock.Doubts(v.ctx, p.db, v.who, g.Open, stock.Page{After: after, Limit: perPage + 1})
	if err != nil {
		return err
	}
	if len(all) > perPage {
		all = all[:perPage]
		g.More = "/differences?after=" + all[perPage-1].ID.String()
		if !g.Open {
			g.More += "&all=yes"
		}
	}
	for _, d := range all {
		g.Rows = append(g.Rows, differenceRow{d, clock{v.now, time.UTC}})
	}
	return p.ok(v, "differences", "Differences", g)
}

func (p *pages) settleSheet(v visit) (*sheet, error) {
	if err := v.who.Must(access.MoveStock); err != nil {
		return nil, err
	}
	id, err := idOf(v, "id", "difference")
	if err != nil {
		return nil, err
	}
	d, err := stock.OneDoubt(v.ctx, p.db, v.who, id)
	if err != nil {
		return nil, err
	}
	places, err := p.placeOptions(v, "warehouse", "van", "site_shelf", "bench", "quarantine", "returns", "in_transit")
	s := &sheet{Title: "Settle a difference", Over: d.PartNumber + ", " + differenceRow{Doubt: d}.Words(), Lead: sentence(d.Says), Verb: "Settle it", Cancel: "/differences",
		Crumbs: append(slices.Clone(shelfCrumbs), crumb{"/differences", "Differences"}), about: d}
	where := &field{Name: "found_at", Label: "Where they were found", Short: "The place", Kind: "choice", Optional: true, Options: append([]option{{"", "Nowhere: they are gone for good, or never were"}}, places...)}
	if d.Kind == "used_not_on_record" || d.Kind == "counted_over" {
		where.Label, where.Options[0].Name = "Where they had been all along", "Nobody knows: the record was wrong"
	}
	if d.Kind == "used_not_on_record" || d.Kind == "counted_short" || d.Kind == "counted_over" {
		s.Fields = append(s.Fields, where)
	}
	s.Fields = append(s.Fields, &field{Name: "how", Label: "What it was", Short: "What it was", Kind: "area", Most: 500, Hint: "Such as: booked to the wrong van; a box of 50 received as 1."})
	return s, err
}

func (p *pages) settle(v visit, s *sheet) (string, error) {
	d := s.about.(stock.Doubt)
	in := stock.Settling{How: s.get("how")}
	if s.field("found_at") != nil {
		in.FoundAt = s.id("found_at")
	}
	if len(s.Mend) > 0 {
		return "", nil
	}
	_, err := once(p, v, s, func(tx *gorm.DB) (bool, error) { return true, stock.Settle(tx, v.who, v.now, d.ID, in) })
	return "/differences", err
}
