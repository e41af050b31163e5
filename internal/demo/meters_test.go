package demo

import (
	"flag"
	"fmt"
	"math"
	"os"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/assets/meters"
	"spindlebook/internal/assets/meters/outlook"
	"spindlebook/internal/pgdb"
)

var update = flag.Bool("update", false, "rewrite the files of what is wanted; look at them before they are committed")

func metersOf(t testing.TB, db *pgdb.DB) map[string]meters.Meter {
	t.Helper()
	all, err := meters.List(ctx, db, access.System, meters.Filter{}, access.Page{Limit: 1000})
	if err != nil {
		t.Fatal(err)
	}
	found := map[string]meters.Meter{}
	for _, m := range all {
		found[m.Code] = m
	}
	return found
}

// Every line has its counter and every brush of the sites that count run hours
// its hour meter; two years of readings, with what goes wrong with them, most of
// it explained.
func countersWereRead(t *testing.T, db *pgdb.DB) {
	all := metersOf(t, db)
	for _, line := range []string{"UMB-1", "DUN-1", "DUN-2", "FER-1", "PEL-1", "THO-1", "OST-1", "KES-1", "VAN-1"} {
		if m, there := all[line+"/TC"]; !there || !m.IsPrimary || m.LastTotal == nil || *m.LastTotal < 20000 {
			t.Errorf("the vehicles of %s: %+v", line, m)
		}
	}
	for code, list := range brushes(positions(t, db, access.System)) {
		if code == "OST-1" || code == "PEL-1" { // few are counted there
			continue
		}
		for _, p := range list {
			if _, there := all[p.Code+"/H"]; !there {
				t.Errorf("nobody counts the hours of %s", p.Code)
			}
		}
	}
	type count struct {
		State string
		Doubt *string
		N     int
	}
	n, waits := map[string]int{}, 0
	for _, c := range rows[count](t, db, access.System.ID, `select state, doubt, count(*)::int as n from reading group by 1, 2`, nil) {
		n[c.State] += c.N
		if c.State == "doubtful" || c.State == "quarantined" {
			waits += c.N
		}
	}
	if n["counts"] < 8000 || n["superseded"] < 100 || n["voided"] < 1 || n["quarantined"] < 1 || waits < 5 || waits > 20 {
		t.Errorf("readings: %v", n)
	}
	acts := map[string]int{}
	for _, a := range rows[struct {
		Act string
		N   int
	}](t, db, access.System.ID, `select act, count(*)::int as n from reading_act group by 1`, nil) {
		acts[a.Act] = a.N
	}
	for _, want := range []string{"mistyped", "rolled_over", "controller_reset", "as_seen"} {
		if acts[want] == 0 {
			t.Errorf("nothing was %s: %v", want, acts)
		}
	}
	t.Logf("%d meters, readings %v, explained %v", len(all), n, acts)

	// nothing runs faster than it can, whatever was explained how
	for _, r := range rows[struct {
		Code, Unit string
		Grew       int64
		Days       float64
	}](t, db, access.System.ID, `
select m.code, m.unit, max(p.total) - min(p.total) as grew, (extract(epoch from max(p.at) - min(p.at)) / 86400)::float8 as days
  from meter_point as p join meter as m on m.id = p.meter_id group by m.id`, nil) {
		if most := map[string]float64{"hours": 20 * 3600, "vehicles": 700}[r.Unit] * r.Days; float64(r.Grew) > most {
			t.Errorf("%s counted %d in %.0f days", r.Code, r.Grew, r.Days)
		}
	}
	// Pellhaven is read each week and typed at the end of the month
	type paper struct{ Weekly, Together int }
	for _, p := range rows[paper](t, db, access.System.ID, `
select count(distinct date_trunc('week', r.at))::int as weekly, count(distinct r.received_at)::int as together
  from reading as r join meter as m on m.id = r.meter_id
 where m.code = 'PEL-1/TC' and r.at > cast(@now as timestamptz) - interval '300 days'`, map[string]any{"now": now}) {
		if p.Weekly < 30 || p.Together > 12 {
			t.Errorf("%d weeks in %d batches", p.Weekly, p.Together)
		}
	}
	// what the scenario leaves to whoever looks at it
	waiting, err := meters.Doubts(ctx, db, access.System, nil, access.Page{Limit: 100})
	if err != nil {
		t.Fatal(err)
	}
	for _, code := range []string{"KES-1/TC", "UMB-1/WRP-P/H", "FER-1/SBH-D/H", "DUN-1/SBL2-P/H", "VAN-1/SBH-D/H"} {
		if !slices.ContainsFunc(waiting, func(r meters.Reading) bool { return r.Meter == code }) {
			t.Errorf("nothing of %s waits", code)
		}
	}
	for _, r := range waiting {
		if r.Meter == "KES-1/TC" && r.State != "quarantined" {
			t.Errorf("what the gateway sent is %s", r.State)
		}
	}
	quiet, err := meters.Quiet(ctx, db, access.System, now, nil, access.Page{Limit: 100})
	if err != nil || !slices.ContainsFunc(quiet, func(m meters.Meter) bool { return m.Code == "OST/AIR/H" }) || len(quiet) > 12 {
		t.Errorf("quiet are %d, %v", len(quiet), err)
	}
	ost := sites(t, db, access.System)["OST"]
	cal, err := outlook.Of(ctx, db, access.System, now, ost.ID)
	if err != nil {
		t.Fatal(err)
	}
	found, err := meters.Findings(ctx, db, access.System, now, cal.Scale, ost.ID)
	if err != nil || !slices.ContainsFunc(found, func(f meters.Finding) bool { return f.Kind == "stuck" && f.Meter == "OST-1/WC" }) {
		t.Errorf("%+v %v", found, err)
	}
	for _, f := range found {
		if f.Kind == "stuck" && f.Meter != "OST-1/WC" {
			t.Errorf("%s stands still, too", f.Meter)
		}
	}
	// a counter that was exchanged goes on from where it stood
	runs, err := meters.Runs(ctx, db, access.System, all["UMB-1/SBL-D/H"].ID)
	if err != nil || len(runs) != 2 || runs[1].How != "replaced" || runs[1].Base == 0 || runs[1].StartValue != 0 {
		t.Errorf("%+v %v", runs, err)
	}
	formulas, err := meters.Formulas(ctx, db, access.System, all["OST-1/SBL-D/H"].ID)
	if err != nil || len(formulas) != 2 || formulas[1].LearntFrom == nil || formulas[1].Ratio < 20 || formulas[1].Ratio > 60 {
		t.Errorf("%+v %v", formulas, err)
	}
}

