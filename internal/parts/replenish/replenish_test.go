package replenish

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"spindlebook/internal/calendar"
	"spindlebook/internal/parts/amount"
	"spindlebook/internal/pm/visits/readiness"
)

func near6(got, want, tolerance float64) bool { return math.Abs(got-want) <= tolerance }

func must[T any](t testing.TB) func(T, error) T {
	return func(v T, err error) T {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
}

// testdata/poisson-stock.csv: smallest stock by mean demand and level, computed with
// SciPy (scipy.stats.poisson.ppf).
func TestProtectionAgainstTheTable(t *testing.T) {
	f, err := os.Open("testdata/poisson-stock.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = f.Close() }()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil || len(rows) < 10 {
		t.Fatalf("%d rows, %v", len(rows), err)
	}
	for _, row := range rows[1:] {
		mean, _ := strconv.ParseFloat(row[0], 64)
		for c, cell := range row[1:] {
			level, _ := strconv.ParseFloat(strings.TrimPrefix(rows[0][c+1], "stock_for_"), 64)
			want, _ := strconv.Atoi(cell)
			if got := must[int](t)((Demand{Singles: mean}).Protect(level)); got != want {
				t.Errorf("mean %g at %g: %d, the table says %d", mean, level, got, want)
			}
			// in pairs alone it is twice as many of half as often
			if got := must[int](t)((Demand{Pairs: mean}).Protect(level)); got != 2*want {
				t.Errorf("%g pairs at %g: %d, want %d", mean, level, got, 2*want)
			}
		}
	}
}

// Worked example, from memory: Blanchard, Logistics Engineering and Management, sparing
// nomograph: 20 parts, 0.1 failures in 1000 h, 90 days of 24 h; 8 spares give 95 %.
// The other figures: SciPy.
func TestTwentyPartsForNinetyDays(t *testing.T) {
	d := Demand{Singles: 20 * 0.1 / 1000 * 24 * 90}
	if got := must[int](t)(d.Protect(0.95)); got != 8 {
		t.Errorf("%d spares", got)
	}
	for i, want := range []float64{0.733333, 0.853398, 0.927496, 0.967508, 0.986714, 0.995011} {
		if got := must[float64](t)(d.Covers(5 + i)); !near6(got, want, 5e-7) {
			t.Errorf("P(<= %d) = %.7f, want %g", 5+i, got, want)
		}
	}
	if got := must[float64](t)(d.Filled(8)); !near6(got, 0.927496, 5e-7) {
		t.Errorf("filled at once: %g", got)
	}
	if got := must[float64](t)(d.Waiting(8)); !near6(got, 0.053284761, 5e-9) {
		t.Errorf("waited for: %.9f", got)
	}
	if got := must[float64](t)(d.Waiting(0)); got != d.Singles {
		t.Errorf("without stock everybody waits: %g", got)
	}
}

func TestBordersOfTheProtection(t *testing.T) {
	for _, c := range []struct {
		mean, level float64
		want        int
	}{{0, 0.999, 0}, {0.05, 0.95, 0}, {-math.Log(0.95), 0.95, 0}, {4, 0, 0}, {50000, 0.5, 50000}} {
		if got := must[int](t)((Demand{Singles: c.mean}).Protect(c.level)); got != c.want {
			t.Errorf("mean %g at %g: %d, want %d", c.mean, c.level, got, c.want)
		}
	}
	for _, level := range []float64{1, -0.1, math.NaN(), 2} {
		if _, err := (Demand{Singles: 1}).Protect(level); err == nil || !strings.Contains(err.Error(), "level") {
			t.Errorf("at %g: %v", level, err)
		}
	}
	for _, d := range []Demand{{Singles: -1}, {Pairs: math.NaN()}, {Pairs: 1e6}} {
		_, a := d.Protect(0.9)
		_, b := d.Covers(1)
		_, c := d.Filled(1)
		_, e := d.Waiting(1)
		if a == nil || b == nil || c == nil || e == nil {
			t.Errorf("%+v is taken", d)
		}
	}
	if _, err := (Demand{Singles: 2000, Pairs: 2000}).Protect(0.9); err == nil {
		t.Error("a mixture too large to add up is taken")
	}
	if got := must[float64](t)((Demand{}).Filled(0)); got != 1 {
		t.Errorf("nobody asks: %g", got)
	}
	if got := must[float64](t)((Demand{Singles: 1}).Covers(-1)); got != 0 {
		t.Errorf("%g", got)
	}
}

// Our own worked example: nineteen sets a year and twenty days of delivery. As single units
// three cover 97.8 %; as pairs two sets cover 90 % and four 98 %.
func TestPairsNeedMoreThanSingles(t *testing.T) {
	mean := 1.05
	single, pair := Demand{Singles: mean}, Demand{Pairs: mean / 2}
	if got := must[float64](t)(single.Covers(3)); !near6(got, 0.978, 5e-4) {
		t.Errorf("three singles cover %g", got)
	}
	for stock, want := range map[int]float64{2: 0.90, 3: 0.90, 4: 0.98} {
		if got := must[float64](t)(pair.Covers(stock)); !near6(got, want, 5e-3) {
			t.Errorf("%d in pairs cover %g, want %g", stock, got, want)
		}
	}
	// a naive minimum leaves a pair one short
	if s, p := must[int](t)(single.Protect(0.95)), must[int](t)(pair.Protect(0.95)); s != 3 || p != 4 {
		t.Errorf("%d singles, %d in pairs", s, p)
	}
}

// A mixture against plain convolution, and the three measures against each other.
func TestMixturesAddUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := Demand{rapid.Float64Range(0, 6).Draw(t, "singles"), rapid.Float64Range(0, 6).Draw(t, "pairs")}
		stock := rapid.IntRange(0, 20).Draw(t, "stock")
		want, waiting := 0.0, 0.0
		for j := range 100 {
			for k := range 100 {
				p := poisson(d.Pairs, j) * poisson(d.Singles, k)
				if k+2*j <= stock {
					want += p
				} else {
					waiting += p * float64(k+2*j-stock)
				}
			}
		}
		got, _ := d.Covers(stock)
		w, _ := d.Waiting(stock)
		if !near6(got, want, 1e-9) || !near6(w, waiting, 1e-9) {
			t.Fatalf("%+v with %d: covers %g, want %g; waiting %g, want %g", d, stock, got, want, w, waiting)
		}
		enough, _ := d.Protect(0.95)
		at, _ := d.Covers(enough)
		below, _ := d.Covers(enough - 1)
		if at < 0.95-1e-9 || enough > 0 && below >= 0.95 {
			t.Fatalf("%d cover %g, one less %g", enough, at, below)
		}
		filled, _ := d.Filled(stock)
		if filled > got+1e-12 {
			t.Fatalf("filled %g is above covered %g", filled, got)
		}
	})
}

