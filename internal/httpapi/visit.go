package httpapi

import (
	"context"
	"time"

	"github.com/google/uuid"
	openapi_types "github.com/oapi-codegen/runtime/types"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/calendar"
	"spindlebook/internal/door"
	"spindlebook/internal/fault"
	"spindlebook/internal/httpapi/gen"
	"spindlebook/internal/parts/amount"
	"spindlebook/internal/pm/visits"
)

// ListVisits lists visits by day.
func (s *Server) ListVisits(ctx context.Context, r gen.ListVisitsRequestObject) (gen.ListVisitsResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	p, err := page("visits", r.Params.Cursor, r.Params.Limit)
	if err != nil {
		return nil, err
	}
	f := visits.Filter{SiteID: r.Params.SiteId, PersonID: r.Params.PersonId, State: string(val(r.Params.State))}
	if r.Params.From != nil {
		f.From = visitDay(*r.Params.From)
	}
	if r.Params.Until != nil {
		f.Until = visitDay(*r.Params.Until)
	}
	rows, err := visits.List(ctx, s.db, who, f, p)
	rows, next := cut("visits", rows, p, visits.Visit.Key)
	return gen.ListVisits200JSONResponse{Items: each(rows, visitOut), NextCursor: next}, err
}

// CreateVisit plans a visit.
func (s *Server) CreateVisit(ctx context.Context, r gen.CreateVisitRequestObject) (gen.CreateVisitResponseObject, error) {
	v, err := madeVisit(once(ctx, s, "createVisit", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (uuid.UUID, error) {
		return visits.Add(tx, who, now, newVisitIn(*r.Body))
	}))(ctx, s)
	return gen.CreateVisit201JSONResponse{Body: visitOut(v), Headers: gen.CreateVisit201ResponseHeaders{ETag: etag(v.Version), Location: at("visits", v.ID)}}, err
}

// madeVisit reads the visit that a write has made or changed.
func madeVisit(id uuid.UUID, err error) func(context.Context, *Server) (visits.Visit, error) {
	return func(ctx context.Context, s *Server) (visits.Visit, error) {
		if err != nil {
			return visits.Visit{}, err
		}
		who, err := door.Must(ctx)
		if err != nil {
			return visits.Visit{}, err
		}
		// what it takes is held for it from now on, or from the next tick
		s.door.Note(ctx, "hold what a visit takes", visits.Settle(ctx, s.db, s.now(), id))
		return visits.One(ctx, s.db, who, id)
	}
}

// GetVisit reads a visit with its tasks and what became of it.
func (s *Server) GetVisit(ctx context.Context, r gen.GetVisitRequestObject) (gen.GetVisitResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	v, err := visits.One(ctx, s.db, who, r.VisitId)
	if err != nil {
		return nil, err
	}
	out := gen.VisitWhole{Visit: visitOut(v)}
	tasks, err := visits.Tasks(ctx, s.db, who, v.ID)
	if err != nil {
		return nil, err
	}
	left, err := visits.LeftBehind(ctx, s.db, who, v.ID)
	if err != nil {
		return nil, err
	}
	out.Tasks, out.Left = each(tasks, visitTaskOut), each(left, func(l visits.Left) gen.VisitLeft {
		return gen.VisitLeft{Kind: gen.LeftKind(l.Kind), PositionId: l.PositionID, PositionCode: given(l.PositionCode), Says: l.Says}
	})
	if who.May(access.SeeInternal) {
		err = s.visitInternal(ctx, who, v, &out)
	}
	return gen.GetVisit200JSONResponse{Body: out, Headers: gen.GetVisit200ResponseHeaders{ETag: etag(v.Version)}}, err
}

