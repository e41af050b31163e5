package assets_test

import (
	"fmt"
	"strings"
	"testing"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/assets/supply"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgtest"
)

func TestConnectionOf(t *testing.T) {
	t.Parallel()
	s := newStock(t)
	began := now.AddDate(-1, 0, 0)
	feed := pgtest.Done(t, s.db, access.System, func(tx *gorm.DB) (assets.Supply, error) {
		return assets.AddSupply(tx, access.System, now, s.site.ID, assets.NewSupply{Code: "460-3", Volts: 460, Phases: 3, Hertz: 60, From: &began})
	})
	in := newPosition(s.world, "UMB-1/RKR-L", "rocker", "left", began)
	in.SupplyID = &feed.ID
	p := pgtest.Done(t, s.db, access.System, func(tx *gorm.DB) (assets.Position, error) { return assets.AddPosition(tx, access.System, now, in) })
	ask := func(unit *uuid.UUID) assets.Connection {
		t.Helper()
		c, err := assets.ConnectionOf(ctx, s.db, access.System, now, p.ID, unit)
		if err != nil {
			t.Fatal(err)
		}
		return c
	}
	missing := func(c assets.Connection) string {
		var all []string
		for _, m := range c.Missing {
			all = append(all, m.Fact)
		}
		return strings.Join(all, " ")
	}
	if c := ask(nil); c.UnitID != nil || c.Verdict != supply.CannotTell || c.Supply != "460-3" || !strings.Contains(missing(c), "voltages") {
		t.Errorf("nothing is fitted: %+v", c)
	}
	u := s.unit(t, s.motor, "")
	s.put(t, u, assets.Place{SlotID: s.slot(t, p, "gearmotor")}, *days(-9))
	if c := ask(nil); *c.UnitID != u.ID || c.Verdict != supply.CannotTell {
		t.Errorf("no plate was read: %+v", c)
	}
	for fact, value := range map[string]string{"plate_volts": "208-230/460", "plate_hertz": "60", "plate_phases": "3", "leads": "9", "link_setting": "low"} {
		s.is(t, u, fact, value)
	}
	c := ask(nil)
	if c.Verdict != supply.Suits || c.Connection == nil || c.Connection.Setting != supply.High || len(c.Findings) != 1 || c.Tag != u.Tag {
		t.Errorf("read off the plate: %+v", c)
	}
	// six leads: star and delta are the names of their links
	metric := s.part(t, "METRIC", "gearmotor", assets.PartFactEdit{Fact: "plate_volts", Value: "265/460"}, assets.PartFactEdit{Fact: "plate_hertz", Value: "60"},
		assets.PartFactEdit{Fact: "plate_phases", Value: "3"}, assets.PartFactEdit{Fact: "leads", Value: "6"})
	for links, findings := range map[string]int{"star": 0, "delta": 1, "high": 0, "low": 1} {
		other := s.unit(t, metric, "")
		s.is(t, other, "link_setting", links)
		if c := ask(&other.ID); c.Verdict != supply.Suits || c.Connection.Winding != supply.Wye || len(c.Findings) != findings || c.Tag != other.Tag {
			t.Errorf("six leads in %s: %+v", links, c)
		}
	}
	// the motor inside goes before what is written of the gearmotor
	inner := s.unit(t, s.part(t, "M575", "motor", assets.PartFactEdit{Fact: "plate_volts", Value: "575"}), "")
	s.put(t, inner, assets.Place{SlotID: s.inner(t, u, "motor")}, *days(-2))
	if c := ask(nil); c.Verdict != supply.DoesNot || c.Mark != 575 || *c.UnitID != u.ID {
		t.Errorf("the motor that was exchanged: %+v", c)
	}
	s.is(t, inner, "plate_volts", "460")
	s.is(t, inner, "leads", "3")
	if c := ask(nil); c.Verdict != supply.Suits || c.Mark != 460 {
		t.Errorf("its own plate: %+v", c)
	}
	worn := s.unit(t, s.motor, "")
	s.is(t, worn, "plate_volts", "2?0/4?0")
	if c := ask(&worn.ID); c.Verdict != supply.CannotTell || !strings.Contains(fmt.Sprint(c.Missing), "cannot be read") {
		t.Errorf("a plate that cannot be read: %+v", c)
	}
	if c, err := assets.ConnectionOf(ctx, s.db, access.System, now, s.left.ID, &u.ID); err != nil || c.Supply != "" || !strings.Contains(missing(c), "supply_volts") {
		t.Errorf("a position that nothing is known to feed: %+v %v", c, err)
	}
	none := uuid.New()
	if _, err := assets.ConnectionOf(ctx, s.db, access.System, now, p.ID, &none); fault.KindOf(err) != fault.NotFound {
		t.Error(err)
	}
	if _, err := assets.ConnectionOf(ctx, s.db, access.System, now, none, nil); fault.KindOf(err) != fault.NotFound {
		t.Error(err)
	}
}
