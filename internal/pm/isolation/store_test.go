package isolation_test

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/calendar"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgtest"
	"spindlebook/internal/pm/isolation"
	"spindlebook/internal/pm/visits"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

var (
	ctx = context.Background()
	now = time.Date(2025, 6, 10, 9, 0, 0, 0, time.UTC)
	sys = access.System
)

// world is a site with a pair of brushes behind one isolator, each with its own
// air valve, and the people who work there.
type world struct {
	db                                  *pgdb.DB
	customer                            assets.Customer
	site                                assets.Site
	left, right                         assets.Position
	e1, a1, a2                          assets.IsolationPoint
	tom, lidia, wilma, site1, site2, ow access.Actor
	elsewhere                           assets.IsolationPoint
}

func newWorld(t testing.TB) world {
	t.Helper()
	w := world{db: pgtest.New(t)}
	began := now.AddDate(-1, 0, 0)
	customer := func(code string) assets.Customer {
		return pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (assets.Customer, error) {
			return assets.AddCustomer(tx, sys, now, assets.CustomerEdit{Code: code, Name: code + " Washes"})
		})
	}
	site := func(code string, c assets.Customer) assets.Site {
		return pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (assets.Site, error) {
			return assets.AddSite(tx, sys, now, c.ID, &began, assets.SiteEdit{Code: code, Name: code + " Express", Zone: "America/Chicago", Currency: "USD", Climate: "snowbelt", Size: "medium", DriverSide: "left"})
		})
	}
	point := func(s assets.Site, code, energy string) assets.IsolationPoint {
		return pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (assets.IsolationPoint, error) {
			return assets.AddIsolationPoint(tx, sys, now, s.ID, code, energy, assets.IsolationEdit{Place: "beside the arch", Isolate: "turn it off", Prove: "try it", Restore: "slowly",
				Lockable: true, CheckedOn: "2025-01-10", CheckedBy: "Tom", ValidFrom: &began})
		})
	}
	w.customer = customer("HAD")
	w.site = site("UMB", w.customer)
	line := pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (assets.Line, error) {
		return assets.AddLine(tx, sys, now, w.site.ID, &began, assets.LineEdit{Code: "UMB-1"})
	})
	position := func(code, side string) assets.NewPosition {
		return assets.NewPosition{SiteID: w.site.ID, From: &began, PositionEdit: assets.PositionEdit{LineID: &line.ID, Code: code, Name: "Low side brush", Kind: "side_brush_low", LineSide: side}}
	}
	pair := pgtest.Done(t, w.db, sys, func(tx *gorm.DB) ([]assets.Position, error) {
		return assets.AddPositions(tx, sys, now, []assets.NewPosition{position("UMB-1/SBL-L", "left"), position("UMB-1/SBL-R", "right")})
	})
	w.left, w.right = pair[0], pair[1]
	w.e1, w.a1, w.a2 = point(w.site, "E1", "electrical"), point(w.site, "A1", "air"), point(w.site, "A2", "air")
	for _, c := range []struct {
		p      assets.Position
		points []uuid.UUID
	}{{w.left, []uuid.UUID{w.e1.ID, w.a1.ID}}, {w.right, []uuid.UUID{w.e1.ID, w.a2.ID}}} {
		pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (bool, error) {
			_, _, err := assets.SetIsolation(tx, sys, now, c.p.ID, c.p.Version, c.points)
			return true, err
		})
	}
	other := customer("OST")
	w.elsewhere = point(site("OST", other), "E1", "electrical")
	person := func(login string, g access.NewGrant) access.Actor {
		a := pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (access.Account, error) {
			return access.AddPerson(tx, sys, now, access.NewPerson{Name: login, Login: login + "@wash.example", CustomerID: g.CustomerID, Grants: []access.NewGrant{g}})
		})
		who, _, err := access.Load(ctx, w.db, a.ID)
		if err != nil {
			t.Fatal(err)
		}
		return who
	}
	w.tom, w.lidia, w.wilma = person("Tom", access.NewGrant{Role: "technician"}), person("Lidia", access.NewGrant{Role: "technician"}), person("Wilma", access.NewGrant{Role: "manager"})
	w.site1 = person("Pat", access.NewGrant{Role: "site_staff", CustomerID: &w.customer.ID})
	w.site2 = person("Kim", access.NewGrant{Role: "site_staff", CustomerID: &other.ID})
	w.ow = person("Olga", access.NewGrant{Role: "owner", CustomerID: &w.customer.ID})
	return w
}

