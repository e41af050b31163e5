package demo

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/calendar"
	"spindlebook/internal/parts/amount"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pm/record"
	"spindlebook/internal/pm/visits"
)

// trip is a visit of the demo, by days from today: who goes with which van, which of the
// site's open tasks are on it, and how it ended where it has.
type trip struct {
	site    string
	day     int
	starts  string
	minutes int // 300 where nothing is said
	van     string
	who     []string
	works   []string // by plan and position; where one is not open another takes its place
	tasks   int
	ended   string // "" is to come or under way, closed, or why it was abandoned
	why     string
	started bool
	card    bool // a job's card is open
}

// fortnight is a week behind us and one to come. Some can go, some lack a part or a fact:
// that is worked out from the stock and the facts as they are.
var fortnight = []trip{
	{site: "UMB", day: -6, starts: "21:00", van: "V1", who: []string{"P03"}, ended: "closed", why: "only looked at what was said"},
	{site: "DUN", day: -3, starts: "20:30", van: "V2", who: []string{"P04"}, tasks: 2, ended: "part_wrong", why: "the set on the van was for the other side"},
	{site: "UMB", day: 0, starts: "20:15", van: "V1", who: []string{"P03", "P07"}, tasks: 3, started: true, card: true},
	{site: "PEL", day: 0, starts: "21:00", van: "V2", who: []string{"P04", "P06"}, tasks: 2, started: true, card: true},
	// the day that Imre checks his van for: a round before opening, some looks while a line runs, and at
	// night the gearmotor, for which the one in stock must be turned, with the foam set of the brush beside it
	{site: "FER", day: 1, starts: "05:45", minutes: 105, van: "V1", who: []string{"P03"}, works: []string{"PM-010 FER-1/WRP-D", "PM-012 FER-1/WRP-D", "PM-013 FER-1/SBH-P"}, tasks: 3},
	{site: "DUN", day: 1, starts: "13:30", minutes: 90, van: "V1", who: []string{"P03"}, works: []string{"PM-034 DUN-1/TOP", "PM-034 DUN-1/WRP-D"}, tasks: 2},
	{site: "UMB", day: 1, starts: "20:15", minutes: 340, van: "V1", who: []string{"P03", "P05", "P07"}, works: []string{"GM-EX UMB-1/SBL-D", "PM-028 UMB-1/SBH-D"}, tasks: 2},
	{site: "UMB", day: 2, starts: "21:00", van: "V3", who: []string{"P05"}, tasks: 2},
	{site: "THO", day: 3, starts: "20:00", van: "V1", who: []string{"P03"}, tasks: 2},
	{site: "KES", day: 5, starts: "21:00", van: "V3", who: []string{"P05", "P07"}, tasks: 3},
	{site: "DUN", day: 7, starts: "20:30", van: "V2", who: []string{"P04", "P06"}, tasks: 2},
}

// begun gives the hours of a visit at which somebody has been since an instant. At night,
// when an operating day ends, it stays as it was planned.
func (s scenario) begun(t trip, since time.Time, planned visits.Hours) visits.Hours {
	for _, p := range s.places {
		if p.Site != t.site {
			continue
		}
		loc, err := time.LoadLocation(p.Zone)
		if at := since.In(loc); err == nil && at.Hour() >= 4 && at.Hour() < 19 {
			return visits.Hours{On: calendar.DateOf(at), Starts: at.Format("15:04"), Minutes: planned.Minutes}
		}
	}
	return planned
}

// The warehouse lies in open country, from which the sites have their distances.
const warehouseLatitude, warehouseLongitude = 45.66, -121.20

// open tasks with a procedure that are on no visit, the most urgent of each site first.
const toDo = `
select t.id, s.code as site, t.position_id is not null as at_brush, coalesce(l.code, '') || ' ' || coalesce(o.code, '') as work
  from task as t
  join site as s on s.id = t.site_id
  left join position as o on o.id = t.position_id
  left join assignment as a on a.id = t.assignment_id
  left join plan as l on l.id = a.plan_id
  join procedure_now as p on p.id = t.procedure_id and not (p.skills <@ array['OP'])
 where t.state = 'open' and t.criticality <> 'S' and not exists (select from visit_task as w where w.task_id = t.id and w.ended_at is null)
order by s.code, t.position_id is null, t.latest_on, t.number`

