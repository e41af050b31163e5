package usage_test

import (
	"flag"
	"fmt"
	"os"
	"regexp"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"spindlebook/internal/usage"
)

var update = flag.Bool("update", false, "write testdata/sentences.txt anew")

// story is what somebody at a snow-belt wash might ask.
type story struct {
	name    string
	now     time.Time
	history usage.History
	d       float64
	counter string
	closed  bool // for the next months
}

// monthly reads a medium wash at a level of so many vehicles a mean day, from
// and until a number of days before now, with some scatter.
func monthly(c *usage.Calendar, now time.Time, level float64, from, until, every int) (h usage.History) {
	total, scatter := 20000.0, []float64{0.99, 1.06, 0.95, 1.02, 0.97, 1.04, 1, 0.96}
	for days := from; days >= until; days -= every {
		p := usage.Point{At: now.AddDate(0, 0, -days)}
		if n := len(h.Points); n > 0 {
			total += level * scatter[n%len(scatter)] * c.Days(h.Points[n-1].At, p.At)
		}
		p.Total = float64(int(total))
		h.Points = append(h.Points, p)
	}
	return h
}

func stories(t testing.TB, c *usage.Calendar) []story {
	z := zone(t, "America/Chicago")
	now := time.Date(2027, 1, 15, 10, 0, 0, 0, z)
	yearly := monthly(c, now, 274, 369, 9, 30)
	with := func(h usage.History, change func(h *usage.History)) usage.History {
		h.Points = append([]usage.Point(nil), h.Points...)
		change(&h)
		return h
	}
	program := usage.Break{At: now.AddDate(0, 0, -80), Why: "new program"}
	summer := time.Date(2026, 10, 5, 10, 0, 0, 0, z)
	return []story{
		{"in season", now, yearly, 10000, "count", false},
		{"out of season", summer, monthly(c, summer, 274, 369, 9, 30), 10000, "count", false},
		{"hours", now, monthly(c, now, 1.9, 369, 0, 30), 60, "hour meter", false},
		{"read by the day", now, monthly(c, now, 274, 380, 0, 1), 6000, "count", false},
		{"half a year ahead", now, yearly, 60000, "count", false},
		{"the limit is passed", now, yearly, -200, "count", false},
		{"probably passed since", now, yearly, 2000, "count", false},
		{"not read for long", now, monthly(c, now, 274, 375, 75, 30), 40000, "count", false},
		{"few readings", now, monthly(c, now, 274, 70, 1, 23), 10000, "count", false},
		{"no latest date", now, with(monthly(c, now, 60, 62, 2, 30), func(h *usage.History) { h.Points[1].Total = h.Points[0].Total + 20 }), 5000, "count", false},
		{"readings of two days", now, with(monthly(c, now, 274, 40, 0, 40), func(h *usage.History) {
			h.Points = append(h.Points, usage.Point{At: now.Add(-time.Hour), Total: h.Points[1].Total - 20}, h.Points[1])
			h.Points = append(h.Points[:1], h.Points[2:]...)
		}), 5000, "count", false},
		{"since a new program", now, with(yearly, func(h *usage.History) { h.Breaks = []usage.Break{program} }), 10000, "count", false},
		{"too few since a new program", now, with(yearly, func(h *usage.History) {
			h.Breaks, h.Planned = []usage.Break{{At: now.AddDate(0, 0, -20), Why: "new program"}}, 300
		}), 10000, "count", false},
		{"the plan's rate", now, usage.History{Points: yearly.Points[12:], Planned: 300}, 10000, "count", false},
		{"nothing to go by", now, usage.History{Points: yearly.Points[11:]}, 10000, "count", false},
		{"it stands still", now, with(yearly, func(h *usage.History) {
			for i := range h.Points {
				h.Points[i].Total = 23611
			}
		}), 100, "count", false},
		{"hardly used", now, with(yearly, func(h *usage.History) {
			for i := range h.Points {
				h.Points[i].Total = float64(i)
			}
		}), 10000, "count", false},
		{"the last reading stands apart", now, with(yearly, func(h *usage.History) { h.Points[12].Total += 40000 }), 10000, "count", false},
		{"computed from another meter", now, with(monthly(c, now, 1.9, 369, 9, 30), func(h *usage.History) {
			for i := range h.Points {
				h.Points[i].Grade = usage.Computed
			}
		}), 60, "hour total", false},
		{"partly computed", now, with(yearly, func(h *usage.History) { h.Points[3].Grade = usage.Computed }), 10000, "count", false},
		{"closed for the winter", now, yearly, 10000, "count", true},
		{"within a day", now, monthly(c, now, 274, 365, 0, 1), 100, "count", false},
	}
}

