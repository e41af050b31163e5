package assets_test

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/fault"
	"spindlebook/internal/measure"
	"spindlebook/internal/pgtest"
)

var sys = access.System

func (w world) editCustomer(id uuid.UUID, version int, in assets.CustomerEdit) (assets.Customer, error) {
	return pgtest.Write(w.db, sys, func(tx *gorm.DB) (assets.Customer, error) { return assets.EditCustomer(tx, sys, id, version, in) })
}

func (w world) editSite(id uuid.UUID, version int, in assets.SiteEdit) (assets.Site, error) {
	return pgtest.Write(w.db, sys, func(tx *gorm.DB) (assets.Site, error) { return assets.EditSite(tx, sys, id, version, in) })
}

func (w world) editLine(id uuid.UUID, version int, in assets.LineEdit) (assets.Line, error) {
	return pgtest.Write(w.db, sys, func(tx *gorm.DB) (assets.Line, error) { return assets.EditLine(tx, sys, id, version, in) })
}

func (w world) editPosition(id uuid.UUID, version int, in assets.PositionEdit) (assets.Position, error) {
	return pgtest.Write(w.db, sys, func(tx *gorm.DB) (assets.Position, error) { return assets.EditPosition(tx, sys, id, version, in) })
}

func (w world) addSite(in assets.SiteEdit) (assets.Site, error) {
	return pgtest.Write(w.db, sys, func(tx *gorm.DB) (assets.Site, error) { return assets.AddSite(tx, sys, now, w.customer.ID, nil, in) })
}

func (w world) addLine(site uuid.UUID, in assets.LineEdit) (assets.Line, error) {
	return pgtest.Write(w.db, sys, func(tx *gorm.DB) (assets.Line, error) { return assets.AddLine(tx, sys, now, site, nil, in) })
}

func (w world) setHours(at time.Time, version int, week ...assets.WeeklyHours) ([]assets.WeeklyHours, error) {
	return pgtest.Write(w.db, sys, func(tx *gorm.DB) ([]assets.WeeklyHours, error) {
		_, all, err := assets.ReplaceHours(tx, sys, at, w.site.ID, version, week)
		return all, err
	})
}

func (w world) pair(id uuid.UUID, version int, twin *uuid.UUID) (assets.Position, error) {
	return pgtest.Write(w.db, sys, func(tx *gorm.DB) (assets.Position, error) { return assets.Pair(tx, sys, id, version, twin) })
}

func (w world) isolate(id uuid.UUID, version int, points ...uuid.UUID) ([]assets.IsolationPoint, error) {
	return pgtest.Write(w.db, sys, func(tx *gorm.DB) ([]assets.IsolationPoint, error) {
		_, all, err := assets.SetIsolation(tx, sys, now, id, version, points)
		return all, err
	})
}

// edits are all the edits that name a version, each as one of several editors
// would send it.
func (w world) edits(t testing.TB) map[string]func(version, editor int) error {
	t.Helper()
	letter := func(editor int) string { return string(rune('A' + editor)) }
	point := w.addPoint(t, "E1", began)
	return map[string]func(version, editor int) error{
		"customer": func(v, e int) error {
			_, err := w.editCustomer(w.customer.ID, v, assets.CustomerEdit{Code: "HAD", Name: letter(e)})
			return err
		},
		"site": func(v, e int) error {
			in := siteEdit(w.site)
			in.Name = letter(e)
			_, err := w.editSite(w.site.ID, v, in)
			return err
		},
		"line": func(v, e int) error {
			_, err := w.editLine(w.line.ID, v, assets.LineEdit{Code: "UMB-1", Name: letter(e)})
			return err
		},
		"position": func(v, e int) error {
			in := positionEdit(w.left)
			in.Name = letter(e)
			_, err := w.editPosition(w.left.ID, v, in)
			return err
		},
		"pair": func(v, e int) error { _, err := w.pair(w.left.ID, v, &w.right.ID); return err },
		"hours": func(v, e int) error {
			_, err := w.setHours(now, v, assets.WeeklyHours{Kind: "open", Weekday: 1 + e, Starts: "07:00", Minutes: 60})
			return err
		},
		"isolation": func(v, e int) error { _, err := w.isolate(w.left.ID, v, point.ID); return err },
	}
}

func TestAStaleEditChangesNothing(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	edits := w.edits(t)
	as := record(t, w.owner)
	for what, edit := range edits {
		for _, version := range []int{0, 2, -1} {
			f := pgtest.Refused(t, what, edit(version, 0), fault.Stale, "If-Match")
			if !strings.Contains(f.Msg, `version "1"`) {
				t.Errorf("%s: the version now is given as %q", what, f.Msg)
			}
		}
	}
	nobody := uuid.New()
	for what, edit := range map[string]func() error{
		"customer": func() error {
			_, err := w.editCustomer(nobody, 1, assets.CustomerEdit{Code: "X", Name: "x"})
			return err
		},
		"site":      func() error { _, err := w.editSite(nobody, 1, siteEdit(w.site)); return err },
		"line":      func() error { _, err := w.editLine(nobody, 1, assets.LineEdit{Code: "X"}); return err },
		"position":  func() error { _, err := w.editPosition(nobody, 1, positionEdit(w.left)); return err },
		"pair":      func() error { _, err := w.pair(nobody, 1, &w.right.ID); return err },
		"isolation": func() error { _, err := w.isolate(nobody, 1); return err },
	} {
		pgtest.Refused(t, what+" that is not there", edit(), fault.NotFound, "")
	}
	if record(t, w.owner) != as {
		t.Error("something was changed after all")
	}
}

