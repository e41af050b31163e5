package amount

import (
	"encoding/json"
	"testing"

	"pgregory.net/rapid"
)

func TestAmountsAreReadAsTheyAreWritten(t *testing.T) {
	for text, want := range map[string]Amount{"0": 0, "12": 12000, "0.9": 900, ".5": 500, "18.9": 18900, "-3.785": -3785, " 7.0 ": 7000, "0.1000": 100, "1000000000": Most, "0007": 7000, "5.": 5000} {
		if got, bad := Parse(text); bad != nil || got != want {
			t.Errorf("%q is read as %d, %v", text, got, bad)
		}
	}
	for text, says := range map[string]string{
		"": "digits", ".": "digits", "1e3": "digits", "1,5": "digits", "--1": "digits", "NaN": "digits", "0.0001": "three decimals",
		"1000000000.001": "at most 1000000000", "99999999999": "at most 1000000000", "+1": "digits",
	} {
		if got, bad := Parse(text); bad == nil || bad.Field != "amount" || !contains(bad.Msg, says) {
			t.Errorf("%q gives %v, %v", text, got, bad)
		}
	}
}

func contains(s, part string) bool {
	for i := range s {
		if len(s)-i >= len(part) && s[i:i+len(part)] == part {
			return true
		}
	}
	return false
}

func TestAnAmountSurvivesEveryWayOfWriting(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := Amount(rapid.Int64Range(int64(-Most), int64(Most)).Draw(t, "amount"))
		if got, bad := Parse(a.String()); bad != nil || got != a {
			t.Fatalf("%d is written %s and read %d, %v", int64(a), a, got, bad)
		}
		v, err := a.Value()
		var back, from Amount
		if err != nil || back.Scan(v) != nil || back != a || from.Scan([]byte(a.String())) != nil || from != a {
			t.Fatalf("through the database %d becomes %d", int64(a), int64(back))
		}
		doc, err := json.Marshal(a)
		if err != nil || json.Unmarshal(doc, &back) != nil || back != a || json.Unmarshal([]byte(`"`+a.String()+`"`), &from) != nil || from != a {
			t.Fatalf("through JSON %d becomes %d", int64(a), int64(back))
		}
	})
	var a Amount
	if a.Scan(int64(4)) != nil || a != Of(4) || a.Scan(1.5) == nil || a.Scan("x") == nil || json.Unmarshal([]byte(`"x"`), &a) == nil || json.Unmarshal([]byte(`true`), &a) == nil {
		t.Errorf("what is no amount is read as %s", a)
	}
}

// Expected by hand: seven times nine tenths of a litre are 6.3.
func TestTimes(t *testing.T) {
	if got, ok := Of(7).Times(900); !ok || got != 6300 {
		t.Errorf("7 x 0.9 = %s, %v", got, ok)
	}
	if got, ok := Amount(1).Times(1); ok || got != 0 {
		t.Errorf("0.001 x 0.001 = %s, %v", got, ok)
	}
	if _, ok := Most.Times(Most); ok {
		t.Error("what is too large is multiplied")
	}
	if got, ok := Amount(0).Times(Most); !ok || got != 0 {
		t.Errorf("%s, %v", got, ok)
	}
	if !Of(3).Whole() || Amount(3001).Whole() {
		t.Error("what is whole is not told from what is not")
	}
}
