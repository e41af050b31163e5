package httpapi_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"

	"spindlebook/internal/assets/meters"
	"spindlebook/internal/fault"
	"spindlebook/internal/httpapi"
)

type outcome struct {
	Outcome   string `json:"outcome"`
	ReadingID string `json:"reading_id"`
	Doubt     string `json:"doubt"`
	Says      string `json:"says"`
	Recorded  string `json:"recorded"`
	Field     string `json:"field"`
	Value     string `json:"value"`
	Rule      string `json:"rule"`
	Offers    []struct {
		As, Means, Value string
		Fits             bool
	} `json:"offers"`
}

func (s *service) ago(hours int) string {
	return s.now.Add(-time.Duration(hours) * time.Hour).UTC().Format(time.RFC3339)
}

func (s *service) batch(t testing.TB, as string, body any, header map[string]string) []outcome {
	t.Helper()
	a := s.call(t, request{method: "POST", path: "/readings", as: as, body: body, header: header})
	if a.status != http.StatusOK {
		t.Fatalf("%d %s", a.status, a.body)
	}
	var got struct{ Items []outcome }
	a.into(t, &got)
	return got.Items
}

// A night's batch of a gateway: what is good is taken, what is twice is known,
// what is nonsense is refused by item or kept aside, and none stops the others.
func TestABatchIsAnsweredItemByItem(t *testing.T) {
	s := newService(t)
	body := fmt.Sprintf(`{"items": [
		{"meter": "UMB-1/TC", "at": %q, "value": 41000},
		{"meter": "UMB-1/TC", "at": %q, "value": "41100"},
		{"meter": "UMB-1/TC", "at": %[2]q, "value": "41100"},
		{"meter": "UMB-1/TC", "at": %[2]q, "value": 41101},
		{"meter": "UMB-1/TC", "at": %[3]q, "value": 40999},
		{"meter": "UMB-1/TC", "at": %[3]q, "value": -3},
		{"meter": "UMB-1/TC", "at": %[3]q, "value": "NaN"},
		{"meter": "UMB-1/TC", "at": %[3]q, "value": 1e3},
		{"meter": "UMB-1/TC", "at": %[3]q, "value": 100000},
		{"meter": "UMB-1/TC", "at": "yesterday", "value": 1},
		{"meter": "THO-1/TC", "at": %[3]q, "value": 1},
		{"meter": 7, "at": %[3]q, "value": 1},
		{"meter_id": "7", "at": %[3]q, "value": 1},
		{"meter": "UMB-1/TC", "at": %[3]q, "value": {"a": 1}},
		{"meter": "UMB-1/TC", "at": %[3]q}
	]}`, s.ago(30), s.ago(20), s.ago(10))
	key := map[string]string{"Idempotency-Key": "night-1"}
	got := s.batch(t, "gateway", body, key)
	for i, want := range []struct{ outcome, field, says string }{
		{"taken", "", ""}, {"taken", "", ""}, {"already_there", "", ""}, {"conflict", "value", "41100 vehicles"}, {"quarantined", "", "less than before"},
		{"refused", "value", "negative"}, {"refused", "value", "finite"}, {"refused", "value", "in digits"}, {"refused", "value", "rolls over"}, {"refused", "at", "instant"},
		{"refused", "meter", "names no meter"}, {"refused", "meter", "must be a text"}, {"refused", "meter_id", "UUID"}, {"refused", "value", "number"}, {"refused", "value", "number"},
	} {
		if got[i].Outcome != want.outcome || got[i].Field != want.field || !strings.Contains(got[i].Says+got[i].Rule+got[i].Recorded, want.says) {
			t.Errorf("item %d is %+v, want %v", i, got[i], want)
		}
	}
	if len(got[4].Offers) < 4 || got[4].Offers[0].As != "rolled_over" {
		t.Errorf("offered are %+v", got[4].Offers)
	}
	// the same request again, after its answer was lost, and then under another key
	again := s.batch(t, "gateway", body, key)
	if a, b := fmt.Sprint(got), fmt.Sprint(again); a != b {
		t.Errorf("the retry is answered\n%s\nafter\n%s", b, a)
	}
	for i, r := range s.batch(t, "gateway", body, nil) {
		if got[i].Outcome == "taken" && r.Outcome != "already_there" {
			t.Errorf("item %d under another key is %+v", i, r)
		}
	}
	if a := s.call(t, request{method: "POST", path: "/readings", as: "gateway", body: strings.Replace(body, "41000", "41001", 1), header: key}); a.status != http.StatusUnprocessableEntity {
		t.Errorf("the key for another batch: %d %s", a.status, a.body)
	}
	// line by line
	lines := fmt.Sprintf("{\"meter\":\"UMB-1/TC\",\"at\":%q,\"value\":42000}\n\n{\"meter\":\"UMB-1/TC\",\"at\":%q,\"value\":42100}\n", s.ago(2), s.ago(1))
	for i, r := range s.batch(t, "gateway", lines, map[string]string{"Content-Type": "application/x-ndjson"}) {
		if r.Outcome != "taken" {
			t.Errorf("line %d is %+v", i, r)
		}
	}
}

