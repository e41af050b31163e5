package carry

import (
	"fmt"
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// everyWay tries all additions: the least cost at which the target is reached,
// or else the greatest chance.
func everyWay(lines []Line, carried map[string]int64, offers []Offer, target float64) (cost int64, chance float64) {
	cost = math.MaxInt64
	bestCost, most := int64(math.MaxInt64), -1.0
	var visit func(i int, load map[string]int64, spent int64)
	visit = func(i int, load map[string]int64, spent int64) {
		if i < len(offers) {
			o := offers[i]
			for n := int64(0); n <= o.Most; n += max(o.Step, 1) {
				next := map[string]int64{}
				for p, m := range load {
					next[p] = m
				}
				next[o.Part] += n
				visit(i+1, next, spent+n/max(o.Step, 1)*o.Cost)
			}
			return
		}
		p := enumerated(lines, load)
		if p >= target-1e-12 && spent < cost {
			cost, chance = spent, p
		}
		if p > most+1e-12 || p > most-1e-12 && spent < bestCost {
			bestCost, most = spent, p
		}
	}
	visit(0, carried, 0)
	if cost == math.MaxInt64 {
		return bestCost, most
	}
	return cost, chance
}

func someOffers(t *rapid.T) (offers []Offer) {
	r := dice(t)
	for _, p := range []string{"a", "b", "c", "d"} {
		if r.IntN(5) > 0 {
			offers = append(offers, Offer{p, r.Int64N(3), r.Int64N(5), r.Int64N(10)})
		}
	}
	return offers
}

func TestNothingCheaperReachesTheTarget(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		lines, carried := someLines(t, 6)
		for p := range carried {
			carried[p] /= 2
		}
		offers, target := someOffers(t), rapid.SampledFrom([]float64{0.5, 0.8, 0.95, 1}).Draw(t, "target")
		a, err := Best(lines, carried, offers, target)
		if err != nil {
			t.Fatal(err)
		}
		cost, chance := everyWay(lines, carried, offers, target)
		if !a.Exact || a.Cost != cost || a.Reached != (chance >= target-1e-12) || !a.Reached && math.Abs(a.After.Chance-chance) > 1e-12 {
			t.Fatalf("%+v, want %d for %g", a, cost, chance)
		}
		holds(t, lines, carried, offers, a)
	})
}

// holds checks what is true of every advice.
func holds(t *rapid.T, lines []Line, carried map[string]int64, offers []Offer, a Advice) {
	load := map[string]int64{}
	for p, n := range carried {
		load[p] = n
	}
	sum, last := int64(0), a.Before.Chance
	for _, x := range a.Add {
		o := offers[slices.IndexFunc(offers, func(o Offer) bool { return o.Part == x.Part })]
		if step := max(o.Step, 1); x.Amount <= 0 || x.Amount > o.Most || x.Amount%step != 0 || x.Cost != x.Amount/step*o.Cost {
			t.Fatalf("%+v of %+v", x, o)
		}
		load[x.Part] += x.Amount
		sum += x.Cost
		if p := enumerated(lines, load); math.Abs(p-x.Chance) > 1e-12 || p < last-1e-12 {
			t.Fatalf("%+v: the chance is %g", x, p)
		}
		last = x.Chance
	}
	if sum != a.Cost || math.Abs(last-a.After.Chance) > 1e-12 {
		t.Fatalf("%+v", a)
	}
}

// Without looking at all ways, steps by gain per cost reach what can be reached,
// at a cost that is not far from the least.
func TestStepsByGainComeNear(t *testing.T) {
	exact, ours := int64(0), int64(0)
	rapid.Check(t, func(t *rapid.T) {
		lines, carried := someLines(t, 9)
		for p := range carried {
			carried[p] /= 2
		}
		offers, target := someOffers(t), 0.9
		offered := map[string]Offer{}
		for _, o := range offers {
			o.Step = max(o.Step, 1)
			offered[o.Part] = o
		}
		want, _ := Best(lines, carried, offers, target)
		k := pack(lines, carried)
		k.tries, k.joins = 0, 0
		got := k.best(offered, target)
		if got.Exact && len(k.groups) > 0 || got.Reached != want.Reached || got.Reached && got.Cost < want.Cost || !got.Reached && math.Abs(got.After.Chance-want.After.Chance) > 1e-12 {
			t.Fatalf("%+v, exactly %+v", got, want)
		}
		holds(t, lines, carried, offers, got)
		if want.Reached {
			exact, ours = exact+want.Cost, ours+got.Cost
		}
	})
	t.Logf("steps by gain cost %d where %d would do", ours, exact)
	if 4*ours > 5*exact {
		t.Error("steps by gain cost more than a quarter too much")
	}
}

// The step that brings most for its cost comes first, and what it reaches is not
// topped with more.
func TestTheBestStepComesFirst(t *testing.T) {
	lines := []Line{{"bolt", 1, 0.3, "x"}, {"hub", 1, 0.01, "x"}, {"hub", 1, 0.02, "y"}, {"bolt", 1, 0.1, "z"}}
	k := pack(lines, nil)
	k.tries = 0
	a := k.best(map[string]Offer{"bolt": {"bolt", 1, 5, 10}, "hub": {"hub", 1, 5, 900}}, 0.9)
	if !a.Reached || a.Exact || a.Cost != 10 || len(a.Add) != 1 || a.Add[0].Part != "bolt" {
		t.Errorf("%+v", a)
	}
}

