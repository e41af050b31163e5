package assets

import (
	"context"
	"time"

	"github.com/google/uuid"

	"spindlebook/internal/access"
	"spindlebook/internal/pgdb"
)

// Overview is a site with what of it is in service and what is not known.
type Overview struct {
	Site
	Lines      int
	Brushes    int // those that are retired do not count
	Parked     int // positions of any duty
	Empty      int
	Missing    int // facts without which parts cannot be chosen
	Unisolated int // brushes for which no isolation point is recorded
	// CheckedOn is the date of the oldest last check of an isolation point.
	CheckedOn *string
}

// The counts are made for the sites of the page only, each in one pass. Their
// keys go into the passes as an array, so that each goes by its index.
const overviews = `
with listed as (` + sites + ofCustomer + `
   and (cast(@site as uuid) is null or s.id = @site)
   and s.code > @after
order by s.code
   limit @limit
),
live as (
  select p.id, p.site_id, p.duty, p.turns, p.state
    from position_now as p
   where p.site_id = any (array(select id from listed))
     and p.state in ('in_service', 'parked', 'empty')
),
known as (
  select distinct f.position_id, f.fact
    from position_fact as f
   where f.site_id = any (array(select id from listed))
     and f.withdrawn_at is null
     and f.during @> cast(@now as timestamptz)
),
wanted as (
  select l.id, l.site_id, w.fact
    from live as l
    join lateral (select unnest(cast(@of_brush as text[])) as fact
                   union all
                  select unnest(cast(@to_turn as text[])) where l.turns = 'recorded') as w on true
   where l.duty = 'brush'
),
missing as (
  select w.site_id, count(*) as n
    from wanted as w
    left join known as k on k.position_id = w.id and k.fact = w.fact
   where k.fact is null
group by w.site_id
),
counted as (
  select l.site_id,
         count(*) filter (where l.duty = 'brush') as brushes,
         count(*) filter (where l.state = 'parked') as parked,
         count(*) filter (where l.state = 'empty') as empty,
         count(*) filter (where l.duty = 'brush' and i.position_id is null) as unisolated
    from live as l
    left join (select distinct position_id from position_isolation where site_id = any (array(select id from listed))) as i on i.position_id = l.id
group by l.site_id
),
laid as (
  select site_id, count(*) as n
    from line
   where site_id = any (array(select id from listed))
     and during @> cast(@now as timestamptz)
group by site_id
),
checked as (
  select site_id, min(checked_on) as first
    from isolation_version
   where site_id = any (array(select id from listed))
     and during @> cast(@now as timestamptz)
group by site_id
)
select s.*, coalesce(l.n, 0) as lines, coalesce(c.brushes, 0) as brushes, coalesce(c.parked, 0) as parked,
       coalesce(c.empty, 0) as empty, coalesce(m.n, 0) as missing, coalesce(c.unisolated, 0) as unisolated,
       to_char(k.first, 'YYYY-MM-DD') as checked_on
  from listed as s
  left join laid as l on l.site_id = s.id
  left join counted as c on c.site_id = s.id
  left join missing as m on m.site_id = s.id
  left join checked as k on k.site_id = s.id
order by s.code`

// OverviewFilter narrows a list of overviews; a nil field does not.
type OverviewFilter struct {
	CustomerID *uuid.UUID
	SiteID     *uuid.UUID
}

// Overviews lists the sites in the actor's scope by code, each with its counts.
func Overviews(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, f OverviewFilter, p Page) ([]Overview, error) {
	return pgdb.Read[Overview](ctx, db, who.ID, overviews, pageArgs(who, p, map[string]any{
		"customer": f.CustomerID, "site": f.SiteID, "now": now, "of_brush": wantedOfBrush, "to_turn": wantedToTurn}))
}

// Stopped is a position that is not in service.
type Stopped struct {
	Position
	SiteCode string
	SiteName string
	Zone     string
}

const stopped = `
select p.id, p.site_id, p.line_id, p.code, p.name, p.kind, p.kind_name, p.duty, p.turns, p.line_side, p.along_m, p.along_typed, p.supply_id,
       p.version, p.created_at, p."from", p.until, p.state, p.state_since, p.state_reason, p.twin_id, p.aliases,
       s.code as site_code, s.name as site_name, s.zone
  from position_state as h
  join position_now as p on p.id = h.position_id
  join site as s on s.id = p.site_id
 where (@everywhere or h.site_id = any (@sites))
   and h.state in ('parked', 'empty')
   and h.during @> now()
order by p.state_since desc, p.code
   limit @limit`