func TestOfManyEditorsAtOnceOneWins(t *testing.T) {
	t.Parallel()
	for _, what := range []string{"customer", "site", "line", "position", "pair", "hours", "isolation"} {
		t.Run(what, func(t *testing.T) {
			t.Parallel()
			w := newWorld(t)
			edit := w.edits(t)[what]
			outcomes := atOnce(4, func(i int) error { return edit(1, i) })
			if outcomes[none] != 1 || outcomes[fault.Stale] != 3 {
				t.Errorf("outcomes %v", outcomes)
			}
			if err := edit(2, 0); err != nil {
				t.Errorf("the next edit: %v", err)
			}
		})
	}
}

func TestACodeThatIsTakenNamesItsHolder(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	kes := addCustomer(t, w.db, "KES")
	site2 := addSite(t, w.db, "KES", kes.ID, began)
	line2, err := w.addLine(site2.ID, assets.LineEdit{Code: "KES-1"})
	if err != nil {
		t.Fatal(err)
	}
	_, err = pgtest.Write(w.db, sys, func(tx *gorm.DB) (assets.Customer, error) {
		return assets.AddCustomer(tx, sys, now, assets.CustomerEdit{Code: "HAD", Name: "x"})
	})
	names(t, "a new customer", pgtest.Refused(t, "a new customer", err, fault.Conflict, "code"), "customer", w.customer.ID, "HAD")
	_, err = w.editCustomer(kes.ID, 1, assets.CustomerEdit{Code: "HAD", Name: "x"})
	names(t, "an edited customer", pgtest.Refused(t, "an edited customer", err, fault.Conflict, "code"), "customer", w.customer.ID, "HAD")
	in := siteEdit(site2)
	in.Code = "UMB"
	_, err = w.addSite(in)
	names(t, "a new site", pgtest.Refused(t, "a new site", err, fault.Conflict, "code"), "site", w.site.ID, "UMB")
	_, err = w.editSite(site2.ID, 1, in)
	names(t, "an edited site", pgtest.Refused(t, "an edited site", err, fault.Conflict, "code"), "site", w.site.ID, "UMB")
	_, err = w.addLine(site2.ID, assets.LineEdit{Code: "UMB-1"})
	names(t, "a new line", pgtest.Refused(t, "a new line", err, fault.Conflict, "code"), "line", w.line.ID, "UMB-1")
	_, err = w.editLine(line2.ID, 1, assets.LineEdit{Code: "UMB-1"})
	names(t, "an edited line", pgtest.Refused(t, "an edited line", err, fault.Conflict, "code"), "line", w.line.ID, "UMB-1")
	_, err = w.addPosition(newPosition(w, "UMB-1/SBL-L", "arch", "centre", began))
	names(t, "a new position", pgtest.Refused(t, "a new position", err, fault.Conflict, "code"), "position", w.left.ID, "UMB-1/SBL-L")
	moved := positionEdit(w.right)
	moved.Code = "UMB-1/SBL-L"
	_, err = w.editPosition(w.right.ID, 1, moved)
	names(t, "an edited position", pgtest.Refused(t, "an edited position", err, fault.Conflict, "code"), "position", w.left.ID, "UMB-1/SBL-L")
	point := w.addPoint(t, "E1", began)
	_, err = pgtest.Write(w.db, sys, func(tx *gorm.DB) (assets.IsolationPoint, error) {
		return assets.AddIsolationPoint(tx, sys, now, w.site.ID, "E1", "air", isolation(began, "x"))
	})
	names(t, "a new point", pgtest.Refused(t, "a new point", err, fault.Conflict, "code"), "isolation point", point.ID, "E1")
	// the code of a point is its site's own
	if _, err := pgtest.Write(w.db, sys, func(tx *gorm.DB) (assets.IsolationPoint, error) {
		return assets.AddIsolationPoint(tx, sys, now, site2.ID, "E1", "air", isolation(began, "x"))
	}); err != nil {
		t.Errorf("the same code at another site: %v", err)
	}
	// several at once, where none was there before: one gets it, the others hear who
	outcomes := atOnce(4, func(int) error {
		_, err := pgtest.Write(w.db, sys, func(tx *gorm.DB) (assets.Customer, error) {
			return assets.AddCustomer(tx, sys, now, assets.CustomerEdit{Code: "NEW", Name: "x"})
		})
		if f, ok := err.(*fault.Error); ok && f.Existing == nil {
			t.Error("the holder is not named")
		}
		return err
	})
	if outcomes[none] != 1 || outcomes[fault.Conflict] != 3 {
		t.Errorf("several at once: %v", outcomes)
	}
}

