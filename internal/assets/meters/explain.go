package meters

import (
	"context"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
)

// Explanations are what may be behind a reading that does not fit.
var Explanations = []string{"rolled_over", "reset", "controller_reset", "replaced", "unit_changed", "mistyped", "wrong_meter", "as_seen"}

// Explanation says what is behind a reading.
type Explanation struct {
	As string
	// When it rolled over, or was set back or replaced; nil is when the reading was seen.
	At *time.Time
	// For reset and replaced: the last value before, "" is the greatest that was
	// read; and the first value after: "" is 0 for a reset, and for a replaced
	// counter what was read now.
	OldLast  string
	NewFirst string
	// Of the new counter, for replaced; for unit_changed what it shows from now on.
	Counter
	// For mistyped: what should have been typed. "" and nil keep what is recorded.
	Value  string
	Unit   string
	SeenAt *time.Time
	// For wrong_meter: the meter on which it was read.
	MeterID uuid.UUID
	Reason  string
}

// Explain says what is behind a reading, and so settles it: a new run of the
// counter begins, or another reading takes its place, or it is right as it
// stands. What waited on the same meter is looked at once more. A reading that
// counts can be found mistyped or read on the wrong meter, too. It gives the
// reading that counts from now on.
func Explain(tx *gorm.DB, who access.Actor, now time.Time, id uuid.UUID, e Explanation) (Reading, error) {
	r, err := toMark(tx, who, id)
	if err != nil {
		return Reading{}, err
	}
	if !slices.Contains(Explanations, e.As) {
		return Reading{}, fault.Field("as", e.As, "is one of %s", strings.Join(Explanations, ", "))
	}
	waits := r.Doubt != nil && r.State != "counts"
	if !waits && e.As != "mistyped" && e.As != "wrong_meter" {
		return Reading{}, conflict("as", e.As, "the reading counts and needs no explanation; it can be mistyped or of the wrong meter, or void it")
	}
	switch e.As {
	case "mistyped":
		return replaceBy(tx, who, now, r, e, r.MeterID, nil)
	case "wrong_meter":
		if e.MeterID == uuid.Nil || e.MeterID == r.MeterID {
			return Reading{}, fault.Field("meter_id", e.MeterID, "names the other meter, on which it was read")
		}
		e.Value, e.Unit, e.SeenAt = "", "", nil
		return replaceBy(tx, who, now, r, e, e.MeterID, nil)
	case "as_seen":
		if d := *r.Doubt; d != "too_fast" && d != "below_next" && d != "ratio" {
			return Reading{}, conflict("as", e.As, "cannot be: a total never falls, and nobody reads outside of time; one of the others is behind it")
		}
		return settled(tx, who, now, r, e, nil)
	case "unit_changed":
		return unitChanged(tx, who, now, r, e)
	}
	at := r.At
	if e.At != nil {
		at = *e.At
	}
	if *r.Doubt == "time" || at.After(r.At) {
		return Reading{}, conflict("as", e.As, "happened before the reading was seen, at a time that can be")
	}
	j := Join{At: at, How: e.As, OldLast: e.OldLast, NewFirst: e.NewFirst, Counter: e.Counter, Reason: e.Reason}
	if e.As == "replaced" && e.NewFirst == "" {
		j.NewFirst = r.Unit.Format(r.Value)
	}
	segment, err := begin(tx, who, now, r.MeterID, &r, j)
	if err != nil {
		return Reading{}, err
	}
	return settled(tx, who, now, r, e, &segment)
}

// toMark reads and locks what is about to be marked.
func toMark(tx *gorm.DB, who access.Actor, id uuid.UUID) (Reading, error) {
	if err := who.Must(access.ExplainReadings); err != nil {
		return Reading{}, err
	}
	r, err := readingInTx(tx, id)
	if err != nil {
		return Reading{}, err
	}
	if _, _, err := toTake(tx, []NewReading{{MeterID: r.MeterID}}, true); err != nil {
		return Reading{}, err
	}
	if r, err = readingInTx(tx, id); err != nil { // somebody may have been faster
		return Reading{}, err
	}
	if r.State == "voided" || r.State == "superseded" {
		return Reading{}, conflict("", r.State, "the reading is %s already", r.State)
	}
	return r, nil
}

