package stock

import (
	"testing"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"
)

func TestWhatComesGoesAndLiesAddsUp(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.move("receive 30 NUT > WH", "receive 20 SEAL/L1 > WH", "receive 5 SEAL/L2 > WH")
	w.move("load 8 NUT WH > V1", "move 2 NUT V1 > SH-HAD", "issue 1 NUT V1", "scrap 1 NUT V1 > SCRAP")
	w.are("WH NUT 22", "V1 NUT 4", "SH-HAD NUT 2", "SCRAP NUT 1", "WH SEAL 25", "WH SEAL/L2 5")
	w.sound()

	_, err := w.moves("load 5 NUT WH > V2", "load 20 NUT WH > V2")
	refused(t, err, "items[0].amount", "22 of 25 ea in WH", "22 in WH, 4 in V1, 2 in SH-HAD")
	_, err = w.moves("issue 30 SEAL/L1 WH")
	refused(t, err, "items[0].amount", "20 of 30 set in WH of lot L1", "25 in WH")
	_, err = w.moves("issue 1 SHAFT WH")
	refused(t, err, "items[0].amount", "0 of 1 ea", "none anywhere")
	w.are("WH NUT 22", "V2 NUT 0")
	w.sound()
}

func TestWhatCannotBeIsRefusedByName(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.move("receive 10 NUT > WH", "receive 10 SEAL/L1 > WH")
	for line, want := range map[string][2]string{
		"issue 1.5 NUT WH":            {"amount", "whole number"},
		"issue -1 NUT WH":             {"amount", "above 0"},
		"fly 1 NUT WH":                {"kind", "is one of"},
		"issue 1 NUT WH > V1":         {"to_id", "leaves this record"},
		"issue 1 NUT > V1":            {"from_id", "is needed"},
		"receive 1 NUT WH > V1":       {"from_id", "from outside"},
		"load 1 NUT WH":               {"to_id", "is needed"},
		"load 1 NUT WH > BENCH":       {"to_id", "is a bench; load goes to a van"},
		"receive 10 NUT > SCRAP":      {"to_id", "is a scrap"},
		"receive 5 SEAL > WH":         {"lot", "kept by lot"},
		"issue 1 SEAL/L9 WH":          {"lot", "is no lot of SEAL"},
		"receive 10 NUT/L1 > WH":      {"lot", "is for parts that are kept by lot"},
		"receive 1 MOTOR > WH":        {"unit_id", "is needed"},
		"receive 5 NOTHING > WH":      {"part_id", "names no part"},
		"move 1 NUT SCRAP > WH":       {"from_id", "stays scrap"},
		"release 1 NUT WH > V1":       {"from_id", "is not a quarantine"},
		"receive 1 SCREW > WH":        {"amount", "is it 1 ea, or 1 packs, which are 50 ea"},
		"receive 2000000000 NUT > V1": {"amount", ""},
	} {
		in := Moving{}
		func() {
			defer func() { _ = recover() }()
			if line == "receive 2000000000 NUT > V1" {
				in = w.line("receive 1 NUT > V1")
				in.Amount = 2_000_000_000_000
				return
			}
			in = w.line(line)
		}()
		err := w.try(w.clerk, func(tx *gorm.DB) error { _, err := Move(tx, w.clerk, w.now, []Moving{in}); return err })
		refused(t, err, "items[0]."+want[0], want[1])
	}
	sure := w.line("receive 1 SCREW > WH")
	sure.Sure = true
	w.do(func(tx *gorm.DB) error { _, err := Move(tx, w.clerk, w.now, []Moving{sure}); return err })
	w.are("WH SCREW 1")
	for _, kind := range []string{"scrap", "quarantine"} {
		in := w.line(kind + " 1 NUT WH > " + map[string]string{"scrap": "SCRAP", "quarantine": "Q"}[kind])
		err := w.try(w.clerk, func(tx *gorm.DB) error { _, err := Move(tx, w.clerk, w.now, []Moving{in}); return err })
		refused(t, err, "items[0].reason", "is needed")
	}
	ahead, ago := w.now.Add(time.Minute), w.now.AddDate(-21, 0, 0)
	for _, at := range []*time.Time{&ahead, &ago} {
		in := w.line("issue 1 NUT WH")
		in.At = at
		err := w.try(w.clerk, func(tx *gorm.DB) error { _, err := Move(tx, w.clerk, w.now, []Moving{in}); return err })
		refused(t, err, "items[0].at", "must not lie")
	}
	if err := w.try(w.clerk, func(tx *gorm.DB) error {
		done, err := Move(tx, w.clerk, w.now, nil)
		return firstOf(err, len(done) == 0)
	}); err != nil {
		t.Error(err)
	}
	w.are("WH NUT 10", "WH SEAL 10")
	w.sound()
}

