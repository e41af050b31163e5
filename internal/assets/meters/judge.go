package meters

import (
	"fmt"
	"math"
	"slices"
	"time"
)

// The limits by which a reading is judged. They are common practice, no source.
const (
	// Margin over what a line is rated for, since ratings are round figures.
	marginOverRated = 1.3
	// No line is faster: the bound where nobody said what it is rated for.
	unrated = 250 // vehicles an hour
	// Oldest and Ahead bound the instant of a reading; beyond them its clock is wrong.
	oldest = 20 // years
	ahead  = 5 * time.Minute
)

// segment is one run of a counter.
type segment struct {
	ID           string `json:"id"`
	From         *int64 `json:"from"` // microseconds since 1970; nil without a beginning
	How          string `json:"how"`
	Start        int64  `json:"start"`
	PreviousLast *int64 `json:"previous_last"`
	Base         int64  `json:"base"`
	Shows        string `json:"shows"`
	Modulus      *int64 `json:"modulus"`
	Decimals     int    `json:"decimals"`
}

func (g segment) from() time.Time {
	if g.From == nil {
		return time.Time{}
	}
	return time.UnixMicro(*g.From).UTC()
}

// total gives what a value in this run stands for.
func (g segment) total(value int64) int64 { return g.Base + value - g.Start }

// bound says how much a meter can grow.
type bound struct {
	unit        Unit
	perHour     float64 // of its amounts while open; 0 has no bound
	openMinutes int     // of the longest open day
	step        int64   // the finest that its wheels show
}

// allowed gives the most that a meter grows in a time. A day counts with its
// opening hours, and less than a day with itself, so that what is allowed for
// two stretches is allowed for them together: readings fit in any order.
func (b bound) allowed(d time.Duration) int64 {
	if b.perHour == 0 {
		return math.MaxInt64
	}
	hours := d.Hours()
	if b.openMinutes > 0 && b.openMinutes < 1440 {
		open := float64(b.openMinutes) / 60
		days := math.Floor(hours / 24)
		hours = days*open + min(hours-days*24, open)
	}
	return int64(math.Ceil(hours*b.perHour)) + b.step
}

// counted is a reading that counts.
type counted struct {
	at    time.Time
	value int64
}

// verdict is what a reading is taken for.
type verdict struct {
	doubt string // "" counts
	// earlier names the run that began earlier than was known, since the reading fits it.
	earlier *segment
	// what it was judged against, for the explanations
	run    segment
	before *counted // in the same run, or its beginning
	after  *counted
	most   int64 // the greatest that would have been taken
}

// runAt gives the run to which an instant belongs and the one after it.
func runAt(runs []segment, at time.Time) (run segment, next *segment) {
	i := len(runs) - 1
	for i > 0 && runs[i].from().After(at) {
		i--
	}
	if i+1 < len(runs) {
		next = &runs[i+1]
	}
	return runs[i], next
}

// judge decides whether a value seen at an instant counts, by the readings that
// count next to it. Nothing else of the meter matters: a reading that fits
// between its neighbours changes the judgement of no other, so readings that fit
// one another may come in any order.
func judge(runs []segment, b bound, at time.Time, value int64, before, after *counted) verdict {
	run, next := runAt(runs, at)
	v := inRun(run, next, b, at, value, before, after)
	if v.doubt == "falls" && next != nil && after != nil && !after.at.Before(next.from()) && next.How != "unreliable" {
		// Between the last reading of one run and the first of the next, where the
		// change was known only by that first reading.
		if after.at.Equal(next.from()) {
			fresh := *next
			fresh.From = new(at.UnixMicro())
			if w := inRun(fresh, nil, b, at, value, before, after); w.doubt == "" {
				w.earlier = next
				return w
			}
		}
	}
	return v
}

func inRun(run segment, next *segment, b bound, at time.Time, value int64, before, after *counted) verdict {
	v := verdict{run: run, most: math.MaxInt64}
	if run.How == "unreliable" {
		v.doubt = "unreliable"
		return v
	}
	least, since := run.Start, (*time.Time)(nil)
	if before != nil {
		since = &before.at
		if !before.at.Before(run.from()) {
			least, v.before = before.value, before
		}
	}
	switch {
	case after != nil && (next == nil || after.at.Before(next.from())):
		v.after = after
	case next != nil && next.PreviousLast != nil:
		v.after = &counted{next.from(), *next.PreviousLast}
	}
	if since != nil {
		if most := b.allowed(at.Sub(*since)); most < math.MaxInt64-least {
			v.most = least + most
		}
	}
	if v.after != nil {
		v.most = min(v.most, v.after.value)
	}
	switch {
	case value < least:
		v.doubt = "falls"
	case v.after != nil && value > v.after.value:
		v.doubt = "above_next"
	case value > v.most:
		v.doubt = "too_fast"
	case v.after != nil && v.after.value-value > b.allowed(v.after.at.Sub(at)):
		v.doubt = "below_next"
	}
	return v
}

