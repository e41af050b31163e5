package demo

import (
	"embed"
	"encoding/csv"
	"fmt"
	"reflect"
	"slices"
	"strconv"
	"strings"
)

//go:embed data/*.csv
var files embed.FS

// The rows of data/. The files named scenario_ and parts.csv keep their columns and ids
// as they were given; the others add what the register needs beyond them. In
// all of them a yes is Y and an instant is written as clock.at reads it.

type siteRow struct {
	ID        string `csv:"site_id"`
	Customer  string `csv:"customer"`
	Name      string `csv:"site_name"`
	Climate   string `csv:"climate"`
	Size      string `csv:"size"`
	Frame     string `csv:"frame_std"`
	Bore      string `csv:"bore"` // of side brushes and rockers: "1.375in"
	HubSide   string `csv:"hub_side"`
	HubWrap   string `csv:"hub_wrap"`
	Media     string `csv:"media"`
	Colour    string `csv:"colour"`
	Sensor    string `csv:"prox_output"`
	Coil      string `csv:"valve_coil"`
	Drive     string `csv:"drive_type"`
	DriveSide string `csv:"drivers_side"`
	Quirk     string `csv:"quirk"`
}

type placeRow struct {
	Site       string  `csv:"site_id"`
	Address    string  `csv:"address"`
	Latitude   float64 `csv:"latitude"` // of open country, and only to about a kilometre
	Longitude  float64 `csv:"longitude"`
	Zone       string  `csv:"zone"`
	Currency   string  `csv:"currency"`
	TakenOn    string  `csv:"taken_on"`
	DayTurnsAt string  `csv:"day_turns_at"`
	SoldBy     string  `csv:"sold_by"` // who owned it until the sale, where there was one
}

type customerRow struct {
	Name       string `csv:"organisation"`
	Code       string `csv:"code"`
	Domain     string `csv:"domain"` // of its people's sign-in names
	NeedsOrder bool   `csv:"needs_order_number"`
	Since      string `csv:"since"` // where it came later than the register
}

type supplyRow struct {
	Site    string  `csv:"site_id"`
	Code    string  `csv:"code"`
	Volts   float64 `csv:"volts"`
	Phases  int     `csv:"phases"`
	Hertz   int     `csv:"hertz"`
	HighLeg bool    `csv:"high_leg"`
	Use     string  `csv:"use"` // motors or control
}

type hoursRow struct {
	Site   string `csv:"site_id"`
	Since  string `csv:"since"`
	Kind   string `csv:"kind"`
	Days   string `csv:"days"` // "1-6": Monday to Saturday
	Starts string `csv:"starts"`
	Ends   string `csv:"ends"` // on the day after where it lies before starts
}

type blackoutRow struct {
	Where     string `csv:"where"` // a site or a line
	When      string `csv:"when"`
	Days      int    `csv:"days"`
	Reason    string `csv:"reason"`
	Withdrawn string `csv:"withdrawn"`
}

type noteRow struct {
	Site    string `csv:"site_id"`
	Written string `csv:"written"`
	Body    string `csv:"body"`
}

type lineRow struct {
	Code       string  `csv:"line"`
	Site       string  `csv:"site_id"`
	Name       string  `csv:"name"`
	Length     float64 `csv:"length"`
	LengthUnit string  `csv:"length_unit"`
	Speed      float64 `csv:"speed"`
	SpeedUnit  string  `csv:"speed_unit"`
	PerHour    int     `csv:"vehicles_per_hour"`
	PerYear    float64 `csv:"vehicles_a_year"`
}

type stationRow struct {
	Where   string `csv:"where"` // a line, or a site for what its lines share
	Code    string `csv:"station"`
	Kind    string `csv:"kind"`
	Name    string `csv:"name"`
	Places  string `csv:"places"` // a position for each: D and P are a pair, U is underneath
	Along   string `csv:"along"`  // of the first place
	Unit    string `csv:"unit"`
	Step    string `csv:"step"` // from one place to the next where they stand in a row
	Powered bool   `csv:"powered"`
	Since   string `csv:"since"` // where it came later than its site
}

type aliasRow struct {
	Position string `csv:"position"`
	Alias    string `csv:"alias"`
}

type stateRow struct {
	Position string `csv:"position"`
	State    string `csv:"state"`
	When     string `csv:"when"`
	Reason   string `csv:"reason"`
}

