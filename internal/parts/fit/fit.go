// Package fit tells whether something goes where it is to go: a part of the
// catalogue, or a unit in stock, against a position. It knows no database and no
// clock: rules, facts and what feeds the position are handed in.
//
// # Answers
//
// It fits; it fits after work (what, how long, by which procedure); it does not fit, with every
// reason; or nobody can tell, with the facts that are missing or whose word is too old, and how to
// get them. Cannot tell is never ready, and is never offered as fitting. What does not fit by
// one fact does not fit, whatever else is unknown.
//
// # Rules
//
// Rules are rows that a distributor edits; NewBook checks them. For a class of component a rule says which fact
// of the candidate must agree with which of the position ("same"), that a pattern of sections
// must be whole ("pattern"), that a motor must suit the supply ("supply") with its links set for it ("links"),
// or where it never goes ("never"). A rule may name a condition under which it holds, and the work that mends a
// difference: turning a gearbox, setting links. What a class has no rule for is not guessed.
package fit

import (
	"fmt"
	"slices"
	"strings"

	"spindlebook/internal/assets/supply"
	"spindlebook/internal/condition"
	"spindlebook/internal/fault"
)

// Verdict is the short answer. The zero value is the careful one.
type Verdict uint8

// The verdicts.
const (
	CannotTell Verdict = iota
	Fits
	FitsAfterWork
	DoesNotFit
)

// String gives the verdict in words.
func (v Verdict) String() string {
	return [...]string{"cannot tell", "fits", "fits after work", "does not fit"}[v]
}

// Rule is a row of what must agree.
type Rule struct {
	Class     string
	How       string // same, pattern, supply, links or never
	Fact      string // of the candidate
	Against   string // of the position: a fact, kind, line_side or supply
	Condition string // where it holds, as internal/condition reads it; "": everywhere
	Work      string // what mends a difference, "": nothing does
	Minutes   int    // of that work
	By        string // code of the procedure by which it is done
	Why       string // why they must agree
}

// Kind is something that can be known of a part, a unit or a position.
type Kind struct {
	Code string
	Name string
	Look string // how somebody finds it out
}

// Book holds checked rules.
type Book struct {
	rules map[string][]rule
	kinds map[string]Kind
}

type rule struct {
	Rule
	holds condition.Condition
}

// Facts that every position has, without anybody recording them as facts.
var ofPosition = []string{"kind", "line_side"}

// NewBook checks rules. The fault names the row and the field.
func NewBook(rules []Rule, kinds []Kind) (Book, error) {
	b := Book{map[string][]rule{}, map[string]Kind{}}
	for _, k := range kinds {
		b.kinds[k.Code] = k
	}
	var faults []*fault.Error
	for i, r := range rules {
		at := func(field string) string { return fmt.Sprintf("rules[%d].%s", i, field) }
		c, bad := condition.Parse(r.Condition, at("condition"))
		faults = append(faults, bad)
		for _, f := range c.Facts() {
			if !b.ofPosition(f) {
				faults = append(faults, fault.Field(at("condition"), f, "is no fact of a position; see /fact-kinds, or kind and line_side"))
			}
		}
		switch r.How {
		case "same", "pattern":
			if b.kinds[r.Fact].Code == "" {
				faults = append(faults, fault.Field(at("fact"), r.Fact, "names no kind of fact; see /fact-kinds"))
			}
			if !b.ofPosition(r.Against) {
				faults = append(faults, fault.Field(at("against"), r.Against, "is no fact of a position; see /fact-kinds, or kind and line_side"))
			}
		case "supply", "links":
			if r.Against != "supply" {
				faults = append(faults, fault.Field(at("against"), r.Against, "is supply where how is %s", r.How))
			}
		case "never":
			if strings.TrimSpace(r.Condition) == "" || r.Why == "" {
				faults = append(faults, fault.Field(at("condition"), r.Condition, "and why are given where how is never"))
			}
		default:
			faults = append(faults, fault.Field(at("how"), r.How, "is same, pattern, supply, links or never"))
		}
		if r.Work != "" && r.How != "same" && r.How != "links" {
			faults = append(faults, fault.Field(at("work"), r.Work, "mends only what is same or links"))
		}
		if (r.Work == "") != (r.Minutes == 0) || (r.Work == "") != (r.By == "") || r.Minutes < 0 {
			faults = append(faults, fault.Field(at("work"), r.Work, "comes with its minutes and its procedure, or without both"))
		}
		if r.Class == "" {
			faults = append(faults, fault.Field(at("class"), "", "names a class of component"))
		}
		b.rules[r.Class] = append(b.rules[r.Class], rule{r, c})
	}
	return b, fault.Collect(faults...)
}

// Has tells whether there are rules for a class.
func (b Book) Has(class string) bool { return len(b.rules[class]) > 0 }

// Missing says of a fact of the position or of the part that it is not known, and
// how to get it.
func (b Book) Missing(of, fact string) Missing {
	return Missing{of, fact, fmt.Sprintf("%s of the %s is not known.", b.name(fact), of), b.look(fact)}
}

