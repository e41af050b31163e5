package pgdb

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgconn"
	"gorm.io/gorm"

	"spindlebook/internal/fault"
)

// Request is what makes a write safe to send again: the key that its sender
// chose, and what was asked, so that a key used for something else is noticed.
type Request struct {
	Key  string // 1 to 255 visible ASCII characters, unique for its sender
	Act  string // what is done: the operation's name
	Body any    // what was asked, as decoded
	Bulk bool   // the work sends rows by Copy
}

const keepAnswer = `
insert into kept_answer (actor_id, key, fingerprint, kept_at)
values (@actor, @key, @fingerprint, @now)
on conflict on constraint kept_answer_pk do nothing`

// Once does fn in one transaction and keeps its result in the same one. The
// same request again, even at the same time or after a crash, gives the first
// result and does nothing; the same key with another request is a fault. A
// failed fn keeps nothing, so that it may be tried again. Where it met with another
// transaction in one instant it is tried again here: fn must not mind to be called
// anew. now dates the answer.
func Once[T any](ctx context.Context, d *DB, who uuid.UUID, now time.Time, r Request, fn func(tx *gorm.DB) (T, error)) (T, error) {
	var result T
	body, err := json.Marshal(r.Body)
	if err != nil {
		return result, fmt.Errorf("fingerprint of %s: %w", r.Act, err)
	}
	sum := sha256.Sum256(append([]byte(r.Act+"\n"), body...))
	inTx := d.InTx
	if r.Bulk {
		inTx = d.InBulk
	}
	work := func(tx *gorm.DB) error {
		// where another transaction holds the same key this waits for its end
		ins := tx.Exec(keepAnswer, map[string]any{"actor": who, "key": r.Key, "fingerprint": sum[:], "now": now})
		if ins.Error != nil {
			return ins.Error
		}
		if ins.RowsAffected == 0 {
			return replay(tx, who, r.Key, sum[:], &result)
		}
		if result, err = fn(tx); err != nil {
			return err
		}
		answer, err := json.Marshal(result)
		if err != nil {
			return fmt.Errorf("keep the answer of %s: %w", r.Act, err)
		}
		return tx.Exec(`update kept_answer set answer = cast(@answer as jsonb) where actor_id = @actor and key = @key`,
			map[string]any{"answer": string(answer), "actor": who, "key": r.Key}).Error
	}
	for try := 1; ; try++ {
		var none T
		result = none
		err = inTx(ctx, who, work)
		if !met(err) || r.Bulk || try == tries {
			return result, err
		}
		select { // those who met must not meet again
		case <-ctx.Done():
			return result, err
		case <-time.After(time.Duration(try)*5*time.Millisecond + rand.N(20*time.Millisecond)):
		}
	}
}

// tries is how often work is tried that met with somebody else's.
const tries = 4

// met tells whether a transaction was taken back because two met in one instant: nothing of it
// was done, and it may well be done now.
func met(err error) bool {
	pe, ok := errors.AsType[*pgconn.PgError](err)
	return ok && (pe.Code == "40001" || pe.Code == "40P01")
}

// replay reads the answer that was kept under the key.
func replay(tx *gorm.DB, who uuid.UUID, key string, fingerprint []byte, result any) error {
	var kept struct {
		Fingerprint []byte
		Answer      string
	}
	if err := tx.Raw(`select fingerprint, answer::text as answer from kept_answer where actor_id = ? and key = ?`, who, key).Scan(&kept).Error; err != nil {
		return err
	}
	if !bytes.Equal(kept.Fingerprint, fingerprint) {
		return &fault.Error{Kind: fault.Invalid, Field: "Idempotency-Key", Value: key,
			Msg: "was used for another request; choose a fresh one for each new request"}
	}
	if err := json.Unmarshal([]byte(kept.Answer), result); err != nil {
		return fmt.Errorf("read the kept answer of %q: %w", key, err)
	}
	return nil
}

// ForgetAnswers drops the answers of retries kept before the instant given, as
// the housekeeper: the service role deletes only what its actor kept, so this
// goes through a function of the owner.
func (d *DB) ForgetAnswers(ctx context.Context, who uuid.UUID, before time.Time) error {
	return d.InTx(ctx, who, func(tx *gorm.DB) error {
		return tx.Exec(`select forget_answers(?)`, before).Error
	})
}
