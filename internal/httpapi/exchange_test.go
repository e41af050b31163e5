package httpapi_test

import (
	"bytes"
	"io"
	"net/http"
	"os"
	"strings"
	"testing"

	"github.com/getkin/kin-openapi/openapi3filter"
	"github.com/google/uuid"

	"spindlebook/internal/door"
	"spindlebook/internal/httpapi/gen"
)

const xlsx = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"

func init() {
	openapi3filter.RegisterBodyDecoder(xlsx, openapi3filter.FileBodyDecoder)
}

func asCSV() map[string]string { return map[string]string{"Content-Type": "text/csv"} }

func TestAnImportIsCheckedThenDoneOnce(t *testing.T) {
	s := newService(t)
	file := "\ufeffcustomer;name\nBRK;Brook Wash\nHAD;HAD Wash\n"
	var it gen.Import
	s.call(t, request{method: "POST", path: "/imports?dry_run=true", as: "manager", body: file, header: asCSV()}).want(t, 200).into(t, &it)
	if !it.DryRun || len(it.Sheets) != 1 || it.Sheets[0].Added != 1 || it.Sheets[0].Unchanged != 1 {
		t.Errorf("a dry run says %+v", it)
	}
	if a := s.call(t, request{method: "GET", path: "/exports/customers", as: "manager"}).want(t, 200); strings.Contains(string(a.body), "BRK") {
		t.Error("a dry run left something behind")
	}
	key := uuid.NewString()
	once := func(file string) answer {
		return s.call(t, request{method: "POST", path: "/imports", as: "manager", body: file, header: map[string]string{"Content-Type": "text/csv; charset=utf-8", "Idempotency-Key": key}})
	}
	was := once(file).want(t, 200)
	if again := once(file).want(t, 200); !bytes.Equal(was.body, again.body) {
		t.Errorf("a retry answers %s, the first answered %s", again.body, was.body)
	}
	once("customer;name\nBRK;Other\n").blames(t, 422, "Idempotency-Key")
	s.call(t, request{method: "POST", path: "/imports", as: "manager", body: file, header: asCSV()}).want(t, 200).into(t, &it)
	if it.Sheets[0].Added != 0 || it.Sheets[0].Unchanged != 2 {
		t.Errorf("the same file again: %+v", it)
	}
}

// A messy workbook goes in as it came, once; what is fitted then reads right.
func TestAMessyWorkbookGoesIn(t *testing.T) {
	s := newService(t)
	file, err := os.ReadFile("../../testdata/sheets/onboarding.xlsx")
	if err != nil {
		t.Fatal(err)
	}
	send := func() (it gen.Import) {
		s.call(t, request{method: "POST", path: "/imports", as: "manager", body: string(file), header: map[string]string{"Content-Type": xlsx}}).want(t, 200).into(t, &it)
		return it
	}
	added := func(it gen.Import) (n int) {
		for _, sheet := range it.Sheets {
			n += sheet.Added + sheet.Changed
		}
		return n
	}
	if first, again := added(send()), added(send()); first == 0 || again != 0 {
		t.Errorf("it wrote %d rows, and sent again %d", first, again)
	}
	var hits gen.Hits
	s.call(t, request{method: "GET", path: "/find?text=TANN-1/SBL-D", as: "manager"}).want(t, 200).into(t, &hits)
	if len(hits.Items) != 1 {
		t.Fatalf("found %+v", hits)
	}
	a := s.call(t, request{method: "GET", path: "/positions/" + hits.Items[0].Id.String() + "/fitted", as: "manager"}).want(t, 200)
	for _, says := range []string{`"0004711"`, `"TH-001"`, `"TH-003"`, `"TH-005"`} {
		if !strings.Contains(string(a.body), says) {
			t.Errorf("what is fitted does not say %s: %s", says, a.body)
		}
	}
}

func TestErrorsOfAnImportNameTheirCells(t *testing.T) {
	s := newService(t)
	a := s.call(t, request{method: "POST", path: "/imports", as: "manager", header: asCSV(),
		body: "unit tag;part;serial;start hours\nU-1;NOSUCH;0012;12,5\nU-2;;;many\n"})
	p := a.blames(t, 422, "units!B2")
	a.blames(t, 422, "units!D3")
	if !strings.Contains(p.Detail, "2 errors") {
		t.Errorf("detail is %q", p.Detail)
	}
	var whole gen.Problem
	a.into(t, &whole)
	for _, e := range *whole.Errors {
		if e.Field == "units!D3" && (val(e.Sheet) != "units" || val(e.Row) != 3 || val(e.Column) != "start hours" || val(e.Value) != "many" || val(e.Code) != "number") {
			t.Errorf("the cell is told as %+v", e)
		}
	}
	if whole.Counts == nil || len(*whole.Counts) != 2 {
		t.Errorf("counts are %+v", whole.Counts)
	}
}

func val[T any](p *T) (v T) {
	if p != nil {
		v = *p
	}
	return v
}

