package diary_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	goical "github.com/emersion/go-ical"
	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/calendar"
	"spindlebook/internal/diary"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgtest"
	"spindlebook/internal/pm"
	"spindlebook/internal/pm/visits"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

var (
	ctx   = context.Background()
	now   = time.Date(2026, 10, 20, 15, 0, 0, 0, time.UTC) // a Tuesday; the clocks of Chicago and London go back soon
	began = time.Date(2023, 6, 1, 12, 0, 0, 0, time.UTC)
	sys   = access.System
	today = calendar.DateOf(now)
)

const address = "https://wash.example"

func public(path string) string { return address + path }

// event is an event as a reader of calendars gives it; instants are UTC, days have no time.
type event struct {
	UID         string `json:"uid"`
	Sequence    int    `json:"sequence"`
	Status      string `json:"status"`
	Summary     string `json:"summary"`
	Description string `json:"description"`
	Location    string `json:"location"`
	URL         string `json:"url"`
	Transp      string `json:"transp"`
	Stamp       string `json:"stamp"`
	Modified    string `json:"modified"`
	Start       string `json:"start"`
	End         string `json:"end"`
}

func sorted(all []event) []event {
	slices.SortFunc(all, func(a, b event) int { return strings.Compare(a.UID, b.UID) })
	return all
}

// byGo reads a calendar with github.com/emersion/go-ical and the time zones of this machine.
func byGo(t testing.TB, body []byte) (name string, all []event) {
	t.Helper()
	cal, err := goical.NewDecoder(bytes.NewReader(body)).Decode()
	if err != nil {
		t.Fatalf("go-ical: %v\n%s", err, body)
	}
	if name, err = cal.Props.Text("NAME"); err != nil {
		t.Fatal(err)
	}
	text := func(p goical.Props, name string) string {
		s, err := p.Text(name)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		return s
	}
	instant := func(p *goical.Prop) string {
		at, err := p.DateTime(time.UTC)
		if err != nil {
			t.Fatal(err)
		}
		if p.ValueType() == goical.ValueDate {
			return at.Format(time.DateOnly)
		}
		return at.UTC().Format(time.RFC3339)
	}
	all = []event{}
	for _, e := range cal.Events() {
		n, err := e.Props.Get("SEQUENCE").Int()
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, event{text(e.Props, "UID"), n, text(e.Props, "STATUS"), text(e.Props, "SUMMARY"), text(e.Props, "DESCRIPTION"), text(e.Props, "LOCATION"),
			e.Props.Get("URL").Value, text(e.Props, "TRANSP"), instant(e.Props.Get("DTSTAMP")), instant(e.Props.Get("LAST-MODIFIED")), instant(e.Props.Get("DTSTART")), instant(e.Props.Get("DTEND"))})
	}
	return name, sorted(all)
}

const script = "../../tools/calendar.mjs"

// byNode reads it with ical.js, which knows no time zones but those in the calendar itself.
func byNode(t *testing.T, body []byte) (name string, all []event) {
	t.Helper()
	if _, err := os.Stat("../../tools/node_modules/ical.js"); err != nil {
		if os.Getenv("CI") != "" {
			t.Fatal("ical.js is missing")
		}
		t.Skip("ical.js is missing; `make test` installs it")
	}
	cmd := exec.Command("node", script)
	cmd.Stdin, cmd.Stderr = bytes.NewReader(body), os.Stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("ical.js: %v\n%s", err, body)
	}
	var got struct {
		Name   string
		Events []event
	}
	if err := json.Unmarshal(out, &got); err != nil {
		t.Fatal(err)
	}
	return got.Name, sorted(got.Events)
}

// house is two sites, in Chicago and in London, and those who have to do with them.
type house struct {
	t               testing.TB
	db              *pgdb.DB
	tables          string // the address under which their owner reaches them
	customer        assets.Customer
	site, far       assets.Site
	position        assets.Position
	van             assets.Location
	buyer           assets.Customer
	marta, imre     access.Actor
	owner, stranger access.Actor
}

const hard = `Wash & "Dry", north; bay 2\3`

