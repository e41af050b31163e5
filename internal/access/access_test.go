package access_test

import (
	"context"
	"fmt"
	"reflect"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgtest"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

var (
	ctx = context.Background()
	now = time.Date(2025, 6, 10, 9, 0, 0, 0, time.UTC)
)

// addPerson adds somebody who has not chosen a password yet.
func addPerson(t testing.TB, db *pgdb.DB, login string, grants ...access.NewGrant) access.Account {
	t.Helper()
	return pgtest.Done(t, db, access.System, func(tx *gorm.DB) (access.Account, error) {
		return access.AddPerson(tx, access.System, now, access.NewPerson{Name: "Person " + login, Login: login, Grants: grants})
	})
}

// The password that the people of the tests have, and a hash of it that takes
// no time to check: made by the reference implementation of Argon2, Debian
// package argon2 0~20171227: argon2 sixteen-byte-slt -id -t 1 -k 64 -p 1 -l 32 -e
const (
	password  = "four plain words here"
	cheapHash = "$argon2id$v=19$m=64,t=1,p=1$c2l4dGVlbi1ieXRlLXNsdA$I88VMoS8Hyi1U9QyZJquWRO0Q0kQoMxhTsH/hbssm7A"
)

// letIn gives a person the password.
func letIn(t testing.TB, db *pgdb.DB, id uuid.UUID) {
	t.Helper()
	err := db.InTx(ctx, access.System.ID, func(tx *gorm.DB) error {
		return tx.Exec(`insert into credential (actor_id, password_hash, changed_at) values (?, ?, ?)`, id, cheapHash, now).Error
	})
	if err != nil {
		t.Fatal(err)
	}
}

// addManager adds a manager who can sign in, and gives them with their rights.
func addManager(t testing.TB, db *pgdb.DB, login string) (access.Actor, access.Account) {
	t.Helper()
	a := addPerson(t, db, login, access.NewGrant{Role: "manager"})
	letIn(t, db, a.ID)
	return load(t, db, a.ID), a
}

func load(t testing.TB, db *pgdb.DB, id uuid.UUID) access.Actor {
	t.Helper()
	who, _, err := access.Load(ctx, db, id)
	if err != nil {
		t.Fatal(err)
	}
	return who
}

func account(t testing.TB, db *pgdb.DB, id uuid.UUID) access.Account {
	t.Helper()
	a, err := access.OneAccount(ctx, db, access.System, id)
	if err != nil {
		t.Fatal(err)
	}
	return a
}

func addCustomer(t testing.TB, db *pgdb.DB, code string) uuid.UUID {
	t.Helper()
	return pgtest.Done(t, db, access.System, func(tx *gorm.DB) (assets.Customer, error) {
		return assets.AddCustomer(tx, access.System, now, assets.CustomerEdit{Code: code, Name: code})
	}).ID
}

func addSite(t testing.TB, db *pgdb.DB, code string, customer uuid.UUID) uuid.UUID {
	t.Helper()
	return pgtest.Done(t, db, access.System, func(tx *gorm.DB) (assets.Site, error) {
		return assets.AddSite(tx, access.System, now, customer, nil, assets.SiteEdit{Code: code, Name: code, Zone: "America/Chicago",
			Currency: "USD", Climate: "snowbelt", Size: "medium", DriverSide: "left"})
	}).ID
}

func TestCapabilitiesAreThoseOfTheTable(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	constants := []access.Capability{access.SeeInternal, access.SeePrice, access.SeeCost, access.KeepRegister, access.KeepCatalogue, access.RecordWork, access.ReadCounters,
		access.ExplainReadings, access.ReportFault, access.DoRounds, access.Plan, access.MoveStock, access.Approve, access.Administer}
	slices.Sort(constants)
	meanings, err := access.Meanings(ctx, db, access.System)
	if err != nil {
		t.Fatal(err)
	}
	var table []access.Capability
	for _, m := range meanings {
		table = append(table, m.Code)
		if m.Meaning == "" {
			t.Errorf("%s has no meaning", m.Code)
		}
	}
	system := slices.Sorted(slices.Values(access.System.Capabilities))
	if !slices.Equal(constants, table) || !slices.Equal(system, table) {
		t.Errorf("the constants are\n%v, the table has\n%v, and the system may\n%v", constants, table, system)
	}
	// what the program assumes of itself is what the database grants it
	who := load(t, db, access.System.ID)
	if who.Kind != "system" || !who.Everywhere || !slices.Equal(who.Capabilities, table) || who.Name != access.System.Name {
		t.Errorf("the system is loaded as %+v", who)
	}
}

func TestWhatEachRoleMay(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	roles, err := access.Roles(ctx, db, access.System)
	if err != nil {
		t.Fatal(err)
	}
	got := map[string]string{}
	for _, r := range roles {
		got[r.Code] = r.Scope + ": " + strings.Join(r.Capabilities, " ")
	}
	// domain: an owner never sees cost nor what is internal, site staff see no prices, a gateway only posts
	want := map[string]string{
		"manager":     "distributor: administer approve do_rounds explain_readings keep_catalogue keep_register move_stock plan read_counters record_work report_fault see_cost see_internal see_price",
		"parts_clerk": "distributor: keep_catalogue move_stock see_cost see_internal see_price",
		"technician":  "distributor: do_rounds explain_readings move_stock read_counters record_work report_fault see_internal",
		"owner":       "customer: approve explain_readings read_counters report_fault see_price",
		"site_staff":  "customer: do_rounds explain_readings read_counters report_fault",
		"gateway":     "site: read_counters",
	}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("the roles are\n%v, want\n%v", got, want)
	}
}

