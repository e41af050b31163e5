package httpapi

import (
	"context"
	"time"

	"github.com/google/uuid"
	openapi_types "github.com/oapi-codegen/runtime/types"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/door"
	"spindlebook/internal/httpapi/gen"
	"spindlebook/internal/parts"
	"spindlebook/internal/parts/amount"
	"spindlebook/internal/parts/fit"
)

// amountIn reads an amount that the specification has let through.
func amountIn(text string) amount.Amount {
	a, _ := amount.Parse(text)
	return a
}

func amountInP(text *string) *amount.Amount {
	if text == nil {
		return nil
	}
	return new(amountIn(*text))
}

func amountOut(a *amount.Amount) *string {
	if a == nil {
		return nil
	}
	return new(a.String())
}

// SearchParts finds parts by any pieces of their words.
func (s *Server) SearchParts(ctx context.Context, r gen.SearchPartsRequestObject) (gen.SearchPartsResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	limit := 20
	if r.Params.Limit != nil {
		limit = *r.Params.Limit
	}
	hits, err := parts.Search(ctx, s.db, who, r.Params.Words, limit)
	return gen.SearchParts200JSONResponse{Items: each(hits, func(h parts.Hit) gen.PartHit {
		return gen.PartHit{Id: h.ID, Number: h.Number, Description: h.Description, Class: h.Class, By: gen.PartHitBy(h.By), FollowedBy: some(h.FollowedBy), Withdrawn: h.Withdrawn}
	})}, err
}

func stockingOut(p parts.Stocking) gen.Stocking {
	out := gen.Stocking{PartId: p.PartID, Version: p.Version, MeasuredIn: gen.StockingMeasuredIn(p.MeasuredIn), BoughtIn: p.BoughtIn, Pack: p.Pack.String(), Container: amountOut(p.Container),
		Tracking: gen.StockingTracking(p.Tracking), ShelfMonths: p.ShelfMonths, OpenMonths: p.OpenMonths, Repairable: p.Repairable, Hazard: p.Hazard,
		Aliases: each(p.Aliases, func(a parts.Alias) gen.PartAlias {
			return gen.PartAlias{Number: a.Number, Kind: gen.PartAliasKind(a.Kind)}
		})}
	if p.ABC != nil {
		out.Abc = new(gen.StockingAbc(*p.ABC))
	}
	if p.WeightKg != nil {
		out.Weight = &gen.MassSI{Kg: *p.WeightKg, Typed: val(p.WeightTyped)}
	}
	return out
}

// GetStocking reads how a part is counted, bought and kept.
func (s *Server) GetStocking(ctx context.Context, r gen.GetStockingRequestObject) (gen.GetStockingResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	it, err := parts.StockingOf(ctx, s.db, who, r.PartId)
	return gen.GetStocking200JSONResponse{Body: stockingOut(it), Headers: gen.GetStocking200ResponseHeaders{ETag: etag(it.Version)}}, err
}

// ReplaceStocking edits how a part is counted, bought and kept.
func (s *Server) ReplaceStocking(ctx context.Context, r gen.ReplaceStockingRequestObject) (gen.ReplaceStockingResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	version, err := versionSeen(r.Params.IfMatch, func() (int, error) {
		it, err := parts.StockingOf(ctx, s.db, who, r.PartId)
		return it.Version, err
	})
	if err != nil {
		return nil, err
	}
	b := r.Body
	in := parts.StockingEdit{MeasuredIn: string(b.MeasuredIn), BoughtIn: b.BoughtIn, Pack: amountIn(b.Pack), Container: amountInP(b.Container), Tracking: string(b.Tracking),
		ShelfMonths: b.ShelfMonths, OpenMonths: b.OpenMonths, Repairable: val(b.Repairable), Weight: measureIn(b.Weight), Hazard: val(b.Hazard),
		Aliases: each(val(b.Aliases), func(a gen.PartAlias) parts.Alias { return parts.Alias{Number: a.Number, Kind: string(a.Kind)} })}
	if b.Abc != nil {
		in.ABC = new(string(*b.Abc))
	}
	it, err := write(ctx, s, func(tx *gorm.DB, who access.Actor, _ time.Time) (parts.Stocking, error) {
		return parts.SetStocking(tx, who, r.PartId, version, in)
	})
	return gen.ReplaceStocking200JSONResponse{Body: stockingOut(it), Headers: gen.ReplaceStocking200ResponseHeaders{ETag: etag(it.Version)}}, err
}