func act(tx *gorm.DB, who access.Actor, now time.Time, r Reading, as, reason string, by, segment *uuid.UUID) error {
	return tx.Exec(`
insert into reading_act (id, reading_id, meter_id, site_id, at, act, by_reading, segment_id, reason, recorded_at, recorded_by)
values (@id, @reading, @meter, @site, @at, @act, @by, @segment, @reason, @now, @who)`, map[string]any{"id": pgdb.NewID(), "reading": r.ID, "meter": r.MeterID,
		"site": r.SiteID, "at": r.At, "act": as, "by": by, "segment": segment, "reason": strings.TrimSpace(reason), "now": now, "who": who.ID}).Error
}

// settled lets a reading count, as somebody said.
func settled(tx *gorm.DB, who access.Actor, now time.Time, r Reading, e Explanation, segment *uuid.UUID) (Reading, error) {
	_, v, err := judgeAgain(tx, r, true)
	if err != nil {
		return Reading{}, err
	}
	if v.doubt == "falls" || v.doubt == "above_next" {
		return Reading{}, conflict("as", e.As, "it %s even so", v.says(r.Unit, v.doubt, r.Value, r.At, now))
	}
	if err := tx.Exec(`update reading set state = 'counts', doubt = null where id = ?`, r.ID).Error; err != nil {
		return Reading{}, err
	}
	if err := act(tx, who, now, r, e.As, e.Reason, nil, segment); err != nil {
		return Reading{}, err
	}
	if err := lookAgain(tx, now, r.MeterID, r.At); err != nil {
		return Reading{}, err
	}
	return readingInTx(tx, r.ID)
}

const dropReading = `
update reading as r
   set state = @state, nth = 1 + (select max(o.nth) from reading as o where o.meter_id = r.meter_id and o.at = r.at)
 where r.id = @id`

// drop marks a reading as one that does not stand any more.
func drop(tx *gorm.DB, r Reading, state string) error {
	return tx.Exec(dropReading, map[string]any{"id": r.ID, "state": state}).Error
}

// founded gives the run that began with a reading, or with one in whose place it is.
func founded(tx *gorm.DB, reading uuid.UUID) (*uuid.UUID, error) {
	id, err := pgdb.ID(tx, `
select segment_id as id from reading_act
 where (reading_id = @id or by_reading = @id) and segment_id is not null
order by id desc limit 1`, map[string]any{"id": reading})
	if err != nil || id == uuid.Nil {
		return nil, err
	}
	return &id, nil
}

// undoEmpty takes a run back on which no reading stands any more.
func undoEmpty(tx *gorm.DB, meter uuid.UUID, run *uuid.UUID) error {
	if run == nil {
		return nil
	}
	stands, err := pgdb.ID(tx, `
select r.id from meter_segment as g join reading as r on r.meter_id = g.meter_id and g.during @> r.at and r.state = 'counts'
 where g.id = ? limit 1`, *run)
	if err != nil || stands != uuid.Nil {
		return err
	}
	return undo(tx, meter, *run)
}

// undo takes a run back: the one before it goes on.
func undo(tx *gorm.DB, meter, segment uuid.UUID) error {
	v := map[string]any{"id": segment, "meter": meter}
	var it struct{ From, Until *time.Time }
	if err := tx.Raw(`select lower(during) as "from", upper(during) as until from meter_segment where id = @id`, v).Scan(&it).Error; err != nil || it.From == nil {
		return err
	}
	v["from"], v["until"] = it.From, it.Until
	if err := tx.Exec(`delete from meter_segment where id = @id`, v).Error; err != nil {
		return err
	}
	return tx.Exec(`update meter_segment set during = tstzrange(lower(during), @until) where meter_id = @meter and upper(during) = @from`, v).Error
}

