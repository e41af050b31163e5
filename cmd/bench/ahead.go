package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"net/http"
	"net/url"
	"strings"
	"sync"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/door"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgdb/cluster"
	"spindlebook/internal/pm"
	"spindlebook/internal/pm/visits"
)

// statement is one that the program sent.
type statement struct {
	sql  string
	args []any
}

// sentBy gives the statements that fn sends, in their order.
func sentBy(ctx context.Context, fn func(context.Context) error) ([]statement, error) {
	var all []statement
	var mu sync.Mutex
	err := fn(pgdb.TellStatements(ctx, func(sql string, args []any) {
		mu.Lock()
		defer mu.Unlock()
		all = append(all, statement{sql, args})
	}))
	return all, err
}

// sendAgain sends the same statements on one connection, one after the other, and reads
// what they give without making anything of it. On a connection of the owner that is
// their floor: no row-level security, and no work but PostgreSQL's.
func sendAgain(ctx context.Context, conn *pgx.Conn, all []statement) (time.Duration, error) {
	start := time.Now()
	for _, s := range all {
		rows, err := conn.Query(ctx, s.sql, s.args...)
		if err != nil {
			return 0, err
		}
		for rows.Next() {
			_ = rows.RawValues()
		}
		if rows.Err() != nil {
			return 0, fmt.Errorf("%w in %s", rows.Err(), s.sql)
		}
	}
	return time.Since(start), nil
}

// besides measures fn and, in turn with it, the statements that it sends, as the owner
// of the tables sends them.
func (d *data) besides(ctx context.Context, times int, fn func(context.Context) error) (took, floor sample, statements int, err error) {
	cfg, err := pgx.ParseConfig(d.owner)
	if err != nil {
		return nil, nil, 0, err
	}
	maps.Copy(cfg.RuntimeParams, pgdb.Settings)
	conn, err := pgx.ConnectConfig(ctx, cfg)
	if err != nil {
		return nil, nil, 0, err
	}
	defer conn.Close(context.WithoutCancel(ctx))
	all, err := sentBy(ctx, fn)
	if err != nil {
		return nil, nil, 0, err
	}
	for i := range times + 1 {
		start := time.Now()
		if err := fn(ctx); err != nil {
			return nil, nil, 0, err
		}
		ours := time.Since(start)
		theirs, err := sendAgain(ctx, conn, all)
		if err != nil {
			return nil, nil, 0, err
		}
		if i > 0 { // the first time statements are prepared
			took, floor = append(took, ours), append(floor, theirs)
		}
	}
	return took, floor, len(all), nil
}

// asManagerAt lets somebody into the pages as a manager, and gives the link.
func (d *data) asManagerAt(ctx context.Context, at time.Time) (string, error) {
	var link string
	err := d.db.InTx(ctx, access.System.ID, func(tx *gorm.DB) error {
		a, err := access.AddPerson(tx, access.System, at, access.NewPerson{Name: "Mara", Login: "mara@bench.example", Grants: []access.NewGrant{{Role: "manager"}}})
		if err != nil {
			return err
		}
		link, err = access.MakeLink(tx, at, access.Demo, &a.ID, time.Hour)
		return err
	})
	return link, err
}

