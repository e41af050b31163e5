package web_test

import (
	"encoding/csv"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"golang.org/x/net/html"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/assets/meters"
)

// counted is a ground with counters that were read for some months.
type counted struct {
	*ground
	tunnel, till, hours, far, derived meters.Meter
}

func newCounted(t testing.TB) *counted {
	t.Helper()
	c := &counted{ground: newGround(t)}
	began := now.AddDate(-1, 0, 0)
	add := func(site uuid.UUID, code, kind string, u meters.Unit, of meters.Thing, face meters.Counter) meters.Meter {
		return write(t, c.db, func(tx *gorm.DB) (meters.Meter, error) {
			return meters.Add(tx, access.System, now, meters.NewMeter{SiteID: site, From: &began, Unit: u, Thing: of, Edit: meters.Edit{Code: code, Kind: kind, Counts: "what passes", Counter: face}})
		})
	}
	line := meters.Thing{LineID: &c.line.ID, Primary: true}
	c.tunnel = add(c.site.ID, "UMB-1/TC", "entrance_counter", meters.Vehicles, line, meters.Counter{Digits: new(5)})
	c.till = add(c.site.ID, "UMB-1/POS", "point_of_sale", meters.Vehicles, meters.Thing{LineID: &c.line.ID}, meters.Counter{})
	c.hours = add(c.site.ID, "UMB-1/SBL/H", "hour_meter", meters.Hours, meters.Thing{PositionID: &c.left.ID, Primary: true}, meters.Counter{Digits: new(4), Decimals: 1})
	c.derived = add(c.site.ID, "UMB-1/H", "computed", meters.Hours, line, meters.Counter{})
	there := write(t, c.db, func(tx *gorm.DB) (assets.Line, error) {
		return assets.AddLine(tx, access.System, began, c.other.ID, &began, assets.LineEdit{Code: "PEL-1"})
	})
	c.far = add(c.other.ID, "PEL-1/TC", "entrance_counter", meters.Vehicles, meters.Thing{LineID: &there.ID, Primary: true}, meters.Counter{})
	write(t, c.db, func(tx *gorm.DB) ([]meters.Formula, error) {
		return meters.Derive(tx, access.System, now, c.derived.ID, meters.NewFormula{From: now.AddDate(0, -8, 0), Terms: []meters.Term{{MeterID: c.tunnel.ID, Weight: 1}}, Ratio: 36})
	})
	var in []meters.NewReading
	for week := 30; week >= 1; week-- { // 280 vehicles and 2.8 hours a day
		at, n := now.AddDate(0, 0, -7*week), 30-week
		in = append(in, meters.NewReading{MeterID: c.tunnel.ID, At: at, Value: fmt.Sprint(40000 + 1960*n)}, meters.NewReading{MeterID: c.till.ID, At: at, Value: fmt.Sprint(500 + 1900*n)},
			meters.NewReading{MeterID: c.hours.ID, At: at, Value: fmt.Sprintf("%.1f", 5000+19.6*float64(n))}, meters.NewReading{MeterID: c.far.ID, At: at, Value: fmt.Sprint(700 * n)})
	}
	for _, got := range write(t, c.db, func(tx *gorm.DB) ([]meters.Taken, error) { return meters.Take(tx, access.System, now, in) }) {
		if got.Outcome != meters.Took {
			t.Fatalf("%+v %v", got, got.Fault)
		}
	}
	return c
}

func (c *counted) total(t testing.TB, m meters.Meter) string {
	t.Helper()
	got, err := meters.One(ctx, c.db, access.System, m.ID)
	if err != nil {
		t.Fatal(err)
	}
	return m.Unit.Format(*got.LastTotal)
}

// latest gives the last reading of a meter.
func (c *counted) latest(t testing.TB, m meters.Meter) meters.Reading {
	t.Helper()
	all, err := meters.Readings(ctx, c.db, access.System, m.ID, access.Page{Limit: 1})
	if err != nil || len(all) == 0 {
		t.Fatal(all, err)
	}
	return all[0]
}

// fill opens a sheet, fills it and sends it.
func (v *visitor) fill(path string, fill map[string]string) answer {
	v.t.Helper()
	values := v.form(path)
	for k, val := range fill {
		values.Set(k, val)
	}
	return v.post(path, values)
}

func at(m meters.Meter) string { return "/meters/" + m.ID.String() }

