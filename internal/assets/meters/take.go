package meters

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
)

// MaxBatch is how many readings Take accepts at once.
const MaxBatch = 20_000

// Sources are the ways in which a reading came about.
var Sources = []string{"eye", "photo", "controller", "gateway", "estimate", "computed"}

// NewReading is what somebody or something saw on a meter.
type NewReading struct {
	MeterID uuid.UUID // or
	Meter   string    // its code
	At      time.Time // when it was seen, not when it was typed
	Value   string    // as seen: digits with a point
	Unit    string    // "" is what the counter shows: h, min, s, vehicles or cycles
	Source  string    // "" is eye, or gateway from a gateway
}

// What became of a reading.
const (
	Took             = "taken"
	AlreadyThere     = "already_there"     // the same value at the same instant is recorded
	Conflicts        = "conflict"          // another value is recorded at that instant; nothing was kept
	NeedsExplanation = "needs_explanation" // kept and marked: it moves no total until somebody says what is behind it
	Quarantined      = "quarantined"       // the same from a gateway or controller, or seen at an impossible time
	Refused          = "refused"           // it breaks a rule; nothing was kept
)

// Taken says what became of one reading.
type Taken struct {
	Outcome string
	// ReadingID is the reading as it is recorded: the new one, or for AlreadyThere
	// and Conflicts the one that stands there. Nil where it was refused.
	ReadingID uuid.UUID
	Doubt     string       `json:",omitempty"` // why it needs an explanation
	Says      string       `json:",omitempty"` // one sentence: a warning, or what does not fit
	Recorded  string       `json:",omitempty"` // for Conflicts: the value that is recorded
	Offers    []Offer      `json:",omitempty"` // for NeedsExplanation and Quarantined
	Fault     *fault.Error `json:",omitempty"` // for Refused and Conflicts: field, value and rule
}

// taking is a meter whose readings are being taken.
type taking struct {
	ID          uuid.UUID
	SiteID      uuid.UUID
	Code        string
	Kind        string
	Unit        Unit
	MostPerHour *int
	OpenMinutes *int
	CompanionID *uuid.UUID // the vehicles of its line, for a meter of run hours
	LatestAt    *time.Time
	LastAt      *time.Time
	LastValue   *int64
	GrewAt      *time.Time
	Spans       *string
	Segments    string
	runs        []segment   `gorm:"-"`
	spans       [][2]*int64 `gorm:"-"`
	bound       bound       `gorm:"-"`
	last        *counted    `gorm:"-"`
	latest      time.Time   `gorm:"-"`
	grew        *time.Time  `gorm:"-"`
	moved       *time.Time  `gorm:"-"` // the earliest instant whose total moved
	touched     bool        `gorm:"-"`
	newest      *item       `gorm:"-"`
	accepted    *counted    `gorm:"-"` // the latest of this batch that counts
}

// ready reads what the database gave as documents.
func (m *taking) ready() error {
	if err := json.Unmarshal([]byte(m.Segments), &m.runs); err != nil {
		return fmt.Errorf("the runs of meter %s: %w", m.Code, err)
	}
	if m.Spans != nil {
		if err := json.Unmarshal([]byte(*m.Spans), &m.spans); err != nil {
			return fmt.Errorf("the spans of meter %s: %w", m.Code, err)
		}
	}
	if len(m.runs) == 0 {
		return fmt.Errorf("meter %s has no run", m.Code)
	}
	m.bound = boundOf(m.Unit, m.MostPerHour, m.OpenMinutes, m.runs[len(m.runs)-1].Decimals)
	if m.LastAt != nil {
		m.last = &counted{*m.LastAt, *m.LastValue}
	}
	if m.LatestAt != nil {
		m.latest = *m.LatestAt
	}
	m.grew = m.GrewAt
	return nil
}

