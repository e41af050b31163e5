package stock

import (
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/fault"
	"spindlebook/internal/parts/amount"
	"spindlebook/internal/pgdb"
)

func (w *world) claim(who access.Actor, number string, n int64, on, purpose, criticality string, with ...func(*Claiming)) (Claim, error) {
	in := Claiming{PartID: w.part[number], Amount: amount.Of(n), NeededOn: on, Purpose: purpose, Criticality: criticality}
	for _, f := range with {
		f(&in)
	}
	var all []Claim
	err := w.try(who, func(tx *gorm.DB) (err error) { all, err = Promise(tx, who, w.now, []Claiming{in}); return err })
	if err != nil {
		return Claim{}, err
	}
	return all[0], nil
}

func (w *world) claimed(number string, n int64, on, purpose string, with ...func(*Claiming)) Claim {
	w.t.Helper()
	c, err := w.claim(w.clerk, number, n, on, purpose, "B", with...)
	if err != nil {
		w.t.Fatal(err)
	}
	return c
}

func (w *world) aside(c Claim, in Aside) ([]Claim, error) {
	var all []Claim
	err := w.try(w.clerk, func(tx *gorm.DB) (err error) {
		all, err = SetAside(tx, w.clerk, w.now, c.ID, c.Version, in)
		return err
	})
	return all, err
}

// Story 4: two visits want the last shaft, in the same instant.
func TestStory04TheFirstHoldsAndTheSecondSeesWhoAndWhen(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.move("receive 1 SHAFT > WH")
	type result struct {
		purpose string
		err     error
	}
	results := make(chan result, 2)
	for _, p := range []string{"J01 UMB SBL-D", "J01 FER SBL-D"} {
		go func() { _, err := w.claim(w.clerk, "SHAFT", 1, "2025-05-19", p, "B"); results <- result{p, err} }()
	}
	a, b := <-results, <-results
	if a.err != nil {
		a, b = b, a
	}
	if a.err != nil || b.err == nil {
		t.Fatalf("%v, %v", a.err, b.err)
	}
	refused(t, b.err, "items[0].amount", "0 of 1 ea", a.purpose+" on 19 May 2025, by junia", "1 in WH")
	if f := b.err.(*fault.Error); f.Existing == nil || f.Existing.Code != a.purpose {
		t.Errorf("%+v", f.Existing)
	}
	// nor for an earlier day: what is promised stays promised
	_, err := w.claim(w.clerk, "SHAFT", 1, "2025-05-10", "J01 KES SBL-D", "B")
	refused(t, err, "items[0].amount", a.purpose)
	w.sound()
}

// A graver job may take it, with a reason, and the loser is told.
func TestAGraverJobTakesAClaimAndTheLoserIsTold(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.move("receive 1 SHAFT > WH")
	c := w.claimed("SHAFT", 1, "2025-05-19", "J01 UMB SBL-D")
	set, err := w.aside(c, Aside{LocationID: *w.at("WH")})
	if err != nil || set[0].State != "set_aside" || set[0].Location != "WH" {
		t.Fatalf("%+v, %v", set, err)
	}
	c = set[0]
	_, err = w.moves("load 1 SHAFT WH > V2")
	refused(t, err, "items[0].amount", "0 of 1 ea", "1 set aside for others")
	take := func(criticality, reason string) (Claim, error) {
		var it Claim
		err := w.try(w.clerk, func(tx *gorm.DB) (err error) {
			it, err = TakeClaim(tx, w.clerk, w.now, c.ID, c.Version, Claiming{PartID: w.part["SHAFT"], Amount: amount.One, NeededOn: "2025-05-06", Purpose: "guard off at DUN", Criticality: criticality}, reason)
			return err
		})
		return it, err
	}
	_, err = take("B", "it is nearer")
	refused(t, err, "criticality", "not graver than B of J01 UMB SBL-D")
	_, err = take("S", " ")
	refused(t, err, "reason", "told")
	won, err := take("S", "somebody could be hurt")
	if err != nil {
		t.Fatal(err)
	}
	lost, err := Claims(ctx, w.db, w.clerk, ClaimFilter{State: new("taken")}, Page{Limit: 10})
	if err != nil || len(lost) != 1 || *lost[0].TakenByID != won.ID || lost[0].EndedWhy != "taken for guard off at DUN: somebody could be hurt" {
		t.Errorf("%+v, %v", lost, err)
	}
	_, err = take("S", "again")
	refused(t, err, "If-Match", "version")
	w.sound()
}

