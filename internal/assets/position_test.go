package assets_test

import (
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/fault"
	"spindlebook/internal/measure"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgtest"
)

func (w world) addPosition(in assets.NewPosition) (assets.Position, error) {
	return pgtest.Write(w.db, sys, func(tx *gorm.DB) (assets.Position, error) { return assets.AddPosition(tx, sys, now, in) })
}

func (w world) addPositions(in ...assets.NewPosition) ([]assets.Position, error) {
	return pgtest.Write(w.db, sys, func(tx *gorm.DB) ([]assets.Position, error) { return assets.AddPositions(tx, sys, now, in) })
}

func (w world) changeState(id uuid.UUID, state string, from *time.Time) ([]assets.State, error) {
	return pgtest.Write(w.db, sys, func(tx *gorm.DB) ([]assets.State, error) {
		return assets.ChangeState(tx, sys, now, id, state, from, " because ")
	})
}

func (w world) codes(t testing.TB) []string {
	t.Helper()
	all, err := assets.Positions(ctx, w.db, sys, assets.PositionFilter{}, assets.Page{Limit: 1000})
	if err != nil {
		t.Fatal(err)
	}
	var codes []string
	for _, p := range all {
		codes = append(codes, p.Code)
	}
	return codes
}

func TestManyPositionsAreAddedAllOrNone(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	fine := func(code string) assets.NewPosition { return newPosition(w, code, "side_brush_high", "left", began) }
	site2 := addSite(t, w.db, "KES", w.customer.ID, began)
	line2, err := w.addLine(site2.ID, assets.LineEdit{Code: "KES-1"})
	if err != nil {
		t.Fatal(err)
	}
	supply2 := pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (assets.Supply, error) {
		return assets.AddSupply(tx, sys, now, site2.ID, assets.NewSupply{Code: "main", Volts: 480, Phases: 3, Hertz: 60})
	})
	change := func(code string, fn func(n *assets.NewPosition)) assets.NewPosition {
		n := fine(code)
		fn(&n)
		return n
	}
	bad := []assets.NewPosition{
		fine("UMB-1/A"),
		change("umb", func(n *assets.NewPosition) { n.Name = " " }),
		change("UMB-1/B", func(n *assets.NewPosition) { n.LineID, n.SupplyID = &line2.ID, &supply2.ID }),
		change("UMB-1/A", func(n *assets.NewPosition) { n.Kind, n.LineSide, n.State = "catapult", "driver", "broken" }),
		change("UMB-1/C", func(n *assets.NewPosition) { n.LineID = nil }),
		change("UMB-1/D", func(n *assets.NewPosition) { n.SiteID = uuid.New() }),
		change("UMB-1/E", func(n *assets.NewPosition) { n.Along = &measure.Typed{Value: 1, Unit: "yd"} }),
		change("UMB-1/F", func(n *assets.NewPosition) { n.Along = &measure.Typed{Value: 1001, Unit: "m"} }),
		change("UMB-1/G", func(n *assets.NewPosition) {
			n.Aliases = []string{"blue", " ", "blue ", strings.Repeat("ä", 101), strings.Repeat("ä", 100)}
		}),
		fine("UMB-1/SBL-L"),
		fine("UMB-1/A"),
	}
	as := record(t, w.owner)
	_, err = w.addPositions(bad...)
	f := pgtest.Refused(t, "a list with faults", err, fault.Invalid, "")
	want := []string{
		"items[1].code", "items[1].name",
		"items[2].line_id", "items[2].supply_id",
		"items[3].line_side", "items[3].state", "items[3].code", "items[3].kind",
		"items[4].line_side",
		"items[5].site_id",
		"items[6].along.unit",
		"items[7].along",
		"items[8].aliases[1]", "items[8].aliases[2]", "items[8].aliases[3]",
		"items[9].code",
		"items[10].code",
	}
	var got []string
	for _, p := range f.Parts {
		got = append(got, p.Field)
		if p.Msg == "" || p.Field == "items[10].code" && !strings.Contains(p.Msg, "items[0]") {
			t.Errorf("%s is told as %q", p.Field, p.Msg)
		}
		if p.Field == "items[9].code" && (p.Existing == nil || p.Existing.ID != w.left.ID.String()) {
			t.Errorf("the holder of the code is given as %+v", p.Existing)
		}
	}
	if !slices.Equal(got, want) {
		t.Errorf("told are\n%q, want\n%q", got, want)
	}
	if record(t, w.owner) != as {
		t.Error("something was recorded after all")
	}
	if err := func() error { _, err := w.addPositions(fine("UMB-1/X"), fine("UMB-1/SBL-L")); return err }(); err != nil {
		pgtest.Refused(t, "only a code that is taken", err, fault.Conflict, "items[1].code")
	} else {
		t.Error("a code that is taken was given again")
	}
	// what no check foresees stops all as well: a zero byte
	_, err = w.addPositions(fine("UMB-1/X"), change("UMB-1/Y", func(n *assets.NewPosition) { n.Name = "a\x00b" }))
	pgtest.Refused(t, "a zero byte", err, fault.Malformed, "")
	if codes := w.codes(t); len(codes) != 2 {
		t.Errorf("there are %v", codes)
	}
	if all, err := w.addPositions(); err != nil || len(all) != 0 {
		t.Errorf("of an empty list come %v, %v", all, err)
	}
}

