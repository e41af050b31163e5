package web_test

import (
	"regexp"
	"strings"
	"testing"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/calendar"
	"spindlebook/internal/parts"
	"spindlebook/internal/parts/amount"
	"spindlebook/internal/parts/stock"
	"spindlebook/internal/pm/failure"
	"spindlebook/internal/pm/visits"
)

var mark = regexp.MustCompile(`<[^>]*>`)

// bare gives what a page says, without its markup.
func bare(body string) string {
	return strings.Join(strings.Fields(mark.ReplaceAllString(plain(body), " ")), " ")
}

// A fault is reported by site staff on a page without a script, seen by whoever
// has the site and nobody else, found out, held and restored.
func TestAFaultFromReportToRepair(t *testing.T) {
	t.Parallel()
	g := newGround(t)
	site := "/sites/" + g.site.ID.String()
	got := g.asStaff.fill(site+"/faults/new", map[string]string{"position": g.left.ID.String(), "says": "It wobbles & squeals", "effect": "parked", "caller": "", "noticed": "2026-11-24T08:00", "stopped": "2026-11-24T08:10"})
	at := got.head.Get("Location")
	if got.status != 303 || !strings.HasPrefix(at, "/faults/") {
		t.Fatalf("%d %s %s", got.status, at, bare(got.body))
	}
	for name, v := range map[string]*visitor{"manager": g.asManager, "technician": g.asTech, "owner": g.asOwner, "staff": g.asStaff} {
		for _, path := range []string{"/faults", "/faults?all=yes", at} {
			if page := v.get(path); page.status != 200 || !strings.Contains(bare(page.body), "It wobbles & squeals") {
				t.Errorf("%s sees at %s: %d %s", name, path, page.status, bare(page.body))
			}
		}
	}
	body := bare(g.asOwner.get(at).body)
	for _, want := range []string{"Fault 1", "the line washes without it", "Taken down by Gil Moor", "Nobody has said yet", "due 2 Dec 2026"} {
		if !strings.Contains(body, want) {
			t.Errorf("the page lacks %q: %s", want, body)
		}
	}
	// bad input comes back with what to mend
	for _, c := range []struct {
		path, want string
		fill       map[string]string
	}{
		{site + "/faults/new", "must not be blank", map[string]string{"says": " "}},
		{site + "/faults/new", "must not lie ahead", map[string]string{"says": "x", "noticed": "2126-11-24T08:00"}},
		{at + "/hold", "is a day from today", map[string]string{"says": "strap", "until": "2020-01-01"}},
		{at + "/restored", "does not lie before", map[string]string{"restored": "2026-11-24T08:05", "stopped": "2026-11-24T08:10"}},
		{at + "/withdraw", "must not be blank", map[string]string{"reason": ""}},
	} {
		if got := g.asStaff.fill(c.path, c.fill); got.status != 422 || !strings.Contains(bare(got.body), c.want) {
			t.Errorf("%s %v: %d %s", c.path, c.fill, got.status, bare(got.body))
		}
	}
	for path, fill := range map[string]map[string]string{
		at + "/finding":  {"mode": "FM-008", "mechanism": "looseness", "cause": "maintenance", "note": "two screws"},
		at + "/restored": {"restored": "2026-11-24T09:40", "remedy": "screws torqued", "payer": "agreement"},
	} {
		if got := g.asTech.fill(path, fill); got.status != 303 {
			t.Errorf("%s: %d %s", path, got.status, bare(got.body))
		}
	}
	body = bare(g.asOwner.get(at).body)
	for _, want := range []string{"Clamp hub: screws have lost tension", "cause: maintenance", "stood 1 h 30 min", "the agreement", "From noticed to restored: 1 h 40 min"} {
		if !strings.Contains(body, want) {
			t.Errorf("the page lacks %q: %s", want, body)
		}
	}
	if body := bare(g.asStaff.get("/faults").body); !strings.Contains(body, "Nothing stands") {
		t.Errorf("the list says %s", body)
	}
	// one that was none stands on its own page, and not among what happened at the brush
	got = g.asStaff.fill(site+"/faults/new", map[string]string{"position": g.left.ID.String(), "says": "It hums", "effect": "none", "caller": "", "noticed": "2026-11-24T11:00"})
	brush, none := "/positions/"+g.left.ID.String(), got.head.Get("Location")
	if page := g.asTech.get(brush); !strings.Contains(page.body, "Fault: It hums") || !strings.Contains(page.body, "Fault: It wobbles") {
		t.Errorf("%d, the times do not show both: %s", got.status, bare(got.body))
	}
	if got := g.asTech.fill(none+"/withdraw", map[string]string{"reason": "it was the dryer"}); got.status != 303 {
		t.Fatalf("%d %s", got.status, bare(got.body))
	}
	if page := g.asTech.get(brush); strings.Contains(page.body, "Fault: It hums") || !strings.Contains(page.body, "Fault: It wobbles") {
		t.Error("a fault that was none is drawn")
	}
}

