package pm

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets/meters"
	"spindlebook/internal/assets/meters/outlook"
	"spindlebook/internal/calendar"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pm/due"
	"spindlebook/internal/usage"
)

// Standing is an assignment with all that is known of it: what package due needs
// to judge it.
type Standing struct {
	ID         uuid.UUID
	PlanID     uuid.UUID
	SiteID     *uuid.UUID
	LineID     *uuid.UUID
	PositionID *uuid.UUID
	UnitID     *uuid.UUID
	ThingID    uuid.UUID
	TaskID     *uuid.UUID
	Revision   int
	Due        due.Assignment
	Site       *due.Site

	plan    *live
	drivers []driver
	stale   bool // its counters were added up anew and are to be kept
}

// assignmentRow is a row of assignment as judging reads it.
type assignmentRow struct {
	ID, PlanID                         uuid.UUID
	SiteID, LineID, PositionID, UnitID *uuid.UUID
	ThingID                            uuid.UUID
	Since                              time.Time
	SinceKnown                         bool
	GridFrom                           *time.Time
	MarkAt                             *time.Time
	MarkDone                           bool
	MarkSettled                        *time.Time
	SkippedUntil                       *time.Time
	Parked                             bool
	TaskID                             *uuid.UUID
	Changed, Revision                  int
	EndedAt                            *time.Time
}

const assignmentColumns = `
select a.id, a.plan_id, a.site_id, a.line_id, a.position_id, a.unit_id, a.thing_id, a.since, a.since_known, a.grid_from, a.mark_at, a.mark_done, a.mark_settled,
       a.skipped_until, a.parked, a.task_id, a.changed::integer as changed, a.revision, a.ended_at
  from assignment as a`

// driver is the counter behind a unit of an assignment:
// use = carried + share * (total - fromTotal), in amounts of the meter.
type driver struct {
	Unit      meters.Unit
	MeterID   *uuid.UUID
	Share     float64
	Carried   float64
	FromAt    time.Time
	FromTotal int64
	Grade     int // of meters; Default says that the use since the mark is not known
	HeldAt    *time.Time
	earlier   []uuid.UUID // meters that counted before
}

type driverRow struct {
	AssignmentID uuid.UUID
	Unit         string
	MeterID      *uuid.UUID
	Share        float64
	Carried      float64
	FromAt       time.Time
	FromTotal    int64
	Grade        int
	HeldAt       *time.Time
}

const driversOf = `
select assignment_id, unit, meter_id, share, carried, from_at, from_total, grade::integer as grade, held_at
  from assignment_driver where assignment_id = any (@ids)`

const overridesOf = `
select distinct on (assignment_id) assignment_id, triggers::text as triggers, until, reason
  from assignment_override
 where assignment_id = any (@ids) and withdrawn_at is null
order by assignment_id, made_at desc, id desc`

// What crossed a limit since the work was last done, of the checks that are watched.
const crossingsOf = `
select a.id as assignment_id, c.code, c.at, c.says
  from assignment as a
  join check_answer as c on c.thing_id in (a.thing_id, a.position_id) and c.verdict in ('warn', 'fail') and (a.mark_at is null or c.at > a.mark_at)
 where a.id = any (@ids) and c.code = any (@codes)
order by a.id, c.at`

// mostCrossings bounds what is kept of one assignment: the first of a check decides.
const mostCrossings = 50