func newHouse(t testing.TB) *house {
	t.Helper()
	service, owner := pgtest.DSN(t)
	h := &house{t: t, db: pgtest.Open(t, service), tables: owner}
	customer := func(code string) assets.Customer {
		return pgtest.Done(t, h.db, sys, func(tx *gorm.DB) (assets.Customer, error) {
			return assets.AddCustomer(tx, sys, began, assets.CustomerEdit{Code: code, Name: "Customer " + code})
		})
	}
	h.customer = customer("HAD")
	north, east := 51.5, -0.1
	site := func(code, name, zone string) assets.Site {
		return pgtest.Done(t, h.db, sys, func(tx *gorm.DB) (assets.Site, error) {
			return assets.AddSite(tx, sys, began, h.customer.ID, &began, assets.SiteEdit{Code: code, Name: name, Address: "12 Mill Lane,\nUmber", Zone: zone, Currency: "USD",
				Latitude: &north, Longitude: &east, Climate: "snowbelt", Size: "medium", DriverSide: "left"})
		})
	}
	h.site, h.far = site("UMB", hard, "America/Chicago"), site("LON", "مغسلة "+strings.Repeat("långt namn 🧽 ", 12), "Europe/London")
	line := pgtest.Done(t, h.db, sys, func(tx *gorm.DB) (assets.Line, error) {
		return assets.AddLine(tx, sys, began, h.site.ID, &began, assets.LineEdit{Code: "UMB-1"})
	})
	h.position = pgtest.Done(t, h.db, sys, func(tx *gorm.DB) (assets.Position, error) {
		return assets.AddPosition(tx, sys, began, assets.NewPosition{SiteID: h.site.ID, From: &began, PositionEdit: assets.PositionEdit{LineID: &line.ID, Code: "UMB-1/SBL-L", Name: "Low side brush", Kind: "side_brush_low", LineSide: "left"}})
	})
	h.van = pgtest.Done(t, h.db, sys, func(tx *gorm.DB) (assets.Location, error) {
		return assets.AddLocation(tx, sys, began, assets.NewLocation{Code: "V1", Name: "Van 1", Kind: "van"})
	})
	h.buyer = customer("THO")
	h.marta = h.person("Marta", access.NewGrant{Role: "manager"})
	h.imre = h.person("Imre", access.NewGrant{Role: "technician"})
	h.owner = h.person("Olga", access.NewGrant{Role: "owner", CustomerID: &h.customer.ID})
	h.stranger = h.person("Theo", access.NewGrant{Role: "owner", CustomerID: &h.buyer.ID})
	return h
}

func (h *house) person(name string, g access.NewGrant) access.Actor {
	h.t.Helper()
	a := pgtest.Done(h.t, h.db, sys, func(tx *gorm.DB) (access.Account, error) {
		return access.AddPerson(tx, sys, began, access.NewPerson{Name: name, Login: strings.ToLower(name) + "@wash.example", CustomerID: g.CustomerID, Grants: []access.NewGrant{g}})
	})
	who, _, err := access.Load(ctx, h.db, a.ID)
	if err != nil {
		h.t.Fatal(err)
	}
	return who
}

// visit plans one at eight, in so many days.
func (h *house) visit(site uuid.UUID, days int, change func(*visits.New)) uuid.UUID {
	h.t.Helper()
	in := visits.New{SiteID: site, Hours: visits.Hours{On: today + calendar.Date(days), Starts: "08:00", Minutes: 150}, VanID: &h.van.ID, People: []visits.Going{{PersonID: h.imre.ID}}}
	if change != nil {
		change(&in)
	}
	return pgtest.Done(h.t, h.db, h.marta, func(tx *gorm.DB) (uuid.UUID, error) { return visits.Add(tx, h.marta, now, in) })
}

func (h *house) task(title string, days int) uuid.UUID {
	h.t.Helper()
	return pgtest.Done(h.t, h.db, sys, func(tx *gorm.DB) (uuid.UUID, error) {
		return pm.RaiseTask(tx, sys, now, pm.NewTask{SiteID: &h.site.ID, PositionID: &h.position.ID, Title: title, Criticality: "B", DueOn: today + calendar.Date(days), LatestOn: today + calendar.Date(days) + 3})
	})
}

func (h *house) make(who access.Actor, in diary.New) (diary.Calendar, string) {
	h.t.Helper()
	var secret string
	c := pgtest.Done(h.t, h.db, who, func(tx *gorm.DB) (c diary.Calendar, err error) {
		c, secret, err = diary.Make(tx, who, now, in)
		return c, err
	})
	return c, secret
}

