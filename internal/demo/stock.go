package demo

import (
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"

	"spindlebook/internal/access"
	"spindlebook/internal/parts/amount"
	"spindlebook/internal/parts/stock"
	"spindlebook/internal/pgdb"
)

// What lies otherwise than the levels say: a red foam set of which a section was used last
// week, a lot of gaskets that must go soon, nuts that were withdrawn and still lie in a van.
const (
	redLong      = "MW-30111"
	redShort     = "MW-30112"
	gasket       = "MW-13001"
	withdrawnNut = "MW-22009"
)

// addStock puts on record what lies in the warehouse, the vans and on the shelves, what is
// on order and which cores are open.
func (l *loader) addStock() error {
	counted := l.now.AddDate(0, 0, -90) // a quarter ago everything was counted in
	var lines []stock.Moving
	var levels []stock.Level
	put := func(p part, place, n string, with ...func(*stock.Moving)) error {
		amt, bad := amount.Parse(n)
		if bad != nil {
			return fmt.Errorf("%s: %w", p.Number, bad)
		}
		if amt == 0 {
			return nil
		}
		to := l.locations[place].ID
		m := stock.Moving{Kind: "receive", PartID: p.ID, Amount: amt, To: &to, At: &counted, Sure: true, Document: "first count"}
		if t := tracking(p); t == "lot" || t == "lot_expiry" {
			m.Lot = "L" + counted.Format("0601")
		}
		for _, w := range with {
			w(&m)
		}
		lines = append(lines, m)
		return nil
	}
	level := func(p part, place, least, most string) error {
		a, bad := amount.Parse(least)
		if bad != nil || a == 0 {
			return nil
		}
		it := stock.Level{LocationID: l.locations[place].ID, PartID: p.ID, Least: a}
		if b, bad := amount.Parse(most); bad == nil && b >= a {
			it.Most = &b
		}
		levels = append(levels, it)
		return nil
	}
	until := func(days int) func(*stock.Moving) {
		last := l.now.AddDate(0, 0, days).Format(time.DateOnly)
		return func(m *stock.Moving) { m.Lot, m.ExpiresOn = "L"+counted.AddDate(-1, 0, 0).Format("0601"), last }
	}
	before := func(m *stock.Moving) { // it came when nobody had withdrawn it yet
		at := l.joined[distributor].AddDate(0, 0, -1)
		m.At = &at
	}
	for _, p := range l.parts {
		if t := tracking(p); t == "unit" || t == "kit" {
			continue
		}
		var err error
		switch p.Number {
		case withdrawnNut:
			err = put(p, "V3", "6", before)
		case redLong:
			err = put(p, "WH", "8")
		case redShort:
			err = put(p, "WH", "7")
		default:
			err = put(p, "WH", p.row.Most)
		}
		if err != nil {
			return err
		}
		for _, van := range []string{"V1", "V2", "V3", "V4"} {
			if p.Number == gasket && van == "V2" {
				err = put(p, van, p.row.VanLeast, until(12))
			} else {
				err = put(p, van, p.row.VanLeast)
			}
			if err != nil {
				return err
			}
			if err := level(p, van, p.row.VanLeast, p.row.VanMost); err != nil {
				return err
			}
		}
		if err := level(p, "WH", p.row.Least, p.row.Most); err != nil {
			return err
		}
		for _, site := range []string{"UMB", "DUN", "VAN"} {
			own := func(*stock.Moving) {}
			if site == "UMB" { // this one pays for what lies in its cupboard
				own = func(m *stock.Moving) {
					customer := l.customers[l.siteRow(site).Customer].ID
					m.Owner = stock.Owner{Kind: stock.Customers, CustomerID: &customer}
				}
			}
			if err := put(p, site+"-SHELF", p.row.ShelfLeast, own); err != nil {
				return err
			}
		}
	}
	for some := range slices.Chunk(lines, 200) {
		if _, err := stock.Move(l.tx, access.System, l.now, some); err != nil {
			return err
		}
	}
	if err := stock.SetLevels(l.tx, access.System, levels); err != nil {
		return err
	}
	if err := l.buildKits(); err != nil {
		return err
	}
	return l.addOrders()
}

// buildKits puts the kits together that swaps of gearmotors take: the bag that goes into
// the others first.
func (l *loader) buildKits() error {
	for _, k := range []struct {
		number string
		n      int
	}{{"MW-95501", 9}, {"MW-95101", 3}, {"MW-95102", 2}} {
		i := slices.IndexFunc(l.parts, func(p part) bool { return p.Number == k.number })
		if _, err := stock.BuildKits(l.tx, access.System, l.now, stock.Building{KitID: l.parts[i].ID, Count: k.n, LocationID: l.locations["WH"].ID}); err != nil {
			return fmt.Errorf("build %s: %w", k.number, err)
		}
	}
	return nil
}

// addOrders writes an order that is under way and late, and cores whose days run.
func (l *loader) addOrders() error {
	by := map[string]uuid.UUID{}
	for _, p := range l.parts {
		by[p.Number] = p.ID
	}
	supplierOf := func(number string) (uuid.UUID, error) {
		return pgdb.ID(l.tx, `select supplier_id as id from supplier_part where part_id = ? order by preferred desc, supplier_id limit 1`, by[number])
	}
	sent := l.now.AddDate(0, 0, -16)
	supplier, err := supplierOf(redShort)
	if err != nil {
		return err
	}
	o, err := stock.DraftOrder(l.tx, access.System, sent, stock.NewOrder{SupplierID: supplier, LocationID: l.locations["WH"].ID, Note: "the red set is one short section short",
		Lines: []stock.NewOrderLine{{PartID: by[redShort], Amount: amount.Of(16)}, {PartID: by["MW-30101"], Amount: amount.Of(32)}}})
	if err != nil {
		return err
	}
	if o, err = stock.SendOrder(l.tx, access.System, sent, o.ID, o.Version, l.now.AddDate(0, 0, -2).Format(time.DateOnly)); err != nil {
		return err
	}
	if _, _, err = stock.ReceiveOrder(l.tx, access.System, l.now, o.ID, "DN 20417", []stock.Arrival{{LineID: o.Lines[1].ID, Amount: amount.Of(16), Lot: "L" + l.now.Format("0601")}}); err != nil {
		return err
	}
	for number, paid := range map[string]int{"MW-10110": -26, "MW-11056": -9} {
		supplier, err := supplierOf(number)
		if err != nil {
			return err
		}
		deposit := int64(25000)
		_, err = stock.AddCore(l.tx, access.System, l.now.AddDate(0, 0, paid), stock.NewCore{PartID: by[number], SupplierID: supplier, CountedFrom: "purchase",
			PaidOn: l.now.AddDate(0, 0, paid).Format(time.DateOnly), DeadlineOn: l.now.AddDate(0, 0, paid+30).Format(time.DateOnly), DepositMinor: &deposit, Currency: "USD"})
		if err != nil {
			return err
		}
	}
	return nil
}

// handVans gives each technician the van that they drive; who rides along has none.
func (l *loader) handVans() error {
	given := map[string]bool{}
	for _, p := range l.people {
		van, has := l.locations[p.Van]
		who, known := l.actors[p.ID]
		if !has || !known || van.Kind != "van" || given[p.Van] {
			continue
		}
		given[p.Van] = true
		from := l.joined[distributor]
		if _, err := stock.HandVan(l.tx, access.System, l.now, van.ID, who, &from); err != nil {
			return fmt.Errorf("%s: %w", p.Name, err)
		}
	}
	return nil
}
