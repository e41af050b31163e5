package exchange

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"spindlebook/internal/fault"
)

// MaxListed is how many errors, and how many warnings, are told one by one; the
// others are counted.
const MaxListed = 1000

// saying is something about a cell, a row or a sheet.
type saying struct {
	order  int // of the sheet in the file
	sheet  string
	row    int
	place  int    // of the column, from 1; 0 where none is to blame
	column string // its heading as it is in the file
	value  string
	rule   string
	says   string
	zone   string // of the site that it is about
}

// field names the cell as a spreadsheet does: units!F17.
func (s saying) field() string {
	switch {
	case s.row == 0:
		return s.sheet
	case s.place == 0:
		return fmt.Sprintf("%s!%d", s.sheet, s.row)
	}
	return fmt.Sprintf("%s!%s%d", s.sheet, letters(s.place-1), s.row)
}

// sayings gathers them within a bound.
type sayings struct {
	errors, warnings int
	listed, warned   []saying
	byRule, byCare   map[string]int
}

func newSayings() *sayings { return &sayings{byRule: map[string]int{}, byCare: map[string]int{}} }

func (s *sayings) err(it saying) {
	s.errors++
	s.byRule[it.rule]++
	if len(s.listed) < MaxListed {
		s.listed = append(s.listed, it)
	}
}

func (s *sayings) warn(it saying) {
	s.warnings++
	s.byCare[it.rule]++
	if len(s.warned) < MaxListed {
		s.warned = append(s.warned, it)
	}
}

func sorted(all []saying) []saying {
	slices.SortStableFunc(all, func(a, b saying) int {
		return cmp.Or(cmp.Compare(a.order, b.order), strings.Compare(a.sheet, b.sheet), cmp.Compare(a.row, b.row), cmp.Compare(a.place, b.place))
	})
	return all[:min(len(all), MaxListed)]
}

// Said is a warning about a cell.
type Said struct {
	Field  string // units!F17
	Sheet  string
	Row    int
	Column string // the heading, where a cell is to blame
	Value  string
	Rule   string // its short name, by which they are counted
	Says   string
	Zone   string // of the site that it is about, where one is; instants in Says are UTC
}

func (s saying) out() Said {
	return Said{Zone: s.zone, Field: s.field(), Sheet: s.sheet, Row: s.row, Column: s.column, Value: shortened(s.value), Rule: s.rule, Says: s.says}
}

func shortened(s string) string {
	if r := []rune(s); len(r) > 80 {
		return string(r[:77]) + "..."
	}
	return s
}

func tallies(by map[string]int) []fault.Tally {
	var all []fault.Tally
	for rule, n := range by {
		all = append(all, fault.Tally{Rule: rule, Count: n})
	}
	slices.SortFunc(all, func(a, b fault.Tally) int {
		return cmp.Or(cmp.Compare(b.Count, a.Count), strings.Compare(a.Rule, b.Rule))
	})
	return all
}

// fault gives the errors as one answer, or nil.
func (s *sayings) fault() error {
	if s.errors == 0 {
		return nil
	}
	f := &fault.Error{Kind: fault.Invalid, Tallies: tallies(s.byRule)}
	for _, it := range sorted(s.listed) {
		f.Parts = append(f.Parts, fault.Part{Field: it.field(), Value: shortened(it.value), Msg: it.says, Sheet: it.sheet, Row: it.row, Column: it.column, Rule: it.rule})
	}
	f.Msg = fmt.Sprintf("%d errors stand in the way, and nothing was changed", s.errors)
	if s.errors == 1 {
		f.Msg = "one error stands in the way, and nothing was changed"
	}
	if s.errors > len(f.Parts) {
		f.Msg += fmt.Sprintf("; the first %d are listed", len(f.Parts))
	}
	return f
}
