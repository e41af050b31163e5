package assets

import (
	"context"
	"encoding/json"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/fault"
	"spindlebook/internal/measure"
	"spindlebook/internal/pgdb"
)

// Position is a place with a duty. It stays when everything in it is swapped.
type Position struct {
	ID          uuid.UUID
	SiteID      uuid.UUID
	LineID      *uuid.UUID // nil for equipment that lines share
	Code        string
	Name        string
	Kind        string
	KindName    string
	Duty        string // brush, fixed or shared
	Turns       string // how its direction of turning is known
	LineSide    string // left, right or centre in the direction of travel
	AlongM      *float64
	AlongTyped  *string
	SupplyID    *uuid.UUID
	Version     int
	CreatedAt   time.Time
	From        time.Time
	Until       *time.Time
	State       *string // nil before it begins
	StateSince  *time.Time
	StateReason *string
	TwinID      *uuid.UUID
	Aliases     Texts
}

// PositionEdit is what of a position can be given and changed.
type PositionEdit struct {
	LineID   *uuid.UUID
	Code     string
	Name     string
	Kind     string
	LineSide string
	Along    *measure.Typed // from the entrance, in the direction of travel
	SupplyID *uuid.UUID
	Aliases  []string
}

// NewPosition is what it takes to add a position.
type NewPosition struct {
	SiteID uuid.UUID
	State  string     // "" is in_service
	From   *time.Time // nil is now
	PositionEdit
}

func (in PositionEdit) values() (map[string]any, error) {
	along, alongTyped, bad := typed(measure.Length, in.Along, "along")
	return map[string]any{"line": in.LineID, "code": in.Code, "name": strings.TrimSpace(in.Name), "kind": in.Kind, "side": in.LineSide,
		"along": along, "along_typed": alongTyped, "supply": in.SupplyID}, fault.Collect(bad)
}

const positions = `
select id, site_id, line_id, code, name, kind, kind_name, duty, turns, line_side, along_m, along_typed, supply_id, version, created_at,
       "from", until, state, state_since, state_reason, twin_id, aliases
  from position_now`

// PositionFilter narrows a list; a nil field does not.
type PositionFilter struct {
	SiteID *uuid.UUID
	LineID *uuid.UUID
	Kind   *string
	State  *string
}

// positionList gives the query of a list. What does not narrow it stands not in
// it at all: a condition such as "@line is null or line_id = @line" would have the
// page planned anew each time, which takes longer than reading it.
func positionList(who access.Actor, f PositionFilter) string {
	q := positions + ` where code > @after`
	for _, c := range []struct {
		narrows bool
		to      string
	}{
		{!who.Everywhere, `site_id = any (@sites)`},
		{f.SiteID != nil, `site_id = @site`},
		{f.LineID != nil, `line_id = @line`},
		{f.Kind != nil, `kind = @kind`},
		{f.State != nil, `state = @state`},
	} {
		if c.narrows {
			q += ` and ` + c.to
		}
	}
	return q + ` order by code limit @limit`
}

// Positions lists the positions in the actor's scope by code.
func Positions(ctx context.Context, db *pgdb.DB, who access.Actor, f PositionFilter, p Page) ([]Position, error) {
	return pgdb.Read[Position](ctx, db, who.ID, positionList(who, f), pageArgs(who, p, map[string]any{"site": f.SiteID, "line": f.LineID, "kind": f.Kind, "state": f.State}))
}

// OnePosition gives a position.
func OnePosition(ctx context.Context, db *pgdb.DB, who access.Actor, id uuid.UUID) (Position, error) {
	return pgdb.ReadOne[Position](ctx, db, who.ID, "position", id.String(), positions+` where id = @id and `+mine, args(who, map[string]any{"id": id}))
}

func positionInTx(tx *gorm.DB, id uuid.UUID) (Position, error) {
	found, err := positionsInTx(tx, Texts{id.String()})
	if err == nil && len(found) == 0 {
		err = fault.Missing("position", id.String())
	}
	if err != nil {
		return Position{}, err
	}
	return found[0], nil
}

