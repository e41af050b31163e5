package measure_test

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"spindlebook/internal/fault"
	"spindlebook/internal/measure"
)

// The factors are those of NIST Special Publication 811 (2008), appendix B.8,
// where they stand in bold, as exact: foot 3.048 E-01 m, inch 2.54 E-02 m, foot
// per minute 5.08 E-03 m/s. The others follow from the prefixes of the SI.
func TestTypedValuesInSI(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		q     measure.Quantity
		typed measure.Typed
		si    float64
		text  string
	}{
		{measure.Length, measure.Typed{Value: 1, Unit: "ft"}, 0.3048, "1 ft"},
		{measure.Length, measure.Typed{Value: 1, Unit: "in"}, 0.0254, "1 in"},
		{measure.Length, measure.Typed{Value: 1, Unit: "m"}, 1, "1 m"},
		{measure.Length, measure.Typed{Value: 1, Unit: "cm"}, 0.01, "1 cm"},
		{measure.Length, measure.Typed{Value: 1, Unit: "mm"}, 0.001, "1 mm"},
		{measure.Speed, measure.Typed{Value: 1, Unit: "ft/min"}, 5.08e-3 * 60, "1 ft/min"},
		{measure.Speed, measure.Typed{Value: 1, Unit: "m/s"}, 60, "1 m/s"},
		{measure.Mass, measure.Typed{Value: 1, Unit: "lb"}, 0.453592370, "1 lb"},
		{measure.Mass, measure.Typed{Value: 1, Unit: "oz"}, 0.028349523, "1 oz"},
		{measure.Mass, measure.Typed{Value: 98, Unit: "lb"}, 44.45205226, "98 lb"},
		{measure.Speed, measure.Typed{Value: 1, Unit: "m/min"}, 1, "1 m/min"},
		// what binary fractions add must not show
		{measure.Length, measure.Typed{Value: 110, Unit: "ft"}, 33.528, "110 ft"},
		{measure.Length, measure.Typed{Value: 38, Unit: "ft"}, 11.5824, "38 ft"},
		{measure.Length, measure.Typed{Value: 1.375, Unit: "in"}, 0.034925, "1.375 in"},
		{measure.Length, measure.Typed{Value: 0.1, Unit: "cm"}, 0.001, "0.1 cm"},
		{measure.Length, measure.Typed{Value: -3, Unit: "ft"}, -0.9144, "-3 ft"},
		{measure.Length, measure.Typed{Value: 0, Unit: "m"}, 0, "0 m"},
		{measure.Length, measure.Typed{Value: 1e6, Unit: "m"}, 1e6, "1000000 m"},
		{measure.Length, measure.Typed{Value: 0.00005, Unit: "m"}, 0.00005, "0.00005 m"},
	} {
		got, bad := measure.Of(c.q, c.typed, "length")
		if bad != nil || got.SI != c.si || got.Typed != c.text {
			t.Errorf("%s of %v: %+v, %v; want %v and %q", c.q, c.typed, got, bad, c.si, c.text)
		}
	}
}

func TestWhatIsNoMeasureIsRefused(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		q     measure.Quantity
		typed measure.Typed
		field string
		says  string
	}{
		{measure.Length, measure.Typed{Value: 1, Unit: "furlong"}, "length.unit", "cm, ft, in, m, mm"},
		{measure.Length, measure.Typed{Value: 1, Unit: ""}, "length.unit", "cm, ft, in, m, mm"},
		{measure.Length, measure.Typed{Value: 1, Unit: "FT"}, "length.unit", "cm, ft, in, m, mm"},
		{measure.Length, measure.Typed{Value: 1, Unit: "m/s"}, "length.unit", "cm, ft, in, m, mm"},
		{measure.Speed, measure.Typed{Value: 1, Unit: "ft"}, "length.unit", "ft/min, m/min, m/s"},
		{measure.Length, measure.Typed{Value: math.NaN(), Unit: "m"}, "length.value", "finite"},
		{measure.Length, measure.Typed{Value: math.Inf(1), Unit: "m"}, "length.value", "finite"},
		{measure.Length, measure.Typed{Value: math.Inf(-1), Unit: "m"}, "length.value", "finite"},
		{measure.Length, measure.Typed{Value: math.MaxFloat64, Unit: "m"}, "length.value", "too large"},
		{measure.Speed, measure.Typed{Value: math.MaxFloat64, Unit: "m/s"}, "length.value", "too large"},
		{measure.Length, measure.Typed{Value: -1000001, Unit: "m"}, "length.value", "too large"},
	} {
		_, bad := measure.Of(c.q, c.typed, "length")
		if bad == nil || bad.Kind != fault.Invalid || bad.Field != c.field || !strings.Contains(bad.Msg, c.says) {
			t.Errorf("%s of %v: %v, want a fault of %s with %q", c.q, c.typed, bad, c.field, c.says)
		}
	}
}

func TestParseGivesBackWhatWasTyped(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		typed := measure.Typed{Value: rapid.Float64Range(-1e6, 1e6).Draw(t, "value"), Unit: rapid.SampledFrom([]string{"m", "cm", "mm"}).Draw(t, "unit")}
		m, bad := measure.Of(measure.Length, typed, "x")
		if bad != nil {
			t.Fatal(bad)
		}
		if back, ok := measure.Parse(m.Typed); !ok || back != typed {
			t.Fatalf("%v came back from %q as %v", typed, m.Typed, back)
		}
	})
	for _, text := range []string{"", "12", "ft", "twelve ft", " ft"} {
		if got, ok := measure.Parse(text); ok {
			t.Errorf("%q was read as %v", text, got)
		}
	}
}