func successionOut(s parts.Succession) gen.Succession {
	return gen.Succession{Id: s.ID, PartId: s.PartID, Number: s.Number, Kind: gen.SuccessionKind(s.Kind), OnlyWhere: s.OnlyWhere, UseUpWhere: s.UseUpWhere, Note: s.Note, From: s.From, Until: s.Until,
		To: each(s.To, func(t parts.Successor) gen.Successor {
			return gen.Successor{PartId: t.PartID, Number: t.Number, Description: t.Description, Amount: t.Amount.String()}
		})}
}

func interchangeOut(i parts.Interchange) gen.Interchange {
	return gen.Interchange{Id: i.ID, PartId: i.PartID, Number: i.Number, OtherId: i.OtherID, Other: i.Other, OtherSays: &i.OtherSays, Kind: gen.InterchangeKind(i.Kind), OnlyWhere: i.OnlyWhere,
		ViaPartId: i.ViaID, Via: i.Via, Note: i.Note, From: i.From, Until: i.Until}
}

// GetLineage reads what follows a part, what it followed, and what goes for it.
func (s *Server) GetLineage(ctx context.Context, r gen.GetLineageRequestObject) (gen.GetLineageResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	l, err := parts.LineageOf(ctx, s.db, who, r.PartId)
	if err != nil {
		return nil, err
	}
	i, err := parts.InterchangesOf(ctx, s.db, who, r.PartId)
	return gen.GetLineage200JSONResponse{After: each(l.After, successionOut), Before: each(l.Before, successionOut), Interchanges: each(i, interchangeOut)}, err
}

// CreateSuccession says what follows a part.
func (s *Server) CreateSuccession(ctx context.Context, r gen.CreateSuccessionRequestObject) (gen.CreateSuccessionResponseObject, error) {
	b := r.Body
	in := parts.NewSuccession{Kind: string(b.Kind), OnlyWhere: val(b.OnlyWhere), UseUpWhere: val(b.UseUpWhere), Note: val(b.Note), From: b.From,
		To: each(val(b.To), func(t gen.NewSuccessor) parts.NewSuccessor {
			return parts.NewSuccessor{PartID: t.PartId, Amount: amountIn(t.Amount)}
		})}
	it, err := once(ctx, s, "createSuccession", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (parts.Succession, error) {
		return parts.Succeed(tx, who, now, r.PartId, in)
	})
	return gen.CreateSuccession201JSONResponse(successionOut(it)), err
}

// EndSuccession says that it follows no longer.
func (s *Server) EndSuccession(ctx context.Context, r gen.EndSuccessionRequestObject) (gen.EndSuccessionResponseObject, error) {
	it, err := once(ctx, s, "endSuccession", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (parts.Succession, error) {
		return parts.EndSuccession(tx, who, now, r.SuccessionId)
	})
	return gen.EndSuccession200JSONResponse(successionOut(it)), err
}

// CreateInterchange says what goes for a part, or must not.
func (s *Server) CreateInterchange(ctx context.Context, r gen.CreateInterchangeRequestObject) (gen.CreateInterchangeResponseObject, error) {
	b := r.Body
	it, err := once(ctx, s, "createInterchange", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (parts.Interchange, error) {
		return parts.AddInterchange(tx, who, now, r.PartId, parts.NewInterchange{OtherID: b.OtherId, Kind: string(b.Kind), OnlyWhere: val(b.OnlyWhere), ViaID: b.ViaPartId, Note: val(b.Note)})
	})
	return gen.CreateInterchange201JSONResponse(interchangeOut(it)), err
}

// EndInterchange says that it holds no longer.
func (s *Server) EndInterchange(ctx context.Context, r gen.EndInterchangeRequestObject) (gen.EndInterchangeResponseObject, error) {
	it, err := once(ctx, s, "endInterchange", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (parts.Interchange, error) {
		return parts.EndInterchange(tx, who, now, r.InterchangeId)
	})
	return gen.EndInterchange200JSONResponse(interchangeOut(it)), err
}