func TestScopesReachAsFarAsTheyShould(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	had, kes := addCustomer(t, db, "HAD"), addCustomer(t, db, "KES")
	h1, h2, k1 := addSite(t, db, "H1", had), addSite(t, db, "H2", had), addSite(t, db, "K1", kes)
	ends := time.Now().Add(time.Hour)
	over := now.Add(time.Hour) // in the future when it was given, and long past now
	for name, c := range map[string]struct {
		grants     []access.NewGrant
		everywhere bool
		sites      []uuid.UUID
		customers  []uuid.UUID
		may        []access.Capability
		not        []access.Capability
	}{
		"nobody":       {nil, false, nil, nil, nil, []access.Capability{access.ReportFault, access.SeePrice, access.Administer}},
		"technician":   {[]access.NewGrant{{Role: "technician"}}, true, nil, nil, []access.Capability{access.RecordWork}, []access.Capability{access.KeepRegister, access.SeePrice}},
		"owner":        {[]access.NewGrant{{Role: "owner", CustomerID: &had}}, false, []uuid.UUID{h1, h2}, []uuid.UUID{had}, []access.Capability{access.SeePrice}, []access.Capability{access.SeeCost, access.SeeInternal}},
		"of one site":  {[]access.NewGrant{{Role: "site_staff", CustomerID: &had, SiteID: &h2}}, false, []uuid.UUID{h2}, []uuid.UUID{had}, []access.Capability{access.ReportFault}, []access.Capability{access.SeePrice}},
		"of a foreign": {[]access.NewGrant{{Role: "owner", CustomerID: &had, SiteID: &k1}}, false, nil, []uuid.UUID{had}, nil, nil},
		"gateway":      {[]access.NewGrant{{Role: "gateway", SiteID: &k1}}, false, []uuid.UUID{k1}, nil, []access.Capability{access.ReadCounters}, []access.Capability{access.ReportFault}},
		"of two":       {[]access.NewGrant{{Role: "owner", CustomerID: &kes}, {Role: "site_staff", CustomerID: &had, SiteID: &h1}}, false, []uuid.UUID{h1, k1}, []uuid.UUID{had, kes}, nil, nil},
		"for a while":  {[]access.NewGrant{{Role: "technician", EndsAt: &ends}}, true, nil, nil, []access.Capability{access.RecordWork}, nil},
		"no longer":    {[]access.NewGrant{{Role: "manager", EndsAt: &over}, {Role: "owner", CustomerID: &had, EndsAt: &over}}, false, nil, nil, nil, []access.Capability{access.Administer, access.SeePrice}},
	} {
		id := addPerson(t, db, "login-"+strings.ReplaceAll(name, " ", "-"), c.grants...).ID
		who := load(t, db, id)
		if who.ID != id || who.Kind != "person" || who.Everywhere != c.everywhere || !sameIDs(who.Sites, c.sites) || !sameIDs(who.Customers, c.customers) {
			t.Errorf("%s: loaded as %+v", name, who)
		}
		for _, may := range c.may {
			if !who.May(may) || who.Must(may) != nil {
				t.Errorf("%s: may not %s", name, may)
			}
		}
		for _, not := range c.not {
			if who.May(not) {
				t.Errorf("%s: may %s", name, not)
			}
			if f := pgtest.Refused(t, name, who.Must(not), fault.Forbidden, ""); !strings.Contains(f.Msg, string(not)) {
				t.Errorf("%s: the fault %q does not name the right %s", name, f.Msg, not)
			}
		}
	}
	args := access.Actor{Everywhere: true, Sites: []uuid.UUID{h1}}.Scope(nil)
	if args["everywhere"] != true || !reflect.DeepEqual(args["sites"], []uuid.UUID{h1}) {
		t.Errorf("the scope is %v", args)
	}
}