// Who sees which page about counters, and what stands on it for whom.
func TestWhoSeesWhichCounters(t *testing.T) {
	c := newCounted(t)
	site, reading := "/sites/"+c.site.ID.String(), "/readings/"+c.latest(t, c.tunnel).ID.String()
	for _, p := range []struct {
		path                              string
		manager, technician, owner, staff int
		everybody, chief                  []string
	}{
		{site + "/counters", 200, 200, 200, 200, []string{"UMB-1/TC", "UMB-1/SBL/H", "96,840 vehicles", " h a day", "Low side brush", "Read the counters", "computed"}, []string{site + "/counters/new"}},
		{"/sites/" + c.other.ID.String() + "/counters", 200, 200, 404, 404, nil, nil},
		{site + "/counters/compare", 200, 200, 200, 200, []string{"UMB-1/POS", "-3.1 %"}, nil},
		{site + "/counters/round", 200, 200, 200, 200, []string{"UMB-1/TC", "Tenths of: UMB-1/SBL/H", "Last: 96,840 vehicles"}, nil},
		{site + "/counters/new", 200, 403, 403, 403, nil, []string{"run hours"}},
		{site + "/regimes/new", 200, 200, 403, 403, nil, nil},
		{"/counters", 200, 200, 200, 200, []string{"Every reading fits"}, nil},
		{"/counters/quiet", 200, 200, 200, 200, []string{"within 45 days"}, nil},
		{"/counters/held", 200, 200, 403, 403, nil, nil},
		{at(c.tunnel), 200, 200, 200, 200, []string{"96,840 vehicles", "in all", "From 29 April 2026 to 18 November 2026 it counted 56,840 vehicles, 280 a day", "due about", "counts", "Readings as CSV", "100,000 vehicles"}, []string{"Edit the counter"}},
		{at(c.hours), 200, 200, 200, 200, []string{"5,568.4 h", "by an hour meter read 7 days ago"}, nil},
		{at(c.derived), 200, 200, 200, 200, []string{"36 seconds for each", "computed from another meter"}, []string{"Say how it is computed"}},
		{at(c.far), 200, 200, 404, 404, nil, nil},
		{at(c.far) + "/read", 200, 200, 404, 404, nil, nil},
		{at(c.far) + "/readings.csv", 200, 200, 404, 404, nil, nil},
		{at(c.tunnel) + "/read", 200, 200, 200, 200, []string{"Last: 96,840 vehicles, 18 November 2026"}, nil},
		{at(c.derived) + "/read", 409, 409, 409, 409, nil, nil},
		{at(c.tunnel) + "/edit", 200, 403, 403, 403, nil, nil},
		{at(c.tunnel) + "/place", 200, 403, 403, 403, nil, nil},
		{at(c.derived) + "/formula", 200, 403, 403, 403, nil, nil},
		{at(c.tunnel) + "/exchange", 200, 200, 200, 200, nil, nil},
		{reading + "/explain", 200, 200, 200, 200, []string{"Correct a reading"}, nil},
		{reading + "/void", 200, 200, 200, 200, nil, nil},
		{reading + "/distrust", 200, 200, 200, 200, nil, nil},
		{"/positions/" + c.left.ID.String(), 200, 200, 200, 200, []string{"UMB-1/SBL/H", "5,568.4 h", "of its line, which counts for it"}, nil},
		{"/positions/" + c.left.ID.String() + "/share", 200, 200, 403, 403, nil, nil},
		{"/meters/" + uuid.NewString(), 404, 404, 404, 404, nil, nil},
		{"/meters/nonsense", 404, 404, 404, 404, nil, nil},
		{"/readings/" + uuid.NewString() + "/explain", 404, 404, 404, 404, nil, nil},
		{"/counters?site=nonsense", 404, 404, 404, 404, nil, nil},
		{"/counters?site=" + c.other.ID.String(), 200, 200, 404, 404, nil, nil},
	} {
		for name, who := range map[string]struct {
			v      *visitor
			status int
			chief  bool
		}{"manager": {c.asManager, p.manager, true}, "technician": {c.asTech, p.technician, false}, "owner": {c.asOwner, p.owner, false}, "staff": {c.asStaff, p.staff, false}} {
			got := who.v.get(p.path)
			if got.status != who.status {
				t.Errorf("%s as %s: %d, want %d", p.path, name, got.status, who.status)
				continue
			}
			body := plain(got.body)
			for _, text := range p.everybody {
				if !strings.Contains(body, text) {
					t.Errorf("%s as %s lacks %q", p.path, name, text)
				}
			}
			for _, text := range p.chief {
				if strings.Contains(body, text) != who.chief {
					t.Errorf("%s as %s: %q is there: %v", p.path, name, text, !who.chief)
				}
			}
			if !who.chief && name != "technician" && (strings.Contains(body, "PEL-1/TC") || strings.Contains(body, secretNote)) {
				t.Errorf("%s as %s shows what is another's", p.path, name)
			}
		}
	}
}

// A technician reads a counter, the wheel of tenths apart; sending it twice
// takes it once.
func TestReadingACounter(t *testing.T) {
	c := newCounted(t)
	values := c.asTech.form(at(c.hours) + "/read")
	if values.Get("at") != "2026-11-25T09:30" || values.Get("source") != "eye" || values.Get("value") != "" {
		t.Fatalf("it begins with %v", values)
	}
	values.Set("value", "5588")
	values.Set("value_unit", "7")
	for range 2 {
		if got := c.asTech.post(at(c.hours)+"/read", values); got.status != 303 || got.head.Get("Location") != at(c.hours)+"#readings" {
			t.Fatalf("%d %s\n%v", got.status, got.head.Get("Location"), wrongs(t, got.body))
		}
	}
	r := c.latest(t, c.hours)
	if c.total(t, c.hours) != "5588.7" || !r.At.Equal(now) || r.RecordedBy != "Imre Vasko" || r.Typed != "5588.7 h" {
		t.Errorf("%s %+v", c.total(t, c.hours), r)
	}
	if body := plain(c.asOwner.get(at(c.hours)).body); !strings.Contains(body, "5,588.7 h") || !strings.Contains(body, "20.3") {
		t.Error("the owner does not see it")
	}
	// seen the day before, typed now; somebody of the site reads the other one
	if got := c.asStaff.fill(at(c.tunnel)+"/read", map[string]string{"value": "98500", "at": "2026-11-24T20:00", "source": "photo"}); got.status != 303 {
		t.Fatalf("%d %v", got.status, wrongs(t, got.body))
	}
	if r := c.latest(t, c.tunnel); !r.At.Equal(time.Date(2026, 11, 25, 2, 0, 0, 0, time.UTC)) || r.Source != "photo" {
		t.Errorf("%+v", r)
	}
	// a warning does not block: a little more than is usual for so many vehicles
	got := c.asTech.fill(at(c.hours)+"/read", map[string]string{"value": "5588", "value_unit": "9"})
	if got.status != 409 || !strings.Contains(wrongs(t, got.body)["value"], "5588.7 h is recorded at that instant") {
		t.Errorf("another value in the same moment: %d %v", got.status, wrongs(t, got.body))
	}
}