// load gives assignments with all that is known of them, in a number of statements
// that does not grow with them. The counters of those that changed so far are added
// up anew.
func load(ctx context.Context, db *pgdb.DB, now time.Time, plans programme, rows []assignmentRow) ([]Standing, error) {
	out := make([]Standing, 0, len(rows))
	var ids, sites []uuid.UUID
	seen := map[uuid.UUID]bool{}
	var codes []string
	for _, r := range rows {
		p := plans[r.PlanID]
		if p == nil {
			continue // of a plan that has ended: it ends with the next match
		}
		ids = append(ids, r.ID)
		if r.SiteID != nil && !seen[*r.SiteID] {
			seen[*r.SiteID] = true
			sites = append(sites, *r.SiteID)
		}
		for _, c := range p.crossings {
			if !slices.Contains(codes, c) {
				codes = append(codes, c)
			}
		}
		s := Standing{ID: r.ID, PlanID: r.PlanID, SiteID: r.SiteID, LineID: r.LineID, PositionID: r.PositionID, UnitID: r.UnitID, ThingID: r.ThingID, TaskID: r.TaskID, Revision: r.Revision, plan: p, stale: r.Changed > 1,
			Due: due.Assignment{Schedule: p.schedule, Since: r.Since, Grid: dayOf(r.GridFrom), Parked: r.Parked, Skipped: dayOf(r.SkippedUntil)}}
		switch {
		case r.MarkAt != nil:
			s.Due.Mark = &due.Mark{At: *r.MarkAt, Done: r.MarkDone, Settled: dayOf(r.MarkSettled)}
		case r.SinceKnown:
			s.Due.Mark = &due.Mark{At: r.Since}
		}
		out = append(out, s)
	}
	if len(out) == 0 {
		return out, nil
	}
	days, err := outlook.Of(ctx, db, access.System, now, sites...)
	if err != nil {
		return nil, err
	}
	places := map[uuid.UUID]*due.Site{}
	for i := range out {
		if out[i].Site, err = placeOf(days, out[i].SiteID, places); err != nil {
			return nil, err
		}
	}
	if err := loadOverrides(ctx, db, out, ids); err != nil {
		return nil, err
	}
	if err := loadCrossings(ctx, db, out, ids, codes); err != nil {
		return nil, err
	}
	if err := loadDrivers(ctx, db, now, days, out, ids); err != nil {
		return nil, err
	}
	return out, nil
}

// placeOf gives where days are counted. What is in stock counts in UTC.
func placeOf(days *outlook.Calendars, id *uuid.UUID, known map[uuid.UUID]*due.Site) (*due.Site, error) {
	k := zero(id)
	if p := known[k]; p != nil {
		return p, nil
	}
	p := &due.Site{Place: calendar.Place{Zone: time.UTC, Turns: 3 * time.Hour}}
	if s, ok := days.Site(k); ok {
		zone, err := time.LoadLocation(s.Zone)
		if err != nil {
			return nil, fmt.Errorf("the zone of a site: %w", err)
		}
		turns, err := time.Parse("15:04", s.TurnsAt)
		if err != nil {
			return nil, fmt.Errorf("the hour at which the day of a site turns: %w", err)
		}
		p.Zone, p.Turns = zone, time.Duration(turns.Hour())*time.Hour+time.Duration(turns.Minute())*time.Minute
		closed, err := days.Closed(k)
		if err != nil {
			return nil, err
		}
		if closed != nil {
			p.Closed = func(d calendar.Date) bool { return closed(d.UTC()) }
		}
	}
	known[k] = p
	return p, nil
}

func byID(out []Standing) map[uuid.UUID]*Standing {
	m := make(map[uuid.UUID]*Standing, len(out))
	for i := range out {
		m[out[i].ID] = &out[i]
	}
	return m
}

func loadOverrides(ctx context.Context, db *pgdb.DB, out []Standing, ids []uuid.UUID) error {
	rows, err := sys[struct {
		AssignmentID uuid.UUID
		Triggers     string
		Until        time.Time
		Reason       string
	}](ctx, db, overridesOf, map[string]any{"ids": ids})
	if err != nil || len(rows) == 0 {
		return err
	}
	all := byID(out)
	for _, r := range rows {
		s := all[r.AssignmentID]
		_, triggers, err := kept(r.Triggers)
		if err != nil {
			return err
		}
		// one that a later version of the plan leaves no room for holds no more
		if o, err := s.plan.schedule.Override(triggers, dayOf(&r.Until), r.Reason); err == nil {
			s.Due.Override = o
		}
	}
	return nil
}

