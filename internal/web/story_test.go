package web_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/url"
	"testing"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	"spindlebook/internal/assets/meters"
	"spindlebook/internal/calendar"
	"spindlebook/internal/door"
	"spindlebook/internal/httpapi"
	"spindlebook/internal/measure"
	"spindlebook/internal/parts"
	"spindlebook/internal/parts/amount"
	"spindlebook/internal/parts/stock"
	"spindlebook/internal/pm"
)

// story is the evening before a day: four sites, what is fitted and lies where, who drives the
// van, and plans that count vehicles. At one site a gearmotor is due in nine days and a foam
// set three weeks later, at the three others three wraparounds are to be looked over.
type story struct {
	*shelves
	lines          []assets.Line // one at each site, with a counter that a gateway posts
	turned         uuid.UUID     // the one gearmotor in the warehouse: for the other side of a line
	foam           uuid.UUID
	bearing, screw assets.Part
	paste          assets.Part
	api, token     string // where the gateway posts, and with what
}

const (
	perDay     = 400 // vehicles, each day the same, at each site
	sinceStart = 365 * perDay
	motorAfter = sinceStart + 9*perDay
	foamAfter  = sinceStart + 30*perDay
	lookAfter  = sinceStart + 12*perDay
)

func newStory(t *testing.T) *story {
	t.Helper()
	s := &story{shelves: newShelves(t)}
	sys, began, until := access.System, now.AddDate(-1, 0, 0), "2027-12-31"
	for _, skill := range []string{"T2", "AU"} {
		write(t, s.db, func(tx *gorm.DB) (access.Evidence, error) {
			return access.AddEvidence(tx, sys, now, s.technician, access.NewEvidence{Skill: skill, Evidence: "course", IssuedOn: "2024-01-01", ExpiresOn: &until})
		})
	}
	// what the brush requires
	fact := func(kind, value string, m *measure.Typed) {
		write(t, s.db, func(tx *gorm.DB) (assets.Fact, error) {
			return assets.Record(tx, sys, now, s.left.ID, assets.NewFact{Fact: kind, Value: value, Measure: m, How: "measured", From: &began})
		})
	}
	fact("frame_standard", "NEMA", nil)
	fact("frame_size", "56C", nil)
	fact("bore", "", &measure.Typed{Value: 1.375, Unit: "in"})
	fact("media", "foam", nil)
	fact("media_pattern", "AABBx4", nil)
	fact("media_colour", "blue", nil)
	fact("hub_fixing", "clamp4", nil)
	for _, of := range []struct {
		part        *assets.Part
		fact, value string
	}{{&s.motorPart, "frame_size", "56C"}, {&s.mediaPart, "media_colour", "blue"}} {
		p := of.part
		*p = write(t, s.db, func(tx *gorm.DB) (assets.Part, error) {
			in := assets.PartEdit{Number: p.Number, Description: p.Description, Class: p.Class, Facts: []assets.PartFactEdit{{Fact: of.fact, Value: of.value}}}
			for _, f := range p.Facts {
				e := assets.PartFactEdit{Fact: f.Fact, Value: f.Value}
				if m, ok := measure.Parse(f.Value); ok && f.ValueMM != nil {
					e = assets.PartFactEdit{Fact: f.Fact, Measure: &m}
				}
				in.Facts = append(in.Facts, e)
			}
			return assets.EditPart(tx, sys, p.ID, p.Version, in)
		})
	}
	write(t, s.db, func(tx *gorm.DB) (bool, error) {
		for _, n := range []struct {
			unit        uuid.UUID
			fact, value string
		}{{s.motor.ID, "gearmotor_orientation", "O3"}, {s.motor.ID, "link_setting", "high"}} {
			if _, err := assets.RecordOfUnit(tx, sys, now, n.unit, assets.NewFact{Fact: n.fact, Value: n.value, How: "seen", From: &began, SeenAt: &began, SeenBy: "Imre"}); err != nil {
				return false, err
			}
		}
		for _, u := range []uuid.UUID{s.spare.ID, s.shelves.turned.ID} { // two that are out of the story
			if _, err := assets.Put(tx, sys, now, assets.Putting{UnitID: u, Place: assets.Place{LocationID: &s.bad.ID}, From: &now, Reason: "moved"}); err != nil {
				return false, err
			}
		}
		_, _, err := assets.ReplaceHours(tx, sys, now, s.site.ID, s.site.Version, week())
		return true, err
	})
	// what lies in the warehouse: the gearmotor of the other side, a foam set; nuts are in the van
	for _, of := range []struct {
		part                      *assets.Part
		number, says, class, unit string
	}{{&s.bearing, "MW-70002", "Pivot bearing set", "bearing", "ea"}, {&s.screw, "MW-22010", "Hub screw set", "fastener", "ea"}, {&s.paste, "MW-41002", "Anti-seize paste", "lubricant", "g"}} {
		*of.part = write(t, s.db, func(tx *gorm.DB) (assets.Part, error) {
			p, err := assets.AddPart(tx, sys, now, assets.PartEdit{Number: of.number, Description: of.says, Class: of.class})
			if err == nil {
				_, err = parts.SetStocking(tx, sys, p.ID, p.Version, parts.StockingEdit{MeasuredIn: of.unit, BoughtIn: of.unit, Pack: amount.One, Tracking: "none"})
			}
			return p, err
		})
	}
	write(t, s.db, func(tx *gorm.DB) (bool, error) {
		for _, p := range []assets.Part{s.motorPart, s.mediaPart} {
			if _, err := parts.SetStocking(tx, sys, p.ID, p.Version, parts.StockingEdit{MeasuredIn: "ea", BoughtIn: "ea", Pack: amount.One, Tracking: "unit"}); err != nil {
				return false, err
			}
		}
		got, err := stock.ReceiveUnits(tx, sys, now, []stock.NewUnit{{PartID: s.motorPart.ID, Tag: "B-0815", Serial: "77-0815", To: s.warehouse.ID, Reason: "first count"},
			{PartID: s.mediaPart.ID, Tag: "B-0816", Lot: "L-2301", Pattern: "AABBAABBAABBAABB", To: s.warehouse.ID, Reason: "first count"}})
		if err != nil {
			return false, err
		}
		s.turned, s.foam = *got[0].UnitID, *got[1].UnitID
		for kind, value := range map[string]string{"gearmotor_orientation": "O12", "link_setting": "low"} {
			if _, err := assets.RecordOfUnit(tx, sys, now, s.turned, assets.NewFact{Fact: kind, Value: value, How: "seen", From: &now, SeenAt: &now, SeenBy: "Junia"}); err != nil {
				return false, err
			}
		}
		first := func(p assets.Part, n int64, to assets.Location) stock.Moving {
			return stock.Moving{Kind: "receive", PartID: p.ID, Amount: amount.Of(n), To: &to.ID, Sure: true, Reason: "first count"}
		}
		if _, err := stock.Move(tx, sys, now, []stock.Moving{first(s.bearing, 1, s.warehouse), first(s.screw, 1, s.van), first(s.paste, 340, s.van)}); err != nil {
			return false, err
		}
		if _, err := parts.SetSource(tx, sys, s.motorPart.ID, s.supplier.ID, parts.SourceEdit{Number: "Q-10110-O3", Lead10: 2, Lead50: 2, Lead90: 3, Preferred: true}); err != nil {
			return false, err
		}
		_, err = stock.AddCore(tx, sys, now, stock.NewCore{PartID: s.motorPart.ID, SupplierID: s.supplier.ID, BoughtUnitID: &s.turned, CountedFrom: "purchase", PaidOn: calendar.DateOf(now).String(), DeadlineOn: (calendar.DateOf(now) + 30).String()})
		return true, err
	})
	s.sites(t)
	s.counts(t)
	s.plans(t)
	s.gateway(t)
	return s
}

