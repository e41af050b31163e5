package exchange

import (
	"regexp"
	"slices"
	"strings"
)

// reading says how the cells of a column are read.
type reading int

const (
	asText    reading = iota
	asSerial          // a text of which a spreadsheet may have made a number
	asCode            // in capital letters
	asChoice          // one of some words
	asYes             // yes or no
	asWhole           // a whole number
	asNumber          // any number
	asLength          // a number with its unit
	asSpeed           //
	asDate            // a date that keeps no precision
	asDated           // a date that keeps its precision
	asClock           // a time of day
	asZone            // the name of a time zone
	asList            // several texts with semicolons between them
	asFact            // the name or code of a kind of fact
	asValue           // what the fact of the row takes
	asPosKind         // the name or code of a kind of position
	asClass           // the name or code of a class of component
	asHow             // how somebody knows
)

// head is a column that a kind of sheet may have.
type head struct {
	name    string   // as exports write it; with underscores, the column of the staging table
	also    []string // what else people write
	as      reading
	need    bool // every row must have it
	form    *regexp.Regexp
	says    string   // the rule of the form, or what a choice may be
	choices []string // as they are recorded
}

func (h head) column() string { return strings.ReplaceAll(h.name, " ", "_") }

// sheetKind is a kind of sheet.
type sheetKind struct {
	name  string
	also  []string // other names of a sheet of it
	marks []string // at least one of these heads tells it from other kinds
	heads []head
}

func (k *sheetKind) head(name string) (head, bool) {
	i := slices.IndexFunc(k.heads, func(h head) bool { return h.name == name })
	if i < 0 {
		return head{}, false
	}
	return k.heads[i], true
}

