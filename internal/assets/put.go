package assets

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
)

// Put records that a unit went to a place, and ends the stay that it was in.
// A slot must be empty from then on: what is in it leaves by a swap, with a reason.
func Put(tx *gorm.DB, who access.Actor, now time.Time, in Putting) (Stay, error) {
	if err := who.Must(access.RecordWork); err != nil {
		return Stay{}, err
	}
	all, err := putAll(tx, who, now, []Putting{in}, func(_ int, field string) string { return field })
	if err != nil {
		return Stay{}, err
	}
	return all[0], nil
}

// PutAll records where many units went, all or none, in a number of statements
// that does not grow with them. Each unit and each slot stands in the list once.
// A fault names the place in the list.
func PutAll(tx *gorm.DB, who access.Actor, now time.Time, in []Putting) ([]Stay, error) {
	if err := who.Must(access.RecordWork); err != nil {
		return nil, err
	}
	return putAll(tx, who, now, in, func(i int, field string) string { return fmt.Sprintf("items[%d].%s", i, field) })
}

// lock holds slots and then units until the transaction ends, everybody in the
// same order: of two who fit into one slot at once the second sees what the
// first did, and two swaps of one pair wait for each other without blocking.
func lock(tx *gorm.DB, kind string, ids []uuid.UUID) error {
	keys := make(Texts, len(ids))
	for i, id := range ids {
		keys[i] = kind + " " + id.String()
	}
	slices.Sort(keys)
	return tx.Exec(`select pg_advisory_xact_lock(hashtextextended(k, 0)) from unnest(cast(? as text[])) with ordinality as u(k, n) order by n`,
		Texts(slices.Compact(keys))).Error
}

type putRow struct {
	Place      int        `json:"place"`
	ID         uuid.UUID  `json:"id"`
	UnitID     uuid.UUID  `json:"unit_id"`
	SlotID     *uuid.UUID `json:"slot_id"`
	LocationID *uuid.UUID `json:"location_id"`
	SiteID     *uuid.UUID `json:"site_id"`
	From       *time.Time `json:"from"`
	Precision  string     `json:"precision"`
	Remark     string     `json:"remark"`
}

const putRows = `jsonb_to_recordset(cast(@rows as jsonb)) as r(place int, id uuid, unit_id uuid, slot_id uuid, location_id uuid, site_id uuid,
       "from" timestamptz, precision text, remark text)`

// ending is a stay that ends.
type ending struct {
	ID        uuid.UUID `json:"id"`
	At        time.Time `json:"at"`
	Precision string    `json:"precision"`
	Reason    string    `json:"reason"`
}

func end(tx *gorm.DB, all []ending) error {
	if len(all) == 0 {
		return nil
	}
	doc, err := json.Marshal(all)
	if err != nil {
		return err
	}
	r := tx.Exec(`
update stay as st set during = tstzrange(lower(st.during), r.at), until_precision = r.precision, ended_for = r.reason
  from jsonb_to_recordset(cast(? as jsonb)) as r(id uuid, at timestamptz, precision text, reason text)
 where st.id = r.id`, string(doc))
	if r.Error == nil && r.RowsAffected != int64(len(all)) { // seen, but not the actor's to end
		return fault.Missing("stay", all[0].ID.String())
	}
	return r.Error
}

// what is known of each unit, of the place it goes to, and of where it was last
const checkPuts = `
select r.place, u.id is not null as unit_known, coalesce(u.tag, '') as tag, coalesce(p.class, '') as class,
       s.id is not null as slot_known, coalesce(s.class, '') as takes, coalesce(coalesce(po.code, h.tag) || ', ' || lower(s.name), '') as slot, s.unit_id as holder_id,
       exists (select from position_state as ps where ps.position_id = s.position_id and ps.state = 'retired' and ps.during @> coalesce(r."from", @now)) as retired,
       l.id is not null as location_known, coalesce(s.site_id, l.site_id) as site_id,
       t.unit_id as there_id, coalesce(t.tag, '') as there_tag, t.since as there_since,
       w.id as last_id, w.since, w.until, w.slot_id as last_slot, w.location_id as last_location, coalesce(w.name, '') as last_name
  from ` + putRows + `
  left join unit as u on u.id = r.unit_id
  left join part as p on p.id = u.part_id
  left join slot as s on s.id = r.slot_id
  left join position as po on po.id = s.position_id
  left join unit as h on h.id = s.unit_id
  left join location as l on l.id = r.location_id
  left join lateral (select st.unit_id, o.tag, lower(st.during) as since
                       from stay as st join unit as o on o.id = st.unit_id
                      where st.slot_id = r.slot_id and st.during && tstzrange(r."from", null)
                   order by lower(st.during) nulls first limit 1) as t on true
  left join lateral (select st.id, lower(st.during) as since, upper(st.during) as until, st.slot_id, st.location_id,
                            coalesce(ll.code, coalesce(lp.code, lh.tag) || ', ' || lower(ls.name)) as name
                       from stay as st
                       left join slot as ls on ls.id = st.slot_id
                       left join position as lp on lp.id = ls.position_id
                       left join unit as lh on lh.id = ls.unit_id
                       left join location as ll on ll.id = st.location_id
                      where st.unit_id = r.unit_id
                   order by lower(st.during) desc nulls last limit 1) as w on true
order by r.place`

