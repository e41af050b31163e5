package assets

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/fault"
)

// Swap says what was taken out of slots and what was put in, at one instant:
// one brush, or a pair, or a conversion that changes what a position requires.
type Swap struct {
	At        time.Time
	Precision string // "" is instant; never unknown
	Items     []SwapItem
	// Facts change what the positions require from that instant on.
	Facts []SwapFact
}

// SwapItem is one slot's share.
type SwapItem struct {
	SlotID uuid.UUID
	// Why the unit that is in it comes out, and where it goes.
	Reason string
	To     *uuid.UUID // a location; nil for a unit that goes into another slot of this swap
	// What goes in; nil leaves the slot empty.
	In *uuid.UUID
	// Why the new one leaves the slot that it was in; "" for one from stock.
	InReason string
	Remark   string
}

// SwapFact is what a position requires from the swap on.
type SwapFact struct {
	PositionID uuid.UUID
	NewFact
}

// Swapped is what a swap did to one slot.
type Swapped struct {
	Out *Stay // where the old unit is now; nil where it went into another slot of the swap
	In  *Stay // nil where the slot stays empty
}

// occupied is a slot of a swap with what is in it at that instant.
type occupied struct {
	Place  int
	Known  bool
	Name   string
	StayID *uuid.UUID
	UnitID *uuid.UUID
	Tag    string
	Until  *time.Time // nil while it is there
}

const occupants = `
select r.n - 1 as place, s.id is not null as known, coalesce(coalesce(p.code, h.tag) || ', ' || lower(s.name), '') as name,
       st.id as stay_id, st.unit_id, coalesce(u.tag, '') as tag, upper(st.during) as until
  from unnest(cast(@slots as uuid[])) with ordinality as r(id, n)
  left join slot as s on s.id = r.id
  left join position as p on p.id = s.position_id
  left join unit as h on h.id = s.unit_id
  left join stay as st on st.slot_id = s.id and st.during @> cast(@at as timestamptz)
  left join unit as u on u.id = st.unit_id
order by r.n`