func sameIDs(a, b []uuid.UUID) bool {
	text := func(all []uuid.UUID) (s []string) {
		for _, id := range all {
			s = append(s, id.String())
		}
		slices.Sort(s)
		return s
	}
	return slices.Equal(text(a), text(b))
}

func TestWhoIsUnknownOrShutOutIsNobody(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	_, _, err := access.Load(ctx, db, uuid.New())
	pgtest.Refused(t, "an unknown actor", err, fault.NoIdentity, "")
	a := addPerson(t, db, "wilma", access.NewGrant{Role: "technician"})
	who := load(t, db, a.ID)
	pgtest.Done(t, db, access.System, func(tx *gorm.DB) (access.Account, error) {
		return access.EditAccount(tx, access.System, now, a.ID, a.Version, a.Name, true)
	})
	_, _, err = access.Load(ctx, db, a.ID)
	pgtest.Refused(t, "a disabled actor", err, fault.NoIdentity, "")
	// and whoever still holds the rights they had once comes no further than the database
	type row struct{ Code string }
	addCustomer(t, db, "HAD")
	if got, err := pgdb.Read[row](ctx, db, who.ID, `select code from customer`, nil); err != nil || len(got) != 0 {
		t.Errorf("a disabled actor reads %v, %v", got, err)
	}
	db.Close()
	_, _, err = access.Load(ctx, db, a.ID)
	if err == nil || fault.KindOf(err) == fault.NoIdentity {
		t.Errorf("without a database: %v", err)
	}
}

