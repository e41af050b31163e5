package demo

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/calendar"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pm"
	"spindlebook/internal/pm/failure"
)

// roundDays is for how many days the operators' rounds are told.
const roundDays = 6

// held are assignments whose last completion came in on paper this morning, so
// that the sweep of half past five raises their work: eleven at four sites.
var held = []struct {
	plan, site string
	n          int
}{{"PM-012", "UMB", 4}, {"PM-013", "DUN", 3}, {"PM-012", "FER", 2}, {"PM-013", "VAN", 2}}

// daily are the plans of each operating day.
var daily = []string{"PM-001", "PM-002", "PM-003", "PM-004", "PM-005"}

// toldOneByOne are plans of one site whose completions are told one by one, with what was
// found.
var toldOneByOne = map[string]bool{"PM-010 UMB": true, "PM-017 UMB": true}

// operators are the site staff who do the rounds.
var operators = map[string]string{"UMB": "P11", "FER": "P11", "DUN": "P12", "PEL": "P13", "THO": "P14", "OST": "P14", "KES": "P15", "VAN": "P16"}

// morning gives the last half past five of the distributor that has come.
func (h *history) morning() time.Time {
	t := h.now.In(h.zone)
	at := time.Date(t.Year(), t.Month(), t.Day(), 5, 30, 0, 0, h.zone)
	if at.After(h.now) {
		at = time.Date(t.Year(), t.Month(), t.Day()-1, 5, 30, 0, 0, h.zone)
	}
	return at
}

// ago gives an evening some days before this morning.
func (h *history) ago(days int) time.Time {
	m := h.morning()
	return time.Date(m.Year(), m.Month(), m.Day()-days, 21, 15, 0, 0, h.zone)
}

// work tells what was done: the last time of most things, as it is known from
// before; one site's inspections with what was found; the operators' rounds of the
// last days; and what came in this morning.
func (h *history) work() error {
	var late, before []pm.Done
	taken := map[string]int{}
	for _, a := range h.all {
		if i := slices.IndexFunc(held, func(x struct {
			plan, site string
			n          int
		}) bool {
			return a.Site != nil && x.plan == a.Plan && x.site == *a.Site
		}); i >= 0 && taken[a.Plan+*a.Site] < held[i].n {
			taken[a.Plan+*a.Site]++
			late = append(late, pm.Done{AssignmentID: &a.ID, At: h.ago(24), Stated: true, Remark: "from the sheet of that evening"}) // a window of 7 days before the 30th opens this morning
			continue
		}
		if at, ok := h.last(a); ok {
			before = append(before, pm.Done{AssignmentID: &a.ID, At: at, Stated: true})
		}
	}
	began := h.ago(roundDays + 1)
	slices.SortStableFunc(before, func(a, b pm.Done) int { return a.At.Compare(b.At) })
	n := slices.IndexFunc(before, func(d pm.Done) bool { return d.At.After(began) })
	if n < 0 {
		n = len(before)
	}
	if err := h.record("demo-before", began, before[:n]); err != nil {
		return err
	}
	if err := h.inspections(); err != nil {
		return err
	}
	if err := h.record("demo-since", h.ago(1), before[n:]); err != nil {
		return err
	}
	if err := h.once("demo-overrides", h.addOverrides); err != nil {
		return err
	}
	for day := roundDays; day > 0; day-- {
		if err := h.rounds(day); err != nil {
			return err
		}
	}
	morning := h.morning()
	if err := h.sweep(morning.Add(-5 * time.Minute)); err != nil {
		return err
	}
	if err := h.once("demo-skips", h.addSkips); err != nil {
		return err
	}
	if err := h.record("demo-sheets", morning, late); err != nil {
		return err
	}
	return h.sweep(morning)
}

// plan gives the row of a plan.
func (h *history) plan(code string) planRow {
	return h.plans[slices.IndexFunc(h.plans, func(p planRow) bool { return p.Code == code })]
}

