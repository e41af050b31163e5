package kit

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"spindlebook/internal/parts/amount"
)

func ea(part string, n int64) Line { return Line{Part: part, Amount: amount.Of(n)} }
func maybe(part string, n int64) Line {
	return Line{Part: part, Amount: amount.Of(n), Optional: true}
}
func there(of ...any) map[string]amount.Amount {
	all := map[string]amount.Amount{}
	for i := 0; i < len(of); i += 2 {
		all[of[i].(string)] = amount.Of(int64(of[i+1].(int)))
	}
	return all
}

// The hardware of a gearmotor swap, with its nested box kit (our own kits.csv).
var swap = Recipes{
	"MW-95101": {ea("MW-20901", 1), ea("MW-22004", 1), maybe("MW-22005", 1), ea("MW-40004", 4), ea("MW-40005", 4), ea("MW-95501", 1)},
	"MW-95501": {ea("MW-13001", 1), maybe("MW-13002", 1), ea("MW-13005", 1)},
	"MW-95701": {ea("MW-81001", 1), ea("MW-81004", 1), {Part: "MW-90004", Amount: 1200}},
}

func buildable(t *testing.T, r Recipes, kit string, have map[string]amount.Amount) Answer {
	t.Helper()
	a, err := r.Buildable(kit, have)
	if err != nil {
		t.Fatal(err)
	}
	return a
}

func TestAKitIsBuiltFromItsScarcestLine(t *testing.T) {
	have := there("MW-20901", 20, "MW-22004", 5, "MW-40004", 100, "MW-40005", 100, "MW-95501", 2, "MW-13001", 10, "MW-13005", 1)
	a := buildable(t, swap, "MW-95101", have)
	// two box kits lie ready and one can be built; the optional washers hold nothing up
	if a.Kits != 3 || len(a.Short) != 1 || a.Short[0] != (Shortage{"MW-13005", amount.Of(2), amount.Of(1)}) {
		t.Errorf("%+v", a)
	}
	have["MW-13005"] = amount.Of(10)
	if a := buildable(t, swap, "MW-95101", have); a.Kits != 5 || a.Short[0].Part != "MW-22004" {
		t.Errorf("%+v", a)
	}
	// 9.46 litres are seven services of 1.2 litres, and 1.06 left
	have = there("MW-81001", 50, "MW-81004", 50)
	have["MW-90004"] = 9460
	if a := buildable(t, swap, "MW-95701", have); a.Kits != 7 || a.Short[0].Needed != 9600 {
		t.Errorf("%+v", a)
	}
	if a := buildable(t, swap, "MW-95101", nil); a.Kits != 0 || len(a.Short) != 6 {
		t.Errorf("%+v", a)
	}
}

// A part that the kit and its nested kit both take counts for both.
func TestSharedComponentsAreAddedUp(t *testing.T) {
	r := Recipes{"K": {ea("washer", 2), ea("N", 1)}, "N": {ea("washer", 3)}}
	if a := buildable(t, r, "K", there("washer", 14)); a.Kits != 2 {
		t.Errorf("14 washers at five a kit are two kits, not %d", a.Kits)
	}
	if a := buildable(t, r, "K", there("washer", 14, "N", 1)); a.Kits != 3 {
		t.Errorf("with one nested kit on the shelf it is three, not %d", a.Kits)
	}
}

func TestRecipesThatCannotBe(t *testing.T) {
	for says, r := range map[string]Recipes{
		"itself":        {"K": {ea("K", 1)}},
		"deep":          {"K": {ea("L", 1)}, "L": {ea("M", 1)}, "M": {ea("p", 1)}},
		"above 0":       {"K": {{Part: "p"}}},
		"not optional":  {"K": {maybe("p", 1)}},
		"whole number":  {"K": {{Part: "L", Amount: 500}}, "L": {ea("p", 1)}},
		"not  optional": {"K": {}},
	} {
		if _, err := r.Buildable("K", nil); err == nil || !strings.Contains(err.Error(), strings.ReplaceAll(says, "  ", " ")) {
			t.Errorf("%s: %v", says, err)
		}
	}
	if _, err := swap.Buildable("MW-1", nil); err == nil || !strings.Contains(err.Error(), "no such kit recipe") {
		t.Error(err)
	}
}

