package due

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"spindlebook/internal/calendar"
	"spindlebook/internal/fault"
)

// Basis says from where a plan counts.
type Basis string

// The bases.
const (
	Floating Basis = "floating" // from the last completion
	Fixed    Basis = "fixed"    // on a grid of dates
	OneOff   Basis = "one_off"  // once, from the job that gave rise to it
)

// Criticality says what comes of doing it late.
type Criticality string

// The criticalities, the gravest first. S is for safety and for the law.
const (
	S Criticality = "S"
	A Criticality = "A"
	B Criticality = "B"
	C Criticality = "C"
)

// Unit is what a counter counts.
type Unit string

// The units; Days is of calendar triggers and of no counter.
const (
	Vehicles Unit = "vehicles"
	RunHours Unit = "run_hours"
	Cycles   Unit = "cycles"
	Days     Unit = "days"
)

func (u Unit) words() string { return strings.ReplaceAll(string(u), "_", " ") }

// Trigger is one reason for which a plan's work falls due.
type Trigger interface {
	// check names the field below that of the trigger and the rule that is broken.
	check(field string) *fault.Error
	words() string
}

// Every is an interval by the calendar, in days or months.
type Every struct {
	Period calendar.Period
	// From is the first day of a fixed grid: 31 October for what must be done
	// before winter. Without it the grid counts from the day on which the
	// assignment began. Floating plans have none.
	From calendar.Date
}

// OnDates is a rule of RFC 5545 that gives days; it is a grid on any basis.
type OnDates struct {
	Rule string
	From calendar.Date // its start, DTSTART
}

// EachOperatingDay is due each day on which the site works, and ends as missed
// when its day turns.
type EachOperatingDay struct{}

// OncePerSeason is due by the last day of a window of each year and may be done
// from its first; it is a grid on any basis.
type OncePerSeason struct{ Season calendar.Season }

// AfterUse is an interval by a counter.
type AfterUse struct {
	Unit   Unit
	Amount float64
}

// OnCrossing is due at once when a recorded check crossed its limit, and until the
// work is done.
type OnCrossing struct{ Check string }

// Tolerance is how much earlier or later than its due day work counts as on time:
// days, or a share of the interval.
type Tolerance struct {
	Days    int
	Percent float64
}

// Plan is a version of a plan as somebody wrote it.
type Plan struct {
	Triggers    []Trigger
	Basis       Basis
	Early, Late Tolerance
	Criticality Criticality
}

// mostTriggers bounds a plan; two are usual.
const mostTriggers = 8

// Schedule is a plan that was checked. It never changes and may be shared.
type Schedule struct {
	plan     Plan
	dates    []calendar.Date // of the plan's rule
	backstop bool            // some trigger is by the calendar
}

// New checks a plan. The fault names the field, the value and the rule.
func New(p Plan) (*Schedule, error) {
	s := &Schedule{plan: p}
	s.plan.Triggers = slices.Clone(p.Triggers)
	var faults []*fault.Error
	for i, t := range p.Triggers {
		if t == nil {
			t = Every{}
		}
		faults = append(faults, t.check(fmt.Sprintf("triggers[%d]", i)))
	}
	faults = append(faults, p.Early.check("early"), p.Late.check("late"), p.known())
	if err := fault.Collect(faults...); err != nil {
		return nil, err
	}
	for i, t := range p.Triggers {
		if on, ok := t.(OnDates); ok {
			rule, _ := calendar.ParseRule(on.Rule, "")
			s.dates = slices.Collect(rule.Dates(on.From))
			if len(s.dates) == 0 {
				return nil, fault.Field(fmt.Sprintf("triggers[%d].rule", i), on.Rule, "gives no date in the 60 years from %s on", on.From)
			}
		}
		s.backstop = s.backstop || byCalendar(t)
	}
	if err := fault.Collect(p.together(s)); err != nil {
		return nil, err
	}
	return s, nil
}

// Plan gives what was checked.
func (s *Schedule) Plan() Plan {
	p := s.plan
	p.Triggers = slices.Clone(p.Triggers)
	return p
}

// Criticality gives that of the plan.
func (s *Schedule) Criticality() Criticality { return s.plan.Criticality }

// Backstop tells whether some trigger is by the calendar. A plan that has only
// counters and conditions is allowed and is a finding.
func (s *Schedule) Backstop() bool { return s.backstop }

func byCalendar(t Trigger) bool {
	switch t.(type) {
	case Every, OnDates, EachOperatingDay, OncePerSeason:
		return true
	}
	return false
}

// grid tells whether a trigger is a grid of dates in the plan.
func (p *Plan) grid(t Trigger) bool {
	switch t.(type) {
	case Every:
		return p.Basis == Fixed
	case OnDates, OncePerSeason:
		return true
	}
	return false
}

