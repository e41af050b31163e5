package web_test

import (
	"slices"
	"strings"
	"testing"

	"github.com/google/uuid"
	"golang.org/x/net/html"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
)

// went tells that a form was carried out and leads back to where it came from.
func went(t *testing.T, what string, got answer, to string) {
	t.Helper()
	if got.status != 303 || got.head.Get("Location") != to {
		t.Fatalf("%s: %d to %q, not %q; %v\n%s", what, got.status, got.head.Get("Location"), to, wrongs(t, got.body), mendsOf(t, got.body))
	}
}

// mendsOf gives the list of what to mend of a page.
func mendsOf(t *testing.T, body string) string {
	t.Helper()
	var all []string
	walk(parse(t, body), func(n *html.Node) {
		if n.Data == "div" && strings.Contains(attr(n, "class"), "mend") {
			all = append(all, strings.Join(strings.Fields(textOf(n)), " "))
		}
	})
	return strings.Join(all, "\n")
}

// What is wrong is told at its field, and nothing is recorded.
func refuses(t *testing.T, v *visitor, path string, good map[string]string, cases [][3]string) {
	t.Helper()
	for _, c := range cases {
		fill := map[string]string{}
		for k, val := range good {
			fill[k] = val
		}
		fill[c[0]] = c[1]
		field := strings.TrimSuffix(c[0], "_unit")
		if got := v.fill(path, fill); got.status != 422 && got.status != 409 || !strings.Contains(wrongs(t, got.body)[field], c[2]) {
			t.Errorf("%s with %s %q: %d %v, not %q", path, c[0], c[1], got.status, wrongs(t, got.body), c[2])
		}
	}
}

// Only who keeps the register arranges a site, and nobody one that is not theirs.
func TestWhoArrangesASite(t *testing.T) {
	g := newGround(t)
	site, left := "/sites/"+g.site.ID.String(), "/positions/"+g.left.ID.String()
	forms := []string{"/lines/" + g.line.ID.String() + "/edit", left + "/edit", left + "/twin", left + "/isolation", site + "/supplies/new", site + "/week", site + "/hand-over", site + "/points/new", "/points/" + g.point.ID.String() + "/revise"}
	for _, path := range forms {
		for name, c := range map[string]struct {
			v      *visitor
			status int
		}{"manager": {g.asManager, 200}, "technician": {g.asTech, 403}, "owner": {g.asOwner, 403}, "staff": {g.asStaff, 403}} {
			if got := c.v.get(path); got.status != c.status {
				t.Errorf("%s as %s: %d", path, name, got.status)
			}
		}
	}
	stranger := g.as(t, g.person(t, "Wren Pell", access.NewGrant{Role: "owner", CustomerID: &g.theirs.ID}))
	for _, path := range forms {
		if got := stranger.get(path); got.status != 404 {
			t.Errorf("%s as a stranger: %d", path, got.status)
		}
	}
	nobody := uuid.NewString()
	for _, path := range []string{"/lines/" + nobody + "/edit", "/lines/x/edit", "/points/" + nobody + "/revise", "/points/x/revise", site + "/supplies/" + nobody + "/end", site + "/supplies/x/end"} {
		if got := g.asManager.get(path); got.status != 404 {
			t.Errorf("%s: %d", path, got.status)
		}
	}
	// the buttons stand where they may be used
	for path, leads := range map[string][]string{site: {"/lines/" + g.line.ID.String() + "/edit", site + "/supplies/new", site + "/week", site + "/hand-over", site + "/points/new", "/points/" + g.point.ID.String() + "/revise"},
		left: {left + "/edit", left + "/twin", left + "/isolation"}} {
		theirs, ours := links(t, g.asTech.get(path).body), links(t, g.asManager.get(path).body)
		for _, l := range leads {
			if !slices.Contains(ours, l) || slices.Contains(theirs, l) {
				t.Errorf("%s leads a manager to %s: %v; a technician: %v", path, l, slices.Contains(ours, l), slices.Contains(theirs, l))
			}
		}
	}
}

