package httpapi

import (
	"encoding/json"

	"github.com/google/uuid"
	openapi_types "github.com/oapi-codegen/runtime/types"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/door"
	"spindlebook/internal/httpapi/gen"
	"spindlebook/internal/measure"
)

// What features give, as the specification writes it, and back.

func at(kind string, id uuid.UUID) string { return door.APIPath + "/" + kind + "/" + id.String() }

func customerOut(c assets.Customer) gen.Customer {
	return gen.Customer{Id: c.ID, Code: c.Code, Name: c.Name, NeedsOrderNumber: c.NeedsOrderNumber, Version: c.Version, CreatedAt: c.CreatedAt}
}

func customerIn(b *gen.CustomerEdit) assets.CustomerEdit {
	return assets.CustomerEdit{Code: b.Code, Name: b.Name, NeedsOrderNumber: val(b.NeedsOrderNumber)}
}

func siteOut(s assets.Site) gen.Site {
	out := gen.Site{Id: s.ID, Code: s.Code, Name: s.Name, Address: &s.Address, Latitude: s.Latitude, Longitude: s.Longitude, Zone: s.Zone,
		Currency: s.Currency, Climate: gen.Climate(s.Climate), Size: gen.SizeClass(s.Size), DriverSide: gen.SiteDriverSide(s.DriverSide),
		DayTurnsAt: s.DayTurnsAt, Version: s.Version, CreatedAt: s.CreatedAt}
	if s.CustomerID != nil {
		out.Customer = &gen.CustomerRef{Id: *s.CustomerID, Code: val(s.CustomerCode), Name: val(s.CustomerName)}
	}
	return out
}

func siteIn(b gen.SiteEdit) assets.SiteEdit {
	return assets.SiteEdit{Code: b.Code, Name: b.Name, Address: val(b.Address), Latitude: b.Latitude, Longitude: b.Longitude, Zone: b.Zone,
		Currency: b.Currency, Climate: string(b.Climate), Size: string(b.Size), DriverSide: string(b.DriverSide), DayTurnsAt: val(b.DayTurnsAt)}
}

func newSiteIn(b *gen.NewSite) assets.SiteEdit {
	return siteIn(gen.SiteEdit{Code: b.Code, Name: b.Name, Address: b.Address, Latitude: b.Latitude, Longitude: b.Longitude, Zone: b.Zone,
		Currency: b.Currency, Climate: b.Climate, Size: b.Size, DriverSide: gen.SiteEditDriverSide(b.DriverSide), DayTurnsAt: b.DayTurnsAt})
}

func ownershipsOut(all []assets.Ownership) gen.Ownerships {
	return gen.Ownerships{Items: each(all, func(o assets.Ownership) gen.Ownership {
		return gen.Ownership{Id: o.ID, Customer: gen.CustomerRef{Id: o.CustomerID, Code: o.CustomerCode, Name: o.CustomerName}, From: o.From, Until: o.Until}
	})}
}

func supplyOut(s assets.Supply) gen.Supply {
	return gen.Supply{Id: s.ID, Code: s.Code, Volts: s.Volts, Phases: gen.SupplyPhases(s.Phases), Hertz: gen.SupplyHertz(s.Hertz), HighLeg: s.HighLeg, From: s.From, Until: s.Until}
}

func hoursOut(week []assets.WeeklyHours) gen.Hours {
	return gen.Hours{Items: each(week, func(h assets.WeeklyHours) gen.WeeklyHours {
		return gen.WeeklyHours{Kind: gen.WeeklyHoursKind(h.Kind), Weekday: h.Weekday, Starts: h.Starts, Minutes: h.Minutes}
	})}
}

func hoursIn(b *gen.HoursEdit) []assets.WeeklyHours {
	return each(b.Items, func(h gen.WeeklyHours) assets.WeeklyHours {
		return assets.WeeklyHours{Kind: string(h.Kind), Weekday: h.Weekday, Starts: h.Starts, Minutes: h.Minutes}
	})
}

