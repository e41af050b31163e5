package demo

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/pgdb"
)

func fitted(t testing.TB, db *pgdb.DB, who access.Actor, site uuid.UUID, at time.Time) []assets.Fitted {
	t.Helper()
	all, err := assets.FittedAtSite(ctx, db, who, site, at)
	if err != nil {
		t.Fatal(err)
	}
	return all
}

func val[T any](p *T) T {
	if p == nil {
		var zero T
		return zero
	}
	return *p
}

// holding gives the unit that is in a slot: "UMB-1/SBL-D gearmotor".
func holding(t testing.TB, db *pgdb.DB, slot string, at time.Time) assets.Fitted {
	t.Helper()
	code, name, _ := strings.Cut(slot, " ")
	where, _, _ := strings.Cut(code, "/")
	for _, f := range fitted(t, db, access.System, sites(t, db, access.System)[siteOf(where)].ID, at) {
		if f.PositionCode == code && f.SlotCode == name {
			return f
		}
	}
	t.Fatalf("no slot %s", slot)
	return assets.Fitted{}
}

func everyBrushIsFitted(t *testing.T, db *pgdb.DB) {
	brush, empty := map[uuid.UUID]assets.Position{}, 0
	for _, list := range brushes(positions(t, db, access.System)) {
		for _, p := range list {
			brush[p.ID] = p
		}
	}
	known, unknown, inside := 0, map[string]int{}, 0
	for code, site := range sites(t, db, access.System) {
		for _, f := range fitted(t, db, access.System, site.ID, now) {
			p, is := brush[f.PositionID]
			switch {
			case !is:
			case f.Depth == 1 && f.UnitID != nil:
				inside++
			case f.Depth == 1:
			case f.UnitID != nil:
				known++
				if f.Class != "media_set" || p.Kind == "tyre_brush" {
					continue
				}
				if !regexp.MustCompile(`^(AABB)+$`).MatchString(val(f.Pattern)) {
					t.Errorf("the media of %s is a row of %q", f.PositionCode, val(f.Pattern))
				}
			case *p.State == "empty":
				empty++
			default:
				unknown[code]++
			}
		}
	}
	// by hand: UMB turns its two tyre brushes by oil; of OST's six brushes with 50 slots five units are known
	if want := map[string]int{"UMB": 2, "OST": 45}; fmt.Sprint(unknown) != fmt.Sprint(want) {
		t.Errorf("unknown are %v, not %v", unknown, want)
	}
	// the right rocker of FER: shaft, hub, media and cap were taken off, the gearmotor was robbed
	if empty != 5 {
		t.Errorf("%d slots of the empty position are empty, not 5", empty)
	}
	// 96 brushes of eight slots and 18 wraparounds with a pivot
	if all := known + 2 + 45 + empty; all != 96*8+18 {
		t.Errorf("%d slots, not %d", all, 96*8+18)
	}
	if inside < 80 {
		t.Errorf("only %d motors and gearboxes have records of their own", inside)
	}

	// what makes serials hard
	serials := map[string]int{}
	for _, u := range rows[struct{ Serial *string }](t, db, access.System.ID, `select serial from unit`, nil) {
		switch {
		case u.Serial == nil:
			serials["missing"]++
		case strings.HasPrefix(*u.Serial, "00"):
			serials["leading zeros"]++
		case strings.ContainsAny(*u.Serial, "OI") && strings.ContainsAny(*u.Serial, "01"):
			serials["O and 0, I and 1"]++
		}
		if val(u.Serial) == "4471" {
			serials["4471"]++
		}
	}
	if serials["missing"] < 20 || serials["leading zeros"] < 20 || serials["O and 0, I and 1"] < 20 || serials["4471"] != 2 {
		t.Errorf("serials: %v", serials)
	}
	precisions := map[string]int{}
	for _, s := range rows[struct{ FromPrecision string }](t, db, access.System.ID, `select from_precision from stay where slot_id is not null`, nil) {
		precisions[s.FromPrecision]++
	}
	for _, p := range assets.Precisions {
		if precisions[p] < 20 {
			t.Errorf("only %d fittings are known by the %s", precisions[p], p)
		}
	}
	for _, kind := range []string{"warehouse", "van", "site_shelf", "quarantine", "returns", "in_transit", "unexplained", "scrap"} {
		there := rows[struct{ N int }](t, db, access.System.ID, `
select count(*)::int as n from stay as st join location as l on l.id = st.location_id where upper_inf(st.during) and l.kind = @kind`, map[string]any{"kind": kind})
		if there[0].N == 0 {
			t.Errorf("nothing lies in a %s", kind)
		}
	}
	if diff, err := assets.Verify(ctx, db, access.System); err != nil || len(diff) > 0 {
		t.Errorf("%v %v", diff, err)
	}
}

