package stock

import (
	"testing"
	"time"

	"gorm.io/gorm"

	"spindlebook/internal/parts/amount"
	"spindlebook/internal/pgdb"
)

func TestLinesSayWhatLiesWhere(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	in := w.line("receive 3 SEAL/OLD > WH")
	in.ExpiresOn = "2025-05-20"
	w.as(w.clerk, func(tx *gorm.DB) error { _, err := Move(tx, w.clerk, w.now, []Moving{in}); return err })
	w.move("receive 5 SEAL/NEW > WH", "receive 20 NUT > V1", "move 4 NUT V1 > SH-HAD")
	unit := w.unit("MOTOR", "A", "WH")
	w.later(time.Hour)
	w.as(w.clerk, func(tx *gorm.DB) error {
		if _, err := Prepare(tx, w.clerk, w.now, []Preparing{{UnitID: unit, Orientation: "O3"}}); err != nil {
			return err
		}
		return SetLevels(tx, w.clerk, []Level{{*w.at("WH"), w.part["SEAL"], amount.Of(6), new(amount.Of(20))}, {*w.at("WH"), w.part["KEY"], amount.Of(10), nil}})
	})
	refused(t, w.try(w.clerk, func(tx *gorm.DB) error {
		return SetLevels(tx, w.clerk, []Level{{*w.at("WH"), w.part["SEAL"], -1, nil}, {*w.at("WH"), w.part["KEY"], amount.Of(10), new(amount.One)}})
	}), "items[1].most", "not below the least", "must not be negative")
	c := w.claimed("SEAL", 2, "2025-06-01", "J02 UMB")
	if _, err := w.aside(c, Aside{LocationID: *w.at("WH")}); err != nil {
		t.Fatal(err)
	}
	w.ordered(w.clerk, NewOrderLine{PartID: w.part["SEAL"], Amount: amount.Of(4)})
	w.later(20 * aDay)
	count := func(limit int) (all []Line, statements int64) {
		with, n := pgdb.CountStatements(ctx)
		all, err := Lines(with, w.db, w.clerk, w.now, LineFilter{}, Page{Limit: limit})
		if err != nil {
			t.Fatal(err)
		}
		return all, n.Load()
	}
	all, many := count(50)
	if _, few := count(1); few != many {
		t.Errorf("%d statements for one line, %d for all", few, many)
	}
	by := map[string]Line{}
	for _, l := range all {
		by[l.Key()] = l
	}
	s := by["WH SEAL"]
	if s.OnHand != amount.Of(8) || s.Expired != amount.Of(3) || s.SetAside != amount.Of(2) || s.Free() != amount.Of(3) || !s.Low() || s.OnOrder != amount.Of(4) || *s.Promised != "2025-05-12" ||
		len(s.Lots) != 2 || s.Lots[0].Lot != "OLD" || s.Lots[1].For != "J02 UMB" {
		t.Errorf("%+v", s)
	}
	if k := by["WH KEY"]; k.OnHand != 0 || !k.Low() || len(k.Lots) != 0 {
		t.Errorf("what should be there and is not: %+v", k)
	}
	if m := by["WH MOTOR"]; len(m.Lots) != 1 || m.Lots[0].Prepared != "O3" || m.Lots[0].Tag == "" {
		t.Errorf("%+v", m)
	}
	if n := by["SH-HAD NUT"]; n.Elsewhere != amount.Of(16) || n.Low() {
		t.Errorf("%+v", n)
	}
	// page by page it is the same
	var paged []Line
	for after := ""; ; {
		some, err := Lines(ctx, w.db, w.clerk, w.now, LineFilter{}, Page{After: after, Limit: 2})
		if err != nil {
			t.Fatal(err)
		}
		if len(some) == 0 {
			break
		}
		paged, after = append(paged, some...), some[len(some)-1].Key()
	}
	if len(paged) != len(all) {
		t.Errorf("%d lines in pages, %d at once", len(paged), len(all))
	}
	if one, err := Lines(ctx, w.db, w.clerk, w.now, LineFilter{LocationID: w.at("V1"), PartID: new(w.part["NUT"])}, Page{Limit: 5}); err != nil || len(one) != 1 {
		t.Errorf("%+v, %v", one, err)
	}
	// a customer sees the own shelf, and nothing of the rest
	had := w.owner["HAD"]
	for _, role := range []string{"owner", "site_staff"} {
		who := w.person(role, role+".had", &had)
		seen, err := Lines(ctx, w.db, who, w.now, LineFilter{}, Page{Limit: 50})
		if err != nil || len(seen) != 1 || seen[0].Key() != "SH-HAD NUT" || seen[0].Elsewhere != 0 || seen[0].OnOrder != 0 {
			t.Errorf("%s sees %+v, %v", role, seen, err)
		}
		ledger, err := Entries(ctx, w.db, who, EntryFilter{}, Page{Limit: 50})
		if err != nil || len(ledger) != 1 || ledger[0].From != "" || ledger[0].To != "SH-HAD" {
			t.Errorf("%s sees %+v, %v", role, ledger, err)
		}
		for name, n := range map[string]int{"doubts": rows(Doubts(ctx, w.db, who, false, Page{Limit: 5})), "counts": rows(Counts(ctx, w.db, who, false, Page{Limit: 5})),
			"bags": rows(Bags(ctx, w.db, who, BagFilter{}, Page{Limit: 5})), "cores": rows(Cores(ctx, w.db, who, w.now, false, Page{Limit: 5}))} {
			if n != 0 {
				t.Errorf("%s sees %d %s", role, n, name)
			}
		}
	}
	w.use("30 NUT V2")
	if d, err := Doubts(ctx, w.db, w.clerk, true, Page{Limit: 5}); err != nil || len(d) != 1 || d[0].Location != "V2" || d[0].Amount != amount.Of(30) {
		t.Errorf("%+v, %v", d, err)
	}
	ledger, err := Entries(ctx, w.db, w.clerk, EntryFilter{UnitID: &unit}, Page{Limit: 5})
	if err != nil || len(ledger) != 2 || ledger[0].Kind != "prepare" || ledger[1].Kind != "receive" {
		t.Errorf("%+v, %v", ledger, err)
	}
	more, err := Entries(ctx, w.db, w.clerk, EntryFilter{UnitID: &unit}, Page{After: ledger[0].ID.String(), Limit: 5})
	if err != nil || len(more) != 1 || more[0].ID != ledger[1].ID {
		t.Errorf("%+v, %v", more, err)
	}
	var opened Count
	w.as(w.clerk, func(tx *gorm.DB) (err error) {
		opened, err = OpenCount(tx, w.clerk, w.now, *w.at("V1"), true, nil)
		return err
	})
	if c, err := OneCount(ctx, w.db, w.tech, w.now, opened.ID); err != nil || len(c.Lines) != 1 || c.Lines[0].Expected != nil {
		t.Errorf("%+v, %v", c, err)
	}
	if list, err := Counts(ctx, w.db, w.clerk, true, Page{Limit: 5}); err != nil || len(list) != 1 || list[0].Location != "V1" {
		t.Errorf("%+v, %v", list, err)
	}
}

func rows[T any](all []T, err error) int {
	if err != nil {
		return -1
	}
	return len(all)
}
