package pm

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"

	"spindlebook/internal/access"
	"spindlebook/internal/condition"
	"spindlebook/internal/pgdb"
)

// Fitting tells at how many things a plan is assigned and why not at the others.
type Fitting struct {
	Sites     int // that were looked at
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
	found, err := pgdb.Read[struct{ ID uuid.UUID }](ctx, db, who.ID, `select id from site order by code limit @most`, map[string]any{"most": mostFitted})
	if err != nil {
		return f, err
	}
	sites := make([]uuid.UUID, len(found))
	for i, s := range found {
		sites[i] = s.ID
	}
	f.Sites = len(sites)
	if p.AppliesTo == "unit" && zero(p.UnitsIn) != "fitted" {
		sites = append(sites, inStock)
	}
	rows, err := sys[struct {
		What                       string
		ID                         uuid.UUID
		SiteID, LineID, PositionID *uuid.UUID
		Kinds                      []string
		Class                      string
		Fitted, Parked             bool
		Since                      time.Time
		SinceKnown                 bool
		Facts                      string
	}](ctx, db, thingsAt, map[string]any{"sites": sites, "now": now, "units": p.AppliesTo == "unit"})
	if err != nil {
		return f, err
	}
	ids := []uuid.UUID{}
	for _, r := range rows {
		if r.What != p.AppliesTo {
			continue
		}
		t := thing{what: r.What, id: r.ID, kinds: r.Kinds, class: r.Class, fitted: r.Fitted, facts: condition.Facts{}}
		if err := json.Unmarshal([]byte(r.Facts), &t.facts); err != nil {
			return f, fmt.Errorf("the facts of a thing: %w", err)
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
	for i := range f.Unclear {
		for _, n := range names {
			if n.ID == f.Unclear[i].ID {
				f.Unclear[i].Code = n.Code
			}
		}
	}
	slices.SortFunc(f.Unclear, func(a, b Unclear) int { return compare(a.Code, b.Code) })
	return f, nil
}