// replaceBy lets another reading take the place of one: with the right value or
// time, or on the meter on which it was read.
func replaceBy(tx *gorm.DB, who access.Actor, now time.Time, r Reading, e Explanation, meter uuid.UUID, run *uuid.UUID) (Reading, error) {
	value, unit, _ := strings.Cut(r.Typed, " ")
	in := NewReading{MeterID: meter, At: r.At, Value: value, Unit: unit, Source: r.Source}
	if e.Value != "" {
		in.Value = e.Value
	}
	if e.Unit != "" {
		in.Unit = e.Unit
	}
	if e.SeenAt != nil {
		in.At = *e.SeenAt
	}
	if meter == r.MeterID && in.Value == value && in.Unit == unit && in.At.Equal(r.At) {
		return Reading{}, fault.Field("value", value, "is what is recorded; say what should have been typed")
	}
	if machine(in.Source) {
		in.Source = "eye" // a person says so
	}
	if run == nil {
		var err error
		if run, err = founded(tx, r.ID); err != nil {
			return Reading{}, err
		}
	}
	if err := drop(tx, r, "superseded"); err != nil {
		return Reading{}, err
	}
	if err := lookAgain(tx, now, r.MeterID, r.At); err != nil {
		return Reading{}, err
	}
	all, err := Take(tx, who, now, []NewReading{in})
	if err != nil {
		return Reading{}, err
	}
	if t := all[0]; t.Fault != nil {
		return Reading{}, t.Fault
	}
	if err := act(tx, who, now, r, e.As, e.Reason, &all[0].ReadingID, run); err != nil {
		return Reading{}, err
	}
	if err := undoEmpty(tx, r.MeterID, run); err != nil {
		return Reading{}, err
	}
	for _, id := range slices.Compact([]uuid.UUID{r.MeterID, meter}) {
		if err := lookAgain(tx, now, id, in.At); err != nil {
			return Reading{}, err
		}
	}
	return readingInTx(tx, all[0].ReadingID)
}

// unitChanged begins a run that shows another unit, and reads the number that
// was typed in it. The total goes on from the last reading.
func unitChanged(tx *gorm.DB, who access.Actor, now time.Time, r Reading, e Explanation) (Reading, error) {
	before, _, err := beside(tx, r.MeterID, r.At)
	if err != nil {
		return Reading{}, err
	}
	if e.Shows == "" {
		return Reading{}, fault.Field("shows", "", "is needed: what the counter shows from now on, one of %s", r.Unit.unitsOf())
	}
	j := Join{At: r.At, How: e.As, NewFirst: e.NewFirst, OldLast: e.OldLast, Counter: e.Counter, Reason: e.Reason}
	if e.At != nil {
		j.At = *e.At
	}
	if j.NewFirst == "" && before != nil {
		j.first = &before.value
	}
	run, err := begin(tx, who, now, r.MeterID, &r, j)
	if err != nil {
		return Reading{}, err
	}
	e.Unit, e.Value, e.SeenAt = e.Shows, "", nil
	return replaceBy(tx, who, now, r, e, r.MeterID, &run)
}

// Void says that a reading is worth nothing. It stays visible with the reason,
// and everything is as if it had never been taken.
func Void(tx *gorm.DB, who access.Actor, now time.Time, id uuid.UUID, reason string) (Reading, error) {
	r, err := toMark(tx, who, id)
	if err != nil {
		return Reading{}, err
	}
	if strings.TrimSpace(reason) == "" {
		return Reading{}, fault.Field("reason", "", "is needed: why the reading is worth nothing")
	}
	run, err := founded(tx, id)
	if err != nil {
		return Reading{}, err
	}
	if err := drop(tx, r, "voided"); err != nil {
		return Reading{}, err
	}
	if err := undoEmpty(tx, r.MeterID, run); err != nil {
		return Reading{}, err
	}
	if err := act(tx, who, now, r, "voided", reason, nil, nil); err != nil {
		return Reading{}, err
	}
	if err := lookAgain(tx, now, r.MeterID, r.At); err != nil {
		return Reading{}, err
	}
	return readingInTx(tx, id)
}

// mostWaiting bounds how many readings of one meter are looked at again at once.
const mostWaiting = 10_000

