package httpapi_test

import (
	"bytes"
	"context"
	"encoding/json"
	"image"
	"image/png"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/getkin/kin-openapi/openapi3filter"
	"github.com/getkin/kin-openapi/routers"
	"github.com/getkin/kin-openapi/routers/gorillamux"
	"github.com/google/uuid"
	"github.com/prometheus/client_golang/prometheus"
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
	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgtest"
	"spindlebook/internal/pm"
	"spindlebook/internal/pm/failure"
	"spindlebook/internal/pm/visits"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

var ctx = context.Background()

// service is the API over a database of its own, with two customers, a site
// each, and a token for each role.
type service struct {
	t      testing.TB
	db     *pgdb.DB
	door   *door.Door
	server *httptest.Server
	router routers.Router
	now    time.Time
	counts *prometheus.Registry

	own, other place
	tokens     map[string]string // role to token; the owner, site staff and gateway of the first site
}

// place is a site with something of each kind.
type place struct {
	customer    assets.Customer
	site        assets.Site
	line        assets.Line
	left, right assets.Position
	supply      assets.Supply
	blackout    assets.Blackout
	point       assets.IsolationPoint
	fact        assets.Fact
	part        assets.Part
	unit        assets.Unit
	slot        uuid.UUID
	unitFact    assets.Fact
	photo       assets.Photo
	blurred     assets.Photo // it is withdrawn
	shelf       assets.Location
	meter       meters.Meter
	reading     uuid.UUID
	fault       failure.Fault
	supplier    parts.Supplier
	follows     parts.Succession
	goesFor     parts.Interchange
	procedure   uuid.UUID // its version that holds
	card        uuid.UUID // of a job at the left position
	count       stock.Count
	order       stock.Order
	bag         uuid.UUID
	// planned work: one plan for both places, and what it is at this one
	work, plan, planVersion                      uuid.UUID
	assignment, task, override, completion, done uuid.UUID
	visit                                        uuid.UUID
	choice                                       uuid.UUID
}

const maxBody = 64 << 10

// onePixel is a whole PNG picture.
var onePixel = func() []byte {
	var b bytes.Buffer
	if err := png.Encode(&b, image.NewGray(image.Rect(0, 0, 1, 1))); err != nil {
		panic(err)
	}
	return b.Bytes()
}()

func newService(t testing.TB) *service {
	t.Helper()
	return newServiceOn(t, pgtest.New(t))
}

func newServiceOn(t testing.TB, db *pgdb.DB) *service {
	t.Helper()
	s := &service{t: t, db: db, now: time.Now(), tokens: map[string]string{}, counts: prometheus.NewRegistry()}
	var err error
	s.door, err = door.New(door.Options{DB: db, Log: slog.New(slog.NewTextHandler(t.Output(), &slog.HandlerOptions{Level: slog.LevelError})), Now: func() time.Time { return s.now },
		PublicURL: &url.URL{Scheme: "http", Host: "wash.example"}, MaxBody: maxBody, Metrics: s.counts})
	if err != nil {
		t.Fatal(err)
	}
	if err := httpapi.Mount(s.door, db, func() time.Time { return s.now }); err != nil {
		t.Fatal(err)
	}
	s.server = httptest.NewServer(s.door.Engine)
	t.Cleanup(s.server.Close)
	doc, err := httpapi.Spec()
	if err != nil {
		t.Fatal(err)
	}
	if s.router, err = gorillamux.NewRouter(doc); err != nil {
		t.Fatal(err)
	}
	s.own, s.other = s.addPlace("HAD", "UMB"), s.addPlace("OST", "THO")
	for role, g := range map[string]access.NewGrant{
		"manager": {}, "parts_clerk": {}, "technician": {},
		"owner":      {CustomerID: &s.own.customer.ID},
		"site_staff": {CustomerID: &s.own.customer.ID, SiteID: &s.own.site.ID},
		"gateway":    {SiteID: &s.own.site.ID},
	} {
		g.Role = role
		s.tokens[role], _ = s.addToken(role, g, s.now.Add(24*time.Hour))
	}
	return s
}

// as runs fn in a transaction of the system.
func (s *service) as(fn func(tx *gorm.DB) error) {
	s.t.Helper()
	if err := s.db.InTx(ctx, access.System.ID, fn); err != nil {
		s.t.Fatal(err)
	}
}

// stocked gives the place a count, an order and a bag of a kit.
func (p *place) stocked(tx *gorm.DB, now time.Time) (err error) {
	supplier := pgdb.NewID()
	p.bag = pgdb.NewID()
	for _, q := range []string{
		`insert into supplier (id, code, name, created_at) values (@supplier, 'S-' || upper(left(@supplier, 6)) || upper(right(@supplier, 6)), 'Supplier', @now)`,
		`insert into lot (id, part_id, code, recorded_at, recorded_by) values (@bag, @part, 'K-' || @bag, @now, @who)`,
		`insert into kit_bag (lot_id, kit_id, built_at, built_by) values (@bag, @part, @now, @who)`,
	} {
		if err := tx.Exec(q, map[string]any{"supplier": supplier.String(), "bag": p.bag.String(), "part": p.part.ID, "now": now, "who": access.System.ID}).Error; err != nil {
			return err
		}
	}
	if p.count, err = stock.OpenCount(tx, access.System, now, p.shelf.ID, true, []uuid.UUID{p.part.ID}); err != nil {
		return err
	}
	p.order, err = stock.DraftOrder(tx, access.System, now, stock.NewOrder{SupplierID: supplier, LocationID: p.shelf.ID, Lines: []stock.NewOrderLine{{PartID: p.part.ID, Amount: amount.One}}})
	return err
}

func (s *service) addToken(name string, g access.NewGrant, expires time.Time) (secret string, program uuid.UUID) {
	s.t.Helper()
	s.as(func(tx *gorm.DB) error {
		a, err := access.AddProgram(tx, access.System, s.now, name, []access.NewGrant{g})
		if err != nil {
			return err
		}
		program = a.ID
		_, secret, err = access.GiveToken(tx, access.System, s.now, a.ID, expires)
		return err
	})
	return secret, program
}

func (s *service) addPlace(customer, site string) (p place) {
	s.t.Helper()
	began := s.now.AddDate(-1, 0, 0)
	s.as(func(tx *gorm.DB) (err error) {
		who := access.System
		steps := []func() error{
			func() error {
				p.customer, err = assets.AddCustomer(tx, who, s.now, assets.CustomerEdit{Code: customer, Name: customer + " Wash"})
				return err
			},
			func() error {
				p.site, err = assets.AddSite(tx, who, s.now, p.customer.ID, &began, assets.SiteEdit{Code: site, Name: site + " Express", Zone: "America/Chicago",
					Currency: "USD", Climate: "snowbelt", Size: "medium", DriverSide: "left"})
				return err
			},
			func() error {
				p.line, err = assets.AddLine(tx, who, s.now, p.site.ID, &began, assets.LineEdit{Code: site + "-1", Length: &measure.Typed{Value: 110, Unit: "ft"}})
				return err
			},
			func() error {
				p.supply, err = assets.AddSupply(tx, who, s.now, p.site.ID, assets.NewSupply{Code: "main", Volts: 460, Phases: 3, Hertz: 60, From: &began})
				return err
			},
			func() error {
				side := func(side string) assets.NewPosition {
					return assets.NewPosition{SiteID: p.site.ID, From: &began, PositionEdit: assets.PositionEdit{LineID: &p.line.ID, Code: site + "-1/SBL-" + strings.ToUpper(side[:1]),
						Name: "Low side brush, " + side, Kind: "side_brush_low", LineSide: side, Along: &measure.Typed{Value: 38, Unit: "ft"}}}
				}
				pair, err := assets.AddPositions(tx, who, s.now, []assets.NewPosition{side("left"), side("right")})
				if err == nil {
					p.left, p.right = pair[0], pair[1]
				}
				return err
			},
			func() error {
				p.fact, err = assets.Record(tx, who, s.now, p.left.ID, assets.NewFact{Fact: "hub_fixing", Value: "clamp4", How: "seen", From: &began})
				return err
			},
			func() error {
				p.part, err = assets.AddPart(tx, who, s.now, assets.PartEdit{Number: "MW-" + strings.ToUpper(uuid.NewString()[:8]), Description: "Gearmotor", Class: "gearmotor"})
				return err
			},
			func() error {
				p.unit, err = assets.AddUnit(tx, who, s.now, assets.NewUnit{UnitEdit: assets.UnitEdit{PartID: p.part.ID, Serial: site + "-4471"}})
				return err
			},
			func() error {
				p.unitFact, err = assets.RecordOfUnit(tx, who, s.now, p.unit.ID, assets.NewFact{Fact: "leads", Value: "9", How: "seen", From: &began})
				return err
			},
			func() error {
				p.slot, err = pgdb.ID(tx, `select id from slot where position_id = ? and code = 'gearmotor'`, p.left.ID)
				if err != nil {
					return err
				}
				_, err = assets.Put(tx, who, s.now, assets.Putting{UnitID: p.unit.ID, Place: assets.Place{SlotID: &p.slot}, From: &began})
				return err
			},
			func() error {
				p.photo, err = assets.AddPhoto(tx, who, s.now, assets.NewPhoto{PositionID: &p.left.ID, Caption: "nameplate", Content: onePixel})
				return err
			},
			func() error {
				p.blurred, err = assets.AddPhoto(tx, who, s.now, assets.NewPhoto{PositionID: &p.left.ID, Caption: "blurred", Content: onePixel})
				return err
			},
			func() error {
				p.shelf, err = assets.AddLocation(tx, who, s.now, assets.NewLocation{Code: p.site.Code + "-SHELF", Name: "Shelf", Kind: "site_shelf", SiteID: &p.site.ID})
				p.meter, err = meters.Add(tx, who, s.now, meters.NewMeter{SiteID: p.site.ID, From: &began, Unit: meters.Vehicles,
					Edit: meters.Edit{Code: site + "-1/TC", Kind: "entrance_counter", Counter: meters.Counter{Digits: new(5)}}, Thing: meters.Thing{LineID: &p.line.ID, Primary: true}})
				return err
			},
			func() error {
				all, err := meters.Take(tx, who, s.now, []meters.NewReading{{MeterID: p.meter.ID, At: s.now.AddDate(0, -1, 0), Value: "40000"}})
				if err == nil {
					p.reading = all[0].ReadingID
				}
				return err
			},
			func() error {
				if err := p.stocked(tx, s.now); err != nil {
					return err
				}
				p.fault, err = failure.Add(tx, who, s.now, failure.New{SiteID: p.site.ID, PositionID: &p.left.ID, Mode: "FM-008",
					Edit: failure.Edit{Says: "It wobbles at " + site, Detected: "operator", Before: "up", LineEffect: "degraded", Payer: "not_said"}})
				return err
			},
			func() error {
				p.supplier, err = parts.AddSupplier(tx, who, s.now, parts.SupplierEdit{Code: site, Name: "Quillan Drive Works", WorkingDays: []int{1, 2, 3, 4, 5}})
				if err != nil {
					return err
				}
				var old assets.Part
				if old, err = assets.AddPart(tx, who, s.now, assets.PartEdit{Number: "OLD-" + strings.ToUpper(uuid.NewString()[:8]), Description: "Gearmotor of before", Class: "gearmotor"}); err != nil {
					return err
				}
				if p.follows, err = parts.Succeed(tx, who, s.now, old.ID, parts.NewSuccession{Kind: "replaced", To: []parts.NewSuccessor{{PartID: p.part.ID, Amount: amount.One}}}); err != nil {
					return err
				}
				p.goesFor, err = parts.AddInterchange(tx, who, s.now, old.ID, parts.NewInterchange{OtherID: p.part.ID, Kind: "lookalike"})
				return err
			},
			func() error {
				ids, err := pm.AddProcedures(tx, who, s.now, []pm.NewProcedure{{Code: "JP-" + strings.ToUpper(uuid.NewString()[:6]), Title: "Gearmotor swap"}})
				if err != nil {
					return err
				}
				versions, err := pm.WriteDrafts(tx, who, s.now, []pm.Write{{Procedure: ids[0], Content: pm.Content{People: 1, Skills: []string{"T1"}, Minutes: pm.Minutes{Low: 10, Typical: 20, High: 30},
					LineState: "closed_hours", Steps: []pm.Step{{Kind: "do", Says: "Swap it."}}}}})
				if err != nil {
					return err
				}
				p.procedure = versions[0]
				if err := parts.SetLines(tx, who, p.procedure, []parts.NewLine{{Need: "always", PartID: &p.part.ID, Amount: amount.One}}); err != nil {
					return err
				}
				return pm.Publish(tx, who, s.now, versions)
			},
			func() error {
				task, err := pm.RaiseTask(tx, who, s.now, pm.NewTask{SiteID: &p.site.ID, PositionID: &p.left.ID, Title: "Look at the brush", Criticality: "B", DueOn: calendar.DateOf(s.now) + 3, LatestOn: calendar.DateOf(s.now) + 9})
				if err != nil {
					return err
				}
				p.choice, err = visits.Ignore(tx, who, s.now, p.site.ID, visits.Picked{TaskID: &task}, calendar.DateOf(s.now)+30, "rebuilt soon")
				if err != nil {
					return err
				}
				p.visit, err = visits.Add(tx, who, s.now, visits.New{SiteID: p.site.ID, Hours: visits.Hours{On: calendar.DateOf(s.now) + 1, Starts: "06:00", Minutes: 120}, Tasks: []visits.Doing{{TaskID: task}}})
				return err
			},
			func() error {
				p.blackout, err = assets.AddBlackout(tx, who, p.site.ID, assets.NewBlackout{From: s.now, Until: s.now.Add(time.Hour), Reason: "fair in town"})
				return err
			},
			func() error {
				p.point, err = assets.AddIsolationPoint(tx, who, s.now, p.site.ID, "Q1", "electrical", assets.IsolationEdit{Place: "left of the arch", Isolate: "turn to off and lock",
					Prove: "try start, test for absence of voltage", Restore: "own lock off, then on", CheckedOn: "2026-05-12", CheckedBy: "T. Brightwell", ValidFrom: &began})
				return err
			},
		}
		for _, step := range steps {
			if err := step(); err != nil {
				return err
			}
		}
		return nil
	})
	s.addJob(&p)
	s.addWork(&p)
	return p
}

// addWork gives a place planned work: an assignment at each brush, of which the
// left one has an open task and an override, and the right one was done.
func (s *service) addWork(p *place) {
	s.t.Helper()
	who := access.System
	id := func(sql string, args ...any) (it uuid.UUID) {
		s.as(func(tx *gorm.DB) (err error) {
			it, err = pgdb.ID(tx, sql, args...)
			return err
		})
		return it
	}
	if id(`select id from plan`) == uuid.Nil {
		s.as(func(tx *gorm.DB) error {
			ids, err := pm.AddProcedures(tx, who, s.now, []pm.NewProcedure{{Code: "PM-007", Title: "Weekly look"}})
			if err != nil {
				return err
			}
			v, err := pm.WriteDrafts(tx, who, s.now, []pm.Write{{Procedure: ids[0], Content: pm.Content{People: 1, Skills: []string{"OP"}, Minutes: pm.Minutes{Low: 5, Typical: 10, High: 20}, LineState: "closed_hours",
				Checks: []pm.Check{{Code: "CK-0702", Prompt: "Largest gap", Kind: "number", Unit: "mm", FailHigh: new(3.0)}}, Steps: []pm.Step{{Kind: "do", Says: "Look at each brush."}}}}})
			if err != nil {
				return err
			}
			if err := pm.Publish(tx, who, s.now, v); err != nil {
				return err
			}
			plans, err := pm.AddPlans(tx, who, s.now, []pm.NewPlan{{Code: "PM-007", Title: "Weekly look", Procedure: "PM-007"}})
			if err != nil {
				return err
			}
			v, err = pm.WritePlanDrafts(tx, who, s.now, []pm.WritePlan{{Plan: plans[0], Terms: pm.Terms{AppliesTo: "position", Kinds: []string{"side_brush_low"}, Basis: "floating", Criticality: "B", Triggers: []pm.Trigger{{Kind: "every", Every: "P7D"}}}}})
			if err != nil {
				return err
			}
			return pm.PublishPlans(tx, who, s.now, v)
		})
	}
	if _, err := pm.Tick(ctx, s.db, s.now); err != nil {
		s.t.Fatal(err)
	}
	p.work = id(`select id from procedure where code = 'PM-007'`)
	p.plan, p.planVersion = id(`select id from plan`), id(`select id from plan_version`)
	p.assignment, p.done = id(`select id from assignment where position_id = ?`, p.left.ID), id(`select id from assignment where position_id = ?`, p.right.ID)
	p.task = id(`select id from task where assignment_id = ?`, p.assignment)
	s.as(func(tx *gorm.DB) (err error) {
		p.override, err = pm.MakeOverride(tx, who, s.now, p.assignment, pm.NewOverride{Triggers: []pm.Trigger{{Kind: "every", Every: "P5D"}}, Until: calendar.DateOf(s.now) + 90, Reason: "salt on the road"})
		return err
	})
	done := []pm.Done{{AssignmentID: &p.done, At: s.now.Add(-time.Hour), Answers: []pm.Answer{{Check: "CK-0702", Found: "1"}}}}
	prepared, err := pm.Prepare(ctx, s.db, who, s.now, done)
	if err != nil {
		s.t.Fatal(err)
	}
	s.as(func(tx *gorm.DB) error {
		made, _, err := pm.Complete(tx, who, s.now, prepared, done)
		if err == nil {
			p.completion = made[0].ID
		}
		return err
	})
}

// request is one call of the API.
type request struct {
	method, path string
	as           string // a role whose token is sent; "" sends none
	body         any    // marshalled, or sent as it is when a string
	header       map[string]string
}

// answer is what came back.
type answer struct {
	status int
	header http.Header
	body   []byte
}

// into reads the body.
func (a answer) into(t testing.TB, v any) {
	t.Helper()
	if err := json.Unmarshal(a.body, v); err != nil {
		t.Fatalf("read %s: %v", a.body, err)
	}
}

// call sends a request and holds the answer against the specification.
func (s *service) call(t testing.TB, r request) answer {
	t.Helper()
	var body io.Reader
	switch b := r.body.(type) {
	case nil:
	case string:
		body = strings.NewReader(b)
	default:
		raw, err := json.Marshal(b)
		if err != nil {
			t.Fatal(err)
		}
		body = bytes.NewReader(raw)
	}
	req, err := http.NewRequest(r.method, s.server.URL+door.APIPath+r.path, body)
	if err != nil {
		t.Fatal(err)
	}
	if body != nil {
		req.Header.Set("Content-Type", "application/json")
	}
	if r.method == http.MethodPost {
		req.Header.Set("Idempotency-Key", uuid.NewString())
	}
	if r.as != "" {
		token, ok := s.tokens[r.as]
		if !ok {
			token = r.as
		}
		req.Header.Set("Authorization", "Bearer "+token)
	}
	for k, v := range r.header {
		if req.Header.Set(k, v); v == "" {
			req.Header.Del(k)
		}
	}
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	raw, err := io.ReadAll(res.Body)
	if err != nil {
		t.Fatal(err)
	}
	s.checkAnswer(t, req, res, raw)
	return answer{res.StatusCode, res.Header, raw}
}

// checkAnswer fails when an answer is not one that the specification promises.
func (s *service) checkAnswer(t testing.TB, req *http.Request, res *http.Response, body []byte) {
	t.Helper()
	if res.StatusCode == http.StatusNotModified {
		return
	}
	plain := req.Clone(ctx)
	plain.URL.Scheme, plain.URL.Host = "", ""
	route, params, err := s.router.FindRoute(plain)
	if err != nil {
		if res.StatusCode < 400 {
			t.Errorf("%s %s is not in the specification and answers %d", req.Method, req.URL.Path, res.StatusCode)
		}
		if ct := res.Header.Get("Content-Type"); ct != "application/problem+json" {
			t.Errorf("%s %s: content type %q", req.Method, req.URL.Path, ct)
		}
		return
	}
	in := &openapi3filter.ResponseValidationInput{Status: res.StatusCode, Header: res.Header,
		RequestValidationInput: &openapi3filter.RequestValidationInput{Request: plain, PathParams: params, Route: route},
		Options:                &openapi3filter.Options{IncludeResponseStatus: true}}
	in.SetBodyBytes(body)
	if err := openapi3filter.ValidateResponse(ctx, in); err != nil {
		t.Errorf("%s %s answers %d %s, which the specification does not promise: %v", req.Method, req.URL.Path, res.StatusCode, body, err)
	}
	if res.StatusCode >= 400 {
		var p struct {
			Type, Title, Instance string
			Status                int
		}
		if err := json.Unmarshal(body, &p); err != nil || p.Status != res.StatusCode || p.Title == "" || p.Type == "" || p.Instance == "" {
			t.Errorf("%s %s: %s is no whole problem of status %d", req.Method, req.URL.Path, body, res.StatusCode)
		}
	}
}

// want fails unless the answer has the status.
func (a answer) want(t testing.TB, status int) answer {
	t.Helper()
	if a.status != status {
		t.Fatalf("status %d, want %d: %s", a.status, status, a.body)
	}
	return a
}

// problem is a problem document as its reader sees it.
type problem struct {
	Type, Title, Detail string
	Status              int
	Errors              []struct{ Field, Value, Rule string }
	Existing            *struct{ Kind, ID, Code string }
}

// blames fails unless the problem has the status and names the field.
func (a answer) blames(t testing.TB, status int, field string) problem {
	t.Helper()
	a.want(t, status)
	var p problem
	a.into(t, &p)
	for _, e := range p.Errors {
		if e.Field == field {
			if e.Rule == "" {
				t.Errorf("%s is blamed without a rule: %s", field, a.body)
			}
			return p
		}
	}
	t.Errorf("nothing blames %s: %s", field, a.body)
	return p
}

func TestRoutesAreThoseOfTheSpecification(t *testing.T) {
	s := newService(t)
	doc, err := httpapi.Spec()
	if err != nil {
		t.Fatal(err)
	}
	promised := map[string]bool{}
	for path, item := range doc.Paths.Map() {
		for method := range item.Operations() {
			promised[method+" "+path] = true
		}
	}
	for _, r := range s.door.Engine.Routes() {
		path, ok := strings.CutPrefix(r.Path, door.APIPath)
		if !ok || path == "/openapi.yaml" {
			continue
		}
		parts := strings.Split(path, "/")
		for i, p := range parts {
			if name, ok := strings.CutPrefix(p, ":"); ok {
				parts[i] = "{" + name + "}"
			}
		}
		key := r.Method + " " + strings.Join(parts, "/")
		if !promised[key] {
			t.Errorf("%s is served and not in the specification", key)
		}
		delete(promised, key)
	}
	for key := range promised {
		t.Errorf("%s is in the specification and not served", key)
	}
}