// What does not agree in the scenario is there on purpose, and nothing else is.
func theFindingsAreThoseMeant(t *testing.T, db *pgdb.DB) {
	var got []string
	gaps := map[string]int{}
	for code, site := range sites(t, db, access.System) {
		all, err := assets.Findings(ctx, db, access.System, now, site.ID)
		if err != nil {
			t.Fatal(err)
		}
		if counts, err := assets.CountFindings(ctx, db, access.System, now, []uuid.UUID{site.ID}); err != nil || counts[site.ID] != len(all) {
			t.Errorf("%s: %d findings are counted and %d listed: %v", code, counts[site.ID], len(all), err)
		}
		rank := 0
		for _, f := range all {
			if f.Rank < rank {
				t.Errorf("%s: %q comes after what is less", code, f.Says)
			}
			rank = f.Rank
			switch f.Kind {
			case "unknown_fact", "stale_fact", "unknown_unit":
				gaps[code]++
			default:
				got = append(got, f.Kind+" "+f.Position+" "+f.Fact)
			}
		}
	}
	slices.Sort(got)
	want := []string{"mismatch DUN-1/WRP-P gearmotor_orientation", "mismatch THO-1/RKR-D bore",
		"serial_twice DUN-1/SBL-D ", "serial_twice DUN-1/SBL-P ", "serial_twice DUN-1/WRP-D ", "serial_twice UMB-1/SBL-D ",
		"twins_differ DUN-2/SBH2-D media_colour", "wrong_links DUN-2/WRP-P link_setting", "wrong_links FER-1/SBH-P plate_volts"}
	if !slices.Equal(got, want) {
		t.Errorf("found\n%s\nnot\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
	for code, n := range gaps {
		if code != "OST" && n >= gaps["OST"] {
			t.Errorf("%s has %d gaps, more than OST, which was taken on with nearly nothing known: %v", code, n, gaps)
		}
	}
}

func unitsHaveHistories(t *testing.T, db *pgdb.DB) {
	history := func(unit uuid.UUID) (found []assets.Stay) {
		all, err := assets.UnitHistory(ctx, db, access.System, now, unit)
		if err != nil {
			t.Fatal(err)
		}
		slices.Reverse(all)
		return all
	}
	path := func(unit uuid.UUID) string {
		var steps []string
		for _, s := range history(unit) {
			step := val(s.LocationCode) + val(s.PositionCode)
			if s.EndedFor != nil {
				step += " " + *s.EndedFor
			}
			steps = append(steps, step)
		}
		return strings.Join(steps, ", ")
	}
	for slot, want := range map[string]string{
		"FER-1/SBL-D gearmotor": "UMB-1/SBH-P failed, RETURNS moved, BENCH moved, V2 fitted, FER-1/SBL-D",
		"FER-1/RKR-D gearmotor": "FER-1/RKR-P robbed, FER-1/RKR-D",
		"KES-1/WRP-D gearmotor": "KES-1/WRP-D failed, RETURNS moved, BENCH moved, V3 fitted, KES-1/WRP-D",
	} {
		if got := path(*holding(t, db, slot, now).UnitID); got != want {
			t.Errorf("the unit of %s went %s, not %s", slot, got, want)
		}
	}

	// the rebuilt one was turned and linked anew while it lay on the bench
	rebuilt := holding(t, db, "FER-1/SBL-D gearmotor", now)
	stays := history(*rebuilt.UnitID)
	facts, err := assets.UnitFacts(ctx, db, access.System, now, *rebuilt.UnitID)
	if err != nil {
		t.Fatal(err)
	}
	values := map[string]string{}
	for _, f := range facts {
		values[f.Fact] += f.Value + " "
		if f.Until != nil && !(f.Until.After(*stays[2].From) && f.Until.Before(*stays[2].Until)) {
			t.Errorf("its %s ended on %s, when it was not on the bench", f.Fact, f.Until)
		}
	}
	if values["gearmotor_orientation"] != "O9 O3 " || values["link_setting"] != "high low " {
		t.Errorf("the rebuilt gearmotor has been %v", values)
	}

	// hub and requirement change in one instant
	for _, code := range []string{"FER-1/SBL-D", "FER-1/SBL-P", "VAN-1/SBH-D", "VAN-1/SBH-P"} {
		var at time.Time
		for _, f := range rows[struct{ From time.Time }](t, db, access.System.ID, `
select lower(f.during) as "from" from position_fact as f join position as p on p.id = f.position_id
 where p.code = @code and f.fact = 'hub_fixing' and f.value = 'flange3'`, map[string]any{"code": code}) {
			at = f.From
		}
		before, after := holding(t, db, code+" hub", at.Add(-time.Second)), holding(t, db, code+" hub", at)
		if !strings.Contains(val(before.PartDescription), "clamp") || !strings.Contains(val(after.PartDescription), "flange") || !after.Since.Equal(at) {
			t.Errorf("%s: before the conversion %s, after it %s since %s", code, val(before.PartDescription), val(after.PartDescription), after.Since)
		}
	}

	swaps := rows[struct {
		At time.Time
		N  int
	}](t, db, access.System.ID, `
select lower(st.during) as at, count(*)::int as n from stay as st join slot as s on s.id = st.slot_id
 where st.from_precision = 'instant' and s.position_id is not null group by 1`, nil)
	pairs := 0
	for _, s := range swaps {
		if s.N == 2 {
			pairs++
		}
	}
	if len(swaps) < 25 || len(swaps) > 45 || pairs < 10 {
		t.Errorf("%d swaps, %d of them of pairs", len(swaps), pairs)
	}
	for _, reason := range assets.Reasons {
		if n := rows[struct{ N int }](t, db, access.System.ID, `select count(*)::int as n from stay where ended_for = @reason`, map[string]any{"reason": reason})[0].N; n == 0 {
			t.Errorf("no stay ended for %s", reason)
		}
	}
	sections, err := assets.ReplacedSections(ctx, db, access.System, *holding(t, db, "UMB-1/WRP-D media", now).UnitID)
	if err != nil || len(sections) != 2 {
		t.Errorf("replaced sections: %v %v", sections, err)
	}
	spares := rows[struct{ Value string }](t, db, access.System.ID, `
select distinct f.value from unit_fact as f join stay as st on st.unit_id = f.unit_id and upper_inf(st.during)
  join location as l on l.id = st.location_id and l.kind in ('warehouse', 'van', 'quarantine')
 where f.fact = 'gearmotor_orientation' and upper_inf(f.during) order by 1`, nil)
	if fmt.Sprint(spares) != "[{O12} {O3} {O9}]" {
		t.Errorf("spares stand %v", spares)
	}
}

// What was fitted at a site at an instant is what a replay of all fittings and
// removals gives.
func asOfIsAReplay(t *testing.T, db *pgdb.DB) {
	type step struct {
		At     *time.Time
		SlotID uuid.UUID
		UnitID *uuid.UUID // nil: taken out
	}
	// at one instant what is taken out comes first
	steps := rows[step](t, db, access.System.ID, `
select lower(during) as at, slot_id, unit_id from stay where slot_id is not null
 union all
select upper(during), slot_id, null from stay where slot_id is not null and not upper_inf(during)
order by 1 nulls first, 3 nulls first`, nil)
	replay := func(at time.Time) map[uuid.UUID]uuid.UUID {
		there := map[uuid.UUID]uuid.UUID{}
		for _, s := range steps {
			switch {
			case s.At != nil && s.At.After(at):
				return there
			case s.UnitID == nil:
				delete(there, s.SlotID)
			default:
				there[s.SlotID] = *s.UnitID
			}
		}
		return there
	}
	var instants []time.Time
	for i := 0; i < len(steps); i += len(steps) / 25 {
		if at := steps[i].At; at != nil {
			instants = append(instants, *at, at.Add(-time.Microsecond))
		}
	}
	instants = append(instants, now, now.AddDate(-20, 0, 0))
	for code, site := range sites(t, db, access.System) {
		for _, at := range instants {
			there := replay(at)
			for _, f := range fitted(t, db, access.System, site.ID, at) {
				if want := there[f.SlotID]; val(f.UnitID) != want {
					t.Fatalf("%s: on %s %s of %s holds %v, the replay says %v", code, at, f.SlotCode, f.PositionCode, val(f.UnitID), want)
				}
			}
		}
	}
}

func whoSeesWhichUnits(t *testing.T, db *pgdb.DB) {
	hadrelle, ostrel := actor(t, db, "sable.wintringham@hadrelle.example"), actor(t, db, "lidia.ostrelli@ostrel.example")
	rebuilt := *holding(t, db, "FER-1/SBL-D gearmotor", now).UnitID
	all, err := assets.UnitHistory(ctx, db, hadrelle, now, rebuilt)
	if err != nil {
		t.Fatal(err)
	}
	// both sites are theirs; returns, bench and van are not
	if len(all) != 2 || val(all[0].PositionCode) != "FER-1/SBL-D" || val(all[1].PositionCode) != "UMB-1/SBH-P" {
		t.Errorf("the owner sees %+v", all)
	}
	if _, err := assets.OneUnit(ctx, db, ostrel, now, rebuilt); err == nil {
		t.Error("another owner sees the unit")
	}
	for _, who := range []access.Actor{hadrelle, ostrel} {
		for _, table := range []string{"unit", "stay", "unit_fact", "section_replaced"} {
			strange := rows[struct{ N int }](t, db, who.ID, map[string]string{
				"unit":             `select count(*)::int as n from unit where owner = 'distributor'`,
				"stay":             `select count(*)::int as n from stay where site_id is not null and not site_id = any (actor_site_ids()) or location_id is not null and site_id is null`,
				"unit_fact":        `select count(*)::int as n from unit_fact where unit_id not in (select unit_id from stay)`,
				"section_replaced": `select count(*)::int as n from section_replaced where unit_id not in (select unit_id from stay)`,
			}[table], nil)
			// Hadrelle: the motor that was linked for another site; Ostrel: none. The loan unit was at neither.
			if n := strange[0].N; n != 0 && !(table == "unit" && n == 1 && who.ID == hadrelle.ID) {
				t.Errorf("%s sees %d rows of %s that are not theirs to see", who.Name, n, table)
			}
		}
	}
}
