package pm

import (
	"context"
	"slices"
	"time"

	"github.com/google/uuid"

	"spindlebook/internal/access"
	"spindlebook/internal/condition"
	"spindlebook/internal/pgdb"
)

// Fitting tells at how many things a plan is assigned and why not at the others.
type Fitting struct {
	Sites     int // that were looked at, the first by their code
	Of        int // sites that there are
	Fits      int
	OtherKind int // of another kind or class, or elsewhere than the plan asks
	Fails     int // their facts say no
	Unclear   []Unclear
}

// Unclear is a thing of which nobody can tell whether the plan is for it.
type Unclear struct {
	What    string // site, line, position or unit
	ID      uuid.UUID
	Code    string
	Missing []string // the facts that are asked for and not known
}

// mostFitted bounds the sites that one look takes in.
const mostFitted = 200

// FittingOf holds a plan against everything at the sites, for the distributor's people.
func FittingOf(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, plan uuid.UUID) (Fitting, error) {
	var f Fitting
	if err := who.Must(access.SeeInternal); err != nil {
		return f, err
	}
	plans, err := programmeNow(ctx, db)
	if err != nil {
		return f, err
	}
	p := plans[plan]
	if p == nil || p.oneOff() { // it holds nowhere, or is born of work
		return f, nil
	}
	found, err := pgdb.Read[struct {
		ID  uuid.UUID
		All int
	}](ctx, db, who.ID, `select id, count(*) over ()::integer as all from site order by code limit @most`, map[string]any{"most": mostFitted})
	if err != nil {
		return f, err
	}
	sites := make([]uuid.UUID, len(found))
	for i, s := range found {
		sites[i], f.Of = s.ID, s.All
	}
	f.Sites = len(sites)
	if p.AppliesTo == "unit" && zero(p.UnitsIn) != "fitted" {
		sites = append(sites, inStock)
	}
	rows, err := sys[thingRow](ctx, db, thingsAt, map[string]any{"sites": sites, "now": now, "units": p.AppliesTo == "unit"})
	if err != nil {
		return f, err
	}
	ids := []uuid.UUID{}
	for i := range rows {
		r := &rows[i]
		if r.What != p.AppliesTo {
			continue
		}
		t, err := r.thing()
		if err != nil {
			return f, err
		}
		fits, missing := p.fits(&t)
		switch {
		case fits:
			f.Fits++
		case len(missing) > 0:
			f.Unclear = append(f.Unclear, Unclear{What: r.What, ID: r.ID, Missing: missing})
			ids = append(ids, r.ID)
		case p.where.Judge(t.facts).Verdict == condition.Fails:
			f.Fails++
		default:
			f.OtherKind++
		}
	}
	if len(ids) == 0 {
		return f, nil
	}
	names, err := pgdb.Read[struct {
		ID   uuid.UUID
		Code string
	}](ctx, db, who.ID, `
select id, code from position where id = any (@ids) union all select id, code from line where id = any (@ids)
union all select id, code from site where id = any (@ids) union all select id, tag from unit where id = any (@ids)`, map[string]any{"ids": ids})
	if err != nil {
		return f, err
	}
	codes := make(map[uuid.UUID]string, len(names))
	for _, n := range names {
		codes[n.ID] = n.Code
	}
	for i := range f.Unclear {
		f.Unclear[i].Code = codes[f.Unclear[i].ID]
	}
	slices.SortFunc(f.Unclear, func(a, b Unclear) int { return compare(a.Code, b.Code) })
	return f, nil
}
