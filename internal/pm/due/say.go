package due

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"spindlebook/internal/calendar"
	"spindlebook/internal/usage"
)

// Part is how far one trigger's interval has run, for a bar with its forecast.
type Part struct {
	Trigger   string // in words
	Used, Of  float64
	Unit      Unit          // Days for triggers by the calendar
	Due       calendar.Date // zero where it says no day
	Low, High calendar.Date
	Grade     usage.Grade
	Gap       Gap
}

// Left is what remains of the interval, negative where it has run over.
func (p Part) Left() float64 { return p.Of - p.Used }

// Explanation is an answer with its reasons.
type Explanation struct {
	Answer
	Parts []Part // of each trigger of the plan, in its order
	Says  string // one plain sentence
}

// Explain judges an assignment and says why, in one sentence.
func Explain(a *Assignment, site *Site, now time.Time) Explanation {
	var c considered
	c.consider(a, site, site.Day(now))
	e := Explanation{Answer: c.answer()}
	for i, t := range c.schedule.plan.Triggers {
		f := &c.found[i]
		p := Part{Trigger: t.words(), Used: f.used, Of: f.of, Unit: Days, Due: f.due, Low: f.low, High: f.high, Grade: f.grade, Gap: f.gap}
		if u, ok := t.(AfterUse); ok {
			p.Unit = u.Unit
		}
		e.Parts = append(e.Parts, p)
	}
	e.Says = c.says(&e.Answer)
	return e
}

// says joins the reason, what weakens it, and how it stands.
func (c *considered) says(r *Answer) string {
	var s []string
	switch {
	case c.never && c.a.Mark == nil:
		s = append(s, "no record that this was ever done; it is safety or legal work and so due since "+c.date(r.Due))
	case c.never:
		s = append(s, "no record that this was done since it was put in service on "+c.date(r.Due)+"; it is safety or legal work and so due at once")
	case c.first >= 0:
		s = append(s, c.reason(c.schedule.plan.Triggers[c.first], &c.found[c.first], r))
	case r.State == Unknown:
		s = append(s, "nobody can tell when this falls due")
	default:
		s = append(s, c.nothing())
	}
	s = append(s, c.doubts(r)...)
	if i := r.Governs; i >= 0 && c.schedule.plan.Triggers[i] != c.a.Schedule.plan.Triggers[i] {
		s = append(s, fmt.Sprintf("here instead of %s, for what begins by %s: %s", c.a.Schedule.plan.Triggers[i].words(), c.date(c.a.Override.Until), c.a.Override.Reason))
	}
	if r.Due != 0 && r.Due == c.a.Skipped {
		s = append(s, "put off until "+c.date(r.Due))
	}
	if r.Missed > 0 && !c.daily() {
		s = append(s, plural(r.Missed, "further date has passed and counts", "further dates have passed and count")+" as this one")
	}
	if r.State == Late {
		s = append(s, "late since "+c.date(r.Latest+1))
	}
	return strings.Join(s, "; ")
}

func (c *considered) nothing() string {
	if c.a.Parked {
		return "the position is parked, so its use waits"
	}
	return "nothing more falls due by this plan"
}

func (c *considered) reason(t Trigger, f *found, r *Answer) string {
	switch t := t.(type) {
	case Every:
		if c.schedule.plan.Basis == Fixed {
			return c.dated(t.words()+" on a fixed grid", f)
		}
		if c.schedule.plan.Basis == OneOff {
			return fmt.Sprintf("once, %s after the job of %s: %s", period(t.Period), c.date(c.base), c.due(f.due))
		}
		return fmt.Sprintf("%s; %s, so %s", t.words(), c.done(f.due), c.due(f.due))
	case OnDates:
		return c.dated("on fixed dates", f)
	case EachOperatingDay:
		return c.daySays(f, r)
	case OncePerSeason:
		return c.dated(t.words(), f)
	case AfterUse:
		return c.useSays(t, f)
	case OnCrossing:
		return fmt.Sprintf("%s, recorded on %s: due at once, until the work is done", f.crossing.Says, c.date(f.due))
	}
	return ""
}

