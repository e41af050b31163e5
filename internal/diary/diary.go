// Package diary gives people their visits where they look anyway: in the calendar
// program of their phone or desk, which reads a secret address (RFC 5545).
//
// An address acts for whoever made it, with the rights that they have when it is
// read: it shows nothing that they could not open here, and nothing at all once
// their account is shut.
package diary

import (
	"context"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
)

// What a calendar shows.
const (
	All    = "all"    // every visit in scope
	Site   = "site"   // those to one site
	Person = "person" // those on which one person goes
)

// Calendar is an address at which a calendar program reads.
type Calendar struct {
	ID        uuid.UUID
	ActorID   uuid.UUID
	Shows     string
	SiteID    *uuid.UUID
	SiteCode  string
	SiteName  string
	PersonID  *uuid.UUID
	Person    string
	WithDue   bool // also what falls due and is on no visit yet, as entries of whole days
	MadeAt    time.Time
	RevokedAt *time.Time
	ReadAt    *time.Time // when it was read last, to the hour
}

// Title names the calendar, as programs list it.
func (c Calendar) Title() string {
	switch c.Shows {
	case Site:
		return "Visits to " + c.SiteName
	case Person:
		return "Visits of " + c.Person
	}
	return "All visits"
}

// New is what it takes to make an address.
type New struct {
	Shows    string     // all, site or person
	SiteID   *uuid.UUID // with site
	PersonID *uuid.UUID // with person
	WithDue  bool
}

// most is how many addresses somebody may have at once.
const most = 20

// Make makes an address and gives it with its secret, which is told once.
func Make(tx *gorm.DB, who access.Actor, now time.Time, in New) (Calendar, string, error) {
	var faults []*fault.Error
	switch in.Shows {
	case All:
	case Site:
		if in.SiteID == nil {
			faults = append(faults, fault.Field("site_id", "", "is needed: the site whose visits it shows"))
		}
	case Person:
		switch {
		case in.PersonID == nil:
			faults = append(faults, fault.Field("person_id", "", "is needed: whose visits it shows"))
		case *in.PersonID != who.ID && !who.May(access.Plan):
			faults = append(faults, fault.Field("person_id", in.PersonID.String(), "is yourself; those who plan may name others"))
		}
	default:
		faults = append(faults, fault.Field("shows", in.Shows, "is all, site or person"))
	}
	if in.SiteID != nil && in.Shows != Site {
		faults = append(faults, fault.Field("site_id", in.SiteID.String(), "goes with shows: site only"))
	}
	if in.PersonID != nil && in.Shows != Person {
		faults = append(faults, fault.Field("person_id", in.PersonID.String(), "goes with shows: person only"))
	}
	if in.WithDue && in.Shows != Site {
		faults = append(faults, fault.Field("with_due", "true", "goes with the calendar of one site only: over all of them it would bury the visits"))
	}
	if err := fault.Collect(faults...); err != nil {
		return Calendar{}, "", err
	}
	var known struct {
		Site, Person bool
		Live         int
	}
	// the actor's lock keeps two in one instant from going over the bound
	err := tx.Exec(`select pg_advisory_xact_lock(hashtextextended('calendar ' || cast(@who as text), 0))`, map[string]any{"who": who.ID}).Error
	if err != nil {
		return Calendar{}, "", err
	}
	err = tx.Raw(`
select exists (select from site as s where s.id = @site and (@everywhere or s.id = any (@sites))) as site,
       exists (select from actor as a where a.id = @person and a.kind = 'person' and a.disabled_at is null) as person,
       (select count(*) from calendar_address as c where c.actor_id = @who and c.revoked_at is null) as live`,
		scope(who, map[string]any{"site": in.SiteID, "person": in.PersonID, "who": who.ID})).Scan(&known).Error
	switch {
	case err != nil:
		return Calendar{}, "", err
	case in.SiteID != nil && !known.Site:
		return Calendar{}, "", fault.Field("site_id", in.SiteID.String(), "names no site")
	case in.PersonID != nil && !known.Person:
		return Calendar{}, "", fault.Field("person_id", in.PersonID.String(), "names nobody who can go")
	case known.Live >= most:
		return Calendar{}, "", &fault.Error{Kind: fault.Conflict, Field: "shows", Value: in.Shows, Msg: "there are 20 addresses already; revoke one that nobody reads any more"}
	}
	secret, hash := access.NewSecret()
	id := pgdb.NewID()
	err = tx.Exec(`
insert into calendar_address (id, actor_id, shows, site_id, person_id, with_due, secret_hash, made_at)
values (@id, @who, @shows, @site, @person, @due, @hash, @now)`, map[string]any{"id": id, "who": who.ID, "shows": in.Shows, "site": in.SiteID, "person": in.PersonID,
		"due": in.WithDue, "hash": hash, "now": now}).Error
	if err != nil {
		return Calendar{}, "", err
	}
	c, err := pgdb.One[Calendar](tx, "calendar", id.String(), calendars+` and c.id = @id`, map[string]any{"id": id, "who": who.ID})
	return c, secret, err
}

// scope is who.Scope for a statement of a transaction, which takes lists by their address.
func scope(who access.Actor, args map[string]any) map[string]any {
	args = who.Scope(args)
	sites := who.Sites
	args["sites"] = &sites
	return args
}

const calendars = `
select c.id, c.actor_id, c.shows, c.site_id, coalesce(s.code, '') as site_code, coalesce(s.name, '') as site_name, c.person_id, coalesce(p.name, '') as person, c.with_due,
       c.made_at, c.revoked_at, c.read_at
  from calendar_address as c
  left join site as s on s.id = c.site_id
  left join actor as p on p.id = c.person_id
 where c.actor_id = @who`

// Own lists the actor's own addresses that still work, the oldest first.
func Own(ctx context.Context, db *pgdb.DB, who access.Actor) ([]Calendar, error) {
	return pgdb.Read[Calendar](ctx, db, who.ID, calendars+` and c.revoked_at is null order by c.id limit 100`, map[string]any{"who": who.ID})
}

// Revoke ends an address of the actor's own at once. Revoking it again changes nothing.
func Revoke(tx *gorm.DB, who access.Actor, now time.Time, id uuid.UUID) (Calendar, error) {
	err := tx.Exec(`update calendar_address set revoked_at = @now where id = @id and actor_id = @who and revoked_at is null`,
		map[string]any{"now": now, "id": id, "who": who.ID}).Error
	if err != nil {
		return Calendar{}, err
	}
	return pgdb.One[Calendar](tx, "calendar", id.String(), calendars+` and c.id = @id`, map[string]any{"id": id, "who": who.ID})
}

// Path is where the calendar of a secret stands.
func Path(secret string) string { return "/calendars/" + secret + ".ics" }
