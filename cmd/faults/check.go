package main

import (
	"context"
	"errors"
	"fmt"
	"net/http"

	"github.com/jackc/pgx/v5"
)

// named gives the column by which each table's rows are told apart.
var named = map[string]string{"customer": "code", "site": "code", "line": "code", "position": "code", "position_fact": "value",
	"stock_movement": "document"}

// check compares what was acknowledged with what is there. Every client has
// brought its last create to an end, so the two must be the same. What was
// acknowledged since the place given is sent once more and must be answered
// as it was.
func (l *load) check(ctx context.Context, owner, url string, since int) error {
	conn, err := pgx.Connect(ctx, owner)
	if err != nil {
		return err
	}
	defer func() { _ = conn.Close(context.WithoutCancel(ctx)) }() // nothing was written
	if err := l.resend(ctx, url, since); err != nil {
		return err
	}
	for table, column := range named {
		if err := l.compare(ctx, conn, table, column); err != nil {
			return err
		}
	}
	for what, query := range parts {
		var n int
		if err := conn.QueryRow(ctx, query).Scan(&n); err != nil {
			return err
		}
		if n != 0 {
			return fmt.Errorf("%d %s", n, what)
		}
	}
	if err := l.shelves.check(ctx, conn, l.acked); err != nil {
		return err
	}
	return revalidate(ctx, conn)
}

// parts are what must not be there: something done by half.
var parts = map[string]string{
	"positions without their one state": `select count(*) from position as p where (select count(*) from position_state as s where s.position_id = p.id) <> 1`,
	"positions without their one alias": `select count(*) from position as p where (select count(*) from position_alias as a where a.position_id = p.id) <> 1`,
	"sites without their one owner":     `select count(*) from site as s where (select count(*) from ownership as o where o.site_id = s.id) <> 1`,
	"units that are not in one place":   `select count(*) from unit as u where (select count(*) from stay as s where s.unit_id = u.id and upper_inf(s.during)) <> 1`,
	"requests kept without an answer":   `select count(*) from kept_answer where answer is null`,
	"positions whose facts leave gaps or overlap": `
select count(*) from (
  select upper(during) as ends, lead(lower(during)) over (partition by position_id, fact order by lower(during)) as next_begins
    from position_fact) as f
 where f.ends is distinct from f.next_begins`,
}

// compare finds what of a table is lost, doubled, never acknowledged, known
// under another key, or not told by the trail.
func (l *load) compare(ctx context.Context, conn *pgx.Conn, table, column string) error {
	want := map[string]string{} // name to key
	for _, c := range l.acked {
		if c.table != table {
			continue
		}
		for i, name := range c.names {
			want[name] = c.ids[i]
		}
	}
	rows, err := conn.Query(ctx, fmt.Sprintf(`
select t.%s, t.id::text, (select count(*) from trail where trail.entity = $1 and trail.entity_id = t.id and trail.act = 'insert')
  from %s as t`, column, table), table)
	if err != nil {
		return err
	}
	there := map[string]bool{}
	var name, id string
	var told int
	_, err = pgx.ForEachRow(rows, []any{&name, &id, &told}, func() error {
		acknowledged, ok := want[name]
		switch {
		case there[name]:
			return fmt.Errorf("%s %s is there twice", table, name)
		case !ok:
			return fmt.Errorf("%s %s is there and was never acknowledged", table, name)
		case acknowledged != id:
			return fmt.Errorf("%s %s was acknowledged as %s and is there as %s", table, name, acknowledged, id)
		case told != 1 && table != "stock_movement": // the ledger is its own trail
			return fmt.Errorf("the trail tells %d times that %s %s was made", told, table, name)
		}
		there[name] = true
		return nil
	})
	if err != nil {
		return err
	}
	for name := range want {
		if !there[name] {
			return fmt.Errorf("%s %s was acknowledged and is lost", table, name)
		}
	}
	return nil
}

// resend sends again what was acknowledged.
func (l *load) resend(ctx context.Context, url string, since int) error {
	for _, c := range l.acked[since:] {
		a, err := l.post(ctx, url, c)
		if err != nil || a != c.answer {
			return fmt.Errorf("%s, sent again under its key, is answered by %d %s and was by %d %s (%w)", c.path, a.status, a.body, c.answer.status, c.answer.body, err)
		}
		if a.status != http.StatusCreated {
			return fmt.Errorf("%s was acknowledged by %d", c.path, a.status)
		}
	}
	return nil
}

// revalidate holds every key and every exclusion constraint against the rows
// once more, on a copy: the indexes behind them are what a crash could harm.
func revalidate(ctx context.Context, conn *pgx.Conn) error {
	rows, err := conn.Query(ctx, `
select relname, array_agg(conname::text order by conname) as names, array_agg(pg_get_constraintdef(c.oid) order by conname) as rules
  from pg_constraint as c
  join pg_class as t on t.oid = c.conrelid
 where c.contype in ('p', 'u', 'x')
   and t.relnamespace = 'public'::regnamespace
group by relname`)
	if err != nil {
		return err
	}
	type guarded struct {
		Relname      string
		Names, Rules []string
	}
	all, err := pgx.CollectRows(rows, pgx.RowToStructByName[guarded])
	if err != nil {
		return err
	}
	if len(all) == 0 {
		return errors.New("no table has a key")
	}
	for _, g := range all {
		tx, err := conn.Begin(ctx)
		if err != nil {
			return err
		}
		// read in full, past the indexes
		_, err = tx.Exec(ctx, `set local enable_indexscan = off; set local enable_indexonlyscan = off; set local enable_bitmapscan = off;
			create temp table copy on commit drop as table public.`+pgx.Identifier{g.Relname}.Sanitize())
		for i, rule := range g.Rules {
			if err == nil {
				if _, err = tx.Exec(ctx, `alter table pg_temp.copy add `+rule); err != nil {
					err = fmt.Errorf("the rows of %s break %s: %w", g.Relname, g.Names[i], err)
				}
			}
		}
		if err := errors.Join(err, tx.Rollback(ctx)); err != nil {
			return err
		}
	}
	return nil
}