// Offer is one thing that may be behind a reading that does not fit, with what
// it would mean.
type Offer struct {
	As    string // rolled_over, reset, replaced, mistyped, wrong_meter, unit_changed or as_seen
	Means string // "would mean 242 vehicles since then"
	// Fits tells whether what it would mean is plausible.
	Fits bool
	// Value and Unit are the corrected value, for mistyped.
	Value, Unit string
	// MeterID is the meter on which it would fit, for wrong_meter.
	MeterID string
}

// offers lists the explanations of a reading that does not fit.
func (v verdict) offers(u Unit, value int64) []Offer {
	least := v.run.Start
	if v.before != nil {
		least = v.before.value
	}
	fits := func(n int64) bool { return n >= least && n <= v.most }
	grows := func(n int64) bool { return n >= 0 && (v.most == math.MaxInt64 || n <= v.most-least) }
	var all []Offer
	if v.doubt == "falls" {
		if m := v.run.Modulus; m != nil {
			all = append(all, Offer{As: "rolled_over", Fits: grows(*m - least + value), Means: fmt.Sprintf("rolled over at %s: would mean %s since %s", u.say(*m), u.say(*m-least+value), u.say(least))})
		}
		all = append(all,
			Offer{As: "reset", Fits: grows(value), Means: fmt.Sprintf("set back to zero: would mean at least %s since then", u.say(value))},
			Offer{As: "replaced", Fits: true, Means: "another counter: its first value and the last of the old one join them; the total goes on from " + u.Format(v.run.total(least))})
	}
	for _, c := range corrections(u, value, v.run.Shows) {
		if fits(c.amount) {
			all = append(all, Offer{As: "mistyped", Fits: true, Value: format(c.amount, v.run.Shows), Unit: v.run.Shows,
				Means: fmt.Sprintf("%s: %s would mean %s since %s", c.why, format(c.amount, v.run.Shows)+" "+v.run.Shows, u.say(c.amount-least), u.say(least))})
		}
	}
	if !slices.ContainsFunc(all, func(o Offer) bool { return o.As == "mistyped" }) {
		all = append(all, Offer{As: "mistyped", Means: "read again: it would have to lie at " + u.Format(least) + " or more"})
	}
	all = append(all, Offer{As: "wrong_meter", Means: "it was read on another meter and moves there"})
	if v.doubt == "too_fast" || v.doubt == "ratio" || v.doubt == "below_next" {
		all = append(all, Offer{As: "as_seen", Means: fmt.Sprintf("it is right: would mean %s since %s", u.say(value-least), u.say(least))})
	}
	return all
}

type correction struct {
	amount int64
	why    string
}

// corrections lists what may have been meant by a value: another unit, tenths
// typed as whole, two neighbouring digits exchanged.
func corrections(u Unit, value int64, shows string) []correction {
	var all []correction
	add := func(n int64, why string) {
		if again, bad := u.read(format(n, shows), shows); bad != "" || again != n {
			return // its wheels cannot show that
		}
		if n != value && !slices.ContainsFunc(all, func(c correction) bool { return c.amount == n }) {
			all = append(all, correction{n, why})
		}
	}
	if value%10 == 0 || u == Hours {
		add(value/10, "tenths typed as whole")
	}
	if value <= mostAmount/10 {
		add(value*10, "whole typed as tenths")
	}
	if u == Hours {
		add(value/60, "minutes typed as hours, or seconds as minutes")
		add(value/3600, "seconds typed as hours")
		if value <= mostAmount/3600 {
			add(value*60, "hours typed as minutes, or minutes as seconds")
			add(value*3600, "hours typed as seconds")
		}
	}
	text := []byte(format(value, shows))
	for i := 0; i+1 < len(text); i++ {
		j := i + 1
		if text[j] == '.' && j+1 < len(text) {
			j++
		}
		if text[i] == '.' || text[i] == text[j] {
			continue
		}
		text[i], text[j] = text[j], text[i]
		if n, bad := u.read(string(text), shows); bad == "" {
			add(n, "two neighbouring digits exchanged")
		}
		text[i], text[j] = text[j], text[i]
	}
	return all
}
