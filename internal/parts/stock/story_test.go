package stock

import (
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/parts/amount"
	"spindlebook/internal/pgdb"
)

// use posts what a job has used, as a technician; it must go well. "2 NUT V1"
func (w *world) use(line string, with ...func(*Used)) Outcome {
	w.t.Helper()
	m := w.line("issue " + line)
	u := Used{PartID: m.PartID, Lot: m.Lot, Amount: m.Amount, From: *m.From}
	for _, f := range with {
		f(&u)
	}
	var out []Outcome
	if err := w.try(w.tech, func(tx *gorm.DB) (err error) { out, err = Use(tx, w.tech, w.now, []Used{u}); return err }); err != nil {
		w.t.Fatalf("%s: %v", line, err)
	}
	return out[0]
}

// receiveUnit takes a unit in as the clerk.
func (w *world) receiveUnit(number, serial, to string) (Movement, error) {
	w.t.Helper()
	var done []Movement
	err := w.try(w.clerk, func(tx *gorm.DB) (err error) {
		done, err = ReceiveUnits(tx, w.clerk, w.now, []NewUnit{{PartID: w.part[number], Serial: serial, To: *w.at(to)}})
		return err
	})
	if err != nil {
		return Movement{}, err
	}
	return done[0], nil
}

func (w *world) unit(number, serial, to string) uuid.UUID {
	w.t.Helper()
	m, err := w.receiveUnit(number, serial, to)
	if err != nil {
		w.t.Fatal(err)
	}
	return *m.UnitID
}

// open gives the open discrepancies as "kind amount".
func (w *world) open() string {
	w.t.Helper()
	found, err := pgdb.Read[struct{ Says string }](ctx, w.db, access.System.ID, `select kind || ' ' || trim_scale(amount) as says from stock_discrepancy where settled_at is null order by noticed_at, kind, amount`, nil)
	if err != nil {
		w.t.Fatal(err)
	}
	var all []string
	for _, f := range found {
		all = append(all, f.Says)
	}
	return strings.Join(all, ", ")
}

// count counts a place blind and posts it: "NUT 4", by the clerk, and by a second person where that is asked for.
func (w *world) count(place string, at time.Time, lines ...string) Count {
	w.t.Helper()
	var c Count
	w.as(w.clerk, func(tx *gorm.DB) (err error) {
		c, err = OpenCount(tx, w.clerk, w.now, *w.at(place), true, nil)
		return err
	})
	enter := func(who access.Actor, again bool) {
		var in []Counted
		for _, l := range lines {
			f := strings.Fields(l)
			number, lot, _ := strings.Cut(f[0], "/")
			n, _ := amount.Parse(f[1])
			entered := Counted{PartID: w.part[number], Lot: lot, Amount: n, At: &at}
			for _, cl := range c.Lines {
				if cl.PartNumber == number && cl.Lot == lot {
					id := cl.ID
					entered.LineID = &id
					if again && !cl.Again {
						entered.PartID = uuid.Nil
					}
				}
				if cl.Expected != nil {
					w.t.Error("a blind count tells what is expected")
				}
			}
			if again && entered.PartID == uuid.Nil {
				continue
			}
			in = append(in, entered)
		}
		id := c.ID
		w.as(who, func(tx *gorm.DB) (err error) { c, err = EnterCount(tx, who, w.now, id, in); return err })
	}
	enter(w.clerk, false)
	for _, l := range c.Lines {
		if l.Again {
			enter(w.tech, true)
			break
		}
	}
	was := c
	w.as(w.clerk, func(tx *gorm.DB) (err error) {
		c, _, err = PostCount(tx, w.clerk, w.now, was.ID, was.Version)
		return err
	})
	return c
}

func (w *world) as(who access.Actor, fn func(tx *gorm.DB) error) {
	w.t.Helper()
	if err := w.try(who, fn); err != nil {
		w.t.Fatal(err)
	}
}