// Standard table of the normal distribution; confirmed with SciPy.
func TestQuantiles(t *testing.T) {
	for level, want := range map[float64]float64{0.8: 0.841621, 0.85: 1.036433, 0.9: 1.281552, 0.95: 1.644854, 0.975: 1.959964, 0.98: 2.053749, 0.99: 2.326348, 0.995: 2.575829, 0.999: 3.090232, 0.5: 0} {
		if got := must[float64](t)(Quantile(level)); !near6(got, want, 5e-7) {
			t.Errorf("at %g: %.7f", level, got)
		}
	}
	for _, level := range []float64{0, 1, math.NaN()} {
		if _, err := Quantile(level); err == nil {
			t.Errorf("%g has a quantile", level)
		}
	}
	// by hand: 40 a day (10), seven days (1.5)
	if mean, sd := LeadDemand(40, 10, 7, 1.5); mean != 280 || !near6(sd, 65.574385, 5e-7) {
		t.Errorf("%g, %g", mean, sd)
	}
}

// Unit normal loss; SciPy.
func TestLoss(t *testing.T) {
	for z, want := range map[float64]float64{-1: 1.08332, -0.5: 0.697797, 0: 0.398942, 0.25: 0.286345, 0.5: 0.197797, 1: 0.0833155, 1.5: 0.0293068, 2: 0.00849070, 2.5: 0.00200414, 3: 0.000382154, 4: 7.14526e-06} {
		if got := Loss(z); math.Abs(got/want-1) > 5e-6 {
			t.Errorf("G(%g) = %g, want %g", z, got, want)
		}
	}
	for _, z := range []float64{0.3, 1, 4.9999, 5, 5.0001, 8} { // one form joins the other, and G(-z) = G(z) + z
		if d := Loss(-z) - Loss(z) - z; math.Abs(d) > 1e-12 {
			t.Errorf("at %g it is off by %g", z, d)
		}
	}
	if a, b := Loss(4.999999), Loss(5); math.Abs(a/b-1) > 1e-4 || Loss(30) <= 0 {
		t.Errorf("%g, %g, %g", a, b, Loss(30))
	}
}

