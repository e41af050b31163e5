package door

import (
	"testing"
	"time"
)

// A body gets the time that it takes at 2 Mbit/s, and five minutes at least.
func TestPatience(t *testing.T) {
	for bytes, want := range map[int64]time.Duration{0: 5 * time.Minute, 1 << 20: 5 * time.Minute, 64 << 20: 5 * time.Minute, 75_000_000: 5 * time.Minute, 512 << 20: 2147 * time.Second} {
		if got := patience(bytes); got != want {
			t.Errorf("%d bytes get %v, not %v", bytes, got, want)
		}
	}
}
