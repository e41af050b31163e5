package web

import (
	"fmt"
	"html/template"
	"math"
	"strconv"
	"time"

	"spindlebook/internal/access"
	"spindlebook/internal/web/draw"
)

// A gallery of the drawings in all their states, so that whoever reads one for the first
// time can look up what it says, and whoever changes one sees what it does.
type gallery struct {
	Drawings []exhibit
}

type exhibit struct {
	ID, Name string
	Reads    string // how to read it
	States   []exhibited
}

type exhibited struct {
	Says string
	Look template.HTML
	Wide bool
}

func (p *pages) gallery(v visit) error {
	if err := v.who.Must(access.SeeInternal); err != nil {
		return err
	}
	return p.ok(v, "gallery", "The drawings", gallery{[]exhibit{strips(), bars(), weeks(), turnings(), hookups(), times(), sets()}})
}

// shown is one state of a drawing. What the drawings are given here is made up.
func shown(says, svg string) exhibited { return exhibited{Says: says, Look: template.HTML(svg)} }

func wide(says, svg string) exhibited {
	return exhibited{Says: says, Look: template.HTML(svg), Wide: true}
}

func strips() exhibit {
	spot := func(label, side string, along float64, state string, turn draw.Turn) draw.Item {
		it := draw.Item{Href: "#strip", Label: label, Says: label + ": " + say(state), Side: side, Along: along, Brush: true, State: state, Turn: turn}
		if state != "in_service" {
			it.Word = say(state)
		}
		return it
	}
	fixed := func(label, side string, along float64) draw.Item {
		return draw.Item{Href: "#strip", Label: label, Says: label, Side: side, Along: along, State: "in_service"}
	}
	spent := func(it draw.Item, share float64) draw.Item {
		it.Spent, it.Late = &share, share > 1.1
		it.Says += fmt.Sprintf(", %.0f %% of the interval of its next work used", 100*share)
		if it.Late {
			it.Says += ", late"
		}
		return it
	}
	line := draw.Strip{ID: "g-strip", Title: "A line of 110 ft, seen from above", Length: 33.5, InFeet: true, Left: "driver side", Right: "passenger side", Items: []draw.Item{
		fixed("EYE", "centre", 0), fixed("PRE", "centre", 3), spent(spot("SBL-D", "left", 11.6, "in_service", draw.Clockwise), .2), spent(spot("SBL-P", "right", 11.6, "in_service", draw.CounterClockwise), 1.3),
		spent(spot("WRP-D", "left", 16.5, "parked", draw.CounterClockwise), .6), spot("WRP-P", "right", 16.5, "empty", draw.Clockwise), spent(spot("TOP", "centre", 21, "in_service", draw.AgainstTravel), 1), spot("RKR-D", "left", 27, "in_service", draw.Unknown)}}
	up, none := line, draw.Strip{ID: "g-none", Title: "A line with nothing on it", Left: "driver side", Right: "passenger side"}
	up.ID = "g-up"
	return exhibit{"strip", "The line strip", "A wash line from above, vehicles travel from left to right. A circle is a brush, a block a fixed thing, each at its true distance. Filled is in service, hatched parked, hollow empty, and the word stands beside it. The arrow says which way it must turn; a question mark that nobody has recorded it. The arc around a brush fills clockwise as the interval of its next planned work is used up, by the last count; full and broken, with the word beside it, that work is late; without an arc nobody can tell.", []exhibited{
		wide("at a desk and on paper", draw.Across(line)), shown("on a phone, vehicles travel upwards", draw.Upright(up)), shown("in a list of sites", draw.Mini(line, "6 in service, 1 parked, 1 empty")), wide("with nothing on it", draw.Across(none))}}
}

