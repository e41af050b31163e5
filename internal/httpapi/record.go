package httpapi

import (
	"context"
	"encoding/json"
	"time"

	"github.com/google/uuid"
	openapi_types "github.com/oapi-codegen/runtime/types"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/door"
	"spindlebook/internal/httpapi/gen"
	"spindlebook/internal/parts/stock"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pm"
	"spindlebook/internal/pm/record"
)

// asked gives who asks, and the request as pgdb.Once keeps it.
func asked(ctx context.Context, act, key string, request any) (access.Actor, pgdb.Request, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return who, pgdb.Request{}, err
	}
	if key, err = idempotencyKey(key); err != nil {
		return who, pgdb.Request{}, err
	}
	body, err := withoutParams(request)
	return who, pgdb.Request{Key: key, Act: act, Body: body}, err
}

// ListJobRecords lists cards.
func (s *Server) ListJobRecords(ctx context.Context, r gen.ListJobRecordsRequestObject) (gen.ListJobRecordsResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	p, err := page("job-records", r.Params.Cursor, r.Params.Limit)
	if err != nil {
		return nil, err
	}
	all, err := record.Cards(ctx, s.db, who, record.Filter{SiteID: r.Params.SiteId, PositionID: r.Params.PositionId, VisitID: r.Params.VisitId, State: string(val(r.Params.State)), Unseen: val(r.Params.Unseen)}, p)
	all, next := cut("job-records", all, p, func(h record.Head) string { return h.ID.String() })
	return gen.ListJobRecords200JSONResponse{Items: each(all, headOut), NextCursor: next}, err
}

// OpenJobRecord opens a card.
func (s *Server) OpenJobRecord(ctx context.Context, r gen.OpenJobRecordRequestObject) (gen.OpenJobRecordResponseObject, error) {
	who, req, err := asked(ctx, "openJobRecord", r.Params.IdempotencyKey, r)
	if err != nil {
		return nil, err
	}
	b := r.Body
	id, err := record.Open(ctx, s.db, who, s.now(), req, record.NewRecord{TaskID: b.TaskId, PositionID: b.PositionId, Procedure: val(b.Procedure), VisitID: b.VisitId, Method: val(b.Method)})
	if err != nil {
		return nil, err
	}
	c, err := s.card(ctx, who, id)
	return gen.OpenJobRecord201JSONResponse{Body: c, Headers: gen.OpenJobRecord201ResponseHeaders{Location: at("job-records", id)}}, err
}

func (s *Server) card(ctx context.Context, who access.Actor, id uuid.UUID) (gen.JobRecord, error) {
	c, err := record.One(ctx, s.db, who, s.now(), id)
	return cardOut(c), err
}

// GetJobRecord reads a card.
func (s *Server) GetJobRecord(ctx context.Context, r gen.GetJobRecordRequestObject) (gen.GetJobRecordResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	c, err := s.card(ctx, who, r.RecordId)
	return gen.GetJobRecord200JSONResponse(c), err
}

// CreateRecordPhoto keeps a picture where the work of a card is done.
func (s *Server) CreateRecordPhoto(ctx context.Context, r gen.CreateRecordPhotoRequestObject) (gen.CreateRecordPhotoResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	c, err := record.One(ctx, s.db, who, s.now(), r.RecordId)
	if err != nil {
		return nil, err
	}
	it, err := once(ctx, s, "createRecordPhoto", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (assets.Photo, error) {
		in := c.Picture(val(r.Body.Caption), r.Body.Content)
		in.TakenAt = r.Body.TakenAt
		return assets.AddPhoto(tx, who, now, in)
	})
	return gen.CreateRecordPhoto201JSONResponse(photoOut(it)), err
}

// TakeRecordEntries takes what was declared on a card.
func (s *Server) TakeRecordEntries(ctx context.Context, r gen.TakeRecordEntriesRequestObject) (gen.TakeRecordEntriesResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	all, err := record.Take(ctx, s.db, who, s.now(), r.RecordId, each(r.Body.Items, recordEntryIn))
	return gen.TakeRecordEntries200JSONResponse{Items: each(all, func(t record.Taken) gen.EntryOutcome {
		return entryOutcome(t.ID, t.State, t.Fault, each(t.Marks, markOut))
	})}, err
}

// AddRecordProcedure adds a procedure to a card.
func (s *Server) AddRecordProcedure(ctx context.Context, r gen.AddRecordProcedureRequestObject) (gen.AddRecordProcedureResponseObject, error) {
	who, req, err := asked(ctx, "addRecordProcedure", r.Params.IdempotencyKey, r)
	if err != nil {
		return nil, err
	}
	id, err := record.Add(ctx, s.db, who, s.now(), req, r.RecordId, record.Addition{Procedure: r.Body.Procedure, After: r.Body.AfterStepId, Why: r.Body.Why})
	if err != nil {
		return nil, err
	}
	c, err := s.card(ctx, who, id)
	return gen.AddRecordProcedure201JSONResponse(c), err
}

