package stock

import (
	"context"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/fault"
	"spindlebook/internal/parts/amount"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgtest"
)

// withdraw takes a part from use.
func (w *world) withdraw(number string) {
	w.t.Helper()
	w.do(func(tx *gorm.DB) error {
		return tx.Exec(`insert into part_succession (id, part_id, kind, during, recorded_at, recorded_by) values (gen_random_uuid(), ?, 'withdrawn', tstzrange(?, null), ?, ?)`, w.part[number], w.now, w.now, access.System.ID).Error
	})
	w.later(time.Hour)
}

// Whoever has a machine looked after and no stock to move touches none of it, by any way.
func TestAnOwnerTouchesNoStock(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.move("receive 10 NUT > WH")
	held := w.claimed("NUT", 4, "2025-05-19", "J01 UMB")
	who, id, now := w.person("owner", "petra", new(w.owner["HAD"])), uuid.New(), w.now
	for what, act := range map[string]func(tx *gorm.DB) error{
		"move": func(tx *gorm.DB) error { _, err := Move(tx, who, now, []Moving{w.line("issue 1 NUT WH")}); return err },
		"use": func(tx *gorm.DB) error {
			_, err := Use(tx, who, now, []Used{{PartID: w.part["NUT"], Amount: amount.One, From: *w.at("WH")}})
			return err
		},
		"receive units": func(tx *gorm.DB) error {
			_, err := ReceiveUnits(tx, who, now, []NewUnit{{PartID: w.part["MOTOR"], To: *w.at("WH")}})
			return err
		},
		"prepare": func(tx *gorm.DB) error {
			_, err := Prepare(tx, who, now, []Preparing{{UnitID: id, Links: "low"}})
			return err
		},
		"write off": func(tx *gorm.DB) error {
			_, _, err := WriteOff(tx, who, now, *w.at("WH"), *w.at("SCRAP"), "gone")
			return err
		},
		"build": func(tx *gorm.DB) error {
			_, err := BuildKits(tx, who, now, Building{KitID: w.part["SET"], Count: 1, LocationID: *w.at("WH")})
			return err
		},
		"open a kit": func(tx *gorm.DB) error { _, err := OpenBag(tx, who, now, id, 1, Opening{For: "J01"}); return err },
		"promise": func(tx *gorm.DB) error {
			_, err := Promise(tx, who, now, []Claiming{{PartID: w.part["NUT"], Amount: amount.One, NeededOn: "2025-05-19", Purpose: "J", Criticality: "A"}})
			return err
		},
		"promise free": func(tx *gorm.DB) error { return PromiseFree(tx, who, now, nil) },
		"release":      func(tx *gorm.DB) error { return Release(tx, who, now, []uuid.UUID{held.ID}, "so") },
		"release one":  func(tx *gorm.DB) error { _, err := ReleaseClaim(tx, who, now, held.ID, held.Version, "so"); return err },
		"end":          func(tx *gorm.DB) error { return EndFor(tx, who, now, []uuid.UUID{id}) },
		"take": func(tx *gorm.DB) error {
			_, err := TakeClaim(tx, who, now, held.ID, held.Version, Claiming{}, "graver")
			return err
		},
		"set aside": func(tx *gorm.DB) error {
			_, err := SetAside(tx, who, now, held.ID, held.Version, Aside{LocationID: *w.at("WH")})
			return err
		},
		"open a can": func(tx *gorm.DB) error {
			_, err := OpenContainer(tx, who, now, *w.at("WH"), w.part["OIL"], "L1")
			return err
		},
		"level of a can":  func(tx *gorm.DB) error { _, err := SetLevel(tx, who, now, id, 1, "low"); return err },
		"core":            func(tx *gorm.DB) error { _, err := AddCore(tx, who, now, NewCore{}); return err },
		"step of a core":  func(tx *gorm.DB) error { _, err := StepCore(tx, who, now, id, 1, CoreStep{}); return err },
		"cores of a swap": func(tx *gorm.DB) error { return FollowCores(tx, who, now, nil) },
		"warranty":        func(tx *gorm.DB) error { _, err := AddWarranty(tx, who, now, NewWarranty{}); return err },
		"warranty step":   func(tx *gorm.DB) error { _, err := StepWarranty(tx, who, now, id, 1, WarrantyStep{}); return err },
		"open a count":    func(tx *gorm.DB) error { _, err := OpenCount(tx, who, now, *w.at("WH"), false, nil); return err },
		"count":           func(tx *gorm.DB) error { _, err := EnterCount(tx, who, now, id, nil); return err },
		"post a count":    func(tx *gorm.DB) error { _, _, err := PostCount(tx, who, now, id, 1); return err },
		"cancel a count":  func(tx *gorm.DB) error { _, err := CancelCount(tx, who, now, id, 1); return err },
		"settle":          func(tx *gorm.DB) error { return Settle(tx, who, now, id, Settling{How: "found"}) },
		"hand a van over": func(tx *gorm.DB) error { _, err := HandVan(tx, who, now, *w.at("V1"), who.ID, nil); return err },
		"extend a lot": func(tx *gorm.DB) error {
			_, err := ExtendLot(tx, who, now, id, Extending{Until: "2026-01-01", Reason: "r", Evidence: "e"})
			return err
		},
		"levels": func(tx *gorm.DB) error {
			return SetLevels(tx, who, []Level{{LocationID: *w.at("WH"), PartID: w.part["NUT"]}})
		},
		"draft":      func(tx *gorm.DB) error { _, err := DraftOrder(tx, who, now, NewOrder{}); return err },
		"send":       func(tx *gorm.DB) error { _, err := SendOrder(tx, who, now, id, 1, ""); return err },
		"date of it": func(tx *gorm.DB) error { _, err := PromiseOrder(tx, who, now, id, nil); return err },
		"cancel":     func(tx *gorm.DB) error { _, err := CancelOrder(tx, who, now, id, 1, "so"); return err },
		"close":      func(tx *gorm.DB) error { _, err := CloseOrder(tx, who, now, id, 1, "so"); return err },
		"take in":    func(tx *gorm.DB) error { _, _, err := ReceiveOrder(tx, who, now, id, "", nil); return err },
	} {
		if err := w.try(who, act); fault.KindOf(err) != fault.Forbidden {
			t.Errorf("%s: %v", what, err)
		}
	}
	w.are("WH NUT 10")
	w.sound()
}