// What forecasts say, read and found good: testdata/sentences.txt.
func TestSentences(t *testing.T) {
	t.Parallel()
	c := over(t, trade(t, "snowbelt", "medium"), usage.Place{Zone: zone(t, "America/Chicago"), Turns: 3 * time.Hour})
	var got strings.Builder
	for _, s := range stories(t, c) {
		c := c
		if s.closed {
			c = over(t, trade(t, "snowbelt", "medium"), usage.Place{Zone: zone(t, "America/Chicago"), Turns: 3 * time.Hour,
				Closed: func(d time.Time) bool { return d.Year() == 2027 && d.Month() < time.April }})
		}
		o := measure(t, s.history, c, s.now).Outlook(c, s.history.Points[len(s.history.Points)-1])
		fmt.Fprintf(&got, "# %s, %s\n%s\n\n", s.name, s.now.Format("2 January 2006"), o.Sentence(o.Forecast(s.d), s.now, s.counter))
	}
	if *update {
		if err := os.WriteFile("testdata/sentences.txt", []byte(got.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile("testdata/sentences.txt")
	if err != nil {
		t.Fatal(err)
	}
	if got.String() != string(want) {
		t.Errorf("the sentences have changed:\n%s", got.String())
	}
}

var date = regexp.MustCompile(`\b\d{1,2} (January|February|March|April|May|June|July|August|September|October|November|December)\b`)

// Whatever the readings, the sentence is one: no verbs of the program left in it,
// a date exactly where the forecast has one.
func TestSentencesOfAnything(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		c, h := drawCalendar(t), drawHistory(t)
		last := h.Points[len(h.Points)-1]
		now := last.At.AddDate(0, 0, rapid.IntRange(0, 500).Draw(t, "days ago"))
		h.Planned = rapid.SampledFrom([]float64{0, 250}).Draw(t, "planned")
		r, err := usage.Measure(h, c, now)
		if err != nil {
			t.Fatal(err)
		}
		o := r.Outlook(c, last)
		f := o.Forecast(rapid.Float64Range(-100, 1e5).Draw(t, "d"))
		s := o.Sentence(f, now, "count")
		if s == "" || strings.Contains(s, "%") || strings.Contains(s, "NaN") || strings.Contains(s, "  ") || strings.Contains(s, " 0001") {
			t.Fatalf("%q", s)
		}
		switch {
		case f.Reached != strings.HasPrefix(s, "reached by a count read "):
			t.Fatalf("%+v: %q", f, s)
		case !f.Reached && f.Likely.IsZero() != strings.HasPrefix(s, "no date: ") && f.Likely.Before(now.AddDate(30, 0, -30)):
			t.Fatalf("%+v: %q", f, s)
		case strings.HasPrefix(s, "at about ") && !date.MatchString(s):
			t.Fatalf("%+v: %q", f, s)
		}
	})
}

func TestNumbers(t *testing.T) {
	t.Parallel()
	for f, want := range map[float64]string{
		0: "0", 345.4: "345", 1234.5: "1,230", 99.6: "100", 99.4: "99", 9.96: "10", 2.94: "2.9", 3: "3", 0.947: "0.95",
		0.042: "0.042", 1234567: "1,230,000", 100: "100", 20: "20", 0.0996: "0.1",
	} {
		if got := usage.Number(f); got != want {
			t.Errorf("%v: %s, want %s", f, got, want)
		}
	}
}
