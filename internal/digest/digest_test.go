package digest_test

import (
	"context"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/assets/meters"
	"spindlebook/internal/calendar"
	"spindlebook/internal/digest"
	"spindlebook/internal/measure"
	"spindlebook/internal/parts"
	"spindlebook/internal/parts/amount"
	"spindlebook/internal/parts/stock"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgtest"
	"spindlebook/internal/pm"
	"spindlebook/internal/pm/failure"
	"spindlebook/internal/pm/visits"
	"spindlebook/internal/post"
	"spindlebook/internal/post/posttest"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

var (
	ctx   = context.Background()
	now   = time.Date(2026, 11, 30, 12, 30, 0, 0, time.UTC) // a Monday, 06:30 in Chicago
	began = time.Date(2023, 6, 1, 12, 0, 0, 0, time.UTC)
	sys   = access.System
	log   = slog.New(slog.DiscardHandler)
)

func public(path string) string { return "https://wash.example" + path }

// server is a mail server and whoever reads what it was given.
type server struct {
	*posttest.Server
	t testing.TB
}

func newServer(t testing.TB) server {
	t.Helper()
	return server{posttest.New(t, "localhost", nil), t}
}

func (s server) office(user string) *post.Office {
	s.t.Helper()
	o, err := post.Open("smtp://"+user+s.Address, "spindlebook <spindlebook@wash.example>")
	if err != nil {
		s.t.Fatal(err)
	}
	return o
}

// letter is the first that came to an address, and how many did.
type letter struct {
	posttest.Letter
	copies int
}

// all gives what has arrived by the address to which it went.
func (s server) all() map[string]*letter {
	s.t.Helper()
	by := map[string]*letter{}
	for _, r := range s.Letters() {
		if by[r.To] == nil {
			by[r.To] = &letter{Letter: posttest.Read(s.t, r)}
		}
		by[r.To].copies++
	}
	return by
}

// house is two customers with a site each, and people who have asked for letters at six in the morning.
type house struct {
	t                           testing.TB
	db                          *pgdb.DB
	site, other                 assets.Site
	position                    assets.Position
	marta, imre, olga, theo, al access.Actor
}

const evil = `<script>alert("x")</script>` + "\r\nBcc: everybody@wash.example"

func newHouse(t testing.TB) *house {
	t.Helper()
	h := &house{t: t, db: pgtest.New(t)}
	add := func(code string) (assets.Customer, assets.Site) {
		c := pgtest.Done(t, h.db, sys, func(tx *gorm.DB) (assets.Customer, error) {
			return assets.AddCustomer(tx, sys, began, assets.CustomerEdit{Code: code, Name: "Customer " + code})
		})
		return c, pgtest.Done(t, h.db, sys, func(tx *gorm.DB) (assets.Site, error) {
			return assets.AddSite(tx, sys, began, c.ID, &began, assets.SiteEdit{Code: code, Name: "Wash " + code, Zone: "America/Chicago", Currency: "USD", Climate: "snowbelt", Size: "medium", DriverSide: "left"})
		})
	}
	ours, site := add("UMB")
	theirs, other := add("THO")
	h.site, h.other = site, other
	line := pgtest.Done(t, h.db, sys, func(tx *gorm.DB) (assets.Line, error) {
		return assets.AddLine(tx, sys, began, h.site.ID, &began, assets.LineEdit{Code: "UMB-1"})
	})
	h.position = pgtest.Done(t, h.db, sys, func(tx *gorm.DB) (assets.Position, error) {
		return assets.AddPosition(tx, sys, began, assets.NewPosition{SiteID: h.site.ID, From: &began, PositionEdit: assets.PositionEdit{LineID: &line.ID, Code: "UMB-1/SBL-L", Name: "Low side brush", Kind: "side_brush_low", LineSide: "left"}})
	})
	pgtest.Done(t, h.db, sys, func(tx *gorm.DB) (meters.Meter, error) {
		return meters.Add(tx, sys, now, meters.NewMeter{SiteID: h.site.ID, From: &began, Unit: meters.Vehicles, Thing: meters.Thing{LineID: &line.ID, Primary: true}, Edit: meters.Edit{Code: "UMB-1/VC", Kind: "wash_counter", Counts: "what passes"}})
	})
	h.marta = h.person("Marta", access.NewGrant{Role: "manager"})
	h.imre = h.person("Imre", access.NewGrant{Role: "technician"})
	h.olga = h.person("Olga", access.NewGrant{Role: "owner", CustomerID: &ours.ID})
	h.theo = h.person("Theo", access.NewGrant{Role: "owner", CustomerID: &theirs.ID})
	h.al = h.person("Al", access.NewGrant{Role: "manager"}) // has asked for none
	for _, who := range []access.Actor{h.marta, h.imre, h.olga, h.theo} {
		h.wants(who, access.Preference{Email: strings.ToLower(who.Name) + "@wash.example", Digest: true, DigestHour: 6, Zone: "America/Chicago"})
	}
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

func (h *house) wants(who access.Actor, p access.Preference) {
	h.t.Helper()
	pgtest.Done(h.t, h.db, who, func(tx *gorm.DB) (access.Preference, error) { return access.SetPreference(tx, who, p) })
}

// press plans a visit that cannot go, breaks a brush and lets work be done.
func (h *house) press() (visit, fault uuid.UUID) {
	h.t.Helper()
	today := calendar.DateOf(now)
	pgtest.Done(h.t, h.db, sys, func(tx *gorm.DB) (uuid.UUID, error) { // Imre has shown no skill at all
		ids, err := pm.AddProcedures(tx, sys, now, []pm.NewProcedure{{Code: "J07", Title: "Arm bearings"}})
		if err != nil {
			return uuid.Nil, err
		}
		v, err := pm.WriteDrafts(tx, sys, now, []pm.Write{{Procedure: ids[0], Content: pm.Content{People: 1, Skills: []string{"T2"}, Minutes: pm.Minutes{Low: 20, Typical: 40, High: 90}, LineState: "running"}}})
		if err != nil {
			return uuid.Nil, err
		}
		return v[0], pm.Publish(tx, sys, now, v)
	})
	task := pgtest.Done(h.t, h.db, sys, func(tx *gorm.DB) (uuid.UUID, error) {
		return pm.RaiseTask(tx, sys, now, pm.NewTask{SiteID: &h.site.ID, PositionID: &h.position.ID, Procedure: "J07", Criticality: "B", DueOn: today, LatestOn: today + 9})
	})
	visit = pgtest.Done(h.t, h.db, h.marta, func(tx *gorm.DB) (uuid.UUID, error) {
		return visits.Add(tx, h.marta, now, visits.New{SiteID: h.site.ID, Hours: visits.Hours{On: today + 1, Starts: "06:00", Minutes: 90}, People: []visits.Going{{PersonID: h.imre.ID}}, Tasks: []visits.Doing{{TaskID: task}}})
	})
	at := now.Add(-30 * time.Hour)
	f := pgtest.Done(h.t, h.db, sys, func(tx *gorm.DB) (failure.Fault, error) {
		return failure.Add(tx, sys, now, failure.New{SiteID: h.site.ID, PositionID: &h.position.ID, Edit: failure.Edit{Says: evil, Detected: "operator", Before: "up", LineEffect: "degraded", NoticedAt: &at, Payer: "not_said"}})
	})
	return visit, f.ID
}

func (h *house) tick(at time.Time, o digest.Office) error {
	return digest.Tick(ctx, h.db, func() time.Time { return at }, log, o, public)
}

func (h *house) states() string {
	h.t.Helper()
	rows, err := pgdb.Read[struct{ Said string }](ctx, h.db, sys.ID, `
select a.name || ' ' || d.on_date || ' ' || d.state || ' ' || d.tries as said from digest_day as d join actor as a on a.id = d.actor_id order by a.name, d.on_date`, nil)
	if err != nil {
		h.t.Fatal(err)
	}
	var all []string
	for _, r := range rows {
		all = append(all, r.Said)
	}
	return strings.Join(all, ", ")
}

func TestEverybodyIsToldWhatPressesForThem(t *testing.T) {
	t.Parallel()
	h, s := newHouse(t), newServer(t)
	visit, fault := h.press()
	if err := h.tick(now.Add(-time.Hour), s.office("")); err != nil || len(s.all()) != 0 { // half past five
		t.Fatalf("before the hour: %v, %d letters", err, len(s.Letters()))
	}
	if err := h.tick(now, s.office(posttest.SignIn)); err != nil {
		t.Fatal(err)
	}
	all := s.all()
	if len(all) != 3 || all["marta@wash.example"] == nil || all["imre@wash.example"] == nil || all["olga@wash.example"] == nil {
		t.Fatalf("%d letters: %v", len(all), h.states())
	}
	if got := h.states(); got != "Imre 2026-11-30 sent 1, Marta 2026-11-30 sent 1, Olga 2026-11-30 sent 1, Theo 2026-11-30 nothing 1" {
		t.Errorf("the days: %s", got)
	}
	for to, want := range map[string]struct{ has, hasNot []string }{
		"marta@wash.example": {[]string{"Visits that cannot go", "Tue 1 Dec, 06:00 to 07:30 CST, UMB Wash UMB: ", public("/visits/" + visit.String()), "Faults that stand", "UMB Wash UMB, UMB-1/SBL-L: ", "Since 30 h", public("/faults/" + fault.String()),
			"Counters that nobody has read for long", "UMB-1/VC, never read"}, []string{"Your visits", "Done since"}},
		"imre@wash.example": {[]string{"Your visits", "Tue 1 Dec, 06:00 to 07:30 CST, UMB Wash UMB: one job", public("/visits/" + visit.String())}, []string{"Faults", "cannot go"}},
		"olga@wash.example": {[]string{"Visits to come", "UMB Wash UMB: one job", "Faults that stand"}, []string{"cannot go", "no-go", "Counters"}},
	} {
		l := all[to]
		if l.copies != 1 || !strings.HasPrefix(l.Subject, "Monday 30 November 2026: ") || l.Head.Get("From") != `"spindlebook" <spindlebook@wash.example>` || !strings.Contains(l.Head.Get("To"), to) || l.Head.Get("Bcc") != "" ||
			l.Head.Get("List-Unsubscribe") != "<"+public("/account/letters")+">" || l.Head.Get("Auto-Submitted") != "auto-generated" || !strings.HasPrefix(l.Head.Get("Message-Id"), "<20261130.") {
			t.Errorf("%s: %d copies of %q %v", to, l.copies, l.Subject, l.Head)
		}
		for _, said := range []string{l.Text, strings.ReplaceAll(l.Page, "&#43;", "+")} {
			for _, w := range want.has {
				if !strings.Contains(said, w) {
					t.Errorf("%s lacks %q in\n%s", to, w, said)
				}
			}
			for _, w := range want.hasNot {
				if strings.Contains(said, w) {
					t.Errorf("%s has %q in\n%s", to, w, said)
				}
			}
		}
		if strings.Contains(l.Page, "<script") || strings.Contains(l.Text, "\nBcc") {
			t.Errorf("%s: what somebody typed is markup: %s", to, l.Page)
		}
	}
	// the same day says nothing twice; the next day does
	for _, later := range []time.Duration{time.Minute, time.Hour, 10 * time.Hour} {
		if err := h.tick(now.Add(later), s.office("")); err != nil || len(s.all()["marta@wash.example"].Subject) == 0 || s.all()["marta@wash.example"].copies != 1 {
			t.Errorf("%v later: %v", later, err)
		}
	}
	if err := h.tick(now.AddDate(0, 0, 1), s.office("")); err != nil || s.all()["marta@wash.example"].copies != 2 {
		t.Errorf("the next day: %v", err)
	}
	// who wants no more, or is shut out, gets no more
	h.wants(h.marta, access.Preference{Email: "marta@wash.example", DigestHour: 6, Zone: "America/Chicago"})
	pgtest.Done(t, h.db, sys, func(tx *gorm.DB) (access.Account, error) {
		return access.EditAccount(tx, sys, now, h.olga.ID, 1, "Olga", true)
	})
	if err := h.tick(now.AddDate(0, 0, 2), s.office("")); err != nil || s.all()["marta@wash.example"].copies != 2 || s.all()["olga@wash.example"].copies != 2 {
		t.Errorf("the day after: %v", err)
	}
}

// Many processes over one database send each letter once.
func TestManyProcessesSendEachLetterOnce(t *testing.T) {
	t.Parallel()
	h, s := newHouse(t), newServer(t)
	h.press()
	var all sync.WaitGroup
	for range 12 {
		all.Go(func() {
			if err := h.tick(now, s.office("")); err != nil {
				t.Error(err)
			}
		})
	}
	all.Wait()
	if len(s.Letters()) != 3 {
		t.Errorf("%d letters: %s", len(s.Letters()), h.states())
	}
}

// A mail server that is away is tried again later, a few times, and then no more that day.
func TestWhatIsNotTakenIsTriedAgain(t *testing.T) {
	t.Parallel()
	h, s := newHouse(t), newServer(t)
	h.press()
	s.Refuse(true)
	if err := h.tick(now, s.office("")); err == nil || !strings.Contains(err.Error(), "451") {
		t.Fatalf("refused: %v", err)
	}
	if got := h.states(); !strings.Contains(got, "Marta 2026-11-30 failed 1") || !strings.Contains(got, "Theo 2026-11-30 nothing 1") {
		t.Errorf("the days: %s", got)
	}
	s.Refuse(false)
	if err := h.tick(now.Add(time.Minute), s.office("")); err != nil || len(s.Letters()) != 0 {
		t.Errorf("a minute later: %v, %d", err, len(s.Letters()))
	}
	if err := h.tick(now.Add(16*time.Minute), s.office("")); err != nil || len(s.Letters()) != 3 {
		t.Errorf("a quarter of an hour later: %v, %d", err, len(s.Letters()))
	}
	// one that ended between claiming and sending
	if err := h.db.InTx(ctx, sys.ID, func(tx *gorm.DB) error {
		return tx.Exec(`update digest_day set state = 'claimed', tries = 4 where actor_id = ?`, h.marta.ID).Error
	}); err != nil {
		t.Fatal(err)
	}
	s.Refuse(true)
	for i := range 4 {
		_ = h.tick(now.Add(time.Hour*time.Duration(i+1)), s.office(""))
	}
	if got := h.states(); !strings.Contains(got, "Marta 2026-11-30 failed 5") {
		t.Errorf("the days: %s", got)
	}
	// nobody there at all
	nobody, err := post.Open("smtp://127.0.0.1:1", "a@wash.example")
	if err != nil {
		t.Fatal(err)
	}
	if err := h.tick(now.AddDate(0, 0, 1), nobody); err == nil {
		t.Error("a server that is not there takes letters")
	}
	wrong := s.office("washer:wrong@")
	s.Refuse(false)
	if err := h.tick(now.AddDate(0, 0, 2), wrong); err == nil {
		t.Error("a wrong password is let in")
	}
}

func TestPreferencesAreOnesOwn(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	p, err := access.PreferenceOf(ctx, h.db, h.al)
	if err != nil || p != (access.Preference{Email: "al@wash.example", DigestHour: 6, Zone: "America/Chicago", Units: measure.AsEntered}) {
		t.Errorf("put forward: %+v, %v", p, err)
	}
	if p, err = access.PreferenceOf(ctx, h.db, h.theo); err != nil || !p.Digest {
		t.Errorf("chosen: %+v, %v", p, err)
	}
	if rows, err := pgdb.Read[struct{ N int }](ctx, h.db, h.theo.ID, `select count(*)::int as n from person_preference`, nil); err != nil || rows[0].N != 1 {
		t.Errorf("an owner sees %d, %v", rows[0].N, err)
	}
	if rows, err := pgdb.Read[struct{ N int }](ctx, h.db, h.theo.ID, `select count(*)::int as n from digest_day`, nil); err != nil || rows[0].N != 0 {
		t.Errorf("an owner sees %d days, %v", rows[0].N, err)
	}
	for field, bad := range map[string]access.Preference{
		"email":       {Email: "not an address", Zone: "UTC"},
		"digest_hour": {DigestHour: 24, Zone: "UTC"},
		"zone":        {Zone: "Mars/Olympus"},
		"units":       {Zone: "UTC", Units: "cubits"},
	} {
		err := h.db.InTx(ctx, h.al.ID, func(tx *gorm.DB) error { _, err := access.SetPreference(tx, h.al, bad); return err })
		if err == nil || !strings.Contains(err.Error(), field) {
			t.Errorf("%s: %v", field, err)
		}
	}
	// units are chosen by themselves, and stay where they are not spoken of
	for _, c := range []struct{ sent, want measure.System }{{"", measure.AsEntered}, {measure.Metric, measure.Metric}, {"", measure.Metric}, {measure.US, measure.US}} {
		kept := pgtest.Done(h.t, h.db, h.al, func(tx *gorm.DB) (access.Preference, error) {
			return access.SetPreference(tx, h.al, access.Preference{Zone: "UTC", Units: c.sent})
		})
		who, _, err := access.Load(ctx, h.db, h.al.ID)
		if err != nil || kept.Units != c.want || who.Units != c.want {
			t.Errorf("%q is kept as %q and read as %q, %v", c.sent, kept.Units, who.Units, err)
		}
	}
	for _, bad := range []access.Preference{{Digest: true, Zone: "UTC"}, {Email: "Al <al@wash.example>", Zone: "UTC"}, {Email: "a@b\r\nBcc: c@d", Zone: "UTC"}, {Zone: "Local"}, {Zone: "right/UTC"}, {Zone: ""}, {DigestHour: -1, Zone: "UTC"}} {
		if err := h.db.InTx(ctx, h.al.ID, func(tx *gorm.DB) error { _, err := access.SetPreference(tx, h.al, bad); return err }); err == nil {
			t.Errorf("%+v is taken", bad)
		}
	}
}

// slow is a mail server that takes its time, by the clock of the test.
type slow struct {
	mu    sync.Mutex
	at    time.Time
	sent  map[string]int
	after func(n int) error
}

func (s *slow) clock() time.Time {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.at
}

func (s *slow) Send(_ context.Context, l post.Letter) error {
	s.mu.Lock()
	s.at = s.at.Add(2 * time.Minute)
	s.sent[l.To]++
	n := len(s.sent)
	s.mu.Unlock()
	return s.after(n)
}

// What a process has taken waits for no more than a few others: a slow server lets no claim lapse,
// and a process that ends holds few letters back.
func TestFewLettersWaitForOthers(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	h.press()
	for i := range 14 {
		who := h.person(fmt.Sprint("Mo", i), access.NewGrant{Role: "manager"})
		h.wants(who, access.Preference{Email: fmt.Sprintf("m%d@wash.example", i), Digest: true, DigestHour: 6, Zone: "America/Chicago"})
	}
	waiting := func() int { return strings.Count(h.states(), " claimed ") }
	s := &slow{at: now, sent: map[string]int{}}
	ending, end := context.WithCancel(ctx)
	s.after = func(n int) error {
		if w := waiting(); w > 5 {
			t.Errorf("%d letters are taken at once", w)
		}
		if n == 7 {
			end() // the process is told to go
		}
		return nil
	}
	if err := digest.Tick(ending, h.db, s.clock, log, s, public); err == nil {
		t.Error("it was told to go and says that all went")
	}
	if got := h.states(); len(s.sent) != 7 || strings.Count(got, " failed 1")+strings.Count(got, " claimed 1") > 4 {
		t.Errorf("it ended: %d letters, %s", len(s.sent), got)
	}
	s.at = s.at.Add(20 * time.Minute)
	if err := digest.Tick(ctx, h.db, s.clock, log, s, public); err != nil {
		t.Error(err)
	}
	if len(s.sent) != 17 { // and nothing presses for Theo
		t.Errorf("%d of 17 letters: %s", len(s.sent), h.states())
	}
	for to, n := range s.sent {
		if n != 1 {
			t.Errorf("%s got %d", to, n)
		}
	}
}

// letterOf gives the letter of somebody as they would get it.
func (h *house) letterOf(who access.Actor, last *time.Time) digest.Letter {
	h.t.Helper()
	l, err := digest.Compose(ctx, h.db, who, now, last, h.site.Location())
	if err != nil {
		h.t.Fatal(err)
	}
	return l
}

func titles(l digest.Letter) string {
	var all []string
	for _, s := range l.Sections {
		all = append(all, s.Title)
	}
	return strings.Join(all, "; ")
}

// Visits that were called off hide none of those that come, and a crowd of visits is judged
// as far as the letter goes.
func TestNoVisitHidesAnother(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	today := calendar.DateOf(now)
	add := func(starts string, people ...visits.Going) uuid.UUID {
		return pgtest.Done(t, h.db, h.marta, func(tx *gorm.DB) (uuid.UUID, error) {
			return visits.Add(tx, h.marta, now, visits.New{SiteID: h.site.ID, Hours: visits.Hours{On: today + 1, Starts: starts, Minutes: 30}, People: people})
		})
	}
	for i := range 12 {
		id := add(fmt.Sprintf("%02d:00", 6+i%4), visits.Going{PersonID: h.imre.ID})
		pgtest.Done(t, h.db, h.marta, func(tx *gorm.DB) (visits.Ended, error) {
			return visits.End(tx, h.marta, now, id, 1, visits.Ending{Reason: "weather", Why: "the pond is frozen"})
		})
	}
	id := add("13:00", visits.Going{PersonID: h.imre.ID})
	for who, title := range map[*access.Actor]string{&h.imre: "Your visits", &h.olga: "Visits to come"} {
		l := h.letterOf(*who, nil)
		if titles(l) != title || len(l.Sections[0].Lines) != 1 || l.Sections[0].Lines[0].Path != "/visits/"+id.String() {
			t.Errorf("%s reads %+v", who.Name, l)
		}
	}
	for i := range 120 {
		add(fmt.Sprintf("%02d:%02d", 5+i/10, i%10*6))
	}
	bad, _ := h.press() // comes after all of them in the list of its day
	l := h.letterOf(h.marta, nil)
	if len(l.Sections) == 0 || l.Sections[0].Title != "Visits that cannot go" || len(l.Sections[0].Lines) != 1 || l.Sections[0].Lines[0].Path != "/visits/"+bad.String() {
		t.Errorf("of 122 visits the manager reads %+v", l)
	}
}

// Of the visits that cannot go the soonest are named, in whatever order they were made, and
// however many there are on a day.
func TestTheSoonestVisitsAreNamed(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	h.press() // at six
	today := calendar.DateOf(now)
	bad := func(starts string) string {
		id := pgtest.Done(t, h.db, h.marta, func(tx *gorm.DB) (uuid.UUID, error) {
			task, err := pm.RaiseTask(tx, sys, now, pm.NewTask{SiteID: &h.site.ID, PositionID: &h.position.ID, Procedure: "J07", Criticality: "B", DueOn: today, LatestOn: today + 9})
			if err != nil {
				return uuid.Nil, err
			}
			return visits.Add(tx, h.marta, now, visits.New{SiteID: h.site.ID, Hours: visits.Hours{On: today + 1, Starts: starts, Minutes: 30}, People: []visits.Going{{PersonID: h.imre.ID}}, Tasks: []visits.Doing{{TaskID: task}}})
		})
		return "/visits/" + id.String()
	}
	var want []string
	for hour := 20; hour > 8; hour-- {
		want = append([]string{bad(fmt.Sprintf("%02d:00", hour))}, want...)
	}
	for i := range visits.MostJudged {
		pgtest.Done(t, h.db, h.marta, func(tx *gorm.DB) (uuid.UUID, error) {
			return visits.Add(tx, h.marta, now, visits.New{SiteID: h.site.ID, Hours: visits.Hours{On: today + 1, Starts: fmt.Sprintf("12:%02d", i%60), Minutes: 30}})
		})
	}
	first := bad("05:00")
	s := h.letterOf(h.marta, nil).Sections[0]
	var got, says []string
	for _, l := range s.Lines {
		got, says = append(got, l.Path), append(says, l.Says)
	}
	if s.Title != "Visits that cannot go" || len(got) != 10 || s.More == "" || got[0] != first || !strings.HasPrefix(says[1], "Tue 1 Dec, 06:00 ") || !slices.Equal(got[2:], want[:8]) {
		t.Errorf("%s: %q, and more: %q", s.Title, says, s.More)
	}
}

// Where somebody can be hurt stands first, however much came after it.
func TestDangerComesFirst(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	h.press()
	fault := func(says string, danger bool) {
		pgtest.Done(t, h.db, sys, func(tx *gorm.DB) (failure.Fault, error) {
			at := now.Add(-40 * time.Hour)
			return failure.Add(tx, sys, now, failure.New{SiteID: h.site.ID, PositionID: &h.position.ID, Edit: failure.Edit{Says: says, Danger: danger, Detected: "operator", Before: "up", LineEffect: "degraded", NoticedAt: &at, Payer: "not_said"}})
		})
	}
	if got := titles(h.letterOf(h.marta, nil)); !strings.HasPrefix(got, "Visits that cannot go; ") {
		t.Errorf("without danger: %s", got)
	}
	fault("a guard is off", true)
	for i := range 12 {
		fault(fmt.Sprint("it squeaks ", i), false)
	}
	for _, who := range []access.Actor{h.marta, h.olga} {
		l := h.letterOf(who, nil)
		s := l.Sections[0]
		if s.Title != "Faults that stand" || len(s.Lines) != 10 || !strings.HasPrefix(s.Lines[0].Says, "Somebody can be hurt: ") || !strings.Contains(s.Lines[0].Says, "a guard is off") || strings.HasPrefix(s.Lines[1].Says, "Somebody") {
			t.Errorf("%s reads %+v", who.Name, l)
		}
	}
}

// What was recorded since the letter before is told once, also where it was done before that:
// up to two weeks. What is older than that is history that somebody brings in.
func TestOwnersReadWhatWasDone(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	today := calendar.DateOf(now)
	done := func(title string, at, recorded time.Time) {
		task := pgtest.Done(t, h.db, sys, func(tx *gorm.DB) (uuid.UUID, error) {
			return pm.RaiseTask(tx, sys, at, pm.NewTask{SiteID: &h.site.ID, PositionID: &h.position.ID, Title: title, Criticality: "B", DueOn: today, LatestOn: today})
		})
		if _, err := pm.Record(ctx, h.db, sys, recorded, pgdb.Request{Key: uuid.NewString(), Act: "record", Body: title}, pm.Work{Done: []pm.Done{{TaskID: &task, At: at, Stated: true}}}); err != nil {
			t.Fatal(err)
		}
	}
	friday := now.AddDate(0, 0, -3)
	done("told on Friday", friday.Add(-10*time.Hour), friday.Add(-9*time.Hour))
	done("done on Saturday", friday.Add(30*time.Hour), friday.Add(31*time.Hour))
	done("written down late", friday.Add(-40*time.Hour), friday.Add(50*time.Hour))
	twoWeeks := friday.AddDate(0, 0, -14)
	done("two weeks late", twoWeeks.Add(time.Minute), friday.Add(2*time.Hour))
	done("brought in", twoWeeks.Add(-time.Minute), friday.Add(3*time.Hour))
	for name, c := range map[string]struct {
		last  *time.Time
		title string
		says  []string
	}{
		"after Friday's": {&friday, "Done since the last letter", []string{"UMB-1/SBL-L: done on Saturday", "UMB-1/SBL-L: written down late", "UMB-1/SBL-L: two weeks late"}},
		"the first":      {nil, "Done since yesterday", []string{"UMB-1/SBL-L: written down late"}},
	} {
		l := h.letterOf(h.olga, c.last)
		var says []string
		for _, s := range l.Sections {
			for _, line := range s.Lines {
				says = append(says, line.Says)
			}
		}
		if titles(l) != c.title || !slices.Equal(says, c.says) {
			t.Errorf("%s: %s, %q", name, titles(l), says)
		}
	}
	// the letter knows of the one before it
	s := newServer(t)
	for day := range 2 {
		if err := h.tick(now.AddDate(0, 0, day-1), s.office("")); err != nil {
			t.Fatal(err)
		}
		if day == 0 {
			done("since then", now.Add(-2*time.Hour), now.Add(-time.Hour))
		}
	}
	var last string
	for _, r := range s.Letters() {
		if r.To == "olga@wash.example" {
			last = posttest.Read(t, r).Text
		}
	}
	if !strings.Contains(last, "Done since the last letter\n- UMB-1/SBL-L: since then\n") || !strings.Contains(last, "written down late") || strings.Contains(last, "done on Saturday") {
		t.Errorf("the second letter: %s", last)
	}
}

// Who keeps the stock reads what comes late, what is to be set aside, and what does not agree.
func TestClerksReadWhatWaits(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	clerk := h.person("Cleo", access.NewGrant{Role: "parts_clerk"})
	if l := h.letterOf(clerk, nil); !l.Empty() {
		t.Errorf("nothing waits: %+v", l)
	}
	tell := func(fn func(tx *gorm.DB) error) {
		t.Helper()
		if err := h.db.InTx(ctx, sys.ID, fn); err != nil {
			t.Fatal(err)
		}
	}
	tell(func(tx *gorm.DB) error {
		part, err := assets.AddPart(tx, sys, now, assets.PartEdit{Number: "MW-30111", Description: "Hub screw", Class: "fastener"})
		if err != nil {
			return err
		}
		if _, err := parts.SetStocking(tx, sys, part.ID, part.Version, parts.StockingEdit{MeasuredIn: "ea", BoughtIn: "ea", Pack: amount.One, Tracking: "none"}); err != nil {
			return err
		}
		place, err := assets.AddLocation(tx, sys, began, assets.NewLocation{Code: "WH", Name: "Warehouse", Kind: "warehouse"})
		if err != nil {
			return err
		}
		supplier, err := parts.AddSupplier(tx, sys, now, parts.SupplierEdit{Code: "ROL", Name: "Rollmer", WorkingDays: []int{1, 2, 3, 4, 5}})
		if err != nil {
			return err
		}
		if _, err := parts.SetSource(tx, sys, part.ID, supplier.ID, parts.SourceEdit{}); err != nil {
			return err
		}
		for i, promised := range []string{"2026-11-27", "2026-12-04"} {
			o, err := stock.DraftOrder(tx, sys, now.AddDate(0, 0, -20), stock.NewOrder{SupplierID: supplier.ID, LocationID: place.ID, Lines: []stock.NewOrderLine{{PartID: part.ID, Amount: amount.One}}})
			if err != nil {
				return err
			}
			if _, err := stock.SendOrder(tx, sys, now.AddDate(0, 0, -19+i), o.ID, o.Version, promised); err != nil {
				return err
			}
		}
		if _, err := stock.Move(tx, sys, now, []stock.Moving{{Kind: "receive", PartID: part.ID, Amount: 9 * amount.One, To: &place.ID, Sure: true}}); err != nil {
			return err
		}
		for _, on := range []string{"2026-12-01", "2026-12-20"} {
			if _, err := stock.Promise(tx, sys, now, []stock.Claiming{{PartID: part.ID, Amount: 2 * amount.One, NeededOn: on, SiteID: &h.site.ID, Purpose: "J07 UMB-1/SBL-L", Criticality: "B"}}); err != nil {
				return err
			}
		}
		_, err = stock.OpenCount(tx, sys, now.Add(-5*time.Hour), place.ID, true, nil)
		return err
	})
	l := h.letterOf(clerk, nil)
	var says []string
	for _, s := range l.Sections {
		for _, line := range s.Lines {
			says = append(says, s.Title+": "+line.Says)
		}
	}
	if len(says) != 3 || !strings.HasPrefix(says[0], "Orders that are late: ") || !strings.HasSuffix(says[0], "from ROL for WH: one line is past the promised day") ||
		!strings.HasPrefix(says[1], "Parts to set aside: Tue 1 Dec: 2 ") || !strings.HasSuffix(says[1], " of MW-30111 for J07 UMB-1/SBL-L") ||
		!strings.HasPrefix(says[2], "Counts that are open: Count ") || !strings.HasSuffix(says[2], " of WH, begun by spindlebook 5 h ago") {
		t.Errorf("the clerk reads %q", says)
	}
	for _, s := range l.Sections {
		if s.Path == "" || s.Lines[0].Path == "" {
			t.Errorf("no way to %+v", s)
		}
	}
}
