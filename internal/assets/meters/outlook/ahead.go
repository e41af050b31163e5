package outlook

import (
	"context"
	"math"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"spindlebook/internal/access"
	"spindlebook/internal/assets/meters"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/usage"
)

// lookBack is how far back a rate needs readings, with a little more so that the
// first of the window is among them.
const lookBack = 401 * 24 * time.Hour

// latestRead is by when a meter is to be read again at the latest, however
// seldom it has been.
const latestRead = 45 * 24 * time.Hour

// View is how a meter runs and what is to be expected of it.
type View struct {
	Unit   meters.Unit
	Site   meters.Site
	Points []meters.Point // of the last 400 days, by time
	Breaks []meters.Break
	Rate   usage.Rate
	// Every is the time between its latest readings, as a rule; 0 with fewer than three.
	Every    time.Duration
	outlook  usage.Outlook
	calendar *usage.Calendar
}

// Ahead looks ahead from meters, by meter, in at most five statements. A meter
// that the actor does not see is left out; c holds the calendars of their sites.
func Ahead(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, c *Calendars, ids ...uuid.UUID) (map[uuid.UUID]*View, error) {
	since := now.Add(-lookBack)
	all, err := meters.Histories(ctx, db, who, ids, since)
	if err != nil {
		return nil, err
	}
	if err := computed(ctx, db, who, now, c, all, since); err != nil {
		return nil, err
	}
	views := make(map[uuid.UUID]*View, len(all))
	for id, h := range all {
		v, err := viewOf(h, c, now)
		if err != nil {
			return nil, err
		}
		views[id] = v
	}
	return views, nil
}

// computed gives meters that nobody reads points of their own: what they stood at
// in each week in which what they are computed from was read.
func computed(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, c *Calendars, all map[uuid.UUID]*meters.History, since time.Time) error {
	var asks []meters.Ask
	for id, h := range all {
		if len(h.Points) > 0 {
			continue
		}
		for at := since; at.Before(now); at = at.Add(7 * 24 * time.Hour) {
			asks = append(asks, meters.Ask{MeterID: id, At: at})
		}
		asks = append(asks, meters.Ask{MeterID: id, At: now})
	}
	totals, err := meters.Totals(ctx, db, who, c.Scale, asks)
	if err != nil {
		return err
	}
	for _, a := range asks {
		t, h := totals[a], all[a.MeterID]
		if t.Grade != meters.Computed || t.ReadAt == nil || len(h.Points) > 0 && !t.ReadAt.After(h.Points[len(h.Points)-1].At) {
			continue // not computed by then, or from nothing new
		}
		h.Points = append(h.Points, meters.Point{At: a.At, Total: t.Amount, Grade: t.Grade})
	}
	return nil
}

func viewOf(h *meters.History, c *Calendars, now time.Time) (*View, error) {
	calendar, err := c.At(h.Site, h.Unit)
	if err != nil {
		return nil, err
	}
	v := &View{Unit: h.Unit, Site: h.Site, Points: h.Points, Breaks: h.Breaks, Every: every(h.Points), calendar: calendar}
	past := history(h)
	// as of its last reading, so that what is expected does not wander while nobody reads
	asOf := now
	if n := len(past.Points); n > 0 {
		asOf = past.Points[n-1].At
		for _, b := range past.Breaks {
			if b.At.After(asOf) && !b.At.After(now) {
				asOf = b.At
			}
		}
	}
	if v.Rate, err = usage.Measure(past, calendar, asOf); err != nil {
		return nil, err
	}
	if n := len(past.Points); n > 0 {
		v.outlook = v.Rate.Outlook(calendar, past.Points[n-1])
	}
	return v, nil
}

// nextDay is the longest between two readings of neighbouring days.
const nextDay = 28 * time.Hour

// history gives what a forecast learns from.
func history(h *meters.History) usage.History {
	past := usage.History{Points: make([]usage.Point, len(h.Points))}
	for i, p := range h.Points {
		past.Points[i] = usage.Point{At: p.At, Total: InUnits(h.Unit, p.Total), Grade: usage.Grade(p.Grade - meters.Seen),
			Daily: i > 0 && p.At.Sub(h.Points[i-1].At) <= nextDay || i+1 < len(h.Points) && h.Points[i+1].At.Sub(p.At) <= nextDay}
	}
	for _, b := range h.Breaks {
		past.Breaks = append(past.Breaks, usage.Break{At: b.At, Why: b.Reason})
	}
	slices.SortFunc(past.Breaks, func(a, b usage.Break) int { return a.At.Compare(b.At) })
	return past
}