// putCheck is a row of checkPuts.
type putCheck struct {
	Place                  int
	UnitKnown              bool
	Tag, Class             string
	SlotKnown              bool
	Takes, Slot            string
	HolderID               *uuid.UUID
	Retired                bool
	LocationKnown          bool
	SiteID                 *uuid.UUID
	ThereID                *uuid.UUID
	ThereTag               string
	ThereSince             *time.Time
	LastID                 *uuid.UUID
	Since, Until           *time.Time
	LastSlot, LastLocation *uuid.UUID
	LastName               string
}

func stamp(t time.Time) string { return t.UTC().Format(time.RFC3339) }

// precise gives the precision of an instant, or what is wrong with it.
func (in Putting) precise(now time.Time) (string, *fault.Error) {
	p := in.Precision
	switch {
	case in.From == nil && p == "":
		p = "unknown"
	case in.From != nil && p == "":
		p = "instant"
	}
	switch {
	case (in.SlotID == nil) == (in.LocationID == nil):
		return p, fault.Field("slot_id", "", "or location_id says where the unit goes: one of the two")
	case !slices.Contains(Precisions, p):
		return p, fault.Field("precision", p, "is one of %s", strings.Join(Precisions, ", "))
	case (p == "unknown") != (in.From == nil):
		return p, fault.Field("precision", p, "is unknown where no time is given, and only there")
	case in.From != nil && in.From.After(now):
		return p, fault.Field("from", stamp(*in.From), "must not lie ahead: a fitting is recorded when it is done")
	}
	return p, nil
}

// refuse says what speaks against a unit's going to a place; nil where nothing does.
func (c putCheck) refuse(in Putting) *fault.Error {
	conflict := func(field, value, format string, args ...any) *fault.Error {
		return &fault.Error{Kind: fault.Conflict, Field: field, Value: value, Msg: fmt.Sprintf(format, args...)}
	}
	switch {
	case !c.UnitKnown:
		return fault.Field("unit_id", in.UnitID, "names no unit")
	case in.SlotID != nil && !c.SlotKnown:
		return fault.Field("slot_id", *in.SlotID, "names no slot")
	case in.LocationID != nil && !c.LocationKnown:
		return fault.Field("location_id", *in.LocationID, "names no location")
	case c.Retired:
		return conflict("slot_id", c.Slot, "belongs to a position that is retired; nothing is fitted there")
	case in.SlotID != nil && c.Class != c.Takes:
		return fault.Field("unit_id", c.Tag, "is a %s; this slot takes a %s", words(c.Class), words(c.Takes))
	case c.HolderID != nil && *c.HolderID == in.UnitID:
		return fault.Field("slot_id", c.Slot, "is a slot of this very unit")
	case c.ThereID != nil && *c.ThereID != in.UnitID:
		f := conflict("slot_id", c.Slot, "holds %s then; take it out by a swap, with the reason", c.ThereTag)
		if in.From != nil && c.ThereSince != nil && c.ThereSince.After(*in.From) {
			f.Msg = fmt.Sprintf("holds %s from %s on; what is fitted is recorded in the order in which it was done", c.ThereTag, stamp(*c.ThereSince))
		}
		f.Existing = &fault.Ref{Kind: "unit", ID: c.ThereID.String(), Code: c.ThereTag}
		return f
	}
	if c.LastID == nil {
		return nil
	}
	same := func(a, b *uuid.UUID) bool { return a != nil && b != nil && *a == *b }
	switch {
	case in.From == nil:
		return conflict("from", "", "%s has a recorded place already (%s): say when it left it", c.Tag, c.LastName)
	case c.Since != nil && !in.From.After(*c.Since):
		return conflict("from", stamp(*in.From), "must lie after %s, when %s came to %s", stamp(*c.Since), c.Tag, c.LastName)
	case c.Until != nil && in.From.Before(*c.Until):
		return conflict("from", stamp(*in.From), "must not lie before %s, when %s left %s", stamp(*c.Until), c.Tag, c.LastName)
	case c.Until != nil:
		return nil // a swap has just taken it out
	case same(in.SlotID, c.LastSlot), same(in.LocationID, c.LastLocation):
		return conflict("unit_id", c.Tag, "is there already")
	case c.reason(in) == "":
		return fault.Field("reason", "", "is needed: %s leaves %s; it is one of %s", c.Tag, c.LastName, strings.Join(Reasons, ", "))
	case !slices.Contains(Reasons, c.reason(in)):
		return fault.Field("reason", in.Reason, "is one of %s", strings.Join(Reasons, ", "))
	}
	return nil
}