// LookIntoRecord says what was found at marks of a card.
func (s *Server) LookIntoRecord(ctx context.Context, r gen.LookIntoRecordRequestObject) (gen.LookIntoRecordResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	if err := record.LookInto(ctx, s.db, who, s.now(), r.RecordId, each(r.Body.Items, lookIn)); err != nil {
		return nil, err
	}
	c, err := s.card(ctx, who, r.RecordId)
	return gen.LookIntoRecord200JSONResponse(c), err
}

// SignOffRecord signs a card off.
func (s *Server) SignOffRecord(ctx context.Context, r gen.SignOffRecordRequestObject) (gen.SignOffRecordResponseObject, error) {
	who, req, err := asked(ctx, "signOffRecord", r.Params.IdempotencyKey, r)
	if err != nil {
		return nil, err
	}
	b := r.Body
	it, err := record.SignOff(ctx, s.db, who, s.now(), req, r.RecordId, record.Signing{VersionSeen: b.VersionSeen, Minutes: b.Minutes, HandedTo: val(b.HandedTo), Remark: val(b.Remark)})
	out := gen.SignedOff{RecordId: it.RecordID, DoneAt: it.DoneAt, OpenSteps: each(it.Open, func(l string) string { return l }), Discrepancies: []string{},
		Completions: each(it.Done, func(c pm.Completed) gen.SignedWork {
			return gen.SignedWork{Id: c.ID, TaskId: c.TaskID, Outcome: gen.SignedWorkOutcome(c.Outcome), Covered: len(c.Covered), Raised: each(c.Raised, func(id uuid.UUID) uuid.UUID { return id }),
				Findings: each(c.Findings, func(f string) string { return f })}
		})}
	for _, u := range it.Used {
		out.Discrepancies = append(out.Discrepancies, each(u.Discrepancies, func(d stock.Discrepancy) string { return d.Says })...)
	}
	return gen.SignOffRecord200JSONResponse(out), err
}

// AbandonRecord ends a card whose work is not done.
func (s *Server) AbandonRecord(ctx context.Context, r gen.AbandonRecordRequestObject) (gen.AbandonRecordResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	version, err := versionSeen(r.Params.IfMatch, func() (int, error) {
		c, err := record.One(ctx, s.db, who, s.now(), r.RecordId)
		return c.Version, err
	})
	if err != nil {
		return nil, err
	}
	_, err = write(ctx, s, func(tx *gorm.DB, who access.Actor, now time.Time) (bool, error) {
		return true, record.Abandon(tx, who, now, r.RecordId, version, r.Body.Reason)
	})
	if err != nil {
		return nil, err
	}
	c, err := s.card(ctx, who, r.RecordId)
	return gen.AbandonRecord200JSONResponse(c), err
}

// recode carries a value between two types of the same written form.
func recode[A, B any](a A) (b B) {
	raw, err := json.Marshal(a)
	if err == nil {
		err = json.Unmarshal(raw, &b)
	}
	if err != nil {
		panic(err) // the two differ, and no request is to blame
	}
	return b
}

func recordEntryIn(b gen.NewRecordEntry) record.NewEntry {
	e := record.NewEntry{ID: b.Id, StepID: b.StepId, VisitID: b.VisitId, Act: string(b.Act), Outcome: string(val(b.Outcome)), Note: val(b.Note), For: val(b.For), PhotoIDs: val(b.PhotoIds),
		VersionSeen: b.VersionSeen, DoneAt: b.DoneAt, Offset: offsetIn(b.OffsetMs), Others: each(val(b.Others), func(h gen.EntryHelper) record.Helper { return record.Helper{ID: h.ActorId, Name: h.Name} })}
	if b.Said != nil {
		e.Said = recode[gen.EntrySaid, record.Said](*b.Said)
	}
	return e
}

func markOut(m record.Mark) gen.EntryMark {
	return gen.EntryMark{EntryId: m.EntryID, Code: m.Code, Says: m.Says, Looked: lookedOut(m.Looked)}
}

func headOut(h record.Head) gen.JobRecordHead {
	return gen.JobRecordHead{Id: h.ID, Number: h.Number, SiteId: h.SiteID, Site: h.Site, PositionId: h.PositionID, Position: some(h.Position), TaskId: h.TaskID, VisitId: h.VisitID, Title: h.Title,
		Method: some(h.Method), People: h.People, Skills: each(h.Skills, func(s string) string { return s }), Energies: each(h.Energies, energyOut), State: gen.RecordState(h.State),
		OpenedAt: h.OpenedAt, OpenedBy: h.OpenedBy, EndedAt: h.EndedAt, EndedBy: some(h.EndedBy), EndedWhy: some(h.EndedWhy), Unseen: h.Unseen, Version: h.Version}
}

func energyOut(e string) gen.Energy { return gen.Energy(e) }

func same[T any](it T) T { return it }