func TestPeopleAreAddedWithTheirRoles(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	had := addCustomer(t, db, "HAD")
	h1 := addSite(t, db, "H1", had)
	ends := time.Now().Add(time.Hour).UTC().Truncate(time.Microsecond)
	a := pgtest.Done(t, db, access.System, func(tx *gorm.DB) (access.Account, error) {
		return access.AddPerson(tx, access.System, now, access.NewPerson{Name: " Orla Hadrelle ", Login: " Orla@Hadrelle.example ", CustomerID: &had,
			Grants: []access.NewGrant{{Role: "owner", CustomerID: &had}, {Role: "site_staff", CustomerID: &had, SiteID: &h1, EndsAt: &ends}}})
	})
	if a.Name != "Orla Hadrelle" || a.Login != "orla@hadrelle.example" || a.Kind != "person" || *a.CustomerID != had || a.HasPassword || a.Disabled ||
		a.Version != 1 || len(a.Grants) != 2 || a.Grants[0].Role != "owner" || a.Grants[0].EndsAt != nil || *a.Grants[1].SiteID != h1 || !a.Grants[1].EndsAt.Equal(ends) {
		t.Errorf("added %+v", a)
	}
	if got := account(t, db, a.ID); !reflect.DeepEqual(got.Grants, a.Grants) || got.Login != a.Login || *got.CustomerID != had {
		t.Errorf("read %+v", got)
	}
	letIn(t, db, a.ID)
	if !account(t, db, a.ID).HasPassword {
		t.Error("a person with a password is shown without")
	}
	if id, err := access.ByLogin(ctx, db, " ORLA@hadrelle.example"); err != nil || id != a.ID {
		t.Errorf("by name %v, %v", id, err)
	}
	_, err := access.ByLogin(ctx, db, "nobody")
	pgtest.Refused(t, "an unknown name", err, fault.NotFound, "")

	other, past := uuid.New(), now
	add := func(in access.NewPerson) error {
		_, err := pgtest.Write(db, access.System, func(tx *gorm.DB) (access.Account, error) { return access.AddPerson(tx, access.System, now, in) })
		return err
	}
	f := pgtest.Refused(t, "a name in use, written otherwise", add(access.NewPerson{Name: "X", Login: "ORLA@hadrelle.example"}), fault.Conflict, "login")
	if f.Existing == nil || f.Existing.ID != a.ID.String() || f.Existing.Code != a.Login || f.Existing.Kind != "person" {
		t.Errorf("the holder is given as %+v", f.Existing)
	}
	for what, c := range map[string]struct {
		in    access.NewPerson
		field string
	}{
		"no name":          {access.NewPerson{Name: " ", Login: "xxx"}, "name"},
		"a short login":    {access.NewPerson{Name: "X", Login: "ab"}, "login"},
		"a spaced login":   {access.NewPerson{Name: "X", Login: "ab cd"}, "login"},
		"a long login":     {access.NewPerson{Name: "X", Login: strings.Repeat("x", 255)}, "login"},
		"no such customer": {access.NewPerson{Name: "X", Login: "xxx", CustomerID: &other}, "customer_id"},
		"no such role":     {access.NewPerson{Name: "X", Login: "xxx", Grants: []access.NewGrant{{Role: "technician"}, {Role: "king"}}}, "grants[1].role"},
		"the system's":     {access.NewPerson{Name: "X", Login: "xxx", Grants: []access.NewGrant{{Role: "system"}}}, "grants[0].role"},
		"manager of one":   {access.NewPerson{Name: "X", Login: "xxx", Grants: []access.NewGrant{{Role: "manager", CustomerID: &had}}}, "grants[0].role"},
		"owner of what":    {access.NewPerson{Name: "X", Login: "xxx", Grants: []access.NewGrant{{Role: "owner"}}}, "grants[0].customer_id"},
		"owner of nobody":  {access.NewPerson{Name: "X", Login: "xxx", Grants: []access.NewGrant{{Role: "owner", CustomerID: &other}}}, "grants[0].customer_id"},
		"staff of nowhere": {access.NewPerson{Name: "X", Login: "xxx", Grants: []access.NewGrant{{Role: "site_staff", CustomerID: &had, SiteID: &other}}}, "grants[0].site_id"},
		"gateway of what":  {access.NewPerson{Name: "X", Login: "xxx", Grants: []access.NewGrant{{Role: "gateway"}}}, "grants[0].site_id"},
		"gateway of whom":  {access.NewPerson{Name: "X", Login: "xxx", Grants: []access.NewGrant{{Role: "gateway", SiteID: &h1, CustomerID: &had}}}, "grants[0].site_id"},
		"ended already":    {access.NewPerson{Name: "X", Login: "xxx", Grants: []access.NewGrant{{Role: "technician", EndsAt: &past}}}, "grants[0].ends_at"},
	} {
		pgtest.Refused(t, what, add(c.in), fault.Invalid, c.field)
	}
	if all, err := access.Accounts(ctx, db, access.System, access.Page{Limit: 10}); err != nil || len(all) != 1 {
		t.Errorf("of those refused something stayed: %d accounts, %v", len(all), err)
	}
}

func TestRolesAreGivenAndEnded(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	manager, _ := addManager(t, db, "wilma")
	a := addPerson(t, db, "tom")
	given := pgtest.Done(t, db, manager, func(tx *gorm.DB) (access.Account, error) {
		return access.GiveRole(tx, manager, now, a.ID, access.NewGrant{Role: "technician"})
	})
	if len(given.Grants) != 1 || !load(t, db, a.ID).May(access.RecordWork) {
		t.Errorf("given %+v", given.Grants)
	}
	end := func() (access.Account, error) {
		return pgtest.Write(db, manager, func(tx *gorm.DB) (access.Account, error) {
			return access.EndRole(tx, manager, now.Add(time.Hour), a.ID, given.Grants[0].ID)
		})
	}
	if ended, err := end(); err != nil || len(ended.Grants) != 0 || load(t, db, a.ID).May(access.RecordWork) {
		t.Errorf("ended, there is %+v, %v", ended.Grants, err)
	}
	_, err := end()
	pgtest.Refused(t, "a role that ended already", err, fault.NotFound, "")
	_, err = pgtest.Write(db, manager, func(tx *gorm.DB) (access.Account, error) {
		return access.EndRole(tx, manager, now, manager.ID, given.Grants[0].ID)
	})
	pgtest.Refused(t, "a role of somebody else", err, fault.NotFound, "")
	for _, nobody := range []uuid.UUID{uuid.New(), access.System.ID} {
		_, err = pgtest.Write(db, manager, func(tx *gorm.DB) (access.Account, error) {
			return access.GiveRole(tx, manager, now, nobody, access.NewGrant{Role: "technician"})
		})
		pgtest.Refused(t, "a role for nobody", err, fault.NotFound, "")
	}
	_, err = pgtest.Write(db, manager, func(tx *gorm.DB) (access.Account, error) {
		return access.GiveRole(tx, manager, now, a.ID, access.NewGrant{Role: "king"})
	})
	pgtest.Refused(t, "no such role", err, fault.Invalid, "role")
}