// week is when the wash is open and when a line may stand: at night.
func week() (all []assets.WeeklyHours) {
	for d := 1; d <= 7; d++ {
		all = append(all, assets.WeeklyHours{Kind: "open", Weekday: d, Starts: "07:00", Minutes: 12 * 60}, assets.WeeklyHours{Kind: "line_may_be_down", Weekday: d, Starts: "19:00", Minutes: 12 * 60})
	}
	return all
}

// sites adds what is at the other three: a line with three wraparounds at each.
func (s *story) sites(t *testing.T) {
	t.Helper()
	sys, began := access.System, now.AddDate(-1, 0, 0)
	s.lines = []assets.Line{s.line}
	for _, code := range []string{"FER", "DUN", s.ground.other.Code} {
		site := s.ground.other
		if code != site.Code {
			site = write(t, s.db, func(tx *gorm.DB) (assets.Site, error) {
				return assets.AddSite(tx, sys, began, s.ours.ID, &began, assets.SiteEdit{Code: code, Name: code + " Express", Zone: s.site.Zone, Currency: "USD", Climate: "snowbelt", Size: "medium", DriverSide: "left"})
			})
		}
		line := write(t, s.db, func(tx *gorm.DB) (assets.Line, error) {
			return assets.AddLine(tx, sys, began, site.ID, &began, assets.LineEdit{Code: code + "-1", Length: &measure.Typed{Value: 90, Unit: "ft"}})
		})
		s.lines = append(s.lines, line)
		var in []assets.NewPosition
		for i := range 3 {
			in = append(in, assets.NewPosition{SiteID: site.ID, From: &began, PositionEdit: assets.PositionEdit{LineID: &line.ID, Code: fmt.Sprintf("%s-1/WR%d", code, i+1), Name: "Wraparound", Kind: "wraparound",
				LineSide: []string{"left", "right"}[i%2], Along: &measure.Typed{Value: 30 + 10*float64(i), Unit: "ft"}}})
		}
		write(t, s.db, func(tx *gorm.DB) ([]assets.Position, error) { return assets.AddPositions(tx, sys, began, in) })
		write(t, s.db, func(tx *gorm.DB) (bool, error) {
			_, _, err := assets.ReplaceHours(tx, sys, now, site.ID, site.Version, week())
			return true, err
		})
	}
}

