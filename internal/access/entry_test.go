package access_test

import (
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/alexedwards/argon2id"
	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgtest"
)

// Values computed by the reference implementation of Argon2 (Debian package
// argon2 0~20171227, the command above each). The first stands in that
// implementation's own src/test.c as well (from memory).
func TestPasswordsAreCheckedAsTheReferenceImplementationDoes(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ password, hash string }{
		// argon2 somesalt -id -t 2 -m 16 -p 1 -l 32 -e
		{"password", "$argon2id$v=19$m=65536,t=2,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc"},
		// argon2 sixteen-byte-slt -id -t 3 -m 16 -p 4 -l 32 -e
		{"four plain words here", "$argon2id$v=19$m=65536,t=3,p=4$c2l4dGVlbi1ieXRlLXNsdA$l3seC5Ux5KYEcyHY7u9VjfKCxTG7yuSWrEBFHNPWicQ"},
		// argon2 "another 16 bytes" -id -t 2 -k 128 -p 2 -l 32 -e
		{"pässwörd with ünicode", "$argon2id$v=19$m=128,t=2,p=2$YW5vdGhlciAxNiBieXRlcw$1m1TCGgUd7/9Jfu5EBgoYbljSvwhApbjM0MiX9/5Ai8"},
		{password, cheapHash},
	} {
		if ok, err := argon2id.ComparePasswordAndHash(c.password, c.hash); err != nil || !ok {
			t.Errorf("%q does not fit %s: %v", c.password, c.hash, err)
		}
	}
	for _, wrong := range []string{"", "four plain words her", "four plain words here ", "Four plain words here", "four plain words here\x00"} {
		if access.PasswordFits(wrong, cheapHash) {
			t.Errorf("%q fits", wrong)
		}
	}
	for _, hash := range []string{"", "x", strings.Replace(cheapHash, "argon2id", "argon2i", 1), strings.Replace(cheapHash, "v=19", "v=16", 1), strings.TrimSuffix(cheapHash, "A")} {
		if access.PasswordFits(password, hash) {
			t.Errorf("the password fits %q", hash)
		}
	}
}

// strong checks a stored hash against the second recommended option of RFC 9106,
// section 4: Argon2id, 3 passes, 4 lanes, 64 MiB, a salt of 16 bytes, a tag of 32.
func strong(t testing.TB, what, hash string) (salt string) {
	t.Helper()
	parts := strings.Split(hash, "$")
	if len(parts) != 6 || parts[1] != "argon2id" || parts[2] != "v=19" {
		t.Fatalf("%s is kept as %q", what, hash)
	}
	var memory, passes, lanes int
	if _, err := fmt.Sscanf(parts[3], "m=%d,t=%d,p=%d", &memory, &passes, &lanes); err != nil || memory < 64*1024 || passes < 3 || lanes < 4 {
		t.Errorf("%s: %s, %v", what, parts[3], err)
	}
	s, err1 := base64.RawStdEncoding.DecodeString(parts[4])
	tag, err2 := base64.RawStdEncoding.DecodeString(parts[5])
	if err1 != nil || err2 != nil || len(s) < 16 || len(tag) < 32 {
		t.Errorf("%s: a salt of %d bytes and a tag of %d, %v %v", what, len(s), len(tag), err1, err2)
	}
	return parts[4]
}

func storedHash(t testing.TB, db *pgdb.DB, id uuid.UUID) string {
	t.Helper()
	type row struct{ PasswordHash string }
	got, err := pgdb.ReadOne[row](ctx, db, access.System.ID, "password", "", `select password_hash from credential where actor_id = @id`, map[string]any{"id": id})
	if err != nil {
		t.Fatal(err)
	}
	return got.PasswordHash
}

func firstLink(t testing.TB, db *pgdb.DB, at time.Time) string {
	t.Helper()
	secret, err := access.FirstLink(ctx, db, at)
	if err != nil || secret == "" {
		t.Fatalf("a first link: %q, %v", secret, err)
	}
	return secret
}

