package visits

import (
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"

	"spindlebook/internal/access"
	"spindlebook/internal/calendar"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pm/visits/crew"
)

// The kinds of findings on a visit.
const (
	People  = "people"  // too few, a skill is missing, or its evidence has ended
	TooLong = "hours"   // the work takes longer than people are there
	Window  = "window"  // a task is not on a day inside its window
	LineUp  = "line_up" // the line may not be down in those hours
	NoVan   = "no_van"
)

// Finding is something about a visit that a person should look at. It stops nothing.
type Finding struct {
	VisitID uuid.UUID
	TaskID  *uuid.UUID
	Kind    string
	Says    string
}

// trip is a visit with what judging it takes.
type trip struct {
	Visit
	place calendar.Place
	tasks []Task // that are on it
	crew  []crew.Person
	hours calendar.Hours // in which its line may be down; none where nobody said so
}

// world is what was read for some visits, each thing once.
type world struct {
	rule  Rule
	trips []trip
	// minutes for which somebody with a skill is needed, of a version of a procedure
	parts map[uuid.UUID]map[string]int
}

// Licensed people come for the steps that ask for them, the others stay for the whole
// job (common practice, no source).
var licensed = []string{"EL", "CI"}

// includes tells what the evidence of a skill shows as well: a senior technician is a
// technician, and both can do what site staff do (common practice, no source).
var includes = map[string][]string{"T2": {"T1", "OP"}, "T1": {"OP"}, "EL": {"OP"}}

const skillsOf = `
select k.actor_id as person_id, k.skill, case when k.holds_until = 'infinity' then null else cast(k.holds_until as date) end as until
  from skill_now as k where k.actor_id = any (cast(@people as uuid[])) order by 1, 2`

const licensedMinutes = `
with recursive step as (
  select s.version_id as top, s.minutes, s.skills, s.includes_id from procedure_step as s where s.version_id = any (cast(@versions as uuid[]))
   union all
  select t.top, s.minutes, s.skills, s.includes_id from step as t join procedure_step as s on s.version_id = t.includes_id
)
select top as version_id, k.skill, sum(minutes)::integer as minutes
  from step as s cross join unnest(s.skills) as k(skill)
 where k.skill = any (cast(@licensed as text[])) and s.minutes is not null
group by 1, 2`

const hoursOf = `
select s.id as site_id, to_char(s.day_turns_at, 'HH24:MI') as turns_at, s.latitude, s.longitude,
       coalesce((select jsonb_agg(jsonb_build_object('Weekday', w.weekday, 'Starts', to_char(w.starts, 'HH24:MI'), 'Minutes', w.minutes))
                   from weekly_hours as w where w.site_id = s.id and w.kind = 'line_may_be_down' and upper_inf(w.during)), '[]') as down,
       coalesce((select jsonb_agg(jsonb_build_object('From', lower(b.during), 'Until', coalesce(upper(b.during), 'infinity')))
                   from blackout as b where b.site_id = s.id and b.withdrawn_at is null and upper(b.during) > cast(@now as timestamptz)), '[]') as barred
  from site as s where s.id = any (cast(@sites_wanted as uuid[]))`

type siteHours struct {
	SiteID              uuid.UUID
	TurnsAt             string
	Latitude, Longitude *float64
	Down                []struct {
		Weekday, Minutes int
		Starts           string
	}
	Barred []struct{ From, Until time.Time }
}

// hours gives the stretches in which a line may be down.
func (s siteHours) hours() (h calendar.Hours, err error) {
	for _, w := range s.Down {
		at, err := clock(w.Starts)
		if err != nil {
			return h, fmt.Errorf("the hours of a site: %w", err)
		}
		h.Weekly = append(h.Weekly, calendar.Weekly{Day: time.Weekday(w.Weekday % 7), Starts: at, Length: time.Duration(w.Minutes) * time.Minute})
	}
	for _, b := range s.Barred {
		h.Barred = append(h.Barred, calendar.Span{From: b.From, To: b.Until})
	}
	return h, nil
}