// evidenceRow says how good a site's knowledge of some facts is. A fact that no
// row of a site names is not recorded there: a gap of the first day.
type evidenceRow struct {
	Site   string `csv:"site_id"`
	Facts  string `csv:"facts"`
	How    string `csv:"how"`
	SeenBy string `csv:"seen_by"`
	Seen   string `csv:"seen"`
}

type turningRow struct {
	Position string `csv:"position"`
	Turning  string `csv:"turning"`
	SeenFrom string `csv:"seen_from"`
}

// factRow is one fact of one position that differs from what evidence gives:
//
//	missing  it is not recorded
//	earlier  it had this value until the instant from
//	later    it was recorded anew at the instant from
//	wrong    it was recorded so, and withdrawn with a reason
type factRow struct {
	Position  string `csv:"position"`
	Fact      string `csv:"fact"`
	Act       string `csv:"act"`
	Value     string `csv:"value"`
	From      string `csv:"from"`
	How       string `csv:"how"`
	SeenBy    string `csv:"seen_by"`
	Seen      string `csv:"seen"`
	Withdrawn string `csv:"withdrawn"`
	Why       string `csv:"why"`
}

type isolationText struct {
	Name    string `csv:"text"`
	Energy  string `csv:"energy"`
	Isolate string `csv:"isolate"`
	Prove   string `csv:"prove"`
	Restore string `csv:"restore"`
}

// isolationRow is a point that its positions share, or one of its own for each
// of them: then the * of the code is the end of the position's code. A later
// row of the same code is a later version.
type isolationRow struct {
	Where     string `csv:"where"`
	Code      string `csv:"code"`
	Each      bool   `csv:"each"`
	Positions string `csv:"positions"` // patterns, of the line's positions where they name no line
	Text      string `csv:"text"`
	Place     string `csv:"place"` // {name} is the position's name
	Lockable  bool   `csv:"lockable"`
	InSight   bool   `csv:"in_sight"`
	Checked   string `csv:"checked"`
	CheckedBy string `csv:"checked_by"`
}

type personRow struct {
	ID           string `csv:"person_id"`
	Name         string `csv:"name"`
	Organisation string `csv:"organisation"`
	Skills       string `csv:"skills"` // with semicolons between
	Van          string `csv:"van"`    // that they drive
}

// grantRow gives a person a role. Whoever has none does not sign in: the hauler
// and the inspector of scenario_people.csv come from outside.
type grantRow struct {
	Person   string `csv:"person_id"`
	Role     string `csv:"role"`
	Customer string `csv:"customer"`
	Site     string `csv:"site_id"`
}

type gatewayRow struct {
	Site string `csv:"site_id"`
	Name string `csv:"name"`
}

// partRow is a part of the catalogue. parts.csv keeps its columns and numbers
// as they were given.
type partRow struct {
	Number     string `csv:"part_no"`
	Name       string `csv:"name"`
	Family     string `csv:"family"`
	MeasuredIn string `csv:"uom_stock"`
	BoughtIn   string `csv:"uom_buy"`
	Pack       string `csv:"pack_qty"`
	Tracking   string `csv:"tracking"` // serial, serial_optional, lot, lot_expiry, kit, bulk or none
	Repairable bool   `csv:"repairable"`
	Core       string `csv:"core_usd"`
	Cost       string `csv:"unit_cost_usd"` // of what it is measured in
	Weight     string `csv:"weight_lb"`
	LeadLow    int    `csv:"lead_days_lo"` // suffices in 10 of 100 cases
	LeadHigh   int    `csv:"lead_days_hi"` // suffices in 90 of 100 cases; 0 is not to be had any more
	Shelf      string `csv:"shelf_months"`
	Open       string `csv:"open_months"`
	ABC        string `csv:"abc"`
	Hazard     string `csv:"hazard"`
	Attributes string `csv:"attributes"` // key=value;...
	Superseded string `csv:"superseded_by"`
	Least      string `csv:"wh_min"` // of the warehouse
	Most       string `csv:"wh_max"`
	VanLeast   string `csv:"van_min"`
	VanMost    string `csv:"van_max"`
	ShelfLeast string `csv:"shelf_min"`
}

type supplierRow struct {
	Code     string `csv:"code"`
	Name     string `csv:"name"`
	Days     string `csv:"working_days"`
	Closed   string `csv:"closed"`
	Families string `csv:"families"`
}

