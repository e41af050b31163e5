package due

import (
	"time"

	"spindlebook/internal/calendar"
	"spindlebook/internal/usage"
)

// Site is where the work is done.
type Site struct {
	calendar.Place
	Closed func(calendar.Date) bool // whether the site does not work that operating day; nil: it always does
}

// Mark is what an assignment counts from: the last completion that counted, or
// the day on which the thing was put in service.
type Mark struct {
	At     time.Time
	Done   bool    // a completion; otherwise the work was never done here
	Totals []Total // by unit, as they were at that moment; one that is missing leaves its trigger unknown
	// Settled is the day up to which a grid of dates is done with; zero where the
	// mark was not made by Complete, and then it follows from At.
	Settled calendar.Date
}

// Total is a counter's life to date.
type Total struct {
	Unit  Unit
	Value float64
	Grade usage.Grade
}

// Driver is the counter that drives the triggers of its unit: its last reading
// that counts, and how it goes on.
type Driver struct {
	Unit    Unit
	Last    usage.Point
	Outlook usage.Outlook // from Last
}

// Crossing is a recorded check that crossed its limit.
type Crossing struct {
	Check string
	At    time.Time
	Says  string // what was found: "pressure drop 7 psi, limit 6"
}

// Assignment is a plan bound to one thing.
type Assignment struct {
	Schedule  *Schedule
	Override  *Override     // nil where none was made
	Since     time.Time     // when the assignment appeared, or the thing was put in service where that is known
	Grid      calendar.Date // first day of a fixed grid of its own; zero: the trigger's From, or else the day of Since
	Mark      *Mark         // nil: nobody knows when it was done or put in service
	Drivers   []Driver
	Crossings []Crossing
	Parked    bool          // the position is parked or empty: use waits, the calendar does not
	Skipped   calendar.Date // the work is put off until that day by a person, for a reason
}

// State says how an assignment stands.
type State uint8

// The states. Without anything new they come in this order.
const (
	NotDue   State = iota
	Coming         // its window opens within two weeks
	Unknown        // nobody can tell when it falls due
	InWindow       // it may be done and counts as on time
	Late
)

// String gives the state in words.
func (s State) String() string {
	return [...]string{"not due", "coming", "unknown", "in window", "late"}[min(s, Late)]
}

// Gap is what is not known or not right about an assignment: each is a finding.
type Gap uint8

// The gaps.
const (
	NoMark     Gap = 1 << iota // nobody knows when it was last done
	NeverDone                  // it was never done here
	NoTotal                    // a counter's total at the mark is not known
	NoReading                  // a trigger's counter is missing
	NoRate                     // nobody knows how fast a counter runs
	QuietMeter                 // a counter was not read for Quiet days
	NoBackstop                 // only counters and conditions, nothing by the calendar
)

// Quiet is the number of days without a reading after which a counter is quiet
// (common practice, no source).
const Quiet = 45

// ahead is how many days before its window opens an assignment is coming.
const ahead = 14

// Answer is what an assignment's facts say on a day.
type Answer struct {
	State    State
	Governs  int           // the plan's trigger that comes first; -1 where none has a day
	Due      calendar.Date // zero where there is none
	Earliest calendar.Date // first and last day that count as on time
	Latest   calendar.Date
	// Low and High are the days by which it falls due with 10 and 90 %; zero where
	// the day is certain, and High alone where the readings do not rule out that
	// the counter stands still.
	Low, High calendar.Date
	Grade     usage.Grade   // the weakest that Due rests on
	Missed    int           // further dates that have come as well
	Next      calendar.Date // the next date of the grid or the next operating day after today; zero where it floats
	Gaps      Gap

	// The same as instants: when the days of Earliest and Due begin, and when that
	// after Latest does. Zero where there is none.
	OpensAt, DueAt, LateAt time.Time
	// NextCheckAt is when anything above can change without a new fact; zero: never.
	NextCheckAt time.Time
}

// Judge tells how an assignment stands at an instant.
func Judge(a *Assignment, site *Site, now time.Time) Answer {
	var c considered
	c.consider(a, site, site.Day(now))
	return c.answer()
}