// Chopra and Meindl, Supply Chain Management, chapter on safety inventory, from memory:
// weekly demand N(2500, 500), two weeks, point 6000, lot 10000; recomputed.
func TestPointAndLot(t *testing.T) {
	mean, sd := LeadDemand(2500, 500, 2, 0)
	l := Lots{mean, sd, 10000}
	got, err := l.At(6000)
	if err != nil || got.Safety != 1000 || !near6(got.Cycles, 0.921350396, 1e-9) || !near6(got.Short, 25.12727083, 1e-7) || !near6(got.Filled, 0.997487273, 1e-9) {
		t.Errorf("%+v, %v", got, err)
	}
	for filled, want := range map[float64]float64{0.975: 66.6975579, 0.99: 499.252292, 0.999: 1275.429242} {
		if s, less, err := l.SafetyFor(filled); err != nil || less || !near6(s, want, want*1e-7) {
			t.Errorf("for %g: %g, %v, %v", filled, s, less, err)
		}
	}
	if s, less, err := (Lots{5000, 707, 100000}).SafetyFor(0.975); err != nil || s != 0 || !less {
		t.Errorf("a large lot needs %g, %v, %v", s, less, err)
	}
	for _, bad := range []Lots{{-1, 1, 1}, {1, 0, 1}, {1, 1, 0}, {math.NaN(), 1, 1}} {
		if _, err := bad.At(1); err == nil {
			t.Errorf("%+v is taken", bad)
		}
		if _, _, err := bad.SafetyFor(0.9); err == nil {
			t.Errorf("%+v is taken", bad)
		}
	}
	if _, _, err := l.SafetyFor(1); err == nil {
		t.Error("everything is filled for certain")
	}
}

// Harris, How Many Parts to Make at Once, Factory 10(2), 1913: X = sqrt(240 M S / C); he
// gives 2,190.
func TestEconomicLot(t *testing.T) {
	for _, c := range [][4]float64{{240 * 1000 / 2, 2, 0.1, 2190.890230}, {1000, 10, 0.5, 200}, {12000, 25, 0.2 * 10, 547.722558}, {0, 10, 1, 0}, {10, 0, 1, 0}} {
		if got := must[float64](t)(EconomicLot(c[0], c[1], c[2])); !near6(got, c[3], 5e-7) {
			t.Errorf("%v: %.6f", c, got)
		}
	}
	for _, bad := range [][3]float64{{-1, 1, 1}, {1, -1, 1}, {1, 1, 0}, {math.NaN(), 1, 1}, {1, math.Inf(1), 1}} {
		if _, err := EconomicLot(bad[0], bad[1], bad[2]); err == nil {
			t.Errorf("%v is taken", bad)
		}
	}
}

// A foam set: 19 a year in pairs, 20 days.
var set = Item{ByChance: Demand{Pairs: 0.525}, Level: 0.95, Yearly: 19, OrderCost: 40, UnitCost: 480, KeepRate: 0.25, LeadDays: 20, CountedIn: "sets"}

