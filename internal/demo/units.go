package demo

import (
	"cmp"
	"fmt"
	"hash/fnv"
	"maps"
	"path"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
)

// unit is a unit of the scenario on its way into the register.
type unit struct {
	name      string
	part      part
	at        string // the position whose clock holds, "" for the distributor's
	edit      assets.UnitEdit
	came      time.Time // into the register
	slot      string    // where it is first: a slot, the unit and slot that hold it, or a location
	location  string
	from      *time.Time
	precision string
	remark    string
	leaves    time.Time // its first slot; zero where it stays
	id        uuid.UUID
	fresh     bool // came from the stock, prepared for its position
	row       unitRow
}

// pick gives a number below n that belongs to a text: the same every time.
func pick(text string, n int) int {
	h := fnv.New32a()
	_, _ = h.Write([]byte(text)) // a hash takes everything
	return int(h.Sum32()>>4) % n
}

// serial invents a maker's serial. Makers write them in three ways: with leading
// zeros, with letters that look like digits, and by year and batch.
func serial(name string) string {
	n := pick("serial "+name, 90000)
	switch pick("maker "+name, 3) {
	case 0:
		return fmt.Sprintf("%07d", n)
	case 1:
		letters := []byte("00000")
		for i := range letters {
			letters[i] = "01OIBQ8"[pick(fmt.Sprint(name, i), 7)]
		}
		return fmt.Sprintf("%s-%03d", letters, n%1000)
	}
	return fmt.Sprintf("2%d-%02d%02d-%03d", n%6, 1+n%12, 1+n%28, n%1000)
}

// lot gives the lot of a media set: both of a pair have the same.
func lot(position string, from time.Time) string {
	pair := strings.TrimSuffix(strings.TrimSuffix(position, "-D"), "-P")
	return fmt.Sprintf("F%s-%c", from.AddDate(0, 0, -40).Format("0601"), 'A'+rune(pick(pair, 8)))
}

// truncate takes an instant for no more than it is known.
func truncate(t time.Time, precision string) time.Time {
	switch precision {
	case "year":
		return time.Date(t.Year(), 1, 1, 0, 0, 0, 0, t.Location())
	case "month":
		return time.Date(t.Year(), t.Month(), 1, 0, 0, 0, 0, t.Location())
	case "day":
		return time.Date(t.Year(), t.Month(), t.Day(), 0, 0, 0, 0, t.Location())
	}
	return t
}

func (l *loader) addUnits() error {
	l.units, l.slots = map[string]*unit{}, map[string]assets.Fitted{}
	if err := l.readSlots(); err != nil {
		return err
	}
	for _, plan := range []func() error{l.planFitted, l.planStock, l.planNew} {
		if err := plan(); err != nil {
			return err
		}
	}
	if err := l.recordUnits(); err != nil {
		return err
	}
	return l.placeUnits()
}

// readSlots reads the slots that came with the positions.
func (l *loader) readSlots() error {
	type row struct {
		ID, PositionID uuid.UUID
		Code, Class    string
	}
	var rows []row
	if err := l.tx.Raw(`select id, position_id, code, class from slot where position_id is not null order by position_id, ordinal`).Scan(&rows).Error; err != nil {
		return err
	}
	byID := map[uuid.UUID]string{}
	for _, code := range l.order {
		byID[l.positions[code].ID] = code
	}
	for _, r := range rows {
		l.slots[byID[r.PositionID]+" "+r.Code] = assets.Fitted{SlotID: r.ID, PositionID: r.PositionID, SlotCode: r.Code, Class: r.Class}
	}
	return nil
}

// slotsOf lists the slots of a position in their order.
func (l *loader) slotsOf(code string) (found []string) {
	for _, s := range []string{"gearmotor", "shaft", "hub", "media", "cap", "cylinder", "valve", "sensor", "pivot", "blower", "drive"} {
		if _, has := l.slots[code+" "+s]; has {
			found = append(found, s)
		}
	}
	return found
}

func (l *loader) plan(u *unit) error {
	if l.units[u.name] != nil {
		return fmt.Errorf("two units are called %q", u.name)
	}
	l.units[u.name] = u
	l.unitOrder = append(l.unitOrder, u)
	return nil
}