// counts is what the counter of each line showed each week.
func (s *story) counts(t *testing.T) {
	began := now.AddDate(0, 0, -365)
	var read []meters.NewReading
	for _, l := range s.lines {
		m := write(t, s.db, func(tx *gorm.DB) (meters.Meter, error) {
			return meters.Add(tx, access.System, now, meters.NewMeter{SiteID: l.SiteID, From: &began, Unit: meters.Vehicles, Thing: meters.Thing{LineID: &l.ID, Primary: true}, Edit: meters.Edit{Code: l.Code + "/TC", Kind: "entrance_counter", Counts: "what passes"}})
		})
		for d := 365; d >= 1; d -= 7 {
			read = append(read, meters.NewReading{MeterID: m.ID, At: now.AddDate(0, 0, -d), Value: fmt.Sprint(perDay * (365 - d))})
		}
	}
	write(t, s.db, func(tx *gorm.DB) ([]meters.Taken, error) { return meters.Take(tx, access.System, now, read) })
}

// plans is what is done and when: a gearmotor, a foam set and a look after so many vehicles.
func (s *story) plans(t *testing.T) {
	t.Helper()
	sys, seldom, rarely := access.System, 0.05, 0.037
	fixed := pm.Terms{AppliesTo: "position", Kinds: []string{"side_brush_low"}, Condition: "gearmotor_orientation = O3"}
	safe := func(steps ...pm.Step) []pm.Step {
		all := append([]pm.Step{{Kind: "do", Says: "Report and sign in."}, {Kind: "isolate", Says: "Own lock on.", Hold: true}, {Kind: "prove_dead", Says: "Prove it dead.", Hold: true, Skills: []string{"AU"}}}, steps...)
		return append(all, pm.Step{Kind: "restore", Says: "Locks off, tell the staff.", Hold: true})
	}
	write(t, s.db, func(tx *gorm.DB) (bool, error) {
		for _, p := range []struct {
			code, plan, title, procedure string
			after                        float64
			at                           pm.Terms
			minutes                      pm.Minutes
			steps                        []pm.Step
			lines                        []parts.NewLine
		}{
			{"J09", "", "", "Bench preparation", 0, pm.Terms{}, pm.Minutes{Low: 20, Typical: 35, High: 60}, nil, nil},
			{"J12", "PM-902", "Look the wraparound over", "A look at a wraparound", lookAfter, pm.Terms{AppliesTo: "position", Kinds: []string{"wraparound"}}, pm.Minutes{Low: 5, Typical: 10, High: 20},
				[]pm.Step{{Kind: "do", Says: "Look at the arm, its stops and its screws while the line stands."}},
				[]parts.NewLine{{Need: "if_found", PartID: &s.screw.ID, Amount: amount.One, Chance: &rarely}, {Need: "consumable", PartID: &s.paste.ID, Amount: amount.Of(15)}}},
			{"J01", "PM-900", "Exchange the gearmotor before it wears out", "Brush gearmotor swap", motorAfter, fixed, pm.Minutes{Low: 60, Typical: 120, High: 240},
				safe(pm.Step{Kind: "measure", Says: "Count the spacers.", Records: "spacers count"}, pm.Step{Kind: "do", Says: "Mark each lead.", Records: "leads marked"},
					pm.Step{Kind: "measure", Says: "Set the links.", Hold: true, Records: "links set"}, pm.Step{Kind: "test", Says: "Jog and compare.", Hold: true, Records: "direction seen"}),
				[]parts.NewLine{{Need: "always", PartID: &s.motorPart.ID, Amount: amount.One}, {Need: "always", PartID: &s.nut.ID, Amount: amount.One}, {Need: "if_found", PartID: &s.bearing.ID, Amount: amount.One, Chance: &seldom, Cause: "bearing"}, {Need: "consumable", PartID: &s.paste.ID, Amount: amount.Of(25)}}},
			{"J02", "PM-901", "Replace the foam set before it is worn", "Foam set replacement", foamAfter, fixed, pm.Minutes{Low: 30, Typical: 60, High: 120},
				safe(pm.Step{Kind: "do", Says: "Stack the sections from the bottom up.", Records: "order"}),
				[]parts.NewLine{{Need: "always", PartID: &s.mediaPart.ID, Amount: amount.One}}},
		} {
			c := pm.Content{People: 1, Skills: []string{"T2"}, Minutes: p.minutes, LineState: "not_applicable", Steps: p.steps}
			if p.plan != "" && p.after != lookAfter {
				c.LineState, c.Energies, c.Isolation = "closed_hours", []string{"electrical"}, "lock-out at the device"
			}
			ids, err := pm.AddProcedures(tx, sys, now, []pm.NewProcedure{{Code: p.code, Title: p.procedure}})
			if err != nil {
				return false, err
			}
			v, err := pm.WriteDrafts(tx, sys, now, []pm.Write{{Procedure: ids[0], Content: c}})
			if err == nil {
				err = parts.SetLines(tx, sys, v[0], p.lines)
			}
			if err == nil {
				err = pm.Publish(tx, sys, now, v)
			}
			if err != nil || p.plan == "" {
				if err != nil {
					return false, err
				}
				continue
			}
			if ids, err = pm.AddPlans(tx, sys, now, []pm.NewPlan{{Code: p.plan, Title: p.title, Procedure: p.code}}); err != nil {
				return false, err
			}
			p.at.Basis, p.at.Criticality, p.at.Early, p.at.Late = "floating", "A", pm.Tolerance{Percent: 15}, pm.Tolerance{Percent: 2}
			p.at.Triggers = []pm.Trigger{{Kind: "after_use", Unit: "vehicles", Amount: p.after}}
			if v, err = pm.WritePlanDrafts(tx, sys, now, []pm.WritePlan{{Plan: ids[0], Terms: p.at}}); err != nil {
				return false, err
			}
			if err = pm.PublishPlans(tx, sys, now, v); err != nil {
				return false, err
			}
		}
		return true, nil
	})
}

