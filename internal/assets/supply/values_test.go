package supply

import (
	"fmt"
	"math"
	"testing"
)

// NEMA MG 1 and the US DOE motor tip sheet; the first row's text was checked.
func TestUnbalance(t *testing.T) {
	for _, x := range []struct {
		m    Measured
		want float64
	}{
		{Measured{460, 467, 450}, 1.960784},
		{Measured{462, 463, 455}, 1.086957},
		{Measured{230, 232, 225}, 1.746725},
		{Measured{598, 606, 584}, 2.013423},
		{Measured{480, 480, 480}, 0},
	} {
		u, ok := UnbalanceOf(x.m)
		if !ok || !u.Run {
			t.Errorf("%v: %+v", x.m, u)
		}
		near(t, fmt.Sprint(x.m), u.Percent, x.want, 1e-6)
		// The largest deviation from the average, not the span of the three.
		if span := 100 * (max(x.m.AB, x.m.BC, x.m.CA) - min(x.m.AB, x.m.BC, x.m.CA)) / x.m.average(); span > 0 && math.Abs(span-u.Percent) < 0.1 {
			t.Errorf("%v: that is the span", x.m)
		}
	}
	for _, m := range []Measured{{}, {-1, 480, 480}, {math.NaN(), 1, 1}, {math.Inf(1), 1, 1}} {
		if _, ok := UnbalanceOf(m); ok {
			t.Errorf("%v was taken", m)
		}
	}
}

// Read from a graph: ±0.01. At 3 % print has 0.88 to 0.90.
func TestDerating(t *testing.T) {
	for percent, want := range map[float64]float64{0: 1, 1: 1, 2: 0.95, 3: 0.89, 4: 0.82, 5: 0.75} {
		u, _ := UnbalanceOf(Measured{460 * (1 + percent/100), 460 * (1 - percent/200), 460 * (1 - percent/200)})
		near(t, "percent", u.Percent, percent, 1e-9)
		near(t, fmt.Sprint(percent), u.Derate, want, 0.01+1e-9)
	}
	if u, ok := UnbalanceOf(Measured{460 * 1.0501, 460 * 0.97495, 460 * 0.97495}); !ok || u.Run || u.Derate != 0 {
		t.Errorf("above 5 %% it must not run: %+v", u)
	}
}

// NFPA 70 table 430.250, editions 1999, 2008 and 2017 in reprints: exact.
func TestFullLoadCurrent(t *testing.T) {
	for hp, want := range map[float64][4]float64{
		0.5: {2.4, 2.2, 1.1, 0.9}, 0.75: {3.5, 3.2, 1.6, 1.3}, 1: {4.6, 4.2, 2.1, 1.7}, 1.5: {6.6, 6.0, 3.0, 2.4},
		2: {7.5, 6.8, 3.4, 2.7}, 3: {10.6, 9.6, 4.8, 3.9}, 5: {16.7, 15.2, 7.6, 6.1},
	} {
		for i, v := range []float64{208, 230, 460, 575} {
			if got, ok := FullLoadCurrent(hp, v); !ok || got != want[i] {
				t.Errorf("%v hp at %v V: %v, want %v", hp, v, got, want[i])
			}
		}
		low, _ := FullLoadCurrent(hp, 230)
		high, _ := FullLoadCurrent(hp, 460)
		near(t, "half at twice the voltage", high, low/2, 1e-9)
	}
	// One catalogue prints 4.9 here: a misprint.
	if got, _ := FullLoadCurrent(1, 200); got != 4.8 {
		t.Error(got)
	}
	for _, x := range [][2]float64{{3, 115}, {1, 277}, {4, 230}, {7.5, 460}, {0, 230}} {
		if got, ok := FullLoadCurrent(x[0], x[1]); ok {
			t.Errorf("%v: %v", x, got)
		}
	}
}

// NFPA 70, 430.32(A)(1) and (C); text checked in reprints.
func TestOverload(t *testing.T) {
	for _, x := range []struct {
		factor, rise   float64
		normal, atMost float64
		amps, most     float64
	}{
		{1.15, 0, 125, 140, 5.25, 5.88},
		{1.25, 80, 125, 140, 5.25, 5.88}, // either mark is enough
		{1.0, 40, 125, 140, 5.25, 5.88},
		{1.0, 41, 115, 130, 4.83, 5.46},
		{0, 0, 115, 130, 4.83, 5.46},
		{1.14, 0, 115, 130, 4.83, 5.46},
	} {
		o := OverloadFor(4.2, x.factor, x.rise)
		if o.NormalPercent != x.normal || o.AtMostPercent != x.atMost {
			t.Errorf("%+v: %+v", x, o)
		}
		near(t, "normal", o.NormalAmps, x.amps, 1e-9)
		near(t, "at most", o.AtMostAmps, x.most, 1e-9)
	}
}

func TestSpeed(t *testing.T) {
	for hertz, want := range map[float64][]float64{60: {3600, 1800, 1200, 900, 720, 600}, 50: {3000, 1500, 1000, 750, 600, 500}} {
		for i, rpm := range want {
			if got, err := SynchronousSpeed(hertz, 2*(i+1)); err != nil || got != rpm {
				t.Errorf("%d poles at %v Hz: %v, %v", 2*(i+1), hertz, got, err)
			}
		}
	}
	for _, poles := range []int{3, 0, -2, 1} {
		if _, err := SynchronousSpeed(60, poles); err == nil {
			t.Errorf("%d poles were taken", poles)
		}
	}
	if _, err := SynchronousSpeed(0, 4); err == nil {
		t.Error("no frequency was taken")
	}
	near(t, "slip", Slip(1800, 1750), 2.777778, 1e-6)
	near(t, "slip", Slip(1800, 1725), 4.166667, 1e-6)
}