func TestTheFirstPersonSetsItUp(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	setUp := func(at time.Time, secret string) (uuid.UUID, error) {
		return access.SetUp(ctx, db, at, secret, "Wilma Berg", " Wilma ", password)
	}
	first := firstLink(t, db, now)
	second := firstLink(t, db, now.Add(time.Minute))
	_, err := access.OpenLink(ctx, db, now.Add(2*time.Minute), first)
	pgtest.Refused(t, "the link before", err, fault.NotFound, "")
	if l, err := access.OpenLink(ctx, db, now.Add(2*time.Minute), second); err != nil || l.Purpose != access.FirstPerson || l.ActorID != nil {
		t.Errorf("the link opens as %+v, %v", l, err)
	}
	_, err = setUp(now.Add(2*time.Minute), first)
	pgtest.Refused(t, "set up with the link before", err, fault.NotFound, "")
	_, err = setUp(now.Add(25*time.Hour), second)
	pgtest.Refused(t, "set up a day too late", err, fault.NotFound, "")
	_, err = setUp(now, "no such secret")
	pgtest.Refused(t, "set up with an invented link", err, fault.NotFound, "")
	// the link of a day is for its purpose only
	_, err = access.UsePasswordLink(ctx, db, now.Add(2*time.Minute), second, password)
	pgtest.Refused(t, "a password by the first link", err, fault.NotFound, "")
	// what is filled in wrongly does not use it up
	_, err = access.SetUp(ctx, db, now.Add(2*time.Minute), second, "Wilma", "w i", password)
	pgtest.Refused(t, "a wrong login", err, fault.Invalid, "login")
	_, err = access.SetUp(ctx, db, now.Add(2*time.Minute), second, "Wilma", "wilma", "short")
	pgtest.Refused(t, "a wrong password", err, fault.Invalid, "password")

	id, err := setUp(now.Add(3*time.Minute), second)
	if err != nil {
		t.Fatal(err)
	}
	who, epoch, err := access.Load(ctx, db, id)
	if err != nil || who.Name != "Wilma Berg" || epoch != 1 || !who.Everywhere || !slices.Equal(who.Roles, []string{"manager"}) || !who.May(access.Administer) {
		t.Errorf("the first person is %+v, epoch %d, %v", who, epoch, err)
	}
	strong(t, "the first password", storedHash(t, db, id))
	if got, epoch, err := access.SignIn(ctx, db, now.Add(time.Hour), "wilma", password, "192.0.2.1"); err != nil || got != id || epoch != 1 {
		t.Errorf("signed in as %v, %d, %v", got, epoch, err)
	}
	_, err = setUp(now.Add(4*time.Minute), second)
	pgtest.Refused(t, "set up a second time", err, fault.NotFound, "")
	if secret, err := access.FirstLink(ctx, db, now); secret != "" || err != nil {
		t.Errorf("with people there: a first link %q, %v", secret, err)
	}
	// one that was made in the instant of the set-up opens nothing either
	stray := pgtest.Done(t, db, access.System, func(tx *gorm.DB) (string, error) {
		return access.MakeLink(tx, now, access.FirstPerson, nil, time.Hour)
	})
	_, err = access.SetUp(ctx, db, now.Add(time.Minute), stray, "Mallory", "mallory", password)
	pgtest.Refused(t, "set up by a stray link", err, fault.NotFound, "")
}

func TestOfTwoWhoSetUpAtOnceOneDoes(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	secret := firstLink(t, db, now)
	faults := atOnce(2, func(i int) error {
		_, err := access.SetUp(ctx, db, now, secret, "Wilma", fmt.Sprint("wilma", i), password)
		return err
	})
	if len(faults[fault.NotFound]) != 1 || len(faults[none]) != 1 {
		t.Errorf("came %v", faults)
	}
}

// none stands for "no fault" among the kinds.
const none fault.Kind = -1

// atOnce runs something n times at once and gives the errors by their kind.
func atOnce(n int, fn func(i int) error) map[fault.Kind][]error {
	var all sync.WaitGroup
	var mu sync.Mutex
	faults := map[fault.Kind][]error{}
	for i := range n {
		all.Go(func() {
			err, kind := fn(i), none
			if err != nil {
				kind = fault.KindOf(err)
			}
			mu.Lock()
			defer mu.Unlock()
			faults[kind] = append(faults[kind], err)
		})
	}
	all.Wait()
	return faults
}

