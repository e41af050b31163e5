package fit_test

import (
	"strings"
	"testing"

	"spindlebook/internal/parts/fit"
)

// One density and one lot per brush, never mixed (common practice, no source): the sections of
// the first density and those that replaced them must not meet on one brush.
func TestDensitiesOfFoamNeverMeet(t *testing.T) {
	t.Parallel()
	const first, now, short = "MW-30099", "MW-30101", "MW-30102"
	never := fit.NeverMix{}
	never.Add(first, now)
	old, fresh := []string{first, short}, []string{now, short}
	for name, c := range map[string]struct {
		part string // "" asks of the set alone
		set  *fit.Set
		no   string
		open string
	}{
		"of one density":                     {"", &fit.Set{Made: [][]string{fresh}}, "", ""},
		"a recipe of both":                   {"", &fit.Set{Made: [][]string{{first, now}}}, "made of both", ""},
		"one of two recipes":                 {"", &fit.Set{Made: [][]string{{first, now}, fresh}}, "", "is not known"},
		"nobody knows the recipe":            {"", &fit.Set{}, "", ""},
		"a section of the other in it":       {"", &fit.Set{Made: [][]string{fresh}, Since: [][]string{{first}}}, "replaced by the other", ""},
		"a section of the same in it":        {"", &fit.Set{Made: [][]string{fresh}, Since: [][]string{{now}, {short}}}, "", ""},
		"a section that may be the other":    {"", &fit.Set{Made: [][]string{fresh}, Since: [][]string{{first, short}}}, "", "is not known"},
		"a section that nobody knows":        {"", &fit.Set{Made: [][]string{fresh}, Since: [][]string{{}}}, "", "came in place of another"},
		"two sections that never meet":       {"", &fit.Set{Made: [][]string{{short}}, Since: [][]string{{first}, {now}}}, "sections were replaced by both", ""},
		"two sections that may never meet":   {"", &fit.Set{Made: [][]string{{short}}, Since: [][]string{{now}, {short}, {first, short}}}, "", "has MW-30099 and MW-30101 on it, which"},
		"many that never meet":               {"", &fit.Set{Since: [][]string{{first}, {now}, {first}, {now}}}, "sections were replaced by both", ""},
		"the same, of no known recipe":       {"", &fit.Set{Since: [][]string{{first}, {now}}}, "sections were replaced by both", ""},
		"the same, and may, of none":         {"", &fit.Set{Since: [][]string{{first}, {now, short}}}, "", "which must never be on one brush, is not known"},
		"an unknown section beside one":      {"", &fit.Set{Made: [][]string{{short}}, Since: [][]string{{first}, {}}}, "", "came in place of another"},
		"that is no matter without partners": {"", &fit.Set{Made: [][]string{{short}}, Since: [][]string{{}}}, "", ""},
		"an old one onto a new set":          {first, &fit.Set{Made: [][]string{fresh}}, "the set there has the other", ""},
		"a new one onto an old set":          {now, &fit.Set{Made: [][]string{old}}, "the set there has the other", ""},
		"a new one onto a new set":           {now, &fit.Set{Made: [][]string{fresh}}, "", ""},
		"onto a set of either":               {now, &fit.Set{Made: [][]string{old, fresh}}, "", "would come together is not known"},
		"onto a set with a section of it":    {now, &fit.Set{Made: [][]string{{short}}, Since: [][]string{{first}}}, "the set there has the other", ""},
		"onto one with an unknown section":   {now, &fit.Set{Made: [][]string{fresh}, Since: [][]string{{}}}, "", "came in place of another"},
		"onto a set that nobody knows":       {now, &fit.Set{}, "", "must never be beside MW-30099"},
		"onto such with a section of it":     {now, &fit.Set{Since: [][]string{{first}}}, "the set there has the other", "must never be beside MW-30099"},
		"onto such with an unknown section":  {now, &fit.Set{Since: [][]string{{}}}, "", "came in place of another"},
		"onto a brush without a set":         {now, nil, "", "must never be beside MW-30099"},
		"what goes beside everything":        {short, nil, "", ""},
	} {
		var no []string
		var open []fit.Missing
		if c.part == "" {
			no, open = never.Mixed(*c.set)
		} else {
			no, open = never.Beside(c.part, c.set)
		}
		if len(no) > 1 {
			t.Errorf("%s: it says one thing more than once: %q", name, no)
		}
		said, unsure := strings.Join(no, " "), ""
		for _, m := range open {
			unsure += m.Says
		}
		if (c.no == "") != (said == "") || !strings.Contains(said, c.no) || (c.open == "") != (unsure == "") || !strings.Contains(unsure, c.open) {
			t.Errorf("%s: never %q, unsure %q", name, said, unsure)
		}
	}
	a := fit.Book{}.Judge(fit.Position{}, fit.Candidate{Class: "section", Unsure: []fit.Missing{{Of: "position", Fact: "sections"}}})
	if a.Verdict != fit.CannotTell || len(a.Missing) != 2 {
		t.Errorf("%+v", a)
	}
}
