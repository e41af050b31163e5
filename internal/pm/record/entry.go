package record

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
	"spindlebook/internal/assets/meters"
	"spindlebook/internal/fault"
	"spindlebook/internal/parts/amount"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pm/isolation"
)

// Page is a part of a list; its key is that of the last row before it.
type Page = access.Page

// NewEntry is what somebody declares on a card, as a phone sends it.
type NewEntry struct {
	ID          uuid.UUID // chosen by the phone, so that the same entry again is no new one
	StepID      *uuid.UUID
	VisitID     *uuid.UUID
	Act         string
	Outcome     string
	Said        Said
	Note        string
	For         string // the name of somebody without an account who says so; "" for whoever sends it
	Others      []Helper
	PhotoIDs    []uuid.UUID
	VersionSeen int
	DoneAt      time.Time
	Stamped     bool // DoneAt is when it arrived, so that the same entry again comes with another
	Offset      *time.Duration
}

// Taken is what became of one entry that was sent.
type Taken struct {
	ID    uuid.UUID
	State string       // kept, already or refused
	Marks []Mark       // of what was kept: what a manager must look at
	Fault *fault.Error // of refused
}

// MostEntries bounds what is taken at once.
const MostEntries = 200

type entryRow struct {
	ID          uuid.UUID   `json:"id"`
	StepID      *uuid.UUID  `json:"step_id"`
	VisitID     *uuid.UUID  `json:"visit_id"`
	Act         string      `json:"act"`
	Outcome     string      `json:"outcome"`
	Said        Said        `json:"said"`
	Note        string      `json:"note"`
	PersonID    *uuid.UUID  `json:"person_id"`
	Person      string      `json:"person"`
	Others      []Helper    `json:"others"`
	PhotoIDs    []uuid.UUID `json:"photo_ids"`
	VersionSeen int         `json:"version_seen"`
	Made        int         `json:"made"`
	DoneAt      time.Time   `json:"done_at"`
	OffsetMS    *int64      `json:"offset_ms"`
	At          time.Time   `json:"at"`
	ReceivedAt  time.Time   `json:"received_at"`
	RecordedBy  uuid.UUID   `json:"recorded_by"`
	Named       Named       `json:"named"` // read with it, never written
}

func (r entryRow) entry() Entry {
	return Entry{ID: r.ID, StepID: r.StepID, VisitID: r.VisitID, Act: r.Act, Outcome: r.Outcome, Said: r.Said, Named: r.Named, Note: r.Note,
		Person: isolation.Person{ID: r.PersonID, Name: r.Person, By: r.RecordedBy}, Others: r.Others, PhotoIDs: r.PhotoIDs, VersionSeen: r.VersionSeen, Made: r.Made,
		DoneAt: r.DoneAt, At: r.At, ReceivedAt: r.ReceivedAt}
}

// same tells whether an entry is the one that was sent before. How far a phone's clock
// ran ahead was judged when it first came.
func (r entryRow) same(o entryRow, stamped bool) bool {
	r.Said.Early = o.Said.Early
	return r.says() == o.says() && (stamped || r.DoneAt.Truncate(time.Microsecond).Equal(o.DoneAt.Truncate(time.Microsecond)))
}

// says is all that an entry says, but when. Who has an account may be called otherwise by now.
func (r entryRow) says() string {
	if r.PersonID != nil {
		r.Person = ""
	}
	return document([]any{r.Act, r.Outcome, r.StepID, r.PersonID, r.Person, r.Note, r.Said, r.Others, r.PhotoIDs})
}

// Take keeps what was declared on a card, entry by entry, also on one that is closed.
// Refused is only what says nothing: no step, no time, no such unit. Whatever else
// contradicts the card is kept and marked.
func Take(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, id uuid.UUID, in []NewEntry) ([]Taken, error) {
	if err := who.Must(access.RecordWork); err != nil {
		return nil, err
	}
	if len(in) > MostEntries {
		return nil, fault.Field("items", len(in), "are at most %d at once", MostEntries)
	}
	before, err := One(ctx, db, who, now, id)
	if err != nil {
		return nil, err
	}
	links := before.LinksFor
	for _, e := range in { // the plate of the unit that goes in counts
		if e.Act == Swap && e.Said.In != nil && before.PositionID != nil {
			if c, err := assets.ConnectionOf(ctx, db, who, now, *before.PositionID, e.Said.In); err == nil {
				links = linksFor(c)
			}
		}
	}
	var taken []Taken
	err = db.InTx(ctx, who.ID, func(tx *gorm.DB) error {
		taken, err = take(tx, who, now, before, links, in)
		return err
	})
	return taken, err
}

