package main

import (
	"bufio"
	"context"
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"golang.org/x/sync/errgroup"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/pgdb/cluster"
)

const (
	// slices measured in turn with the floor's share what the machine does beside
	// them; their times are put together
	turns = 8
	// what is asked at the beginning of a slice is not counted: connections
	// open and statements are prepared
	warming = time.Second / 2
)

// asked is the page as the API asks for it: one row more tells whether there is
// a next one.
const asked = perSite + 1

// lists measures the page of positions of one site, as its owner and as a
// manager, in the large data set beside pgbench and beside the small one.
func (b *bench) lists(ctx context.Context, _ cluster.Address) error {
	share := time.Duration(b.seconds) * time.Second / turns
	for _, role := range []string{asOwner, asManager} {
		b.say("list of %d positions as %s, %d s each in pgbench, in L and in S", perSite, role, b.seconds)
		script, err := b.scripts(ctx, b.large, "list-"+role, b.large.pages[role], b.large.list())
		if err != nil {
			return err
		}
		var floor, inLarge, inSmall sample
		for range turns {
			f, err := b.pgbench(ctx, b.large.owner, script, share)
			if err != nil {
				return err
			}
			l, err := ask(ctx, b.large.pages[role], share, b.large.positions)
			if err != nil {
				return err
			}
			s, err := ask(ctx, b.small.pages[role], share, b.small.positions)
			if err != nil {
				return err
			}
			floor, inLarge, inSmall = append(floor, f...), append(inLarge, l...), append(inSmall, s...)
		}
		b.direct[role] = inLarge
		work := fmt.Sprintf("list page of %d out of L as %s, ", perSite, role)
		for _, p := range []struct {
			name      string
			part, bar float64
		}{{"p50", 0.5, 3}, {"p99", 0.99, 5}} {
			b.add(row{work: work + p.name, floor: "pgbench " + ms(floor.at(p.part)), measured: ms(inLarge.at(p.part)),
				ratio: ratio(inLarge.at(p.part), floor.at(p.part)), bar: p.bar})
		}
		b.add(row{work: "the same list, L against S, p50", floor: "in S " + ms(inSmall.median()), measured: ms(inLarge.median()),
			ratio: ratio(inLarge.median(), inSmall.median()), bar: 1.3})
	}
	return nil
}

// question is what is asked of the database: through the feature's function, and
// beside it by pgbench.
type question struct {
	ask   func(context.Context, page) error
	says  string                       // a pattern that of all statements only its own matches
	takes func(page) map[string]string // the value of each of its parameters by type, each of another type
}

// list is the page of positions.
func (d *data) list() question {
	return question{d.positions, "%from position_now%", func(p page) map[string]string {
		// pgbench cannot send an empty text; this one stands before every code, too
		takes := map[string]string{"bigint": strconv.Itoa(asked), "text": "!", "uuid": p.site.String()}
		if !p.who.Everywhere {
			takes["uuid[]"] = array(p.who)
		}
		return takes
	}}
}

// positions asks for one page through the feature's function.
func (d *data) positions(ctx context.Context, p page) error {
	found, err := assets.Positions(ctx, d.db, p.who, assets.PositionFilter{SiteID: &p.site}, assets.Page{Limit: asked})
	if err == nil && len(found) != perSite {
		err = fmt.Errorf("%d positions instead of %d: this is not the page that was meant", len(found), perSite)
	}
	return err
}

// ask lets the clients ask for pages as fast as they are answered, and gives the
// time of each answer.
func ask(ctx context.Context, pages []page, d time.Duration, one func(context.Context, page) error) (sample, error) {
	return atOnce(ctx, clients, d, func(ctx context.Context, choice *rand.Rand) error { return one(ctx, pages[choice.IntN(len(pages))]) })
}

// atOnce lets some clients do something one after the other for a time, and gives what each
// took. What they choose by their dice is the same in each run.
func atOnce(ctx context.Context, clients int, d time.Duration, one func(context.Context, *rand.Rand) error) (sample, error) {
	counted := time.Now().Add(warming)
	end := counted.Add(d)
	all := make([]sample, clients)
	work, ctx := errgroup.WithContext(ctx)
	for i := range clients {
		dice := rand.New(rand.NewPCG(1, uint64(i)))
		work.Go(func() error {
			for {
				began := time.Now()
				if began.After(end) {
					return nil
				}
				if err := one(ctx, dice); err != nil {
					return err
				}
				if began.After(counted) {
					all[i] = append(all[i], time.Since(began))
				}
			}
		})
	}
	err := work.Wait()
	return slices.Concat(all...), err
}