const aDay = 24 * time.Hour

// Story 7: a part is used offline on Tuesday, counted on Wednesday and synced on Thursday.
func TestStory07UsedOnTuesdayCountedOnWednesdaySyncedOnThursday(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.move("receive 10 NUT > V1", "receive 4 SEAL/L1 > V1")
	tuesday, wednesday := w.now.Add(aDay), w.now.Add(2*aDay)
	w.later(2 * aDay)
	w.count("V1", wednesday, "NUT 9", "SEAL/L1 3")
	w.are("V1 NUT 9", "UNEXPLAINED NUT 1", "V1 SEAL 3", "UNEXPLAINED SEAL 1")
	if got := w.open(); got != "counted_short 1, counted_short 1" {
		t.Errorf("open: %s", got)
	}
	w.later(aDay)
	for _, l := range []string{"1 NUT V1", "1 SEAL/L1 V1"} {
		if o := w.use(l, func(u *Used) { u.At = &tuesday }); len(o.Discrepancies) != 0 || len(o.Movements) != 1 {
			t.Errorf("%s: %+v", l, o)
		}
	}
	// the count had seen that they were gone: no double loss, and nothing left to explain
	w.are("V1 NUT 9", "UNEXPLAINED NUT 0", "V1 SEAL 3", "UNEXPLAINED SEAL 0")
	if got := w.open(); got != "" {
		t.Errorf("still open: %s", got)
	}
	// what is used after the count is used up
	w.use("1 NUT V1")
	w.are("V1 NUT 8")
	// a late load into the van had been counted, too
	w.move("receive 15 NUT > WH")
	in := w.line("load 2 NUT WH > V1")
	in.At = &tuesday
	w.as(w.clerk, func(tx *gorm.DB) error { _, err := Move(tx, w.clerk, w.now, []Moving{in}); return err })
	w.are("WH NUT 13", "V1 NUT 8", "UNEXPLAINED NUT 2")
	w.sound()
}

// One count closes a difference between record and van.
func TestWhatWasUsedFromTheWrongVanIsFoundByOneCount(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.move("receive 10 NUT > V1")
	// it came out of V1 and was booked on V2, which has none
	o := w.use("3 NUT V2")
	if len(o.Discrepancies) != 1 || o.Discrepancies[0].Kind != "used_not_on_record" || !strings.Contains(o.Discrepancies[0].Says, "3 ea of NUT were taken from V2, where the record has none left") {
		t.Errorf("%+v", o.Discrepancies)
	}
	w.are("V1 NUT 10", "V2 NUT 0", "UNEXPLAINED NUT -3")
	w.later(aDay).count("V1", w.now, "NUT 7")
	w.are("V1 NUT 7", "UNEXPLAINED NUT 0")
	if got := w.open(); got != "" {
		t.Errorf("still open: %s", got)
	}
	w.sound()
}

