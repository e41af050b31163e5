package demo

import (
	"fmt"
	"path"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/measure"
)

// loader writes the scenario in one transaction. Its maps are keyed by the
// codes of the data files; what is written follows the order of the files.
type loader struct {
	scenario
	tx  *gorm.DB
	now time.Time

	customers map[string]assets.Customer // by name
	joined    map[string]time.Time       // when each organisation came into the register, by name
	clocks    map[string]clock           // by site
	sites     map[string]assets.Site
	motors    map[string]*uuid.UUID // each site's supply of motors
	lines     map[string]assets.Line
	positions map[string]assets.Position
	order     []string // the codes of positions as they were added
	found     []found  // what will be recorded of positions
	parts     []part
	locations map[string]assets.Location
	slots     map[string]assets.Fitted // by position and slot: "UMB-1/SBL-D gearmotor"
	units     map[string]*unit         // by what the files call them
	unitOrder []*unit
	actors    map[string]uuid.UUID // people by their id, the gateway of a site by its code
	counters  []*counter
	vehicles  map[string][]float64 // of each day and line, from the first day on
}

func (l *loader) load() error {
	for _, step := range []struct {
		name string
		do   func() error
	}{
		{"customers", l.addCustomers}, {"sites", l.addSites}, {"supplies", l.addSupplies}, {"hours", l.addHours},
		{"lines", l.addLines}, {"positions", l.addPositions}, {"states", l.addStates}, {"isolation", l.addIsolation},
		{"twins", l.pairTwins}, {"facts", l.addFacts}, {"blackouts", l.addBlackouts}, {"notes", l.addNotes},
		{"parts", l.addParts}, {"catalogue", l.addCatalogue}, {"locations", l.addLocations}, {"units", l.addUnits}, {"history", l.addHistory},
		{"facts of units", l.addUnitFacts}, {"sections", l.addSections}, {"stock", l.addStock},
		{"people", l.addPeople}, {"vans", l.handVans}, {"gateways", l.addGateways}, {"meters", l.addMeters}, {"readings", l.addReadings}, {"formulas", l.addComputed},
		{"facts of pumps", l.addPumps}, {"names of the programme", l.addHeads}, {"jobs", l.addJobs}, {"programme", l.addProgramme},
	} {
		if err := step.do(); err != nil {
			return fmt.Errorf("load the %s of the demo: %w", step.name, err)
		}
	}
	return nil
}

// later gives the later of two instants.
func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

// siteOf gives the site of a line or of a site's own code: "UMB" of "UMB-1".
func siteOf(where string) string {
	site, _, _ := strings.Cut(where, "-")
	return site
}

// clockOf gives the clock of the site to which a position, line or site belongs.
func (l *loader) clockOf(code string) clock {
	where, _, _ := strings.Cut(code, "/")
	return l.clocks[siteOf(where)]
}

func (l *loader) addCustomers() error {
	l.customers, l.joined = map[string]assets.Customer{}, map[string]time.Time{}
	c, err := newClock(l.now, l.places[0].Zone)
	if err != nil {
		return err
	}
	c.start = c.began
	l.joined[distributor] = c.began
	for _, row := range l.scenario.customers {
		if l.joined[row.Name], err = c.at(row.Since); err != nil {
			return err
		}
		l.customers[row.Name], err = assets.AddCustomer(l.tx, access.System, l.joined[row.Name],
			assets.CustomerEdit{Code: row.Code, Name: row.Name, NeedsOrderNumber: row.NeedsOrder})
		if err != nil {
			return err
		}
	}
	return nil
}

func (l *loader) addSites() error {
	l.clocks, l.sites = map[string]clock{}, map[string]assets.Site{}
	for _, row := range l.scenario.sites {
		i := slices.IndexFunc(l.places, func(p placeRow) bool { return p.Site == row.ID })
		if i < 0 {
			return fmt.Errorf("site %s has no place", row.ID)
		}
		p := l.places[i]
		c, err := newClock(l.now, p.Zone)
		if err != nil {
			return err
		}
		if c.start, err = c.at(p.TakenOn); err != nil {
			return err
		}
		l.clocks[row.ID] = c
		owner := row.Customer
		if p.SoldBy != "" {
			owner = p.SoldBy
		}
		site, err := assets.AddSite(l.tx, access.System, later(c.start, c.began), l.customers[owner].ID, &c.start, assets.SiteEdit{
			Code: row.ID, Name: row.Name, Address: p.Address, Latitude: &p.Latitude, Longitude: &p.Longitude, Zone: p.Zone, Currency: p.Currency,
			Climate: row.Climate, Size: row.Size, DriverSide: row.DriveSide, DayTurnsAt: p.DayTurnsAt})
		if err != nil {
			return err
		}
		l.sites[row.ID] = site
		if p.SoldBy == "" {
			continue
		}
		if _, err := assets.HandOver(l.tx, access.System, site.ID, l.customers[row.Customer].ID, c.sale); err != nil {
			return err
		}
	}
	return nil
}

