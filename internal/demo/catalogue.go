package demo

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"

	"spindlebook/internal/access"
	"spindlebook/internal/measure"
	"spindlebook/internal/parts"
	"spindlebook/internal/parts/amount"
)

// addCatalogue records how the parts are counted, bought and kept, whom they come
// from, what they cost, what follows them, what goes for them, and the kits.
func (l *loader) addCatalogue() error {
	began, who := l.joined[distributor], access.System
	by := map[string]uuid.UUID{}
	for _, p := range l.parts {
		by[p.Number] = p.ID
	}
	suppliers := map[string]uuid.UUID{}
	for _, row := range l.suppliers {
		in := parts.SupplierEdit{Code: row.Code, Name: row.Name}
		for d := range strings.FieldsSeq(row.Days) {
			n, err := strconv.Atoi(d)
			if err != nil {
				return err
			}
			in.WorkingDays = append(in.WorkingDays, n)
		}
		for c := range strings.FieldsSeq(row.Closed) {
			at, err := l.clockOf(l.scenario.sites[0].ID).at(c)
			if err != nil {
				return err
			}
			in.Closed = append(in.Closed, at.Format(time.DateOnly))
		}
		s, err := parts.AddSupplier(l.tx, who, began, in)
		if err != nil {
			return fmt.Errorf("%s: %w", row.Code, err)
		}
		for f := range strings.FieldsSeq(row.Families) {
			suppliers[f] = s.ID
		}
	}
	for _, p := range l.parts {
		if err := l.stock1(p, began, suppliers); err != nil {
			return fmt.Errorf("%s: %w", p.Number, err)
		}
	}
	for _, row := range l.successions {
		in := parts.NewSuccession{Kind: row.Kind, UseUpWhere: row.UseUp, Note: row.Note, From: &began}
		for to := range strings.FieldsSeq(row.To) {
			in.To = append(in.To, parts.NewSuccessor{PartID: by[to], Amount: amount.One})
		}
		if _, err := parts.Succeed(l.tx, who, began, by[row.Part], in); err != nil {
			return fmt.Errorf("%s: %w", row.Part, err)
		}
	}
	for _, row := range l.interchanges {
		in := parts.NewInterchange{OtherID: by[row.Other], Kind: row.Kind, OnlyWhere: row.Only, Note: row.Note}
		if id, ok := by[row.Via]; ok {
			in.ViaID = &id
		}
		if _, err := parts.AddInterchange(l.tx, who, began, by[row.Part], in); err != nil {
			return fmt.Errorf("%s: %w", row.Part, err)
		}
	}
	return l.addKits(by, began)
}

// trackings translates how the files track a part. Hubs and pivot sets lie in
// stock with our own tags, so that they are units too.
func tracking(p part) string {
	switch {
	case p.row.Tracking == "serial", p.row.Tracking == "serial_optional", p.Class == "media_set", p.Class == "hub", p.Class == "pivot":
		return "unit"
	}
	return p.row.Tracking
}

func (l *loader) stock1(p part, began time.Time, suppliers map[string]uuid.UUID) error {
	row := p.row
	in := parts.StockingEdit{MeasuredIn: row.MeasuredIn, BoughtIn: row.BoughtIn, Tracking: tracking(p), Repairable: row.Repairable, Hazard: row.Hazard}
	pack, bad := amount.Parse(row.Pack)
	if bad != nil {
		return bad
	}
	in.Pack = pack
	if row.Open != "" || row.MeasuredIn == "L" || row.MeasuredIn == "g" || row.MeasuredIn == "mL" {
		in.Container = &pack
		if row.MeasuredIn == "ea" { // a cartridge is opened, not the case of ten
			in.Container = ptr(amount.One)
		}
	}
	for text, into := range map[string]**int{row.Shelf: &in.ShelfMonths, row.Open: &in.OpenMonths} {
		if text != "" {
			n, err := strconv.Atoi(text)
			if err != nil {
				return err
			}
			*into = &n
		}
	}
	if row.Shelf == row.Open && row.Shelf != "" { // the map above holds one of two alike
		in.ShelfMonths = in.OpenMonths
	}
	weight, err := strconv.ParseFloat(row.Weight, 64)
	if err != nil {
		return err
	}
	if weight > 0 {
		in.Weight = &measure.Typed{Value: weight, Unit: "lb"}
	}
	if row.ABC != "" {
		in.ABC = &row.ABC
	}
	if _, err := parts.SetStocking(l.tx, access.System, p.ID, p.Version, in); err != nil {
		return err
	}
	cost, err := strconv.ParseFloat(row.Cost, 64)
	if err != nil {
		return err
	}
	core := 0.0
	if row.Core != "" {
		if core, err = strconv.ParseFloat(row.Core, 64); err != nil {
			return err
		}
	}
	units, err := strconv.ParseFloat(row.Pack, 64)
	if err != nil {
		return err
	}
	if cost > 0 {
		_, err := parts.SetCost(l.tx, access.System, began, p.ID, parts.NewCost{PriceMinor: int64(math.Round(cost * units * 100)), CoreMinor: int64(math.Round(core * 100)), Currency: "USD", From: &began})
		if err != nil {
			return err
		}
	}
	if row.LeadHigh == 0 {
		return nil // not to be had any more, or built here
	}
	supplier := suppliers[row.Family]
	if p.Class == "media_set" {
		supplier = suppliers["foam"]
	}
	typical := int(math.Round(math.Sqrt(float64(row.LeadLow * row.LeadHigh)))) // lead times are about log-normal
	_, err = parts.SetSource(l.tx, access.System, p.ID, supplier, parts.SourceEdit{Lead10: row.LeadLow, Lead50: typical, Lead90: row.LeadHigh, Preferred: true})
	return err
}