func TestAccountsAreReadAndEdited(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	manager, _ := addManager(t, db, "wilma")
	a := addPerson(t, db, "tom", access.NewGrant{Role: "technician"})
	program := pgtest.Done(t, db, manager, func(tx *gorm.DB) (access.Account, error) {
		return access.AddProgram(tx, manager, now, "Gateway", []access.NewGrant{{Role: "technician"}})
	})
	var seen []uuid.UUID
	for page := (access.Page{Limit: 2}); ; page.After = seen[len(seen)-1].String() {
		all, err := access.Accounts(ctx, db, manager, page)
		if err != nil {
			t.Fatal(err)
		}
		for _, one := range all {
			seen = append(seen, one.ID)
			if len(one.Grants) != 1 {
				t.Errorf("%s has the roles %v", one.Name, one.Grants)
			}
		}
		if len(all) < page.Limit {
			break
		}
	}
	if !slices.Equal(seen, []uuid.UUID{manager.ID, a.ID, program.ID}) {
		t.Errorf("listed %v", seen)
	}
	_, err := access.Accounts(ctx, db, manager, access.Page{After: "x", Limit: 1})
	pgtest.Refused(t, "a cursor of ours", err, fault.Malformed, "cursor")
	for _, nobody := range []uuid.UUID{uuid.New(), access.System.ID} {
		_, err = access.OneAccount(ctx, db, manager, nobody)
		pgtest.Refused(t, "nobody", err, fault.NotFound, "")
	}

	edit := func(version int, name string, disabled bool) (access.Account, error) {
		return pgtest.Write(db, manager, func(tx *gorm.DB) (access.Account, error) {
			return access.EditAccount(tx, manager, now, a.ID, version, name, disabled)
		})
	}
	if got, err := edit(1, " Tom Oak ", true); err != nil || got.Name != "Tom Oak" || got.Version != 2 || !got.Disabled {
		t.Errorf("edited to %+v, %v", got, err)
	}
	f := pgtest.Refused(t, "a stale edit", func() error { _, err := edit(1, "Tim", false); return err }(), fault.Stale, "If-Match")
	if !strings.Contains(f.Msg, `version "2"`) {
		t.Errorf("the version now is given as %q", f.Msg)
	}
	_, err = edit(2, " ", false)
	pgtest.Refused(t, "a blank name", err, fault.Invalid, "name")
	if got := account(t, db, a.ID); got.Name != "Tom Oak" || !got.Disabled || got.Version != 2 {
		t.Errorf("what was refused left %+v", got)
	}
	if got, err := edit(2, "Tom Oak", false); err != nil || got.Disabled {
		t.Errorf("let in again: %+v, %v", got, err)
	}
	_, err = pgtest.Write(db, manager, func(tx *gorm.DB) (access.Account, error) {
		return access.EditAccount(tx, manager, now, uuid.New(), 1, "X", false)
	})
	pgtest.Refused(t, "nobody", err, fault.NotFound, "")
}

func TestOfTwoWhoEditAnAccountOneIsTold(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	a := addPerson(t, db, "tom")
	faults := inTheSameInstant(t, db,
		func(tx *gorm.DB) error {
			_, err := access.EditAccount(tx, access.System, now, a.ID, 1, "One", false)
			return err
		},
		func(tx *gorm.DB) error {
			_, err := access.EditAccount(tx, access.System, now, a.ID, 1, "Two", false)
			return err
		})
	if faults[0] != nil {
		t.Fatal(faults[0])
	}
	if f := pgtest.Refused(t, "the second", faults[1], fault.Stale, "If-Match"); !strings.Contains(f.Msg, `version "2"`) {
		t.Errorf("the version now is given as %q", f.Msg)
	}
	if got := account(t, db, a.ID); got.Name != "One" || got.Version != 2 {
		t.Errorf("recorded is %+v", got)
	}
}

