package ident

import (
	"testing"

	"pgregory.net/rapid"
)

// ISO 7064 MOD 37,36: the worked example of the standard as it circulates, from
// memory, confirmed by computation.
func TestCheckOfTheStandardsExample(t *testing.T) {
	if c, ok := Check("A12425GABC1234002"); !ok || c != 'M' {
		t.Errorf("check character %c", c)
	}
	for _, bad := range []string{"", "a", "A-1", "Ä"} {
		if _, ok := Check(bad); ok {
			t.Errorf("%q has a check character", bad)
		}
	}
}

func TestAMistypedTagIsNoticed(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		tag := []byte(Tag(rapid.Int64Range(1, 99_999_999).Draw(t, "n")))
		if !Sound(string(tag)) {
			t.Fatalf("%s is not sound", tag)
		}
		i := rapid.IntRange(2, len(tag)-2).Draw(t, "place")
		was := tag[i]
		if tag[i] = byte('0' + rapid.IntRange(0, 9).Draw(t, "digit")); tag[i] != was && Sound(string(tag)) {
			t.Fatalf("a wrong digit at %d is not noticed: %s", i, tag)
		}
	})
	swaps, missed := 0, 0
	for n := int64(1); n <= 5000; n++ {
		tag := []byte(Tag(n))
		for i := 2; i < len(tag)-2; i++ {
			if tag[i] == tag[i+1] {
				continue
			}
			tag[i], tag[i+1] = tag[i+1], tag[i]
			if swaps++; Sound(string(tag)) {
				missed++
			}
			tag[i], tag[i+1] = tag[i+1], tag[i]
		}
	}
	if missed*20 > swaps { // a hybrid system finds nearly all, not all
		t.Errorf("%d of %d swaps of neighbours are not noticed", missed, swaps)
	}
	for _, others := range []string{"X-17", "SBL-D", "SB1", "4471"} {
		if !Sound(others) {
			t.Errorf("%s is not one of ours and has no check character to miss", others)
		}
	}
}