// found is what one trigger says.
type found struct {
	due, earliest, latest calendar.Date // due is zero where it says no day
	low, high             calendar.Date
	when                  usage.Forecast // of use
	grade                 usage.Grade
	unsure                bool // rests on a quiet counter alone
	gap                   Gap
	used, of              float64 // of the interval, in the trigger's unit
	crossing              *Crossing
}

// considered is one judgement under way.
type considered struct {
	a        *Assignment
	site     *Site
	schedule *Schedule
	today    calendar.Date
	asOf     calendar.Date // of what counts as quiet; today but when looking ahead
	base     calendar.Date // operating day of the mark, else of Since
	found    [mostTriggers]found
	first    int // index of what governs, -1
	never    bool
}

func (c *considered) consider(a *Assignment, site *Site, today calendar.Date) {
	c.considerOn(a, site, a.base(site), today, today)
}

// base gives the operating day that an assignment counts from.
func (a *Assignment) base(site *Site) calendar.Date {
	if a.Mark != nil {
		return site.Day(a.Mark.At)
	}
	return site.Day(a.Since)
}

func (c *considered) considerOn(a *Assignment, site *Site, base, today, asOf calendar.Date) {
	*c = considered{a: a, site: site, schedule: a.Schedule, base: base, today: today, asOf: asOf, first: -1}
	if a.Override != nil && c.base <= a.Override.Until {
		c.schedule = a.Override.schedule
	}
	p := &c.schedule.plan
	for i, t := range p.Triggers {
		f := &c.found[i]
		*f = c.ask(t)
		f.earliest = min(max(f.earliest, c.base), f.due)
		if f.due != 0 && (c.first < 0 || f.due < c.found[c.first].due) {
			c.first = i
		}
	}
	c.never = p.Criticality == S && p.Basis != OneOff && (a.Mark == nil || !a.Mark.Done) && !c.daily()
}

func (c *considered) daily() bool {
	_, daily := c.schedule.plan.Triggers[0].(EachOperatingDay)
	return daily
}

func (c *considered) ask(t Trigger) found {
	switch t := t.(type) {
	case Every:
		return c.every(t)
	case OnDates, OncePerSeason:
		return c.onGrid(t)
	case EachOperatingDay:
		return c.operatingDay()
	case AfterUse:
		return c.afterUse(t)
	case OnCrossing:
		return c.onCrossing(t)
	}
	return found{}
}

// of gives what a tolerance is of an interval, in whole days.
func (t Tolerance) of(interval calendar.Date) calendar.Date {
	return calendar.Date(t.Days) + calendar.Date(t.Percent/100*float64(interval))
}

func (c *considered) every(e Every) found {
	p := &c.schedule.plan
	if p.Basis == Fixed {
		return c.onGrid(e)
	}
	if c.a.Mark == nil {
		return found{gap: NoMark}
	}
	due := e.Period.From(c.base, 1)
	long := due - c.base
	return found{due: due, earliest: due - p.Early.of(long), latest: due + p.Late.of(long), used: float64(c.today - c.base), of: float64(long)}
}

func (c *considered) onGrid(t Trigger) found {
	p := &c.schedule.plan
	g := c.grid(t)
	settled := c.settled(t)
	open, due := g.after(settled)
	if due == 0 {
		return found{} // the rule has ended
	}
	long := calendar.Date(0)
	if e, ok := t.(Every); ok {
		long = due - e.Period.From(due, -1)
	}
	f := found{due: due, earliest: open - p.Early.of(long), latest: due + p.Late.of(long), of: float64(due - c.base)}
	f.used = float64(c.today - c.base)
	return f
}

// settled gives the day up to which a grid is done with.
func (c *considered) settled(t Trigger) calendar.Date {
	m := c.a.Mark
	switch {
	case m == nil || !m.Done && m.Settled == 0:
		return c.base
	case m.Settled != 0:
		return m.Settled
	}
	// A completion that somebody recorded from memory: it settles the date in
	// whose window it lies, and those before it.
	return c.settle(t, c.base, false)
}

// settle gives the day up to which a completion on a day settles a grid. near
// settles the next date too, where it is nearer than half an interval.
func (c *considered) settle(t Trigger, day calendar.Date, near bool) calendar.Date {
	g := c.grid(t)
	open, next := g.after(day)
	if next == 0 {
		return day
	}
	p := &c.schedule.plan
	last := g.before(next)
	early := calendar.Date(p.Early.Days)
	if p.Early.Percent > 0 {
		early = p.Early.of(next - last)
	}
	if open-early <= day || near && last != 0 && 2*(next-day) < next-last {
		return next
	}
	return day
}

