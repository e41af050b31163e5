package isolation

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
)

// Page is a part of a list; its key is that of the last row before it.
type Page = access.Page

// NewEntry is what somebody declares, as a phone sends it.
type NewEntry struct {
	ID           uuid.UUID // chosen by the phone, so that the same entry again is no new one
	PointID      uuid.UUID
	PointVersion int // the version of the point that was shown
	Act          Act
	LockID       *uuid.UUID // of acts of a lock: chosen by the phone when it is put on
	For          string     // the name of somebody without an account who says so; "" for whoever sends it
	DoneAt       time.Time  // as the phone's clock said
	Stamped      bool       // DoneAt is when it arrived, so that the same entry again comes with another
	Offset       *time.Duration
	VisitID      *uuid.UUID
	RecordID     *uuid.UUID
	How          string
	Instrument   string
	Anothers     AnothersLock
	Until        *time.Time
	HandedTo     string
	Note         string
}

// Taken is what became of one entry that was sent.
type Taken struct {
	ID    uuid.UUID
	State string       // kept, already or refused
	Fault *fault.Error // of refused
}

// MostEntries bounds what is taken at once.
const MostEntries = 200

// said is what an entry says beside the columns.
type said struct {
	AnothersLock
	Until    *time.Time `json:"until,omitempty"`
	HandedTo string     `json:"handed_to,omitempty"`
	Early    bool       `json:"early,omitempty"`
}

type row struct {
	ID           uuid.UUID  `json:"id"`
	SiteID       uuid.UUID  `json:"site_id"`
	PointID      uuid.UUID  `json:"point_id"`
	PointVersion int        `json:"point_version"`
	VisitID      *uuid.UUID `json:"visit_id"`
	RecordID     *uuid.UUID `json:"record_id"`
	Act          Act        `json:"act"`
	LockID       *uuid.UUID `json:"lock_id"`
	PersonID     *uuid.UUID `json:"person_id"`
	Person       string     `json:"person"`
	How          string     `json:"how"`
	Instrument   string     `json:"instrument"`
	Said         said       `json:"said"`
	Note         string     `json:"note"`
	DoneAt       time.Time  `json:"done_at"`
	OffsetMS     *int64     `json:"offset_ms"`
	At           time.Time  `json:"at"`
}

// When gives the instant of what a phone declares: by its clock set right, and not
// after it has arrived. early tells that the clock ran ahead all the same.
func When(done time.Time, offset *time.Duration, now time.Time) (at time.Time, early bool) {
	at = done
	if offset != nil {
		at = at.Add(*offset)
	}
	at = at.UTC().Truncate(time.Microsecond)
	if at.After(now) {
		return now.UTC().Truncate(time.Microsecond), at.Sub(now) > time.Minute
	}
	return at, false
}

