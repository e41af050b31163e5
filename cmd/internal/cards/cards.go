// Package cards makes job cards that wait for their signature, each with work of every
// kind: a unit to swap, a part used out of a van, a counter read, and the work of a plan.
package cards

import (
	"context"
	"fmt"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/assets/meters"
	catalogue "spindlebook/internal/parts"
	"spindlebook/internal/parts/amount"
	"spindlebook/internal/parts/stock"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pm"
	"spindlebook/internal/pm/record"
)

// NutsEach is how many nuts each card uses out of the van.
const NutsEach = 3

// Shop is what all cards share.
type Shop struct {
	Nut, Hub  uuid.UUID // parts
	Van, Back uuid.UUID // locations: where they come from, and where the old hub goes

	site, line uuid.UUID
	began      time.Time
	made       int
}

// Card is one that waits for its signature.
type Card struct{ ID, Fresh, Slot, Meter uuid.UUID }

// Open makes what all cards share.
func Open(tx *gorm.DB) (*Shop, error) {
	who, now := access.System, time.Now()
	c := &Shop{began: now.AddDate(-2, 0, 0)}
	customer, err := assets.AddCustomer(tx, who, now, assets.CustomerEdit{Code: "CARDS", Name: "Cards"})
	if err != nil {
		return nil, err
	}
	site, err := assets.AddSite(tx, who, now, customer.ID, &c.began, assets.SiteEdit{Code: "CARDS", Name: "Cards", Zone: "America/Chicago", Currency: "USD", Climate: "snowbelt", Size: "small", DriverSide: "left"})
	if err != nil {
		return nil, err
	}
	line, err := assets.AddLine(tx, who, now, site.ID, &c.began, assets.LineEdit{Code: "CARDS-1"})
	if err != nil {
		return nil, err
	}
	c.site, c.line = site.ID, line.ID
	for _, it := range []struct {
		number, class, tracking string
		id                      *uuid.UUID
	}{{"CARDS-HUB", "hub", "unit", &c.Hub}, {"CARDS-NUT", "fastener", "none", &c.Nut}} {
		p, err := assets.AddPart(tx, who, now, assets.PartEdit{Number: it.number, Description: it.number, Class: it.class})
		if err != nil {
			return nil, err
		}
		if _, err := catalogue.SetStocking(tx, who, p.ID, p.Version, catalogue.StockingEdit{MeasuredIn: "ea", BoughtIn: "ea", Pack: amount.Of(1), Tracking: it.tracking}); err != nil {
			return nil, err
		}
		*it.id = p.ID
	}
	for _, it := range []struct {
		code, kind string
		id         *uuid.UUID
	}{{"CARDS-VAN", "van", &c.Van}, {"CARDS-RET", "returns", &c.Back}} {
		l, err := assets.AddLocation(tx, who, now, assets.NewLocation{Code: it.code, Name: it.code, Kind: it.kind})
		if err != nil {
			return nil, err
		}
		*it.id = l.ID
	}
	long := now.AddDate(0, -1, 0)
	if _, err := stock.Move(tx, who, now, []stock.Moving{{Kind: "receive", PartID: c.Nut, Amount: amount.Of(1_000_000), To: &c.Van, Owner: stock.Owner{Kind: "distributor"}, At: &long, Sure: true}}); err != nil {
		return nil, err
	}
	procedures, err := pm.AddProcedures(tx, who, now, []pm.NewProcedure{{Code: "HUB-EX", Title: "Exchange the hub"}})
	if err != nil {
		return nil, err
	}
	v, err := pm.WriteDrafts(tx, who, now, []pm.Write{{Procedure: procedures[0], Content: pm.Content{People: 1, Skills: []string{}, Minutes: pm.Minutes{Low: 5, Typical: 12, High: 30}, LineState: "closed_hours",
		Steps: []pm.Step{{Kind: "do", Says: "Exchange the hub."}}}}})
	if err != nil {
		return nil, err
	}
	if err := pm.Publish(tx, who, now, v); err != nil {
		return nil, err
	}
	plans, err := pm.AddPlans(tx, who, now, []pm.NewPlan{{Code: "HUB-EX", Title: "Exchange the hub", Procedure: "HUB-EX"}})
	if err != nil {
		return nil, err
	}
	if v, err = pm.WritePlanDrafts(tx, who, now, []pm.WritePlan{{Plan: plans[0], Terms: pm.Terms{AppliesTo: "position", Kinds: []string{"side_brush_low"}, Basis: "floating", Criticality: "B",
		Triggers: []pm.Trigger{{Kind: "every", Every: "P12M"}}}}}); err != nil {
		return nil, err
	}
	return c, pm.PublishPlans(tx, who, now, v)
}

