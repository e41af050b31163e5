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

// FactOf is a fact with the position or unit of which it is told.
type FactOf struct {
	OfID uuid.UUID
	NewFact
}

// RecordAll records what many positions require, all or none, in a number of
// statements that does not grow with the list. What comes out is what Record
// would make of them one by one, in any order. A fault names the place in the list.
func RecordAll(tx *gorm.DB, who access.Actor, now time.Time, in []FactOf) ([]Fact, error) {
	return ofPosition.recordAll(tx, who, now, in, inItems)
}

// RecordAllOfUnits records what many units are, as RecordAll does for positions.
func RecordAllOfUnits(tx *gorm.DB, who access.Actor, now time.Time, in []FactOf) ([]Fact, error) {
	return ofUnit.recordAll(tx, who, now, in, inItems)
}

func inItems(i int, field string) string { return fmt.Sprintf("items[%d].%s", i, field) }

// Hows are the ways in which a fact may be known.
var Hows = []string{"measured", "read_off_plate", "seen", "told", "drawing", "assumed"}

type factRow struct {
	Place  int        `json:"place"`
	ID     uuid.UUID  `json:"id"`
	OfID   uuid.UUID  `json:"of_id"`
	Fact   string     `json:"fact"`
	Value  string     `json:"value"`
	MM     *float64   `json:"mm"`
	From   time.Time  `json:"from"`
	SeenAt *time.Time `json:"seen_at"`
	SeenBy string     `json:"seen_by"`
	How    string     `json:"how"`
}

// The list stands in one document; it is read once, since the statements join
// it to itself.
const factRows = `
with r as materialized (
  select * from jsonb_to_recordset(cast(@rows as jsonb)) as r(place int, id uuid, of_id uuid, fact text, value text, mm float8, "from" timestamptz,
         seen_at timestamptz, seen_by text, how text)
)`

const checkFacts = factRows + `
select r.place, s.id is not null as known,
       exists (select from {table} as f where f.{of} = r.of_id and f.fact = r.fact and f.withdrawn_at is null and lower(f.during) = r."from") as taken
  from r
  left join {subject} as s on s.id = r.of_id
order by r.place`

// a value ends where the first of those that fall into its time begins
const cutFacts = factRows + `
update {table} as f set during = tstzrange(lower(f.during), c.at)
  from (select f.id, min(r."from") as at
          from r
          join {table} as f on f.{of} = r.of_id and f.fact = r.fact and f.withdrawn_at is null and lower(f.during) < r."from" and f.during @> r."from"
      group by f.id) as c
 where f.id = c.id`

// and each of them lasts until the next one, recorded before or in this list
const insertFacts = factRows + `
insert into {table} (id, {of}, {also}fact, value, value_mm, during, seen_at, seen_by, how, recorded_at, recorded_by)
select r.id, r.of_id, {alsoOf}r.fact, r.value, r.mm,
       tstzrange(r."from", least(lead(r."from") over (partition by r.of_id, r.fact order by r."from"),
                                 (select min(lower(f.during)) from {table} as f
                                   where f.{of} = r.of_id and f.fact = r.fact and f.withdrawn_at is null and lower(f.during) > r."from"))),
       r.seen_at, r.seen_by, r.how, @now, @who
  from r`

// recordAll does the work; path names a field of a row in a fault.
func (s subject) recordAll(tx *gorm.DB, who access.Actor, now time.Time, in []FactOf, path func(i int, field string) string) ([]Fact, error) {
	if err := who.Must(access.RecordWork); err != nil {
		return nil, err
	}
	if len(in) == 0 {
		return []Fact{}, nil
	}
	ofs := make([]uuid.UUID, len(in))
	for i, f := range in {
		ofs[i] = f.OfID
	}
	if err := lock(tx, "fact", ofs); err != nil { // they take turns with Record
		return nil, err
	}
	kinds, err := factKinds(tx)
	if err != nil {
		return nil, err
	}
	var bad []*fault.Error
	blame := func(i int, f *fault.Error) {
		f.Field = path(i, f.Field)
		bad = append(bad, f)
	}
	type key struct {
		of   uuid.UUID
		fact string
		from int64
	}
	rows, ids, first := make([]factRow, len(in)), make(Texts, len(in)), map[key]int{}
	for i, f := range in {
		from := since(f.From, now)
		rows[i] = factRow{Place: i, ID: pgdb.NewID(), OfID: f.OfID, Fact: f.Fact, From: from, SeenAt: f.SeenAt, SeenBy: strings.TrimSpace(f.SeenBy), How: f.How}
		ids[i] = rows[i].ID.String()
		k, known := kinds[f.Fact]
		if !known {
			blame(i, fault.Field("fact", f.Fact, "names no kind of fact; see /fact-kinds"))
		} else if rows[i].Value, rows[i].MM, err = k.read(f.NewFact); err != nil {
			if bad, ok := err.(*fault.Error); ok {
				blame(i, bad)
			}
		}
		switch {
		case from.After(now):
			blame(i, fault.Field("from", stamp(from), "must not lie ahead: what is planned is not yet a fact"))
		case f.SeenAt != nil && f.SeenAt.After(now):
			blame(i, fault.Field("seen_at", stamp(*f.SeenAt), "must not lie ahead"))
		}
		if !slices.Contains(Hows, f.How) {
			blame(i, fault.Field("how", f.How, "is one of %s", strings.Join(Hows, ", ")))
		}
		own := key{f.OfID, f.Fact, from.UnixMicro()} // the database keeps microseconds
		if j, twice := first[own]; twice {
			blame(i, fault.Field("from", stamp(from), "is that of %s too", strings.TrimSuffix(path(j, ""), ".")))
		}
		first[own] = i
	}
	doc, err := json.Marshal(rows)
	if err != nil {
		return nil, err
	}
	var checks []struct {
		Place        int
		Known, Taken bool
	}
	if err := tx.Raw(s.sql.Replace(checkFacts), map[string]any{"rows": string(doc)}).Scan(&checks).Error; err != nil {
		return nil, err
	}
	for _, c := range checks {
		switch r := rows[c.Place]; {
		case !c.Known:
			blame(c.Place, fault.Field(s.kind+"_id", r.OfID, "names no %s", s.kind))
		case c.Taken:
			blame(c.Place, &fault.Error{Kind: fault.Conflict, Field: "from", Value: stamp(r.From), Msg: "a value is recorded for that time; withdraw it or name a later instant"})
		}
	}
	if err := fault.Collect(bad...); err != nil {
		return nil, err
	}
	v := map[string]any{"rows": string(doc), "now": now, "who": who.ID}
	for _, q := range []string{cutFacts, insertFacts} {
		if err := tx.Exec(s.sql.Replace(q), v).Error; err != nil {
			return nil, err
		}
	}
	var all []Fact
	err = tx.Raw(s.sql.Replace(factsOf)+` where f.id = any (cast(@ids as uuid[])) order by array_position(cast(@ids as uuid[]), f.id)`, map[string]any{"ids": ids}).Scan(&all).Error
	return all, err
}