// positionsInTx reads positions in the order of the ids given.
func positionsInTx(tx *gorm.DB, ids Texts) ([]Position, error) {
	var found []Position
	err := tx.Raw(positions+` where id = any (cast(@ids as uuid[])) order by array_position(cast(@ids as uuid[]), id)`, map[string]any{"ids": ids}).Scan(&found).Error
	return found, err
}

// AddPosition records a position in its first state.
func AddPosition(tx *gorm.DB, who access.Actor, now time.Time, in NewPosition) (Position, error) {
	added, err := AddPositions(tx, who, now, []NewPosition{in})
	if err != nil {
		if f, ok := err.(*fault.Error); ok {
			f.Field = strings.TrimPrefix(f.Field, "items[0].")
			for i := range f.Parts {
				f.Parts[i].Field = strings.TrimPrefix(f.Parts[i].Field, "items[0].")
			}
		}
		return Position{}, err
	}
	return added[0], nil
}

func (in NewPosition) state() string {
	if in.State == "" {
		return "in_service"
	}
	return in.State
}

var (
	positionCode   = regexp.MustCompile(`^[A-Z0-9][A-Z0-9/-]{0,31}$`)
	positionStates = []string{"in_service", "parked", "empty", "retired"}
	lineSides      = []string{"left", "right", "centre"}
)

// check finds what the table would refuse, so that a person who sends a long
// list learns of every fault at once and at which place it is. The constraints
// of the same names in the schema have the last word.
func (in NewPosition) check(along *float64) (bad []*fault.Error) {
	blame := func(f *fault.Error) { bad = append(bad, f) }
	if !positionCode.MatchString(in.Code) {
		blame(fault.Field("code", in.Code, "takes 1 to 32 capital letters, digits, hyphens and slashes"))
	}
	if strings.TrimSpace(in.Name) == "" {
		blame(fault.Field("name", in.Name, "must not be blank"))
	}
	if !slices.Contains(lineSides, in.LineSide) {
		blame(fault.Field("line_side", in.LineSide, "is left, right or centre, in the direction of travel"))
	} else if in.LineID == nil && in.LineSide != "centre" {
		blame(fault.Field("line_side", in.LineSide, "is centre for shared equipment, which stands on no line"))
	}
	if along != nil && (*along < -100 || *along > 1000) {
		blame(fault.Field("along", *along, "lies between -100 and 1000 m"))
	}
	if !slices.Contains(positionStates, in.state()) {
		blame(fault.Field("state", in.State, "is in_service, parked, empty or retired"))
	}
	seen := map[string]bool{}
	for i, a := range in.Aliases {
		a, field := strings.TrimSpace(a), fmt.Sprintf("aliases[%d]", i)
		switch {
		case a == "":
			blame(fault.Field(field, a, "must not be blank"))
		case utf8.RuneCountInString(a) > 100:
			blame(fault.Field(field, a, "takes at most 100 characters"))
		case seen[a]:
			blame(fault.Field(field, a, "names the same alias twice"))
		}
		seen[a] = true
	}
	return bad
}

// A new position as the statements below take it: a whole list in one document.
type newRow struct {
	Place      int        `json:"place"`
	ID         uuid.UUID  `json:"id"`
	StateID    uuid.UUID  `json:"state_id"`
	SiteID     uuid.UUID  `json:"site_id"`
	LineID     *uuid.UUID `json:"line_id"`
	SupplyID   *uuid.UUID `json:"supply_id"`
	Code       string     `json:"code"`
	Name       string     `json:"name"`
	Kind       string     `json:"kind"`
	LineSide   string     `json:"line_side"`
	AlongM     *float64   `json:"along_m"`
	AlongTyped *string    `json:"along_typed"`
	State      string     `json:"state"`
	From       time.Time  `json:"from"`
	Aliases    []string   `json:"aliases"`
}

const newRows = `jsonb_to_recordset(cast(@rows as jsonb)) as r(place int, id uuid, state_id uuid, site_id uuid, line_id uuid, supply_id uuid,
       code text, name text, kind text, line_side text, along_m float8, along_typed text, state text, "from" timestamptz, aliases jsonb)`

