package web_test

import (
	"strings"
	"testing"

	"github.com/google/uuid"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/parts"
)

func (h *house) partID(t testing.TB, number string) string {
	t.Helper()
	hits, err := parts.Search(ctx, h.db, access.System, number, 1)
	if err != nil || len(hits) != 1 {
		t.Fatalf("%s: %v, %v", number, hits, err)
	}
	return hits[0].ID.String()
}

func (h *house) positionID(t testing.TB, code string) uuid.UUID {
	t.Helper()
	all, err := assets.Positions(ctx, h.db, access.System, assets.PositionFilter{}, assets.Page{Limit: 1000})
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range all {
		if p.Code == code {
			return p.ID
		}
	}
	t.Fatalf("no position %s", code)
	return uuid.Nil
}

func mustSay(t *testing.T, a answer, path string, says ...string) {
	t.Helper()
	if a.status != 200 {
		t.Fatalf("%s: %d", path, a.status)
	}
	for _, s := range says {
		if !strings.Contains(a.body, s) {
			t.Errorf("%s does not say %q", path, s)
		}
	}
}

// What a job takes can be read out from the page of a position; parts are found by
// old numbers and threads, and tell what follows them; only who sees cost is told any.
func TestPagesOfWhatWorkTakes(t *testing.T) {
	h := demoHouse(t)
	tech, manager, staff := h.as(t, someone(t, h, "technician")), h.as(t, someone(t, h, "manager")), h.as(t, someone(t, h, "site_staff"))
	at := "/positions/" + h.positionID(t, "UMB-1/SBL-D").String() + "/takes"
	mustSay(t, tech.get(at), at, "J01 Brush gearmotor swap", "J12 Plunger-pump seal service", "Choose the work")
	path := at + "?job=J01"
	got := tech.get(path)
	mustSay(t, got, path, "MW-10110", "First turn the gearbox from O12 to O3 (J09, about 35 min)", "First set the links for high", "MW-95101", "12 in 100", "sockets 9/16, 3/4 and 1-1/2 in",
		"own lock and tag", "Before hands go in.", "25 g")
	if strings.Contains(got.body, "MW-10120") || strings.Contains(got.body, "sockets 17, 19 and 36 mm") || strings.Contains(got.body, "successfully") {
		t.Errorf("%s lists what is for others", path)
	}
	path = "/positions/" + h.positionID(t, "OST-1/SBH-P").String() + "/takes?job=J03"
	mustSay(t, tech.get(path), path, "Check before you go.", "Hub fixing of the position is not known.", "look under the cap", "Record it", "Convert the position to a flanged hub")
	path += "&method=convert"
	mustSay(t, tech.get(path), path, "MW-95301")
	if a := tech.get(at + "?job=J03&method=magic"); a.status != 422 {
		t.Errorf("an unknown method: %d", a.status)
	}

	for words, says := range map[string]string{"mw10105": "followed by MW-10110", "5/8-11": "MW-22003", "22009": "withdrawn", "nothing like it": "Nothing has all of that"} {
		path := "/parts?words=" + strings.ReplaceAll(words, " ", "+")
		mustSay(t, tech.get(path), path, says)
	}
	part := "/parts/" + h.partID(t, "MW-10105")
	mustSay(t, tech.get(part), part, "Replaced.", "MW-10110", "supply_volts = 460", "98 lb")
	kit := "/parts/" + h.partID(t, "MW-95101")
	mustSay(t, manager.get(kit), kit, "Made of", "MW-95501", "optional", "Taken by")
	motor := "/parts/" + h.partID(t, "MW-10110")
	mustSay(t, manager.get(motor), motor, "USD 1,450.00", "deposit USD 250.00", "Fitted in", "Quillan Drive Works")
	for _, v := range []*visitor{tech, staff} {
		if a := v.get(motor); a.status != 200 || strings.Contains(a.body, "USD") {
			t.Errorf("cost is shown to who must not see it: %d", a.status)
		}
	}
	if a := staff.get(motor); strings.Contains(a.body, "Quillan") {
		t.Error("site staff see the supplier")
	}
	labels := motor + "/labels"
	mustSay(t, tech.get(labels), labels, `class="qr"`, "MW-10110", "serial 0042318")
	site := "/sites/" + h.siteID(t, "UMB") + "/labels"
	mustSay(t, staff.get(site), site, "UMB-1/SBL-D", `class="qr"`)
}

func (h *house) siteID(t testing.TB, code string) string {
	t.Helper()
	all, err := assets.Sites(ctx, h.db, access.System, nil, assets.Page{Limit: 100})
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range all {
		if s.Code == code {
			return s.ID.String()
		}
	}
	t.Fatalf("no site %s", code)
	return ""
}