// Lines about units and places that cannot be are refused by name.
func TestUnitsThatCannotMoveAreRefusedByName(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.move("receive 10 NUT > WH")
	id := w.unit("MOTOR", "E1", "WH")
	w.use("1 KEY WH") // so that there is a place for what nobody can explain
	w.later(time.Hour)
	nowhere, err := pgdb.Read[struct{ ID uuid.UUID }](ctx, w.db, access.System.ID, `select id from location where kind = 'unexplained'`, nil)
	if err != nil || len(nowhere) != 1 {
		t.Fatalf("%v, %v", nowhere, err)
	}
	nobody, aside := uuid.New(), w.claimed("NUT", 2, "2025-05-19", "J01 UMB")
	motor := func(change func(*Moving)) Moving {
		m := Moving{Kind: "load", PartID: w.part["MOTOR"], UnitID: &id, Amount: amount.One, From: w.at("WH"), To: w.at("V1")}
		change(&m)
		return m
	}
	for _, c := range []struct {
		in          Moving
		field, says string
	}{
		{motor(func(m *Moving) { m.From = &nobody }), "from_id", "names no location"},
		{motor(func(m *Moving) { m.To = &nobody }), "to_id", "names no location"},
		{motor(func(m *Moving) { m.PartID = w.part["NUT"] }), "unit_id", "NUT is not"},
		{motor(func(m *Moving) { m.Amount = amount.Of(2) }), "amount", "is 1 for a unit"},
		{motor(func(m *Moving) { m.UnitID = &nobody }), "unit_id", "names no unit"},
		{motor(func(m *Moving) { m.Kind, m.To = "move", &nowhere[0].ID }), "to_id", "holds what nobody can explain"},
		{motor(func(m *Moving) { m.Kind, m.From = "move", &nowhere[0].ID }), "to_id", "holds what nobody can explain"},
		{Moving{Kind: "load", PartID: w.part["NUT"], Amount: amount.Of(2), From: w.at("WH"), To: w.at("V1"), ClaimID: &aside.ID}, "claim_id", "names nothing of this part that is set aside"},
		{Moving{Kind: "load", PartID: w.part["NUT"], Amount: amount.Of(2), From: w.at("WH"), To: w.at("V1"), ClaimID: &nobody}, "claim_id", "names nothing of this part"},
	} {
		err := w.try(w.clerk, func(tx *gorm.DB) error { _, err := Move(tx, w.clerk, w.now, []Moving{c.in}); return err })
		refused(t, err, "items[0]."+c.field, c.says)
	}
	other := w.part["MOTOR"]
	w.do(func(tx *gorm.DB) error {
		other = pgdb.NewID()
		return tx.Exec(`insert into part (id, number, description, class, created_at, measured_in, tracking, pack) values (?, 'MOTOR-2', 'Another', 'gearmotor', ?, 'ea', 'unit', 1)`, other, w.now).Error
	})
	err = w.try(w.clerk, func(tx *gorm.DB) error {
		_, err := Move(tx, w.clerk, w.now, []Moving{motor(func(m *Moving) { m.PartID = other })})
		return err
	})
	refused(t, err, "items[0].unit_id", "is not a MOTOR-2")
	// what came this morning is put away for yesterday: the place in the list is that of the line
	early := w.now.Add(-2 * time.Hour)
	second := w.unit("MOTOR", "E2", "WH")
	w.later(time.Hour)
	err = w.try(w.clerk, func(tx *gorm.DB) error {
		_, err := Move(tx, w.clerk, w.now, []Moving{w.line("issue 1 NUT WH"), motor(func(m *Moving) { m.At = &early }), motor(func(m *Moving) { m.UnitID = &second })})
		return err
	})
	refused(t, err, "items[1].")
	w.are("WH MOTOR 2", "V1 MOTOR 0", "WH NUT 10")
	w.sound()
}

