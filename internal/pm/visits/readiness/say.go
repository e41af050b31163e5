package readiness

import (
	"cmp"
	"fmt"
	"strings"
)

// says tells the verdicts in one sentence, the good news first.
func says(jobs []Judgement) string {
	if len(jobs) == 0 {
		return "nothing to do"
	}
	var go_ []string
	var rest []string
	for v := AfterWork; v <= NoGo; v++ {
		for i := range jobs {
			switch j := &jobs[i]; {
			case j.Verdict == Go && v == AfterWork:
				go_ = append(go_, j.Job)
			case j.Verdict != v:
			case v == AfterWork:
				rest = append(rest, j.Job+" goes after "+worked(j.Work))
			case v == CannotTell:
				rest = append(rest, "nobody can tell whether "+j.Job+" goes: "+unknown(j.Missing))
			default:
				rest = append(rest, j.Job+" does not go: "+strings.Join(j.Against, "; "))
			}
		}
	}
	switch {
	case len(go_) == 1:
		rest = append([]string{go_[0] + " goes"}, rest...)
	case len(go_) > 1:
		n := len(go_) - 1
		rest = append([]string{strings.Join(go_[:n], ", ") + " and " + go_[n] + " go"}, rest...)
	}
	return strings.Join(rest, "; ")
}

func worked(work []Prepared) string {
	var s []string
	for _, w := range work {
		s = append(s, fmt.Sprintf("%d minutes at the bench by %s (%s)", w.Minutes, w.Who, w.What))
	}
	return strings.Join(s, " and ")
}

func unknown(missing []Missing) string {
	var s []string
	for _, m := range missing {
		s = append(s, fmt.Sprintf("%s (%s)", m.Fact, cmp.Or(m.How, "ask")))
	}
	return strings.Join(s, ", ")
}

// amount writes what is needed: "4", "25 g", "0.25 L".
func (n *Need) amount() string { return strings.TrimSpace(n.bare(n.Amount) + " " + n.Unit) }

// bare writes an amount without its unit.
func (n *Need) bare(x int64) string {
	per := max(n.Per, 1)
	s := fmt.Sprint(x / per)
	if rest := x % per; rest != 0 {
		s += strings.TrimRight(fmt.Sprintf(".%0*d", len(fmt.Sprint(per))-1, rest), "0")
	}
	return s
}
