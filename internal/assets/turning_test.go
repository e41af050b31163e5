package assets_test

import (
	"testing"

	"spindlebook/internal/assets"
)

// The rule of the reference design, seen from above: taxonomy of the trade,
// rotation.
func TestExpectedTurning(t *testing.T) {
	position := func(turns, side string) assets.Position { return assets.Position{Turns: turns, LineSide: side} }
	recorded := func(way, from string) map[string]string {
		return map[string]string{"turning": way, "turning_seen_from": from}
	}
	for _, c := range []struct {
		name  string
		p     assets.Position
		facts map[string]string
		want  assets.Turning
	}{
		{"side brush on the left", position("with_the_side", "left"), nil, assets.Turning{Known: true, Clockwise: true, SeenFrom: "above"}},
		{"side brush on the right", position("with_the_side", "right"), nil, assets.Turning{Known: true, SeenFrom: "above"}},
		{"wraparound on the left", position("against_the_side", "left"), nil, assets.Turning{Known: true, SeenFrom: "above"}},
		{"wraparound on the right", position("against_the_side", "right"), nil, assets.Turning{Known: true, Clockwise: true, SeenFrom: "above"}},
		{"a side brush in the middle", position("with_the_side", "centre"), nil, assets.Turning{Gap: "the rule needs a side, left or right of travel"}},
		{"top brush, nothing recorded", position("recorded", "centre"), nil, assets.Turning{Gap: "no direction is recorded"}},
		{"top brush, no viewpoint", position("recorded", "centre"), recorded("clockwise", ""), assets.Turning{Gap: "a direction is recorded, but not from where it is seen"}},
		{"top brush", position("recorded", "centre"), recorded("counter_clockwise", "left"), assets.Turning{Known: true, Recorded: true, SeenFrom: "left"}},
		{"recorded as the rule says", position("with_the_side", "left"), recorded("clockwise", "above"), assets.Turning{Known: true, Clockwise: true, Recorded: true, SeenFrom: "above"}},
		{"recorded against the rule", position("with_the_side", "left"), recorded("counter_clockwise", "above"), assets.Turning{Known: true, Recorded: true, SeenFrom: "above", Differs: true}},
		{"recorded without a viewpoint: the rule holds", position("with_the_side", "left"), recorded("counter_clockwise", ""), assets.Turning{Known: true, Clockwise: true, SeenFrom: "above"}},
		{"an arch", position("not", "centre"), recorded("clockwise", "above"), assets.Turning{Gap: "does not turn"}},
	} {
		if got := assets.ExpectedTurning(c.p, c.facts); got != c.want {
			t.Errorf("%s: %+v, want %+v", c.name, got, c.want)
		}
	}
}

func TestWanted(t *testing.T) {
	if n := len(assets.Wanted(assets.Position{Duty: "fixed"})); n != 0 {
		t.Errorf("an arch wants %d facts", n)
	}
	side, top := assets.Wanted(assets.Position{Duty: "brush", Turns: "with_the_side"}), assets.Wanted(assets.Position{Duty: "brush", Turns: "recorded"})
	if len(top) != len(side)+2 {
		t.Errorf("a top brush wants its direction as well: %v, %v", side, top)
	}
}
