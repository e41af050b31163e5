package exchange_test

import (
	"strings"
	"testing"

	"github.com/jackc/pgx/v5"

	"spindlebook/internal/access"
	"spindlebook/internal/exchange"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgtest"
)

// A rule of the database that a list breaks names none of its rows, so they are tried one by
// one: what is written then counts as well, and what is no fault of the list is no fault of a row.
func TestRowsTriedOneByOneAreCounted(t *testing.T) {
	t.Parallel()
	service, owner := pgtest.DSN(t)
	db := pgtest.Open(t, service)
	mustTake(t, db, "part,description,class\nMW-1,Nut,fastener\nMW-2,Bolt,fastener\nMW-3,Washer,fastener\n", exchange.Options{Kind: "parts"})
	catalogue := func(file string) (exchange.GoodsDone, error) {
		up, err := exchange.Receive(strings.NewReader(file))
		if err != nil {
			t.Fatal(err)
		}
		defer up.Close()
		return exchange.ImportGoods(ctx, db, access.System, now, up, exchange.Options{Kind: "catalogue", DryRun: true})
	}
	conn, err := pgx.Connect(ctx, owner)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(ctx)
	refuse := func(how string) { // many at once, and takes each by itself
		if _, err := conn.Exec(ctx, `
create or replace function refuse_many() returns trigger language plpgsql as $$
begin
  if (select count(*) from many) > 1 then raise exception 'many' using `+how+`; end if;
  return null;
end $$;
create or replace trigger refuse_many after update on part referencing new table as many for each statement execute function refuse_many()`); err != nil {
			t.Fatal(err)
		}
	}
	const list = "part,abc\nMW-1,A\nMW-2,B\nMW-3,\n"
	refuse(`errcode = '23514', constraint = 'part_abc_known'`)
	if done, err := catalogue(list); err != nil || done.Changed != 2 || done.Unchanged != 1 {
		t.Errorf("%+v, %v", done, err)
	}
	if _, err := catalogue("part,abc\nMW-1,A\nMW-2,D\nMW-3,\n"); err == nil || !strings.Contains(told(err), `catalogue!B3 "D" refused: is A, B or C`) || strings.Contains(told(err), "B2") {
		t.Error(told(err))
	}
	refuse(`errcode = '55P03'`)
	pgtest.Refused(t, "while another holds them", second(catalogue(list)), fault.Unavailable, "")
	refuse(`errcode = 'XX000'`)
	if _, err := catalogue(list); err == nil || told(err) != err.Error() {
		t.Errorf("a failure of the database is taken for a fault of the list: %v", err)
	}
}

func second[T any](_ T, err error) error { return err }
