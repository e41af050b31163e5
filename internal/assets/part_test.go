package assets_test

import (
	"strings"
	"testing"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/fault"
	"spindlebook/internal/ident"
	"spindlebook/internal/measure"
	"spindlebook/internal/pgtest"
)

func TestParts(t *testing.T) {
	t.Parallel()
	s := newStock(t)
	add := func(who access.Actor, in assets.PartEdit) error {
		_, err := pgtest.Write(s.db, who, func(tx *gorm.DB) (assets.Part, error) { return assets.AddPart(tx, who, now, in) })
		return err
	}
	good := assets.PartEdit{Number: "MW-21302", Description: " Hub ", Class: "hub"}
	wantKind(t, add(nobody, good), fault.Forbidden, "")
	with := func(facts ...assets.PartFactEdit) assets.PartEdit { p := good; p.Facts = facts; return p }
	for _, c := range []struct {
		in   assets.PartEdit
		kind fault.Kind
		says string
	}{
		{assets.PartEdit{Number: s.hub.Number, Description: "Hub", Class: "hub"}, fault.Conflict, "number: is in use by another part"},
		{assets.PartEdit{Number: "mw 1", Description: "Hub", Class: "hub"}, fault.Invalid, "number: takes"},
		{assets.PartEdit{Number: "MW-1", Description: " ", Class: "hub"}, fault.Invalid, "description: must not be blank"},
		{assets.PartEdit{Number: "MW-1", Description: "x", Class: "sponge"}, fault.Invalid, "class: names no class"},
		{with(assets.PartFactEdit{Fact: "smell", Value: "x"}), fault.Invalid, "facts[0].fact: names no kind"},
		{with(assets.PartFactEdit{Fact: "hub_fixing", Value: "clamp4"}, assets.PartFactEdit{Fact: "bore", Value: "35"}), fault.Invalid, "facts[1].measure"},
		{with(assets.PartFactEdit{Fact: "hub_fixing", Value: "clamp4"}, assets.PartFactEdit{Fact: "hub_fixing", Value: "flange3"}), fault.Invalid, "names the same fact twice"},
	} {
		wantKind(t, add(access.System, c.in), c.kind, c.says)
	}
	if err := add(access.System, with(assets.PartFactEdit{Fact: "bore", Measure: &measure.Typed{Value: 1.4375, Unit: "in"}})); err != nil {
		t.Fatal(err)
	}
	class, prefix := "hub", "mw-213"
	list, err := assets.Parts(ctx, s.db, access.System, &class, &prefix, assets.Page{Limit: 10})
	if err != nil || len(list) != 1 || list[0].Description != "Hub" || len(list[0].Facts) != 1 || *list[0].Facts[0].ValueMM != 36.5125 {
		t.Fatalf("%+v %v", list, err)
	}
	if all, err := assets.Parts(ctx, s.db, access.System, nil, nil, assets.Page{Limit: 10, After: s.hub.Number}); err != nil || len(all) != 2 {
		t.Errorf("%d parts after the hub: %v", len(all), err)
	}
	if p, err := assets.OnePart(ctx, s.db, access.System, list[0].ID); err != nil || p.Number != "MW-21302" {
		t.Errorf("%+v %v", p, err)
	}
	if _, err := assets.OnePart(ctx, s.db, access.System, uuid.New()); fault.KindOf(err) != fault.NotFound {
		t.Errorf("%v", err)
	}
	if classes, err := assets.ComponentClasses(ctx, s.db, access.System); err != nil || len(classes) < 10 {
		t.Errorf("%v %v", classes, err)
	}

	edit := func(who access.Actor, id uuid.UUID, version int, in assets.PartEdit) error {
		_, err := pgtest.Write(s.db, who, func(tx *gorm.DB) (assets.Part, error) { return assets.EditPart(tx, who, id, version, in) })
		return err
	}
	it := list[0]
	wantKind(t, edit(nobody, it.ID, it.Version, good), fault.Forbidden, "")
	wantKind(t, edit(access.System, it.ID, it.Version+1, good), fault.Stale, "")
	wantKind(t, edit(access.System, uuid.New(), 1, good), fault.NotFound, "")
	wantKind(t, edit(access.System, it.ID, it.Version, assets.PartEdit{Number: s.hub.Number, Description: "x", Class: "hub"}), fault.Conflict, "in use by another part")
	wantKind(t, edit(access.System, it.ID, it.Version, assets.PartEdit{Number: "MW-21302", Description: "x", Class: "sponge"}), fault.Invalid, "class")
	wantKind(t, edit(access.System, it.ID, it.Version, with(assets.PartFactEdit{Fact: "smell", Value: "x"})), fault.Invalid, "facts[0].fact")
	if err := edit(access.System, it.ID, it.Version, assets.PartEdit{Number: "MW-21303", Description: "x", Class: "cap"}); err != nil {
		t.Errorf("a part of which there is no unit may be of another class: %v", err)
	}
	s.unit(t, s.hub, "")
	wantKind(t, edit(access.System, s.hub.ID, s.hub.Version, assets.PartEdit{Number: s.hub.Number, Description: "x", Class: "cap"}), fault.Conflict, "units of this part are recorded as hub")
	if err := edit(access.System, s.hub.ID, s.hub.Version, assets.PartEdit{Number: s.hub.Number, Description: "Hub anew", Class: "hub"}); err != nil {
		t.Error(err)
	}
	// a set of facts is the whole of them
	if p, err := assets.OnePart(ctx, s.db, access.System, s.hub.ID); err != nil || len(p.Facts) != 0 || p.Description != "Hub anew" {
		t.Errorf("%+v %v", p, err)
	}
}

