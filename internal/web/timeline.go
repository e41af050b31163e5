package web

import (
	"html/template"
	"slices"
	"strings"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/pm"
	"spindlebook/internal/pm/failure"
	"spindlebook/internal/web/draw"
)

// What a timeline shows at most: the latest.
const (
	mostDone   = 200
	mostFaults = 100
)

// timeline draws what was fitted at the position, its states, the work that was done
// and the faults, for a desk and for a phone.
func (g *positionPage) timeline(p *pages, v visit) error {
	done, err := pm.Histories(v.ctx, p.db, v.who, pm.HistoryFilter{PositionID: &g.ID}, access.Page{Limit: mostDone})
	if err != nil {
		return err
	}
	faults, err := failure.List(v.ctx, p.db, v.who, failure.Filter{PositionID: &g.ID}, access.Page{Limit: mostFaults})
	if err != nil {
		return err
	}
	t := draw.Timeline{ID: "times", Title: "What was fitted at " + g.Code + ", its states, work and faults", Now: v.now, Zone: g.Clock.At}
	states := draw.TimelineRow{Name: "State"}
	for _, s := range slices.Backward(g.States) {
		from := s.From
		one := draw.Stretch{From: &from, Until: s.Until, Label: say(s.State.State), Says: sentenceCase(say(s.State.State)) + " since " + g.Clock.Day(s.From) + untilDay(g.Clock, s.Until)}
		if s.State.State != "in_service" {
			one.Kind = map[bool]string{true: "parked", false: "empty"}[s.State.State == "parked"]
		}
		states.Spans = append(states.Spans, one)
	}
	t.Rows = append(t.Rows, states)
	for _, f := range g.Fittings {
		row := draw.TimelineRow{Name: f.Slot}
		for _, s := range slices.Backward(f.Stays) {
			row.Spans = append(row.Spans, draw.Stretch{From: s.From, Until: s.Until, Label: s.Tag, Says: stayWords(g.Clock, s), Bad: s.EndedFor != nil && *s.EndedFor == "failed"})
		}
		t.Rows = append(t.Rows, row)
	}
	acts := draw.TimelineRow{Name: "Work and faults"}
	for _, c := range slices.Backward(done) {
		acts.Marks = append(acts.Marks, draw.Mark{At: c.DoneAt, Says: c.Title + ", " + g.Clock.Day(c.DoneAt)})
	}
	for _, f := range slices.Backward(faults) {
		if f.WithdrawnAt != nil { // it was none
			continue
		}
		at := f.CreatedAt
		if f.NoticedAt != nil {
			at = *f.NoticedAt
		} else if f.ReportedAt != nil {
			at = *f.ReportedAt
		}
		acts.Marks = append(acts.Marks, draw.Mark{At: at, Says: "Fault: " + f.Says + ", " + g.Clock.Day(at), Kind: "fault"})
	}
	t.Rows = append(t.Rows, acts)
	g.Across = template.HTML(draw.Times(t, 760)) // the drawing escapes what it is given
	t.ID = "times-narrow"
	g.Narrow = template.HTML(draw.Times(t, 330))
	g.Done = len(done)
	return nil
}

func untilDay(c clock, t any) string {
	if d := c.Day(t); d != "" {
		return " until " + d
	}
	return ", to this day"
}

// stayWords says what was fitted, from when to when, and why it came out.
func stayWords(c clock, s assets.Stay) string {
	words := []string{s.Tag, c.Stretch(s)}
	if s.EndedFor != nil {
		words = append(words, say(*s.EndedFor))
	}
	return strings.Join(words, ", ")
}