func (e Every) check(field string) *fault.Error {
	p := e.Period
	if p.Exact != 0 || p.Months < 0 || p.Days < 0 || p.Months == 0 && p.Days == 0 || shortest(p) > 60*366 {
		return fault.Field(field+".every", p, "is whole days or months, at least a day and at most 60 years: P30D, P6M")
	}
	return nil
}

// shortest gives the least days that a period can have.
func shortest(p calendar.Period) int {
	days := p.Months/12*365 + p.Days
	if p.Months%12 > 0 {
		days += p.Months%12*30 - 2 // over February
	}
	return days
}

func (o OnDates) check(field string) *fault.Error {
	if o.From == 0 {
		return fault.Field(field+".from", "", "is needed: the day on which the rule starts, YYYY-MM-DD")
	}
	_, f := calendar.ParseRule(o.Rule, field+".rule")
	return f
}

func (EachOperatingDay) check(string) *fault.Error { return nil }

func (o OncePerSeason) check(field string) *fault.Error {
	if !o.Season.Real() {
		return fault.Field(field+".season", o.Season, "is two days of a year, such as 10-01/11-15")
	}
	if first, last := o.Season.Ending(2000); last-first >= 364 {
		return fault.Field(field+".season", o.Season, "is a part of the year, not all of it")
	}
	return nil
}

func (a AfterUse) check(field string) *fault.Error {
	if a.Unit != Vehicles && a.Unit != RunHours && a.Unit != Cycles {
		return fault.Field(field+".unit", a.Unit, "is one of %s, %s, %s", Vehicles, RunHours, Cycles)
	}
	if !(a.Amount > 0) || a.Amount > 1e9 {
		return fault.Field(field+".amount", a.Amount, "is more than 0 %s and at most 1,000,000,000", a.Unit.words())
	}
	return nil
}

func (o OnCrossing) check(field string) *fault.Error {
	if o.Check == "" {
		return fault.Field(field+".check", "", "names the check whose limit is watched")
	}
	return nil
}

func (t Tolerance) check(field string) *fault.Error {
	switch {
	case t.Days < 0 || t.Days > 366:
		return fault.Field(field+".days", t.Days, "is 0 to 366 days")
	case !(t.Percent >= 0) || t.Percent >= 100:
		return fault.Field(field+".percent", t.Percent, "is 0 or more and less than 100 percent of the interval")
	case t.Days > 0 && t.Percent > 0:
		return fault.Field(field, fmt.Sprintf("%d days and %v percent", t.Days, t.Percent), "is days or a share of the interval, not both")
	}
	return nil
}

func (p *Plan) known() *fault.Error {
	switch {
	case p.Basis != Floating && p.Basis != Fixed && p.Basis != OneOff:
		return fault.Field("basis", p.Basis, "is one of %s, %s, %s", Floating, Fixed, OneOff)
	case p.Criticality != S && p.Criticality != A && p.Criticality != B && p.Criticality != C:
		return fault.Field("criticality", p.Criticality, "is one of S, A, B, C")
	case len(p.Triggers) == 0:
		return fault.Field("triggers", "", "is empty: such a plan never falls due; give at least one trigger")
	case len(p.Triggers) > mostTriggers:
		return fault.Field("triggers", len(p.Triggers), "holds at most %d", mostTriggers)
	}
	return nil
}

// together checks what single fields cannot show.
func (p *Plan) together(s *Schedule) *fault.Error {
	var every, grids, days int
	for i, t := range p.Triggers {
		field := fmt.Sprintf("triggers[%d]", i)
		for _, other := range p.Triggers[:i] {
			if kind(t) == kind(other) {
				return fault.Field(field, t.words(), "is there already as %q; the shorter one decides, so give one", other.words())
			}
		}
		switch t := t.(type) {
		case Every:
			every++
			if t.From != 0 && p.Basis != Fixed {
				return fault.Field(field+".from", t.From, "belongs to a fixed grid; this plan counts from its last completion")
			}
		case EachOperatingDay:
			days++
		}
		if p.grid(t) {
			grids++
		}
		if p.Basis == OneOff && p.grid(t) || p.Basis == OneOff && days > 0 {
			return fault.Field(field, t.words(), "comes again and again; one-off work counts days or use from the job that gave rise to it")
		}
		if f := p.narrow(t, s.dates); f != nil {
			return f
		}
	}
	switch {
	case grids > 1:
		return fault.Field("triggers", grids, "holds one grid of dates; join them in one rule")
	case days > 0 && len(p.Triggers) > 1:
		return fault.Field("triggers", "each operating day", "stands alone: nothing comes sooner")
	case days > 0 && (p.Early != Tolerance{} || p.Late.Percent > 0 || p.Late.Days > 6):
		return fault.Field("early", p.Early.Days, "work of each operating day has no early window, and 0 to 6 days of late window")
	case p.Basis == Fixed && grids+days == 0:
		return fault.Field("basis", p.Basis, "needs a trigger by dates; use alone counts from its last completion, which is %s", Floating)
	case p.Criticality == S && p.Late != Tolerance{}:
		return fault.Field("late", p.Late.words(), "is nothing for criticality S: safety and legal work has no late window")
	case p.Criticality == S && !s.backstop:
		return fault.Field("triggers", p.Triggers[0].words(), "needs one by the calendar beside it: work of criticality S never rests on a forecast alone")
	}
	return nil
}

