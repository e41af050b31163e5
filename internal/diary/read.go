package diary

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/calendar"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pm"
	"spindlebook/internal/pm/visits"
)

const (
	// back is how many days a visit stays in a calendar after its day: long enough that
	// whoever was away sees what was called off.
	back = 60
	// ahead is for how many days what falls due is shown.
	ahead = 90
	// mostVisits and mostDue bound a calendar.
	mostVisits, mostDue = 5000, 500
)

// File is a calendar as a program reads it.
type File struct {
	Body      []byte
	Tag       string // changes with the content, and only with it
	ChangedAt time.Time
}

type opened struct {
	ID          uuid.UUID
	ActorID     uuid.UUID
	ContentHash []byte
	ChangedAt   *time.Time
	ReadAt      *time.Time
}

// gone is the one answer to an address that shows nothing, whatever the reason.
func gone() error {
	return &fault.Error{Kind: fault.NotFound, Msg: "there is no calendar at this address: it was revoked, or its maker's account is shut"}
}

// Read gives what stands at a secret address. public makes a path an address of this program.
func Read(ctx context.Context, db *pgdb.DB, now time.Time, secret string, public func(path string) string) (File, error) {
	o, err := pgdb.ReadOne[opened](ctx, db, access.System.ID, "calendar", "", `
select c.id, c.actor_id, c.content_hash, c.changed_at, c.read_at from calendar_address as c where c.secret_hash = @hash and c.revoked_at is null`,
		map[string]any{"hash": access.HashSecret(secret)})
	if fault.KindOf(err) == fault.NotFound {
		err = gone()
	}
	if err != nil {
		return File{}, err
	}
	who, _, err := access.Load(ctx, db, o.ActorID)
	if fault.KindOf(err) == fault.NoIdentity {
		err = gone()
	}
	if err != nil {
		return File{}, err
	}
	c, err := pgdb.ReadOne[Calendar](ctx, db, who.ID, "calendar", "", calendars+` and c.id = @id`, map[string]any{"id": o.ID, "who": who.ID})
	if err != nil {
		return File{}, err
	}
	entries, err := entriesOf(ctx, db, who, now, c)
	if err != nil {
		return File{}, err
	}
	body, err := write(c.Title(), entries, public)
	if err != nil {
		return File{}, err
	}
	sum := sha256.Sum256(body)
	f := File{Body: body, Tag: `"` + hex.EncodeToString(sum[:16]) + `"`, ChangedAt: now}
	same := bytes.Equal(sum[:], o.ContentHash)
	if same {
		f.ChangedAt = *o.ChangedAt
	}
	if same && o.ReadAt != nil && now.Sub(*o.ReadAt) < time.Hour {
		return f, nil
	}
	return f, db.InTx(ctx, who.ID, func(tx *gorm.DB) error {
		return tx.Exec(`update calendar_address set content_hash = @sum, changed_at = @changed, read_at = @now where id = @id`,
			map[string]any{"sum": sum[:], "changed": f.ChangedAt, "now": now, "id": o.ID}).Error
	})
}

// entriesOf reads what a calendar shows, as its maker may see it.
func entriesOf(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, c Calendar) ([]entry, error) {
	today := calendar.DateOf(now)
	trips, err := visits.Engagements(ctx, db, who, c.SiteID, c.PersonID, today-back, mostVisits)
	if err != nil {
		return nil, err
	}
	ids := make([]uuid.UUID, len(trips))
	for i, v := range trips {
		ids[i] = v.ID
	}
	tasks, err := visits.Tasks(ctx, db, who, ids...)
	if err != nil {
		return nil, err
	}
	on, shown := map[uuid.UUID][]visits.Task{}, map[uuid.UUID]bool{}
	for _, t := range tasks {
		on[t.VisitID] = append(on[t.VisitID], t)
		if t.EndedHow == "" {
			shown[t.TaskID] = true
		}
	}
	var all []entry
	for _, v := range trips {
		all = append(all, engagement(c, who.May(access.SeeInternal), v, on[v.ID]))
	}
	if !c.WithDue {
		return all, nil
	}
	by := today + ahead
	waiting, err := pm.Tasks(ctx, db, who, pm.TaskFilter{SiteID: c.SiteID, By: &by}, pm.Page{Limit: mostDue})
	for _, t := range waiting {
		// what is on a visit stands there, but only for those who see that visit: one that is
		// proposed is not the owner's yet, and a day may have been said without any visit
		if !shown[t.ID] {
			all = append(all, dueDay(who.May(access.SeeInternal), t))
		}
	}
	return all, err
}
