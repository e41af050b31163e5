// The command pictures takes the pictures of the pages for docs/: it starts the
// demo in this process, on a private server of its own, and looks at each page
// as the person whom it is for, on a phone and on a desk, in light and in dark.
//
//	go run ./cmd/pictures [-out docs/pictures] [-only regexp]
package main

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"flag"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"image/png"
	"io"
	"log/slog"
	"net/http/httptest"
	"net/url"
	"os"
	"os/signal"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/assets/meters"
	"spindlebook/internal/demo"
	"spindlebook/internal/door"
	"spindlebook/internal/httpapi"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgdb/cluster"
	"spindlebook/internal/pm"
	"spindlebook/internal/pm/failure"
	"spindlebook/internal/pm/record"
	"spindlebook/internal/pm/visits"
	"spindlebook/internal/web"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	if err := run(ctx, os.Args[1:], os.Stdout); err != nil {
		fmt.Fprintln(os.Stderr, "pictures:", err)
		os.Exit(1)
	}
}

// now is the instant that the pictures show: the same each time, so that only
// what was changed looks changed.
var now = time.Date(2026, time.November, 25, 15, 30, 0, 0, time.UTC)

func run(ctx context.Context, args []string, out io.Writer) (err error) {
	flags := flag.NewFlagSet("pictures", flag.ContinueOnError)
	folder := flags.String("out", "docs/pictures", "where the pictures go")
	only := flags.String("only", "desk-light|phone-dark|paper", "take only those whose name matches; . takes all")
	hold := flags.Bool("hold", false, "take none; serve until interrupted")
	if err := flags.Parse(args); err != nil {
		return err
	}
	wanted, err := regexp.Compile(*only)
	if err != nil {
		return err
	}
	s, err := start(ctx)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, s.stop()) }()
	if *hold {
		for _, v := range s.visitors {
			fmt.Fprintln(out, v.Role, s.URL+"/enter/"+v.Link)
		}
		<-ctx.Done()
		return nil
	}
	if err := os.MkdirAll(*folder, 0o755); err != nil {
		return err
	}
	shots, err := s.shots(ctx)
	if err != nil {
		return err
	}
	if err := take(ctx, out, *folder, wanted, shots); err != nil {
		return err
	}
	return writeCaptions(shots)
}

// serving is the demo in this process.
type serving struct {
	*httptest.Server
	db       *pgdb.DB
	visitors []demo.Visitor
	stop     func() error
}

func start(ctx context.Context) (_ *serving, err error) {
	dir, err := os.MkdirTemp("", "spindlebook-pictures-")
	if err != nil {
		return nil, err
	}
	s := &serving{}
	var server *cluster.Cluster
	s.stop = func() error {
		if s.Server != nil {
			s.Close()
		}
		if s.db != nil {
			s.db.Close()
		}
		var err error
		if server != nil {
			err = server.Stop(context.WithoutCancel(ctx))
		}
		return errors.Join(err, os.RemoveAll(dir))
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, s.stop())
		}
	}()
	if err := os.Chmod(dir, 0o755); err != nil { // the server's own user must get in
		return nil, err
	}
	server, err = cluster.Start(ctx, cluster.Options{Dir: dir, Roles: []string{pgdb.OwnerRole, pgdb.ServiceRole},
		Settings: map[string]string{"fsync": "off", "synchronous_commit": "off"}})
	if err != nil {
		return nil, err
	}
	const name = "pictures"
	if err := pgdb.MakeRoles(ctx, server.DSN("postgres", "postgres"), name); err != nil {
		return nil, err
	}
	if _, err := pgdb.Migrate(ctx, server.DSN(pgdb.OwnerRole, name)); err != nil {
		return nil, err
	}
	if s.db, err = pgdb.Open(ctx, server.DSN(pgdb.ServiceRole, name)); err != nil {
		return nil, err
	}
	if err := demo.Load(ctx, s.db, now); err != nil {
		return nil, err
	}
	if s.visitors, err = demo.Visitors(ctx, s.db, now); err != nil {
		return nil, err
	}
	s.Server = httptest.NewUnstartedServer(nil)
	public := &url.URL{Scheme: "http", Host: s.Listener.Addr().String()}
	clock := func() time.Time { return now }
	d, err := door.New(door.Options{DB: s.db, Log: slog.New(slog.DiscardHandler), Now: clock, PublicURL: public, MaxBody: 1 << 20})
	if err != nil {
		return nil, err
	}
	if err := httpapi.Mount(d, s.db, clock); err != nil {
		return nil, err
	}
	err = web.Mount(d, s.db, clock, web.Options{Demo: true, Visitors: func(context.Context) ([]web.Visitor, error) {
		var all []web.Visitor
		for _, v := range s.visitors {
			all = append(all, web.Visitor{Name: v.Name, Role: v.Role, Says: v.Sees, Path: "/enter/" + v.Link})
		}
		return all, nil
	}})
	if err != nil {
		return nil, err
	}
	s.Config.Handler = d.Engine
	s.Start()
	return s, nil
}