// kind tells triggers apart of which a plan has one each.
func kind(t Trigger) string {
	if u, ok := t.(AfterUse); ok {
		return string(u.Unit)
	}
	if c, ok := t.(OnCrossing); ok {
		return "crossing " + c.Check
	}
	return fmt.Sprintf("%T", t)
}

// narrow holds that windows do not overlap: what is done in one must not be early
// for the next.
func (p *Plan) narrow(t Trigger, dates []calendar.Date) *fault.Error {
	interval, tell := math.MaxInt, t.words()
	switch t := t.(type) {
	case Every:
		interval = shortest(t.Period)
	case OnDates:
		for i := 1; i < len(dates); i++ {
			interval = min(interval, int(dates[i]-dates[i-1]))
		}
	case OncePerSeason:
		first, last := t.Season.Ending(2001)
		interval = 365 - int(last-first)
	default:
		interval = math.MaxInt
	}
	if p.Basis == OneOff && p.Early.Days < interval {
		return nil // nothing comes after it
	}
	if p.Early.Days+p.Late.Days >= interval {
		return fault.Field("early", fmt.Sprintf("%d days early and %d late", p.Early.Days, p.Late.Days),
			"make a window as long as the interval of %d days (%s) or longer; give less", interval, tell)
	}
	if p.Early.Percent+p.Late.Percent >= 100 {
		return fault.Field("early", fmt.Sprintf("%v percent early and %v late", p.Early.Percent, p.Late.Percent), "make a window as long as the interval or longer; give less")
	}
	if _, every := t.(Every); !every && p.grid(t) && (p.Early.Percent > 0 || p.Late.Percent > 0) {
		return fault.Field("early", p.Early.words(), "is in days where dates are given (%s)", tell)
	}
	return nil
}

// Override replaces intervals of one assignment until a day, for a reason. It
// holds for the intervals that begin by its last day, so that no day of
// expiry makes work late at once.
type Override struct {
	schedule *Schedule
	Until    calendar.Date
	Reason   string
}

// Override makes one. Each trigger replaces that of its kind. Of criticality S
// intervals are only shortened.
func (s *Schedule) Override(triggers []Trigger, until calendar.Date, reason string) (*Override, error) {
	p := s.Plan()
	for i, t := range triggers {
		at := slices.IndexFunc(p.Triggers, func(o Trigger) bool { return t != nil && kind(o) == kind(t) })
		field := fmt.Sprintf("triggers[%d]", i)
		if at < 0 {
			return nil, fault.Field(field, t, "replaces none of the plan's triggers")
		}
		switch new := t.(type) {
		case Every:
			old := p.Triggers[at].(Every)
			if new.From == 0 {
				new.From, t = old.From, Every{new.Period, old.From}
			}
			if p.Criticality == S && shortest(new.Period) > shortest(old.Period) {
				return nil, fault.Field(field+".every", new.Period, "is at most %s: an interval of criticality S is only shortened", old.Period)
			}
		case AfterUse:
			if old := p.Triggers[at].(AfterUse); p.Criticality == S && new.Amount > old.Amount {
				return nil, fault.Field(field+".amount", new.Amount, "is at most %v: an interval of criticality S is only shortened", old.Amount)
			}
		default:
			return nil, fault.Field(field, t.words(), "is no interval; a new version of the plan changes it")
		}
		p.Triggers[at] = t
	}
	switch {
	case len(triggers) == 0:
		return nil, fault.Field("triggers", "", "is empty; give the interval that holds instead")
	case until == 0:
		return nil, fault.Field("until", "", "is needed: the last day on which an interval may begin with it")
	case strings.TrimSpace(reason) == "":
		return nil, fault.Field("reason", reason, "is needed")
	}
	schedule, err := New(p)
	if f, ok := err.(*fault.Error); ok && f.Field == "early" { // the interval is what was given, not the window
		for i, t := range triggers {
			if p.narrow(t, nil) != nil {
				return nil, fault.Field(fmt.Sprintf("triggers[%d]", i), t.words(), "must be longer than the window of the plan: %s", f.Value)
			}
		}
	}
	if err != nil {
		return nil, err
	}
	return &Override{schedule, until, reason}, nil
}
