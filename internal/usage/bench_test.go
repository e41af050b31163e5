package usage_test

import (
	"fmt"
	"testing"
	"time"

	"spindlebook/internal/usage"
)

func busy(t testing.TB) (*usage.Calendar, usage.History, usage.Outlook) {
	t.Helper()
	c := over(t, trade(t, "snowbelt", "medium"), usage.Place{Zone: zone(t, "America/Chicago"), Turns: 3 * time.Hour})
	h := monthly(c, start, 274, 369, 9, 30)
	last := h.Points[len(h.Points)-1]
	return c, h, measure(t, h, c, start).Outlook(c, last)
}

// A hundred thousand assignments are forecast in a row: none leaves garbage.
func TestForecastAllocatesNothing(t *testing.T) {
	_, _, o := busy(t)
	if n := testing.AllocsPerRun(1000, func() { sink = o.Forecast(10000) }); n != 0 {
		t.Errorf("a forecast allocates %v times", n)
	}
}

var sink usage.Forecast

func BenchmarkForecast(b *testing.B) {
	_, _, o := busy(b)
	d := 0.0
	for b.Loop() {
		d += 13
		if d > 200000 {
			d = 1
		}
		sink = o.Forecast(d)
	}
}

func BenchmarkOutlook(b *testing.B) {
	c, h, _ := busy(b)
	r := measure(b, h, c, start)
	for b.Loop() {
		o := r.Outlook(c, h.Points[len(h.Points)-1])
		sink = o.Forecast(10000)
	}
}

func BenchmarkMeasure(b *testing.B) {
	c, _, _ := busy(b)
	for _, every := range []int{30, 7, 1} {
		h := monthly(c, start, 274, 369, 9, every)
		b.Run(fmt.Sprintf("read every %d days", every), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				measure(b, h, c, start)
			}
		})
	}
}

func BenchmarkNewCalendar(b *testing.B) {
	p, place := trade(b, "snowbelt", "medium"), usage.Place{Zone: zone(b, "America/Chicago"), Turns: 3 * time.Hour}
	b.ReportAllocs()
	for b.Loop() {
		over(b, p, place) // seven years
	}
}

func BenchmarkInterpolate(b *testing.B) {
	c, h, _ := busy(b)
	at := h.Points[4].At.AddDate(0, 0, 11)
	for b.Loop() {
		usage.Interpolate(c, h.Points[4], h.Points[5], at)
	}
}

func BenchmarkSentence(b *testing.B) {
	_, _, o := busy(b)
	f := o.Forecast(10000)
	for b.Loop() {
		_ = o.Sentence(f, start, "count")
	}
}