// A unit that is sold leaves the record; its tag and serial stay known, and it is not sold twice.
func TestASoldUnitLeavesTheRecord(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	id := w.unit("MOTOR", "S1", "WH")
	sale := Moving{Kind: "sale", PartID: w.part["MOTOR"], UnitID: &id, Amount: amount.One, From: w.at("WH"), Reason: "to a neighbour"}
	sell := func(at *time.Time) error {
		sale.At = at
		return w.try(w.clerk, func(tx *gorm.DB) error { _, err := Move(tx, w.clerk, w.now, []Moving{sale}); return err })
	}
	early := w.now.Add(-time.Hour)
	w.later(time.Hour)
	refused(t, sell(&early), "unit_id", "came to where it is later than this")
	w.are("WH MOTOR 1")
	if err := sell(nil); err != nil {
		t.Fatal(err)
	}
	w.are("WH MOTOR 0")
	w.later(time.Hour)
	refused(t, sell(nil), "unit_id", "nowhere on record")
	_, err := w.receiveUnit("MOTOR", "S1", "WH")
	refused(t, err, "serial", "on record")
	w.sound()
}

// Kits are built where work is done, of what may be used, and opened where they lie.
func TestKitsAreRefusedByName(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.recipes()
	w.move("receive 10 GASKET/L1 > WH", "receive 10 GRIP > WH", "receive 20 KEY > WH", "receive 20 NUT > WH")
	at := func(place uuid.UUID, kit string, without ...uuid.UUID) (all []Bag, err error) {
		err = w.try(w.clerk, func(tx *gorm.DB) (err error) {
			all, err = BuildKits(tx, w.clerk, w.now, Building{KitID: w.part[kit], Count: 1, LocationID: place, Without: without})
			return err
		})
		return all, err
	}
	_, err := at(uuid.New(), "BOX-KIT")
	refused(t, err, "location_id", "no place at which kits are built")
	_, err = at(*w.at("Q"), "BOX-KIT")
	refused(t, err, "location_id", "no place at which kits are built")
	if all, err := CanBuild(ctx, w.db, w.clerk, w.now, *w.at("WH"), nil); err != nil || len(all) != 0 {
		t.Errorf("of no kits %v, %v can be built", all, err)
	}
	// opened yesterday, and told today: what nobody said of a line was used whole, what is optional was not
	box, err := at(*w.at("WH"), "BOX-KIT")
	if err != nil {
		t.Fatal(err)
	}
	w.later(aDay)
	yesterday := w.now.Add(-2 * time.Hour)
	var b Bag
	w.as(w.tech, func(tx *gorm.DB) (err error) {
		b, err = OpenBag(tx, w.tech, w.now, box[0].LotID, box[0].Version, Opening{For: "J02 at UMB", At: &yesterday})
		return err
	})
	if b.Lines[0].Used != amount.One || b.Lines[1].Used != 0 || b.OpenedAt == nil || !b.OpenedAt.Equal(yesterday) {
		t.Errorf("%+v", b)
	}
	w.are("WH BOX-KIT 0", "WH GASKET 9", "WH GRIP 10")
	// without the optional line, gone out as a whole, and then looked for
	if box, err = at(*w.at("WH"), "BOX-KIT", w.part["GRIP"]); err != nil || len(box[0].Lines) != 1 {
		t.Fatalf("%+v, %v", box, err)
	}
	w.move("issue 1 BOX-KIT/" + box[0].Number + " WH")
	refused(t, w.try(w.tech, func(tx *gorm.DB) error {
		_, err := OpenBag(tx, w.tech, w.now, box[0].LotID, box[0].Version, Opening{For: "J02"})
		return err
	}), "location_id", "lies nowhere on record")
	// what is kept by unit, and what was withdrawn, is in no bag
	w.do(func(tx *gorm.DB) error {
		id := pgdb.NewID()
		if err := tx.Exec(`insert into kit_recipe (id, kit_id, number, made_at, made_by) values (?, ?, 2, ?, ?)`, id, w.part["BOX-KIT"], w.now, access.System.ID).Error; err != nil {
			return err
		}
		return tx.Exec(`insert into kit_line (recipe_id, ordinal, part_id, amount) values (?, 1, ?, 1)`, id, w.part["MOTOR"]).Error
	})
	_, err = at(*w.at("WH"), "BOX-KIT")
	refused(t, err, "kit_id", "takes MOTOR, which is kept by unit")
	w.withdraw("KEY")
	_, err = at(*w.at("WH"), "SWAP-KIT")
	refused(t, err, "kit_id", "takes KEY, which is withdrawn")
	w.sound()
}