// shot is one picture: a page as somebody sees it.
type shot struct {
	name string
	as   string // the address that signs in; "" is nobody
	page string
}

func (s *serving) shots(ctx context.Context) ([]shot, error) {
	at := func(path string) string { return s.URL + path }
	as := map[string]string{}
	for _, v := range s.visitors {
		as[v.Role] = at("/enter/" + v.Link)
	}
	manager, technician, owner := as["Service manager"], as["Technician"], as["Site owner"]
	tomorrow := now.AddDate(0, 0, 1).Format(time.DateOnly)
	all := []shot{
		{name: "sign-in", page: at("/sign-in")},
		{name: "overview-manager", as: manager, page: at("/")},
		{name: "overview-owner", as: owner, page: at("/")},
		{name: "sites", as: manager, page: at("/sites")},
		{name: "customers", as: manager, page: at("/customers")},
		{name: "customer-new", as: manager, page: at("/customers/new")},
		{name: "site-new", as: manager, page: at("/sites/new")},
		{name: "people", as: manager, page: at("/people")},
		{name: "invite", as: manager, page: at("/people/invite")},
		{name: "trail", as: manager, page: at("/trail")},
		{name: "find", as: technician, page: at("/find?text=UMB-1/S")},
		{name: "find-nothing", as: technician, page: at("/find?text=ZZ-404")},
		{name: "units", as: technician, page: at("/units")},
		{name: "unit-new", as: technician, page: at("/units/new")},
		{name: "parts", as: manager, page: at("/parts")},
		{name: "parts-found", as: technician, page: at("/parts?words=5/8-11")},
		{name: "part-new", as: manager, page: at("/parts/new")},
		{name: "import", as: manager, page: at("/import")},
		{name: "locations", as: manager, page: at("/locations")},
		{name: "stock-van", as: technician, page: at("/stock")},
		{name: "stock-all", as: manager, page: at("/stock?location=")},
		{name: "stock-short", as: manager, page: at("/stock?location=&show=short")},
		{name: "stock-withdrawn", as: manager, page: at("/stock?location=&show=withdrawn")},
		{name: "stock-receive", as: manager, page: at("/stock/receive")},
		{name: "stock-wanted", as: manager, page: at("/stock/wanted")},
		{name: "stock-ledger", as: manager, page: at("/stock/ledger")},
		{name: "stock-lists", as: manager, page: at("/stock/lists")},
		{name: "orders", as: manager, page: at("/orders")},
		{name: "order-new", as: manager, page: at("/orders/new")},
		{name: "kits", as: technician, page: at("/kits")},
		{name: "counts", as: technician, page: at("/counts")},
		{name: "count-new", as: technician, page: at("/counts/new")},
		{name: "differences", as: manager, page: at("/differences")},
		{name: "claims", as: manager, page: at("/claims")},
		{name: "claim-new", as: manager, page: at("/claims/new")},
		{name: "returns", as: manager, page: at("/returns")},
		{name: "core-new", as: manager, page: at("/cores/new")},
		{name: "warranty-new", as: manager, page: at("/warranties/new")},
		{name: "fit-rules", as: manager, page: at("/fit-rules")},
		{name: "counters-doubts", as: manager, page: at("/counters")},
		{name: "counters-quiet", as: manager, page: at("/counters/quiet")},
		{name: "counters-held", as: manager, page: at("/counters/held")},
		{name: "visits", as: manager, page: at("/visits")},
		{name: "today", as: technician, page: at("/today?on=" + tomorrow)}, // the day that has it all
		{name: "van", as: technician, page: at("/van?on=" + tomorrow)},
		{name: "van-load", as: technician, page: at("/van/load?on=" + tomorrow)},
		{name: "jobs", as: manager, page: at("/jobs")},
		{name: "faults", as: manager, page: at("/faults")},
		{name: "ahead", as: manager, page: at("/ahead")},
		{name: "drawings", as: technician, page: at("/drawings")},
		{name: "account", as: technician, page: at("/account")},
		{name: "calendar-new", as: owner, page: at("/account/calendars/new")},
		{name: "letters", as: owner, page: at("/account/letters")},
		{name: "account-units", as: technician, page: at("/account/units")},
		{name: "password", as: technician, page: at("/account/password")},
		{name: "not-found", as: owner, page: at("/sites/00000000-0000-7000-8000-000000000009")},
		{name: "problems", page: at("/problems")},
		{name: "reference", page: at("/reference")},
	}
	sites, err := assets.Sites(ctx, s.db, access.System, nil, assets.Page{Limit: 100})
	if err != nil {
		return nil, err
	}
	for _, site := range sites {
		path := at("/sites/" + site.ID.String())
		switch site.Code {
		case "UMB":
			all = append(all, shot{name: "site-fitted", as: technician, page: path + "/fitted"}, shot{name: "site-findings", as: technician, page: path + "/findings"},
				shot{name: "site-survey", as: technician, page: path + "/survey"}, shot{name: "site-counters", as: technician, page: path + "/counters"}, shot{name: "site-findings-owner", as: owner, page: path + "/findings"},
				shot{name: "site", as: technician, page: path}, shot{name: "site-owner", as: owner, page: path},
				shot{name: "customer", as: manager, page: at("/customers/" + site.CustomerID.String())},
				shot{name: "line-new", as: manager, page: path + "/lines/new"}, shot{name: "position-new", as: manager, page: path + "/positions/new"},
				shot{name: "blackout-new", as: manager, page: path + "/blackouts/new"}, shot{name: "note-new", as: technician, page: path + "/notes/new"},
				shot{name: "site-edit", as: manager, page: path + "/edit"}, shot{name: "trail-site", as: manager, page: at("/trail?site=" + site.ID.String())})
		case "DUN":
			all = append(all, shot{name: "site-two-lines", as: manager, page: path})
		case "FER":
			all = append(all, shot{name: "site-counters-owner", as: owner, page: path + "/counters"}, shot{name: "counters-compare", as: manager, page: path + "/counters/compare"})
		case "OST":
			all = append(all, shot{name: "counters-round", as: technician, page: path + "/counters/round"}, shot{name: "meter-new", as: manager, page: path + "/counters/new"},
				shot{name: "regime-new", as: technician, page: path + "/regimes/new"})
		}
	}
	planned, err := s.plannedShots(ctx, manager, technician, owner, as["Site staff"])
	if err != nil {
		return nil, err
	}
	all = append(all, planned...)
	going, err := s.goingShots(ctx, manager, technician, owner)
	if err != nil {
		return nil, err
	}
	all = append(all, going...)
	counters, err := s.counterShots(ctx, manager, technician)
	if err != nil {
		return nil, err
	}
	all = append(all, counters...)
	positions, err := assets.Positions(ctx, s.db, access.System, assets.PositionFilter{}, assets.Page{Limit: 1000})
	if err != nil {
		return nil, err
	}
	for _, q := range positions {
		name := map[string]string{"UMB-1/SBL-D": "position", "UMB-1/TOP": "position-top", "FER-1/WRP-P": "position-wraparound"}[q.Code]
		if name != "" {
			all = append(all, shot{name: name, as: technician, page: at("/positions/" + q.ID.String())})
		}
		if q.Code == "UMB-1/TYR-D" { // of which little is known
			path := at("/positions/" + q.ID.String())
			all = append(all, shot{name: "position-unknown", as: technician, page: path}, shot{name: "position-survey", as: technician, page: path + "/survey"})
			fitted, err := assets.FittedAtPosition(ctx, s.db, access.System, q.ID, now)
			if err != nil {
				return nil, err
			}
			all = append(all, shot{name: "fit", as: technician, page: path + "/fit?slot=" + gap(fitted)})
		}
		if q.Code == "OST-1/SBH-P" { // of whose hub nobody knows how it is fixed
			all = append(all, shot{name: "takes-check", as: technician, page: at("/positions/" + q.ID.String() + "/takes?job=J03")})
		}
		if name == "position" {
			path := at("/positions/" + q.ID.String())
			all = append(all, shot{name: "takes-which", as: technician, page: path + "/takes"}, shot{name: "takes", as: technician, page: path + "/takes?job=J01"},
				shot{name: "labels", as: technician, page: at("/sites/" + q.SiteID.String() + "/labels")})
			all = append(all, shot{name: "fact-new", as: technician, page: path + "/facts/new?fact=bore"}, shot{name: "fact-which", as: technician, page: path + "/facts/new"},
				shot{name: "state-change", as: technician, page: path + "/state"}, shot{name: "share-new", as: technician, page: path + "/share"},
				shot{name: "photo-new", as: technician, page: path + "/photos/new"},
				shot{name: "position-owner", as: owner, page: path})
			more, err := s.fittedShots(ctx, q.ID, technician, owner)
			if err != nil {
				return nil, err
			}
			all = append(all, more...)
		}
	}
	locations, err := assets.Locations(ctx, s.db, access.System, assets.Page{Limit: 1})
	if err != nil {
		return nil, err
	}
	for _, l := range locations {
		all = append(all, shot{name: "location-edit", as: manager, page: at("/locations/" + l.ID.String() + "/edit")})
	}
	accounts, err := access.Accounts(ctx, s.db, access.System, access.Page{Limit: 1000})
	if err != nil {
		return nil, err
	}
	for _, kind := range []string{"person", "program"} {
		if i := slices.IndexFunc(accounts, func(a access.Account) bool { return a.Kind == kind }); i >= 0 {
			all = append(all, shot{name: kind, as: manager, page: at("/people/" + accounts[i].ID.String())})
		}
	}
	var first string
	err = s.db.InTx(ctx, access.System.ID, func(tx *gorm.DB) (err error) {
		first, err = access.MakeLink(tx, now, access.FirstPerson, nil, time.Hour)
		return err
	})
	return append(all, shot{name: "set-up", page: at("/enter/" + first)}), err
}

