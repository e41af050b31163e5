package demo

import (
	"errors"
	"fmt"
	"math"
	"path"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets/meters"
	"spindlebook/internal/fault"
	"spindlebook/internal/usage/wash"
)

// countedDays is how long counters have been read: two years. What was read
// before the register began came into it on its first day.
const countedDays = 730

// counter is a meter of the scenario: what it counts on each day, and what was
// noted of it.
type counter struct {
	row      meterRow
	code     string
	thing    string // a line or a position
	site     string
	unit     meters.Unit
	id       uuid.UUID
	first    time.Time // the first day, as midnight UTC
	perDay   []float64
	upTo     []float64 // what was counted before each day
	wheels   wash.Counter
	readings []wash.Reading
	events   []wash.Event
	wrong    []*noted // what was noted wrong and counts even so, by when it came in
	// Readings from this instant on wait for somebody to explain them.
	open time.Time
}

// noted is a reading on its way into the register.
type noted struct {
	c       *counter
	at      time.Time
	entered time.Time
	by      string
	source  string
	typed   string
	truth   wash.Reading
	id      uuid.UUID
}

// seed gives chance a beginning that belongs to a text.
func seed(text string) uint64 { return uint64(pick("seed "+text, 1<<27)) }

// dayOf gives a local date as midnight UTC.
func dayOf(t time.Time, loc *time.Location) time.Time {
	y, m, d := t.In(loc).Date()
	return time.Date(y, m, d, 0, 0, 0, 0, time.UTC)
}

// on gives the instant of a local time on a date.
func (c clock) on(day time.Time, minutes int) time.Time {
	y, m, d := day.Date()
	return time.Date(y, m, d, 0, minutes, 0, 0, c.loc)
}

// firstDay gives the day from which on the counters of a site were read.
func (l *loader) firstDay(c clock) time.Time {
	return dayOf(later(l.now.AddDate(0, 0, -countedDays), c.start), c.loc)
}

// wash makes up the vehicles of each line, until today.
func (l *loader) wash() error {
	l.vehicles = map[string][]float64{}
	for _, row := range l.scenario.lines {
		site, c := l.siteRow(row.Code), l.clocks[row.Site]
		first := l.firstDay(c)
		n := int(dayOf(l.now, c.loc).Sub(first).Hours()/24) + 1
		s := wash.Site{Climate: site.Climate, Size: site.Size, Growth: 0.02, Seed: seed(row.Code), Closed: l.closed(row.Site)}
		days, err := wash.Vehicles(s, first, n)
		if err != nil {
			return err
		}
		mean := map[string]float64{"small": 45000, "medium": 100000, "large": 200000}[site.Size] // of package wash
		perDay := make([]float64, n)
		for i, v := range days {
			perDay[i] = float64(v) * row.PerYear / mean
		}
		for _, r := range l.regimes {
			if r.Site != row.Site {
				continue
			}
			at, err := c.at(r.When)
			if err != nil {
				return err
			}
			for i := max(int(dayOf(at, c.loc).Sub(first).Hours()/24), 0); i < n; i++ {
				perDay[i] *= r.Factor
			}
		}
		for i := range perDay {
			perDay[i] = math.Round(perDay[i])
		}
		l.vehicles[row.Code] = perDay
	}
	return nil
}

// closed tells when a site washes nothing: on days without hours, at Christmas
// and on the first day of the year.
func (l *loader) closed(site string) func(time.Time) bool {
	c := l.clocks[site]
	type week struct {
		since time.Time
		open  [8]bool // by the weekday, Monday first
	}
	var weeks []week
	for _, row := range l.hours {
		if row.Site != site || row.Kind != "open" {
			continue
		}
		stretches, err := row.week()
		since, err2 := c.at(row.Since)
		if err != nil || err2 != nil {
			continue // addHours has said so
		}
		if len(weeks) == 0 || !weeks[len(weeks)-1].since.Equal(since) {
			weeks = append(weeks, week{since: since})
		}
		for _, s := range stretches {
			weeks[len(weeks)-1].open[s.Weekday] = true
		}
	}
	return func(day time.Time) bool {
		if day.Month() == time.December && day.Day() == 25 || day.YearDay() == 1 {
			return true
		}
		open := true
		for _, w := range weeks {
			if !w.since.After(c.on(day, 12*60)) {
				open = w.open[(int(day.Weekday())+6)%7+1]
			}
		}
		return !open
	}
}