func loadCrossings(ctx context.Context, db *pgdb.DB, out []Standing, ids []uuid.UUID, codes []string) error {
	if len(codes) == 0 {
		return nil
	}
	rows, err := sys[struct {
		AssignmentID uuid.UUID
		Code         string
		At           time.Time
		Says         string
	}](ctx, db, crossingsOf, map[string]any{"ids": ids, "codes": codes})
	if err != nil {
		return err
	}
	all := byID(out)
	for _, r := range rows {
		s := all[r.AssignmentID]
		if slices.Contains(s.plan.crossings, r.Code) && len(s.Due.Crossings) < mostCrossings {
			s.Due.Crossings = append(s.Due.Crossings, due.Crossing{Check: r.Code, At: r.At, Says: r.Says})
		}
	}
	return nil
}

// loadDrivers reads the counters of assignments, adds up anew those that are
// stale, and looks ahead from each meter once, however many it drives.
func loadDrivers(ctx context.Context, db *pgdb.DB, now time.Time, days *outlook.Calendars, out []Standing, ids []uuid.UUID) error {
	rows, err := sys[driverRow](ctx, db, driversOf, map[string]any{"ids": ids})
	if err != nil {
		return err
	}
	all := byID(out)
	for _, r := range rows {
		if s := all[r.AssignmentID]; !s.stale {
			s.drivers = append(s.drivers, driver{meters.Unit(r.Unit), r.MeterID, r.Share, r.Carried, r.FromAt, r.FromTotal, r.Grade, r.HeldAt, nil})
		}
	}
	if err := drive(ctx, db, now, days, out); err != nil {
		return err
	}
	seen := map[uuid.UUID]bool{}
	var list []uuid.UUID
	for i := range out {
		for _, d := range out[i].drivers {
			if d.MeterID != nil && !seen[*d.MeterID] {
				seen[*d.MeterID] = true
				list = append(list, *d.MeterID)
			}
		}
	}
	var views map[uuid.UUID]*outlook.View
	if len(list) > 0 {
		if views, err = outlook.Ahead(ctx, db, access.System, now, days, list...); err != nil {
			return err
		}
	}
	for i := range out {
		if err := out[i].count(days, views); err != nil {
			return err
		}
	}
	return nil
}

// nowhere is where the days of what stands still in stock are counted.
var nowhere = meters.Site{Zone: "UTC", Climate: "mild_wet", Size: "medium", TurnsAt: "03:00"}

// count gives an assignment's mark and drivers in the units of package due. Use
// counts from the mark, so that the totals at it are zero.
func (s *Standing) count(days *outlook.Calendars, views map[uuid.UUID]*outlook.View) error {
	s.Due.Drivers = nil
	if s.Due.Mark != nil {
		s.Due.Mark.Totals = nil
	}
	for _, d := range s.drivers {
		u := dueUnit(d.Unit)
		if s.Due.Mark != nil && meters.Grade(d.Grade) < meters.Default {
			s.Due.Mark.Totals = append(s.Due.Mark.Totals, due.Total{Unit: u, Grade: usage.Grade(meters.Grade(d.Grade) - meters.Seen)})
		}
		carried := d.Carried
		if d.Unit == meters.Hours {
			carried /= 3600
		}
		if d.MeterID == nil { // it stands still
			site, known := days.Site(zero(s.SiteID))
			if !known {
				site = nowhere
			}
			c, err := days.At(site, d.Unit)
			if err != nil {
				return err
			}
			last := usage.Point{At: *d.HeldAt, Total: carried, Grade: usage.Grade(min(meters.Grade(d.Grade), meters.Default) - meters.Seen)}
			s.Due.Drivers = append(s.Due.Drivers, due.Driver{Unit: u, Last: last, Outlook: usage.Rate{}.Outlook(c, last)})
			continue
		}
		v := views[*d.MeterID]
		if v == nil || !v.Known() {
			continue
		}
		used := carried + d.Share*outlook.InUnits(d.Unit, v.Last().Total-d.FromTotal)
		last, ahead := v.Part(d.Share, used)
		s.Due.Drivers = append(s.Due.Drivers, due.Driver{Unit: u, Last: last, Outlook: ahead})
	}
	return nil
}

