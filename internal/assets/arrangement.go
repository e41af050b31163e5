package assets

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
)

// Supply is an electrical supply of a site.
type Supply struct {
	ID      uuid.UUID
	SiteID  uuid.UUID
	Code    string
	Volts   float64 // nominal, between phases
	Phases  int
	Hertz   int
	HighLeg bool // a delta supply with one leg at a higher voltage to earth
	From    time.Time
	Until   *time.Time
}

// NewSupply is what it takes to add a supply.
type NewSupply struct {
	Code    string
	Volts   float64
	Phases  int
	Hertz   int
	HighLeg bool
	From    *time.Time // nil is now
}

func (in NewSupply) check() error {
	var phases, hertz *fault.Error
	if in.Phases != 1 && in.Phases != 3 {
		phases = fault.Field("phases", in.Phases, "is 1 or 3")
	}
	if in.Hertz != 50 && in.Hertz != 60 {
		hertz = fault.Field("hertz", in.Hertz, "is 50 or 60")
	}
	return fault.Collect(phases, hertz)
}

const supplies = `
select id, site_id, code, volts, phases, hertz, high_leg, lower(during) as "from", upper(during) as until
  from supply`

// Supplies lists the supplies of a site, those that ended included.
func Supplies(ctx context.Context, db *pgdb.DB, who access.Actor, site uuid.UUID) ([]Supply, error) {
	if _, err := OneSite(ctx, db, who, site); err != nil {
		return nil, err
	}
	return pgdb.Read[Supply](ctx, db, who.ID, supplies+` where site_id = @site and `+mine+` order by code, lower(during)`, args(who, map[string]any{"site": site}))
}

// AddSupply records a supply of a site.
func AddSupply(tx *gorm.DB, who access.Actor, now time.Time, site uuid.UUID, in NewSupply) (Supply, error) {
	if err := who.Must(access.KeepRegister); err != nil {
		return Supply{}, err
	}
	if err := in.check(); err != nil {
		return Supply{}, err
	}
	id := pgdb.NewID()
	err := tx.Exec(`
insert into supply (id, site_id, code, volts, phases, hertz, high_leg, during)
values (@id, @site, @code, @volts, @phases, @hertz, @high_leg, tstzrange(@from, null))`,
		map[string]any{"id": id, "site": site, "code": in.Code, "volts": in.Volts, "phases": in.Phases, "hertz": in.Hertz,
			"high_leg": in.HighLeg, "from": since(in.From, now)}).Error
	if err != nil {
		return Supply{}, err
	}
	return pgdb.One[Supply](tx, "supply", id.String(), supplies+` where id = @id`, map[string]any{"id": id})
}

// EndSupply ends a supply at an instant.
func EndSupply(tx *gorm.DB, who access.Actor, site, id uuid.UUID, end time.Time) (Supply, error) {
	if err := who.Must(access.KeepRegister); err != nil {
		return Supply{}, err
	}
	s, err := pgdb.One[Supply](tx, "supply", id.String(), supplies+` where id = @id and site_id = @site for update`, map[string]any{"id": id, "site": site})
	if err != nil {
		return s, err
	}
	if !end.After(s.From) {
		return s, fault.Field("at", end.UTC().Format(time.RFC3339), "must lie after %s, when the supply began", s.From.UTC().Format(time.RFC3339))
	}
	if s.Until != nil {
		return s, &fault.Error{Kind: fault.Conflict, Field: "at", Value: end.UTC().Format(time.RFC3339),
			Msg: "the supply ended on " + s.Until.UTC().Format(time.RFC3339)}
	}
	if err := tx.Exec(`update supply set during = tstzrange(lower(during), ?) where id = ?`, end, id).Error; err != nil {
		return s, err
	}
	s.Until = &end
	return s, nil
}

// WeeklyHours is a stretch of the site's week in which it is open, or in which
// a line may be down.
type WeeklyHours struct {
	Kind    string // open or line_may_be_down
	Weekday int    // ISO 8601: 1 is Monday
	Starts  string // local HH:MM
	Minutes int    // length; it may run over midnight
}

const hoursNow = `
select kind, weekday, to_char(starts, 'HH24:MI') as starts, minutes
  from weekly_hours
 where site_id = @site
   and ` + mine + `
   and during @> cast(@now as timestamptz)
order by kind desc, weekday, starts`