var (
	shortCode    = regexp.MustCompile(`^[A-Z0-9][A-Z0-9-]{0,15}$`)
	longCode     = regexp.MustCompile(`^[A-Z0-9][A-Z0-9-]{0,23}$`)
	positionCode = regexp.MustCompile(`^[A-Z0-9][A-Z0-9/-]{0,31}$`)
	partNumber   = regexp.MustCompile(`^[A-Z0-9][A-Z0-9./-]{0,31}$`)
	supplyCode   = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9 ._-]{0,31}$`)
	currency     = regexp.MustCompile(`^[A-Z]{3}$`)
	pattern      = regexp.MustCompile(`^[AB]{1,200}$`)
)

const (
	shortSays    = "takes 1 to 16 letters, digits and hyphens"
	longSays     = "takes 1 to 24 letters, digits and hyphens"
	positionSays = "takes 1 to 32 letters, digits, hyphens and slashes"
	partSays     = "takes 1 to 32 letters, digits and . / -"
)

func code(name string, form *regexp.Regexp, says string, also ...string) head {
	return head{name: name, also: also, as: asCode, form: form, says: says}
}

func needed(h head) head { h.need = true; return h }

func text(name string, also ...string) head { return head{name: name, also: also} }

func of(as reading, name string, also ...string) head { return head{name: name, also: also, as: as} }

func choice(name string, choices []string, also ...string) head {
	words := make([]string, len(choices))
	for i, c := range choices {
		words[i] = strings.ReplaceAll(c, "_", " ")
	}
	return head{name: name, also: also, as: asChoice, choices: choices, says: "is one of " + strings.Join(words, ", ")}
}

// reasons why a stay ends, and how somebody knows, as the record writes them.
var (
	reasons = []string{"failed", "limit_reached", "age", "precaution", "moved", "conversion", "impact", "loan_ended", "robbed", "fitted"}
	hows    = []string{"measured", "read_off_plate", "seen", "told", "drawing", "assumed"}
)

// kinds lists the kinds of sheet in the order in which they build on one
// another, and their columns in the order in which exports write them.
var kinds = []*sheetKind{
	{name: "customers", also: []string{"customer"}, marks: []string{"name", "needs order number"}, heads: []head{
		needed(code("customer", shortCode, shortSays, "customer code", "code")),
		text("name", "customer name"),
		of(asYes, "needs order number", "order number needed"),
	}},
	{name: "sites", also: []string{"site"}, marks: []string{"name", "address", "zone", "climate"}, heads: []head{
		needed(code("site", shortCode, shortSays, "site code", "code")),
		text("name", "site name"),
		code("customer", shortCode, shortSays, "customer code"),
		of(asDate, "owned since", "customer since"),
		text("address"),
		of(asNumber, "latitude", "lat"), of(asNumber, "longitude", "long", "lon", "lng"),
		of(asZone, "zone", "time zone"),
		code("currency", currency, "is a code of three letters by ISO 4217"),
		choice("climate", []string{"snowbelt", "mild_wet", "warm_dry"}),
		choice("size", []string{"small", "medium", "large"}, "size class"),
		choice("driver side", []string{"left", "right"}, "driver"),
		of(asClock, "day turns at"),
	}},
	{name: "owners", also: []string{"owner", "ownership", "ownerships"}, marks: []string{"from", "until"}, heads: []head{
		needed(code("site", shortCode, shortSays, "site code")),
		needed(code("customer", shortCode, shortSays, "customer code", "owner")),
		of(asDate, "from", "since", "owned since"), of(asDate, "until", "to"),
	}},
	{name: "supplies", also: []string{"supply"}, marks: []string{"volts", "phases", "hertz"}, heads: []head{
		needed(code("site", shortCode, shortSays, "site code")),
		needed(head{name: "supply", also: []string{"supply code", "code"}, form: supplyCode, says: "takes 1 to 32 letters, digits, spaces and . _ -"}),
		of(asNumber, "volts", "voltage"), of(asWhole, "phases"), of(asWhole, "hertz", "hz", "frequency"),
		of(asYes, "high leg"), of(asDate, "from", "since"), of(asDate, "until", "to"),
	}},
	{name: "lines", also: []string{"line"}, marks: []string{"site", "name", "length", "speed", "vehicles per hour"}, heads: []head{
		needed(code("line", longCode, longSays, "line code", "code")),
		code("site", shortCode, shortSays, "site code"),
		text("name", "line name"),
		of(asLength, "length"), of(asSpeed, "speed"), of(asWhole, "vehicles per hour", "cars per hour"),
		of(asDate, "since", "from", "built"),
	}},
	{name: "positions", also: []string{"position"}, marks: []string{"kind", "side", "along", "name", "twin", "aliases"}, heads: []head{
		needed(code("position", positionCode, positionSays, "position code", "code")),
		code("site", shortCode, shortSays, "site code"),
		code("line", longCode, longSays, "line code"),
		text("name", "position name"),
		of(asPosKind, "kind", "type"),
		choice("side", []string{"left", "right", "centre"}, "line side"),
		of(asLength, "along", "distance", "distance along"),
		text("supply", "supply code"),
		of(asList, "aliases", "alias", "also called"),
		code("twin", positionCode, positionSays),
		of(asDate, "since", "from", "built"),
		choice("first state", []string{"in_service", "parked", "empty", "retired"}, "state"),
	}},
	{name: "states", also: []string{"state"}, marks: []string{"from", "reason"}, heads: []head{
		needed(code("position", positionCode, positionSays, "position code")),
		needed(choice("state", []string{"in_service", "parked", "empty", "retired"})),
		of(asDate, "from", "since"),
		text("reason"),
	}},
	{name: "parts", also: []string{"part", "catalogue"}, marks: []string{"description", "class"}, heads: []head{
		needed(code("part", partNumber, partSays, "part number", "number", "part no")),
		text("description"),
		of(asClass, "class"),
	}},
	{name: "locations", also: []string{"location", "places"}, marks: []string{"name", "kind"}, heads: []head{
		needed(code("location", longCode, longSays, "location code", "code")),
		text("name", "location name"),
		choice("kind", []string{"warehouse", "van", "site_shelf", "bench", "quarantine", "returns", "in_transit", "supplier", "unexplained", "scrap"}, "type"),
		code("site", shortCode, shortSays, "site code"),
	}},
	{name: "units", also: []string{"unit"}, marks: []string{"part", "serial", "lot", "pattern", "owner", "start hours", "start vehicles", "start days"}, heads: []head{
		needed(code("unit tag", longCode, longSays, "tag", "unit", "label")),
		code("part", partNumber, partSays, "part number", "part no"),
		of(asSerial, "serial", "serial number", "serial no"),
		choice("owner", []string{"distributor", "consignment", "customer"}),
		code("owner customer", shortCode, shortSays),
		of(asSerial, "lot", "batch"),
		code("pattern", pattern, "is a row of A and B, one letter a section, from the bottom up"),
		of(asNumber, "start hours"), of(asWhole, "start vehicles"), of(asWhole, "start days"),
		// where it is: a stay of its own
		code("position", positionCode, positionSays), text("slot"), code("holder", longCode, longSays, "inside"),
		code("location", longCode, longSays),
		of(asDated, "since", "fitted since", "fitted", "there since"),
	}},
	{name: "facts", also: []string{"fact"}, marks: []string{"fact"}, heads: []head{
		code("position", positionCode, positionSays, "position code"),
		code("unit tag", longCode, longSays, "unit", "tag"),
		code("part", partNumber, partSays, "part number"),
		needed(of(asFact, "fact", "kind of fact")),
		of(asValue, "value"),
		of(asDate, "from", "since"), of(asDate, "until", "to"),
		of(asHow, "how", "how known"),
		of(asDate, "seen on", "seen at", "seen"), text("seen by"),
	}},
	{name: "stays", also: []string{"stay", "fitted", "history"}, marks: []string{"from", "until", "reason"}, heads: []head{
		needed(code("unit tag", longCode, longSays, "tag", "unit")),
		code("position", positionCode, positionSays, "position code"), text("slot"), code("holder", longCode, longSays, "inside"),
		code("location", longCode, longSays, "location code"),
		of(asDated, "from", "since", "fitted since", "fitted"),
		choice("from precision", []string{"instant", "day", "month", "year"}),
		of(asDated, "until", "removed", "to"),
		choice("until precision", []string{"instant", "day", "month", "year"}),
		choice("reason", reasons, "removed for", "ended for"),
		text("remark", "remarks", "note"),
	}},
}

// Kinds names the kinds of sheet, in the order in which they build on one another.
func Kinds() []string {
	names := make([]string, len(kinds))
	for i, k := range kinds {
		names[i] = k.name
	}
	return names
}

func kindOf(name string) *sheetKind {
	key := squeeze(name)
	for _, k := range kinds {
		if squeeze(k.name) == key || slices.ContainsFunc(k.also, func(a string) bool { return squeeze(a) == key }) {
			return k
		}
	}
	return nil
}

// squeeze leaves of a heading what counts: letters and digits, small.
func squeeze(s string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r >= 'A' && r <= 'Z':
			return r + 'a' - 'A'
		case r >= 'a' && r <= 'z', r >= '0' && r <= '9', r > 127 && r != '\u00a0' && r != '\ufeff' && r != '\u202f':
			return r
		}
		return -1
	}, s)
}

var unitOfHead = regexp.MustCompile(`[(\[]\s*([^)\]]*?)\s*[)\]]`)

// find gives the column that a heading names, and the unit in it: length (ft).
func (k *sheetKind) find(heading string) (h head, unit string, ok bool) {
	if len(heading) > 200 {
		return head{}, "", false // a text, and no heading
	}
	if m := unitOfHead.FindStringSubmatch(heading); m != nil {
		if _, known := unitWords[strings.ToLower(m[1])]; known {
			unit = strings.ToLower(m[1])
		}
		heading = strings.Replace(heading, m[0], "", 1)
	}
	h, ok = byHeading[k][squeeze(heading)]
	return h, unit, ok
}

// byHeading finds a column of a kind by what is left of a heading.
var byHeading = func() map[*sheetKind]map[string]head {
	all := map[*sheetKind]map[string]head{}
	for _, k := range kinds {
		all[k] = map[string]head{}
		for _, h := range k.heads {
			all[k][squeeze(h.name)] = h
		}
		for _, h := range k.heads {
			for _, also := range h.also {
				if _, taken := all[k][squeeze(also)]; !taken {
					all[k][squeeze(also)] = h
				}
			}
		}
	}
	return all
}()

// nearest gives the name of the column that a heading is most like.
func (k *sheetKind) nearest(heading string) string {
	key, best, least := squeeze(heading), "", 1<<30
	for _, h := range k.heads {
		for _, name := range append([]string{h.name}, h.also...) {
			if d := distance(key, squeeze(name)); d < least {
				best, least = h.name, d
			}
		}
	}
	return best
}

// distance counts the letters to change, add or leave out between two words.
func distance(a, b string) int {
	if len(a) > 64 {
		a = a[:64]
	}
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(b) {
			change := diagonal
			if a[i] != b[j] {
				change++
			}
			diagonal = row[j+1]
			row[j+1] = min(change, row[j]+1, row[j+1]+1)
		}
	}
	return row[len(b)]
}

// fit is how well a row of cells fits as the heads of a kind.
type fit struct {
	kind           *sheetKind
	known, unknown int
	whole          bool // what must be there is, and what marks the kind
}

func (k *sheetKind) fit(row []string) fit {
	f := fit{kind: k}
	has := map[string]bool{}
	for _, c := range row {
		if strings.TrimSpace(c) == "" {
			continue
		}
		if h, _, ok := k.find(c); ok && !has[h.name] {
			has[h.name] = true
			f.known++
		} else {
			f.unknown++
		}
	}
	f.whole = slices.ContainsFunc(k.marks, func(m string) bool { return has[m] })
	for _, h := range k.heads {
		if h.need && !has[h.name] {
			f.whole = false
		}
	}
	return f
}

// better orders two fits: the whole one, then that with fewer unknown heads.
func (f fit) better(g fit) bool {
	if f.whole != g.whole {
		return f.whole
	}
	if f.known-f.unknown != g.known-g.unknown {
		return f.known-f.unknown > g.known-g.unknown
	}
	return false
}

// recognise finds the row of heads among the first rows of a sheet. named is
// its kind where somebody says it. rival is another kind that fits as well.
func recognise(rows [][]string, named *sheetKind) (at int, best fit, rival *sheetKind) {
	at = -1
	for i, row := range rows {
		for _, k := range kinds {
			if named != nil && k != named {
				continue
			}
			f := k.fit(row)
			if f.known == 0 || f.known < f.unknown {
				continue
			}
			switch {
			case at < 0 || f.better(best):
				at, best, rival = i, f, nil
			case at == i && !best.better(f):
				rival = f.kind
			}
		}
	}
	return at, best, rival
}