// gateway opens the API and gives the program that reads the counters a token for it.
func (s *story) gateway(t *testing.T) {
	t.Helper()
	server := httptest.NewUnstartedServer(nil)
	clock := func() time.Time { return now.Add(time.Duration(s.ahead.Load())) }
	d, err := door.New(door.Options{DB: s.db, Log: slog.New(slog.DiscardHandler), Now: clock, PublicURL: &url.URL{Scheme: "http", Host: server.Listener.Addr().String()}, MaxBody: 1 << 20})
	if err == nil {
		err = httpapi.Mount(d, s.db, clock)
	}
	if err != nil {
		t.Fatal(err)
	}
	server.Config.Handler = d.Engine
	server.Start()
	t.Cleanup(server.Close)
	s.api = server.URL + door.APIPath
	s.token = write(t, s.db, func(tx *gorm.DB) (string, error) {
		var grants []access.NewGrant
		for _, l := range s.lines {
			grants = append(grants, access.NewGrant{Role: "gateway", SiteID: &l.SiteID})
		}
		a, err := access.AddProgram(tx, access.System, now, "Gateway of four sites", grants)
		if err != nil {
			return "", err
		}
		_, secret, err := access.GiveToken(tx, access.System, now, a.ID, now.AddDate(0, 0, 9))
		return secret, err
	})
}

