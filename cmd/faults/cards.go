package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"path/filepath"
	"sync"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/assets/meters"
	catalogue "spindlebook/internal/parts"
	"spindlebook/internal/parts/amount"
	"spindlebook/internal/parts/stock"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgdb/cluster"
	"spindlebook/internal/pm"
	"spindlebook/internal/pm/record"
)

// cardsIn is how many job cards each round signs off, shared among the clients.
const cardsIn = 24

// cards is a program that job cards are signed off at. Each card swaps a unit, uses a
// part out of the van, reads a counter and does the work of a plan.
type cards struct {
	single
	token     string
	site      uuid.UUID
	line      uuid.UUID
	hub, nut  uuid.UUID // parts
	van, back uuid.UUID // locations
	began     time.Time
	signed    int // so far
}

// card is one that waits for its signature.
type card struct {
	id, fresh, slot, meter uuid.UUID
	it                     create
}

// completing kills the program, its database or both while cards are signed off, lets
// the clients send again what failed, and checks that each card did all of its work
// once: nothing of it twice, nothing by half.
func completing(ctx context.Context, out io.Writer, t *tally, binary, data string, rounds int, r *rand.Rand) (err error) {
	c := &cards{single: single{binary: binary, data: data}, began: time.Now().AddDate(-2, 0, 0)}
	defer func() {
		c.p.stop()
		if err != nil {
			err = errors.Join(err, killDatabase(data))
		}
	}()
	if c.at, err = freePort(); err != nil {
		return err
	}
	if err := c.start(ctx); err != nil {
		return err
	}
	service, err := c.private(pgdb.ServiceRole)
	if err != nil {
		return err
	}
	if c.token, err = letIn(ctx, service, "technician"); err != nil {
		return err
	}
	if err := c.write(ctx, func(_ *pgdb.DB, tx *gorm.DB) error { return c.ground(tx) }); err != nil {
		return err
	}
	for round := range rounds {
		all, err := c.prepare(ctx)
		if err != nil {
			return fmt.Errorf("prepare cards: %w", err)
		}
		what := kinds[r.IntN(3)]
		waiting, took, err := c.round(ctx, all, what, r)
		if err != nil {
			return fmt.Errorf("cards %d, killed %s: %w", round+1, what, err)
		}
		t.kills[what]++
		t.signed = c.signed
		fmt.Fprintf(out, "cards %d: killed %s with %d of %d not yet signed, all signed after %v; %d in all, each once\n", round+1, what, waiting, len(all), took.Round(time.Millisecond), c.signed)
	}
	return nil
}

func (c *cards) private(role string) (string, error) {
	private, ok := cluster.Running(filepath.Join(c.data, "private"))
	if !ok {
		return "", errors.New("the private server is not to be found")
	}
	return private.DSN(role, databaseName), nil
}

func (c *cards) write(ctx context.Context, fn func(db *pgdb.DB, tx *gorm.DB) error) error {
	service, err := c.private(pgdb.ServiceRole)
	if err != nil {
		return err
	}
	db, err := pgdb.Open(ctx, service)
	if err != nil {
		return err
	}
	defer db.Close()
	return db.InTx(ctx, access.System.ID, func(tx *gorm.DB) error { return fn(db, tx) })
}

