package usage_test

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"testing"
	"time"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"

	"spindlebook/internal/usage"
)

// columns reads the numbers of a CSV with one line of heads.
func columns(t *testing.T, file string) [][]float64 {
	t.Helper()
	f, err := os.Open("testdata/" + file)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	cols := make([][]float64, len(rows[0]))
	for _, row := range rows[1:] {
		for i, cell := range row {
			v, err := strconv.ParseFloat(cell, 64)
			if err != nil {
				t.Fatal(err)
			}
			cols[i] = append(cols[i], v)
		}
	}
	return cols
}

func near(t *testing.T, what string, got, want, relative float64) {
	t.Helper()
	if !(math.Abs(got-want) <= relative*math.Abs(want)) {
		t.Errorf("%s: %.15g, want %.15g", what, got, want)
	}
}

// NIST StRD, Linear Regression, NoInt1 (public domain): a line through the origin
// over x = 60..70, y = 130..140. Our increments are such a line: with Δt = x² and
// Δx = x·y the slope, its standard deviation σ/√W and the residual one are the
// certified values.
func TestNoInt1(t *testing.T) {
	t.Parallel()
	var days, units []float64
	for x := 60.0; x <= 70; x++ {
		days, units = append(days, x*x), append(units, x*(x+70))
	}
	perDay, window, variance := usage.Slope(days, units)
	near(t, "slope", perDay, 2.07438016528926, 1e-14)
	near(t, "residual standard deviation", math.Sqrt(variance), 3.56753034006338, 1e-13)
	near(t, "standard deviation of the slope", math.Sqrt(variance/window), 0.165289256198347e-01, 1e-13)
}

// The same through the front door: readings x²/200 days apart at a wash without
// seasons. The 80 % prediction intervals at five x are those of R 4.2.2,
// predict(lm(y ~ x - 1), data.frame(x), interval = "prediction", level = 0.8),
// times x, and the forecasts of those totals come back to x².
func TestNoInt1AsReadings(t *testing.T) {
	t.Parallel()
	const scale = 200 // x²/200 days are whole seconds
	at := func(xx float64) time.Duration { return time.Duration(xx*86400/scale) * time.Second }
	h := usage.History{Points: []usage.Point{{At: start}}}
	last := h.Points[0]
	for x := 60.0; x <= 70; x++ {
		last = usage.Point{At: last.At.Add(at(x * x)), Total: last.Total + x*(x+70)}
		h.Points = append(h.Points, last)
	}
	c := calendar(t, flat(0))
	rate := measure(t, h, c, last.At)
	near(t, "rate", rate.PerDay, scale*2.07438016528926, 1e-12)
	near(t, "sigma", rate.Sigma, math.Sqrt(scale)*3.56753034006338, 1e-12)
	o := rate.Outlook(c, last)
	for _, r := range []struct{ x, fit, low, high float64 }{
		{10, 20.743801652893, 15.843243531405, 25.644359774381},
		{30, 62.231404958678, 57.289036902927, 67.173773014429},
		{65, 134.834710743802, 129.722232648564, 139.947188839039},
		{100, 207.438016528926, 202.042816848158, 212.833216209694},
		{200, 414.876033057851, 408.202156132754, 421.549909982949},
	} {
		b := o.At(last.At.Add(at(r.x * r.x)))
		near(t, "likely", b.Likely-last.Total, r.x*r.fit, 1e-9)
		near(t, "low", b.Low-last.Total, r.x*r.low, 1e-9)
		near(t, "high", b.High-last.Total, r.x*r.high, 1e-9)
		near(t, "late", o.Forecast(b.Low-last.Total).Late.Sub(last.At).Seconds(), at(r.x*r.x).Seconds(), 1e-6)
		near(t, "early", o.Forecast(b.High-last.Total).Early.Sub(last.At).Seconds(), at(r.x*r.x).Seconds(), 1e-6)
	}
}