// drive adds up anew what counted for the assignments whose counters are stale.
func drive(ctx context.Context, db *pgdb.DB, now time.Time, days *outlook.Calendars, out []Standing) error {
	var asks []meters.Drive
	var of []struct {
		s    *Standing
		unit meters.Unit
	}
	lines, err := soleLines(ctx, db, out)
	if err != nil {
		return err
	}
	for i := range out {
		s := &out[i]
		if !s.stale {
			continue
		}
		s.drivers = nil
		for _, u := range s.plan.units {
			d := meters.Drive{UnitID: s.UnitID, PositionID: s.PositionID, LineID: s.LineID, Unit: u, Since: s.Due.Since}
			if s.UnitID == nil && s.PositionID == nil && s.LineID == nil && s.SiteID != nil {
				if l := lines[*s.SiteID]; l != uuid.Nil {
					d.LineID = &l
				}
			}
			if s.Due.Mark != nil {
				d.Since = s.Due.Mark.At
			}
			asks = append(asks, d)
			of = append(of, struct {
				s    *Standing
				unit meters.Unit
			}{s, u})
		}
	}
	if len(asks) == 0 {
		return nil
	}
	driven, err := meters.Drives(ctx, db, access.System, now, asks)
	if err != nil {
		return err
	}
	var totals []meters.Ask
	want := func(id uuid.UUID, at time.Time) { totals = append(totals, meters.Ask{MeterID: id, At: at}) }
	for _, d := range driven {
		for i, l := range d.Legs {
			want(l.MeterID, l.From)
			if i < len(d.Legs)-1 || d.Held != nil {
				want(l.MeterID, l.Until)
			}
		}
	}
	found, err := meters.Totals(ctx, db, access.System, days.Scale, unique(totals))
	if err != nil {
		return err
	}
	for i, d := range driven {
		s := of[i].s
		if len(d.Legs) == 0 {
			if s.Due.Parked && asks[i].UnitID != nil {
				s.drivers = append(s.drivers, driver{Unit: of[i].unit, Share: 1, FromAt: asks[i].Since, HeldAt: &asks[i].Since, Grade: int(meters.Seen)})
			}
			continue // nothing counted; where it is fitted that is a gap
		}
		r := driver{Unit: of[i].unit, Grade: int(meters.Seen)}
		weaken := func(g meters.Grade) { r.Grade = max(r.Grade, int(g)) }
		if d.Gaps {
			weaken(meters.Extrapolated) // a part of its time was counted by nobody
		}
		for k, l := range d.Legs {
			from := found[meters.Ask{MeterID: l.MeterID, At: l.From}]
			weaken(from.Grade)
			if k < len(d.Legs)-1 || d.Held != nil {
				until := found[meters.Ask{MeterID: l.MeterID, At: l.Until}]
				weaken(until.Grade)
				r.Carried += l.Share * float64(until.Amount-from.Amount)
				r.earlier = append(r.earlier, l.MeterID)
			}
			id := l.MeterID
			r.MeterID, r.Share, r.FromAt, r.FromTotal = &id, l.Share, l.From, from.Amount
		}
		if d.Held != nil {
			r.MeterID, r.HeldAt = nil, d.Held
		}
		s.drivers = append(s.drivers, r)
	}
	return nil
}

func unique(asks []meters.Ask) []meters.Ask {
	seen := make(map[meters.Ask]bool, len(asks))
	out := asks[:0]
	for _, a := range asks {
		if !seen[a] {
			seen[a] = true
			out = append(out, a)
		}
	}
	return out
}