// visitInternal adds what is for the distributor's people.
func (s *Server) visitInternal(ctx context.Context, who access.Actor, v visits.Visit, out *gen.VisitWhole) error {
	entries, err := visits.Entries(ctx, s.db, who, v.ID)
	if err != nil {
		return err
	}
	out.Times = new(each(visits.TimesOf(entries, v.Location()), func(t visits.Times) gen.VisitTimes {
		return gen.VisitTimes{PersonId: t.PersonID, Name: t.Person, Left: t.Left, Arrived: t.Arrived, Started: t.Started, Finished: t.Finished, Odd: append([]string{}, t.Odd...)}
	}))
	findings, err := visits.Look(ctx, s.db, who, s.now(), []visits.Visit{v})
	if err != nil {
		return err
	}
	out.Findings = new(each(findings, func(f visits.Finding) gen.VisitFinding {
		return gen.VisitFinding{TaskId: f.TaskID, Kind: f.Kind, Says: f.Says}
	}))
	wants, err := visits.Wants(ctx, s.db, who, v.ID)
	if err != nil {
		return err
	}
	out.Wants = new(each(wants, func(w visits.Want) gen.VisitWant {
		return gen.VisitWant{TaskId: w.TaskID, PartId: w.PartID, Part: w.Part, Amount: w.Amount.String(), Says: w.Says}
	}))
	decisions, err := visits.Decisions(ctx, s.db, who, v.ID)
	if err != nil {
		return err
	}
	out.Decisions = new(each(decisions, decisionOut))
	saves, err := visits.Saying(ctx, s.db, who, v.ID)
	out.Saves = given(saves)
	return err
}

// visitVersion gives the version of a visit that an edit names.
func (s *Server) visitVersion(ctx context.Context, ifMatch *string, id uuid.UUID) (int, error) {
	return versionSeen(ifMatch, func() (int, error) {
		who, err := door.Must(ctx)
		if err != nil {
			return 0, err
		}
		v, err := visits.One(ctx, s.db, who, id)
		return v.Version, err
	})
}

// editVisit does one edit of a visit that is at the version named.
func (s *Server) editVisit(ctx context.Context, ifMatch *string, id uuid.UUID, fn func(tx *gorm.DB, who access.Actor, now time.Time, version int) error) (visits.Visit, error) {
	version, err := s.visitVersion(ctx, ifMatch, id)
	if err != nil {
		return visits.Visit{}, err
	}
	return madeVisit(write(ctx, s, func(tx *gorm.DB, who access.Actor, now time.Time) (uuid.UUID, error) {
		return id, fn(tx, who, now, version)
	}))(ctx, s)
}

// ReplaceVisit changes when a visit is and who goes.
func (s *Server) ReplaceVisit(ctx context.Context, r gen.ReplaceVisitRequestObject) (gen.ReplaceVisitResponseObject, error) {
	v, err := s.editVisit(ctx, r.Params.IfMatch, r.VisitId, func(tx *gorm.DB, who access.Actor, now time.Time, version int) error {
		b := r.Body
		return visits.Change(tx, who, now, r.VisitId, version, visits.Edit{Hours: hoursOfVisit(b.On, b.Starts, b.Minutes), Locked: val(b.Locked), VanID: b.VanId, People: goingIn(b.People)})
	})
	return gen.ReplaceVisit200JSONResponse{Body: visitOut(v), Headers: gen.ReplaceVisit200ResponseHeaders{ETag: etag(v.Version)}}, err
}

// BookVisit plans a visit that was proposed.
func (s *Server) BookVisit(ctx context.Context, r gen.BookVisitRequestObject) (gen.BookVisitResponseObject, error) {
	v, err := s.editVisit(ctx, r.Params.IfMatch, r.VisitId, func(tx *gorm.DB, who access.Actor, _ time.Time, version int) error {
		return visits.Book(tx, who, r.VisitId, version)
	})
	return gen.BookVisit200JSONResponse{Body: visitOut(v), Headers: gen.BookVisit200ResponseHeaders{ETag: etag(v.Version)}}, err
}

