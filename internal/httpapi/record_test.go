package httpapi_test

import (
	"encoding/json"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/calendar"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pm"
	"spindlebook/internal/pm/record"
)

// addJob writes a short procedure and opens a card of it at the left position.
func (s *service) addJob(p *place) {
	s.t.Helper()
	s.as(func(tx *gorm.DB) error {
		ids, err := pm.AddProcedures(tx, access.System, s.now, []pm.NewProcedure{{Code: "J-" + strings.ToUpper(p.site.ID.String()[30:]), Title: "Look at the motor"}})
		if err != nil {
			return err
		}
		v, err := pm.WriteDrafts(tx, access.System, s.now, []pm.Write{{Procedure: ids[0], Content: pm.Content{People: 1, Skills: []string{}, Minutes: pm.Minutes{Low: 5, Typical: 10, High: 20},
			LineState: "closed_hours", Energies: []string{"electrical"}, Steps: []pm.Step{{Kind: "do", Says: "Sign in."}, {Kind: "isolate", Says: "Own lock on.", Hold: true},
				{Kind: "do", Says: "Look at it.", Hold: true, Records: "spacers count"}, {Kind: "restore", Says: "Locks off.", Hold: true}}}}})
		if err != nil {
			return err
		}
		return pm.Publish(tx, access.System, s.now, v)
	})
	p.card = s.openCard(*p)
}

func (s *service) openCard(p place) uuid.UUID {
	s.t.Helper()
	id, err := record.Open(ctx, s.db, access.System, s.now, pgdb.Request{Key: uuid.NewString(), Act: "open"}, record.NewRecord{Procedure: "J-" + strings.ToUpper(p.site.ID.String()[30:]), PositionID: &p.left.ID})
	if err != nil {
		s.t.Fatal(err)
	}
	return id
}

type outcomes struct {
	Items []struct {
		ID    uuid.UUID
		State string
		Field string
		Rule  string
		Marks []struct{ Code, Says string }
	}
}

// A phone sends a job from a basement: late, twice and in pieces. Nothing is lost, what
// contradicts is marked, and the card is signed off when nothing stands in the way.
func TestACardIsWorkedDownOverTheAPI(t *testing.T) {
	s := newService(t)
	s.as(func(tx *gorm.DB) error {
		_, _, err := assets.SetIsolation(tx, access.System, s.now, s.own.left.ID, s.own.left.Version, []uuid.UUID{s.own.point.ID})
		return err
	})
	s.own.card = s.openCard(s.own)
	path := "/job-records/" + s.own.card.String()
	type card struct {
		Head struct {
			State           string
			Version, Unseen int
		}
		Steps []struct {
			ID            uuid.UUID
			State, Behind string
		}
		Points []struct {
			ID    uuid.UUID
			Stage string
			Locks []struct{ Person string }
		}
		Blocks []struct{ Code, Says string }
	}
	read := func() (c card) {
		a := s.call(t, request{method: "GET", path: path, as: "technician"})
		if a.status != 200 || json.Unmarshal(a.body, &c) != nil {
			t.Fatalf("%d %s", a.status, a.body)
		}
		return c
	}
	c := read()
	if len(c.Steps) != 4 || len(c.Points) != 1 || c.Points[0].Stage != "in_service" || len(c.Blocks) == 0 || c.Steps[2].Behind == "" {
		t.Fatalf("opened as %+v", c)
	}
	at := func(minute int) string {
		return s.now.Add(time.Duration(minute-60) * time.Minute).UTC().Format(time.RFC3339)
	}
	send := func(to string, items ...map[string]any) (o outcomes) {
		a := s.call(t, request{method: "POST", path: to, as: "technician", body: map[string]any{"items": items}})
		if a.status != 200 || json.Unmarshal(a.body, &o) != nil {
			t.Fatalf("%d %s", a.status, a.body)
		}
		return o
	}
	tick := func(step, minute int) map[string]any {
		return map[string]any{"id": uuid.New(), "act": "step", "step_id": c.Steps[step].ID, "outcome": "done", "done_at": at(minute), "version_seen": c.Head.Version}
	}
	lock, acts := uuid.New(), []map[string]any{}
	for i, act := range []string{"prepared", "told", "shut_down", "isolated", "locked", "relieved", "proved"} {
		e := map[string]any{"id": uuid.New(), "act": act, "point_id": c.Points[0].ID, "done_at": at(1 + i), "record_id": s.own.card}
		if act == "locked" {
			e["lock_id"] = lock
		}
		if act == "proved" {
			e["how"], e["instrument"] = "start tried, 0 V", "tester 3"
		}
		acts = append(acts, e)
	}
	work := tick(2, 20)
	work["said"] = map[string]any{"values": map[string]string{"spacers_count": "3"}}
	// the work arrives before the locks: it is kept and marked
	if o := send(path+"/entries", tick(0, 0), tick(1, 8), work); o.Items[2].State != "kept" || len(o.Items[1].Marks) == 0 {
		t.Errorf("the work came back as %+v", o)
	}
	if o := send("/isolation-entries", append(acts, acts[0])...); o.Items[6].State != "kept" || o.Items[7].State != "already" {
		t.Errorf("the locks came back as %+v", o)
	}
	if o := send(path+"/entries", work); o.Items[0].State != "already" || len(o.Items[0].Marks) != 0 {
		t.Errorf("a second time it came back as %+v", o)
	}
	bad := tick(2, 21)
	bad["said"] = map[string]any{"values": map[string]string{"weather": "fair"}}
	if o := send(path+"/entries", bad); o.Items[0].State != "refused" || o.Items[0].Field != "items[0].said.values.weather" {
		t.Errorf("nonsense came back as %+v", o)
	}
	if a := s.call(t, request{method: "GET", path: "/locks", as: "owner"}); a.status != 200 || !strings.Contains(string(a.body), lock.String()) {
		t.Errorf("the owner's list of locks: %d %s", a.status, a.body)
	}
	sign := func() answer {
		return s.call(t, request{method: "POST", path: path + "/sign-off", as: "technician", body: map[string]any{"version_seen": 1, "handed_to": "Pat"}})
	}
	if a := sign(); a.status != http.StatusConflict || !strings.Contains(string(a.body), "hold point") || !strings.Contains(string(a.body), "lock of technician") {
		t.Errorf("signed under a lock: %d %s", a.status, a.body)
	}
	end := []map[string]any{}
	for i, act := range []string{"inspected", "clear", "unlocked", "told_after", "restored"} {
		e := map[string]any{"id": uuid.New(), "act": act, "point_id": c.Points[0].ID, "done_at": at(30 + i)}
		if act == "unlocked" {
			e["lock_id"] = lock
		}
		end = append(end, e)
	}
	send("/isolation-entries", end...)
	send(path+"/entries", tick(3, 36))
	if a := sign(); a.status != 200 || !strings.Contains(string(a.body), `"outcome":"extra"`) && !strings.Contains(string(a.body), `"outcome":"counted"`) {
		t.Fatalf("signed: %d %s", a.status, a.body)
	}
	if c = read(); c.Head.State != "signed" {
		t.Errorf("then it is %s", c.Head.State)
	}
}

