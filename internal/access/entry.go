package access

import (
	"context"
	"strings"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
)

const (
	tryWindow       = 15 * time.Minute
	triesPerLogin   = 5
	triesPerAddress = 30
)

// wrongEntry is the one answer to a sign-in that fails, whatever was wrong.
func wrongEntry() error {
	return &fault.Error{Kind: fault.NoIdentity, Msg: "that sign-in name and password do not go together"}
}

// One try at a time for a name, and for an address; always the name's lock first.
const lockTries = `
select pg_advisory_xact_lock(hashtextextended('login ' || cast(@login as text), 0)),
       pg_advisory_xact_lock(hashtextextended('address ' || cast(@address as text), 0))`

// takeTry counts a try as failed before its password is looked at: of a
// thousand that come at once only as many are looked at as may fail.
const takeTry = `
with tried as (
  select count(*) filter (where login = @login) as by_login,
         min(at) filter (where login = @login) as first_by_login,
         count(*) filter (where address = @address) as by_address,
         min(at) filter (where address = @address) as first_by_address
    from failed_entry
   where (login = @login or address = @address)
     and at > @since
),
taken as (
  insert into failed_entry (login, address, at)
  select @login, @address, @now from tried where by_login < @per_login and by_address < @per_address
  returning id
)
select tried.*, (select id from taken) as id from tried`

const personByLogin = `
select p.actor_id, coalesce(c.password_hash, '') as password_hash, coalesce(c.epoch, 0) as epoch
  from person as p
  join actor as a on a.id = p.actor_id
  left join credential as c on c.actor_id = p.actor_id
 where p.login = @login
   and a.disabled_at is null`

// SignIn checks a name and a password given at an address and gives the actor's
// id with the epoch of the password. Five failures for one name within 15
// minutes, or 30 from one address, are fault.Throttled.
func SignIn(ctx context.Context, db *pgdb.DB, now time.Time, login, password, address string) (uuid.UUID, int, error) {
	login = strings.ToLower(strings.TrimSpace(login))
	try, err := try(ctx, db, now, login, address)
	if err != nil {
		return uuid.Nil, 0, err
	}
	type known struct {
		ActorID      uuid.UUID
		PasswordHash string
		Epoch        int
	}
	found, err := pgdb.Read[known](ctx, db, System.ID, personByLogin, map[string]any{"login": login})
	if err != nil {
		return uuid.Nil, 0, err
	}
	if len(found) == 0 || found[0].PasswordHash == "" {
		passwordFits(password, nobodysHash())
		return uuid.Nil, 0, wrongEntry()
	}
	if !passwordFits(password, found[0].PasswordHash) {
		return uuid.Nil, 0, wrongEntry()
	}
	err = db.InTx(ctx, System.ID, func(tx *gorm.DB) error { // it did not fail after all
		return tx.Exec(`delete from failed_entry where id = ?`, try).Error
	})
	if err != nil {
		return uuid.Nil, 0, err
	}
	return found[0].ActorID, found[0].Epoch, nil
}

// try counts a try and gives its id, or fault.Throttled.
func try(ctx context.Context, db *pgdb.DB, now time.Time, login, address string) (id int64, err error) {
	args := map[string]any{"login": shorten(login), "address": address, "now": now, "since": now.Add(-tryWindow),
		"per_login": triesPerLogin, "per_address": triesPerAddress}
	type tries struct {
		ByLogin, ByAddress           int
		FirstByLogin, FirstByAddress *time.Time
		ID                           *int64
	}
	var t tries
	err = db.InTx(ctx, System.ID, func(tx *gorm.DB) (err error) {
		if err := tx.Exec(lockTries, args).Error; err != nil {
			return err
		}
		t, err = pgdb.One[tries](tx, "try", "", takeTry, args)
		return err
	})
	if err != nil {
		return 0, err
	}
	if t.ID != nil {
		return *t.ID, nil
	}
	wait := time.Second
	if t.ByLogin >= triesPerLogin {
		wait = max(wait, t.FirstByLogin.Add(tryWindow).Sub(now))
	}
	if t.ByAddress >= triesPerAddress {
		wait = max(wait, t.FirstByAddress.Add(tryWindow).Sub(now))
	}
	return 0, &fault.Error{Kind: fault.Throttled, RetryAfter: wait,
		Msg: "too many failed sign-ins; wait a little, or ask your manager for a new link"}
}

// shorten keeps a novel given as a name out of the database. No person's name is that long.
func shorten(login string) string {
	if r := []rune(login); len(r) > 254 {
		return string(r[:254])
	}
	return login
}

// tokenPrefix marks our tokens, so that a leaked one is recognised.
const tokenPrefix = "spb_"

const actorByToken = `
select t.actor_id
  from program_token as t
 where t.secret_hash = @hash
   and t.revoked_at is null
   and t.expires_at > @now`