// A batch that is cut off in the middle, or is none, is refused as a whole.
func TestABatchCutOffInTheMiddleIsNotTaken(t *testing.T) {
	s := newService(t)
	whole := fmt.Sprintf(`{"items": [{"meter": "UMB-1/TC", "at": %q, "value": 41000}, {"meter": "UMB-1/TC", "at": %q, "value": 41100}]}`, s.ago(30), s.ago(20))
	for cut := 1; cut < len(whole); cut += 7 {
		a := s.call(t, request{method: "POST", path: "/readings", as: "gateway", body: whole[:cut]})
		if a.status != http.StatusBadRequest && a.status != http.StatusUnprocessableEntity {
			t.Fatalf("%q: %d %s", whole[:cut], a.status, a.body)
		}
		if cut > 70 && !strings.Contains(string(a.body), "nothing of it was taken") {
			t.Errorf("%q: %s", whole[:cut], a.body)
		}
	}
	for body, want := range map[string]int{
		`{"items": []}`: 422, `{"items": {}}`: 400, `[]`: 400, `nonsense`: 400, ``: 422, `{"items": [1]}`: 200,
		`{"items": [{}], "more": 1}`: 400, `{"items": [{}]} x`: 400, `{"items": [NaN]}`: 400,
		`{"items": [` + strings.Repeat(`{},`, 10_000) + `{}]}`: 413,
		`{"items": [` + strings.Repeat(" ", 5<<20) + `]}`:      413,
	} {
		if a := s.call(t, request{method: "POST", path: "/readings", as: "gateway", body: body}); a.status != want {
			t.Errorf("%.40q: %d %.300s, not %d", body, a.status, a.body, want)
		}
	}
	var page struct{ Items []struct{ Value string } }
	s.call(t, request{method: "GET", path: "/meters/" + s.own.meter.ID.String() + "/readings", as: "manager"}).into(t, &page)
	if len(page.Items) != 1 {
		t.Errorf("something was taken: %+v", page)
	}
}

// One person, one meter: entered, questioned, explained, voided, read back.
func TestAReadingFromEntryToTotal(t *testing.T) {
	s := newService(t)
	meter := "/meters/" + s.own.meter.ID.String()
	post := func(as, path string, body any, status int) (got outcome) {
		t.Helper()
		a := s.call(t, request{method: "POST", path: path, as: as, body: body})
		if a.status != status {
			t.Fatalf("POST %s: %d %s", path, a.status, a.body)
		}
		_ = json.Unmarshal(a.body, &got)
		return got
	}
	post("site_staff", meter+"/readings", map[string]any{"at": s.ago(30), "value": "99900"}, 200) // too fast for a month? the line says nothing
	a := s.call(t, request{method: "POST", path: meter + "/readings", as: "site_staff", body: map[string]any{"at": s.ago(30), "value": "99901"}})
	if a.status != http.StatusConflict || !strings.Contains(string(a.body), "99900 vehicles is recorded") || !strings.Contains(string(a.body), "UMB-1/TC") {
		t.Errorf("another value at that instant: %d %s", a.status, a.body)
	}
	post("site_staff", meter+"/readings", map[string]any{"at": s.ago(30), "value": "x"}, 422)
	post("site_staff", "/meters/"+s.other.meter.ID.String()+"/readings", map[string]any{"value": "5"}, 404)
	got := post("site_staff", meter+"/readings", map[string]any{"at": s.ago(10), "value": "150"}, 200)
	if got.Outcome != "needs_explanation" || !strings.Contains(got.Offers[0].Means, "would mean 250 vehicles") {
		t.Fatalf("%+v", got)
	}
	reading := "/readings/" + got.ReadingID
	var doubt struct {
		Reading struct{ State string }
		Says    string
		Offers  []struct{ As string }
	}
	s.call(t, request{method: "GET", path: reading, as: "site_staff"}).into(t, &doubt)
	if doubt.Reading.State != "doubtful" || doubt.Says == "" || len(doubt.Offers) < 4 {
		t.Errorf("%+v", doubt)
	}
	post("site_staff", reading+"/explanation", map[string]any{"as": "rolled_over"}, 200)
	total := func(at string) (got struct{ Amount, Grade, Unit string }) {
		s.call(t, request{method: "GET", path: meter + "/total?as_of=" + at, as: "owner"}).into(t, &got)
		return got
	}
	if got := total(s.ago(10)); got.Amount != "100150" || got.Grade != "read" || got.Unit != "vehicles" {
		t.Errorf("the total is %+v", got)
	}
	post("manager", reading+"/supersession", map[string]any{"value": "160", "reason": "read again"}, 200)
	if got := total(s.ago(10)); got.Amount != "100160" || got.Grade != "read" {
		t.Errorf("the total is %+v", got)
	}
	var runs struct{ Items []struct{ How, Base string } }
	s.call(t, request{method: "GET", path: meter + "/runs", as: "owner"}).into(t, &runs)
	if len(runs.Items) == 0 || runs.Items[0].How != "first" {
		t.Errorf("%+v", runs)
	}
	var use struct {
		Vehicles *struct{ Amount, Grade string }
		Days     int
	}
	s.call(t, request{method: "GET", path: "/units/" + s.own.unit.ID.String() + "/use", as: "owner"}).into(t, &use)
	if use.Vehicles == nil || use.Days < 364 {
		t.Errorf("%+v", use)
	}
}

