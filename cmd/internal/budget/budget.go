// Package budget holds a process that serves to the memory that it is meant to take.
package budget

import (
	"os"
	"runtime/debug"
)

// soft is where Go's collector begins to work harder rather than take more. The budget
// is 150 MB in all; the program's own text and what is not of the heap lie on top.
const soft = 90 << 20

// Keep sets the limit, unless GOMEMLIMIT says another. Nothing fails above it: what one
// request needs it gets.
func Keep() {
	if os.Getenv("GOMEMLIMIT") == "" {
		debug.SetMemoryLimit(soft)
	}
}