// ByToken gives the program behind a bearer token. One that is unknown, expired
// or revoked is fault.NoIdentity.
func ByToken(ctx context.Context, db *pgdb.DB, now time.Time, token string) (Actor, error) {
	refused := &fault.Error{Kind: fault.NoIdentity, Msg: "the token is unknown, expired or revoked"}
	secret, ours := strings.CutPrefix(token, tokenPrefix)
	if !ours {
		return Actor{}, refused
	}
	type row struct{ ActorID uuid.UUID }
	found, err := pgdb.Read[row](ctx, db, System.ID, actorByToken, map[string]any{"hash": HashSecret(secret), "now": now})
	if err != nil {
		return Actor{}, err
	}
	if len(found) == 0 {
		return Actor{}, refused
	}
	who, _, err := Load(ctx, db, found[0].ActorID)
	return who, err
}

// Link is a secret address that lets somebody in.
type Link struct {
	ID        uuid.UUID
	Purpose   string // first_person, choose_password or demo
	ActorID   *uuid.UUID
	ActorName string
	Login     string
	ExpiresAt time.Time
}

// The purposes of links.
const (
	FirstPerson    = "first_person"
	ChoosePassword = "choose_password"
	Demo           = "demo"
)

// MakeLink makes a link and gives its secret, which is kept only as a hash. A
// link works once; one for the demo until it expires. Earlier links of the same
// purpose for the same actor end.
func MakeLink(tx *gorm.DB, now time.Time, purpose string, actor *uuid.UUID, valid time.Duration) (secret string, err error) {
	secret, hash := NewSecret()
	// of two made at once the later one ends the earlier
	err = tx.Exec(`select pg_advisory_xact_lock(hashtextextended('link ' || cast(@purpose as text) || coalesce(cast(@actor as text), ''), 0))`,
		map[string]any{"purpose": purpose, "actor": actor}).Error
	if err != nil {
		return "", err
	}
	err = tx.Exec(`update entry_link set used_at = @now where purpose = @purpose and actor_id is not distinct from @actor and used_at is null`,
		map[string]any{"now": now, "purpose": purpose, "actor": actor}).Error
	if err != nil {
		return "", err
	}
	return secret, tx.Exec(`insert into entry_link (id, secret_hash, purpose, actor_id, created_at, expires_at) values (?, ?, ?, ?, ?, ?)`,
		pgdb.NewID(), hash, purpose, actor, now, now.Add(valid)).Error
}

const openLink = `
select l.id, l.purpose, l.actor_id, coalesce(a.name, '') as actor_name, coalesce(p.login, '') as login, l.expires_at
  from entry_link as l
  left join actor as a on a.id = l.actor_id
  left join person as p on p.actor_id = l.actor_id
 where l.secret_hash = @hash
   and l.used_at is null
   and l.expires_at > @now
   and a.disabled_at is null`

func linkGone() error {
	return &fault.Error{Kind: fault.NotFound, Msg: "this link was used already, has expired, or was never made; ask for a new one"}
}

// OpenLink tells what a link is for without using it up.
func OpenLink(ctx context.Context, db *pgdb.DB, now time.Time, secret string) (Link, error) {
	l, err := pgdb.ReadOne[Link](ctx, db, System.ID, "link", "", openLink, map[string]any{"hash": HashSecret(secret), "now": now})
	if fault.KindOf(err) == fault.NotFound {
		err = linkGone()
	}
	return l, err
}

// openFor opens a link of one purpose. It comes before a password is hashed,
// which is dear: whoever has no link shall not have that done.
func openFor(ctx context.Context, db *pgdb.DB, now time.Time, secret, purpose string) (Link, error) {
	l, err := OpenLink(ctx, db, now, secret)
	if err == nil && l.Purpose != purpose {
		err = linkGone()
	}
	return l, err
}

// useLink takes the link in the statement that marks it, so that of two who
// follow it at once one is let in.
func useLink(tx *gorm.DB, now time.Time, secret, purpose string) (Link, error) {
	l, err := pgdb.One[Link](tx, "link", "", `
update entry_link set used_at = @now
 where secret_hash = @hash and purpose = @purpose and used_at is null and expires_at > @now
returning id, purpose, actor_id, expires_at`, map[string]any{"now": now, "hash": HashSecret(secret), "purpose": purpose})
	if fault.KindOf(err) == fault.NotFound {
		err = linkGone()
	}
	return l, err
}

// FirstLink gives the secret of a link by which the first person sets the
// program up, or "" when there are people already. Each call ends the link before.
func FirstLink(ctx context.Context, db *pgdb.DB, now time.Time) (secret string, err error) {
	err = db.InTx(ctx, System.ID, func(tx *gorm.DB) error {
		if people, err := somePeople(tx); err != nil || people {
			return err
		}
		secret, err = MakeLink(tx, now, FirstPerson, nil, 24*time.Hour)
		return err
	})
	return secret, err
}