func TestOnePositionIsToldWithoutAPlace(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	in := newPosition(w, "umb", "arch", "centre", began)
	_, err := w.addPosition(in)
	pgtest.Refused(t, "one fault", err, fault.Invalid, "code")
	in.Name = ""
	_, err = w.addPosition(in)
	if f := pgtest.Refused(t, "two faults", err, fault.Invalid, ""); len(f.Parts) != 2 || f.Parts[0].Field != "code" || f.Parts[1].Field != "name" {
		t.Errorf("told are %+v", f.Parts)
	}
	in = newPosition(w, "UMB-1/P", "arch", "centre", began)
	in.State, in.Aliases, in.Along, in.From = "parked", nil, nil, nil
	p, err := w.addPosition(in)
	if err != nil || *p.State != "parked" || len(p.Aliases) != 0 || p.AlongM != nil || !p.From.Equal(now) || !p.StateSince.Equal(now) || p.KindName != "Arch" || p.Duty != "fixed" || p.TwinID != nil || p.Until != nil {
		t.Errorf("added %+v, %v", p, err)
	}
	shared := assets.NewPosition{SiteID: w.site.ID, PositionEdit: assets.PositionEdit{Code: "UMB-PUMP", Name: "Pump room", Kind: "pump_room", LineSide: "centre"}}
	if p, err := w.addPosition(shared); err != nil || p.LineID != nil || p.Duty != "shared" {
		t.Errorf("shared equipment %+v, %v", p, err)
	}
	// before it begins it has no state
	ahead := newPosition(w, "UMB-1/AHEAD", "arch", "centre", time.Now().AddDate(1, 0, 0))
	if p, err := w.addPosition(ahead); err != nil || p.State != nil || p.StateSince != nil {
		t.Errorf("added ahead %+v, %v", p, err)
	}
}

// The number of statements per request does not grow with the request.
func TestStatementsDoNotGrowWithTheList(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	count := func(fn func(counted access.Actor) error, n func() int64) int64 {
		t.Helper()
		if err := fn(sys); err != nil {
			t.Fatal(err)
		}
		return n()
	}
	add := func(rows int, prefix string) int64 {
		counted, n := pgdb.CountStatements(ctx)
		in := make([]assets.NewPosition, rows)
		for i := range in {
			in[i] = newPosition(w, fmt.Sprintf("UMB-1/%s%d", prefix, i), "arch", "centre", began)
		}
		return count(func(who access.Actor) error {
			return w.db.InTx(counted, who.ID, func(tx *gorm.DB) error {
				all, err := assets.AddPositions(tx, who, now, in)
				for i, p := range all { // in the order in which they were given
					if p.Code != in[i].Code {
						t.Fatalf("at %d stands %s", i, p.Code)
					}
				}
				return err
			})
		}, n.Load)
	}
	if few, many := add(2, "A"), add(200, "B"); few != many || few > 10 {
		t.Errorf("2 rows took %d statements, 200 took %d", few, many)
	}
	read := func(limit, want int) int64 {
		counted, n := pgdb.CountStatements(ctx)
		all, err := assets.Positions(counted, w.db, sys, assets.PositionFilter{SiteID: &w.site.ID}, assets.Page{Limit: limit})
		if err != nil || len(all) != want {
			t.Fatalf("read %d, %v", len(all), err)
		}
		return n.Load()
	}
	if few, many := read(1, 1), read(1000, 204); few != 2 || many != 2 {
		t.Errorf("a page of 1 took %d statements, of 204 %d", few, many)
	}
	overview := func() int64 {
		counted, n := pgdb.CountStatements(ctx)
		if _, err := assets.Overviews(counted, w.db, sys, now, assets.OverviewFilter{}, assets.Page{Limit: 50}); err != nil {
			t.Fatal(err)
		}
		return n.Load()
	}
	few := overview()
	for i := range 5 {
		addSite(t, w.db, fmt.Sprint("S", i), w.customer.ID, began)
	}
	if many := overview(); few != many {
		t.Errorf("an overview of 1 site took %d statements, of 6 %d", few, many)
	}
}