// What a finished job has used is never refused, and each doubt is noted.
func TestUseIsNeverRefused(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	in := w.line("receive 3 SEAL/OLD > V1")
	in.ExpiresOn = "2025-05-20"
	w.as(w.clerk, func(tx *gorm.DB) error { _, err := Move(tx, w.clerk, w.now, []Moving{in}); return err })
	w.move("receive 2 SEAL/NEW > V1")
	w.later(30 * aDay)
	o := w.use("7 SEAL V1")
	var got []string
	for _, m := range o.Movements {
		got = append(got, m.Lot+" "+m.Amount.String())
	}
	if strings.Join(got, ", ") != "NEW 2, OLD 3,  2" {
		t.Errorf("it was taken as %s", strings.Join(got, ", "))
	}
	if w.open() != "used_expired 3, used_not_on_record 2" {
		t.Errorf("open: %s", w.open())
	}
	w.are("V1 SEAL 0", "UNEXPLAINED SEAL -2")
	if o := w.use("1 OLDNUT V1"); len(o.Movements) != 1 {
		t.Error("withdrawn or not, it was used")
	}
	for says, u := range map[string]Used{
		"whole number":   {PartID: w.part["NUT"], Amount: 1500, From: *w.at("V1")},
		"names no part":  {PartID: uuid.New(), Amount: 1000, From: *w.at("V1")},
		"names no loc":   {PartID: w.part["NUT"], Amount: 1000, From: uuid.New()},
		"above 0":        {PartID: w.part["NUT"], From: *w.at("V1")},
		"kept by unit":   {PartID: w.part["MOTOR"], Amount: 1000, From: *w.at("V1")},
		"must not lie a": {PartID: w.part["NUT"], Amount: 1000, From: *w.at("V1"), At: new(w.now.Add(time.Hour))},
	} {
		refused(t, w.try(w.tech, func(tx *gorm.DB) error { _, err := Use(tx, w.tech, w.now, []Used{u}); return err }), "items[0].", says)
	}
	if got, err := Use(nil, w.tech, w.now, nil); err != nil || len(got) != 0 {
		t.Errorf("%v, %v", got, err)
	}
	staff := w.person("site_staff", "gil", new(w.owner["HAD"]))
	if err := w.try(staff, func(tx *gorm.DB) error { _, err := Use(tx, staff, w.now, []Used{{}}); return err }); err == nil {
		t.Error("site staff book parts")
	}
	w.sound()
}

// Stories 12 and 13: from a customer-owned shelf nothing is billed again; from a consigned one it is.
func TestStory12And13OwnPartsAreNotBilledAgain(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	had, pel := w.owner["HAD"], w.owner["PEL"]
	w.brings(had, "receive 2 SHAFT > SH-HAD")
	w.move("receive 5 SHAFT > SH-HAD") // ours until it is used
	site := w.site["HAD"]
	o := w.use("3 SHAFT SH-HAD", func(u *Used) { u.SiteID = &site })
	if o.Billed != amount.Of(1) || len(o.Movements) != 2 || o.Movements[0].Owner.Kind != Customers {
		t.Errorf("billed %s of %+v", o.Billed, o.Movements)
	}
	// used at another customer's site, theirs is not touched
	w.brings(had, "receive 2 SHAFT > SH-HAD")
	other := w.site["PEL"]
	if o := w.use("1 SHAFT SH-HAD", func(u *Used) { u.SiteID = &other }); o.Billed != amount.Of(1) || o.Movements[0].Owner.Kind != Own {
		t.Errorf("%+v", o)
	}
	w.are("SH-HAD SHAFT 5")
	// and a customer sees the own shelf and not the other's
	for _, c := range []struct {
		who  access.Actor
		code string
	}{{w.person("owner", "sable", &had), "SH-HAD"}, {w.person("owner", "abel", &pel), ""}} {
		found, err := pgdb.Read[struct{ Code string }](ctx, w.db, c.who.ID, `select distinct l.code from stock_now as s join location as l on l.id = s.location_id order by 1`, nil)
		if err != nil || c.code == "" && len(found) != 0 || c.code != "" && (len(found) != 1 || found[0].Code != c.code) {
			t.Errorf("%s sees %v, %v", c.who.Name, found, err)
		}
	}
	w.sound()
}