// itIs moves the clock to a time of the day at the wash.
func (s *story) itIs(t *testing.T, day, clock string) {
	t.Helper()
	zone, err := time.LoadLocation(s.site.Zone)
	if err != nil {
		t.Fatal(err)
	}
	at, err := time.ParseInLocation("2006-01-02 15:04", day+" "+clock, zone)
	if err != nil || at.Before(now.Add(time.Duration(s.ahead.Load()))) {
		t.Fatalf("the clock goes back to %s, %v", at, err)
	}
	s.ahead.Store(int64(at.Sub(now)))
}

// night is what happens while people sleep: the gateway posts what the counter shows, and
// posts it again since it got no answer; then the work that has come is raised.
func (s *story) night(t *testing.T, vehicles int) {
	t.Helper()
	s.itIs(t, "2026-11-26", "05:30")
	at := now.Add(time.Duration(s.ahead.Load()))
	var items []any
	for _, l := range s.lines {
		items = append(items, map[string]any{"meter": l.Code + "/TC", "at": at.Add(-15 * time.Minute), "value": fmt.Sprint(vehicles), "source": "gateway"})
	}
	body, _ := json.Marshal(map[string]any{"items": items})
	for _, want := range []string{`"taken"`, `"already_there"`} {
		r, _ := http.NewRequest(http.MethodPost, s.api+"/readings", bytes.NewReader(body))
		r.Header.Set("Authorization", "Bearer "+s.token)
		r.Header.Set("Content-Type", "application/json")
		r.Header.Set("Idempotency-Key", uuid.NewString())
		res, err := http.DefaultClient.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		got, _ := io.ReadAll(res.Body)
		_ = res.Body.Close()
		if res.StatusCode != http.StatusOK || bytes.Count(got, []byte(want)) != len(items) {
			t.Fatalf("the gateway is answered %d %s, not %s", res.StatusCode, got, want)
		}
	}
	swept, err := pm.Tick(ctx, s.db, at)
	if err != nil || swept.Raised != 11 {
		t.Fatalf("%d pieces of work are raised, %v", swept.Raised, err)
	}
}

// The day that must work, as the four people see it who live it, on a phone and on a desk.
func TestADayAsPeopleLiveIt(t *testing.T) {
	root := browser(t)
	for at, screen := range screens {
		t.Run("on a "+screen.name, func(t *testing.T) {
			t.Parallel() // one of them looks while another waits for its page
			s := newStory(t)
			sits := func(who uuid.UUID, name string) *hand { return s.sits(t, root, who, name, at) }
			manager, clerk, imre, owner := sits(s.manager, "the manager"), sits(s.clerk, "the clerk"), sits(s.technician, "Imre"), sits(s.owner, "the owner")
			manager.open("/")
			manager.readsNot("Exchange the gearmotor")

			s.night(t, sinceStart+perDay)
			s.itIs(t, "2026-11-26", "08:00")
			s.isPlanned(manager)
			s.isPrepared(clerk)
			s.itIs(t, "2026-12-02", "18:30")
			s.isLoaded(imre)
			s.itIs(t, "2026-12-03", "05:50")
			s.isLookedAt(imre, "05:45", true)
			s.itIs(t, "2026-12-03", "13:35")
			s.isLookedAt(imre, "13:30", false)
			s.itIs(t, "2026-12-03", "19:20")
			s.isDone(imre)
			s.itIs(t, "2026-12-04", "08:00")
			if _, err := pm.Tick(ctx, s.db, now.Add(time.Duration(s.ahead.Load()))); err != nil {
				t.Fatal(err)
			}
			s.isKept(manager, clerk, owner)
		})
	}
}