func TestPositionsAreListedInParts(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	line2, err := w.addLine(w.site.ID, assets.LineEdit{Code: "UMB-2"})
	if err != nil {
		t.Fatal(err)
	}
	other := newPosition(w, "UMB-2/ARCH", "arch", "centre", began)
	other.LineID, other.State = &line2.ID, "empty"
	if _, err := w.addPosition(other); err != nil {
		t.Fatal(err)
	}
	site2 := addSite(t, w.db, "KES", w.customer.ID, began)
	for what, c := range map[string]struct {
		f    assets.PositionFilter
		p    assets.Page
		want []string
	}{
		"all":            {assets.PositionFilter{}, assets.Page{Limit: 10}, []string{"UMB-1/SBL-L", "UMB-1/SBL-R", "UMB-2/ARCH"}},
		"the first":      {assets.PositionFilter{}, assets.Page{Limit: 1}, []string{"UMB-1/SBL-L"}},
		"the next":       {assets.PositionFilter{}, assets.Page{After: "UMB-1/SBL-L", Limit: 1}, []string{"UMB-1/SBL-R"}},
		"of a site":      {assets.PositionFilter{SiteID: &w.site.ID}, assets.Page{Limit: 10}, []string{"UMB-1/SBL-L", "UMB-1/SBL-R", "UMB-2/ARCH"}},
		"of another":     {assets.PositionFilter{SiteID: &site2.ID}, assets.Page{Limit: 10}, nil},
		"of a line":      {assets.PositionFilter{LineID: &line2.ID}, assets.Page{Limit: 10}, []string{"UMB-2/ARCH"}},
		"of a kind":      {assets.PositionFilter{Kind: new("side_brush_low")}, assets.Page{Limit: 10}, []string{"UMB-1/SBL-L", "UMB-1/SBL-R"}},
		"in a state":     {assets.PositionFilter{State: new("empty")}, assets.Page{Limit: 10}, []string{"UMB-2/ARCH"}},
		"of no such one": {assets.PositionFilter{Kind: new("catapult")}, assets.Page{Limit: 10}, nil},
	} {
		found, err := assets.Positions(ctx, w.db, sys, c.f, c.p)
		if err != nil {
			t.Fatal(err)
		}
		var codes []string
		for _, p := range found {
			codes = append(codes, p.Code)
		}
		if !slices.Equal(codes, c.want) {
			t.Errorf("%s: %v, want %v", what, codes, c.want)
		}
	}
	kinds, err := assets.PositionKinds(ctx, w.db, sys)
	if err != nil || len(kinds) != 17 {
		t.Errorf("there are %d kinds, %v", len(kinds), err)
	}
	turns := map[string]string{}
	for _, k := range kinds {
		turns[k.Code] = k.Turns
	}
	// rotation (domain, from common practice without a source): rockers as side brushes, wraparounds the other way round
	if turns["side_brush_low"] != "with_the_side" || turns["rocker"] != "with_the_side" || turns["wraparound"] != "against_the_side" || turns["top_brush"] != "recorded" || turns["arch"] != "not" {
		t.Errorf("they turn %v", turns)
	}
}