// Story 10: two pails are ordered, 37.8 L come, and seven times 0.9 L are used.
func TestStory10OilByTheLitre(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.move("receive 37.8 OIL/B7 > WH")
	for range 7 {
		w.later(aDay).use("0.9 OIL WH")
	}
	w.are("WH OIL 31.5")
	found, err := pgdb.Read[Container](ctx, w.db, w.clerk.ID, containers, nil)
	if err != nil || len(found) != 1 || found[0].OpenedOn != "2025-05-06" || found[0].Level != "full" {
		t.Fatalf("open are %+v, %v", found, err)
	}
	// 24 months open end before 60 closed
	if *found[0].ExpiresOn != "2027-05-06" {
		t.Errorf("may be used until %s", *found[0].ExpiresOn)
	}
	c := found[0]
	for _, level := range []string{"quarter", "empty"} {
		was := c
		w.as(w.tech, func(tx *gorm.DB) (err error) {
			c, err = SetLevel(tx, w.tech, w.now, was.ID, was.Version, level)
			return err
		})
	}
	refused(t, w.try(w.tech, func(tx *gorm.DB) error { _, err := SetLevel(tx, w.tech, w.now, c.ID, c.Version, "brim"); return err }), "level", "three_quarters")
	refused(t, w.try(w.tech, func(tx *gorm.DB) error { _, err := SetLevel(tx, w.tech, w.now, c.ID, 1, "low"); return err }), "If-Match", "version")
	// the next one is opened by hand, and twice is once
	for range 2 {
		w.as(w.tech, func(tx *gorm.DB) (err error) {
			c, err = OpenContainer(tx, w.tech, w.now, *w.at("WH"), w.part["OIL"], "B7")
			return err
		})
	}
	if c.OpenedOn != "2025-05-12" {
		t.Errorf("%+v", c)
	}
	for part, says := range map[string]string{"NUT": "does not come in containers", "OIL": "is needed"} {
		if err := w.try(w.tech, func(tx *gorm.DB) error {
			_, err := OpenContainer(tx, w.tech, w.now, *w.at("WH"), w.part[part], "")
			return err
		}); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%s: %v", part, err)
		}
	}
	w.sound()
}

// Story 18: a unit is received twice by two people.
func TestStory18TheSameSerialIsRefusedTheSecondTime(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.unit("MOTOR", "S-10021", "WH")
	_, err := w.receiveUnit("MOTOR", "s-1oo21", "V1") // as read off a dirty plate
	refused(t, err, "items[0].serial", "is on record", "in WH")
	// at the same instant, too
	outcomes := make(chan error, 2)
	for range 2 {
		go func() { _, err := w.receiveUnit("MOTOR", "S-555", "WH"); outcomes <- err }()
	}
	a, b := <-outcomes, <-outcomes
	if (a == nil) == (b == nil) {
		t.Errorf("two at once: %v, %v", a, b)
	}
	w.are("WH MOTOR 2")
	in := []NewUnit{{PartID: w.part["MOTOR"], Serial: "X1", To: *w.at("WH")}, {PartID: w.part["MOTOR"], Serial: "x1", To: *w.at("WH")}}
	refused(t, w.try(w.clerk, func(tx *gorm.DB) error { _, err := ReceiveUnits(tx, w.clerk, w.now, in); return err }), "items[1].serial", "items[0]")
	for says, u := range map[string]NewUnit{
		"names no part":     {PartID: uuid.New(), To: *w.at("WH")},
		"not kept by unit":  {PartID: w.part["NUT"], To: *w.at("WH")},
		"names no location": {PartID: w.part["MOTOR"], To: uuid.New()},
		"no place to rec":   {PartID: w.part["MOTOR"], To: *w.at("SCRAP")},
		"not a quarantine":  {PartID: w.part["MOTOR"], To: *w.at("WH"), Damaged: true},
		"lie ahead":         {PartID: w.part["MOTOR"], To: *w.at("WH"), At: new(w.now.Add(time.Hour))},
		"another customer":  {PartID: w.part["MOTOR"], To: *w.at("SH-PEL"), Owner: Owner{Customers, new(w.owner["HAD"])}},
	} {
		refused(t, w.try(w.clerk, func(tx *gorm.DB) error { _, err := ReceiveUnits(tx, w.clerk, w.now, []NewUnit{u}); return err }), "items[0].", says)
	}
	w.as(w.clerk, func(tx *gorm.DB) error {
		_, err := ReceiveUnits(tx, w.clerk, w.now, []NewUnit{{PartID: w.part["MOTOR"], Serial: "D1", To: *w.at("Q"), Damaged: true, Reason: "cracked housing"}})
		return err
	})
	if w.open() != "received_damaged 1" {
		t.Errorf("open: %s", w.open())
	}
	w.sound()
}