// What is promised is judged on the day of use, by whose it is and where it may serve.
func TestPromisesLookAtTheDayThePlaceAndTheOwner(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	in := w.line("receive 4 SEAL/OLD > WH")
	in.ExpiresOn = "2025-05-20"
	had, pel := w.owner["HAD"], w.owner["PEL"]
	theirs := w.line("receive 1 SEAL/NEW > SH-HAD")
	theirs.Owner = Owner{Customers, &had}
	w.as(w.clerk, func(tx *gorm.DB) error { _, err := Move(tx, w.clerk, w.now, []Moving{in, theirs}); return err })
	site := func(c string) func(*Claiming) { id := w.site[c]; return func(in *Claiming) { in.SiteID = &id } }
	_, err := w.claim(w.clerk, "SEAL", 1, "2025-05-21", "after its last day", "B")
	refused(t, err, "amount", "0 of 1")
	_, err = w.claim(w.clerk, "SEAL", 1, "2025-05-21", "another customer", "B", site("PEL"))
	refused(t, err, "amount", "0 of 1")
	own := w.claimed("SEAL", 1, "2025-05-21", "their own", site("HAD"))
	if _, err := w.aside(own, Aside{LocationID: *w.at("SH-HAD"), Owner: Owner{Customers, &pel}}); err == nil {
		t.Error("another's is set aside")
	}
	if set, err := w.aside(own, Aside{LocationID: *w.at("SH-HAD"), Owner: Owner{Customers, &had}}); err != nil || set[0].Lot != "NEW" {
		t.Errorf("%+v, %v", set, err)
	}
	w.claimed("SEAL", 4, "2025-05-20", "on its last day")
	_, err = w.claim(w.clerk, "SEAL", 1, "2025-05-06", "more", "B")
	refused(t, err, "amount", "0 of 1", "on its last day on 20 May 2025")
	// of a place: what lies in the van is not the warehouse's
	w.move("receive 20 NUT > WH", "load 4 NUT WH > V1")
	place := func(c string) func(*Claiming) { return func(in *Claiming) { in.LocationID = w.at(c) } }
	_, err = w.claim(w.clerk, "NUT", 5, "2025-05-06", "van only", "C", place("V1"))
	refused(t, err, "amount", "4 of 5")
	w.claimed("NUT", 4, "2025-05-06", "van only", place("V1"))
	_, err = w.claim(w.clerk, "NUT", 17, "2025-05-06", "anywhere", "C")
	refused(t, err, "amount", "16 of 17")
	for says, c := range map[string]Claiming{
		"names no part": {PartID: uuid.New()}, "above 0": {PartID: w.part["NUT"], Amount: -1}, "whole number": {PartID: w.part["NUT"], Amount: 1500, NeededOn: "2025-05-06", Purpose: "x", Criticality: "A"},
		"is needed": {PartID: w.part["NUT"], Amount: 1000}, "a date such": {PartID: w.part["NUT"], Amount: 1000, NeededOn: "tomorrow"}, "in the past": {PartID: w.part["NUT"], Amount: 1000, NeededOn: "2025-01-01"},
		"blank": {PartID: w.part["NUT"], Amount: 1000, NeededOn: "2025-05-06"}, "S, A, B or C": {PartID: w.part["NUT"], Amount: 1000, NeededOn: "2025-05-06", Purpose: "x"},
	} {
		refused(t, w.try(w.clerk, func(tx *gorm.DB) error { _, err := Promise(tx, w.clerk, w.now, []Claiming{c}); return err }), "items[0].", says)
	}
	if all, err := Promise(nil, w.clerk, w.now, nil); err != nil || len(all) != 0 {
		t.Errorf("nothing is promised as %v, %v", all, err)
	}
	staff := w.person("site_staff", "gil", &had)
	if _, err := w.claim(staff, "NUT", 1, "2025-05-06", "mine", "A"); fault.KindOf(err) != fault.Forbidden {
		t.Errorf("site staff claim: %v", err)
	}
	if found, err := Claims(ctx, w.db, staff, ClaimFilter{}, Page{Limit: 10}); err != nil || len(found) != 0 {
		t.Errorf("site staff see %v, %v", found, err)
	}
	w.sound()
}