func (h *house) read(secret string) diary.File {
	h.t.Helper()
	f, err := diary.Read(ctx, h.db, now, secret, public)
	if err != nil {
		h.t.Fatal(err)
	}
	return f
}

func (h *house) events(secret string) map[string]event {
	h.t.Helper()
	_, all := byGo(h.t, h.read(secret).Body)
	by := map[string]event{}
	for _, e := range all {
		by[e.UID] = e
	}
	return by
}

func (h *house) abandon(id uuid.UUID) {
	h.t.Helper()
	v, err := visits.One(ctx, h.db, h.marta, id)
	if err != nil {
		h.t.Fatal(err)
	}
	pgtest.Done(h.t, h.db, h.marta, func(tx *gorm.DB) (visits.Ended, error) {
		return visits.End(tx, h.marta, now, id, v.Version, visits.Ending{Reason: "weather", Why: "the pond is frozen"})
	})
}

// Two programs that have nothing to do with each other, nor with what wrote the calendar,
// read the same events, and those that were planned.
func TestTwoReadersFindTheSameEvents(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	swap, look := h.task("Bearing, left; \"tight\" fit", 5), h.task("Look at the arm\nand say what you see", 9)
	h.task("Grease the hub", 12)
	planned := h.visit(h.site.ID, 2, func(n *visits.New) { n.Tasks = []visits.Doing{{TaskID: swap}, {TaskID: look}} })
	afterwards := h.visit(h.site.ID, 20, nil) // the clock of Chicago goes back on 1 November 2026
	proposed := h.visit(h.far.ID, 5, func(n *visits.New) { n.Proposed, n.VanID, n.People = true, nil, nil })
	night := h.visit(h.far.ID, 4, func(n *visits.New) { n.Starts = "02:30" }) // of Saturday, so on the 25th, after London's clock has gone back
	off := h.visit(h.site.ID, 3, nil)
	h.abandon(off)

	for name, c := range map[string]struct {
		who  access.Actor
		in   diary.New
		want int
	}{
		"the manager's, of everything": {h.marta, diary.New{Shows: diary.All}, 5},
		"the technician's own":         {h.imre, diary.New{Shows: diary.Person, PersonID: &h.imre.ID}, 4},
		"the owner's, of a site":       {h.owner, diary.New{Shows: diary.Site, SiteID: &h.site.ID, WithDue: true}, 4},
		"another owner's":              {h.stranger, diary.New{Shows: diary.All}, 0},
	} {
		_, secret := h.make(c.who, c.in)
		body := h.read(secret).Body
		title, first := byGo(t, body)
		again, second := byNode(t, body)
		if title == "" || title != again || !reflect.DeepEqual(first, second) {
			t.Errorf("%s: go-ical reads %q %+v\nand ical.js %q %+v", name, title, first, again, second)
		}
		if len(first) != c.want {
			t.Errorf("%s has %d events, want %d: %+v", name, len(first), c.want, first)
		}
		wellFormed(t, body)
	}

	_, secret := h.make(h.marta, diary.New{Shows: diary.All})
	got := h.events(secret)
	e := got[planned.String()]
	if e.Start != "2026-10-22T13:00:00Z" || e.End != "2026-10-22T15:30:00Z" || e.Status != "CONFIRMED" || e.Sequence != 0 || e.URL != address+"/visits/"+planned.String() || e.Transp != "TRANSPARENT" {
		t.Errorf("planned: %+v", e)
	}
	if e.Summary != "UMB "+hard+": 2 jobs" || e.Location != hard+"\n12 Mill Lane,\nUmber" ||
		!strings.Contains(e.Description, "- Bearing, left; \"tight\" fit, UMB-1/SBL-L\n- Look at the arm\nand say what you see") || !strings.Contains(e.Description, "Who comes: Imre\nVan: V1") {
		t.Errorf("its words: %+v", e)
	}
	if e := got[afterwards.String()]; e.Start != "2026-11-09T14:00:00Z" {
		t.Errorf("eight in Chicago in winter is %s", e.Start)
	}
	if e := got[proposed.String()]; e.Status != "TENTATIVE" || e.Start != "2026-10-25T08:00:00Z" || !strings.HasPrefix(e.Summary, "Proposed: LON مغسلة") {
		t.Errorf("proposed: %+v", e)
	}
	if e := got[night.String()]; e.Start != "2026-10-25T02:30:00Z" {
		t.Errorf("half past two at night after London's clock has gone back is %s", e.Start)
	}
	if e := got[off.String()]; e.Status != "CANCELLED" || e.Sequence != 1 || !strings.HasPrefix(e.Summary, "Called off: ") || !strings.Contains(e.Description, "the pond is frozen") {
		t.Errorf("called off: %+v", e)
	}
	_, secret = h.make(h.owner, diary.New{Shows: diary.Site, SiteID: &h.site.ID, WithDue: true})
	for _, e := range h.events(secret) {
		if strings.Contains(e.Description, "Van") || strings.Contains(e.Description, "pond") || strings.HasPrefix(e.Summary, "Proposed") {
			t.Errorf("the owner reads what is ours: %+v", e)
		}
		if strings.HasPrefix(e.Summary, "Due: ") && (e.Summary != "Due: Grease the hub, UMB-1/SBL-L" || e.Start != "2026-11-01" || e.End != "2026-11-02" ||
			!strings.Contains(e.Description, "until 4 November 2026")) {
			t.Errorf("what falls due: %+v", e)
		}
	}
	_, secret = h.make(h.imre, diary.New{Shows: diary.Person, PersonID: &h.imre.ID})
	if e := h.events(secret)[planned.String()]; e.Transp != "OPAQUE" {
		t.Errorf("whoever goes is busy: %+v", e)
	}
}

