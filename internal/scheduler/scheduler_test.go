package scheduler_test

import (
	"bytes"
	"context"
	"errors"
	"log/slog"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"spindlebook/internal/scheduler"
)

// ticking runs jobs for a while of a clock that only stands for one, and gives
// the log.
func ticking(t *testing.T, d time.Duration, now func() time.Time, jobs ...scheduler.Job) string {
	t.Helper()
	var log bytes.Buffer
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan error)
	go func() { ended <- scheduler.Run(ctx, slog.New(slog.NewTextHandler(&log, nil)), now, jobs) }()
	time.Sleep(d)
	stop()
	if err := <-ended; err != nil {
		t.Error(err)
	}
	return log.String()
}

// The bubble's clock begins at midnight UTC, so that five-minute jobs come due
// on the fives whatever the zone of the machine.
func TestJobsTickAtTheirTimes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		const other = 42 * time.Hour // the program's clock is not the machine's
		var at []string
		ticking(t, 16*time.Minute, func() time.Time { return time.Now().UTC().Add(other) }, scheduler.Job{Name: "tidy", Spec: "*/5 * * * *", Do: func(_ context.Context, now time.Time) error {
			at = append(at, now.Add(-other).Format("15:04:05"))
			return nil
		}})
		if want := []string{"00:05:00", "00:10:00", "00:15:00"}; !slices.Equal(at, want) {
			t.Errorf("ticked at %v, not %v", at, want)
		}
	})
}

// One job's trouble is told and stops neither it nor the others.
func TestAJobThatFailsRunsAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		tries, panics, other := 0, 0, 0
		log := ticking(t, 3*time.Minute+time.Second, time.Now,
			scheduler.Job{Name: "failing", Spec: "* * * * *", Do: func(context.Context, time.Time) error { tries++; return errors.New("no luck") }},
			scheduler.Job{Name: "panicking", Spec: "* * * * *", Do: func(context.Context, time.Time) error { panics++; panic("no way") }},
			scheduler.Job{Name: "other", Spec: "* * * * *", Do: func(context.Context, time.Time) error { other++; return nil }})
		if tries != 3 || panics != 3 || other != 3 {
			t.Errorf("%d, %d and %d times, not 3 each", tries, panics, other)
		}
		for _, text := range []string{"job=failing", "no luck", "no way"} {
			if strings.Count(log, text) != 3 {
				t.Errorf("%q is told %d times:\n%s", text, strings.Count(log, text), log)
			}
		}
	})
}

func TestAJobAtWorkIsLeftAlone(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		began, atOnce, most := 0, 0, 0
		ticking(t, 5*time.Minute, time.Now, scheduler.Job{Name: "slow", Spec: "* * * * *", Do: func(context.Context, time.Time) error {
			began++
			atOnce++
			most = max(most, atOnce)
			time.Sleep(150 * time.Second)
			atOnce--
			return nil
		}})
		if most != 1 || began != 2 {
			t.Errorf("begun %d times, %d at once", began, most)
		}
	})
}

// Whoever stops it gets back only when the jobs are done; that a job was
// stopped is no failure to tell of.
func TestStoppingWaitsForTheJobUnderWay(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		done := false
		log := ticking(t, 61*time.Second, time.Now, scheduler.Job{Name: "sweep", Spec: "* * * * *", Do: func(ctx context.Context, _ time.Time) error {
			<-ctx.Done()
			time.Sleep(10 * time.Second)
			done = true
			return ctx.Err()
		}})
		if !done || strings.Contains(log, "job failed") {
			t.Errorf("done: %v, log: %s", done, log)
		}
	})
}

func TestASpecThatCannotBeRead(t *testing.T) {
	err := scheduler.Run(t.Context(), slog.New(slog.DiscardHandler), time.Now, []scheduler.Job{{Name: "odd", Spec: "every now and then"}})
	if err == nil {
		t.Error("it runs")
	}
}