// what stands in the way of each of them
const checkNew = `
select r.place, s.id is not null as site_known, k.code is not null as kind_known,
       r.line_id is null or l.id is not null as line_fits, r.supply_id is null or e.id is not null as supply_fits, o.id as holder
  from ` + newRows + `
  left join site as s on s.id = r.site_id
  left join position_kind as k on k.code = r.kind
  left join line as l on l.id = r.line_id and l.site_id = r.site_id
  left join supply as e on e.id = r.supply_id and e.site_id = r.site_id
  left join position as o on o.code = r.code
order by r.place`

const insertNew = `
with added as (
  insert into position (id, site_id, line_id, code, name, kind, line_side, along_m, along_typed, supply_id, during, created_at)
  select id, site_id, line_id, code, name, kind, line_side, along_m, along_typed, supply_id, tstzrange("from", null), @now from ` + newRows + `
)
insert into position_state (id, position_id, site_id, state, during)
select state_id, id, site_id, state, tstzrange("from", null) from ` + newRows

const insertNewAliases = `
insert into position_alias (position_id, site_id, alias)
select r.id, r.site_id, btrim(a) from ` + newRows + `, jsonb_array_elements_text(r.aliases) as a`

// AddPositions records many positions, all or none, in a number of statements
// that does not grow with them. A fault names the place in the list.
func AddPositions(tx *gorm.DB, who access.Actor, now time.Time, in []NewPosition) ([]Position, error) {
	if err := who.Must(access.KeepRegister); err != nil {
		return nil, err
	}
	bad := make([][]*fault.Error, len(in))
	blame := func(i int, f *fault.Error) {
		f.Field = fmt.Sprintf("items[%d].%s", i, f.Field)
		bad[i] = append(bad[i], f)
	}
	rows, ids, first := make([]newRow, len(in)), make(Texts, len(in)), map[string]int{}
	for i, n := range in {
		si, as, f := typed(measure.Length, n.Along, "along")
		if f != nil {
			blame(i, f)
		}
		for _, f := range n.check(si) {
			blame(i, f)
		}
		if j, twice := first[n.Code]; twice {
			blame(i, fault.Field("code", n.Code, "is the code of items[%d] too", j))
		} else {
			first[n.Code] = i
		}
		aliases := n.Aliases
		if aliases == nil {
			aliases = []string{}
		}
		rows[i] = newRow{Place: i, ID: pgdb.NewID(), StateID: pgdb.NewID(), SiteID: n.SiteID, LineID: n.LineID, SupplyID: n.SupplyID, Code: n.Code,
			Name: strings.TrimSpace(n.Name), Kind: n.Kind, LineSide: n.LineSide, AlongM: si, AlongTyped: as, State: n.state(), From: since(n.From, now), Aliases: aliases}
		ids[i] = rows[i].ID.String()
	}
	doc, err := json.Marshal(rows)
	if err != nil {
		return nil, err
	}
	v := map[string]any{"rows": string(doc), "now": now}
	var checks []struct {
		Place                                      int
		SiteKnown, KindKnown, LineFits, SupplyFits bool
		Holder                                     *uuid.UUID
	}
	if err := tx.Raw(checkNew, v).Scan(&checks).Error; err != nil {
		return nil, err
	}
	for _, c := range checks {
		n := in[c.Place]
		if !c.SiteKnown {
			blame(c.Place, fault.Field("site_id", n.SiteID, "names no site"))
		}
		if c.SiteKnown && !c.LineFits {
			blame(c.Place, fault.Field("line_id", n.LineID, "names no line of this site"))
		}
		if c.SiteKnown && !c.SupplyFits {
			blame(c.Place, fault.Field("supply_id", n.SupplyID, "names no supply of this site"))
		}
		if !c.KindKnown {
			blame(c.Place, fault.Field("kind", n.Kind, "names no kind of position; see /position-kinds"))
		}
		if c.Holder != nil {
			blame(c.Place, fault.Taken("code", fault.Ref{Kind: "position", ID: c.Holder.String(), Code: n.Code}))
		}
	}
	if err := fault.Collect(slices.Concat(bad...)...); err != nil {
		return nil, err
	}
	if err := tx.Exec(insertNew, v).Error; err != nil {
		return nil, err
	}
	if err := tx.Exec(insertNewAliases, v).Error; err != nil {
		return nil, err
	}
	return positionsInTx(tx, ids)
}