// lookAgain holds every reading of a meter that waits against what counts now,
// in the order in which they were seen, and lets those count that fit. Readings
// that count are left alone. Then it joins the runs anew and marks the meter.
func lookAgain(tx *gorm.DB, now time.Time, meter uuid.UUID, moved time.Time) error {
	meters := []uuid.UUID{meter}
	if err := tx.Exec(`select begin_segments_as_said(@ids)`, map[string]any{"ids": &meters}).Error; err != nil {
		return err
	}
	byID, _, err := toTake(tx, []NewReading{{MeterID: meter}}, true)
	if err != nil {
		return err
	}
	m := byID[meter]
	if m == nil {
		return fault.Missing("meter", meter.String())
	}
	var waiting []struct {
		ID    uuid.UUID
		At    time.Time
		Value int64
	}
	if err := tx.Raw(`
select id, at, value from reading
 where meter_id = @meter and state in ('doubtful', 'quarantined') and doubt not in ('time', 'ratio')
order by at limit @most`, map[string]any{"meter": meter, "most": mostWaiting}).Scan(&waiting).Error; err != nil {
		return err
	}
	items := make([]*item, len(waiting))
	m.latest = time.Unix(1<<40, 0) // none of them is simply later than all
	for i, w := range waiting {
		items[i] = &item{m: m, id: w.ID, at: w.At, value: w.Value}
	}
	if err := lookAround(tx, now, items); err != nil {
		return err
	}
	var fit []uuid.UUID
	var accepted *counted
	for _, it := range items {
		if accepted != nil && (it.before == nil || it.before.at.Before(accepted.at)) {
			it.before = accepted
		}
		v := judge(m.runs, m.bound, it.at, it.value, it.before, it.after)
		if v.doubt != "" {
			continue
		}
		if v.earlier != nil {
			ids, ats := []string{v.earlier.ID}, []time.Time{it.at}
			if err := tx.Exec(`select begin_segments_earlier(cast(@ids as text[])::uuid[], @ats)`, map[string]any{"ids": &ids, "ats": &ats}).Error; err != nil {
				return err
			}
			us := it.at.UnixMicro()
			v.earlier.From = &us
		}
		accepted = &counted{it.at, it.value}
		fit = append(fit, it.id)
		if it.at.Before(moved) {
			moved = it.at
		}
	}
	if len(fit) > 0 {
		if err := tx.Exec(`update reading set state = 'counts', doubt = null where id = any (@ids)`, map[string]any{"ids": &fit}).Error; err != nil {
			return err
		}
	}
	return tx.Exec(`select rebase_meters(@ids, @moved, @now)`, map[string]any{"ids": &meters, "moved": moved, "now": now}).Error
}

// Join says that a new run of a counter began: it was replaced, set back, rolled
// over, or shows another unit.
type Join struct {
	At       time.Time
	How      string // rolled_over, replaced, reset, controller_reset or unit_changed
	OldLast  string // the last value of the old run; "" is the greatest that was read in it
	NewFirst string // the first of the new one; "" is 0
	Counter         // the new one; what is not said stays
	Reason   string
	first    *int64 // NewFirst as an amount
}

// Run is one run of a counter.
type Run struct {
	ID           uuid.UUID
	Unit         Unit // of the meter
	From         *time.Time
	Until        *time.Time
	How          string
	StartValue   int64
	PreviousLast *int64
	Base         int64
	Shows        string
	Modulus      *int64
	Digits       *int
	Decimals     int
	Serial       string
	Reason       string
	RecordedAt   time.Time
	RecordedBy   string
}

const runs = `
select g.id, m.unit, lower(g.during) as "from", upper(g.during) as until, g.how, g.start_value, g.previous_last, g.base, g.shows, g.modulus, g.digits, g.decimals,
       g.serial, g.reason, g.recorded_at, coalesce(a.name, '') as recorded_by
  from meter_segment as g
  join meter as m on m.id = g.meter_id
  left join actor as a on a.id = g.recorded_by
 where g.meter_id = @meter
order by g.during`

// Runs lists the runs of a meter's counters, in their order.
func Runs(ctx context.Context, db *pgdb.DB, who access.Actor, meter uuid.UUID) ([]Run, error) {
	if _, err := One(ctx, db, who, meter); err != nil {
		return nil, err
	}
	return pgdb.Read[Run](ctx, db, who.ID, runs, map[string]any{"meter": meter})
}