func TestLinksMadeAtOnceLeaveOneThatOpens(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	var secrets []string
	var mu sync.Mutex
	atOnce(4, func(int) error {
		secret, err := access.FirstLink(ctx, db, now)
		mu.Lock()
		defer mu.Unlock()
		secrets = append(secrets, secret)
		return err
	})
	open := 0
	for _, secret := range secrets {
		if _, err := access.OpenLink(ctx, db, now, secret); err == nil {
			open++
		}
	}
	if open != 1 || len(secrets) != 4 {
		t.Errorf("of %d links %d open", len(secrets), open)
	}
}

func TestALinkGivesAPasswordOnce(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	manager, _ := addManager(t, db, "wilma")
	tom := addPerson(t, db, "tom", access.NewGrant{Role: "technician"})
	link := func(at time.Time) string {
		t.Helper()
		return pgtest.Done(t, db, manager, func(tx *gorm.DB) (string, error) {
			secret, ends, err := access.LinkFor(tx, manager, at, tom.ID)
			if !ends.Equal(at.Add(7 * 24 * time.Hour)) {
				t.Errorf("the link ends at %v", ends)
			}
			return secret, err
		})
	}
	earlier := link(now)
	secret := link(now)
	_, err := access.UsePasswordLink(ctx, db, now, earlier, password)
	pgtest.Refused(t, "the link before", err, fault.NotFound, "")
	week := now.Add(7 * 24 * time.Hour)
	_, err = access.UsePasswordLink(ctx, db, week, secret, password)
	pgtest.Refused(t, "after a week", err, fault.NotFound, "")
	l, err := access.OpenLink(ctx, db, week.Add(-time.Second), secret)
	if err != nil || l.Purpose != access.ChoosePassword || *l.ActorID != tom.ID || l.ActorName != tom.Name || l.Login != "tom" || !l.ExpiresAt.Equal(week) {
		t.Errorf("the link opens as %+v, %v", l, err)
	}
	_, err = access.UsePasswordLink(ctx, db, now, secret, "tom's own words")
	pgtest.Refused(t, "a password with the name in it", err, fault.Invalid, "password")
	_, err = access.SetUp(ctx, db, now, secret, "Mallory", "mallory", password)
	pgtest.Refused(t, "a set-up by it", err, fault.NotFound, "")

	faults := atOnce(2, func(int) error {
		id, err := access.UsePasswordLink(ctx, db, now, secret, password)
		if err == nil && id != tom.ID {
			t.Errorf("the link let in %v", id)
		}
		return err
	})
	if len(faults[none]) != 1 || len(faults[fault.NotFound]) != 1 {
		t.Errorf("two at once: %v", faults)
	}
	if _, epoch, err := access.SignIn(ctx, db, now, "tom", password, "192.0.2.1"); err != nil || epoch != 1 {
		t.Errorf("sign-in: epoch %d, %v", epoch, err)
	}
	// a later link replaces the password, and everybody signed in with the old one is out
	if _, err := access.UsePasswordLink(ctx, db, now, link(now), "other words, all mine"); err != nil {
		t.Fatal(err)
	}
	if _, epoch, err := access.Load(ctx, db, tom.ID); err != nil || epoch != 2 {
		t.Errorf("epoch %d, %v", epoch, err)
	}
	// a link of somebody who is shut out meanwhile opens nothing
	secret = link(now)
	pgtest.Done(t, db, manager, func(tx *gorm.DB) (access.Account, error) {
		return access.EditAccount(tx, manager, now, tom.ID, 1, tom.Name, true)
	})
	_, err = access.OpenLink(ctx, db, now, secret)
	pgtest.Refused(t, "the link of somebody shut out", err, fault.NotFound, "")

	program := pgtest.Done(t, db, manager, func(tx *gorm.DB) (access.Account, error) { return access.AddProgram(tx, manager, now, "Gateway", nil) })
	_, err = pgtest.Write(db, manager, func(tx *gorm.DB) (string, error) {
		s, _, err := access.LinkFor(tx, manager, now, program.ID)
		return s, err
	})
	pgtest.Refused(t, "a link for a program", err, fault.Invalid, "account")
	_, err = pgtest.Write(db, manager, func(tx *gorm.DB) (string, error) {
		s, _, err := access.LinkFor(tx, manager, now, uuid.New())
		return s, err
	})
	pgtest.Refused(t, "a link for nobody", err, fault.NotFound, "")
}