// Take keeps what was declared, entry by entry. Refused is only what says nothing
// (no such point, no time, a proof without how), and taking another's lock off
// without the three confirmations. Whatever else contradicts what is on record is
// kept, and Follow marks it.
func Take(tx *gorm.DB, who access.Actor, now time.Time, in []NewEntry) ([]Taken, error) {
	if err := who.Must(access.DoRounds); err != nil {
		return nil, err
	}
	if len(in) > MostEntries {
		return nil, fault.Field("items", len(in), "are at most %d at once", MostEntries)
	}
	points, locks, ids := assets.Texts{}, assets.Texts{}, assets.Texts{}
	for _, e := range in {
		points, ids = append(points, e.PointID.String()), append(ids, e.ID.String())
		if e.LockID != nil {
			locks = append(locks, e.LockID.String())
		}
	}
	if err := tx.Exec(takeTurns, map[string]any{"points": points}).Error; err != nil {
		return nil, err
	}
	sites, err := siteOf(tx, who, points)
	if err != nil {
		return nil, err
	}
	owners, err := ownersOf(tx, locks)
	if err != nil {
		return nil, err
	}
	visits, err := VisitsNamed(tx, visitsOf(in))
	if err != nil {
		return nil, err
	}
	taken, rows, places := make([]Taken, len(in)), []row{}, []int{}
	for i, e := range in {
		r, bad := entryRow(e, who, now, sites, owners)
		if bad == nil && e.VisitID != nil && visits[*e.VisitID] != r.SiteID {
			bad = fault.Field("visit_id", e.VisitID, "names no visit to this site")
		}
		taken[i] = Taken{ID: e.ID, State: "kept"}
		if bad != nil {
			bad.Field = fmt.Sprintf("items[%d].%s", i, bad.Field)
			taken[i] = Taken{ID: e.ID, State: "refused", Fault: bad}
			continue
		}
		rows, places = append(rows, r), append(places, i)
	}
	was, err := recorded(tx, ids)
	if err != nil {
		return nil, err
	}
	fresh, changed := []row{}, assets.Texts{}
	for n, r := range rows {
		i := places[n]
		old, there := was[r.ID]
		switch {
		case !there:
			was[r.ID] = r
			fresh = append(fresh, r)
			if r.LockID != nil {
				changed = append(changed, r.LockID.String())
			}
		case old.same(r, in[i].Stamped):
			taken[i].State = "already"
		default:
			taken[i] = Taken{ID: r.ID, State: "refused", Fault: &fault.Error{Kind: fault.Conflict, Field: fmt.Sprintf("items[%d].id", i), Value: r.ID.String(),
				Msg: "was used for another entry; choose a fresh one for each"}}
		}
	}
	if len(fresh) == 0 {
		return taken, nil
	}
	if err := tx.Exec(addEntries, map[string]any{"rows": document(fresh), "now": now, "who": who.ID}).Error; err != nil {
		return nil, err
	}
	if len(changed) == 0 {
		return taken, nil
	}
	return taken, tx.Exec(workOutLocks, map[string]any{"locks": changed}).Error
}

func visitsOf(in []NewEntry) (all []uuid.UUID) {
	for _, e := range in {
		if e.VisitID != nil {
			all = append(all, *e.VisitID)
		}
	}
	return all
}

// VisitsNamed gives the sites of the visits that entries name.
func VisitsNamed(tx *gorm.DB, visits []uuid.UUID) (map[uuid.UUID]uuid.UUID, error) {
	by := map[uuid.UUID]uuid.UUID{}
	if len(visits) == 0 {
		return by, nil
	}
	var found []struct{ ID, SiteID uuid.UUID }
	err := tx.Raw(`select id, site_id from visit where id = any (cast(@visits as uuid[]))`, map[string]any{"visits": texts(visits)}).Scan(&found).Error
	for _, f := range found {
		by[f.ID] = f.SiteID
	}
	return by, err
}

func document(v any) string {
	b, err := json.Marshal(v)
	if err != nil {
		panic(fmt.Sprintf("a document of %T: %v", v, err)) // only of what cannot be written at all
	}
	return string(b)
}

// same tells whether an entry is the one that was sent before. How far a phone's clock
// ran ahead was judged when it first came.
func (r row) same(o row, stamped bool) bool {
	r.Said.Early = o.Said.Early
	return r.says() == o.says() && (stamped || r.DoneAt.Truncate(time.Microsecond).Equal(o.DoneAt.Truncate(time.Microsecond)))
}

// says is all that an entry says, but when. Who has an account may be called otherwise by now.
func (r row) says() string {
	if r.PersonID != nil {
		r.Person = ""
	}
	return document([]any{r.PointID, r.Act, r.LockID, r.PersonID, r.Person, r.How, r.Instrument, r.Note, r.Said})
}

func recorded(tx *gorm.DB, ids assets.Texts) (map[uuid.UUID]row, error) {
	var found []struct{ Entry string }
	err := tx.Raw(`select cast(to_jsonb(e) as text) as entry from isolation_entry as e where e.id = any (cast(@ids as uuid[]))`, map[string]any{"ids": ids}).Scan(&found).Error
	by := map[uuid.UUID]row{}
	for _, o := range found {
		var r row
		if err := json.Unmarshal([]byte(o.Entry), &r); err != nil {
			return nil, err
		}
		by[r.ID] = r
	}
	return by, err
}

