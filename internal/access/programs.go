package access

import (
	"context"
	"time"

	"github.com/google/uuid"
	"gorm.io/gorm"

	"spindlebook/internal/fault"
	"spindlebook/internal/pgdb"
)

// Token is what a program shows to be let in. Its secret is told once.
type Token struct {
	ID        uuid.UUID
	ActorID   uuid.UUID
	ActorName string
	CreatedAt time.Time
	ExpiresAt time.Time
	RevokedAt *time.Time
}

// longestToken bounds how long a forgotten token stays good.
const longestToken = 2 * 365 * 24 * time.Hour

// AddProgram records a program (a gateway, say) with its roles.
func AddProgram(tx *gorm.DB, who Actor, now time.Time, name string, grants []NewGrant) (Account, error) {
	if err := who.Must(Administer); err != nil {
		return Account{}, err
	}
	id := pgdb.NewID()
	if err := addActor(tx, id, "program", name, nil, now); err != nil {
		return Account{}, err
	}
	if err := grantAll(tx, id, now, grants); err != nil {
		return Account{}, err
	}
	return accountInTx(tx, id)
}

// GiveToken makes a token for a program and gives it with its secret, which is
// kept only as a hash.
func GiveToken(tx *gorm.DB, who Actor, now time.Time, program uuid.UUID, expires time.Time) (Token, string, error) {
	if err := who.Must(Administer); err != nil {
		return Token{}, "", err
	}
	a, err := accountInTx(tx, program)
	if err != nil {
		return Token{}, "", err
	}
	switch {
	case a.Kind != "program":
		return Token{}, "", &fault.Error{Kind: fault.Invalid, Field: "account", Value: a.Name, Msg: "is a person: people sign in with a password"}
	case !expires.After(now):
		return Token{}, "", fault.Field("expires_at", expires.Format(time.RFC3339), "must lie in the future")
	case expires.After(now.Add(longestToken)):
		return Token{}, "", fault.Field("expires_at", expires.Format(time.RFC3339), "lies at most two years ahead")
	}
	secret, hash := NewSecret()
	t := Token{ID: pgdb.NewID(), ActorID: program, ActorName: a.Name, CreatedAt: now, ExpiresAt: expires}
	err = tx.Exec(`insert into program_token (id, actor_id, secret_hash, created_at, expires_at) values (?, ?, ?, ?, ?)`,
		t.ID, program, hash, now, expires).Error
	return t, tokenPrefix + secret, err
}

const tokens = `
select t.id, t.actor_id, a.name as actor_name, t.created_at, t.expires_at, t.revoked_at
  from program_token as t
  join actor as a on a.id = t.actor_id`

// Tokens lists the tokens of one program, oldest first.
func Tokens(ctx context.Context, db *pgdb.DB, who Actor, program uuid.UUID) ([]Token, error) {
	if _, err := OneAccount(ctx, db, who, program); err != nil {
		return nil, err
	}
	return pgdb.Read[Token](ctx, db, who.ID, tokens+` where t.actor_id = @program order by t.id`, map[string]any{"program": program})
}

// RevokeToken ends a token at once. Revoking it again changes nothing.
func RevokeToken(tx *gorm.DB, who Actor, now time.Time, program, id uuid.UUID) (Token, error) {
	if err := who.Must(Administer); err != nil {
		return Token{}, err
	}
	err := tx.Exec(`update program_token set revoked_at = ? where id = ? and actor_id = ? and revoked_at is null`, now, id, program).Error
	if err != nil {
		return Token{}, err
	}
	return pgdb.One[Token](tx, "token", id.String(), tokens+` where t.id = @id and t.actor_id = @program`, map[string]any{"id": id, "program": program})
}