// What cannot be set aside, or taken for graver work, is refused by name; what is short at the
// place says where there is some.
func TestClaimsAreRefusedByName(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.move("receive 20 NUT > WH", "load 3 NUT WH > V1", "receive 10 KEY > WH", "receive 10 NUT > SH-PEL", "receive 10 OLDNUT > WH")
	had := w.site["HAD"]
	here := func(c *Claiming) { c.SiteID = &had }
	c := w.claimed("NUT", 5, "2025-05-19", "J01 HAD", here)
	_, err := w.aside(c, Aside{LocationID: *w.at("Q")})
	refused(t, err, "location_id", "is a quarantine, from which nothing is picked")
	_, err = w.aside(c, Aside{LocationID: *w.at("SH-PEL")})
	refused(t, err, "location_id", "is the shelf of another site")
	_, err = w.aside(c, Aside{LocationID: *w.at("V1")})
	refused(t, err, "location_id", "3 of 5", "WH")
	pel := w.owner["PEL"]
	_, err = w.aside(c, Aside{LocationID: *w.at("WH"), Owner: Owner{Customers, &pel}})
	refused(t, err, "owner_customer_id", "is another customer")
	set, err := w.aside(c, Aside{LocationID: *w.at("WH")})
	if err != nil {
		t.Fatal(err)
	}
	_, err = w.aside(set[0], Aside{LocationID: *w.at("WH")})
	refused(t, err, "state", "is not open")
	take := func(loser Claim, number string, why string) error {
		return w.try(w.clerk, func(tx *gorm.DB) error {
			_, err := TakeClaim(tx, w.clerk, w.now, loser.ID, loser.Version, Claiming{PartID: w.part[number], Amount: amount.One, NeededOn: "2025-05-19", Purpose: "J09", Criticality: "S"}, why)
			return err
		})
	}
	refused(t, take(set[0], "NUT", " "), "reason", "is needed")
	refused(t, take(set[0], "KEY", "a motor is off"), "part_id", "is another part than NUT")
	var gone Claim
	w.as(w.clerk, func(tx *gorm.DB) (err error) {
		gone, err = ReleaseClaim(tx, w.clerk, w.now, set[0].ID, set[0].Version, "put off")
		return err
	})
	refused(t, take(gone, "NUT", "a motor is off"), "state", "is not held any more")
	// of a customer's own motor another one's work has nothing
	var theirs uuid.UUID
	w.as(w.clerk, func(tx *gorm.DB) error {
		done, err := ReceiveUnits(tx, w.clerk, w.now, []NewUnit{{PartID: w.part["MOTOR"], Serial: "P1", To: *w.at("WH"), Owner: Owner{Customers, &pel}}})
		if err == nil {
			theirs = *done[0].UnitID
		}
		return err
	})
	w.unit("MOTOR", "OURS", "V1")
	m := w.claimed("MOTOR", 1, "2025-05-19", "J02 HAD", here)
	_, err = w.aside(m, Aside{LocationID: *w.at("WH"), UnitID: &theirs})
	refused(t, err, "unit_id", "belongs to another customer")
	old := w.claimed("OLDNUT", 2, "2025-05-19", "J03 HAD", here)
	w.withdraw("OLDNUT")
	_, err = w.aside(old, Aside{LocationID: *w.at("WH")})
	refused(t, err, "part_id", "is withdrawn")
	w.sound()
}