// siteOf gives the site of each point within the actor's scope.
func siteOf(tx *gorm.DB, who access.Actor, points assets.Texts) (map[uuid.UUID]uuid.UUID, error) {
	var found []struct{ ID, SiteID uuid.UUID }
	sites := assets.Texts{}
	for _, s := range who.Sites {
		sites = append(sites, s.String())
	}
	err := tx.Raw(`select id, site_id from isolation_point where id = any (cast(@points as uuid[])) and (@everywhere or site_id = any (cast(@sites as uuid[])))`,
		map[string]any{"points": points, "everywhere": who.Everywhere, "sites": sites}).Scan(&found).Error
	by := map[uuid.UUID]uuid.UUID{}
	for _, f := range found {
		by[f.ID] = f.SiteID
	}
	return by, err
}

// ownersOf gives whose each known lock is.
func ownersOf(tx *gorm.DB, locks assets.Texts) (map[uuid.UUID]Person, error) {
	var found []struct {
		ID         uuid.UUID
		PersonID   *uuid.UUID
		Person     string
		RecordedBy uuid.UUID
	}
	err := tx.Raw(`select id, person_id, person, recorded_by from isolation_lock where id = any (cast(@locks as uuid[])) and locked_at is not null`, map[string]any{"locks": locks}).Scan(&found).Error
	by := map[uuid.UUID]Person{}
	for _, f := range found {
		by[f.ID] = Person{f.PersonID, f.Person, f.RecordedBy}
	}
	return by, err
}

func entryRow(e NewEntry, who access.Actor, now time.Time, sites map[uuid.UUID]uuid.UUID, owners map[uuid.UUID]Person) (row, *fault.Error) {
	site, known := sites[e.PointID]
	by := Person{ID: &who.ID, Name: who.Name, By: who.ID}
	if name := strings.TrimSpace(e.For); name != "" {
		by = Person{Name: name, By: who.ID}
	}
	switch {
	case e.ID == uuid.Nil:
		return row{}, fault.Field("id", "", "is needed: the sender chooses it, so that the same entry again is no new one")
	case !slices.Contains(Acts, e.Act):
		return row{}, fault.Field("act", string(e.Act), "is one of prepared, told, shut_down, isolated, locked, relieved, proved, clear, off_for_test, back_on, left_on, inspected, unlocked, told_after and restored")
	case !known:
		return row{}, &fault.Error{Kind: fault.NotFound, Field: "point_id", Value: e.PointID.String(), Msg: "no such isolation point"}
	case e.Act.OfALock() != (e.LockID != nil):
		return row{}, fault.Field("lock_id", "", "names the lock in what is said of a lock, and only there")
	case e.DoneAt.IsZero() || e.DoneAt.Year() < 2000 || e.DoneAt.Year() > 2200:
		return row{}, fault.Field("done_at", e.DoneAt.Format(time.RFC3339), "is when it was done, by the phone's clock")
	case e.Act == Proved && strings.TrimSpace(e.How) == "":
		return row{}, fault.Field("how", e.How, "must not be blank: how it was tried and measured")
	case e.Act == Proved && strings.TrimSpace(e.Instrument) == "":
		return row{}, fault.Field("instrument", e.Instrument, "must not be blank: with what, or by which look or push")
	case e.Act == LeftOn && e.Until == nil:
		return row{}, fault.Field("until", "", "is needed: when somebody comes back to this lock")
	case e.Offset != nil && (*e.Offset > 400*24*time.Hour || *e.Offset < -400*24*time.Hour):
		return row{}, fault.Field("offset_ms", e.Offset.Milliseconds(), "lies within 400 days: how much later it was than the phone's clock said")
	}
	sure := AnothersLock{strings.TrimSpace(e.Anothers.NotHere), strings.TrimSpace(e.Anothers.Tried), strings.TrimSpace(e.Anothers.Knows)}
	if e.Act == Unlocked {
		owner, known := owners[*e.LockID]
		if known && !owner.same(by) && !sure.whole() {
			return row{}, &fault.Error{Kind: fault.Invalid, Field: "anothers_lock", Value: owner.Name,
				Msg: "this is the lock of " + owner.Name + ". Each takes off the own lock. Another does so only under the employer's own written rule, and says how it was checked that the owner is not here, " +
					"what was done to reach the owner, and how the owner gets to know before working here again (29 CFR 1910.147 (e)(3))"}
		}
	}
	if e.Act == Locked {
		if _, known := owners[*e.LockID]; !known { // what comes later in the same request is held against it
			owners[*e.LockID] = by
		}
	}
	at, early := When(e.DoneAt, e.Offset, now)
	r := row{ID: e.ID, SiteID: site, PointID: e.PointID, PointVersion: e.PointVersion, VisitID: e.VisitID, RecordID: e.RecordID, Act: e.Act, LockID: e.LockID,
		PersonID: by.ID, Person: by.Name, How: strings.TrimSpace(e.How), Instrument: strings.TrimSpace(e.Instrument),
		Said: said{AnothersLock: sure, Until: e.Until, HandedTo: strings.TrimSpace(e.HandedTo), Early: early}, Note: strings.TrimSpace(e.Note), DoneAt: e.DoneAt.UTC(), At: at}
	if e.Until != nil { // however its zone is written, it is the same instant
		until := e.Until.UTC()
		r.Said.Until = &until
	}
	if e.Offset != nil {
		ms := e.Offset.Milliseconds()
		r.OffsetMS = &ms
	}
	return r, nil
}