// Hours gives the site's week as it is arranged at an instant.
func Hours(ctx context.Context, db *pgdb.DB, who access.Actor, site uuid.UUID, now time.Time) ([]WeeklyHours, error) {
	if _, err := OneSite(ctx, db, who, site); err != nil {
		return nil, err
	}
	return pgdb.Read[WeeklyHours](ctx, db, who.ID, hoursNow, args(who, map[string]any{"site": site, "now": now}))
}

// ReplaceHours arranges the site's week anew from now on. The week before keeps
// its time; should the clock have been set back since it began, the new week
// begins the moment after.
func ReplaceHours(tx *gorm.DB, who access.Actor, now time.Time, site uuid.UUID, version int, week []WeeklyHours) (Site, []WeeklyHours, error) {
	if err := who.Must(access.KeepRegister); err != nil {
		return Site{}, nil, err
	}
	if err := checkWeek(week); err != nil {
		return Site{}, nil, err
	}
	if err := bump(tx, "site", "site", site, version); err != nil {
		return Site{}, nil, err
	}
	var from time.Time
	err := tx.Raw(`
select greatest(cast(@now as timestamptz), max(lower(during)) + interval '1 microsecond') from weekly_hours where site_id = @site and upper_inf(during)`,
		map[string]any{"now": now, "site": site}).Scan(&from).Error
	if err != nil {
		return Site{}, nil, err
	}
	err = tx.Exec(`update weekly_hours set during = tstzrange(lower(during), @from) where site_id = @site and upper_inf(during)`,
		map[string]any{"from": from, "site": site}).Error
	if err != nil {
		return Site{}, nil, err
	}
	rows := make([]map[string]any, len(week))
	for i, h := range week {
		rows[i] = map[string]any{"id": pgdb.NewID(), "kind": h.Kind, "weekday": h.Weekday, "starts": h.Starts, "minutes": h.Minutes}
	}
	doc, err := json.Marshal(rows)
	if err != nil {
		return Site{}, nil, err
	}
	err = tx.Exec(`
insert into weekly_hours (id, site_id, kind, weekday, starts, minutes, during)
select id, @site, kind, weekday, starts, minutes, tstzrange(@from, null)
  from jsonb_to_recordset(cast(@rows as jsonb)) as r(id uuid, kind text, weekday smallint, starts time, minutes int)`,
		map[string]any{"site": site, "from": from, "rows": string(doc)}).Error
	if err != nil {
		return Site{}, nil, err
	}
	s, err := siteInTx(tx, site)
	if err != nil {
		return s, nil, err
	}
	var all []WeeklyHours
	err = tx.Raw(hoursNow, everywhere(map[string]any{"site": site, "now": from})).Scan(&all).Error
	return s, all, err
}

// checkWeek refuses a week in which two stretches of one kind share a minute,
// the end of Sunday running into Monday.
func checkWeek(week []WeeklyHours) error {
	const day = 24 * 60
	type stretch struct{ from, until, row int }
	taken := map[string][]stretch{}
	for i, h := range week {
		t, err := time.Parse("15:04", h.Starts)
		switch {
		case err != nil:
			return at("items", i, fault.Field("starts", h.Starts, "is a time of day, HH:MM"))
		case h.Kind != "open" && h.Kind != "line_may_be_down":
			return at("items", i, fault.Field("kind", h.Kind, "is open or line_may_be_down"))
		case h.Weekday < 1 || h.Weekday > 7:
			return at("items", i, fault.Field("weekday", h.Weekday, "is 1 (Monday) to 7 (Sunday)"))
		case h.Minutes < 1 || h.Minutes > day:
			return at("items", i, fault.Field("minutes", h.Minutes, "lies between 1 and %d", day))
		}
		from := (h.Weekday-1)*day + t.Hour()*60 + t.Minute()
		for _, s := range []stretch{{from, from + h.Minutes, i}, {from - 7*day, from + h.Minutes - 7*day, i}} {
			for _, o := range taken[h.Kind] {
				if o.row != i && s.from < o.until && o.from < s.until {
					return at("items", i, fault.Field("starts", h.Starts, "overlaps %s", fmt.Sprintf("items[%d]", o.row)))
				}
			}
			taken[h.Kind] = append(taken[h.Kind], s)
		}
	}
	return nil
}

// Blackout is a time in which no planned stop is wanted.
type Blackout struct {
	ID          uuid.UUID
	SiteID      uuid.UUID
	LineID      *uuid.UUID // nil is the whole site
	From        time.Time
	Until       time.Time
	Reason      string
	WithdrawnAt *time.Time
}

