package httpapi

import (
	"context"

	openapi_types "github.com/oapi-codegen/runtime/types"

	"spindlebook/internal/door"
	"spindlebook/internal/httpapi/gen"
	"spindlebook/internal/pm"
	"spindlebook/internal/pm/ahead"
)

// ListWorkAhead lists expected work by sites and weeks.
func (s *Server) ListWorkAhead(ctx context.Context, r gen.ListWorkAheadRequestObject) (gen.ListWorkAheadResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	p, err := page("work-ahead", r.Params.Cursor, r.Params.Limit)
	if err != nil {
		return nil, err
	}
	f := pm.AheadFilter{SiteID: r.Params.SiteId, Weeks: 12, Draft: r.Params.Draft}
	if r.Params.Weeks != nil {
		f.Weeks = *r.Params.Weeks
	}
	all, err := pm.WorkAhead(ctx, s.db, who, s.now(), f, p)
	rows, next := cut("work-ahead", all.Sites, p, func(a pm.SiteAhead) string { return a.Code })
	return gen.ListWorkAhead200JSONResponse{Skills: each(all.Skills, func(s string) string { return s }), Items: each(rows, siteAheadOut), NextCursor: next}, err
}

func siteAheadOut(a pm.SiteAhead) gen.SiteAhead {
	out := gen.SiteAhead{SiteId: a.ID, Code: a.Code, Name: a.Name, Undated: a.Undated, Weeks: each(a.Weeks, weekOut)}
	if a.Draft != nil {
		out.Draft = new(each(a.Draft, weekOut))
	}
	return out
}

func weekOut(w ahead.Week) gen.WeekAhead {
	out := gen.WeekAhead{Monday: openapi_types.Date{Time: w.Monday.UTC()}, Jobs: w.Jobs, Hours: w.Hours, PersonHours: w.PersonHours, LineDownHours: w.DownHours, Covered: w.Covered,
		PersonHoursBySkill: each(w.Skills, func(h float64) float64 { return h })}
	for _, l := range w.Of {
		out.HoursByCriticality = append(out.HoursByCriticality, l.Hours)
	}
	return out
}