// Joined records that a new run began, as somebody did it or saw it done, and
// takes its first value as a reading.
func Joined(tx *gorm.DB, who access.Actor, now time.Time, meter uuid.UUID, j Join) ([]Run, error) {
	if err := who.Must(access.ExplainReadings); err != nil {
		return nil, err
	}
	if !slices.Contains([]string{"rolled_over", "replaced", "reset", "controller_reset", "unit_changed"}, j.How) {
		return nil, fault.Field("how", j.How, "is one of rolled_over, replaced, reset, controller_reset, unit_changed")
	}
	m, err := oneInTx(tx, meter)
	if err != nil {
		return nil, err
	}
	if j.At.After(now) || impossible(j.At, now) {
		return nil, fault.Field("at", stamp(j.At), "lies in the last %d years and not ahead", oldest)
	}
	if _, err := begin(tx, who, now, meter, nil, j); err != nil {
		return nil, err
	}
	if j.How != "rolled_over" { // what it rolled over from and to was seen by nobody
		first := j.NewFirst
		if first == "" {
			first = "0"
		}
		unit := j.Shows
		if unit == "" && m.Shows != nil {
			unit = *m.Shows
		}
		all, err := Take(tx, who, now, []NewReading{{MeterID: meter, At: j.At, Value: first, Unit: unit}})
		if err != nil {
			return nil, err
		}
		if f := all[0].Fault; f != nil {
			f.Field = "new_first"
			return nil, f
		}
	}
	if err := lookAgain(tx, now, meter, j.At); err != nil {
		return nil, err
	}
	var all []Run
	return all, tx.Raw(runs, map[string]any{"meter": meter}).Scan(&all).Error
}

