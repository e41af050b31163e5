package pm

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"github.com/google/uuid"

	"spindlebook/internal/calendar"
	"spindlebook/internal/fault"
	"spindlebook/internal/measure"
)

// Answer is what somebody found when they looked at a check.
type Answer struct {
	Check      string     // its code
	PositionID *uuid.UUID // where work is done at several positions
	Found      string     // as found, as typed
	Left       string     // as left, where something was put right
	Unit       string     // as typed; "" is the check's own
	// NotPossible says why it could not be looked at. It is an answer too.
	NotPossible string
	PhotoID     *uuid.UUID
	Note        string
	Sure        bool // that a number is meant though it looks as typed in another unit
}

// The verdicts on an answer. Only as-found decides: what was found bad and left
// good is a finding.
const (
	Good      = "good"
	Warn      = "warn"
	Fail      = "fail"
	NotJudged = "not judged"
)

// judged is an answer as it is kept.
type judged struct {
	check         *Check
	found, left   *float64
	foundTyped    string
	leftTyped     string
	verdict, says string
}

// judge reads an answer and holds it against the limits of the check's version. A
// number equal to a limit is within it: "below 75" passes at 75.
func (c *Check) judge(a Answer, field string) (judged, *fault.Error) {
	j := judged{check: c, verdict: NotJudged}
	if strings.TrimSpace(a.NotPossible) != "" {
		if a.Found != "" || a.Left != "" || a.PhotoID != nil {
			return j, fault.Field(field+".not_possible", a.NotPossible, "is given instead of a value")
		}
		j.says = c.Prompt + ": not possible, " + a.NotPossible
		return j, nil
	}
	found := strings.TrimSpace(a.Found)
	if found == "" && (c.Kind != "photo" || a.PhotoID == nil) {
		return j, fault.Field(field+".found", "", "is needed, or not_possible with the reason")
	}
	switch c.Kind {
	case "number":
		v, typed, bad := c.number(found, a.Unit, a.Sure, field+".found")
		if bad != nil {
			return j, bad
		}
		j.found, j.foundTyped = &v, typed
		if strings.TrimSpace(a.Left) != "" {
			l, typed, bad := c.number(a.Left, a.Unit, true, field+".left")
			if bad != nil {
				return j, bad
			}
			j.left, j.leftTyped = &l, typed
		}
		j.verdict, j.says = c.limits(v, typed)
		return j, nil
	case "choice", "pass_fail":
		at := slices.Index(c.Options, found)
		if at < 0 {
			return j, fault.Field(field+".found", found, "is one of %s", strings.Join(c.Options, ", "))
		}
		if left := strings.TrimSpace(a.Left); left != "" && !slices.Contains(c.Options, left) {
			return j, fault.Field(field+".left", left, "is one of %s", strings.Join(c.Options, ", "))
		}
		j.foundTyped, j.leftTyped = found, strings.TrimSpace(a.Left)
		switch {
		case at == len(c.Options)-1:
			j.verdict = Fail
		case at > 0:
			j.verdict = Warn
		default:
			j.verdict = Good
		}
		if j.verdict != Good {
			j.says = c.Prompt + ": " + strings.ReplaceAll(found, "_", " ")
		}
		return j, nil
	case "date":
		if _, bad := calendar.ParseDate(found, field+".found"); bad != nil {
			return j, bad
		}
	case "meter":
		if v, err := strconv.ParseFloat(found, 64); err != nil || math.IsNaN(v) || math.IsInf(v, 0) || v < 0 {
			return j, fault.Field(field+".found", found, "is what the counter shows: digits with a point")
		}
	}
	j.foundTyped = found
	return j, nil
}

// number reads a number in the unit of the check.
func (c *Check) number(text, unit string, sure bool, field string) (float64, string, *fault.Error) {
	text = strings.TrimSpace(text)
	v, err := strconv.ParseFloat(strings.Replace(text, ",", ".", 1), 64)
	if err != nil || math.IsNaN(v) || math.Abs(v) > 1e12 {
		return 0, "", fault.Field(field, text, "is a number in %s", c.unit())
	}
	if unit == "" || unit == c.Unit {
		if other, in, ok := c.elsewhere(v); ok && !sure {
			return 0, "", fault.Field(field, text, "looks as if it was read in %s: %s %s would be %s %s; give the unit, or say that you are sure of %s %s",
				other, text, other, strconv.FormatFloat(in, 'g', 4, 64), c.Unit, text, c.Unit)
		}
		return v, strings.TrimSpace(text + " " + c.Unit), nil
	}
	in, ok := measure.Convert(v, unit, c.Unit)
	if !ok {
		return 0, "", fault.Field(field, unit, "is no unit for this; it takes %s", c.unit())
	}
	return math.Round(in*1e6) / 1e6, text + " " + unit, nil
}

func (c *Check) unit() string {
	if c.Unit == "" {
		return "no unit"
	}
	return c.Unit
}

// elsewhere tells whether a value that fails would be good in another unit of the
// same kind that is in use beside the check's own.
func (c *Check) elsewhere(v float64) (unit string, in float64, ok bool) {
	if verdict, _ := c.limits(v, ""); verdict != Fail {
		return "", 0, false
	}
	other := map[string]string{"mm": "in", "in": "mm", "psi": "bar", "bar": "psi", "N": "lbf", "N.m": "lbf.ft", "C": "F", "L": "gal"}[c.Unit]
	if other == "" {
		return "", 0, false
	}
	in, _ = measure.Convert(v, other, c.Unit)
	verdict, _ := c.limits(in, "")
	most := 0.0
	for _, l := range []*float64{c.WarnLow, c.WarnHigh, c.FailLow, c.FailHigh} {
		if l != nil {
			most = max(most, math.Abs(*l))
		}
	}
	return other, in, verdict == Good && math.Abs(in) <= 3*most
}

func (c *Check) limits(v float64, typed string) (verdict, says string) {
	limit := func(l float64) string {
		return strings.TrimSpace(strconv.FormatFloat(l, 'g', -1, 64) + " " + c.Unit)
	}
	for _, s := range []struct {
		low, high *float64
		verdict   string
	}{{c.FailLow, c.FailHigh, Fail}, {c.WarnLow, c.WarnHigh, Warn}} {
		switch {
		case s.low != nil && v < *s.low:
			return s.verdict, fmt.Sprintf("%s: %s, at least %s", c.Prompt, typed, limit(*s.low))
		case s.high != nil && v > *s.high:
			return s.verdict, fmt.Sprintf("%s: %s, at most %s", c.Prompt, typed, limit(*s.high))
		}
	}
	if c.WarnLow == nil && c.WarnHigh == nil && c.FailLow == nil && c.FailHigh == nil {
		return NotJudged, ""
	}
	return Good, ""
}

// action is what follows from a verdict.
func (j judged) action() Action {
	switch j.verdict {
	case Fail:
		return j.check.OnFail
	case Warn:
		return j.check.OnWarn
	}
	return Action{}
}