// setAliases makes the aliases of a position those given.
func setAliases(tx *gorm.DB, id, site uuid.UUID, aliases []string) error {
	if err := tx.Exec(`delete from position_alias where position_id = ?`, id).Error; err != nil || len(aliases) == 0 {
		return err
	}
	return tx.Exec(`insert into position_alias (position_id, site_id, alias) select @id, @site, btrim(a) from unnest(cast(@aliases as text[])) as a`,
		map[string]any{"id": id, "site": site, "aliases": Texts(aliases)}).Error
}

// EditPosition changes a position that is still at the version seen. Where it
// has a twin, its line, kind and side stay until the pair is parted.
func EditPosition(tx *gorm.DB, who access.Actor, id uuid.UUID, version int, in PositionEdit) (Position, error) {
	if err := who.Must(access.KeepRegister); err != nil {
		return Position{}, err
	}
	v, err := in.values()
	if err != nil {
		return Position{}, err
	}
	if err := bump(tx, "position", "position", id, version); err != nil {
		return Position{}, err
	}
	if err := codeFree(tx, "position", "position", in.Code, id); err != nil {
		return Position{}, err
	}
	v["id"] = id
	site, err := pgdb.ID(tx, `
update position set line_id = @line, code = @code, name = @name, kind = @kind, line_side = @side, along_m = @along,
       along_typed = @along_typed, supply_id = @supply
 where id = @id
returning site_id as id`, v)
	if err != nil {
		return Position{}, err
	}
	if err := setAliases(tx, id, site, in.Aliases); err != nil {
		return Position{}, err
	}
	return positionInTx(tx, id)
}

// State is a state of a position over a span.
type State struct {
	State  string // in_service, parked, empty or retired
	From   time.Time
	Until  *time.Time
	Reason string
}

const states = `
select state, lower(during) as "from", upper(during) as until, reason
  from position_state
 where position_id = @position
order by lower(during)`

// States lists the states of a position, oldest first.
func States(ctx context.Context, db *pgdb.DB, who access.Actor, position uuid.UUID) ([]State, error) {
	if _, err := OnePosition(ctx, db, who, position); err != nil {
		return nil, err
	}
	return pgdb.Read[State](ctx, db, who.ID, states, map[string]any{"position": position})
}