// plannedShots are the pages of what falls due and of the programme behind it.
func (s *serving) plannedShots(ctx context.Context, manager, technician, owner, staff string) ([]shot, error) {
	var all []shot
	items, err := pm.Worst(ctx, s.db, access.System, pm.ItemFilter{}, 0, 2000)
	if err != nil {
		return nil, err
	}
	for _, i := range items {
		if i.PlanCode != "PM-028" || i.PositionCode != "UMB-1/SBH-D" || i.TaskID == nil {
			continue
		}
		site, one, task := s.URL+"/sites/"+i.SiteID.String(), s.URL+"/due/"+i.ID.String(), s.URL+"/tasks/"+i.TaskID.String()
		plan, procedure := s.URL+"/plans/"+i.PlanID.String(), s.URL+"/procedures/"+i.ProcedureID.String()
		all = append(all, shot{name: "site-due", as: technician, page: site + "/due"}, shot{name: "site-due-owner", as: owner, page: site + "/due"}, shot{name: "due", as: manager, page: one}, shot{name: "due-override", as: manager, page: one + "/override"},
			shot{name: "task", as: manager, page: task}, shot{name: "task-skip", as: manager, page: task + "/skip"}, shot{name: "round", as: cmp.Or(staff, technician), page: s.URL + "/lines/" + i.LineID.String() + "/round"},
			shot{name: "programme", as: manager, page: s.URL + "/programme"}, shot{name: "plan", as: manager, page: plan}, shot{name: "plan-draft", as: manager, page: plan + "/draft"},
			shot{name: "procedure", as: manager, page: procedure}, shot{name: "procedure-draft", as: manager, page: procedure + "/draft"})
		return all, nil
	}
	return nil, errors.New("no foam set of UMB-1/SBH-D may be changed now")
}

