package web

import (
	"encoding/json"
	"fmt"
	"net/url"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/fault"
)

type trailPage struct {
	Days   []trailDay
	Sites  []option
	Site   string // the one that is chosen
	Thing  string // the id of the one that is chosen
	About  string // its name
	AboutP string
	Clock  clock
	More   string
	Later  bool
}

type trailDay struct {
	Day     string
	Changes []changeRow
}

// changeRow is a change in a sentence: who, what, of which thing.
type changeRow struct {
	access.Change
	Says     string
	Of       string // the thing, with a page where it has one
	OfPath   string
	Where    string
	WherePth string
	Details  []string
}

func (p *pages) trail(v visit) error {
	g := trailPage{Site: v.c.Query("site"), Thing: v.c.Query("thing"), Later: v.c.Query("after") != ""}
	var f access.TrailFilter
	for _, q := range []struct {
		text string
		into **uuid.UUID
		kind string
	}{{g.Site, &f.SiteID, "site"}, {g.Thing, &f.EntityID, "thing"}} {
		if q.text == "" {
			continue
		}
		id, err := uuid.Parse(q.text)
		if err != nil {
			return fault.Missing(q.kind, q.text)
		}
		*q.into = &id
	}
	changes, err := access.Trail(v.ctx, p.db, v.who, f, access.Page{After: v.c.Query("after"), Limit: perPage + 1})
	if err != nil {
		return err
	}
	if g.Sites, err = p.siteOptions(v); err != nil {
		return err
	}
	if len(changes) > perPage {
		changes = changes[:perPage]
		q := url.Values{"after": {changes[perPage-1].Key()}}
		for k, val := range map[string]string{"site": g.Site, "thing": g.Thing} {
			if val != "" {
				q.Set(k, val)
			}
		}
		g.More = "/trail?" + q.Encode()
	}
	t, err := p.readTrail(v, changes, f.EntityID, f.SiteID)
	if err != nil {
		return err
	}
	if f.EntityID != nil {
		n := t.names[*f.EntityID]
		g.About, g.AboutP = strings.TrimSpace(n.Code+" "+n.Name), pathOf(n.Kind, n.ID.String())
		if n.Kind == "actor" {
			g.AboutP = "/people/" + n.ID.String()
		}
		if g.About == "" {
			g.About = "one thing"
		}
	}
	// one zone for the whole page: the site's where one is chosen
	g.Clock = clock{v.now, time.UTC}
	if f.SiteID != nil {
		if n, ok := t.names[*f.SiteID]; ok {
			g.Clock.At = zone(n.Zone)
		}
	}
	for _, c := range changes {
		row := t.row(c)
		day := g.Clock.Day(c.At)
		if n := len(g.Days); n == 0 || g.Days[n-1].Day != day {
			g.Days = append(g.Days, trailDay{Day: day})
		}
		d := &g.Days[len(g.Days)-1]
		d.Changes = append(d.Changes, row)
	}
	return p.ok(v, "trail", "Trail", g)
}

// reader turns changes into sentences; it knows every name that they mention.
type reader struct {
	names map[uuid.UUID]assets.Named
	facts map[string]string
	docs  map[int64]changed
}

// changed is what a row was and became.
type changed struct{ was, is map[string]any }

func (c changed) text(key string) string {
	for _, m := range []map[string]any{c.is, c.was} {
		if s, ok := m[key].(string); ok {
			return s
		}
	}
	return ""
}

func (c changed) id(keys ...string) uuid.UUID {
	for _, k := range keys {
		if id, err := uuid.Parse(c.text(k)); err == nil {
			return id
		}
	}
	return uuid.Nil
}

func (p *pages) readTrail(v visit, changes []access.Change, about ...*uuid.UUID) (reader, error) {
	r := reader{docs: map[int64]changed{}, facts: map[string]string{}}
	var ids []uuid.UUID
	for _, id := range about {
		if id != nil {
			ids = append(ids, *id)
		}
	}
	for _, c := range changes {
		var d changed
		for _, part := range []struct {
			raw  *json.RawMessage
			into *map[string]any
		}{{c.Before, &d.was}, {c.After, &d.is}} {
			if part.raw != nil {
				if err := json.Unmarshal(*part.raw, part.into); err != nil {
					return r, err
				}
			}
		}
		r.docs[c.ID] = d
		for _, id := range []*uuid.UUID{c.SiteID, c.EntityID} {
			if id != nil {
				ids = append(ids, *id)
			}
		}
		for _, k := range []string{"position_id", "point_id", "customer_id", "actor_id", "line_id", "left_id", "right_id", "supply_id", "unit_id", "part_id", "slot_id", "location_id"} {
			if id := d.id(k); id != uuid.Nil {
				ids = append(ids, id)
			}
		}
	}
	var err error
	if r.names, err = p.names(v, ids); err != nil {
		return r, err
	}
	more, err := assets.NamesOfUnits(v.ctx, p.db, v.who, ids)
	if err != nil {
		return r, err
	}
	for _, n := range more {
		r.names[n.ID] = n
	}
	kinds, err := assets.FactKinds(v.ctx, p.db, v.who)
	for _, k := range kinds {
		r.facts[k.Code] = k.Name
	}
	return r, err
}

