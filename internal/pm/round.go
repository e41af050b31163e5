package pm

import (
	"context"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/calendar"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pm/due"
)

// Sheet is the round of a line on an operating day: what the site's own staff do there.
type Sheet struct {
	LineID uuid.UUID
	SiteID uuid.UUID
	Day    calendar.Date
	Today  calendar.Date
	Forms  []Form    // what is still to do; of today only
	Done   []History // what was recorded for that day, the newest first
	Missed []Task    // what was missed that day, or put off on it
}

// mostOnSheet bounds a round sheet.
const mostOnSheet = 100

// What the site's own staff do at a line, at what several lines share, and at the site as a whole.
const ofRound = `
t.site_id = @site and (t.line_id = @line or t.line_id is null) and t.unit_id is null
   and p.skills <@ array['OP'] and cardinality(p.skills) > 0`

// placeOfLine gives the site of a line, and where its days are counted.
func placeOfLine(ctx context.Context, db *pgdb.DB, who access.Actor, line uuid.UUID) (uuid.UUID, *due.Site, error) {
	site, err := pgdb.ReadOne[struct {
		SiteID  uuid.UUID
		Zone    string
		TurnsAt string
	}](ctx, db, who.ID, "line", line.String(), `
select l.site_id, s.zone, to_char(s.day_turns_at, 'HH24:MI') as turns_at from line as l join site as s on s.id = l.site_id
 where l.id = @line and (@everywhere or l.site_id = any (@sites))`, who.Scope(map[string]any{"line": line}))
	if err != nil {
		return uuid.Nil, nil, err
	}
	place, err := openRow{Zone: &site.Zone, TurnsAt: &site.TurnsAt}.place()
	return site.SiteID, place, err
}

// RoundOf gives the round sheet of a line on an operating day, 0 for today's: the
// open tasks of the line and its site that are the site's own staff's to do and
// whose day has come, and what became of the day's round so far.
func RoundOf(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, line uuid.UUID, on calendar.Date) (Sheet, error) {
	sh := Sheet{LineID: line}
	site, place, err := placeOfLine(ctx, db, who, line)
	if err != nil {
		return sh, err
	}
	sh.SiteID, sh.Today = site, place.Day(now)
	if sh.Day = on; on == 0 {
		sh.Day = sh.Today
	}
	if sh.Day > sh.Today {
		return sh, fault.Field("on", on, "is at the latest today, %s: a round begins with its day", sh.Today)
	}
	args := who.Scope(map[string]any{"site": site, "line": line, "day": sh.Day.UTC(), "most": mostOnSheet})
	if sh.Done, err = pgdb.Read[History](ctx, db, who.ID, histories+`
 where c.site_id = @site and (c.line_id = @line or c.line_id is null) and c.unit_id is null and c.done_on = @day
   and v.skills <@ array['OP'] and cardinality(v.skills) > 0 and (@everywhere or c.site_id = any (@sites))
order by c.done_at desc, c.id desc limit @most`, args); err != nil {
		return sh, err
	}
	if sh.Missed, err = pgdb.Read[Task](ctx, db, who.ID, tasks+`
 where t.state in ('missed', 'skipped') and @day between t.due_on and case t.state when 'missed' then t.latest_on else t.skipped_until - 1 end and (@everywhere or t.site_id = any (@sites)) and `+ofRound+`
order by t.title, t.id limit @most`, args); err != nil || sh.Day < sh.Today {
		return sh, err
	}
	all, err := pgdb.Read[Task](ctx, db, who.ID, tasks+`
 where t.state = 'open' and t.earliest_on <= @day and (@everywhere or t.site_id = any (@sites)) and `+ofRound+`
order by t.title, o.code nulls first, t.id limit @most`, args)
	if err != nil || len(all) == 0 {
		return sh, err
	}
	procedures := []uuid.UUID{}
	for _, t := range all {
		if t.ProcedureID != nil && !slices.Contains(procedures, *t.ProcedureID) {
			procedures = append(procedures, *t.ProcedureID)
		}
	}
	found, err := versionsWhere(ctx, db, access.System, ` where v.id in (select version_id from procedure_now where id = any (@ids))`, map[string]any{"ids": procedures})
	if err != nil {
		return sh, err
	}
	p := &Prepared{now: now, things: map[uuid.UUID]*thing{}, fitted: map[uuid.UUID][]fittedUnit{}, open: map[openKey]uuid.UUID{}}
	looks := make([]Done, len(all))
	for i, t := range all {
		looks[i].At = now
		p.items = append(p.items, prepared{site: t.SiteID, line: t.LineID, position: t.PositionID})
	}
	if err := p.around(ctx, db, looks, []uuid.UUID{site}); err != nil {
		return sh, err
	}
	for n, t := range all {
		f, facts := Form{Task: t}, p.facts(p.items[n], nil)
		for i := range found {
			if t.ProcedureID != nil && found[i].ProcedureID == *t.ProcedureID {
				f.Version = &found[i]
				for _, c := range found[i].Checks {
					if applies(&c, facts) {
						f.Checks = append(f.Checks, c)
					}
				}
			}
		}
		sh.Forms = append(sh.Forms, f)
	}
	return sh, nil
}

// SkipRound puts what is left of today's round of a line off until tomorrow, with the
// person and the reason: a storm has closed the site, and nothing was missed. What is
// there for safety or the law stays. It gives the assignments, to be judged again.
func SkipRound(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, req pgdb.Request, line uuid.UUID, reason string) ([]uuid.UUID, error) {
	if err := who.Must(access.DoRounds); err != nil {
		return nil, err
	}
	reason = strings.TrimSpace(reason)
	if reason == "" {
		return nil, fault.Field("reason", reason, "must not be blank")
	}
	site, place, err := placeOfLine(ctx, db, who, line)
	if err != nil {
		return nil, err
	}
	today := place.Day(now)
	return pgdb.Once(ctx, db, who.ID, now, req, func(tx *gorm.DB) ([]uuid.UUID, error) {
		v := map[string]any{"site": site, "line": line, "day": today.UTC(), "until": (today + 1).UTC(), "why": reason, "now": now, "who": who.ID}
		rows, err := read[struct{ ID uuid.UUID }](tx, `
with round as (
  select t.id, t.assignment_id
    from task as t
    join procedure_now as p on p.id = t.procedure_id
   where t.state = 'open' and t.assignment_id is not null and t.criticality <> 'S' and t.earliest_on <= @day and `+ofRound+`
order by t.id
     for update of t
),
held as (
  select a.id from assignment as a where a.id in (select assignment_id from round) order by a.id for update
),
ended as (
  update task as t
     set state = 'skipped', skipped_until = @until, ended_at = @now, ended_by = @who, ended_why = @why, version = t.version + 1
    from round as r
   where t.id = r.id
)
   update assignment as a
      set skipped_until = @until, task_id = null, opens_at = null, changed = greatest(a.changed, 1), revision = a.revision + 1
     from held as h
    where a.id = h.id
returning a.id`, v)
		if err != nil {
			return nil, err
		}
		if len(rows) == 0 {
			return nil, &fault.Error{Kind: fault.Conflict, Field: "line_id", Value: line.String(), Msg: "has nothing left today that can be put off; work for safety or the law stays until it is done"}
		}
		all := make([]uuid.UUID, len(rows))
		for i, r := range rows {
			all[i] = r.ID
		}
		return all, nil
	})
}
