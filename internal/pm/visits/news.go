package visits

import (
	"context"
	"strings"
	"time"

	"github.com/google/uuid"

	"spindlebook/internal/access"
	"spindlebook/internal/calendar"
	"spindlebook/internal/pgdb"
)

// News is what somebody else changed about a person's visits of a day.
type News struct {
	VisitID  uuid.UUID
	SiteName string
	Zone     string
	At       time.Time
	By       string // "" where that is not on record
	Says     string // "at 20:15 instead of 21:00"
}

// newsOf is, of the visits of a person that have not ended before: what the trail has of
// their day, hours and van, tasks that came or went, and visits that came.
const newsOf = `
with mine as materialized (
  select v.id, v.on_date, v.made_at, v.made_by, s.name as site_name, s.zone
    from visit_person as p
    join visit as v on v.id = p.visit_id
    join site as s on s.id = v.site_id
   where p.person_id = @person and v.ends_at > @since and v.state <> 'proposed' and (@everywhere or v.site_id = any (@sites)))
select m.id as visit_id, m.site_name, m.zone, t.at, a.name as by, 'visit' as kind, '' as title, '' as says,
       cast(t.before ->> 'on_date' as date) as was_on, cast(t.after ->> 'on_date' as date) as is_on,
       cast(t.before ->> 'starts_at' as timestamptz) as was_start, cast(t.after ->> 'starts_at' as timestamptz) as is_start,
       coalesce(b.code, '') as was_van, coalesce(l.code, '') as is_van, t.after ->> 'state' as state, coalesce(t.after ->> 'ended_why', '') as why
  from mine as m
  join trail as t on t.entity_id = m.id and t.entity = 'visit' and t.act = 'update' and t.at > @since and t.actor_id <> @who
  join actor as a on a.id = t.actor_id
  left join location as b on b.id = cast(t.before ->> 'van_id' as uuid)
  left join location as l on l.id = cast(t.after ->> 'van_id' as uuid)
 where (t.before ->> 'starts_at', t.before ->> 'van_id', t.before ->> 'state' = 'abandoned') is distinct from (t.after ->> 'starts_at', t.after ->> 'van_id', t.after ->> 'state' = 'abandoned')
   and t.before ->> 'state' <> 'proposed'
union all
select m.id, m.site_name, m.zone, case when w.added_at > @since then w.added_at else w.ended_at end, case when w.added_at > @since then coalesce(a.name, '') else '' end,
       case when w.ended_at is null then 'added' else 'taken' end, k.title || coalesce(', ' || o.code, ''), '', m.on_date, m.on_date, null, null, '', '', '', ''
  from mine as m
  join visit_task as w on w.visit_id = m.id and (w.ended_at is null and w.added_at > @since and w.added_at > m.made_at and w.added_by <> @who
                                              or w.ended_how in ('moved', 'dropped') and w.ended_at > @since and w.added_at <= @since)
  join task as k on k.id = w.task_id
  left join position as o on o.id = k.position_id
  left join actor as a on a.id = w.added_by
union all
select m.id, m.site_name, m.zone, m.made_at, a.name, 'new', '', '', m.on_date, m.on_date, null, null, '', '', '', ''
  from mine as m join actor as a on a.id = m.made_by and a.kind = 'person'
 where m.made_at > @since and m.made_by <> @who
order by 4, 1`

// NewsFor lists what others changed since an instant about the visits that a person has, or
// had, on a day, the latest last.
func NewsFor(ctx context.Context, db *pgdb.DB, who access.Actor, person uuid.UUID, on calendar.Date, since time.Time) ([]News, error) {
	if err := who.Must(access.RecordWork); err != nil {
		return nil, err
	}
	type row struct {
		News
		Kind, Title       string
		WasOn, IsOn       time.Time
		WasStart, IsStart *time.Time
		WasVan, IsVan     string
		State, Why        string
	}
	// the trail is not for everybody to read: what is read of it here is about visits in scope
	rows, err := pgdb.Read[row](ctx, db, access.System.ID, newsOf, who.Scope(map[string]any{"person": person, "since": since, "who": who.ID}))
	all := []News{}
	for _, r := range rows {
		was, is := calendar.DateOf(r.WasOn), calendar.DateOf(r.IsOn)
		if was != on && is != on {
			continue
		}
		says := []string{}
		switch {
		case r.Kind == "new":
			says = append(says, "this visit is new")
		case r.Kind == "added":
			says = append(says, "to do as well: "+r.Title)
		case r.Kind == "taken":
			says = append(says, "not to do any more: "+r.Title)
		case r.State == Abandoned:
			says = append(says, "called off: "+r.Why)
		default:
			at := func(t *time.Time, d calendar.Date) string {
				text := t.In(Visit{Zone: r.Zone}.Location()).Format("15:04")
				if was != is {
					return d.UTC().Format("Monday 2 January, ") + text
				}
				return text
			}
			if !r.WasStart.Equal(*r.IsStart) {
				says = append(says, "at "+at(r.IsStart, is)+" instead of "+at(r.WasStart, was))
			}
			if r.WasVan != r.IsVan {
				says = append(says, "with "+withVan(r.IsVan)+" instead of "+withVan(r.WasVan))
			}
		}
		r.Says = strings.Join(says, ", ")
		all = append(all, r.News)
	}
	return all, err
}

func withVan(code string) string {
	if code == "" {
		return "no van"
	}
	return "van " + code
}