func TestAPositionIsEdited(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	in := positionEdit(w.left)
	in.Code, in.Name, in.Along, in.Aliases = "UMB-1/NEW", " New ", nil, []string{" lower blue", "the wet one"}
	got, err := w.editPosition(w.left.ID, 1, in)
	if err != nil || got.Code != "UMB-1/NEW" || got.Name != "New" || got.AlongM != nil || got.AlongTyped != nil || got.Version != 2 || !slices.Equal(got.Aliases, []string{"lower blue", "the wet one"}) {
		t.Errorf("edited to %+v, %v", got, err)
	}
	site2 := addSite(t, w.db, "KES", w.customer.ID, began)
	line2, err := w.addLine(site2.ID, assets.LineEdit{Code: "KES-1"})
	if err != nil {
		t.Fatal(err)
	}
	for what, c := range map[string]struct {
		change func(in *assets.PositionEdit)
		field  string
	}{
		"code":             {func(in *assets.PositionEdit) { in.Code = "x" }, "code"},
		"name":             {func(in *assets.PositionEdit) { in.Name = "" }, "name"},
		"kind":             {func(in *assets.PositionEdit) { in.Kind = "catapult" }, "kind"},
		"side":             {func(in *assets.PositionEdit) { in.LineSide = "driver" }, "line_side"},
		"side off a line":  {func(in *assets.PositionEdit) { in.LineID = nil }, "line_side"},
		"foreign line":     {func(in *assets.PositionEdit) { in.LineID = &line2.ID }, "line_id"},
		"unknown supply":   {func(in *assets.PositionEdit) { in.SupplyID = new(uuid.New()) }, "supply_id"},
		"unit":             {func(in *assets.PositionEdit) { in.Along = &measure.Typed{Value: 1, Unit: "yd"} }, "along.unit"},
		"far away":         {func(in *assets.PositionEdit) { in.Along = &measure.Typed{Value: 1001, Unit: "m"} }, "along"},
		"blank alias":      {func(in *assets.PositionEdit) { in.Aliases = []string{" "} }, "aliases"},
		"alias twice":      {func(in *assets.PositionEdit) { in.Aliases = []string{"a", "a "} }, "aliases"},
		"a novel as alias": {func(in *assets.PositionEdit) { in.Aliases = []string{strings.Repeat("a", 5000)} }, "aliases"},
	} {
		bad := positionEdit(got)
		c.change(&bad)
		_, err := w.editPosition(got.ID, 2, bad)
		pgtest.Refused(t, what, err, fault.Invalid, c.field)
	}
	if is := w.position(t, got.ID); is.Version != 2 || len(is.Aliases) != 2 || is.Kind != "side_brush_low" {
		t.Errorf("what was refused left %+v", is)
	}
	in.Aliases = nil
	if got, err := w.editPosition(w.left.ID, 2, in); err != nil || len(got.Aliases) != 0 {
		t.Errorf("without aliases: %+v, %v", got.Aliases, err)
	}
	_, err = assets.OnePosition(ctx, w.db, sys, uuid.New())
	pgtest.Refused(t, "no such position", err, fault.NotFound, "")
}