// says writes what somebody declares about a point, a minute apart and before now.
func says(point assets.IsolationPoint, lock uuid.UUID, acts ...isolation.Act) []isolation.NewEntry {
	all := make([]isolation.NewEntry, len(acts))
	for i, a := range acts {
		all[i] = isolation.NewEntry{ID: uuid.New(), PointID: point.ID, PointVersion: 1, Act: a, DoneAt: now.Add(time.Duration(i-60) * time.Minute)}
		if a.OfALock() {
			all[i].LockID = &lock
		}
		if a == isolation.Proved {
			all[i].How, all[i].Instrument = "start tried, 0 V", "tester 3, tried on a live source before and after"
		}
	}
	return all
}

var controlled = []isolation.Act{isolation.Prepared, isolation.Told, isolation.ShutDown, isolation.Isolated, isolation.Locked, isolation.Relieved, isolation.Proved}

func (w world) take(who access.Actor, in ...isolation.NewEntry) ([]isolation.Taken, error) {
	return pgtest.Write(w.db, who, func(tx *gorm.DB) ([]isolation.Taken, error) { return isolation.Take(tx, who, now, in) })
}

func (w world) mustTake(t testing.TB, who access.Actor, want string, in ...isolation.NewEntry) []isolation.Taken {
	t.Helper()
	all, err := w.take(who, in...)
	if err != nil {
		t.Fatal(err)
	}
	states := []string{}
	for _, a := range all {
		if len(states) == 0 || states[len(states)-1] != a.State {
			states = append(states, a.State)
		}
	}
	if got := strings.Join(states, " "); got != want {
		for _, a := range all {
			t.Log(a.State, a.Fault)
		}
		t.Errorf("it was %s, want %s", got, want)
	}
	return all
}

