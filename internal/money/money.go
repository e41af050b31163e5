// Package money reads and writes prices in the minor units of their currency: cents of the
// dollar, whole yen. It knows no database and no clock.
//
// Money is how a price stands in a sentence or on a page, with marks between the thousands:
// USD 1,120.00. Price is how it is typed and exported, without: 1120.00.
package money

import (
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"

	"golang.org/x/text/currency"

	"spindlebook/internal/fault"
)

// others are the currencies whose prices do not have two decimals (ISO 4217, list one, column
// "minor unit", from memory).
var others = map[int]string{
	0: "BIF CLP DJF GNF ISK JPY KMF KRW PYG RWF UGX UYI VND VUV XAF XOF XPF",
	3: "BHD IQD JOD KWD LYD OMR TND",
	4: "CLF UYW",
}

var decimals = func() map[string]int {
	all := map[string]int{}
	for n, codes := range others {
		for _, c := range strings.Fields(codes) {
			all[c] = n
		}
	}
	return all
}()

// Decimals tells how many decimals prices in a currency have: 2 of the dollar, none of the yen.
// One that nobody knows has 2.
func Decimals(code string) int {
	if n, ok := decimals[strings.ToUpper(code)]; ok {
		return n
	}
	return 2
}

// Is tells whether a text is the code of a currency by ISO 4217, in capital letters.
func Is(code string) bool {
	unit, err := currency.ParseISO(code)
	return err == nil && unit.String() == code
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

// Money writes minor units of a currency as they are read: USD 1,120.00.
func Money(minor int64, code string) string {
	sign, whole, part := split(minor, code)
	for at := len(whole) - 3; at > 0; at -= 3 {
		whole = whole[:at] + "," + whole[at:]
	}
	return code + " " + sign + whole + part
}

// Price writes minor units of a currency as they are typed: 1120.00.
func Price(minor int64, code string) string {
	sign, whole, part := split(minor, code)
	return sign + whole + part
}

func split(minor int64, code string) (sign, whole, part string) {
	n := Decimals(code)
	digits := fmt.Sprintf("%0*d", n+1, minor)
	if minor < 0 {
		sign, digits = "-", fmt.Sprintf("%0*d", n+1, uint64(-minor))
	}
	if whole = digits[:len(digits)-n]; n > 0 {
		part = "." + digits[len(digits)-n:]
	}
	return sign, whole, part
}

// SQL writes an expression that tells what Price tells, for two columns.
func SQL(minor, code string) string {
	text := "case"
	for _, n := range slices.Sorted(maps.Keys(others)) {
		text += fmt.Sprintf(" when %s in ('%s') then round(%s / 1e%d, %d)", code, strings.Join(strings.Fields(others[n]), "', '"), minor, n, n)
	}
	return fmt.Sprintf("(%s else round(%s / 1e2, 2) end)::text", text, minor)
}