type successionRow struct {
	Part  string `csv:"part_no"`
	Kind  string `csv:"kind"`
	To    string `csv:"to"`
	UseUp string `csv:"use_up_where"`
	Note  string `csv:"note"`
}

type interchangeRow struct {
	Part  string `csv:"part_no"`
	Kind  string `csv:"kind"`
	Other string `csv:"other"`
	Only  string `csv:"only_where"`
	Via   string `csv:"via"`
	Note  string `csv:"note"`
}

type kitRow struct {
	Kit       string `csv:"kit_no"`
	Part      string `csv:"part_no"`
	Amount    string `csv:"amount"`
	Optional  bool   `csv:"optional"`
	Condition string `csv:"condition"`
	Note      string `csv:"note"`
}

type jobRow struct {
	Code      string `csv:"job_id"`
	Title     string `csv:"title"`
	People    int    `csv:"people"`
	Skills    string `csv:"skills"`
	Low       int    `csv:"minutes_low"`
	Typical   int    `csv:"minutes_typical"`
	High      int    `csv:"minutes_high"`
	LineState string `csv:"line_state"`
	Energies  string `csv:"energies"`
	Isolation string `csv:"isolation"`
	Covers    string `csv:"covers"`
	Creates   string `csv:"creates"`
}

type methodRow struct {
	Job     string `csv:"job_id"`
	Code    string `csv:"code"`
	Title   string `csv:"title"`
	People  int    `csv:"people"`
	Low     int    `csv:"minutes_low"`
	Typical int    `csv:"minutes_typical"`
	High    int    `csv:"minutes_high"`
}

// stepRow is a step of a job or of a block; blocks have no row among the jobs.
type stepRow struct {
	Job       string `csv:"job_id"`
	Phase     string `csv:"phase"`
	Kind      string `csv:"kind"`
	Hold      bool   `csv:"hold"`
	Skills    string `csv:"skills"`
	Condition string `csv:"condition"`
	Says      string `csv:"says"`
	Records   string `csv:"records"`
	IfNot     string `csv:"if_not"`
	Includes  string `csv:"includes"`
}

// needRow is a part that a job, or a task of the programme, takes.
type needRow struct {
	Job       string `csv:"job_id"`
	Need      string `csv:"need"`
	Part      string `csv:"part_no"`
	Amount    string `csv:"amount"`
	Chance    string `csv:"chance"`
	Cause     string `csv:"cause"`
	Condition string `csv:"condition"`
	Group     string `csv:"rule_group"`
	OneOf     bool   `csv:"one_of"`
	Why       string `csv:"why"`
	Return    bool   `csv:"return_if_unused"`
}

type toolRow struct {
	Job       string `csv:"job_id"`
	Need      string `csv:"need"`
	Item      string `csv:"item"`
	Amount    string `csv:"amount"`
	Condition string `csv:"condition"`
	Why       string `csv:"why"`
}

type locationRow struct {
	Code string `csv:"code"`
	Name string `csv:"name"`
	Kind string `csv:"kind"`
	Site string `csv:"site_id"`
}

// fittedRow says what was fitted in the slots of some positions before anything
// happened there. The first row that fits a slot holds. The part is the one that
// fits, where none is named; "none" is a slot of which nothing is known.
type fittedRow struct {
	Positions string `csv:"positions"` // a pattern
	Slots     string `csv:"slots"`
	Part      string `csv:"part"`
	Serial    string `csv:"serial"` // "each": one of its own; "missing": none that can be read
	Inner     string `csv:"inner"`  // Y, or the number of the motor: what is inside has records of its own
	From      string `csv:"from"`
	Spread    string `csv:"spread"` // days by which some were fitted earlier
	Precision string `csv:"precision"`
	Hours     string `csv:"hours"` // about what each had run when the register began
	Remark    string `csv:"remark"`
}

// unitRow is a unit in stock.
type unitRow struct {
	Unit        string `csv:"unit"`
	Part        string `csv:"part"`
	Serial      string `csv:"serial"`
	Owner       string `csv:"owner"`
	Lot         string `csv:"lot"`
	Location    string `csv:"location"`
	From        string `csv:"from"`
	Precision   string `csv:"precision"`
	Hours       string `csv:"hours"`
	Orientation string `csv:"orientation"`
	Links       string `csv:"links"`
}

