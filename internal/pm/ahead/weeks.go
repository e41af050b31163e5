package ahead

import (
	"slices"
	"time"

	"spindlebook/internal/calendar"
	"spindlebook/internal/pm/due"
)

// Load is an amount of work.
type Load struct {
	Jobs        int
	Hours       float64 // from beginning to end
	PersonHours float64
	DownHours   float64 // in which the line would have washed and does not
}

func (l *Load) add(o Load) {
	l.Jobs += o.Jobs
	l.Hours += o.Hours
	l.PersonHours += o.PersonHours
	l.DownHours += o.DownHours
}

// Week is the work of a week.
type Week struct {
	Monday calendar.Date
	Load
	Of      [4]Load   // by criticality: S, A, B, C
	Skills  []float64 // person-hours, by the programme's Skills
	Covered int       // times at which larger work answers smaller, which is not in the load
}

// Weeks is the work ahead by weeks of ISO 8601, which begin on Monday, without a
// gap. The first is the one that holds today, and what is late is in it.
type Weeks struct {
	Weeks   []Week
	Undated int // pieces of work of which nobody can tell when they fall due
}

// Weeks sums what is expected at a site by the weeks in which it is done.
func (p *Programme) Weeks(works []Work, site *due.Site, now time.Time, until calendar.Date) Weeks {
	w := p.empty(site.Day(now), until)
	w.Undated = p.Each(works, site, now, until, func(e *Expected) { w.take(p, e) })
	return w
}

func (p *Programme) empty(today, until calendar.Date) Weeks {
	until = max(min(until, today+due.Horizon), today)
	first := today - monday(today)
	n := int(until-first)/7 + 1
	w := Weeks{Weeks: make([]Week, n)}
	skills := make([]float64, n*len(p.skills))
	for i := range w.Weeks {
		w.Weeks[i].Monday = first + calendar.Date(7*i)
		w.Weeks[i].Skills, skills = skills[:len(p.skills):len(p.skills)], skills[len(p.skills):]
	}
	return w
}

// monday tells how many days after Monday a day lies.
func monday(d calendar.Date) calendar.Date { return calendar.Date(d.Weekday()+6) % 7 }

func (w *Weeks) take(p *Programme, e *Expected) {
	i := int(e.Done-w.Weeks[0].Monday) / 7
	if i >= len(w.Weeks) {
		return
	}
	week, k := &w.Weeks[i], &p.kinds[e.Work.Kind]
	if e.Covered {
		week.Covered++
		return
	}
	hours := k.Minutes / 60
	l := Load{Jobs: 1, Hours: hours, PersonHours: hours * float64(len(k.Crew))}
	if k.LineDown {
		l.DownHours = hours
	}
	week.add(l)
	week.Of[grave(e.Work.Schedule.Criticality())].add(l)
	for _, s := range p.crew[e.Work.Kind] {
		week.Skills[s] += hours
	}
}

func grave(c due.Criticality) int {
	return slices.Index([]due.Criticality{due.S, due.A, due.B, due.C}, c)
}

// Total gives the sum of all weeks; its Monday is the first.
func (w Weeks) Total() Week {
	all := Week{}
	for i, o := range w.Weeks {
		if i == 0 {
			all.Monday, all.Skills = o.Monday, make([]float64, len(o.Skills))
		}
		all.join(&o)
	}
	return all
}

// Add joins the work of another site, of the same programme and the same weeks.
// What the other has further on is left out.
func (w *Weeks) Add(o Weeks) {
	w.Undated += o.Undated
	for i := range o.Weeks {
		if at := int(o.Weeks[i].Monday-w.Weeks[0].Monday) / 7; at >= 0 && at < len(w.Weeks) {
			w.Weeks[at].join(&o.Weeks[i])
		}
	}
}

func (w *Week) join(o *Week) {
	w.add(o.Load)
	for i := range w.Of {
		w.Of[i].add(o.Of[i])
	}
	for i := range w.Skills {
		w.Skills[i] += o.Skills[i]
	}
	w.Covered += o.Covered
}

// WhatIf gives the weeks as they are, and as they were if a plan had another
// schedule, a draft's. The last completions and overrides stay what they are.
func (p *Programme) WhatIf(works []Work, site *due.Site, now time.Time, until calendar.Date, plan int, draft *due.Schedule) (today, then Weeks) {
	changed := slices.Clone(works)
	for i := range changed {
		if changed[i].Plan == plan {
			changed[i].Schedule = draft
		}
	}
	return p.Weeks(works, site, now, until), p.Weeks(changed, site, now, until)
}