// addMeters adds what counts, with what it counted on each day.
func (l *loader) addMeters() error {
	if err := l.wash(); err != nil {
		return err
	}
	for _, row := range l.scenario.meters {
		things, err := l.thingsOf(row.Where)
		if err != nil {
			return err
		}
		for _, thing := range things {
			if err := l.addMeter(row, thing); err != nil {
				return fmt.Errorf("%s: %w", thing, err)
			}
		}
	}
	return nil
}

// thingsOf gives the line, or the positions that are like the patterns.
func (l *loader) thingsOf(where string) ([]string, error) {
	var found []string
	for _, pattern := range strings.Fields(where) {
		if _, line := l.lines[pattern]; line {
			found = append(found, pattern)
			continue
		}
		before := len(found)
		for _, code := range l.order {
			if fits, err := path.Match(pattern, code); err != nil {
				return nil, err
			} else if fits && !l.retired(code) {
				found = append(found, code)
			}
		}
		if len(found) == before {
			return nil, fmt.Errorf("nothing is like %s", pattern)
		}
	}
	return found, nil
}

// thing gives what a meter belongs to and since when that is there.
func (l *loader) thing(code string) (meters.Thing, time.Time) {
	if line, is := l.lines[code]; is {
		return meters.Thing{LineID: &line.ID, Primary: true}, line.From
	}
	p := l.positions[code]
	return meters.Thing{PositionID: &p.ID, Primary: true}, p.From
}

func (l *loader) addMeter(row meterRow, thing string) error {
	code := thing
	if i := strings.IndexByte(thing, '/'); i < 0 || row.Suffix != "" {
		code += "/" + row.Suffix
	}
	c := &counter{row: row, code: code, thing: thing, site: siteOf(strings.Split(thing, "/")[0]), unit: meters.Hours}
	if row.Kind == "entrance_counter" || row.Kind == "wash_counter" || row.Kind == "point_of_sale" {
		c.unit = meters.Vehicles
	}
	clock := l.clocks[c.site]
	of, from := l.thing(thing)
	of.Primary = row.Suffix != "POS" && row.Suffix != "WC"
	if err := l.count(c, from); err != nil {
		return err
	}
	added, err := meters.Add(l.tx, access.System, later(from, clock.began), meters.NewMeter{SiteID: l.sites[c.site].ID, From: &from, Unit: c.unit, Thing: of,
		Edit: meters.Edit{Code: code, Kind: row.Kind, Counts: row.Counts, Counter: meters.Counter{Modulus: row.Modulus, Decimals: row.Decimals}}})
	if err != nil {
		return err
	}
	c.id = added.ID
	l.read(c)
	l.counters = append(l.counters, c)
	return nil
}

var zones = map[string]string{"side_brush_low": "side", "side_brush_high": "side", "rocker": "rocker", "wraparound": "wrap", "top_brush": "top", "tyre_brush": "tyre"}