func TestLocations(t *testing.T) {
	t.Parallel()
	s := newStock(t)
	add := func(who access.Actor, in assets.NewLocation) error {
		_, err := pgtest.Write(s.db, who, func(tx *gorm.DB) (assets.Location, error) { return assets.AddLocation(tx, who, now, in) })
		return err
	}
	shelf := assets.NewLocation{Code: "UMB-SHELF", Name: "Shelf", Kind: "site_shelf", SiteID: &s.site.ID}
	wantKind(t, add(nobody, shelf), fault.Forbidden, "")
	wantKind(t, add(access.System, assets.NewLocation{Code: "X", Name: "x", Kind: "site_shelf"}), fault.Invalid, "site_id: is given for a site_shelf")
	wantKind(t, add(access.System, assets.NewLocation{Code: "X", Name: "x", Kind: "van", SiteID: &s.site.ID}), fault.Invalid, "and for nothing else")
	wantKind(t, add(access.System, assets.NewLocation{Code: "V1", Name: "x", Kind: "van"}), fault.Conflict, "in use by another location")
	wantKind(t, add(access.System, assets.NewLocation{Code: "v 1", Name: "x", Kind: "van"}), fault.Invalid, "code")
	wantKind(t, add(access.System, assets.NewLocation{Code: "X", Name: " ", Kind: "van"}), fault.Invalid, "name")
	wantKind(t, add(access.System, assets.NewLocation{Code: "X", Name: "x", Kind: "attic"}), fault.Invalid, "kind")
	if err := add(access.System, shelf); err != nil {
		t.Fatal(err)
	}
	owner := s.person(t, "hadrelle", access.NewGrant{Role: "owner", CustomerID: &s.customer.ID})
	if all, err := assets.Locations(ctx, s.db, owner, assets.Page{Limit: 10}); err != nil || len(all) != 1 || all[0].Code != "UMB-SHELF" {
		t.Errorf("an owner sees %+v %v", all, err)
	}
	all, err := assets.Locations(ctx, s.db, access.System, assets.Page{Limit: 10})
	if err != nil || len(all) != 4 {
		t.Fatalf("%+v %v", all, err)
	}
	byCode := map[string]assets.Location{}
	for _, l := range all {
		byCode[l.Code] = l
	}
	edit := func(who access.Actor, l assets.Location, in assets.LocationEdit) (assets.Location, error) {
		return pgtest.Write(s.db, who, func(tx *gorm.DB) (assets.Location, error) { return assets.EditLocation(tx, who, l.ID, l.Version, in) })
	}
	van, its := byCode["V1"], byCode["UMB-SHELF"]
	bench, err := edit(access.System, van, assets.LocationEdit{Name: " Old van ", Kind: "quarantine"})
	if err != nil || bench.Name != "Old van" || bench.Kind != "quarantine" || bench.Version != van.Version+1 || bench.Code != "V1" {
		t.Errorf("%+v %v", bench, err)
	}
	for says, try := range map[string]func() error{
		"changed meanwhile": func() error {
			_, err := edit(access.System, van, assets.LocationEdit{Name: "x", Kind: "van"})
			return err
		},
		"kind: is site_shelf for a shelf at a site, which stays one": func() error {
			_, err := edit(access.System, its, assets.LocationEdit{Name: "x", Kind: "van"})
			return err
		},
		"and for nothing else": func() error {
			_, err := edit(access.System, bench, assets.LocationEdit{Name: "x", Kind: "site_shelf"})
			return err
		},
		"kind: is warehouse, van": func() error {
			_, err := edit(access.System, bench, assets.LocationEdit{Name: "x", Kind: "attic"})
			return err
		},
		"name: must not be blank": func() error {
			_, err := edit(access.System, bench, assets.LocationEdit{Name: " ", Kind: "van"})
			return err
		},
		"do not include the right": func() error { _, err := edit(nobody, bench, assets.LocationEdit{Name: "x", Kind: "van"}); return err },
	} {
		if err := try(); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("want %q, got %v", says, err)
		}
	}
	if l, err := assets.OneLocation(ctx, s.db, access.System, van.ID); err != nil || l != bench {
		t.Errorf("now it is %+v %v", l, err)
	}
}

