package parts

import (
	"context"
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/condition"
	"spindlebook/internal/fault"
	"spindlebook/internal/parts/amount"
	"spindlebook/internal/parts/kit"
	"spindlebook/internal/pgdb"
)

// Recipe is what a kit is made of; each number is frozen, the latest is in use.
type Recipe struct {
	ID      uuid.UUID
	KitID   uuid.UUID
	Number  int
	Pattern *string // of a media set: its sections from the bottom up, as AABBx4
	Note    string
	MadeAt  time.Time
	Lines   List[RecipeLine]
}

// RecipeLine is a part of a kit.
type RecipeLine struct {
	PartID      uuid.UUID
	Number      string
	Description string
	MeasuredIn  string
	Amount      amount.Amount
	Optional    bool
	Condition   string
	Letter      *string // which section of the pattern it is
	Note        string
}

// NewRecipe is what it takes to say how a kit is made from now on.
type NewRecipe struct {
	Pattern string
	Note    string
	Lines   []NewRecipeLine
}

// NewRecipeLine names a part of a kit. Of a set the amount follows from the pattern.
type NewRecipeLine struct {
	PartID    uuid.UUID
	Amount    amount.Amount
	Optional  bool
	Condition string
	Letter    string
	Note      string
}

const recipes = `
select r.id, r.kit_id, r.number, r.pattern, r.note, r.made_at,
       coalesce((select jsonb_agg(jsonb_build_object('PartID', p.id, 'Number', p.number, 'Description', p.description, 'MeasuredIn', p.measured_in, 'Amount', l.amount,
                                                     'Optional', l.optional, 'Condition', l.condition, 'Letter', l.letter, 'Note', l.note) order by l.ordinal)
                   from kit_line as l join part as p on p.id = l.part_id where l.recipe_id = r.id), '[]') as lines
  from kit_recipe as r`

// RecipesOf lists how a kit was made, the recipe in use first.
func RecipesOf(ctx context.Context, db *pgdb.DB, who access.Actor, kit uuid.UUID) ([]Recipe, error) {
	return pgdb.Read[Recipe](ctx, db, who.ID, recipes+` where r.kit_id = @kit order by r.number desc limit 50`, map[string]any{"kit": kit})
}

// SetRecipe says how a kit is made from now on. Bags made before stay what they are.
func SetRecipe(tx *gorm.DB, who access.Actor, now time.Time, kitID uuid.UUID, in NewRecipe) (Recipe, error) {
	if err := who.Must(access.KeepCatalogue); err != nil {
		return Recipe{}, err
	}
	if err := exists(tx, kitID); err != nil {
		return Recipe{}, err
	}
	if len(in.Lines) == 0 || len(in.Lines) > 200 {
		return Recipe{}, fault.Field("lines", len(in.Lines), "takes 1 to 200 lines")
	}
	pattern, bad := patternOf(in)
	if bad != nil {
		return Recipe{}, bad
	}
	type row struct {
		Ordinal   int           `json:"ordinal"`
		PartID    uuid.UUID     `json:"part_id"`
		Amount    amount.Amount `json:"amount"`
		Optional  bool          `json:"optional"`
		Condition string        `json:"condition"`
		Letter    *string       `json:"letter"`
		Note      string        `json:"note"`
	}
	rows := make([]row, len(in.Lines))
	for i, l := range in.Lines {
		c, bad := condition.Parse(l.Condition, fmt.Sprintf("lines[%d].condition", i))
		if bad != nil {
			return Recipe{}, bad
		}
		rows[i] = row{i + 1, l.PartID, l.Amount, l.Optional, c.String(), nil, strings.TrimSpace(l.Note)}
		if l.Letter != "" {
			rows[i].Letter = &l.Letter
		}
	}
	if err := alone(tx); err != nil {
		return Recipe{}, err
	}
	if err := checkKits(tx, kitID, in.Lines); err != nil {
		return Recipe{}, err
	}
	if pattern != nil {
		if err := checkMixed(tx, now, in.Lines); err != nil {
			return Recipe{}, err
		}
	}
	doc, err := json.Marshal(rows)
	if err != nil {
		return Recipe{}, err
	}
	v := map[string]any{"id": pgdb.NewID(), "kit": kitID, "pattern": pattern, "note": strings.TrimSpace(in.Note), "now": now, "who": who.ID, "rows": string(doc)}
	err = tx.Exec(`
insert into kit_recipe (id, kit_id, number, pattern, note, made_at, made_by)
select @id, @kit, coalesce(max(number), 0) + 1, @pattern, @note, @now, @who from kit_recipe where kit_id = @kit`, v).Error
	if err != nil {
		return Recipe{}, err
	}
	err = tx.Exec(`
insert into kit_line (recipe_id, ordinal, part_id, amount, optional, condition, letter, note)
select @id, ordinal, part_id, amount, optional, condition, letter, note
  from jsonb_to_recordset(cast(@rows as jsonb)) as r(ordinal int, part_id uuid, amount numeric, optional boolean, condition text, letter text, note text)`, v).Error
	if err != nil {
		return Recipe{}, err
	}
	return pgdb.One[Recipe](tx, "recipe", "", recipes+` where r.id = @id`, v)
}