// Hours that are out of step with the vehicles are taken, and said.
func TestAnUnusualReadingIsTakenWithAWord(t *testing.T) {
	c := newCounted(t)
	if got := c.asTech.fill(at(c.tunnel)+"/read", map[string]string{"value": "98800"}); got.status != 303 {
		t.Fatal(got.status)
	}
	got := c.asTech.fill(at(c.hours)+"/read", map[string]string{"value": "5594", "value_unit": "2"}) // 47 instead of 36 seconds
	if got.status != 200 || !strings.Contains(got.body, "5,594.2 h counts") || !strings.Contains(plain(got.body), "36.0 are usual here") {
		t.Errorf("%d %s", got.status, got.body)
	}
	if c.total(t, c.hours) != "5594.2" {
		t.Errorf("stands at %s", c.total(t, c.hours))
	}
}

// What cannot be read comes back with the field, the value and the rule, and
// nothing is lost or taken.
func TestBadReadings(t *testing.T) {
	c := newCounted(t)
	for _, b := range []struct {
		value, tenths, at string
		field, says       string
	}{
		{"", "", "", "value", "must not be blank"},
		{"NaN", "", "", "value", "must be a finite number"},
		{"Infinity", "", "", "value", "must be a finite number"},
		{"-12", "", "", "value", "must not be negative"},
		{"five thousand", "", "", "value", "must be a number in digits"},
		{"5,600", "", "", "value", "must be a number in digits"},
		{"10000", "0", "", "value", "must lie below 10000.0 h, where this counter rolls over"},
		{"99999999999999999999", "", "", "value", "larger than any counter"},
		{"5600.25", "", "", "", ""}, // a quarter of an hour is exact, and the counter may show it
		{"5600.5", "5", "", "value", "has its tenths twice"},
		{"5600", "x", "", "value", "must be a number in digits"},
		{"5600.1234", "", "", "value", "at most 2 decimals"},
		{"5600", "1", "2026-02-30T09:00", "at", "is a date with a time of day"},
		{"5600", "1", "yesterday", "at", "is a date with a time of day"},
		{strings.Repeat("9", 500), "", "", "value", "takes at most 20 characters"},
		{"5600\x00", "", "", "value", "signs that are no text"},
	} {
		before := c.count(t, `select count(*)::int as n from reading`)
		fill := map[string]string{"value": b.value, "value_unit": b.tenths}
		if b.at != "" {
			fill["at"] = b.at
		}
		got := c.asTech.fill(at(c.hours)+"/read", fill)
		if b.field == "" {
			if got.status != 303 {
				t.Errorf("%q: %d %v", b.value, got.status, wrongs(t, got.body))
			}
			continue
		}
		if got.status != 422 || !strings.Contains(wrongs(t, got.body)[b.field], b.says) {
			t.Errorf("%q.%q at %q: %d %v", b.value, b.tenths, b.at, got.status, wrongs(t, got.body))
		}
		if kept := sheetOf(t, got.body); len(b.value) < 100 && !strings.Contains(b.value, "\x00") && kept.Get("value") != b.value {
			t.Errorf("%q came back as %q", b.value, kept.Get("value"))
		}
		if n := c.count(t, `select count(*)::int as n from reading`); n != before {
			t.Errorf("%q left %d readings", b.value, n-before)
		}
	}
}

// Times that cannot be are kept and asked about.
func TestReadingsOutOfTime(t *testing.T) {
	c := newCounted(t)
	for when, says := range map[string]string{"2027-11-25T09:00": "seen in the future", "1970-01-01T00:00": "more than 20 years ago"} {
		before := c.total(t, c.tunnel)
		got := c.asTech.fill(at(c.tunnel)+"/read", map[string]string{"value": "97500", "at": when})
		to := got.head.Get("Location")
		if got.status != 303 || !strings.HasSuffix(to, "/explain") {
			t.Fatalf("%s: %d %s %v", when, got.status, to, wrongs(t, got.body))
		}
		page := c.asTech.get(to)
		if !strings.Contains(page.body, says) {
			t.Errorf("%s: not said that it was %s", when, says)
		}
		if total := c.total(t, c.tunnel); total != before {
			t.Errorf("it moved the total to %s", total)
		}
		// put right: it was last night
		if got := c.asTech.fill(to, map[string]string{"as": "mistyped", "seen_at": "2026-11-2" + when[:1] + "T20:00"}); got.status != 303 || !strings.HasPrefix(got.head.Get("Location"), at(c.tunnel)) {
			t.Fatalf("%s put right: %d %v", when, got.status, wrongs(t, got.body))
		}
	}
	if c.total(t, c.tunnel) != "97500" {
		t.Errorf("stands at %s", c.total(t, c.tunnel))
	}
}