func TestUnitsAreRecorded(t *testing.T) {
	t.Parallel()
	s := newStock(t)
	minus, hours := -1.0, 3120.5
	minusN, minusD := int64(-1), -1
	none := uuid.New()
	add := func(who access.Actor, in ...assets.NewUnit) ([]assets.Unit, error) {
		return pgtest.Write(s.db, who, func(tx *gorm.DB) ([]assets.Unit, error) { return assets.AddUnits(tx, who, now, in) })
	}
	of := func(change func(*assets.NewUnit)) assets.NewUnit {
		u := assets.NewUnit{UnitEdit: assets.UnitEdit{PartID: s.motor.ID}}
		change(&u)
		return u
	}
	plain := of(func(*assets.NewUnit) {})
	taken := of(func(u *assets.NewUnit) { u.Tag = "OLD-1" })
	if _, err := add(access.System, taken); err != nil {
		t.Fatal(err)
	}
	label := ident.Tag(9_000_001)
	wrong := label[:len(label)-1] + map[bool]string{true: "A", false: "B"}[label[len(label)-1] != 'A']
	for _, c := range []struct {
		in   assets.NewUnit
		says string
	}{
		{of(func(u *assets.NewUnit) { u.PartID = none }), "items[1].part_id: names no part"},
		{of(func(u *assets.NewUnit) { u.Owner = "nobody" }), "items[1].owner: is distributor, consignment or customer"},
		{of(func(u *assets.NewUnit) { u.Owner = "customer" }), "items[1].owner_customer_id: is given where"},
		{of(func(u *assets.NewUnit) { u.OwnerCustomerID = &s.customer.ID }), "items[1].owner_customer_id: is given where"},
		{of(func(u *assets.NewUnit) { u.Owner, u.OwnerCustomerID = "customer", &none }), "items[1].owner_customer_id: names no customer"},
		{of(func(u *assets.NewUnit) { u.StartHours = &minus }), "items[1].start_hours"},
		{of(func(u *assets.NewUnit) { u.StartVehicles = &minusN }), "items[1].start_vehicles"},
		{of(func(u *assets.NewUnit) { u.StartDays = &minusD }), "items[1].start_days"},
		{of(func(u *assets.NewUnit) { u.Tag = "old 1" }), "items[1].tag: takes 1 to 24"},
		{of(func(u *assets.NewUnit) { u.Tag = wrong }), "items[1].tag: is not one of our labels"},
		{taken, "items[1].tag: is in use by another unit"},
		{of(func(u *assets.NewUnit) { u.Pattern = "AABB" }), "items[1].pattern: belongs to a media set"},
		{of(func(u *assets.NewUnit) { u.PartID, u.Pattern = s.media.ID, "aabb" }), "items[1].pattern: is a row of A and B"},
	} {
		_, err := add(access.System, plain, c.in)
		if k := fault.KindOf(err); k != fault.Invalid && k != fault.Conflict || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%v, not %q", err, c.says)
		}
	}
	_, err := add(access.System, of(func(u *assets.NewUnit) { u.Tag = "T" }), of(func(u *assets.NewUnit) { u.Tag = "T" }))
	wantKind(t, err, fault.Invalid, "items[1].tag: is the tag of items[0] too")
	_, err = add(nobody, plain)
	wantKind(t, err, fault.Forbidden, "")
	_, err = pgtest.Write(s.db, access.System, func(tx *gorm.DB) (assets.Unit, error) { return assets.AddUnit(tx, access.System, now, taken) })
	wantKind(t, err, fault.Conflict, "tag: is in use by another unit")
	_, err = pgtest.Write(s.db, access.System, func(tx *gorm.DB) (assets.Unit, error) {
		return assets.AddUnit(tx, access.System, now, of(func(u *assets.NewUnit) { u.Owner = "nobody"; u.PartID = none }))
	})
	if f, ok := err.(*fault.Error); !ok || len(f.Parts) != 2 || f.Parts[0].Field != "owner" || f.Parts[1].Field != "part_id" {
		t.Errorf("of one unit: %+v", err)
	}

	// labels are printed before they are used: the next of ours passes over those
	first, err := add(access.System, plain)
	if err != nil {
		t.Fatal(err)
	}
	next := func(after string) string {
		for n := int64(1); ; n++ {
			if ident.Tag(n) == after {
				return ident.Tag(n + 1)
			}
		}
	}
	ahead := next(first[0].Tag)
	second, err := add(access.System, plain, of(func(u *assets.NewUnit) { u.Tag = ahead }))
	if err != nil || second[0].Tag != next(ahead) || second[1].Tag != ahead {
		t.Errorf("%v %v after %s", tags(second), err, first[0].Tag)
	}
	if _, err := add(access.System, of(func(u *assets.NewUnit) { u.Tag = next(next(ahead)) })); err != nil {
		t.Fatal(err)
	}
	if third, err := add(access.System, plain, plain); err != nil || third[0].Tag != next(next(next(ahead))) {
		t.Errorf("%v %v", tags(third), err)
	}

	// the serial is text, with its zeros; it may be found in other letters
	u, err := pgtest.Write(s.db, access.System, func(tx *gorm.DB) (assets.Unit, error) {
		return assets.AddUnit(tx, access.System, now, of(func(u *assets.NewUnit) {
			u.Serial, u.Owner, u.OwnerCustomerID, u.StartHours = " 00-Io7 ", "customer", &s.customer.ID, &hours
		}))
	})
	if err != nil || *u.Serial != "00-Io7" || *u.StartHours != hours || u.Class != "gearmotor" || *u.OwnerCustomerID != s.customer.ID {
		t.Errorf("%+v %v", u, err)
	}
	serial, class := "00-1O7", "gearmotor"
	if all, err := assets.Units(ctx, s.db, access.System, now, assets.UnitFilter{Serial: &serial, Class: &class, PartID: &s.motor.ID}, assets.Page{Limit: 10}); err != nil || len(all) != 1 || all[0].ID != u.ID {
		t.Errorf("%v %v", tags(all), err)
	}

	edit := func(who access.Actor, version int, in assets.UnitEdit) (assets.Unit, error) {
		return pgtest.Write(s.db, who, func(tx *gorm.DB) (assets.Unit, error) { return assets.EditUnit(tx, who, now, u.ID, version, in) })
	}
	same := assets.UnitEdit{PartID: s.motor.ID}
	for says, in := range map[string]assets.UnitEdit{
		"part_id: names no part":               {PartID: none},
		"part_id: MW-21010":                    {},
		"pattern: belongs to a media set":      {PartID: s.motor.ID, Pattern: "AABB"},
		"owner: is distributor":                {PartID: s.motor.ID, Owner: "x"},
		"owner_customer_id: names no customer": {PartID: s.motor.ID, Owner: "customer", OwnerCustomerID: &none},
	} {
		if strings.Contains(says, "MW-21010") { // a hub is no motor, wherever it is fitted
			in.PartID, says = s.hub.ID, "is a hub; "+u.Tag+" was recorded as a gearmotor"
		}
		_, err := edit(access.System, u.Version, in)
		wantKind(t, err, fault.Invalid, says)
	}
	_, err = edit(nobody, u.Version, same)
	wantKind(t, err, fault.Forbidden, "")
	_, err = edit(access.System, u.Version+1, same)
	wantKind(t, err, fault.Stale, "")
	if got, err := edit(access.System, u.Version, same); err != nil || got.Serial != nil || got.Owner != "distributor" || got.Tag != u.Tag || got.Version != u.Version+1 {
		t.Errorf("%+v %v", got, err)
	}
	set, err := add(access.System, of(func(n *assets.NewUnit) { n.PartID = s.media.ID }))
	if err != nil {
		t.Fatal(err)
	}
	_, err = pgtest.Write(s.db, access.System, func(tx *gorm.DB) (assets.Unit, error) {
		return assets.EditUnit(tx, access.System, now, set[0].ID, set[0].Version, assets.UnitEdit{PartID: s.media.ID, Pattern: "AABBAABBAABBAAB"})
	})
	wantKind(t, err, fault.Invalid, "has 15 sections")
	if _, err := assets.OneUnit(ctx, s.db, access.System, now, none); fault.KindOf(err) != fault.NotFound {
		t.Error(err)
	}
}

func TestSpellPattern(t *testing.T) {
	for short, want := range map[string]string{"AABBx2": "AABBAABB", "AB": "AB", "Ax3": "AAA", "": "", "x2": "", "AABBx": "", "AABBx0": "", "AABBx-1": "", "AABBx02": "",
		"AABBx101": "", "ABCx2": "", "aabbx2": "", "AABBx2x2": "", "AABBx 2": ""} {
		if got, ok := assets.SpellPattern(short); got != want || ok != (want != "") {
			t.Errorf("%q is %q %v, not %q", short, got, ok, want)
		}
	}
}