func recipeOut(r parts.Recipe) gen.Recipe {
	return gen.Recipe{Id: r.ID, KitId: r.KitID, Number: r.Number, Pattern: r.Pattern, Note: r.Note, MadeAt: r.MadeAt,
		Lines: each(r.Lines, func(l parts.RecipeLine) gen.RecipeLine {
			return gen.RecipeLine{PartId: l.PartID, Number: l.Number, Description: l.Description, MeasuredIn: l.MeasuredIn, Amount: l.Amount.String(), Optional: l.Optional,
				Condition: l.Condition, Letter: l.Letter, Note: l.Note}
		})}
}

// ListRecipes lists how a kit is and was made.
func (s *Server) ListRecipes(ctx context.Context, r gen.ListRecipesRequestObject) (gen.ListRecipesResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	all, err := parts.RecipesOf(ctx, s.db, who, r.PartId)
	return gen.ListRecipes200JSONResponse{Items: each(all, recipeOut)}, err
}

// CreateRecipe says how a kit is made from now on.
func (s *Server) CreateRecipe(ctx context.Context, r gen.CreateRecipeRequestObject) (gen.CreateRecipeResponseObject, error) {
	in := parts.NewRecipe{Pattern: val(r.Body.Pattern), Note: val(r.Body.Note), Lines: each(r.Body.Lines, func(l gen.NewRecipeLine) parts.NewRecipeLine {
		return parts.NewRecipeLine{PartID: l.PartId, Amount: amountIn(l.Amount), Optional: val(l.Optional), Condition: val(l.Condition), Letter: string(val(l.Letter)), Note: val(l.Note)}
	})}
	it, err := once(ctx, s, "createRecipe", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (parts.Recipe, error) {
		return parts.SetRecipe(tx, who, now, r.PartId, in)
	})
	return gen.CreateRecipe201JSONResponse(recipeOut(it)), err
}

// GetPartUses reads where a part is used.
func (s *Server) GetPartUses(ctx context.Context, r gen.GetPartUsesRequestObject) (gen.GetPartUsesResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	u, err := parts.UsesOf(ctx, s.db, who, r.PartId)
	return gen.GetPartUses200JSONResponse{Places: u.Places, Items: each(u.Items, func(u parts.Use) gen.PartUse {
		return gen.PartUse{Kind: gen.PartUseKind(u.Kind), Id: u.ID, Code: u.Code, Name: u.Name, Amount: amountOut(u.Amount)}
	})}, err
}

func costOut(c parts.Cost) gen.Cost {
	return gen.Cost{Id: c.ID, PriceMinor: c.PriceMinor, CoreMinor: c.CoreMinor, Currency: c.Currency, From: c.From, Until: c.Until}
}

// ListCosts lists what a part cost.
func (s *Server) ListCosts(ctx context.Context, r gen.ListCostsRequestObject) (gen.ListCostsResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	all, err := parts.CostsOf(ctx, s.db, who, r.PartId)
	return gen.ListCosts200JSONResponse{Items: each(all, costOut)}, err
}

// CreateCost says what a part costs from an instant on.
func (s *Server) CreateCost(ctx context.Context, r gen.CreateCostRequestObject) (gen.CreateCostResponseObject, error) {
	b := r.Body
	it, err := once(ctx, s, "createCost", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (parts.Cost, error) {
		return parts.SetCost(tx, who, now, r.PartId, parts.NewCost{PriceMinor: b.PriceMinor, CoreMinor: val(b.CoreMinor), Currency: b.Currency, From: b.From})
	})
	return gen.CreateCost201JSONResponse(costOut(it)), err
}

func sourceOut(s parts.Source) gen.Source {
	return gen.Source{SupplierId: s.SupplierID, Supplier: s.Supplier, Name: s.Name, Number: s.Number, Lead10: s.Lead10, Lead50: s.Lead50, Lead90: s.Lead90, Preferred: s.Preferred}
}

// ListSources lists the suppliers of a part.
func (s *Server) ListSources(ctx context.Context, r gen.ListSourcesRequestObject) (gen.ListSourcesResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	all, err := parts.SourcesOf(ctx, s.db, who, r.PartId)
	return gen.ListSources200JSONResponse{Items: each(all, sourceOut)}, err
}