func TestEditingLinesAndPositions(t *testing.T) {
	g := newGround(t)
	site, line := "/sites/"+g.site.ID.String(), "/lines/"+g.line.ID.String()+"/edit"
	if was := g.asManager.form(line); was.Get("code") != "UMB-1" || was.Get("length") != "110" || was.Get("length_unit") != "ft" {
		t.Errorf("it shows %v", was)
	}
	stale := g.asManager.form(line)
	refuses(t, g.asManager, line, nil, [][3]string{{"code", "small", "capital letters"}, {"length", "long", "is a number"}, {"length", "NaN", "is a number"}, {"vehicles_per_hour_max", "5000", "between 1 and 1000"}, {"vehicles_per_hour_max", "x", "whole number"}})
	went(t, "the line", g.asManager.fill(line, map[string]string{"name": "Express", "length": "33.5", "length_unit": "m", "vehicles_per_hour_max": "110"}), site+"#line-"+g.line.ID.String())
	if body := wordsOf(t, g.asOwner.get(site).body); !strings.Contains(body, "Express UMB-1 33.5 m long · at most 110 vehicles an hour") {
		t.Errorf("the site does not say so:\n%s", body)
	}
	stale.Set("name", "Slow")
	got := g.asManager.post(line, stale)
	if got.status != 409 || !strings.Contains(wordsOf(t, got.body), "Length of the conveyor 33.5 m") {
		t.Errorf("somebody else was faster: %d\n%s", got.status, wordsOf(t, got.body))
	}

	path := "/positions/" + g.left.ID.String()
	supply := write(t, g.db, func(tx *gorm.DB) (assets.Supply, error) {
		return assets.AddSupply(tx, access.System, now, g.site.ID, assets.NewSupply{Code: "MAIN", Volts: 460, Phases: 3, Hertz: 60, From: new(now.AddDate(0, -6, 0))})
	})
	if was := g.asManager.form(path + "/edit"); was.Get("code") != g.left.Code || was.Get("line_id") != g.line.ID.String() || was.Get("line_side") != "left" {
		t.Errorf("it shows %v", was)
	}
	refuses(t, g.asManager, path+"/edit", nil, [][3]string{{"code", "small", "capital letters"}, {"code", g.right.Code, "in use"}, {"name", "", "must not be blank"}, {"along", "far", "is a number"}, {"supply_id", uuid.NewString(), "not among the choices"}})
	went(t, "the position", g.asManager.fill(path+"/edit", map[string]string{"name": "Left brush", "along": "12", "along_unit": "ft", "supply_id": supply.ID.String(), "aliases": "Old Sally\nnumber three"}), path+"#place")
	body := wordsOf(t, g.asTech.get(path).body)
	for _, want := range []string{"Left brush", "12 ft from the entrance", "Old Sally", "number three", "460 V"} {
		if !strings.Contains(body, want) {
			t.Errorf("the position lacks %q", want)
		}
	}
	// a supply that ended stays among the choices of what it fed, as ended
	end := site + "/supplies/" + supply.ID.String() + "/end"
	refuses(t, g.asManager, end, nil, [][3]string{{"at", "soon", "is a date"}, {"at", "2020-01-01T00:00", "must lie after"}})
	went(t, "the end of the supply", g.asManager.fill(end, map[string]string{"at": "2026-11-25T09:00"}), site+"#supplies")
	if got := g.asManager.fill(end, map[string]string{"at": "2026-11-25T09:10"}); got.status != 409 || !strings.Contains(wrongs(t, got.body)["at"], "ended") {
		t.Errorf("it ends twice: %d %v", got.status, wrongs(t, got.body))
	}
	if got := g.asManager.get(path + "/edit"); !strings.Contains(got.body, "(ended)") {
		t.Error("the supply that ended is not among the choices")
	}
	if got := g.asManager.get("/positions/" + g.right.ID.String() + "/edit"); strings.Contains(got.body, "MAIN") {
		t.Error("the supply that ended is offered to another position")
	}
}