// choices lists the answers that a page offers to a question, and the chosen one.
func choices(t *testing.T, body, name string) (values []string, words string, chosen string) {
	t.Helper()
	walk(parse(t, body), func(n *html.Node) {
		if n.Data == "input" && attr(n, "name") == name && attr(n, "type") == "radio" {
			values = append(values, attr(n, "value"))
			words += textOf(n.Parent) + "\n"
			if has(n, "checked") {
				chosen = attr(n, "value")
			}
		}
	})
	return values, words, chosen
}

// A technician enters a value that falls, is asked what it is and never stopped,
// says that it rolled over, and the total goes on.
func TestAFallingValueIsAsked(t *testing.T) {
	c := newCounted(t)
	// full wheels: the next reading begins anew
	if got := c.asTech.fill(at(c.tunnel)+"/read", map[string]string{"value": "98500", "at": "2026-11-24T20:00"}); got.status != 303 {
		t.Fatal(got.status, wrongs(t, got.body))
	}
	h := *c.house
	h.now = now.AddDate(0, 0, 6)
	c.house.now = h.now
	got := c.asTech.fill(at(c.tunnel)+"/read", map[string]string{"value": "118"})
	to := got.head.Get("Location")
	if got.status != 303 || !strings.HasPrefix(to, "/readings/") {
		t.Fatalf("%d %s %v", got.status, to, wrongs(t, got.body))
	}
	page := c.asTech.get(to)
	values, words, chosen := choices(t, page.body, "as")
	for _, as := range []string{"rolled_over", "reset", "replaced", "mistyped", "wrong_meter"} {
		if !slices.ContainsFunc(values, func(v string) bool { return strings.HasPrefix(v, as) }) {
			t.Errorf("%s is not offered: %v", as, values)
		}
	}
	if chosen != "" {
		t.Errorf("%s is chosen beforehand", chosen)
	}
	if !strings.Contains(words, "would mean 1,618 vehicles since 98,500 vehicles") {
		t.Errorf("it does not say what a roll-over would mean:\n%s", words)
	}
	if !strings.Contains(plain(page.body), "less than before: 98,500 vehicles at 24 November 2026, 20:00") {
		t.Error("it does not say in local time what does not fit")
	}
	if c.total(t, c.tunnel) != "98500" {
		t.Errorf("it moved the total to %s before anybody said what it is", c.total(t, c.tunnel))
	}
	for _, where := range []string{"/", "/counters", "/sites/" + c.site.ID.String() + "/counters", at(c.tunnel)} {
		if !strings.Contains(c.asManager.get(where).body, strings.Split(to, "/")[2]) && where != "/sites/"+c.site.ID.String()+"/counters" {
			t.Errorf("%s does not lead to it", where)
		}
	}
	if body := c.asTech.get("/sites/" + c.site.ID.String() + "/counters").body; !strings.Contains(body, "a reading waits") {
		t.Error("the site does not say that a reading waits")
	}
	// without an answer nothing happens
	if got := c.asTech.fill(to, nil); got.status != 422 || wrongs(t, got.body)["as"] == "" {
		t.Errorf("without an answer: %d", got.status)
	}
	if got := c.asTech.fill(to, map[string]string{"as": "rolled_over"}); got.status != 303 || got.head.Get("Location") != at(c.tunnel)+"#readings" {
		t.Fatalf("%d %v", got.status, wrongs(t, got.body))
	}
	if c.total(t, c.tunnel) != "100118" {
		t.Errorf("the total went on to %s", c.total(t, c.tunnel))
	}
	body := plain(c.asTech.get(at(c.tunnel)).body)
	if !strings.Contains(body, "Rolled over at 100,000 vehicles") || !strings.Contains(body, `<li value="1">`) || !strings.Contains(body, "100,118 vehicles") {
		t.Error("the page does not tell of it")
	}
	if got := c.asTech.get(to); !strings.Contains(got.body, "Correct a reading") {
		t.Error("it still asks")
	}
}

// A value ten times too large is offered as what it most likely is, and one that
// was read on another counter moves there.
func TestMistypedAndMisread(t *testing.T) {
	c := newCounted(t)
	got := c.asTech.fill(at(c.hours)+"/read", map[string]string{"value": "9588"})
	to := got.head.Get("Location")
	page := c.asTech.get(to)
	values, _, _ := choices(t, page.body, "as")
	if !strings.Contains(page.body, "more than can have been") || !slices.Contains(values, "as_seen") {
		t.Fatalf("%s offers %v", to, values)
	}
	if got := c.asTech.fill(to, map[string]string{"as": "mistyped"}); got.status != 422 || !strings.Contains(wrongs(t, got.body)["value"], "must not be blank") {
		t.Errorf("mistyped without a value: %d %v", got.status, wrongs(t, got.body))
	}
	if got := c.asTech.fill(to, map[string]string{"as": "wrong_meter"}); got.status != 422 || !strings.Contains(wrongs(t, got.body)["meter_id"], "must be chosen") {
		t.Errorf("another counter without a name: %d %v", got.status, wrongs(t, got.body))
	}
	if got := c.asTech.fill(to, map[string]string{"as": "mistyped", "value": "5588", "value_unit": "3", "reason": "five and nine look alike"}); got.status != 303 {
		t.Fatalf("%d %v", got.status, wrongs(t, got.body))
	}
	if c.total(t, c.hours) != "5588.3" {
		t.Errorf("stands at %s", c.total(t, c.hours))
	}
	body := plain(c.asOwner.get(at(c.hours)).body)
	if !strings.Contains(body, "superseded: mistyped") || !strings.Contains(body, "five and nine look alike") || !strings.Contains(body, "<s>9,588 h</s>") {
		t.Error("what was mistyped is not visible any more")
	}
	// the till's number on the tunnel's page: it would have fitted there, and is offered so
	till, err := meters.One(ctx, c.db, access.System, c.till.ID)
	if err != nil {
		t.Fatal(err)
	}
	got = c.asTech.fill(at(c.tunnel)+"/read", map[string]string{"value": fmt.Sprint(*till.LastValue + 1800)})
	to = got.head.Get("Location")
	values, words, _ := choices(t, c.asTech.get(to).body, "as")
	on := "wrong_meter " + c.till.ID.String()
	if !slices.Contains(values, on) || !strings.Contains(words, "Read on UMB-1/POS: would mean 1,800 vehicles there") {
		t.Fatalf("%v\n%s", values, words)
	}
	if got := c.asTech.fill(to, map[string]string{"as": on}); got.status != 303 || got.head.Get("Location") != at(c.till)+"#readings" {
		t.Fatalf("%d %s %v", got.status, got.head.Get("Location"), wrongs(t, got.body))
	}
	if c.total(t, c.till) != fmt.Sprint(*till.LastTotal+1800) || c.total(t, c.tunnel) != "96840" {
		t.Errorf("the till stands at %s, the tunnel at %s", c.total(t, c.till), c.total(t, c.tunnel))
	}
}

