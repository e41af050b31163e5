package supply

import (
	"math"
	"slices"
	"strconv"
	"strings"

	"spindlebook/internal/fault"
)

// Winding is how the coils of a motor stand to each other.
type Winding string

// Unknown is what holds until somebody looked or measured.
const (
	Unknown Winding = ""
	Wye     Winding = "wye" // also called star
	Delta   Winding = "delta"
)

// Plate is what somebody copied from a motor's nameplate, as text. What could
// not be read stays empty.
type Plate struct {
	Voltages string // "208-230/460", "575", "230/400 50 Hz; 265/460 60 Hz"
	Phases   string // "1" or "3"
	Hertz    string // "50", "60" or "50/60"; may stand with the voltages instead
	Leads    string // how many come out of the motor
	Winding  string // "wye", "star", "delta"; empty or "unknown" where nobody knows
}

// Nameplate is a plate that was understood. Its zero values are what is not
// known: no ratings, no phases, no leads, winding Unknown.
type Nameplate struct {
	Ratings []Rating
	Phases  int
	Leads   int
	Winding Winding
}

// Rating is the voltages that a plate marks for one frequency, or for those
// that it gives together.
type Rating struct {
	// Sets holds the marks in rising order, one set for each way in which the
	// leads can be joined. 208-230/460 has two: {208, 230} and {460}.
	Sets  [][]float64
	Hertz []int // empty where the plate's frequency was not read
}

// The register takes supplies from 1 to 1000 V; so do we.
const leastVolts, mostVolts = 1, 1000

// widest is how far apart the ends of a range such as 208-230 may lie. Beyond
// it two voltages are meant, which are written with a slash.
const widest = 1.3

// mostLeads is above anything that a motor of a wash has.
const mostLeads = 24

// Read understands a plate, or names every field that it cannot.
func Read(p Plate) (Nameplate, error) {
	var n Nameplate
	ratings, badVolts := readVoltages(p.Voltages)
	hertz, badHertz := readHertz(p.Hertz)
	n.Ratings = ratings
	if badVolts == nil && badHertz == nil && len(hertz) > 0 {
		badHertz = n.agree(hertz, p.Hertz)
	}
	var badPhases, badLeads, badWinding *fault.Error
	n.Phases, badPhases = readPhases(p.Phases)
	n.Leads, badLeads = readLeads(p.Leads)
	n.Winding, badWinding = readWinding(p.Winding)
	if err := fault.Collect(badVolts, badPhases, badHertz, badLeads, badWinding); err != nil {
		return Nameplate{}, err
	}
	return n, nil
}

// agree takes the plate's frequency for the voltages that stand without one,
// and refuses it where the voltages name others.
func (n *Nameplate) agree(hertz []int, typed string) *fault.Error {
	if len(n.Ratings) == 0 { // no voltage yet, but the frequency is not lost
		n.Ratings = []Rating{{Hertz: hertz}}
		return nil
	}
	var marked []int
	for _, r := range n.Ratings {
		marked = append(marked, r.Hertz...)
	}
	if len(marked) == 0 {
		n.Ratings[0].Hertz = hertz
		return nil
	}
	slices.Sort(marked)
	if !slices.Equal(marked, hertz) {
		return fault.Field("hertz", typed, "must be the same as the hertz that stand with the voltages, or stay empty")
	}
	return nil
}

// Voltages writes the marks as Read takes them.
func (n Nameplate) Voltages() string {
	var parts []string
	for _, r := range n.Ratings {
		if len(r.Sets) == 0 {
			continue
		}
		s := r.marks()
		if len(r.Hertz) > 0 {
			s += " " + hertzText(r.Hertz) + " Hz"
		}
		parts = append(parts, s)
	}
	return strings.Join(parts, "; ")
}

func (r Rating) marks() string {
	var sets []string
	for _, set := range r.Sets {
		var marks []string
		for _, v := range set {
			marks = append(marks, strconv.FormatFloat(v, 'f', -1, 64))
		}
		sets = append(sets, strings.Join(marks, "-"))
	}
	return strings.Join(sets, "/")
}

func hertzText(hertz []int) string {
	var s []string
	for _, h := range hertz {
		s = append(s, strconv.Itoa(h))
	}
	return strings.Join(s, "/")
}

// plain makes one spelling of what plates and keyboards offer.
var plain = strings.NewReplacer("–", "-", "—", "-", "−", "-", "‑", "-", "\u00a0", " ", "\u202f", " ", ",", ";")

func clean(s string) string { return strings.ToLower(strings.TrimSpace(plain.Replace(s))) }

const voltagesRule = "is written as on the plate: a slash between voltages, a dash within a range, such as 208-230/460; " +
	"where they differ by frequency, 230/400 50 Hz; 265/460 60 Hz"