// ChangeState records that a position went into a state. A position that is
// retired stays so, and its own time ends: whoever owns the site later does not
// see it.
func ChangeState(tx *gorm.DB, who access.Actor, now time.Time, position uuid.UUID, state string, from *time.Time, reason string) ([]State, error) {
	if err := who.Must(access.RecordWork); err != nil {
		return nil, err
	}
	p, err := pgdb.One[struct{ SiteID uuid.UUID }](tx, "position", position.String(), `select site_id from position where id = @id`, map[string]any{"id": position})
	if err != nil {
		return nil, err
	}
	type last struct {
		ID    uuid.UUID
		State string
		From  time.Time
	}
	l, err := pgdb.One[last](tx, "state", "", `
select id, state, lower(during) as "from" from position_state where position_id = @id order by lower(during) desc limit 1 for update`, map[string]any{"id": position})
	if err != nil {
		return nil, err
	}
	start := since(from, now)
	switch {
	case l.State == "retired":
		return nil, &fault.Error{Kind: fault.Conflict, Field: "state", Value: state, Msg: "the position is retired since " + l.From.UTC().Format(time.RFC3339) + "; add a new one"}
	case l.State == state:
		return nil, &fault.Error{Kind: fault.Conflict, Field: "state", Value: state, Msg: "the position is in this state since " + l.From.UTC().Format(time.RFC3339)}
	case !start.After(l.From):
		return nil, fault.Field("from", start.UTC().Format(time.RFC3339), "must lie after %s, when the state before began", l.From.UTC().Format(time.RFC3339))
	case start.After(now):
		return nil, fault.Field("from", start.UTC().Format(time.RFC3339), "must not lie ahead: a state is recorded when it has come")
	}
	if state == "retired" { // the place itself ends, which is a matter of the register
		if err := who.Must(access.KeepRegister); err != nil {
			return nil, err
		}
		err := tx.Exec(`update position set during = tstzrange(lower(during), ?), version = version + 1 where id = ?`, start, position).Error
		if err != nil {
			return nil, err
		}
	}
	if err := tx.Exec(`update position_state set during = tstzrange(lower(during), ?) where id = ?`, start, l.ID).Error; err != nil {
		return nil, err
	}
	err = tx.Exec(`insert into position_state (id, position_id, site_id, state, reason, during) values (?, ?, ?, ?, ?, tstzrange(?, null))`,
		pgdb.NewID(), position, p.SiteID, state, strings.TrimSpace(reason), start).Error
	if err != nil {
		return nil, err
	}
	var all []State
	err = tx.Raw(states, map[string]any{"position": position}).Scan(&all).Error
	return all, err
}

// Pair names the twin of a position, or parts the pair where twin is nil. The
// position must still be at the version seen; the twin's version counts up too.
func Pair(tx *gorm.DB, who access.Actor, id uuid.UUID, version int, twin *uuid.UUID) (Position, error) {
	if err := who.Must(access.KeepRegister); err != nil {
		return Position{}, err
	}
	if err := bump(tx, "position", "position", id, version); err != nil {
		return Position{}, err
	}
	p, err := positionInTx(tx, id)
	if err != nil {
		return p, err
	}
	if p.TwinID != nil {
		if err := tx.Exec(`update position set version = version + 1 where id = ?`, *p.TwinID).Error; err != nil {
			return p, err
		}
		if err := tx.Exec(`delete from twin where left_id = @id or right_id = @id`, map[string]any{"id": id}).Error; err != nil {
			return p, err
		}
	}
	if twin == nil {
		return positionInTx(tx, id)
	}
	other, err := positionInTx(tx, *twin)
	if fault.KindOf(err) == fault.NotFound {
		err = fault.Field("twin_id", *twin, "names no position")
	}
	if err != nil {
		return p, err
	}
	left, right := p, other
	if p.LineSide == "right" {
		left, right = other, p
	}
	if p.LineID == nil || other.LineID == nil || *p.LineID != *other.LineID || p.Kind != other.Kind || left.LineSide != "left" || right.LineSide != "right" {
		return p, fault.Field("twin_id", other.Code, "twins stand on one line, are of one kind, and one is left and one right")
	}
	if other.TwinID != nil && *other.TwinID != id {
		return p, &fault.Error{Kind: fault.Conflict, Field: "twin_id", Value: other.Code, Msg: "has another twin; part that pair first",
			Existing: &fault.Ref{Kind: "position", ID: other.TwinID.String()}}
	}
	if err := tx.Exec(`insert into twin (left_id, right_id, site_id, line_id, kind) values (?, ?, ?, ?, ?)`, left.ID, right.ID, p.SiteID, p.LineID, p.Kind).Error; err != nil {
		return p, err
	}
	if err := tx.Exec(`update position set version = version + 1 where id = ?`, other.ID).Error; err != nil {
		return p, err
	}
	return positionInTx(tx, id)
}

// PositionKind is what a position is for.
type PositionKind struct {
	Code  string
	Name  string
	Duty  string
	Turns string
}

// PositionKinds lists the kinds of position.
func PositionKinds(ctx context.Context, db *pgdb.DB, who access.Actor) ([]PositionKind, error) {
	return pgdb.Read[PositionKind](ctx, db, who.ID, `select code, name, duty, turns from position_kind order by duty, name`, nil)
}