// trips tells of the visits of a fortnight, once.
func (s scenario) trips(ctx context.Context, db *pgdb.DB, now time.Time) error {
	type task struct {
		ID      uuid.UUID
		Site    string
		AtBrush bool
		Work    string
	}
	all, err := pgdb.Read[task](ctx, db, access.System.ID, toDo, nil)
	if err != nil {
		return err
	}
	logins, err := pgdb.Read[struct {
		ID    uuid.UUID
		Login string
	}](ctx, db, access.System.ID, `select actor_id as id, login from person`, nil)
	if err != nil {
		return err
	}
	person := map[string]uuid.UUID{}
	for _, p := range s.people {
		for _, l := range logins {
			if l.Login == p.login(s.customers) {
				person[p.ID] = l.ID
			}
		}
	}
	rule, err := visits.Rules(ctx, db, access.System)
	if err != nil {
		return err
	}
	rule.Latitude, rule.Longitude = new(warehouseLatitude), new(warehouseLongitude) // where the vans start
	var cards []uuid.UUID
	request := pgdb.Request{Key: "demo-visits", Act: "load the demo"}
	cards, err = pgdb.Once(ctx, db, access.System.ID, now, request, func(tx *gorm.DB) ([]uuid.UUID, error) {
		var cards []uuid.UUID
		known := map[string]uuid.UUID{}
		var rows []struct {
			ID   uuid.UUID
			Code string
		}
		if err := tx.Raw(`select id, code from site union all select id, code from location where kind = 'van'`).Scan(&rows).Error; err != nil {
			return nil, err
		}
		for _, r := range rows {
			known[r.Code] = r.ID
		}
		if err := visits.SetRules(tx, access.System, rule.Version, rule); err != nil {
			return nil, err
		}
		open := slices.Clone(all) // this may be tried again
		take := func(t *trip, in *visits.New, ok func(task) bool) {
			for i := 0; i < len(open) && len(in.Tasks) < t.tasks; i++ {
				if open[i].Site != t.site || !ok(open[i]) {
					continue
				}
				in.Tasks = append(in.Tasks, visits.Doing{TaskID: open[i].ID})
				if t.card && len(in.Tasks) == 1 && open[i].AtBrush {
					cards = append(cards, open[i].ID)
				}
				open = slices.Delete(open, i, i+1)
				i--
			}
		}
		meant := func(of ...trip) func(task) bool {
			return func(x task) bool {
				return slices.ContainsFunc(of, func(t trip) bool { return slices.Contains(t.works, x.Work) })
			}
		}
		for _, t := range fortnight {
			at := now.AddDate(0, 0, min(t.day, 0))
			van := known[t.van]
			in := visits.New{SiteID: known[t.site], Hours: visits.Hours{On: calendar.DateOf(at) + calendar.Date(max(t.day, 0)), Starts: t.starts, Minutes: cmp.Or(t.minutes, 300)}, VanID: &van}
			if t.started {
				in.Hours = s.begun(t, at.Add(-time.Hour), in.Hours)
			}
			for _, p := range t.who {
				in.People = append(in.People, visits.Going{PersonID: person[p]})
			}
			take(&t, &in, meant(t))
			take(&t, &in, func(x task) bool { return !meant(fortnight...)(x) })
			id, err := visits.Add(tx, access.System, at, in)
			if err != nil {
				return nil, fmt.Errorf("the visit to %s on day %d: %w", t.site, t.day, err)
			}
			version := 1
			if t.started || t.ended != "" {
				if _, err := visits.Enter(tx, access.System, at, id, []visits.NewEntry{{ID: pgdb.NewID(), PersonID: &in.People[0].PersonID, Act: visits.Arrived, DoneAt: at.Add(-time.Hour)}}); err != nil {
					return nil, err
				}
				version++
			}
			if t.ended == "" {
				continue
			}
			end := visits.Ending{Why: t.why}
			if t.ended != "closed" {
				end.Reason = t.ended
				part, err := pgdb.ID(tx, `select id from part where number = 'MW-31101'`)
				if err != nil {
					return nil, err
				}
				end.Left = []visits.NewLeft{{Kind: "parts_there", Says: "the set that does not fit lies on the shelf, tagged"}}
				end.Wants = []visits.NewWant{{PartID: part, Amount: amount.One, Says: "for this side"}}
			}
			if _, err := visits.End(tx, access.System, at, id, version, end); err != nil {
				return nil, fmt.Errorf("the end of the visit to %s: %w", t.site, err)
			}
		}
		return cards, nil
	})
	if err != nil {
		return err
	}
	for i, c := range cards {
		who, _, err := access.Load(ctx, db, person[[]string{"P03", "P04"}[i%2]])
		if err != nil {
			return err
		}
		if _, err := record.Open(ctx, db, who, now, pgdb.Request{Key: fmt.Sprint("demo-card-", i), Act: "load the demo"}, record.NewRecord{TaskID: &c}); err != nil {
			return err
		}
	}
	return visits.Settle(ctx, db, now)
}