// Of what is wished for that which is free is promised, in whole pieces, and what is given back is
// free again.
func TestWhatIsFreeIsPromisedAndGivenBack(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.move("receive 10 NUT > WH", "receive 2.5 OIL/L1 > WH")
	first := w.claimed("NUT", 6, "2025-05-21", "J01 UMB")
	wish := func(part string, n amount.Amount) Claiming {
		return Claiming{PartID: w.part[part], Amount: n, NeededOn: "2025-05-22", Purpose: "PM-018", Criticality: "C"}
	}
	w.as(w.clerk, func(tx *gorm.DB) error {
		return PromiseFree(tx, w.clerk, w.now, []Claiming{wish("NUT", amount.Of(9)), wish("OIL", amount.Of(4)), wish("KEY", amount.One)})
	})
	held, err := Claims(ctx, w.db, w.clerk, ClaimFilter{Held: true, Until: new("2025-05-22")}, Page{After: first.Key(), Limit: 10})
	if err != nil || len(held) != 2 {
		t.Fatalf("%+v, %v", held, err)
	}
	got := map[string]string{}
	for _, c := range held {
		got[c.PartNumber] = c.Amount.String()
	}
	if got["NUT"] != "4" || got["OIL"] != "2.5" {
		t.Errorf("%v", got)
	}
	_, err = w.claim(w.clerk, "NUT", 1, "2025-05-23", "more", "B")
	refused(t, err, "amount", "0 of 1")
	w.as(w.clerk, func(tx *gorm.DB) error { return Release(tx, w.clerk, w.now, []uuid.UUID{first.ID}, "put off") })
	if c, err := OneClaim(ctx, w.db, w.clerk, first.ID); err != nil || c.State != "released" || c.EndedWhy != "put off" {
		t.Errorf("%+v, %v", c, err)
	}
	w.claimed("NUT", 6, "2025-05-23", "more")
	staff := w.person("technician", "ona")
	for name, fn := range map[string]func(tx *gorm.DB) error{
		"promise": func(tx *gorm.DB) error {
			return PromiseFree(tx, staff, w.now, []Claiming{wish("NUT", amount.One)})
		},
		"release": func(tx *gorm.DB) error { return Release(tx, staff, w.now, []uuid.UUID{first.ID}, "x") },
	} {
		if err := w.try(staff, fn); staff.May(access.MoveStock) != (err == nil) {
			t.Errorf("%s by a technician: %v", name, err)
		}
	}
	w.sound()
}

