package httpapi_test

import (
	"fmt"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/calendar"
	"spindlebook/internal/measure"
	"spindlebook/internal/parts"
	"spindlebook/internal/parts/amount"
	"spindlebook/internal/parts/stock"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pm"
)

// day is the register as it stands on the evening before: what is fitted, what lies where,
// who drives which van, and a motor's plan that counts vehicles.
type theDay struct {
	*service
	ida                         uuid.UUID // drives the van
	warehouse, van, returns     uuid.UUID
	motor, bearing, kit         uuid.UUID
	old, fresh                  uuid.UUID
	plan                        uuid.UUID
	done                        time.Time
	asIda                       string // her phone's token
	position                    uuid.UUID
	assignment, task, visit, by uuid.UUID
}

func newDay(t *testing.T) *theDay {
	t.Helper()
	d := &theDay{service: newService(t)}
	d.position = d.own.left.ID
	for role, g := range map[string]access.NewGrant{"manager": {}, "parts_clerk": {}, "gateway": {SiteID: &d.own.site.ID}, "owner": {CustomerID: &d.own.customer.ID}} { // longer than a day
		g.Role = role
		d.tokens[role], _ = d.addToken(role+" of the day", g, d.now.AddDate(0, 0, 9))
	}
	who, began := access.System, d.now.AddDate(-1, 0, 0)
	d.asIda, d.by = d.addToken("Ida's phone", access.NewGrant{Role: "technician"}, d.now.AddDate(0, 0, 9))
	part := func(tx *gorm.DB, number, class, tracking string, facts ...string) (uuid.UUID, error) {
		in := assets.PartEdit{Number: number, Description: number, Class: class}
		for i := 0; i < len(facts); i += 2 {
			f := assets.PartFactEdit{Fact: facts[i], Value: facts[i+1]}
			if m, ok := measure.Parse(facts[i+1]); ok {
				f = assets.PartFactEdit{Fact: facts[i], Measure: &m}
			}
			in.Facts = append(in.Facts, f)
		}
		p, err := assets.AddPart(tx, who, d.now, in)
		if err == nil {
			_, err = parts.SetStocking(tx, who, p.ID, p.Version, parts.StockingEdit{MeasuredIn: "ea", BoughtIn: "ea", Pack: amount.One, Tracking: tracking})
		}
		return p.ID, err
	}
	d.as(func(tx *gorm.DB) (err error) {
		person, err := access.AddPerson(tx, who, d.now, access.NewPerson{Name: "Ida Falk", Login: "ida@marrowgate.example", Grants: []access.NewGrant{{Role: "technician"}}})
		if err != nil {
			return err
		}
		d.ida = person.ID
		until := "2099-12-31"
		for _, of := range []uuid.UUID{d.ida, d.by} {
			for _, s := range []string{"T2", "AU"} {
				if _, err := access.AddEvidence(tx, who, d.now, of, access.NewEvidence{Skill: s, Evidence: "shown", IssuedOn: "2024-01-01", ExpiresOn: &until}); err != nil {
					return err
				}
			}
		}
		for _, l := range []struct {
			into       *uuid.UUID
			code, kind string
		}{{&d.warehouse, "WH", "warehouse"}, {&d.van, "V1", "van"}, {&d.returns, "RET", "returns"}} {
			it, err := assets.AddLocation(tx, who, d.now, assets.NewLocation{Code: l.code, Name: l.code, Kind: l.kind})
			if err != nil {
				return err
			}
			*l.into = it.ID
		}
		if d.motor, err = part(tx, "MW-10110", "gearmotor", "unit", "plate_volts", "208-230/460", "plate_hertz", "60", "plate_phases", "3", "leads", "9", "frame_standard", "NEMA", "frame_size", "56C", "bore", "1.375 in"); err != nil {
			return err
		}
		if d.bearing, err = part(tx, "MW-70002", "bearing", "none"); err != nil {
			return err
		}
		if d.kit, err = part(tx, "MW-22004", "fastener", "none"); err != nil {
			return err
		}
		if err = tx.Exec(`update position set supply_id = ? where id = ?`, d.own.supply.ID, d.position).Error; err != nil {
			return err
		}
		for fact, v := range map[string]string{"frame_standard": "NEMA", "frame_size": "56C", "gearmotor_orientation": "O3"} {
			if _, err := assets.Record(tx, who, d.now, d.position, assets.NewFact{Fact: fact, Value: v, How: "seen", From: &began}); err != nil {
				return err
			}
		}
		inch := measure.Typed{Value: 1.375, Unit: "in"}
		if _, err := assets.Record(tx, who, d.now, d.position, assets.NewFact{Fact: "bore", Measure: &inch, How: "measured", From: &began}); err != nil {
			return err
		}
		if _, _, err := assets.SetIsolation(tx, who, d.now, d.position, d.own.left.Version, []uuid.UUID{d.own.point.ID}); err != nil {
			return err
		}
		d.old = d.own.unit.ID
		got, err := stock.ReceiveUnits(tx, who, d.now, []stock.NewUnit{{PartID: d.motor, Tag: "B-0002", Serial: "77-0815", To: d.warehouse, Reason: "first count"}})
		if err != nil {
			return err
		}
		d.fresh = *got[0].UnitID
		for fact, v := range map[string]string{"gearmotor_orientation": "O12", "link_setting": "low"} { // as it came: for the other side, and for 208 V
			if _, err := assets.RecordOfUnit(tx, who, d.now, d.fresh, assets.NewFact{Fact: fact, Value: v, How: "seen", From: &d.now, SeenAt: &d.now, SeenBy: "Ida"}); err != nil {
				return err
			}
		}
		_, err = stock.Move(tx, who, d.now, []stock.Moving{{Kind: "receive", PartID: d.kit, Amount: amount.Of(2), To: &d.van, Sure: true, Reason: "first count"}, {Kind: "receive", PartID: d.bearing, Amount: amount.One, To: &d.warehouse, Sure: true, Reason: "first count"}})
		if err != nil {
			return err
		}
		_, err = stock.AddCore(tx, who, d.now, stock.NewCore{PartID: d.motor, SupplierID: d.own.supplier.ID, BoughtUnitID: &d.fresh, CountedFrom: "purchase", PaidOn: calendar.DateOf(d.now).String(), DeadlineOn: (calendar.DateOf(d.now) + 30).String()})
		return err
	})
	d.programme()
	return d
}