// boundOf gives how much a meter can grow: run hours no faster than the clock,
// vehicles no faster than the line with some margin while it is open, cycles as
// somebody said.
func boundOf(u Unit, perHour, openMinutes *int, decimals int) bound {
	b := bound{unit: u, step: 1}
	switch u {
	case Hours:
		b.perHour, b.step = 3600, 3600/int64(math.Pow10(decimals))
	case Vehicles:
		b.perHour = unrated * marginOverRated
		if perHour != nil {
			b.perHour = float64(*perHour) * marginOverRated
		}
		if openMinutes != nil {
			b.openMinutes = *openMinutes
		}
	case Cycles:
		if perHour != nil {
			b.perHour = float64(*perHour) * marginOverRated
		}
	}
	return b
}

// theirs tells whether an instant lies in a time that is the actor's.
func (m *taking) theirs(at time.Time) bool {
	if m.Spans == nil {
		return true
	}
	us := at.UnixMicro()
	return slices.ContainsFunc(m.spans, func(s [2]*int64) bool { return (s[0] == nil || *s[0] <= us) && (s[1] == nil || us < *s[1]) })
}

// item is one reading on its way.
type item struct {
	place  int
	m      *taking
	at     time.Time
	value  int64
	typed  string
	source string
	state  string
	doubt  string
	id     uuid.UUID
	// as the database has it
	same   *neighbourRow
	before *counted
	after  *counted
}

type neighbourRow struct {
	N           int
	SameID      *uuid.UUID
	SameValue   *int64
	SameState   *string
	BeforeAt    *time.Time
	BeforeValue *int64
	AfterAt     *time.Time
	AfterValue  *int64
}

// Nothing can be there that was not looked at: the meters are locked. So there is
// no "on conflict", which would look into the index a second time for each row.
const insertReadings = `
insert into reading (id, meter_id, site_id, at, value, typed, source, state, doubt, received_at, recorded_by)
select id, meter_id, site_id, at, value, typed, source, state, nullif(doubt, ''), cast(@now as timestamptz), cast(@who as uuid)
  from unnest(cast(@ids as uuid[]), cast(@meters as uuid[]), cast(@sites as uuid[]), cast(@ats as timestamptz[]), cast(@values as bigint[]),
              cast(@typed as text[]), cast(@sources as text[]), cast(@states as text[]), cast(@doubts as text[]))
    as r(id, meter_id, site_id, at, value, typed, source, state, doubt)`

