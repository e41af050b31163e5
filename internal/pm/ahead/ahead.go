// Package ahead looks ahead at all the work of a site together: what is expected
// in which week, without what larger work answers. It knows no database and no clock.
//
// # Covered work
//
// A kind of work covers others, and what they cover. An occurrence is covered on
// a day on which larger work is expected at each of the things it is about: for a
// line at each of its positions, in one visit, though perhaps by several jobs.
// Where such a day comes by the end of the occurrence's late window, only the
// larger work is planned, and the smaller counts on from that day. Nothing is
// stored: where the larger work moves away, the smaller comes back by itself.
//
// # One-off work
//
// Work may give rise to more, once each time it is done: a check of the bolts a
// week after an exchange. That is expected too.
package ahead

import (
	"fmt"
	"math/bits"
	"slices"
	"time"

	"spindlebook/internal/calendar"
	"spindlebook/internal/fault"
	"spindlebook/internal/pm/due"
)

// Kind is a procedure as far as its effort and its effect on other work go.
type Kind struct {
	Name     string   // for faults
	Minutes  float64  // from beginning to end
	Crew     []string // the skill of each person, who all stay for so long
	LineDown bool     // the line does not wash meanwhile, and would have
	Covers   []int    // the kinds that it answers at the same things
	Then     []Then
}

// Then is one-off work that a kind gives rise to each time, at the same things.
type Then struct {
	Kind     int
	Schedule *due.Schedule
}

// Programme is a set of kinds that was checked. It never changes and may be shared.
type Programme struct {
	kinds  []Kind
	order  []int   // the kinds, larger before smaller
	larger [][]int // by kind: those that cover it, at any distance
	covers []bool  // by kind: whether it covers any
	skills []string
	crew   [][]int // by kind: the crew as indexes of skills
}

// New checks kinds. The fault names the field, the value and the rule.
func New(kinds []Kind) (*Programme, error) {
	n := len(kinds)
	p := &Programme{kinds: slices.Clone(kinds), larger: make([][]int, n), covers: make([]bool, n), crew: make([][]int, n)}
	var faults []*fault.Error
	for i, k := range kinds {
		at := func(format string, args ...any) string {
			return fmt.Sprintf("kinds[%d].", i) + fmt.Sprintf(format, args...)
		}
		if !(k.Minutes >= 0) || k.Minutes > 1e6 {
			faults = append(faults, fault.Field(at("minutes"), k.Minutes, "is a number of minutes from 0 on"))
		}
		for j, c := range k.Covers {
			if c < 0 || c >= n {
				faults = append(faults, fault.Field(at("covers[%d]", j), c, "is none of the %d kinds", n))
			}
		}
		for j, t := range k.Then {
			switch {
			case t.Kind < 0 || t.Kind >= n:
				faults = append(faults, fault.Field(at("then[%d].kind", j), t.Kind, "is none of the %d kinds", n))
			case t.Schedule == nil || t.Schedule.Plan().Basis != due.OneOff:
				faults = append(faults, fault.Field(at("then[%d].schedule", j), kinds[t.Kind].Name, "is one-off work, counted from the job that gives rise to it"))
			}
		}
		p.skills = append(p.skills, k.Crew...)
	}
	if err := fault.Collect(faults...); err != nil {
		return nil, err
	}
	slices.Sort(p.skills)
	p.skills = slices.Compact(p.skills)
	for i, k := range kinds {
		p.covers[i] = len(k.Covers) > 0
		for _, s := range k.Crew {
			at, _ := slices.BinarySearch(p.skills, s)
			p.crew[i] = append(p.crew[i], at)
		}
	}
	if err := fault.Collect(p.sort()); err != nil {
		return nil, err
	}
	for _, i := range p.order { // those before it have theirs
		for _, c := range kinds[i].Covers {
			p.larger[c] = append(append(p.larger[c], i), p.larger[i]...)
		}
	}
	for i := range p.larger {
		slices.Sort(p.larger[i])
		p.larger[i] = slices.Compact(p.larger[i])
	}
	return p, nil
}

// sort puts larger kinds before smaller ones, and what gives rise to more before
// that where both can be: what the former covers goes first.
func (p *Programme) sort() *fault.Error {
	n := len(p.kinds)
	covered, born := make([]int, n), make([]int, n)
	for _, k := range p.kinds {
		for _, c := range k.Covers {
			covered[c]++
		}
		for _, t := range k.Then {
			born[t.Kind]++
		}
	}
	placed := make([]bool, n)
	for len(p.order) < n {
		next := -1
		for i := range n {
			if !placed[i] && covered[i] == 0 && (next < 0 || born[i] == 0 && born[next] > 0) {
				next = i
			}
		}
		if next < 0 {
			i := slices.Index(placed, false)
			return fault.Field(fmt.Sprintf("kinds[%d].covers", i), p.kinds[i].Name, "is in a ring of work that covers itself or other work in it")
		}
		placed[next] = true
		p.order = append(p.order, next)
		for _, c := range p.kinds[next].Covers {
			covered[c]--
		}
		for _, t := range p.kinds[next].Then {
			born[t.Kind]--
		}
	}
	return nil
}

