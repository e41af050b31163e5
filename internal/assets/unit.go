package assets

import (
	"context"
	"encoding/json"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/fault"
	"spindlebook/internal/ident"
	"spindlebook/internal/pgdb"
)

// Unit is one physical thing. Our own tag is on it; the maker's serial is text
// and may be missing, unreadable or the same on two units.
type Unit struct {
	ID              uuid.UUID
	Tag             string
	PartID          uuid.UUID
	PartNumber      string
	PartDescription string
	Class           string
	Serial          *string
	Owner           string     // distributor, consignment or customer
	OwnerCustomerID *uuid.UUID // nil also where the actor may not see that customer
	Lot             string
	Pattern         *string // of a media set: its sections from the bottom up
	// What it had done before this record began; nil is unknown.
	StartHours    *float64
	StartVehicles *int64
	StartDays     *int
	Version       int
	CreatedAt     time.Time
	// Where it is now; all nil where that is unknown or not the actor's to see.
	StayID       *uuid.UUID
	Since        *time.Time // nil with a stay: unknown
	PositionID   *uuid.UUID
	PositionCode *string
	Slot         *string
	HolderID     *uuid.UUID // the unit it is a part of
	HolderTag    *string
	LocationID   *uuid.UUID
	LocationCode *string
}

// UnitEdit is what of a unit can be given and changed.
type UnitEdit struct {
	PartID          uuid.UUID
	Serial          string // "" where there is none that can be read
	Owner           string // "" is the distributor
	OwnerCustomerID *uuid.UUID
	Lot             string
	Pattern         string
	StartHours      *float64
	StartVehicles   *int64
	StartDays       *int
}

// NewUnit is what it takes to record a unit. Tag "" takes the next of our labels.
type NewUnit struct {
	Tag string
	UnitEdit
}

// The place of now is read beside each unit: a stay of its own, and that of the
// unit it is a part of. The customer who owns it is looked up, so that whoever
// may not see that customer is not given the key either.
const units = `
select u.id, u.tag, u.part_id, p.number as part_number, p.description as part_description, p.class, u.serial, u.owner, c.id as owner_customer_id,
       u.lot, u.pattern, u.start_hours, u.start_vehicles, u.start_days, u.version, u.created_at,
       st.id as stay_id, lower(st.during) as since, po.id as position_id, po.code as position_code, s.name as slot,
       h.id as holder_id, h.tag as holder_tag, l.id as location_id, l.code as location_code
  from unit as u
  join part as p on p.id = u.part_id
  left join customer as c on c.id = u.owner_customer_id
  left join stay as st on st.unit_id = u.id and st.during @> cast(@now as timestamptz)
  left join slot as s on s.id = st.slot_id
  left join unit as h on h.id = s.unit_id
  left join stay as hs on hs.unit_id = h.id and hs.during @> cast(@now as timestamptz)
  left join slot as hsl on hsl.id = hs.slot_id
  left join position as po on po.id = coalesce(s.position_id, hsl.position_id) and (@everywhere or po.site_id = any (@sites))
  left join location as l on l.id = coalesce(st.location_id, hs.location_id) and (@everywhere or l.site_id = any (@sites))`

// UnitFilter narrows a list of units; a nil field does not.
type UnitFilter struct {
	SiteID     *uuid.UUID // that are there now
	LocationID *uuid.UUID // that are there now
	PartID     *uuid.UUID
	Class      *string
	Serial     *string // as it is on the plate; neither case nor O for 0 and I for 1 count
}

// Units lists units by tag.
func Units(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, f UnitFilter, p Page) ([]Unit, error) {
	return pgdb.Read[Unit](ctx, db, who.ID, units+`
 where (@everywhere or coalesce(st.site_id, hs.site_id) = any (@sites))
   and (cast(@site as uuid) is null or coalesce(st.site_id, hs.site_id) = @site)
   and (cast(@location as uuid) is null or l.id = @location)
   and (cast(@part as uuid) is null or u.part_id = @part)
   and (cast(@class as text) is null or p.class = @class)
   and (cast(@serial as text) is null or u.serial_read = serial_as_read(@serial))
   and u.tag > @after
order by u.tag
   limit @limit`, pageArgs(who, p, map[string]any{"now": now, "site": f.SiteID, "location": f.LocationID, "part": f.PartID, "class": f.Class, "serial": f.Serial}))
}

// OneUnit gives a unit. An owner sees one that is or was at the own sites.
func OneUnit(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, id uuid.UUID) (Unit, error) {
	return pgdb.ReadOne[Unit](ctx, db, who.ID, "unit", id.String(), units+` where u.id = @id and `+unitMine("u"), args(who, map[string]any{"id": id, "now": now}))
}