// What is set aside follows: it is loaded for its job, and used.
func TestWhatIsSetAsideFollowsItsClaim(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.move("receive 3 SEAL/L1 > WH")
	later := w.line("receive 3 SEAL/L2 > WH")
	later.ExpiresOn = "2039-01-01"
	w.as(w.clerk, func(tx *gorm.DB) error { _, err := Move(tx, w.clerk, w.now, []Moving{later}); return err })
	c := w.claimed("SEAL", 4, "2025-05-19", "J01 UMB SBL-D")
	set, err := w.aside(c, Aside{LocationID: *w.at("WH")})
	if err != nil || len(set) != 2 || set[0].Lot != "L1" || set[0].Amount != amount.Of(3) || set[1].Lot != "L2" || set[1].Amount != amount.One {
		t.Fatalf("%+v, %v", set, err)
	}
	load := Moving{Kind: "load", PartID: w.part["SEAL"], Amount: amount.Of(2), From: w.at("WH"), To: w.at("V1"), ClaimID: &set[0].ID}
	refused(t, w.try(w.clerk, func(tx *gorm.DB) error { _, err := Move(tx, w.clerk, w.now, []Moving{load}); return err }), "amount", "all that was set aside: 3 set")
	load.Amount = amount.Of(3)
	w.as(w.clerk, func(tx *gorm.DB) error { _, err := Move(tx, w.clerk, w.now, []Moving{load}); return err })
	w.are("V1 SEAL/L1 3", "WH SEAL 3")
	held, err := Claims(ctx, w.db, w.clerk, ClaimFilter{Held: true, PartID: &c.PartID}, Page{Limit: 10})
	if err != nil || len(held) != 2 || held[0].Location != "V1" {
		t.Fatalf("%+v, %v", held, err)
	}
	w.use("3 SEAL V1", func(u *Used) { u.ClaimID = &set[0].ID })
	if used, err := Claims(ctx, w.db, w.clerk, ClaimFilter{State: new("used")}, Page{Limit: 10}); err != nil || len(used) != 1 || used[0].ID != set[0].ID {
		t.Errorf("%+v, %v", used, err)
	}
	// what is set aside for one job and used by another is used, and asked about
	o := w.use("3 SEAL WH")
	if len(o.Discrepancies) != 1 || o.Discrepancies[0].Kind != "used_set_aside" {
		t.Errorf("%+v", o.Discrepancies)
	}
	all, err := Verify(ctx, w.db, access.System)
	if err != nil || len(all) != 1 || !strings.Contains(all[0].Thing, "claim for J01 UMB SBL-D") {
		t.Errorf("%v, %v", all, err)
	}
	var gone Claim
	w.as(w.clerk, func(tx *gorm.DB) (err error) {
		gone, err = ReleaseClaim(tx, w.clerk, w.now, set[1].ID, set[1].Version, "used elsewhere")
		return err
	})
	if gone.State != "released" {
		t.Errorf("%+v", gone)
	}
	refused(t, w.try(w.clerk, func(tx *gorm.DB) error {
		_, err := ReleaseClaim(tx, w.clerk, w.now, gone.ID, gone.Version, "")
		return err
	}), "state", "not held")
	w.sound()
}

// Units are promised like pieces, and set aside by their tag.
func TestUnitsAreSetAsideByTag(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	a, b := w.unit("MOTOR", "A", "WH"), w.unit("MOTOR", "B", "V1")
	w.later(time.Hour)
	c, d := w.claimed("MOTOR", 1, "2025-05-19", "J01 UMB"), w.claimed("MOTOR", 1, "2025-05-20", "J01 FER")
	_, err := w.claim(w.clerk, "MOTOR", 1, "2025-05-21", "J01 KES", "A")
	refused(t, err, "amount", "0 of 1")
	_, err = w.aside(c, Aside{LocationID: *w.at("WH"), UnitID: &b})
	refused(t, err, "unit_id", "is not in WH: on record it is in V1")
	_, err = w.aside(c, Aside{LocationID: *w.at("WH")})
	refused(t, err, "unit_id", "is needed")
	if set, err := w.aside(c, Aside{LocationID: *w.at("WH"), UnitID: &a}); err != nil || set[0].Tag == "" {
		t.Errorf("%+v, %v", set, err)
	}
	_, err = w.aside(d, Aside{LocationID: *w.at("WH"), UnitID: &a})
	refused(t, err, "unit_id", "is set aside for J01 UMB")
	m := Moving{Kind: "load", PartID: w.part["MOTOR"], UnitID: &a, Amount: amount.One, From: w.at("WH"), To: w.at("V2")}
	refused(t, w.try(w.clerk, func(tx *gorm.DB) error { _, err := Move(tx, w.clerk, w.now, []Moving{m}); return err }), "unit_id", "is set aside for J01 UMB")
	m.ClaimID = &c.ID
	w.as(w.clerk, func(tx *gorm.DB) error { _, err := Move(tx, w.clerk, w.now, []Moving{m}); return err })
	w.are("V2 MOTOR 1")
	w.sound()
}