// scripts writes a script of pgbench for each page and gives the arguments that
// make pgbench run them. Each holds the very statement that the function sends,
// taken from a connection on which it was prepared.
func (b *bench) scripts(ctx context.Context, d *data, name string, pages []page, q question) ([]string, error) {
	sql, takes, err := d.sent(ctx, pages[0], q)
	if err != nil {
		return nil, err
	}
	dir := filepath.Join(b.dir, "scripts-"+name)
	if err := os.Mkdir(dir, 0o755); err != nil {
		return nil, err
	}
	var args []string
	for i, p := range pages {
		text := parameter.ReplaceAllStringFunc(sql, func(s string) string { return fmt.Sprintf(":p%d_%s", i, s[1:]) })
		file := filepath.Join(dir, fmt.Sprintf("%d.sql", i))
		if err := os.WriteFile(file, []byte(text+";\n"), 0o644); err != nil {
			return nil, err
		}
		args = append(args, "-f", file)
		values := q.takes(p)
		for n, t := range takes {
			args = append(args, "-D", fmt.Sprintf("p%d_%d=%s", i, n+1, values[t]))
		}
	}
	return args, nil
}

var parameter = regexp.MustCompile(`\$\d+`)

func array(who access.Actor) string {
	ids := make([]string, len(who.Sites))
	for i, id := range who.Sites {
		ids[i] = id.String()
	}
	return "{" + strings.Join(ids, ",") + "}"
}

// sent gives the statement that asking a question sends, and the types of its
// parameters.
func (d *data) sent(ctx context.Context, p page, q question) (sql string, takes []string, err error) {
	if err := q.ask(ctx, p); err != nil {
		return "", nil, err
	}
	type prepared struct {
		Statement string
		Takes     []string
	}
	var found []prepared
	for _, conn := range d.db.Pool().AcquireAllIdle(ctx) {
		rows, err := conn.Query(ctx, `select statement, parameter_types::text[] as takes from pg_prepared_statements where statement like $1`, q.says)
		if err == nil {
			var all []prepared
			all, err = pgx.CollectRows(rows, pgx.RowToStructByName[prepared])
			found = append(found, all...)
		}
		conn.Release()
		if err != nil {
			return "", nil, err
		}
	}
	want := slices.Sorted(maps.Keys(q.takes(p)))
	for _, f := range found {
		if slices.Equal(slices.Sorted(slices.Values(f.Takes)), want) {
			return f.Statement, f.Takes, nil
		}
	}
	return "", nil, fmt.Errorf("no statement like %q takes %v any more: let this program follow it (found %v)", q.says, want, found)
}

// pgbench runs the scripts on as many connections, prepared, and gives the time
// of each transaction.
func (b *bench) pgbench(ctx context.Context, dsn string, script []string, d time.Duration) (sample, error) {
	prefix := filepath.Join(b.dir, "pgbench-"+uuid.NewString())
	seconds := int(math.Ceil((d + warming).Seconds())) // it takes whole ones
	args := slices.Concat([]string{"-n", "-M", "prepared", "-c", strconv.Itoa(clients), "-j", "2", "-T", strconv.Itoa(seconds),
		"--random-seed=1", "-l", "--log-prefix=" + prefix}, script, []string{dsn})
	cmd := exec.CommandContext(ctx, filepath.Join(b.bin, "pgbench"), args...)
	if said, err := cmd.CombinedOutput(); err != nil {
		return nil, fmt.Errorf("pgbench: %w: %s", err, said)
	}
	logs, err := filepath.Glob(prefix + "*")
	if err != nil {
		return nil, err
	}
	var took sample
	var ended []time.Time
	for _, log := range logs {
		t, e, err := readLog(log)
		if err != nil {
			return nil, err
		}
		took, ended = append(took, t...), append(ended, e...)
	}
	if len(took) == 0 {
		return nil, fmt.Errorf("pgbench logged nothing")
	}
	counted := slices.MinFunc(ended, time.Time.Compare).Add(warming)
	var s sample
	for i, e := range ended {
		if e.After(counted) {
			s = append(s, took[i])
		}
	}
	return s, nil
}

// readLog reads one log of pgbench: client, number, microseconds, script, and
// the end in seconds and microseconds.
func readLog(file string) (took sample, ended []time.Time, err error) {
	f, err := os.Open(file)
	if err != nil {
		return nil, nil, err
	}
	defer f.Close()
	for lines := bufio.NewScanner(f); lines.Scan(); {
		var client, number, script int
		var us, sec, frac int64
		if _, err := fmt.Sscan(lines.Text(), &client, &number, &us, &script, &sec, &frac); err != nil {
			return nil, nil, fmt.Errorf("a line of pgbench's log cannot be read: %q", lines.Text())
		}
		took, ended = append(took, time.Duration(us)*time.Microsecond), append(ended, time.Unix(sec, frac*1000))
	}
	return took, ended, nil
}