type entryOut struct {
	ID           uuid.UUID
	PointID      uuid.UUID
	Act          string
	LockID       *uuid.UUID
	PersonID     *uuid.UUID
	Person       string
	How          string
	Instrument   string
	Said         string
	Note         string
	PointVersion int
	DoneAt       time.Time
	At           time.Time
	ReceivedAt   time.Time
	RecordedBy   uuid.UUID
	VisitID      *uuid.UUID
	RecordID     *uuid.UUID
}

func (o entryOut) entry() (Entry, error) {
	var s said
	if err := json.Unmarshal([]byte(o.Said), &s); err != nil {
		return Entry{}, err
	}
	e := Entry{ID: o.ID, PointID: o.PointID, Act: Act(o.Act), Person: Person{o.PersonID, o.Person, o.RecordedBy}, At: o.At, Early: s.Early, VisitID: o.VisitID, RecordID: o.RecordID,
		How: o.How, Instrument: o.Instrument, Anothers: s.AnothersLock, Until: s.Until, HandedTo: s.HandedTo, Note: o.Note, PointVersion: o.PointVersion,
		DoneAt: o.DoneAt, ReceivedAt: o.ReceivedAt}
	if o.LockID != nil {
		e.LockID = *o.LockID
	}
	return e, nil
}

func entriesOf(rows []entryOut) ([]Entry, error) {
	all := make([]Entry, len(rows))
	for i, r := range rows {
		e, err := r.entry()
		if err != nil {
			return nil, err
		}
		all[i] = e
	}
	return all, nil
}

func byPoint(rows []entryOut) (map[uuid.UUID]Point, error) {
	all, err := entriesOf(rows)
	if err != nil {
		return nil, err
	}
	of := map[uuid.UUID][]Entry{}
	for _, e := range all {
		of[e.PointID] = append(of[e.PointID], e)
	}
	points := map[uuid.UUID]Point{}
	for id, entries := range of {
		points[id] = Follow(entries)
	}
	return points, nil
}

func texts(ids []uuid.UUID) assets.Texts {
	all := assets.Texts{}
	for _, id := range ids {
		all = append(all, id.String())
	}
	return all
}

// Followed gives how points stand, inside a transaction, with what happened from
// an instant on. A point of which nothing is declared is not among them.
func Followed(tx *gorm.DB, points []uuid.UUID, from time.Time) (map[uuid.UUID]Point, error) {
	var rows []entryOut
	if err := tx.Raw(followed, map[string]any{"points": texts(points), "from": from}).Scan(&rows).Error; err != nil {
		return nil, err
	}
	return byPoint(rows)
}