func TestStatesFollowOneAnother(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	all, err := w.changeState(w.left.ID, "parked", &sold)
	if err != nil || len(all) != 2 || all[0].State != "in_service" || !all[0].Until.Equal(sold) || all[1].State != "parked" || !all[1].From.Equal(sold) || all[1].Until != nil || all[1].Reason != "because" {
		t.Errorf("parked: %+v, %v", all, err)
	}
	for what, c := range map[string]struct {
		state string
		from  *time.Time
		kind  fault.Kind
		field string
	}{
		"in it already":           {"parked", nil, fault.Conflict, "state"},
		"no such state":           {"broken", nil, fault.Invalid, "state"},
		"before the last":         {"empty", &before, fault.Invalid, "from"},
		"in the instant of it":    {"empty", &sold, fault.Invalid, "from"},
		"ahead":                   {"empty", new(now.Add(time.Second)), fault.Invalid, "from"},
		"retired before the last": {"retired", &before, fault.Invalid, "from"},
	} {
		_, err := w.changeState(w.left.ID, c.state, c.from)
		pgtest.Refused(t, what, err, c.kind, c.field)
	}
	_, err = w.changeState(uuid.New(), "parked", nil)
	pgtest.Refused(t, "no such position", err, fault.NotFound, "")
	if got, err := assets.States(ctx, w.db, sys, w.left.ID); err != nil || len(got) != 2 {
		t.Errorf("what was refused left %+v, %v", got, err)
	}
	// retired is a matter of the register, and final
	tom := person(t, w.db, "tom", access.NewGrant{Role: "technician"})
	_, err = pgtest.Write(w.db, tom, func(tx *gorm.DB) ([]assets.State, error) {
		return assets.ChangeState(tx, tom, now, w.left.ID, "retired", nil, "")
	})
	pgtest.Refused(t, "retired by a technician", err, fault.Forbidden, "")
	if _, err := pgtest.Write(w.db, tom, func(tx *gorm.DB) ([]assets.State, error) {
		return assets.ChangeState(tx, tom, now, w.left.ID, "empty", &after, "")
	}); err != nil {
		t.Errorf("emptied by a technician: %v", err)
	}
	if all, err := w.changeState(w.left.ID, "retired", nil); err != nil || len(all) != 4 || all[3].State != "retired" {
		t.Errorf("retired: %+v, %v", all, err)
	}
	if p := w.position(t, w.left.ID); p.Until == nil || !p.Until.Equal(now) || *p.State != "retired" || p.Version != 2 {
		t.Errorf("retired is %+v", p)
	}
	for _, state := range []string{"in_service", "retired", "empty"} {
		_, err := w.changeState(w.left.ID, state, nil)
		pgtest.Refused(t, "after it was retired, "+state, err, fault.Conflict, "state")
	}
	// two who say something else of the same instant
	outcomes := atOnce(2, func(i int) error {
		_, err := w.changeState(w.right.ID, []string{"parked", "empty"}[i], &after)
		return err
	})
	if outcomes[none] != 1 || outcomes[fault.Conflict]+outcomes[fault.Invalid] != 1 {
		t.Errorf("two at once: %v", outcomes)
	}
}