// Least squares with an intercept are not ours; these hold the library whose
// quantiles we use against certified and published values.
//
// NIST StRD Norris (public domain), prediction at 500 and 1100 by R. Stopping
// distances: Ezekiel, Methods of Correlation Analysis, 1930, R data set cars.
func TestTheLibraryOnNorrisAndCars(t *testing.T) {
	t.Parallel()
	norris, cars := columns(t, "nist-norris.csv"), columns(t, "r-cars.csv")
	for _, c := range []struct {
		name             string
		x, y             []float64
		intercept, slope float64
		at               [][3]float64 // x, 95 % prediction from and to
	}{
		{"Norris", norris[0], norris[1], -0.262323073774029, 1.00211681802045,
			[][3]float64{{500, 498.971794054, 502.620377819}, {1100, 1100.148708461, 1103.983645036}}},
		{"cars", cars[0], cars[1], -17.57909489051093, 3.93240875912409,
			[][3]float64{{12, -1.7495288054, 60.9691492434}, {19, 25.7617564190, 88.5115866467}, {24, 44.7524782696, 108.8449523874}}},
	} {
		intercept, slope := stat.LinearRegression(c.x, c.y, nil, false)
		near(t, c.name+" slope", slope, c.slope, 1e-11)
		near(t, c.name+" intercept", intercept, c.intercept, 1e-9)
		var rss, sxx float64
		mean := stat.Mean(c.x, nil)
		for i, x := range c.x {
			off := c.y[i] - intercept - slope*x
			rss += off * off
			sxx += (x - mean) * (x - mean)
		}
		n := float64(len(c.x))
		q := distuv.StudentsT{Sigma: 1, Nu: n - 2}.Quantile(0.975)
		for _, p := range c.at {
			half := q * math.Sqrt(rss/(n-2)*(1+1/n+(p[0]-mean)*(p[0]-mean)/sxx))
			near(t, c.name+" from", intercept+slope*p[0]-half, p[1], 1e-9)
			near(t, c.name+" to", intercept+slope*p[0]+half, p[2], 1e-9)
		}
	}
}

// Student's t, 90 % points of the table in every handbook (here NIST/SEMATECH
// e-Handbook 1.3.6.7.2, from memory).
func TestStudent90(t *testing.T) {
	t.Parallel()
	for df, want := range map[int]float64{1: 3.078, 2: 1.886, 3: 1.638, 5: 1.476, 10: 1.372, 11: 1.363, 15: 1.341} {
		if got := usage.Student90(df + 1); math.Abs(got-want) > 5e-4 {
			t.Errorf("%d degrees of freedom: %.4f, want %.3f", df, got, want)
		}
	}
}

// Sen, JASA 63 (1968) 1379-1389, the example; and the outlier case of Helsel and
// Hirsch, Statistical Methods in Water Resources, USGS (public domain; data from
// memory), where least squares gives 1.71.
func TestTheilSen(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name string
		x, y []float64
		want float64
	}{
		{"Sen", []float64{1, 2, 3, 4, 10, 12, 18}, []float64{9, 15, 19, 20, 45, 55, 78}, 4},
		{"outlier", []float64{1, 2, 3, 4, 5, 6, 7}, []float64{1, 2, 3, 4, 5, 16, 7}, 1},
		{"equal x are left out", []float64{1, 1, 2, 3}, []float64{0, 5, 2, 3}, 1},
		{"two points", []float64{3, 7}, []float64{10, 30}, 5},
		{"even number of slopes", []float64{0, 1, 2, 3}, []float64{0, 1, 3, 9}, 2.5},
	} {
		if got := usage.TheilSen(c.x, c.y); got != c.want {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
	}
	if got := usage.TheilSen([]float64{2, 2}, []float64{1, 3}); !math.IsNaN(got) {
		t.Errorf("all x equal: %v, want no slope", got)
	}
}

// Where the rate is known the first passage of a motion with drift and noise is
// inverse Gaussian. A counter never falls, so ours is not that: the motion may
// have touched the limit and fallen back. What is between them is that
// probability, exp(2μd/σ²)·Φ(−(μt+d)/(σ√t)) (Schrödinger, 1915), and in days less
// than σ²/μ² once d is a few times that. Quantiles by SciPy, see testdata.
func TestKnownRateAgainstInverseGaussian(t *testing.T) {
	t.Parallel()
	col := columns(t, "inverse-gaussian.csv")
	phi := distuv.UnitNormal.CDF
	for i := range col[0] {
		mu, sigma, d, p, scipy, cdfAtMean := col[0][i], col[1][i], col[2][i], col[3][i], col[4][i], col[5][i]
		fell := func(t float64) float64 { return math.Exp(2*mu*d/(sigma*sigma)) * phi(-(mu*t+d)/(sigma*math.Sqrt(t))) }
		cdf := func(t float64) float64 { return phi((mu*t-d)/(sigma*math.Sqrt(t))) + fell(t) }
		if 2*mu*d/(sigma*sigma) < 700 {
			near(t, "the formula at the mean", cdf(d/mu), cdfAtMean, 1e-9)
			near(t, "the formula at the quantile", cdf(scipy), p, 1e-9)
		}
		known := usage.Rate{PerDay: mu, Sigma: sigma, Window: 1e300, T: distuv.UnitNormal.Quantile(0.9)}
		early, late := known.Limits(d)
		ours := map[float64]float64{0.1: early, 0.5: d / mu, 0.9: late}[p]
		near(t, "probability at our limit", phi((mu*ours-d)/(sigma*math.Sqrt(ours))), p, 1e-9)
		unit := sigma * sigma / (mu * mu)
		if later := ours - scipy; later < 0 || later > 1.25*unit || d/mu > 5*unit && later > unit {
			t.Errorf("drift %v, sigma %v, distance %v, p %v: ours %v, SciPy %v", mu, sigma, d, p, ours, scipy)
		}
	}
}