// planFitted plans what was in the slots before anything happened to them.
func (l *loader) planFitted() error {
	for _, code := range l.order {
		if l.retired(code) {
			continue
		}
		for _, s := range l.slotsOf(code) {
			i := slices.IndexFunc(l.fitted, func(r fittedRow) bool {
				fits, _ := path.Match(r.Positions, code)
				return fits && (r.Slots == "*" || slices.Contains(strings.Fields(r.Slots), s))
			})
			if i < 0 || l.fitted[i].Part == "none" {
				continue
			}
			if err := l.planSlot(code, s, l.fitted[i]); err != nil {
				return fmt.Errorf("%s %s: %w", code, s, err)
			}
		}
	}
	return nil
}

// firstOut gives when what was first in a slot was taken out; zero is never.
func (l *loader) firstOut(code, slot string) (first time.Time, err error) {
	for _, row := range l.swaps {
		if row.Position != code || row.Slot != slot || row.Reason == "" {
			continue
		}
		at, err := l.clockOf(code).at(row.When)
		if err != nil {
			return first, err
		}
		if first.IsZero() || at.Before(first) {
			first = at
		}
	}
	return first, nil
}

func (l *loader) planSlot(code, slot string, row fittedRow) (err error) {
	p, c, name := l.positions[code], l.clockOf(code), code+" "+slot
	u := &unit{name: name, at: code, slot: name, precision: row.Precision, remark: row.Remark, came: later(c.start, c.began)}
	if row.Part != "" {
		u.part, err = l.partByNumber(row.Part)
	} else {
		u.part, err = l.partFor(p, l.slots[name].Class)
	}
	if err != nil {
		return err
	}
	if u.leaves, err = l.firstOut(code, slot); err != nil {
		return err
	}
	if row.Precision != "unknown" {
		from, err := c.at(row.From)
		if err != nil {
			return err
		}
		who := name
		if slot == "media" { // both of a pair were changed together: common practice, no source
			who = strings.TrimSuffix(strings.TrimSuffix(code, "-D"), "-P")
		}
		if days, _ := strconv.Atoi(row.Spread); days > 0 {
			from = from.AddDate(0, 0, -pick("from "+who, days))
		}
		// what was taken out had been there for some time
		if !u.leaves.IsZero() && from.After(u.leaves.AddDate(0, 0, -150)) {
			from = u.leaves.AddDate(0, 0, -150-pick("before "+who, 200))
		}
		from = truncate(from.In(c.loc), row.Precision)
		u.from = &from
		u.came = c.recorded(from, nil)
	}
	owner := l.customers[l.siteRow(code).Customer].ID
	u.edit = assets.UnitEdit{Owner: "customer", OwnerCustomerID: &owner}
	switch row.Serial {
	case "each":
		u.edit.Serial = serial(name)
	case "missing":
	default:
		u.edit.Serial = row.Serial
	}
	if about, err := strconv.ParseFloat(row.Hours, 64); err == nil {
		hours := about + float64(pick("hours "+name, 600))
		u.edit.StartHours = &hours
	}
	l.media(u, code)
	if err := l.plan(u); err != nil {
		return err
	}
	if slot != "gearmotor" || row.Inner == "" || row.Inner == "N" {
		return nil
	}
	return l.planInside(u, row.Inner)
}

// media gives a media set its lot and its sections.
func (l *loader) media(u *unit, position string) {
	if u.part.Class != "media_set" {
		return
	}
	if u.from != nil {
		u.edit.Lot = lot(position, *u.from)
	}
	u.edit.Pattern, _ = assets.SpellPattern(u.part.fact("media_pattern"))
}

// planInside plans the motor and the gearbox that a gearmotor consists of.
func (l *loader) planInside(holder *unit, motor string) error {
	for _, class := range []string{"motor", "gearbox"} {
		inner, known := l.inside(holder.part, class)
		if class == "motor" && motor != "Y" {
			var err error
			if inner, err = l.partByNumber(motor); err != nil {
				return err
			}
			known = true
		}
		if !known {
			continue
		}
		name := strings.TrimSuffix(holder.name, "gearmotor") + class
		u := &unit{name: name, part: inner, at: holder.at, slot: holder.name + "/" + class, came: holder.came, from: holder.from, precision: holder.precision,
			edit: assets.UnitEdit{Owner: holder.edit.Owner, OwnerCustomerID: holder.edit.OwnerCustomerID, Serial: serial(name), StartHours: holder.edit.StartHours}}
		if err := l.plan(u); err != nil {
			return err
		}
	}
	return nil
}