func blackoutOut(b assets.Blackout) gen.Blackout {
	return gen.Blackout{Id: b.ID, LineId: b.LineID, From: b.From, Until: b.Until, Reason: b.Reason, WithdrawnAt: b.WithdrawnAt}
}

func noteOut(n assets.Note) gen.Note {
	return gen.Note{Id: n.ID, Body: n.Body, WrittenAt: n.WrittenAt, WrittenBy: n.WrittenBy}
}

func measureIn(m *gen.Measure) *measure.Typed {
	if m == nil {
		return nil
	}
	return &measure.Typed{Value: m.Value, Unit: m.Unit}
}

func measureOut(si *float64, typed *string) *gen.MeasureSI {
	if si == nil {
		return nil
	}
	return &gen.MeasureSI{Si: *si, Typed: val(typed)}
}

func lineOut(l assets.Line) gen.Line {
	return gen.Line{Id: l.ID, SiteId: l.SiteID, Code: l.Code, Name: l.Name, Length: measureOut(l.LengthM, l.LengthTyped), Speed: measureOut(l.SpeedMMin, l.SpeedTyped),
		VehiclesPerHourMax: l.VehiclesPerHourMax, From: l.From, Until: l.Until, Version: l.Version, CreatedAt: l.CreatedAt}
}

func lineIn(b gen.LineEdit) assets.LineEdit {
	return assets.LineEdit{Code: b.Code, Name: val(b.Name), Length: measureIn(b.Length), Speed: measureIn(b.Speed), VehiclesPerHourMax: b.VehiclesPerHourMax}
}

func positionOut(p assets.Position) gen.Position {
	out := gen.Position{Id: p.ID, SiteId: p.SiteID, LineId: p.LineID, Code: p.Code, Name: p.Name, Kind: p.Kind, KindName: p.KindName, Duty: gen.PositionDuty(p.Duty),
		LineSide: gen.LineSide(p.LineSide), Along: measureOut(p.AlongM, p.AlongTyped), SupplyId: p.SupplyID, Aliases: p.Aliases, StateSince: p.StateSince,
		TwinId: p.TwinID, From: p.From, Until: p.Until, Version: p.Version, CreatedAt: p.CreatedAt}
	if p.State != nil {
		out.State = new(gen.PositionState(*p.State))
	}
	if out.Aliases == nil {
		out.Aliases = []string{}
	}
	return out
}

func positionIn(b gen.PositionEdit) assets.PositionEdit {
	return assets.PositionEdit{LineID: b.LineId, Code: b.Code, Name: b.Name, Kind: b.Kind, LineSide: string(b.LineSide), Along: measureIn(b.Along),
		SupplyID: b.SupplyId, Aliases: val(b.Aliases)}
}

func newPositionIn(b gen.NewPosition) assets.NewPosition {
	return assets.NewPosition{SiteID: b.SiteId, State: string(val(b.State)), From: b.From, PositionEdit: positionIn(gen.PositionEdit{Code: b.Code, Name: b.Name,
		Kind: b.Kind, LineId: b.LineId, LineSide: b.LineSide, Along: b.Along, SupplyId: b.SupplyId, Aliases: b.Aliases})}
}

func statesOut(all []assets.State) gen.States {
	return gen.States{Items: each(all, func(s assets.State) gen.State {
		return gen.State{State: gen.PositionState(s.State), From: s.From, Until: s.Until, Reason: s.Reason}
	})}
}

func newFactIn(b *gen.NewFact) assets.NewFact {
	return assets.NewFact{Fact: b.Fact, Value: val(b.Value), Measure: measureIn(b.Measure), From: b.From, SeenAt: b.SeenAt, SeenBy: val(b.SeenBy), How: string(b.How)}
}

func factOut(f assets.Fact) gen.Fact {
	return gen.Fact{Id: f.ID, Fact: f.Fact, Name: f.Name, Value: f.Value, ValueMm: f.ValueMM, From: f.From, Until: f.Until, SeenAt: f.SeenAt,
		SeenBy: f.SeenBy, How: f.How, RecordedAt: f.RecordedAt, RecordedBy: f.RecordedBy, WithdrawnAt: f.WithdrawnAt, WithdrawnWhy: f.WithdrawnWhy}
}

