package exchange

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
)

// Upload is a file that was received: in a temporary place, with its fingerprint.
type Upload struct {
	file *os.File
	size int64
	sum  string
}

// Receive takes a file in, within the bound. Close lets go of it.
func Receive(r io.Reader) (*Upload, error) { return receive(r, MaxFile) }

func receive(r io.Reader, most int64) (_ *Upload, err error) {
	file, err := temporary()
	if err != nil {
		return nil, err
	}
	u := &Upload{file: file}
	defer func() {
		if err != nil {
			u.Close()
		}
	}()
	hash := sha256.New()
	if u.size, err = io.Copy(io.MultiWriter(file, hash), io.LimitReader(r, most+1)); err != nil {
		return nil, err
	}
	if u.size > most {
		return nil, tooBig("a file takes at most %d MiB", most>>20)
	}
	u.sum = hex.EncodeToString(hash.Sum(nil))
	return u, nil
}

// Close lets go of the file.
func (u *Upload) Close() {
	_ = u.file.Close() // it was read to its end, or is not wanted
}

// temporary gives a file that is gone when it is closed, or when the program is
// killed: its name is taken away at once.
func temporary() (*os.File, error) {
	file, err := os.CreateTemp("", "spindlebook-")
	if err == nil {
		if err = os.Remove(file.Name()); err != nil {
			_ = file.Close() // nothing was written
		}
	}
	if err != nil {
		return nil, fmt.Errorf("make a temporary file: %w", err)
	}
	return file, nil
}

// Options say how a file is imported.
type Options struct {
	DryRun bool   // find out what it would do, and do nothing
	Kind   string // of a CSV file whose heads do not tell it; "" looks at them
	Dates  string // DayFirst or MonthFirst for dates like 3/5/2024; "" looks for evidence
	Key    string // under which a retry is known again; "" for none
	// Told, where it is set, hears how far it is, now and then. It must not keep it waiting.
	Told func(Progress)
}

// Progress is how far an import is.
type Progress struct {
	Does string // reads, takes or writes
	Done int    // rows; of what it writes, kinds of sheet
	Of   int    // 0 where nobody knows yet
}

// often is after how many rows an import says how far it is.
const often = 250

func (o Options) tell(does string, done, of int) {
	if o.Told != nil && (done%often == 0 || done == of) {
		o.Told(Progress{does, done, of})
	}
}

// Done is what an import did, or would do, with a sheet.
type Done struct {
	Sheet     string
	Kind      string
	Added     int
	Changed   int
	Unchanged int
}

// Result is what an import did, or would do.
type Result struct {
	DryRun   bool
	Format   string   // csv or xlsx
	Notes    []string // how the file was read
	Sheets   []Done
	Warnings []Said // at most MaxListed
	Warned   []fault.Tally
}

// errDry takes a dry run back.
var errDry = errors.New("a dry run")

// Import brings a file into the register, all of it or nothing. Every error is
// found in one pass and named by row and column. The same file again changes
// nothing. One import waits for another.
func Import(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, up *Upload, o Options) (Result, error) {
	if err := errors.Join(who.Must(access.KeepRegister), who.Must(access.RecordWork)); err != nil {
		return Result{}, first(err)
	}
	if !who.Everywhere {
		return Result{}, &fault.Error{Kind: fault.Forbidden, Msg: "only the distributor's own people import"}
	}
	if o.Dates != "" && o.Dates != DayFirst && o.Dates != MonthFirst {
		return Result{}, fault.Field("dates", o.Dates, "is %s or %s", DayFirst, MonthFirst)
	}
	now = now.UTC().Truncate(time.Microsecond) // as the database keeps it
	said := newSayings()
	u, err := unpack(up.file, up.size, o, said)
	if err != nil {
		return Result{}, err
	}
	defer u.close()

	var done Result
	work := func(tx *gorm.DB) error {
		r := run{tx: tx, who: who, now: now, u: u, said: said, o: o}
		done = Result{DryRun: o.DryRun, Format: u.format, Notes: u.notes}
		if err := r.all(); err != nil {
			return err
		}
		if err := said.fault(); err != nil {
			return err
		}
		done.Sheets = r.done
		for _, w := range sorted(said.warned) {
			done.Warnings = append(done.Warnings, w.out())
		}
		done.Warned = tallies(said.byCare)
		return nil
	}
	switch {
	case o.DryRun:
		err = db.InBulk(ctx, who.ID, func(tx *gorm.DB) error {
			if err := work(tx); err != nil {
				return err
			}
			return errDry
		})
		if errors.Is(err, errDry) {
			err = nil
		}
	case o.Key != "":
		done, err = pgdb.Once(ctx, db, who.ID, now, pgdb.Request{Key: o.Key, Act: "import", Bulk: true,
			Body: map[string]string{"sum": up.sum, "kind": o.Kind, "dates": o.Dates}}, func(tx *gorm.DB) (Result, error) {
			err := work(tx)
			return done, err
		})
	default:
		err = db.InBulk(ctx, who.ID, work)
	}
	return done, err
}

