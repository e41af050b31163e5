package access

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
)

// Account is a person or a program as the people page shows it.
type Account struct {
	ID          uuid.UUID
	Kind        string
	Name        string
	Login       string // people only
	CustomerID  *uuid.UUID
	HasPassword bool
	Disabled    bool
	Grants      []Grant `db:"-"`
	GrantsJSON  []byte  `db:"grants" json:"-"`
	Version     int
	CreatedAt   time.Time
}

// NewPerson is what it takes to add a person.
type NewPerson struct {
	Name       string
	Login      string
	CustomerID *uuid.UUID // whose organisation they belong to; nil is the distributor
	Grants     []NewGrant
}

// NewGrant is a role to give, with the scope that goes with it.
type NewGrant struct {
	Role       string
	CustomerID *uuid.UUID
	SiteID     *uuid.UUID
	EndsAt     *time.Time
}

// AddPerson records a person with their roles. They cannot sign in until they
// have followed a link and chosen a password.
func AddPerson(tx *gorm.DB, who Actor, now time.Time, in NewPerson) (Account, error) {
	if err := who.Must(Administer); err != nil {
		return Account{}, err
	}
	id := pgdb.NewID()
	login := strings.ToLower(strings.TrimSpace(in.Login))
	if err := addActor(tx, id, "person", in.Name, in.CustomerID, now); err != nil {
		return Account{}, err
	}
	r := tx.Exec(`insert into person (actor_id, login) values (?, ?) on conflict (login) do nothing`, id, login)
	if r.Error != nil {
		return Account{}, r.Error
	}
	if r.RowsAffected == 0 {
		other, err := pgdb.ID(tx, `select actor_id as id from person where login = ?`, login)
		if err != nil {
			return Account{}, err
		}
		return Account{}, fault.Taken("login", fault.Ref{Kind: "person", ID: other.String(), Code: login})
	}
	if err := grantAll(tx, id, now, in.Grants); err != nil {
		return Account{}, err
	}
	return accountInTx(tx, id)
}

func addActor(tx *gorm.DB, id uuid.UUID, kind, name string, customer *uuid.UUID, now time.Time) error {
	return tx.Exec(`insert into actor (id, kind, name, customer_id, created_at) values (?, ?, ?, ?, ?)`,
		id, kind, strings.TrimSpace(name), customer, now).Error
}

func grantAll(tx *gorm.DB, actor uuid.UUID, now time.Time, grants []NewGrant) error {
	for i, g := range grants {
		if _, err := giveRole(tx, actor, now, g); err != nil {
			return within(fmt.Sprintf("grants[%d].", i), err)
		}
	}
	return nil
}

// within sets a path before the field that a fault names.
func within(path string, err error) error {
	if f, ok := err.(*fault.Error); ok && f.Field != "" {
		f.Field = path + f.Field
	}
	return err
}

func giveRole(tx *gorm.DB, actor uuid.UUID, now time.Time, g NewGrant) (uuid.UUID, error) {
	var known struct {
		Scope          string
		Customer, Site bool
	}
	err := tx.Raw(`
select coalesce((select scope from role where code = @role and code <> 'system'), '') as scope,
       exists (select from customer where id = @customer) as customer,
       exists (select from site where id = @site) as site`,
		map[string]any{"role": g.Role, "customer": g.CustomerID, "site": g.SiteID}).Scan(&known).Error
	if err != nil {
		return uuid.Nil, err
	}
	id, scope := pgdb.NewID(), known.Scope
	switch {
	case scope == "":
		return id, fault.Field("role", g.Role, "is manager, parts_clerk, technician, owner, site_staff or gateway")
	case scope == "distributor" && (g.CustomerID != nil || g.SiteID != nil):
		return id, fault.Field("role", g.Role, "covers the whole distributor and names neither customer nor site")
	case scope == "customer" && g.CustomerID == nil:
		return id, fault.Field("customer_id", "", "is needed with the role %s; site_id may narrow it to one site", g.Role)
	case scope == "site" && (g.SiteID == nil || g.CustomerID != nil):
		return id, fault.Field("site_id", "", "is needed with the role %s, without a customer", g.Role)
	case g.CustomerID != nil && !known.Customer:
		return id, fault.Field("customer_id", g.CustomerID, "names no customer")
	case g.SiteID != nil && !known.Site:
		return id, fault.Field("site_id", g.SiteID, "names no site")
	case g.EndsAt != nil && !g.EndsAt.After(now):
		return id, fault.Field("ends_at", g.EndsAt.Format(time.RFC3339), "must lie in the future")
	}
	return id, tx.Exec(`insert into role_grant (id, actor_id, role, scope, customer_id, site_id, granted_at, ends_at) values (?, ?, ?, ?, ?, ?, ?, ?)`,
		id, actor, g.Role, scope, g.CustomerID, g.SiteID, now, g.EndsAt).Error
}