// ChangeVisitTasks puts tasks on a visit and takes others off.
func (s *Server) ChangeVisitTasks(ctx context.Context, r gen.ChangeVisitTasksRequestObject) (gen.ChangeVisitTasksResponseObject, error) {
	v, err := s.editVisit(ctx, r.Params.IfMatch, r.VisitId, func(tx *gorm.DB, who access.Actor, now time.Time, version int) error {
		return visits.PutTasks(tx, who, now, r.VisitId, version, doingIn(r.Body.Add), val(r.Body.Drop))
	})
	return gen.ChangeVisitTasks200JSONResponse{Body: visitOut(v), Headers: gen.ChangeVisitTasks200ResponseHeaders{ETag: etag(v.Version)}}, err
}

// EnterVisit keeps what phones tell of a trip.
func (s *Server) EnterVisit(ctx context.Context, r gen.EnterVisitRequestObject) (gen.EnterVisitResponseObject, error) {
	_, err := once(ctx, s, "enterVisit", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (int, error) {
		return visits.Enter(tx, who, now, r.VisitId, each(r.Body.Entries, func(e gen.VisitEntry) visits.NewEntry {
			return visits.NewEntry{ID: e.Id, PersonID: e.PersonId, Act: string(e.Act), DoneAt: e.DoneAt, OffsetMS: e.OffsetMs, Note: val(e.Note)}
		}))
	})
	if err != nil {
		return nil, err
	}
	s.door.Note(ctx, "keep what was said of a visit", visits.Say(ctx, s.db, s.now(), r.VisitId))
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	v, err := visits.One(ctx, s.db, who, r.VisitId)
	return gen.EnterVisit200JSONResponse{Body: visitOut(v), Headers: gen.EnterVisit200ResponseHeaders{ETag: etag(v.Version)}}, err
}

// EndVisit closes a visit, or abandons it.
func (s *Server) EndVisit(ctx context.Context, r gen.EndVisitRequestObject) (gen.EndVisitResponseObject, error) {
	in, err := endingIn(*r.Body)
	if err != nil {
		return nil, err
	}
	var ended visits.Ended
	v, err := s.editVisit(ctx, r.Params.IfMatch, r.VisitId, func(tx *gorm.DB, who access.Actor, now time.Time, version int) (err error) {
		ended, err = visits.End(tx, who, now, r.VisitId, version, in)
		return err
	})
	return gen.EndVisit200JSONResponse{Body: gen.VisitEnded{Visit: visitOut(v), Done: ended.Done, Left: ended.Left}, Headers: gen.EndVisit200ResponseHeaders{ETag: etag(v.Version)}}, err
}

func endingIn(b gen.VisitEnding) (visits.Ending, error) {
	in := visits.Ending{Reason: string(val(b.Reason)), Why: val(b.Why), NextID: b.NextId}
	for _, l := range val(b.Left) {
		in.Left = append(in.Left, visits.NewLeft{Kind: string(l.Kind), PositionID: l.PositionId, Says: l.Says})
	}
	for _, w := range val(b.Wants) {
		n, bad := amount.Parse(w.Amount)
		if bad != nil {
			bad.Field = "wants.amount"
			return in, bad
		}
		in.Wants = append(in.Wants, visits.NewWant{TaskID: w.TaskId, PartID: w.PartId, Amount: n, Says: val(w.Says)})
	}
	if b.Next != nil {
		in.Next = new(newVisitIn(*b.Next))
	}
	return in, nil
}

// JudgeVisit judges whether a visit can go.
func (s *Server) JudgeVisit(ctx context.Context, r gen.JudgeVisitRequestObject) (gen.JudgeVisitResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	v, err := visits.One(ctx, s.db, who, r.VisitId)
	if err != nil {
		return nil, err
	}
	all, err := visits.Readiness(ctx, s.db, who, s.now(), []visits.Visit{v})
	if err != nil {
		return nil, err
	}
	return gen.JudgeVisit200JSONResponse(readyOut(all[0])), nil
}