func (l *loader) addSupplies() error {
	l.motors = map[string]*uuid.UUID{}
	for _, row := range l.supplies {
		start := l.clocks[row.Site].start
		s, err := assets.AddSupply(l.tx, access.System, l.now, l.sites[row.Site].ID, assets.NewSupply{
			Code: row.Code, Volts: row.Volts, Phases: row.Phases, Hertz: row.Hertz, HighLeg: row.HighLeg, From: &start})
		if err != nil {
			return err
		}
		if row.Use == "motors" {
			l.motors[row.Site] = &s.ID
		}
	}
	return nil
}

// addHours arranges each week of a site in turn, so that a new owner's week
// ends that of the owner before.
func (l *loader) addHours() error {
	for rest := l.hours; len(rest) > 0; {
		n := 1
		for n < len(rest) && rest[n].Site == rest[0].Site && rest[n].Since == rest[0].Since {
			n++
		}
		var week []assets.WeeklyHours
		for _, row := range rest[:n] {
			stretches, err := row.week()
			if err != nil {
				return err
			}
			week = append(week, stretches...)
		}
		site := l.sites[rest[0].Site]
		from, err := l.clocks[rest[0].Site].at(rest[0].Since)
		if err != nil {
			return err
		}
		if l.sites[rest[0].Site], _, err = assets.ReplaceHours(l.tx, access.System, from, site.ID, site.Version, week); err != nil {
			return err
		}
		rest = rest[n:]
	}
	return nil
}

// week gives a row's stretch for each of its weekdays.
func (r hoursRow) week() ([]assets.WeeklyHours, error) {
	starts, err := time.Parse("15:04", r.Starts)
	if err != nil {
		return nil, err
	}
	ends, err := time.Parse("15:04", r.Ends)
	if err != nil {
		return nil, err
	}
	if !ends.After(starts) {
		ends = ends.Add(24 * time.Hour)
	}
	first, last, many := strings.Cut(r.Days, "-")
	if !many {
		last = first
	}
	from, err := strconv.Atoi(first)
	if err != nil {
		return nil, err
	}
	until, err := strconv.Atoi(last)
	if err != nil {
		return nil, err
	}
	var week []assets.WeeklyHours
	for day := from; day <= until; day++ {
		week = append(week, assets.WeeklyHours{Kind: r.Kind, Weekday: day, Starts: r.Starts, Minutes: int(ends.Sub(starts).Minutes())})
	}
	return week, nil
}

func (l *loader) addLines() error {
	l.lines = map[string]assets.Line{}
	for _, row := range l.scenario.lines {
		c := l.clocks[row.Site]
		line, err := assets.AddLine(l.tx, access.System, later(c.start, c.began), l.sites[row.Site].ID, &c.start, assets.LineEdit{
			Code: row.Code, Name: row.Name, Length: &measure.Typed{Value: row.Length, Unit: row.LengthUnit},
			Speed: &measure.Typed{Value: row.Speed, Unit: row.SpeedUnit}, VehiclesPerHourMax: &row.PerHour})
		if err != nil {
			return err
		}
		l.lines[row.Code] = line
	}
	return nil
}