func TestCustomersAreReadAsTheyWereRecorded(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	got, err := w.editCustomer(w.customer.ID, 1, assets.CustomerEdit{Code: "HAD-2", Name: "  Hadrelle ", NeedsOrderNumber: true})
	want := assets.Customer{ID: w.customer.ID, Code: "HAD-2", Name: "Hadrelle", NeedsOrderNumber: true, Version: 2, CreatedAt: w.customer.CreatedAt}
	if err != nil || got != want {
		t.Errorf("edited to %+v, %v, want %+v", got, err, want)
	}
	addCustomer(t, w.db, "KES")
	addCustomer(t, w.db, "ADA")
	first, err := assets.Customers(ctx, w.db, sys, assets.Page{Limit: 2})
	if err != nil || len(first) != 2 || first[0].Code != "ADA" || first[1].Code != "HAD-2" {
		t.Fatalf("the first page is %+v, %v", first, err)
	}
	rest, err := assets.Customers(ctx, w.db, sys, assets.Page{After: first[1].Code, Limit: 2})
	if err != nil || len(rest) != 1 || rest[0].Code != "KES" {
		t.Errorf("the second page is %+v, %v", rest, err)
	}
	for _, bad := range []assets.CustomerEdit{{Code: "", Name: "x"}, {Code: "had", Name: "x"}, {Code: "-A", Name: "x"}, {Code: strings.Repeat("A", 17), Name: "x"}, {Code: "Ä", Name: "x"}} {
		_, err := w.editCustomer(w.customer.ID, 2, bad)
		pgtest.Refused(t, "code "+bad.Code, err, fault.Invalid, "code")
	}
	_, err = w.editCustomer(w.customer.ID, 2, assets.CustomerEdit{Code: "A", Name: " \t"})
	pgtest.Refused(t, "a blank name", err, fault.Invalid, "name")
}