func (c *considered) operatingDay() found {
	late := calendar.Date(c.schedule.plan.Late.Days)
	d := c.works(max(c.undone(), c.today-late))
	return found{due: d, earliest: d, latest: d + late, of: 1}
}

// undone gives the first operating day that is neither done nor put off.
func (c *considered) undone() calendar.Date {
	d := c.base
	if c.a.Mark != nil && c.a.Mark.Done {
		d++
	}
	if c.schedule.plan.Criticality != S {
		d = max(d, c.a.Skipped)
	}
	return d
}

// works gives the first operating day from d on on which the site works.
func (c *considered) works(d calendar.Date) calendar.Date {
	for range 366 {
		if c.site.Closed == nil || !c.site.Closed(d) {
			return d
		}
		d++
	}
	return 0
}

func (c *considered) onCrossing(t OnCrossing) found {
	var f found
	for i := range c.a.Crossings {
		x := &c.a.Crossings[i]
		if x.Check == t.Check && (c.a.Mark == nil || x.At.After(c.a.Mark.At)) && (f.crossing == nil || x.At.Before(f.crossing.At)) {
			d := c.site.Day(x.At)
			f = found{due: d, earliest: d, latest: d + calendar.Date(c.schedule.plan.Late.Days), crossing: x}
		}
	}
	return f
}

func (c *considered) driver(u Unit) *Driver {
	for i := range c.a.Drivers {
		if c.a.Drivers[i].Unit == u {
			return &c.a.Drivers[i]
		}
	}
	return nil
}

func (c *considered) afterUse(t AfterUse) found {
	p := &c.schedule.plan
	if c.a.Mark == nil {
		return found{gap: NoMark}
	}
	d := c.driver(t.Unit)
	if d == nil {
		return found{gap: NoReading}
	}
	base := Total{Grade: usage.Default + 1}
	for _, b := range c.a.Mark.Totals {
		if b.Unit == t.Unit {
			base = b
		}
	}
	if base.Grade > usage.Default {
		return found{gap: NoTotal}
	}
	f := found{used: max(d.Last.Total-base.Value, 0), of: t.Amount}
	if c.a.Parked && f.used < t.Amount {
		return f // waits
	}
	quiet := c.quiet(d)
	if c.asOf >= quiet {
		f.gap = QuietMeter
	}
	reach := func(use float64) (usage.Forecast, bool) { return c.reach(d, base, use) }
	when, ok := reach(t.Amount)
	f.when = when
	if !ok {
		f.gap |= NoRate
		return f
	}
	f.grade = max(base.Grade, when.Grade)
	f.due = c.day(when.Likely)
	f.earliest, f.latest = f.due-calendar.Date(p.Early.Days), f.due+calendar.Date(p.Late.Days)
	if !when.Early.IsZero() {
		f.low = c.day(when.Early)
	}
	if !when.Late.IsZero() {
		f.high = c.day(when.Late)
	}
	if p.Early.Percent > 0 {
		if e, ok := reach(t.Amount * (1 - p.Early.Percent/100)); ok {
			f.earliest = c.day(e.Likely)
		}
	}
	if p.Late.Percent > 0 {
		if l, ok := reach(t.Amount * (1 + p.Late.Percent/100)); ok {
			f.latest = c.day(l.Likely)
		}
	}
	if c.asOf >= quiet && !c.schedule.backstop && !when.Reached && f.earliest > quiet {
		late := f.latest - f.due
		f.unsure, f.due = true, max(f.due, f.high)
		f.earliest, f.latest = f.due, f.due+late
	}
	return f
}

// quiet gives the day on which a counter becomes quiet.
func (c *considered) quiet(d *Driver) calendar.Date { return c.site.Day(d.Last.At) + Quiet }

// day gives the operating day of an instant, and never one before the base.
func (c *considered) day(t time.Time) calendar.Date { return max(c.site.Day(t), c.base) }