func somePeople(tx *gorm.DB) (some bool, err error) {
	err = tx.Raw(`select exists (select from person)`).Scan(&some).Error
	return some, err
}

// SetUp uses the first link: it makes the first person, a manager, with a password.
func SetUp(ctx context.Context, db *pgdb.DB, now time.Time, secret, name, login, password string) (uuid.UUID, error) {
	login = strings.ToLower(strings.TrimSpace(login))
	var id uuid.UUID
	if _, err := openFor(ctx, db, now, secret, FirstPerson); err != nil {
		return id, err
	}
	if err := fault.Collect(checkPassword(password, login)); err != nil {
		return id, err
	}
	hash, err := hashPassword(password)
	if err != nil {
		return id, err
	}
	err = db.InTx(ctx, System.ID, func(tx *gorm.DB) error {
		if _, err := useLink(tx, now, secret, FirstPerson); err != nil {
			return err
		}
		// a link made in the very instant of an earlier set-up outlives it
		if people, err := somePeople(tx); err != nil {
			return err
		} else if people {
			return linkGone()
		}
		p, err := AddPerson(tx, System, now, NewPerson{Name: name, Login: login, Grants: []NewGrant{{Role: "manager"}}})
		if err != nil {
			return err
		}
		id = p.ID
		return setPassword(tx, id, hash, now)
	})
	return id, err
}

// UsePasswordLink uses a link to choose a password and gives whose it is.
func UsePasswordLink(ctx context.Context, db *pgdb.DB, now time.Time, secret, password string) (uuid.UUID, error) {
	l, err := openFor(ctx, db, now, secret, ChoosePassword)
	if err != nil {
		return uuid.Nil, err
	}
	if err := fault.Collect(checkPassword(password, l.Login)); err != nil {
		return uuid.Nil, err
	}
	hash, err := hashPassword(password)
	if err != nil {
		return uuid.Nil, err
	}
	var id uuid.UUID
	err = db.InTx(ctx, System.ID, func(tx *gorm.DB) error {
		l, err := useLink(tx, now, secret, ChoosePassword)
		if err != nil {
			return err
		}
		id = *l.ActorID
		return setPassword(tx, id, hash, now)
	})
	return id, err
}

// ChangePassword replaces the actor's own password; every other browser they
// are signed in with is out. It gives the new epoch.
func ChangePassword(ctx context.Context, db *pgdb.DB, who Actor, now time.Time, old, chosen string) (int, error) {
	type own struct {
		Login, PasswordHash string
	}
	mine, err := pgdb.ReadOne[own](ctx, db, who.ID, "password", "", `
select p.login, c.password_hash from person as p join credential as c on c.actor_id = p.actor_id where p.actor_id = current_actor()`, nil)
	if err != nil {
		return 0, err
	}
	if !passwordFits(old, mine.PasswordHash) {
		return 0, &fault.Error{Kind: fault.Invalid, Field: "old_password", Msg: "is not your present password"}
	}
	if f := checkPassword(chosen, mine.Login); f != nil {
		f.Field = "new_password"
		return 0, fault.Collect(f)
	}
	hash, err := hashPassword(chosen)
	if err != nil {
		return 0, err
	}
	var epoch int
	err = db.InTx(ctx, who.ID, func(tx *gorm.DB) error {
		if err := setPassword(tx, who.ID, hash, now); err != nil {
			return err
		}
		return tx.Raw(`select epoch from credential where actor_id = ?`, who.ID).Scan(&epoch).Error
	})
	return epoch, err
}

func setPassword(tx *gorm.DB, id uuid.UUID, hash string, now time.Time) error {
	return tx.Exec(`
insert into credential (actor_id, password_hash, changed_at) values (@id, @hash, @now)
on conflict (actor_id) do update set password_hash = excluded.password_hash, epoch = credential.epoch + 1, changed_at = excluded.changed_at`,
		map[string]any{"id": id, "hash": hash, "now": now}).Error
}

// Tidy drops what nobody needs any more: sessions that ended, failures older than a day, links a
// week after their end, and answers kept for retries older than three days.
func Tidy(ctx context.Context, db *pgdb.DB, now time.Time) error {
	err := db.InTx(ctx, System.ID, func(tx *gorm.DB) error {
		if err := tx.Exec(`delete from failed_entry where at < ?`, now.Add(-24*time.Hour)).Error; err != nil {
			return err
		}
		if err := tx.Exec(`delete from sessions where expiry < ?`, now).Error; err != nil {
			return err
		}
		return tx.Exec(`delete from entry_link where expires_at < ?`, now.Add(-7*24*time.Hour)).Error
	})
	if err != nil {
		return err
	}
	return db.ForgetAnswers(ctx, System.ID, now.Add(-72*time.Hour))
}
