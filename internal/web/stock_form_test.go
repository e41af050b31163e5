package web_test

import (
	"net/http"
	"net/url"
	"strings"
	"testing"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
)

type badEntry struct {
	values map[string]string
	field  string // beside which the error stands; "" is above the form
	says   string
	status int
}

type formCase struct {
	name, path string
	v          *visitor
	good       map[string]string
	file       []byte
	rows       string
	more       int // rows that the good one adds
	to         string
	bads       []badEntry
}

// try sends a form with mistakes, then well, then the same again.
func (s *store) try(t *testing.T, c formCase) {
	t.Helper()
	send := func(values url.Values) answer {
		if c.file != nil {
			return c.v.send(c.path, values, "content", c.file)
		}
		return c.v.post(c.path, values)
	}
	for _, b := range c.bads {
		values := c.v.form(c.path)
		for k, val := range c.good {
			values.Set(k, val)
		}
		for k, val := range b.values {
			values.Set(k, val)
		}
		before := s.count(t, c.rows)
		got := send(values)
		if got.status != b.status {
			t.Errorf("%v: %d, want %d; %v", b.values, got.status, b.status, wrongs(t, got.body))
			continue
		}
		said := wrongs(t, got.body)[b.field]
		if b.field == "" {
			said = plain(got.body)
		}
		if !strings.Contains(said, b.says) {
			t.Errorf("%v: beside %q stands %q, want %q; all: %v", b.values, b.field, said, b.says, wrongs(t, got.body))
		}
		kept := sheetOf(t, got.body)
		for k, val := range b.values {
			if val != "nonsense" && kept.Get(k) != val {
				t.Errorf("%v: %s came back as %q", b.values, k, kept.Get(k))
			}
		}
		if after := s.count(t, c.rows); after != before {
			t.Errorf("%v: %d rows, then %d", b.values, before, after)
		}
	}
	values := c.v.form(c.path)
	for k, val := range c.good {
		values.Set(k, val)
	}
	before := s.count(t, c.rows)
	first, second := send(values), send(values)
	if first.status != http.StatusSeeOther || second.status != first.status || first.head.Get("Location") != second.head.Get("Location") {
		t.Fatalf("sent twice: %d to %q, then %d to %q\n%v\n%v\n%s", first.status, first.head.Get("Location"), second.status, second.head.Get("Location"),
			wrongs(t, first.body), wrongs(t, second.body), mendOf(second.body))
	}
	if more := s.count(t, c.rows) - before; more != c.more {
		t.Errorf("%d rows more, want %d", more, c.more)
	}
	to, _, _ := strings.Cut(first.head.Get("Location"), "#")
	if got := c.v.get(to); got.status != 200 {
		t.Errorf("it leads to %s: %d", to, got.status)
	}
	if c.to != "" && to != c.to {
		t.Errorf("it leads to %s, want %s", to, c.to)
	}
}

// mendOf cuts the list of what to mend out of a page.
func mendOf(body string) string {
	_, after, _ := strings.Cut(body, `<div class="mend"`)
	list, _, _ := strings.Cut(after, "</div>")
	return list
}

