package main

import (
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/jackc/pgx/v5"

	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgtest"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

// A short run of what `make faults` does at length.
func TestNothingAcknowledgedIsLostOrDoubled(t *testing.T) {
	dir, err := folder()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.RemoveAll(dir) })
	binary := filepath.Join(dir, "spindlebook")
	if err := build(t.Context(), binary); err != nil {
		t.Fatal(err)
	}
	t.Run("alone", func(t *testing.T) {
		done := tally{kills: map[string]int{}}
		const seed = 2 // kills one of each kind
		if err := killing(t.Context(), t.Output(), &done, binary, filepath.Join(dir, "data"), 3, rand.New(rand.NewPCG(seed, 0))); err != nil {
			t.Fatal(err)
		}
		if len(done.kills) != 3 || done.creates < 10 || len(done.recovered) != 3 {
			t.Errorf("the run did too little: %s", done)
		}
	})
	t.Run("one of two", func(t *testing.T) {
		done := tally{kills: map[string]int{}}
		if err := oneOfTwo(t.Context(), t.Output(), &done, binary, filepath.Join(dir, "shared"), 2, rand.New(rand.NewPCG(1, 0))); err != nil {
			t.Fatal(err)
		}
		if done.kills[killsOneOfTwo] != 2 || done.creates < 10 {
			t.Errorf("the run did too little: %s", done)
		}
	})
	t.Run("cards", func(t *testing.T) {
		done := tally{kills: map[string]int{}}
		if err := completing(t.Context(), t.Output(), &done, binary, filepath.Join(dir, "cards"), 3, rand.New(rand.NewPCG(2, 0))); err != nil {
			t.Fatal(err)
		}
		if len(done.kills) == 0 || done.signed < 3*cardsIn {
			t.Errorf("the run did too little: %s", done)
		}
	})
	t.Run("sweeps", func(t *testing.T) {
		done := tally{kills: map[string]int{}}
		if err := sweeping(t.Context(), t.Output(), &done, binary, filepath.Join(dir, "swept"), 3, rand.New(rand.NewPCG(3, 0))); err != nil {
			t.Fatal(err)
		}
		if done.kills[killsSweeps] != 3 || done.raised < 4*sites*thingsIn*len(plansOfSweeps) {
			t.Errorf("the run did too little: %s", done)
		}
	})
}