// perYear gives what a counter at a thing runs in a year, about: only to tell when
// things were done last.
func (h *history) perYear(a assigned, unit string) float64 {
	line, _, _ := strings.Cut(a.Thing, "/")
	vehicles := 0.0
	for _, l := range h.lines {
		if l.Code == line || l.Site == line {
			vehicles += l.PerYear
		}
	}
	switch {
	case unit == "vehicles":
		return vehicles
	case unit == "cycles":
		return 2 * vehicles
	case strings.Contains(a.Thing, "/AIR") || strings.Contains(a.Thing, "/PMP") || strings.Contains(a.Thing, "/HYD"):
		return 1600
	}
	return 700
}

// last gives when an assignment's work was done last, as the scenario has it.
func (h *history) last(a assigned) (time.Time, bool) {
	p := h.plan(a.Plan)
	if a.Plan == "GM-EX" {
		return time.Time{}, false // it counts from when the unit was put in
	}
	if p.Basis == "one_off" || slices.Contains(daily, a.Plan) || a.Site != nil && toldOneByOne[a.Plan+" "+*a.Site] || pick("unknown "+a.Plan+a.Thing, 60) == 0 && p.Criticality != "S" {
		return time.Time{}, false // 1 in 60 nobody knows
	}
	if a.Fitted != nil {
		return *a.Fitted, a.Fitted.After(a.Since)
	}
	interval, from := math.Inf(1), calendar.Date(0)
	today := calendar.DateOf(h.morning())
	var period calendar.Period
	for _, text := range strings.Split(p.Triggers, "; ") {
		word, rest, _ := strings.Cut(text, " ")
		amount, err := strconv.ParseFloat(word, 64)
		switch {
		case word == "season":
			s, bad := calendar.ParseSeason(rest, "season")
			if bad != nil {
				return time.Time{}, false
			}
			year, _, _ := today.Civil()
			first, end := s.Ending(year)
			if first > today {
				_, end = s.Ending(year - 1)
			}
			return h.evening(min(end-calendar.Date(pick(a.Thing, 20)), today-9)), true
		case err == nil && h.perYear(a, rest) > 0:
			interval = min(interval, amount/h.perYear(a, rest)*365)
		case word[0] == 'P':
			period, _ = calendar.ParsePeriod(word, "every")
			interval = min(interval, float64(period.From(today, 1)-today))
			if day, ok := strings.CutPrefix(rest, "from "); ok {
				from, _ = calendar.ParseDate(fmt.Sprintf("%d-%s", h.now.Year()-4, day), "from")
			}
		}
	}
	if math.IsInf(interval, 1) {
		return time.Time{}, false
	}
	dice := pick("last "+a.Plan+a.Thing, 100)
	if p.Basis == "fixed" {
		if from == 0 {
			from = calendar.DateOf(a.Since.In(h.zone))
		}
		n := 0
		for period.From(from, n+1) <= today {
			n++
		}
		if dice < 8 && p.Criticality != "S" && n > 0 {
			n-- // the last one was left out
		}
		return h.done(a, period.From(from, n)-calendar.Date(pick(a.Thing, 3)))
	}
	share := 0.05 + 0.85*float64(pick("share "+a.Plan+a.Thing, 1000))/1000
	switch {
	case p.Criticality == "S" && dice < 2:
		share = 1.02
	case p.Criticality == "S":
	case dice < 6:
		share = 1.12 + float64(dice)/20
	case dice < 16:
		share = 0.97
	}
	return h.done(a, today-calendar.Date(math.Round(interval*share)))
}

// done gives the evening of a day, unless the thing was not there yet.
func (h *history) done(a assigned, day calendar.Date) (time.Time, bool) {
	at := h.evening(min(day, calendar.DateOf(h.morning())-2))
	return at, at.After(a.Since)
}

func (h *history) evening(d calendar.Date) time.Time {
	return calendar.Local(d, 21*time.Hour+15*time.Minute, h.zone)
}

