package parts_test

import (
	"strings"
	"testing"

	"spindlebook/internal/parts"
)

// Decimals by ISO 4217, list one, column "minor unit": USD 2, JPY 0, BHD 3 (from memory).
func TestPricesAreReadExactly(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		text, code string
		minor      int64
		bad        string
	}{
		{"41.25", "USD", 4125, ""}, {"41.2", "USD", 4120, ""}, {" 41 ", "USD", 4100, ""}, {".5", "USD", 50, ""}, {"0.29", "USD", 29, ""}, {"4.200", "USD", 420, ""},
		{"1.115", "USD", 0, "more than the 2 decimals"}, {"1250", "JPY", 1250, ""}, {"1250.5", "JPY", 0, "more than the 0 decimals"}, {"1.234", "BHD", 1234, ""}, {"9.5", "???", 950, ""},
		{"", "USD", 0, "is a number"}, {".", "USD", 0, "is a number"}, {"-1", "USD", 0, "is a number"}, {"1e3", "USD", 0, "is a number"}, {"1,50", "USD", 0, "is a number"}, {"9999999999999", "USD", 0, "lies below"},
	} {
		n, bad := parts.Minor(c.text, c.code)
		if c.bad == "" && (bad != nil || n != c.minor) || c.bad != "" && (bad == nil || !strings.Contains(bad.Msg, c.bad)) {
			t.Errorf("%q %s: %d %v", c.text, c.code, n, bad)
		}
	}
	for _, c := range []struct {
		minor int64
		code  string
		want  string
	}{{4125, "USD", "USD 41.25"}, {5, "USD", "USD 0.05"}, {0, "USD", "USD 0.00"}, {-150, "USD", "USD -1.50"}, {1250, "JPY", "JPY 1250"}, {1234, "BHD", "BHD 1.234"}} {
		if got := parts.Money(c.minor, c.code); got != c.want {
			t.Errorf("%d %s: %s", c.minor, c.code, got)
		}
	}
}