func cardOut(c record.Card) gen.JobRecord {
	var joined *gen.Connection
	if c.Connection.Verdict != "" { // a whole line has no one motor
		joined = new(connectionOut(c.Connection))
	}
	return gen.JobRecord{Head: headOut(c.Head), Facts: c.Facts, Turning: turningOut(c.Turning), Connection: joined, Turned: c.Turned, LinksFor: c.LinksFor, Caution: assets.Caution,
		Points: each(c.Points, func(p record.Point) gen.RecordPoint {
			at := c.Isolation[p.ID]
			out := gen.RecordPoint{Id: p.ID, Code: p.Code, Energy: gen.Energy(p.Energy), Version: p.Version, Place: p.Place, Isolate: p.Isolate, Prove: p.Prove, Restore: p.Restore, Lockable: p.Lockable,
				Positions: each(p.Positions, same[string]), Stage: gen.IsolationStage(at.Stage), Locks: each(at.Locks, lockOut)}
			if at.Stage == "" {
				out.Stage = gen.IsolationStageInService
			}
			return out
		}),
		Procedures: each(c.Procedures, func(p record.Procedure) gen.RecordProcedure {
			return gen.RecordProcedure{Code: p.Code, Number: p.Number, Title: p.Title, TaskId: p.TaskID, Why: some(p.Why), AddedAt: p.AddedAt}
		}),
		Steps: each(c.Steps, func(st record.StepNow) gen.RecordStep {
			return gen.RecordStep{Id: st.ID, Label: st.Label, Phase: st.Phase, Kind: st.Kind, Says: st.Says, Hold: st.Hold, Skills: each(st.Skills, same[string]), Needs: each(st.Needs, energyOut),
				Unsure: each(st.Unsure, same[string]), Records: each(st.Records, same[string]), IfNot: some(st.IfNot), Check: some(st.Check), State: gen.RecordStepState(st.State), Behind: some(st.Behind),
				Answers: each(st.Answers, func(e record.Entry) uuid.UUID { return e.ID })}
		}),
		Entries: each(c.Entries, func(e record.Entry) gen.RecordEntry {
			out := gen.RecordEntry{Id: e.ID, Act: gen.RecordAct(e.Act), StepId: e.StepID, Said: recode[record.Said, gen.EntrySaid](e.Said), Note: some(e.Note), PersonId: e.Person.ID, Person: e.Person.Name,
				Others:   each(e.Others, func(h record.Helper) gen.EntryHelper { return gen.EntryHelper{ActorId: h.ID, Name: h.Name} }),
				PhotoIds: each(e.PhotoIDs, same[uuid.UUID]), At: e.At, DoneAt: e.DoneAt, ReceivedAt: e.ReceivedAt, VisitId: e.VisitID}
			if e.Outcome != "" {
				out.Outcome = new(gen.StepOutcome(e.Outcome))
			}
			return out
		}),
		Marks: each(c.Marks, markOut),
		Blocks: each(c.Blocks, func(b record.Block) gen.RecordBlock {
			return gen.RecordBlock{Code: b.Code, StepId: b.StepID, EntryId: b.EntryID, Says: b.Says}
		})}
}

// ListSkills lists what shows the skills of somebody.
func (s *Server) ListSkills(ctx context.Context, r gen.ListSkillsRequestObject) (gen.ListSkillsResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	all, err := access.EvidenceOf(ctx, s.db, who, r.AccountId)
	return gen.ListSkills200JSONResponse{Items: each(all, evidenceOut)}, err
}

// AddSkill records evidence of a skill.
func (s *Server) AddSkill(ctx context.Context, r gen.AddSkillRequestObject) (gen.AddSkillResponseObject, error) {
	it, err := once(ctx, s, "addSkill", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (access.Evidence, error) {
		b := r.Body
		in := access.NewEvidence{Skill: string(b.Skill), Evidence: b.Evidence, IssuedOn: b.IssuedOn.String()}
		if b.ExpiresOn != nil {
			in.ExpiresOn = some(b.ExpiresOn.String())
		}
		return access.AddEvidence(tx, who, now, r.AccountId, in)
	})
	return gen.AddSkill201JSONResponse(evidenceOut(it)), err
}

// WithdrawSkill takes evidence back.
func (s *Server) WithdrawSkill(ctx context.Context, r gen.WithdrawSkillRequestObject) (gen.WithdrawSkillResponseObject, error) {
	it, err := once(ctx, s, "withdrawSkill", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (access.Evidence, error) {
		return access.WithdrawEvidence(tx, who, now, r.AccountId, r.EvidenceId, r.Body.Reason)
	})
	return gen.WithdrawSkill200JSONResponse(evidenceOut(it)), err
}

func evidenceOut(e access.Evidence) gen.SkillEvidence {
	out := gen.SkillEvidence{Id: e.ID, Skill: e.Skill, Name: e.SkillName, Evidence: e.Evidence, IssuedOn: openapi_types.Date{Time: e.IssuedOn}, RecordedAt: e.RecordedAt,
		WithdrawnAt: e.WithdrawnAt, WithdrawnWhy: e.WithdrawnWhy}
	if e.ExpiresOn != nil {
		out.ExpiresOn = &openapi_types.Date{Time: *e.ExpiresOn}
	}
	return out
}