// soleLines gives the line of each site that has just one: it counts for the site.
func soleLines(ctx context.Context, db *pgdb.DB, out []Standing) (map[uuid.UUID]uuid.UUID, error) {
	var sites []uuid.UUID
	seen := map[uuid.UUID]bool{}
	for i := range out {
		if s := &out[i]; s.stale && len(s.plan.units) > 0 && s.plan.AppliesTo == "site" && !seen[*s.SiteID] {
			seen[*s.SiteID] = true
			sites = append(sites, *s.SiteID)
		}
	}
	lines := map[uuid.UUID]uuid.UUID{}
	if len(sites) == 0 {
		return lines, nil
	}
	rows, err := sys[struct{ SiteID, ID uuid.UUID }](ctx, db, `
select site_id, min(id::text)::uuid as id from line where site_id = any (@sites) and upper_inf(during) group by site_id having count(*) = 1`, map[string]any{"sites": sites})
	for _, r := range rows {
		lines[r.SiteID] = r.ID
	}
	return lines, err
}

// batch bounds how many assignments are judged at once, and so the memory that it takes.
const batch = 2000

// Judged says what judging did.
type Judged struct {
	Assignments int
	Missed      int // tasks of operating days that ended undone
}

// judge looks at assignments and keeps the answers. One that changed meanwhile is
// left to the next round.
func judge(ctx context.Context, db *pgdb.DB, now time.Time, plans programme, rows []assignmentRow) (Judged, error) {
	all, err := load(ctx, db, now, plans, rows)
	if err != nil || len(all) == 0 {
		return Judged{}, err
	}
	answers := make([]due.Answer, len(all))
	for i := range all {
		answers[i] = due.Judge(&all[i].Due, all[i].Site, now)
	}
	var j Judged
	err = db.InTx(ctx, access.System.ID, func(tx *gorm.DB) error {
		j, err = keep(tx, now, all, answers)
		return err
	})
	return j, err
}

// answered is how an assignment stands as its row keeps it.
type answered struct {
	ids                                        []uuid.UUID
	revisions, missed                          []int32
	states, says                               []string
	governs, grades, gaps                      []int16
	dues, earliest, latest, lows, highs, nexts []*time.Time
	opens, dueAts, lates, checks               []*time.Time
}

const keepAnswers = `
update assignment as a
   set state = u.state, governs = u.governs, due_on = u.due_on, earliest_on = u.earliest_on, latest_on = u.latest_on, low_on = u.low_on, high_on = u.high_on,
       grade = u.grade, missed = u.missed, next_on = u.next_on, gaps = u.gaps, opens_at = u.opens_at, due_at = u.due_at, late_at = u.late_at,
       next_check_at = u.next_check_at, says = u.says, judged_at = @now, changed = 0, revision = a.revision + 1
  from unnest(cast(@ids as uuid[]), cast(@revisions as int[]), cast(@states as text[]), cast(@governs as smallint[]), cast(@dues as date[]), cast(@earliest as date[]), cast(@latest as date[]),
              cast(@lows as date[]), cast(@highs as date[]), cast(@grades as smallint[]), cast(@missed as int[]), cast(@nexts as date[]), cast(@gaps as smallint[]),
              cast(@opens as timestamptz[]), cast(@dueats as timestamptz[]), cast(@lates as timestamptz[]), cast(@checks as timestamptz[]), cast(@says as text[]))
       as u(id, revision, state, governs, due_on, earliest_on, latest_on, low_on, high_on, grade, missed, next_on, gaps, opens_at, due_at, late_at, next_check_at, says)
 where a.id = u.id and a.revision = u.revision and a.ended_at is null
returning a.id, a.task_id`