// NewBlackout is what it takes to record a blackout.
type NewBlackout struct {
	LineID *uuid.UUID
	From   time.Time
	Until  time.Time
	Reason string
}

const blackouts = `
select id, site_id, line_id, lower(during) as "from", upper(during) as until, reason, withdrawn_at
  from blackout`

// Blackouts lists the blackouts of a site by their start, the withdrawn ones included.
func Blackouts(ctx context.Context, db *pgdb.DB, who access.Actor, site uuid.UUID) ([]Blackout, error) {
	if _, err := OneSite(ctx, db, who, site); err != nil {
		return nil, err
	}
	return pgdb.Read[Blackout](ctx, db, who.ID, blackouts+` where site_id = @site and `+mine+` order by lower(during), id`, args(who, map[string]any{"site": site}))
}

// AddBlackout records a blackout.
func AddBlackout(tx *gorm.DB, who access.Actor, site uuid.UUID, in NewBlackout) (Blackout, error) {
	if err := who.Must(access.Approve); err != nil {
		return Blackout{}, err
	}
	if !in.Until.After(in.From) {
		return Blackout{}, fault.Field("until", in.Until.UTC().Format(time.RFC3339), "must lie after from")
	}
	id := pgdb.NewID()
	err := tx.Exec(`insert into blackout (id, site_id, line_id, during, reason) values (@id, @site, @line, tstzrange(@from, @until), @reason)`,
		map[string]any{"id": id, "site": site, "line": in.LineID, "from": in.From, "until": in.Until, "reason": in.Reason}).Error
	if err != nil {
		return Blackout{}, err
	}
	return pgdb.One[Blackout](tx, "blackout", id.String(), blackouts+` where id = @id`, map[string]any{"id": id})
}

// WithdrawBlackout takes a blackout back; it stays on record. Again is no change.
func WithdrawBlackout(tx *gorm.DB, who access.Actor, now time.Time, site, id uuid.UUID) error {
	if err := who.Must(access.Approve); err != nil {
		return err
	}
	r := tx.Exec(`update blackout set withdrawn_at = coalesce(withdrawn_at, ?) where id = ? and site_id = ?`, now, id, site)
	if r.Error == nil && r.RowsAffected == 0 {
		return fault.Missing("blackout", id.String())
	}
	return r.Error
}

// Note is what the distributor's people tell each other about a site.
type Note struct {
	ID        uuid.UUID
	SiteID    uuid.UUID
	Body      string
	WrittenAt time.Time
	WrittenBy string
}

const notes = `
select n.id, n.site_id, n.body, n.written_at, a.name as written_by
  from site_note as n
  join actor as a on a.id = n.written_by`

// Notes lists the internal notes of a site, the newest first.
func Notes(ctx context.Context, db *pgdb.DB, who access.Actor, site uuid.UUID) ([]Note, error) {
	if err := who.Must(access.SeeInternal); err != nil {
		return nil, err
	}
	if _, err := OneSite(ctx, db, who, site); err != nil {
		return nil, err
	}
	return pgdb.Read[Note](ctx, db, who.ID, notes+` where n.site_id = @site order by n.written_at desc, n.id`, map[string]any{"site": site})
}

// LatestNotes gives the newest internal notes of sites, at most so many of each, the newest
// first.
func LatestNotes(ctx context.Context, db *pgdb.DB, who access.Actor, sites []uuid.UUID, ofEach int) ([]Note, error) {
	if err := who.Must(access.SeeInternal); err != nil {
		return nil, err
	}
	return pgdb.Read[Note](ctx, db, who.ID, `
select n.* from unnest(cast(@ids as uuid[])) as s(id)
 cross join lateral (`+notes+` where n.site_id = s.id and (@everywhere or n.site_id = any (@sites)) order by n.written_at desc, n.id limit @most) as n
order by n.written_at desc, n.id`, args(who, map[string]any{"ids": sites, "most": ofEach}))
}

// WriteNote adds an internal note to a site.
func WriteNote(tx *gorm.DB, who access.Actor, now time.Time, site uuid.UUID, body string) (Note, error) {
	if err := who.Must(access.SeeInternal); err != nil {
		return Note{}, err
	}
	id := pgdb.NewID()
	err := tx.Exec(`insert into site_note (id, site_id, body, written_at, written_by) values (?, ?, ?, ?, ?)`, id, site, body, now, who.ID).Error
	if err != nil {
		return Note{}, err
	}
	return pgdb.One[Note](tx, "note", id.String(), notes+` where n.id = @id`, map[string]any{"id": id})
}