// reach tells when the counter stands, or stood, so much above the mark's total.
// What lies behind the last reading lies on the straight line from the mark to it.
func (c *considered) reach(d *Driver, base Total, use float64) (usage.Forecast, bool) {
	if more := base.Value + use - d.Last.Total; more > 0 {
		f := d.Outlook.Forecast(more)
		return f, !f.Likely.IsZero()
	}
	at, span := d.Last.At, d.Last.At.Sub(c.a.Mark.At)
	if grown := d.Last.Total - base.Value; span > 0 && grown > 0 {
		at = c.a.Mark.At.Add(time.Duration(use / grown * float64(span)))
	}
	return usage.Forecast{Reached: true, Likely: at, Grade: max(d.Last.Grade, usage.Interpolated)}, true
}

// verdict joins what the triggers say, in days.
func (c *considered) verdict() Answer {
	p := &c.schedule.plan
	r := Answer{Governs: c.first}
	unknown := false
	for i := range p.Triggers {
		f := &c.found[i]
		r.Gaps |= f.gap
		unknown = unknown || f.due == 0 && f.gap != 0
		if f.due == 0 {
			continue
		}
		if r.Earliest == 0 || f.earliest < r.Earliest {
			r.Earliest = f.earliest
		}
		if r.Latest == 0 || f.latest < r.Latest {
			r.Latest = f.latest
		}
	}
	if !c.schedule.backstop {
		r.Gaps |= NoBackstop
	}
	if m := c.a.Mark; m != nil && !m.Done && p.Basis != OneOff {
		r.Gaps |= NeverDone
	}
	unsure := false
	switch {
	case c.never:
		r.Governs, r.Due, r.Earliest, r.Latest = -1, c.base, c.base, c.base
	case c.first >= 0:
		f := &c.found[c.first]
		r.Due, r.Low, r.High, r.Grade, unsure = f.due, f.low, f.high, f.grade, f.unsure
	case unknown:
		r.State = Unknown
	}
	if r.Due != 0 {
		if p.Criticality != S {
			r.Earliest, r.Due, r.Latest = max(r.Earliest, c.a.Skipped), max(r.Due, c.a.Skipped), max(r.Latest, c.a.Skipped)
		}
		switch {
		case c.today > r.Latest:
			r.State = Late
		case c.today >= r.Earliest:
			r.State = InWindow
		case unsure:
			r.State = Unknown
		case c.today >= r.Earliest-ahead:
			r.State = Coming
		}
	}
	return r
}

// answer adds to the verdict what only today's needs.
func (c *considered) answer() Answer {
	r := c.verdict()
	if r.Governs >= 0 {
		r.Missed, r.Next = c.missed(c.schedule.plan.Triggers[r.Governs], &c.found[r.Governs])
	}
	if r.Due != 0 {
		r.OpensAt, r.DueAt, r.LateAt = c.site.Start(r.Earliest), c.site.Start(r.Due), c.site.Start(r.Latest+1)
	}
	r.NextCheckAt = c.nextCheck(&r)
	return r
}

// nextCheck gives the start of the next day on which the answer can differ.
func (c *considered) nextCheck(r *Answer) time.Time {
	var next calendar.Date
	consider := func(d calendar.Date) {
		if d > c.today && (next == 0 || d < next) {
			next = d
		}
	}
	if r.Due != 0 {
		consider(r.Earliest - ahead)
		consider(r.Earliest)
		consider(r.Latest + 1)
	}
	if r.Next != 0 {
		consider(r.Next)
	}
	for i := range c.a.Drivers {
		if c.uses(c.a.Drivers[i].Unit) {
			consider(c.quiet(&c.a.Drivers[i]))
		}
	}
	if m, ok := c.further(r); ok {
		consider(m)
	}
	if next == 0 {
		return time.Time{}
	}
	return c.site.Start(next)
}

func (c *considered) uses(u Unit) bool {
	for _, t := range c.schedule.plan.Triggers {
		if a, ok := t.(AfterUse); ok && a.Unit == u {
			return true
		}
	}
	return false
}

// Room gives the days from now on, inside the window, on which a free stretch of
// that length begins. Blackouts move the plan, never the due day: where there is
// none and it is not yet late, that is a conflict for a person.
func (a Answer) Room(site *Site, hours calendar.Hours, need time.Duration, now time.Time) []calendar.Date {
	if a.Due == 0 {
		return nil
	}
	return hours.Days(site.Place, max(a.Earliest, site.Day(now)), a.Latest, need)
}