// programme is what is done and when: a swap after 4,000 vehicles, and the turning of a gearbox
// at the bench.
func (d *theDay) programme() {
	d.t.Helper()
	who := access.System
	chance := 0.07
	d.as(func(tx *gorm.DB) error {
		minutes := pm.Minutes{Low: 60, Typical: 120, High: 240}
		for _, p := range []struct {
			code, title string
			content     pm.Content
			lines       []parts.NewLine
		}{
			{"J09", "Bench preparation", pm.Content{People: 1, Skills: []string{"T2"}, Minutes: pm.Minutes{Low: 20, Typical: 35, High: 60}, LineState: "not_applicable"}, nil},
			{"J01", "Brush gearmotor swap", pm.Content{People: 1, Skills: []string{"T2"}, Minutes: minutes, LineState: "closed_hours", Energies: []string{"electrical"}, Steps: []pm.Step{
				{Kind: "do", Says: "Report and sign in."}, {Kind: "isolate", Says: "Own lock on.", Hold: true}, {Kind: "prove_dead", Says: "Prove it.", Hold: true, Skills: []string{"AU"}},
				{Kind: "measure", Says: "Count the spacers.", Records: "spacers count"}, {Kind: "do", Says: "Mark the leads.", Records: "leads marked"},
				{Kind: "measure", Says: "Set the links.", Hold: true, Records: "links set"}, {Kind: "test", Says: "Jog and compare.", Hold: true, Records: "direction seen"}, {Kind: "restore", Says: "Locks off, tell the staff.", Hold: true}}},
				[]parts.NewLine{{Need: "always", PartID: &d.motor, Amount: amount.One}, {Need: "always", PartID: &d.kit, Amount: amount.One}, {Need: "if_found", PartID: &d.bearing, Amount: amount.One, Chance: &chance, Cause: "bearing"}}},
		} {
			ids, err := pm.AddProcedures(tx, who, d.now, []pm.NewProcedure{{Code: p.code, Title: p.title}})
			if err != nil {
				return err
			}
			v, err := pm.WriteDrafts(tx, who, d.now, []pm.Write{{Procedure: ids[0], Content: p.content}})
			if err != nil {
				return err
			}
			if err := parts.SetLines(tx, who, v[0], p.lines); err != nil {
				return err
			}
			if err := pm.Publish(tx, who, d.now, v); err != nil {
				return err
			}
		}
		ids, err := pm.AddPlans(tx, who, d.now, []pm.NewPlan{{Code: "PM-900", Title: "Motor after 4,000 vehicles", Procedure: "J01"}})
		if err != nil {
			return err
		}
		d.plan = ids[0]
		v, err := pm.WritePlanDrafts(tx, who, d.now, []pm.WritePlan{{Plan: ids[0], Terms: pm.Terms{AppliesTo: "position", Kinds: []string{"side_brush_low"}, Condition: "gearmotor_orientation = O3", Basis: "floating", Criticality: "B",
			Triggers: []pm.Trigger{{Kind: "after_use", Unit: "vehicles", Amount: 4000}}}}})
		if err != nil {
			return err
		}
		return pm.PublishPlans(tx, who, d.now, v)
	})
}

