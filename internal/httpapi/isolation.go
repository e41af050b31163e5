package httpapi

import (
	"context"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/door"
	"spindlebook/internal/fault"
	"spindlebook/internal/httpapi/gen"
	"spindlebook/internal/pm/isolation"
)

// GetIsolationNow tells how the points of a position stand.
func (s *Server) GetIsolationNow(ctx context.Context, r gen.GetIsolationNowRequestObject) (gen.GetIsolationNowResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	all, err := isolation.AtPosition(ctx, s.db, who, s.now(), r.PositionId)
	return gen.GetIsolationNow200JSONResponse{Items: each(all, pointNowOut)}, err
}

// ListIsolationEntries lists what was declared about a point.
func (s *Server) ListIsolationEntries(ctx context.Context, r gen.ListIsolationEntriesRequestObject) (gen.ListIsolationEntriesResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	p, err := page("isolation-entries", r.Params.Cursor, r.Params.Limit)
	if err != nil {
		return nil, err
	}
	all, err := isolation.Entries(ctx, s.db, who, r.PointId, p)
	all, next := cut("isolation-entries", all, p, func(e isolation.Entry) string { return e.ID.String() })
	return gen.ListIsolationEntries200JSONResponse{Items: each(all, isolationEntryOut), NextCursor: next}, err
}

// TakeIsolationEntries takes what was declared at points.
func (s *Server) TakeIsolationEntries(ctx context.Context, r gen.TakeIsolationEntriesRequestObject) (gen.TakeIsolationEntriesResponseObject, error) {
	all, err := write(ctx, s, func(tx *gorm.DB, who access.Actor, now time.Time) ([]isolation.Taken, error) {
		return isolation.Take(tx, who, now, each(r.Body.Items, isolationEntryIn))
	})
	return gen.TakeIsolationEntries200JSONResponse{Items: each(all, func(t isolation.Taken) gen.EntryOutcome { return entryOutcome(t.ID, t.State, t.Fault, nil) })}, err
}

// LookIntoIsolation says what was found at marks of entries about points.
func (s *Server) LookIntoIsolation(ctx context.Context, r gen.LookIntoIsolationRequestObject) (gen.LookIntoIsolationResponseObject, error) {
	looks := each(r.Body.Items, lookIn)
	_, err := write(ctx, s, func(tx *gorm.DB, who access.Actor, now time.Time) (bool, error) {
		return true, isolation.LookInto(tx, who, now, looks)
	})
	return gen.LookIntoIsolation200JSONResponse{Count: len(looks)}, err
}

// ListOpenLocks lists the locks that are on.
func (s *Server) ListOpenLocks(ctx context.Context, r gen.ListOpenLocksRequestObject) (gen.ListOpenLocksResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	p, err := page("locks", r.Params.Cursor, r.Params.Limit)
	if err != nil {
		return nil, err
	}
	now := s.now()
	all, err := isolation.OpenLocks(ctx, s.db, who, now, r.Params.SiteId, p)
	all, next := cut("locks", all, p, func(l isolation.OpenLock) string { return l.ID.String() })
	return gen.ListOpenLocks200JSONResponse{NextCursor: next, Items: each(all, func(l isolation.OpenLock) gen.OpenLock {
		return gen.OpenLock{Id: l.ID, SiteId: l.SiteID, Site: l.Site, PointId: l.PointID, Point: l.Point, Energy: gen.Energy(l.Energy), Place: some(l.Place), Positions: each(l.Positions, func(c string) string { return c }),
			VisitId: l.VisitID, RecordId: l.RecordID, PersonId: l.PersonID, Person: l.Person, LockedAt: l.LockedAt, OffForTestAt: l.OffAt, LeftUntil: l.LeftUntil, HandedTo: some(l.HandedTo), Overdue: l.Overdue(now)}
	})}, err
}

