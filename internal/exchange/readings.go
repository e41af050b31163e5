package exchange

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io"
	"iter"
	"regexp"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets/meters"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
)

// Bounds of a sheet of readings, which is a stream and never held in memory.
const (
	MaxReadingsFile = 512 << 20 // bytes
	MaxReadings     = 5_000_000 // rows
)

// ReceiveReadings takes a sheet of readings in, within the bound.
func ReceiveReadings(r io.Reader) (*Upload, error) { return receive(r, MaxReadingsFile) }

// ReadingsDone is what an import of readings did, or would do.
type ReadingsDone struct {
	DryRun                                                   bool
	Rows, Taken, AlreadyThere, NeedsExplanation, Quarantined int
	Notes                                                    []string
	// Warnings are rows that wait for somebody to say what is behind them, and rows
	// that count with a word about them; at most MaxListed.
	Warnings []Said
	Warned   []fault.Tally
}

// HoldsReadings tells whether a file begins as a sheet of readings does, so that
// whoever sends it need not say. A column "code" alone does not tell a meter.
func HoldsReadings(up *Upload) (bool, error) {
	holds := false
	in := &readingsImport{up: up}
	in.headed = func(cells []string) bool {
		holds = slices.ContainsFunc(cells, func(c string) bool { return slices.Contains(meterHeads, squeeze(trim(c))) })
		return false
	}
	err := in.rows(nil)
	if errors.Is(err, errStopped) || fault.KindOf(err) != fault.Internal { // what cannot be read is told by whoever reads it
		err = nil
	}
	return holds, err
}

// readingHeads are the columns of a sheet of readings, and what else people write.
var readingHeads = map[string][]string{
	"meter":  {"meter", "meter code", "counter", "code"},
	"at":     {"at", "seen at", "seen", "when", "date", "time", "read at", "date and time"},
	"value":  {"value", "reading", "count", "stand"},
	"unit":   {"unit"},
	"source": {"source", "how"},
}

// readingColumns finds the columns of a row of heads; nil where it is none.
func readingColumns(cells []string) map[string]int {
	place := map[string]int{}
	for i, c := range cells {
		for name, also := range readingHeads {
			for _, a := range also {
				if _, twice := place[name]; !twice && squeeze(a) == squeeze(trim(c)) {
					place[name] = i
				}
			}
		}
	}
	for _, need := range []string{"meter", "at", "value"} {
		if _, there := place[need]; !there {
			return nil
		}
	}
	return place
}

var meterHeads = []string{"meter", "metercode", "counter"}

// stageReadings has an instant where the row named its offset, and else the time
// as a clock on the wall of the site showed it.
const stageReadings = `
create temp table stage_reading (row integer, meter text, at timestamptz, local timestamp, value text, unit text, source text) on commit drop`

var stageColumns = []string{"row", "meter", "at", "local", "value", "unit", "source"}

// By meter and instant, so that the file's own order does not matter.
const stagedReadings = `
declare staged no scroll cursor for
select r.row, r.meter, coalesce(r.at, r.local at time zone coalesce(s.zone, 'UTC')) as at, r.value, r.unit, r.source, coalesce(s.zone, 'UTC') as zone
  from stage_reading as r
  left join meter as m on m.code = r.meter
  left join site as s on s.id = m.site_id
order by m.id, 3, r.row`

// ImportReadings brings a sheet of readings in, all of it or nothing. The file
// goes through temporary tables in pieces; every rule of Take holds. Rows that
// break one are told by their number, and then nothing is taken. The same file
// again changes nothing.
func ImportReadings(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, up *Upload, o Options) (ReadingsDone, error) {
	if err := who.Must(access.ReadCounters); err != nil {
		return ReadingsDone{}, err
	}
	if o.Dates != "" && o.Dates != DayFirst && o.Dates != MonthFirst {
		return ReadingsDone{}, fault.Field("dates", o.Dates, "is %s or %s", DayFirst, MonthFirst)
	}
	now = now.UTC().Truncate(time.Microsecond)
	work := func(tx *gorm.DB) (ReadingsDone, error) {
		in := &readingsImport{o: o, headed: goOn, tx: tx, who: who, now: now, up: up, order: order{told: o.Dates}, said: newSayings(), done: ReadingsDone{DryRun: o.DryRun, Notes: []string{}}}
		if err := in.run(); err != nil {
			return ReadingsDone{}, err
		}
		for _, w := range sorted(in.said.warned) {
			in.done.Warnings = append(in.done.Warnings, w.out())
		}
		in.done.Warned = tallies(in.said.byCare)
		return in.done, in.said.fault()
	}
	if !o.DryRun {
		return pgdb.Once(ctx, db, who.ID, now, pgdb.Request{Key: o.Key, Act: "importReadings", Bulk: true, Body: map[string]string{"sum": up.sum, "dates": o.Dates}}, work)
	}
	var done ReadingsDone
	err := db.InBulk(ctx, who.ID, func(tx *gorm.DB) (err error) {
		if done, err = work(tx); err != nil {
			return err
		}
		return errDry
	})
	if errors.Is(err, errDry) {
		err = nil
	}
	return done, err
}

