package parts

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/condition"
	"spindlebook/internal/fault"
	"spindlebook/internal/parts/amount"
	"spindlebook/internal/pgdb"
)

// Succession says what follows a part.
type Succession struct {
	ID         uuid.UUID
	PartID     uuid.UUID
	Number     string
	Kind       string // replaced: use the old up, buy the new; withdrawn: the old is not issued any more
	OnlyWhere  string // a condition on the position; "": everywhere
	UseUpWhere string // where the old stock may be used up; "": wherever the succession holds
	Note       string
	From       time.Time
	Until      *time.Time
	To         List[Successor] // several together; none where nothing follows
}

// Successor is a part that follows another, and how many for one of the old.
type Successor struct {
	PartID      uuid.UUID
	Number      string
	Description string
	Amount      amount.Amount
}

// NewSuccession is what it takes to say what follows a part.
type NewSuccession struct {
	Kind       string
	OnlyWhere  string
	UseUpWhere string
	Note       string
	From       *time.Time // nil is now
	To         []NewSuccessor
}

// NewSuccessor names a part that follows, and how many for one.
type NewSuccessor struct {
	PartID uuid.UUID
	Amount amount.Amount
}

const successions = `
select s.id, s.part_id, p.number, s.kind, s.only_where, s.use_up_where, s.note, lower(s.during) as "from", upper(s.during) as until,
       coalesce((select jsonb_agg(jsonb_build_object('PartID', t.part_id, 'Number', n.number, 'Description', n.description, 'Amount', t.amount) order by n.number)
                   from part_succession_to as t join part as n on n.id = t.part_id where t.succession_id = s.id), '[]') as to
  from part_succession as s
  join part as p on p.id = s.part_id`

// Lineage gives what follows a part, link by link to the end of every chain, and
// with Before what it followed itself.
type Lineage struct {
	After  []Succession // nearest first
	Before []Succession
}

const longestChain = 20

const lineage = `
with recursive after_it as (
  select s.id, s.part_id, 1 as depth from part_succession as s where s.part_id = @part and upper_inf(s.during)
   union
  select s.id, s.part_id, a.depth + 1
    from after_it as a
    join part_succession_to as t on t.succession_id = a.id
    join part_succession as s on s.part_id = t.part_id and upper_inf(s.during)
   where a.depth < @longest
),
before_it as (
  select s.id, s.part_id, 1 as depth
    from part_succession_to as t join part_succession as s on s.id = t.succession_id and upper_inf(s.during) where t.part_id = @part
   union
  select s.id, s.part_id, b.depth + 1
    from before_it as b
    join part_succession_to as t on t.part_id = b.part_id
    join part_succession as s on s.id = t.succession_id and upper_inf(s.during)
   where b.depth < @longest
)
select c.*, w.earlier
  from (select id, min(depth) as depth, false as earlier from after_it group by id
         union all
        select id, min(depth), true from before_it group by id) as w
  join (` + successions + `) as c on c.id = w.id
order by w.earlier, w.depth, c.number`

// LineageOf gives what follows a part and what it followed.
func LineageOf(ctx context.Context, db *pgdb.DB, who access.Actor, part uuid.UUID) (Lineage, error) {
	type row struct {
		Succession
		Earlier bool
	}
	rows, err := pgdb.Read[row](ctx, db, who.ID, lineage, map[string]any{"part": part, "longest": longestChain})
	l := Lineage{After: []Succession{}, Before: []Succession{}}
	for _, r := range rows {
		if r.Earlier {
			l.Before = append(l.Before, r.Succession)
		} else {
			l.After = append(l.After, r.Succession)
		}
	}
	return l, err
}