func TestTwinsAreOfOneKindOnOneLine(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	line2, err := w.addLine(w.site.ID, assets.LineEdit{Code: "UMB-2"})
	if err != nil {
		t.Fatal(err)
	}
	elsewhere := newPosition(w, "UMB-2/SBL-R", "side_brush_low", "right", began)
	elsewhere.LineID = &line2.ID
	all, err := w.addPositions(newPosition(w, "UMB-1/SBL-R2", "side_brush_low", "right", began), newPosition(w, "UMB-1/SBL-L2", "side_brush_low", "left", began),
		newPosition(w, "UMB-1/SBH-R", "side_brush_high", "right", began), newPosition(w, "UMB-1/SBL-C", "side_brush_low", "centre", began), elsewhere,
		assets.NewPosition{SiteID: w.site.ID, PositionEdit: assets.PositionEdit{Code: "UMB-PUMP", Name: "Pumps", Kind: "pump_room", LineSide: "centre"}})
	if err != nil {
		t.Fatal(err)
	}
	right2, left2 := all[0], all[1]
	for _, other := range []assets.Position{left2, all[2], all[3], all[4], all[5], w.left} {
		_, err := w.pair(w.left.ID, 1, &other.ID)
		pgtest.Refused(t, "with "+other.Code, err, fault.Invalid, "twin_id")
	}
	_, err = w.pair(all[5].ID, 1, &w.right.ID)
	pgtest.Refused(t, "shared equipment", err, fault.Invalid, "twin_id")
	_, err = w.pair(w.left.ID, 1, new(uuid.New()))
	pgtest.Refused(t, "with nothing", err, fault.Invalid, "twin_id")

	// from either side, and each side shows the other
	got, err := w.pair(w.right.ID, 1, &w.left.ID)
	if err != nil || *got.TwinID != w.left.ID || got.Version != 2 {
		t.Fatalf("paired %+v, %v", got, err)
	}
	if l := w.position(t, w.left.ID); *l.TwinID != w.right.ID || l.Version != 2 {
		t.Errorf("the left one is %+v", l)
	}
	f := pgtest.Refused(t, "a third one", func() error { _, err := w.pair(right2.ID, 1, &w.left.ID); return err }(), fault.Conflict, "twin_id")
	if f.Existing == nil || f.Existing.ID != w.right.ID.String() {
		t.Errorf("in the way stands %+v", f.Existing)
	}
	for what, change := range map[string]func(in *assets.PositionEdit){
		"to the other side": func(in *assets.PositionEdit) { in.LineSide = "right" },
		"to another line":   func(in *assets.PositionEdit) { in.LineID = &line2.ID },
		"off the line":      func(in *assets.PositionEdit) { in.LineID, in.LineSide = nil, "centre" },
		"to another kind":   func(in *assets.PositionEdit) { in.Kind = "rocker" },
	} {
		in := positionEdit(w.left)
		change(&in)
		_, err := w.editPosition(w.left.ID, 2, in)
		pgtest.Refused(t, "moved "+what, err, fault.Conflict, "twin_id")
	}
	in := positionEdit(w.left)
	in.Name = "Lower left"
	if _, err := w.editPosition(w.left.ID, 2, in); err != nil {
		t.Errorf("renamed: %v", err)
	}
	// another twin in place of the first: all three are told apart
	if got, err := w.pair(w.left.ID, 3, &right2.ID); err != nil || *got.TwinID != right2.ID || got.Version != 4 {
		t.Errorf("paired anew %+v, %v", got, err)
	}
	if r := w.position(t, w.right.ID); r.TwinID != nil || r.Version != 3 {
		t.Errorf("the one left behind is %+v", r)
	}
	if got, err := w.pair(right2.ID, 2, nil); err != nil || got.TwinID != nil {
		t.Errorf("parted %+v, %v", got, err)
	}
	if l := w.position(t, w.left.ID); l.TwinID != nil || l.Version != 5 {
		t.Errorf("parted, the left one is %+v", l)
	}
	if got, err := w.pair(w.left.ID, 5, nil); err != nil || got.TwinID != nil {
		t.Errorf("parted without a twin %+v, %v", got, err)
	}
	// a pair is dissolved before one of it moves, and then it may
	in = positionEdit(w.position(t, w.left.ID))
	in.LineSide = "centre"
	if _, err := w.editPosition(w.left.ID, 6, in); err != nil {
		t.Errorf("moved after parting: %v", err)
	}
}

// step is a step of a plan, with how often it was taken.
type step struct {
	Node     string  `json:"Node Type"`
	Relation string  `json:"Relation Name"`
	Index    string  `json:"Index Name"`
	Loops    float64 `json:"Actual Loops"`
	Rows     float64 `json:"Actual Rows"`
	Plans    []step  `json:"Plans"`
}

// each goes through the steps that were taken.
func (s step) each(fn func(step)) {
	if s.Loops == 0 {
		return
	}
	fn(s)
	for _, p := range s.Plans {
		p.each(fn)
	}
}