// entityWords name what a table holds.
var entityWords = map[string]string{
	"customer": "customer", "site": "site", "ownership": "owner's time", "actor": "account", "person": "sign-in name",
	"credential": "password", "program_token": "token", "entry_link": "entry link", "role_grant": "role", "supply": "supply",
	"weekly_hours": "hours of the week", "line": "line", "blackout": "time without stops", "position": "position",
	"position_alias": "alias", "position_state": "state", "twin": "pair of twins", "position_fact": "fact",
	"isolation_point": "isolation point", "isolation_version": "isolation instructions", "position_isolation": "isolation point of a position",
	"site_note": "internal note", "part": "part", "part_fact": "fact of a part", "location": "location", "unit": "unit", "unit_fact": "fact", "stay": "stay",
	"section_replaced": "section of a media set", "photo": "photo",
}

func (r reader) row(c access.Change) changeRow {
	d := r.docs[c.ID]
	row := changeRow{Change: c}
	if c.SiteID != nil {
		if s, ok := r.names[*c.SiteID]; ok {
			row.Where, row.WherePth = s.Code, "/sites/"+s.ID.String()
		}
	}
	about := func(ids ...uuid.UUID) {
		for _, id := range ids {
			if n, ok := r.names[id]; ok {
				row.Of, row.OfPath = strings.TrimSpace(n.Code+" "+n.Name), pathOf(n.Kind, id.String())
				switch {
				case n.Kind == "actor":
					row.OfPath = "/people/" + id.String()
				case row.OfPath == "":
					row.OfPath = row.WherePth
				}
				return
			}
		}
	}
	what := entityWords[c.Entity]
	if what == "" {
		what = strings.ReplaceAll(c.Entity, "_", " ")
	}
	verb := map[string]string{"insert": "added the", "update": "changed the", "delete": "removed the"}[c.Act]
	row.Says = verb + " " + what
	switch c.Entity {
	case "position_state":
		about(d.id("position_id"))
		row.Says = "recorded as " + say(d.text("state"))
		if c.Act == "update" {
			row.Says = "ended the state " + say(d.text("state")) + " of"
		}
		if reason := d.text("reason"); reason != "" && c.Act == "insert" {
			row.Details = append(row.Details, "Reason: "+reason)
		}
		return row
	case "position_fact":
		about(d.id("position_id"))
		name := r.facts[d.text("fact")] + " " + say(d.text("value"))
		switch {
		case c.Act == "insert":
			row.Says = "recorded " + name + " for"
			row.Details = append(row.Details, "How known: "+say(d.text("how")))
		case d.is["withdrawn_at"] != nil && d.was["withdrawn_at"] == nil:
			row.Says = "withdrew " + name + " of"
			row.Details = append(row.Details, "Why: "+d.text("withdrawn_why"))
		default:
			row.Says = "changed how long " + name + " holds for"
		}
		return row
	case "unit_fact":
		about(d.id("unit_id"))
		name := r.facts[d.text("fact")] + " " + say(d.text("value"))
		switch {
		case c.Act == "insert":
			row.Says = "recorded " + name + " for"
			row.Details = append(row.Details, "How known: "+say(d.text("how")))
		case d.is["withdrawn_at"] != nil && d.was["withdrawn_at"] == nil:
			row.Says = "withdrew " + name + " of"
			row.Details = append(row.Details, "Why: "+d.text("withdrawn_why"))
		default:
			row.Says = "changed how long " + name + " holds for"
		}
		return row
	case "stay":
		about(d.id("unit_id"))
		where := r.names[d.id("slot_id", "location_id")]
		if place := strings.TrimSpace(where.Code + " " + where.Name); place != "" {
			row.Details = append(row.Details, "Place: "+place)
		}
		row.Says = "recorded a new place of"
		if c.Act == "update" {
			row.Says = "recorded that it left its place:"
			row.Details = append(row.Details, "Why: "+say(d.text("ended_for")))
		}
		return row
	case "section_replaced":
		about(d.id("unit_id"))
		n, _ := d.is["section"].(float64)
		row.Says = fmt.Sprintf("replaced section %.0f of", n)
		return row
	case "photo":
		about(d.id("position_id", "unit_id"))
		row.Says = "added a photo of"
		if c.Act == "update" {
			row.Says = "withdrew a photo of"
			row.Details = append(row.Details, "Why: "+d.text("withdrawn_why"))
		}
		if caption := d.text("caption"); caption != "" {
			row.Details = append(row.Details, caption)
		}
		return row
	case "part_fact":
		about(d.id("part_id"))
		name := r.facts[d.text("fact")] + " " + say(d.text("value"))
		row.Says = map[string]string{"insert": "gave " + name + " to", "delete": "took " + name + " from", "update": "changed " + name + " of"}[c.Act]
		return row
	case "position_alias":
		about(d.id("position_id"))
		row.Says = verb + " alias “" + d.text("alias") + "” of"
		return row
	case "position_isolation":
		about(d.id("position_id"))
		point := r.names[d.id("point_id")]
		row.Says = map[string]string{"insert": "put isolation point " + point.Code + " before", "delete": "took isolation point " + point.Code + " from"}[c.Act]
		return row
	case "isolation_version":
		about(d.id("point_id"))
		n, _ := d.is["number"].(float64)
		row.Says = fmt.Sprintf("recorded version %.0f of the isolation point", n)
		if c.Act == "update" {
			row.Says = fmt.Sprintf("ended version %.0f of the isolation point", n)
		}
		return row
	case "twin":
		about(d.id("left_id"))
		row.Says = map[string]string{"insert": "made a pair of", "delete": "parted the pair of"}[c.Act]
		if n, ok := r.names[d.id("right_id")]; ok {
			row.Details = append(row.Details, "The other one: "+strings.TrimSpace(n.Code+" "+n.Name))
		}
		return row
	case "ownership":
		about(d.id("customer_id"))
		row.Says = map[string]string{"insert": "made the site theirs:", "update": "ended the time as owner of"}[c.Act]
		return row
	case "role_grant":
		about(d.id("actor_id"))
		row.Says = map[string]string{"insert": "gave the role " + say(d.text("role")) + " to", "update": "ended the role " + say(d.text("role")) + " of"}[c.Act]
		return row
	case "person", "credential", "program_token", "entry_link":
		about(d.id("actor_id"))
		switch {
		case c.Entity == "credential" && c.Act == "insert":
			row.Says = "chose the first password of"
		case c.Entity == "credential":
			row.Says = "chose a new password of"
		case c.Entity == "program_token" && c.Act == "insert":
			row.Says = "made a token of"
		case c.Entity == "program_token":
			row.Says = "revoked a token of"
		case c.Entity == "entry_link" && row.Of == "":
			row.Says = map[string]string{"insert": "made", "update": "used up"}[c.Act] + " the entry link of the first person"
		case c.Entity == "entry_link" && c.Act == "insert":
			row.Says = "made an entry link for"
		case c.Entity == "entry_link":
			row.Says = "used up an entry link of"
		default:
			row.Says += " of"
		}
		return row
	case "actor":
		about(d.id("id"))
		if c.Act == "update" && d.was["disabled_at"] == nil && d.is["disabled_at"] != nil {
			row.Says = "shut the account"
			return row
		}
		if c.Act == "update" && d.was["disabled_at"] != nil && d.is["disabled_at"] == nil {
			row.Says = "opened the account again"
			return row
		}
	case "site_note":
		row.Says = "wrote an internal note"
		return row
	case "blackout":
		if c.Act == "update" {
			row.Says = "withdrew the time without stops"
		}
		row.Details = append(row.Details, "Reason: "+d.text("reason"))
		return row
	case "weekly_hours":
		day, _ := d.is["weekday"].(float64)
		if day >= 1 && day <= 7 {
			row.Says = verb + " hours of " + weekdays[int(day)] + " (" + say(d.text("kind")) + ")"
		}
		return row
	default:
		if c.EntityID != nil {
			about(*c.EntityID)
		}
	}
	if c.EntityID != nil && row.Of == "" {
		row.Of = strings.TrimSpace(d.text("code") + " " + d.text("name"))
	}
	if c.Act == "update" {
		row.Details = append(row.Details, differences(d)...)
	}
	return row
}

// differences names what changed: "name: Old to New".
func differences(d changed) []string {
	var keys, all []string
	for k := range d.is {
		if k != "version" {
			keys = append(keys, k)
		}
	}
	slices.Sort(keys)
	for _, k := range keys {
		was, is := written(d.was[k]), written(d.is[k])
		if was != is {
			all = append(all, strings.ReplaceAll(k, "_", " ")+": "+was+" → "+is)
		}
	}
	return all
}

func written(v any) string {
	switch v := v.(type) {
	case nil:
		return "nothing"
	case string:
		if v == "" {
			return "nothing"
		}
		return v
	case bool:
		return map[bool]string{true: "yes", false: "no"}[v]
	}
	return fmt.Sprint(v)
}
