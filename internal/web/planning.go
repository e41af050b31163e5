package web

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/calendar"
	"spindlebook/internal/money"
	"spindlebook/internal/pm/visits"
)

// ruleSheet asks by what visits are planned.
func (p *pages) ruleSheet(v visit) (*sheet, error) {
	if err := v.who.Must(access.Plan); err != nil {
		return nil, err
	}
	r, err := visits.Rules(v.ctx, p.db, v.who)
	if err != nil {
		return nil, err
	}
	var week []option // as ISO 8601 numbers them
	for d := 1; d <= 7; d++ {
		week = append(week, option{strconv.Itoa(d), weekdays[d]})
	}
	s := &sheet{Title: "How visits are planned", Verb: "Plan by this", Cancel: "/visits", Crumbs: []crumb{{"/visits", "Visits"}}, Version: r.Version,
		Lead: "Proposals, the order of a day and what is ready go by these numbers. What is planned stays as it is.",
		Fields: []*field{
			{Name: "latitude", Label: "Where the vans start: latitude", Kind: "number", Optional: true, Head: "The way", Hint: "In degrees, such as 45.66; north is positive. Blank with the longitude: nobody says in which order a day is driven."},
			{Name: "longitude", Label: "Where the vans start: longitude", Kind: "number", Optional: true, Hint: "In degrees, such as -121.20; west is negative."},
			{Name: "road_factor", Label: "Road for one as the crow flies", Kind: "number", Hint: "1.3 says that 10 straight are 13 by road."},
			{Name: "speed_km_h", Label: "Speed on the road, in km/h", Kind: "number"},
			{Name: "distances", Label: "Distances are told in", Kind: "radio", Options: []option{{"miles", "miles"}, {"km", "kilometres"}}},
			{Name: "day_minutes", Label: "Minutes that one person works in a day", Kind: "number", Head: "The day", Hint: "With the way."},
			{Name: "site_minutes", Label: "Minutes of each visit, whatever is done", Kind: "number", Hint: "Signing in, locking out, restoring, handing over."},
			{Name: "twin_percent", Label: "Time of the second of a pair, in percent of the first", Kind: "number"},
			{Name: "working_days", Label: "Days on which we work", Kind: "checks", Options: week},
			{Name: "closed", Label: "Days on which we do not", Short: "The list", Kind: "area", Optional: true, Most: 6000, Hint: "One a line, such as 2026-12-25."},
			{Name: "target_percent", Label: "Chance of no second trip for parts that is aimed at, in percent", Kind: "number", Head: "The parts", Hint: "What else to take along is offered up to it."},
		}}
	f := map[string]string{"road_factor": fmt.Sprint(r.RoadFactor), "speed_km_h": fmt.Sprint(r.SpeedKmH), "distances": r.Distances, "day_minutes": fmt.Sprint(r.DayMinutes), "site_minutes": fmt.Sprint(r.SiteMinutes),
		"twin_percent": fmt.Sprint(r.TwinPercent), "target_percent": fmt.Sprint(r.TargetPercent), "working_days": strings.Trim(fmt.Sprint(r.WorkingDays), "[]")}
	if r.Latitude != nil && r.Longitude != nil {
		f["latitude"], f["longitude"] = fmt.Sprint(*r.Latitude), fmt.Sprint(*r.Longitude)
	}
	var closed []string
	for _, d := range r.Closed {
		closed = append(closed, d.Format(time.DateOnly))
	}
	f["closed"] = strings.Join(closed, "\n")
	s.fill(f)
	return s, nil
}

func (p *pages) setRule(v visit, s *sheet) (string, error) {
	r := visits.Rule{Distances: s.get("distances"), Latitude: s.number("latitude"), Longitude: s.number("longitude")}
	for name, to := range map[string]*int{"day_minutes": &r.DayMinutes, "site_minutes": &r.SiteMinutes, "twin_percent": &r.TwinPercent, "target_percent": &r.TargetPercent} {
		if n := s.whole(name); n != nil {
			*to = *n
		}
	}
	for name, to := range map[string]*float64{"road_factor": &r.RoadFactor, "speed_km_h": &r.SpeedKmH} {
		if n := s.number(name); n != nil {
			*to = *n
		}
	}
	for _, d := range strings.Fields(s.get("working_days")) {
		if n, err := strconv.Atoi(d); err == nil {
			r.WorkingDays = append(r.WorkingDays, n)
		}
	}
	for i, line := range strings.Split(s.get("closed"), "\n") {
		if strings.TrimSpace(line) == "" {
			continue
		}
		day, bad := calendar.ParseDate(strings.TrimSpace(line), "closed")
		if bad != nil {
			s.wrong("closed", fmt.Sprintf("holds %q on line %d, which %s", strings.TrimSpace(line), i+1, bad.Msg))
			continue
		}
		r.Closed = append(r.Closed, day.UTC())
	}
	if len(s.Mend) > 0 {
		return "", nil
	}
	_, err := once(p, v, s, func(tx *gorm.DB) (bool, error) { return true, visits.SetRules(tx, v.who, s.Version, r) })
	return "/visits", err
}

// costSheet asks what a trip costs us.
func (p *pages) costSheet(v visit) (*sheet, error) {
	if err := v.who.Must(access.Plan); err != nil { // who keeps parts sees costs as well
		return nil, err
	}
	c, err := visits.Costs(v.ctx, p.db, v.who)
	if err != nil {
		return nil, err
	}
	s := &sheet{Title: "What a trip costs us", Verb: "Reckon with this", Cancel: "/visits", Crumbs: []crumb{{"/visits", "Visits"}}, Version: c.Version,
		Lead: "What proposals save is reckoned with it. No customer sees it.",
		Fields: []*field{
			{Name: "hour_minor", Label: "An hour of one person", Kind: "number"},
			{Name: "trip_minor", Label: "A trip as such", Kind: "number", Hint: "The van and the way, without the people's time."},
			{Name: "currency", Label: "Currency", Hint: "Three letters, such as USD."},
		}}
	s.fill(map[string]string{"hour_minor": money.Price(c.HourMinor, c.Currency), "trip_minor": money.Price(c.TripMinor, c.Currency), "currency": c.Currency})
	return s, nil
}

func (p *pages) setCost(v visit, s *sheet) (string, error) {
	c := visits.Cost{Currency: s.currency()}
	for name, to := range map[string]*int64{"hour_minor": &c.HourMinor, "trip_minor": &c.TripMinor} {
		if n := s.minor(name); n != nil {
			*to = *n
		}
	}
	if len(s.Mend) > 0 {
		return "", nil
	}
	_, err := once(p, v, s, func(tx *gorm.DB) (bool, error) { return true, visits.SetCosts(tx, v.who, s.Version, c) })
	return "/visits", err
}