// load reads what judging some visits takes, in a number of statements that does not
// grow with them.
func load(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, found []Visit) (*world, error) {
	w := &world{parts: map[uuid.UUID]map[string]int{}}
	ids, people, sites := []uuid.UUID{}, []uuid.UUID{}, []uuid.UUID{}
	for _, v := range found {
		ids, sites = append(ids, v.ID), append(sites, v.SiteID)
		for _, p := range v.People {
			people = append(people, p.PersonID)
		}
	}
	var err error
	if w.rule, err = Rules(ctx, db, who); err != nil {
		return nil, err
	}
	all, err := Tasks(ctx, db, who, ids...)
	if err != nil {
		return nil, err
	}
	hours, err := pgdb.Read[siteHours](ctx, db, who.ID, hoursOf, map[string]any{"sites_wanted": sites, "now": now})
	if err != nil {
		return nil, err
	}
	skills, err := readSkills(ctx, db, who, people)
	if err != nil {
		return nil, err
	}
	versions := []uuid.UUID{}
	for _, t := range all {
		if t.VersionID != nil {
			versions = append(versions, *t.VersionID)
		}
	}
	if w.parts, err = readParts(ctx, db, who, versions); err != nil {
		return nil, err
	}
	for _, v := range found {
		t := trip{Visit: v}
		i := slices.IndexFunc(hours, func(h siteHours) bool { return h.SiteID == v.SiteID })
		if t.place, err = place(v.Zone, hours[i].TurnsAt); err != nil {
			return nil, err
		}
		if t.hours, err = hours[i].hours(); err != nil {
			return nil, err
		}
		for _, x := range all {
			if x.VisitID == v.ID && (x.EndedHow == "" || !v.Open() && x.EndedHow != "moved" && x.EndedHow != "dropped") {
				t.tasks = append(t.tasks, x)
			}
		}
		for _, p := range v.People {
			minutes := int(p.Until.Sub(p.From) / time.Minute)
			if p.From.Equal(v.StartsAt) && p.Until.Equal(v.EndsAt) {
				minutes = max(minutes-w.rule.SiteMinutes, 0)
			}
			t.crew = append(t.crew, crew.Person{Name: p.Name, Skills: skills[p.PersonID], Minutes: minutes})
		}
		w.trips = append(w.trips, t)
	}
	return w, nil
}

// readSkills gives what people have shown, with what that includes.
func readSkills(ctx context.Context, db *pgdb.DB, who access.Actor, people []uuid.UUID) (map[uuid.UUID][]crew.Skill, error) {
	rows, err := pgdb.Read[struct {
		PersonID uuid.UUID
		Skill    string
		Until    *time.Time
	}](ctx, db, who.ID, skillsOf, map[string]any{"people": people})
	all := map[uuid.UUID][]crew.Skill{}
	for _, r := range rows {
		var until calendar.Date
		if r.Until != nil {
			until = dayOf(*r.Until)
		}
		for _, s := range append([]string{r.Skill}, includes[r.Skill]...) {
			all[r.PersonID] = append(all[r.PersonID], crew.Skill{Name: s, Until: until})
		}
	}
	return all, err
}

// readParts gives the minutes for which licensed people are needed.
func readParts(ctx context.Context, db *pgdb.DB, who access.Actor, versions []uuid.UUID) (map[uuid.UUID]map[string]int, error) {
	rows, err := pgdb.Read[struct {
		VersionID uuid.UUID
		Skill     string
		Minutes   int
	}](ctx, db, who.ID, licensedMinutes, map[string]any{"versions": versions, "licensed": licensed})
	all := map[uuid.UUID]map[string]int{}
	for _, r := range rows {
		if all[r.VersionID] == nil {
			all[r.VersionID] = map[string]int{}
		}
		all[r.VersionID][r.Skill] = r.Minutes
	}
	return all, err
}

