package due

import (
	"slices"

	"spindlebook/internal/calendar"
)

// grid is a row of dates without completion: of a fixed interval, a rule, or the
// seasons of the years.
type grid struct {
	period calendar.Period // of an interval from
	from   calendar.Date
	dates  []calendar.Date // of a rule
	season calendar.Season
}

func (c *considered) grid(t Trigger) grid {
	switch t := t.(type) {
	case Every:
		from := c.a.Grid
		if from == 0 {
			from = t.From
		}
		if from == 0 {
			from = c.site.Day(c.a.Since)
		}
		return grid{period: t.Period, from: from}
	case OncePerSeason:
		return grid{season: t.Season}
	}
	return grid{dates: c.schedule.dates}
}

// after gives the first date after d, and the day on which its own window opens
// without tolerance; both zero where the row has ended.
func (g *grid) after(d calendar.Date) (open, due calendar.Date) {
	switch {
	case g.from != 0:
		due = g.nth(g.count(d))
		return due, due
	case g.dates != nil:
		i, _ := slices.BinarySearch(g.dates, d+1)
		if i == len(g.dates) {
			return 0, 0
		}
		return g.dates[i], g.dates[i]
	}
	year, _, _ := d.Civil()
	for {
		if open, due = g.season.Ending(year); due > d {
			return open, due
		}
		year++
	}
}

// before gives the last date before d; zero where d is the first.
func (g *grid) before(d calendar.Date) calendar.Date {
	switch {
	case g.from != 0:
		n := g.count(d - 1)
		if n == 0 {
			return 0
		}
		return g.nth(n - 1)
	case g.dates != nil:
		i, _ := slices.BinarySearch(g.dates, d)
		if i == 0 {
			return 0
		}
		return g.dates[i-1]
	}
	year, _, _ := d.Civil()
	for {
		if _, due := g.season.Ending(year); due < d {
			return due
		}
		year--
	}
}

// between counts the dates after one day and up to another.
func (g *grid) between(after, upTo calendar.Date) int {
	switch {
	case upTo <= after:
		return 0
	case g.from != 0:
		return g.count(upTo) - g.count(after)
	case g.dates != nil:
		i, _ := slices.BinarySearch(g.dates, after+1)
		j, _ := slices.BinarySearch(g.dates, upTo+1)
		return j - i
	}
	n := 0
	for _, due := g.after(after); due <= upTo; _, due = g.after(due) {
		n++
	}
	return n
}

func (g *grid) nth(n int) calendar.Date { return g.period.From(g.from, n) }

// count gives how many dates of an interval's grid lie up to d.
func (g *grid) count(d calendar.Date) int {
	if d < g.from {
		return 0
	}
	mean := float64(g.period.Months)*30.436875 + float64(g.period.Days)
	n := int(float64(d-g.from) / mean)
	for n > 0 && g.nth(n) > d {
		n--
	}
	for g.nth(n) <= d {
		n++
	}
	return n
}

// missed counts the dates after the due one that have come as well, and gives
// the next after today.
func (c *considered) missed(t Trigger, f *found) (n int, next calendar.Date) {
	switch t := t.(type) {
	case EachOperatingDay:
		for d := c.undone(); d < f.due; d++ { // the days that ended undone
			if c.site.Closed == nil || !c.site.Closed(d) {
				n++
			}
		}
		return n, c.works(max(c.today, f.due) + 1)
	case AfterUse:
		return max(int(f.used/t.Amount)-1, 0), 0
	case OnCrossing:
		return 0, 0
	case Every:
		if c.schedule.plan.Basis != Fixed {
			g := grid{period: t.Period, from: c.base}
			return g.between(f.due, c.today), 0
		}
	}
	g := c.grid(t)
	_, next = g.after(max(c.today, f.due))
	return g.between(f.due, c.today), next
}

// further gives the next day on which one more date of a floating interval will
// have come.
func (c *considered) further(r *Answer) (calendar.Date, bool) {
	if r.Governs < 0 {
		return 0, false
	}
	e, ok := c.schedule.plan.Triggers[r.Governs].(Every)
	if !ok || c.schedule.plan.Basis == Fixed {
		return 0, false
	}
	g := grid{period: e.Period, from: c.base}
	_, next := g.after(max(c.today, c.found[r.Governs].due))
	return next, true
}
