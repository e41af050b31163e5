package record

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/assets/supply"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pm/isolation"
)

type wholeRow struct {
	ID                                                                                    uuid.UUID
	Facts, Turning, Connection, Points, Procedures, Checks, Steps, Entries, Looks, Skills string
}

// fill reads the documents of a card.
func (w wholeRow) fill(c *Card) (held, []isolation.Look, error) {
	var entries []entryRow
	var steps []Step
	var looks []isolation.Look
	var checks []Check
	var skills []struct {
		ActorID uuid.UUID `json:"actor_id"`
		Skill   string    `json:"skill"`
		Until   string    `json:"until"`
	}
	for text, into := range map[*string]any{&w.Facts: &c.Facts, &w.Turning: &c.Turning, &w.Connection: &c.Connection, &w.Points: &c.Points, &w.Procedures: &c.Procedures, &w.Checks: &checks,
		&w.Steps: &steps, &w.Entries: &entries, &w.Looks: &looks, &w.Skills: &skills} {
		if err := json.Unmarshal([]byte(*text), into); err != nil {
			return nil, nil, fmt.Errorf("a card on record: %w", err)
		}
	}
	c.Checks = map[string]Check{}
	for _, k := range checks {
		c.Checks[k.Code] = k
	}
	for _, s := range steps {
		c.Steps = append(c.Steps, StepNow{Step: s})
	}
	for _, e := range entries {
		c.Entries = append(c.Entries, e.entry())
	}
	h := held{}
	for _, s := range skills {
		until, err := time.Parse(time.DateOnly, s.Until)
		if err != nil {
			return nil, nil, fmt.Errorf("a skill on record: %w", err)
		}
		if h[s.ActorID] == nil {
			h[s.ActorID] = map[string]time.Time{}
		}
		h[s.ActorID][s.Skill] = until
	}
	return h, looks, nil
}

func (c *Card) pointIDs() []uuid.UUID {
	ids := make([]uuid.UUID, len(c.Points))
	for i, p := range c.Points {
		ids[i] = p.ID
	}
	return ids
}

// began is when something was first declared of a card: what is behind its points is
// followed from there.
func (c *Card) began() time.Time {
	at := c.OpenedAt
	for _, e := range c.Entries {
		if e.At.Before(at) {
			at = e.At
		}
	}
	return at
}

// One gives a card with all that follows from its entries, in a number of statements
// that does not grow with it.
func One(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, id uuid.UUID) (Card, error) {
	var c Card
	h, err := pgdb.ReadOne[Head](ctx, db, who.ID, "job record", id.String(), heads+` where r.id = @id and (@everywhere or r.site_id = any (@sites))`, who.Scope(map[string]any{"id": id}))
	if err != nil {
		return c, err
	}
	c.Head = h
	w, err := pgdb.ReadOne[wholeRow](ctx, db, who.ID, "job record", id.String(), whole, map[string]any{"id": id})
	if err != nil {
		return c, err
	}
	skills, looks, err := w.fill(&c)
	if err != nil {
		return c, err
	}
	if c.Isolation, err = isolation.FollowedNow(ctx, db, who, c.pointIDs(), c.began()); err != nil {
		return c, err
	}
	c.LinksFor = linksFor(c.Connection)
	if in := c.fitted(); in != nil && c.PositionID != nil {
		if now, err := assets.ConnectionOf(ctx, db, who, now, *c.PositionID, in); err == nil {
			c.LinksFor = linksFor(now)
		}
	}
	follow(&c, skills, looks)
	return c, nil
}

// inTx gives a card inside a transaction.
func inTx(tx *gorm.DB, id uuid.UUID, links string) (Card, error) {
	var c Card
	h, err := pgdb.One[Head](tx, "job record", id.String(), heads+` where r.id = @id`, map[string]any{"id": id})
	if err != nil {
		return c, err
	}
	c.Head = h
	w, err := pgdb.One[wholeRow](tx, "job record", id.String(), whole, map[string]any{"id": id})
	if err != nil {
		return c, err
	}
	skills, looks, err := w.fill(&c)
	if err != nil {
		return c, err
	}
	if c.Isolation, err = isolation.Followed(tx, c.pointIDs(), c.began()); err != nil {
		return c, err
	}
	c.LinksFor = links
	follow(&c, skills, looks)
	return c, nil
}

// fitted gives the gearmotor that was declared to have gone in last.
func (c *Card) fitted() (unit *uuid.UUID) {
	for i := range c.Entries {
		if e := c.Entries[i]; e.Act == Swap && e.Said.In != nil {
			unit = e.Said.In
		}
	}
	return unit
}

// linksFor gives the link setting that suits the supply, as it is written down.
func linksFor(c assets.Connection) string {
	if c.Connection == nil {
		return ""
	}
	if len(c.Connection.Leads()) == 6 {
		return map[supply.Winding]string{supply.Wye: "star", supply.Delta: "delta"}[c.Connection.Winding]
	}
	return string(c.Connection.Setting)
}

// Filter narrows a list; a nil field does not.
type Filter struct {
	SiteID     *uuid.UUID
	PositionID *uuid.UUID
	VisitID    *uuid.UUID
	State      string // "" is all
	Unseen     bool   // only those with something for a manager to look at
}

var states = []string{"open", "signed", "abandoned"}

// Cards lists cards, the latest first, without what is on them.
func Cards(ctx context.Context, db *pgdb.DB, who access.Actor, f Filter, p Page) ([]Head, error) {
	if f.State != "" && !slices.Contains(states, f.State) {
		return nil, fault.Field("state", f.State, "is one of %s", strings.Join(states, ", "))
	}
	args := who.Scope(map[string]any{"site": f.SiteID, "position": f.PositionID, "visit": f.VisitID, "state": f.State, "limit": p.Limit})
	q := heads + ` where (@everywhere or r.site_id = any (@sites))`
	if p.After != "" {
		id, err := uuid.Parse(p.After)
		if err != nil {
			return nil, fault.Field("after", p.After, "is no key of this list")
		}
		args["after"] = id
		q += ` and (r.opened_at, r.id) < (select a.opened_at, a.id from job_record as a where a.id = @after)`
	}
	for _, c := range []struct {
		narrows bool
		to      string
	}{
		{f.SiteID != nil, `r.site_id = @site`},
		{f.PositionID != nil, `r.position_id = @position`},
		// also those that the visit goes on with: their task is under way there now
		{f.VisitID != nil, `(r.visit_id = @visit or exists (select from record_entry as e where e.record_id = r.id and e.visit_id = @visit)
		   or exists (select from visit_task_now as w where w.task_id = r.task_id and w.visit_id = @visit and w.state = 'under_way'))`},
		{f.State != "", `r.state = @state`},
		{f.Unseen, `r.unseen > 0`},
	} {
		if c.narrows {
			q += ` and ` + c.to
		}
	}
	return pgdb.Read[Head](ctx, db, who.ID, q+` order by r.opened_at desc, r.id desc limit @limit`, args)
}
