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
	"spindlebook/internal/parts/amount"
	"spindlebook/internal/pgdb"
)

var reasons = []string{"no_access", "weather", "part_missing", "part_wrong", "people", "unsafe", "line_needed", "called_away", "van", "other"}

// NewLeft says what is left behind.
type NewLeft struct {
	Kind       string // out_of_service, lock_on, in_parts, parts_there or other
	PositionID *uuid.UUID
	Says       string
}

// NewWant says for want of which part somebody has to come again.
type NewWant struct {
	TaskID *uuid.UUID
	PartID uuid.UUID
	Amount amount.Amount
	Says   string
}

// Ending is how a visit ends.
type Ending struct {
	// Reason is why it is abandoned; "" closes it.
	Reason string
	Why    string // in words; needed where it is abandoned, or work is left
	Left   []NewLeft
	Wants  []NewWant
	// What is left is taken up by a visit that there is, or by a new one.
	NextID *uuid.UUID
	Next   *New
}

// Ended says what became of a visit.
type Ended struct {
	Done   int // tasks
	Left   []uuid.UUID
	NextID *uuid.UUID
}

const mostLeft = 50

// End closes a visit, or abandons it for a reason. Tasks that are done stay on it as
// done, the others are free again or go to the next visit. Locks that are still on
// are noted as left behind, whoever forgot to say so.
func End(tx *gorm.DB, who access.Actor, now time.Time, id uuid.UUID, version int, in Ending) (Ended, error) {
	if err := mayPlanOrWork(who); err != nil {
		return Ended{}, err
	}
	in.Why = strings.TrimSpace(in.Why)
	var faults []*fault.Error
	if in.Reason != "" && !slices.Contains(reasons, in.Reason) {
		faults = append(faults, fault.Field("reason", in.Reason, "is one of %s", strings.Join(reasons, ", ")))
	}
	if in.Reason != "" && in.Why == "" {
		faults = append(faults, fault.Field("why", "", "must say what happened"))
	}
	if in.Next != nil && in.NextID != nil {
		faults = append(faults, fault.Field("next_id", in.NextID.String(), "or next is given, and not both"))
	}
	if len(in.Left) > mostLeft || len(in.Wants) > mostLeft {
		faults = append(faults, fault.Field("left", len(in.Left)+len(in.Wants), "and wants are at most %d each", mostLeft))
	}
	for i, l := range in.Left {
		if strings.TrimSpace(l.Says) == "" {
			faults = append(faults, fault.Field(fmt.Sprintf("left[%d].says", i), "", "must not be blank"))
		}
	}
	for i, w := range in.Wants {
		if w.Amount <= 0 {
			faults = append(faults, fault.Field(fmt.Sprintf("wants[%d].amount", i), w.Amount, "lies above 0"))
		}
	}
	if err := fault.Collect(faults...); err != nil {
		return Ended{}, err
	}
	from := []string{Planned, UnderWay}
	if in.Reason != "" {
		from = append(from, Proposed)
	}
	h, err := hold(tx, id, &version, from...)
	if err != nil {
		return Ended{}, err
	}
	if h.State != UnderWay {
		// a card that was opened for it says as well as a word that somebody is there; where
		// nobody is, it is for those who plan
		card, err := pgdb.ID(tx, `select id from job_record where visit_id = ? limit 1`, id)
		if err != nil {
			return Ended{}, err
		}
		if card == uuid.Nil {
			if err := who.Must(access.Plan); err != nil {
				return Ended{}, err
			}
		}
	}
	out, err := settle(tx, now, id)
	if err != nil {
		return Ended{}, err
	}
	if in.Reason == "" && len(out.Left) > 0 && in.Why == "" {
		return Ended{}, fault.Field("why", "", "must say why %d of %d tasks were not done", len(out.Left), len(out.Left)+out.Done)
	}
	if err := leave(tx, h, in); err != nil {
		return Ended{}, err
	}
	v := map[string]any{"id": id, "now": now, "who": who.ID, "why": in.Why, "state": Closed, "reason": nil}
	if in.Reason != "" {
		v["state"], v["reason"] = Abandoned, in.Reason
	}
	// those who were there are free for what comes next
	if err := tx.Exec(`update visit_person set booked = false where visit_id = @id`, v).Error; err != nil {
		return Ended{}, err
	}
	err = tx.Exec(`
update visit set state = @state, ended_at = @now, ended_by = @who, ended_why = @why, reason = @reason, version = version + 1 where id = @id`, v).Error
	if err != nil {
		return Ended{}, err
	}
	if out.NextID, err = next(tx, who, now, h, in, out.Left); err != nil || out.NextID == nil {
		return out, err
	}
	return out, tx.Exec(`update visit set next_id = @next where id = @id`, map[string]any{"id": id, "next": *out.NextID}).Error
}