// first gives the first of joined errors.
func first(err error) error {
	if f, ok := errors.AsType[*fault.Error](err); ok {
		return f
	}
	return err
}

// run is one import under way.
type run struct {
	tx    *gorm.DB
	who   access.Actor
	now   time.Time
	u     *unpacked
	said  *sayings
	known known
	done  []Done
	o     Options
	read  int // rows that were sent to the staging tables
}

func (r *run) args() map[string]any { return map[string]any{"now": r.now, "who": r.who.ID} }

func (r *run) exec(sql string) error {
	if !strings.Contains(sql, "@") {
		return r.tx.Exec(sql).Error
	}
	return r.tx.Exec(sql, r.args()).Error
}

func (r *run) execAll(all ...string) error {
	for _, sql := range all {
		if err := r.exec(sql); err != nil {
			return err
		}
	}
	return nil
}

func (r *run) all() error {
	// longer than a request may take otherwise; one import at a time, so that two
	// of the same file do not each add what the other adds
	if err := r.execAll(`set local statement_timeout = '100s'`, `set local work_mem = '32MB'`, `set local jit = off`, `select pg_advisory_xact_lock(hashtextextended('import', 0))`); err != nil {
		return err
	}
	if err := r.execAll(stageTables()...); err != nil {
		return err
	}
	if err := r.learn(); err != nil {
		return err
	}
	if err := r.stage(); err != nil {
		return err
	}
	if err := r.steps(); err != nil {
		return err
	}
	return r.hear()
}

// learn reads the names that cells may use.
func (r *run) learn() error {
	zones, err := pgdb.ZonesOf(r.tx)
	if err != nil {
		return err
	}
	r.known = known{facts: map[string]factKind{}, positions: map[string]string{}, classes: map[string]string{}, zones: zones}
	var rows []struct {
		Of, Code, Name, Takes string
		Choices               string
	}
	err = r.tx.Raw(`
select 'fact' as of, code, name, takes, array_to_string(choices, E'\n') as choices from fact_kind
 union all
select 'position', code, name, '', '' from position_kind
 union all
select 'class', code, name, '', '' from component_class`).Scan(&rows).Error
	for _, k := range rows {
		for _, name := range []string{k.Code, k.Name} {
			switch key := squeeze(name); k.Of {
			case "fact":
				r.known.facts[key] = factKind{k.Code, k.Name, k.Takes, lines(k.Choices)}
			case "position":
				r.known.positions[key] = k.Code
			case "class":
				r.known.classes[key] = k.Code
			}
		}
	}
	return err
}

func lines(s string) []string {
	var all []string
	for len(s) > 0 {
		i := 0
		for i < len(s) && s[i] != '\n' {
			i++
		}
		all = append(all, s[:i])
		s = s[min(i+1, len(s)):]
	}
	return all
}

// What a sheet holds besides its own rows: where its units are, who owns its sites.
var (
	staysOfUnits  = map[string]string{"unit tag": "unit tag", "position": "position", "slot": "slot", "holder": "holder", "location": "location", "from": "since"}
	ownersOfSites = map[string]string{"site": "site", "customer": "customer", "from": "owned since"}
)