func TestSitesAreCheckedAndKept(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	full := assets.SiteEdit{Code: "DAM-2", Name: " Dam ", Address: " 1 Dam Rd ", Latitude: new(-41.5), Longitude: new(174.25), Zone: "Pacific/Auckland", Currency: "NZD",
		Climate: "mild_wet", Size: "small", DriverSide: "right", DayTurnsAt: "04:30"}
	s, err := w.addSite(full)
	if err != nil {
		t.Fatal(err)
	}
	if s.Name != "Dam" || s.Address != "1 Dam Rd" || *s.Latitude != -41.5 || *s.Longitude != 174.25 || s.DayTurnsAt != "04:30" || s.DriverSide != "right" || *s.CustomerCode != "HAD" || s.Version != 1 {
		t.Errorf("recorded %+v", s)
	}
	if s.Location().String() != "Pacific/Auckland" || (assets.Site{Zone: "Mars/Olympus"}).Location() != time.UTC {
		t.Errorf("the zones are %v", s.Location())
	}
	if w.site.DayTurnsAt != "03:00" {
		t.Errorf("where nothing is said the day turns at %s", w.site.DayTurnsAt)
	}
	if got, err := assets.OneSite(ctx, w.db, sys, s.ID); err != nil || got.Code != "DAM-2" || *got.Latitude != -41.5 {
		t.Errorf("read %+v, %v", got, err)
	}
	for what, c := range map[string]struct {
		change func(in *assets.SiteEdit)
		field  string
	}{
		"no zone":                {func(in *assets.SiteEdit) { in.Zone = "" }, "zone"},
		"a zone of this machine": {func(in *assets.SiteEdit) { in.Zone = "Local" }, "zone"},
		"the machine's zone":     {func(in *assets.SiteEdit) { in.Zone = "localtime" }, "zone"},
		"an unknown zone":        {func(in *assets.SiteEdit) { in.Zone = "America/Atlantis" }, "zone"},
		"of Go alone":            {func(in *assets.SiteEdit) { in.Zone = "right/America/Chicago" }, "zone"}, // where the machine has it at all
		"a zone by path":         {func(in *assets.SiteEdit) { in.Zone = "../../etc/passwd" }, "zone"},
		"latitude alone":         {func(in *assets.SiteEdit) { in.Longitude = nil }, "latitude"},
		"longitude alone":        {func(in *assets.SiteEdit) { in.Latitude = nil }, "latitude"},
		"beyond the pole":        {func(in *assets.SiteEdit) { in.Latitude = new(90.01) }, "latitude"},
		"once round":             {func(in *assets.SiteEdit) { in.Longitude = new(-180.01) }, "longitude"},
		"nowhere":                {func(in *assets.SiteEdit) { in.Latitude = new(math.NaN()) }, "latitude"},
		"no time of day":         {func(in *assets.SiteEdit) { in.DayTurnsAt = "25:00" }, "day_turns_at"},
		"a word for it":          {func(in *assets.SiteEdit) { in.DayTurnsAt = "noon" }, "day_turns_at"},
		"currency":               {func(in *assets.SiteEdit) { in.Currency = "usd" }, "currency"},
		"climate":                {func(in *assets.SiteEdit) { in.Climate = "arctic" }, "climate"},
		"size":                   {func(in *assets.SiteEdit) { in.Size = "huge" }, "size"},
		"driver's side":          {func(in *assets.SiteEdit) { in.DriverSide = "middle" }, "driver_side"},
		"code":                   {func(in *assets.SiteEdit) { in.Code = "dam" }, "code"},
		"name":                   {func(in *assets.SiteEdit) { in.Name = " " }, "name"},
	} {
		in := full
		in.Code = "NEW"
		c.change(&in)
		_, err := w.addSite(in)
		pgtest.Refused(t, "a new site, "+what, err, fault.Invalid, c.field)
		_, err = w.editSite(s.ID, 1, in)
		pgtest.Refused(t, "an edited site, "+what, err, fault.Invalid, c.field)
	}
	in := full
	in.Zone, in.Latitude = "Mars/Olympus", nil
	_, err = w.addSite(in)
	if f := pgtest.Refused(t, "two faults", err, fault.Invalid, ""); len(f.Parts) != 2 || f.Parts[0].Field != "zone" || f.Parts[1].Field != "latitude" {
		t.Errorf("of two faults are told %+v", f.Parts)
	}
	_, err = pgtest.Write(w.db, sys, func(tx *gorm.DB) (assets.Site, error) {
		in := full
		in.Code = "NEW"
		return assets.AddSite(tx, sys, now, uuid.New(), nil, in)
	})
	pgtest.Refused(t, "a site of nobody", err, fault.Invalid, "customer_id")
	full.Latitude, full.Longitude, full.DayTurnsAt = nil, nil, ""
	if got, err := w.editSite(s.ID, 1, full); err != nil || got.Latitude != nil || got.DayTurnsAt != "03:00" || got.Version != 2 {
		t.Errorf("edited to %+v, %v", got, err)
	}
	kes := addCustomer(t, w.db, "KES")
	addSite(t, w.db, "KES", kes.ID, began)
	for _, c := range []struct {
		customer *uuid.UUID
		after    string
		want     []string
	}{{nil, "", []string{"DAM-2", "KES", "UMB"}}, {nil, "DAM-2", []string{"KES", "UMB"}}, {&w.customer.ID, "", []string{"DAM-2", "UMB"}}, {&kes.ID, "", []string{"KES"}}, {new(uuid.New()), "", nil}} {
		found, err := assets.Sites(ctx, w.db, sys, c.customer, assets.Page{After: c.after, Limit: 10})
		if err != nil {
			t.Fatal(err)
		}
		var codes []string
		for _, s := range found {
			codes = append(codes, s.Code)
		}
		if !slices.Equal(codes, c.want) {
			t.Errorf("of %v after %q come %v, want %v", c.customer, c.after, codes, c.want)
		}
	}
}

func TestASiteIsHandedOverInOrder(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	kes, mir := addCustomer(t, w.db, "KES"), addCustomer(t, w.db, "MIR")
	hand := func(site, to uuid.UUID, from time.Time) ([]assets.Ownership, error) {
		return pgtest.Write(w.db, sys, func(tx *gorm.DB) ([]assets.Ownership, error) { return assets.HandOver(tx, sys, site, to, from) })
	}
	_, err := hand(w.site.ID, w.customer.ID, now)
	pgtest.Refused(t, "to whoever has it", err, fault.Invalid, "customer_id")
	_, err = hand(w.site.ID, kes.ID, began)
	pgtest.Refused(t, "at its beginning", err, fault.Invalid, "from")
	_, err = hand(w.site.ID, uuid.New(), now)
	pgtest.Refused(t, "to nobody", err, fault.Invalid, "customer_id")
	_, err = hand(uuid.New(), kes.ID, now)
	pgtest.Refused(t, "of nothing", err, fault.NotFound, "")
	all, err := hand(w.site.ID, kes.ID, sold)
	if err != nil || len(all) != 2 || all[0].CustomerID != w.customer.ID || all[0].Until == nil || !all[0].Until.Equal(sold) || all[1].CustomerCode != "KES" || !all[1].From.Equal(sold) || all[1].Until != nil {
		t.Errorf("handed over: %+v, %v", all, err)
	}
	// nobody's time is cut short of what is agreed already
	_, err = hand(w.site.ID, mir.ID, sold.Add(-time.Hour))
	pgtest.Refused(t, "before the last sale", err, fault.Invalid, "from")
	// two sales at once, to two buyers
	outcomes := atOnce(2, func(i int) error {
		_, err := hand(w.site.ID, []uuid.UUID{mir.ID, w.customer.ID}[i], now.Add(time.Duration(i)*time.Hour))
		return err
	})
	all, err = assets.Ownerships(ctx, w.db, sys, w.site.ID)
	if err != nil || outcomes[none] < 1 {
		t.Fatalf("outcomes %v, %v", outcomes, err)
	}
	for i := 1; i < len(all); i++ {
		if all[i-1].Until == nil || !all[i-1].Until.Equal(all[i].From) {
			t.Errorf("between two owners lies a gap or an overlap: %+v", all)
		}
	}
	if len(all) != 2+outcomes[none] {
		t.Errorf("of %v came %d owners", outcomes, len(all))
	}
}

