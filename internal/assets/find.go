package assets

import (
	"context"
	"strings"

	"github.com/google/uuid"

	"spindlebook/internal/access"
	"spindlebook/internal/pgdb"
)

// Hit is something that the find box found.
type Hit struct {
	Kind string // site, position, unit or part
	ID   uuid.UUID
	Code string // what it is called on labels
	Name string
	By   string // what matched: code, alias, serial, ...
}

// Each branch uses only operators that reach an index below row-level security:
// ranges of text, not patterns.
var find = `
with asked as (select upper(@text) as t, upper(@text) || U&'\FFFD' as until)
select * from (
  select 'site' as kind, s.id, s.code, s.name, 'code' as by, 1 as near
    from site as s, asked where (@everywhere or s.id = any (@sites)) and s.code >= t and s.code < until
   union all
  select 'site', s.id, s.code, s.name, 'name', 2
    from site as s, asked where (@everywhere or s.id = any (@sites)) and upper(s.name) >= t and upper(s.name) < until
   union all
  select 'position', p.id, p.code, p.name, 'code', 1
    from position as p, asked where (@everywhere or p.site_id = any (@sites)) and p.code >= t and p.code < until
   union all
  select 'position', p.id, p.code, p.name || ' (' || a.alias || ')', 'alias', 1
    from position_alias as a join position as p on p.id = a.position_id, asked
   where (@everywhere or a.site_id = any (@sites)) and upper(a.alias) >= t and upper(a.alias) < until
   union all
  select 'unit', u.id, u.tag, p.description, 'tag', 1
    from unit as u join part as p on p.id = u.part_id, asked where ` + unitMine("u") + ` and u.tag >= t and u.tag < until
   union all
  select 'unit', u.id, u.tag, p.description || ', serial ' || u.serial, 'serial', 1
    from unit as u join part as p on p.id = u.part_id, asked
   where ` + unitMine("u") + ` and u.serial_read >= serial_as_read(t) and u.serial_read < serial_as_read(t) || U&'\FFFD'
   union all
  select 'part', p.id, p.number, p.description, 'number', 1
    from part as p, asked where p.number >= t and p.number < until
) as hit
order by near, kind, code
   limit @limit`

// Find looks for what begins with a text: codes, names and aliases of sites and
// positions, tags and serials of units, numbers of parts, within the actor's
// scope. Case does not count, nor, in a serial, O for 0 and I for 1.
func Find(ctx context.Context, db *pgdb.DB, who access.Actor, text string, limit int) ([]Hit, error) {
	text = strings.TrimSpace(text)
	if text == "" {
		return []Hit{}, nil
	}
	type row struct {
		Hit
		Near int
	}
	rows, err := pgdb.Read[row](ctx, db, who.ID, find, args(who, map[string]any{"text": text, "limit": limit}))
	hits := make([]Hit, len(rows))
	for i, r := range rows {
		hits[i] = r.Hit
	}
	return hits, err
}