// inTheSameInstant runs two transactions of the system such that the second has
// done what it can before the first ends.
func inTheSameInstant(t testing.TB, db *pgdb.DB, first, second func(tx *gorm.DB) error) [2]error {
	t.Helper()
	return together(t, db, access.System.ID, access.System.ID, first, second)
}

func together(t testing.TB, db *pgdb.DB, a, b uuid.UUID, first, second func(tx *gorm.DB) error) (faults [2]error) {
	t.Helper()
	secondDone := make(chan struct{})
	var wait sync.WaitGroup
	faults[0] = db.InTx(ctx, a, func(tx *gorm.DB) error {
		if err := first(tx); err != nil {
			close(secondDone)
			return err
		}
		wait.Go(func() {
			defer close(secondDone)
			faults[1] = db.InTx(ctx, b, second)
		})
		for { // until the second waits for the first, or is through without waiting
			var held bool
			err := tx.Raw(`select exists (select from pg_locks where not granted and pg_backend_pid() = any (pg_blocking_pids(pid)))`).Scan(&held).Error
			if err != nil || held {
				return err
			}
			select {
			case <-secondDone:
				return nil
			case <-time.After(time.Millisecond):
			}
		}
	})
	wait.Wait()
	return faults
}

func TestTheLastManagerStays(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	manager, a := addManager(t, db, "wilma")
	// others who do not count: no password, a role that ends, a program, somebody shut out, another role
	addPerson(t, db, "no-password", access.NewGrant{Role: "manager"})
	ends := time.Now().Add(time.Hour)
	letIn(t, db, addPerson(t, db, "ends-soon", access.NewGrant{Role: "manager", EndsAt: &ends}).ID)
	letIn(t, db, addPerson(t, db, "technician", access.NewGrant{Role: "technician"}).ID)
	pgtest.Done(t, db, manager, func(tx *gorm.DB) (access.Account, error) {
		return access.AddProgram(tx, manager, now, "Robot", []access.NewGrant{{Role: "manager"}})
	})
	_, out := addManager(t, db, "shut-out")
	pgtest.Done(t, db, manager, func(tx *gorm.DB) (access.Account, error) {
		return access.EditAccount(tx, manager, now, out.ID, 1, out.Name, true)
	})
	endRole := func() error {
		_, err := pgtest.Write(db, manager, func(tx *gorm.DB) (access.Account, error) {
			return access.EndRole(tx, manager, now, a.ID, a.Grants[0].ID)
		})
		return err
	}
	shutOut := func() error {
		_, err := pgtest.Write(db, manager, func(tx *gorm.DB) (access.Account, error) {
			return access.EditAccount(tx, manager, now, a.ID, 1, a.Name, true)
		})
		return err
	}
	pgtest.Refused(t, "ending the role of the last manager", endRole(), fault.Conflict, "role")
	pgtest.Refused(t, "shutting out the last manager", shutOut(), fault.Conflict, "role")
	if !load(t, db, a.ID).May(access.Administer) {
		t.Error("the last manager is gone")
	}
	// with another one it goes
	addManager(t, db, "second")
	if err := endRole(); err != nil {
		t.Errorf("ending the role of one of two: %v", err)
	}
	if load(t, db, a.ID).May(access.Administer) {
		t.Error("a role that ended still counts")
	}
	// and one may shut oneself out
	third, b := addManager(t, db, "third")
	_, err := pgtest.Write(db, third, func(tx *gorm.DB) (access.Account, error) {
		return access.EditAccount(tx, third, now, b.ID, 1, b.Name, true)
	})
	if err != nil {
		t.Errorf("shutting oneself out: %v", err)
	}
}