// A unit is in one place, and whoever looks for it elsewhere is told where.
func TestAUnitIsInOnePlace(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	id := w.unit("MOTOR", "A1", "WH")
	w.later(time.Hour)
	move := func(kind, from, to string) error {
		m := Moving{Kind: kind, PartID: w.part["MOTOR"], UnitID: &id, Amount: amount.One, From: w.at(from), Reason: "so"}
		if to != "" {
			m.To = w.at(to)
		}
		return w.try(w.clerk, func(tx *gorm.DB) error { _, err := Move(tx, w.clerk, w.now, []Moving{m}); return err })
	}
	refused(t, move("load", "V2", "V1"), "items[0].unit_id", "is not in V2: on record it is in WH")
	if err := move("load", "WH", "V1"); err != nil {
		t.Fatal(err)
	}
	w.are("WH MOTOR 0", "V1 MOTOR 1")
	both := []Moving{{Kind: "move", PartID: w.part["MOTOR"], UnitID: &id, Amount: amount.One, From: w.at("V1"), To: w.at("WH")}, {Kind: "move", PartID: w.part["MOTOR"], UnitID: &id, Amount: amount.One, From: w.at("V1"), To: w.at("V2")}}
	refused(t, w.try(w.clerk, func(tx *gorm.DB) error { _, err := Move(tx, w.clerk, w.now, both); return err }), "items[1].unit_id", "stands in items[0] too")
	w.later(time.Hour)
	// used from the wrong van: taken, and asked about
	m := Used{PartID: w.part["MOTOR"], UnitID: &id, Amount: amount.One, From: *w.at("V2")}
	w.as(w.tech, func(tx *gorm.DB) error { _, err := Use(tx, w.tech, w.now, []Used{m}); return err })
	if w.open() != "unit_elsewhere 1" {
		t.Errorf("open: %s", w.open())
	}
	w.are("V1 MOTOR 0")
	refused(t, move("move", "V1", "WH"), "items[0].unit_id", "nowhere on record")
	// and it comes back as a core
	w.later(time.Hour)
	back := Moving{Kind: "core_in", PartID: w.part["MOTOR"], UnitID: &id, Amount: amount.One, To: w.at("RET"), Reason: "burnt"}
	w.as(w.clerk, func(tx *gorm.DB) error { _, err := Move(tx, w.clerk, w.now, []Moving{back}); return err })
	refused(t, w.try(w.clerk, func(tx *gorm.DB) error { _, err := Move(tx, w.clerk, w.now, []Moving{back}); return err }), "unit_id", "is on record in RET already")
	w.later(time.Hour)
	if err := move("scrap", "RET", "SCRAP"); err != nil {
		t.Error(err)
	}
	// its serial stays known
	_, err := w.receiveUnit("MOTOR", "A1", "WH")
	refused(t, err, "serial", "in SCRAP")
	w.sound()
}