// wellFormed holds a calendar against RFC 5545, 3.1 and 3.6: lines end in CRLF and have at
// most 75 octets of whole characters; one PRODID, VERSION 2.0; UIDs are there once.
func wellFormed(t testing.TB, body []byte) {
	t.Helper()
	lines := strings.Split(string(body), "\r\n")
	if lines[len(lines)-1] != "" {
		t.Error("the last line does not end")
	}
	count, uids := map[string]int{}, map[string]bool{}
	for _, l := range lines {
		if len(l) > 75 || strings.ContainsAny(l, "\r\n") || strings.ToValidUTF8(l, "") != l {
			t.Errorf("the line %q", l)
		}
		name, value, _ := strings.Cut(l, ":")
		count[name]++
		if name == "UID" {
			if _, err := uuid.Parse(value); err != nil || uids[value] { // RFC 7986, 5.3: says nothing of host or person
				t.Errorf("UID %s", value)
			}
			uids[value] = true
		}
	}
	if count["PRODID"] != 1 || count["VERSION"] != 1 || count["BEGIN"] != count["END"] || count["BEGIN"] < 2 {
		t.Errorf("properties of the calendar: %v", count)
	}
}

// A change counts up, tells when it was, and moves the tag; what stays leaves it.
func TestWhatChangedIsToldAndWhatStayedIsNot(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	id := h.visit(h.site.ID, 2, nil)
	_, secret := h.make(h.imre, diary.New{Shows: diary.Person, PersonID: &h.imre.ID})
	first := h.read(secret)
	later, err := diary.Read(ctx, h.db, now.Add(3*time.Hour), secret, public)
	if err != nil || later.Tag != first.Tag || !later.ChangedAt.Equal(first.ChangedAt) || !bytes.Equal(later.Body, first.Body) {
		t.Errorf("nothing changed, and it is another: %v %s %s", err, first.ChangedAt, later.ChangedAt)
	}
	edit := func(people ...visits.Going) {
		t.Helper()
		v, err := visits.One(ctx, h.db, h.marta, id)
		if err != nil {
			t.Fatal(err)
		}
		if err := h.db.InTx(ctx, h.marta.ID, func(tx *gorm.DB) error {
			return visits.Change(tx, h.marta, now, id, v.Version, visits.Edit{Hours: visits.Hours{On: today + 6, Starts: "10:00", Minutes: 60}, VanID: &h.van.ID, People: people})
		}); err != nil {
			t.Fatal(err)
		}
	}
	edit(visits.Going{PersonID: h.imre.ID})
	moved, err := diary.Read(ctx, h.db, now.Add(4*time.Hour), secret, public)
	if err != nil || moved.Tag == first.Tag || !moved.ChangedAt.Equal(now.Add(4*time.Hour)) {
		t.Errorf("moved: %v %+v", err, moved.ChangedAt)
	}
	e := h.events(secret)[id.String()]
	if e.Sequence != 1 || e.Start != "2026-10-26T15:00:00Z" || e.Status != "CONFIRMED" {
		t.Errorf("moved: %+v", e)
	}
	if was := func() event { _, all := byGo(t, first.Body); return all[0] }(); was.UID != e.UID || was.Stamp > e.Stamp {
		t.Errorf("from %+v to %+v", was, e)
	}
	// who goes no longer has it no longer
	edit()
	if e, there := h.events(secret)[id.String()]; there {
		t.Errorf("still there: %+v", e)
	}
	own, err := diary.Own(ctx, h.db, h.imre)
	if err != nil || len(own) != 1 || own[0].ReadAt == nil || own[0].Title() != "Visits of Imre" {
		t.Errorf("%+v, %v", own, err)
	}
}

