package demo

import (
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/google/uuid"

	"spindlebook/internal/access"
	"spindlebook/internal/parts"
	"spindlebook/internal/parts/fit"
	"spindlebook/internal/pgdb"
)

// versionsOf gives the version that holds of every procedure, by code.
func versionsOf(t *testing.T, db *pgdb.DB) map[string]uuid.UUID {
	t.Helper()
	all := map[string]uuid.UUID{}
	for _, r := range rows[struct {
		Code      string
		VersionID uuid.UUID
	}](t, db, access.System.ID, `select code, version_id from procedure_now where version_id is not null`, nil) {
		all[r.Code] = r.VersionID
	}
	return all
}

// The list of the first four jobs at every side, wraparound, rocker and top
// position equals a table that was written by hand.
func jobsTakeWhatTheTableSays(t *testing.T, db *pgdb.DB) {
	type key struct{ job, position string }
	kinds := []string{"side_brush_low", "side_brush_high", "wraparound", "rocker", "top_brush"}
	versions := versionsOf(t, db)
	var asks []parts.Ask
	kindOf := map[string]string{}
	want, open := map[key][]string{}, map[string]bool{}
	for _, p := range positions(t, db, access.System) {
		if !slices.Contains(kinds, p.Kind) || *p.State == "retired" {
			continue
		}
		kindOf[p.Code] = p.Kind
		for _, job := range []string{"J01", "J02", "J03", "J04"} {
			want[key{job, p.Code}] = []string{}
			asks = append(asks, parts.Ask{PositionID: p.ID, VersionID: versions[job]})
		}
	}
	if len(kindOf) < 80 {
		t.Fatalf("only %d positions", len(kindOf))
	}
	text, err := os.ReadFile("testdata/job_lists.txt")
	if err != nil {
		t.Fatal(err)
	}
	var checked func(position string) bool
	for line := range strings.Lines(string(text)) {
		line = strings.TrimSpace(line)
		col := strings.Split(line, "; ")
		switch {
		case line == "" || line[0] == '#':
		case col[0] == "check":
			sites, but, _ := strings.Cut(col[1], " but ")
			checked = func(position string) bool {
				return slices.Contains(strings.Fields(sites), siteOf(lineOf(position))) && !slices.Contains(strings.Fields(but), position) ||
					slices.Contains(strings.Fields(strings.TrimPrefix(col[2], "also ")), position)
			}
		case strings.HasPrefix(line, "instead "):
			k := key{strings.TrimPrefix(col[0], "instead "), col[1]}
			i := slices.Index(want[k], "always "+col[2])
			if i < 0 {
				t.Fatalf("%s", line)
			}
			want[k][i] = "always " + col[3]
		case strings.HasPrefix(line, "open "):
			k := key{strings.TrimPrefix(col[0], "open "), col[1]}
			want[k], open[col[1]] = append(want[k], col[2]+" "+col[3]), true
		default:
			for position, kind := range kindOf {
				if (col[1] == "*" || slices.Contains(strings.Fields(col[1]), siteOf(lineOf(position)))) && (col[2] == "*" || slices.Contains(strings.Fields(col[2]), kind)) {
					for _, item := range strings.Split(col[4], ", ") {
						want[key{col[0], position}] = append(want[key{col[0], position}], col[3]+" "+item)
					}
				}
			}
		}
	}
	lists, err := parts.Resolve(ctx, db, access.System, now, asks)
	if err != nil {
		t.Fatal(err)
	}
	for _, l := range lists {
		k := key{l.Procedure, l.Position}
		got := []string{}
		groups := map[string]int{}
		for _, line := range l.Lines {
			if line.Need == "tool" || line.Need == "protective" {
				continue
			}
			s := fmt.Sprintf("%s %s %s", line.Need, line.Number, line.Amount)
			if line.Chance != nil {
				s += fmt.Sprintf(" %.0f %%", *line.Chance*100)
			}
			got = append(got, s)
			if open[l.Position] && (line.RuleGroup == "HUB" || line.RuleGroup == "HW" && l.Procedure == "J03") && (line.Standing != parts.Check || line.Missing[0].Fact != "hub_fixing") {
				t.Errorf("%v: %s", k, line.Say())
			}
			if line.Why == "" && line.Need != "always" || line.Number == "" {
				t.Errorf("%v: nobody says why %s", k, s)
			}
			if line.Need == "always" && slices.Contains([]string{"GM", "HW", "SET", "HUB", "SHAFT", "KEY", "NUT"}, line.RuleGroup) {
				groups[line.RuleGroup]++
			}
			if line.RuleGroup == "GM" && line.Need == "always" {
				if (line.Standing == parts.Check) != checked(l.Position) {
					t.Errorf("%s: %s", l.Position, line.Say())
				}
				// never as fitting as is: every gearmotor arrives with links that must be set, most must be turned
				if line.Fit == nil || line.Fit.Verdict == fit.Fits || line.Fit.Verdict == fit.DoesNotFit {
					t.Errorf("%s: %s", l.Position, line.Say())
				}
			}
		}
		slices.Sort(got)
		slices.Sort(want[k])
		if !slices.Equal(got, want[k]) {
			t.Errorf("%s at %s:\n%s\nwant\n%s", k.job, k.position, strings.Join(got, "\n"), strings.Join(want[k], "\n"))
		}
		for g, n := range groups {
			if n != 1 && !(n == 2 && open[l.Position] && (g == "HUB" || g == "HW")) {
				t.Errorf("%v: %d lines of the group %s", k, n, g)
			}
		}
		if len(l.Gaps) > 0 {
			t.Errorf("%v: %q", k, l.Gaps)
		}
	}
}

// Every part and step of the trade's files came in.
func theCatalogueIsThere(t *testing.T, db *pgdb.DB) {
	count := func(sql string) int {
		return int(rows[struct{ N int64 }](t, db, access.System.ID, sql, nil)[0].N)
	}
	for sql, want := range map[string]int{
		`select count(*) as n from part`: 150, `select count(*) as n from kit_line`: 52, `select count(*) as n from supplier`: 5,
		`select count(*) as n from part_succession`: 5, `select count(*) as n from procedure where code like 'J%' or code like 'BLK-%'`: 16,
		`select count(*) as n from procedure_step as s join procedure_version as v on v.id = s.version_id join procedure as p on p.id = v.procedure_id where p.code like 'J%' or p.code like 'BLK-%'`:      117,
		`select count(*) as n from requirement_line as l join procedure_version as v on v.id = l.version_id join procedure as p on p.id = v.procedure_id where p.code like 'J%' and l.part_id is not null`: 134,
		`select count(*) as n from part where tracking = 'kit'`: 10, `select count(*) as n from part_words`: 150,
	} {
		if got := count(sql); got != want {
			t.Errorf("%s: %d, want %d", sql, got, want)
		}
	}
	hits, err := parts.Search(ctx, db, access.System, "mw10104", 5)
	if err != nil || len(hits) != 1 || hits[0].FollowedBy != "MW-10105" {
		t.Errorf("%+v, %v", hits, err)
	}
	l, err := parts.LineageOf(ctx, db, access.System, hits[0].ID)
	if err != nil || len(l.After) != 2 || l.After[1].To[0].Number != "MW-10110" || l.After[1].UseUpWhere != "supply_volts = 460" {
		t.Errorf("%+v, %v", l, err)
	}
}
