package main

import (
	"context"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
)

// A short run of what `make faults` does at length.
func TestNothingAcknowledgedIsLostOrDoubled(t *testing.T) {
	ctx := context.Background()
	dir, err := folder()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.RemoveAll(dir) })
	binary := filepath.Join(dir, "spindlebook")
	if err := build(ctx, binary); err != nil {
		t.Fatal(err)
	}
	const seed = 2 // kills one of each kind
	done, err := killing(ctx, t.Output(), binary, filepath.Join(dir, "data"), 3, rand.New(rand.NewPCG(seed, 0)))
	if err != nil {
		t.Fatal(err)
	}
	if len(done.kills) != 3 || done.creates == 0 {
		t.Errorf("the run did nothing: %s", done)
	}
	if answered, err := oneOfTwo(ctx, binary, filepath.Join(dir, "shared")); err != nil || answered == 0 {
		t.Errorf("one of two: %d answers, %v", answered, err)
	}
}

func TestTheCountRunsOn(t *testing.T) {
	file := filepath.Join(t.TempDir(), "BENCHMARKS.md")
	if err := os.WriteFile(file, []byte("before\n<!-- faults: written by a program -->\n<!-- end of faults -->\nafter\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	for range 2 {
		if err := count(file, tally{kills: map[string]int{"program": 2, "both": 1}, creates: 50}); err != nil {
			t.Fatal(err)
		}
	}
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	const want = "before\n<!-- faults: written by a program -->\n| program killed | database killed | both killed | creates acknowledged | lost | doubled |\n|---|---|---|---|---|---|\n" +
		"| 4 | 0 | 2 | 100 | 0 | 0 |\n<!-- end of faults -->\nafter\n"
	if string(text) != want {
		t.Errorf("the file holds\n%s", text)
	}
}