func (l *loader) addKits(by map[string]uuid.UUID, began time.Time) error {
	// kits that hold no kit first
	holds := func(kit string) bool {
		return slices.ContainsFunc(l.kits, func(r kitRow) bool {
			return r.Kit == kit && slices.ContainsFunc(l.kits, func(o kitRow) bool { return o.Kit == r.Part })
		})
	}
	var kits []string
	for _, row := range l.kits {
		if !slices.Contains(kits, row.Kit) {
			kits = append(kits, row.Kit)
		}
	}
	slices.SortStableFunc(kits, func(a, b string) int { return order(holds(a)) - order(holds(b)) })
	for _, number := range kits {
		in := parts.NewRecipe{}
		i := slices.IndexFunc(l.parts, func(p part) bool { return p.Number == number })
		in.Pattern = l.parts[i].fact("media_pattern")
		for _, row := range l.kits {
			if row.Kit != number {
				continue
			}
			n, bad := amount.Parse(row.Amount)
			if bad != nil {
				return bad
			}
			line := parts.NewRecipeLine{PartID: by[row.Part], Amount: n, Optional: row.Optional, Condition: row.Condition, Note: row.Note}
			if in.Pattern != "" {
				at := slices.IndexFunc(l.parts, func(p part) bool { return p.Number == row.Part })
				line.Letter = l.parts[at].attr["leaf"]
			}
			in.Lines = append(in.Lines, line)
		}
		if _, err := parts.SetRecipe(l.tx, access.System, began, by[number], in); err != nil {
			return fmt.Errorf("%s: %w", number, err)
		}
	}
	return nil
}

func order(last bool) int {
	if last {
		return 1
	}
	return 0
}

func ptr[T any](v T) *T { return &v }

// partLines gives what a job or a task of the programme takes, by its code.
func (l *loader) partLines(code string) ([]parts.NewLine, error) {
	var all []parts.NewLine
	for _, row := range l.needs {
		if row.Job != code {
			continue
		}
		p, err := l.partByNumber(row.Part)
		if err != nil {
			return nil, err
		}
		n, bad := amount.Parse(row.Amount)
		if bad != nil {
			return nil, bad
		}
		line := parts.NewLine{Need: row.Need, PartID: &p.ID, Amount: n, Cause: row.Cause, Condition: row.Condition, RuleGroup: row.Group, OneOf: row.OneOf, Why: row.Why, ReturnIfUnused: row.Return}
		if row.Chance != "" {
			c, err := strconv.ParseFloat(row.Chance, 64)
			if err != nil {
				return nil, err
			}
			line.Chance = &c
		}
		all = append(all, line)
	}
	for _, row := range l.tools {
		if row.Job != code {
			continue
		}
		n, bad := amount.Parse(row.Amount)
		if bad != nil {
			return nil, bad
		}
		all = append(all, parts.NewLine{Need: row.Need, Item: row.Item, Amount: n, Condition: row.Condition, Why: row.Why})
	}
	return all, nil
}