// planStock plans what lies in stock or came from there by name.
func (l *loader) planStock() error {
	c := l.clocks[l.places[0].Site]
	for _, row := range l.stock {
		from, err := c.at(row.From)
		if err != nil {
			return err
		}
		u := &unit{name: row.Unit, location: row.Location, from: &from, precision: row.Precision, row: row, came: c.recorded(from, nil),
			edit: assets.UnitEdit{Serial: row.Serial, Owner: row.Owner, Lot: row.Lot}}
		if u.part, err = l.partByNumber(row.Part); err != nil {
			return err
		}
		if hours, err := strconv.ParseFloat(row.Hours, 64); err == nil {
			u.edit.StartHours = &hours
		}
		if u.part.Class == "media_set" {
			u.edit.Pattern, _ = assets.SpellPattern(u.part.fact("media_pattern"))
		}
		if err := l.plan(u); err != nil {
			return err
		}
	}
	return nil
}

// planNew plans what swaps took from stock: a fresh unit of the part that fits,
// which had lain there for some weeks.
func (l *loader) planNew() error {
	for _, row := range l.swaps {
		if row.New != "new" {
			continue
		}
		c, slot := l.clockOf(row.Position), row.Position+" "+row.Slot
		at, err := c.at(row.When)
		if err != nil {
			return err
		}
		pair := strings.TrimSuffix(strings.TrimSuffix(row.Position, "-D"), "-P")
		from := at.AddDate(0, 0, -20-pick("stock "+row.Job+pair, 40))
		hours, owner := 0.0, l.customers[l.siteRow(row.Position).Customer].ID
		u := &unit{name: slot + " " + row.Job, at: row.Position, location: "WH", from: &from, precision: "instant", came: c.recorded(from, nil), fresh: true,
			edit: assets.UnitEdit{Owner: "customer", OwnerCustomerID: &owner, Serial: row.Serial, StartHours: &hours}}
		if row.Part != "" {
			u.part, err = l.partByNumber(row.Part)
		} else {
			u.part, err = l.partFor(l.positions[row.Position], l.slots[slot].Class)
		}
		if err != nil {
			return fmt.Errorf("%s %s: %w", row.Job, slot, err)
		}
		if row.Serial == "" && slices.Contains([]string{"gearmotor", "cylinder", "blower"}, u.part.Class) {
			u.edit.Serial = serial(u.name)
		}
		l.media(u, row.Position)
		if err := l.plan(u); err != nil {
			return err
		}
	}
	return nil
}

// recordUnits records the units, one list for each instant at which some came
// into the register.
func (l *loader) recordUnits() error {
	return byInstant(l.unitOrder, func(u *unit) time.Time { return u.came }, func(at time.Time, list []*unit) error {
		in := make([]assets.NewUnit, len(list))
		for i, u := range list {
			u.edit.PartID = u.part.ID
			in[i] = assets.NewUnit{UnitEdit: u.edit}
		}
		added, err := assets.AddUnits(l.tx, access.System, at, in)
		if err != nil {
			return err
		}
		for i, u := range list {
			u.id = added[i].ID
		}
		return nil
	})
}

// byInstant does something with the things of each instant, in their order.
func byInstant[T any](all []T, at func(T) time.Time, do func(time.Time, []T) error) error {
	all = slices.Clone(all)
	slices.SortStableFunc(all, func(a, b T) int { return at(a).Compare(at(b)) })
	for len(all) > 0 {
		n := 1
		for n < len(all) && at(all[n]).Equal(at(all[0])) {
			n++
		}
		if err := do(at(all[0]), all[:n]); err != nil {
			return err
		}
		all = all[n:]
	}
	return nil
}