func (b Book) ofPosition(fact string) bool {
	return slices.Contains(ofPosition, fact) || b.kinds[fact].Code != ""
}

// Known is a value with what its word is worth.
type Known struct {
	Value string
	Stale string // why somebody should look again: "nobody has seen it, it was assumed"; "": good
}

// Position is where it is to go.
type Position struct {
	Kind     string
	LineSide string // left, right or centre
	Facts    map[string]Known
	Feed     supply.Feed
}

// Candidate is what is to go there.
type Candidate struct {
	Class string
	Facts map[string]Known // a part's, or a unit's own over its part's
	Never []string         // why it is not to be used at all: withdrawn, in quarantine
	// Why nobody can tell, beside what the rules ask.
	Unsure []Missing
}

// Work is what must be done before it fits.
type Work struct {
	What    string // "turn the gearbox from O12 to O3"
	Minutes int
	By      string // code of the procedure
}

// Missing is a fact that nobody knows well enough, and how to get it.
type Missing struct {
	Of   string // position or part
	Fact string // its code
	Says string // "Bore of the position is not known."
	How  string
}

// Answer is whether it fits.
type Answer struct {
	Verdict Verdict
	Work    []Work    // where it fits after work
	Reasons []string  // why it does not, every one
	Missing []Missing // why nobody can tell
}

// Minutes gives how long the work takes. Works of one procedure are done in one
// go, which takes as long as the longest of them.
func (a Answer) Minutes() int {
	by, sum := map[string]int{}, 0
	for _, w := range a.Work {
		by[w.By] = max(by[w.By], w.Minutes)
	}
	for _, m := range by {
		sum += m
	}
	return sum
}

// Judge tells whether a candidate fits a position.
func (b Book) Judge(p Position, c Candidate) Answer {
	a := Answer{Reasons: slices.Clone(c.Never), Missing: slices.Clone(c.Unsure)}
	rules := b.rules[c.Class]
	if len(rules) == 0 {
		a.miss("part", "class", "No rule says in what a "+words(c.Class)+" must agree.", "add a rule of fit, or compare by hand")
	}
	known := condition.Facts{"kind": p.Kind, "line_side": p.LineSide}
	for f, k := range p.Facts {
		known[f] = k.Value
	}
	for _, r := range rules {
		held := r.holds.Judge(known)
		switch {
		case held.Verdict == condition.Fails:
			continue
		case held.Verdict == condition.CannotTell:
			for _, f := range held.Missing {
				b.unknown(&a, "position", f)
			}
			continue
		}
		switch r.How {
		case "never":
			a.Reasons = append(a.Reasons, sentence(r.Why))
		case "supply":
			a.supply(p.Feed, c)
		case "links":
			a.links(r, p.Feed, c)
		default:
			b.agree(&a, r, p, c)
		}
	}
	switch {
	case len(a.Reasons) > 0:
		a.Verdict = DoesNotFit
	case len(a.Missing) > 0:
		a.Verdict = CannotTell
	case len(a.Work) > 0:
		a.Verdict = FitsAfterWork
	default:
		a.Verdict = Fits
	}
	if a.Verdict == DoesNotFit || a.Verdict == CannotTell { // work that may be for nothing is not proposed
		a.Work = nil
	}
	return a
}

func (a *Answer) miss(of, fact, says, how string) {
	if !slices.ContainsFunc(a.Missing, func(m Missing) bool { return m.Of == of && m.Fact == fact }) {
		a.Missing = append(a.Missing, Missing{of, fact, says, how})
	}
}

func (b Book) unknown(a *Answer, of, fact string) {
	m := b.Missing(of, fact)
	a.miss(m.Of, m.Fact, m.Says, m.How)
}

func (b Book) name(fact string) string {
	if k := b.kinds[fact]; k.Name != "" {
		return k.Name
	}
	return sentence(words(fact))
}

func (b Book) look(fact string) string {
	if k := b.kinds[fact]; k.Look != "" {
		return k.Look
	}
	return "look at it and record what is there"
}

// agree compares one fact of both.
func (b Book) agree(a *Answer, r rule, p Position, c Candidate) {
	need, needed := p.Facts[r.Against]
	switch r.Against {
	case "kind":
		need, needed = Known{Value: p.Kind}, p.Kind != ""
	case "line_side":
		need, needed = Known{Value: p.LineSide}, p.LineSide != ""
	}
	is, has := c.Facts[r.Fact]
	if !needed {
		b.unknown(a, "position", r.Against)
	}
	if !has {
		b.unknown(a, "part", r.Fact)
	}
	if !needed || !has {
		return
	}
	says := b.differs(r, need.Value, is.Value)
	switch {
	case says == "":
		if need.Stale != "" {
			a.miss("position", r.Against, fmt.Sprintf("%s of the position may have changed: %s.", b.name(r.Against), need.Stale), b.look(r.Against))
		}
		if is.Stale != "" {
			a.miss("part", r.Fact, fmt.Sprintf("%s of the part may have changed: %s.", b.name(r.Fact), is.Stale), b.look(r.Fact))
		}
	case r.Work != "":
		if need.Stale != "" { // nobody turns a motor on hearsay
			a.miss("position", r.Against, fmt.Sprintf("%s of the position may have changed: %s.", b.name(r.Against), need.Stale), b.look(r.Against))
		}
		a.Work = append(a.Work, Work{fmt.Sprintf("%s from %s to %s", r.Work, is.Value, need.Value), r.Minutes, r.By})
	default:
		a.Reasons = append(a.Reasons, says)
	}
}

