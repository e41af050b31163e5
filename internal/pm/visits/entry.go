package visits

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
)

// The acts of a trip.
const (
	LeftFor  = "left"
	Arrived  = "arrived"
	Started  = "started"
	Finished = "finished"
)

var acts = []string{LeftFor, Arrived, Started, Finished}

// NewEntry is what a phone says of a trip. It may come late, twice and out of order.
type NewEntry struct {
	ID       uuid.UUID  // chosen by the phone: the same entry again is no new one
	PersonID *uuid.UUID // nil is whoever records it
	Act      string     // left, arrived, started or finished
	DoneAt   time.Time  // by the phone's clock
	OffsetMS *int64     // how much later it was than that, where it is known
	Note     string
}

// mostEntries bounds what is sent at once.
const mostEntries = 200

// Enter keeps what phones say of a visit, whatever its state: nothing that an honest
// person recorded is refused. The first entry puts a visit under way. It tells
// how many were new.
func Enter(tx *gorm.DB, who access.Actor, now time.Time, id uuid.UUID, in []NewEntry) (int, error) {
	if err := who.Must(access.RecordWork); err != nil {
		return 0, err
	}
	if len(in) == 0 || len(in) > mostEntries {
		return 0, fault.Field("entries", len(in), "are 1 to %d at once", mostEntries)
	}
	h, err := hold(tx, id, nil)
	if err != nil {
		return 0, err
	}
	type row struct {
		ID       uuid.UUID `json:"id"`
		PersonID uuid.UUID `json:"person_id"`
		Act      string    `json:"act"`
		Note     string    `json:"note"`
		DoneAt   time.Time `json:"done_at"`
		OffsetMS *int64    `json:"offset_ms"`
		At       time.Time `json:"at"`
	}
	// the database keeps microseconds: what is finer would be rounded up, and lie ahead
	now = now.Truncate(time.Microsecond)
	rows := make([]row, len(in))
	var faults []*fault.Error
	for i, e := range in {
		at := func(field string) string { return fmt.Sprintf("entries[%d].%s", i, field) }
		rows[i] = row{e.ID, who.ID, e.Act, strings.TrimSpace(e.Note), e.DoneAt, e.OffsetMS, e.DoneAt}
		if e.PersonID != nil {
			rows[i].PersonID = *e.PersonID
		}
		if e.OffsetMS != nil {
			rows[i].At = e.DoneAt.Add(time.Duration(*e.OffsetMS) * time.Millisecond)
		}
		rows[i].At = rows[i].At.Truncate(time.Microsecond)
		if rows[i].At.After(now) { // a clock that is ahead; what it said is kept beside
			rows[i].At = now
		}
		switch {
		case e.ID == uuid.Nil:
			faults = append(faults, fault.Field(at("id"), "", "is chosen by whoever sends the entry"))
		case slices.ContainsFunc(in[:i], func(o NewEntry) bool { return o.ID == e.ID }):
			faults = append(faults, fault.Field(at("id"), e.ID.String(), "is given to two entries"))
		case !slices.Contains(acts, e.Act):
			faults = append(faults, fault.Field(at("act"), e.Act, "is one of %s", strings.Join(acts, ", ")))
		case e.DoneAt.IsZero():
			faults = append(faults, fault.Field(at("done_at"), "", "is when it was, by the phone's clock"))
		}
	}
	if err := fault.Collect(faults...); err != nil {
		return 0, err
	}
	v := map[string]any{"id": id, "site": h.SiteID, "rows": document(rows), "now": now, "who": who.ID}
	r := tx.Exec(`
insert into visit_entry (id, visit_id, site_id, person_id, act, note, done_at, offset_ms, at, received_at, recorded_by)
select id, @id, @site, person_id, act, note, done_at, offset_ms, at, @now, @who
  from jsonb_to_recordset(cast(@rows as jsonb)) as r(id uuid, person_id uuid, act text, note text, done_at timestamptz, offset_ms bigint, at timestamptz)
on conflict (id) do nothing`, v)
	if r.Error != nil {
		return 0, r.Error
	}
	if int(r.RowsAffected) < len(in) {
		other, err := read[struct{ Place int }](tx, `
select r.place::integer as place
  from rows from (jsonb_to_recordset(cast(@rows as jsonb)) as (id uuid, person_id uuid, act text, done_at timestamptz)) with ordinality as r(id, person_id, act, done_at, place)
  join visit_entry as e on e.id = r.id
 where (e.visit_id, e.person_id, e.act, e.done_at) is distinct from (@id, r.person_id, r.act, r.done_at) order by 1`, v)
		if err != nil {
			return 0, err
		}
		if len(other) > 0 {
			return 0, &fault.Error{Kind: fault.Conflict, Field: fmt.Sprintf("entries[%d].id", other[0].Place-1), Msg: "is the id of another entry; choose a fresh one for each"}
		}
	}
	if h.State != Proposed && h.State != Planned {
		return int(r.RowsAffected), nil
	}
	return int(r.RowsAffected), tx.Exec(`
update visit set state = 'under_way', began_at = (select min(e.at) from visit_entry as e where e.visit_id = @id), version = version + 1 where id = @id`, v).Error
}

