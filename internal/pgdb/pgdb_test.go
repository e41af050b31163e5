package pgdb_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/prometheus/client_golang/prometheus"
	"gorm.io/gorm"

	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgtest"
)

func TestNothingIsSeenWithoutAnActor(t *testing.T) {
	t.Parallel()
	service, _ := pgtest.DSN(t)
	if err := pgtest.Open(t, service).InTx(ctx, system, addCustomer("KES")); err != nil {
		t.Fatal(err)
	}
	db := pgtest.Open(t, service+" pool_max_conns=1")
	var n int
	// a connection on which nobody ever acted
	if err := db.Pool().QueryRow(ctx, `select count(*) from customer`).Scan(&n); err == nil {
		t.Error("a fresh connection shows customers to nobody in particular")
	}
	if err := db.InTx(ctx, system, addCustomer("HAD")); err != nil {
		t.Fatal(err)
	}
	// and one on which somebody did: the statement of the actor ended with the transaction
	if err := db.Pool().QueryRow(ctx, `select count(*) from customer`).Scan(&n); err == nil {
		t.Error("a used connection shows customers to nobody in particular")
	}
	if _, err := db.Pool().Exec(ctx, `insert into customer (id, code, name, created_at) values (gen_random_uuid(), 'X', 'x', now())`); err == nil {
		t.Error("nobody in particular can write")
	}
	// an actor who does not exist sees nothing
	type row struct{ Code string }
	if got, err := pgdb.Read[row](ctx, db, uuid.New(), `select code from customer`, nil); err != nil || len(got) != 0 {
		t.Errorf("an unknown actor sees %v, %v", got, err)
	}
}

func TestInTxKeepsAllOrNothing(t *testing.T) {
	t.Parallel()
	service, _ := pgtest.DSN(t)
	// one connection only: had it not come back, the next step would wait for ever
	db := pgtest.Open(t, service+" pool_max_conns=1")
	wrong := errors.New("on second thoughts")
	err := db.InTx(ctx, system, func(tx *gorm.DB) error { return errors.Join(addCustomer("A")(tx), wrong) })
	if !errors.Is(err, wrong) {
		t.Errorf("the error of the closure came back as %v", err)
	}
	func() {
		defer func() {
			if r := recover(); r != "burst" {
				t.Errorf("the panic came out as %v", r)
			}
		}()
		_ = db.InTx(ctx, system, func(tx *gorm.DB) error {
			if err := addCustomer("B")(tx); err != nil {
				t.Error(err)
			}
			panic("burst")
		})
	}()
	if err := db.InTx(ctx, system, addCustomer("C")); err != nil {
		t.Fatal(err)
	}
	if got := customers(t, db); got != "C" {
		t.Errorf("recorded are %q, want only C", got)
	}
}

func TestACancelledRequestWritesNothing(t *testing.T) {
	t.Parallel()
	service, _ := pgtest.DSN(t)
	db := pgtest.Open(t, service+" pool_max_conns=1")
	gone, cancel := context.WithCancel(ctx)
	cancel()
	if err := db.InTx(gone, system, addCustomer("A")); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled before: %v", err)
	}
	gone, cancel = context.WithCancel(ctx)
	err := db.InTx(gone, system, func(tx *gorm.DB) error {
		defer cancel()
		return addCustomer("B")(tx)
	})
	if err == nil {
		t.Error("cancelled before the end, and nothing was said")
	}
	gone, cancel = context.WithCancel(ctx)
	err = db.InTx(gone, system, func(tx *gorm.DB) error {
		cancel()
		return tx.Exec(`select pg_sleep(60)`).Error
	})
	if !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled during a query: %v", err)
	}
	if _, err := pgdb.Read[struct{ N int }](gone, db, system, `select 1 as n`, nil); !errors.Is(err, context.Canceled) {
		t.Errorf("a cancelled read: %v", err)
	}
	late, cancel := context.WithTimeout(ctx, time.Nanosecond)
	defer cancel()
	mustBeAway(t, db.InTx(late, system, addCustomer("C")))
	if got := customers(t, db); got != "" {
		t.Errorf("recorded are %q, want nothing", got)
	}
}