func take(tx *gorm.DB, who access.Actor, now time.Time, before Card, links string, in []NewEntry) ([]Taken, error) {
	// whoever writes on the same card waits here
	claimed, err := pgdb.One[struct{ Version int }](tx, "job record", before.ID.String(), `update job_record set version = version + 1 where id = @id returning version`, map[string]any{"id": before.ID})
	if err != nil {
		return nil, err
	}
	ids := assets.Texts{}
	for _, e := range in {
		ids = append(ids, e.ID.String())
	}
	var old []struct{ Entry string }
	err = tx.Raw(`select cast(to_jsonb(e) as text) as entry from record_entry as e where e.id = any (cast(@ids as uuid[]))`, map[string]any{"ids": ids}).Scan(&old).Error
	if err != nil {
		return nil, err
	}
	was := map[uuid.UUID]entryRow{}
	for _, o := range old {
		var r entryRow
		if err := json.Unmarshal([]byte(o.Entry), &r); err != nil {
			return nil, err
		}
		was[r.ID] = r
	}
	visits, err := isolation.VisitsNamed(tx, named(in))
	if err != nil {
		return nil, err
	}
	unread, err := refusals(tx, who, now, in)
	if err != nil {
		return nil, err
	}
	taken, rows := make([]Taken, len(in)), []entryRow{}
	for i, e := range in {
		r, bad := e.row(who, now, before)
		if bad == nil && e.VisitID != nil && visits[*e.VisitID] != before.SiteID {
			bad = fault.Field("visit_id", e.VisitID, "names no visit to this site")
		}
		o, there := was[e.ID]
		if bad == nil && !there {
			bad = unread[i]
		}
		taken[i] = Taken{ID: e.ID, State: "kept"}
		switch {
		case bad != nil:
			bad.Field = fmt.Sprintf("items[%d].%s", i, bad.Field)
			taken[i] = Taken{ID: e.ID, State: "refused", Fault: bad}
		case there && o.same(r, e.Stamped):
			taken[i].State = "already"
		case there:
			taken[i] = Taken{ID: e.ID, State: "refused", Fault: &fault.Error{Kind: fault.Conflict, Field: fmt.Sprintf("items[%d].id", i), Value: e.ID.String(),
				Msg: "was used for another entry; choose a fresh one for each"}}
		default:
			was[e.ID] = r
			rows = append(rows, r)
		}
	}
	if len(rows) > 0 {
		err := tx.Exec(addEntries, map[string]any{"record": before.ID, "site": before.SiteID, "rows": document(rows), "made": claimed.Version, "now": now, "who": who.ID}).Error
		if err != nil {
			return nil, err
		}
	}
	card, err := inTx(tx, before.ID, links)
	if err != nil {
		return nil, err
	}
	for i := range taken {
		for _, m := range card.Marks {
			if m.EntryID == taken[i].ID && taken[i].State != "refused" {
				taken[i].Marks = append(taken[i].Marks, m)
			}
		}
	}
	return taken, tx.Exec(`update job_record set unseen = ? where id = ? and unseen <> ?`, card.Unseen, before.ID, card.Unseen).Error
}

// refusals finds the readings that could not be booked at the end.
func refusals(tx *gorm.DB, who access.Actor, now time.Time, in []NewEntry) (map[int]*fault.Error, error) {
	var all []meters.NewReading
	var places []int
	for i, e := range in {
		if e.Act == Reading && e.Said.MeterID != nil {
			at, _ := isolation.When(e.DoneAt, e.Offset, now)
			all, places = append(all, meters.NewReading{MeterID: *e.Said.MeterID, At: at, Value: e.Said.Value, Unit: e.Said.Unit}), append(places, i)
		}
	}
	if len(all) == 0 {
		return nil, nil
	}
	faults, err := meters.Refusals(tx, who, all)
	bad := map[int]*fault.Error{}
	for i, f := range faults {
		if f == nil {
			continue
		}
		switch f.Field {
		case "meter":
			f.Field = "said.meter_id"
		case "at":
			f.Field = "done_at"
		default:
			f.Field = "said." + f.Field
		}
		bad[places[i]] = f
	}
	return bad, err
}

