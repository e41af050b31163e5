package visits

import (
	"context"

	"github.com/google/uuid"

	"spindlebook/internal/access"
	"spindlebook/internal/pgdb"
)

// Member is somebody of ours who can go on visits.
type Member struct {
	PersonID uuid.UUID
	Name     string
	Skills   string     // codes for which there is evidence now, with blanks between
	VanID    *uuid.UUID // that they drive now
}

// Staff lists our people who have shown a skill, by name.
func Staff(ctx context.Context, db *pgdb.DB, who access.Actor) ([]Member, error) {
	return pgdb.Read[Member](ctx, db, who.ID, `
select a.id as person_id, a.name, string_agg(k.skill, ' ' order by k.skill) as skills,
       (select h.location_id from location_holder as h where h.actor_id = a.id and upper_inf(h.during) limit 1) as van_id
  from skill_now as k
  join actor as a on a.id = k.actor_id and a.kind = 'person' and a.customer_id is null and a.disabled_at is null
group by a.id, a.name
order by a.name, a.id
   limit 500`, nil)
}
