// Package amount is how much there is of a part: an exact number of its counting
// unit, such as pieces, feet or litres, with three decimals. No float holds stock.
package amount

import (
	"database/sql/driver"
	"encoding/json"
	"fmt"
	"math"
	"strconv"
	"strings"

	"spindlebook/internal/fault"
)

// Amount counts thousandths of a part's counting unit.
type Amount int64

// One is one whole of a counting unit.
const One Amount = 1000

// Most bounds what one place may hold or one movement may move.
const Most = 1_000_000_000 * One

// Of gives n whole ones.
func Of(n int64) Amount { return Amount(n) * One }

// Parse reads an amount as people write it: digits with a point.
func Parse(text string) (Amount, *fault.Error) {
	s := strings.TrimSpace(text)
	sign := Amount(1)
	if rest, minus := strings.CutPrefix(s, "-"); minus {
		sign, s = -1, rest
	}
	whole, frac, _ := strings.Cut(s, ".")
	frac = strings.TrimRight(frac, "0")
	switch {
	case whole == "" && frac == "" || !digits(whole) || !digits(frac):
		return 0, fault.Field("amount", text, "is a number in digits with a point, such as 12 or 0.9")
	case len(frac) > 3:
		return 0, fault.Field("amount", text, "takes at most three decimals")
	case len(strings.TrimLeft(whole, "0")) > 10:
		return 0, fault.Field("amount", text, "is at most %s", Most)
	}
	w, _ := strconv.ParseInt("0"+whole, 10, 64) // digits, and few enough
	f, _ := strconv.ParseInt((frac + "000")[:3], 10, 64)
	a := Amount(w)*One + Amount(f)
	if a > Most {
		return 0, fault.Field("amount", text, "is at most %s", Most)
	}
	return sign * a, nil
}

func digits(s string) bool { return strings.Trim(s, "0123456789") == "" }

// String writes the amount with as many decimals as it has.
func (a Amount) String() string {
	sign := ""
	u := uint64(a)
	if a < 0 {
		sign, u = "-", -u
	}
	s := fmt.Sprintf("%s%d", sign, u/uint64(One))
	if f := u % uint64(One); f != 0 {
		s += strings.TrimRight(fmt.Sprintf(".%03d", f), "0")
	}
	return s
}

// Whole tells whether nothing is left over one.
func (a Amount) Whole() bool { return a%One == 0 }

// Times multiplies exactly; false where there is no such amount.
func (a Amount) Times(b Amount) (Amount, bool) {
	if a == 0 || b == 0 {
		return 0, true
	}
	if math.Abs(float64(a))*math.Abs(float64(b)) > 9e18 {
		return 0, false
	}
	p := a * b
	return p / One, p%One == 0
}

// Value gives the amount to a numeric column.
func (a Amount) Value() (driver.Value, error) { return a.String(), nil }

// Scan reads a numeric column.
func (a *Amount) Scan(src any) error {
	var text string
	switch src := src.(type) {
	case string:
		text = src
	case []byte:
		text = string(src)
	case int64:
		*a = Of(src)
		return nil
	default:
		return fmt.Errorf("an amount came as %T", src)
	}
	got, bad := Parse(text)
	if bad != nil {
		return fmt.Errorf("an amount came as %q", text)
	}
	*a = got
	return nil
}

// MarshalJSON writes the amount as a number with a point, which loses nothing.
func (a Amount) MarshalJSON() ([]byte, error) { return []byte(a.String()), nil }

// UnmarshalJSON reads a number, or a text that is one.
func (a *Amount) UnmarshalJSON(b []byte) error {
	text := string(b)
	if strings.HasPrefix(text, `"`) {
		if err := json.Unmarshal(b, &text); err != nil {
			return err
		}
	}
	got, bad := Parse(text)
	if bad != nil {
		return bad
	}
	*a = got
	return nil
}