// inspections tells two years of one site's monthly and quarterly looks at each
// brush, with what was found.
func (h *history) inspections() error {
	for month := 24; month > 0; month-- {
		at := h.ago(30*month - 18)
		var done []pm.Done
		for _, a := range h.all {
			if a.Site == nil || !toldOneByOne[a.Plan+" "+*a.Site] || a.Plan == "PM-017" && month%3 != 1 {
				continue
			}
			minutes := 9 + pick(fmt.Sprint(a.Thing, month), 8)
			done = append(done, pm.Done{AssignmentID: &a.ID, At: at.Add(time.Duration(15*len(done)) * time.Minute), Minutes: &minutes, People: []pm.Person{h.people["P04"]}, Answers: h.found(a, month)})
		}
		if err := h.record(fmt.Sprintf("demo-inspection-%d", month), at.Add(9*time.Hour), done); err != nil {
			return err
		}
	}
	return nil
}

// found gives what an inspection found at a brush, some months ago. Now and then
// something is worth a look; the last inspection found two things that raise work.
func (h *history) found(a assigned, month int) (all []pm.Answer) {
	dice := func(what string, n int) int { return pick(fmt.Sprint(what, a.Thing, month), n) }
	say := func(check, found string) { all = append(all, pm.Answer{Check: check, Found: found}) }
	number := func(check string, v float64) { say(check, strconv.FormatFloat(math.Round(v*10)/10, 'f', -1, 64)) }
	if a.Plan == "PM-017" {
		low := 100 - float64(dice("torque", 9))
		if month == 13 && strings.HasSuffix(a.Thing, "WRP-D") {
			low = 84
		}
		number("CK-1701", low)
		number("CK-1702", 0)
		number("CK-1703", 100-float64(dice("frame", 7)))
		if low < 90 {
			all[0].Left = "100"
		}
		return all
	}
	age := float64((24-month+pick("foam "+a.Thing, 12))%12) / 12 // of the foam, which lasts about a year here
	overlap, gap := 101-10*age, 0.5+float64(dice("gap", 12))/10
	if month == 1 && strings.HasSuffix(a.Thing, "WRP-P") {
		overlap = 84
	}
	if month == 1 && strings.HasSuffix(a.Thing, "SBL-P") {
		gap = 3.4
	}
	number("CK-1001", overlap)
	number("CK-1002", 98-14*age)
	number("CK-1003", gap)
	number("CK-1004", 4)
	say("CK-1005", "yes")
	number("CK-1006", 1+float64(dice("rock", 30))/10+map[bool]float64{true: 1.5}[strings.Contains(a.Thing, "RKR-P")])
	say("CK-1007", "dry")
	number("CK-1008", float64(dice("amps", 14))-4)
	say("CK-1009", "yes")
	return all
}