// swapRow is what was done to one slot; rows of one job are one swap. Where
// nothing was known to be in the slot there is no reason, and a unit is only
// fitted. New is a unit of these files, "new" for one that fits and was in
// stock, or nothing.
type swapRow struct {
	Job      string `csv:"job"`
	When     string `csv:"when"`
	Position string `csv:"position"`
	Slot     string `csv:"slot"`
	Reason   string `csv:"reason"`
	To       string `csv:"to"`
	New      string `csv:"new"`
	Part     string `csv:"part"` // of the new one, where it is not the one that fits best
	Serial   string `csv:"serial"`
	InReason string `csv:"in_reason"`
	Remark   string `csv:"remark"`
}

type moveRow struct {
	When   string `csv:"when"`
	Unit   string `csv:"unit"`
	To     string `csv:"to"`
	Remark string `csv:"remark"`
}

// unitFactRow is a fact of one unit. Without from it stands in the place of what
// would be known of every unit of its site; without a value that is not known.
type unitFactRow struct {
	Unit   string `csv:"unit"`
	Fact   string `csv:"fact"`
	Value  string `csv:"value"`
	From   string `csv:"from"`
	How    string `csv:"how"`
	SeenBy string `csv:"seen_by"`
	Seen   string `csv:"seen"`
}

type sectionRow struct {
	Unit     string `csv:"unit"`
	Sections string `csv:"sections"`
	Lot      string `csv:"lot"`
	When     string `csv:"when"`
}

// meterRow is a kind of meter on a line, or on each of some positions.
type meterRow struct {
	Where    string `csv:"where"` // a line, or patterns of positions
	Suffix   string `csv:"suffix"`
	Kind     string `csv:"kind"`
	Counts   string `csv:"counts"`
	Modulus  string `csv:"modulus"` // where it begins again at zero; "" never
	Decimals int    `csv:"decimals"`
	Every    int    `csv:"every"` // days between readings
	By       string `csv:"by"`    // a person, gateway, or paper: entered at the end of the month
	Runs     string `csv:"runs"`  // what makes it run: vehicles, till, brush, side, air or pump
}

// meterStateRow is what befalls a meter some days before now, beyond what chance
// brings: rolls over, ten times and swapped wait for somebody to explain them.
type meterStateRow struct {
	Meter string `csv:"meter"`
	What  string `csv:"what"`
	Days  int    `csv:"days"`
}

// regimeRow multiplies what comes to a site from an instant on.
type regimeRow struct {
	Site   string  `csv:"site_id"`
	When   string  `csv:"when"`
	Factor float64 `csv:"factor"`
	Why    string  `csv:"why"`
}

type shareRow struct {
	Positions string  `csv:"positions"`
	From      string  `csv:"from"`
	Share     float64 `csv:"share"`
	Reason    string  `csv:"reason"`
}

// computedRow is a formula of a meter that nobody reads; a later row of the same
// code is its next.
type computedRow struct {
	Code    string `csv:"code"`
	Thing   string `csv:"thing"`
	Unit    string `csv:"unit"`
	Counts  string `csv:"counts"`
	Sources string `csv:"sources"`
	From    string `csv:"from"`
	Ratio   string `csv:"ratio"` // "" is learnt
	Learn   string `csv:"learn_from"`
}

// scenario is everything that data/ holds.
type scenario struct {
	sites     []siteRow
	places    []placeRow
	customers []customerRow
	supplies  []supplyRow
	hours     []hoursRow
	blackouts []blackoutRow
	notes     []noteRow
	lines     []lineRow
	stations  []stationRow
	aliases   []aliasRow
	states    []stateRow
	evidence  []evidenceRow
	turning   []turningRow
	facts     []factRow
	texts     []isolationText
	isolation []isolationRow
	people    []personRow
	grants    []grantRow
	gateways  []gatewayRow

	catalogue []partRow
	stores    []locationRow
	fitted    []fittedRow
	stock     []unitRow
	swaps     []swapRow
	moves     []moveRow
	unitFacts []unitFactRow
	sections  []sectionRow

	suppliers    []supplierRow
	successions  []successionRow
	interchanges []interchangeRow
	kits         []kitRow
	jobs         []jobRow
	methods      []methodRow
	steps        []stepRow
	needs        []needRow
	tools        []toolRow

	meters   []meterRow
	befalls  []meterStateRow
	regimes  []regimeRow
	shares   []shareRow
	computed []computedRow

	procedures []procedureRow
	checks     []checkRow
	plans      []planRow
	reported   []faultRow
}