// count makes up what a meter counts on each day.
func (l *loader) count(c *counter, from time.Time) error {
	clock := l.clocks[c.site]
	c.first = l.firstDay(clock)
	var vehicles []float64
	for _, row := range l.scenario.lines {
		if row.Site != c.site || strings.Contains(c.thing, "-") && !strings.HasPrefix(c.thing, row.Code) && !strings.HasPrefix(c.thing, c.site+"/") {
			continue
		}
		if vehicles == nil {
			vehicles = make([]float64, len(l.vehicles[row.Code]))
		}
		for i, v := range l.vehicles[row.Code] {
			vehicles[i] += v
		}
	}
	whole := make([]int, len(vehicles))
	for i, v := range vehicles {
		whole[i] = int(v)
	}
	switch size := l.siteRow(c.thing).Size; c.row.Runs {
	case "vehicles":
		c.perDay = vehicles
	case "till":
		for _, n := range wash.PointOfSale(whole, c.first, seed(c.code)) {
			c.perDay = append(c.perDay, float64(n))
		}
	case "brush", "side":
		zone := zones[l.positions[c.thing].Kind]
		if zone == "" {
			zone = "side"
		}
		var err error
		if c.perDay, err = wash.RunHours(size, zone, whole); err != nil {
			return err
		}
	case "air": // keeps the pressure, and gives what the vehicles take
		for _, v := range vehicles {
			hours := 0.0
			if v > 0 {
				hours = min(1.5+v*0.012, 20)
			}
			c.perDay = append(c.perDay, hours)
		}
	case "pump":
		for _, v := range vehicles {
			c.perDay = append(c.perDay, v*40/3600)
		}
	default:
		return fmt.Errorf("nothing runs by %q", c.row.Runs)
	}
	if err := l.parked(c); err != nil {
		return err
	}
	if skip := int(dayOf(from, clock.loc).Sub(c.first).Hours()/24) + 1; skip > 1 { // it came later
		c.first, c.perDay = c.first.AddDate(0, 0, skip), c.perDay[skip:]
	}
	c.upTo = make([]float64, len(c.perDay)+1)
	for i, n := range c.perDay {
		c.upTo[i+1] = c.upTo[i] + n
	}
	return nil
}

// parked lets nothing run on days on which its position was not in service.
func (l *loader) parked(c *counter) error {
	clock := l.clocks[c.site]
	stopped, state := 0, "in_service"
	stop := func(until int) {
		if state != "in_service" {
			for i := max(stopped, 0); i < min(until, len(c.perDay)); i++ {
				c.perDay[i] = 0
			}
		}
	}
	for _, row := range l.states {
		if row.Position != c.thing {
			continue
		}
		at, err := clock.at(row.When)
		if err != nil {
			return err
		}
		day := int(dayOf(at, clock.loc).Sub(c.first).Hours() / 24)
		stop(day)
		stopped, state = day, row.State
	}
	stop(len(c.perDay))
	return nil
}

// read makes up what was noted of a counter and what befell it.
func (l *loader) read(c *counter) {
	w := wash.Counter{Every: c.row.Every, Step: 1, Seed: seed("wheels " + c.code), Batched: c.row.By == "paper", Faultless: c.row.By == "gateway"}
	w.Start = 1000 + float64(pick("start "+c.code, 80))*100
	if c.unit == meters.Vehicles {
		w.Start = 20000 + float64(pick("start "+c.code, 60000))
	}
	if c.row.Decimals > 0 {
		w.Step = 0.1
	}
	if c.row.Modulus != "" {
		w.Modulus, _ = strconv.ParseFloat(c.row.Modulus, 64)
		w.Start = math.Mod(w.Start, w.Modulus)
	}
	last := len(c.perDay) - 1
	var then *meterStateRow
	for i := range l.befalls {
		if l.befalls[i].Meter == c.code {
			then = &l.befalls[i]
		}
	}
	if then != nil && then.What == "rolls over" {
		day := last - then.Days
		for day > 0 && c.perDay[day] == 0 {
			day--
		}
		w.Start = w.Modulus*math.Ceil(c.upTo[day+1]/w.Modulus) - c.upTo[day] - math.Ceil(c.perDay[day]/2)
	}
	c.wheels = w
	c.readings, c.events = w.Readings(c.perDay, c.first)
	if then != nil {
		l.befall(c, *then, last-then.Days)
	}
}

