package calendar

import (
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

func day(t testing.TB, s string) Date {
	t.Helper()
	d, f := ParseDate(s, "date")
	if f != nil {
		t.Fatal(f)
	}
	return d
}

func zone(t testing.TB, name string) *time.Location {
	t.Helper()
	z, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return z
}

// R.D. 1 is 1 January 1 (Reingold and Dershowitz, Calendrical Calculations; from
// memory), and 1 January 1970 is R.D. 719163.
func TestDatesAreCountedFromYearOne(t *testing.T) {
	for s, want := range map[string]Date{"0001-01-01": 1, "1970-01-01": 719163, "2000-01-01": 730120} {
		if got := day(t, s); got != want || got.String() != s {
			t.Errorf("%s is day %d (%s), want %d", s, got, got, want)
		}
	}
	if got := day(t, "2026-02-05").Words(); got != "5 February 2026" {
		t.Errorf("in words: %s", got)
	}
	if Date(0).String() != "" {
		t.Error("no date has a text")
	}
	for _, bad := range []string{"", "2026-02-29", "2026-2-1", "2026-13-01", "0000-01-01", "1 March"} {
		if _, f := ParseDate(bad, "from"); f == nil || f.Field != "from" || f.Value != bad {
			t.Errorf("%q is taken as a date: %v", bad, f)
		}
	}
}

// Against the library's own calendar, day by day.
func TestDatesAgreeWithTheStandardLibrary(t *testing.T) {
	for d, want := On(1890, 1, 1), time.Date(1890, 1, 1, 0, 0, 0, 0, time.UTC); d < On(2120, 1, 1); d, want = d+1, want.AddDate(0, 0, 1) {
		y, m, dd := d.Civil()
		if y != want.Year() || m != want.Month() || dd != want.Day() || d.Weekday() != want.Weekday() {
			t.Fatalf("day %d is %s %s, want %s", d, d, d.Weekday(), want)
		}
	}
}

// Worked examples, checked with another library's relative month arithmetic.
func TestMonthsStayAtTheirEnd(t *testing.T) {
	for _, c := range []struct {
		from   string
		months int
		want   string
	}{
		{"2024-01-31", 1, "2024-02-29"}, {"2023-01-31", 1, "2023-02-28"}, {"2024-01-31", 13, "2025-02-28"},
		{"2024-02-29", 12, "2025-02-28"}, {"2024-02-29", 48, "2028-02-29"}, {"2024-08-31", 6, "2025-02-28"},
		{"2024-03-31", -1, "2024-02-29"}, {"2023-12-31", 2, "2024-02-29"},
	} {
		if got := day(t, c.from).AddMonths(c.months).String(); got != c.want {
			t.Errorf("%s and %d months is %s, want %s", c.from, c.months, got, c.want)
		}
	}
	month := Period{Months: 1}
	var row []string
	for n := 1; n <= 5; n++ {
		row = append(row, month.From(day(t, "2024-01-31"), n).String())
	}
	if got := strings.Join(row, " "); got != "2024-02-29 2024-03-31 2024-04-30 2024-05-31 2024-06-30" {
		t.Errorf("month ends drift: %s", got)
	}
}

// The Gregorian rule.
func TestLeapYears(t *testing.T) {
	for y, leap := range map[int]bool{1600: true, 2000: true, 2004: true, 2400: true, 1700: false, 1800: false, 1900: false, 2100: false} {
		if got := lengthOfMonth(On(y, 2, 1)) == 29; got != leap {
			t.Errorf("%d leap: %v", y, got)
		}
	}
}

// ISO 8601 week dates, confirmed with two other implementations.
func TestWeekDates(t *testing.T) {
	for d, want := range map[string]string{
		"2005-01-01": "2004-W53-6", "2005-01-02": "2004-W53-7", "2005-12-31": "2005-W52-6", "2007-01-01": "2007-W01-1",
		"2008-12-29": "2009-W01-1", "2010-01-03": "2009-W53-7", "2020-12-31": "2020-W53-4", "2024-12-30": "2025-W01-1",
		"2026-01-01": "2026-W01-4", "2026-12-31": "2026-W53-4", "2027-01-03": "2026-W53-7",
	} {
		if got := day(t, d).WeekDate(); got != want {
			t.Errorf("%s is %s, want %s", d, got, want)
		}
	}
	var long []int
	for y := 2000; y <= 2040; y++ {
		if _, w := On(y, 12, 28).Week(); w == 53 { // 28 December lies in the last week
			long = append(long, y)
		}
	}
	if want := []int{2004, 2009, 2015, 2020, 2026, 2032, 2037}; len(long) != len(want) || long[0] != want[0] || long[6] != want[6] || long[4] != want[4] {
		t.Errorf("years of 53 weeks: %v", long)
	}
}

// Changes of clocks as in the tz database.
func TestOffsetsChangeWhenTheTableSays(t *testing.T) {
	for _, c := range []struct {
		zone, at      string
		before, after float64
	}{
		{"America/New_York", "1997-04-06T07:00:00Z", -5, -4}, {"America/New_York", "1997-10-26T06:00:00Z", -4, -5},
		{"America/New_York", "2006-04-02T07:00:00Z", -5, -4}, {"America/New_York", "2006-10-29T06:00:00Z", -4, -5},
		{"America/New_York", "2007-03-11T07:00:00Z", -5, -4}, {"America/New_York", "2007-11-04T06:00:00Z", -4, -5},
		{"America/New_York", "2026-03-08T07:00:00Z", -5, -4}, {"America/New_York", "2026-11-01T06:00:00Z", -4, -5},
		{"America/New_York", "2027-03-14T07:00:00Z", -5, -4}, {"America/New_York", "2027-11-07T06:00:00Z", -4, -5},
		{"Europe/London", "2026-03-29T01:00:00Z", 0, 1}, {"Europe/London", "2026-10-25T01:00:00Z", 1, 0},
		{"Australia/Lord_Howe", "2026-04-04T15:00:00Z", 11, 10.5}, {"Australia/Lord_Howe", "2026-10-03T15:30:00Z", 10.5, 11},
	} {
		at, _ := time.Parse(time.RFC3339, c.at)
		z := zone(t, c.zone)
		_, before := at.Add(-time.Second).In(z).Zone()
		_, after := at.In(z).Zone()
		if float64(before) != c.before*3600 || float64(after) != c.after*3600 {
			t.Errorf("%s at %s: from %d to %d s", c.zone, c.at, before, after)
		}
		// Whatever the wall showed on either side, Local finds an instant that shows it.
		for _, near := range []time.Time{at.Add(-time.Second), at.Add(-3 * time.Hour), at, at.Add(3 * time.Hour)} {
			w := near.In(z)
			h, m, s := w.Clock()
			got := Local(DateOf(w), time.Duration(h*3600+m*60+s)*time.Second, z)
			if got.Format("2006-01-02T15:04:05") != w.Format("2006-01-02T15:04:05") || got.After(near) {
				t.Errorf("%s shows %s, Local gives %s", c.zone, w, got)
			}
		}
	}
	phoenix := zone(t, "America/Phoenix")
	for m := time.January; m <= time.December; m++ {
		if _, o := time.Date(2026, m, 15, 0, 0, 0, 0, time.UTC).In(phoenix).Zone(); o != -7*3600 {
			t.Errorf("Phoenix in %s: %d s", m, o)
		}
	}
}

// RFC 5545, 3.3.5: what the clocks leave out is read with the offset before the
// gap, what they show twice is the first.
func TestLocalTimesSkippedAndDoubled(t *testing.T) {
	ny := zone(t, "America/New_York")
	for _, c := range []struct{ date, clock, want, shows string }{
		{"2026-03-08", "2h30m", "2026-03-08T07:30:00Z", "03:30 EDT"},
		{"2007-03-11", "2h30m", "2007-03-11T07:30:00Z", "03:30 EDT"},
		{"2026-11-01", "1h30m", "2026-11-01T05:30:00Z", "01:30 EDT"},
		{"2026-11-01", "2h0m", "2026-11-01T07:00:00Z", "02:00 EST"},
	} {
		clock, _ := time.ParseDuration(c.clock)
		got := Local(day(t, c.date), clock, ny)
		if got.UTC().Format(time.RFC3339) != c.want || got.Format("15:04 MST") != c.shows {
			t.Errorf("%s %s in New York is %s, want %s", c.date, c.clock, got, c.want)
		}
	}
	lordHowe := zone(t, "Australia/Lord_Howe") // half an hour, 02:00 to 02:30
	if got := Local(day(t, "2026-10-04"), 2*time.Hour+15*time.Minute, lordHowe); got.Format("15:04") != "02:45" {
		t.Errorf("Lord Howe's gap: %s", got)
	}
	apia := zone(t, "Pacific/Apia") // left out a whole day
	if got := Local(day(t, "2011-12-30"), 9*time.Hour, apia); got.Format("2006-01-02 15:04") != "2011-12-31 09:00" {
		t.Errorf("the day that Samoa left out: %s", got)
	}
}

// A day is not 24 hours.
func TestDaysByTheWallAndHoursByTheClock(t *testing.T) {
	ny := zone(t, "America/New_York")
	at := func(s string) time.Time { return Local(day(t, s), 9*time.Hour, ny) }
	if got := at("2026-03-08").Sub(at("2026-03-07")); got != 23*time.Hour {
		t.Errorf("in spring a day has %s", got)
	}
	if got := at("2026-11-01").Sub(at("2026-10-31")); got != 25*time.Hour {
		t.Errorf("in autumn a day has %s", got)
	}
	start := at("2026-03-07")
	if got := (Period{Days: 1}).After(start).Format("02 15:04 MST"); got != "08 09:00 EDT" {
		t.Errorf("a day later is %s", got)
	}
	if got := (Period{Exact: 24 * time.Hour}).After(start).Format("02 15:04 MST"); got != "08 10:00 EDT" {
		t.Errorf("24 hours later is %s", got)
	}
	if got := (Period{Days: 1, Exact: time.Hour}).After(start).Format("02 15:04 MST"); got != "08 10:00 EDT" {
		t.Errorf("days come first, then hours: %s", got)
	}
	if got := (Period{Months: 1}).After(Local(day(t, "2026-01-31"), 2*time.Hour, ny)).Format("2006-01-02 15:04"); got != "2026-02-28 02:00" {
		t.Errorf("a month later is %s", got)
	}
}

// RFC 5545, 3.3.6, and ISO 8601 for years and months.
func TestPeriods(t *testing.T) {
	for text, want := range map[string]Period{
		"P15DT5H0M20S": {Days: 15, Exact: 5*time.Hour + 20*time.Second},
		"P7W":          {Days: 49},
		"P1Y2M":        {Months: 14},
		"P1M":          {Months: 1},
		"PT1M":         {Exact: time.Minute},
		"-PT15M":       {Exact: -15 * time.Minute},
		"+P1D":         {Days: 1},
		"P0D":          {},
		"P1Y2M3DT4H":   {Months: 14, Days: 3, Exact: 4 * time.Hour},
	} {
		got, f := ParsePeriod(text, "every")
		if f != nil || got != want {
			t.Errorf("%s is %+v (%v), want %+v", text, got, f, want)
		}
		if again, f := ParsePeriod(got.String(), "every"); f != nil || again != want {
			t.Errorf("%s is written %s, which reads %+v", text, got, again)
		}
	}
	for _, bad := range []string{"", "P", "PT", "P1", "1D", "P1DT", "P1W2D", "P1Y1W", "P1.5D", "P1D1D", "P1D1M", "PT1S1M", "PT1H1D", "P-1D", "P100000D", "p1d", "P1H", "PT1D", "PTT1H", "PT1ST1S", "P 1D", "P1Dx", "PT1MT1S", "P1DT1HT1M", "PT1S1S"} {
		if got, f := ParsePeriod(bad, "every"); f == nil || f.Field != "every" {
			t.Errorf("%q is taken as %+v", bad, got)
		}
	}
	if got := (Period{Months: 1, Days: -1}).String(); got != "" {
		t.Errorf("a period both ways is written %q", got)
	}
}

func TestTheOperatingDayTurnsAtNight(t *testing.T) {
	ny := zone(t, "America/New_York")
	at := func(s string) time.Time {
		x, err := time.Parse(time.RFC3339, s)
		if err != nil {
			t.Fatal(err)
		}
		return x
	}
	three, halfPastOne, halfPastTwo := Place{ny, 3 * time.Hour}, Place{ny, 90 * time.Minute}, Place{ny, 150 * time.Minute}
	for _, c := range []struct {
		name  string
		place Place
		at    string
		want  string
	}{
		{"01:30 on Sunday belongs to Saturday", three, "2026-06-14T01:30:00-04:00", "2026-06-13"},
		{"at the turn the new day begins", three, "2026-06-14T03:00:00-04:00", "2026-06-14"},
		{"where it turns at 01:30, so does it then", halfPastOne, "2026-06-14T01:30:00-04:00", "2026-06-14"},
		{"before the turn that happens twice", halfPastOne, "2026-11-01T01:29:00-04:00", "2026-10-31"},
		{"after the first of the two", halfPastOne, "2026-11-01T01:30:00-04:00", "2026-11-01"},
		{"01:15 shown again does not turn it back", halfPastOne, "2026-11-01T01:15:00-05:00", "2026-11-01"},
		{"the turn at a time left out comes an hour later on the wall", halfPastTwo, "2026-03-08T03:15:00-04:00", "2026-03-07"},
		{"and then the day has begun", halfPastTwo, "2026-03-08T03:30:00-04:00", "2026-03-08"},
	} {
		if got := c.place.Day(at(c.at)).String(); got != c.want {
			t.Errorf("%s: %s, want %s", c.name, got, c.want)
		}
	}
}

func TestEveryInstantLiesInItsOperatingDay(t *testing.T) {
	var zones []*time.Location
	for _, name := range []string{"America/New_York", "Europe/London", "Australia/Lord_Howe", "America/Phoenix", "Pacific/Apia", "UTC"} {
		zones = append(zones, zone(t, name))
	}
	rapid.Check(t, func(t *rapid.T) {
		p := Place{rapid.SampledFrom(zones).Draw(t, "zone"), time.Duration(rapid.IntRange(0, 1439).Draw(t, "turns")) * time.Minute}
		at := time.Unix(rapid.Int64Range(1.2e9, 2.2e9).Draw(t, "at"), 0)
		d := p.Day(at)
		if at.Before(p.Start(d)) || !at.Before(p.Start(d+1)) {
			t.Fatalf("%s is said to lie in %s, which runs from %s to %s", at.In(p.Zone), d, p.Start(d), p.Start(d+1))
		}
	})
}

func TestSeasons(t *testing.T) {
	read := func(s string) Season {
		got, f := ParseSeason(s, "season")
		if f != nil || got.String() != s || !got.Real() {
			t.Fatalf("%s: %v %v", s, got, f)
		}
		return got
	}
	winter := read("11-15/03-15")
	first, last := winter.Ending(2026)
	if first.String() != "2025-11-15" || last.String() != "2026-03-15" {
		t.Errorf("the winter that ends in 2026 runs from %s to %s", first, last)
	}
	for d, in := range map[string]bool{"2025-12-31": true, "2026-01-01": true, "2026-03-15": true, "2026-03-16": false, "2026-11-14": false, "2026-11-15": true} {
		if winter.Holds(day(t, d)) != in {
			t.Errorf("%s in winter: %v", d, !in)
		}
	}
	leap := read("02-29/03-10")
	if f, _ := leap.Ending(2026); f.String() != "2026-02-28" {
		t.Errorf("29 February in 2026 is %s", f)
	}
	if f, _ := leap.Ending(2028); f.String() != "2028-02-29" {
		t.Errorf("29 February in 2028 is %s", f)
	}
	for _, bad := range []string{"", "10-01", "10-01/02-30", "13-01/01-01", "00-01/01-01", "10-00/11-15", "10/01/11/15", "+1-01/11-15", "10-01/11-1"} {
		if _, f := ParseSeason(bad, "season"); f == nil || f.Field != "season" {
			t.Errorf("%q is taken as a season", bad)
		}
	}
}

func FuzzPeriod(f *testing.F) {
	for _, s := range []string{"P30D", "P15DT5H0M20S", "-PT15M", "P1Y6M", "P7W", "PT", "P1M1M"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		p, fa := ParsePeriod(text, "every")
		if fa != nil {
			if p != (Period{}) {
				t.Fatalf("%q is refused and read as %+v", text, p)
			}
			return
		}
		again, fa := ParsePeriod(p.String(), "every")
		if fa != nil || again != p {
			t.Fatalf("%q reads %+v, is written %q and then reads %+v (%v)", text, p, p, again, fa)
		}
	})
}

