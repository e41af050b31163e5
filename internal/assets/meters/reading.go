package meters

import (
	"context"
	"fmt"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
)

// Reading is what was seen on a meter.
type Reading struct {
	ID         uuid.UUID
	MeterID    uuid.UUID
	SiteID     uuid.UUID
	Meter      string // its code
	Unit       Unit
	At         time.Time // when it was seen
	Value      int64
	Typed      string // as it was typed, with its unit
	Source     string
	State      string // counts, doubtful, quarantined, voided or superseded
	Doubt      *string
	Total      *int64 // what it stands for; nil where it does not count
	ReceivedAt time.Time
	RecordedBy string
	// What was said of it last: the explanation, or why it was voided.
	Act    *string
	Reason *string
	ActBy  *string
	ByID   *uuid.UUID // the reading that took its place
	Nth    int
}

const readings = `
select r.id, r.meter_id, r.site_id, m.code as meter, m.unit, r.at, r.value, r.typed, r.source, r.state, r.doubt,
       case r.state when 'counts' then g.base + r.value - g.start_value end as total,
       r.received_at, coalesce(a.name, '') as recorded_by, c.act, c.reason, c.name as act_by, c.by_reading as by_id, r.nth
  from reading as r
  join meter as m on m.id = r.meter_id
  left join meter_segment as g on g.meter_id = r.meter_id and g.during @> r.at
  left join actor as a on a.id = r.recorded_by
  left join lateral (select t.act, t.reason, t.by_reading, n.name
                       from reading_act as t left join actor as n on n.id = t.recorded_by
                      where t.reading_id = r.id order by t.id desc limit 1) as c on true`

const readingList = readings + `
 where r.meter_id = @meter and (r.at, r.nth) < (@at, @nth)
order by r.at desc, r.nth desc
   limit @limit`

// Readings lists what was read on a meter, the latest first, also what was
// voided or superseded. The key of a page is Reading.Key.
func Readings(ctx context.Context, db *pgdb.DB, who access.Actor, meter uuid.UUID, p access.Page) ([]Reading, error) {
	if _, err := One(ctx, db, who, meter); err != nil {
		return nil, err
	}
	at, nth, err := afterKey(p.After)
	if err != nil {
		return nil, err
	}
	return pgdb.Read[Reading](ctx, db, who.ID, readingList, map[string]any{"meter": meter, "at": at, "nth": nth, "limit": p.Limit})
}

// Key gives the place of a reading in the list of its meter.
func (r Reading) Key() string { return fmt.Sprintf("%d.%d", r.At.UnixMicro(), r.Nth) }

func afterKey(key string) (time.Time, int, error) {
	if key == "" {
		return time.Date(9999, 1, 1, 0, 0, 0, 0, time.UTC), 0, nil
	}
	us, nth, _ := strings.Cut(key, ".")
	at, err := strconv.ParseInt(us, 10, 64)
	n, err2 := strconv.Atoi(nth)
	if err != nil || err2 != nil {
		return time.Time{}, 0, &fault.Error{Kind: fault.Malformed, Field: "query.cursor", Value: key, Msg: "is not one that this list gave"}
	}
	return time.UnixMicro(at), n, nil
}

const doubtList = readings + `
 where r.state in ('doubtful', 'quarantined')
   and (@everywhere or r.site_id = any (@sites))
   and (cast(@site as uuid) is null or r.site_id = @site)
   and r.id > @after
order by r.id
   limit @limit`

// Doubts lists readings that wait for an explanation, the one that came first
// first. The key of a page is the id.
func Doubts(ctx context.Context, db *pgdb.DB, who access.Actor, site *uuid.UUID, p access.Page) ([]Reading, error) {
	after := uuid.Nil
	if p.After != "" {
		var err error
		if after, err = uuid.Parse(p.After); err != nil {
			return nil, &fault.Error{Kind: fault.Malformed, Field: "query.cursor", Value: p.After, Msg: "is not one that this list gave"}
		}
	}
	return pgdb.Read[Reading](ctx, db, who.ID, doubtList, who.Scope(map[string]any{"site": site, "after": after, "limit": p.Limit}))
}

const oneReading = readings + ` where r.id = @id`

func readingInTx(tx *gorm.DB, id uuid.UUID) (Reading, error) {
	return pgdb.One[Reading](tx, "reading", id.String(), oneReading, map[string]any{"id": id})
}

// Doubt is a reading with what may be behind it.
type Doubt struct {
	Reading
	Says   string
	Offers []Offer
}

