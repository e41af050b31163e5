package stock

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/fault"
	"spindlebook/internal/parts/amount"
	"spindlebook/internal/parts/kit"
	"spindlebook/internal/pgdb"
)

// Bag is a kit that was put together: a lot of one, whose code is the number on the bag.
type Bag struct {
	LotID      uuid.UUID
	Number     string
	KitID      uuid.UUID
	KitNumber  string
	Seal       string
	State      string // sealed or opened
	ExpiresOn  *string
	LocationID *uuid.UUID // nil once it has left
	Location   string
	BuiltAt    time.Time
	BuiltBy    string
	OpenedAt   *time.Time
	OpenedFor  string
	Version    int
	Lines      []BagLine `gorm:"-" db:"-"`
}

// BagLine is what lies in a bag.
type BagLine struct {
	Ordinal    int
	PartID     uuid.UUID
	PartNumber string
	MeasuredIn string
	LotID      *uuid.UUID
	Lot        string
	Amount     amount.Amount
	Used       amount.Amount
	Optional   bool
}

const bags = `
select k.lot_id, lt.code as number, k.kit_id, p.number as kit_number, k.seal, k.state, to_char(lt.expires_on, 'YYYY-MM-DD') as expires_on, l.id as location_id, coalesce(l.code, '') as location,
       k.built_at, coalesce(a.name, '') as built_by, k.opened_at, k.opened_for, k.version
  from kit_bag as k
  join lot as lt on lt.id = k.lot_id
  join part as p on p.id = k.kit_id
  left join stock_balance as b on b.lot_id = k.lot_id and b.on_hand > 0
  left join location as l on l.id = b.location_id
  left join actor as a on a.id = k.built_by`

const bagLines = `
select l.ordinal, l.part_id, p.number as part_number, p.measured_in, l.lot_id, coalesce(lt.code, '') as lot, l.amount, l.used, l.optional
  from kit_bag_line as l
  join part as p on p.id = l.part_id
  left join lot as lt on lt.id = l.lot_id
 where l.bag_id = @id
order by l.ordinal`

func bagInTx(tx *gorm.DB, id uuid.UUID) (Bag, error) {
	b, err := pgdb.One[Bag](tx, "kit bag", id.String(), bags+` where k.lot_id = @id`, map[string]any{"id": id})
	if err != nil {
		return b, err
	}
	return b, tx.Raw(bagLines, map[string]any{"id": id}).Scan(&b.Lines).Error
}

// recipeLine is a line of the recipes of a kit and of the kits in it.
type recipeLine struct {
	RecipeID  uuid.UUID
	KitID     uuid.UUID
	Kit       string
	PartID    uuid.UUID
	Part      string
	Amount    amount.Amount
	Optional  bool
	Condition string
	Letter    *string
	Pattern   *string
	Nested    bool
	Tracking  string
	Mixes     string // of a set: a part of the same recipe that must never be on one brush with it
}

const recipeLines = `
with of as (
  select k.recipe_id, k.kit_id, k.pattern, false as nested from kit_now as k where k.kit_id = any (cast(@kits as uuid[]))
   union
  select n.recipe_id, n.kit_id, n.pattern, true
    from kit_now as k
    join kit_line as l on l.recipe_id = k.recipe_id
    join kit_now as n on n.kit_id = l.part_id
   where k.kit_id = any (cast(@kits as uuid[]))
)
select o.recipe_id, o.kit_id, kp.number as kit, l.part_id, p.number as part, l.amount, l.optional, l.condition, l.letter, o.pattern, o.nested, p.tracking,
       case when o.pattern is null then '' else coalesce((
         select min(q.number)
           from kit_line as y
           join part as q on q.id = y.part_id
           join part_interchange as i on i.kind = 'never_mix' and i.during @> cast(@now as timestamptz) and (i.part_id, i.other_id) in ((l.part_id, y.part_id), (y.part_id, l.part_id))
          where y.recipe_id = o.recipe_id), '') end as mixes
  from of as o
  join kit_line as l on l.recipe_id = o.recipe_id
  join part as kp on kp.id = o.kit_id
  join part as p on p.id = l.part_id
order by kp.number, l.ordinal`

// Building says which kits to put together.
type Building struct {
	KitID      uuid.UUID
	Count      int
	LocationID uuid.UUID
	Seal       string
	Without    []uuid.UUID // optional lines that are left out
}