// PutSource says that a supplier has a part.
func (s *Server) PutSource(ctx context.Context, r gen.PutSourceRequestObject) (gen.PutSourceResponseObject, error) {
	b := r.Body
	it, err := write(ctx, s, func(tx *gorm.DB, who access.Actor, _ time.Time) (parts.Source, error) {
		return parts.SetSource(tx, who, r.PartId, r.SupplierId, parts.SourceEdit{Number: val(b.Number), Lead10: b.Lead10, Lead50: b.Lead50, Lead90: b.Lead90, Preferred: val(b.Preferred)})
	})
	return gen.PutSource200JSONResponse(sourceOut(it)), err
}

func supplierOut(p parts.Supplier) gen.Supplier {
	return gen.Supplier{Id: p.ID, Code: p.Code, Name: p.Name, WorkingDays: p.WorkingDays, Version: p.Version, CreatedAt: p.CreatedAt,
		Closed: each(p.Closed, func(d string) openapi_types.Date {
			at, _ := time.Parse(time.DateOnly, d) // the database wrote it
			return openapi_types.Date{Time: at}
		})}
}

func datesIn(all *[]openapi_types.Date) []string {
	return each(val(all), func(d openapi_types.Date) string { return d.Format(time.DateOnly) })
}

// ListSuppliers lists suppliers by code.
func (s *Server) ListSuppliers(ctx context.Context, r gen.ListSuppliersRequestObject) (gen.ListSuppliersResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	p, err := page("suppliers", r.Params.Cursor, r.Params.Limit)
	if err != nil {
		return nil, err
	}
	rows, err := parts.Suppliers(ctx, s.db, who, p)
	rows, next := cut("suppliers", rows, p, func(p parts.Supplier) string { return p.Code })
	return gen.ListSuppliers200JSONResponse{Items: each(rows, supplierOut), NextCursor: next}, err
}

// CreateSupplier adds a supplier.
func (s *Server) CreateSupplier(ctx context.Context, r gen.CreateSupplierRequestObject) (gen.CreateSupplierResponseObject, error) {
	it, err := once(ctx, s, "createSupplier", r.Params.IdempotencyKey, r, func(tx *gorm.DB, who access.Actor, now time.Time) (parts.Supplier, error) {
		return parts.AddSupplier(tx, who, now, parts.SupplierEdit{Code: r.Body.Code, Name: r.Body.Name, WorkingDays: r.Body.WorkingDays, Closed: datesIn(r.Body.Closed)})
	})
	return gen.CreateSupplier201JSONResponse(supplierOut(it)), err
}

// GetSupplier reads a supplier.
func (s *Server) GetSupplier(ctx context.Context, r gen.GetSupplierRequestObject) (gen.GetSupplierResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	it, err := parts.OneSupplier(ctx, s.db, who, r.SupplierId)
	return gen.GetSupplier200JSONResponse{Body: supplierOut(it), Headers: gen.GetSupplier200ResponseHeaders{ETag: etag(it.Version)}}, err
}

// ReplaceSupplier edits a supplier.
func (s *Server) ReplaceSupplier(ctx context.Context, r gen.ReplaceSupplierRequestObject) (gen.ReplaceSupplierResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	version, err := versionSeen(r.Params.IfMatch, func() (int, error) {
		it, err := parts.OneSupplier(ctx, s.db, who, r.SupplierId)
		return it.Version, err
	})
	if err != nil {
		return nil, err
	}
	it, err := write(ctx, s, func(tx *gorm.DB, who access.Actor, _ time.Time) (parts.Supplier, error) {
		return parts.EditSupplier(tx, who, r.SupplierId, version, parts.SupplierEdit{Name: r.Body.Name, WorkingDays: r.Body.WorkingDays, Closed: datesIn(r.Body.Closed)})
	})
	return gen.ReplaceSupplier200JSONResponse{Body: supplierOut(it), Headers: gen.ReplaceSupplier200ResponseHeaders{ETag: etag(it.Version)}}, err
}

