package parts

import (
	"context"
	"strings"

	"github.com/google/uuid"

	"spindlebook/internal/access"
	"spindlebook/internal/pgdb"
)

// Hit is a part that search found.
type Hit struct {
	ID          uuid.UUID
	Number      string
	Description string
	Class       string
	By          string // what matched best: number, old number, or words
	FollowedBy  string // the numbers that a person should use instead, where there are any
	Withdrawn   bool
}

// What looks through the words runs as the owner of the tables: below row-level
// security a pattern reaches no index, and the catalogue is the same for everybody.
const search = `
select p.id, p.number, p.description, p.class, f.by, coalesce(n.numbers, '') as followed_by, coalesce(n.withdrawn, false) as withdrawn
  from parts_with(@tokens, @number, @limit) as f
  join part as p on p.id = f.part_id
  left join lateral (
    select string_agg(o.number, ' and ' order by o.number) as numbers, bool_or(s.kind = 'withdrawn') as withdrawn
      from part_succession as s
      left join part_succession_to as t on t.succession_id = s.id
      left join part as o on o.id = t.part_id
     where s.part_id = p.id and upper_inf(s.during) and s.only_where = '') as n on true
order by f.near, p.number`

// Search finds parts by any pieces of their numbers, old numbers, descriptions,
// sizes and threads: "5/8-11", "1-7/16 hub", "mw10105". All pieces must be found. Case does not count, nor
// hyphens in a number. Nothing asked finds nothing.
func Search(ctx context.Context, db *pgdb.DB, who access.Actor, text string, limit int) ([]Hit, error) {
	tokens := strings.Fields(strings.ToLower(text))
	if len(tokens) == 0 {
		return []Hit{}, nil
	}
	if len(tokens) > 12 {
		tokens = tokens[:12]
	}
	return pgdb.Read[Hit](ctx, db, who.ID, search, map[string]any{"tokens": tokens, "number": bare(text), "limit": limit})
}

// Numbered finds parts by their whole numbers, many in one read; case does not count. What is
// no number of a part is not in the answer, whose keys are in capitals.
func Numbered(ctx context.Context, db *pgdb.DB, who access.Actor, numbers []string) (map[string]uuid.UUID, error) {
	asked := make([]string, len(numbers))
	for i, n := range numbers {
		asked[i] = strings.ToUpper(strings.TrimSpace(n))
	}
	found, err := pgdb.Read[struct {
		ID     uuid.UUID
		Number string
	}](ctx, db, who.ID, `select id, number from part where number = any (cast(@numbers as text[]))`, map[string]any{"numbers": asked})
	all := make(map[string]uuid.UUID, len(found))
	for _, f := range found {
		all[f.Number] = f.ID
	}
	return all, err
}

// bare leaves letters and digits only, in capitals, as numbers are compared.
func bare(text string) string {
	return strings.Map(func(r rune) rune {
		if r >= '0' && r <= '9' || r >= 'A' && r <= 'Z' {
			return r
		}
		return -1
	}, strings.ToUpper(text))
}