// NotInService lists the positions in the actor's scope that are parked or
// empty, the newest first, at most limit of them.
func NotInService(ctx context.Context, db *pgdb.DB, who access.Actor, limit int) ([]Stopped, error) {
	return pgdb.Read[Stopped](ctx, db, who.ID, stopped, args(who, map[string]any{"limit": limit}))
}

// Spot is where a position stands and its state: what a small drawing needs.
type Spot struct {
	SiteID   uuid.UUID
	LineID   uuid.UUID
	LineCode string
	LengthM  *float64
	Brush    bool
	LineSide string
	AlongM   float64
	State    string
}

const spots = `
select p.site_id, l.id as line_id, l.code as line_code, l.length_m, p.duty = 'brush' as brush, p.line_side, p.along_m, p.state
  from position_now as p
  join line as l on l.id = p.line_id
 where (@everywhere or p.site_id = any (@sites))
   and p.site_id = any (@wanted)
   and p.along_m is not null
   and p.state in ('in_service', 'parked', 'empty')
order by l.code, p.along_m
   limit 10000`

// Spots gives the positions of the lines of some sites, in the order of lines
// and along each.
func Spots(ctx context.Context, db *pgdb.DB, who access.Actor, wanted []uuid.UUID) ([]Spot, error) {
	return pgdb.Read[Spot](ctx, db, who.ID, spots, args(who, map[string]any{"wanted": wanted}))
}

// FactsNow lists what holds now for every position of a site.
func FactsNow(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, site uuid.UUID) ([]Fact, error) {
	return pgdb.Read[Fact](ctx, db, who.ID, ofPosition.sql.Replace(factsOf)+`
 where f.site_id = @site
   and (@everywhere or f.site_id = any (@sites))
   and f.withdrawn_at is null
   and f.during @> cast(@now as timestamptz)
order by f.position_id, k.name`, args(who, map[string]any{"site": site, "now": now}))
}

// CustomerOverview is a customer with the number of sites that are theirs now.
type CustomerOverview struct {
	Customer
	Sites int
}

// CustomerOverviews lists the customers that the actor may see, by code.
func CustomerOverviews(ctx context.Context, db *pgdb.DB, who access.Actor, p Page) ([]CustomerOverview, error) {
	return pgdb.Read[CustomerOverview](ctx, db, who.ID, `
select c.id, c.code, c.name, c.needs_order_number, c.version, c.created_at,
       (select count(*) from ownership_now as o where o.customer_id = c.id) as sites
  from customer as c
 where (@everywhere or c.id = any (@customers))
   and c.code > @after
order by c.code
   limit @limit`, pageArgs(who, p, nil))
}

// Named is a recorded thing with the words by which people know it.
type Named struct {
	ID   uuid.UUID
	Kind string // customer, site, line, position, isolation_point, supply or actor
	Code string // "" where there is none
	Name string
	Zone string // of a site
}

const named = `
select id, 'customer' as kind, code, name, '' as zone from customer where id = any (@ids) and (@everywhere or id = any (@customers))
 union all
select id, 'site', code, name, zone from site where id = any (@ids) and (@everywhere or id = any (@sites))
 union all
select id, 'line', code, name, '' from line where id = any (@ids) and ` + mine + `
 union all
select id, 'position', code, name, '' from position where id = any (@ids) and ` + mine + `
 union all
select id, 'isolation_point', code, energy, '' from isolation_point where id = any (@ids) and ` + mine + `
 union all
select id, 'supply', code, '', '' from supply where id = any (@ids) and ` + mine + `
 union all
select id, 'actor', '', name, '' from actor where id = any (@ids)`

// Names looks up many things at once, of any kind, as far as the actor sees them.
func Names(ctx context.Context, db *pgdb.DB, who access.Actor, ids []uuid.UUID) ([]Named, error) {
	return pgdb.Read[Named](ctx, db, who.ID, named, args(who, map[string]any{"ids": ids}))
}