// The lists that people wait for must not grow with what they do not show. A
// sequential scan of a table that grows, or of a join's whole side, would.
func TestListsGoByTheirIndexes(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	conn, err := pgx.Connect(ctx, w.owner)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(ctx)
	addCustomer(t, w.db, "KES")
	// 400 sites with 50 positions each; by the owner, and without the trail, which has its own tests
	for _, q := range []string{
		`alter table site disable trigger user`, `alter table ownership disable trigger user`, `alter table position disable trigger user`,
		`alter table position_state disable trigger user`, `alter table position_fact disable trigger user`,
		`insert into site (id, code, name, zone, currency, climate, size, driver_side, created_at)
		 select gen_random_uuid(), 'S' || i, 'Site', 'UTC', 'USD', 'snowbelt', 'small', 'left', now() from generate_series(1, 400) as i`,
		`insert into ownership (id, site_id, customer_id, during) select gen_random_uuid(), s.id, c.id, tstzrange('2024-01-01', null) from site as s, customer as c
		  where s.code like 'S%' and (c.code = 'HAD') = (s.code like '%0')`,
		`insert into position (id, site_id, code, name, kind, line_side, during, created_at)
		 select gen_random_uuid(), s.id, s.code || '/P' || i, 'Pump', 'pump_room', 'centre', tstzrange('2024-01-01', null), now() from site as s, generate_series(1, 50) as i where s.code like 'S%'`,
		`insert into position_state (id, position_id, site_id, state, during) select gen_random_uuid(), id, site_id, 'in_service', during from position where code like 'S%'`,
		`insert into position_fact (id, position_id, site_id, fact, value, during, how, recorded_at, recorded_by)
		 select gen_random_uuid(), id, site_id, 'media_colour', 'blue', during, 'seen', now(), '` + sys.ID.String() + `' from position where code like 'S%'`,
		`analyze`,
	} {
		if _, err := conn.Exec(ctx, q); err != nil {
			t.Fatalf("%s: %v", q, err)
		}
	}
	var site uuid.UUID
	if err := conn.QueryRow(ctx, `select id from site where code = 'S120'`).Scan(&site); err != nil {
		t.Fatal(err)
	}
	owner := person(t, w.db, "owner", access.NewGrant{Role: "owner", CustomerID: &w.customer.ID})
	for what, c := range map[string]struct {
		query string
		who   access.Actor
		site  *uuid.UUID
		index string
		rows  float64
	}{
		"positions of a site, for the distributor": {assets.PositionList(sys, assets.PositionFilter{SiteID: &site}), sys, &site, "position_site_ix", 50},
		"positions of a site, for its owner":       {assets.PositionList(owner, assets.PositionFilter{SiteID: &site}), owner, &site, "position_site_ix", 50},
		"all positions, for the distributor":       {assets.PositionList(sys, assets.PositionFilter{}), sys, nil, "position_code_uq", 50},
		"sites, for the distributor":               {assets.SiteList, sys, nil, "site_code_uq", 50},
		"overviews, for the distributor":           {assets.OverviewList, sys, nil, "site_code_uq", 50},
		"what is not in service":                   {assets.StoppedList, sys, nil, "position_state_stopped_ix", 0},
	} {
		args := c.who.Scope(map[string]any{"site": c.site, "line": nil, "kind": nil, "state": nil, "customer": nil, "after": "", "limit": 50,
			"now": now, "of_brush": []string{"media"}, "to_turn": []string{"turning"}})
		type row struct {
			Plan string `db:"QUERY PLAN"`
		}
		found, err := pgdb.Read[row](ctx, w.db, c.who.ID, `explain (analyze, format json) `+c.query, args)
		if err != nil {
			t.Fatal(err)
		}
		var plans []struct{ Plan step }
		if err := json.Unmarshal([]byte(found[0].Plan), &plans); err != nil {
			t.Fatal(err)
		}
		used := false
		plans[0].Plan.each(func(s step) {
			used = used || s.Index == c.index
			switch s.Relation {
			case "position", "position_state", "position_fact", "ownership":
				if s.Node == "Seq Scan" {
					t.Errorf("%s: reads all of %s:\n%s", what, s.Relation, found[0].Plan)
				}
			}
		})
		if !used || plans[0].Plan.Rows != c.rows {
			t.Errorf("%s: gives %v rows, by %s: %v\n%s", what, plans[0].Plan.Rows, c.index, used, found[0].Plan)
		}
	}
}

func TestArraysComeInEitherForm(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	want := assets.Texts{"plain", `with "quotes"`, "comma, space", `back\slash`, "{brace}", ""}
	var viaGorm struct{ A assets.Texts }
	err := w.db.InTx(ctx, sys.ID, func(tx *gorm.DB) error { return tx.Raw(`select cast(? as text[]) as a`, want).Scan(&viaGorm).Error })
	if err != nil || !slices.Equal(viaGorm.A, want) {
		t.Errorf("through a transaction: %q, %v", viaGorm.A, err)
	}
	type row struct{ A assets.Texts }
	viaRead, err := pgdb.Read[row](ctx, w.db, sys.ID, `select cast(@a as text[]) as a`, map[string]any{"a": []string(want)})
	if err != nil || !slices.Equal(viaRead[0].A, want) {
		t.Errorf("through a read: %q, %v", viaRead, err)
	}
	var a assets.Texts
	if err := a.Scan(7); err == nil || errors.Is(err, pgx.ErrNoRows) {
		t.Errorf("a number as an array: %v", err)
	}
}