// isPlanned is the manager's morning: two pieces of work that came over night become one
// visit, for which the one motor in the warehouse must be turned.
func (s *story) isPlanned(p *hand) {
	p.open("/")
	p.reads("Exchange the gearmotor before it wears out may be done now 146,400 of 149,600 vehicles", "due about", "by a count read today", "Look the wraparound over and 2 more there. may be done now 146,400 of 150,800 vehicles", "Replace the foam set before it is worn may be done now 146,400 of 158,000 vehicles")
	p.at("Exchange the gearmotor").tap("UMB Express")
	p.reads("What is due here", "Nothing is late", "Replace the foam set before it is worn UMB-1/B1-0-L Low side brush 146,400 of 158,000 vehicles")
	p.tap("Plan a visit")
	p.reads("1 trip instead of 2", "Exchange the gearmotor before it wears out", "Replace the foam set before it is worn")
	p.tap("Plan this visit")
	p.fill("Day", "2026-12-03")
	p.fill("From", "20:15")
	p.tick("Imre Vasko")
	p.choose("Van", "V1")
	p.tap("Plan the visit")
	p.reads("Thursday 3 December 2026, 20:15", "2 tasks", "go after work", "turn the gearbox from O12 to O3", "35 minutes", "Another MW-10110", "instead of the work at the bench: ordered by 27 November 2026 it is here in time")

	// the board says so until somebody has decided
	p.open("/")
	p.reads("Visits that cannot go as they are", "Thursday 3 December 2026", "go after work", "35 minutes at the bench")
	p.tap("Thursday 3 December 2026 UMB")
	p.tap("Decide")
	p.tick("It goes")
	p.fill("Why", "The motor in stock is turned at the bench; that is quicker than an order.")
	p.tap("Keep the decision")
	p.reads("goes: The whole visit", "quicker than an order", "it was said: go after work")

	// on his way there he looks at two other sites
	for _, site := range []struct{ name, from string }{{"FER Express", "05:45"}, {"DUN Express", "13:30"}} {
		p.turn("Places", "Sites")
		p.tap(site.name)
		p.tap("Due")
		p.tap("Plan a visit")
		p.reads("Look the wraparound over", "1 trip")
		p.tap("Plan this visit")
		p.fill("Day", "2026-12-03")
		p.fill("From", site.from)
		p.tick("Imre Vasko")
		p.choose("Van", "V1")
		p.tap("Plan the visit")
		p.reads("Thursday 3 December 2026, "+site.from, "3 tasks", "Can it go?", "go")
	}
}

// isPrepared is the clerk's work at the bench and at the shelf.
func (s *story) isPrepared(p *hand) {
	p.turn("Work", "Visits")
	p.tap("Thursday 3 December 2026, 20:15")
	p.reads("Before leaving", "turn the gearbox from O12 to O3", "B-0815")
	p.tap("B-0815")
	p.reads("Prepared state", "O12")
	p.tap("Prepared at the bench")
	p.choose("Gearmotor orientation", "O3")
	p.choose("Links are set for", "high voltage")
	p.tap("Record it")
	p.reads("Prepared state", "O3")

	p.turn("Work", "Visits")
	p.reads("go: J01 UMB-1/B1-0-L and J02 UMB-1/B1-0-L go")
}

// isLoaded is the technician's evening before: what the three visits take, where it lies, how
// sure it is, and what would make it surer.
func (s *story) isLoaded(p *hand) {
	p.turn("Today")
	p.reads("Wednesday 2 December", "No visit on this day")
	p.tap("Day after")
	p.reads("Thursday 3 December", "3 visits", "05:45", "FER Express", "13:30", "DUN Express", "20:15", "UMB Express")
	p.tap("What to load")
	p.reads("Van check, Thursday 3 December", "93 % chance of no second trip for parts", "Worth taking as well 1 ea MW-70002 Pivot bearing set, from WH: then 98 %",
		"To fetch", "1 ea MW-10110", "Fetch 1 from warehouse WH", "1 ea MW-31010", "115 g MW-41002 Anti-seize paste In the van: 340.", "perhaps 6 ea MW-22010 Hub screw set In the van: 1.")
	p.tap("Load what is missing")
	p.reads("Load van V1", "MW-10110", "MW-31010", "Worth taking as well")
	p.fill("MW-70002", "1")
	p.tapTwice("It is in the van now")
	p.reads("98 % chance of no second trip for parts")
	p.readsNot("To fetch", "Fetch 1", "Worth taking as well")
	p.tick("MW-10110", "MW-31010", "MW-22004")
	p.tap("Keep the ticks")
	p.reads("Last word: Imre Vasko")
}