func (l *loader) addPositions() error {
	l.positions = map[string]assets.Position{}
	alias := map[string][]string{}
	for _, a := range l.aliases {
		alias[a.Position] = append(alias[a.Position], a.Alias)
	}
	// one list for each site and each day on which something was built there
	type build struct{ site, since string }
	var builds []build
	lists := map[build][]assets.NewPosition{}
	for _, row := range l.stations {
		b := build{siteOf(row.Where), row.Since}
		from, err := l.clocks[b.site].at(b.since)
		if err != nil {
			return err
		}
		if lists[b] == nil {
			builds = append(builds, b)
		}
		for i, place := range row.places() {
			code := row.code(place)
			in := assets.NewPosition{SiteID: l.sites[b.site].ID, From: &from, PositionEdit: assets.PositionEdit{Code: code, Name: row.name(place),
				Kind: row.Kind, LineSide: sideOf(place), Aliases: alias[code]}}
			if line, on := l.lines[row.Where]; on {
				in.LineID = &line.ID
			}
			if in.Along, err = row.along(i); err != nil {
				return err
			}
			if row.Powered {
				in.SupplyID = l.motors[b.site]
			}
			lists[b] = append(lists[b], in)
		}
	}
	for _, b := range builds {
		c := l.clocks[b.site]
		added, err := assets.AddPositions(l.tx, access.System, later(*lists[b][0].From, c.began), lists[b])
		if err != nil {
			return err
		}
		for _, p := range added {
			l.positions[p.Code] = p
			l.order = append(l.order, p.Code)
		}
	}
	return nil
}

func (l *loader) addStates() error {
	for _, row := range l.states {
		at, err := l.clockOf(row.Position).at(row.When)
		if err != nil {
			return err
		}
		if _, err := assets.ChangeState(l.tx, access.System, l.now, l.positions[row.Position].ID, row.State, &at, row.Reason); err != nil {
			return fmt.Errorf("%s: %w", row.Position, err)
		}
	}
	return nil
}

// pairTwins pairs what stands left and right at one station.
func (l *loader) pairTwins() error {
	for _, code := range l.order {
		left := l.positions[code]
		right, paired := l.positions[strings.TrimSuffix(code, "-D")+"-P"]
		if left.Duty != "brush" || left.LineSide != "left" || !paired {
			continue
		}
		if _, err := assets.Pair(l.tx, access.System, left.ID, left.Version, &right.ID); err != nil {
			return fmt.Errorf("%s: %w", code, err)
		}
	}
	return nil
}

// addIsolation records the points with their versions, and then names them at
// the positions.
func (l *loader) addIsolation() error {
	texts := map[string]isolationText{}
	for _, t := range l.texts {
		texts[t.Name] = t
	}
	points := map[string]uuid.UUID{}
	of := map[string][]uuid.UUID{}
	for _, row := range l.isolation {
		behind, err := l.matching(row)
		if err != nil {
			return err
		}
		groups := [][]string{behind}
		if row.Each {
			groups = groups[:0]
			for _, code := range behind {
				groups = append(groups, []string{code})
			}
		}
		for _, group := range groups {
			code := row.Where + "/" + strings.Replace(row.Code, "*", tail(group[0]), 1)
			edit, from, err := l.version(row, texts[row.Text], l.positions[group[0]].Name)
			if err != nil {
				return err
			}
			c := l.clockOf(row.Where)
			if id, known := points[code]; known {
				if _, err := assets.ReviseIsolationPoint(l.tx, access.System, c.recorded(from, nil), id, edit); err != nil {
					return fmt.Errorf("%s: %w", code, err)
				}
				continue
			}
			point, err := assets.AddIsolationPoint(l.tx, access.System, c.recorded(from, nil), l.sites[siteOf(row.Where)].ID, code, texts[row.Text].Energy, edit)
			if err != nil {
				return fmt.Errorf("%s: %w", code, err)
			}
			points[code] = point.ID
			for _, position := range group {
				of[position] = append(of[position], point.ID)
			}
		}
	}
	for _, code := range l.order {
		if len(of[code]) == 0 {
			continue
		}
		p, _, err := assets.SetIsolation(l.tx, access.System, l.now, l.positions[code].ID, l.positions[code].Version, of[code])
		if err != nil {
			return fmt.Errorf("%s: %w", code, err)
		}
		l.positions[code] = p
	}
	return nil
}

// matching gives the positions behind a point, those taken out left aside.
func (l *loader) matching(row isolationRow) ([]string, error) {
	var found []string
	for _, pattern := range strings.Fields(row.Positions) {
		if !strings.Contains(pattern, "/") {
			pattern = row.Where + "/" + pattern
		}
		before := len(found)
		for _, code := range l.order {
			if fits, err := path.Match(pattern, code); err != nil {
				return nil, err
			} else if fits && !l.retired(code) {
				found = append(found, code)
			}
		}
		if len(found) == before {
			return nil, fmt.Errorf("no position is like %s", pattern)
		}
	}
	return found, nil
}

