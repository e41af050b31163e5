package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"syscall"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgdb/cluster"
	"spindlebook/internal/pm"
)

const (
	sweepers = 3  // processes that sweep at once
	sites    = 80 // more than one process takes at once, so that each has work
	thingsIn = 2  // positions that come to each site with each round, all overdue by every plan
)

// plansOfSweeps fall due at each blower; both are overdue where it stands for two years.
var plansOfSweeps = []pm.Terms{
	{AppliesTo: "position", Kinds: []string{"blower"}, Basis: "floating", Criticality: "A", Triggers: []pm.Trigger{{Kind: "every", Every: "P30D"}}, Early: pm.Tolerance{Days: 7}, Late: pm.Tolerance{Days: 7}},
	{AppliesTo: "position", Kinds: []string{"blower"}, Basis: "fixed", Criticality: "B", Triggers: []pm.Trigger{{Kind: "every", Every: "P1M"}}, Early: pm.Tolerance{Days: 10}, Late: pm.Tolerance{Days: 10}},
}

// swept is a database of its own that three processes sweep.
type swept struct {
	binary, dir string
	own         *cluster.Cluster
	sites       []uuid.UUID
	began       time.Time // when the site came into the register
	things      int       // positions so far
}

const databaseName = "spindlebook"

func (s *swept) service() string { return s.own.DSN(pgdb.ServiceRole, databaseName) }

// sweeping lets three processes sweep at once, again and again, and kills some of
// them, all of them or their database in the middle. Whatever is killed, each thing
// that is due is raised exactly once by the time the next sweep is through.
func sweeping(ctx context.Context, out io.Writer, t *tally, binary, dir string, rounds int, r *rand.Rand) (err error) {
	s := &swept{binary: binary, dir: dir, began: time.Now().AddDate(-2, 0, 0)}
	if err := s.up(ctx); err != nil {
		return err
	}
	defer func() { err = errors.Join(err, s.own.Stop(context.WithoutCancel(ctx))) }()
	if err := pgdb.MakeRoles(ctx, s.own.DSN("postgres", "postgres"), databaseName); err != nil {
		return err
	}
	if _, err := pgdb.Migrate(ctx, s.own.DSN(pgdb.OwnerRole, databaseName)); err != nil {
		return err
	}
	if err := s.write(ctx, s.ground); err != nil {
		return err
	}
	// how long a round takes that nobody disturbs: instants are drawn from it
	if err := s.write(ctx, s.more); err != nil {
		return err
	}
	start := time.Now()
	if err := s.through(); err != nil {
		return err
	}
	most := max(time.Since(start), 50*time.Millisecond)
	if err := s.check(ctx); err != nil {
		return err
	}
	for round := 0; round < rounds; {
		what, cut, err := s.round(ctx, most, r)
		if err != nil {
			return fmt.Errorf("sweep %d: %w", round+1, err)
		}
		if cut == 0 {
			continue // they were through before
		}
		round++
		t.kills[killsSweeps]++
		t.raised = s.things * len(plansOfSweeps)
		fmt.Fprintf(out, "sweep %d: killed %s with %d at work; %d tasks, each raised once\n", round, what, cut, t.raised)
	}
	return nil
}

// up starts the database, or recovers it.
func (s *swept) up(ctx context.Context) error {
	own, err := cluster.Start(ctx, cluster.Options{Dir: s.dir, Roles: []string{pgdb.OwnerRole, pgdb.ServiceRole}})
	if err == nil { // else the one before, which has ended, stays to be stopped
		s.own = own
	}
	return err
}

// write does something in a transaction of the system.
func (s *swept) write(ctx context.Context, fn func(tx *gorm.DB) error) error {
	db, err := pgdb.Open(ctx, s.service())
	if err != nil {
		return err
	}
	defer db.Close()
	return db.InTx(ctx, access.System.ID, fn)
}

