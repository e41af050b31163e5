package web_test

import (
	"net/url"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"golang.org/x/net/html"

	"spindlebook/internal/access"
	"spindlebook/internal/pgdb"
)

var managing = access.NewGrant{Role: "manager"}

// acceptOf reads what the form that accepts a file would send.
func acceptOf(t *testing.T, body string) url.Values {
	t.Helper()
	values := url.Values{}
	walk(parse(t, body), func(n *html.Node) {
		if n.Data == "form" && attr(n, "action") == "/import/accept" {
			walk(n, func(f *html.Node) {
				if f.Data == "input" {
					values.Set(attr(f, "name"), attr(f, "value"))
				}
			})
		}
	})
	if values.Get("file") == "" {
		t.Fatal("nothing waits to be accepted")
	}
	return values
}

// A file is looked at, then accepted; until then nothing is written, and sent
// twice it is written once.
func TestImporting(t *testing.T) {
	s := newStore(t)
	rows := func() int { return s.count(t, "select count(*)::int as n from customer") }
	before := rows()
	try := func(file string) answer {
		return s.asManager.send("/import", s.asManager.form("/import"), "file", []byte(file))
	}
	got := try("customer,name\nNEW,New Wash\nOLD,Old Wash\n")
	if got.status != 200 || !strings.Contains(got.body, "Nothing is written yet") || !strings.Contains(got.body, "Write 2 rows into the register") {
		t.Fatalf("%d\n%s", got.status, got.body)
	}
	if rows() != before {
		t.Error("looking at it wrote something")
	}
	values := acceptOf(t, got.body)
	if other := s.as(t, s.person(t, "Second Manager", managing)).post("/import/accept", values); other.status != 409 || rows() != before {
		t.Errorf("somebody else accepts it: %d", other.status)
	}
	first, second := s.asManager.post("/import/accept", values), s.asManager.post("/import/accept", values)
	if first.status != 200 || second.status != 200 || !strings.Contains(first.body, "is in the register") || !strings.Contains(second.body, "is in the register") {
		t.Fatalf("%d, then %d\n%s", first.status, second.status, first.body)
	}
	if rows() != before+2 {
		t.Errorf("%d customers, then %d", before, rows())
	}
	if got := try("customer,name\nNEW,New Wash\n"); got.status != 200 || !strings.Contains(got.body, "on record already") {
		t.Errorf("the same again: %d", got.status)
	}

	got = try("customer,name\nbad code!,Wash\nFINE,\n")
	if got.status != 422 || !strings.Contains(got.body, "row 2") || !strings.Contains(got.body, "Nothing was written") || strings.Contains(got.body, "/import/accept") {
		t.Errorf("with errors: %d\n%s", got.status, got.body)
	}
	for _, file := range []string{"", "\x00\x01\x02", "nothing,that,is,known\n1,2,3,4\n"} {
		if got := try(file); got.status != 422 {
			t.Errorf("%q: %d", file, got.status)
		}
	}
	if got := s.asManager.send("/import", s.asManager.form("/import"), "file", nil); got.status != 422 || !strings.Contains(wrongs(t, got.body)["file"], "must be chosen") {
		t.Errorf("no file: %d", got.status)
	}

	values = acceptOf(t, try("customer,name\nLATE,Late Wash\n").body)
	s.now = now.Add(31 * time.Minute)
	if got := s.asManager.post("/import/accept", values); got.status != 409 || !strings.Contains(got.body, "waited too long") {
		t.Errorf("too late: %d", got.status)
	}
}