// A count is refused where it cannot be what somebody saw.
func TestCountsAreRefusedByName(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.move("receive 10 NUT > WH", "receive 10 KEY > WH")
	motor := w.unit("MOTOR", "C1", "WH")
	w.use("1 GRIP WH")
	w.later(time.Hour)
	nowhere, err := pgdb.Read[struct{ ID uuid.UUID }](ctx, w.db, access.System.ID, `select id from location where kind = 'unexplained'`, nil)
	if err != nil || len(nowhere) != 1 {
		t.Fatalf("%v, %v", nowhere, err)
	}
	for says, at := range map[string]uuid.UUID{"names no location": uuid.New(), "nothing to count": nowhere[0].ID} {
		refused(t, w.try(w.clerk, func(tx *gorm.DB) error { _, err := OpenCount(tx, w.clerk, w.now, at, false, nil); return err }), "location_id", says)
	}
	var c Count
	w.as(w.clerk, func(tx *gorm.DB) (err error) {
		c, err = OpenCount(tx, w.clerk, w.now, *w.at("WH"), false, nil)
		return err
	})
	line := func(number string) *uuid.UUID {
		i := slices.IndexFunc(c.Lines, func(l CountLine) bool { return l.PartNumber == number })
		return &c.Lines[i].ID
	}
	id := c.ID
	enter := func(who access.Actor, in ...Counted) error {
		return w.try(who, func(tx *gorm.DB) error { _, err := EnterCount(tx, who, w.now, id, in); return err })
	}
	pel, early := w.owner["PEL"], w.now.Add(-time.Minute)
	for _, x := range []struct {
		in          []Counted
		field, says string
	}{
		{[]Counted{{LineID: new(uuid.New()), Amount: amount.One}}, "items[0].line_id", "no line of this count"},
		{[]Counted{{LineID: line("NUT"), Amount: amount.Of(10)}, {LineID: line("NUT"), Amount: amount.Of(9)}}, "items[1].line_id", "stands in this list twice"},
		{[]Counted{{LineID: line("NUT"), Amount: -amount.One}}, "items[0].amount", "lies between 0"},
		{[]Counted{{LineID: line("NUT"), Amount: 1500}}, "items[0].amount", "whole number"},
		{[]Counted{{PartID: uuid.New(), Amount: amount.One}}, "items[0].part_id", "names no part"},
		{[]Counted{{PartID: w.part["NUT"], Amount: amount.One}}, "items[0].part_id", "stands on the list already"},
		{[]Counted{{PartID: w.part["SEAL"], Amount: amount.One}}, "items[0].lot", "names no lot"},
		{[]Counted{{PartID: w.part["SHAFT"], Amount: amount.One, Owner: Owner{Own, &pel}}}, "items[0].owner", ""},
		{[]Counted{{PartID: w.part["SHAFT"], Amount: amount.One}, {PartID: w.part["SHAFT"], Amount: amount.Of(2)}}, "items[1].part_id", "stands in this list twice"},
	} {
		refused(t, enter(w.clerk, x.in...), x.field, x.says)
	}
	// the first count is of now; a correction of it is not from before it
	if err := enter(w.clerk, Counted{LineID: line("KEY"), Amount: amount.Of(10)}); err != nil {
		t.Fatal(err)
	}
	refused(t, enter(w.clerk, Counted{LineID: line("KEY"), Amount: amount.Of(10), At: &early}), "items[0].at", "must not lie before the first count")
	// a tag that nobody knows is asked about, and moves nothing
	tag, err := pgdb.Read[struct{ Tag string }](ctx, w.db, access.System.ID, `select tag from unit where id = @id`, map[string]any{"id": motor})
	if err != nil {
		t.Fatal(err)
	}
	if err := enter(w.clerk, Counted{LineID: line("NUT"), Amount: amount.Of(10)}, Counted{LineID: line("MOTOR"), Tags: []string{tag[0].Tag, " nobody-9 ", strings.ToLower(tag[0].Tag)}}); err != nil {
		t.Fatal(err)
	}
	for again := range 2 {
		w.as(w.clerk, func(tx *gorm.DB) (err error) { c, err = countInTx(tx, w.now, id); return err })
		if i := slices.IndexFunc(c.Lines, func(l CountLine) bool { return l.PartNumber == "MOTOR" }); again == 0 && c.Lines[i].Again {
			if err := enter(w.tech, Counted{LineID: line("MOTOR"), Tags: []string{tag[0].Tag, "NOBODY-9"}}); err != nil {
				t.Fatal(err)
			}
		}
	}
	version := c.Version
	w.as(w.clerk, func(tx *gorm.DB) error { _, _, err := PostCount(tx, w.clerk, w.now, id, version); return err })
	if !strings.Contains(w.open(), "unit_unknown 1") {
		t.Errorf("open: %s", w.open())
	}
	w.are("WH MOTOR 1", "WH NUT 10")
	refused(t, enter(w.clerk, Counted{LineID: line("NUT"), Amount: amount.Of(9)}), "state", "is not open")
	w.sound()
}

