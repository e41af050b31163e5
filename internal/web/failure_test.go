package web_test

import (
	"regexp"
	"strings"
	"testing"
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
	for _, want := range []string{"Fault 1", "the line washes without it", "Taken down by Gil Moor", "Nobody has said yet", "due 20"} {
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
