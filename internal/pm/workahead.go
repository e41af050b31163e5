package pm

import (
	"context"
	"slices"
	"time"

	"github.com/google/uuid"

	"spindlebook/internal/access"
	"spindlebook/internal/calendar"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pm/ahead"
	"spindlebook/internal/pm/due"
)

// MostWeeks is how far ahead work is told: two years.
const MostWeeks = 105

// AheadFilter says what work ahead is asked for.
type AheadFilter struct {
	SiteID *uuid.UUID // nil for every site in scope
	Weeks  int        // from 1 to MostWeeks, this one counted
	Draft  *uuid.UUID // a version of a plan, to see what it would change
}

// SiteAhead is the work ahead at a site by weeks, in hours.
type SiteAhead struct {
	ID         uuid.UUID
	Code, Name string
	Weeks      []ahead.Week
	Undated    int // pieces of work of which nobody can tell when they fall due
	// Draft is the same under the draft that was named, nil where none was.
	Draft []ahead.Week
}

// Ahead is the work ahead at some sites.
type Ahead struct {
	Skills []string // of the person-hours of each week
	Sites  []SiteAhead
}

// A site is told of to whoever has it now: what comes is no matter of a former owner's.
const sitesNow = `
select id, code, name from site
 where (@everywhere or id = any (@sites) and cast((select actor_spans()) ->> id::text as tstzmultirange) @> cast(@now as timestamptz))
   and (cast(@site as uuid) is null or id = @site) and code > @after
order by code
 limit @limit`

const effortNow = `
select id, code, people, skills, minutes_typical, line_state from procedure_now where version_id is not null and not is_block order by code`

const followUpsNow = `
select p.id as procedure_id, f.plan_id, f.condition
  from procedure_now as p
  join procedure_follow_up as f on f.version_id = p.version_id
order by p.code, f.plan_id`

const placesAt = `
select id, site_id, line_id, kind from position_now where site_id = any (@sites) and until is null order by site_id, code`

// WorkAhead tells all the work that is expected at sites, by weeks, without what
// larger work answers; a page of sites at a time, in a number of statements that
// does not grow with them. The key of a page is a site's code.
func WorkAhead(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, f AheadFilter, p Page) (Ahead, error) {
	var out Ahead
	if f.Weeks < 1 || f.Weeks > MostWeeks {
		return out, fault.Field("query.weeks", f.Weeks, "is a number of weeks from 1 to %d", MostWeeks)
	}
	plans, err := programmeNow(ctx, db)
	if err != nil {
		return out, err
	}
	var draft *PlanVersion
	var under *due.Schedule
	if f.Draft != nil {
		if err := who.Must(access.Plan); err != nil {
			return out, err
		}
		v, err := OnePlanVersion(ctx, db, who, *f.Draft)
		if err != nil {
			return out, err
		}
		if under, err = v.Terms.Schedule(); err != nil {
			return out, err
		}
		draft = &v
	}
	sites, err := pgdb.Read[struct {
		ID         uuid.UUID
		Code, Name string
	}](ctx, db, who.ID, sitesNow, who.Scope(map[string]any{"now": now, "site": f.SiteID, "after": p.After, "limit": p.Limit}))
	if err != nil {
		return out, err
	}
	if f.SiteID != nil && len(sites) == 0 && p.After == "" {
		return out, fault.Missing("site", f.SiteID.String())
	}
	e, err := effort(ctx, db, plans)
	if err != nil {
		return out, err
	}
	out.Skills = e.programme.Skills()
	ids := make([]uuid.UUID, len(sites))
	for i, s := range sites {
		ids[i] = s.ID
	}
	works, places, err := e.works(ctx, db, now, plans, ids)
	if err != nil {
		return out, err
	}
	for _, s := range sites {
		place := places[s.ID]
		it := SiteAhead{ID: s.ID, Code: s.Code, Name: s.Name}
		if place == nil {
			place = &due.Site{Place: calendar.Place{Zone: time.UTC, Turns: 3 * time.Hour}}
		}
		today := place.Day(now)
		until := today - calendar.Date(today.Weekday()+6)%7 + calendar.Date(7*f.Weeks) - 1
		weeks := e.programme.Weeks(works[s.ID], place, now, until)
		it.Weeks, it.Undated = weeks.Weeks, weeks.Undated
		if draft != nil {
			_, then := e.programme.WhatIf(works[s.ID], place, now, until, e.plans[draft.PlanID], under)
			it.Draft = then.Weeks
		}
		out.Sites = append(out.Sites, it)
	}
	return out, nil
}

// efforts is the programme as package ahead takes it.
type efforts struct {
	programme *ahead.Programme
	kinds     map[uuid.UUID]int // by procedure
	plans     map[uuid.UUID]int // by plan
}