// At each place what expires first goes first; what has expired does not go at all, and is
// there to see.
func TestWhatExpiresFirstGoesFirst(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	receive := func(lot, last string, n string, to string) {
		m := w.line("receive " + n + " GASKET/" + lot + " > " + to)
		m.ExpiresOn, m.Sure = last, true
		w.do(func(tx *gorm.DB) error { _, err := Move(tx, w.clerk, w.now, []Moving{m}); return err })
	}
	receive("LATE", "2027-01-31", "4", "WH")
	receive("SOON", "2025-05-20", "3", "WH")
	receive("VAN", "2026-01-31", "2", "V1") // the van cannot see the warehouse's older lot
	done := w.move("issue 4 GASKET WH", "issue 1 GASKET V1")
	if len(done) != 3 || done[0].Lot != "SOON" || done[0].Amount.String() != "3" || done[1].Lot != "LATE" || done[1].Amount.String() != "1" || done[2].Lot != "VAN" {
		t.Errorf("%+v", done)
	}
	receive("SOON", "2025-05-20", "3", "WH")
	m := w.line("receive 3 GASKET/SOON > WH")
	m.ExpiresOn, m.Sure = "2025-06-01", true
	refused(t, w.try(w.clerk, func(tx *gorm.DB) error { _, err := Move(tx, w.clerk, w.now, []Moving{m}); return err }), "expires_on", "2025-05-20")
	w.later(16 * 24 * time.Hour) // 21 May
	done = w.move("issue 1 GASKET WH")
	if done[0].Lot != "LATE" {
		t.Errorf("what has expired is taken: %+v", done)
	}
	_, err := w.moves("issue 1 GASKET/SOON WH")
	refused(t, err, "items[0].lot", "2025-05-20", "quarantine")
	_, err = w.moves("issue 5 GASKET WH")
	refused(t, err, "items[0].amount", "2 of 5", "2 in WH, 1 in V1")
	// an inspection gives it more time, which is a decision
	if err := w.try(w.clerk, func(tx *gorm.DB) error {
		_, err := ExtendLot(tx, w.clerk, w.now, *done[0].LotID, Extending{"2026-01-01", "looked at it", "report 1"})
		return err
	}); err == nil {
		t.Error("a last day is moved to the front")
	}
	soon := w.lot("GASKET", "SOON")
	refused(t, w.try(w.clerk, func(tx *gorm.DB) error {
		_, err := ExtendLot(tx, w.clerk, w.now, soon, Extending{"2027-05-20", " ", "report 1"})
		return err
	}), "reason", "needed")
	refused(t, w.try(w.clerk, func(tx *gorm.DB) error {
		_, err := ExtendLot(tx, w.clerk, w.now, soon, Extending{"2027-05-20", "x", " "})
		return err
	}), "evidence", "needed")
	refused(t, w.try(w.clerk, func(tx *gorm.DB) error {
		_, err := ExtendLot(tx, w.clerk, w.now, soon, Extending{"", "x", "report 1"})
		return err
	}), "until", "needed")
	w.do(func(tx *gorm.DB) error {
		_, err := ExtendLot(tx, w.clerk, w.now, soon, Extending{"2027-05-20", "soft and whole", "report 2"})
		return err
	})
	if all, err := Extensions(ctx, w.db, w.tech, []uuid.UUID{soon}); err != nil || len(all) != 1 || all[0].Until != "2027-05-20" || all[0].Evidence != "report 2" || all[0].Reason != "soft and whole" || all[0].DecidedBy != "junia" || all[0].Was >= all[0].Until {
		t.Errorf("%+v %v", all, err)
	}
	owner := w.owner["HAD"]
	if all, err := Extensions(ctx, w.db, w.person("owner", "hadley", &owner), []uuid.UUID{soon}); err != nil || len(all) != 0 {
		t.Errorf("an owner is told %+v %v", all, err)
	}
	w.move("issue 1 GASKET/SOON WH", "expire 1 GASKET/SOON WH > Q")
	w.are("WH GASKET/SOON 1", "Q GASKET/SOON 1")
	_, err = w.moves("move 1 GASKET/SOON Q > WH")
	refused(t, err, "items[0].from_id", "quarantine")
	w.move("release 1 GASKET/SOON Q > WH")
	w.sound()
}

// A second beep of the scanner does nothing, and neither does the other person's.
func TestADoubleScanIsNoMovement(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.move("receive 10 NUT > WH")
	if done := w.move("put_away 1 NUT WH > WH"); len(done) != 0 {
		t.Errorf("%+v", done)
	}
	w.are("WH NUT 10")
}

// Owners lie side by side and are never mixed.
func TestWhoseItIsStaysApart(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	had, pel := w.owner["HAD"], w.owner["PEL"]
	put := func(line string, o Owner) error {
		m := w.line(line)
		m.Owner = o
		return w.try(w.clerk, func(tx *gorm.DB) error { _, err := Move(tx, w.clerk, w.now, []Moving{m}); return err })
	}
	for line, o := range map[string]Owner{"receive 10 NUT > SH-HAD": {Customers, &had}, "receive 20 NUT > SH-HAD": {}, "receive 30 NUT > WH": {Kind: Consigned}} {
		if err := put(line, o); err != nil {
			t.Fatal(err)
		}
	}
	refused(t, put("receive 10 NUT > SH-PEL", Owner{Customers, &had}), "to_id", "another customer")
	refused(t, put("receive 10 NUT > WH", Owner{Kind: "thief"}), "owner", "distributor, consignment or customer")
	refused(t, put("receive 10 NUT > WH", Owner{Kind: Customers}), "owner_customer_id", "given where")
	refused(t, put("issue 11 NUT SH-HAD", Owner{Customers, &had}), "amount", "10 of 11")
	refused(t, put("issue 1 NUT SH-HAD", Owner{Customers, &pel}), "amount", "0 of 1")
	refused(t, put("issue 1 NUT WH", Owner{}), "amount", "0 of 1")
	if err := put("issue 10 NUT SH-HAD", Owner{Customers, &had}); err != nil {
		t.Error(err)
	}
	w.are("SH-HAD NUT 20", "WH NUT 30")
	w.sound()
}