// ahead measures the work of two years ahead: all of M by the API, page after page, and
// the page of a manager.
func (b *bench) ahead(ctx context.Context, _ cluster.Address) error {
	d := b.judged
	manager := d.pages[asManager][0]
	link, err := d.asManagerAt(ctx, benchNow)
	if err != nil {
		return err
	}
	b.say("work of %d weeks ahead of %d sites", pm.MostWeeks, b.mid)
	of := min(200, b.mid) // the most that the API gives at once
	took, floor, statements, err := d.besides(ctx, 3, func(ctx context.Context) error {
		all, err := pm.WorkAhead(ctx, d.db, manager.who, benchNow, pm.AheadFilter{Weeks: pm.MostWeeks}, pm.Page{Limit: 200})
		if err == nil && (len(all.Sites) != of || len(all.Sites[0].Weeks) < pm.MostWeeks-1) {
			err = fmt.Errorf("%d sites: this is not the work that was meant", len(all.Sites))
		}
		return err
	})
	if err != nil {
		return err
	}
	b.add(row{work: fmt.Sprintf("work of two years ahead, %d sites with %s assignments", of, thousands(of*perSite*len(benchPlans))), floor: "its statements as owner " + ms(floor.median()),
		measured: fmt.Sprintf("%s, %d statements", ms(took.median()), statements), ratio: ratio(took.median(), floor.median())})
	at := []string{benchNow.Format(time.RFC3339)}
	var all, pages sample
	jobs := 0
	s, err := withServer(ctx, d, at, func(base string) error {
		for range 3 {
			start := time.Now()
			n, err := readAhead(ctx, base, manager.token)
			if err != nil {
				return err
			}
			all, jobs = append(all, time.Since(start)), n
		}
		return nil
	})
	if err != nil {
		return err
	}
	b.add(row{work: fmt.Sprintf("the same of all of M over HTTP, %s jobs", thousands(jobs)), measured: fmt.Sprintf("%s, %.3g statements a request, %s", ms(all.median()), s.Statements/s.Requests, memoryOf(s.PeakKB))})
	if s, err = withServer(ctx, d, at, func(base string) error {
		cookie, err := enter(ctx, base, link)
		if err != nil {
			return err
		}
		for range 10 {
			start := time.Now()
			text, err := getPage(ctx, base+"/ahead", cookie)
			if err != nil {
				return err
			}
			if n := strings.Count(text, "S000"); n < min(50, b.mid) {
				return fmt.Errorf("the page tells of %d sites", n)
			}
			pages = append(pages, time.Since(start))
		}
		return nil
	}); err != nil {
		return err
	}
	b.add(row{work: fmt.Sprintf("its page of %d sites, as manager", min(50, b.mid)), measured: fmt.Sprintf("%s, %s", ms(pages.median()), memoryOf(s.PeakKB))})
	return nil
}

// readAhead reads the work of two years ahead of all sites, and gives how many jobs it is.
func readAhead(ctx context.Context, base, token string) (jobs int, err error) {
	for cursor := ""; ; {
		q := url.Values{"weeks": {fmt.Sprint(pm.MostWeeks)}, "limit": {"200"}}
		if cursor != "" {
			q.Set("cursor", cursor)
		}
		req, err := http.NewRequestWithContext(ctx, http.MethodGet, base+door.APIPath+"/work-ahead?"+q.Encode(), nil)
		if err != nil {
			return 0, err
		}
		req.Header.Set("Authorization", "Bearer "+token)
		res, err := http.DefaultClient.Do(req)
		if err != nil {
			return 0, err
		}
		var page struct {
			Items []struct {
				Weeks []struct{ Jobs int }
			}
			NextCursor string `json:"next_cursor"`
		}
		err = json.NewDecoder(res.Body).Decode(&page)
		_ = res.Body.Close()
		if res.StatusCode != http.StatusOK {
			return 0, fmt.Errorf("the server answers %s", res.Status)
		}
		if err != nil {
			return 0, err
		}
		for _, s := range page.Items {
			for _, w := range s.Weeks {
				jobs += w.Jobs
			}
		}
		if cursor = page.NextCursor; cursor == "" {
			return jobs, nil
		}
	}
}

// enter follows a link and gives the cookie.
func enter(ctx context.Context, base, link string) (string, error) {
	client := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, base+"/enter/"+link, nil)
	if err != nil {
		return "", err
	}
	res, err := client.Do(req)
	if err != nil {
		return "", err
	}
	_ = res.Body.Close()
	for _, c := range res.Cookies() {
		return c.Name + "=" + c.Value, nil
	}
	return "", fmt.Errorf("the link gives no cookie: %s", res.Status)
}

func getPage(ctx context.Context, at, cookie string) (string, error) {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, at, nil)
	if err != nil {
		return "", err
	}
	req.Header.Set("Cookie", cookie)
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		return "", err
	}
	defer res.Body.Close()
	text, err := io.ReadAll(res.Body)
	if err == nil && (res.StatusCode != http.StatusOK || res.Request.URL.Path != req.URL.Path) {
		err = fmt.Errorf("the server answers %s at %s", res.Status, res.Request.URL.Path)
	}
	return string(text), err
}