// A counter is exchanged, one sticks, a reading is voided: each with its reason,
// and each visible.
func TestWhatHappensToCounters(t *testing.T) {
	c := newCounted(t)
	got := c.asTech.fill(at(c.hours)+"/exchange", map[string]string{"how": "replaced", "at": "2026-11-20T06:00", "old_last": "5573", "old_last_unit": "1", "new_first": "12", "new_first_unit": "5", "reason": "glass broken", "serial": "K14-2"})
	if got.status != 303 || got.head.Get("Location") != at(c.hours)+"#happened" {
		t.Fatalf("%d %v", got.status, wrongs(t, got.body))
	}
	if got := c.asTech.fill(at(c.hours)+"/read", map[string]string{"value": "26", "value_unit": "5"}); got.status != 303 {
		t.Fatalf("%d %v", got.status, wrongs(t, got.body))
	}
	if c.total(t, c.hours) != "5587.1" {
		t.Errorf("the total went on to %s", c.total(t, c.hours))
	}
	body := plain(c.asOwner.get(at(c.hours)).body)
	for _, want := range []string{"Counter replaced: 5,573.1 h was the last of the old run, 12.5 h the first of the new one", "glass broken", "K14-2"} {
		if !strings.Contains(body, want) {
			t.Errorf("lacks %q", want)
		}
	}
	if got := c.asTech.fill(at(c.hours)+"/exchange", map[string]string{"how": "replaced", "at": "2026-11-20T06:00"}); got.status != 409 || wrongs(t, got.body)["at"] == "" {
		t.Errorf("at the same instant again: %d %v", got.status, wrongs(t, got.body))
	}

	last := c.latest(t, c.tunnel)
	path := "/readings/" + last.ID.String()
	if got := c.asTech.fill(path+"/void", nil); got.status != 422 || wrongs(t, got.body)["reason"] == "" {
		t.Errorf("voided without a reason: %d", got.status)
	}
	if got := c.asTech.fill(path+"/void", map[string]string{"reason": "read in the dark"}); got.status != 303 {
		t.Fatal(got.status)
	}
	if body := plain(c.asOwner.get(at(c.tunnel)).body); !strings.Contains(body, "voided") || !strings.Contains(body, "read in the dark") || !strings.Contains(body, "94,880 vehicles") {
		t.Error("what was voided is not visible, or still counts")
	}
	for _, act := range []string{"/void", "/explain", "/distrust"} {
		if got := c.asTech.get(path + act); got.status != 409 {
			t.Errorf("%s of what is voided: %d", act, got.status)
		}
	}
	path = "/readings/" + c.latest(t, c.till).ID.String()
	if got := c.asTech.fill(path+"/distrust", map[string]string{"reason": "counts twice"}); got.status != 303 {
		t.Fatal(got.status)
	}
	if got := c.asTech.fill(at(c.till)+"/read", map[string]string{"value": "57000"}); !strings.HasSuffix(got.head.Get("Location"), "/explain") {
		t.Errorf("a reading of a counter that is not relied on is taken: %s", got.head.Get("Location"))
	}
	if body := plain(c.asTech.get(at(c.till)).body); !strings.Contains(body, "Not to be relied on") || !strings.Contains(body, "counts twice") {
		t.Error("the page does not say that it is not relied on")
	}
}