// Succeed records what follows a part. A ring is refused with its links.
func Succeed(tx *gorm.DB, who access.Actor, now time.Time, part uuid.UUID, in NewSuccession) (Succession, error) {
	if err := who.Must(access.KeepCatalogue); err != nil {
		return Succession{}, err
	}
	if err := exists(tx, part); err != nil {
		return Succession{}, err
	}
	only, bad := condition.Parse(in.OnlyWhere, "only_where")
	useUp, worse := condition.Parse(in.UseUpWhere, "use_up_where")
	if err := fault.Collect(bad, worse); err != nil {
		return Succession{}, err
	}
	ids := make([]string, len(in.To))
	for i, t := range in.To {
		if t.PartID == part {
			return Succession{}, fault.Field(fmt.Sprintf("to[%d].part_id", i), t.PartID, "is the part itself")
		}
		ids[i] = t.PartID.String()
	}
	if in.Kind == "replaced" && len(in.To) == 0 {
		return Succession{}, fault.Field("to", "", "names at least one part where the old one is replaced")
	}
	if err := alone(tx); err != nil {
		return Succession{}, err
	}
	// from each that follows on to the end: does it come back?
	var ring []string
	err := tx.Raw(`
with recursive chain as (
  select t.id as part_id, array[t.number] as numbers from part as t where t.id = any (cast(@to as uuid[]))
   union all
  select t.part_id, c.numbers || p.number
    from chain as c
    join part_succession as s on s.part_id = c.part_id and upper_inf(s.during)
    join part_succession_to as t on t.succession_id = s.id
    join part as p on p.id = t.part_id
   where c.part_id <> @part and cardinality(c.numbers) < @longest
)
select array_to_string(numbers, ' → ') from chain where part_id = @part limit 1`,
		map[string]any{"to": "{" + strings.Join(ids, ",") + "}", "part": part, "longest": longestChain}).Scan(&ring).Error
	if err != nil {
		return Succession{}, err
	}
	if len(ring) > 0 {
		return Succession{}, &fault.Error{Kind: fault.Conflict, Field: "to", Value: ring[0], Msg: "leads back to the part itself; what follows what must come to an end"}
	}
	id := pgdb.NewID()
	err = tx.Exec(`
insert into part_succession (id, part_id, kind, only_where, use_up_where, note, during, recorded_at, recorded_by)
values (@id, @part, @kind, @only, @use_up, @note, tstzrange(@from, null), @now, @who)`,
		map[string]any{"id": id, "part": part, "kind": in.Kind, "only": only.String(), "use_up": useUp.String(), "note": strings.TrimSpace(in.Note),
			"from": since(in.From, now), "now": now, "who": who.ID}).Error
	if err != nil {
		return Succession{}, err
	}
	type row struct {
		PartID uuid.UUID     `json:"part_id"`
		Amount amount.Amount `json:"amount"`
	}
	rows := make([]row, len(in.To))
	for i, t := range in.To {
		rows[i] = row(t)
	}
	doc, err := json.Marshal(rows)
	if err != nil {
		return Succession{}, err
	}
	err = tx.Exec(`
insert into part_succession_to (succession_id, part_id, amount)
select @id, part_id, amount from jsonb_to_recordset(cast(@rows as jsonb)) as r(part_id uuid, amount numeric)`, map[string]any{"id": id, "rows": string(doc)}).Error
	if err != nil {
		return Succession{}, err
	}
	return oneSuccession(tx, id)
}

func oneSuccession(tx *gorm.DB, id uuid.UUID) (Succession, error) {
	return pgdb.One[Succession](tx, "succession", id.String(), successions+` where s.id = @id`, map[string]any{"id": id})
}

// EndSuccession says that what was recorded to follow a part does so no longer.
func EndSuccession(tx *gorm.DB, who access.Actor, now time.Time, id uuid.UUID) (Succession, error) {
	if err := who.Must(access.KeepCatalogue); err != nil {
		return Succession{}, err
	}
	r := tx.Exec(`update part_succession set during = tstzrange(lower(during), greatest(@now, lower(during) + interval '1 microsecond')) where id = @id and upper_inf(during)`,
		map[string]any{"id": id, "now": now})
	if r.Error != nil {
		return Succession{}, r.Error
	}
	return oneSuccession(tx, id)
}