func TestManagersWhoTakeEachOtherOutLeaveOne(t *testing.T) {
	t.Parallel()
	type act func(who access.Actor, other access.Account) func(tx *gorm.DB) error
	endRole := func(who access.Actor, other access.Account) func(tx *gorm.DB) error {
		return func(tx *gorm.DB) error {
			_, err := access.EndRole(tx, who, time.Now(), other.ID, other.Grants[0].ID)
			return err
		}
	}
	shutOut := func(who access.Actor, other access.Account) func(tx *gorm.DB) error {
		return func(tx *gorm.DB) error {
			_, err := access.EditAccount(tx, who, time.Now(), other.ID, 1, other.Name, true)
			return err
		}
	}
	for name, acts := range map[string][2]act{
		"both end the role": {endRole, endRole}, "both shut out": {shutOut, shutOut},
		"end and shut out": {endRole, shutOut}, "shut out and end": {shutOut, endRole},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			db := pgtest.New(t)
			wilma, aw := addManager(t, db, "wilma")
			bert, ab := addManager(t, db, "bert")
			faults := together(t, db, wilma.ID, bert.ID, acts[0](wilma, ab), acts[1](bert, aw))
			if faults[0] != nil {
				t.Errorf("the first failed: %v", faults[0])
			}
			// whoever had to wait has lost the right meanwhile, or would have been the last
			if k := fault.KindOf(faults[1]); faults[1] == nil || k != fault.Forbidden && k != fault.Conflict {
				t.Errorf("the second: %v", faults[1])
			}
			if !load(t, db, wilma.ID).May(access.Administer) {
				t.Error("nobody is left")
			}
		})
	}
}

func TestOnlyWhoAdministersReachesPeople(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	_, a := addManager(t, db, "wilma")
	tom := load(t, db, addPerson(t, db, "tom", access.NewGrant{Role: "technician"}).ID)
	one := func(fn func(tx *gorm.DB) error) error { return db.InTx(ctx, tom.ID, fn) }
	for name, err := range map[string]error{
		"AddPerson":  one(func(tx *gorm.DB) error { _, err := access.AddPerson(tx, tom, now, access.NewPerson{}); return err }),
		"AddProgram": one(func(tx *gorm.DB) error { _, err := access.AddProgram(tx, tom, now, "x", nil); return err }),
		"GiveRole": one(func(tx *gorm.DB) error {
			_, err := access.GiveRole(tx, tom, now, tom.ID, access.NewGrant{Role: "manager"})
			return err
		}),
		"EndRole":     one(func(tx *gorm.DB) error { _, err := access.EndRole(tx, tom, now, a.ID, a.Grants[0].ID); return err }),
		"EditAccount": one(func(tx *gorm.DB) error { _, err := access.EditAccount(tx, tom, now, a.ID, 1, "x", true); return err }),
		"LinkFor":     one(func(tx *gorm.DB) error { _, _, err := access.LinkFor(tx, tom, now, a.ID); return err }),
		"GiveToken":   one(func(tx *gorm.DB) error { _, _, err := access.GiveToken(tx, tom, now, a.ID, now.Add(1)); return err }),
		"RevokeToken": one(func(tx *gorm.DB) error { _, err := access.RevokeToken(tx, tom, now, a.ID, a.ID); return err }),
		"Accounts":    func() error { _, err := access.Accounts(ctx, db, tom, access.Page{Limit: 1}); return err }(),
		"OneAccount":  func() error { _, err := access.OneAccount(ctx, db, tom, tom.ID); return err }(),
		"Tokens":      func() error { _, err := access.Tokens(ctx, db, tom, tom.ID); return err }(),
		"Trail": func() error {
			_, err := access.Trail(ctx, db, tom, access.TrailFilter{}, access.Page{Limit: 1})
			return err
		}(),
	} {
		pgtest.Refused(t, name, err, fault.Forbidden, "")
	}
	// and where the check is skipped, row security refuses or shows nothing
	pretender := tom
	pretender.Capabilities = access.System.Capabilities
	for name, fn := range map[string]func(tx *gorm.DB) error{
		"AddPerson": func(tx *gorm.DB) error {
			_, err := access.AddPerson(tx, pretender, now, access.NewPerson{Name: "x", Login: "xxx"})
			return err
		},
		"GiveRole": func(tx *gorm.DB) error {
			_, err := access.GiveRole(tx, pretender, now, tom.ID, access.NewGrant{Role: "manager"})
			return err
		},
		"EndRole": func(tx *gorm.DB) error {
			_, err := access.EndRole(tx, pretender, now, a.ID, a.Grants[0].ID)
			return err
		},
		"shutting": func(tx *gorm.DB) error {
			_, err := access.EditAccount(tx, pretender, now, a.ID, 1, "x", true)
			return err
		},
		"a token": func(tx *gorm.DB) error {
			return tx.Exec(`insert into program_token values (gen_random_uuid(), ?, '\x00', now(), now() + interval '1 day')`, a.ID).Error
		},
		"a link": func(tx *gorm.DB) error {
			_, err := access.MakeLink(tx, now, access.ChoosePassword, &a.ID, time.Hour)
			return err
		},
		"a password": func(tx *gorm.DB) error {
			return tx.Exec(`insert into credential values (?, 'x', 1, now())`, access.System.ID).Error
		},
	} {
		pgtest.Refused(t, name+" past the check", db.InTx(ctx, tom.ID, fn), fault.Forbidden, "")
	}
	for _, table := range []string{"person", "credential", "role_grant", "program_token", "entry_link", "trail", "kept_answer"} {
		type row struct{ N int }
		others := map[string]string{"person": "actor_id", "credential": "actor_id", "role_grant": "actor_id", "program_token": "actor_id"}[table]
		where := ""
		if others != "" {
			where = ` where ` + others + ` <> current_actor()`
		}
		if got, err := pgdb.Read[row](ctx, db, tom.ID, `select count(*)::int as n from `+table+where, nil); err != nil || got[0].N != 0 {
			t.Errorf("%s shows a technician %v of others, %v", table, got, err)
		}
	}
}