// All counters of a site on one page; one that is wrong holds back all, and
// keeps what was typed.
func TestARoundOfReadings(t *testing.T) {
	c := newCounted(t)
	round := "/sites/" + c.site.ID.String() + "/counters/round"
	values := c.asStaff.form(round)
	fields := map[string]string{}
	walk(parse(t, c.asStaff.get(round).body), func(n *html.Node) {
		if n.Data == "label" && strings.Contains(attr(n, "for"), "value_") {
			code, _, _ := strings.Cut(strings.TrimSpace(textOf(n)), " ")
			fields[code] = strings.TrimPrefix(attr(n, "for"), "f-")
		}
	})
	if len(fields) != 3 {
		t.Fatalf("it asks for %v", fields)
	}
	if got := c.asStaff.post(round, values); got.status != 422 || !strings.Contains(got.body, "No counter has a value") {
		t.Errorf("nothing: %d", got.status)
	}
	values = c.asStaff.form(round)
	values.Set(fields["UMB-1/TC"], "98800")
	values.Set(fields["UMB-1/SBL/H"], "-1")
	got := c.asStaff.post(round, values)
	if got.status != 422 || !strings.Contains(wrongs(t, got.body)[fields["UMB-1/SBL/H"]], "must not be negative") {
		t.Fatalf("%d %v", got.status, wrongs(t, got.body))
	}
	if kept := sheetOf(t, got.body); kept.Get(fields["UMB-1/TC"]) != "98800" || c.total(t, c.tunnel) != "96840" {
		t.Errorf("kept %q, took %s", kept.Get(fields["UMB-1/TC"]), c.total(t, c.tunnel))
	}
	values = sheetOf(t, got.body)
	values.Set(fields["UMB-1/SBL/H"], "")
	values.Set(fields["UMB-1/SBL/H"]+"_unit", "4")
	if got = c.asStaff.post(round, values); got.status != 422 || !strings.Contains(wrongs(t, got.body)[fields["UMB-1/SBL/H"]], "only its tenths") {
		t.Errorf("%d %v", got.status, wrongs(t, got.body))
	}
	values = sheetOf(t, got.body)
	values.Set(fields["UMB-1/SBL/H"], "5588")
	if got = c.asStaff.post(round, values); got.status != 303 || got.head.Get("Location") != "/sites/"+c.site.ID.String()+"/counters" {
		t.Fatalf("%d %v", got.status, wrongs(t, got.body))
	}
	if c.total(t, c.tunnel) != "98800" || c.total(t, c.hours) != "5588.4" || c.total(t, c.till) != "55600" {
		t.Errorf("%s %s %s", c.total(t, c.tunnel), c.total(t, c.hours), c.total(t, c.till))
	}
	// one that falls leads to what waits at the site
	values = c.asStaff.form(round)
	values.Set("at", "2026-11-25T09:29")
	values.Set(fields["UMB-1/POS"], "44")
	if got = c.asStaff.post(round, values); got.status != 303 || got.head.Get("Location") != "/counters?site="+c.site.ID.String() {
		t.Errorf("%d %s %v", got.status, got.head.Get("Location"), wrongs(t, got.body))
	}
	values = c.asStaff.form(round)
	values.Set("at", "never")
	values.Set(fields["UMB-1/POS"], "56000")
	if got = c.asStaff.post(round, values); got.status != 422 || wrongs(t, got.body)["at"] == "" {
		t.Errorf("never: %d", got.status)
	}
}