// rounds tells one day of the operators: most of their rounds are done, some are
// missed, and on Fridays some are ticked all at once.
func (h *history) rounds(day int) error {
	morning := h.morning().AddDate(0, 0, -day)
	if err := h.sweep(morning); err != nil {
		return err
	}
	type row struct {
		ID         uuid.UUID
		Plan, Site string
		Thing      string
	}
	open, err := pgdb.Read[row](h.ctx, h.db, access.System.ID, `
select t.id, p.code as plan, s.code as site, coalesce(po.code, l.code) as thing
  from task as t
  join assignment as a on a.id = t.assignment_id
  join plan as p on p.id = a.plan_id
  join site as s on s.id = t.site_id
  left join position as po on po.id = t.position_id
  left join line as l on l.id = t.line_id
 where t.state = 'open' and p.code = any (@plans)
order by p.code, 4`, map[string]any{"plans": daily})
	if err != nil {
		return err
	}
	answers := map[string][]pm.Answer{"PM-001": {{Check: "CK-0101", Found: "pass"}, {Check: "CK-0102", Found: "none"}}, "PM-002": {{Check: "CK-0201", Found: "10"}},
		"PM-003": {{Check: "CK-0301", Found: "none"}}, "PM-004": {{Check: "CK-0401", Found: "0.1"}}}
	var done []pm.Done
	for _, t := range open {
		if pick(fmt.Sprint(morning.Format(time.DateOnly), t.Plan, t.Thing), 100) < 12 || t.Site == "OST" && t.Plan == "PM-005" {
			continue
		}
		at := morning.Add(time.Duration(60+pick(t.Thing, 40)) * time.Minute)
		if t.Plan == "PM-003" || t.Plan == "PM-005" || morning.Weekday() == time.Friday && t.Site == "PEL" {
			at = morning.Add(15*time.Hour + time.Duration(pick(t.Thing, 50))*time.Minute)
		}
		found := answers[t.Plan]
		if t.Plan == "PM-001" && t.Thing == "DUN-2" && day == 3 {
			found = []pm.Answer{{Check: "CK-0101", Found: "pass"}, {Check: "CK-0102", Found: "slight", Note: "second high brush, passenger side"}}
		}
		done = append(done, pm.Done{TaskID: &t.ID, At: at, People: []pm.Person{h.operator(t.Site)}, Answers: found})
	}
	return h.record(fmt.Sprintf("demo-rounds-%d", day), morning.Add(16*time.Hour), done)
}

func (h *history) operator(site string) pm.Person {
	p := h.people[operators[site]]
	p.Skills = []string{"OP"}
	return p
}

// find gives the assignment of a plan at a thing.
func (h *history) find(plan, thing string) (assigned, error) {
	i := slices.IndexFunc(h.all, func(a assigned) bool { return a.Plan == plan && a.Thing == thing })
	if i < 0 {
		return assigned{}, fmt.Errorf("no plan %s at %s", plan, thing)
	}
	return h.all[i], nil
}

// addOverrides shortens two intervals for a time, each for its reason.
func (h *history) addOverrides(tx *gorm.DB) error {
	until := calendar.DateOf(h.morning()) + 150
	for _, o := range []struct {
		plan, thing, reason string
		triggers            []pm.Trigger
	}{
		{"PM-017", "FER-1/WRP-P", "two hub screws were found at 70 percent", []pm.Trigger{{Kind: "every", Every: "P45D"}, {Kind: "after_use", Unit: "vehicles", Amount: 12500}}},
		{"PM-019", "DUN-1/SBH2-D", "the output seal weeps until the unit is exchanged", []pm.Trigger{{Kind: "every", Every: "P30D"}}},
	} {
		a, err := h.find(o.plan, o.thing)
		if err != nil {
			return err
		}
		if _, err := pm.MakeOverride(tx, access.System, h.ago(20), a.ID, pm.NewOverride{Triggers: o.triggers, Until: until, Reason: o.reason}); err != nil {
			return err
		}
	}
	return nil
}

// addSkips puts two open tasks off, each for a reason.
func (h *history) addSkips(tx *gorm.DB) error {
	type row struct {
		ID      uuid.UUID
		Version int
	}
	var open []row
	err := tx.Raw(`
select t.id, t.version from task as t join assignment as a on a.id = t.assignment_id join plan as p on p.id = a.plan_id
 where t.state = 'open' and t.criticality in ('B', 'C') and p.code in ('PM-034', 'PM-022') order by p.code, t.due_on, t.number limit 2`).Scan(&open).Error
	if err != nil {
		return err
	}
	for i, t := range open {
		until := calendar.DateOf(h.morning()) + calendar.Date(21+7*i)
		reason := []string{"the electrician is there in three weeks anyway", "the blowers are not used until the frost"}[i]
		if _, err := pm.SkipTask(tx, access.System, h.morning(), t.ID, t.Version, until, reason); err != nil {
			return err
		}
	}
	return nil
}

