package record

import (
	"slices"
	"strconv"
	"strings"

	"spindlebook/internal/assets"
	"spindlebook/internal/fault"
)

// Written says how what a step writes down under a name is given.
type Written struct {
	Label   string
	Kind    string // text, whole or choice
	Options []string
	Hint    string
}

// Names under which steps write down what is held against the card, or asked for in a
// way of its own.
const (
	SpacersCount = "spacers_count"
	LeadsMarked  = "leads_marked"
	AntiSeize    = "anti_seize"
	CapBolt      = "cap_bolt_state"
	MediaOrder   = "order"
)

// mostSpacers bounds a count of spacer washers: three is the usual number (common
// practice, no source).
const mostSpacers = 20

var written = map[string]Written{
	DirectionSeen: {"It turned", "choice", []string{"clockwise", "counter_clockwise"}, ""},
	LinksSet:      {"Links set", "choice", []string{"low", "high", "star", "delta"}, ""},
	SpacersCount:  {"Spacer washers counted", "whole", nil, "Lay them out in their order. Three is usual."},
	LeadsMarked:   {"Leads as found", "text", nil, "Each lead at its terminal, such as U1-L1 V1-L2 W1-L3. A photo as well."},
	AntiSeize:     {"Anti-seize", "choice", []string{"applied", "none"}, "Threads and seat only, never with threadlocker, never on electrical parts."},
	CapBolt:       {"Cap bolt", "choice", []string{"turns", "stiff", "seized", "broken"}, ""},
	MediaOrder:    {"Order from the bottom", "text", nil, "Long leaf A, short leaf B, such as AABBx4."},
	SecondCheck:   {"Compared by", "text", nil, "Another person than the one who set them."},
	"volts_three": {"Volts between the phases", "text", nil, "L1-L2, L2-L3, L1-L3."},
	"amps_three":  {"Amperes of each phase", "text", nil, "Empty and with a vehicle."},
}

// WrittenAs says how what is written down under a name is given.
func WrittenAs(name string) Written {
	if w, known := written[name]; known {
		return w
	}
	words := strings.ReplaceAll(name, "_", " ")
	return Written{Label: strings.ToUpper(words[:1]) + words[1:], Kind: "text"}
}

// sound refuses a value that cannot be meant.
func (w Written) sound(name, value string) *fault.Error {
	switch {
	case value == "":
	case w.Kind == "choice" && !slices.Contains(w.Options, value):
		return fault.Field("said.values."+name, value, "is one of %s", strings.Join(w.Options, ", "))
	case w.Kind == "whole":
		if n, err := strconv.Atoi(value); err != nil || n < 0 || n > mostSpacers {
			return fault.Field("said.values."+name, value, "is a whole number from 0 to %d", mostSpacers)
		}
	}
	return nil
}

// ordered tells whether sections were stacked in the pattern of the position; of what is
// no pattern nobody can tell.
func ordered(pattern, stacked string) bool {
	must, known := assets.SpellPattern(pattern)
	is, readable := assets.SpellPattern(strings.ReplaceAll(strings.ToUpper(strings.Join(strings.Fields(stacked), "")), "X", "x"))
	if !known || !readable || is == must {
		return true
	}
	// the part that recurs says as much as the whole
	return len(must)%len(is) == 0 && strings.Repeat(is, len(must)/len(is)) == must
}
