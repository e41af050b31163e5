package usage

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
)

// What makes the words warn.
const (
	quiet    = 45 * 24 * time.Hour       // a reading older than this should be taken again
	thin     = 5                         // so few readings are said
	short    = 90 * 24 * time.Hour       // so short a window too
	inSeason = 0.03                      // a level this far from the year's is said to be the season's
	tooFar   = 30 * 365 * 24 * time.Hour // no date is named beyond
)

// PerDay is how much the meter runs on a day of the calendar, over the four weeks
// from an instant on: the level of the season, with its closed days.
func (o *Outlook) PerDay(now time.Time) float64 {
	return o.rate.PerDay * o.season(now, now)
}

// season is the level from an instant until another, at least over four weeks.
func (o *Outlook) season(now, until time.Time) float64 {
	days := 28.0
	if d := until.Sub(now).Hours() / 24; d > days {
		days = d
	} else {
		until = now.AddDate(0, 0, 28)
	}
	return o.calendar.Days(now, until) / days
}

// Pace says how much the meter runs a day over the four weeks from an instant
// on: "about 345 a day in this season". The rate must be above zero.
func (o *Outlook) Pace(now time.Time) string { return o.pace(now, now, "") }

// pace says it in the unit of a kind of counter: hours stand as "2.5 h".
func (o *Outlook) pace(now, until time.Time, counter string) string {
	daily := " a day"
	if strings.HasPrefix(counter, "hour") {
		daily = " h a day"
	}
	switch season := o.season(now, until); {
	case o.season(now, now) < inSeason: // closed now
		return "about " + number(o.rate.PerDay) + daily + " when it is open"
	case math.Abs(season-1) > inSeason:
		return "about " + number(o.rate.PerDay*season) + daily + " in this season"
	default:
		return "about " + number(o.rate.PerDay*season) + daily
	}
}

// Sentence explains a forecast of this outlook in plain English, as the end of a
// sentence: at what rate, when, within what range, by how old a reading, and what
// is weak about it. counter is the word for what is read, "count" or "hour meter";
// one that begins with hour counts hours.
func (o *Outlook) Sentence(f Forecast, now time.Time, counter string) string {
	if f.Reached {
		return "reached " + o.by(now, counter)
	}
	if f.Likely.IsZero() || f.Likely.Sub(now) > tooFar {
		return o.noDate(now)
	}
	var s strings.Builder
	s.WriteString("at ")
	if o.rate.Basis == Planned {
		s.WriteString("the plan's rate, ")
	}
	// The rate from the reading until then: what was left at the reading, divided by
	// it, gives the date.
	s.WriteString(o.pace(o.last.At, f.Likely, counter))
	if o.rate.Basis == Planned {
		s.WriteString(",")
	}
	if f.Likely.Before(now) {
		s.WriteString(" probably reached about ")
	} else {
		s.WriteString(" due about ")
	}
	s.WriteString(o.date(f.Likely, now, o.far(f.Likely, now)) + o.span(f, now) + ", " + o.by(now, counter))
	if w := o.weak(now, f.Likely); w != "" {
		s.WriteString("; " + w)
	}
	return s.String()
}

// noDate says why there is none.
func (o *Outlook) noDate(now time.Time) string {
	switch {
	case o.rate.Basis == Nothing:
		return "no date: " + o.tooFew(now) + ", and the plan gives no rate"
	case o.rate.PerDay <= 0:
		return fmt.Sprintf("no date: it did not run from %s to %s", o.date(o.rate.From, now, false), o.date(o.rate.To, now, false))
	}
	return fmt.Sprintf("no date: at about %s a day it takes more than %d years", number(o.rate.PerDay), tooFar/(365*24*time.Hour))
}

func (o *Outlook) tooFew(now time.Time) string {
	few := [...]string{"no reading", "only one reading", "only two readings"}
	switch {
	case o.rate.Readings >= len(few):
		return "all readings are of one day"
	case o.rate.Cut != nil:
		return few[o.rate.Readings] + " since the " + o.rate.Cut.Why + " of " + o.date(o.rate.Cut.At, now, false)
	}
	return few[o.rate.Readings] + " in 400 days"
}