// A sheet of readings is looked at on the same page, told by its heads or by who
// sends it; rows that break a rule are told by row and column, what does not fit
// is told and waits, and nothing is written until somebody accepts it.
func TestImportingReadings(t *testing.T) {
	c := newCounted(t)
	rows := func() int { return c.count(t, "select count(*)::int as n from reading") }
	before := rows()
	try := func(who *visitor, file string) answer {
		return who.send("/import", who.form("/import"), "file", []byte(file))
	}
	sheet := "Counter;Seen at;Count\nUMB-1/TC;20.11.2026 18:00;97'400\nUMB-1/TC;22.11.2026 18:00;9'000\nUMB-1/SBL/H;2026-11-20 18:00;5574,0\n"
	for name, who := range map[string]*visitor{"the manager": c.asManager, "staff of the site": c.asStaff} {
		got := try(who, sheet)
		body := wordsOf(t, got.body)
		if got.status != 200 || !strings.Contains(body, "Nothing is written yet") || !strings.Contains(body, "new, and they count 2") || !strings.Contains(body, "what is behind them 1") || !strings.Contains(body, "Take 3 readings") {
			t.Fatalf("%s: %d\n%s", name, got.status, body)
		}
		if !strings.Contains(body, "row 3, value UMB-1/TC 9000 is less than before: 97,400 vehicles at 20 November 2026, 18:00") {
			t.Errorf("%s is not told what waits and why:\n%s", name, body)
		}
		if rows() != before {
			t.Fatalf("%s looked at it, and that wrote something", name)
		}
	}
	values := acceptOf(t, try(c.asStaff, sheet).body)
	first, second := c.asStaff.post("/import/accept", values), c.asStaff.post("/import/accept", values)
	if first.status != 200 || second.status != 200 || !strings.Contains(wordsOf(t, first.body), "are taken") || !strings.Contains(first.body, `href="/counters"`) {
		t.Fatalf("%d, then %d\n%s", first.status, second.status, first.body)
	}
	if rows() != before+3 || c.total(t, c.tunnel) != "97400" || c.total(t, c.hours) != "5574.0" {
		t.Errorf("%d readings, then %d; %s and %s", before, rows(), c.total(t, c.tunnel), c.total(t, c.hours))
	}
	if got := try(c.asStaff, sheet); got.status != 200 || !strings.Contains(got.body, "Everything in it is on record already") {
		t.Errorf("the same again: %d", got.status)
	}
	// a counter of another customer is one of nobody, and so is a number that is none
	got := try(c.asStaff, "meter,at,value\nPEL-1/TC,2026-11-20,25000\nUMB-1/TC,2026-11-24,many\nUMB-1/TC,2026-11-24,-3\n")
	body := wordsOf(t, got.body)
	if got.status != 422 || !strings.Contains(body, "3 cells need mending") || !strings.Contains(body, "row 2, meter PEL-1/TC names no meter") || !strings.Contains(body, "row 3, value many") ||
		strings.Contains(got.body, "/import/accept") || rows() != before+3 {
		t.Errorf("%d\n%s", got.status, body)
	}
	for file, says := range map[string]string{"": "the file is empty", "a,b\n1,2\n": "has the heads of readings", "PK\x03\x04nonsense": "cannot be read"} {
		if got := try(c.asStaff, file); got.status != 422 || !strings.Contains(strings.ToLower(wordsOf(t, got.body)), says) {
			t.Errorf("%q: %d\n%s", file, got.status, wordsOf(t, got.body))
		}
	}
	// who only reads counters brings no register in
	if got := try(c.asStaff, "customer,name\nNEW,New Wash\n"); got.status != 422 || c.count(t, "select count(*)::int as n from customer where code = 'NEW'") != 0 {
		t.Errorf("staff bring in a customer: %d", got.status)
	}
	values = c.asStaff.form("/import")
	values.Set("kind", "customers")
	if got := c.asStaff.send("/import", values, "file", []byte("customer,name\nNEW,New Wash\n")); got.status != 422 || c.count(t, "select count(*)::int as n from customer where code = 'NEW'") != 0 {
		t.Errorf("staff bring in a customer that they say is one: %d", got.status)
	}
	clerk := c.as(t, c.person(t, "Odile Brandvold", access.NewGrant{Role: "parts_clerk"}))
	if got := clerk.get("/import"); got.status != 403 {
		t.Errorf("who reads no counters: %d", got.status)
	}
	// what is seen ahead of time is quarantined
	if got := try(c.asManager, "meter,at,value\nUMB-1/TC,2027-01-01,99000\n"); got.status != 200 || !strings.Contains(wordsOf(t, got.body), "out of step 1") {
		t.Errorf("%d\n%s", got.status, wordsOf(t, got.body))
	}
}

// A messy workbook goes in as it came, and the site's pages read right.
func TestAMessyWorkbookGoesInByPage(t *testing.T) {
	s := newStore(t)
	file, err := os.ReadFile("../../testdata/sheets/onboarding.xlsx")
	if err != nil {
		t.Fatal(err)
	}
	got := s.asManager.send("/import", s.asManager.form("/import"), "file", file)
	if got.status != 200 || !strings.Contains(got.body, "leading zeros may be lost") {
		t.Fatalf("%d\n%s", got.status, got.body)
	}
	if got = s.asManager.post("/import/accept", acceptOf(t, got.body)); got.status != 200 {
		t.Fatalf("%d\n%s", got.status, got.body)
	}
	type row struct{ ID uuid.UUID }
	sites, err := pgdb.Read[row](t.Context(), s.db, access.System.ID, "select id from site where code = 'TANN'", nil)
	if err != nil || len(sites) != 1 {
		t.Fatalf("%d sites, %v", len(sites), err)
	}
	got = s.asManager.get("/sites/" + sites[0].ID.String() + "/fitted")
	for _, says := range []string{"Tannenhof Süd", "TH-001", "0004711", "since 3 May 2024", "TH-002", "since May 2023", "since 2021", "since before this record", "Europe/Berlin"} {
		if !strings.Contains(got.body, says) {
			t.Errorf("the page of the site does not say %q\n%s", says, got.body)
		}
	}
	if strings.Contains(got.body, "TH-007") {
		t.Error("a unit in the warehouse is shown as fitted")
	}
	broken, err := os.ReadFile("../../testdata/sheets/onboarding-broken.xlsx")
	if err != nil {
		t.Fatal(err)
	}
	if got = s.asManager.send("/import", s.asManager.form("/import"), "file", broken); got.status != 422 || !strings.Contains(got.body, "31.2.2019") {
		t.Errorf("with mistakes in it: %d\n%s", got.status, got.body)
	}
}

func TestExporting(t *testing.T) {
	s := newStore(t)
	got := s.asManager.get("/export/units")
	if got.status != 200 || !strings.Contains(got.body, s.spare.Tag) || !strings.HasPrefix(got.head.Get("Content-Type"), "text/csv") || got.head.Get("Content-Disposition") != `attachment; filename="units.csv"` {
		t.Errorf("%d %v", got.status, got.head)
	}
	if got = s.asOwner.get("/export/units"); got.status != 200 || strings.Contains(got.body, s.spare.Tag) || !strings.Contains(got.body, s.motor.Tag) {
		t.Errorf("an owner gets what is not theirs, or lacks what is: %d", got.status)
	}
	if got = s.asManager.get("/export"); got.status != 200 || !strings.HasPrefix(got.body, "PK") {
		t.Errorf("workbook: %d", got.status)
	}
	if got = s.asManager.get("/export/secrets"); got.status != 404 {
		t.Errorf("an unknown kind: %d", got.status)
	}
}