// swapCard opens the card of a gearmotor swap, which has all that a card may show.
func (s *serving) swapCard(ctx context.Context) (uuid.UUID, error) {
	accounts, err := access.Accounts(ctx, s.db, access.System, access.Page{Limit: 1000})
	if err != nil {
		return uuid.Nil, err
	}
	positions, err := assets.Positions(ctx, s.db, access.System, assets.PositionFilter{}, access.Page{Limit: 1000})
	if err != nil {
		return uuid.Nil, err
	}
	a := slices.IndexFunc(accounts, func(a access.Account) bool {
		return slices.ContainsFunc(a.Grants, func(g access.Grant) bool { return g.Role == "technician" })
	})
	q := slices.IndexFunc(positions, func(q assets.Position) bool { return q.Code == "UMB-1/SBH-P" })
	if a < 0 || q < 0 {
		return uuid.Nil, errors.New("nobody is a technician, or UMB-1/SBH-P is not there")
	}
	who, _, err := access.Load(ctx, s.db, accounts[a].ID)
	if err != nil {
		return uuid.Nil, err
	}
	return record.Open(ctx, s.db, who, now, pgdb.Request{Key: "pictures", Act: "open"}, record.NewRecord{PositionID: &positions[q].ID, Procedure: "J01"})
}