func readScenario() (scenario, error) {
	var s scenario
	var more []personRow
	var moreParts []partRow
	for _, f := range []struct {
		name string
		into any
	}{
		{"scenario_sites", &s.sites}, {"scenario_people", &s.people}, {"more_people", &more}, {"places", &s.places},
		{"customers", &s.customers}, {"supplies", &s.supplies}, {"hours", &s.hours}, {"blackouts", &s.blackouts},
		{"notes", &s.notes}, {"lines", &s.lines}, {"stations", &s.stations}, {"aliases", &s.aliases}, {"states", &s.states},
		{"evidence", &s.evidence}, {"turning", &s.turning}, {"facts", &s.facts}, {"isolation_texts", &s.texts},
		{"isolation", &s.isolation}, {"grants", &s.grants}, {"gateways", &s.gateways},
		{"parts", &s.catalogue}, {"more_parts", &moreParts}, {"locations", &s.stores}, {"fitted", &s.fitted}, {"units", &s.stock},
		{"swaps", &s.swaps}, {"moves", &s.moves}, {"unit_facts", &s.unitFacts}, {"sections", &s.sections},
		{"suppliers", &s.suppliers}, {"successions", &s.successions}, {"interchanges", &s.interchanges}, {"kits", &s.kits},
		{"jobs", &s.jobs}, {"job_methods", &s.methods}, {"job_steps", &s.steps}, {"job_parts", &s.needs}, {"job_tools", &s.tools},
		{"meters", &s.meters}, {"meter_states", &s.befalls}, {"regimes", &s.regimes}, {"shares", &s.shares}, {"computed", &s.computed},
		{"procedures", &s.procedures}, {"checks", &s.checks}, {"plans", &s.plans}, {"faults", &s.reported},
	} {
		if err := readFile("data/"+f.name+".csv", f.into); err != nil {
			return s, fmt.Errorf("read %s.csv: %w", f.name, err)
		}
	}
	s.people = append(s.people, more...)
	s.catalogue = append(s.catalogue, moreParts...)
	return s, nil
}

// readFile reads a file into a slice of rows, whose tags name columns. A file
// may have columns that no field takes.
func readFile(name string, into any) error {
	f, err := files.Open(name)
	if err != nil {
		return err
	}
	defer func() { _ = f.Close() }() // it lies in the program itself
	lines, err := csv.NewReader(f).ReadAll()
	if err != nil {
		return err
	}
	rows := reflect.ValueOf(into).Elem()
	kind := rows.Type().Elem()
	for _, line := range lines[1:] {
		row := reflect.New(kind).Elem()
		for i := range kind.NumField() {
			column := kind.Field(i).Tag.Get("csv")
			at := slices.Index(lines[0], column)
			if at < 0 {
				return fmt.Errorf("no column %s", column)
			}
			if err := set(row.Field(i), line[at]); err != nil {
				return fmt.Errorf("column %s: %w", column, err)
			}
		}
		rows.Set(reflect.Append(rows, row))
	}
	return nil
}

func set(field reflect.Value, text string) (err error) {
	switch field.Kind() {
	case reflect.String:
		field.SetString(text)
	case reflect.Int:
		var n int
		n, err = strconv.Atoi(text)
		field.SetInt(int64(n))
	case reflect.Float64:
		var n float64
		n, err = strconv.ParseFloat(text, 64)
		field.SetFloat(n)
	case reflect.Bool:
		if text != "Y" && text != "N" {
			return fmt.Errorf("%q is not Y or N", text)
		}
		field.SetBool(text == "Y")
	default:
		return fmt.Errorf("no reading of a %s", field.Kind())
	}
	return err
}

// name gives the words for one place of a station.
func (s stationRow) name(place string) string {
	switch place {
	case "":
		return s.Name
	case "D":
		return s.Name + ", driver side"
	case "P":
		return s.Name + ", passenger side"
	case "U":
		return s.Name + ", underneath"
	}
	return s.Name + " " + place
}

// sideOf gives the side of the line for one place: everywhere in the demo the
// driver sits on the left, so D is the left side in the direction of travel.
func sideOf(place string) string {
	switch place {
	case "D":
		return "left"
	case "P":
		return "right"
	}
	return "centre"
}

// tail gives the end of a position's code, after its line or site.
func tail(position string) string { return position[strings.IndexByte(position, '/')+1:] }
