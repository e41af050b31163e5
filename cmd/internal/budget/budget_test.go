package budget

import (
	"math"
	"runtime/debug"
	"testing"
)

func TestKeepLeavesTheOperatorsLimit(t *testing.T) {
	defer debug.SetMemoryLimit(debug.SetMemoryLimit(-1))
	debug.SetMemoryLimit(math.MaxInt64)
	t.Setenv("GOMEMLIMIT", "1GiB")
	Keep()
	if got := debug.SetMemoryLimit(-1); got != math.MaxInt64 {
		t.Errorf("the limit of the operator became %d", got)
	}
	t.Setenv("GOMEMLIMIT", "")
	Keep()
	if got := debug.SetMemoryLimit(-1); got != soft {
		t.Errorf("the limit is %d", got)
	}
}