func bars() exhibit {
	no := math.NaN()
	var all []exhibited
	for i, w := range []struct {
		says string
		draw.Wear
	}{
		{"begins", draw.Wear{Today: 0, Due: 180, Earliest: 166, Latest: 194, Low: no, High: no}},
		{"coming: the whisker says between which days it falls due, four times of five", draw.Wear{Today: 284, Due: 340, Earliest: 330, Latest: 360, Low: 333, High: 349}},
		{"due, within its window", draw.Wear{Today: 33, Due: 30, Earliest: 27, Latest: 36, Low: no, High: no}},
		{"late, beyond the window", draw.Wear{Today: 45, Due: 30, Earliest: 27, Latest: 36, Low: no, High: no, Late: true}},
		{"no latest day: the counter may stand still", draw.Wear{Today: 60, Due: 300, Earliest: 280, Latest: 320, Low: 150, High: no}},
		{"not known: nothing was read yet", draw.Wear{Today: 60, Due: no, Earliest: no, Latest: no, Low: no, High: no}},
	} {
		w.ID, w.Title = "g-wear-"+strconv.Itoa(i), sentenceCase(w.says)
		all = append(all, shown(w.says, draw.WearBar(w.Wear, 300)))
	}
	return exhibit{"wear", "The wear bar", "How much of an interval is used up. The bar ends on the day on which it is due, the pin is today, the bracket below is the window in which it counts as on time, the line above says how sure the day is.", all}
}

func weeks() exhibit {
	cells := func(c ...draw.RibbonCell) []draw.RibbonCell { return c }
	r := draw.Ribbon{ID: "g-weeks", Title: "Hours of work at three sites", Weeks: []string{"30 Nov", "7 Dec", "14 Dec", "21 Dec", "28 Dec", "4 Jan"}, Rows: []draw.RibbonRow{
		{Name: "Parts are there", Href: "#ribbon", Cells: cells(draw.RibbonCell{Hours: 6.5, Parts: "there", Says: "6.5 h, the parts are there"}, draw.RibbonCell{}, draw.RibbonCell{Hours: 2, Parts: "there", Says: "2 h"})},
		{Name: "Some are missing", Href: "#ribbon", Cells: cells(draw.RibbonCell{}, draw.RibbonCell{Hours: 12, Parts: "missing", Grave: true, Says: "12 h, safety work among it, parts are missing"}, draw.RibbonCell{Hours: 3, Parts: "unknown", Says: "3 h, nobody can tell"})},
		{Name: "Not looked at", Href: "#ribbon", Cells: cells(draw.RibbonCell{Hours: 1, Says: "1 h"}, draw.RibbonCell{}, draw.RibbonCell{}, draw.RibbonCell{Hours: 8, Says: "8 h"})},
		{Name: "Nothing ahead", Href: "#ribbon"}}}
	return exhibit{"ribbon", "The twelve-week ribbon", "Weeks across, sites down. The higher a bar the more hours; filled has its parts, hatched lacks some, dashed nobody can tell, outlined was not looked at. A triangle marks safety or legal work.", []exhibited{
		wide("in each state", draw.Weeks(r, 700))}}
}

func turnings() exhibit {
	view := func(id, side, from string, clockwise bool) exhibited {
		word := map[bool]string{true: "clockwise", false: "counter-clockwise"}[clockwise]
		says := word + " seen from " + map[string]string{"above": "above", "left": "the left of travel", "right": "the right of travel"}[from]
		return shown(says, draw.Turning(draw.View{ID: "g-turn-" + id, Title: sentenceCase(says), Clockwise: clockwise, From: from, Side: side, Words: word, LeftWord: "left · driver side", RightWord: "right · passenger side"}))
	}
	return exhibit{"turning", "The rotation arrow", "Which way a brush must turn, always with the place from which one looks and the direction of travel: without them a direction says nothing.", []exhibited{
		view("1", "left", "above", true), view("2", "right", "above", false), view("3", "centre", "left", false), view("4", "centre", "right", true)}}
}

