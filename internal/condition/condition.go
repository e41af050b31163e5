// Package condition reads and judges the small rules that say where a part, a
// step or a kit's line applies: "bore = 1.375 in & kind in (rocker, side_brush_low)".
//
// # Writing
//
// Clauses are joined by &, and all must hold. A clause is one of
//
//	fact = value    fact != value    fact in (value, value)    fact not in (value, value)
//
// A fact is a word of small letters, digits, _ and -; a value is any text without & = ! ( ) and commas.
// Each fact is named once. No clauses at all hold everywhere.
//
// # Judging
//
// A clause whose fact is unknown is open. One clause that fails settles the whole, whatever else is open;
// otherwise open clauses leave it open, and the answer names the facts that are missing (Kleene's
// strong logic of three values: Introduction to Metamathematics, 1952, section 64; from memory).
package condition

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"spindlebook/internal/fault"
	"spindlebook/internal/measure"
)

// Verdict is how a condition stands to what is known.
type Verdict uint8

// The verdicts. The zero value is the careful one.
const (
	CannotTell Verdict = iota
	Holds
	Fails
)

// String gives the verdict in words.
func (v Verdict) String() string {
	switch v {
	case Holds:
		return "holds"
	case Fails:
		return "fails"
	}
	return "cannot tell"
}

// Clause asks one fact: whether it is one of the values, or with Not that it is
// none of them.
type Clause struct {
	Fact   string
	Not    bool
	Values []string
}

// Condition is a conjunction of clauses. The zero value holds everywhere.
type Condition struct {
	clauses []Clause
}

// Facts is what is known, by fact. What is not in it is unknown.
type Facts map[string]string

// Answer is a verdict with its reasons.
type Answer struct {
	Verdict Verdict
	Missing []string // the facts that would settle it, in order; only where it cannot tell
	Failed  []Clause // the clauses that fail
}

// Bounds of what is read, so that a list of conditions stays cheap to judge.
const (
	longest    = 1000
	mostValues = 50
)

// Parse reads a condition. field is the request field to blame.
func Parse(text, field string) (Condition, *fault.Error) {
	bad := func(value, format string, args ...any) (Condition, *fault.Error) {
		return Condition{}, fault.Field(field, value, format, args...)
	}
	if len(text) > longest {
		return bad(text, "is too long: at most %d bytes", longest)
	}
	if strings.TrimSpace(text) == "" {
		return Condition{}, nil
	}
	var c Condition
	for _, part := range strings.Split(text, "&") {
		clause, why := parseClause(strings.TrimSpace(part))
		if why != "" {
			return bad(strings.TrimSpace(part), "%s", why)
		}
		if slices.ContainsFunc(c.clauses, func(o Clause) bool { return o.Fact == clause.Fact }) {
			return bad(clause.Fact, "is asked twice; give all its values in one: %s in (…)", clause.Fact)
		}
		c.clauses = append(c.clauses, clause)
	}
	return c, nil
}

const forms = `write fact = value, fact != value, fact in (value, value) or fact not in (value, value), joined by &`