func TestFormsAboutUnits(t *testing.T) {
	s := newStore(t)
	one := func(table string) string { return "select count(*)::int as n from " + table }
	left, right := "/positions/"+s.left.ID.String(), "/positions/"+s.right.ID.String()
	gm, hub := s.slot(t, s.left, "gearmotor").String(), s.slot(t, s.left, "hub").String()
	rightGM := s.slot(t, s.right, "gearmotor").String()
	unit := "/units/" + s.motor.ID.String()
	facts, err := assets.UnitFacts(ctx, s.db, access.System, now, s.motor.ID)
	if err != nil {
		t.Fatal(err)
	}
	wh, ret := s.warehouse.ID.String(), s.returns.ID.String()
	for _, c := range []formCase{
		{name: "part", path: "/parts/new", v: s.asManager, good: map[string]string{"number": "mw-20110", "description": "Shaft", "class": "shaft", "fact_bore": "1-3/8", "fact_bore_unit": "in"},
			rows: one("part where number = 'MW-20110'"), more: 1, bads: []badEntry{
				{map[string]string{"number": "MW-10110"}, "number", "is in use by another part", 409},
				{map[string]string{"fact_bore": "wide"}, "fact_bore", "is a number", 422},
				{map[string]string{"fact_bore": "-1"}, "fact_bore", "above 0", 422},
				{map[string]string{"class": "nonsense"}, "class", "not among the choices", 422},
				{map[string]string{"description": ""}, "description", "must not be blank", 422},
			}},
		{name: "edit part", path: "/parts/" + s.hubPart.ID.String() + "/edit", v: s.asManager, good: map[string]string{"description": "Hub with four screws", "fact_bore": "35", "fact_bore_unit": "mm"},
			rows: one("part_fact where fact = 'bore' and value = '35 mm'"), more: 1, bads: []badEntry{{map[string]string{"number": "MW-10110"}, "number", "is in use", 409}}},
		{name: "location", path: "/locations/new", v: s.asManager, good: map[string]string{"code": "VAN-3", "name": "Imre's van", "kind": "van"}, rows: one("location where code = 'VAN-3'"), more: 1, bads: []badEntry{
			{map[string]string{"code": "WH"}, "code", "is in use by another location", 409},
			{map[string]string{"kind": "site_shelf"}, "site_id", "is given for a site_shelf", 422},
			{map[string]string{"code": "van 3"}, "code", "capital letters", 422},
		}},
		{name: "edit location", path: "/locations/" + ret + "/edit", v: s.asManager, good: map[string]string{"name": "Quarantine shelf", "kind": "quarantine"},
			rows: one("location where name = 'Quarantine shelf' and kind = 'quarantine'"), more: 1, to: "/locations", bads: []badEntry{
				{map[string]string{"name": ""}, "name", "must not be blank", 422},
				{map[string]string{"kind": "nonsense"}, "kind", "not among the choices", 422},
			}},
		{name: "withdraw photo", path: "/photos/" + s.photo.ID.String() + "/withdraw", v: s.asTech, good: map[string]string{"reason": "It is of the other brush"}, rows: one("photo where withdrawn_why = 'It is of the other brush'"), more: 1, to: left,
			bads: []badEntry{{map[string]string{"reason": ""}, "reason", "must not be blank", 422}}},
		{name: "unit", path: "/units/new", v: s.asTech, good: map[string]string{"part_id": s.motorPart.ID.String(), "serial": "77-1", "location_id": wh, "from": "2024", "start_hours": "120.5", "start_days": "40"},
			rows: one("stay where from_precision = 'year' and location_id = '" + wh + "'"), more: 1, bads: []badEntry{
				{map[string]string{"from": "some day"}, "from", "is a year, a month, a day", 422},
				{map[string]string{"from": "2031"}, "from", "must not lie ahead", 422},
				{map[string]string{"tag": s.motor.Tag}, "tag", "is in use by another unit", 409},
				{map[string]string{"tag": "SB0000019"}, "tag", "is not one of our labels", 422},
				{map[string]string{"owner": "customer"}, "owner_customer_id", "where the owner is a customer", 422},
				{map[string]string{"pattern": "AABC"}, "pattern", "row of A and B", 422},
				{map[string]string{"start_hours": "-3"}, "start_hours", "not below 0", 422},
				{map[string]string{"start_days": "many"}, "start_days", "whole number", 422},
				{map[string]string{"part_id": ""}, "part_id", "must not be blank", 422},
			}},
		{name: "edit unit", path: unit + "/edit", v: s.asTech, good: map[string]string{"serial": "4471-A", "start_vehicles": "90000"}, rows: one("unit where serial = '4471-A' and start_vehicles = 90000"), more: 1, bads: []badEntry{
			{map[string]string{"owner": "customer"}, "owner_customer_id", "where the owner is a customer", 422},
		}},
		{name: "unit fact", path: unit + "/facts/new?fact=link_setting", v: s.asTech, good: map[string]string{"value": "high", "how": "seen"}, rows: one("unit_fact where fact = 'link_setting'"), more: 1, bads: []badEntry{
			{map[string]string{"value": "nonsense"}, "value", "not among the choices", 422},
			{map[string]string{"how": ""}, "how", "must not be blank", 422},
		}},
		{name: "which fact", path: unit + "/facts/new", v: s.asTech, good: map[string]string{"fact": "leads"}, rows: one("unit_fact where false")},
		{name: "withdraw", path: unit + "/facts/" + facts[0].ID.String() + "/withdraw", v: s.asTech, good: map[string]string{"reason": "It was another unit"}, rows: one("unit_fact where withdrawn_at is not null"), more: 1,
			bads: []badEntry{{map[string]string{"reason": ""}, "reason", "must not be blank", 422}}},
		{name: "section", path: "/units/" + s.media.ID.String() + "/sections/new", v: s.asTech, good: map[string]string{"section": "16", "lot": "L-2301"}, rows: one("section_replaced"), more: 1, bads: []badEntry{
			{map[string]string{"section": "17"}, "section", "The section counts from 1 at the bottom up to 16", 422},
			{map[string]string{"section": "top"}, "section", "whole number", 422},
			{map[string]string{"at": "2031-01-01T00:00"}, "at", "must not lie ahead", 422},
		}},
		{name: "move", path: "/units/" + s.turned.ID.String() + "/move", v: s.asTech, good: map[string]string{"location_id": ret, "from": "2026-11-20"}, rows: one("stay where location_id = '" + ret + "'"), more: 1, bads: []badEntry{
			{map[string]string{"location_id": ""}, "location_id", "is needed, or a slot", 422},
			{map[string]string{"slot_id": s.right.Code}, "slot_id", "one or the other", 422},
			{map[string]string{"location_id": "", "slot_id": "UMB-9/NOTHING"}, "slot_id", "takes a gearmotor", 422},
			{map[string]string{"location_id": "", "slot_id": s.left.Code}, "slot_id", "take it out by a swap", 409},
			{map[string]string{"from": "2019-01-01"}, "from", "must lie after", 409},
			{map[string]string{"location_id": wh}, "", "there already", 409},
		}},
		{name: "fit from stock", path: right + "/fit?slot=" + rightGM, v: s.asTech, good: map[string]string{"unit_id": s.spare.ID.String(), "from": "2026-11-02"}, rows: one("stay where slot_id = '" + rightGM + "' and from_precision = 'day'"), more: 1, to: right, bads: []badEntry{
			{map[string]string{"unit_id": ""}, "part_id", "or a unit from stock", 422},
			{map[string]string{"part_id": s.motorPart.ID.String()}, "part_id", "one or the other", 422},
			{map[string]string{"unit_id": "", "serial": "X9"}, "part_id", "is needed to know what it is", 422},
			{map[string]string{"from": ""}, "from", "has a recorded place already", 409},
		}},
		{name: "fit what was found", path: left + "/fit?slot=" + hub, v: s.asTech, good: map[string]string{"part_id": s.hubPart.ID.String(), "remark": "rusty"}, rows: one("stay where slot_id = '" + hub + "' and from_precision = 'unknown'"), more: 1, to: left, bads: []badEntry{
			{map[string]string{"tag": s.motor.Tag}, "tag", "is in use by another unit", 409},
		}},
		{name: "which slots", path: left + "/swap", v: s.asTech, good: map[string]string{"slots": gm}, rows: one("stay where false"), to: left + "/swap?slot=" + gm},
		{name: "swap", path: left + "/swap?fact=hub_fixing&slot=" + gm, v: s.asTech, good: map[string]string{"at": "2026-11-24 10:00", "reason_0": "failed", "to_0": ret, "in_0": "none", "value_0": "flange3", "how": "seen", "remark": "bearing gone"},
			rows: one("stay where ended_for = 'failed'"), more: 1, to: left, bads: []badEntry{
				{map[string]string{"reason_0": ""}, "reason_0", "must not be blank", 422},
				{map[string]string{"to_0": ""}, "to_0", "must not be blank", 422},
				{map[string]string{"in_0": ""}, "in_0", "must not be blank", 422}, // a slot is left empty on purpose only
				{map[string]string{"at": "2031-01-01"}, "at", "must not lie ahead", 422},
				{map[string]string{"at": "2020-01-01"}, "", "holds nothing that is known", 409},
				{map[string]string{"value_0": "nonsense"}, "value_0", "not among the choices", 422},
				{map[string]string{"how": ""}, "how", "must not be blank", 422},
			}},
		{name: "position photo", path: left + "/photos/new", v: s.asTech, file: picture(t, 800, 600), good: map[string]string{"caption": "Diagram in the lid"}, rows: one("photo where caption = 'Diagram in the lid'"), more: 1, bads: []badEntry{
			{map[string]string{"taken_at": "2031-01-01T00:00"}, "taken_at", "must not lie ahead", 422},
		}},
		{name: "unit photo", path: unit + "/photos/new", v: s.asTech, file: pngOf(t, 300, 200), good: map[string]string{"caption": "Plate"}, rows: one("photo where unit_id is not null and media_type = 'image/png'"), more: 1},
		{name: "survey", path: right + "/survey", v: s.asTech, file: picture(t, 320, 240), good: map[string]string{"fact_bore": "1.375", "fact_bore_unit": "in", "fact_media": "foam", "part_id_hub": s.hubPart.ID.String(), "caption": "As found"},
			rows: one("position_fact where position_id = '" + s.right.ID.String() + "' and seen_by = 'Imre Vasko' and how in ('measured', 'seen')"), more: 2, bads: []badEntry{
				{map[string]string{"fact_bore": "0"}, "fact_bore", "above 0", 422},
				{map[string]string{"serial_shaft": "S1"}, "part_id_shaft", "is needed to know what it is", 422},
				{map[string]string{"tag_hub": s.motor.Tag}, "tag_hub", "is in use by another unit", 409},
				{map[string]string{"seen_at": "2031-01-01T00:00"}, "seen_at", "must not lie ahead", 422},
			}},
	} {
		t.Run(c.name, func(t *testing.T) { s.try(t, c) })
	}
	if n := s.count(t, one("photo where caption = 'As found'")); n != 1 {
		t.Errorf("the survey kept %d photos", n)
	}
	if n := s.count(t, one("unit where owner = 'customer'")); n != 2 {
		t.Errorf("%d units are the customer's: what was found at the site is", n)
	}
	if got := s.asTech.get(unit); !strings.Contains(got.body, "bearing gone") || !strings.Contains(got.body, "<strong>failed</strong>") {
		t.Error("the page of the unit does not tell why it came out")
	}
	if got := s.asTech.get(left); !strings.Contains(got.body, "three-bolt flange") || !strings.Contains(got.body, ">empty</span>") {
		t.Error("the page of the position does not tell of the swap")
	}
}