// version gives the text of a point as of its check, and that instant.
func (l *loader) version(row isolationRow, t isolationText, name string) (assets.IsolationEdit, time.Time, error) {
	c := l.clockOf(row.Where)
	from, err := c.at(row.Checked)
	return assets.IsolationEdit{Place: strings.ReplaceAll(row.Place, "{name}", name), Isolate: t.Isolate, Prove: t.Prove, Restore: t.Restore,
		Lockable: row.Lockable, InSight: row.InSight, CheckedOn: from.Format(time.DateOnly), CheckedBy: row.CheckedBy, ValidFrom: &from}, from, err
}

func (l *loader) retired(code string) bool {
	return slices.ContainsFunc(l.states, func(r stateRow) bool { return r.Position == code && r.State == "retired" })
}

func (l *loader) addBlackouts() error {
	for _, row := range l.blackouts {
		c := l.clockOf(row.Where)
		days := []holiday{{row.Reason, time.Time{}}}
		if row.When == "saturdays before holidays" {
			days = c.busySaturdays()
			for i := range days {
				days[i].name = "Saturday before " + days[i].name
			}
		} else {
			at, err := c.at(row.When)
			if err != nil {
				return err
			}
			days[0].day = time.Date(at.Year(), at.Month(), at.Day(), 0, 0, 0, 0, c.loc)
		}
		site := l.sites[siteOf(row.Where)].ID
		var line *uuid.UUID
		if known, on := l.lines[row.Where]; on {
			line = &known.ID
		}
		for _, d := range days {
			b, err := assets.AddBlackout(l.tx, access.System, site, assets.NewBlackout{LineID: line, From: d.day, Until: d.day.AddDate(0, 0, row.Days), Reason: d.name})
			if err != nil {
				return err
			}
			if row.Withdrawn == "" {
				continue
			}
			at, err := c.at(row.Withdrawn)
			if err != nil {
				return err
			}
			if err := assets.WithdrawBlackout(l.tx, access.System, at, site, b.ID); err != nil {
				return err
			}
		}
	}
	return nil
}

// addNotes writes down what is odd about each site when it came into the
// register, and what was noticed since.
func (l *loader) addNotes() error {
	for _, row := range l.scenario.sites {
		c := l.clocks[row.ID]
		body := strings.ToUpper(row.Quirk[:1]) + row.Quirk[1:] + "."
		at := later(c.start, c.began)
		if slices.ContainsFunc(l.places, func(p placeRow) bool { return p.Site == row.ID && p.SoldBy != "" }) {
			at = c.sale // what is odd about it began then
		}
		if _, err := assets.WriteNote(l.tx, access.System, at, l.sites[row.ID].ID, body); err != nil {
			return err
		}
	}
	for _, row := range l.notes {
		at, err := l.clocks[row.Site].at(row.Written)
		if err != nil {
			return err
		}
		if _, err := assets.WriteNote(l.tx, access.System, at, l.sites[row.Site].ID, row.Body); err != nil {
			return err
		}
	}
	return nil
}

func (r stationRow) places() []string {
	if r.Places == "" {
		return []string{""}
	}
	return strings.Fields(r.Places)
}

func (r stationRow) code(place string) string {
	code := r.Where + "/" + r.Code
	if place != "" {
		code += "-" + place
	}
	return code
}

// along gives where the i-th place stands. D, P and U stand side by side; only
// where a step is given do places follow one another along the line.
func (r stationRow) along(i int) (*measure.Typed, error) {
	if r.Along == "" {
		return nil, nil
	}
	at, err := strconv.ParseFloat(r.Along, 64)
	if err != nil {
		return nil, err
	}
	if r.Step != "" {
		step, err := strconv.ParseFloat(r.Step, 64)
		if err != nil {
			return nil, err
		}
		// tenths, so that 22.2 and 1.3 give 23.5 as somebody would have typed it
		at = float64(int(10*(at+float64(i)*step)+0.5)) / 10
	}
	return &measure.Typed{Value: at, Unit: r.Unit}, nil
}