// begin lets a new run of a counter begin. Where it does with a reading, that is
// the first of it.
func begin(tx *gorm.DB, who access.Actor, now time.Time, meter uuid.UUID, first *Reading, j Join) (uuid.UUID, error) {
	byID, _, err := toTake(tx, []NewReading{{MeterID: meter}}, true)
	if err != nil {
		return uuid.Nil, err
	}
	m := byID[meter]
	if m == nil {
		return uuid.Nil, fault.Missing("meter", meter.String())
	}
	j.At = j.At.UTC().Truncate(time.Microsecond)
	old, next := runAt(m.runs, j.At)
	before, after, err := beside(tx, meter, j.At)
	if err != nil {
		return uuid.Nil, err
	}
	if j.Shows == "" {
		j.Shows = old.Shows
	}
	if j.How != "replaced" && j.Digits == nil && j.Modulus == "" && j.Decimals == 0 {
		j.Decimals = min(old.Decimals, scales[j.Shows].decimals)
	}
	modulus, bad := j.Counter.read(m.Unit)
	if bad != nil {
		return uuid.Nil, bad
	}
	if modulus == nil && j.How != "replaced" {
		modulus = old.Modulus
	}
	var last *int64
	if j.OldLast != "" {
		n, wrong := m.Unit.read(j.OldLast, old.Shows)
		if wrong != "" {
			return uuid.Nil, fault.Field("old_last", j.OldLast, "%s", wrong)
		}
		last = &n
	}
	start := int64(0)
	if j.first != nil {
		start = *j.first
	}
	if j.NewFirst != "" {
		n, wrong := m.Unit.read(j.NewFirst, j.Shows)
		if wrong != "" {
			return uuid.Nil, fault.Field("new_first", j.NewFirst, "%s", wrong)
		}
		start = n
	}
	if j.How == "rolled_over" {
		if old.Modulus == nil && modulus == nil {
			return uuid.Nil, fault.Field("modulus", "", "is not known of this counter: say where it rolls over, or choose reset or replaced")
		}
		if old.Modulus != nil {
			modulus = old.Modulus
		}
		last, start = modulus, 0
	}
	switch {
	case old.From != nil && !old.from().Before(j.At):
		return uuid.Nil, conflict("at", stamp(j.At), "a run of this counter begins at that instant already")
	case before != nil && last != nil && !before.at.Before(old.from()) && *last < before.value:
		return uuid.Nil, conflict("old_last", m.Unit.Format(*last), "lies below %s, which was read at %s", m.Unit.say(before.value), stamp(before.at))
	case j.How == "rolled_over" && before != nil && first != nil && !before.at.Before(old.from()) &&
		*last-before.value+first.Value > m.bound.allowed(first.At.Sub(before.at)):
		// a guess that was too high makes the next reading fall, and a life is soon added
		return uuid.Nil, conflict("as", j.How, "would mean %s since %s, faster than it can run; the value before it may be the wrong one", m.Unit.say(*last-before.value+first.Value), stamp(before.at))
	case modulus != nil && start >= *modulus:
		return uuid.Nil, fault.Field("new_first", m.Unit.Format(start), "must lie below %s, where the counter rolls over", m.Unit.say(*modulus))
	case first != nil && first.Value < start && j.How != "unit_changed":
		return uuid.Nil, conflict("new_first", m.Unit.Format(start), "lies above what was read: %s", m.Unit.say(first.Value))
	case after != nil && (next == nil || after.at.Before(next.from())) && after.value < start:
		return uuid.Nil, conflict("new_first", m.Unit.Format(start), "lies above %s, which was read at %s and counts", m.Unit.say(after.value), stamp(after.at))
	}
	id := pgdb.NewID()
	v := map[string]any{"id": id, "meter": meter, "site": m.SiteID, "at": j.At, "how": j.How, "start": start, "last": last, "shows": j.Shows, "modulus": modulus,
		"digits": j.Digits, "decimals": j.Decimals, "serial": strings.TrimSpace(j.Serial), "reason": strings.TrimSpace(j.Reason), "now": now, "who": who.ID, "until": nil}
	if next != nil {
		v["until"] = next.from()
	}
	if err := tx.Exec(`update meter_segment set during = tstzrange(lower(during), @at) where meter_id = @meter and during @> cast(@at as timestamptz)`, v).Error; err != nil {
		return uuid.Nil, err
	}
	if err := tx.Exec(`
insert into meter_segment (id, meter_id, site_id, during, said_at, how, start_value, previous_last, base, shows, modulus, digits, decimals, serial, reason, recorded_at, recorded_by)
values (@id, @meter, @site, tstzrange(@at, @until), @at, @how, @start, @last, 0, @shows, @modulus, @digits, @decimals, @serial, @reason, @now, @who)`, v).Error; err != nil {
		return uuid.Nil, err
	}
	meters := []uuid.UUID{meter}
	return id, tx.Exec(`select rebase_meters(@ids, null, null)`, map[string]any{"ids": &meters}).Error
}

// Distrust says that a counter is not to be relied on after a reading, the last
// good one: it stuck, or counts wrong. What was read since then stays and moves
// nothing, until a new run begins.
func Distrust(tx *gorm.DB, who access.Actor, now time.Time, lastGood uuid.UUID, reason string) ([]Run, error) {
	r, err := toMark(tx, who, lastGood)
	if err != nil {
		return nil, err
	}
	switch {
	case r.State != "counts":
		return nil, conflict("last_good", r.State, "does not count; name the last reading that was good")
	case strings.TrimSpace(reason) == "":
		return nil, fault.Field("reason", "", "is needed: what is wrong with the counter")
	}
	if _, err := begin(tx, who, now, r.MeterID, nil, Join{At: r.At.Add(time.Microsecond), How: "unreliable", first: &r.Value, Reason: reason}); err != nil {
		return nil, err
	}
	v := map[string]any{"meter": r.MeterID, "at": r.At}
	if err := tx.Exec(`
update reading as r set state = 'doubtful', doubt = 'unreliable'
  from meter_segment as g
 where r.meter_id = @meter and r.at > @at and r.state = 'counts' and g.meter_id = r.meter_id and g.during @> r.at and g.how = 'unreliable'`, v).Error; err != nil {
		return nil, err
	}
	if err := lookAgain(tx, now, r.MeterID, r.At); err != nil {
		return nil, err
	}
	var all []Run
	return all, tx.Raw(runs, v).Scan(&all).Error
}