// GiveRole gives one more role to a person or a program.
func GiveRole(tx *gorm.DB, who Actor, now time.Time, actor uuid.UUID, g NewGrant) (Account, error) {
	if err := who.Must(Administer); err != nil {
		return Account{}, err
	}
	if _, err := accountInTx(tx, actor); err != nil {
		return Account{}, err
	}
	if _, err := giveRole(tx, actor, now, g); err != nil {
		return Account{}, err
	}
	return accountInTx(tx, actor)
}

// EndRole ends a role now. The last manager cannot be taken away.
func EndRole(tx *gorm.DB, who Actor, now time.Time, actor, grant uuid.UUID) (Account, error) {
	if err := who.Must(Administer); err != nil {
		return Account{}, err
	}
	if err := oneAtATime(tx); err != nil {
		return Account{}, err
	}
	ended, err := pgdb.One[struct{ Role string }](tx, "grant", grant.String(), `
   update role_grant set ends_at = greatest(@now, granted_at + interval '1 microsecond')
    where id = @grant and actor_id = @actor and (ends_at is null or ends_at > @now)
returning role`, map[string]any{"now": now, "grant": grant, "actor": actor})
	if err != nil {
		return Account{}, err
	}
	if ended.Role == "manager" {
		if err := someManager(tx); err != nil {
			return Account{}, err
		}
	}
	return accountInTx(tx, actor)
}

// oneAtATime comes before a change that may take a manager out. Without it two
// managers who shut each other out in one instant would both see the other one
// left. Whoever had to wait may have lost the right meanwhile.
func oneAtATime(tx *gorm.DB) error {
	if err := tx.Exec(`select pg_advisory_xact_lock(hashtextextended('managers', 0))`).Error; err != nil {
		return err
	}
	var may bool
	if err := tx.Raw(`select actor_may(?)`, Administer).Scan(&may).Error; err != nil {
		return err
	}
	if !may {
		return Actor{}.Must(Administer)
	}
	return nil
}

// someManager refuses a change after which nobody could manage people. A role
// that ends some day does not count: its day would come without anybody asking.
func someManager(tx *gorm.DB) error {
	var left bool
	err := tx.Raw(`select some_manager()`).Scan(&left).Error
	if err == nil && !left {
		err = &fault.Error{Kind: fault.Conflict, Field: "role", Value: "manager", Msg: "at least one person who can sign in must stay manager"}
	}
	return err
}

const accounts = `
select a.id, a.kind, a.name, coalesce(p.login, '') as login, a.customer_id,
       c.actor_id is not null as has_password, a.disabled_at is not null as disabled, a.version, a.created_at,
       coalesce((select jsonb_agg(jsonb_build_object('ID', g.id, 'Role', g.role, 'CustomerID', g.customer_id, 'SiteID', g.site_id,
                                                     'GrantedAt', g.granted_at, 'EndsAt', g.ends_at) order by g.id)
                   from role_grant as g
                  where g.actor_id = a.id and (g.ends_at is null or g.ends_at > now())), '[]') as grants
  from actor as a
  left join person as p on p.actor_id = a.id
  left join credential as c on c.actor_id = a.id
 where a.kind <> 'system'`

func (a *Account) unpack() error { return json.Unmarshal(a.GrantsJSON, &a.Grants) }

func accountInTx(tx *gorm.DB, id uuid.UUID) (Account, error) {
	type row struct {
		ID                    uuid.UUID
		Kind, Name, Login     string
		CustomerID            *uuid.UUID
		HasPassword, Disabled bool
		Grants                string
		Version               int
		CreatedAt             time.Time
	}
	r, err := pgdb.One[row](tx, "account", id.String(), accounts+` and a.id = @id`, map[string]any{"id": id})
	if err != nil {
		return Account{}, err
	}
	a := Account{ID: r.ID, Kind: r.Kind, Name: r.Name, Login: r.Login, CustomerID: r.CustomerID, HasPassword: r.HasPassword,
		Disabled: r.Disabled, GrantsJSON: []byte(r.Grants), Version: r.Version, CreatedAt: r.CreatedAt}
	return a, a.unpack()
}