// counting forwards to the server and counts how often the client began to
// speak after the server had: the round trips.
func counting(t testing.TB, dsn string) (through string, turns *atomic.Int64) {
	t.Helper()
	cfg, err := pgx.ParseConfig(dsn)
	if err != nil {
		t.Fatal(err)
	}
	// the test server listens on a socket only
	socket := fmt.Sprintf("%s/.s.PGSQL.%d", cfg.Host, cfg.Port)
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = l.Close() })
	turns = new(atomic.Int64)
	go func() {
		for {
			client, err := l.Accept()
			if err != nil {
				return
			}
			server, err := net.Dial("unix", socket)
			if err != nil {
				_ = client.Close()
				return
			}
			var answered atomic.Bool
			answered.Store(true)
			go func() {
				defer server.Close()
				pass(server, client, func() {
					if answered.Swap(false) {
						turns.Add(1)
					}
				})
			}()
			go func() {
				defer client.Close()
				pass(client, server, func() { answered.Store(true) })
			}()
		}
	}()
	at := l.Addr().(*net.TCPAddr)
	return fmt.Sprintf("host=127.0.0.1 port=%d user=%s dbname=%s sslmode=disable", at.Port, cfg.User, cfg.Database), turns
}

// pass copies until either side ends, telling of each piece before it goes on.
func pass(to io.Writer, from io.Reader, tell func()) {
	buf := make([]byte, 64*1024)
	for {
		n, err := from.Read(buf)
		if n > 0 {
			tell()
			if _, err := to.Write(buf[:n]); err != nil {
				return
			}
		}
		if err != nil {
			return
		}
	}
}

func TestReadTakesOneRoundTrip(t *testing.T) {
	t.Parallel()
	service, _ := pgtest.DSN(t)
	through, turns := counting(t, service)
	db := pgtest.Open(t, through+" pool_max_conns=1")
	type row struct {
		Code string
		Mine bool
	}
	read := func(ctx context.Context) {
		t.Helper()
		got, err := pgdb.Read[row](ctx, db, system, `select code, current_setting('spindlebook.request') = 'r1' as mine from customer where code > @after order by code`,
			map[string]any{"after": "A"})
		if err != nil || len(got) != 2 || got[0] != (row{"HAD", true}) || got[1] != (row{"KES", true}) {
			t.Fatalf("read %v, %v", got, err)
		}
	}
	for _, code := range []string{"HAD", "A", "KES"} {
		if err := db.InTx(ctx, system, addCustomer(code)); err != nil {
			t.Fatal(err)
		}
	}
	asked := pgdb.WithRequestID(ctx, "r1")
	read(asked) // the first time the two statements are prepared as well
	counted, n := pgdb.CountStatements(asked)
	before := turns.Load()
	read(counted)
	if got := turns.Load() - before; got != 1 {
		t.Errorf("one Read took %d round trips", got)
	}
	if n.Load() != 2 {
		t.Errorf("one Read sent %d statements, want the actor's and the query", n.Load())
	}
}

func TestKeysComeBackAsTheyWere(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	a, b := pgdb.NewID(), uuid.MustParse("00112233-4455-6677-8899-aabbccddeeff") // the bytes of RFC 9562, in their order
	type row struct {
		Key, None uuid.UUID
		There     *uuid.UUID
		Nowhere   *uuid.UUID
		Some      []uuid.UUID
		Text      string
	}
	args := map[string]any{"a": a, "b": &b, "some": []uuid.UUID{b, a}, "nothing": (*uuid.UUID)(nil)}
	got, err := pgdb.Read[row](ctx, db, system, `
select cast(@a as uuid) as key, cast(null as uuid) as none, cast(@b as uuid) as there, cast(@nothing as uuid) as nowhere, cast(@some as uuid[]) as some, cast(cast(@b as uuid) as text) as text`, args)
	if err != nil || len(got) != 1 {
		t.Fatalf("read %v, %v", got, err)
	}
	r := got[0]
	if r.Key != a || r.None != uuid.Nil || r.There == nil || *r.There != b || r.Nowhere != nil || !slices.Equal(r.Some, []uuid.UUID{b, a}) || r.Text != b.String() {
		t.Errorf("read %+v", r)
	}
}

func TestStatementsAreCountedPerRequest(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	counted, n := pgdb.CountStatements(ctx)
	err := db.InTx(counted, system, func(tx *gorm.DB) error {
		return errors.Join(addCustomer("A")(tx), addCustomer("B")(tx))
	})
	// begin, the statement of the actor, two inserts, commit
	if err != nil || n.Load() != 5 {
		t.Errorf("counted %d statements, %v", n.Load(), err)
	}
	var told []string
	err = db.InTx(pgdb.TellStatements(ctx, func(sql string, _ []any) { told = append(told, sql) }), system, addCustomer("D"))
	if err != nil || len(told) != 4 || !strings.HasPrefix(told[2], "insert into customer") {
		t.Errorf("told of %q, %v", told, err)
	}
	_, other := pgdb.CountStatements(ctx)
	if err := db.InTx(ctx, system, addCustomer("C")); err != nil || other.Load() != 0 || n.Load() != 5 {
		t.Errorf("another request was counted too: %d and %d, %v", n.Load(), other.Load(), err)
	}
}

