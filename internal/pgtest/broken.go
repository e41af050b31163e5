package pgtest

import (
	"context"
	"errors"
	"fmt"
	"runtime"
	"strings"
	"sync"
	"sync/atomic"
	"testing"

	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/pgdb"
)

// errBroken is the failure of a statement that was broken on purpose.
var errBroken = errors.New("this statement was broken by a test")

type brokenKey struct{}

// breaking is an act of which at most one statement fails.
type breaking struct {
	armed bool
	at    string // where the statement that failed was asked for; blank while none did
}

var (
	brokenMu sync.Mutex
	broken   = map[string]bool{} // by the way to a statement: whether it was broken already
)

// Breakable lets Breaking break statements of a database.
func Breakable(t testing.TB, db *pgdb.DB) {
	t.Helper()
	err := db.InTx(context.Background(), access.System.ID, func(tx *gorm.DB) error {
		c := tx.Callback()
		return errors.Join(c.Raw().Before("gorm:raw").Register("test:break", breakIt), c.Row().Before("gorm:row").Register("test:break", breakIt), c.Query().Before("gorm:query").Register("test:break", breakIt))
	})
	if err != nil {
		t.Fatal(err)
	}
}

func breakIt(tx *gorm.DB) {
	b, ok := tx.Statement.Context.Value(brokenKey{}).(*breaking)
	if !ok || !b.armed {
		return
	}
	way := wayHere()
	brokenMu.Lock()
	defer brokenMu.Unlock()
	if broken[way] {
		return
	}
	b.armed, b.at, broken[way] = false, way, true
	_ = tx.AddError(errBroken) // nothing is sent: the transaction itself stays whole
}

// wayHere names the lines of ours by which a statement is reached, the nearest first. Which
// test went that way makes no difference.
func wayHere() string {
	pcs := make([]uintptr, 64)
	frames := runtime.CallersFrames(pcs[:runtime.Callers(3, pcs)])
	var way []string
	for {
		f, more := frames.Next()
		if ours := strings.HasPrefix(f.Function, "spindlebook/") && !strings.HasPrefix(f.Function, "spindlebook/internal/pgdb."); ours && (len(way) == 0 || !strings.HasSuffix(f.File, "_test.go")) {
			way = append(way, fmt.Sprintf("%s:%d", strings.TrimPrefix(f.Function, "spindlebook/internal/"), f.Line))
		}
		if !more {
			return strings.Join(way, " < ")
		}
	}
}

// Breaking runs fn in a transaction of the actor. Before it does, it lets each statement fail
// by itself that no act has reached by the same way: fn must hand that failure on as it is, and
// not go on, nor blame what was sent for it.
func Breaking(t testing.TB, db *pgdb.DB, who access.Actor, fn func(tx *gorm.DB) error) error {
	t.Helper()
	for {
		b := &breaking{}
		err := db.InTx(context.WithValue(context.Background(), brokenKey{}, b), who.ID, func(tx *gorm.DB) error {
			b.armed = true
			err := fn(tx)
			if b.armed = false; b.at != "" && err == nil {
				return errors.New("nobody noticed") // so that nothing of it stays
			}
			return err
		})
		if b.at == "" {
			return err
		}
		if !errors.Is(err, errBroken) {
			t.Errorf("a statement failed at %s, and it became: %v", b.at, err)
		}
	}
}

// Interrupted lets read answer, and then stops it before its first question, before its second,
// and so on: each time it must say that it was stopped, and give no part of an answer for the whole.
func Interrupted(t testing.TB, what string, read func(ctx context.Context) error) {
	t.Helper()
	asked := func(stop int) (int, error) {
		ctx, cancel := context.WithCancel(context.Background())
		defer cancel()
		var sent atomic.Int64
		if stop == 0 {
			cancel()
		}
		err := read(pgdb.TellStatements(ctx, func(string, []any) {
			if int(sent.Add(1)) == stop {
				cancel()
			}
		}))
		return int(sent.Load()), err
	}
	all, err := asked(-1)
	if err != nil || all == 0 {
		t.Errorf("%s: %v after %d statements", what, err, all)
	}
	for stop := 0; stop < all; stop += 2 { // a question goes out together with who asks it
		if _, err := asked(stop); !errors.Is(err, context.Canceled) {
			t.Errorf("%s was stopped after %d of %d statements and says %v", what, stop, all, err)
		}
	}
}