func TestLinesAreCheckedAndKept(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	// 110 ft are 33.528 m, and 12 m/s are no speed of a conveyor
	if w.line.LengthM == nil || *w.line.LengthM != 33.528 || *w.line.LengthTyped != "110 ft" || w.line.SpeedMMin != nil || !w.line.From.Equal(began) {
		t.Errorf("recorded %+v", w.line)
	}
	in := assets.LineEdit{Code: "UMB-1", Name: " Main ", Length: &measure.Typed{Value: 30, Unit: "m"}, Speed: &measure.Typed{Value: 50, Unit: "ft/min"}, VehiclesPerHourMax: new(140)}
	got, err := w.editLine(w.line.ID, 1, in)
	if err != nil || got.Name != "Main" || *got.LengthM != 30 || *got.SpeedMMin != 15.24 || *got.SpeedTyped != "50 ft/min" || *got.VehiclesPerHourMax != 140 || got.Version != 2 {
		t.Errorf("edited to %+v, %v", got, err)
	}
	for what, c := range map[string]struct {
		change func(in *assets.LineEdit)
		field  string
	}{
		"code":             {func(in *assets.LineEdit) { in.Code = "umb" }, "code"},
		"unit":             {func(in *assets.LineEdit) { in.Length = &measure.Typed{Value: 1, Unit: "yd"} }, "length.unit"},
		"no length":        {func(in *assets.LineEdit) { in.Length = &measure.Typed{Value: 0, Unit: "m"} }, "length"},
		"too long":         {func(in *assets.LineEdit) { in.Length = &measure.Typed{Value: 1000, Unit: "m"} }, "length"},
		"too fast":         {func(in *assets.LineEdit) { in.Speed = &measure.Typed{Value: 12, Unit: "m/s"} }, "speed"},
		"unit of speed":    {func(in *assets.LineEdit) { in.Speed = &measure.Typed{Value: 12, Unit: "ft"} }, "speed.unit"},
		"no vehicles":      {func(in *assets.LineEdit) { in.VehiclesPerHourMax = new(0) }, "vehicles_per_hour_max"},
		"an ocean of them": {func(in *assets.LineEdit) { in.VehiclesPerHourMax = new(math.MaxInt) }, "vehicles_per_hour_max"},
	} {
		bad := in
		c.change(&bad)
		_, err := w.editLine(w.line.ID, 2, bad)
		pgtest.Refused(t, "edited, "+what, err, fault.Invalid, c.field)
		if bad.Code == "UMB-1" {
			bad.Code = "UMB-9"
		}
		_, err = w.addLine(w.site.ID, bad)
		pgtest.Refused(t, "new, "+what, err, fault.Invalid, c.field)
	}
	_, err = w.addLine(uuid.New(), assets.LineEdit{Code: "UMB-9"})
	pgtest.Refused(t, "of no site", err, fault.Invalid, "site_id")
	site2 := addSite(t, w.db, "KES", w.customer.ID, began)
	if _, err := w.addLine(site2.ID, assets.LineEdit{Code: "KES-1"}); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		site *uuid.UUID
		want int
	}{{nil, 2}, {&w.site.ID, 1}, {&site2.ID, 1}, {new(uuid.New()), 0}} {
		if found, err := assets.Lines(ctx, w.db, sys, c.site, assets.Page{Limit: 10}); err != nil || len(found) != c.want {
			t.Errorf("of %v come %+v, %v", c.site, found, err)
		}
	}
	if found, err := assets.Lines(ctx, w.db, sys, nil, assets.Page{After: "KES-1", Limit: 10}); err != nil || len(found) != 1 || found[0].Code != "UMB-1" {
		t.Errorf("after the first comes %+v, %v", found, err)
	}
}