// crewOf adds technicians, who may do all the work of the bench.
func (d *data) crewOf(ctx context.Context, n int, at time.Time) ([]uuid.UUID, error) {
	ids := make([]uuid.UUID, n)
	until := at.AddDate(2, 0, 0).Format(time.DateOnly)
	return ids, d.db.InTx(ctx, access.System.ID, func(tx *gorm.DB) error {
		for i := range ids {
			a, err := access.AddPerson(tx, access.System, at, access.NewPerson{Name: fmt.Sprintf("Technician %d", i), Login: pgdb.NewID().String() + "@bench.example", Grants: []access.NewGrant{{Role: "technician"}}})
			if err != nil {
				return err
			}
			ids[i] = a.ID
			if _, err := access.AddEvidence(tx, access.System, at, a.ID, access.NewEvidence{Skill: "T1", Evidence: "course", IssuedOn: at.Format(time.DateOnly), ExpiresOn: &until}); err != nil {
				return err
			}
		}
		return nil
	})
}

// spreadDue lets what is raised and what is to come fall due over the weeks to come, as it
// does where everything was done once and at another time.
var spreadDue = []string{
	`update task set due_on = d.due, earliest_on = d.due - 7, latest_on = d.due + 7
	   from (select id, date '2025-06-10' + (hashtext(id::text) & 127) as due from task) as d where d.id = task.id`,
	`update assignment set due_on = d.due, earliest_on = d.due - 7, latest_on = d.due + 7
	   from (select id, date '2025-06-10' + (hashtext(id::text) & 1023) as due from assignment) as d where d.id = assignment.id and task_id is null`,
	`vacuum (analyze) task, assignment`,
}

func (d *data) spread(ctx context.Context) error {
	conn, err := pgx.Connect(ctx, d.owner)
	if err != nil {
		return err
	}
	defer conn.Close(context.WithoutCancel(ctx))
	for _, sql := range append([]string{`select set_config('spindlebook.actor', '` + access.System.ID.String() + `', false)`}, spreadDue...) {
		if _, err := conn.Exec(ctx, sql); err != nil {
			return err
		}
	}
	return nil
}

// groups measures the visits proposed for all sites of M in the weeks to come.
func (b *bench) groups(ctx context.Context, _ cluster.Address) error {
	d := b.judged
	manager := d.pages[asManager][0]
	type key struct{ ID uuid.UUID }
	sites, err := pgdb.Read[key](ctx, d.db, access.System.ID, `select id from site order by code`, nil)
	if err != nil {
		return err
	}
	ids := make([]uuid.UUID, len(sites))
	for i, s := range sites {
		ids[i] = s.ID
	}
	if _, err := d.crewOf(ctx, 6, benchNow); err != nil {
		return err
	}
	if err := d.spread(ctx); err != nil {
		return err
	}
	b.say("visits of %d weeks at %d sites", visits.Weeks, len(ids))
	jobs, trips := 0, 0
	propose := func(ids []uuid.UUID) func(context.Context) error {
		return func(ctx context.Context) error {
			all, err := visits.Propose(ctx, d.db, manager.who, benchNow, ids)
			if err != nil {
				return err
			}
			if len(all) != len(ids) {
				return fmt.Errorf("%d proposals for %d sites", len(all), len(ids))
			}
			jobs, trips = 0, 0
			for _, p := range all {
				trips += len(p.Visits)
				for _, v := range p.Visits {
					jobs += len(v.Tasks)
				}
			}
			if jobs == 0 {
				return errors.New("nothing was proposed")
			}
			return nil
		}
	}
	took, floor, statements, err := d.besides(ctx, 3, propose(ids))
	if err != nil {
		return err
	}
	b.add(row{work: fmt.Sprintf("grouping of %d sites over %d weeks: %s jobs into %s trips", len(ids), visits.Weeks, thousands(jobs), thousands(trips)), floor: "its statements as owner " + ms(floor.median()),
		measured: fmt.Sprintf("%s, %d statements", ms(took.median()), statements), ratio: ratio(took.median(), floor.median())})
	took, floor, statements, err = d.besides(ctx, 15, propose(ids[:1]))
	if err != nil {
		return err
	}
	b.add(row{work: fmt.Sprintf("the same of one site: %d jobs into %d trips", jobs, trips), floor: "its statements as owner " + ms(floor.median()),
		measured: fmt.Sprintf("%s, %d statements", ms(took.median()), statements), ratio: ratio(took.median(), floor.median())})
	return nil
}
