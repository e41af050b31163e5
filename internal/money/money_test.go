package money

import (
	"math"
	"strings"
	"testing"
)

// Prices are whole minor units; what would have to be rounded is refused.
func TestPricesAreReadExactly(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		text, code string
		minor      int64
		bad        string
	}{
		{"41.25", "USD", 4125, ""}, {"41.2", "USD", 4120, ""}, {" 41 ", "USD", 4100, ""}, {".5", "USD", 50, ""}, {"0.29", "USD", 29, ""}, {"4.200", "USD", 420, ""},
		{"1.115", "USD", 0, "more than the 2 decimals"}, {"1250", "JPY", 1250, ""}, {"10.50", "RSD", 1050, ""}, {"1250.5", "JPY", 0, "more than the 0 decimals"}, {"1.234", "BHD", 1234, ""}, {"9.5", "???", 950, ""},
		{"", "USD", 0, "is a number"}, {".", "USD", 0, "is a number"}, {"-1", "USD", 0, "is a number"}, {"1e3", "USD", 0, "is a number"}, {"1,50", "USD", 0, "is a number"}, {"9999999999999", "USD", 0, "lies below"},
	} {
		n, bad := Minor(c.text, c.code)
		if c.bad == "" && (bad != nil || n != c.minor) || c.bad != "" && (bad == nil || !strings.Contains(bad.Msg, c.bad)) {
			t.Errorf("%q %s: %d %v", c.text, c.code, n, bad)
		}
	}
}

// A price in a currency that there is not is no price.
func TestWhatIsACurrency(t *testing.T) {
	t.Parallel()
	for code, want := range map[string]bool{"USD": true, "JPY": true, "RSD": true, "usd": false, "ABC": false, "US": false, "USDX": false, "": false, "dollars": false} {
		if Is(code) != want {
			t.Errorf("%q is one: %v", code, !want)
		}
	}
}

// Marks stand between the thousands of what is read, and never in what is typed.
func TestPricesAreWritten(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		minor       int64
		code        string
		read, typed string
	}{
		{4125, "USD", "USD 41.25", "41.25"}, {5, "USD", "USD 0.05", "0.05"}, {0, "USD", "USD 0.00", "0.00"}, {-150, "USD", "USD -1.50", "-1.50"}, {112000, "USD", "USD 1,120.00", "1120.00"},
		{-123456789, "EUR", "EUR -1,234,567.89", "-1234567.89"}, {99999, "EUR", "EUR 999.99", "999.99"}, {1234567, "JPY", "JPY 1,234,567", "1234567"}, {0, "JPY", "JPY 0", "0"},
		{1500, "KWD", "KWD 1.500", "1.500"}, {12345678, "CLF", "CLF 1,234.5678", "1234.5678"},
		{math.MaxInt64, "USD", "USD 92,233,720,368,547,758.07", "92233720368547758.07"}, {math.MinInt64, "USD", "USD -92,233,720,368,547,758.08", "-92233720368547758.08"},
	} {
		if got := Money(c.minor, c.code); got != c.read {
			t.Errorf("%d %s: %s", c.minor, c.code, got)
		}
		typed := Price(c.minor, c.code)
		if typed != c.typed {
			t.Errorf("%d %s: %s", c.minor, c.code, typed)
		}
		if n, bad := Minor(typed, c.code); c.minor >= 0 && c.minor < 1e12 && (bad != nil || n != c.minor) {
			t.Errorf("%s is read back as %d: %v", typed, n, bad)
		}
	}
}

// The minor units of ISO 4217, list one (from memory): the standard has two for the dinar of
// Serbia, the peso of Colombia and the rupiah, although nobody pays with their coins any more.
func TestDecimalsAreThoseOfTheStandard(t *testing.T) {
	t.Parallel()
	for code, want := range map[string]int{"USD": 2, "EUR": 2, "RSD": 2, "COP": 2, "IDR": 2, "PKR": 2, "TZS": 2, "ALL": 2, "HUF": 2, "JPY": 0, "jpy": 0, "KRW": 0, "CLP": 0, "ISK": 0, "UGX": 0, "BHD": 3, "TND": 3, "CLF": 4, "UYW": 4, "???": 2, "": 2} {
		if got := Decimals(code); got != want {
			t.Errorf("%q: %d", code, got)
		}
	}
	for code, want := range map[string]bool{"USD": true, "usd": false, "US": false, "USDX": false, "U D": false, "ÅSD": false, "": false} {
		if Is(code) != want {
			t.Errorf("%q is a code: %v", code, !want)
		}
	}
}