// Skills gives every skill that some kind needs, in order.
func (p *Programme) Skills() []string { return slices.Clone(p.skills) }

// Work is an assignment with what is done and where.
type Work struct {
	due.Assignment
	Kind int
	Plan int // a number of the caller's, by which WhatIf finds it
	// Places are the things it is about, by numbers from 0 on within the site: a
	// position, or all those of a line that its work is about.
	Places []int
}

// Expected is one time at which work is expected at a site.
type Expected struct {
	due.Occurrence
	Work *Work
	Born bool // one-off work of a job that is expected too
}

// days is a set of days of the time ahead.
type days [(due.Horizon + 64) / 64]uint64

func (d *days) add(i calendar.Date) { d[i/64] |= 1 << (i % 64) }

func (d *days) join(o *days) {
	for i := range d {
		d[i] |= o[i]
	}
}

func (d *days) meet(o *days) {
	for i := range d {
		d[i] &= o[i]
	}
}

func (d *days) list(from calendar.Date, to []calendar.Date) []calendar.Date {
	for i, w := range d {
		for ; w != 0; w &= w - 1 {
			to = append(to, from+calendar.Date(i*64+bits.TrailingZeros64(w)))
		}
	}
	return to
}

// Each gives all that is expected at a site from now until a day, at most
// due.Horizon days on, larger work first, also what is covered. What is given
// holds until the next. It returns how much of the work has no day, because nobody
// can tell when it falls due.
func (p *Programme) Each(works []Work, site *due.Site, now time.Time, until calendar.Date, take func(*Expected)) (undated int) {
	v := view{Programme: p, site: site, now: now, today: site.Day(now), take: take, of: make([][]piece, len(p.kinds)), reached: make([][]days, len(p.kinds)), gone: make([]bool, len(p.kinds))}
	v.until = min(until, v.today+due.Horizon)
	places := 0
	for i := range works {
		w := &works[i]
		v.of[w.Kind] = append(v.of[w.Kind], piece{w, false})
		for _, place := range w.Places {
			places = max(places, place+1)
		}
	}
	for k := range p.kinds {
		if p.covers[k] {
			v.reached[k] = make([]days, places)
		}
	}
	for _, k := range p.order {
		for i := 0; i < len(v.of[k]); i++ { // what is born of it may be of its kind
			if !v.look(v.of[k][i]) {
				undated++
			}
		}
		v.gone[k] = true
	}
	return undated
}

// view is one look at a site.
type view struct {
	*Programme
	site         *due.Site
	now          time.Time
	today, until calendar.Date
	take         func(*Expected)
	of           [][]piece // the work of each kind
	reached      [][]days  // by kind and place: the days on which such work is expected there
	gone         []bool    // by kind: whether all its work was looked at
	larger       []calendar.Date
}

type piece struct {
	*Work
	born bool
}

// look goes through one piece of work and tells whether it has any day.
func (v *view) look(w piece) bool {
	v.larger = v.answered(w.Work).list(v.today, v.larger[:0])
	var born []piece
	dated := due.AheadWith(w.Assignment, v.site, v.now, v.until, v.larger, func(o *due.Occurrence, left *due.Mark) {
		v.take(&Expected{*o, w.Work, w.born})
		if o.Covered || o.Done > v.until {
			return // the larger work says for itself what it answers and gives rise to
		}
		if reached := v.reached[w.Kind]; reached != nil && !v.gone[w.Kind] {
			for _, place := range w.Places {
				reached[place].add(o.Done - v.today)
			}
		}
		for _, t := range v.kinds[w.Kind].Then {
			mark := due.Mark{At: left.At, Totals: slices.Clone(left.Totals)}
			born = append(born, piece{&Work{Kind: t.Kind, Plan: w.Plan, Places: w.Places,
				Assignment: due.Assignment{Schedule: t.Schedule, Since: mark.At, Mark: &mark, Drivers: w.Drivers, Parked: w.Parked}}, true})
		}
	})
	for _, b := range born {
		if v.gone[b.Kind] { // born of what it covers: it is expected, and answers nothing
			v.look(b)
		} else {
			v.of[b.Kind] = append(v.of[b.Kind], b)
		}
	}
	return dated
}

// answered gives the days on which larger work is expected at each place of w.
func (v *view) answered(w *Work) *days {
	all := &days{}
	for i, place := range w.Places {
		var here days
		for _, k := range v.Programme.larger[w.Kind] {
			here.join(&v.reached[k][place])
		}
		if i == 0 {
			*all = here
		} else {
			all.meet(&here)
		}
	}
	return all
}
