package access

import (
	"context"
	"encoding/json"
	"strconv"
	"time"

	"github.com/google/uuid"

	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
)

// Change is one row of the audit trail.
type Change struct {
	ID        int64
	At        time.Time
	ActorID   uuid.UUID
	ActorName string
	RequestID *string
	Entity    string // the table
	EntityID  *uuid.UUID
	SiteID    *uuid.UUID
	Act       string // insert, update or delete
	Before    *json.RawMessage
	After     *json.RawMessage
}

// TrailFilter narrows the trail to one thing or one site.
type TrailFilter struct {
	EntityID *uuid.UUID
	SiteID   *uuid.UUID
}

const trail = `
select t.id, t.at, t.actor_id, coalesce(a.name, '') as actor_name, t.request_id, t.entity, t.entity_id, t.site_id, t.act, t.before, t.after
  from trail as t
  left join actor as a on a.id = t.actor_id
 where t.id < @before
   and (cast(@entity as uuid) is null or t.entity_id = @entity)
   and (cast(@site as uuid) is null or t.site_id = @site)
order by t.id desc
   limit @limit`

// Trail lists changes, the newest first.
func Trail(ctx context.Context, db *pgdb.DB, who Actor, f TrailFilter, page Page) ([]Change, error) {
	if err := who.Must(Administer); err != nil {
		return nil, err
	}
	before := int64(1<<63 - 1)
	if page.After != "" {
		var err error
		if before, err = strconv.ParseInt(page.After, 10, 64); err != nil {
			return nil, &fault.Error{Kind: fault.Malformed, Field: "cursor", Msg: "is not one that a list gave"}
		}
	}
	return pgdb.Read[Change](ctx, db, who.ID, trail, map[string]any{"before": before, "entity": f.EntityID, "site": f.SiteID, "limit": page.Limit})
}

// Key is the key of a change in the list of them.
func (c Change) Key() string { return strconv.FormatInt(c.ID, 10) }