func TestAdviceForAFoamSet(t *testing.T) {
	i := set
	i.OnHand = amount.Of(3)
	a, err := Advise(i)
	// four cover, so it is bought when the third is left; sqrt(2*19*40/120) = 3.56, and four are cheaper than three
	if err != nil || a.Point != amount.Of(3) || a.Lot != amount.Of(4) || a.Buy != amount.Of(4) {
		t.Fatalf("%+v, %v", a, err)
	}
	all := strings.Join(a.Because, " ")
	for _, says := range []string{"In 20 days of delivery 1.05 sets are asked for on average by chance, pairs counted as two; 4 cover 98.4 %", "the goal is 95 %", "economic lot is 4 sets", "leave 3", "Buy 4 sets."} {
		if !strings.Contains(all, says) {
			t.Errorf("%q is missing in\n%s", says, all)
		}
	}
	i.OnHand = amount.Of(4)
	if a, _ := Advise(i); a.Buy != 0 {
		t.Errorf("with four there it buys %s", a.Buy)
	}
	// what is planned counts once, on top
	i.Planned, i.LastOrder, i.OrderToday = amount.Of(6), calendar.On(2026, 5, 8), calendar.On(2026, 5, 4)
	if a, _ := Advise(i); a.Buy != amount.Of(5) || !strings.Contains(strings.Join(a.Because, " "), "must be ordered by 8 May 2026") {
		t.Errorf("%+v", a)
	}
	i.OrderToday = calendar.On(2026, 5, 11)
	if a, _ := Advise(i); !strings.Contains(strings.Join(a.Because, " "), "should have been ordered by 8 May 2026") {
		t.Errorf("%+v", a)
	}
}

func TestPacksShelfLifeMinimumAndMaximum(t *testing.T) {
	// sections come in boxes of eight
	i := set
	i.Pack, i.Yearly, i.OnHand = amount.Of(8), 150, amount.Of(2)
	if a, _ := Advise(i); a.Lot%amount.Of(8) != 0 || a.Buy%amount.Of(8) != 0 || a.Buy == 0 {
		t.Errorf("%+v", a)
	}
	// sealant: 36 a year would be cheapest in 76, and keeps half a year
	i = Item{Yearly: 36, OrderCost: 40, UnitCost: 2, KeepRate: 0.25, ShelfDays: 182, Pack: amount.Of(6), Min: amount.Of(3), OnHand: amount.Of(3), CountedIn: "tubes", Level: 0.9}
	a, err := Advise(i)
	if err != nil || a.Lot != amount.Of(12) || a.Buy != amount.Of(12) || a.Point != amount.Of(3) || !strings.Contains(strings.Join(a.Because, " "), "keeps 182 days") {
		t.Errorf("%+v, %v", a, err)
	}
	// a maximum caps what is bought, not what is held
	i.Max = amount.Of(10)
	if a, _ := Advise(i); a.Buy != amount.Of(6) || !strings.Contains(strings.Join(a.Because, " "), "maximum") {
		t.Errorf("%+v", a)
	}
	i.OnHand = amount.Of(40)
	if a, _ := Advise(i); a.Buy != 0 {
		t.Errorf("%+v", a)
	}
	// minimum 0 and maximum 1: buy when a job needs it
	i = Item{Max: amount.Of(1), Level: 0.9, CountedIn: "ea"}
	if a, _ := Advise(i); a.Buy != 0 {
		t.Errorf("%+v", a)
	}
	i.Planned = amount.Of(1)
	if a, _ := Advise(i); a.Buy != amount.Of(1) {
		t.Errorf("%+v", a)
	}
	i.Planned = amount.Of(2) // two jobs need it, whatever the maximum says
	if a, _ := Advise(i); a.Buy != amount.Of(2) {
		t.Errorf("%+v", a)
	}
	for _, bad := range []Item{{OnHand: -1, Level: 0.9}, {Min: 2, Max: 1, Level: 0.9}, {Yearly: math.NaN(), Level: 0.9}, {Level: 1}, {ShelfDays: -1, Level: 0.9},
		{Level: 0.9, Yearly: 1, UnitCost: 1, KeepRate: 1, OrderCost: -1}, {Level: 0.9, Yearly: 1e12, UnitCost: 1e-9, KeepRate: 1, OrderCost: 1e12}, {ByChance: Demand{Pairs: -1}, Level: 0.9}} {
		if _, err := Advise(bad); err == nil {
			t.Errorf("%+v is taken", bad)
		}
	}
}

func TestOrderByGoesThroughTheWorkingDays(t *testing.T) {
	weekdays := func(d calendar.Date) bool { w := d.Weekday(); return w != time.Saturday && w != time.Sunday }
	// needed on Monday 18 May: put ready on Friday, ten working days of delivery before that
	if got := Order(calendar.On(2026, 5, 18), weekdays, readiness.Lead{Days: 10, Works: weekdays}); got != calendar.On(2026, 5, 1) {
		t.Errorf("order by %s", got)
	}
}
