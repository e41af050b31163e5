package assets_test

import (
	"errors"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"maps"
	"path/filepath"
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

// The site of the world is sold half-way: things end before that, begin after
// it, or last throughout.
var (
	before = began.AddDate(0, 3, 0)
	sold   = began.AddDate(0, 6, 0)
	after  = began.AddDate(0, 9, 0)
)

type sale struct {
	world
	buyer, next, other assets.Customer
	otherSite          assets.Site
	otherLine          assets.Line
	otherPosition      assets.Position
	line2              assets.Line
	gone, still, fresh assets.Position // retired before the sale, there throughout, added after it
	point, point2      assets.IsolationPoint
	supplies           []assets.Supply // ended before, throughout, begun after
	blackouts          []assets.Blackout
	bore               assets.Fact
	fleet
}

func newSale(t testing.TB) sale {
	t.Helper()
	s := sale{world: newWorld(t)}
	sys := access.System
	s.buyer, s.next, s.other = addCustomer(t, s.db, "KES"), addCustomer(t, s.db, "MIR"), addCustomer(t, s.db, "OTH")
	s.otherSite = addSite(t, s.db, "OTH", s.other.ID, began)
	s.otherLine = pgtest.Done(t, s.db, sys, func(tx *gorm.DB) (assets.Line, error) {
		return assets.AddLine(tx, sys, now, s.otherSite.ID, &began, assets.LineEdit{Code: "OTH-1"})
	})
	s.line2 = pgtest.Done(t, s.db, sys, func(tx *gorm.DB) (assets.Line, error) {
		return assets.AddLine(tx, sys, now, s.site.ID, &after, assets.LineEdit{Code: "UMB-2"})
	})
	others := newPosition(s.world, "OTH-1/TOP", "top_brush", "centre", began)
	others.SiteID, others.LineID = s.otherSite.ID, &s.otherLine.ID
	all := pgtest.Done(t, s.db, sys, func(tx *gorm.DB) ([]assets.Position, error) {
		return assets.AddPositions(tx, sys, now, []assets.NewPosition{newPosition(s.world, "UMB-1/GONE", "arch", "centre", began),
			newPosition(s.world, "UMB-1/STILL", "top_brush", "centre", began), newPosition(s.world, "UMB-1/FRESH", "top_brush", "centre", after), others})
	})
	s.gone, s.still, s.fresh, s.otherPosition = all[0], all[1], all[2], all[3]
	state := func(p assets.Position, to string, from time.Time) {
		pgtest.Done(t, s.db, sys, func(tx *gorm.DB) ([]assets.State, error) {
			return assets.ChangeState(tx, sys, now, p.ID, to, &from, "")
		})
	}
	state(s.gone, "retired", before)
	state(s.left, "parked", before)
	state(s.left, "in_service", after)
	state(s.right, "parked", after)
	fact := func(p assets.Position, inch float64, from time.Time) assets.Fact {
		return pgtest.Done(t, s.db, sys, func(tx *gorm.DB) (assets.Fact, error) {
			return assets.Record(tx, sys, now, p.ID, assets.NewFact{Fact: "bore", Measure: &measure.Typed{Value: inch, Unit: "in"}, From: &from, How: "measured"})
		})
	}
	s.bore = fact(s.left, 1.5, began)
	fact(s.left, 1.375, after)
	fact(s.otherPosition, 2, began)
	point := func(code string, from time.Time) assets.IsolationPoint {
		return pgtest.Done(t, s.db, sys, func(tx *gorm.DB) (assets.IsolationPoint, error) {
			return assets.AddIsolationPoint(tx, sys, now, s.site.ID, code, "electrical", isolation(from, "first"))
		})
	}
	s.point, s.point2 = point("E1", began), point("E2", after)
	pgtest.Done(t, s.db, sys, func(tx *gorm.DB) (assets.IsolationPoint, error) {
		return assets.ReviseIsolationPoint(tx, sys, now, s.point.ID, isolation(after, "second"))
	})
	s.left = pgtest.Done(t, s.db, sys, func(tx *gorm.DB) (assets.Position, error) { return assets.Pair(tx, sys, s.left.ID, 1, &s.right.ID) })
	s.left = pgtest.Done(t, s.db, sys, func(tx *gorm.DB) (assets.Position, error) {
		p, _, err := assets.SetIsolation(tx, sys, now, s.left.ID, s.left.Version, []uuid.UUID{s.point.ID, s.point2.ID})
		return p, err
	})
	s.right = s.position(t, s.right.ID)
	for code, from := range map[string]time.Time{"a-old": began, "b-main": began, "c-new": after} {
		s.supplies = append(s.supplies, pgtest.Done(t, s.db, sys, func(tx *gorm.DB) (assets.Supply, error) {
			return assets.AddSupply(tx, sys, now, s.site.ID, assets.NewSupply{Code: code, Volts: 480, Phases: 3, Hertz: 60, From: &from})
		}))
	}
	slices.SortFunc(s.supplies, func(a, b assets.Supply) int { return strings.Compare(a.Code, b.Code) })
	pgtest.Done(t, s.db, sys, func(tx *gorm.DB) (assets.Supply, error) {
		return assets.EndSupply(tx, sys, s.site.ID, s.supplies[0].ID, before)
	})
	week := func(at time.Time, version, weekday int) {
		pgtest.Done(t, s.db, sys, func(tx *gorm.DB) (assets.Site, error) {
			it, _, err := assets.ReplaceHours(tx, sys, at, s.site.ID, version, []assets.WeeklyHours{{Kind: "open", Weekday: weekday, Starts: "07:00", Minutes: 60}})
			return it, err
		})
	}
	week(began, 1, 1)
	week(after, 2, 2)
	for _, span := range [][2]time.Time{{began, before}, {before, after}, {after, now}} {
		s.blackouts = append(s.blackouts, pgtest.Done(t, s.db, sys, func(tx *gorm.DB) (assets.Blackout, error) {
			return assets.AddBlackout(tx, sys, s.site.ID, assets.NewBlackout{From: span[0], Until: span[1], Reason: fmt.Sprint("reason ", len(s.blackouts))})
		}))
	}
	pgtest.Done(t, s.db, sys, func(tx *gorm.DB) (assets.Note, error) { return assets.WriteNote(tx, sys, now, s.site.ID, "pays late") })
	pgtest.Done(t, s.db, sys, func(tx *gorm.DB) ([]assets.Ownership, error) {
		return assets.HandOver(tx, sys, s.site.ID, s.buyer.ID, sold)
	})
	// agreed, a year ahead of whatever the database's clock says
	pgtest.Done(t, s.db, sys, func(tx *gorm.DB) ([]assets.Ownership, error) {
		return assets.HandOver(tx, sys, s.site.ID, s.next.ID, time.Now().AddDate(1, 0, 0))
	})
	// fed since after the sale by what the first owner never saw
	s.left = pgtest.Done(t, s.db, sys, func(tx *gorm.DB) (assets.Position, error) {
		edit := positionEdit(s.left)
		edit.SupplyID = &s.supplies[2].ID
		return assets.EditPosition(tx, sys, s.left.ID, s.left.Version, edit)
	})
	s.fleet = s.newFleet(t)
	return s
}

func isolation(from time.Time, words string) assets.IsolationEdit {
	return assets.IsolationEdit{Place: words, Isolate: "open and lock", Prove: "try to start", Restore: "unlock and close", Lockable: true,
		CheckedOn: from.Format(time.DateOnly), CheckedBy: "Tom", ValidFrom: &from}
}

// listed gives the outcome of a list in one line: what was found, or the fault.
func listed[T any](all []T, err error, show func(T) string) string {
	if err != nil {
		return kindName(err)
	}
	var s []string
	for _, it := range all {
		s = append(s, show(it))
	}
	slices.Sort(s)
	return strings.Join(s, ", ")
}

func kindName(err error) string {
	switch fault.KindOf(err) {
	case fault.NotFound:
		return "not found"
	case fault.Forbidden:
		return "forbidden"
	}
	return err.Error()
}

// each gives the outcome of a function for each of some things.
func each[K, T any](keys []K, find func(K) (T, error), show func(T) string) string {
	var s []string
	for _, k := range keys {
		it, err := find(k)
		s = append(s, listed([]T{it}, err, show))
	}
	return strings.Join(s, "; ")
}

func day(t time.Time) string { return t.Format("06-01") }

func span(from time.Time, until *time.Time) string {
	if until == nil {
		return day(from) + "…"
	}
	return day(from) + "…" + day(*until)
}

// seen asks every function of the package that reads, and gives what comes back.
func (s sale) seen(who access.Actor) map[string]string {
	all := access.Page{Limit: 100}
	position := func(p assets.Position) string {
		twin, state := "", "?"
		if p.TwinID != nil {
			twin = "+twin"
		}
		if p.State != nil {
			state = *p.State
		}
		return p.Code + twin + " " + state + " " + strings.Join(p.Aliases, "/")
	}
	point := func(p assets.IsolationPoint) string {
		s := p.Code
		for _, v := range p.Versions {
			s += " " + v.Place
		}
		for _, b := range p.Positions {
			s += " " + b.Code
		}
		return s
	}
	code := func(c assets.Customer) string { return c.Code }
	site := func(s assets.Site) string {
		if s.CustomerCode == nil {
			return s.Code
		}
		return s.Code + " of " + *s.CustomerCode
	}
	line := func(l assets.Line) string { return l.Code }
	fact := func(f assets.Fact) string { return f.Value + " " + span(f.From, f.Until) }
	week := func(h assets.WeeklyHours) string { return fmt.Sprintf("%s on %d", h.Kind, h.Weekday) }
	note := func(n assets.Note) string { return n.Body }
	sites, lines := []uuid.UUID{s.site.ID, s.otherSite.ID}, []uuid.UUID{s.line.ID, s.line2.ID, s.otherLine.ID}
	positions := []uuid.UUID{s.left.ID, s.gone.ID, s.fresh.ID, s.otherPosition.ID}
	customers := []uuid.UUID{s.customer.ID, s.buyer.ID, s.next.ID, s.other.ID}
	ids := slices.Concat(sites, lines, positions, customers, []uuid.UUID{s.point.ID, s.point2.ID, s.supplies[0].ID, s.supplies[1].ID, s.supplies[2].ID})

	got := map[string]string{}
	cs, err := assets.Customers(ctx, s.db, who, all)
	got["Customers"] = listed(cs, err, code)
	got["OneCustomer"] = each(customers, func(id uuid.UUID) (assets.Customer, error) { return assets.OneCustomer(ctx, s.db, who, id) }, code)
	co, err := assets.CustomerOverviews(ctx, s.db, who, all)
	got["CustomerOverviews"] = listed(co, err, func(c assets.CustomerOverview) string { return fmt.Sprint(c.Code, " ", c.Sites) })
	ss, err := assets.Sites(ctx, s.db, who, nil, all)
	got["Sites"] = listed(ss, err, site)
	got["OneSite"] = each(sites, func(id uuid.UUID) (assets.Site, error) { return assets.OneSite(ctx, s.db, who, id) }, site)
	ov, err := assets.Overviews(ctx, s.db, who, now, assets.OverviewFilter{}, all)
	got["Overviews"] = listed(ov, err, func(o assets.Overview) string {
		return fmt.Sprintf("%s lines %d brushes %d parked %d", o.Code, o.Lines, o.Brushes, o.Parked)
	})
	got["Ownerships"] = each(sites, func(id uuid.UUID) (string, error) {
		found, err := assets.Ownerships(ctx, s.db, who, id)
		return listed(found, nil, func(o assets.Ownership) string { return o.CustomerCode + " " + day(o.From) }), err
	}, func(s string) string { return s })
	ls, err := assets.Lines(ctx, s.db, who, nil, all)
	got["Lines"] = listed(ls, err, line)
	got["OneLine"] = each(lines, func(id uuid.UUID) (assets.Line, error) { return assets.OneLine(ctx, s.db, who, id) }, line)
	ps, err := assets.Positions(ctx, s.db, who, assets.PositionFilter{}, all)
	got["Positions"] = listed(ps, err, position)
	got["OnePosition"] = each(positions, func(id uuid.UUID) (assets.Position, error) { return assets.OnePosition(ctx, s.db, who, id) }, func(p assets.Position) string { return p.Code })
	got["States"] = each(positions, func(id uuid.UUID) (string, error) {
		found, err := assets.States(ctx, s.db, who, id)
		return listed(found, nil, func(st assets.State) string { return st.State + " " + span(st.From, st.Until) }), err
	}, func(s string) string { return s })
	ns, err := assets.NotInService(ctx, s.db, who, 100)
	got["NotInService"] = listed(ns, err, func(p assets.Stopped) string { return p.Code + " at " + p.SiteCode })
	sp, err := assets.Spots(ctx, s.db, who, sites)
	got["Spots"] = listed(sp, err, func(p assets.Spot) string { return p.LineCode + " " + p.LineSide + " " + p.State })
	got["Facts"] = each(positions, func(id uuid.UUID) (string, error) {
		found, err := assets.Facts(ctx, s.db, who, id)
		return listed(found, nil, fact), err
	}, func(s string) string { return s })
	got["FactsNow"] = each(sites, func(id uuid.UUID) (string, error) {
		found, err := assets.FactsNow(ctx, s.db, who, now, id)
		return listed(found, nil, fact), err
	}, func(s string) string { return s })
	got["IsolationPoints"] = each(sites, func(id uuid.UUID) (string, error) {
		found, err := assets.IsolationPoints(ctx, s.db, who, now, id)
		return listed(found, nil, point), err
	}, func(s string) string { return s })
	got["PositionIsolation"] = each(positions, func(id uuid.UUID) (string, error) {
		found, err := assets.PositionIsolation(ctx, s.db, who, now, id)
		return listed(found, nil, point), err
	}, func(s string) string { return s })
	got["OneIsolationPoint"] = each([]uuid.UUID{s.point.ID, s.point2.ID}, func(id uuid.UUID) (assets.IsolationPoint, error) { return assets.OneIsolationPoint(ctx, s.db, who, id) }, point)
	got["Supplies"] = each(sites, func(id uuid.UUID) (string, error) {
		found, err := assets.Supplies(ctx, s.db, who, id)
		return listed(found, nil, func(e assets.Supply) string { return e.Code }), err
	}, func(s string) string { return s })
	got["Hours"] = each(sites, func(id uuid.UUID) (string, error) {
		then, err := assets.Hours(ctx, s.db, who, id, before)
		if err != nil {
			return "", err
		}
		today, err := assets.Hours(ctx, s.db, who, id, now)
		return "then " + listed(then, nil, week) + " and now " + listed(today, nil, week), err
	}, func(s string) string { return s })
	got["Blackouts"] = each(sites, func(id uuid.UUID) (string, error) {
		found, err := assets.Blackouts(ctx, s.db, who, id)
		return listed(found, nil, func(b assets.Blackout) string { return b.Reason }), err
	}, func(s string) string { return s })
	got["Notes"] = each(sites, func(id uuid.UUID) (string, error) {
		found, err := assets.Notes(ctx, s.db, who, id)
		return listed(found, nil, note), err
	}, func(s string) string { return s })
	ln, err := assets.LatestNotes(ctx, s.db, who, ids, 2)
	got["LatestNotes"] = listed(ln, err, note)
	na, err := assets.Names(ctx, s.db, who, ids)
	got["Names"] = listed(na, err, func(n assets.Named) string { return n.Kind + " " + n.Code })
	df, err := assets.Verify(ctx, s.db, who)
	got["Verify"] = listed(df, err, func(d assets.Difference) string { return d.Thing + " " + d.Says })
	maps.Copy(got, s.seenUnits(who))
	return got
}

// What each of them sees, function by function. "…" ends what lasts.
var views = map[string]map[string]string{
	// who sold it sees what was there in the own time, and nothing that came later
	"seller": {
		"Customers":         "HAD",
		"OneCustomer":       "HAD; not found; not found; not found",
		"CustomerOverviews": "HAD 0",
		"Sites":             "UMB",
		"OneSite":           "UMB; not found",
		"Overviews":         "UMB lines 1 brushes 1 parked 0",
		"Ownerships":        "HAD 24-06; not found",
		"Lines":             "UMB-1",
		"OneLine":           "UMB-1; not found; not found",
		"Positions":         "UMB-1/GONE retired left big blue, UMB-1/SBL-L+twin ? left big blue, UMB-1/SBL-R+twin ? left big blue, UMB-1/STILL in_service left big blue",
		"OnePosition":       "UMB-1/SBL-L; UMB-1/GONE; not found; not found",
		"States":            "in_service 24-06…24-09, parked 24-09…25-03; in_service 24-06…24-09, retired 24-09…; not found; not found",
		"NotInService":      "",
		"Spots":             "UMB-1 centre in_service",
		"Facts":             "1.5 in 24-06…25-03; ; not found; not found",
		"FactsNow":          "; ",
		"IsolationPoints":   "E1 UMB-1/SBL-L; not found",
		"PositionIsolation": "E1 UMB-1/SBL-L; ; not found; not found",
		"OneIsolationPoint": "E1 first UMB-1/SBL-L; not found",
		"Supplies":          "a-old, b-main; not found",
		"Hours":             "then open on 1 and now ; not found",
		"Blackouts":         "reason 0, reason 1; not found",
		"Notes":             "forbidden; forbidden",
		"LatestNotes":       "forbidden",
		"Names":             "customer HAD, isolation_point E1, line UMB-1, position UMB-1/GONE, position UMB-1/SBL-L, site UMB, supply a-old, supply b-main",
	},
	// who bought it sees what is there since, and nothing that had ended before
	"buyer": {
		"Customers":         "KES",
		"OneCustomer":       "not found; KES; not found; not found",
		"CustomerOverviews": "KES 1",
		"Sites":             "UMB of KES",
		"OneSite":           "UMB of KES; not found",
		"Overviews":         "UMB lines 2 brushes 4 parked 1",
		"Ownerships":        "KES 24-12; not found",
		"Lines":             "UMB-1, UMB-2",
		"OneLine":           "UMB-1; UMB-2; not found",
		"Positions":         "UMB-1/FRESH in_service left big blue, UMB-1/SBL-L+twin in_service left big blue, UMB-1/SBL-R+twin parked left big blue, UMB-1/STILL in_service left big blue",
		"OnePosition":       "UMB-1/SBL-L; not found; UMB-1/FRESH; not found",
		"States":            "in_service 25-03…, parked 24-09…25-03; not found; in_service 25-03…; not found",
		"NotInService":      "UMB-1/SBL-R at UMB",
		"Spots":             "UMB-1 centre in_service, UMB-1 centre in_service, UMB-1 left in_service, UMB-1 right parked",
		"Facts":             "1.375 in 25-03…, 1.5 in 24-06…25-03; not found; ; not found",
		"FactsNow":          "1.375 in 25-03…; ",
		"IsolationPoints":   "E1 second UMB-1/SBL-L, E2 first UMB-1/SBL-L; not found",
		"PositionIsolation": "E1 second UMB-1/SBL-L, E2 first UMB-1/SBL-L; not found; ; not found",
		"OneIsolationPoint": "E1 second first UMB-1/SBL-L; E2 first UMB-1/SBL-L",
		"Supplies":          "b-main, c-new; not found",
		"Hours":             "then open on 1 and now open on 2; not found",
		"Blackouts":         "reason 1, reason 2; not found",
		"Notes":             "forbidden; forbidden",
		"LatestNotes":       "forbidden",
		"Names":             "customer KES, isolation_point E1, isolation_point E2, line UMB-1, line UMB-2, position UMB-1/FRESH, position UMB-1/SBL-L, site UMB, supply b-main, supply c-new",
	},
	// a sale that is only agreed opens nothing
	"next": {
		"Customers":         "MIR",
		"OneCustomer":       "not found; not found; MIR; not found",
		"CustomerOverviews": "MIR 0",
		"Sites":             "",
		"OneSite":           "not found; not found",
		"Overviews":         "",
		"Ownerships":        "not found; not found",
		"Lines":             "",
		"OneLine":           "not found; not found; not found",
		"Positions":         "",
		"OnePosition":       "not found; not found; not found; not found",
		"States":            "not found; not found; not found; not found",
		"NotInService":      "",
		"Spots":             "",
		"Facts":             "not found; not found; not found; not found",
		"FactsNow":          "; ",
		"IsolationPoints":   "not found; not found",
		"PositionIsolation": "not found; not found; not found; not found",
		"OneIsolationPoint": "not found; not found",
		"Supplies":          "not found; not found",
		"Hours":             "not found; not found",
		"Blackouts":         "not found; not found",
		"Notes":             "forbidden; forbidden",
		"LatestNotes":       "forbidden",
		"Names":             "customer MIR",
	},
	"other": {
		"Customers":         "OTH",
		"OneCustomer":       "not found; not found; not found; OTH",
		"CustomerOverviews": "OTH 1",
		"Sites":             "OTH of OTH",
		"OneSite":           "not found; OTH of OTH",
		"Overviews":         "OTH lines 1 brushes 1 parked 0",
		"Ownerships":        "not found; OTH 24-06",
		"Lines":             "OTH-1",
		"OneLine":           "not found; not found; OTH-1",
		"Positions":         "OTH-1/TOP in_service left big blue",
		"OnePosition":       "not found; not found; not found; OTH-1/TOP",
		"States":            "not found; not found; not found; in_service 24-06…",
		"NotInService":      "",
		"Spots":             "OTH-1 centre in_service",
		"Facts":             "not found; not found; not found; 2 in 24-06…",
		"FactsNow":          "; 2 in 24-06…",
		"IsolationPoints":   "not found; ",
		"PositionIsolation": "not found; not found; not found; ",
		"OneIsolationPoint": "not found; not found",
		"Supplies":          "not found; ",
		"Hours":             "not found; then  and now ",
		"Blackouts":         "not found; ",
		"Notes":             "forbidden; forbidden",
		"LatestNotes":       "forbidden",
		"Names":             "customer OTH, line OTH-1, position OTH-1/TOP, site OTH",
	},
	// the distributor's own
	"technician": {
		"Customers":         "HAD, KES, MIR, OTH",
		"OneCustomer":       "HAD; KES; MIR; OTH",
		"CustomerOverviews": "HAD 0, KES 1, MIR 0, OTH 1",
		"Sites":             "OTH of OTH, UMB of KES",
		"OneSite":           "UMB of KES; OTH of OTH",
		"Overviews":         "OTH lines 1 brushes 1 parked 0, UMB lines 2 brushes 4 parked 1",
		"OneLine":           "UMB-1; UMB-2; OTH-1",
		"Lines":             "OTH-1, UMB-1, UMB-2",
		"Positions":         "OTH-1/TOP in_service left big blue, UMB-1/FRESH in_service left big blue, UMB-1/GONE retired left big blue, UMB-1/SBL-L+twin in_service left big blue, UMB-1/SBL-R+twin parked left big blue, UMB-1/STILL in_service left big blue",
		"OnePosition":       "UMB-1/SBL-L; UMB-1/GONE; UMB-1/FRESH; OTH-1/TOP",
		"States":            "in_service 24-06…24-09, in_service 25-03…, parked 24-09…25-03; in_service 24-06…24-09, retired 24-09…; in_service 25-03…; in_service 24-06…",
		"NotInService":      "UMB-1/SBL-R at UMB",
		"Spots":             "OTH-1 centre in_service, UMB-1 centre in_service, UMB-1 centre in_service, UMB-1 left in_service, UMB-1 right parked",
		"Facts":             "1.375 in 25-03…, 1.5 in 24-06…25-03; ; ; 2 in 24-06…",
		"FactsNow":          "1.375 in 25-03…; 2 in 24-06…",
		"IsolationPoints":   "E1 second UMB-1/SBL-L, E2 first UMB-1/SBL-L; ",
		"PositionIsolation": "E1 second UMB-1/SBL-L, E2 first UMB-1/SBL-L; ; ; ",
		"OneIsolationPoint": "E1 second first UMB-1/SBL-L; E2 first UMB-1/SBL-L",
		"Supplies":          "a-old, b-main, c-new; ",
		"Hours":             "then open on 1 and now open on 2; then  and now ",
		"Blackouts":         "reason 0, reason 1, reason 2; ",
		"Notes":             "pays late; ",
		"LatestNotes":       "pays late",
		"Names":             "customer HAD, customer KES, customer MIR, customer OTH, isolation_point E1, isolation_point E2, line OTH-1, line UMB-1, line UMB-2, position OTH-1/TOP, position UMB-1/FRESH, position UMB-1/GONE, position UMB-1/SBL-L, site OTH, site UMB, supply a-old, supply b-main, supply c-new",
	},
}

func (s sale) actors(t testing.TB) map[string]access.Actor {
	t.Helper()
	owner := func(login string, c assets.Customer) access.Actor {
		return person(t, s.db, login, access.NewGrant{Role: "owner", CustomerID: &c.ID})
	}
	return map[string]access.Actor{"seller": owner("seller", s.customer), "buyer": owner("buyer", s.buyer), "next": owner("next", s.next),
		"other": owner("other", s.other), "technician": person(t, s.db, "technician", access.NewGrant{Role: "technician"})}
}

func compare(t *testing.T, who string, got, want map[string]string) {
	t.Helper()
	for _, fn := range slices.Sorted(maps.Keys(got)) {
		if fn != "Verify" && got[fn] != want[fn] {
			t.Errorf("%s, %s:\n got %q\nwant %q", who, fn, got[fn], want[fn])
		}
	}
}

func TestEverybodySeesTheirOwnTimeAndSites(t *testing.T) {
	t.Parallel()
	s := newSale(t)
	views["technician"]["Ownerships"] = "HAD 24-06, KES 24-12, MIR " + day(time.Now().AddDate(1, 0, 0)) + "; OTH 24-06"
	actors := s.actors(t)
	for name, who := range actors {
		compare(t, name, s.seen(who), views[name])
	}
	// The same with the scope of the query thrown open: row-level security alone
	// must hide as much. What is not checked there is the right to read notes.
	for name, who := range actors {
		if name == "technician" {
			continue
		}
		who.Everywhere, who.Capabilities = true, access.System.Capabilities
		want := maps.Clone(views[name])
		parts := strings.Split(want["OneSite"], "; ")
		for i, p := range parts {
			if p != "not found" {
				parts[i] = "" // an empty list
			}
		}
		want["Notes"], want["LatestNotes"] = strings.Join(parts, "; "), ""
		want["Units"] = ofAll(want["OneUnit"])
		compare(t, name+" past the query's scope", s.seen(who), want)
	}
	// somebody of one site of a customer sees as much of it as the customer
	staff := person(t, s.db, "staff", access.NewGrant{Role: "site_staff", CustomerID: &s.buyer.ID, SiteID: &s.site.ID})
	compare(t, "staff", s.seen(staff), views["buyer"])
	// a program at a site reads the site, whoever owns it, and nobody's customers
	gateway := person(t, s.db, "gateway", access.NewGrant{Role: "gateway", SiteID: &s.site.ID})
	got := s.seen(gateway)
	for fn, want := range map[string]string{"Customers": "", "Sites": "UMB", "Ownerships": "; not found", "Lines": "UMB-1, UMB-2", "Notes": "forbidden; forbidden",
		"OnePosition": "UMB-1/SBL-L; UMB-1/GONE; UMB-1/FRESH; not found", "Locations": "SH-NEW, SH-UMB", "Units": views["buyer"]["Units"],
		"PositionHistory": "MEDIA 24-06…, NEW 25-03…, OLD 24-06…25-03; ; ; not found", "OnePicture": "left lately, left then, new here, old in winter, old then",
		"ReplacedSections": "1, 2"} {
		if got[fn] != want {
			t.Errorf("gateway, %s: got %q, want %q", fn, got[fn], want)
		}
	}
	if got := s.seen(access.Actor{ID: uuid.New(), Everywhere: true}); got["Sites"] != "" || got["Customers"] != "" || got["Positions"] != "" || got["Units"] != "" ||
		got["Locations"] != "" || got["OnePicture"] != "" {
		t.Errorf("somebody unknown sees %q", got)
	}
}

// The other way round: for the database this is the distributor, so that the
// scope of the query alone must keep to the actor's sites. It does not look when:
// whoever has a site sees all that was there.
func TestTheQuerysScopeAloneHidesOtherCustomers(t *testing.T) {
	t.Parallel()
	s := newSale(t)
	actors := s.actors(t)
	alone := func(name string) map[string]string {
		who := actors[name]
		who.ID = access.System.ID
		return s.seen(who)
	}
	compare(t, "next by the query's scope", alone("next"), views["next"])
	want := maps.Clone(views["other"])
	want["UnitFacts"] = strings.Replace(want["UnitFacts"], "9 24-06…24-12", "1.5 in 24-12…, 12 24-12…, 9 24-06…24-12", 1)
	compare(t, "other by the query's scope", alone("other"), want)
}

// The tables themselves, with queries that forget every scope.
func TestRowSecurityAloneHidesOtherCustomers(t *testing.T) {
	t.Parallel()
	s := newSale(t)
	for name, who := range s.actors(t) {
		if name == "technician" {
			continue
		}
		foreign := map[string][]uuid.UUID{"seller": {s.otherSite.ID}, "buyer": {s.otherSite.ID}, "next": {s.site.ID, s.otherSite.ID}, "other": {s.site.ID}}[name]
		for _, table := range []string{"ownership", "supply", "weekly_hours", "line", "blackout", "position", "position_alias", "position_state", "twin", "position_fact",
			"isolation_point", "isolation_version", "position_isolation", "site_note", "position_now", "ownership_now",
			"location", "slot", "stay", "photo", "fitted_now"} {
			type row struct{ N int }
			got, err := pgdb.Read[row](ctx, s.db, who.ID, `select count(*)::int as n from `+table+` where site_id = any (@foreign)`, map[string]any{"foreign": foreign})
			if err != nil || got[0].N != 0 {
				t.Errorf("%s sees %v rows of others in %s, %v", name, got, table, err)
			}
		}
		for table, query := range map[string]string{
			"site": `select count(*)::int as n from site where id = any (@foreign)`, "site_note": `select count(*)::int as n from site_note`,
			"trail": `select count(*)::int as n from trail`, "customer": `select count(*)::int - 1 as n from customer`,
			"person": `select count(*)::int - 1 as n from person`, "credential": `select count(*)::int as n from credential`,
			"role_grant": `select count(*)::int - 1 as n from role_grant`,
		} {
			type row struct{ N int }
			got, err := pgdb.Read[row](ctx, s.db, who.ID, query, map[string]any{"foreign": foreign})
			if err != nil || got[0].N != 0 {
				t.Errorf("%s sees %v rows of others in %s, %v", name, got, table, err)
			}
		}
	}
}

// writes asks every function of the package that writes.
func (s sale) writes(t testing.TB) map[string]func(tx *gorm.DB, who access.Actor) error {
	edit := siteEdit(s.site)
	all := map[string]func(tx *gorm.DB, who access.Actor) error{
		"AddCustomer": func(tx *gorm.DB, who access.Actor) error {
			_, err := assets.AddCustomer(tx, who, now, assets.CustomerEdit{Code: "NEW", Name: "New"})
			return err
		},
		"EditCustomer": func(tx *gorm.DB, who access.Actor) error {
			_, err := assets.EditCustomer(tx, who, s.buyer.ID, 1, assets.CustomerEdit{Code: "KES", Name: "Mine"})
			return err
		},
		"AddSite": func(tx *gorm.DB, who access.Actor) error {
			in := edit
			in.Code = "NEW"
			_, err := assets.AddSite(tx, who, now, s.buyer.ID, nil, in)
			return err
		},
		"EditSite": func(tx *gorm.DB, who access.Actor) error {
			_, err := assets.EditSite(tx, who, s.site.ID, 3, edit)
			return err
		},
		"HandOver": func(tx *gorm.DB, who access.Actor) error {
			_, err := assets.HandOver(tx, who, s.site.ID, s.buyer.ID, time.Now().AddDate(3, 0, 0))
			return err
		},
		"AddLine": func(tx *gorm.DB, who access.Actor) error {
			_, err := assets.AddLine(tx, who, now, s.site.ID, nil, assets.LineEdit{Code: "NEW"})
			return err
		},
		"EditLine": func(tx *gorm.DB, who access.Actor) error {
			_, err := assets.EditLine(tx, who, s.line.ID, 1, assets.LineEdit{Code: "NEW"})
			return err
		},
		"AddPosition": func(tx *gorm.DB, who access.Actor) error {
			_, err := assets.AddPosition(tx, who, now, newPosition(s.world, "NEW", "arch", "centre", now))
			return err
		},
		"AddPositions": func(tx *gorm.DB, who access.Actor) error {
			_, err := assets.AddPositions(tx, who, now, []assets.NewPosition{newPosition(s.world, "NEW", "arch", "centre", now)})
			return err
		},
		"EditPosition": func(tx *gorm.DB, who access.Actor) error {
			_, err := assets.EditPosition(tx, who, s.right.ID, s.right.Version, positionEdit(s.right))
			return err
		},
		"Pair": func(tx *gorm.DB, who access.Actor) error {
			_, err := assets.Pair(tx, who, s.right.ID, s.right.Version, nil)
			return err
		},
		"ChangeState": func(tx *gorm.DB, who access.Actor) error {
			_, err := assets.ChangeState(tx, who, now, s.right.ID, "empty", nil, "")
			return err
		},
		"Record": func(tx *gorm.DB, who access.Actor) error {
			_, err := assets.Record(tx, who, now, s.right.ID, assets.NewFact{Fact: "media", Value: "foam", How: "seen"})
			return err
		},
		"Withdraw": func(tx *gorm.DB, who access.Actor) error {
			_, err := assets.Withdraw(tx, who, now, s.left.ID, s.bore.ID, "no")
			return err
		},
		"AddIsolationPoint": func(tx *gorm.DB, who access.Actor) error {
			_, err := assets.AddIsolationPoint(tx, who, now, s.site.ID, "NEW", "air", isolation(now, "new"))
			return err
		},
		"ReviseIsolationPoint": func(tx *gorm.DB, who access.Actor) error {
			_, err := assets.ReviseIsolationPoint(tx, who, now, s.point.ID, isolation(now, "new"))
			return err
		},
		"SetIsolation": func(tx *gorm.DB, who access.Actor) error {
			_, _, err := assets.SetIsolation(tx, who, now, s.right.ID, s.right.Version, []uuid.UUID{s.point.ID})
			return err
		},
		"AddSupply": func(tx *gorm.DB, who access.Actor) error {
			_, err := assets.AddSupply(tx, who, now, s.site.ID, assets.NewSupply{Code: "new", Volts: 480, Phases: 3, Hertz: 60})
			return err
		},
		"EndSupply": func(tx *gorm.DB, who access.Actor) error {
			_, err := assets.EndSupply(tx, who, s.site.ID, s.supplies[1].ID, now)
			return err
		},
		"ReplaceHours": func(tx *gorm.DB, who access.Actor) error {
			_, _, err := assets.ReplaceHours(tx, who, now, s.site.ID, 3, nil)
			return err
		},
		"AddBlackout": func(tx *gorm.DB, who access.Actor) error {
			_, err := assets.AddBlackout(tx, who, s.site.ID, assets.NewBlackout{From: now, Until: now.Add(time.Hour), Reason: "new"})
			return err
		},
		"WithdrawBlackout": func(tx *gorm.DB, who access.Actor) error {
			return assets.WithdrawBlackout(tx, who, now, s.site.ID, s.blackouts[2].ID)
		},
		"WriteNote": func(tx *gorm.DB, who access.Actor) error {
			_, err := assets.WriteNote(tx, who, now, s.site.ID, "mine")
			return err
		},
	}
	maps.Copy(all, s.unitWrites(t))
	return all
}

func TestAnOwnerWritesNothing(t *testing.T) {
	t.Parallel()
	s := newSale(t)
	actors := s.actors(t)
	actors["staff"] = person(t, s.db, "staff", access.NewGrant{Role: "site_staff", CustomerID: &s.buyer.ID})
	actors["gateway"] = person(t, s.db, "gateway", access.NewGrant{Role: "gateway", SiteID: &s.site.ID})
	actors["clerk"] = person(t, s.db, "clerk", access.NewGrant{Role: "parts_clerk"})
	as := record(t, s.owner)
	notTheirs := map[string][]string{ // what the distributor's own people may do
		"technician": {"ChangeState", "Record", "Withdraw", "WriteNote", "AddUnit", "AddUnits", "EditUnit", "ReplaceSection", "RecordOfUnit", "RecordAllOfUnits",
			"WithdrawOfUnit", "RecordAll", "AddPhoto", "WithdrawPhoto", "Put", "PutAll", "DoSwap"},
		"clerk": {"WriteNote", "AddPart", "EditPart"},
		"buyer": {"AddBlackout", "WithdrawBlackout"}} // TestAnOwnerSaysWhenNoStopIsWanted
	// each would be done by whoever may, so that it is the right which the others lack
	undo := errors.New("nothing of this stays")
	for fn, write := range s.writes(t) {
		who := access.System
		if slices.Contains(notTheirs["technician"], fn) {
			who = actors["technician"]
		}
		err := s.db.InTx(ctx, who.ID, func(tx *gorm.DB) error {
			if err := write(tx, who); err != nil {
				return err
			}
			return undo
		})
		if !errors.Is(err, undo) {
			t.Errorf("%s %s: %v", who.Name, fn, err)
		}
	}
	for name, who := range actors {
		for fn, write := range s.writes(t) {
			if slices.Contains(notTheirs[name], fn) {
				continue
			}
			err := s.db.InTx(ctx, who.ID, func(tx *gorm.DB) error { return write(tx, who) })
			if fn == "WithdrawBlackout" && who.May(access.Approve) { // an owner, and not of this time
				pgtest.Refused(t, name+" "+fn, err, fault.NotFound, "")
				continue
			}
			pgtest.Refused(t, name+" "+fn, err, fault.Forbidden, "")
			if name == "clerk" && strings.HasPrefix(fn, "AddUnit") {
				continue // who receives what was ordered puts units on record, through the ledger
			}
			// the check of the capability skipped, row-level security refuses or finds nothing to write on
			pretender := who
			pretender.Capabilities = access.System.Capabilities
			if err := s.db.InTx(ctx, who.ID, func(tx *gorm.DB) error { return write(tx, pretender) }); err == nil {
				t.Errorf("%s %s past the check: done", name, fn)
			}
		}
	}
	// and the tables themselves
	buyer := actors["buyer"]
	for _, table := range []string{"customer", "site", "ownership", "supply", "weekly_hours", "line", "position", "position_state", "position_fact", "isolation_point", "isolation_version",
		"part", "location", "unit", "unit_fact", "stay"} {
		column := map[string]string{"customer": "name", "site": "name", "line": "name", "position": "name",
			"part": "description", "location": "name", "unit": "lot"}[table]
		if column == "" {
			column = "during"
		}
		err := s.db.InTx(ctx, buyer.ID, func(tx *gorm.DB) error {
			r := tx.Exec(`update ` + table + ` set ` + column + ` = ` + column)
			if r.Error == nil && r.RowsAffected > 0 {
				t.Errorf("an owner updates %d rows of %s", r.RowsAffected, table)
			}
			return r.Error
		})
		if err != nil && fault.KindOf(err) != fault.Forbidden {
			t.Errorf("update %s: %v", table, err)
		}
	}
	for table, deleted := range map[string]string{"position_alias": "position_id", "twin": "left_id", "position_isolation": "position_id", "part_fact": "part_id"} {
		err := s.db.InTx(ctx, buyer.ID, func(tx *gorm.DB) error {
			r := tx.Exec(`delete from ` + table + ` where ` + deleted + ` is not null`)
			if r.Error == nil && r.RowsAffected > 0 {
				t.Errorf("an owner deletes %d rows of %s", r.RowsAffected, table)
			}
			return r.Error
		})
		if err != nil {
			t.Errorf("delete from %s: %v", table, err)
		}
	}
	id := func() uuid.UUID { return pgdb.NewID() }
	for what, insert := range map[string][]any{
		"a customer":            {`insert into customer (id, code, name, created_at) values (?, 'X', 'x', now())`, id()},
		"a site":                {`insert into site (id, code, name, zone, currency, climate, size, driver_side, created_at) values (?, 'X', 'x', 'UTC', 'USD', 'snowbelt', 'small', 'left', now())`, id()},
		"an ownership":          {`insert into ownership (id, site_id, customer_id, during) values (?, ?, ?, tstzrange(now(), null))`, id(), s.otherSite.ID, s.buyer.ID},
		"a supply":              {`insert into supply (id, site_id, code, volts, phases, hertz, during) values (?, ?, 'x', 480, 3, 60, tstzrange(now(), null))`, id(), s.site.ID},
		"hours":                 {`insert into weekly_hours (id, site_id, kind, weekday, starts, minutes, during) values (?, ?, 'open', 1, '07:00', 60, tstzrange(now(), null))`, id(), s.site.ID},
		"a line":                {`insert into line (id, site_id, code, during, created_at) values (?, ?, 'X', tstzrange(now(), null), now())`, id(), s.site.ID},
		"a blackout":            {`insert into blackout (id, site_id, during, reason) values (?, ?, tstzrange(now(), now() + interval '1 day'), 'x')`, id(), s.otherSite.ID},
		"a position":            {`insert into position (id, site_id, code, name, kind, line_side, during, created_at) values (?, ?, 'X', 'x', 'pump_room', 'centre', tstzrange(now(), null), now())`, id(), s.site.ID},
		"an alias":              {`insert into position_alias (position_id, site_id, alias) values (?, ?, 'x')`, s.left.ID, s.site.ID},
		"a state":               {`insert into position_state (id, position_id, site_id, state, during) values (?, ?, ?, 'parked', tstzrange('2001-01-01', '2001-01-02'))`, id(), s.left.ID, s.site.ID},
		"a twin":                {`insert into twin (left_id, right_id, site_id, line_id, kind) values (?, ?, ?, ?, 'side_brush_low')`, s.left.ID, s.right.ID, s.site.ID, s.line.ID},
		"a fact":                {`insert into position_fact (id, position_id, site_id, fact, value, during, how, recorded_at, recorded_by) values (?, ?, ?, 'media', 'foam', tstzrange(now(), null), 'seen', now(), ?)`, id(), s.left.ID, s.site.ID, buyer.ID},
		"an isolation point":    {`insert into isolation_point (id, site_id, code, energy, during) values (?, ?, 'X', 'air', tstzrange(now(), null))`, id(), s.site.ID},
		"an isolation version":  {`insert into isolation_version (id, point_id, site_id, number, place, isolate, prove, restore, lockable, in_sight, checked_on, checked_by, during, recorded_at, recorded_by) values (?, ?, ?, 9, 'x', 'x', 'x', 'x', true, true, now(), 'x', tstzrange('2001-01-01', '2001-01-02'), now(), ?)`, id(), s.point.ID, s.site.ID, buyer.ID},
		"a point of a position": {`insert into position_isolation (position_id, point_id, site_id) values (?, ?, ?)`, s.right.ID, s.point.ID, s.site.ID},
		"a note":                {`insert into site_note (id, site_id, body, written_at, written_by) values (?, ?, 'x', now(), ?)`, id(), s.site.ID, buyer.ID},
		"a part":                {`insert into part (id, number, description, class, created_at) values (?, 'X', 'x', 'hub', now())`, id()},
		"a fact of a part":      {`insert into part_fact (part_id, fact, value) values (?, 'media', 'foam')`, s.gearmotor.ID},
		"a location":            {`insert into location (id, code, name, kind, site_id, created_at) values (?, 'X', 'x', 'site_shelf', ?, now())`, id(), s.site.ID},
		"a unit":                {`insert into unit (id, tag, part_id, owner, created_at) values (?, 'X', ?, 'distributor', now())`, id(), s.gearmotor.ID},
		"a fact of a unit":      {`insert into unit_fact (id, unit_id, fact, value, during, how, recorded_at, recorded_by) values (?, ?, 'media', 'foam', tstzrange(now(), null), 'seen', now(), ?)`, id(), s.shelved.ID, buyer.ID},
		"a section":             {`insert into section_replaced (id, unit_id, section, at, recorded_by) values (?, ?, 1, now(), ?)`, id(), s.media.ID, buyer.ID},
		"a stay":                {`insert into stay (id, unit_id, location_id, site_id, during, from_precision, recorded_at, recorded_by) values (?, ?, ?, ?, tstzrange('2001-01-01', null), 'instant', now(), ?)`, id(), s.shelved.ID, s.shelf.ID, s.site.ID, buyer.ID},
		"a photo":               {`insert into photo (id, site_id, position_id, media_type, width, height, sha256, content, taken_at, recorded_at, recorded_by) values (?, ?, ?, 'image/png', 1, 1, 'x', 'x', now(), now(), ?)`, id(), s.site.ID, s.left.ID, buyer.ID},
	} {
		err := s.db.InTx(ctx, buyer.ID, func(tx *gorm.DB) error { return tx.Exec(insert[0].(string), insert[1:]...).Error })
		pgtest.Refused(t, "an owner inserts "+what, err, fault.Forbidden, "")
	}
	if record(t, s.owner) != as {
		t.Error("something was changed after all")
	}
}

// An owner says when no stop is wanted: at the own site, in the own time, and nowhere else.
func TestAnOwnerSaysWhenNoStopIsWanted(t *testing.T) {
	t.Parallel()
	s := newSale(t)
	buyer := s.actors(t)["buyer"]
	add := func(site uuid.UUID, from, until time.Time) (assets.Blackout, error) {
		return pgtest.Write(s.db, buyer, func(tx *gorm.DB) (assets.Blackout, error) {
			return assets.AddBlackout(tx, buyer, site, assets.NewBlackout{From: from, Until: until, Reason: "fair in town"})
		})
	}
	fair, err := add(s.site.ID, now.AddDate(0, 0, 7), now.AddDate(0, 0, 8))
	if err != nil {
		t.Fatal(err)
	}
	withdraw := func(of assets.Blackout) error {
		return s.db.InTx(ctx, buyer.ID, func(tx *gorm.DB) error { return assets.WithdrawBlackout(tx, buyer, now, s.site.ID, of.ID) })
	}
	if err := withdraw(fair); err != nil {
		t.Error(err)
	}
	_, err = add(s.site.ID, s.blackouts[0].From, s.blackouts[0].Until)
	pgtest.Refused(t, "in the time of the owner before", err, fault.Forbidden, "")
	_, err = add(s.otherSite.ID, now.AddDate(0, 0, 7), now.AddDate(0, 0, 8))
	pgtest.Refused(t, "at a site of others", err, fault.Forbidden, "")
	pgtest.Refused(t, "one of the owner before", withdraw(s.blackouts[0]), fault.NotFound, "")
}

// Whoever adds a function to the package must add it to the tests above.
func TestNoFunctionEscapesTheTestsOfScope(t *testing.T) {
	t.Parallel()
	s := sale{}
	// the same for everybody: TestTheCatalogueIsTheSameForEverybody
	read := map[string]bool{"FactKinds": true, "PositionKinds": true, "Parts": true, "OnePart": true, "ComponentClasses": true, "FactKindsOfClass": true}
	written := map[string]bool{}
	for name := range views["buyer"] {
		read[name] = true
	}
	read["Verify"] = true
	for name := range s.sketch().writes(t) {
		written[name] = true
	}
	files, err := filepath.Glob("*.go")
	if err != nil {
		t.Fatal(err)
	}
	found := 0
	for _, name := range files {
		if strings.HasSuffix(name, "_test.go") {
			continue
		}
		file, err := parser.ParseFile(token.NewFileSet(), name, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		for _, d := range file.Decls {
			fn, ok := d.(*ast.FuncDecl)
			if !ok || !fn.Name.IsExported() || fn.Recv != nil {
				continue
			}
			for _, p := range fn.Type.Params.List {
				star, ok := p.Type.(*ast.StarExpr)
				if !ok {
					continue
				}
				sel, ok := star.X.(*ast.SelectorExpr)
				if !ok || sel.Sel.Name != "DB" {
					continue
				}
				found++
				if in := map[bool]map[string]bool{true: written, false: read}[fmt.Sprint(sel.X) == "gorm"]; !in[fn.Name.Name] {
					t.Errorf("%s is missing in the tests of what is seen or written", fn.Name.Name)
				}
			}
		}
	}
	if found < 40 {
		t.Fatalf("found only %d functions: the question is wrong", found)
	}
}

// sketch is a sale without a database, whose functions are never called.
func (s sale) sketch() sale {
	s.supplies, s.blackouts = make([]assets.Supply, 3), make([]assets.Blackout, 3)
	return s
}

// Nobody needs another customer's code to find out whether it is taken: only
// whoever keeps the register is told the holder of a code.
func TestWhatExistsElsewhereIsNotToldApartFromWhatDoesNot(t *testing.T) {
	t.Parallel()
	s := newSale(t)
	other := s.actors(t)["other"]
	for what, ask := range map[string]func(id uuid.UUID) error{
		"site":             func(id uuid.UUID) error { _, err := assets.OneSite(ctx, s.db, other, id); return err },
		"line":             func(id uuid.UUID) error { _, err := assets.OneLine(ctx, s.db, other, id); return err },
		"position":         func(id uuid.UUID) error { _, err := assets.OnePosition(ctx, s.db, other, id); return err },
		"facts":            func(id uuid.UUID) error { _, err := assets.Facts(ctx, s.db, other, id); return err },
		"point":            func(id uuid.UUID) error { _, err := assets.OneIsolationPoint(ctx, s.db, other, id); return err },
		"customer":         func(id uuid.UUID) error { _, err := assets.OneCustomer(ctx, s.db, other, id); return err },
		"unit":             func(id uuid.UUID) error { _, err := assets.OneUnit(ctx, s.db, other, now, id); return err },
		"facts of a unit":  func(id uuid.UUID) error { _, err := assets.UnitFacts(ctx, s.db, other, now, id); return err },
		"stays":            func(id uuid.UUID) error { _, err := assets.UnitHistory(ctx, s.db, other, now, id); return err },
		"photos of a unit": func(id uuid.UUID) error { _, err := assets.PhotosOfUnit(ctx, s.db, other, now, id); return err },
		"location":         func(id uuid.UUID) error { _, err := assets.OneLocation(ctx, s.db, other, id); return err },
		"photo":            func(id uuid.UUID) error { _, err := assets.OnePhoto(ctx, s.db, other, id); return err },
		"picture":          func(id uuid.UUID) error { _, err := assets.OnePicture(ctx, s.db, other, id); return err },
		"fitted":           func(id uuid.UUID) error { _, err := assets.FittedAtPosition(ctx, s.db, other, id, now); return err },
		"history":          func(id uuid.UUID) error { _, err := assets.PositionHistory(ctx, s.db, other, id); return err },
		"photos":           func(id uuid.UUID) error { _, err := assets.PhotosOfPosition(ctx, s.db, other, id); return err },
		"connection":       func(id uuid.UUID) error { _, err := assets.ConnectionOf(ctx, s.db, other, now, id, nil); return err },
		"motor": func(id uuid.UUID) error {
			_, err := assets.ConnectionOf(ctx, s.db, other, now, s.otherPosition.ID, &id)
			return err
		},
		"turning":       func(id uuid.UUID) error { _, err := assets.TurningOf(ctx, s.db, other, id, now); return err },
		"site's fitted": func(id uuid.UUID) error { _, err := assets.FittedAtSite(ctx, s.db, other, id, now); return err },
		"findings":      func(id uuid.UUID) error { _, err := assets.Findings(ctx, s.db, other, now, id); return err },
	} {
		there := map[string]uuid.UUID{"site": s.site.ID, "line": s.line.ID, "position": s.left.ID, "facts": s.left.ID, "point": s.point.ID, "customer": s.buyer.ID,
			"unit": s.old.ID, "facts of a unit": s.old.ID, "stays": s.old.ID, "photos of a unit": s.old.ID, "motor": s.old.ID, "picture": s.photos[0].ID, "photo": s.photos[0].ID, "location": s.shelf.ID, "fitted": s.left.ID, "history": s.left.ID,
			"photos": s.left.ID, "connection": s.left.ID, "turning": s.left.ID, "site's fitted": s.site.ID, "findings": s.site.ID}[what]
		nowhere := uuid.New()
		a, b := ask(there), ask(nowhere)
		if a == nil || b == nil || a.Error() != b.Error() || fault.KindOf(a) != fault.KindOf(b) {
			t.Errorf("%s: %v and %v", what, a, b)
		}
	}
}
