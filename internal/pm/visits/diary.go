package visits

import (
	"context"
	"time"

	"github.com/google/uuid"

	"spindlebook/internal/access"
	"spindlebook/internal/calendar"
	"spindlebook/internal/pgdb"
)

// Engagement is a visit as it stands in somebody's diary.
type Engagement struct {
	Visit
	Address   string // of the site
	Latitude  *float64
	Longitude *float64
	ChangedAt time.Time // when something that others read of it changed last
}

// Engagements lists visits with what a diary needs to know of them, by day.
// Those that were abandoned are among them: whoever wrote one down has to hear of it.
func Engagements(ctx context.Context, db *pgdb.DB, who access.Actor, site, person *uuid.UUID, from calendar.Date, most int) ([]Engagement, error) {
	return pgdb.Read[Engagement](ctx, db, who.ID, `
select v.*, s.address, s.latitude, s.longitude, c.changed_at
  from (`+visitRows+`
           and (cast(@site as uuid) is null or v.site_id = @site)
           and (cast(@person as uuid) is null or exists (select from visit_person as p where p.visit_id = v.id and p.person_id = @person))
           and v.on_date >= cast(@from as date)
      order by v.on_date, v.id limit @most) as v
  join site as s on s.id = v.site_id
  join visit as c on c.id = v.id
order by v.on_date, v.id`, who.Scope(map[string]any{"site": site, "person": person, "from": from.UTC(), "most": most}))
}