// A lot that does not expire needs no more time, a can is opened where there is one, a price is
// given by who sees prices, and an order of which some has come is closed and not cancelled.
func TestSmallThingsAreRefusedByName(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.move("receive 8 FOAM-A/F1 > WH", "receive 10 NUT > WH")
	w.do(func(tx *gorm.DB) error { return tx.Exec(`update lot set expires_on = null`).Error })
	lot := w.lot("FOAM-A", "F1")
	refused(t, w.try(w.clerk, func(tx *gorm.DB) error {
		_, err := ExtendLot(tx, w.clerk, w.now, lot, Extending{Until: "2030-01-01", Reason: "looked at", Evidence: "R 1"})
		return err
	}), "until", "the lot does not expire")
	for _, x := range []struct {
		place, part uuid.UUID
		field, says string
	}{{*w.at("WH"), uuid.New(), "part_id", "names no part"}, {uuid.New(), w.part["OIL"], "location_id", "names no location"}, {*w.at("WH"), w.part["NUT"], "part_id", "does not come in containers"}, {*w.at("WH"), w.part["OIL"], "lot", "is needed"}} {
		refused(t, w.try(w.tech, func(tx *gorm.DB) error {
			_, err := OpenContainer(tx, w.tech, w.now, x.place, x.part, "")
			return err
		}), x.field, x.says)
	}
	supplier := w.supplier("NORD")
	core := NewCore{PartID: w.part["MOTOR"], SupplierID: supplier, CountedFrom: "purchase", PaidOn: "2025-05-05", DeadlineOn: "2025-06-05", DepositMinor: new(int64(25000)), Currency: "USD"}
	refused(t, w.try(w.tech, func(tx *gorm.DB) error { _, err := AddCore(tx, w.tech, w.now, core); return err }), "deposit_minor", "by somebody who sees cost")
	order := func(place uuid.UUID, number string) error {
		return w.try(w.clerk, func(tx *gorm.DB) error {
			_, err := DraftOrder(tx, w.clerk, w.now, NewOrder{SupplierID: supplier, LocationID: place, Lines: []NewOrderLine{{PartID: w.part[number], Amount: amount.Of(10)}}})
			return err
		})
	}
	refused(t, order(uuid.New(), "NUT"), "location_id", "names no location")
	w.withdraw("OLDNUT")
	refused(t, order(*w.at("WH"), "OLDNUT"), "lines[0].part_id", "is withdrawn")
	var o Order
	w.as(w.clerk, func(tx *gorm.DB) (err error) {
		o, err = DraftOrder(tx, w.clerk, w.now, NewOrder{SupplierID: supplier, LocationID: *w.at("WH"), Lines: []NewOrderLine{{PartID: w.part["NUT"], Amount: amount.Of(20)}}})
		return err
	})
	send := func(on string) (sent Order, err error) {
		err = w.try(w.clerk, func(tx *gorm.DB) (err error) {
			sent, err = SendOrder(tx, w.clerk, w.now, o.ID, o.Version, on)
			return err
		})
		return sent, err
	}
	_, err := send("next week")
	refused(t, err, "on", "is a date")
	o, err = send("")
	if err != nil {
		t.Fatal(err)
	}
	some, err := w.arrive(o, Arrival{LineID: o.Lines[0].ID, Amount: amount.Of(10)})
	if err != nil {
		t.Fatal(err)
	}
	refused(t, w.try(w.clerk, func(tx *gorm.DB) error {
		_, err := CancelOrder(tx, w.clerk, w.now, some.ID, some.Version, "too late")
		return err
	}), "state", "some of it has come")
	w.are("WH NUT 20")
	w.sound()
}