// Factors of NIST SP 811 (2008), appendix B.8; the inch is exact.
func TestConvert(t *testing.T) {
	for _, c := range []struct {
		value    float64
		from, to string
		want     float64
	}{
		{3, "in", "mm", 76.2}, {75, "mm", "mm", 75}, {60, "psi", "bar", 4.136854}, {1, "bar", "psi", 14.50377},
		{20, "lbf.ft", "N.m", 27.11636}, {35, "lbf.ft", "N.m", 47.453628}, {85, "lbf.ft", "N.m", 115.244526}, {10, "lbf", "N", 44.48222}, {212, "F", "C", 100}, {-40, "C", "F", -40}, {0.9, "L", "mL", 900}, {90, "min", "h", 1.5},
	} {
		if got, ok := measure.Convert(c.value, c.from, c.to); !ok || math.Abs(got-c.want) > 1e-6*math.Abs(c.want)+1e-9 {
			t.Errorf("%v %s is %v %s, %v; want %v", c.value, c.from, got, c.to, ok, c.want)
		}
	}
	for _, c := range [][2]string{{"mm", "psi"}, {"furlong", "mm"}, {"F", "mm"}} {
		if got, ok := measure.Convert(1, c[0], c[1]); ok {
			t.Errorf("1 %s is said to be %v %s", c[0], got, c[1])
		}
	}
}

// What was entered is shown in the reader's units a digit finer than it was entered. The factors
// are those of NIST SP 811 (2008), appendix B.8; how finely follows from the last digit.
func TestShownInTheReadersUnits(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		in    measure.System
		typed string
		shown string
	}{
		{measure.Metric, "110 ft", "33.53 m"}, // 33.528
		{measure.Metric, "38.5 ft", "11.735 m"},
		{measure.Metric, "1.375 in", "34.925 mm"}, {measure.Metric, "1.5 in", "38.1 mm"},
		{measure.Metric, "2.0005 in", "50.8127 mm"},
		{measure.Metric, "3 in", "76 mm"}, // an inch more or less is 25 mm
		{measure.Metric, "98 lb", "44.45 kg"},
		{measure.Metric, "60 psi", "4.137 bar"}, // 4.136854
		{measure.Metric, "20 lbf.ft", "27.1 N.m"},
		{measure.Metric, "212 F", "100 C"}, {measure.Metric, "0 F", "-17.78 C"}, {measure.Metric, "-40 F", "-40 C"},
		{measure.Metric, "-3 ft", "-0.91 m"},
		{measure.Metric, "0 ft", "0 m"},
		{measure.US, "35 mm", "1.378 in"}, // 1.377953
		{measure.US, "75 mm", "2.953 in"}, {measure.US, "75.0 mm", "2.9528 in"},
		{measure.US, "30 m", "98.4 ft"}, {measure.US, "6 m/min", "19.7 ft/min"}, {measure.US, "0.1 m/s", "20 ft/min"},
		{measure.US, "4.1 bar", "59.5 psi"}, {measure.US, "410 kPa", "59.47 psi"},
		{measure.US, "27 N.m", "19.91 lbf.ft"},
		{measure.US, "100 C", "212 F"}, {measure.US, "20.5 C", "68.9 F"},
		{measure.US, "44.5 kg", "98.11 lb"},
	} {
		if got, changed := c.in.Show(c.typed); got != c.shown || !changed {
			t.Errorf("%s in %s is %q, %v; want %q", c.typed, c.in, got, changed, c.shown)
		}
	}
	for _, in := range measure.Systems {
		// a thread as it is marked, a word, and what is the same everywhere
		for _, typed := range []string{"5/8-11 UNC", "M12 x 1.75", "pass", "", "12", "480 V", "90 mL", "5000 h", "1-3/8 in", "24VDC"} {
			if got, changed := in.Show(typed); got != typed || changed {
				t.Errorf("%q in %s became %q", typed, in, got)
			}
		}
	}
	for _, typed := range []string{"110 ft", "35 mm", "60 psi"} {
		if got, changed := measure.AsEntered.Show(typed); got != typed || changed {
			t.Errorf("%q was entered, %q is shown", typed, got)
		}
	}
	if got := measure.Metric.ShowValue(45, "psi"); got != "3.103 bar" {
		t.Errorf("45 psi: %s", got)
	}
	// whatever is shown lies within half of the last digit that was entered
	rapid.Check(t, func(t *rapid.T) {
		unit := rapid.SampledFrom([]string{"ft", "in", "ft/min", "lb", "oz", "psi", "lbf.ft", "lbf", "gal", "F"}).Draw(t, "unit")
		typed := measure.Typed{Value: float64(rapid.IntRange(-100000, 100000).Draw(t, "hundredths")) / 100, Unit: unit}
		text := fmt.Sprintf("%.2f %s", typed.Value, unit)
		shown, changed := measure.Metric.Show(text)
		back, ok := measure.Parse(shown)
		if !ok || !changed {
			t.Fatalf("%s is shown as %q", text, shown)
		}
		again, ok := measure.Convert(back.Value, back.Unit, unit)
		if !ok || math.Abs(again-typed.Value) > 0.00501 {
			t.Fatalf("%s is shown as %s, which is %v", text, shown, again)
		}
	})
}