// settle ends the tasks of a visit: done are those that are.
func settle(tx *gorm.DB, now time.Time, id uuid.UUID) (Ended, error) {
	rows, err := read[struct {
		TaskID uuid.UUID
		How    string
	}](tx, `
update visit_task as w set ended_at = @now, ended_how = case when t.state in ('done', 'covered') then 'done' else 'left' end
  from task as t
 where w.visit_id = @id and w.ended_at is null and t.id = w.task_id
returning w.task_id, w.ended_how as how`, map[string]any{"id": id, "now": now})
	out := Ended{Left: []uuid.UUID{}}
	for _, r := range rows {
		if r.How == "done" {
			out.Done++
		} else {
			out.Left = append(out.Left, r.TaskID)
		}
	}
	if err == nil && len(out.Left) > 0 {
		err = tx.Exec(`update task set planned_on = null, version = version + 1 where id = any (@tasks) and state = 'open'`, map[string]any{"tasks": &out.Left}).Error
	}
	return out, err
}

// leave notes what is left behind and for want of what.
func leave(tx *gorm.DB, h head, in Ending) error {
	type left struct {
		ID         uuid.UUID  `json:"id"`
		Kind       string     `json:"kind"`
		PositionID *uuid.UUID `json:"position_id"`
		Says       string     `json:"says"`
	}
	type want struct {
		ID     uuid.UUID     `json:"id"`
		TaskID *uuid.UUID    `json:"task_id"`
		PartID uuid.UUID     `json:"part_id"`
		Amount amount.Amount `json:"amount"`
		Says   string        `json:"says"`
	}
	ls, ws := make([]left, len(in.Left)), make([]want, len(in.Wants))
	for i, l := range in.Left {
		ls[i] = left{pgdb.NewID(), l.Kind, l.PositionID, strings.TrimSpace(l.Says)}
	}
	for i, w := range in.Wants {
		ws[i] = want{pgdb.NewID(), w.TaskID, w.PartID, w.Amount, strings.TrimSpace(w.Says)}
	}
	v := map[string]any{"id": h.ID, "site": h.SiteID, "left": document(ls), "wants": document(ws)}
	for _, q := range []string{`
insert into visit_left (id, visit_id, site_id, kind, position_id, says)
select id, cast(@id as uuid), cast(@site as uuid), kind, position_id, says
  from jsonb_to_recordset(cast(@left as jsonb)) as r(id uuid, kind text, position_id uuid, says text)
 union all
select gen_random_uuid(), cast(@id as uuid), cast(@site as uuid), 'lock_on', null, i.code || ': locked by ' || l.person || case when l.left_until is null then '' else ', left on with a name to it' end
  from lock_now as l join isolation_point as i on i.id = l.point_id
 where l.visit_id = @id`, `
insert into visit_want (id, visit_id, site_id, task_id, part_id, amount, says)
select id, @id, @site, task_id, part_id, amount, says
  from jsonb_to_recordset(cast(@wants as jsonb)) as r(id uuid, task_id uuid, part_id uuid, amount numeric, says text)`} {
		if err := tx.Exec(q, v).Error; err != nil {
			return err
		}
	}
	return nil
}

// next puts what is left on another visit.
func next(tx *gorm.DB, who access.Actor, now time.Time, h head, in Ending, left []uuid.UUID) (*uuid.UUID, error) {
	rest := make([]Doing, len(left))
	for i, t := range left {
		rest[i] = Doing{TaskID: t}
	}
	switch {
	case in.Next != nil:
		again := *in.Next
		again.SiteID, again.origin, again.Tasks = h.SiteID, "after", append(rest, again.Tasks...)
		if !who.May(access.Plan) {
			again.Proposed = true // somebody who plans decides
		}
		id, err := add(tx, who, now, again)
		return &id, within("next", err)
	case in.NextID != nil:
		n, err := hold(tx, *in.NextID, nil, Proposed, Planned)
		if err != nil {
			return nil, within("next_id", err)
		}
		if n.SiteID != h.SiteID {
			return nil, fault.Field("next_id", in.NextID.String(), "is a visit to the same site")
		}
		p, err := place(n.Zone, n.TurnsAt)
		if err != nil {
			return nil, err
		}
		if err := tasks(tx, who, now, n, p, rest); err != nil {
			return nil, within("next_id", err)
		}
		return in.NextID, tx.Exec(`update visit set version = version + 1 where id = ?`, n.ID).Error
	}
	return nil, nil
}

// within sets a place before the fields that a fault names.
func within(path string, err error) error {
	if f, ok := err.(*fault.Error); ok && f != nil {
		for j := range f.Parts {
			f.Parts[j].Field = path + "." + f.Parts[j].Field
		}
		f.Field = strings.TrimSuffix(path+"."+f.Field, ".")
	}
	return err
}

// Want is a part for want of which somebody had to come again.
type Want struct {
	TaskID *uuid.UUID
	PartID uuid.UUID
	Part   string // its number
	Amount amount.Amount
	Says   string
}

// Wants lists for want of what a visit left work.
func Wants(ctx context.Context, db *pgdb.DB, who access.Actor, id uuid.UUID) ([]Want, error) {
	return pgdb.Read[Want](ctx, db, who.ID, `
select w.task_id, w.part_id, p.number as part, w.amount, w.says
  from visit_want as w join part as p on p.id = w.part_id
 where w.visit_id = @id and (@everywhere or w.site_id = any (@sites)) order by p.number, w.id`, who.Scope(map[string]any{"id": id}))
}
