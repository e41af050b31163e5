package web_test

import (
	"fmt"
	"strings"
	"testing"

	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
)

// Who sees which of the pages about what is fitted, and what stands on them.
func TestWhoSeesWhatIsFitted(t *testing.T) {
	s := newStore(t)
	site, position, bare := "/sites/"+s.site.ID.String(), "/positions/"+s.left.ID.String(), "/positions/"+s.right.ID.String()
	unit := func(id string) string { return "/units/" + id }
	gm, shaft := s.slot(t, s.left, "gearmotor").String(), s.slot(t, s.left, "shaft").String()
	for _, c := range []struct {
		path                              string
		manager, technician, owner, staff int
		everybody, distributor, nobody    []string
	}{
		{position, 200, 200, 200, 200, []string{s.motor.Tag, "4471", "M-17", "January 2026", "since before this record", "L-2291", "not on record", "Suits", "T4 with T7", "The nameplate",
			"licensed electrician or qualified person only", "Label"}, []string{"/swap?pick=", "/fit?slot=", "/photos/new"}, nil},
		{bare, 200, 200, 200, 200, []string{"not on record", "Cannot tell"}, []string{"/fit?slot="}, []string{s.motor.Tag}},
		{position + "/swap", 200, 200, 403, 403, []string{"What comes out of ", s.motor.Tag}, nil, nil},
		{position + "/swap?slot=" + gm, 200, 200, 403, 403, []string{s.spare.Tag, "cannot tell: ", "fits the position first", "Before hands go in", "RET Returns shelf"}, nil, nil},
		{position + "/swap?slot=nonsense", 404, 404, 403, 403, nil, nil, nil},
		{bare + "/swap", 409, 409, 403, 403, nil, nil, nil},
		{position + "/fit?slot=" + shaft, 200, 200, 403, 403, []string{"Shaft", "none yet"}, nil, nil},
		{position + "/fit?slot=" + gm, 409, 409, 403, 403, nil, nil, nil},
		{position + "/survey", 200, 200, 403, 403, []string{"Bore", "caliper"}, nil, nil},
		{position + "/photos/new", 200, 200, 403, 403, []string{"multipart/form-data"}, nil, nil},
		{site + "/fitted", 200, 200, 200, 200, []string{s.motor.Tag, "4471", "not on record"}, nil, nil},
		{site + "/fitted?on=2026-01-02", 200, 200, 200, 200, []string{"2 January 2026"}, nil, []string{s.motor.Tag}},
		{site + "/fitted?on=2036-01-02", 200, 200, 200, 200, []string{"must not lie ahead"}, nil, nil},
		{site + "/fitted?on=soon", 200, 200, 200, 200, []string{"is a date such as"}, nil, nil},
		{site + "/findings", 200, 200, 200, 200, []string{"Nobody has recorded the bore", "O12", "Blocks", "caliper"}, []string{"/facts/new?fact=bore"}, nil},
		{site + "/survey", 200, 200, 403, 403, []string{"Do not reach over", "caliper", "/survey"}, nil, nil},
		{"/sites/" + s.other.ID.String() + "/fitted", 200, 200, 404, 404, nil, nil, nil},
		{"/sites/" + s.other.ID.String() + "/findings", 200, 200, 404, 404, nil, nil, nil},
		{"/units", 200, 200, 200, 200, []string{s.motor.Tag}, []string{s.spare.Tag}, nil},
		{"/units?serial=4471", 200, 200, 200, 200, []string{s.motor.Tag}, nil, []string{s.spare.Tag, s.media.Tag}},
		{"/units?class=media_set", 200, 200, 200, 200, []string{s.media.Tag}, nil, []string{s.motor.Tag}},
		{"/units?location=" + s.warehouse.ID.String(), 200, 200, 200, 200, nil, []string{s.spare.Tag}, []string{s.motor.Tag}},
		{"/units?location=nonsense", 404, 404, 404, 404, nil, nil, nil},
		{unit(s.motor.ID.String()), 200, 200, 200, 200, []string{"4471", "O12", "M-17", "208-230/460", "Prepared state", s.left.Code}, []string{"/move", "fitted from stock"}, nil},
		{unit(s.media.ID.String()), 200, 200, 200, 200, []string{"16 sections", "Section 3 replaced", "since before this record"}, []string{"/sections/new"}, nil},
		{unit(s.spare.ID.String()), 200, 200, 404, 404, []string{"0010-O0"}, nil, nil},
		{unit(s.motor.ID.String()) + "/edit", 200, 200, 403, 403, nil, nil, nil},
		{unit(s.motor.ID.String()) + "/move", 200, 200, 403, 403, nil, nil, nil},
		{unit(s.motor.ID.String()) + "/facts/new", 200, 200, 403, 403, []string{"Links are set for"}, nil, nil},
		{unit(s.motor.ID.String()) + "/facts/new?fact=leads", 200, 200, 403, 403, nil, nil, nil},
		{unit(s.media.ID.String()) + "/sections/new", 200, 200, 403, 403, nil, nil, nil},
		{unit(s.motor.ID.String()) + "/sections/new", 409, 409, 403, 403, nil, nil, nil},
		{unit(s.motor.ID.String()) + "/photos/new", 200, 200, 403, 403, nil, nil, nil},
		{"/units/new", 200, 200, 403, 403, nil, nil, nil},
		{"/parts", 200, 200, 200, 200, []string{"MW-10110"}, nil, nil},
		{"/parts?class=hub", 200, 200, 200, 200, []string{"MW-21010"}, nil, []string{"MW-10110"}},
		{"/parts?begins=mw-3", 200, 200, 200, 200, []string{"MW-31010"}, nil, []string{"MW-10110"}},
		{"/parts/" + s.motorPart.ID.String(), 200, 200, 200, 200, []string{"208-230/460", s.motor.Tag}, []string{s.spare.Tag}, nil},
		{"/parts/new", 200, 403, 403, 403, nil, nil, nil},
		{"/parts/" + s.motorPart.ID.String() + "/edit", 200, 403, 403, 403, nil, nil, nil},
		{"/locations", 200, 200, 200, 200, nil, []string{"Main warehouse", "2 units"}, nil},
		{"/stock", 200, 200, 200, 200, []string{"Stock by place"}, []string{"ea free"}, nil}, // an owner sees the own shelf, where nothing lies
		{"/stock?location=nonsense", 404, 404, 404, 404, nil, nil, nil},
		{"/locations/new", 200, 403, 403, 403, nil, nil, nil},
		{"/photos/" + s.photo.ID.String(), 200, 200, 200, 200, nil, nil, nil},
		{"/photos/nonsense", 404, 404, 404, 404, nil, nil, nil},
		{"/find?text=big", 200, 200, 200, 200, []string{"Positions", s.left.Code, s.right.Code}, nil, nil},
		{"/find?text=nothing-like-this", 200, 200, 200, 200, []string{"Nothing that you may see begins with"}, nil, nil},
		{"/find", 200, 200, 200, 200, []string{"Type the beginning"}, nil, nil},
		{"/find?text=4471", 303, 303, 303, 303, nil, nil, nil},
		{"/find?text=SB", 200, 200, 200, 200, []string{s.motor.Tag}, []string{s.spare.Tag}, nil},
		{"/", 200, 200, 200, 200, []string{`role="search"`}, []string{"findings wait for somebody to look", "/findings"}, nil},
	} {
		for _, who := range []struct {
			name   string
			v      *visitor
			status int
			inside bool
		}{{"manager", s.asManager, c.manager, true}, {"technician", s.asTech, c.technician, true}, {"owner", s.asOwner, c.owner, false}, {"site staff", s.asStaff, c.staff, false}} {
			got := who.v.get(c.path)
			if got.status != who.status {
				if got.status == 500 {
					t.Log(s.log.String()[max(0, s.log.Len()-1500):])
				}
				t.Errorf("%s as %s: %d, want %d", c.path, who.name, got.status, who.status)
				continue
			}
			if got.status >= 300 {
				continue
			}
			body := plain(got.body)
			for _, text := range c.everybody {
				if !strings.Contains(strings.ToLower(body), strings.ToLower(text)) {
					t.Errorf("%s as %s lacks %q", c.path, who.name, text)
				}
			}
			for _, text := range c.distributor {
				if strings.Contains(body, text) != who.inside {
					t.Errorf("%s as %s: %q is there: %v", c.path, who.name, text, !who.inside)
				}
			}
			for _, text := range c.nobody {
				if strings.Contains(body, text) {
					t.Errorf("%s as %s shows %q", c.path, who.name, text)
				}
			}
		}
	}
}