func TestEvidenceOfSkillsOverTheAPI(t *testing.T) {
	s := newService(t)
	a := s.call(t, request{method: "GET", path: "/me", as: "technician"})
	var me struct{ ID uuid.UUID }
	if err := json.Unmarshal(a.body, &me); err != nil {
		t.Fatal(err)
	}
	path := "/accounts/" + me.ID.String() + "/skills"
	a = s.call(t, request{method: "POST", path: path, as: "manager", body: map[string]any{"skill": "EL", "evidence": "licence 4711", "issued_on": "2024-04-01", "expires_on": "2030-03-31"}})
	var e struct{ ID uuid.UUID }
	if a.status != 201 || json.Unmarshal(a.body, &e) != nil {
		t.Fatalf("%d %s", a.status, a.body)
	}
	if a = s.call(t, request{method: "GET", path: path, as: "manager"}); a.status != 200 || !strings.Contains(string(a.body), "licence 4711") {
		t.Errorf("listed: %d %s", a.status, a.body)
	}
	if a = s.call(t, request{method: "GET", path: path, as: "technician"}); a.status != 403 {
		t.Errorf("another's: %d %s", a.status, a.body)
	}
	if a = s.call(t, request{method: "POST", path: path + "/" + e.ID.String() + "/withdrawal", as: "manager", body: map[string]any{"reason": "of another"}}); a.status != 200 {
		t.Errorf("withdrawn: %d %s", a.status, a.body)
	}
}

// The card of a whole line takes pictures, checked as those of a position are.
func TestACardOfAWholeLineTakesPicturesOverTheAPI(t *testing.T) {
	s := newService(t)
	var task uuid.UUID
	s.as(func(tx *gorm.DB) (err error) {
		task, err = pm.RaiseTask(tx, access.System, s.now, pm.NewTask{SiteID: &s.own.site.ID, LineID: &s.own.line.ID, Procedure: "J-" + strings.ToUpper(s.own.site.ID.String()[30:]), Criticality: "B", DueOn: calendar.DateOf(s.now)})
		return err
	})
	card, err := record.Open(ctx, s.db, access.System, s.now, pgdb.Request{Key: uuid.NewString(), Act: "open"}, record.NewRecord{TaskID: &task})
	if err != nil {
		t.Fatal(err)
	}
	path := "/job-records/" + card.String()
	for what, content := range map[string][]byte{"is no JPEG or PNG": []byte("<script>alert(1)</script>"), "a photo takes at most 1 MiB": make([]byte, 1<<20+1)} {
		a := s.call(t, request{method: "POST", path: path + "/photos", as: "technician", body: map[string]any{"content": content}})
		if want := map[bool]int{true: 413, false: 422}[len(content) > 1<<20]; a.status != want || !strings.Contains(string(a.body), what) {
			t.Errorf("%s: %d %s", what, a.status, a.body)
		}
	}
	a := s.call(t, request{method: "POST", path: path + "/photos", as: "technician", body: map[string]any{"content": onePixel, "caption": "leads as found"}})
	var photo struct {
		ID   uuid.UUID
		Href string
	}
	if a.status != 201 || json.Unmarshal(a.body, &photo) != nil {
		t.Fatalf("%d %s", a.status, a.body)
	}
	entry := map[string]any{"id": uuid.New(), "act": "note", "note": "leads as found", "version_seen": 1, "done_at": s.now.Add(-time.Minute).UTC().Format(time.RFC3339), "photo_ids": []uuid.UUID{photo.ID}}
	a = s.call(t, request{method: "POST", path: path + "/entries", as: "technician", body: map[string]any{"items": []map[string]any{entry}}})
	if a.status != 200 || !strings.Contains(string(a.body), `"kept"`) {
		t.Errorf("with the picture: %d %s", a.status, a.body)
	}
	if a = s.call(t, request{method: "GET", path: path, as: "technician"}); a.status != 200 || !strings.Contains(string(a.body), photo.ID.String()) {
		t.Errorf("the card: %d %s", a.status, a.body)
	}
	if a = s.call(t, request{method: "GET", path: "/photos/" + photo.ID.String(), as: "technician"}); a.status != 200 {
		t.Errorf("the picture: %d", a.status)
	}
}
