package record

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/assets/meters"
	"spindlebook/internal/fault"
	"spindlebook/internal/parts/amount"
	"spindlebook/internal/parts/stock"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pm"
	"spindlebook/internal/pm/isolation"
)

// Signing is what somebody says who signs a card off.
type Signing struct {
	VersionSeen int
	Minutes     *int   // on the device, all people together
	HandedTo    string // who of the site took it over
	Remark      string
}

// Signed is what signing off did.
type Signed struct {
	RecordID uuid.UUID
	DoneAt   time.Time // when the last of the work was done: clocks count from there
	Done     []pm.Completed
	Readings []meters.Taken
	Swapped  []assets.Swapped
	Used     []stock.Outcome
	Open     []string // labels of steps that nobody has answered; none of them is a hold
}

// refusal names everything that stands in the way.
func (c Card) refusal() error {
	faults := make([]*fault.Error, len(c.Blocks))
	for i, b := range c.Blocks {
		field := b.Code
		switch {
		case b.StepID != nil:
			field = "steps." + b.StepID.String()
		case b.EntryID != nil:
			field = "entries." + b.EntryID.String()
		}
		faults[i] = &fault.Error{Kind: fault.Conflict, Field: field, Msg: b.Says}
	}
	return fault.Collect(faults...)
}

// SignOff closes a card and records its work as done: readings, swaps, what was used,
// what counts from it, all of it or nothing, once however often it is asked for. A card
// with something in the way is refused, and the fault names each.
func SignOff(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, req pgdb.Request, id uuid.UUID, in Signing) (Signed, error) {
	if err := who.Must(access.RecordWork); err != nil {
		return Signed{}, err
	}
	for try := 0; ; try++ {
		card, err := One(ctx, db, who, now, id)
		if err != nil {
			return Signed{}, err
		}
		done := card.done(in)
		var prepared *pm.Prepared
		if card.State == "open" && len(card.Blocks) == 0 {
			if prepared, err = pm.Prepare(ctx, db, who, now, done); err != nil {
				return Signed{}, err
			}
		}
		var touched []uuid.UUID
		out, err := pgdb.Once(ctx, db, who.ID, now, req, func(tx *gorm.DB) (Signed, error) {
			if err := takeOpen(tx, id); err != nil {
				return Signed{}, err
			}
			if prepared == nil {
				return Signed{}, card.refusal()
			}
			var s Signed
			s, touched, err = card.complete(tx, who, now, in, prepared, done)
			return s, err
		})
		if pm.Moved(err) && try < 3 {
			continue
		}
		if err != nil {
			return out, err
		}
		return out, pm.Follow(ctx, db, now, touched)
	}
}

// done lists the work of the card as the programme counts it.
func (c Card) done(in Signing) []pm.Done {
	at, people := c.lastWork(), c.crew()
	all := make([]pm.Done, len(c.Procedures))
	for i, p := range c.Procedures {
		task := p.TaskID
		all[i] = pm.Done{TaskID: &task, At: at, People: people, Remark: strings.TrimSpace(in.Remark), Answers: c.answers(p.Ordinal)}
		if i == 0 {
			all[i].Minutes = in.Minutes
		}
	}
	return all
}

// skills are those for which somebody may stand.
var skills = []string{"OP", "T1", "T2", "EL", "VT", "CI", "WH", "AU"}

// crew gives those who did the work, with what they have shown, or what a manager
// who looked has accepted.
func (c Card) crew() []pm.Person {
	at := c.lastWork()
	all := []pm.Person{}
	stand := func(p isolation.Person, more []string) {
		i := slices.IndexFunc(all, func(o pm.Person) bool { return o.Name == p.Name })
		if i < 0 {
			i, all = len(all), append(all, pm.Person{ActorID: p.ID, Name: p.Name, Skills: []string{}})
			for _, s := range skills {
				if c.held.has(p, s, at) {
					all[i].Skills = append(all[i].Skills, s)
				}
			}
		}
		for _, s := range more {
			if !slices.Contains(all[i].Skills, s) {
				all[i].Skills = append(all[i].Skills, s)
			}
		}
	}
	of := map[uuid.UUID]Step{}
	for _, s := range c.Steps {
		of[s.ID] = s.Step
	}
	for _, e := range c.Entries {
		for _, p := range e.people() {
			stand(p, nil)
		}
		for _, m := range c.Marks {
			if m.EntryID == e.ID && m.Looked != nil && e.StepID != nil && (m.Code == "skill" || m.Code == "hands") {
				stand(e.Person, of[*e.StepID].Skills)
			}
		}
	}
	return all
}