func TestNoRowIsNotFound(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	type row struct{ Code string }
	const query = `select code from customer where code = @code`
	_, err := pgdb.ReadOne[row](ctx, db, system, "customer", "HAD", query, map[string]any{"code": "HAD"})
	if f, ok := errors.AsType[*fault.Error](err); !ok || f.Kind != fault.NotFound || f.Msg != "no such customer" || f.Value != "HAD" {
		t.Errorf("ReadOne gives %v", err)
	}
	inTx := func(sql string) (it row, err error) {
		err = db.InTx(ctx, system, func(tx *gorm.DB) error {
			it, err = pgdb.One[row](tx, "customer", "HAD", sql, map[string]any{"code": "HAD"})
			return err
		})
		return it, err
	}
	if _, err := inTx(query); fault.KindOf(err) != fault.NotFound {
		t.Errorf("One gives %v", err)
	}
	if err := db.InTx(ctx, system, addCustomer("HAD")); err != nil {
		t.Fatal(err)
	}
	if got, err := pgdb.ReadOne[row](ctx, db, system, "customer", "HAD", query, map[string]any{"code": "HAD"}); err != nil || got.Code != "HAD" {
		t.Errorf("ReadOne gives %v, %v", got, err)
	}
	if got, err := inTx(query); err != nil || got.Code != "HAD" {
		t.Errorf("One gives %v, %v", got, err)
	}
	// a key alone, and none where there is no row
	err = db.InTx(ctx, system, func(tx *gorm.DB) error {
		it, err := pgdb.ID(tx, `select id from customer where code = ?`, "HAD")
		gone, err2 := pgdb.ID(tx, `select id from customer where code = ?`, "KES")
		if it.Version() != 7 || gone != uuid.Nil {
			t.Errorf("ID gives %v and %v", it, gone)
		}
		return errors.Join(err, err2)
	})
	if err != nil {
		t.Error(err)
	}
	// a query that is wrong is ours to mend, not the caller's
	if _, err := inTx(`select code from nowhere where code = @code`); err == nil || fault.KindOf(err) != fault.Internal {
		t.Errorf("a wrong query gives %v", err)
	}
	if _, err := pgdb.ReadOne[row](ctx, db, system, "customer", "", `select code from nowhere`, nil); err == nil || fault.KindOf(err) != fault.Internal {
		t.Errorf("a wrong query gives %v", err)
	}
	// and so is a question without an actor's right name
	if _, err := pgdb.Read[row](ctx, db, system, `select set_config('spindlebook.actor', 'nobody', true) as code from customer where id = current_actor()`, nil); err != nil {
		t.Errorf("read %v", err)
	}
}

func TestKeysStandInTheOrderInWhichTheyWereMade(t *testing.T) {
	t.Parallel()
	last := pgdb.NewID()
	for range 1000 {
		next := pgdb.NewID()
		// RFC 9562, section 5.7: version 7 begins with the time
		if next.Version() != 7 || next.String() <= last.String() {
			t.Fatalf("%s follows %s", next, last)
		}
		last = next
	}
}

func TestOpenSaysWhatIsWrong(t *testing.T) {
	t.Parallel()
	if _, err := pgdb.Open(ctx, "host='"); err == nil || !strings.Contains(err.Error(), "cannot be read") {
		t.Errorf("a wrong address: %v", err)
	}
	_, err := pgdb.Open(ctx, "host="+t.TempDir()+" user=nobody dbname=none sslmode=disable")
	mustBeAway(t, err)
	service, _ := pgtest.DSN(t)
	db := pgtest.Open(t, service)
	if err := db.Ping(ctx); err != nil {
		t.Errorf("ping: %v", err)
	}
	db.Close()
	if err := db.Ping(ctx); err == nil {
		t.Error("a closed pool answers")
	}
}

