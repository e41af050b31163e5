package digest

import (
	"bytes"
	"cmp"
	"context"
	"embed"
	"fmt"
	htmltemplate "html/template"
	"slices"
	"strings"
	texttemplate "text/template"
	"time"

	"github.com/google/uuid"

	"spindlebook/internal/access"
	"spindlebook/internal/assets/meters"
	"spindlebook/internal/calendar"
	"spindlebook/internal/parts/stock"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pm"
	"spindlebook/internal/pm/failure"
	"spindlebook/internal/pm/visits"
)

// Letter is what stands in a letter.
type Letter struct {
	Name     string
	Day      string // "Monday 30 November 2026"
	Zone     string
	Sections []Section
}

// Section is one matter of it.
type Section struct {
	Title string
	Lines []Line
	More  string // "and 12 more"
	Path  string // where all of it stands

	danger bool // somebody can be hurt
}

// Line is one thing, and where it stands.
type Line struct {
	Says string
	Path string
}

// most is how many things of a matter are named.
const most = 10

// The days that are looked at.
const (
	daysOfManager = 3
	daysOfGoing   = 1
	daysOfOwner   = 14
	daysOfClerk   = 3
)

// Compose writes what presses for an actor at this time. last is when their letter before was
// written, nil where there was none.
func Compose(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, last *time.Time, zone *time.Location) (Letter, error) {
	l := Letter{Name: who.Name, Day: now.In(zone).Format("Monday 2 January 2006"), Zone: zone.String()}
	today := calendar.DateOf(now.In(zone))
	var parts []func() (Section, error)
	switch {
	case who.May(access.Plan):
		parts = append(parts, func() (Section, error) { return notReady(ctx, db, who, now, today) }, func() (Section, error) { return late(ctx, db, who) },
			func() (Section, error) { return faults(ctx, db, who, now) }, func() (Section, error) { return quiet(ctx, db, who, now, zone) })
	case who.May(access.RecordWork):
		parts = append(parts, func() (Section, error) { return coming(ctx, db, who, today, daysOfGoing, &who.ID) })
	case who.May(access.MoveStock):
		parts = append(parts, func() (Section, error) { return lateOrders(ctx, db, who, now) }, func() (Section, error) { return toSetAside(ctx, db, who, today) },
			func() (Section, error) { return openCounts(ctx, db, who, now) }, func() (Section, error) { return differences(ctx, db, who) })
	default:
		parts = append(parts, func() (Section, error) { return coming(ctx, db, who, today, daysOfOwner, nil) },
			func() (Section, error) { return done(ctx, db, who, now, last) }, func() (Section, error) { return faults(ctx, db, who, now) })
	}
	for _, part := range parts {
		s, err := part()
		if err != nil {
			return l, err
		}
		if len(s.Lines) > 0 {
			l.Sections = append(l.Sections, s)
		}
	}
	slices.SortStableFunc(l.Sections, func(a, b Section) int { // where somebody can be hurt comes before all else
		switch {
		case a.danger == b.danger:
			return 0
		case a.danger:
			return -1
		}
		return 1
	})
	return l, nil
}

// Empty tells that there is nothing to tell.
func (l Letter) Empty() bool { return len(l.Sections) == 0 }

// Subject says in one line what presses.
func (l Letter) Subject() string {
	var all []string
	for _, s := range l.Sections {
		all = append(all, strings.ToLower(s.Title[:1])+s.Title[1:])
	}
	return l.Day + ": " + strings.Join(all, ", ")
}

// cut keeps the first few of a matter and says how many more there are.
func cut(s Section, more bool) Section {
	if len(s.Lines) > most {
		s.Lines, more = s.Lines[:most], true
	}
	if more {
		s.More = "and more"
	}
	return s
}

// when says when a visit is, local to its site.
func when(v visits.Visit) string {
	at := v.Location()
	zone, _ := v.StartsAt.In(at).Zone()
	return v.OnDate.Format("Mon 2 Jan") + ", " + v.StartsAt.In(at).Format("15:04") + " to " + v.EndsAt.In(at).Format("15:04") + " " + zone
}