func TestEverySignInThatFailsGetsTheSameAnswer(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	_, a := addManager(t, db, "wilma")
	addPerson(t, db, "no-password")
	_, out := addManager(t, db, "shut-out")
	pgtest.Done(t, db, access.System, func(tx *gorm.DB) (access.Account, error) {
		return access.EditAccount(tx, access.System, now, out.ID, 1, out.Name, true)
	})
	var words []string
	for _, c := range []struct{ login, password string }{
		{"wilma", "five plain words here"}, {"wilma", ""}, {"nobody", password}, {"no-password", password}, {"no-password", ""},
		{"shut-out", password}, {"", ""}, {strings.Repeat("ä", 300), password},
	} {
		id, epoch, err := access.SignIn(ctx, db, now, c.login, c.password, "192.0.2.1")
		f := pgtest.Refused(t, c.login, err, fault.NoIdentity, "")
		words = append(words, f.Error()+f.Value)
		if id != uuid.Nil || epoch != 0 {
			t.Errorf("%q: gives away %v, %d", c.login, id, epoch)
		}
	}
	if len(slices.Compact(words)) != 1 {
		t.Errorf("the answers differ: %q", words)
	}
	// as much work is done for a name that nobody has as for a real one
	strong(t, "the hash of nobody", access.NobodysHash())
	for _, login := range []string{"wilma", "WILMA", "  Wilma\t"} {
		if id, epoch, err := access.SignIn(ctx, db, now, login, password, "192.0.2.1"); err != nil || id != a.ID || epoch != 1 {
			t.Errorf("%q: %v, %d, %v", login, id, epoch, err)
		}
	}
	_, _, err := access.SignIn(ctx, db, now, "wil\x00ma", password, "192.0.2.1")
	pgtest.Refused(t, "a zero byte", err, fault.Malformed, "")
	db.Close()
	if _, _, err = access.SignIn(ctx, db, now, "wilma", password, "192.0.2.1"); err == nil || fault.KindOf(err) == fault.NoIdentity {
		t.Errorf("without a database: %v", err)
	}
}

func TestFailuresForOneNameAreThrottled(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	addManager(t, db, "wilma")
	addManager(t, db, "bert")
	try := func(login, password string, after time.Duration) error {
		_, _, err := access.SignIn(ctx, db, now.Add(after), login, password, "192.0.2.1")
		return err
	}
	for i := range 5 {
		if i == 3 { // getting in is no failure
			if err := try("wilma", password, 3*time.Minute); err != nil {
				t.Errorf("after three failures: %v", err)
			}
		}
		pgtest.Refused(t, "a failure", try("wilma", "wrong", time.Duration(i)*time.Minute), fault.NoIdentity, "")
	}
	for what, err := range map[string]error{
		"the sixth": try("wilma", "wrong", 5*time.Minute), "the right password": try("wilma", password, 5*time.Minute), "written otherwise": try(" WILMA ", "wrong", 5*time.Minute),
	} {
		if f := pgtest.Refused(t, what, err, fault.Throttled, ""); f.RetryAfter != 10*time.Minute {
			t.Errorf("%s: told to wait %v, want until the first is 15 minutes old", what, f.RetryAfter)
		}
	}
	if err := try("bert", password, 5*time.Minute); err != nil {
		t.Errorf("somebody else: %v", err)
	}
	if f := pgtest.Refused(t, "the last moment", try("wilma", password, 15*time.Minute-time.Millisecond), fault.Throttled, ""); f.RetryAfter != time.Second {
		t.Errorf("told to wait %v", f.RetryAfter)
	}
	// what was refused did not count, so the first place is free again
	if err := try("wilma", password, 15*time.Minute); err != nil {
		t.Errorf("after the wait: %v", err)
	}
	pgtest.Refused(t, "a fifth within the window again", try("wilma", "wrong", 15*time.Minute), fault.NoIdentity, "")
	if f := pgtest.Refused(t, "and a sixth", try("wilma", "wrong", 15*time.Minute), fault.Throttled, ""); f.RetryAfter != time.Minute {
		t.Errorf("told to wait %v", f.RetryAfter)
	}
}