// InUnits gives an amount in hours, vehicles or cycles.
func InUnits(u meters.Unit, amount int64) float64 {
	if u == meters.Hours {
		return float64(amount) / 3600
	}
	return float64(amount)
}

// Amount is the inverse of InUnits, rounded to a whole number of what is kept.
func Amount(u meters.Unit, units float64) int64 {
	if u == meters.Hours {
		units *= 3600
	}
	return int64(math.Round(units))
}

// every gives the middle of the last eight times between readings of different days.
func every(points []meters.Point) time.Duration {
	var gaps []time.Duration
	for i := len(points) - 1; i > 0 && len(gaps) < 8; i-- {
		if d := points[i].At.Sub(points[i-1].At); d > 12*time.Hour {
			gaps = append(gaps, d)
		}
	}
	if len(gaps) < 2 {
		return 0
	}
	slices.Sort(gaps)
	return gaps[len(gaps)/2]
}

// Known tells whether anything was read.
func (v *View) Known() bool { return len(v.Points) > 0 }

// Last is the latest reading that counts. There must be one.
func (v *View) Last() meters.Point { return v.Points[len(v.Points)-1] }

// Next is when the next reading is expected: as often as it has been read, and
// within 45 days. Zero where it was never read.
func (v *View) Next() time.Time {
	if !v.Known() {
		return time.Time{}
	}
	wait := v.Every
	if wait == 0 || wait > latestRead {
		wait = latestRead
	}
	return v.Last().At.Add(wait)
}

// Pace says in words how much it runs a day now: "about 345 a day in this
// season", "about 2.4 h a day". "" where it is not known.
func (v *View) Pace(now time.Time) string {
	if !v.Known() || !(v.Rate.PerDay > 0) {
		return ""
	}
	if v.Unit == meters.Hours {
		return strings.Replace(v.outlook.Pace(now), " a day", " h a day", 1)
	}
	return v.outlook.Pace(now)
}

// Forecast tells when it will have counted so many units more than at its last reading.
func (v *View) Forecast(units float64) usage.Forecast { return v.outlook.Forecast(units) }

// Part looks ahead from what a share of the meter's count comes to, given how much
// that was at its last reading. There must be one.
func (v *View) Part(share, atLast float64) (usage.Point, usage.Outlook) {
	last := v.Last()
	p := usage.Point{At: last.At, Total: atLast, Grade: usage.Grade(last.Grade - meters.Seen)}
	r := v.Rate
	r.PerDay, r.Sigma, r.Middle = r.PerDay*share, r.Sigma*share, r.Middle*share
	return p, r.Outlook(v.calendar, p)
}

// Sentence explains a forecast in words, as the end of a sentence.
func (v *View) Sentence(f usage.Forecast, now time.Time) string {
	word := "count"
	if v.Unit == meters.Hours {
		word = "hour meter"
	}
	return v.outlook.Sentence(f, now, word)
}

// Fan gives n bands of the total, from the last reading until an instant.
func (v *View) Fan(until time.Time, n int) []usage.Band { return v.outlook.Fan(until, n) }

// Expect gives the range of totals in which it should stand at an instant, with
// 10, 50 and 90 % probability. ok is false where that is not known.
func (v *View) Expect(at time.Time) (b usage.Band, ok bool) {
	if !v.Known() || v.Rate.Basis != usage.Measured {
		return b, false
	}
	return v.outlook.At(at), true
}

// Milestone gives a round total that lies some weeks ahead, in units; 0 where it
// does not run.
func (v *View) Milestone() float64 {
	if !v.Known() || !(v.Rate.PerDay > 0) {
		return 0
	}
	step, wanted := 1.0, 45*v.Rate.PerDay
	for ten := 1e-2; ; ten *= 10 {
		if step = ten; step >= wanted {
			break
		}
		if step = 2 * ten; step >= wanted {
			break
		}
		if step = 5 * ten; step >= wanted {
			break
		}
	}
	last := InUnits(v.Unit, v.Last().Total)
	next := (math.Floor(last/step) + 1) * step
	if next-last < step/4 {
		next += step
	}
	return next
}