// placeUnits records where each unit was first.
func (l *loader) placeUnits() error {
	inner := map[string]uuid.UUID{} // slots of units, by the unit's name and the slot
	var rows []struct {
		ID, UnitID uuid.UUID
		Code       string
	}
	if err := l.tx.Raw(`select id, unit_id, code from slot where unit_id is not null`).Scan(&rows).Error; err != nil {
		return err
	}
	names := map[uuid.UUID]string{}
	for _, u := range l.unitOrder {
		names[u.id] = u.name
	}
	for _, r := range rows {
		inner[names[r.UnitID]+"/"+r.Code] = r.ID
	}
	return byInstant(l.unitOrder, func(u *unit) time.Time { return u.came }, func(at time.Time, list []*unit) error {
		in := make([]assets.Putting, len(list))
		for i, u := range list {
			in[i] = assets.Putting{UnitID: u.id, From: u.from, Precision: u.precision, Remark: u.remark}
			if u.location != "" {
				location := l.locations[u.location].ID
				in[i].LocationID = &location
				continue
			}
			slot, known := inner[u.slot]
			if !known {
				slot = l.slots[u.slot].SlotID
			}
			in[i].SlotID = &slot
		}
		_, err := assets.PutAll(l.tx, access.System, at, in)
		return err
	})
}

// event is a swap, a fitting or a move.
type event struct {
	at   time.Time
	name string
	do   func(now time.Time) error
}

// addHistory does what happened since, in its order.
func (l *loader) addHistory() error {
	var events []event
	for rest := l.swaps; len(rest) > 0; {
		n := 1
		for n < len(rest) && rest[n].Job == rest[0].Job {
			n++
		}
		job := rest[:n]
		rest = rest[n:]
		at, err := l.clockOf(job[0].Position).at(job[0].When)
		if err != nil {
			return err
		}
		events = append(events, event{at, job[0].Job, func(now time.Time) error { return l.swap(now, at, job) }})
	}
	home := l.clocks[l.places[0].Site]
	for _, row := range l.moves {
		at, err := home.at(row.When)
		if err != nil {
			return err
		}
		events = append(events, event{at, row.Unit, func(now time.Time) error { return l.move(now, at, row) }})
	}
	slices.SortStableFunc(events, func(a, b event) int { return cmp.Or(a.at.Compare(b.at), strings.Compare(a.name, b.name)) })
	for _, e := range events {
		if err := e.do(home.recorded(e.at, nil)); err != nil {
			return fmt.Errorf("%s: %w", e.name, err)
		}
	}
	return nil
}

func (l *loader) swap(now, at time.Time, job []swapRow) error {
	var swap []assets.SwapItem
	for _, row := range job {
		slot := row.Position + " " + row.Slot
		item := assets.SwapItem{SlotID: l.slots[slot].SlotID, Reason: row.Reason, InReason: row.InReason, Remark: row.Remark}
		if row.To != "" {
			to := l.locations[row.To].ID
			item.To = &to
		}
		name := row.New
		if name == "new" {
			name = slot + " " + row.Job
		}
		if name != "" {
			fresh := l.units[name]
			if fresh == nil {
				return fmt.Errorf("no unit is called %q", name)
			}
			item.In = &fresh.id
		}
		if row.Reason != "" {
			swap = append(swap, item)
			continue
		}
		if _, err := assets.Put(l.tx, access.System, now, assets.Putting{UnitID: *item.In, Place: assets.Place{SlotID: &item.SlotID}, From: &at, Remark: row.Remark}); err != nil {
			return err
		}
	}
	if len(swap) == 0 {
		return nil
	}
	_, err := assets.DoSwap(l.tx, access.System, now, assets.Swap{At: at, Items: swap})
	return err
}

func (l *loader) move(now, at time.Time, row moveRow) error {
	u, to := l.units[row.Unit], l.locations[row.To]
	if u == nil {
		return fmt.Errorf("no unit is called %q", row.Unit)
	}
	_, err := assets.Put(l.tx, access.System, now, assets.Putting{UnitID: u.id, Place: assets.Place{LocationID: &to.ID}, From: &at, Remark: row.Remark})
	return err
}

// known is a fact of a unit as it came into the register.
type known struct {
	recorded time.Time
	fact     assets.FactOf
}