func TestOnce(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	type result struct {
		Code string
		At   time.Time
	}
	var done atomic.Int64
	do := func(who uuid.UUID, key, code string) (result, error) {
		return pgdb.Once(ctx, db, who, now, pgdb.Request{Key: key, Act: "addCustomer", Body: map[string]string{"code": code}},
			func(tx *gorm.DB) (result, error) {
				done.Add(1)
				// what the work gives may differ each time it is done; the answer may not
				return result{code, now.Add(time.Duration(done.Load()) * time.Second)}, addCustomer(code)(tx)
			})
	}
	first, err := do(system, "k1", "HAD")
	if err != nil {
		t.Fatal(err)
	}
	again, err := do(system, "k1", "HAD")
	if err != nil || again != first || done.Load() != 1 {
		t.Errorf("again gave %v, %v after %v; the work was done %d times", again, err, first, done.Load())
	}
	_, err = do(system, "k1", "KES")
	if f, ok := errors.AsType[*fault.Error](err); !ok || f.Kind != fault.Invalid || f.Field != "Idempotency-Key" || f.Value != "k1" {
		t.Errorf("the key with another request gave %v", err)
	}
	_, err = pgdb.Once(ctx, db, system, now, pgdb.Request{Key: "k1", Act: "addSite", Body: map[string]string{"code": "HAD"}},
		func(tx *gorm.DB) (result, error) { t.Error("done"); return result{}, nil })
	if fault.KindOf(err) != fault.Invalid {
		t.Errorf("the key with the same body for another act gave %v", err)
	}
	if got := customers(t, db); got != "HAD" {
		t.Errorf("recorded are %q", got)
	}
	// another sender may use the same key: it is theirs
	other := addActor(t, db)
	if _, err := do(other, "k1", "MIR"); err != nil {
		t.Errorf("another actor with the same key: %v", err)
	}
	if got := customers(t, db); got != "HAD MIR" {
		t.Errorf("recorded are %q", got)
	}
}

// addActor makes an actor who may do everything.
func addActor(t testing.TB, db *pgdb.DB) uuid.UUID {
	t.Helper()
	id := pgdb.NewID()
	err := db.InTx(ctx, system, func(tx *gorm.DB) error {
		return errors.Join(
			tx.Exec(`insert into actor (id, kind, name, created_at) values (?, 'person', 'Wilma', ?)`, id, now).Error,
			tx.Exec(`insert into role_grant (id, actor_id, role, scope, granted_at) values (?, ?, 'manager', 'distributor', ?)`, pgdb.NewID(), id, now).Error)
	})
	if err != nil {
		t.Fatal(err)
	}
	return id
}

func TestOnceAtTheSameTime(t *testing.T) {
	t.Parallel()
	service, owner := pgtest.DSN(t)
	db, watch := pgtest.Open(t, service), connect(t, owner)
	var done atomic.Int64
	inside, goOn := make(chan struct{}), make(chan struct{})
	do := func() (string, error) {
		return pgdb.Once(ctx, db, system, now, pgdb.Request{Key: "k", Act: "a"}, func(tx *gorm.DB) (string, error) {
			done.Add(1)
			inside <- struct{}{}
			<-goOn // both are under way now
			return "the first answer", addCustomer("HAD")(tx)
		})
	}
	answers := make(chan string, 4)
	var all sync.WaitGroup
	for range 4 {
		all.Go(func() {
			got, err := do()
			if err != nil {
				t.Error(err)
			}
			answers <- got
		})
	}
	<-inside
	waiting(t, watch, 3)
	close(goOn)
	all.Wait()
	close(answers)
	for got := range answers {
		if got != "the first answer" {
			t.Errorf("one got %q", got)
		}
	}
	if done.Load() != 1 || customers(t, db) != "HAD" {
		t.Errorf("the work was done %d times and %q recorded", done.Load(), customers(t, db))
	}
}

// waiting returns when n sessions of the test's database wait for a lock.
// pg_locks and not pg_stat_activity, which hides from the owner what others wait for.
func waiting(t testing.TB, watch *pgx.Conn, n int) {
	t.Helper()
	for {
		var have int
		err := watch.QueryRow(ctx, `select count(*) from pg_locks as l, pg_stat_activity as a
			where l.pid = a.pid and a.datname = current_database() and not l.granted`).Scan(&have)
		if err != nil {
			t.Fatal(err)
		}
		if have >= n {
			return
		}
		time.Sleep(time.Millisecond)
	}
}