// The check of the evening before.
func TestAdviceInWords(t *testing.T) {
	lines := append(swaps(2), Line{"bearing", 1, 0.05, "ARM"}, Line{"screw", 4, 0.01, "CAP"})
	carried := map[string]int64{"gearmotor": 2, "shaft": 1}
	a, err := Best(lines, carried, []Offer{{"bearing", 1, 3, 100}, {"shaft", 1, 3, 900}, {"screw", 10, 50, 5000}}, 0.97)
	if err != nil {
		t.Fatal(err)
	}
	if got := a.Says(nil); got != "92 % chance of no second trip for parts; 97 % with 1 more bearing" {
		t.Errorf("%s %+v", got, a)
	}
	a, _ = Best(lines, carried, []Offer{{"bearing", 1, 3, 100}, {"shaft", 1, 3, 900}, {"screw", 10, 50, 5000}}, 1)
	write := func(part string, n int64) string { return fmt.Sprintf("%d × %s", n, part) }
	if got := a.Says(write); got != "92 % chance of no second trip for parts; 100 % with 1 × bearing, 1 × shaft and 10 × screw" {
		t.Errorf("%s", got)
	}
	if a, _ = Best(lines, carried, nil, 0.99); a.Reached || a.Says(nil) != "92 % chance of no second trip for parts" {
		t.Errorf("%+v", a)
	}
	a, _ = Best(large(30, 60), nil, nil, 0.99)
	if a.Says(nil) == "" || a.Exact && a.Before.Error > 0 {
		t.Errorf("%+v", a)
	}
}

// A pack of twos for a need of grams in the thousands, far below what is certain.
func TestSteps(t *testing.T) {
	for _, c := range []struct {
		o                 Offer
		free, worst, unit int64
		want              []int64
	}{
		{Offer{Step: 1, Most: 9}, 0, 3, 1, []int64{0, 1, 2, 3}},
		{Offer{Step: 2, Most: 9}, 0, 3, 1, []int64{0, 2, 4}},
		{Offer{Step: 454, Most: 9080}, -1000, 50, 25, []int64{0, 1362}},
		{Offer{Step: 1, Most: 1_000_000}, 10, 75, 25, []int64{0, 15, 40, 65}},
		{Offer{Step: 5, Most: 4}, 0, 9, 1, []int64{0}},
		{Offer{}, 0, 9, 1, []int64{0}},
	} {
		if got := steps(c.o, c.free, c.worst, c.unit); !slices.Equal(got, c.want) {
			t.Errorf("%+v: %v", c, got)
		}
	}
}

func TestAManifoldOfferIsStillAnswered(t *testing.T) {
	lines := large(30, 40)
	var offers []Offer
	for i := range 30 {
		offers = append(offers, Offer{fmt.Sprint("part ", i), 1, 20, int64(1 + i%5)})
	}
	a, err := Best(lines, nil, offers, 0.9)
	if err != nil || !a.Reached || a.Exact {
		t.Errorf("%+v %v", a, err)
	}
}

// someDay is a van check: visits with if-found lines at many positions.
func someDay(jobs int) (lines []Line, carried map[string]int64, offers []Offer) {
	carried = map[string]int64{}
	for i := range jobs {
		for c := range 8 {
			cause := fmt.Sprint(i, " cause ", c)
			for n := range 1 + c%2 {
				part := fmt.Sprint("part ", (i%5)*10+c+n)
				lines = append(lines, Line{part, int64(1 + 3*n), 0.05 + 0.02*float64(c), cause})
				carried[part] = int64(3 + i%7)
			}
		}
	}
	for p := range carried {
		offers = append(offers, Offer{p, 1, 4, 100})
	}
	slices.SortFunc(offers, func(a, b Offer) int {
		return len(a.Part)*100 - len(b.Part)*100 + int(a.Part[len(a.Part)-1]) - int(b.Part[len(b.Part)-1])
	})
	return lines, carried, offers
}

func BenchmarkChance(b *testing.B) {
	for _, jobs := range []int{6, 24, 120} {
		b.Run(fmt.Sprint(jobs, " jobs"), func(b *testing.B) {
			lines, carried, _ := someDay(jobs)
			var a Answer
			for b.Loop() {
				a, _ = Chance(lines, carried)
			}
			b.ReportMetric(a.Chance, "chance")
			b.ReportMetric(a.Error, "error")
		})
	}
}

func BenchmarkBest(b *testing.B) {
	for _, jobs := range []int{6, 24} {
		b.Run(fmt.Sprint(jobs, " jobs"), func(b *testing.B) {
			lines, carried, offers := someDay(jobs)
			var a Advice
			for b.Loop() {
				a, _ = Best(lines, carried, offers, 0.95)
			}
			b.ReportMetric(a.After.Chance, "chance")
			exact := 0.0
			if a.Exact {
				exact = 1
			}
			b.ReportMetric(exact, "exact")
		})
	}
}