// ground makes what all cards share.
func (c *cards) ground(tx *gorm.DB) error {
	who, now := access.System, time.Now()
	customer, err := assets.AddCustomer(tx, who, now, assets.CustomerEdit{Code: "CARDS", Name: "Cards"})
	if err != nil {
		return err
	}
	site, err := assets.AddSite(tx, who, now, customer.ID, &c.began, assets.SiteEdit{Code: "CARDS", Name: "Cards", Zone: "America/Chicago", Currency: "USD", Climate: "snowbelt", Size: "small", DriverSide: "left"})
	if err != nil {
		return err
	}
	line, err := assets.AddLine(tx, who, now, site.ID, &c.began, assets.LineEdit{Code: "CARDS-1"})
	if err != nil {
		return err
	}
	c.site, c.line = site.ID, line.ID
	for _, it := range []struct {
		number, class, tracking string
		id                      *uuid.UUID
	}{{"HUB", "hub", "unit", &c.hub}, {"NUT", "fastener", "none", &c.nut}} {
		p, err := assets.AddPart(tx, who, now, assets.PartEdit{Number: it.number, Description: it.number, Class: it.class})
		if err != nil {
			return err
		}
		if _, err := catalogue.SetStocking(tx, who, p.ID, p.Version, catalogue.StockingEdit{MeasuredIn: "ea", BoughtIn: "ea", Pack: amount.Of(1), Tracking: it.tracking}); err != nil {
			return err
		}
		*it.id = p.ID
	}
	for _, it := range []struct {
		code, kind string
		id         *uuid.UUID
	}{{"VAN", "van", &c.van}, {"RET", "returns", &c.back}} {
		l, err := assets.AddLocation(tx, who, now, assets.NewLocation{Code: it.code, Name: it.code, Kind: it.kind})
		if err != nil {
			return err
		}
		*it.id = l.ID
	}
	long := now.AddDate(0, -1, 0)
	if _, err := stock.Move(tx, who, now, []stock.Moving{{Kind: "receive", PartID: c.nut, Amount: amount.Of(1_000_000), To: &c.van, Owner: stock.Owner{Kind: "distributor"}, At: &long, Sure: true}}); err != nil {
		return err
	}
	procedures, err := pm.AddProcedures(tx, who, now, []pm.NewProcedure{{Code: "HUB-EX", Title: "Exchange the hub"}})
	if err != nil {
		return err
	}
	v, err := pm.WriteDrafts(tx, who, now, []pm.Write{{Procedure: procedures[0], Content: pm.Content{People: 1, Skills: []string{}, Minutes: pm.Minutes{Low: 5, Typical: 12, High: 30}, LineState: "closed_hours",
		Steps: []pm.Step{{Kind: "do", Says: "Exchange the hub."}}}}})
	if err != nil {
		return err
	}
	if err := pm.Publish(tx, who, now, v); err != nil {
		return err
	}
	plans, err := pm.AddPlans(tx, who, now, []pm.NewPlan{{Code: "HUB-EX", Title: "Exchange the hub", Procedure: "HUB-EX"}})
	if err != nil {
		return err
	}
	if v, err = pm.WritePlanDrafts(tx, who, now, []pm.WritePlan{{Plan: plans[0], Terms: pm.Terms{AppliesTo: "position", Kinds: []string{"side_brush_low"}, Basis: "floating", Criticality: "B",
		Triggers: []pm.Trigger{{Kind: "every", Every: "P12M"}}}}}); err != nil {
		return err
	}
	return pm.PublishPlans(tx, who, now, v)
}