// FollowedNow is Followed for what people wait for.
func FollowedNow(ctx context.Context, db *pgdb.DB, who access.Actor, points []uuid.UUID, from time.Time) (map[uuid.UUID]Point, error) {
	rows, err := pgdb.Read[entryOut](ctx, db, who.ID, followed, map[string]any{"points": points, "from": from})
	if err != nil {
		return nil, err
	}
	return byPoint(rows)
}

// PointNow is a point of a position with how it stands.
type PointNow struct {
	assets.IsolationPoint
	Point
	Cautions []string
	Looked   []Look // at its marks
}

// AtPosition gives the points behind which a position lies, each with how it
// stands by what was declared, and with everybody's locks.
func AtPosition(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, position uuid.UUID) ([]PointNow, error) {
	points, err := assets.PositionIsolation(ctx, db, who, now, position)
	if err != nil {
		return nil, err
	}
	return pointsNow(ctx, db, who, now, points)
}

// AtPoint gives one point with how it stands.
func AtPoint(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, point uuid.UUID) (PointNow, error) {
	p, err := assets.OneIsolationPoint(ctx, db, who, point)
	if err != nil {
		return PointNow{}, err
	}
	p.Versions = p.Versions[:min(1, len(p.Versions))]
	all, err := pointsNow(ctx, db, who, now, []assets.IsolationPoint{p})
	if err != nil {
		return PointNow{}, err
	}
	return all[0], nil
}

func pointsNow(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, points []assets.IsolationPoint) ([]PointNow, error) {
	ids := make([]uuid.UUID, len(points))
	for i, p := range points {
		ids[i] = p.ID
	}
	by, err := FollowedNow(ctx, db, who, ids, now)
	if err != nil {
		return nil, err
	}
	marked := []uuid.UUID{}
	for _, p := range by {
		for _, m := range p.Marks {
			marked = append(marked, m.EntryID)
		}
	}
	looks, err := LooksAt(ctx, db, who, marked)
	if err != nil {
		return nil, err
	}
	all := make([]PointNow, len(points))
	for i, p := range points {
		at, declared := by[p.ID]
		if !declared {
			at = Follow(nil)
		}
		all[i] = PointNow{IsolationPoint: p, Point: at, Cautions: Cautions(p)}
		for _, m := range at.Marks {
			for _, l := range looks {
				if l.EntryID == m.EntryID && l.Mark == m.Code {
					all[i].Looked = append(all[i].Looked, l)
				}
			}
		}
	}
	return all, nil
}

// Entries lists what was declared about a point, the latest first.
func Entries(ctx context.Context, db *pgdb.DB, who access.Actor, point uuid.UUID, page Page) ([]Entry, error) {
	if _, err := assets.OneIsolationPoint(ctx, db, who, point); err != nil {
		return nil, err
	}
	after, err := key(page.After)
	if err != nil {
		return nil, err
	}
	rows, err := pgdb.Read[entryOut](ctx, db, who.ID, history, map[string]any{"point": point, "after": after, "limit": page.Limit})
	if err != nil {
		return nil, err
	}
	return entriesOf(rows)
}

// key reads the key to read on from.
func key(after string) (*uuid.UUID, error) {
	if after == "" {
		return nil, nil
	}
	id, err := uuid.Parse(after)
	if err != nil {
		return nil, fault.Field("after", after, "is no key of this list")
	}
	return &id, nil
}

// OpenLock is a lock that is on, wherever its visit has gone, or was.
type OpenLock struct {
	ID           uuid.UUID
	SiteID       uuid.UUID
	Site         string
	SiteName     string
	Zone         string
	PointID      uuid.UUID
	Point        string
	Energy       string
	Place        string
	PointVersion int
	Positions    []string // every one that it takes
	VisitID      *uuid.UUID
	RecordID     *uuid.UUID
	PersonID     *uuid.UUID
	Person       string
	LockedAt     time.Time
	OffAt        *time.Time // while it is off for a test
	LeftUntil    *time.Time // when somebody comes back to it
	HandedTo     string
	RemovedAt    *time.Time // nil while it is on
}

// Overdue tells that somebody meant to be back at the lock by now.
func (l OpenLock) Overdue(now time.Time) bool { return l.LeftUntil != nil && l.LeftUntil.Before(now) }

