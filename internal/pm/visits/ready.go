package visits

import (
	"context"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/fault"
	"spindlebook/internal/parts/amount"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pm/visits/readiness"
)

// Ready says whether a visit can go, job by job.
type Ready struct {
	VisitID uuid.UUID
	Verdict string // go, go after work, cannot tell or no-go
	Says    string
	Jobs    []JobReady
}

// JobReady says whether a task of a visit can be done.
type JobReady struct {
	TaskID  uuid.UUID
	Name    string
	Verdict string
	Against []string    // every reason why it does not go
	Missing []Unknown   // what nobody knows, and how to get it
	Work    []BenchWork // before leaving
	Lines   []LineReady
	Who     []string // does it
	Notes   []string
}

// Unknown is a fact that nobody knows, and how to get it.
type Unknown struct{ Fact, How string }

// BenchWork is what must be done to an item before it goes along.
type BenchWork struct {
	Item    string
	What    string
	Minutes int
	Who     string
	UnitID  *uuid.UUID // of the item, where it is one that we know by its tag
}

// LineReady says how a line of a job is met.
type LineReady struct {
	What    string
	Number  string
	IfFound bool
	Needed  amount.Amount
	Unit    string
	Short   amount.Amount
	From    []Source
	OrderBy *time.Time // last day on which an order still arrives; nil where it is not short, or that is not known
}

// Source is where something comes from.
type Source struct {
	Item       string
	Place      string // own van, site shelf, warehouse, another van or on order
	Where      string
	Amount     amount.Amount
	PartID     uuid.UUID  // which may be one that serves instead of what is asked for
	UnitID     *uuid.UUID // of a unit that we know by its tag
	LocationID *uuid.UUID // nil of what is on order or has yet to be put together
}

// source is some of an item of the shelf.
func (sh *shelf) source(item int, n amount.Amount) Source {
	it := sh.items[item]
	out := Source{Item: it.Name, Place: placeWords[it.Place], Where: it.Where, Amount: n, PartID: sh.parts[item]}
	if l := sh.lots[item]; l != nil {
		out.UnitID, out.LocationID = l.UnitID, &l.LocationID
	}
	return out
}

var placeWords = [...]string{"own van", "site shelf", "warehouse", "another van", "on order"}

// MostJudged is how many visits are judged at once.
const MostJudged = 100

// Readiness judges visits, in a number of statements that does not grow with them. What one
// of them takes is not there for those that come after it; they are judged in the
// order in which they start.
func Readiness(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, found []Visit) ([]Ready, error) {
	if len(found) == 0 {
		return nil, nil
	}
	if len(found) > MostJudged {
		return nil, fault.Field("visits", len(found), "are at most %d at once", MostJudged)
	}
	order := make([]int, len(found))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return found[a].StartsAt.Compare(found[b].StartsAt) })
	byStart := make([]Visit, len(found))
	for k, i := range order {
		byStart[k] = found[i]
	}
	judged, err := readyByStart(ctx, db, who, now, byStart)
	if err != nil {
		return nil, err
	}
	all := make([]Ready, len(found))
	for k, i := range order {
		all[i] = judged[k]
	}
	return all, nil
}

// readyByStart judges visits that come in the order in which they start. Where they hold too
// much for one go, the earlier are judged before the later: those then do not see
// what the earlier would take, but what is claimed for them, which planned visits are.
func readyByStart(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, found []Visit) ([]Ready, error) {
	s, err := supply(ctx, db, who, now, found)
	if half := len(found) / 2; fault.KindOf(err) == fault.TooLarge && half > 0 {
		early, err := readyByStart(ctx, db, who, now, found[:half])
		if err != nil {
			return nil, err
		}
		late, err := readyByStart(ctx, db, who, now, found[half:])
		return append(early, late...), err
	}
	if err != nil {
		return nil, err
	}
	all, _, err := s.ready()
	return all, err
}

// ready judges every visit, the earlier first, and gives the shelf as each saw it.
func (s *supplies) ready() ([]Ready, []*shelf, error) {
	order := make([]int, len(s.trips))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return s.trips[a].StartsAt.Compare(s.trips[b].StartsAt) })
	all, shelves := make([]Ready, len(s.trips)), make([]*shelf, len(s.trips))
	for _, i := range order {
		sh := s.shelf(s.trips[i])
		answer, used, err := s.judge(s.trips[i], sh)
		if err != nil {
			return nil, nil, err
		}
		all[i], shelves[i] = s.tell(s.trips[i], sh, answer, used), sh
		s.consume(s.trips[i], sh, answer)
	}
	return all, shelves, nil
}

// open lists the tasks of a visit that are to be done, as they are judged.
func (t trip) open() (all []Task) {
	for _, x := range t.tasks {
		if x.State == "open" {
			all = append(all, x)
		}
	}
	return all
}

// consume takes what a visit takes off what is there for the next.
func (s *supplies) consume(t trip, sh *shelf, a readiness.Answer) {
	open := t.open()
	for k, j := range a.Jobs {
		if j.Verdict == readiness.NoGo {
			continue // it holds nothing
		}
		s.taken[open[k].TaskID] = true
		for _, l := range j.Lines {
			for _, t := range l.Taken {
				if l := sh.lots[t.Item]; l != nil {
					l.OnHand = max(l.OnHand-amount.Amount(t.Amount), 0)
					continue
				}
				for k := range s.orders {
					if s.orders[k].PartID == sh.parts[t.Item] && sh.items[t.Item].Place == readiness.OnOrder {
						s.orders[k].Owed = max(s.orders[k].Owed-amount.Amount(t.Amount), 0)
						break
					}
				}
			}
		}
	}
}