// Both of a pair change places in one swap.
func TestTwinsChangePlaces(t *testing.T) {
	s := newStore(t)
	write(t, s.db, func(tx *gorm.DB) (assets.Position, error) {
		q, err := assets.OnePosition(ctx, s.db, access.System, s.left.ID)
		if err != nil {
			return q, err
		}
		return assets.Pair(tx, access.System, q.ID, q.Version, &s.right.ID)
	})
	s.put(t, s.spare, assets.Place{SlotID: s.slot(t, s.right, "gearmotor")}, now.AddDate(0, -2, 0), "day")
	gm, its := s.slot(t, s.left, "gearmotor").String(), s.slot(t, s.right, "gearmotor").String()
	choose := "/positions/" + s.left.ID.String() + "/swap?pick=" + gm
	values := s.asTech.form(choose)
	if values.Get("slots") != gm {
		t.Errorf("the slot is not chosen beforehand: %v", values)
	}
	values.Set("twin_slots", its)
	got := s.asTech.post(choose, values)
	if got.status != 303 {
		t.Fatalf("%d %s", got.status, mendOf(got.body))
	}
	path := got.head.Get("Location")
	values = s.asTech.form(path)
	for k, val := range map[string]string{"reason_0": "moved", "in_0": s.spare.ID.String(), "reason_1": "moved", "in_1": s.motor.ID.String(), "to_0": "", "to_1": ""} {
		values.Set(k, val)
	}
	first, second := s.asTech.post(path, values), s.asTech.post(path, values)
	if first.status != 303 || second.status != 303 {
		t.Fatalf("%d, then %d: %s %v", first.status, second.status, mendOf(first.body)+mendOf(second.body), wrongs(t, first.body))
	}
	u, err := assets.OneUnit(ctx, s.db, access.System, now, s.motor.ID)
	if err != nil || val(u.PositionCode) != s.right.Code {
		t.Errorf("the motor is at %q: %v", val(u.PositionCode), err)
	}
	values = s.asTech.form("/positions/" + s.left.ID.String() + "/swap")
	if got := s.asTech.post("/positions/"+s.left.ID.String()+"/swap", values); got.status != 422 || !strings.Contains(got.body, "Choose what comes out") {
		t.Errorf("nothing chosen: %d", got.status)
	}
}

