// Package scheduler is the loop that ticks. It remembers nothing: what is due
// stands in the database, so a process that is lost loses nothing, and any
// number of processes may tick over one database.
package scheduler

import (
	"context"
	"log/slog"
	"time"

	"github.com/robfig/cron/v3"
)

// Job does everything that is due at now. It may run in several processes at
// once and must not mind.
type Job struct {
	Name string
	Spec string // cron's five fields, in UTC
	Do   func(ctx context.Context, now time.Time) error
}

// Run ticks until ctx ends, and then waits for the jobs that are under way. A
// job that is still at work when its time comes again is left alone, and one
// that panics is logged. It fails only when a spec cannot be read.
func Run(ctx context.Context, log *slog.Logger, now func() time.Time, jobs []Job) error {
	told := cronLog{log}
	// a panic must be caught inside: what skips would take the job for one at work ever after
	c := cron.New(cron.WithLocation(time.UTC), cron.WithLogger(told),
		cron.WithChain(cron.SkipIfStillRunning(told), cron.Recover(told)))
	for _, j := range jobs {
		_, err := c.AddFunc(j.Spec, func() {
			began := time.Now()
			if err := j.Do(ctx, now()); err != nil && ctx.Err() == nil {
				log.ErrorContext(ctx, "job failed; it runs again at its next time", "job", j.Name, "err", err)
				return
			}
			log.DebugContext(ctx, "job done", "job", j.Name, "took", time.Since(began))
		})
		if err != nil {
			return err
		}
	}
	c.Start()
	<-ctx.Done()
	<-c.Stop().Done()
	return nil
}

// cronLog gives what cron says to our log; its chatter is for debugging.
type cronLog struct{ log *slog.Logger }

func (l cronLog) Info(msg string, kv ...any) { l.log.Debug("cron: "+msg, kv...) }
func (l cronLog) Error(err error, msg string, kv ...any) {
	l.log.Error("cron: "+msg, append(kv, "err", err)...)
}
