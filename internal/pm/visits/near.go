package visits

import (
	"cmp"
	"context"
	"math"
	"slices"
	"time"

	"github.com/google/uuid"

	"spindlebook/internal/access"
	"spindlebook/internal/parts/amount"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pm/visits/route"
)

// Nearby is somebody who is out with a van around now, as seen from another site.
type Nearby struct {
	PersonID   uuid.UUID
	Person     string
	VisitID    uuid.UUID
	SiteCode   string
	SiteName   string
	Zone       string
	StartsAt   time.Time
	EndsAt     time.Time
	State      string // of the visit: planned or under way
	VanCode    string
	Kilometres *float64 // by road, about; nil where nobody has said where one of the sites lies
	Away       string   // the same in words, in the unit in which distances are told; "" where it is nil
	Parts      []Carried
}

// Carried is a part in a van that is the same as one that is fitted at a position.
type Carried struct {
	PartID uuid.UUID
	Number string
	Says   string
	Amount amount.Amount
	Unit   string
}

// aroundNow is how long before a visit, and after it, its people count as being near.
const aroundNow = 3 * time.Hour

// mostNearby is how many are named.
const mostNearby = 8

const nearby = `
with fitted as (select distinct f.part_id from fitted_now as f where f.position_id = @position and f.part_id is not null)
select p.person_id, coalesce(a.name, '') as person, v.id as visit_id, s.code as site_code, s.name as site_name, s.zone, lower(p.during) as starts_at, upper(p.during) as ends_at, v.state,
       coalesce(l.code, '') as van_code, s.latitude, s.longitude, h.latitude as here_latitude, h.longitude as here_longitude,
       coalesce((select jsonb_agg(jsonb_build_object('PartID', k.part_id, 'Number', q.number, 'Says', q.description, 'Amount', k.amount, 'Unit', q.measured_in) order by q.number)
          from (select n.part_id, sum(n.on_hand) as amount from stock_now as n where n.location_id = v.van_id and n.on_hand > 0 and n.part_id in (select part_id from fitted) group by n.part_id) as k
          join part as q on q.id = k.part_id), '[]') as parts
  from visit as v
  join visit_person as p on p.visit_id = v.id
  join site as s on s.id = v.site_id
  join site as h on h.id = @site
  left join actor as a on a.id = p.person_id
  left join location as l on l.id = v.van_id
 where v.state in ('planned', 'under_way') and v.on_date between cast(@from as date) and cast(@until as date)
   and p.during && tstzrange(cast(@after as timestamptz), cast(@before as timestamptz)) and (@everywhere or v.site_id = any (@sites))`

// Near lists who is out around now, the nearest to a site first, and what of that which is
// fitted at a position of it lies in their vans. Without a position it names no parts.
func Near(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, site uuid.UUID, position *uuid.UUID) ([]Nearby, error) {
	if err := who.Must(access.RecordWork); err != nil {
		return nil, err
	}
	rule, err := Rules(ctx, db, who)
	if err != nil {
		return nil, err
	}
	type row struct {
		PersonID, VisitID                                uuid.UUID
		Person, SiteCode, SiteName, Zone, State, VanCode string
		StartsAt, EndsAt                                 time.Time
		Latitude, Longitude, HereLatitude, HereLongitude *float64
		Parts                                            []Carried
	}
	rows, err := pgdb.Read[row](ctx, db, who.ID, nearby, who.Scope(map[string]any{"site": site, "position": position, "after": now.Add(-aroundNow), "before": now.Add(aroundNow),
		"from": now.AddDate(0, 0, -1).UTC(), "until": now.AddDate(0, 0, 1).UTC()}))
	all := []Nearby{}
	for _, r := range rows {
		n := Nearby{PersonID: r.PersonID, Person: r.Person, VisitID: r.VisitID, SiteCode: r.SiteCode, SiteName: r.SiteName, Zone: r.Zone, StartsAt: r.StartsAt, EndsAt: r.EndsAt, State: r.State,
			VanCode: r.VanCode, Parts: r.Parts}
		if r.Latitude != nil && r.HereLatitude != nil {
			km := rule.RoadFactor * route.Point{Latitude: *r.Latitude, Longitude: *r.Longitude}.Kilometres(route.Point{Latitude: *r.HereLatitude, Longitude: *r.HereLongitude})
			n.Kilometres, n.Away = &km, route.Unit(rule.Distances).Of(km)
		}
		all = append(all, n)
	}
	far := func(n Nearby) float64 {
		if n.Kilometres == nil {
			return math.Inf(1)
		}
		return *n.Kilometres
	}
	slices.SortFunc(all, func(a, b Nearby) int {
		return cmp.Or(cmp.Compare(far(a), far(b)), a.StartsAt.Compare(b.StartsAt), cmp.Compare(a.Person, b.Person))
	})
	// whoever has two visits around now is named where they are nearer
	seen := map[uuid.UUID]bool{}
	all = slices.DeleteFunc(all, func(n Nearby) bool { was := seen[n.PersonID]; seen[n.PersonID] = true; return was })
	return all[:min(len(all), mostNearby)], err
}