func (d *theDay) get(as, path string) m {
	return d.json(d.t, request{method: http.MethodGet, path: path, as: as}, http.StatusOK)
}

func (d *theDay) post(as, path string, body any, want int) m {
	d.t.Helper()
	return d.json(d.t, request{method: http.MethodPost, path: path, as: as, body: body}, want)
}

func items(v m) []any { return v["items"].([]any) }

// where gives the item of a list of which a member has a value.
func where(t testing.TB, v m, member string, value any) m {
	t.Helper()
	for _, it := range items(v) {
		if fmt.Sprint(it.(m)[member]) == fmt.Sprint(value) {
			return it.(m)
		}
	}
	t.Fatalf("nothing with %s %v is among %v", member, value, items(v))
	return nil
}

// The day that must work, through the API alone: from the counters of the night to what the
// owner sees.
func TestADayOverTheAPI(t *testing.T) {
	d := newDay(t)
	site, on := d.own.site.ID, (calendar.DateOf(d.now) + 1).String()

	// 1. Over night a gateway posts counters, twice; the sweep raises what has come, with its reason.
	d.post("manager", "/sweep", nil, http.StatusOK)
	for _, it := range items(d.get("manager", "/assignments?site_id="+site.String())) {
		if a := it.(m); a["plan"] == "PM-900" {
			d.assignment = uuid.MustParse(a["id"].(string))
		}
	}
	d.post("manager", "/stated-work", m{"items": []m{{"assignment_id": d.assignment, "at": d.now.AddDate(0, -1, 0).Add(time.Minute), "remark": "by the old book"}}}, http.StatusCreated)
	for field, items := range map[string][]m{"items[0].at": {{"assignment_id": d.assignment, "at": d.now.AddDate(0, 1, 0)}}, "items[1].at": {{"assignment_id": d.assignment, "at": d.now}, {"assignment_id": d.assignment, "at": d.now.AddDate(0, 1, 0)}},
		"items[0]": {{"assignment_id": uuid.New(), "at": d.now}}} {
		a := d.call(t, request{method: "POST", path: "/stated-work", as: "manager", body: m{"items": items}})
		if a.status < 400 || a.status >= 500 || !strings.Contains(string(a.body), `"`+field+`"`) {
			t.Errorf("%s: %d %s", field, a.status, a.body)
		}
	}
	night := m{"items": []m{{"meter": "UMB-1/TC", "at": d.now.Add(-time.Hour), "value": "44950", "source": "gateway"}}}
	for i, want := range []string{"taken", "already_there"} {
		if got := items(d.post("gateway", "/readings", night, http.StatusOK))[0].(m)["outcome"]; got != want {
			t.Fatalf("sent for the %d. time the counter was %v", i+1, got)
		}
	}
	if swept := d.post("manager", "/sweep", nil, http.StatusOK); swept["raised"].(float64) < 1 {
		t.Fatalf("the sweep raised %v", swept)
	}
	d.post("manager", "/sweep", nil, http.StatusOK) // and not twice
	due := where(t, d.get("manager", "/tasks?position_id="+d.position.String()), "plan", "PM-900")
	d.task = uuid.MustParse(due["id"].(string))
	if says := due["says"].(string); !strings.Contains(says, "4,950 of 4,000 vehicles") {
		t.Errorf("it is due because %q", says)
	}
	if n := len(slices.DeleteFunc(items(d.get("manager", "/tasks?position_id="+d.position.String())), func(it any) bool { return it.(m)["plan"] != "PM-900" })); n != 1 {
		t.Errorf("%d tasks of it are open", n)
	}

	// 2. The manager plans a visit. The warehouse has the motor for the other side: it goes after its
	// gearbox is turned. What it takes is held from then on.
	planned := d.post("manager", "/visits", m{"site_id": site, "on": on, "starts": "22:00", "minutes": 300, "van_id": d.van, "people": []m{{"person_id": d.ida}}, "tasks": []m{{"task_id": d.task}}}, http.StatusCreated)
	d.visit = uuid.MustParse(planned["id"].(string))
	visit := "/visits/" + d.visit.String()
	ready := d.get("manager", visit+"/readiness")
	job := ready["jobs"].([]any)[0].(m)
	if ready["verdict"] != "go after work" {
		t.Fatalf("the visit is %v: %v", ready["verdict"], ready)
	}
	if work := fmt.Sprint(job["work"]); !strings.Contains(work, "turn the gearbox from O12 to O3") || !strings.Contains(work, "35") {
		t.Errorf("before leaving: %s", work)
	}
	held := d.get("parts_clerk", "/stock-claims?task_id="+d.task.String())
	if c := where(t, held, "part_id", d.motor); c["state"] != "open" || c["location"] != "WH" || c["needed_on"] != on {
		t.Errorf("the motor is held as %v", c)
	}
	if c := where(t, held, "part_id", d.kit); c["location"] != "V1" {
		t.Errorf("the nut is held as %v", c)
	}
	if len(items(held)) != 2 {
		t.Errorf("held is %v", held)
	}

	// 3. The evening before: what to fetch, and the chance of no second trip.
	check := d.get(d.asIda, "/van-check?person_id="+d.ida.String()+"&on="+on)
	if p := check["chance_percent"].(float64); p < 92.9 || p > 93.1 {
		t.Errorf("the chance of no second trip is %v, want 93", p)
	}
	if more := fmt.Sprint(check["more"]); !strings.Contains(more, "MW-70002") || !strings.Contains(more, "100") {
		t.Errorf("better with %s", more)
	}
	d.now = d.now.Add(time.Hour)
	d.post("parts_clerk", "/stock-preparations", m{"items": []m{{"unit_id": d.fresh, "orientation": "O3", "links": "high"}}}, http.StatusCreated)
	d.now = d.now.Add(time.Hour)
	d.post("parts_clerk", "/stock-movements", m{"items": []m{{"kind": "load", "part_id": d.motor, "unit_id": d.fresh, "amount": "1", "from_id": d.warehouse, "to_id": d.van}, {"kind": "load", "part_id": d.bearing, "amount": "1", "from_id": d.warehouse, "to_id": d.van}}}, http.StatusCreated)
	if check = d.get(d.asIda, "/van-check?person_id="+d.ida.String()+"&on="+on); check["chance_percent"] != 100.0 {
		t.Errorf("loaded the chance is %v", check["chance_percent"])
	}
	if ready = d.get("manager", visit+"/readiness"); ready["verdict"] != "go" {
		t.Errorf("prepared the visit is %v: %v", ready["verdict"], ready)
	}

	// 4. On site, without signal: the card was opened before leaving, the phone's clock is 3 minutes
	// slow, and all of it is sent from the car park, three times.
	opened := d.post(d.asIda, "/job-records", m{"task_id": d.task}, http.StatusCreated)
	card := "/job-records/" + opened["head"].(m)["id"].(string)
	whole := d.get(d.asIda, card)
	if whole["head"].(m)["visit_id"] != d.visit.String() {
		t.Errorf("the card is of visit %v", whole["head"].(m)["visit_id"])
	}
	arrived := d.now.Add(28 * time.Hour).Truncate(time.Second)
	at := func(minute int) string {
		return arrived.Add(time.Duration(minute-3) * time.Minute).UTC().Format(time.RFC3339)
	}
	const slow = 180000
	steps := whole["steps"].([]any)
	tick := func(step, minute int, values m) m {
		e := m{"id": uuid.New(), "act": "step", "step_id": steps[step].(m)["id"], "outcome": "done", "done_at": at(minute), "offset_ms": slow, "version_seen": 1}
		if values != nil {
			e["said"] = m{"values": values}
		}
		return e
	}
	lock := uuid.New()
	declare := func(minute int, acts ...string) (all []m) {
		for _, a := range acts {
			e := m{"id": uuid.New(), "act": a, "point_id": d.own.point.ID, "done_at": at(minute), "offset_ms": slow, "record_id": opened["head"].(m)["id"], "visit_id": d.visit}
			switch a {
			case "locked", "off_for_test", "back_on", "unlocked":
				e["lock_id"] = lock
			case "proved":
				e["how"], e["instrument"] = "start tried, 0 V on three phases", "tester 3"
			}
			all = append(all, e)
		}
		return all
	}
	locks := slices.Concat(declare(5, "prepared", "told", "shut_down", "isolated", "locked", "relieved", "proved"), declare(70, "clear", "off_for_test"),
		declare(80, "inspected", "clear", "unlocked", "told_after", "restored"))
	entries := []m{tick(0, 1, nil), tick(1, 6, nil), tick(2, 8, nil),
		{"id": uuid.New(), "act": "reading", "done_at": at(2), "offset_ms": slow, "version_seen": 1, "said": m{"meter_id": d.own.meter.ID, "value": "44990"}},
		tick(3, 20, m{"spacers_count": "3"}), tick(4, 22, m{"leads_marked": "U1-L1 V1-L2 W1-L3"}),
		{"id": uuid.New(), "act": "swap", "done_at": at(40), "offset_ms": slow, "version_seen": 1, "said": m{"slot_id": d.own.slot, "in": d.fresh, "from": d.van, "to": d.returns, "reason": "failed"}},
		{"id": uuid.New(), "act": "part", "done_at": at(41), "offset_ms": slow, "version_seen": 1, "said": m{"part_id": d.kit, "from": d.van, "did": "used", "amount": "1"}},
		tick(5, 50, m{"links_set": "high"}), tick(6, 72, m{"direction_seen": whole["turning"].(m)["direction"]}), tick(7, 81, nil)}
	d.now = arrived.Add(2 * time.Hour)
	told := m{"entries": []m{{"id": uuid.New(), "act": "arrived", "done_at": at(0), "offset_ms": slow, "person_id": d.ida}, {"id": uuid.New(), "act": "finished", "done_at": at(85), "offset_ms": slow, "person_id": d.ida}}}
	for i := range 3 {
		want := map[int]string{0: "kept"}[i]
		if want == "" {
			want = "already"
		}
		d.json(t, request{method: http.MethodPost, path: visit + "/entries", as: d.asIda, body: told}, http.StatusOK)
		for path, sent := range map[string][]m{"/isolation-entries": locks, card + "/entries": entries} {
			got := d.post(d.asIda, path, m{"items": sent}, http.StatusOK)
			for k, it := range items(got) {
				if it.(m)["state"] != want {
					t.Fatalf("%s, the %d. time: %d came back as %v", path, i+1, k, it)
				}
			}
		}
	}
	if whole = d.get(d.asIda, card); len(whole["blocks"].([]any)) != 0 {
		t.Fatalf("in the way stands %v", whole["blocks"])
	}
	if whole["links_for"] != "high" || whole["turned"] != "right" { // 460 V by the new motor's own plate (NEMA MG 1 part 2, read in reprints: 460 V is the series connection of nine leads)
		t.Errorf("links for %v, turned %v", whole["links_for"], whole["turned"])
	}
	key, first := uuid.NewString(), ""
	for range 3 {
		got := d.call(t, request{method: http.MethodPost, path: card + "/sign-off", as: d.asIda, body: m{"version_seen": 2, "handed_to": "Pat", "minutes": 85}, header: map[string]string{"Idempotency-Key": key}})
		if got.status != http.StatusOK {
			t.Fatalf("signed: %d %s", got.status, got.body)
		}
		if first == "" {
			first = string(got.body)
		}
		if string(got.body) != first {
			t.Errorf("signed again it says %s, and first %s", got.body, first)
		}
	}
	ended := d.json(t, request{method: http.MethodPost, path: visit + "/end", as: d.asIda, body: m{}, header: map[string]string{"If-Match": d.call(t, request{method: http.MethodGet, path: visit, as: d.asIda}).header.Get("ETag")}}, http.StatusOK)
	if v := ended["visit"].(m); v["state"] != "closed" || ended["done"] != 1.0 {
		t.Errorf("the visit ended as %v", ended)
	}

	// 5. The van has less, the old motor lies in returns as a core, the clock counts from the work.
	d.done = arrived.Add(81 * time.Minute)
	counts, _ := d.get("manager", "/assignments/"+d.assignment.String())["assignment"].(m)["counts_from"].(string)
	if from, err := time.Parse(time.RFC3339, counts); err != nil || !from.Equal(d.done.UTC()) {
		t.Errorf("it counts from %q, want %s", counts, d.done.UTC())
	}
	if task := d.get("manager", "/tasks/"+d.task.String())["task"].(m); task["state"] != "done" {
		t.Errorf("the task is %v", task["state"])
	}
	if line := where(t, d.get("parts_clerk", "/stock?location_id="+d.van.String()), "part_id", d.kit); line["on_hand"] != "1" {
		t.Errorf("in the van are %v nuts", line["on_hand"])
	}
	for _, it := range items(d.get("parts_clerk", "/stock?location_id="+d.van.String())) {
		if it.(m)["part_id"] == d.motor.String() {
			t.Errorf("the motor is in the van still: %v", it)
		}
	}
	if u := d.get("manager", "/units/"+d.old.String()); !strings.Contains(fmt.Sprint(u["place"]), "RET") {
		t.Errorf("the old motor is at %v", u["place"])
	}
	if u := d.get("manager", "/units/"+d.fresh.String()); !strings.Contains(fmt.Sprint(u["place"]), "UMB-1/SBL-L") {
		t.Errorf("the new motor is at %v", u["place"])
	}
	if core := where(t, d.get("parts_clerk", "/cores"), "bought_unit_id", d.fresh); core["state"] != "in_returns" || core["unit_id"] != d.old.String() {
		t.Errorf("the core is %v", core)
	}
	if used := items(d.get("parts_clerk", "/stock-claims?state=used&task_id="+d.task.String())); len(used) != 2 {
		t.Errorf("used of what was held are the motor and the nut, not %v", used)
	}
	if held := items(d.get("parts_clerk", "/stock-claims?task_id="+d.task.String())); len(held) != 0 {
		t.Errorf("held still is %v", held)
	}
	if diff, err := stock.Verify(ctx, d.db, access.System); err != nil || len(diff) != 0 {
		t.Errorf("the ledger says %v, %v", diff, err)
	}
	d.post("manager", "/sweep", nil, http.StatusOK)
	for _, it := range items(d.get("manager", "/tasks?position_id="+d.position.String())) {
		if it.(m)["plan"] == "PM-900" && it.(m)["state"] == "open" {
			t.Errorf("it is due again: %v", it)
		}
	}

	// The owner sees what was done and when the line was down, and nothing of ours.
	done := where(t, d.get("owner", "/completions?site_id="+site.String()), "task_id", d.task)
	if done["title"] != "Motor after 4,000 vehicles" || done["outcome"] != "counted" {
		t.Errorf("the owner reads %v", done)
	}
	seen := d.get("owner", visit)
	if v := seen["visit"].(m); v["state"] != "closed" || seen["times"] != nil || seen["findings"] != nil {
		t.Errorf("the owner sees the visit as %v", seen)
	}
	for _, path := range []string{card, "/stock-claims", "/cores"} {
		if a := d.call(t, request{method: http.MethodGet, path: path, as: "owner"}); a.status != http.StatusForbidden && a.status != http.StatusNotFound {
			t.Errorf("the owner reads %s: %d %s", path, a.status, a.body)
		}
	}
	n, err := pgdb.Read[struct{ N int }](ctx, d.db, access.System.ID, `select count(*)::int as n from completion where task_id = @task`, map[string]any{"task": d.task})
	if err != nil || n[0].N != 1 {
		t.Errorf("of all that %v completions are there, %v", n, err)
	}
}