// n can be built one by one, each from what the one before left; one more cannot.
func TestBuildableAgainstBuilding(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		parts := []string{"a", "b", "c", "d"}
		line := rapid.Custom(func(t *rapid.T) Line {
			return Line{rapid.SampledFrom(parts).Draw(t, "part"), amount.Amount(rapid.Int64Range(1, 4000).Draw(t, "of")), rapid.Bool().Draw(t, "optional")}
		})
		r := Recipes{"K": append(rapid.SliceOfN(line, 0, 4).Draw(t, "lines"), ea("a", 1), ea("N", rapid.Int64Range(1, 3).Draw(t, "nested"))),
			"N": append(rapid.SliceOfN(line, 0, 3).Draw(t, "inner"), ea("b", 1))}
		have := map[string]amount.Amount{"N": amount.Of(rapid.Int64Range(0, 4).Draw(t, "N"))}
		for _, p := range parts {
			have[p] = amount.Amount(rapid.Int64Range(0, 30000).Draw(t, p))
		}
		a, err := r.Buildable("K", have)
		if err != nil {
			t.Fatal(err)
		}
		left, built := map[string]amount.Amount{}, int64(0)
		for p, n := range have {
			left[p] = n
		}
		take := func(lines []Line) bool {
			for _, l := range lines {
				if l.Optional {
					continue
				}
				if l.Part == "N" {
					for range l.Amount / amount.One {
						if left["N"] >= amount.One {
							left["N"] -= amount.One
							continue
						}
						for _, i := range r["N"] {
							if !i.Optional {
								left[i.Part] -= i.Amount
							}
						}
					}
				} else {
					left[l.Part] -= l.Amount
				}
			}
			for _, n := range left {
				if n < 0 {
					return false
				}
			}
			return true
		}
		for take(r["K"]) {
			built++
		}
		if a.Kits != built {
			t.Fatalf("%d can be built, by hand it is %d", a.Kits, built)
		}
		if len(a.Short) == 0 {
			t.Fatal("nothing holds the next one up")
		}
	})
}

// Story 3 of our parts notes: sixteen sections, and no set.
func TestStory3NineLongAndSevenShortAreNoSet(t *testing.T) {
	pattern := strings.Repeat("AABB", 4)
	for _, c := range []struct {
		have  []Section
		sets  int64
		lacks string
	}{
		{[]Section{{'A', "L1", 9}, {'B', "L1", 7}}, 0, "7 of 8 B of one lot"},
		{[]Section{{'A', "L1", 8}, {'B', "L2", 8}}, 1, ""},
		{[]Section{{'A', "L1", 4}, {'A', "L2", 4}, {'B', "L2", 8}}, 0, "4 of 8 A of one lot"},
		{[]Section{{'A', "L1", 16}, {'A', "L2", 8}, {'B', "L2", 17}}, 2, ""},
		{[]Section{{'A', "L1", 6}, {'A', "L1", 2}, {'B', "L1", 8}}, 1, ""},
		{nil, 0, "0 of 8 A of one lot, 0 of 8 B of one lot"},
	} {
		if n, lacks := Sets(pattern, c.have); n != c.sets || lacks != c.lacks {
			t.Errorf("%v make %d sets (%s), want %d (%s)", c.have, n, lacks, c.sets, c.lacks)
		}
	}
	if n, lacks := Sets("AA", []Section{{'A', "", 5}, {'B', "", 1}}); n != 2 || lacks != "" {
		t.Errorf("%d %q", n, lacks)
	}
	if n, _ := Sets("", nil); n != 0 {
		t.Errorf("no pattern makes %d", n)
	}
}

func ExampleRecipes_Buildable() {
	a, _ := Recipes{"bag": {ea("key", 1), ea("nut", 2)}}.Buildable("bag", there("key", 5, "nut", 7))
	fmt.Println(a.Kits, a.Short[0].Part, slices.IsSorted([]amount.Amount{a.Short[0].There, a.Short[0].Needed}))
	// Output: 3 nut true
}