// An open task follows what its assignment says: it keeps the first date that is
// undone, and counts the others.
const followTasks = `
update task as t
   set due_on = a.due_on, earliest_on = a.earliest_on, latest_on = a.latest_on, missed = a.missed, version = t.version + 1
  from assignment as a
 where a.id = any (@ids) and t.open_for = a.id and a.due_on is not null
   and (t.due_on, t.earliest_on, t.latest_on, t.missed) is distinct from (a.due_on, a.earliest_on, a.latest_on, a.missed)`

// The day of an operating day's task has turned.
const missDays = `
with missed as (
  update task as t
     set state = 'missed', ended_at = @now, ended_by = @who, ended_why = 'its operating day ended without it', version = t.version + 1
    from assignment as a
   where a.id = any (@ids) and t.open_for = a.id and (a.due_on is null or a.due_on > t.due_on)
  returning t.assignment_id
)
update assignment as a set task_id = null, revision = a.revision + 1 from missed as m where a.id = m.assignment_id`

// lock takes assignments in one order for everybody.
func lock(tx *gorm.DB, ids []uuid.UUID) error {
	return tx.Exec(`select from assignment where id = any (@ids) order by id for update`, map[string]any{"ids": &ids}).Error
}

func keep(tx *gorm.DB, now time.Time, all []Standing, answers []due.Answer) (Judged, error) {
	n := len(all)
	var k answered
	for i := range all {
		s, r := &all[i], &answers[i]
		says := ""
		if r.Due != 0 && !r.OpensAt.After(now) {
			says = due.Explain(&s.Due, s.Site, now).Says
			says = strings.ToUpper(says[:1]) + says[1:] + "."
		}
		k.ids, k.revisions, k.states = append(k.ids, s.ID), append(k.revisions, int32(s.Revision)), append(k.states, r.State.String())
		k.governs, k.grades, k.gaps, k.missed = append(k.governs, int16(r.Governs)), append(k.grades, int16(r.Grade)), append(k.gaps, int16(r.Gaps)), append(k.missed, int32(r.Missed))
		k.dues, k.earliest, k.latest = append(k.dues, date(r.Due)), append(k.earliest, date(r.Earliest)), append(k.latest, date(r.Latest))
		k.lows, k.highs, k.nexts = append(k.lows, date(r.Low)), append(k.highs, date(r.High)), append(k.nexts, date(r.Next))
		k.opens, k.dueAts, k.lates, k.checks = append(k.opens, instant(r.OpensAt)), append(k.dueAts, instant(r.DueAt)), append(k.lates, instant(r.LateAt)), append(k.checks, instant(r.NextCheckAt))
		k.says = append(k.says, says)
	}
	if err := lock(tx, k.ids); err != nil {
		return Judged{}, err
	}
	var done []struct {
		ID     uuid.UUID
		TaskID *uuid.UUID
	}
	if err := tx.Raw(keepAnswers, map[string]any{"now": now, "ids": &k.ids, "revisions": &k.revisions, "states": &k.states, "governs": &k.governs, "dues": &k.dues, "earliest": &k.earliest, "latest": &k.latest,
		"lows": &k.lows, "highs": &k.highs, "grades": &k.grades, "missed": &k.missed, "nexts": &k.nexts, "gaps": &k.gaps, "opens": &k.opens, "dueats": &k.dueAts, "lates": &k.lates, "checks": &k.checks,
		"says": &k.says}).Scan(&done).Error; err != nil {
		return Judged{}, err
	}
	kept := make(map[uuid.UUID]bool, n)
	var open, daily []uuid.UUID
	for _, d := range done {
		kept[d.ID] = true
	}
	var anew []uuid.UUID
	var rows []map[string]any
	for i := range all {
		s := &all[i]
		if !kept[s.ID] {
			continue
		}
		if s.stale {
			anew = append(anew, s.ID)
			for _, d := range s.drivers {
				rows = append(rows, map[string]any{"assignment_id": s.ID, "unit": d.Unit, "meter_id": d.MeterID, "share": d.Share, "carried": d.Carried, "from_at": d.FromAt, "from_total": d.FromTotal,
					"grade": d.Grade, "held_at": d.HeldAt, "earlier": d.earlier})
			}
		}
		if s.plan.daily() {
			daily = append(daily, s.ID)
		} else if s.TaskID != nil {
			open = append(open, s.ID)
		}
	}
	if len(anew) > 0 {
		if err := tx.Exec(`delete from assignment_driver where assignment_id = any (@ids)`, map[string]any{"ids": &anew}).Error; err != nil {
			return Judged{}, err
		}
	}
	if len(rows) > 0 {
		if err := tx.Exec(`
insert into assignment_driver (assignment_id, unit, meter_id, share, carried, from_at, from_total, grade, held_at, earlier)
select r.* from jsonb_to_recordset(cast(@rows as jsonb)) as r(assignment_id uuid, unit text, meter_id uuid, share float8, carried float8, from_at timestamptz, from_total bigint, grade smallint, held_at timestamptz, earlier uuid[])`,
			map[string]any{"rows": document(rows)}).Error; err != nil {
			return Judged{}, err
		}
	}
	j := Judged{Assignments: len(done)}
	if len(open) > 0 {
		if err := tx.Exec(followTasks, map[string]any{"ids": &open}).Error; err != nil {
			return j, err
		}
	}
	if len(daily) > 0 {
		r := tx.Exec(missDays, map[string]any{"ids": &daily, "now": now, "who": access.System.ID})
		if r.Error != nil {
			return j, r.Error
		}
		j.Missed = int(r.RowsAffected)
	}
	return j, nil
}