func isolationEntryIn(b gen.NewIsolationEntry) isolation.NewEntry {
	e := isolation.NewEntry{ID: b.Id, PointID: b.PointId, PointVersion: val(b.PointVersion), Act: isolation.Act(b.Act), LockID: b.LockId, For: val(b.For), DoneAt: b.DoneAt, Offset: offsetIn(b.OffsetMs),
		VisitID: b.VisitId, RecordID: b.RecordId, How: val(b.How), Instrument: val(b.Instrument), Until: b.Until, HandedTo: val(b.HandedTo), Note: val(b.Note)}
	if a := b.AnothersLock; a != nil {
		e.Anothers = isolation.AnothersLock{NotHere: a.NotHere, Tried: a.Tried, Knows: a.Knows}
	}
	return e
}

func offsetIn(ms *int64) *time.Duration {
	if ms == nil {
		return nil
	}
	const most = 401 * 24 * time.Hour // what is more is refused as well
	d := time.Duration(max(-most.Milliseconds(), min(*ms, most.Milliseconds()))) * time.Millisecond
	return &d
}

func lookIn(l gen.NewLook) isolation.NewLook {
	return isolation.NewLook{EntryID: l.EntryId, Mark: l.Mark, Remark: l.Remark}
}

func entryOutcome(id uuid.UUID, state string, bad *fault.Error, marks []gen.EntryMark) gen.EntryOutcome {
	out := gen.EntryOutcome{Id: id, State: gen.EntryOutcomeState(state)}
	if len(marks) > 0 {
		out.Marks = &marks
	}
	if bad != nil {
		out.Field, out.Value, out.Rule = some(bad.Field), some(bad.Value), some(bad.Msg)
	}
	return out
}

func isolationEntryOut(e isolation.Entry) gen.IsolationEntry {
	out := gen.IsolationEntry{Id: e.ID, Act: gen.IsolationAct(e.Act), PersonId: e.Person.ID, Person: e.Person.Name, At: e.At, DoneAt: e.DoneAt, ReceivedAt: e.ReceivedAt, How: some(e.How),
		Instrument: some(e.Instrument), Note: some(e.Note), PointVersion: e.PointVersion, VisitId: e.VisitID, RecordId: e.RecordID}
	if e.LockID != uuid.Nil {
		out.LockId = &e.LockID
	}
	return out
}

func lockOut(l isolation.Lock) gen.LockOn {
	return gen.LockOn{Id: l.ID, PersonId: l.Owner.ID, Person: l.Owner.Name, OnAt: l.OnAt, OffForTestAt: l.OffAt, Until: l.Until, HandedTo: some(l.HandedTo), VisitId: l.VisitID, RecordId: l.RecordID}
}

func lookedOut(l *isolation.Look) *gen.EntryLook {
	if l == nil {
		return nil
	}
	return &gen.EntryLook{Remark: l.Remark, LookedAt: l.LookedAt, LookedBy: l.LookedBy}
}

func actOut(a isolation.Act) gen.IsolationAct { return gen.IsolationAct(a) }

func pointNowOut(p isolation.PointNow) gen.PointNow {
	out := gen.PointNow{Point: pointOut(p.IsolationPoint), Stage: gen.IsolationStage(p.Stage), Locks: each(p.Locks, lockOut), Done: each(p.Done, actOut), Next: each(p.Next, actOut), Cautions: p.Cautions,
		Marks: each(p.Marks, func(m isolation.Mark) gen.EntryMark {
			mark := gen.EntryMark{EntryId: m.EntryID, Code: m.Code, Says: m.Says}
			for i, l := range p.Looked {
				if l.EntryID == m.EntryID && l.Mark == m.Code {
					mark.Looked = lookedOut(&p.Looked[i])
				}
			}
			return mark
		})}
	if !p.Since.IsZero() {
		out.Since = &p.Since
	}
	if f := p.Proof; f != nil {
		out.Proof = &gen.ProofNow{At: f.At, Person: f.By.Name, How: f.How, Instrument: f.Instrument}
	}
	return out
}
