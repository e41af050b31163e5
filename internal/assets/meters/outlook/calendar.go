// Package outlook tells how fast meters run and when they will have counted so
// much more. It lays what package meters has on record over the site's own days
// and asks package usage, which decides. Amounts leave the exact numbers of the
// record only here: a forecast is in hours, vehicles or cycles, with a fraction.
//
// Of reads the calendars of sites once for a request; Ahead looks ahead from many
// meters in a number of statements that does not grow with them. Refit learns the
// profiles anew and Backtest holds forecasts against what came.
package outlook

import (
	"context"
	"fmt"
	"time"

	"github.com/google/uuid"

	"spindlebook/internal/access"
	"spindlebook/internal/assets/meters"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/usage"
)

// How far a calendar is laid to both sides of the year of an instant. Beyond it
// every day counts as one. It is laid by whole years, so that what is far ahead
// does not wander from day to day.
const (
	yearsBack  = 3
	yearsAhead = 3
)

// Calendars are the days of sites, as their profiles, their week and the hour at
// which their day turns make them. It serves one request: it is for one goroutine,
// and what is changed meanwhile is not seen.
type Calendars struct {
	from, until time.Time
	sites       map[uuid.UUID]meters.Site
	weeks       map[uuid.UUID][]openDay
	pooled      map[pool]usage.Profile
	own         map[ofSite]usage.Profile
	laid        map[ofSite]*usage.Calendar
	without     bool // lay the trade's profiles, or those of pooled, whatever a site has of its own
}

// pool is what a profile is learnt for.
type pool struct {
	climate, size string
	unit          meters.Unit
}

type ofSite struct {
	site uuid.UUID
	unit meters.Unit
}

// openDay is a weekday on which a site is open over a time.
type openDay struct {
	weekday     time.Weekday
	from, until time.Time // zero where it has no end
}

// A site is open on the days for which it has hours; one without any is open always.
const openDays = `
select s.id as site_id, s.zone, s.climate, s.size, to_char(s.day_turns_at, 'HH24:MI') as turns_at, h.weekday::integer as weekday,
       lower(h.during) as "from", upper(h.during) as until
  from site as s
  left join weekly_hours as h on h.site_id = s.id and h.kind = 'open' and h.during && tstzrange(@from, @until)
 where s.id = any (@of)
order by s.id`

// The pooled rows of the climates and sizes of these sites, and the sites' own.
const profileOf = `
select u.site_id, u.climate, u.size, u.unit, u.part, u.ordinal, u.factor, u.meters, u.years, u.computed_at
  from usage_profile as u
 where u.site_id = any (@of)
    or (u.climate, u.size) in (select s.climate, s.size from site as s where s.id = any (@of))`

// Of reads the calendars of sites around an instant, in two statements.
func Of(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, sites ...uuid.UUID) (*Calendars, error) {
	c := &Calendars{from: time.Date(now.Year()-yearsBack, 1, 1, 0, 0, 0, 0, time.UTC), until: time.Date(now.Year()+yearsAhead, 1, 1, 0, 0, 0, 0, time.UTC), sites: map[uuid.UUID]meters.Site{},
		weeks: map[uuid.UUID][]openDay{}, pooled: map[pool]usage.Profile{}, own: map[ofSite]usage.Profile{}, laid: map[ofSite]*usage.Calendar{}}
	type day struct {
		SiteID  uuid.UUID
		Zone    string
		Climate string
		Size    string
		TurnsAt string
		Weekday *int
		From    *time.Time
		Until   *time.Time
	}
	if sites == nil {
		sites = []uuid.UUID{}
	}
	days, err := pgdb.Read[day](ctx, db, who.ID, openDays, map[string]any{"of": sites, "from": c.from, "until": c.until})
	if err != nil {
		return nil, err
	}
	for _, d := range days {
		c.sites[d.SiteID] = meters.Site{ID: d.SiteID, Zone: d.Zone, Climate: d.Climate, Size: d.Size, TurnsAt: d.TurnsAt}
		if d.Weekday == nil {
			continue
		}
		o := openDay{weekday: time.Weekday(*d.Weekday % 7)}
		if d.From != nil {
			o.from = *d.From
		}
		if d.Until != nil {
			o.until = *d.Until
		}
		c.weeks[d.SiteID] = append(c.weeks[d.SiteID], o)
	}
	rows, err := pgdb.Read[meters.Factor](ctx, db, who.ID, profileOf, map[string]any{"of": sites})
	if err != nil {
		return nil, err
	}
	return c, c.learnt(rows)
}