func (c *considered) dated(what string, f *found) string {
	return fmt.Sprintf("%s: %s; %s", what, c.due(f.due), c.done(f.due))
}

// done says when it was last done, or since when it could have been: what is new
// and not yet due was not done, what is overdue may only not be on record.
func (c *considered) done(due calendar.Date) string {
	switch m := c.a.Mark; {
	case m == nil:
		return "no record that it was ever done"
	case !m.Done && due >= c.today:
		return "in service since " + c.date(c.base)
	case !m.Done:
		return "no record that it was done since it was put in service on " + c.date(c.base)
	}
	return "last done " + c.date(c.base)
}

func (c *considered) daySays(f *found, r *Answer) string {
	s := "due each operating day"
	switch {
	case f.due > c.today && c.base == c.today:
		s += "; today's is done"
	case f.due > c.today:
		s += "; the site does not work today, next on " + c.date(f.due)
	case f.due == c.today:
		s += "; today's is still to do"
	default:
		s += fmt.Sprintf("; that of %s is still to do, until the day of %s turns", c.date(f.due), c.date(f.latest))
	}
	if r.Missed > 0 {
		s += "; " + plural(r.Missed, "day", "days") + " ended without it"
	}
	return s
}

func (c *considered) useSays(t AfterUse, f *found) string {
	s := fmt.Sprintf("%s of %s %s since %s", figure(f.used), figure(t.Amount), t.Unit.words(), c.date(c.base))
	switch {
	case c.a.Mark.Done, c.schedule.plan.Basis == OneOff:
	case f.used <= t.Amount:
		s = fmt.Sprintf("%s of %s %s since it was put in service on %s", figure(f.used), figure(t.Amount), t.Unit.words(), c.date(c.base))
	default: // the count may be of many intervals, and nobody has a record of any
		s = fmt.Sprintf("no record that it was done since it was put in service on %s; the count since then is %s %s, the interval %s", c.date(c.base), figure(f.used), t.Unit.words(), figure(t.Amount))
	}
	if f.when.Reached {
		return s + ": due about " + c.date(f.due) + ", " + c.forecast(t, f)
	}
	s += "; " + c.forecast(t, f)
	if f.unsure {
		s += "; with nothing by the calendar beside it, it counts as due " + c.date(f.due) + ", by when it has run so far with 90 %"
	}
	return s
}

// forecast lets the counter's outlook speak, in operating days.
func (c *considered) forecast(t AfterUse, f *found) string {
	noon := func(at time.Time) time.Time {
		if at.IsZero() {
			return at
		}
		return calendar.Local(c.day(at), 12*time.Hour, c.site.Zone)
	}
	d := c.driver(t.Unit)
	if !d.Outlook.Given() { // it stands still, and so nothing lies ahead
		return "by what it had counted on " + c.date(c.site.Day(d.Last.At))
	}
	w := f.when
	w.Early, w.Likely, w.Late = noon(w.Early), noon(w.Likely), noon(w.Late)
	counter := map[Unit]string{Vehicles: "count", RunHours: "hour meter", Cycles: "count of cycles"}[t.Unit]
	return d.Outlook.Sentence(w, calendar.Local(c.today, 12*time.Hour, c.site.Zone), counter)
}

// due says the day, and whether it lies behind.
func (c *considered) due(d calendar.Date) string {
	if d < c.today {
		return "it was due " + c.date(d)
	}
	return "due " + c.date(d)
}