func hookups() exhibit {
	return exhibit{"connection", "The connection card", "Where each lead of a motor goes: on a line, joined with others, or open and insulated by itself. The nameplate and licensed practice come first.", []exhibited{
		shown("three leads", draw.Leads(draw.Hookup{ID: "g-leads-3", Title: "Three leads", Lines: [3][]int{{1}, {2}, {3}}})),
		shown("nine leads, low voltage, wye", draw.Leads(draw.Hookup{ID: "g-leads-9l", Title: "Nine leads, low, 230 V", Lines: [3][]int{{1, 7}, {2, 8}, {3, 9}}, Joined: [][]int{{4, 5, 6}}})),
		shown("nine leads, high voltage, wye", draw.Leads(draw.Hookup{ID: "g-leads-9h", Title: "Nine leads, high, 460 V", Lines: [3][]int{{1}, {2}, {3}}, Joined: [][]int{{4, 7}, {5, 8}, {6, 9}}})),
		shown("some stay open", draw.Leads(draw.Hookup{ID: "g-leads-o", Title: "Leads that stay open", Lines: [3][]int{{1}, {2}, {3}}, Open: []int{7, 8, 9}, Joined: [][]int{{4, 5, 6}}}))}}
}

func times() exhibit {
	at := func(year int, m time.Month, day int) *time.Time {
		t := time.Date(year, m, day, 8, 0, 0, 0, time.UTC)
		return &t
	}
	t := draw.Timeline{ID: "g-times", Title: "What was fitted at a side brush", Now: *at(2026, 11, 30), Zone: time.UTC, Rows: []draw.TimelineRow{
		{Name: "State", Spans: []draw.Stretch{{From: at(2023, 3, 1), Until: at(2025, 6, 2), Label: "in service"}, {From: at(2025, 6, 2), Until: at(2025, 9, 14), Label: "parked", Kind: "parked"}, {From: at(2025, 9, 14), Label: "in service"}}},
		{Name: "Gearmotor", Spans: []draw.Stretch{{Until: at(2024, 2, 11), Label: "GM-00007", Bad: true}, {From: at(2024, 2, 11), Label: "GM-00031"}}},
		{Name: "Media set", Spans: []draw.Stretch{{From: at(2023, 3, 1), Until: at(2025, 6, 2), Label: "MS-00002"}, {From: at(2025, 6, 2), Until: at(2025, 9, 14), Label: "empty", Kind: "empty"}, {From: at(2025, 9, 14), Label: "MS-00020"}}},
		{Name: "Work and faults", Marks: []draw.Mark{{At: *at(2023, 9, 9), Says: "greased"}, {At: *at(2024, 2, 10), Says: "it stood still", Kind: "fault"}, {At: *at(2024, 2, 11), Says: "gearmotor replaced"}}}}}
	narrow, none := t, draw.Timeline{ID: "g-times-none", Title: "Nothing is on record", Now: t.Now, Zone: time.UTC, Rows: []draw.TimelineRow{{Name: "State"}, {Name: "Gearmotor"}}}
	narrow.ID = "g-times-narrow"
	return exhibit{"times", "The position timeline", "What was where over the years. A pointed edge: nobody knows since when. A double bar: it failed. Hatched is parked, hollow empty. A dot is work that was done, a triangle a fault.", []exhibited{
		wide("at a desk", draw.Times(t, 760)), shown("on a phone", draw.Times(narrow, 330)), shown("with nothing", draw.Times(none, 330))}}
}

func sets() exhibit {
	return exhibit{"media", "The media set", "The leaves of a set from the bottom of the stack up: A is long, B is short; hatched was replaced by itself.", []exhibited{
		wide("sixteen sections, the third replaced", draw.Sections(draw.Media{ID: "g-media", Title: "Sixteen sections", Pattern: "AABBAABBAABBAABB", Replaced: map[int]bool{3: true}})),
		shown("four alike", draw.Sections(draw.Media{ID: "g-media-4", Title: "Four sections", Pattern: "AAAA"}))}}
}