// OneReading gives a reading, and where it waits for an explanation, those that
// there are with what each would mean, also the meters of the site on which the
// value would fit.
func OneReading(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, id uuid.UUID) (Doubt, error) {
	r, err := pgdb.ReadOne[Reading](ctx, db, who.ID, "reading", id.String(), oneReading+` and (@everywhere or r.site_id = any (@sites))`, who.Scope(map[string]any{"id": id}))
	if err != nil || r.Doubt == nil || r.State != "doubtful" && r.State != "quarantined" {
		return Doubt{Reading: r}, err
	}
	d := Doubt{Reading: r}
	if !who.May(access.ReadCounters) {
		return d, nil
	}
	err = db.InTx(ctx, who.ID, func(tx *gorm.DB) error {
		m, v, err := judgeAgain(tx, r, false)
		if err != nil {
			return err
		}
		v.doubt = *r.Doubt
		d.Says = v.says(r.Unit, v.doubt, r.Value, r.At, now)
		if v.doubt == "time" || v.doubt == "unreliable" {
			return nil
		}
		d.Offers = v.offers(r.Unit, r.Value)
		return m.elsewhere(tx, r, &d.Offers)
	})
	return d, err
}

// judgeAgain holds a recorded reading against what counts beside it now.
func judgeAgain(tx *gorm.DB, r Reading, locking bool) (*taking, verdict, error) {
	byID, _, err := toTake(tx, []NewReading{{MeterID: r.MeterID}}, locking)
	if err != nil {
		return nil, verdict{}, err
	}
	m := byID[r.MeterID]
	if m == nil {
		return nil, verdict{}, fault.Missing("meter", r.MeterID.String())
	}
	before, after, err := beside(tx, r.MeterID, r.At)
	if err != nil {
		return nil, verdict{}, err
	}
	return m, judge(m.runs, m.bound, r.At, r.Value, before, after), nil
}

// beside gives what counts next to an instant.
func beside(tx *gorm.DB, meter uuid.UUID, at time.Time) (before, after *counted, err error) {
	meters, ats := []uuid.UUID{meter}, []time.Time{at}
	var n neighbourRow
	if err := tx.Raw(`select * from reading_neighbours(@meters, @ats)`, map[string]any{"meters": &meters, "ats": &ats}).Scan(&n).Error; err != nil {
		return nil, nil, err
	}
	if n.BeforeAt != nil {
		before = &counted{*n.BeforeAt, *n.BeforeValue}
	}
	if n.AfterAt != nil {
		after = &counted{*n.AfterAt, *n.AfterValue}
	}
	return before, after, nil
}

// elsewhere names the meters of the site on which a value would have fitted.
func (m *taking) elsewhere(tx *gorm.DB, r Reading, offers *[]Offer) error {
	var others []struct {
		ID   uuid.UUID
		Code string
	}
	if err := tx.Raw(`select id, code from meter where site_id = @site and unit = @unit and id <> @id and kind <> 'computed' order by code limit 50`,
		map[string]any{"site": r.SiteID, "unit": string(r.Unit), "id": r.MeterID}).Scan(&others).Error; err != nil || len(others) == 0 {
		return err
	}
	asked, ids, ats := make([]NewReading, len(others)), make([]uuid.UUID, len(others)), make([]time.Time, len(others))
	for i, o := range others {
		asked[i], ids[i], ats[i] = NewReading{MeterID: o.ID}, o.ID, r.At
	}
	byID, _, err := toTake(tx, asked, false)
	if err != nil {
		return err
	}
	var near []neighbourRow
	if err := tx.Raw(`select * from reading_neighbours(@meters, @ats)`, map[string]any{"meters": &ids, "ats": &ats}).Scan(&near).Error; err != nil {
		return err
	}
	for _, n := range near {
		o := byID[ids[n.N-1]]
		if o == nil || n.BeforeAt == nil || n.SameID != nil && *n.SameValue != r.Value {
			continue
		}
		before := &counted{*n.BeforeAt, *n.BeforeValue}
		var after *counted
		if n.AfterAt != nil {
			after = &counted{*n.AfterAt, *n.AfterValue}
		}
		if judge(o.runs, o.bound, r.At, r.Value, before, after).doubt == "" {
			*offers = append(*offers, Offer{As: "wrong_meter", Fits: true, MeterID: o.ID.String(),
				Means: fmt.Sprintf("read on %s: would mean %s there since %s", o.Code, o.Unit.say(r.Value-before.value), o.Unit.say(before.value))})
		}
	}
	return nil
}