func TestSuppliesAreDated(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	add := func(site uuid.UUID, in assets.NewSupply) (assets.Supply, error) {
		return pgtest.Write(w.db, sys, func(tx *gorm.DB) (assets.Supply, error) { return assets.AddSupply(tx, sys, now, site, in) })
	}
	end := func(site, id uuid.UUID, at time.Time) (assets.Supply, error) {
		return pgtest.Write(w.db, sys, func(tx *gorm.DB) (assets.Supply, error) { return assets.EndSupply(tx, sys, site, id, at) })
	}
	one := assets.NewSupply{Code: "main", Volts: 208, Phases: 3, Hertz: 60, HighLeg: true, From: &began}
	s, err := add(w.site.ID, one)
	if err != nil || s.Volts != 208 || s.Phases != 3 || s.Hertz != 60 || !s.HighLeg || !s.From.Equal(began) || s.Until != nil || s.SiteID != w.site.ID {
		t.Fatalf("added %+v, %v", s, err)
	}
	_, err = add(w.site.ID, one)
	pgtest.Refused(t, "the same code at once", err, fault.Conflict, "code")
	for what, c := range map[string]struct {
		change func(in *assets.NewSupply)
		field  string
	}{
		"code": {func(in *assets.NewSupply) { in.Code = "" }, "code"}, "no volts": {func(in *assets.NewSupply) { in.Volts = 0 }, "volts"},
		"high tension": {func(in *assets.NewSupply) { in.Volts = 4160 }, "volts"}, "no number": {func(in *assets.NewSupply) { in.Volts = math.NaN() }, "volts"},
		"two phases": {func(in *assets.NewSupply) { in.Phases = 2 }, "phases"}, "an ocean of them": {func(in *assets.NewSupply) { in.Phases = math.MaxInt }, "phases"},
		"hertz": {func(in *assets.NewSupply) { in.Hertz = 400 }, "hertz"},
	} {
		in := one
		in.Code = "other"
		c.change(&in)
		_, err := add(w.site.ID, in)
		pgtest.Refused(t, what, err, fault.Invalid, c.field)
	}
	_, err = add(uuid.New(), one)
	pgtest.Refused(t, "at no site", err, fault.NotFound, "")
	_, err = end(w.site.ID, s.ID, began)
	pgtest.Refused(t, "ended as it began", err, fault.Invalid, "at")
	_, err = end(w.site.ID, uuid.New(), now)
	pgtest.Refused(t, "no such supply", err, fault.NotFound, "")
	_, err = end(addSite(t, w.db, "KES", w.customer.ID, began).ID, s.ID, now)
	pgtest.Refused(t, "of another site", err, fault.NotFound, "")
	if got, err := end(w.site.ID, s.ID, sold); err != nil || !got.Until.Equal(sold) {
		t.Errorf("ended %+v, %v", got, err)
	}
	_, err = end(w.site.ID, s.ID, now)
	pgtest.Refused(t, "ended again", err, fault.Conflict, "at")
	one.From, one.Volts = &sold, 480
	if _, err := add(w.site.ID, one); err != nil {
		t.Errorf("the code again, once it is free: %v", err)
	}
	all, err := assets.Supplies(ctx, w.db, sys, w.site.ID)
	if err != nil || len(all) != 2 || all[0].Volts != 208 || !all[0].Until.Equal(sold) || all[1].Volts != 480 {
		t.Errorf("listed %+v, %v", all, err)
	}
	_, err = assets.Supplies(ctx, w.db, sys, uuid.New())
	pgtest.Refused(t, "of no site", err, fault.NotFound, "")
}