// stage sends every row to its staging table.
func (r *run) stage() error {
	copyRows := func(s *sheet, k *sheetKind, derived map[string]string) error {
		src := &source{told: func() { r.read++; r.o.tell("reads", min(r.read, r.u.rows), r.u.rows) }, u: r.u, sheet: s, kind: k, known: r.known, said: r.said, now: r.now, derived: derived}
		_, err := pgdb.Copy(r.tx, "stage_"+k.name, columnNames(k.staging()), src)
		return err
	}
	for _, s := range r.u.sheets {
		if err := copyRows(s, s.kind, nil); err != nil {
			return err
		}
		switch {
		case s.kind.name == "units" && (s.has("position") || s.has("holder") || s.has("location")):
			if err := copyRows(s, kindOf("stays"), staysOfUnits); err != nil {
				return err
			}
		case s.kind.name == "sites" && s.has("customer"):
			if err := copyRows(s, kindOf("owners"), ownersOfSites); err != nil {
				return err
			}
		}
	}
	for _, k := range kinds {
		if err := r.exec("analyze stage_" + k.name); err != nil {
			return err
		}
	}
	return nil
}

// holds tells whether any row was staged of a kind.
func (r *run) holds(kind string) (bool, error) {
	var any bool
	err := r.tx.Raw("select exists (select from stage_" + kind + ")").Scan(&any).Error
	return any, err
}

// errors counts what the database has found so far.
func (r *run) errors() (int, error) {
	var n int
	err := r.tx.Raw(`select count(*) from import_said where level = 0`).Scan(&n).Error
	return n, err
}

// steps goes through the kinds in the order in which they build on one another.
// What parts are decides which patterns fit, so their facts come before units.
func (r *run) steps() error {
	of := func(kind string) func() error {
		if t, ok := things[kind]; ok {
			return func() error { return r.thing(t) }
		}
		return func() error { return r.timeline(timelines[kind]) }
	}
	steps := []struct {
		kind string
		do   func() error
	}{
		{"customers", of("customers")}, {"sites", of("sites")}, {"owners", of("owners")}, {"supplies", of("supplies")}, {"lines", of("lines")},
		{"positions", of("positions")}, {"states", of("states")}, {"parts", of("parts")}, {"facts", r.factsOfParts}, {"locations", of("locations")},
		{"units", of("units")}, {"facts", r.datedFacts}, {"stays", r.stays},
	}
	for n, s := range steps {
		if r.o.Told != nil {
			r.o.Told(Progress{"writes", n, len(steps)})
		}
		there, err := r.holds(s.kind)
		if err == nil && there {
			err = s.do()
		}
		if err != nil {
			if _, ok := errors.AsType[*fault.Error](err); ok {
				return err
			}
			return fmt.Errorf("import %s: %w", s.kind, err)
		}
	}
	return nil
}

func (r *run) thing(t thing) error {
	if err := r.execAll(t.ready(), "analyze ready_"+t.kind, t.find(), markBad(t.kind)); err != nil {
		return err
	}
	if err := r.execAll(t.apply()...); err != nil {
		return err
	}
	if t.kind == "positions" {
		if err := r.execAll(firstStates, oldAliases, newAliases, pairs, sayAll("ready_pairs", pairChecks)); err != nil {
			return err
		}
		if err := r.exec(newPairs); err != nil {
			return err
		}
	}
	return r.count(t.kind, t.kind)
}

func (r *run) timeline(l timeline) error {
	if err := r.execAll(l.ready(), "analyze ready_"+l.kind, l.find(), markBad(l.kind), l.spans()); err != nil {
		return err
	}
	before, err := r.errors()
	if err != nil {
		return err
	}
	if err := r.execAll(l.overlaps()...); err != nil {
		return err
	}
	after, err := r.errors()
	if err != nil || after > before { // what overlaps cannot be applied, not even to look further
		return err
	}
	if err := r.execAll(l.apply()...); err != nil {
		return err
	}
	if l.kind == "states" {
		if err := r.exec(retire); err != nil {
			return err
		}
	}
	return r.count(l.kind, l.stage)
}

func (r *run) factsOfParts() error {
	if err := r.execAll(sayAll("stage_facts", oneSubject),
		fmt.Sprintf(`update stage_facts as r set bad = true from import_said as f where f.sheet = r.sheet and f.row = r.row and f.level <> %d and not r.bad`, aWarning),
		factsOfParts, sayAll("ready_facts_of_parts", factsOfPartsChecks), markBad("facts_of_parts")); err != nil {
		return err
	}
	if err := r.execAll(factsOfPartsApply...); err != nil {
		return err
	}
	if err := r.exec(boreOfPart); err != nil {
		return err
	}
	return r.count("facts_of_parts", "facts")
}