// What is to be done stands once in the calendar of a site, whoever reads it: on its visit for
// those who see that, on the day on which it falls due for the others.
func TestWorkStandsOnceWhoeverReads(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	titles := []string{"on no visit", "on a proposed visit", "on a planned visit", "on an old visit", "for a day", "left by a visit"}
	work := map[string]uuid.UUID{}
	for i, title := range titles {
		work[title] = h.task(title, 5+i)
	}
	on := func(title string) []visits.Doing { return []visits.Doing{{TaskID: work[title]}} }
	h.visit(h.site.ID, 3, func(n *visits.New) {
		n.Proposed, n.VanID, n.People, n.Tasks = true, nil, nil, on("on a proposed visit")
	})
	h.visit(h.site.ID, 4, func(n *visits.New) { n.Tasks = on("on a planned visit") })
	old := h.visit(h.site.ID, 5, func(n *visits.New) { n.Tasks = on("on an old visit") })
	if err := h.db.InTx(ctx, sys.ID, func(tx *gorm.DB) error { // it was meant to go long ago, and nobody said what became of it
		return tx.Exec(`update visit set on_date = on_date - 90, starts_at = starts_at - interval '90 days', ends_at = ends_at - interval '90 days' where id = ?`, old).Error
	}); err != nil {
		t.Fatal(err)
	}
	h.abandon(h.visit(h.site.ID, 6, func(n *visits.New) { n.Tasks = on("left by a visit") }))
	if err := h.db.InTx(ctx, h.marta.ID, func(tx *gorm.DB) error {
		return pm.PlanTask(tx, h.marta, work["for a day"], 1, today+7)
	}); err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		who access.Actor
		due []string
	}{
		"the manager": {h.marta, []string{"on no visit", "on an old visit", "for a day", "left by a visit"}},
		"the owner":   {h.owner, []string{"on no visit", "on a proposed visit", "on an old visit", "for a day", "left by a visit"}},
	} {
		_, secret := h.make(c.who, diary.New{Shows: diary.Site, SiteID: &h.site.ID, WithDue: true})
		got := h.events(secret)
		for _, title := range titles {
			e, there := got[work[title].String()]
			if there != slices.Contains(c.due, title) {
				t.Errorf("%s, work %s: there by itself is %v", name, title, there)
			}
			told := strings.Contains(e.Description, "Meant to be done on 27 October 2026.")
			if told != (title == "for a day" && name == "the manager") {
				t.Errorf("%s reads of work %s: %q", name, title, e.Description)
			}
		}
	}
}

// What falls due tells when it changed, and counts it (RFC 5545, 3.8.7.3 and 3.8.7.4).
func TestWhatFallsDueTellsItsChanges(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	id := h.task("Grease the hub", 5)
	if err := pgtest.Open(t, h.tables).InTx(ctx, sys.ID, func(tx *gorm.DB) error { // calendars know whole seconds alone
		return tx.Exec(`update task set changed_at = changed_at - interval '1 minute' where id = ?`, id).Error
	}); err != nil {
		t.Fatal(err)
	}
	_, secret := h.make(h.marta, diary.New{Shows: diary.Site, SiteID: &h.site.ID, WithDue: true})
	was := h.events(secret)[id.String()]
	if err := h.db.InTx(ctx, h.marta.ID, func(tx *gorm.DB) error { return pm.PlanTask(tx, h.marta, id, 1, today+7) }); err != nil {
		t.Fatal(err)
	}
	e := h.events(secret)[id.String()]
	if was.Sequence != 0 || e.Sequence != 1 || e.Modified <= was.Modified || e.Stamp != e.Modified {
		t.Errorf("from %+v to %+v", was, e)
	}
}