func TestAThousandTriesAtOnceAreFive(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	addManager(t, db, "wilma")
	faults := atOnce(20, func(i int) error {
		_, _, err := access.SignIn(ctx, db, now, "wilma", "wrong", fmt.Sprint("192.0.2.", i))
		return err
	})
	if len(faults[fault.NoIdentity]) != 5 || len(faults[fault.Throttled]) != 15 {
		t.Errorf("20 at once: %v", faults)
	}
}

func TestFailuresFromOneAddressAreThrottled(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	addManager(t, db, "wilma")
	err := db.InTx(ctx, access.System.ID, func(tx *gorm.DB) error { // tried with 29 names
		return tx.Exec(`insert into failed_entry (login, address, at) select 'name-' || i, '192.0.2.1', ? from generate_series(1, 29) as i`, now).Error
	})
	if err != nil {
		t.Fatal(err)
	}
	try := func(password, address string, after time.Duration) error {
		_, _, err := access.SignIn(ctx, db, now.Add(after), "wilma", password, address)
		return err
	}
	pgtest.Refused(t, "the thirtieth", try("wrong", "192.0.2.1", 10*time.Minute), fault.NoIdentity, "")
	if f := pgtest.Refused(t, "one more", try(password, "192.0.2.1", 10*time.Minute), fault.Throttled, ""); f.RetryAfter != 5*time.Minute {
		t.Errorf("told to wait %v", f.RetryAfter)
	}
	if err := try(password, "192.0.2.2", 10*time.Minute); err != nil {
		t.Errorf("from elsewhere: %v", err)
	}
	// both bounds reached: whoever waits as told must not be told again
	for range 4 {
		pgtest.Refused(t, "from elsewhere", try("wrong", "192.0.2.2", 10*time.Minute), fault.NoIdentity, "")
	}
	if f := pgtest.Refused(t, "both", try("wrong", "192.0.2.1", 10*time.Minute), fault.Throttled, ""); f.RetryAfter != 15*time.Minute {
		t.Errorf("told to wait %v", f.RetryAfter)
	}
	if err := try(password, "192.0.2.1", 25*time.Minute); err != nil {
		t.Errorf("after the wait: %v", err)
	}
}

func TestAPasswordIsChangedByWhoKnowsIt(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	wilma, a := addManager(t, db, "wilma")
	change := func(old, chosen string) (int, error) { return access.ChangePassword(ctx, db, wilma, now, old, chosen) }
	_, err := change("five plain words here", "quite different words")
	pgtest.Refused(t, "a wrong old one", err, fault.Invalid, "old_password")
	_, err = change(password, "short")
	pgtest.Refused(t, "a short new one", err, fault.Invalid, "new_password")
	_, err = change(password, "Wilma's plain words")
	pgtest.Refused(t, "one with the name in it", err, fault.Invalid, "new_password")
	if got := storedHash(t, db, a.ID); got != cheapHash {
		t.Error("what was refused changed the password")
	}
	if epoch, err := change(password, "quite different words"); err != nil || epoch != 2 {
		t.Fatalf("changed: epoch %d, %v", epoch, err)
	}
	strong(t, "the new password", storedHash(t, db, a.ID))
	if _, epoch, err := access.Load(ctx, db, a.ID); err != nil || epoch != 2 {
		t.Errorf("the epoch is %d, %v", epoch, err)
	}
	_, _, err = access.SignIn(ctx, db, now, "wilma", password, "192.0.2.1")
	pgtest.Refused(t, "the old one", err, fault.NoIdentity, "")
	if _, epoch, err := access.SignIn(ctx, db, now, "wilma", "quite different words", "192.0.2.1"); err != nil || epoch != 2 {
		t.Errorf("the new one: epoch %d, %v", epoch, err)
	}
	// the same words of two people are not seen to be the same
	bert, b := addManager(t, db, "bert")
	if _, err := access.ChangePassword(ctx, db, bert, now, password, "quite different words"); err != nil {
		t.Fatal(err)
	}
	if strong(t, "one", storedHash(t, db, a.ID)) == strong(t, "two", storedHash(t, db, b.ID)) {
		t.Error("two passwords share a salt")
	}
	_, err = access.ChangePassword(ctx, db, access.System, now, password, "quite different words")
	pgtest.Refused(t, "who has no password", err, fault.NotFound, "")
}