func TestTwinsByPage(t *testing.T) {
	g := newGround(t)
	left, right := "/positions/"+g.left.ID.String(), "/positions/"+g.right.ID.String()
	had := g.asManager.form(left + "/twin").Get("twin_id")
	if had != "" && had != g.right.ID.String() {
		t.Fatalf("its twin is %q", had)
	}
	went(t, "no twin", g.asManager.fill(left+"/twin", map[string]string{"twin_id": ""}), left+"#place")
	if body := g.asTech.get(right).body; strings.Contains(body, "brushes are worked on in pairs") {
		t.Error("the pair is not parted")
	}
	stale := g.asManager.form(right + "/twin")
	went(t, "its twin", g.asManager.fill(left+"/twin", map[string]string{"twin_id": g.right.ID.String()}), left+"#place")
	if body := g.asTech.get(right).body; !strings.Contains(body, "brushes are worked on in pairs") || !strings.Contains(body, left) {
		t.Error("the other one does not name it")
	}
	if got := g.asManager.post(right+"/twin", stale); got.status != 409 || !strings.Contains(wordsOf(t, got.body), "Its twin "+g.left.Code) {
		t.Errorf("somebody else was faster: %d\n%s", got.status, wordsOf(t, got.body))
	}
	if got := g.asManager.get(left + "/edit"); !strings.Contains(got.body, "its line, kind and side stay until the pair is parted") {
		t.Error("it does not say that the pair has to be parted first")
	}
	if got := g.asManager.fill(left+"/edit", map[string]string{"line_side": "centre"}); got.status == 303 {
		t.Error("a twin moves to the centre")
	}
	if got := g.asManager.fill(left+"/twin", map[string]string{"twin_id": uuid.NewString()}); got.status != 422 || wrongs(t, got.body)["twin_id"] == "" {
		t.Errorf("a twin of nobody: %d", got.status)
	}
}

func TestSuppliesAndHandOverByPage(t *testing.T) {
	g := newGround(t)
	site := "/sites/" + g.site.ID.String()
	good := map[string]string{"code": "MAIN", "volts": "460", "phases": "3", "hertz": "60"}
	refuses(t, g.asManager, site+"/supplies/new", good, [][3]string{{"code", "", "must not be blank"}, {"code", "a/b", "letters, digits"}, {"volts", "NaN", "is a number"}, {"volts", "-230", "between 1 and 1000"}, {"volts", "4600", "between 1 and 1000"},
		{"phases", "2", "not among the choices"}, {"hertz", "400", "not among the choices"}, {"from", "once", "is a date"}})
	went(t, "a supply", g.asManager.fill(site+"/supplies/new", map[string]string{"code": "MAIN", "volts": "240", "phases": "3", "hertz": "60", "high_leg": "yes", "from": "2026-01-01T00:00"}), site+"#supplies")
	if body := wordsOf(t, g.asTech.get(site).body); !strings.Contains(body, "240 V") || !strings.Contains(body, "mind the high leg") || !strings.Contains(body, "since 1 January 2026") {
		t.Errorf("the site does not say so:\n%s", body)
	}
	if got := g.asManager.fill(site+"/supplies/new", good); got.status != 409 || !strings.Contains(wrongs(t, got.body)["code"], "of that code") {
		t.Errorf("of that code again: %d %v", got.status, wrongs(t, got.body))
	}

	over := site + "/hand-over"
	if got := g.asManager.get(over); !strings.Contains(got.body, "Hadrelle Wash Group") {
		t.Error("it does not say whose the site is")
	}
	refuses(t, g.asManager, over, map[string]string{"customer_id": g.theirs.ID.String(), "from": "2026-11-01T00:00"}, [][3]string{{"customer_id", "", "must not be blank"}, {"customer_id", g.ours.ID.String(), "already owns"},
		{"customer_id", uuid.NewString(), "not among the choices"}, {"from", "", "must not be blank"}, {"from", "2000-01-01T00:00", "must lie after"}})
	buyer := g.as(t, g.person(t, "Wren Pell", access.NewGrant{Role: "owner", CustomerID: &g.theirs.ID}))
	if got := buyer.get(site); got.status != 404 {
		t.Errorf("the buyer sees it before: %d", got.status)
	}
	went(t, "the site", g.asManager.fill(over, map[string]string{"customer_id": g.theirs.ID.String(), "from": "2026-11-01T00:00"}), site+"#owners")
	if got := buyer.get(site); got.status != 200 {
		t.Errorf("the buyer does not see it: %d", got.status)
	}
	if body := wordsOf(t, g.asManager.get(site).body); !strings.Contains(body, "Pellhaven Auto Bath 1 November 2026, to this day") {
		t.Errorf("whose it is now is not told:\n%s", body)
	}
}