func val[T any](p *T) T {
	if p == nil {
		var zero T
		return zero
	}
	return *p
}

func TestPicturesThatAreNone(t *testing.T) {
	s := newStore(t)
	path := "/positions/" + s.left.ID.String() + "/photos/new"
	for _, c := range []struct {
		name   string
		file   []byte
		says   string
		status int
	}{
		{"nothing", nil, "must be chosen", 422},
		{"a text", []byte("GIF89a, or so it says"), "is no JPEG or PNG picture", 422},
		{"half a picture", picture(t, 400, 300)[:900], "", 422},
		{"too many pixels", picture(t, 2001, 10), "at most 2000 pixels a side", 422},
		{"too many bytes", append(picture(t, 400, 300), make([]byte, 1<<20)...), "at most 1 MiB", 413},
		{"far too many bytes", make([]byte, 3<<20), "", 413},
	} {
		before := s.count(t, "select count(*)::int as n from photo")
		got := s.asTech.send(path, s.asTech.form(path), "content", c.file)
		if got.status != c.status || c.says != "" && !strings.Contains(got.body, c.says) {
			t.Errorf("%s: %d %v", c.name, got.status, wrongs(t, got.body))
		}
		if after := s.count(t, "select count(*)::int as n from photo"); after != before {
			t.Errorf("%s was kept", c.name)
		}
	}
}