// befall lets happen to a counter what the scenario wants of it.
func (l *loader) befall(c *counter, then meterStateRow, day int) {
	on := c.first.AddDate(0, 0, day)
	clock := l.clocks[c.site]
	switch then.What {
	case "rolls over":
		c.open = clock.on(on.AddDate(0, 0, -5), 0)
	case "quiet":
		c.readings = slices.DeleteFunc(c.readings, func(x wash.Reading) bool { return x.Seen.After(on) })
	case "stuck", "replaced", "reset":
		w := c.wheels
		w.Faultless = true
		before, _ := w.Readings(c.perDay[:day], c.first)
		e := wash.Event{On: on, Last: c.floor(c.raw(day, 0)), First: 0, Happening: wash.Happening(then.What)}
		c.events = []wash.Event{e}
		c.readings = before
		for i := day + (w.Every-day%w.Every)%w.Every; i < len(c.perDay); i += w.Every {
			at := c.first.AddDate(0, 0, i)
			v := c.floor(c.shown(i, 1))
			c.readings = append(c.readings, wash.Reading{Seen: at, Dated: at, Entered: at, Value: v, Shown: v})
		}
	case "ten times", "swapped":
		c.readings = slices.DeleteFunc(c.readings, func(x wash.Reading) bool {
			return !x.Seen.Before(on.AddDate(0, 0, -1)) || !x.Entered.Before(on.AddDate(0, 0, -1))
		})
		x := wash.Reading{Seen: on, Dated: on, Entered: on, Shown: c.floor(c.shown(day, 1)), Mistake: wash.TenTimes}
		x.Value = 10 * x.Shown
		if then.What == "swapped" {
			x.Value, x.Mistake = fallen(x.Shown), wash.Swapped
		}
		c.readings = append(c.readings, x)
		c.open = clock.on(on, 0)
	}
}

// fallen exchanges the first two neighbouring digits that make a number smaller.
func fallen(v float64) float64 {
	whole := []byte(strconv.FormatFloat(math.Floor(v), 'f', 0, 64))
	for i := 0; i+1 < len(whole); i++ {
		if whole[i] > whole[i+1] && (i > 0 || whole[1] != '0') && len(whole)-i > 2 { // by hundreds: it must fall below what was read before
			whole[i], whole[i+1] = whole[i+1], whole[i]
			n, _ := strconv.ParseFloat(string(whole), 64) // digits
			return n + v - math.Floor(v)
		}
	}
	return v - 100 // its digits rise: one was misread
}

func (c *counter) floor(v float64) float64 {
	return math.Floor(v/c.wheels.Step+1e-9) * c.wheels.Step
}

// raw is what the wheels would show a part of a day on, had nothing befallen them.
func (c *counter) raw(day int, part float64) float64 {
	v := c.wheels.Start + c.upTo[day]
	if day < len(c.perDay) {
		v += part * c.perDay[day]
	}
	if c.wheels.Modulus > 0 {
		v = math.Mod(v, c.wheels.Modulus)
	}
	return v
}

// shown is what they do show.
func (c *counter) shown(day int, part float64) float64 {
	base, since, stuck := c.wheels.Start, 0, false
	for _, e := range c.events {
		on := int(e.On.Sub(c.first).Hours() / 24)
		switch {
		case on > day:
		case e.Happening == wash.Stuck:
			base, stuck = e.Last, true
		default:
			base, since, stuck = e.First, on, false
		}
	}
	if stuck {
		return base
	}
	v := base + c.upTo[day] - c.upTo[since] + part*c.perDay[day]
	if c.wheels.Modulus > 0 {
		v = math.Mod(v, c.wheels.Modulus)
	}
	return v
}

func (c *counter) typed(v float64) string {
	return strconv.FormatFloat(v, 'f', c.row.Decimals, 64)
}

