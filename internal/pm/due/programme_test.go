package due

import (
	"encoding/csv"
	"fmt"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"spindlebook/internal/calendar"
	"spindlebook/internal/usage"
)

// task is a row of a maintenance programme for one tunnel, by its column names.
type task map[string]string

// programme reads the 46 tasks of testdata/pm_tasks.csv: a realistic programme; its
// last column says for each task whether a published source stands behind it or
// it is common practice.
func programme(t testing.TB) []task {
	f, err := os.Open("testdata/pm_tasks.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var all []task
	for _, row := range rows[1:] {
		x := task{}
		for i, name := range rows[0] {
			x[name] = row[i]
		}
		all = append(all, x)
	}
	return all
}

// anchors are what the programme says of seasons in words: the day that a fixed
// grid counts from. Peak is February, the shoulder season April and May.
var anchors = map[string]calendar.Date{
	"before winter: finish by 31 Oct":     calendar.On(2025, 10, 31),
	"once in peak season":                 calendar.On(2026, 2, 15),
	"peak season":                         calendar.On(2026, 2, 15),
	"shoulder season":                     calendar.On(2026, 4, 30),
	"shoulder season: Apr-May or Sep-Oct": calendar.On(2026, 4, 30),
	"before peak season":                  calendar.On(2025, 11, 30),
}

func (x task) plan(t testing.TB) Plan {
	p := Plan{Criticality: Criticality(x["criticality"]), Basis: Basis(x["anchor"]), Early: tolerated(t, x["early_tol"]), Late: tolerated(t, x["late_tol"])}
	if x["anchor"] == "event" {
		p.Basis = OneOff
	}
	for _, n := range []string{"t1", "t2"} {
		every, unit := x[n+"_every"], x[n+"_unit"]
		number, _ := strconv.ParseFloat(every, 64)
		switch kind := x[n+"_kind"]; {
		case kind == "":
		case kind == "calendar" && unit == "operating_day":
			p.Triggers = append(p.Triggers, EachOperatingDay{})
		case kind == "calendar":
			e := Every{Period: calendar.Period{Days: int(number)}}
			if from, ok := anchors[x["season_window"]]; ok {
				// Half a year and a year, or it leaves the season by and by.
				e = Every{calendar.Period{Months: int(number+5) / 30}, from}
			}
			p.Triggers = append(p.Triggers, e)
		case kind == "meter":
			p.Triggers = append(p.Triggers, AfterUse{Unit(unit), number})
		case kind == "condition":
			p.Triggers = append(p.Triggers, OnCrossing{unit})
		case kind == "season":
			var from, to string
			for window, s := range map[string]string{"1 Oct - 15 Nov": "10-01/11-15", "1 Apr - 15 May": "04-01/05-15"} {
				if strings.Contains(x["season_window"], window) {
					from, to, _ = strings.Cut(s, "/")
				}
			}
			s, f := calendar.ParseSeason(from+"/"+to, "season")
			if f != nil {
				t.Fatal(f)
			}
			p.Triggers = append(p.Triggers, OncePerSeason{s})
		case kind == "event": // it is born from the job that installs; the season column says how long after
			if x["season_window"] == "7 days or 2000 vehicles" {
				p.Triggers = append(p.Triggers, AfterUse{Vehicles, 2000})
			}
		default:
			t.Fatalf("%s: trigger %s", x["task_id"], kind)
		}
	}
	return p
}

func tolerated(t testing.TB, s string) Tolerance {
	number, unit, _ := strings.Cut(strings.TrimLeft(s, "+-"), " ")
	if p, ok := strings.CutSuffix(number, "%"); ok {
		v, err := strconv.ParseFloat(p, 64)
		if err != nil {
			t.Fatal(err)
		}
		return Tolerance{Percent: v}
	}
	n, err := strconv.Atoi(number)
	if err != nil || unit != "d" {
		t.Fatalf("tolerance %q", s)
	}
	return Tolerance{Days: n}
}

// line1 is a line in the snow belt with 104,000 vehicles a year, its side brushes
// running 710 hours and its arms moving twice a vehicle. The count was read nine
// days ago, the hours three weeks ago; the cycles are computed.
func line1(now time.Time) []Driver {
	driver := func(u Unit, perYear float64, grade usage.Grade, days int, profile int) Driver {
		last := usage.Point{At: now.AddDate(0, 0, -days), Grade: grade}
		last.Total = perYear / 365 * tables[profile].Days(commissioned, last.At)
		r := usage.Rate{PerDay: perYear / 365, Basis: usage.Measured, Grade: grade, From: last.At.AddDate(-1, 0, 0), To: last.At, Window: 365, Readings: 40, Increments: 39, T: 1.3, Kappa: 0.08}
		r.Sigma = 1.2 * r.PerDay
		return Driver{u, last, r.Outlook(tables[profile], last)}
	}
	return []Driver{driver(Vehicles, 104000, usage.Read, 9, 1), driver(RunHours, 710, usage.Read, 21, 0), driver(Cycles, 208000, usage.Computed, 9, 1)}
}

var commissioned = time.Date(2024, 3, 4, 14, 0, 0, 0, time.UTC)

// Each task of the programme is a plan; testdata/programme.golden is what a
// service manager reads about each on 5 October 2026, when it was never done since
// the line was put in service on 4 March 2024 or 20 days ago, and when it was done
// last when two thirds of its interval were left or a third over.
func TestTheProgrammeReadsWell(t *testing.T) {
	now := calendar.Local(calendar.On(2026, 10, 5), 8*time.Hour, ny)
	site := &Site{Place: place}
	var out strings.Builder
	tasks := programme(t)
	if len(tasks) != 46 {
		t.Fatalf("%d tasks", len(tasks))
	}
	for _, x := range tasks {
		s, err := New(x.plan(t))
		if err != nil {
			t.Errorf("%s: %v", x["task_id"], err)
			continue
		}
		fmt.Fprintf(&out, "%s %s (%s)\n", x["task_id"], x["title"], x["criticality"])
		total := func(at time.Time) (all []Total) {
			all = append(all, Total{Vehicles, 104000 / 365 * tables[1].Days(commissioned, at), usage.Interpolated})
			return append(all, Total{RunHours, 710. / 365 * tables[0].Days(commissioned, at), usage.Interpolated},
				Total{Cycles, 208000 / 365 * tables[1].Days(commissioned, at), usage.Computed})
		}
		a := Assignment{Schedule: s, Since: now.AddDate(0, 0, -20), Drivers: line1(now)}
		a.Mark = &Mark{At: a.Since, Totals: total(a.Since)}
		tell := func(what string) {
			e := Explain(&a, site, now)
			fmt.Fprintf(&out, "  %s: %s, %s\n", what, e.State, e.Says)
			if e.Due == 0 || e.Due < site.Day(a.Mark.At) {
				t.Errorf("%s %s is due %q", x["task_id"], what, e.Due)
			}
			for i, p := range e.Parts {
				if p.Trigger == "" || p.Of <= 0 && s.plan.Triggers[i] != (OnCrossing{"psi_drop"}) && s.plan.Triggers[i] != (OnCrossing{"percent_amps_over_baseline"}) {
					t.Errorf("%s part %+v", x["task_id"], p)
				}
			}
		}
		if s.plan.Basis == OneOff {
			tell("20 days after the job")
			continue
		}
		tell("new 20 days ago")
		// Done when, as Judge has it, so that it is due in about a third of the interval.
		back := 20
		switch first := s.plan.Triggers[0].(type) {
		case Every:
			back = int(first.Period.From(0, 1)) * 2 / 3
		case AfterUse:
			back = 60
		case OncePerSeason:
			back = 330
		case EachOperatingDay:
			back = 1
		}
		done := now.AddDate(0, 0, -back)
		a.Since, a.Mark = commissioned, &Mark{At: done, Done: true, Totals: total(done)}
		tell("in use")
	}
	const golden = "testdata/programme.golden"
	if *update {
		if err := os.WriteFile(golden, []byte(out.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if got := out.String(); got != string(want) {
		wants := strings.Split(string(want), "\n")
		for i, line := range strings.Split(got, "\n") {
			if i >= len(wants) || line != wants[i] {
				t.Fatalf("%s:%d\n got %s\nwant %s", golden, i+1, line, word(wants, i))
			}
		}
	}
}