func TestTheTrailIsReadInPages(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	manager, _ := addManager(t, db, "wilma")
	had := addCustomer(t, db, "HAD")
	h1 := addSite(t, db, "H1", had)
	for i := range 3 {
		pgtest.Done(t, db, manager, func(tx *gorm.DB) (assets.Customer, error) {
			return assets.EditCustomer(tx, manager, had, 1+i, assets.CustomerEdit{Code: "HAD", Name: fmt.Sprint("Hadrelle ", i)})
		})
	}
	of := func(f access.TrailFilter, page access.Page) []access.Change {
		t.Helper()
		all, err := access.Trail(ctx, db, manager, f, page)
		if err != nil {
			t.Fatal(err)
		}
		return all
	}
	first := of(access.TrailFilter{EntityID: &had}, access.Page{Limit: 2})
	if len(first) != 2 || first[0].ID <= first[1].ID || first[0].ActorID != manager.ID || first[0].ActorName != manager.Name || first[0].Entity != "customer" ||
		first[0].Act != "update" || *first[0].EntityID != had || !strings.Contains(string(*first[0].After), "Hadrelle 2") || first[0].SiteID != nil {
		t.Errorf("the newest are %+v", first)
	}
	rest := of(access.TrailFilter{EntityID: &had}, access.Page{After: first[1].Key(), Limit: 100})
	if len(rest) == 0 || rest[0].ID >= first[1].ID || rest[len(rest)-1].Act != "insert" || rest[len(rest)-1].Before != nil {
		t.Errorf("then come %+v", rest)
	}
	for _, c := range of(access.TrailFilter{SiteID: &h1}, access.Page{Limit: 100}) {
		if *c.SiteID != h1 || c.Entity != "site" && c.Entity != "ownership" {
			t.Errorf("of the site there is %+v", c)
		}
	}
	_, err := access.Trail(ctx, db, manager, access.TrailFilter{}, access.Page{After: "x", Limit: 1})
	pgtest.Refused(t, "a cursor of ours", err, fault.Malformed, "cursor")
}

// everythingIn gives every row of every table as text, the way an administrator
// with a dump would read it.
func everythingIn(t testing.TB, owner string) map[string]string {
	t.Helper()
	conn, err := pgx.Connect(ctx, owner)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(ctx)
	var tables []string
	err = conn.QueryRow(ctx, `select array_agg(relname::text) from pg_class where relnamespace = 'public'::regnamespace and relkind = 'r'`).Scan(&tables)
	if err != nil {
		t.Fatal(err)
	}
	all := map[string]string{}
	for _, table := range tables {
		var text string
		err := conn.QueryRow(ctx, `select coalesce(string_agg(cast(x as text), E'\n'), '') from `+pgx.Identifier{table}.Sanitize()+` as x`).Scan(&text)
		if err != nil {
			t.Fatal(err)
		}
		all[table] = text
	}
	return all
}