// BuildKits puts kits together at a place: of each line what expires first, kits in them from
// the shelf. An optional line that is not there is left out; any other that is short is
// refused, and the fault says what is short.
func BuildKits(tx *gorm.DB, who access.Actor, now time.Time, in Building) ([]Bag, error) {
	if err := who.Must(access.MoveStock); err != nil {
		return nil, err
	}
	if in.Count < 1 || in.Count > 100 {
		return nil, fault.Field("count", in.Count, "lies between 1 and 100")
	}
	var all []recipeLine
	if err := tx.Raw(recipeLines, map[string]any{"kits": ids([]uuid.UUID{in.KitID}), "now": now}).Scan(&all).Error; err != nil {
		return nil, err
	}
	lines := slices.DeleteFunc(all, func(l recipeLine) bool { return l.Nested || l.Optional && slices.Contains(in.Without, l.PartID) })
	if len(lines) == 0 {
		return nil, fault.Field("kit_id", in.KitID, "names no kit with a recipe")
	}
	moves := make([]Moving, len(lines))
	for i, l := range lines {
		moves[i] = Moving{Kind: "kit_build", PartID: l.PartID, Amount: l.Amount, From: &in.LocationID, Reason: "into " + lines[0].Kit}
	}
	of, err := look(tx, now, moves)
	if err != nil {
		return nil, err
	}
	if !of[0].FromKnown || !slices.Contains([]string{"warehouse", "van", "bench", "site_shelf"}, of[0].FromKind) {
		return nil, fault.Field("location_id", in.LocationID, "names no place at which kits are built")
	}
	for i, k := range of {
		if k.Withdrawn != "" {
			return nil, conflict("kit_id", lines[i].Kit, "takes %s, which is withdrawn: change the recipe", k.Number)
		}
		if lines[i].Mixes != "" {
			return nil, conflict("kit_id", lines[i].Kit, "takes %s and %s, which must never be on one brush: change the recipe", k.Number, lines[i].Mixes)
		}
		if k.Tracking == "unit" {
			return nil, conflict("kit_id", lines[i].Kit, "takes %s, which is kept by unit: units go along by themselves", k.Number)
		}
	}
	var numbers []int64
	if err := tx.Raw(`select nextval('kit_bag_seq') from generate_series(1, ?)`, in.Count).Scan(&numbers).Error; err != nil {
		return nil, err
	}
	built := make([]Bag, in.Count)
	for n := range in.Count {
		id, err := buildOne(tx, who, now, in, lines, moves, of, fmt.Sprintf("K-%06d", numbers[n]))
		if err != nil {
			if f, ok := err.(*fault.Error); ok && n > 0 {
				f.Msg = fmt.Sprintf("%d could be built, then: %s", n, f.Msg)
			}
			return nil, err
		}
		if built[n], err = bagInTx(tx, id); err != nil {
			return nil, err
		}
	}
	return built, nil
}