// joined is a counter that somebody exchanged, and wrote down what both showed.
type joined struct {
	c  *counter
	at time.Time
	e  wash.Event
}

// addReadings records the regime changes, the shares and then what was noted, as
// it came in: what is older than the register on its first day, then by the fortnight,
// by the week and lately by the day. After each some of what did not fit is explained.
func (l *loader) addReadings() error {
	if err := l.addRegimesAndShares(); err != nil {
		return err
	}
	all, exchanged := l.noted()
	truth := map[uuid.UUID]*noted{}
	home := l.clocks[l.places[0].Site]
	for len(all) > 0 {
		end := window(all[0].entered, home)
		n := 1
		for n < len(all) && !all[n].entered.After(end) {
			n++
		}
		for len(exchanged) > 0 && !exchanged[0].at.After(end) {
			if err := l.join(end, exchanged[0]); err != nil {
				return err
			}
			exchanged = exchanged[1:]
		}
		if err := l.take(end, all[:n], truth); err != nil {
			return err
		}
		all = all[n:]
	}
	return nil
}

// window gives when what was entered at an instant is in the register.
func window(entered time.Time, home clock) time.Time {
	if !entered.After(home.began) {
		return home.began
	}
	length := 14 * 24 * time.Hour
	switch {
	case entered.After(home.now.AddDate(0, 0, -7)):
		length = 24 * time.Hour
	case entered.After(home.now.AddDate(0, 0, -60)):
		length = 7 * 24 * time.Hour
	}
	end := home.began.Add((entered.Sub(home.began) + length - 1) / length * length)
	if end.After(home.now) {
		return home.now
	}
	return end
}

func (l *loader) addRegimesAndShares() error {
	for _, row := range l.regimes {
		at, err := l.clocks[row.Site].at(row.When)
		if err != nil {
			return err
		}
		if _, err := meters.ChangeRegime(l.tx, access.System, at, l.sites[row.Site].ID, nil, at, row.Why); err != nil {
			return err
		}
	}
	for _, row := range l.shares {
		for _, code := range strings.Fields(row.Positions) {
			at, err := l.clockOf(code).at(row.From)
			if err != nil {
				return err
			}
			if _, err := meters.SetShare(l.tx, access.System, later(at, l.clockOf(code).began), l.positions[code].ID, row.Share, at, row.Reason); err != nil {
				return fmt.Errorf("%s: %w", code, err)
			}
		}
	}
	return nil
}

// noted gives what was noted of all counters by when it was entered, and the
// counters that were exchanged.
func (l *loader) noted() ([]*noted, []joined) {
	var all []*noted
	var exchanged []joined
	for _, c := range l.counters {
		clock := l.clocks[c.site]
		minutes := 20*60 + 10 + pick("minute "+c.code, 40)
		for _, e := range c.events {
			if e.Happening == wash.Replaced {
				exchanged = append(exchanged, joined{c, clock.on(e.On, 5*60+30), e})
			}
		}
		for i, x := range c.readings {
			n := &noted{c: c, at: clock.on(x.Dated, minutes), entered: clock.on(x.Entered, minutes+20), by: c.row.By, source: "eye", typed: c.typed(x.Value), truth: x}
			switch {
			case n.by == "gateway":
				n.by, n.source = c.site, "gateway"
			case n.by == "paper":
				n.by = "P13"
			case i%9 == 4:
				n.source = "photo"
			}
			if n.at.After(l.now) || n.entered.After(l.now) {
				continue
			}
			if c.wheels.Modulus > 0 && x.Value >= c.wheels.Modulus {
				continue // refused, and read again the next time
			}
			all = append(all, n)
		}
		all = append(all, l.atSwaps(c)...)
	}
	slices.SortStableFunc(all, func(a, b *noted) int {
		if d := a.entered.Compare(b.entered); d != 0 {
			return d
		}
		return strings.Compare(a.c.code, b.c.code)
	})
	slices.SortStableFunc(exchanged, func(a, b joined) int { return a.at.Compare(b.at) })
	return all, exchanged
}

