package demo

import (
	"cmp"
	"context"
	"encoding/csv"
	"fmt"
	"io/fs"
	"math"
	"regexp"
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
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgtest"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

var (
	ctx = context.Background()
	now = time.Date(2026, 11, 25, 9, 0, 0, 0, time.UTC)
)

// load gives a copy of the scenario, which is loaded once for all tests.
func load(t testing.TB) *pgdb.DB {
	t.Helper()
	service, _ := pgtest.Filled(t, "the scenario", func(db *pgdb.DB) error {
		began := time.Now()
		counted, statements := pgdb.CountStatements(ctx)
		err := Load(counted, db, now)
		t.Logf("loaded in %v with %d statements", time.Since(began).Round(time.Millisecond), statements.Load())
		return err
	})
	return pgtest.Open(t, service)
}

// rows runs a query as an actor, bound by row-level security alone.
func rows[T any](t testing.TB, db *pgdb.DB, who uuid.UUID, sql string, args map[string]any) []T {
	t.Helper()
	found, err := pgdb.Read[T](ctx, db, who, sql, args)
	if err != nil {
		t.Fatalf("%v in %s", err, sql)
	}
	return found
}

func actor(t testing.TB, db *pgdb.DB, login string) access.Actor {
	t.Helper()
	type row struct{ ActorID uuid.UUID }
	found := rows[row](t, db, access.System.ID, `select actor_id from person where login = @login`, map[string]any{"login": login})
	if len(found) != 1 {
		t.Fatalf("%d people sign in as %s", len(found), login)
	}
	who, _, err := access.Load(ctx, db, found[0].ActorID)
	if err != nil {
		t.Fatal(err)
	}
	return who
}

func sites(t testing.TB, db *pgdb.DB, who access.Actor) map[string]assets.Site {
	t.Helper()
	list, err := assets.Sites(ctx, db, who, nil, assets.Page{Limit: 100})
	if err != nil {
		t.Fatal(err)
	}
	found := map[string]assets.Site{}
	for _, s := range list {
		found[s.Code] = s
	}
	return found
}

func positions(t testing.TB, db *pgdb.DB, who access.Actor) []assets.Position {
	t.Helper()
	list, err := assets.Positions(ctx, db, who, assets.PositionFilter{}, assets.Page{Limit: 1000})
	if err != nil {
		t.Fatal(err)
	}
	return list
}

// lineOf gives "UMB-1" of "UMB-1/SBL-D".
func lineOf(code string) string {
	line, _, _ := strings.Cut(code, "/")
	return line
}

// brushes gives the rotating brushes of each line but for those taken out.
func brushes(list []assets.Position) map[string][]assets.Position {
	found := map[string][]assets.Position{}
	for _, p := range list {
		if p.Duty == "brush" && *p.State != "retired" {
			found[lineOf(p.Code)] = append(found[lineOf(p.Code)], p)
		}
	}
	return found
}

// One database serves for all that is to be seen in a loaded one.
func TestTheLoadedScenario(t *testing.T) {
	db := load(t)
	for _, look := range []struct {
		at   string
		what func(*testing.T, *pgdb.DB)
	}{
		{"what is there", theScenarioIsThere},
		{"plausible positions", everyPositionIsPlausible},
		{"units", everyBrushIsFitted},
		{"findings", theFindingsAreThoseMeant},
		{"histories", unitsHaveHistories},
		{"as of", asOfIsAReplay},
		{"units seen", whoSeesWhichUnits},
		{"facts", factsFollowTheSiteTable},
		{"history of facts", factsHaveAHistory},
		{"isolation", isolationPoints},
		{"hours and blackouts", hoursAndBlackouts},
		{"supplies", suppliesFollowTheSiteTable},
		{"the sale", aSaleParts},
		{"the catalogue", theCatalogueIsThere},
		{"what jobs take", jobsTakeWhatTheTableSays},
		{"the fortnight", theFortnightIsThere},
		{"counters", countersWereRead},
		{"readings at swaps", swapsHaveReadingsBesideThem},
		{"forecasts", theSentencesAgreeWithTheirPlots},
		{"counters seen", whoSeesWhichCounters},
		{"who sees what", whoSeesWhat},
		{"a second load", loadingTwiceChangesNothing},
		{"another database", twoLoadsAtOnceAreTheSame},
		{"visitors", visitorsComeIn},
	} {
		t.Run(look.at, func(t *testing.T) { look.what(t, db) })
	}
}

func theScenarioIsThere(t *testing.T, db *pgdb.DB) {
	list := positions(t, db, access.System)
	if got := len(sites(t, db, access.System)); got != 8 {
		t.Errorf("%d sites, not 8", got)
	}
	if got := len(rows[struct{ ID uuid.UUID }](t, db, access.System.ID, `select id from line`, nil)); got != 9 {
		t.Errorf("%d lines, not 9", got)
	}

	counts := map[string]int{}
	for line, of := range brushes(list) {
		counts[line] = len(of)
	}
	want := map[string]int{"UMB-1": 11, "DUN-1": 16, "DUN-2": 13, "FER-1": 10, "PEL-1": 7, "THO-1": 10, "OST-1": 6, "KES-1": 8, "VAN-1": 15}
	if fmt.Sprint(counts) != fmt.Sprint(want) {
		t.Errorf("rotating brushes %v, not %v", counts, want)
	}

	// the reference line, in feet from the entrance
	reference := map[string]float64{"TYR-D": 16, "TYR-P": 16, "RKR-D": 30, "RKR-P": 30, "SBL-D": 38, "SBL-P": 38, "SBH-D": 46, "SBH-P": 46,
		"WRP-D": 54, "WRP-P": 54, "TOP": 66}
	for _, p := range brushes(list)["UMB-1"] {
		feet, known := reference[tail(p.Code)]
		if !known || *p.AlongTyped != fmt.Sprintf("%g ft", feet) || math.Abs(*p.AlongM-feet*0.3048) > 1e-9 {
			t.Errorf("%s stands at %s (%v m), not at %v ft", p.Code, *p.AlongTyped, *p.AlongM, feet)
		}
	}

	byID, byCode := map[uuid.UUID]assets.Position{}, map[string]assets.Position{}
	for _, p := range list {
		byID[p.ID], byCode[p.Code] = p, p
	}
	for _, p := range list {
		if p.Duty != "brush" || p.LineSide == "centre" {
			continue
		}
		if p.TwinID == nil {
			t.Errorf("%s has no twin", p.Code)
			continue
		}
		twin := byID[*p.TwinID]
		if strings.TrimRight(twin.Code, "DP") != strings.TrimRight(p.Code, "DP") || twin.LineSide == p.LineSide || *twin.AlongM != *p.AlongM {
			t.Errorf("the twin of %s is %s", p.Code, twin.Code)
		}
	}

	for code, state := range map[string]string{"DUN-2/WRP-P": "parked", "FER-1/RKR-P": "empty", "KES-1/TOP": "retired", "UMB-1/TOP": "in_service"} {
		if p := byCode[code]; *p.State != state || *p.StateReason == "" {
			t.Errorf("%s is %s (%q), not %s", code, *p.State, *p.StateReason, state)
		}
	}
	if a := byCode["UMB-1/WRP-D"].Aliases; !slices.Contains(a, "left big blue") {
		t.Errorf("the left wraparound of UMB-1 is called %v", a)
	}
	if p := byCode["THO-1/SBH-D"]; *p.AlongTyped != "14 m" || *p.AlongM != 14 {
		t.Errorf("the metric line has %s", *p.AlongTyped)
	}
	for _, kind := range []string{"compressed_air", "reclaim", "pump_room"} {
		if !slices.ContainsFunc(list, func(p assets.Position) bool {
			return p.LineID == nil && p.Kind == kind && strings.HasPrefix(p.Code, "DUN/")
		}) {
			t.Errorf("the two lines of DUN share no %s", kind)
		}
	}
}

func everyPositionIsPlausible(t *testing.T, db *pgdb.DB) {
	sides := map[string]string{"tyre_brush": "left right", "rocker": "left right", "side_brush_low": "left right", "side_brush_high": "left right",
		"wraparound": "left right", "top_brush": "centre", "entrance": "centre", "arch": "centre", "applicator": "left right",
		"wheel_spray": "left right centre", "blower": "centre", "conveyor": "centre", "pump_room": "centre", "compressed_air": "centre",
		"reclaim": "centre", "power_unit": "centre", "motor_control": "centre"}
	metres := map[string]float64{}
	for _, l := range rows[struct {
		Code    string
		LengthM float64 `db:"length_m"`
	}](t, db, access.System.ID, `select code, length_m from line`, nil) {
		metres[l.Code] = l.LengthM
	}
	// what a vehicle meets one after another, common practice, no source
	order := []string{"PRE", "CTA", "TYR", "HPW", "RKR", "SBL", "SBL2", "SBH", "SBH2", "WRP", "TOP", "TOP2", "HPA", "RIN", "SFR", "DRY"}
	last := map[string]float64{}
	list := positions(t, db, access.System)
	slices.SortStableFunc(list, func(a, b assets.Position) int {
		rank := func(p assets.Position) int {
			station, _, _ := strings.Cut(tail(p.Code), "-")
			return slices.Index(order, station)
		}
		if r := rank(a) - rank(b); r != 0 || a.AlongM == nil || b.AlongM == nil {
			return r
		}
		return cmp.Compare(*a.AlongM, *b.AlongM)
	})
	for _, p := range list {
		if !slices.Contains(strings.Fields(sides[p.Kind]), p.LineSide) {
			t.Errorf("%s: a %s on the %s", p.Code, p.Kind, p.LineSide)
		}
		if (p.LineSide == "left") != strings.HasSuffix(p.Code, "-D") || (p.LineSide == "right") != strings.HasSuffix(p.Code, "-P") ||
			(p.LineSide == "left") != strings.HasSuffix(p.Name, "driver side") || (p.LineSide == "right") != strings.HasSuffix(p.Name, "passenger side") {
			t.Errorf("%s is called %q and stands on the %s", p.Code, p.Name, p.LineSide)
		}
		if (p.Duty == "shared") != (p.LineID == nil) {
			t.Errorf("%s is %s and stands on line %v", p.Code, p.Duty, p.LineID)
		}
		if p.LineID == nil {
			continue
		}
		line := lineOf(p.Code)
		if p.AlongM == nil || *p.AlongM > metres[line] || *p.AlongM < 0 && tail(p.Code) != "GATE" {
			t.Errorf("%s does not stand within its line", p.Code)
			continue
		}
		station, _, _ := strings.Cut(tail(p.Code), "-")
		// where the retired top brush of the depot stood is nobody's matter
		if slices.Contains(order, station) && *p.State != "retired" {
			if *p.AlongM < last[line] {
				t.Errorf("%s stands before what comes before it", p.Code)
			}
			last[line] = *p.AlongM
		}
	}
}

// What each site's own table says, by hand: hub of side brushes and rockers, hub
// of wraparounds and tops, bore of the first, frame, colour of the first,
// sensors, coils.
var bySite = map[string][7]string{
	"UMB": {"clamp4", "flange3", "1.375 in", "NEMA", "blue", "PNP", "24VDC"},
	"DUN": {"clamp4", "flange3", "1.375 in", "NEMA", "blue", "PNP", "24VDC"},
	"FER": {"flange3", "flange3", "1.375 in", "NEMA", "red", "PNP", "24VDC"},
	"PEL": {"clamp4", "clamp4", "1.375 in", "NEMA", "blue", "NPN", "120VAC"},
	"THO": {"flange3", "flange3", "35 mm", "IEC", "blue", "PNP", "24VDC"},
	"OST": {"clamp4", "flange3", "1.375 in", "NEMA", "red", "PNP", "24VDC"},
	"KES": {"clamp4", "clamp4", "1.375 in", "NEMA", "blue", "PNP", "24VDC"},
	"VAN": {"flange3", "flange3", "1.375 in", "NEMA", "blue", "PNP", "24VDC"},
}

type standing struct {
	Code, Kind, LineSide, Fact, Value, How string
	MM                                     *float64 `db:"mm"`
}

const standingFacts = `
select p.code, p.kind, p.line_side, f.fact, f.value, f.value_mm as mm, f.how
  from position_fact as f
  join position as p on p.id = f.position_id
 where f.withdrawn_at is null
   and upper_inf(f.during)
order by p.code, f.fact`

func factsFollowTheSiteTable(t *testing.T, db *pgdb.DB) {
	orientation := map[string]string{"side_brush_low left": "O3", "side_brush_low right": "O9", "side_brush_high left": "O3", "side_brush_high right": "O9",
		"wraparound left": "O9", "wraparound right": "O3", "rocker left": "O6", "rocker right": "O6", "top_brush centre": "O12"}
	pattern := map[string]string{"rocker": "AABBx2", "side_brush_low": "AABBx4", "side_brush_high": "AABBx5", "wraparound": "AABBx6", "top_brush": "AABBx8"}
	count, hows := map[string]int{}, map[string]int{}
	for _, f := range rows[standing](t, db, access.System.ID, standingFacts, nil) {
		site := bySite[siteOf(f.Code)]
		heavy := f.Kind == "wraparound" || f.Kind == "top_brush"
		want := map[string]string{"hub_fixing": site[0], "bore": site[2], "frame_standard": site[3], "frame_size": "56C", "media_colour": site[4],
			"sensor_output": site[5], "valve_coil": site[6], "media": "foam", "drive": "electric",
			"gearmotor_orientation": orientation[f.Kind+" "+f.LineSide], "media_pattern": pattern[f.Kind]}
		if heavy {
			want["hub_fixing"], want["media_colour"], want["frame_size"] = site[1], "blue", "145TC"
			if site[3] == "NEMA" {
				want["bore"] = "1.4375 in"
			}
		}
		if site[3] == "IEC" {
			want["frame_size"] = "IEC90L-B5"
		}
		if siteOf(f.Code) == "UMB" && (f.Kind == "conveyor" || f.Kind == "tyre_brush") {
			want["drive"] = "hydraulic"
		}
		if f.Code == "DUN-2/SBH2-P" {
			want["media_colour"] = "red" // the one that differs from its twin: no second blue set was in stock
		}
		if w, checked := want[f.Fact]; checked && w != f.Value {
			t.Errorf("%s of %s is %s, not %s", f.Fact, f.Code, f.Value, w)
		}
		mm := map[string]float64{"1.375 in": 34.925, "1.4375 in": 36.5125, "35 mm": 35} // 25.4 mm to the inch
		if f.Fact == "bore" && (f.MM == nil || math.Abs(*f.MM-mm[f.Value]) > 1e-9) {
			t.Errorf("the bore of %s is %s or %v mm", f.Code, f.Value, f.MM)
		}
		count[f.Fact]++
		hows[f.How]++
	}
	// by hand: 96 brushes, of which 14 are tyre brushes: a pair on every line but PEL-1 and OST-1
	if got := count["hub_fixing"]; got != 96-14-3 {
		t.Errorf("%d hub fixings, not 79: of 82 brushes with a hub three are a gap", got)
	}
	if got := count["sensor_output"]; got != 96-6-1 {
		t.Errorf("%d sensor outputs, not 89: OST has none yet, VAN lacks one", got)
	}
	for _, how := range []string{"measured", "read_off_plate", "seen", "told", "drawing", "assumed"} {
		if hows[how] == 0 {
			t.Errorf("no fact was %s", how)
		}
	}
	tops := rows[standing](t, db, access.System.ID, strings.Replace(standingFacts, "order by", "and p.kind = 'top_brush' and f.fact like 'turning%' order by", 1), nil)
	if len(tops) != 6+5 {
		t.Errorf("%d facts of turning at six top brushes of which one lacks its viewpoint: %v", len(tops), tops)
	}
}

func factsHaveAHistory(t *testing.T, db *pgdb.DB) {
	at := map[string]assets.Position{}
	for _, p := range positions(t, db, access.System) {
		at[p.Code] = p
	}
	history := func(code, fact string) (found []assets.Fact) {
		all, err := assets.Facts(ctx, db, access.System, at[code].ID)
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range all {
			if f.Fact == fact {
				found = append(found, f)
			}
		}
		return found
	}
	hubs := history("FER-1/SBL-D", "hub_fixing")
	if len(hubs) != 2 || hubs[0].Value != "clamp4" || hubs[1].Value != "flange3" || hubs[0].Until == nil || !hubs[0].Until.Equal(hubs[1].From) || hubs[1].Until != nil {
		t.Errorf("the conversion reads %+v", hubs)
	}
	bores := history("THO-1/SBL-D", "bore")
	if len(bores) != 2 || bores[0].Value != "35 mm" || bores[0].Until != nil || bores[1].Value != "1.375 in" || bores[1].WithdrawnWhy == nil {
		t.Errorf("the fact that was withdrawn reads %+v", bores)
	}
	if gap := history("UMB-1/RKR-P", "bore"); len(gap) != 0 {
		t.Errorf("a gap holds %+v", gap)
	}
}

func isolationPoints(t *testing.T, db *pgdb.DB) {
	umb := sites(t, db, access.System)["UMB"]
	points, err := assets.IsolationPoints(ctx, db, access.System, now, umb.ID)
	if err != nil {
		t.Fatal(err)
	}
	shared := slices.IndexFunc(points, func(p assets.IsolationPoint) bool { return p.Code == "UMB-1/EL-SB-LO" })
	if shared < 0 || len(points[shared].Positions) != 2 || points[shared].Versions[0].Number != 2 {
		t.Fatalf("the isolator of both low side brushes is %+v", points)
	}

	// every brush in use: what turns it, what moves its arm or lift, and what holds a top brush up
	type energies struct {
		Code, Kind string
		Energies   []string
	}
	for _, e := range rows[energies](t, db, access.System.ID, `
select p.code, p.kind, array(select distinct i.energy from position_isolation as b join isolation_point as i on i.id = b.point_id
                              where b.position_id = p.id order by 1) as energies
  from position_now as p
 where p.duty = 'brush' and p.state <> 'retired'`, nil) {
		want := []string{"air", "electrical"}
		switch {
		case e.Kind == "top_brush":
			want = []string{"air", "electrical", "gravity"}
		case siteOf(e.Code) == "UMB" && e.Kind == "tyre_brush":
			want = []string{"air", "electrical", "hydraulic"}
		}
		if !slices.Equal(e.Energies, want) {
			t.Errorf("%s is isolated from %v, not from %v", e.Code, e.Energies, want)
		}
	}
	// an arm has an air valve of its own: every other brush may stay in use
	type own struct {
		Code   string
		Behind int
	}
	for _, o := range rows[own](t, db, access.System.ID, `
select i.code, (select count(*) from position_isolation as b where b.point_id = i.id) as behind
  from isolation_point as i where i.energy = 'air' and i.code like '%/AV-%' and i.code not like '%/AV-LINE'`, nil) {
		if o.Behind != 1 {
			t.Errorf("the air valve %s holds %d positions", o.Code, o.Behind)
		}
	}
}

func TestIsolationTextsKeepTheirRules(t *testing.T) {
	s, err := readScenario()
	if err != nil {
		t.Fatal(err)
	}
	// words that order nothing, permit something, or promise what nobody can
	barred := regexp.MustCompile(`(?i)\b(ensure|make sure|should|may work|safe|safely|never fails)\b|%`)
	for _, x := range s.texts {
		for _, text := range []string{x.Isolate, x.Prove, x.Restore} {
			if found := barred.FindString(text); found != "" {
				t.Errorf("%s says %q", x.Name, found)
			}
		}
	}
}

func loadingTwiceChangesNothing(t *testing.T, db *pgdb.DB) {
	before, changes := dump(t, db), trailed(t, db)
	if err := Load(ctx, db, now.AddDate(0, 0, 3)); err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(before, dump(t, db)) || trailed(t, db) != changes {
		t.Error("a second load changed something")
	}
}

// Two loads at once are one, and the same now gives the same scenario.
func twoLoadsAtOnceAreTheSame(t *testing.T, db *pgdb.DB) {
	other := pgtest.New(t)
	both := make(chan error, 2)
	for range 2 {
		go func() { both <- Load(ctx, other, now) }()
	}
	for range 2 {
		if err := <-both; err != nil {
			t.Error(err)
		}
	}
	one, two := dump(t, db), dump(t, other)
	if !slices.Equal(one, two) {
		for i := range min(len(one), len(two)) {
			if one[i] != two[i] {
				t.Fatalf("first difference:\n%s\n%s", one[i], two[i])
			}
		}
		t.Fatalf("%d rows and %d rows", len(one), len(two))
	}
}

func TestRealRecordsAreLeftAlone(t *testing.T) {
	db := pgtest.New(t)
	err := db.InTx(ctx, access.System.ID, func(tx *gorm.DB) error {
		_, err := assets.AddCustomer(tx, access.System, now, assets.CustomerEdit{Code: "REAL", Name: "Somebody's own"})
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	if err := Load(ctx, db, now); fault.KindOf(err) != fault.Conflict {
		t.Errorf("the demo went in beside real records: %v", err)
	}
}

func trailed(t testing.TB, db *pgdb.DB) int {
	return rows[struct{ N int }](t, db, access.System.ID, `select count(*)::int as n from trail`, nil)[0].N
}

// dump gives every row of the register and of who may do what, with ids
// replaced by the codes that they stand for.
func dump(t testing.TB, db *pgdb.DB) (all []string) {
	t.Helper()
	type named struct{ ID, Name string }
	names := map[string]string{}
	for _, n := range rows[named](t, db, access.System.ID, `
select id::text, code as name from customer union all select id::text, code from site union all select id::text, code from line
union all select id::text, code from position union all select id::text, code || ' ' || site_id from supply
union all select id::text, code from isolation_point union all select id::text, name from actor
union all select id::text, number from part union all select id::text, code from location union all select id::text, tag from unit
union all select s.id::text, coalesce(p.code, u.tag) || ' ' || s.code from slot as s left join position as p on p.id = s.position_id left join unit as u on u.id = s.unit_id`, nil) {
		names[n.ID] = n.Name
	}
	id := regexp.MustCompile(`[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}`)
	for _, table := range []string{"customer", "site", "ownership", "supply", "weekly_hours", "line", "blackout", "position", "position_alias", "position_state",
		"twin", "position_fact", "isolation_point", "isolation_version", "position_isolation", "site_note", "actor", "person", "role_grant",
		"part", "part_fact", "location", "unit", "section_replaced", "slot", "stay", "unit_fact"} {
		for _, r := range rows[struct{ Doc string }](t, db, access.System.ID, `select to_jsonb(x)::text as doc from `+table+` as x`, nil) {
			all = append(all, table+" "+id.ReplaceAllStringFunc(r.Doc, func(s string) string {
				if name, known := names[s]; known {
					return id.ReplaceAllStringFunc(name, func(s string) string { return names[s] })
				}
				return "id"
			}))
		}
	}
	slices.Sort(all)
	return all
}

// Whatever day it is, the instants of the files fit together: nothing that is a
// fact lies ahead, nothing that follows comes first.
func TestTheScenarioLoadsOnAnyDay(t *testing.T) {
	for _, day := range []time.Time{
		time.Date(2024, 2, 29, 0, 5, 0, 0, time.UTC),  // a leap day, and not yet that day at the sites
		time.Date(2026, 8, 30, 8, 0, 0, 0, time.UTC),  // the sale is as near as it comes
		time.Date(2026, 11, 1, 9, 30, 0, 0, time.UTC), // the hour in which the clocks go back
	} {
		t.Run(day.Format(time.RFC3339), func(t *testing.T) {
			t.Parallel()
			if err := Load(ctx, pgtest.New(t), day); err != nil {
				t.Error(err)
			}
		})
	}
}

func TestTheSaleWasAtMidyear(t *testing.T) {
	for at, want := range map[string]string{
		"2026-08-30T06:59:00Z": "2025-07-01T07:00:00Z", // the 60th day has not begun at the site
		"2026-08-30T07:00:00Z": "2026-07-01T07:00:00Z",
		"2026-12-31T23:59:00Z": "2026-07-01T07:00:00Z",
		"2027-01-15T00:00:00Z": "2026-07-01T07:00:00Z",
	} {
		day, err := time.Parse(time.RFC3339, at)
		if err != nil {
			t.Fatal(err)
		}
		c, err := newClock(day, "America/Los_Angeles")
		if err != nil {
			t.Fatal(err)
		}
		if got := c.sale.UTC().Format(time.RFC3339); got != want {
			t.Errorf("as of %s the sale was at %s, not %s", at, got, want)
		}
	}
}

type dated struct {
	Table string
	From  time.Time
	Until *time.Time
}

// whatHasDates reads every dated table as an actor, bound by row-level security alone.
func whatHasDates(t testing.TB, db *pgdb.DB, who access.Actor, site uuid.UUID) map[string][]dated {
	t.Helper()
	found := map[string][]dated{}
	for _, table := range []string{"ownership", "supply", "weekly_hours", "line", "blackout", "position", "position_state", "position_fact", "isolation_point", "isolation_version"} {
		found[table] = rows[dated](t, db, who.ID, `select '`+table+`' as "table", lower(during) as "from", upper(during) as until from `+table+` where site_id = @site`,
			map[string]any{"site": site})
	}
	return found
}

func aSaleParts(t *testing.T, db *pgdb.DB) {
	sale := time.Date(2026, 7, 1, 7, 0, 0, 0, time.UTC) // midnight at the site, in summer time
	van := sites(t, db, access.System)["VAN"]
	everything := whatHasDates(t, db, access.System, van.ID)
	before, after := map[string]int{}, map[string]int{} // what ended before the sale, what began at it or after
	for table, list := range everything {
		for _, d := range list {
			if d.Until != nil && !d.Until.After(sale) {
				before[table]++
			}
			if !d.From.Before(sale) {
				after[table]++
			}
		}
	}
	for _, table := range []string{"ownership", "weekly_hours", "blackout", "position_state", "position_fact"} {
		if before[table] == 0 || after[table] == 0 {
			t.Errorf("%s shows nothing: %d ended before the sale, %d began after it", table, before[table], after[table])
		}
	}
	for _, table := range []string{"position", "isolation_version"} {
		if after[table] == 0 {
			t.Errorf("%s shows nothing: none began after the sale", table)
		}
	}

	seller, buyer := actor(t, db, "perrin.holloway-dace@brackmoor.example"), actor(t, db, "wren.adeyemi-falk@vannickfalls.example")
	for _, who := range []access.Actor{seller, buyer} {
		if seen := sites(t, db, who); len(seen) != 1 || seen["VAN"].Code == "" {
			t.Errorf("%s sees %v", who.Name, seen)
		}
	}
	for table, list := range whatHasDates(t, db, seller, van.ID) {
		if want := len(everything[table]) - after[table]; len(list) != want {
			t.Errorf("the seller sees %d rows of %s, not %d", len(list), table, want)
		}
		for _, d := range list {
			if !d.From.Before(sale) {
				t.Errorf("the seller sees a row of %s that began on %s", table, d.From)
			}
		}
	}
	for table, list := range whatHasDates(t, db, buyer, van.ID) {
		if want := len(everything[table]) - before[table]; len(list) != want {
			t.Errorf("the buyer sees %d rows of %s, not %d", len(list), table, want)
		}
		for _, d := range list {
			if d.Until != nil && !d.Until.After(sale) {
				t.Errorf("the buyer sees a row of %s that ended on %s", table, d.Until)
			}
		}
	}
}

func whoSeesWhat(t *testing.T, db *pgdb.DB) {
	for login, want := range map[string]string{
		"delphine.orrick@marrowgate.example":     "DUN FER KES OST PEL THO UMB VAN",
		"sable.wintringham@hadrelle.example":     "DUN FER UMB",
		"gil.ferranti-moor@hadrelle.example":     "FER UMB",
		"rosalind.keet@hadrelle.example":         "DUN",
		"abel.munroe-tay@pellhaven.example":      "PEL",
		"lidia.ostrelli@ostrel.example":          "OST THO",
		"hugh.castellan@kestlebrook.example":     "KES",
		"perrin.holloway-dace@brackmoor.example": "VAN",
	} {
		var codes []string
		for code := range sites(t, db, actor(t, db, login)) {
			codes = append(codes, code)
		}
		slices.Sort(codes)
		if got := strings.Join(codes, " "); got != want {
			t.Errorf("%s sees %s, not %s", login, got, want)
		}
	}
	lead := actor(t, db, "sable.wintringham@hadrelle.example")
	if _, err := assets.Notes(ctx, db, lead, sites(t, db, lead)["UMB"].ID); fault.KindOf(err) != fault.Forbidden {
		t.Errorf("an owner reads internal notes: %v", err)
	}
	accounts, err := access.Accounts(ctx, db, access.System, access.Page{Limit: 100})
	if err != nil {
		t.Fatal(err)
	}
	kinds := map[string]int{}
	for _, a := range accounts {
		kinds[a.Kind]++
		if a.HasPassword {
			t.Errorf("%s has a password", a.Name)
		}
	}
	// 15 of the 17 people of the file sign in, and who sold VAN; every site but PEL has a gateway
	if kinds["person"] != 16 || kinds["program"] != 7 {
		t.Errorf("accounts: %v", kinds)
	}
}

func visitorsComeIn(t *testing.T, db *pgdb.DB) {
	first, err := Visitors(ctx, db, now)
	if err != nil {
		t.Fatal(err)
	}
	var roles []string
	for _, v := range first {
		l, err := access.OpenLink(ctx, db, now.Add(23*time.Hour), v.Link)
		if err != nil {
			t.Fatal(err)
		}
		who, _, err := access.Load(ctx, db, *l.ActorID)
		if err != nil {
			t.Fatal(err)
		}
		if l.Purpose != access.Demo || who.Name != v.Name || v.Sees == "" {
			t.Errorf("%+v opens %+v", v, l)
		}
		roles = append(roles, strings.Join(who.Roles, "+"))
		if _, err := access.OpenLink(ctx, db, now.Add(25*time.Hour), v.Link); fault.KindOf(err) != fault.NotFound {
			t.Errorf("the link of %s opens on the next day: %v", v.Name, err)
		}
	}
	if got := strings.Join(roles, " "); got != "manager parts_clerk technician owner site_staff" {
		t.Errorf("visitors are %s", got)
	}
	if _, err := Visitors(ctx, db, now.Add(time.Hour)); err != nil {
		t.Fatal(err)
	}
	if _, err := access.OpenLink(ctx, db, now.Add(time.Hour), first[0].Link); fault.KindOf(err) != fault.NotFound {
		t.Errorf("an earlier link still opens: %v", err)
	}
	if _, err := Visitors(ctx, pgtest.New(t), now); err == nil {
		t.Error("visitors were invited to an empty database")
	}
}

func hoursAndBlackouts(t *testing.T, db *pgdb.DB) {
	for code, site := range sites(t, db, access.System) {
		week, err := assets.Hours(ctx, db, access.System, site.ID, now)
		if err != nil {
			t.Fatal(err)
		}
		down := 0
		for _, h := range week {
			if h.Kind != "line_may_be_down" {
				continue
			}
			down++
			if h.Weekday == 6 && h.Starts >= "08:00" {
				t.Errorf("%s: the line may be down on Saturday at %s", code, h.Starts)
			}
			if night := h.Starts == "22:00" && h.Minutes == 360; (code == "KES") != night {
				t.Errorf("%s: the line may be down at %s for %d minutes", code, h.Starts, h.Minutes)
			}
		}
		if down == 0 || down == len(week) {
			t.Errorf("%s: the week is %v", code, week)
		}
	}
	// by hand, from a calendar of 2026 and 2027
	umb := sites(t, db, access.System)["UMB"]
	list, err := assets.Blackouts(ctx, db, access.System, umb.ID)
	if err != nil {
		t.Fatal(err)
	}
	got := map[string]string{}
	for _, b := range list {
		got[b.Reason] = b.From.In(umb.Location()).Format("Mon 2006-01-02 15:04")
	}
	for reason, want := range map[string]string{
		"Saturday before Christmas":        "Sat 2026-12-19 00:00",
		"Saturday before Memorial Day":     "Sat 2027-05-29 00:00",
		"Saturday before Independence Day": "Sat 2027-07-03 00:00",
		"Saturday before Labor Day":        "Sat 2027-09-04 00:00",
		"Saturday before Thanksgiving":     "Sat 2027-11-20 00:00",
	} {
		if got[reason] != want {
			t.Errorf("%s is %s, not %s", reason, got[reason], want)
		}
	}
	kes, err := assets.Blackouts(ctx, db, access.System, sites(t, db, access.System)["KES"].ID)
	if err != nil || len(kes) != 1 || !strings.Contains(kes[0].Reason, "inspection") || !kes[0].From.After(now) {
		t.Errorf("the fleet's inspection day is %+v (%v)", kes, err)
	}
}

func suppliesFollowTheSiteTable(t *testing.T, db *pgdb.DB) {
	want := map[string]string{"UMB": "460 3 60", "DUN": "460 3 60", "FER": "208 3 60", "PEL": "120 1 60, 460 3 60", "THO": "460 3 60", "OST": "240 3 60 high leg",
		"KES": "460 3 60", "VAN": "460 3 60"}
	for code, site := range sites(t, db, access.System) {
		list, err := assets.Supplies(ctx, db, access.System, site.ID)
		if err != nil {
			t.Fatal(err)
		}
		var got []string
		for _, s := range list {
			text := fmt.Sprintf("%g %d %d", s.Volts, s.Phases, s.Hertz)
			if s.HighLeg {
				text += " high leg"
			}
			got = append(got, text)
		}
		if strings.Join(got, ", ") != want[code] {
			t.Errorf("%s is fed by %v, not by %s", code, got, want[code])
		}
	}
}

// The places are no real wash, but they lie where the scenario says: by road
// from the warehouse a straight line is some three quarters of the way.
func TestPlacesLieAtTheirDistance(t *testing.T) {
	s, err := readScenario()
	if err != nil {
		t.Fatal(err)
	}
	miles := map[string]float64{"UMB": 14, "DUN": 31, "FER": 47, "PEL": 22, "THO": 58, "OST": 63, "KES": 39, "VAN": 84}
	for _, p := range s.places {
		// miles of latitude, and of longitude at 45.66 degrees
		straight := math.Hypot((p.Latitude-warehouseLatitude)*69.1, (p.Longitude-warehouseLongitude)*48.4)
		if share := straight / miles[p.Site]; share < 0.7 || share > 0.95 {
			t.Errorf("%s lies %.1f miles away, %.2f of its road", p.Site, straight, share)
		}
	}
	for _, l := range s.lines {
		length, bad := measure.Of(measure.Length, measure.Typed{Value: l.Length, Unit: l.LengthUnit}, "")
		feet := map[string]float64{"UMB": 110, "DUN": 140, "FER": 100, "PEL": 85, "THO": 110, "OST": 85, "KES": 85, "VAN": 140}[l.Site]
		if bad != nil || math.Abs(length.SI-feet*0.3048) > 0.05 {
			t.Errorf("%s is %v %s long, not %v ft", l.Code, l.Length, l.LengthUnit, feet)
		}
	}
}

// No real brand stands in the demo: every name in its texts, that is every
// capital inside a sentence, is one that we invented or a plain word of the
// calendar or the trade. A list of the brands themselves would put them here.
func TestNamesAreInvented(t *testing.T) {
	ours := map[string]bool{}
	allow := func(text string) {
		for _, w := range regexp.MustCompile(`[\p{L}]+`).FindAllString(text, -1) {
			ours[w] = true
		}
	}
	allow(`Marrowgate Wash Service Hadrelle Wash Group Pellhaven Auto Bath Ostrel Family Wash Kestlebrook Municipal Fleet Vannick Falls Partners
		Brackmoor Wash Company Umberlea Express Dunmarrow Road Ferrowick Gate Thornquay Wash Ostrel Corner Kestlebrook Depot Wash Vannick Falls Express
		Delphine Orrick Junia Tressel Imre Vasko Lind Corwin Ashdale Noor Hallowell Pavel Quillon Tamsin Brightwell Everett Sorrel Sable Wintringham
		Gil Ferranti Moor Rosalind Keet Abel Munroe Tay Lidia Ostrelli Hugh Castellan Wren Adeyemi Falk Perrin Holloway Dace
		Quillan Drive Works Tarnbridge Foam Stellgate Fasteners Ashmoor Air Controls Lowmere Supply
		Larkmere Road Gatehouse Lane Quayside Row Breakwater Street Mill Corner Depot Yard Falls Parkway
		America Los Angeles USD`) // the zone and the currency
	allow(`NEMA IEC PNP NPN V A AABB`)                                                 // standards, outputs, volts, leaves
	allow(`Hz IP AWG DC AC OD NPT ISO NLGI PTFE US MW L PAO PM CK`)                    // units, materials and our numbers of parts and checks
	allow(`UMB DUN FER PEL THO OST KES VAN HAD PAB OFW KMF VFP BWC VDC VAC AABBx Y N`) // codes
	allow(`T EL OP VT CI WH P X`)                                                      // skills and ids
	word := regexp.MustCompile(`[^.:;!?"]\s+(\p{Lu}\p{L}+)`)
	err := fs.WalkDir(files, "data", func(name string, e fs.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			return err
		}
		f, err := files.Open(name)
		if err != nil {
			return err
		}
		lines, err := csv.NewReader(f).ReadAll()
		if err != nil {
			return err
		}
		for _, line := range lines[1:] {
			for i, cell := range line {
				if lines[0][i] == "positions" { // patterns of codes
					continue
				}
				if strings.ContainsAny(cell, "®™") {
					t.Errorf("%s holds a mark: %s", name, cell)
				}
				for _, m := range word.FindAllStringSubmatch(cell, -1) {
					if !ours[m[1]] {
						t.Errorf("%s, %s: %q is no name of ours in %q", name, lines[0][i], m[1], cell)
					}
				}
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
}