// span gives the range in brackets.
func (o *Outlook) span(f Forecast, now time.Time) string {
	switch {
	case o.rate.Basis == Planned:
		return " (no range: " + o.tooFew(now) + ")"
	case f.Early.IsZero():
		return " (no range: the readings are of two days only)"
	case f.Late.IsZero() || f.Late.Sub(now) > tooFar:
		return fmt.Sprintf(" (hardly before %s; no latest date, as the readings do not rule out that it hardly runs)", o.date(f.Early, now, o.far(f.Early, now)))
	}
	far := o.far(f.Early, now) || o.far(f.Late, now)
	early, late := o.date(f.Early, now, far), o.date(f.Late, now, far)
	if early == late {
		return " (to the day)"
	}
	// "3 to 14 February"
	if day, month, _ := strings.Cut(early, " "); strings.HasSuffix(late, " "+month) {
		early = day
	}
	return " (" + early + " to " + late + ")"
}

// by says what reading it rests on.
func (o *Outlook) by(now time.Time, counter string) string {
	how := [...]string{"read", "interpolated", "carried on", "computed from another meter", "assumed"}[min(o.last.Grade, Default)]
	article := "a "
	if counter != "" && strings.Contains("aeio", counter[:1]) || strings.HasPrefix(counter, "hour") {
		article = "an "
	}
	return "by " + article + counter + " " + how + " " + o.ago(now)
}

func (o *Outlook) ago(now time.Time) string {
	switch days := int(o.midnight(now).Sub(o.midnight(o.last.At)).Hours() / 24); {
	case days <= 0:
		return "today"
	case days == 1:
		return "yesterday"
	default:
		return strconv.Itoa(days) + " days ago"
	}
}

// weak lists what else a reader should know.
func (o *Outlook) weak(now, likely time.Time) string {
	var all []string
	r := o.rate
	if r.Basis == Measured {
		if r.Cut != nil {
			all = append(all, "counted only since the "+r.Cut.Why+" of "+o.date(r.Cut.At, now, false))
		}
		if r.Readings < thin || r.To.Sub(r.From) < short {
			all = append(all, fmt.Sprintf("from only %d readings over %d days", r.Readings, int(math.Round(r.To.Sub(r.From).Hours()/24))))
		}
		if r.Middle != 0 {
			all = append(all, fmt.Sprintf("check the first and the last reading: the others say about %s a day", number(r.Middle*o.season(o.last.At, likely))))
		}
		if r.Grade == Computed && o.last.Grade != Computed {
			all = append(all, "the rate is partly computed from another meter")
		}
	}
	if now.Sub(o.last.At) > quiet {
		all = append(all, "read it again")
	}
	return strings.Join(all, "; ")
}

// midnight gives the local date as midnight UTC.
func (o *Outlook) midnight(t time.Time) time.Time {
	y, m, d := t.In(o.calendar.zone).Date()
	return time.Date(y, m, d, 0, 0, 0, 0, time.UTC)
}

// far says whether a date needs its year to be understood.
func (o *Outlook) far(t, now time.Time) bool {
	days := o.midnight(t).Sub(o.midnight(now)).Hours() / 24
	return days < -180 || days > 300
}

func (o *Outlook) date(t, now time.Time, year bool) string {
	if year || o.far(t, now) {
		return t.In(o.calendar.zone).Format("2 January 2006")
	}
	return t.In(o.calendar.zone).Format("2 January")
}

// number rounds to what is worth saying: two digits below a hundred, three above.
func number(f float64) string {
	if !(f > 0) {
		return "0"
	}
	digits := 2
	if f >= 100 {
		digits = 3
	}
	places := digits - 1 - int(math.Floor(math.Log10(f)))
	scale := math.Pow(10, float64(places))
	s := strconv.FormatFloat(math.Round(f*scale)/scale, 'f', max(places, 0), 64)
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	whole, rest, dot := strings.Cut(s, ".")
	for i := len(whole) - 3; i > 0; i -= 3 {
		whole = whole[:i] + "," + whole[i:]
	}
	if dot {
		return whole + "." + rest
	}
	return whole
}