// Story 14: a succession arrives while four are claimed.
func TestStory14ClaimsOfBeforeKeepTheOldPart(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.move("receive 10 OLDNUT > WH", "receive 20 NUT > WH", "receive 10 KEY > WH")
	before := w.claimed("OLDNUT", 4, "2025-05-19", "J01 UMB SBL-D")
	// the old nut is followed by a nut and two keys
	w.do(func(tx *gorm.DB) error {
		id := pgdb.NewID()
		err := tx.Exec(`insert into part_succession (id, part_id, kind, during, recorded_at, recorded_by) values (?, ?, 'replaced', tstzrange(?, null), ?, ?)`, id, w.part["OLDNUT"], w.now, w.now, access.System.ID).Error
		if err != nil {
			return err
		}
		return tx.Exec(`insert into part_succession_to (succession_id, part_id, amount) values (?, ?, 1), (?, ?, 2)`, id, w.part["NUT"], id, w.part["KEY"]).Error
	})
	w.later(time.Hour)
	var all []Claim
	w.as(w.clerk, func(tx *gorm.DB) (err error) {
		all, err = Promise(tx, w.clerk, w.now, []Claiming{{PartID: w.part["OLDNUT"], Amount: amount.Of(3), NeededOn: "2025-05-20", Purpose: "J01 FER SBL-D", Criticality: "B"}})
		return err
	})
	got := map[string]string{}
	for _, c := range all {
		got[c.PartNumber] = c.Amount.String()
	}
	if len(got) != 2 || got["NUT"] != "3" || got["KEY"] != "6" {
		t.Errorf("claimed are %v", got)
	}
	held, err := Claims(ctx, w.db, w.clerk, ClaimFilter{PartID: new(w.part["OLDNUT"])}, Page{Limit: 10})
	if err != nil || len(held) != 1 || held[0].ID != before.ID || held[0].State != "open" {
		t.Errorf("%+v, %v", held, err)
	}
	if set, err := w.aside(held[0], Aside{LocationID: *w.at("WH")}); err != nil || set[0].PartNumber != "OLDNUT" {
		t.Errorf("%+v, %v", set, err)
	}
	w.sound()
}

// A withdrawn part is not promised, loaded or used as planned; it can only be put away.
func TestAWithdrawnPartGoesToQuarantine(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.move("receive 10 OLDNUT > V1")
	w.do(func(tx *gorm.DB) error {
		id := pgdb.NewID()
		err := tx.Exec(`insert into part_succession (id, part_id, kind, during, recorded_at, recorded_by) values (?, ?, 'withdrawn', tstzrange(?, null), ?, ?)`, id, w.part["OLDNUT"], w.now, w.now, access.System.ID).Error
		if err != nil {
			return err
		}
		return tx.Exec(`insert into part_succession_to (succession_id, part_id, amount) values (?, ?, 1)`, id, w.part["NUT"]).Error
	})
	w.later(time.Hour)
	_, err := w.moves("issue 1 OLDNUT V1")
	refused(t, err, "items[0].part_id", "is withdrawn", "use NUT instead")
	_, err = w.claim(w.clerk, "OLDNUT", 1, "2025-05-19", "J01", "B")
	refused(t, err, "amount", "0 of 1")
	w.move("quarantine 10 OLDNUT V1 > Q")
	w.are("V1 OLDNUT 0", "Q OLDNUT 10")
}

// Eight people at the last few of a thing: never more is promised than there is.
func TestManyAtOncePromiseNoMoreThanThereIs(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.move("receive 5 SHAFT > WH")
	var wg sync.WaitGroup
	var mu sync.Mutex
	held := 0
	for range 8 {
		wg.Go(func() {
			if _, err := w.claim(w.clerk, "SHAFT", 1, "2025-05-19", "one of eight", "B"); err == nil {
				mu.Lock()
				held++
				mu.Unlock()
			}
		})
	}
	wg.Wait()
	if held != 5 {
		t.Errorf("%d of 5 are promised", held)
	}
}
