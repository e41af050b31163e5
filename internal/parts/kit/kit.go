// Package kit tells how many kits could be built from what is there, and whether a
// set of sections is whole. It knows no database and no clock.
package kit

import (
	"fmt"
	"slices"
	"strings"

	"spindlebook/internal/fault"
	"spindlebook/internal/parts/amount"
)

// Line is a part of a recipe.
type Line struct {
	Part   string
	Amount amount.Amount
	// Optional lines go into the bag where they are there, and hold no kit up.
	Optional bool
}

// Recipes holds the lines of every kit by its part number. A line may itself be a
// kit, one level deep.
type Recipes map[string][]Line

// Answer is how many could be built.
type Answer struct {
	Kits int64
	// Short names the parts of which one kit more would need more than is there.
	Short []Shortage
}

// Shortage is what is missing for one kit more.
type Shortage struct {
	Part          string
	Needed, There amount.Amount
}

// most bounds the search; nobody keeps so many bags.
const most = 1_000_000

// Check refuses recipes that cannot be built: a ring, a kit in a kit in a kit, nothing
// in it, no amount.
func (r Recipes) Check() error {
	for _, kit := range sorted(r) {
		required := false
		for i, l := range r[kit] {
			field := fmt.Sprintf("recipes[%s][%d]", kit, i)
			if l.Amount <= 0 || l.Amount > amount.Most {
				return fault.Field(field+".amount", l.Amount, "lies above 0 and at most at %s", amount.Most)
			}
			if l.Part == kit {
				return fault.Field(field+".part", l.Part, "is the kit itself")
			}
			for _, inner := range r[l.Part] {
				if _, nested := r[inner.Part]; nested {
					return fault.Field(field+".part", l.Part, "holds the kit %s: a kit in a kit is as deep as they go", inner.Part)
				}
			}
			if _, nested := r[l.Part]; nested && !l.Amount.Whole() {
				return fault.Field(field+".amount", l.Amount, "is a whole number of kits")
			}
			required = required || !l.Optional
		}
		if !required {
			return fault.Field("recipes["+kit+"]", "", "has at least one line that is not optional")
		}
	}
	return nil
}

func sorted(r Recipes) []string {
	var all []string
	for kit := range r {
		all = append(all, kit)
	}
	slices.Sort(all)
	return all
}

// needs gives what n kits take: nested kits from the shelf first, and the parts of those
// that must be built for it. What several lines share is added up.
func (r Recipes) needs(kit string, n int64, there map[string]amount.Amount) map[string]amount.Amount {
	needs := map[string]amount.Amount{}
	nested := map[string]amount.Amount{}
	for _, l := range r[kit] {
		if l.Optional {
			continue
		}
		if _, isKit := r[l.Part]; isKit {
			nested[l.Part] += l.Amount * amount.Amount(n)
		} else {
			needs[l.Part] += l.Amount * amount.Amount(n)
		}
	}
	for part, wanted := range nested {
		build := max(0, wanted-there[part]) / amount.One
		for _, l := range r[part] {
			if !l.Optional {
				needs[l.Part] += l.Amount * build
			}
		}
	}
	return needs
}

func short(needs, there map[string]amount.Amount) (all []Shortage) {
	for part, n := range needs {
		if n > there[part] {
			all = append(all, Shortage{part, n, there[part]})
		}
	}
	slices.SortFunc(all, func(a, b Shortage) int { return strings.Compare(a.Part, b.Part) })
	return all
}

// Buildable tells how many of a kit could be built from what is there and may be used,
// and what one more would lack. Kits on the shelf are not counted: they are built.
func (r Recipes) Buildable(kit string, there map[string]amount.Amount) (Answer, error) {
	lines, known := r[kit]
	if !known {
		return Answer{}, fault.Missing("kit recipe", kit)
	}
	if err := r.Check(); err != nil {
		return Answer{}, err
	}
	cap := int64(most) // the line with the largest amount must not leave the numbers
	for _, l := range lines {
		cap = min(cap, int64(amount.Most/l.Amount)+1)
	}
	low, high := int64(0), cap
	for low < high { // more kits never need less
		mid := (low + high + 1) / 2
		if len(short(r.needs(kit, mid, there), there)) == 0 {
			low = mid
		} else {
			high = mid - 1
		}
	}
	return Answer{low, short(r.needs(kit, low+1, there), there)}, nil
}

// Section is how many sections of a letter there are of one lot that may be used.
type Section struct {
	Letter byte // A or B
	Lot    string
	Count  int64
}

// Sets tells how many whole sets of a pattern can be put together, each of one lot of
// each letter, and where there is not one, what the fullest lacks. A set of nine long
// and seven short sections has the right count and is no set. Lots of the two letters
// are made apart, so that they need not be the same.
func Sets(pattern string, have []Section) (n int64, lacks string) {
	want := map[byte]int64{}
	for i := range len(pattern) {
		want[pattern[i]]++
	}
	n = -1
	var missing []string
	for _, letter := range []byte("AB") {
		if want[letter] == 0 {
			continue
		}
		var sets, best int64
		for _, h := range lots(letter, have) {
			sets += h / want[letter]
			best = max(best, h)
		}
		if sets == 0 {
			missing = append(missing, fmt.Sprintf("%d of %d %c of one lot", best, want[letter], letter))
		}
		if n < 0 || sets < n {
			n = sets
		}
	}
	return max(n, 0), strings.Join(missing, ", ")
}

// lots adds up what is there of a letter by lot.
func lots(letter byte, have []Section) map[string]int64 {
	by := map[string]int64{}
	for _, h := range have {
		if h.Letter == letter {
			by[h.Lot] += h.Count
		}
	}
	return by
}