// An address shows what its maker may see at that time, and nothing once it is revoked or
// they are shut out.
func TestAnAddressIsNoMoreThanItsMaker(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	h.visit(h.site.ID, 2, nil)
	gone := func(secret string) bool {
		_, err := diary.Read(ctx, h.db, now, secret, public)
		return fault.KindOf(err) == fault.NotFound
	}
	c, secret := h.make(h.owner, diary.New{Shows: diary.All})
	if n := len(h.events(secret)); n != 1 {
		t.Fatalf("%d events", n)
	}
	hash, err := pgdb.Read[struct{ Kept string }](ctx, h.db, sys.ID, `select c::text as kept from calendar_address as c`, nil)
	if err != nil || len(hash) != 1 || strings.Contains(hash[0].Kept, secret) {
		t.Errorf("the secret is kept: %v", err)
	}
	trail, err := pgdb.Read[struct{ Told string }](ctx, h.db, sys.ID, `select coalesce(after::text, '') as told from trail where entity = 'calendar_address'`, nil)
	if err != nil || len(trail) != 1 || strings.Contains(trail[0].Told, "secret_hash") {
		t.Errorf("the trail: %+v, %v", trail, err)
	}
	// another's hands
	for _, who := range []access.Actor{h.stranger, h.imre} {
		err := h.db.InTx(ctx, who.ID, func(tx *gorm.DB) error {
			_, err := diary.Revoke(tx, who, now, c.ID)
			return err
		})
		if fault.KindOf(err) != fault.NotFound || gone(secret) {
			t.Errorf("%s revokes what is another's: %v", who.Name, err)
		}
		if own, err := diary.Own(ctx, h.db, who); err != nil || len(own) != 0 {
			t.Errorf("%s has %+v, %v", who.Name, own, err)
		}
	}
	// row-level security holds where a query forgot whose it is
	if rows, err := pgdb.Read[struct{ N int }](ctx, h.db, h.stranger.ID, `select count(*)::int as n from calendar_address`, nil); err != nil || rows[0].N != 0 {
		t.Errorf("another sees %d, %v", rows[0].N, err)
	}
	if !gone("nonsense") || !gone("") {
		t.Error("an address that was never made shows something")
	}
	r := pgtest.Done(t, h.db, h.owner, func(tx *gorm.DB) (diary.Calendar, error) { return diary.Revoke(tx, h.owner, now, c.ID) })
	again := pgtest.Done(t, h.db, h.owner, func(tx *gorm.DB) (diary.Calendar, error) { return diary.Revoke(tx, h.owner, now.Add(time.Hour), c.ID) })
	if r.RevokedAt == nil || again.RevokedAt == nil || !r.RevokedAt.Equal(*again.RevokedAt) || !gone(secret) {
		t.Errorf("revoked: %+v, again %+v", r, again)
	}
	// the site is sold: the calendar shows nothing of what comes after
	_, secret = h.make(h.owner, diary.New{Shows: diary.Site, SiteID: &h.site.ID})
	pgtest.Done(t, h.db, sys, func(tx *gorm.DB) ([]assets.Ownership, error) {
		return assets.HandOver(tx, sys, h.site.ID, h.buyer.ID, now.AddDate(0, 0, -1))
	})
	if got := h.events(secret); len(got) != 0 {
		t.Errorf("after the sale: %+v", got)
	}
	pgtest.Done(t, h.db, sys, func(tx *gorm.DB) (access.Account, error) {
		return access.EditAccount(tx, sys, now, h.owner.ID, 1, h.owner.Name, true)
	})
	if !gone(secret) {
		t.Error("somebody who is shut out still reads")
	}
}

