package main

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/assets"
	catalogue "spindlebook/internal/parts"
	"spindlebook/internal/parts/amount"
	"spindlebook/internal/pgdb"
)

// shelves are few places with few parts: everybody meets at the same balances.
type shelves struct {
	nut, motor string          // a part that is counted, and one that is kept by unit
	store, van string          // locations
	units      [clients]string // the unit that each client received last, until it loads it
}

// moved is one line of an act with the counted part.
type moved struct {
	kind     string
	amount   int
	from, to string
}

// newShelves makes the places and the parts.
func newShelves(ctx context.Context, service string) (s shelves, err error) {
	db, err := pgdb.Open(ctx, service)
	if err != nil {
		return s, err
	}
	defer db.Close()
	who, now := access.System, time.Now()
	return s, db.InTx(ctx, who.ID, func(tx *gorm.DB) error {
		for _, it := range []struct {
			code, kind string
			id         *string
		}{{"STORE", "warehouse", &s.store}, {"VAN", "van", &s.van}} {
			l, err := assets.AddLocation(tx, who, now, assets.NewLocation{Code: it.code, Name: it.code, Kind: it.kind})
			if err != nil {
				return err
			}
			*it.id = l.ID.String()
		}
		for _, it := range []struct {
			number, class, tracking string
			id                      *string
		}{{"NUT", "fastener", "none", &s.nut}, {"MOTOR", "gearmotor", "unit", &s.motor}} {
			p, err := assets.AddPart(tx, who, now, assets.PartEdit{Number: it.number, Description: it.number, Class: it.class})
			if err != nil {
				return err
			}
			if _, err := catalogue.SetStocking(tx, who, p.ID, p.Version, catalogue.StockingEdit{MeasuredIn: "ea", BoughtIn: "ea", Pack: amount.Of(1), Tracking: it.tracking}); err != nil {
				return err
			}
			*it.id = p.ID.String()
		}
		return nil
	})
}

// acts makes up an act with the counted part: all of its lines or none.
func (s *shelves) acts(name string, lines ...moved) create {
	c := create{path: "/stock-movements", table: "stock_movement"}
	var items []map[string]any
	for i, l := range lines {
		document := fmt.Sprintf("%s/%d", name, i)
		it := map[string]any{"kind": l.kind, "part_id": s.nut, "amount": fmt.Sprint(l.amount), "document": document, "sure": true}
		if l.from != "" {
			it["from_id"] = l.from
		}
		if l.to != "" {
			it["to_id"] = l.to
		}
		items, c.names = append(items, it), append(c.names, document)
	}
	c.body = map[string]any{"items": items}
	return c
}

// next makes up what a client does with stock. It loads more into the van than it
// takes from there, so that nobody is refused.
func (s *shelves) next(name string, client, n int) create {
	switch n % 4 {
	case 0:
		return s.acts(name, moved{"load", 3, s.store, s.van}, moved{"issue", 1, s.van, ""})
	case 1:
		return create{path: "/stock-units", table: "stock_movement", names: []string{name},
			body: map[string]any{"items": []map[string]any{{"part_id": s.motor, "serial": name, "to_id": s.store, "document": name}}}}
	case 2:
		if unit := s.units[client]; unit != "" {
			return create{path: "/stock-movements", table: "stock_movement", names: []string{name},
				body: map[string]any{"items": []map[string]any{{"kind": "load", "part_id": s.motor, "unit_id": unit, "from_id": s.store, "to_id": s.van, "document": name}}}}
		}
	}
	return s.acts(name, moved{"receive", 2, "", s.store})
}

// took remembers the unit that a client received, or that it is in the van.
func (s *shelves) took(client int, it create) {
	switch {
	case it.path == "/stock-units":
		var a struct {
			Items []struct {
				UnitID string `json:"unit_id"`
			}
		}
		if json.Unmarshal([]byte(it.answer.body), &a) == nil && len(a.Items) == 1 {
			s.units[client] = a.Items[0].UnitID
		}
	case it.path == "/stock-movements":
		items, _ := it.body["items"].([]map[string]any)
		if len(items) == 1 && items[0]["unit_id"] != nil {
			s.units[client] = ""
		}
	}
}

// check holds what lies in each place against what was acknowledged.
func (s *shelves) check(ctx context.Context, conn *pgx.Conn, acked []create) error {
	want, units := map[string]int{s.store: 0, s.van: 0}, map[string]int{s.store: 0, s.van: 0}
	for _, c := range acked {
		items, _ := c.body["items"].([]map[string]any)
		for _, it := range items {
			from, _ := it["from_id"].(string)
			to, _ := it["to_id"].(string)
			of, n := want, 1
			switch {
			case c.table != "stock_movement":
				continue
			case it["part_id"] == s.motor:
				of = units
			default:
				if _, err := fmt.Sscan(it["amount"].(string), &n); err != nil {
					return err
				}
			}
			of[from] -= n
			of[to] += n
		}
	}
	for _, place := range []string{s.store, s.van} {
		var lie, stand int
		if err := conn.QueryRow(ctx, `
select (select coalesce(sum(b.on_hand), 0)::int from stock_balance as b where b.location_id = $1 and b.part_id = $2),
       (select count(*) from stay as s join unit as u on u.id = s.unit_id where s.location_id = $1 and u.part_id = $3 and upper_inf(s.during))`,
			uuid.MustParse(place), uuid.MustParse(s.nut), uuid.MustParse(s.motor)).Scan(&lie, &stand); err != nil {
			return err
		}
		if lie != want[place] || stand != units[place] {
			return fmt.Errorf("%d nuts and %d motors lie in a place where %d and %d were acknowledged", lie, stand, want[place], units[place])
		}
	}
	return nil
}