// What a page hides is refused when it is sent all the same.
func TestFormsAboutUnitsOfOthersAreRefused(t *testing.T) {
	s := newStore(t)
	key := url.Values{"key": {uuid.NewString()}}
	for _, path := range []string{"/positions/" + s.left.ID.String() + "/swap", "/positions/" + s.left.ID.String() + "/fit?slot=" + s.slot(t, s.left, "hub").String(), "/positions/" + s.left.ID.String() + "/survey",
		"/positions/" + s.left.ID.String() + "/photos/new", "/units/new", "/units/" + s.motor.ID.String() + "/edit", "/units/" + s.motor.ID.String() + "/move", "/units/" + s.motor.ID.String() + "/facts/new?fact=leads",
		"/units/" + s.media.ID.String() + "/sections/new", "/units/" + s.motor.ID.String() + "/photos/new", "/photos/" + s.photo.ID.String() + "/withdraw", "/parts/new", "/locations/new", "/locations/" + s.returns.ID.String() + "/edit"} {
		for _, v := range []*visitor{s.asOwner, s.asStaff} {
			if got := v.post(path, key); got.status != 403 {
				t.Errorf("%s: %d", path, got.status)
			}
		}
		if got := s.nobody(t).post(path, key); got.status != 303 {
			t.Errorf("%s as nobody: %d", path, got.status)
		}
	}
	for _, path := range []string{"/parts/new", "/locations/new", "/locations/" + s.returns.ID.String() + "/edit"} {
		if got := s.asTech.post(path, key); got.status != 403 {
			t.Errorf("%s as technician: %d", path, got.status)
		}
	}
}

// The count on the overview is that of the page it leads to.
func TestFindingsAreCountedAsTheyAreListed(t *testing.T) {
	h := demoHouse(t)
	sites, err := assets.Sites(ctx, h.db, access.System, nil, assets.Page{Limit: 100})
	if err != nil {
		t.Fatal(err)
	}
	var ids []uuid.UUID
	for _, s := range sites {
		ids = append(ids, s.ID)
	}
	counts, err := assets.CountFindings(ctx, h.db, access.System, now, ids)
	if err != nil {
		t.Fatal(err)
	}
	total := 0
	for _, s := range sites {
		all, err := assets.Findings(ctx, h.db, access.System, now, s.ID)
		if err != nil {
			t.Fatal(err)
		}
		if len(all) != counts[s.ID] {
			t.Errorf("%s: %d listed, %d counted", s.Code, len(all), counts[s.ID])
		}
		total += len(all)
	}
	if total == 0 {
		t.Error("the demo has none")
	}
}
