package assets

import (
	"context"
	"strings"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
)

// Site is one address. What its owner arranges (hours, blackouts, supplies)
// is dated and stands apart.
type Site struct {
	ID         uuid.UUID
	Code       string
	Name       string
	Address    string
	Latitude   *float64 // degrees, WGS 84
	Longitude  *float64
	Zone       string // IANA time zone
	Currency   string // ISO 4217
	Climate    string // snowbelt, mild_wet or warm_dry
	Size       string // small, medium or large
	DriverSide string // side of the vehicle on which the driver sits: words on labels only
	DayTurnsAt string // local HH:MM at which the operating day turns
	Version    int
	CreatedAt  time.Time
	// Whose it is now; nil where that is not the actor's to see.
	CustomerID   *uuid.UUID
	CustomerCode *string
	CustomerName *string
}

// Location gives the site's time zone; a zone that this machine does not know is UTC.
func (s Site) Location() *time.Location {
	if l, err := time.LoadLocation(s.Zone); err == nil {
		return l
	}
	return time.UTC
}

// SiteEdit is what of a site can be given and changed.
type SiteEdit struct {
	Code       string
	Name       string
	Address    string
	Latitude   *float64
	Longitude  *float64
	Zone       string
	Currency   string
	Climate    string
	Size       string
	DriverSide string
	DayTurnsAt string // "" is 03:00
}

func (in SiteEdit) check(tx *gorm.DB) error {
	var zone *fault.Error
	zones, err := pgdb.ZonesOf(tx)
	if err != nil {
		return err
	}
	if !zones.Know(in.Zone) {
		zone = fault.Field("zone", in.Zone, "is the name of an IANA time zone, such as America/Chicago")
	}
	var place *fault.Error
	if (in.Latitude == nil) != (in.Longitude == nil) {
		place = fault.Field("latitude", "", "is given together with longitude or not at all")
	}
	var turns *fault.Error
	if _, err := time.Parse("15:04", in.dayTurnsAt()); err != nil {
		turns = fault.Field("day_turns_at", in.DayTurnsAt, "is a time of day, HH:MM")
	}
	return fault.Collect(zone, place, turns)
}

func (in SiteEdit) dayTurnsAt() string {
	if in.DayTurnsAt == "" {
		return "03:00"
	}
	return in.DayTurnsAt
}

func (in SiteEdit) values() map[string]any {
	return map[string]any{"code": in.Code, "name": strings.TrimSpace(in.Name), "address": strings.TrimSpace(in.Address),
		"latitude": in.Latitude, "longitude": in.Longitude, "zone": in.Zone, "currency": in.Currency, "climate": in.Climate,
		"size": in.Size, "driver_side": in.DriverSide, "turns": in.dayTurnsAt()}
}

const sites = `
select s.id, s.code, s.name, s.address, s.latitude, s.longitude, s.zone, s.currency, s.climate, s.size, s.driver_side,
       to_char(s.day_turns_at, 'HH24:MI') as day_turns_at, s.version, s.created_at, o.customer_id, o.customer_code, o.customer_name
  from site as s
  left join lateral (select o.customer_id, o.customer_code, o.customer_name from ownership_now as o where o.site_id = s.id limit 1) as o on true
 where (@everywhere or s.id = any (@sites))`

// ofCustomer keeps to the sites that are one customer's now, if one is named.
const ofCustomer = `
   and (cast(@customer as uuid) is null or s.id in (select h.site_id from ownership_now as h where h.customer_id = @customer))`

const siteList = sites + ofCustomer + `
   and s.code > @after
order by s.code
   limit @limit`

// Sites lists the sites in the actor's scope by code, perhaps only those that
// are one customer's now.
func Sites(ctx context.Context, db *pgdb.DB, who access.Actor, customer *uuid.UUID, p Page) ([]Site, error) {
	return pgdb.Read[Site](ctx, db, who.ID, siteList, pageArgs(who, p, map[string]any{"customer": customer}))
}

// OneSite gives a site.
func OneSite(ctx context.Context, db *pgdb.DB, who access.Actor, id uuid.UUID) (Site, error) {
	return pgdb.ReadOne[Site](ctx, db, who.ID, "site", id.String(), sites+` and s.id = @id`, args(who, map[string]any{"id": id}))
}

func siteInTx(tx *gorm.DB, id uuid.UUID) (Site, error) {
	return pgdb.One[Site](tx, "site", id.String(), sites+` and s.id = @id`, everywhere(map[string]any{"id": id}))
}

