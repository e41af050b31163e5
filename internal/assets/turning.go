package assets

import (
	"context"
	"time"

	"github.com/google/uuid"

	"spindlebook/internal/access"
	"spindlebook/internal/pgdb"
)

// Turning says which way a brush must turn and from where that is seen. It is
// derived from the side on which the brush stands, or recorded where no rule
// covers its kind.
type Turning struct {
	Known     bool
	Clockwise bool
	SeenFrom  string // above, left or right of travel
	Recorded  bool   // by a fact of this position; else by the rule of its kind
	// Differs tells that the fact and the rule of the kind disagree: the fact
	// holds, and whoever tests the rotation must hear of both.
	Differs bool
	Gap     string // what is missing where it is not known
}

// ExpectedTurning gives the way in which a position's brush must turn. facts
// holds the values that hold now, by fact.
//
// Seen from above, a side brush and a rocker turn clockwise on the left of
// travel and counter-clockwise on the right; a wraparound the other way round.
// What a position has recorded for itself goes before the rule.
func ExpectedTurning(p Position, facts map[string]string) Turning {
	var rule Turning
	switch {
	case p.Turns == "not":
		return Turning{Gap: "does not turn"}
	case p.Turns == "recorded":
		rule.Gap = "no direction is recorded"
	case p.LineSide == "centre":
		rule.Gap = "the rule needs a side, left or right of travel"
	default:
		rule = Turning{Known: true, SeenFrom: "above", Clockwise: (p.LineSide == "left") == (p.Turns == "with_the_side")}
	}
	way, from := facts["turning"], facts["turning_seen_from"]
	switch {
	case way == "":
		return rule
	case from == "":
		// a direction without a viewpoint says nothing
		if !rule.Known {
			rule.Gap = "a direction is recorded, but not from where it is seen"
		}
		return rule
	}
	return Turning{Known: true, Recorded: true, SeenFrom: from, Clockwise: way == "clockwise",
		Differs: rule.Known && from == rule.SeenFrom && (way == "clockwise") != rule.Clockwise}
}

const factsNow = `
select f.fact, f.value
  from position_fact as f
 where f.position_id = @position and f.withdrawn_at is null and f.during @> cast(@at as timestamptz)`

// TurningOf gives the way in which a position must turn at an instant.
func TurningOf(ctx context.Context, db *pgdb.DB, who access.Actor, position uuid.UUID, at time.Time) (Turning, error) {
	p, err := OnePosition(ctx, db, who, position)
	if err != nil {
		return Turning{}, err
	}
	rows, err := pgdb.Read[struct{ Fact, Value string }](ctx, db, who.ID, factsNow, map[string]any{"position": position, "at": at})
	facts := map[string]string{}
	for _, r := range rows {
		facts[r.Fact] = r.Value
	}
	return ExpectedTurning(p, facts), err
}

// wantedOfBrush are the facts without which nobody can tell which parts fit a brush.
var wantedOfBrush = []string{"hub_fixing", "bore", "frame_standard", "gearmotor_orientation", "media", "media_pattern"}

// wantedToTurn are those that the kinds without a rule of turning need.
var wantedToTurn = []string{"turning", "turning_seen_from"}

// Wanted lists the facts that must be known about a position before work on it
// can be prepared.
func Wanted(p Position) []string {
	if p.Duty != "brush" {
		return nil
	}
	if p.Turns == "recorded" {
		return append(append([]string(nil), wantedOfBrush...), wantedToTurn...)
	}
	return wantedOfBrush
}