func ruleOut(r fit.Rule) gen.FitRule {
	out := gen.FitRule{Class: r.Class, How: gen.FitRuleHow(r.How), Fact: r.Fact, Against: r.Against, Condition: some(r.Condition), Work: some(r.Work), WorkBy: some(r.By), Why: some(r.Why)}
	if r.Minutes > 0 {
		out.WorkMinutes = &r.Minutes
	}
	return out
}

// ListFitRules lists in what things must agree to fit.
func (s *Server) ListFitRules(ctx context.Context, _ gen.ListFitRulesRequestObject) (gen.ListFitRulesResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	all, err := parts.Rules(ctx, s.db, who)
	return gen.ListFitRules200JSONResponse{Items: each(all, ruleOut)}, err
}

// ReplaceFitRules makes the rules of a class those given.
func (s *Server) ReplaceFitRules(ctx context.Context, r gen.ReplaceFitRulesRequestObject) (gen.ReplaceFitRulesResponseObject, error) {
	rules := each(r.Body.Items, func(f gen.FitRuleEdit) fit.Rule {
		return fit.Rule{Class: r.ClassCode, How: string(f.How), Fact: f.Fact, Against: f.Against, Condition: val(f.Condition), Work: val(f.Work), Minutes: val(f.WorkMinutes), By: val(f.WorkBy), Why: val(f.Why)}
	})
	_, err := write(ctx, s, func(tx *gorm.DB, who access.Actor, _ time.Time) (bool, error) {
		return true, parts.SetRules(tx, who, r.ClassCode, rules)
	})
	return gen.ReplaceFitRules200JSONResponse{Items: each(rules, ruleOut)}, err
}

func missingOut(m fit.Missing) gen.FitMissing {
	return gen.FitMissing{Of: gen.FitMissingOf(m.Of), Fact: m.Fact, Says: m.Says, How: m.How}
}

func fitOut(a fit.Answer) gen.FitAnswer {
	out := gen.FitAnswer{Verdict: a.Verdict.String(), Minutes: a.Minutes(), Reasons: a.Reasons, Missing: each(a.Missing, missingOut),
		Work: each(a.Work, func(w fit.Work) gen.FitWork { return gen.FitWork{What: w.What, Minutes: w.Minutes, By: w.By} })}
	if out.Reasons == nil {
		out.Reasons = []string{}
	}
	return out
}

// ListPartFits tells of every part of a class whether it fits a position.
func (s *Server) ListPartFits(ctx context.Context, r gen.ListPartFitsRequestObject) (gen.ListPartFitsResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	all, err := parts.FitsAt(ctx, s.db, who, s.now(), r.PositionId, r.Params.Class)
	return gen.ListPartFits200JSONResponse{Items: each(all, func(f parts.PartFit) gen.PartFit {
		return gen.PartFit{PartId: f.PartID, Number: f.Number, Description: f.Description, FollowedBy: some(f.FollowedBy), Withdrawn: f.Withdrawn, Answer: fitOut(f.Answer)}
	})}, err
}

// ListUnitFits tells of the units of a class in stock whether they fit a position.
func (s *Server) ListUnitFits(ctx context.Context, r gen.ListUnitFitsRequestObject) (gen.ListUnitFitsResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	all, err := parts.UnitsFor(ctx, s.db, who, s.now(), r.PositionId, r.Params.Class)
	return gen.ListUnitFits200JSONResponse{Items: each(all, func(f parts.UnitFit) gen.UnitFit {
		return gen.UnitFit{UnitId: f.UnitID, Tag: f.Tag, Serial: f.Serial, PartId: f.PartID, PartNumber: f.PartNumber, LocationId: f.LocationID, Location: f.Location,
			LocationName: f.LocationSay, LocationKind: f.Kind, Answer: fitOut(f.Answer)}
	})}, err
}