// DecideVisit keeps what a person decides about a visit.
func (s *Server) DecideVisit(ctx context.Context, r gen.DecideVisitRequestObject) (gen.DecideVisitResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	verdict, said, err := visits.Said(ctx, s.db, who, s.now(), r.VisitId, r.Body.TaskId)
	if err != nil {
		return nil, err
	}
	id, err := once(ctx, s, "decideVisit", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (uuid.UUID, error) {
		return visits.Decide(tx, who, now, r.VisitId, visits.Deciding{TaskID: r.Body.TaskId, Decision: string(r.Body.Decision), Reason: r.Body.Reason, Verdict: verdict, Said: said})
	})
	if err != nil {
		return nil, err
	}
	all, err := visits.Decisions(ctx, s.db, who, r.VisitId)
	for _, d := range all {
		if d.ID == id {
			return gen.DecideVisit201JSONResponse(decisionOut(d)), nil
		}
	}
	return nil, err
}

func decisionOut(d visits.Decision) gen.VisitDecision {
	return gen.VisitDecision{Id: d.ID, TaskId: d.TaskID, Decision: d.Decision, Verdict: d.Verdict, Said: d.Said, Reason: d.Reason, DecidedAt: d.DecidedAt, DecidedBy: d.DecidedBy}
}

// CheckVan checks what a person's visits of a day take.
func (s *Server) CheckVan(ctx context.Context, r gen.CheckVanRequestObject) (gen.CheckVanResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	person, on := who.ID, calendar.DateOf(s.now())
	if r.Params.PersonId != nil {
		person = *r.Params.PersonId
	}
	if r.Params.On != nil {
		on = visitDay(*r.Params.On)
	}
	c, err := visits.CheckVan(ctx, s.db, who, s.now(), person, on)
	if err != nil {
		return nil, err
	}
	order, err := visits.OrderOf(ctx, s.db, who, s.now(), c.Visits)
	if err != nil {
		return nil, err
	}
	out := gen.VanCheck{PersonId: c.PersonID, On: visitDate(c.On), Visits: each(c.Visits, visitOut), Ready: each(c.Ready, readyOut), ChancePercent: c.Chance.Percent, ChanceError: c.Chance.Error,
		Reached: c.Reached, TargetPercent: c.Target, Order: order.Says, Short: []gen.ShortPart{}}
	for _, x := range c.Chance.Short {
		out.Short = append(out.Short, gen.ShortPart{Number: x.Number, Percent: x.Percent})
	}
	out.Lines = each(c.Lines, func(l visits.CheckLine) gen.CheckLine {
		return gen.CheckLine{Key: l.Key, Kind: l.Kind, Number: given(l.Number), Says: l.Says, Unit: l.Unit, Always: l.Always.String(), Perhaps: l.Perhaps.String(), InVan: l.InVan.String(),
			Fetch: each(l.Fetch, partSourceOut), Elsewhere: each(l.Else, partSourceOut), Short: l.Short.String(), Work: each(l.Work, benchWorkOut), For: l.For, Ticked: l.Ticked,
			Expiring: given(l.Expiring), TickedBy: given(l.TickedBy), Note: given(l.Note)}
	})
	out.More = each(c.More, func(m visits.More) gen.MoreToTake {
		return gen.MoreToTake{Number: m.Number, Says: m.Says, Amount: m.Amount.String(), Unit: m.Unit, Where: m.Where, Percent: m.Percent}
	})
	return gen.CheckVan200JSONResponse(out), nil
}

// TickVan ticks off what was put into a van.
func (s *Server) TickVan(ctx context.Context, r gen.TickVanRequestObject) (gen.TickVanResponseObject, error) {
	n, err := once(ctx, s, "tickVan", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (int, error) {
		return visits.TickOff(tx, who, now, r.Body.VanId, visitDay(r.Body.On), each(r.Body.Ticks, func(t gen.VanTick) visits.Tick {
			return visits.Tick{ID: t.Id, Item: t.Item, Ticked: t.Ticked, Note: val(t.Note), At: val(t.At)}
		}))
	})
	return gen.TickVan200JSONResponse{Fresh: n}, err
}