// Cards makes n positions with a unit in each, and a card of the task that is due there,
// with all of its work declared.
func (c *Shop) Cards(ctx context.Context, db *pgdb.DB, n int) ([]Card, error) {
	who, now := access.System, time.Now()
	all := make([]Card, n)
	at := make([]assets.NewPosition, n)
	for i := range at {
		at[i] = assets.NewPosition{SiteID: c.site, From: &c.began, PositionEdit: assets.PositionEdit{LineID: &c.line, Code: fmt.Sprintf("CARDS-1/B%05d", c.made+i), Name: "Brush", Kind: "side_brush_low", LineSide: "left"}}
	}
	var positions []assets.Position
	err := db.InTx(ctx, who.ID, func(tx *gorm.DB) error {
		var err error
		if positions, err = assets.AddPositions(tx, who, now, at); err != nil {
			return err
		}
		units, err := assets.AddUnits(tx, who, now, twoEach(c.Hub, n))
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
			all[i] = Card{Fresh: units[2*i+1].ID, Slot: slot, Meter: m.ID}
			month := now.AddDate(0, -1, 0)
			putting = append(putting, assets.Putting{UnitID: units[2*i].ID, Place: assets.Place{SlotID: &slot}, From: &month},
				assets.Putting{UnitID: units[2*i+1].ID, Place: assets.Place{LocationID: &c.Van}, From: &month})
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
		if err != nil {
			return nil, err
		}
		if len(tasks) != 1 {
			return nil, fmt.Errorf("%d tasks at %s, not one", len(tasks), p.Code)
		}
		k := &all[i]
		if k.ID, err = record.Open(ctx, db, who, now, pgdb.Request{Key: uuid.NewString(), Act: "open", Body: i}, record.NewRecord{TaskID: &tasks[0].ID}); err != nil {
			return nil, err
		}
		opened, err := record.One(ctx, db, who, now, k.ID)
		if err != nil {
			return nil, err
		}
		entry := func(act string, minutes int, said record.Said) record.NewEntry {
			return record.NewEntry{ID: uuid.New(), Act: act, Said: said, VersionSeen: opened.Version, DoneAt: now.Add(time.Duration(minutes-60) * time.Minute)}
		}
		step := entry(record.OfStep, 40, record.Said{})
		step.StepID, step.Outcome = &opened.Steps[0].ID, record.DoneWell
		taken, err := record.Take(ctx, db, who, now, k.ID, []record.NewEntry{step,
			entry(record.Reading, 5, record.Said{MeterID: &k.Meter, Value: "1200"}),
			entry(record.Swap, 20, record.Said{SlotID: &k.Slot, In: &k.Fresh, From: &c.Van, To: &c.Back, Reason: "failed"}),
			entry(record.PartMove, 25, record.Said{PartID: &c.Nut, From: &c.Van, Did: "used", Amount: fmt.Sprint(NutsEach)})})
		if err != nil {
			return nil, err
		}
		for _, e := range taken {
			if e.State != "kept" {
				return nil, fmt.Errorf("an entry is %s: %w", e.State, e.Fault)
			}
		}
	}
	c.made += n
	return all, nil
}

// twoEach is two units of a part for each card.
func twoEach(part uuid.UUID, n int) []assets.NewUnit {
	all := make([]assets.NewUnit, 2*n)
	for i := range all {
		all[i] = assets.NewUnit{UnitEdit: assets.UnitEdit{PartID: part}}
	}
	return all
}