func (w world) at(t testing.TB, point assets.IsolationPoint) isolation.PointNow {
	t.Helper()
	p, err := isolation.AtPoint(ctx, w.db, sys, now, point.ID)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func (w world) open(t testing.TB, who access.Actor) (found []string) {
	t.Helper()
	all, err := isolation.OpenLocks(ctx, w.db, who, now, nil, isolation.Page{Limit: 50})
	if err != nil {
		t.Fatal(err)
	}
	for _, l := range all {
		found = append(found, l.Site+" "+l.Point+" "+l.Person)
	}
	return found
}

func TestASharedPointIsLockedForEveryPositionBehindIt(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.mustTake(t, w.tom, "kept", says(w.e1, uuid.New(), controlled...)...)
	for _, p := range []assets.Position{w.left, w.right} {
		all, err := isolation.AtPosition(ctx, w.db, w.tom, now, p.ID)
		if err != nil || len(all) != 2 {
			t.Fatal(all, err)
		}
		// electricity and air are separate: the air stands as nobody has declared it
		for _, x := range all {
			if want := map[string]isolation.Stage{"electrical": isolation.Proven, "air": isolation.InService}[x.Energy]; x.Stage != want {
				t.Errorf("%s of %s stands %q", x.Code, p.Code, x.Stage)
			}
		}
		e := all[slices.IndexFunc(all, func(p isolation.PointNow) bool { return p.Code == "E1" })]
		if shared := e.Cautions[2]; !strings.Contains(shared, w.left.Code) || !strings.Contains(shared, w.right.Code) || len(e.Locks) != 1 || e.Locks[0].Owner.Name != "Tom" {
			t.Errorf("of %s: %+v", p.Code, e)
		}
	}
}

func TestEntriesAreTakenOnceInAnyOrderAndLate(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	lock := uuid.New()
	all := says(w.e1, lock, controlled...)
	// the end before the beginning, in pieces, and again
	w.mustTake(t, w.tom, "kept", all[4:]...)
	if p := w.at(t, w.e1); p.Stage != isolation.Isolating || len(p.Marks) == 0 {
		t.Errorf("of the end alone it stands %q with %v", p.Stage, p.Marks)
	}
	w.mustTake(t, w.tom, "kept already", append(slices.Clone(all[:4]), all[5])...)
	w.mustTake(t, w.tom, "already", all...)
	if p := w.at(t, w.e1); p.Stage != isolation.Proven || len(p.Marks) != 0 {
		t.Errorf("of all it stands %q with %v", p.Stage, p.Marks)
	}
	// the same id for something else is told, and nothing is changed
	other := all[0]
	other.Act = isolation.Told
	taken := w.mustTake(t, w.tom, "refused", other)
	pgtest.Refused(t, "an id used again", taken[0].Fault, fault.Conflict, "items[0].id")
	// where the server stamps the time, the same comes with another
	stamped := says(w.a1, uuid.New(), isolation.Proved)
	stamped[0].Stamped, stamped[0].DoneAt = true, now.Add(-time.Minute)
	w.mustTake(t, w.tom, "kept", stamped...)
	stamped[0].DoneAt = now
	w.mustTake(t, w.tom, "already", stamped...)
	stamped[0].How = "pushed the button"
	w.mustTake(t, w.tom, "refused", stamped...)
	// of a lock it counts as well which, whose, until when, to whom and by which rule
	until := now.Add(8 * time.Hour)
	left := says(w.a2, uuid.New(), isolation.LeftOn)[0]
	left.Until, left.HandedTo, left.Anothers.Tried = &until, "Lidia", "rang"
	w.mustTake(t, w.tom, "kept", left)
	elsewhere := until.In(time.FixedZone("", -5*3600))
	left.Until = &elsewhere
	w.mustTake(t, w.tom, "already", left)
	for what, change := range map[string]func(e *isolation.NewEntry){
		"another lock":   func(e *isolation.NewEntry) { id := uuid.New(); e.LockID = &id },
		"another person": func(e *isolation.NewEntry) { e.For = "Sam" },
		"another end":    func(e *isolation.NewEntry) { later := until.Add(time.Hour); e.Until = &later },
		"another hand":   func(e *isolation.NewEntry) { e.HandedTo = "Ruben" },
		"another try":    func(e *isolation.NewEntry) { e.Anothers.Tried = "rang twice" },
	} {
		in := left
		change(&in)
		pgtest.Refused(t, what, w.mustTake(t, w.tom, "refused", in)[0].Fault, fault.Conflict, "items[0].id")
	}
	pgtest.Refused(t, "another sender", w.mustTake(t, w.lidia, "refused", left)[0].Fault, fault.Conflict, "items[0].id")
	ahead := says(w.a1, uuid.New(), isolation.Told)[0]
	ahead.DoneAt = now.Add(time.Hour) // by a clock that runs ahead; later it does not look so
	w.mustTake(t, w.tom, "kept", ahead)
	taken, err := pgtest.Write(w.db, w.tom, func(tx *gorm.DB) ([]isolation.Taken, error) {
		return isolation.Take(tx, w.tom, now.Add(2*time.Hour), []isolation.NewEntry{ahead})
	})
	if err != nil || taken[0].State != "already" {
		t.Errorf("sent again later: %+v, %v", taken, err)
	}
	twice := says(w.a1, uuid.New(), isolation.Prepared)
	w.mustTake(t, w.tom, "kept already", twice[0], twice[0])
	// a lock whose end came before its beginning
	lock2 := uuid.New()
	off := says(w.a2, lock2, isolation.Unlocked)
	w.mustTake(t, w.lidia, "kept", off...)
	on := says(w.a2, lock2, isolation.Locked)
	on[0].DoneAt = off[0].DoneAt.Add(-time.Minute)
	w.mustTake(t, w.lidia, "kept", on...)
	if got := w.open(t, sys); !slices.Equal(got, []string{"UMB E1 Tom"}) {
		t.Errorf("open are %v", got)
	}
	history, err := isolation.Entries(ctx, w.db, w.tom, w.e1.ID, isolation.Page{Limit: 3})
	if err != nil || len(history) != 3 || history[0].Act != isolation.Proved || history[0].Instrument == "" {
		t.Fatalf("happened %+v, %v", history, err)
	}
	more, err := isolation.Entries(ctx, w.db, w.tom, w.e1.ID, isolation.Page{Limit: 50, After: history[2].ID.String()})
	if err != nil || len(more) != 4 || more[3].Act != isolation.Prepared {
		t.Errorf("before that %+v, %v", more, err)
	}
	_, err = isolation.Entries(ctx, w.db, w.tom, w.e1.ID, isolation.Page{Limit: 50, After: "x"})
	pgtest.Refused(t, "no key", err, fault.Invalid, "after")
}

func TestAPhonesClockIsSetRight(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	slow, fast := 2*time.Hour, -2*time.Hour
	in := says(w.e1, uuid.New(), isolation.Prepared, isolation.Told, isolation.ShutDown)
	in[0].DoneAt, in[0].Offset = now.Add(-150*time.Minute), &slow
	in[1].DoneAt, in[1].Offset = now.Add(100*time.Minute), &fast
	in[2].DoneAt = now.Add(3 * time.Hour) // ahead, and nobody knows by how much
	w.mustTake(t, w.tom, "kept", in...)
	all, err := isolation.Entries(ctx, w.db, w.tom, w.e1.ID, isolation.Page{Limit: 9})
	if err != nil || len(all) != 3 {
		t.Fatal(all, err)
	}
	for i, want := range []time.Duration{0, -20 * time.Minute, -30 * time.Minute} {
		if got := all[i].At.Sub(now); got != want {
			t.Errorf("%s was done at %v, want %v", all[i].Act, got, want)
		}
	}
	if p := w.at(t, w.e1); len(p.Marks) != 1 || p.Marks[0].Code != "clock" || p.Marks[0].EntryID != in[2].ID {
		t.Errorf("marked are %v", p.Marks)
	}
}

func TestAnothersLockComesOffOnlyWithTheThreeConfirmations(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	lock := uuid.New()
	w.mustTake(t, w.tom, "kept", says(w.e1, lock, controlled...)...)
	end := says(w.e1, lock, isolation.Inspected, isolation.Clear, isolation.Unlocked)
	for i := range end {
		end[i].DoneAt = now.Add(time.Duration(i-10) * time.Minute)
	}
	w.mustTake(t, w.lidia, "kept refused", end...)
	whole := isolation.AnothersLock{NotHere: "asked the site manager", Tried: "called twice", Knows: "note on the van, call before seven"}
	for what, sure := range map[string]isolation.AnothersLock{
		"(e)(3)(i)": {Tried: whole.Tried, Knows: whole.Knows}, "(e)(3)(ii)": {NotHere: whole.NotHere, Knows: whole.Knows}, "(e)(3)(iii)": {NotHere: whole.NotHere, Tried: whole.Tried, Knows: " "},
	} {
		in := end[2]
		in.Anothers = sure
		taken := w.mustTake(t, w.lidia, "refused", in)
		pgtest.Refused(t, "without "+what, taken[0].Fault, fault.Invalid, "items[0].anothers_lock")
	}
	if got := w.open(t, sys); len(got) != 1 {
		t.Fatalf("open are %v", got)
	}
	in := end[2]
	in.Anothers = whole
	w.mustTake(t, w.lidia, "kept", in)
	if got := w.open(t, sys); len(got) != 0 {
		t.Errorf("open are %v", got)
	}
	p := w.at(t, w.e1)
	if len(p.Marks) != 1 || p.Marks[0].Code != "anothers_lock" || len(p.Looked) != 0 {
		t.Fatalf("marked are %+v", p.Marks)
	}
	// a manager looks
	look := func(who access.Actor, in ...isolation.NewLook) error {
		return w.db.InTx(ctx, who.ID, func(tx *gorm.DB) error { return isolation.LookInto(tx, who, now, in) })
	}
	seen := isolation.NewLook{EntryID: in.ID, Mark: "anothers_lock", Remark: "Tom was on the way to the next site and knows"}
	pgtest.Refused(t, "a technician looks", look(w.tom, seen), fault.Forbidden, "")
	pgtest.Refused(t, "without a word", look(w.wilma, isolation.NewLook{EntryID: in.ID, Mark: "anothers_lock"}), fault.Invalid, "items[0].remark")
	pgtest.Refused(t, "at nothing", look(w.wilma, isolation.NewLook{EntryID: uuid.New(), Mark: "order", Remark: "x"}), fault.NotFound, "items[0].entry_id")
	for range 2 { // again is no harm
		if err := look(w.wilma, seen); err != nil {
			t.Fatal(err)
		}
	}
	if p = w.at(t, w.e1); len(p.Looked) != 1 || p.Looked[0].LookedBy != "Wilma" || p.Looked[0].Remark != seen.Remark {
		t.Errorf("looked at %+v", p.Looked)
	}
	// somebody without an account, for whom Tom speaks: Tom may speak of the end as well, Lidia not
	sams := uuid.New()
	on := says(w.a1, sams, isolation.Locked, isolation.Unlocked)
	on[0].For, on[1].For = "Sam", "Sam"
	w.mustTake(t, w.tom, "kept", on[0])
	taken := w.mustTake(t, w.lidia, "refused", on[1])
	pgtest.Refused(t, "Lidia for Sam", taken[0].Fault, fault.Invalid, "items[0].anothers_lock")
	w.mustTake(t, w.tom, "kept", on[1])
	// put on and taken off by another in one request
	both := says(w.a2, uuid.New(), isolation.Locked, isolation.Unlocked)
	both[1].For = "Sam"
	w.mustTake(t, w.tom, "kept refused", both...)
}

func TestOpenLocksOutliveTheirVisit(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	until := now.Add(-time.Minute)
	visit := pgtest.Done(t, w.db, sys, func(tx *gorm.DB) (uuid.UUID, error) {
		return visits.Add(tx, sys, now, visits.New{SiteID: w.site.ID, Hours: visits.Hours{On: calendar.DateOf(now), Starts: "06:00", Minutes: 240}})
	})
	nowhere, none := says(w.a1, uuid.New(), isolation.Locked), uuid.New()
	nowhere[0].VisitID = &none
	pgtest.Refused(t, "on no visit", w.mustTake(t, w.tom, "refused", nowhere...)[0].Fault, fault.Invalid, "items[0].visit_id")
	in := says(w.e1, uuid.New(), append(slices.Clone(controlled), isolation.LeftOn)...)
	for i := range in {
		in[i].VisitID = &visit
	}
	in[7].Until, in[7].HandedTo = &until, "Lidia"
	w.mustTake(t, w.tom, "kept", in...)
	w.mustTake(t, w.lidia, "kept", says(w.a2, uuid.New(), isolation.Locked)...)
	w.mustTake(t, w.tom, "kept", says(w.elsewhere, uuid.New(), isolation.Locked)...)
	all, err := isolation.OpenLocks(ctx, w.db, w.wilma, now.AddDate(0, 0, 30), &w.site.ID, isolation.Page{Limit: 1})
	if err != nil || len(all) != 1 {
		t.Fatal(all, err)
	}
	next, err := isolation.OpenLocks(ctx, w.db, w.wilma, now, &w.site.ID, isolation.Page{Limit: 9, After: all[0].ID.String()})
	if err != nil || len(next) != 1 || next[0].ID == all[0].ID {
		t.Fatal(next, err)
	}
	both := append(all, next...)
	i := slices.IndexFunc(both, func(l isolation.OpenLock) bool { return l.Point == "E1" })
	if l := both[i]; *l.VisitID != visit || l.HandedTo != "Lidia" || !l.LeftUntil.Equal(until) || !l.Overdue(now) || len(l.Positions) != 2 || l.Place != "beside the arch" || l.SiteName != "UMB Express" {
		t.Errorf("on the board stands %+v", l)
	}
	if both[1-i].Overdue(now) {
		t.Error("a lock that nobody left is overdue")
	}
	if got := w.open(t, sys); len(got) != 3 {
		t.Errorf("open are %v", got)
	}
	// the site's own people see theirs and no others; their hands work too
	for _, who := range []access.Actor{w.site1, w.ow} {
		if got := w.open(t, who); len(got) != 2 || strings.Contains(strings.Join(got, ";"), "OST") {
			t.Errorf("%s sees %v", who.Name, got)
		}
	}
	_, err = isolation.OpenLocks(ctx, w.db, w.site2, now, &w.site.ID, isolation.Page{Limit: 9})
	pgtest.Refused(t, "another's site", err, fault.NotFound, "")
	_, err = isolation.OpenLocks(ctx, w.db, w.wilma, now, nil, isolation.Page{Limit: 9, After: "7"})
	pgtest.Refused(t, "no key", err, fault.Invalid, "after")
}

// What every exported function that reads or writes gives to whom.
func TestOthersSeeAndWriteNothing(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.mustTake(t, w.tom, "kept", says(w.e1, uuid.New(), controlled...)...)
	// site staff declare at their own site only
	w.mustTake(t, w.site1, "kept", says(w.a1, uuid.New(), isolation.Prepared, isolation.Told, isolation.ShutDown, isolation.Isolated, isolation.Locked)...)
	taken := w.mustTake(t, w.site2, "refused", says(w.a1, uuid.New(), isolation.Prepared)...)
	pgtest.Refused(t, "at another's site", taken[0].Fault, fault.NotFound, "items[0].point_id")
	_, err := w.take(w.ow, says(w.a1, uuid.New(), isolation.Prepared)...)
	pgtest.Refused(t, "an owner", err, fault.Forbidden, "")
	pretender := w.site2
	pretender.Everywhere = true
	_, err = w.take(pretender, says(w.a1, uuid.New(), isolation.Prepared)...)
	if kind := fault.KindOf(err); err != nil && kind != fault.Forbidden {
		t.Errorf("past the query: %v", err)
	}
	if all, err := isolation.Entries(ctx, w.db, sys, w.a1.ID, isolation.Page{Limit: 9}); err != nil || len(all) != 5 {
		t.Errorf("past the query something was written: %v, %v", all, err)
	}
	for name, read := range map[string]func(who access.Actor) error{
		"AtPosition": func(who access.Actor) error {
			_, err := isolation.AtPosition(ctx, w.db, who, now, w.left.ID)
			return err
		},
		"AtPoint": func(who access.Actor) error {
			_, err := isolation.AtPoint(ctx, w.db, who, now, w.e1.ID)
			return err
		},
		"Entries": func(who access.Actor) error {
			_, err := isolation.Entries(ctx, w.db, who, w.e1.ID, isolation.Page{Limit: 1})
			return err
		},
		"OpenLocks": func(who access.Actor) error {
			_, err := isolation.OpenLocks(ctx, w.db, who, now, &w.site.ID, isolation.Page{Limit: 1})
			return err
		},
	} {
		pgtest.Refused(t, name, read(w.site2), fault.NotFound, "")
		for _, who := range []access.Actor{w.site1, w.ow, w.tom} {
			if err := read(who); err != nil {
				t.Errorf("%s as %s: %v", name, who.Name, err)
			}
		}
	}
	past, err := isolation.FollowedNow(ctx, w.db, pretender, []uuid.UUID{w.e1.ID}, now)
	if err != nil || len(past) != 0 {
		t.Errorf("past the query: %v, %v", past, err)
	}
	if looks, err := isolation.LooksAt(ctx, w.db, pretender, []uuid.UUID{uuid.New()}); err != nil || len(looks) != 0 {
		t.Errorf("past the query: %v, %v", looks, err)
	}
}

func TestWhatSaysNothingIsRefusedByItself(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	lock, far := uuid.New(), 500*24*time.Hour
	for field, change := range map[string]func(e *isolation.NewEntry){
		"id":         func(e *isolation.NewEntry) { e.ID = uuid.Nil },
		"act":        func(e *isolation.NewEntry) { e.Act = "danced" },
		"point_id":   func(e *isolation.NewEntry) { e.PointID = uuid.New() },
		"lock_id":    func(e *isolation.NewEntry) { e.LockID = &lock },
		"done_at":    func(e *isolation.NewEntry) { e.DoneAt = time.Time{} },
		"how":        func(e *isolation.NewEntry) { e.Act, e.Instrument = isolation.Proved, "tester" },
		"instrument": func(e *isolation.NewEntry) { e.Act, e.How = isolation.Proved, "tried" },
		"until":      func(e *isolation.NewEntry) { e.Act, e.LockID = isolation.LeftOn, &lock },
		"offset_ms":  func(e *isolation.NewEntry) { e.Offset = &far },
	} {
		in := says(w.e1, uuid.New(), isolation.Prepared, isolation.Told, isolation.ShutDown)
		change(&in[1])
		taken := w.mustTake(t, w.tom, "kept refused kept", in...)
		if taken[1].Fault.Field != "items[1]."+field || taken[1].Fault.Msg == "" {
			t.Errorf("%s: %v", field, taken[1].Fault)
		}
	}
	in := make([]isolation.NewEntry, isolation.MostEntries+1)
	_, err := w.take(w.tom, in...)
	pgtest.Refused(t, "too many", err, fault.Invalid, "items")
	if all, err := w.take(w.tom); err != nil || len(all) != 0 {
		t.Errorf("of none: %v, %v", all, err)
	}
}

// Several phones at once: every entry is there, and the locks are those that they give.
func TestPhonesAtOnceLoseNothing(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	lock := uuid.New()
	parts := [][]isolation.NewEntry{
		says(w.e1, lock, controlled...),
		says(w.e1, lock, isolation.Locked, isolation.Unlocked),
		says(w.e1, uuid.New(), isolation.Locked),
	}
	parts[1][0].DoneAt = now.Add(-58 * time.Minute)
	parts[1][1].DoneAt = now.Add(-5 * time.Minute)
	var all sync.WaitGroup
	faults := make(chan error, 12)
	for i := range 12 {
		all.Go(func() {
			_, err := w.take(w.tom, parts[i%3]...)
			faults <- err
		})
	}
	all.Wait()
	close(faults)
	for err := range faults {
		if err != nil {
			t.Error(err)
		}
	}
	got, err := isolation.Entries(ctx, w.db, sys, w.e1.ID, isolation.Page{Limit: 50})
	if err != nil || len(got) != 10 {
		t.Errorf("of 10 entries %d are there, %v", len(got), err)
	}
	if open := w.open(t, sys); fmt.Sprint(open) != "[UMB E1 Tom]" {
		t.Errorf("open are %v", open)
	}
}

// What is followed begins where a point was last given back, and never after a lock that is on.
func TestAnOldLockIsNotForgotten(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	old := says(w.e1, uuid.New(), controlled...)
	mistaken := says(w.e1, uuid.New(), isolation.Restored)
	for i := range old {
		old[i].DoneAt = now.AddDate(0, -2, 0).Add(time.Duration(i) * time.Minute)
	}
	mistaken[0].DoneAt = now.AddDate(0, -1, 0)
	w.mustTake(t, w.tom, "kept", append(old, mistaken...)...)
	if p := w.at(t, w.e1); len(p.Locks) != 1 || p.Stage != isolation.Proven || len(p.Marks) != 1 || p.Marks[0].Code != "locks_on" {
		t.Errorf("it stands %+v", p.Point)
	}
	// once it is given back, the next isolation is followed by itself
	end := says(w.e1, *old[4].LockID, isolation.Inspected, isolation.Clear, isolation.Unlocked, isolation.ToldAfter, isolation.Restored)
	w.mustTake(t, w.tom, "kept", end...)
	got, err := pgtest.Write(w.db, w.tom, func(tx *gorm.DB) (map[uuid.UUID]isolation.Point, error) {
		return isolation.Followed(tx, []uuid.UUID{w.e1.ID, w.a1.ID}, now)
	})
	if p := w.at(t, w.e1); err != nil || len(got) != 0 || p.Stage != isolation.InService || len(p.Marks) != 0 {
		t.Errorf("it stands %+v, %v", got, err)
	}
	looks, err := pgtest.Write(w.db, w.tom, func(tx *gorm.DB) ([]isolation.Look, error) {
		return isolation.LooksInTx(tx, []uuid.UUID{mistaken[0].ID})
	})
	if err != nil || len(looks) != 0 {
		t.Errorf("looked at %v, %v", looks, err)
	}
}
