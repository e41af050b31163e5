package httpapi_test

import (
	"net/http"
	"testing"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"spindlebook/internal/access"
	"spindlebook/internal/calendar"
	"spindlebook/internal/pgtest"
)

// A trip over the API: planned, told of by a phone that sends three times, and ended.
func TestATripOverTheAPI(t *testing.T) {
	s := newService(t)
	tomorrow := (calendar.DateOf(s.now) + 2).String()
	ida, _ := s.addToken("ida", access.NewGrant{Role: "technician"}, s.now.AddDate(0, 0, 1))
	post := func(as, path string, body any, want int) map[string]any {
		t.Helper()
		return s.json(t, request{method: http.MethodPost, path: path, as: as, body: body, header: map[string]string{"Idempotency-Key": uuid.NewString()}}, want)
	}
	made := post("manager", "/visits", map[string]any{"site_id": s.own.site.ID, "on": tomorrow, "starts": "07:00", "minutes": 90}, http.StatusCreated)
	path := "/visits/" + made["id"].(string)
	if made["state"] != "planned" || made["on"] != tomorrow || made["site_code"] != "UMB" {
		t.Errorf("planned is %v", made)
	}
	// what cannot be is named by field, value and rule
	bad := s.call(t, request{method: http.MethodPost, path: "/visits", as: "manager", body: map[string]any{"site_id": s.own.site.ID, "on": "2020-01-01", "starts": "07:00", "minutes": 90}, header: map[string]string{"Idempotency-Key": uuid.NewString()}})
	if bad.status != http.StatusUnprocessableEntity {
		t.Errorf("in the past: %d %s", bad.status, bad.body)
	}
	ready := s.json(t, request{method: http.MethodGet, path: path + "/readiness", as: "manager"}, http.StatusOK)
	if ready["verdict"] != "go" || ready["says"] != "nothing to do" {
		t.Errorf("of nothing: %v", ready)
	}
	entry := map[string]any{"entries": []any{map[string]any{"id": uuid.New(), "act": "arrived", "done_at": s.now}}}
	for range 3 {
		if v := post(ida, path+"/entries", entry, http.StatusOK); v["state"] != "under_way" {
			t.Errorf("after arriving it is %v", v["state"])
		}
	}
	whole := s.json(t, request{method: http.MethodGet, path: path, as: "manager"}, http.StatusOK)
	if times := whole["times"].([]any); len(times) != 1 || len(times[0].(map[string]any)["odd"].([]any)) != 0 {
		t.Errorf("times are %v", times)
	}
	if owner := s.json(t, request{method: http.MethodGet, path: path, as: "owner"}, http.StatusOK); owner["times"] != nil || owner["findings"] != nil || owner["decisions"] != nil {
		t.Errorf("the owner sees %v", owner)
	}
	decided := post(ida, path+"/decisions", map[string]any{"decision": "go", "reason": "nothing but a look"}, http.StatusCreated)
	if decided["verdict"] != "go" {
		t.Errorf("decided is %v", decided)
	}
	version := s.call(t, request{method: http.MethodGet, path: path, as: ida}).header.Get("ETag")
	ended := s.json(t, request{method: http.MethodPost, path: path + "/end", as: ida, header: map[string]string{"If-Match": version}, body: map[string]any{"reason": "no_access", "why": "the gate was locked",
		"left": []any{map[string]any{"kind": "other", "says": "a note at the gate"}}, "next": map[string]any{"site_id": s.own.site.ID, "on": tomorrow, "starts": "12:00", "minutes": 60}}}, http.StatusOK)
	if v := ended["visit"].(map[string]any); v["state"] != "abandoned" || v["reason"] != "no_access" || v["next_id"] == nil {
		t.Errorf("ended is %v", v)
	}
	if stale := s.call(t, request{method: http.MethodPost, path: path + "/end", as: ida, header: map[string]string{"If-Match": version}, body: map[string]any{}}); stale.status != http.StatusPreconditionFailed {
		t.Errorf("ended again: %d %s", stale.status, stale.body)
	}
	list := s.json(t, request{method: http.MethodGet, path: "/visits?state=abandoned&site_id=" + s.own.site.ID.String(), as: "owner"}, http.StatusOK)
	if items := list["items"].([]any); len(items) != 1 {
		t.Errorf("abandoned are %v", items)
	}
	rule := s.call(t, request{method: http.MethodGet, path: "/planning-rule", as: "technician"})
	if rule.status != http.StatusOK {
		t.Fatalf("%d %s", rule.status, rule.body)
	}
	body := map[string]any{"site_minutes": 30, "day_minutes": 480, "road_factor": 1.4, "speed_km_h": 60, "distances": "km", "working_days": []int{1, 2, 3, 4, 5}, "closed": []string{"2026-12-25"}, "twin_percent": 70, "target_percent": 90}
	set := s.json(t, request{method: http.MethodPut, path: "/planning-rule", as: "manager", body: body, header: map[string]string{"If-Match": rule.header.Get("ETag")}}, http.StatusOK)
	if set["site_minutes"] != 30.0 || set["distances"] != "km" {
		t.Errorf("the rule is %v", set)
	}
	check := s.json(t, request{method: http.MethodGet, path: "/van-check", as: ida}, http.StatusOK)
	if check["chance_percent"] != 100.0 {
		t.Errorf("a free day: %v", check)
	}
	proposal := s.json(t, request{method: http.MethodGet, path: "/sites/" + s.own.site.ID.String() + "/proposal", as: "manager"}, http.StatusOK)
	if proposal["site_code"] != "UMB" || proposal["says"] == "" {
		t.Errorf("proposed is %v", proposal)
	}
}

// A visit is on record once it was written: that its parts could not be held, or its chance
// not be worked out, is tried again later and no answer to whoever planned it.
func TestAVisitIsMadeThoughItsPartsCannotBeHeld(t *testing.T) {
	service, owner := pgtest.DSN(t)
	s := newServiceOn(t, pgtest.Open(t, service))
	admin, err := pgx.Connect(ctx, owner)
	if err != nil {
		t.Fatal(err)
	}
	defer admin.Close(ctx)
	if _, err := admin.Exec(ctx, `alter table stock_claim rename to stock_claim_away`); err != nil {
		t.Fatal(err)
	}
	ida, _ := s.addToken("ida", access.NewGrant{Role: "technician"}, s.now.AddDate(0, 0, 1))
	key := func() map[string]string { return map[string]string{"Idempotency-Key": uuid.NewString()} }
	made := s.json(t, request{method: http.MethodPost, path: "/visits", as: "manager", header: key(), body: map[string]any{"site_id": s.own.site.ID, "on": calendar.DateOf(s.now).String(), "starts": "16:00", "minutes": 90}}, http.StatusCreated)
	s.json(t, request{method: http.MethodPost, path: "/visits/" + made["id"].(string) + "/entries", as: ida, header: key(), body: map[string]any{"entries": []any{map[string]any{"id": uuid.New(), "act": "left", "done_at": s.now}}}}, http.StatusOK)
}

// json sends a request that must be answered with a status, and reads the answer.
func (s *service) json(t testing.TB, r request, want int) map[string]any {
	t.Helper()
	a := s.call(t, r)
	if a.status != want {
		t.Fatalf("%s %s: %d %s", r.method, r.path, a.status, a.body)
	}
	var out map[string]any
	a.into(t, &out)
	return out
}