func unitInTx(tx *gorm.DB, now time.Time, id uuid.UUID) (Unit, error) {
	found, err := unitsInTx(tx, now, Texts{id.String()})
	if err == nil && len(found) == 0 {
		err = fault.Missing("unit", id.String())
	}
	if err != nil {
		return Unit{}, err
	}
	return found[0], nil
}

// unitsInTx reads units in the order of the ids given.
func unitsInTx(tx *gorm.DB, now time.Time, ids Texts) ([]Unit, error) {
	var found []Unit
	err := tx.Raw(units+` where u.id = any (cast(@ids as uuid[])) order by array_position(cast(@ids as uuid[]), u.id)`,
		everywhere(map[string]any{"ids": ids, "now": now})).Scan(&found).Error
	return found, err
}

type unitRow struct {
	Place           int        `json:"place"`
	ID              uuid.UUID  `json:"id"`
	Tag             string     `json:"tag"`
	PartID          uuid.UUID  `json:"part_id"`
	Serial          *string    `json:"serial"`
	Owner           string     `json:"owner"`
	OwnerCustomerID *uuid.UUID `json:"owner_customer_id"`
	Lot             string     `json:"lot"`
	Pattern         *string    `json:"pattern"`
	StartHours      *float64   `json:"start_hours"`
	StartVehicles   *int64     `json:"start_vehicles"`
	StartDays       *int       `json:"start_days"`
}

const unitRows = `jsonb_to_recordset(cast(@rows as jsonb)) as r(place int, id uuid, tag text, part_id uuid, serial text, owner text, owner_customer_id uuid,
       lot text, pattern text, start_hours float8, start_vehicles bigint, start_days int)`

func given(s string) *string {
	if s = strings.TrimSpace(s); s == "" {
		return nil
	}
	return &s
}

func (in UnitEdit) row() (unitRow, *fault.Error) {
	r := unitRow{PartID: in.PartID, Serial: given(in.Serial), Owner: in.Owner, OwnerCustomerID: in.OwnerCustomerID, Lot: strings.TrimSpace(in.Lot),
		Pattern: given(in.Pattern), StartHours: in.StartHours, StartVehicles: in.StartVehicles, StartDays: in.StartDays}
	if r.Owner == "" {
		r.Owner = "distributor"
	}
	switch {
	case !slices.Contains([]string{"distributor", "consignment", "customer"}, r.Owner):
		return r, fault.Field("owner", in.Owner, "is distributor, consignment or customer")
	case (r.Owner == "customer") != (in.OwnerCustomerID != nil):
		return r, fault.Field("owner_customer_id", in.Owner, "is given where the owner is a customer, and only there")
	case r.Pattern != nil && strings.Trim(*r.Pattern, "AB") != "":
		return r, fault.Field("pattern", *r.Pattern, "is a row of A and B, one letter a section, from the bottom up")
	case in.StartHours != nil && *in.StartHours < 0:
		return r, fault.Field("start_hours", *in.StartHours, "is not below 0; what is unknown is left out")
	case in.StartVehicles != nil && *in.StartVehicles < 0:
		return r, fault.Field("start_vehicles", *in.StartVehicles, "is not below 0; what is unknown is left out")
	case in.StartDays != nil && *in.StartDays < 0:
		return r, fault.Field("start_days", *in.StartDays, "is not below 0; what is unknown is left out")
	}
	return r, nil
}

// whatever stands in the way of each, and what its part says of its pattern
const checkUnits = `
select r.place, p.id is not null as part_known, r.owner_customer_id is null or c.id is not null as customer_known, o.id as holder,
       coalesce(p.class, '') as class, coalesce(f.value, '') as pattern_of_part
  from ` + unitRows + `
  left join part as p on p.id = r.part_id
  left join part_fact as f on f.part_id = p.id and f.fact = 'media_pattern'
  left join customer as c on c.id = r.owner_customer_id
  left join unit as o on o.tag = r.tag
order by r.place`

var tagForm = regexp.MustCompile(`^[A-Z0-9][A-Z0-9-]{0,23}$`)

// newTags gives the next of our labels for each unit that has none. Labels may
// be printed before they are used, so that one which is on a unit already, or
// is given in this list, is passed over.
func newTags(tx *gorm.DB, in []NewUnit) ([]string, error) {
	want, given := 0, map[string]bool{}
	for _, n := range in {
		if n.Tag == "" {
			want++
		}
		given[n.Tag] = true
	}
	var tags []string
	for len(tags) < want {
		var numbers []int64
		if err := tx.Raw(`select nextval('unit_tag_seq') from generate_series(1, ?)`, want-len(tags)).Scan(&numbers).Error; err != nil {
			return nil, err
		}
		drawn := make(Texts, len(numbers))
		for i, n := range numbers {
			drawn[i] = ident.Tag(n)
		}
		var used []string
		if err := tx.Raw(`select tag from unit where tag = any (cast(? as text[]))`, drawn).Scan(&used).Error; err != nil {
			return nil, err
		}
		for _, t := range drawn {
			if !given[t] && !slices.Contains(used, t) {
				tags = append(tags, t)
			}
		}
	}
	return tags, nil
}