// Story 1, the ledger's part: what is turned at the bench is another motor from then on.
func TestStory01ABenchTurnsAGearmotor(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	id := w.unit("MOTOR", "T1", "WH")
	w.later(time.Hour)
	prepare := func(who access.Actor, p Preparing) error {
		return w.try(who, func(tx *gorm.DB) error { _, err := Prepare(tx, who, w.now, []Preparing{p}); return err })
	}
	if err := prepare(w.clerk, Preparing{UnitID: id, Orientation: "O3", Links: "low", Remark: "two bolts new"}); err != nil {
		t.Fatal(err)
	}
	found, err := pgdb.Read[struct{ Says string }](ctx, w.db, w.clerk.ID, `
		select string_agg(fact || ' ' || value, ', ' order by fact) || '; ' || (select kind || ' ' || reason from stock_movement where unit_id = @u and kind = 'prepare') as says
		  from unit_fact where unit_id = @u and upper_inf(during)`, map[string]any{"u": id})
	if err != nil || len(found) != 1 || found[0].Says != "gearmotor_orientation O3, link_setting low; prepare turned to O3, links set for low, two bolts new" {
		t.Errorf("%+v, %v", found, err)
	}
	w.are("WH MOTOR 1")
	refused(t, prepare(w.clerk, Preparing{UnitID: id}), "items[0].orientation", "bench")
	refused(t, prepare(w.clerk, Preparing{UnitID: uuid.New(), Links: "low"}), "items[0].unit_id", "names no unit")
	refused(t, prepare(w.clerk, Preparing{UnitID: id, Links: "sideways"}), "items[0]", "low")
	staff := w.person("site_staff", "gil", new(w.owner["HAD"]))
	if err := prepare(staff, Preparing{UnitID: id, Links: "low"}); err == nil {
		t.Error("site staff set links")
	}
	w.later(time.Hour)
	w.as(w.tech, func(tx *gorm.DB) error {
		_, err := Use(tx, w.tech, w.now, []Used{{PartID: w.part["MOTOR"], UnitID: &id, Amount: amount.One, From: *w.at("WH")}})
		return err
	})
	refused(t, prepare(w.clerk, Preparing{UnitID: id, Links: "low"}), "items[0].unit_id", "lies in no stock")
	w.sound()
}

// Story 17: a van is stolen.
func TestStory17AVanIsWrittenOffWithItsSerials(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.move("receive 10 NUT > V1", "receive 5 SEAL/L1 > V1", "receive 15 NUT > WH")
	w.unit("MOTOR", "M-77", "V1")
	w.later(time.Hour)
	var lost []LostUnit
	w.as(w.clerk, func(tx *gorm.DB) (err error) {
		_, lost, err = WriteOff(tx, w.clerk, w.now, *w.at("V1"), *w.at("SCRAP"), "stolen in the night")
		return err
	})
	if len(lost) != 1 || lost[0].Serial != "M-77" || lost[0].PartNumber != "MOTOR" {
		t.Errorf("%+v", lost)
	}
	w.are("V1 NUT 0", "V1 SEAL 0", "V1 MOTOR 0", "SCRAP NUT 10", "SCRAP MOTOR 1", "WH NUT 15")
	refused(t, w.try(w.clerk, func(tx *gorm.DB) error {
		_, _, err := WriteOff(tx, w.clerk, w.now, *w.at("V2"), *w.at("SCRAP"), "")
		return err
	}), "reason", "needed")
	w.sound()
}

// Story 15: an unused shaft comes back after five weeks, greasy: it is looked at before
// it lies among the new ones.
func TestStory15WhatComesBackSaysHow(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	m := w.line("job_return 1 SHAFT > Q")
	refused(t, w.try(w.clerk, func(tx *gorm.DB) error { _, err := Move(tx, w.clerk, w.now, []Moving{m}); return err }), "items[0].reason", "is needed")
	m.Reason = "used, inspect: greasy"
	w.as(w.clerk, func(tx *gorm.DB) error { _, err := Move(tx, w.clerk, w.now, []Moving{m}); return err })
	_, err := w.moves("load 1 SHAFT Q > V1")
	refused(t, err, "items[0].from_id", "is a quarantine")
	w.move("release 1 SHAFT Q > WH")
	w.are("WH SHAFT 1")
}