// faultRow is a fault of the scenario; its times are told from today.
type faultRow struct {
	Where     string `csv:"where"`
	Says      string `csv:"says"`
	Detected  string `csv:"detected"`
	Before    string `csv:"before"`
	Effect    string `csv:"line_effect"`
	Danger    bool   `csv:"danger"`
	Noticed   string `csv:"noticed"`
	Reported  string `csv:"reported"`
	Stopped   string `csv:"stopped"`
	Restored  string `csv:"restored"`
	By        string `csv:"by"`
	Caller    string `csv:"caller"`
	Mode      string `csv:"mode"`
	Cause     string `csv:"cause"`
	Payer     string `csv:"payer"`
	Remedy    string `csv:"remedy"`
	Hold      string `csv:"hold"`    // what holds meanwhile, where it is fixed for now
	Lasting   string `csv:"lasting"` // within so many days from now it is made lasting
	Withdrawn string `csv:"withdrawn"`
}

// addFaults reports the faults of the scenario, as they were known step by step.
func (h *history) addFaults(tx *gorm.DB) error {
	type row struct {
		ID, SiteID uuid.UUID
		Zone       string
	}
	for _, r := range h.reported {
		place, err := pgdb.One[row](tx, "position", r.Where, `select p.id, p.site_id, s.zone from position as p join site as s on s.id = p.site_id where p.code = @code`, map[string]any{"code": r.Where})
		if err != nil {
			return fmt.Errorf("%s: %w", r.Where, err)
		}
		c, err := newClock(h.now, place.Zone)
		if err != nil {
			return err
		}
		var times [4]*time.Time
		for i, text := range []string{r.Noticed, r.Reported, r.Stopped, r.Restored} {
			if text == "" {
				continue
			}
			at, err := c.at(text)
			if err != nil {
				return err
			}
			times[i] = &at
		}
		who, at := access.System, *times[1]
		if id := h.people[r.By].ActorID; id != nil {
			who.ID = *id
		}
		in := failure.New{SiteID: place.SiteID, PositionID: &place.ID, Mode: r.Mode, Edit: failure.Edit{Says: r.Says, Detected: r.Detected, Before: r.Before, LineEffect: r.Effect, Danger: r.Danger,
			NoticedAt: times[0], ReportedAt: times[1], StoppedAt: times[2], Caller: r.Caller, Payer: r.Payer}}
		if in.StoppedAt != nil && in.StoppedAt.After(at) {
			in.StoppedAt = nil // known later
		}
		f, err := failure.Add(tx, who, at, in)
		if err != nil {
			return err
		}
		if r.Cause != "" {
			last := *f.Last
			if f, err = failure.Find(tx, access.System, at.Add(3*time.Hour), f.ID, failure.NewFinding{Mode: r.Mode, Mechanism: last.Mechanism, Cause: r.Cause}); err != nil {
				return err
			}
		}
		if times[3] != nil || times[2] != nil {
			edit := f.Edit
			edit.StoppedAt, edit.RestoredAt, edit.Remedy = times[2], times[3], r.Remedy
			later := at.Add(4 * time.Hour)
			if times[3] != nil {
				later = times[3].Add(20 * time.Minute)
			}
			if f, err = failure.Say(tx, access.System, later, f.ID, f.Version, edit); err != nil {
				return err
			}
		}
		if r.Hold != "" {
			days, err := strconv.Atoi(r.Lasting)
			if err != nil {
				return err
			}
			if _, err := failure.HoldUntil(tx, access.System, times[3].Add(30*time.Minute), f.ID, r.Hold, calendar.DateOf(h.now.AddDate(0, 0, days)).String()); err != nil {
				return err
			}
		}
		if r.Withdrawn != "" {
			if _, err := failure.Withdraw(tx, access.System, at.Add(26*time.Hour), f.ID, r.Withdrawn); err != nil {
				return err
			}
		}
	}
	return nil
}
