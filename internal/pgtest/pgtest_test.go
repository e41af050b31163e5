package pgtest_test

import (
	"fmt"
	"runtime"
	"testing"

	"spindlebook/internal/pgdb"
	"spindlebook/internal/pgtest"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

// told is a test that keeps why it ended.
type told struct {
	testing.TB
	why string
}

func (t *told) Helper() {}
func (t *told) Fatalf(format string, args ...any) {
	t.why = fmt.Sprintf(format, args...)
	runtime.Goexit()
}

// A database that a test gave up filling is no database for the others.
func TestWhatWasLeftHalfFilledIsCopiedForNobody(t *testing.T) {
	t.Parallel()
	ask := func(fill func(*pgdb.DB) error) (why string) {
		it, ended := &told{TB: t}, make(chan struct{})
		go func() {
			defer close(ended)
			pgtest.Filled(it, "half", fill)
			it.why = "a copy"
		}()
		<-ended
		return it.why
	}
	if why := ask(func(*pgdb.DB) error { runtime.Goexit(); return nil }); why != "" {
		t.Errorf("the one who gave up: %s", why)
	}
	if why := ask(func(*pgdb.DB) error { return nil }); why != "fill a test database with half: the test that filled it gave up" {
		t.Errorf("the next one: %s", why)
	}
}