func notReady(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, today calendar.Date) (Section, error) {
	s := Section{Title: "Visits that cannot go", Path: "/visits"}
	type bad struct {
		visits.Visit
		visits.Ready
	}
	var all []bad
	// day by day, no more are read than the letter names: a day that was begun is read to its
	// end, since its visits are listed in no order of their hours
	for after := ""; ; {
		some, err := visits.List(ctx, db, who, visits.Filter{State: visits.Planned, From: today, Until: today + daysOfManager}, visits.Page{After: after, Limit: visits.MostJudged})
		if err != nil {
			return s, err
		}
		ready, err := visits.Readiness(ctx, db, who, now, some)
		if err != nil {
			return s, err
		}
		for i, r := range ready {
			if r.Verdict != "go" && r.Verdict != "go after work" {
				all = append(all, bad{some[i], r})
			}
		}
		if len(some) < visits.MostJudged {
			break
		}
		last := some[len(some)-1]
		if len(all) > most && all[most].OnDate.Before(last.OnDate) {
			break
		}
		after = last.Key()
	}
	slices.SortStableFunc(all, func(a, b bad) int {
		return cmp.Or(a.OnDate.Compare(b.OnDate), a.StartsAt.Compare(b.StartsAt))
	})
	for _, v := range all {
		s.Lines = append(s.Lines, Line{when(v.Visit) + ", " + v.SiteCode + " " + v.SiteName + ": " + v.Verdict + ". " + v.Says, "/visits/" + v.VisitID.String()})
	}
	return cut(s, false), nil
}

func late(ctx context.Context, db *pgdb.DB, who access.Actor) (Section, error) {
	s := Section{Title: "Late work", Path: "/"}
	all, err := pm.Worst(ctx, db, who, pm.ItemFilter{Pressing: true}, 0, most+1)
	for _, it := range all {
		if it.State != "late" {
			continue
		}
		where := it.SiteCode
		if it.PositionCode != "" {
			where += " " + it.PositionCode
		} else if it.LineCode != "" {
			where += " " + it.LineCode
		}
		path := "/"
		if it.SiteID != nil {
			path = "/sites/" + it.SiteID.String() + "/due"
		}
		says := where + ": " + it.Title
		if it.LatestOn != nil {
			says += ", to be done by " + it.LatestOn.Format("2 January 2006")
		}
		if it.Criticality == "S" {
			says += " (safety or the law)"
		}
		s.Lines = append(s.Lines, Line{says, path})
	}
	return cut(s, false), err
}

func faults(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time) (Section, error) {
	s := Section{Title: "Faults that stand", Path: "/faults"}
	all, err := failure.Standing(ctx, db, who, failure.Filter{}, most+1)
	s.danger = len(all) > 0 && all[0].Danger
	for _, f := range all {
		where := f.SiteCode + " " + f.SiteName
		if f.PositionCode != nil {
			where += ", " + *f.PositionCode
		}
		says := where + ": " + f.Says + ". Since " + lasted(f.Lasted(now))
		if f.Danger {
			says = "Somebody can be hurt: " + says
		}
		s.Lines = append(s.Lines, Line{says, "/faults/" + f.ID.String()})
	}
	return cut(s, false), err
}

func lasted(d time.Duration) string {
	if h := int(d.Hours()); h < 48 {
		return fmt.Sprintf("%d h", h)
	}
	return fmt.Sprintf("%d days", int(d.Hours()/24))
}

func quiet(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, zone *time.Location) (Section, error) {
	s := Section{Title: "Counters that nobody has read for long", Path: "/counters/quiet"}
	all, err := meters.Quiet(ctx, db, who, now, nil, access.Page{Limit: most + 1})
	for _, m := range all {
		says := m.Code
		if m.LastAt != nil {
			says += ", read last on " + m.LastAt.In(zone).Format("2 January 2006")
		} else {
			says += ", never read"
		}
		s.Lines = append(s.Lines, Line{says, "/meters/" + m.ID.String()})
	}
	return cut(s, false), err
}

func coming(ctx context.Context, db *pgdb.DB, who access.Actor, today calendar.Date, days calendar.Date, person *uuid.UUID) (Section, error) {
	s := Section{Title: "Visits to come", Path: "/visits"}
	if person != nil {
		s.Title, s.Path = "Your visits", "/today"
	}
	var all []visits.Visit
	for _, state := range []string{visits.UnderWay, visits.Planned} {
		some, err := visits.List(ctx, db, who, visits.Filter{PersonID: person, State: state, From: today, Until: today + days}, visits.Page{Limit: most + 1})
		if err != nil {
			return s, err
		}
		all = append(all, some...)
	}
	slices.SortStableFunc(all, func(a, b visits.Visit) int { return a.StartsAt.Compare(b.StartsAt) })
	for _, v := range all {
		says := when(v) + ", " + v.SiteCode + " " + v.SiteName
		switch v.Tasks {
		case 0:
		case 1:
			says += ": one job"
		default:
			says += fmt.Sprintf(": %d jobs", v.Tasks)
		}
		s.Lines = append(s.Lines, Line{says, "/visits/" + v.ID.String()})
	}
	return cut(s, false), nil
}