// Two who lock the same rows in opposite order deadlock; one of them is taken back by the
// database, tried again, and nobody is told.
func TestOnceTriesAgainWhereTwoMet(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	for _, code := range []string{"HAD", "KES"} {
		if err := db.InTx(ctx, system, addCustomer(code)); err != nil {
			t.Fatal(err)
		}
	}
	var tried atomic.Int64
	var met sync.WaitGroup
	met.Add(2)
	rename := func(tx *gorm.DB, code, name string) error {
		return tx.Exec(`update customer set name = name || ? where code = ?`, name, code).Error
	}
	var all sync.WaitGroup
	for i, order := range [][2]string{{"HAD", "KES"}, {"KES", "HAD"}} {
		all.Go(func() {
			first := true
			_, err := pgdb.Once(ctx, db, system, now, pgdb.Request{Key: order[0], Act: "rename"}, func(tx *gorm.DB) (bool, error) {
				tried.Add(1)
				if err := rename(tx, order[0], fmt.Sprint(i)); err != nil {
					return false, err
				}
				if first { // each holds what the other wants
					first = false
					met.Done()
					met.Wait()
				}
				return true, rename(tx, order[1], fmt.Sprint(i))
			})
			if err != nil {
				t.Error(err)
			}
		})
	}
	all.Wait()
	if tried.Load() < 3 {
		t.Fatalf("they did not meet: %d tries", tried.Load())
	}
	names, err := pgdb.Read[struct{ Name string }](ctx, db, system, `select right(name, 2) as name from customer where code in ('HAD', 'KES')`, nil)
	if err != nil || len(names) != 2 || len(strings.Trim(names[0].Name, "01")) != 0 || names[0].Name[0] == names[0].Name[1] || names[1].Name[0] == names[1].Name[1] {
		t.Errorf("each is to have been done once: %v %v", names, err)
	}
}

func TestOnceKeepsNothingOfWhatFailed(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	req := pgdb.Request{Key: "k", Act: "a"}
	broken := &fault.Error{Kind: fault.Conflict, Msg: "not today"}
	_, err := pgdb.Once(ctx, db, system, now, req, func(tx *gorm.DB) (string, error) {
		return "half", errors.Join(addCustomer("A")(tx), broken)
	})
	if fault.KindOf(err) != fault.Conflict {
		t.Errorf("failed with %v", err)
	}
	func() {
		defer func() {
			if recover() == nil {
				t.Error("the panic was swallowed")
			}
		}()
		_, _ = pgdb.Once(ctx, db, system, now, req, func(tx *gorm.DB) (string, error) {
			if err := addCustomer("B")(tx); err != nil {
				t.Error(err)
			}
			panic("burst")
		})
	}()
	// an answer that cannot be kept undoes the work: a retry would do it twice
	if _, err := pgdb.Once(ctx, db, system, now, req, func(tx *gorm.DB) (any, error) { return func() {}, addCustomer("C")(tx) }); err == nil {
		t.Error("an answer that cannot be written down was given")
	}
	if _, err := pgdb.Once(ctx, db, system, now, pgdb.Request{Key: "k", Body: func() {}}, func(tx *gorm.DB) (int, error) { return 1, addCustomer("D")(tx) }); err == nil {
		t.Error("a request that cannot be recognised again was done")
	}
	got, err := pgdb.Once(ctx, db, system, now, req, func(tx *gorm.DB) (string, error) { return "whole", addCustomer("E")(tx) })
	if err != nil || got != "whole" || customers(t, db) != "E" {
		t.Errorf("after failures: %q, %v, recorded %q", got, err, customers(t, db))
	}
	// an answer of another shape than was kept is our fault, not a new attempt
	if _, err := pgdb.Once(ctx, db, system, now, req, func(tx *gorm.DB) (int, error) { return 1, addCustomer("F")(tx) }); err == nil || customers(t, db) != "E" {
		t.Errorf("an answer of another shape: %v, recorded %q", err, customers(t, db))
	}
}

func TestOldAnswersAreForgotten(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	once := func(who uuid.UUID, key string, at time.Time) (n int64) {
		t.Helper()
		_, err := pgdb.Once(ctx, db, who, at, pgdb.Request{Key: key}, func(tx *gorm.DB) (bool, error) { n++; return true, nil })
		if err != nil {
			t.Fatal(err)
		}
		return n
	}
	other := addActor(t, db)
	once(system, "old", now)
	once(other, "old", now)
	once(system, "young", now.Add(time.Hour))
	if err := db.ForgetAnswers(ctx, system, now.Add(time.Minute)); err != nil {
		t.Fatal(err)
	}
	if once(system, "old", now) != 1 || once(other, "old", now) != 1 || once(system, "young", now) != 0 {
		t.Error("forgotten was not what is older than the instant given, of everybody")
	}
}

func TestThePoolIsMeasured(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	r := prometheus.NewRegistry()
	db.Measure(r)
	all, err := r.Gather()
	if err != nil {
		t.Fatal(err)
	}
	got := map[string]float64{}
	for _, f := range all {
		got[f.GetName()] = f.GetMetric()[0].GetGauge().GetValue()
	}
	if len(got) != 4 || got["spindlebook_database_connections_most"] < 4 || got["spindlebook_database_connections"] < 1 ||
		got["spindlebook_database_connections_busy"] != 0 {
		t.Errorf("measured %v", got)
	}
}