func needsOut(n parts.Needs) gen.Needs {
	return gen.Needs{PositionId: n.PositionID, ProcedureVersionId: n.VersionID, Method: some(n.Method), Position: n.Position, Procedure: n.Procedure, Title: n.Title, Gaps: n.Gaps,
		Lines: each(n.Lines, func(t parts.Taken) gen.NeedsLine {
			out := gen.NeedsLine{Need: gen.NeedsLineNeed(t.Need), Standing: gen.NeedsLineStanding(t.Standing), PartId: t.PartID, Number: some(t.Number), Says: t.Says, Amount: t.Amount.String(),
				MeasuredIn: t.MeasuredIn, Tracking: some(t.Tracking), Hazard: some(t.Hazard), Chance: t.Chance, Cause: some(t.Cause), RuleGroup: some(t.RuleGroup), Why: t.Why,
				Instead: some(t.Instead), ReturnIfUnused: t.ReturnIfUnused, ReadOut: t.Say()}
			if len(t.Doubt) > 0 {
				out.Doubt = &t.Doubt
			}
			if len(t.Missing) > 0 {
				out.Missing = new(each(t.Missing, missingOut))
			}
			if t.Fit != nil {
				out.Fit = new(fitOut(*t.Fit))
			}
			return out
		})}
}

// GetRequirements tells what work takes at a position.
func (s *Server) GetRequirements(ctx context.Context, r gen.GetRequirementsRequestObject) (gen.GetRequirementsResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	all, err := parts.Resolve(ctx, s.db, who, s.now(), []parts.Ask{{PositionID: r.PositionId, VersionID: r.ProcedureVersionId, Method: val(r.Params.Method)}})
	if err != nil {
		return nil, err
	}
	return gen.GetRequirements200JSONResponse(needsOut(all[0])), nil
}

// ResolveRequirements tells what many pieces of work take.
func (s *Server) ResolveRequirements(ctx context.Context, r gen.ResolveRequirementsRequestObject) (gen.ResolveRequirementsResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	all, err := parts.Resolve(ctx, s.db, who, s.now(), each(r.Body.Items, func(a gen.NeedsAsk) parts.Ask {
		return parts.Ask{PositionID: a.PositionId, VersionID: a.ProcedureVersionId, Method: val(a.Method)}
	}))
	return gen.ResolveRequirements200JSONResponse{Items: each(all, needsOut)}, err
}

func (s *Server) partLines(ctx context.Context, who access.Actor, version uuid.UUID) (gen.PartLines, error) {
	all, err := parts.LinesOf(ctx, s.db, who, version)
	return gen.PartLines{Items: each(all, func(l parts.Line) gen.PartLine {
		return gen.PartLine{Id: l.ID, Ordinal: l.Ordinal, Need: gen.PartLineNeed(l.Need), PartId: l.PartID, Number: l.Number, Slot: l.Slot, Item: l.Item, Amount: l.Amount.String(), Chance: l.Chance,
			Cause: some(l.Cause), Condition: some(l.Condition), RuleGroup: some(l.RuleGroup), OneOf: &l.OneOf, Why: some(l.Why), ReturnIfUnused: &l.ReturnIfUnused}
	})}, err
}

// ListPartLines lists what a version of a procedure takes under all conditions.
func (s *Server) ListPartLines(ctx context.Context, r gen.ListPartLinesRequestObject) (gen.ListPartLinesResponseObject, error) {
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	all, err := s.partLines(ctx, who, r.ProcedureVersionId)
	return gen.ListPartLines200JSONResponse(all), err
}

// ReplacePartLines makes what a draft of a procedure takes what is given.
func (s *Server) ReplacePartLines(ctx context.Context, r gen.ReplacePartLinesRequestObject) (gen.ReplacePartLinesResponseObject, error) {
	lines := each(r.Body.Items, func(l gen.NewPartLine) parts.NewLine {
		return parts.NewLine{Need: string(l.Need), PartID: l.PartId, Slot: val(l.Slot), Item: val(l.Item), Amount: amountIn(l.Amount), Chance: l.Chance, Cause: val(l.Cause), Condition: val(l.Condition),
			RuleGroup: val(l.RuleGroup), OneOf: val(l.OneOf), Why: val(l.Why), ReturnIfUnused: val(l.ReturnIfUnused)}
	})
	_, err := write(ctx, s, func(tx *gorm.DB, who access.Actor, _ time.Time) (bool, error) {
		return true, parts.SetLines(tx, who, r.ProcedureVersionId, lines)
	})
	if err != nil {
		return nil, err
	}
	who, err := door.Must(ctx)
	if err != nil {
		return nil, err
	}
	all, err := s.partLines(ctx, who, r.ProcedureVersionId)
	return gen.ReplacePartLines200JSONResponse(all), err
}