// addUnitFacts records what is known of each gearmotor: how its junction box
// stands and how its links are set. What was fitted is seen at the site, what
// came from stock was prepared at the bench after it came.
func (l *loader) addUnitFacts() error {
	apart := map[string]bool{}
	for _, row := range l.unitFacts {
		if row.From == "" {
			apart[row.Unit+" "+row.Fact] = true
		}
	}
	var all []known
	note := func(u *unit, c clock, fact, value string, from time.Time, how, by string, seen *time.Time) {
		in := assets.NewFact{Fact: fact, Value: value, From: &from, SeenBy: by, How: how, SeenAt: seen}
		all = append(all, known{c.recorded(from, seen), assets.FactOf{OfID: u.id, NewFact: in}})
	}
	evidence := l.evidenceOf()
	for _, u := range l.unitOrder {
		if u.part.Class != "gearmotor" {
			continue
		}
		c := l.clocks[l.places[0].Site]
		if u.at == "" {
			for _, f := range [][2]string{{"gearmotor_orientation", u.row.Orientation}, {"link_setting", u.row.Links}} {
				if f[1] != "" {
					note(u, c, f[0], f[1], *u.from, "seen", "Junia Tressel", u.from)
				}
			}
			continue
		}
		c = l.clockOf(u.at)
		stands := l.stands(u)
		for _, fact := range slices.Sorted(maps.Keys(stands)) {
			value := stands[fact]
			if apart[u.name+" "+fact] {
				continue
			}
			if u.fresh {
				ready := u.from.AddDate(0, 0, 2)
				note(u, c, fact, value, ready, "seen", "Junia Tressel", &ready)
				continue
			}
			e, seen := evidence[siteOf(strings.SplitN(u.at, "/", 2)[0])+" "+fact]
			if !seen || e.How == "assumed" {
				continue
			}
			at, err := c.at(e.Seen)
			if err != nil {
				return err
			}
			if !u.leaves.IsZero() && !at.Before(u.leaves) {
				at = u.leaves.AddDate(0, 0, -30) // at the visit before it was taken out
			}
			from := c.start
			if u.from != nil && u.from.After(from) {
				from = *u.from
			}
			if from.After(at) {
				at = from
			}
			note(u, c, fact, value, from, e.How, e.SeenBy, &at)
		}
	}
	for _, row := range l.unitFacts {
		u := l.units[row.Unit]
		if u == nil {
			return fmt.Errorf("no unit is called %q", row.Unit)
		}
		if row.Value == "" {
			continue
		}
		c := l.clocks[l.places[0].Site]
		if u.at != "" {
			c = l.clockOf(u.at)
		}
		from := c.start
		if row.From == "" && u.from != nil && u.from.After(from) {
			from = *u.from
		}
		if row.From != "" {
			var err error
			if from, err = c.at(row.From); err != nil {
				return err
			}
		}
		in, err := newFact(c, row.Fact, row.Value, &from, row.How, row.SeenBy, row.Seen)
		if err != nil {
			return err
		}
		all = append(all, known{c.recorded(from, in.SeenAt), assets.FactOf{OfID: u.id, NewFact: in}})
	}
	return byInstant(all, func(k known) time.Time { return k.recorded }, func(at time.Time, list []known) error {
		in := make([]assets.FactOf, len(list))
		for i, k := range list {
			in[i] = k.fact
		}
		_, err := assets.RecordAllOfUnits(l.tx, access.System, at, in)
		return err
	})
}

// stands gives how a gearmotor must stand and be linked at its position.
func (l *loader) stands(u *unit) map[string]string {
	p, site := l.positions[u.at], l.siteRow(u.at)
	found := map[string]string{}
	if o := designs[p.Kind].orientation[p.LineSide]; o != "" {
		found["gearmotor_orientation"] = o
	}
	i := slices.IndexFunc(l.supplies, func(s supplyRow) bool { return s.Site == site.ID && s.Use == "motors" })
	low := l.supplies[i].Volts < 300
	switch leads := u.part.fact("leads"); {
	case leads == "6": // 265/460: star for the higher voltage
		found["link_setting"] = "star"
	case leads == "9" && low:
		found["link_setting"], found["winding"] = "low", "wye"
	case leads == "9":
		found["link_setting"] = "high"
	}
	return found
}

// addSections records the sections of media sets that were replaced by themselves.
func (l *loader) addSections() error {
	for _, row := range l.sections {
		u := l.units[row.Unit]
		if u == nil {
			return fmt.Errorf("no unit is called %q", row.Unit)
		}
		c := l.clockOf(u.at)
		at, err := c.at(row.When)
		if err != nil {
			return err
		}
		for text := range strings.FieldsSeq(row.Sections) {
			section, err := strconv.Atoi(text)
			if err != nil {
				return err
			}
			if _, err := assets.ReplaceSection(l.tx, access.System, c.recorded(at, nil), u.id, section, row.Lot, at); err != nil {
				return fmt.Errorf("%s: %w", row.Unit, err)
			}
		}
	}
	return nil
}