func TestWhatCannotBeMadeIsNamed(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	nobody := uuid.New()
	for name, c := range map[string]struct {
		who   access.Actor
		in    diary.New
		kind  fault.Kind
		field string
		says  string
	}{
		"nothing":                 {h.owner, diary.New{}, fault.Invalid, "shows", "is all, site or person"},
		"a site without one":      {h.owner, diary.New{Shows: diary.Site}, fault.Invalid, "site_id", "is needed"},
		"a site that is no site":  {h.owner, diary.New{Shows: diary.Site, SiteID: &nobody}, fault.Invalid, "site_id", "names no site"},
		"another owner's site":    {h.stranger, diary.New{Shows: diary.Site, SiteID: &h.site.ID}, fault.Invalid, "site_id", "names no site"},
		"all, of a site":          {h.owner, diary.New{Shows: diary.All, SiteID: &h.site.ID}, fault.Invalid, "site_id", "shows: site only"},
		"all, of a person":        {h.imre, diary.New{Shows: diary.All, PersonID: &h.imre.ID}, fault.Invalid, "person_id", "shows: person only"},
		"a person without one":    {h.imre, diary.New{Shows: diary.Person}, fault.Invalid, "person_id", "is needed"},
		"a colleague's":           {h.imre, diary.New{Shows: diary.Person, PersonID: &h.marta.ID}, fault.Invalid, "person_id", "is yourself"},
		"nobody's":                {h.marta, diary.New{Shows: diary.Person, PersonID: &nobody}, fault.Invalid, "person_id", "names nobody"},
		"what falls due anywhere": {h.marta, diary.New{Shows: diary.All, WithDue: true}, fault.Invalid, "with_due", "one site only"},
	} {
		err := h.db.InTx(ctx, c.who.ID, func(tx *gorm.DB) error {
			_, _, err := diary.Make(tx, c.who, now, c.in)
			return err
		})
		f, ok := errors.AsType[*fault.Error](err)
		if !ok || f.Kind != c.kind || f.Field != c.field || !strings.Contains(f.Msg, c.says) {
			t.Errorf("%s: %#v", name, err)
		}
	}
	for range 20 {
		h.make(h.owner, diary.New{Shows: diary.All})
	}
	err := h.db.InTx(ctx, h.owner.ID, func(tx *gorm.DB) error {
		_, _, err := diary.Make(tx, h.owner, now, diary.New{Shows: diary.All})
		return err
	})
	if f, ok := errors.AsType[*fault.Error](err); !ok || f.Kind != fault.Conflict || !strings.Contains(f.Msg, "20 addresses") {
		t.Errorf("the 21st: %v", err)
	}
}

// The work for the database does not grow with the visits.
func TestReadingTakesAConstantNumberOfStatements(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	_, secret := h.make(h.owner, diary.New{Shows: diary.Site, SiteID: &h.site.ID, WithDue: true})
	count := func() int64 {
		counted, n := pgdb.CountStatements(ctx)
		if _, err := diary.Read(counted, h.db, now, secret, public); err != nil {
			t.Fatal(err)
		}
		return n.Load()
	}
	count() // the first is noted
	before := count()
	for i := range 20 {
		h.visit(h.site.ID, 2+i, nil)
		h.task(fmt.Sprint("Work ", i), i)
	}
	count()
	if after := count(); after != before {
		t.Errorf("%d statements, then %d", before, after)
	}
	t.Logf("%d statements", before)
}

// RFC 5545, 3.1 (folding) and 3.3.11 (escaping): what was written is read, by both readers.
func TestTextsComeBack(t *testing.T) {
	t.Parallel()
	for _, text := range []string{
		"Project XYZ Final Review\nConference Room - 3B\nCome Prepared.", // the RFC's example
		"Brush; head, left\\right\nBring 2:1 ratio gearbox",
		strings.Repeat("x", 67), strings.Repeat("x", 68), strings.Repeat("x", 66) + "éyy", strings.Repeat("ä", 80), strings.Repeat("🚿", 30),
		strings.Repeat("a ", 200), " begins and ends with a blank ", "BEGIN:VEVENT", "a\\nb", "\u202eRTL مغسلة", "<b>\"&amp;'", strings.Repeat("long-word-", 30) + " " + strings.Repeat("y", 90),
	} {
		body, err := diary.WriteText(text, text, text, text)
		if err != nil {
			t.Fatal(err)
		}
		wellFormed(t, body)
		name, first := byGo(t, body)
		again, second := byNode(t, body)
		for _, got := range []string{name, again, first[0].Summary, first[0].Description, first[0].Location, second[0].Summary, second[0].Description, second[0].Location} {
			if got != text {
				t.Errorf("%q came back as %q\n%s", text, got, body)
			}
		}
	}
	body, err := diary.WriteText("t", "a\r\nb\x00c\rd\x7f", "", "")
	if _, all := byGo(t, body); err != nil || all[0].Summary != "a\nbc\nd" {
		t.Errorf("control signs: %q, %v", all[0].Summary, err)
	}
}

