package visits

import (
	"context"
	"time"

	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/calendar"
	"spindlebook/internal/fault"
	"spindlebook/internal/money"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pm/visits/readiness"
	"spindlebook/internal/pm/visits/route"
)

// Rule is by what visits are planned.
type Rule struct {
	SiteMinutes   int     // of each visit, whatever is done there
	DayMinutes    int     // that one person can work in a day
	RoadFactor    float64 // road kilometres for one as the crow flies
	SpeedKmH      float64
	Distances     string // km or miles, for reading
	WorkingDays   []int  // ISO weekdays
	Closed        []time.Time
	Latitude      *float64 // where the vans start
	Longitude     *float64
	TwinPercent   int // of the minutes of the first of a pair
	TargetPercent int // chance of no second trip for parts that is aimed at
	Version       int
}

const ruleRow = `select site_minutes, day_minutes, road_factor, speed_km_h, distances, working_days, closed, latitude, longitude, twin_percent, target_percent, version from planning_rule`

// Rules gives by what visits are planned.
func Rules(ctx context.Context, db *pgdb.DB, who access.Actor) (Rule, error) {
	return pgdb.ReadOne[Rule](ctx, db, who.ID, "planning rule", "", ruleRow, nil)
}

// SetRules changes by what visits are planned.
func SetRules(tx *gorm.DB, who access.Actor, version int, in Rule) error {
	if err := who.Must(access.Plan); err != nil {
		return err
	}
	r := tx.Exec(`
update planning_rule
   set site_minutes = @site, day_minutes = @day, road_factor = @factor, speed_km_h = @speed, distances = @distances, working_days = cast(@days as smallint[]), closed = cast(@closed as date[]), latitude = @latitude,
       longitude = @longitude, twin_percent = @twin, target_percent = @target, version = version + 1
 where version = @version`, map[string]any{"site": in.SiteMinutes, "day": in.DayMinutes, "factor": in.RoadFactor, "speed": in.SpeedKmH, "distances": in.Distances, "days": &in.WorkingDays, "closed": &in.Closed,
		"latitude": in.Latitude, "longitude": in.Longitude, "twin": in.TwinPercent, "target": in.TargetPercent, "version": version})
	if r.Error != nil || r.RowsAffected == 1 {
		return r.Error
	}
	now, err := pgdb.One[struct{ Version int }](tx, "planning rule", "", `select version from planning_rule where version <> @version`, map[string]any{"version": version})
	if err != nil {
		return err
	}
	return fault.Outdated("planning rule", version, now.Version)
}

// Cost is what trips cost us, in minor units.
type Cost struct {
	HourMinor int64 // of one person
	TripMinor int64 // of a trip as such
	Currency  string
	Version   int
}

// Costs gives what trips cost, for those who may see it.
func Costs(ctx context.Context, db *pgdb.DB, who access.Actor) (Cost, error) {
	if err := who.Must(access.SeeCost); err != nil {
		return Cost{}, err
	}
	return pgdb.ReadOne[Cost](ctx, db, who.ID, "planning cost", "", `select hour_minor, trip_minor, currency, version from planning_cost`, nil)
}

// SetCosts changes what trips cost.
func SetCosts(tx *gorm.DB, who access.Actor, version int, in Cost) error {
	if err := who.Must(access.SeeCost); err != nil {
		return err
	}
	if err := who.Must(access.Plan); err != nil {
		return err
	}
	if !money.Is(in.Currency) {
		return fault.Field("currency", in.Currency, "is a currency of ISO 4217 such as USD")
	}
	r := tx.Exec(`update planning_cost set hour_minor = @hour, trip_minor = @trip, currency = @currency, version = version + 1 where version = @version`,
		map[string]any{"hour": in.HourMinor, "trip": in.TripMinor, "currency": in.Currency, "version": version})
	if r.Error != nil || r.RowsAffected == 1 {
		return r.Error
	}
	now, err := pgdb.One[struct{ Version int }](tx, "planning cost", "", `select version from planning_cost where version <> @version`, map[string]any{"version": version})
	if err != nil {
		return err
	}
	return fault.Outdated("planning cost", version, now.Version)
}

// works gives our own working days.
func (r Rule) works() readiness.Works { return working(r.WorkingDays, r.Closed) }

func working(week []int, closed []time.Time) readiness.Works {
	open, shut := [7]bool{}, map[calendar.Date]bool{}
	for _, d := range week {
		open[d%7] = true
	}
	for _, d := range closed {
		shut[dayOf(d)] = true
	}
	return func(d calendar.Date) bool { return open[d.Weekday()] && !shut[d] }
}

// roads gives how crows' flights become drives.
func (r Rule) roads() route.Roads { return route.Roads{Factor: r.RoadFactor, Speed: r.SpeedKmH} }

// start gives where the vans start.
func (r Rule) start() *route.Point {
	if r.Latitude == nil {
		return nil
	}
	return &route.Point{Latitude: *r.Latitude, Longitude: *r.Longitude}
}

// drive gives the minutes from where the vans start to a place and back; half an
// hour each way where one of the two is not known (common practice, no source).
func (r Rule) drive(to *route.Point) int {
	from := r.start()
	if from == nil || to == nil {
		return 60
	}
	return int(2 * from.Kilometres(*to) * r.RoadFactor / r.SpeedKmH * 60)
}