func TestWhatCannotBeImportedIsRefused(t *testing.T) {
	s := newService(t)
	for name, c := range map[string]struct {
		r      request
		status int
	}{
		"JSON":               {request{body: "{}"}, 415},
		"no type":            {request{body: "customer,name\nA,B\n", header: map[string]string{"Content-Type": ""}}, 415},
		"an empty file":      {request{body: "", header: asCSV()}, 400},
		"an unknown kind":    {request{path: "?kind=dogs", body: "customer,name\nA,B\n", header: asCSV()}, 422},
		"an unknown order":   {request{path: "?dates=ymd", body: "customer,name\nA,B\n", header: asCSV()}, 422},
		"no heads":           {request{body: "a,b\n1,2\n", header: asCSV()}, 422},
		"what is no zip":     {request{body: "PK\x03\x04 and no more", header: map[string]string{"Content-Type": xlsx}}, 400},
		"no idempotency key": {request{body: "customer,name\nA,B\n", header: map[string]string{"Content-Type": "text/csv", "Idempotency-Key": ""}}, 400},
	} {
		c.r.method, c.r.as, c.r.path = "POST", "manager", "/imports"+c.r.path
		if a := s.call(t, c.r); a.status != c.status {
			t.Errorf("%s: %d %s", name, a.status, a.body)
		}
	}
	for _, role := range []string{"technician", "parts_clerk", "owner", "site_staff", "gateway"} {
		s.call(t, request{method: "POST", path: "/imports", as: role, body: "customer,name\nA,B\n", header: asCSV()}).want(t, 403)
	}
}

// endless gives so many bytes of a table without holding them.
type endless struct{ left int64 }

func (e *endless) Read(p []byte) (int, error) {
	if e.left <= 0 {
		return 0, io.EOF
	}
	n := copy(p[:min(int64(len(p)), e.left)], strings.Repeat("A,B\n", len(p)/4+1))
	e.left -= int64(n)
	return n, nil
}

func TestAGigabyteIsRefused(t *testing.T) {
	s := newService(t)
	for name, size := range map[string]int64{"with its length": 1 << 30, "in chunks": -1} {
		req, err := http.NewRequest("POST", s.server.URL+door.APIPath+"/imports", &endless{1 << 30})
		if err != nil {
			t.Fatal(err)
		}
		req.ContentLength = size
		req.Header.Set("Authorization", "Bearer "+s.tokens["manager"])
		req.Header.Set("Content-Type", "text/csv")
		req.Header.Set("Idempotency-Key", uuid.NewString())
		res, err := http.DefaultClient.Do(req)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		body, err := io.ReadAll(res.Body)
		if err := res.Body.Close(); err != nil {
			t.Error(err)
		}
		if err != nil || res.StatusCode != http.StatusRequestEntityTooLarge || !strings.Contains(string(body), "67108864") {
			t.Errorf("%s: %d %s %v", name, res.StatusCode, body, err)
		}
	}
	// other operations keep the narrow bound
	s.call(t, request{method: "POST", path: "/customers", as: "manager", body: strings.Repeat(" ", maxBody+1)}).want(t, 413)
}

func TestAnOwnerExportsTheOwnSites(t *testing.T) {
	s := newService(t)
	a := s.call(t, request{method: "GET", path: "/exports/units", as: "owner"}).want(t, 200)
	if got := string(a.body); !strings.Contains(got, s.own.unit.Tag) || strings.Contains(got, s.other.unit.Tag) {
		t.Errorf("units of an owner: %s", got)
	}
	a = s.call(t, request{method: "GET", path: "/exports", as: "owner"}).want(t, 200)
	if !bytes.HasPrefix(a.body, []byte("PK\x03\x04")) || a.header.Get("Content-Type") != xlsx {
		t.Errorf("a workbook comes as %s", a.header.Get("Content-Type"))
	}
	// what one exports another may bring in: nothing changes
	var it gen.Import
	s.call(t, request{method: "POST", path: "/imports", as: "manager", body: string(a.body), header: map[string]string{"Content-Type": xlsx}}).want(t, 200).into(t, &it)
	for _, sheet := range it.Sheets {
		if sheet.Added+sheet.Changed > 0 {
			t.Errorf("%+v", sheet)
		}
	}
	s.call(t, request{method: "GET", path: "/exports/dogs", as: "manager"}).want(t, 422)
}

// A list about stock comes back as it went out, names the cells that are wrong, and is for
// those who move stock.
func TestListsAboutStock(t *testing.T) {
	s := newService(t)
	var it gen.StockListImport
	for _, kind := range []string{"catalogue", "stock", "orders"} {
		out := s.call(t, request{method: "GET", path: "/stock/lists/" + kind, as: "technician"}).want(t, 200)
		s.call(t, request{method: "POST", path: "/stock/lists/" + kind + "?dry_run=true", as: "manager", body: string(out.body), header: asCSV()}).want(t, 200).into(t, &it)
		if !it.DryRun || string(it.Kind) != kind || it.Added+it.Changed != 0 || it.Unchanged != it.Rows {
			t.Errorf("%s does not come back: %+v", kind, it)
		}
	}
	a := s.call(t, request{method: "POST", path: "/stock/lists/stock", as: "manager", header: asCSV(), body: "location,part,amount\nNOWHERE,NOTHING,some\n"}).want(t, 422)
	for _, says := range []string{`"field":"stock!A2"`, `"field":"stock!B2"`, "names no location on record"} {
		if !strings.Contains(string(a.body), says) {
			t.Errorf("the answer lacks %s: %s", says, a.body)
		}
	}
	s.call(t, request{method: "POST", path: "/stock/lists/catalogue", as: "technician", header: asCSV(), body: "part,pack\nX,1\n"}).want(t, 403)
	s.call(t, request{method: "POST", path: "/stock/lists/stock", as: "owner", header: asCSV(), body: "location,part,amount\nX,Y,1\n"}).want(t, 403)
	s.call(t, request{method: "POST", path: "/stock/lists/stock", as: "manager", header: asCSV(), body: "nothing,like,it\n1,2,3\n"}).want(t, 422)
}