// Entry is what a phone said.
type Entry struct {
	ID         uuid.UUID
	PersonID   uuid.UUID
	Person     string
	Act        string
	Note       string
	DoneAt     time.Time
	OffsetMS   *int64
	At         time.Time // DoneAt put right by the offset
	ReceivedAt time.Time
	RecordedBy string
}

// Entries lists what phones said of a visit, in the order in which it happened.
// It is for the distributor's people.
func Entries(ctx context.Context, db *pgdb.DB, who access.Actor, id uuid.UUID) ([]Entry, error) {
	return pgdb.Read[Entry](ctx, db, who.ID, `
select e.id, e.person_id, coalesce(p.name, '') as person, e.act, e.note, e.done_at, e.offset_ms, e.at, e.received_at, coalesce(r.name, '') as recorded_by
  from visit_entry as e
  left join actor as p on p.id = e.person_id
  left join actor as r on r.id = e.recorded_by
 where e.visit_id = @id and (@everywhere or e.site_id = any (@sites))
order by e.at, e.id`, who.Scope(map[string]any{"id": id}))
}

// Times is when one person left, arrived, started and finished; nil where nobody
// said so.
type Times struct {
	PersonID                         uuid.UUID
	Person                           string
	Left, Arrived, Started, Finished *time.Time
	// Odd says what a person should look at: told twice, told late, in no order.
	Odd []string
}

// told is how long after it happened an entry may come without a word.
const told = time.Hour

// TimesOf works out each person's times: of leaving, arriving and starting the first
// counts, of finishing the last, since people find something else to do. zone
// is for what is said.
func TimesOf(entries []Entry, zone *time.Location) []Times {
	var all []Times
	by := map[uuid.UUID]int{}
	sorted := slices.Clone(entries)
	slices.SortStableFunc(sorted, func(a, b Entry) int { return a.At.Compare(b.At) })
	for _, e := range sorted {
		i, known := by[e.PersonID]
		if !known {
			i = len(all)
			by[e.PersonID] = i
			all = append(all, Times{PersonID: e.PersonID, Person: e.Person})
		}
		t, at := &all[i], e.At
		slot := map[string]**time.Time{LeftFor: &t.Left, Arrived: &t.Arrived, Started: &t.Started, Finished: &t.Finished}[e.Act]
		clock := func(t time.Time) string { return t.In(zone).Format("15:04") }
		switch {
		case *slot == nil:
			*slot = &at
		case e.Act == Finished:
			t.Odd = append(t.Odd, fmt.Sprintf("finished at %s and again at %s: the last counts", clock(**slot), clock(at)))
			*slot = &at
		default:
			t.Odd = append(t.Odd, fmt.Sprintf("%s at %s and again at %s: the first counts", e.Act, clock(**slot), clock(at)))
		}
		if late := e.ReceivedAt.Sub(e.At); late > told {
			t.Odd = append(t.Odd, fmt.Sprintf("%s at %s, told %d h %d min later", e.Act, clock(at), int(late.Hours()), int(late.Minutes())%60))
		}
	}
	for i := range all {
		t := &all[i]
		var last *time.Time
		var act string
		for k, at := range []*time.Time{t.Left, t.Arrived, t.Started, t.Finished} {
			switch {
			case at == nil:
			case last != nil && at.Before(*last):
				t.Odd = append(t.Odd, fmt.Sprintf("%s before %s", acts[k], act))
			default:
				last, act = at, acts[k]
			}
		}
	}
	slices.SortStableFunc(all, func(a, b Times) int { return strings.Compare(a.Person, b.Person) })
	return all
}

// Act is one act of a person on a visit.
type Act struct {
	VisitID, PersonID uuid.UUID
	Act               string
}

// Acts lists what phones said of some visits, in the order in which it happened.
func Acts(ctx context.Context, db *pgdb.DB, who access.Actor, ids []uuid.UUID) ([]Act, error) {
	return pgdb.Read[Act](ctx, db, who.ID, `
select e.visit_id, e.person_id, e.act from visit_entry as e
 where e.visit_id = any (cast(@ids as uuid[])) and (@everywhere or e.site_id = any (@sites)) order by e.at, e.id`, who.Scope(map[string]any{"ids": ids}))
}