// Goods on their way are nowhere else.
func TestTransfersAreInTransitUntilTheyArrive(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.move("receive 10 NUT > WH", "transfer_out 4 NUT WH > TR")
	w.are("WH NUT 6", "TR NUT 4", "V1 NUT 0")
	_, err := w.moves("load 4 NUT TR > V1")
	refused(t, err, "items[0].kind", "arrives by transfer_in")
	w.move("transfer_in 4 NUT TR > V1")
	w.are("TR NUT 0", "V1 NUT 4")
	w.sound()
}

// The stories that are not here: that a motor of the wrong voltage does not fit (2) is judged
// in parts/fit, and a list never takes what does not fit, which parts holds. That a customer
// without an order number may be promised parts and is sent none (16), and that a quote keeps
// its price (the other half of 11), belong to where charges are made.

// Story 5: somebody drives another van for a week. What lies in a van stays in it, and who
// drove which one when stays on record.
func TestStory05TheStockStaysWithTheVan(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.move("receive 10 NUT > V1", "receive 20 NUT > V2")
	manager := w.person("manager", "delphine")
	hand := func(van string, who access.Actor, at time.Time) error {
		return w.try(manager, func(tx *gorm.DB) error {
			_, err := HandVan(tx, manager, w.now, *w.at(van), who.ID, &at)
			return err
		})
	}
	monday := w.now
	w.later(20 * 24 * time.Hour)
	for _, err := range []error{hand("V1", w.tech, monday), hand("V2", w.other, monday), hand("V2", w.tech, monday.AddDate(0, 0, 7)), hand("V1", w.tech, monday.AddDate(0, 0, 14))} {
		if err != nil {
			t.Fatal(err)
		}
	}
	for days, want := range map[int]string{3: "V1", 10: "V2", 16: "V1"} {
		van, err := VanOf(ctx, w.db, w.tech, w.tech.ID, monday.AddDate(0, 0, days))
		if err != nil || van == nil || *van != *w.at(want) {
			t.Errorf("after %d days: %v %v, want %s", days, van, err, want)
		}
	}
	// whoever had it has it no longer
	if van, err := VanOf(ctx, w.db, w.tech, w.other.ID, w.now); err != nil || van != nil {
		t.Errorf("the other drives %v %v", van, err)
	}
	w.are("V1 NUT 10", "V2 NUT 20")
	refused(t, hand("V1", w.tech, monday.AddDate(0, 0, 15)), "person_id", "has this van already")
	refused(t, hand("WH", w.tech, w.now), "location_id", "no van")
	refused(t, hand("V1", w.other, w.now.Add(time.Hour)), "from", "must not lie ahead")
	if err := w.try(w.tech, func(tx *gorm.DB) error {
		_, err := HandVan(tx, w.tech, w.now, *w.at("V2"), w.tech.ID, nil)
		return err
	}); err == nil {
		t.Error("a technician takes a van without anybody giving it")
	}
	all, err := Holders(ctx, w.db, w.tech, w.at("V1"), Page{Limit: 10})
	if err != nil || len(all) != 2 || all[0].Until != nil || all[1].Until == nil || all[0].Person != "imre" {
		t.Errorf("%+v %v", all, err)
	}
	w.sound()
}

// Story 11: the price changes after something was ordered: what was drafted keeps its own. A
// quote to a customer does so too; it is made where charges are.
func TestStory11AnOrderKeepsItsPrice(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.do(func(tx *gorm.DB) error {
		return tx.Exec(`insert into part_cost (id, part_id, price_minor, core_minor, currency, during, recorded_at, recorded_by)
values (gen_random_uuid(), ?, 100, 0, 'USD', tstzrange(?, null), ?, ?)`, w.part["NUT"], w.now, w.now, access.System.ID).Error
	})
	price := int64(100)
	o := w.ordered(w.clerk, NewOrderLine{PartID: w.part["NUT"], Amount: amount.Of(10), PriceMinor: &price, Currency: "USD"})
	w.later(time.Hour)
	w.do(func(tx *gorm.DB) error {
		return tx.Exec(`update part_cost set during = tstzrange(lower(during), ?) where part_id = ?`, w.now, w.part["NUT"]).Error
	})
	again, err := OneOrder(ctx, w.db, w.clerk, w.now, o.ID)
	if err != nil || again.Lines[0].PriceMinor == nil || *again.Lines[0].PriceMinor != 100 {
		t.Errorf("%+v %v", again.Lines, err)
	}
	// who does not see cost is told none
	if told, err := OneOrder(ctx, w.db, w.tech, w.now, o.ID); err != nil || told.Lines[0].PriceMinor != nil {
		t.Errorf("%+v %v", told.Lines, err)
	}
}

