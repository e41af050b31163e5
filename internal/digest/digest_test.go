package digest_test

import (
	"bytes"
	"context"
	"errors"
	"io"
	"log/slog"
	"mime"
	"mime/multipart"
	"mime/quotedprintable"
	"net"
	"net/mail"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/emersion/go-sasl"
	"github.com/emersion/go-smtp"
	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/assets/meters"
	"spindlebook/internal/calendar"
	"spindlebook/internal/digest"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgtest"
	"spindlebook/internal/pm"
	"spindlebook/internal/pm/failure"
	"spindlebook/internal/pm/visits"
	"spindlebook/internal/post"
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

// server is a mail server (github.com/emersion/go-smtp) that keeps what it is given.
type server struct {
	t       testing.TB
	address string
	mu      sync.Mutex
	letters []received
	refuse  bool // for now
}

type received struct {
	from, to string
	body     []byte
}

func newServer(t testing.TB) *server {
	t.Helper()
	s := &server{t: t}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	s.address = l.Addr().String()
	srv := smtp.NewServer(s)
	srv.Domain, srv.AllowInsecureAuth = "localhost", true
	ended := make(chan error, 1)
	go func() { ended <- srv.Serve(l) }()
	t.Cleanup(func() {
		_ = srv.Close()
		<-ended
	})
	return s
}

func (s *server) NewSession(*smtp.Conn) (smtp.Session, error) { return &session{s: s}, nil }

func (s *server) office(user string) *post.Office {
	s.t.Helper()
	o, err := post.Open("smtp://"+user+s.address, "spindlebook <spindlebook@wash.example>")
	if err != nil {
		s.t.Fatal(err)
	}
	return o
}

// all gives what has arrived by the address to which it went.
func (s *server) all() map[string]*letter {
	s.mu.Lock()
	defer s.mu.Unlock()
	by := map[string]*letter{}
	for _, r := range s.letters {
		l := read(s.t, r)
		if old := by[r.to]; old != nil {
			old.copies++
			continue
		}
		by[r.to] = l
	}
	return by
}

type session struct {
	s *server
	r received
}

func (c *session) AuthMechanisms() []string { return []string{sasl.Plain} }
func (c *session) Auth(string) (sasl.Server, error) {
	return sasl.NewPlainServer(func(_, name, password string) error {
		if name != "washer" || password != "p@ss word" {
			return errors.New("wrong")
		}
		return nil
	}), nil
}
func (c *session) Mail(from string, _ *smtp.MailOptions) error {
	if c.s.refuse {
		return &smtp.SMTPError{Code: 451, Message: "later"}
	}
	c.r.from = from
	return nil
}
func (c *session) Rcpt(to string, _ *smtp.RcptOptions) error { c.r.to = to; return nil }
func (c *session) Data(in io.Reader) error {
	body, err := io.ReadAll(in)
	c.r.body = body
	c.s.mu.Lock()
	defer c.s.mu.Unlock()
	c.s.letters = append(c.s.letters, c.r)
	return err
}
func (c *session) Reset()        {}
func (c *session) Logout() error { return nil }

// letter is what Go's own readers of mail make of it.
type letter struct {
	head       mail.Header
	subject    string
	text, page string
	copies     int
}

func read(t testing.TB, r received) *letter {
	t.Helper()
	m, err := mail.ReadMessage(bytes.NewReader(r.body))
	if err != nil {
		t.Fatal(err)
	}
	l := &letter{head: m.Header, copies: 1}
	if l.subject, err = new(mime.WordDecoder).DecodeHeader(m.Header.Get("Subject")); err != nil {
		t.Fatal(err)
	}
	kind, params, err := mime.ParseMediaType(m.Header.Get("Content-Type"))
	if err != nil || kind != "multipart/alternative" {
		t.Fatalf("%s %v", kind, err)
	}
	parts := multipart.NewReader(m.Body, params["boundary"])
	for {
		p, err := parts.NextRawPart()
		if errors.Is(err, io.EOF) {
			return l
		}
		if err != nil {
			t.Fatal(err)
		}
		var in io.Reader = p
		if p.Header.Get("Content-Transfer-Encoding") == "quoted-printable" {
			in = quotedprintable.NewReader(p)
		}
		b, err := io.ReadAll(in)
		if err != nil {
			t.Fatal(err)
		}
		said := strings.ReplaceAll(string(b), "\r\n", "\n")
		if strings.HasPrefix(p.Header.Get("Content-Type"), "text/html") {
			l.page = said
		} else {
			l.text = said
		}
	}
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
	return digest.Tick(ctx, h.db, at, log, o, public)
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
		t.Fatalf("before the hour: %v, %d letters", err, len(s.letters))
	}
	if err := h.tick(now, s.office("washer:p%40ss%20word@")); err != nil {
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
		if l.copies != 1 || !strings.HasPrefix(l.subject, "Monday 30 November 2026: ") || l.head.Get("From") != `"spindlebook" <spindlebook@wash.example>` || !strings.Contains(l.head.Get("To"), to) || l.head.Get("Bcc") != "" ||
			l.head.Get("List-Unsubscribe") != "<"+public("/account/letters")+">" || l.head.Get("Auto-Submitted") != "auto-generated" || !strings.HasPrefix(l.head.Get("Message-Id"), "<20261130.") {
			t.Errorf("%s: %d copies of %q %v", to, l.copies, l.subject, l.head)
		}
		for _, said := range []string{l.text, strings.ReplaceAll(l.page, "&#43;", "+")} {
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
		if strings.Contains(l.page, "<script") || strings.Contains(l.text, "\nBcc") {
			t.Errorf("%s: what somebody typed is markup: %s", to, l.page)
		}
	}
	// the same day says nothing twice; the next day does
	for _, later := range []time.Duration{time.Minute, time.Hour, 10 * time.Hour} {
		if err := h.tick(now.Add(later), s.office("")); err != nil || len(s.all()["marta@wash.example"].subject) == 0 || s.all()["marta@wash.example"].copies != 1 {
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
	if len(s.letters) != 3 {
		t.Errorf("%d letters: %s", len(s.letters), h.states())
	}
}

// A mail server that is away is tried again later, a few times, and then no more that day.
func TestWhatIsNotTakenIsTriedAgain(t *testing.T) {
	t.Parallel()
	h, s := newHouse(t), newServer(t)
	h.press()
	s.refuse = true
	if err := h.tick(now, s.office("")); err == nil || !strings.Contains(err.Error(), "451") {
		t.Fatalf("refused: %v", err)
	}
	if got := h.states(); !strings.Contains(got, "Marta 2026-11-30 failed 1") || !strings.Contains(got, "Theo 2026-11-30 nothing 1") {
		t.Errorf("the days: %s", got)
	}
	s.refuse = false
	if err := h.tick(now.Add(time.Minute), s.office("")); err != nil || len(s.letters) != 0 {
		t.Errorf("a minute later: %v, %d", err, len(s.letters))
	}
	if err := h.tick(now.Add(16*time.Minute), s.office("")); err != nil || len(s.letters) != 3 {
		t.Errorf("a quarter of an hour later: %v, %d", err, len(s.letters))
	}
	// one that ended between claiming and sending
	if err := h.db.InTx(ctx, sys.ID, func(tx *gorm.DB) error {
		return tx.Exec(`update digest_day set state = 'claimed', tries = 4 where actor_id = ?`, h.marta.ID).Error
	}); err != nil {
		t.Fatal(err)
	}
	s.refuse = true
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
	s.refuse = false
	if err := h.tick(now.AddDate(0, 0, 2), wrong); err == nil {
		t.Error("a wrong password is let in")
	}
}

func TestPreferencesAreOnesOwn(t *testing.T) {
	t.Parallel()
	h := newHouse(t)
	p, err := access.PreferenceOf(ctx, h.db, h.al)
	if err != nil || p != (access.Preference{Email: "al@wash.example", DigestHour: 6, Zone: "America/Chicago"}) {
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
	} {
		err := h.db.InTx(ctx, h.al.ID, func(tx *gorm.DB) error { _, err := access.SetPreference(tx, h.al, bad); return err })
		if err == nil || !strings.Contains(err.Error(), field) {
			t.Errorf("%s: %v", field, err)
		}
	}
	for _, bad := range []access.Preference{{Digest: true, Zone: "UTC"}, {Email: "Al <al@wash.example>", Zone: "UTC"}, {Email: "a@b\r\nBcc: c@d", Zone: "UTC"}, {Zone: "Local"}, {Zone: ""}, {DigestHour: -1, Zone: "UTC"}} {
		if err := h.db.InTx(ctx, h.al.ID, func(tx *gorm.DB) error { _, err := access.SetPreference(tx, h.al, bad); return err }); err == nil {
			t.Errorf("%+v is taken", bad)
		}
	}
}

func TestWhereTheMailServerIs(t *testing.T) {
	t.Parallel()
	for _, bad := range []string{"", "mail.example", "http://mail.example", "smtp://", "smtp://mail.example/path", "smtp://mail.example:0", "smtp://mail.example?x=1", "smtp://mail.example:99999"} {
		if _, err := post.Open(bad, "a@wash.example"); err == nil {
			t.Errorf("%q is taken", bad)
		}
	}
	for _, good := range []string{"smtp://mail.example", "smtps://u:p@mail.example:465", "smtp://localhost:25"} {
		if _, err := post.Open(good, "spindlebook <a@wash.example>"); err != nil {
			t.Errorf("%q: %v", good, err)
		}
	}
	if _, err := post.Open("smtp://mail.example", "nobody"); err == nil {
		t.Error("a sender without an address is taken")
	}
	// a server elsewhere that offers no TLS gets no letter in the clear
	s := newServer(t)
	_, port, _ := net.SplitHostPort(s.address)
	elsewhere, err := post.Open("smtp://"+hostname()+":"+port, "a@wash.example")
	if err != nil {
		t.Fatal(err)
	}
	if err := elsewhere.Send(ctx, post.Letter{ID: "1@x", To: "b@wash.example", Subject: "s", Text: "t", HTML: "h", At: now}); err == nil || len(s.letters) != 0 {
		t.Errorf("in the clear: %v", err)
	}
}

// hostname is a name for this machine that is not known to be this machine.
func hostname() string { return "localhost.localdomain" }