// isLookedAt is a visit on the way: each wraparound has a card, and one screw set is used.
func (s *story) isLookedAt(p *hand, from string, uses bool) {
	p.open("/")
	p.turn("Today")
	p.tap(from)
	for i := range 3 {
		p.at(fmt.Sprintf("/WR%d", i+1)).tap("Open a job card")
		p.tap("Open the card")
		if uses && i == 1 {
			p.uses("MW-22010", "1")
		}
		p.did("Look at the arm")
		p.at("Nothing stands in the way").tap("Sign off")
		p.tap("Sign off")
		p.reads("Signed off", "1 step answered")
		p.turn("Today")
		p.tap(from)
	}
	p.tap("End it")
	p.tap("End the visit")
	p.reads("closed")
}

// isDone is the evening at the wash.
func (s *story) isDone(p *hand) {
	p.open("/")
	p.turn("Today")
	p.reads("Thursday 3 December")
	p.tap("I have left")
	p.tap("I am there")
	p.tap("I start")
	p.tap("20:15")
	p.readsNot("USD") // what it saves us is no business of the van
	p.at("Exchange the gearmotor").tap("Open a job card")
	p.reads("The site's own energy-control procedure, local codes and licensed practice come first")
	p.tap("Open the card")
	p.reads("0 of 8 steps done, 5 hold points to meet", "nothing declared: take it as live", "Seen from above it must turn clockwise", "Set the links for high", "Joined T4 with T7; T5 with T8; T6 with T9", "things stand in the way")

	p.isolates()
	p.reads("proved: start tried, 0 V on three phases", "Lock of Imre Vasko on since 3 December 2026, 19:")
	done := p.did
	done("Report and sign in.")
	p.tap("Read the counters")
	p.fill("UMB-1/TC", "149400")
	p.tap("Take the readings")
	p.reads("149400")
	done("Own lock on.")
	done("Prove it dead.")
	p.at("Count the spacers.").fill("Spacer washers counted", "3")
	done("Count the spacers.")
	p.at("Mark each lead.").fill("Leads as found", "U1-L1 V1-L2 W1-L3")
	done("Mark each lead.")

	// the old one out and why, the new one in by the serial on its plate
	p.tap("Swap a unit")
	p.tick("Gearmotor")
	p.choose("Why does the old one come out?", "failed")
	p.choose("Where does it go?", "RET")
	p.choose("What goes in?", "serial 77-0815")
	p.tap("Record the swap")
	p.reads("changed the gearmotor, in B-0815", "out because failed, to RET")
	p.uses("MW-22004", "1")
	p.reads("used, part MW-22004, amount 1, from V1")
	p.at("Set the links.").tick("high")
	done("Set the links.")

	// all out for the jog, locks off for that only
	p.tick("People are counted and out", "My lock is off, for a test only")
	p.tap("Declare")
	p.reads("off for a test")
	p.at("Jog and compare.").tick("clockwise")
	done("Jog and compare.")
	p.reads("Tested: it turned as it must.")
	p.givesBack("Guards are back", "My lock is off for good")
	done("Locks off, tell the staff.")
	p.reads("8 of 8 steps done", "Nothing stands in the way")

	// signed with a double tap, and sent again from the page before
	p.at("Nothing stands in the way").tap("Sign off")
	p.fill("Handed over to", "Pat")
	p.tapTwice("Sign off")
	p.reads("Signed off", "handed over to Pat", "8 steps answered")
	p.back()
	p.tap("Sign off")
	p.reads("Signed off", "handed over to Pat")

	// the foam set, on its own card
	p.turn("Today")
	p.tap("20:15")
	p.at("Replace the foam set").tap("Open a job card")
	p.tap("Open the card")
	p.isolates()
	for _, step := range []string{"Report and sign in.", "Own lock on.", "Prove it dead."} {
		done(step)
	}
	p.tap("Swap a unit")
	p.tick("Media")
	p.choose("Why does the old one come out?", "limit reached")
	p.choose("Where does it go?", "SCR")
	p.choose("What goes in?", "B-0816")
	p.tap("Record the swap")
	p.at("Stack the sections").fill("Order from the bottom", "AABBx4")
	done("Stack the sections")
	p.givesBack("Guards are back", "People are counted and out", "My lock is off for good")
	done("Locks off, tell the staff.")
	p.at("Nothing stands in the way").tap("Sign off")
	p.tap("Sign off")
	p.reads("Signed off", "5 steps answered")
	p.readsNot("handed over to") // nobody was there to take it
	p.turn("Today")
	p.reads("done")
	p.tap("I have finished")
	p.tap("20:15")
	p.tap("End it")
	p.tap("End the visit")
	p.reads("closed")
}