// Take records what was seen on meters: one reading or many, item by item, in a
// number of statements that does not grow with them. Readings of one call are a
// set: they are looked at in the order in which they were seen. What fits counts
// at once; what does not is kept and marked; what breaks a rule is refused; none
// of it stops the others. The meters stay locked until the transaction ends, so
// that of two who send the same at once the second finds what the first took.
func Take(tx *gorm.DB, who access.Actor, now time.Time, in []NewReading) ([]Taken, error) {
	if err := who.Must(access.ReadCounters); err != nil {
		return nil, err
	}
	if len(in) > MaxBatch {
		return nil, &fault.Error{Kind: fault.TooLarge, Field: "items", Msg: fmt.Sprintf("takes at most %d readings at once", MaxBatch)}
	}
	out := make([]Taken, len(in))
	byID, byCode, err := toTake(tx, in, true)
	if err != nil {
		return nil, err
	}
	var counts, hours []*item // vehicles first: run hours are judged beside them
	for i := range in {
		it, bad := readItem(who, in[i], byID, byCode)
		if bad != nil {
			out[i] = refused(bad)
			continue
		}
		it.place = i
		if it.m.Unit == Hours {
			hours = append(hours, it)
		} else {
			counts = append(counts, it)
		}
	}
	for _, phase := range [][]*item{counts, hours} {
		if err := takePhase(tx, who, now, phase, out); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// Refusals says beforehand which rule each of the readings breaks, so that Take would
// refuse it; nil of those that it would keep.
func Refusals(tx *gorm.DB, who access.Actor, in []NewReading) ([]*fault.Error, error) {
	if err := who.Must(access.ReadCounters); err != nil {
		return nil, err
	}
	byID, byCode, err := toTake(tx, in, false)
	if err != nil {
		return nil, err
	}
	all := make([]*fault.Error, len(in))
	for i, r := range in {
		_, all[i] = readItem(who, r, byID, byCode)
	}
	return all, nil
}

func refused(f *fault.Error) Taken { return Taken{Outcome: Refused, Fault: f} }

// toTake finds the meters that readings name. Whoever writes locks them, everybody
// in the same order.
func toTake(tx *gorm.DB, in []NewReading, locking bool) (map[uuid.UUID]*taking, map[string]*taking, error) {
	ids, codes := map[uuid.UUID]bool{}, map[string]bool{}
	for _, r := range in {
		if r.MeterID != uuid.Nil {
			ids[r.MeterID] = true
		} else {
			codes[r.Meter] = true
		}
	}
	idList, codeList := make([]uuid.UUID, 0, len(ids)), make([]string, 0, len(codes))
	for id := range ids {
		idList = append(idList, id)
	}
	for code := range codes {
		if !strings.ContainsRune(code, 0) {
			codeList = append(codeList, code)
		}
	}
	var found []taking
	if err := tx.Raw(`select * from meters_to_take(@ids, @codes, @locking)`, map[string]any{"ids": &idList, "codes": &codeList, "locking": locking}).Scan(&found).Error; err != nil {
		return nil, nil, err
	}
	byID, byCode := make(map[uuid.UUID]*taking, len(found)), make(map[string]*taking, len(found))
	for i := range found {
		m := &found[i]
		if err := m.ready(); err != nil {
			return nil, nil, err
		}
		byID[m.ID], byCode[m.Code] = m, m
	}
	return byID, byCode, nil
}

// readItem reads what was typed; bad is the rule that it breaks.
func readItem(who access.Actor, r NewReading, byID map[uuid.UUID]*taking, byCode map[string]*taking) (*item, *fault.Error) {
	m := byID[r.MeterID]
	if r.MeterID == uuid.Nil {
		m = byCode[r.Meter]
	}
	switch {
	case m == nil && r.MeterID != uuid.Nil:
		return nil, fault.Field("meter_id", r.MeterID, "names no meter")
	case m == nil:
		return nil, fault.Field("meter", r.Meter, "names no meter")
	case m.Kind == "computed":
		return nil, fault.Field("meter", m.Code, "is computed from other meters and is not read")
	case r.At.IsZero():
		return nil, fault.Field("at", "", "is needed: when the value was seen")
	}
	it := &item{m: m, at: r.At.UTC().Truncate(time.Microsecond), source: r.Source}
	if it.source == "" {
		it.source = "eye"
		if slices.Contains(who.Roles, "gateway") {
			it.source = "gateway"
		}
	}
	if !slices.Contains(Sources, it.source) {
		return nil, fault.Field("source", r.Source, "is one of %s", strings.Join(Sources, ", "))
	}
	run, _ := runAt(m.runs, it.at)
	unit := r.Unit
	if unit == "" {
		unit = run.Shows
	}
	var bad string
	if it.value, bad = m.Unit.read(r.Value, unit); bad != "" {
		field, value := "value", r.Value
		if strings.HasPrefix(bad, "has the unit") {
			field, value = "unit", unit
			bad = strings.TrimPrefix(bad, "has the unit "+unit+"; ")
		}
		return nil, fault.Field(field, value, "%s", bad)
	}
	if run.Modulus != nil && it.value >= *run.Modulus {
		return nil, fault.Field("value", r.Value, "must lie below %s, where this counter rolls over to zero", m.Unit.say(*run.Modulus))
	}
	if !m.theirs(it.at) {
		return nil, fault.Field("at", r.At.UTC().Format(time.RFC3339), "lies in a time in which the site was another's")
	}
	it.typed = r.Value + " " + unit
	return it, nil
}

// impossible tells whether nobody can have seen it then.
func impossible(at, now time.Time) bool {
	return at.Before(now.AddDate(-oldest, 0, 0)) || at.After(now.Add(ahead))
}

func machine(source string) bool { return source == "gateway" || source == "controller" }

func takePhase(tx *gorm.DB, who access.Actor, now time.Time, items []*item, out []Taken) error {
	if len(items) == 0 {
		return nil
	}
	// by meter and instant; of two at one instant the first that was sent
	slices.SortStableFunc(items, func(a, b *item) int {
		if a.m != b.m {
			return slices.Compare(a.m.ID[:], b.m.ID[:])
		}
		return a.at.Compare(b.at)
	})
	if err := lookAround(tx, now, items); err != nil {
		return err
	}
	var fresh []*item
	var earlier []*segment
	var earlierAt []time.Time
	rebase := map[uuid.UUID]bool{}
	var prev *item // the one before that is kept
	for _, it := range items {
		m := it.m
		if prev != nil && prev.m == m && prev.at.Equal(it.at) {
			out[it.place] = again(it, prev.id, prev.value)
			continue
		}
		if s := it.same; s != nil && s.SameID != nil {
			out[it.place] = again(it, *s.SameID, *s.SameValue)
			continue
		}
		if m.accepted != nil && (it.before == nil || it.before.at.Before(m.accepted.at)) {
			it.before = m.accepted
		}
		v := judge(m.runs, m.bound, it.at, it.value, it.before, it.after)
		if impossible(it.at, now) {
			v.doubt, v.earlier = "time", nil
		}
		it.id, it.doubt = pgdb.NewID(), v.doubt
		it.mark(now, v, &out[it.place])
		if it.state == "counts" {
			if v.earlier != nil {
				earlier, earlierAt = append(earlier, v.earlier), append(earlierAt, it.at)
				us := it.at.UnixMicro()
				v.earlier.From = &us
			}
			m.count(it)
			if _, next := runAt(m.runs, it.at); next != nil || v.earlier != nil {
				rebase[m.ID] = true
			}
		}
		if it.doubt != "time" && it.at.After(m.latest) {
			m.latest = it.at
		}
		m.touched = true
		fresh, prev = append(fresh, it), it
	}
	if len(fresh) == 0 {
		return nil
	}
	if err := besideVehicles(tx, now, fresh, out); err != nil {
		return err
	}
	if len(earlier) > 0 {
		ids := make([]string, len(earlier))
		for i, g := range earlier {
			ids[i] = g.ID
		}
		if err := tx.Exec(`select begin_segments_earlier(cast(@ids as text[])::uuid[], @ats)`, map[string]any{"ids": &ids, "ats": &earlierAt}).Error; err != nil {
			return err
		}
	}
	if err := insert(tx, who, now, fresh); err != nil {
		return err
	}
	if err := settle(tx, now, fresh); err != nil {
		return err
	}
	if len(rebase) > 0 {
		ids := make([]uuid.UUID, 0, len(rebase))
		for id := range rebase {
			ids = append(ids, id)
		}
		return tx.Exec(`select rebase_meters(@ids, null, null)`, map[string]any{"ids": &ids}).Error
	}
	return nil
}

// count lets a reading count: what comes after it in the batch is judged by it.
func (m *taking) count(it *item) {
	c := &counted{it.at, it.value}
	m.accepted, m.newest = c, it
	if m.moved == nil || it.at.Before(*m.moved) {
		m.moved = &it.at
	}
	if m.last == nil || it.at.After(m.last.at) {
		if m.last == nil || it.value != m.last.value {
			m.grew = &it.at
		}
		m.last = c
		return
	}
	run, _ := runAt(m.runs, it.at)
	if last, _ := runAt(m.runs, m.last.at); run.ID == last.ID && it.value == m.last.value && m.grew != nil && it.at.Before(*m.grew) {
		m.grew = &it.at // it stood at that value earlier than was known
	}
}

// mark decides the state of a reading and says what became of it.
func (it *item) mark(now time.Time, v verdict, out *Taken) {
	*out = Taken{Outcome: Took, ReadingID: it.id, Doubt: it.doubt}
	it.state = "counts"
	if it.doubt == "" {
		return
	}
	it.state, out.Outcome = "doubtful", NeedsExplanation
	if machine(it.source) || it.doubt == "time" {
		it.state, out.Outcome = "quarantined", Quarantined
	}
	out.Says = v.says(it.m.Unit, it.doubt, it.value, it.at, now)
	if it.doubt != "time" && it.doubt != "unreliable" {
		out.Offers = v.offers(it.m.Unit, it.value)
	}
}

// says tells in one sentence what does not fit.
func (v verdict) says(u Unit, doubt string, value int64, at, now time.Time) string {
	read := func(c *counted) string {
		if c == nil {
			return "the beginning"
		}
		return fmt.Sprintf("%s at %s", u.say(c.value), stamp(c.at))
	}
	switch doubt {
	case "falls":
		return "is less than before: " + read(v.before)
	case "above_next":
		return "is more than later: " + read(v.after)
	case "too_fast":
		return fmt.Sprintf("is more than can have been since %s: %s at most", read(v.before), u.say(v.most))
	case "below_next":
		return "leaves too little time to come to " + read(v.after)
	case "unreliable":
		return "comes from a counter that was marked as not to be relied on"
	case "time":
		if at.After(now) {
			return "was seen in the future; the clock that dated it is wrong"
		}
		return fmt.Sprintf("was seen more than %d years ago; the clock that dated it is wrong", oldest)
	}
	return "does not fit"
}

// again answers a reading at an instant at which one is recorded.
func again(it *item, id uuid.UUID, value int64) Taken {
	if value == it.value {
		return Taken{Outcome: AlreadyThere, ReadingID: id}
	}
	recorded := it.m.Unit.say(value)
	return Taken{Outcome: Conflicts, ReadingID: id, Recorded: recorded,
		Fault: &fault.Error{Kind: fault.Conflict, Field: "value", Value: it.typed, Msg: fmt.Sprintf("%s is recorded at that instant; supersede that reading if it is wrong", recorded),
			Existing: &fault.Ref{Kind: "reading", ID: id.String(), Code: it.m.Code}}}
}

// lookAround finds what stands next to the readings that are not simply later
// than all that is known of their meter.
func lookAround(tx *gorm.DB, now time.Time, items []*item) error {
	var late []*item
	var ids []uuid.UUID
	var ats []time.Time
	for _, it := range items {
		if it.at.After(it.m.latest) && !impossible(it.at, now) {
			it.before = it.m.last
			continue
		}
		late, ids, ats = append(late, it), append(ids, it.m.ID), append(ats, it.at)
	}
	if len(late) == 0 {
		return nil
	}
	var found []neighbourRow
	if err := tx.Raw(`select * from reading_neighbours(@meters, @ats)`, map[string]any{"meters": &ids, "ats": &ats}).Scan(&found).Error; err != nil {
		return err
	}
	for i := range found {
		f := &found[i]
		it := late[f.N-1]
		it.same = f
		if f.BeforeAt != nil {
			it.before = &counted{*f.BeforeAt, *f.BeforeValue}
		}
		if f.AfterAt != nil {
			it.after = &counted{*f.AfterAt, *f.AfterValue}
		}
	}
	return nil
}

// The share by which hours a vehicle may be off what is usual for the meter:
// beyond the first there is a warning, beyond the second the reading waits.
// Common practice, no source.
const (
	offNoted   = 0.25
	offDoubted = 0.5
)

// besideVehicles holds the newest reading of each meter of run hours against the
// vehicles of its line: a night's worth of readings is one stretch.
func besideVehicles(tx *gorm.DB, now time.Time, fresh []*item, out []Taken) error {
	var asked []*item
	var meters, companions []uuid.UUID
	var ats []time.Time
	var totals []int64
	for _, it := range fresh {
		if it.m.CompanionID == nil || it.m.newest != it {
			continue
		}
		run, _ := runAt(it.m.runs, it.at)
		asked, meters, companions = append(asked, it), append(meters, it.m.ID), append(companions, *it.m.CompanionID)
		ats, totals = append(ats, it.at), append(totals, run.total(it.value))
	}
	if len(asked) == 0 {
		return nil
	}
	var found []struct {
		N          int
		Vehicles   float64
		PerVehicle float64
		Usual      float64
	}
	if err := tx.Raw(`select * from hours_per_vehicle(@meters, @companions, @ats, @totals)`,
		map[string]any{"meters": &meters, "companions": &companions, "ats": &ats, "totals": &totals}).Scan(&found).Error; err != nil {
		return err
	}
	for _, f := range found {
		it := asked[f.N-1]
		off := f.PerVehicle/f.Usual - 1
		if math.Abs(off) <= offNoted || math.IsNaN(off) || math.IsInf(off, 0) {
			continue
		}
		o := &out[it.place]
		if math.Abs(off) > offDoubted {
			v := judge(it.m.runs, it.m.bound, it.at, it.value, it.before, it.after)
			v.doubt, it.doubt = "ratio", "ratio"
			it.mark(now, v, o)
			it.m.uncount(it)
		}
		o.Says = fmt.Sprintf("would be %.1f seconds a vehicle over %.0f vehicles; %.1f are usual here", f.PerVehicle, f.Vehicles, f.Usual)
	}
	return nil
}

// uncount takes the newest reading of a batch back.
func (m *taking) uncount(it *item) {
	if m.last != nil && m.last.at.Equal(it.at) {
		m.last, m.grew = it.before, m.GrewAt
	}
	if m.moved != nil && m.moved.Equal(it.at) {
		m.moved = nil
	}
}

func insert(tx *gorm.DB, who access.Actor, now time.Time, fresh []*item) error {
	n := len(fresh)
	// plain bytes: a uuid.UUID would be written as text first
	ids, meters, sites, ats, values := make([][16]byte, n), make([][16]byte, n), make([][16]byte, n), make([]time.Time, n), make([]int64, n)
	typed, sources, states, doubts := make([]string, n), make([]string, n), make([]string, n), make([]string, n)
	for i, it := range fresh {
		ids[i], meters[i], sites[i], ats[i], values[i] = it.id, it.m.ID, it.m.SiteID, it.at, it.value
		typed[i], sources[i], states[i], doubts[i] = it.typed, it.source, it.state, it.doubt
	}
	return tx.Exec(insertReadings, map[string]any{"now": now, "who": who.ID, "ids": &ids, "meters": &meters, "sites": &sites, "ats": &ats, "values": &values,
		"typed": &typed, "sources": &sources, "states": &states, "doubts": &doubts}).Error
}

// settle keeps what is known of the meters now, and marks those whose total moved.
func settle(tx *gorm.DB, now time.Time, fresh []*item) error {
	var meters []uuid.UUID
	var latest, lasts, grew, moved []*time.Time
	var values, totals []*int64
	for i, it := range fresh {
		if i > 0 && fresh[i-1].m == it.m {
			continue
		}
		m := it.m
		meters, grew, moved = append(meters, m.ID), append(grew, m.grew), append(moved, m.moved)
		if m.latest.IsZero() {
			latest = append(latest, nil)
		} else {
			latest = append(latest, &m.latest)
		}
		if m.last == nil {
			lasts, values, totals = append(lasts, nil), append(values, nil), append(totals, nil)
			continue
		}
		run, _ := runAt(m.runs, m.last.at)
		total := run.total(m.last.value)
		lasts, values, totals = append(lasts, &m.last.at), append(values, &m.last.value), append(totals, &total)
	}
	return tx.Exec(`select settle_meters(@meters, @latest, @lasts, @counted, @totals, @grew, @moved, @now)`,
		map[string]any{"meters": &meters, "latest": &latest, "lasts": &lasts, "counted": &values, "totals": &totals, "grew": &grew, "moved": &moved, "now": now}).Error
}