// reason gives why the stay before ends: what lies in stock needs none.
func (c putCheck) reason(in Putting) string {
	switch {
	case in.Reason != "" || c.LastLocation == nil:
		return in.Reason
	case in.SlotID != nil:
		return "fitted"
	}
	return "moved"
}

// words writes a code as people say it.
func words(code string) string { return strings.ReplaceAll(code, "_", " ") }

// putAll does the work; path names a field of a row in a fault.
func putAll(tx *gorm.DB, who access.Actor, now time.Time, in []Putting, path func(i int, field string) string) ([]Stay, error) {
	if len(in) == 0 {
		return []Stay{}, nil
	}
	bad := make([]*fault.Error, len(in)) // one for each row: the first that speaks against it
	blame := func(i int, f *fault.Error) {
		if f != nil && bad[i] == nil {
			f.Field = path(i, f.Field)
			bad[i] = f
		}
	}
	rows, ids := make([]putRow, len(in)), make(Texts, len(in))
	var slots, moved []uuid.UUID
	seen := map[uuid.UUID]int{}
	once := func(i int, field string, id uuid.UUID) {
		if j, twice := seen[id]; twice {
			blame(i, fault.Field(field, id, "stands in %s too", strings.TrimSuffix(path(j, ""), ".")))
		}
		seen[id] = i
	}
	for i, p := range in {
		precision, f := p.precise(now)
		blame(i, f)
		once(i, "unit_id", p.UnitID)
		moved = append(moved, p.UnitID)
		if p.SlotID != nil {
			once(i, "slot_id", *p.SlotID)
			slots = append(slots, *p.SlotID)
		}
		rows[i] = putRow{Place: i, ID: pgdb.NewID(), UnitID: p.UnitID, SlotID: p.SlotID, LocationID: p.LocationID, From: p.From, Precision: precision,
			Remark: strings.TrimSpace(p.Remark)}
		ids[i] = rows[i].ID.String()
	}
	if err := lock(tx, "slot", slots); err != nil {
		return nil, err
	}
	if err := lock(tx, "unit", moved); err != nil {
		return nil, err
	}
	doc, err := json.Marshal(rows)
	if err != nil {
		return nil, err
	}
	var checks []putCheck
	if err := tx.Raw(checkPuts, map[string]any{"rows": string(doc), "now": now}).Scan(&checks).Error; err != nil {
		return nil, err
	}
	var ends []ending
	for _, c := range checks {
		p := in[c.Place]
		blame(c.Place, c.refuse(p))
		rows[c.Place].SiteID = c.SiteID
		if c.LastID != nil && c.Until == nil && p.From != nil {
			ends = append(ends, ending{*c.LastID, *p.From, rows[c.Place].Precision, c.reason(p)})
		}
	}
	if err := fault.Collect(bad...); err != nil {
		return nil, err
	}
	if err := end(tx, ends); err != nil {
		return nil, err
	}
	if doc, err = json.Marshal(rows); err != nil {
		return nil, err
	}
	err = tx.Exec(`
insert into stay (id, unit_id, slot_id, location_id, site_id, during, from_precision, remark, recorded_at, recorded_by)
select id, unit_id, slot_id, location_id, site_id, tstzrange("from", null), precision, remark, @now, @who from `+putRows,
		map[string]any{"rows": string(doc), "now": now, "who": who.ID}).Error
	if err != nil {
		return nil, err
	}
	var all []Stay
	err = tx.Raw(stays+` where st.id = any (cast(@ids as uuid[])) order by array_position(cast(@ids as uuid[]), st.id)`, map[string]any{"ids": ids}).Scan(&all).Error
	return all, err
}