// tell puts an answer into the words of visits.
func (s *supplies) tell(t trip, sh *shelf, a readiness.Answer, used [][]taking) Ready {
	out := Ready{VisitID: t.ID, Verdict: a.Verdict.String(), Says: a.Says, Jobs: []JobReady{}}
	n := 0
	for _, x := range t.tasks {
		if x.State != "open" {
			continue
		}
		j := a.Jobs[n]
		job := JobReady{TaskID: x.TaskID, Name: j.Job, Verdict: j.Verdict.String(), Against: some(j.Against), Missing: []Unknown{}, Work: []BenchWork{}, Lines: []LineReady{}, Who: some(j.Who), Notes: some(j.Notes)}
		for _, m := range j.Missing {
			job.Missing = append(job.Missing, Unknown{m.Fact, m.How})
		}
		for _, w := range j.Work {
			on := BenchWork{Item: sh.items[w.Item].Name, What: w.What, Minutes: w.Minutes, Who: w.Who}
			if l := sh.lots[w.Item]; l != nil {
				on.UnitID = l.UnitID
			}
			job.Work = append(job.Work, on)
		}
		for k, l := range j.Lines {
			u := used[n][k]
			line := LineReady{What: l.What, Number: u.Number, IfFound: !u.always(), Needed: u.Amount, Unit: u.MeasuredIn, Short: amount.Amount(l.Short), From: []Source{}}
			for _, x := range l.Taken {
				line.From = append(line.From, sh.source(x.Item, amount.Amount(x.Amount)))
			}
			if l.OrderBy != 0 {
				by := l.OrderBy.UTC()
				line.OrderBy = &by
			}
			job.Lines = append(job.Lines, line)
		}
		out.Jobs, n = append(out.Jobs, job), n+1
	}
	return out
}

func some(s []string) []string {
	if s == nil {
		return []string{}
	}
	return s
}

// Deciding is what a person decides about a visit or one of its tasks, whatever was
// said of it.
type Deciding struct {
	TaskID   *uuid.UUID // nil: the whole visit
	Decision string     // go, go_without, wait or move
	Reason   string
	Verdict  string // as it was said
	Said     string
}

// Decide keeps what a person decided, beside what was said then.
func Decide(tx *gorm.DB, who access.Actor, now time.Time, id uuid.UUID, in Deciding) (uuid.UUID, error) {
	if err := mayPlanOrWork(who); err != nil {
		return uuid.Nil, err
	}
	h, err := hold(tx, id, nil, Proposed, Planned, UnderWay)
	if err != nil {
		return uuid.Nil, err
	}
	if in.TaskID != nil {
		on, err := pgdb.ID(tx, `select id from visit_task where visit_id = ? and task_id = ? and ended_at is null`, id, *in.TaskID)
		if err != nil {
			return uuid.Nil, err
		}
		if on == uuid.Nil {
			return uuid.Nil, fault.Field("task_id", in.TaskID.String(), "is a task of this visit")
		}
	}
	d := pgdb.NewID()
	return d, tx.Exec(`
insert into visit_decision (id, visit_id, site_id, task_id, decision, verdict, said, reason, decided_at, decided_by)
values (@id, @visit, @site, @task, @decision, @verdict, @said, @reason, @now, @who)`, map[string]any{"id": d, "visit": id, "site": h.SiteID, "task": in.TaskID, "decision": in.Decision,
		"verdict": in.Verdict, "said": in.Said, "reason": strings.TrimSpace(in.Reason), "now": now, "who": who.ID}).Error
}

// Said gives what there is to say about a visit or one of its tasks, for a decision.
func Said(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, id uuid.UUID, task *uuid.UUID) (verdict, said string, err error) {
	v, err := One(ctx, db, who, id)
	if err != nil {
		return "", "", err
	}
	all, err := Readiness(ctx, db, who, now, []Visit{v})
	if err != nil {
		return "", "", err
	}
	if task == nil {
		return all[0].Verdict, all[0].Says, nil
	}
	for _, j := range all[0].Jobs {
		if j.TaskID == *task {
			return j.Verdict, strings.Join(append(slices.Clone(j.Against), j.Notes...), "; "), nil
		}
	}
	return "not judged", "", nil
}

// Decision is what somebody decided.
type Decision struct {
	ID        uuid.UUID
	TaskID    *uuid.UUID
	Decision  string
	Verdict   string
	Said      string
	Reason    string
	DecidedAt time.Time
	DecidedBy string
}

// Decisions lists what was decided about a visit, the latest first.
func Decisions(ctx context.Context, db *pgdb.DB, who access.Actor, id uuid.UUID) ([]Decision, error) {
	return pgdb.Read[Decision](ctx, db, who.ID, `
select d.id, d.task_id, d.decision, d.verdict, d.said, d.reason, d.decided_at, coalesce(a.name, '') as decided_by
  from visit_decision as d left join actor as a on a.id = d.decided_by
 where d.visit_id = @id and (@everywhere or d.site_id = any (@sites)) order by d.decided_at desc, d.id`, who.Scope(map[string]any{"id": id}))
}