// OpenLocks lists the locks that are on, the oldest first: all, or those of a site.
func OpenLocks(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, site *uuid.UUID, page Page) ([]OpenLock, error) {
	if site != nil {
		if _, err := assets.OneSite(ctx, db, who, *site); err != nil {
			return nil, err
		}
	}
	after, err := key(page.After)
	if err != nil {
		return nil, err
	}
	return pgdb.Read[OpenLock](ctx, db, who.ID, openLocks, who.Scope(map[string]any{"now": now, "site": site, "after": after, "limit": page.Limit}))
}

// OneLock gives a lock, also one that has come off since.
func OneLock(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, id uuid.UUID) (OpenLock, error) {
	return pgdb.ReadOne[OpenLock](ctx, db, who.ID, "lock", id.String(), locks+` and l.id = @lock`, who.Scope(map[string]any{"now": now, "lock": id}))
}

// Look is that a manager has looked at a mark.
type Look struct {
	EntryID  uuid.UUID
	Mark     string
	Remark   string
	LookedAt time.Time
	LookedBy string
}

// NewLook says what was found when somebody looked at a mark.
type NewLook struct {
	EntryID uuid.UUID
	Mark    string // its code
	Remark  string
}

// LookInto records that a manager has looked at marks of entries about points, and
// what was found. The entries stay as they are.
func LookInto(tx *gorm.DB, who access.Actor, now time.Time, in []NewLook) error {
	if err := who.Must(access.Plan); err != nil {
		return err
	}
	type look struct {
		EntryID uuid.UUID `json:"entry_id"`
		Mark    string    `json:"mark"`
		Remark  string    `json:"remark"`
	}
	rows := []look{}
	for i, l := range in {
		if strings.TrimSpace(l.Remark) == "" {
			return fault.Field(fmt.Sprintf("items[%d].remark", i), l.Remark, "must not be blank: it says what was found when it was looked at")
		}
		rows = append(rows, look{l.EntryID, l.Mark, strings.TrimSpace(l.Remark)})
	}
	var found []struct{ EntryID uuid.UUID }
	err := tx.Raw(`
with asked as (
  select r.entry_id, r.mark, r.remark, e.site_id, e.record_id
    from jsonb_to_recordset(cast(@rows as jsonb)) as r(entry_id uuid, mark text, remark text)
    join isolation_entry as e on e.id = r.entry_id
),
added as (
  insert into entry_look (entry_id, mark, site_id, record_id, remark, looked_at, looked_by)
  select a.entry_id, a.mark, a.site_id, a.record_id, a.remark, @now, @who from asked as a
  on conflict on constraint entry_look_pk do nothing
)
select entry_id from asked`, map[string]any{"rows": document(rows), "now": now, "who": who.ID}).Scan(&found).Error
	if err != nil {
		return err
	}
	for i, l := range in {
		if !slices.ContainsFunc(found, func(f struct{ EntryID uuid.UUID }) bool { return f.EntryID == l.EntryID }) {
			return &fault.Error{Kind: fault.NotFound, Field: fmt.Sprintf("items[%d].entry_id", i), Value: l.EntryID.String(), Msg: "no such entry"}
		}
	}
	return nil
}

const looks = `
select l.entry_id, l.mark, l.remark, l.looked_at, coalesce(a.name, '') as looked_by
  from entry_look as l
  left join actor as a on a.id = l.looked_by
 where l.entry_id = any (cast(@entries as uuid[]))`

// LooksAt gives what was found at the marks of entries.
func LooksAt(ctx context.Context, db *pgdb.DB, who access.Actor, entries []uuid.UUID) ([]Look, error) {
	return pgdb.Read[Look](ctx, db, who.ID, looks, map[string]any{"entries": entries})
}

// LooksInTx is LooksAt inside a transaction.
func LooksInTx(tx *gorm.DB, entries []uuid.UUID) ([]Look, error) {
	var all []Look
	return all, tx.Raw(looks, map[string]any{"entries": texts(entries)}).Scan(&all).Error
}