// AddUnits records many units, all or none, in a number of statements that does
// not grow with them.
func AddUnits(tx *gorm.DB, who access.Actor, now time.Time, in []NewUnit) ([]Unit, error) {
	if err := who.Must(access.RecordWork); err != nil {
		return nil, err
	}
	var bad []*fault.Error
	blame := func(i int, f *fault.Error) {
		f.Field = fmt.Sprintf("items[%d].%s", i, f.Field)
		bad = append(bad, f)
	}
	fresh, err := newTags(tx, in)
	if err != nil {
		return nil, err
	}
	rows, ids, first := make([]unitRow, len(in)), make(Texts, len(in)), map[string]int{}
	for i, n := range in {
		r, f := n.row()
		if f != nil {
			blame(i, f)
		}
		if r.Tag = n.Tag; r.Tag == "" {
			r.Tag, fresh = fresh[0], fresh[1:]
		} else if !tagForm.MatchString(r.Tag) {
			blame(i, fault.Field("tag", r.Tag, "takes 1 to 24 capital letters, digits and hyphens"))
		} else if !ident.Sound(r.Tag) {
			blame(i, fault.Field("tag", r.Tag, "is not one of our labels: its last character does not check; read it again"))
		}
		if j, twice := first[r.Tag]; twice {
			blame(i, fault.Field("tag", r.Tag, "is the tag of items[%d] too", j))
		}
		first[r.Tag] = i
		r.Place, r.ID = i, pgdb.NewID()
		rows[i], ids[i] = r, r.ID.String()
	}
	doc, err := json.Marshal(rows)
	if err != nil {
		return nil, err
	}
	v := map[string]any{"rows": string(doc), "now": now}
	var checks []struct {
		Place                    int
		PartKnown, CustomerKnown bool
		Holder                   *uuid.UUID
		Class, PatternOfPart     string
	}
	if err := tx.Raw(checkUnits, v).Scan(&checks).Error; err != nil {
		return nil, err
	}
	for _, c := range checks {
		r := rows[c.Place]
		if !c.PartKnown {
			blame(c.Place, fault.Field("part_id", r.PartID, "names no part"))
		}
		if !c.CustomerKnown {
			blame(c.Place, fault.Field("owner_customer_id", r.OwnerCustomerID, "names no customer"))
		}
		if f := patternFits(r.Pattern, c.Class, c.PatternOfPart); f != nil && strings.Trim(val(r.Pattern), "AB") == "" {
			blame(c.Place, f)
		}
		if c.Holder != nil {
			f := fault.Taken("tag", fault.Ref{Kind: "unit", ID: c.Holder.String(), Code: r.Tag})
			if len(in) == 1 && len(bad) == 0 {
				return nil, f
			}
			blame(c.Place, f)
		}
	}
	if err := fault.Collect(bad...); err != nil {
		return nil, err
	}
	err = tx.Exec(`
insert into unit (id, tag, part_id, serial, owner, owner_customer_id, lot, pattern, start_hours, start_vehicles, start_days, created_at)
select id, tag, part_id, serial, owner, owner_customer_id, lot, pattern, start_hours, start_vehicles, start_days, @now from `+unitRows, v).Error
	if err != nil {
		return nil, err
	}
	return unitsInTx(tx, now, ids)
}

// patternFits holds the pattern of a media set against its part's: AABBx4 is
// AABB four times. A letter short is the usual mistake.
func patternFits(pattern *string, class, ofPart string) *fault.Error {
	if pattern == nil {
		return nil
	}
	if class != "" && class != "media_set" {
		return fault.Field("pattern", *pattern, "belongs to a media set; this part is a %s", strings.ReplaceAll(class, "_", " "))
	}
	whole, ok := SpellPattern(ofPart)
	switch {
	case !ok:
		return nil
	case len(*pattern) != len(whole):
		return fault.Field("pattern", *pattern, "has %d sections; a set of this part has %d: %s", len(*pattern), len(whole), whole)
	}
	return nil
}

// SpellPattern writes a pattern out: AABBx4 is AABBAABBAABBAABB. It is false for
// a text that is none.
func SpellPattern(short string) (string, bool) {
	letters, times, repeated := strings.Cut(short, "x")
	n := 1
	if repeated {
		if _, err := fmt.Sscanf(times, "%d", &n); err != nil || n < 1 || n > 100 || fmt.Sprint(n) != times {
			return "", false
		}
	}
	if letters == "" || strings.Trim(letters, "AB") != "" {
		return "", false
	}
	return strings.Repeat(letters, n), true
}