func buildOne(tx *gorm.DB, who access.Actor, now time.Time, in Building, lines []recipeLine, moves []Moving, of []known, number string) (uuid.UUID, error) {
	found, err := onShelves(tx, now, moves, func(int) bool { return true })
	if err != nil {
		return uuid.Nil, err
	}
	left := map[uuid.UUID]amount.Amount{}
	for _, f := range found {
		left[f.BalanceID] = f.OnHand - f.Aside
	}
	var takes []Moving
	var takesOf []known
	var contents []map[string]any
	var last *string
	var bad []*fault.Error
	for i, l := range lines {
		wanted, start := l.Amount, len(takes)
		// sections of one letter are of one lot
		whole := l.Letter != nil
		for _, f := range found {
			n := min(wanted, left[f.BalanceID])
			if f.Place != i || f.Owner != Own || n <= 0 || f.ExpiresOn != nil && *f.ExpiresOn < day(now) || whole && left[f.BalanceID] < l.Amount {
				continue
			}
			m, k := moves[i], of[i]
			m.Amount, k.LotID, k.LotCode = n, f.LotID, f.Code
			takes, takesOf = append(takes, m), append(takesOf, k)
			contents = append(contents, map[string]any{"part_id": l.PartID, "lot_id": f.LotID, "amount": n, "optional": l.Optional})
			if f.ExpiresOn != nil && (last == nil || *f.ExpiresOn < *last) {
				last = f.ExpiresOn
			}
			wanted -= n
		}
		if wanted > 0 && l.Optional {
			takes, takesOf, contents = takes[:start], takesOf[:start], contents[:start]
			continue
		}
		if wanted > 0 {
			f := conflict("kit_id", l.Kit, "takes %s of %s; %s are there and free", counted(l.Amount, of[i].MeasuredIn), l.Part, l.Amount-wanted)
			if whole {
				f.Msg = fmt.Sprintf("takes %s of %s of one lot; no lot has as many that are free", counted(l.Amount, of[i].MeasuredIn), l.Part)
			}
			bad = append(bad, f)
		}
		for _, m := range takes[start:] {
			left[balanceID(*m.From, m.PartID, takesOf[len(takesOf)-1].LotID, m.Owner)] -= m.Amount
		}
	}
	if err := fault.Collect(bad...); err != nil {
		return uuid.Nil, err
	}
	lot := pgdb.NewID()
	v := map[string]any{"lot": lot, "kit": in.KitID, "number": number, "last": last, "now": now, "who": who.ID, "recipe": lines[0].RecipeID, "seal": strings.TrimSpace(in.Seal)}
	for i := range contents {
		contents[i]["ordinal"] = i + 1
	}
	text, err := doc(contents)
	if err != nil {
		return uuid.Nil, err
	}
	v["rows"] = text
	for _, q := range []string{
		`insert into lot (id, part_id, code, expires_on, recorded_at, recorded_by) values (@lot, @kit, @number, cast(@last as date), @now, @who)`,
		`insert into kit_bag (lot_id, kit_id, recipe_id, seal, built_at, built_by) values (@lot, @kit, @recipe, @seal, @now, @who)`,
		`insert into kit_bag_line (bag_id, ordinal, part_id, lot_id, amount, optional)
select @lot, ordinal, part_id, lot_id, amount, optional from jsonb_to_recordset(cast(@rows as jsonb)) as r(ordinal int, part_id uuid, lot_id uuid, amount numeric, optional boolean)`,
	} {
		if err := tx.Exec(q, v).Error; err != nil {
			return uuid.Nil, err
		}
	}
	takes = append(takes, Moving{Kind: "kit_build", PartID: in.KitID, Amount: amount.One, To: &in.LocationID, Reason: "built as " + number})
	takesOf = append(takesOf, known{Number: lines[0].Kit, MeasuredIn: "ea", Tracking: "kit", LotID: &lot, LotCode: number, ToSite: of[0].FromSite})
	_, short, err := post(tx, now, takes, takesOf, false)
	if err == nil && len(short) > 0 {
		err = tellShort(tx, now, takes, takesOf, short)
	}
	return lot, err
}

// Opening says what of a bag was used and what becomes of the rest.
type Opening struct {
	For  string // which work
	Task *uuid.UUID
	// By ordinal of the bag's line, how much was used; what is not named of a line that
	// is not optional was used up, and of an optional one goes back.
	Used map[int]amount.Amount
	At   *time.Time
}