type readingsImport struct {
	o     Options
	tx    *gorm.DB
	who   access.Actor
	now   time.Time
	up    *Upload
	order order
	said  *sayings
	done  ReadingsDone
	place map[string]int
	days  bool // some rows have a date without a time
	// headed is told the row of heads, and says whether to go on.
	headed func(cells []string) bool
}

func goOn([]string) bool { return true }

func (in *readingsImport) run() error {
	for _, sql := range []string{`set local statement_timeout = '300s'`, `set local work_mem = '64MB'`, `set local jit = off`, stageReadings} {
		if err := in.tx.Exec(sql).Error; err != nil {
			return err
		}
	}
	if err := in.stage(); err != nil || in.said.errors > 0 {
		return err
	}
	if in.days {
		in.done.Notes = append(in.done.Notes, "Dates without a time of day were taken as noon at the site.")
	}
	return in.take()
}

// stage sends every row to the staging table.
func (in *readingsImport) stage() error {
	var failed error
	next, stop := iter.Pull(func(yield func([]any) bool) {
		failed = in.rows(func(number int, cells []cell) error {
			values, ok := in.read(number, cells)
			if ok && !yield(values) {
				return errStopped
			}
			return nil
		})
	})
	defer stop()
	src := &pulled{next: next, failed: &failed}
	if _, err := pgdb.Copy(in.tx, "stage_reading", stageColumns, src); err != nil {
		if failed != nil {
			return failed // not what the database says of it
		}
		return err
	}
	return in.tx.Exec(`analyze stage_reading`).Error
}

var errStopped = errors.New("nobody takes more rows")

// pulled feeds rows to COPY.
type pulled struct {
	next   func() ([]any, bool)
	failed *error
	values []any
}

func (p *pulled) Next() (ok bool)        { p.values, ok = p.next(); return ok }
func (p *pulled) Values() ([]any, error) { return p.values, nil }
func (p *pulled) Err() error             { return *p.failed }

// rows calls fn for each row below the heads.
func (in *readingsImport) rows(fn func(number int, cells []cell) error) error {
	l := listing{up: in.up, columns: readingColumns, what: "readings: meter, at, value, and perhaps unit and source", most: MaxReadings, headed: in.headed, begun: func(place map[string]int) { in.place = place }}
	err := l.each(func(number int, cells []cell) error {
		in.done.Rows++
		in.o.tell("reads", in.done.Rows, 0)
		return fn(number, cells)
	})
	in.done.Notes = append(in.done.Notes, l.notes...)
	return err
}

func (in *readingsImport) blame(row int, column, value, rule, says string) {
	in.said.err(saying{sheet: "readings", row: row, place: in.place[column] + 1, column: column, value: value, rule: rule, says: says})
}

// read turns the cells of a row into values of the staging table.
func (in *readingsImport) read(row int, cells []cell) ([]any, bool) {
	text := func(column string) string {
		i, there := in.place[column]
		if !there || i >= len(cells) {
			return ""
		}
		return trim(cells[i].text)
	}
	ok := true
	bad := func(column, value, rule, says string) {
		ok = false
		in.blame(row, column, value, rule, says)
	}
	for _, column := range []string{"meter", "at", "value", "unit", "source"} {
		if t := text(column); !utf8.ValidString(t) || strings.ContainsRune(t, 0) {
			bad(column, "", "not_text", "holds characters that are no text")
			return nil, false
		} else if t == "" && column != "unit" && column != "source" {
			bad(column, "", "needed", "is needed in every row")
		} else if utf8.RuneCountInString(t) > 100 {
			bad(column, t, "too_long", "takes at most 100 characters")
		}
	}
	if !ok {
		return nil, false
	}
	var at, local any
	if t, err := time.Parse(time.RFC3339Nano, text("at")); err == nil { // what programs write
		at = t
	} else {
		w, wrong := readDate(text("at"), in.order, in.now)
		switch {
		case wrong != "":
			rule := "date"
			if strings.HasPrefix(wrong, "can be read") {
				rule = "date_ambiguous"
			}
			bad("at", text("at"), rule, wrong)
		case w.precision != "instant" && w.precision != "day":
			bad("at", text("at"), "date", "must name the day, and better the time, at which it was seen")
		case !w.at.IsZero():
			at = w.at
		default:
			if w.precision == "day" {
				w.local, in.days = w.local.Add(12*time.Hour), true
			}
			local = w.local
		}
	}
	return []any{int32(row), strings.ToUpper(text("meter")), at, local, plainNumber(text("value")), strings.ToLower(text("unit")), strings.ToLower(text("source"))}, ok
}