// Work ahead is there for whoever has sites, also where no plan fits anything yet.
func TestWorkAheadOfAnEmptyProgramme(t *testing.T) {
	t.Parallel()
	g := newGround(t)
	for name, v := range map[string]*visitor{"manager": g.asManager, "owner": g.asOwner} {
		page := v.get("/ahead")
		if page.status != 200 || !strings.Contains(page.body, "ribbon") || strings.Contains(page.body, g.other.ID.String()) != (name == "manager") {
			t.Errorf("%s: %d %s", name, page.status, bare(page.body))
		}
		sheet := v.get("/ahead.csv")
		if lines := strings.Split(strings.TrimSpace(sheet.body), "\n"); sheet.status != 200 || !strings.HasPrefix(lines[0], "site,monday,jobs") || len(lines) < 105 {
			t.Errorf("%s: %d, %d lines", name, sheet.status, len(lines))
		}
	}
}

// While a fault stands, whoever may send somebody reads who is out, how far away, and what of
// the parts that are fitted there lies in the van; the customer reads nothing of it.
func TestAFaultSaysWhoIsNear(t *testing.T) {
	t.Parallel()
	s := newShelves(t)
	write(t, s.db, func(tx *gorm.DB) (uuid.UUID, error) {
		if err := tx.Exec(`update site set latitude = 45.5 + case when id = ? then 0 else 0.1 end, longitude = -121.3`, s.site.ID).Error; err != nil {
			return uuid.Nil, err
		}
		return visits.Add(tx, access.System, now, visits.New{SiteID: s.ground.other.ID, Hours: visits.Hours{On: calendar.DateOf(now), Starts: "10:00", Minutes: 90}, VanID: &s.van.ID, People: []visits.Going{{PersonID: s.technician}}})
	})
	write(t, s.db, func(tx *gorm.DB) (bool, error) {
		_, err := parts.SetStocking(tx, access.System, s.motorPart.ID, s.motorPart.Version, parts.StockingEdit{MeasuredIn: "ea", BoughtIn: "ea", Pack: amount.One, Tracking: "unit"})
		if err != nil {
			return false, err
		}
		_, err = stock.ReceiveUnits(tx, access.System, now, []stock.NewUnit{{PartID: s.motorPart.ID, Serial: "77-1", To: s.van.ID, Reason: "first count"}})
		return true, err
	})
	f := write(t, s.db, func(tx *gorm.DB) (failure.Fault, error) {
		return failure.Add(tx, access.System, now, failure.New{SiteID: s.site.ID, PositionID: &s.left.ID, Edit: failure.Edit{Says: "it hums and stands", Detected: "operator", Before: "up", LineEffect: "down", Payer: "not_said"}})
	})
	at := "/faults/" + f.ID.String()
	visitSays(t, "the brush as its owner sees it", s.asOwner.get("/positions/"+s.left.ID.String()), "Fault 1: it hums and stands, the line does not wash, for")
	// 0.1 degrees of a great circle are 11.12 km, times 1.3 for roads: 9 miles
	for _, who := range []*visitor{s.asManager, s.asTech} {
		visitSays(t, "the fault", who.get(at), "Who is near", "Imre Vasko V1 about 9 miles away, goes to PEL Express, 25 November 2026, 10:00 to 11:30 there. In the van: 1 ea MW-10110", "What work takes here")
	}
	for _, who := range []*visitor{s.asOwner, s.asStaff} {
		words := wordsOf(t, who.get(at).body)
		if strings.Contains(words, "Who is near") || strings.Contains(words, "PEL") || !strings.Contains(words, "it hums and stands") {
			t.Errorf("a customer reads %s", words)
		}
	}
}