// goingShots are the pages of a visit, of a card in work on it, and of a fault.
func (s *serving) goingShots(ctx context.Context, manager, technician, owner string) ([]shot, error) {
	trips, err := visits.List(ctx, s.db, access.System, visits.Filter{}, access.Page{Limit: 100})
	if err != nil {
		return nil, err
	}
	i := slices.IndexFunc(trips, func(v visits.Visit) bool {
		return v.State == "planned" && v.SiteCode == "UMB" && v.StartsAt.After(now.Add(12*time.Hour))
	})
	card, err := s.swapCard(ctx)
	if err != nil {
		return nil, err
	}
	found, err := failure.List(ctx, s.db, access.System, failure.Filter{Open: true}, access.Page{Limit: 1})
	if err != nil {
		return nil, err
	}
	if i < 0 || len(found) == 0 {
		return nil, errors.New("no visit is planned or nothing at fault")
	}
	visit, job, fault := s.URL+"/visits/"+trips[i].ID.String(), s.URL+"/jobs/"+card.String(), s.URL+"/faults/"+found[0].ID.String()
	site := s.URL + "/sites/" + trips[i].SiteID.String()
	return []shot{{name: "visit", as: manager, page: visit}, {name: "visit-owner", as: owner, page: visit}, {name: "visit-decide", as: manager, page: visit + "/decide"}, {name: "visit-end", as: manager, page: visit + "/end"},
		{name: "visits-proposed", as: manager, page: site + "/plan"}, {name: "job", as: technician, page: job}, {name: "job-readings", as: technician, page: job + "/readings"}, {name: "job-sign", as: technician, page: job + "/sign"},
		{name: "fault", as: manager, page: fault}, {name: "fault-new", as: technician, page: site + "/faults/new"}}, nil
}