// OpenBag opens a kit: what was used of it is issued, the rest goes back to the shelf as parts. A bag
// that lost one screw is no kit any more. A kit within comes out as a bag of its own.
func OpenBag(tx *gorm.DB, who access.Actor, now time.Time, id uuid.UUID, version int, in Opening) (Bag, error) {
	if err := who.Must(access.MoveStock); err != nil {
		return Bag{}, err
	}
	if err := bumpBag(tx, id, version); err != nil {
		return Bag{}, err
	}
	b, err := bagInTx(tx, id)
	if err != nil {
		return b, err
	}
	switch {
	case b.State != "sealed":
		return b, conflict("state", b.State, "is not sealed: %s was opened for %s", b.Number, b.OpenedFor)
	case b.LocationID == nil:
		return b, conflict("location_id", b.Number, "lies nowhere on record")
	case strings.TrimSpace(in.For) == "":
		return b, fault.Field("for", "", "is needed: which work it was opened for")
	}
	at := now
	if in.At != nil {
		at = *in.At
	}
	moves := []Moving{{Kind: "kit_break", PartID: b.KitID, Amount: amount.One, From: b.LocationID, At: &at, TaskID: in.Task, Reason: "opened for " + in.For}}
	of := []known{{Number: b.KitNumber, MeasuredIn: "ea", Tracking: "kit", LotID: &b.LotID, LotCode: b.Number}}
	used := make([]map[string]any, 0, len(b.Lines))
	for n := range in.Used {
		if !slices.ContainsFunc(b.Lines, func(l BagLine) bool { return l.Ordinal == n }) {
			return b, fault.Field(fmt.Sprintf("used[%d]", n), n, "is no line of %s", b.Number)
		}
	}
	for _, l := range b.Lines {
		n, said := in.Used[l.Ordinal]
		if !said && !l.Optional {
			n = l.Amount
		}
		field := fmt.Sprintf("used[%d]", l.Ordinal)
		switch {
		case n < 0 || n > l.Amount:
			return b, fault.Field(field, n, "lies between 0 and %s, which were in the bag", l.Amount)
		case InPieces(l.MeasuredIn) && !n.Whole():
			return b, fault.Field(field, n, "is a whole number: %s is counted in %s", l.PartNumber, l.MeasuredIn)
		}
		used = append(used, map[string]any{"ordinal": l.Ordinal, "n": n})
		k := known{Number: l.PartNumber, MeasuredIn: l.MeasuredIn, LotID: l.LotID, LotCode: l.Lot}
		if rest := l.Amount - n; rest > 0 {
			moves, of = append(moves, Moving{Kind: "kit_break", PartID: l.PartID, Amount: rest, To: b.LocationID, At: &at, TaskID: in.Task, Reason: "out of " + b.Number}), append(of, k)
		}
		if n > 0 { // through the shelf, so that what was used is told of every part
			moves, of = append(moves, Moving{Kind: "kit_break", PartID: l.PartID, Amount: n, To: b.LocationID, At: &at, TaskID: in.Task, Reason: "out of " + b.Number},
				Moving{Kind: "issue", PartID: l.PartID, Amount: n, From: b.LocationID, At: &at, TaskID: in.Task, Reason: "out of " + b.Number + " for " + in.For}), append(of, k, k)
		}
	}
	_, short, err := post(tx, now, moves, of, true)
	if err == nil && len(short) > 0 {
		err = tellShort(tx, now, moves, of, short)
	}
	if err != nil {
		return b, err
	}
	text, err := doc(used)
	if err != nil {
		return b, err
	}
	v := map[string]any{"id": id, "at": at, "who": who.ID, "for": strings.TrimSpace(in.For), "rows": text}
	for _, q := range []string{
		`update kit_bag set state = 'opened', opened_at = @at, opened_by = @who, opened_for = @for where lot_id = @id`,
		`update kit_bag_line as l set used = r.n from jsonb_to_recordset(cast(@rows as jsonb)) as r(ordinal int, n numeric) where l.bag_id = @id and l.ordinal = r.ordinal`,
	} {
		if err := tx.Exec(q, v).Error; err != nil {
			return b, err
		}
	}
	return bagInTx(tx, id)
}

// Buildable tells how many of some kits could be built at a place of what is there, free and in
// date, and what holds one more up; with how many whole bags lie there.
type Buildable struct {
	KitID  uuid.UUID
	Kit    string
	Bags   int64
	More   int64
	Short  []kit.Shortage
	Lacks  string // of a set of sections: what the fullest lacks
	Recipe []KitPart
}

// KitPart is a line of a recipe.
type KitPart struct {
	Part     string
	Amount   amount.Amount
	Optional bool
}