func TestAPhotoIsKeptByItsReaderOnly(t *testing.T) {
	s := newStore(t)
	got := s.asOwner.get("/photos/" + s.photo.ID.String())
	if c := got.head.Get("Cache-Control"); c != "private, max-age=3600, immutable" {
		t.Errorf("Cache-Control: %s", c)
	}
	if got.head.Get("Content-Type") != "image/jpeg" || got.head.Get("X-Content-Type-Options") != "nosniff" || !strings.HasPrefix(got.body, "\xff\xd8") {
		t.Errorf("%v", got.head)
	}
	if got := s.nobody(t).get("/photos/" + s.photo.ID.String()); got.status != 303 {
		t.Errorf("nobody: %d", got.status)
	}
}

// The work of these pages for the database does not grow with what they show.
func TestStatementsOfPagesAboutUnitsStayTheSame(t *testing.T) {
	s := newStore(t)
	site, left := "/sites/"+s.site.ID.String(), "/positions/"+s.left.ID.String()
	pages := []string{"/", left, left + "/swap", left + "/swap?slot=" + s.slot(t, s.left, "gearmotor").String(), site + "/fitted", site + "/findings", site + "/survey",
		"/units", "/units/" + s.motor.ID.String(), "/parts", "/parts/" + s.motorPart.ID.String(), "/locations", "/find?text=SB0", "/trail"}
	count := func() map[string]int64 {
		n := map[string]int64{}
		for _, path := range pages {
			n[path] = s.statements(t, s.manager, path)
		}
		return n
	}
	gm, set := s.slot(t, s.left, "gearmotor").String(), s.slot(t, s.left, "media").String()
	if one, two := s.statements(t, s.manager, left+"/swap?slot="+set), s.statements(t, s.manager, left+"/swap?slot="+gm+"&slot="+set+"&slot="+s.slot(t, s.left, "hub").String()); one != two { // of media it is asked too what lies beside them
		t.Errorf("a swap of one asks %d times, one of three %d times", one, two)
	}
	before := count()
	write(t, s.db, func(tx *gorm.DB) (bool, error) {
		for i := range 30 {
			u, err := assets.AddUnit(tx, access.System, now, assets.NewUnit{UnitEdit: assets.UnitEdit{PartID: s.motorPart.ID, Serial: fmt.Sprint("A", i)}})
			if err != nil {
				return false, err
			}
			from := now.AddDate(0, -1, 0)
			if _, err := assets.Put(tx, access.System, now, assets.Putting{UnitID: u.ID, Place: assets.Place{LocationID: &s.warehouse.ID}, From: &from}); err != nil {
				return false, err
			}
		}
		return true, nil
	})
	for i, q := range s.addPositions(t, 6) {
		u := write(t, s.db, func(tx *gorm.DB) (assets.Unit, error) {
			return assets.AddUnit(tx, access.System, now, assets.NewUnit{UnitEdit: assets.UnitEdit{PartID: s.motorPart.ID, Serial: fmt.Sprint("B", i)}})
		})
		s.put(t, u, assets.Place{SlotID: s.slot(t, q, "gearmotor")}, now.AddDate(0, -1, 0), "day")
	}
	after := count()
	for _, path := range pages {
		if before[path] != after[path] {
			t.Errorf("%s: %d statements, then %d", path, before[path], after[path])
		}
		t.Logf("%-80s %d statements", path, after[path])
	}
}