// ProposeVisits proposes visits for the work of a site.
func (s *Server) ProposeVisits(ctx context.Context, r gen.ProposeVisitsRequestObject) (gen.ProposeVisitsResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	all, err := visits.Propose(ctx, s.db, who, s.now(), []uuid.UUID{r.SiteId})
	if err != nil {
		return nil, err
	}
	if len(all) == 0 {
		return nil, fault.Missing("site", r.SiteId.String())
	}
	return gen.ProposeVisits200JSONResponse(proposalOut(all[0])), nil
}

func proposalOut(p visits.Proposal) gen.VisitProposal {
	out := gen.VisitProposal{SiteId: p.SiteID, SiteCode: p.SiteCode, From: visitDate(p.From), Until: visitDate(p.Until), Currency: p.Currency, Says: p.Says,
		Alone:    gen.ProposalCost{Trips: p.Alone.Trips, MoneyMinor: p.Alone.Money, WastedMinor: p.Alone.Wasted, Minutes: p.Alone.Minutes},
		Together: gen.ProposalCost{Trips: p.Together.Trips, MoneyMinor: p.Together.Money, WastedMinor: p.Together.Wasted, Minutes: p.Together.Minutes}}
	out.Visits = each(p.Visits, func(v visits.ProposedVisit) gen.ProposedVisit {
		return gen.ProposedVisit{On: visitDate(v.On), VisitId: v.VisitID, Minutes: v.Minutes, Tasks: each(v.Tasks, func(t visits.ProposedTask) gen.ProposedTask {
			return gen.ProposedTask{TaskId: t.TaskID, AssignmentId: t.AssignmentID, PositionId: t.PositionID, VisitId: t.VisitID, Name: t.Name, Title: t.Title, Criticality: t.Criticality,
				DueOn: visitDate(t.DueOn), EarliestOn: visitDate(t.EarliestOn), LatestOn: visitDate(t.LatestOn), Minutes: t.Minutes, People: t.People, EarlyDays: t.Early, LateDays: t.Late, WasteMinor: t.WasteMinor, Who: t.Who}
		})}
	})
	out.Conflicts = each(p.Conflicts, func(c visits.ProposedConflict) gen.ProposalConflict {
		x := gen.ProposalConflict{TaskId: c.TaskID, AssignmentId: c.AssignmentID, PositionId: c.PositionID, VisitId: c.VisitID, Name: c.Name, Title: c.Title, Criticality: c.Criticality,
			DueOn: visitDate(c.DueOn), EarliestOn: visitDate(c.EarliestOn), LatestOn: visitDate(c.LatestOn), Minutes: c.Minutes, People: c.People, Why: c.Why, Says: c.Says}
		if c.On != nil {
			x.On = new(visitDate(*c.On))
		}
		return x
	})
	out.Offers = each(p.Offers, func(o visits.ProposedOffer) gen.ProposalOffer {
		return gen.ProposalOffer{TaskId: o.TaskID, AssignmentId: o.AssignmentID, PositionId: o.PositionID, VisitId: o.VisitID, Name: o.Name, Title: o.Title, Criticality: o.Criticality,
			DueOn: visitDate(o.DueOn), EarliestOn: visitDate(o.EarliestOn), LatestOn: visitDate(o.LatestOn), Minutes: o.Minutes, People: o.People, With: o.With, On: visitDate(o.On), LeftPercent: o.LeftPercent, WasteMinor: o.WasteMinor, Says: o.Says}
	})
	return out
}

// AcceptProposal accepts a proposed visit, as it is or changed.
func (s *Server) AcceptProposal(ctx context.Context, r gen.AcceptProposalRequestObject) (gen.AcceptProposalResponseObject, error) {
	b := r.Body
	v, err := madeVisit(once(ctx, s, "acceptProposal", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (uuid.UUID, error) {
		return visits.Accept(tx, who, now, visits.Accepting{VisitID: b.VisitId, Version: val(b.Version),
			New: visits.New{SiteID: r.SiteId, Hours: hoursOfVisit(b.On, b.Starts, b.Minutes), Proposed: val(b.Proposed), Locked: val(b.Locked), VanID: b.VanId, People: goingIn(b.People), Saying: val(b.Saying)},
			Work: each(b.Work, func(w gen.PickedWork) visits.Picked {
				return visits.Picked{TaskID: w.TaskId, AssignmentID: w.AssignmentId, Method: val(w.Method)}
			})})
	}))(ctx, s)
	return gen.AcceptProposal201JSONResponse{Body: visitOut(v), Headers: gen.AcceptProposal201ResponseHeaders{ETag: etag(v.Version), Location: at("visits", v.ID)}}, err
}