// differs says in what two values differ, or "". What is made for several names them
// joined by +: side_brush_low+rocker.
func (b Book) differs(r rule, need, is string) string {
	if slices.ContainsFunc(strings.Split(is, "+"), func(v string) bool { return condition.Alike(v, need) }) {
		return ""
	}
	if r.How == "pattern" {
		if says := sections(need, is); says != "" {
			return says
		}
	}
	return fmt.Sprintf("%s is %s, and the position needs %s: %s.", b.name(r.Fact), listed(is), words(need), r.Why)
}

// sections tells two rows of sections apart; "" where one is none.
func sections(need, is string) string {
	if strings.Trim(need, "AB") != "" || strings.Trim(is, "AB") != "" {
		return ""
	}
	count := func(s string) (a, b int) { return strings.Count(s, "A"), strings.Count(s, "B") }
	na, nb := count(need)
	ia, ib := count(is)
	switch {
	case na != ia || nb != ib:
		return fmt.Sprintf("The set has %d long (A) and %d short (B) sections, and the position needs %d and %d.", ia, ib, na, nb)
	default:
		return fmt.Sprintf("The sections stand in another order: %s instead of %s.", is, need)
	}
}

// plate reads what is known of a candidate's nameplate.
func plate(c Candidate) (supply.Nameplate, error) {
	return supply.Read(supply.Plate{Voltages: c.Facts["plate_volts"].Value, Phases: c.Facts["plate_phases"].Value, Hertz: c.Facts["plate_hertz"].Value,
		Leads: c.Facts["leads"].Value, Winding: c.Facts["winding"].Value})
}

// How the leads are joined is told by the motor's own diagram when it is connected;
// it does not decide whether the motor suits.
var ofConnection = []string{"leads", "winding", "diagram"}

// supply judges whether the motor suits what feeds the position.
func (a *Answer) supply(f supply.Feed, c Candidate) {
	n, err := plate(c)
	if err != nil {
		a.miss("part", "plate_volts", "What is recorded of the nameplate cannot be read: "+err.Error()+".", "photograph the plate and record it anew")
		return
	}
	j := supply.Judge(n, f, supply.Links{})
	for _, r := range j.Reasons {
		a.Reasons = append(a.Reasons, r.Says)
	}
	for _, m := range j.Missing {
		if slices.Contains(ofConnection, m.Fact) {
			continue
		}
		of := "part"
		if strings.HasPrefix(m.Fact, "supply_") || m.Fact == "measured" {
			of = "position"
		}
		a.miss(of, m.Fact, m.Says, m.How)
	}
}

// links tells whether they must be set. Where nobody recorded how they stand, looking
// and setting is one work.
func (a *Answer) links(r rule, f supply.Feed, c Candidate) {
	n, err := plate(c)
	if err != nil {
		return // said already
	}
	set, is := c.Facts["link_setting"], needs(n, f)
	switch {
	case is == "" || r.Work == "":
		return // it does not suit, or has no links to set
	case set.Value == "":
		a.Work = append(a.Work, Work{r.Work + " for " + is + ": nobody recorded how they stand", r.Minutes, r.By})
	case !condition.Alike(set.Value, is):
		a.Work = append(a.Work, Work{r.Work + " from " + set.Value + " to " + is, r.Minutes, r.By})
	}
}

// needs gives the setting that the supply asks for in the words of the fact
// link_setting, "" where the motor does not suit or has but one. Wye and delta of nine and twelve
// leads are set alike, so that it can be told without knowing which.
func needs(n supply.Nameplate, f supply.Feed) string {
	var first string
	for _, w := range []supply.Winding{supply.Wye, supply.Delta} {
		try := n
		if n.Winding == supply.Unknown {
			try.Winding = w
		}
		j := supply.Judge(try, f, supply.Links{})
		if j.Connection == nil {
			return ""
		}
		s := string(j.Connection.Setting)
		if n.Leads == 6 {
			s = map[supply.Winding]string{supply.Wye: "star", supply.Delta: "delta"}[j.Connection.Winding]
		}
		if first != "" && s != first {
			return ""
		}
		first = s
	}
	return first
}

func words(s string) string { return strings.ReplaceAll(s, "_", " ") }

func listed(s string) string { return words(strings.Join(strings.Split(s, "+"), " or ")) }

func sentence(s string) string {
	if s == "" {
		return ""
	}
	return strings.ToUpper(s[:1]) + s[1:]
}