// patternOf holds the lines of a set against its pattern: one part for each
// letter, as many as the letter stands there.
func patternOf(in NewRecipe) (*string, *fault.Error) {
	if in.Pattern == "" {
		for i, l := range in.Lines {
			if l.Letter != "" {
				return nil, fault.Field(fmt.Sprintf("lines[%d].letter", i), l.Letter, "is given only with a pattern")
			}
		}
		return nil, nil
	}
	whole, ok := assets.SpellPattern(in.Pattern)
	if !ok {
		return nil, fault.Field("pattern", in.Pattern, "is a row of A and B from the bottom up, perhaps repeated: AABBx4")
	}
	seen := map[string]bool{}
	for i, l := range in.Lines {
		n := amount.Of(int64(strings.Count(whole, l.Letter)))
		switch at := fmt.Sprintf("lines[%d]", i); {
		case l.Letter != "A" && l.Letter != "B":
			return nil, fault.Field(at+".letter", l.Letter, "is A or B in a set of sections")
		case seen[l.Letter]:
			return nil, fault.Field(at+".letter", l.Letter, "has a part already")
		case l.Amount != n:
			return nil, fault.Field(at+".amount", l.Amount, "is %s: so often %s stands in %s", n, l.Letter, in.Pattern)
		case l.Optional:
			return nil, fault.Field(at+".optional", true, "is not possible: a set is whole or it is none")
		}
		seen[l.Letter] = true
	}
	for _, letter := range []string{"A", "B"} {
		if strings.Contains(whole, letter) && !seen[letter] {
			return nil, fault.Field("lines", letter, "names no part for the sections %s", letter)
		}
	}
	return &in.Pattern, nil
}

// checkMixed refuses a set of sections that must never be on one brush.
func checkMixed(tx *gorm.DB, now time.Time, lines []NewRecipeLine) error {
	at := map[uuid.UUID]int{}
	of := make([]string, len(lines))
	for i, l := range lines {
		at[l.PartID], of[i] = i, l.PartID.String()
	}
	var found []struct {
		PartID, OtherID uuid.UUID
		Number, Other   string
	}
	err := tx.Raw(`
select i.part_id, i.other_id, a.number, b.number as other
  from part_interchange as i
  join part as a on a.id = i.part_id
  join part as b on b.id = i.other_id
 where i.kind = 'never_mix' and i.during @> cast(@now as timestamptz)
   and i.part_id = any (cast(@ids as uuid[])) and i.other_id = any (cast(@ids as uuid[]))
order by 3, 4
 limit 1`, map[string]any{"now": now, "ids": "{" + strings.Join(of, ",") + "}"}).Scan(&found).Error
	if err != nil || len(found) == 0 {
		return err
	}
	first, later := found[0].Number, found[0].Other
	if at[found[0].OtherID] < at[found[0].PartID] {
		first, later = later, first
	}
	f := fault.Field(fmt.Sprintf("lines[%d].part_id", max(at[found[0].PartID], at[found[0].OtherID])), later, "must never be on one brush with %s", first)
	f.Kind = fault.Conflict
	return f
}

// checkKits refuses rings and a kit in a kit in a kit: it looks at the recipe, at
// those of what it holds and at those that hold it.
func checkKits(tx *gorm.DB, kitID uuid.UUID, lines []NewRecipeLine) error {
	ids := make([]string, len(lines))
	for i, l := range lines {
		ids[i] = l.PartID.String()
	}
	var around []struct {
		KitID    uuid.UUID
		PartID   uuid.UUID
		Amount   amount.Amount
		Optional bool
	}
	err := tx.Raw(`
with wanted as (
  select k.recipe_id, k.kit_id from kit_now as k
   where k.kit_id <> @kit
     and (k.kit_id = any (cast(@ids as uuid[]))
          or exists (select from kit_line as l where l.recipe_id = k.recipe_id and l.part_id = @kit)
          or exists (select from kit_line as l join kit_now as m on m.kit_id = any (cast(@ids as uuid[])) and l.recipe_id = m.recipe_id where l.part_id = k.kit_id))
)
select w.kit_id, l.part_id, l.amount, l.optional from wanted as w join kit_line as l on l.recipe_id = w.recipe_id`,
		map[string]any{"kit": kitID, "ids": "{" + strings.Join(ids, ",") + "}"}).Scan(&around).Error
	if err != nil {
		return err
	}
	all := kit.Recipes{}
	for _, a := range around {
		all[a.KitID.String()] = append(all[a.KitID.String()], kit.Line{Part: a.PartID.String(), Amount: a.Amount, Optional: a.Optional})
	}
	for i, l := range lines {
		if l.PartID == kitID {
			return fault.Field(fmt.Sprintf("lines[%d].part_id", i), l.PartID, "is the kit itself")
		}
		all[kitID.String()] = append(all[kitID.String()], kit.Line{Part: l.PartID.String(), Amount: l.Amount, Optional: l.Optional})
		for _, inner := range all[l.PartID.String()] {
			if _, nested := all[inner.Part]; nested || inner.Part == kitID.String() {
				return fault.Field(fmt.Sprintf("lines[%d].part_id", i), l.PartID, "holds a kit itself: a kit in a kit is as deep as they go")
			}
		}
	}
	if bad := all.Check(); bad != nil {
		if f, ok := bad.(*fault.Error); ok {
			f.Field = "lines"
		}
		return bad
	}
	return nil
}

// Kit is a part that is put together of others by a recipe.
type Kit struct {
	ID          uuid.UUID
	Number      string
	Description string
	Pattern     *string // of a media set
}

// Kits lists the kits of which there is a recipe, by number; the key of a page is the number.
func Kits(ctx context.Context, db *pgdb.DB, who access.Actor, p Page) ([]Kit, error) {
	return pgdb.Read[Kit](ctx, db, who.ID, `
select k.kit_id as id, p.number, p.description, k.pattern
  from kit_now as k
  join part as p on p.id = k.kit_id
 where p.number > @after
order by p.number
 limit @limit`, map[string]any{"after": p.After, "limit": p.Limit})
}