// A sheet of readings as a person at a site keeps it.
func TestASheetOfReadings(t *testing.T) {
	s := newService(t)
	csv := "Meter;Date;Reading\numb-1/tc;" + s.now.AddDate(0, 0, -9).Format("2006-01-02") + ";41'000\nUMB-1/TC;" + s.now.AddDate(0, 0, -3).Format("2006-01-02") + " 17:30;42.500\n"
	send := func(path, body string, status int) (got struct {
		Rows, Taken  int
		AlreadyThere int `json:"already_there"`
		Notes        []string
	}, text string) {
		t.Helper()
		a := s.call(t, request{method: "POST", path: path, as: "manager", body: body, header: map[string]string{"Content-Type": "text/csv"}})
		if a.status != status {
			t.Fatalf("%d %s", a.status, a.body)
		}
		_ = json.Unmarshal(a.body, &got)
		return got, string(a.body)
	}
	_, text := send("/readings/import", csv, 422)
	if !strings.Contains(text, "C3") || !strings.Contains(text, "whole number") {
		t.Errorf("42.500 is no whole number, or is it? %s", text)
	}
	csv = strings.Replace(csv, "42.500", "42500", 1)
	if got, _ := send("/readings/import?dry_run=true", csv, 200); got.Taken != 2 {
		t.Errorf("%+v", got)
	}
	if got, _ := send("/readings/import", csv, 200); got.Taken != 2 || len(got.Notes) != 1 {
		t.Errorf("%+v", got)
	}
	if got, _ := send("/readings/import", csv, 200); got.Taken != 0 || got.AlreadyThere != 2 {
		t.Errorf("again: %+v", got)
	}
	// what waits is told by its row
	csv = "meter,at,value\nUMB-1/TC," + s.now.AddDate(0, 0, -1).Format(time.RFC3339) + ",17\n"
	if _, text = send("/readings/import?dry_run=true", csv, 200); !strings.Contains(text, `"field":"readings!C2"`) || !strings.Contains(text, "is less than before: 42500 vehicles") || !strings.Contains(text, `{"code":"falls","count":1}`) {
		t.Errorf("%s", text)
	}
}

// Whatever a body is, it is read or refused, never half of it.
func FuzzReadItems(f *testing.F) {
	f.Add([]byte(`{"items": [{"meter": "A", "at": "2026-02-05T14:00:00Z", "value": 1}]}`))
	f.Add([]byte("{\"meter_id\": \"x\", \"value\": \"1.5\"}\n{}"))
	f.Add([]byte(`{"items": [1, null, {"value": NaN}]}`))
	f.Add([]byte(" {\n\"items\"\n: [{\"at\": 5}, []]}"))
	f.Fuzz(func(t *testing.T, body []byte) {
		in, faults, err := httpapi.ReadItems(bytes.NewReader(body))
		if err != nil {
			if fault.KindOf(err) == fault.Internal {
				t.Fatalf("%q: %v", body, err)
			}
			return
		}
		if len(in) == 0 {
			t.Fatalf("%q: no items and no fault", body)
		}
		for i := range faults {
			if i < 0 || i >= len(in) {
				t.Fatalf("%q: a fault of item %d of %d", body, i, len(in))
			}
		}
		for i, r := range in {
			if faults[i] == nil && (r.At.IsZero() && r.At.Unix() != (time.Time{}).Unix() || r.MeterID != uuid.Nil && r.Meter == "" && r.MeterID.String() == "") {
				t.Fatalf("%q: item %d is %+v", body, i, r)
			}
		}
	})
}

var _ = meters.Took