// What is open of oil is listed with how full it is, until it is empty.
func TestOpenContainersAreListed(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.move("receive 37.8 OIL/L1 > V1")
	w.later(time.Hour)
	w.as(w.tech, func(tx *gorm.DB) error {
		_, err := OpenContainer(tx, w.tech, w.now, *w.at("V1"), w.part["OIL"], "L1")
		return err
	})
	part := w.part["OIL"]
	all, err := Containers(ctx, w.db, w.tech, LineFilter{LocationID: w.at("V1"), PartID: &part}, Page{Limit: 10})
	if err != nil || len(all) != 1 || all[0].Lot != "L1" || all[0].Level != "full" {
		t.Fatalf("%+v %v", all, err)
	}
	w.as(w.tech, func(tx *gorm.DB) error {
		_, err := SetLevel(tx, w.tech, w.now, all[0].ID, all[0].Version, "empty")
		return err
	})
	gone := all[0]
	if all, err = Containers(ctx, w.db, w.tech, LineFilter{LocationID: w.at("V1")}, Page{Limit: 10}); err != nil || len(all) != 0 {
		t.Errorf("%+v %v", all, err)
	}
	if gone, err = OneContainer(ctx, w.db, w.tech, gone.ID); err != nil || gone.EmptiedAt == nil || gone.Level != "empty" {
		t.Errorf("%+v %v", gone, err)
	}
	refused(t, w.try(w.tech, func(tx *gorm.DB) error {
		_, err := SetLevel(tx, w.tech, w.now, gone.ID, gone.Version, "full")
		return err
	}), "level", "was empty on")
}

// Lists can be narrowed to what is short, what expires, and what is withdrawn and still there.
func TestLinesByWhatIsWrongWithThem(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.move("receive 10 NUT > V1", "receive 5 SEAL/L1 > V1", "receive 10 OLDNUT > V2")
	w.do(func(tx *gorm.DB) error {
		if err := SetLevels(tx, access.System, []Level{{LocationID: *w.at("V1"), PartID: w.part["NUT"], Least: amount.Of(11)}, {LocationID: *w.at("V2"), PartID: w.part["NUT"], Least: amount.One}}); err != nil {
			return err
		}
		return tx.Exec(`insert into part_succession (id, part_id, kind, during, recorded_at, recorded_by) values (gen_random_uuid(), ?, 'withdrawn', tstzrange(?, null), ?, ?)`, w.part["OLDNUT"], w.now, w.now, access.System.ID).Error
	})
	w.later(time.Hour)
	soon, late := "2026-01-01", "2040-01-01"
	for name, c := range map[string]struct {
		f    LineFilter
		want string
	}{"short": {LineFilter{Short: true}, "V1 NUT, V2 NUT"}, "soon": {LineFilter{Expires: &soon}, ""}, "late": {LineFilter{Expires: &late}, "V1 SEAL"}, "withdrawn": {LineFilter{Withdrawn: true}, "V2 OLDNUT"}} {
		all, err := Lines(ctx, w.db, w.clerk, w.now, c.f, Page{Limit: 50})
		var got []string
		for _, l := range all {
			got = append(got, l.Key())
		}
		if err != nil || strings.Join(got, ", ") != c.want {
			t.Errorf("%s: %v %v", name, got, err)
		}
	}
}