// hands gives who is needed for a task, and for how long.
func hands(people int, skills []string, minutes int, part map[string]int) []crew.Hand {
	all := make([]crew.Hand, max(people, len(skills), 1))
	for i := range all {
		all[i].Minutes = minutes
		if i < len(skills) {
			all[i].Skill = skills[i]
			if m := part[skills[i]]; m > 0 && len(all) > 1 {
				all[i].Minutes = min(m, minutes)
			}
		}
	}
	return all
}

func (w *world) hands(t Task) []crew.Hand {
	var part map[string]int
	if t.VersionID != nil {
		part = w.parts[*t.VersionID]
	}
	return hands(t.People, t.Skills, t.Minutes, part)
}

// name is what people call a task: "J01 UMB-1/SBL-D".
func (t Task) name() string {
	s := t.Procedure
	if s == "" {
		s = t.Title
	}
	switch {
	case t.PositionCode != "":
		s += " " + t.PositionCode
	case t.LineCode != "":
		s += " " + t.LineCode
	}
	return s
}

// Down tells whether the line stands while the task is done.
func (t Task) Down() bool { return t.LineState == "line_down" || t.LineState == "closed_hours" }

// look tells what is odd about a trip.
func (w *world) look(t trip) []Finding {
	all := []Finding{}
	odd := func(x *Task, kind, format string, args ...any) {
		f := Finding{VisitID: t.ID, Kind: kind, Says: fmt.Sprintf(format, args...)}
		if x != nil {
			f.TaskID, f.Says = &x.TaskID, x.name()+": "+f.Says
		}
		all = append(all, f)
	}
	on := dayOf(t.OnDate)
	if len(t.crew) == 0 {
		odd(nil, People, "nobody is named to go")
	} else {
		total, have := 0, 0
		for i := range t.tasks {
			for _, h := range w.hands(t.tasks[i]) {
				total += h.Minutes
			}
		}
		for _, p := range t.crew {
			have += p.Minutes
		}
		if total > have {
			odd(nil, TooLong, "the work takes %d minutes of people, and those who go have %d after %d for signing in, locking out and handing over", total, have, w.rule.SiteMinutes)
		}
		team := crew.NewTeam(t.crew, on)
		for i := range t.tasks {
			if _, lack := team.Take(w.hands(t.tasks[i])); lack != "" {
				odd(&t.tasks[i], People, "%s", lack)
			}
		}
	}
	if t.VanID == nil && len(t.crew) > 0 {
		odd(nil, NoVan, "no van is named, so nobody can say what is in it")
	}
	stands := len(t.hours.Weekly) > 0 && !slices.ContainsFunc(append(t.hours.On(t.place, on), t.hours.On(t.place, on-1)...), func(s calendar.Span) bool {
		return !t.StartsAt.Before(s.From) && !t.EndsAt.After(s.To)
	})
	for i := range t.tasks {
		x := &t.tasks[i]
		switch {
		case x.State != "open":
		case on > dayOf(x.LatestOn):
			odd(x, Window, "should be done by %s", dayOf(x.LatestOn).Words())
		case on < dayOf(x.EarliestOn):
			odd(x, Window, "its window opens on %s", dayOf(x.EarliestOn).Words())
		}
		if x.Down() && stands {
			odd(x, LineUp, "needs the line down, which is not allowed from %s to %s", t.StartsAt.In(t.place.Zone).Format("15:04"), t.EndsAt.In(t.place.Zone).Format("15:04"))
		}
	}
	return all
}

// Look tells what a person should look at about some visits. It is for the
// distributor's people.
func Look(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, found []Visit) ([]Finding, error) {
	if len(found) == 0 {
		return nil, nil
	}
	w, err := load(ctx, db, who, now, found)
	if err != nil {
		return nil, err
	}
	var all []Finding
	for _, t := range w.trips {
		if t.State != Closed && t.State != Abandoned {
			all = append(all, w.look(t)...)
		}
	}
	return all, nil
}