// Of what somebody says whose it was, only that is taken; a customer's own serves that customer
// alone, even on a finished job. What is put into a slot that is taken says which line it was.
func TestWhatWasUsedIsWhosePeopleSay(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	had, pel := w.owner["HAD"], w.site["PEL"]
	w.brings(had, "receive 10 NUT > WH")
	w.move("receive 10 NUT > WH")
	used := func(u Used) error {
		u.PartID, u.Amount, u.From = w.part["NUT"], amount.Of(2), *w.at("WH")
		return w.try(w.tech, func(tx *gorm.DB) error { _, err := Use(tx, w.tech, w.now, []Used{u}); return err })
	}
	refused(t, used(Used{Owner: Owner{Customers, &had}, SiteID: &pel}), "items[0].site_id", "is no site of the customer whose own it is")
	refused(t, used(Used{Owner: Owner{Customers, nil}}), "items[0].owner", "")
	home := w.site["HAD"]
	if err := used(Used{Owner: Owner{Own, nil}, SiteID: &home}); err != nil { // although the customer's own would go first
		t.Fatal(err)
	}
	left, err := pgdb.Read[struct{ Says string }](ctx, w.db, access.System.ID, `select string_agg(owner || ' ' || trim_scale(on_hand), ', ' order by owner) as says from stock_balance where part_id = @part`, map[string]any{"part": w.part["NUT"]})
	if err != nil || left[0].Says != "customer 10, distributor 8" {
		t.Errorf("%v, %v", left, err)
	}
	w.sound()
}

// A lot has one last day, in whatever order the lines of one delivery say it: what two lines say
// otherwise is asked about, and what one says goes before what follows from the shelf life.
func TestALotComesWithOneLastDay(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	take := func(lot string, last ...string) error {
		in := make([]Moving, len(last))
		for i, l := range last {
			in[i] = w.line("receive 10 GASKET/" + lot + " > " + []string{"WH", "V1"}[i])
			in[i].ExpiresOn = l
		}
		return w.try(w.clerk, func(tx *gorm.DB) error { _, err := Move(tx, w.clerk, w.now, in); return err })
	}
	refused(t, take("TWO", "2027-01-31", "2027-02-28"), "items[1].expires_on", "differs from the last day of lot TWO in this list, 2027-01-31")
	refused(t, take("BAD", "soon"), "items[0].expires_on", "is a date")
	w.are("WH GASKET 0", "V1 GASKET 0")
	for lot, last := range map[string][]string{"SAME": {"2027-01-31", "2027-01-31"}, "FIRST": {"2027-01-31", ""}, "LAST": {"", "2027-01-31"}, "NONE": {"", ""}} {
		if err := take(lot, last...); err != nil {
			t.Errorf("%s: %v", lot, err)
		}
		found, err := pgdb.Read[struct{ On string }](ctx, w.db, access.System.ID, `select to_char(expires_on, 'YYYY-MM-DD') as on from lot where code = @lot`, map[string]any{"lot": lot})
		if want := map[bool]string{true: "2035-05-05", false: "2027-01-31"}[lot == "NONE"]; err != nil || len(found) != 1 || found[0].On != want { // 120 months from 5 May 2025
			t.Errorf("%s: %+v, %v", lot, found, err)
		}
	}
	w.do(func(tx *gorm.DB) error {
		return tx.Exec(`update part set shelf_months = null where number = 'GASKET'`).Error
	})
	refused(t, take("WHEN", ""), "items[0].expires_on", "each lot of GASKET has a last day")
	w.sound()
}

// A unit that was used is in the slot that it was put into, and what cannot be names the line
// that said so, wherever it stands among lines about other things.
func TestAUsedUnitIsInItsSlot(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.move("receive 10 NUT > V1")
	a, b := w.unit("MOTOR", "U1", "V1"), w.unit("MOTOR", "U2", "V1")
	slots := map[string]uuid.UUID{}
	w.do(func(tx *gorm.DB) error {
		line, err := assets.AddLine(tx, access.System, w.now, w.site["HAD"], &began, assets.LineEdit{Code: "HAD-1-1", Name: "Line 1"})
		if err != nil {
			return err
		}
		for _, code := range []string{"HAD-1/SBL-D", "HAD-1/SBL-P"} {
			p, err := assets.AddPosition(tx, access.System, w.now, assets.NewPosition{SiteID: w.site["HAD"], From: &began, PositionEdit: assets.PositionEdit{LineID: &line.ID, Code: code, Name: "Low side brush " + code, Kind: "side_brush_low", LineSide: "left"}})
			if err != nil {
				return err
			}
			if slots[code], err = pgdb.ID(tx, `select id from slot where position_id = ? and class = 'gearmotor'`, p.ID); err != nil {
				return err
			}
		}
		return nil
	})
	left, right := slots["HAD-1/SBL-D"], slots["HAD-1/SBL-P"]
	w.later(time.Hour)
	use := func(in ...Used) error {
		for i := range in {
			in[i].Amount, in[i].From = amount.One, *w.at("V1")
		}
		return w.try(w.tech, func(tx *gorm.DB) error { _, err := Use(tx, w.tech, w.now, in); return err })
	}
	nut, motor := Used{PartID: w.part["NUT"]}, func(id, slot uuid.UUID) Used { return Used{PartID: w.part["MOTOR"], UnitID: &id, SlotID: &slot} }
	refused(t, use(nut, motor(a, uuid.New()), motor(b, right)), "items[1].")
	refused(t, use(nut, motor(a, left), motor(b, uuid.New())), "items[2].")
	w.are("V1 NUT 10", "V1 MOTOR 2")
	if err := use(nut, motor(a, left), motor(b, right)); err != nil {
		t.Fatal(err)
	}
	w.are("V1 NUT 9", "V1 MOTOR 0")
	for id, slot := range map[uuid.UUID]uuid.UUID{a: left, b: right} {
		in, err := pgdb.Read[struct{ SlotID *uuid.UUID }](ctx, w.db, access.System.ID, `select slot_id from stay where unit_id = @unit and upper_inf(during)`, map[string]any{"unit": id})
		if err != nil || len(in) != 1 || val(in[0].SlotID) != slot {
			t.Errorf("%v, %v", in, err)
		}
	}
	if w.open() != "" {
		t.Errorf("open: %s", w.open())
	}
	w.sound()
}

