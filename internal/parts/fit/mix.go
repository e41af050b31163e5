package fit

import (
	"fmt"
	"slices"
	"strings"
)

// NeverMix says which parts must never be on one brush together, by their numbers: two
// densities of foam do not wear alike. It is a rule on the set, not on the part.
type NeverMix map[string][]string

// Add says it of two parts, both ways.
func (n NeverMix) Add(a, b string) { n[a], n[b] = append(n[a], b), append(n[b], a) }

// Set is what a media set is made of, as far as anybody knows.
type Set struct {
	Made  [][]string // the parts of each recipe by which it may have been made; none: nobody knows
	Since [][]string // of each section that came in place of another the parts that it may be; none: nobody knows
}

// howSections is how somebody finds out of which sections a set is.
const howSections = "look at the sections, and read the lots on the record of the set"

// clash gives a pair of two lists that must never be together; "" where there is none.
func (n NeverMix) clash(a, b []string) string {
	for _, x := range a {
		for _, y := range b {
			if slices.Contains(n[x], y) {
				return x + " and " + y
			}
		}
	}
	return ""
}

// weigh holds what something may be against what is beside it. Of each the alternatives are
// known; none at all means that nobody knows. Where all clash it is certain, where some do
// nobody can tell.
func (n NeverMix) weigh(a, b [][]string) (certain, possible string) {
	all := len(a) > 0 && len(b) > 0
	for _, x := range a {
		for _, y := range b {
			c := n.clash(x, y)
			if c == "" {
				all = false
			} else {
				possible = c
			}
		}
	}
	if all {
		return possible, ""
	}
	return "", possible
}

// each makes an alternative of each part.
func each(parts []string) (all [][]string) {
	for _, p := range parts {
		all = append(all, []string{p})
	}
	return all
}

// partners tells whether anything must never be beside some parts.
func (n NeverMix) partners(lists [][]string) bool {
	return slices.ContainsFunc(lists, func(l []string) bool {
		return slices.ContainsFunc(l, func(p string) bool { return len(n[p]) > 0 })
	})
}

// once adds what was not said yet: of many sections the same may be said again and again.
func once[T comparable](all []T, one T) []T {
	if slices.Contains(all, one) {
		return all
	}
	return append(all, one)
}

// Mixed tells whether a set holds what must never be together: why it is never used, or why
// nobody can tell. That nobody knows what a set is made of speaks for nothing by itself.
func (n NeverMix) Mixed(s Set) (never []string, unsure []Missing) {
	within := 0
	pair := ""
	for _, m := range s.Made {
		if c := n.clash(m, m); c != "" {
			within, pair = within+1, c
		}
	}
	switch {
	case within > 0 && within == len(s.Made):
		never = append(never, fmt.Sprintf("%s must never be on one brush, and it is made of both.", pair))
	case within > 0:
		unsure = append(unsure, Missing{"part", "sections", fmt.Sprintf("Whether it is made of %s, which must never be on one brush, is not known.", pair), howSections})
	}
	doubt := func(pair string) {
		unsure = once(unsure, Missing{"part", "sections", fmt.Sprintf("Whether it has %s on it, which must never be on one brush, is not known.", pair), howSections})
	}
	since := slices.SortedFunc(slices.Values(s.Since), slices.Compare) // a pair is named in one order
	for i, one := range since {
		if len(one) == 0 && (n.partners(s.Made) || n.partners(s.Since)) {
			unsure = once(unsure, Missing{"part", "sections", "What a section is that came in place of another is not known.", howSections})
			continue
		}
		switch certain, possible := n.weigh(each(one), s.Made); {
		case certain != "":
			never = once(never, fmt.Sprintf("%s must never be on one brush, and a section was replaced by the other.", certain))
		case possible != "":
			doubt(possible)
		}
		for _, other := range since[:i] { // they lie on it side by side, whatever it was made of
			switch certain, possible := n.weigh(each(other), each(one)); {
			case certain != "":
				never = once(never, fmt.Sprintf("%s must never be on one brush, and sections were replaced by both.", certain))
			case possible != "":
				doubt(possible)
			}
		}
	}
	return never, unsure
}

// Beside tells whether a part may go onto a brush with the set that is on it; nil where no set
// is on record.
func (n NeverMix) Beside(part string, s *Set) (never []string, unsure []Missing) {
	if len(n[part]) == 0 {
		return nil, nil
	}
	if s == nil || len(s.Made) == 0 {
		unsure = append(unsure, Missing{"position", "sections", fmt.Sprintf("What the sections on this brush are is not known, and %s must never be beside %s.", part, strings.Join(n[part], " or ")), howSections})
	}
	if s == nil {
		return nil, unsure
	}
	own := [][]string{{part}}
	beside := func(there [][]string) {
		switch certain, possible := n.weigh(own, there); {
		case certain != "":
			never = once(never, fmt.Sprintf("%s must never be on one brush, and the set there has the other.", certain))
		case possible != "":
			unsure = once(unsure, Missing{"position", "sections", fmt.Sprintf("Whether %s, which must never be on one brush, would come together is not known.", possible), howSections})
		}
	}
	beside(s.Made)
	for _, one := range s.Since {
		if len(one) == 0 {
			unsure = once(unsure, Missing{"position", "sections", "What a section is that came in place of another is not known.", howSections})
			continue
		}
		beside(each(one))
	}
	return never, unsure
}