var decimalComma = regexp.MustCompile(`^\d+,\d{1,2}$`)

// plainNumber writes a number as Take reads it. Readings have two decimals at
// most, so that a comma before three digits groups them and one before one or
// two is the decimal sign.
func plainNumber(s string) string {
	s = strings.NewReplacer(" ", "", "\u00a0", "", "\u202f", "", "'", "").Replace(s)
	comma, point := strings.LastIndexByte(s, ','), strings.LastIndexByte(s, '.')
	switch {
	case comma < 0:
		return s
	case point > comma, point < 0 && !decimalComma.MatchString(s):
		if groups := strings.Split(strings.SplitN(s, ".", 2)[0], ","); inThrees(groups) {
			return strings.ReplaceAll(s, ",", "")
		}
	case point < 0:
		return strings.Replace(s, ",", ".", 1)
	case inThrees(strings.Split(s[:comma], ".")):
		return strings.ReplaceAll(s[:comma], ".", "") + "." + s[comma+1:]
	}
	return s // it is no number, and Take says so
}

// inThrees tells whether all groups but the first have three digits.
func inThrees(groups []string) bool {
	for i, g := range groups {
		if i > 0 && len(g) != 3 || i == 0 && (len(g) < 1 || len(g) > 3) {
			return false
		}
	}
	return true
}

// take reads the staged rows back in their order and takes them in pieces.
func (in *readingsImport) take() (err error) {
	if err := in.tx.Exec(stagedReadings).Error; err != nil {
		return err
	}
	taken := 0
	batch, rows := make([]meters.NewReading, 0, meters.MaxBatch), make([]stagedRow, 0, meters.MaxBatch)
	for {
		batch, rows = batch[:0], rows[:0]
		if err := in.fetch(func(row stagedRow, r meters.NewReading) { batch, rows = append(batch, r), append(rows, row) }); err != nil {
			return err
		}
		if len(batch) == 0 {
			return nil
		}
		all, err := meters.Take(in.tx, in.who, in.now, batch)
		if err != nil {
			return err
		}
		for i, t := range all {
			in.count(rows[i], batch[i], t)
		}
		if taken += len(all); in.o.Told != nil {
			in.o.Told(Progress{"takes", taken, in.done.Rows})
		}
	}
}

// stagedRow is where a reading stands in the file, and where its meter stands.
type stagedRow struct {
	number int
	zone   string
}

func (in *readingsImport) fetch(one func(row stagedRow, r meters.NewReading)) (err error) {
	rows, err := in.tx.Raw(fmt.Sprintf(`fetch %d from staged`, meters.MaxBatch)).Rows()
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, rows.Close()) }()
	for rows.Next() {
		var row stagedRow
		var at sql.NullTime
		var r meters.NewReading
		if err := rows.Scan(&row.number, &r.Meter, &at, &r.Value, &r.Unit, &r.Source, &row.zone); err != nil {
			return err
		}
		r.At = at.Time
		one(row, r)
	}
	return rows.Err()
}

func (in *readingsImport) count(row stagedRow, r meters.NewReading, t meters.Taken) {
	if t.Says != "" && t.Fault == nil {
		rule := t.Doubt
		if rule == "" {
			rule = "ratio"
		}
		in.said.warn(saying{sheet: "readings", row: row.number, place: in.place["value"] + 1, column: "value", zone: row.zone, value: strings.TrimSpace(r.Meter + " " + r.Value + " " + r.Unit), rule: rule, says: t.Says})
	}
	switch t.Outcome {
	case meters.Took:
		in.done.Taken++
	case meters.AlreadyThere:
		in.done.AlreadyThere++
	case meters.NeedsExplanation:
		in.done.NeedsExplanation++
	case meters.Quarantined:
		in.done.Quarantined++
	default:
		column := t.Fault.Field
		if _, there := in.place[column]; !there {
			column = "value"
		}
		in.blame(row.number, column, t.Fault.Value, t.Outcome, t.Fault.Msg)
	}
}