// The check must see what a crash could do.
func TestTheCheckSeesHarm(t *testing.T) {
	const first, second = "00000000-0000-7000-8000-0000000000a1", "00000000-0000-7000-8000-0000000000a2"
	insert := func(id, code string) string {
		return `insert into customer (id, code, name, created_at) values ('` + id + `', '` + code + `', 'Harmed', now())`
	}
	ack := create{table: "customer", names: []string{"A"}, ids: []string{first}}
	for harm, c := range map[string]struct {
		does  []string
		acked []create
		want  string
	}{
		"none":               {[]string{insert(first, "A")}, []create{ack}, ""},
		"lost":               {nil, []create{ack}, "is lost"},
		"never acknowledged": {[]string{insert(first, "A")}, nil, "never acknowledged"},
		"another key":        {[]string{insert(second, "A")}, []create{ack}, "was acknowledged as"},
		"no trail":           {[]string{insert(first, "A"), `delete from trail where entity = 'customer'`}, []create{ack}, "the trail tells 0 times"},
		"a key not kept": {[]string{`update pg_index set indisready = false where indexrelid = 'customer_code_uq'::regclass`, insert(first, "A"), insert(second, "A"),
			`update pg_index set indisready = true where indexrelid = 'customer_code_uq'::regclass`}, []create{ack}, "customer_code_uq"},
		"a span taken twice": {[]string{`update pg_index set indisready = false where indexrelid = 'isolation_version_one_at_a_time'::regclass`, `set session_replication_role = replica`,
			`insert into isolation_version (id, point_id, site_id, number, place, isolate, prove, restore, lockable, in_sight, checked_on, checked_by, during, recorded_at, recorded_by)
			 select gen_random_uuid(), '` + first + `', '` + first + `', n, 'a', 'a', 'a', 'a', true, true, now(), 'a', tstzrange(now(), null), now(), '` + first + `' from generate_series(1, 2) as n`,
			`update pg_index set indisready = true where indexrelid = 'isolation_version_one_at_a_time'::regclass`}, nil, "isolation_version_one_at_a_time"},
	} {
		t.Run(harm, func(t *testing.T) {
			_, owner := pgtest.DSN(t)
			admin, err := pgx.Connect(t.Context(), strings.Replace(owner, pgdb.OwnerRole, "postgres", 1))
			if err != nil {
				t.Fatal(err)
			}
			defer admin.Close(t.Context())
			does := append([]string{`select set_config('spindlebook.actor', '00000000-0000-7000-8000-000000000001', false)`}, c.does...)
			for _, d := range does {
				if _, err := admin.Exec(t.Context(), d); err != nil {
					t.Fatalf("%s: %v", d, err)
				}
			}
			conn, err := pgx.Connect(t.Context(), owner)
			if err != nil {
				t.Fatal(err)
			}
			defer conn.Close(t.Context())
			l := &load{acked: c.acked}
			found := l.compare(t.Context(), conn, "customer", "code")
			if harm == "a key not kept" || found == nil {
				found = revalidate(t.Context(), conn)
			}
			switch {
			case c.want == "" && found != nil:
				t.Errorf("finds %v where nothing is wrong", found)
			case c.want != "" && (found == nil || !strings.Contains(found.Error(), c.want)):
				t.Errorf("finds %v, not %q", found, c.want)
			}
		})
	}
}

// What lies somewhere is held against what was acknowledged.
func TestTheCheckSeesWhatTheLedgerLost(t *testing.T) {
	service, owner := pgtest.DSN(t)
	s, err := newShelves(t.Context(), service)
	if err != nil {
		t.Fatal(err)
	}
	conn, err := pgx.Connect(t.Context(), owner)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(t.Context())
	nothing := s.acts("a", moved{"receive", 5, "", s.store}, moved{"load", 5, s.store, s.van}, moved{"issue", 5, s.van, ""})
	if err := s.check(t.Context(), conn, []create{nothing}); err != nil {
		t.Errorf("what came and went: %v", err)
	}
	for what, lost := range map[string]create{
		"a delivery": s.acts("b", moved{"receive", 5, "", s.store}),
		"a unit":     {path: "/stock-units", table: "stock_movement", body: map[string]any{"items": []map[string]any{{"part_id": s.motor, "to_id": s.van}}}},
	} {
		if err := s.check(t.Context(), conn, []create{nothing, lost}); err == nil || !strings.Contains(err.Error(), "acknowledged") {
			t.Errorf("%s that is lost: %v", what, err)
		}
	}
}

func TestTheCountRunsOn(t *testing.T) {
	file := filepath.Join(t.TempDir(), "BENCHMARKS.md")
	if err := os.WriteFile(file, []byte("before\n<!-- faults: written by a program -->\n<!-- end of faults -->\nafter\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	for range 2 {
		if err := count(file, tally{kills: map[string]int{killsProgram: 2, killsBoth: 1}, creates: 50}); err != nil {
			t.Fatal(err)
		}
	}
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	const want = "before\n<!-- faults: written by a program -->\n" +
		"| program killed | database killed | both killed | one of two killed | sweeps killed | creates acknowledged | lost | doubled |\n" +
		"|----------------|-----------------|-------------|-------------------|---------------|----------------------|------|---------|\n" +
		"| 4              | 0               | 2           | 0                 | 0             | 100                  | 0    | 0       |\n" +
		"<!-- end of faults -->\nafter\n"
	if string(text) != want {
		t.Errorf("the file holds\n%s", text)
	}
}