// answers gives what was found at the checks of a procedure; of several answers the
// latest counts.
func (c Card) answers(procedure int) []pm.Answer {
	of := map[uuid.UUID]Step{}
	for _, s := range c.Steps {
		of[s.ID] = s.Step
	}
	all := []pm.Answer{}
	for _, e := range c.Entries {
		a := pm.Answer{Check: e.Said.Check, Found: e.Said.Found, Left: e.Said.Left, Unit: e.Said.Unit, Note: e.Note}
		from := 1
		if e.StepID != nil {
			s := of[*e.StepID]
			from = s.Procedure
			if a.Check == "" {
				a.Check = s.Check
			}
		}
		if a.Check == "" || from != procedure || e.Act != OfStep && e.Act != OfCheck {
			continue
		}
		if len(e.PhotoIDs) > 0 {
			a.PhotoID = &e.PhotoIDs[0]
		}
		if e.Outcome == NotPossible || a.Found == "" && a.PhotoID == nil {
			if a.NotPossible = e.Note; a.NotPossible == "" {
				continue
			}
			a.Found, a.Left, a.PhotoID, a.Note = "", "", nil, ""
		}
		all = slices.DeleteFunc(all, func(o pm.Answer) bool { return o.Check == a.Check })
		all = append(all, a)
	}
	return all
}

// complete writes all that follows from a card that is signed off.
func (c Card) complete(tx *gorm.DB, who access.Actor, now time.Time, in Signing, p *pm.Prepared, done []pm.Done) (s Signed, touched []uuid.UUID, err error) {
	// what came in since the card was read is held against it once more
	card, err := inTx(tx, c.ID, c.LinksFor)
	if err != nil {
		return s, nil, err
	}
	if len(card.Entries) != len(c.Entries) {
		return s, nil, &fault.Error{Kind: fault.Stale, Field: "record", Value: fmt.Sprint(in.VersionSeen), Msg: "something has just been declared on this card; look at it and sign again"}
	}
	if err := card.refusal(); err != nil {
		return s, nil, err
	}
	s.RecordID, s.DoneAt = c.ID, done[0].At
	for _, st := range card.Steps {
		if st.State == "open" {
			s.Open = append(s.Open, st.Label)
		}
	}
	if s.Readings, err = card.readings(tx, who, now); err != nil {
		return s, nil, err
	}
	if s.Used, err = card.used(tx, who, now); err != nil {
		return s, nil, err
	}
	tasks := make([]uuid.UUID, len(card.Procedures))
	for i, p := range card.Procedures {
		tasks[i] = p.TaskID
	}
	if err := stock.EndFor(tx, who, now, tasks); err != nil {
		return s, nil, err
	}
	if s.Swapped, err = card.swap(tx, who, now); err != nil {
		return s, nil, err
	}
	if s.Done, touched, err = pm.Complete(tx, who, now, p, done); err != nil {
		return s, nil, err
	}
	why := ""
	if name := strings.TrimSpace(in.HandedTo); name != "" {
		why = "handed over to " + name
	}
	return s, touched, tx.Exec(`
update job_record set state = 'signed', ended_at = @now, ended_by = @who, ended_why = @why, completion_id = @completion, unseen = 0 where id = @id`,
		map[string]any{"now": now, "who": who.ID, "why": why, "completion": s.Done[0].ID, "id": c.ID}).Error
}

func (c Card) readings(tx *gorm.DB, who access.Actor, now time.Time) ([]meters.Taken, error) {
	var all []meters.NewReading
	var of []uuid.UUID
	for _, e := range c.Entries {
		if e.Act == Reading {
			all, of = append(all, meters.NewReading{MeterID: *e.Said.MeterID, At: e.At, Value: e.Said.Value, Unit: e.Said.Unit}), append(of, e.ID)
		}
	}
	if len(all) == 0 {
		return nil, nil
	}
	taken, err := meters.Take(tx, who, now, all)
	if err != nil {
		return nil, err
	}
	var faults []*fault.Error
	refused := assets.Texts{}
	for i, t := range taken {
		if t.Outcome == meters.Refused { // its counter has changed since it was declared
			t.Fault.Field = "entries." + of[i].String()
			faults, refused = append(faults, t.Fault), append(refused, all[i].MeterID.String())
		}
	}
	if len(faults) == 0 {
		return taken, nil
	}
	codes, err := codesOf(tx, refused)
	if err != nil {
		return nil, err
	}
	for i, t := range taken {
		if t.Outcome == meters.Refused {
			t.Fault.Msg = "the reading " + all[i].Value + " of " + codes[all[i].MeterID] + " " + t.Fault.Msg
		}
	}
	return taken, fault.Collect(faults...)
}