// atSwaps gives what was read beside each swap: the counter of the position and
// that of its line.
func (l *loader) atSwaps(c *counter) []*noted {
	clock := l.clocks[c.site]
	done := map[string]bool{}
	var all []*noted
	for _, row := range l.swaps {
		line, _, _ := strings.Cut(row.Position, "/")
		if done[row.Job] || row.Position != c.thing && line != c.thing || c.row.Suffix != "H" && c.row.Suffix != "TC" || c.row.By == "paper" {
			continue
		}
		at, err := clock.at(row.When)
		if err != nil || at.After(l.now) {
			continue
		}
		day := int(dayOf(at, clock.loc).Sub(c.first).Hours() / 24)
		if day < 0 || day >= len(c.perDay) {
			continue
		}
		done[row.Job] = true
		hour := float64(at.In(clock.loc).Hour()) + float64(at.In(clock.loc).Minute())/60
		v := c.floor(c.shown(day, min(max((hour-8)/12, 0), 1)))
		x := wash.Reading{Seen: c.first.AddDate(0, 0, day), Value: v, Shown: v}
		all = append(all, &noted{c: c, at: at, entered: at.Add(time.Hour), by: "P03", source: "eye", typed: c.typed(v), truth: x})
	}
	return all
}

// as gives somebody of the scenario who acts with all rights: what they did not
// have they would not have used.
func (l *loader) as(who string) access.Actor {
	a := access.System
	if id, known := l.actors[who]; known {
		a.ID = id
	}
	return a
}

// explainer says what is behind what does not fit: the dispatcher, who chases readings.
const explainer = "P08"

func (l *loader) join(now time.Time, j joined) error {
	if j.at.Before(l.clocks[j.c.site].start) {
		return nil
	}
	err := l.tx.Transaction(func(tx *gorm.DB) error {
		_, err := meters.Joined(tx, l.as("P03"), now, j.c.id, meters.Join{At: j.at, How: "replaced", OldLast: j.c.typed(j.e.Last), NewFirst: j.c.typed(j.e.First),
			Counter: meters.Counter{Modulus: j.c.row.Modulus, Decimals: j.c.row.Decimals, Serial: serial(j.c.code)}, Reason: "Wheels worn; new counter"})
		return err
	})
	return unlessFault(err)
}

// unlessFault forgives what breaks a rule of the register: it is explained later,
// with the first reading of the new counter.
func unlessFault(err error) error {
	if _, broken := errors.AsType[*fault.Error](err); broken {
		return nil
	}
	return err
}

// take records what was entered in a window, each part by whoever entered it,
// and explains what did not fit.
func (l *loader) take(now time.Time, all []*noted, truth map[uuid.UUID]*noted) error {
	byWhom := map[string][]*noted{}
	var order []string
	for _, n := range all {
		if byWhom[n.by] == nil {
			order = append(order, n.by)
		}
		byWhom[n.by] = append(byWhom[n.by], n)
	}
	slices.Sort(order) // gateways by their sites' letters, before the people: vehicles before hours
	slices.SortStableFunc(order, func(a, b string) int { return len(b) - len(a) })
	slices.SortStableFunc(order, func(a, b string) int { return strings.Compare(kindOf(a), kindOf(b)) })
	var doubted []*counter
	for _, by := range order {
		part := byWhom[by]
		in := make([]meters.NewReading, len(part))
		for i, n := range part {
			in[i] = meters.NewReading{MeterID: n.c.id, At: n.at, Value: n.typed, Source: n.source}
		}
		taken, err := meters.Take(l.tx, l.as(by), now, in)
		if err != nil {
			return err
		}
		for i, t := range taken {
			n := part[i]
			n.id = t.ReadingID
			switch t.Outcome {
			case meters.Took:
				truth[n.id] = n
				if n.truth.Value != n.truth.Shown {
					n.c.wrong = append(n.c.wrong, n)
				}
			case meters.NeedsExplanation, meters.Quarantined:
				truth[n.id] = n
				if !slices.Contains(doubted, n.c) {
					doubted = append(doubted, n.c)
				}
			case meters.Refused:
				if n.truth.Value == n.truth.Shown {
					return fmt.Errorf("%s of %s was refused: %w", n.typed, n.c.code, t.Fault)
				}
			}
		}
	}
	for _, c := range doubted {
		if err := l.settle(now, c, truth); err != nil {
			return fmt.Errorf("%s: %w", c.code, err)
		}
	}
	return nil
}