func TestHoursOfAWeek(t *testing.T) {
	t.Parallel()
	open := func(weekday int, starts string, minutes int) assets.WeeklyHours {
		return assets.WeeklyHours{Kind: "open", Weekday: weekday, Starts: starts, Minutes: minutes}
	}
	down := func(weekday int, starts string, minutes int) assets.WeeklyHours {
		return assets.WeeklyHours{Kind: "line_may_be_down", Weekday: weekday, Starts: starts, Minutes: minutes}
	}
	var roundTheClock []assets.WeeklyHours
	for day := 1; day <= 7; day++ {
		roundTheClock = append(roundTheClock, open(day, "00:00", 1440))
	}
	w := newWorld(t)
	for what, c := range map[string]struct {
		week  []assets.WeeklyHours
		field string // "" where it is fine
	}{
		"nothing":                    {nil, ""},
		"round the clock":            {roundTheClock, ""},
		"twice a day":                {[]assets.WeeklyHours{open(1, "07:00", 300), open(1, "13:00", 60)}, ""},
		"one right after the other":  {[]assets.WeeklyHours{open(1, "07:00", 60), open(1, "08:00", 60)}, ""},
		"two kinds at once":          {[]assets.WeeklyHours{open(1, "07:00", 60), down(1, "07:00", 60)}, ""},
		"over midnight":              {[]assets.WeeklyHours{open(1, "22:00", 240), open(2, "02:00", 60)}, ""},
		"Sunday into Monday":         {[]assets.WeeklyHours{open(7, "22:00", 240), open(1, "02:00", 60)}, ""},
		"the same twice":             {[]assets.WeeklyHours{open(1, "07:00", 60), open(1, "07:00", 60)}, "items[1].starts"},
		"a shared minute":            {[]assets.WeeklyHours{open(1, "07:00", 61), open(1, "08:00", 60)}, "items[1].starts"},
		"one within the other":       {[]assets.WeeklyHours{open(1, "09:00", 60), down(1, "09:00", 60), open(1, "07:00", 600)}, "items[2].starts"},
		"over midnight, shared":      {[]assets.WeeklyHours{open(1, "22:00", 241), open(2, "02:00", 60)}, "items[1].starts"},
		"over midnight, other order": {[]assets.WeeklyHours{open(2, "02:00", 60), open(1, "22:00", 241)}, "items[1].starts"},
		"Sunday into Monday, shared": {[]assets.WeeklyHours{open(7, "22:00", 241), open(1, "02:00", 60)}, "items[1].starts"},
		"Monday before Sunday":       {[]assets.WeeklyHours{open(1, "02:00", 60), open(7, "22:00", 241)}, "items[1].starts"},
		"round the clock and more":   {append(slices.Clone(roundTheClock), open(4, "12:00", 1)), "items[7].starts"},
		"an eighth day":              {[]assets.WeeklyHours{open(8, "07:00", 60)}, "items[0].weekday"},
		"no day":                     {[]assets.WeeklyHours{open(1, "07:00", 60), open(0, "07:00", 60)}, "items[1].weekday"},
		"an ocean of days":           {[]assets.WeeklyHours{open(math.MaxInt, "07:00", 60)}, "items[0].weekday"},
		"no minutes":                 {[]assets.WeeklyHours{open(1, "07:00", 0)}, "items[0].minutes"},
		"more than a day":            {[]assets.WeeklyHours{open(1, "07:00", 1441)}, "items[0].minutes"},
		"an ocean of minutes":        {[]assets.WeeklyHours{open(1, "07:00", math.MaxInt)}, "items[0].minutes"},
		"no such kind":               {[]assets.WeeklyHours{{Kind: "shut", Weekday: 1, Starts: "07:00", Minutes: 60}}, "items[0].kind"},
		"no time of day":             {[]assets.WeeklyHours{open(1, "24:00", 60)}, "items[0].starts"},
		"a word":                     {[]assets.WeeklyHours{open(1, "noon", 60)}, "items[0].starts"},
	} {
		version := w.siteNow(t).Version
		all, err := w.setHours(now.Add(time.Duration(version)*time.Minute), version, c.week...)
		if c.field != "" {
			pgtest.Refused(t, what, err, fault.Invalid, c.field)
			continue
		}
		if err != nil || len(all) != len(c.week) {
			t.Errorf("%s: %+v, %v", what, all, err)
		}
	}
}

func TestANewWeekKeepsTheWeekBefore(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	at := func(when time.Time) []assets.WeeklyHours {
		t.Helper()
		all, err := assets.Hours(ctx, w.db, sys, w.site.ID, when)
		if err != nil {
			t.Fatal(err)
		}
		return all
	}
	monday, tuesday := assets.WeeklyHours{Kind: "open", Weekday: 1, Starts: "07:00", Minutes: 840}, assets.WeeklyHours{Kind: "open", Weekday: 2, Starts: "07:30", Minutes: 840}
	down := assets.WeeklyHours{Kind: "line_may_be_down", Weekday: 1, Starts: "05:00", Minutes: 120}
	if all, err := w.setHours(began, 1, down, tuesday, monday); err != nil || !slices.Equal(all, []assets.WeeklyHours{monday, tuesday, down}) {
		t.Errorf("the week is %+v, %v", all, err)
	}
	if _, err := w.setHours(now, 2, tuesday); err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(at(now.Add(-time.Microsecond)), []assets.WeeklyHours{monday, tuesday, down}) || !slices.Equal(at(now), []assets.WeeklyHours{tuesday}) || len(at(began.Add(-time.Hour))) != 0 {
		t.Errorf("before %v, then %v", at(now.Add(-time.Microsecond)), at(now))
	}
	// in the same instant again, and by a clock that runs behind: never two weeks at once
	for i, when := range []time.Time{now, now.Add(-time.Hour)} {
		if all, err := w.setHours(when, 3+i, monday); err != nil || !slices.Equal(all, []assets.WeeklyHours{monday}) {
			t.Errorf("at %v the week is %v, %v", when, all, err)
		}
		if got := at(now.Add(time.Second)); !slices.Equal(got, []assets.WeeklyHours{monday}) {
			t.Errorf("then it is %v", got)
		}
	}
	if got := w.siteNow(t).Version; got != 5 {
		t.Errorf("the site is at version %d", got)
	}
	_, err := assets.Hours(ctx, w.db, sys, uuid.New(), now)
	pgtest.Refused(t, "of no site", err, fault.NotFound, "")
}

