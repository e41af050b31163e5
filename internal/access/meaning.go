package access

import (
	"context"

	"spindlebook/internal/pgdb"
)

// Meaning explains a capability in a sentence.
type Meaning struct {
	Code    Capability
	Meaning string
}

// Meanings lists every capability with what it allows.
func Meanings(ctx context.Context, db *pgdb.DB, who Actor) ([]Meaning, error) {
	return pgdb.Read[Meaning](ctx, db, who.ID, `select code, meaning from capability order by code`, nil)
}