func TestPasswordsThatAreTooEasy(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ password, login, says string }{
		{"elevenchars", "wilma", "at least 12"},
		{strings.Repeat("ä", 11), "wilma", "at least 12"}, // characters, not bytes
		{"", "wilma", "at least 12"},
		{strings.Repeat("abcde", 52), "wilma", "at most 256"},
		{strings.Repeat("abcd", 10), "wilma", "5 different"},
		{"xx-WILMA-yy-zz", "wilma", "sign-in name"},
	} {
		if f := access.CheckPassword(c.password, c.login); f == nil || f.Field != "password" || !strings.Contains(f.Msg, c.says) || f.Value != "" {
			t.Errorf("%q: %v, want a fault with %q and without the password", c.password, f, c.says)
		}
	}
	for _, fine := range []string{"twelve chars", "four plain words here", strings.Repeat("abcde", 51) + "f", strings.Repeat("äöüßé", 51)} {
		if f := access.CheckPassword(fine, "wilma"); f != nil {
			t.Errorf("%q: %v", fine, f)
		}
	}
	if f := access.CheckPassword(password, ""); f != nil {
		t.Errorf("without a name: %v", f)
	}
}

func TestTokensLetProgramsIn(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	manager, person := addManager(t, db, "wilma")
	h1 := addSite(t, db, "H1", addCustomer(t, db, "HAD"))
	program := pgtest.Done(t, db, manager, func(tx *gorm.DB) (access.Account, error) {
		return access.AddProgram(tx, manager, now, " Gateway ", []access.NewGrant{{Role: "gateway", SiteID: &h1}})
	})
	if program.Kind != "program" || program.Name != "Gateway" || program.Login != "" || program.HasPassword || len(program.Grants) != 1 {
		t.Errorf("added %+v", program)
	}
	type given struct {
		access.Token
		secret string
	}
	give := func(to uuid.UUID, expires time.Time) (given, error) {
		return pgtest.Write(db, manager, func(tx *gorm.DB) (g given, err error) {
			g.Token, g.secret, err = access.GiveToken(tx, manager, now, to, expires)
			return g, err
		})
	}
	day := now.Add(24 * time.Hour)
	one, err := give(program.ID, day)
	if err != nil {
		t.Fatal(err)
	}
	two, err := give(program.ID, day)
	if err != nil {
		t.Fatal(err)
	}
	if !strings.HasPrefix(one.secret, "spb_") || len(one.secret) != 4+43 || one.secret == two.secret { // 256 bits in base64url (RFC 4648)
		t.Errorf("the secrets are %q and %q", one.secret, two.secret)
	}
	if who, err := access.ByToken(ctx, db, now, one.secret); err != nil || who.ID != program.ID || who.Kind != "program" || !who.May(access.ReadCounters) || who.May(access.ReportFault) || !sameIDs(who.Sites, []uuid.UUID{h1}) {
		t.Errorf("let in is %+v, %v", who, err)
	}
	if _, err := access.ByToken(ctx, db, day.Add(-time.Second), one.secret); err != nil {
		t.Errorf("a second before its end: %v", err)
	}
	refuse := func(what string, at time.Time, secret string) {
		t.Helper()
		_, err := access.ByToken(ctx, db, at, secret)
		pgtest.Refused(t, what, err, fault.NoIdentity, "")
	}
	refuse("expired", day, one.secret)
	refuse("cut short", now, one.secret[:len(one.secret)-1])
	refuse("without its mark", now, strings.TrimPrefix(one.secret, "spb_"))
	refuse("nothing", now, "")
	refuse("the mark alone", now, "spb_")
	refuse("odd bytes", now, "spb_\x00\xff")

	_, err = give(program.ID, now)
	pgtest.Refused(t, "ending now", err, fault.Invalid, "expires_at")
	_, err = give(program.ID, now.Add(3*365*24*time.Hour))
	pgtest.Refused(t, "for three years", err, fault.Invalid, "expires_at")
	_, err = give(person.ID, day)
	pgtest.Refused(t, "for a person", err, fault.Invalid, "account")
	_, err = give(uuid.New(), day)
	pgtest.Refused(t, "for nobody", err, fault.NotFound, "")

	revoke := func(at time.Time, of, id uuid.UUID) (access.Token, error) {
		return pgtest.Write(db, manager, func(tx *gorm.DB) (access.Token, error) { return access.RevokeToken(tx, manager, at, of, id) })
	}
	if got, err := revoke(now.Add(time.Minute), program.ID, one.ID); err != nil || got.RevokedAt == nil || !got.RevokedAt.Equal(now.Add(time.Minute)) {
		t.Errorf("revoked %+v, %v", got, err)
	}
	refuse("revoked", now, one.secret)
	if _, err := access.ByToken(ctx, db, now, two.secret); err != nil {
		t.Errorf("the other token: %v", err)
	}
	if got, err := revoke(now.Add(time.Hour), program.ID, one.ID); err != nil || !got.RevokedAt.Equal(now.Add(time.Minute)) {
		t.Errorf("revoked again %+v, %v", got, err)
	}
	_, err = revoke(now, person.ID, two.ID)
	pgtest.Refused(t, "the token of another", err, fault.NotFound, "")
	all, err := access.Tokens(ctx, db, manager, program.ID)
	if err != nil || len(all) != 2 || all[0].ID != one.ID || all[0].RevokedAt == nil || all[1].ID != two.ID || all[1].RevokedAt != nil || all[1].ActorName != "Gateway" || !all[1].ExpiresAt.Equal(day) {
		t.Errorf("listed %+v, %v", all, err)
	}
	_, err = access.Tokens(ctx, db, manager, uuid.New())
	pgtest.Refused(t, "tokens of nobody", err, fault.NotFound, "")

	pgtest.Done(t, db, manager, func(tx *gorm.DB) (access.Account, error) {
		return access.EditAccount(tx, manager, now, program.ID, 1, program.Name, true)
	})
	refuse("of a program that is shut out", now, two.secret)
	for what, c := range map[string]struct {
		name   string
		grants []access.NewGrant
		field  string
	}{
		"no name": {" ", nil, "name"}, "no such role": {"X", []access.NewGrant{{Role: "king"}}, "grants[0].role"},
	} {
		_, err := pgtest.Write(db, manager, func(tx *gorm.DB) (access.Account, error) {
			return access.AddProgram(tx, manager, now, c.name, c.grants)
		})
		pgtest.Refused(t, what, err, fault.Invalid, c.field)
	}
}

