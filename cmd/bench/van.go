package main

import (
	"context"
	"fmt"
	"math/rand/v2"
	"sync"
	"time"

	"github.com/google/uuid"
	"golang.org/x/sync/errgroup"
	"gorm.io/gorm"

	"spindlebook/cmd/internal/cards"
	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/calendar"
	catalogue "spindlebook/internal/parts"
	"spindlebook/internal/parts/amount"
	"spindlebook/internal/parts/stock"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgdb/cluster"
	"spindlebook/internal/pm"
	"spindlebook/internal/pm/record"
	"spindlebook/internal/pm/visits"
)

const (
	tripsADay  = 20
	jobsATrip  = 6
	kindsOfJob = 12
	partsOfJob = 6 // of which half are taken for certain
)

// vanDay plans a day of one technician: twenty visits of six jobs each, of twelve kinds,
// with their parts in the warehouse and half of them in the van. It gives who goes.
func (d *data) vanDay(ctx context.Context, now time.Time, on calendar.Date) (uuid.UUID, error) {
	sys := access.System
	crew, err := d.crewOf(ctx, 1, now)
	if err != nil {
		return uuid.Nil, err
	}
	type place struct{ ID, SiteID uuid.UUID }
	places, err := pgdb.Read[place](ctx, d.db, sys.ID, `
select id, site_id
  from (select p.id, p.site_id, p.code, row_number() over (partition by p.site_id order by p.code) as n from position as p where p.kind in ('side_brush_low', 'wraparound', 'rocker')) as p
 where n <= @n order by site_id, code limit @most`, map[string]any{"n": jobsATrip, "most": jobsATrip * tripsADay})
	if err != nil {
		return uuid.Nil, err
	}
	if len(places) != jobsATrip*tripsADay {
		return uuid.Nil, fmt.Errorf("%d brushes", len(places))
	}
	return crew[0], d.db.InTx(ctx, sys.ID, func(tx *gorm.DB) error {
		var at [2]uuid.UUID
		for i, kind := range []string{"warehouse", "van"} {
			l, err := assets.AddLocation(tx, sys, now, assets.NewLocation{Code: fmt.Sprintf("DAY-AT-%d", i), Name: "Of the day", Kind: kind})
			if err != nil {
				return err
			}
			at[i] = l.ID
		}
		var heads []pm.NewProcedure
		for i := range kindsOfJob {
			heads = append(heads, pm.NewProcedure{Code: fmt.Sprintf("DAY-%d", i), Title: "Work of the day"})
		}
		ids, err := pm.AddProcedures(tx, sys, now, heads)
		if err != nil {
			return err
		}
		writes := make([]pm.Write, len(ids))
		for i, id := range ids {
			writes[i] = pm.Write{Procedure: id, Content: pm.Content{People: 1, Skills: []string{"T1"}, Minutes: pm.Minutes{Low: 2, Typical: 5, High: 9}, LineState: "running", Steps: []pm.Step{{Kind: "do", Says: "Do it."}}}}
		}
		versions, err := pm.WriteDrafts(tx, sys, now, writes)
		if err != nil {
			return err
		}
		for i, v := range versions {
			var lines []catalogue.NewLine
			for k := range partsOfJob {
				p, err := assets.AddPart(tx, sys, now, assets.PartEdit{Number: fmt.Sprintf("DAY-%d-%d", i, k), Description: "Part of the day", Class: "fastener"})
				if err != nil {
					return err
				}
				if _, err := catalogue.SetStocking(tx, sys, p.ID, p.Version, catalogue.StockingEdit{MeasuredIn: "ea", BoughtIn: "ea", Pack: amount.Of(1), Tracking: "none"}); err != nil {
					return err
				}
				if _, err := stock.Move(tx, sys, now, []stock.Moving{{Kind: "receive", PartID: p.ID, Amount: amount.Of(40), To: &at[k%2], Owner: stock.Owner{Kind: "distributor"}, Sure: true}}); err != nil {
					return err
				}
				l := catalogue.NewLine{Need: "always", PartID: &p.ID, Amount: amount.One, Why: "it wears"}
				if k >= partsOfJob/2 {
					l.Need, l.Cause, l.Chance = "if_found", fmt.Sprintf("cause %d", k), new(0.1)
				}
				lines = append(lines, l)
			}
			if err := catalogue.SetLines(tx, sys, v, lines); err != nil {
				return err
			}
		}
		if err := pm.Publish(tx, sys, now, versions); err != nil {
			return err
		}
		for i := range tripsADay {
			in := visits.New{SiteID: places[i*jobsATrip].SiteID, Hours: visits.Hours{On: on, Starts: fmt.Sprintf("%02d:00", 4+i), Minutes: 50}, VanID: &at[1], People: []visits.Going{{PersonID: crew[0]}}}
			for k := range jobsATrip {
				p := places[i*jobsATrip+k]
				id, err := pm.RaiseTask(tx, sys, now, pm.NewTask{SiteID: &p.SiteID, PositionID: &p.ID, Procedure: fmt.Sprintf("DAY-%d", (i+k)%kindsOfJob), Criticality: "B", DueOn: on, LatestOn: on})
				if err != nil {
					return err
				}
				in.Tasks = append(in.Tasks, visits.Doing{TaskID: id})
			}
			if _, err := visits.Add(tx, sys, now, in); err != nil {
				return err
			}
		}
		return nil
	})
}