// Interchange says what goes for a part, or must not.
type Interchange struct {
	ID        uuid.UUID
	PartID    uuid.UUID
	Number    string
	OtherID   uuid.UUID
	Other     string // its number
	OtherSays string // its description
	Kind      string // either, instead, conversion, never_mix or lookalike
	OnlyWhere string
	ViaID     *uuid.UUID
	Via       *string // number of the kit of a conversion
	Note      string
	From      time.Time
	Until     *time.Time
}

// NewInterchange is what it takes to say so. Instead: the other may be used for the part.
type NewInterchange struct {
	OtherID   uuid.UUID
	Kind      string
	OnlyWhere string
	ViaID     *uuid.UUID
	Note      string
}

const interchanges = `
select i.id, i.part_id, p.number, i.other_id, o.number as other, o.description as other_says, i.kind, i.only_where, i.via_part_id as via_id, v.number as via,
       i.note, lower(i.during) as "from", upper(i.during) as until
  from part_interchange as i
  join part as p on p.id = i.part_id
  join part as o on o.id = i.other_id
  left join part as v on v.id = i.via_part_id`

// InterchangesOf lists what goes for a part or is mistaken for it, seen from either side.
func InterchangesOf(ctx context.Context, db *pgdb.DB, who access.Actor, part uuid.UUID) ([]Interchange, error) {
	return pgdb.Read[Interchange](ctx, db, who.ID, interchanges+` where (i.part_id = @part or i.other_id = @part) and upper_inf(i.during) order by i.kind, o.number, p.number`,
		map[string]any{"part": part})
}

// AddInterchange records what goes for a part. What holds both ways is recorded once.
func AddInterchange(tx *gorm.DB, who access.Actor, now time.Time, part uuid.UUID, in NewInterchange) (Interchange, error) {
	if err := who.Must(access.KeepCatalogue); err != nil {
		return Interchange{}, err
	}
	if err := exists(tx, part); err != nil {
		return Interchange{}, err
	}
	only, bad := condition.Parse(in.OnlyWhere, "only_where")
	if bad != nil {
		return Interchange{}, bad
	}
	if in.OnlyWhere != "" && in.Kind != "instead" {
		return Interchange{}, fault.Field("only_where", in.OnlyWhere, "is given where the other may be used instead, and only there")
	}
	one, other := part, in.OtherID
	if in.Kind != "instead" && strings.Compare(one.String(), other.String()) > 0 { // both ways: one row, whoever is named first
		one, other = other, one
	}
	id := pgdb.NewID()
	err := tx.Exec(`
insert into part_interchange (id, part_id, other_id, kind, only_where, via_part_id, note, during, recorded_at, recorded_by)
values (@id, @part, @other, @kind, @only, @via, @note, tstzrange(@now, null), @now, @who)`,
		map[string]any{"id": id, "part": one, "other": other, "kind": in.Kind, "only": only.String(), "via": in.ViaID, "note": strings.TrimSpace(in.Note), "now": now, "who": who.ID}).Error
	if err != nil {
		return Interchange{}, err
	}
	return pgdb.One[Interchange](tx, "interchange", id.String(), interchanges+` where i.id = @id`, map[string]any{"id": id})
}

// EndInterchange says that what was recorded holds no longer.
func EndInterchange(tx *gorm.DB, who access.Actor, now time.Time, id uuid.UUID) (Interchange, error) {
	if err := who.Must(access.KeepCatalogue); err != nil {
		return Interchange{}, err
	}
	r := tx.Exec(`update part_interchange set during = tstzrange(lower(during), greatest(@now, lower(during) + interval '1 microsecond')) where id = @id and upper_inf(during)`,
		map[string]any{"id": id, "now": now})
	if r.Error != nil {
		return Interchange{}, r.Error
	}
	return pgdb.One[Interchange](tx, "interchange", id.String(), interchanges+` where i.id = @id`, map[string]any{"id": id})
}

var needs = []string{"always", "if_found", "consumable", "tool", "protective"}

func isNeed(s string) bool { return slices.Contains(needs, s) }