// ground makes the sites and the plans.
func (s *swept) ground(tx *gorm.DB) error {
	who, now := access.System, time.Now()
	customer, err := assets.AddCustomer(tx, who, now, assets.CustomerEdit{Code: "SWEPT", Name: "Swept"})
	if err != nil {
		return err
	}
	for i := range sites {
		site, err := assets.AddSite(tx, who, now, customer.ID, &s.began, assets.SiteEdit{Code: fmt.Sprintf("S%02d", i), Name: "Swept", Zone: "America/Chicago", Currency: "USD", Climate: "snowbelt", Size: "small", DriverSide: "left"})
		if err != nil {
			return err
		}
		s.sites = append(s.sites, site.ID)
	}
	procedures, err := pm.AddProcedures(tx, who, now, []pm.NewProcedure{{Code: "SWEPT", Title: "Look at the blower"}})
	if err != nil {
		return err
	}
	v, err := pm.WriteDrafts(tx, who, now, []pm.Write{{Procedure: procedures[0], Content: pm.Content{People: 1, Skills: []string{"T1"}, Minutes: pm.Minutes{Low: 5, Typical: 12, High: 30}, LineState: "closed_hours"}}})
	if err != nil {
		return err
	}
	if err := pm.Publish(tx, who, now, v); err != nil {
		return err
	}
	heads, terms := make([]pm.NewPlan, len(plansOfSweeps)), make([]pm.WritePlan, len(plansOfSweeps))
	for i := range plansOfSweeps {
		heads[i] = pm.NewPlan{Code: fmt.Sprintf("SWEPT-%d", i+1), Title: "Look at the blower", Procedure: "SWEPT"}
	}
	plans, err := pm.AddPlans(tx, who, now, heads)
	if err != nil {
		return err
	}
	for i, it := range plansOfSweeps {
		terms[i] = pm.WritePlan{Plan: plans[i], Terms: it}
	}
	if v, err = pm.WritePlanDrafts(tx, who, now, terms); err != nil {
		return err
	}
	return pm.PublishPlans(tx, who, now, v)
}

// more adds positions that have stood there for two years.
func (s *swept) more(tx *gorm.DB) error {
	var in []assets.NewPosition
	for i, site := range s.sites {
		for range thingsIn {
			in = append(in, assets.NewPosition{SiteID: site, From: &s.began, PositionEdit: assets.PositionEdit{Code: fmt.Sprintf("S%02d/B%06d", i, s.things+len(in)), Name: "Blower", Kind: "blower", LineSide: "centre"}})
		}
	}
	if _, err := assets.AddPositions(tx, access.System, time.Now(), in); err != nil {
		return err
	}
	s.things += len(in)
	return nil
}

// round brings new things, kills at a random instant while three processes sweep,
// lets them sweep to the end and checks.
func (s *swept) round(ctx context.Context, most time.Duration, r *rand.Rand) (what string, cut int, err error) {
	if err := s.write(ctx, s.more); err != nil {
		return "", 0, err
	}
	what = []string{"one of the processes", "all processes", "the database"}[r.IntN(3)]
	var all [sweepers]*sweep
	for i := range all {
		if all[i], err = s.launch(); err != nil {
			return what, 0, err
		}
	}
	if err := pause(ctx, between(r, 0, most)); err != nil {
		return what, 0, err
	}
	for _, p := range all {
		if !p.ended() {
			cut++
		}
	}
	switch what {
	case "the database":
		err = killServer(s.dir)
	case "all processes":
		for _, p := range all {
			err = errors.Join(err, p.kill())
		}
	default:
		if cut = min(cut, 1); cut == 1 {
			for _, p := range all {
				if !p.ended() {
					err = p.kill()
					break
				}
			}
		}
	}
	if err != nil {
		return what, 0, err
	}
	for _, p := range all { // who was not killed must end in order, but without its database
		if said := p.wait(); said != nil && !p.killed && what != "the database" {
			return what, 0, fmt.Errorf("a sweep beside one that was killed: %w", said)
		}
	}
	if what == "the database" {
		_ = s.own.Stop(ctx) // it ended in disorder, as was wanted
		if err := s.up(ctx); err != nil {
			return what, 0, err
		}
	}
	if err := s.through(); err != nil {
		return what, 0, err
	}
	return what, cut, s.check(ctx)
}