// Of any text everything comes back in its order but control signs (RFC 5545, 3.1) and what is
// no UTF-8, and as many lines; a text that has none of them comes back as it is.
func FuzzTexts(f *testing.F) {
	for _, s := range []string{"plain", "a,b;c\\d\ne", "\r\n\r", strings.Repeat("ä", 80), "END:VCALENDAR\r\n", "\xff\xfe", "> <> ><", "\ta\x00b\u0085c\x7f", " \ufffd\xff\n\r\r\n"} {
		f.Add(s)
	}
	control := func(r rune) bool { return r < ' ' || r >= 0x7f && r < 0xa0 }
	seen := func(s string) string { // what can be seen of it, and its blanks
		return strings.Map(func(r rune) rune {
			if control(r) || r == utf8.RuneError { // which stands for what is no UTF-8
				return -1
			}
			return r
		}, s)
	}
	ends := regexp.MustCompile("\r\n|\r|\n")
	f.Fuzz(func(t *testing.T, s string) {
		body, err := diary.WriteText(s, s, s, s)
		if err != nil {
			t.Fatal(err)
		}
		wellFormed(t, body)
		_, all := byGo(t, body)
		if len(all) != 1 {
			t.Fatalf("%q came back as %+v", s, all)
		}
		as := utf8.ValidString(s) && !strings.ContainsFunc(s, func(r rune) bool { return control(r) && r != '\n' && r != '\t' })
		for _, got := range []string{all[0].Summary, all[0].Location, all[0].Description} {
			switch {
			case as && got != s, seen(got) != seen(s), strings.Count(got, "\n") != len(ends.FindAllString(s, -1)), strings.Count(got, "\t") != strings.Count(s, "\t"),
				!utf8.ValidString(got), strings.ContainsRune(got, utf8.RuneError) == utf8.ValidString(s) && !strings.ContainsRune(s, utf8.RuneError),
				strings.ContainsFunc(got, func(r rune) bool { return control(r) && r != '\n' && r != '\t' }):
				t.Errorf("%q came back as %q", s, got)
			}
		}
	})
}

// What stands on the wall at the site is the same instant for a reader that knows no time
// zones but those that the calendar describes, before and after every change of the
// clock. Zones with half hours, with none, and with winter time as the exception
// (IANA tz database through Go's time package).
func TestZonesAreDescribedWhole(t *testing.T) {
	t.Parallel()
	at := map[string][]time.Time{}
	for _, name := range []string{"America/Chicago", "Europe/London", "Europe/Dublin", "America/Phoenix", "Australia/Lord_Howe", "Asia/Kolkata", "Asia/Kathmandu", "Africa/Casablanca",
		"America/St_Johns", "Pacific/Apia", "UTC"} {
		for day := 0; day < 800; day += 3 {
			at[name] = append(at[name], time.Date(2025, 12, 1+day, (day*5)%24, 30, 0, 0, time.UTC))
		}
	}
	body, err := diary.WriteAt(at)
	if err != nil {
		t.Fatal(err)
	}
	wellFormed(t, body)
	_, first := byGo(t, body)
	_, second := byNode(t, body)
	want := map[string]string{}
	for name, times := range at {
		for _, x := range times {
			want[uuid.NewSHA1(uuid.NameSpaceURL, []byte(name+x.UTC().String())).String()] = x.UTC().Format(time.RFC3339)
		}
	}
	if len(first) != len(want) || len(second) != len(want) {
		t.Fatalf("%d and %d events of %d", len(first), len(second), len(want))
	}
	twice := 0
	for i := range second {
		e := second[i]
		if e.Start == want[e.UID] {
			continue
		}
		// an hour that comes twice has one name for both (3.3.5: the first is meant)
		zone, _ := time.LoadLocation(e.Summary)
		meant, _ := time.Parse(time.RFC3339, want[e.UID])
		got, _ := time.Parse(time.RFC3339, e.Start)
		if meant.In(zone).Format("15:04") != got.In(zone).Format("15:04") {
			t.Errorf("%s: %s was read as %s", e.Summary, want[e.UID], e.Start)
		}
		twice++
	}
	if twice > 3 {
		t.Errorf("%d events in hours that come twice", twice)
	}
}