// DoSwap takes units out of slots with their reasons, puts others in, and
// records what the positions require from then on: all of it or nothing, in a
// number of statements that does not grow with the slots. A slot in which
// nothing is known to be cannot be swapped: Put fits into it.
func DoSwap(tx *gorm.DB, who access.Actor, now time.Time, in Swap) ([]Swapped, error) {
	if err := who.Must(access.RecordWork); err != nil {
		return nil, err
	}
	precision := in.Precision
	if precision == "" {
		precision = "instant"
	}
	switch {
	case precision == "unknown" || !slices.Contains(Precisions, precision):
		return nil, fault.Field("precision", precision, "is one of %s: a swap has its time", strings.Join(Precisions[:len(Precisions)-1], ", "))
	case in.At.After(now):
		return nil, fault.Field("at", stamp(in.At), "must not lie ahead: a swap is recorded when it is done")
	case len(in.Items) == 0:
		return nil, fault.Field("items", "", "names at least one slot")
	}
	slots, first := make([]uuid.UUID, len(in.Items)), map[uuid.UUID]int{}
	for i, item := range in.Items {
		if j, twice := first[item.SlotID]; twice {
			return nil, at("items", i, fault.Field("slot_id", item.SlotID, "is that of items[%d] too", j))
		}
		first[item.SlotID], slots[i] = i, item.SlotID
	}
	there, err := lockOccupants(tx, in, slots)
	if err != nil {
		return nil, err
	}

	var straight []ending // into another slot of this swap
	var out, fresh []Putting
	var outOf, into []int // the items to which they belong
	for i, item := range in.Items {
		o := there[i]
		switch {
		case !o.Known:
			return nil, at("items", i, fault.Field("slot_id", item.SlotID, "names no slot"))
		case o.UnitID == nil:
			return nil, at("items", i, &fault.Error{Kind: fault.Conflict, Field: "slot_id", Value: o.Name,
				Msg: "holds nothing that is known at that time; fit a unit into it instead of swapping"})
		case item.Reason == "":
			return nil, at("items", i, fault.Field("reason", "", "is needed: why %s comes out", o.Tag))
		case !slices.Contains(Reasons, item.Reason):
			return nil, at("items", i, fault.Field("reason", item.Reason, "is one of %s", strings.Join(Reasons, ", ")))
		case item.In != nil && *item.In == *o.UnitID:
			return nil, at("items", i, fault.Field("in", o.Tag, "is the unit that comes out"))
		}
		goesStraight := slices.ContainsFunc(in.Items, func(other SwapItem) bool { return other.In != nil && *other.In == *o.UnitID })
		switch {
		case goesStraight && o.Until != nil:
			return nil, at("items", i, &fault.Error{Kind: fault.Conflict, Field: "slot_id", Value: o.Name,
				Msg: fmt.Sprintf("%s left it on %s already; what is done later cannot be recorded before it", o.Tag, stamp(*o.Until))})
		case goesStraight:
			straight = append(straight, ending{*o.StayID, in.At, precision, item.Reason})
		case item.To == nil:
			return nil, at("items", i, fault.Field("to", "", "is needed: where %s goes", o.Tag))
		default:
			out, outOf = append(out, Putting{UnitID: *o.UnitID, Place: Place{LocationID: item.To}, From: &in.At, Precision: precision,
				Reason: item.Reason, Remark: item.Remark}), append(outOf, i)
		}
		if item.In != nil {
			fresh, into = append(fresh, Putting{UnitID: *item.In, Place: Place{SlotID: &slots[i]}, From: &in.At, Precision: precision,
				Reason: item.InReason, Remark: item.Remark}), append(into, i)
		}
	}
	// out first, so that the slots are empty
	if err := end(tx, straight); err != nil {
		return nil, err
	}
	done := make([]Swapped, len(in.Items))
	for _, step := range []struct {
		what  []Putting
		of    []int
		names map[string]string // of the fields as the swap has them
		keep  func(i int, s *Stay)
	}{
		{out, outOf, map[string]string{"location_id": "to", "from": "slot_id", "unit_id": "slot_id"}, func(i int, s *Stay) { done[i].Out = s }},
		{fresh, into, map[string]string{"unit_id": "in", "reason": "in_reason", "from": "in"}, func(i int, s *Stay) { done[i].In = s }},
	} {
		stays, err := putAll(tx, who, now, step.what, func(i int, field string) string {
			if own, ok := step.names[field]; ok {
				field = own
			}
			return fmt.Sprintf("items[%d].%s", step.of[i], field)
		})
		if err != nil {
			return nil, err
		}
		for i := range stays {
			step.keep(step.of[i], &stays[i])
		}
	}
	facts := make([]FactOf, len(in.Facts))
	for i, f := range in.Facts {
		f.From = &in.At
		facts[i] = FactOf{f.PositionID, f.NewFact}
	}
	_, err = ofPosition.recordAll(tx, who, now, facts, func(i int, field string) string { return fmt.Sprintf("facts[%d].%s", i, field) })
	return done, err
}

// lockOccupants locks the slots of a swap and all of its units, and then reads
// what is in the slots: somebody may have moved a unit out while we waited.
func lockOccupants(tx *gorm.DB, in Swap, slots []uuid.UUID) ([]occupied, error) {
	if err := lock(tx, "slot", slots); err != nil {
		return nil, err
	}
	ids := make(Texts, len(slots))
	for i, s := range slots {
		ids[i] = s.String()
	}
	var there []occupied
	read := func() error {
		there = nil
		return tx.Raw(occupants, map[string]any{"slots": ids, "at": in.At}).Scan(&there).Error
	}
	if err := read(); err != nil {
		return nil, err
	}
	var moved []uuid.UUID
	for i, o := range there {
		if o.UnitID != nil {
			moved = append(moved, *o.UnitID)
		}
		if in.Items[i].In != nil {
			moved = append(moved, *in.Items[i].In)
		}
	}
	if err := lock(tx, "unit", moved); err != nil {
		return nil, err
	}
	return there, read()
}