func pointOut(p assets.IsolationPoint) gen.IsolationPoint {
	return gen.IsolationPoint{Id: p.ID, SiteId: p.SiteID, Code: p.Code, Energy: gen.Energy(p.Energy), Caution: assets.Caution,
		Positions: each(p.Positions, func(r assets.PositionRef) gen.PositionRef {
			return gen.PositionRef{Id: r.ID, Code: r.Code, Name: r.Name}
		}),
		Versions: each(p.Versions, func(v assets.IsolationVersion) gen.IsolationVersion {
			var on openapi_types.Date
			_ = on.UnmarshalText([]byte(v.CheckedOn)) // a date column
			return gen.IsolationVersion{Number: v.Number, Place: v.Place, Isolate: v.Isolate, Prove: v.Prove, Restore: v.Restore, Lockable: v.Lockable, InSight: v.InSight,
				CheckedOn: on, CheckedBy: v.CheckedBy, From: v.From, Until: v.Until, RecordedBy: v.RecordedBy}
		})}
}

func pointsOut(all []assets.IsolationPoint) gen.IsolationPoints {
	return gen.IsolationPoints{Items: each(all, pointOut)}
}

func isolationIn(b gen.IsolationEdit) assets.IsolationEdit {
	return assets.IsolationEdit{Place: b.Place, Isolate: b.Isolate, Prove: b.Prove, Restore: b.Restore, Lockable: b.Lockable, InSight: b.InSight,
		CheckedOn: b.CheckedOn.String(), CheckedBy: b.CheckedBy, ValidFrom: b.ValidFrom}
}

func grantIn(g gen.NewGrant) access.NewGrant {
	return access.NewGrant{Role: g.Role, CustomerID: g.CustomerId, SiteID: g.SiteId, EndsAt: g.EndsAt}
}

func accountOut(a access.Account) gen.Account {
	out := gen.Account{Id: a.ID, Kind: gen.AccountKind(a.Kind), Name: a.Name, CustomerId: a.CustomerID, HasPassword: a.HasPassword, Disabled: a.Disabled, Version: a.Version, CreatedAt: a.CreatedAt,
		Grants: each(a.Grants, func(g access.Grant) gen.Grant {
			return gen.Grant{Id: g.ID, Role: g.Role, CustomerId: g.CustomerID, SiteId: g.SiteID, GrantedAt: g.GrantedAt, EndsAt: g.EndsAt}
		})}
	if a.Login != "" {
		out.Login = &a.Login
	}
	return out
}

func tokenOut(t access.Token) gen.Token {
	return gen.Token{Id: t.ID, AccountId: t.ActorID, CreatedAt: t.CreatedAt, ExpiresAt: t.ExpiresAt, RevokedAt: t.RevokedAt}
}

func meOut(who access.Actor) gen.Me {
	return gen.Me{Id: who.ID, Kind: gen.MeKind(who.Kind), Name: who.Name, Roles: each(who.Roles, func(r string) string { return r }),
		Capabilities: each(who.Capabilities, func(c access.Capability) string { return string(c) }), Everywhere: who.Everywhere,
		SiteIds: each(who.Sites, func(id uuid.UUID) uuid.UUID { return id })}
}

func changeOut(c access.Change) gen.Change {
	return gen.Change{Id: c.ID, At: c.At, ActorId: c.ActorID, ActorName: c.ActorName, RequestId: c.RequestID, Entity: c.Entity, EntityId: c.EntityID, SiteId: c.SiteID,
		Act: gen.ChangeAct(c.Act), Before: object(c.Before), After: object(c.After)}
}

// object gives a stored document as it is written in an answer.
func object(raw *json.RawMessage) *map[string]any {
	if raw == nil {
		return nil
	}
	var m map[string]any
	if json.Unmarshal(*raw, &m) != nil || m == nil {
		return nil
	}
	return &m
}