// vanCheck measures the van check of a long day.
func (b *bench) vanCheck(ctx context.Context, _ cluster.Address) error {
	d, now := b.small, benchNow
	on := calendar.DateOf(now) + 1
	who, err := d.vanDay(ctx, now, on)
	if err != nil {
		return err
	}
	b.say("van check of %d visits, %d tasks", tripsADay, tripsADay*jobsATrip)
	took, floor, statements, err := d.besides(ctx, 20, func(ctx context.Context) error {
		c, err := visits.CheckVan(ctx, d.db, access.System, now, who, on)
		if err == nil && (len(c.Visits) != tripsADay || len(c.Lines) != kindsOfJob*partsOfJob) {
			err = fmt.Errorf("%d visits, %d lines: this is not the day that was meant", len(c.Visits), len(c.Lines))
		}
		return err
	})
	if err != nil {
		return err
	}
	b.add(row{work: fmt.Sprintf("van check of %d visits, %d tasks", tripsADay, tripsADay*jobsATrip), floor: "its statements as owner " + ms(floor.median()),
		measured: fmt.Sprintf("%s (budget 30 ms), %d statements", ms(took.median()), statements), ratio: ratio(took.median(), floor.median()), bar: 2})
	return nil
}

// cardsSigned is how many cards are signed off, shared among the clients.
const cardsSigned = 160

// completions measures the signing of job cards by many clients: each swaps a unit, uses a
// part out of one van, reads a counter and does the work of a plan, all of it once.
func (b *bench) completions(ctx context.Context, _ cluster.Address) error {
	d := b.small
	var shop *cards.Shop
	err := d.db.InTx(ctx, access.System.ID, func(tx *gorm.DB) (err error) {
		shop, err = cards.Open(tx)
		return err
	})
	if err != nil {
		return err
	}
	b.say("%d cards are made and signed by %d clients", cardsSigned, movers)
	all, err := shop.Cards(ctx, d.db, cardsSigned+1)
	if err != nil {
		return err
	}
	sign := func(ctx context.Context, id uuid.UUID) error {
		_, err := record.SignOff(ctx, d.db, access.System, time.Now(), pgdb.Request{Key: uuid.NewString(), Act: "sign", Body: id}, id, record.Signing{VersionSeen: 1, HandedTo: "Pat"})
		return err
	}
	counted, statements := pgdb.CountStatements(ctx)
	if err := sign(counted, all[0].ID); err != nil {
		return err
	}
	all = all[1:]
	rand.New(rand.NewPCG(1, 1)).Shuffle(len(all), func(i, j int) { all[i], all[j] = all[j], all[i] })
	var took sample
	var mu sync.Mutex
	work, under := errgroup.WithContext(ctx)
	work.SetLimit(movers)
	start := time.Now()
	for _, k := range all {
		work.Go(func() error {
			began := time.Now()
			err := sign(under, k.ID)
			mu.Lock()
			defer mu.Unlock()
			took = append(took, time.Since(began))
			return err
		})
	}
	if err := work.Wait(); err != nil {
		return err
	}
	rate := float64(len(all)) / time.Since(start).Seconds()
	b.add(row{work: fmt.Sprintf("job cards signed by %d clients, each with a swap, a part, a reading and a plan's work", movers),
		measured: fmt.Sprintf("%.1f/s; p50 %s, p99 %s; %d statements each", rate, ms(took.median()), ms(took.at(0.99)), statements.Load())})
	return nil
}