// prepare makes positions with a unit in each, and a card of the task that is due
// there, with all of its work declared.
func (c *cards) prepare(ctx context.Context) ([]card, error) {
	service, err := c.private(pgdb.ServiceRole)
	if err != nil {
		return nil, err
	}
	db, err := pgdb.Open(ctx, service)
	if err != nil {
		return nil, err
	}
	defer db.Close()
	who, now := access.System, time.Now()
	all := make([]card, cardsIn)
	at := make([]assets.NewPosition, cardsIn)
	for i := range at {
		at[i] = assets.NewPosition{SiteID: c.site, From: &c.began, PositionEdit: assets.PositionEdit{LineID: &c.line, Code: fmt.Sprintf("CARDS-1/B%05d", c.signed+i), Name: "Brush", Kind: "side_brush_low", LineSide: "left"}}
	}
	var positions []assets.Position
	err = db.InTx(ctx, who.ID, func(tx *gorm.DB) error {
		if positions, err = assets.AddPositions(tx, who, now, at); err != nil {
			return err
		}
		units, err := assets.AddUnits(tx, who, now, make2(c.hub))
		if err != nil {
			return err
		}
		var putting []assets.Putting
		for i, p := range positions {
			slot, err := pgdb.ID(tx, `select id from slot where position_id = ? and class = 'hub'`, p.ID)
			if err != nil {
				return err
			}
			m, err := meters.Add(tx, who, now, meters.NewMeter{SiteID: c.site, From: &c.began, Unit: meters.Hours, Thing: meters.Thing{PositionID: &p.ID, Primary: true}, Edit: meters.Edit{Code: p.Code + "/H", Kind: "hour_meter"}})
			if err != nil {
				return err
			}
			all[i] = card{fresh: units[2*i+1].ID, slot: slot, meter: m.ID}
			month := now.AddDate(0, -1, 0)
			putting = append(putting, assets.Putting{UnitID: units[2*i].ID, Place: assets.Place{SlotID: &slot}, From: &month},
				assets.Putting{UnitID: units[2*i+1].ID, Place: assets.Place{LocationID: &c.van}, From: &month})
		}
		_, err = assets.PutAll(tx, who, now, putting)
		return err
	})
	if err != nil {
		return nil, err
	}
	if _, err := pm.Tick(ctx, db, now); err != nil {
		return nil, err
	}
	for i, p := range positions {
		tasks, err := pm.Tasks(ctx, db, who, pm.TaskFilter{PositionID: &p.ID}, pm.Page{Limit: 2})
		if err != nil || len(tasks) != 1 {
			return nil, fmt.Errorf("%d tasks at %s: %w", len(tasks), p.Code, err)
		}
		k := &all[i]
		if k.id, err = record.Open(ctx, db, who, now, pgdb.Request{Key: uuid.NewString(), Act: "open", Body: i}, record.NewRecord{TaskID: &tasks[0].ID}); err != nil {
			return nil, err
		}
		opened, err := record.One(ctx, db, who, now, k.id)
		if err != nil {
			return nil, err
		}
		entry := func(act string, minutes int, said record.Said) record.NewEntry {
			return record.NewEntry{ID: uuid.New(), Act: act, Said: said, VersionSeen: opened.Version, DoneAt: now.Add(time.Duration(minutes-60) * time.Minute)}
		}
		step := entry(record.OfStep, 40, record.Said{})
		step.StepID, step.Outcome = &opened.Steps[0].ID, record.DoneWell
		taken, err := record.Take(ctx, db, who, now, k.id, []record.NewEntry{step,
			entry(record.Reading, 5, record.Said{MeterID: &k.meter, Value: "1200"}),
			entry(record.Swap, 20, record.Said{SlotID: &k.slot, In: &k.fresh, From: &c.van, To: &c.back, Reason: "failed"}),
			entry(record.PartMove, 25, record.Said{PartID: &c.nut, From: &c.van, Did: "used", Amount: "3"})})
		if err != nil {
			return nil, err
		}
		for _, e := range taken {
			if e.State != "kept" {
				return nil, fmt.Errorf("an entry is %s: %w", e.State, e.Fault)
			}
		}
		k.it = create{key: uuid.NewString(), path: "/job-records/" + k.id.String() + "/sign-off", body: map[string]any{"version_seen": 1, "handed_to": "Pat"}}
	}
	return all, nil
}

// make2 is two units of a part for each card.
func make2(part uuid.UUID) []assets.NewUnit {
	all := make([]assets.NewUnit, 2*cardsIn)
	for i := range all {
		all[i] = assets.NewUnit{UnitEdit: assets.UnitEdit{PartID: part}}
	}
	return all
}

// round signs the cards off, kills something at a random card, and lets the clients
// go on until all are signed.
func (c *cards) round(ctx context.Context, all []card, what string, r *rand.Rand) (waiting int, took time.Duration, err error) {
	l := &load{token: c.token}
	url := c.p.url // the next program serves at the same address
	began := time.Now()
	var clientsDone sync.WaitGroup
	wrong := make([]error, clients)
	var mu sync.Mutex
	left := len(all)
	for n := range clients {
		clientsDone.Go(func() {
			for i := n; i < len(all); i += clients {
				if all[i].it.answer, wrong[n] = l.sign(ctx, url, all[i].it); wrong[n] != nil {
					mu.Lock()
					left = 0 // nobody is to wait for the rest
					mu.Unlock()
					return
				}
				mu.Lock()
				left--
				mu.Unlock()
			}
		})
	}
	// amid the cards, however fast the machine is
	for mark, now := 1+r.IntN(len(all)-2*clients), len(all); now > mark+clients; {
		if err := pause(ctx, time.Millisecond); err != nil {
			return 0, 0, err
		}
		mu.Lock()
		now = left
		mu.Unlock()
	}
	if err := pause(ctx, between(r, 0, 20*time.Millisecond)); err != nil {
		return 0, 0, err
	}
	if what != killsProgram {
		err = killDatabase(c.data)
	}
	if what != killsDatabase {
		err = errors.Join(err, c.p.kill())
	}
	if err != nil {
		return 0, 0, err
	}
	mu.Lock()
	waiting = left
	mu.Unlock()
	<-c.p.done // without its database it ends by itself
	if err := c.start(ctx); err != nil {
		return 0, 0, err
	}
	clientsDone.Wait()
	if err := errors.Join(wrong...); err != nil {
		return 0, 0, err
	}
	took = time.Since(began)
	for _, k := range all { // once more: the first answer, and nothing is done again
		if a, err := l.post(ctx, c.p.url, k.it); err != nil || a != k.it.answer {
			return 0, 0, fmt.Errorf("a card, signed again under its key, is answered by %d %s and was by %d %s (%w)", a.status, a.body, k.it.answer.status, k.it.answer.body, err)
		}
	}
	c.signed += len(all)
	return waiting, took, c.check(ctx)
}