// Whoever is stopped while reading says so, and gives no half of an answer.
func TestAHalfReadAnswerIsNone(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.recipes()
	w.move("receive 10 GASKET/L1 > WH", "receive 10 NUT > WH")
	bags, err := w.build("BOX-KIT", 1)
	if err != nil {
		t.Fatal(err)
	}
	order := w.ordered(w.clerk, NewOrderLine{PartID: w.part["NUT"], Amount: amount.Of(10)})
	var c Count
	w.as(w.clerk, func(tx *gorm.DB) (err error) {
		c, err = OpenCount(tx, w.clerk, w.now, *w.at("WH"), true, nil)
		return err
	})
	for what, read := range map[string]func(ctx context.Context) error{
		"what can be built": func(ctx context.Context) error {
			_, err := CanBuild(ctx, w.db, w.clerk, w.now, *w.at("WH"), []uuid.UUID{w.part["SWAP-KIT"]})
			return err
		},
		"a bag":    func(ctx context.Context) error { _, err := OneBag(ctx, w.db, w.clerk, bags[0].LotID); return err },
		"a count":  func(ctx context.Context) error { _, err := OneCount(ctx, w.db, w.clerk, w.now, c.ID); return err },
		"an order": func(ctx context.Context) error { _, err := OneOrder(ctx, w.db, w.clerk, w.now, order.ID); return err },
		"lines": func(ctx context.Context) error {
			_, err := Lines(ctx, w.db, w.clerk, w.now, LineFilter{}, Page{Limit: 10})
			return err
		},
		"entries": func(ctx context.Context) error {
			_, err := Entries(ctx, w.db, w.clerk, EntryFilter{}, Page{Limit: 10})
			return err
		},
		"whose van it is": func(ctx context.Context) error { _, err := VanOf(ctx, w.db, w.clerk, w.tech.ID, w.now); return err },
		"differences":     func(ctx context.Context) error { _, err := Verify(ctx, w.db, w.clerk); return err },
	} {
		pgtest.Interrupted(t, what, read)
	}
	// and what is not there is not half of something either
	for what, read := range map[string]func(id uuid.UUID) error{
		"bag":       func(id uuid.UUID) error { _, err := OneBag(ctx, w.db, w.clerk, id); return err },
		"count":     func(id uuid.UUID) error { _, err := OneCount(ctx, w.db, w.clerk, w.now, id); return err },
		"order":     func(id uuid.UUID) error { _, err := OneOrder(ctx, w.db, w.clerk, w.now, id); return err },
		"doubt":     func(id uuid.UUID) error { _, err := OneDoubt(ctx, w.db, w.clerk, id); return err },
		"core":      func(id uuid.UUID) error { _, err := OneCore(ctx, w.db, w.clerk, w.now, id); return err },
		"warranty":  func(id uuid.UUID) error { _, err := OneWarranty(ctx, w.db, w.clerk, w.now, id); return err },
		"container": func(id uuid.UUID) error { _, err := OneContainer(ctx, w.db, w.clerk, id); return err },
		"claim":     func(id uuid.UUID) error { _, err := OneClaim(ctx, w.db, w.clerk, id); return err },
		"changed": func(id uuid.UUID) error {
			return w.try(w.clerk, func(tx *gorm.DB) error { _, err := CancelCount(tx, w.clerk, w.now, id, 1); return err })
		},
	} {
		if err := read(uuid.New()); fault.KindOf(err) != fault.NotFound {
			t.Errorf("%s: %v", what, err)
		}
	}
}
