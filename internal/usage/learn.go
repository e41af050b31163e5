package usage

import "time"

// Meter is a meter's history over the days of its site.
type Meter struct {
	History
	Calendar *Calendar
}

// How much must be seen before a factor of one's own counts half.
const (
	halfYears = 2  // of each month
	halfWeeks = 16 // of each weekday: one day scatters more than one month
)

// rounds is how often the factors are fitted in turn; what is not settled by
// then is noise.
const rounds = 12

// Learn gives the profile that a set of meters shows. It keeps the base where
// little was seen: a factor of y years counts y/(y+2). So a pool of one climate
// and size is learnt from the trade's profile with all its meters, and a site's
// own profile from the pool's with its one. Weekdays are learnt from daily
// readings only. Hours and Kappa stay as they are, and so does what the base or
// the calendars hold to be closed. Each meter counts by its time, not by how fast
// it runs; its level may differ between regimes. The calendars are laid with the
// base over the readings.
//
// An increment that spans months is shared out among them as the factors so far
// say, then each factor is set to what its month got; and again. That is
// expectation and maximisation for sums of counts (Richardson, 1972; Lucy, 1974).
func Learn(base Profile, meters []Meter) Profile {
	var seen []stretch
	p := base
	spent := 0.0
	for _, m := range meters {
		for _, regime := range m.regimes() {
			s := m.stretch(regime)
			seen = append(seen, s)
			spent += s.days
		}
	}
	var months, weekdays []class
	for range rounds {
		months = fit(seen, p.Month[:], func(d share) (int, float64) { return int(d.date.Month()) - 1, p.Weekday[d.date.Weekday()] }, false)
		weekdays = fit(seen, p.Weekday[:], func(d share) (int, float64) { return int(d.date.Weekday()), p.Month[d.date.Month()-1] }, true)
		for i, c := range months {
			p.Month[i] *= c.ratio()
		}
		for i, c := range weekdays {
			p.Weekday[i] *= c.ratio()
		}
	}
	blend(p.Month[:], base.Month[:], months, halfYears*365.25/12)
	blend(p.Weekday[:], base.Weekday[:], weekdays, halfWeeks)
	p.Meters, p.Years = len(meters), spent/365.25
	return p
}

// share is a part of an operating day.
type share struct {
	date time.Time
	part float64
}

// counted is what was counted over a stretch of days.
type counted struct {
	days  []share
	units float64
	daily bool
}

// stretch is a meter within one regime, where its level may be taken as one.
type stretch struct {
	counted []counted
	days    float64
}

// regimes splits a meter's readings at its regime changes.
func (m Meter) regimes() [][]Point {
	var all [][]Point
	var now []Point
	for i, p := range m.Points {
		if p.Grade != Read && p.Grade != Computed {
			continue
		}
		if i > 0 && m.broken(m.Points[i-1].At, p.At) {
			all, now = append(all, now), nil
		}
		now = append(now, p)
	}
	return append(all, now)
}

func (m Meter) stretch(points []Point) stretch {
	var s stretch
	for i := 1; i < len(points); i++ {
		a, b := points[i-1], points[i]
		c := counted{days: m.Calendar.shares(a.At, b.At), units: b.Total - a.Total, daily: a.Daily && b.Daily}
		for _, d := range c.days {
			s.days += d.part
		}
		s.counted = append(s.counted, c)
	}
	return s
}

// shares lists the operating days between two instants of the table, with what
// part of each day's use lies between them. Closed days are left out.
func (c *Calendar) shares(from, to time.Time) []share {
	var out []share
	last := len(c.start) - 2
	a, b := max(from.Unix(), c.start[0]), min(to.Unix(), c.start[last+1])
	if a >= b {
		return nil
	}
	for i := c.index(a); i <= last && c.start[i] < b; i++ {
		if c.op[i+1] == c.op[i] {
			continue
		}
		begin, end := max(a, c.start[i]), min(b, c.start[i+1])
		part := 1.0
		if end-begin < c.start[i+1]-c.start[i] {
			upTo := c.op[i+1]
			if end < c.start[i+1] {
				upTo = c.at(time.Unix(end, 0))
			}
			part = (upTo - c.at(time.Unix(begin, 0))) / (c.op[i+1] - c.op[i])
		}
		if part > 0 {
			out = append(out, share{c.first.AddDate(0, 0, i), part})
		}
	}
	return out
}

// class gathers what one month, or one weekday, got and what was expected of it.
type class struct {
	got, expected float64 // in days of use, both weighed by the days' other factor
	days          float64
}

func (c class) ratio() float64 {
	if c.expected > 0 {
		return c.got / c.expected
	}
	return 1
}

// fit shares out what was counted among the classes of its days. of gives a
// day's class and its other factor.
func fit(seen []stretch, factor []float64, of func(share) (int, float64), dailyOnly bool) []class {
	classes := make([]class, len(factor))
	for _, s := range seen {
		units, expected := 0.0, 0.0
		for _, c := range s.counted {
			if c.daily || !dailyOnly {
				units, expected = units+c.units, expected+c.expected(factor, of)
			}
		}
		if units <= 0 || expected <= 0 {
			continue
		}
		level := units / expected
		for _, c := range s.counted {
			if !c.daily && dailyOnly {
				continue
			}
			e := c.expected(factor, of)
			if e <= 0 {
				continue
			}
			for _, d := range c.days {
				k, other := of(d)
				classes[k].expected += d.part * other
				classes[k].got += d.part * other * c.units / level / e
				classes[k].days += d.part
			}
		}
	}
	return classes
}

func (c counted) expected(factor []float64, of func(share) (int, float64)) float64 {
	e := 0.0
	for _, d := range c.days {
		k, other := of(d)
		e += factor[k] * other * d.part
	}
	return e
}

// blend shrinks learnt factors to the base by what was seen of each, and makes
// their mean that of the base.
func blend(learnt, base []float64, seen []class, half float64) {
	for i := range learnt {
		w := seen[i].days / (seen[i].days + half)
		learnt[i] = w*learnt[i] + (1-w)*base[i]
	}
	if scale := sum(base) / sum(learnt); finite(scale) {
		for i := range learnt {
			learnt[i] *= scale
		}
	}
}