func kindOf(by string) string {
	if len(by) == 3 && by[0] == 'P' && by[1] >= '0' && by[1] <= '9' {
		return "person"
	}
	return "gateway"
}

// settle explains what waits of a counter, the earliest first, but for what the
// scenario leaves to whoever looks at it.
func (l *loader) settle(now time.Time, c *counter, truth map[uuid.UUID]*noted) error {
	type row struct {
		ID    uuid.UUID
		At    time.Time
		Doubt string
	}
	var before uuid.UUID
	for range 400 {
		var w []row
		if err := l.tx.Raw(`select id, at, doubt from reading where meter_id = ? and state in ('doubtful', 'quarantined') order by at limit 1`, c.id).Scan(&w).Error; err != nil {
			return err
		}
		if len(w) == 0 || !c.open.IsZero() && !w[0].At.Before(c.open) {
			return nil
		}
		id, n := w[0].ID, truth[w[0].ID]
		which, e := id, meters.Explanation{}
		if n != nil && id != before {
			which, e = l.behind(c, n, w[0].Doubt)
		}
		wrong := truth[which]
		done := false
		if e.As != "" {
			err := l.tx.Transaction(func(tx *gorm.DB) error {
				got, err := meters.Explain(tx, l.as(explainer), now, which, e)
				if err == nil && got.ID != which { // another took its place
					right := *wrong
					right.id, right.truth.Value = got.ID, right.truth.Shown
					truth[got.ID] = &right
				}
				return err
			})
			if err = unlessFault(err); err != nil {
				return err
			}
			done = true
			if which != id {
				c.wrong = slices.DeleteFunc(c.wrong, func(w *noted) bool { return w.id == which })
				before = uuid.Nil
				continue
			}
		}
		if !done || id == before {
			if err := l.tx.Transaction(func(tx *gorm.DB) error {
				_, err := meters.Void(tx, l.as(explainer), now, id, "Nobody can tell any more what was read")
				return err
			}); err != nil {
				return err
			}
		}
		before = id
	}
	return nil
}

