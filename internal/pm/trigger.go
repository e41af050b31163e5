package pm

import (
	"encoding/json"
	"fmt"

	"spindlebook/internal/calendar"
	"spindlebook/internal/fault"
	"spindlebook/internal/pm/due"
)

// Trigger is a reason for which work falls due, as it is written and kept.
type Trigger struct {
	Kind   string  `json:"kind"`             // every, on_dates, each_operating_day, once_per_season, after_use, on_crossing
	Every  string  `json:"every,omitempty"`  // of every: P30D, P6M
	From   string  `json:"from,omitempty"`   // the first day of a fixed grid, or of a rule: 2026-10-31
	Rule   string  `json:"rule,omitempty"`   // of on_dates: FREQ=MONTHLY;BYDAY=1TU
	Season string  `json:"season,omitempty"` // of once_per_season: 10-01/11-15
	Unit   string  `json:"unit,omitempty"`   // of after_use: vehicles, run_hours or cycles
	Amount float64 `json:"amount,omitempty"` // of after_use
	Check  string  `json:"check,omitempty"`  // of on_crossing: the code of the check
}

// Tolerance is how much earlier or later than its due day work counts as on time.
type Tolerance struct {
	Days    int
	Percent float64
}

func (t Tolerance) due() due.Tolerance { return due.Tolerance{Days: t.Days, Percent: t.Percent} }

// read gives the trigger as package due takes it.
func (t Trigger) read(field string) (due.Trigger, *fault.Error) {
	day := func(text, name string) (calendar.Date, *fault.Error) {
		if text == "" {
			return 0, nil
		}
		return calendar.ParseDate(text, field+"."+name)
	}
	switch t.Kind {
	case "every":
		p, bad := calendar.ParsePeriod(t.Every, field+".every")
		if bad != nil {
			return nil, bad
		}
		from, bad := day(t.From, "from")
		return due.Every{Period: p, From: from}, bad
	case "on_dates":
		from, bad := day(t.From, "from")
		return due.OnDates{Rule: t.Rule, From: from}, bad
	case "each_operating_day":
		return due.EachOperatingDay{}, nil
	case "once_per_season":
		s, bad := calendar.ParseSeason(t.Season, field+".season")
		return due.OncePerSeason{Season: s}, bad
	case "after_use":
		return due.AfterUse{Unit: due.Unit(t.Unit), Amount: t.Amount}, nil
	case "on_crossing":
		return due.OnCrossing{Check: t.Check}, nil
	}
	return nil, fault.Field(field+".kind", t.Kind, "is one of every, on_dates, each_operating_day, once_per_season, after_use, on_crossing")
}

// Says writes the trigger in words: "every 30 days".
func (t Trigger) Says() string {
	is, bad := t.read("trigger")
	if bad != nil {
		return t.Kind
	}
	return due.Words(is)
}

// triggersOf reads triggers, each with its own faults.
func triggersOf(in []Trigger) ([]due.Trigger, error) {
	out, faults := make([]due.Trigger, len(in)), make([]*fault.Error, len(in))
	for i, t := range in {
		out[i], faults[i] = t.read(list("triggers", i))
	}
	return out, fault.Collect(faults...)
}

// kept reads triggers that were checked when they were written.
func kept(text string) ([]Trigger, []due.Trigger, error) {
	var as []Trigger
	if err := json.Unmarshal([]byte(text), &as); err != nil {
		return nil, nil, fmt.Errorf("triggers on record: %w", err)
	}
	is, err := triggersOf(as)
	if err != nil {
		return nil, nil, fmt.Errorf("triggers on record: %w", err)
	}
	return as, is, nil
}