// sign sends a signature again and again, under one key, until it is acknowledged.
func (l *load) sign(ctx context.Context, url string, it create) (answer, error) {
	deadline := time.Now().Add(patience)
	for {
		a, err := l.post(ctx, url, it)
		switch {
		case err == nil && a.status == http.StatusOK:
			return a, nil
		case ctx.Err() != nil:
			return a, ctx.Err()
		case err == nil && a.status != http.StatusServiceUnavailable, time.Now().After(deadline):
			return a, fmt.Errorf("%s answers %d: %s (%w)", it.path, a.status, a.body, err)
		}
		if err := pause(ctx, 10*time.Millisecond); err != nil {
			return answer{}, err
		}
	}
}

// workOnce are what must not be there once all cards are signed.
var workOnce = map[string]string{
	"cards that are not signed":               `select count(*) from job_record where state <> 'signed'`,
	"cards without their one completion":      `select count(*) from job_record as j where (select count(*) from completion as c where c.task_id = j.task_id and c.covered_by is null) <> 1 or j.completion_id is null`,
	"tasks of cards that are not done":        `select count(*) from job_record as j join task as t on t.id = j.task_id where t.state <> 'done'`,
	"assignments that the work did not start": `select count(*) from assignment as a where a.ended_at is null and (not a.mark_done or a.task_id is not null)`,
	"meters without their one reading":        `select count(*) from meter as m where (select count(*) from reading as r where r.meter_id = m.id) <> 1`,
	"slots without one swap":                  `select count(*) from slot as s where s.class = 'hub' and ((select count(*) from stay as y where y.slot_id = s.id) <> 2 or (select count(*) from stay as y where y.slot_id = s.id and upper_inf(y.during)) <> 1)`,
	"units that are not in one place":         `select count(*) from unit as u where (select count(*) from stay as s where s.unit_id = u.id and upper_inf(s.during)) <> 1`,
	"tasks told more often than once":         `select count(*) from task as t where (select count(*) from task as o where o.assignment_id = t.assignment_id) <> 1`,
}

// check holds what the cards did against what each of them says.
func (c *cards) check(ctx context.Context) error {
	owner, err := c.private(pgdb.OwnerRole)
	if err != nil {
		return err
	}
	conn, err := pgx.Connect(ctx, owner)
	if err != nil {
		return err
	}
	defer func() { _ = conn.Close(context.WithoutCancel(ctx)) }() // nothing was written
	for what, query := range workOnce {
		var n int
		if err := conn.QueryRow(ctx, query).Scan(&n); err != nil {
			return err
		}
		if n != 0 {
			return fmt.Errorf("%d %s", n, what)
		}
	}
	var nuts, hubs, signed int
	if err := conn.QueryRow(ctx, `
select (select 1000000 - sum(on_hand)::int from stock_balance where location_id = $1 and part_id = $2),
       (select count(*) from stay as s where s.location_id = $3 and upper_inf(s.during)),
       (select count(*) from job_record)`, c.van, c.nut, c.back).Scan(&nuts, &hubs, &signed); err != nil {
		return err
	}
	if signed != c.signed || nuts != 3*signed || hubs != signed {
		return fmt.Errorf("%d cards of %d used %d nuts and brought %d hubs back", signed, c.signed, nuts, hubs)
	}
	if err := revalidate(ctx, conn); err != nil {
		return err
	}
	return verify(ctx, c.binary, "SPINDLEBOOK_DATA="+c.data)
}