// Swaps have readings beside them, so that what a unit has done is known to the day.
func swapsHaveReadingsBesideThem(t *testing.T, db *pgdb.DB) {
	stays := rows[struct {
		Code string
		At   time.Time
		N    int
	}](t, db, access.System.ID, `
select p.code, lower(s.during) as at,
       (select count(*)::int from reading as r join meter as m on m.id = r.meter_id join meter_place as l on l.meter_id = m.id
         where l.position_id = p.id and r.at = lower(s.during)) as n
  from stay as s join slot as o on o.id = s.slot_id join position as p on p.id = o.position_id
 where s.from_precision = 'instant' and lower(s.during) > cast(@now as timestamptz) - interval '500 days'
   and exists (select from meter_place as l join meter as m on m.id = l.meter_id and m.kind <> 'computed' where l.position_id = p.id)`, map[string]any{"now": now})
	read := 0
	for _, s := range stays {
		if s.N > 0 {
			read++
		}
	}
	if len(stays) < 20 || read < len(stays)*3/4 {
		t.Errorf("of %d swaps %d were read", len(stays), read)
	}
	motor := holding(t, db, "UMB-1/SBH-P gearmotor", now)
	u, err := meters.UseOfOne(ctx, db, access.System, meters.PlainDays, *motor.UnitID, now)
	// it came 312 days before, at 600 to 900 h a year
	if err != nil || !u.Hours.Known || u.Hours.Amount < 400*3600 || u.Hours.Amount > 950*3600 || len(u.Spells) != 1 || u.Vehicles.Amount < 60000 {
		t.Errorf("%+v %v", u, err)
	}
}

// told are the meters of which the page tells a forecast: of vehicles and of
// hours, by the day and by the month, of a new regime, of a quiet one and of a
// computed one.
var told = []string{"UMB-1/TC", "DUN-2/TC", "KES-1/TC", "PEL-1/TC", "THO-1/TC", "VAN-1/POS", "UMB-1/SBL-D/H", "DUN-1/WRP-P/H", "OST/AIR/H", "OST-1/SBL-D/H"}

var readAgo = regexp.MustCompile(`(today|yesterday|(\d+) days ago)`)