func readVoltages(typed string) ([]Rating, *fault.Error) {
	s := clean(typed)
	if s == "" {
		return nil, nil
	}
	bad := fault.Field("voltages", typed, voltagesRule)
	parts := strings.Split(s, ";")
	if len(parts) > 2 { // 50 Hz and 60 Hz
		return nil, bad
	}
	var ratings []Rating
	seen := map[int]bool{}
	for _, part := range parts {
		var r Rating
		part = strings.TrimSpace(part)
		if volts, ok := strings.CutSuffix(part, "hz"); ok {
			volts = strings.TrimSpace(volts)
			i := strings.LastIndex(volts, " ")
			if i < 0 {
				return nil, bad
			}
			hertz, bad2 := readHertz(volts[i:])
			if bad2 != nil {
				return nil, bad
			}
			r.Hertz, part = hertz, volts[:i]
		} else if len(parts) > 1 {
			return nil, bad // two lists of voltages and no telling when which holds
		}
		for _, h := range r.Hertz {
			if seen[h] {
				return nil, bad
			}
			seen[h] = true
		}
		if r.Sets = readSets(part); r.Sets == nil {
			return nil, bad
		}
		ratings = append(ratings, r)
	}
	return ratings, nil
}

// readSets reads "208-230/460". It gives nil where that cannot be read.
func readSets(s string) [][]float64 {
	var sets [][]float64
	for one := range strings.SplitSeq(s, "/") {
		var set []float64
		for end := range strings.SplitSeq(unit(one), "-") {
			v, ok := number(unit(end))
			if !ok || v < leastVolts || v > mostVolts {
				return nil
			}
			set = append(set, v)
		}
		if len(set) > 2 || len(set) == 2 && (set[1] <= set[0] || set[1] > widest*set[0]) {
			return nil
		}
		sets = append(sets, set)
	}
	slices.SortFunc(sets, func(a, b []float64) int { return int(math.Copysign(1, a[0]-b[0])) })
	for i := 1; i < len(sets); i++ {
		if sets[i][0] <= sets[i-1][len(sets[i-1])-1] {
			return nil
		}
	}
	// Some plates print 208/230/460. No links make a winding for 208 V out of
	// one for 230 V, so that the first two are one set.
	if len(sets) == 3 && len(sets[0]) == 1 && len(sets[1]) == 1 && sets[1][0] <= 1.16*sets[0][0] && double(sets[1][0], sets[2]) {
		sets = [][]float64{{sets[0][0], sets[1][0]}, sets[2]}
	}
	if len(sets) > 4 {
		return nil
	}
	return sets
}

// unit takes the V away that may stand behind a voltage.
func unit(s string) string {
	s = strings.TrimSpace(s)
	for _, u := range []string{"volts", "volt", "vac", "v"} {
		if rest, ok := strings.CutSuffix(s, u); ok {
			return strings.TrimSpace(rest)
		}
	}
	return s
}

// number reads digits and at most one point: no sign, no exponent, no "inf".
func number(s string) (float64, bool) {
	if s == "" || len(s) > 8 || strings.Trim(s, "0123456789.") != "" {
		return 0, false
	}
	v, err := strconv.ParseFloat(s, 64)
	return v, err == nil
}

func readHertz(typed string) ([]int, *fault.Error) {
	s := strings.TrimSpace(strings.TrimSuffix(clean(typed), "hz"))
	if s == "" {
		return nil, nil
	}
	var hertz []int
	for _, one := range strings.FieldsFunc(s, func(r rune) bool { return r == '/' || r == '-' }) {
		switch strings.TrimSpace(one) {
		case "50":
			hertz = append(hertz, 50)
		case "60":
			hertz = append(hertz, 60)
		default:
			return nil, fault.Field("hertz", typed, "is 50, 60 or 50/60")
		}
	}
	slices.Sort(hertz)
	if len(hertz) == 0 || len(slices.Compact(slices.Clone(hertz))) != len(hertz) {
		return nil, fault.Field("hertz", typed, "is 50, 60 or 50/60")
	}
	return hertz, nil
}

func readPhases(typed string) (int, *fault.Error) {
	switch clean(typed) {
	case "":
		return 0, nil
	case "1", "1~", "1 ph", "1ph":
		return 1, nil
	case "3", "3~", "3 ph", "3ph":
		return 3, nil
	}
	return 0, fault.Field("phases", typed, "is 1 or 3")
}

func readLeads(typed string) (int, *fault.Error) {
	s := clean(typed)
	if s == "" {
		return 0, nil
	}
	n, err := strconv.Atoi(s)
	if err != nil || n < 1 || n > mostLeads {
		return 0, fault.Field("leads", typed, "is how many leads come out of the motor, 1 to %d", mostLeads)
	}
	return n, nil
}

func readWinding(typed string) (Winding, *fault.Error) {
	switch clean(typed) {
	case "", "unknown":
		return Unknown, nil
	case "wye", "star", "y":
		return Wye, nil
	case "delta", "d", "δ":
		return Delta, nil
	}
	return Unknown, fault.Field("winding", typed, "is wye, delta or unknown")
}