// daily tells whether the plan's work is of each operating day.
func (p *live) daily() bool {
	_, daily := p.schedule.Plan().Triggers[0].(due.EachOperatingDay)
	return daily
}

// Those that changed come first, since answers to people wait for them.
const toJudge = assignmentColumns + `
 where a.ended_at is null and a.changed > 0 and a.id > @after order by a.id limit @most`

const toCheck = assignmentColumns + `
 where a.ended_at is null and a.next_check_at <= @now and a.changed = 0 order by a.next_check_at, a.id limit @most`

// Judge judges what has changed and what time has changed, until nothing is left.
func Judge(ctx context.Context, db *pgdb.DB, now time.Time) (Judged, error) {
	var j Judged
	plans, err := programmeNow(ctx, db)
	if err != nil {
		return j, err
	}
	after := uuid.Nil
	for {
		rows, err := sys[assignmentRow](ctx, db, toJudge, map[string]any{"after": after, "most": batch})
		if err != nil {
			return j, err
		}
		if len(rows) == 0 {
			break
		}
		after = rows[len(rows)-1].ID
		done, err := judge(ctx, db, now, plans, rows)
		if err != nil {
			return j, err
		}
		j.Assignments, j.Missed = j.Assignments+done.Assignments, j.Missed+done.Missed
	}
	for {
		rows, err := sys[assignmentRow](ctx, db, toCheck, map[string]any{"now": now, "most": batch})
		if err != nil {
			return j, err
		}
		if len(rows) == 0 {
			return j, nil
		}
		done, err := judge(ctx, db, now, plans, rows)
		if err != nil {
			return j, err
		}
		j.Assignments, j.Missed = j.Assignments+done.Assignments, j.Missed+done.Missed
		if done.Assignments == 0 { // others judge the same ones
			return j, nil
		}
	}
}

// Follow judges some assignments at once, for those who wait for the answer.
func Follow(ctx context.Context, db *pgdb.DB, now time.Time, ids []uuid.UUID) error {
	if len(ids) == 0 {
		return nil
	}
	plans, err := programmeNow(ctx, db)
	if err != nil {
		return err
	}
	rows, err := sys[assignmentRow](ctx, db, assignmentColumns+` where a.id = any (@ids) and a.ended_at is null`, map[string]any{"ids": ids})
	if err != nil {
		return err
	}
	_, err = judge(ctx, db, now, plans, rows)
	return err
}
