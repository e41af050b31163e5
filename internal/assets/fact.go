package assets

import (
	"context"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/fault"
	"spindlebook/internal/measure"
	"spindlebook/internal/pgdb"
)

// Fact says what a position requires, or what a unit is, over a span: who saw
// it, when and how.
type Fact struct {
	ID           uuid.UUID
	OfID         uuid.UUID // the position or unit
	Fact         string
	Name         string
	Value        string   // as typed, with its unit
	ValueMM      *float64 `gorm:"column:value_mm" db:"value_mm"`
	From         time.Time
	Until        *time.Time
	SeenAt       *time.Time
	SeenBy       string
	How          string // measured, read_off_plate, seen, told, drawing or assumed
	RecordedAt   time.Time
	RecordedBy   string
	WithdrawnAt  *time.Time
	WithdrawnWhy *string
}

// NewFact is what it takes to record a fact: Value for a choice or a text,
// Measure for a length.
type NewFact struct {
	Fact    string
	Value   string
	Measure *measure.Typed
	From    *time.Time // nil is now
	SeenAt  *time.Time
	SeenBy  string
	How     string
}

// FactKind is something that can be recorded about a position.
type FactKind struct {
	Code    string
	Name    string
	Takes   string // choice, length or text
	Choices Texts
}

// FactKinds lists what can be recorded.
func FactKinds(ctx context.Context, db *pgdb.DB, who access.Actor) ([]FactKind, error) {
	return pgdb.Read[FactKind](ctx, db, who.ID, `select code, name, takes, choices from fact_kind order by name`, nil)
}

// subject is what facts are told of. Both kinds keep them in tables of one
// shape, apart since they are seen by different rules.
type subject struct {
	kind  string
	known string // finds the subject, and its site where it has one
	sql   *strings.Replacer
}

var (
	ofPosition = subject{"position", `select id, site_id from position where id = @of`,
		strings.NewReplacer("{table}", "position_fact", "{of}", "position_id", "{also}", "site_id, ", "{alsos}", "@site, ",
			"{subject}", "position", "{alsoOf}", "(select p.site_id from position as p where p.id = r.of_id), ")}
	ofUnit = subject{"unit", `select id, cast(null as uuid) as site_id from unit where id = @of`,
		strings.NewReplacer("{table}", "unit_fact", "{of}", "unit_id", "{also}", "", "{alsos}", "", "{subject}", "unit", "{alsoOf}", "")}
)

const factsOf = `
select f.id, f.{of} as of_id, f.fact, k.name, f.value, f.value_mm, lower(f.during) as "from", upper(f.during) as until,
       f.seen_at, f.seen_by, f.how, f.recorded_at, coalesce(a.name, '') as recorded_by, f.withdrawn_at, f.withdrawn_why
  from {table} as f
  join fact_kind as k on k.code = f.fact
  left join actor as a on a.id = f.recorded_by`

const facts = factsOf + ` where f.{of} = @of`

// Facts lists everything recorded about a position, each fact's values oldest first.
func Facts(ctx context.Context, db *pgdb.DB, who access.Actor, position uuid.UUID) ([]Fact, error) {
	if _, err := OnePosition(ctx, db, who, position); err != nil {
		return nil, err
	}
	return ofPosition.facts(ctx, db, who, position)
}

// UnitFacts lists everything recorded about a unit, each fact's values oldest
// first. What its part says of every unit stands in the catalogue.
func UnitFacts(ctx context.Context, db *pgdb.DB, who access.Actor, now time.Time, unit uuid.UUID) ([]Fact, error) {
	if _, err := OneUnit(ctx, db, who, now, unit); err != nil {
		return nil, err
	}
	return ofUnit.facts(ctx, db, who, unit)
}

func (s subject) facts(ctx context.Context, db *pgdb.DB, who access.Actor, of uuid.UUID) ([]Fact, error) {
	return pgdb.Read[Fact](ctx, db, who.ID, s.sql.Replace(facts)+` order by k.name, lower(f.during), f.id`, map[string]any{"of": of})
}

func (s subject) factInTx(tx *gorm.DB, of, id uuid.UUID) (Fact, error) {
	return pgdb.One[Fact](tx, "fact", id.String(), s.sql.Replace(facts)+` and f.id = @id`, map[string]any{"id": id, "of": of})
}

// read checks a value against its kind and gives it as it is kept.
func (k FactKind) read(in NewFact) (value string, mm *float64, err error) {
	switch {
	case k.Takes == "length" && in.Measure == nil:
		return "", nil, fault.Field("measure", "", "is needed: %s is a length, such as 1.375 in or 35 mm", k.Name)
	case k.Takes == "length":
		m, bad := measure.Of(measure.Length, *in.Measure, "measure")
		if bad != nil {
			return "", nil, bad
		}
		if m.SI <= 0 {
			return "", nil, fault.Field("measure.value", in.Measure.Value, "must be above 0")
		}
		v := m.SI * 1000
		return m.Typed, &v, nil
	case in.Measure != nil:
		return "", nil, fault.Field("measure", in.Measure.Value, "does not fit: %s takes a value", k.Name)
	case k.Takes == "choice" && !slices.Contains(k.Choices, in.Value):
		return "", nil, fault.Field("value", in.Value, "is one of %s", strings.Join(k.Choices, ", "))
	case strings.TrimSpace(in.Value) == "":
		return "", nil, fault.Field("value", in.Value, "must not be blank; what is unknown is left unrecorded")
	}
	return strings.TrimSpace(in.Value), nil, nil
}

