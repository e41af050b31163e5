package assets_test

import (
	"strings"
	"testing"

	"github.com/jackc/pgx/v5"
)

// A page of positions walks the index of its site, and takes one step in that of
// states for each row, also where many positions were added at once and their keys
// lie close together.
func TestAPageOfPositionsWalksItsIndexes(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	conn, err := pgx.Connect(ctx, w.owner)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(ctx)
	for _, sql := range []string{`alter table position disable trigger user`, `alter table position_state disable trigger user`, `
insert into position (id, site_id, line_id, code, name, kind, line_side, during, created_at)
select cast('018cc251-f5f5-7006-8000-' || lpad(to_hex(n), 12, '0') as uuid), p.site_id, p.line_id, 'MANY-' || n, p.name, p.kind, p.line_side, p.during, p.created_at
  from position as p, generate_series(1, 5000) as n
 where p.code = 'UMB-1/SBL-L'`, `
insert into position_state (id, position_id, site_id, state, during)
select id, id, site_id, 'in_service', during from position where code like 'MANY-%'`,
		`analyze position, position_state, position_alias, twin`} {
		if _, err := conn.Exec(ctx, sql); err != nil {
			t.Fatal(err)
		}
	}
	rows, err := conn.Query(ctx, `explain select * from position_now where site_id = $1 and code > 'M' order by code limit 51`, w.site.ID)
	if err != nil {
		t.Fatal(err)
	}
	lines, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		t.Fatal(err)
	}
	plan := strings.Join(lines, "\n")
	if !strings.Contains(plan, "position_state_position_ix") {
		t.Errorf("the plan does not step back in the index of states:\n%s", plan)
	}
	for _, never := range []string{"Seq Scan on \"position\"", "Seq Scan on position_state", "position_state_one_at_a_time"} {
		if strings.Contains(plan, never) {
			t.Errorf("the plan has %s:\n%s", never, plan)
		}
	}
}