// Ten sentences, each held against the plot that it comes from: on the likely
// day the broken line passes the total, on the early day the upper edge of the
// band, on the late day the lower one.
func theSentencesAgreeWithTheirPlots(t *testing.T, db *pgdb.DB) {
	all := metersOf(t, db)
	var ids, of []uuid.UUID
	for _, code := range told {
		ids, of = append(ids, all[code].ID), append(of, all[code].SiteID)
	}
	cal, err := outlook.Of(ctx, db, access.System, now, of...)
	if err != nil {
		t.Fatal(err)
	}
	views, err := outlook.Ahead(ctx, db, access.System, now, cal, ids...)
	if err != nil {
		t.Fatal(err)
	}
	var text strings.Builder
	for i, code := range told {
		v := views[ids[i]]
		last := v.Last()
		stood := outlook.InUnits(v.Unit, last.Total)
		stone := v.Milestone()
		f := v.Forecast(stone - stood)
		s := v.Sentence(f, now)
		fmt.Fprintf(&text, "# %s stood at %.0f on %s; %s in all\n%s\n\n", code, stood, last.At.Format(time.DateOnly), strconv.FormatFloat(stone, 'f', -1, 64), s)
		for _, edge := range []struct {
			name  string
			at    time.Time
			total func(time.Time) float64
		}{
			{"likely", f.Likely, func(at time.Time) float64 { b, _ := v.Expect(at); return b.Likely }},
			{"early", f.Early, func(at time.Time) float64 { b, _ := v.Expect(at); return b.High }},
			{"late", f.Late, func(at time.Time) float64 { b, _ := v.Expect(at); return b.Low }},
		} {
			// a day's use is the most by which a second of the clock and closed hours may part them
			if got := edge.total(edge.at); math.Abs(got-stone) > 2*v.Rate.PerDay {
				t.Errorf("%s: on the %s day it stands at %.0f, not %.0f", code, edge.name, got, stone)
			}
			zone, _ := time.LoadLocation(v.Site.Zone)
			if day := edge.at.In(zone).Format("2 "); !strings.Contains(s, day) {
				t.Errorf("%s: %q does not name the %s day, the %s", code, s, edge.name, day)
			}
		}
		// what was left at the reading, divided by the days from there to the date, is the
		// rate that it says, but for two digits of it
		var rate float64
		number := strings.ReplaceAll(strings.Fields(strings.TrimPrefix(s, "at about "))[0], ",", "")
		if rate, err = strconv.ParseFloat(number, 64); err != nil {
			t.Errorf("%s: no rate in %q", code, s)
		}
		days := f.Likely.Sub(last.At).Hours() / 24
		if got := (stone - stood) / days; math.Abs(got/rate-1) > 0.05 {
			t.Errorf("%s: %.2f a day to the date, and it says %v", code, got, rate)
		}
		m := readAgo.FindStringSubmatch(s)
		ago := map[string]int{"today": 0, "yesterday": 1}[m[1]]
		if m[2] != "" {
			ago, _ = strconv.Atoi(m[2])
		}
		if got := now.Sub(last.At).Hours() / 24; math.Abs(got-float64(ago)) > 1 {
			t.Errorf("%s: read %.1f days ago, and it says %q", code, got, m[1])
		}
	}
	const file = "testdata/forecasts.txt"
	if *update {
		if err := os.MkdirAll("testdata", 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(file, []byte(text.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if string(want) != text.String() {
		t.Errorf("the sentences are not those of %s; look at them, and rewrite it by -update:\n%s", file, text.String())
	}
}

// An owner sees the counters of the own sites only, and of a site that was sold
// what was read in the own time.
func whoSeesWhichCounters(t *testing.T, db *pgdb.DB) {
	sable := actor(t, db, "sable.wintringham@hadrelle.example")
	all, err := meters.List(ctx, db, sable, meters.Filter{}, access.Page{Limit: 1000})
	if err != nil || len(all) == 0 {
		t.Fatal(len(all), err)
	}
	for _, m := range all {
		if site, _, _ := strings.Cut(m.Code, "/"); !slices.Contains([]string{"UMB", "DUN", "FER"}, siteOf(site)) {
			t.Errorf("the owner of Hadrelle sees %s", m.Code)
		}
	}
	held := rows[struct{ Sale time.Time }](t, db, access.System.ID, `
select lower(o.during) as sale from ownership as o join site as s on s.id = o.site_id where s.code = 'VAN' and upper_inf(o.during)`, nil)
	wren := actor(t, db, "wren.adeyemi-falk@vannickfalls.example")
	readings, err := meters.Readings(ctx, db, wren, metersOf(t, db)["VAN-1/TC"].ID, assets.Page{Limit: 1000})
	if err != nil || len(readings) == 0 || readings[len(readings)-1].At.Before(held[0].Sale) {
		t.Errorf("the buyer sees %d readings, %v", len(readings), err)
	}
}