// takeTurns makes those who change the facts of one thing at once go one after
// the other.
func takeTurns(tx *gorm.DB, of uuid.UUID) error {
	return tx.Exec(`select pg_advisory_xact_lock(hashtextextended(?, 0))`, "fact "+of.String()).Error
}

// Record records what a position requires from an instant on, until the next
// value that is recorded already. The value that stood there ends.
func Record(tx *gorm.DB, who access.Actor, now time.Time, position uuid.UUID, in NewFact) (Fact, error) {
	return ofPosition.record(tx, who, now, position, in)
}

// RecordOfUnit records what a unit is from an instant on, as Record does for a
// position: its link setting after work at the bench, say.
func RecordOfUnit(tx *gorm.DB, who access.Actor, now time.Time, unit uuid.UUID, in NewFact) (Fact, error) {
	return ofUnit.record(tx, who, now, unit, in)
}

// Withdraw takes back a fact that was recorded in error. It stays visible with
// the reason; where it had ended the value before it, that one holds again.
func Withdraw(tx *gorm.DB, who access.Actor, now time.Time, position, id uuid.UUID, reason string) (Fact, error) {
	return ofPosition.withdraw(tx, who, now, position, id, reason)
}

// WithdrawOfUnit takes back a fact of a unit, as Withdraw does.
func WithdrawOfUnit(tx *gorm.DB, who access.Actor, now time.Time, unit, id uuid.UUID, reason string) (Fact, error) {
	return ofUnit.withdraw(tx, who, now, unit, id, reason)
}

const endFact = `
update {table} set during = tstzrange(lower(during), @from)
 where {of} = @of and fact = @fact and withdrawn_at is null
   and lower(during) < @from and during @> cast(@from as timestamptz)`

const insertFact = `
insert into {table} (id, {of}, {also}fact, value, value_mm, during, seen_at, seen_by, how, recorded_at, recorded_by)
select @id, @of, {alsos}@fact, @value, @mm,
       tstzrange(@from, (select min(lower(during)) from {table}
                          where {of} = @of and fact = @fact and withdrawn_at is null and lower(during) > @from)),
       @seen_at, @seen_by, @how, @now, @who`

func (s subject) record(tx *gorm.DB, who access.Actor, now time.Time, of uuid.UUID, in NewFact) (Fact, error) {
	if err := who.Must(access.RecordWork); err != nil {
		return Fact{}, err
	}
	found, err := pgdb.One[struct{ SiteID *uuid.UUID }](tx, s.kind, of.String(), s.known, map[string]any{"of": of})
	if err != nil {
		return Fact{}, err
	}
	if err := takeTurns(tx, of); err != nil {
		return Fact{}, err
	}
	k, err := pgdb.One[FactKind](tx, "fact", in.Fact, `select code, name, takes, choices from fact_kind where code = @code`, map[string]any{"code": in.Fact})
	if fault.KindOf(err) == fault.NotFound {
		err = fault.Field("fact", in.Fact, "names no kind of fact; see /fact-kinds")
	}
	if err != nil {
		return Fact{}, err
	}
	value, mm, err := k.read(in)
	if err != nil {
		return Fact{}, err
	}
	from := since(in.From, now)
	switch {
	case from.After(now):
		return Fact{}, fault.Field("from", from.UTC().Format(time.RFC3339), "must not lie ahead: what is planned is not yet a fact")
	case in.SeenAt != nil && in.SeenAt.After(now):
		return Fact{}, fault.Field("seen_at", in.SeenAt.UTC().Format(time.RFC3339), "must not lie ahead")
	}
	id := pgdb.NewID()
	v := map[string]any{"id": id, "of": of, "site": found.SiteID, "fact": in.Fact, "value": value, "mm": mm, "from": from,
		"seen_at": in.SeenAt, "seen_by": strings.TrimSpace(in.SeenBy), "how": in.How, "now": now, "who": who.ID}
	for _, q := range []string{endFact, insertFact} {
		if err := tx.Exec(s.sql.Replace(q), v).Error; err != nil {
			return Fact{}, err
		}
	}
	return s.factInTx(tx, of, id)
}

func (s subject) withdraw(tx *gorm.DB, who access.Actor, now time.Time, of, id uuid.UUID, reason string) (Fact, error) {
	if err := who.Must(access.RecordWork); err != nil {
		return Fact{}, err
	}
	if err := takeTurns(tx, of); err != nil {
		return Fact{}, err
	}
	f, err := s.factInTx(tx, of, id)
	if err != nil {
		return f, err
	}
	if f.WithdrawnAt != nil {
		return f, &fault.Error{Kind: fault.Conflict, Field: "fact", Value: f.Value, Msg: "was withdrawn already: " + *f.WithdrawnWhy}
	}
	if strings.TrimSpace(reason) == "" {
		return f, fault.Field("reason", reason, "must not be blank")
	}
	r := tx.Exec(s.sql.Replace(`update {table} set withdrawn_at = ?, withdrawn_why = ? where id = ?`), now, strings.TrimSpace(reason), id)
	if r.Error != nil {
		return f, r.Error
	}
	if r.RowsAffected == 0 { // seen, but not the actor's to change
		return f, fault.Missing("fact", id.String())
	}
	err = tx.Exec(s.sql.Replace(`
update {table} set during = tstzrange(lower(during), cast(@until as timestamptz))
 where {of} = @of and fact = @fact and withdrawn_at is null and upper(during) = @from`),
		map[string]any{"until": f.Until, "of": of, "fact": f.Fact, "from": f.From}).Error
	if err != nil {
		return f, err
	}
	return s.factInTx(tx, of, id)
}
