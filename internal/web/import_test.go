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
