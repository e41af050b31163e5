package web

import (
	"strings"
	"testing"
	"time"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/web/draw"
)

// A brush that lies across the line shows its upper side in a plan from above.
// Seen from the left of travel vehicles go to the left, so what turns clockwise
// there moves its upper side to the right: against them.
func TestWhatAPlanShowsOfATurningBrush(t *testing.T) {
	for _, c := range []struct {
		t    assets.Turning
		want draw.Turn
	}{
		{assets.Turning{}, draw.Unknown},
		{assets.Turning{Known: true, Clockwise: true, SeenFrom: "above"}, draw.Clockwise},
		{assets.Turning{Known: true, SeenFrom: "above"}, draw.CounterClockwise},
		{assets.Turning{Known: true, Clockwise: true, SeenFrom: "left"}, draw.AgainstTravel},
		{assets.Turning{Known: true, SeenFrom: "left"}, draw.WithTravel},
		{assets.Turning{Known: true, Clockwise: true, SeenFrom: "right"}, draw.WithTravel},
		{assets.Turning{Known: true, SeenFrom: "right"}, draw.AgainstTravel},
	} {
		if got := turnOf(c.t); got != c.want {
			t.Errorf("%+v: %v, want %v", c.t, got, c.want)
		}
	}
}

func TestAge(t *testing.T) {
	now := time.Date(2026, 11, 25, 15, 30, 0, 0, time.UTC)
	for _, c := range []struct {
		then time.Time
		want string
	}{
		{now, "just now"}, {now.Add(time.Hour), "ahead"}, {now.Add(-time.Minute), "1 minute ago"}, {now.Add(-90 * time.Minute), "1 hour ago"},
		{now.AddDate(0, 0, -1), "1 day ago"}, {now.AddDate(0, 0, -13), "13 days ago"}, {now.AddDate(0, 0, -14), "2 weeks ago"},
		{now.AddDate(0, -3, 0), "3 months ago"}, {now.AddDate(0, -3, 1), "2 months ago"}, {now.AddDate(-1, 0, 0), "12 months ago"},
		{now.AddDate(-2, 0, 0), "2 years ago"}, {now.AddDate(-6, 1, 0), "5 years ago"},
	} {
		if got := age(c.then, now); got != c.want {
			t.Errorf("%v: %q, want %q", c.then, got, c.want)
		}
	}
}

func TestNumbersAsTheTradeTypesThem(t *testing.T) {
	for text, want := range map[string]float64{"1.375": 1.375, "1-3/8": 1.375, "1 3/8": 1.375, "3/8": 0.375, "-15": -15, "110": 110} {
		if got, ok := decimal(text); !ok || got != want {
			t.Errorf("%q is %v (%v), want %v", text, got, ok, want)
		}
	}
	for _, text := range []string{"", "x", "1/0", "1,5", "NaN", "Inf", "1-3-8", "1/2/3"} {
		if got, ok := decimal(text); ok {
			t.Errorf("%q was taken as %v", text, got)
		}
	}
}

func TestStretchesOfADay(t *testing.T) {
	for _, c := range []struct {
		starts  string
		minutes int
		want    string
	}{{"08:00", 720, "08:00 to 20:00"}, {"22:00", 240, "22:00 to 02:00 (next day)"}, {"20:00", 240, "20:00 to 00:00"}, {"00:00", 1440, "round the clock"}} {
		if got := stretch(c.starts, c.minutes); got != c.want {
			t.Errorf("%q", got)
		}
	}
}

func TestRulesSpeakLocalTime(t *testing.T) {
	chicago, err := time.LoadLocation("America/Chicago")
	if err != nil {
		t.Fatal(err)
	}
	got := local("must lie after 2026-01-01T00:00:00Z, when it began", chicago)
	if got != "must lie after 31 December 2025, 18:00, when it began" {
		t.Error(got)
	}
}

func TestSidesFollowTheDriver(t *testing.T) {
	for _, c := range [][3]string{{"left", "left", "left, driver side"}, {"right", "left", "right, passenger side"}, {"left", "right", "left, passenger side"}, {"centre", "left", "centre"}} {
		if got := sideWords(c[0], c[1]); got != c[2] {
			t.Errorf("%v: %q", c, got)
		}
	}
}

// Every right that there is has words for people.
func TestEveryRightIsNamedForPeople(t *testing.T) {
	for _, right := range access.System.Capabilities {
		if words := whoseRight[right]; words == "" || strings.Contains(words, "_") {
			t.Errorf("%s is for %q", right, words)
		}
	}
}