// CanBuild tells for kits what could be built of them at a place.
func CanBuild(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, location uuid.UUID, kits []uuid.UUID) ([]Buildable, error) {
	if len(kits) == 0 {
		return []Buildable{}, nil
	}
	lines, err := pgdb.Read[recipeLine](ctx, db, who.ID, recipeLines, map[string]any{"kits": kits, "now": now})
	if err != nil {
		return nil, err
	}
	free, err := pgdb.Read[struct {
		Part string
		Lot  string
		N    amount.Amount
	}](ctx, db, who.ID, `
select p.number as part, coalesce(s.lot, '') as lot, greatest(0, s.on_hand - coalesce((select sum(c.amount) from stock_claim as c where c.balance_id = s.balance_id and c.state = 'set_aside'), 0)) as n
  from stock_now as s
  join part as p on p.id = s.part_id
 where @everywhere and s.location_id = @location and s.owner = 'distributor' and s.unit_id is null and s.on_hand > 0
   and (s.expires_on is null or s.expires_on >= cast(@today as date))`, who.Scope(map[string]any{"location": location, "today": day(now)}))
	if err != nil {
		return nil, err
	}
	there, sections := map[string]amount.Amount{}, map[string][]kit.Section{}
	for _, f := range free {
		there[f.Part] += f.N
	}
	recipes := kit.Recipes{}
	var all []Buildable
	for _, l := range lines {
		if !slices.ContainsFunc(recipes[l.Kit], func(o kit.Line) bool { return o.Part == l.Part }) {
			recipes[l.Kit] = append(recipes[l.Kit], kit.Line{Part: l.Part, Amount: l.Amount, Optional: l.Optional})
		}
		if l.Letter != nil {
			for _, f := range free {
				if f.Part == l.Part {
					sections[l.Kit] = append(sections[l.Kit], kit.Section{Letter: (*l.Letter)[0], Lot: f.Lot, Count: int64(f.N / amount.One)})
				}
			}
		}
		if slices.Contains(kits, l.KitID) && !slices.ContainsFunc(all, func(b Buildable) bool { return b.KitID == l.KitID }) {
			all = append(all, Buildable{KitID: l.KitID, Kit: l.Kit, Bags: int64(there[l.Kit] / amount.One)})
		}
	}
	for i := range all {
		b := &all[i]
		a, err := recipes.Buildable(b.Kit, there)
		if err != nil {
			return nil, err
		}
		b.More, b.Short = a.Kits, a.Short
		for _, l := range recipes[b.Kit] {
			b.Recipe = append(b.Recipe, KitPart{l.Part, l.Amount, l.Optional})
		}
		for _, l := range lines {
			if l.Kit == b.Kit && l.Pattern != nil && l.Letter != nil {
				n, lacks := kit.Sets(spell(*l.Pattern), sections[b.Kit])
				b.More, b.Lacks = min(b.More, n), lacks
				break
			}
		}
		for _, l := range lines {
			if l.Kit == b.Kit && l.Mixes != "" {
				b.More, b.Lacks = 0, fmt.Sprintf("%s and %s must never be on one brush: change the recipe", l.Part, l.Mixes)
				break
			}
		}
	}
	return all, nil
}

// spell writes a pattern out: AABBx4 is AABB four times.
func spell(short string) string {
	letters, times, repeated := strings.Cut(short, "x")
	n := 1
	if repeated {
		_, _ = fmt.Sscanf(times, "%d", &n) // the column's form says that it is a number
	}
	return strings.Repeat(letters, n)
}

// BagFilter narrows a list of bags.
type BagFilter struct {
	KitID      *uuid.UUID
	LocationID *uuid.UUID
	Sealed     bool
}

// Bags lists bags by number.
func Bags(ctx context.Context, db *pgdb.DB, who access.Actor, f BagFilter, p Page) ([]Bag, error) {
	return pgdb.ReadSome[Bag](ctx, db, who.ID, bags+`
 where @everywhere
   and (cast(@kit as uuid) is null or k.kit_id = @kit)
   and (cast(@location as uuid) is null or l.id = @location)
   and (not @sealed or k.state = 'sealed' and l.id is not null)
   and lt.code > @after
order by lt.code
   limit @limit`, pageArgs(who, p, map[string]any{"kit": f.KitID, "location": f.LocationID, "sealed": f.Sealed}))
}

// OneBag gives a bag with what is in it.
func OneBag(ctx context.Context, db *pgdb.DB, who access.Actor, id uuid.UUID) (Bag, error) {
	found, err := pgdb.ReadSome[Bag](ctx, db, who.ID, bags+` where @everywhere and k.lot_id = @id`, who.Scope(map[string]any{"id": id}))
	if err == nil && len(found) == 0 {
		err = fault.Missing("kit bag", id.String())
	}
	if err != nil {
		return Bag{}, err
	}
	found[0].Lines, err = pgdb.Read[BagLine](ctx, db, who.ID, bagLines, map[string]any{"id": id})
	return found[0], err
}

// bumpBag is bump for bags, whose key is that of their lot.
func bumpBag(tx *gorm.DB, id uuid.UUID, version int) error {
	r := tx.Exec(`update kit_bag set version = version + 1 where lot_id = ? and version = ?`, id, version)
	if r.Error != nil || r.RowsAffected == 1 {
		return r.Error
	}
	now, err := pgdb.One[struct{ Version int }](tx, "kit bag", id.String(), `select version from kit_bag where lot_id = @id`, map[string]any{"id": id})
	if err != nil {
		return err
	}
	return fault.Outdated("kit bag", version, now.Version)
}