// through lets three processes sweep to the end.
func (s *swept) through() error {
	var all [sweepers]*sweep
	for i := range all {
		var err error
		if all[i], err = s.launch(); err != nil {
			return err
		}
	}
	var err error
	for _, p := range all {
		err = errors.Join(err, p.wait())
	}
	return err
}

// sweep is a process that sweeps once.
type sweep struct {
	cmd    *exec.Cmd
	said   bytes.Buffer
	done   chan struct{}
	err    error
	killed bool
}

func (s *swept) launch() (*sweep, error) {
	p := &sweep{cmd: exec.Command(s.binary, "sweep"), done: make(chan struct{})}
	p.cmd.Env = []string{"PATH=" + os.Getenv("PATH"), "TMPDIR=" + os.TempDir(), "DATABASE_URL=" + s.service()}
	p.cmd.Stdout, p.cmd.Stderr = &p.said, &p.said
	p.cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	if err := p.cmd.Start(); err != nil {
		return nil, err
	}
	go func() {
		p.err = p.cmd.Wait()
		close(p.done)
	}()
	return p, nil
}

func (p *sweep) ended() bool {
	select {
	case <-p.done:
		return true
	default:
		return false
	}
}

func (p *sweep) kill() error {
	p.killed = true
	if err := p.cmd.Process.Kill(); err != nil && !errors.Is(err, os.ErrProcessDone) {
		return err
	}
	<-p.done
	return nil
}

// wait waits for the process, and tells what it said if it failed.
func (p *sweep) wait() error {
	select {
	case <-p.done:
	case <-time.After(patience):
		return errors.Join(fmt.Errorf("a sweep is not through after %v", patience), p.kill())
	}
	if p.err != nil {
		return fmt.Errorf("%w: %s", p.err, p.said.String())
	}
	return nil
}

// onceRaised are what must not be there after a sweep: everything is overdue.
var onceRaised = map[string]string{
	"things without their one assignment by each plan": `
select count(*) from position as o cross join plan as p
 where (select count(*) from assignment as a where a.position_id = o.id and a.plan_id = p.id and a.ended_at is null) <> 1`,
	"assignments without their one task": `
select count(*) from assignment as a where (select count(*) from task as t where t.assignment_id = a.id) <> 1
    or not exists (select from task as t where t.id = a.task_id and t.assignment_id = a.id and t.state = 'open')`,
	"tasks that the trail tells otherwise than once": `
select count(*) from task as t where (select count(*) from trail as l where l.entity = 'task' and l.entity_id = t.id and l.act = 'insert') <> 1`,
	"marks of the register that nobody looked at": `select count(*) from assignment_stale`,
}

// check holds what was raised against what is due, worked out anew from the record.
func (s *swept) check(ctx context.Context) error {
	db, err := pgdb.Open(ctx, s.service())
	if err != nil {
		return err
	}
	defer db.Close()
	differs, seen, err := pm.Verify(ctx, db, time.Now())
	if err != nil {
		return err
	}
	if len(differs) > 0 {
		return fmt.Errorf("%d things stand otherwise than the record says: %s", len(differs), differs[0])
	}
	if want := s.things * len(plansOfSweeps); seen != want {
		return fmt.Errorf("%d of %d things stand judged", seen, want)
	}
	conn, err := pgx.Connect(ctx, s.own.DSN(pgdb.OwnerRole, databaseName))
	if err != nil {
		return err
	}
	defer func() { _ = conn.Close(context.WithoutCancel(ctx)) }() // nothing was written
	for what, query := range onceRaised {
		var n int
		if err := conn.QueryRow(ctx, query).Scan(&n); err != nil {
			return err
		}
		if n != 0 {
			return fmt.Errorf("%d %s", n, what)
		}
	}
	return revalidate(ctx, conn)
}