func FuzzSeason(f *testing.F) {
	f.Add("10-01/11-15")
	f.Add("02-29/02-29")
	f.Fuzz(func(t *testing.T, text string) {
		if s, fa := ParseSeason(text, "season"); fa == nil && (!s.Real() || s.String() != text) {
			t.Fatalf("%q reads %+v", text, s)
		}
	})
}

// The short way where no change of clocks is near gives what the long way gives.
func TestSteadyZonesAreNoExceptions(t *testing.T) {
	for _, name := range []string{"America/New_York", "Australia/Lord_Howe", "Pacific/Apia", "UTC"} {
		z := zone(t, name)
		p := Place{z, 3 * time.Hour}
		for at := time.Date(2011, 1, 1, 0, 0, 0, 0, time.UTC); at.Year() < 2013; at = at.Add(53 * time.Minute) {
			d := p.Day(at)
			if at.Before(p.Start(d)) || !at.Before(p.Start(d+1)) {
				t.Fatalf("%s is said to lie in %s", at.In(z), d)
			}
			w := at.In(z)
			y, m, day := w.Date()
			if DateOf(w) != On(y, m, day) {
				t.Fatalf("%s is %s", w, DateOf(w))
			}
			h, mi, _ := w.Clock()
			if got := Local(DateOf(w), time.Duration(h*60+mi)*time.Minute, z); got.Format("2006-01-02 15:04") != w.Format("2006-01-02 15:04") || got.After(at) {
				t.Fatalf("the wall shows %s, Local gives %s", w, got)
			}
		}
	}
}