// behind tells what is behind a reading that waits: a mistake of its own, what
// befell the counter since the one before, or a mistake that was taken for right.
func (l *loader) behind(c *counter, n *noted, doubt string) (uuid.UUID, meters.Explanation) {
	x := n.truth
	if x.Value != x.Shown {
		reason := map[wash.Mistake]string{wash.Swapped: "Digits exchanged", wash.TenTimes: "Tenths typed as whole ones", wash.Neighbour: "Read on the one beside it",
			wash.Guessed: "Was a guess; read anew from the photo"}[x.Mistake]
		return n.id, meters.Explanation{As: "mistyped", Value: c.typed(x.Shown), Reason: reason}
	}
	if x.Mistake == wash.DatedLate {
		seen := l.clocks[c.site].on(x.Seen, n.at.In(l.clocks[c.site].loc).Hour()*60+n.at.Minute())
		return n.id, meters.Explanation{As: "mistyped", SeenAt: &seen, Reason: "Dated when it was typed"}
	}
	if doubt == "falls" || doubt == "too_fast" {
		for _, w := range slices.Backward(c.wrong) {
			if w.at.Before(n.at) {
				return w.id, meters.Explanation{As: "mistyped", Value: c.typed(w.truth.Shown), Reason: "Was wrong, as the next one shows"}
			}
		}
	}
	if doubt == "falls" {
		for _, e := range slices.Backward(c.events) {
			at := l.clocks[c.site].on(e.On, 6*60)
			if at.After(n.at) || e.Happening == wash.Stuck {
				continue
			}
			if n.at.Sub(at) > 70*24*time.Hour {
				break
			}
			how := map[wash.Happening]string{wash.Reset: "controller_reset", wash.Replaced: "replaced"}[e.Happening]
			return n.id, meters.Explanation{As: how, At: &at, OldLast: c.typed(e.Last), NewFirst: c.typed(e.First),
				Counter: meters.Counter{Modulus: c.row.Modulus, Decimals: c.row.Decimals}, Reason: "Program loaded after a breakdown"}
		}
		if c.rolledBy(n.truth.Seen) {
			return n.id, meters.Explanation{As: "rolled_over"}
		}
	}
	if doubt == "too_fast" || doubt == "below_next" || doubt == "ratio" {
		if c.stuckOn(n.truth.Seen) {
			return n.id, meters.Explanation{} // void: the counter stood still
		}
		return n.id, meters.Explanation{As: "as_seen", Reason: "Looked at again"}
	}
	return n.id, meters.Explanation{}
}

// rolledBy tells whether the wheels began again at zero in the ten weeks up to a
// day, or since something befell them in that time.
func (c *counter) rolledBy(day time.Time) bool {
	if c.wheels.Modulus == 0 {
		return false
	}
	on := int(day.Sub(c.first).Hours() / 24)
	base, since := c.wheels.Start, 0
	for _, e := range c.events {
		if at := int(e.On.Sub(c.first).Hours() / 24); at <= on && e.Happening != wash.Stuck {
			base, since = e.First, at
		}
	}
	rounds := func(day int) float64 {
		return math.Floor((base + c.upTo[max(day, since)] - c.upTo[since]) / c.wheels.Modulus)
	}
	return rounds(on+1) > rounds(on-70)
}

func (c *counter) stuckOn(day time.Time) bool {
	stuck := false
	for _, e := range c.events {
		if !e.On.After(day) {
			stuck = e.Happening == wash.Stuck
		}
	}
	return stuck
}

// addComputed adds the meters that nobody reads.
func (l *loader) addComputed() error {
	ids := map[string]uuid.UUID{}
	for _, c := range l.counters {
		ids[c.code] = c.id
	}
	for _, row := range l.computed {
		c := l.clockOf(row.Thing)
		from, err := c.at(row.From)
		if err != nil {
			return err
		}
		id, known := ids[row.Code]
		if !known {
			thing, since := l.thing(row.Thing)
			m, err := meters.Add(l.tx, access.System, later(since, c.began), meters.NewMeter{SiteID: l.sites[siteOf(strings.Split(row.Thing, "/")[0])].ID, From: &since,
				Unit: meters.Unit(row.Unit), Thing: thing, Edit: meters.Edit{Code: row.Code, Kind: "computed", Counts: row.Counts}})
			if err != nil {
				return fmt.Errorf("%s: %w", row.Code, err)
			}
			id = m.ID
			ids[row.Code] = id
		}
		f := meters.NewFormula{From: from}
		for _, s := range strings.Fields(row.Sources) {
			f.Terms = append(f.Terms, meters.Term{MeterID: ids[s], Weight: 1})
		}
		if row.Ratio != "" {
			if f.Ratio, err = strconv.ParseFloat(row.Ratio, 64); err != nil {
				return err
			}
		} else {
			learn := ids[row.Learn]
			f.LearnFrom = &learn
		}
		if _, err := meters.Derive(l.tx, access.System, later(from, c.began), id, f); err != nil {
			return fmt.Errorf("%s: %w", row.Code, err)
		}
	}
	return nil
}