// learnt puts the rows of profiles together; what no row says is as in the trade.
func (c *Calendars) learnt(rows []meters.Factor) error {
	for _, r := range rows {
		if r.SiteID != nil {
			continue
		}
		k := pool{*r.Climate, *r.Size, r.Unit}
		p, err := c.pool(k)
		if err != nil {
			return err
		}
		set(&p, r)
		c.pooled[k] = p
	}
	for _, r := range rows {
		if r.SiteID == nil {
			continue
		}
		k := ofSite{*r.SiteID, r.Unit}
		p, known := c.own[k]
		if !known {
			s := c.sites[k.site]
			var err error
			if p, err = c.pool(pool{s.Climate, s.Size, r.Unit}); err != nil {
				return err
			}
		}
		set(&p, r)
		c.own[k] = p
	}
	return nil
}

// set puts one factor into a profile.
func set(p *usage.Profile, r meters.Factor) {
	switch i := r.Ordinal; {
	case r.Part == "month" && i >= 1 && i <= 12:
		p.Month[i-1] = r.Factor
	case r.Part == "weekday" && i >= 1 && i <= 7:
		p.Weekday[i%7] = r.Factor
	case r.Part == "hour" && i >= 0 && i <= 23:
		p.Hour[i] = r.Factor
	case r.Part == "kappa":
		p.Kappa = r.Factor
	}
	p.Meters, p.Years = r.Meters, r.Years
}

// pool gives the profile of a climate, a size and a unit: the learnt one, or the trade's.
func (c *Calendars) pool(k pool) (usage.Profile, error) {
	if p, known := c.pooled[k]; known {
		return p, nil
	}
	return usage.TradeProfile(k.climate, k.size)
}

// profile gives what is laid over the days of a site.
func (c *Calendars) profile(s meters.Site, unit meters.Unit) (usage.Profile, error) {
	if p, known := c.own[ofSite{s.ID, unit}]; known && !c.without {
		return p, nil
	}
	return c.pool(pool{s.Climate, s.Size, unit})
}

// At gives the calendar of a site for what is counted in a unit.
func (c *Calendars) At(s meters.Site, unit meters.Unit) (*usage.Calendar, error) {
	k := ofSite{s.ID, unit}
	if laid := c.laid[k]; laid != nil {
		return laid, nil
	}
	zone, err := time.LoadLocation(s.Zone)
	if err != nil {
		return nil, fmt.Errorf("the zone of a site: %w", err)
	}
	turns, err := time.Parse("15:04", s.TurnsAt)
	if err != nil {
		return nil, fmt.Errorf("the hour at which the day of a site turns: %w", err)
	}
	p, err := c.profile(s, unit)
	if err != nil {
		return nil, err
	}
	place := usage.Place{Zone: zone, Turns: time.Duration(turns.Hour())*time.Hour + time.Duration(turns.Minute())*time.Minute, Closed: closed(c.weeks[s.ID], zone)}
	laid, err := usage.NewCalendar(p, place, c.from, c.until)
	if err != nil {
		return nil, err
	}
	c.laid[k] = laid
	return laid, nil
}

// Site gives a site as it was read; ok is false for one that was not asked for or is not seen.
func (c *Calendars) Site(id uuid.UUID) (s meters.Site, ok bool) {
	s, ok = c.sites[id]
	return s, ok
}

// Closed tells on which local dates, given as midnight UTC, a site does not work.
// Nil is never.
func (c *Calendars) Closed(id uuid.UUID) (func(date time.Time) bool, error) {
	zone, err := time.LoadLocation(c.sites[id].Zone)
	if err != nil {
		return nil, fmt.Errorf("the zone of a site: %w", err)
	}
	return closed(c.weeks[id], zone), nil
}

// Scale is a meters.Scale: a total between two readings lies where the site's own
// days of what is counted put it, and stands still on a day on which it is closed.
func (c *Calendars) Scale(s meters.Site, unit meters.Unit) (meters.Days, error) { return c.At(s, unit) }

// closed tells on which dates a site has no hours, though it had them on other
// days of that week. Nil is never.
func closed(week []openDay, zone *time.Location) func(time.Time) bool {
	if len(week) == 0 {
		return nil
	}
	return func(date time.Time) bool {
		y, m, d := date.Date()
		noon := time.Date(y, m, d, 12, 0, 0, 0, zone)
		some := false
		for _, o := range week {
			if !o.from.IsZero() && o.from.After(noon) || !o.until.IsZero() && !o.until.After(noon) {
				continue
			}
			if o.weekday == date.Weekday() {
				return false
			}
			some = true
		}
		return some
	}
}