func TestTheWeekByPage(t *testing.T) {
	g := newGround(t)
	site := "/sites/" + g.site.ID.String()
	stale := g.asManager.form(site + "/week")
	refuses(t, g.asManager, site+"/week", nil, [][3]string{{"open_1", "early", "is a time to a time"}, {"open_1", "8-20", "is a time to a time"}, {"open_1", "08:60 to 20:00", "is a time to a time"}, {"down_7", "25:00 to 26:00", "is a time to a time"},
		{"open_3", "08:00 to 14:00, 12:00 to 20:00", "overlaps another stretch"}})
	// what runs over midnight is in the way of the day after
	if got := g.asManager.fill(site+"/week", map[string]string{"open_7": "20:00 to 03:00", "open_1": "02:00 to 12:00"}); got.status != 422 || len(wrongs(t, got.body)) != 1 {
		t.Errorf("Sunday runs into Monday: %d %v", got.status, wrongs(t, got.body))
	}
	fill := map[string]string{"open_1": "8:00-20:00", "open_2": "08:00 to 12:00, 13:00 – 20:00", "open_6": "00:00 to 24:00", "down_1": "22:00 to 02:00"}
	went(t, "the week", g.asManager.fill(site+"/week", fill), site+"#week")
	body := wordsOf(t, g.asOwner.get(site).body)
	for _, want := range []string{"Monday 08:00 to 20:00 22:00 to 02:00 (next day)", "Tuesday 08:00 to 12:00, 13:00 to 20:00 not agreed", "Wednesday closed not agreed", "Saturday round the clock"} {
		if !strings.Contains(body, want) {
			t.Errorf("the week lacks %q:\n%s", want, body)
		}
	}
	// and comes back as it was typed, in one way of writing
	was := g.asManager.form(site + "/week")
	for name, want := range map[string]string{"open_1": "08:00 to 20:00", "open_2": "08:00 to 12:00, 13:00 to 20:00", "open_3": "", "open_6": "00:00 to 24:00", "down_1": "22:00 to 02:00"} {
		if was.Get(name) != want {
			t.Errorf("%s shows %q, not %q", name, was.Get(name), want)
		}
	}
	went(t, "the same again", g.asManager.post(site+"/week", was), site+"#week")
	if again := g.asManager.form(site + "/week"); again.Get("open_2") != was.Get("open_2") || again.Get("down_1") != was.Get("down_1") {
		t.Errorf("%v, then %v", was, again)
	}
	stale.Set("open_1", "10:00 to 11:00")
	if got := g.asManager.post(site+"/week", stale); got.status != 409 || !strings.Contains(wordsOf(t, got.body), "08:00 to 20:00") {
		t.Errorf("somebody else was faster: %d", got.status)
	}
}