// uses takes a part out of the van, on a card.
func (p *hand) uses(part, amount string) {
	p.t.Helper()
	p.tap("Use or return a part")
	p.choose("Which part?", part)
	p.tick("used")
	p.fill("How much?", amount)
	p.choose("From where", "V1")
	p.tap("Record it")
}

// isolates declares each act at the isolation point by itself, before hands go in.
func (p *hand) isolates() {
	p.t.Helper()
	p.tick("I know its energies", "Those whom it affects are told", "It is stopped in the usual way", "The isolating device is off", "My own lock and tag are on", "Stored energy is out", "I have proved it")
	p.fill("Proved how", "start tried, 0 V on three phases")
	p.fill("With what", "tester 3")
	p.tap("Declare")
}

// givesBack declares what comes before the own lock goes, and then that the energy is on.
func (p *hand) givesBack(acts ...string) {
	p.t.Helper()
	p.tick(acts...)
	p.tap("Declare")
	p.reads("being given back: take it as live", "No lock is declared on it")
	p.tick("Those whom it affects know that locks are off", "The energy is on again")
	p.tap("Declare")
}

// did ticks a step off.
func (p *hand) did(step string) {
	p.t.Helper()
	p.at(step).tap("Done")
}

// isKept is the morning after: what the record has of it, and what the owner of the site sees.
func (s *story) isKept(manager, clerk, owner *hand) {
	clerk.turn("Stock")
	clerk.choose("Place", "V1")
	clerk.tap("Show")
	clerk.readsNot("MW-10110", "MW-31010")
	clerk.reads("5 ea free")
	clerk.tap("Cores and warranty")
	clerk.reads("in returns", s.motor.Tag)
	clerk.tap(s.motor.Tag)
	clerk.reads("In stock: RET", "failed", "UMB-1/B1-0-L")

	manager.open("/sites/" + s.site.ID.String() + "/due")
	manager.reads("0 of 149,600 vehicles since 3 December", "0 of 158,000 vehicles since 3 December", "not due")
	manager.open("/positions/" + s.left.ID.String())
	manager.reads("77-0815", "B-0816")

	owner.open("/")
	owner.turn("Coming")
	owner.at("the navigation").tap("Visits")
	owner.tap("What was")
	owner.reads("Thursday 3 December 2026, 20:15 to 00:00", "UMB Express", "closed")
	owner.tap("Thursday 3 December 2026, 20:15")
	owner.reads("Exchange the gearmotor before it wears out", "Replace the foam set before it is worn", "done")
	for _, ours := range []string{"USD", "Pellhaven", "PEL Express", secretNote, "RET", "V1", "Can it go?"} {
		owner.readsNot(ours)
	}
	owner.open("/sites")
	owner.reads("UMB Express")
	owner.readsNot("Pellhaven", "PEL Express", secretNote)

	// and when no stop is wanted
	owner.tap("UMB Express")
	owner.tap("Please not then")
	owner.fill("From", "2026-12-19T00:00")
	owner.fill("Until", "2026-12-20T00:00")
	owner.fill("Reason", "The Saturday before Christmas")
	owner.tap("Record the time")
	owner.reads("19 December 2026, 00:00 to 20 December 2026, 00:00, whole site: The Saturday before Christmas")
	manager.open("/sites/" + s.site.ID.String())
	manager.reads("The Saturday before Christmas")
}
