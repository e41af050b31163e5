package web_test

import (
	"net/http"
	"slices"
	"strings"
	"testing"

	"spindlebook/internal/measure"
)

// Measures are shown in the units that their reader chose, and kept as they were entered.
// The factors are those of NIST SP 811 (2008), appendix B.8: foot 0.3048 m, inch 25.4 mm.
func TestMeasuresAreShownInTheReadersUnits(t *testing.T) {
	g := newGround(t)
	g.record(t, "bore", "1.375", "in")
	g.record(t, "hub_fixing", "clamp4", "")
	site, position := "/sites/"+g.site.ID.String(), "/positions/"+g.left.ID.String()
	shows := func(when string, v *visitor, want map[string][]string, never ...string) {
		t.Helper()
		for path, texts := range want {
			body := v.get(path).body
			for _, text := range texts {
				if !strings.Contains(body, text) {
					t.Errorf("%s: %s lacks %q", when, path, text)
				}
			}
			for _, text := range never {
				if strings.Contains(body, text) {
					t.Errorf("%s: %s shows %q", when, path, text)
				}
			}
		}
	}
	choose := func(v *visitor, units string) {
		t.Helper()
		form := v.form("/account/units")
		form.Set("units", units)
		if got := v.post("/account/units", form); got.status != http.StatusSeeOther || got.head.Get("Location") != "/account#units" {
			t.Fatalf("choosing %s: %d %s", units, got.status, got.body)
		}
	}
	asEntered := map[string][]string{site: {"110 ft long", "38 ft", "120 ft</text>"[3:]}, position: {"38 ft from the entrance", "<bdi>1.375 in</bdi>", "four-screw clamp"}}
	shows("at first", g.asTech, asEntered, "entered as")
	if got := g.asTech.form("/account/units"); got.Get("units") != "as_entered" {
		t.Errorf("at first the form says %q", got.Get("units"))
	}
	// the choice names each unit that it brings about
	says := bare(g.asTech.get("/account/units").body)
	for _, unit := range []string{"ft", "in", "ft/min", "lb", "oz", "gal", "psi", "lbf.ft", "lbf", "F"} {
		for _, one := range []string{unit, measure.Metric.In(unit)} {
			if one = strings.NewReplacer("F", "°F", "C", "°C").Replace(one); !slices.Contains(strings.FieldsFunc(says, func(r rune) bool { return r == ' ' || r == ',' }), one) {
				t.Errorf("the choice does not name %s: %s", one, says)
			}
		}
	}
	choose(g.asTech, "metric")
	shows("metric", g.asTech, map[string][]string{
		site:       {`title="entered as 110 ft">33.53 m</span> long`, `title="entered as 38 ft">11.58 m</span>`, ", at 11.58 m", " m</text>"},
		position:   {`title="entered as 38 ft">11.58 m</span> from the entrance`, `title="entered as 1.375 in">34.925 mm</span>`, "four-screw clamp"},
		"/account": {"Pages show measures metric"},
	}, "20 ft</text>")
	choose(g.asTech, "us")
	shows("US", g.asTech, asEntered, "entered as")
	// each person by themselves
	shows("another person", g.asManager, asEntered, "entered as")
	// it is kept in the unit in which it is entered, and the preferred one stands ready
	choose(g.asTech, "metric")
	twin := "/positions/" + g.right.ID.String()
	form := g.asTech.form(twin + "/facts/new?fact=bore")
	if form.Get("measure_unit") != "mm" {
		t.Errorf("a form offers %q first", form.Get("measure_unit"))
	}
	form.Set("measure", "1-1/2")
	form.Set("measure_unit", "in")
	form.Set("how", "seen")
	if got := g.asTech.post(twin+"/facts/new?fact=bore", form); got.status != http.StatusSeeOther {
		t.Fatalf("%d %v", got.status, wrongs(t, got.body))
	}
	if n := g.count(t, `select count(*)::int as n from position_fact where fact = 'bore' and value = '1.5 in' and value_mm = 38.1`); n != 1 {
		t.Errorf("%d such facts", n)
	}
	shows("after that", g.asTech, map[string][]string{twin: {`title="entered as 1.5 in">38.1 mm</span>`}})
	// choosing how letters come leaves the units
	letters := g.asTech.form("/account/letters")
	letters.Set("digest_hour", "7")
	if got := g.asTech.post("/account/letters", letters); got.status != http.StatusSeeOther {
		t.Fatal(got.status)
	}
	shows("after letters", g.asTech, map[string][]string{twin: {"38.1 mm"}, "/account": {"metric"}})
	form = g.asTech.form("/account/units")
	form.Set("units", "cubits")
	if got := g.asTech.post("/account/units", form); got.status != http.StatusUnprocessableEntity || wrongs(t, got.body)["units"] == "" {
		t.Errorf("cubits: %d %v", got.status, wrongs(t, got.body))
	}
}

// record records a fact of the left brush.
func (g *ground) record(t testing.TB, fact, value, unit string) {
	t.Helper()
	form := g.asTech.form("/positions/" + g.left.ID.String() + "/facts/new?fact=" + fact)
	if unit != "" {
		form.Set("measure", value)
		form.Set("measure_unit", unit)
	} else {
		form.Set("value", value)
	}
	form.Set("how", "seen")
	if got := g.asTech.post("/positions/"+g.left.ID.String()+"/facts/new?fact="+fact, form); got.status != http.StatusSeeOther {
		t.Fatalf("%s: %d %v", fact, got.status, wrongs(t, got.body))
	}
}
