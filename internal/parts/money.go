package parts

import (
	"fmt"
	"strconv"
	"strings"

	"golang.org/x/text/currency"

	"spindlebook/internal/fault"
)

// Decimals tells how many decimals prices in a currency have (ISO 4217): 2 of the dollar,
// none of the yen. One that nobody knows has 2.
func Decimals(code string) int {
	unit, err := currency.ParseISO(code)
	if err != nil {
		return 2
	}
	n, _ := currency.Standard.Rounding(unit)
	return n
}

// Minor reads a price as minor units of its currency, exactly: what has more decimals than the
// currency is refused and not rounded.
func Minor(text, code string) (int64, *fault.Error) {
	text = strings.TrimSpace(text)
	most := Decimals(code)
	whole, part, _ := strings.Cut(text, ".")
	for _, r := range whole + part {
		if r < '0' || r > '9' {
			return 0, fault.Field("", text, "is a number, such as 41.25")
		}
	}
	switch {
	case whole+part == "":
		return 0, fault.Field("", text, "is a number, such as 41.25")
	case len(strings.TrimRight(part, "0")) > most:
		return 0, fault.Field("", text, "has more than the %d decimals of %s", most, code)
	case len(strings.TrimLeft(whole, "0")) > 12:
		return 0, fault.Field("", text, "lies below 1 000 000 000 000")
	}
	if len(part) > most {
		part = part[:most]
	}
	n, err := strconv.ParseInt("0"+whole+part+strings.Repeat("0", most-len(part)), 10, 64)
	if err != nil {
		return 0, fault.Field("", text, "is a number, such as 41.25")
	}
	return n, nil
}

// Money writes minor units of a currency: USD 41.25.
func Money(minor int64, code string) string { return code + " " + Price(minor, code) }

// Price writes minor units of a currency as its number alone.
func Price(minor int64, code string) string {
	sign := ""
	if minor < 0 {
		sign, minor = "-", -minor
	}
	n := Decimals(code)
	if n == 0 {
		return sign + strconv.FormatInt(minor, 10)
	}
	digits := fmt.Sprintf("%0*d", n+1, minor)
	return sign + digits[:len(digits)-n] + "." + digits[len(digits)-n:]
}