func TestIsolationByPage(t *testing.T) {
	g := newGround(t)
	site, left, right := "/sites/"+g.site.ID.String(), "/positions/"+g.left.ID.String(), "/positions/"+g.right.ID.String()
	good := map[string]string{"code": "UMB-1/AIR-2", "energy": "air", "place": "Blue valve behind the compressor", "isolate": "Close it and lock it.", "prove": "Open the bleed until nothing hisses.",
		"restore": "Close the bleed, take the lock off, open it slowly.", "lockable": "yes", "checked_on": "2026-11-20", "checked_by": "Imre Vasko"}
	refuses(t, g.asManager, site+"/points/new", good, [][3]string{{"code", "small", "capital letters"}, {"code", "UMB-1/EL-1", "in use"}, {"energy", "magic", "not among the choices"}, {"place", "", "must not be blank"},
		{"prove", "", "must not be blank"}, {"checked_on", "2031-01-01", "must not lie ahead"}, {"checked_on", "yesterday", "is a date"}, {"checked_by", "", "must not be blank"}, {"valid_from", "2031-01-01T00:00", "must not lie ahead"}})
	if got := g.asManager.get(site + "/points/new"); !strings.Contains(plain(got.body), assets.Caution) {
		t.Error("the form says nothing of the site's own procedure")
	}
	went(t, "a point", g.asManager.fill(site+"/points/new", good), site+"#isolation")
	body := wordsOf(t, g.asTech.get(site).body)
	if !strings.Contains(body, "Blue valve behind the compressor takes a lock not in sight of the position") || !strings.Contains(body, "Last checked 20 November 2026 by Imre Vasko") {
		t.Errorf("the site does not show it:\n%s", body)
	}

	// behind which points a position is
	all, err := assets.IsolationPoints(ctx, g.db, access.System, now, g.site.ID)
	if err != nil || len(all) != 2 {
		t.Fatal(all, err)
	}
	air := all[slices.IndexFunc(all, func(p assets.IsolationPoint) bool { return p.Energy == "air" })]
	values := g.asManager.form(right + "/isolation")
	if len(values["point_ids"]) != 0 {
		t.Errorf("the right one is behind %v", values["point_ids"])
	}
	values["point_ids"] = []string{air.ID.String(), g.point.ID.String()}
	went(t, "two points", g.asManager.post(right+"/isolation", values), right+"#isolation")
	if body := wordsOf(t, g.asTech.get(left).body); !strings.Contains(body, "Locking it takes 1 other position too: "+g.right.Code) {
		t.Errorf("the left one does not say that its point is shared:\n%s", body)
	}
	stale := g.asManager.form(right + "/isolation")
	values = g.asManager.form(right + "/isolation")
	if len(values["point_ids"]) != 2 {
		t.Errorf("it shows %v", values["point_ids"])
	}
	values["point_ids"] = []string{air.ID.String()}
	went(t, "one of them", g.asManager.post(right+"/isolation", values), right+"#isolation")
	stale["point_ids"] = nil
	if got := g.asManager.post(right+"/isolation", stale); got.status != 409 || !strings.Contains(wordsOf(t, got.body), "Its isolation points UMB-1/AIR-2 ") {
		t.Errorf("somebody else was faster: %d\n%s", got.status, wordsOf(t, got.body))
	}
	values["point_ids"] = []string{uuid.NewString()}
	values.Set("key", uuid.NewString())
	if got := g.asManager.post(right+"/isolation", values); got.status != 422 || wrongs(t, got.body)["point_ids"] == "" {
		t.Errorf("a point of nobody: %d", got.status)
	}

	// a check is a new version, and begins with what was found before
	revise := "/points/" + g.point.ID.String() + "/revise"
	was := g.asManager.form(revise)
	if was.Get("place") != "Grey isolator on the left wall" || was.Get("lockable") != "yes" || was.Get("in_sight") != "" || was.Get("checked_by") != "Delphine Orrick" || was.Get("checked_on") != "2026-11-25" {
		t.Errorf("it shows %v", was)
	}
	refuses(t, g.asManager, revise, nil, [][3]string{{"isolate", "", "must not be blank"}, {"valid_from", "2001-01-01T00:00", "must lie after"}})
	went(t, "a check", g.asManager.fill(revise, map[string]string{"place": "Grey isolator, now on the right wall", "in_sight": "yes"}), site+"#isolation")
	body = wordsOf(t, g.asOwner.get(left).body)
	if !strings.Contains(body, "now on the right wall") || !strings.Contains(body, "Version 2") || !strings.Contains(body, "in sight of the position") {
		t.Errorf("the position does not say so:\n%s", body)
	}
	if one, err := assets.OneIsolationPoint(ctx, g.db, access.System, g.point.ID); err != nil || len(one.Versions) != 2 || one.Versions[1].Place != "Grey isolator on the left wall" || one.Versions[1].Until == nil {
		t.Errorf("%+v %v", one, err)
	}

	// without any point the form says where to begin
	lone := write(t, g.db, func(tx *gorm.DB) (assets.Position, error) {
		return assets.AddPosition(tx, access.System, now, assets.NewPosition{SiteID: g.other.ID, PositionEdit: assets.PositionEdit{Code: "PEL/AIR", Name: "Compressor", Kind: "compressed_air", LineSide: "centre"}})
	})
	if got := g.asManager.get("/positions/" + lone.ID.String() + "/isolation"); got.status != 200 || !slices.Contains(links(t, got.body), "/sites/"+g.other.ID.String()+"/points/new") {
		t.Errorf("%d: nothing leads to the first point", got.status)
	}
}