func TestNoSecretIsKept(t *testing.T) {
	t.Parallel()
	service, owner := pgtest.DSN(t)
	db := pgtest.Open(t, service)
	first := firstLink(t, db, now)
	id, err := access.SetUp(ctx, db, now, first, "Wilma", "wilma", password)
	if err != nil {
		t.Fatal(err)
	}
	wilma := load(t, db, id)
	secrets := map[string]string{"the first link": first, "the password": password}
	program := pgtest.Done(t, db, wilma, func(tx *gorm.DB) (access.Account, error) { return access.AddProgram(tx, wilma, now, "Gateway", nil) })
	token := pgtest.Done(t, db, wilma, func(tx *gorm.DB) (string, error) {
		tok, secret, err := access.GiveToken(tx, wilma, now, program.ID, now.Add(time.Hour))
		if err == nil {
			_, err = access.RevokeToken(tx, wilma, now, program.ID, tok.ID)
		}
		return secret, err
	})
	secrets["the token"], secrets["the token's secret"] = token, strings.TrimPrefix(token, "spb_")
	secrets["a link"] = pgtest.Done(t, db, wilma, func(tx *gorm.DB) (string, error) {
		s, _, err := access.LinkFor(tx, wilma, now, id)
		return s, err
	})
	if _, err := access.ChangePassword(ctx, db, wilma, now, password, "quite different words"); err != nil {
		t.Fatal(err)
	}
	secrets["the new password"] = "quite different words"

	dump := everythingIn(t, owner)
	for _, table := range []string{"credential", "program_token", "entry_link", "trail"} {
		if dump[table] == "" {
			t.Fatalf("%s is empty: nothing was looked at", table)
		}
	}
	for table, text := range dump {
		for what, secret := range secrets {
			forms := []string{secret, hex.EncodeToString([]byte(secret)), base64.StdEncoding.EncodeToString([]byte(secret))}
			if raw, err := base64.RawURLEncoding.DecodeString(secret); err == nil {
				forms = append(forms, hex.EncodeToString(raw))
			}
			for _, form := range forms {
				if strings.Contains(text, form) {
					t.Errorf("%s stands in the table %s as %q", what, table, form)
				}
			}
		}
	}
	// nor does the trail hold what could be guessed from
	hashes := []string{storedHash(t, db, id), "password_hash", "secret_hash", "argon2id"}
	type row struct{ H string }
	kept, err := pgdb.Read[row](ctx, db, access.System.ID, `select encode(secret_hash, 'hex') as h from program_token union all select encode(secret_hash, 'hex') from entry_link`, nil)
	if err != nil || len(kept) < 3 {
		t.Fatalf("kept are %v, %v", kept, err)
	}
	for _, k := range kept {
		hashes = append(hashes, k.H)
	}
	for _, h := range hashes {
		if strings.Contains(dump["trail"], h) {
			t.Errorf("the trail holds %q", h)
		}
	}
}