// counterShots are the pages about counters and what was read on them.
func (s *serving) counterShots(ctx context.Context, manager, technician string) ([]shot, error) {
	list, err := meters.List(ctx, s.db, access.System, meters.Filter{}, access.Page{Limit: 1000})
	if err != nil {
		return nil, err
	}
	var all []shot
	for _, m := range list {
		path := s.URL + "/meters/" + m.ID.String()
		switch m.Code {
		case "DUN-2/TC":
			all = append(all, shot{name: "meter", as: manager, page: path})
		case "OST-1/SBL-D/H":
			all = append(all, shot{name: "meter-computed", as: manager, page: path}, shot{name: "meter-formula", as: manager, page: path + "/formula"})
		case "UMB-1/SBL-D/H":
			all = append(all, shot{name: "meter-hours", as: technician, page: path}, shot{name: "meter-read", as: technician, page: path + "/read"},
				shot{name: "meter-exchange", as: technician, page: path + "/exchange"}, shot{name: "meter-edit", as: manager, page: path + "/edit"}, shot{name: "meter-place", as: manager, page: path + "/place"})
			readings, err := meters.Readings(ctx, s.db, access.System, m.ID, access.Page{Limit: 20})
			if err != nil {
				return nil, err
			}
			i := slices.IndexFunc(readings, func(r meters.Reading) bool { return r.State == "counts" })
			reading := s.URL + "/readings/" + readings[i].ID.String()
			all = append(all, shot{name: "reading-correct", as: technician, page: reading + "/explain"}, shot{name: "reading-void", as: technician, page: reading + "/void"},
				shot{name: "reading-distrust", as: technician, page: reading + "/distrust"})
		}
	}
	waiting, err := meters.Doubts(ctx, s.db, access.System, nil, access.Page{Limit: 100})
	if err != nil {
		return nil, err
	}
	i := slices.IndexFunc(waiting, func(r meters.Reading) bool { return r.Meter == "KES-1/TC" })
	if i < 0 {
		return nil, errors.New("nothing of KES-1/TC waits")
	}
	return append(all, shot{name: "reading-explain", as: technician, page: s.URL + "/readings/" + waiting[i].ID.String() + "/explain"}), nil
}

// gap gives the first slot in which nothing is known to be.
func gap(fitted []assets.Fitted) string {
	for _, f := range fitted {
		if f.UnitID == nil {
			return f.SlotID.String()
		}
	}
	return ""
}

// fittedShots are the pages about what is fitted in a position.
func (s *serving) fittedShots(ctx context.Context, position uuid.UUID, technician, owner string) ([]shot, error) {
	at := s.URL + "/positions/" + position.String()
	fitted, err := assets.FittedAtPosition(ctx, s.db, access.System, position, now)
	if err != nil {
		return nil, err
	}
	var all []shot
	for _, f := range fitted {
		if f.UnitID == nil {
			continue
		}
		unit := s.URL + "/units/" + f.UnitID.String()
		switch f.SlotCode {
		case "gearmotor":
			all = append(all, shot{name: "unit", as: technician, page: unit}, shot{name: "unit-owner", as: owner, page: unit}, shot{name: "unit-edit", as: technician, page: unit + "/edit"},
				shot{name: "unit-move", as: technician, page: unit + "/move"}, shot{name: "unit-fact", as: technician, page: unit + "/facts/new?fact=gearmotor_orientation"},
				shot{name: "part", as: technician, page: s.URL + "/parts/" + f.PartID.String()},
				shot{name: "swap-which", as: technician, page: at + "/swap?pick=" + f.SlotID.String()}, shot{name: "swap", as: technician, page: at + "/swap?fact=hub_fixing&slot=" + f.SlotID.String()})
		case "media":
			all = append(all, shot{name: "unit-media", as: technician, page: unit}, shot{name: "section-new", as: technician, page: unit + "/sections/new"})
		}
	}
	return all, nil
}

// the sizes at which pages are looked at
var sizes = []struct {
	name          string
	width, height int64
	phone         bool
	schemes       []string
}{{"phone", 390, 844, true, []string{"light", "dark"}}, {"desk", 1440, 900, false, []string{"light", "dark"}}, {"paper", 794, 1123, false, []string{"print"}}}

// printed are the pages that somebody takes along on paper.
var printed = []string{"job", "van", "round", "takes", "labels", "site", "site-two-lines", "position", "site-survey", "site-fitted", "unit"}