// AddSite records a site that belongs to the customer from the instant given.
func AddSite(tx *gorm.DB, who access.Actor, now time.Time, customer uuid.UUID, ownedFrom *time.Time, in SiteEdit) (Site, error) {
	if err := who.Must(access.KeepRegister); err != nil {
		return Site{}, err
	}
	if err := in.check(tx); err != nil {
		return Site{}, err
	}
	v := in.values()
	id := pgdb.NewID()
	v["id"], v["now"] = id, now
	err := insertCoded(tx, "site", "site", in.Code, `
insert into site (id, code, name, address, latitude, longitude, zone, currency, climate, size, driver_side, day_turns_at, created_at)
values (@id, @code, @name, @address, @latitude, @longitude, @zone, @currency, @climate, @size, @driver_side, cast(@turns as time), @now)
on conflict (code) do nothing`, v)
	if err != nil {
		return Site{}, err
	}
	err = tx.Exec(`insert into ownership (id, site_id, customer_id, during) values (?, ?, ?, tstzrange(?, null))`,
		pgdb.NewID(), id, customer, since(ownedFrom, now)).Error
	if err != nil {
		return Site{}, err
	}
	return siteInTx(tx, id)
}

// EditSite changes a site that is still at the version seen.
func EditSite(tx *gorm.DB, who access.Actor, id uuid.UUID, version int, in SiteEdit) (Site, error) {
	if err := who.Must(access.KeepRegister); err != nil {
		return Site{}, err
	}
	if err := in.check(tx); err != nil {
		return Site{}, err
	}
	if err := bump(tx, "site", "site", id, version); err != nil {
		return Site{}, err
	}
	if err := codeFree(tx, "site", "site", in.Code, id); err != nil {
		return Site{}, err
	}
	v := in.values()
	v["id"] = id
	err := tx.Exec(`
update site set code = @code, name = @name, address = @address, latitude = @latitude, longitude = @longitude, zone = @zone,
       currency = @currency, climate = @climate, size = @size, driver_side = @driver_side, day_turns_at = cast(@turns as time)
 where id = @id`, v).Error
	if err != nil {
		return Site{}, err
	}
	return siteInTx(tx, id)
}

// Ownership says whose a site is over a span.
type Ownership struct {
	ID           uuid.UUID
	CustomerID   uuid.UUID
	CustomerCode string
	CustomerName string
	From         time.Time
	Until        *time.Time
}

const ownerships = `
select o.id, c.id as customer_id, c.code as customer_code, c.name as customer_name, lower(o.during) as "from", upper(o.during) as until
  from ownership as o
  join customer as c on c.id = o.customer_id
 where o.site_id = @site
   and (@everywhere or o.customer_id = any (@customers))
order by lower(o.during)`

// Ownerships lists whose the site is and was, oldest first. An owner sees the
// own spans only.
func Ownerships(ctx context.Context, db *pgdb.DB, who access.Actor, site uuid.UUID) ([]Ownership, error) {
	if _, err := OneSite(ctx, db, who, site); err != nil {
		return nil, err
	}
	return pgdb.Read[Ownership](ctx, db, who.ID, ownerships, args(who, map[string]any{"site": site}))
}

// HandOver makes the site another customer's from an instant on. It may lie
// ahead: a sale that is agreed. The span of the owner before ends there.
func HandOver(tx *gorm.DB, who access.Actor, site, customer uuid.UUID, from time.Time) ([]Ownership, error) {
	if err := who.Must(access.KeepRegister); err != nil {
		return nil, err
	}
	if _, err := siteInTx(tx, site); err != nil {
		return nil, err
	}
	type last struct {
		ID, CustomerID uuid.UUID
		From           time.Time
		Until          *time.Time
	}
	l, err := pgdb.One[last](tx, "owner", "", `
select id, customer_id, lower(during) as "from", upper(during) as until
  from ownership
 where site_id = @site
order by lower(during) desc
   limit 1
   for update`, map[string]any{"site": site})
	if err != nil {
		return nil, err
	}
	switch {
	case l.CustomerID == customer:
		return nil, fault.Field("customer_id", customer, "already owns the site since %s", l.From.UTC().Format(time.RFC3339))
	case !from.After(l.From):
		return nil, fault.Field("from", from.UTC().Format(time.RFC3339), "must lie after %s, when the present owner's time began", l.From.UTC().Format(time.RFC3339))
	}
	err = tx.Exec(`update ownership set during = tstzrange(lower(during), @from) where id = @id`, map[string]any{"from": from, "id": l.ID}).Error
	if err != nil {
		return nil, err
	}
	err = tx.Exec(`insert into ownership (id, site_id, customer_id, during) values (?, ?, ?, tstzrange(?, null))`,
		pgdb.NewID(), site, customer, from).Error
	if err != nil {
		return nil, err
	}
	var all []Ownership
	err = tx.Raw(ownerships, everywhere(map[string]any{"site": site})).Scan(&all).Error
	return all, err
}