// Accounts lists people and programs in the order in which they were added.
func Accounts(ctx context.Context, db *pgdb.DB, who Actor, page Page) ([]Account, error) {
	if err := who.Must(Administer); err != nil {
		return nil, err
	}
	after := uuid.Nil
	if page.After != "" {
		var err error
		if after, err = uuid.Parse(page.After); err != nil {
			return nil, &fault.Error{Kind: fault.Malformed, Field: "cursor", Msg: "is not one that a list gave"}
		}
	}
	found, err := pgdb.Read[Account](ctx, db, who.ID, accounts+` and a.id > @after order by a.id limit @limit`,
		map[string]any{"after": after, "limit": page.Limit})
	for i := range found {
		if err == nil {
			err = found[i].unpack()
		}
	}
	return found, err
}

// OneAccount gives one person or program.
func OneAccount(ctx context.Context, db *pgdb.DB, who Actor, id uuid.UUID) (Account, error) {
	if err := who.Must(Administer); err != nil {
		return Account{}, err
	}
	a, err := pgdb.ReadOne[Account](ctx, db, who.ID, "account", id.String(), accounts+` and a.id = @id`, map[string]any{"id": id})
	if err == nil {
		err = a.unpack()
	}
	return a, err
}

// EditAccount changes the name of an account or shuts it, if it still is at the
// version that the caller saw. A person who is shut out is out at once.
func EditAccount(tx *gorm.DB, who Actor, now time.Time, id uuid.UUID, version int, name string, disabled bool) (Account, error) {
	if err := who.Must(Administer); err != nil {
		return Account{}, err
	}
	if disabled {
		if err := oneAtATime(tx); err != nil {
			return Account{}, err
		}
	}
	a, err := accountInTx(tx, id)
	if err != nil {
		return a, err
	}
	r := tx.Exec(`
update actor set name = @name, version = version + 1,
       disabled_at = case when @disabled then coalesce(disabled_at, @now) end
 where id = @id and version = @version`,
		map[string]any{"name": strings.TrimSpace(name), "disabled": disabled, "now": now, "id": id, "version": version})
	if r.Error != nil {
		return a, r.Error
	}
	if r.RowsAffected == 0 {
		if a, err = accountInTx(tx, id); err != nil { // as it is since whoever was faster
			return a, err
		}
		return a, fault.Outdated("account", version, a.Version)
	}
	if disabled && !a.Disabled && slices.ContainsFunc(a.Grants, func(g Grant) bool { return g.Role == "manager" }) {
		if err := someManager(tx); err != nil {
			return a, err
		}
	}
	return accountInTx(tx, id)
}

// linkLife is how long somebody has to choose a password.
const linkLife = 7 * 24 * time.Hour

// LinkFor makes a link by which a person chooses a (new) password, and gives its
// secret and its end. The secret is given once.
func LinkFor(tx *gorm.DB, who Actor, now time.Time, id uuid.UUID) (secret string, ends time.Time, err error) {
	ends = now.Add(linkLife)
	if err := who.Must(Administer); err != nil {
		return "", ends, err
	}
	a, err := accountInTx(tx, id)
	if err != nil {
		return "", ends, err
	}
	if a.Kind != "person" {
		return "", ends, &fault.Error{Kind: fault.Invalid, Field: "account", Value: a.Name, Msg: "is a program: give it a token"}
	}
	secret, err = MakeLink(tx, now, ChoosePassword, &id, linkLife)
	return secret, ends, err
}

// ByLogin gives the id of the person with a sign-in name. It is for the command
// line, where nobody is signed in.
func ByLogin(ctx context.Context, db *pgdb.DB, login string) (uuid.UUID, error) {
	type row struct{ ActorID uuid.UUID }
	login = strings.ToLower(strings.TrimSpace(login))
	r, err := pgdb.ReadOne[row](ctx, db, System.ID, "person", login, `select actor_id from person where login = @login`, map[string]any{"login": login})
	return r.ActorID, err
}
