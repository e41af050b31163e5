package access

import (
	"context"

	"spindlebook/internal/pgdb"
)

// Role is a bundle of capabilities that may be given in one kind of scope.
type Role struct {
	Code         string
	Name         string
	Scope        string // distributor, customer or site
	Capabilities []string
}

// Roles lists the roles that can be given.
func Roles(ctx context.Context, db *pgdb.DB, who Actor) ([]Role, error) {
	return pgdb.Read[Role](ctx, db, who.ID, `
select r.code, r.name, r.scope, array(select c.capability from role_capability as c where c.role = r.code order by 1) as capabilities
  from role as r
 where r.code <> 'system'
order by r.code`, nil)
}