// Counters are added, edited, given to something else and computed anew; shares
// and changes are recorded.
func TestKeepingCounters(t *testing.T) {
	c := newCounted(t)
	add := "/sites/" + c.site.ID.String() + "/counters/new"
	good := map[string]string{"code": "UMB-1/SBR/H", "kind": "hour_meter", "unit": "hours", "thing": "position " + c.right.ID.String(), "primary": "yes", "digits": "5", "decimals": "1", "counts": "contactor K15", "from": "2026-01-01T00:00"}
	with := func(field, value string) map[string]string {
		m := map[string]string{}
		for k, v := range good {
			m[k] = v
		}
		m[field] = value
		return m
	}
	for _, b := range [][3]string{{"code", "small letters", "code"}, {"code", "UMB-1/TC", "code"}, {"digits", "many", "digits"}, {"digits", "40", "digits"}, {"decimals", "7", "decimals"}, {"modulus", "NaN", "modulus"},
		{"thing", "", "thing"}, {"thing", "position nonsense", "thing"}, {"unit", "", "unit"}, {"kind", "sundial", "kind"}, {"most_per_hour", "-5", "most_per_hour"}} {
		if got := c.asManager.fill(add, with(b[0], b[1])); got.status != 422 && got.status != 409 || wrongs(t, got.body)[b[2]] == "" {
			t.Errorf("%s %q: %d %v", b[0], b[1], got.status, wrongs(t, got.body))
		}
	}
	got := c.asManager.fill(add, good)
	made := got.head.Get("Location")
	if got.status != 303 || !strings.HasPrefix(made, "/meters/") {
		t.Fatalf("%d %v", got.status, wrongs(t, got.body))
	}
	if body := c.asTech.get(made).body; !strings.Contains(body, "It was never read") || !strings.Contains(plain(body), "100,000.0 h") {
		t.Error("the new one is not shown")
	}
	if values := c.asManager.form(made + "/edit"); values.Get("modulus") != "100000.0" || values.Get("decimals") != "1" || values.Get("counts") != "contactor K15" {
		t.Errorf("%v", values)
	}
	if got := c.asManager.fill(made+"/edit", map[string]string{"counts": "contactor K16"}); got.status != 303 {
		t.Fatalf("%d %v", got.status, wrongs(t, got.body))
	}
	stale := c.asManager.form(made + "/edit")
	if got := c.asManager.fill(made+"/edit", map[string]string{"counts": "contactor K17"}); got.status != 303 {
		t.Fatal(got.status)
	}
	stale.Set("counts", "contactor K18")
	if got := c.asManager.post(made+"/edit", stale); got.status != 409 || !strings.Contains(got.body, "contactor K17") {
		t.Errorf("an edit of what was changed: %d", got.status)
	}
	if got := c.asManager.fill(made+"/place", map[string]string{"thing": "line " + c.line.ID.String(), "from": "2026-11-01T00:00"}); got.status != 303 {
		t.Fatalf("%d %v", got.status, wrongs(t, got.body))
	}
	if got := c.asManager.fill(made+"/place", map[string]string{"thing": "line " + c.line.ID.String(), "from": "2027-11-01T00:00"}); got.status != 422 || wrongs(t, got.body)["from"] == "" {
		t.Errorf("ahead: %d", got.status)
	}

	formula := at(c.derived) + "/formula"
	if got := c.asManager.fill(formula, map[string]string{"terms": c.tunnel.ID.String(), "from": "2026-10-01T00:00"}); got.status != 422 || wrongs(t, got.body)["ratio"] == "" {
		t.Errorf("without a ratio: %d %v", got.status, wrongs(t, got.body))
	}
	if got := c.asManager.fill(formula, map[string]string{"terms": c.tunnel.ID.String(), "learn_from": c.hours.ID.String(), "from": "2026-11-01T00:00"}); got.status != 303 {
		t.Fatalf("%d %v", got.status, wrongs(t, got.body))
	}
	if body := plain(c.asTech.get(at(c.derived)).body); !strings.Contains(body, "UMB-1/TC, 36 seconds for each, learnt from UMB-1/SBL/H over 8 stretches") {
		t.Error("the formula is not told")
	}

	share := "/positions/" + c.right.ID.String() + "/share"
	for value, says := range map[string]string{"NaN": "is a number", "-1": "between 0 and 100", "101": "between 0 and 100"} {
		if got := c.asTech.fill(share, map[string]string{"share": value, "from": "2026-06-01T00:00"}); got.status != 422 || !strings.Contains(wrongs(t, got.body)["share"], says) {
			t.Errorf("a share of %s: %d %v", value, got.status, wrongs(t, got.body))
		}
	}
	if got := c.asTech.fill(share, map[string]string{"share": "82.5", "from": "2026-06-01T00:00", "reason": "racks"}); got.status != 303 {
		t.Fatalf("%d %v", got.status, wrongs(t, got.body))
	}
	if body := plain(c.asOwner.get("/positions/" + c.right.ID.String()).body); !strings.Contains(body, "It washes 82.5 of each hundred vehicles") {
		t.Error("the share is not told")
	}

	regime := "/sites/" + c.site.ID.String() + "/regimes/new"
	if got := c.asTech.fill(regime, map[string]string{"at": "2027-01-01T00:00", "reason": "new program"}); got.status != 422 || wrongs(t, got.body)["at"] == "" {
		t.Errorf("a change ahead: %d", got.status)
	}
	if got := c.asTech.fill(regime, map[string]string{"at": "2026-09-01T00:00", "reason": "new program"}); got.status != 303 {
		t.Fatal(got.status)
	}
	if body := plain(c.asOwner.get(at(c.tunnel)).body); !strings.Contains(body, "counted only since the new program of 1 September") {
		t.Error("the forecast does not say since when it counts")
	}
	// for one counter only, and only for one that is there
	if got := c.asTech.fill(regime, map[string]string{"meter_id": c.far.ID.String(), "at": "2026-10-01T00:00", "reason": "output 14 reassigned"}); got.status != 422 || wrongs(t, got.body)["meter_id"] == "" {
		t.Errorf("for a counter of another site: %d", got.status)
	}
	if got := c.asTech.fill(regime+"?meter="+c.hours.ID.String(), map[string]string{"at": "2026-10-01T00:00", "reason": "output 14 reassigned"}); got.status != 303 {
		t.Fatal(got.status, wrongs(t, got.body))
	}
	page := "/sites/" + c.site.ID.String() + "/counters"
	body := wordsOf(t, c.asTech.get(page).body)
	if !strings.Contains(body, "output 14 reassigned UMB-1/SBL/H") || !strings.Contains(body, "new program every counter") {
		t.Errorf("the page does not tell whom the changes are for:\n%s", body)
	}
	if body := plain(c.asOwner.get(at(c.till)).body); strings.Contains(body, "output 14") {
		t.Error("another counter is told of it")
	}
	// and withdrawn, once
	way := slices.IndexFunc(links(t, c.asTech.get(at(c.hours)).body), func(l string) bool { return strings.HasSuffix(l, "/withdraw") })
	if way < 0 {
		t.Fatal("nothing leads to its withdrawal")
	}
	for _, l := range links(t, c.asTech.get(page).body) {
		if !strings.HasSuffix(l, "/withdraw") {
			continue
		}
		if got := c.asOwner.get(l); got.status != 403 {
			t.Errorf("an owner may: %d", got.status)
		}
		if body := c.asTech.get(l).body; !strings.Contains(body, "output 14 reassigned") && !strings.Contains(body, "new program") {
			t.Errorf("it does not say what is withdrawn:\n%s", body)
		}
		if got := c.asTech.fill(l, nil); got.status != 303 || got.head.Get("Location") != page+"#regimes" {
			t.Errorf("%d %s", got.status, got.head.Get("Location"))
		}
		if got := c.asTech.get(l); got.status != 404 {
			t.Errorf("a second time: %d", got.status)
		}
	}
	if body := wordsOf(t, c.asTech.get(page).body); strings.Contains(body, "output 14") || !strings.Contains(body, "Nothing on record: forecasts rest on the last year") {
		t.Error("what was withdrawn still stands there")
	}
	if body := plain(c.asOwner.get(at(c.tunnel)).body); strings.Contains(body, "counted only since") {
		t.Error("the forecast still leaves out what was before")
	}
}