// parseClause reads one clause; why says what is wrong with it.
func parseClause(s string) (c Clause, why string) {
	end := strings.IndexFunc(s, func(r rune) bool { return !inFact(r) })
	if s == "" {
		return c, "a clause is empty; " + forms
	}
	if end <= 0 {
		return c, "begins with no fact in small letters and a comparison; " + forms
	}
	c.Fact = s[:end]
	rest := strings.TrimSpace(s[end:])
	var list string
	switch {
	case strings.HasPrefix(rest, "!="):
		c.Not, list = true, rest[2:]
	case strings.HasPrefix(rest, "="):
		list = rest[1:]
	default:
		if after, ok := strings.CutPrefix(rest, "not "); ok {
			c.Not, rest = true, strings.TrimSpace(after)
		}
		after, isIn := strings.CutPrefix(rest, "in")
		inner, opened := strings.CutPrefix(strings.TrimSpace(after), "(")
		inner, closed := strings.CutSuffix(inner, ")")
		if !isIn || !opened || !closed {
			return c, "is no comparison; " + forms
		}
		for _, v := range strings.Split(inner, ",") {
			c.Values = append(c.Values, strings.TrimSpace(v))
		}
	}
	if c.Values == nil {
		c.Values = []string{strings.TrimSpace(list)}
		if strings.Contains(list, ",") {
			return c, "gives several values; write " + c.Fact + " in (value, value)"
		}
	}
	if len(c.Values) > mostValues {
		return c, fmt.Sprintf("gives %d values: at most %d", len(c.Values), mostValues)
	}
	for i, v := range c.Values {
		switch {
		case v == "":
			return c, "lacks a value; " + forms
		case strings.ContainsFunc(v, func(r rune) bool {
			return strings.ContainsRune("&=!(),", r) || r < ' ' || r == '\u007f' || r == '\ufffd'
		}):
			return c, "has a sign in a value that means something else: & = ! ( ) and commas separate"
		case slices.ContainsFunc(c.Values[:i], func(o string) bool { return Alike(o, v) }):
			return c, "gives " + v + " twice"
		}
	}
	return c, ""
}

func inFact(r rune) bool {
	return r >= 'a' && r <= 'z' || r >= '0' && r <= '9' || r == '_' || r == '-'
}

// String writes the condition so that Parse reads the same again.
func (c Condition) String() string {
	parts := make([]string, len(c.clauses))
	for i, clause := range c.clauses {
		parts[i] = clause.String()
	}
	return strings.Join(parts, " & ")
}

// String writes a clause as Parse reads it.
func (c Clause) String() string {
	if len(c.Values) == 1 {
		op := " = "
		if c.Not {
			op = " != "
		}
		return c.Fact + op + c.Values[0]
	}
	op := " in ("
	if c.Not {
		op = " not in ("
	}
	return c.Fact + op + strings.Join(c.Values, ", ") + ")"
}

// Clauses gives what is asked, in the order in which it was written.
func (c Condition) Clauses() []Clause { return slices.Clone(c.clauses) }

// Facts names the facts that are asked.
func (c Condition) Facts() []string {
	facts := make([]string, len(c.clauses))
	for i, clause := range c.clauses {
		facts[i] = clause.Fact
	}
	return facts
}

// Judge holds the condition against what is known.
func (c Condition) Judge(known Facts) Answer {
	var a Answer
	for _, clause := range c.clauses {
		is, ok := known[clause.Fact]
		if !ok {
			a.Missing = append(a.Missing, clause.Fact)
			continue
		}
		if slices.ContainsFunc(clause.Values, func(v string) bool { return Alike(v, is) }) == clause.Not {
			a.Failed = append(a.Failed, clause)
		}
	}
	switch {
	case a.Failed != nil:
		a.Verdict, a.Missing = Fails, nil
	case a.Missing == nil:
		a.Verdict = Holds
	}
	return a
}

// alike is how far two lengths may be apart, in millimetres, to be one: far less
// than a 1-3/8 in bore (34.925 mm) is from one of 35 mm, and more than rounding.
const alike = 0.02

// Alike tells whether two values mean the same: lengths by what they measure ("1.375in",
// "34.925 mm"), other texts whatever their case and spaces.
func Alike(a, b string) bool {
	if x, ok := length(a); ok {
		if y, ok := length(b); ok {
			return math.Abs(x-y) <= alike
		}
	}
	return fold(a) == fold(b)
}

func fold(s string) string { return strings.ToLower(strings.Join(strings.Fields(s), " ")) }

// length reads a length in millimetres, the unit close behind or after a space.
func length(s string) (mm float64, ok bool) {
	s = strings.TrimSpace(s)
	end := strings.IndexFunc(s, func(r rune) bool { return (r < '0' || r > '9') && r != '.' })
	if end <= 0 {
		return 0, false
	}
	v, err := strconv.ParseFloat(s[:end], 64)
	if err != nil {
		return 0, false
	}
	m, f := measure.Of(measure.Length, measure.Typed{Value: v, Unit: strings.TrimSpace(s[end:])}, "")
	return m.SI * 1000, f == nil
}
