package replenish

import (
	"fmt"
	"math"
	"strings"

	"spindlebook/internal/calendar"
	"spindlebook/internal/fault"
	"spindlebook/internal/parts/amount"
	"spindlebook/internal/pm/visits/readiness"
)

// Item is a part at a place with what decides about buying it.
type Item struct {
	// ByChance is what is asked for by chance in the lead time, without what is planned.
	ByChance Demand
	// Planned is what known work needs within the lead time.
	Planned amount.Amount
	Level   float64 // chance that nobody waits, such as 0.95

	OnHand  amount.Amount // that may be used: neither expired nor in quarantine nor set aside
	OnOrder amount.Amount

	Yearly    float64 // pieces a year, of any kind of demand
	OrderCost float64 // of placing one order, in the currency of UnitCost
	UnitCost  float64
	KeepRate  float64 // cost of keeping it for a year as a share of UnitCost, such as 0.25

	Pack       amount.Amount // what the supplier sells it in; 0 is one
	ShelfDays  int           // days for which it keeps; 0 is for ever
	Min, Max   amount.Amount // of the place; Max 0 is none. Max caps what is bought, not what is held
	LeadDays   int           // for the explanation
	CountedIn  string        // unit of the amounts, for the explanation: "ea"
	LastOrder  calendar.Date // day by which what is planned must be ordered; 0 is none
	OrderToday calendar.Date
}

// Advice says when to buy and how much, and why.
type Advice struct {
	Point   amount.Amount // buy when what is there and on order, less what is planned, falls to it
	Lot     amount.Amount // what to buy at a time
	Buy     amount.Amount // to buy today; 0 is nothing
	Because []string
}

// Order gives the last day on which an order for something planned still arrives: one
// staging day before it, and before that the lead time in the supplier's working days.
func Order(need calendar.Date, ours readiness.Works, lead readiness.Lead) calendar.Date {
	return readiness.OrderBy(need, ours, lead)
}

func (i Item) check() error {
	switch {
	case i.OnHand < 0 || i.OnOrder < 0 || i.Planned < 0 || i.Min < 0 || i.Max < 0 || i.Pack < 0:
		return fault.Field("amount", "", "is not negative: on hand, on order, planned, pack, minimum and maximum")
	case i.Max > 0 && i.Max < i.Min:
		return fault.Field("max", i.Max, "is not below the minimum %s", i.Min)
	case !(i.Yearly >= 0) || i.ShelfDays < 0:
		return fault.Field("yearly", i.Yearly, "is a number that is not negative, as the days on the shelf are")
	}
	return nil
}

// up and down round to whole packs.
func (i Item) pack() amount.Amount {
	if i.Pack == 0 {
		return amount.One
	}
	return i.Pack
}
func (i Item) up(a amount.Amount) amount.Amount   { p := i.pack(); return (a + p - 1) / p * p }
func (i Item) down(a amount.Amount) amount.Amount { p := i.pack(); return a / p * p }

// Advise tells what to buy and explains it.
func Advise(i Item) (Advice, error) {
	if err := i.check(); err != nil {
		return Advice{}, err
	}
	var a Advice
	say := func(format string, args ...any) { a.Because = append(a.Because, fmt.Sprintf(format, args...)) }

	hold, err := i.ByChance.Protect(i.Level)
	if err != nil {
		return Advice{}, err
	}
	a.Point = amount.Of(int64(hold)) - amount.One // the order goes out when the last of them is asked for
	if i.ByChance.Pieces() == 0 {
		a.Point = 0
		say("Nothing is asked for by chance.")
	} else {
		covers, err := i.ByChance.Covers(hold)
		if err != nil {
			return Advice{}, err
		}
		pairs := ""
		if i.ByChance.Pairs > 0 {
			pairs = ", pairs counted as two"
		}
		say("In %d days of delivery %.2f %s are asked for on average by chance%s; %d cover %.1f %% of such times, the goal is %.4g %%.",
			i.LeadDays, i.ByChance.Pieces(), i.CountedIn, pairs, hold, covers*100, i.Level*100)
		a.Point = max(a.Point, 0)
	}
	if i.Min > a.Point {
		a.Point = i.Min
		say("The minimum of the place is %s.", i.Min)
	}

	if a.Lot, err = i.lot(say); err != nil {
		return Advice{}, err
	}

	position := i.OnHand + i.OnOrder - i.Planned
	say("%s on hand and %s on order, less %s for planned work, leave %s; the point to buy at is %s.", i.OnHand, i.OnOrder, i.Planned, position, a.Point)
	// a minimum of 0 means: buy when a job needs it
	if position > a.Point || position == a.Point && a.Point == 0 {
		return a, nil
	}
	a.Buy = max(a.Lot, i.up(a.Point-position))
	if i.Max > 0 {
		room := i.down(max(0, i.Max-position))
		if room < a.Buy {
			// what planned work needs is bought whatever the maximum says
			a.Buy = max(room, i.up(max(0, -position)))
			say("The maximum of %s leaves room for %s.", i.Max, room)
		}
	}
	if a.Buy > 0 {
		say("Buy %s %s.", a.Buy, i.CountedIn)
	}
	if i.LastOrder != 0 && i.Planned > 0 && position < 0 {
		if i.LastOrder < i.OrderToday {
			say("For planned work it should have been ordered by %s.", i.LastOrder.Words())
		} else {
			say("For planned work it must be ordered by %s.", i.LastOrder.Words())
		}
	}
	return a, nil
}

// lot gives the cheapest lot in whole packs that is used up before it expires.
func (i Item) lot(say func(string, ...any)) (amount.Amount, error) {
	pack := i.pack()
	if i.Yearly == 0 || i.UnitCost*i.KeepRate == 0 {
		return pack, nil
	}
	keep := i.UnitCost * i.KeepRate
	best, err := EconomicLot(i.Yearly, i.OrderCost, keep)
	if err != nil {
		return 0, err
	}
	cost := func(q amount.Amount) float64 {
		n := float64(q) / float64(amount.One)
		return i.Yearly/n*i.OrderCost + n/2*keep
	}
	if best > float64(amount.Most/amount.One) {
		return 0, fault.Field("order_cost", i.OrderCost, "makes a lot that is larger than any stock")
	}
	lot := max(pack, i.down(amount.Amount(best*float64(amount.One))))
	if cost(lot+pack) < cost(lot) {
		lot += pack
	}
	words := fmt.Sprintf("The economic lot is %s %s: %.4g of %.4g a year, in packs of %s.", lot, i.CountedIn, best, i.Yearly, pack)
	if i.ShelfDays > 0 {
		if used := amount.Amount(math.Min(i.Yearly*float64(i.ShelfDays)/365*float64(amount.One), float64(amount.Most))); used < lot {
			lot = max(pack, i.down(used))
			words = strings.TrimSuffix(words, ".") + fmt.Sprintf("; it keeps %d days, so no more than %s.", i.ShelfDays, lot)
		}
	}
	say("%s", words)
	return lot, nil
}
