package parts

import (
	"context"

	"github.com/google/uuid"

	"spindlebook/internal/access"
	"spindlebook/internal/parts/amount"
	"spindlebook/internal/pgdb"
)

// Use is a kit that holds a part, or a procedure that takes it.
type Use struct {
	Kind   string // kit or procedure
	ID     uuid.UUID
	Code   string
	Name   string
	Amount *amount.Amount // of a kit
}

// Uses says where a part is used.
type Uses struct {
	Items  []Use
	Places int // positions in which a unit of it is fitted now, among what the actor sees
}

const uses = `
select 'kit' as kind, k.kit_id as id, p.number as code, p.description as name, l.amount
  from kit_line as l
  join kit_now as k on k.recipe_id = l.recipe_id
  join part as p on p.id = k.kit_id
 where l.part_id = @part
 union all
select distinct 'procedure', p.id, p.code, p.title, cast(null as numeric)
  from requirement_line as l
  join procedure_now as p on p.version_id = l.version_id
 where l.part_id = @part
order by kind, code
 limit 200`

// UsesOf tells where a part is used.
func UsesOf(ctx context.Context, db *pgdb.DB, who access.Actor, part uuid.UUID) (Uses, error) {
	items, err := pgdb.Read[Use](ctx, db, who.ID, uses, map[string]any{"part": part})
	if err != nil {
		return Uses{}, err
	}
	n, err := pgdb.ReadOne[struct{ N int }](ctx, db, who.ID, "part", part.String(), `
select count(distinct f.position_id) as n from fitted_now as f where f.part_id = @part and (@everywhere or f.site_id = any (@sites))`, who.Scope(map[string]any{"part": part}))
	return Uses{items, n.N}, err
}

// Work is a procedure of which it is known what it takes.
type Work struct {
	ProcedureID uuid.UUID
	VersionID   uuid.UUID // the one that holds
	Code        string
	Title       string
	Methods     List[WorkMethod]
}

// WorkMethod is a way in which it is done.
type WorkMethod struct {
	Code  string
	Title string
}

// Works lists the procedures of which it is known what they take, by code.
func Works(ctx context.Context, db *pgdb.DB, who access.Actor) ([]Work, error) {
	return pgdb.Read[Work](ctx, db, who.ID, `
select p.id as procedure_id, p.version_id, p.code, p.title,
       coalesce((select jsonb_agg(jsonb_build_object('Code', o.code, 'Title', o.title) order by o.ordinal) from procedure_option as o where o.version_id = p.version_id), '[]') as methods
  from procedure_now as p
 where not p.is_block and exists (select from requirement_line as l where l.version_id = p.version_id)
order by p.code
 limit 200`, nil)
}