func (r *run) datedFacts() error {
	for _, of := range []struct{ kind, frame string }{{"facts_of_positions", frameOfPosition}, {"facts_of_units", frameOfUnit}} {
		if err := r.timeline(timelines[of.kind]); err != nil {
			return err
		}
		if err := r.exec(boreWarning(of.kind, of.frame)); err != nil {
			return err
		}
	}
	return nil
}

func (r *run) stays() error {
	if err := r.execAll(placesOfStays, "analyze places_stays"); err != nil {
		return err
	}
	if err := r.execAll(oneInstant...); err != nil {
		return err
	}
	if err := r.execAll(sameSpan, readyStays, "analyze ready_stays", sayAll("ready_stays", stayChecks), markBad("stays"), spansOfStays, "analyze spans_stays"); err != nil {
		return err
	}
	before, err := r.errors()
	if err != nil {
		return err
	}
	if err := r.execAll(unitTwice, slotTwice, noReason); err != nil {
		return err
	}
	after, err := r.errors()
	if err != nil || after > before { // what overlaps cannot be applied, not even to look further
		return err
	}
	if err := r.execAll(endStays, newStays); err != nil {
		return err
	}
	return r.count("stays", "stays")
}

// count adds what a step did to the account of each sheet.
func (r *run) count(step, kind string) error {
	var rows []struct{ Sheet, Added, Changed, Unchanged int }
	if err := r.tx.Raw(counted(step)).Scan(&rows).Error; err != nil {
		return err
	}
	for _, c := range rows {
		name, found := r.u.sheets[c.Sheet].name, false
		for i := range r.done {
			if d := &r.done[i]; d.Sheet == name && d.Kind == kind {
				d.Added, d.Changed, d.Unchanged, found = d.Added+c.Added, d.Changed+c.Changed, d.Unchanged+c.Unchanged, true
			}
		}
		if !found {
			r.done = append(r.done, Done{name, kind, c.Added, c.Changed, c.Unchanged})
		}
	}
	return nil
}

// Where a column of a step goes by another name in the sheet.
var alsoCalled = map[string][]string{"from": {"since", "owned since"}, "slot": {"position", "holder"}, "position": {"unit tag", "location"},
	"owner customer": {"owner"}}

// hear takes over what the database found.
func (r *run) hear() error {
	var counts []struct {
		Rule  string
		Level int
		N     int
	}
	if err := r.tx.Raw(`select rule, level, count(*) as n from import_said where level in (0, 1) group by rule, level`).Scan(&counts).Error; err != nil {
		return err
	}
	if len(counts) == 0 {
		return nil
	}
	for _, c := range counts {
		if c.Level == anError {
			r.said.errors += c.N
			r.said.byRule[c.Rule] += c.N
		} else {
			r.said.warnings += c.N
			r.said.byCare[c.Rule] += c.N
		}
	}
	var rows []struct {
		Sheet, Row             int
		Col, Value, Rule, Says string
		Level                  int
	}
	err := r.tx.Raw(`
select * from (
  select sheet, row, col, coalesce(value, '') as value, rule, says, level, row_number() over (partition by level order by sheet, row, col) as nth
    from import_said where level in (0, 1)) as f
 where nth <= @most
order by level, nth`, map[string]any{"most": MaxListed}).Scan(&rows).Error
	for _, f := range rows {
		s := r.u.sheets[f.Sheet]
		it := saying{order: f.Sheet, sheet: s.name, row: f.Row, value: f.Value, rule: f.Rule, says: f.Says}
		for _, name := range append([]string{f.Col}, alsoCalled[f.Col]...) {
			if place, ok := s.place[name]; ok && f.Col != "" {
				it.place, it.column = place+1, s.columns[place].typed
				break
			}
		}
		if f.Level == anError {
			r.said.listed = append(r.said.listed, it)
		} else {
			r.said.warned = append(r.said.warned, it)
		}
	}
	return err
}
