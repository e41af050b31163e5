package exchange

import "strings"

// Sheet tells of a kind of sheet which columns it may have, for pages and for docs/sheets.md.
type Sheet struct {
	Kind    string
	Columns []Column
}

// Column is a column that a kind of sheet may have. Case, blanks, hyphens and
// underscores in a heading do not count.
type Column struct {
	Name   string
	Also   []string // other headings that are taken
	Needed bool     // in every row
	Takes  string   // what its cells hold, in words
}

// Sheets describes every kind of sheet, in the order in which they build on one another.
func Sheets() []Sheet {
	all := make([]Sheet, len(kinds))
	for i, k := range kinds {
		all[i].Kind = k.name
		for _, h := range k.heads {
			all[i].Columns = append(all[i].Columns, Column{Name: h.name, Also: h.also, Needed: h.need, Takes: h.takes()})
		}
	}
	return all
}

func (h head) takes() string {
	switch h.as {
	case asYes:
		return "yes or no"
	case asWhole:
		return "a whole number"
	case asNumber:
		return "a number"
	case asLength:
		return "a length with its unit: 33.5 m, 1-3/8 in"
	case asSpeed:
		return "a speed with its unit: 20 ft/min"
	case asDate:
		return "a date, perhaps with a time"
	case asDated:
		return "a date, a month or a year, or unknown"
	case asClock:
		return "a time of day: 03:00"
	case asZone:
		return "a time zone: America/Chicago"
	case asList:
		return "texts with semicolons between them"
	case asFact:
		return "the name of a kind of fact"
	case asValue:
		return "what the fact takes: a choice, a text, or a length with its unit"
	case asPosKind:
		return "the name of a kind of position"
	case asClass:
		return "the name of a class of component"
	case asHow:
		return "measured, read off plate, seen, told, drawing or assumed; told where blank"
	case asSerial:
		return "a text; give the column the format Text, so that leading zeros stay"
	case asCode:
		return strings.TrimPrefix(h.says, "takes ")
	case asChoice:
		return strings.TrimPrefix(h.says, "is one of ")
	}
	if h.says != "" {
		return strings.TrimPrefix(h.says, "takes ")
	}
	return "a text"
}