// ListPlanningChoices lists what is left out of a site's proposals.
func (s *Server) ListPlanningChoices(ctx context.Context, r gen.ListPlanningChoicesRequestObject) (gen.ListPlanningChoicesResponseObject, error) {
	out, err := s.choices(ctx, r.SiteId)
	return gen.ListPlanningChoices200JSONResponse(out), err
}

func (s *Server) choices(ctx context.Context, site uuid.UUID) (gen.PlanningChoices, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return gen.PlanningChoices{}, err
	}
	all, err := visits.Choices(ctx, s.db, who, s.now(), site)
	return gen.PlanningChoices{Items: each(all, func(c visits.Choice) gen.PlanningChoice {
		return gen.PlanningChoice{Id: c.ID, TaskId: c.TaskID, AssignmentId: c.AssignmentID, Title: c.Title, Until: openapi_types.Date{Time: c.Until}, Reason: c.Reason, ChosenAt: c.ChosenAt, ChosenBy: c.ChosenBy}
	})}, err
}

// IgnoreWork leaves work out of proposals for a while.
func (s *Server) IgnoreWork(ctx context.Context, r gen.IgnoreWorkRequestObject) (gen.IgnoreWorkResponseObject, error) {
	_, err := once(ctx, s, "ignoreWork", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (uuid.UUID, error) {
		return visits.Ignore(tx, who, now, r.SiteId, visits.Picked{TaskID: r.Body.TaskId, AssignmentID: r.Body.AssignmentId}, visitDay(r.Body.Until), r.Body.Reason)
	})
	if err != nil {
		return nil, err
	}
	out, err := s.choices(ctx, r.SiteId)
	return gen.IgnoreWork201JSONResponse(out), err
}

// UnignoreWork has work proposed again.
func (s *Server) UnignoreWork(ctx context.Context, r gen.UnignoreWorkRequestObject) (gen.UnignoreWorkResponseObject, error) {
	_, err := write(ctx, s, func(tx *gorm.DB, who access.Actor, now time.Time) (bool, error) {
		return true, visits.Unignore(tx, who, now, r.ChoiceId)
	})
	if err != nil {
		return nil, err
	}
	out, err := s.choices(ctx, r.SiteId)
	return gen.UnignoreWork200JSONResponse(out), err
}

// GetPlanningRule reads by what visits are planned.
func (s *Server) GetPlanningRule(ctx context.Context, _ gen.GetPlanningRuleRequestObject) (gen.GetPlanningRuleResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	r, err := visits.Rules(ctx, s.db, who)
	return gen.GetPlanningRule200JSONResponse{Body: planningRuleOut(r), Headers: gen.GetPlanningRule200ResponseHeaders{ETag: etag(r.Version)}}, err
}

// ReplacePlanningRule changes by what visits are planned.
func (s *Server) ReplacePlanningRule(ctx context.Context, r gen.ReplacePlanningRuleRequestObject) (gen.ReplacePlanningRuleResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	version, err := versionSeen(r.Params.IfMatch, func() (int, error) {
		is, err := visits.Rules(ctx, s.db, who)
		return is.Version, err
	})
	if err != nil {
		return nil, err
	}
	b := r.Body
	if _, err := write(ctx, s, func(tx *gorm.DB, who access.Actor, _ time.Time) (bool, error) {
		return true, visits.SetRules(tx, who, version, visits.Rule{SiteMinutes: b.SiteMinutes, DayMinutes: b.DayMinutes, RoadFactor: b.RoadFactor, SpeedKmH: b.SpeedKmH, Distances: string(b.Distances),
			WorkingDays: b.WorkingDays, Closed: each(b.Closed, func(d openapi_types.Date) time.Time { return d.Time }), Latitude: b.Latitude, Longitude: b.Longitude, TwinPercent: b.TwinPercent, TargetPercent: b.TargetPercent})
	}); err != nil {
		return nil, err
	}
	is, err := visits.Rules(ctx, s.db, who)
	return gen.ReplacePlanningRule200JSONResponse{Body: planningRuleOut(is), Headers: gen.ReplacePlanningRule200ResponseHeaders{ETag: etag(is.Version)}}, err
}