// named lists the visits that entries name.
func named(in []NewEntry) (all []uuid.UUID) {
	for _, e := range in {
		if e.VisitID != nil {
			all = append(all, *e.VisitID)
		}
	}
	return all
}

func (e NewEntry) row(who access.Actor, now time.Time, card Card) (entryRow, *fault.Error) {
	if bad := e.Check(card); bad != nil {
		return entryRow{}, bad
	}
	at, early := isolation.When(e.DoneAt, e.Offset, now)
	r := entryRow{ID: e.ID, StepID: e.StepID, VisitID: e.VisitID, Act: e.Act, Outcome: e.Outcome, Said: e.Said, Note: strings.TrimSpace(e.Note), PersonID: &who.ID, Person: who.Name,
		Others: []Helper{}, PhotoIDs: []uuid.UUID{}, VersionSeen: e.VersionSeen, DoneAt: e.DoneAt.UTC(), At: at}
	r.Said.Early = early
	if name := strings.TrimSpace(e.For); name != "" {
		r.PersonID, r.Person = nil, name
	}
	for _, h := range e.Others {
		r.Others = append(r.Others, Helper{h.ID, strings.TrimSpace(h.Name)})
	}
	r.PhotoIDs = append(r.PhotoIDs, e.PhotoIDs...)
	if e.VisitID == nil {
		r.VisitID = card.VisitID
	}
	if e.Offset != nil {
		ms := e.Offset.Milliseconds()
		r.OffsetMS = &ms
	}
	return r, nil
}

// Check finds what says nothing, before anything is kept of it.
func (e NewEntry) Check(card Card) *fault.Error {
	switch {
	case e.ID == uuid.Nil:
		return fault.Field("id", "", "is needed: the sender chooses it, so that the same entry again is no new one")
	case !slices.Contains(acts, e.Act):
		return fault.Field("act", e.Act, "is one of %s", strings.Join(acts, ", "))
	case e.DoneAt.Year() < 2000 || e.DoneAt.Year() > 2200:
		return fault.Field("done_at", e.DoneAt.Format(time.RFC3339), "is when it was done, by the phone's clock")
	case e.Offset != nil && (*e.Offset > 400*24*time.Hour || *e.Offset < -400*24*time.Hour):
		return fault.Field("offset_ms", e.Offset.Milliseconds(), "lies within 400 days: how much later it was than the phone's clock said")
	case e.Act != OfStep && e.Outcome != "":
		return fault.Field("outcome", e.Outcome, "is of an answer to a step only")
	}
	for i, h := range e.Others {
		if strings.TrimSpace(h.Name) == "" {
			return fault.Field(fmt.Sprintf("others[%d].name", i), h.Name, "must not be blank")
		}
	}
	if e.StepID != nil || e.Act == OfStep {
		i := -1
		if e.StepID != nil {
			i = slices.IndexFunc(card.Steps, func(s StepNow) bool { return s.ID == *e.StepID })
		}
		if i < 0 {
			return fault.Field("step_id", "", "names no step of this card")
		}
		if e.Act == OfStep {
			return e.checkStep(card.Steps[i].Step)
		}
	}
	s := e.Said
	switch e.Act {
	case OfCheck:
		if s.Check == "" {
			return fault.Field("said.check", "", "is the code of the check that was looked at")
		}
	case Reading:
		if s.MeterID == nil {
			return fault.Field("said.meter_id", "", "names the counter that was read")
		}
		if strings.TrimSpace(s.Value) == "" {
			return fault.Field("said.value", s.Value, "is what the counter showed")
		}
	case Swap:
		switch {
		case s.SlotID == nil:
			return fault.Field("said.slot_id", "", "names the slot out of which the old unit came")
		case strings.TrimSpace(s.Reason) == "":
			return fault.Field("said.reason", s.Reason, "must not be blank: why the old unit came out")
		case s.To == nil:
			return fault.Field("said.to", "", "names the location to which the old unit goes")
		case s.In != nil && s.From == nil:
			return fault.Field("said.from", "", "names the location from which the new unit was taken")
		}
	case PartMove:
		switch {
		case s.PartID == nil:
			return fault.Field("said.part_id", "", "names the part")
		case !slices.Contains([]string{"taken", "used", "returned", "left_on_site"}, s.Did):
			return fault.Field("said.did", s.Did, "is taken, used, returned or left_on_site")
		case s.From == nil:
			return fault.Field("said.from", "", "names the location from which it was taken, or to which it went back")
		}
		n, bad := amount.Parse(s.Amount)
		if bad != nil {
			return fault.Field("said.amount", s.Amount, "%s", bad.Msg)
		}
		if n <= 0 {
			return fault.Field("said.amount", s.Amount, "must lie above 0")
		}
	case Exchange:
		if strings.TrimSpace(s.Leads) == "" {
			return fault.Field("said.leads", s.Leads, "says which two supply leads were exchanged")
		}
		if strings.TrimSpace(s.Where) == "" {
			return fault.Field("said.where", s.Where, "says at which one place: motor box or starter")
		}
	case Note, Left:
		if strings.TrimSpace(e.Note) == "" && len(e.PhotoIDs) == 0 {
			return fault.Field("note", e.Note, "must not be blank")
		}
	}
	return nil
}