func take(ctx context.Context, out io.Writer, folder string, wanted *regexp.Regexp, shots []shot) error {
	opts := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.NoSandbox, chromedp.DisableGPU)
	browser, end := chromedp.NewExecAllocator(ctx, opts...)
	defer end()
	root, cancel := chromedp.NewContext(browser)
	defer cancel()
	if err := chromedp.Do(root); err != nil {
		return err
	}
	for _, s := range shots {
		if err := takeOne(root, out, folder, wanted, s); err != nil {
			return fmt.Errorf("%s: %w", s.name, err)
		}
	}
	return nil
}

func takeOne(root context.Context, out io.Writer, folder string, wanted *regexp.Regexp, s shot) error {
	tab, cancel := chromedp.NewContext(root, chromedp.WithNewBrowserContext())
	defer cancel()
	entered := s.as == ""
	for _, size := range sizes {
		for _, scheme := range size.schemes {
			name := strings.TrimSuffix(s.name+"-"+size.name+"-"+scheme, "-print") + ".png"
			if !wanted.MatchString(name) || scheme == "print" && !slices.Contains(printed, s.name) {
				continue
			}
			if !entered {
				if err := chromedp.Do(tab, chromedp.Navigate(s.as)); err != nil {
					return err
				}
				entered = true
			}
			var more []chromedp.EmulateViewportOption
			if size.phone {
				more = append(more, chromedp.EmulateMobile)
			}
			err := chromedp.Do(tab, chromedp.EmulateViewport(size.width, size.height, more...), prefers(scheme), chromedp.Navigate(s.page))
			if err != nil {
				return err
			}
			shown, err := chromedp.Run(tab, chromedp.FullScreenshot(100))
			if err != nil {
				return err
			}
			small, err := shrink(shown)
			if err != nil {
				return err
			}
			if err := os.WriteFile(filepath.Join(folder, name), small, 0o644); err != nil {
				return err
			}
			fmt.Fprintf(out, "%s %d bytes\n", name, len(small))
		}
	}
	return nil
}

func prefers(scheme string) chromedp.Action[chromedp.Void] {
	return chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		media := ""
		if scheme == "print" {
			media, scheme = "print", "light"
		}
		_, err := cdp.Call(ctx, t, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: media,
			Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}, {Name: "prefers-reduced-motion", Value: "reduce"}}})
		return err
	})
}

// tallest is where the picture of a long list ends.
const tallest = 2600

// shrink writes a picture with a palette of its 256 commonest colours: a page
// of text has few, and what is left out lies close to one of them.
func shrink(shown []byte) ([]byte, error) {
	full, err := png.Decode(bytes.NewReader(shown))
	if err != nil {
		return nil, err
	}
	b := full.Bounds()
	b.Max.Y = min(b.Max.Y, tallest)
	rgba := image.NewRGBA(b)
	draw.Draw(rgba, b, full, b.Min, draw.Src)
	count := map[color.RGBA]int{}
	for i := 0; i < len(rgba.Pix); i += 4 {
		count[color.RGBA{rgba.Pix[i], rgba.Pix[i+1], rgba.Pix[i+2], 255}]++
	}
	type shade struct {
		c color.RGBA
		n int
	}
	var shades []shade
	for c, n := range count {
		shades = append(shades, shade{c, n})
	}
	slices.SortFunc(shades, func(a, b shade) int {
		return cmp.Or(cmp.Compare(b.n, a.n), cmp.Compare(a.c.R, b.c.R), cmp.Compare(a.c.G, b.c.G), cmp.Compare(a.c.B, b.c.B))
	})
	var p color.Palette
	for _, s := range shades[:min(len(shades), 256)] {
		p = append(p, s.c)
	}
	index := map[color.RGBA]uint8{}
	few := image.NewPaletted(b, p)
	for i := 0; i < len(rgba.Pix); i += 4 {
		c := color.RGBA{rgba.Pix[i], rgba.Pix[i+1], rgba.Pix[i+2], 255}
		at, ok := index[c]
		if !ok {
			at = uint8(p.Index(c))
			index[c] = at
		}
		few.Pix[i/4] = at
	}
	var out bytes.Buffer
	e := png.Encoder{CompressionLevel: png.BestCompression}
	err = e.Encode(&out, few)
	return out.Bytes(), err
}
