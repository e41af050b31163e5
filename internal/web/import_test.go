package web_test

import (
	"net/url"
	"strings"
	"testing"
	"time"

	"golang.org/x/net/html"

	"spindlebook/internal/access"
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