// codesOf gives what counters are called.
func codesOf(tx *gorm.DB, ids assets.Texts) (map[uuid.UUID]string, error) {
	var found []struct {
		ID   uuid.UUID
		Code string
	}
	err := tx.Raw(`select id, code from meter where id = any (cast(? as uuid[]))`, ids).Scan(&found).Error
	by := map[uuid.UUID]string{}
	for _, f := range found {
		by[f.ID] = f.Code
	}
	return by, err
}

// used takes out of stock what was used, and each new unit from where it was taken.
func (c Card) used(tx *gorm.DB, who access.Actor, now time.Time) ([]stock.Outcome, error) {
	ids := assets.Texts{}
	for _, e := range c.Entries {
		if e.Act == Swap && e.Said.In != nil {
			ids = append(ids, e.Said.In.String())
		}
	}
	var units []struct{ ID, PartID uuid.UUID }
	if err := tx.Raw(`select id, part_id from unit where id = any (cast(? as uuid[]))`, ids).Scan(&units).Error; err != nil {
		return nil, err
	}
	var all []stock.Used
	for i := range c.Entries {
		e := c.Entries[i]
		line := stock.Used{Amount: amount.One, At: &e.At, SiteID: &c.SiteID, TaskID: &c.TaskID, Remark: e.Note}
		switch {
		case e.Act == Swap && e.Said.In != nil:
			k := slices.IndexFunc(units, func(u struct{ ID, PartID uuid.UUID }) bool { return u.ID == *e.Said.In })
			if k < 0 {
				return nil, fault.Field("entries."+e.ID.String()+".in", e.Said.In, "the unit that went in by the swap is not on record")
			}
			line.UnitID, line.PartID, line.From = e.Said.In, units[k].PartID, *e.Said.From
		case e.Act == PartMove && e.Said.Did == "used":
			n, bad := amount.Parse(e.Said.Amount)
			if bad != nil {
				return nil, bad
			}
			line.PartID, line.Lot, line.Amount, line.From = *e.Said.PartID, e.Said.Lot, n, *e.Said.From
		default:
			continue
		}
		all = append(all, line)
	}
	if len(all) == 0 {
		return nil, nil
	}
	return stock.Use(tx, who, now, all)
}

// swap moves the units, those of one instant together.
func (c Card) swap(tx *gorm.DB, who access.Actor, now time.Time) (all []assets.Swapped, err error) {
	var swaps []assets.Swap
	for _, e := range c.Entries {
		if e.Act != Swap {
			continue
		}
		item := assets.SwapItem{SlotID: *e.Said.SlotID, Reason: e.Said.Reason, To: e.Said.To, In: e.Said.In, Remark: e.Note}
		if n := len(swaps); n > 0 && swaps[n-1].At.Equal(e.At) {
			swaps[n-1].Items = append(swaps[n-1].Items, item)
			continue
		}
		swaps = append(swaps, assets.Swap{At: e.At, Items: []assets.SwapItem{item}})
	}
	var off []stock.CameOff
	for _, s := range swaps {
		done, err := assets.DoSwap(tx, who, now, s)
		if err != nil {
			return nil, err
		}
		all = append(all, done...)
		for i, d := range done {
			if in := s.Items[i].In; in != nil && d.Out != nil && d.Out.LocationID != nil {
				off = append(off, stock.CameOff{In: *in, Out: d.Out.UnitID, LocationID: *d.Out.LocationID})
			}
		}
	}
	return all, stock.FollowCores(tx, who, now, off)
}

// Abandon ends a card whose work is not done: why, and with it what stays behind. Its
// task stays open, its entries stay, and locks that are on stay on the list of locks.
func Abandon(tx *gorm.DB, who access.Actor, now time.Time, id uuid.UUID, version int, reason string) error {
	if err := who.Must(access.RecordWork); err != nil {
		return err
	}
	if reason = strings.TrimSpace(reason); reason == "" {
		return fault.Field("reason", reason, "must not be blank: why the work stops, and what stays behind")
	}
	h, err := pgdb.One[struct {
		State   string
		Version int
	}](tx, "job record", id.String(), `select state, version from job_record where id = @id for update`, map[string]any{"id": id})
	switch {
	case err != nil:
		return err
	case h.State != "open":
		return &fault.Error{Kind: fault.Conflict, Field: "record", Value: id.String(), Msg: "is " + h.State + " already"}
	case h.Version != version:
		return fault.Outdated("job record", version, h.Version)
	}
	return tx.Exec(`update job_record set state = 'abandoned', ended_at = @now, ended_by = @who, ended_why = @why, version = version + 1 where id = @id`,
		map[string]any{"now": now, "who": who.ID, "why": reason, "id": id}).Error
}