// effort reads what each procedure takes, what it covers and what follows it.
func effort(ctx context.Context, db *pgdb.DB, plans programme) (efforts, error) {
	e := efforts{kinds: map[uuid.UUID]int{}, plans: map[uuid.UUID]int{}}
	rows, err := sys[struct {
		ID             uuid.UUID
		Code           string
		People         int
		Skills         []string
		MinutesTypical int
		LineState      string
	}](ctx, db, effortNow, nil)
	if err != nil {
		return e, err
	}
	kinds := make([]ahead.Kind, len(rows))
	for i, r := range rows {
		crew := slices.Clone(r.Skills)
		for len(crew) > 0 && len(crew) < r.People {
			crew = append(crew, crew[len(crew)-1])
		}
		kinds[i] = ahead.Kind{Name: r.Code, Minutes: float64(r.MinutesTypical), Crew: crew, LineDown: r.LineState == "line_down"}
		e.kinds[r.ID] = i
	}
	edges, err := sys[edge](ctx, db, coverEdges, nil)
	if err != nil {
		return e, err
	}
	for _, x := range edges {
		from, known := e.kinds[x.FromID]
		to, also := e.kinds[x.ToID]
		if known && also {
			kinds[from].Covers = append(kinds[from].Covers, to)
		}
	}
	follow, err := sys[struct {
		ProcedureID, PlanID uuid.UUID
		Condition           string
	}](ctx, db, followUpsNow, nil)
	if err != nil {
		return e, err
	}
	for _, x := range follow {
		// what follows only under a condition is not expected everywhere, and so nowhere
		if l := plans[x.PlanID]; l != nil && x.Condition == "" {
			if to, known := e.kinds[l.ProcedureID]; known {
				from := e.kinds[x.ProcedureID]
				kinds[from].Then = append(kinds[from].Then, ahead.Then{Kind: to, Schedule: l.schedule})
			}
		}
	}
	for id := range plans {
		e.plans[id] = len(e.plans) + 1
	}
	e.programme, err = ahead.New(kinds)
	return e, err
}

// works reads the assignments of sites as work at their places.
func (e efforts) works(ctx context.Context, db *pgdb.DB, now time.Time, plans programme, sites []uuid.UUID) (map[uuid.UUID][]ahead.Work, map[uuid.UUID]*due.Site, error) {
	rows, err := sys[assignmentRow](ctx, db, assignmentColumns+` where a.ended_at is null and a.site_id = any (@sites) order by a.site_id, a.id`, map[string]any{"sites": sites})
	if err != nil {
		return nil, nil, err
	}
	for i := range rows {
		rows[i].Changed = 0 // its counters are added up anew when it is judged
	}
	all, err := load(ctx, db, now, plans, rows)
	if err != nil {
		return nil, nil, err
	}
	positions, err := sys[struct {
		ID, SiteID uuid.UUID
		LineID     *uuid.UUID
		Kind       string
	}](ctx, db, placesAt, map[string]any{"sites": sites})
	if err != nil {
		return nil, nil, err
	}
	type spot struct {
		number int
		line   *uuid.UUID
		kind   string
	}
	at, number := map[uuid.UUID][]spot{}, map[uuid.UUID]int{}
	lines := map[uuid.UUID]map[uuid.UUID]bool{}
	for _, p := range positions {
		number[p.ID] = len(at[p.SiteID])
		at[p.SiteID] = append(at[p.SiteID], spot{number[p.ID], p.LineID, p.Kind})
		if p.LineID != nil {
			if lines[p.SiteID] == nil {
				lines[p.SiteID] = map[uuid.UUID]bool{}
			}
			lines[p.SiteID][*p.LineID] = true
		}
	}
	works, places, others := map[uuid.UUID][]ahead.Work{}, map[uuid.UUID]*due.Site{}, map[uuid.UUID]int{}
	for i := range all {
		s := &all[i]
		site := *s.SiteID
		places[site] = s.Site
		kind, known := e.kinds[s.plan.ProcedureID]
		if !known {
			continue
		}
		w := ahead.Work{Assignment: s.Due, Kind: kind, Plan: e.plans[s.PlanID]}
		if s.PositionID != nil {
			if n, ok := number[*s.PositionID]; ok {
				w.Places = []int{n}
			}
		} else {
			for _, o := range at[site] {
				mine := s.LineID == nil || same(o.line, s.LineID) || o.line == nil && len(s.plan.Kinds) == 0 && len(lines[site]) == 1 // what only this line uses
				if mine && (len(s.plan.Kinds) == 0 || slices.Contains(s.plan.Kinds, o.kind)) {
					w.Places = append(w.Places, o.number)
				}
			}
		}
		if len(w.Places) == 0 { // a place of its own
			others[site]++
			w.Places = []int{len(at[site]) + others[site] - 1}
		}
		works[site] = append(works[site], w)
	}
	return works, places, nil
}