func TestBlackoutsAreWithdrawnNotDeleted(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	site2 := addSite(t, w.db, "KES", w.customer.ID, began)
	add := func(site uuid.UUID, in assets.NewBlackout) (assets.Blackout, error) {
		return pgtest.Write(w.db, sys, func(tx *gorm.DB) (assets.Blackout, error) { return assets.AddBlackout(tx, sys, site, in) })
	}
	withdraw := func(at time.Time, site, id uuid.UUID) error {
		return w.db.InTx(ctx, sys.ID, func(tx *gorm.DB) error { return assets.WithdrawBlackout(tx, sys, at, site, id) })
	}
	one := assets.NewBlackout{LineID: &w.line.ID, From: now, Until: now.Add(48 * time.Hour), Reason: "Holiday"}
	b, err := add(w.site.ID, one)
	if err != nil || *b.LineID != w.line.ID || !b.Until.Equal(one.Until) || b.Reason != "Holiday" || b.WithdrawnAt != nil {
		t.Fatalf("added %+v, %v", b, err)
	}
	for what, c := range map[string]struct {
		change func(in *assets.NewBlackout)
		field  string
	}{
		"backwards":           {func(in *assets.NewBlackout) { in.Until = in.From.Add(-time.Hour) }, "until"},
		"empty":               {func(in *assets.NewBlackout) { in.Until = in.From }, "until"},
		"under a microsecond": {func(in *assets.NewBlackout) { in.Until = in.From.Add(time.Nanosecond) }, "until"},
		"no reason":           {func(in *assets.NewBlackout) { in.Reason = " " }, "reason"},
		"no such line":        {func(in *assets.NewBlackout) { in.LineID = new(uuid.New()) }, "line_id"},
	} {
		in := one
		c.change(&in)
		_, err := add(w.site.ID, in)
		pgtest.Refused(t, what, err, fault.Invalid, c.field)
	}
	_, err = add(site2.ID, one)
	pgtest.Refused(t, "a line of another site", err, fault.Invalid, "line_id")
	one.LineID = nil
	_, err = add(uuid.New(), one)
	pgtest.Refused(t, "at no site", err, fault.NotFound, "")
	pgtest.Refused(t, "of another site", withdraw(now, site2.ID, b.ID), fault.NotFound, "")
	for i := range 2 { // again changes nothing
		if err := withdraw(now.Add(time.Duration(i)*time.Hour), w.site.ID, b.ID); err != nil {
			t.Fatal(err)
		}
	}
	all, err := assets.Blackouts(ctx, w.db, sys, w.site.ID)
	if err != nil || len(all) != 1 || all[0].WithdrawnAt == nil || !all[0].WithdrawnAt.Equal(now) {
		t.Errorf("listed %+v, %v", all, err)
	}
}

func TestNotesStayInTheHouse(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	tom := person(t, w.db, "tom", access.NewGrant{Role: "technician"})
	add := func(at time.Time, site uuid.UUID, body string) (assets.Note, error) {
		return pgtest.Write(w.db, tom, func(tx *gorm.DB) (assets.Note, error) { return assets.WriteNote(tx, tom, at, site, body) })
	}
	if n, err := add(now, w.site.ID, "pays late"); err != nil || n.Body != "pays late" || n.WrittenBy != "tom" || !n.WrittenAt.Equal(now) {
		t.Errorf("written %+v, %v", n, err)
	}
	if _, err := add(now.Add(time.Hour), w.site.ID, "has a dog"); err != nil {
		t.Fatal(err)
	}
	_, err := add(now, w.site.ID, "  ")
	pgtest.Refused(t, "nothing", err, fault.Invalid, "body")
	_, err = add(now, uuid.New(), "x")
	pgtest.Refused(t, "at no site", err, fault.NotFound, "")
	all, err := assets.Notes(ctx, w.db, sys, w.site.ID)
	if err != nil || len(all) != 2 || all[0].Body != "has a dog" || all[1].Body != "pays late" {
		t.Errorf("listed %+v, %v", all, err)
	}
	owner := person(t, w.db, "owner", access.NewGrant{Role: "owner", CustomerID: &w.customer.ID})
	_, err = assets.Notes(ctx, w.db, owner, w.site.ID)
	pgtest.Refused(t, "for the owner", err, fault.Forbidden, "")
}

// Words on labels change; what stands where does not.
func TestWhereTheDriverSitsOnTheRightOnlyWordsChange(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	if _, err := w.pair(w.left.ID, 1, &w.right.ID); err != nil {
		t.Fatal(err)
	}
	left, right := w.position(t, w.left.ID), w.position(t, w.right.ID)
	in := siteEdit(w.site)
	in.DriverSide = "right"
	if s, err := w.editSite(w.site.ID, 1, in); err != nil || s.DriverSide != "right" {
		t.Fatalf("edited to %+v, %v", s, err)
	}
	for was, is := range map[*assets.Position]assets.Position{&left: w.position(t, w.left.ID), &right: w.position(t, w.right.ID)} {
		if is.LineSide != was.LineSide || *is.TwinID != *was.TwinID || is.Version != was.Version || *is.AlongM != *was.AlongM ||
			assets.ExpectedTurning(is, nil) != assets.ExpectedTurning(*was, nil) {
			t.Errorf("%s became %+v", was.Code, is)
		}
	}
	// seen from above, the left one turns clockwise, whoever sits where (common practice, no source)
	if got := assets.ExpectedTurning(w.position(t, w.left.ID), nil); !got.Known || !got.Clockwise || got.SeenFrom != "above" {
		t.Errorf("the left one turns %+v", got)
	}
}
