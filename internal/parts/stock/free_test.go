package stock

import (
	"fmt"
	"testing"

	"github.com/google/uuid"
	"pgregory.net/rapid"

	"spindlebook/internal/parts/amount"
)

// What the network gives to all claims together is the most that any sharing out gives,
// and what was promised before is never taken away.
func TestTheNetworkPromisesAsMuchAsThereIs(t *testing.T) {
	keys := make([]uuid.UUID, 3)
	for i := range keys {
		keys[i] = uuid.New()
	}
	part := uuid.New()
	rapid.Check(t, func(t *rapid.T) {
		maybe := func(name string) *uuid.UUID {
			if i := rapid.IntRange(-2, 2).Draw(t, name); i >= 0 {
				return &keys[i]
			}
			return nil
		}
		date := func(name string) string { return fmt.Sprintf("2025-06-0%d", rapid.IntRange(1, 4).Draw(t, name)) }
		var there []lying
		for i := range rapid.IntRange(0, 4).Draw(t, "places") {
			l := lying{PartID: part, LocationID: keys[i%3], SiteID: maybe("shelf"), N: amount.Of(int64(rapid.IntRange(0, 3).Draw(t, "n")))}
			if rapid.Bool().Draw(t, "expires") {
				d := date("until")
				l.ExpiresOn = &d
			}
			there = append(there, l)
		}
		n := newNetwork(there)
		var wants []wanting
		var promised amount.Amount
		for range rapid.IntRange(0, 4).Draw(t, "claims") {
			w := wanting{PartID: part, SiteID: maybe("site"), LocationID: maybe("place"), NeededOn: date("on"), N: amount.Of(int64(rapid.IntRange(1, 3).Draw(t, "wanted")))}
			before := most(there, wants)
			got := n.add(w)
			wants = append(wants, w)
			promised += got
			if after := most(there, wants); promised != after || got != after-before {
				t.Fatalf("promised %s (%s now), the most is %s after %s", promised, got, after, before)
			}
		}
		for c, from := range n.given { // nobody has what does not serve
			var sum amount.Amount
			for i, a := range from {
				if a < 0 || a > 0 && !there[i].serves(n.wants[c]) {
					t.Fatalf("claim %d has %s of place %d", c, a, i)
				}
				sum += a
			}
			if sum > n.wants[c].N {
				t.Fatalf("claim %d has %s of %s", c, sum, n.wants[c].N)
			}
		}
	})
}

// most tries every way to share out single pieces.
func most(there []lying, wants []wanting) amount.Amount {
	left := make([]int64, len(there))
	for i, l := range there {
		left[i] = int64(l.N / amount.One)
	}
	var pieces []wanting
	for _, w := range wants {
		for range w.N / amount.One {
			pieces = append(pieces, w)
		}
	}
	memo := map[string]int64{}
	var try func(i int) int64
	try = func(i int) int64 {
		if i == len(pieces) {
			return 0
		}
		key := fmt.Sprint(i, left)
		if v, ok := memo[key]; ok {
			return v
		}
		best := try(i + 1)
		for j, l := range there {
			if left[j] > 0 && l.serves(pieces[i]) {
				left[j]--
				best = max(best, 1+try(i+1))
				left[j]++
			}
		}
		memo[key] = best
		return best
	}
	return amount.Of(try(0))
}