// AddUnit records a unit.
func AddUnit(tx *gorm.DB, who access.Actor, now time.Time, in NewUnit) (Unit, error) {
	added, err := AddUnits(tx, who, now, []NewUnit{in})
	if err != nil {
		if f, ok := err.(*fault.Error); ok {
			f.Field = strings.TrimPrefix(f.Field, "items[0].")
			for i := range f.Parts {
				f.Parts[i].Field = strings.TrimPrefix(f.Parts[i].Field, "items[0].")
			}
		}
		return Unit{}, err
	}
	return added[0], nil
}

// EditUnit changes a unit that is still at the version seen. Its tag stays: it
// is on the label.
func EditUnit(tx *gorm.DB, who access.Actor, now time.Time, id uuid.UUID, version int, in UnitEdit) (Unit, error) {
	if err := who.Must(access.RecordWork); err != nil {
		return Unit{}, err
	}
	r, f := in.row()
	if f != nil {
		return Unit{}, f
	}
	if err := bump(tx, "unit", "unit", id, version); err != nil {
		return Unit{}, err
	}
	was, err := unitInTx(tx, now, id)
	if err != nil {
		return Unit{}, err
	}
	p, err := partInTx(tx, in.PartID)
	if fault.KindOf(err) == fault.NotFound {
		err = fault.Field("part_id", in.PartID, "names no part")
	}
	if err != nil {
		return Unit{}, err
	}
	if p.Class != was.Class { // where it was and what is inside it would no longer fit
		return Unit{}, fault.Field("part_id", p.Number, "is a %s; %s was recorded as a %s", words(p.Class), was.Tag, words(was.Class))
	}
	ofPart := ""
	for _, pf := range p.Facts {
		if pf.Fact == "media_pattern" {
			ofPart = pf.Value
		}
	}
	if f := patternFits(r.Pattern, p.Class, ofPart); f != nil {
		return Unit{}, f
	}
	err = tx.Exec(`
update unit set part_id = @part, serial = @serial, owner = @owner, owner_customer_id = @customer, lot = @lot, pattern = @pattern,
       start_hours = @hours, start_vehicles = @vehicles, start_days = @days
 where id = @id`, map[string]any{"id": id, "part": r.PartID, "serial": r.Serial, "owner": r.Owner, "customer": r.OwnerCustomerID, "lot": r.Lot,
		"pattern": r.Pattern, "hours": r.StartHours, "vehicles": r.StartVehicles, "days": r.StartDays}).Error
	if err != nil {
		return Unit{}, err
	}
	return unitInTx(tx, now, id)
}

// ReplaceSection records that one section of a media set was replaced by one of
// a lot, so that the set has mixed ages from then on.
func ReplaceSection(tx *gorm.DB, who access.Actor, now time.Time, unit uuid.UUID, section int, lot string, when time.Time) ([]ReplacedSection, error) {
	if err := who.Must(access.RecordWork); err != nil {
		return nil, err
	}
	u, err := unitInTx(tx, now, unit)
	if err != nil {
		return nil, err
	}
	switch {
	case u.Class != "media_set":
		return nil, fault.Field("unit", u.Tag, "is a %s and has no sections", strings.ReplaceAll(u.Class, "_", " "))
	case section < 1, u.Pattern != nil && section > len(*u.Pattern):
		return nil, fault.Field("section", section, "counts from 1 at the bottom up to %d", len(val(u.Pattern)))
	case when.After(now):
		return nil, fault.Field("at", when.UTC().Format(time.RFC3339), "must not lie ahead")
	}
	err = tx.Exec(`insert into section_replaced (id, unit_id, section, lot, at, recorded_by) values (?, ?, ?, ?, ?, ?)`,
		pgdb.NewID(), unit, section, strings.TrimSpace(lot), when, who.ID).Error
	if err != nil {
		return nil, err
	}
	var all []ReplacedSection
	err = tx.Raw(replacedSections, everywhere(map[string]any{"unit": unit})).Scan(&all).Error
	return all, err
}

func val[T any](p *T) T {
	if p == nil {
		var zero T
		return zero
	}
	return *p
}

// ReplacedSection is a section of a media set that was replaced by itself.
type ReplacedSection struct {
	Section int
	Lot     string
	At      time.Time
}

var replacedSections = `
select r.section, r.lot, r.at
  from section_replaced as r
  join unit as u on u.id = r.unit_id
 where r.unit_id = @unit and ` + unitMine("u") + `
order by r.at desc, r.section`

// ReplacedSections lists what was replaced in a media set, the latest first.
func ReplacedSections(ctx context.Context, db *pgdb.DB, who access.Actor, unit uuid.UUID) ([]ReplacedSection, error) {
	return pgdb.Read[ReplacedSection](ctx, db, who.ID, replacedSections, args(who, map[string]any{"unit": unit}))
}