func planningRuleOut(r visits.Rule) gen.PlanningRule {
	return gen.PlanningRule{SiteMinutes: r.SiteMinutes, DayMinutes: r.DayMinutes, RoadFactor: r.RoadFactor, SpeedKmH: r.SpeedKmH, Distances: gen.PlanningRuleDistances(r.Distances), WorkingDays: append([]int{}, r.WorkingDays...),
		Closed: each(r.Closed, func(t time.Time) openapi_types.Date { return openapi_types.Date{Time: t} }), Latitude: r.Latitude, Longitude: r.Longitude, TwinPercent: r.TwinPercent, TargetPercent: r.TargetPercent}
}

// GetPlanningCost reads what trips cost.
func (s *Server) GetPlanningCost(ctx context.Context, _ gen.GetPlanningCostRequestObject) (gen.GetPlanningCostResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	c, err := visits.Costs(ctx, s.db, who)
	return gen.GetPlanningCost200JSONResponse{Body: tripCostOut(c), Headers: gen.GetPlanningCost200ResponseHeaders{ETag: etag(c.Version)}}, err
}

// ReplacePlanningCost changes what trips cost.
func (s *Server) ReplacePlanningCost(ctx context.Context, r gen.ReplacePlanningCostRequestObject) (gen.ReplacePlanningCostResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	version, err := versionSeen(r.Params.IfMatch, func() (int, error) {
		is, err := visits.Costs(ctx, s.db, who)
		return is.Version, err
	})
	if err != nil {
		return nil, err
	}
	if _, err := write(ctx, s, func(tx *gorm.DB, who access.Actor, _ time.Time) (bool, error) {
		return true, visits.SetCosts(tx, who, version, visits.Cost{HourMinor: r.Body.HourMinor, TripMinor: r.Body.TripMinor, Currency: r.Body.Currency})
	}); err != nil {
		return nil, err
	}
	c, err := visits.Costs(ctx, s.db, who)
	return gen.ReplacePlanningCost200JSONResponse{Body: tripCostOut(c), Headers: gen.ReplacePlanningCost200ResponseHeaders{ETag: etag(c.Version)}}, err
}

func tripCostOut(c visits.Cost) gen.PlanningCost {
	return gen.PlanningCost{HourMinor: c.HourMinor, TripMinor: c.TripMinor, Currency: c.Currency}
}

func newVisitIn(b gen.NewVisit) visits.New {
	return visits.New{SiteID: b.SiteId, Hours: hoursOfVisit(b.On, b.Starts, b.Minutes), Proposed: val(b.Proposed), Locked: val(b.Locked), VanID: b.VanId, People: goingIn(b.People), Tasks: doingIn(b.Tasks)}
}

func hoursOfVisit(on openapi_types.Date, starts string, minutes int) visits.Hours {
	return visits.Hours{On: visitDay(on), Starts: starts, Minutes: minutes}
}

func goingIn(all *[]gen.NewVisitPerson) []visits.Going {
	return each(val(all), func(p gen.NewVisitPerson) visits.Going {
		return visits.Going{PersonID: p.PersonId, Starts: val(p.Starts), Minutes: val(p.Minutes)}
	})
}

func doingIn(all *[]gen.NewVisitTask) []visits.Doing {
	return each(val(all), func(t gen.NewVisitTask) visits.Doing {
		return visits.Doing{TaskID: t.TaskId, Method: val(t.Method), Moved: val(t.Moved)}
	})
}