// The table of readings comes as a file, and none of its cells computes anything.
func TestReadingsAsAFile(t *testing.T) {
	c := newCounted(t)
	if got := c.asTech.fill("/readings/"+c.latest(t, c.tunnel).ID.String()+"/void", map[string]string{"reason": "=1+1"}); got.status != 303 {
		t.Fatal(got.status)
	}
	got := c.asOwner.get(at(c.tunnel) + "/readings.csv")
	if !strings.HasPrefix(got.head.Get("Content-Type"), "text/csv") || !strings.Contains(got.head.Get("Content-Disposition"), "UMB-1-TC-readings.csv") {
		t.Errorf("%v", got.head)
	}
	rows, err := csv.NewReader(strings.NewReader(got.body)).ReadAll()
	if err != nil || len(rows) != 31 {
		t.Fatalf("%d rows, %v", len(rows), err)
	}
	if rows[0][0] != "seen_at" || rows[1][4] != "voided" || rows[1][10] != "'=1+1" || rows[2][3] != "94880" || rows[2][4] != "counts" {
		t.Errorf("%v\n%v\n%v", rows[0], rows[1], rows[2])
	}
}

// A unit tells what it has done: where it was, for how long, and how well that is known.
func TestAUnitTellsWhatItHasDone(t *testing.T) {
	s := newStore(t)
	began := now.AddDate(0, -8, 0)
	m := write(t, s.db, func(tx *gorm.DB) (meters.Meter, error) {
		return meters.Add(tx, access.System, now, meters.NewMeter{SiteID: s.site.ID, From: &began, Unit: meters.Hours, Thing: meters.Thing{PositionID: &s.left.ID, Primary: true},
			Edit: meters.Edit{Code: "UMB-1/H", Kind: "hour_meter", Counter: meters.Counter{Decimals: 1}}})
	})
	write(t, s.db, func(tx *gorm.DB) ([]meters.Taken, error) {
		return meters.Take(tx, access.System, now, []meters.NewReading{{MeterID: m.ID, At: began, Value: "100.0"}, {MeterID: m.ID, At: now.AddDate(0, 0, -1), Value: "612.5"}})
	})
	for name, v := range map[string]*visitor{"technician": s.asTech, "owner": s.asOwner} {
		body := plain(v.get("/units/" + s.motor.ID.String()).body)
		if !strings.Contains(body, "What it has done") || !strings.Contains(body, " h</p>") || !strings.Contains(body, "fitted, in service or not") {
			t.Errorf("the %s is not told", name)
		}
	}
}

// The work of these pages for the database does not grow with what they show.
func TestStatementsOfPagesAboutCountersStayTheSame(t *testing.T) {
	c := newCounted(t)
	site := "/sites/" + c.site.ID.String()
	pages := []string{"/", site + "/counters", site + "/counters/round", site + "/counters/compare", "/counters", "/counters/quiet", at(c.tunnel), at(c.hours), at(c.tunnel) + "/read", "/positions/" + c.left.ID.String()}
	doubt := func(m meters.Meter, i int) {
		write(t, c.db, func(tx *gorm.DB) ([]meters.Taken, error) {
			return meters.Take(tx, access.System, now, []meters.NewReading{{MeterID: m.ID, At: now.Add(-time.Duration(i+1) * time.Hour), Value: "1"}})
		})
	}
	doubt(c.tunnel, 0)
	long := now.AddDate(0, -7, 0)
	write(t, c.db, func(tx *gorm.DB) (meters.Meter, error) { // never read
		return meters.Add(tx, access.System, now, meters.NewMeter{SiteID: c.site.ID, From: &long, Unit: meters.Hours, Thing: meters.Thing{PositionID: &c.right.ID, Primary: true}, Edit: meters.Edit{Code: "UMB-1/N", Kind: "hour_meter"}})
	})
	count := func() map[string]int64 {
		n := map[string]int64{}
		for _, path := range pages {
			n[path] = c.statements(t, c.manager, path)
		}
		return n
	}
	before := count()
	for i, q := range c.addPositions(t, 8) {
		m := write(t, c.db, func(tx *gorm.DB) (meters.Meter, error) {
			return meters.Add(tx, access.System, now, meters.NewMeter{SiteID: c.site.ID, From: &long, Unit: meters.Hours, Thing: meters.Thing{PositionID: &q.ID, Primary: true},
				Edit: meters.Edit{Code: fmt.Sprintf("UMB-1/X%d/H", i), Kind: "hour_meter", Counter: meters.Counter{Decimals: 1}}})
		})
		if i%2 == 0 {
			write(t, c.db, func(tx *gorm.DB) ([]meters.Taken, error) {
				return meters.Take(tx, access.System, now, []meters.NewReading{{MeterID: m.ID, At: long.Add(time.Hour), Value: "100.0"}, {MeterID: m.ID, At: now.AddDate(0, 0, -50), Value: "400.0"}})
			})
			doubt(m, i+1)
		}
	}
	after := count()
	for _, path := range pages {
		if before[path] != after[path] {
			t.Errorf("%s: %d statements, then %d", path, before[path], after[path])
		}
		t.Logf("%-80s %d statements", path, after[path])
	}
}
