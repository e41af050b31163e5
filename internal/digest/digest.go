// Package digest writes to people each day what presses: to those who plan, what keeps visits
// from going, what is late, which counters nobody reads and which faults stand; to those who go,
// their visits; to those who keep the stock, what they wait for and what waits for them; to owners,
// what comes to their sites and what was done there.
//
// Whoever gets a letter reads in it what they could see in the pages at that time, and nothing
// else: it is composed as them.
package digest

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/access"
	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
	"spindlebook/internal/post"
)

// Office takes letters.
type Office interface {
	Send(ctx context.Context, l post.Letter) error
}

// How often a letter is tried, and when again. A process that ends between handing a letter over
// and noting it leaves a claim that another takes up: that letter may come twice, with the
// same number, rather than never.
const (
	mostTries = 5
	again     = 15 * time.Minute
)

type claim struct {
	ActorID uuid.UUID
	OnDate  time.Time
	Email   string
	Zone    string
	LastAt  *time.Time // when the letter before was written
}

// atOnce is how many letters a process takes: what it has taken waits for the letters before
// it, and nobody else sends it meanwhile.
const atOnce = 5

// One statement takes some letters whose hour has come, for days that nobody has taken or that
// failed a while ago: of any number of processes one gets each.
const take = `
with due as (
  select p.actor_id, cast(cast(@now as timestamptz) at time zone p.zone as date) as on_date
    from person_preference as p
    join actor as a on a.id = p.actor_id and a.disabled_at is null
   where p.digest and extract(hour from cast(@now as timestamptz) at time zone p.zone) >= p.digest_hour
     and not exists (select from digest_day as d where d.actor_id = p.actor_id and d.on_date = cast(cast(@now as timestamptz) at time zone p.zone as date)
                        and (d.state in ('sent', 'nothing') or d.tries >= @most or d.claimed_at >= cast(@before as timestamptz)))
order by p.actor_id
   limit @few
),
taken as (
  insert into digest_day as d (actor_id, on_date, state, tries, claimed_at)
  select actor_id, on_date, 'claimed', 1, cast(@now as timestamptz) from due order by actor_id
  on conflict (actor_id, on_date) do update set state = 'claimed', tries = d.tries + 1, claimed_at = excluded.claimed_at, fault = ''
   where d.state in ('claimed', 'failed') and d.tries < @most and d.claimed_at < cast(@before as timestamptz)
  returning actor_id, on_date
)
select t.actor_id, t.on_date, p.email, p.zone, (select max(d.claimed_at) from digest_day as d where d.actor_id = t.actor_id and d.on_date < t.on_date and d.state = 'sent') as last_at
  from taken as t join person_preference as p on p.actor_id = t.actor_id order by t.actor_id`

// Tick sends the letters whose hour has come, a few at a time by the clock, until there is none
// left. It may run in several processes at once. One that cannot be sent keeps none of the others
// back.
func Tick(ctx context.Context, db *pgdb.DB, clock func() time.Time, log *slog.Logger, to Office, public func(path string) string) error {
	var failed []error
	for ctx.Err() == nil {
		n, unsent, err := some(ctx, db, clock, log, to, public)
		failed = append(failed, unsent...)
		if err != nil || n == 0 {
			return errors.Join(append(failed, err)...)
		}
	}
	return errors.Join(append(failed, ctx.Err())...)
}

// some takes a few letters, sends them and says how many it took and why some did not go.
func some(ctx context.Context, db *pgdb.DB, clock func() time.Time, log *slog.Logger, to Office, public func(path string) string) (n int, failed []error, err error) {
	var claims []claim
	err = db.InTx(ctx, access.System.ID, func(tx *gorm.DB) error {
		now := clock()
		return tx.Raw(take, map[string]any{"now": now, "most": mostTries, "before": now.Add(-again), "few": atOnce}).Scan(&claims).Error
	})
	if err != nil {
		return 0, nil, err
	}
	for _, c := range claims {
		state, told := "sent", ""
		sent, err := send(ctx, db, clock(), c, to, public)
		if err != nil {
			state, told = "failed", err.Error()
			failed = append(failed, err)
			log.WarnContext(ctx, "a daily letter was not sent; it is tried again", "actor", c.ActorID, "err", err)
		} else if !sent {
			state = "nothing"
		}
		err = db.InTx(context.WithoutCancel(ctx), access.System.ID, func(tx *gorm.DB) error {
			return tx.Exec(`update digest_day set state = @state, ended_at = @now, fault = @told where actor_id = @who and on_date = cast(@day as date)`,
				map[string]any{"state": state, "now": clock(), "told": told, "who": c.ActorID, "day": c.OnDate.Format(time.DateOnly)}).Error
		})
		if err != nil {
			return len(claims), failed, err
		}
	}
	return len(claims), failed, nil
}

// send composes a letter and hands it over; false where there was nothing to tell.
func send(ctx context.Context, db *pgdb.DB, now time.Time, c claim, to Office, public func(path string) string) (bool, error) {
	who, _, err := access.Load(ctx, db, c.ActorID)
	if fault.KindOf(err) == fault.NoIdentity {
		return false, nil // shut out meanwhile
	}
	if err != nil {
		return false, err
	}
	zone, err := time.LoadLocation(c.Zone)
	if err != nil {
		return false, err
	}
	d, err := Compose(ctx, db, who, now, c.LastAt, zone)
	if err != nil || d.Empty() {
		return false, err
	}
	text, page, err := d.write(public)
	if err != nil {
		return false, err
	}
	return true, to.Send(ctx, post.Letter{ID: fmt.Sprintf("%s.%s@spindlebook", c.OnDate.Format("20060102"), c.ActorID), Name: who.Name, To: c.Email, Subject: d.Subject(),
		Text: text, HTML: page, Leave: public("/account/letters"), At: now})
}