func TestTidyDropsWhatIsOver(t *testing.T) {
	t.Parallel()
	service, owner := pgtest.DSN(t)
	db := pgtest.Open(t, service)
	manager, a := addManager(t, db, "wilma")
	day := 24 * time.Hour
	err := db.InTx(ctx, access.System.ID, func(tx *gorm.DB) error {
		return errors.Join(
			tx.Exec(`insert into failed_entry (login, address, at) values ('old-try', '', ?), ('young-try', '', ?)`, now.Add(-day-time.Second), now.Add(-day)).Error,
			tx.Exec(`insert into sessions (token, data, expiry) values ('old-session', '', ?), ('young-session', '', ?)`, now.Add(-time.Second), now).Error,
			tx.Exec(`insert into entry_link (id, secret_hash, purpose, actor_id, created_at, expires_at) values
				(gen_random_uuid(), 'old-link', 'demo', ?, ?, ?), (gen_random_uuid(), 'young-link', 'demo', ?, ?, ?)`,
				a.ID, now.Add(-9*day), now.Add(-7*day-time.Second), a.ID, now.Add(-9*day), now.Add(-7*day)).Error)
	})
	if err != nil {
		t.Fatal(err)
	}
	for key, kept := range map[string]time.Time{"old-answer": now.Add(-3*day - time.Second), "young-answer": now.Add(-3 * day)} {
		if _, err := pgdb.Once(ctx, db, manager.ID, kept, pgdb.Request{Key: key}, func(*gorm.DB) (int, error) { return 0, nil }); err != nil {
			t.Fatal(err)
		}
	}
	if err := access.Tidy(ctx, db, now); err != nil {
		t.Fatal(err)
	}
	dump := everythingIn(t, owner)
	for table, word := range map[string]string{"failed_entry": "try", "sessions": "session", "entry_link": hex.EncodeToString([]byte("-link")), "kept_answer": "answer"} {
		old, young := "old-"+word, "young-"+word
		if table == "entry_link" {
			old, young = hex.EncodeToString([]byte("old"))+word, hex.EncodeToString([]byte("young"))+word
		}
		if strings.Contains(dump[table], old) || !strings.Contains(dump[table], young) {
			t.Errorf("%s holds %q", table, dump[table])
		}
	}
	db.Close()
	if err := access.Tidy(ctx, db, now); err == nil {
		t.Error("tidied without a database")
	}
}