func (e NewEntry) checkStep(s Step) *fault.Error {
	switch {
	case !slices.Contains([]string{DoneWell, NotOK, NotPossible}, e.Outcome):
		return fault.Field("outcome", e.Outcome, "is one of done, not_ok and not_possible")
	case e.Outcome != DoneWell && strings.TrimSpace(e.Note) == "":
		return fault.Field("note", e.Note, "must say why, where something is not as it must be or could not be done")
	}
	for name := range e.Said.Values {
		if !slices.Contains(s.Records, name) {
			return fault.Field("said.values."+name, e.Said.Values[name], "is not recorded at this step; it records %s", strings.Join(s.Records, ", "))
		}
	}
	for _, name := range s.Records {
		if bad := WrittenAs(name).sound(name, e.Said.Values[name]); bad != nil {
			return bad
		}
	}
	if slices.Contains(s.Records, DirectionSeen) && e.Outcome == DoneWell && e.Said.Values[DirectionSeen] == "" {
		return fault.Field("said.values."+DirectionSeen, "", "is clockwise or counter_clockwise, as it was seen")
	}
	return nil
}

// LookInto records that a manager has looked at marks of a card, of its entries or of
// those about its points, and what was found.
func LookInto(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, id uuid.UUID, in []isolation.NewLook) error {
	if err := who.Must(access.Plan); err != nil {
		return err
	}
	card, err := One(ctx, db, who, now, id)
	if err != nil {
		return err
	}
	return db.InTx(ctx, who.ID, func(tx *gorm.DB) error {
		for i, l := range in {
			if strings.TrimSpace(l.Remark) == "" {
				return fault.Field(fmt.Sprintf("items[%d].remark", i), l.Remark, "must not be blank: it says what was found when it was looked at")
			}
			if !card.marked(l.EntryID, l.Mark) {
				return &fault.Error{Kind: fault.NotFound, Field: fmt.Sprintf("items[%d].entry_id", i), Value: l.EntryID.String(), Msg: "no such mark on this card"}
			}
		}
		type look struct {
			EntryID uuid.UUID `json:"entry_id"`
			Mark    string    `json:"mark"`
			Remark  string    `json:"remark"`
		}
		rows := []look{}
		for _, l := range in {
			rows = append(rows, look{l.EntryID, l.Mark, strings.TrimSpace(l.Remark)})
		}
		err := tx.Exec(`
insert into entry_look (entry_id, mark, site_id, record_id, remark, looked_at, looked_by)
select r.entry_id, r.mark, @site, @record, r.remark, @now, @who
  from jsonb_to_recordset(cast(@rows as jsonb)) as r(entry_id uuid, mark text, remark text)
on conflict on constraint entry_look_pk do nothing`, map[string]any{"site": card.SiteID, "record": id, "rows": document(rows), "now": now, "who": who.ID}).Error
		if err != nil {
			return err
		}
		after, err := inTx(tx, id, card.LinksFor)
		if err != nil {
			return err
		}
		return tx.Exec(`update job_record set unseen = ?, version = version + 1 where id = ?`, after.Unseen, id).Error
	})
}

func (c Card) marked(entry uuid.UUID, code string) bool {
	if slices.ContainsFunc(c.Marks, func(m Mark) bool { return m.EntryID == entry && m.Code == code }) {
		return true
	}
	for _, p := range c.Isolation {
		if slices.ContainsFunc(p.Marks, func(m isolation.Mark) bool { return m.EntryID == entry && m.Code == code }) {
			return true
		}
	}
	return false
}