// doubts says what is missing or weak beside the trigger that governs.
func (c *considered) doubts(r *Answer) (s []string) {
	for i, t := range c.schedule.plan.Triggers {
		f := &c.found[i]
		u, use := t.(AfterUse)
		switch {
		case f.gap&NoMark != 0:
			s = append(s, fmt.Sprintf("%s cannot be counted, because nobody knows when it was last done", t.words()))
		case f.gap&NoTotal != 0:
			s = append(s, fmt.Sprintf("the %s at %s are not known", u.Unit.words(), c.date(c.base)))
		case f.gap&NoReading != 0:
			s = append(s, fmt.Sprintf("there is no counter of %s", u.Unit.words()))
		case f.gap&NoRate != 0:
			s = append(s, fmt.Sprintf("%s: %s", u.Unit.words(), c.forecast(u, f)))
		case f.gap&QuietMeter != 0 && i != c.first:
			s = append(s, fmt.Sprintf("the counter of %s has not been read for %d days: read it", u.Unit.words(), c.today-c.site.Day(c.driver(u.Unit).Last.At)))
		case f.gap&QuietMeter != 0:
			if k := c.byCalendar(); k >= 0 {
				s = append(s, "by the calendar it is due by "+c.date(c.found[k].due))
			}
		case use && c.a.Parked && f.due == 0 && i != c.first && c.first >= 0:
			s = append(s, fmt.Sprintf("the position is parked, so its %s wait", u.Unit.words()))
		}
	}
	return s
}

// byCalendar gives the trigger by the calendar that has the first day, or -1.
func (c *considered) byCalendar() int {
	first := -1
	for i, t := range c.schedule.plan.Triggers {
		if byCalendar(t) && c.found[i].due != 0 && (first < 0 || c.found[i].due < c.found[first].due) {
			first = i
		}
	}
	return first
}

// date writes a day, with its year where that could be mistaken.
func (c *considered) date(d calendar.Date) string {
	year, month, day := d.Civil()
	s := strconv.Itoa(day) + " " + month.String()
	if d < c.today-180 || d > c.today+180 {
		s += " " + strconv.Itoa(year)
	}
	return s
}

// Words says when a trigger makes work fall due: "every 30 days".
func Words(t Trigger) string { return t.words() }

func (e Every) words() string {
	s := "every " + period(e.Period)
	if strings.Count(s, " ") == 2 {
		s = strings.Replace(s, " 1 ", " ", 1) // every month
	}
	return s
}

func (o OnDates) words() string { return "on dates by " + o.Rule }

func (EachOperatingDay) words() string { return "each operating day" }

func (o OncePerSeason) words() string {
	return "once a year between " + monthDay(o.Season.From) + " and " + monthDay(o.Season.To)
}

func (a AfterUse) words() string { return "every " + figure(a.Amount) + " " + a.Unit.words() }

func (o OnCrossing) words() string { return "when check " + o.Check + " crosses its limit" }

func (t Tolerance) words() string {
	if t.Percent > 0 {
		return strconv.FormatFloat(t.Percent, 'f', -1, 64) + " %"
	}
	return plural(t.Days, "day", "days")
}

func monthDay(m calendar.MonthDay) string { return strconv.Itoa(m.Day) + " " + m.Month.String() }

// period says an interval: "30 days", "6 months", "1 year, 2 months and 10 days".
func period(p calendar.Period) string {
	var s []string
	for _, part := range []struct {
		n         int
		one, many string
	}{{p.Months / 12, "year", "years"}, {p.Months % 12, "month", "months"}, {p.Days, "day", "days"}} {
		if part.n != 0 {
			s = append(s, plural(part.n, part.one, part.many))
		}
	}
	if n := len(s) - 1; n > 1 {
		s = []string{strings.Join(s[:n], ", "), s[n]}
	}
	return strings.Join(s, " and ")
}

func plural(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return figure(float64(n)) + " " + many
}

// figure writes an amount for reading: three figures where it is small, whole
// and by thousands where it is not.
func figure(v float64) string {
	if v < 100 && v != math.Trunc(v) {
		return strconv.FormatFloat(v, 'g', 3, 64)
	}
	s := strconv.FormatFloat(math.Round(v), 'f', 0, 64)
	sign := ""
	if strings.HasPrefix(s, "-") {
		sign, s = "-", s[1:]
	}
	for at := len(s) - 3; at > 0; at -= 3 {
		s = s[:at] + "," + s[at:]
	}
	return sign + s
}