func visitOut(v visits.Visit) gen.Visit {
	out := gen.Visit{Id: v.ID, Number: v.Number, SiteId: v.SiteID, SiteCode: v.SiteCode, SiteName: v.SiteName, State: gen.VisitState(v.State), Origin: v.Origin, On: openapi_types.Date{Time: v.OnDate},
		StartsAt: v.StartsAt, EndsAt: v.EndsAt, Locked: v.Locked, VanId: v.VanID, VanCode: given(v.VanCode), Tasks: v.Tasks, Minutes: v.Minutes, MadeAt: v.MadeAt, MadeBy: v.MadeBy,
		BeganAt: v.BeganAt, EndedAt: v.EndedAt, EndedBy: given(v.EndedBy), EndedWhy: given(v.EndedWhy), NextId: v.NextID, Version: v.Version,
		People: each(v.People, func(p visits.Person) gen.VisitPerson {
			return gen.VisitPerson{PersonId: p.PersonID, Name: p.Name, From: p.From, Until: p.Until}
		})}
	if v.Reason != nil {
		out.Reason = new(gen.AbandonReason(*v.Reason))
	}
	return out
}

func visitTaskOut(t visits.Task) gen.VisitTask {
	return gen.VisitTask{TaskId: t.TaskID, Number: t.Number, Title: t.Title, Procedure: given(t.Procedure), Method: given(t.Method), PositionId: t.PositionID, PositionCode: given(t.PositionCode), LineCode: given(t.LineCode),
		Criticality: t.Criticality, DueOn: openapi_types.Date{Time: t.DueOn}, EarliestOn: openapi_types.Date{Time: t.EarliestOn}, LatestOn: openapi_types.Date{Time: t.LatestOn}, State: t.State, EndedHow: given(t.EndedHow),
		People: t.People, Skills: append([]string{}, t.Skills...), Minutes: t.Minutes, RecordId: t.RecordID}
}

func readyOut(r visits.Ready) gen.VisitReadiness {
	return gen.VisitReadiness{VisitId: r.VisitID, Verdict: gen.VisitVerdict(r.Verdict), Says: r.Says, Jobs: each(r.Jobs, func(j visits.JobReady) gen.ReadyJob {
		return gen.ReadyJob{TaskId: j.TaskID, Name: j.Name, Verdict: gen.VisitVerdict(j.Verdict), Against: j.Against, Who: j.Who, Notes: j.Notes, Work: each(j.Work, benchWorkOut),
			Missing: each(j.Missing, func(m visits.Unknown) gen.UnknownFact { return gen.UnknownFact{Fact: m.Fact, How: m.How} }),
			Lines: each(j.Lines, func(l visits.LineReady) gen.ReadyLine {
				out := gen.ReadyLine{What: l.What, Number: given(l.Number), IfFound: l.IfFound, Needed: l.Needed.String(), Unit: l.Unit, Short: l.Short.String(), From: each(l.From, partSourceOut)}
				if l.OrderBy != nil {
					out.OrderBy = &openapi_types.Date{Time: *l.OrderBy}
				}
				return out
			})}
	})}
}

func partSourceOut(f visits.Source) gen.PartSource {
	return gen.PartSource{Item: f.Item, Place: f.Place, Where: f.Where, Amount: f.Amount.String(), PartId: f.PartID, UnitId: f.UnitID, LocationId: f.LocationID}
}

func benchWorkOut(w visits.BenchWork) gen.BenchWork {
	return gen.BenchWork{Item: w.Item, What: w.What, Minutes: w.Minutes, Who: w.Who, UnitId: w.UnitID}
}

func visitDay(d openapi_types.Date) calendar.Date { return calendar.DateOf(d.Time) }

func visitDate(d calendar.Date) openapi_types.Date { return openapi_types.Date{Time: d.UTC()} }

// given is nil for what is not there.
func given(s string) *string {
	if s == "" {
		return nil
	}
	return &s
}
