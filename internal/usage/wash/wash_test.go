package wash_test

import (
	"fmt"
	"math"
	"reflect"
	"sort"
	"testing"
	"time"

	"spindlebook/internal/fault"
	"spindlebook/internal/usage"
	"spindlebook/internal/usage/wash"
)

var newYear = time.Date(2025, 1, 1, 0, 0, 0, 0, time.UTC)

func vehicles(t *testing.T, s wash.Site, n int) []int {
	t.Helper()
	v, err := wash.Vehicles(s, newYear, n)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// The values to compare with were computed from this model, in another language,
// over 60 years of medium sites: variation from day to day and week to week, the
// 5 and 95 % points of a day, the year's shares of winter, spring, summer and
// fall, and that of Friday to Sunday. Friday to Sunday bring over half of the
// business (trade magazine, ten years of surveys).
func TestDaysAreLikeTheTradesModel(t *testing.T) {
	t.Parallel()
	const sites = 60
	for _, c := range []struct {
		climate             string
		daily, weekly       float64
		p5, p95, most       float64
		winter, spring, fri float64
	}{
		{"snowbelt", 0.72, 0.29, 64, 670, 1020, 0.31, 0.26, 0.57},
		{"mild_wet", 0.61, 0.18, 93, 608, 980, 0.24, 0.28, 0.57},
		{"warm_dry", 0.50, 0.12, 110, 539, 864, 0.24, 0.28, 0.57},
	} {
		var daily, weekly, p5, p95, most, winter, spring, fri, year float64
		for seed := range uint64(sites) {
			days := vehicles(t, wash.Site{Climate: c.climate, Size: "medium", Seed: seed}, 364)
			all := make([]float64, len(days))
			weeks := make([]float64, 52)
			sum := 0.0
			for i, n := range days {
				all[i] = float64(n)
				weeks[i/7] += all[i]
				sum += all[i]
			}
			for i, n := range all {
				day := newYear.AddDate(0, 0, i)
				switch day.Month() {
				case time.December, time.January, time.February:
					winter += n / sum / sites
				case time.March, time.April, time.May:
					spring += n / sum / sites
				}
				if d := day.Weekday(); d == time.Friday || d == time.Saturday || d == time.Sunday {
					fri += n / sum / sites
				}
			}
			daily += variation(all) / sites
			weekly += variation(weeks) / sites
			sort.Float64s(all)
			p5, p95, most = p5+all[18]/sites, p95+all[345]/sites, most+all[363]/sites
			year += sum / sites
		}
		for _, v := range []struct {
			what      string
			got, want float64
			tolerance float64
		}{
			{"vehicles a year", year, 100000, 0.05}, {"variation of days", daily, c.daily, 0.03}, {"variation of weeks", weekly, c.weekly, 0.06},
			{"5 % point", p5, c.p5, 0.08}, {"95 % point", p95, c.p95, 0.03}, {"most", most, c.most, 0.15},
			{"winter", winter, c.winter, 0.03}, {"spring", spring, c.spring, 0.03}, {"Friday to Sunday", fri, c.fri, 0.01},
		} {
			if math.Abs(v.got-v.want) > v.tolerance*v.want {
				t.Errorf("%s: %s: %.3f, want %.3f", c.climate, v.what, v.got, v.want)
			}
		}
	}
}

func variation(all []float64) float64 {
	var mean, square float64
	for _, x := range all {
		mean += x / float64(len(all))
	}
	for _, x := range all {
		square += (x - mean) * (x - mean) / float64(len(all))
	}
	return math.Sqrt(square) / mean
}

// Run hours a year of side brushes and wraparounds, computed from this model in
// another language, in the snow belt: the large line washes over four times the
// small one's vehicles and runs its brushes under twice as long.
func TestHoursDoNotScaleWithVehicles(t *testing.T) {
	t.Parallel()
	const sites = 20
	for _, c := range []struct {
		size, zone string
		want       float64
	}{
		{"small", "side", 451}, {"small", "wrap", 586}, {"medium", "side", 712},
		{"medium", "wrap", 917}, {"large", "side", 865}, {"large", "wrap", 1107},
	} {
		year := 0.0
		for seed := range uint64(sites) {
			hours, err := wash.RunHours(c.size, c.zone, vehicles(t, wash.Site{Climate: "snowbelt", Size: c.size, Seed: seed}, 365))
			if err != nil {
				t.Fatal(err)
			}
			for i, h := range hours {
				if h < 0 || h > 13 {
					t.Fatalf("%v hours on day %d", h, i)
				}
				year += h / sites
			}
		}
		if math.Abs(year-c.want) > 0.06*c.want {
			t.Errorf("%s line, %s: %.0f h a year, want %.0f", c.size, c.zone, year, c.want)
		}
	}
	if hours, err := wash.RunHours("small", "side", []int{0, 1}); err != nil || hours[0] != 0 || hours[1] <= 5.0/60 {
		t.Errorf("a closed day and one with one vehicle: %v, %v", hours, err)
	}
}

func TestTheSameSeedGivesTheSameDays(t *testing.T) {
	t.Parallel()
	s := wash.Site{Climate: "mild_wet", Size: "large", Seed: 7, Growth: 0.02}
	a := vehicles(t, s, 800)
	if b := vehicles(t, s, 800); !reflect.DeepEqual(a, b) {
		t.Error("twice the same site gave different days")
	}
	if b := vehicles(t, s, 400); !reflect.DeepEqual(a[:400], b) {
		t.Error("asking for fewer days changed them")
	}
	s.Seed = 8
	if b := vehicles(t, s, 800); reflect.DeepEqual(a, b) {
		t.Error("another seed gave the same days")
	}
	// the first days of one seed are data that the demo rests on
	if got := fmt.Sprint(a[:8]); got != golden {
		t.Errorf("days of seed 7: %s, want %s", got, golden)
	}
}

const golden = "[0 346 806 1056 463 472 216 745]"

func TestClosedDaysAndGrowth(t *testing.T) {
	t.Parallel()
	days := vehicles(t, wash.Site{Climate: "warm_dry", Size: "small"}, 365)
	if days[0] != 0 || days[358] != 0 || days[1] == 0 {
		t.Errorf("closed on New Year's Day and at Christmas: %d %d, open on the 2nd: %d", days[0], days[358], days[1])
	}
	sunday := func(d time.Time) bool { return d.Weekday() == time.Sunday }
	for i, n := range vehicles(t, wash.Site{Climate: "warm_dry", Size: "small", Closed: sunday}, 60) {
		if closed := sunday(newYear.AddDate(0, 0, i)); closed != (n == 0) {
			t.Fatalf("day %d: closed %v, %d vehicles", i, closed, n)
		}
	}
	sum := func(growth float64) (s float64) {
		for _, n := range vehicles(t, wash.Site{Climate: "warm_dry", Size: "small", Growth: growth, Seed: 3}, 4*365)[3*365:] {
			s += float64(n)
		}
		return s
	}
	if ratio := sum(0.08) / sum(0); math.Abs(ratio-math.Pow(1.08, 3.5)) > 0.02 {
		t.Errorf("the fourth year at 8 %% a year is %.3f times that without growth", ratio)
	}
}

func TestWhatIsNotKnownIsRefused(t *testing.T) {
	t.Parallel()
	if _, err := wash.Vehicles(wash.Site{Climate: "arctic", Size: "small"}, newYear, 1); fault.KindOf(err) != fault.Invalid {
		t.Errorf("climate: %v", err)
	}
	if _, err := wash.RunHours("tiny", "side", nil); fault.KindOf(err) != fault.Invalid {
		t.Errorf("size: %v", err)
	}
	if _, err := wash.RunHours("small", "roof", nil); fault.KindOf(err) != fault.Invalid {
		t.Errorf("zone: %v", err)
	}
}

// The rates are those of model.csv. Over so many months the counts lie within
// four standard deviations of what they promise.
func TestPeopleErrAsOftenAsTheModelSays(t *testing.T) {
	t.Parallel()
	const meters, years = 400, 5
	perDay := make([]float64, 365*years)
	for i := range perDay {
		perDay[i] = 2.34
	}
	mistakes, happenings := map[wash.Mistake]float64{}, map[wash.Happening]float64{}
	var read, late, possible float64
	for seed := range uint64(meters) {
		c := wash.Counter{Start: 12345.6, Step: 0.1, Every: 30, Seed: seed}
		readings, events := c.Readings(perDay, newYear)
		for _, r := range readings {
			read++
			mistakes[r.Mistake]++
			if r.Entered.After(r.Seen) {
				late++
			}
			if r.Mistake == wash.Right && (r.Value != r.Shown || !r.Dated.Equal(r.Seen)) {
				t.Fatalf("said to be right: %+v", r)
			}
			if days := r.Entered.Sub(r.Seen).Hours() / 24; days != 0 && (days < 2 || days > 12) {
				t.Fatalf("entered %v days late", days)
			}
		}
		for _, e := range events {
			happenings[e.Happening]++
			if e.Happening == wash.Reset && e.First != 0 {
				t.Fatalf("a reset counter starts at %v", e.First)
			}
		}
		faultless := c
		faultless.Faultless = true
		all, none := faultless.Readings(perDay, newYear)
		possible += float64(len(all))
		if len(none) > 0 {
			t.Fatalf("faultless, but %v", none)
		}
	}
	within := func(what string, got, n, p float64) {
		t.Helper()
		if math.Abs(got-n*p) > 4*math.Sqrt(n*p) {
			t.Errorf("%s: %.0f of %.0f, want about %.0f", what, got, n, n*p)
		}
	}
	within("not read", possible-read, possible, 0.08)
	within("late", late, read, 0.15)
	within("dated late", mistakes[wash.DatedLate], read, 0.15/3)
	within("swapped", mistakes[wash.Swapped], read, 0.006)
	within("ten times", mistakes[wash.TenTimes], read, 0.01)
	within("neighbour", mistakes[wash.Neighbour], read, 0.005)
	within("guessed", mistakes[wash.Guessed], read, 0.05)
	within("stuck", happenings[wash.Stuck], meters*years*12, 0.004)
	within("reset", happenings[wash.Reset], meters*years, 0.04)
	within("replaced, and after sticking", happenings[wash.Replaced], meters*years, 0.05+12*0.004)
}

// A faultless counter tells the truth: what it shows, with the turns of its
// wheels, is what was counted.
func TestFaultlessReadingsAreTheTruth(t *testing.T) {
	t.Parallel()
	days := vehicles(t, wash.Site{Climate: "snowbelt", Size: "medium", Seed: 1}, 730)
	perDay := make([]float64, len(days))
	for i, n := range days {
		perDay[i] = float64(n)
	}
	c := wash.Counter{Start: 99000, Modulus: 100000, Step: 1, Every: 7, Batched: true, Faultless: true}
	readings, _ := c.Readings(perDay, newYear)
	if len(readings) < 100 {
		t.Fatalf("%d readings of two years by the week", len(readings))
	}
	for _, r := range readings {
		want := 99000.0
		for i := range perDay {
			if !newYear.AddDate(0, 0, i).After(r.Seen) {
				want += perDay[i]
			}
		}
		if r.Total != want-99000 || r.Value != math.Mod(want, 100000) || r.Mistake != wash.Right {
			t.Fatalf("%+v, want %v", r, want)
		}
		if r.Entered.AddDate(0, 0, 1).Day() != 1 || r.Entered.Month() != r.Seen.Month() {
			t.Fatalf("in a batch at the end of the month: %+v", r)
		}
	}
}

// Each kind of mistake is the mistake it says.
func TestMistakesAreWhatTheySay(t *testing.T) {
	t.Parallel()
	perDay := make([]float64, 3650)
	for i := range perDay {
		perDay[i] = 3.7
	}
	seen := map[wash.Mistake]bool{}
	for seed := range uint64(200) {
		readings, _ := wash.Counter{Start: 52480.4, Step: 0.1, Every: 30, Seed: seed}.Readings(perDay, newYear)
		for _, r := range readings {
			ok := true
			switch r.Mistake {
			case wash.TenTimes:
				ok = r.Value == 10*r.Shown
			case wash.Guessed:
				ok = math.Mod(r.Value, 1000) == 0 && math.Abs(r.Value-r.Shown) <= 500
			case wash.Swapped:
				ok = math.Mod(math.Round(10*(r.Value-r.Shown)), 90) == 0 // exchanged digits differ by a multiple of nine
			case wash.DatedLate:
				ok = r.Dated.After(r.Seen) && r.Value == r.Shown
			}
			seen[r.Mistake] = true
			if !ok {
				t.Fatalf("%+v", r)
			}
		}
	}
	if len(seen) != 6 {
		t.Errorf("mistakes seen: %v", seen)
	}
}

func TestTheTillCountsALittleLess(t *testing.T) {
	t.Parallel()
	days := vehicles(t, wash.Site{Climate: "mild_wet", Size: "large", Seed: 2}, 6*365)
	tunnel, till := 0.0, 0.0
	for i, n := range wash.PointOfSale(days, newYear, 9) {
		tunnel, till = tunnel+float64(days[i]), till+float64(n)
	}
	if off := 100 * (till/tunnel - 1); off < -3.3 || off > -1.7 {
		t.Errorf("the till is off by %.2f %%, want -2.5", off)
	}
}

func BenchmarkVehicles(b *testing.B) {
	for b.Loop() {
		if _, err := wash.Vehicles(wash.Site{Climate: usage.Climates[0], Size: "medium"}, newYear, 730); err != nil {
			b.Fatal(err)
		}
	}
}