func done(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, last *time.Time) (Section, error) {
	s := Section{Title: "Done since the last letter", Path: "/sites"}
	if last == nil {
		s.Title, last = "Done since yesterday", new(now.Add(-24*time.Hour))
	}
	all, err := pm.Histories(ctx, db, who, pm.HistoryFilter{TakenSince: last}, pm.Page{Limit: most + 1})
	for _, h := range all {
		where := h.PositionCode
		if where == "" {
			where = h.LineCode
		}
		says := h.Title
		if where != "" {
			says = where + ": " + says
		}
		path := "/sites"
		if h.SiteID != nil {
			path = "/sites/" + h.SiteID.String()
		}
		s.Lines = append(s.Lines, Line{says, path})
	}
	return cut(s, false), err
}

// What is late by the day that the supplier named last.
func lateOrders(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time) (Section, error) {
	s := Section{Title: "Orders that are late", Path: "/orders"}
	all, err := stock.Orders(ctx, db, who, now, stock.OrderFilter{Late: true}, stock.Page{Limit: most + 1})
	for _, o := range all {
		says := fmt.Sprintf("%s from %s for %s: ", o.Number, o.Supplier, o.Location)
		if o.Late == 1 {
			says += "one line is"
		} else {
			says += fmt.Sprintf("%d lines are", o.Late)
		}
		s.Lines = append(s.Lines, Line{says + " past the promised day", "/orders/" + o.ID.String()})
	}
	return cut(s, false), err
}

// What is promised to work of the next days and lies with everything else still.
func toSetAside(ctx context.Context, db *pgdb.DB, who access.Actor, today calendar.Date) (Section, error) {
	s := Section{Title: "Parts to set aside", Path: "/claims"}
	all, err := stock.Claims(ctx, db, who, stock.ClaimFilter{State: new("open"), Until: new((today + daysOfClerk).String())}, stock.Page{Limit: most + 1})
	for _, c := range all {
		day, err := time.Parse(time.DateOnly, c.NeededOn)
		if err != nil {
			return s, err
		}
		s.Lines = append(s.Lines, Line{fmt.Sprintf("%s: %s %s of %s for %s", day.Format("Mon 2 Jan"), c.Amount, c.MeasuredIn, c.PartNumber, c.Purpose), "/claims"})
	}
	return cut(s, false), err
}

func openCounts(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time) (Section, error) {
	s := Section{Title: "Counts that are open", Path: "/counts"}
	all, err := stock.Counts(ctx, db, who, true, stock.Page{Limit: most + 1})
	for _, c := range all {
		s.Lines = append(s.Lines, Line{fmt.Sprintf("Count %d of %s, begun by %s %s ago", c.Number, c.Location, c.OpenedBy, lasted(now.Sub(c.OpenedAt))), "/counts/" + c.ID.String()})
	}
	return cut(s, false), err
}

func differences(ctx context.Context, db *pgdb.DB, who access.Actor) (Section, error) {
	s := Section{Title: "Differences that nobody has settled", Path: "/differences"}
	all, err := stock.Doubts(ctx, db, who, true, stock.Page{Limit: most + 1})
	for _, d := range all {
		where := d.Location
		if where != "" {
			where += ", "
		}
		s.Lines = append(s.Lines, Line{where + d.PartNumber + ": " + d.Says, "/differences"})
	}
	return cut(s, false), err
}

//go:embed letter.txt letter.html
var looks embed.FS

var (
	plain = texttemplate.Must(texttemplate.ParseFS(looks, "letter.txt"))
	paged = htmltemplate.Must(htmltemplate.ParseFS(looks, "letter.html"))
)

// write gives a letter as plain text and as a page.
func (l Letter) write(public func(path string) string) (text, page string, err error) {
	in := struct {
		Letter
		Leave string
	}{l, public("/account/letters")}
	in.Sections = nil
	for _, s := range l.Sections {
		to := Section{Title: s.Title, More: s.More, Path: public(s.Path)}
		for _, line := range s.Lines {
			to.Lines = append(to.Lines, Line{oneLine(line.Says), public(line.Path)})
		}
		in.Sections = append(in.Sections, to)
	}
	var t, h bytes.Buffer
	if err := plain.Execute(&t, in); err != nil {
		return "", "", err
	}
	err = paged.Execute(&h, in)
	return t.String(), h.String(), err
}

// oneLine keeps what people wrote from looking like another thing of the list.
func oneLine(s string) string { return strings.Join(strings.Fields(s), " ") }
